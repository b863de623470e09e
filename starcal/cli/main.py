"""The command line: a thin translation of the library. Nothing heavy is imported before a command
is chosen."""

import json
import os
import re
import sys
import time

from ..errors import CatalogueError, NoWCSError, OutputError, StarcalError
from ..texts import counted
from .arguments import build_parser


def main(arguments: list[str] | None = None) -> int:
    """Run a command and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        By default those of the process.

    Returns
    -------
    int
        Exit status: 0 done, 1 could not.
    """
    try:
        options = _parsed(arguments)
        _require_source(options)
        return COMMANDS[options.command](options)
    except StarcalError as error:
        return _refuse(str(error))
    except BrokenPipeError:
        os.dup2(
            os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno()
        )  # the reader left; say no more
        return 1
    except KeyboardInterrupt:
        return _refuse(
            "interrupted; files that were finished before are there, none is half written", 130
        )
    except MemoryError:
        return _refuse(
            "not enough memory for this frame; close other programs or bin the frame 2x2"
        )
    except OSError as error:
        return _refuse(f"{error.filename or 'a file'}: {error.strerror or error}")
    except (
        Exception
    ) as error:  # a fault of starcal: still one line and no traceback, but say whose fault it is
        if os.environ.get("STARCAL_DEBUG"):
            raise
        return _refuse(
            f"internal fault, please report it (STARCAL_DEBUG=1 says more): {type(error).__name__} "
            f"{error}"
        )


def _parsed(arguments: list[str] | None):
    """What was typed; where settings of an earlier run were named, they stand for what was not
    typed."""
    parser, arguments = build_parser(), _southern(sys.argv[1:] if arguments is None else arguments)
    options = parser.parse_args(arguments)
    if not getattr(options, "settings", None):
        return options
    from ..choices import read_settings

    known = read_settings(options.settings)
    options.frame_parser.set_defaults(
        **vars(known)
        | {"frame": [known.frame] if known.frame else [], "leave_out": list(known.leave_out)}
    )
    return parser.parse_args(arguments)


def _southern(words: list[str]) -> list[str]:
    """Declinations such as -5d23m stay with their option; a parser takes them for an option of
    their own."""
    joined = []
    for word in words:
        if joined and joined[-1] == "--dec" and word.startswith("-"):
            joined[-1] = f"--dec={word}"
        else:
            joined.append(word)
    return joined


def _require_source(options) -> None:
    """A frame, or its three channels, and not both: else wrong usage."""
    if not hasattr(options, "frame_parser"):
        return
    channels = [options.red, options.green, options.blue]
    if any(channels) and (options.frame or not all(channels)):
        options.frame_parser.error("give FRAME, or all of --red, --green and --blue")
    several = options.several and not getattr(options, "write_wcs", None)
    if not any(channels) and (not options.frame or (len(options.frame) > 1 and not several)):
        options.frame_parser.error(f"one FRAME needed, {len(options.frame)} given")


def _refuse(message: str, status: int = 1) -> int:
    print(f"starcal: {' '.join(message.split())}", file=sys.stderr)
    return status


# --- commands ---------------------------------------------------------------------------


def _check(options) -> int:
    from dataclasses import replace

    from ..checking.check import check
    from ..pipeline import read

    sources = [None] if options.red else options.frame
    status = 0
    _require_wcs_output(options)
    for source in sources:
        try:
            with _Bar(options) as bar:
                asked = _asked(options, source)
                result = check(read(asked), asked, progress=bar)
        except StarcalError as error:
            if len(sources) == 1 and not options.json:
                raise
            status = _refuse(str(error))
            _show(options, {"frame": str(source), "error": str(error)}, None)
        else:
            result = replace(result, frame=str(source or result.frame))
            _show(options, result.to_dict(), result if len(sources) == 1 else result.summary())
            _write_wcs(options, result)
    return status


