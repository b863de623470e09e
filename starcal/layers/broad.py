"""What is as round as a star and wider: nuclei of galaxies, globular clusters, knots.

Two stars in one entry are wider one way alone; across it they are as narrow as one star. What is
wider than the frame's profile across its narrow side as well is no point of light, though it may
have a star's colours, and stays in the starless frame.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..stars import SHAPE_SNR
from ..stars.shapes import half_width, measure_shapes, rim_level, rim_scatter
from .second_light import FittedChannel, light_of_all
from .stamps import stamps_at

# measured with its neighbours across its narrow side, against the stars: what is looked at alone
DOUBTFUL_RATIO = 1.15
# The same alone, against the profile at its place: of 845 stars of a field of the Milky Way one, a
# blend of several, reaches 1.3
BROAD_RATIO, BROAD_SIGMA = 1.3, 3.0
ERROR_OF_WIDTH = 2.5  # over its signal-to-noise: of the logarithm of a star's width
FEWEST_CHANNELS = 2  # that show it: beside a bright star one alone may be anything
AS_BRIGHT = 21  # entries: where light is not quite linear, all of them are wide


def broad(
    fitted: list[FittedChannel],
    narrow_side: NDArray[np.float64],
    snr: NDArray[np.float64],
    whole: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Which entries are wider than a star in every channel that shows their shape, two at least,
    (n,).

    Parameters
    ----------
    fitted : list of FittedChannel
        The fit in all channels.
    narrow_side, snr : ndarray, (n,)
        Measured width across the narrow side against the stars', and how bright each is.
    whole : ndarray of bool, (n,)
        Which are asked for: nothing of them is clipped.
    """
    usual = _usual_width(narrow_side, snr, whole)
    rows = np.flatnonzero(whole & (narrow_side > DOUBTFUL_RATIO * usual))
    wide = np.zeros(len(whole), bool)
    if not len(rows):
        return wide
    wide[rows] = True
    shown = np.zeros(len(rows), int)
    for one in fitted:
        excess, told_snr = widths_alone(one, rows)
        told = told_snr >= SHAPE_SNR
        limit = np.log(BROAD_RATIO * usual[rows])
        limit += BROAD_SIGMA * ERROR_OF_WIDTH / np.maximum(told_snr, 1)
        wide[rows] &= ~told | (excess > limit)
        shown += told
    wide[rows] &= shown >= FEWEST_CHANNELS
    return wide


def _usual_width(narrow_side, snr, whole) -> NDArray[np.float64]:
    """Of entries about as bright as each, a star's at least, (n,)."""
    usual = np.ones(len(whole))
    rows = np.flatnonzero(whole & np.isfinite(narrow_side))
    order = rows[np.argsort(snr[rows])]
    if len(order):
        running = ndimage.median_filter(narrow_side[order], AS_BRIGHT, mode="mirror")
        usual[order] = np.maximum(running, 1)
    return usual


def widths_alone(one: FittedChannel, rows: NDArray[np.int_]) -> tuple[NDArray, NDArray]:
    """Of entries without the light of others, (k,): logarithm of the width across the narrow side
    against that of the profile there, and signal-to-noise of the core."""
    half = half_width(one.psf.fwhm_px)
    steps = np.arange(-half, half + 1)
    offsets = tuple(part.ravel() for part in np.meshgrid(steps, steps))
    values, dx, dy = stamps_at(one.channel.plane, one.x_px[rows], one.y_px[rows], offsets)
    profile = one.psf(dx, dy, one.warp[rows][:, None, :])
    own = one.flux[rows, None] * profile
    shape = (len(rows), len(steps), len(steps))
    alone = (values - light_of_all(one, rows, dx, dy) + own).reshape(shape)
    expected = profile.reshape(shape)
    excess = _narrow_px(alone, one) / _narrow_px(expected, one)
    return np.log(excess), _core_snr(alone, expected, one.channel.noise)


def _narrow_px(stamps: NDArray, one: FittedChannel) -> NDArray[np.float64]:
    """Width across the narrow side, (k,)."""
    shapes = measure_shapes(stamps, one.psf.fwhm_px)
    return shapes.fwhm_px * np.sqrt(shapes.roundness)


def _core_snr(stamps: NDArray, profile: NDArray, noise: float) -> NDArray[np.float64]:
    """How much light there is where the profile has it, over its error beside what the rim of the
    stamp varies by, (k,)."""
    light = np.nan_to_num(stamps - rim_level(stamps)[:, None, None])
    power = np.sum(profile**2, axis=(1, 2))
    rough = np.maximum(rim_scatter(stamps), noise)
    return np.sum(light * profile, axis=(1, 2)) / (rough * np.sqrt(power))
