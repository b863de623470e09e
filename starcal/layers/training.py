"""Which stars tell the profile: bright ones, from everywhere in the frame."""

import numpy as np

CELLS = 5  # a side
PER_ROUND = 8  # of each cell, before any cell gives more
MOST = 400


def balanced(
    x_px: np.ndarray, y_px: np.ndarray, brightness: np.ndarray, shape: tuple[int, int]
) -> np.ndarray:
    """Indices of the brightest stars, the same number from each cell of the frame as far as there
    are; round by round, the brightest of a round first, `MOST` at most."""
    cell = _cell_along(y_px, shape[0]) * CELLS + _cell_along(x_px, shape[1])
    rank = np.zeros(len(x_px), int)
    order = np.argsort(brightness)[::-1]
    for one in np.unique(cell):
        mine = order[cell[order] == one]
        rank[mine] = np.arange(len(mine))
    return np.lexsort((-brightness, rank // PER_ROUND))[:MOST]


def _cell_along(at_px: np.ndarray, size: int) -> np.ndarray:
    """Which cell along an axis of the frame each place lies in."""
    return np.clip(at_px / size * CELLS, 0, CELLS - 1).astype(int)