def _calibrate(options) -> int:
    from ..cure.gains import calibrate
    from ..pipeline import read

    _require_outputs(options, options.output)
    _require_wcs_output(options, options.output)
    asked = _asked(options)
    with _Bar(options) as bar:
        made = calibrate(read(asked), asked, progress=bar)
        made.write(options.output, overwrite=options.overwrite)
    _show(
        options,
        made.check.to_dict() | {"output": options.output},
        f"{made.check.summary()}\nwritten: {options.output}",
    )
    _write_wcs(options, made.check)
    return 0


def _require_wcs_output(options, *others) -> None:
    """The file of --write-wcs is free, and no other output goes there."""
    if not options.write_wcs:
        return
    _require_outputs(options, options.write_wcs, fits=False)
    if os.path.realpath(options.write_wcs) in {os.path.realpath(other) for other in others}:
        raise OutputError(
            f"{options.write_wcs} is another output already: give --write-wcs another name"
        )


def _write_wcs(options, found) -> None:
    """Where the frame points, for --wcs of a later command."""
    if not options.write_wcs:
        return
    from ..frame import write_wcs

    if found.wcs is None:
        raise NoWCSError(
            f"{found.frame}: no WCS was found that fits its stars: {options.write_wcs} not "
            f"written. Say "
            "where it points, with --ra, --dec and --scale; or use a deeper catalogue: --catalogue "
            "gaia"
        )
    write_wcs(options.write_wcs, found.wcs, found.wcs.array_shape, overwrite=options.overwrite)
    if not options.json:
        _show(options, {}, f"WCS written: {options.write_wcs}")


INPUTS = ("red", "green", "blue", "wcs", "starless", "stars", "star_frame", "picture")


def _require_outputs(options, *outputs, fits: bool = True) -> None:
    """No input is written over; nothing that is there without --overwrite; FITS goes by its
    name."""
    from ..frame import check_output, require_not_inputs

    require_not_inputs(outputs, _inputs(options))
    for output in outputs:
        if fits and not re.search(r"\.(fits?|fts)$", output, re.IGNORECASE):
            raise OutputError(f"{output}: the output is FITS. Give a name that ends in .fits")
        check_output(output, options.overwrite)


def _inputs(options) -> list:
    """Every file that a command was told to read; None for an option that was not given."""
    from ..choices import own_table_path

    return [
        *(getattr(options, "frame", None) or []),
        *(getattr(options, name, None) for name in INPUTS),
        own_table_path(getattr(options, "catalogue", "")),
    ]


def _run(options) -> int:
    from ..pipeline import folder_of, outputs_of, run_settings

    asked = _asked(options)
    _require_wcs_output(options, *outputs_of(options.out or folder_of(asked.first_file)))
    with _Bar(options) as bar:
        done = run_settings(asked, options.out, overwrite=options.overwrite, progress=bar)
    audits = {"before": done.audit_before.to_dict(), "after": done.audit_after.to_dict()}
    _show(
        options,
        done.check.to_dict()
        | {"audit": audits, "folder": str(done.folder), "files": list(done.files)},
        done,
    )
    _write_wcs(options, done.check)
    return 0


def _view(options) -> int:
    from ..view import require_bokeh

    require_bokeh()
    from ..view.desk import Desk
    from ..view.job import open_job
    from ..view.serving import claim, serve

    asked, plug = _asked(options), claim(options.port)
    with _Bar(options) as bar:
        job = open_job(asked, bar)
    serve(
        plug,
        job,
        Desk(asked),
        out=options.out,
        overwrite=options.overwrite,
        browser=options.browser,
        told=lambda address: _show(
            options, {"address": address}, f"the page: {address} (Ctrl-C ends it)"
        ),
    )
    return 0


def _compose(options) -> int:
    from ..compose import compose

    _require_outputs(options, options.output)
    with _Bar(options) as bar:
        made = compose(
            options.red,
            options.green,
            options.blue,
            match=options.match,
            full_scale=options.full_scale,
            progress=bar,
        )
        made.write(options.output, overwrite=options.overwrite)
    matching = made.matching
    facts = {
        "match": matching.match,
        "factors": [float(v) for v in matching.factors],
        "offsets": [float(v) for v in matching.offsets],
        "notes": list(made.frame.notes),
        "output": options.output,
    }
    said = [line.removeprefix("starcal: ") for line in (*made.history, *made.frame.notes)]
    lines = dict.fromkeys([*said, f"written: {options.output}"])  # each once
    _show(options, facts, "\n".join(lines))
    return 0


