"""The command line: a thin translation of the library. Nothing heavy is imported before a command is chosen."""

import argparse
import json
import os
import sys
import time

from . import __version__
from .errors import OutputError, StarcalError

EPILOG = """\
exit status: 0 done, 1 could not (one line says why), 2 wrong usage

example: starcal demo owl && starcal run owl/cygnus-broadband.fits
"""


def main(arguments: list[str] | None = None) -> int:
    """Run a command and return its exit status."""
    options = build_parser().parse_args(arguments)
    _require_source(options)
    try:
        return options.command(options)
    except StarcalError as error:
        return _refuse(str(error))
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader left; say no more
        return 1
    except KeyboardInterrupt:
        return _refuse("interrupted; no unfinished file was left behind", 130)
    except MemoryError:
        return _refuse("not enough memory for this frame; close other programs or bin the frame 2x2")
    except OSError as error:
        return _refuse(f"{error.filename or 'a file'}: {error.strerror or error}")
    except Exception as error:  # a fault of starcal: still one line and no traceback, but say whose fault it is
        if os.environ.get("STARCAL_DEBUG"):
            raise
        return _refuse(f"internal fault, please report it (STARCAL_DEBUG=1 says more): {type(error).__name__} {error}")


def _require_source(options) -> None:
    """A frame, or its three channels, and not both: else wrong usage."""
    if not hasattr(options, "frame_parser"):
        return
    channels = [options.red, options.green, options.blue]
    if any(channels) and (options.frame or not all(channels)):
        options.frame_parser.error("give FRAME, or all of --red, --green and --blue")
    if not any(channels) and (not options.frame or (len(options.frame) > 1 and not options.several)):
        options.frame_parser.error(f"one FRAME needed, {len(options.frame)} given")


def _refuse(message: str, status: int = 1) -> int:
    print(f"starcal: {' '.join(message.split())}", file=sys.stderr)
    return status


# --- commands --------------------------------------------------------------------------------------------------


def _check(options) -> int:
    from .checking import check

    sources = [None] if options.red else options.frame
    status = 0
    for source in sources:
        try:
            with _Bar(options) as bar:
                result = check(_frame(options, source), progress=bar, **_fit_settings(options))
        except StarcalError as error:
            if len(sources) == 1 and not options.json:
                raise
            status = _refuse(str(error))
            _show(options, {"frame": str(source), "error": str(error)}, None)
        else:
            _show(options, result.to_dict(), result if len(sources) == 1 else result.summary())
    return status


def _calibrate(options) -> int:
    from .calibration import calibrate
    from .frame import check_output

    _require_other_file(options)
    check_output(options.output, options.overwrite)
    with _Bar(options) as bar:
        made = calibrate(_frame(options), sky=options.sky, progress=bar, **_fit_settings(options))
        made.write(options.output, overwrite=options.overwrite)
    _show(options, made.check.to_dict() | {"output": options.output},
          f"{made.check.summary()}\nwritten: {options.output}")
    return 0


def _require_other_file(options) -> None:
    """The input is never written over, --overwrite or not."""
    inputs = [*getattr(options, "frame", []), options.red, options.green, options.blue]
    if os.path.realpath(options.output) in {os.path.realpath(path) for path in inputs if path}:
        raise OutputError(f"{options.output} is the input: give another name with -o")


def _run(options) -> int:
    from .pipeline import run

    with _Bar(options) as bar:
        done = run(_frame(options) if options.red else _run_source(options), options.out, sky=options.sky,
                   taste=_taste(options), tiff=options.tiff, **_other_frames(options),
                   overwrite=options.overwrite, progress=bar, **_fit_settings(options))
    audits = {"before": done.audit_before.to_dict(), "after": done.audit_after.to_dict()}
    _show(options, done.check.to_dict() | {"audit": audits, "folder": str(done.folder), "files": list(done.files)},
          done)
    return 0


def _run_source(options):
    """The path itself where nothing else is needed to read it, so that the folder can be named and checked first."""
    if options.wcs is None and options.full_scale is None:
        return options.frame[0]
    options.out = options.out or f"{os.path.splitext(options.frame[0])[0]}-starcal"
    return _frame(options)


