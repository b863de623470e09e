"""Patches of pixels that hang together where they are few in a frame: full cores of stars, and what
ran over from them. A map of the whole frame would take more memory than anything it is asked for.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components


@dataclass(frozen=True, eq=False, kw_only=True)
class Patches:
    """Pixels, and which of them hang together by their sides.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the frame.
    place : ndarray of int, (n,)
        Numbers of the pixels, row by row, ascending.
    mark : ndarray of int, (n,)
        Of the patch of each, from 1 on, in the order of their first pixels.
    """

    shape: tuple[int, int]
    place: NDArray[np.int_]
    mark: NDArray[np.int_]

    @classmethod
    def of(cls, place: NDArray[np.int_], shape: tuple[int, int]) -> "Patches":
        """From the numbers of the pixels, ascending, each once.

        Parameters
        ----------
        place : ndarray of int, (n,)
        shape : (int, int)

        Returns
        -------
        Patches
        """
        width = shape[1]
        inner = place[place % width < width - 1]
        one = np.append(inner, place)
        other = np.append(inner + 1, place + width)
        first = np.searchsorted(place, one)
        second = np.minimum(np.searchsorted(place, other), max(len(place) - 1, 0))
        linked = place[second] == other
        count = len(place)
        links = coo_array(
            (np.ones(np.count_nonzero(linked), bool), (first[linked], second[linked])),
            shape=(count, count),
        )
        mark = connected_components(links, directed=False)[1] if count else np.zeros(0, int)
        return cls(shape=shape, place=place, mark=mark.astype(int) + 1)

    def windows(self) -> list[tuple[slice, slice]]:
        """Rows and columns of each patch, that of mark 1 first."""
        if not len(self.place):
            return []
        order = np.argsort(self.mark, kind="stable")
        first = np.searchsorted(self.mark[order], np.arange(1, self.mark.max() + 1))
        row, column = np.divmod(self.place[order], self.shape[1])
        low, high = np.minimum.reduceat, np.maximum.reduceat
        ends = zip(
            low(row, first),
            high(row, first),
            low(column, first),
            high(column, first),
            strict=True,
        )
        return [
            (slice(int(top), int(bottom) + 1), slice(int(left), int(right) + 1))
            for top, bottom, left, right in ends
        ]

    def within(self, mark: int, window: tuple[slice, slice]) -> NDArray[np.bool_]:
        """Where a patch is in some rows and columns, (h, w).

        Parameters
        ----------
        mark : int
        window : tuple of slice
            Start and stop within the frame.

        Returns
        -------
        ndarray of bool, (h, w)
        """
        rows, columns = window
        ends = np.array([rows.start, rows.stop]) * self.shape[1]
        here = slice(*np.searchsorted(self.place, ends))
        row, column = np.divmod(self.place[here], self.shape[1])
        own = (self.mark[here] == mark) & (column >= columns.start) & (column < columns.stop)
        inside = np.zeros((rows.stop - rows.start, columns.stop - columns.start), bool)
        inside[row[own] - rows.start, column[own] - columns.start] = True
        return inside

    def at(self, row: NDArray[np.int_], column: NDArray[np.int_]) -> NDArray[np.int_]:
        """Marks at pixels of the frame, the shape of these; 0: of no patch.

        Parameters
        ----------
        row, column : ndarray of int

        Returns
        -------
        ndarray of int
        """
        place = row * self.shape[1] + column
        if not len(self.place):
            return np.zeros_like(place)
        near = np.minimum(np.searchsorted(self.place, place), len(self.place) - 1)
        return np.where(self.place[near] == place, self.mark[near], 0)


def with_neighbours(place: NDArray[np.int_], shape: tuple[int, int]) -> NDArray[np.int_]:
    """Pixels and those beside them, by their numbers, ascending, each once.

    Parameters
    ----------
    place : ndarray of int, (n,)
    shape : (int, int)
        Rows and columns of the frame.

    Returns
    -------
    ndarray of int
    """
    height, width = shape
    column = place % width
    beside = [
        place,
        place[column > 0] - 1,
        place[column < width - 1] + 1,
        place[place >= width] - width,
        place[place < (height - 1) * width] + width,
    ]
    return np.unique(np.concatenate(beside))
