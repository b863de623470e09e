"""Light of a star beyond its profile: its spikes and reflections, and full pixels that ran over."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..colour.stellar import LUMINANCE_WEIGHTS


@dataclass(frozen=True, eq=False, kw_only=True)
class Flares:
    """The pixels of a frame that spikes and discs of bright stars reach.

    A pixel that two stars reach is listed twice.

    Attributes
    ----------
    star, row, column : ndarray, (k,) int
        Whose light, and where.
    light, doubt : ndarray, (3, k) float32
        How much in each channel, and the variance of it.
    arms_deg : tuple of float
        Directions of the spikes, from x towards y; none: no spikes were found.
    disc_px : float
        Radius of the reflection; 0: none was found.
    ran_over : ndarray of bool, (k,), or None
        Which entries are full pixels that charge of their star ran over to, beyond its own reach;
        None: no star has any.
    """

    star: NDArray[np.int_]
    row: NDArray[np.int_]
    column: NDArray[np.int_]
    light: NDArray[np.float32]
    doubt: NDArray[np.float32]
    arms_deg: tuple[float, ...] = ()
    disc_px: float = 0.0
    ran_over: NDArray[np.bool_] | None = None

    def within(self, window) -> tuple[NDArray, NDArray]:
        """Which entries lie in a window of rows and columns, and their flat places in it."""
        rows, columns = window
        inside = (self.row >= rows.start) & (self.row < rows.stop)
        inside &= (self.column >= columns.start) & (self.column < columns.stop)
        chosen = np.flatnonzero(inside)
        down = self.row[chosen] - rows.start
        across = self.column[chosen] - columns.start
        return chosen, down * (columns.stop - columns.start) + across

    def of_stars(self, chosen: NDArray[np.bool_]) -> "Flares":
        """The light of some stars alone; chosen is (n,)."""
        kept = chosen[self.star]
        return replace(
            self,
            star=self.star[kept],
            row=self.row[kept],
            column=self.column[kept],
            light=self.light[:, kept],
            doubt=self.doubt[:, kept],
            ran_over=None if self.ran_over is None else self.ran_over[kept],
        )

    def without_charge(self, of_star: NDArray[np.bool_]) -> "Flares":
        """The same without the light of full pixels that charge of some stars ran over to; of_star
        is (n,)."""
        if self.ran_over is None:
            return self
        gone = self.ran_over & of_star[self.star]
        return replace(self, light=np.where(gone, np.float32(0), self.light))

    def luminance(self) -> NDArray[np.float32]:
        """What each entry gives to the luminance of its pixel, (k,)."""
        return np.maximum(LUMINANCE_WEIGHTS.astype(np.float32) @ self.light, 0)

    def plane(self, channel: int, shape: tuple[int, int]) -> NDArray[np.float32]:
        """Light of all of it in one channel of a frame, (y, x)."""
        place = self.row * shape[1] + self.column
        total = np.bincount(place, self.light[channel], minlength=shape[0] * shape[1])
        return total.reshape(shape).astype(np.float32)
