"""A star layer carried to where the finished nebula lies, and laid over it."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..draw.tone import Stretch
from .blend import screen_keeping_hue
from .profiles import SRGB, ColourSpace

# Stars made smaller are first made wider by as much as smaller pixels would have seen them: what is
# finer than a pixel would come out jagged (common practice: half the new pixel as a Gaussian).
SOFTENED_SHARE = 0.4
STAR_TILE_PX = 256
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
    with ThreadPoolExecutor() as pool:
        jobs = [pool.submit(_carried_plane, plane, matrix, shape) for plane in stars]
    for channel, job in enumerate(jobs):
        carried[channel] = job.result()
    return carried


def _carried_plane(
    plane: NDArray, matrix: NDArray, shape: tuple[int, int]
) -> NDArray[np.float32]:
    """One channel of a star layer on other pixels, tile by tile: most of them hold no star."""
    carried = np.zeros(shape, np.float32)
    for top in range(0, shape[0], STAR_TILE_PX):
        for left in range(0, shape[1], STAR_TILE_PX):
            tile = carried[top : top + STAR_TILE_PX, left : left + STAR_TILE_PX]
            _fill_tile(tile, plane, matrix, (left, top))
    return carried


def _fill_tile(tile: NDArray, plane: NDArray, matrix: NDArray, corner: tuple[int, int]) -> None:
    """Lay the part of a plane there that ends in a tile; its first pixel is ``corner``, x, y."""
    sigma_px = softening_px(matrix)
    low, high = _source_box(tile.shape, matrix, corner, SPLINE_PX + 4 * sigma_px)
    part = plane[low[1] : high[1], low[0] : high[0]]
    if part.any():
        shift = matrix[:, :2] @ low + matrix[:, 2] - corner
        to_tile = np.column_stack([matrix[:, :2], shift])
        tile[:] = _moved_light(part, to_tile, tile.shape, sigma_px)


def _source_box(
    shape: tuple[int, int], matrix: NDArray, corner: tuple[int, int], room_px: float
) -> NDArray[np.intp]:
    """First and last pixel, x and y, of what ends in a tile, with some room round it, (2, 2)."""
    back = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]
    ends = [(corner[0] + x, corner[1] + y, 1) for x in (0, shape[1]) for y in (0, shape[0])]
    starts = np.array(ends) @ back.T
    box = np.array([starts.min(axis=0) - room_px, starts.max(axis=0) + room_px + 1])
    return np.maximum(box, 0).astype(int)


def _moved_light(
    part: NDArray, matrix: NDArray, shape: tuple[int, int], sigma_px: float
) -> NDArray:
    """Light carried; splines ring round a star, but none lies where no star is."""
    soft = ndimage.gaussian_filter(part, sigma_px) if sigma_px else part
    starry = _moved_plane((soft > 0).view(np.uint8), matrix, shape, order=0)
    light = _moved_plane(soft, matrix, shape, order=3)
    return np.where(starry, np.maximum(light, 0), 0)


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


def _moved_plane(
    plane: NDArray, matrix: NDArray, shape: tuple[int, int], order: int
) -> NDArray:
    """A plane carried by a matrix of x and y; splines of an order between its pixels."""
    back = np.linalg.inv(matrix[:, :2])
    offset = -(back @ matrix[:, 2])[::-1]
    return ndimage.affine_transform(plane, back[::-1, ::-1], offset, shape, order=order)


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
