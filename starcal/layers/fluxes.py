"""How much light each star has: all stars of a channel fitted at once, neighbours sharing the
pixels between them."""

from dataclasses import dataclass, fields

import numpy as np
from scipy.sparse import coo_matrix, csc_matrix, diags
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import spsolve
from scipy.spatial import cKDTree

from ..cores import in_threads
from .bends import BendingSky, reach_on_rough_sky, taken_out
from .psf import Psf
from .stamps import disc_offsets, stamps_at
from .warp import longest, warped

FIT_FWHM = 2.5  # radius of the pixels that a star's light is fitted on
MODEL_ERROR = (
    0.02  # share of a pixel's star light that the model may be wrong by, in the weights
)
GROUP_STARS = 400  # of a group whose equations are solved at a time; clumps stay whole
LEAST_ALONE = 0.05  # of what is known of a star's light, however near others are
LARGEST_STEP = 0.3  # of a FWHM: how far the joint fit may move a star


@dataclass(frozen=True, eq=False, kw_only=True)
class FluxFit:
    """Light of the stars in one channel.

    Attributes
    ----------
    flux, error : ndarray, (n,)
        Units of full scale times pixels; not below 0.
    dx_px, dy_px : ndarray, (n,)
        Where the light is, against the positions given.
    misfit : ndarray, (n,)
        What the star differs from the model by beyond noise, as a share of its own light.
    """

    flux: np.ndarray
    error: np.ndarray
    dx_px: np.ndarray
    dy_px: np.ndarray
    misfit: np.ndarray


def fit_fluxes(
    plane: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    psf: Psf,
    guess: np.ndarray,
    *,
    warp: np.ndarray,
    sky: float,
    noise: float,
    electrons_per_unit: float,
    radius_px: float | None = None,
    moving: bool = False,
    roughness: np.ndarray | None = None,
) -> FluxFit:
    """Fit the fluxes of all stars of a channel together, each over its own plane of sky.

    Parameters
    ----------
    plane : ndarray, (y, x)
        NaN counts for nothing: no data, or clipped.
    x_px, y_px : ndarray, (n,)
    psf : Psf
    guess : ndarray, (n,)
        Rough fluxes; they weigh the pixels, and bound how far a star may move.
    warp : ndarray, (n, 3)
        How the profile differs at each star.
    sky, noise, electrons_per_unit : float
        Of a dark pixel, and what photon noise follows from.
    radius_px : float
        Of the pixels that a star of the middling profile is fitted on; by default `FIT_FWHM` times
        the FWHM.
    moving : bool
        Whether positions are fitted as well.
    roughness : ndarray, (n,), optional
        Of the sky near each star, see `bends.roughness_near`; the sky may then bend as well.
    """
    radius_px = radius_px or FIT_FWHM * psf.fwhm_px
    guess = np.maximum(np.nan_to_num(guess), 0)
    offsets = disc_offsets(radius_px * float(longest(warp).max(initial=1.0)))
    stars = _FittedStars(
        x_px=x_px,
        y_px=y_px,
        guess=guess,
        warp=warp,
        pairs=_pairs(x_px, y_px, np.hypot(*offsets).max()),
        roughness=np.zeros(len(x_px)) if roughness is None else roughness,
    )
    pixels = _Pixels(
        plane=plane,
        sky=sky,
        noise=noise,
        electrons_per_unit=electrons_per_unit,
        offsets=offsets,
        radius_px=radius_px,
    )
    groups = stars.groups()
    fits = list(in_threads(lambda some: _fitted_together(pixels, some, psf, moving), groups))
    return _in_order(fits, np.concatenate([some.row for some in groups]))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Pixels:
    """A plane, its noise, and which pixels round each star are fitted; see `fit_fluxes`."""

    plane: np.ndarray
    sky: float
    noise: float
    electrons_per_unit: float
    offsets: tuple[np.ndarray, np.ndarray]
    radius_px: float


