"""Reflections: discs of a star's light thrown back by a filter or a window, out of focus.

A disc is found by its rim, a step down at one radius round a common centre, since its inside drowns
in nebula; what it is like is then told by the steps from outside in, in units of the star's light.
"""

from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ..cores import in_threads
from ..robust import SIGMA_PER_DEVIATION
from .disc_law import TAIL_FREEDOM, DiscLaw, disc_law, ring_level, strength_of
from .halos import Halo, median_without_nan

SURE_NOISES = 2.0  # pixels that the star's own light may make wrong by more tell nothing
CELL_FWHM = 1.0  # side of the cells that a rim is looked for on
RADII = (6.0, 26.0)  # cells; nearer, what is left of wings may look like a rim
FARTHEST = 9  # cells that a disc's middle may be from its star
GROWTHS = (
    np.arange(-6, 7) * 0.01
)  # of the middle's offset with the star's from the frame's middle
RIM_SHARE = 0.15  # radii of the channels may differ by as much
RING_SHARE = 0.4  # of a ring that must be known
# in squared errors, channels together: frames without discs reach 36, those with discs begin at 57
LEAST_RIM = 45.0
STEP_SD = 0.3  # of a star's own step about the common one
# so much must be left without the star that shows it best: its neighbourhood may have any edge
LEAST_OF_OTHERS = LEAST_RIM / 2
MOST_STARS = 10  # that are looked at
LEAST_OF_STAR, FEWEST_STARS = 9.0, 3  # the same of one star, and how many must show it
DISC_LAW_STARS = 4  # no star counts for more than the one of this rank
RIM_CLIP_SIGMA = 4.0
SECTORS, PER_SECTOR = 24, 4
BEYOND_RIM = 1.6  # radii: how far out the law begins
STEP_PX = 2  # over which pixels tell how rough they are
FINE_STEP_PX = 4  # over which a rim is seen, for its middle
STARTS = 2  # middles from which the sharpest is looked for
GROWTH_STEP = 0.005  # for a pixel's step of the middle: what that is, 200 px from the stars'
NEAR_RIM = (0.7, 1.6)  # radii: where any channel may have its rim
FACTOR_SD = 0.15  # of stars about the law: one glass throws back one share
DOUBT, RIM_PX = (
    0.08,
    0.7,
)  # share of a disc's light it may be wrong by, and how far a rim may be off


