"""What speaks against a similarity: a picture that was squeezed, sheared, tilted or bent.

Stars can be put back after shift, crop, turn, mirroring and even scaling alone. What else was done
shows in what features and windows are off after the best similarity: it grows with the place.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import GeometryError
from .drift import Drift, ShiftFit, any_bend, fitted_shifts, similar
from .features import AGREEMENT_PX, Pairs, Way, applied

MOST_PART_PX = 0.3  # of windows side by side, moved together: as far as stars may be off
TELLING_WEIGHT = 2.0  # of a window: it agrees by 0.82; in noisy pictures few do by 0.9
PART_STEPS, LEAST_OF_PART = 2.2, 5  # from a window to the farthest of its part: 13 of them
SURE_SIGMA, TOLD_TWICE = 3.0, 4.0  # windows overlap by half each way: four tell what one does
# Each way, of the median distance, whose tails are long: 1.4826 / 1.4142
SCATTER_OF_MEDIAN = 1.05
LEAST_SCATTER_PX = 0.02  # pixels are resampled on the way
LEAST_BENT_WINDOWS = 100  # for the 20 terms of a bend: windows overlap
FAR_SHARE = 0.05  # of the picture: a pair of features farther off agrees by chance
MOST_STRETCH = 0.006  # of one axis against the other: at 1000 px from the middle that is 6 px
LEAST_FOR_SHEAR = 30  # pairs of features: fewer may lie in a row
MOST_WARP_PX = 0.2  # of the kinds named here, where it is sure
LEAST_WARP_WINDOWS = 20  # for nine terms, two shifts each
# Of five terms, for many windows; few ones need more of both. Edits move details a little:
# similarities that leave so much reached 44 in 140 edits of 28 pictures, warps of 0.3 % 100 and
# more. A lens, a shear or a squeeze turns and scales a picture as well: what lies there by whole
# pixels and quarter turns was hardly warped.
SURE_CHI2, FEW_WINDOWS, UNLIKELY_TIMES = 70.0, 20, 5.0
EVEN_PLACES = 15  # a side, where a warp is looked at
LEAST_BENT_AGREEING = 6
UNDO = (
    "stars can be put back after shift, crop, turn, mirroring and even scaling: undo the rest"
)


@dataclass(frozen=True)
class Warp:
    """What windows tell of a warp that is no similarity.

    Attributes
    ----------
    left_px : float
        95 % of the picture lies nearer than that to the best similarity.
    chi2 : float
        Of its five terms: how sure it is.
    kind : str
        The largest of its kinds, in words.
    """

    left_px: float
    chi2: float
    kind: str


def warp_of(drift: Drift, shape: tuple[int, int]) -> Warp:
    """The squeeze, shear, lens and tilt that windows' shifts tell of.

    Parameters
    ----------
    drift : Drift
    shape : (int, int)
        Rows and columns of the picture.

    Returns
    -------
    Warp
    """
    middle = (np.array(shape[::-1]) - 1) / 2
    reach_px = max(shape) / 2
    fit = fitted_shifts(drift, _warps((drift.places - middle) / reach_px))
    terms, covariance = fit.terms[4:], fit.covariance[4:, 4:]
    even = _square_places() * middle / reach_px
    kinds = _kinds_of(terms, shape)
    return Warp(
        left_px=_left_px(even, terms),
        chi2=float(terms @ np.linalg.pinv(covariance) @ terms),
        kind=max(kinds, key=lambda words: _left_px(even, kinds[words])),
    )


def _square_places() -> NDArray[np.float64]:
    """Places spread evenly from -1 to 1, x and y, (n, 2)."""
    y, x = np.mgrid[-1 : 1 : EVEN_PLACES * 1j, -1 : 1 : EVEN_PLACES * 1j]
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _kinds_of(terms: NDArray, shape: tuple[int, int]) -> dict[str, NDArray]:
    """The terms of each kind of warp, the others 0, by what it is in words."""
    kinds = {
        _stretch_words(terms[:2] / (max(shape) / 2)): (0, 1),
        _lens_words(terms[2], shape): (2,),
        "tilted, as if it was seen from the side": (3, 4),
    }
    rows = np.arange(len(terms))
    return {words: np.where(np.isin(rows, own), terms, 0) for words, own in kinds.items()}


def _left_px(places: NDArray, terms: NDArray) -> float:
    """95 % of places are nearer than that to the similarity nearest to a warp of such terms."""
    return _left_after_similarity(places, _warps(places)[:, :, 4:] @ terms)


def _warps(places: NDArray) -> NDArray[np.float64]:
    """Design of a small similarity and of squeeze, shear, lens and two tilts, (n, 2, 9), for places
    of about 1 from the middle."""
    x, y = places.T
    away = x**2 + y**2
    across = np.stack([x, y, x * away, x * x, x * y], axis=1)
    up = np.stack([-y, x, y * away, x * y, y * y], axis=1)
    return np.concatenate([similar(places), np.stack([across, up], axis=1)], axis=2)


def _left_after_similarity(places: NDArray, shifts: NDArray) -> float:
    """95 % of shifts (n, 2) are nearer than that to the similarity nearest to them."""
    design = similar(places).reshape(-1, 4)
    flat = shifts.ravel()
    nearest = design @ np.linalg.lstsq(design, flat, rcond=None)[0]
    return float(np.quantile(np.hypot(*(flat - nearest).reshape(-1, 2).T), 0.95))


def _stretch_words(terms: NDArray) -> str:
    """One axis gets longer by half of what it is longer than the other."""
    return f"sheared or squeezed by {200 * np.hypot(*terms):.1f} %"


def _lens_words(term: float, shape: tuple[int, int]) -> str:
    """A lens's share is that at the corners."""
    corner = np.hypot(*shape) / max(shape)
    return f"bent as by a lens, by {100 * abs(term) * corner**2 / (max(shape) / 2):.1f} %"


