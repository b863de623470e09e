"""The core of the profile: what the stars of a channel differ from a Moffat profile by, star upon
star, each warped back to the middling star."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix, diags
from scipy.sparse.linalg import cg

from ..robust import SIGMA_PER_DEVIATION, scatter_about_zero
from .psf import TABLE_STEP, Psf, moffat, over_pixels
from .stamps import disc_offsets, stamps_at
from .warp import longest, warped

CORE_FWHM = 2.5  # radius that the core is measured on, and of its table
MOST_CORE_STARS = 150
# a cell of the table is expected to be about these shares of the profile, and of its peak
TABLE_PRIOR = (0.2, 0.002)
OUTLIER = 5.0  # errors
OWN_ERROR = 0.01  # share of its own light that a pixel may be wrong by


def with_core(
    psf: Psf, plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, warp: np.ndarray
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
    """
    best = slice(MOST_CORE_STARS)
    stamps = _CoreStamps.cut(psf, plane, x_px[best], y_px[best], warp[best])
    if len(stamps.values) == 0:
        return psf
    return _with_table(psf, stamps)


def _with_table(psf, stamps) -> Psf:
    """The profile with the table that these stars tell."""
    half = int(np.ceil(CORE_FWHM / TABLE_STEP)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1] * TABLE_STEP * psf.fwhm_px
    light = moffat(x**2 + y**2, psf.fwhm_px, psf.beta)
    summed = over_pixels(x, y, psf.fwhm_px, psf.beta).ravel() - light.ravel()
    prior = TABLE_PRIOR[0] * light + TABLE_PRIOR[1] * light.max()
    cells, left = _fitted_table(psf, stamps, half, summed, prior.ravel())
    table = cells.reshape(x.shape) * _fade(np.hypot(x, y), psf.fwhm_px)
    return replace(
        psf,
        table=table.astype(np.float32),
        stars=len(stamps.values),
        residual=float(scatter_about_zero(left) / light.max()),
    )


def _fade(radius_px, fwhm_px):
    """1 inside, falling to 0 at the rim of the table."""
    return np.clip((1 - radius_px / (CORE_FWHM * fwhm_px)) / 0.2, 0, 1)


def _fitted_table(psf, stamps, half, summed, prior):
    """Cells of the table, and what they leave of the stars' pixels; both for unit flux."""
    design = _bilinear(stamps.u, stamps.v, half, TABLE_STEP * psf.fwhm_px)
    radius = np.hypot(stamps.u, stamps.v)
    wing = stamps.shrunk * psf.wing_at(stamps.u, stamps.v, radius)
    design = design.multiply(wing.ravel()[:, None]).tocsr()
    profile = wing * moffat(radius**2, psf.fwhm_px, psf.beta)
    residual, error = stamps.less(profile + (design @ summed).reshape(profile.shape))
    cells = _solved_cells(design, residual, error, prior)
    left = residual.ravel() - design @ cells
    return summed + cells, left[stamps.inside.ravel()]


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
        reach_px = CORE_FWHM * psf.fwhm_px
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
    0 where the stars say little."""
    weight = (np.abs(residual) < OUTLIER * error) / error**2
    weighted = design.multiply(weight.ravel()[:, None]).tocsr()
    normal = design.T @ weighted + diags(1 / prior**2)
    right = weighted.T @ residual.ravel()
    precondition = diags(1 / normal.diagonal())
    return cg(normal, right, rtol=1e-5, maxiter=200, M=precondition)[0]


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
