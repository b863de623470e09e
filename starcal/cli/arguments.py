"""What can be typed: every command with its options and an example. Imports nothing heavy."""

import argparse

from .. import __version__
from ..choices import (
    DEEP_LIMIT,
    FIELD_LIMIT,
    FIELD_RADIUS,
    SERVICES,
    default_of,
    names_of,
)
from .options import (
    add_asked,
    add_colours,
    add_detection,
    add_display,
    add_fit,
    add_fits_output,
    add_folder,
    add_frame,
    add_hints,
    add_leave_out,
    add_linear,
    add_moved,
    add_neutral_star,
    add_number,
    add_others,
    add_output,
    add_overwrite,
    add_place,
    add_sharing,
    add_size_limit,
    add_sky,
    add_source,
    add_star_colours,
    add_star_strength,
    add_starless,
    add_switch,
    add_usual,
    add_wishes,
    add_write_wcs,
)
from .spelling import HelpLines, Parser
from .words import (
    not_negative,
    port,
    positive,
    typed_number,
    typed_size,
    within,
)

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
    add_frame(run, several=True, kind="linear or stretched")
    add_folder(
        run, "folder for the files (default: FRAME-starcal); of several frames, for theirs"
    )
    add_sharing(run)
    run.add_argument(
        "--settings",
        metavar="FILE",
        help="result.json of an earlier run: the same again, but for what you type besides",
    )
    add_switch(run, "tiff", "write the picture as 16-bit TIFF, too")
    add_write_wcs(run)
    add_overwrite(run)
    add_fit(run)
    add_sky(run)
    add_star_colours(run, names_of("route"))
    add_display(run)


