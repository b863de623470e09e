"""Pixels of one grid brought onto another by their WCS, tile by tile."""

import numpy as np
from astropy.wcs import WCS
from astropy.wcs.wcsapi.wrappers import BaseWCSWrapper
from numpy.typing import NDArray
from scipy import ndimage

from . import pixel_scale_arcsec, pixels_of

TILE_PX = 512  # bounds memory: the library works in float64
MARGIN_PX = 12  # a cubic spline forgets its boundary within that
TILE_PROBES = 5  # along each side of a tile, to find what part of the source it shows
MOST_INVERSE_ERROR_PX = 0.05
SPREAD_PX = 2  # how far a pixel without data spoils its neighbours


class MovedWCS(BaseWCSWrapper):
    """A WCS seen through a shift, rotation and scale: its pixel z is pixel ``a z + b`` of the
    original.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        Celestial.
    a, b : complex
        With z = x + i y.
    """

    def __init__(self, wcs, a: complex, b: complex):
        super().__init__(wcs)
        self.a, self.b = complex(a), complex(b)

    def pixel_to_world_values(self, x, y):
        """Sky of pixels."""
        z = self.a * (np.asarray(x) + 1j * np.asarray(y)) + self.b
        return self._wcs.pixel_to_world_values(z.real, z.imag)

    def world_to_pixel_values(self, ra_deg, dec_deg):
        """Pixels of the sky."""
        x, y = self._wcs.world_to_pixel_values(ra_deg, dec_deg)
        z = (np.asarray(x) + 1j * np.asarray(y) - self.b) / self.a
        return z.real, z.imag


class Checked(BaseWCSWrapper):
    """A WCS that answers NaN for sky so far outside its frame that its distortion cannot be
    inverted there."""

    def pixel_to_world_values(self, x, y):
        """Sky of pixels."""
        return self._wcs.pixel_to_world_values(x, y)

    def world_to_pixel_values(self, ra_deg, dec_deg):
        """Pixels of the sky."""
        x, y = pixels_of(self._wcs, ra_deg, dec_deg)
        if not self._wcs.has_distortion:
            return x, y
        back_ra_deg, back_dec_deg = self._wcs.all_pix2world(x, y, 0)
        turn_deg = (back_ra_deg - ra_deg + 180) % 360 - 180
        error_deg = np.hypot(turn_deg * np.cos(np.radians(dec_deg)), back_dec_deg - dec_deg)
        right = error_deg < MOST_INVERSE_ERROR_PX * pixel_scale_arcsec(self._wcs) / 3600
        return np.where(right, x, np.nan), np.where(right, y, np.nan)


def regrid(
    planes: NDArray, source: WCS, target, shape: tuple[int, int], *, light: bool = False
) -> NDArray[np.float32]:
    """Interpolate planes on another pixel grid, by cubic splines.

    Parameters
    ----------
    planes : ndarray, (channel, y, x)
        NaN where there is no data.
    source, target : WCS
        Of the planes, and of the grid wanted; celestial. The target may be a `MovedWCS` one.
    shape : (int, int)
        Rows and columns wanted.
    light : bool
        What a pixel holds: its light, so that the sum over a star stays (True), or brightness, so
        that the level of the sky stays (False).

    Returns
    -------
    ndarray, (channel, *shape) float32
        NaN where the planes have no data. Where the pixels wanted are larger, each is the mean (or
        sum) over a grid of points in it, so that no star falls between two.
    """
    wanted = np.full((len(planes), *shape), np.nan, np.float32)
    for top in range(0, shape[0], TILE_PX):
        for left in range(0, shape[1], TILE_PX):
            tile = wanted[:, top : top + TILE_PX, left : left + TILE_PX]
            _fill(tile, planes, source, MovedWCS(target, 1, left + 1j * top), light)
    return wanted


def source_positions(source, target, x_px: NDArray, y_px: NDArray) -> tuple[NDArray, NDArray]:
    """Where on the source's grid pixels of the target's lie; NaN off the sky.

    Parameters
    ----------
    source, target : WCS
        Celestial.
    x_px, y_px : ndarray
        0-based, on the grid of `target`.

    Returns
    -------
    tuple of ndarray
        The same places on the grid of `source`.
    """
    return Checked(source).world_to_pixel_values(*target.pixel_to_world_values(x_px, y_px))


def _fill(tile, planes, source, target, light):
    """Give a tile its pixels, in place."""
    height, width = tile.shape[1:]
    y, x = np.meshgrid(
        np.linspace(-0.5, height - 0.5, TILE_PROBES),
        np.linspace(-0.5, width - 0.5, TILE_PROBES),
        indexing="ij",
    )
    there = source_positions(source, target, x, y)
    window = _source_window(there, planes.shape[1:])
    if window is None:
        return
    area = _area(there, height / (TILE_PROBES - 1), width / (TILE_PROBES - 1))
    fine = max(1, round(np.sqrt(area)))
    grid = MovedWCS(target, 1 / fine, (1 + 1j) * (0.5 / fine - 0.5))
    values = _interpolated(
        planes[:, *window], Checked(source[window]), grid, (height * fine, width * fine)
    )
    tile[:] = values.reshape(-1, height, fine, width, fine).mean(axis=(2, 4)) * (
        area if light else 1
    )


def _source_window(there, shape):
    """The part of the source that holds these positions, with a margin; None if there is none."""
    if not all(np.isfinite(v).any() for v in there):
        return None
    window = tuple(
        slice(max(0, int(np.nanmin(v)) - MARGIN_PX), min(n, int(np.nanmax(v)) + MARGIN_PX + 2))
        for v, n in zip(there[::-1], shape, strict=True)
    )
    return window if all(s.stop - s.start > 1 for s in window) else None


def _area(there, dy, dx):
    """Area of a wanted pixel in pixels of the source: the median of the Jacobian determinant over
    the probes."""
    (x_down, x_across), (y_down, y_across) = (np.gradient(v, dy, dx) for v in there)
    return float(np.nanmedian(np.abs(x_across * y_down - x_down * y_across)))


def _interpolated(planes, source, target, shape):
    """Cubic splines through what is known; NaN near what is not."""
    from reproject import reproject_interp  # half a second to import

    empty = ~np.isfinite(planes)
    if empty.all():
        return np.full((len(planes), *shape), np.nan, np.float32)
    known = planes if not empty.any() else np.where(empty, _typical(planes, empty), planes)
    settings = {"shape_out": shape, "return_footprint": False, "roundtrip_coords": False}
    values = reproject_interp((known, source), target, order="bicubic", **settings).astype(
        np.float32
    )
    if empty.any():
        spoilt = np.stack(
            [ndimage.binary_dilation(e, iterations=SPREAD_PX) for e in empty]
        ).astype(np.float32)
        values[
            reproject_interp((spoilt, source), target, order="nearest-neighbor", **settings)
            > 0.5
        ] = np.nan
    return values


def _typical(planes, empty):
    """A level for each plane that makes no step at the edge of its data."""
    levels = [
        np.median(plane[~gap]) if not gap.all() else 0
        for plane, gap in zip(planes, empty, strict=True)
    ]
    return np.array(levels, np.float32)[:, None, None]
