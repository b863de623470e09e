"""A star layer carried to where the finished nebula lies, and laid over it."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..draw.tone import Stretch
from .blend import screen_keeping_hue
from .profiles import SRGB, ColourSpace

# Stars made smaller are first made wider by as much as smaller pixels would have seen them: what is
# finer than a pixel would come out jagged (common practice: half the new pixel as a Gaussian).
SOFTENED_SHARE = 0.4


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
    sigma_px = softening_px(matrix)
    carried = np.zeros((3, *shape), np.float32)
    for channel, plane in enumerate(stars):
        soft = ndimage.gaussian_filter(plane, sigma_px) if sigma_px else plane
        starry = _moved_plane((soft > 0).astype(np.float32), matrix, shape, order=1) > 0.5
        light = _moved_plane(soft, matrix, shape, order=3)
        carried[channel] = np.where(starry, np.maximum(light, 0), 0)
    return carried


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
    if stretch is None:
        starry = (stars != 0).any(axis=0)
        return np.where(starry, nebula + stars, nebula).astype(np.float32)
    return screen_keeping_hue(nebula, stretch.apply(stars), space)
