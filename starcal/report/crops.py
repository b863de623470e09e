"""Where to look at 100 %: the squares of a frame that tell most about its star colours."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from astropy.table import Table
from scipy.spatial import cKDTree

from ..audit import Audit
from ..draw.preview import CROP_PX, Shown
from ..stars import Flag
from .tables import floats_of

CROPS = 3
NOT_CLEAN = Flag.EDGE | Flag.SHAPE | Flag.SATURATED | Flag.BLENDED
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
    before: np.ndarray | Shown, stars: Table, audits: Sequence[Audit] = ()
) -> list[Crop]:
    """Choose squares that tell: the brightest star, the worst colours after and before, bright
    nebula; else the reddest and bluest stars.

    Parameters
    ----------
    before : ndarray, shape (3, y, x), or Shown
        For display, in [0, 1].
    stars : Table
        The star table.
    audits : sequence of Audit
        Of the pictures before and after, in this order.

    Returns
    -------
    list of Crop, at most `CROPS`
        A star that a square shows already has none of its own; what fills up overlaps no other.
    """
    order = _brightest_first(stars)
    chosen: list[Crop] = []
    for place in _wanted(stars, order, audits):
        shown = _shown_in(chosen, place)
        if shown is None:
            chosen.append(_whole_square(place, before))
        else:
            words = f"{chosen[shown].shows} and {place.shows}"
            chosen[shown] = chosen[shown]._replace(shows=words)
    for place in _fillers(before, stars, order):
        if len(chosen) == CROPS:
            break
        square = _whole_square(place, before)
        if _shown_in(chosen, square, CROP_PX) is None:
            chosen.append(square)
    return chosen


def _shown_in(
    chosen: list[Crop],
    place: Crop,
    reach_px: float = CROP_PX / 2,
) -> int | None:
    """Which square has a place within reach of its middle."""
    for number, other in enumerate(chosen):
        across = abs(place.x_px - other.x_px)
        up = abs(place.y_px - other.y_px)
        if max(across, up) < reach_px:
            return number
    return None


def _whole_square(place: Crop, picture) -> Crop:
    _, height, width = picture.shape
    return place._replace(
        x_px=_moved_inside(place.x_px, width),
        y_px=_moved_inside(place.y_px, height),
    )


def _moved_inside(at: float, side: int) -> float:
    """Moved inwards until the square lies within the frame; the middle of a frame that is
    smaller."""
    return float(np.clip(at, CROP_PX / 2, side - CROP_PX / 2)) if side > CROP_PX else side / 2


def _brightest_first(stars: Table) -> np.ndarray:
    """Rows of what is a star by its shape or by the catalogue, the brightest first."""
    flux = np.nan_to_num(floats_of(stars, "flux_G"))
    order = np.argsort(-flux)
    flags = np.asarray(stars["flags"])
    listed = np.isfinite(floats_of(stars, "v_mag"))
    listed &= flags & Flag.MISMATCH == 0
    star = listed | (flags & Flag.SHAPE == 0)
    return order[star[order]]


def _wanted(
    stars: Table,
    order: np.ndarray,
    audits: Sequence[Audit],
) -> Iterator[Crop]:
    """What nobody shall have to look for."""
    if len(order):
        yield _crop_of(stars, order[0], "the brightest star")
    for audit in audits[1:]:
        yield from _oddest_star(audit)
    for audit in audits[:1]:
        yield from _worst_place(audit)


def _fillers(
    before,
    stars: Table,
    order: np.ndarray,
) -> Iterator[Crop]:
    """Places worth a look, the most telling first."""
    yield from _nebula_crops(before)
    yield from _extreme_colours(stars, order)
    for row in order[1:]:  # for small or poor frames
        yield _crop_of(stars, row, "a bright star")


def _crop_of(stars: Table, row: int, shows: str) -> Crop:
    x_px = floats_of(stars, "x_px")[row]
    y_px = floats_of(stars, "y_px")[row]
    return Crop(float(x_px), float(y_px), shows)


def _oddest_star(audit: Audit) -> Iterator[Crop]:
    """Round the star of the picture after whose colour is furthest from those of real stars."""
    if not audit.n_judged:
        return
    away = np.abs(floats_of(audit.stars, "duv"))
    away[audit.stars["kind"] == "unknown"] = 0
    shows = "the oddest colour after, though possible"
    if audit.n_impossible:
        shows = "the worst colours after"
        away[~audit.impossible] = 0
    yield _crop_of(audit.stars, int(np.argmax(away)), shows)


def _extreme_colours(stars: Table, order: np.ndarray) -> Iterator[Crop]:
    """The reddest and the bluest of the first clean stars of an order."""
    bv_mag = _known_bv(stars)
    clean = (np.asarray(stars["flags"]) & NOT_CLEAN == 0) & np.isfinite(bv_mag)
    coloured = order[clean[order]][:EXTREMES_AMONG]
    if not len(coloured):
        return
    for best, word in ((np.argmax, "reddest"), (np.argmin, "bluest")):
        row = coloured[best(bv_mag[coloured])]
        yield _crop_of(stars, row, f"the {word} of the bright stars, B−V {bv_mag[row]:.2f}")


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
