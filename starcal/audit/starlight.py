"""The light of each star's core and rim over its local background, with errors: what a colour is
judged by.

Works on light, not on display values. Widths are each star's own, because in a stretched picture
bright stars are wider than faint ones.
"""

from dataclasses import dataclass

import numpy as np

from ..layers.stamps import disc_offsets, stamps_at
from ..stars.noise import FrameNoise

CORE_WIDTHS = 1.0  # radius of the core, in widths (FWHM) of the star: 80 to 95 % of its light
RIM_WIDTHS = 2.0  # outer radius of the rim
RING_WIDTHS = (3.0, 4.5)  # the local background
NEIGHBOUR_WIDTHS = 2.0  # discs of this radius round other stars do not count as background
# times the typical width: beyond, the stars of a cluster or a galaxy would be taken for one
LARGEST_WIDTH = 8.0
SECTORS = 8  # of the background ring; a plane takes 3 of them
FEWEST_SECTORS = 5
FEWEST_CORE_PIXELS = 4
INNER_NEBULA_SHARE = (
    0.5  # of the variance among sectors: what the nebula does under the star, where none can look
)
LEVEL_STEP = (
    1 / 255
)  # a stretched picture is rounded to at least this in all likelihood, or was once
COMPRESSED_SKY_ERROR = (
    0.5  # of the background under a star in a stretched picture; see _unsure_of_background
)
STAMP_PIXELS = 1 << 19  # per batch of stars, to bound memory


