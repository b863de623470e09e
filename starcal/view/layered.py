"""The part of a picture that is seen, of a frame whose stars are told apart."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, vstack

from ..layers import Split, light_shares
from .visible import VISIBLE_ROWS, VisiblePart, Window, mean_of


@dataclass(frozen=True, eq=False)
class SplitPart(VisiblePart):
    """The same of a frame whose stars are told apart, ready to be coloured.

    Attributes
    ----------
    starless : ndarray, (3, rows, columns) float32
        Linear, as ``before``.
    shares : sparse array, (rows * columns, n)
        What each star gives of the luminance of each pixel.
    """

    starless: NDArray[np.float32]
    shares: csr_array

    def with_stars(self, rgb: NDArray) -> NDArray[np.float32]:
        """The view with its stars in given colours: linear RGB (n, 3), of luminance 1 to keep their
        light."""
        layer = self.shares @ np.asarray(rgb, np.float32)
        return self.starless + layer.T.reshape(self.starless.shape)


def split_part(
    pixels: NDArray, parts: Split, window: Window, star_size: float = 1.0
) -> SplitPart:
    """Prepare the view of a window of a frame and its layers, its stars of some size."""
    return SplitPart(
        window,
        mean_of(pixels, window),
        mean_of(parts.starless, window),
        shares_of(parts, window, star_size),
    )


def shares_of(parts: Split, window: Window, star_size: float = 1.0) -> csr_array:
    """`layers.light_shares` of a window of any size, strip by strip."""
    height = max(1, VISIBLE_ROWS // window.step) * window.step
    tops = range(window.rows.start, window.rows.stop, height)
    return vstack(
        [
            light_shares(
                parts,
                (slice(top, min(top + height, window.rows.stop)), window.columns),
                window.step,
                star_size,
            )
            for top in tops
        ],
        format="csr",
    )
