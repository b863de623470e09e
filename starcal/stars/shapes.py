"""Stamps cut out round stars, and what their shapes are: centroid, width, roundness."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from .noise import FrameNoise

FWHM_PER_SIGMA = 2.3548
RESTLESS = 8.0  # scatter round a star, in sums of three units of noise: white noise alone gives 3.5
OWN_SHARE = 0.03  # of a star's height, that its surroundings may owe to it
LIKENESS = 1e-3  # of a variance: copied channels have a singular covariance


@dataclass(frozen=True)
class Shapes:
    """Of n stars: centroid less the stamp's middle, FWHM in pixels, and minor over major axis (1 is
    round)."""

    dx_px: np.ndarray
    dy_px: np.ndarray
    fwhm_px: np.ndarray
    roundness: np.ndarray


def half_width(fwhm_px: float) -> int:
    """Of the stamps that shapes are measured on, in pixels."""
    return int(np.ceil(2.5 * fwhm_px)) + 1


def stamps_round(plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, half: int) -> np.ndarray:
    """Square cut-outs round each position, shape (n, 2 half + 1, 2 half + 1); NaN beyond the
    frame."""
    offset = np.arange(-half, half + 1)
    rows = np.rint(y_px).astype(int)[:, None] + offset
    columns = np.rint(x_px).astype(int)[:, None] + offset
    height, width = plane.shape
    stamps = plane[
        np.clip(rows, 0, height - 1)[:, :, None], np.clip(columns, 0, width - 1)[:, None, :]
    ]
    outside = ((rows < 0) | (rows >= height))[:, :, None] | ((columns < 0) | (columns >= width))[
        :, None, :
    ]
    stamps[outside] = np.nan
    return stamps


def luminance_stamps(
    pixels: np.ndarray, noise: FrameNoise, x_px: np.ndarray, y_px: np.ndarray, half: int
) -> np.ndarray:
    """Stamps of the sum of the channels, each in units of its own noise: shape as of
    `stamps_round`.

    Where there is nebula round a star, the channels are weighted so that it cancels.
    """
    channels = np.stack(
        [
            stamps_round(plane, x_px, y_px, half) * np.float32(1 / sigma if sigma > 0 else 0)
            for plane, sigma in zip(pixels, noise.noise, strict=True)
        ],
        axis=1,
    )
    total = channels.sum(axis=1)
    restless = np.flatnonzero(unrest(total) > RESTLESS)
    total[restless] = np.einsum(
        "ncyx,nc->nyx", channels[restless], _quiet_weights(channels[restless])
    )
    return total


def unrest(stamps: np.ndarray) -> np.ndarray:
    """Scatter of the outer pixels of each stamp."""
    outer = _ordered(stamps[:, _outer(stamps.shape[1:])])
    low, high = (outer[:, int(share * outer.shape[1])] for share in (0.16, 0.84))
    finite = np.isfinite(low)  # a stamp without data is not restless
    return np.where(np.isfinite(high), high, np.where(finite, low, 0)) - np.where(finite, low, 0)


def _ordered(values):
    return np.sort(np.where(np.isfinite(values), values, np.inf), axis=1)


def _outer(shape: tuple[int, int]) -> np.ndarray:
    """Pixels of a stamp that lie outside its inscribed circle's half."""
    half = shape[0] // 2
    y, x = np.ogrid[-half : half + 1, -half : half + 1]
    return np.hypot(x, y) > 0.5 * half


def _quiet_weights(channels: np.ndarray) -> np.ndarray:
    """Weights of the channels, (n, 3), that show the star and not what is round it; see `contrast`.

    What a star is brighter by counts as unrest with a small share, so that a bright star's own
    wings do not matter.
    """
    n, half = len(channels), channels.shape[2] // 2
    outer = np.nan_to_num(channels[:, :, _outer(channels.shape[2:])])
    level = np.median(outer, axis=2)
    centre = channels[:, :, half - 1 : half + 2, half - 1 : half + 2].reshape(n, 3, 9)
    height = np.nan_to_num(np.mean(centre, axis=2) - level)
    left = (outer - level[:, :, None]).astype(float)
    covariance = left @ left.swapaxes(1, 2) / left.shape[2]
    own = 1 + (OWN_SHARE * height.sum(axis=1)) ** 2 + LIKENESS * np.einsum("ncc->n", covariance)
    covariance += np.eye(3) * own[:, None, None]
    weight = np.linalg.solve(covariance, np.ones((n, 3, 1)))[:, :, 0]
    weight *= 3 / np.abs(weight).sum(axis=1, keepdims=True)
    return np.where(((weight * height).sum(axis=1) > 0)[:, None], weight, 1).astype(np.float32)


