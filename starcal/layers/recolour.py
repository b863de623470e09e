"""Give the stars of a star layer new colours and keep their light."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..colour import LUMINANCE_WEIGHTS, luminance
from .light import StarModel, drawn
from .splitting import Split

STRIP_ROWS = 512
UNIT_LUMINANCE_ERROR = 1e-3  # of the colours given: what the layer's total luminance may be wrong by


def recolour(split: Split, rgb: ArrayLike) -> NDArray[np.float32]:
    """A star layer of the same luminance, pixel by pixel, in given colours.

    Where footprints overlap, a pixel has the mean of the stars' colours, weighted by what each star has there of the
    light; so colours run into each other, and a channel with wider stars leaves no coloured rim.

    Parameters
    ----------
    split : Split
    rgb : array, (n, 3)
        Linear RGB of luminance 1 (ITU-R BT.709), one for each star of the table that was split; see
        `palette.star_colours`. Rows of stars that were not split (``split.model.reach_px`` 0) count for nothing.

    Returns
    -------
    ndarray, (3, y, x) float32
        Add it to ``split.starless``.

    Raises
    ------
    ValueError
        Not one colour per star, a colour that is not finite, or one whose luminance is not 1.
    """
    rgb = _checked(np.asarray(rgb, float), split.model)
    light = _luminous(split.model)
    layer = np.zeros_like(split.stars)
    height, width = split.footprint.shape
    for top in range(0, height, STRIP_ROWS):
        window = slice(top, min(height, top + STRIP_ROWS)), slice(0, width)
        brightness = luminance(split.stars[:, *window], axis=0)
        layer[:, *window] = brightness * _mean_colour(split.model, light, rgb, window)
    return layer


def _checked(rgb: NDArray, model: StarModel) -> NDArray:
    n = len(model.x_px)
    if rgb.shape != (n, 3):
        raise ValueError(f"colours of shape {rgb.shape} given for {n} stars; give an array of shape ({n}, 3)")
    split = model.reach_px > 0
    wrong = split & ~(np.abs(luminance(rgb) - 1) <= UNIT_LUMINANCE_ERROR)
    if wrong.any():
        raise ValueError(f"{np.count_nonzero(wrong)} of {n} colours are not finite or not of luminance 1, the first "
                         f"for star {np.flatnonzero(wrong)[0]}; divide each by colour.luminance of it")
    return np.where(split[:, None], rgb, 0)


def _luminous(model: StarModel) -> NDArray:
    """Luminance of each star's whole light, (n,)."""
    return LUMINANCE_WEIGHTS @ model.flux


def _mean_colour(model: StarModel, light: NDArray, rgb: NDArray, window) -> NDArray[np.float32]:
    """Colour of every pixel of a window, (3, h, w): the stars' weighted by their light there; 0 under no star."""
    shape = [s.stop - s.start for s in window]
    total, colour = np.zeros(shape, np.float32), np.zeros((3, *shape), np.float32)
    profile = _luminance_profile(model)
    for star, place, dx, dy in drawn(model, window):
        share = (light[star] * profile(dx, dy)).astype(np.float32)
        np.add.at(total.ravel(), place, share)
        for c in range(3):
            np.add.at(colour[c].ravel(), place, share * rgb[star, c].astype(np.float32))
    return np.divide(colour, total, out=np.zeros_like(colour), where=total > 0)


def _luminance_profile(model: StarModel):
    """Round profile that stands for all channels in the weights: that of the channel the eye sees best."""
    return lambda dx, dy: np.maximum(model.psf[1].at_radius(np.hypot(dx, dy)), np.float32(1e-20))
