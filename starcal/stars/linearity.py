"""Whether pixels are proportional to light, or stretched for display."""

from dataclasses import dataclass
from functools import partial

import numpy as np
from astropy.table import Table

from ..cores import in_threads
from ..errors import NotLinearError
from ..robust import robust_slope
from . import CHANNELS, SHAPE_SNR, Flag, in_channels
from .few_stars import growth_of_cores
from .noise import FrameNoise

SHAPE_STARS = 12  # that tell the growth of peaks with light
# pixel sigmas that a peak should stand above the sky by its star's light: the highest of the nine
# pixels of a wide star is raised by 1.5 of them, which is then 7 % at most
PEAK_SNR = 20.0
BRIGHT_SHARE_OF_STARS = 0.25  # the brightest, that tell how high a peak is for its light
CLIPPED_STARS = 5  # below, the clipping level may be one odd object's
MOST_SLOPE_STARS = 1500  # Theil-Sen looks at every pair
# slope of instrumental against catalogue magnitude: linear 0.95 to 1.05, stretched 0.2 to 0.7
LINEAR_BRIGHTNESS, STRETCHED_BRIGHTNESS = 0.85, 0.7
LIGHT_IN_PROPORTION = 0.95
# power with which a star's peak grows with its light: linear 0.97 to 1.03, a mild gamma of 3
# gives 0.83 to 0.89, a display stretch 0.1 to 0.7 (made frames of FWHM 1.6 to 5 px, with and
# without nebula)
LINEAR_PROFILE = 0.93
# layers from which too much sky was taken, with the rims of faint stars: linear 0.93 and more
LINEAR_LAYER_PROFILE = 0.9
STRETCHED_PROFILE = 0.75  # a display stretch lies below with its error, no linear frame does
# clipping level over sky noise: linear deep-sky frames have 500 and more, stretched 15 to 70
LINEAR_RANGE = 150.0
# in one channel: no stretch leaves so much in any, and noise of others is that of their nebula
SURELY_LINEAR_RANGE = 500.0
SURE_SLOPE = 0.15  # half a 95 % interval; a slope known less well says nothing
# Uneven ground under wide stars bends the slope of a linear frame by more than its statistical
# error: one known less well than this is believed only where the range of values agrees.
WELL_KNOWN_SLOPE = 0.08

MOST_TOP_PIXELS = 3e6  # of a channel, that tell its brightest values: 300 of them are beyond
DISPLAY_TOP = 1.05  # display values end at 1
# and a stretch is there to reach up to them: what ends below is a frame without bright stars
DARK_TOP = 0.2
EIGHT_BIT_SHARE = 0.99  # of pixels that are whole multiples of 1/255
# from sky to the brightest pixels, in pixel sigmas: linear stacks 600 to 10000, on bright nebula
# 280 and more; stretched 40 to 480
STRETCHED_STEPS = 150.0
# of the 255 steps of an 8-bit picture, that the noise of its sky spans: a stretch is there to lift
# it over several (1.1 to 5 in eleven of twelve pictures), linear data have their stars there
HIDDEN_NOISE_STEPS = 1.0
# Height of the median of clear stars over that of the brightest: on linear frames 0.01 to 0.12,
# stretched 0.2 to 1. It needs so many stars, of which some are bright.
STRETCHED_HEIGHT = 0.2
HEIGHT_SNR = 20.0
FEWEST_CLEAR = 60
SEEN_HEIGHT_SIGMA = 5.0  # less is no light of stars in that channel
# The brightest must stand so high, or clear stars have no room to be lower (25 to 34 where all are
# faint, 93 and more in stretched pictures), and so many of them must not be burnt out.
BRIGHT_HEIGHT_SIGMA = 50.0
NOT_BURNT_SHARE = 0.5


