"""A star layer carried to where the finished nebula lies, and laid over it."""

from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..cores import done_in_threads
from ..draw.tone import Stretch
from ..frame import SRGB, ColourSpace
from .blend import screen_keeping_hue

# Stars made smaller are first made wider by as much as smaller pixels would have seen them: what is
# finer than a pixel would come out jagged (common practice: half the new pixel as a Gaussian).
SOFTENED_SHARE = 0.4
LEAST_BLUR_PX = 0.18  # a Gaussian so narrow leaves 2e-7 of a pixel to the next
STAR_TILE_PX = 256
PEAK_BETWEEN = 2.0  # times the four pixels beside it: of a star 1.5 pixels wide
SPLINE_PX = (
    12  # a cubic spline knows nothing of what is farther off: 0.27 to that power is 1e-7
)


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
    corners = [
        (left, top)
        for top in range(0, shape[0], STAR_TILE_PX)
        for left in range(0, shape[1], STAR_TILE_PX)
    ]
    done_in_threads(partial(_fill_tile, carried, stars, matrix), corners)
    return carried


def _fill_tile(
    carried: NDArray, stars: NDArray, matrix: NDArray, corner: tuple[int, int]
) -> None:
    """Lay the part of a star layer there that ends in a tile; its first pixel is ``corner``, x, y.
    Most tiles hold few stars, and only pixels under them are reckoned."""
    left, top = corner
    tile = carried[:, top : top + STAR_TILE_PX, left : left + STAR_TILE_PX]
    sigma_px = softening_px(matrix)
    low, high = _source_box(tile.shape[1:], matrix, corner, SPLINE_PX + 4 * sigma_px)
    part = stars[:, low[1] : high[1], low[0] : high[0]]
    if not part.any():
        return
    places = _places_before(matrix, tile.shape[1:], corner) - low[::-1, None, None]
    nearest, inside = _nearest_pixels(places, part.shape[1:])
    for plane, light in zip(tile, part, strict=True):
        soft = ndimage.gaussian_filter(light, sigma_px) if sigma_px > LEAST_BLUR_PX else light
        starry = inside & np.take(soft > 0, nearest)
        if starry.any():
            plane[starry] = _light_at(soft, places[:, starry])


def _places_before(
    matrix: NDArray, shape: tuple[int, int], corner: tuple[int, int]
) -> NDArray[np.float64]:
    """Where the pixels of a tile lie in the layer: rows and columns, (2, *shape)."""
    back = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]
    x = corner[0] + np.arange(shape[1])
    y = corner[1] + np.arange(shape[0])[:, None]
    across, down = (row[0] * x + row[1] * y + row[2] for row in back)
    return np.stack([down, across])


def _nearest_pixels(
    places: NDArray, shape: tuple[int, int]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Which pixel of a plane, counted row by row, is nearest to each place, and whether there is
    one."""
    row, column = np.floor(places + 0.5).astype(np.intp)
    inside = (row >= 0) & (row < shape[0]) & (column >= 0) & (column < shape[1])
    return np.where(inside, row * shape[1] + column, 0), inside


def _light_at(light: NDArray, places: NDArray) -> NDArray:
    """Light between pixels, by cubic splines, at places (2, n). They ring round stars of a pixel or
    two, which a stretch lifts: light lies between that of the four pixels beside it."""
    knots = ndimage.spline_filter(light, order=3, output=np.float32)
    found = ndimage.map_coordinates(knots, places, np.float32, order=3, prefilter=False)
    beside = _four_beside(light, places)
    return np.clip(found, beside.min(axis=0), PEAK_BETWEEN * beside.max(axis=0))


def _four_beside(light: NDArray, places: NDArray) -> NDArray:
    """The pixels round each place (2, n), (4, n)."""
    row, column = np.floor(places).astype(np.intp)
    first = row * light.shape[1] + column
    corners = (0, 1, light.shape[1], light.shape[1] + 1)
    return np.array([np.take(light, first + step, mode="clip") for step in corners])


def _source_box(
    shape: tuple[int, int], matrix: NDArray, corner: tuple[int, int], room_px: float
) -> NDArray[np.intp]:
    """First and last pixel, x and y, of what ends in a tile, with some room round it, (2, 2)."""
    back = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]
    ends = [(corner[0] + x, corner[1] + y, 1) for x in (0, shape[1]) for y in (0, shape[0])]
    starts = np.array(ends) @ back.T
    box = np.array([starts.min(axis=0) - room_px, starts.max(axis=0) + room_px + 1])
    return np.maximum(box, 0).astype(int)


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
    scale = np.sqrt(abs(np.linalg.det(matrix[:, :2])))
    return SOFTENED_SHARE * np.sqrt(max(scale**-2 - 1, 0))


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
    starry = (stars != 0).any(axis=0)
    laid = np.array(nebula, np.float32)
    if stretch is None:
        laid[:, starry] += stars[:, starry]
        return laid
    row = np.s_[:, starry, None]  # pixels under stars alone, as a column
    above = stretch.apply(np.asarray(stars[row], np.float32))
    laid[row] = screen_keeping_hue(nebula[row], above, space)
    return laid
