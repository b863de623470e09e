"""The wings of the profile, from the brightest stars that are not clipped.

They are light of their own beside the core: of one that falls as a Gaussian nothing is left to
multiply a few widths out, and yet lenses and filters leave a tenth of the light there. They are the
sum of Gaussians and Moffat profiles of several widths, none below 0, so that they fall outwards.
They are believed where the stars agree upon them. The rings are ellipses where the stars are.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.spatial import cKDTree

from ..robust import scatter
from .psf import Psf, moffat, over_pixels, with_light
from .warp import longest, warped

WING_STARS, FEWEST_FOR_WINGS = 60, 3
WING_FWHM, WING_RINGS = (1.2, 20.0), 15  # where wings are looked for
ALONE_FWHM = 2.0  # nearer to another star, pixels tell nothing
AMOUNT_FWHM = 1.0  # radius of the pixels that tell how much of the core a star is
SIGMAS_FWHM = np.geomspace(0.85, 2.4, 4)  # of the Gaussians
AUREOLES_FWHM, AUREOLE_BETA = (2.0, 4.0), 3.0  # of the Moffat profiles
RING_UNREST = 1.0  # nebula lifts or lowers a whole ring by about the scatter of its pixels
FEWEST_PIXELS = 8
CORE_DOUBT = 0.3  # share of its light in a ring by which the core may be another than supposed
OWN_WINGS = 0.15  # share of its wings by which each star may have others: none outshines all
WING_ROUNDS, WING_LINEAR_FROM = 6, 1.5  # errors from which a ring counts less
SURE_WING, LIKELY_WING = 3.0, 2.0  # errors, the second where another channel is sure
# so many times the core's light in some ring: less is told as factors on it (`wing_solve`), which
# know nebula from wings better
BEYOND_CORE = 3.0
KNOTS_FWHM = np.geomspace(0.3, WING_FWHM[1], 72)  # between which the profile is interpolated
TAIL_FWHM = 10.0  # from here on the slope of the light is that beyond all rings


@dataclass(frozen=True, eq=False, kw_only=True)
class Sources:
    """All the stars of a channel.

    Attributes
    ----------
    x_px, y_px : ndarray, (n,)
    warp : ndarray, (n, 3)
    """

    x_px: NDArray
    y_px: NDArray
    warp: NDArray


@dataclass(frozen=True, eq=False, kw_only=True)
class _RingLevels:
    """What rings round n stars show.

    Attributes
    ----------
    level, error : ndarray, (n, rings)
        Median of the pixels, and what it may be wrong by; NaN and infinite where there are few.
    amount : ndarray, (n, 1)
        How much of the core's profile each star is.
    """

    level: NDArray
    error: NDArray
    amount: NDArray


@dataclass(frozen=True, eq=False, kw_only=True)
class ToldWings:
    """What the bright stars of a channel tell of its wings.

    Attributes
    ----------
    share : ndarray, (parts,)
        Light of each part of them against the core's; 0 of those that the stars are not sure of.
    rings : _RingLevels
    core : ndarray, (rings,)
        Light of the core.
    parts : ndarray, (rings, parts)
        Light of what wings may be the sum of.
    """

    share: NDArray
    rings: _RingLevels
    core: NDArray
    parts: NDArray

    def added_to(self, psf: Psf) -> Psf:
        """The profile with these wings, or as it was given where they do not outshine the core."""
        beyond = (self.parts @ self.share > BEYOND_CORE * self.core).any()
        return _with_shares(psf, self.share) if beyond else psf

    def as_others(self, others: Sequence["ToldWings"]) -> "ToldWings":
        """The same with wings of another channel, where the stars tell none here and do not speak
        against those."""
        if self.share.any() or len(self.rings.level) < FEWEST_FOR_WINGS:
            return self
        for other in others:
            part = (self.parts @ other.share)[:, None]
            amount, sureness = _part_shares(self.rings, self.core, part)
            off = np.abs(1 - 1 / amount) if amount > 0 else np.inf
            if sureness > LIKELY_WING and sureness * off < LIKELY_WING:
                return replace(self, share=other.share)
        return self


def told_wings(psf: Psf, plane: NDArray, stars: Sources, bright: NDArray[np.intp]) -> ToldWings:
    """What bright stars of a channel tell.

    Parameters
    ----------
    psf : Psf
        With its table.
    plane : ndarray, (y, x)
    stars : Sources
        All of them: the others' cores are left out.
    bright : ndarray, (m,)
        Rows of the brightest unclipped stars; the first `WING_STARS` are used.
    """
    edges = psf.fwhm_px * np.geomspace(*WING_FWHM, WING_RINGS + 1)
    radius = np.sqrt((edges[1:] ** 2 + edges[:-1] ** 2) / 2)  # half of the pixels lie beyond
    rings = _rings_of(psf, plane, stars, bright[:WING_STARS], edges)
    core = over_pixels(radius, 0.0, psf.fwhm_px, psf.beta)
    parts = _wing_parts(radius, psf.fwhm_px)
    share = _sure_shares(rings, core, parts)
    return ToldWings(share=share, rings=rings, core=core, parts=parts)


def _wing_parts(radius_px: NDArray, fwhm_px: float) -> NDArray:
    """What wings may be the sum of, each of unit light, at some radii, (radii, parts)."""
    sigma = SIGMAS_FWHM * fwhm_px
    height = 1 / (2 * np.pi * sigma**2)
    ending = height * np.exp(-0.5 * (radius_px[:, None] / sigma) ** 2)
    going_on = [moffat(radius_px**2, width * fwhm_px, AUREOLE_BETA) for width in AUREOLES_FWHM]
    return np.column_stack([ending, *going_on])


def _with_shares(psf: Psf, share: NDArray) -> Psf:
    """The profile and parts with these shares of its light."""
    knots = KNOTS_FWHM * psf.fwhm_px
    wings = _wing_parts(knots, psf.fwhm_px) @ share
    light = psf.at_radius(knots) / psf.scale + wings
    return with_light(psf, knots, light, TAIL_FWHM * psf.fwhm_px)


# --- what the stars say -----------------------------------------------------------------


def _sure_shares(rings: _RingLevels, core: NDArray, light: NDArray) -> NDArray:
    """Light of each part against the core's; 0 of those that the stars are not sure of."""
    kept = np.full(light.shape[1], len(rings.level) >= FEWEST_FOR_WINGS)
    share = np.zeros(len(kept))
    while kept.any():
        share[:] = 0
        share[kept], sureness = _part_shares(rings, core, light[:, kept])
        if sureness.min() > SURE_WING:
            return share
        # what is 0 goes at once, of the others the least sure one
        unsure = sureness <= max(0.0, float(sureness.min()))
        kept[np.flatnonzero(kept)[unsure]] = False
    return np.zeros(len(kept))