@dataclass(frozen=True, kw_only=True)
class Linearity:
    """Whether the pixels are proportional to light. Errors are half of 95 % intervals; NaN where
    not measured.

    Attributes
    ----------
    profile, profile_error : float
        Power with which the peaks of stars grow with their light: 1 for linear data. Of the channel
        that is most surely stretched, or else of the one that is known best.
    profile_channel : str
        Which channel that is.
    core, core_error : float
        The same of cores above the ground next to them, of all channels together; measured where
        the profile is not known well.
    brightness, brightness_error : float
        Slope of instrumental against catalogue magnitude: 1 for linear data.
    clip_over_noise : float
        How many times the noise of the sky stars reach before they clip; NaN where none clips.
    top : float
        The brightest values, hot pixels apart.
    steps : float
        How many times the noise of the sky they lie above it.
    eight_bits : bool
        All values are multiples of 1/255.
    noise_in_eight_bits : float
        How many such multiples the noise of the sky spans.
    empty_sky : bool
        A star layer, whose sky has no noise to compare with.
    median_height : float
        Of the peaks of clear stars over the highest, in the channel where that is most.
    """

    profile: float = np.nan
    profile_error: float = np.nan
    profile_channel: str = ""
    core: float = np.nan
    core_error: float = np.nan
    brightness: float = np.nan
    brightness_error: float = np.nan
    clip_over_noise: float = np.nan
    top: float = np.nan
    steps: float = np.nan
    eight_bits: bool = False
    noise_in_eight_bits: float = np.nan
    empty_sky: bool = False
    median_height: float = np.nan

    @property
    def stretched(self) -> bool:
        """Whether any measure shows it beyond its error."""
        return len(self._signs) > 0

    @property
    def settled(self) -> bool:
        """Whether nothing that a catalogue may say would change the answer."""
        beyond = self.top > DISPLAY_TOP
        may_change = self.eight_bits + self._high_stars
        return beyond or len(self._signs) > may_change

    @property
    def doubtful(self) -> bool:
        """Whether it rests on one measure alone that could err, or the stars' profiles speak
        against it."""
        bent = self._bent_profile or self._bent_core
        straight = self.profile_error < SURE_SLOPE and not bent
        sure = self.eight_bits or self._far_from_straight
        return self.stretched and (straight or (len(self._signs) == 1 and not sure))

    @property
    def reason(self) -> str:
        """What was measured, in a sentence."""
        if self._signs:
            return f"{self._signs[0]}: {self._cause}"
        if self.top > DISPLAY_TOP:
            return f"its values reach {self.top:.3g}, beyond those of a display"
        if self.profile_error < SURE_SLOPE:
            return f"a star with 10 times the light has a peak {10**self.profile:.1f} times as high"
        if self.top < DARK_TOP:
            return (
                f"its brightest pixels are at {100 * self.top:.1f} % of white, none is lifted"
            )
        return f"its brightest pixels are {self.steps:.0f} times the noise above the sky"

    @property
    def made_smaller(self) -> bool:
        """Whether peaks alone fall behind, and light grows as the catalogue's: so it is where stars
        were made smaller, and of curves with mild ones alone."""
        agrees = self.brightness + self.brightness_error >= LIGHT_IN_PROPORTION
        agrees &= self.brightness_error < SURE_SLOPE
        return self._bent_profile and agrees and len(self._signs) == 1

    @property
    def done_to_it(self) -> str:
        """What a frame is asked for from before. Of stars that clip low alone nobody can say
        whether they were lifted there or cut off."""
        cut = self._clips_low and len(self._signs) == 1
        return "the stretch, or before its bright end was cut off" if cut else "the stretch"

    @property
    def _cause(self) -> str:
        if self.made_smaller:
            return "its stars have been made smaller, or the picture was stretched a little"
        if self._clips_low and len(self._signs) == 1:
            return "the picture has been stretched, or its bright end was cut off"
        return "the picture has been stretched"

    @property
    def _clips_low(self) -> bool:
        usual = self.empty_sky or self.eight_bits
        return self.clip_over_noise < LINEAR_RANGE and not usual

    @property
    def _signs(self) -> tuple[str, ...]:
        """Everything that speaks for a stretch, the surest first."""
        if self.top > DISPLAY_TOP and not self._far_from_straight:
            return ()
        signs = (
            (
                self.eight_bits and not self._straight_twice,
                "its values are those of an 8-bit picture",
            ),
            (self._bent_profile, self._profile_clause),
            (self._bent_core and not self._bent_profile, _height_clause(self.core)),
            (
                self._clips_low,
                f"stars clip at {self.clip_over_noise:.0f} times the noise of the sky, in linear "
                "frames at hundreds",
            ),
            (
                _clearly_below(self.brightness, self.brightness_error, LINEAR_BRIGHTNESS),
                f"a star 1 mag brighter in the catalogue is only {self.brightness:.2f} mag "
                "brighter here",
            ),
            (
                self._high_stars,
                f"half of its clear stars reach {100 * self.median_height:.0f} % of the height of "
                "the brightest, in linear frames hardly a tenth",
            ),
            (
                self._short_range,
                f"its brightest pixels are only {self.steps:.0f} times the noise above the sky",
            ),
        )
        return tuple(clause for holds, clause in signs if holds)

    @property
    def _bent_profile(self) -> bool:
        known = self.profile_error < WELL_KNOWN_SLOPE or not self.steps >= STRETCHED_STEPS
        limit = LINEAR_LAYER_PROFILE if self.empty_sky else LINEAR_PROFILE
        return known and _clearly_below(self.profile, self.profile_error, limit)

    @property
    def _bent_core(self) -> bool:
        """Whether heights fall behind by twice the error: knots of a nebula that pass for stars do
        so by once of it."""
        return self.core + 2 * self.core_error < LINEAR_PROFILE

    @property
    def _far_from_straight(self) -> bool:
        """Whether no ground under its stars could bend a linear frame's profile that much."""
        known = self.profile_error < WELL_KNOWN_SLOPE
        known &= _clearly_below(self.profile, self.profile_error, STRETCHED_PROFILE)
        return known or self.core + 2 * self.core_error < STRETCHED_PROFILE

    @property
    def _straight_twice(self) -> bool:
        """Whether peaks grow with light and light with the catalogue's, or where that is not known
        the sky is as dark as a stretch leaves none: together they outweigh that 8-bit pictures are
        nearly always stretched. One alone does not: a real stretched one has a profile of 0.97, and
        a handful of stars in agreement with the catalogue within a third agrees with any curve.
        Where coarse steps leave no peak that tells, light alone does if no stretch comes near, and
        less surely if the sky is as dark besides."""
        known = self.profile_error < WELL_KNOWN_SLOPE
        profile = known and self.profile >= LINEAR_PROFILE
        dark = self.noise_in_eight_bits < HIDDEN_NOISE_STEPS
        if not self.brightness_error < SURE_SLOPE:
            return profile and dark
        if not known and (dark or self.brightness_error < WELL_KNOWN_SLOPE):
            return self.brightness - self.brightness_error >= LINEAR_BRIGHTNESS
        surely_above = self.brightness - self.brightness_error > STRETCHED_BRIGHTNESS
        return profile and surely_above and self.brightness >= LINEAR_BRIGHTNESS

    @property
    def _high_stars(self) -> bool:
        """Stars nearly as high as the brightest, and neither profile nor catalogue that says
        otherwise."""
        straight = self.profile_error < SURE_SLOPE
        straight &= self.profile + self.profile_error >= LINEAR_PROFILE
        agrees = self.brightness_error < SURE_SLOPE and self.brightness >= LINEAR_BRIGHTNESS
        return self.median_height > STRETCHED_HEIGHT and not (straight or agrees)

    @property
    def _profile_clause(self) -> str:
        where = f" in {self.profile_channel}" if self.profile_channel else ""
        return _height_clause(self.profile) + where

    @property
    def _short_range(self) -> bool:
        """Few steps from sky to the brightest pixel, which is bright, and no profile that says
        otherwise."""
        if self.top < DARK_TOP:
            return False
        straight = self.profile_error < SURE_SLOPE and not self._bent_profile
        straight |= self.eight_bits and self._straight_twice
        return self.steps < STRETCHED_STEPS and not self.empty_sky and not straight


