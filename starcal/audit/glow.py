"""The glow round burnt-out stars as a stretch shows it: how far it goes, and what it adds to the
surroundings of other stars.

A glow lies alike on all sides of its star and falls outwards; a nebula does one of these by chance,
hardly both. Each is told against the other: a ring is glow while the light falls from there to half
as far out again by several times what it varies round the ring.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..colour.stellar import rgb_to_uv_prime, srgb_decode
from ..robust import SIGMA_PER_DEVIATION

FURTHEST_HALVES, FURTHEST_PX = 12.0, 130  # how far a glow is looked for: half radii, px
GLOW_SECTORS = 8  # of a ring; opposite ones are taken together, so that a slope does not count
FEWEST_PAIRS_OF_SECTORS = 3
FEWEST_IN_SECTOR = 3  # pixels that make a median
FALLS_TO = 1.5  # times as far out
GLOW_FALL = 3.0  # times the scatter round the ring
FALL_SIGMA = 0.5  # of a pixel's noise; a ring of pixels is known better
INNERMOST_HALVES = 1.5  # from there on rings are asked; further in it is the star
ANOTHER_HUE_DEG = 60.0  # of u'v' about the display's white, against the star's rim
LEAST_GLOW = 1e-4  # of a ring, that has a hue
# Of what a glow adds to a channel, that another may lack: where light of a nebula was taken away
# round a star, colours put on top of that come out as no star's.
DIMMED_SHARE = 0.1
COLOURLESS_UV, COLOURED_UV = 0.015, 0.04  # hardly any hue; one that cannot be overlooked


@dataclass(frozen=True, eq=False, kw_only=True)
class Glow:
    """Light round a burnt-out star.

    Attributes
    ----------
    reach_px : float
        Where it ends.
    rings : ndarray, (3, radii)
        Medians of rings a pixel wide out to there, other stars left out.
    mean : ndarray, (radii,)
        The same of the mean of the channels, falling.
    """

    reach_px: float
    rings: NDArray
    mean: NDArray

    def light(self, radius_px: NDArray) -> NDArray:
        """What it adds to the mean of the channels at some distances; 0 beyond its reach."""
        above = self.mean - self.mean[-1]
        return np.interp(radius_px, np.arange(len(above)), above, right=0.0)


def glow_of(
    planes: NDArray, radius_px: NDArray, angle: NDArray, half_px: float, sigma: float
) -> Glow | None:
    """Find the glow of one star.

    Parameters
    ----------
    planes : ndarray, (3, rows, columns)
        Display values round it, NaN where other stars are.
    radius_px, angle : ndarray, (rows, columns)
        Of the pixels from the star, px and radians.
    half_px : float
        Its half radius.
    sigma : float
        Noise of the mean of the channels.

    Returns
    -------
    Glow or None
        None where it goes no further than the star itself.
    """
    width_px = max(1, round(half_px / 3))
    mean = planes.mean(axis=0)
    sectors = _medians_of_sectors(mean, radius_px, angle, width_px)
    end = _last_ring(sectors, half_px / width_px, sigma)
    reach_px = round((end + 0.5) * width_px)
    if end * width_px <= INNERMOST_HALVES * half_px:
        return None
    rings = _ring_medians_known(planes, radius_px, reach_px)
    reach_px = _same_hue_reach(rings, half_px)
    if reach_px <= INNERMOST_HALVES * half_px:
        return None
    rings = rings[:, : reach_px + 1]
    falling = np.minimum.accumulate(rings.mean(axis=0))
    return Glow(reach_px=float(reach_px), rings=rings, mean=falling)


def _medians_of_sectors(
    mean: NDArray, radius_px: NDArray, angle: NDArray, width_px: int
) -> NDArray:
    """Means of opposite sectors' medians of each ring, (rings, 4); NaN where too few pixels are
    known."""
    ring = (radius_px / width_px).astype(int)
    sector = ((angle / (2 * np.pi) + 0.5) * GLOW_SECTORS).astype(int) % GLOW_SECTORS
    label = np.where(np.isfinite(mean), ring * GLOW_SECTORS + sector, -1)
    count = (int(radius_px.max() / width_px) + 1) * GLOW_SECTORS
    medians = _medians_by_label(mean, label, count, FEWEST_IN_SECTOR).reshape(-1, GLOW_SECTORS)
    return 0.5 * (medians[:, : GLOW_SECTORS // 2] + medians[:, GLOW_SECTORS // 2 :])


def _medians_by_label(
    values: NDArray,
    label: NDArray,
    count: int,
    fewest: int,
) -> NDArray:
    """Median of the values of each label from 0, (count,); NaN of fewer values than asked."""
    known = label >= 0
    values, label = values[known], label[known]
    order = np.lexsort((values, label))
    number = np.bincount(label, minlength=count)
    middle = np.cumsum(number) - number + number // 2
    enough = number >= max(fewest, 1)
    found = np.full(count, np.nan)
    found[enough] = values[order][middle[enough]]
    return found


def _last_ring(sectors: NDArray, half: float, sigma: float) -> int:
    """Last of the rings out to which there is glow, whose half radius is so many rings."""
    middle, around = _level_and_scatter(sectors)
    known = np.isfinite(sectors).sum(axis=1) >= FEWEST_PAIRS_OF_SECTORS
    if not known.any():
        return 0
    fall = _fall_of(middle, known)
    least = np.maximum(GLOW_FALL * around, FALL_SIGMA * sigma)
    outside = np.arange(len(middle)) > INNERMOST_HALVES * half
    ended = outside & ~(known & (fall >= least))
    if not ended.any():
        return len(middle) - 1
    return int(ended.argmax()) - 1


def _level_and_scatter(sectors: NDArray) -> tuple[NDArray, NDArray]:
    """Median of each ring's sectors, and their robust scatter about it; 0 where none is known."""
    none = ~np.isfinite(sectors).any(axis=1)
    sectors = np.where(none[:, None], 0.0, sectors)
    middle = np.nanmedian(sectors, axis=1)
    off = np.abs(sectors - middle[:, None])
    return middle, SIGMA_PER_DEVIATION * np.nanmedian(off, axis=1)


