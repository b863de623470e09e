"""Stars made to stand out: a linear frame filtered so that each pixel says how much more there is
of a star than of noise and nebula.

On empty sky a matched filter of the summed channels is all it takes. On nebula the noise is not
what hides a star, but the nebula's own structure; it has other colours and is less sharp than a
star. There each channel is filtered by itself, wide and narrow, and the six answers are combined so
that the star counts and what they have in common with the surroundings cancels: w = C^-1 s, with C
their covariance round about and s what a star gives, through all channels alike or as the frame's
own stars do, whichever stands out more (Hotelling 1931, Ann. Math. Stat. 2, 360; for
pictures Barrett & Myers 2004, Foundations of Image Science, section 13.2.12).
"""

from collections.abc import Iterator
from functools import reduce
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from ..robust import SIGMA_PER_DEVIATION, scatter_about_zero, upper_median
from .clipping import FLAT_SIGMA
from .noise import FrameNoise
from .shapes import FWHM_PER_SIGMA, LIKENESS

# the second Gaussian of the zero-sum kernel; wider lets in nebular structure, narrower loses signal
WIDE_KERNEL = 1.5
KERNELS = ((1.0, WIDE_KERNEL), (0.6, 0.9))  # Gaussians of the two kernels, in sigmas of a star
# what the peak of a star, a Gaussian filtered by Gaussians, gives through each kernel
STAR_ANSWER = np.array([1 / (1 + a**2) - 1 / (1 + b**2) for a, b in KERNELS])
# how far a star stands out of the noise in each channel, up to a common factor
Depth = tuple[float, ...]
ALIKE = (1.0, 1.0, 1.0)
# times 1 / sigma of the kernel: half of what white noise of three channels leaves
LEAST_FILTERED_NOISE = 0.15
# of white noise, left of it at least on nebula: where a sky is clipped at black most samples
# are nothing at all, and what stands out of that is the noise itself
LEAST_WHITE_SHARE = 0.125
# noise of the filtered picture is measured per block: nebulosity raises its own threshold
NOISE_BLOCK_PX = 64
NOISE_STEP_PX = 3  # between the pixels that tell it
NEBULOUS = (
    3.0  # times the least noise: in blocks above it nebula, not noise, is what hides stars
)
FINE_BLOCK_PX = 32  # of nebula whose covariance is taken to be the same, measured on twice that
SAMPLE_PX = 4  # between the pixels that it is measured on: nearer ones say the same
COVARIANCE_ROUNDS = 3
OUTLYING_DISTANCE = (
    4.0  # times the median squared distance: stars, which are not what hides stars
)


# a sum of channels, each in units of what it varies by from pixel to pixel, that varies by less
# than this, in variance, is nothing: one of them was mixed of the others
NOTHING_SHARE = 0.01
# of a depth; a copied channel whose noise is measured a little differently has less
LEAST_SHARE_OF_NOTHING = 0.05
MIX_STEP_PX = 8  # between pixels that tell it
QUIET_STEP = 4.0  # of a pixel from the next, in scatters: more is no noise


class _Star(NamedTuple):
    """What is looked for: width and, up to a common factor each, depths in the three channels."""

    sigma_px: float
    depths: tuple[Depth, ...]


def star_snr(
    pixels: np.ndarray, noise: FrameNoise, fwhm_px: float, depth: Depth = ALIKE
) -> np.ndarray:
    """Signal-to-noise that a star has at every pixel; 0 where a channel has no data.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
    noise : FrameNoise
    fwhm_px : float
        Of the star.
    depth : tuple of float
        How far the frame's stars stand out of the noise in each channel, up to a common factor:
        on nebula a star is looked for that does so, and one that does so alike in all channels.

    Returns
    -------
    ndarray, (y, x) float32
    """
    sigma_px = fwhm_px / FWHM_PER_SIGMA
    luminance = _luminance(pixels, noise)
    known = None if np.isfinite(luminance.sum()) else np.isfinite(luminance)
    filtered = _zero_sum(luminance, known, sigma_px, KERNELS[0])
    if known is not None:
        filtered[~known] = np.nan
    nebulous = _divide_by_block_noise(filtered, LEAST_FILTERED_NOISE / sigma_px)
    regions = list(_regions(nebulous))
    depths = _as_mixed((ALIKE, depth), pixels, noise) if regions else (ALIKE,)
    star = _Star(sigma_px, depths)
    for region in regions:
        window, inside = _in_pixels(region, nebulous, filtered.shape)
        snr = _against_nebula(pixels, known, noise, star, window)
        np.copyto(filtered[window], snr, where=inside)
    return filtered if known is None else np.nan_to_num(filtered, copy=False)


