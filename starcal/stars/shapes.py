"""Stamps cut out round stars, and what their shapes are: centroid, width, roundness."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from .clipping import FLAT_SIGMA
from .noise import FrameNoise

FWHM_PER_SIGMA = 2.3548
RESTLESS = (
    8.0  # scatter round a star, in sums of three units of noise: white noise alone gives 3.5
)
OWN_SHARE = 0.03  # of a star's height, that its surroundings may owe to it
WINDOW_ROUNDS = 6
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
    """Of the stamps that shapes are measured on, in pixels.

    Parameters
    ----------
    fwhm_px : float

    Returns
    -------
    int
        Pixels.
    """
    return int(np.ceil(2.5 * fwhm_px)) + 1


def stamps_round(
    plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, half: int
) -> np.ndarray:
    """Square cut-outs round each position, shape (n, 2 half + 1, 2 half + 1); NaN beyond the
    frame.

    Parameters
    ----------
    plane : ndarray or mended.MendedPlane, (y, x)
    x_px, y_px : ndarray, (n,)
        0-based; the pixel nearest to each is the middle.
    half : int
        Pixels from the middle to the edge.

    Returns
    -------
    ndarray, (n, 2 half + 1, 2 half + 1)
    """
    if not isinstance(plane, np.ndarray):
        return plane.stamps(x_px, y_px, half)
    row = np.rint(y_px).astype(int)
    column = np.rint(x_px).astype(int)
    height, width = plane.shape
    inner = (row >= half) & (row < height - half) & (column >= half) & (column < width - half)
    if not inner.any():
        return gathered(plane, row, column, half)
    # whole rows of cut-outs are copied at a time: several times as quick as pixel by pixel
    windows = np.lib.stride_tricks.sliding_window_view(plane, (2 * half + 1, 2 * half + 1))
    if inner.all():
        return windows[row - half, column - half]
    stamps = np.empty((len(row), 2 * half + 1, 2 * half + 1), plane.dtype)
    stamps[inner] = windows[row[inner] - half, column[inner] - half]
    stamps[~inner] = gathered(plane, row[~inner], column[~inner], half)
    return stamps


def distances_in_stamps(x_px: np.ndarray, y_px: np.ndarray, half: int) -> np.ndarray:
    """Distance of each stamp's pixels from its star.

    Parameters
    ----------
    x_px, y_px : ndarray, (n,)
        As for `stamps_round`.
    half : int

    Returns
    -------
    ndarray, (n, 2 half + 1, 2 half + 1)
    """
    offset = np.arange(-half, half + 1)
    dx = offset - (x_px - np.rint(x_px))[:, None]
    dy = offset - (y_px - np.rint(y_px))[:, None]
    return np.hypot(dy[:, :, None], dx[:, None, :])


def gathered(plane, row: np.ndarray, column: np.ndarray, half: int) -> np.ndarray:
    """Cut-outs as of `stamps_round`, pixel by pixel, wherever they lie.

    Parameters
    ----------
    plane : ndarray or mended.MendedPlane, (y, x)
    row, column : ndarray of int, (n,)
        Of the middles.
    half : int

    Returns
    -------
    ndarray, (n, 2 half + 1, 2 half + 1)
    """
    offset = np.arange(-half, half + 1)
    rows = (row[:, None] + offset)[:, :, None]
    columns = (column[:, None] + offset)[:, None, :]
    height, width = plane.shape
    stamps = plane[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)]
    stamps[_off_frame(rows, height) | _off_frame(columns, width)] = np.nan
    return stamps


def _off_frame(index: np.ndarray, length: int) -> np.ndarray:
    """Which rows or columns the frame does not have."""
    return (index < 0) | (index >= length)


def luminance_stamps(
    pixels: np.ndarray, noise: FrameNoise, x_px: np.ndarray, y_px: np.ndarray, half: int
) -> np.ndarray:
    """Stamps of the sum of the channels, each in units of its own noise: shape as of
    `stamps_round`.

    Where there is nebula round a star, the channels are weighted so that it cancels.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
    noise : FrameNoise
    x_px, y_px : ndarray, (n,)
        0-based.
    half : int
        Pixels from the middle to the edge.

    Returns
    -------
    ndarray, (n, 2 half + 1, 2 half + 1)
    """
    channels = np.stack(
        [
            stamps_round(plane, x_px, y_px, half) * _one_over(sigma)
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


def _one_over(sigma: float) -> np.float32:
    """What brings a channel to units of its noise; 0 for one that has none."""
    return np.float32(1 / sigma if sigma > FLAT_SIGMA else 0)


def unrest(stamps: np.ndarray) -> np.ndarray:
    """Scatter of the outer pixels of each stamp."""
    outer = _finite_first(stamps[:, _outer(stamps.shape[1:])])
    low, high = (outer[:, int(share * outer.shape[1])] for share in (0.16, 0.84))
    finite = np.isfinite(low)  # a stamp without data is not restless
    return np.where(np.isfinite(high), high, np.where(finite, low, 0)) - np.where(
        finite, low, 0
    )


def _finite_first(values):
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
    outer = np.nan_to_num(channels[:, :, _outer(channels.shape[2:])])
    level = np.median(outer, axis=2)
    height = _core_height(channels, level)
    covariance = _unrest_covariance(outer - level[:, :, None], height)
    weight = np.linalg.solve(covariance, np.ones((len(channels), 3, 1)))[:, :, 0]
    weight *= 3 / np.abs(weight).sum(axis=1, keepdims=True)
    shown = (weight * height).sum(axis=1) > 0
    return np.where(shown[:, None], weight, 1).astype(np.float32)


def _unrest_covariance(left: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Of the channels round each star, (n, 3, 3), with the unrest that is the star's own."""
    left = left.astype(float)
    covariance = left @ left.swapaxes(1, 2) / left.shape[2]
    own = 1 + (OWN_SHARE * height.sum(axis=1)) ** 2 + LIKENESS * np.einsum("ncc->n", covariance)
    return covariance + np.eye(3) * own[:, None, None]


