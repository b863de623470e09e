"""Light of other stars that falls into a star's narrow aperture, told from their own light.

A star with a neighbour need not be left out: what the neighbour adds is taken off, and a share of
it stays as error, so that such a star counts less the more of its light is another's.
"""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree

from .columns import in_channels, places_of
from .flags import Flag

REACH_WIDTHS = 4.0  # of a star's wings
APERTURE_POINTS = 100  # that stand for an aperture
DISTANCE_STEPS = 80  # at which leaks are reckoned; in between they are smooth
# of the Moffat exponent: beyond a core, all profiles have wings, and none has more than 1.5
BETA_LIMITS = (1.5, 10.0)
GOLDEN_ANGLE = 2.39996
# of a neighbour's light in the aperture: profiles from Gaussians to halos differ by so much there
LEAK_ERROR = 0.3
# of a width: so much nearer to each other are two stars seen whose wings run together
DRAWN_TOGETHER_WIDTHS = 0.2
SHARING_ROUNDS = 12  # in which neighbours' light is shared out among them


@dataclass(frozen=True, eq=False)
class Leaks:
    """Light of others in the apertures of n stars, and its error, shape (3, n) each."""

    light: NDArray
    error: NDArray


def leaks_into(
    stars: Table, row: NDArray, radius_px: float, fwhm_px: NDArray, expected_px: float
) -> Leaks:
    """Light of the table's other stars in apertures round some of them.

    Parameters
    ----------
    stars : Table
        Of `measure_stars`.
    row : ndarray of int, shape (n,)
    radius_px : float
        Of the apertures.
    fwhm_px : ndarray, shape (3,)
        Widths of the stars; NaN where not known.
    expected_px : float
        Stands for those.

    Returns
    -------
    Leaks
    """
    width_px = np.where(np.isfinite(fwhm_px), fwhm_px, expected_px)
    seen_px = stars.meta["aperture_px"]
    reach_px = max(radius_px, *seen_px) + REACH_WIDTHS * width_px.max()
    near = _Neighbours.within(places_of(stars), reach_px)
    beta = float(np.clip(stars.meta["moffat_beta"], *BETA_LIMITS))
    unknown = np.where(np.asarray(stars["flags"]) & Flag.SATURATED > 0, 1.0, LEAK_ERROR)
    parts = []
    for channel, seen in enumerate(in_channels(stars)):
        shines = _Shines(near, (width_px[channel], beta), seen_px[channel])
        own = shines.light_by_itself(np.maximum(np.nan_to_num(seen), 0))
        parts.append(shines.into(row, radius_px, own, unknown))
    light, error = np.swapaxes(parts, 0, 1)
    return Leaks(light, error)


@dataclass(frozen=True, eq=False)
class _Neighbours:
    """Pairs of stars near to each other, in both orders, and how far apart, (m,)."""

    star: NDArray
    other: NDArray
    distance_px: NDArray
    count: int

    @classmethod
    def within(cls, place: NDArray, reach_px: float) -> "_Neighbours":
        """All pairs of some places within a reach."""
        if len(place) < 2:
            none = np.empty(0, int)
            return cls(none, none, np.empty(0), len(place))
        pairs = cKDTree(place).query_pairs(reach_px, output_type="ndarray")
        star = np.concatenate([pairs[:, 0], pairs[:, 1]])
        other = np.concatenate([pairs[:, 1], pairs[:, 0]])
        away = place[star] - place[other]
        return cls(star, other, np.hypot(away[:, 0], away[:, 1]), len(place))


@dataclass(frozen=True, eq=False)
class _Shines:
    """Neighbours in one channel: the width and exponent of their profile, and the radius of the
    apertures that their light was seen in."""

    near: _Neighbours
    profile: tuple[float, float]
    seen_px: float

    def into(self, row: NDArray, radius_px: float, light: NDArray, unknown: NDArray):
        """Light of others in apertures round some rows, and its error; ``unknown`` is the share of
        each star's light that its profile leaves open, all of a clipped one's."""
        shares = self.shares(radius_px)[row]
        apart_px = DRAWN_TOGETHER_WIDTHS * self.profile[0]
        moved = (shares - self.shares(radius_px, apart_px)[row]) @ light
        return shares @ light, np.hypot(shares @ (light * unknown), moved)

    def light_by_itself(self, seen: NDArray) -> NDArray:
        """Light of each star, (stars,), from what is seen in apertures that neighbours shine
        into."""
        shares = self.shares(self.seen_px)
        light = seen
        for _ in range(SHARING_ROUNDS):
            total = light + shares @ light
            light = light * np.divide(seen, total, out=np.zeros_like(seen), where=total > 0)
        return light

    def shares(self, radius_px: float, farther_px: float = 0.0) -> csr_matrix:
        """Light of each other star in each star's aperture, (stars, stars), in units of what that
        one shows in its own; as if all were so much farther from each other."""
        distance_px = self.near.distance_px + farther_px
        at = np.linspace(0, distance_px.max(initial=1.0), DISTANCE_STEPS)
        within = _share_within(at, radius_px, *self.profile)
        own = _share_within(np.zeros(1), self.seen_px, *self.profile)[0]
        share = np.interp(distance_px, at, within) / own
        size = (self.near.count, self.near.count)
        return csr_matrix((share, (self.near.star, self.near.other)), shape=size)


def _share_within(distance_px: NDArray, radius_px: float, fwhm_px: float, beta: float):
    """Share of the light of a star of Moffat's profile in an aperture at some distances from it."""
    core = fwhm_px / (2 * np.sqrt(2 ** (1 / beta) - 1))
    number = np.arange(APERTURE_POINTS)
    r = radius_px * np.sqrt((number + 0.5) / APERTURE_POINTS)
    x, y = r * np.cos(number * GOLDEN_ANGLE), r * np.sin(number * GOLDEN_ANGLE)
    away2 = (distance_px[:, None] - x) ** 2 + y**2
    level = (1 + away2 / core**2) ** -beta
    return level.mean(axis=1) * (radius_px / core) ** 2 * (beta - 1)
