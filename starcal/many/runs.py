"""The whole job for many frames, each into its own folder."""

import json
import math
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Unpack

from astropy.table import Table

from ..choices import Choices, OfRun, Settings, chosen
from ..errors import FrameError
from ..fit.common import CommonGains
from ..inputs import read_json
from ..pipeline import folder_of, run_settings
from ..progress import Logged, Progress, silent
from ..texts import counted
from .common import found_in_common
from .names import frames_named, require_one_each
from .working import work_through

DONE, DONE_BEFORE, FAILED = "done", "done before", "failed"
NO_NUMBER = math.nan
ONLY_OF_THE_NETWORK = ("online", "timeout")  # settings that change no result
# Columns of a frame, by the keys of its result.json
GAIN_COLUMNS = {
    "gain_{}": "gains",
    "gain_{}_error": "gain_errors",
    "own_gain_{}": "own_gains",
}


@dataclass(frozen=True, kw_only=True)
class FrameFate:
    """What became of one frame of many.

    Attributes
    ----------
    frame : str
    folder : str
        Where its files are.
    state : str
        ``done``, ``done before`` or ``failed``.
    outcome : str
        What came of it, or why it failed.
    verdict, route : str
    gain_r, gain_r_error, gain_b, gain_b_error : float
        Relative to green; NaN where none was fitted.
    own_gain_r, own_gain_b : float
        Those of the frame itself, where the gains above are common to several; else NaN.
    seconds : float
        That it took.
    """

    frame: str
    folder: str
    state: str
    outcome: str
    verdict: str = ""
    route: str = ""
    gain_r: float = NO_NUMBER
    gain_r_error: float = NO_NUMBER
    gain_b: float = NO_NUMBER
    gain_b_error: float = NO_NUMBER
    own_gain_r: float = NO_NUMBER
    own_gain_b: float = NO_NUMBER
    seconds: float = 0.0


@dataclass(frozen=True)
class ManyRuns:
    """What became of many frames.

    Attributes
    ----------
    fates : tuple of FrameFate
        In the order in which the frames were given.
    common : CommonGains or None
        The gains that they have in common, where that was asked for.

    Examples
    --------
    >>> import starcal
    >>> made = starcal.run_many(["broadband.fits"], "night", overwrite=True)
    >>> print(made)
    1 frame: 1 done
    >>> made.table["frame", "route"].as_array().tolist()
    [('broadband.fits', 'gains')]
    """

    fates: tuple[FrameFate, ...]
    common: CommonGains | None = None

    @property
    def table(self) -> Table:
        """A row a frame."""
        names = [each.name for each in fields(FrameFate)]
        return Table([asdict(fate) for fate in self.fates], names=names)

    @property
    def n_failed(self) -> int:
        """Frames that could not be done."""
        return sum(fate.state == FAILED for fate in self.fates)

    def __str__(self) -> str:
        """One line: how many, and what became of them."""
        tally = Counter(fate.state for fate in self.fates)
        told = ", ".join(f"{count} {state}" for state, count in tally.items())
        return f"{counted(len(self.fates), 'frame')}: {told}"

    def _repr_html_(self) -> str:
        """For notebooks."""
        return self.table._repr_html_()


def run_many(
    frames: Sequence[str | Path],
    out: str | Path | None = None,
    choices: Choices | None = None,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    overwrite: bool = False,
    common_gains: bool = False,
    progress: Progress = silent,
    **asked: Unpack[OfRun],
) -> ManyRuns:
    """Do the whole job for many frames; one that fails does not stop the others.

    Parameters
    ----------
    frames : sequence of (str or Path)
        Files, folders, patterns.
    out : str or Path, optional
        Folder for the folders of all; by default each lies beside its frame.
    choices : Choices, optional
        For all of them.
    jobs : int
        Frames at a time, each in a process of its own.
    cluster : str, optional
        Address of a Dask scheduler whose workers are to do it; they must see the same files.
    overwrite : bool
        Do those again that are done already; by default they are left as they are, so that the
        same call goes on where an interrupted one ended. One that was done by other choices counts
        as failed.
    common_gains : bool
        Check all of them first, and calibrate with the gains that they have in common: for the
        panels of a mosaic, or nights of one object. Frames that gains cannot rescue go their own
        way.
    progress : callable
        Is given the frame that was finished and the share done.
    **asked
        Single choices by name; see `Choices`.

    Returns
    -------
    ManyRuns

    Raises
    ------
    FrameError
        A folder or pattern stands for nothing.
    OutputError
        Two frames would go into one folder.
    ClusterError
        The cluster cannot be asked.
    TooFewStars
        No frame has gains, so that none are common.
    ValueError
        Common gains with a model or a route that they have no part in.

    Examples
    --------
    >>> import starcal
    >>> made = starcal.run_many(["broadband.fits", "no-such.fits"], "night", overwrite=True)
    >>> [fate.state for fate in made.fates]
    ['done', 'failed']
    """
    choices = chosen(choices, asked, OfRun)
    paths = frames_named(frames)
    folders = _folders_of(paths, out)
    sharing = {"jobs": jobs, "cluster": cluster, "progress": progress}
    common = None
    if common_gains:
        common = found_in_common(paths, choices, **sharing)[1]
        choices = replace(choices, gains=common.given)
    open_ones = [n for n, folder in enumerate(folders) if overwrite or not _is_done(folder)]
    tasks = [(_settings_for(choices, paths[n]), folders[n], overwrite) for n in open_ones]
    ended: dict[int, FrameFate] = {}
    told = Logged(progress)
    for number, done in work_through(_run_one, tasks, jobs=jobs, cluster=cluster):
        n = open_ones[number]
        ended[n] = _fate(paths[n], folders[n], done)
        told(f"{paths[n].name}: {ended[n].state}", len(ended) / len(tasks))
    fates = (
        ended.get(n) or _done_before(path, folders[n], choices) for n, path in enumerate(paths)
    )
    return ManyRuns(tuple(fates), common)


