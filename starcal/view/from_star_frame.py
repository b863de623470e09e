"""A frame with the stars of a separate one on the page: each choice makes the picture anew, in some
seconds, as a run makes it."""

from dataclasses import dataclass, field, replace

from numpy.typing import NDArray

from ..checking.check import refit, with_curves
from ..checking.result import CheckResult
from ..choices import Settings, names_of
from ..cure.stars import ReadyToColour, Recoloured, coloured_as_chosen
from ..cure.wishes import numbers_of
from ..draw.tone import Stretch
from ..frame import Frame
from ..layers import ProfileMap
from ..robust import pixels_at
from .visible import VisiblePart, Window, part_as_it_is

MOST_KEPT = 2  # pictures of earlier choices: a frame has 0.3 GB
# Choices of which the picture does not know
OF_THE_LOOK = {"black": 0.0, "strength": 1.0}


@dataclass(frozen=True, eq=False, kw_only=True)
class StarFrameJob:
    """What stays the same while choices change.

    Attributes
    ----------
    ready : ReadyToColour
        Frame and star frame, split.
    stretch : Stretch
        Chosen from the frame.
    made : dict
        What the last choices have made of it.
    """

    ready: ReadyToColour
    stretch: Stretch
    made: dict = field(default_factory=dict, repr=False)

    routes = tuple(name for name in names_of("route") if name != "gains")
    quick = False  # too slow to be coloured while a slider moves
    other_stars = True  # in its pictures are those of the star frame

    @property
    def frame(self) -> Frame:
        """The nebula frame."""
        return self.ready.frame

    @property
    def check(self) -> CheckResult:
        """Of the nebula frame, with the stars that only the star frame shows."""
        return self.ready.check

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        return self.frame.pixels.shape[1:]

    @property
    def shapes(self) -> ProfileMap | None:
        """How the stars' shapes change over the frame; None where that is not known."""
        return self.ready.parts.profile_map

    @property
    def numbers(self) -> dict[str, tuple[float, float]]:
        """How many stars can be kept, and how faint they are; see `numbers_of`."""
        return numbers_of(self.ready.parts, self.check.stars)

    def with_cores(self, settings: Settings) -> "StarFrameJob":
        """Itself: cores are rebuilt, or not, where stars are coloured."""
        return self

    def look(self, window: Window, star_size: float = 1.0) -> VisiblePart:
        """What is seen through a window; its stars are as large as they were made."""
        return part_as_it_is(self.frame.pixels, window)

    def refit(self, settings: Settings) -> CheckResult:
        """The check with the stars left out and the response curves that settings name."""
        return refit(with_curves(self.check, settings.bands), settings.leave_out)

    def recoloured(self, checked: CheckResult, settings: Settings) -> Recoloured:
        """What settings make of it.

        Parameters
        ----------
        checked : CheckResult
            Refitted as the settings say.
        settings : Settings

        Returns
        -------
        Recoloured

        Raises
        ------
        FrameError
            The route is ``gains``.
        TooFewStars
            The route asked for has no stars to rest on.
        """
        asked = replace(settings, **OF_THE_LOOK)
        if asked not in self.made:
            made = coloured_as_chosen(replace(self.ready, check=checked), settings)
            while len(self.made) >= MOST_KEPT:
                self.made.pop(next(iter(self.made)))
            self.made[asked] = made
        return self.made[asked]


def light_at_stars(layer: NDArray, checked: CheckResult) -> NDArray:
    """Linear RGB of a star layer at the middles of stars, (n, 3)."""
    row, column = pixels_at(checked.stars["x_px"], checked.stars["y_px"], layer.shape)
    return layer[:, row, column].T
