"""Levels: full scale, pixels without data, borders left by registration, dead channels. Works on
arrays in place."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..errors import FrameError

# 1 MiB of float32 stays in the cache from one look at a chunk to the next: byte swap, extremes
CHUNK_PIXELS = 1 << 18
HOT_SHARE = (
    2e-6  # brightest share of pixels (at least 3) that has no say in the full scale: hot pixels
)
# A sum of many exposures in units of one; beyond, numbers are broken, and squares would overflow.
MOST_FULL_SCALES = 1e6
MOST_COUNTS = 1e15  # in any unit that a camera or a program counts in
UNIT_LIMIT = 2.0  # data in [0, 1] may have been multiplied by gains of up to 2
FULL_SCALE_CARD = "FULLSCAL"  # says which number is full scale, where the pixels would mislead
UNIT_FLOOR = 1e-3  # below that not even the brightest star of a [0, 1] frame would stay
ADU_FLOOR = (
    1000.0  # a frame whose bright pixels are between that and 65535 counts in camera units
)
ADU_LIMIT = 65535 * 1.05  # ... flat-fielding lifts clipped pixels a little
BORDER_RUN_PX = (
    16  # zeros in a row on the outermost line: a border; clipped noise hardly ever does that
)
BORDER_MOST = (
    0.5  # more than that is not a border but a dark sky, e.g. that of a layer of stars
)


@dataclass(frozen=True)
class Survey:
    """Extremes per channel (low above high: nothing there) and how many pixels are no numbers."""

    low: np.ndarray
    high: np.ndarray
    not_finite: int


def survey(pixels: np.ndarray, divisor: float = 1.0) -> Survey:
    """Divide by `divisor`, turn infinities into NaN, and note the extremes; one pass, chunk by
    chunk."""
    low = np.full(len(pixels), np.inf)
    high = np.full(len(pixels), -np.inf)
    not_finite = 0
    for channel, plane in enumerate(pixels):
        for chunk in chunks(plane):
            if divisor != 1.0:
                np.divide(chunk, np.float32(divisor), out=chunk)
            bottom, top, spoilt = _extremes(chunk)
            low[channel] = min(low[channel], bottom)
            high[channel] = max(high[channel], top)
            not_finite += spoilt
    return Survey(low, high, not_finite)


def _extremes(chunk):
    """Smallest and largest number, and how many were none, which become NaN in place."""
    bottom, top = chunk.min(), chunk.max()
    if bottom >= -MOST_COUNTS and top <= MOST_COUNTS:  # neither holds of a NaN
        return bottom, top, 0
    good = np.abs(chunk) <= MOST_COUNTS
    chunk[~good] = np.nan
    bottom = chunk.min(where=good, initial=np.inf)
    top = chunk.max(where=good, initial=-np.inf)
    return bottom, top, chunk.size - np.count_nonzero(good)


def blank_beyond(pixels: np.ndarray) -> int:
    """Let numbers farther from 0 than any light, broken ones, be no data; in place.

    Parameters
    ----------
    pixels : ndarray, (channel, y, x) float32
        In units of full scale; changed in place.

    Returns
    -------
    int
        How many there were.
    """
    count = 0
    for plane in pixels:
        for chunk in chunks(plane):
            broken = np.abs(chunk) > MOST_FULL_SCALES
            chunk[broken] = np.nan
            count += np.count_nonzero(broken)
    return count


def chunks(plane: np.ndarray) -> Iterator[np.ndarray]:
    """Blocks of whole rows, small enough for the cache.

    Parameters
    ----------
    plane : ndarray, (y, x)

    Returns
    -------
    iterator of ndarray, (rows, x)
        Views, from row 0 on.
    """
    step = max(1, CHUNK_PIXELS // plane.shape[1])
    return (plane[first : first + step] for first in range(0, len(plane), step))


def float_full_scale(pixels: np.ndarray, high: float) -> tuple[float, str]:
    """Full scale of floating point data, guessed from all channels together, and on what grounds.

    Parameters
    ----------
    pixels : (channel, y, x) float32
    high : float
        Largest pixel.

    Returns
    -------
    full_scale : float
        1 for data in [0, 1] (a few hot pixels, or gains that were applied, may exceed it), 65535
        for camera units, else the largest pixel.
    source : str
    """
    if high >= UNIT_FLOOR and not _many_above(pixels, UNIT_LIMIT, high):
        return 1.0, "float data in [0, 1]"
    if _many_above(pixels, ADU_FLOOR, high) and not _many_above(pixels, ADU_LIMIT, high):
        return 65535.0, "float data in 16-bit numbers"
    return float(high), "largest pixel"


def _many_above(pixels, limit, high):
    if high <= limit:
        return False
    count = sum(np.count_nonzero(chunk > limit) for plane in pixels for chunk in chunks(plane))
    return count > max(3, HOT_SHARE * pixels.size)


def require_light(low: np.ndarray, high: np.ndarray, names: tuple[str, ...], name: str) -> None:
    """Refuse a frame with a channel that holds no picture.

    Raises
    ------
    FrameError
        A channel is constant, without any valid pixel, or nowhere above zero.
    """
    faults = [
        (channel, _dead(a, b))
        for channel, a, b in zip(names, low, high, strict=True)
        if _dead(a, b)
    ]
    if len(faults) == len(names) > 1 and len({fault for _, fault in faults}) == 1:
        raise FrameError(
            f"{name}: the whole frame {faults[0][1]}; there is no picture in it. Give another file."
        )
    if faults:
        channel, fault = faults[0]
        raise FrameError(
            f"{name}: channel {channel} {fault}; each channel must hold a picture. Put three live "
            "channels together: starcal compose --red A --green B --blue C -o OUT"
        )


def _dead(low, high):
    if low > high:
        return "has no valid pixel"
    if low == high:
        return f"has the same value everywhere ({low:g})"
    if high <= 0:
        return "is nowhere above zero"
    return None


def blank_borders(pixels: np.ndarray) -> float:
    """Set the zero borders that registration leaves to NaN, in place.

    A border is what is exactly 0 in all channels and hangs together with a run of at least 16 such
    pixels on the outermost rows or columns; besides, outermost rows and columns that are 0 from end
    to end in one channel. Where that makes more than half of the frame it is no border but a black
    sky, and stays.

    Parameters
    ----------
    pixels : ndarray, (channel, y, x) float32
        Changed in place.

    Returns
    -------
    float
        Share of the pixels set to NaN; minus that share where they were too many and stayed.
    """
    share = _blank_wedges(pixels)
    return share if share < 0 else share + _blank_strips(pixels)


def _blank_wedges(pixels):
    lines = [_zero_runs(edge) for edge in _edges(pixels)]
    if not any(line.any() for line in lines):
        return 0.0
    mask = _hanging_together(pixels, lines)
    share = np.count_nonzero(mask) / mask.size
    if share > BORDER_MOST:
        return -share
    for plane in pixels:
        plane[mask] = np.nan
    return share


def _edges(array):
    """The outermost columns and rows of (..., y, x)."""
    return array[..., 0], array[..., -1], array[..., 0, :], array[..., -1, :]


def _hanging_together(pixels, lines):
    """Where all channels are zero and the zeros reach one of the edges where its line is set."""
    from scipy import ndimage

    labels, count = ndimage.label(np.logical_and.reduce([plane == 0 for plane in pixels]))
    border = np.zeros(count + 1, bool)
    for line, edge in zip(lines, _edges(labels), strict=True):
        border[edge[line]] = True
    return border[labels]


def _zero_runs(line):
    """Where an outermost line (channel, n) is zero in all channels over a run of BORDER_RUN_PX or
    its whole length."""
    empty = np.all(line == 0, axis=0)
    if not empty.any():
        return empty
    from scipy import ndimage  # takes a fifth of a second, before a picture is seen

    return ndimage.binary_opening(empty, np.ones(min(BORDER_RUN_PX, len(empty)), bool))


def _blank_strips(pixels):
    views = [view for plane in pixels for view in (plane, plane[::-1], plane.T, plane.T[::-1])]
    strips = [view[: _empty_lines(view)] for view in views]
    share = sum(np.count_nonzero(strip == 0) for strip in strips) / pixels.size
    if share > BORDER_MOST:
        return 0.0
    for strip in strips:
        strip[strip == 0] = np.nan
    return share


def _empty_lines(view):
    """How many lines from the start hold nothing but zeros and NaN."""
    empty = (np.all((line == 0) | np.isnan(line)) for line in view)
    return next((i for i, line in enumerate(empty) if not line), len(view))
