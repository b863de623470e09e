"""The light of each star's core and rim over its local background, with errors: what a colour is
judged by.

Works on light, not on display values. Widths are each star's own, because in a stretched picture
bright stars are wider than faint ones.
"""

from dataclasses import dataclass

import numpy as np

from ..colour.stellar import srgb_encode
from ..cores import done_in_threads
from ..layers.stamps import disc_offsets, places_round, stamps_at
from ..robust import SIGMA_PER_DEVIATION, quantile_of_known, quantiles_of_known
from ..stars.noise import FrameNoise
from .levels import Coarseness

CORE_WIDTHS = 1.0  # radius of the core, in widths (FWHM) of the star: 80 to 95 % of its light
RIM_WIDTHS = 2.0  # outer radius of the rim
RING_WIDTHS = (3.0, 4.5)  # the local background
NEIGHBOUR_WIDTHS = 2.0  # discs of this radius round other stars do not count as background
# times the typical width: beyond, the stars of a cluster or a galaxy would be taken for one
LARGEST_WIDTH = 8.0
SECTORS = 8  # of the background ring; a plane takes 3 of them
FEWEST_SECTORS = 5
FEWEST_CORE_PIXELS = 4
# of the variance among sectors: what the nebula does under the star, where none can look
INNER_NEBULA_SHARE = 0.5
LEAST_DISPLAYED_VARIANCE = (
    np.eye(3) / 255**2
)  # of display values, where a sky without any tells nothing
UNFOUND_STAR_SIGMA = 3.0  # of a background's pixels: further up there are stars nobody found
CROWDED_QUANTILE = (
    0.25  # of all pixels of a sector without a free one: the ground between stars
)
COMPRESSED_SKY_ERROR = (
    0.5  # of the background under a star in a stretched picture; see _unsure_of_background
)
STARLIGHT_BATCH_PIXELS = 1 << 17  # per batch of stars: some 20 MB of them


@dataclass(frozen=True, eq=False, kw_only=True)
class StarLight:
    """Light of cores and rims above the background, n stars; NaN where there was too little to
    measure.

    Attributes
    ----------
    core : ndarray, (n, 3)
        Mean of the core's unclipped pixels.
    core_factor : ndarray, (n, 3, 4)
        Its columns are independent errors of `core`: three of noise and of the nebula's structure,
        and one of how much of the background is left in compressed pixels (0 in a linear picture).
        The covariance is F F^T.
    rims, rim_factors : ndarray, (n, 5, 3) and (n, 5, 3, 4)
        The same for the whole rim and for its four quarters.
    ground : ndarray, (n, 3)
        Light of the background under the star.
    structure : ndarray, (n,)
        Light of the nebula's structure round the star, summed over channels.
    """

    core: np.ndarray
    core_factor: np.ndarray
    rims: np.ndarray
    rim_factors: np.ndarray
    ground: np.ndarray
    structure: np.ndarray


def star_widths(
    light: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float
) -> np.ndarray:
    """Full width at half maximum of each star, px, from medians of rings; at most `LARGEST_WIDTH` *
    fwhm_px.

    Parameters
    ----------
    light : ndarray, (3, y, x)
    x_px, y_px : ndarray, (n,)
    fwhm_px : float
        The typical width.
    """
    reach = round(LARGEST_WIDTH / 2 * fwhm_px) + 2
    profile = _ring_medians(light, x_px, y_px, reach)
    floor = np.fmin.reduce(profile, axis=1, keepdims=True) if len(profile) else profile[:, :1]
    height = np.maximum(profile[:, :1] - floor, 1e-30)
    return 2 * _half_height(np.nan_to_num((profile - floor) / height)).clip(0.5, reach)


def _ring_medians(
    light: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, reach: int
) -> np.ndarray:
    """Medians of the rings of radius 0, 1 ... reach px round each star, (n, reach + 1), in the mean
    of the channels."""
    dx, dy = disc_offsets(reach + 0.5)
    ring = np.rint(np.hypot(dx, dy)).astype(int)
    medians = np.full((len(x_px), reach + 1), np.nan)

    def measure(batch: np.ndarray) -> None:
        at = x_px[batch], y_px[batch], (dx, dy)
        values = np.mean([stamps_at(plane, *at)[0] for plane in light], axis=0)
        medians[batch] = np.stack(
            [quantile_of_known(values[:, ring == r], 0.5) for r in range(reach + 1)], axis=1
        )

    done_in_threads(measure, _batches(np.full(len(x_px), reach)))
    return medians


