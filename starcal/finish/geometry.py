"""How a finished nebula lies to the starless frame it was made from: shift, crop, turn, mirror,
scale.

Tones, colours, sharpness and noise may have changed on the way. `features` draws a similarity
through what both pictures share, `drift` makes it exact. It is believed only if brightness then
goes together, in ranks, over their overlap, clearly better than at other places and in the mirror.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..cores import in_threads
from ..errors import GeometryError
from ..robust import rank_correlation
from .bends import MOST_PART_PX, require_even_axes, require_no_bend, require_no_lens
from .drift import Drift, ShiftFit, corners_of, fitted_shifts, refined, similar
from .features import (
    Looked,
    Way,
    applied,
    features_library,
    is_quarter_turn,
    looked_at,
    made_smaller,
    most_agreeing,
    scale_of,
    thinning,
)

LEAST_AGREEING = 6  # pictures of other objects agree in 4 at most (55 pairs of 11 pictures)
REFINED_SIDE_PX = 1500  # of the pictures that drift is measured on: more pixels cost time alone
METHOD_ERROR_PX = 0.02  # of a found place, at least: pixels are resampled on the way
MOST_ERROR_PX = 0.45  # bent copies that pass for straight say 0.49 and more, straight ones less
SEEN_SIDE_PX = 3000  # larger pictures are seen made smaller: pixels of those count
MOST_SCATTER_PX = 1.2  # of windows' shifts: chance spreads them over 3 px and more
EXACT_PX = 0.25  # so near to a shift by whole pixels or a quarter turn, it is one
SCALES_FOLLOWED = (
    0.35,
    1.7,
)  # of nebula to starless frame: edits of 0.4 to 1.5 and their errors
PROOF_SIDE_PX = 160  # ranks are compared at this size: structure, no noise
PROOF_SMOOTH_PX = 8.0  # structure wider than this is compared by no one: gradients are edited
# Windows of another place tell shifts spread over 13 x 13 px: one in 50 lies within a pixel of any.
NEAR_PX, SURE_WINDOWS, SURE_SHARE = 1.0, 20, 0.3
LEAST_CORRELATION = 0.2  # of an edit that left little of the structure
LEAST_LEAD = 0.12  # over the best of other places and of the mirror
OTHER_PLACES = 24
LEAST_OVERLAP = 0.1  # of the nebula

FLIPS = {0.0: "mirrored top to bottom", 180.0: "mirrored left to right"}  # by the turn, degrees
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
        1-sigma error of that at the picture's corners, what ``bend_px`` allows among it.
    bend_px : float
        How far places may be off by a bend that is too small or too unsure to be refused.
    agreeing, tried : int
        Pairs of features that agree with it, and all pairs.
    correlation : float
        Of the ranks of brightness over the overlap, smooth structure taken out, -1 to 1.
    elsewhere : float
        The same at the best of other places and of the mirror.
    windows : int
        Small windows of the picture that lie where it says, to a pixel.
    told : int
        All windows that tell where they lie.
    shapes : tuple of two (int, int)
        Rows and columns of frame and picture.
    """

    matrix: NDArray[np.float64]
    error_px: float
    bend_px: float = 0.0
    agreeing: int
    tried: int
    correlation: float
    elsewhere: float
    windows: int = 0
    told: int = 0
    shapes: tuple[tuple[int, ...], tuple[int, ...]]

    @property
    def sure(self) -> bool:
        """Whether brightness goes together there as nowhere else, or window after window agrees."""
        lead = self.correlation - self.elsewhere
        alike = self.correlation >= LEAST_CORRELATION and lead >= LEAST_LEAD
        return alike or self.windows >= max(SURE_WINDOWS, SURE_SHARE * self.told)

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
        """What was done, in words."""
        done = self._turned() + self._scaled()
        done = done or self._cropped()
        known = f"to {self.error_px:.2f} px"
        if self.bend_px > MOST_PART_PX:
            known += f": a bend of {self.bend_px:.2f} px would not be seen"
        if not done:
            return f"the nebula lies as its starless frame does ({known})"
        was = " and ".join(done)
        return f"since its stars were taken out the nebula was {was} (known {known})"

    def _turned(self) -> list[str]:
        turn_deg = round(self.rotation_deg, 2)
        turned = f"turned by {turn_deg:.2f} degrees"
        if not self.mirrored:
            return [turned] if turn_deg else []
        flip = FLIPS.get(abs(turn_deg))
        return [flip] if flip else ["mirrored", turned]

    def _scaled(self) -> list[str]:
        scale = round(self.scale, 4)
        if scale == 1:
            return []
        return [f"scaled by {scale:.4f}"]

    def _cropped(self) -> list[str]:
        """What was cut off each side, or set on, of a picture that was only cropped."""
        (rows, columns), (height, width) = self.shapes
        left, below = (round(-shift) for shift in self.matrix[:, 2])
        cut_px = {
            "left": left,
            "right": columns - width - left,
            "below": below,
            "above": rows - height - below,
        }
        words: dict[str, list[str]] = {"cropped by": [], "enlarged by": []}
        for side, px in cut_px.items():
            if px > 0:
                words["cropped by"].append(f"{px} px {side}")
            if px < 0:
                words["enlarged by"].append(f"{-px} px {side}")
        return [f"{done} {', '.join(sides)}" for done, sides in words.items() if sides]


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
    frame, picture = in_threads(looked_at, (starless, nebula))
    best, other = most_agreeing(frame, picture)
    if len(best.inside) < LEAST_AGREEING:
        raise GeometryError(
            f"only {len(best.inside)} features of the nebula are found in its starless frame, "
            f"{LEAST_AGREEING} needed: {MOVED_ADVICE}"
        )
    require_even_axes(best)
    require_no_lens(best, picture.shape)
    proof = _proof(frame, picture, best, other)
    first = _unthinned(frame.to_looked(), picture.to_looked(), best.matrix)
    exact = _exact(starless, nebula, _as_similarity(first, starless.shape[1:]))
    shapes = starless.shape[1:], nebula.shape[1:]
    moved = _moved_of(best, exact, proof, shapes)
    _require_sure(moved)
    return moved


