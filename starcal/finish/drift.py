"""How far a frame, carried to where a picture seems to lie, still is from it, window by window.

Some hundred small windows each tell a shift, by correlation of what is finer than a few pixels. The
similarity through these shifts is good to a tenth of a pixel and better. What is left of them tells
whether the picture was sheared or bent besides.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .features import contrast, detail, features_library
from .laying import softening_px
from .toning import evenly_toned, grainless, toned

DRIFT_WINDOW_PX, SMALL_WINDOW_PX, LEAST_WINDOW_PX = 64, 36, 20
WINDOWS_A_SIDE = 5  # of small pictures: of fewer a bend may be any
MOST_WINDOWS = 600
SHIFT_PX = 6  # the features are off by less
GRAIN_PX, WIDE_PX, NEIGHBOURS_PX = 1.0, 8.0, 12.0  # grain; gradients; where contrast is evened
LEAST_AGREEMENT = 0.2  # correlation of a window that tells anything
LEAST_WINDOWS = 6
CERTAIN = 1.02  # above 1, so that windows that agree wholly do not outweigh all others
CARRIED_ROUNDS, FIT_ROUNDS = 2, 12
SETTLED_PX = 0.03  # by less the way is not carried anew: a tenth of what stars may be off
MIX_STEP = 3  # pixels that tell how the channels were mixed


@dataclass(frozen=True, eq=False)
class Drift:
    """What windows of a picture tell.

    Attributes
    ----------
    places, away_px : ndarray, (n, 2)
        Middle of each window, x and y, and how far the frame lies off there.
    weight : ndarray, (n,)
        By how much the window agrees.
    tried : int
        Windows in all that both pictures cover.
    step_px : float
        From a window to the next.
    """

    places: NDArray[np.float64]
    away_px: NDArray[np.float64]
    weight: NDArray[np.float64]
    tried: int
    step_px: float = 0.0

    @property
    def enough(self) -> bool:
        """Whether a similarity can be drawn through them."""
        return len(self.places) >= LEAST_WINDOWS


@dataclass(frozen=True, eq=False)
class ShiftFit:
    """Smooth shifts through those of windows.

    Attributes
    ----------
    terms : ndarray, (k,)
    covariance : ndarray, (k, k)
    left_px : ndarray, (n,)
        What each window is off.
    usual_px : float
        Median of that over the windows that agree best.
    """

    terms: NDArray[np.float64]
    covariance: NDArray[np.float64]
    left_px: NDArray[np.float64]
    usual_px: float

    def error_px(self, rows: NDArray) -> float:
        """Largest 1-sigma error of the shift at places whose design is ``rows``, (m, 2, k)."""
        variance = np.einsum("mik,kl,mil->m", rows, self.covariance, rows)
        return float(np.sqrt(variance.max()))


def refined(
    frame: NDArray, picture: NDArray, matrix: NDArray
) -> tuple[NDArray[np.float64], Drift]:
    """A similarity made exact.

    Parameters
    ----------
    frame, picture : ndarray, (3, y, x) float32
        NaN where there is no data.
    matrix : ndarray, (2, 3)
        From the frame to the picture, right to some pixels.

    Returns
    -------
    matrix : ndarray, (2, 3)
        As given, where windows tell nothing.
    drift : Drift
        Of the frame carried by it.
    """
    goal = _goal_of(picture)
    source = _Source(evenly_toned(_filled(frame)), _known(frame))
    for _ in range(CARRIED_ROUNDS):
        drift = _drift(source, goal, matrix)
        if not drift.enough:
            return matrix, drift
        terms = fitted_shifts(drift, similar(drift.places)).terms
        matrix = _moved_by(matrix, terms)
        if np.abs(similar(corners_of(goal.shape)) @ terms).max() < SETTLED_PX:
            return matrix, drift
    return matrix, _drift(source, goal, matrix)


def corners_of(shape: tuple[int, ...]) -> NDArray[np.float64]:
    """The four corners of a picture, x and y.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns, the last two.

    Returns
    -------
    ndarray, (4, 2)
    """
    return np.array([(x, y) for x in (0.0, shape[-1] - 1.0) for y in (0.0, shape[-2] - 1.0)])


def _known(pixels: NDArray) -> NDArray[np.bool_]:
    """Where there is data in all channels."""
    return np.isfinite(pixels).all(axis=0)


def _filled(pixels: NDArray) -> NDArray[np.float32]:
    """Pixels without gaps: each channel's median where there is no data."""
    filled = np.array(pixels, np.float32)
    for plane in filled:
        gap = ~np.isfinite(plane)
        if gap.any():
            plane[gap] = np.median(plane[~gap]) if not gap.all() else 0
    return filled


