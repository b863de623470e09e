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
    scales = [_Scale.of(cover) for cover in weights]
    for _ in range(PASSES):
        background += _new_in_a_pass((values - background) * weight, scales, noise)
    return background


class _Scale:
    """What one scale of the pyramid makes of what is new there: the mean of its cells, as far as
    it is kept. Both are the same in every pass."""

    def __init__(self, cover: np.ndarray, known: np.ndarray, mean: np.ndarray):
        self.cover = cover
        self.known = known
        self.mean = mean
        self.kept: np.ndarray | None = None  # share of what is new, 0 where nothing is known

    @classmethod
    def of(cls, cover: np.ndarray) -> "_Scale":
        """The scale of cells so far covered."""
        known = cover > 1e-6
        return cls(cover, known, np.divide(1, cover, out=np.zeros_like(cover), where=known))

    def learn(self, total: np.ndarray, coarse: np.ndarray, variance: float) -> None:
        """How much to keep, from what is new on this scale."""
        at = _clean_cells(self.cover)
        news = total.take(at) * self.mean.take(at) - coarse.take(at)
        told = _structure_variance(news, variance) * self.cover
        told /= told + variance
        told *= self.known
        self.kept = told

    def corrected(self, total: np.ndarray, coarse: np.ndarray) -> np.ndarray:
        """The background of the scale above with what this one says, in its place."""
        total = total * self.mean
        total -= coarse
        total *= self.kept
        coarse += total
        return coarse


def _new_in_a_pass(weighted: np.ndarray, scales: list[_Scale], noise: float) -> np.ndarray:
    """One pass from coarse to fine."""
    sums = _halvings(weighted, len(scales))
    background = sums[-1] * scales[-1].mean
    for number in reversed(range(len(scales) - 1)):
        scale = scales[number]
        coarse = _double(background, scale.cover.shape)
        if scale.kept is None:
            scale.learn(sums[number], coarse, noise**2 * _noise_share(number))
        background = scale.corrected(sums[number], coarse)
    return background


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


def _clean_cells(cover: np.ndarray) -> np.ndarray:
    """Places of well-covered cells, as many as a median needs."""
    places = np.flatnonzero(cover > WELL_COVERED)[:: 1 + cover.size // MEDIAN_SIZE]
    return places.copy()  # a view would keep all of them in memory


def _structure_variance(clean, variance):
    """Variance of the background itself on this scale, from what is new in well-covered cells; a
    little, where none can be told."""
    if len(clean) < 16:
        return 0.3 * variance
    return float(max(scatter_about_zero(clean) ** 2 - 0.6 * variance, 0.01 * variance))


def _halve(plane):
    """Half as many pixels each way, each a binomial mean of 4 x 4; beyond the edge there is
    nothing."""
    height = (plane.shape[0] + 1) // 2
    width = (plane.shape[1] + 1) // 2
    padded = np.zeros((2 * height + 2, 2 * width + 2), np.float32)
    padded[1 : 1 + plane.shape[0], 1 : 1 + plane.shape[1]] = plane
    rows = _binomial([padded[k : k + 2 * height : 2] for k in range(len(TAPS))])
    return _binomial([rows[:, k : k + 2 * width : 2] for k in range(len(TAPS))])


def _binomial(parts: list[np.ndarray]) -> np.ndarray:
    """Four planes by the taps, which are the same from both ends."""
    outer = parts[0] + parts[3]
    outer *= TAPS[0]
    inner = parts[1] + parts[2]
    inner *= TAPS[1]
    inner += outer
    return inner


def _double(plane, shape):
    """Twice as many pixels each way, linear in between."""
    return _doubled(_doubled(plane, 1), 0)[: shape[0], : shape[1]]


def _doubled(plane: np.ndarray, axis: int) -> np.ndarray:
    """Twice as many pixels along an axis, each a quarter of the way from an old one to the
    next."""
    pairs = np.empty(np.insert(plane.shape, axis + 1, 2), np.float32)
    before, after = np.moveaxis(pairs, axis + 1, 0)
    near = plane * np.float32(0.75)
    far = plane * np.float32(0.25)
    first, rest = _ends(axis, 1)
    most, last = _ends(axis, -1)
    np.add(near[rest], far[most], out=before[rest])
    np.add(near[most], far[rest], out=after[most])
    before[first] = plane[first]
    after[last] = plane[last]
    return pairs.reshape(plane.shape[0] * (2 - axis), plane.shape[1] * (1 + axis))


def _ends(axis: int, at: int) -> tuple:
    """What lies before and beyond a place along an axis, as indices of a plane."""
    along = (slice(None),) * axis
    return (*along, slice(None, at)), (*along, slice(at, None))
