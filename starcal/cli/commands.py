"""The commands that work on a frame: each takes what was typed and returns the exit status."""

import os
from dataclasses import replace
from pathlib import Path

from ..checking.channel import check_channel
from ..checking.check import check as check_frame
from ..compose import compose as compose_channels
from ..cure.gains import calibrate as calibrate_frame
from ..cure.stars import recolour_stars
from ..demo.examples import demo_catalogue, demo_scenes
from ..draw.tone import screen, stretch_apart
from ..errors import OneChannelError, OutputError, StarcalError
from ..finish import belonging_cards, join_pictures, joined_kind, write_joined
from ..fit.sources import told_own
from ..frame import (
    atomic_files,
    kind_of,
    read_frame,
    require_same_place,
    write_bytes,
    write_fits,
)
from ..layers import join_add, plausible_starless
from ..layers import split as split_layers
from ..pipeline import folder_of, outputs_of, read_asked, read_others, run_settings
from ..stars import measure_stars
from ..stars.linearity import measure_linearity, require_linear
from ..texts import counted
from ..view import require_bokeh
from ..view.history import History
from ..view.job import open_job
from ..view.joining import open_join_job
from .files import asked_for, require_outputs, require_wcs_output, write_found_wcs
from .terminal import ProgressBar, refuse, show, told

TABLE_OF_DEMO = {"cassiopeia-few": "cassiopeia-sky.csv"}  # a catalogue of its user's own


# --- the whole job ----------------------------------------------------------------------


def run(options) -> int:
    """Do the whole job into a folder."""
    asked = asked_for(options)
    require_wcs_output(options, *outputs_of(options.out or folder_of(asked.first_file)))
    with ProgressBar(options) as bar:
        done = run_settings(asked, options.out, overwrite=options.overwrite, progress=bar)
    show(options, done.to_dict(), told(options, done))
    write_found_wcs(options, done.check)
    return 0


def view(options) -> int:
    """Serve the page until it is ended."""
    require_bokeh()
    from ..view.serving import claim, serve  # Bokeh is an extra that need not be installed

    asked = asked_for(options)
    nebula = Path(options.frame[0]) if len(options.frame) == 2 else None
    listener = claim(options.port)
    with ProgressBar(options) as bar:
        if nebula:
            job = open_join_job(nebula, Path(options.frame[1]), asked, progress=bar)
        else:
            job = open_job(asked, bar)
    serve(
        listener,
        job,
        History(asked),
        out=options.out or (nebula and str(beside(nebula))),
        overwrite=options.overwrite,
        browser=options.browser,
        announce=lambda address: show(
            options, {"address": address}, f"the page: {address} (Ctrl-C ends it)"
        ),
    )
    return 0


def beside(nebula: Path) -> Path:
    """Where a joined picture goes by default: beside its nebula."""
    ending = nebula.suffix if kind_of(nebula) in ("tif", "png") else ".fits"
    ending = ".png" if nebula.suffix.lower() in (".jpg", ".jpeg") else ending
    return nebula.with_name(f"{nebula.stem}-whole{ending}")


def check(options) -> int:
    """Check frames, one after the other."""
    require_wcs_output(options)
    frames = [None] if options.red else options.frame
    alone = len(frames) == 1
    return max(_check_one(options, frame, alone) for frame in frames)


def _check_one(options, frame: str | None, alone: bool) -> int:
    try:
        with ProgressBar(options) as bar:
            result = _checked(asked_for(options, frame), bar)
    except StarcalError as error:
        if alone and not options.json:
            raise
        show(options, {"frame": str(frame), "error": str(error)}, None)
        return refuse(str(error))
    result = replace(result, frame=str(frame or result.frame))
    show(options, result.to_dict(), told(options, result) if alone else result.summary())
    write_found_wcs(options, result)
    return 0


def _checked(asked, bar):
    """The check of a frame, or of what is one channel alone."""
    try:
        frame = read_asked(asked, cells=True)
    except OneChannelError:
        given = {"wcs": asked.wcs, "full_scale": asked.full_scale}
        return check_channel(asked.frame, asked, progress=bar, **given)
    return check_frame(frame, asked, progress=bar)


def calibrate(options) -> int:
    """Fit gains and apply them to the whole frame."""
    require_outputs(options, options.output)
    require_wcs_output(options, options.output)
    asked = asked_for(options)
    with ProgressBar(options) as bar:
        made = calibrate_frame(read_asked(asked), asked, progress=bar)
        made.write(options.output, overwrite=options.overwrite)
    facts = made.check.to_dict() | {"output": options.output}
    show(options, facts, f"{made.check.summary()}\nwritten: {options.output}")
    write_found_wcs(options, made.check)
    return 0


def recolour(options) -> int:
    """Give the stars new colours."""
    require_outputs(options, options.output)
    asked = asked_for(options)
    with ProgressBar(options) as bar:
        made = recolour_stars(read_asked(asked), asked, progress=bar, **read_others(asked))
        made.write(options.output, overwrite=options.overwrite)
    lines = [
        f"{made.check.frame}: route {made.check.route} ({made.colours.reason})",
        told_own(made.check.stars["colour_source"]),
        *(f"{counted(count, 'star'):>12}: {source}" for source, count in made.tally.items()),
        f"written: {options.output}",
    ]
    facts = made.check.to_dict() | {"sources": made.tally, "output": options.output}
    show(options, facts, "\n".join(lines))
    return 0


# --- channels and layers ----------------------------------------------------------------


