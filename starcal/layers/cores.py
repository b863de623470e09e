"""Clipped cores of stars rebuilt from what is known of them: place, light and profile, as their
unclipped wings tell.

A clipped core is white or flat whatever colour the star has, and a coloured ring stands round it.
The rebuilt one goes on where the wings end, and has the star's light.
"""

from dataclasses import replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy import ndimage

from ..robust import pixels_at
from .light import LONGEST_CORE, Channel, StarModel, channels_of, star_light
from .patches import Patches, with_neighbours
from .splitting import Split

MOST_OVER_CLIP = 30.0  # times the clipping level: what wings tell of more is too uncertain
# Of the model, to fit the wings next to the core: beyond, it is no star's core
JOINT_FACTOR = (0.5, 2.0)
CORE_RIM_PX, WING_RING_PX = (
    1,
    3,
)  # about clipped pixels: what lost light besides; where the wings begin
# Of the clipping level: full pixels where the star's own light is less have what ran over
RAN_OVER_SHARE = 0.5
MOST_MISFIT_SHARE = 0.25  # of its light: a star so unlike the model keeps its core


def rebuilt_cores(
    parts: Split, pixels: NDArray, stars: Table, *, in_place: bool = False
) -> tuple[Split, NDArray[np.bool_]]:
    """A split whose star layer has its clipped cores rebuilt.

    Parameters
    ----------
    parts : Split
    pixels : ndarray, (3, y, x)
        The frame that was split.
    stars : Table
        Its stars, of `stars.measure_stars`.
    in_place : bool
        The star layer as it was is used no more: the new one may take its memory.

    Returns
    -------
    parts : Split
        The same where nothing is clipped. Cores are never darker than before, and at most
        `MOST_OVER_CLIP` times as bright as the clipping level.
    rebuilt : ndarray of bool, (n,)
        Which stars have a rebuilt core.
    """
    rebuilt = np.zeros(len(stars), bool)
    channels = channels_of(pixels, stars)
    shape = parts.footprint.shape
    clipped = np.unique(np.concatenate([channel.full_places for channel in channels]))
    clipped = clipped[parts.footprint.ravel()[clipped]]
    if not len(clipped) or not parts.model.psf:
        return parts, rebuilt
    layer = parts.stars if in_place else parts.stars.copy()
    cores = Patches.of(with_neighbours(clipped, shape), shape)
    owner = _owners(parts, stars, cores)
    for mark, window in enumerate(cores.windows(), start=1):
        own = owner == mark
        if own.any():
            wide = _widened_window(window, shape)
            _rebuild(layer[:, *wide], parts, channels, wide, cores.within(mark, wide))
            rebuilt |= own
    return replace(parts, stars=layer, model=_without_charge(parts.model, rebuilt)), rebuilt


def _without_charge(model: StarModel, rebuilt: NDArray[np.bool_]) -> StarModel:
    """The model without the charge that ran over from rebuilt stars."""
    if model.flares is None:
        return model
    return replace(model, flares=model.flares.without_charge(rebuilt))


def _owners(parts: Split, stars: Table, cores: Patches) -> NDArray[np.intp]:
    """In which clipped patch each star stands, (n,); 0: in none, or it is unlike the model."""
    model = parts.model
    like = (model.reach_px > 0) & (model.misfit.min(axis=0) < MOST_MISFIT_SHARE)
    like &= np.array(stars["saturated_channels"]).astype(str) != ""
    return np.where(like, cores.at(*pixels_at(model.x_px, model.y_px, cores.shape)), 0)


def _widened_window(window: tuple[slice, slice], shape: tuple[int, int]):
    """Rows and columns of a patch and of the wings next to it."""
    return tuple(
        slice(max(s.start - WING_RING_PX, 0), min(s.stop + WING_RING_PX, side))
        for s, side in zip(window, shape, strict=True)
    )


def _rebuild(
    layer: NDArray, parts: Split, channels: list[Channel], window, core: NDArray[np.bool_]
) -> None:
    """Put the model's light into a core, fitted to the wings round it, in place."""
    ring = ndimage.binary_dilation(core, iterations=WING_RING_PX - CORE_RIM_PX) & ~core
    bare = replace(parts.model, flares=None)  # full pixels that ran over are among these
    lights, _ = star_light(bare, channels, window)
    for c, light in zip(channels, lights, strict=True):
        seen = ring & (light > c.noise)
        ratio = np.median(layer[c.index][seen] / light[seen]) if seen.any() else 1.0
        fits = float(np.clip(ratio, *JOINT_FACTOR))
        most = MOST_OVER_CLIP * np.nan_to_num(c.clip_level, nan=1.0)
        whole = np.minimum(light * np.float32(fits), np.float32(most))
        np.maximum(layer[c.index], whole, out=layer[c.index], where=core)
        ran_over = core & _ran_over(c, whole, window)
        np.copyto(layer[c.index], whole, where=ran_over)


def _ran_over(channel: Channel, whole: NDArray, window) -> NDArray[np.bool_]:
    """Full pixels, and those at their rim, that have not so much light of their star, (y, x); none
    where the patch is as round as stars are."""
    full = channel.clipped(window)
    strange = full & (whole < RAN_OVER_SHARE * channel.clip_level)
    row, column = np.nonzero(full)
    high = np.ptp(row) if len(row) else 0
    wide = np.ptp(column) if len(column) else 0
    if max(high, wide) <= LONGEST_CORE * max(min(high, wide), 1):
        return np.zeros_like(full)
    rim = ndimage.binary_dilation(strange, iterations=CORE_RIM_PX)
    return rim & (whole < RAN_OVER_SHARE * channel.clip_level)