def _moved_of(
    best: Way,
    exact: "Exact",
    proof: tuple[float, float],
    shapes,
) -> Moved:
    """What features, windows and ranks of brightness told, together."""
    return Moved(
        matrix=exact.matrix,
        error_px=exact.error_px,
        bend_px=exact.bend_px,
        agreeing=len(best.inside),
        tried=len(best.pairs),
        correlation=proof[0],
        elsewhere=proof[1],
        windows=int(np.sum(exact.left_px < NEAR_PX)),
        told=len(exact.left_px),
        shapes=shapes,
    )


def _unthinned(before: NDArray, after: NDArray, matrix: NDArray) -> NDArray:
    """A way between pictures made smaller, as one between those at full size.

    ``before`` and ``after`` are what made frame and picture smaller.
    """
    return (np.linalg.inv(after) @ np.vstack([matrix, [0, 0, 1]]) @ before)[:2]


def _as_similarity(matrix: NDArray, shape: tuple[int, int]) -> NDArray:
    """The similarity nearest to a matrix, alike in the middle of a frame.

    Sides of pictures made smaller are whole, so that a similarity between those is none at full
    size: by 0.03 %, a pixel of 24 megapixels' corners, which would pass for a squeeze.
    """
    side = np.sign(np.linalg.det(matrix[:, :2]))
    along = matrix[:, 0] + side * np.array([matrix[1, 1], -matrix[0, 1]])
    linear = 0.5 * np.column_stack([along, side * np.array([-along[1], along[0]])])
    middle = (np.array(shape[::-1]) - 1) / 2
    return np.column_stack([linear, applied(matrix, middle[None])[0] - linear @ middle])


@dataclass(frozen=True, eq=False)
class Exact:
    """A way made exact by drift.

    Attributes
    ----------
    matrix : ndarray, (2, 3)
    error_px, bend_px : float
        See `Moved`.
    left_px : ndarray, (n,)
        What each window that tells a shift is off.
    """

    matrix: NDArray[np.float64]
    error_px: float
    bend_px: float
    left_px: NDArray[np.float64]