def _height_clause(slope: float) -> str:
    return f"a star with 10 times the light has a peak only {10**slope:.1f} times as high"


def _clearly_below(slope: float, error: float, limit: float) -> bool:
    return bool(error < SURE_SLOPE and slope + error < limit)


def require_linear(name: str, linearity: Linearity) -> None:
    """Refuse a stretched picture.

    Parameters
    ----------
    name : str
        Of the picture.
    linearity : Linearity

    Raises
    ------
    NotLinearError
        With the reason and what to do.
    """
    if linearity.stretched:
        raise NotLinearError(
            f"{name}: {linearity.reason}. {advice(linearity)}, or let `starcal run` colour its "
            f"stars as they are displayed."
        )


def advice(linearity: Linearity) -> str:
    """What to do with a stretched picture; to say otherwise is offered only where there is
    doubt.

    Parameters
    ----------
    linearity : Linearity

    Returns
    -------
    str
    """
    if linearity.doubtful:
        return "Use the linear frame, or add --assume-linear"
    return "Use the linear frame"


def measure_linearity(pixels: np.ndarray, stars: Table) -> Linearity:
    """What the pixels and stars of a frame say of its linearity, without a catalogue.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        NaN where there is no data.
    stars : Table
        Of `stars.measure_stars`, of these pixels.

    Returns
    -------
    Linearity
    """
    profile, error, channel = _profile_slope(stars)
    core = (np.nan, np.nan)
    if not error < WELL_KNOWN_SLOPE:
        core = growth_of_cores(pixels, stars[_own_peak(stars)])
    top, noise = _near_top(pixels), stars.meta["noise"]
    return Linearity(
        profile=profile,
        profile_error=error,
        profile_channel=channel,
        core=core[0],
        core_error=core[1],
        clip_over_noise=_clip_over_noise(stars),
        top=top,
        steps=_steps_of_noise(top, noise)
        if len(stars)
        else np.nan,  # without stars any range is short
        eight_bits=_has_eight_bits(pixels),
        noise_in_eight_bits=255 * float(np.mean(noise.noise)),
        empty_sky=noise.empty_sky,
        median_height=max(_median_height(stars, index) for index in range(len(CHANNELS))),
    )


