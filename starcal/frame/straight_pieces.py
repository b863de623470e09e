"""A rising curve in straight pieces, read several times as quickly as by `numpy.interp`, to the
same bits: which piece a value lies on is looked up, not searched for."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

# By the root of a place: the curves of displays, near enough power laws, end no two pieces in one
ROOT_CELLS = 1 << 16
MOST_LOOKS = 2  # of a curve that ends more pieces in a cell, none is looked up


@dataclass(frozen=True, eq=False)
class StraightPieces:
    """A curve through points, straight in between, its ends' values beyond them.

    Attributes
    ----------
    at, value : ndarray, (n,)
        Where points lie, rising from 0 to 1, nearly; the values there.
    """

    at: NDArray[np.float64]
    value: NDArray[np.float64]

    def __call__(self, place: NDArray) -> NDArray[np.float64]:
        """Values at places of any shape; NaN stays NaN."""
        if self._looks > MOST_LOOKS:
            return np.interp(place, self.at, self.value)
        place = np.clip(place, self.at[0], self.at[-1]).astype(np.float64, copy=False)
        piece = self._first_piece.take(_cells_of(place))
        for _ in range(self._looks):
            piece += self._next_at.take(piece) <= place
        made = place - self.at.take(piece)
        made *= self._slope.take(piece)
        made += self.value.take(piece)
        return made

    @cached_property
    def _first_piece(self) -> NDArray[np.intp]:
        """Number of the last point before each cell; 0 where there is none."""
        before = np.searchsorted(_cells_of(self.at), np.arange(ROOT_CELLS + 1), side="left")
        return np.maximum(before - 1, 0)

    @cached_property
    def _looks(self) -> int:
        """How many points lie in one cell at most."""
        return int(np.bincount(_cells_of(self.at)).max())

    @cached_property
    def _next_at(self) -> NDArray[np.float64]:
        """Where each point's next one lies; the last has none."""
        return np.append(self.at[1:], np.inf)

    @cached_property
    def _slope(self) -> NDArray[np.float64]:
        """From each point to the next; 0 where they share a place, and beyond the last."""
        way = np.append(np.diff(self.at), 1.0)
        rise = np.append(np.diff(self.value), 0.0)
        return np.divide(rise, way, out=np.zeros_like(rise), where=way > 0)


def _cells_of(place: NDArray[np.float64]) -> NDArray[np.intp]:
    """Cells that places lie in: no place in a later one than a greater place."""
    cell = np.sqrt(np.fmax(place, 0)) * ROOT_CELLS
    return np.minimum(cell, ROOT_CELLS).astype(np.intp)
