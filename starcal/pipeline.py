"""The whole job, in order: check, choose the route, make the picture, write files and a report."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np
from astropy.io.fits import Header

from .audit import Audit, audit_picture, same_stars
from .audit.plots import plot_beside
from .checking.check import as_frame, check_for_cure, relocated, usable
from .checking.result import ALL_NUMBERS, CheckResult
from .choices import Choices, OfRun, Settings, chosen
from .compose import read_channels
from .cores import at_once, release_memory
from .cure.gains import apply_calibration, require_usable
from .cure.pictures import recolour_picture
from .cure.stars import (
    ReadyToColour,
    Recoloured,
    coloured_as_chosen,
    joined_picture,
    recolour_checked,
)
from .cure.wishes import told_wishes
from .draw import tone
from .draw.preview import Shown, write_pair, write_png
from .errors import HarmError, OutputError
from .finish import belonging_cards, screen_keeping_hue, starry_look
from .fit.verdict import FOR_CATALOGUE, USE_CALIBRATED
from .frame import (
    Frame,
    atomic_folder,
    check_folder,
    icc_profile_of,
    in_srgb,
    kind_of,
    lasting_path,
    other_than_srgb,
    read_frame,
    require_not_inputs,
    require_there,
    write_fits,
    write_fits_in_kind,
    write_in_kind,
    write_tiff16,
)
from .frame.given import FrameLike, maybe_frame
from .layers import ProfileMap, Starless
from .progress import Logged, Progress, part_of, silent
from .report.facts import command_of_run, frame_rows
from .report.outcome import Outcome, outcome_of
from .report.tables import write_json, write_stars
from .stars import found_stars_in
from .texts import UNBROKEN, aligned, broken, escaped, html_list
from .versions import told_objects, versions

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ENOUGH_JUDGED, FEW_IMPOSSIBLE = 10, 0.01  # stars of a frame whose colours were possible already
PUT_BACK = (
    "finish the nebula from starless.fits as you like, then put its stars back: "
    "`starcal join FINISHED stars.fits -o WHOLE`"
)
NOT_AS_DISPLAYED = {
    "star_brightness": "the brightness of stars is for linear light: those of a stretched picture "
    "are as bright as it has them",
    "star_strength": "the strength of stars is for linear frames: those of a stretched picture are "
    "stretched as it has them",
}
OUTPUTS = (
    "picture.fits",
    "starless.fits",
    "stars.fits",
    "picture.tif",
    "stars.ecsv",
    "result.json",
    "picture.png",
    "after.png",
    "after.tif",
    "before-after.png",
    "preview.png",
    "report.html",
)


@dataclass(frozen=True, eq=False)
class RunResult:
    """What a run decided and where it put it.

    Attributes
    ----------
    check : CheckResult
        The verdict with its evidence.
    audit_before, audit_after : Audit
        How many stars have impossible colours in the frame and in the picture.
    folder : Path
        Where the files are.
    files : tuple of str
        Their names.

    Examples
    --------
    >>> import starcal
    >>> result = starcal.run("broadband.fits", overwrite=True)
    >>> result.check.route, (result.folder / "report.html").exists()
    ('gains', True)
    >>> print(result.outcome.how)
    Calibrated by gains from ... catalogue stars.
    """

    check: CheckResult
    audit_before: Audit
    audit_after: Audit
    folder: Path
    files: tuple[str, ...]

    @property
    def outcome(self) -> Outcome:
        """What came of it: stars of impossible colours before and after, and how it was done."""
        return outcome_of(self.check, self.audit_before, self.audit_after)

    def __str__(self) -> str:
        """Several lines for a terminal, with every number."""
        return self.text()

    def text(self, width: int = UNBROKEN, *, all_numbers: bool = True) -> str:
        """Lines for a terminal: what came of it, why, the numbers, the files.

        Parameters
        ----------
        width : int
            Longer lines are broken there; by default none is.
        all_numbers : bool
            Show every number, or those that matter most.

        Returns
        -------
        str
        """
        outcome = self.outcome
        check = self.check
        rows = check.rows() if all_numbers else check.main_rows()
        lines = [
            *broken(outcome.stars, width),
            *broken(outcome.how, width),
            "",
            *check.reason_lines(width, outcome.how),
            "",
            *aligned([*rows, *self._ends(all_numbers)], width),
        ]
        lines += check.second_lines() if all_numbers else []
        return "\n".join(lines)

    def _ends(self, all_numbers: bool) -> list[tuple[str, str]]:
        """The audits, where the files are, and what to do with them."""
        return [
            ("before", self.audit_before.summary()),
            ("after", self.audit_after.summary()),
            ("written", f"{self.folder}: {', '.join(self.files)}"),
            *([] if all_numbers else [("", ALL_NUMBERS)]),
        ]

    def to_dict(self) -> dict:
        """What the command prints as JSON."""
        return self.check.to_dict() | {
            "outcome": str(self.outcome),
            "audit": {
                "before": self.audit_before.to_dict(),
                "after": self.audit_after.to_dict(),
            },
            "folder": str(self.folder),
            "files": list(self.files),
        }

    def __repr__(self) -> str:
        """One line; the check would fill a screen."""
        return f"<RunResult {self.check.frame}, in {self.folder}: {self.outcome.stars}>"

    def _repr_html_(self) -> str:
        """For notebooks."""
        audits = html_list(
            "ul",
            [f"before: {self.audit_before.summary()}", f"after: {self.audit_after.summary()}"],
        )
        outcome = self.outcome
        return (
            f"<p><strong>{escaped(outcome.stars)}</strong></p><p>{escaped(outcome.how)}</p>"
            f"{self.check._repr_html_()}{audits}<p>Written to {escaped(str(self.folder))}: "
            f"{escaped(', '.join(self.files))}</p>"
        )

    def plot_chromaticity(self, ax: Sequence[Axes] | None = None) -> np.ndarray:
        """Plot the colours of the stars before and after, beside those of real stars.

        Parameters
        ----------
        ax : 2 Axes, optional
            For before and after; a new figure if not given.

        Returns
        -------
        ndarray of 2 Axes
            Of u'v'.
        """
        return plot_beside((self.audit_before, self.audit_after), ax)


def run(
    frame: FrameLike,
    out: str | Path | None = None,
    choices: Choices | None = None,
    *,
    starless: FrameLike | None = None,
    star_frame: FrameLike | None = None,
    wcs: Any = None,
    full_scale: float | None = None,
    overwrite: bool = False,
    progress: Progress = silent,
    **asked: Unpack[OfRun],
) -> RunResult:
    """Do the whole job: check a frame, choose the route, make the picture, write files and a
    report.

    Parameters
    ----------
    frame : Frame, str, Path, HDU, CCDData, NDData or array
        A linear colour frame, or a stretched picture; one that is given by its file's name is
        written in that file's format, too.
    out : str or Path, optional
        Folder for the files; by default ``FRAME-starcal`` beside the frame's file, of a `Frame` in
        the current folder.
    choices : Choices, optional
        What is asked for; by default all as by default. `Settings` are kept in ``result.json`` as
        they are, choices with the names of the frames.
    starless, star_frame : Frame or whatever may be one, optional
        As for `recolour_stars`; with a star frame its stars are taken, whatever the verdict.
    wcs, full_scale : optional
        As for `check`.
    overwrite : bool
        Replace files of an earlier run.
    progress : callable
        Is given the step and the share done.
    **asked
        Single choices by name, any of `Choices`. The route may be ``gains`` for a frame whose
        verdict is open.

    Returns
    -------
    RunResult

    Raises
    ------
    FrameError
        The file is not a usable colour frame.
    NotLinearError
        The picture is stretched, and what was asked for needs linear light.
    HarmError
        No fewer stars would have impossible colours than now; nothing was written.
    TooFewStars
        The route asked for has no stars to rest on.
    OutputError
        A file is in the way or cannot be written.

    Examples
    --------
    >>> import starcal
    >>> result = starcal.run("broadband.fits", overwrite=True)
    >>> str(result.folder)
    'broadband-starcal'
    >>> {"picture.fits", "stars.ecsv", "result.json", "report.html"} <= set(result.files)
    True
    """
    began_s = time.monotonic()
    choices = chosen(choices, asked, OfRun)
    folder = Path(out) if out is not None else folder_of(frame)
    files = [frame] if isinstance(frame, str | Path) else []
    layers = [each for each in (starless, star_frame) if isinstance(each, str | Path)]
    require_there([*files, *layers])
    _require_free_folder(folder, [*files, *layers], overwrite)
    beside = {"starless": starless, "star_frame": star_frame, "wcs": wcs}
    settings = _asked_for(choices, frame, full_scale, beside)
    objects = _objects_among({"frame": frame, **beside}, choices)
    progress = Logged(progress)
    with atomic_folder(folder, OUTPUTS, overwrite) as place:  # kept from others from here on
        frame = as_frame(frame, progress, wcs=wcs, full_scale=full_scale)
        found = check_for_cure(frame, choices, part_of(progress, 0.0, 0.3))
        progress("making the picture", 0.3)
        others = {"starless": maybe_frame(starless), "star_frame": maybe_frame(star_frame)}
        told = part_of(progress, 0.3, 0.7)
        frame, made = _frame_and_made(frame, found, choices, told, **others)
        made = replace(made, objects=objects)
        progress("writing", 0.7)
        done = _write(place, frame, made, settings, folder, began_s)
    return done


def _frame_and_made(
    frame: Frame, found: CheckResult, choices: Choices, progress: Progress, **others
) -> tuple:
    """The frame as it was used, and what its route made of it."""
    displayed = found.linearity.stretched and not choices.assume_linear
    if displayed and all(other is None for other in others.values()):
        frame = in_srgb(frame)
        return frame, as_displayed(frame, found, choices)
    frame = usable(frame, found, choices.assume_linear)
    return frame, _route_of_linear(frame, found, choices, progress, **others)


def _asked_for(
    choices: Choices, frame: FrameLike, full_scale: float | None, others: dict[str, Any]
) -> Settings:
    """What ``result.json`` says was asked for; the others by the names of settings."""
    if isinstance(choices, Settings):
        return choices
    names = {name: _name_of(each) for name, each in others.items()}
    return Settings(**vars(choices), frame=_name_of(frame), full_scale=full_scale, **names)


def _objects_among(given: dict[str, Any], choices: Choices) -> tuple[str, ...]:
    """Names of what was handed over in Python and is no file that the settings name."""
    named = {}
    if isinstance(choices, Settings):
        named = vars(choices) | {"frame": choices.first_file}
    return tuple(
        name
        for name, each in given.items()
        if not isinstance(each, str | Path | None) and not named.get(name)
    )


def run_settings(
    settings: Settings,
    out: str | Path | None = None,
    *,
    overwrite: bool = False,
    progress: Progress = silent,
) -> RunResult:
    """Do the whole job as settings say, with the files that they name; see `run`.

    Parameters
    ----------
    settings : Settings
        With the names of the files.
    out : str or Path, optional
        Folder for the files; by default ``FRAME-starcal`` beside the frame.
    overwrite : bool
        Replace files of an earlier run.
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    RunResult

    Raises
    ------
    OutputError
        Besides, a file that the settings name lies where a result would go.
    """
    folder = Path(out) if out is not None else folder_of(settings.first_file)
    require_there(settings.inputs)
    _require_free_folder(folder, settings.inputs, overwrite)
    return run(
        read_asked(settings),
        folder,
        settings,
        overwrite=overwrite,
        progress=progress,
        **read_others(settings),
    )


def run_prepared(
    ready: ReadyToColour,
    settings: Settings,
    out: str | Path,
    *,
    overwrite: bool = False,
    progress: Progress = silent,
) -> RunResult:
    """Do the rest of the job for a linear frame that was checked and split already; see `run`.

    Parameters
    ----------
    ready : ReadyToColour
        By settings that differ from these in nothing that the check or the split goes by.
    settings : Settings
    out : str or Path
        Folder for the files.
    overwrite : bool
        Replace files of an earlier run.
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    RunResult
        The files are those of `run_settings`, bit for bit, but for the time that it took.

    Raises
    ------
    FrameError, HarmError, TooFewStars, OutputError
        As `run`.
    """
    began_s = time.monotonic()
    folder = Path(out)
    _require_free_folder(folder, settings.inputs, overwrite)
    with atomic_folder(folder, OUTPUTS, overwrite) as place:
        progress("making the picture", 0.1)
        if ready.star_field is None and takes_gains(ready.check, settings):
            made = _by_gains(ready.frame, ready.check, settings)
        else:
            coloured = coloured_as_chosen(ready, settings)
            made = _made_of_stars(coloured, ready.star_field is not None)
        progress("writing", 0.5)
        return _write(place, ready.frame, made, settings, folder, began_s)


def read_asked(settings: Settings, *, cells: bool = False) -> Frame:
    """The frame that settings name, from one file or three.

    Parameters
    ----------
    settings : Settings
    cells : bool
        Take a raw frame of a colour camera, too; see `frame.read_frame`.

    Returns
    -------
    Frame

    Raises
    ------
    FrameError
        As `frame.read_frame`.
    """
    if settings.red:
        return read_channels(
            settings.red,
            settings.green,
            settings.blue,
            wcs=settings.wcs,
            full_scale=settings.full_scale,
        )
    wcs, full_scale = settings.wcs, settings.full_scale
    return read_frame(settings.frame, wcs=wcs, full_scale=full_scale, cells=cells)


def read_others(settings: Settings) -> dict[str, Frame | None]:
    """The frames besides it that a cure may use, by keyword of `run` and `recolour_stars`.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    dict of str to (Frame or None)
    """
    starless, star_frame = settings.starless, settings.star_frame
    return {
        "starless": read_frame(starless, full_scale=settings.full_scale) if starless else None,
        "star_frame": read_frame(star_frame) if star_frame else None,
    }


def takes_gains(found: CheckResult, choices: Choices) -> bool:
    """Whether the whole frame is multiplied: where that was asked for, or is the best of a frame's
    own stars.

    Parameters
    ----------
    found : CheckResult
    choices : Choices

    Returns
    -------
    bool
    """
    return choices.route == "gains" or (choices.route == "best" and found.route == "gains")


@dataclass(frozen=True, eq=False, kw_only=True)
class _Made:
    """What a route made: picture, header lines, the layers where stars were split, and the check
    with its last word. Of layers the picture may be made when they are written."""

    picture: np.ndarray | None
    history: tuple[str, ...]
    layers: dict[str, Starless | np.ndarray]
    check: CheckResult
    changed: np.ndarray | None = None  # pixels of a stretched picture
    shapes: ProfileMap | None = None  # of the stars that were split off
    before: Audit | None = None  # of the frame, where the route needed it
    other_stars: bool = False  # the picture has those of a separate star frame
    starry: np.ndarray | None = None  # where a picture to be made of the layers is their sum
    own_layers: bool = False  # nobody else has the layers: the picture may take their memory
    objects: tuple[str, ...] = ()  # what no file holds that the settings name


def _route_of_linear(
    frame: Frame, found: CheckResult, choices: Choices, progress, starless, star_frame
) -> _Made:
    if star_frame is None and takes_gains(found, choices):
        return _by_gains(frame, found, choices)
    return _by_star(frame, found, choices, progress, starless, star_frame)


def as_displayed(
    frame: Frame, found: CheckResult, choices: Choices, before: Audit | None = None
) -> _Made:
    """What is made of a stretched picture: nothing where its stars are possible and nobody asked
    for more.

    Parameters
    ----------
    frame : Frame
        Of display values.
    found : CheckResult
        Of the frame.
    choices : Choices
    before : Audit, optional
        Of the frame and the stars of its check, if there is one already.

    Returns
    -------
    _Made

    Raises
    ------
    NotLinearError
        A route was asked for that needs linear light.
    HarmError
        No fewer stars would be impossible than are now.
    """
    if before is None:
        before = audited(frame.pixels, found, stretched=True, name="before")
    if len(before.stars) != len(found.stars):
        raise ValueError("the audit is not of the stars of the check: audit them with table=")
    as_usual = (choices.route, choices.warmth, choices.saturation) == ("best", 1.0, 1.0)
    if as_usual and all_possible(before):
        return _unchanged(frame, found, before)
    made = recolour_picture(relocated(frame, found), found, choices, before.impossible)
    told = _with_notes_on_display(made.check, choices)
    return _Made(
        picture=made.picture,
        history=made.history,
        layers={"starless.fits": made.starless},
        check=told,
        changed=made.changed,
        before=before,
    )


def _with_notes_on_display(checked: CheckResult, choices: Choices) -> CheckResult:
    """The check, with what was asked for and stars as displayed cannot be given."""
    notes = [note for name, note in NOT_AS_DISPLAYED.items() if getattr(choices, name) != 1.0]
    return replace(checked, notes=(*checked.notes, *notes))


def all_possible(audit: Audit) -> bool:
    """Whether hardly a star of a picture has an impossible colour, or an impossible rim."""
    return (
        audit.n_judged >= ENOUGH_JUDGED
        and audit.n_impossible <= FEW_IMPOSSIBLE * audit.n_judged
    )


def _unchanged(frame: Frame, found: CheckResult, before: Audit) -> _Made:
    """The frame as it is, and why."""
    reason = (
        f"{before.n_judged - before.n_impossible} of {before.n_judged} measured stars have "
        "possible colours already: the picture is unchanged (--route palette recolours it all the "
        "same)"
    )
    no_use = "`starcal run`", FOR_CATALOGUE
    steps = tuple(
        step for step in found.verdict.next_steps if not any(word in step for word in no_use)
    )
    told = replace(found, route_reason=reason, verdict=replace(found.verdict, next_steps=steps))
    untouched = np.zeros(frame.pixels.shape[1:], bool)
    picture = frame.refill(frame.pixels.copy())
    return _Made(
        picture=picture,
        history=(f"starcal: {reason}",),
        layers={},
        check=told,
        changed=untouched,
        before=before,
    )


def _known_pixels(picture: np.ndarray, frame: Frame) -> np.ndarray:
    """A picture without the numbers that stand for no data in it."""
    if np.isfinite(frame.pixels.sum()):
        return picture
    return np.where(np.isfinite(frame.pixels), picture, np.float32(np.nan))


def audited(
    pixels: np.ndarray,
    found: CheckResult,
    *,
    stretched: bool,
    name: str = "picture",
    anew: bool = False,
) -> Audit:
    """Audit of a frame that was checked, or of what was made of it.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        On the frame's grid.
    found : CheckResult
    stretched : bool
        Whether they are display values.
    name : str
        For the result.
    anew : bool
        Of stars that are found anew, instead of those that the check has found; in linear light
        even of those only the ones that the frame's own pixels showed.

    Returns
    -------
    Audit
    """
    table = None
    if not anew:
        table = found.stars if stretched else found_stars_in(pixels, found.stars)
    return audit_picture(
        pixels, name=name, neutral_bv=found.neutral_bv, stretched=stretched, table=table
    )


def _audits(frame: Frame, made: _Made, settings: Settings) -> tuple[Audit, Audit]:
    """Before and after, of the same stars; those of a separate star frame, which may show others,
    are found anew."""
    stretched = made.check.linearity.stretched and not settings.assume_linear
    was = partial(audited, frame.pixels, made.check, stretched=stretched, name="before")
    now = partial(
        audited,
        _known_pixels(made.picture, frame),
        made.check,
        stretched=stretched,
        name="after",
        anew=made.other_stars and not stretched,
    )
    if made.before is not None:
        return made.before, now()
    before, after = at_once(was, now)
    return before, after


def _by_gains(frame: Frame, checked: CheckResult, choices: Choices) -> _Made:
    require_usable(checked)
    checked = _with_notes_on_gains(_on_route_gains(checked), choices)
    calibrated = apply_calibration(frame, checked, choices.sky)
    steps = tuple(step for step in checked.verdict.next_steps if step != USE_CALIBRATED)
    checked = replace(checked, verdict=replace(checked.verdict, next_steps=steps))
    return _Made(
        picture=calibrated.pixels,
        history=calibrated.history,
        layers={},
        check=checked,
    )


def _on_route_gains(checked: CheckResult) -> CheckResult:
    """The check, its route the one that was asked for against its advice."""
    if checked.route == "gains":
        return checked
    reason = f"asked for by --route gains; {checked.verdict.reasons[0]}"
    return replace(checked, route="gains", route_reason=reason)


def _with_notes_on_gains(checked: CheckResult, choices: Choices) -> CheckResult:
    """The check, with what was asked for and gains cannot do."""
    looks = (choices.warmth, choices.saturation, choices.star_strength)
    if looks == (1.0, 1.0, 1.0) and not told_wishes(choices):
        return checked
    note = (
        "warmth, saturation, size, brightness, number and strength are for stars coloured one by "
        "one: gains leave them as they come"
    )
    return replace(checked, notes=(*checked.notes, note))


def _by_star(
    frame: Frame,
    checked: CheckResult,
    choices: Choices,
    progress: Progress,
    starless: Frame | None,
    star_frame: Frame | None,
) -> _Made:
    made = recolour_checked(frame, checked, choices, starless, star_frame, progress)
    return replace(_made_of_stars(made, star_frame is not None), own_layers=True)


def _made_of_stars(made: Recoloured, other_stars: bool) -> _Made:
    layers = {"starless.fits": made.nebula, "stars.fits": made.stars}
    return _Made(
        picture=None,
        history=made.history,
        layers=layers,
        check=_with_last_step(made.check),
        shapes=made.shapes,
        other_stars=other_stars,
        starry=made.starry,
    )


def _with_last_step(checked: CheckResult) -> CheckResult:
    """The check, which says first how the layers are used."""
    steps = PUT_BACK, *checked.verdict.next_steps
    return replace(checked, verdict=replace(checked.verdict, next_steps=steps))


def _name_of(frame: Frame | str | Path | None) -> str | None:
    if isinstance(frame, Frame):
        return frame.name
    return str(frame) if isinstance(frame, str | Path) and str(frame) else None


def folder_of(frame: Frame | str | Path) -> Path:
    """Where the files of a run go by default: ``FRAME-starcal`` beside the frame's file, FRAME
    without its ending; of a `Frame`, of which the name alone is known, in the current folder.

    Parameters
    ----------
    frame : Frame, str or Path

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        It has no name.
    """
    name = _name_of(frame)
    if name is None:
        raise OutputError("an array has no name: give the folder for its files, out=FOLDER")
    path = Path(name)
    stem = re.sub(
        r"\.(fits?|fts|tiff?|png|jpe?g)(\.(gz|fz))?$", "", path.name, flags=re.IGNORECASE
    )
    return path.with_name(f"{stem}-starcal")


def outputs_of(folder: str | Path) -> list[str]:
    """Every file that a run may write, or remove as left over from an earlier one.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    list of str
    """
    return [str(Path(folder) / name) for name in OUTPUTS]


def _require_free_folder(folder: Path, inputs: Iterable[str | Path], overwrite: bool) -> None:
    """Refuse before the work what would fail after it, and never write over what is read."""
    outputs = outputs_of(folder)
    require_not_inputs(outputs, inputs)
    there = [Path(path).name for path in outputs if os.path.exists(path)]
    if there and not overwrite:
        raise OutputError(
            f"{folder} already holds {', '.join(there)}: add --overwrite, or choose a folder with "
            f"--out"
        )
    check_folder(folder)


def _write(place: Path, frame, made, settings, folder: Path, began_s: float) -> RunResult:
    """All files of a run into a place, from which they go to their folder together."""
    names = tuple(_names(made, settings))
    release_memory()
    _write_layers(place, frame, made)
    made = _with_profile_said(_with_picture(frame, made, settings), settings)
    _write_picture(place, frame, made, settings)
    _write_pictures(place, frame, made, settings)
    audits = _audits(frame, made, settings)
    _require_no_harm(made.check.frame, *audits)
    checked = _warned(made.check, audits[0], settings.route)
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
    made: _Made,
    shown: tuple[Shown, Shown],
    told: list[tuple[str, str]],
) -> None:
    """Star table, record and report; what is told of the frame and the run stands in the report
    alone."""
    from .report.page import write_report  # matplotlib takes half a second to import

    audits, shapes = (done.audit_before, done.audit_after), made.shapes
    facts = done.check.to_dict() | {
        "outcome": str(done.outcome),
        "audit": {audit.name: audit.to_dict() for audit in audits},
        "settings": _lasting(settings, done.folder).to_dict(done.folder),
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


def _lasting(settings: Settings, folder: Path) -> Settings:
    """Settings whose frame is called by a name that holds when this program has ended."""
    if not settings.frame:
        return settings
    return replace(settings, frame=lasting_path(settings.frame, folder))


def _told_of_run(
    frame: Frame, made: _Made, settings: Settings, folder: Path, began_s: float
) -> list[tuple[str, str]]:
    """What the frame is, how long the run took, and the command that does it again."""
    seconds = time.monotonic() - began_s
    if made.objects:
        again = f"{told_objects(made.objects)}; settings in result.json"
    else:
        again = f"`{command_of_run(_lasting(settings, folder), str(folder))}`"
    rows = [*frame_rows(frame), ("made in", f"{seconds:.0f} s")]
    return [*rows, ("to do it again", again)]


def _write_layers(place: Path, frame: Frame, made: _Made) -> None:
    """The layers of the picture, with the header of the frame."""
    for name, pixels in made.layers.items():
        header = _layer_header(frame, made) if name == "stars.fits" else frame.header
        write_fits(place / name, pixels, header, history=made.history)


def _with_picture(frame: Frame, made: _Made, settings: Settings) -> _Made:
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


def _write_picture(place: Path, frame: Frame, made: _Made, settings: Settings) -> None:
    """The picture with the header of the frame; a stretched one that came as FITS in its own
    numbers."""
    path, source = place / "picture.fits", _displayed_source(made, settings)
    if source and kind_of(source) is None:
        given = source, made.picture, made.changed, frame.full_scale, frame.header
        write_fits_in_kind(path, *given, history=made.history)
    else:
        write_fits(path, made.picture, frame.header, history=made.history)


def _require_no_harm(name: str, before: Audit, after: Audit) -> None:
    """Refuse a picture with more impossible stars than the frame had, of all that were judged or of
    those that were judged both times; a star in a hundred may be judged otherwise by chance.

    Raises
    ------
    HarmError
    """
    was_row, is_row = same_stars(before, after)
    same = before.impossible[was_row], after.impossible[is_row]
    for impossible, kind in (
        (same, "stars measured both times"),
        (_all_judged(before, after), ""),
    ):
        was, now = impossible
        if now.sum() > max(was.sum(), FEW_IMPOSSIBLE * len(now)):
            raise HarmError(
                f"{name}: {was.sum()} of {len(was)} {kind or 'measured stars'} have impossible "
                f"colours now, {now.sum()} of {len(now)} would have them afterwards: "
                "nothing was written. Keep the frame as it is, or choose another --route."
            )


def _all_judged(*audits: Audit) -> tuple[np.ndarray, ...]:
    """Which of the judged stars of each audit are impossible."""
    return tuple(one.impossible[one.stars["kind"] != "unknown"] for one in audits)


def _names(made: _Made, settings: Settings) -> list[str]:
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


def _picture_ending(made: _Made, settings: Settings) -> str | None:
    """Ending of a stretched picture in the format of its file; None for FITS and linear frames."""
    source = _displayed_source(made, settings)
    return kind_of(source) if source else None


def _displayed_source(made: _Made, settings: Settings) -> Path | None:
    """The one file of a stretched picture; None for linear frames, and where there is none."""
    if made.changed is None or "frame" in made.objects or not settings.frame:
        return None
    path = Path(settings.frame)
    return path if path.is_file() else None


def _with_profile_said(made: _Made, settings: Settings) -> _Made:
    """The same, with what the colour profile of a stretched picture says of its colours."""
    source = _displayed_source(made, settings)
    note = other_than_srgb(icc_profile_of(source))[1] if source else ""
    if not note:
        return made
    return replace(made, check=replace(made.check, notes=(*made.check.notes, note)))


def _write_pictures(place: Path, frame: Frame, made: _Made, settings: Settings) -> None:
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


def _layer_header(frame: Frame, made: _Made) -> Header:
    """Of the star layer: it names the starless frame that it belongs to."""
    header = frame.header.copy()
    header.update(belonging_cards(made.layers["starless.fits"], "starless.fits"))
    return header


def _warned(found: CheckResult, before: Audit, route: str) -> CheckResult:
    """The check, with a warning where colours that were possible gave way to colours that nobody
    measured."""
    if not all_possible(before) or found.route != "palette" or route != "best":
        return found
    step = (
        f"compare with the frame as it was: {before.n_impossible} of its "
        f"{before.n_judged} measured stars had a colour that no star has, and the new colours are "
        "not measured; keep the old ones if they are better"
    )
    return replace(
        found, verdict=replace(found.verdict, next_steps=(step, *found.verdict.next_steps))
    )


def _write_views(place: Path, settings: Settings, before: Shown, after: Shown) -> None:
    """The picture for display, alone and beside the frame."""
    write_png(place / "after.png", after)
    if settings.tiff:
        write_tiff16(place / "after.tif", after[:])
    write_pair(place / "before-after.png", before, after)


def _before_and_after(frame: Frame, made: _Made, settings: Settings) -> tuple[Shown, Shown]:
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
