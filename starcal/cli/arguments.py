"""What can be typed: every command with its options and an example. Imports nothing heavy."""

import argparse
import math
from collections.abc import Callable, Sequence

from .. import __version__
from ..choices import (
    DEEP_LIMIT,
    FIELD_LIMIT,
    FIELD_RADIUS,
    MOST_MEGAPIXELS,
    NOT_NEGATIVE,
    POSITIVE,
    SERVICES,
    Limits,
    default_of,
    limits_of,
    names_of,
)
from .spelling import HelpLines, Parser

EPILOG = """\
exit status: 0 done, 1 could not (one line says why), 2 wrong usage, 130 interrupted

example: starcal demo owl && starcal run owl/cygnus-camera.fits
"""


def build_parser() -> argparse.ArgumentParser:
    """All commands with their options and an example each."""
    parser = _parser(
        Parser,
        prog="starcal",
        epilog=EPILOG,
        description="True star colours for deep-sky pictures.",
    )
    parser.add_argument("-V", "--version", action="version", version=f"starcal {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for add in (
        _add_run,
        _add_view,
        _add_check,
        _add_calibrate,
        _add_compose,
        _add_split,
        _add_recolour,
        _add_join,
        _add_audit,
        _add_plan,
        _add_demo,
        _add_catalogue,
        _add_completion,
    ):
        add(commands)
    return parser


def _parser(make, **settings) -> argparse.ArgumentParser:
    return make(formatter_class=HelpLines, allow_abbrev=False, **settings)


def _command(
    commands, name, purpose, example, command=None, usage=None
) -> argparse.ArgumentParser:
    """A command; its usage is told in short where the options, in groups, are many."""
    parser = _parser(
        commands.add_parser,
        name=name,
        usage=usage and f"starcal {name} {usage}",
        help=purpose,
        description=purpose[0].upper() + purpose[1:] + ".",
        epilog=f"example: {example}",
    )
    parser.set_defaults(command=command or name)
    parser.add_argument("--json", action="store_true", help="print JSON and nothing else")
    words = parser.add_mutually_exclusive_group()
    words.add_argument("-q", "--quiet", action="store_true", help="print nothing but errors")
    words.add_argument(
        "-v",
        "--verbose",
        action="store_true",
        help="print every number, and steps as they come",
    )
    return parser


# --- one command each -------------------------------------------------------------------


def _add_run(commands) -> None:
    run = _command(
        commands,
        "run",
        "the whole job: check, choose the route, write picture and report",
        "starcal run veil.fits --out veil-stars",
        usage="FRAME [FRAME ...] [options]",
    )
    _add_frame(run, several=True, kind="linear or stretched")
    _add_folder(
        run, "folder for the files (default: FRAME-starcal); of several frames, for theirs"
    )
    _add_sharing(run)
    run.add_argument(
        "--settings",
        metavar="FILE",
        help="result.json of an earlier run: the same again, but for what you type besides",
    )
    _add_switch(run, "tiff", "write the picture as 16-bit TIFF, too")
    _add_write_wcs(run)
    _add_overwrite(run)
    _add_fit(run)
    _add_sky(run)
    _add_star_colours(run, names_of("route"))
    _add_display(run)


def _add_view(commands) -> None:
    view = _command(
        commands,
        "view",
        "a page in your browser: before and after, and every choice to play with; given a finished "
        "nebula and its star layer, the stars over it; given nothing, a frame is chosen there",
        "starcal view veil.fits, or starcal view veil-finished.tif veil-starcal/stars.fits",
        usage="[FRAME | NEBULA STARS] [options]",
    )
    _add_frame(view, kind="linear or stretched")
    _add_folder(
        view,
        "where you save: a folder (default: FRAME-starcal), with a nebula a file (default: "
        "NEBULA-whole)",
    )
    view.add_argument(
        "--settings",
        metavar="FILE",
        help="result.json of an earlier run: start with its choices (with a nebula: of stars)",
    )
    _add_switch(view, "tiff", "save the picture as 16-bit TIFF, too")
    view.add_argument(
        "--port",
        type=_port,
        default=0,
        metavar="N",
        help="of the page on this machine (default: a free one)",
    )
    view.add_argument(
        "--no-browser",
        dest="browser",
        action="store_false",
        help="print the address and open nothing",
    )
    _add_fit(view)
    _add_sky(view)
    _add_others(view.add_argument_group("star colours"))
    _add_moved(view.add_argument_group("where a finished nebula lies (--starless FILE, too)"))
    _add_overwrite(view)


