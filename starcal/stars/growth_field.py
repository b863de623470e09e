"""How the growth of light differs over the frame: channels whose stars widen unlike each other
towards the edges, as of a tilted or curved field.

A narrow aperture then holds other shares of red, green and blue light in one corner than in
another. What lies just beyond it is seen on every clean star, and a tilt and a bowl of that, drawn
to nothing as far as stars leave them open, are taken out of the light that gains rest on.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..robust import SIGMA_PER_DEVIATION
from .alike import GREEN
from .alike import OTHERS as RED_BLUE
from .apertures import NEIGHBOUR_SHARE, RADII_WIDTHS
from .growth import MOST_STEP_NOISE, NOISE_POWER, STAR_SCATTER

FEWEST_FIELD_STARS = 12
# of what lies between two radii, from edge to edge and from the middle to the corners, in red or
# blue against green: cores differ more than wings do
USUAL_CHANGE_LN = {2.0: 0.05, 3.5: 0.02}
ODD_SIGMAS, ODD_ROUNDS = 4.0, 5
USUAL_TERMS = np.array([1.0, 1.0, 2.0])  # all three from one end to the other


def growth_over_field(
    flux: NDArray,
    noise: NDArray,
    neighbours: NDArray,
    place: NDArray,
    asked: NDArray,
    between_widths: tuple[float, float],
) -> NDArray:
    """What the light of stars has to be multiplied with at their places to be as in the mean of the
    field.

    Parameters
    ----------
    flux : ndarray, shape (3, 8, n)
        Of clean stars within each of `RADII_WIDTHS`.
    noise : ndarray, shape (n,)
        Relative, in the worst channel, within `FIT_RADIUS_WIDTHS`.
    neighbours : ndarray, shape (8, n)
        Light of other stars near each radius, as a share of the star's.
    place : ndarray, shape (n, 2)
        Of these stars from the middle, as shares of the frame's width and height.
    asked : ndarray, shape (m, 2)
        Places of other stars.
    between_widths : pair of float
        The radii, of `RADII_WIDTHS`, between which light is followed; the wider one one of
        `USUAL_CHANGE_LN`.

    Returns
    -------
    ndarray, shape (3, m)
        1 for green, and for all with too few stars.
    """
    inner, outer = [RADII_WIDTHS.index(radius) for radius in between_widths]
    sigma = noise * between_widths[1] ** NOISE_POWER
    good = _lit(flux[:, [inner, outer]]) & (sigma < MOST_STEP_NOISE)
    good &= neighbours[outer] < NEIGHBOUR_SHARE
    factors = np.ones((3, len(asked)))
    if good.sum() < FEWEST_FIELD_STARS:
        return factors
    grown = np.log(flux[:, outer, good] / flux[:, inner, good])
    usual_ln = USUAL_CHANGE_LN[between_widths[1]]
    for channel in RED_BLUE:
        more = grown[channel] - grown[GREEN]
        bowl = _TiltAndBowl.through(place[good], more, sigma[good], usual_ln)
        factors[channel] = np.exp(bowl.at(asked))
    return factors


def _lit(light: NDArray) -> NDArray:
    """Which stars shine at both radii in all channels, (n,)."""
    return (np.nan_to_num(light) > 0).all(axis=(0, 1))


@dataclass(frozen=True, eq=False)
class _TiltAndBowl:
    """How much each term counts, (3,), and the terms in the mean of the stars, (3,)."""

    change: NDArray
    middle: NDArray

    @classmethod
    def through(
        cls, place: NDArray, values: NDArray, noise: NDArray, usual_ln: float
    ) -> "_TiltAndBowl":
        """Through what stars tell, without odd ones, drawn to 0."""
        sigma = np.hypot(noise, STAR_SCATTER)
        design = np.column_stack([_frame_terms(place), np.ones(len(place))])
        known = np.diag([*(usual_ln * USUAL_TERMS) ** -2.0, 0.0])
        kept, scale = np.ones(len(values), bool), 1.0
        for _ in range(ODD_ROUNDS):
            weight = kept / (scale * sigma) ** 2
            weighted = design * weight[:, None]
            found = np.linalg.solve(weighted.T @ design + known, weighted.T @ values)
            left = np.abs(values - design @ found) / sigma
            scale = _least_half(SIGMA_PER_DEVIATION * float(np.median(left[kept])))
            kept = left < ODD_SIGMAS * scale
        return cls(found[:3], np.average(design[:, :3], axis=0, weights=weight))

    def at(self, place: NDArray) -> NDArray:
        """What places have more than the mean star, ln, (m,)."""
        return (_frame_terms(place) - self.middle) @ self.change


def _least_half(scale: float) -> float:
    """So that stars that happen to agree condemn no other."""
    return max(scale, 0.5)


def _frame_terms(place: NDArray) -> NDArray:
    """Along x, along y, and the square of the distance from the middle, 0.5 at the corners."""
    return np.column_stack([place, np.sum(place**2, axis=1)])
