"""Synthetic star colours, for stars whose true ones are not known, and the adjustment of any star
colours by taste."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from .. import colour
from ..choices import YELLOW_WHITE_BV_MAG, YELLOW_WHITE_RANGE_MAG

WARMTH_MAG = 0.35
"""Shift of B-V for one unit of warmth: the usual spread of field stars."""


@dataclass(frozen=True)
class Palette:
    """Invented B-V for stars without a measured one.

    Attributes
    ----------
    bv_mag : array (N,)
        One B-V per star.
    label : str
        What it is, for tables and reports: never to be taken for a measurement.
    """

    bv_mag: NDArray
    label: str


def yellow_white(
    n_stars: int, bv_mag: float = YELLOW_WHITE_BV_MAG, spread_mag: float = 0.0, seed: int = 0
) -> Palette:
    """One B-V for all stars, or an invented spread about it.

    Parameters
    ----------
    n_stars : int
    bv_mag : float
        Colour of all stars, within `colour.BV_RANGE_MAG`.
    spread_mag : float
        Standard deviation of the normal distribution drawn from, before it is cut at
        `YELLOW_WHITE_RANGE_MAG`.
    seed : int
        The same seed and number of stars give the same colours.

    Returns
    -------
    Palette

    Raises
    ------
    ValueError
        B-V where no star colour is known; negative spread; a spread about a B-V outside the
        yellow-white range.
    """
    low, high = YELLOW_WHITE_RANGE_MAG
    _check_palette(bv_mag, spread_mag)
    if spread_mag == 0:
        return Palette(
            np.full(n_stars, float(bv_mag)),
            f"synthetic: every star B-V {bv_mag:.2f}, not measured",
        )
    chance = np.random.default_rng(seed).uniform(
        ndtr((low - bv_mag) / spread_mag), ndtr((high - bv_mag) / spread_mag), n_stars
    )
    return Palette(
        np.clip(bv_mag + spread_mag * ndtri(chance), low, high),  # rounding
        f"synthetic: invented B-V {bv_mag:.2f} with spread {spread_mag:.2f} mag (seed {seed}), not "
        f"measured",
    )


def _check_palette(bv_mag: float, spread_mag: float) -> None:
    low, high = colour.BV_RANGE_MAG
    if not low <= bv_mag <= high:
        raise ValueError(
            f"B-V {bv_mag} given, but star colours are known from {low} to {high}; give a B-V in "
            f"between"
        )
    if not 0 <= spread_mag < np.inf:
        raise ValueError(
            f"spread {spread_mag} mag given, but it must be 0 or more; 0 makes all stars alike"
        )
    low, high = YELLOW_WHITE_RANGE_MAG
    if spread_mag > 0 and not low <= bv_mag <= high:
        raise ValueError(
            f"a spread about B-V {bv_mag} given, but invented spreads stay within {low} to {high}; "
            f"give spread 0 or a B-V in between"
        )


def star_colours(
    bv_mag: ArrayLike,
    neutral_bv_mag: float | None = colour.SOLAR_BV_MAG,
    warmth: float = 1.0,
    saturation: float = 1.0,
) -> NDArray:
    """Linear RGB (N, 3) of stars, luminance 1; true for warmth 1 and saturation 1.

    Parameters
    ----------
    bv_mag : array (N,)
        Johnson B-V, measured or invented; clamped to `colour.BV_RANGE_MAG`.
    neutral_bv_mag : float, optional
        B-V of the star that is to be neutral; None for D65.
    warmth : float
        Each unit above 1 makes every star redder by `WARMTH_MAG` in B-V, each unit below bluer.
    saturation : float
        Multiplies the log ratios of the channels: 0 makes every star neutral, 2 doubles its colour
        in magnitudes.

    Returns
    -------
    ndarray, (N, 3)

    Raises
    ------
    ValueError
        Saturation below 0, or warmth or saturation not finite.
    """
    if not (np.isfinite(warmth) and 0 <= saturation < np.inf):
        raise ValueError(
            f"warmth {warmth}, saturation {saturation} given; 1 is true, saturation must be 0 or "
            f"more"
        )
    bv = np.asarray(bv_mag, float) + (warmth - 1.0) * WARMTH_MAG
    return saturate(colour.star_rgb(bv, neutral_bv_mag), saturation)


def saturate(rgb: ArrayLike, saturation: float) -> NDArray:
    """Scale colours away from neutral along their own direction in the log ratios; linear RGB (...,
    3), luminance 1.

    Real stars lie on a nearly straight line through neutral in that plane, so that a saturated star
    has the colour of another star and not of none. No channel turns negative; negative ones count
    as 0, and black has no colour: nan.

    Parameters
    ----------
    rgb : array (..., 3)
        Linear.
    saturation : float
        0 or more; 1 leaves colours as they are.

    Returns
    -------
    ndarray, (..., 3)
    """
    stronger = np.maximum(np.asarray(rgb, float), 0.0) ** saturation
    total = colour.luminance(stronger)[..., np.newaxis]
    return stronger / np.where(total > 0, total, np.nan)
