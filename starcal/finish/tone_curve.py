"""The curve that tones of a frame took on their way to a picture of it.

Both are compared place by place, where they show the same. Each channel of a linear picture is a
sum of the frame's channels, whatever gains, mix, gradient or vignetting; what a stretched one shows
is a curve of such a sum, steeper in the dark. So one curved term is fitted besides the sum, a model
of one index (Li and Duan 1989, Annals of Statistics 17, 1009).
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..robust import scatter_about_zero

LEAST_CELL_PX, CELLS_ACROSS = 2, 64  # grain goes, structure stays
CELL_PARTS = (-3 / 8, -1 / 8, 1 / 8, 3 / 8)  # of its side, each way
PIXELS_OF_CELL = 12  # a side; more tell no more
LEAST_CELLS = 100  # for eleven terms and the error of one
MOST_CLIPPED = 0.02  # of a cell's pixels: clipping bends any tones
TONE_ENDS = (0.02, 0.995)  # shares of the cells: their tones are 0 and 1 of the curve
TONES_BEYOND = (-0.1, 1.2)  # what lies farther out has as much say
KNEE = 0.15  # the curved term is the logarithm of a tone and so much: steep in the dark
DARK, MIDDLE, BRIGHT = 0.1, 0.4, 0.7  # tones whose slopes are compared
INDEX_ROUNDS, WEIGHT_ROUNDS = 2, 4
BLOCKS_A_SIDE = 8  # what neighbours are off goes together: blocks of cells tell the error
METHOD_ERROR = 0.005  # of a bend: cells hold a little grain
SMALL_SHARE = 1e-10  # of the whole: keeps equations solvable
SMALLEST_TONE = 1e-12  # of full scale


@dataclass(frozen=True)
class CurveOfTones:
    """How a picture's tones follow a frame's.

    Attributes
    ----------
    times : float
        Slope in the dark over slope in the bright: 1 for a linear picture.
    dark_gain : float
        Slope in the dark, for grey: 1 where numbers stayed as they were.
    middle_times : float
        Middle value of what both show, over that in the frame.
    """

    times: float
    dark_gain: float
    middle_times: float


class Cells(NamedTuple):
    """Places that a picture and its frame show, as means of little squares.

    Attributes
    ----------
    now, then : ndarray, (3, n)
        What the picture has there, and what the frame has.
    clipped : ndarray, (3, n)
        Share of the picture's pixels at 0 or at full scale.
    places : ndarray, (2, n)
        x and y in widths of the picture, 0 in its middle.
    """

    now: NDArray[np.float64]
    then: NDArray[np.float64]
    clipped: NDArray[np.float64]
    places: NDArray[np.float64]

    def taken(self, chosen: NDArray[np.bool_]) -> "Cells":
        """Some of them."""
        return Cells(*(each[:, chosen] for each in self))

    def told_by(self, channel: int) -> "Cells":
        """Those in which a channel is not clipped."""
        return self.taken(self.clipped[channel] < MOST_CLIPPED)


class _Slopes(NamedTuple):
    """Of a channel, for the frame's channels.

    Attributes
    ----------
    even, curved : ndarray, (3,)
        Slope of the sum, and what is multiplied by 1 / (tone + knee) and added to it.
    share : float
        The curved term over the slope at the middle tone.
    error : float
        1 sigma of that.
    """

    even: NDArray[np.float64]
    curved: NDArray[np.float64]
    share: float
    error: float

    def at(self, tone: float | NDArray) -> NDArray[np.float64]:
        """Slope for each of the frame's channels; the mean of several tones'."""
        return self.even + self.curved * np.mean(1 / (tone + KNEE))


def tone_curve(picture: NDArray, frame: NDArray, matrix: NDArray | None) -> CurveOfTones | None:
    """Measure how a picture's tones follow those of the frame it was made from.

    Parameters
    ----------
    picture, frame : ndarray, (3, y, x)
        NaN where there is no data.
    matrix : ndarray, (2, 3), or None
        From the frame to the picture, see `geometry.Moved`; None: pixel by pixel.

    Returns
    -------
    CurveOfTones or None
        None: too few places tell it.
    """
    cells = _alike_cells(picture, frame, matrix)
    slopes = [each for channel in range(3) if (each := _slopes_of(cells, channel))]
    if not slopes:
        return None
    share = _mean_share(slopes)
    bright = max(_over_middle(share, BRIGHT), SMALLEST_TONE)
    return CurveOfTones(
        times=_over_middle(share, DARK) / bright,
        dark_gain=float(np.median([each.at(DARK).sum() for each in slopes])),
        middle_times=float(np.median(cells.now) / max(np.median(cells.then), SMALLEST_TONE)),
    )


def _mean_share(slopes: list[_Slopes]) -> float:
    """Of the curved term, in all channels: the surer, the more say."""
    weight = [1 / (each.error**2 + METHOD_ERROR**2) for each in slopes]
    return float(np.average([each.share for each in slopes], weights=weight))


def _over_middle(share: float, tone: float) -> float:
    """Slope at a tone over that at the middle one."""
    return 1 + share * (1 / (tone + KNEE) - 1 / (MIDDLE + KNEE))


def _slopes_of(cells: Cells, channel: int) -> _Slopes | None:
    """Of a channel; None: too few cells tell it, or they are even."""
    told = cells.told_by(channel)
    if told.now.shape[1] < LEAST_CELLS:
        return None
    goal = told.now[channel]
    index = _straight_index(goal, told)
    for _ in range(INDEX_ROUNDS):
        low, high = np.quantile(index @ told.then, TONE_ENDS)
        if not high > low:
            return None
        tone = np.clip((index @ told.then - low) / (high - low), *TONES_BEYOND)
        slopes = _fitted_slopes(goal, told, tone, index / (high - low))
        index = slopes.at(tone)
    return slopes


def _straight_index(goal: NDArray, cells: Cells) -> NDArray[np.float64]:
    """Shares of the frame's channels in a sum nearest to a channel, besides a gradient, (3,)."""
    straight = np.vstack([cells.then, cells.places, np.ones(len(goal))])
    return np.linalg.lstsq(straight.T, goal, rcond=None)[0][:3]


