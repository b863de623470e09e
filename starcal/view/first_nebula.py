"""A finished nebula that is shown at once, then with its stars, while these are told apart."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from numpy.typing import NDArray

from ..choices import Settings
from ..draw.tone import Stretch, choose_stretch
from ..finish import Joined, read_nebula, seems_linear
from ..frame import ColourSpace, Frame
from ..progress import Progress
from .joining import JoinJob, open_join_job, seen_on_screen, space_of, told_html
from .visible import Window, mean_of
from .waiting import ALL_BEFORE, Halves, Sight, Waiting, Wording

ALL_AFTER = 0.0  # of the divider


@dataclass(frozen=True, eq=False)
class NebulaSight:
    """A nebula whose stars cannot be played with yet; see `waiting.Sight`.

    Attributes
    ----------
    nebula : Frame
    stretch : Stretch or None
        How a linear one is shown.
    space : ColourSpace
        Of a stretched one.
    whole : ndarray, (3, y, x), or None
        The same with its stars, once it is known where they lie.
    """

    nebula: Frame
    stretch: Stretch | None
    space: ColourSpace
    whole: NDArray | None = None
    wording: ClassVar[Wording] = Wording(
        title="stars",
        left="Without stars",
        right="With stars",
        said="The nebula as it is. Where it lies is looked for, and its stars are told apart; then "
        "all can be played with.",
    )

    @property
    def name(self) -> str:
        """Of the nebula."""
        return self.nebula.name

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the nebula."""
        return self.nebula.pixels.shape[1:]

    @property
    def divider(self) -> float:
        """Where the picture with its stars is seen whole, once there is one."""
        return ALL_BEFORE if self.whole is None else ALL_AFTER

    def halves(self, window: Window, settings: Settings) -> Halves:
        """Without and with stars."""
        before = self._seen(self.nebula.pixels, window)
        if self.whole is None:
            return before, before
        return before, self._seen(self.whole, window)

    def _seen(self, pixels: NDArray, window: Window) -> NDArray:
        return seen_on_screen(mean_of(pixels, window), self.stretch, self.space)


def waiting_for_stars(
    nebula: Path, stars: Path, settings: Settings, *, moved: str = "auto"
) -> Waiting:
    """Show a nebula, and find its stars' places and tell them apart meanwhile.

    Parameters
    ----------
    nebula, stars : Path
    settings : Settings
        With the starless frame, where that lies elsewhere.
    moved : {"auto", "none"}
        As for `join_pictures`.

    Returns
    -------
    Waiting

    Raises
    ------
    FrameError
        The nebula cannot be read.
    """

    def make(told: Progress, sighted: Callable[[Sight, str], None]) -> JoinJob:
        def joined(made: Joined) -> None:
            sight = _sight_of(made.nebula, made.tones.linear, nebula, made.pixels)
            sighted(sight, told_html(made))

        return open_join_job(nebula, stars, settings, moved=moved, progress=told, joined=joined)

    below = read_nebula(nebula)
    return Waiting(_sight_of(below, seems_linear(below), nebula), make)


def _sight_of(
    below: Frame, linear: bool, file: Path, whole: NDArray | None = None
) -> NebulaSight:
    """A nebula, linear or stretched, as it is shown."""
    shown = below.pixels if whole is None else whole
    stretch = choose_stretch(shown) if linear else None
    return NebulaSight(below, stretch, space_of(file, linear), whole)