def require_no_bend(
    drift: Drift, straight: ShiftFit, shape: tuple[int, int], px: float, whole: bool = False
) -> float:
    """Refuse a picture of which the best similarity leaves smooth shifts.

    Parameters
    ----------
    drift : Drift
    straight : ShiftFit
        The best similarity through it.
    shape : (int, int)
        Rows and columns of the picture that it was measured on.
    px : float
        Pixels of the picture itself for one of that.
    whole : bool
        The similarity is a shift by whole pixels, quarter turns and a mirror.

    Returns
    -------
    float
        How far places may be off, in pixels of the picture, by a bend too small or too unsure to be
        refused.

    Raises
    ------
    GeometryError
    """
    warped_px = _require_no_warp(drift, shape, px, whole)
    moved_px = px * most_moved_part(
        drift, drift.away_px - similar(drift.places) @ straight.terms
    )
    if moved_px > MOST_PART_PX:
        raise GeometryError(
            f"part of the nebula was moved by {moved_px:.1f} px against the rest since its stars "
            f"were taken out, as by a bend or a brush: {UNDO}"
        )
    return max(warped_px, moved_px)


def most_moved_part(drift: Drift, left_px: NDArray) -> float:
    """How far windows side by side, that agree well, were moved together.

    A window alone may be off by a pixel where tones were changed, its neighbours then are not, or
    in other directions.

    Parameters
    ----------
    drift : Drift
    left_px : ndarray, (n, 2)
        What the best similarity leaves of its shifts.

    Returns
    -------
    float
        Median shift of the part that was moved farthest, pixels; 0 if none was for sure.
    """
    telling = drift.weight > TELLING_WEIGHT
    places, left_px = drift.places[telling], left_px[telling]
    moved_px = 0.0
    for place in places:
        near = np.hypot(*(places - place).T) < PART_STEPS * drift.step_px
        if near.sum() >= LEAST_OF_PART:
            moved_px = max(moved_px, _moved_together(left_px[near]))
    return moved_px


