"""The level under a star where the ground round it is not even: nebula, the wings of a brighter
star."""

import numpy as np

from .shapes import moffat, stamps_round

REACH_FWHM = 2.0  # of the pixels that tell: further out the ground has more shapes than a bowl
ROUNDS = 2
OUTLYING_SIGMA = 4.0  # neighbours and hot pixels
LEAST = 1e-9  # keeps the normal matrix of a star without pixels invertible
CHUNK = 1000  # stars at once, to bound memory


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
        _level_under(plane, x_px[i : i + CHUNK], y_px[i : i + CHUNK], profile, radius_px)
        for i in range(0, len(x_px), CHUNK)
    ]
    return (
        tuple(np.concatenate(column) for column in zip(*parts, strict=True))
        if parts
        else (np.empty(0),) * 3
    )


def _level_under(plane, x_px, y_px, profile, radius_px):
    reach = REACH_FWHM * profile[0]
    half = int(np.ceil(reach))
    values = stamps_round(plane, x_px, y_px, half).reshape(len(x_px), -1).astype(float)
    dy, dx = (
        offset.ravel() - (at - np.rint(at))[:, None]
        for offset, at in zip(
            np.mgrid[-half : half + 1, -half : half + 1], (y_px, x_px), strict=True
        )
    )
    radius = np.hypot(dx, dy)
    u, v = dx / reach, dy / reach
    design = np.stack(
        [moffat(radius, *profile), np.ones_like(u), u, v, u * u, u * v, v * v], axis=2
    )
    weight = ((radius <= reach) & np.isfinite(values)).astype(float)
    solution, inverse, sigma = _clipped_fit(design, np.nan_to_num(values), weight)
    share = np.clip(radius_px + 0.5 - radius, 0, 1)
    mean = np.einsum("np,npk->nk", share / share.sum(axis=1, keepdims=True), design)
    mean[:, 0] = 0  # of the ground alone
    level = (mean * solution).sum(axis=1)
    variance = np.einsum("nk,nkl,nl->n", mean, inverse, mean)
    enough = weight.sum(axis=1) > 3 * design.shape[2]
    return tuple(
        np.where(enough, column, np.nan)
        for column in (level, sigma, 1 / np.maximum(variance, 1e-12))
    )


def _clipped_fit(design, values, weight):
    """Solution, inverse of the normal matrix, and scatter about it, of each star."""
    for _ in range(ROUNDS):
        weighted = design * weight[:, :, None]
        inverse = np.linalg.inv(weighted.swapaxes(1, 2) @ design + LEAST * np.eye(design.shape[2]))
        solution = (inverse @ (weighted.swapaxes(1, 2) @ values[:, :, None]))[:, :, 0]
        left = values - (design @ solution[:, :, None])[:, :, 0]
        count = weight.sum(axis=1)
        sigma = np.sqrt((weight * left**2).sum(axis=1) / np.maximum(count - design.shape[2], 1))
        weight = weight * (np.abs(left) <= OUTLYING_SIGMA * sigma[:, None])
    return solution, inverse, sigma
