"""How wide and how drawn out the stars are from place to place: what an eye looks for in the
corners."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .shape_field import ShapeField

MAP_CELLS = (7, 9)  # rows and columns of the map


@dataclass(frozen=True, eq=False, kw_only=True)
class ProfileMap:
    """Shapes of the stars on a grid of a frame, of each channel.

    Attributes
    ----------
    x_px : ndarray, (columns,)
    y_px : ndarray, (rows,)
    fwhm_px : ndarray, (3, rows, columns)
        Geometric mean of the two axes, as seen in pixels.
    axis_ratio : ndarray, (3, rows, columns)
        Short against long axis: 1 is round.
    long_axis_deg : ndarray, (3, rows, columns)
        Direction of the long axis from x towards y, -90 to 90.
    stars : tuple of int
        How many stars of each channel the map rests on.
    degree : tuple of int
        Of the polynomials of width and of elongation; 0: the same everywhere, or too few stars to
        tell.
    """

    x_px: NDArray
    y_px: NDArray
    fwhm_px: NDArray
    axis_ratio: NDArray
    long_axis_deg: NDArray
    stars: tuple[int, ...]
    degree: tuple[int, int]


def profile_map(field: ShapeField) -> ProfileMap:
    """The shapes of a field at the middles of `MAP_CELLS` equal parts of the frame."""
    y_px = _middles(MAP_CELLS[0], field.shape[0])
    x_px = _middles(MAP_CELLS[1], field.shape[1])
    x, y = np.meshgrid(x_px, y_px)
    shapes = [field.at(channel, x, y) for channel in range(len(field.size))]
    size = np.stack([of_channel[0] for of_channel in shapes])
    lean = np.stack([of_channel[1] for of_channel in shapes])
    e1 = lean[..., 0]
    e2 = lean[..., 1]
    return ProfileMap(
        x_px=x_px,
        y_px=y_px,
        fwhm_px=np.exp(size),
        axis_ratio=np.exp(-2 * np.hypot(e1, e2)),
        long_axis_deg=np.degrees(np.arctan2(e2, e1)) / 2,
        stars=field.stars,
        degree=field.degree,
    )


def _middles(parts: int, size: int) -> NDArray:
    """Middles of equal parts of a side of the frame, px."""
    return (np.arange(parts) + 0.5) * size / parts - 0.5