def _part_shares(rings: _RingLevels, core: NDArray, light: NDArray) -> tuple[NDArray, NDArray]:
    """Light of each part against the core's, and how many errors it is.

    Each star's sky is its own. A ring that is far off counts less, as one with nebula is.
    """
    known = np.isfinite(rings.level)
    beyond = np.where(known, rings.level, 0) - rings.amount * core
    share = np.zeros(light.shape[1])
    chi = np.zeros(known.shape)
    for _ in range(WING_ROUNDS):
        doubt = rings.amount * np.hypot(CORE_DOUBT * core, OWN_WINGS * (light @ share))
        trust = known / (rings.error**2 + doubt**2)
        weight = trust * np.minimum(1, WING_LINEAR_FROM / np.maximum(chi, 1e-9))
        values = _less_sky(beyond, weight)
        parts = np.stack([_less_sky(rings.amount * part, weight) for part in light.T], axis=-1)
        root = np.sqrt(weight)
        design = (parts * root[..., None]).reshape(-1, len(share))
        share, _ = nnls(design, (values * root).ravel())
        left = values - parts @ share
        chi = np.abs(left) * np.sqrt(trust)
    return share, _jackknifed(parts, left, weight, share)


def _jackknifed(parts, left, weight, share) -> NDArray:
    """Each share in errors that it would have if another star were missing every time (the
    jackknife of Tukey 1958): what nebula lifts goes on over many rings of one star."""
    say = (weight[..., None] * parts**2).sum(axis=1)
    off = (weight[..., None] * parts * left[..., None]).sum(axis=1)
    without = (off.sum(axis=0) - off) / np.maximum(say.sum(axis=0) - say, 1e-30)
    stars = len(say)
    spread = np.sqrt((stars - 1) * without.var(axis=0))
    return share / np.maximum(spread, 1e-30)


def _less_sky(values: NDArray, weight: NDArray) -> NDArray:
    """Values of the rings of each star less their mean."""
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-30)
    return values - (weight * values).sum(axis=1, keepdims=True) / total


# --- rings ------------------------------------------------------------------------------