def _split(options) -> int:
    from ..frame import write_fits
    from ..pipeline import read
    from ..stars import measure_stars
    from ..stars.linearity import measure_linearity, require_linear

    targets = [f"{options.output}-{layer}.fits" for layer in ("starless", "stars")]
    _require_outputs(options, *targets)
    with _Bar(options) as bar:
        frame = read(_asked(options))
        bar("measuring stars", 0.2)
        stars = measure_stars(frame.pixels, snr_min=options.snr)
        if not options.assume_linear:
            require_linear(frame.name, measure_linearity(frame.pixels, stars))
        bar("splitting", 0.5)
        count, layers = _layers(options, frame, stars)
        history = ("starcal: split; starless and stars add up to the frame",)
        for target, layer in zip(targets, layers, strict=True):
            write_fits(
                target,
                frame.refill(layer),
                frame.header,
                history=history,
                overwrite=options.overwrite,
            )
    _show(
        options,
        {"frame": frame.name, "stars": len(stars), "split": count, "files": targets},
        f"{count} of {len(stars)} stars split off; written: {', '.join(targets)}",
    )
    return 0


def _layers(options, frame, stars):
    """How many stars were split off, and the starless and the star layer."""
    from ..frame import read_frame
    from ..layers import plausible_starless, split

    if not options.starless:
        parts = split(frame.pixels, stars)
        return int((parts.model.reach_px > 0).sum()), (parts.starless, parts.stars)
    starless = read_frame(options.starless, full_scale=options.full_scale).pixels
    plausible_starless(frame.pixels, starless, stars)
    return len(stars), (starless, frame.pixels - starless)


def _recolour(options) -> int:
    from ..cure.stars import recolour_stars
    from ..pipeline import read, read_others

    _require_outputs(options, options.output)
    asked = _asked(options)
    with _Bar(options) as bar:
        made = recolour_stars(read(asked), asked, progress=bar, **read_others(asked))
        made.write(options.output, overwrite=options.overwrite)
    tally = made.tally
    _show(
        options,
        made.check.to_dict() | {"sources": tally, "output": options.output},
        f"{made.check.frame}: route {made.check.route} ({made.colours.reason})\n"
        + "\n".join(f"{count:6} stars: {source}" for source, count in tally.items())
        + f"\nwritten: {options.output}",
    )
    return 0


def _join(options) -> int:
    from ..draw.tone import screen, stretch_apart
    from ..frame import read_frame, require_same_place, write_fits
    from ..layers import join_add

    _require_outputs(options, options.output)
    below, above = (read_frame(path) for path in (options.starless, options.stars))
    require_same_place(below, above)
    layers = (
        stretch_apart(below.pixels, above.pixels)
        if options.stretch
        else (below.pixels, above.pixels)
    )
    how = "screen" if options.stretch else options.how
    joined = {"add": join_add, "screen": screen}[how](*layers)
    write_fits(
        options.output,
        below.refill(joined.astype("float32")),
        below.header,
        history=(f"starcal: joined by {how}: {below.name}, {above.name}",),
        overwrite=options.overwrite,
    )
    _show(options, {"how": how, "output": options.output}, f"written: {options.output}")
    return 0


def _audit(options) -> int:
    from ..audit import audit_picture
    from ..frame import read_frame

    if options.report:
        _require_outputs(options, options.report, fits=False)
    with _Bar(options) as bar:
        bar("reading", 0)
        frame = read_frame(options.picture)
        bar("judging the stars", 0.2)
        stretched = {"auto": None, "yes": True, "no": False}[options.stretched]
        judged = audit_picture(
            frame.pixels, name=frame.name, neutral_bv_mag=options.neutral_bv, stretched=stretched
        )
        if options.report:
            from ..report.page import write_audit

            write_audit(options.report, judged, overwrite=options.overwrite)
    _show(options, judged.to_dict(), judged)
    return 0


