"""How the growth of light differs over the frame and with the colour of stars.

Channels whose stars widen unlike each other towards the edges, as of a tilted or curved field, have
other shares of their light within a narrow aperture in one corner than in another. Demosaicing
sharpens each channel by the others, so that it moves light of red stars into the cores of one, and
of blue stars into those of another. What lies just beyond the aperture is seen on every clean star,
and a tilt, a bowl, and a change with colour of that, drawn to nothing as far as stars leave them
open, are taken out of the light that gains rest on.
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
COLOUR = 3  # which of the terms it is
USUAL_WITH_COLOUR = 0.1  # of what lies between two radii, ln, with ln of red or blue over green


@dataclass(frozen=True, eq=False)
class Traits:
    """What the growth of stars' light may go with.

    Attributes
    ----------
    place : ndarray, shape (n, 2)
        From the middle, as shares of the frame's width and height.
    narrow : ndarray, shape (3, n)
        Light within `FIT_RADIUS_WIDTHS`.
    """

    place: NDArray
    narrow: NDArray

    def terms(self, channel: int) -> NDArray:
        """Along x, along y, the square of the distance from the middle, 0.5 at the corners, and the
        colour, NaN without light, (n, 4)."""
        light = np.where(self.narrow > 0, self.narrow, np.nan)
        colour = np.log(light[channel] / light[GREEN])
        return np.column_stack([self.place, np.sum(self.place**2, axis=1), colour])


@dataclass(frozen=True, eq=False)
class FieldGrowth:
    """How the growth of red and of blue light against green differs from star to star between two
    radii.

    Attributes
    ----------
    of_channels : tuple
        How that of R and of B changes; empty where too few stars tell it.
    """

    of_channels: tuple["_Change", ...] = ()

    def factors(self, asked: Traits) -> NDArray:
        """What the light of m stars has to be multiplied with to be as in the mean of all of them,
        (3, m); 1 for green."""
        factors = np.ones((3, len(asked.place)))
        for channel, change in zip(RED_BLUE, self.of_channels, strict=False):
            factors[channel] = np.exp(change.at(asked.terms(channel)))
        return factors

    def error_ln(self, colours_ln: NDArray) -> NDArray:
        """Errors of these factors of R and B, (2,), for a star of some colours, ln of its R and B
        over G, by what is open of how the growth goes with colour."""
        errors = np.zeros(len(RED_BLUE))
        for index, change in enumerate(self.of_channels):
            away_ln = abs(colours_ln[index] - change.middle[COLOUR])
            errors[index] = change.colour_error * away_ln
        return errors


def growth_over_field(
    flux: NDArray,
    noise: NDArray,
    neighbours: NDArray,
    traits: Traits,
    between_widths: tuple[float, float],
) -> FieldGrowth:
    """How the growth of light differs over the frame and with colour, by what stars show.

    Parameters
    ----------
    flux : ndarray, shape (3, 8, n)
        Of clean stars within each of `RADII_WIDTHS`.
    noise : ndarray, shape (n,)
        Relative, in the worst channel, within `FIT_RADIUS_WIDTHS`.
    neighbours : ndarray, shape (8, n)
        Light of other stars near each radius, as a share of the star's.
    traits : Traits
        Of these n stars.
    between_widths : pair of float
        The radii, of `RADII_WIDTHS`, between which light is followed; the wider one one of
        `USUAL_CHANGE_LN`.

    Returns
    -------
    FieldGrowth
    """
    inner, outer = [RADII_WIDTHS.index(radius) for radius in between_widths]
    sigma = noise * between_widths[1] ** NOISE_POWER
    good = _lit(flux[:, [inner, outer]]) & (traits.narrow > 0).all(axis=0)
    good &= sigma < MOST_STEP_NOISE
    good &= neighbours[outer] < NEIGHBOUR_SHARE
    if good.sum() < FEWEST_FIELD_STARS:
        return FieldGrowth()
    grown = np.log(flux[:, outer, good] / flux[:, inner, good])
    usual_ln = USUAL_CHANGE_LN[between_widths[1]]
    changes = []
    for channel in RED_BLUE:
        more = grown[channel] - grown[GREEN]
        terms = traits.terms(channel)[good]
        changes.append(_Change.through(terms, more, sigma[good], usual_ln))
    return FieldGrowth(tuple(changes))


def _lit(light: NDArray) -> NDArray:
    """Which stars shine at both radii in all channels, (n,)."""
    return (np.nan_to_num(light) > 0).all(axis=(0, 1))


@dataclass(frozen=True, eq=False)
class _Change:
    """How much each term counts, (4,), the terms in the mean of the stars, (4,), and the error of
    how much the colour does."""

    with_terms: NDArray
    middle: NDArray
    colour_error: float

    @classmethod
    def through(
        cls, terms: NDArray, values: NDArray, noise: NDArray, usual_ln: float
    ) -> "_Change":
        """Through what stars tell, without odd ones, drawn to 0."""
        sigma = np.hypot(noise, STAR_SCATTER)
        design = np.column_stack([terms, np.ones(len(terms))])
        usual = np.array([*usual_ln * USUAL_TERMS, USUAL_WITH_COLOUR, np.inf])
        known = np.diag(usual**-2.0)
        kept, scale = np.ones(len(values), bool), 1.0
        for _ in range(ODD_ROUNDS):
            weight = kept / (scale * sigma) ** 2
            weighted = design * weight[:, None]
            covariance = np.linalg.inv(weighted.T @ design + known)
            found = covariance @ (weighted.T @ values)
            left = np.abs(values - design @ found) / sigma
            scale = _least_half(SIGMA_PER_DEVIATION * float(np.median(left[kept])))
            kept = left < ODD_SIGMAS * scale
        count = np.count_nonzero(kept)
        covariance *= count / max(count - len(usual), 1)  # residuals of a fit are too small
        middle = np.average(terms, axis=0, weights=weight)
        colour_variance = float(covariance[COLOUR, COLOUR])
        return cls(found[:-1], middle, np.sqrt(colour_variance))

    def at(self, terms: NDArray) -> NDArray:
        """What stars have more than the mean star, ln, (m,); nothing of what is not known."""
        return np.nan_to_num(terms - self.middle) @ self.with_terms


def _least_half(scale: float) -> float:
    """So that stars that happen to agree condemn no other."""
    return max(scale, 0.5)