def _fall_of(middle: NDArray, known: NDArray[np.bool_]) -> NDArray:
    """How far the light falls from each ring to one further out; what is not known far out has not
    fallen any further."""
    at = np.arange(len(middle))
    level = np.interp(at, at[known], middle[known])
    return level - np.interp(FALLS_TO * at, at, level)


def _ring_medians_known(planes: NDArray, radius_px: NDArray, reach_px: int) -> NDArray:
    """Medians of rings a pixel wide, (3, radii), of the known pixels; gaps filled from both
    sides."""
    ring = np.rint(radius_px).astype(int)
    label = np.where(np.isfinite(planes[0]) & (ring <= reach_px), ring, -1)
    at = np.arange(reach_px + 1)
    found = np.empty((len(planes), len(at)))
    for index, plane in enumerate(planes):
        medians = _medians_by_label(plane, label, len(at), 1)
        known = np.isfinite(medians)
        found[index] = np.interp(at, at[known], medians[known])
    return found


def _same_hue_reach(rings: NDArray, half_px: float) -> int:
    """How far rings have about the hue of the star's rim, px."""
    light = srgb_decode(np.clip(rings, 0, 1))
    light = light - light[:, -1:]
    dimmed = light.min(axis=0) < -DIMMED_SHARE * light.max(axis=0)
    light = np.maximum(light, 0)
    lit = light.sum(axis=0) > LEAST_GLOW
    white = rgb_to_uv_prime(np.ones(3))
    offset = rgb_to_uv_prime(np.where(lit, light, 1.0).T) - white
    last = rings.shape[1] - 1
    rim = min(round(INNERMOST_HALVES * half_px), last)
    other = lit & (dimmed | _of_another_hue(offset, offset[rim]))
    other[: rim + 1] = False
    return int(other.argmax()) - 1 if other.any() else last


def _of_another_hue(offset: NDArray, rim: NDArray) -> NDArray[np.bool_]:
    """Which u'v' (n, 2), from the display's white, are clearly of another hue than a rim (2,)."""
    chroma = np.hypot(offset[:, 0], offset[:, 1])
    of_rim = np.hypot(rim[0], rim[1])
    if of_rim <= COLOURLESS_UV:
        return chroma > COLOURED_UV
    widest = np.cos(np.radians(ANOTHER_HUE_DEG))
    turned = offset @ rim < widest * chroma * of_rim
    return turned & (chroma > COLOURLESS_UV)
