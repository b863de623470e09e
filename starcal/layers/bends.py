"""How the sky under a star may bend: nebula that goes on under the star as it is seen round it.

Nebulae vary as turbulence does, D(r) = A r^(5/3) being the mean square of the difference of two
pixels r apart. Such a field within a disc is a sum of Zernike polynomials, whose variances Noll
(1976, JOSA 66, 207, table IV) gives: a plane, then bends that are ever smaller. With them as what a
sky is expected to be, the fit of a star's light is the best that pixels of such a field allow:
where the sky is smooth, a plane is taken out and no more; where it is rough, bends as well.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

# Variances of the coefficients of each polynomial of radial order 2 and 3, rms 1 over a disc of
# diameter d, in units of D(d): Noll's, in units of (d / r0)^(5/3), over 6.88
BENDS_OF_ORDER = {2: 0.0232 / 6.88, 3: 0.00619 / 6.88}
# What orders above 3 leave, likewise: beyond some radius that is more than noise
HIGHER_ORDERS = 0.0401 / 6.88
LEAST_REACH_FWHM = 1.6  # nearer than that there is little but the star
# of sky that a star's light is compared with, 4 pi sigma^2 of a Gaussian
PIXELS_PER_FWHM2 = 2.3
PLANE_TERMS = 3  # of any size: gradients have other causes as well
POWER = 5 / 3
STEP_FWHM = 1.5  # of the second differences that roughness is told by
AWAY_FWHM, PLACES = 3.0, 4  # from each star, outside its core
STARS_TOGETHER = 6  # whose surroundings tell the roughness at each of them
MEDIAN_SQUARE = 0.455  # of a normal deviate
NOISE_LEFT = 1.0  # of noise^2 in such squares: smooth skies of two made frames show 0.6 to 1.1
TIGHTEST = 1e4  # times what pixels tell: tighter than that is none at all, and is no number
LEAST_KEPT = 1e-6  # of the largest term, of what pixels tell


@dataclass(frozen=True, eq=False, kw_only=True)
class BendingSky:
    """What the sky of some stars is made of, (P, k), and the inverse of the variance that each part
    is expected to have, (n, k); 0: it may be of any size."""

    basis: np.ndarray
    precision: np.ndarray

    @classmethod
    def of(cls, offsets: tuple[np.ndarray, np.ndarray], roughness: np.ndarray) -> "BendingSky":
        """From the offsets of pixels and A of D(r) at each star; planes alone where all are 0."""
        reach_px = float(np.hypot(*offsets).max())
        x, y = (offset / reach_px for offset in offsets)
        plane = [np.ones(len(x)), x, y]
        free = np.zeros((len(roughness), PLANE_TERMS))
        if not np.any(roughness > 0):
            return cls(basis=np.stack(plane, axis=1), precision=free)
        return cls(
            basis=np.stack([*plane, *_zernike(x, y)], axis=1),
            precision=np.hstack([free, 1 / _variance_of_bends(roughness, reach_px)]),
        )


def _variance_of_bends(roughness: np.ndarray, radius_px: float) -> np.ndarray:
    """Of the polynomials of order 2 and 3 over a disc, (n, 7)."""
    share = np.repeat([BENDS_OF_ORDER[2], BENDS_OF_ORDER[3]], [3, 4])
    variance = np.outer(roughness * (2 * radius_px) ** POWER, share)
    return np.maximum(variance, 1e-30)


def _zernike(x: np.ndarray, y: np.ndarray) -> list[np.ndarray]:
    """Zernike's polynomials of order 2 and 3 on the unit disc, rms 1."""
    square = x**2 + y**2
    coma = 3 * square - 2
    second = [
        (2 * square - 1) / np.sqrt(2),
        x**2 - y**2,
        2 * x * y,
    ]
    third = [
        coma * x,
        coma * y,
        (x**2 - 3 * y**2) * x,
        (3 * x**2 - y**2) * y,
    ]
    scaled = [np.sqrt(6) * term for term in second]
    return scaled + [np.sqrt(8) * term for term in third]


