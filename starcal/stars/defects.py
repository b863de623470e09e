"""Hot pixels, cosmic rays and bad columns: what is sharper than any star, in one channel alone.

They are told from stars before stars are looked for, are counted, and are replaced by the median of
their neighbours in what is measured. The frame itself stays as it is.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ..cores import in_threads
from ..robust import (
    SIGMA_PER_DEVIATION,
    places_where,
    quantile_of_known,
    square_round,
    upper_median,
)
from ..texts import counted
from .borders import NO_BORDER
from .mended import MendedFrame, mended_frame
from .noise import FrameNoise
from .shapes import stamps_round

STANDS_OUT_SIGMA = 8.0  # of a pixel over the median of its neighbours
SHARPER = 1.8  # than the peak of a star of the frame's width, centred on its pixel
NARROWEST_STAR_PX = 1.5  # FWHM; what one channel shows of a sharper star is like a hot pixel
SHARPER_TRACK = 2.5  # across; filaments of a sharpened nebula may be sharper than stars
TRACK_PAIR_SIGMA = (
    1.8  # by which the two pixels beside one may be too low: 2.5 errors of their mean
)
BESIDE_SIGMA = 4.0  # of a pixel next to one that stands out: the faint parts of a track
DARKER_RIM = 0.25  # of it are darker: the middle one may belong to a bright star beside
OTHER_SHARE = 0.3  # of its height in units of noise, that another channel may show there
OTHER_SIGMA = 4.0  # or so much: noise alone
DEFECT_ROWS = 64  # a strip of them and what is made of it fit the cache
COLUMN_SIGMA = 8.0  # of a column's median over that of the columns beside it
COLUMN_NOISE = 0.5  # of a pixel's noise, below which a column does no harm
COLUMN_STEPS = 1.5  # of coarse values: medians of one level may be rounded a step apart
MEDIAN_ERROR = np.sqrt(np.pi / 2)  # of a median, in those of a mean
COLUMN_REACH = 3  # columns on either side that say what it should be
COLUMN_ROWS = 1500  # that its median is taken of
COLUMNS_AT_ONCE = 64
MOST_COLUMNS = 0.02  # of all: with more of them it is a pattern, not a defect


@dataclass(frozen=True, eq=False, kw_only=True)
class Defects:
    """Pixels that show no light of the sky, and what stands in for them in what is measured.

    Attributes
    ----------
    channel, row, column : ndarray of int, shape (n,)
        Which pixels.
    value : ndarray of float32, shape (n,)
        The median of their neighbours; in a column, of the columns beside it.
    hot_pixels : tuple of int
        How many single pixels in R, G, B.
    columns : tuple of int
        How many columns in R, G, B.
    border : tuple of int
        First rows, last rows, first and last columns that show no sky: no data for what is
        measured.
    """

    channel: NDArray
    row: NDArray
    column: NDArray
    value: NDArray
    hot_pixels: tuple[int, ...]
    columns: tuple[int, ...]
    border: tuple[int, int, int, int] = NO_BORDER

    def __len__(self) -> int:
        """How many pixels, those of the border apart."""
        return len(self.row)

    def within(self, window: tuple[slice, slice]) -> bool:
        """Whether any of them lies in these rows and columns, those of the border apart."""
        rows, columns = window
        inside = (self.row >= rows.start) & (self.row < rows.stop)
        inside &= (self.column >= columns.start) & (self.column < columns.stop)
        return bool(inside.any())


def mended(pixels: NDArray, defects: Defects) -> NDArray | MendedFrame:
    """The frame with its defects replaced and its border blank, without a copy; the same array
    where there are none.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        It stays as it is.
    defects : Defects

    Returns
    -------
    ndarray or MendedFrame, (3, y, x)
    """
    if not len(defects) and not any(defects.border):
        return pixels
    places = defects.channel, defects.row, defects.column
    return mended_frame(pixels, *places, defects.value, defects.border)


def without_border(pixels: NDArray, border: tuple[int, int, int, int]) -> NDArray | MendedFrame:
    """The frame with no data in its border, without a copy; the same array where there is none.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        It stays as it is.
    border : tuple of int
        First rows, last rows, first and last columns.

    Returns
    -------
    ndarray or MendedFrame, (3, y, x)
    """
    if not any(border):
        return pixels
    nowhere = np.empty(0, int)
    return mended_frame(pixels, nowhere, nowhere, nowhere, np.empty(0, np.float32), border)


def blanked(pixels: NDArray, defects: Defects) -> NDArray | MendedFrame:
    """The frame with no data in its defects, its border as it is, without a copy; the same array
    where there are none.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        It stays as it is.
    defects : Defects

    Returns
    -------
    ndarray or MendedFrame, (3, y, x)
    """
    if not len(defects):
        return pixels
    nothing = np.full(len(defects), np.nan, np.float32)
    return mended_frame(pixels, defects.channel, defects.row, defects.column, nothing)


def find_defects(pixels: NDArray, noise: FrameNoise, fwhm_px: float) -> Defects:
    """Hot pixels and bad columns of a linear frame.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        Linear, NaN where there is no data.
    noise : FrameNoise
    fwhm_px : float
        Of its stars.

    Returns
    -------
    Defects
    """
    bad_columns = _bad_columns(pixels, noise)
    places = []
    counts = []
    for channel, columns in enumerate(bad_columns):
        hot = _hot_pixels(pixels, noise, fwhm_px, channel)
        hot = hot[:, ~np.isin(hot[1], columns)]
        counts.append(hot.shape[1])
        places.append(_pixel_places(pixels, channel, hot))
        places += [_column_places(pixels, channel, c, bad_columns) for c in columns]
    of_all = [np.concatenate(part) for part in zip(*places, strict=True)]
    return Defects(
        channel=of_all[0],
        row=of_all[1],
        column=of_all[2],
        value=of_all[3],
        hot_pixels=tuple(counts),
        columns=tuple(len(c) for c in bad_columns),
    )


def _pixel_places(pixels: NDArray, channel: int, hot: NDArray):
    """Hot pixels as (channel, row, column, value): the median of their neighbours."""
    row, column = hot
    value = _neighbours(pixels[channel], row, column)
    return np.full(len(row), channel), row, column, value.astype(np.float32)


# --- single pixels ----------------------------------------------------------------------


def _hot_pixels(pixels: NDArray, noise: FrameNoise, fwhm_px: float, channel: int) -> NDArray:
    """Rows and columns of the hot pixels and tracks of a channel, (2, n): clear ones, and fainter
    ones next to them by what is left when those are mended."""
    seek = partial(_odd_among, pixels, noise, fwhm_px, channel)
    peaks = _lone_peaks(pixels[channel], noise.noise[channel])
    hot = new = seek(pixels[channel], peaks, STANDS_OUT_SIGMA, TRACK_PAIR_SIGMA)
    while new.shape[1]:
        places = _pixel_places(pixels, channel, hot)
        left = mended_frame(pixels, *places, NO_BORDER)[channel]
        ground = places[3][-new.shape[1] :] + BESIDE_SIGMA / 2 * noise.noise[channel]
        beside = _not_among(_high_beside(left, new, ground), hot, left.shape)
        new = seek(left, beside, BESIDE_SIGMA, 0.0)
        hot = np.hstack([hot, new])
    return hot


def _odd_among(
    pixels,
    noise: FrameNoise,
    fwhm_px,
    channel: int,
    plane,
    places: NDArray,
    height_sigma,
    margin,
) -> NDArray:
    """Those of some pixels, (2, n), that stand out by so many sigmas, sharper than stars on a plane
    and in this channel alone."""
    row, column = places
    if len(row) == 0:
        return places
    height, sigma = _height_in_noise(pixels, noise, channel, row, column)
    odd = height > height_sigma
    odd &= _sharper_than_stars(plane, fwhm_px, row, column, margin * sigma)
    value = pixels[:, row, column]
    for other in set(range(len(pixels))) - {channel}:
        level, _ = _height_in_noise(pixels, noise, other, row, column)
        same = value[other] == value[channel]  # a channel used twice
        odd &= same | (level < np.maximum(OTHER_SIGMA, OTHER_SHARE * height))
    return places[:, odd]


def _high_beside(plane, places: NDArray, above: NDArray) -> NDArray:
    """Those of the eight neighbours of some pixels, (2, n), that lie above a level of each, off the
    rim of the plane."""
    offsets = np.delete(square_round(1).reshape(2, -1), 4, axis=1)
    near = (places[:, :, None] + offsets[:, None]).reshape(2, -1)
    high = plane[near[0], near[1]] > np.repeat(above, offsets.shape[1])
    return near[:, high & _off_rim(near.T, plane.shape)]


def _not_among(places: NDArray, known: NDArray, shape: tuple[int, ...]) -> NDArray:
    """Those of some pixels, (2, n), that are none of the known ones, each once."""
    numbers = [np.ravel_multi_index(tuple(each), shape) for each in (places, known)]
    return np.array(np.unravel_index(np.setdiff1d(*numbers), shape))


def _off_rim(at: NDArray, shape: tuple[int, ...]) -> NDArray:
    """Which pixels, (n, 2), have two more on all sides."""
    return ((at >= 2) & (at < np.array(shape) - 2)).all(axis=1)


def _lone_peaks(plane: NDArray, sigma: float) -> NDArray:
    """Pixels well above both of their neighbours in the row or in the column, off the rim of the
    frame, (2, n)."""
    if not sigma > 0 or min(plane.shape) < 5:
        return np.empty((2, 0), int)
    in_strip = partial(_standing_out, plane, 0.5 * STANDS_OUT_SIGMA * sigma)
    found = list(in_threads(in_strip, range(0, len(plane), DEFECT_ROWS)))
    at = np.concatenate(found)
    return at[_off_rim(at, plane.shape)].T


def _standing_out(plane: NDArray, by: float, start: int) -> NDArray:
    """Row and column of the pixels of a strip that are so much above those beside them, or above
    and below, (n, 2)."""
    first = max(start, 1)
    strip = plane[first - 1 : start + DEFECT_ROWS + 1]
    with np.errstate(invalid="ignore"):
        inner = strip[1:-1, 1:-1] - by
        out = inner > np.maximum(strip[1:-1, :-2], strip[1:-1, 2:])
        out |= inner > np.maximum(strip[:-2, 1:-1], strip[2:, 1:-1])
    row, column = places_where(out)
    return np.column_stack([row + first, column + 1])


def _neighbours(plane: NDArray, row: NDArray, column: NDArray) -> NDArray:
    """Median of the eight pixels round each."""
    stamps = stamps_round(plane, column, row, 1).reshape(len(row), 9)
    return upper_median(np.delete(stamps, 4, axis=1)) if len(row) else np.empty(0)


def _height_in_noise(
    pixels, noise: FrameNoise, channel: int, row: NDArray, column: NDArray
) -> tuple[NDArray, NDArray]:
    """How far pixels stand above their neighbours, in units of their noise, 0 where there is no
    data; and that noise."""
    ground = _neighbours(pixels[channel], row, column).astype(float)
    photons = np.maximum(ground - noise.sky[channel], 0) / noise.electrons_per_unit[channel]
    sigma = np.sqrt(max(noise.noise[channel], 1e-12) ** 2 + photons)
    return np.nan_to_num((pixels[channel, row, column] - ground) / sigma, nan=0.0), sigma


def _sharper_than_stars(
    plane: NDArray, fwhm_px: float, row: NDArray, column: NDArray, margin: NDArray
) -> NDArray:
    """Pixels that stand higher than a star's peak can, from the darker side of the rim of 5 by 5:
    over the four nearest, or as tracks do over the two beside them along any line, those taken to
    be higher by a margin."""
    stamps = stamps_round(plane, column, row, 2).astype(float)
    level = quantile_of_known(stamps.reshape(len(row), 25)[:, _RIM], DARKER_RIM)
    above = np.moveaxis(stamps, 0, -1) - level
    fall = np.exp(-4 * np.log(2) / max(fwhm_px, NARROWEST_STAR_PX) ** 2)  # from pixel to pixel
    nearest = above[[1, 3, 2, 2], [2, 2, 1, 3]].mean(axis=0)
    sharp = above[2, 2] * fall > SHARPER * np.maximum(nearest, 0)
    for down, across in _LINES:
        pair = (above[2 + down, 2 + across] + above[2 - down, 2 - across]) / 2
        expected = above[2, 2] * fall ** (down**2 + across**2)
        sharp |= expected > SHARPER_TRACK * (np.maximum(pair, 0) + margin)
    return sharp


_LINES = ((0, 1), (1, 0), (1, 1), (1, -1))
_RIM = np.flatnonzero(np.pad(np.zeros((3, 3), bool), 1, constant_values=True).ravel())


# --- columns ----------------------------------------------------------------------------


def _bad_columns(pixels: NDArray, noise: FrameNoise) -> list[NDArray]:
    """Columns of each channel that stand off from those beside them, in that channel alone."""
    thin = max(1, pixels.shape[1] // COLUMN_ROWS)
    sample = pixels[:, ::thin]
    off = [_columns_off(*each) for each in zip(sample, noise.noise, strict=True)]
    least = max(COLUMN_NOISE, COLUMN_SIGMA * MEDIAN_ERROR / np.sqrt(sample.shape[1]))
    rounded = COLUMN_STEPS * np.array(noise.step) / np.maximum(noise.noise, 1e-12)
    limit = np.maximum(least, rounded)
    bad = np.abs(np.array(off)) > limit[:, None]
    for mine, plane, most in zip(bad, sample, limit * noise.noise, strict=True):
        mine[mine] = np.abs(_off_in_their_rows(plane, np.flatnonzero(mine))) > most
    alone = bad.sum(axis=0) == 1
    few = bad.mean(axis=1) <= MOST_COLUMNS
    return [np.flatnonzero(mine & alone & rare) for mine, rare in zip(bad, few, strict=True)]


def _off_in_their_rows(plane: NDArray, columns: NDArray) -> NDArray:
    """How far columns are off from the mean of two beside them in the same rows: on rough nebula
    medians of whole columns differ by what lies in other rows. 0 where nebula may do so."""
    reach = np.arange(1, COLUMN_REACH + 1)
    off = np.zeros((len(columns), COLUMN_REACH))
    for mine, column in zip(off, columns, strict=True):
        left = np.maximum(column - reach, 0)
        right = np.minimum(column + reach, plane.shape[1] - 1)
        apart = (plane[:, [column]] - (plane[:, left] + plane[:, right]) / 2).T
        mine[:] = upper_median(apart)
        spread = SIGMA_PER_DEVIATION * upper_median(np.abs(apart - mine[:, None]))
        mine[np.abs(mine) < COLUMN_SIGMA * MEDIAN_ERROR * spread / np.sqrt(len(plane))] = 0
    return np.nan_to_num(upper_median(off))


def _columns_off(plane: NDArray, sigma: float) -> NDArray:
    """How far the median of each column is off from those beside it, in pixel sigmas."""
    parts = [
        slice(start, start + COLUMNS_AT_ONCE)
        for start in range(0, plane.shape[1], COLUMNS_AT_ONCE)
    ]
    level = np.concatenate(list(in_threads(partial(_column_medians, plane), parts)))
    return _off_from_beside(level) / max(sigma, 1e-12)


def _column_medians(plane: NDArray, columns: slice) -> NDArray:
    """Of some columns, as few as stay in the cache while they are turned into rows."""
    return upper_median(np.ascontiguousarray(plane[:, columns].T), 0.5)


def _off_from_beside(level: NDArray) -> NDArray:
    """Each level less the median of `COLUMN_REACH` on either side; 0 where unknown."""
    n, reach = len(level), COLUMN_REACH
    padded = np.pad(level, reach, constant_values=np.nan)
    beside = np.stack([padded[k : k + n] for k in range(2 * reach + 1) if k != reach], axis=1)
    return np.nan_to_num(level - upper_median(beside))


def _column_places(pixels, channel: int, column: int, bad_columns):
    """All pixels of a bad column, as (channel, row, column, value): the mean of the nearest good
    columns."""
    good = np.setdiff1d(np.arange(pixels.shape[2]), bad_columns[channel])
    left, right = good[good < column], good[good > column]
    beside = [part for part in (left[-1:], right[:1]) if len(part)]
    height = pixels.shape[1]
    value = pixels[channel][:, np.concatenate(beside)].mean(axis=1)
    return (
        np.full(height, channel),
        np.arange(height),
        np.full(height, column),
        value.astype(np.float32),
    )


def defect_notes(defects: Defects) -> tuple[str, ...]:
    """A sentence on what was found; none for a frame without.

    Parameters
    ----------
    defects : Defects

    Returns
    -------
    tuple of str
    """
    names = ("R", "G", "B")
    parts = [
        f"{counted(count, what)} in {name}"
        for what, counts in (("hot pixel", defects.hot_pixels), ("column", defects.columns))
        for name, count in zip(names, counts, strict=True)
        if count
    ]
    notes = (_border_note(defects.border),) if any(defects.border) else ()
    if not parts:
        return notes
    return (
        *notes,
        f"sharper than any star, and in one channel alone: {', '.join(parts)}; taken for defects "
        "and replaced by their neighbours in what is measured",
    )


def _border_note(border: tuple[int, int, int, int]) -> str:
    """What was taken for no data at the edges."""
    names = ("first rows", "last rows", "first columns", "last columns")
    parts = [f"{n} {name}" for n, name in zip(border, names, strict=True) if n]
    return f"unlike the sky further in: the {', '.join(parts)}; nothing was measured there"
