"""The whole job, in order: check, choose the route, make the picture, write files and a report."""

import os
import re
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from . import tone
from .audit import Audit, audit_picture
from .calibration import apply_calibration
from .catalogue.choose import Source
from .checking import EMBEDDED, Progress, as_frame, check, relocated, silent
from .colour import SOLAR_BV_MAG
from .colouring import Taste, recolour_checked
from .errors import OutputError
from .frame import Frame, write_fits, write_tiff16
from .hints import Hints
from .linearity import require_linear
from .preview import write_preview
from .result import CheckResult
from .tables import write_json, write_stars
from .verdict import USE_CALIBRATED


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
    """

    check: CheckResult
    audit_before: Audit
    audit_after: Audit
    folder: Path
    files: tuple[str, ...]

    def __str__(self) -> str:
        """The check, the audits, and the files."""
        return (f"{self.check}\nbefore: {self.audit_before.summary()}\nafter:  {self.audit_after.summary()}\n"
                f"written to {self.folder}: {', '.join(self.files)}")


def run(frame: Frame | str | Path, out: str | Path | None = None, *, white_bv: float = SOLAR_BV_MAG,
        model: str = "gains", sky: str = "grey", taste: Taste | None = None, starless: Frame | None = None,
        star_frame: Frame | None = None, snr_min: float = 5.0, assume_linear: bool = False, tiff: bool = False,
        overwrite: bool = False, source: Source = EMBEDDED, hints: Hints | None = None,
        progress: Progress = silent) -> RunResult:
    """Do the whole job: check a frame, choose the route, make the picture, write files and a report.

    Parameters
    ----------
    frame : Frame, str or Path
        A linear colour frame.
    out : str or Path, optional
        Folder for the files; by default ``FRAME-starcal`` beside the frame.
    white_bv, model, sky, snr_min, assume_linear, source, hints, progress
        As for `calibration.calibrate`.
    taste, starless, star_frame
        As for `colouring.recolour_stars`; with a star frame its stars are taken, whatever the verdict.
    tiff : bool
        Write a 16-bit TIFF of the picture, too.
    overwrite : bool
        Replace files of an earlier run.

    Returns
    -------
    RunResult

    Raises
    ------
    FrameError
        The file is not a usable colour frame.
    NotLinearError
        The picture is stretched: its stars would come out worse than they are.
    OutputError
        A file is in the way or cannot be written.
    """
    if sky not in ("grey", "keep"):
        raise ValueError(f"sky {sky!r} given; it is 'grey' or 'keep'")
    folder = Path(out) if out is not None else folder_of(frame)
    _require_free(frame, folder, tiff, overwrite)
    frame, taste = as_frame(frame, progress), taste or Taste()
    settings = {"white_bv": white_bv, "model": model, "sky": sky, "snr_min": snr_min, "assume_linear": assume_linear,
                "catalogue": source.name, "taste": asdict(taste)}
    found = check(frame, white_bv=white_bv, model=model, snr_min=snr_min, assume_linear=assume_linear,
                  source=source, hints=hints, progress=progress)
    frame = relocated(frame, found)
    if not assume_linear:
        require_linear(found.frame, found.linearity)
    progress("making the picture", 0.7)
    if found.route == "gains" and star_frame is None:
        made = _by_gains(frame, found, sky)
    else:
        made = _by_star(frame, found, taste, starless, star_frame, source)
    progress("writing", 0.9)
    return _write(folder, frame, made, settings, tiff, overwrite)


@dataclass(frozen=True, eq=False)
class _Made:
    """What a route made: picture, header lines, the layers where stars were split, and the check with its last word."""

    picture: np.ndarray
    history: tuple[str, ...]
    layers: dict[str, np.ndarray]
    check: CheckResult


def _by_gains(frame: Frame, found: CheckResult, sky: str) -> _Made:
    calibrated = apply_calibration(frame, found, sky)
    steps = tuple(step for step in found.verdict.next_steps if step != USE_CALIBRATED)
    told = replace(found, verdict=replace(found.verdict, next_steps=steps))
    return _Made(calibrated.pixels, calibrated.history, {}, told)


def _by_star(frame: Frame, found: CheckResult, *cure) -> _Made:
    made = recolour_checked(frame, found, *cure)
    return _Made(made.picture, made.history, {"starless.fits": made.starless, "stars.fits": made.stars}, made.check)


def folder_of(frame: Frame | str | Path) -> Path:
    """Where the files of a run go by default: ``FRAME-starcal`` beside the frame, FRAME without its ending."""
    path = Path(frame.name if isinstance(frame, Frame) else frame)
    stem = re.sub(r"\.(fits?|fts|tiff?|png|jpe?g)(\.(gz|fz))?$", "", path.name, flags=re.IGNORECASE)
    return path.with_name(f"{stem}-starcal")


def outputs_of(folder: str | Path, tiff: bool) -> list[str]:
    """Every file that a run may write."""
    names = ["picture.fits", "starless.fits", "stars.fits", *["picture.tif"] * tiff, "stars.ecsv", "result.json",
             "preview.png", "report.html"]
    return [str(Path(folder) / name) for name in names]


def _require_free(frame, folder: Path, tiff: bool, overwrite: bool) -> None:
    """Refuse before the work what would fail after it, and never write over the frame itself."""
    outputs = outputs_of(folder, tiff)
    if not isinstance(frame, Frame) and os.path.realpath(frame) in {os.path.realpath(path) for path in outputs}:
        raise OutputError(f"{frame} lies where a result would go: choose another folder with --out")
    there = [Path(path).name for path in outputs if os.path.exists(path)]
    if there and not overwrite:
        raise OutputError(f"{folder} already holds {', '.join(there)}: add --overwrite, or choose a folder with --out")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"cannot make the folder {folder} ({error.strerror}): choose one with --out") from error


def _write(folder, frame, made, settings, tiff, overwrite) -> RunResult:
    names = ["picture.fits", *made.layers, *["picture.tif"] * tiff, "stars.ecsv", "result.json", "preview.png",
             "report.html"]
    for name, pixels in {"picture.fits": made.picture, **made.layers}.items():
        write_fits(folder / name, pixels, frame.header, history=made.history, overwrite=overwrite)
    if tiff:
        write_tiff16(folder / "picture.tif", made.picture, overwrite=overwrite)
    write_stars(folder / "stars.ecsv", made.check.stars, overwrite=overwrite)
    stretched = made.check.linearity.stretched and not settings["assume_linear"]
    audits = {name: audit_picture(pixels, name=name, white_bv_mag=made.check.white_bv, stretched=stretched)
              for name, pixels in (("before", frame.pixels), ("after", made.picture))}
    facts = made.check.to_dict() | {"audit": {name: audit.to_dict() for name, audit in audits.items()},
                                    "settings": settings, "files": names}
    write_json(folder / "result.json", facts, overwrite=overwrite)
    stretch = tone.choose_stretch(frame.pixels)
    before, after = stretch.apply(frame.pixels), stretch.on_sky_of(made.picture).apply(made.picture)
    write_preview(folder / "preview.png", before, after, overwrite=overwrite)
    from .report import write_report  # matplotlib takes half a second to import

    write_report(folder / "report.html", made.check, before=before, after=after, audits=tuple(audits.values()),
                 settings=settings, files=names, overwrite=overwrite)
    return RunResult(made.check, audits["before"], audits["after"], folder, tuple(names))
