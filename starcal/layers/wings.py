"""The wings of the profile, from the brightest stars: what rings round them hold beyond the core's
Moffat profile. The rings are ellipses where the stars are."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..robust import scatter
from .psf import SHALLOWEST_WING, Psf
from .warp import longest, warped

WING_STARS = 40
WING_FWHM = (2.0, 20.0)  # where the wing's profile is measured
WING_BINS = 10
WING_PRIOR = (
    0.3  # each ring is expected to differ from what the one before promises by this share
)
# a star must stand out this far in a ring, in errors of the ring, to tell of wings
WING_SIGNAL = 5.0
RING_UNREST = 1.0  # nebula lifts or lowers a whole ring by about the scatter of its pixels
FEWEST_PIXELS = 8
WING_ROUNDS = 8
FACTOR_STEP = (0.6, 2.0)  # of a ring's factor against that of the ring within


@dataclass(frozen=True, eq=False, kw_only=True)
class Sources:
    """All the stars of a channel.

    Attributes
    ----------
    x_px, y_px : ndarray, (n,)
    warp : ndarray, (n, 3)
    clear_px : ndarray, (n,)
        Radius beyond which a star has no clipped pixel; 0 for unsaturated ones.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    warp: np.ndarray
    clear_px: np.ndarray


def with_wings(psf: Psf, plane: np.ndarray, stars: Sources, bright: np.ndarray) -> Psf:
    """The same core with wings measured on the brightest stars of the channel.

    Parameters
    ----------
    psf : Psf
    plane : ndarray, (y, x)
    stars : Sources
        All of them: the others' cores are left out.
    bright : ndarray, (m,)
        Indices of the brightest stars, saturated ones among them; the first `WING_STARS` are used.
    """
    bright = bright[:WING_STARS]
    if len(bright) == 0:
        return psf
    edges = psf.fwhm_px * np.geomspace(*WING_FWHM, WING_BINS + 1)
    tree = cKDTree(np.column_stack([stars.x_px, stars.y_px]))
    rings = [_ring_levels(psf, plane, stars, star, tree, edges) for star in bright]
    level, error = np.moveaxis(rings, 1, 0)
    usable = _usable(level, error, edges, stars.clear_px[bright, None])
    if not usable.any():
        return psf
    return _with_rings(psf, edges, np.nan_to_num(level), np.where(usable, error**-2.0, 0))


def _usable(level, error, edges, blind_px):
    """Rings that tell of wings: with data, beyond the clipped pixels, of stars that show, (m,
    rings)."""
    usable = np.isfinite(level) & (edges[:-1] > blind_px)
    usable &= _showing(np.where(usable, level, np.nan), error)[:, None]
    return usable


def _with_rings(psf, edges, level, weight) -> Psf:
    """The profile with the wings that these levels of rings tell."""
    radius = np.sqrt(
        (edges[1:] ** 2 + edges[:-1] ** 2) / 2
    )  # half of a ring's pixels lie beyond
    core = psf.at_radius(radius)
    factor = _wing_factors(level, weight, core)
    light = np.log(core * factor)
    slope = np.polyfit(np.log(radius[-4:]), light[-4:], 1)[0]
    return replace(
        psf,
        wing_radius_px=radius,
        wing_factor=factor,
        wing_slope=float(min(slope, SHALLOWEST_WING)),
    )


def _showing(level, error):
    """Stars whose wings stand out of the unrest of the sky in some ring; the others would only add
    what biases them."""
    sky = np.nan_to_num(level[:, -1], nan=np.inf)[:, None]
    contrast = np.nan_to_num((level - sky) / error, nan=-1.0, neginf=-1.0)
    return (contrast > WING_SIGNAL).any(axis=1)


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
    ring = np.digitize(radius, edges) - 1
    others = set(tree.query_ball_point(at, reach_px)) - {star}
    for place in tree.data[list(others)]:
        ring[_disc(x, y, place, edges[0])] = -1
    return _levels(cut, ring, psf.at_radius(radius), len(edges) - 1)


def _cut_by_place(plane, at, half):
    """The part of a plane round a place, and the columns and rows of its pixels."""
    left = max(0, round(float(at[0])) - half)
    top = max(0, round(float(at[1])) - half)
    cut = plane[top : top + 2 * half + 1, left : left + 2 * half + 1]
    y, x = np.ogrid[top : top + cut.shape[0], left : left + cut.shape[1]]
    return cut, x, y


def _disc(x, y, at, radius_px):
    """Which pixels are nearer to a place than a radius."""
    return np.hypot(x - at[0], y - at[1]) < radius_px


def _levels(cut, ring, profile, count):
    level, error = np.full(count, np.nan), np.full(count, np.inf)
    for k in range(count):
        use = (ring == k) & np.isfinite(cut)
        if use.sum() >= FEWEST_PIXELS:
            level[k] = np.median(cut[use])
            spread = _unrest(cut[use], profile[use])
            error[k] = spread * (1.25 / np.sqrt(use.sum()) + RING_UNREST) + 1e-12
    return level, error


def _unrest(values, profile):
    """Scatter of the pixels of a ring, the star's own fall from the inner to the outer ones taken
    out."""
    slope, level = profile - profile.mean(), values - values.mean()
    left = level - slope * (values * slope).sum() / np.maximum((slope**2).sum(), 1e-30)
    return scatter(left)


def _wing_factors(level, weight, profile):
    """Factors on the profile that make level = flux * profile * factor + sky hold for all stars.

    Alternating least squares; the first ring's factor is 1 and each next is expected to be like the
    one before, give or take `WING_PRIOR`, so that rings in which no star shows follow those in
    which stars do.
    """
    factor = np.ones(len(profile))
    for _ in range(WING_ROUNDS):
        flux, sky = _flux_and_sky(level, weight, profile * factor)
        light = (weight * flux * (level - sky)).sum(axis=0)
        precision = (weight * flux**2).sum(axis=0)
        for k in range(1, len(factor)):
            factor[k] = _next_factor(factor[k - 1], profile[k], light[k], precision[k])
    return factor


def _next_factor(within, profile, light, precision):
    """Factor of a ring, from what stars show in it and from the factor of the ring within."""
    expected = profile * within
    trust = (WING_PRIOR * expected) ** -2
    best = (light + expected * trust) / (precision + trust) / profile
    return np.clip(best, FACTOR_STEP[0] * within, FACTOR_STEP[1] * within)


def _flux_and_sky(level, weight, shape):
    """Of each star, (m, 1), for a given profile."""
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-30)
    mean = (weight * shape).sum(axis=1, keepdims=True) / total
    centred = shape - mean
    spread = (weight * centred**2).sum(axis=1, keepdims=True)
    flux = (weight * centred * level).sum(axis=1, keepdims=True) / np.maximum(spread, 1e-30)
    flux = np.maximum(flux, 0)
    return flux, (weight * level).sum(axis=1, keepdims=True) / total - flux * mean