def _median_height(stars: Table, index: int) -> float:
    """Of clear stars' peaks in one channel, over the third highest; 0 for few stars, or where most
    have no light, none is bright or most are burnt out."""
    height = _peak_height(stars, index)
    clear = (np.asarray(stars["snr"]) >= HEIGHT_SNR) & (stars["flags"] & Flag.EDGE == 0)
    clear &= height > 0
    burnt = stars["flags"][clear] & Flag.SATURATED > 0
    height = np.sort(height[clear])
    if len(height) < FEWEST_CLEAR or burnt.mean() > 1 - NOT_BURNT_SHARE:
        return 0.0
    median, highest = float(np.median(height)), float(height[-3])
    noise = stars.meta["noise"].noise[index]
    seen = median > SEEN_HEIGHT_SIGMA * noise and highest > BRIGHT_HEIGHT_SIGMA * noise
    return median / highest if seen else 0.0


def _profile_slope(stars: Table) -> tuple[float, float, str]:
    """Power with which the peaks of clean stars grow with their flux, half its 95 % interval, and
    the channel.

    Of the channel that is bent most surely, if one is, else of the channel that tells it best; NaN
    where none does.
    """
    of_channels = in_threads(partial(_channel_slope, stars), range(len(CHANNELS)))
    slopes = [(*told, name) for told, name in zip(of_channels, CHANNELS, strict=True)]
    known = [one for one in slopes if np.isfinite(one[1])]
    bent = [one for one in known if _clearly_below(one[0], one[1], LINEAR_PROFILE)]
    sure = [one for one in bent if one[1] < WELL_KNOWN_SLOPE]
    for group in (sure, bent):
        if group:
            return min(group, key=lambda one: one[0] + one[1])
    return min(known, key=lambda one: one[1], default=(np.nan, np.nan, ""))


def _channel_slope(stars: Table, index: int) -> tuple[float, float]:
    """Slope and half its 95 % interval in one channel; NaN for fewer than SHAPE_STARS or less than
    a factor 3 in flux.

    A star layer's noise is that of its stars' rims, which a stretch raises with their slopes: where
    it leaves no peak that is clear the brighter half of the stars tells, if it tells a stretch:
    what was cut off their rims bends a linear layer by a little, too.
    """
    flux = _flux_with_wings(stars, index)
    height = _peak_height(stars, index)
    own = _own_peak(stars) & (height > 0) & (flux > 0)
    good = own & (flux > SHAPE_SNR * _flux_error(stars, index))
    clear = good.copy()
    clear[good] = _clear_peaks(stars, index, flux[good], height[good])
    told = _growth_of_peaks(height[clear], flux[clear])
    if np.isfinite(told[1]) or not (stars.meta["noise"].empty_sky and own.any()):
        return told
    bright = own & (flux >= np.median(flux[own]))
    told = _growth_of_peaks(height[bright], flux[bright])
    return told if _clearly_below(*told, STRETCHED_PROFILE) else (np.nan, np.nan)


