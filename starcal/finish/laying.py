"""A star layer carried to where the finished nebula lies, and laid over it."""

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..cores import done_in_threads
from ..draw.tone import Stretch, every_nth
from ..frame import SRGB, ColourSpace
from .blend import laid_on_pixels, screened
from .features import applied, is_quarter_turn, scale_of

# Stars made smaller are first made wider by as much as smaller pixels would have seen them: what is
# finer than a pixel would come out jagged (common practice: half the new pixel as a Gaussian).
SOFTENED_SHARE = 0.4
LEAST_BLUR_PX = 0.18  # a Gaussian so narrow leaves 2e-7 of a pixel to the next
STAR_TILE_PX = 256
SQUARE = np.array([(0, 0), (0, 1), (1, 0), (1, 1)])
SPLINE_PX = (
    12  # a cubic spline knows nothing of what is farther off: 0.27 to that power is 1e-7
)
# The light of a star is held over so many pixels (sigma), of the layer or of the picture,
# whichever are larger: wider than stars that splines are wrong for, narrower than most distances.
HELD_PX = 2.0
MOST_AMENDED = 2.0  # times the light: more is no star that fell between pixels
SPLINE_VARIANCE_PX2, PIXEL_VARIANCE_PX2 = 1 / 3, 1 / 12  # of a cubic basis spline; of a pixel


def carried_layer(
    stars: NDArray, matrix: NDArray, shape: tuple[int, int]
) -> NDArray[np.float32]:
    """A star layer on the pixels of a picture that was cropped, turned, mirrored or scaled.

    Parameters
    ----------
    stars : ndarray, (3, y, x)
        0 where no star is; linear.
    matrix : ndarray, (2, 3)
        From pixels of the layer to pixels of the picture, a similarity: see `geometry.Moved`.
    shape : (int, int)
        Rows and columns of the picture.

    Returns
    -------
    ndarray, (3, *shape) float32
        Surface brightness is kept, so that the light of a star grows with the area of a pixel. 0
        where no star is.
    """
    carried = np.zeros((3, *shape), np.float32)
    if not (stars != 0).any():
        return carried
    fill = _fill_whole
    if not _is_whole(matrix):
        fill = partial(_fill_tile, faint=_faint_light(stars))
    rows = range(0, shape[0], STAR_TILE_PX)
    columns = range(0, shape[1], STAR_TILE_PX)
    corners = [(left, top) for top in rows for left in columns]
    into_tile = partial(fill, carried, stars, matrix)
    done_in_threads(into_tile, corners)
    return carried


def _is_whole(matrix: NDArray) -> bool:
    """Whether pixels fall on pixels: a crop, a quarter turn or a mirror."""
    return is_quarter_turn(matrix[:, :2]) and np.array_equal(matrix, np.rint(matrix))


def _faint_light(stars: NDArray) -> float:
    """What half of a layer's lit pixels are fainter than."""
    sample = every_nth(stars)
    lit = sample[sample > 0]
    return float(np.median(lit if len(lit) else np.abs(stars[stars != 0])))


def _tile_of(carried: NDArray, corner: tuple[int, int]) -> NDArray:
    """A tile by its first pixel, x, y."""
    left, top = corner
    return carried[:, top : top + STAR_TILE_PX, left : left + STAR_TILE_PX]


def _fill_whole(
    carried: NDArray, stars: NDArray, matrix: NDArray, corner: tuple[int, int]
) -> None:
    """Put the pixels of a star layer there that fall on those of a tile."""
    tile = _tile_of(carried, corner)
    places = _places_before(matrix, tile.shape[1:], corner)
    nearest, inside = _nearest_pixels(places, stars.shape[1:])
    for plane, light in zip(tile, stars, strict=True):
        plane[inside] = np.take(light, nearest[inside])