def _as_mixed(
    depths: tuple[Depth, ...], pixels: np.ndarray, noise: FrameNoise
) -> tuple[Depth, ...]:
    """Different depths that stars can have where a channel is a mix of the others, as a green that
    was made of two lines: else all would rest on what nothing has, star or nebula."""
    nothing = _nothing_in(pixels, noise)
    possible = set()
    for depth in depths:
        share = float(nothing @ depth)
        mixed = abs(share) > LEAST_SHARE_OF_NOTHING
        left = np.array(depth) - share * nothing
        possible.add(tuple(left.tolist()) if mixed else depth)
    return tuple(possible)


def _nothing_in(pixels: np.ndarray, noise: FrameNoise) -> np.ndarray:
    """The sum of channels, in units of their noise and of unit length, in which pixels do not
    differ at all, (3,); 0 where there is none."""
    unit = np.array(noise.noise)[:, None]
    before = pixels[:, ::MIX_STEP_PX, :-1:MIX_STEP_PX]
    steps = (pixels[:, ::MIX_STEP_PX, 1::MIX_STEP_PX] - before).reshape(len(unit), -1)
    steps = steps[:, np.isfinite(steps).all(axis=0)]
    if not steps.size or unit.min() <= FLAT_SIGMA or any(noise.step):
        return np.zeros(len(unit))
    steps = steps / unit
    spread = np.maximum(scatter_about_zero(steps, axis=1), 1e-30)[:, None]
    quiet = steps[:, (np.abs(steps / spread) < QUIET_STEP).all(axis=0)].astype(float)
    own = np.maximum(np.sqrt(np.sum(quiet**2, axis=1)), 1e-30)
    alike = (quiet @ quiet.T) / np.outer(own, own)
    size, ways = np.linalg.eigh(alike)
    nothing = ways[:, 0] / own
    told = own.min() > 1e-30 and size[0] < NOTHING_SHARE  # coarse values do not vary at all
    return nothing / np.linalg.norm(nothing) * told


def _in_pixels(region, nebulous, shape):
    """The window of a region of blocks, and which of its pixels lie in nebulous ones."""
    size = NOISE_BLOCK_PX
    window = tuple(
        slice(blocks.start * size, min(blocks.stop * size, n))
        for blocks, n in zip(region, shape, strict=True)
    )
    inside = np.kron(nebulous[region], np.ones((size, size), bool))
    return window, inside[: _length(window[0]), : _length(window[1])]


def _length(part: slice) -> int:
    return part.stop - part.start


def _luminance(pixels: np.ndarray, noise: FrameNoise) -> np.ndarray:
    """Sum of the channels, each in units of its own noise; NaN where a channel has no data."""
    total = np.zeros(pixels.shape[1:], np.float32)
    level = np.empty_like(total)
    for plane, sky, sigma in zip(pixels, noise.sky, noise.noise, strict=True):
        if sigma > FLAT_SIGMA:
            np.subtract(plane, np.float32(sky), out=level)
            level *= np.float32(1 / sigma)
            total += level
    return total


def _zero_sum(
    plane: np.ndarray, known: np.ndarray | None, sigma_px: float, kernel: tuple[float, float]
) -> np.ndarray:
    """Filtered by a difference of Gaussians: it sums to zero, so sky, gradients and smooth
    nebulosity vanish."""
    filtered = _smoothed(plane, known, kernel[0] * sigma_px, 3.5)
    filtered -= _smoothed(plane, known, kernel[1] * sigma_px, 3.0)
    return filtered


def _smoothed(
    plane: np.ndarray, known: np.ndarray | None, sigma_px: float, truncate: float
) -> np.ndarray:
    """Gaussian mean; of the known pixels only, where some are not: a hole then makes no edge."""
    if known is None:
        return ndimage.gaussian_filter(plane, sigma_px, truncate=truncate)
    light, share = (
        ndimage.gaussian_filter(part.astype(np.float32), sigma_px, truncate=truncate)
        for part in (np.where(known, plane, 0), known)
    )
    return light / np.maximum(share, 1e-3)


