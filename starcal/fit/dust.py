"""What dust before the stars of a field does to gains.

A star behind dust is redder in B-V and in the channels, but not in the proportion in which cooler
stars are; nor is it in the bands of Tycho-2 and Gaia, whose B-V dust makes wrong. Gains fitted to
B-V as observed come out a little low in red and high in blue, and nothing in the frame shows it:
how much there is, is told by the place on the sky and the colours that the catalogue has there
(`catalogue/dust.py`).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..catalogue import sky_position, unit_vectors
from ..catalogue.dust import Reddening, expected_reddening, latitudes_deg

# Shift of ln gain of R and B per mag of E(B-V), B-V being right, and how it differs with the law of
# extinction and the filters: spectra of Pickles 1998 through a colour camera's channels and through
# mono filters (tests/reference/dust_in_catalogues.py). By Fitzpatrick 1999 -0.06 to -0.09 and +0.07
# to +0.09, by Cardelli et al. 1989 0 to +0.03 and +0.05 to +0.08.
SHIFT_PER_EBV = np.array([-0.04, 0.07])
SHIFT_ERROR_PER_EBV = np.array([0.05, 0.02])


@dataclass(frozen=True, kw_only=True)
class Dust(Reddening):
    """What is expected of dust, and what it does to gains.

    Attributes
    ----------
    by_catalogue : pair of float
        Shift of ln gain of R and B per mag of E(B-V), for what dust makes of the catalogue's B-V.
    """

    by_catalogue: tuple[float, float] = (0.0, 0.0)

    @property
    def shift_per_ebv(self) -> NDArray:
        """Shift of ln gain of R and B per mag of E(B-V), shape (2,)."""
        return SHIFT_PER_EBV + self.by_catalogue

    @property
    def factors(self) -> NDArray:
        """What takes its shift out of gains of R and B, shape (2,)."""
        return np.exp(-self.shift_per_ebv * self.ebv_mag)

    @property
    def gain_error(self) -> NDArray:
        """Relative error of the gains of R and B that it leaves, shape (2,): more dust than is
        expected moves both parts of the shift together."""
        of_law = SHIFT_ERROR_PER_EBV * np.hypot(self.ebv_mag, self.error_mag)
        return np.hypot(self.shift_per_ebv * self.error_mag, of_law)

    def to_dict(self) -> dict:
        """Plain numbers for JSON."""
        red, blue = map(float, self.factors - 1)
        red_error, blue_error = map(float, self.gain_error)
        return {
            "ebv_mag": self.ebv_mag,
            "error_mag": self.error_mag,
            "in_gains": {"R": red, "B": blue},
            "in_errors": {"R": red_error, "B": blue_error},
        }


UNKNOWN_DUST = Dust(ebv_mag=0.0, error_mag=0.1)  # where the place is not known


def dust_before(
    ra_deg: NDArray, dec_deg: NDArray, v_mag: NDArray, bv_mag: NDArray, bv_error_mag: NDArray
) -> Dust:
    """Reddening to be expected before the stars that a fit rests on.

    Parameters
    ----------
    ra_deg, dec_deg : ndarray, shape (n,)
        ICRS.
    v_mag, bv_mag, bv_error_mag : ndarray, shape (n,)
        As observed, and the error of B-V.

    Returns
    -------
    Dust
        By `catalogue.dust.expected_reddening`.
    """
    latitude_deg = galactic_latitude_deg(ra_deg, dec_deg)
    expected = expected_reddening(latitude_deg, v_mag, bv_mag, bv_error_mag)
    return Dust(ebv_mag=expected.ebv_mag, error_mag=expected.error_mag)


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
