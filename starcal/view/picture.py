"""The picture: the visible part before and after, a divider between them, marks on the stars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from bokeh.models import (
    CDSView,
    ColumnDataSource,
    HoverTool,
    IndexFilter,
    PanTool,
    Range1d,
    Scatter,
    Span,
)
from bokeh.plotting import figure
from bokeh.transform import factor_cmap, factor_mark
from numpy.typing import NDArray

from .looks import CHOSEN, PAPER, SOURCE_MARKS, sheet
from .visible import Window

if TYPE_CHECKING:
    from ..layers import ProfileMap

MARK_PX, RING_PX = 13, 26  # of the screen, at least
MARK_FWHM = 4  # a mark lies round a star of this many widths, however near it is seen
DRAWN_OUT = 5.0  # times: an axis ratio of 0.9 is hard to see
MAP_COLOUR = "#ffd27a"
# What is said of a star that is pointed at
TOLD = [
    ("star", "@place"),
    ("sky", "@sky"),
    ("catalogue", "@listed"),
    ("given", "@given, from @source"),
]
STAR_COLUMNS = ("x", "y", "name", "source", "place", "sky", "listed", "given")
LABEL = "The picture: before on the left of the divider, after on the right"


@dataclass(frozen=True, eq=False, kw_only=True)
class Picture:
    """The figure, and what it shows.

    Attributes
    ----------
    figure
    halves : ColumnDataSource
        ``before`` and ``after`` of the visible part, and the box that it fills; the page puts them
        together at the divider without asking again.
    lit : ColumnDataSource
        ``place`` and ``pixel`` of what alone differs of ``after`` from ``before``, by its number
        row by row; the page puts ``after`` together of it, and few bytes are sent.
    in_view : IndexFilter
        Rows of the stars that are marked.
    marks
        The glyphs that mark them.
    rings : list of glyphs
        Those round the chosen stars.
    chosen : ColumnDataSource
        Places and numbers of the chosen stars.
    shapes : list of glyphs
        The map of the stars' shapes; empty where there is none.
    """

    figure: figure
    halves: ColumnDataSource
    lit: ColumnDataSource
    in_view: IndexFilter
    marks: object
    rings: list[Scatter]
    chosen: ColumnDataSource
    shapes: list

    def fit_marks(self, fwhm_screen_px: float) -> None:
        """Make marks large enough to surround stars of so many pixels of the screen."""
        size = max(MARK_PX, MARK_FWHM * fwhm_screen_px)
        self.marks.glyph.size = size
        for ring in self.rings:
            ring.size = max(RING_PX, 1.3 * size)


def no_stars() -> ColumnDataSource:
    """For a picture in which none are marked."""
    return ColumnDataSource({name: [] for name in STAR_COLUMNS}, name="stars")


def make_picture(
    shape: tuple[int, int], stars: ColumnDataSource, shapes: ProfileMap | None = None
) -> Picture:
    """The figure for a frame of so many rows and columns, with a map of its stars' shapes."""
    plot = _empty_plot(shape)
    halves = ColumnDataSource(
        {"before": [], "after": [], "x": [], "y": [], "dw": [], "dh": []}, name="halves"
    )
    lit = ColumnDataSource({"place": [], "pixel": []}, name="lit")
    plot.tags = [halves, lit]  # no glyph draws them: thus the page gets them
    _add_image(plot)
    plot.add_layout(_divider(shape[1] / 2))
    _add_words(plot, stars)
    in_view, marks = _add_marks(plot, stars)
    rings, chosen = _add_rings(plot)
    return Picture(
        figure=plot,
        halves=halves,
        lit=lit,
        in_view=in_view,
        marks=marks,
        rings=rings,
        chosen=chosen,
        shapes=[] if shapes is None else _add_shapes(plot, shapes),
    )


def _empty_plot(shape: tuple[int, int]) -> figure:
    height, width = shape
    plot = figure(
        name="picture",
        sizing_mode="stretch_both",
        toolbar_location=None,
        min_height=120,
        x_range=Range1d(-0.5, width - 0.5),
        y_range=Range1d(-0.5, height - 0.5),
        tools=[PanTool()],
        min_border=0,
        stylesheets=[sheet()],
        html_attributes={"role": "img", "aria-label": LABEL},
    )
    plot.axis.visible = False
    plot.grid.visible = False
    return plot


def _add_image(plot: figure) -> None:
    """What the page composes of the two halves; nothing at first."""
    empty = {
        "image": [np.zeros((1, 1), np.uint32)],
        "x": [0],
        "y": [0],
        "dw": [0],
        "dh": [0],
    }
    plot.image_rgba(
        image="image",
        x="x",
        y="y",
        dw="dw",
        dh="dh",
        source=ColumnDataSource(empty, name="composed"),
    )