def _moved_together(left_px: NDArray) -> float:
    """Median of shifts (n, 2); 0 if it may be chance."""
    middle = np.median(left_px, axis=0)
    apart = np.median(np.hypot(*(left_px - middle).T)) * SCATTER_OF_MEDIAN + LEAST_SCATTER_PX
    together = float(np.hypot(*middle))
    sure = together > SURE_SIGMA * apart / np.sqrt(len(left_px) / TOLD_TWICE)
    return together if sure else 0.0


def _require_no_warp(drift: Drift, shape: tuple[int, int], px: float, whole: bool) -> float:
    """What is left of the warp that windows tell of, where that is not refused; pixels."""
    warp = warp_of(drift, shape)
    left_px = px * warp.left_px
    if len(drift.places) < LEAST_WARP_WINDOWS:
        return left_px
    more = 1 + FEW_WINDOWS / len(drift.places)
    sure = SURE_CHI2 * more * (UNLIKELY_TIMES if whole else 1)
    if left_px > MOST_WARP_PX * more and warp.chi2 > sure:
        raise GeometryError(
            f"the nebula was {warp.kind} since its stars were taken out, {left_px:.1f} px are left "
            f"after the best shift, turn and scale: {UNDO}"
        )
    return left_px


def require_even_axes(way: Way) -> None:
    """Refuse a picture that was sheared or squeezed: its axes are of two lengths.

    Parameters
    ----------
    way : Way

    Raises
    ------
    GeometryError
    """
    near = way.pairs.take(way.pairs.off_px(way.matrix) < 5 * AGREEMENT_PX)
    stretch, error = _axes_apart(near)
    if len(near) >= LEAST_FOR_SHEAR and stretch > MOST_STRETCH + 4 * error:
        raise GeometryError(
            f"the nebula was sheared or squeezed by {100 * stretch:.1f} % since its stars were "
            f"taken out: {UNDO}"
        )


def _axes_apart(pairs: Pairs) -> tuple[float, float]:
    """By what share one axis of the freest linear map is longer than the other, and its error."""
    for _ in range(5):
        solved, left_px = _freest_linear(pairs)
        pairs = pairs.take(left_px < max(3 * np.median(left_px), 0.7))
    axes = np.linalg.svd(solved[:2], compute_uv=False)
    span_px = np.sqrt(np.mean(np.var(pairs.before, axis=0)))
    error_px = np.median(left_px) / np.sqrt(max(len(pairs), 1))
    error = error_px / max(span_px, 1)
    return axes[0] / axes[1] - 1, error


def _freest_linear(pairs: Pairs) -> tuple[NDArray, NDArray]:
    """The linear map and shift nearest to pairs, (3, 2), and how far each is off, (n,)."""
    linear = np.column_stack([pairs.before, np.ones(len(pairs))])
    solved = np.linalg.lstsq(linear, pairs.after, rcond=None)[0]
    return solved, np.hypot(*(linear @ solved - pairs.after).T)


def require_no_lens(way: Way, shape: tuple[int, int]) -> None:
    """Refuse a picture that many more features agree with once it may be bent as by a lens.

    Parameters
    ----------
    way : Way
    shape : (int, int)
        Rows and columns of the picture.

    Raises
    ------
    GeometryError
    """
    near = way.pairs.take(way.pairs.off_px(way.matrix) < FAR_SHARE * max(shape))
    if len(near) < LEAST_BENT_WINDOWS:
        return
    laid = applied(way.matrix, near.before)
    drift = Drift(laid, near.after - laid, np.ones(len(near)), len(near))
    left_px = fitted_shifts(drift, _bend_design(laid, shape)).left_px
    agreeing = np.sum(left_px < AGREEMENT_PX)
    if agreeing > 1.5 * len(way.inside) + LEAST_BENT_AGREEING:
        raise GeometryError(
            f"the nebula was bent since its stars were taken out: {agreeing} features agree with "
            f"a bend, {len(way.inside)} with the best shift, turn and scale: undo the bend"
        )


def _bend_design(places: NDArray, shape: tuple[int, int]) -> NDArray:
    """See `drift.any_bend`, for a picture of so many rows and columns."""
    middle = (np.array(shape[::-1]) - 1) / 2
    return any_bend(places, middle, max(shape) / 2)
