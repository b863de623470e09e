"""Options that several commands have, and how an option stands for a choice."""

import argparse
from collections.abc import Callable, Sequence

from ..choices import (
    MOST_MEGAPIXELS,
    default_of,
    limits_of,
    names_of,
)
from .words import (
    count,
    positive,
    typed_gains,
    typed_place,
    within,
)


def add_frame(parser, several: bool = False, hints: bool = True, kind: str = "linear") -> None:
    """The frame, or its three channels, and how it is read."""
    parser.add_argument(
        "frame",
        metavar="FRAME",
        nargs="*",
        help=f"{kind} colour " + ("frames" if several else "frame") + ": FITS, TIFF or PNG",
    )
    files = parser.add_argument_group("the frame")
    for channel in ("red", "green", "blue"):
        files.add_argument(
            f"--{channel}", metavar="FILE", help=f"{channel} channel as a file of its own"
        )
    add_number(files, "full_scale", "N", "value in the file that means full scale")
    add_linear(files)
    add_size_limit(files)
    add_place(parser, hints)
    parser.set_defaults(frame_parser=parser, several=several)


def add_sharing(parser) -> None:
    """How the work for several frames is shared out."""
    parser.add_argument(
        "--jobs",
        type=count,
        default=1,
        metavar="N",
        help="of several frames so many at a time, each in a process of its own (default: 1)",
    )
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="let the workers of a Dask scheduler do them, which see the same files",
    )
    parser.add_argument(
        "--common-gains",
        action="store_true",
        help="panels of a mosaic, or nights of one object: one set of gains for all, weighted by "
        "their errors",
    )


def add_size_limit(parser) -> None:
    """How large a picture may be."""
    parser.add_argument(
        "--max-megapixels",
        type=positive,
        default=MOST_MEGAPIXELS,
        metavar="N",
        help="larger pictures are not decoded: a damaged file may claim any size (default: "
        "%(default)g)",
    )


def add_place(parser, hints: bool = True) -> None:
    """Where a frame points; hints are for commands that look for its stars in a catalogue."""
    place = parser.add_argument_group("where the frame points")
    place.add_argument(
        "--wcs",
        metavar="FILE",
        help="FITS header or .wcs file that says where the frame points",
    )
    if hints:
        add_hints(place)


def add_hints(parser) -> None:
    """Where a frame points, as far as it is known."""
    parser.add_argument(
        "--ra",
        help="without a WCS that fits: right ascension of the middle, degrees or 20h22m14s",
    )
    parser.add_argument(
        "--dec",
        help="without a WCS that fits: declination of the middle, degrees or +40d15m24s",
    )
    parser.add_argument(
        "--object",
        metavar="NAME",
        help="in place of these: a nebula, cluster or galaxy near the middle, such as M42",
    )
    add_number(parser, "scale", "ARCSEC", "without a WCS that fits: size of a pixel")


def add_fit(parser) -> None:
    """Which stars, which catalogue, which fit."""
    add_source(parser)
    fit = parser.add_argument_group("stars and fit")
    add_neutral_star(fit)
    fit.add_argument(
        "--bands",
        metavar="FILE",
        help="response curves of camera or filters (ECSV or CSV: wavelength in nm, red, green, "
        "blue), so that few stars are enough",
    )
    add_detection(fit)
    add_names(
        fit,
        "model",
        "gains per channel; a 3x3 matrix on 20 stars and more; or gains that take a gradient of "
        "colour out, on 12 and more",
        names_of("model"),
    )
    fit.add_argument(
        "--gains",
        type=typed_gains,
        default=default_of("gains"),
        metavar="R,ERROR,B,ERROR",
        help="in place of the frame's own: those that it has in common with other frames",
    )
    add_leave_out(fit)


def add_neutral_star(parser) -> None:
    """The star that comes out neutral."""
    add_number(
        parser, "neutral_bv", "BV", "B-V of the star that comes out neutral; the sun has 0.65"
    )


def add_source(command) -> None:
    """Where catalogue stars come from."""
    parser = command.add_argument_group("star catalogue")
    parser.add_argument(
        "--catalogue",
        default=default_of("catalogue"),
        metavar="NAME",
        help="embedded (default), gaia, apass, tycho2-online, deep (what `starcal catalogue "
        "build` made), file:PATH, or auto: a cached deeper field or the deep table if there is one",
    )
    parser.add_argument(
        "--columns", metavar="MAP", help="columns of your own table: ra=..,dec=..,v=..,bv=.."
    )
    parser.add_argument(
        "--online",
        action=argparse.BooleanOptionalAction,
        default=default_of("online"),
        help="whether the network may be asked (default: only for a catalogue that you name)",
    )
    add_number(parser, "timeout", "S", "seconds for all that is asked of the network")


def add_detection(parser) -> None:
    """How faint stars may be."""
    add_number(parser, "snr", "N", "detection threshold")


def add_leave_out(parser) -> None:
    """Stars that the fit does without."""
    parser.add_argument(
        "--leave-out",
        type=typed_place,
        action="append",
        default=list(default_of("leave_out")),
        metavar="X,Y",
        help="a star to be left out of the fit, by its place in pixels; may be given again",
    )


def add_linear(parser) -> None:
    """That the frame is linear, whatever it looks like."""
    add_switch(parser, "assume_linear", "believe that the frame is linear")


