"""What a result was made with: numbers repeat bit for bit with the same libraries only."""

import json
import platform
from pathlib import Path

from . import __version__

LIBRARIES = ("numpy", "scipy", "astropy", "photutils", "matplotlib", "pillow")


def versions() -> dict[str, str]:
    """starcal, Python and the libraries that numbers and pictures come from.

    Returns
    -------
    dict of str to str
        Version by name.
    """
    from importlib.metadata import version  # a quarter of what --help would wait for

    own = {"starcal": __version__, "Python": platform.python_version()}
    return own | {name: version(name) for name in LIBRARIES}


def told_differences(result: str | Path) -> str:
    """What differs between the versions of an earlier result and those at hand.

    Parameters
    ----------
    result : str or Path
        Its ``result.json``, which `choices.read_settings` has read.

    Returns
    -------
    str
        One sentence; empty where all are the same, or nothing is known.
    """
    known = json.loads(Path(result).read_text(encoding="utf-8")).get("versions")
    if not isinstance(known, dict):
        return ""
    now = versions()
    other = {name: known[name] for name in now if known.get(name, now[name]) != now[name]}
    if not other:
        return ""
    told = ", ".join(
        f"{name} {str(was)[:20]} (here {now[name]})" for name, was in other.items()
    )
    return f"{result} is of a run with {told}: numbers may differ in their last digits"