def _core_height(channels: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Mean of the innermost 3 x 3 pixels above a level, (n, 3)."""
    half = channels.shape[2] // 2
    inner = slice(half - 1, half + 2)
    centre = channels[:, :, inner, inner].reshape(len(channels), 3, 9)
    return np.nan_to_num(np.mean(centre, axis=2) - level)


def measure_shapes(stamps: np.ndarray, fwhm_px: float) -> Shapes:
    """Centroid, FWHM and roundness from Gaussian-windowed moments, the window fitted to each star.

    Windowed moments of a Gaussian of width s under a window of width w give 1/m = 1/s^2 + 1/w^2;
    the window is matched to the star by iteration (adaptive moments, Bernstein & Jarvis 2002, AJ
    123, 583).

    Parameters
    ----------
    stamps : ndarray, (n, size, size)
        Round each star, of odd size.
    fwhm_px : float
        To start from.

    Returns
    -------
    Shapes
    """
    values = np.nan_to_num(stamps - rim_level(stamps)[:, None, None])
    half = stamps.shape[1] // 2
    reach_px = max(0.5 * fwhm_px, 1.0)  # further off, it would be another star's centre
    window = _middle_window(len(stamps), fwhm_px)
    for _ in range(WINDOW_ROUNDS):
        seen_through = window
        moments = _moments(values, seen_through)
        window = _recentred(seen_through, moments, reach_px, half)
    return _shapes(window, moments, _mixed_moment(values, seen_through, moments))


@dataclass(frozen=True)
class _Window:
    """Round Gaussian windows over n stamps: centre from the middle, and variance, (n,)."""

    x: np.ndarray
    y: np.ndarray
    variance: np.ndarray

    def offsets(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Of columns and of rows of the stamps from the centres, (n, side)."""
        half = values.shape[1] // 2
        offset = np.arange(-half, half + 1, dtype=float)
        return offset - self.x[:, None], offset - self.y[:, None]

    def weight(self, offset: np.ndarray) -> np.ndarray:
        """Of columns or rows."""
        return np.exp(-0.5 * offset**2 / self.variance[:, None])


@dataclass(frozen=True)
class _Moments:
    """Of n stars under their windows, (n,)."""

    total: np.ndarray
    mx: np.ndarray
    my: np.ndarray
    mxx: np.ndarray
    myy: np.ndarray


def _shapes(window: _Window, moments: _Moments, mxy: np.ndarray) -> Shapes:
    """Of the stars that the windows were matched to; FWHM NaN where no light was seen."""
    minor, major = _axis_variances(moments, mxy, window.variance)
    fwhm_px = FWHM_PER_SIGMA * np.sqrt(window.variance)
    return Shapes(
        window.x,
        window.y,
        np.where(np.isfinite(moments.total), fwhm_px, np.nan),
        np.sqrt(np.clip(minor / major, 0, 1)),
    )


def _middle_window(count: int, fwhm_px: float) -> _Window:
    """Windows on the middle of so many stamps, as wide as a star."""
    variance = (fwhm_px / FWHM_PER_SIGMA) ** 2
    return _Window(np.zeros(count), np.zeros(count), np.full(count, variance))


def _moments(values: np.ndarray, window: _Window) -> _Moments:
    dx, dy = window.offsets(values)
    weight_x = window.weight(dx)
    weight_y = window.weight(dy)
    columns = np.einsum("nyx,ny->nx", values, weight_y) * weight_x
    rows = np.einsum("nyx,nx->ny", values, weight_x) * weight_y
    light = columns.sum(1)
    total = np.where(light > 0, light, np.nan)
    mx, mxx = _weighted_moments(columns, dx, total)
    my, myy = _weighted_moments(rows, dy, total)
    return _Moments(total, mx, my, mxx, myy)


def _weighted_moments(light, offset, total):
    """Of the offset, weighted by light."""
    mean = (light * offset).sum(1) / total
    return mean, (light * offset**2).sum(1) / total - mean**2


def _recentred(window: _Window, moments: _Moments, reach_px: float, half: int) -> _Window:
    """The windows moved to where the light is, as wide as the stars seem."""
    x = np.nan_to_num(window.x + 2 * moments.mx)
    y = np.nan_to_num(window.y + 2 * moments.my)
    own = _unwindow((moments.mxx + moments.myy) / 2, window.variance)
    return _Window(
        np.clip(x, -reach_px, reach_px),
        np.clip(y, -reach_px, reach_px),
        np.clip(np.nan_to_num(own, nan=1.0), 0.2, half**2 / 4),
    )


def _mixed_moment(values: np.ndarray, window: _Window, moments: _Moments) -> np.ndarray:
    dx, dy = window.offsets(values)
    weighted = window.weight(dy) * dy, window.weight(dx) * dx
    return (
        np.einsum("nyx,ny,nx->n", values, *weighted) / moments.total - moments.mx * moments.my
    )


def _axis_variances(
    moments: _Moments, mxy: np.ndarray, variance: np.ndarray
) -> tuple[np.ndarray, ...]:
    """Variance along the minor and the major axis."""
    spread = np.hypot(moments.mxx - moments.myy, 2 * mxy) / 2
    mean = (moments.mxx + moments.myy) / 2
    return _unwindow(mean - spread, variance), _unwindow(mean + spread, variance)


def _unwindow(moment: np.ndarray, window_variance: np.ndarray) -> np.ndarray:
    """Variance of the star itself, from its moment under the window."""
    inverse = 1 / np.maximum(moment, 1e-3) - 1 / window_variance
    return 1 / np.maximum(inverse, 1e-3)


def rim_level(stamps: np.ndarray) -> np.ndarray:
    """Median of each stamp's outermost ring of pixels; NaN-safe.

    Parameters
    ----------
    stamps : ndarray, (n, side, side)

    Returns
    -------
    ndarray, (n,)
    """
    return _rim_quantiles(stamps, 0.5)[0]


def rim_scatter(stamps: np.ndarray) -> np.ndarray:
    """One standard deviation of each stamp's outermost ring of pixels, outliers left out;
    NaN-safe.

    Parameters
    ----------
    stamps : ndarray, (n, side, side)

    Returns
    -------
    ndarray, (n,)
    """
    low, high = _rim_quantiles(stamps, 0.16, 0.84)
    return (high - low) / 2


def _rim_quantiles(stamps: np.ndarray, *shares: float) -> list[np.ndarray]:
    """Quantiles of each stamp's outermost ring of pixels that have data; 0 where none has."""
    rim = np.ones(stamps.shape[1:], bool)
    rim[1:-1, 1:-1] = False
    ring = np.where(np.isfinite(stamps[:, rim]), stamps[:, rim], np.inf)
    count = np.isfinite(ring).sum(1)
    ring.sort(axis=1)
    row = np.arange(len(ring))
    at = [(share * np.maximum(count, 1)).astype(int) for share in shares]
    return [np.where(count > 0, ring[row, place], 0.0) for place in at]


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
    radius = _radius_px(stamps, x_px, y_px)
    core = radius <= 1.5 * fwhm_px
    values = _per_light(stamps.astype(float), core)
    good = np.nonzero(core & np.isfinite(values))
    middle_beta = float(np.clip(3.0, *beta))
    if len(good[0]) == 0:
        return fwhm_px, middle_beta
    start = np.array([values[good].max(), fwhm_px, middle_beta])
    return _moffat_fit(radius[good], values[good], weight[good[0]], start, beta)


def _moffat_fit(radius_px, values, weight, start, beta):
    """FWHM, half to twice that of the start, and exponent, in or just beyond its range."""

    def misfit(parameters):
        return (parameters[0] * moffat_of_peak_1(radius_px, *parameters[1:]) - values) * weight

    least = [0, 0.5 * start[1], beta[0] - 0.01]
    most = [np.inf, 2 * start[1], beta[1] + 0.01]
    found = least_squares(misfit, start, bounds=(least, most), loss="soft_l1", f_scale=0.01)
    return float(found.x[1]), float(found.x[2])


def _radius_px(stamps: np.ndarray, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
    """Of each pixel of the stamps from its star, whose fraction of a pixel is given."""
    half = stamps.shape[1] // 2
    offset = np.arange(-half, half + 1)
    dx = offset - np.where(x_px < 0.5, x_px, x_px - 1)[:, None]
    dy = offset - np.where(y_px < 0.5, y_px, y_px - 1)[:, None]
    return np.hypot(dx[:, None, :], dy[:, :, None])


def _per_light(stamps: np.ndarray, core: np.ndarray) -> np.ndarray:
    """Stamps above their rim, for a star of light 1 in the core; NaN where it does not shine."""
    values = stamps - rim_level(stamps)[:, None, None]
    light = np.nansum(np.where(core, values, 0), axis=(1, 2))
    shining = light > 0  # a clipped neighbour on the rim can outshine the star
    return values / np.where(shining, light, np.nan)[:, None, None]


def moffat_of_peak_1(radius_px: np.ndarray, fwhm_px: float, beta: float) -> np.ndarray:
    """Moffat 1969, A&A 3, 455, peak 1."""
    return (1 + (2 * radius_px / fwhm_px) ** 2 * (2 ** (1 / beta) - 1)) ** -beta
