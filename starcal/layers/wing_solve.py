"""The wings measured again, on what is left round bright stars when all stars are taken out.

One linear solve for all stars: what a ring holds is a share of the star's own light there, common
to the stars; a sky of the star's own; and what its flux is wrong by, which is anything for a
clipped star and little for the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ..cores import done_in_threads, in_threads
from ..robust import scatter, scatter_about_zero
from .light import Channel, Rest, StarModel, rests_of
from .lopsided import Round, common_waves, waves_at, with_waves
from .psf import Psf, with_factors
from .warp import longest, warped

RING_STARS = 40  # the brightest
RING_FWHM, RINGS = (2.0, 16.0), 11
FEWEST_RING_PIXELS = 12
FIRST_SD, STEP_SD = (
    0.03,
    0.12,
)  # of the first ring's share about 0, and of each about the one before
FLUX_SD, CLIPPED_FLUX_SD = 0.01, 1.0  # of a star's flux, as a share
NEBULA_SHARE = 0.35  # of the scatter of a ring's pixels: nebula lifts the whole ring by as much
SKY_SCATTER = 1.5  # skies are held to each other by so many times what they scatter
STEP_ROUNDS, SURE_STEP = 6, 1.5  # in which larger steps are let be, if they are so sure
SOLVES, LINEAR_FROM = 4, 1.5  # rounds, and errors from which a ring counts less
ROUNDING = 1e-13  # keeps the equations positive: more than the sums of some 500 rows err by
FACTORS = (0.3, 30.0)  # that a ring may be changed by
CORE_SHARE = 0.85  # of the innermost ring's radius: nearer the star the profile stays


@dataclass(frozen=True, eq=False)
class SolvedWings:
    """Wings that leave nothing round the bright stars of a channel.

    Attributes
    ----------
    held : Psf
        Round, and no steeper from ring to ring than usual optics: reflections are not among them.
    free : Psf
        As the stars ask for: steeper where they are sure of it, and on one side.
    apart : float
        Largest share by which the light of a ring is another in the second.
    """

    held: Psf
    free: Psf
    apart: float


def solved_wings(
    channels: Sequence[Channel], model: StarModel, clear_px: Sequence[NDArray]
) -> list[SolvedWings]:
    """The profiles of a model with wings that leave nothing round the bright stars of each channel.

    Parameters
    ----------
    channels : sequence of Channel
        All of the model.
    model : StarModel
        Of all stars; the scale of its profiles stays as it is.
    clear_px : sequence of ndarray, (n,)
        For each channel, the radius beyond which each star has no clipped pixel; 0 for unclipped
        ones.

    Returns
    -------
    list of SolvedWings
    """
    left = _LeftRound(channels, model)
    bright = [_brightest(model, channel) for channel in channels]
    done_in_threads(left.draw, np.unique(np.concatenate(bright)).tolist())

    def wings(channel: Channel) -> SolvedWings:
        of_channel = bright[channel.index], clear_px[channel.index]
        return _wings_of_channel(channel, *of_channel, left)

    return list(in_threads(wings, channels))


class _LeftRound:
    """What is left round bright stars when all are taken out: stars are bright in all channels, and
    are drawn in all of them at once."""

    def __init__(self, channels: Sequence[Channel], model: StarModel):
        self.channels = channels
        self.model = model
        farthest_px = RING_FWHM[1] * max((psf.fwhm_px for psf in model.psf), default=0.0)
        reach = farthest_px * longest(model.warp).max(axis=0, initial=1.0)
        self.half = np.ceil(reach).astype(int)
        self.known: dict[int, list[Rest]] = {}

    def draw(self, star: int) -> None:
        """Take all stars out of what lies round one of them."""
        window, _, _ = self._window(star)
        self.known[star] = list(rests_of(self.model, self.channels, window))

    def of(self, star: int, channel: int) -> tuple[Rest, NDArray, NDArray]:
        """What is left in a channel round a star that was drawn, and the offsets of its pixels."""
        _, dx, dy = self._window(star)
        return self.known[star][channel], dx, dy

    def _window(self, star: int):
        """Rows and columns round a star, and the offsets of their pixels."""
        at = self.model.x_px[star], self.model.y_px[star]
        return _window_at(self.channels[0].plane.shape, *at, int(self.half[star]))


def _wings_of_channel(
    channel: Channel, bright: NDArray[np.intp], clear_px: NDArray, left: _LeftRound
) -> SolvedWings:
    """The profile of one channel with its wings solved for."""
    model = left.model
    psf = model.psf[channel.index]
    if len(bright) == 0:
        return SolvedWings(psf, psf, 0.0)
    edges = psf.fwhm_px * np.geomspace(*RING_FWHM, RINGS + 1)
    rings = [_rings_left(left, channel.index, star, edges, clear_px[star]) for star in bright]
    density = model.flux[channel.index][bright] * _density(model, channel.index, bright)
    flux_sd = np.where(clear_px[bright] > 0, CLIPPED_FLUX_SD, FLUX_SD)
    radius = np.sqrt((edges[1:] ** 2 + edges[:-1] ** 2) / 2)
    return _with_wings_of(psf, radius, rings, density, flux_sd)


def _brightest(model: StarModel, channel: Channel) -> NDArray[np.intp]:
    """The stars that tell of wings, the brightest first."""
    flux = model.flux[channel.index]
    bright = np.argsort(flux)[::-1][:RING_STARS]
    return bright[(flux[bright] > 0) & (model.reach_px[bright] > 0)]


def _with_wings_of(psf: Psf, radius, rings: list["_Rings"], density, flux_sd) -> SolvedWings:
    """The profile with the wings that the rings of bright stars tell."""
    level = np.array([of_star.level for of_star in rings])
    error = np.array([of_star.error for of_star in rings])
    light = np.outer(density, psf.at_radius(radius))
    held = np.clip(1 + _common_share(level, error, light, flux_sd, rounds=1), *FACTORS)
    free = np.clip(1 + _common_share(level, error, light, flux_sd), *FACTORS)
    waves = _common_waves(rings) / free[:, None]
    apart = max(float(np.abs(free / held - 1).max()), float(np.abs(waves).max()))
    knots = np.append(CORE_SHARE * radius[0], radius)
    steeper = with_factors(psf, knots, np.append(1.0, free))
    uneven = with_waves(steeper, radius, waves, CORE_SHARE * radius[0])
    return SolvedWings(with_factors(psf, knots, np.append(1.0, held)), uneven, apart)


@dataclass(frozen=True, eq=False)
class _Rings:
    """What is left round a star: median of each ring and what it may be wrong by, NaN and infinite
    where the ring shows too little, and what goes round the star."""

    level: NDArray
    error: NDArray
    rounds: list[Round | None]


def _common_waves(rings: list[_Rings]) -> NDArray:
    """What goes round all stars, in each ring, (rings, waves). A lens does so from the star
    outwards: beyond a ring in which there is none it is nebula."""
    of_rings = zip(*(of_star.rounds for of_star in rings), strict=True)
    waves = np.array([common_waves([r for r in ring if r is not None]) for ring in of_rings])
    shown = waves.any(axis=1)
    shown[0] = True  # the nearest has few pixels
    return waves * np.cumprod(shown)[:, None]


def _density(model, channel, stars):
    """What the light of each star is denser by than that of the middling one, as the stars."""
    warp = model.warp[channel][stars]
    return warp[..., 0] * warp[..., 2] - warp[..., 1] ** 2


def _rings_left(left, channel, star, edges, clear_px) -> _Rings:
    """What is left in each ring round a star."""
    model = left.model
    psf, warp = model.psf[channel], model.warp[channel][star]
    rest, dx, dy = left.of(int(star), channel)
    radius, turn = _polar_places(psf, dx, dy, warp)
    ring = np.digitize(radius, edges) - 1
    ring[~rest.known | (np.hypot(dx, dy) < clear_px)] = -1
    inside = np.flatnonzero((ring >= 0) & (ring < len(edges) - 1))
    # ring after ring, so that each is a slice
    inside = inside[np.argsort(ring.ravel()[inside], kind="stable")]
    density = model.flux[channel][star] * _density(model, channel, star)
    own = density * psf.at_radius(radius.ravel()[inside])
    waves = waves_at(turn.ravel()[inside])
    values = rest.values.ravel()[inside]
    ends = np.searchsorted(ring.ravel()[inside], np.arange(len(edges)))
    told = []
    for first, end in pairwise(ends):
        here = slice(first, end)
        told.append(_told_of_ring(values[here], own[here], waves[here]))
    level, error, rounds = zip(*told, strict=True)
    return _Rings(np.array(level), np.array(error), list(rounds))


def _polar_places(psf: Psf, dx_px, dy_px, warp):
    """Radius and angle of offsets from a star, as in the middling one."""
    u, v, _ = warped(dx_px - psf.shift_px[0], dy_px - psf.shift_px[1], warp)
    return np.hypot(u, v), np.arctan2(v, u)


def _told_of_ring(values, own, waves) -> tuple[float, float, Round | None]:
    """Median of a ring, what it may be wrong by, and what goes round it, from what is left in its
    pixels, the star's light there and the waves at their angles."""
    if len(values) < FEWEST_RING_PIXELS:
        return np.nan, np.inf, None
    level = float(np.median(values))
    spread = float(scatter_about_zero(values - level)) + 1e-12
    error = spread * (1.25 / np.sqrt(len(values)) + NEBULA_SHARE)
    return level, error, Round.of_waves(values - level, own, waves)


