"""B-V from a star's own continuum: its log ratios in this frame, put on the catalogue's scale by
the matched stars.

Narrowband filters see little of a star but its continuum, at two or three wavelengths. That is one
dimension of colour, enough for B-V to 0.1 mag, whichever channel holds which line: the relation is
fitted on the frame's own matched stars.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from ..colour.stellar import BV_RANGE_MAG
from .gains import CLIP_SIGMA, MIN_STARS, intrinsic_scatter

# mag per mag; relations of real stars have 0.4 to 1.3, copied channels need something to hold on to
LINEAR_PRIOR = 2.0
BEND_PRIOR = 0.25  # mag per mag^2: the bend of real stars between 501 and 656 nm is 0.1 to 0.2
INTRINSIC_MAG = 0.09  # scatter of real stars about the relation: 0.08 (7 nm) to 0.11 (3 nm)
EXPLAINED_SHARE = 0.4  # of the variance of B-V, at least: less is no better than one colour for all
RATIO_RANGE_SIGMA = (
    1.0  # how far beyond the fitted stars' range of ratios, in their spread, a star may lie
)
PRIOR_BV_MAG, PRIOR_SPREAD_MAG = 0.75, 0.35  # of field stars, where there is no catalogue


@dataclass(frozen=True, eq=False)
class ContinuumFit:
    """B-V as a gently bent function of rho and beta.

    Attributes
    ----------
    coefficients : ndarray, shape (6,)
        Of 1, r, b, r^2, r b, b^2 with r and b the log ratios less ``centre``.
    covariance : ndarray, shape (6, 6)
        Of the coefficients.
    centre, spread : ndarray, shape (2,)
        Median and scatter of the fitted stars' log ratios, mag.
    intrinsic_mag : float
        Scatter of B-V about the relation beyond photometry and catalogue.
    explained : float
        Share of the variance of B-V among the fitted stars that the relation explains.
    bv_mean, bv_spread : float
        Of the fitted stars, freed of the catalogue's errors.
    used : ndarray of bool, shape (n,)
        False where clipped.
    residual_mag : ndarray, shape (n,)
        Catalogue less relation.
    refused : str
        Why the relation must not be used; empty when it may.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    centre: np.ndarray
    spread: np.ndarray
    intrinsic_mag: float
    explained: float
    bv_mean: float
    bv_spread: float
    used: np.ndarray
    residual_mag: np.ndarray
    refused: str

    def predict(
        self, ratio_mag: np.ndarray, ratio_error_mag: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """B-V and its error for stars of given log ratios, each of shape (2, n); NaN in gives NaN
        out.

        Ratios beyond the fitted stars' are brought back to their range, and the error grows by what
        was cut.
        """
        offset = (ratio_mag - self.centre[:, None]) / self.spread[:, None]
        reach = np.max(np.abs(offset), axis=0)
        limit = _range_of(self.used, self.spread)
        shrink = np.where(reach > limit, limit / np.maximum(reach, 1e-9), 1.0)
        inside = self.centre[:, None] + shrink * (ratio_mag - self.centre[:, None])
        design = _design(inside, self.centre)
        slopes = _slopes(self.coefficients, inside, self.centre)
        variance = (
            np.einsum("ni,ij,nj->n", design, self.covariance, design)
            + self.intrinsic_mag**2
            + np.sum((slopes * ratio_error_mag) ** 2, axis=0)
            + np.sum(slopes * (ratio_mag - inside), axis=0) ** 2
        )
        return np.clip(design @ self.coefficients, *BV_RANGE_MAG), np.sqrt(variance)


def _range_of(used: np.ndarray, spread: np.ndarray) -> float:
    """Largest offset, in spreads, to trust: what so many stars of a normal field reach, and a
    little more."""
    return float(np.sqrt(2 * np.log(max(np.count_nonzero(used), 3))) + RATIO_RANGE_SIGMA)


def _design(ratio_mag: np.ndarray, centre: np.ndarray) -> np.ndarray:
    r, b = ratio_mag - centre[:, None]
    return np.column_stack([np.ones_like(r), r, b, r**2, r * b, b**2])


def _slopes(coefficients: np.ndarray, ratio_mag: np.ndarray, centre: np.ndarray) -> np.ndarray:
    r, b = ratio_mag - centre[:, None]
    _, cr, cb, crr, crb, cbb = coefficients
    return np.array([cr + 2 * crr * r + crb * b, cb + crb * r + 2 * cbb * b])


def fit_continuum(
    ratio_mag: np.ndarray, ratio_error_mag: np.ndarray, bv_mag: np.ndarray, bv_error_mag: np.ndarray
) -> ContinuumFit:
    """Fit B-V of matched stars as a function of their two log ratios, robustly.

    Parameters
    ----------
    ratio_mag, ratio_error_mag : ndarray, shape (2, n)
        rho and beta and their errors, finite.
    bv_mag, bv_error_mag : ndarray, shape (n,)
        Catalogue B-V and the smooth model of its error.

    Returns
    -------
    ContinuumFit
        Look at ``refused`` before using it.

    Raises
    ------
    ValueError
        For fewer than MIN_STARS stars.
    """
    if len(bv_mag) < MIN_STARS:
        raise ValueError(f"{len(bv_mag)} matched stars given, a relation needs {MIN_STARS}")
    centre = np.median(ratio_mag, axis=1)
    spread = np.maximum(1.4826 * np.median(np.abs(ratio_mag - centre[:, None]), axis=1), 0.02)
    design = _design(ratio_mag, centre)
    used, coefficients, intrinsic = np.ones(len(bv_mag), bool), np.zeros(6), 0.15
    coefficients[0] = np.median(bv_mag)
    for _ in range(10):
        slopes = _slopes(coefficients, ratio_mag, centre)
        known = bv_error_mag**2 + np.sum((slopes * ratio_error_mag) ** 2, axis=0)
        sigma = np.sqrt(known + intrinsic**2)
        coefficients = _solve(design[used], bv_mag[used], sigma[used], np.median(bv_mag))
        residual = bv_mag - design @ coefficients
        intrinsic = intrinsic_scatter(residual[used], known[used], intrinsic, INTRINSIC_MAG)
        inlier = np.abs(residual) <= CLIP_SIGMA * sigma
        used = inlier if inlier.sum() >= MIN_STARS else used
    covariance = np.linalg.inv(
        design[used].T @ (design[used] / sigma[used, None] ** 2) + np.diag(_PRIOR**-2)
    )
    return _judged(
        coefficients,
        covariance,
        centre,
        spread,
        intrinsic,
        bv_mag,
        bv_error_mag,
        used,
        residual,
        known,
    )


_PRIOR = np.array([1.0, LINEAR_PRIOR, LINEAR_PRIOR, BEND_PRIOR, BEND_PRIOR, BEND_PRIOR])


def _solve(design: np.ndarray, bv_mag: np.ndarray, sigma: np.ndarray, middle: float) -> np.ndarray:
    """Soft-L1 solution drawn to a field of one colour by the priors."""
    at_rest = np.array([middle, 0, 0, 0, 0, 0])
    matrix = np.vstack([design / sigma[:, None], np.diag(1 / _PRIOR)])
    wanted = np.concatenate([bv_mag / sigma, at_rest / _PRIOR])
    return least_squares(
        lambda c: matrix @ c - wanted, at_rest, lambda _: matrix, loss="soft_l1", f_scale=2.0
    ).x


def _judged(
    coefficients, covariance, centre, spread, intrinsic, bv_mag, bv_error_mag, used, residual, known
):
    noise = np.mean(bv_error_mag[used] ** 2)
    field = max(bv_mag[used].var(ddof=1) - noise, 0.02**2)
    left = max(residual[used].var(ddof=1) * (used.sum() - 1) / max(used.sum() - 3.5, 1) - noise, 0)
    explained = float(1 - left / field)
    refused = ""
    if explained < EXPLAINED_SHARE:
        refused = (
            f"the channels' ratios explain {100 * max(explained, 0):.0f} % of the variance of B-V "
            f"of "
            f"{used.sum()} stars, {100 * EXPLAINED_SHARE:.0f} % needed"
        )
    return ContinuumFit(
        coefficients,
        covariance,
        centre,
        spread,
        intrinsic,
        explained,
        float(bv_mag[used].mean()),
        float(np.sqrt(field)),
        used,
        residual,
        refused,
    )


def field_spread_bv(
    ratio_mag: np.ndarray, ratio_error_mag: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """B-V when no catalogue star is matched: the field's own spread of colours laid on a usual
    field's.

    The main axis of the log ratios is taken for the sequence of stars, its redder end where R is
    stronger against B, its middle B-V 0.75 and its spread 0.35 mag. A guess with a sound shape: the
    order of the stars is real, the scale is not measured.

    Parameters
    ----------
    ratio_mag, ratio_error_mag : ndarray, shape (2, n)

    Returns
    -------
    tuple of ndarray, shape (n,)
        B-V and its error; all NaN when the ratios have no clear axis or it does not tell red from
        blue.
    """
    nothing = np.full(ratio_mag.shape[1], np.nan), np.full(ratio_mag.shape[1], np.nan)
    good = np.isfinite(ratio_mag).all(axis=0) & (np.max(ratio_error_mag, axis=0) < 0.1)
    if good.sum() < 2 * MIN_STARS:
        return nothing
    centre = np.median(ratio_mag[:, good], axis=1)
    offset = np.clip(ratio_mag - centre[:, None], -1.5, 1.5)
    noise = np.diag(np.mean(ratio_error_mag[:, good] ** 2, axis=1))
    values, axes = np.linalg.eigh(offset[:, good] @ offset[:, good].T / good.sum() - noise)
    axis, redness = (
        axes[:, 1],
        axes[1, 1] - axes[0, 1],
    )  # beta - rho = -2.5 log10(B/R): larger is redder
    if values[1] < 0.1**2 or abs(redness) < 0.3:
        return nothing
    place = np.sign(redness) * axis @ offset / np.sqrt(values[1])
    error = np.sqrt((axis**2) @ ratio_error_mag**2 / values[1])
    return (
        np.clip(PRIOR_BV_MAG + PRIOR_SPREAD_MAG * place, *BV_RANGE_MAG),
        PRIOR_SPREAD_MAG * np.hypot(error, 0.6),
    )
