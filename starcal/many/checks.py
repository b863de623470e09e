"""Many frames checked, or calibrated, each by itself."""

from collections.abc import Sequence
from pathlib import Path
from typing import Unpack

from ..checking.check import check
from ..checking.result import CheckResult
from ..choices import Choices, OfCalibrate, OfCheck, chosen
from ..cure.gains import calibrate
from ..errors import StarcalError
from ..pipeline import folder_of
from ..progress import Logged, Progress, silent
from .runs import frames_named
from .working import work_through


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
    tasks = [(path, choices) for path in paths]
    return _all_done(check, paths, tasks, jobs=jobs, cluster=cluster, progress=progress)


def calibrate_many(
    frames: Sequence[str | Path],
    out: str | Path,
    choices: Choices | None = None,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    overwrite: bool = False,
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
    ClusterError
        The cluster cannot be asked.

    Examples
    --------
    >>> import starcal
    >>> made = starcal.calibrate_many(["broadband.fits"], ".", overwrite=True)
    >>> [str(path) for path in made.values()]
    ['broadband-calibrated.fits']
    """
    choices = chosen(choices, asked, OfCalibrate)
    paths = frames_named(frames)
    tasks = [(path, _calibrated_path(out, path), choices, overwrite) for path in paths]
    return _all_done(
        _calibrate_one, paths, tasks, jobs=jobs, cluster=cluster, progress=progress
    )


def _calibrated_path(out: str | Path, frame: Path) -> Path:
    stem = folder_of(frame).name.removesuffix("-starcal")
    return Path(out) / f"{stem}-calibrated.fits"


def _calibrate_one(frame: Path, path: Path, choices: Choices, overwrite: bool) -> Path:
    calibrate(frame, choices).write(path, overwrite=overwrite)
    return path


def _all_done(work, paths, tasks, *, jobs, cluster, progress) -> dict:
    """Results or errors by frame, in the order of the frames."""
    ended = {}
    told = Logged(progress)
    for number, done in work_through(work, tasks, jobs=jobs, cluster=cluster):
        ended[number] = done.result if done.error is None else done.error
        told(f"{paths[number].name}: done", len(ended) / len(tasks))
    return {str(path): ended[number] for number, path in enumerate(paths)}
