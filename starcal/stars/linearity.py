"""Whether pixels are proportional to light, or stretched for display."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from scipy.stats import theilslopes

from ..errors import NotLinearError
from . import CHANNELS, SHAPE_SNR, Flag
from .noise import frame_noise

SHAPE_STARS = 12  # that tell the growth of peaks with light
CLIPPED_STARS = 5  # below, the clipping level may be one odd object's
MOST_SLOPE_STARS = 1500  # Theil-Sen looks at every pair
# slope of instrumental against catalogue magnitude: linear 0.95 to 1.05, stretched 0.2 to 0.7
LINEAR_BRIGHTNESS = 0.85
# power with which a star's peak grows with its light: linear 0.97 to 1.03, a mild gamma of 3
LINEAR_PROFILE = 0.93
# gives 0.83 to 0.89, a display stretch 0.1 to 0.7 (made frames of FWHM 1.6 to 5 px, with and
# without nebula)
# clipping level over sky noise: linear deep-sky frames have 500 and more, stretched 15 to 70
LINEAR_RANGE = 150.0
SURE_SLOPE = 0.15  # half a 95 % interval; a slope known less well says nothing

DISPLAY_TOP = 1.05  # display values end at 1
EIGHT_BIT_SHARE = 0.99  # of pixels that are whole multiples of 1/255
# from sky to the brightest pixels, in pixel sigmas: linear stacks 600 to 10000, stretched 40 to 480
FEWEST_STEPS = 500


@dataclass(frozen=True)
class Linearity:
    """Whether the pixels are proportional to light. Errors are half of 95 % intervals; NaN where
    not measured.

    Attributes
    ----------
    profile, profile_error : float
        Power with which the peaks of stars grow with their light: 1 for linear data.
    brightness, brightness_error : float
        Slope of instrumental against catalogue magnitude: 1 for linear data.
    clip_over_noise : float
        How many times the noise of the sky stars reach before they clip; NaN where none clips.
    """

    profile: float = np.nan
    profile_error: float = np.nan
    brightness: float = np.nan
    brightness_error: float = np.nan
    clip_over_noise: float = np.nan

    @property
    def stretched(self) -> bool:
        """Whether any measure shows it beyond its error."""
        return (
            self.clip_over_noise < LINEAR_RANGE
            or _clearly_below(self.profile, self.profile_error, LINEAR_PROFILE)
            or _clearly_below(self.brightness, self.brightness_error, LINEAR_BRIGHTNESS)
        )

    @property
    def reason(self) -> str:
        """What was measured, in a sentence."""
        if _clearly_below(self.profile, self.profile_error, LINEAR_PROFILE):
            return (
                f"a star with 10 times the light has a peak only {10**self.profile:.1f} times as "
                f"high: the "
                "picture has been stretched"
            )
        if self.clip_over_noise < LINEAR_RANGE:
            return (
                f"stars clip at {self.clip_over_noise:.0f} times the noise of the sky, in linear "
                f"frames at "
                "hundreds: the picture has been stretched"
            )
        return (
            f"a star 1 mag brighter in the catalogue is only {self.brightness:.2f} mag brighter "
            f"here: the picture "
            "has been stretched"
        )


def _clearly_below(slope: float, error: float, limit: float) -> bool:
    return bool(error < SURE_SLOPE and slope + error < limit)


def require_linear(name: str, linearity: Linearity) -> None:
    """Refuse a stretched picture.

    Raises
    ------
    NotLinearError
        With the reason and what to do.
    """
    if linearity.stretched:
        raise NotLinearError(
            f"{name}: {linearity.reason}. Use the linear frame, or add --assume-linear."
        )


def measure_linearity(stars: Table) -> Linearity:
    """What the stars of a frame say of its linearity, without a catalogue.

    Parameters
    ----------
    stars : Table
        Of `stars.measure_stars`.

    Returns
    -------
    Linearity
    """
    return Linearity(*_profile_slope(stars), clip_over_noise=_clip_over_noise(stars))


def _profile_slope(stars: Table) -> tuple[float, float]:
    """Power with which the peaks of clean stars grow with their flux, and half its 95 % interval.

    From the channel that tells it best; NaN for fewer than SHAPE_STARS or less than a factor 3 in
    flux.
    """
    spoilt = stars["flags"] & (Flag.EDGE | Flag.BLENDED | Flag.SHAPE | Flag.SATURATED) != 0
    best = (np.nan, np.nan)
    for channel, radius_px in zip(CHANNELS, stars.meta["aperture_px"], strict=True):
        flux, error, ground, sky, peak = (
            np.asarray(stars[f"{name}_{channel}"])
            for name in ("flux", "flux_error", "ground", "sky", "peak")
        )
        flux = flux + np.pi * radius_px**2 * (
            ground - sky
        )  # a stretch widens stars, and wings pass for ground
        good = ~spoilt & (flux > SHAPE_SNR * error) & (peak > sky)
        if good.sum() >= SHAPE_STARS and np.ptp(np.log(flux[good])) > np.log(3):
            rows = np.flatnonzero(good)[:MOST_SLOPE_STARS]
            slope, _, low, high = theilslopes(np.log(peak[rows] - sky[rows]), np.log(flux[rows]))
            if not (high - low) / 2 > best[1]:
                best = float(slope), float((high - low) / 2)
    return best


def _clip_over_noise(stars: Table) -> float:
    """Range of pixel values that stars span before they clip, in sigmas of the sky; NaN where
    hardly a star clips."""
    if np.count_nonzero(stars["flags"] & Flag.SATURATED) < CLIPPED_STARS:
        return np.nan
    noise = stars.meta["noise"]
    span = (np.array(stars.meta["clip_level"]) - noise.sky) / np.maximum(noise.noise, 1e-12)
    return float(np.nanmin(span))


def is_stretched(pixels: np.ndarray, stars: Table) -> tuple[bool, str]:
    """Whether a picture of unknown making is stretched, and the evidence in a clause.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        NaN where there is no data.
    stars : Table
        Of `stars.measure_stars`, of these pixels.
    """
    top = (
        np.nanquantile(pixels[:, ::3, ::3], 0.9999)
        if np.isfinite(pixels[:, ::3, ::3]).any()
        else 0.0
    )
    if top > DISPLAY_TOP:
        return False, f"its values reach {top:.3g}, beyond those of a display"
    if _has_eight_bits(pixels):
        return True, "its values are those of an 8-bit picture"
    linearity = measure_linearity(stars)
    if linearity.stretched:
        return True, linearity.reason
    if linearity.profile_error < SURE_SLOPE:
        return (
            False,
            f"a star with 10 times the light has a peak {10**linearity.profile:.1f} times as high",
        )
    steps = _range_sigmas(pixels, top)
    return (
        steps < FEWEST_STEPS,
        f"its brightest pixels are {steps:.0f} times the noise above the sky",
    )


def _has_eight_bits(pixels: np.ndarray) -> bool:
    sample = pixels[:, ::7, ::5]
    sample = 255 * sample[np.isfinite(sample) & (sample != 0)]
    return len(sample) > 0 and bool(
        np.mean(np.abs(sample - np.rint(sample)) < 1e-3) > EIGHT_BIT_SHARE
    )


def _range_sigmas(pixels: np.ndarray, top: float) -> float:
    noise = frame_noise(pixels)
    sigma = float(np.mean(noise.noise))
    return float((top - np.mean(noise.sky)) / sigma) if sigma > 0 else np.inf
