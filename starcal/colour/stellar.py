"""B-V, temperature, chromaticity and sRGB; which colours a star can have and which it cannot.

Colours are linear RGB with the sRGB primaries, in the last axis: (..., 3). Only ratios matter,
except where luminance is named. A colour "seen with a neutral star" has been divided by the RGB
of a star of that B-V, so that such a star is neutral; without one (None), neutral is D65, the white
of displays.

nan in gives nan out. No relation is extrapolated: each docstring says whether it clamps or answers
nan.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..choices import BV_RANGE_MAG

# How far from the Planckian locus a star may lie (Duv). Real stars: 95 % within 0.0036, all up to
# M2 within 0.0056 (Pickles 1998 spectra through the CIE 1931 functions), so 0.006 is possible.
# 0.012 is twice the offset of any of them: a green channel wrong by 23 %. Molecular bands make late
# M stars truly greener: +0.008 (M6V) to +0.024 (M10III).
POSSIBLE_DUV = 0.006
IMPOSSIBLE_DUV = 0.012
LATE_M_DUV = 0.025
LATE_M_BV_MAG = 1.3

# Planckian locus: reciprocal temperature (mired, 1e6/K), CIE 1960 u, v. 0 to 600: the 31 rows of
# Robertson 1968, J. Opt. Soc. Am. 58, 1528, with u at 325 and v at 600 as later corrected. 700 to
# 1000: computed likewise (Planck's law through the CIE 1931 functions), because pictures hold
# colours redder than the table's end.
_LOCUS = np.array(
    [
        (0, 0.18006, 0.26352),
        (10, 0.18066, 0.26589),
        (20, 0.18133, 0.26846),
        (30, 0.18208, 0.27119),
        (40, 0.18293, 0.27407),
        (50, 0.18388, 0.27709),
        (60, 0.18494, 0.28021),
        (70, 0.18611, 0.28342),
        (80, 0.18740, 0.28668),
        (90, 0.18880, 0.28997),
        (100, 0.19032, 0.29326),
        (125, 0.19462, 0.30141),
        (150, 0.19962, 0.30921),
        (175, 0.20525, 0.31647),
        (200, 0.21142, 0.32312),
        (225, 0.21807, 0.32909),
        (250, 0.22511, 0.33439),
        (275, 0.23247, 0.33904),
        (300, 0.24010, 0.34308),
        (325, 0.24792, 0.34655),
        (350, 0.25591, 0.34951),
        (375, 0.26400, 0.35200),
        (400, 0.27218, 0.35407),
        (425, 0.28039, 0.35577),
        (450, 0.28863, 0.35714),
        (475, 0.29685, 0.35823),
        (500, 0.30505, 0.35907),
        (525, 0.31320, 0.35968),
        (550, 0.32129, 0.36011),
        (575, 0.32931, 0.36038),
        (600, 0.33724, 0.36051),
        (700, 0.36795, 0.36002),
        (800, 0.39677, 0.35855),
        (900, 0.42349, 0.35665),
        (1000, 0.44801, 0.35462),
    ]
)

_RHO_OF_BV = (0.2618, -0.5280, -0.0832, 0.0442)
_BETA_OF_BV = (-0.5628, 0.8720, -0.0156, 0.0417)


def _matrix_from_primaries(red_xy, green_xy, blue_xy, white_xy) -> NDArray:
    """Linear RGB -> XYZ for a display of these chromaticities, its white at Y = 1 (SMPTE RP 177,
    1993)."""
    columns = np.array(
        [(x / y, 1.0, (1.0 - x - y) / y) for x, y in (red_xy, green_xy, blue_xy)]
    ).T
    white = xy_to_xyz(white_xy)
    return columns * np.linalg.solve(columns, white)


# ---- chromaticity --------------------------------------------------------------------------------


def xy_to_xyz(xy: ArrayLike) -> NDArray:
    """CIE 1931 x, y (..., 2) to X, Y, Z (..., 3) with Y = 1.

    Parameters
    ----------
    xy : array_like, (..., 2)

    Returns
    -------
    ndarray, (..., 3)
    """
    x, y = np.moveaxis(np.asarray(xy, float), -1, 0)
    return np.stack([x / y, np.ones_like(y), (1.0 - x - y) / y], axis=-1)


_RGB_TO_XYZ = _matrix_from_primaries((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), (0.3127, 0.3290))
_XYZ_TO_RGB = np.linalg.inv(_RGB_TO_XYZ)
LUMINANCE_WEIGHTS = _RGB_TO_XYZ[1]
"""Y of R, G, B: 0.2126, 0.7152, 0.0722 (ITU-R BT.709); their sum is 1."""


def rgb_to_xyz(rgb: ArrayLike) -> NDArray:
    """Linear RGB (..., 3) to CIE 1931 XYZ (..., 3), D65 white at Y = 1 (IEC 61966-2-1).

    Parameters
    ----------
    rgb : array_like, (..., 3)

    Returns
    -------
    ndarray, (..., 3)
    """
    return np.asarray(rgb, float) @ _RGB_TO_XYZ.T


def rgb_to_lab(rgb: ArrayLike) -> NDArray:
    """Linear RGB (..., 3) to CIE 1976 L*, a*, b* (..., 3) against the display's white (CIE 15:2004,
    8.2.1.1). A step of 2.3 is just noticed (Mahy et al. 1994).

    Parameters
    ----------
    rgb : array_like, (..., 3)

    Returns
    -------
    ndarray, (..., 3)
    """
    share = rgb_to_xyz(rgb) / rgb_to_xyz(np.ones(3))
    cubed = np.cbrt(np.maximum(share, 0))
    x, y, z = np.moveaxis(
        np.where(share > (6 / 29) ** 3, cubed, share * (29 / 6) ** 2 / 3 + 4 / 29), -1, 0
    )
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def xyz_to_rgb(xyz: ArrayLike) -> NDArray:
    """CIE 1931 XYZ (..., 3) to linear RGB (..., 3); negative channels mean a colour outside the
    display's gamut.

    Parameters
    ----------
    xyz : array_like, (..., 3)

    Returns
    -------
    ndarray, (..., 3)
    """
    return np.asarray(xyz, float) @ _XYZ_TO_RGB.T


def xyz_to_xy(xyz: ArrayLike) -> NDArray:
    """CIE 1931 XYZ (..., 3) to chromaticity x, y (..., 2); nan where X + Y + Z is not positive."""
    xyz = np.asarray(xyz, float)
    total = xyz.sum(axis=-1, keepdims=True)
    return xyz[..., :2] / np.where(total > 0, total, np.nan)


def xy_to_uv_prime(xy: ArrayLike) -> NDArray:
    """CIE 1931 x, y (..., 2) to CIE 1976 u', v' (..., 2). The CIE 1960 v is 2/3 of v'; u is u'.

    Parameters
    ----------
    xy : array_like, (..., 2)

    Returns
    -------
    ndarray, (..., 2)
    """
    xy = np.asarray(xy, float)
    return xy * (4.0, 9.0) / (xy @ (-2.0, 12.0) + 3.0)[..., np.newaxis]


def uv_prime_to_xy(uv_prime: ArrayLike) -> NDArray:
    """CIE 1976 u', v' (..., 2) to CIE 1931 x, y (..., 2).

    Parameters
    ----------
    uv_prime : array_like, (..., 2)

    Returns
    -------
    ndarray, (..., 2)
    """
    uv_prime = np.asarray(uv_prime, float)
    return uv_prime * (9.0, 4.0) / (uv_prime @ (6.0, -16.0) + 12.0)[..., np.newaxis]


def rgb_to_uv_prime(rgb: ArrayLike) -> NDArray:
    """Linear RGB (..., 3) to CIE 1976 u', v' (..., 2); nan for black.

    Parameters
    ----------
    rgb : array_like, (..., 3)

    Returns
    -------
    ndarray, (..., 2)
    """
    return xy_to_uv_prime(xyz_to_xy(rgb_to_xyz(rgb)))


def uv_prime_distance(rgb_a: ArrayLike, rgb_b: ArrayLike) -> NDArray:
    """How different two colours look: distance in CIE 1976 u'v' of two linear RGB (..., 3),
    brightness apart.

    Side by side 0.004 is just noticed; 0.0011 is one step of CIE TN 001 (2014).

    Parameters
    ----------
    rgb_a, rgb_b : array_like, (..., 3)

    Returns
    -------
    ndarray, (...)
        NaN for black.
    """
    difference = rgb_to_uv_prime(rgb_a) - rgb_to_uv_prime(rgb_b)
    return np.hypot(difference[..., 0], difference[..., 1])


def luminance(rgb: ArrayLike, axis: int = -1) -> NDArray:
    """Luminance Y of linear RGB; `axis` holds the channels (-1 for colours, 0 for a picture). Keeps
    float32.

    Parameters
    ----------
    rgb : array_like
        Linear RGB.
    axis : int
        That of the channels.

    Returns
    -------
    ndarray
        Without that axis.
    """
    rgb = _floating(rgb)
    return np.tensordot(LUMINANCE_WEIGHTS.astype(rgb.dtype), rgb, axes=([0], [axis]))


def srgb_encode(linear: ArrayLike) -> NDArray:
    """Linear light to the value that a display expects (IEC 61966-2-1), not clipped; straight below
    0.

    Parameters
    ----------
    linear : array_like
        1 is the display's white.

    Returns
    -------
    ndarray
    """
    linear = _floating(linear)
    curve = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, 12.92 * linear, curve)


def srgb_decode(encoded: ArrayLike) -> NDArray:
    """The inverse of `srgb_encode`, so far as the standard's rounded constants allow (1e-7).

    Parameters
    ----------
    encoded : array_like
        0 to 1 in the display's range; any number is allowed.

    Returns
    -------
    ndarray
    """
    encoded = _floating(encoded)
    curve = ((np.maximum(encoded, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(encoded <= 0.04045, encoded / 12.92, curve)


def _floating(values: ArrayLike) -> NDArray:
    """As an array, float32 left as it is, integers made float64."""
    values = np.asarray(values)
    return values if np.issubdtype(values.dtype, np.floating) else values.astype(float)


# ---- B-V and temperature -------------------------------------------------------------------------


def planckian_uv(teff_k: ArrayLike) -> NDArray:
    """CIE 1960 u, v (..., 2) of a black body; nan below 1000 K. Infinity is allowed: the blue end.

    Robertson's (1968) table, linear in reciprocal temperature: exact to 1e-5 at its rows, to 1e-4
    between them (3e-4 below 1700 K).

    Parameters
    ----------
    teff_k : array_like, (...)
        Kelvin.

    Returns
    -------
    ndarray, (..., 2)
    """
    teff_k = np.asarray(teff_k, float)
    mired = 1e6 / np.where(teff_k >= 1000.0, teff_k, np.nan)
    return np.stack([np.interp(mired, _LOCUS[:, 0], _LOCUS[:, i]) for i in (1, 2)], axis=-1)


# ---- the colours of real stars -------------------------------------------------------------------


def real_star_log_ratios(bv_mag: ArrayLike) -> tuple[NDArray, NDArray]:
    """(rho, beta) = -2.5 log10 (R/G, B/G) of a real star of this B-V, in linear sRGB with D65 as
    white.

    Cubics fitted to 90 spectra O to M2 of Pickles 1998, PASP 110, 863, through the CIE 1931
    functions; rms 0.047 and 0.020 mag (K dwarfs against K giants make most of it). B-V is clamped
    to `BV_RANGE_MAG`. A black body of the star's temperature would be 0.12 to 0.2 mag off for blue
    stars.

    Parameters
    ----------
    bv_mag : array_like, (...)
        Johnson B-V as observed.

    Returns
    -------
    rho, beta : ndarray, (...)
        Magnitudes.
    """
    bv = np.clip(np.asarray(bv_mag, float), *BV_RANGE_MAG)
    polyval = np.polynomial.polynomial.polyval
    return polyval(bv, _RHO_OF_BV), polyval(bv, _BETA_OF_BV)


def star_rgb(bv_mag: ArrayLike, neutral_bv_mag: float | None = None) -> NDArray:
    """Linear RGB (..., 3) of a real star, luminance 1.

    Parameters
    ----------
    bv_mag : array
        Johnson B-V as observed, clamped to `BV_RANGE_MAG`.
    neutral_bv_mag : float, optional
        B-V of the star that is to be neutral; None for D65.

    Returns
    -------
    ndarray, (..., 3)

    Examples
    --------
    >>> star_rgb(0.65, 0.65).round(3).tolist()
    [1.0, 1.0, 1.0]
    """
    rho, beta = real_star_log_ratios(bv_mag)
    rgb = 10.0 ** (-0.4 * np.stack([rho, np.zeros_like(rho), beta], axis=-1)) / white_rgb(
        neutral_bv_mag
    )
    return rgb / luminance(rgb)[..., np.newaxis]


def white_rgb(neutral_bv_mag: float | None) -> NDArray:
    """Linear RGB (3,), G = 1, by which colours are divided to make a star of this B-V neutral; ones
    for None (D65).

    Parameters
    ----------
    neutral_bv_mag : float or None

    Returns
    -------
    ndarray, (3,)
    """
    if neutral_bv_mag is None:
        return np.ones(3)
    rho, beta = real_star_log_ratios(neutral_bv_mag)
    return 10.0 ** (-0.4 * np.array([rho, 0.0, beta]))


# ---- possible and impossible ---------------------------------------------------------------------


def duv(rgb: ArrayLike, neutral_bv_mag: float | None = None) -> NDArray:
    """Signed distance from the Planckian locus in CIE 1960 u, v: positive above it (green),
    negative below (magenta).

    Parameters
    ----------
    rgb : array (..., 3)
        Linear RGB as seen with the neutral star, which is undone first.
    neutral_bv_mag : float, optional
        B-V of that neutral star; None for D65.

    Returns
    -------
    array (...)
        Duv to 1e-4, for every colour, however far from the locus. Colours bluer than the hottest
        black body are measured from its blue end. nan for black and for nan.
    """
    return _locus_distance(_uv_without_white(rgb, neutral_bv_mag))[0]


def green_index(rgb: ArrayLike, neutral_bv_mag: float | None = None) -> NDArray:
    """Distance from the line of real stars in the plane of the log ratios, mag; green positive,
    magenta negative.

    q = .8547 rho + .5191 beta + .0746, the unit normal of the stellar locus: rms 0.048 on real
    stars up to M2, range -0.17..0.11; Duv is about 0.0346 q. Gain errors add to it linearly. nan
    where a channel is not positive.

    Parameters
    ----------
    rgb : array_like, (..., 3)
        Linear RGB as seen with the neutral star, which is undone first.
    neutral_bv_mag : float, optional
        B-V of that neutral star; None for D65.

    Returns
    -------
    ndarray, (...)
        Magnitudes.
    """
    seen = np.asarray(rgb, float) * white_rgb(neutral_bv_mag)
    rgb_mag = -2.5 * np.log10(np.where(seen > 0, seen, np.nan))
    return rgb_mag @ (0.8547, -0.8547 - 0.5191, 0.5191) + 0.0746


def classify(
    rgb: ArrayLike, neutral_bv_mag: float | None = None, bv_mag: ArrayLike | None = None
) -> NDArray:
    """Whether a star can have this colour.

    Parameters
    ----------
    rgb : array (..., 3)
        Linear RGB as seen with the neutral star.
    neutral_bv_mag : float, optional
        B-V of the neutral star; None for D65.
    bv_mag : array (...), optional
        Catalogue B-V where there is one: stars redder than 1.3 may be as green as late M stars
        truly are.

    Returns
    -------
    array of str (...)
        'possible'; 'suspicious' (no real star, but a small error of gains makes it); impossible:
        'green' (to cyan), 'magenta' (to purple), 'blue' (bluer than any temperature makes it);
        'unknown' for black and for nan.
    """
    distance, too_blue = _locus_distance(_uv_without_white(rgb, neutral_bv_mag))
    late_m = (
        np.zeros(np.shape(distance), bool)
        if bv_mag is None
        else np.asarray(bv_mag, float) > LATE_M_BV_MAG
    )
    greenest = np.where(late_m, LATE_M_DUV, IMPOSSIBLE_DUV)
    greenest_possible = np.where(late_m, LATE_M_DUV, POSSIBLE_DUV)
    tests = [
        (np.isnan(distance), "unknown"),
        (too_blue & (np.abs(distance) > IMPOSSIBLE_DUV), "blue"),
        (distance > greenest, "green"),
        (distance < -IMPOSSIBLE_DUV, "magenta"),
        ((distance > greenest_possible) | (distance < -POSSIBLE_DUV), "suspicious"),
    ]
    return np.select([test for test, _ in tests], [name for _, name in tests], "possible")


def _uv_without_white(rgb: ArrayLike, neutral_bv_mag: float | None) -> NDArray:
    """CIE 1960 u, v (..., 2) of colours after undoing their neutral star."""
    return rgb_to_uv_prime(np.asarray(rgb, float) * white_rgb(neutral_bv_mag)) * (
        1.0,
        2.0 / 3.0,
    )


def _locus_distance(uv: NDArray) -> tuple[NDArray, NDArray]:
    """Signed distance (...) of u, v (..., 2) from the locus, and whether that is straight on beyond
    its blue end."""
    start, along = _LOCUS[:-1, 1:], np.diff(_LOCUS[:, 1:], axis=0)
    length2 = (along**2).sum(axis=1)
    last = np.append(np.ones(len(along) - 1), np.inf)  # the red end goes straight on
    off_u = uv[..., 0, np.newaxis] - start[:, 0]  # (..., segment)
    off_v = uv[..., 1, np.newaxis] - start[:, 1]
    fraction = off_u * along[:, 0]
    fraction += off_v * along[:, 1]
    fraction /= length2
    np.clip(fraction, 0.0, last, out=fraction)
    distance = np.hypot(off_u - fraction * along[:, 0], off_v - fraction * along[:, 1])
    nearest = distance.argmin(axis=-1)[..., np.newaxis]
    side = along[:, 0] * off_v
    side -= along[:, 1] * off_u
    signed = np.take_along_axis(np.copysign(distance, side), nearest, axis=-1)[..., 0]
    straight_on = (
        np.abs(side[..., 0]) <= 0.5 * np.sqrt(length2[0]) * distance[..., 0]
    )  # within 30 degrees
    return signed, (nearest[..., 0] == 0) & (fraction[..., 0] == 0.0) & straight_on
