"""The files of a run: layers, picture, what is shown of it, tables and report."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy.io.fits import Header

from ..choices import Settings
from ..cores import at_once, release_memory
from ..cure.stars import joined_picture
from ..draw import tone
from ..draw.preview import Shown, write_pair, write_png
from ..finish import belonging_cards, screen_keeping_hue, starry_look
from ..frame import (
    Frame,
    icc_profile_of,
    kind_of,
    other_than_srgb,
    write_fits,
    write_fits_in_kind,
    write_in_kind,
    write_tiff16,
)
from ..report.facts import command_of_run, frame_rows
from ..report.tables import write_json, write_stars
from ..versions import told_objects, versions
from .asked import with_lasting_name
from .auditing import audits_of, require_no_harm, warned_of_invented
from .made import MadePicture
from .result import RunResult


def write_files(place: Path, frame, made, settings, folder: Path, began_s: float) -> RunResult:
    """All files of a run into a place, from which they go to their folder together."""
    names = tuple(_names(made, settings))
    release_memory()
    _write_layers(place, frame, made)
    made = _with_profile_said(_with_picture(frame, made, settings), settings)
    _write_picture(place, frame, made, settings)
    _write_pictures(place, frame, made, settings)
    audits = audits_of(frame, made, settings)
    require_no_harm(made.check.frame, *audits)
    checked = warned_of_invented(made.check, audits[0], settings.route)
    done = RunResult(checked, *audits, folder, names)
    shown = _before_and_after(frame, made, settings)
    release_memory()

    def views() -> None:
        _write_views(place, settings, *shown)

    def report() -> None:
        told = _told_of_run(frame, made, settings, folder, began_s)
        _write_report(place, done, settings, made, shown, told)

    at_once(views, report)
    return done


def _write_report(
    place: Path,
    done: RunResult,
    settings: Settings,
    made: MadePicture,
    shown: tuple[Shown, Shown],
    told: list[tuple[str, str]],
) -> None:
    """Star table, record and report; what is told of the frame and the run stands in the report
    alone."""
    from ..report.page import write_report  # matplotlib takes half a second to import

    audits, shapes = (done.audit_before, done.audit_after), made.shapes
    facts = done.check.to_dict() | {
        "outcome": str(done.outcome),
        "audit": {audit.name: audit.to_dict() for audit in audits},
        "settings": with_lasting_name(settings, done.folder).to_dict(done.folder),
        "not_from_files": list(made.objects),
        "files": list(done.files),
        "versions": versions(),
        "star_profile": shapes.to_dict() if shapes is not None else None,
    }
    write_stars(place / "stars.ecsv", done.check.stars)
    write_json(place / "result.json", facts)
    write_report(
        place / "report.html",
        done.check,
        facts=told,
        before=shown[0],
        after=shown[1],
        audits=audits,
        record=facts,
        shapes=shapes,
    )


def _told_of_run(
    frame: Frame, made: MadePicture, settings: Settings, folder: Path, began_s: float
) -> list[tuple[str, str]]:
    """What the frame is, how long the run took, and the command that does it again."""
    seconds = time.monotonic() - began_s
    if made.objects:
        again = f"{told_objects(made.objects)}; settings in result.json"
    else:
        again = f"`{command_of_run(with_lasting_name(settings, folder), str(folder))}`"
    rows = [*frame_rows(frame), ("made in", f"{seconds:.0f} s")]
    return [*rows, ("to do it again", again)]


def _write_layers(place: Path, frame: Frame, made: MadePicture) -> None:
    """The layers of the picture, with the header of the frame."""
    for name, pixels in made.layers.items():
        header = _layer_header(frame, made) if name == "stars.fits" else frame.header
        write_fits(place / name, pixels, header, history=made.history)


def _with_picture(frame: Frame, made: MadePicture, settings: Settings) -> MadePicture:
    """The same with the picture, when its layers are written; they are let go of where nothing else
    is made of them, so that their memory serves again."""
    needed = settings.star_strength != 1
    if made.picture is None:
        starless, stars = made.layers["starless.fits"], made.layers["stars.fits"]
        own = made.own_layers and not needed
        picture = joined_picture(frame, starless, stars, made.starry, in_place=own)
        made = replace(made, picture=picture)
    if not needed:
        made.layers.clear()
    return made


def _write_picture(place: Path, frame: Frame, made: MadePicture, settings: Settings) -> None:
    """The picture with the header of the frame; a stretched one that came as FITS in its own
    numbers."""
    path, source = place / "picture.fits", _displayed_source(made, settings)
    if source and kind_of(source) is None:
        given = source, made.picture, made.changed, frame.full_scale, frame.header
        write_fits_in_kind(path, *given, history=made.history)
    else:
        write_fits(path, made.picture, frame.header, history=made.history)


def _names(made: MadePicture, settings: Settings) -> list[str]:
    """Files of a run, the order of the page's list."""
    kind = _picture_ending(made, settings)
    pictures = [f"picture.{kind}"] if kind else []
    if settings.tiff:
        pictures += [name for name in ("picture.tif", "after.tif") if name not in pictures]
    return [
        "picture.fits",
        *made.layers,
        *pictures,
        "after.png",
        "before-after.png",
        "stars.ecsv",
        "result.json",
        "report.html",
    ]