@dataclass(frozen=True, eq=False, kw_only=True)
class _FittedStars:
    """Stars that are fitted together: places, rough fluxes, warps, ordered pairs of those whose
    discs touch, (2, p), how rough their sky is, and their rows among all."""

    x_px: np.ndarray
    y_px: np.ndarray
    guess: np.ndarray
    warp: np.ndarray
    pairs: np.ndarray
    roughness: np.ndarray
    row: np.ndarray | None = None

    def groups(self) -> list["_FittedStars"]:
        """Parts that have nothing to do with each other, of about `GROUP_STARS` where stars do not
        hang together: their equations fit the cache."""
        n = len(self.guess)
        links = coo_matrix((np.ones(len(self.pairs[0]), bool), tuple(self.pairs)), (n, n))
        _, clump = connected_components(links, directed=False)
        order = np.argsort(clump, kind="stable")
        first = np.searchsorted(clump[order], clump)  # stars in the clumps before
        group = first // GROUP_STARS
        return [self._part(order[group[order] == one], group) for one in np.unique(group)]

    def _part(self, rows: np.ndarray, group: np.ndarray) -> "_FittedStars":
        """Some rows, which hold all of their group."""
        place = np.empty(len(group), int)
        place[rows] = np.arange(len(rows))
        own = group[self.pairs[0]] == group[rows[0]]
        return _FittedStars(
            x_px=self.x_px[rows],
            y_px=self.y_px[rows],
            guess=self.guess[rows],
            warp=self.warp[rows],
            pairs=place[self.pairs[:, own]],
            roughness=self.roughness[rows],
            row=rows,
        )


def _in_order(fits: list[FluxFit], row: np.ndarray) -> FluxFit:
    """One fit of several, whose stars have these rows."""
    order = np.argsort(row)
    return FluxFit(
        **{
            field.name: np.concatenate([getattr(fit, field.name) for fit in fits])[order]
            for field in fields(FluxFit)
        }
    )


def _fitted_together(pixels: _Pixels, stars: _FittedStars, psf: Psf, moving: bool) -> FluxFit:
    """Light of some stars, fitted at once."""
    offsets, warp = pixels.offsets, stars.warp
    places = stars.x_px, stars.y_px
    values, dx, dy = stamps_at(pixels.plane, *places, offsets)
    own = _profiles_of_star(psf, dx, dy, warp[:, None, :], moving)
    near = _light_of_neighbours(psf, places, (dx, dy), warp, stars.pairs, moving)
    light = _rough_light(stars, own[0], near[0])
    variance = _variance(values, light, pixels)
    reach_px = reach_on_rough_sky(stars.roughness, psf.fwhm_px, pixels.noise, pixels.radius_px)
    within = _within_footprint(dx, dy, warp, reach_px)
    root = _reciprocal_errors(values, variance, within)
    sky = BendingSky.of(offsets, stars.roughness)
    design, data, strength = _equations(values, root, sky, stars.pairs, own, near)
    step_px = LARGEST_STEP / 3 * psf.fwhm_px
    thinkable = step_px * np.maximum(stars.guess, 10 * pixels.noise)
    return _fitted_light((design, data, strength), own[0] * root, thinkable, 3 * step_px)


def _rough_light(stars: _FittedStars, own, near):
    """Rough light of each star and its neighbours on its patch, (n, P)."""
    light = stars.guess[:, None] * own
    patch, star = stars.pairs
    np.add.at(light, patch, stars.guess[star][:, None] * near)
    return np.maximum(light, 0)


def _fitted_light(equations, model, thinkable, largest_px) -> FluxFit:
    """Light and steps that solve the equations, and what they leave; ``model`` is each star's
    profile in units of its pixels' errors."""
    design, data, strength = equations
    solution, normal = _solve_fluxes(design, data, thinkable)
    flux = np.maximum(solution[0], 0)
    left = (data - design @ solution.ravel()).reshape(model.shape)
    steps_px = _steps_px(solution, flux, largest_px)
    return FluxFit(
        flux=flux,
        error=_errors_beside_others(normal, strength),
        dx_px=steps_px[0],
        dy_px=steps_px[1],
        misfit=_misfit_share(left, model, flux),
    )


