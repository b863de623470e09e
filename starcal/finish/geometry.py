"""How a finished nebula lies to the starless frame it was made from: shift, crop, turn, mirror,
scale.

Tones, colours, sharpness and noise may have changed on the way. `features` draws a similarity
through what both pictures share, `drift` makes it exact. It is believed only if brightness then
goes together, in ranks, over their overlap, clearly better than at other places and in the mirror.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from ..errors import GeometryError
from ..robust import rank_correlation
from .drift import Drift, ShiftFit, any_bend, fitted_shifts, refined, similar
from .features import (
    AGREEMENT_PX,
    Looked,
    Pairs,
    Way,
    applied,
    features_library,
    looked_at,
    made_smaller,
    scale_of,
    similarities,
    thinning,
)

LEAST_AGREEING = 6  # pictures of other objects agree in 4 at most (55 pairs of 11 pictures)
REFINED_SIDE_PX = 2000  # of the pictures that drift is measured on: more pixels cost time alone
METHOD_ERROR_PX = 0.02  # of a found place, at least: pixels are resampled on the way
MOST_SCATTER_PX = 1.2  # of windows' shifts: chance spreads them over 3 px and more
MOST_LEFT_PX = 0.7  # by a smooth bend, after the best similarity: more shows as double edges
BEND_SHOWS = 1.5  # by so much the windows' shifts are nearer to it than to a similarity
LEAST_BENT_WINDOWS = 100  # for the 20 terms of a bend: windows overlap
FAR_SHARE = 0.05  # of the picture: a pair of features farther off agrees by chance
EXACT_PX = 0.25  # so near to a shift by whole pixels or a quarter turn, it is one
SCALES_FOLLOWED = (
    0.35,
    1.7,
)  # of nebula to starless frame: edits of 0.4 to 1.5 and their errors
MOST_STRETCH = 0.006  # of one axis against the other: at 1000 px from the middle that is 6 px
LEAST_FOR_SHEAR = 30  # pairs of features: fewer may lie in a row
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
        return scale_of(self.matrix)

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
        """Whether the picture lies as the frame does."""
        return bool(np.array_equal(self.matrix, np.eye(2, 3)))

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
    ways = similarities(frame, picture)
    best, other = sorted(ways, key=lambda way: len(way.inside), reverse=True)
    if len(best.inside) < LEAST_AGREEING:
        raise GeometryError(
            f"only {len(best.inside)} features of the nebula are found in its starless frame, "
            f"{LEAST_AGREEING} needed: {MOVED_ADVICE}"
        )
    _require_similarity(best)
    _require_no_lens(best, picture.shape)
    proof = _proof(frame, picture, best, other)
    first = _unthinned(frame.to_looked(), picture.to_looked(), best.matrix)
    matrix, error_px = _exact(starless, nebula, first)
    moved = Moved(
        matrix=_whole(matrix, nebula.shape[1:], error_px),
        error_px=error_px,
        agreeing=len(best.inside),
        tried=len(best.pairs),
        correlation=proof[0],
        elsewhere=proof[1],
    )
    _require_sure(moved)
    return moved


def _unthinned(before: NDArray, after: NDArray, matrix: NDArray) -> NDArray:
    """A way between pictures made smaller, as one between those at full size.

    ``before`` and ``after`` are what made frame and picture smaller.
    """
    return (np.linalg.inv(after) @ np.vstack([matrix, [0, 0, 1]]) @ before)[:2]


def _exact(frame: NDArray, picture: NDArray, matrix: NDArray) -> tuple[NDArray, float]:
    """The way made exact by drift, and its error at the corners of the picture.

    Raises
    ------
    GeometryError
        Drift does not bear it out, or a bend is left.
    """
    small, other = made_smaller(frame, REFINED_SIDE_PX), made_smaller(picture, REFINED_SIDE_PX)
    before = thinning(frame.shape[1:], small.shape[1:])
    after = thinning(picture.shape[1:], other.shape[1:])
    start = _unthinned(np.linalg.inv(before), np.linalg.inv(after), matrix)
    found, drift = refined(small, other, start)
    straight = fitted_shifts(drift, similar(drift.places))
    if not drift.enough or straight.usual_px > MOST_SCATTER_PX:
        raise GeometryError(
            f"the place found for the nebula is not sure: {len(drift.places)} of {drift.tried} "
            f"parts of it are like the starless frame there, {straight.usual_px:.1f} px apart: "
            f"{MOVED_ADVICE}"
        )
    px = 1 / scale_of(after[:2])  # of the picture for one of the smaller
    _require_no_bend(drift, straight, other.shape[1:], px)
    corners = [(x, y) for x in (0, other.shape[2] - 1) for y in (0, other.shape[1] - 1)]
    error_px = straight.error_px(similar(np.array(corners, float)))
    return _unthinned(before, after, found), float(np.hypot(error_px, METHOD_ERROR_PX) * px)


def _whole(matrix: NDArray, shape: tuple[int, int], error_px: float) -> NDArray:
    """A crop or quarter turn that it is, to within its error, exactly; any other way as it is."""
    turn = np.rint(matrix[:, :2])
    if not np.array_equal(np.abs(turn).sum(axis=0), [1, 1]) or abs(np.linalg.det(turn)) != 1:
        return matrix
    back = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]
    corners = [(x, y) for x in (0.0, shape[1] - 1.0) for y in (0.0, shape[0] - 1.0)]
    ends = np.array(corners)
    starts = applied(back, ends)
    whole = np.column_stack([turn, np.rint(np.mean(ends - starts @ turn.T, axis=0))])
    off_px = np.hypot(*(applied(whole, starts) - ends).T).max()
    return whole if off_px < max(EXACT_PX, min(3 * error_px, 2 * EXACT_PX)) else matrix


# --- what speaks against it -------------------------------------------------------------------


def _require_sure(moved: Moved) -> None:
    low, high = SCALES_FOLLOWED
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
    if len(near) >= LEAST_FOR_SHEAR and stretch > MOST_STRETCH + 4 * error:
        raise GeometryError(
            f"the nebula was sheared or squeezed by {100 * stretch:.1f} % since its stars were "
            f"taken out; stars can be put back after shift, crop, turn, mirroring and even "
            f"scaling: undo the rest"
        )


def _require_no_lens(way: Way, shape: tuple[int, int]) -> None:
    """Refuse a picture that many more features agree with once it may be bent as by a lens."""
    near = way.pairs.take(way.pairs.off_px(way.matrix) < FAR_SHARE * max(shape))
    if len(near) < LEAST_BENT_WINDOWS:
        return
    laid = applied(way.matrix, near.before)
    drift = Drift(laid, near.after - laid, np.ones(len(near)), len(near))
    left_px = fitted_shifts(drift, _bend_design(laid, shape)).left_px
    agreeing = np.sum(left_px < AGREEMENT_PX)
    if agreeing > 1.5 * len(way.inside) + LEAST_AGREEING:
        raise GeometryError(
            f"the nebula was bent since its stars were taken out: {agreeing} features agree with "
            f"a bend, {len(way.inside)} with the best shift, turn and scale: undo the bend"
        )


def _require_no_bend(
    drift: Drift, straight: ShiftFit, shape: tuple[int, int], px: float
) -> None:
    """Refuse a picture of which the best similarity leaves smooth shifts."""
    if len(drift.places) < LEAST_BENT_WINDOWS:
        return
    design = _bend_design(drift.places, shape)
    fit = fitted_shifts(drift, design)
    left_px = px * np.quantile(np.hypot(*(design @ fit.terms).T), 0.95)
    if left_px > MOST_LEFT_PX and straight.usual_px > BEND_SHOWS * fit.usual_px:
        raise GeometryError(
            f"the nebula was sheared or bent since its stars were taken out: {left_px:.1f} px are "
            f"left after the best shift, turn and scale: undo the rest"
        )


def _bend_design(places: NDArray, shape: tuple[int, int]) -> NDArray:
    """See `drift.any_bend`, for a picture of so many rows and columns."""
    middle = (np.array(shape[::-1]) - 1) / 2
    return any_bend(places, middle, max(shape) / 2)


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
    return _without_wide_fine_structure(_ranks(grid, inside), inside)


def _ranks(grid: NDArray, inside: NDArray) -> NDArray:
    """Ranks from 0 to 1 of values inside, 0 outside."""
    ranks = np.zeros(grid.shape)
    ranks[inside] = stats.rankdata(grid[inside]) / max(inside.sum(), 1)
    return ranks


def _without_wide_fine_structure(ranks: NDArray, inside: NDArray) -> NDArray:
    """Ranks less their smooth mean over what is inside; NaN outside."""
    weight = ndimage.gaussian_filter(inside.astype(float), PROOF_SMOOTH_PX)
    wide = ndimage.gaussian_filter(ranks, PROOF_SMOOTH_PX) / np.maximum(weight, 1e-9)
    return np.where(inside, ranks - wide, np.nan)


def _correlation_where_both(a: NDArray, b: NDArray) -> float:
    both = np.isfinite(a) & np.isfinite(b)
    if both.mean() < LEAST_OVERLAP:
        return -1.0
    return rank_correlation(a[both], b[both])
