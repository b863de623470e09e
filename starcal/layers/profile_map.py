"""How wide and how drawn out the stars are from place to place: what an eye looks for in the
corners."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..stars import CHANNELS
from .shape_field import ShapeField

MAP_CELLS = (7, 9)  # rows and columns of the map


@dataclass(frozen=True, eq=False, kw_only=True)
class ProfileMap:
    """Shapes of the stars on a grid of a frame, of each channel.

    Attributes
    ----------
    shape : tuple of int
        Rows and columns of the frame.
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

    shape: tuple[int, int]
    x_px: NDArray
    y_px: NDArray
    fwhm_px: NDArray
    axis_ratio: NDArray
    long_axis_deg: NDArray
    stars: tuple[int, ...]
    degree: tuple[int, int]

    def to_dict(self) -> dict:
        """For JSON: of each channel the stars it rests on, the narrowest and widest FWHM, the
        lowest axis ratio and the direction there."""
        return {
            name: self._of_channel(channel)
            for channel, name in enumerate(CHANNELS[: len(self.fwhm_px)])
        }

    def _of_channel(self, channel: int) -> dict:
        width = self.fwhm_px[channel]
        ratio = self.axis_ratio[channel]
        worst = np.unravel_index(np.argmin(ratio), ratio.shape)
        return {
            "stars": self.stars[channel],
            "fwhm_px": [round(float(width.min()), 3), round(float(width.max()), 3)],
            "axis_ratio": round(float(ratio[worst]), 3),
            "long_axis_deg": round(float(self.long_axis_deg[channel][worst]), 1),
        }

    def mean(self) -> tuple[NDArray, NDArray, NDArray]:
        """FWHM, axis ratio and direction of the channels together, (rows, columns) each."""
        lean = -np.log(self.axis_ratio) * np.exp(2j * np.radians(self.long_axis_deg))
        lean = lean.mean(axis=0)
        width = np.exp(np.log(self.fwhm_px).mean(axis=0))
        return width, np.exp(-np.abs(lean)), np.degrees(np.angle(lean)) / 2


def _shapes_at(field, x_px, y_px):
    """ln FWHM and ellipticity of each channel at places of the frame."""
    shapes = [field.at(channel, x_px, y_px) for channel in range(len(field.size))]
    size = np.stack([of_channel[0] for of_channel in shapes])
    lean = np.stack([of_channel[1] for of_channel in shapes])
    return size, lean


def _components(lean):
    """The two parts of an ellipticity."""
    return lean[..., 0], lean[..., 1]


def profile_map(field: ShapeField) -> ProfileMap:
    """The shapes of a field at the middles of `MAP_CELLS` equal parts of the frame."""
    y_px, x_px = (
        _middles(count, size) for count, size in zip(MAP_CELLS, field.shape, strict=True)
    )
    x, y = np.meshgrid(x_px, y_px)
    size, lean = _shapes_at(field, x, y)
    return ProfileMap(
        shape=field.shape,
        x_px=x_px,
        y_px=y_px,
        fwhm_px=np.exp(size),
        axis_ratio=np.exp(-2 * np.hypot(*_components(lean))),
        long_axis_deg=np.degrees(np.arctan2(*_components(lean)[::-1])) / 2,
        stars=field.stars,
        degree=field.degree,
    )


def _middles(parts: int, size: int) -> NDArray:
    """Middles of equal parts of a side of the frame, px."""
    return (np.arange(parts) + 0.5) * size / parts - 0.5
