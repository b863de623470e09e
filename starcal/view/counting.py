"""How many stars have impossible colours, in the frame and in the picture that choices make of it:
the sentences that a run would say, counted beside the page while it goes on."""

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from ..audit import Audit
from ..choices import Settings
from ..pipeline import audited
from ..report.outcome import Outcome, outcome_of
from .displayed import AsDisplayed
from .job import Cure, Job
from .visible import VISIBLE_ROWS, Window

_ONE_AT_A_TIME = Lock()  # pages of several windows share the job and the memory


def counted_outcome(
    job: Job, cure: Cure, settings: Settings, wanted: Callable[[], bool]
) -> Outcome | None:
    """What a run with these choices would say came of it.

    Parameters
    ----------
    job : Job or another of its kind
    cure : Cure
        What the settings make of it.
    settings : Settings
    wanted : callable
        Whether anybody still waits for the answer; asked now and then.

    Returns
    -------
    Outcome or None
        None where nobody does.
    """
    if isinstance(cure, AsDisplayed):
        return outcome_of(cure.check, *cure.audits)
    with _ONE_AT_A_TIME:
        before = _audit_before(job)
        picture = _whole_picture(job, cure, settings.star_size, wanted)
        if picture is None:
            return None
        after = audited(picture, job.check, stretched=False, anew=job.other_stars)
    return outcome_of(_as_of_run(cure), before, after)


def _as_of_run(cure: Cure):
    """The check with the route that the choices take."""
    stars = cure.check.stars.copy()
    if cure.route != "gains":
        stars["colour_source"] = cure.source
    return replace(cure.check, stars=stars, route=cure.route, route_reason=cure.reason)


@lru_cache(maxsize=1)
def _audit_before(job: Job) -> Audit:
    return audited(job.frame.pixels, job.check, stretched=False)


def _whole_picture(
    job: Job, cure: Cure, star_size: float, wanted: Callable[[], bool]
) -> NDArray[np.float32] | None:
    """All of the picture, strip by strip; without numbers where the frame has none."""
    height, width = job.shape
    picture = np.empty((3, height, width), np.float32)
    for top in range(0, height, VISIBLE_ROWS):
        if not wanted():
            return None
        rows = slice(top, min(top + VISIBLE_ROWS, height))
        part = job.look(Window(rows, slice(0, width), 1), star_size)
        picture[:, rows] = cure.after(part)
    return np.where(np.isfinite(job.frame.pixels), picture, np.float32(np.nan))
