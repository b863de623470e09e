"""Channels brought to one profile of their stars before their light is followed outwards.

Where a channel is out of focus, trailed or bloated, equal apertures hold unlike shares of its
stars' light, and what lies further out has to be told from steps that no sky lets follow to their
end. A blur moves light and loses none: of red or blue and green the sharper one is blurred as the
other is, and then both grow nearly alike, over rings that wings spoil alike, so that a small rest
has to be told only (Alard & Lupton 1998, ApJ 503, 325, match pictures by their kernels). What the
blur itself takes from the narrow aperture is seen on every star. How much blur it takes is told by
how light grows with radius, not by widths at half height: profiles differ.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import chndtr

from ..robust import upper_median
from .shapes import distances_in_stamps, stamps_round

CURVE_WIDTHS = np.array(
    [0.7, 1.0, 1.4, 2.0, 2.5, 3.5]
)  # radii at which channels are to be alike
INNER, OUTER = 1, 3  # of these: light within the first over that within the second
# Difference of ln of that ratio from which a channel is blurred: below it the growth of light is
# told to 1 %, and a blur would only cost time.
UNLIKE_LN = 0.05
# What a blur may leave of the difference, as the scatter of the ratio of the two curves: channels
# out of focus and trailed ones leave 0.005 to 0.02, with a halo besides 0.05, bloated ones 0.2 to
# 0.5. Such halos lie beyond what is compared, and bare growth says better what is further out.
MOST_LEFT = 0.03
TRIED_WIDTHS = np.geomspace(0.15, 2.5, 100)  # sigma in units of the common width
BLUR_REACH_SIGMAS = 4.0
KNOWN_SHARE = 0.98  # of a blurred pixel's light, that has to come from pixels with data
TELLING_STARS = 40  # brightest ones; they tell a curve to some per mille
RING_REACH, STAMP_REACH = (1.1, 1.4), 1.9  # ground and half of stamps, in the widest radius
BIN_PX = 0.25  # of distances from stars
RED, GREEN, BLUE = 0, 1, 2
OTHERS = (RED, BLUE)


@dataclass(frozen=True, kw_only=True)
class Alike:
    """Blurs that bring red and green, and blue and green, to one profile.

    Attributes
    ----------
    others_px : tuple of float
        Sigmas of the Gaussians that red and blue are blurred by; 0 for none.
    green_px : tuple of float
        What green is blurred by where it is held against red and against blue.
    """

    others_px: tuple[float, float] = (0.0, 0.0)
    green_px: tuple[float, float] = (0.0, 0.0)

    @property
    def as_they_are(self) -> bool:
        """Whether nothing is blurred."""
        return not any(self.others_px + self.green_px)

    @property
    def planes(self) -> list[tuple[int, float]]:
        """Channel and blur of each plane to be measured: red, green, blue, and green once more for
        either that is softer."""
        red, blue = self.others_px
        again = [(GREEN, sigma_px) for sigma_px in self.green_px if sigma_px]
        return [(RED, red), (GREEN, 0.0), (BLUE, blue), *again]

    def of(self, pixels) -> list[NDArray]:
        """Those planes of a frame."""
        return [blurred(pixels[channel], sigma_px) for channel, sigma_px in self.planes]

    def folded(self, light: NDArray) -> NDArray:
        """Light measured on those planes, (planes, ...), as of three channels, (3, ...): red and
        blue against green are as on the planes that are alike."""
        made = light[:3].copy()
        plane = 3
        for channel, sigma_px in zip(OTHERS, self.green_px, strict=True):
            if sigma_px:
                lit = light[plane] > 0
                made[channel] *= np.where(
                    lit, light[GREEN] / np.where(lit, light[plane], 1), np.nan
                )
                plane += 1
        return made


def alike_by(
    pixels: NDArray, x_px: NDArray, y_px: NDArray, fwhm_px: NDArray, common_px: float
) -> Alike:
    """The blurs that make channels alike.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
    x_px, y_px : ndarray, shape (n,)
        Of clean stars, brightest first.
    fwhm_px : ndarray, shape (3,)
        Widths of the stars in R, G, B.
    common_px : float
        Unit of the apertures.

    Returns
    -------
    Alike
        Without a blur where the channels are alike, or a width is not known.
    """
    if not len(x_px) or not np.isfinite(fwhm_px).all():
        return Alike()
    stars = _Curves.of(pixels, x_px[:TELLING_STARS], y_px[:TELLING_STARS], common_px)
    red, blue = OTHERS
    return Alike(
        others_px=(stars.blur_px(red, GREEN), stars.blur_px(blue, GREEN)),
        green_px=(stars.blur_px(GREEN, red), stars.blur_px(GREEN, blue)),
    )


@dataclass(frozen=True, eq=False)
class _Curves:
    """Light of n stars by distance, (3, n, bins), the middles of the bins, and the common
    width."""

    light: NDArray
    at_px: NDArray
    common_px: float

    @classmethod
    def of(cls, pixels, x_px: NDArray, y_px: NDArray, common_px: float) -> "_Curves":
        """From stamps round the stars."""
        half = int(np.ceil(STAMP_REACH * CURVE_WIDTHS[-1] * common_px))
        bins = (distances_in_stamps(x_px, y_px, half) / BIN_PX).astype(int)
        count = int(bins.max()) + 1
        light = [
            _by_bins(stamps_round(plane, x_px, y_px, half), bins, count) for plane in pixels
        ]
        return cls(np.array(light), BIN_PX * (np.arange(count) + 0.5), common_px)

    def grown(self, sigma_px: float) -> NDArray:
        """Light within each radius after a Gaussian blur over that within the outer one without,
        in the middle of the stars, (3, radii)."""
        share = self._weights(sigma_px)
        unit = self.light @ self._weights(0.0)[OUTER]
        light = self.light @ share.T / np.where(unit > 0, unit, np.nan)[:, :, None]
        return upper_median(light.swapaxes(1, 2))

    def _weights(self, sigma_px: float) -> NDArray:
        """Of the bins in the light within each radius over that of a ring, (radii, bins)."""
        reach_px = CURVE_WIDTHS[-1] * self.common_px
        radii_px = [*(CURVE_WIDTHS * self.common_px), *(np.array(RING_REACH) * reach_px)]
        within = np.array([share_within(self.at_px, r, sigma_px) for r in radii_px])
        ring = within[-1] - within[-2]
        area = np.square(radii_px)
        return within[:-2] - np.outer(area[:-2] / (area[-1] - area[-2]), ring)

    def blur_px(self, sharp: int, soft: int) -> float:
        """Sigma of what brings a channel to the profile of another; 0 where they are alike, or no
        blur does it."""
        bare = self.grown(0.0)
        concentration = _ln_of_lit(bare[:, INNER] / bare[:, OUTER])
        unlike = concentration[sharp] - concentration[soft]
        if not unlike > UNLIKE_LN:
            return 0.0
        tried_px = TRIED_WIDTHS * self.common_px
        grown = np.array([self.grown(sigma_px)[sharp] for sigma_px in tried_px])
        misfit = np.std(_ln_of_lit(grown / bare[soft]), axis=1)
        misfit = np.where(np.isfinite(misfit), misfit, np.inf)
        best = int(np.argmin(misfit))
        return float(tried_px[best]) if misfit[best] < MOST_LEFT * unlike else 0.0


def _ln_of_lit(light: NDArray) -> NDArray:
    """Logarithm; NaN where noise leaves no light."""
    return np.log(np.where(light > 0, light, np.nan))


def _by_bins(stamps: NDArray, bins: NDArray, count: int) -> NDArray:
    """Light of each stamp over the median of its outer half, bin by bin, (n, count)."""
    outside = np.where(bins > count // 2, stamps, np.nan).reshape(len(stamps), -1)
    over = np.nan_to_num(stamps - upper_median(outside)[:, None, None])
    index = bins + count * np.arange(len(stamps))[:, None, None]
    summed = np.bincount(index.ravel(), over.ravel(), count * len(stamps))
    return summed.reshape(len(stamps), count)


def share_within(distance_px: NDArray, radius_px: float, sigma_px: float) -> NDArray:
    """How much pixels at some distances from its middle count in a circle on a blurred plane.

    Parameters
    ----------
    distance_px : ndarray
    radius_px, sigma_px : float

    Returns
    -------
    ndarray
        0 to 1; without a blur the circle has a rim of one pixel.
    """
    if not sigma_px:
        return np.clip(radius_px + 0.5 - distance_px, 0, 1)
    # the share of a Gaussian there that falls into the circle
    return chndtr((radius_px / sigma_px) ** 2, 2.0, (distance_px / sigma_px) ** 2)


def blurred(plane: NDArray, sigma_px: float) -> NDArray:
    """A plane blurred; what lies too near to pixels without data has none.

    Parameters
    ----------
    plane : ndarray, shape (y, x)
        NaN where it has no data.
    sigma_px : float

    Returns
    -------
    ndarray, shape (y, x)
        The very same where sigma is 0.
    """
    if not sigma_px:
        return plane
    plane = np.asarray(plane)
    known = np.isfinite(plane)
    if known.all():
        return _gaussian(plane, sigma_px)
    share = _gaussian(known.astype(plane.dtype), sigma_px)
    light = _gaussian(np.where(known, plane, 0), sigma_px)
    enough = known & (share > KNOWN_SHARE)
    return np.where(enough, light / np.where(enough, share, 1), np.nan)


def _gaussian(plane: NDArray, sigma_px: float) -> NDArray:
    return gaussian_filter(plane, sigma_px, mode="nearest", truncate=BLUR_REACH_SIGMAS)
