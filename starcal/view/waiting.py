"""What is shown at once, while what can be played with is made beside it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar, Protocol

from numpy.typing import NDArray

from ..choices import Settings
from ..draw.tone import Stretch, choose_stretch
from ..frame import Frame
from ..progress import Progress
from .visible import (
    AS_IT_IS,
    AsItIs,
    VisiblePart,
    Window,
    after_shown,
    before_shown,
    part_as_it_is,
)

if TYPE_CHECKING:  # what takes long to import is so when the picture has been seen
    from ..checking.result import CheckResult
    from .job import AnyJob, ByGains
    from .joining import JoinJob

# The work begins then, if no page has shown the frame: both at once are slow.
SEEN_WITHIN_S = 2.0
ALL_BEFORE, HALF = 100.0, 50.0  # where the divider stands
Halves = tuple[NDArray, NDArray]  # before and after, as pixels of the screen


@dataclass(frozen=True, kw_only=True)
class Wording:
    """What a page says of the picture that it shows at once.

    Attributes
    ----------
    title : str
        What the page is about.
    left, right : str
        What lies there of the divider.
    said : str
        What is being done.
    sliders : tuple of str
        What can be chosen already.
    """

    title: str
    left: str
    right: str
    said: str
    sliders: tuple[str, ...] = ()


class Sight(Protocol):
    """What can be seen before all is known."""

    wording: ClassVar[Wording]

    @property
    def name(self) -> str:
        """Of the file."""
        ...

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        ...

    @property
    def divider(self) -> float:
        """Where the divider stands at first, per cent."""
        ...

    def halves(self, window: Window, settings: Settings) -> Halves:
        """What is seen through a window."""
        ...


@dataclass(frozen=True, eq=False)
class FirstSight:
    """A frame before its stars are told apart; see `Sight`.

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
    wording: ClassVar[Wording] = Wording(
        title="star colours",
        left="Before",
        right="After",
        said="The frame as it is. Its stars are found, looked up and split off; then all can be "
        "played with.",
        sliders=("black", "strength"),
    )

    @property
    def name(self) -> str:
        """Of the frame."""
        return self.frame.name

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        return self.frame.pixels.shape[1:]

    @property
    def divider(self) -> float:
        """In the middle, once there is something to compare."""
        return ALL_BEFORE if self.gains is None else HALF

    def look(self, window: Window) -> VisiblePart:
        """What is seen through a window."""
        return part_as_it_is(self.frame.pixels, window)

    def halves(self, window: Window, settings: Settings) -> Halves:
        """Right of the divider multiplied, where that is the cure."""
        part = self.look(window)
        before = before_shown(self, part, settings)
        if self.gains is None:
            return before, before
        return before, after_shown(self.gains, part, settings)

    def checked(self, found: CheckResult, settings: Settings) -> FirstSight:
        """The same with what a check has found."""
        from ..pipeline import takes_gains
        from .job import by_gains, whitened_in

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
    sight : Sight
        What can be seen already.
    step : str
        What is done now, and the share done.
    found : str
        What the work has told on its way, HTML.
    job : Job or another of its kind, or None
        As soon as there is one.
    error : Exception or None
        Why there will be none.

    Parameters
    ----------
    sight : Sight
        At first.
    make : callable
        Makes the job. Is given a progress callback, and what to call with a better sight and what
        it tells, HTML.
    """

    def __init__(
        self,
        sight: Sight,
        make: Callable[[Progress, Callable[[Sight, str], None]], AnyJob | JoinJob],
    ):
        self.sight = sight
        self.step = ""
        self.found = ""
        self.job: AnyJob | JoinJob | None = None
        self.error: Exception | None = None
        self._make = make
        self._seen = threading.Event()
        self._ended = threading.Event()
        self._then: Callable[[], None] = lambda: None
        threading.Thread(target=self._work, daemon=True).start()

    def begin(self) -> None:
        """It is seen: now its stars."""
        self._seen.set()

    def _work(self) -> None:
        self._seen.wait(SEEN_WITHIN_S)
        try:
            job = self._make(self._told, self._sighted)
            from . import whole_page  # noqa: F401  (here, while nobody waits for an answer)

            self.job = job
        except Exception as error:  # told by whoever waits
            self.error = error
        self._ended.set()
        self._then()

    def _told(self, step: str, share: float) -> None:
        self.step = f"{step} … {100 * share:.0f} %"

    def _sighted(self, sight: Sight, found: str) -> None:
        self.sight = sight
        self.found = found

    def then(self, call: Callable[[], None]) -> None:
        """Have something called at the end, from another thread; at once, if that has come.

        Parameters
        ----------
        call : callable
        """
        self._then = call
        if self._ended.is_set():
            call()


def waiting_for_frame(frame: Frame, settings: Settings) -> Waiting:
    """Show a frame, and check and split it meanwhile.

    Parameters
    ----------
    frame : Frame
    settings : Settings
        That name it.

    Returns
    -------
    Waiting
    """
    sight = FirstSight(frame, choose_stretch(frame.pixels))

    def make(told: Progress, sighted: Callable[[Sight, str], None]) -> AnyJob:
        from .job import open_job
        from .rows import check_html

        def checked(found: CheckResult) -> None:
            sighted(sight.checked(found, settings), check_html(found))

        return open_job(settings, told, frame=frame, checked=checked)

    return Waiting(sight, make)
