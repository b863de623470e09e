"""The page on which all can be played with, for any kind of job."""

from collections.abc import Callable
from functools import partial
from typing import Any

from bokeh.document import Document

from ..pipeline import run_settings
from .history import History
from .job import AnyJob
from .join_page import JoinPage
from .joining import JoinJob
from .page import Page
from .saving import save_of_job


def whole_page(
    document: Document,
    job: AnyJob | JoinJob,
    history: History,
    *,
    run_anew: Callable[..., Any] | None,
    **kept,
) -> Page | JoinPage:
    """Fill a new session's document with what can be played with.

    Parameters
    ----------
    document : Document
    job : Job, DisplayJob, StarFrameJob or JoinJob
    history : History
        What has been chosen so far.
    run_anew : callable, optional
        Instead of `pipeline.run_settings`.
    **kept
        Where files go, whether they may replace others, and what keeps choices.

    Returns
    -------
    Page or JoinPage
    """
    if isinstance(job, JoinJob):
        return JoinPage(document, job, history, **kept)
    save = partial(save_of_job, job, run_anew or run_settings)
    return Page(document, job, history, save=save, **kept)
