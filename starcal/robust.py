"""Small statistics that outliers and missing values do not disturb, and the middle of a frame."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

SIGMA_PER_DEVIATION = 1.4826
"""Standard deviation of a Gaussian over its median absolute deviation (1 / 0.67449)."""


def scatter(values: ArrayLike, axis: int | None = None, *, keepdims: bool = False) -> NDArray:
    """Scatter of values about their median, from the median absolute deviation.

    Parameters
    ----------
    values : array_like
        Finite numbers, at least one along `axis`.
    axis : int, optional
        Along which; all of them if None.
    keepdims : bool
        Keep that axis, of length 1.

    Returns
    -------
    ndarray
        One standard deviation if the values are Gaussian, in their unit; a number for ``axis``
        None.

    Examples
    --------
    >>> round(float(scatter([1.0, 2.0, 3.0, 4.0, 500.0])), 4)
    1.4826
    """
    values = np.asarray(values)
    centre = np.median(values, axis=axis, keepdims=True)
    return scatter_about_zero(values - centre, axis, keepdims=keepdims)


def scatter_about_zero(
    deviations: ArrayLike, axis: int | None = None, *, keepdims: bool = False
) -> NDArray:
    """Scatter of what is already a deviation: noise, residuals.

    Parameters
    ----------
    deviations : array_like
        Finite numbers, at least one along `axis`.
    axis : int, optional
        Along which; all of them if None.
    keepdims : bool
        Keep that axis, of length 1.

    Returns
    -------
    ndarray
        One standard deviation if they are Gaussian, in their unit; a number for ``axis`` None.
    """
    size = np.median(np.abs(deviations), axis=axis, keepdims=keepdims)
    return SIGMA_PER_DEVIATION * size


def scatter_per_axis(distance: ArrayLike) -> float:
    """Scatter per axis of places in a plane, from their distances to where they should be.

    Parameters
    ----------
    distance : array_like
        Finite, not negative.

    Returns
    -------
    float
        One standard deviation per axis if the places are Gaussian; NaN without any.
    """
    distance = np.asarray(distance)
    return float(np.median(distance) / np.sqrt(2 * np.log(2))) if distance.size else np.nan


def upper_median(values: ArrayLike, least_share: float = 0.0) -> NDArray:
    """Median along the last axis of what is finite, without a warning.

    Of an even number it is the upper of the two in the middle: always one of the values, and quick.

    Parameters
    ----------
    values : array_like, (..., n)
        Any numbers; NaN and infinite ones are left out.
    least_share : float
        0 to 1: more than this share has to be finite.

    Returns
    -------
    ndarray, (...)
        NaN where too little is finite.
    """
    values = _one_or_more(np.asarray(values))
    if values.dtype.kind != "f":
        values = values.astype(float)
    finite = np.isfinite(values)
    if finite.all():  # the usual case, and several times as quick
        middle = finite.shape[-1] // 2
        return np.partition(values, middle, axis=-1)[..., middle]
    ordered = np.sort(np.where(finite, values, np.inf), axis=-1)
    count = finite.sum(axis=-1)
    index = np.minimum(count // 2, ordered.shape[-1] - 1)
    middle = np.take_along_axis(ordered, index[..., None], -1)[..., 0]
    return np.where(count > least_share * ordered.shape[-1], middle, np.nan)


def _one_or_more(values: NDArray) -> NDArray:
    """Values along the last axis; where there are none, one that is not known."""
    return values if values.shape[-1] else np.full((*values.shape[:-1], 1), np.nan)


def quantile_of_known(values: ArrayLike, share: float) -> NDArray:
    """Quantile along the last axis of what is not NaN, without a warning.

    Between two values it is their mean.

    Parameters
    ----------
    values : array_like, (..., n)
        Numbers; NaN are left out.
    share : float
        0 to 1: of the values, that lie below.

    Returns
    -------
    ndarray, (...)
        NaN where all are, or where there are none.

    Examples
    --------
    >>> float(quantile_of_known([4.0, 1.0, float("nan"), 2.0], 0.5))
    2.0
    """
    return quantiles_of_known(values, (share,))[0]


def quantiles_of_known(values: ArrayLike, shares: Sequence[float]) -> list[NDArray]:
    """Several quantiles of the same values; see `quantile_of_known`.

    Parameters
    ----------
    values : array_like, (..., n)
        Numbers; NaN are left out.
    shares : sequence of float
        0 to 1.

    Returns
    -------
    list of ndarray, (...)
        One for each share; NaN where all are.
    """
    ordered = np.sort(_one_or_more(np.asarray(values)), axis=-1)  # NaN goes last
    count = np.isfinite(ordered).sum(axis=-1, keepdims=True)
    found = []
    for share in shares:
        place = share * (count - 1)
        low = np.clip(np.floor(place).astype(int), 0, None)
        high = np.clip(np.ceil(place).astype(int), 0, None)
        ends = [np.take_along_axis(ordered, at, -1)[..., 0] for at in (low, high)]
        found.append(np.mean(ends, axis=0))
    return found


def weighted_median(values: NDArray, weight: NDArray) -> float:
    """The value that half of the weight lies at or below.

    Parameters
    ----------
    values : ndarray, (n,)
        Finite, one at least.
    weight : ndarray, (n,)
        0 or more, not all 0.

    Returns
    -------
    float

    Examples
    --------
    >>> weighted_median(np.array([1.0, 2.0, 9.0]), np.array([1, 1, 3]))
    9.0
    """
    order = np.argsort(values)
    passed = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(passed, passed[-1] / 2)])


def rank_correlation(a: ArrayLike, b: ArrayLike) -> float:
    """How well two series go up and down together, whatever curve lies between them.

    Parameters
    ----------
    a, b : array_like, (n,)
        Finite numbers, two of them at least.

    Returns
    -------
    float
        -1 to 1 (Spearman 1904, Am. J. Psychol. 15, 72); -1 where one of them is constant.

    Examples
    --------
    >>> round(rank_correlation([1, 2, 3, 4], [1, 8, 27, 64]), 3)
    1.0
    """
    a = np.asarray(a)
    b = np.asarray(b)
    if np.ptp(a) == 0 or np.ptp(b) == 0:
        return -1.0
    from scipy.stats import spearmanr  # slow to import, and few commands ask for it

    return float(spearmanr(a, b).statistic)


def robust_slope(y: ArrayLike, x: ArrayLike) -> tuple[float, float]:
    """Slope of a line that outliers do not disturb (Sen 1968, J. Am. Stat. Assoc. 63, 1379).

    Parameters
    ----------
    y, x : array_like, (n,)
        Finite numbers, of two `x` at least.

    Returns
    -------
    slope, error : float
        The second is half of its 95 % interval; NaN where so many are equal that it has none.

    Examples
    --------
    >>> robust_slope([0.0, 2.0, 4.0, 500.0, 8.0], [0.0, 1.0, 2.0, 3.0, 4.0])[0]
    2.0
    """
    from scipy.stats import theilslopes  # slow to import: not before stars were found

    with np.errstate(invalid="ignore"):
        slope, _, low, high = theilslopes(y, x)
    return float(slope), float((high - low) / 2)


def pixels_at(
    x_px: ArrayLike, y_px: ArrayLike, shape: tuple[int, ...]
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """The pixels of a frame that are nearest to places.

    Parameters
    ----------
    x_px, y_px : array_like, shape (n,)
        0-based; of places beyond the frame its outermost pixels are taken.
    shape : tuple of int
        That of its pixels: (..., rows, columns).

    Returns
    -------
    row, column : ndarray of int, shape (n,)

    Examples
    --------
    >>> row, column = pixels_at([2.4, 700.0], [0.6, -3.0], (3, 400, 600))
    >>> row.tolist(), column.tolist()
    ([1, 0], [2, 599])
    """
    column, row = (
        np.clip(np.rint(np.asarray(places, float)).astype(int), 0, side - 1)
        for places, side in ((x_px, shape[-1]), (y_px, shape[-2]))
    )
    return row, column


def places_where(chosen: NDArray[np.bool_]) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Rows and columns of the chosen pixels: as `numpy.nonzero`, which is several times as slow
    where few of many are.

    Parameters
    ----------
    chosen : ndarray of bool, (y, x)

    Returns
    -------
    row, column : ndarray of int, (n,)

    Examples
    --------
    >>> row, column = places_where(np.eye(3, dtype=bool))
    >>> row.tolist(), column.tolist()
    ([0, 1, 2], [0, 1, 2])
    """
    row, column = np.unravel_index(np.flatnonzero(chosen), chosen.shape)
    return row, column


def middle_px(shape: tuple[int, ...]) -> tuple[float, float]:
    """Middle of a frame.

    Parameters
    ----------
    shape : tuple of int
        That of its pixels: (..., rows, columns).

    Returns
    -------
    x_px, y_px : float
        0-based, along the row and along the column; pixel centres are integers.

    Examples
    --------
    >>> middle_px((3, 400, 600))
    (299.5, 199.5)
    """
    return (shape[-1] - 1) / 2, (shape[-2] - 1) / 2


def square_round(half: int) -> NDArray[np.int_]:
    """Rows and columns of the pixels of a square, from its middle.

    Parameters
    ----------
    half : int
        How far it reaches to each side.

    Returns
    -------
    ndarray of int, (2, 2 half + 1, 2 half + 1)

    Examples
    --------
    >>> square_round(1)[1].tolist()
    [[-1, 0, 1], [-1, 0, 1], [-1, 0, 1]]
    """
    reach = slice(-half, half + 1)
    return np.mgrid[reach, reach]
