"""Figures as PNG: measured once, drawn once, the white round them cut off.

What a library does for that, a layout that is solved for and a second drawing to find the rim, took
a third of the time of a small run.
"""

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from ..draw.preview import encoded

PLOT_DPI = 150
GAP_INCHES = 0.12  # between what stands side by side: room for a longer number
RIM_INCHES = 0.1  # of white that stays
MOST_TICKS = 7  # of an axis: each costs as much as a thousand stars
PACKING = 4  # of the PNG, of 9: a tenth larger than the usual 6, in half of the time


def png_of(figure: Figure) -> bytes:
    """A figure as PNG, white behind it.

    Parameters
    ----------
    figure : Figure
        Of axes in rows and columns, and without a layout engine: where they stand is changed.

    Returns
    -------
    bytes
    """
    figure.set_dpi(PLOT_DPI)
    figure.set_facecolor("white")
    canvas = FigureCanvasAgg(figure)
    for axes in figure.axes:
        axes.locator_params(nbins=MOST_TICKS)
    _give_room(figure, canvas)
    canvas.draw()
    drawn = _without_rim(np.asarray(canvas.buffer_rgba())[:, :, :3])
    return encoded(Image.fromarray(drawn), "png", compress_level=PACKING)


def _give_room(figure: Figure, canvas: FigureCanvasAgg) -> None:
    """Room round all axes for what stands beside them: numbers, names, legends."""
    beyond = _beyond_axes(figure, canvas) + GAP_INCHES * figure.dpi
    left, right, below, above = beyond
    grid = figure.axes[0].get_subplotspec().get_gridspec()
    width, height = figure.bbox.size
    across = max(width - grid.ncols * (left + right), 1) / grid.ncols
    down = max(height - grid.nrows * (below + above), 1) / grid.nrows
    figure.subplots_adjust(
        left=left / width,
        right=max(1 - right / width, (left + 1) / width),
        bottom=below / height,
        top=max(1 - above / height, (below + 1) / height),
        wspace=(left + right) / across,
        hspace=(below + above) / down,
    )


def _beyond_axes(figure: Figure, canvas: FigureCanvasAgg) -> NDArray:
    """How far anything reaches beyond its axes at most, left, right, below and above, px."""
    renderer = canvas.get_renderer()
    beyond = [(0.0, 0.0, 0.0, 0.0)]
    for axes in figure.axes:
        all_of_it = axes.get_tightbbox(renderer, for_layout_only=True)
        inner = axes.get_window_extent(renderer)
        sides = inner.x0 - all_of_it.x0, all_of_it.x1 - inner.x1
        beyond.append((*sides, inner.y0 - all_of_it.y0, all_of_it.y1 - inner.y1))
    return np.max(beyond, axis=0)


def _without_rim(drawn: NDArray) -> NDArray:
    """The part of a picture, (y, x, 3), that is not white, and a little round it."""
    inked = (drawn != 255).any(axis=2)
    if not inked.any():
        return drawn
    parts = []
    for axis in (1, 0):
        lines = np.flatnonzero(inked.any(axis=axis))
        rim = round(RIM_INCHES * PLOT_DPI)
        parts.append(slice(max(lines[0] - rim, 0), lines[-1] + rim + 1))
    return np.ascontiguousarray(drawn[tuple(parts)])
