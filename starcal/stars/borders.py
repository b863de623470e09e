"""Lines at the edges of a frame that show no sky: overscan, remains of registration, garbage, the
margin round a picture with its writing.

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
WIDEST_MARGIN_SHARE = 1 / 3  # of a side
# So alike are the pixels of a margin: exactly, as next to a black sky, or to what JPEGs make of it.
STEPS_OF_A_MARGIN = (0.0, 2.5 / 255)
FURTHER_IN_LINES = 16  # two blocks of a JPEG, in which an edge shows
PICTURE_SHARE = 0.9  # at most, of a picture's lines next to its margin, has the margin's colour
# Shares of a line that have a margin's colour: where nothing is written, and where something is.
EMPTY_LINE_SHARE, WRITTEN_LINE_SHARE = 0.995, 0.5
LEAST_EMPTY_SHARE = 1 / 3  # of the lines of a margin; a black sky has stars in most of them
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
        First rows, last rows, first columns, last columns; 64 or an eighth of the frame at most,
        and in data of coarse steps (8 bits) none, but for margins of one colour.
    """
    sides = (
        pixels,
        pixels[:, ::-1],
        pixels.swapaxes(1, 2),
        pixels[:, :, ::-1].swapaxes(1, 2),
    )
    first, last, left, right = (_margin_in(side) for side in sides)
    sample = pixels[:, ::11, ::7]
    if len(np.unique(sample[np.isfinite(sample)])) <= len(pixels) * COARSE_LEVELS:
        return first, last, left, right
    widths = [max(_width_in(plane) for plane in side) for side in sides]
    widest = np.maximum((first, last, left, right), widths)
    first, last, left, right = (int(width) for width in widest)
    return first, last, left, right


def _margin_in(side: NDArray) -> int:
    """Of the margin in the first rows of (3, y, x): all of one colour but for what is written
    there."""
    outermost = side[:, 0]
    colour = upper_median(outermost)[:, None]
    even = (outermost == colour).all(axis=0).mean() >= EMPTY_LINE_SHARE
    most = int(WIDEST_MARGIN_SHARE * side.shape[1])
    if not even or most < FURTHER_IN_LINES or _is_ground(side, colour):
        return 0
    off = np.abs(side[:, : most + FURTHER_IN_LINES] - colour[:, None]).max(axis=0)
    return max(_margin_of_colour((off <= step).mean(axis=1)) for step in STEPS_OF_A_MARGIN)


def _is_ground(side: NDArray, colour: NDArray) -> bool:
    """Whether most of a picture's middle has a colour, too, as in a layer of stars on black."""
    rows, columns = (slice(n // 3, 2 * n // 3, 3) for n in side.shape[1:])
    middle = side[:, rows, columns]
    alike = middle == colour[:, None]
    return bool(alike.all(axis=0).mean() > 0.5)


def _margin_of_colour(share: NDArray) -> int:
    """How many of the first lines are a margin, by the share of each that has its colour: the last
    of them is empty, and those further in are clearly of other colours, as a sky is not next to a
    sky."""
    empty = share >= EMPTY_LINE_SHARE
    count = np.arange(len(share)) + 1
    margin = np.cumsum(empty) >= LEAST_EMPTY_SHARE * count
    margin &= np.cumsum(share >= WRITTEN_LINE_SHARE) >= LEAST_BAD_SHARE * count
    further_in = upper_median(sliding_window_view(share[1:], FURTHER_IN_LINES))
    ends = np.flatnonzero((empty & margin)[: len(further_in)] & (further_in <= PICTURE_SHARE))
    return int(ends.max(initial=-1)) + 1


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