def _half_height(profile: np.ndarray) -> np.ndarray:
    """Radius at which each profile of height 1 falls through a half, px, (n,)."""
    outside = np.maximum((profile < 0.5).argmax(axis=1), 1)
    rows = np.arange(len(profile))
    before = profile[rows, outside - 1]
    after = profile[rows, outside]
    return outside - 1 + (before - 0.5) / np.maximum(before - after, 1e-6)


def measure_starlight(
    light: np.ndarray,
    blind: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    width_px: np.ndarray,
    noise: FrameNoise,
    *,
    coarse: Coarseness | None,
    bright: np.ndarray,
) -> StarLight:
    """Measure cores and rims of stars over the background round each.

    Parameters
    ----------
    light : ndarray, (3, y, x)
        Linear, or decoded display values.
    blind : ndarray of bool, (y, x)
        Pixels that count for nothing: clipped or without data in a channel.
    x_px, y_px, width_px : ndarray, (n,)
    noise : FrameNoise
        Of `light`.
    coarse : Coarseness or None
        The picture was stretched, and its display values are so coarse: how much of the background
        is left in a star's bright pixels is uncertain. None: it is linear.
    bright : ndarray of bool, (n,)
        Stars whose light must not count as background of others.
    """
    result = _nothing_measured(len(x_px))
    starry = _starry(light.shape[1:], x_px[bright], y_px[bright], width_px[bright])

    def measure(batch: np.ndarray) -> None:
        places = x_px[batch], y_px[batch], width_px[batch]
        stamps = _StarPixels.cut(light, blind, starry, *places)
        _measure_batch(result, batch, stamps, noise, coarse)

    done_in_threads(measure, _batches(np.ceil(RING_WIDTHS[1] * width_px)))
    return result


def _measure_batch(
    result: StarLight,
    batch: np.ndarray,
    stamps: "_StarPixels",
    noise: FrameNoise,
    coarse: Coarseness | None,
) -> None:
    """Cores and rims of the stars of some stamps, into their rows of the result."""
    far = (stamps.radius >= RING_WIDTHS[0]).any(axis=0)
    sky = _sky_under(stamps.within(far), noise, coarse)
    result.ground[batch] = sky.plane[:, :, 0]
    result.structure[batch] = sky.structure
    stamps = stamps.within((stamps.radius <= RIM_WIDTHS).any(axis=0))
    core = stamps.radius <= CORE_WIDTHS
    flux, factor = _region(stamps, core, sky, noise)
    result.core[batch] = flux
    result.core_factor[batch] = factor
    for part, region in enumerate(_rim_regions(stamps)):
        flux, factor = _region(stamps, region, sky, noise)
        result.rims[batch, part] = flux
        result.rim_factors[batch, part] = factor


def _nothing_measured(n: int) -> StarLight:
    """Room for the light of n stars, all NaN."""
    return StarLight(
        core=np.full((n, 3), np.nan),
        core_factor=np.full((n, 3, 4), np.nan),
        rims=np.full((n, 5, 3), np.nan),
        rim_factors=np.full((n, 5, 3, 4), np.nan),
        ground=np.full((n, 3), np.nan),
        structure=np.full(n, np.nan),
    )