@dataclass(frozen=True, eq=False)
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
    """

    core: np.ndarray
    core_factor: np.ndarray
    rims: np.ndarray
    rim_factors: np.ndarray


def star_widths(
    luminance: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float
) -> np.ndarray:
    """Full width at half maximum of each star, px, from medians of rings; at most `LARGEST_WIDTH` *
    fwhm_px.

    Parameters
    ----------
    luminance : ndarray, (y, x)
    x_px, y_px : ndarray, (n,)
    fwhm_px : float
        The typical width.
    """
    reach = round(LARGEST_WIDTH / 2 * fwhm_px) + 2
    dx, dy = disc_offsets(reach + 0.5)
    ring = np.rint(np.hypot(dx, dy)).astype(int)
    profile = np.full((len(x_px), reach + 1), np.nan)
    for batch in _batches(np.full(len(x_px), reach)):
        values = stamps_at(luminance, x_px[batch], y_px[batch], (dx, dy))[0]
        profile[batch] = np.stack([_median(values[:, ring == r]) for r in range(reach + 1)], axis=1)
    floor = np.fmin.reduce(profile, axis=1, keepdims=True) if len(profile) else profile[:, :1]
    profile = np.nan_to_num((profile - floor) / np.maximum(profile[:, :1] - floor, 1e-30))
    outside = np.maximum((profile < 0.5).argmax(axis=1), 1)
    rows = np.arange(len(profile))
    before, after = profile[rows, outside - 1], profile[rows, outside]
    return 2 * (outside - 1 + (before - 0.5) / np.maximum(before - after, 1e-6)).clip(0.5, reach)


def measure_starlight(
    light: np.ndarray,
    blind: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    width_px: np.ndarray,
    noise: FrameNoise,
    *,
    compressed: bool,
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
    compressed : bool
        The picture was stretched: how much of the background is left in a star's bright pixels is
        uncertain.
    bright : ndarray of bool, (n,)
        Stars whose light must not count as background of others.
    """
    n = len(x_px)
    result = StarLight(
        np.full((n, 3), np.nan),
        np.full((n, 3, 4), np.nan),
        np.full((n, 5, 3), np.nan),
        np.full((n, 5, 3, 4), np.nan),
    )
    starry = _starry(light.shape[1:], x_px[bright], y_px[bright], width_px[bright])
    for batch in _batches(np.ceil(RING_WIDTHS[1] * width_px)):
        stamps = _Stamps.cut(light, blind, starry, x_px[batch], y_px[batch], width_px[batch])
        sky = _sky(stamps, noise)
        result.core[batch], result.core_factor[batch] = _region(
            stamps, stamps.radius <= CORE_WIDTHS, sky, noise, compressed
        )
        whole = (stamps.radius > CORE_WIDTHS) & (stamps.radius <= RIM_WIDTHS)
        quarter = (np.arctan2(stamps.dy, stamps.dx) // (np.pi / 2)).clip(-2, 1)
        for part, region in enumerate([whole, *(whole & (quarter == q) for q in (-2, -1, 0, 1))]):
            result.rims[batch, part], result.rim_factors[batch, part] = _region(
                stamps, region, sky, noise, compressed
            )
    return result


def _batches(reach_px: np.ndarray):
    """Indices of stars of like reach, few enough to fit the memory bound."""
    order = np.argsort(reach_px)[::-1]
    while len(order):
        count = max(1, int(STAMP_PIXELS / (2 * reach_px[order[0]] + 1) ** 2))
        yield order[:count]
        order = order[count:]


def _starry(shape, x_px, y_px, width_px) -> np.ndarray:
    """Where there are stars, so that they are not taken for background; a star's own disc lies
    inside its ring."""
    starry = np.zeros(shape, bool)
    radius = np.ceil(NEIGHBOUR_WIDTHS * width_px).astype(int)
    for size in np.unique(radius):
        dx, dy = disc_offsets(size)
        same = radius == size
        rows, columns = (
            np.rint(at[same]).astype(int)[:, None] + d for at, d in ((y_px, dy), (x_px, dx))
        )
        inside = (rows >= 0) & (rows < shape[0]) & (columns >= 0) & (columns < shape[1])
        starry[rows[inside], columns[inside]] = True
    return starry


def _median(values: np.ndarray) -> np.ndarray:
    """Median along the last axis, NaN left out without a warning."""
    return _quantile(values, 0.5)


def _quantile(values: np.ndarray, share: float) -> np.ndarray:
    ordered = np.sort(values, axis=-1)  # NaN goes last
    count = np.isfinite(ordered).sum(axis=-1, keepdims=True)
    low, high = (
        np.clip((f(share * (count - 1))).astype(int), 0, None) for f in (np.floor, np.ceil)
    )
    return np.mean([np.take_along_axis(ordered, at, -1)[..., 0] for at in (low, high)], axis=0)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Stamps:
    """Pixels round each of m stars."""

    values: np.ndarray  # (m, 3, P)
    dx: np.ndarray  # (m, P), in widths of the star
    dy: np.ndarray
    radius: np.ndarray
    seen: np.ndarray  # (m, P) whether the pixel counts
    starry: np.ndarray  # (m, P) whether there is a star

    @classmethod
    def cut(cls, light, blind, starry, x_px, y_px, width_px):
        offsets = disc_offsets(RING_WIDTHS[1] * width_px.max() + 1)
        planes = [stamps_at(plane, x_px, y_px, offsets) for plane in light]
        values = np.stack([plane[0] for plane in planes], axis=1)
        dx, dy = (planes[0][i] / width_px[:, None] for i in (1, 2))
        hidden, stars = (stamps_at(mask, x_px, y_px, offsets)[0] > 0 for mask in (blind, starry))
        seen = np.isfinite(values).all(axis=1) & ~hidden
        return cls(
            values=np.where(seen[:, None], values, 0),
            dx=dx,
            dy=dy,
            radius=np.hypot(dx, dy),
            seen=seen,
            starry=stars,
        )


@dataclass(frozen=True, eq=False)
class _Sky:
    """Background of m stars: plane, its error, and the scatter of its pixels."""

    plane: np.ndarray  # (m, 3, 3): channel; level, slope along dx, slope along dy
    covariance: np.ndarray  # (m, 3, 3) of the level
    sigma: np.ndarray  # (m, 3)


def _sky(stamps: _Stamps, noise: FrameNoise) -> _Sky:
    """A plane through the medians of eight sectors of the ring; what they scatter about it is the
    error of the level.

    Sectors scatter by noise, by structure of the nebula and by stars that were not found, each in
    its own colour: the covariance between channels is kept.
    """
    ring = (
        stamps.seen
        & ~stamps.starry
        & (stamps.radius >= RING_WIDTHS[0])
        & (stamps.radius <= RING_WIDTHS[1])
    )
    pixels = np.where(ring[:, None], stamps.values, np.nan)
    sector = ((np.arctan2(stamps.dy[0], stamps.dx[0]) / (2 * np.pi) + 0.5) * SECTORS).astype(
        int
    ) % SECTORS
    medians = np.stack(
        [_median(pixels[:, :, sector == s]) for s in range(SECTORS)], axis=1
    )  # (m, sector, 3)
    angle = (np.arange(SECTORS) + 0.5) * 2 * np.pi / SECTORS - np.pi
    design = np.column_stack(
        [np.ones(SECTORS), *(np.mean(RING_WIDTHS) * f(angle) for f in (np.cos, np.sin))]
    )
    valid = np.isfinite(medians).all(axis=2)
    weighted = valid[:, :, None] * design
    inverse = np.linalg.pinv(np.einsum("msk,sl->mkl", weighted, design), hermitian=True)
    medians = np.where(valid[:, :, None], medians, 0)
    plane = np.einsum("mkl,msl,msc->mck", inverse, weighted, medians)
    left = (medians - np.einsum("mck,sk->msc", plane, design)) * valid[:, :, None]
    count = valid.sum(axis=1)
    scatter = np.einsum("msc,msd->mcd", left, left) / np.maximum(count - 3, 1)[:, None, None]
    plane[count < FEWEST_SECTORS] = np.nan
    sigma = _quantile(pixels, 0.5) - _quantile(
        pixels, 0.1587
    )  # the lower side: stars are on the upper
    return _Sky(plane, INNER_NEBULA_SHARE * scatter, np.fmax(sigma, 0.5 * np.array(noise.noise)))


def _region(stamps: _Stamps, region: np.ndarray, sky: _Sky, noise: FrameNoise, compressed: bool):
    """Mean of the pixels of a region above the background, (m, 3), and the factor of its
    covariance, (m, 3, 4)."""
    region = (region & stamps.seen).astype(float)
    count = region.sum(axis=1)[:, None]
    weight = region / np.maximum(count, 1)
    total = np.einsum("mcp,mp->mc", stamps.values, weight)
    place = np.stack(
        [np.ones(len(weight)), (weight * stamps.dx).sum(axis=1), (weight * stamps.dy).sum(axis=1)],
        axis=1,
    )
    below = np.einsum("mck,mk->mc", sky.plane, place)
    flux = total - below
    variance = sky.sigma**2 + np.maximum(flux, 0) / np.array(noise.electrons_per_unit)
    unsure = np.zeros_like(flux)
    if compressed:
        variance += (LEVEL_STEP * _slope_of_decoding(np.maximum(total, 0))) ** 2 / 12
        unsure = _unsure_of_background(total, below) * below
    covariance = sky.covariance + (variance / np.maximum(count, 1))[:, :, None] * np.eye(3)
    good = (count[:, 0] >= FEWEST_CORE_PIXELS) & np.isfinite(flux).all(axis=1)
    good = (good & np.isfinite(covariance).all(axis=(1, 2)))[:, None, None]
    size, axes = np.linalg.eigh(np.where(good, covariance, np.eye(3)))
    factor = np.append(axes * np.sqrt(np.maximum(size, 0))[:, None, :], unsure[:, :, None], axis=2)
    return np.where(good[:, 0], flux, np.nan), np.where(good, factor, np.nan)


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
