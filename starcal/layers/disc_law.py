"""What the light of discs is like, by direction and radius, in units of the light of their stars.

What lies in rings round a star is its disc and nebula, and nebula is rough on all scales: over few
pixels it changes little, over many it hides any disc. How it goes with radius is told by what goes
twice and thrice round the star, which in nebula that has no direction is as strong as what goes
round it evenly, and in discs is little. With that covariance the fall of light from ring to ring
is solved for by least squares, all stars together: a rim tells of a disc's light, its plateau
hardly anything. Falls are expected to be small but where the stars are sure of them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..robust import SIGMA_PER_DEVIATION, quantile_of_known

TIMES_ROUND = (2, 3)  # times round a star
LAG_PX = 3  # over which the roughness of nebula is told
# by more is nebula's even part stronger than its waves where it bends as a bowl (J0 - 1 against J2)
EVEN_OVER_WAVES = 2.0
LEAST_ROUGH = 0.01  # of the covariance, each ring by itself
OFF_RIM_PX, OWN_SHARE = (
    0.7,
    0.1,
)  # a star's rim may be off by so much, its light by such a share
CORRELATED_PX = 2.0  # over which a rim that is off is wrong by the same
# of a misfit: nebula has edges, so errors have wide tails, as Student's t with so many degrees of
# freedom (Lange, Little & Taylor 1989, JASA 84, 881), by which no star tells much more than others
TAIL_FREEDOM = 4.0
LEAST_FALL = 0.01  # of the largest, where none is sure
LEAST_SECTOR_FALL = 0.003  # the same of a direction against all
SURE_FALL, SURELY_FALL = 1.5, 2.0  # errors: of a round, and of the last one
WIDEST_FALL = 3.0  # of the largest: what is expected of a fall that is sure
RING_ROUNDS, SECTOR_ROUNDS = 8, 5
MOST_SIGMA = 6.0  # of a ring, for the covariance
BLUNT_RINGS = 2  # beside a fall that is sure
HELD_DOWN = (1.0, 2.0)  # by which a law that was held down may be taken up
FEWEST_RINGS = 8  # that a star must show
LEVEL_ROUNDS, LEVEL_SIGMA = 3, 3.0
BESIDE_SHARE = 0.5  # what a direction counts for those beside it
LEAST_BESIDE = 0.9  # of directions that must be known
LEAST_SHOWN = 0.3  # of what all stars tell: where less is, the light may be wrong by itself


@dataclass(frozen=True, eq=False, kw_only=True)
class DiscLaw:
    """Light of discs in units of the light of their stars.

    Attributes
    ----------
    light, error : ndarray, (3, sectors, r)
    roughness : ndarray, (r, r)
        Covariance of rings in nebula whose change over `LAG_PX` has a variance of 1.
    """

    light: NDArray
    error: NDArray
    roughness: NDArray


def disc_law(maps: NDArray) -> DiscLaw:
    """The law that the surroundings of some stars tell.

    Parameters
    ----------
    maps : ndarray, (n, 3, sectors, r)
        Light over the star's flux by direction and radius; NaN where not known. The number of
        sectors is even.

    Returns
    -------
    DiscLaw
    """
    waves = _waves(maps)
    roughness = _pooled(waves)
    strength = _change(waves)
    level = ring_level(maps)
    sectors = _every_second(maps)
    off = np.nan_to_num(sectors - level[:, :, None])
    sector_roughness = _pooled(off)
    sector_strength = _change(off)
    light = []
    error = []
    for c in range(3):
        rings = _RingsOfStars(level[:, c], strength[:, c], roughness)
        whole = _scaled(rings, _solved_falls(rings, None, RING_ROUNDS))
        told = []
        for k in range(sectors.shape[2]):
            part = _RingsOfStars(sectors[:, c, k], sector_strength[:, c], sector_roughness)
            told.append(_solved_falls(part, whole, SECTOR_ROUNDS))
        shown = _shown_share(sectors[:, c], sector_strength[:, c])
        light.append(_interleaved([one.light for one in told]))
        wrong = [
            np.where(known < LEAST_SHOWN, np.abs(one.light), one.error)
            for one, known in zip(told, shown, strict=True)
        ]
        error.append(_interleaved(wrong))
    return DiscLaw(light=np.maximum(light, 0), error=np.array(error), roughness=roughness)


def strength_of(maps: NDArray, law: DiscLaw, spread: float) -> float:
    """How strong one star's disc is against the law, expected to be 1.

    Parameters
    ----------
    maps : ndarray, (3, sectors, r)
        Light over the star's flux.
    law : DiscLaw
    spread : float
        Standard deviation of stars about the law.

    Returns
    -------
    float
        At least 0.
    """
    change = _change(_waves(maps[None]))[0]
    level = ring_level(maps[None])[0]
    match = spread**-2
    power = spread**-2
    for own, light, rough in zip(level, law.light.mean(axis=1), change, strict=True):
        known, trust = _trust(own, rough * law.roughness)
        if known is not None:
            match += light[known] @ trust @ own[known]
            power += light[known] @ trust @ light[known]
    return max(0.0, float(match / power))


# --- rings ------------------------------------------------------------------------------


def ring_level(maps: NDArray) -> NDArray:
    """Mean over directions, those that differ counting less, (n, 3, r); NaN where less than half
    of them is known.

    Parameters
    ----------
    maps : ndarray, (n, 3, sectors, r)
    """
    known = np.isfinite(maps)
    level = _median_over_sectors(maps)
    for _ in range(LEVEL_ROUNDS):
        off = np.where(known, maps - level[:, :, None], np.nan)
        spread = SIGMA_PER_DEVIATION * _median_over_sectors(np.abs(off))
        loose = LEVEL_SIGMA * np.maximum(spread, 1e-30)[:, :, None]
        weight = known / (1 + np.nan_to_num(off / loose) ** 2)
        total = np.maximum(weight.sum(axis=2), 1e-9)
        level = level + (weight * np.nan_to_num(off)).sum(axis=2) / total
    return np.where(known.mean(axis=2) > 0.5, level, np.nan)


def _median_over_sectors(maps):
    return quantile_of_known(np.moveaxis(maps, 2, -1), 0.5)


def _every_second(maps):
    """Means of every second direction and those beside it, (n, 3, sectors / 2, r)."""
    known = np.isfinite(maps).astype(float)
    light = _with_those_beside(np.nan_to_num(maps))
    count = _with_those_beside(known)
    mean = np.where(count > LEAST_BESIDE, light / np.maximum(count, 1e-9), np.nan)
    return mean[:, :, ::2]


def _with_those_beside(maps):
    both = np.roll(maps, 1, axis=2) + np.roll(maps, -1, axis=2)
    return maps + BESIDE_SHARE * both


def _interleaved(of_sectors):
    """The same with a direction between each and the next, (sectors, r)."""
    some = np.array(of_sectors)
    result = np.empty((2 * len(some), some.shape[1]))
    result[::2] = some
    result[1::2] = (some + np.roll(some, -1, axis=0)) / 2
    return result


def _shown_share(sectors, change):
    """How much of what all stars tell is told of each direction and ring, (sectors, r): next to
    bright stars, where they drown, a disc may have any light or none."""
    weight = 1 / change
    known = np.isfinite(sectors) * weight[:, None, None]
    return known.sum(axis=0) / weight.sum()


# --- nebula -----------------------------------------------------------------------------


def _waves(maps):
    """What goes twice and thrice round stars, (n, 3, 4, r), as strong as what goes round evenly in
    pixels that have nothing to do with each other."""
    angle = np.arange(maps.shape[2]) * 2 * np.pi / maps.shape[2]
    waves = [wave(times * angle) for times in TIMES_ROUND for wave in (np.cos, np.sin)]
    known = np.isfinite(maps)
    off = np.where(known, maps - _median_over_sectors(maps)[:, :, None], 0)
    total = np.einsum("ncsr,ms->ncmr", off, np.sqrt(2) * np.array(waves))
    return total / np.maximum(known.sum(axis=2), 1)[:, :, None]


def _change(profiles):
    """Mean square of what profiles, (n, 3, m, r), change by over `LAG_PX`, (n, 3)."""
    change = profiles[..., LAG_PX:] - profiles[..., :-LAG_PX]
    return np.maximum(np.mean(change**2, axis=(2, 3)), 1e-40)


def _pooled(profiles):
    """Covariance of profiles that change as much, (r, r)."""
    even = profiles / np.sqrt(_change(profiles))[..., None, None]
    flat = np.clip(even.reshape(-1, even.shape[-1]), -MOST_SIGMA, MOST_SIGMA)
    pooled = flat.T @ flat / len(flat)
    return pooled + LEAST_ROUGH * np.eye(len(pooled))


# --- falls of light ---------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _RingsOfStars:
    """Rings of some stars in a channel, (n, r), how much nebula changes there, (n,), and how it
    goes with radius, (r, r)."""

    level: NDArray
    change: NDArray
    roughness: NDArray


@dataclass(frozen=True, eq=False)
class _Falls:
    """Falls of light from each ring to the next, the largest, and the light, with its error."""

    falls: NDArray
    largest: float
    light: NDArray
    error: NDArray


def _solved_falls(rings: _RingsOfStars, expected: _Falls | None, rounds: int) -> _Falls:
    """Falls that suit the stars, near those expected."""
    count = rings.level.shape[1]
    inwards = np.triu(np.ones((count, count)))  # light is the sum of the falls beyond
    prior = expected.falls if expected else np.zeros(count)
    largest = expected.largest if expected else _largest_fall(rings.level)
    least = (LEAST_SECTOR_FALL if expected else LEAST_FALL) * largest
    spread = np.full(count, largest)
    falls = prior
    for turn in range(rounds):
        told = _told_of_falls(rings, inwards @ falls, inwards, first=turn == 0)
        normal = told[0] + np.diag(spread**-2)
        variance = np.linalg.inv(normal)
        falls = variance @ (told[1] + prior * spread**-2)
        off = np.abs(falls - prior)
        # a rim is blunt: what is next to a sure fall may fall as well
        spread = np.clip(ndimage.maximum_filter1d(off, 3) / SURE_FALL, least, largest)
        if turn == rounds - 2:
            sure = off > SURELY_FALL * np.sqrt(np.diag(variance))
            wide = ndimage.binary_dilation(sure, iterations=BLUNT_RINGS)
            spread = np.where(wide, WIDEST_FALL * largest, least)
            spread[_beyond_rim(inwards, falls, variance)] = LEAST_FALL * least
    error = np.sqrt(np.diag(inwards @ variance @ inwards.T))
    return _Falls(falls, largest, inwards @ falls, error)


def _beyond_rim(inwards, falls, variance) -> slice:
    """Rings beyond which no light shows: there is no disc, and nothing falls."""
    error = np.sqrt(np.diag(inwards @ variance @ inwards.T))
    shown = np.flatnonzero(inwards @ falls > error)
    last = shown[-1] if len(shown) else len(falls)
    return slice(last + BLUNT_RINGS + 1, None)


def _scaled(rings: _RingsOfStars, told: _Falls) -> _Falls:
    """The same times what suits the stars best: where falls are held to be small, sums of them are
    too small."""
    match = 0.0
    power = 0.0
    for level, change in zip(rings.level, rings.change, strict=True):
        known, trust = _trust(level, EVEN_OVER_WAVES * change * rings.roughness)
        if known is None:
            continue
        light = told.light[known]
        weight = _weight_of_star(level[known] - light, trust)
        match += weight * (light @ trust @ level[known])
        power += weight * (light @ trust @ light)
    factor = float(np.clip(match / max(power, 1e-300), *HELD_DOWN))
    return _Falls(factor * told.falls, told.largest, factor * told.light, told.error)


def _largest_fall(level):
    """The largest change over some pixels that the brightest stars agree about."""
    change = level[:, LAG_PX + 1 :] - level[:, : -LAG_PX - 1]
    middle = quantile_of_known(change[:5].T, 0.5)
    known = middle[np.isfinite(middle)]
    return max(float(np.abs(known).max(initial=0)), 1e-30)


def _told_of_falls(rings: _RingsOfStars, light, inwards, first: bool):
    """Normal matrix and right side of what all stars tell."""
    own = _own_errors(light)
    normal = np.zeros_like(own)
    right = np.zeros(len(light))
    for level, change in zip(rings.level, rings.change, strict=True):
        covariance = EVEN_OVER_WAVES * change * rings.roughness + own
        known, trust = _trust(level, covariance)
        if known is None:
            continue
        weight = 1.0 if first else _weight_of_star(level[known] - light[known], trust)
        through = weight * inwards[known].T @ trust
        normal += through @ inwards[known]
        right += through @ level[known]
    return normal, right


def _own_errors(light):
    """Covariance of what a star's disc may differ by from the law."""
    rim = OFF_RIM_PX * np.abs(np.gradient(light))
    place = np.arange(len(light))
    alike = np.exp(-np.abs(place[:, None] - place) / CORRELATED_PX)
    return np.outer(rim, rim) * alike + OWN_SHARE**2 * np.outer(light, light)


def _trust(level, covariance):
    """Which rings are known, and the inverse of their covariance, whatever the sky; None where too
    few are."""
    known = np.isfinite(level)
    if np.count_nonzero(known) < FEWEST_RINGS:
        return None, None
    inverse = np.linalg.inv(covariance[np.ix_(known, known)])
    even = inverse.sum(axis=1)
    return known, inverse - np.outer(even, even) / even.sum()


def _weight_of_star(off, trust):
    """What a star counts that is so far off, as of Student's t."""
    chi2 = off @ trust @ off / max(len(off) - 1, 1)
    return (TAIL_FREEDOM + 1) / (TAIL_FREEDOM + chi2)
