"""How a finished nebula lies to the starless frame it was made from: shift, crop, turn, mirror,
scale.

Tones, colours, sharpness and noise may have changed on the way, so nothing here looks at values:
features that do not depend on scale and angle (Lowe 2004, IJCV 60, 91) are found in the ranks of
the brightness, and a robust similarity is drawn through those that agree. What it says is believed
only if the brightness of both then goes together, in ranks, over their overlap, clearly better than
it does at other places and in the mirror.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from ..errors import GeometryError

LONGEST_SIDE_PX = 1600  # features are looked for in pictures no larger: time grows with the area
FEATURES = 6000
CONTRAST = 0.015  # of features to the grey range: a nebula without its stars has few sharp ones
RATIO = 0.85  # of the best to the second-best distance: looser than usual, since tones have changed
REACH_PX = 3.0  # of agreement, in pixels of the pictures looked at
PLACE_ERROR_PX, PLACE_ERROR_SHARE = 0.15, 0.05  # of a feature: at least, and of its size
LEAST_AGREEING = 12  # a similarity has 4 numbers; a dozen pairs agree by chance in none of 1000
SCALES = (0.35, 1.7)  # of nebula to starless frame: edits of 0.4 to 1.5 and their errors
MOST_STRETCH = 0.006  # of one axis against the other: at 1000 px from the middle that is 6 px
PROOF_SIDE_PX = 160  # ranks are compared at this size: structure, no noise
PROOF_SMOOTH_PX = 8.0  # structure wider than this is compared by no one: gradients are edited
LEAST_CORRELATION = 0.35
LEAST_LEAD = 0.15  # over the best of other places and of the mirror
OTHER_PLACES = 24
LEAST_OVERLAP = 0.1  # of the nebula


@dataclass(frozen=True, kw_only=True)
class Moved:
    """How a picture lies to the frame that it was made from.

    Attributes
    ----------
    matrix : ndarray, (2, 3)
        Takes (x, y, 1) of the frame to (x, y) of the picture, pixels.
    error_px : float
        1-sigma error of that at the picture's corners.
    agreeing, tried : int
        Pairs of features that agree with it, and all pairs.
    correlation : float
        Of the ranks of brightness over the overlap, smooth structure taken out, -1 to 1.
    elsewhere : float
        The same at the best of other places and of the mirror.
    """

    matrix: NDArray[np.float64]
    error_px: float
    agreeing: int
    tried: int
    correlation: float
    elsewhere: float

    @property
    def scale(self) -> float:
        """Pixels of the picture for one of the frame."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:, :2]))))

    @property
    def mirrored(self) -> bool:
        """Whether the picture is seen from behind."""
        return bool(np.linalg.det(self.matrix[:, :2]) < 0)

    @property
    def rotation_deg(self) -> float:
        """From the frame's x axis to the picture's, counted from x to y; -180 to 180."""
        return float(np.degrees(np.arctan2(self.matrix[1, 0], self.matrix[0, 0])))

    @property
    def unchanged(self) -> bool:
        """Whether the picture lies as the frame does, to within the error."""
        away_px = np.abs(self.matrix - np.eye(2, 3))
        return bool(away_px[:, 2].max() < 0.5 and away_px[:, :2].max() < 1e-3)

    def __str__(self) -> str:
        """In words."""
        if self.unchanged:
            return f"the nebula lies as its starless frame does (to {self.error_px:.2f} px)"
        mirror = "mirrored, " if self.mirrored else ""
        return (
            f"since its stars were taken out the nebula was {mirror}turned by "
            f"{self.rotation_deg:.2f} degrees and scaled by {self.scale:.4f}, known to "
            f"{self.error_px:.2f} px from {self.agreeing} features"
        )


def carried(matrix: NDArray, x_px: NDArray, y_px: NDArray) -> tuple[NDArray, NDArray]:
    """Places of a frame as places of a picture of it.

    Parameters
    ----------
    matrix : ndarray, (2, 3)
        See `Moved`.
    x_px, y_px : ndarray, (n,)

    Returns
    -------
    x_px, y_px : ndarray, (n,)
    """
    x, y = matrix @ np.stack([x_px, y_px, np.ones(len(x_px))])
    return x, y