def compose(options) -> int:
    """Put three mono frames together."""
    require_outputs(options, options.output)
    with ProgressBar(options) as bar:
        made = compose_channels(
            options.red,
            options.green,
            options.blue,
            match=options.match,
            full_scale=options.full_scale,
            ra=options.ra,
            dec=options.dec,
            object=options.object,
            scale=options.scale,
            progress=bar,
        )
        made.write(options.output, overwrite=options.overwrite)
    show(options, _composed_facts(made, options.output), _composed_text(made, options.output))
    return 0


def _composed_facts(made, output: str) -> dict:
    return {
        "match": made.matching.match,
        "factors": [float(value) for value in made.matching.factors],
        "offsets": [float(value) for value in made.matching.offsets],
        "notes": list(made.frame.notes),
        "output": output,
    }


def _composed_text(made, output: str) -> str:
    said = [line.removeprefix("starcal: ") for line in (*made.history, *made.frame.notes)]
    return "\n".join(dict.fromkeys([*said, f"written: {output}"]))  # each line once


def split(options) -> int:
    """Split a frame into stars and starless."""
    targets = [f"{options.output}-{layer}.fits" for layer in ("starless", "stars")]
    require_outputs(options, *targets)
    with ProgressBar(options) as bar:
        frame = read_asked(asked_for(options))
        bar("measuring stars", 0.2)
        stars = _stars_of_linear(options, frame)
        bar("splitting", 0.5)
        count, layers, notes = _layers(options, frame, stars)
        _write_split(options, frame, layers, targets)
    show(
        options,
        {
            "frame": frame.name,
            "stars": len(stars),
            "split": count,
            "files": targets,
            "notes": notes,
        },
        "\n".join(
            [
                f"{count} of {len(stars)} stars split off; written: {', '.join(targets)}",
                *(f"note: {note}" for note in notes),
            ]
        ),
    )
    return 0


def _stars_of_linear(options, frame):
    """The star table of a frame, which must be linear."""
    stars = measure_stars(frame.pixels, snr_min=options.snr)
    if not options.assume_linear:
        require_linear(frame.name, measure_linearity(frame.pixels, stars))
    return stars


def _layers(options, frame, stars):
    """How many stars were split off, the starless and the star layer, and what to know of them."""
    if not options.starless:
        parts = split_layers(frame.pixels, stars)
        count = int((parts.model.reach_px > 0).sum())
        return count, (parts.starless, parts.stars), parts.notes
    starless = read_frame(options.starless, full_scale=options.full_scale).pixels
    plausible_starless(frame.pixels, starless, stars)
    return len(stars), (starless, frame.pixels - starless), []


def _write_split(options, frame, layers, targets: list[str]) -> None:
    """The starless frame, and the star layer that names it: both, or none."""
    starless, stars = (frame.refill(layer) for layer in layers)
    belonging = frame.header.copy()
    belonging.update(belonging_cards(starless, targets[0]))
    told = ("starcal: split; starless and stars add up to the frame",)
    with atomic_files(targets, options.overwrite) as places:
        write_fits(places[0], starless, frame.header, history=told)
        write_fits(places[1], stars, belonging, history=told)


def join(options) -> int:
    """Put the stars back into a nebula."""
    if options.stretch or options.how != "auto":
        require_outputs(options, options.output)
        return _join_layers(options)
    nebula, output = Path(options.nebula), Path(options.output)
    joined_kind(nebula, output)  # a name that cannot be is refused before the work
    require_outputs(options, options.output, fits=False)
    with ProgressBar(options) as bar:
        made = join_pictures(
            options.nebula,
            options.stars,
            asked_for(options, options.stars),
            starless=options.starless,
            moved=options.moved,
            recoloured=options.recoloured,
            wcs=options.wcs,
            progress=bar,
        )
    how_written = write_joined(made, nebula, output, options.overwrite)
    facts = made.to_dict() | {"output": options.output, "quality": how_written}
    told = f" ({how_written})" if how_written else ""
    show(options, facts, f"{made}\nwritten: {options.output}{told}")
    return 0


def _join_layers(options) -> int:
    """Two layers as they are, or stretched each its own way."""
    starless = read_frame(options.nebula)
    stars = read_frame(options.stars)
    require_same_place(starless, stars)
    how = "screen" if options.stretch else options.how
    layers = starless.pixels, stars.pixels
    if options.stretch:
        layers = stretch_apart(*layers)
    joined = join_add(*layers) if how == "add" else screen(*layers)
    write_fits(
        options.output,
        starless.refill(joined.astype("float32")),
        starless.header,
        history=(f"starcal: joined by {how}: {starless.name}, {stars.name}",),
        overwrite=options.overwrite,
    )
    show(options, {"how": how, "output": options.output}, f"written: {options.output}")
    return 0


# --- frames to try the rest on ----------------------------------------------------------


def demo(options) -> int:
    """Write the example frames."""
    if os.path.exists(options.folder) and not os.path.isdir(options.folder):
        raise OutputError(f"{options.folder} is a file: give the name of a folder")
    os.makedirs(options.folder, exist_ok=True)
    written: list[str] = []
    with ProgressBar(options) as bar:
        for stem, scene in demo_scenes():
            bar(f"making {stem}", len(written) / 6)
            written += _write_demo(options, stem, scene)
    show(options, {"files": written}, "\n".join(written))
    return 0


def _write_demo(options, stem: str, scene) -> list[str]:
    """A made frame, and where it needs one a catalogue of the user's own."""
    frame = os.path.join(options.folder, f"{stem}.fits")
    write_fits(frame, scene.pixels, scene.header, overwrite=options.overwrite)
    if stem not in TABLE_OF_DEMO:
        return [frame]
    table = os.path.join(options.folder, TABLE_OF_DEMO[stem])
    write_bytes(table, demo_catalogue(scene).encode(), overwrite=options.overwrite)
    return [frame, table]
