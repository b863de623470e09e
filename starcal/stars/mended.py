"""A frame as it is measured: with its defects replaced and its border blank, and without a copy.

Whoever measures looks at strips, at cut-outs and at single pixels. What is asked for is taken from
the frame and mended then, so that the frame itself stays as it is and its memory is needed once.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .borders import NO_BORDER
from .shapes import gathered, stamps_round

SQUARE_PX = 16  # of the map that says where to look for defects


@dataclass(frozen=True, eq=False)
class MendedPlane:
    """One channel; it is indexed as the array would be, and gives copies.

    Attributes
    ----------
    plane : ndarray, (y, x)
        As it is.
    pixel : ndarray of int, (n,)
        Numbers of the pixels that are replaced, row by row, ascending.
    value : ndarray, (n,)
        By what.
    border : tuple of int
        First rows, last rows, first columns, last columns that have no data.
    spoilt : ndarray of bool
        In which squares of `SQUARE_PX` there is any of it.
    """

    plane: NDArray
    pixel: NDArray
    value: NDArray
    border: tuple[int, int, int, int]
    spoilt: NDArray

    @property
    def shape(self) -> tuple[int, ...]:
        """Rows and columns."""
        return self.plane.shape

    @property
    def dtype(self) -> np.dtype:
        """Of the pixels."""
        return self.plane.dtype

    def __len__(self) -> int:
        """How many rows."""
        return len(self.plane)

    def __array__(self, dtype=None, copy=None) -> NDArray:
        """All of it, a copy."""
        return np.asarray(self[:], dtype=dtype)

    def __getitem__(self, key) -> NDArray:
        """Rows, or rows and columns, by slices or by numbers of pixels."""
        rows, *others = key if isinstance(key, tuple) else (key,)
        columns = others[0] if others else slice(None)
        if isinstance(rows, slice) and isinstance(columns, slice):
            return self._block(rows, columns)
        if isinstance(rows, slice) or isinstance(columns, slice):
            return self._lines(rows, columns)
        return self._pixels_at(np.asarray(rows), np.asarray(columns))

    def stamps(self, x_px: NDArray, y_px: NDArray, half: int) -> NDArray:
        """As `shapes.stamps_round` of the array."""
        stamps = stamps_round(self.plane, x_px, y_px, half)
        within = 2 * (half // SQUARE_PX + 1) + 1  # squares that a stamp may touch, wherever
        near = ndimage.maximum_filter(self.spoilt, within, mode="nearest")
        row, column = (np.rint(place).astype(int) for place in (y_px, x_px))
        height, width = self.shape
        at = np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)
        some = np.flatnonzero(near[at[0] // SQUARE_PX, at[1] // SQUARE_PX])
        stamps[some] = gathered(self, row[some], column[some], half)
        return stamps

    def _block(self, rows: slice, columns: slice) -> NDArray:
        return self.put_right(self.plane[rows, columns].copy(), rows, columns)

    def put_right(self, values: NDArray, rows: slice, columns: slice) -> NDArray:
        """Mend a copy of these rows and columns, in place.

        Parameters
        ----------
        values : ndarray, (h, w)
        rows, columns : slice

        Returns
        -------
        ndarray, (h, w)
            The same.
        """
        height, width = self.shape
        row = _places_in(rows, height)
        column = _places_in(columns, width)
        self._blank(values, row, column)
        at = row[self.pixel // width], column[self.pixel % width]
        inside = (at[0] >= 0) & (at[1] >= 0)
        values[at[0][inside], at[1][inside]] = self.value[inside]
        return values

    def _lines(self, rows, columns) -> NDArray:
        """Some rows of some columns, one of the two by a slice."""
        height, width = self.shape
        grid = np.ix_(_lines_taken(rows, height), _lines_taken(columns, width))
        single = [isinstance(part, int | np.integer) for part in (rows, columns)]
        return self._pixels_at(*grid).squeeze(tuple(np.flatnonzero(single)))

    def _blank(self, values: NDArray, row: NDArray, column: NDArray) -> None:
        """No data in the border of a block whose rows and columns stand at these places in it."""
        if any(self.border):
            first, last, left, right = self.border
            height, width = self.shape
            for place in (row[:first], row[height - last :]):
                values[place[place >= 0]] = np.nan
            for place in (column[:left], column[width - right :]):
                values[:, place[place >= 0]] = np.nan

    def _pixels_at(self, rows: NDArray, columns: NDArray) -> NDArray:
        values = self.plane[rows, columns]
        rows, columns = np.broadcast_arrays(rows, columns)
        some = self.spoilt[rows // SQUARE_PX, columns // SQUARE_PX]
        if some.any():
            values[some] = self._replaced(values[some], rows[some], columns[some])
        return values

    def _replaced(self, values: NDArray, row: NDArray, column: NDArray) -> NDArray:
        """Values of some pixels, (n,), those that are defects or border replaced."""
        first, last, left, right = self.border
        height, width = self.shape
        inner = (row >= first) & (row < height - last)
        inner &= (column >= left) & (column < width - right)
        values = np.where(inner, values, np.float32(np.nan))
        if len(self.pixel):
            number = row * width + column
            at = np.minimum(np.searchsorted(self.pixel, number), len(self.pixel) - 1)
            values = np.where(self.pixel[at] == number, self.value[at], values)
        return values


def _lines_taken(part, length: int) -> NDArray:
    """Numbers of the rows or columns that a slice, a number or an array of numbers takes."""
    return np.atleast_1d(np.arange(length)[part])


def _places_in(part: slice, length: int) -> NDArray:
    """Where in a block each row or column of the whole stands, -1 if it is not in it."""
    place = np.full(length, -1)
    taken = np.arange(length)[part]
    place[taken] = np.arange(len(taken))
    return place


@dataclass(frozen=True, eq=False)
class MendedFrame:
    """Three such channels; indexed as the array (3, y, x) would be, with a copy for what is more
    than a channel."""

    planes: tuple[MendedPlane, ...]

    @property
    def shape(self) -> tuple[int, ...]:
        """Channels, rows and columns."""
        return (len(self.planes), *self.planes[0].shape)

    @property
    def dtype(self) -> np.dtype:
        """Of the pixels."""
        return self.planes[0].dtype

    def __len__(self) -> int:
        """How many channels."""
        return len(self.planes)

    def __iter__(self) -> Iterator[MendedPlane]:
        """The channels."""
        return iter(self.planes)

    def __array__(self, dtype=None, copy=None) -> NDArray:
        """All of it, a copy."""
        return np.asarray(np.stack([plane[:] for plane in self]), dtype=dtype)

    def __getitem__(self, key):
        """A channel, or the same part of one or of several."""
        channel, *part = key if isinstance(key, tuple) else (key,)
        planes = self.planes[channel]
        if not part:
            return MendedFrame(planes) if isinstance(channel, slice) else planes
        if not isinstance(channel, slice):
            return planes[tuple(part)]
        if all(isinstance(one, slice) for one in part):
            return _strip_of(planes, *part)
        return np.stack([plane[tuple(part)] for plane in planes])


def _strip_of(
    planes: tuple[MendedPlane, ...], rows: slice, columns: slice = slice(None)
) -> NDArray:
    """The same rows and columns of several channels."""
    first = planes[0].plane[rows, columns]
    values = np.empty((len(planes), *first.shape), first.dtype)
    for strip, plane in zip(values, planes, strict=True):
        strip[:] = plane.plane[rows, columns]
        plane.put_right(strip, rows, columns)
    return values


def mended_frame(
    pixels: NDArray,
    channel: NDArray,
    row: NDArray,
    column: NDArray,
    value: NDArray,
    border: tuple[int, int, int, int] = NO_BORDER,
) -> MendedFrame:
    """A frame with other values in some pixels and none in its border.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        It stays as it is.
    channel, row, column : ndarray of int, (n,)
        Which pixels; each but once.
    value : ndarray, (n,)
    border : tuple of int
        First rows, last rows, first columns, last columns; where a pixel is in both, its value
        counts.

    Returns
    -------
    MendedFrame
    """
    planes = []
    for index, plane in enumerate(pixels):
        mine = channel == index
        number = row[mine] * plane.shape[1] + column[mine]
        order = np.argsort(number, kind="stable")
        spoilt = _spoilt_squares(plane.shape, row[mine], column[mine], border)
        planes.append(MendedPlane(plane, number[order], value[mine][order], border, spoilt))
    return MendedFrame(tuple(planes))


def _spoilt_squares(shape, row, column, border) -> NDArray:
    """In which squares of `SQUARE_PX` there are such pixels or border."""
    height, width = shape
    first, last, left, right = border
    squares = np.zeros([-(-side // SQUARE_PX) for side in shape], bool)
    squares[row // SQUARE_PX, column // SQUARE_PX] = True
    squares[: -(-first // SQUARE_PX)] = True
    squares[:, : -(-left // SQUARE_PX)] = True
    squares[(height - last) // SQUARE_PX :] |= last > 0
    squares[:, (width - right) // SQUARE_PX :] |= right > 0
    return squares
