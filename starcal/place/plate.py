"""From pixels to the sky: a polynomial fitted to pairs of stars, as flexible as the stars demand,
as a FITS WCS.

Positions are complex numbers here: z on the frame, w = east + i north in the plane that touches the
sky. A shift, turn and scale is then w = a z + b; a general linear map needs one term more, in the
conjugate of z; quadratic and cubic polynomials the products of both. All are linear in their
coefficients, so each is one direct least-squares solution whose leave-one-out errors come with it,
which is why astropy's iterative fit of a WCS to points is not used.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy.wcs import WCS, Sip

from .match import plane_to_sky, tangent_plane

PLATE_LEVELS = ("shift, rotation and scale", "linear", "quadratic", "cubic")
N_TERMS = (2, 3, 6, 10)  # complex ones: a star gives one complex equation
STARS_PER_TERM = 3  # fewer leave nothing to tell distortion from noise with
SURE_SIGMA = (
    3.0  # by which leave-one-out errors must fall before a more flexible plate is taken
)
CLIP_MEDIANS = 3.5  # misfits of stars scatter to 3.0 medians at 3 sigma per axis
LEAST_CLIP_PX = 0.1
GRID = 15  # points a side on which polynomials are turned into others


@dataclass(frozen=True, kw_only=True, eq=False)
class Plate:
    """Pixel to sky.

    Attributes
    ----------
    ra_deg, dec_deg : float
        Where the plane touches the sky: the place of ``origin_px``.
    origin_px : tuple of float
        x, y, 0-based.
    unit_px : float
        Length in which z is counted: near half a frame, which keeps the terms alike in size.
    mirrored : bool
        East to the right of north.
    level : int
        Index into `PLATE_LEVELS`.
    terms : ndarray, complex
        Coefficients, degrees.
    """

    ra_deg: float
    dec_deg: float
    origin_px: tuple[float, float]
    unit_px: float
    mirrored: bool
    level: int
    terms: np.ndarray

    @property
    def pixel_deg(self) -> float:
        """Size of a pixel at the origin, degrees."""
        return float(abs(self.terms[1]) / self.unit_px)

    @property
    def rotation_deg(self) -> float:
        """Direction of north at the origin, from the y axis, counter-clockwise on the picture (y
        upwards)."""
        north = 1j / self.terms[1]
        across = -north.real if self.mirrored else north.real
        return float(np.degrees(np.arctan2(across, north.imag)))

    def plane(self, xy_px: np.ndarray) -> np.ndarray:
        """East + i north, degrees, in the plane that touches the sky at the origin."""
        z = frame_number(xy_px, self.origin_px, self.unit_px, self.mirrored)
        return _plate_terms(z, self.level) @ self.terms

    def listed(self, ra_deg: np.ndarray, dec_deg: np.ndarray) -> np.ndarray:
        """Places on the sky in the same plane."""
        return _plane_number(ra_deg, dec_deg, self.ra_deg, self.dec_deg)


def frame_number(
    xy_px: np.ndarray,
    origin_px,
    unit_px: float,
    mirrored: bool,
) -> np.ndarray:
    """Pixels as complex numbers that a turn takes to east + i north: x counts backwards unless
    mirrored."""
    x, y = (np.reshape(xy_px, (-1, 2)) - np.asarray(origin_px)).T / unit_px
    return (x if mirrored else -x) + 1j * y


def _plane_number(
    ra_deg,
    dec_deg,
    ra0_deg,
    dec0_deg,
):
    east, north = tangent_plane(ra_deg, dec_deg, ra0_deg, dec0_deg)
    return east + 1j * north


def _plate_terms(z, level):
    """Terms of a level, one column each."""
    powers = [(p, degree - p) for degree in range(4) for p in range(degree, -1, -1)]
    return np.column_stack([z**p * np.conj(z) ** q for p, q in powers[: N_TERMS[level]]])


def fit_plate(
    xy_px: np.ndarray, ra_deg: np.ndarray, dec_deg: np.ndarray, start: Plate, level: int
) -> Plate:
    """Fit a plate of one level, outliers clipped.

    Parameters
    ----------
    xy_px : ndarray, shape (n, 2)
    ra_deg, dec_deg : ndarray, shape (n,)
        Of the same stars; n at least the number of terms.
    start : Plate
        Near the truth; origin, unit and parity are taken from it.
    level : int
        Index into `PLATE_LEVELS`.
    """
    z = frame_number(xy_px, start.origin_px, start.unit_px, start.mirrored)
    ra0, dec0 = start.ra_deg, start.dec_deg
    for _ in range(4):  # the tangent point moves to the origin's place
        w = _plane_number(ra_deg, dec_deg, ra0, dec0)
        terms, _ = _clipped_fit(_plate_terms(z, level), w, LEAST_CLIP_PX * start.pixel_deg)
        ra, dec = plane_to_sky(terms[0].real, terms[0].imag, ra0, dec0)
        ra0, dec0 = float(ra), float(dec)
    # what is left of the constant is nothing: it became the tangent point
    terms = np.append(0, terms[1:])
    return replace(start, ra_deg=ra0, dec_deg=dec0, level=level, terms=terms)


def _clipped_fit(design, w, least):
    keep = np.ones(len(w), bool)
    for _ in range(4):
        terms = np.linalg.lstsq(design[keep], w[keep], rcond=None)[0]
        misfit = np.abs(w - design @ terms)
        keep = misfit <= CLIP_MEDIANS * max(np.median(misfit), least)
        if keep.sum() <= design.shape[1]:
            break
    return terms, keep


def best_plate(
    xy_px: np.ndarray, ra_deg: np.ndarray, dec_deg: np.ndarray, start: Plate, most: int = 3
) -> Plate:
    """Fit the least flexible plate that does not miss what the stars show.

    A more flexible one is taken when it predicts each star, left out of the fit, better than the
    simpler one by more than three times the uncertainty of that gain. (Cross-validation: Stone
    1974, J. R. Stat. Soc. B 36, 111; its closed form for linear fits: Allen 1974, Technometrics 16,
    125.)

    Parameters
    ----------
    xy_px, ra_deg, dec_deg, start
        As for `fit_plate`.
    most : int
        The most flexible level to consider.
    """
    chosen = fit_plate(xy_px, ra_deg, dec_deg, start, 0)
    z = frame_number(xy_px, start.origin_px, start.unit_px, start.mirrored)
    for level in range(1, most + 1):
        if len(z) < STARS_PER_TERM * N_TERMS[level]:
            break
        trial = fit_plate(xy_px, ra_deg, dec_deg, chosen, level)
        least = LEAST_CLIP_PX * start.pixel_deg
        gain = _gain(z, trial.listed(ra_deg, dec_deg), chosen.level, level, least)
        if len(gain) >= STARS_PER_TERM * N_TERMS[level] and _surely_positive(gain):
            chosen = trial
    return chosen


def _gain(
    z,
    w,
    simple,
    flexible,
    least,
):
    """By how much a more flexible level predicts better each star, left out of the fit."""
    _, keep = _clipped_fit(_plate_terms(z, flexible), w, least)
    one = _left_out(_plate_terms(z[keep], simple), w[keep])
    other = _left_out(_plate_terms(z[keep], flexible), w[keep])
    return np.abs(one) ** 2 - np.abs(other) ** 2


def _left_out(design, w):
    """Misfit of each star in a fit without it."""
    q, _ = np.linalg.qr(design)
    return (w - q @ (q.conj().T @ w)) / (1 - (np.abs(q) ** 2).sum(axis=1))


def _surely_positive(gain):
    return gain.mean() > SURE_SIGMA * gain.std(ddof=1) / np.sqrt(len(gain))


# --- as FITS wants it -------------------------------------------------------------------


def plate_of_wcs(wcs: WCS, unit_px: float) -> Plate:
    """Linear part of a WCS about its reference pixel, as a plate in `undistorted` pixels."""
    (xx, xy), (yx, yy) = wcs.pixel_scale_matrix
    mirrored = xx * yy - xy * yx > 0
    per_x, per_y = xx + 1j * yx, xy + 1j * yy
    sign = 1 if mirrored else -1
    terms = unit_px * np.array(
        [0, (sign * per_x - 1j * per_y) / 2, (sign * per_x + 1j * per_y) / 2]
    )
    x, y = (wcs.wcs.crpix - 1).tolist()
    ra, dec = wcs.wcs.crval.tolist()
    return Plate(
        ra_deg=ra,
        dec_deg=dec,
        origin_px=(x, y),
        unit_px=unit_px,
        mirrored=bool(mirrored),
        level=1,
        terms=terms,
    )


def wcs_of_plate(plate: Plate, shape: tuple[int, int], sip: Sip | None = None) -> WCS:
    """TAN WCS of a plate, with SIP terms where it is of higher than linear order, or with those
    given.

    References
    ----------
    Shupe et al. 2005, ADASS XIV, ASP Conf. Ser. 347, 491 (SIP).
    """
    matrix = _cd_matrix(plate)
    wcs = WCS(naxis=2)
    wcs.wcs.crpix = np.add(plate.origin_px, 1)
    wcs.wcs.crval = plate.ra_deg % 360, plate.dec_deg
    wcs.wcs.cd = matrix
    wcs.wcs.radesys = "ICRS"
    wcs.wcs.cunit = ["deg", "deg"]
    wcs.sip = _sip(plate, matrix, shape) if sip is None and plate.level >= 2 else sip
    wcs.wcs.ctype = [
        f"{axis}-SIP" if wcs.sip is not None else axis for axis in ("RA---TAN", "DEC--TAN")
    ]
    wcs.array_shape = shape
    wcs.wcs.set()
    return wcs


def _cd_matrix(plate):
    """CD matrix, degrees a pixel."""
    a = plate.terms[1]
    c = plate.terms[2] if plate.level >= 1 else 0
    per_x, per_y = (a + c) * (1 if plate.mirrored else -1), 1j * (a - c)
    return np.array([[per_x.real, per_y.real], [per_x.imag, per_y.imag]]) / plate.unit_px


def _sip(plate, matrix, shape):
    """Polynomials there and back. Sampled on a grid: the first is exact, the second good to its
    order."""
    pixels = _grid(shape)
    offset = pixels - plate.origin_px
    w = plate.plane(pixels)
    bent = np.linalg.solve(matrix, np.array([w.real, w.imag])).T
    there = _polynomial(offset, bent - offset, 2, plate.level, plate.unit_px)
    back = _polynomial(bent, offset - bent, 1, plate.level + 2, plate.unit_px)
    return Sip(*there, *back, np.add(plate.origin_px, 1))


def _grid(shape):
    """Points all over a frame, rows of (x, y)."""
    down = np.linspace(0, shape[0] - 1, GRID)
    across = np.linspace(0, shape[1] - 1, GRID)
    y, x = np.meshgrid(down, across, indexing="ij")
    return np.column_stack([x.ravel(), y.ravel()])


def _polynomial(
    at,
    values,
    lowest,
    highest,
    unit_px,
):
    """Two matrices, [p, q] the coefficient of u**p v**q, least squares."""
    powers = [(p, n - p) for n in range(lowest, highest + 1) for p in range(n + 1)]
    u, v = at.T / unit_px
    solution = np.linalg.lstsq(
        np.column_stack([u**p * v**q for p, q in powers]), values, rcond=None
    )[0]
    matrices = np.zeros((2, highest + 1, highest + 1))
    for (p, q), pair in zip(powers, solution, strict=True):
        matrices[:, p, q] = pair / unit_px ** (p + q)
    return matrices