def _add_check(commands) -> None:
    check = _command(
        commands,
        "check",
        "say whether calibration can rescue a frame, with numbers",
        "starcal check *.fits",
        usage="FRAME [FRAME ...] [options]",
    )
    _add_frame(check, several=True)
    _add_fit(check)
    _add_write_wcs(check)
    _add_overwrite(check, "an existing file of --write-wcs")


def _add_calibrate(commands) -> None:
    calibrate = _command(
        commands,
        "calibrate",
        "fit gains to catalogue B-V and apply them",
        "starcal calibrate veil.fits -o veil-calibrated.fits, or starcal calibrate panel-*.fits "
        "--common-gains -o calibrated",
        usage="FRAME -o OUT [options]",
    )
    _add_frame(calibrate, several=True)
    _add_output(
        calibrate, "OUT", "file to write (FITS); of several frames, the folder for theirs"
    )
    _add_sharing(calibrate)
    _add_fit(calibrate)
    _add_write_wcs(calibrate)
    _add_sky(calibrate)
    _add_overwrite(calibrate)


def _add_compose(commands) -> None:
    compose = _command(
        commands,
        "compose",
        "put three mono frames together to one colour frame",
        "starcal compose --red s2.fits --green ha.fits --blue o3.fits -o sho.fits",
    )
    for channel in ("red", "green", "blue"):
        compose.add_argument(
            f"--{channel}", metavar="FILE", required=True, help=f"file of the {channel} channel"
        )
    _add_fits_output(compose)
    compose.add_argument(
        "--match",
        choices=("none", "background", "fit"),
        default=default_of("match"),
        help="leave levels as they are; same sky and noise; or fit channel to channel (default: "
        "none)",
    )
    _add_number(compose, "full_scale", "N", "value in the files that means full scale")
    _add_size_limit(compose)
    _add_hints(compose)
    _add_overwrite(compose)


def _add_split(commands) -> None:
    split = _command(
        commands,
        "split",
        "split a frame into stars and starless; their sum is the frame",
        "starcal split veil.fits -o veil",
        usage="FRAME -o STEM [options]",
    )
    _add_frame(split, hints=False)
    _add_output(split, "STEM", "writes STEM-starless.fits and STEM-stars.fits")
    _add_detection(split)
    _add_starless(split)
    _add_overwrite(split)


def _add_recolour(commands) -> None:
    recolour = _command(
        commands,
        "recolour",
        "give the stars true colours, leave the nebula untouched",
        "starcal recolour veil.fits -o veil-stars.fits",
        usage="FRAME -o OUT [options]",
    )
    _add_frame(recolour)
    _add_fits_output(recolour)
    _add_source(recolour)
    stars = recolour.add_argument_group("stars and fit")
    _add_neutral_star(stars)
    _add_detection(stars)
    _add_leave_out(stars)
    _add_star_colours(recolour, [name for name in names_of("route") if name != "gains"])
    _add_overwrite(recolour)


def _add_join(commands) -> None:
    join = _command(
        commands,
        "join",
        "put the stars of a run back into its finished nebula",
        "starcal join veil-finished.tif veil-starcal/stars.fits -o veil-whole.tif",
        usage="NEBULA STARS -o OUT [options]",
    )
    join.add_argument(
        "nebula",
        metavar="NEBULA",
        help="starless picture, linear or stretched; cropped, turned, mirrored or scaled or not",
    )
    join.add_argument(
        "stars",
        metavar="STARS",
        help="star layer of a run or split, or one from elsewhere, linear or stretched",
    )
    _add_output(
        join,
        "OUT",
        "file to write: of the nebula's own kind (TIFF, PNG) and depth, or FITS; JPEG only if you "
        "name it so",
    )
    join.add_argument(
        "--how",
        choices=("auto", "add", "screen"),
        default="auto",
        help="auto: find where the nebula lies, add stars to a linear one, screen them over a "
        "stretched one so that they keep their hue; add, screen: two layers as they are",
    )
    join.add_argument(
        "--starless",
        metavar="FILE",
        help="linear frame that the nebula was made from (by default the one beside STARS)",
    )
    _add_moved(join)
    join.add_argument(
        "--settings",
        metavar="FILE",
        help="result.json of a run, or what join --json has printed: the same of the stars again, "
        "but for what you type besides",
    )
    _add_star_strength(join)
    _add_wishes(join)
    _add_size_limit(join)
    join.add_argument(
        "--recolour",
        dest="recoloured",
        action="store_true",
        help="give the stars of the layer their colours, too; options of `recolour` go with it",
    )
    _add_recolouring(join)
    join.set_defaults(join_parser=join)
    join.add_argument(
        "--stretch",
        action="store_true",
        help="stretch the two linear layers for display, each its own way, then screen them",
    )
    _add_overwrite(join)


