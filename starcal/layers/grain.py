"""The noise of a frame as a texture: how strong it is from place to place, and a piece of it to
mend holes with."""

import numpy as np
from scipy import ndimage

from ..robust import scatter_about_zero

SWATCH_PX = 96
SMOOTH_PX = 3.0  # structure wider than this is sky or nebula, finer is noise
WINDOW_PX = 33  # over which noise is taken to be the same
LARGEST_SIGMA = 3.5  # anything stronger in the swatch is a star that was not found


def local_noise(values: np.ndarray, clean: np.ndarray, otherwise: float) -> np.ndarray:
    """Standard deviation of the noise at every pixel, from how its clean neighbours differ.

    Second differences along both axes over every second pixel: gradients, curvature and most of
    what a telescope can resolve cancel, and so does what registration made neighbours share.

    Parameters
    ----------
    values : ndarray, (y, x)
        Finite.
    clean : ndarray, (y, x) bool
        Pixels that show sky and nebula only.
    otherwise : float
        The answer where no pixel is clean.
    """
    if min(values.shape) < 9:
        return np.full(values.shape, otherwise, np.float32)
    usable = _all_around(_all_around(clean, 0), 1)
    strength = np.abs(_second_difference(_second_difference(values, 0), 1), dtype=np.float32)
    strength *= usable
    total = ndimage.uniform_filter(strength, WINDOW_PX, mode="constant")
    share = ndimage.uniform_filter(usable.astype(np.float32), WINDOW_PX, mode="constant")
    # mean |x| of a Gaussian; the differences have 36 times a pixel's variance
    per_sigma = float(np.sqrt(2 / np.pi) * 6)
    total /= np.maximum(share, np.float32(0.01))
    total /= per_sigma
    total[share <= 0.01] = otherwise
    return total


def _all_around(clean, axis):
    """Whether all pixels that the second difference needs are clean."""
    return clean & np.roll(clean, 2, axis) & np.roll(clean, -2, axis)


def _second_difference(values, axis):
    return np.roll(values, 2, axis) - 2 * values + np.roll(values, -2, axis)


def swatch(values: np.ndarray, clean: np.ndarray) -> np.ndarray:
    """The noise of some pixels as a texture of standard deviation 1.

    It keeps how noise correlates between neighbours and between channels. Pixels that show more
    than noise take that of the pixel a quarter turn away, or two, or three.

    Parameters
    ----------
    values : ndarray, (3, m, m)
        A square of the frame, finite.
    clean : ndarray, (m, m) bool
        Where it shows sky and nebula only.

    Returns
    -------
    ndarray, (3, m, m) float32
        0 where none of the four is clean.
    """
    noise = np.stack([_of_unit_spread(plane, clean) for plane in _rough(values, clean)])
    texture = noise
    known = clean
    for turn in (1, 2, 3):
        texture = np.where(known, texture, np.rot90(noise, turn, (1, 2)))
        known = known | np.rot90(clean, turn)
    return np.clip(texture, -LARGEST_SIGMA, LARGEST_SIGMA).astype(np.float32)


def _rough(values, clean):
    """Values less their smooth part, as told from clean pixels; 0 where they are not clean."""
    share = ndimage.gaussian_filter(clean.astype(np.float32), SMOOTH_PX)
    known = np.where(clean, values, 0).astype(np.float32)
    smooth = ndimage.gaussian_filter(known, (0, SMOOTH_PX, SMOOTH_PX))
    return np.where(clean, values - smooth / np.maximum(share, 1e-6), 0)


def _of_unit_spread(plane, clean):
    """The plane over its robust standard deviation; 0 if it has none."""
    spread = scatter_about_zero(plane[clean]) if clean.any() else 0.0
    return plane / spread if spread > 0 else np.zeros_like(plane)


def emptiest(shape: tuple[int, int], x_px: np.ndarray, y_px: np.ndarray) -> tuple[slice, slice]:
    """The square of a frame in which there are fewest stars."""
    height, width = shape
    size = min(SWATCH_PX, height, width)
    across = np.arange(width // size + 1) * size
    down = np.arange(height // size + 1) * size
    stars = np.histogram2d(y_px, x_px, [down, across])[0]
    row, column = np.unravel_index(np.argmin(stars), stars.shape)
    top = int(down[row])
    left = int(across[column])
    return slice(top, top + size), slice(left, left + size)


def laid_out(noise_swatch: np.ndarray, window: tuple[slice, slice]) -> np.ndarray:
    """The swatch repeated over a window of the frame, (y, x) of one channel."""
    rows, columns = (np.arange(s.start, s.stop) % noise_swatch.shape[-1] for s in window)
    return noise_swatch.take(rows, axis=0).take(columns, axis=1)
