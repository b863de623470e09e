"""The order of brightness of displayed stars: their light is compressed, their size is not."""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy import ndimage

from .columns import places_of

SCALES = (0.5, 1.0, 2.0, 4.0)  # Gaussian sigmas in widths of a typical star
# Of the highest place within a scale: a star stands there, within a pixel or two; what was found
# lower lies in its halo, on its spikes or its rim, and is none of that size.
NEAR_TOP = 0.9
TOP_REACH = 1.5  # scales; beyond, another of that size may stand


def displayed_mag(pixels: NDArray, stars: Table) -> NDArray:
    """Magnitudes that tell the order of brightness in a stretched picture.

    The light of bright stars is compressed there, and comes out negative among neighbours; but they
    are displayed larger. A star counts by its height over its surroundings times its area, at the
    scale where that is most, of those at which nothing near it stands higher.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        Display values; NaN where there are none.
    stars : Table
        Of `measure_stars`, n rows.

    Returns
    -------
    ndarray, (n,)
        No measure of light; NaN where nothing stands out.
    """
    plane = np.nan_to_num(pixels.mean(axis=0))
    fwhm_px = float(np.mean(stars.meta["fwhm_px"]))
    at = np.rint(places_of(stars)[:, ::-1]).astype(int)
    row, column = np.clip(at, 0, np.array(plane.shape) - 1).T
    most = np.zeros(len(stars))
    for scale in SCALES:
        height = _height(plane, scale * fwhm_px)
        here = height[row, column]
        reach = round(TOP_REACH * scale * fwhm_px)
        tops = ndimage.maximum_filter(height, 2 * reach + 1)
        on_top = here >= NEAR_TOP * tops[row, column]
        counts = np.where(on_top, here * scale**2, 0)
        most = np.maximum(most, counts)
    return -2.5 * np.log10(np.where(most > 0, most, np.nan))


def _height(plane: NDArray, sigma_px: float) -> NDArray:
    """What stands out of its surroundings at a scale."""
    height = ndimage.gaussian_filter(plane, sigma_px)
    height -= ndimage.gaussian_filter(plane, 2 * sigma_px)
    return height
