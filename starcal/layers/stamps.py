"""Stamps: the pixels round each star, as rows of an array."""

import numpy as np

from ..robust import square_round


def disc_offsets(radius_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Integer offsets dx, dy of the pixels within a radius, each (P,).

    Parameters
    ----------
    radius_px : float

    Returns
    -------
    dx, dy : ndarray, (P,)
    """
    half = int(np.ceil(radius_px))
    dy, dx = square_round(half)
    inside = dx**2 + dy**2 <= radius_px**2
    return dx[inside], dy[inside]


def stamps_at(
    plane: np.ndarray, x_px, y_px, offsets
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values and offsets from the star of the pixels round each star, all (n, P); NaN beyond the
    frame.

    Parameters
    ----------
    plane : ndarray, (y, x)
    x_px, y_px : ndarray, (n,)
        0-based.
    offsets : tuple of ndarray
        Of `disc_offsets`.

    Returns
    -------
    tuple of ndarray, (n, P)
    """
    place, inside, dx, dy = places_round(plane.shape, x_px, y_px, offsets)
    # else all of it would be copied
    flat = isinstance(plane, np.ndarray) and plane.flags.c_contiguous
    values = plane.ravel().take(place) if flat else plane[np.unravel_index(place, plane.shape)]
    values = values.astype(np.float32, copy=False)
    if not inside.all():
        values[~inside] = np.nan
    return values, dx, dy


def places_round(
    shape: tuple[int, int], x_px, y_px, offsets
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Flat indices of the pixels round each star, whether they lie in the frame, and their offsets
    from the star, all (n, P).

    Parameters
    ----------
    shape : (int, int)
        Of the frame; the pixel nearest to one beyond it stands for that.
    x_px, y_px : ndarray, (n,)
        0-based.
    offsets : tuple of ndarray
        Of `disc_offsets`.

    Returns
    -------
    place : ndarray of int
    inside : ndarray of bool
    dx, dy : ndarray of float32
    """
    height, width = shape
    across, down = offsets
    column, columns, dx = _pixels_on_axis(x_px, across, width)
    row, rows, dy = _pixels_on_axis(y_px, down, height)
    inside = (columns == column) & (rows == row)
    rows *= width
    rows += columns
    return rows, inside, dx, dy


def _pixels_on_axis(at_px, offsets, side: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pixels round places along one axis, the nearest of them in the frame, and their offsets from
    the place."""
    middle = np.rint(at_px).astype(int)
    pixel = offsets + middle[:, None]
    offset = offsets + (middle - at_px)[:, None]
    return pixel, np.clip(pixel, 0, side - 1), offset.astype(np.float32)


def values_at(plane: np.ndarray, columns: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Pixels of a plane as float32, NaN beyond its edges; the shape of the indices."""
    height, width = plane.shape
    nearest_row = np.clip(rows, 0, height - 1)
    nearest_column = np.clip(columns, 0, width - 1)
    values = plane[nearest_row, nearest_column]
    outside = (rows != nearest_row) | (columns != nearest_column)
    return np.where(outside, np.float32(np.nan), values.astype(np.float32))
