"""The command line: a thin translation of the library. Nothing heavy is imported before a command is chosen."""

import json
import os
import re
import sys
import time

from .arguments import build_parser
from .errors import CatalogueError, OutputError, StarcalError


def main(arguments: list[str] | None = None) -> int:
    """Run a command and return its exit status."""
    try:
        options = build_parser().parse_args(arguments)
        _require_source(options)
        return COMMANDS[options.command](options)
    except StarcalError as error:
        return _refuse(str(error))
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader left; say no more
        return 1
    except KeyboardInterrupt:
        return _refuse("interrupted; files that were finished before are there, none is half written", 130)
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
    from dataclasses import replace

    from .checking import check

    sources = [None] if options.red else options.frame
    status = 0
    for source in sources:
        try:
            with _Bar(options) as bar:
                frame = _frame(options, source)
                result = check(frame, progress=bar, hints=_hints(options, frame), **_fit_settings(options))
        except StarcalError as error:
            if len(sources) == 1 and not options.json:
                raise
            status = _refuse(str(error))
            _show(options, {"frame": str(source), "error": str(error)}, None)
        else:
            result = replace(result, frame=str(source or result.frame))
            _show(options, result.to_dict(), result if len(sources) == 1 else result.summary())
    return status


def _calibrate(options) -> int:
    from .calibration import calibrate

    _require_outputs(options, options.output)
    with _Bar(options) as bar:
        frame = _frame(options)
        made = calibrate(frame, sky=options.sky, progress=bar, hints=_hints(options, frame), **_fit_settings(options))
        made.write(options.output, overwrite=options.overwrite)
    _show(options, made.check.to_dict() | {"output": options.output},
          f"{made.check.summary()}\nwritten: {options.output}")
    return 0


INPUTS = ("red", "green", "blue", "wcs", "starless", "stars", "star_frame", "picture")


def _require_outputs(options, *outputs, fits: bool = True) -> None:
    """No input is written over; nothing that is there without --overwrite; FITS goes by its name."""
    from .frame import check_output

    _require_not_inputs(options, outputs)
    for output in outputs:
        if fits and not re.search(r"\.(fits?|fts)$", output, re.IGNORECASE):
            raise OutputError(f"{output}: the output is FITS. Give a name that ends in .fits")
        check_output(output, options.overwrite)


def _require_not_inputs(options, outputs) -> None:
    """No input is written over, --overwrite or not."""
    inputs = [*(getattr(options, "frame", None) or []), *(getattr(options, name, None) for name in INPUTS)]
    taken = {os.path.realpath(path) for path in inputs if path}
    for output in outputs:
        if os.path.realpath(output) in taken:
            raise OutputError(f"{output} is an input: give another name for the output")


def _run(options) -> int:
    from .pipeline import folder_of, outputs_of, run

    folder = options.out or folder_of(options.frame[0] if options.frame else options.red)
    _require_not_inputs(options, outputs_of(folder, options.tiff))
    with _Bar(options) as bar:
        source = _frame(options) if options.red else _run_source(options)
        done = run(source, options.out, sky=options.sky, hints=_hints(options, source),
                   taste=_taste(options), tiff=options.tiff, **_other_frames(options),
                   overwrite=options.overwrite, progress=bar, **_fit_settings(options))
    audits = {"before": done.audit_before.to_dict(), "after": done.audit_after.to_dict()}
    _show(options, done.check.to_dict() | {"audit": audits, "folder": str(done.folder), "files": list(done.files)},
          done)
    return 0


def _run_source(options):
    """The path itself where nothing else is needed to read it, so that the folder can be named and checked first."""
    if not any([options.wcs, options.full_scale, options.ra, options.dec, options.scale]):
        return options.frame[0]
    from .pipeline import folder_of

    options.out = options.out or folder_of(options.frame[0])
    return _frame(options)


def _compose(options) -> int:
    from .compose import compose

    _require_outputs(options, options.output)
    with _Bar(options) as bar:
        made = compose(options.red, options.green, options.blue, match=options.match, full_scale=options.full_scale,
                       progress=bar)
        made.write(options.output, overwrite=options.overwrite)
    matching = made.matching
    facts = {"match": matching.match, "factors": [float(v) for v in matching.factors],
             "offsets": [float(v) for v in matching.offsets], "notes": list(made.frame.notes), "output": options.output}
    said = [line.removeprefix("starcal: ") for line in (*made.history, *made.frame.notes)]
    lines = dict.fromkeys([*said, f"written: {options.output}"])  # each once
    _show(options, facts, "\n".join(lines))
    return 0


