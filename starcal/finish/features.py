"""Features that two pictures share whatever was done to their tones, and the similarity through
most of them.

Features that depend on neither scale nor angle (Lowe 2004, IJCV 60, 91) are found in the ranks of
the brightness. Places are in pixels of the pictures as they are looked at, which may be smaller.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import GeometryError

LONGEST_SIDE_PX = (
    1600  # features are looked for in pictures no larger: time grows with the area
)
FEATURES = 6000
CONTRAST = 0.015  # of features to the grey range: a nebula without its stars has few sharp ones
RATIO = (
    0.85  # of the best to the second-best distance: looser than usual, since tones have changed
)
AGREEMENT_PX = 3.0  # of agreement
LEAST_PAIRS = 4  # fewer fix no similarity with anything left to judge it by
PLACE_ERROR_PX, PLACE_ERROR_SHARE = 0.15, 0.05  # of a feature: at least, and of its size
AGREEMENT_ROUNDS = 8
POSSIBLE = (0.05, 20.0)  # scales; beyond, all pairs end in one feature


def features_library():
    """OpenCV, which finds the features.

    Raises
    ------
    GeometryError
        It is not installed.
    """
    try:
        import cv2
    except ImportError as error:
        raise GeometryError(
            "to find how the nebula was cropped or turned starcal needs OpenCV, which is not "
            "installed: pip install 'starcal[join]', or say --moved none if it was neither"
        ) from error
    return cv2


@dataclass(frozen=True, eq=False)
class Looked:
    """A picture small enough to look for features in.

    Attributes
    ----------
    grey : ndarray, (y, x) uint8
        Ranks of the brightness, local contrast lifted.
    brightness : ndarray, (y, x) float32
    known : ndarray, (y, x) bool
        Where there is data.
    share : float
        Of the picture's size.
    """

    grey: NDArray[np.uint8]
    brightness: NDArray[np.float32]
    known: NDArray[np.bool_]
    share: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.grey.shape

    def to_looked(self) -> NDArray[np.float64]:
        """From pixels of the picture to those looked at, (3, 3); pixel centres are integers."""
        half = 0.5 * self.share - 0.5
        return np.array([[self.share, 0, half], [0, self.share, half], [0, 0, 1]])


def looked_at(pixels: NDArray) -> Looked:
    """A picture as features are looked for in it.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        NaN where there is no data.

    Returns
    -------
    Looked
    """
    cv2 = features_library()
    known = np.isfinite(pixels).all(axis=0)
    brightness = _grey(pixels, known)
    share = min(1.0, LONGEST_SIDE_PX / max(brightness.shape))
    if share < 1:
        size = [max(1, round(side * share)) for side in brightness.shape[::-1]]
        brightness = cv2.resize(brightness, size, interpolation=cv2.INTER_AREA)
        known = cv2.resize(known.astype(np.uint8), size) > 0
    return Looked(_equalised(cv2, brightness), brightness, known, share)


def _grey(pixels: NDArray, known: NDArray) -> NDArray[np.float32]:
    """Mean of the channels, its median where there is no data."""
    brightness = np.mean(np.where(known, pixels, 0), axis=0, dtype=np.float32)
    middle = np.median(brightness[known]) if known.any() else 0
    return np.where(known, brightness, np.float32(middle))


def _equalised(cv2, brightness: NDArray) -> NDArray[np.uint8]:
    """Ranks of brightness, local contrast lifted: tones no longer matter."""
    sample = np.sort(brightness[::3, ::3], axis=None)
    ranks = np.searchsorted(sample, brightness) / max(len(sample), 1)
    grey = np.clip(255 * ranks, 0, 255).astype(np.uint8)
    return cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8)).apply(grey)


@dataclass(frozen=True, eq=False)
class Pairs:
    """Features of a frame and the like ones of a picture.

    Attributes
    ----------
    before, after : ndarray, (n, 2)
        x and y in the frame and in the picture.
    size_px : ndarray, (n,)
        Of the features, in the frame.
    """

    before: NDArray[np.float64]
    after: NDArray[np.float64]
    size_px: NDArray[np.float64]

    def __len__(self) -> int:
        """Count them."""
        return len(self.before)

    def take(self, rows: NDArray) -> "Pairs":
        """Some of them."""
        return Pairs(self.before[rows], self.after[rows], self.size_px[rows])

    def off_px(self, matrix: NDArray) -> NDArray[np.float64]:
        """How far each ends from where a way takes it, (n,)."""
        return np.hypot(*(applied(matrix, self.before) - self.after).T)


@dataclass(frozen=True, eq=False)
class Way:
    """A similarity and the pairs of features it rests on.

    Attributes
    ----------
    matrix : ndarray, (2, 3), or None
        None: none was found.
    pairs : Pairs
        All that look alike.
    inside : ndarray, (k,)
        Which of them agree.
    """

    matrix: NDArray[np.float64] | None
    pairs: Pairs
    inside: NDArray[np.intp]

    def scatter_px(self) -> float:
        """Of one coordinate of one agreeing feature."""
        off = self.pairs.take(self.inside).off_px(self.matrix)
        return float(np.sqrt(np.sum(off**2) / max(2 * len(off) - 4, 1)))

    def error_px(self, shape: tuple[int, int]) -> float:
        """1-sigma error at the farthest corner, from the scatter and where the features lie."""
        places = self.pairs.after[self.inside]
        middle = places.mean(axis=0)
        spread = np.sqrt(np.mean(np.sum((places - middle) ** 2, axis=1)))
        corners = np.array([(x, y) for x in (0, shape[1] - 1) for y in (0, shape[0] - 1)])
        farthest = np.hypot(*(corners - middle).T).max()
        own = self.scatter_px() * np.sqrt(2 / len(places))
        return float(own * np.hypot(1, farthest / max(spread, 1)))


def applied(matrix: NDArray, places: NDArray) -> NDArray[np.float64]:
    """Places (n, 2) carried by a matrix (2, 3)."""
    return places @ matrix[:, :2].T + matrix[:, 2]


def most_agreed_way(frame: Looked, picture: Looked, mirrored: bool) -> Way:
    """The similarity that most features agree with, from the frame as it is or from behind.

    Parameters
    ----------
    frame, picture : Looked
    mirrored : bool

    Returns
    -------
    Way
    """
    cv2 = features_library()
    pairs = _alike_features(cv2, frame.grey, picture.grey, mirrored)
    matrix = _drawn_through_most(cv2, pairs, mirrored) if len(pairs) >= LEAST_PAIRS else None
    way = None if matrix is None else _refined_way(matrix, pairs, mirrored)
    if (
        way is None
        or not POSSIBLE[0] < np.sqrt(abs(np.linalg.det(way.matrix[:, :2]))) < POSSIBLE[1]
    ):
        return Way(None, pairs, np.empty(0, int))
    return way


def _alike_features(cv2, grey: NDArray, other: NDArray, mirrored: bool) -> Pairs:
    """Features that look alike in both and are like no second one."""
    finder = cv2.SIFT_create(
        nfeatures=FEATURES, contrastThreshold=CONTRAST, enable_precise_upscale=True
    )
    seen = np.ascontiguousarray(grey[:, ::-1]) if mirrored else grey
    places, looks = finder.detectAndCompute(seen, None)
    others, their_looks = finder.detectAndCompute(other, None)
    if min(len(places), len(others)) < 2:
        return Pairs(np.empty((0, 2)), np.empty((0, 2)), np.empty(0))
    alike = _unlike_any_second(cv2, looks, their_looks)
    rows = [_row_of(places[m.queryIdx], others[m.trainIdx]) for m in alike]
    table = np.unique(np.array(rows).reshape(-1, 5).round(2), axis=0)
    before = table[:, :2]
    if mirrored:
        before = np.column_stack([grey.shape[1] - 1 - before[:, 0], before[:, 1]])
    return Pairs(before, table[:, 2:4], table[:, 4])


def _unlike_any_second(cv2, looks: NDArray, their_looks: NDArray) -> list:
    """Matches much nearer than the second nearest."""
    found = cv2.BFMatcher(cv2.NORM_L2).knnMatch(looks, their_looks, k=2)
    return [first for first, second in found if first.distance < RATIO * second.distance]


def _row_of(place, other) -> tuple[float, ...]:
    """Where a feature lies in both pictures, and its size in the first."""
    return (*place.pt, *other.pt, place.size)


def _drawn_through_most(cv2, pairs: Pairs, mirrored: bool) -> NDArray | None:
    """A first similarity, from few pairs that many others agree with."""
    sign = np.array([-1.0 if mirrored else 1.0, 1.0])
    cv2.setRNGSeed(1)
    matrix, _ = cv2.estimateAffinePartial2D(
        np.float32(pairs.before * sign),
        np.float32(pairs.after),
        ransacReprojThreshold=AGREEMENT_PX,
        maxIters=5000,
        confidence=0.9999,
    )
    if matrix is None:
        return None
    return np.column_stack([matrix[:, :2] * sign, matrix[:, 2]])


def _refined_way(matrix: NDArray, pairs: Pairs, mirrored: bool) -> Way:
    """Least squares over the agreeing pairs, the reach drawn in as far as their scatter allows."""
    reach = AGREEMENT_PX
    for _ in range(AGREEMENT_ROUNDS):
        off = pairs.off_px(matrix)
        inside = np.flatnonzero(off < reach)
        if len(inside) < LEAST_PAIRS:
            break
        matrix = _least_squares(pairs.take(inside), mirrored)
        reach = float(np.clip(3 * np.median(off[inside]), 0.7, AGREEMENT_PX))
    return Way(matrix, pairs, inside)


def _share_of_weight(size_px: NDArray) -> NDArray:
    """Weights of features of these sizes by the errors of their places, together 1."""
    weight = 1 / (PLACE_ERROR_PX**2 + (PLACE_ERROR_SHARE * size_px) ** 2)
    return weight / weight.sum()


def _least_squares(pairs: Pairs, mirrored: bool) -> NDArray:
    """The similarity nearest to pairs of places (Umeyama 1991, IEEE PAMI 13, 376), large features
    with less weight."""
    share = _share_of_weight(pairs.size_px)[:, None]
    start = np.sum(share * pairs.before, axis=0)
    end = np.sum(share * pairs.after, axis=0)
    from_start = pairs.before - start
    left, size, right = np.linalg.svd((share * (pairs.after - end)).T @ from_start)
    wanted = -1.0 if mirrored else 1.0
    signs = np.array([1.0, wanted * np.sign(np.linalg.det(left @ right))])
    scale = np.sum(size * signs) / np.sum(share * from_start**2)
    linear = scale * left @ np.diag(signs) @ right
    return np.column_stack([linear, end - linear @ start])
