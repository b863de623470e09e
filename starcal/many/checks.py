"""Many frames checked, or calibrated, each by itself."""

from collections.abc import Sequence
from pathlib import Path
from typing import Unpack

from ..checking.check import with_given_gains
from ..checking.result import CheckResult
from ..choices import Choices, GivenGains, OfCalibrate, OfCheck, chosen
from ..cure.gains import calibrate, calibrate_checked
from ..errors import StarcalError
from ..fit.common import CommonGains
from ..frame import read_frame, require_not_inputs
from ..pipeline import folder_of
from ..progress import Progress, silent
from .common import Checks, all_done, checked_each, found_in_common, full_scale_of
from .names import frames_named, require_one_each


def check_many(
    frames: Sequence[str | Path],
    choices: Choices | None = None,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Progress = silent,
    **asked: Unpack[OfCheck],
) -> dict[str, CheckResult | StarcalError]:
    """Check many frames; one that fails does not stop the others.

    Parameters
    ----------
    frames : sequence of (str or Path)
        Files, folders, patterns.
    choices : Choices, optional
        For all of them.
    jobs : int
        Frames at a time, each in a process of its own.
    cluster : str, optional
        Address of a Dask scheduler whose workers are to do it.
    progress : callable
        Is given the frame that was finished and the share done.
    **asked
        Single choices by name; see `Choices`.

    Returns
    -------
    dict of str to (CheckResult or StarcalError)
        By frame: its check, or why there is none.

    Raises
    ------
    FrameError
        A folder or pattern stands for nothing.
    ClusterError
        The cluster cannot be asked.

    Examples
    --------
    >>> import starcal
    >>> found = starcal.check_many(["broadband.fits", "narrowband.fits"])
    >>> [check.route for check in found.values()]
    ['gains', 'continuum']
    """
    choices = chosen(choices, asked, OfCheck)
    paths = frames_named(frames)
    return checked_each(paths, choices, jobs=jobs, cluster=cluster, progress=progress)


def calibrate_many(
    frames: Sequence[str | Path],
    out: str | Path,
    choices: Choices | None = None,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    overwrite: bool = False,
    common_gains: bool = False,
    progress: Progress = silent,
    **asked: Unpack[OfCalibrate],
) -> dict[str, Path | StarcalError]:
    """Calibrate many frames; one that fails does not stop the others.

    Parameters
    ----------
    frames : sequence of (str or Path)
        Files, folders, patterns.
    out : str or Path
        Folder, which must be there, for ``FRAME-calibrated.fits`` of each.
    choices : Choices, optional
        For all of them.
    jobs : int
        Frames at a time, each in a process of its own.
    cluster : str, optional
        Address of a Dask scheduler whose workers are to do it.
    overwrite : bool
        Replace files that are there.
    common_gains : bool
        Check all of them first, and use the gains that they have in common: for the panels of a
        mosaic, or nights of one object. See also `gains_in_common`.
    progress : callable
        Is given the frame that was finished and the share done.
    **asked
        Single choices by name; see `Choices`.

    Returns
    -------
    dict of str to (Path or StarcalError)
        By frame: the file that was written, or why none was.

    Raises
    ------
    FrameError
        A folder or pattern stands for nothing.
    OutputError
        Two frames would be written to one file, or one over a frame.
    ClusterError
        The cluster cannot be asked.
    TooFewStars
        No frame has gains, so that none are common.
    ValueError
        Common gains with the model ``matrix``.

    Examples
    --------
    >>> import starcal
    >>> made = starcal.calibrate_many(["broadband.fits"], ".", overwrite=True)
    >>> [str(path) for path in made.values()]
    ['broadband-calibrated.fits']
    """
    choices = chosen(choices, asked, OfCalibrate)
    paths = frames_named(frames)
    sharing = {"jobs": jobs, "cluster": cluster, "progress": progress}
    if common_gains:
        _calibrated_paths(out, paths)  # refused before the work
        found, common = found_in_common(paths, choices, **sharing)
        return write_calibrated(found, common, out, choices, overwrite=overwrite, **sharing)
    targets = _calibrated_paths(out, paths)
    tasks = [
        (path, target, choices, overwrite) for path, target in zip(paths, targets, strict=True)
    ]
    return all_done(_calibrate_one, paths, tasks, **sharing)


def write_calibrated(
    found: Checks,
    common: CommonGains,
    out: str | Path,
    choices: Choices,
    *,
    overwrite: bool = False,
    **sharing,
) -> dict[str, Path | StarcalError]:
    """Calibrate frames that were checked with the gains that they have in common.

    Parameters
    ----------
    found : dict of str to (CheckResult or StarcalError)
        By the frame's file, as `check_many` gives it.
    common : CommonGains
    out : str or Path
        Folder, which must be there, for ``FRAME-calibrated.fits`` of each.
    choices : Choices
        Those of the checks.
    overwrite : bool
        Replace files that are there.
    **sharing
        ``jobs``, ``cluster`` and ``progress`` of `calibrate_many`.

    Returns
    -------
    dict of str to (Path or StarcalError)
        By frame: the file that was written, or why none was.
    """
    paths = list(map(Path, found))
    tasks = [
        (path, each, common.given, target, choices, overwrite)
        for path, each, target in zip(
            paths, found.values(), _calibrated_paths(out, paths), strict=True
        )
    ]
    return all_done(_calibrate_one_of, paths, tasks, **sharing)


def _calibrated_paths(out: str | Path, frames: Sequence[Path]) -> list[Path]:
    """Where each frame's file goes: none over a frame or another one's."""
    stems = [folder_of(frame).name.removesuffix("-starcal") for frame in frames]
    targets = [Path(out) / f"{stem}-calibrated.fits" for stem in stems]
    require_one_each(frames, targets)
    require_not_inputs(targets, frames)
    return targets


def _calibrate_one_of(
    frame: Path,
    found: CheckResult | StarcalError,
    given: GivenGains,
    path: Path,
    choices: Choices,
    overwrite: bool,
) -> Path:
    if isinstance(found, StarcalError):
        raise found
    found = with_given_gains(found, given)
    pixels = read_frame(frame, full_scale=full_scale_of(choices))
    calibrated = calibrate_checked(pixels, found, choices.sky, in_place=True)
    calibrated.write(path, overwrite=overwrite)
    return path


def _calibrate_one(frame: Path, path: Path, choices: Choices, overwrite: bool) -> Path:
    made = calibrate(frame, choices, full_scale=full_scale_of(choices), in_place=True)
    made.write(path, overwrite=overwrite)
    return path