def _compose(options) -> int:
    from .compose import compose
    from .frame import check_output

    _require_other_file(options)
    check_output(options.output, options.overwrite)
    with _Bar(options) as bar:
        made = compose(options.red, options.green, options.blue, match=options.match, full_scale=options.full_scale,
                       progress=bar)
        made.write(options.output, overwrite=options.overwrite)
    matching = made.matching
    facts = {"match": matching.match, "factors": [float(v) for v in matching.factors],
             "offsets": [float(v) for v in matching.offsets], "notes": list(made.frame.notes), "output": options.output}
    lines = dict.fromkeys([*made.history, *made.frame.notes, f"written: {options.output}"])  # each once
    _show(options, facts, "\n".join(lines))
    return 0


def _split(options) -> int:
    from .frame import check_output, write_fits
    from .stars import measure_stars

    targets = [f"{options.output}-{layer}.fits" for layer in ("starless", "stars")]
    for target in targets:
        check_output(target, options.overwrite)
    with _Bar(options) as bar:
        frame = _frame(options)
        bar("measuring stars", 0.2)
        stars = measure_stars(frame.pixels, snr_min=options.snr)
        bar("splitting", 0.5)
        count, layers = _layers(options, frame, stars)
        history = ("starcal: split; starless and stars add up to the frame",)
        for target, layer in zip(targets, layers, strict=True):
            write_fits(target, frame.refill(layer), frame.header, history=history, overwrite=options.overwrite)
    _show(options, {"frame": frame.name, "stars": len(stars), "split": count, "files": targets},
          f"{count} of {len(stars)} stars split off; written: {', '.join(targets)}")
    return 0


def _layers(options, frame, stars):
    """How many stars were split off, and the starless and the star layer."""
    from .frame import read_frame
    from .layers import plausible_starless, split

    if not options.starless:
        parts = split(frame.pixels, stars)
        return int((parts.model.reach_px > 0).sum()), (parts.starless, parts.stars)
    starless = read_frame(options.starless, full_scale=options.full_scale).pixels
    plausible_starless(frame.pixels, starless, stars)
    return len(stars), (starless, frame.pixels - starless)


def _recolour(options) -> int:
    from .colouring import recolour_stars
    from .frame import check_output

    _require_other_file(options)
    check_output(options.output, options.overwrite)
    with _Bar(options) as bar:
        made = recolour_stars(_frame(options), taste=_taste(options), **_other_frames(options),
                              white_bv=options.white_bv, snr_min=options.snr, progress=bar)
        made.write(options.output, overwrite=options.overwrite)
    tally = made.colours.tally()
    _show(options, made.check.to_dict() | {"sources": tally, "output": options.output},
          f"{made.check.frame}: route {made.check.route} ({made.colours.reason})\n"
          + "\n".join(f"{count:6} stars: {source}" for source, count in tally.items())
          + f"\nwritten: {options.output}")
    return 0


def _taste(options):
    from .colouring import Taste

    return Taste(options.route, options.bv, options.spread, options.warmth, options.saturation, options.star_brightness)


def _other_frames(options) -> dict:
    """The frames besides FRAME that a cure may use."""
    from .frame import read_frame

    return {"starless": read_frame(options.starless, full_scale=options.full_scale) if options.starless else None,
            "star_frame": read_frame(options.star_frame) if options.star_frame else None}


def _join(options) -> int:
    from .frame import check_output, read_frame, write_fits
    from .layers import join_add
    from .tone import screen, stretch_apart

    check_output(options.output, options.overwrite)
    below, above = (read_frame(path) for path in (options.starless, options.stars))
    layers = stretch_apart(below.pixels, above.pixels) if options.stretch else (below.pixels, above.pixels)
    joined = {"add": join_add, "screen": screen}["screen" if options.stretch else options.how](*layers)
    write_fits(options.output, below.refill(joined.astype("float32")), below.header,
               history=(f"starcal: joined by {options.how}: {below.name}, {above.name}",), overwrite=options.overwrite)
    _show(options, {"how": options.how, "output": options.output}, f"written: {options.output}")
    return 0