def reach_on_rough_sky(
    roughness: np.ndarray,
    fwhm_px: float,
    noise: float,
    widest_px: float,
) -> np.ndarray:
    """Radius of the pixels that tell a star's light, (n,): so far that what its sky does beyond
    order 3, over all of a star's pixels, stays below their noise.

    Parameters
    ----------
    roughness : ndarray, (n,)
        A of D(r) at each star.
    fwhm_px, noise : float
        Of the stars, and of a pixel.
    widest_px : float
        As far as pixels go on smooth sky.
    """
    most = noise**2 / (PIXELS_PER_FWHM2 * fwhm_px**2 * HIGHER_ORDERS)
    reach_px = 0.5 * (most / np.maximum(roughness, 1e-30)) ** (1 / POWER)
    return np.clip(reach_px, min(LEAST_REACH_FWHM * fwhm_px, widest_px), widest_px)


def taken_out(normal: np.ndarray, precision: np.ndarray) -> np.ndarray:
    """What takes skies out of pixels that are then fitted by least squares.

    With B the skies in units of the pixels' errors, the pixels' inverse covariance is
    1 - B (B'B + precision)^-1 B'; it is the square of 1 - B G B'.

    Parameters
    ----------
    normal : ndarray, (n, k, k)
        B'B of each star.
    precision : ndarray, (n, k)
        Inverse variances of its skies.

    Returns
    -------
    ndarray, (n, k, k)
        G.
    """
    if not precision.any():
        return np.linalg.pinv(normal, rcond=LEAST_KEPT, hermitian=True)
    size, turn = np.linalg.eigh(normal)
    kept = size > LEAST_KEPT * size[:, -1:]
    precision = np.minimum(precision, TIGHTEST * size[:, -1:])
    inverse_root = np.where(kept, np.where(kept, size, 1) ** -0.5, 0)
    bent = np.einsum("nka,nk,nkb->nab", turn, precision, turn, optimize=True)
    held = np.eye(len(size[0])) + inverse_root[:, :, None] * bent * inverse_root[:, None, :]
    # in these axes B'B is 1; of each way that the skies may go a share 1 / tight is taken out
    tight, axes = np.linalg.eigh(held)
    gone = 1 - np.sqrt(1 - 1 / np.maximum(tight, 1))
    back = np.einsum("nka,na,nab->nkb", turn, inverse_root, axes, optimize=True)
    return np.einsum("nka,na,nla->nkl", back, gone, back, optimize=True)


def roughness_near(
    background: Callable[[np.ndarray, np.ndarray], np.ndarray],
    x_px: np.ndarray,
    y_px: np.ndarray,
    fwhm_px: float,
    noise: float,
) -> np.ndarray:
    """A of D(r) = A r^(5/3) near each star, by second differences beside it, (n,).

    Parameters
    ----------
    background : callable
        Gives it, without stars and most of the noise, in pixels by their columns and rows; NaN
        where it is not known.
    x_px, y_px : ndarray, (n,)
    fwhm_px, noise : float
        Of the stars, and of a pixel of the frame.

    Returns
    -------
    ndarray, (n,)
        In squared units of the background by px^(5/3).
    """
    step = max(1, round(STEP_FWHM * fwhm_px))
    angle = 2 * np.pi * (np.arange(PLACES) + 0.5) / PLACES
    columns = np.rint(x_px[:, None] + AWAY_FWHM * fwhm_px * np.cos(angle)).astype(int)
    rows = np.rint(y_px[:, None] + AWAY_FWHM * fwhm_px * np.sin(angle)).astype(int)
    bends = [
        _bend_over(background, columns, rows, (step, 0)),
        _bend_over(background, columns, rows, (0, step)),
    ]
    middle = _median_round(np.column_stack([x_px, y_px]), np.hstack(bends) ** 2)
    square = np.maximum(middle / MEDIAN_SQUARE - NOISE_LEFT * noise**2, 0)
    # a second difference over h has the mean square 4 D(h) - D(2 h)
    return square / ((4 - 2**POWER) * step**POWER)


def _bend_over(background, columns, rows, step: tuple[int, int]) -> np.ndarray:
    """What places have less than the mean of the two a step away, twice; the shape of columns."""
    dx, dy = step
    before = background(columns - dx, rows - dy)
    after = background(columns + dx, rows + dy)
    return before - 2 * background(columns, rows) + after


def _median_round(places: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Median of the values (n, k) of the stars round each of n places; 0 where none is known."""
    n = len(places)
    near = cKDTree(places).query(places, k=min(STARS_TOGETHER, n))[1]
    together = values[near.reshape(n, -1)].reshape(n, -1)
    known = np.isfinite(together).any(axis=1)
    return np.nanmedian(np.where(known[:, None], together, 0), axis=1)
