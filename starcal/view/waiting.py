"""A frame that is read and shown at once, and checked and split meanwhile."""

from __future__ import annotations

import threading
from collections.abc import Callable

from ..checking.result import CheckResult
from ..choices import Settings
from ..frame import Frame
from ..progress import Progress, silent
from .job import AnyJob, open_job


class Waiting:
    """A job that is made beside the page.

    Attributes
    ----------
    frame : Frame
        What can be seen already.
    step : str
        What is done now, and the share done.
    check : CheckResult or None
        As soon as there is one.
    job : Job or another of its kind, or None
        The same.
    error : Exception or None
        Why there will be none.

    Parameters
    ----------
    frame : Frame
    settings : Settings
        That name it.
    progress : callable
        Is given the step and the share done, too.
    """

    def __init__(self, frame: Frame, settings: Settings, progress: Progress):
        self.frame = frame
        self.step = ""
        self.check: CheckResult | None = None
        self.job: AnyJob | None = None
        self.error: Exception | None = None
        self._settings = settings
        self._progress = progress
        self._ended = threading.Event()
        self._then: Callable[[], None] = lambda: None
        threading.Thread(target=self._work, daemon=True).start()

    def _work(self) -> None:
        try:
            self.job = open_job(
                self._settings, self._told, frame=self.frame, checked=self._checked
            )
        except Exception as error:  # told by whoever waits
            self.error = error
        self._ended.set()
        self._then()

    def _told(self, step: str, share: float) -> None:
        self.step = f"{step} … {100 * share:.0f} %"
        self._progress(step, share)

    def _checked(self, found: CheckResult) -> None:
        self.check = found

    def within(self, seconds: float) -> AnyJob | None:
        """The job, if it is made so soon.

        Parameters
        ----------
        seconds : float

        Raises
        ------
        FrameError
            It cannot be made; what else `open_job` raises.
        """
        self._ended.wait(seconds)
        self._progress = silent  # from now on the page says it
        if self.error is not None:
            raise self.error
        return self.job

    def then(self, call: Callable[[], None]) -> None:
        """Have something called at the end, from another thread; at once, if that has come.

        Parameters
        ----------
        call : callable
        """
        self._then = call
        if self._ended.is_set():
            call()