def find_moved(starless: NDArray, nebula: NDArray) -> Moved:
    """Find how a finished nebula lies to its starless frame.

    Parameters
    ----------
    starless, nebula : ndarray, (3, y, x)
        Linear or stretched, NaN where there is no data; of any two sizes.

    Returns
    -------
    Moved

    Raises
    ------
    GeometryError
        No similarity agrees with enough features, the brightness does not bear it out, or the
        picture was sheared or bent.
    """
    frame, picture = _Looked.at(starless), _Looked.at(nebula)
    ways = [_similarity(frame, picture, mirrored) for mirrored in (False, True)]
    best, other = sorted(ways, key=lambda way: len(way.inside), reverse=True)
    if len(best.inside) < LEAST_AGREEING:
        raise GeometryError(
            f"only {len(best.inside)} features of the nebula are found in its starless frame, "
            f"{LEAST_AGREEING} needed: say --moved none if it was neither cropped nor turned, or "
            f"name the frame it was made from by --starless FILE"
        )
    _require_similarity(best)
    correlation, elsewhere = _proof(frame, picture, best.matrix, other.matrix)
    if correlation < LEAST_CORRELATION or correlation - elsewhere < LEAST_LEAD:
        raise GeometryError(
            f"the place found for the nebula is not sure: brightness goes together by "
            f"{correlation:.2f} there and by {elsewhere:.2f} elsewhere, {LEAST_LEAD} apart needed; "
            f"say --moved none if it was neither cropped nor turned, or name the frame it was made "
            f"from by --starless FILE"
        )
    return Moved(
        matrix=picture.from_small(best.matrix @ frame.to_small_3x3()),
        error_px=best.error_px(picture.shape) / picture.share,
        agreeing=len(best.inside),
        tried=best.tried,
        correlation=correlation,
        elsewhere=elsewhere,
    )


# --- what is looked at ------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Looked:
    """A picture small enough to look for features in: ranks of brightness as 8-bit grey."""

    grey: NDArray[np.uint8]
    brightness: NDArray[np.float32]
    known: NDArray[np.bool_]
    share: float  # of the picture's size

    @classmethod
    def at(cls, pixels: NDArray) -> "_Looked":
        import cv2

        brightness = np.nanmean(pixels, axis=0, dtype=np.float32)
        known = np.isfinite(brightness)
        share = min(1.0, LONGEST_SIDE_PX / max(brightness.shape))
        brightness = np.where(known, brightness, np.float32(np.nanmedian(brightness)))
        if share < 1:
            size = [max(1, round(side * share)) for side in brightness.shape[::-1]]
            brightness = cv2.resize(brightness, size, interpolation=cv2.INTER_AREA)
            known = cv2.resize(known.astype(np.uint8), size) > 0
            share = size[0] / pixels.shape[2]
        return cls(_equalised(brightness), brightness, known, share)

    @property
    def shape(self) -> tuple[int, int]:
        return self.grey.shape

    def to_small_3x3(self) -> NDArray:
        """From pixels of the picture to those looked at (pixel centres are integers)."""
        half = 0.5 * self.share - 0.5
        return np.array([[self.share, 0, half], [0, self.share, half], [0, 0, 1]])

    def from_small(self, matrix: NDArray) -> NDArray:
        """A way that ends in pixels looked at, ending in pixels of the picture."""
        back = np.linalg.inv(self.to_small_3x3())
        return (back @ np.vstack([matrix, [0, 0, 1]]))[:2]


def _equalised(brightness: NDArray) -> NDArray[np.uint8]:
    """Ranks of brightness, local contrast lifted: tones no longer matter."""
    import cv2

    sample = np.sort(brightness[::3, ::3], axis=None)
    ranks = np.searchsorted(sample, brightness) / max(len(sample), 1)
    grey = np.clip(255 * ranks, 0, 255).astype(np.uint8)
    return cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8)).apply(grey)


# --- a similarity through features -----------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Way:
    """A similarity and the pairs of features it rests on; places are of pictures looked at."""

    matrix: NDArray | None
    before: NDArray  # (n, 2)
    after: NDArray
    inside: NDArray[np.intp]

    @property
    def tried(self) -> int:
        return len(self.before)

    def scatter_px(self) -> float:
        """Of one coordinate of one agreeing feature."""
        off = _applied(self.matrix, self.before[self.inside]) - self.after[self.inside]
        return float(np.sqrt(np.sum(off**2) / max(2 * len(off) - 4, 1)))

    def error_px(self, shape: tuple[int, int]) -> float:
        """1-sigma error at the farthest corner, from the scatter and where the features lie."""
        places = self.after[self.inside]
        middle = places.mean(axis=0)
        spread = np.sqrt(np.mean(np.sum((places - middle) ** 2, axis=1)))
        corners = np.array([(x, y) for x in (0, shape[1] - 1) for y in (0, shape[0] - 1)])
        farthest = np.hypot(*(corners - middle).T).max()
        own = self.scatter_px() / np.sqrt(len(places))
        return float(own * np.hypot(1, farthest / max(spread, 1)) * np.sqrt(2))


