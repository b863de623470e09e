"""Shapes of stars over the frame: how wide they are, how drawn out and which way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .plots import frame_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHADES = "Greys"  # prints, and no kind of eye takes it for another
LIGHTEST, WIDEST_SHARE = 0.05, 1.25  # of the scale of widths, so that even frames look even
STROKE = {"color": "#c8501e", "lw": 1.8, "solid_capstyle": "round"}
STROKE_SHARE, FULL_ELONGATION = 0.9, 0.5  # of a place's side, at an axis ratio of 0.5
ROUND = 0.03  # stars less drawn out than this are shown by a dot


def plot_shapes(
    shape: tuple[int, int],
    fwhm_px: np.ndarray,
    axis_ratio: np.ndarray,
    long_axis_deg: np.ndarray,
    ax: Axes | None = None,
) -> Axes:
    """Plot widths as shades with their numbers, and elongations as strokes along the long axis.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the frame.
    fwhm_px, axis_ratio, long_axis_deg : ndarray, (rows, columns)
        In the middles of equal parts of the frame; direction from x towards y.
    ax : Axes, optional
        A new figure if not given.

    Returns
    -------
    Axes
        In pixels, x to the right, y upwards.
    """
    height, width = shape
    ax = frame_axes(shape, ax)
    rows, columns = fwhm_px.shape
    edges_x = np.linspace(-0.5, width - 0.5, columns + 1)
    edges_y = np.linspace(-0.5, height - 0.5, rows + 1)
    narrowest = float(fwhm_px.min())
    widest = max(float(fwhm_px.max()), WIDEST_SHARE * narrowest)
    least = narrowest - LIGHTEST * (widest - narrowest)
    most = widest + 1.2 * (widest - least)  # the darkest shade leaves black numbers readable
    ax.pcolormesh(edges_x, edges_y, fwhm_px, cmap=SHADES, vmin=least, vmax=most)
    _draw_strokes(ax, edges_x, edges_y, axis_ratio, long_axis_deg)
    _write_widths(ax, edges_x, edges_y, fwhm_px)
    return ax


def _draw_strokes(
    ax,
    edges_x,
    edges_y,
    axis_ratio,
    long_axis_deg,
) -> None:
    """A stroke in each part of the frame as long as its stars are drawn out."""
    side = min(edges_x[1] - edges_x[0], edges_y[1] - edges_y[0])
    x, y = np.meshgrid(_halfway(edges_x), _halfway(edges_y))
    length = STROKE_SHARE * side * np.clip((1 - axis_ratio) / FULL_ELONGATION, 0, 1)
    angle = np.radians(long_axis_deg)
    dx, dy = length / 2 * np.cos(angle), length / 2 * np.sin(angle)
    long = axis_ratio < 1 - ROUND
    ends_x = np.stack([(x - dx)[long], (x + dx)[long]])
    ends_y = np.stack([(y - dy)[long], (y + dy)[long]])
    ax.plot(ends_x, ends_y, **STROKE)
    ax.plot(x[~long], y[~long], ".", color=STROKE["color"], ms=4)


def _write_widths(
    ax,
    edges_x,
    edges_y,
    fwhm_px,
) -> None:
    """The width in every second part, below its stroke."""
    x, y = _halfway(edges_x), _halfway(edges_y)
    down = 0.33 * (edges_y[1] - edges_y[0])
    for row in range(0, len(y), 2):
        for column in range(0, len(x), 2):
            text = f"{fwhm_px[row, column]:.1f}"
            place = x[column], y[row] - down
            ax.text(*place, text, ha="center", va="center", fontsize=8)


def _halfway(edges):
    return (edges[1:] + edges[:-1]) / 2
