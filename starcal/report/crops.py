"""Where to look at 100 %: the squares of a frame that tell most about its star colours."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from astropy.table import Table
from scipy.spatial import cKDTree

from ..audit import Audit
from ..draw.preview import CROP_PX, Shown
from ..stars import Flag
from .tables import floats_of

CROPS = 3
NOT_A_STAR = Flag.EDGE | Flag.SHAPE
NOT_CLEAN = NOT_A_STAR | Flag.SATURATED | Flag.BLENDED
EXTREMES_AMONG = 40  # among so many the reddest and the bluest are sought
# brighter than this is nebula: stretches put the sky at 0.10, the brightest nebula at 0.60
CROP_NEBULA_DISPLAY = 0.25
BLOCK_PX, SAMPLE_PX = (
    CROP_PX // 2,
    4,
)  # the background is the median of every fourth pixel each way of a block


class Crop(NamedTuple):
    """The middle of a square of `CROP_PX`, and what is to be seen there."""

    x_px: float
    y_px: float
    shows: str


def choose_crops(
    before: np.ndarray | Shown, stars: Table, audit: Audit | None = None
) -> list[Crop]:
    """Choose squares that tell: worst colours, brightest star, bright nebula; else the reddest and
    bluest stars.

    Parameters
    ----------
    before : ndarray, shape (3, y, x), or Shown
        For display, in [0, 1].
    stars : Table
        The star table.
    audit : Audit, optional
        Of the picture before.

    Returns
    -------
    list of Crop, at most `CROPS`
        Squares that do not overlap.
    """
    chosen: list[Crop] = []
    for place in _telling_places(before, stars, audit):
        place = place._replace(
            x_px=_moved_inside(place.x_px, before.shape[2]),
            y_px=_moved_inside(place.y_px, before.shape[1]),
        )
        if all(
            max(abs(place.x_px - other.x_px), abs(place.y_px - other.y_px)) >= CROP_PX
            for other in chosen
        ):
            chosen.append(place)
        if len(chosen) == CROPS:
            break
    return chosen


def _moved_inside(at: float, side: int) -> float:
    """Moved inwards until the square lies within the frame; the middle of a frame that is
    smaller."""
    return float(np.clip(at, CROP_PX / 2, side - CROP_PX / 2)) if side > CROP_PX else side / 2


def _telling_places(before, stars: Table, audit: Audit | None) -> Iterator[Crop]:
    """Places worth a look, the most telling first."""
    if audit is not None:
        yield from _worst_place(audit)
    x_px, y_px, flux, flags = (
        np.asarray(stars[name]) for name in ("x_px", "y_px", "flux_G", "flags")
    )
    order = np.argsort(-np.nan_to_num(flux))
    bright = order[flags[order] & NOT_A_STAR == 0]
    for row in bright[:1]:
        yield Crop(x_px[row], y_px[row], "the brightest star")
    yield from _nebula_crops(before)
    yield from _extreme_colours(stars, order)
    for row in bright[1:]:  # for small or poor frames
        yield Crop(x_px[row], y_px[row], "a bright star")


def _extreme_colours(stars: Table, order: np.ndarray) -> Iterator[Crop]:
    """The reddest and the bluest of the first clean stars of an order."""
    bv_mag = _known_bv(stars)
    clean = (np.asarray(stars["flags"]) & NOT_CLEAN == 0) & np.isfinite(bv_mag)
    coloured = order[clean[order]][:EXTREMES_AMONG]
    if not len(coloured):
        return
    for best, word in ((np.argmax, "reddest"), (np.argmin, "bluest")):
        row = coloured[best(bv_mag[coloured])]
        x_px, y_px = float(stars["x_px"].value[row]), float(stars["y_px"].value[row])
        yield Crop(x_px, y_px, f"the {word} of the bright stars, B−V {bv_mag[row]:.2f}")


def _worst_place(audit: Audit) -> Iterator[Crop]:
    """Round the impossible star whose square holds most of such colour."""
    bad = audit.stars[audit.impossible]
    if len(bad):
        places = np.column_stack([np.asarray(bad[name]) for name in ("x_px", "y_px")])
        near = cKDTree(places).query_ball_point(places, CROP_PX / 2, p=np.inf)
        wrong = np.abs(np.asarray(bad["duv"]))
        row = int(np.argmax([wrong[group].sum() for group in near]))
        yield Crop(*places[row], "the worst colours before")


def _nebula_crops(before) -> Iterator[Crop]:
    """The blocks whose background is brighter than a sky, the brightest first."""
    light = before[:, ::SAMPLE_PX, ::SAMPLE_PX].mean(axis=0)
    side = BLOCK_PX // SAMPLE_PX
    rows, columns = (size // side for size in light.shape)
    blocks = light[: rows * side, : columns * side].reshape(rows, side, columns, side)
    if not blocks.size:
        return
    level = np.nan_to_num(np.median(blocks, axis=(1, 3)))
    for block in np.argsort(-level, axis=None):
        row, column = divmod(int(block), columns)
        if level[row, column] > CROP_NEBULA_DISPLAY:
            yield Crop((column + 0.5) * BLOCK_PX, (row + 0.5) * BLOCK_PX, "bright nebula")


def _known_bv(stars: Table) -> np.ndarray:
    """B-V that each star was given, else the catalogue's; NaN where nothing is known."""
    given, listed = (floats_of(stars, name) for name in ("colour_bv_mag", "bv_mag"))
    return np.where(np.isfinite(given), given, listed)