def _audit(options) -> int:
    from .audit import audit_picture
    from .frame import check_output, read_frame

    if options.report:
        check_output(options.report, options.overwrite)
    with _Bar(options) as bar:
        bar("reading", 0)
        frame = read_frame(options.picture)
        bar("judging the stars", 0.2)
        stretched = {"auto": None, "yes": True, "no": False}[options.stretched]
        judged = audit_picture(frame.pixels, name=frame.name, white_bv_mag=options.white_bv, stretched=stretched)
        if options.report:
            from .report import write_audit

            write_audit(options.report, judged, overwrite=options.overwrite)
    _show(options, judged.to_dict(), judged)
    return 0


def _demo(options) -> int:
    from .frame import write_fits
    from .scene import demo_scenes

    os.makedirs(options.folder, exist_ok=True)
    written = []
    with _Bar(options) as bar:
        for stem, scene in demo_scenes():
            bar(f"making {stem}", len(written) / 4)
            written.append(os.path.join(options.folder, f"{stem}.fits"))
            write_fits(written[-1], scene.pixels, scene.header, overwrite=options.overwrite)
    _show(options, {"files": written}, "\n".join(written))
    return 0


def _catalogue_info(options) -> int:
    from dataclasses import asdict

    from .catalogue import embedded

    facts = asdict(embedded.verify() if options.verify else embedded.info())
    text = "\n".join(f"{name:<20}{value}" for name, value in facts.items())
    _show(options, facts, text + ("\nevery file has its checksum" if options.verify else ""))
    return 0


def _frame(options, source=None):
    """The frame that the options name."""
    from .frame import read_channels, read_frame

    reading = {"wcs": options.wcs, "full_scale": options.full_scale}
    if options.red:
        return read_channels(options.red, options.green, options.blue, **reading)
    return read_frame(source or options.frame[0], **reading)


def _fit_settings(options) -> dict:
    return {"white_bv": options.white_bv, "model": options.model, "snr_min": options.snr,
            "assume_linear": options.assume_linear}


def _show(options, facts: dict, text) -> None:
    if options.json:
        print(json.dumps(facts, default=str), flush=True)
    elif text is not None and not options.quiet:
        print(text, flush=True)


class _Bar:
    """A progress bar on stderr, once a command has taken a second; none when stderr is not a terminal."""

    WIDTH = 30

    def __init__(self, options):
        self.wanted = sys.stderr.isatty() and not options.quiet
        self.start, self.drawn = time.monotonic(), False

    def __call__(self, step: str, share: float) -> None:
        if self.wanted and time.monotonic() - self.start > 1:
            filled = round(self.WIDTH * share)
            print(f"\r{'#' * filled}{'.' * (self.WIDTH - filled)} {step:<40}", end="", file=sys.stderr, flush=True)
            self.drawn = True

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.drawn:
            print(f"\r{' ' * (self.WIDTH + 42)}\r", end="", file=sys.stderr, flush=True)


# --- the parser ------------------------------------------------------------------------------------------------


def build_parser() -> argparse.ArgumentParser:
    """All commands with their options and an example each."""
    parser = _parser(argparse.ArgumentParser, prog="starcal", epilog=EPILOG,
                     description="True star colours for deep-sky pictures.")
    parser.add_argument("--version", action="version", version=f"starcal {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    run = _command(commands, "run", _run, "the whole job: check, choose the route, write picture and report",
                   "starcal run veil.fits --out veil-stars")
    _add_frame(run)
    run.add_argument("--out", metavar="DIR", help="folder for the files (default: FRAME-starcal)")
    run.add_argument("--tiff", action="store_true", help="write the picture as 16-bit TIFF, too")
    _add_fit(run)
    _add_taste(run)
    _add_output(run)

    check = _command(commands, "check", _check, "say whether calibration can rescue a frame, with numbers",
                     "starcal check *.fits")
    _add_frame(check, several=True)
    _add_fit(check)

    calibrate = _command(commands, "calibrate", _calibrate, "fit gains to catalogue B-V and apply them",
                         "starcal calibrate veil.fits -o veil-calibrated.fits")
    _add_frame(calibrate)
    calibrate.add_argument("-o", "--output", metavar="OUT", required=True, help="file to write (FITS)")
    _add_fit(calibrate)
    _add_output(calibrate)

    _add_layers(commands)

    demo = _command(commands, "demo", _demo, "write small example frames to try the rest on", "starcal demo owl")
    demo.add_argument("folder", metavar="DIR")
    demo.add_argument("--overwrite", action="store_true", help="replace existing files")

    _add_catalogue(commands)
    return parser


