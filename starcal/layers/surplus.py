"""Light round stars that goes by how bright they are, not in proportion to it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

# it is known to half of itself: on frames whose noise was cut at thresholds, stars of a brightness
# scatter by that about what they have in common
SURPLUS_DOUBT = 0.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Surplus:
    """What stars of a brightness have round them that their profile has not.

    Attributes
    ----------
    lowest : float
        Light of the stars of the first class, as a power of 2; each next class has twice as much.
    rings : ndarray, (3, classes, radii) float32
        Light of a pixel, by the class of its star and the whole pixels that it is away from it.
    """

    lowest: float
    rings: NDArray[np.float32]

    def at(self, channel: int, flux: NDArray, radius_px: NDArray) -> NDArray[np.float32]:
        """Light of pixels at a radius from stars of this light, all (k,)."""
        class_ = power_of_two(flux) - self.lowest
        places = np.stack([class_, radius_px - 0.5])
        found = ndimage.map_coordinates(
            self.rings[channel], places, order=1, mode="nearest", prefilter=False
        )
        return np.where(flux > 0, found, np.float32(0))


def power_of_two(flux: NDArray) -> NDArray[np.float32]:
    """Light as a power of 2; what is none is far below any star.

    Parameters
    ----------
    flux : ndarray

    Returns
    -------
    ndarray
    """
    return np.log2(np.maximum(flux, 1e-30)).astype(np.float32)