def _exact(frame: NDArray, picture: NDArray, matrix: NDArray) -> Exact:
    """See `Exact`.

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
    _require_told(drift, straight)
    px = 1 / scale_of(after[:2])  # of the picture for one of the smaller
    error_px = straight.error_px(similar(corners_of(other.shape[1:])))
    error_px = float(np.hypot(error_px, METHOD_ERROR_PX) * px)
    full = _as_similarity(_unthinned(before, after, found), frame.shape[1:])
    whole, rounded_px = _whole(full, picture.shape[1:], error_px)
    is_whole = not np.array_equal(whole, full)
    bend_px = require_no_bend(drift, straight, other.shape[1:], px, is_whole)
    error_px = float(np.linalg.norm([error_px, rounded_px, bend_px]))
    return Exact(whole, error_px, bend_px, px * straight.left_px)


def _require_told(drift: Drift, straight: ShiftFit) -> None:
    if not drift.enough or straight.usual_px > MOST_SCATTER_PX:
        raise GeometryError(
            f"the place found for the nebula is not sure: {len(drift.places)} of {drift.tried} "
            f"parts of it are like the starless frame there, {straight.usual_px:.1f} px apart: "
            f"{MOVED_ADVICE}"
        )


def _whole(matrix: NDArray, shape: tuple[int, int], error_px: float) -> tuple[NDArray, float]:
    """A crop or quarter turn that it is, to within its error, exactly, and how far that is from it;
    any other way as it is."""
    turn = np.rint(matrix[:, :2])
    if not is_quarter_turn(turn):
        return matrix, 0.0
    ends = corners_of(shape)
    starts = applied(np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2], ends)
    whole = np.column_stack([turn, np.rint(np.mean(ends - starts @ turn.T, axis=0))])
    off_px = np.hypot(*(applied(whole, starts) - ends).T).max()
    near = off_px < max(EXACT_PX, min(3 * error_px, 2 * EXACT_PX))
    return (whole, off_px) if near else (matrix, 0.0)


# --- what speaks against it -------------------------------------------------------------------


def _require_sure(moved: Moved) -> None:
    low, high = SCALES_FOLLOWED
    if not low < moved.scale < high:
        raise GeometryError(
            f"the nebula seems scaled by {moved.scale:.2f}, {low} to {high} can be followed: save "
            f"it of such a size"
        )
    if not moved.sure:
        raise GeometryError(
            f"the place found for the nebula is not sure: brightness goes together by "
            f"{moved.correlation:.2f} there and by {moved.elsewhere:.2f} elsewhere, {LEAST_LEAD} "
            f"apart needed, and {moved.windows} of {moved.told} parts of it lie there: "
            f"{MOVED_ADVICE}"
        )
    _require_exact(moved)


def _require_exact(moved: Moved) -> None:
    most_px = MOST_ERROR_PX * max(1, max(moved.shapes[1]) / SEEN_SIDE_PX)
    if moved.error_px > most_px:
        raise GeometryError(
            f"the place found for the nebula is not sure: it is known to {moved.error_px:.2f} px, "
            f"{most_px:.2f} px needed; it may have been bent, too: {MOVED_ADVICE}"
        )


def _proof(frame: Looked, picture: Looked, best: Way, other: Way) -> tuple[float, float]:
    """Rank correlation of brightness where the frame is said to lie, and the best elsewhere."""
    small = PROOF_SIDE_PX / max(picture.shape)
    size = round(picture.shape[1] * small), round(picture.shape[0] * small)
    shrink = np.diag([small, small])
    ours = _fine_structure(picture.brightness, shrink @ np.eye(2, 3), size)
    values = np.where(frame.known, frame.brightness, np.nan)
    laid = _fine_structure(values, shrink @ best.matrix, size)
    others = list(_elsewhere(laid))
    if other.matrix is not None:
        others.append(_fine_structure(values, shrink @ other.matrix, size))
    best_other = max(_correlation_where_both(ours, each) for each in others)
    return _correlation_where_both(ours, laid), float(best_other)


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
    from scipy.stats import rankdata  # slow to import

    ranks = np.zeros(grid.shape)
    ranks[inside] = rankdata(grid[inside]) / max(inside.sum(), 1)
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