def _fill_tile(
    carried: NDArray,
    stars: NDArray,
    matrix: NDArray,
    corner: tuple[int, int],
    faint: float,
) -> None:
    """Lay the part of a star layer there that ends in a tile; its first pixel is ``corner``, x, y.
    Most tiles hold few stars, and only pixels under them are reckoned."""
    tile = _tile_of(carried, corner)
    soft_px = softening_px(matrix)
    held_px = HELD_PX * max(scale_of(matrix), 1)
    margin = int(np.ceil(3 * held_px))
    start = np.array(corner) - margin
    shape = np.array(tile.shape[1:]) + 2 * margin
    room_px = SPLINE_PX + 4 * soft_px
    low, high = _source_box(shape, matrix, start, room_px)
    part = stars[:, low[1] : high[1], low[0] : high[0]]
    if not part.any():
        return
    places = _places_before(matrix, shape, start)
    places -= low[::-1, None, None]
    nearest, inside = _nearest_pixels(places, part.shape[1:])
    places = places.reshape(2, -1)
    inner = slice(margin, -margin)
    for plane, light in zip(tile, part, strict=True):
        soft = light
        if soft_px > LEAST_BLUR_PX:
            soft = ndimage.gaussian_filter(light, soft_px)
        starry = np.flatnonzero(inside & np.take(soft > 0, nearest))
        if not len(starry):
            continue
        made = np.zeros(shape, np.float32)
        made.ravel()[starry] = _light_at(soft, places.take(starry, axis=1), faint)
        _amend(
            made,
            soft,
            places,
            held_px,
            scale_of(matrix),
        )
        plane[:] = made[inner, inner]


def _places_before(
    matrix: NDArray, shape: tuple[int, int], corner: tuple[int, int]
) -> NDArray[np.float64]:
    """Where the pixels of a tile lie in the layer: rows and columns, (2, *shape)."""
    back = _inverse(matrix)
    x = corner[0] + np.arange(shape[1])
    y = corner[1] + np.arange(shape[0])[:, None]
    across, down = (row[0] * x + row[1] * y + row[2] for row in back)
    return np.stack([down, across])


def _inverse(matrix: NDArray) -> NDArray[np.float64]:
    """From pixels of the picture to those of the layer, (2, 3)."""
    whole = np.vstack([matrix, [0, 0, 1]])
    return np.linalg.inv(whole)[:2]


