"""Is a finished nebula linear or stretched? Its starless frame, which is linear, tells.

Both are compared place by place, where they show the same: a crop or a turn changes neither. A
linear nebula has numbers proportional to the frame's, and of their size, for stars are added to it
in the frame's numbers.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LEAST_CELLS, CELLS_ACROSS = 2, 400  # pixels of a cell, at least; grain goes, structure stays
# Slope of a nebula's tones against its starless frame's in the dark, over that in the bright. Made
# linear edits (gains, mixed channels, gradients, noise taken away, crops) reach 1.09.
BENT_TONES = 1.2
MOST_GAIN = 4.0  # two stops; stars are added in the numbers of the starless frame
# Of full scale: a linear sky lies below (common practice), a stretched one above.
DARK_SKY = 0.04
TONES = (0.02, 0.995)  # shares of the cells between which tones are compared
# Parts of that range; dark are those in its first quarter.
TONE_STEPS = np.array((0, 0.03, 0.06, 0.12, 0.2, 0.3, 0.45, 0.7, 1))
LEAST_IN_STEP, LEAST_STEPS, DARK_SHARE = 12, 4, 0.25


@dataclass(frozen=True)
class Tones:
    """Whether a picture's values are proportional to light, and how one knows.

    Attributes
    ----------
    linear : bool
    evidence : str
        In words.
    """

    linear: bool
    evidence: str


def tones_of(
    nebula: NDArray,
    starless: NDArray | None,
    matrix: NDArray | None,
    *,
    eight_bits: bool,
    stars_shown: bool = False,
) -> Tones:
    """Judge a nebula without stars: linear or stretched.

    Parameters
    ----------
    nebula : ndarray, (3, y, x)
    starless : ndarray or None
        Its starless frame.
    matrix : ndarray, (2, 3), or None
        From that to the nebula, see `geometry.Moved`; None: pixel by pixel.
    eight_bits : bool
        The file holds no more.
    stars_shown : bool
        The star layer is stretched; the starless frame is, too, if its sky is as bright.

    Returns
    -------
    Tones
    """
    if eight_bits:
        return Tones(False, "8 bits a channel hold no linear frame")
    sky = _middle(nebula)
    if starless is None:
        word = "below" if sky < DARK_SKY else "above"
        return Tones(sky < DARK_SKY, f"its middle value {sky:.3f} lies {word} {DARK_SKY}")
    before = _middle(starless)
    if stars_shown and before >= DARK_SKY:
        return Tones(False, "its starless frame is stretched, as its stars are")
    dark, ratio = _lift_of(nebula, starless, matrix)
    if ratio >= BENT_TONES:
        return Tones(False, _lifted(ratio))
    if max(dark, sky / max(before, 1e-9)) > MOST_GAIN and sky >= DARK_SKY:
        middle = f"its middle value {sky:.3f}, which was {before:.3f}, lies above {DARK_SKY}"
        return Tones(False, f"{middle}; dark tones are {dark:.1f} times as far apart as before")
    return Tones(True, _lifted(ratio))


def _middle(planes: NDArray) -> float:
    return float(np.nanmedian(planes[:, ::3, ::3]))


def _lifted(ratio: float) -> str:
    times = f"{ratio:.1f} times as much as bright ones"
    return f"dark tones are lifted {times} against the starless frame"


def _lift_of(nebula: NDArray, starless: NDArray, matrix: NDArray | None) -> tuple[float, float]:
    """Slope of a nebula's dark tones against its frame's, and how many times that of the bright
    ones; 1 and 1 where too few tones tell it."""
    now, then = _alike_cells(nebula, starless, matrix)
    low, high = np.quantile(then, TONES) if len(then) else (0.0, 0.0)
    if not high > low:
        return 1.0, 1.0
    step = np.searchsorted(TONE_STEPS, (then - low) / (high - low), side="right")
    parts = [step == number for number in range(1, len(TONE_STEPS))]
    told = [part for part in parts if part.sum() >= LEAST_IN_STEP]
    if len(told) < LEAST_STEPS:
        return 1.0, 1.0
    x = np.array([np.median(then[part]) for part in told])
    return _slopes(x, np.array([np.median(now[part]) for part in told]))


def _slopes(x: NDArray, y: NDArray) -> tuple[float, float]:
    """Slope of the dark part of a curve of rising x, and how many times that of the bright one."""
    middle = max(1, int(np.searchsorted((x - x[0]) / (x[-1] - x[0]), DARK_SHARE)))
    dark = (y[middle] - y[0]) / (x[middle] - x[0])
    bright = (y[-1] - y[middle]) / (x[-1] - x[middle])
    return float(dark), float(dark / max(bright, 1e-9))


def _alike_cells(
    nebula: NDArray, starless: NDArray, matrix: NDArray | None
) -> tuple[NDArray, NDArray]:
    """Brightness of places of a nebula, a gradient taken out, and of the same in its frame."""
    side, other_side = _cell_px(nebula), _cell_px(starless)
    now, then = _cells_averaged(nebula, side), _cells_averaged(starless, other_side)
    places = np.stack([*np.indices(now.shape[1:])[::-1], np.ones(now.shape[1:])]).reshape(3, -1)
    row, column = _cells_before(places, side, other_side, matrix)
    inside = (row >= 0) & (row < then.shape[1]) & (column >= 0) & (column < then.shape[2])
    there = np.full((3, len(row)), np.nan)
    there[:, inside] = then[:, row[inside], column[inside]]
    here = now.reshape(3, -1)
    whole = np.isfinite(here).all(axis=0) & np.isfinite(there).all(axis=0)
    here, there = here[:, whole], there[:, whole]
    return _even_ground(here.mean(axis=0), there, places[:, whole]), there.mean(axis=0)


def _cells_before(
    places: NDArray, side: int, other_side: int, matrix: NDArray | None
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the frame's cells that show what cells of a nebula do; places are x, y
    and 1, (3, n)."""
    middle_px = (side - 1) / 2
    at_px = np.vstack([places[:2] * side + middle_px, places[2]])
    back = np.eye(3) if matrix is None else np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))
    column, row = np.floor(((back @ at_px)[:2] + 0.5) / other_side).astype(np.intp)
    return row, column


def _even_ground(values: NDArray, before: NDArray, places: NDArray) -> NDArray:
    """Values (n,) without the gradient that a frame's channels (3, n) do not tell; places are x, y
    and 1, (3, n)."""
    design = np.vstack([before, places])
    terms = np.linalg.lstsq(design.T, values, rcond=None)[0]
    return values - terms[3:5] @ places[:2]


def _cell_px(planes: NDArray) -> int:
    return max(LEAST_CELLS, -(-max(planes.shape[1:]) // CELLS_ACROSS))


def _cells_averaged(planes: NDArray, side: int) -> NDArray:
    """Means of cells of so many pixels a side; what does not fill one is left out."""
    rows, columns = planes.shape[1] // side, planes.shape[2] // side
    cut = planes[:, : rows * side, : columns * side]
    return cut.reshape(3, rows, side, columns, side).mean(axis=(2, 4), dtype=np.float64)
