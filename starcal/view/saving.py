"""The files of a run, from what the page has in memory as far as that goes."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from ..choices import OfCheck, OfRun, Settings
from ..pipeline import RunResult, run_prepared
from .job import FITTED_ANEW, AnyJob, Job

# What a split does not go by
AFTER_THE_SPLIT = OfRun.__annotations__.keys() - OfCheck.__annotations__.keys()


def save_of_job(
    job: AnyJob,
    run_anew: Callable[..., RunResult],
    settings: Settings,
    folder: Path,
    *,
    overwrite: bool,
) -> RunResult:
    """Write the files of a run for a page's choices.

    Parameters
    ----------
    job : Job or another of its kind
        What the page shows.
    run_anew : callable
        As `pipeline.run_settings`: does all of it, where the job is a stretched picture or has a
        separate star frame, or choices were changed that stars are found and split by.
    settings : Settings
        That hold.
    folder : Path
    overwrite : bool

    Returns
    -------
    RunResult
    """
    if isinstance(job, Job) and _alike_until_split(job.settings, settings):
        found = job.refit(settings)
        own = replace(found, stars=found.stars.copy())  # the run writes into it
        ready = replace(job.ready, check=own)
        return run_prepared(ready, settings, folder, overwrite=overwrite)
    return run_anew(settings, folder, overwrite=overwrite)


def _alike_until_split(one: Settings, other: Settings) -> bool:
    """Whether they differ in nothing that stars are found and split by."""
    names = vars(one).keys() - AFTER_THE_SPLIT - set(FITTED_ANEW)
    return all(getattr(one, name) == getattr(other, name) for name in names)
