"""Dust before the stars of a field: how much to expect there, and what it does to gains.

A star behind dust is redder in B-V and in the channels, but not in the proportion in which cooler
stars are. Gains fitted to B-V as observed come out a little low in red and high in blue, and
nothing in the frame shows it: it takes the place on the sky and the colours that the catalogue has
there.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..catalogue import sky_position, unit_vectors
from ..catalogue.dust import latitudes_deg, layer_reddening_mag

STARS_KPC = 0.4  # where stars of V 9 to 11.5 stand: F dwarfs at 0.2, K giants at 0.6
LEAST_EBV_ERROR_MAG = 0.03
# B-V that a tenth of the stars of V < 11.5 is bluer than: 0.12 at latitude 0, where there are A
# stars, 0.43 at the poles (medians of 250 fields of Tycho-2).
PLANE_EDGE_MAG, RISE_OF_EDGE_MAG, RISE_SIN_B = 0.12, 0.36, 0.15
EDGE_SPREADS = 1.28  # a tenth of a Gaussian lies beyond
SHARE_OF_EXCESS = 0.5  # of what its edge is redder than usual: dust, or stars of another kind
# Shift of ln gain of R and B per mag of E(B-V) and how it differs with the law of extinction and
# the filters: spectra of Pickles 1998 through a colour camera's channels and through mono filters.
# By Fitzpatrick 1999 -0.07 to -0.11 and +0.05 to +0.07, by Cardelli et al. 1989 0 and +0.05.
SHIFT_PER_EBV = np.array([-0.06, 0.055])
SHIFT_ERROR_PER_EBV = np.array([0.04, 0.02])


@dataclass(frozen=True, kw_only=True)
class Dust:
    """Reddening E(B-V) common to the stars of a field, as expected.

    Attributes
    ----------
    ebv_mag, error_mag : float
        Expected value and its error.
    """

    ebv_mag: float
    error_mag: float

    @property
    def factors(self) -> NDArray:
        """What takes its shift out of gains of R and B, shape (2,)."""
        return np.exp(-SHIFT_PER_EBV * self.ebv_mag)

    @property
    def gain_error(self) -> NDArray:
        """Relative error of the gains of R and B that it leaves, shape (2,)."""
        of_law = SHIFT_ERROR_PER_EBV * np.hypot(self.ebv_mag, self.error_mag)
        return np.hypot(SHIFT_PER_EBV * self.error_mag, of_law)


UNKNOWN_DUST = Dust(ebv_mag=0.0, error_mag=0.1)  # where the place is not known


def expected_dust(latitude_deg: float, bv_mean: float, bv_spread: float) -> Dust:
    """Reddening to be expected before the stars that a fit rests on.

    Parameters
    ----------
    latitude_deg : float
        Galactic.
    bv_mean, bv_spread : float
        Of their B-V as observed, freed of the catalogue's errors, mag.

    Returns
    -------
    Dust

    Notes
    -----
    That of a plane layer, which differs from place to place by as much as it is; and half of what
    the field's bluest stars are redder than usual at that latitude, by as much again.
    """
    height = max(abs(np.sin(np.radians(latitude_deg))), 1e-3)
    layer = layer_reddening_mag(latitude_deg, STARS_KPC)
    usual_edge = PLANE_EDGE_MAG + RISE_OF_EDGE_MAG * height / (height + RISE_SIN_B)
    excess = max(0.0, bv_mean - EDGE_SPREADS * bv_spread - usual_edge)
    more = SHARE_OF_EXCESS * excess
    error = np.sqrt(layer**2 + more**2 + LEAST_EBV_ERROR_MAG**2)
    return Dust(ebv_mag=float(layer + more), error_mag=float(error))


def galactic_latitude_deg(ra_deg: NDArray, dec_deg: NDArray) -> float:
    """Galactic latitude of the middle of some places.

    Parameters
    ----------
    ra_deg, dec_deg : ndarray, shape (n,)
        ICRS.

    Returns
    -------
    float
        -90 to 90.
    """
    centre = sky_position(np.mean(unit_vectors(ra_deg, dec_deg), axis=0))
    return float(latitudes_deg(*centre))