def _applied(matrix: NDArray, places: NDArray) -> NDArray:
    return places @ matrix[:, :2].T + matrix[:, 2]


def _similarity(frame: _Looked, picture: _Looked, mirrored: bool) -> _Way:
    """The similarity that most features agree with, from the frame as it is or from behind."""
    import cv2

    grey = frame.grey[:, ::-1] if mirrored else frame.grey
    pairs = _pairs(np.ascontiguousarray(grey), picture.grey)
    before, after, size_px = pairs[:, :2], pairs[:, 2:4], pairs[:, 4]
    if mirrored:
        before = np.column_stack([grey.shape[1] - 1 - before[:, 0], before[:, 1]])
    nothing = _Way(None, before, after, np.empty(0, int))
    if len(before) < LEAST_AGREEING:
        return nothing
    sign = np.array([-1.0, 1.0]) if mirrored else np.ones(2)
    cv2.setRNGSeed(1)
    matrix, _ = cv2.estimateAffinePartial2D(
        np.float32(before * sign),
        np.float32(after),
        ransacReprojThreshold=REACH_PX,
        maxIters=5000,
        confidence=0.9999,
    )
    if matrix is None:
        return nothing
    matrix[:, :2] *= sign
    matrix, inside = _refined(matrix, before, after, _weights(size_px), mirrored)
    scale = np.sqrt(abs(np.linalg.det(matrix[:, :2]))) * frame.share / picture.share
    if not SCALES[0] < scale < SCALES[1]:
        return nothing
    return _Way(matrix, before, after, inside)


def _pairs(grey: NDArray, other: NDArray) -> NDArray:
    """Features that look alike in both and are like no second one.

    Returns
    -------
    (n, 5)
        x and y in the first, x and y in the other, size in the first; pixels.
    """
    import cv2

    finder = cv2.SIFT_create(
        nfeatures=FEATURES, contrastThreshold=CONTRAST, enable_precise_upscale=True
    )
    places, looks = finder.detectAndCompute(grey, None)
    others, their_looks = finder.detectAndCompute(other, None)
    if len(places) < 2 or len(others) < 2:
        return np.empty((0, 5))
    found = cv2.BFMatcher(cv2.NORM_L2).knnMatch(looks, their_looks, k=2)
    alike = [first for first, second in found if first.distance < RATIO * second.distance]
    pairs = [
        (*places[m.queryIdx].pt, *others[m.trainIdx].pt, places[m.queryIdx].size) for m in alike
    ]
    return np.unique(np.array(pairs).reshape(-1, 5).round(2), axis=0)


def _weights(size_px: NDArray) -> NDArray:
    """Of features: a large one is placed less well, by a share of its size."""
    return 1 / (PLACE_ERROR_PX**2 + (PLACE_ERROR_SHARE * size_px) ** 2)


def _refined(matrix: NDArray, before: NDArray, after: NDArray, weight: NDArray, mirrored: bool):
    """Least squares over the agreeing pairs, the reach drawn in as far as their scatter allows."""
    reach = REACH_PX
    inside = np.arange(len(before))
    for _ in range(8):
        off = np.hypot(*(_applied(matrix, before) - after).T)
        inside = np.flatnonzero(off < reach)
        if len(inside) < 4:
            break
        matrix = _least_squares(before[inside], after[inside], weight[inside], mirrored)
        reach = float(np.clip(3 * np.median(off[inside]), 0.7, REACH_PX))
    return matrix, inside


def _least_squares(before: NDArray, after: NDArray, weight: NDArray, mirrored: bool) -> NDArray:
    """The similarity nearest to pairs of places (Umeyama 1991, IEEE PAMI 13, 376), weighted."""
    share = (weight / weight.sum())[:, None]
    start, end = np.sum(share * before, axis=0), np.sum(share * after, axis=0)
    spread = (share * (after - end)).T @ (before - start)
    left, size, right = np.linalg.svd(spread)
    wanted = -1.0 if mirrored else 1.0
    signs = np.array([1.0, wanted * np.sign(np.linalg.det(left @ right))])
    rotation = left @ np.diag(signs) @ right
    scale = np.sum(size * signs) / np.sum(share * (before - start) ** 2)
    linear = scale * rotation
    return np.column_stack([linear, end - linear @ start])


