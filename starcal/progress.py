"""How far the work is: one shape of callback everywhere, called with the step and the share done;
and the log ``starcal``, in which every step stands.
"""

import logging
from collections.abc import Callable
from html import escape

Progress = Callable[[str, float], None]

LOG = logging.getLogger("starcal")
LOG.addHandler(logging.NullHandler())  # silent until somebody asks


def silent(step: str, share: float) -> None:
    """Take no notice of progress.

    Parameters
    ----------
    step : str
    share : float
        0 to 1.
    """


def part_of(progress: Progress, low: float, high: float) -> Progress:
    """What a part of the work is to call, so that the whole goes on and never back.

    Parameters
    ----------
    progress : callable
        Of the whole.
    low, high : float
        Shares of the whole at which the part begins and ends.

    Returns
    -------
    callable

    Examples
    --------
    >>> half = part_of(lambda step, share: print(step, share), 0.5, 1.0)
    >>> half("writing", 0.5)
    writing 0.75
    """
    return lambda step, share: progress(step, low + (high - low) * share)


class Logged:
    """A progress callback that writes each new step into the log, too.

    Parameters
    ----------
    progress : callable
        That is told besides; one that writes into the log already is taken as it is.
    """

    def __init__(self, progress: Progress):
        self.told = progress.told if isinstance(progress, Logged) else progress
        self.last = progress.last if isinstance(progress, Logged) else ""

    def __call__(self, step: str, share: float) -> None:
        """Say how far a step has come, 0 to 1."""
        if step != self.last:
            LOG.info("%s (%.0f %%)", step, 100 * share)
            self.last = step
        self.told(step, share)


def notebook_progress() -> Progress:
    """Make a progress callback that draws a bar in a notebook.

    Returns
    -------
    callable
        For ``progress=`` of any function; outside of notebooks it does nothing.

    Examples
    --------
    >>> import starcal
    >>> found = starcal.check("broadband.fits", progress=starcal.notebook_progress())
    >>> found.route
    'gains'
    """
    try:
        from IPython import get_ipython
        from IPython.display import HTML, display
    except ImportError:
        return silent
    if get_ipython() is None:
        return silent
    bar = display(HTML(_bar("starting", 0.0)), display_id=True)
    return lambda step, share: bar.update(HTML(_bar(step, share)))


def _bar(step: str, share: float) -> str:
    return f'<progress value="{share:.3f}" max="1"></progress> {escape(step)}'