def _growth_of_peaks(height: np.ndarray, flux: np.ndarray) -> tuple[float, float]:
    """Slope and half its 95 % interval; NaN for too few stars or too narrow a range."""
    ln_height, ln_flux = np.log(height[:MOST_SLOPE_STARS]), np.log(flux[:MOST_SLOPE_STARS])
    if len(ln_flux) < SHAPE_STARS or np.ptp(ln_flux) <= np.log(3):
        return np.nan, np.nan
    return robust_slope(ln_height, ln_flux)


def _flux_error(stars: Table, index: int) -> np.ndarray:
    """Of the stars' light, that of a sky rounded to coarse steps included; a sky of one value is
    rounded alike at all stars, which bends no slope."""
    area = np.pi * stars.meta["aperture_px"][index] ** 2
    noise = stars.meta["noise"]
    rounding = 0.0 if noise.empty_sky else area * noise.step_error[index]
    return np.hypot(in_channels(stars, "flux_error")[index], rounding)


def _clear_peaks(stars: Table, index: int, flux: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Which peaks should stand well above pixel noise by their stars' light: chosen by their own
    height, they would be those that noise raised."""
    if len(flux) == 0:
        return np.empty(0, bool)
    bright = flux >= np.quantile(flux, 1 - BRIGHT_SHARE_OF_STARS)
    share = np.median(height[bright] / flux[bright])
    return share * flux > PEAK_SNR * stars.meta["noise"].noise[index]


def _peak_height(stars: Table, index: int) -> np.ndarray:
    """Of the stars' peaks above the sky."""
    return in_channels(stars, "peak")[index] - in_channels(stars, "sky")[index]


def _own_peak(stars: Table) -> np.ndarray:
    """Which stars have a peak and a flux that are their own."""
    spoilt = Flag.EDGE | Flag.BLENDED | Flag.SHAPE | Flag.SATURATED
    return stars["flags"] & spoilt == 0


def _flux_with_wings(stars: Table, index: int) -> np.ndarray:
    """Flux above the sky, not the ground: a stretch widens stars, and wings pass for ground."""
    ground = in_channels(stars, "ground")[index]
    sky = in_channels(stars, "sky")[index]
    area = np.pi * stars.meta["aperture_px"][index] ** 2
    return in_channels(stars, "flux")[index] + area * (ground - sky)


def _clip_over_noise(stars: Table) -> float:
    """Range of pixel values that stars span before they clip, in sigmas of the sky, in the channel
    where it is least unless one is surely linear; NaN where hardly a star clips."""
    if np.count_nonzero(stars["flags"] & Flag.SATURATED) < CLIPPED_STARS:
        return np.nan
    noise = stars.meta["noise"]
    span = (np.array(stars.meta["clip_level"]) - noise.sky) / np.maximum(noise.noise, 1e-12)
    widest = float(np.nanmax(span))
    return widest if widest > SURELY_LINEAR_RANGE else float(np.nanmin(span))


def _near_top(pixels: np.ndarray) -> float:
    step = max(3, int(np.ceil(np.sqrt(pixels[0].size / MOST_TOP_PIXELS))))
    sample = pixels[:, ::step, ::step]
    return float(np.nanquantile(sample, 0.9999)) if np.isfinite(sample).any() else 0.0


def _has_eight_bits(pixels: np.ndarray) -> bool:
    sample = pixels[:, ::7, ::5]
    sample = 255 * sample[np.isfinite(sample) & (sample != 0)]
    return len(sample) > 0 and bool(
        np.mean(np.abs(sample - np.rint(sample)) < 1e-3) > EIGHT_BIT_SHARE
    )


def _steps_of_noise(top: float, noise: FrameNoise) -> float:
    sigma = float(np.mean(noise.noise))
    return float((top - np.mean(noise.sky)) / sigma) if sigma > 0 else np.inf