def _add_size_limit(parser) -> None:
    parser.add_argument(
        "--max-megapixels",
        type=_positive,
        default=MOST_MEGAPIXELS,
        metavar="N",
        help="larger pictures are not decoded: a damaged file may claim any size (default: "
        "%(default)g)",
    )


def _add_recolouring(join) -> None:
    """What `recolour` takes, for the stars of a layer."""
    _add_neutral_star(join)
    _add_source(join)
    _add_detection(join)
    _add_linear(join)
    _add_place(join)
    _add_colours(join, [name for name in names_of("route") if name != "gains"])


def _add_audit(commands) -> None:
    audit = _command(
        commands,
        "audit",
        "count the stars of impossible colours in a picture",
        "starcal audit veil.png",
    )
    audit.add_argument(
        "picture", metavar="PICTURE", help="FITS, TIFF, PNG or JPEG, linear or stretched"
    )
    _add_neutral_star(audit)
    audit.add_argument(
        "--stretched",
        choices=("auto", "yes", "no"),
        default="auto",
        help="whether it is stretched for display (default: found out)",
    )
    _add_size_limit(audit)
    audit.add_argument(
        "-o",
        "--out",
        "--report",
        dest="report",
        metavar="FILE",
        help="write a page with plot, map and table (HTML)",
    )
    _add_overwrite(audit, "an existing report")


def _add_plan(commands) -> None:
    plan = _command(
        commands,
        "plan",
        "plan exposures of a separate star frame, the best cure for star colours",
        "starcal plan --for veil.fits --aperture-mm 80 --bortle 4 -o veil-plan.html",
    )
    place = plan.add_mutually_exclusive_group(required=True)
    place.add_argument(
        "--ra", help="middle of the field, right ascension: degrees or 20h22m14s"
    )
    place.add_argument(
        "--object",
        metavar="NAME",
        help="a nebula, cluster or galaxy in the middle, such as M42",
    )
    place.add_argument(
        "--for", dest="picture", metavar="FRAME", help="the middle of a frame with a WCS"
    )
    plan.set_defaults(plan_parser=plan)
    plan.add_argument("--dec", help="middle of the field, declination: degrees or +40d15m24s")
    plan.add_argument(
        "--pixels",
        type=_typed_size,
        metavar="WxH",
        help="of the sensor (default: 6000x4000, or those of --for FRAME)",
    )
    _add_kit(plan)
    sky = plan.add_mutually_exclusive_group()
    sky.add_argument(
        "--bortle",
        type=int,
        choices=range(1, 10),
        help=f"darkness of the site (default: {default_of('bortle')})",
    )
    sky.add_argument(
        "--sky-mag",
        type=_typed_number,
        metavar="MAG",
        help="V of a square arcsec of sky, from a sky meter",
    )
    _add_asked(plan, "fwhm_arcsec", _positive, "ARCSEC", "width of stars in one exposure")
    _add_asked(
        plan, "faint_mag", _typed_number, "MAG", "V of the faintest star whose colour is wanted"
    )
    _add_output(plan, "OUT", "write a page with chart and table (HTML)", required=False)
    _add_overwrite(plan, "an existing page")


def _add_kit(parser) -> None:
    """Telescope and camera."""
    _add_asked(parser, "aperture_mm", _positive, "MM", "clear aperture")
    parser.add_argument(
        "--focal-mm",
        type=_positive,
        metavar="MM",
        help=f"focal length (default: {default_of('focal_mm'):g}, or what fits the pixels of --for "
        "FRAME)",
    )
    _add_asked(parser, "pixel_um", _positive, "UM", "size of a pixel")
    _add_asked(parser, "full_well", _positive, "E", "electrons that a pixel holds at your gain")
    _add_asked(parser, "read_noise", _not_negative, "E", "electrons")
    _add_asked(
        parser,
        "efficiency",
        _positive,
        "N",
        "share of the light that is counted: air, optics, filter and sensor",
    )


