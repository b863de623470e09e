"""Whether channels answer to bright stars as they do to faint ones, told by all clean stars.

B-V plays no part: one combination of a star's two log ratios is the same for all of them but for
their scatter about one line, so that stars of any brightness tell it to a per cent, matched or not,
where the catalogue's B-V leaves 3 to 5 %. Channels that are bent alike show in no colour: there
light is held against the catalogue's magnitudes.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..robust import SIGMA_PER_DEVIATION
from .gains import MAG_PER_LN, GainFit

STEADY_WIDTHS = (
    1.4  # aperture: narrower ones feel the places of faint stars, wider ones their sky
)
FEWEST_STEADY = 15  # stars; four terms, and what is needed to see odd ones
MOST_STEADY_NOISE = 0.05  # relative, of a star's light in the worst channel
OWN_SCATTER_LN = 0.03  # of real stars about one line in the two ratios
# what a line in the combination may still go with the stars' colour: luminosity classes, bends
TILT_ERROR, BOW_ERROR = 0.3, 0.1
KNOWN_OF_COLOUR = np.diag([0.0, TILT_ERROR**-2.0, BOW_ERROR**-2.0, 0.0])
SHARE_RANGE = (-1.3, -0.5)  # of the colour terms of R and B of broadband filters
ODD_SIGMAS, ODD_ROUNDS = 4.0, 6
BIWEIGHT_ROUNDS = 15
LEAST_SCALE = 0.5  # of the stars' scatter, in units of what noise and colours make expected
BRIGHT_TO_FAINT = (0.1, 0.9)  # of the stars, in light
# bright stars differ from faint ones in kind; on 280 linear frames the root mean square pull is 1.2
# with it
KINDS_LN = 0.006


@dataclass(frozen=True, kw_only=True)
class Steadiness:
    """Change of the combination from faint stars to bright ones.

    Attributes
    ----------
    change : float
        Of ln gain of R, if that channel alone does it.
    error : float
    share : float
        Gain of B would change by minus `change` over this, if that channel alone does it.
    stars : int
    """

    change: float
    error: float
    share: float
    stars: int


def steadiness(fit: GainFit, flux: NDArray, noise: NDArray) -> Steadiness | None:
    """Measure how the colours of bright stars differ from those of faint ones.

    Parameters
    ----------
    fit : GainFit
        Its slopes say which combination is free of star colour.
    flux : ndarray, shape (3, m)
        Of clean stars, matched or not.
    noise : ndarray, shape (m,)
        Relative, in the worst channel; NaN without light.

    Returns
    -------
    Steadiness or None
        None with too few stars, or without slopes.
    """
    good = (np.nan_to_num(flux) > 0).all(axis=0) & (noise < MOST_STEADY_NOISE)
    if good.sum() < FEWEST_STEADY or not fit.slope[1]:
        return None
    share = float(np.clip(fit.slope[0] / fit.slope[1], *SHARE_RANGE))
    slope, error = _slope_with_light(flux[:, good], noise[good], share)
    reach = _reach_ln(flux[1, good])
    return Steadiness(
        change=slope * reach,
        error=float(np.hypot(error * reach, KINDS_LN)),
        share=share,
        stars=int(good.sum()),
    )


@dataclass(frozen=True, kw_only=True)
class Proportion:
    """How light grows with that of the catalogue.

    Attributes
    ----------
    power : float
        By which it does; 1 for linear data.
    error : float
    """

    power: float
    error: float


def proportion(
    light: NDArray, noise: NDArray, v_mag: NDArray, bv_mag: NDArray
) -> Proportion | None:
    """Measure whether the light of stars is in proportion to what the catalogue has.

    Parameters
    ----------
    light : ndarray, shape (n,)
        Of stars that the catalogue knows, in one channel.
    noise : ndarray, shape (n,)
        Relative.
    v_mag, bv_mag : ndarray, shape (n,)

    Returns
    -------
    Proportion or None
        None with too few stars.
    """
    if len(light) < FEWEST_STEADY:
        return None
    colour = bv_mag - np.median(bv_mag)
    bright = (np.median(v_mag) - v_mag) / MAG_PER_LN
    design = np.column_stack([np.ones_like(colour), colour, colour**2, bright])
    sigma = np.hypot(noise, OWN_SCATTER_LN)
    found, covariance = _by_biweight(design, np.log(light), sigma)
    return Proportion(power=float(found[3]), error=float(np.sqrt(covariance[3, 3])))


def _reach_ln(light: NDArray) -> float:
    """Ratio of light from the faint stars to the bright ones, ln."""
    faint, bright = np.quantile(np.log(light), BRIGHT_TO_FAINT)
    return float(bright - faint)


def _slope_with_light(flux, noise, share) -> tuple[float, float]:
    """Slope of the combination with ln light, its bend with colour let free, and its error."""
    red, blue = -np.log(flux[[0, 2]] / flux[1])
    colour = blue - np.median(blue)
    brightness = np.log(flux[1])
    design = np.column_stack(
        [np.ones_like(colour), colour, colour**2, brightness - np.median(brightness)]
    )
    sigma = np.hypot(np.hypot(1.0, share) * noise, OWN_SCATTER_LN)
    found, covariance = _without_odd_stars(design, red - share * blue, sigma)
    return float(found[3]), float(np.sqrt(covariance[3, 3]))


def _by_biweight(design, values, sigma) -> tuple[NDArray, NDArray]:
    """As `_without_odd_stars`, with weights that fall gently: neighbours make the faint end odd all
    the way, and a line that begins there keeps them."""
    kept = np.ones(len(values))
    for _ in range(BIWEIGHT_ROUNDS):
        found, covariance, off = _weighted_line(design, values, sigma, kept)
        scale = max(SIGMA_PER_DEVIATION * float(np.median(off)), LEAST_SCALE)
        kept = np.clip(1 - (off / (ODD_SIGMAS * scale)) ** 2, 1e-6, None) ** 2
    return found, scale**2 * covariance


def _without_odd_stars(design, values, sigma) -> tuple[NDArray, NDArray]:
    """Terms of a line through stars that are not odd, and their covariance by what they scatter."""
    kept = np.ones(len(values), bool)
    for _ in range(ODD_ROUNDS):
        found, covariance, off = _weighted_line(design, values, sigma, kept)
        scale = max(SIGMA_PER_DEVIATION * float(np.median(off[kept])), LEAST_SCALE)
        kept = off < ODD_SIGMAS * scale
    return found, scale**2 * covariance


def _weighted_line(design, values, sigma, kept) -> tuple[NDArray, NDArray, NDArray]:
    """Terms of a line through stars, as far as each is kept, their covariance, and by how many
    errors each star is off."""
    weighted = design * (kept / sigma**2)[:, None]
    covariance = np.linalg.inv(weighted.T @ design + KNOWN_OF_COLOUR)
    found = covariance @ weighted.T @ values
    return found, covariance, np.abs(values - design @ found) / sigma