def _parser(make, **settings) -> argparse.ArgumentParser:
    return make(formatter_class=argparse.RawDescriptionHelpFormatter, allow_abbrev=False, **settings)


def _command(commands, name, function, purpose, example) -> argparse.ArgumentParser:
    parser = _parser(commands.add_parser, name=name, help=purpose, description=purpose[0].upper() + purpose[1:] + ".",
                     epilog=f"example: {example}")
    parser.set_defaults(command=function)
    parser.add_argument("--json", action="store_true", help="print JSON and nothing else")
    parser.add_argument("-q", "--quiet", action="store_true", help="print nothing but errors")
    return parser


def _add_frame(parser, several: bool = False) -> None:
    parser.add_argument("frame", metavar="FRAME", nargs="*",
                        help="linear colour " + ("frames" if several else "frame") + ": FITS, TIFF or PNG")
    for channel in ("red", "green", "blue"):
        parser.add_argument(f"--{channel}", metavar="FILE", help=f"{channel} channel as a file of its own")
    parser.add_argument("--wcs", metavar="FILE", help="FITS header or .wcs file that says where the frame points")
    parser.add_argument("--full-scale", type=_positive, metavar="N", help="value in the file that means full scale")
    parser.set_defaults(frame_parser=parser, several=several)


def _add_white(parser) -> None:
    parser.add_argument("--white-bv", type=_star_colour, default=0.65, metavar="BV",
                        help="B-V of the star that comes out neutral (default: 0.65, the sun)")


def _add_detection(parser) -> None:
    parser.add_argument("--snr", type=_positive, default=5.0, metavar="N", help="detection threshold (default: 5)")


def _add_fit(parser) -> None:
    _add_white(parser)
    _add_detection(parser)
    parser.add_argument("--model", choices=("gains", "matrix"), default="gains",
                        help="gains per channel, or a 3x3 matrix on 20 stars and more")
    parser.add_argument("--assume-linear", action="store_true", help="believe that the frame is linear")


def _add_output(parser) -> None:
    parser.add_argument("--sky", choices=("grey", "keep"), default="grey",
                        help="bring the sky background to grey, or keep it as it comes (default: grey)")
    parser.add_argument("--overwrite", action="store_true", help="replace existing files")