@dataclass(frozen=True, eq=False, kw_only=True)
class Rim:
    """Where the discs of stars end.

    Attributes
    ----------
    radius_px : float
        Of the rim, in the middle of the channels.
    offset_px : tuple of float
        Of its middle from a star in the middle of the frame, x and y.
    growth : float
        What that changes by for each pixel the star is off the middle of the frame.
    """

    radius_px: float
    offset_px: tuple[float, float]
    growth: float

    def middle(self, halo: Halo) -> tuple[float, float]:
        """Of a star's disc, from the star, px."""
        off = halo.from_middle
        return (
            self.offset_px[0] + self.growth * off[0],
            self.offset_px[1] + self.growth * off[1],
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Disc(Rim):
    """The law of the discs.

    Attributes
    ----------
    law : DiscLaw
        Light per pixel of a star of flux 1 by direction and pixels from the disc's middle.
    """

    law: DiscLaw

    def peak(self) -> NDArray:
        """Most light per pixel, (3,), of a star of flux 1."""
        return self.law.light.max(axis=(1, 2))

    def reach_px(
        self,
        snr: NDArray,
        faintest: float,
    ) -> float:
        """How far from its star a disc may reach, px."""
        return self.law.light.shape[2] + FARTHEST * self.radius_px / RADII[0]


def find_disc(halos: list[Halo], fwhm_px: float) -> Disc | None:
    """The disc that the bright stars of a frame have; None if they have none.

    Parameters
    ----------
    halos : list of Halo
    fwhm_px : float
    """
    if len(halos) < FEWEST_STARS:
        return None
    halos = [halo.sure(SURE_NOISES) for halo in halos[:MOST_STARS]]
    cell = max(1, round(CELL_FWHM * fwhm_px))
    rims = _rims(halos, cell)
    return _with_law(halos, rims) if rims else None


# --- where the rim is -------------------------------------------------------------------


def _rims(halos, cell) -> list[Rim]:
    """Rims, one for each growth: the radius and middle whose step is the surest; none
    if none at all is sure."""
    steps = np.stack(list(in_threads(lambda halo: _steps(halo, cell), halos)))
    weight, told = _weights(steps, halos)
    surest_of = partial(_surest_step, steps, weight, told, halos, cell)
    surest = list(in_threads(surest_of, GROWTHS))
    chi, where = max(surest)
    growth, radius = where[:2]
    # at the first radius: light that falls ever more steeply inwards is a wing
    if chi < LEAST_RIM or radius == 0:
        return []
    showing = _stars_showing_rim(steps, told, halos, where, cell)
    if np.count_nonzero(showing > LEAST_OF_STAR) < FEWEST_STARS:
        return []
    others = [star for star in range(len(halos)) if star != np.argmax(showing)]
    rest = [halos[k] for k in others]
    left = _together(steps[others], weight[others], told[others], rest, growth, cell)
    if left[where[1:]] < LEAST_OF_OTHERS:
        return []
    radius_px = float((RADII[0] + radius + 0.5) * cell)
    return [_at_place(place, radius_px, cell) for _, place in surest]


def _at_place(where, radius_px, cell) -> Rim:
    """A rim from its growth and its middle in cells."""
    growth, _, y, x = where
    return Rim(
        radius_px=radius_px,
        offset_px=(float((x - FARTHEST) * cell), float((y - FARTHEST) * cell)),
        growth=growth,
    )


def _surest_step(steps, weight, error, halos, cell, growth):
    """Evidence of the surest common step with one growth, and that, its radius and middle."""
    chi = _together(steps, weight, error, halos, growth, cell)
    place = np.unravel_index(np.argmax(chi), chi.shape)
    return float(chi.max()), (float(growth), *(int(part) for part in place))


def _steps(halo, cell):
    """Step down at each radius round each middle, in noises, (3, radii, 4 F + 1, 4 F + 1)."""
    reach = int(RADII[1]) + 2 * FARTHEST + 2
    maps = _binned(halo, cell, reach)
    known = np.isfinite(maps)
    level, spread = _level_and_spread(maps)
    most = RIM_CLIP_SIGMA * spread
    flat = np.where(known, np.clip(maps - level, -most, most), 0)
    rings = _rings(flat, known.astype(float), np.arange(RADII[0], RADII[1] + 2) - 0.5)
    return rings[:, :-2] - rings[:, 2:]


def _level_and_spread(maps):
    """Median and robust standard deviation of each channel's map, (3, 1, 1)."""
    flat = np.sort(maps.reshape(3, -1), axis=1)
    middle = [np.median(f[np.isfinite(f)]) if np.isfinite(f).any() else 0.0 for f in flat]
    level = np.array(middle)[:, None, None]
    off = np.abs(maps - level)
    spread = [
        SIGMA_PER_DEVIATION * np.median(o[np.isfinite(o)]) if np.isfinite(o).any() else 0.0
        for o in off
    ]
    return level, np.array(spread)[:, None, None]


def _binned(
    halo,
    cell,
    reach,
):
    """Means of cells round a star, in noises, (3, 2 reach + 1, 2 reach + 1)."""
    inside = (np.arange(cell) - (cell - 1) / 2)[:, None] + np.arange(-reach, reach + 1) * cell
    places = np.sort(inside.ravel())
    y, x = np.meshgrid(places, places, indexing="ij")
    values = halo.sampled(x, y) / halo.noise[:, None, None]
    size = 2 * reach + 1
    return _means_of_cells(values.reshape(3, size, cell, size, cell))


def _means_of_cells(cells):
    """Mean of each cell of which half is known, else NaN; the pixels lie along axes 2 and 4."""
    count = np.isfinite(cells).sum(axis=(2, 4))
    total = np.nan_to_num(cells).sum(axis=(2, 4))
    half = cells.shape[2] * cells.shape[4] / 2
    return np.where(count > half, total / np.maximum(count, 1), np.nan)


def _rings(
    flat,
    known,
    radii,
):
    """Mean of a ring of a cell's width for each radius, round each middle within reach,
    (3, radii, 4 F + 1, 4 F + 1); NaN where too little is known."""
    middle = flat.shape[1] // 2
    size = fft.next_fast_len(flat.shape[1], real=True)  # rings do not reach round it
    part = np.arange(middle - 2 * FARTHEST, middle + 2 * FARTHEST + 1)
    planes = fft.rfft2(np.concatenate([flat, known]), s=(size, size))
    result = []
    for kernel in _ring_kernels(size, tuple(radii)):
        sums = fft.irfft2(planes * kernel, s=(size, size))[:, part[:, None], part]
        result.append(_known_means(sums, RING_SHARE * kernel[0, 0].real))
    return np.stack(result, axis=1)


def _known_means(sums, enough):
    """Means from sums of light and of what is known, of three channels each; NaN where less is
    known."""
    count = np.maximum(sums[3:], 1e-9)
    return np.where(count > enough, sums[:3] / count, np.nan)


@cache
def _ring_kernels(size, radii):
    """Fourier transforms of rings round the first pixel, for periodic maps."""
    along = np.minimum(np.arange(size), size - np.arange(size))
    distance = np.hypot(along[:, None], along)
    return [fft.rfft2((np.abs(distance - radius) <= 0.5).astype(float)) for radius in radii]


def _weights(steps, halos):
    """What each star's steps count, and its errors in units of its flux, (n, 3, radii)."""
    flux = np.stack([halo.strength for halo in halos])[:, :, None]
    flat = np.moveaxis(steps.reshape(*steps.shape[:3], -1), 3, 0)
    spread = SIGMA_PER_DEVIATION * median_without_nan(np.abs(flat - median_without_nan(flat)))
    error = np.where(spread > 0, spread, np.inf) / flux
    return _weight_to_rank(error), error


def _weight_to_rank(error):
    """Inverse variances of stars, none much more than that of a certain rank."""
    ranked = np.sort(error, axis=0)[min(DISC_LAW_STARS, len(error)) - 1]
    return 1 / (error**2 + ranked**2)


def _together(
    steps,
    weight,
    error,
    halos,
    growth,
    cell,
):
    """Evidence of a common step, (radii, 2 F + 1, 2 F + 1): twice the logarithm of how much
    likelier it makes what the stars show, channels together."""
    shares = [
        _steps_about(step, halo, growth, cell) / halo.strength[:, None, None, None]
        for halo, step in zip(halos, steps, strict=True)
    ]
    common = _common_step(shares, weight)
    evidence = np.zeros(common.shape)
    for share, wrong in zip(shares, error, strict=True):
        evidence += _evidence_of_star(share, wrong[:, :, None, None], common)
    return np.sum([_loosely(each, np.arange(*RADII)) for each in evidence], axis=0)


def _common_step(shares, weight):
    """Weighted mean of the stars' steps, (3, radii, ...), not below 0."""
    total = np.zeros(shares[0].shape)
    counted = np.zeros(shares[0].shape)
    for share, own in zip(shares, weight, strict=True):
        each = np.where(np.isfinite(share), own[:, :, None, None], 0)
        total = total + each * np.nan_to_num(share)
        counted = counted + each
    return np.maximum(total, 0) / np.maximum(counted, 1e-30)


def _evidence_of_star(share, error, common):
    """By how much one star speaks for a step that stars have in common, and not for none."""
    spread = STEP_SD * common
    none = np.log1p((share / error) ** 2 / TAIL_FREEDOM)
    some = np.log1p((share - common) ** 2 / (error**2 + spread**2) / TAIL_FREEDOM)
    told = (TAIL_FREEDOM + 1) * (none - some) - np.log1p((spread / error) ** 2)
    return np.where(np.isfinite(share) & (common > 0), told, 0)


def _loosely(chi2, radii):
    """The most of each radius and those near it."""
    reach = np.maximum(1, np.rint(RIM_SHARE * radii)).astype(int)
    return np.stack([chi2[max(0, k - r) : k + r + 1].max(axis=0) for k, r in enumerate(reach)])


def _steps_about(
    step,
    halo,
    growth,
    cell,
):
    """Steps of a star round the middles that its place on the frame makes of common ones."""
    x, y = (int(np.rint(growth * off / cell)) for off in halo.from_middle)
    x, y = np.clip((x, y), -FARTHEST, FARTHEST)
    first_y, first_x = FARTHEST + y, FARTHEST + x
    size = 2 * FARTHEST + 1
    return step[:, :, first_y : first_y + size, first_x : first_x + size]


def _stars_showing_rim(
    steps,
    error,
    halos,
    where,
    cell,
):
    """Squared significance of each star's own step at the common place, (n,)."""
    growth, radius, y, x = where
    reach = max(1, round(RIM_SHARE * (RADII[0] + radius)))
    near = slice(max(0, radius - reach), radius + reach + 1)
    result = []
    for halo, step, wrong in zip(halos, steps, error, strict=True):
        at = _steps_about(step, halo, growth, cell)[:, near, y, x] / halo.strength[:, None]
        chi = np.nan_to_num(at / wrong[:, near])
        result.append((np.maximum(chi.max(axis=1), 0) ** 2).sum())
    return np.array(result)


# --- what it is like --------------------------------------------------------------------


def _with_law(halos, rims) -> Disc | None:
    """The sharpest disc with its middle made finer and the law that the stars tell."""
    sharpest = sorted(rims, key=lambda rim: _sharpness(halos, rim))[-STARTS:]
    finer = [_finer(halos, rim) for rim in sharpest]
    best = max(finer, key=lambda rim: _sharpness(halos, rim))
    law = disc_law(np.stack([_polar(halo, best) for halo in halos]))
    if not law.light.max() > 0:
        return None
    return Disc(
        radius_px=best.radius_px,
        offset_px=best.offset_px,
        growth=best.growth,
        law=law,
    )


def _finer(halos, rim) -> Rim:
    """The middle whose rims are sharpest, to half a pixel."""
    flux = np.array([halo.strength.max() for halo in halos])
    stars = flux @ np.array([halo.from_middle for halo in halos]) / flux.sum()
    for step in (2.0, 1.0, 0.5):
        for _ in range(3):
            best = max(_middles_about(rim, step, stars), key=lambda one: _sharpness(halos, one))
            if best is rim:
                break
            rim = best
    return rim


def _middles_about(rim, step, stars) -> list[Rim]:
    """A rim, and others whose middle is a step away or grows more or less, so that it stays where
    it is for the middle of the stars."""
    x, y = rim.offset_px
    steps = [(i * step, j * step) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    moved = [replace(rim, offset_px=(x + i, y + j)) for i, j in steps]
    for more in (-GROWTH_STEP * step, GROWTH_STEP * step):
        held = (x - more * stars[0], y - more * stars[1])
        moved.append(replace(rim, growth=rim.growth + more, offset_px=held))
    return [rim, *moved]


def _sharpness(halos, rim) -> float:
    """Evidence of a common step near the rim."""
    maps = np.stack([_polar(halo, rim, rim_only=True) for halo in halos])
    step = _steps_in(ring_level(maps), FINE_STEP_PX)
    error = np.sqrt(2 / SECTORS) * _pixel_errors(maps)[..., 0]
    weight = _weight_to_rank(error)
    known = np.where(np.isfinite(step), weight, 0)
    mean = (known * np.nan_to_num(step)).sum(axis=0) / np.maximum(known.sum(axis=0), 1e-30)
    common = np.maximum(mean, 0)
    evidence = [_evidence_of_star(*of, common) for of in zip(step, error, strict=True)]
    return float(np.sum(evidence, axis=0).max(axis=1).sum())


def _polar(
    halo,
    rim,
    rim_only=False,
):
    """What is left over round a disc's middle, in noises over flux, (3, sectors, r): medians along
    short arcs."""
    radius = np.arange(0.5, BEYOND_RIM * rim.radius_px)
    if rim_only:
        radius = np.arange(*np.multiply(NEAR_RIM, rim.radius_px))
    per = PER_SECTOR
    angle = (np.arange(SECTORS * per) - (per - 1) / 2) * 2 * np.pi / (SECTORS * per)
    x, y = rim.middle(halo)
    values = halo.sampled(
        x + radius * np.cos(angle)[:, None], y + radius * np.sin(angle)[:, None]
    )
    arcs = values.reshape(3, SECTORS, per, len(radius))
    known = np.isfinite(arcs).all(axis=2)
    middle = np.median(np.nan_to_num(arcs), axis=2)
    flux = np.where(halo.flux != 0, halo.flux, np.nan)  # a channel may have none of the star
    return np.where(known, middle, np.nan) / flux[:, None, None]


def _steps_in(maps, pixels):
    """What maps fall by over so many pixels of radius."""
    return maps[..., :-pixels] - maps[..., pixels:]


def _pixel_errors(maps):
    """Error of each star's pixels, (n, 3, 1, 1): how they differ from those a step on."""
    step = np.abs(_steps_in(maps, STEP_PX)).reshape(*maps.shape[:2], -1)
    error = SIGMA_PER_DEVIATION * median_without_nan(np.moveaxis(step, 2, 0)) / np.sqrt(2)
    return np.where(error > 0, error, np.inf)[:, :, None, None]


# --- one star ---------------------------------------------------------------------------


def disc_light(halo: Halo, disc: Disc) -> tuple[NDArray, NDArray]:
    """Light of a star's disc on the pixels of its cut, and its variance, (3, h, w) each.

    Parameters
    ----------
    halo : Halo
    disc : Disc
    """
    x, y = disc.middle(halo)
    dx, dy = halo.offsets()
    radius = np.hypot(dx - x, dy - y)
    near = radius < disc.law.light.shape[2] - 1
    angle = np.arctan2(dy - y, dx - x)[near] / (2 * np.pi) * SECTORS
    places = np.stack([angle % SECTORS, np.maximum(radius[near] - 0.5, 0)])
    light = np.zeros(halo.left_over.shape, np.float32)
    doubt = np.zeros_like(light)
    factor = strength_of(_polar(halo.sure(SURE_NOISES), disc), disc.law, FACTOR_SD)
    for c, (law, error) in enumerate(zip(disc.law.light, disc.law.error, strict=True)):
        share = _of_law(law, places)
        slope = _of_law(np.abs(np.gradient(law, axis=1)), places)
        wrong = _of_law(np.minimum(error, law.max()), places)
        variance = (DOUBT * share) ** 2 + (RIM_PX * slope) ** 2 + wrong**2 * (share > 0)
        light[c][near] = factor * halo.flux[c] * share
        doubt[c][near] = halo.flux[c] ** 2 * variance
    return light, doubt


def _of_law(law, places):
    """A law between its cells; it is periodic in angle."""
    wrapped = np.concatenate([law, law[:1]], axis=0)
    return ndimage.map_coordinates(wrapped, places, order=1, mode="nearest")