def _nearest_pixels(
    places: NDArray, shape: tuple[int, int]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Which pixel of a plane, counted row by row, is nearest to each place, and whether there is
    one."""
    row, column = np.floor(places + 0.5).astype(np.intp)
    inside = (row >= 0) & (row < shape[0]) & (column >= 0) & (column < shape[1])
    return np.where(inside, row * shape[1] + column, 0), inside


def _light_at(light: NDArray, places: NDArray, faint: float) -> NDArray:
    """Light between pixels at places (2, n): cubic splines through its fourth root, faint light as
    it is. Through the light itself they ring round stars of a pixel or two, in rims that a stretch
    lifts; the root of such a star is twice as wide and has no rings."""
    root = _rooted(light, faint)
    knots = ndimage.spline_filter(root, order=3, output=np.float32)
    return _unrooted(_between_knots(knots, places), faint)


def _between_knots(knots: NDArray, places: NDArray) -> NDArray[np.float32]:
    """The cubic spline of these knots at places (2, n)."""
    return ndimage.map_coordinates(
        knots,
        places,
        output=np.float32,
        order=3,
        prefilter=False,
    )


def _rooted(light: NDArray, faint: float) -> NDArray[np.float32]:
    """The fourth root of light, but for light fainter than some."""
    times = np.abs(light) / np.float32(faint)
    root = np.sqrt(np.sqrt(times + 1))
    return np.copysign(root - 1, light)


def _unrooted(root: NDArray, faint: float) -> NDArray[np.float32]:
    """The light that has this root."""
    square = np.square(np.abs(root) + 1)
    times = np.square(square) - 1
    return np.copysign(np.float32(faint) * times, root)


def _amend(
    made: NDArray, light: NDArray, places: NDArray, held_px: float, scale: float
) -> None:
    """Give light made at places (2, n), in place, what it lacks of that of the layer: splines
    through roots, and stars between pixels that hardly see them, lose or gain some."""
    lit = np.flatnonzero(made > 0)
    narrower = np.sqrt((held_px / scale) ** 2 - SPLINE_VARIANCE_PX2)  # splines do the rest
    wide = ndimage.gaussian_filter(light, narrower, mode="constant")
    true = _between_knots(wide, places.take(lit, axis=1))
    seen = ndimage.gaussian_filter(made, held_px, mode="constant").take(lit)
    share = true / np.maximum(seen, 1e-30)
    made.ravel()[lit] *= np.clip(share, 1 / MOST_AMENDED, MOST_AMENDED)


def _source_box(
    shape: tuple[int, int], matrix: NDArray, corner: tuple[int, int], room_px: float
) -> NDArray[np.intp]:
    """First and last pixel, x and y, of what ends in a tile, with some room round it, (2, 2)."""
    ends = corner + SQUARE * shape[::-1]
    starts = applied(_inverse(matrix), ends)
    low = starts.min(axis=0) - room_px
    high = starts.max(axis=0) + room_px + 1
    return np.maximum([low, high], 0).astype(int)


def gapless(pixels: NDArray) -> NDArray:
    """Pixels with 0 where there is no data; themselves where there is everywhere.

    Parameters
    ----------
    pixels : ndarray
        NaN where there is no data.

    Returns
    -------
    ndarray
    """
    return np.nan_to_num(pixels) if np.isnan(pixels.min(initial=0)) else pixels


def softening_px(matrix: NDArray) -> float:
    """Sigma of the Gaussian that the smaller pixels of a layer need, 0 where they do not get
    smaller.

    Parameters
    ----------
    matrix : ndarray, (2, 3)
        From pixels of the layer to pixels of the picture.

    Returns
    -------
    float
        In pixels of the layer.
    """
    return SOFTENED_SHARE * np.sqrt(max(scale_of(matrix) ** -2 - 1, 0))


def own_softening_px(matrix: NDArray) -> float:
    """Sigma of the Gaussian that stars need besides the pixels they are drawn on to be as soft as
    carried ones.

    Parameters
    ----------
    matrix : ndarray, (2, 3)
        From pixels of the layer to pixels of the picture.

    Returns
    -------
    float
        In pixels of the picture.
    """
    sigma_px = softening_px(matrix) * scale_of(matrix)
    return float(np.sqrt(max(sigma_px**2 - PIXEL_VARIANCE_PX2, 0)))


def laid_over(
    nebula: NDArray, stars: NDArray, stretch: Stretch | None, space: ColourSpace = SRGB
) -> NDArray[np.float32]:
    """Stars over a finished nebula: added where both are linear, screened where it is stretched.

    Parameters
    ----------
    nebula, stars : ndarray, (3, y, x)
        On one pixel grid.
    stretch : Stretch or None
        For linear stars over a stretched nebula. None: both are linear, and are added.
    space : ColourSpace
        Of a stretched nebula.

    Returns
    -------
    ndarray, (3, y, x) float32
        The nebula bit for bit where no star is.
    """
    return laid_on_pixels(nebula, stars, way_of_laying(stretch, space))


def way_of_laying(
    stretch: Stretch | None, space: ColourSpace
) -> Callable[[NDArray, NDArray], NDArray]:
    """How pixels (3, n) of stars are laid over those of a nebula: see `laid_over`.

    Parameters
    ----------
    stretch : Stretch or None
    space : ColourSpace

    Returns
    -------
    callable
        Takes pixels of the nebula and of the stars, gives those of both.
    """
    if stretch is None:
        return np.add
    return partial(_stretched_over, stretch=stretch, space=space)


def _stretched_over(
    below: NDArray, light: NDArray, stretch: Stretch, space: ColourSpace
) -> NDArray:
    """Pixels (3, n) of linear stars over those of a stretched nebula."""
    return screened(below, stretch.light(np.asarray(light, np.float32)), space)
