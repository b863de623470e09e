"""Filling in what is hidden: the likeliest background under weighted, noisy, partly missing pixels.

From coarse to fine, each scale corrects the one above by what the data say there, as far as its
noise and the structure that this background is known to have at that scale allow: a Wiener filter
in a pyramid. Wide holes are thus filled from afar and narrow ones from their rims, gradients go
through them, and no noise is dragged along.
"""

from functools import cache

import numpy as np

from ..robust import scatter_about_zero

TAPS = np.array([1, 3, 3, 1], np.float32) / 8  # binomial: the smoothest four-point halving
COARSEST_PX = 6
PASSES = 2  # the second corrects the tilt that half-covered cells give the first
WELL_COVERED = 0.6
MEDIAN_STEP, MEDIAN_SIZE = 7, 30_000  # a median needs no more pixels than that


def fill(values: np.ndarray, weight: np.ndarray, noise: np.ndarray | float) -> np.ndarray:
    """Estimate the background everywhere from weighted pixels.

    Parameters
    ----------
    values : ndarray, (y, x) float32
        Finite wherever the weight is not 0.
    weight : ndarray, (y, x) float32
        Inverse variance of each pixel against that of a clean one: 1 clean, 0 unknown.
    noise : float
        Standard deviation of a clean pixel.

    Returns
    -------
    ndarray, (y, x) float32
        The median of the values where nothing at all is known nearby.
    """
    weights = [weight]
    while min(weights[-1].shape) > COARSEST_PX:
        weights.append(_halve(weights[-1]))
    known = values[weight > 0]
    level = np.median(known[::MEDIAN_STEP]) if known.size else 0
    background = np.full(values.shape, level, np.float32)
    structure = None
    for _ in range(PASSES):
        step, structure = _refine((values - background) * weight, weights, noise, structure)
        background += step
    return background


def _refine(weighted, weights, noise, structure):
    """One pass from coarse to fine; also the variance of structure found on each scale, if not
    known yet."""
    sums = _halvings(weighted, len(weights))
    found = structure or [0.0] * len(sums)
    background = _mean(sums[-1], weights[-1], np.float32(0))
    for scale in reversed(range(len(sums) - 1)):
        cover = weights[scale]
        coarse = _double(background, cover.shape)
        news = _mean(sums[scale], cover, coarse) - coarse
        variance = noise**2 * _noise_share(scale)
        if not structure:
            found[scale] = _structure_variance(news, cover, variance)
        background = coarse + news * _trust(found[scale] * cover, variance)
    return background, found


def _trust(told, variance):
    """Share of what is new that is kept: the structure's variance over all of it."""
    return told / (told + variance)


def _halvings(plane, count):
    """The plane and all its halves, from fine to coarse."""
    planes = [plane]
    for _ in range(count - 1):
        planes.append(_halve(planes[-1]))
    return planes


@cache
def _noise_share(scale: int) -> float:
    """Variance of a fully covered cell of this scale against a pixel's: all its taps, squared and
    summed."""
    taps = np.ones(1)
    for step in range(scale):
        taps = np.convolve(taps, np.kron(TAPS, [1, *[0] * (2**step - 1)]))
    return float((taps**2).sum() ** 2)


def _structure_variance(news, weight, variance):
    """Variance of the background itself on this scale, from well-covered cells; a little, where
    none can be told."""
    clean = news[weight > WELL_COVERED][:: 1 + news.size // MEDIAN_SIZE]
    if len(clean) < 16:
        return 0.3 * variance
    return float(max(scatter_about_zero(clean) ** 2 - 0.6 * variance, 0.01 * variance))


def _mean(total, weight, otherwise):
    return np.where(weight > 1e-6, total / np.maximum(weight, 1e-6), otherwise)


def _halve(plane):
    """Half as many pixels each way, each a binomial mean of 4 x 4; beyond the edge there is
    nothing."""
    padded = np.pad(plane, ((1, 3), (1, 3)))
    height = 2 * ((plane.shape[0] + 1) // 2)
    width = 2 * ((plane.shape[1] + 1) // 2)
    rows = sum(t * padded[k : k + height : 2] for k, t in enumerate(TAPS))
    return sum(t * rows[:, k : k + width : 2] for k, t in enumerate(TAPS))


def _double(plane, shape):
    """Twice as many pixels each way, linear in between."""
    for axis in (0, 1):
        before = np.take(plane, [0, *range(plane.shape[axis] - 1)], axis=axis)
        after = np.take(plane, [*range(1, plane.shape[axis]), -1], axis=axis)
        pair = np.stack(
            [0.75 * plane + 0.25 * before, 0.75 * plane + 0.25 * after], axis=axis + 1
        )
        plane = pair.reshape(*plane.shape[:axis], -1, *plane.shape[axis + 1 :])
    return plane[: shape[0], : shape[1]].astype(np.float32, copy=False)
