"""Stars laid over a finished nebula so that they keep their hue.

A screen blend dims the light laid over a picture channel by channel: over a red nebula a white star
comes out green. Here only the lightness is screened. The light that a star adds to a pixel has the
star's own ratios of channels, as the light of a star has that shines through a nebula.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..colour import srgb_decode, srgb_encode
from ..cores import done_in_threads
from ..frame import SRGB, ColourSpace

PART_PIXELS = 2**18  # of a picture, a thread's
PIXELS_AT_ONCE = 2**15  # some ten arrays of three doubles each: they stay in the cache


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

    def lay(ground: NDArray, star: NDArray) -> NDArray:
        return screened(ground, srgb_decode(np.asarray(star, float)), space)

    return laid_on_pixels(below, above, lay)


def laid_on_pixels(
    picture: NDArray, stars: NDArray, lay: Callable[[NDArray, NDArray], NDArray]
) -> NDArray[np.float32]:
    """A picture with stars laid over those pixels where there are any.

    Parameters
    ----------
    picture, stars : ndarray, (3, y, x)
        The second is 0 where no star is.
    lay : callable
        Makes new pixels of pixels of both, all (3, n).

    Returns
    -------
    ndarray, (3, y, x) float32
        The picture bit for bit where no star is.
    """
    laid = np.array(picture, np.float32)
    ground, light, made = (each.reshape(3, -1) for each in (picture, stars, laid))

    def lay_from(first: int) -> None:
        lit = (light[:, first : first + PART_PIXELS] != 0).any(axis=0)
        starry = np.flatnonzero(lit) + first
        for piece in range(0, len(starry), PIXELS_AT_ONCE):
            some = starry[piece : piece + PIXELS_AT_ONCE]
            made[:, some] = lay(ground.take(some, axis=1), light.take(some, axis=1))

    done_in_threads(lay_from, range(0, made.shape[1], PART_PIXELS))
    return laid


def screened(below: NDArray, above: NDArray, space: ColourSpace) -> NDArray:
    """`screen_keeping_hue` of single pixels.

    Parameters
    ----------
    below : ndarray, (3, n)
        Encoded in ``space``.
    above : ndarray, (3, n)
        Linear light in sRGB's primaries.
    space : ColourSpace

    Returns
    -------
    ndarray, (3, n)
    """
    ground = space.decode(below)
    star = space.from_srgb(np.asarray(above, float))
    ground_y = space.luminance(ground)
    star_y = space.luminance(star)
    darkness = (1 - srgb_encode(ground_y)) * (1 - srgb_encode(star_y))
    added_y = np.maximum(srgb_decode(1 - darkness) - ground_y, 0)
    share = added_y / np.maximum(star_y, 1e-12)
    shown = space.encode(within_gamut(ground + share * star, space))
    return np.where((above > 0).any(axis=0), shown, below)


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