def _add_demo(commands) -> None:
    demo = _command(
        commands, "demo", "write small example frames to try the rest on", "starcal demo owl"
    )
    demo.add_argument("folder", metavar="DIR")
    _add_overwrite(demo)


def _add_catalogue(commands) -> None:
    catalogue = _parser(
        commands.add_parser,
        name="catalogue",
        help="the star catalogue",
        description="The star catalogue.",
        epilog="example: starcal catalogue info",
    )
    actions = catalogue.add_subparsers(title="actions", metavar="ACTION", required=True)
    _add_fetch(actions)
    _add_build(actions)
    _action(actions, "list", "the fields in the cache", "starcal catalogue list")
    for name, purpose in (
        ("info", "what the embedded catalogue is, or a field of the cache"),
        ("verify", "compare the catalogues' files with their checksums"),
        ("forget", "remove a field from the cache, or all of them"),
    ):
        action = _action(actions, name, purpose, f"starcal catalogue {name}")
        action.add_argument(
            "name", metavar="NAME", nargs="?", help="a file that `starcal catalogue list` names"
        )


def _add_fetch(actions) -> None:
    fetch = _action(
        actions,
        "fetch",
        "put a field of a deeper catalogue into the cache, for use without a network",
        "starcal catalogue fetch --ra 305.6 --dec 40.3 --radius 0.5 --catalogue gaia",
    )
    place = fetch.add_mutually_exclusive_group(required=True)
    place.add_argument("--ra", help="centre, right ascension: degrees or 20h22m14s")
    place.add_argument(
        "--object",
        metavar="NAME",
        help="a nebula, cluster or galaxy in the centre, such as M42",
    )
    place.add_argument(
        "--for", dest="frame", metavar="FRAME", help="the field of a frame with a WCS"
    )
    fetch.add_argument("--dec", help="centre, declination: degrees or +40d15m24s")
    _add_asked(fetch, "radius", _within(FIELD_RADIUS), "DEG", "of the field")
    _add_usual(fetch, "limit", _within(FIELD_LIMIT), "MAG", "faintest V wanted")
    fetch.add_argument(
        "--catalogue",
        choices=SERVICES,
        default=SERVICES[0],
        help=f"which to ask (default: {SERVICES[0]})",
    )
    _add_number(fetch, "timeout", "S", "in seconds")
    fetch.set_defaults(fetch_parser=fetch)


def _add_build(actions) -> None:
    build = _action(
        actions,
        "build",
        "make a deep table of the whole sky from Gaia, for `--catalogue deep` without a network; "
        "stopped, it goes on where it was",
        "starcal catalogue build --limit 13 --out deep.stars",
    )
    build.add_argument(
        "--limit",
        type=_within(DEEP_LIMIT),
        metavar="MAG",
        default=13.0,
        help="faintest V, 6 to 16 (default: 13, some 42 MB; 14: 110 MB)",
    )
    build.add_argument(
        "-o",
        "--out",
        "--output",
        dest="out",
        metavar="FILE",
        help="where to (default: where `--catalogue deep` looks, STARCAL_DEEP or the cache folder)",
    )
    _add_overwrite(build)


def _add_completion(commands) -> None:
    completion = _parser(
        commands.add_parser,
        name="completion",
        help="print a script that lets a shell complete names",
        description="Print a script that lets a shell complete commands, options and file names.",
        epilog="example: starcal completion bash > "
        "~/.local/share/bash-completion/completions/starcal",
    )
    completion.add_argument("shell", choices=("bash", "zsh", "fish"))
    completion.set_defaults(command="completion")


def _action(actions, name, purpose, example) -> argparse.ArgumentParser:
    return _command(actions, name, purpose, example, f"catalogue {name}")


# --- options that several commands have -------------------------------------------------


def _add_frame(parser, several: bool = False, hints: bool = True, kind: str = "linear") -> None:
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
    _add_number(files, "full_scale", "N", "value in the file that means full scale")
    _add_linear(files)
    _add_size_limit(files)
    _add_place(parser, hints)
    parser.set_defaults(frame_parser=parser, several=several)


