"""The files of a command: what it was told to read, and where its results may go."""

import os
import re
from dataclasses import fields

from ..choices import Settings, own_table_path, require_gains_serve
from ..errors import NoWCSError, OutputError
from ..frame import check_output, require_not_inputs, require_there, write_wcs
from .terminal import show

INPUTS = (
    "red",
    "green",
    "blue",
    "wcs",
    "nebula",
    "starless",
    "stars",
    "star_frame",
    "picture",
    "bands",
)
FITS_NAME = re.compile(r"\.(fits?|fts)$", re.IGNORECASE)


def asked_for(options, frame: str | None = None) -> Settings:
    """What was typed, as settings; options that a command has not got are as by default."""
    typed = {each.name: getattr(options, each.name, each.default) for each in fields(Settings)}
    typed["frame"] = frame or next(iter(options.frame), None)
    parser = getattr(options, "frame_parser", None) or options.join_parser
    serve = own_table_path(typed["catalogue"]) or getattr(options, "settings", None)
    if typed["columns"] and not serve:
        parser.error("--columns are those of your own table: give it, --catalogue file:PATH")
    try:
        return Settings(**typed)
    except ValueError as error:  # of choices that do not go together
        return parser.error(str(error))


def refuse_of_one(options, *names: str) -> None:
    """Wrong usage, where what belongs to one frame is given with several."""
    for name in names:
        if getattr(options, name, None):
            typed = f"--{name.replace('_', '-')}"
            options.frame_parser.error(f"{typed} is of one frame: give one, or leave it out")


def refuse_of_several(options) -> None:
    """Wrong usage, where what belongs to several frames is given with one."""
    if options.common_gains:
        options.frame_parser.error(
            "--common-gains is of several frames: give them, or a folder"
        )


def asked_with_common(options) -> Settings:
    """What was typed for several frames; with gains in common only what these have a part in."""
    asked = asked_for(options)
    try:
        if options.common_gains:
            require_gains_serve(asked)
    except ValueError as error:
        options.frame_parser.error(str(error))
    return asked


def require_outputs(options, *outputs: str, fits: bool = True) -> None:
    """Every input is there, and none is written over; nothing that is there without --overwrite;
    FITS goes by its name."""
    inputs = [path for path in _inputs(options) if path]
    require_there(inputs)
    require_not_inputs(outputs, inputs)
    for output in outputs:
        if fits and not FITS_NAME.search(output):
            raise OutputError(f"{output}: the output is FITS. Give a name that ends in .fits")
        check_output(output, options.overwrite)


def _inputs(options) -> list:
    """Every file that a command was told to read; None for an option that was not given."""
    return [
        *(getattr(options, "frame", None) or []),
        *(getattr(options, name, None) for name in INPUTS),
        own_table_path(getattr(options, "catalogue", "")),
    ]


def require_wcs_output(options, *others: str) -> None:
    """The file of --write-wcs is free, and no other output goes there."""
    if not options.write_wcs:
        return
    require_outputs(options, options.write_wcs, fits=False)
    if os.path.realpath(options.write_wcs) in {os.path.realpath(other) for other in others}:
        raise OutputError(
            f"{options.write_wcs} is another output already: give --write-wcs another name"
        )


def write_found_wcs(options, checked) -> None:
    """Write where the frame points, for --wcs of a later command."""
    if not options.write_wcs:
        return
    if checked.wcs is None:
        raise NoWCSError(
            f"{checked.frame}: no WCS was found that fits its stars: {options.write_wcs} not "
            "written. Say where it points, with --ra, --dec and --scale; or use a deeper "
            "catalogue: --catalogue gaia"
        )
    shape = checked.wcs.array_shape
    write_wcs(options.write_wcs, checked.wcs, shape, overwrite=options.overwrite)
    if not options.json:
        show(options, {}, f"WCS written: {options.write_wcs}")