@dataclass(frozen=True, eq=False)
class _Source:
    """The frame: planes without gaps (3, y, x), tones evened, and where there is data."""

    planes: NDArray[np.float32]
    known: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Goal:
    """A picture, looked at for its details.

    Attributes
    ----------
    smooth : ndarray, (3, y, x)
        Its planes without grain or gaps, tones evened.
    near : ndarray, (y, x)
        Contrast round each pixel: bright knots count as much as faint ones.
    detail : ndarray, (3, y, x)
        In such contrasts.
    known : ndarray, (y, x) bool
        Where there is data.
    """

    smooth: NDArray[np.float32]
    near: NDArray[np.float32]
    detail: NDArray[np.float32]
    known: NDArray[np.bool_]

    @property
    def shape(self) -> tuple[int, ...]:
        """Rows and columns."""
        return self.near.shape


def _goal_of(picture: NDArray) -> _Goal:
    even = evenly_toned(_filled(picture))
    parts = _details(even)
    near = contrast(np.mean(parts**2, axis=0), NEIGHBOURS_PX)
    return _Goal(grainless(even), near, parts / near, _known(picture))


def _details(planes: NDArray) -> NDArray[np.float32]:
    return np.array([detail(plane, GRAIN_PX, WIDE_PX) for plane in planes])


def _drift(source: _Source, goal: _Goal, matrix: NDArray) -> Drift:
    """Of the frame carried by a matrix, in the picture's tones; see `refined`."""
    cv2 = features_library()
    size = goal.shape[::-1]
    both = cv2.warpAffine(source.known.astype(np.uint8), matrix, size) > 0
    both &= goal.known
    laid = toned(carried_planes(source.planes, matrix, size), goal.smooth, both)
    parts = _details(laid) / goal.near
    ours, theirs = _mixes_of_channels(parts, goal.detail, both)
    return _window_shifts(_mixed(parts, ours), _mixed(goal.detail, theirs), both)


def _mixed(parts: NDArray, mix: NDArray) -> NDArray[np.float32]:
    """Channels added up by their shares."""
    return np.tensordot(mix, parts, axes=1).astype(np.float32)


def carried_planes(planes: NDArray, matrix: NDArray, size: tuple[int, int]) -> NDArray:
    """Planes carried by a similarity onto a grid of so many columns and rows."""
    cv2 = features_library()
    blur_px = softening_px(matrix)
    if blur_px > 0:
        planes = [cv2.GaussianBlur(plane, (0, 0), blur_px) for plane in planes]
    cubic, mirror = cv2.INTER_CUBIC, cv2.BORDER_REFLECT
    laid = [cv2.warpAffine(p, matrix, size, flags=cubic, borderMode=mirror) for p in planes]
    return np.array(laid)