def _add_sharing(parser) -> None:
    """How the work for several frames is shared out."""
    parser.add_argument(
        "--jobs",
        type=_count,
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


def _add_place(parser, hints: bool = True) -> None:
    """Where a frame points; hints are for commands that look for its stars in a catalogue."""
    place = parser.add_argument_group("where the frame points")
    place.add_argument(
        "--wcs",
        metavar="FILE",
        help="FITS header or .wcs file that says where the frame points",
    )
    if hints:
        _add_hints(place)


def _add_hints(parser) -> None:
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
    _add_number(parser, "scale", "ARCSEC", "without a WCS that fits: size of a pixel")


def _add_fit(parser) -> None:
    _add_source(parser)
    fit = parser.add_argument_group("stars and fit")
    _add_neutral_star(fit)
    fit.add_argument(
        "--bands",
        metavar="FILE",
        help="response curves of camera or filters (ECSV or CSV: wavelength in nm, red, green, "
        "blue), so that few stars are enough",
    )
    _add_detection(fit)
    _add_names(
        fit,
        "model",
        "gains per channel; a 3x3 matrix on 20 stars and more; or gains that take a gradient of "
        "colour out, on 12 and more",
        names_of("model"),
    )
    fit.add_argument(
        "--gains",
        type=_typed_gains,
        default=default_of("gains"),
        metavar="R,ERROR,B,ERROR",
        help="in place of the frame's own: those that it has in common with other frames",
    )
    _add_leave_out(fit)


def _add_neutral_star(parser) -> None:
    _add_number(
        parser, "neutral_bv", "BV", "B-V of the star that comes out neutral; the sun has 0.65"
    )


def _add_source(command) -> None:
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
    _add_number(parser, "timeout", "S", "seconds for all that is asked of the network")


def _add_detection(parser) -> None:
    _add_number(parser, "snr", "N", "detection threshold")


def _add_leave_out(parser) -> None:
    parser.add_argument(
        "--leave-out",
        type=_typed_place,
        action="append",
        default=list(default_of("leave_out")),
        metavar="X,Y",
        help="a star to be left out of the fit, by its place in pixels; may be given again",
    )


def _add_linear(parser) -> None:
    _add_switch(parser, "assume_linear", "believe that the frame is linear")


def _add_star_colours(parser, routes: Sequence[str]) -> None:
    colours = parser.add_argument_group("star colours")
    _add_colours(colours, routes)
    _add_others(colours)
    _add_wishes(parser)


def _add_others(parser) -> None:
    """Frames besides the one that is worked on."""
    _add_starless(parser)
    parser.add_argument(
        "--star-frame",
        metavar="FILE",
        help="a separate broadband frame of the field: its stars are calibrated and used",
    )


def _add_colours(parser, routes: Sequence[str]) -> None:
    """Where star colours come from, and taste."""
    _add_names(parser, "route", "best source for each star, or one source alone", routes)
    _add_number(parser, "bv", "BV", "B-V of the palette")
    _add_number(parser, "spread", "MAG", "invented spread of the palette's B-V")
    _add_number(parser, "warmth", "N", "1 is true, more is redder")
    _add_number(parser, "saturation", "N", "1 is true, 0 is white")


def _add_wishes(command) -> None:
    """Fewer, smaller, whole stars."""
    parser = command.add_argument_group("size and number of stars")
    _add_number(parser, "star_brightness", "N", "1 leaves the stars' light as it is")
    _add_number(parser, "star_size", "N", "0.4 to 1.5, 1 leaves them; their light is kept")
    fewer = parser.add_mutually_exclusive_group()
    _add_number(fewer, "faintest_mag", "MAG", "V of the faintest star that is kept")
    _add_number(fewer, "brightest", "N", "how many stars are kept, the brightest")
    _add_names(
        parser,
        "clipped_cores",
        "clipped cores of stars, from their unclipped wings",
        names_of("clipped_cores"),
    )


def _add_star_strength(parser) -> None:
    _add_number(
        parser,
        "star_strength",
        "N",
        "stars stretched by themselves: above 1 faint stars are lifted more, below 1 less",
    )


def _add_moved(parser) -> None:
    parser.add_argument(
        "--moved",
        choices=("auto", "none"),
        default="auto",
        help="none: the nebula was neither cropped nor turned nor scaled; do not look",
    )


def _add_starless(parser) -> None:
    parser.add_argument(
        "--starless",
        metavar="FILE",
        help="a starless version of FRAME that you already have, linear",
    )


def _add_sky(parser) -> None:
    _add_names(
        parser,
        "sky",
        "bring the sky background to grey, or keep it as it comes",
        names_of("sky"),
    )


def _add_display(command) -> None:
    parser = command.add_argument_group("look of the pictures to show")
    _add_number(
        parser,
        "black",
        "N",
        "black point of previews: 0 as chosen from the frame, 1 at the sky",
    )
    _add_number(
        parser,
        "strength",
        "N",
        "stretch of previews: 1 as chosen from the frame, more lifts faint light",
    )
    _add_star_strength(parser)


def _add_write_wcs(parser) -> None:
    parser.add_argument(
        "--write-wcs",
        metavar="FILE",
        help="write where the frame points, by its stars, as a FITS header for --wcs",
    )


def _add_folder(parser, text: str) -> None:
    parser.add_argument("-o", "--out", "--output", dest="out", metavar="DIR", help=text)


def _add_output(parser, metavar: str, text: str, required: bool = True) -> None:
    """A file to write; every command takes the same three spellings."""
    spellings = ("-o", "--out", "--output")
    parser.add_argument(
        *spellings, dest="output", metavar=metavar, required=required, help=text
    )


def _add_fits_output(parser) -> None:
    _add_output(parser, "OUT", "file to write (FITS)")


def _add_overwrite(parser, what: str = "existing files") -> None:
    parser.add_argument("--overwrite", action="store_true", help=f"replace {what}")


# --- options that stand for a choice ----------------------------------------------------


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _add_number(parser, name: str, metavar: str, text: str) -> None:
    """An option whose default and limits are those of the choice of this name."""
    default = default_of(name)
    parser.add_argument(
        _option(name),
        type=_within(limits_of(name)),
        default=default,
        metavar=metavar,
        help=text if default is None else f"{text} (default: {default:g})",
    )


def _add_usual(parser, name: str, kind: Callable, metavar: str, text: str) -> None:
    """An option that goes to no `Choices`, with what holds without it."""
    usual = default_of(name)
    shown = f"{text} (default: {usual:g})"
    parser.add_argument(_option(name), type=kind, default=usual, metavar=metavar, help=shown)


def _add_asked(parser, name: str, kind: Callable, metavar: str, text: str) -> None:
    """The same, but that it is known whether anybody typed it."""
    _add_usual(parser, name, kind, metavar, text)
    parser.set_defaults(**{name: None})


def _add_names(parser, name: str, text: str, names: Sequence[str]) -> None:
    """An option that is one of some names, by default the choice's own default."""
    default = default_of(name)
    parser.add_argument(
        _option(name), choices=names, default=default, help=f"{text} (default: {default})"
    )


def _add_switch(parser, name: str, text: str) -> None:
    """An option that says yes to a choice whose default is no."""
    parser.add_argument(_option(name), action="store_true", default=default_of(name), help=text)


# --- words into values ------------------------------------------------------------------


def _typed_number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} given, a number needed") from None


