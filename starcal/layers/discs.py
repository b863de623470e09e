"""Reflections: discs of a star's light thrown back by a filter or a window, out of focus.

A disc is found by its rim, a step down at one radius round a common centre, since its inside drowns
in nebula; what it is like is then told by the steps from outside in, in units of the star's light.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ..robust import SIGMA_PER_DEVIATION
from .halos import Halo, as_far_as_sure, median_without_nan

SURE_NOISES = 2.0  # pixels that the star's own light may make wrong by more tell nothing
CELL_FWHM = 1.0  # side of the cells that a rim is looked for on
RADII = (6.0, 26.0)  # cells; nearer, what is left of wings may look like a rim
FARTHEST = 9  # cells that a disc's middle may be from its star
GROWTHS = (
    np.arange(-6, 7) * 0.01
)  # of the middle's offset with the star's from the frame's middle
RIM_SHARE = 0.15  # radii of the channels may differ by as much
RING_SHARE = 0.4  # of a ring that must be known
LEAST_RIM = (
    60.0  # even frames reach 45, discs are at 100 and more; squared errors, channels together
)
# so much must be left without the star that shows it best: its neighbourhood may have any edge
LEAST_OF_OTHERS = LEAST_RIM / 2
MOST_STARS = 10  # that are looked at
LEAST_OF_STAR, FEWEST_STARS = 9.0, 3  # the same of one star, and how many must show it
DISC_LAW_STARS = 4  # no star counts for more than the one of this rank
RIM_CLIP_SIGMA = 4.0
SECTORS, PER_SECTOR = 24, 4
BEYOND_RIM = 1.35  # radii: how far out the law begins
STEP_PX = 2  # over which the light's rise towards the middle is measured
BLUNT_STEP_PX = 6  # the same where a rim may be a little off
RIM_STEP_PX, SCALES = 8, (0.5, 8.0)  # over which stars are compared, and what that may change
AROUND_RIM = (1.05, 0.2)  # the rim's middle and half its width, in radii as found
SURE_STEP, SURE_SECTOR = 1.5, 2.0  # errors
FACTOR_SD = 0.3  # of stars about the law
DOUBT, RIM_PX = (
    0.08,
    0.7,
)  # share of a disc's light it may be wrong by, and how far a rim may be off


@dataclass(frozen=True, eq=False, kw_only=True)
class Disc:
    """The law of the discs.

    Attributes
    ----------
    radius_px : float
        Of the rim, in the middle of the channels.
    offset_px : tuple of float
        Of its middle from a star in the middle of the frame, x and y.
    growth : float
        What that changes by for each pixel the star is off the middle of the frame.
    law, error : ndarray, (3, sectors, r)
        Light per pixel of a star of flux 1 by direction and pixels from the disc's middle.
    """

    radius_px: float
    offset_px: tuple[float, float]
    growth: float
    law: NDArray
    error: NDArray

    def middle(self, halo: Halo) -> tuple[float, float]:
        """Of a star's disc, from the star, px."""
        off = halo.from_middle
        return (
            self.offset_px[0] + self.growth * off[0],
            self.offset_px[1] + self.growth * off[1],
        )

    def peak(self) -> NDArray:
        """Most light per pixel, (3,), of a star of flux 1."""
        return self.law.max(axis=(1, 2))

    def reach_px(
        self,
        snr: NDArray,
        faintest: float,
    ) -> float:
        """How far from its star a disc may reach, px."""
        return self.law.shape[2] + FARTHEST * self.radius_px / RADII[0]


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
    rim = _rim(halos, cell)
    if rim is None:
        return None
    return _with_law(halos, rim)


# --- where the rim is -------------------------------------------------------------------