def _plan(options) -> int:
    from ..plan import BORTLE_SKY_MAG, Night, plan_exposures

    if options.picture and options.dec is not None:
        options.plan_parser.error("--dec goes with --ra: --for FRAME tells both")
    if options.output:
        _require_outputs(options, options.output, fits=False)
    sky_mag = BORTLE_SKY_MAG[options.bortle] if options.sky_mag is None else options.sky_mag
    field, kit = _field_and_kit(options)
    plan = plan_exposures(
        field, kit, Night(sky_mag, options.fwhm_arcsec), faint_mag=options.faint_mag
    )
    if options.output:
        from ..report.page import write_plan

        write_plan(options.output, plan, overwrite=options.overwrite)
    _show(
        options,
        plan.to_dict() | {"output": options.output},
        f"{plan}\nwritten: {options.output}" if options.output else plan,
    )
    return 0


def _field_and_kit(options):
    """The field to plan for, and the telescope and camera; a frame tells what nobody else does, and
    where."""
    from ..plan import Kit, field_of_frame, field_of_sensor, focal_length_mm

    if options.picture:
        from ..frame import read_frame

        frame = read_frame(options.picture)
        centre, scale_arcsec = field_of_frame(frame)
        focal_mm, pixels = (
            focal_length_mm(options.pixel_um, scale_arcsec),
            frame.pixels.shape[:0:-1],
        )
    else:
        centre, focal_mm, pixels = _place(options), Kit.focal_mm, (6000, 4000)
    kit = Kit(
        aperture_mm=options.aperture_mm,
        focal_mm=options.focal_mm or focal_mm,
        pixel_um=options.pixel_um,
        full_well_electrons=options.full_well,
        read_noise_electrons=options.read_noise,
        efficiency=options.efficiency,
    )
    if options.picture and options.focal_mm is None and options.pixels is None:
        return centre, kit
    return field_of_sensor(kit, options.pixels or pixels, centre), kit


def _place(options) -> tuple[float, float]:
    from astropy.io.fits import Header

    from ..place.hints import hints_from_header

    hints = hints_from_header(Header(), ra=options.ra, dec=options.dec, scale_arcsec=1.0)
    return hints.ra_deg, hints.dec_deg


def _demo(options) -> int:
    from ..demo.examples import demo_catalogue, demo_scenes
    from ..frame import write_bytes, write_fits

    if os.path.exists(options.folder) and not os.path.isdir(options.folder):
        raise OutputError(f"{options.folder} is a file: give the name of a folder")
    os.makedirs(options.folder, exist_ok=True)
    written = []
    with _Bar(options) as bar:
        for stem, scene in demo_scenes():
            bar(f"making {stem}", len(written) / 6)
            written.append(os.path.join(options.folder, f"{stem}.fits"))
            write_fits(written[-1], scene.pixels, scene.header, overwrite=options.overwrite)
            if stem == "cassiopeia-few":
                written.append(os.path.join(options.folder, "cassiopeia-sky.csv"))
                write_bytes(
                    written[-1], demo_catalogue(scene).encode(), overwrite=options.overwrite
                )
    _show(options, {"files": written}, "\n".join(written))
    return 0


def _catalogue_fetch(options) -> int:
    from dataclasses import asdict

    from ..catalogue.choose import fetch
    from ..catalogue.request import FieldRequest

    if options.frame:
        from ..frame import read_frame
        from ..place.locate import field_of

        ra, dec, radius = field_of(read_frame(options.frame))
    else:
        ra, dec, radius = options.ra % 360, options.dec, options.radius
    if dec is None:
        raise CatalogueError(f"--ra {ra:g} given without --dec. Give both, in degrees.")
    with _Bar(options) as bar:
        bar(f"asking {options.catalogue}", 0.1)
        fetched = fetch(
            FieldRequest(options.catalogue, ra, dec, radius, options.limit),
            timeout_s=options.timeout,
        )
    _show(options, asdict(fetched), fetched)
    return 0