def _add_layers(commands) -> None:
    """The commands that take a picture apart, colour its stars, put it together and judge it."""
    compose = _command(commands, "compose", _compose, "put three mono frames together to one colour frame",
                       "starcal compose --red s2.fits --green ha.fits --blue o3.fits -o sho.fits")
    for channel in ("red", "green", "blue"):
        compose.add_argument(f"--{channel}", metavar="FILE", required=True, help=f"file of the {channel} channel")
    compose.add_argument("-o", "--output", metavar="OUT", required=True, help="file to write (FITS)")
    compose.add_argument("--match", choices=("none", "background", "linear"), default="none",
                         help="leave levels as they are; same sky and noise; or fit channel to channel (default: none)")
    compose.add_argument("--full-scale", type=_positive, metavar="N", help="value in the files that means full scale")
    compose.add_argument("--overwrite", action="store_true", help="replace existing files")

    split = _command(commands, "split", _split, "split a frame into stars and starless; their sum is the frame",
                     "starcal split veil.fits -o veil")
    _add_frame(split)
    split.add_argument("-o", "--output", metavar="STEM", required=True,
                       help="writes STEM-starless.fits and STEM-stars.fits")
    _add_detection(split)
    split.add_argument("--starless", metavar="FILE", help="a starless version of FRAME that you already have, linear")
    split.add_argument("--overwrite", action="store_true", help="replace existing files")

    recolour = _command(commands, "recolour", _recolour, "give the stars true colours, leave the nebula untouched",
                        "starcal recolour veil.fits -o veil-stars.fits")
    _add_frame(recolour)
    recolour.add_argument("-o", "--output", metavar="OUT", required=True, help="file to write (FITS)")
    _add_white(recolour)
    _add_detection(recolour)
    _add_taste(recolour)
    recolour.add_argument("--overwrite", action="store_true", help="replace existing files")

    join = _command(commands, "join", _join, "put a starless frame and a star layer together",
                    "starcal join veil-starless.fits veil-stars.fits -o veil-joined.fits")
    join.add_argument("starless", metavar="STARLESS")
    join.add_argument("stars", metavar="STARS")
    join.add_argument("-o", "--output", metavar="OUT", required=True, help="file to write (FITS)")
    join.add_argument("--how", choices=("add", "screen"), default="add",
                      help="add linear layers, or screen stretched ones in [0, 1] (default: add)")
    join.add_argument("--stretch", action="store_true",
                      help="stretch the two linear layers for display, each its own way, then screen them")
    join.add_argument("--overwrite", action="store_true", help="replace existing files")

    audit = _command(commands, "audit", _audit, "count the stars of impossible colours in a picture",
                     "starcal audit veil.png")
    audit.add_argument("picture", metavar="PICTURE", help="FITS, TIFF, PNG or JPEG, linear or stretched")
    _add_white(audit)
    audit.add_argument("--stretched", choices=("auto", "yes", "no"), default="auto",
                       help="whether it is stretched for display (default: found out)")
    audit.add_argument("--report", metavar="FILE", help="write a page with plot, map and table (HTML)")
    audit.add_argument("--overwrite", action="store_true", help="replace an existing report")


def _add_taste(parser) -> None:
    parser.add_argument("--route", choices=("best", "palette"), default="best",
                        help="best source for each star, or one synthetic yellow-white (default: best)")
    parser.add_argument("--bv", type=_star_colour, default=0.75, metavar="BV",
                        help="B-V of the palette (default: 0.75)")
    parser.add_argument("--spread", type=_not_negative, default=0.0, metavar="MAG",
                        help="invented spread of the palette's B-V (default: 0)")
    parser.add_argument("--warmth", type=_not_negative, default=1.0, metavar="N", help="1 is true, more is redder")
    parser.add_argument("--saturation", type=_not_negative, default=1.0, metavar="N", help="1 is true, 0 is white")
    parser.add_argument("--starless", metavar="FILE", help="a starless version of FRAME that you already have, linear")
    parser.add_argument("--star-frame", metavar="FILE",
                        help="a separate broadband frame of the field: its stars are calibrated and used")
    parser.add_argument("--star-brightness", type=_positive, default=1.0, metavar="N",
                        help="of the star frame's stars; 1 is as prominent as before (default)")


def _add_catalogue(commands) -> None:
    catalogue = _parser(commands.add_parser, name="catalogue", help="the star catalogue",
                        description="The star catalogue.", epilog="example: starcal catalogue info")
    actions = catalogue.add_subparsers(title="actions", metavar="ACTION", required=True)
    _command(actions, "info", _catalogue_info, "what the embedded catalogue is", "starcal catalogue info").set_defaults(
        verify=False)
    _command(actions, "verify", _catalogue_info, "compare the catalogue's files with their checksums",
             "starcal catalogue verify").set_defaults(verify=True)


def _positive(text: str) -> float:
    value = float(text)
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text} given, a number above 0 needed")
    return value


def _not_negative(text: str) -> float:
    value = float(text)
    if not 0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text} given, 0 or more needed")
    return value


def _star_colour(text: str) -> float:
    value = float(text)
    if not -0.37 <= value <= 1.5:
        raise argparse.ArgumentTypeError(f"{text} given, stars have B-V from -0.37 to 1.5")
    return value