def _rim(halos, cell) -> Disc | None:
    """A disc without law: the radius and middle whose step is the surest; None if none is."""
    steps = np.stack([_steps(halo, cell) for halo in halos])
    weight, told = _weights(steps, halos)
    chi, where = _surest_step(steps, weight, halos, cell)
    growth, radius, y, x = where
    # at the first radius: light that falls ever more steeply inwards is a wing
    if chi < LEAST_RIM or radius == 0:
        return None
    showing = _stars_showing_rim(steps, told, halos, where, cell)
    if np.count_nonzero(showing > LEAST_OF_STAR) < FEWEST_STARS:
        return None
    others = [star for star in range(len(halos)) if star != np.argmax(showing)]
    left = _together(steps[others], weight[others], [halos[k] for k in others], growth, cell)
    if left[where[1:]] < LEAST_OF_OTHERS:
        return None
    return Disc(
        radius_px=float((RADII[0] + radius + 0.5) * cell),
        offset_px=(float((x - FARTHEST) * cell), float((y - FARTHEST) * cell)),
        growth=float(growth),
        law=np.zeros((3, SECTORS, 2)),
        error=np.zeros((3, SECTORS, 2)),
    )


def _surest_step(steps, weight, halos, cell):
    """Squared significance of the surest common step, and its growth, radius and middle."""
    best = 0.0
    where = (0.0, 0, 0, 0)
    for growth in GROWTHS:
        chi = _together(steps, weight, halos, growth, cell)
        if chi.max() > best:
            best = float(chi.max())
            where = (growth, *np.unravel_index(np.argmax(chi), chi.shape))
    return best, where


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
    ranked = np.sort(error, axis=0)[min(DISC_LAW_STARS, len(halos)) - 1]
    return 1 / (error**2 + ranked**2), error


def _together(
    steps,
    weight,
    halos,
    growth,
    cell,
):
    """Squared significance of the common step, (radii, 2 F + 1, 2 F + 1), channels together."""
    total, variance = 0.0, 0.0
    for halo, step, own in zip(halos, steps, weight, strict=True):
        share = _steps_about(step, halo, growth, cell) / halo.strength[:, None, None, None]
        known = np.isfinite(share)
        each = np.where(known, own[:, :, None, None], 0)
        total = total + each * np.nan_to_num(share)
        variance = variance + each
    chi = np.maximum(total, 0) / np.sqrt(np.maximum(variance, 1e-30))
    return np.sum([_loosely(c**2, np.arange(*RADII)) for c in chi], axis=0)


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


def _with_law(halos, disc) -> Disc:
    """The disc with its middle made finer and the law that the stars tell."""
    disc = _finer(halos, disc)
    maps = np.stack([_polar(halo, disc) for halo in halos])
    unrest = _pixel_errors(maps)
    rings = _over_sectors(maps)
    ring = _ring_law(rings, unrest / np.sqrt(SECTORS), disc.radius_px)
    ring = ring * _rim_scale(maps, ring)[:, None]
    off, error = _stacked_maps(maps - _over_sectors(maps), unrest)
    law = _with_sectors(ring, off, error)
    if not law.max() > 0:
        return None
    return replace(disc, law=law, error=error)


def _finer(halos, disc) -> Disc:
    """The middle whose rims are sharpest, to half a pixel."""
    for step in (2.0, 1.0, 0.5):
        for _ in range(3):
            around = [
                replace(
                    disc, offset_px=(disc.offset_px[0] + i * step, disc.offset_px[1] + j * step)
                )
                for i in (-1, 0, 1)
                for j in (-1, 0, 1)
            ]
            around += [replace(disc, growth=disc.growth + g * step * 0.005) for g in (-1, 1)]
            best = max(around, key=lambda d: _sharpness(halos, d))
            if best.offset_px == disc.offset_px and best.growth == disc.growth:
                break
            disc = best
    return disc


def _sharpness(halos, disc) -> float:
    """How sure the common step is near the rim."""
    maps = np.stack([_polar(halo, disc, rim_only=True) for halo in halos])
    rings = _over_sectors(maps)
    step, wrong = _stacked_maps(_steps_in(rings, 4), np.sqrt(2 / SECTORS) * _pixel_errors(maps))
    chi = np.maximum(np.nan_to_num(step / wrong), 0)
    return float((chi.max(axis=(1, 2)) ** 2).sum())


