"""The part of a picture that is seen, at the resolution of the screen: arrays in, arrays out, fast
enough to play with.

Everything up to the stretch is linear, so squares of pixels are averaged first and coloured
afterwards: what a change of colour costs depends on the screen and not on the frame.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ..choices import Settings
from ..draw.preview import binned
from ..draw.tone import Stretch

# the view may be finer than the screen by this share: more would be paid for and not be seen
FINER_SHARE = 0.25
VISIBLE_ROWS = 512  # of the frame: temporaries of a strip stay small
OPAQUE = np.uint32(0xFF000000)


@dataclass(frozen=True)
class Window:
    """Rows and columns of a frame that are seen; each ``step`` x ``step`` of them make one pixel of
    the view."""

    rows: slice
    columns: slice
    step: int

    @property
    def shape(self) -> tuple[int, int]:
        """Of the view, (rows, columns)."""
        return tuple((s.stop - s.start) // self.step for s in (self.rows, self.columns))

    def halved(self) -> "Window":
        """The same of a frame made half as large; for even steps."""
        rows, columns = (slice(s.start // 2, s.stop // 2) for s in (self.rows, self.columns))
        return Window(rows, columns, self.step // 2)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left and lower edge, width and height in pixels of the frame; the centre of its first
        pixel is at 0."""
        (top, left), (height, width) = (self.rows.start, self.columns.start), self.shape
        return left - 0.5, top - 0.5, width * self.step, height * self.step


def window_of(
    x_px: tuple[float, float],
    y_px: tuple[float, float],
    screen: tuple[int, int],
    shape: tuple[int, int],
) -> Window:
    """The window that covers a range of the frame.

    Parameters
    ----------
    x_px, y_px : tuple of float
        Ends of the range in pixels of the frame; it may reach beyond the frame.
    screen : tuple of int
        Width and height in pixels of the screen that show it.
    shape : tuple of int
        Rows and columns of the frame.

    Returns
    -------
    Window
        Its ends are multiples of its step, so that squares of pixels stay the same when the view
        moves. At least one pixel of the view each way.
    """
    width, height = x_px[1] - x_px[0], y_px[1] - y_px[0]
    per_screen = max(width / screen[0], height / screen[1])
    step = int(np.clip(np.ceil(per_screen - FINER_SHARE), 1, min(shape)))
    return Window(
        _covered_slice(*y_px, step, shape[0]), _covered_slice(*x_px, step, shape[1]), step
    )


def _covered_slice(low: float, high: float, step: int, size: int) -> slice:
    last = size // step
    start = int(np.clip(np.floor((low + 0.5) / step), 0, last - 1))
    stop = int(np.clip(np.ceil((high + 0.5) / step), start + 1, last))
    return slice(start * step, stop * step)


def mean_of(pixels: NDArray, window: Window) -> NDArray[np.float32]:
    """Means of the squares of pixels of a window, (channel, rows, columns); see
    `preview.binned`. Channels are read at once: a whole frame is bound by that."""
    seen = pixels[:, window.rows, window.columns]
    if window.step == 1:
        return seen
    with ThreadPoolExecutor(len(seen)) as pool:
        planes = pool.map(lambda plane: binned(plane[None], window.step)[0], seen)
        return np.stack(list(planes))


@dataclass(frozen=True, eq=False)
class Whitening:
    """What calibration does beyond matrix and offset: pixels near the clipping level turn white.

    Attributes
    ----------
    x_px, y_px : ndarray of int, (k,)
        Which pixels.
    excess : ndarray, (3, k)
        What is added to each.
    """

    x_px: NDArray
    y_px: NDArray
    excess: NDArray

    def seen_in(self, window: Window) -> NDArray[np.float32]:
        """Means over the squares of a window, (3, rows, columns)."""
        rows, columns = window.shape
        y, x = (
            (self.y_px - window.rows.start) // window.step,
            (self.x_px - window.columns.start) // window.step,
        )
        seen = (y >= 0) & (y < rows) & (x >= 0) & (x < columns)
        place = (y * columns + x)[seen]
        return np.array(
            [
                np.bincount(place, plane[seen], minlength=rows * columns).reshape(rows, columns)
                for plane in self.excess / window.step**2
            ],
            np.float32,
        )


@dataclass(frozen=True, eq=False)
class VisiblePart:
    """What is seen of a frame.

    Attributes
    ----------
    window : Window
    before : ndarray, (3, rows, columns) float32
        Linear; display values of a stretched picture.
    """

    window: Window
    before: NDArray[np.float32]

    def multiplied(
        self, matrix: NDArray, offset: NDArray, whitening: Whitening
    ) -> NDArray[np.float32]:
        """The view of the frame multiplied by a matrix (3, 3), an offset (3,) added, clipped pixels
        made white."""
        made = np.tensordot(matrix.astype(np.float32), self.before, 1)
        return made + offset.astype(np.float32)[:, None, None] + whitening.seen_in(self.window)


def part_as_it_is(pixels: NDArray, window: Window) -> VisiblePart:
    """Prepare the view of a window of a frame alone."""
    return VisiblePart(window, mean_of(pixels, window))


def rgba(display: NDArray) -> NDArray[np.uint32]:
    """A display picture (3, rows, columns) in [0, 1] as opaque pixels: red in the lowest byte, then
    green, blue."""
    red, green, blue = (display * 255 + 0.5).astype(np.uint32)
    return red | green << 8 | blue << 16 | OPAQUE


class AsItIs:
    """In the place of a stretch, for what is stretched already."""

    def adjusted(self, black: float, strength: float) -> "AsItIs":
        """The same, whatever is asked for."""
        return self

    def apply(self, pixels: NDArray) -> NDArray:
        """Display values within 0 to 1; black where there are none."""
        return np.clip(np.nan_to_num(pixels), 0, 1)


AS_IT_IS = AsItIs()


class Toned(Protocol):
    """What has a way to be shown."""

    @property
    def stretch(self) -> Stretch | AsItIs:
        """How it is shown."""
        ...


class Remade(Toned, Protocol):
    """What became of a frame."""

    def after(self, part: VisiblePart) -> NDArray[np.float32]:
        """The picture where it is seen."""
        ...


def before_shown(frame: Toned, part: VisiblePart, settings: Settings) -> NDArray[np.uint32]:
    """The frame as pixels of the screen, (rows, columns); see `rgba`."""
    return rgba(frame.stretch.adjusted(settings.black, settings.strength).apply(part.before))


def after_shown(cure: Remade, part: VisiblePart, settings: Settings) -> NDArray[np.uint32]:
    """The picture as pixels of the screen, (rows, columns)."""
    return rgba(
        cure.stretch.adjusted(settings.black, settings.strength).apply(cure.after(part))
    )
