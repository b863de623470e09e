"""Rows of values without those that lie far from their middle: rings round stars."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

HIGHEST = 1e30  # stands for no data: it sorts last, and differences of it are finite
CLIP_SIGMA = 3.0
ONE_SIGMA_BELOW = 0.1587  # of the values; stars that nobody sees are on the upper side
# Values of a sky with less noise than a step crowd together, on flat-fielded frames not even in the
# same places: the median and the value one sigma below are then often one crowd's.
TWO_SIGMA_BELOW = 0.0228
FLAT_SIGMA = 1e-12


@dataclass(frozen=True, eq=False)
class ClippedRows:
    """Sorted rows and where what is left of each begins and ends; median and scatter of the last
    round, NaN of rows without data.

    Attributes
    ----------
    ordered : ndarray, (rows, n)
    low, high : ndarray of int, (rows,)
    median, sigma : ndarray, (rows,)
    """

    ordered: NDArray
    low: NDArray
    high: NDArray
    median: NDArray
    sigma: NDArray

    @property
    def count(self) -> NDArray:
        """How many values are left, (rows,)."""
        return self.high - self.low

    @property
    def mean(self) -> NDArray:
        """Of what is left, (rows,); NaN of rows without data."""
        place = np.arange(self.ordered.shape[1])
        inside = (place >= self.low[:, None]) & (place < self.high[:, None])
        total = np.where(inside, self.ordered, 0).sum(axis=1)
        return np.where(self.count > 0, total / np.maximum(self.count, 1), np.nan)


def clipped_rows(values: NDArray, rounds: int, least_sigma: float = 0.0) -> ClippedRows:
    """Each row without what lies farther than three sigmas from its median, NaN left out.

    Parameters
    ----------
    values : ndarray, (rows, n)
    rounds : int
    least_sigma : float
        The scatter is taken to be this at least.

    Returns
    -------
    ClippedRows
    """
    ordered = np.sort(np.where(np.isfinite(values), values, HIGHEST), axis=1)
    known = np.count_nonzero(ordered < HIGHEST, axis=1)
    low = np.zeros(len(ordered), int)
    high = known
    least = max(least_sigma, FLAT_SIGMA)
    for _ in range(rounds):
        median = _row_quantile(ordered, low, high, 0.5)
        one = median - _row_quantile(ordered, low, high, ONE_SIGMA_BELOW)
        two = median - _row_quantile(ordered, low, high, TWO_SIGMA_BELOW)
        sigma = np.maximum(one, two / 2)
        reach = (CLIP_SIGMA * np.maximum(sigma, least))[:, None]
        above = ordered - median[:, None]
        low = np.count_nonzero(above < -reach, axis=1)
        high = np.minimum(np.count_nonzero(above <= reach, axis=1), known)
    found = high > low
    return ClippedRows(
        ordered, low, high, np.where(found, median, np.nan), np.where(found, sigma, np.nan)
    )


def _row_quantile(ordered: NDArray, low: NDArray, high: NDArray, share: float) -> NDArray:
    """Value at a share of the way from one place to another of each sorted row."""
    place = low + (share * (high - low)).astype(int)
    last = ordered.shape[1] - 1
    return ordered[np.arange(len(ordered)), np.clip(place, 0, last)]
