"""Stars laid over a finished nebula so that they keep their hue.

A screen blend dims the light laid over a picture channel by channel: over a red nebula a white star
comes out green. Here only the lightness is screened. The light that a star adds to a pixel has the
star's own ratios of channels, as the light of a star has that shines through a nebula.
"""

import numpy as np
from numpy.typing import NDArray

from ..colour import luminance, srgb_decode, srgb_encode

STRIP_ROWS = 256


def screen_keeping_hue(below: NDArray, above: NDArray) -> NDArray[np.float32]:
    """Screen the lightness of a star layer over a picture and keep the stars' colours.

    With L the sRGB-encoded luminance, L = 1 - (1 - L below)(1 - L above); the light added has the
    ratios of ``above``. Where that is more than a channel can show, the pixel goes towards grey at
    its luminance: bright cores become white, not another hue.

    Parameters
    ----------
    below, above : ndarray, (3, y, x)
        Display pictures, sRGB-encoded, 0 to 1. The star layer is black where no star is.

    Returns
    -------
    ndarray, (3, y, x) float32
        ``below`` bit for bit where ``above`` is 0 in all channels.
    """
    joined = np.array(below, np.float32)
    for top in range(0, joined.shape[1], STRIP_ROWS):
        strip = np.s_[:, top : top + STRIP_ROWS]
        starry = (above[strip] > 0).any(axis=0)
        if starry.any():
            joined[strip][:, starry] = _screened(below[strip][:, starry], above[strip][:, starry])
    return joined


def _screened(below: NDArray, above: NDArray) -> NDArray:
    """See `screen_keeping_hue`: for pixels under stars, (3, n)."""
    ground = srgb_decode(np.asarray(below, float))
    star = srgb_decode(np.asarray(above, float))
    ground_y = luminance(ground, axis=0)
    star_y = luminance(star, axis=0)
    lightness = 1 - (1 - srgb_encode(ground_y)) * (1 - srgb_encode(star_y))
    added = np.maximum(srgb_decode(lightness) - ground_y, 0) / np.maximum(star_y, 1e-12)
    return srgb_encode(within_gamut(ground + added * star))


def within_gamut(light: NDArray) -> NDArray:
    """Linear light that a display can show: what exceeds 1 goes towards grey of its luminance.

    Parameters
    ----------
    light : ndarray, (3, ...)
        Linear, 0 and more.

    Returns
    -------
    ndarray, (3, ...)
        0 to 1, of the same luminance where that is at most 1.
    """
    grey = np.minimum(luminance(light, axis=0), 1)
    over = light.max(axis=0) - grey
    keep = np.where(over > 1 - grey, (1 - grey) / np.maximum(over, 1e-12), 1)
    return np.clip(grey + keep * (light - grey), 0, 1)