def _split(options) -> int:
    from .frame import write_fits
    from .linearity import measure_linearity, require_linear
    from .stars import measure_stars

    targets = [f"{options.output}-{layer}.fits" for layer in ("starless", "stars")]
    _require_outputs(options, *targets)
    with _Bar(options) as bar:
        frame = _frame(options)
        bar("measuring stars", 0.2)
        stars = measure_stars(frame.pixels, snr_min=options.snr)
        if not options.assume_linear:
            require_linear(frame.name, measure_linearity(stars))
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

    _require_outputs(options, options.output)
    with _Bar(options) as bar:
        frame = _frame(options)
        made = recolour_stars(frame, taste=_taste(options), hints=_hints(options, frame), **_other_frames(options),
                              white_bv=options.white_bv, snr_min=options.snr, source=_source(options),
                              assume_linear=options.assume_linear, progress=bar)
        made.write(options.output, overwrite=options.overwrite)
    tally = made.tally
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
    from .frame import read_frame, write_fits
    from .layers import join_add
    from .tone import screen, stretch_apart

    _require_outputs(options, options.output)
    below, above = (read_frame(path) for path in (options.starless, options.stars))
    layers = stretch_apart(below.pixels, above.pixels) if options.stretch else (below.pixels, above.pixels)
    how = "screen" if options.stretch else options.how
    joined = {"add": join_add, "screen": screen}[how](*layers)
    write_fits(options.output, below.refill(joined.astype("float32")), below.header,
               history=(f"starcal: joined by {how}: {below.name}, {above.name}",), overwrite=options.overwrite)
    _show(options, {"how": how, "output": options.output}, f"written: {options.output}")
    return 0


def _audit(options) -> int:
    from .audit import audit_picture
    from .frame import read_frame

    if options.report:
        _require_outputs(options, options.report, fits=False)
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


def _catalogue_fetch(options) -> int:
    from dataclasses import asdict

    from .catalogue.choose import fetch
    from .catalogue.request import FieldRequest

    if options.frame:
        from .checking import field_of
        from .frame import read_frame

        ra, dec, radius = field_of(read_frame(options.frame))
    else:
        ra, dec, radius = options.ra % 360, options.dec, options.radius
    if dec is None:
        raise CatalogueError(f"--ra {ra:g} given without --dec. Give both, in degrees.")
    with _Bar(options) as bar:
        bar(f"asking {options.catalogue}", 0.1)
        fetched = fetch(FieldRequest(options.catalogue, ra, dec, radius, options.limit), timeout_s=options.timeout)
    _show(options, asdict(fetched), fetched)
    return 0


def _catalogue_list(options) -> int:
    from dataclasses import asdict

    from .catalogue import cache

    fields, notes = cache.fields()
    folder = str(cache.cache_folder())
    _show(options, {"folder": folder, "fields": [asdict(field) for field in fields], "notes": list(notes)},
          "\n".join([f"{len(fields)} fields in {folder}", *map(str, fields), *notes]))
    return 0


def _catalogue_info(options) -> int:
    from dataclasses import asdict

    from .catalogue import cache, embedded

    found = cache.info(options.name) if options.name else embedded.info()
    facts = asdict(found)
    _show(options, facts, found if options.name else _aligned(facts))
    return 0


def _catalogue_verify(options) -> int:
    from dataclasses import asdict

    from .catalogue import cache, embedded

    facts = {} if options.name else asdict(embedded.verify())
    fields = cache.verify(options.name)
    text = f"{len(fields)} fields of the cache and every file asked for have their checksum"
    _show(options, facts | {"fields": [asdict(field) for field in fields]},
          "\n".join(filter(None, [_aligned(facts), text])))
    return 0


def _catalogue_forget(options) -> int:
    from .catalogue import cache

    gone = [str(path) for path in cache.forget(options.name)]
    _show(options, {"removed": gone}, "\n".join([f"{len(gone)} fields removed", *gone]))
    return 0


def _aligned(facts: dict) -> str:
    return "\n".join(f"{name:<20}{value}" for name, value in facts.items())


def _frame(options, source=None):
    """The frame that the options name."""
    from .frame import read_channels, read_frame

    reading = {"wcs": options.wcs, "full_scale": options.full_scale}
    if options.red:
        return read_channels(options.red, options.green, options.blue, **reading)
    return read_frame(source or options.frame[0], **reading)


def _fit_settings(options) -> dict:
    return {"white_bv": options.white_bv, "model": options.model, "snr_min": options.snr,
            "assume_linear": options.assume_linear, "source": _source(options)}


def _hints(options, frame):
    """Where a frame without a WCS points, if that was typed; else its header is asked."""
    if not (options.ra or options.dec or options.scale):
        return None
    from .hints import hints_from_header

    return hints_from_header(frame.header, ra=options.ra, dec=options.dec, scale_arcsec=options.scale)


def _source(options):
    """Which catalogue to ask."""
    from .catalogue.choose import Source, require_name
    from .catalogue.own_table import parse_mapping

    require_name(options.catalogue)
    columns = parse_mapping(options.columns) if options.columns else None
    return Source(options.catalogue, options.online, options.timeout, columns)


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


COMMANDS = {"run": _run, "check": _check, "calibrate": _calibrate, "compose": _compose, "split": _split,
            "recolour": _recolour, "join": _join, "audit": _audit, "demo": _demo, "catalogue fetch": _catalogue_fetch,
            "catalogue list": _catalogue_list, "catalogue info": _catalogue_info,
            "catalogue verify": _catalogue_verify, "catalogue forget": _catalogue_forget}