def add_star_colours(parser, routes: Sequence[str]) -> None:
    """Where star colours come from, and how many stars of what size are kept."""
    colours = parser.add_argument_group("star colours")
    add_colours(colours, routes)
    add_others(colours)
    add_wishes(parser)


def add_others(parser) -> None:
    """Frames besides the one that is worked on."""
    add_starless(parser)
    parser.add_argument(
        "--star-frame",
        metavar="FILE",
        help="a separate broadband frame of the field: its stars are calibrated and used",
    )


def add_colours(parser, routes: Sequence[str]) -> None:
    """Where star colours come from, and taste."""
    add_names(parser, "route", "best source for each star, or one source alone", routes)
    add_number(parser, "bv", "BV", "B-V of the palette")
    add_number(parser, "spread", "MAG", "invented spread of the palette's B-V")
    add_number(parser, "warmth", "N", "1 is true, more is redder")
    add_number(parser, "saturation", "N", "1 is true, 0 is white")


def add_wishes(command) -> None:
    """Fewer, smaller, whole stars."""
    parser = command.add_argument_group("size and number of stars")
    add_number(parser, "star_brightness", "N", "1 leaves the stars' light as it is")
    add_number(parser, "star_size", "N", "0.4 to 1.5, 1 leaves them; their light is kept")
    fewer = parser.add_mutually_exclusive_group()
    add_number(fewer, "faintest_mag", "MAG", "V of the faintest star that is kept")
    add_number(fewer, "brightest", "N", "how many stars are kept, the brightest")
    add_names(
        parser,
        "clipped_cores",
        "clipped cores of stars, from their unclipped wings",
        names_of("clipped_cores"),
    )


def add_star_strength(parser) -> None:
    """How stars are stretched by themselves."""
    add_number(
        parser,
        "star_strength",
        "N",
        "stars stretched by themselves: above 1 faint stars are lifted more, below 1 less",
    )


def add_moved(parser) -> None:
    """Whether a finished nebula was cropped, turned or scaled."""
    parser.add_argument(
        "--moved",
        choices=("auto", "none"),
        default="auto",
        help="none: the nebula was neither cropped nor turned nor scaled; do not look",
    )


def add_starless(parser) -> None:
    """A starless version that exists already."""
    parser.add_argument(
        "--starless",
        metavar="FILE",
        help="a starless version of FRAME that you already have, linear",
    )


def add_sky(parser) -> None:
    """What calibration does to the sky."""
    add_names(
        parser,
        "sky",
        "bring the sky background to grey, or keep it as it comes",
        names_of("sky"),
    )


def add_display(command) -> None:
    """How previews look."""
    parser = command.add_argument_group("look of the pictures to show")
    add_number(
        parser,
        "black",
        "N",
        "black point of previews: 0 as chosen from the frame, 1 at the sky",
    )
    add_number(
        parser,
        "strength",
        "N",
        "stretch of previews: 1 as chosen from the frame, more lifts faint light",
    )
    add_star_strength(parser)


def add_write_wcs(parser) -> None:
    """A file for where the frame points."""
    parser.add_argument(
        "--write-wcs",
        metavar="FILE",
        help="write where the frame points, by its stars, as a FITS header for --wcs",
    )


def add_folder(parser, text: str) -> None:
    """A folder for the files."""
    parser.add_argument("-o", "--out", "--output", dest="out", metavar="DIR", help=text)


def add_output(parser, metavar: str, text: str, required: bool = True) -> None:
    """A file to write; every command takes the same three spellings."""
    spellings = ("-o", "--out", "--output")
    parser.add_argument(
        *spellings, dest="output", metavar=metavar, required=required, help=text
    )


def add_fits_output(parser) -> None:
    """A FITS file to write."""
    add_output(parser, "OUT", "file to write (FITS)")


def add_overwrite(parser, what: str = "existing files") -> None:
    """That existing files may go."""
    parser.add_argument("--overwrite", action="store_true", help=f"replace {what}")


# --- options that stand for a choice ----------------------------------------------------


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def add_number(parser, name: str, metavar: str, text: str) -> None:
    """An option whose default and limits are those of the choice of this name."""
    default = default_of(name)
    parser.add_argument(
        _option(name),
        type=within(limits_of(name)),
        default=default,
        metavar=metavar,
        help=text if default is None else f"{text} (default: {default:g})",
    )


def add_usual(parser, name: str, kind: Callable, metavar: str, text: str) -> None:
    """An option that goes to no `Choices`, with what holds without it."""
    usual = default_of(name)
    shown = f"{text} (default: {usual:g})"
    parser.add_argument(_option(name), type=kind, default=usual, metavar=metavar, help=shown)


def add_asked(parser, name: str, kind: Callable, metavar: str, text: str) -> None:
    """The same, but that it is known whether anybody typed it."""
    add_usual(parser, name, kind, metavar, text)
    parser.set_defaults(**{name: None})


def add_names(parser, name: str, text: str, names: Sequence[str]) -> None:
    """An option that is one of some names, by default the choice's own default."""
    default = default_of(name)
    parser.add_argument(
        _option(name), choices=names, default=default, help=f"{text} (default: {default})"
    )


def add_switch(parser, name: str, text: str) -> None:
    """An option that says yes to a choice whose default is no."""
    parser.add_argument(_option(name), action="store_true", default=default_of(name), help=text)
