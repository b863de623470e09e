"""Wide holes filled by the likeliest smooth continuation of what lies round them.

The pyramid of `fill` knows how strong structure is on each scale of a frame; over a hole wider than
a few pixels it cannot carry slopes and bends of the nebula in from all sides at once. Here the
pixels round each hole are taken as a Gaussian process (Rasmussen & Williams 2006, eq. 2.25 and
2.41, with the covariance of eq. 4.17, nu = 3/2: structure that has a slope everywhere), as strong
as they show it there, plus a share of the stars' own light, which no model has exactly. Pixels
that the others contradict (eq. 5.12) count less: stars that were not found.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.linalg.lapack import dtrtri
from scipy.spatial.distance import cdist

TELLS_NOTHING = 0.03  # weight of a pixel that belongs to the hole
LEAST_AREA_PX = 60  # of a hole: over less the pyramid is as good
POINTS_ACROSS = 10.0  # by as many the side of a hole is sampled, whatever its size
RIM, NEAR, FAR = 2, 6, 14  # samples from the rim: all, every second, every fourth is taken
FEWEST_SAMPLES = 20
CORRELATED_RADII = 1.0  # of the hole: over so much the process keeps half of itself
LIGHT_SHARE = 0.03  # of the stars' light that may be left, and of its fall outwards
CONTRADICTED, LISTENINGS = 1.5, 3  # errors from which a pixel counts less; rounds
CLEAN_WEIGHT = 0.9  # weight of a pixel that shows how strong structure is
LAG = 3  # samples apart, over which that is measured
LEAST_STRENGTH = 0.05  # against the noise's variance
LARGEST_DIFFERENCE = 95  # percentile beyond which differences are stars that were not found


@dataclass(frozen=True, eq=False)
class Cleared:
    """A window without its stars.

    Attributes
    ----------
    values : ndarray, (y, x)
        Pixels less their stars' light, finite.
    weight : ndarray, (y, x)
        Inverse variance of each pixel against that of a clean one, 0 to 1.
    light : ndarray, (y, x)
        What was taken away.
    noise : float
        Standard deviation of a clean pixel.
    """

    values: NDArray
    weight: NDArray
    light: NDArray
    noise: float

    def part(self, window) -> "Cleared":
        """The same of a part of the window."""
        return Cleared(self.values[window], self.weight[window], self.light[window], self.noise)


def filled_holes(background: NDArray, cleared: Cleared) -> NDArray[np.float32]:
    """The background with its wide holes filled anew.

    Parameters
    ----------
    background : ndarray, (y, x) float32
        Of `fill.fill`.
    cleared : Cleared
        The pixels that it was made from.

    Returns
    -------
    ndarray, (y, x) float32
    """
    result = background.copy()
    marks, _ = ndimage.label(cleared.weight < TELLS_NOTHING)
    area = np.bincount(marks.ravel())
    for mark, window in enumerate(ndimage.find_objects(marks), start=1):
        if area[mark] >= LEAST_AREA_PX:
            step = max(1, round(np.sqrt(area[mark]) / POINTS_ACROSS))
            wide = _widened_by(window, FAR * step, marks.shape)
            hole = _Hole.of(marks[wide] == mark, step)
            _fill_one(result[wide], hole, cleared.part(wide))
    return result


def _widened_by(window, reach: int, shape):
    """Rows and columns of a hole and of what lies round it."""
    return tuple(
        slice(max(part.start - reach, 0), min(part.stop + reach, side))
        for part, side in zip(window, shape, strict=True)
    )


@dataclass(frozen=True, eq=False)
class _Hole:
    """How far each pixel lies from a hole, in samples of so many pixels, and the hole's radius."""

    away: NDArray
    step_px: int
    radius_px: float

    @classmethod
    def of(cls, inside: NDArray[np.bool_], step_px: int) -> "_Hole":
        away = ndimage.distance_transform_edt(~inside) / step_px
        return cls(away, step_px, float(np.sqrt(inside.sum() / np.pi)))

    @property
    def coarse(self) -> NDArray:
        """How far every so many pixels lie, both ways: the process is smoother than that."""
        return self.away[:: self.step_px, :: self.step_px]

    def correlation(self, some: NDArray, others: NDArray) -> NDArray:
        """Of the process at places, (n, 2) and (m, 2)."""
        apart_px = cdist(some, others)
        far = np.sqrt(3) * apart_px / (CORRELATED_RADII * self.radius_px)
        return (1 + far) * np.exp(-far)

    def samples(self, weight: NDArray) -> NDArray:
        """Places of the pixels that tell, (n, 2): the fewer, the farther from the hole."""
        rows, columns = np.indices(self.away.shape)
        taken = np.zeros(self.away.shape, bool)
        for inner, outer, every in ((0, RIM, 1), (RIM, NEAR, 2), (NEAR, FAR, 4)):
            grid = (rows % (every * self.step_px) == 0) & (
                columns % (every * self.step_px) == 0
            )
            taken |= grid & (self.away > inner) & (self.away <= outer)
        return np.argwhere(taken & (weight >= TELLS_NOTHING))