def _mixes_of_channels(
    parts: NDArray, goal: NDArray, both: NDArray
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How much of each channel of the frame and of the picture make the two planes that go together
    best, (3,) each (Hotelling 1936, Biometrika 28, 321): editors mix channels, and a star cluster
    on a red nebula moves then, as it were."""
    ours, theirs = _thin_values(parts, both), _thin_values(goal, both)
    if not ours.size:
        return np.ones(3), np.ones(3)
    ours_even, theirs_even = _evening(ours), _evening(theirs)
    left, _, right = np.linalg.svd(ours_even @ (ours @ theirs.T) @ theirs_even)
    return ours_even @ left[:, 0], theirs_even @ right[0]


def _thin_values(planes: NDArray, chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Values of planes where that is chosen, a sample of them, (3, n)."""
    thin = np.s_[..., ::MIX_STEP, ::MIX_STEP]
    return planes[thin][:, chosen[thin]].astype(float)


def _evening(channels: NDArray) -> NDArray[np.float64]:
    """What makes channels (3, n) alike strong and independent of each other, (3, 3)."""
    power, axes = np.linalg.eigh(channels @ channels.T)
    return axes / np.sqrt(np.maximum(power, 1e-4 * power[-1]) + 1e-12) @ axes.T


def _window_shifts(seen: NDArray, goal: NDArray, both: NDArray) -> Drift:
    """By cross-correlation in windows that overlap by half."""
    side = _window_side(min(goal.shape))
    step = _window_step(goal.shape, side)
    corners = _corners(goal.shape, side, step) if side >= LEAST_WINDOW_PX else []
    whole = [(y, x) for y, x in corners if both[y : y + side, x : x + side].all()]
    if not whole:
        return Drift(np.empty((0, 2)), np.empty((0, 2)), np.empty(0), 0)
    peaks = _correlations(_cut(seen, whole, side), _cut(goal, whole, side))
    away_px, agreement, inside = _summits(peaks)
    tells = inside & (agreement > LEAST_AGREEMENT)
    middle = np.array(whole, float)[:, ::-1] + (side - 1) / 2
    weight = agreement**2 / (CERTAIN - np.minimum(agreement, 1) ** 2)
    return Drift(middle[tells], away_px[tells], weight[tells], len(whole), step)


def _window_side(shorter_px: int) -> int:
    """Of a window, an even number of pixels, by the shorter side of a picture."""
    side = np.clip(shorter_px // WINDOWS_A_SIDE, SMALL_WINDOW_PX, DRIFT_WINDOW_PX)
    return 2 * (min(int(side), shorter_px // 2) // 2)


def _window_step(shape: tuple[int, int], side: int) -> int:
    """From a window to the next: they overlap by half, in large pictures by less."""
    return max(side // 2, int(np.sqrt(shape[0] * shape[1] / MOST_WINDOWS)))


def _corners(shape: tuple[int, int], side: int, step: int) -> list[tuple[int, int]]:
    """Windows spread evenly over a picture."""
    rows = range(0, shape[0] - side + 1, step)
    columns = range(0, shape[1] - side + 1, step)
    return [(y, x) for y in rows for x in columns]


def _cut(plane: NDArray, corners: list[tuple[int, int]], side: int) -> NDArray:
    """Windows of a plane, fading towards their rims, of mean 0, (n, side, side)."""
    taper = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    cut = np.array([plane[y : y + side, x : x + side] for y, x in corners]) * taper
    return cut - cut.mean(axis=(1, 2), keepdims=True)


def _correlations(seen: NDArray, goal: NDArray) -> NDArray[np.float64]:
    """For every shift within reach, (n, rows, columns)."""
    product = np.conj(np.fft.rfft2(seen)) * np.fft.rfft2(goal)
    turned = np.fft.fftshift(np.fft.irfft2(product, s=seen.shape[1:]), axes=(1, 2))
    power = np.sum(seen**2, axis=(1, 2)) * np.sum(goal**2, axis=(1, 2))
    near = slice(seen.shape[1] // 2 - SHIFT_PX, seen.shape[1] // 2 + SHIFT_PX + 1)
    return turned[:, near, near] / np.sqrt(power + 1e-20)[:, None, None]


def _summits(peaks: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Shift x and y of the highest correlation, its height, and whether it lies within reach."""
    n, last = len(peaks), peaks.shape[1] - 1
    highest = peaks.reshape(n, -1).argmax(axis=1)
    y, x = np.divmod(highest, last + 1)
    inside = (y > 0) & (y < last) & (x > 0) & (x < last)
    y, x = np.clip(y, 1, last - 1), np.clip(x, 1, last - 1)
    away_px = np.stack([x, y], axis=1) - SHIFT_PX + _beyond_pixels(peaks, y, x)
    return away_px, peaks[np.arange(n), y, x], inside


def _beyond_pixels(peaks: NDArray, y: NDArray, x: NDArray) -> NDArray[np.float64]:
    """How far summits lie beside the highest pixels, x and y, (n, 2)."""
    row = np.arange(len(peaks))
    top = peaks[row, y, x]
    dx = _summit_between(peaks[row, y, x - 1], top, peaks[row, y, x + 1])
    dy = _summit_between(peaks[row, y - 1, x], top, peaks[row, y + 1, x])
    return np.stack([dx, dy], axis=1)


def _summit_between(before: NDArray, top: NDArray, after: NDArray) -> NDArray:
    """Place of the summit of a parabola through three neighbours."""
    bend = np.minimum(before - 2 * top + after, -1e-9)
    return np.clip(0.5 * (before - after) / bend, -1, 1)


# --- smooth shifts ------------------------------------------------------------------------------


def similar(places: NDArray) -> NDArray[np.float64]:
    """Design of the shift by a small similarity: two ways, growth, turn, (n, 2, 4)."""
    x, y = places.T
    one, none = np.ones(len(x)), np.zeros(len(x))
    return np.stack(
        [np.stack([one, none, x, -y], axis=1), np.stack([none, one, y, x], axis=1)], axis=1
    )


def any_bend(places: NDArray, middle: NDArray, reach_px: float) -> NDArray[np.float64]:
    """Design of any smooth shift, polynomials of third degree in x and in y, (n, 2, 20)."""
    x, y = ((places - middle) / reach_px).T
    powers = [(i, j) for i in range(4) for j in range(4 - i)]
    terms = np.stack([x**i * y**j for i, j in powers], axis=1)
    none = np.zeros_like(terms)
    return np.stack([np.hstack([terms, none]), np.hstack([none, terms])], axis=1)


def fitted_shifts(drift: Drift, design: NDArray) -> ShiftFit:
    """Shifts fitted robustly; windows far off count less and less.

    Parameters
    ----------
    drift : Drift
    design : ndarray, (n, 2, k)

    Returns
    -------
    ShiftFit
    """
    terms = np.zeros(design.shape[2])
    if not len(design):
        return ShiftFit(terms, np.zeros((len(terms), len(terms))), np.empty(0), np.inf)
    size = (
        np.sqrt(np.sum(design**2, axis=(0, 1))) + 1e-12
    )  # of a term: keeps the solution stable
    rows = design / size
    heavy = drift.weight >= np.median(drift.weight)
    for _ in range(FIT_ROUNDS):
        left = drift.away_px - rows @ terms
        off_px = np.hypot(*left.T)
        usual_px = max(float(np.median(off_px[heavy])), 0.02)
        weight = drift.weight / (1 + (off_px / (2 * usual_px)) ** 2) ** 2
        weighted = rows * weight[:, None, None]
        normal = np.einsum("nik,nil->kl", weighted, rows)
        inverse = np.linalg.pinv(normal, hermitian=True, rcond=1e-10)
        terms = inverse @ np.einsum("nik,ni->k", weighted, drift.away_px)
    score = np.einsum("nik,ni->nk", weighted, drift.away_px - rows @ terms)
    covariance = inverse @ (score.T @ score) @ inverse
    left_px = np.hypot(*(drift.away_px - rows @ terms).T)
    return ShiftFit(
        terms / size,
        covariance / np.outer(size, size),
        left_px,
        usual_px=float(np.median(left_px[heavy])),
    )


def _moved_by(matrix: NDArray, terms: NDArray) -> NDArray[np.float64]:
    """A similarity followed by a small one."""
    x, y, growth, turn = terms
    small = np.array([[1 + growth, -turn], [turn, 1 + growth]])
    return np.column_stack([small @ matrix[:, :2], small @ matrix[:, 2] + (x, y)])