def _rings_of(psf, plane, stars: Sources, bright, edges) -> _RingLevels:
    """The rings between edges round some stars."""
    tree = cKDTree(np.column_stack([stars.x_px, stars.y_px]))
    found = [_ring_levels(psf, plane, stars, star, tree, edges) for star in bright]
    level, error = np.moveaxis(np.reshape(found, (-1, 2, len(edges) - 1)), 1, 0)
    amount = [
        _amount_of_core(psf, plane, tree.data[star], stars.warp[star], _outermost(of_star))
        for star, of_star in zip(bright, level, strict=True)
    ]
    return _RingLevels(level=level, error=error, amount=np.array(amount)[:, None])


def _outermost(level: NDArray) -> float:
    """The outermost ring that is known."""
    known = level[np.isfinite(level)]
    return float(known[-1]) if len(known) else 0.0


def _amount_of_core(psf, plane, at, warp, sky: float) -> float:
    """How much of the profile a star is, from its innermost pixels."""
    radius_px = AMOUNT_FWHM * psf.fwhm_px
    cut, x, y = _cut_by_place(plane, at, int(2 * radius_px) + 1)
    dx, dy = np.broadcast_arrays(x - at[0], y - at[1])
    near = np.isfinite(cut) & (_own_radius(dx, dy, warp) < radius_px)
    own = psf(np.float32(dx[near]), np.float32(dy[near]), warp) / psf.scale
    square = float((own**2).sum())
    return max(0.0, float(own @ (cut[near] - sky))) / max(square, 1e-30)


def _own_radius(dx_px, dy_px, warp):
    """Distance of pixels from a star as in the middling one."""
    u, v, _ = warped(dx_px, dy_px, warp)
    return np.hypot(u, v)


def _ring_levels(psf, plane, stars, star, tree, edges):
    """Median of the pixels in each ring round a star, other stars' cores left out, and what it may
    be wrong by."""
    at = tree.data[star]
    warp = stars.warp[star]
    reach_px = edges[-1] * longest(warp)
    cut, x, y = _cut_by_place(plane, at, int(reach_px) + 1)
    radius = _own_radius(x - at[0], y - at[1], warp)
    ring = np.digitize(radius, edges).astype(np.int16) - 1
    ring[np.isnan(cut)] = -1
    others = set(tree.query_ball_point(at, reach_px)) - {star}
    for place in tree.data[list(others)]:
        _leave_out(ring, x, y, place, ALONE_FWHM * psf.fwhm_px)
    return _levels(psf, cut.ravel(), ring.ravel(), radius.ravel(), len(edges) - 1)


def _leave_out(ring, x, y, at, radius_px) -> None:
    """Take the pixels near a place out of all rings, in place."""
    half = int(radius_px) + 1
    rows = _pixels_near(round(float(at[1])) - int(y[0, 0]), half)
    columns = _pixels_near(round(float(at[0])) - int(x[0, 0]), half)
    away = np.hypot(x[:, columns] - at[0], y[rows] - at[1])
    ring[rows, columns][away < radius_px] = -1


def _pixels_near(middle: int, half: int) -> slice:
    """Pixels about one, from the first on."""
    return slice(max(0, middle - half), max(0, middle + half + 1))


def _cut_by_place(plane, at, half):
    """The part of a plane round a place, and the columns and rows of its pixels."""
    left = max(0, round(float(at[0])) - half)
    top = max(0, round(float(at[1])) - half)
    cut = plane[top : top + 2 * half + 1, left : left + 2 * half + 1]
    y, x = np.ogrid[top : top + cut.shape[0], left : left + cut.shape[1]]
    return cut, x, y


def _levels(psf, values, ring, radius, count):
    """Median of each ring and what it may be wrong by, from its pixels and their radii."""
    level, error = np.full(count, np.nan), np.full(count, np.inf)
    inside = np.flatnonzero((ring >= 0) & (ring < count))
    # ring after ring, so that each is a slice
    inside = inside[np.argsort(ring[inside], kind="stable")]
    own = psf.smooth(radius[inside].astype(np.float32), np.float32(0))
    ends = np.searchsorted(ring[inside], np.arange(count + 1))
    for k, (first, end) in enumerate(pairwise(ends)):
        if end - first >= FEWEST_PIXELS:
            here = values[inside[first:end]]
            level[k] = np.median(here)
            spread = _unrest(here, own[first:end])
            error[k] = spread * (1.25 / np.sqrt(end - first) + RING_UNREST) + 1e-12
    return level, error


def _unrest(values, profile):
    """Scatter of the pixels of a ring, the star's own fall from the inner to the outer ones taken
    out."""
    slope, level = profile - profile.mean(), values - values.mean()
    left = level - slope * (values * slope).sum() / np.maximum((slope**2).sum(), 1e-30)
    return scatter(left)
