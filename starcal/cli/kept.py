"""Settings of an earlier run or join: they stand for what is not typed."""

import os
from dataclasses import fields

from ..choices import Choices, Settings, read_settings
from ..versions import told_differences
from .terminal import warn

# What a run has done to the stars of its own layer already
DONE_TO_STARS = ("star_brightness", "star_size", "faintest_mag", "brightest")
DONE_TO_STARS += ("clipped_cores", "warmth", "saturation")
OF_ONE_FRAME = ("wcs", "starless", "leave_out")  # another's pixels lie elsewhere


def put_kept_settings(options) -> None:
    """Let the settings named by ``--settings`` be what the command takes by default.

    Parameters
    ----------
    options : Namespace
        As parsed without them.
    """
    kept = read_settings(options.settings)
    for difference in told_differences(options.settings):
        warn(options, difference)
    if layer := _layer_of(options):
        known = _of_stars(options, kept, layer)
        parser = getattr(options, "frame_parser", None) or options.join_parser
    else:
        known = _of_frame(options, kept)
        parser = options.frame_parser
    if "leave_out" in known:
        known["leave_out"] = list(known["leave_out"])
    parser.set_defaults(**known)


def _of_frame(options, kept: Settings) -> dict:
    """Choices and files, without those that belong to another frame than the one typed."""
    known = vars(kept) | {"frame": [kept.frame] if kept.frame else []}
    if options.frame:  # one file in place of three
        known |= dict.fromkeys(("red", "green", "blue"))
    elif options.red:
        known["frame"] = []
    typed = options.frame or [options.red or kept.first_file]
    if all(_is_that_file(path, kept.first_file) for path in typed):
        return known
    if foreign := [name.replace("_", "-") for name in OF_ONE_FRAME if known[name]]:
        warn(options, f"not taken, as of {kept.first_file} alone: --{', --'.join(foreign)}")
    return {name: value for name, value in known.items() if name not in OF_ONE_FRAME}


def _is_that_file(typed: str, kept: str) -> bool:
    """Whether a file is the one that was kept, or that one, moved."""
    if os.path.exists(kept):
        return os.path.realpath(typed) == os.path.realpath(kept)
    return os.path.basename(typed) == os.path.basename(kept)


def _layer_of(options) -> str | None:
    """The star layer that is laid over a nebula; None for another command."""
    if options.command == "join":
        return options.stars
    frames = options.frame if options.command == "view" else []
    return frames[1] if len(frames) == 2 else None


def _of_stars(options, kept: Settings, layer: str) -> dict:
    """Choices alone, no files, without those that lie in the layer already."""
    names = {each.name for each in fields(Choices)}
    known = {name: value for name, value in vars(kept).items() if name in names}
    if _was_made_by(options.settings, kept, layer):
        warn(
            options,
            f"the stars of {layer} are as asked for already, by the run of {options.settings}",
        )
        known = {name: known[name] for name in known.keys() - DONE_TO_STARS}
    if known.get("route") == "gains":  # of a whole frame
        del known["route"]
    return {name: value for name, value in known.items() if hasattr(options, name)}


def _was_made_by(settings: str, kept: Settings, layer: str) -> bool:
    """Whether a star layer is that of the run whose settings lie beside it."""
    folders = {os.path.dirname(os.path.realpath(path)) for path in (settings, layer)}
    return len(folders) == 1 and os.path.realpath(kept.first_file) != os.path.realpath(layer)
