"""What stars of a brightness have in common round them, told from what their models leave.

A profile is one for faint and bright stars. Where noise was reduced by thresholds it is not: of a
star's rim that stays which is above them, and the rest is smeared out, so that a faint star's halo
is nearly as high as that of one a hundred times as bright.
"""

from collections.abc import Sequence
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from ..robust import scatter
from ..stars.defects import MEDIAN_ERROR
from .light import Channel, Rest, StarModel, drawn, rests_of, star_pixels, tiles
from .surplus import Surplus, power_of_two

WHOLE_RINGS = 40  # rings, a pixel wide: thresholds are for structures up to some 16 px
MOST_TILES = 4  # of a frame that tell it
MOST_OF_PIXEL = 0.5  # a pixel tells of the star that most of its light is of
RIM = 0.8  # of a star's footprint: its ground lies beyond
FEWEST_IN_RING = 3  # pixels
CLASS_WIDTH = 0.75  # stars tell a class as far as this from it; a power of 2
FEWEST_OF_CLASS = 8
SURE_RING = 3.0  # errors: what is less is nothing


def surplus_of(model: StarModel, channels: Sequence[Channel]) -> Surplus | None:
    """What stars have round them by their brightness; None where their profile has it all.

    Parameters
    ----------
    model : StarModel
        Without it yet.
    channels : sequence of Channel

    Returns
    -------
    Surplus or None
    """
    rings = _left_in_rings(model, channels)
    power = power_of_two(model.flux)
    seen = power[np.isfinite(rings).any(axis=2)]
    if not seen.size:
        return None
    classes = np.arange(np.floor(seen.min()), np.ceil(seen.max()) + 1)
    told = np.zeros((len(channels), len(classes), WHOLE_RINGS), np.float32)
    for c, psf in enumerate(model.psf):
        told[c] = _of_classes(rings[c], power[c], classes, int(np.ceil(psf.fwhm_px)))
    return Surplus(lowest=float(classes[0]), rings=told) if told.any() else None


def _left_in_rings(model: StarModel, channels: Sequence[Channel]) -> NDArray[np.float64]:
    """Mean of what is left in each ring of each star over its ground, (channels, n, rings); NaN
    where nothing tells."""
    shape = (len(channels), len(model.x_px), WHOLE_RINGS + 1)
    total = np.zeros(shape)
    count = np.zeros(shape)
    every = list(tiles(channels[0].plane.shape))
    for tile in islice(every, 0, None, -(-len(every) // MOST_TILES)):
        rests = list(rests_of(model, channels, tile.inner))
        _ring_sums(total, count, model, rests, tile.inner)
    known = count >= FEWEST_IN_RING
    mean = np.where(known, total / np.maximum(count, 1), np.nan)
    return mean[:, :, :-1] - mean[:, :, -1:]


def _ring_sums(total, count, model: StarModel, rests: list[Rest], window) -> None:
    """Add what pixels of a window tell to sums and numbers, by ring of their star, in place; the
    ground is the last ring."""
    size = total[0].size
    for star, place, dx, dy in drawn(model, window):
        radius = np.sqrt(dx**2 + dy**2)
        ring = np.minimum(radius.astype(int), WHOLE_RINGS)
        ring[(radius > RIM * model.reach_px[star])] = WHOLE_RINGS
        own, _ = star_pixels(model, (0, 1, 2), star, dx, dy)
        for c, rest in enumerate(rests):
            tells = rest.known.flat[place]
            tells &= (ring == WHOLE_RINGS) | (own[c] > MOST_OF_PIXEL * rest.light.flat[place])
            at = (star * total.shape[2] + ring)[tells]
            left = rest.values.flat[place[tells]]
            total[c].flat += np.bincount(at, left, size)
            count[c].flat += np.bincount(at, minlength=size)


def _of_classes(rings, power, classes, first: int) -> NDArray[np.float64]:
    """What stars of each class have in each ring of a channel, (classes, rings), from the first
    ring on, within which their own light was fitted."""
    told = np.zeros((len(classes), WHOLE_RINGS))
    for row, middle in enumerate(classes):
        near = rings[np.abs(power - middle) < CLASS_WIDTH]
        for ring in range(first, WHOLE_RINGS):
            seen = near[np.isfinite(near[:, ring]), ring]
            if len(seen) < FEWEST_OF_CLASS or np.median(seen) <= 0:
                break  # what lies beyond is nebula
            told[row, ring] = _shared(seen)
    return told


def _shared(seen: NDArray) -> float:
    """What some stars have in common in a ring, drawn to nothing as far as their scatter leaves it
    open."""
    middle = float(np.median(seen))
    error = MEDIAN_ERROR * float(scatter(seen)) / np.sqrt(len(seen))
    return middle * max(1 - (SURE_RING * error / middle) ** 2, 0)