def _catalogue_list(options) -> int:
    from dataclasses import asdict

    from ..catalogue import cache

    fields, notes = cache.fields()
    folder = str(cache.cache_folder())
    _show(
        options,
        {"folder": folder, "fields": [asdict(field) for field in fields], "notes": list(notes)},
        "\n".join([f"{counted(len(fields), 'field')} in {folder}", *map(str, fields), *notes]),
    )
    return 0


def _catalogue_info(options) -> int:
    from dataclasses import asdict

    from ..catalogue import cache, embedded

    found = cache.info(options.name) if options.name else embedded.info()
    facts = asdict(found)
    _show(options, facts, found if options.name else _aligned(facts))
    return 0


def _catalogue_verify(options) -> int:
    from dataclasses import asdict

    from ..catalogue import cache, embedded

    facts = {} if options.name else asdict(embedded.verify())
    fields = cache.verify(options.name)
    text = f"of {counted(len(fields), 'field')} of the cache and of the catalogue, every file has its checksum"
    _show(
        options,
        facts | {"fields": [asdict(field) for field in fields]},
        "\n".join(filter(None, [_aligned(facts), text])),
    )
    return 0


def _catalogue_forget(options) -> int:
    from ..catalogue import cache

    gone = [str(path) for path in cache.forget(options.name)]
    _show(options, {"removed": gone}, "\n".join([f"{counted(len(gone), 'field')} removed", *gone]))
    return 0


FILE_NAMES = {
    "FRAME",
    "FILE",
    "OUT",
    "STEM",
    "STARLESS",
    "STARS",
    "PICTURE",
}  # metavars of what lies on disk


def _completion(options) -> int:
    import shtab

    parser = build_parser()
    for action in _arguments_of(parser):
        if action.metavar in FILE_NAMES:
            action.complete = shtab.FILE
        elif action.metavar == "DIR":
            action.complete = shtab.DIRECTORY
    print(shtab.complete(parser, options.shell))
    return 0


def _arguments_of(parser):
    """Every argument of a parser and of the commands below it."""
    for action in parser._actions:
        yield action
        if isinstance(action.choices, dict):  # commands: their parsers
            for below in action.choices.values():
                yield from _arguments_of(below)


def _aligned(facts: dict) -> str:
    return "\n".join(f"{name:<20}{value}" for name, value in facts.items())


def _asked(options, frame: str | None = None):
    """What was typed, as settings; options that a command has not got are as by default."""
    from dataclasses import fields

    from ..choices import Settings

    typed = {field.name: getattr(options, field.name, field.default) for field in fields(Settings)}
    typed["frame"] = frame or next(iter(options.frame), None)
    try:
        return Settings(**typed)
    except ValueError as error:
        return options.frame_parser.error(str(error))


def _show(options, facts: dict, text) -> None:
    if options.json:
        print(json.dumps(facts, default=str), flush=True)
    elif text is not None and not options.quiet:
        print(text, flush=True)


class _Bar:
    """A progress bar on stderr, once a command has taken a second; none when stderr is not a
    terminal."""

    WIDTH = 30

    def __init__(self, options):
        self.wanted = sys.stderr.isatty() and not options.quiet
        self.start, self.drawn = time.monotonic(), False

    def __call__(self, step: str, share: float) -> None:
        if self.wanted and time.monotonic() - self.start > 1:
            filled = round(self.WIDTH * share)
            print(
                f"\r{'#' * filled}{'.' * (self.WIDTH - filled)} {step:<40}",
                end="",
                file=sys.stderr,
                flush=True,
            )
            self.drawn = True

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.drawn:
            print(f"\r{' ' * (self.WIDTH + 42)}\r", end="", file=sys.stderr, flush=True)


COMMANDS = {
    "run": _run,
    "view": _view,
    "check": _check,
    "calibrate": _calibrate,
    "compose": _compose,
    "split": _split,
    "recolour": _recolour,
    "join": _join,
    "audit": _audit,
    "plan": _plan,
    "demo": _demo,
    "catalogue fetch": _catalogue_fetch,
    "catalogue list": _catalogue_list,
    "catalogue info": _catalogue_info,
    "catalogue verify": _catalogue_verify,
    "catalogue forget": _catalogue_forget,
    "completion": _completion,
}