def _rim_regions(stamps: "_StarPixels") -> list[np.ndarray]:
    """Masks (m, P) of the whole rim and of its four quarters."""
    whole = (stamps.radius > CORE_WIDTHS) & (stamps.radius <= RIM_WIDTHS)
    quarter = (np.arctan2(stamps.dy, stamps.dx) // (np.pi / 2)).clip(-2, 1)
    return [whole] + [whole & (quarter == q) for q in (-2, -1, 0, 1)]


def _batches(reach_px: np.ndarray):
    """Indices of stars of like reach, few enough to fit the memory bound."""
    order = np.argsort(reach_px)[::-1]
    while len(order):
        count = max(1, int(STARLIGHT_BATCH_PIXELS / (2 * reach_px[order[0]] + 1) ** 2))
        yield order[:count]
        order = order[count:]


def _starry(
    shape,
    x_px,
    y_px,
    width_px,
) -> np.ndarray:
    """Where there are stars, so that they are not taken for background; a star's own disc lies
    inside its ring."""
    starry = np.zeros(shape, bool)
    radius = np.ceil(NEIGHBOUR_WIDTHS * width_px).astype(int)
    for size in np.unique(radius):
        dx, dy = disc_offsets(size)
        same = radius == size
        rows = np.rint(y_px[same]).astype(int)[:, None] + dy
        columns = np.rint(x_px[same]).astype(int)[:, None] + dx
        inside = (rows >= 0) & (rows < shape[0]) & (columns >= 0) & (columns < shape[1])
        starry[rows[inside], columns[inside]] = True
    return starry


@dataclass(frozen=True, eq=False, kw_only=True)
class _StarPixels:
    """Pixels round each of m stars."""

    values: np.ndarray  # (m, 3, P)
    dx: np.ndarray  # (m, P), in widths of the star
    dy: np.ndarray
    radius: np.ndarray
    seen: np.ndarray  # (m, P) whether the pixel counts
    starry: np.ndarray  # (m, P) whether there is a star

    @classmethod
    def cut(
        cls,
        light,
        blind,
        starry,
        x_px,
        y_px,
        width_px,
    ):
        """Round stars at some places, as far as their background ring reaches."""
        offsets = disc_offsets(RING_WIDTHS[1] * width_px.max() + 1)
        place, inside, dx, dy = places_round(blind.shape, x_px, y_px, offsets)
        values = np.stack([plane.ravel().take(place) for plane in light], axis=1)
        values = values.astype(np.float32, copy=False)
        seen = inside & np.isfinite(values).all(axis=1) & ~blind.ravel().take(place)
        dx = dx / width_px[:, None]
        dy = dy / width_px[:, None]
        return cls(
            values=np.where(seen[:, None], values, 0),
            dx=dx,
            dy=dy,
            radius=np.hypot(dx, dy),
            seen=seen,
            starry=inside & starry.ravel().take(place),
        )

    def within(self, near: np.ndarray) -> "_StarPixels":
        """The same of some of the pixels, (P,) bool."""
        return _StarPixels(
            values=self.values[:, :, near],
            dx=self.dx[:, near],
            dy=self.dy[:, near],
            radius=self.radius[:, near],
            seen=self.seen[:, near],
            starry=self.starry[:, near],
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Sky:
    """Background of m stars: plane, its error, and the scatter of its pixels."""

    plane: np.ndarray  # (m, 3, 3): channel; level, slope along dx, slope along dy
    covariance: np.ndarray  # (m, 3, 3) of the level
    structure: np.ndarray  # (m,) scatter of sectors, all channels together
    sigma: np.ndarray  # (m, 3)
    displayed: np.ndarray | None  # (m, 3, 3) of display values of a compressed picture's pixels
    coarse: Coarseness | None


def _sky_under(stamps: _StarPixels, noise: FrameNoise, coarse: Coarseness | None) -> _Sky:
    """A plane through the medians of eight sectors of the ring; what they scatter about it is the
    error of the level.

    Sectors scatter by noise, by structure of the nebula and by stars that were not found, each in
    its own colour: the covariance between channels is kept.
    """
    pixels = np.where(_ring(stamps)[:, None], stamps.values, np.nan)
    sector = _sector(stamps)
    medians = _sector_medians(pixels, sector, 0.5)
    if coarse is not None:
        medians = _with_crowded_sectors(medians, stamps, sector)
    plane, covariance, structure = _planes_through(medians)
    # the lower side: stars are on the upper
    lower, middle = quantiles_of_known(pixels, (0.1587, 0.5))
    return _Sky(
        plane=plane,
        covariance=covariance,
        structure=structure,
        sigma=np.fmax(middle - lower, 0.5 * np.array(noise.noise)),
        displayed=None if coarse is None else _displayed_noise(pixels, medians, sector),
        coarse=coarse,
    )


def _with_crowded_sectors(
    medians: np.ndarray, stamps: _StarPixels, sector: np.ndarray
) -> np.ndarray:
    """Medians of sectors; where stars leave none free, the lower pixels of it."""
    distant = (stamps.radius >= RING_WIDTHS[0]) & (stamps.radius <= RING_WIDTHS[1])
    everything = np.where((stamps.seen & distant)[:, None], stamps.values, np.nan)
    lower = _sector_medians(everything, sector, CROWDED_QUANTILE)
    return np.where(np.isnan(medians), lower, medians)


def _displayed_noise(pixels: np.ndarray, medians: np.ndarray, sector: np.ndarray) -> np.ndarray:
    """Covariance (m, 3, 3) of display values of the background about the medians of sectors.

    Noise is measured as it is displayed, all channels together: what brightens all alike tells
    nothing of colour.
    """
    middle = srgb_encode(np.maximum(medians, 0))[:, sector].swapaxes(1, 2)
    off = srgb_encode(np.maximum(pixels, 0)) - middle
    sigma = -quantile_of_known(off, 0.1587)[:, :, None]
    off = np.clip(off, -UNFOUND_STAR_SIGMA * sigma, UNFOUND_STAR_SIGMA * sigma)
    known = np.isfinite(off).all(axis=1)
    off = np.where(known[:, None], off, 0)
    count = np.maximum(known.sum(axis=1), 1)[:, None, None]
    return np.einsum("mcp,mdp->mcd", off, off) / count


def _ring(stamps: _StarPixels) -> np.ndarray:
    """Pixels (m, P) of the background ring that show no star."""
    ring = stamps.seen & ~stamps.starry
    ring &= stamps.radius >= RING_WIDTHS[0]
    return ring & (stamps.radius <= RING_WIDTHS[1])


def _sector(stamps: _StarPixels) -> np.ndarray:
    """Number of the sector that each pixel of a stamp lies in, (P,)."""
    turns = np.arctan2(stamps.dy[0], stamps.dx[0]) / (2 * np.pi) + 0.5
    return (turns * SECTORS).astype(int) % SECTORS


def _sector_medians(pixels: np.ndarray, sector: np.ndarray, quantile: float) -> np.ndarray:
    """Median, or another quantile, of each sector in each channel, (m, sector, 3)."""
    return np.stack(
        [quantile_of_known(pixels[:, :, sector == s], quantile) for s in range(SECTORS)], axis=1
    )


def _sector_design() -> np.ndarray:
    """What level and slopes of a plane give at the middle of each sector, (sector, 3)."""
    angle = (np.arange(SECTORS) + 0.5) * 2 * np.pi / SECTORS - np.pi
    middle = np.mean(RING_WIDTHS)
    return np.column_stack([np.ones(SECTORS), middle * np.cos(angle), middle * np.sin(angle)])


def _planes_through(medians: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Planes (m, 3, 3) through the medians of sectors, NaN with too few of them, covariances
    (m, 3, 3) of their levels, and the scatter (m,) of the sum of channels, robust."""
    design = _sector_design()
    valid = np.isfinite(medians).all(axis=2)
    weighted = valid[:, :, None] * design
    inverse = np.linalg.pinv(np.einsum("msk,sl->mkl", weighted, design), hermitian=True)
    medians = np.where(valid[:, :, None], medians, 0)
    plane = np.einsum("mkl,msl,msc->mck", inverse, weighted, medians)
    left = (medians - np.einsum("mck,sk->msc", plane, design)) * valid[:, :, None]
    count = valid.sum(axis=1)
    plane[count < FEWEST_SECTORS] = np.nan
    total = np.where(valid, left.sum(axis=2), np.nan)
    structure = SIGMA_PER_DEVIATION * quantile_of_known(np.abs(total), 0.5)
    return plane, INNER_NEBULA_SHARE * _sector_scatter(left, count), structure


def _sector_scatter(left: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Covariance (m, 3, 3) of so many sectors about their plane, which takes three of them."""
    return np.einsum("msc,msd->mcd", left, left) / np.maximum(count - 3, 1)[:, None, None]


def _region(
    stamps: _StarPixels, region: np.ndarray, sky: _Sky, noise: FrameNoise
) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the pixels of a region above the background, (m, 3), and the factor of its
    covariance, (m, 3, 4)."""
    count, weight = _even_weights(region & stamps.seen)
    total = np.einsum("mcp,mp->mc", stamps.values, weight)
    below = np.einsum("mck,mk->mc", sky.plane, _weighted_middle(stamps, weight))
    flux = total - below
    unsure = np.zeros_like(flux)
    if sky.displayed is not None:
        rounding = sky.coarse.step**2 / 12 * np.eye(3)
        grain = np.minimum(sky.coarse.grain_px, count)[:, :, None] * (
            sky.displayed + LEAST_DISPLAYED_VARIANCE
        )
        of_pixels = _carried_to(total, grain + rounding)
        unsure = _unsure_of_background(total, below) * below
    else:
        of_pixels = _diagonal_covariance(_pixel_variance(sky, flux, noise))
    covariance = sky.covariance + of_pixels / np.maximum(count, 1)[:, :, None]
    flux, factor = _where_known(region & stamps.seen, flux, covariance)
    column = np.where(np.isfinite(flux), unsure, np.nan)[:, :, None]
    return flux, np.append(factor, column, axis=2)


def _even_weights(region: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number of pixels of a region (m, 1), and weights (m, P) that give their mean."""
    inside = region.astype(float)
    count = inside.sum(axis=1)[:, None]
    return count, inside / np.maximum(count, 1)


def _pixel_variance(sky: _Sky, flux: np.ndarray, noise: FrameNoise) -> np.ndarray:
    """Variance of a pixel by the scatter of the background and by the star's own photons."""
    return sky.sigma**2 + np.maximum(flux, 0) / np.array(noise.electrons_per_unit)


def _diagonal_covariance(variance: np.ndarray) -> np.ndarray:
    """Covariances (m, 3, 3) of channels that vary on their own."""
    return variance[:, :, None] * np.eye(3)


def _carried_to(light: np.ndarray, displayed: np.ndarray) -> np.ndarray:
    """Covariance (m, 3, 3) of display values, as light at a brightness (m, 3).

    A stretch shows bright pixels' noise smaller than that of the sky, hardly ever larger.
    """
    slope = _slope_of_decoding(np.maximum(light, 0))
    return displayed * slope[:, :, None] * slope[:, None, :]


def _where_known(
    region: np.ndarray, flux: np.ndarray, covariance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Flux (m, 3) and factor (m, 3, 3) of its covariance; NaN in all channels with too few pixels
    or no background."""
    good = (region.sum(axis=1) >= FEWEST_CORE_PIXELS) & np.isfinite(flux).all(axis=1)
    good &= np.isfinite(covariance).all(axis=(1, 2))
    known = np.where(good[:, None, None], covariance, np.eye(3))
    factor = np.where(good[:, None, None], _factor(known), np.nan)
    return np.where(good[:, None], flux, np.nan), factor


def _weighted_middle(stamps: _StarPixels, weight: np.ndarray) -> np.ndarray:
    """Weighted mean of 1, dx and dy of the pixels, (m, 3)."""
    dx = (weight * stamps.dx).sum(axis=1)
    dy = (weight * stamps.dy).sum(axis=1)
    return np.stack([np.ones(len(weight)), dx, dy], axis=1)


def _factor(covariance: np.ndarray) -> np.ndarray:
    """F of each covariance F F^T, (m, 3, 3)."""
    size, axes = np.linalg.eigh(covariance)
    return axes * np.sqrt(np.maximum(size, 0))[:, None, :]


def _unsure_of_background(total: np.ndarray, below: np.ndarray) -> np.ndarray:
    """Standard error of the share of the background beside a star that is left in its stretched
    pixels, (m, 1).

    Where the star is faint against the background, all of it is left, as in a linear picture. An
    arcsinh curve shows a bright star's background by 0.1 (on a bright nebula) to 2.5 times (on dark
    sky) as bright as beside it, and most often 0.5 to 1.5 times; which, a picture of unknown making
    does not tell.
    """
    contrast = np.maximum(total.sum(axis=1) / np.maximum(below.sum(axis=1), 1e-30), 1)
    return COMPRESSED_SKY_ERROR * (1 - 1 / contrast)[:, None]


def _slope_of_decoding(light: np.ndarray) -> np.ndarray:
    """How much light one unit of display value is worth (IEC 61966-2-1)."""
    return np.where(
        light <= 0.0031308, 1 / 12.92, 2.4 / 1.055 * np.maximum(light, 0.0031308) ** (1.4 / 2.4)
    )
