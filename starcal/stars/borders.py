"""Lines at the edges of a frame that show no sky: overscan, remains of registration, garbage.

What stands off from the lines further in by more than any sky does, in level or in unrest, holds no
data for what is measured. Edges with fewer exposures than the rest are a little noisier; they stay.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ..robust import upper_median

WIDEST_SHARE, WIDEST_LINES = 0.125, 64  # of a side, that a border may have
BESIDE_LINES = 8  # further in, that say what a line should be like
MOST_PIXELS_OF_A_LINE = 1500  # tell its level to a thirtieth of a sigma
# mean deviations of the pixels beside it: a gradient of the sky has a hundredth
OFF_LEVEL = 8.0
SLOPE_TIMES = 3.0  # of what the lines beside it differ by: nebula has slopes
OFF_UNREST = 4.0  # times that of the lines beside it: as if of a sixteenth of the exposures
COARSE_LEVELS = 256  # a scatter of so few is a matter of rounding: nothing is judged
USUAL_PIXELS_SHARE = 0.95  # of a line's pixels: the rest may be stars
LEAST_BAD_SHARE = 0.8  # of the lines of a border: one bright line alone is a trail
NO_BORDER = (0, 0, 0, 0)


def border_widths(pixels: NDArray) -> tuple[int, int, int, int]:
    """How many lines at each side of a frame hold no data of the sky in some channel.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        NaN where there is no data.

    Returns
    -------
    tuple of int
        First rows, last rows, first columns, last columns; 64 or an eighth of the frame at most.
        None in data of coarse steps (8 bits).
    """
    sample = pixels[:, ::11, ::7]
    if len(np.unique(sample[np.isfinite(sample)])) <= len(pixels) * COARSE_LEVELS:
        return NO_BORDER
    sides = (
        pixels,
        pixels[:, ::-1],
        pixels.swapaxes(1, 2),
        pixels[:, :, ::-1].swapaxes(1, 2),
    )
    first, last, left, right = (max(_width_in(plane) for plane in side) for side in sides)
    return first, last, left, right


def _width_in(plane: NDArray) -> int:
    """Of the border in the first rows of a plane."""
    most = min(WIDEST_LINES, int(WIDEST_SHARE * len(plane)))
    thin = max(1, plane.shape[1] // MOST_PIXELS_OF_A_LINE)
    lines = np.ascontiguousarray(plane[: most + BESIDE_LINES, ::thin])
    level = upper_median(lines, 0.5)
    unrest = _unrest_of(lines - level[:, None])
    bad = _off_from_further_in(level, unrest, most)
    wide = np.flatnonzero(bad) + 1
    enough = np.cumsum(bad)[wide - 1] >= LEAST_BAD_SHARE * wide
    return int(wide[enough].max(initial=0))


def _steps_off(value: NDArray, inner: NDArray) -> NDArray:
    """How far a line's value is off from those of lines further in, (..., lines); 0 within what a
    slope or their own differences make of it."""
    off = np.abs(value - upper_median(inner))
    usual = np.max(inner, axis=-1) - np.min(inner, axis=-1)
    return np.where(off > SLOPE_TIMES * usual, off, 0.0)


def _unrest_of(off: NDArray) -> NDArray:
    """Mean deviation of most of the pixels of each line: a median one jumps where a sky is cut at
    black."""
    size = np.sort(np.abs(off), axis=1)  # NaN goes last
    known = np.isfinite(size).sum(axis=1)
    kept = np.arange(size.shape[1]) < USUAL_PIXELS_SHARE * known[:, None]
    total = np.where(kept, size, 0).sum(axis=1)
    return np.where(known > 0, total / np.maximum(kept.sum(axis=1), 1), np.nan)


def _off_from_further_in(level: NDArray, unrest: NDArray, most: int) -> NDArray:
    """Which of the first lines are unlike those further in that are sound, (most,) bool; lines
    without data are not."""
    bad = np.zeros(len(level), bool)
    if len(level) == most + BESIDE_LINES:
        # where all are sound, those further in are the next ones
        next_level, next_unrest = (
            sliding_window_view(values[1:], BESIDE_LINES) for values in (level, unrest)
        )
        if not _unlike(level[:most], unrest[:most], next_level, next_unrest).any():
            return bad[:most]
    for line in range(most - 1, -1, -1):
        inner = np.flatnonzero(~bad[line + 1 :])[:BESIDE_LINES] + line + 1
        bad[line] = _unlike(level[line], unrest[line], level[inner], unrest[inner])
    return bad[:most]


def _unlike(
    level: NDArray, unrest: NDArray, inner_level: NDArray, inner_unrest: NDArray
) -> NDArray:
    """Whether a line is unlike those further in, (..., lines), in level or in unrest."""
    scatter = upper_median(inner_unrest)
    off = _steps_off(level, inner_level) > OFF_LEVEL * scatter
    ratio = unrest / np.maximum(scatter, 1e-30)
    alike = (ratio > 1 / OFF_UNREST) & (ratio < OFF_UNREST)
    other = (_steps_off(unrest, inner_unrest) > 0) & ~alike
    return (scatter > 0) & (off | other)
