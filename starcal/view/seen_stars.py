"""Stars of a layer as they are seen through a window of a nebula: in another size the brightest
are drawn at once, the others when the hand rests."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from ..colour import LUMINANCE_WEIGHTS
from ..finish import own_softening_px
from ..layers import Split, of_stars, shares_on_grid
from .visible import Window

FIRST_STARS = 2000  # drawn in some hundredths of a second


@dataclass(frozen=True, eq=False)
class Screen:
    """The pixels of a screen that show a window of a nebula.

    Attributes
    ----------
    window : Window
    matrix : ndarray, (2, 3)
        From the star layer to the nebula.
    """

    window: Window
    matrix: NDArray[np.float64]

    def shares(self, parts: Split, star_size: float) -> csr_array:
        """What each star gives of the light of each pixel."""
        step = self.window.step
        blur_px = own_softening_px(self.matrix) / step
        return shares_on_grid(
            parts,
            self._there,
            self.window.shape,
            star_size,
            blur_px,
        )

    def brightest(self, parts: Split) -> NDArray[np.bool_]:
        """Which stars shine most among those whose middle is seen, (n,)."""
        model = parts.model
        place = self._there @ np.stack([model.x_px, model.y_px, np.ones(len(model.x_px))])
        ends = np.array(self.window.shape[::-1])[:, None]
        seen = ((place > -1) & (place < ends)).all(axis=0)
        light = np.where(seen, LUMINANCE_WEIGHTS @ model.flux, -np.inf)
        chosen = np.zeros(len(light), bool)
        chosen[np.argsort(-light)[:FIRST_STARS]] = True
        return chosen & seen

    @property
    def _there(self) -> NDArray[np.float64]:
        """From the star layer to the screen."""
        left, low, _, _ = self.window.box
        there = (self.matrix - [[0, 0, left], [0, 0, low]]) / self.window.step
        there[:, 2] -= 0.5
        return there


@dataclass(frozen=True, eq=False)
class SeenStars:
    """Stars drawn on a screen.

    Attributes
    ----------
    screen : Screen
    parts : tuple of 2 Split
        Of the stars that are drawn first, and of all others.
    sizes : tuple of 2 float
        In which they are drawn.
    shares : tuple of 2 sparse arrays
        What each star gives of the light of each pixel.
    """

    screen: Screen
    parts: tuple[Split, Split]
    sizes: tuple[float, float]
    shares: tuple[csr_array, csr_array]

    @property
    def at_rest(self) -> bool:
        """Whether all are of one size."""
        return self.sizes[0] == self.sizes[1]

    @cached_property
    def lit(self) -> NDArray[np.bool_]:
        """On which pixels a star shines, row by row."""
        first, others = map(_lit_by, self.shares)
        return first | others

    def unlike(self, other: "SeenStars") -> NDArray[np.intp]:
        """Pixels by their numbers, rising: on no others is the light of stars of the same screen
        another."""
        apart = np.zeros(self.shares[0].shape[0], bool)
        for ours, theirs in zip(self.shares, other.shares, strict=True):
            if ours is not theirs:
                apart |= _lit_by(ours) | _lit_by(theirs)
        return np.flatnonzero(apart)

    def light(
        self, place: NDArray[np.intp], colours: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Light of pixels by their numbers, rising, (3, k), by the colour of each star, (n, 3)."""
        first, others = (_shares_at(share, place) @ colours for share in self.shares)
        return (first + others).T

    def resized(self, star_size: float) -> "SeenStars":
        """The first in another size; the others as they are."""
        first = self.screen.shares(self.parts[0], star_size)
        return replace(self, sizes=(star_size, self.sizes[1]), shares=(first, self.shares[1]))

    def finished(self) -> "SeenStars":
        """The others in the size of the first."""
        size = self.sizes[0]
        others = self.screen.shares(self.parts[1], size)
        return replace(self, sizes=(size, size), shares=(self.shares[0], others))


def _lit_by(share: csr_array) -> NDArray[np.bool_]:
    """On which pixels a star shines."""
    return np.diff(share.indptr) > 0


def _shares_at(share: csr_array, place: NDArray[np.intp]) -> csr_array:
    """Rows of a sparse array, not copied where those between them are empty."""
    if not len(place):
        return share[:0]
    ends = np.append(share.indptr[place], share.indptr[place[-1] + 1])
    if (share.indptr[place + 1] != ends[1:]).any():
        return share[place]
    held = slice(ends[0], ends[-1])
    return csr_array(
        (
            share.data[held],
            share.indices[held],
            ends - ends[0],
        ),
        shape=(len(place), share.shape[1]),
    )


def stars_seen(parts: Split, screen: Screen, star_size: float) -> SeenStars:
    """Draw the stars of a layer on a screen.

    Parameters
    ----------
    parts : Split
    screen : Screen
    star_size : float

    Returns
    -------
    SeenStars
    """
    first = screen.brightest(parts)
    both = of_stars(parts, first), of_stars(parts, ~first)
    shares = tuple(screen.shares(part, star_size) for part in both)
    return SeenStars(screen, both, (star_size, star_size), shares)
