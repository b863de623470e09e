"""Whether a picture is linear or stretched for display, from the picture alone, where no catalogue can tell."""

import numpy as np
from astropy.table import Table
from scipy.stats import theilslopes

from .background import frame_noise
from .starlight import star_widths
from .stars import Flag

DISPLAY_TOP = 1.05  # display values end at 1
EIGHT_BIT_SHARE = 0.99  # of pixels that are whole multiples of 1/255
WIDTH_STARS, WIDTH_SNR = 20, 20.0
STRETCHED_WIDENING = 0.02  # d log width / d log contrast: linear pictures -0.04 to 0.01, stretched ones 0.04 to 0.2
TELLING_SPAN = 4.0  # of brightness from the 10th to the 90th of 100 stars: 8 to 26 in linear pictures
FEWEST_STEPS = 500  # from sky to the brightest stars, in pixel sigmas: linear stacks 600 to 10000, stretched 40 to 480


def is_stretched(pixels: np.ndarray, table: Table) -> tuple[bool, str]:
    """Whether a picture is stretched, and the evidence: steps, widths of stars, range of brightness.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        NaN where there is no data.
    table : Table
        Of `measure_stars`, of these pixels.

    Returns
    -------
    stretched : bool
    evidence : str
        In a clause.
    """
    top = np.nanquantile(pixels[:, ::3, ::3], 0.9999) if np.isfinite(pixels[:, ::3, ::3]).any() else 0.0
    if top > DISPLAY_TOP:
        return False, f"its values reach {top:.3g}, beyond those of a display"
    if _has_eight_bits(pixels):
        return True, "its values are those of an 8-bit picture"
    widening, error, span = _widening(pixels, table)
    if widening - 2 * error > STRETCHED_WIDENING:
        return True, f"bright stars are wider than faint ones (log width grows by {widening:.2f} of log brightness)"
    steps = _range_sigmas(pixels)
    told = f"its brightest stars are {steps:.0f} times the noise above the sky"
    if span > TELLING_SPAN and widening + 2 * error < 2 * STRETCHED_WIDENING:
        return False, f"bright stars are no wider than faint ones; {told}"
    return steps < FEWEST_STEPS, told


def _has_eight_bits(pixels: np.ndarray) -> bool:
    sample = pixels[:, ::7, ::5]
    sample = 255 * sample[np.isfinite(sample) & (sample != 0)]
    return len(sample) > 0 and bool(np.mean(np.abs(sample - np.rint(sample)) < 1e-3) > EIGHT_BIT_SHARE)


def _widening(pixels: np.ndarray, table: Table) -> tuple[float, float, float]:
    """Robust slope of log width against log brightness of unclipped stars, its error, and the span of brightness.

    The profile of a star in linear light does not depend on its brightness; a stretch compresses bright cores.
    """
    spoilt = Flag.SATURATED | Flag.BLENDED | Flag.EDGE | Flag.SHAPE
    rows = np.flatnonzero((table["flags"] & spoilt == 0) & (table["snr"] >= WIDTH_SNR))
    rows = rows[np.argsort(table["snr"][rows])[::-1][:400]]
    if len(rows) < WIDTH_STARS:
        return np.nan, np.nan, np.nan
    width = star_widths(pixels.mean(axis=0), table["x_px"].value[rows], table["y_px"].value[rows],
                        float(np.mean(table.meta["fwhm_px"])))
    brightness = np.log(np.asarray(table["snr"][rows]))
    slope, _, low, high = theilslopes(np.log(width), brightness, alpha=0.6827)
    return float(slope), float(high - low) / 2, float(np.exp(np.ptp(np.quantile(brightness, (0.1, 0.9)))))


def _range_sigmas(pixels: np.ndarray) -> float:
    """How far the brightest pixels are above the sky, in sigmas of a sky pixel."""
    noise = frame_noise(pixels)
    top = np.nanquantile(pixels, 0.9999) if np.isfinite(pixels).any() else 0.0
    sigma = float(np.mean(noise.noise))
    return float((top - np.mean(noise.sky)) / sigma) if sigma > 0 else np.inf