def _done_before(path: Path, folder: Path, choices: Choices) -> FrameFate:
    """What a folder says; a frame that was done as something else was asked is not done."""
    fate = _told_by_folder(path, folder, DONE_BEFORE)
    others = [] if fate.state == FAILED else _asked_otherwise(path, folder, choices)
    if not others:
        return fate
    fault = f"done before with another {' and '.join(others)}: add --overwrite"
    return FrameFate(frame=str(path), folder=str(folder), state=FAILED, outcome=fault)


def _asked_otherwise(path: Path, folder: Path, choices: Choices) -> list[str]:
    """Names of the settings that a run had other values of."""
    known = read_json(folder / "result.json")
    before = known.get("settings") or {}
    now = json.loads(json.dumps(_settings_for(choices, path).to_dict(folder)))
    return [
        name
        for name, value in now.items()
        if name not in ONLY_OF_THE_NETWORK and before.get(name, value) != value
    ]


def _settings_for(choices: Choices, path: Path) -> Settings:
    return Settings(**vars(choices) | {"frame": str(path)})


def _folders_of(paths: Sequence[Path], out: str | Path | None) -> list[Path]:
    """Where each frame's files go."""
    folders = [Path(out) / folder_of(each).name if out else folder_of(each) for each in paths]
    require_one_each(paths, folders)
    return folders


def _is_done(folder: Path) -> bool:
    """The files of a run take their names together."""
    return (folder / "result.json").is_file()


def _run_one(settings: Settings, folder: Path, overwrite: bool) -> float:
    """Seconds that the job took."""
    start = time.monotonic()
    if not Path(settings.first_file).exists():
        raise FrameError(f"{settings.first_file}: there is no such file where the work is done")
    run_settings(settings, folder, overwrite=overwrite)
    return time.monotonic() - start


def _fate(path: Path, folder: Path, done) -> FrameFate:
    if done.error is not None:
        told = " ".join(str(done.error).split())
        return FrameFate(
            frame=str(path),
            folder=str(folder),
            state=FAILED,
            outcome=told.removeprefix(f"{path}: "),
        )
    return _told_by_folder(path, folder, DONE, done.result)


def _told_by_folder(path: Path, folder: Path, state: str, seconds: float = 0.0) -> FrameFate:
    """What the result in a folder says."""
    try:
        known = read_json(folder / "result.json")
        return FrameFate(
            frame=str(path),
            folder=str(folder),
            state=state,
            outcome=str(known.get("outcome", "")),
            verdict=str(known["verdict"]),
            route=str(known["route"]),
            seconds=seconds,
            **dict(_fitted_gains(known)),
        )
    except (OSError, ValueError, LookupError, TypeError) as error:
        fault = f"its result cannot be read ({type(error).__name__}): add --overwrite"
        return FrameFate(frame=str(path), folder=str(folder), state=FAILED, outcome=fault)


def _fitted_gains(known: dict) -> Iterator[tuple[str, float]]:
    """Gains of red and blue with their errors, where they were fitted."""
    for name, key in GAIN_COLUMNS.items():
        values = known.get(key) or {}
        for channel in sorted(values.keys() & {"R", "B"}):
            if values[channel] is not None:
                yield name.format(channel.lower()), float(values[channel])
