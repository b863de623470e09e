"""The commands that work on a frame: each takes what was typed and returns the exit status."""

import os
from dataclasses import asdict, replace
from pathlib import Path

from ..checking.channel import check_channel
from ..checking.check import check as check_frame
from ..compose import compose as compose_channels
from ..cure.gains import calibrate as calibrate_frame
from ..cure.stars import recolour_stars
from ..demo.examples import write_demo
from ..draw.tone import screen, stretch_apart
from ..errors import OneChannelError, OutputError, StarcalError
from ..finish import join_pictures, joined_kind, write_joined
from ..finish.splitting import split_stars
from ..fit.sources import told_own
from ..frame import read_frame, require_same_place, write_fits
from ..layers import join_add
from ..many import (
    calibrate_many,
    common_folder,
    found_in_common,
    frames_named,
    require_summary_free,
    run_many,
    stands_for_several,
    write_calibrated,
    write_summary,
)
from ..named import read_asked, read_others
from ..pipeline import folder_of, outputs_of, run_settings
from ..texts import counted
from .files import (
    FITS_NAME,
    asked_for,
    asked_with_common,
    refuse_of_one,
    refuse_of_several,
    require_outputs,
    require_wcs_output,
    write_found_wcs,
)
from .terminal import ProgressBar, refuse, show, told

# --- the whole job ----------------------------------------------------------------------


def run(options) -> int:
    """Do the whole job into a folder; for several frames each into its own."""
    if stands_for_several(options.frame):
        return _run_several(options)
    refuse_of_several(options)
    asked = asked_for(options)
    require_wcs_output(options, *outputs_of(options.out or folder_of(asked.first_file)))
    with ProgressBar(options) as bar:
        done = run_settings(asked, options.out, overwrite=options.overwrite, progress=bar)
    show(options, done.to_dict(), told(options, done))
    write_found_wcs(options, done.check)
    return 0


def _run_several(options) -> int:
    """The whole job for each frame, whatever becomes of the others."""
    refuse_of_one(options, "starless", "star_frame", "wcs", "write_wcs")
    asked = asked_with_common(options)
    frames = frames_named(options.frame)
    folder = options.out or common_folder(frames)
    require_summary_free(folder)
    with ProgressBar(options) as bar:
        made = run_many(
            frames,
            options.out,
            asked,
            jobs=options.jobs,
            cluster=options.cluster,
            overwrite=options.overwrite,
            common_gains=options.common_gains,
            progress=bar,
        )
    os.makedirs(folder, exist_ok=True)
    written = write_summary(made, folder)
    facts = {
        "frames": [asdict(fate) for fate in made.fates],
        "files": list(written),
        "common_gains": made.common.to_dict() if made.common else None,
    }
    lines = [f"{fate.frame}: {fate.outcome}" for fate in made.fates]
    lines += [str(made.common)] if made.common else []
    show(options, facts, "\n".join([*lines, str(made), f"written: {', '.join(written)}"]))
    return 1 if made.n_failed else 0


def check(options) -> int:
    """Check frames, one after the other."""
    require_wcs_output(options)
    frames = [None] if options.red else options.frame
    if stands_for_several(options.frame):
        frames = list(map(str, frames_named(options.frame)))
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
    """Fit gains and apply them to the whole frame; to each of several frames."""
    if stands_for_several(options.frame):
        return _calibrate_several(options)
    refuse_of_several(options)
    require_outputs(options, options.output)
    require_wcs_output(options, options.output)
    asked = asked_for(options)
    with ProgressBar(options) as bar:
        made = calibrate_frame(read_asked(asked), asked, progress=bar, in_place=True)
        made.write(options.output, overwrite=options.overwrite)
    facts = made.check.to_dict() | {"output": options.output}
    lines = [made.check.summary(), *_all_numbers(options, made.check)]
    show(options, facts, "\n".join([*lines, f"written: {options.output}"]))
    write_found_wcs(options, made.check)
    return 0


def _calibrate_several(options) -> int:
    """Each frame into a folder for all, with its own gains or those that they have in common."""
    refuse_of_one(options, "wcs", "write_wcs")
    asked = asked_with_common(options)
    if FITS_NAME.search(options.output):
        options.frame_parser.error(
            f"several frames go into a folder: {options.output} names a file"
        )
    os.makedirs(options.output, exist_ok=True)
    sharing = {"jobs": options.jobs, "cluster": options.cluster}
    with ProgressBar(options) as bar:
        sharing |= {"overwrite": options.overwrite, "progress": bar}
        if options.common_gains:
            made, common = _calibrated_alike(options, asked, sharing)
        else:
            made, common = calibrate_many(options.frame, options.output, asked, **sharing), None
    return _told_calibrated(options, made, common)


