"""The level under a star where the ground round it is not even: nebula, the wings of a brighter
star."""

import numpy as np

from ..robust import square_round
from .shapes import moffat_of_peak_1, stamps_round

REACH_FWHM = 2.0  # of the pixels that tell: further out the ground has more shapes than a bowl
GROUND_ROUNDS = 2
OUTLYING_SIGMA = 4.0  # neighbours and hot pixels
LEAST = 1e-9  # keeps the normal matrix of a star without pixels invertible
GROUND_BATCH = 1000  # stars at once, to bound memory


def level_under(
    plane: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    profile: tuple[float, float],
    radius_px: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean level of the ground in the aperture of each star, by a fit of star and bowl together.

    A Moffat profile and a surface of second order are fitted by least squares to the pixels within
    `REACH_FWHM`. The ring round an aperture, which serves on even ground, misses what bends inside
    it: on bright nebula that is as much as the light of the star.

    Parameters
    ----------
    plane : ndarray, shape (y, x)
    x_px, y_px : ndarray, shape (n,)
    profile : (float, float)
        FWHM in pixels and exponent of the stars' Moffat profile.
    radius_px : float
        Of the aperture.

    Returns
    -------
    level, sigma, count : ndarray, shape (n,)
        The level; the scatter of the pixels about the fit; and of how many pixels a mean would be
        known as well as the level is. NaN without enough pixels.
    """
    parts = [
        _level_under(
            plane, x_px[i : i + GROUND_BATCH], y_px[i : i + GROUND_BATCH], profile, radius_px
        )
        for i in range(0, len(x_px), GROUND_BATCH)
    ]
    if not parts:
        return np.empty(0), np.empty(0), np.empty(0)
    level, sigma, count = np.concatenate(parts, axis=1)
    return level, sigma, count


def _level_under(plane, x_px, y_px, profile, radius_px):
    """Rows level, sigma and count of `level_under`, of some stars at once."""
    reach = REACH_FWHM * profile[0]
    half = int(np.ceil(reach))
    values = stamps_round(plane, x_px, y_px, half).reshape(len(x_px), -1).astype(float)
    dx, dy = _from_star(x_px, y_px, half)
    radius = np.hypot(dx, dy)
    design = _star_and_bowl(moffat_of_peak_1(radius, *profile), dx / reach, dy / reach)
    weight = ((radius <= reach) & np.isfinite(values)).astype(float)
    enough = weight.sum(axis=1) > 3 * design.shape[2]
    fit = _clipped_ground_fit(design, np.nan_to_num(values), weight)
    mean = _ground_in_aperture(radius, radius_px, design)
    return np.where(enough, _of_mean(mean, *fit), np.nan)


def _of_mean(mean, solution, inverse, sigma):
    """Rows: its level by the fit, the scatter, and of how many pixels a mean is known as well."""
    level = (mean * solution).sum(axis=1)
    variance = np.einsum("nk,nkl,nl->n", mean, inverse, mean)
    return np.stack([level, sigma, 1 / np.maximum(variance, 1e-12)])


def _from_star(x_px, y_px, half):
    """Columns and rows of a stamp's pixels from the star, (n, pixels) each."""
    row, column = square_round(half).reshape(2, -1)
    return column - _past_pixel(x_px), row - _past_pixel(y_px)


def _past_pixel(at: np.ndarray) -> np.ndarray:
    """How far a star lies past the middle of its pixel, (n, 1)."""
    return (at - np.rint(at))[:, None]


def _star_and_bowl(star, u, v):
    """The parts of the fit at every pixel, (n, pixels, 7): star, level, slopes and bends."""
    return np.stack([star, np.ones_like(u), u, v, u * u, u * v, v * v], axis=2)


def _ground_in_aperture(radius, radius_px, design):
    """Mean of each part of the fit in the aperture, (n, 7); of the star, none."""
    share = np.clip(radius_px + 0.5 - radius, 0, 1)
    mean = np.einsum("np,npk->nk", share / share.sum(axis=1, keepdims=True), design)
    mean[:, 0] = 0
    return mean


def _clipped_ground_fit(design, values, weight):
    """Solution, inverse of the normal matrix, and scatter about it, of each star."""
    for _ in range(GROUND_ROUNDS):
        weighted = (design * weight[:, :, None]).swapaxes(1, 2)
        inverse = np.linalg.inv(weighted @ design + LEAST * np.eye(design.shape[2]))
        solution = (inverse @ (weighted @ values[:, :, None]))[:, :, 0]
        left = values - (design @ solution[:, :, None])[:, :, 0]
        sigma = _fit_scatter(left, weight, design.shape[2])
        weight = weight * (np.abs(left) <= OUTLYING_SIGMA * sigma[:, None])
    return solution, inverse, sigma


def _fit_scatter(left, weight, parameters):
    """Of what a fit with so many parameters leaves, (n,)."""
    freedom = np.maximum(weight.sum(axis=1) - parameters, 1)
    return np.sqrt((weight * left**2).sum(axis=1) / freedom)