def _within(limits: Limits) -> Callable[[str], float]:
    """What makes a number within limits of a word."""

    def number(text: str) -> float:
        value = _typed_number(text)
        if not limits.hold(value):
            raise argparse.ArgumentTypeError(f"{text} given, {limits.needed}")
        return value

    return number


def _positive(text: str) -> float:
    return _within(POSITIVE)(text)


def _not_negative(text: str) -> float:
    return _within(NOT_NEGATIVE)(text)


def _typed_place(text: str) -> tuple[float, float]:
    try:
        x, y = map(float, text.split(","))
    except ValueError:
        x = y = math.nan
    if not math.isfinite(x + y):
        raise argparse.ArgumentTypeError(f"{text!r} given, X,Y needed, as 1234,567.5")
    return x, y


def _typed_gains(text: str) -> tuple[float, ...]:
    try:
        return tuple(map(float, text.split(",")))
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} given, R,ERROR,B,ERROR needed, as 1.5,0.02,0.9,0.01"
        ) from None


def _typed_size(text: str) -> tuple[int, int]:
    width, _, height = text.lower().partition("x")
    if not (width.isdecimal() and height.isdecimal() and int(width) and int(height)):
        raise argparse.ArgumentTypeError(
            f"{text!r} given, width and height in pixels needed, such as 6000x4000"
        )
    return int(width), int(height)


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} given, a whole number above 0 needed")
    return int(text)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(
            f"{text!r} given, a port from 1 to 65535 needed, or 0 for a free one"
        )
    return int(text)
