"""A frame that is read and shown at once, and checked and split meanwhile."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace

from ..checking.result import CheckResult
from ..choices import Settings
from ..draw.tone import Stretch, choose_stretch
from ..frame import Frame
from ..pipeline import takes_gains
from .displayed import AS_IT_IS, AsItIs
from .job import AnyJob, ByGains, by_gains, open_job, whitened_in
from .visible import VisiblePart, Window, part_as_it_is

# The work begins then, if no page has shown the frame: both at once are slow.
SEEN_WITHIN_S = 2.0


@dataclass(frozen=True, eq=False)
class FirstSight:
    """A frame before its stars are told apart.

    Attributes
    ----------
    frame : Frame
    stretch : Stretch or AsItIs
        Chosen from the frame; the second once it is known to be stretched.
    gains : ByGains or None
        The whole frame multiplied, once a check has found gains that hold.
    """

    frame: Frame
    stretch: Stretch | AsItIs
    gains: ByGains | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        return self.frame.pixels.shape[1:]

    def look(self, window: Window) -> VisiblePart:
        """What is seen through a window."""
        return part_as_it_is(self.frame.pixels, window)

    def checked(self, found: CheckResult, settings: Settings) -> FirstSight:
        """The same with what a check has found."""
        if found.linearity.stretched and not settings.assume_linear:
            return replace(self, stretch=AS_IT_IS)
        holds = found.fit is not None and found.verdict.verdict != "no"
        if settings.star_frame or not (holds and takes_gains(found, settings)):
            return self
        whitened = whitened_in(self.frame, found)
        gains = by_gains(self.frame, whitened, self.stretch, found, settings.sky)
        return replace(self, gains=gains)


class Waiting:
    """A job that is made beside the page.

    Attributes
    ----------
    sight : FirstSight
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
    """

    def __init__(self, frame: Frame, settings: Settings):
        self.sight = FirstSight(frame, choose_stretch(frame.pixels))
        self.step = ""
        self.check: CheckResult | None = None
        self.job: AnyJob | None = None
        self.error: Exception | None = None
        self._settings = settings
        self._seen = threading.Event()
        self._ended = threading.Event()
        self._then: Callable[[], None] = lambda: None
        threading.Thread(target=self._work, daemon=True).start()

    def begin(self) -> None:
        """The frame is seen: now its stars."""
        self._seen.set()

    def _work(self) -> None:
        self._seen.wait(SEEN_WITHIN_S)
        try:
            self.job = open_job(
                self._settings, self._told, frame=self.sight.frame, checked=self._checked
            )
        except Exception as error:  # told by whoever waits
            self.error = error
        self._ended.set()
        self._then()

    def _told(self, step: str, share: float) -> None:
        self.step = f"{step} … {100 * share:.0f} %"

    def _checked(self, found: CheckResult) -> None:
        self.sight = self.sight.checked(found, self._settings)
        self.check = found

    def then(self, call: Callable[[], None]) -> None:
        """Have something called at the end, from another thread; at once, if that has come.

        Parameters
        ----------
        call : callable
        """
        self._then = call
        if self._ended.is_set():
            call()
