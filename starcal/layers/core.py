"""The core of the profile: what the stars of a channel differ from a Moffat profile by, star upon
star, each warped back to the middling star.

Unclipped stars tell its middle; the brightest, whose middle is clipped, tell its outskirts
(`rims`), which are their own rim and where everything that is left round them shows.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix, vstack
from scipy.sparse.linalg import LinearOperator, cg

from ..robust import SIGMA_PER_DEVIATION, scatter_about_zero, square_round
from .psf import TABLE_STEP, Psf, moffat, over_pixels
from .rims import OWN_ERROR, Rims
from .stamps import disc_offsets, stamps_at
from .warp import longest, warped

CORE_FWHM = 2.5  # radius of the table
SKY_FWHM = 3.2  # of the pixels: those beyond the table tell its sky from its rim
MOST_CORE_STARS = 150
# a cell of the table is expected to be about these shares of the profile, and of its peak
TABLE_PRIOR = (0.2, 0.002)
# of the width: what the profile differs by has no finer structure. Seeing smooths all of it, with
# 0.42 of the width if it were seeing alone; half of that is left to optics that are as sharp
SMOOTH_FWHM = 0.2
OUTLIER = 5.0  # errors, of what the table may hold among them before it is known
TABLE_ROUNDS = 2


def with_core(
    psf: Psf,
    plane: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    warp: np.ndarray,
    rims: Rims | None = None,
) -> Psf:
    """The same Moffat profile and wings with the table measured on stars.

    Parameters
    ----------
    psf : Psf
    plane : ndarray, (y, x)
        NaN counts for nothing.
    x_px, y_px : ndarray, (n,)
        Unsaturated stars with no near neighbour, the best first; `MOST_CORE_STARS` are used.
    warp : ndarray, (n, 3)
        Of each star.
    rims : Rims, optional
        What clipped stars show of the profile.
    """
    best = slice(MOST_CORE_STARS)
    stamps = _CoreStamps.cut(psf, plane, x_px[best], y_px[best], warp[best])
    if len(stamps.values) == 0:
        return psf
    return _with_table(psf, stamps, rims)


def _with_table(psf, stamps, rims) -> Psf:
    """The profile with the table that these stars tell."""
    half = int(np.ceil(CORE_FWHM / TABLE_STEP)) + 1
    y, x = square_round(half) * TABLE_STEP * psf.fwhm_px
    light = moffat(x**2 + y**2, psf.fwhm_px, psf.beta)
    summed = over_pixels(x, y, psf.fwhm_px, psf.beta).ravel() - light.ravel()
    prior = (TABLE_PRIOR[0] * light + TABLE_PRIOR[1] * light.max()).ravel()
    told = _told_of_table(psf, stamps, half, summed)
    rows = [told] if rims is None else [told, _told_of_table(psf, rims, half, summed)]
    more = _solved_cells(
        vstack([row.design for row in rows]).tocsr(),
        np.concatenate([row.residual for row in rows]),
        np.concatenate([row.error for row in rows]),
        prior,
    )
    left = told.residual - told.design @ more
    table = (summed + more).reshape(x.shape) * _fade(np.hypot(x, y), psf.fwhm_px)
    return replace(
        psf,
        table=table.astype(np.float32),
        stars=len(stamps.values),
        residual=float(scatter_about_zero(left[stamps.inside.ravel()]) / light.max()),
    )


def _fade(radius_px, fwhm_px):
    """1 inside, falling to 0 at the rim of the table."""
    return np.clip((1 - radius_px / (CORE_FWHM * fwhm_px)) / 0.2, 0, 1)


@dataclass(frozen=True, eq=False)
class _ToldOfTable:
    """What pixels tell of the table: (pixels, cells), what they differ by from the profile that is
    summed over pixels, for unit flux, and its error."""

    design: csr_matrix
    residual: np.ndarray
    error: np.ndarray


def _told_of_table(psf, stamps, half, summed) -> _ToldOfTable:
    """What the pixels of some stars tell of the table; beyond it they tell of their sky alone."""
    design = _bilinear(stamps.u, stamps.v, half, TABLE_STEP * psf.fwhm_px)
    radius = np.hypot(stamps.u, stamps.v)
    held = stamps.shrunk * (radius <= CORE_FWHM * psf.fwhm_px)
    design = design.multiply(held.ravel()[:, None]).tocsr()
    wing = stamps.shrunk * psf.wing_at(stamps.u, stamps.v, radius)
    profile = wing * moffat(radius**2, psf.fwhm_px, psf.beta)
    residual, error = stamps.less(profile + (design @ summed).reshape(profile.shape))
    return _ToldOfTable(design, residual.ravel(), error.ravel())


@dataclass(frozen=True, eq=False, kw_only=True)
class _CoreStamps:
    """Pixels of n stars, (n, P), and where they are in the middling star's profile."""

    values: np.ndarray
    u: np.ndarray
    v: np.ndarray
    shrunk: np.ndarray
    inside: np.ndarray
    basis: np.ndarray

    @classmethod
    def cut(cls, psf, plane, x_px, y_px, warp):
        reach_px = SKY_FWHM * psf.fwhm_px
        offsets = disc_offsets(reach_px * float(longest(warp).max(initial=1.0)))
        values, dx, dy = stamps_at(plane, x_px, y_px, offsets)
        u, v, shrunk = warped(dx - psf.shift_px[0], dy - psf.shift_px[1], warp[:, None, :])
        within = np.hypot(u, v) <= reach_px
        inside = within & np.isfinite(values)
        whole = inside.sum(axis=1) > 0.95 * within.sum(axis=1)
        shrunk = np.broadcast_to(shrunk, u.shape)
        return cls(
            values=np.nan_to_num(values[whole]).astype(float),
            u=u[whole],
            v=v[whole],
            shrunk=shrunk[whole].astype(float),
            inside=inside[whole],
            basis=np.stack([np.ones(len(offsets[0])), *offsets], axis=1) / reach_px,
        )

    def less(self, expected):
        """What is left of each pixel without the expected profile and the star's sky, and its
        error, both for a star of unit flux."""
        best = self._flux_and_sky(expected)
        flux = np.maximum(best[:, :1], 1e-30)
        residual = (self.values - best[:, 1:] @ self.basis.T) / flux - expected
        error = np.hypot(self._unrest() / flux, OWN_ERROR * expected) + 1e-12
        return residual, np.where(self.inside, error, np.inf)

    def _flux_and_sky(self, expected):
        """How much of the expected profile each star is, and its plane of sky, (n, 4)."""
        basis = np.broadcast_to(self.basis, (*self.values.shape, 3))
        columns = (
            np.concatenate([expected[:, :, None], basis], axis=2) * self.inside[:, :, None]
        )
        across = np.swapaxes(columns, 1, 2)
        normal = across @ columns
        right = across @ self.values[:, :, None]
        best = np.linalg.pinv(normal, rcond=1e-12, hermitian=True) @ right
        return best[:, :, 0]

    def _unrest(self):
        """Scatter of the pixels at each star's rim about their median, (n, 1): slopes count, as
        uneven ground is wrong by the same sign over many pixels."""
        radius = np.hypot(self.u, self.v)
        rim = self.inside & (radius > 0.8 * radius.max(where=self.inside, initial=0))
        values = np.where(rim, self.values, np.nan)
        level = np.nanmedian(values, axis=1, keepdims=True)
        return SIGMA_PER_DEVIATION * np.nanmedian(np.abs(values - level), axis=1, keepdims=True)


