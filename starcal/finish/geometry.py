"""How a finished nebula lies to the starless frame it was made from: shift, crop, turn, mirror,
scale.

Tones, colours, sharpness and noise may have changed on the way. `features` draws a similarity
through what both pictures share. It is believed only if brightness then goes together, in ranks,
over their overlap, clearly better than at other places and in the mirror.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from ..errors import GeometryError
from ..robust import rank_correlation
from .features import (
    AGREEMENT_PX,
    Looked,
    Pairs,
    Way,
    features_library,
    looked_at,
    most_agreed_way,
)

LEAST_AGREEING = 10  # pictures of other objects agree in 4 at most (55 pairs of 11 pictures)
SCALES = (0.35, 1.7)  # of nebula to starless frame: edits of 0.4 to 1.5 and their errors
MOST_STRETCH = 0.006  # of one axis against the other: at 1000 px from the middle that is 6 px
PROOF_SIDE_PX = 160  # ranks are compared at this size: structure, no noise
PROOF_SMOOTH_PX = 8.0  # structure wider than this is compared by no one: gradients are edited
LEAST_CORRELATION = 0.2  # of an edit that left little of the structure
LEAST_LEAD = 0.12  # over the best of other places and of the mirror
OTHER_PLACES = 24
LEAST_OVERLAP = 0.1  # of the nebula

MOVED_ADVICE = (
    "say --moved none if it was neither cropped nor turned, or name the frame it was made from by "
    "--starless FILE"
)


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
    frame, picture = looked_at(starless), looked_at(nebula)
    ways = [most_agreed_way(frame, picture, mirrored) for mirrored in (False, True)]
    best, other = sorted(ways, key=lambda way: len(way.inside), reverse=True)
    if len(best.inside) < LEAST_AGREEING:
        raise GeometryError(
            f"only {len(best.inside)} features of the nebula are found in its starless frame, "
            f"{LEAST_AGREEING} needed: {MOVED_ADVICE}"
        )
    _require_similarity(best)
    proof = _proof(frame, picture, best, other)
    moved = Moved(
        matrix=_between_pictures(frame, picture, best.matrix),
        error_px=best.error_px(picture.shape) / picture.share,
        agreeing=len(best.inside),
        tried=len(best.pairs),
        correlation=proof[0],
        elsewhere=proof[1],
    )
    _require_sure(moved)
    return moved


def _between_pictures(frame: Looked, picture: Looked, matrix: NDArray) -> NDArray:
    """A way between what was looked at, as one between the pictures at full size."""
    back = np.linalg.inv(picture.to_looked())
    return (back @ np.vstack([matrix, [0, 0, 1]]) @ frame.to_looked())[:2]


# --- what speaks against it -------------------------------------------------------------------


def _require_sure(moved: Moved) -> None:
    low, high = SCALES
    if not low < moved.scale < high:
        raise GeometryError(
            f"the nebula seems scaled by {moved.scale:.2f}, {low} to {high} can be followed: "
            f"{MOVED_ADVICE}"
        )
    lead = moved.correlation - moved.elsewhere
    if moved.correlation < LEAST_CORRELATION or lead < LEAST_LEAD:
        raise GeometryError(
            f"the place found for the nebula is not sure: brightness goes together by "
            f"{moved.correlation:.2f} there and by {moved.elsewhere:.2f} elsewhere, {LEAST_LEAD} "
            f"apart needed: {MOVED_ADVICE}"
        )


def _require_similarity(way: Way) -> None:
    """Refuse a picture that was sheared or squeezed: its axes are of two lengths."""
    near = way.pairs.take(way.pairs.off_px(way.matrix) < 5 * AGREEMENT_PX)
    stretch, error = _axes_apart(near)
    if len(near) >= LEAST_AGREEING and stretch > MOST_STRETCH + 4 * error:
        raise GeometryError(
            f"the nebula was sheared or squeezed by {100 * stretch:.1f} % since its stars were "
            f"taken out; stars can be put back after shift, crop, turn, mirroring and even "
            f"scaling: undo the rest"
        )


def _axes_apart(pairs: Pairs) -> tuple[float, float]:
    """By what share one axis of the freest linear map is longer than the other, and its error."""
    for _ in range(5):
        linear = np.column_stack([pairs.before, np.ones(len(pairs))])
        solved = np.linalg.lstsq(linear, pairs.after, rcond=None)[0]
        left_px = np.hypot(*(linear @ solved - pairs.after).T)
        pairs = pairs.take(left_px < max(3 * np.median(left_px), 0.7))
    axes = np.linalg.svd(solved[:2], compute_uv=False)
    span_px = np.sqrt(np.mean(np.var(pairs.before, axis=0)))
    error = np.median(left_px) / np.sqrt(max(len(pairs), 1)) / max(span_px, 1)
    return axes[0] / axes[1] - 1, error


def _proof(frame: Looked, picture: Looked, best: Way, other: Way) -> tuple[float, float]:
    """Rank correlation of brightness where the frame is said to lie, and the best elsewhere."""
    small = PROOF_SIDE_PX / max(picture.shape)
    size = round(picture.shape[1] * small), round(picture.shape[0] * small)
    shrink = np.diag([small, small])
    ours = _fine_structure(picture.brightness, shrink @ np.eye(2, 3), size)
    values = np.where(frame.known, frame.brightness, np.nan)
    laid = _fine_structure(values, shrink @ best.matrix, size)
    others = [_correlation_where_both(ours, shifted) for shifted in _elsewhere(laid)]
    if other.matrix is not None:
        others.append(
            _correlation_where_both(ours, _fine_structure(values, shrink @ other.matrix, size))
        )
    return _correlation_where_both(ours, laid), float(np.max(others))


def _elsewhere(laid: NDArray):
    """The same structure at other places, at least a sixth of the picture away."""
    rng = np.random.default_rng(1)
    for _ in range(OTHER_PLACES):
        shift = [int(side * rng.uniform(1 / 6, 5 / 6)) for side in laid.shape]
        yield np.roll(laid, shift, axis=(0, 1))


def _fine_structure(values: NDArray, matrix: NDArray, size: tuple[int, int]) -> NDArray:
    """Ranks of values carried onto a coarse grid, NaN outside, wide structure taken out."""
    cv2 = features_library()
    scale = np.sqrt(abs(np.linalg.det(matrix[:, :2])))
    soft = ndimage.gaussian_filter(np.nan_to_num(values), 0.5 / scale)
    grid = cv2.warpAffine(soft, matrix, size, flags=cv2.INTER_LINEAR)
    known = np.isfinite(values).astype(np.float32)
    inside = cv2.warpAffine(known, matrix, size, flags=cv2.INTER_NEAREST) > 0.5
    return _without_wide_structure(_ranks(grid, inside), inside)


def _ranks(grid: NDArray, inside: NDArray) -> NDArray:
    """Ranks from 0 to 1 of values inside, 0 outside."""
    ranks = np.zeros(grid.shape)
    ranks[inside] = stats.rankdata(grid[inside]) / max(inside.sum(), 1)
    return ranks


def _without_wide_structure(ranks: NDArray, inside: NDArray) -> NDArray:
    """Ranks less their smooth mean over what is inside; NaN outside."""
    weight = ndimage.gaussian_filter(inside.astype(float), PROOF_SMOOTH_PX)
    wide = ndimage.gaussian_filter(ranks, PROOF_SMOOTH_PX) / np.maximum(weight, 1e-9)
    return np.where(inside, ranks - wide, np.nan)


def _correlation_where_both(a: NDArray, b: NDArray) -> float:
    both = np.isfinite(a) & np.isfinite(b)
    if both.mean() < LEAST_OVERLAP:
        return -1.0
    return rank_correlation(a[both], b[both])