# --- what speaks against it ------------------------------------------------------------------


def _require_similarity(way: _Way) -> None:
    """Refuse a picture that was sheared, squeezed or bent: its residuals follow its place."""
    off = np.hypot(*(_applied(way.matrix, way.before) - way.after).T)
    near = np.flatnonzero(off < 5 * REACH_PX)
    before, after = way.before[near], way.after[near]
    for _ in range(5):
        linear = np.column_stack([before, np.ones(len(before))])
        solved = np.linalg.lstsq(linear, after, rcond=None)[0]
        left = np.hypot(*(linear @ solved - after).T)
        keep = left < max(3 * np.median(left), 0.7)
        before, after = before[keep], after[keep]
    axes = np.linalg.svd(solved[:2].T, compute_uv=False)
    stretch = axes[0] / axes[1] - 1
    span = np.sqrt(np.mean(np.var(before, axis=0)))
    error = np.median(left) / np.sqrt(len(before)) / max(span, 1)
    if len(before) >= LEAST_AGREEING and stretch > MOST_STRETCH + 4 * error:
        raise GeometryError(
            f"the nebula was sheared or squeezed by {100 * stretch:.1f} % since its stars were "
            f"taken out; stars can be put back after shift, crop, turn, mirroring and even "
            f"scaling: undo the rest"
        )


def _proof(frame: _Looked, picture: _Looked, matrix: NDArray, mirror: NDArray | None):
    """Rank correlation of brightness where the frame is said to lie, and the best elsewhere."""
    small = PROOF_SIDE_PX / max(picture.shape)
    ours = _coarse(picture.brightness, np.diag([small, small, 1])[:2], picture.shape, small)
    laid = _laid(frame, matrix, small, picture.shape)
    here = _rank_correlation(ours, laid)
    rng = np.random.default_rng(1)
    height, width = ours.shape
    others = []
    for _ in range(OTHER_PLACES):
        shift = rng.integers(height // 6, max(height - height // 6, height // 6 + 1))
        across = rng.integers(width // 6, max(width - width // 6, width // 6 + 1))
        others.append(_rank_correlation(ours, np.roll(laid, (shift, across), axis=(0, 1))))
    if mirror is not None:
        others.append(_rank_correlation(ours, _laid(frame, mirror, small, picture.shape)))
    return here, float(np.max(others))


def _laid(frame: _Looked, matrix: NDArray, small: float, shape) -> NDArray:
    """The frame's brightness where a similarity lays it, as small as the proof wants it."""
    to_small = np.diag([small, small])
    values = np.where(frame.known, frame.brightness, np.nan)
    return _coarse(values, to_small @ matrix, shape, small)


def _coarse(values: NDArray, matrix: NDArray, shape, small: float) -> NDArray:
    """Values carried by a matrix onto a coarse grid, NaN outside, wide structure taken out."""
    import cv2

    scale = np.sqrt(abs(np.linalg.det(matrix[:, :2])))
    known = np.isfinite(values).astype(np.float32)
    blurred = ndimage.gaussian_filter(np.nan_to_num(values), 0.5 / scale)
    size = round(shape[1] * small), round(shape[0] * small)
    grid = cv2.warpAffine(blurred, matrix, size, flags=cv2.INTER_LINEAR, borderValue=0)
    inside = cv2.warpAffine(known, matrix, size, flags=cv2.INTER_NEAREST, borderValue=0) > 0.5
    ranks = np.full(grid.shape, np.nan)
    ranks[inside] = stats.rankdata(grid[inside]) / max(inside.sum(), 1)
    weight = ndimage.gaussian_filter(inside.astype(float), PROOF_SMOOTH_PX)
    wide = ndimage.gaussian_filter(np.where(inside, ranks, 0), PROOF_SMOOTH_PX)
    return ranks - wide / np.maximum(weight, 1e-9)


def _rank_correlation(a: NDArray, b: NDArray) -> float:
    both = np.isfinite(a) & np.isfinite(b)
    if both.mean() < LEAST_OVERLAP:
        return -1.0
    return float(np.nan_to_num(stats.spearmanr(a[both], b[both]).statistic, nan=-1.0))
