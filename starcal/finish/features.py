"""Features that two pictures share whatever was done to their tones, and the similarity through
most of them.

Features that depend on neither scale nor angle (Lowe 2004, IJCV 60, 91) are found in the ranks of
the brightness, and where those share few in knots whose contrast is evened out: a cluster without
its stars has hardly more than what is left of them. Places are in pixels of the pictures as they
are looked at, which may be smaller.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..cores import in_threads
from ..errors import GeometryError

# Features are looked for in pictures no larger: time grows with the area, and pictures of 512 are
# found as surely as those of 1024.
LONGEST_SIDE_PX = 1200
FEATURES = 5000
CONTRAST = 0.015  # of features to the grey range: a nebula without its stars has few sharp ones
RATIO = (
    0.85  # of the best to the second-best distance: looser than usual, since tones have changed
)
ENOUGH_AGREEING = 25  # features: pictures are not looked at in another way then
KNOT_PX, KNOT_STEP = 1.5, 40  # grain; grey values for a knot of the usual contrast
AGREEMENT_PX = 3.0  # of agreement
QUIET_SHARE = 0.3  # of the usual contrast: calmer ground is not lifted to it
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
            "installed: pip install opencv-python-headless, or say --moved none if it was neither"
        ) from error
    return cv2


@dataclass(frozen=True, eq=False)
class Looked:
    """A picture small enough to look for features in.

    Attributes
    ----------
    brightness : ndarray, (y, x) float32
    known : ndarray, (y, x) bool
        Where there is data.
    full_shape : (int, int)
        Rows and columns of the picture itself.
    """

    brightness: NDArray[np.float32]
    known: NDArray[np.bool_]
    full_shape: tuple[int, int]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.brightness.shape

    def to_looked(self) -> NDArray[np.float64]:
        """From pixels of the picture to those looked at, (3, 3)."""
        return thinning(self.full_shape, self.shape)


def thinning(shape: tuple[int, int], thinned: tuple[int, int]) -> NDArray[np.float64]:
    """From pixels of a picture to those of the same made smaller, (3, 3).

    Pixel centres are integers and sides are whole, so that the two scales differ a little.

    Parameters
    ----------
    shape, thinned : (int, int)
        Rows and columns before and after.

    Returns
    -------
    ndarray, (3, 3)
    """
    down, across = thinned[0] / shape[0], thinned[1] / shape[1]
    half = 0.5 * across - 0.5, 0.5 * down - 0.5
    return np.array([[across, 0, half[0]], [0, down, half[1]], [0, 0, 1]])


def made_smaller(planes: NDArray, longest_px: int) -> NDArray[np.float32]:
    """A picture made smaller where it is larger than so many pixels, by means over areas.

    Parameters
    ----------
    planes : ndarray, (n, y, x) float32
    longest_px : int

    Returns
    -------
    ndarray, (n, rows, columns) float32
        NaN spreads; the picture itself where it is small enough.
    """
    cv2 = features_library()
    share = longest_px / max(planes.shape[1:])
    if share >= 1:
        return planes
    size = [max(1, round(side * share)) for side in planes.shape[:0:-1]]
    smaller = [cv2.resize(np.float32(p), size, interpolation=cv2.INTER_AREA) for p in planes]
    return np.array(smaller)


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
    small = made_smaller(pixels, LONGEST_SIDE_PX)
    known = np.isfinite(small).all(axis=0)
    return Looked(_grey(small, known), known, pixels.shape[1:])


def _grey(pixels: NDArray, known: NDArray) -> NDArray[np.float32]:
    """Mean of the channels, its median where there is no data."""
    brightness = np.mean(np.where(known, pixels, 0), axis=0, dtype=np.float32)
    middle = np.median(brightness[known]) if known.any() else 0
    return np.where(known, brightness, np.float32(middle))


def detail(plane: NDArray, grain_px: float, wide_px: float) -> NDArray[np.float32]:
    """What of a plane is neither grain nor gradient.

    Parameters
    ----------
    plane : ndarray, (y, x)
    grain_px, wide_px : float
        Sigma of the Gaussians between which it lies.

    Returns
    -------
    ndarray, (y, x) float32
    """
    cv2 = features_library()
    plane = plane.astype(np.float32)
    fine = cv2.GaussianBlur(plane, (0, 0), grain_px)
    return fine - cv2.GaussianBlur(plane, (0, 0), wide_px)


def contrast(power: NDArray, near_px: float) -> NDArray[np.float32]:
    """Contrast of the neighbourhood of each pixel.

    Parameters
    ----------
    power : ndarray, (y, x)
        Square of the detail.
    near_px : float
        Sigma of the neighbourhood.

    Returns
    -------
    ndarray, (y, x) float32
        Calm ground counts as if it had some.
    """
    cv2 = features_library()
    near = np.sqrt(cv2.GaussianBlur(power, (0, 0), near_px))
    return near + np.float32(QUIET_SHARE * np.median(near) + 1e-9)


def _fine_knots(brightness: NDArray) -> NDArray[np.uint8]:
    """Knots as small as what stars leave behind, as strong on calm as on bright ground."""
    return _knots(brightness, 8.0, 16.0)


def _wide_knots(brightness: NDArray) -> NDArray[np.uint8]:
    """The same of wider ones: of soft or noisy edits."""
    return _knots(brightness, 20.0, 30.0)


def _knots(brightness: NDArray, wide_px: float, near_px: float) -> NDArray[np.uint8]:
    knots = detail(brightness, KNOT_PX, wide_px)
    evened = knots / contrast(knots**2, near_px)
    return np.clip(128 + KNOT_STEP * evened, 0, 255).astype(np.uint8)


def _equalised(brightness: NDArray) -> NDArray[np.uint8]:
    """Ranks of brightness, local contrast lifted: tones no longer matter."""
    cv2 = features_library()
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


def applied(matrix: NDArray, places: NDArray) -> NDArray[np.float64]:
    """Places (n, 2) carried by a matrix (2, 3)."""
    return places @ matrix[:, :2].T + matrix[:, 2]


@dataclass(frozen=True, eq=False)
class Features:
    """Of a picture.

    Attributes
    ----------
    places : ndarray, (n, 2)
        x and y.
    size_px : ndarray, (n,)
    looks : ndarray, (n, 128) float32
    """

    places: NDArray[np.float64]
    size_px: NDArray[np.float64]
    looks: NDArray[np.float32]

    def from_behind(self) -> "Features":
        """As they look in the mirror: a look is 4 x 4 fields across and along its direction, of 8
        directions each (Lowe 2004, section 6)."""
        fields = self.looks.reshape(-1, 4, 4, 8)[:, ::-1]
        turned = fields[..., (-np.arange(8)) % 8]
        return Features(self.places, self.size_px, turned.reshape(self.looks.shape))


def most_agreeing(frame: Looked, picture: Looked) -> tuple[Way, Way]:
    """The similarity that most features agree with, and the one of the other handedness.

    Parameters
    ----------
    frame, picture : Looked

    Returns
    -------
    best, other : Way
        From the frame to the picture; one of them from behind.
    """
    found = []
    for look in (_equalised, _fine_knots, _wide_knots):
        found.append(_ways(look(frame.brightness), look(picture.brightness)))
        if len(found[-1][0].inside) >= ENOUGH_AGREEING:
            break
    return max(found, key=lambda ways: len(ways[0].inside))


def _ways(grey: NDArray, their_grey: NDArray) -> tuple[Way, Way]:
    """Similarities from a frame as it is and from behind, that of more features first."""
    ours, theirs = in_threads(_features, (grey, their_grey))
    plain = _way(_alike_features(ours, theirs), mirrored=False)
    mirror = _way(_alike_features(ours.from_behind(), theirs), mirrored=True)
    if len(mirror.inside) > len(plain.inside):
        return mirror, plain
    return plain, mirror


def _features(grey: NDArray) -> Features:
    """See `Features`; looks compare by the roots of their shares (Arandjelovic and Zisserman 2012,
    CVPR, 2911)."""
    cv2 = features_library()
    finder = cv2.SIFT_create(
        nfeatures=FEATURES, contrastThreshold=CONTRAST, enable_precise_upscale=True
    )
    found, looks = finder.detectAndCompute(grey, None)
    looks = np.zeros((0, 128)) if looks is None else looks
    share = looks / np.maximum(looks.sum(axis=1, keepdims=True), 1e-9)
    places = np.array([each.pt for each in found]).reshape(-1, 2)
    return Features(places, np.array([each.size for each in found]), np.float32(np.sqrt(share)))


def _way(pairs: Pairs, mirrored: bool) -> Way:
    matrix = _drawn_through_most(pairs, mirrored) if len(pairs) >= LEAST_PAIRS else None
    way = None if matrix is None else _refined_way(matrix, pairs, mirrored)
    if way is None or not POSSIBLE[0] < scale_of(way.matrix) < POSSIBLE[1]:
        return Way(None, pairs, np.empty(0, int))
    return way


def scale_of(matrix: NDArray) -> float:
    """By how much a similarity enlarges.

    Parameters
    ----------
    matrix : ndarray, (2, 3) or (2, 2)

    Returns
    -------
    float
    """
    return float(np.sqrt(abs(np.linalg.det(matrix[:, :2]))))


def is_quarter_turn(turn: NDArray) -> bool:
    """Whether a matrix of whole numbers keeps axes along axes.

    Parameters
    ----------
    turn : ndarray, (2, 2)

    Returns
    -------
    bool
    """
    return any(np.array_equal(np.abs(turn), axes) for axes in (np.eye(2), 1 - np.eye(2)))


def _alike_features(ours: Features, theirs: Features) -> Pairs:
    """Features that look alike in both and are like no second one."""
    if min(len(ours.places), len(theirs.places)) < 2:
        return Pairs(np.empty((0, 2)), np.empty((0, 2)), np.empty(0))
    alike = _unlike_any_second(ours.looks, theirs.looks)
    table = np.column_stack(
        [ours.places[alike[:, 0]], theirs.places[alike[:, 1]], ours.size_px[alike[:, 0]]]
    )
    table = np.unique(table.round(2), axis=0)
    return Pairs(table[:, :2], table[:, 2:4], table[:, 4])


def _unlike_any_second(looks: NDArray, their_looks: NDArray) -> NDArray[np.intp]:
    """Matches much nearer than the second nearest: rows of both, (n, 2)."""
    alike = looks @ their_looks.T  # they are of length 1
    rows = np.arange(len(alike))
    best = alike.argmax(axis=1)
    nearest = _looks_apart(alike[rows, best])
    alike[rows, best] = -1
    sure = nearest < RATIO * _looks_apart(alike.max(axis=1))
    return np.column_stack([rows, best])[sure]


def _looks_apart(cosine: NDArray) -> NDArray:
    """Distance of two looks of length 1."""
    return np.sqrt(np.maximum(2 - 2 * cosine, 0))


def _drawn_through_most(pairs: Pairs, mirrored: bool) -> NDArray | None:
    """A first similarity, from few pairs that many others agree with."""
    cv2 = features_library()
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
    turn, size = _nearest_turn((share * (pairs.after - end)).T @ from_start, mirrored)
    linear = size / np.sum(share * from_start**2) * turn
    return np.column_stack([linear, end - linear @ start])


def _nearest_turn(product: NDArray, mirrored: bool) -> tuple[NDArray, float]:
    """The rotation, or the mirrored one, nearest to a product of places, and its size."""
    left, size, right = np.linalg.svd(product)
    wanted = -1.0 if mirrored else 1.0
    signs = np.array([1.0, wanted * np.sign(np.linalg.det(left @ right))])
    return left @ np.diag(signs) @ right, float(np.sum(size * signs))