def _polar(
    halo,
    disc,
    rim_only=False,
):
    """What is left over round a disc's middle, in noises over flux, (3, sectors, r): medians along
    short arcs."""
    radius = np.arange(0.5, BEYOND_RIM * disc.radius_px)
    if rim_only:
        radius = np.arange(0.75 * disc.radius_px, 1.25 * disc.radius_px)
    per = PER_SECTOR
    angle = (np.arange(SECTORS * per) - (per - 1) / 2) * 2 * np.pi / (SECTORS * per)
    x, y = disc.middle(halo)
    values = halo.sampled(
        x + radius * np.cos(angle)[:, None], y + radius * np.sin(angle)[:, None]
    )
    arcs = values.reshape(3, SECTORS, per, len(radius))
    known = np.isfinite(arcs).all(axis=2)
    middle = np.median(np.nan_to_num(arcs), axis=2)
    flux = np.where(halo.flux != 0, halo.flux, np.nan)  # a channel may have none of the star
    return np.where(known, middle, np.nan) / flux[:, None, None]


def _over_sectors(maps):
    """Mean over the directions that are known, (n, 3, 1, r); NaN where none is."""
    known = np.isfinite(maps)
    count = known.sum(axis=2, keepdims=True)
    total = np.where(known, maps, 0).sum(axis=2, keepdims=True)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _steps_in(maps, pixels):
    """What maps fall by over so many pixels of radius."""
    return maps[..., :-pixels] - maps[..., pixels:]


def _pixel_errors(maps):
    """Error of each star's pixels, (n, 3, 1, 1): how they differ from those a step on."""
    step = np.abs(_steps_in(maps, STEP_PX)).reshape(*maps.shape[:2], -1)
    error = SIGMA_PER_DEVIATION * median_without_nan(np.moveaxis(step, 2, 0)) / np.sqrt(2)
    return np.where(error > 0, error, np.inf)[:, :, None, None]


def _stacked_maps(values, error):
    """Robust mean over the stars and its error, (3, ...); 0 and infinite where few of them tell."""
    rank = min(DISC_LAW_STARS, len(values)) - 1
    ranked = np.sort(error, axis=0)[rank]
    weight = np.where(np.isfinite(values), 1 / (error**2 + ranked**2), 0)
    middle = median_without_nan(values)
    apart = median_without_nan(np.abs(values - middle))  # nebula makes stars differ
    loose = 3 * (error + np.nan_to_num(apart))
    values = np.nan_to_num(values)
    robust = weight
    for _ in range(4):
        mean = (values * robust).sum(axis=0) / np.maximum(robust.sum(axis=0), 1e-30)
        chi = (values - mean) / (loose + 0.5 * np.abs(mean))
        robust = weight / (1 + chi**2)
    finite = np.where(np.isfinite(error), error, 0)
    wrong = np.sqrt((weight**2 * finite**2).sum(axis=0)) / np.maximum(weight.sum(axis=0), 1e-30)
    few = (weight > 0).sum(axis=0) < FEWEST_STARS
    return np.where(few, 0, mean), np.where(few, np.inf, wrong)


def _ring_law(
    rings,
    unrest,
    radius_px,
):
    """Light by radius, (3, r): steps summed from outside in; all of them at the rim, elsewhere as
    far as they are sure."""
    step, wrong = _stacked_maps(_steps_in(rings, STEP_PX), np.sqrt(2) * unrest)
    step = np.nan_to_num(step[:, 0])
    place = np.arange(step.shape[1]) + 1.5
    at_rim = np.abs(place / radius_px - AROUND_RIM[0]) < AROUND_RIM[1]
    sure = as_far_as_sure(step, SURE_STEP * wrong[:, 0])
    rise = np.zeros((3, rings.shape[-1]))
    rise[:, 1:-1] = np.where(at_rim, step, sure) / STEP_PX
    return _summed_inwards(rise)


def _summed_inwards(rise):
    """Light by radius from its rises towards the middle, not below 0, (3, r)."""
    return np.maximum(np.cumsum(rise[:, ::-1], axis=1)[:, ::-1], 0)


