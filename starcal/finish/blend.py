"""Stars laid over a finished nebula so that they keep their hue.

A screen blend dims the light laid over a picture channel by channel: over a red nebula a white star
comes out green. Here only the lightness is screened. The light that a star adds to a pixel has the
star's own ratios of channels, as the light of a star has that shines through a nebula.
"""

import numpy as np
from numpy.typing import NDArray

from ..colour import srgb_decode, srgb_encode
from ..cores import done_in_threads
from ..frame import SRGB, ColourSpace

BLEND_PIXELS = 2**18  # at a time: temporaries of doubles stay small


def screen_keeping_hue(
    below: NDArray, above: NDArray, space: ColourSpace = SRGB
) -> NDArray[np.float32]:
    """Screen the lightness of a star layer over a picture and keep the stars' colours.

    With L the sRGB-encoded luminance, L = 1 - (1 - L below)(1 - L above); the light added has the
    ratios of ``above``. Where that is more than a channel can show, the pixel goes towards grey at
    its luminance: bright cores become white, not another hue.

    Parameters
    ----------
    below, above : ndarray, (3, y, x)
        Display pictures, 0 to 1, ``below`` encoded in ``space``, ``above`` in sRGB. The star layer
        is black where no star is.
    space : ColourSpace

    Returns
    -------
    ndarray, (3, y, x) float32
        ``below`` bit for bit where ``above`` is 0 in all channels.
    """
    joined = np.array(below, np.float32)
    height = max(1, BLEND_PIXELS // max(joined.shape[2], 1))

    def screen_strip(top: int) -> None:
        strip = np.s_[:, top : top + height]
        starry = (above[strip] > 0).any(axis=0)
        if starry.any():
            stars = above[strip][:, starry]
            joined[strip][:, starry] = _screened(below[strip][:, starry], stars, space)

    done_in_threads(screen_strip, range(0, joined.shape[1], height))
    return joined


def _screened(below: NDArray, above: NDArray, space: ColourSpace) -> NDArray:
    """See `screen_keeping_hue`: for pixels under stars, (3, n)."""
    ground = space.decode(below)
    star = space.from_srgb(srgb_decode(np.asarray(above, float)))
    ground_y = space.luminance(ground)
    star_y = space.luminance(star)
    darkness = (1 - srgb_encode(ground_y)) * (1 - srgb_encode(star_y))
    added_y = np.maximum(srgb_decode(1 - darkness) - ground_y, 0)
    share = added_y / np.maximum(star_y, 1e-12)
    return space.encode(within_gamut(ground + share * star, space))


def within_gamut(light: NDArray, space: ColourSpace = SRGB) -> NDArray:
    """Linear light that a display can show: what exceeds 1 goes towards grey of its luminance.

    Parameters
    ----------
    light : ndarray, (3, ...)
        Linear, 0 and more.
    space : ColourSpace

    Returns
    -------
    ndarray, (3, ...)
        0 to 1, of the same luminance where that is at most 1.
    """
    grey = np.minimum(space.luminance(light), 1)
    over = light.max(axis=0) - grey
    keep = np.where(over > 1 - grey, (1 - grey) / np.maximum(over, 1e-12), 1)
    return np.clip(grey + keep * (light - grey), 0, 1)