def _fill_one(background: NDArray, hole: _Hole, cleared: Cleared) -> None:
    """Put the process's mean into a hole and, as far as they tell nothing, the pixels near it, in
    place; where too little is known round it, nothing changes."""
    told = hole.samples(cleared.weight)
    if len(told) < FEWEST_SAMPLES:
        return
    strength = _strength(cleared, hole)
    own = strength * hole.correlation(told, told) + _besides_nebula(cleared, told, hole)
    seen = cleared.values[tuple(told.T)].astype(float)
    level, pull = _solved_process(own, seen)
    near = hole.away <= NEAR
    mean = level + _laid_over(hole, near, told, strength * pull)
    background[near] += (1 - cleared.weight[near]) * (mean - background[near])


def _laid_over(hole: _Hole, near: NDArray[np.bool_], told: NDArray, pull: NDArray) -> NDArray:
    """How far the process goes above its level in the pixels near a hole, (k,)."""
    coarse = np.zeros(hole.coarse.shape)
    nodes = np.argwhere(hole.coarse <= NEAR + 2)
    coarse[tuple(nodes.T)] = hole.correlation(nodes * hole.step_px, told) @ pull
    at = np.stack(np.nonzero(near)) / hole.step_px
    return ndimage.map_coordinates(coarse, at, order=1, mode="nearest")


def _solved_process(covariance: NDArray, seen: NDArray) -> tuple[float, NDArray]:
    """The level of least variance, and the covariance solved for what is seen above it."""
    for _ in range(LISTENINGS):
        # the inverse is root.T @ root
        root, _ = dtrtri(np.linalg.cholesky(covariance), lower=1)
        even = root.T @ root.sum(axis=1)
        level = float(even @ seen) / float(even.sum())
        pull = root.T @ (root @ (seen - level))
        variance = 1 / np.sum(root**2, axis=0)  # of each, as the others foretell it
        off = np.abs(pull) * np.sqrt(variance) / CONTRADICTED
        doubt = np.maximum(off**2 - 1, 0) * variance
        if not doubt.any():
            break
        covariance = covariance + np.diag(doubt)
    return level, pull


def _besides_nebula(cleared: Cleared, told: NDArray, hole: _Hole) -> NDArray:
    """Covariance of what else the pixels hold: noise, and light of the stars, (n, n)."""
    light = _doubted_light(cleared.light, told, hole)
    variance = cleared.noise**2 / cleared.weight[tuple(told.T)] ** 2
    return np.diag(variance) + light @ light.T


def _doubted_light(light: NDArray, told: NDArray, hole: _Hole) -> NDArray:
    """What may be left of the stars' light, and of its fall outwards, one standard deviation,
    (n, 2)."""
    row, column = told.T
    own = LIGHT_SHARE * light[row, column].astype(float)
    outwards = hole.away[row, column] * hole.step_px / hole.radius_px
    return np.stack([own, own * outwards], axis=1)


def _strength(cleared: Cleared, hole: _Hole) -> float:
    """Variance of the process, from the mean squared difference of clean pixels `LAG` samples
    apart."""
    lag = LAG * hole.step_px
    noise = cleared.noise**2
    square = _squared_differences(cleared, lag)
    structure = 0.0
    if len(square) >= FEWEST_SAMPLES:
        most = np.percentile(square, LARGEST_DIFFERENCE)
        structure = float(np.minimum(square, most).mean()) / 2 - noise
    shared = float(hole.correlation(np.zeros((1, 2)), np.array([[0.0, lag]]))[0, 0])
    return max(structure, LEAST_STRENGTH * noise) / (1 - shared)


def _squared_differences(cleared: Cleared, lag: int) -> NDArray:
    """Of clean pixels so far apart, along both axes, (k,)."""
    clean = np.where(cleared.weight > CLEAN_WEIGHT, cleared.values, np.nan).astype(float)
    across = clean[:, lag:] - clean[:, :-lag]
    down = clean[lag:] - clean[:-lag]
    square = np.concatenate([across.ravel(), down.ravel()]) ** 2
    return square[np.isfinite(square)]