def _reciprocal_errors(values, variance, within):
    """What each pixel is multiplied by, (n, P) float32; 0 where it tells nothing."""
    usable = np.isfinite(values) & within
    return np.where(usable, variance**-0.5, 0).astype(np.float32)


def _variance(values, light, pixels: _Pixels):
    """Of every pixel, (n, P): readout and sky, photons of star and nebula, what the model is wrong
    by."""
    shining = light + _nebula_light(values, pixels.sky)
    return variance_of(pixels.noise, shining / pixels.electrons_per_unit, light)


def variance_of(noise: float, photons: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Variance of pixels: readout and sky, photons, and what the model is wrong by.

    Parameters
    ----------
    noise : float
        Of a pixel of sky.
    photons : ndarray
        Their variance.
    light : ndarray
        Of the stars, as the model has it, 0 or more.

    Returns
    -------
    ndarray
    """
    return noise**2 + photons + (MODEL_ERROR * light) ** 2


def _within_footprint(dx, dy, warp, radius_px):
    """Pixels whose offset, seen in the middling star, is within a radius (n,) and a pixel."""
    u, v, _ = warped(dx, dy, warp[:, None, :])
    return np.hypot(u, v) <= radius_px[:, None] + 1


def _equations(values, root, sky, pairs, own, near):
    """Sparse design and data of all patches, in units of their errors, skies taken out; and what
    the pixels of its own patch tell of each star, (n,)."""
    flatten = _flattener(sky, root)
    everyone = np.arange(len(values))
    patches = np.append(everyone, pairs[0])
    stamps = [
        flatten(np.concatenate([mine, theirs]), patches)
        for mine, theirs in zip(own, near, strict=True)
    ]
    design = _flux_design(patches, np.append(everyone, pairs[1]), root.shape, stamps)
    strength = np.sum(stamps[0][: len(values)] ** 2, axis=1, dtype=float)
    return design, flatten(np.nan_to_num(values), everyone).ravel(), strength


def _light_of_neighbours(psf, places, offsets, warp, pairs, moving):
    """Profiles of other stars on the patch of each star that they reach, as `_profiles_of_star`."""
    patch, star = pairs
    (x_px, y_px), (dx, dy) = places, offsets
    beside_x = dx[patch] + rounded_offset(x_px, patch, star)[:, None]
    beside_y = dy[patch] + rounded_offset(y_px, patch, star)[:, None]
    return _profiles_of_star(psf, beside_x, beside_y, warp[star][:, None, :], moving)


def _steps_px(solution, flux, largest_px):
    """How far each star is to move in x and in y; 0 if positions were not fitted."""
    if len(solution) == 1:
        return np.zeros((2, len(flux)))
    steps = solution[1:] / np.maximum(flux, 1e-30)
    return np.clip(steps, -largest_px, largest_px) * (flux > 0)


def _nebula_light(values: np.ndarray, sky: float) -> np.ndarray:
    """How far the level round each star is above the dark sky, (n, 1)."""
    low = np.sort(np.where(np.isfinite(values), values, np.inf), axis=1)[
        :, values.shape[1] // 3
    ]
    return np.where(np.isfinite(low), np.maximum(low - sky, 0), 0)[:, None]


def rounded_offset(at_px: np.ndarray, patch: np.ndarray, star: np.ndarray) -> np.ndarray:
    """What to add to offsets from one star to get offsets from another."""
    return (at_px[patch] - at_px[star]).astype(np.float32)


def _pairs(x_px, y_px, radius_px):
    """Ordered pairs of different stars whose discs touch: whose patch, whose light."""
    pairs = cKDTree(np.column_stack([x_px, y_px])).query_pairs(
        2 * radius_px, output_type="ndarray"
    )
    return np.concatenate([pairs, pairs[:, ::-1]]).T


def _profiles_of_star(psf, dx, dy, warp, moving):
    """The star's light and, where it may move, what a shift by one pixel in x and in y adds to
    it."""
    light = psf(dx, dy, warp)
    if not moving:
        return [light]
    h = np.float32(0.25)
    along_x = (psf(dx - h, dy, warp) - psf(dx + h, dy, warp)) / (2 * h)
    along_y = (psf(dx, dy - h, warp) - psf(dx, dy + h, warp)) / (2 * h)
    return [light, along_x, along_y]


def _flattener(sky: BendingSky, root):
    """Function (stamps, patch) -> stamps in units of their errors, the sky that fits best taken
    out."""
    scaled = sky.basis[None].astype(np.float32) * root[:, :, None]
    normal = np.einsum("npk,npl->nkl", scaled, scaled, dtype=float, optimize=True)
    inverse = taken_out(normal, sky.precision)

    def flatten(stamps, patch):
        stamps = stamps * root[patch]
        sky = np.einsum(
            "nkl,nl->nk", inverse[patch], np.matmul(stamps[:, None, :], scaled[patch])[:, 0]
        )
        return stamps - np.matmul(scaled[patch], sky[:, :, None].astype(np.float32))[:, :, 0]

    return flatten


def _flux_design(patch, star, shape, stamps):
    """Sparse matrix from fluxes (and shifts) to all pixels of all patches, put together column by
    column: a star's light lies in whole patches."""
    n, size = shape
    order = np.lexsort((patch, star))
    rows = (patch[order, None] * size + np.arange(size)).ravel()
    entries = np.tile(np.bincount(star, minlength=n) * size, len(stamps))
    light = np.concatenate([part[order].ravel() for part in stamps]).astype(float)
    return csc_matrix(
        (light, np.tile(rows, len(stamps)), np.append(0, np.cumsum(entries))),
        shape=(n * size, n * len(stamps)),
    )


def _solve_fluxes(design, data, step):
    """Solution, (1 or 3, n), and the normal equations of the fluxes; shifts are held near 0 by what
    is thinkable."""
    normal, n = (design.T @ design).tocsc(), len(step)
    prior = np.concatenate([np.zeros(n), *[1 / step**2] * (design.shape[1] // n - 1)])
    diagonal = normal.diagonal() + prior
    whole = normal + diags(prior + np.where(diagonal > 0, 1e-9 * diagonal, 1.0))
    solution = spsolve(whole, design.T @ data)
    return solution.reshape(-1, n), normal[:n, :n]


def _errors_beside_others(normal, strength):
    """Error of each flux, (n,), the light of the neighbours being unknown as well.

    A pixel counts but once, though it lies in the patches of several stars: what is known of a star
    is what its own patch tells. Of that its neighbours take the share that they take of all.
    """
    diagonal = np.maximum(normal.diagonal(), 1e-30)
    shared = normal.power(2) @ (1 / diagonal) / diagonal - 1
    alone = np.maximum(1 - shared, LEAST_ALONE)
    return 1 / np.sqrt(np.maximum(strength * alone, 1e-30))


def _misfit_share(left, model, flux):
    """Share of a star's light by which it differs from the model, beyond what noise explains; 0
    where it is not seen.

    The residual is in units of error; 2 sigma of what noise alone would do are allowed for.
    """
    strength = (model**2).sum(axis=1)
    use = model**2 > 0.05 * (model**2).max(axis=1, keepdims=True)
    excess = ((left**2 - 1) * use).sum(axis=1) - 2 * np.sqrt(2 * use.sum(axis=1))
    return np.sqrt(np.maximum(excess, 0) / np.maximum(strength * flux**2, 1e-30))