def _picture_ending(made: MadePicture, settings: Settings) -> str | None:
    """Ending of a stretched picture in the format of its file; None for FITS and linear frames."""
    source = _displayed_source(made, settings)
    return kind_of(source) if source else None


def _displayed_source(made: MadePicture, settings: Settings) -> Path | None:
    """The one file of a stretched picture; None for linear frames, and where there is none."""
    if made.changed is None or "frame" in made.objects or not settings.frame:
        return None
    path = Path(settings.frame)
    return path if path.is_file() else None


def _with_profile_said(made: MadePicture, settings: Settings) -> MadePicture:
    """The same, with what the colour profile of a stretched picture says of its colours."""
    source = _displayed_source(made, settings)
    note = other_than_srgb(icc_profile_of(source))[1] if source else ""
    if not note:
        return made
    return replace(made, check=replace(made.check, notes=(*made.check.notes, note)))


def _write_pictures(place: Path, frame: Frame, made: MadePicture, settings: Settings) -> None:
    """The picture for other programs: a stretched one as it came, with --tiff in 16 bits."""
    kind = _picture_ending(made, settings)
    if kind:
        path = place / f"picture.{kind}"
        source = Path(settings.first_file)
        space, _ = other_than_srgb(icc_profile_of(source))
        values = made.picture, made.changed, frame.full_scale
        write_in_kind(path, source, *values, shown_in=space)
    if settings.tiff and kind != "tif":
        write_tiff16(place / "picture.tif", made.picture)


def _layer_header(frame: Frame, made: MadePicture) -> Header:
    """Of the star layer: it names the starless frame that it belongs to."""
    header = frame.header.copy()
    header.update(belonging_cards(made.layers["starless.fits"], "starless.fits"))
    return header


def _write_views(place: Path, settings: Settings, before: Shown, after: Shown) -> None:
    """The picture for display, alone and beside the frame."""
    write_png(place / "after.png", after)
    if settings.tiff:
        write_tiff16(place / "after.tif", after[:])
    write_pair(place / "before-after.png", before, after)


def _before_and_after(
    frame: Frame, made: MadePicture, settings: Settings
) -> tuple[Shown, Shown]:
    """Before and after for display, in one stretch; a stretched picture as it is."""
    if made.changed is not None:
        return Shown((frame.pixels,), np.asarray), Shown((made.picture,), np.asarray)
    chosen_look = tone.choose_stretch(frame.pixels)
    look = chosen_look.adjusted(settings.black, settings.strength)
    after_look = chosen_look.on_sky_of(made.picture).adjusted(settings.black, settings.strength)
    before = Shown((frame.pixels,), look.apply)
    if settings.star_strength == 1 or "stars.fits" not in made.layers:
        return before, Shown((made.picture,), after_look.apply)
    star_look = starry_look(after_look, settings.star_strength)

    def joined(below: np.ndarray, stars: np.ndarray) -> np.ndarray:
        return screen_keeping_hue(after_look.apply(below), star_look.apply(stars))

    below = np.asarray(made.layers["starless.fits"])
    return before, Shown((below, np.asarray(made.layers["stars.fits"])), joined)
