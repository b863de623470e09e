"""How coarse a stretched picture is, in its levels and in the grain of its hues: colours are known
no better."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

LEVELS = 256
DARKEST, BRIGHTEST = 6, 250  # levels between: black and white are clipped, and tell nothing
SMOOTHED_OVER = 49  # levels of a raised cosine, in which combs of steps up to 24 leave no trace
COARSEST_STEP = 24
COARSEST_GRAIN_PX = 4.0  # JPEGs halve both sides of hues
NOT_STARS_SHARE = 0.95  # of pixels: the rest are stars
MEDIAN_SIDE_PX = 5  # side of the median that grain is seen against
FEWEST_LIT = 500  # pixels: fewer leave levels empty by chance


@dataclass(frozen=True)
class Coarseness:
    """How coarse a stretched picture is.

    Attributes
    ----------
    step : float
        Between the levels it uses, in display values.
    grain_px : float
        Pixels that have their noise of hue together.
    """

    step: float
    grain_px: float

    @classmethod
    def of_picture(cls, display: NDArray) -> "Coarseness":
        """Of display values (3, y, x)."""
        return cls(displayed_step(display), hue_grain_px(display))


def displayed_step(display: NDArray) -> float:
    """Step between the levels that a picture really uses, in display values.

    A picture of few colours, or one stretched hard after it was rounded, has gaps between its
    levels. The chance that two pixels have the same level is as many times larger as it would be
    without gaps.

    Parameters
    ----------
    display : ndarray, (3, y, x)
        Display values in [0, 1]; NaN where there are none.

    Returns
    -------
    float
        At least 1/255; of the coarsest channel.
    """
    return max(_step_of_plane(plane) for plane in display) / (LEVELS - 1)


def _step_of_plane(plane: NDArray) -> float:
    """Step of a channel in levels of 8 bits."""
    known = plane[np.isfinite(plane)]
    levels = np.rint(np.clip(known, 0, 1) * (LEVELS - 1)).astype(int)
    count = np.bincount(levels, minlength=LEVELS)[DARKEST : BRIGHTEST + 1]
    total = int(count.sum())
    if total < FEWEST_LIT:
        return 1.0
    window = np.hanning(SMOOTHED_OVER)
    smooth = np.convolve(count, window / window.sum(), "same")
    alike = (count * (count - 1.0)).sum()  # pairs of pixels
    without_gaps = (count * smooth).sum()
    return float(np.clip(alike / max(without_gaps, 1.0), 1.0, COARSEST_STEP))


def hue_grain_px(display: NDArray) -> float:
    """How many pixels have their noise of hue together.

    The variance of means of 2 x 2 pixels, against a quarter of that of pixels; of the differences
    between channels, which a JPEG keeps at half the resolution, and enlarging smooths.

    Parameters
    ----------
    display : ndarray, (3, y, x)
        Display values; NaN where there are none.

    Returns
    -------
    float
        1 for noise of each pixel's own to 4; 4 also where no noise is seen.
    """
    planes = np.nan_to_num(display)
    return max(_grain_of_hue(planes[channel] - planes[1]) for channel in (0, 2))


def _grain_of_hue(hue: NDArray) -> float:
    """Of one difference of channels."""
    rest = hue - ndimage.median_filter(hue, MEDIAN_SIDE_PX)
    height, width = (side // 2 * 2 for side in rest.shape)
    blocks = rest[:height, :width].reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3))
    pixel = _trimmed_variance(rest)
    if pixel == 0:
        return COARSEST_GRAIN_PX
    return float(np.clip(4 * _trimmed_variance(blocks) / pixel, 1, COARSEST_GRAIN_PX))


def _trimmed_variance(values: NDArray) -> float:
    """Mean square of all but the largest, which are stars."""
    size = np.abs(values)
    return float(np.mean(np.square(size[size <= np.quantile(size, NOT_STARS_SHARE)])))
