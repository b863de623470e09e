"""Charge that ran over from full pixels along their column, far beyond the star's own light."""

from dataclasses import replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy import ndimage

from ..stars import Flag
from .flares import Flares
from .light import LONGEST_CORE, Channel, StarModel, is_long
from .patches import Patches
from .stamps import values_at

AT_STAR_PX = 2  # from a clipped star's middle to its patch of full pixels
RIM_PX = 1  # at the end of a column a pixel is half full
# in px and in depths of the deepest: what is so deep and so far from it is another star's core
# (columns are 1 to 3 px wide)
SECOND_DEPTH_PX = 2.0
SECOND_AWAY = 2.0


def core_reach(dx_px: NDArray, dy_px: NDArray) -> float:
    """How far a patch of full pixels reaches from its star, what ran over left out.

    Parameters
    ----------
    dx_px, dy_px : ndarray, (k,)
        Of the pixels, from the star.

    Returns
    -------
    float
        0 if there is none.
    """
    wide = float(np.abs(dx_px).max(initial=0))
    high = float(np.abs(dy_px).max(initial=0))
    if max(wide, high) > LONGEST_CORE * max(min(wide, high), 1):
        return min(wide, high)
    return float(np.hypot(dx_px, dy_px).max(initial=0))


def bits_of_blooms(channels: list[Channel], stars: Table) -> NDArray[np.bool_]:
    """Entries that lie on a column of full pixels, away from the star that it ran over from, (n,).

    Parameters
    ----------
    channels : list of Channel
    stars : Table

    Returns
    -------
    ndarray of bool, (n,)
    """
    bits = np.zeros(len(stars), bool)
    x_px = np.array(stars["x_px"], float)
    y_px = np.array(stars["y_px"], float)
    for c in channels:
        patches = Patches.of(c.full_places, c.plane.shape)
        for mark, window in enumerate(patches.windows(), start=1):
            if is_long(window):
                inside = _within_window(x_px, y_px, window)
                places = x_px[inside], y_px[inside]
                bits[inside] |= _beside_core(patches, mark, window, *places)
    return bits


def _within_window(x_px: NDArray, y_px: NDArray, window: tuple[slice, slice]) -> NDArray:
    """Rows of the entries at a patch."""
    rows, columns = window
    inside = (y_px > rows.start - AT_STAR_PX) & (y_px < rows.stop + AT_STAR_PX)
    inside &= (x_px > columns.start - AT_STAR_PX) & (x_px < columns.stop + AT_STAR_PX)
    return np.flatnonzero(inside)


def _beside_core(patches: Patches, mark: int, window, x_px: NDArray, y_px: NDArray) -> NDArray:
    """Which places at a patch are not where its star is, its widest place, (k,); but for those
    where a second star may stand."""
    rows, columns = _window_about(window, patches.shape)
    depth = ndimage.distance_transform_edt(patches.within(mark, (rows, columns)))
    row = np.rint(y_px).astype(int) - rows.start
    column = np.rint(x_px).astype(int) - columns.start
    deep = values_at(ndimage.maximum_filter(depth, 3), column, row)
    away = np.where(deep > 0, _from_deepest(depth, row, column), np.inf)
    second = (deep >= SECOND_DEPTH_PX) & (away > SECOND_AWAY * depth.max())
    return (deep > 0) & (away > away.min(initial=np.inf)) & ~second


def _from_deepest(depth: NDArray, row: NDArray, column: NDArray) -> NDArray:
    """Distance of places from the widest one of a patch, (k,)."""
    middle = np.unravel_index(np.argmax(depth), depth.shape)
    return np.hypot(row - middle[0], column - middle[1])


def _window_about(window, shape: tuple[int, int]) -> tuple[slice, ...]:
    """A window and so much about it that a star's middle lies inside."""
    margin = AT_STAR_PX + 1
    return tuple(
        slice(max(part.start - margin, 0), min(part.stop + margin, size))
        for part, size in zip(window, shape, strict=True)
    )


def with_blooms(channels: list[Channel], model: StarModel, stars: Table) -> StarModel:
    """The model whose stars have the full pixels beyond their own reach as well.

    Parameters
    ----------
    channels : list of Channel
    model : StarModel
    stars : Table

    Returns
    -------
    StarModel
    """
    clipped = np.array(stars["flags"]) & Flag.SATURATED > 0
    full = np.unique(np.concatenate([c.full_places for c in channels]))
    patches = Patches.of(full, channels[0].plane.shape)
    told = _beyond_reach(patches, model, np.flatnonzero(clipped & (model.reach_px > 0)))
    return replace(model, flares=_added(channels, model.flares, told)) if told else model


def _beyond_reach(patches: Patches, model: StarModel, bright: NDArray) -> list:
    """For each bright star that has any, itself and the places of full pixels beyond its reach."""
    windows = patches.windows()
    told = []
    for star in bright:
        mark = _patch_of(patches, model.x_px[star], model.y_px[star])
        if mark and is_long(windows[mark - 1]):
            told.append(_far_pixels(patches, mark, windows[mark - 1], model, star))
    return [one for one in told if len(one[0])]


def _patch_of(patches: Patches, x_px: float, y_px: float) -> int:
    """Mark of the full pixels at a place; 0: there are none."""
    near = np.arange(-AT_STAR_PX, AT_STAR_PX + 1)
    rows = near + round(float(y_px))
    columns = near + round(float(x_px))
    rows = rows[(rows >= 0) & (rows < patches.shape[0])]
    columns = columns[(columns >= 0) & (columns < patches.shape[1])]
    return int(patches.at(rows[:, None], columns).max(initial=0))


def _far_pixels(patches: Patches, mark: int, window, model: StarModel, star: int):
    """Star, rows and columns of full pixels, and those at their rim, beyond the star's reach."""
    rows, columns = (
        slice(max(part.start - RIM_PX, 0), min(part.stop + RIM_PX, side))
        for part, side in zip(window, patches.shape, strict=True)
    )
    own = patches.within(mark, (rows, columns))
    row, column = np.nonzero(ndimage.binary_dilation(own, iterations=RIM_PX))
    row = row + rows.start
    column = column + columns.start
    away = np.hypot(column - model.x_px[star], row - model.y_px[star])
    far = away > model.reach_px[star]
    return np.full(np.count_nonzero(far), star), row[far], column[far]


def _added(channels: list[Channel], flares: Flares | None, told: list) -> Flares:
    """The flares with full pixels of stars."""
    star, row, column = (np.concatenate(parts) for parts in zip(*told, strict=True))
    light = np.stack([np.nan_to_num(c.plane[row, column] - c.sky) for c in channels])
    light = np.maximum(light, 0).astype(np.float32)
    own = Flares(
        star=star,
        row=row,
        column=column,
        light=light,
        doubt=light**2,
        ran_over=np.ones(len(star), bool),
    )
    return own if flares is None else _both_flares(flares, own)


def _both_flares(flares: Flares, more: Flares) -> Flares:
    """Two lists of flares as one."""
    return replace(
        flares,
        star=np.append(flares.star, more.star),
        row=np.append(flares.row, more.row),
        column=np.append(flares.column, more.column),
        light=np.concatenate([flares.light, more.light], axis=1),
        doubt=np.concatenate([flares.doubt, more.doubt], axis=1),
        ran_over=np.arange(len(flares.star) + len(more.star)) >= len(flares.star),
    )