def _window_at(shape, x_px, y_px, half):
    """Rows and columns round a place, and the offsets of their pixels."""
    x, y = round(float(x_px)), round(float(y_px))
    rows = slice(max(0, y - half), min(shape[0], y + half + 1))
    columns = slice(max(0, x - half), min(shape[1], x + half + 1))
    down, across = np.ogrid[rows, columns]
    return (rows, columns), across - x_px, down - y_px


def _common_share(level, error, light, flux_sd, rounds=STEP_ROUNDS):
    """What the light in each ring is to be changed by, as a share, (rings,).

    More light in all rings as their sky falls is no change, were skies free; so after a first solve
    they are held to each other as far as they differ. A step from ring to ring that the stars ask
    for against what is expected is expected to be larger in the next round: one that is twice
    `SURE_STEP` errors is believed in the end (there are optics with a fifth of the light in a
    halo), a lesser one stays held.
    """
    usual_sd = np.full(level.shape[1], STEP_SD)
    usual_sd[0] = FIRST_SD
    step_sd = usual_sd
    for _ in range(rounds):
        equations = _all_equations(level, error, light, flux_sd, step_sd)
        share = _share_of_held_skies(level.shape, equations)
        before, found = step_sd, np.abs(np.diff(share, prepend=0.0))
        step_sd = np.maximum(usual_sd, found / SURE_STEP)
        if np.allclose(step_sd, before, rtol=0.1):
            break
    return share