def _rim_scale(maps, ring):
    """What the steps of the law are to be multiplied by, (3,): the weighted median of the stars'
    own steps against them. Nebula is in a star's steps as much as its directions differ."""
    own = _steps_in(maps, RIM_STEP_PX)
    law = _steps_in(ring, RIM_STEP_PX)
    count = np.isfinite(own).sum(axis=2)
    whole = count > SECTORS / 2
    match = np.where(whole, np.nan_to_num(_over_sectors(own)[:, :, 0]) * law, 0).sum(axis=2)
    power = np.where(whole, law**2, 0).sum(axis=2)
    each = np.where(np.isfinite(own), own * law[:, None], 0).sum(axis=3)
    error = np.std(each, axis=2) / np.sqrt(SECTORS / 2)  # neighbouring directions are alike
    ratio = match / np.maximum(power, 1e-30)
    trust = (power / np.maximum(error, 1e-30)) ** 2
    trust = np.minimum(trust, np.sort(trust, axis=0)[-min(DISC_LAW_STARS, len(trust))])
    return np.clip(
        [_middle_of_trusted(*of) for of in zip(ratio.T, trust.T, strict=True)], *SCALES
    )


def _middle_of_trusted(values, weight):
    """Median of values that count differently; 1 if none counts."""
    order = np.argsort(values)
    share = np.cumsum(weight[order])
    if not share[-1] > 0:
        return 1.0
    return float(np.interp(share[-1] / 2, share - weight[order] / 2, values[order]))


def _with_sectors(
    ring,
    off,
    error,
):
    """The same by direction too, as far as directions surely differ."""
    smooth = ndimage.gaussian_filter1d(off, 1.5, axis=2)
    smooth = ndimage.gaussian_filter1d(smooth, 0.7, axis=1, mode="wrap")
    sectors = as_far_as_sure(
        smooth, SURE_SECTOR / 2 * error
    )  # seven cells and more go into each
    inside = ring > 0.1 * ring.max(axis=1, keepdims=True)
    return np.maximum(ring[:, None] + sectors * inside[:, None], 0)


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
    near = radius < disc.law.shape[2] - 1
    angle = np.arctan2(dy - y, dx - x)[near] / (2 * np.pi) * SECTORS
    places = np.stack([angle % SECTORS, np.maximum(radius[near] - 0.5, 0)])
    light = np.zeros(halo.left_over.shape, np.float32)
    doubt = np.zeros_like(light)
    factor = _disc_strength(halo.sure(SURE_NOISES), disc)
    for c in range(3):
        share = _of_law(disc.law[c], places)
        slope = _of_law(np.abs(np.gradient(disc.law[c], axis=1)), places)
        wrong = _of_law(np.minimum(disc.error[c], disc.law[c].max()), places)
        variance = (DOUBT * share) ** 2 + (RIM_PX * slope) ** 2 + wrong**2 * (share > 0)
        light[c][near] = factor * halo.flux[c] * share
        doubt[c][near] = halo.flux[c] ** 2 * variance
    return light, doubt


def _of_law(law, places):
    """A law between its cells; it is periodic in angle."""
    wrapped = np.concatenate([law, law[:1]], axis=0)
    return ndimage.map_coordinates(wrapped, places, order=1, mode="nearest")


def _disc_strength(halo, disc):
    """How strong a star's disc is against the law, by its steps."""
    maps = _polar(halo, disc)
    own = _steps_in(maps, BLUNT_STEP_PX)
    law = _steps_in(disc.law, BLUNT_STEP_PX)
    error = np.sqrt(2) * _pixel_errors(maps[None])[0]
    weight = np.where(np.isfinite(own), 1 / error**2, 0)
    own = np.nan_to_num(own)
    robust = weight / (1 + ((own - law) / (3 * error + np.abs(law))) ** 2)
    return _held_strength(robust, own, law)


def _held_strength(weight, own, law) -> float:
    """Factor of a law that suits a star's steps, held to 1."""
    match = (weight * own * law).sum() / BLUNT_STEP_PX
    power = (weight * law**2).sum() / BLUNT_STEP_PX
    return max(0.0, float((match + FACTOR_SD**-2) / (power + FACTOR_SD**-2)))