def measure_shapes(stamps: np.ndarray, fwhm_px: float) -> Shapes:
    """Centroid, FWHM and roundness from Gaussian-windowed moments, the window fitted to each star.

    Windowed moments of a Gaussian of width s under a window of width w give 1/m = 1/s^2 + 1/w^2;
    the window is matched to the star by iteration (adaptive moments, Bernstein & Jarvis 2002, AJ
    123, 583).
    """
    half = stamps.shape[1] // 2
    offset = np.arange(-half, half + 1, dtype=float)
    values = np.nan_to_num(stamps - rim_level(stamps)[:, None, None])
    n, reach = (
        len(stamps),
        max(0.5 * fwhm_px, 1.0),
    )  # further off, it would be another star's centre
    x, y, variance = np.zeros(n), np.zeros(n), np.full(n, (fwhm_px / FWHM_PER_SIGMA) ** 2)
    for _ in range(6):
        dx, dy = offset - x[:, None], offset - y[:, None]
        wx, wy = (np.exp(-0.5 * d**2 / variance[:, None]) for d in (dx, dy))
        columns, rows = (
            np.einsum("nyx,ny->nx", values, wy) * wx,
            np.einsum("nyx,nx->ny", values, wx) * wy,
        )
        total = np.where((t := columns.sum(1)) > 0, t, np.nan)
        mx, my = (columns * dx).sum(1) / total, (rows * dy).sum(1) / total
        mxx, myy = (columns * dx**2).sum(1) / total - mx**2, (rows * dy**2).sum(1) / total - my**2
        x, y = (np.clip(np.nan_to_num(p + 2 * m), -reach, reach) for p, m in ((x, mx), (y, my)))
        variance = np.clip(
            np.nan_to_num(_unwindow((mxx + myy) / 2, variance), nan=1.0), 0.2, half**2 / 4
        )
    mxy = np.einsum("nyx,ny,nx->n", values, wy * dy, wx * dx) / total - mx * my
    spread, mean = np.hypot(mxx - myy, 2 * mxy) / 2, (mxx + myy) / 2
    minor, major = (_unwindow(mean + sign * spread, variance) for sign in (-1, 1))
    roundness = np.sqrt(np.clip(minor / major, 0, 1))
    return Shapes(
        x, y, FWHM_PER_SIGMA * np.where(np.isfinite(total), np.sqrt(variance), np.nan), roundness
    )


def _unwindow(moment: np.ndarray, window_variance: np.ndarray) -> np.ndarray:
    """Variance of the star itself, from its moment under the window."""
    inverse = 1 / np.maximum(moment, 1e-3) - 1 / window_variance
    return 1 / np.maximum(inverse, 1e-3)


def rim_level(stamps: np.ndarray) -> np.ndarray:
    """Median of each stamp's outermost ring of pixels; NaN-safe."""
    rim = np.ones(stamps.shape[1:], bool)
    rim[1:-1, 1:-1] = False
    ring = np.where(np.isfinite(stamps[:, rim]), stamps[:, rim], np.inf)
    count = np.isfinite(ring).sum(1)
    ring.sort(axis=1)
    return np.where(count > 0, ring[np.arange(len(ring)), np.maximum(count, 1) // 2], 0.0)


def stacked_profile(
    stamps: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    weight: np.ndarray,
    fwhm_px: float,
    beta: tuple[float, float],
) -> tuple[float, float]:
    """FWHM and exponent of a Moffat profile fitted to the pixels of many stars, each scaled by its
    flux.

    Gaussian moments make a star with wings 10 to 20 % too wide; the half-maximum is what observers
    quote. ``weight`` is that of each star, ``beta`` the range of the exponent.
    """
    half = stamps.shape[1] // 2
    offset = np.arange(-half, half + 1)
    dx, dy = (offset - np.where(p < 0.5, p, p - 1)[:, None] for p in (x_px, y_px))
    radius = np.hypot(dx[:, None, :], dy[:, :, None])
    values = stamps - rim_level(stamps)[:, None, None]
    core = radius <= 1.5 * fwhm_px
    light = np.nansum(np.where(core, values, 0), axis=(1, 2))
    shining = light > 0  # a clipped neighbour on the rim can outshine the star
    values = values / np.where(shining, light, np.nan)[:, None, None]
    good = core & np.isfinite(values)
    if not good.any():
        return fwhm_px, float(np.clip(3.0, *beta))
    pixel_weight = np.broadcast_to(weight[:, None, None], values.shape)[good]

    def misfit(parameters):
        return (parameters[0] * moffat(radius[good], *parameters[1:]) - values[good]) * pixel_weight

    start = np.array([np.nanmax(values), fwhm_px, np.clip(3.0, *beta)])
    bounds = [0, 0.5 * fwhm_px, beta[0] - 0.01], [np.inf, 2 * fwhm_px, beta[1] + 0.01]
    return tuple(
        map(float, least_squares(misfit, start, bounds=bounds, loss="soft_l1", f_scale=0.01).x[1:])
    )


def moffat(radius_px: np.ndarray, fwhm_px: float, beta: float) -> np.ndarray:
    """Moffat 1969, A&A 3, 455, peak 1."""
    return (1 + (2 * radius_px / fwhm_px) ** 2 * (2 ** (1 / beta) - 1)) ** -beta