def _share_of_held_skies(shape, equations):
    """Shares that solve the equations, the skies of the stars held to each other, (rings,)."""
    stars, rings = shape
    design, values, trust = equations
    skies = _robust_solution(*equations, stars * rings)[rings : rings + stars]
    apart = max(float(scatter(skies)), 1e-12)
    held = np.eye(stars, design.shape[1], k=rings)
    design = np.concatenate([held, design])
    values = np.concatenate([np.full(stars, np.median(skies)), values])
    trust = np.concatenate([np.full(stars, (SKY_SCATTER * apart) ** -2), trust])
    return _robust_solution(design, values, trust, stars + stars * rings)[:rings]


def _robust_solution(design, values, trust, questioned):
    """Least squares in which the first rows may be far off: those count less the further."""
    weight = trust
    for _ in range(SOLVES):
        scaled = design * weight[:, None]
        best = _normal_solution(scaled.T @ design, scaled.T @ values)
        chi = np.abs(values - design @ best) * np.sqrt(trust)
        chi[questioned:] = 0  # what is expected of shares and fluxes
        weight = trust * np.minimum(1, LINEAR_FROM / np.maximum(chi, 1e-9))
    return best


def _normal_solution(normal: NDArray, right: NDArray) -> NDArray:
    """Solution of normal equations, each unknown in a unit of its own; 0 where nothing is told."""
    diagonal = np.diag(normal)
    unit = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    even = normal / np.outer(unit, unit)
    np.fill_diagonal(even, 1 + ROUNDING)
    return linalg.solve(even, right / unit, assume_a="pos") / unit


def _all_equations(level, error, light, flux_sd, step_sd):
    """Design, values and inverse variances: a row a ring of a star, then what is expected."""
    stars, rings = level.shape
    unknowns = rings + 2 * stars
    known = np.isfinite(level)
    star, ring = np.divmod(np.arange(stars * rings), rings)
    design = np.zeros((stars * rings, unknowns))
    rows = np.arange(stars * rings)
    design[rows, ring] = light.ravel()
    design[rows, rings + star] = 1
    design[rows, rings + stars + star] = light.ravel()
    expected = np.zeros((rings + stars, unknowns))
    expected[np.arange(rings), np.arange(rings)] = 1
    expected[np.arange(1, rings), np.arange(rings - 1)] = -1
    expected[rings + np.arange(stars), rings + stars + np.arange(stars)] = 1
    spread = np.concatenate([step_sd, flux_sd])
    trust = np.where(known, error**-2.0, 0).ravel()
    values = np.concatenate([np.nan_to_num(level).ravel(), np.zeros(rings + stars)])
    return (
        np.concatenate([design, expected]),
        values,
        np.concatenate([trust, spread**-2]),
    )
