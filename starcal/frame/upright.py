"""Pictures turned as their files say, and back: EXIF has a number for how the stored rows lie."""

import numpy as np

ORIENTATION_TAG = 274  # of EXIF and TIFF
AS_STORED = 1
# By orientation (TIFF 6.0, section 8): steps along stored rows and columns, and whether columns of
# what is seen are rows of what is stored
ORIENTATIONS = {
    1: (1, 1, False),
    2: (1, -1, False),
    3: (-1, -1, False),
    4: (-1, 1, False),
    5: (1, 1, True),
    6: (-1, 1, True),
    7: (-1, -1, True),
    8: (1, -1, True),
}


def turned_upright(stored: np.ndarray, orientation: int) -> np.ndarray:
    """As it is to be seen.

    Parameters
    ----------
    stored : ndarray, (..., y, x)
        Rows in the order of the file.
    orientation : int
        A key of `ORIENTATIONS`.

    Returns
    -------
    ndarray, (..., y, x)
        The same memory, top row first.
    """
    rows, columns, swapped = ORIENTATIONS[orientation]
    turned = stored[..., ::rows, ::columns]
    return turned.swapaxes(-1, -2) if swapped else turned


def turned_back(seen: np.ndarray, orientation: int) -> np.ndarray:
    """As it lies in the file: `turned_upright` undone.

    Parameters
    ----------
    seen : ndarray, (..., y, x)
        Top row first.
    orientation : int
        A key of `ORIENTATIONS`.

    Returns
    -------
    ndarray, (..., y, x)
        The same memory.
    """
    rows, columns, swapped = ORIENTATIONS[orientation]
    lying = seen.swapaxes(-1, -2) if swapped else seen
    return lying[..., ::rows, ::columns]
