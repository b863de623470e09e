"""True star colours for deep-sky pictures: check, calibrate, or colour the stars another way.

Every function takes a frame as a file's name, a `Frame`, an array of shape (3, y, x) or (y, x, 3),
an HDU, or astropy's CCDData or NDData (``wcs=`` tells where an array points); what can be asked for
has the words of the command line (``catalogue="gaia"``, ``snr=7``, ``route="palette"``: see
`Choices`). Results print, show themselves in notebooks, and hold astropy tables.

Can calibration rescue this frame?
    check             the verdict, with its numbers                     -> CheckResult, Verdict
    check_channel     where one mono channel points                     -> ChannelCheck
The cure
    run               the whole job, into a folder                      -> RunResult
    calibrate         gains fitted to catalogue B-V, and applied        -> Calibrated
    recolour_stars    a true or possible colour for every star          -> Recoloured
Many frames at once
    run_many, check_many, calibrate_many   each by itself, some at a time -> ManyRuns
    gains_in_common   one set of gains for frames that were checked     -> CommonGains
Channels and layers
    compose_channels  three mono frames to one colour frame             -> Composed
    split_stars       stars and starless                                -> StarLayers
    join_pictures     the stars of a run into its finished nebula       -> Joined
Proof and plan
    audit_picture     which stars have colours that no star has         -> Audit
    plan_exposures    exposures of a separate star frame                -> Plan
    SkyField, Kit, Night  what a plan is made for
The page
    view_frame        before and after in the browser, every choice to play with -> OpenPage
Frames, catalogues, choices
    read_frame, read_channels   a file, or three, as a Frame
    find_object       where a nebula or cluster is, by its name         -> SkyObject
    fetch_field, FieldRequest   a field of a deeper catalogue into the cache
    write_demo        example frames to try the rest on
    Choices           all that can be asked for, with its defaults
While it works
    notebook_progress a bar in a notebook; ``progress=`` takes any function of a step and a share
    the log "starcal" (standard logging) has every step
    StarcalError      above all errors that starcal raises

The names are imported when first used: ``import starcal`` and ``starcal --help`` stay quick.
"""

from importlib import import_module

__version__ = "0.1.0"

_HOME = {
    "check": "checking.check",
    "check_channel": "checking.channel",
    "ChannelCheck": "checking.channel",
    "calibrate": "cure.gains",
    "run": "pipeline",
    "view_frame": "view.opening",
    "OpenPage": "view.opening",
    "run_many": "many",
    "check_many": "many",
    "calibrate_many": "many",
    "gains_in_common": "many",
    "CommonGains": "fit.common",
    "ManyRuns": "many",
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
    "compose_channels": "compose",
    "Composed": "compose",
    "split_stars": "finish.splitting",
    "StarLayers": "finish.splitting",
    "join_pictures": "finish",
    "Joined": "finish",
    "find_object": "catalogue.objects",
    "SkyObject": "catalogue.objects",
    "fetch_field": "catalogue.choose",
    "FieldRequest": "catalogue.request",
    "write_demo": "demo.examples",
    "notebook_progress": "progress",
    "StarcalError": "errors",
    "plan_exposures": "plan",
    "Plan": "plan",
    "SkyField": "plan",
    "Kit": "plan",
    "Night": "plan",
}
# What is called otherwise in its module: a package may not hide a function of its own name.
_NAME_THERE = {"compose_channels": "compose", "fetch_field": "fetch"}

__all__ = [
    "Audit",
    "Calibrated",
    "ChannelCheck",
    "CheckResult",
    "Choices",
    "CommonGains",
    "Composed",
    "FieldRequest",
    "Frame",
    "Joined",
    "Kit",
    "ManyRuns",
    "Night",
    "OpenPage",
    "Plan",
    "Recoloured",
    "RunResult",
    "SkyField",
    "SkyObject",
    "StarLayers",
    "StarcalError",
    "Verdict",
    "__version__",
    "audit_picture",
    "calibrate",
    "calibrate_many",
    "check",
    "check_channel",
    "check_many",
    "compose_channels",
    "fetch_field",
    "find_object",
    "gains_in_common",
    "join_pictures",
    "notebook_progress",
    "plan_exposures",
    "read_channels",
    "read_frame",
    "recolour_stars",
    "run",
    "run_many",
    "split_stars",
    "view_frame",
    "write_demo",
]


def __getattr__(name: str):
    """Import a public name from its module."""
    if name not in _HOME:
        raise AttributeError(f"module 'starcal' has no attribute {name!r}")
    return getattr(import_module(f"starcal.{_HOME[name]}"), _NAME_THERE.get(name, name))


def __dir__() -> list[str]:
    """List the public names."""
    return __all__