def _divide_by_block_noise(filtered: np.ndarray, least: float) -> np.ndarray:
    """Divide by the noise of each block, in place, and say which blocks are nebulous.

    The noise is at least ``least``: most of a star layer is exactly black.
    """
    size = NOISE_BLOCK_PX
    spread = _block_spread(filtered)
    for row, column in np.ndindex(spread.shape):
        block = filtered[row * size : (row + 1) * size, column * size : (column + 1) * size]
        block *= 1 / max(spread[row, column], least)
    return spread > NEBULOUS * least


def _block_spread(filtered: np.ndarray) -> np.ndarray:
    """Scatter of each block about zero, (rows, columns); 0 of one without data."""
    size, step = NOISE_BLOCK_PX, NOISE_STEP_PX
    whole = filtered.shape[1] // size
    spread = np.zeros([-(-n // size) for n in filtered.shape], filtered.dtype)
    for row, found in enumerate(spread):
        band = filtered[row * size : (row + 1) * size : step]
        tiles = band[:, : whole * size].reshape(len(band), whole, size)[:, :, ::step]
        if whole:
            found[:whole] = _spread_of_each(tiles.swapaxes(0, 1).reshape(whole, -1))
        if whole < len(found):
            found[whole:] = _spread_of_each(band[:, whole * size :: step].reshape(1, -1))
    return spread


def _spread_of_each(samples: np.ndarray) -> np.ndarray | list[float]:
    """Scatter about zero of what is finite in each row, (n,)."""
    if np.isfinite(samples).all():
        return scatter_about_zero(samples, axis=1)
    return [_spread_of_known(sample) for sample in samples]


def _spread_of_known(sample: np.ndarray) -> float:
    sample = sample[np.isfinite(sample)]
    return scatter_about_zero(sample) if len(sample) else 0.0


def _regions(blocks: np.ndarray) -> Iterator[tuple[slice, slice]]:
    """Rectangles of blocks that hold all the chosen ones."""
    return iter(ndimage.find_objects(ndimage.label(blocks)[0]))


def _against_nebula(pixels, known, noise, star: _Star, window):
    """Signal-to-noise of a star against noise and nebula in a window, whose covariance goes block
    by block."""
    rows, columns = window
    outer = _with_margin(window, pixels.shape[1:], star.sigma_px)
    known = None if known is None else known[outer]
    planes = _answers(pixels[:, *outer], known, noise, star.sigma_px)
    top = rows.start - outer[0].start
    left = columns.start - outer[1].start
    inner = _part_of(planes, top, left, window)
    # of a star layer all that is not black is starlight
    least_share = 0.0 if noise.empty_sky else LEAST_WHITE_SHARE
    weights = _block_weights(planes, (top, left), inner.shape[1:], star, least_share)
    snr = reduce(np.maximum, (_weighted_sum(inner, weight) for weight in weights))
    # without a peak in the sum it is the rim of a bright star
    return np.where(inner[1::2].sum(axis=0) > 0, snr, 0)


def _part_of(planes: np.ndarray, top: int, left: int, window) -> np.ndarray:
    """A part of planes, as large as a window."""
    rows, columns = window
    return planes[:, top : top + _length(rows), left : left + _length(columns)]


def _block_weights(planes, corner, shape, star: _Star, least_share) -> Iterator[np.ndarray]:
    """Weights that give signal-to-noise in each block of a window, (rows, columns, 6), for each
    depth that is looked for."""
    grid = [-(-length // FINE_BLOCK_PX) for length in shape]
    samples = _samples(planes, corner, grid)
    known = np.isfinite(samples).all(axis=2)
    samples = np.where(known[:, :, None], samples, 0)
    inverse = _quiet_inverse(samples, known)
    for depth in star.depths:
        weight = inverse @ np.kron(depth, STAR_ANSWER)
        spread = np.maximum(_spread_of_made(samples, known, weight), 1e-12)
        spread = np.maximum(spread, least_share * _white_spread(weight, star.sigma_px))
        yield (weight / spread[:, None]).reshape(*grid, -1).astype(np.float32)


def _white_spread(weight, sigma_px):
    """What white noise leaves of a weighted sum of answers."""
    of_channel = [[_in_common(a, b) for b in KERNELS] for a in KERNELS]
    white = np.kron(np.eye(weight.shape[1] // len(KERNELS)), of_channel)
    return np.sqrt(np.einsum("bk,kl,bl->b", weight, white, weight)) / sigma_px


def _in_common(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Covariance of white noise through two differences of Gaussians, times sigma squared: two
    Gaussians of a and b have 1 / (2 pi (a^2 + b^2)) in common."""
    signs = (1, -1)
    parts = [
        sign * back / (a**2 + b**2)
        for sign, a in zip(signs, one, strict=True)
        for back, b in zip(signs, other, strict=True)
    ]
    return sum(parts) / (2 * np.pi)


def _with_margin(window, shape, sigma_px):
    """A window and as much around it as kernels and blocks reach."""
    margin = FINE_BLOCK_PX // 2 + int(np.ceil(3.5 * WIDE_KERNEL * sigma_px))
    return tuple(
        slice(max(0, part.start - margin), min(n, part.stop + margin))
        for part, n in zip(window, shape, strict=True)
    )


def _weighted_sum(planes, weight):
    """Sum of planes by weights that go block by block, (rows, columns, planes)."""
    size = FINE_BLOCK_PX
    total = np.empty(planes.shape[1:], np.float32)
    along = np.repeat(weight, size, axis=1)[:, : planes.shape[2]]
    for row, of_row in enumerate(along):
        strip = planes[:, row * size : (row + 1) * size]
        total[row * size : (row + 1) * size] = np.einsum("kyx,xk->yx", strip, of_row)
    return total


def _answers(pixels, known, noise, sigma_px):
    """Every channel in units of its noise through every kernel, (6, y, x); NaN where there are no
    data."""
    planes = []
    for plane, sky, sigma in zip(pixels, noise.sky, noise.noise, strict=True):
        level = (plane - np.float32(sky)) * np.float32(1 / sigma if sigma > 0 else 0)
        planes += [_zero_sum(level, known, sigma_px, kernel) for kernel in KERNELS]
    planes = np.stack(planes)
    if known is not None:
        planes[:, ~known] = np.nan
    return planes


def _samples(planes, corner, blocks):
    """Answers on a coarse grid over and round each block, (blocks, samples, 6)."""
    offset = np.arange(-FINE_BLOCK_PX // 2, FINE_BLOCK_PX * 3 // 2, SAMPLE_PX)
    at = [
        np.clip(start + FINE_BLOCK_PX * np.arange(count)[:, None] + offset, 0, n - 1)
        for start, count, n in zip(corner, blocks, planes.shape[1:], strict=True)
    ]
    grid = planes[:, at[0][:, None, :, None], at[1][None, :, None, :]]
    return np.moveaxis(grid.reshape(len(planes), blocks[0] * blocks[1], -1), 0, 2).astype(float)


def _spread_of_made(samples, known, weight):
    """Scatter of what weights, (blocks, 6), make of the samples of each block, (blocks,)."""
    made = np.where(known, np.abs(samples @ weight[:, :, None])[:, :, 0], np.nan)
    return SIGMA_PER_DEVIATION * _median_or_inf(made)


def _quiet_inverse(samples, known):
    """Inverse covariance of each block's known samples, stars left out, (blocks, 6, 6)."""
    keep = known
    for _ in range(COVARIANCE_ROUNDS):
        inverse = np.linalg.inv(
            _answer_covariance(samples * keep[:, :, None], keep.sum(axis=1))
        )
        distance = np.where(known, ((samples @ inverse) * samples).sum(axis=2), np.nan)
        keep = known & (distance <= OUTLYING_DISTANCE * _median_or_inf(distance)[:, None])
    return inverse


def _answer_covariance(kept, count):
    """Covariance of the answers in each block, (blocks, 6, 6), kept away from being singular."""
    covariance = kept.swapaxes(1, 2) @ kept / np.maximum(count, 1)[:, None, None]
    variance = np.einsum("bkk->bk", covariance)
    return covariance + np.eye(variance.shape[1]) * (LIKENESS * variance + 1e-12)[:, None, :]


def _median_or_inf(values):
    """Median along the last axis, NaN left out; infinite where there is nothing."""
    middle = upper_median(values)
    return np.where(np.isnan(middle), np.inf, middle)