def _solved_cells(design, residual, error, prior):
    """Least squares for what the table differs by from the profile's sum over pixels; held towards
    0, and to smooth structure, where the stars say little.

    The cells are prior * G z with z of unit variance (Rasmussen & Williams 2006, eq. 2.10) and G
    the smoothing of `_smooth_cells`, so that each cell has its prior and neighbours go together.
    """
    more = np.zeros(len(prior))
    allowed = np.hypot(error, design @ prior)
    for _ in range(TABLE_ROUNDS):
        sure = np.abs(residual - design @ more) < OUTLIER * allowed
        more = _held_cells(design, residual, sure / error**2, prior)
        allowed = error
    return more


def _held_cells(design, residual, weight, prior):
    """See `_solved_cells`: the same for given weights of the pixels."""
    normal = (design.T @ design.multiply(weight[:, None]).tocsr()).tocsr()
    right = prior * (design.T @ (weight * residual))

    def equation(z):
        return z + _smooth_cells(prior * (normal @ (prior * _smooth_cells(z))))

    size = len(prior)
    operator = LinearOperator((size, size), matvec=equation, dtype=float)
    return prior * _smooth_cells(cg(operator, _smooth_cells(right), rtol=1e-5, maxiter=300)[0])


def _smooth_cells(cells):
    """White noise of a square table, flat, made as smooth as profiles are, of unit variance."""
    side = round(len(cells) ** 0.5)
    along = _cell_smoothing(side)
    return (along @ cells.reshape(side, side) @ along).ravel()


@cache
def _cell_smoothing(side):
    """A Gaussian of `SMOOTH_FWHM` about each of so many cells in a row, each of unit power."""
    apart = np.subtract.outer(np.arange(side), np.arange(side))
    sigma = SMOOTH_FWHM / TABLE_STEP
    weight = np.exp(-0.5 * (apart / sigma) ** 2)
    return weight / np.sqrt((weight[side // 2] ** 2).sum())


def _corner_shares(size, a, b):
    """How many cells further the four about each offset lie, and the share of each."""
    return (
        (0, (1 - a) * (1 - b)),
        (1, a * (1 - b)),
        (size, (1 - a) * b),
        (size + 1, a * b),
    )


def _bilinear(u_px, v_px, half, step_px):
    """Sparse matrix that reads a table of cells at offsets; (offsets, cells)."""
    size = 2 * half + 1
    i, a = _cell_and_share(u_px, half, step_px)
    j, b = _cell_and_share(v_px, half, step_px)
    pixels = np.arange(len(i))
    first = j * size + i
    total = csr_matrix((len(i), size**2))
    for further, share in _corner_shares(size, a, b):
        part = coo_matrix((share, (pixels, first + further)), shape=total.shape)
        total = total + part.tocsr()
    return total


def _cell_and_share(offset_px, half, step_px):
    """Cell before each offset along one axis, and how far it is on the way to the next, 0 to 1."""
    place = offset_px.ravel() / step_px + half
    cell = np.clip(place.astype(int), 0, 2 * half - 1)
    return cell, np.clip(place - cell, 0, 1)
