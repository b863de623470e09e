"""Stamps: the pixels round each star, as rows of an array."""

import numpy as np


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
    dy, dx = np.mgrid[-half : half + 1, -half : half + 1]
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
    column = np.rint(x_px).astype(int)
    row = np.rint(y_px).astype(int)
    across, down = offsets
    values = values_at(plane, across + column[:, None], down + row[:, None])
    dx = across + (column - x_px)[:, None]
    dy = down + (row - y_px)[:, None]
    return values, dx.astype(np.float32), dy.astype(np.float32)


def values_at(plane: np.ndarray, columns: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Pixels of a plane as float32, NaN beyond its edges; the shape of the indices."""
    height, width = plane.shape
    nearest_row = np.clip(rows, 0, height - 1)
    nearest_column = np.clip(columns, 0, width - 1)
    values = plane[nearest_row, nearest_column]
    outside = (rows != nearest_row) | (columns != nearest_column)
    return np.where(outside, np.float32(np.nan), values.astype(np.float32))