def _add_view(commands) -> None:
    view = _command(
        commands,
        "view",
        "a page in your browser: before and after, and every choice to play with; given a finished "
        "nebula and its star layer, the stars over it; given nothing, a frame is chosen there",
        "starcal view veil.fits, or starcal view veil-finished.tif veil-starcal/stars.fits",
        usage="[FRAME | NEBULA STARS] [options]",
    )
    add_frame(view, kind="linear or stretched")
    add_folder(
        view,
        "where you save: a folder (default: FRAME-starcal), with a nebula a file (default: "
        "NEBULA-whole)",
    )
    view.add_argument(
        "--settings",
        metavar="FILE",
        help="result.json of an earlier run: start with its choices (with a nebula: of stars)",
    )
    add_switch(view, "tiff", "save the picture as 16-bit TIFF, too")
    view.add_argument(
        "--port",
        type=port,
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
    add_fit(view)
    add_sky(view)
    add_others(view.add_argument_group("star colours"))
    add_moved(view.add_argument_group("where a finished nebula lies (--starless FILE, too)"))
    add_overwrite(view)


def _add_check(commands) -> None:
    check = _command(
        commands,
        "check",
        "say whether calibration can rescue a frame, with numbers",
        "starcal check *.fits",
        usage="FRAME [FRAME ...] [options]",
    )
    add_frame(check, several=True)
    add_fit(check)
    add_write_wcs(check)
    add_overwrite(check, "an existing file of --write-wcs")


def _add_calibrate(commands) -> None:
    calibrate = _command(
        commands,
        "calibrate",
        "fit gains to catalogue B-V and apply them",
        "starcal calibrate veil.fits -o veil-calibrated.fits, or starcal calibrate panel-*.fits "
        "--common-gains -o calibrated",
        usage="FRAME -o OUT [options]",
    )
    add_frame(calibrate, several=True)
    add_output(
        calibrate, "OUT", "file to write (FITS); of several frames, the folder for theirs"
    )
    add_sharing(calibrate)
    add_fit(calibrate)
    add_write_wcs(calibrate)
    add_sky(calibrate)
    add_overwrite(calibrate)


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
    add_fits_output(compose)
    compose.add_argument(
        "--match",
        choices=("none", "background", "fit"),
        default=default_of("match"),
        help="leave levels as they are; same sky and noise; or fit channel to channel (default: "
        "none)",
    )
    add_number(compose, "full_scale", "N", "value in the files that means full scale")
    add_size_limit(compose)
    add_hints(compose)
    add_overwrite(compose)


def _add_split(commands) -> None:
    split = _command(
        commands,
        "split",
        "split a frame into stars and starless; their sum is the frame",
        "starcal split veil.fits -o veil",
        usage="FRAME -o STEM [options]",
    )
    add_frame(split, hints=False)
    add_output(split, "STEM", "writes STEM-starless.fits and STEM-stars.fits")
    add_detection(split)
    add_starless(split)
    add_overwrite(split)


def _add_recolour(commands) -> None:
    recolour = _command(
        commands,
        "recolour",
        "give the stars true colours, leave the nebula untouched",
        "starcal recolour veil.fits -o veil-stars.fits",
        usage="FRAME -o OUT [options]",
    )
    add_frame(recolour)
    add_fits_output(recolour)
    add_source(recolour)
    stars = recolour.add_argument_group("stars and fit")
    add_neutral_star(stars)
    add_detection(stars)
    add_leave_out(stars)
    add_star_colours(recolour, [name for name in names_of("route") if name != "gains"])
    add_overwrite(recolour)


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
    add_output(
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
    add_moved(join)
    join.add_argument(
        "--settings",
        metavar="FILE",
        help="result.json of a run, or what join --json has printed: the same of the stars again, "
        "but for what you type besides",
    )
    add_star_strength(join)
    add_wishes(join)
    add_size_limit(join)
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
    add_overwrite(join)


def _add_recolouring(join) -> None:
    """What `recolour` takes, for the stars of a layer."""
    add_neutral_star(join)
    add_source(join)
    add_detection(join)
    add_linear(join)
    add_place(join)
    add_colours(join, [name for name in names_of("route") if name != "gains"])


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
    add_neutral_star(audit)
    audit.add_argument(
        "--stretched",
        choices=("auto", "yes", "no"),
        default="auto",
        help="whether it is stretched for display (default: found out)",
    )
    add_size_limit(audit)
    audit.add_argument(
        "-o",
        "--out",
        "--report",
        dest="report",
        metavar="FILE",
        help="write a page with plot, map and table (HTML)",
    )
    add_overwrite(audit, "an existing report")


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
        type=typed_size,
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
        type=typed_number,
        metavar="MAG",
        help="V of a square arcsec of sky, from a sky meter",
    )
    add_asked(plan, "fwhm_arcsec", positive, "ARCSEC", "width of stars in one exposure")
    add_asked(
        plan, "faint_mag", typed_number, "MAG", "V of the faintest star whose colour is wanted"
    )
    add_output(plan, "OUT", "write a page with chart and table (HTML)", required=False)
    add_overwrite(plan, "an existing page")


def _add_kit(parser) -> None:
    """Telescope and camera."""
    add_asked(parser, "aperture_mm", positive, "MM", "clear aperture")
    parser.add_argument(
        "--focal-mm",
        type=positive,
        metavar="MM",
        help=f"focal length (default: {default_of('focal_mm'):g}, or what fits the pixels of --for "
        "FRAME)",
    )
    add_asked(parser, "pixel_um", positive, "UM", "size of a pixel")
    add_asked(parser, "full_well", positive, "E", "electrons that a pixel holds at your gain")
    add_asked(parser, "read_noise", not_negative, "E", "electrons")
    add_asked(
        parser,
        "efficiency",
        positive,
        "N",
        "share of the light that is counted: air, optics, filter and sensor",
    )


def _add_demo(commands) -> None:
    demo = _command(
        commands, "demo", "write small example frames to try the rest on", "starcal demo owl"
    )
    demo.add_argument("folder", metavar="DIR")
    add_overwrite(demo)


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
    add_asked(fetch, "radius", within(FIELD_RADIUS), "DEG", "of the field")
    add_usual(fetch, "limit", within(FIELD_LIMIT), "MAG", "faintest V wanted")
    fetch.add_argument(
        "--catalogue",
        choices=SERVICES,
        default=SERVICES[0],
        help=f"which to ask (default: {SERVICES[0]})",
    )
    add_number(fetch, "timeout", "S", "in seconds")
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
        type=within(DEEP_LIMIT),
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
    add_overwrite(build)


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