def _calibrated_alike(options, asked, sharing: dict) -> tuple:
    """What became of each frame with the gains that all have in common, and those."""
    paths = frames_named(options.frame)
    of_checks = {name: sharing[name] for name in ("jobs", "cluster", "progress")}
    found, common = found_in_common(paths, asked, **of_checks)
    return write_calibrated(found, common, options.output, asked, **sharing), common


def _told_calibrated(options, made: dict, common) -> int:
    failed = {name for name, each in made.items() if isinstance(each, StarcalError)}
    facts = {
        "frames": [
            {"frame": name, "error" if name in failed else "output": str(each)}
            for name, each in made.items()
        ],
        "common_gains": common.to_dict() if common else None,
    }
    lines = [f"{name}: {each}" for name, each in made.items()]
    show(options, facts, "\n".join([*lines, *([str(common)] if common else [])]))
    return 1 if failed else 0


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
        *_all_numbers(options, made.check),
        f"written: {options.output}",
    ]
    facts = made.check.to_dict() | {"sources": made.tally, "output": options.output}
    show(options, facts, "\n".join(lines))
    return 0


def _all_numbers(options, checked) -> list[str]:
    """The check in full where that was asked for, between empty lines."""
    return ["", told(options, checked), ""] if options.verbose else []


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
    if not os.path.basename(options.output):
        raise OutputError(
            f"{options.output} is a folder: give what the names of the files in it begin with, "
            f"too, as {options.output}veil"
        )
    targets = [f"{options.output}-{layer}.fits" for layer in ("starless", "stars")]
    require_outputs(options, *targets)
    asked = asked_for(options)
    with ProgressBar(options) as bar:
        given = read_others(asked)["starless"]
        made = split_stars(read_asked(asked), asked, starless=given, progress=bar)
        made.write(options.output, overwrite=options.overwrite)
    facts = {
        "frame": made.frame.name,
        "stars": len(made.table),
        "split": made.n_split,
        "files": targets,
        "notes": list(made.notes),
    }
    lines = [f"{made.summary()}; written: {', '.join(targets)}"]
    show(options, facts, "\n".join(lines + [f"note: {note}" for note in made.notes]))
    return 0


def join(options) -> int:
    """Put the stars back into a nebula."""
    if options.stretch or options.how != "auto":
        _refuse_of_layers(options)
        require_outputs(options, options.output)
        return _join_layers(options)
    nebula, output = Path(options.nebula), Path(options.output)
    joined_kind(nebula, output)  # a name that cannot be is refused before the work
    require_outputs(options, options.output, fits=False)
    asked = asked_for(options, options.stars)
    with ProgressBar(options) as bar:
        made = join_pictures(
            options.nebula,
            options.stars,
            asked,
            starless=options.starless,
            moved=options.moved,
            recoloured=options.recoloured,
            wcs=options.wcs,
            progress=bar,
        )
    how_written = write_joined(made, nebula, output, options.overwrite)
    facts = made.to_dict() | {"output": options.output, "quality": how_written}
    facts["settings"] = asked.to_dict(os.curdir) | {"frame": os.path.abspath(options.stars)}
    told = f" ({how_written})" if how_written else ""
    show(options, facts, f"{made}\nwritten: {options.output}{told}")
    return 0


# Of `join`, what two layers that are put together as they are obey.
OF_LAYERS = ("nebula", "stars", "output", "how", "stretch", "overwrite", "max_megapixels")
OF_LAYERS += ("command", "json", "quiet", "verbose", "moved", "assume_linear")


def _refuse_of_layers(options) -> None:
    """Wrong usage, where something else is asked for with them."""
    parser = options.join_parser
    for action in parser._actions:
        name = action.dest
        asked = vars(options).get(name)
        if asked is None or name in OF_LAYERS or asked == parser.get_default(name):
            continue
        how = "--stretch" if options.stretch else f"--how {options.how}"
        parser.error(f"{how} takes layers as they are: leave {action.option_strings[0]} out")


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
    with ProgressBar(options) as bar:
        written = write_demo(options.folder, overwrite=options.overwrite, progress=bar)
    show(options, {"files": list(written)}, "\n".join(written))
    return 0