def _divider(x_px: float) -> Span:
    """The line between before and after, which can be drawn along."""
    return Span(
        name="divider",
        dimension="height",
        location=x_px,
        editable=True,
        line_color="#ffd27a",
        line_width=3,
        hover_line_color="#ffffff",
        hover_line_width=5,
        hover_line_alpha=1.0,
    )


def _add_marks(plot, stars: ColumnDataSource):
    """Shape and colour say where a star's colour comes from."""
    names, (shapes, colours) = list(SOURCE_MARKS), zip(*SOURCE_MARKS.values(), strict=True)
    in_view = IndexFilter([])
    colour = factor_cmap("source", list(colours), names)
    marks = plot.scatter(
        "x",
        "y",
        source=stars,
        view=CDSView(filter=in_view),
        size=MARK_PX,
        fill_color=None,
        line_color=colour,
        line_width=1.6,
        marker=factor_mark("source", list(shapes), names),
        visible=False,
    )
    marks.selection_glyph = marks.nonselection_glyph = (
        marks.glyph
    )  # the rings show what is chosen
    return in_view, marks


def _add_words(plot, stars: ColumnDataSource) -> None:
    """What is known of the star that is pointed at; every star can be."""
    places = plot.scatter(
        "x", "y", source=stars, size=MARK_PX, fill_color=None, line_color=None
    )
    places.selection_glyph = places.nonselection_glyph = places.glyph
    plot.add_tools(HoverTool(renderers=[places], tooltips=TOLD, limit=1))


def _add_shapes(plot, shapes: ProfileMap) -> list:
    """An ellipse and its width in pixels in each cell of the map, hidden at first; how far from
    round, and how much wider or narrower than the middle one, is drawn out."""
    width, ratio, angle_deg = shapes.mean()
    x_px, y_px = np.meshgrid(shapes.x_px, shapes.y_px)
    cell_px = min(shapes.shape[0] / len(shapes.y_px), shapes.shape[1] / len(shapes.x_px))
    size_px = 0.4 * cell_px * np.clip((width / np.median(width)) ** DRAWN_OUT, 0.3, 2.0)
    flat = np.clip(ratio, 0.5, 1.0) ** (DRAWN_OUT / 2)
    drawn = {
        "x": x_px.ravel(),
        "y": y_px.ravel(),
        "long": (size_px / flat).ravel(),
        "short": (size_px * flat).ravel(),
        "angle": np.radians(angle_deg).ravel(),
        "told": [f"{fwhm:.2f} px" for fwhm in width.ravel()],
    }
    source = ColumnDataSource(drawn, name="shape_map")
    ellipses = plot.ellipse(
        "x",
        "y",
        width="long",
        height="short",
        angle="angle",
        source=source,
        fill_color=None,
        line_color=MAP_COLOUR,
        line_width=1.5,
        visible=False,
    )
    texts = plot.text(
        "x",
        "y",
        "told",
        source=source,
        text_align="center",
        text_baseline="middle",
        text_color=MAP_COLOUR,
        text_font_size="12px",
        background_fill_color=PAPER,
        background_fill_alpha=0.6,
        visible=False,
    )
    return [ellipses, texts]


def _add_rings(plot) -> tuple[list[Scatter], ColumnDataSource]:
    """Rings, dark and light, so that they show on anything, with the star's number."""
    chosen = ColumnDataSource({"x": [], "y": [], "name": []}, name="chosen")
    rings = [
        Scatter(size=RING_PX, fill_color=None, line_color=colour, line_width=width)
        for width, colour in ((5, "#000000"), (2, CHOSEN))
    ]
    for ring in rings:
        plot.add_glyph(chosen, ring)
    plot.text(
        "x",
        "y",
        "name",
        source=chosen,
        x_offset=15,
        y_offset=-9,
        text_color=CHOSEN,
        text_font_size="13px",
        background_fill_color=PAPER,
        background_fill_alpha=0.7,
    )
    return rings, chosen


def show_halves(
    halves: ColumnDataSource, window: Window, before: NDArray | None, after: NDArray
) -> None:
    """Put a view into `Picture.halves`; None leaves window and before as they are, and half the
    bytes unsent."""
    if before is None:
        halves.data["after"] = [after]
    else:
        x, y, width, height = window.box
        halves.data = {
            "before": [before],
            "after": [after],
            "x": [x],
            "y": [y],
            "dw": [width],
            "dh": [height],
        }


def show_lit(lit: ColumnDataSource, place: NDArray[np.intp], pixel: NDArray[np.uint32]) -> None:
    """Put what differs of the half after into `Picture.lit`."""
    lit.data = {"place": [place.astype(np.uint32)], "pixel": [pixel]}
