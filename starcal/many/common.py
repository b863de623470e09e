"""The gains that several frames have in common, from the check of each."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..checking.check import check
from ..checking.result import CheckResult
from ..choices import Choices, Settings, require_gains_serve
from ..errors import StarcalError, TooFewStars
from ..fit.common import CommonGains, common_gains
from ..progress import Logged, Progress, silent
from .working import work_through

Checks = dict[str, CheckResult | StarcalError]


def checked_each(
    paths: Sequence[Path],
    choices: Choices,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Progress = silent,
) -> Checks:
    """The check of each frame, or why there is none, in the order given; see `check_many`."""
    tasks = [(path, choices) for path in paths]
    return all_done(_check_one, paths, tasks, jobs=jobs, cluster=cluster, progress=progress)


def _check_one(path: Path, choices: Choices) -> CheckResult:
    return check(path, choices, full_scale=full_scale_of(choices))


def full_scale_of(choices: Choices) -> float | None:
    """Full scale of the files, where it was told: settings have it, choices have not."""
    return choices.full_scale if isinstance(choices, Settings) else None


def found_in_common(
    paths: Sequence[Path], choices: Choices, **sharing
) -> tuple[Checks, CommonGains]:
    """Check frames, each by itself, and take the mean of their gains.

    Parameters
    ----------
    paths : sequence of Path
    choices : Choices
        For all of them.
    **sharing
        ``jobs``, ``cluster`` and ``progress`` of `check_many`.

    Returns
    -------
    dict, CommonGains
        The checks by frame, or why there is none; and the gains.

    Raises
    ------
    ValueError
        The choices leave no part to gains.
    TooFewStars
        No frame has gains.
    """
    require_gains_serve(choices)
    found = checked_each(paths, replace(choices, gains=None), **sharing)
    return found, gains_in_common(found)


def gains_in_common(found: Mapping[str, CheckResult | StarcalError]) -> CommonGains:
    """The mean of the gains of frames that were checked, weighted by their errors.

    Parameters
    ----------
    found : mapping of str to (CheckResult or StarcalError)
        By frame, as `check_many` gives it.

    Returns
    -------
    CommonGains
        Of the frames whose verdict is rescue; where there is none, of those that are undecided and
        have a fit.

    Raises
    ------
    TooFewStars
        There are none of these, either.

    Examples
    --------
    >>> import starcal
    >>> found = starcal.check_many(["broadband.fits", "narrowband.fits"])
    >>> print(starcal.gains_in_common(found))
    gains in common: R ...,  G 1,  B ...
      broadband.fits: its own differ by R ...
      they differ as their errors let expect
    """
    fitted = {
        name: each
        for name, each in found.items()
        if isinstance(each, CheckResult) and each.fit is not None
    }
    of_verdict = {
        word: [name for name, each in fitted.items() if each.verdict.verdict == word]
        for word in ("rescue", "undecided")
    }
    names = of_verdict["rescue"] or of_verdict["undecided"]
    if not names:
        raise TooFewStars(
            "none of these frames has gains, so that they have none in common: see what `starcal "
            "check` says of each",
            found=0,
            needed=1,
        )
    checks = [fitted[name] for name in names]
    return common_gains(names, [each.fit for each in checks], list(map(_places_used, checks)))


def _places_used(found: CheckResult) -> np.ndarray:
    """Where the stars are that a fit used, degrees, (2, m)."""
    rows = found.fitted[found.fit.used]
    return np.array([found.stars["ra_deg"][rows], found.stars["dec_deg"][rows]], float)


def all_done(work, paths, tasks, *, jobs, cluster, progress) -> dict:
    """Results or errors by frame, in the order of the frames."""
    ended = {}
    told = Logged(progress)
    for number, done in work_through(work, tasks, jobs=jobs, cluster=cluster):
        ended[number] = done.result if done.error is None else done.error
        told(f"{paths[number].name}: done", len(ended) / len(tasks))
    return {str(path): ended[number] for number, path in enumerate(paths)}
