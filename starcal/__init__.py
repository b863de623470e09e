"""True star colours for deep-sky pictures: check, calibrate, or colour the stars another way.

The names here are imported when first used, so that ``import starcal`` and ``starcal --help`` stay
quick.
"""

from importlib import import_module

__version__ = "0.1.0"

_HOME = {
    "check": "checking.check",
    "check_channel": "checking.channel",
    "ChannelCheck": "checking.channel",
    "calibrate": "cure.gains",
    "run": "pipeline",
    "Calibrated": "cure.gains",
    "RunResult": "pipeline",
    "recolour_stars": "cure.stars",
    "Recoloured": "cure.stars",
    "Choices": "choices",
    "audit_picture": "audit",
    "Audit": "audit",
    "CheckResult": "checking.result",
    "Verdict": "fit.verdict",
    "Frame": "frame",
    "read_frame": "frame",
    "read_channels": "compose",
    "StarcalError": "errors",
    "plan_exposures": "plan",
    "Plan": "plan",
}

__all__ = [
    "Audit",
    "Calibrated",
    "ChannelCheck",
    "CheckResult",
    "Choices",
    "Frame",
    "Plan",
    "Recoloured",
    "RunResult",
    "StarcalError",
    "Verdict",
    "__version__",
    "audit_picture",
    "calibrate",
    "check",
    "check_channel",
    "plan_exposures",
    "read_channels",
    "read_frame",
    "recolour_stars",
    "run",
]


def __getattr__(name: str):
    """Import a public name from its module."""
    if name not in _HOME:
        raise AttributeError(f"module 'starcal' has no attribute {name!r}")
    return getattr(import_module(f"starcal.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    """List the public names."""
    return __all__