def _fitted_slopes(goal: NDArray, cells: Cells, tone: NDArray, per_tone: NDArray) -> _Slopes:
    """Curve, sum, vignetting and gradient fitted to a channel; a tone is ``per_tone`` times the
    frame's channels."""
    scale = np.linalg.norm(per_tone)
    lens = np.vstack([np.sum(cells.places**2, axis=0), cells.places])
    parts = (np.log(tone + KNEE), scale * cells.then, tone * lens, lens, np.ones(len(goal)))
    terms, error = _robust_terms(np.vstack(parts), goal, _block_numbers(cells.places))
    even = scale * terms[1:4] + np.mean(terms[4:7] @ lens) * per_tone
    level = np.polyfit(tone, even @ cells.then, 1)[0]
    return _slopes_over_middle(even, terms[0] * per_tone, terms[0], error, level)


def _slopes_over_middle(
    even: NDArray, curved: NDArray, bend: float, error: float, level: float
) -> _Slopes:
    """Slopes, and the curved term as a share of that in the middle; ``level`` is the sum's."""
    middle = level + bend / (MIDDLE + KNEE)
    return _Slopes(even, curved, bend / middle, error / abs(middle))


def _block_numbers(places: NDArray) -> NDArray[np.intp]:
    """Number of the block that each cell lies in."""
    column, row = np.clip((places + 0.5) * BLOCKS_A_SIDE, 0, BLOCKS_A_SIDE - 1).astype(np.intp)
    return row * BLOCKS_A_SIDE + column


def _robust_terms(design: NDArray, goal: NDArray, blocks: NDArray) -> tuple[NDArray, float]:
    """Terms (k,) of rows (k, n) whose sum is nearest to a goal, and the error of the first; what is
    far off has less and less say."""
    weight = np.ones(len(goal))
    for _ in range(WEIGHT_ROUNDS):
        weighted = design * weight
        normal = weighted @ design.T
        normal[np.diag_indices_from(normal)] *= 1 + SMALL_SHARE
        inverse = np.linalg.pinv(normal, hermitian=True)
        terms = inverse @ (weighted @ goal)
        left = goal - terms @ design
        weight = 1 / (1 + (left / (2 * scatter_about_zero(left) + SMALLEST_TONE)) ** 2)
    pull = np.bincount(blocks, inverse[0] @ weighted * left)
    return terms, float(np.linalg.norm(pull))


# --- what both show -----------------------------------------------------------------------------


def _alike_cells(picture: NDArray, frame: NDArray, matrix: NDArray | None) -> Cells:
    """Cells of a picture and the same parts of its frame."""
    side = _cell_px(picture)
    pixels = _pixels_of_cells(picture, side)
    now = _averaged(pixels)
    shape = now.shape[1:]
    middles = np.stack(np.indices(shape)[::-1]).reshape(2, -1) + 0.5
    cells = Cells(
        now=now.reshape(3, -1),
        then=_cells_before(frame, side * middles - 0.5, side, matrix),
        clipped=_averaged((pixels <= 0) | (pixels >= 1)).reshape(3, -1),
        places=middles / max(shape) - 0.5,
    )
    return cells.taken(np.isfinite(cells.now + cells.then).all(axis=0))


def _cells_before(
    frame: NDArray, middles: NDArray, side: int, matrix: NDArray | None
) -> NDArray[np.float64]:
    """What a frame has where squares of a picture lie, (3, n), NaN outside; by parts of a square,
    since the frame may be turned.

    ``middles`` are theirs, x and y, (2, n).
    """
    back = np.eye(3) if matrix is None else np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))
    part_px = max(1, _cell_px(frame) // len(CELL_PARTS))
    parts = _averaged(_pixels_of_cells(frame, part_px))
    shifts = [side * np.array([[x], [y]]) for x in CELL_PARTS for y in CELL_PARTS]
    ways = (back[:2, :2] @ (middles + shift) + back[:2, 2:] for shift in shifts)
    return np.mean([_values_there(parts, (way + 0.5) / part_px) for way in ways], axis=0)


def _values_there(planes: NDArray, places: NDArray) -> NDArray[np.float64]:
    """Pixels of planes that places x, y (2, n) lie in, (3, n); NaN outside."""
    column, row = np.floor(places).astype(np.intp)
    inside = (row >= 0) & (row < planes.shape[1]) & (column >= 0) & (column < planes.shape[2])
    found = np.full((3, len(row)), np.nan)
    found[:, inside] = planes[:, row[inside], column[inside]]
    return found


def _cell_px(planes: NDArray) -> int:
    return max(LEAST_CELL_PX, -(-max(planes.shape[1:]) // CELLS_ACROSS))


def _pixels_of_cells(planes: NDArray, side: int) -> NDArray:
    """Pixels of cells of so many a side, (3, rows, n, columns, n): all, or in large cells a sample.
    What does not fill a cell is left out."""
    rows, columns = planes.shape[1] // side, planes.shape[2] // side
    cut = planes[:, : rows * side, : columns * side]
    every = -(-side // PIXELS_OF_CELL)
    return cut.reshape(3, rows, side, columns, side)[:, :, ::every, :, ::every]


def _averaged(pixels: NDArray) -> NDArray[np.float64]:
    """Means of the pixels of each cell, (3, rows, columns)."""
    return pixels.mean(axis=(2, 4), dtype=np.float64)
