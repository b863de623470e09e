"""The plots beside the picture: colour against B-V with its fit, what the fit leaves, and
chromaticity; all linked."""

from dataclasses import dataclass

from bokeh.models import CDSView, ColumnDataSource, IndexFilter, Label, Range1d, Scatter, Span
from bokeh.plotting import figure
from bokeh.transform import factor_cmap, factor_mark

from ..draw.plots import BV_LABEL
from .looks import (
    AFTER_MARK,
    BEFORE_MARK,
    CHOSEN,
    FAINT_LINE,
    FONT,
    INK,
    LINE,
    STATE_MARKS,
    sheet,
)

TOOLS = "box_select,lasso_select,tap,pan,wheel_zoom,reset"
RATIO_OF_COLUMN = {
    "rho": "R/G",
    "beta": "B/G",
}  # column of the stars: what it is the log ratio of
LEFT_BORDER_PX = 78  # alike, so that plots one above the other stand in line


@dataclass(frozen=True, eq=False, kw_only=True)
class Plots:
    """The figures by name, and what changes in them.

    Attributes
    ----------
    figures : list of figures
    matched, clear : IndexFilter
        Rows of the stars shown against B-V, and of those whose chromaticity says something.
    curves, locus : ColumnDataSource
    no_fit : list of Label
        What the plots of the fit say where there is none.
    """

    figures: list[figure]
    matched: IndexFilter
    clear: IndexFilter
    curves: ColumnDataSource
    locus: ColumnDataSource
    no_fit: list[Label]

    def show_ranges(self, ends: dict[str, tuple[float, float]]) -> None:
        """Show the parts between these ends, of ranges by name; who has moved a plot comes back by
        its button."""
        ranges = {
            range_.name: range_
            for plot in self.figures
            for range_ in (plot.x_range, plot.y_range)
        }
        for name, (low, high) in ends.items():
            range_ = ranges[name]
            moved = (range_.start, range_.end) != (range_.reset_start, range_.reset_end)
            range_.update(
                reset_start=low,
                reset_end=high,
                **({} if moved else {"start": low, "end": high}),
            )


def make_plots(stars: ColumnDataSource) -> Plots:
    """All plots of one table of stars; to choose in one is to choose in all."""
    matched, clear = IndexFilter([]), IndexFilter([])
    curves = ColumnDataSource(
        {name: [] for name in ("bv", "rho", "beta", "rho_full", "beta_full")}
    )
    locus = ColumnDataSource({"u": [], "v": []})
    bv_range = _range("bv")
    fits = [_fit_plot(column, stars, matched, curves, bv_range) for column in RATIO_OF_COLUMN]
    left = [_residual_plot(column, stars, matched, bv_range) for column in RATIO_OF_COLUMN]
    return Plots(
        figures=[*fits, *left, _chromaticity_plot(stars, clear, locus)],
        matched=matched,
        clear=clear,
        curves=curves,
        locus=locus,
        no_fit=[_say_no_fit(plot) for plot in (*fits, *left)],
    )


def _range(name: str) -> Range1d:
    return Range1d(0, 1, name=name, reset_start=0, reset_end=1)


def _say_no_fit(plot) -> Label:
    label = Label(
        x=12,
        y=12,
        x_units="screen",
        y_units="screen",
        text="no fit",
        text_color=INK,
        text_font=FONT,
        text_font_size="14px",
        visible=False,
    )
    plot.add_layout(label)
    return label


def _titled_plot(name: str, x_label: str, y_label: str, **settings):
    plot = figure(
        name=name,
        x_axis_label=x_label,
        y_axis_label=y_label,
        tools=TOOLS,
        toolbar_location="right",
        sizing_mode="stretch_both",
        stylesheets=[sheet()],
        active_drag="box_select",
        min_border_left=LEFT_BORDER_PX,
        **settings,
    )
    plot.toolbar.logo = None
    plot.yaxis.ticker.desired_num_ticks = 4  # as many as fit into the lowest plot
    plot.toolbar.stylesheets = [sheet()]
    return plot


def _stars_by_state(plot, x: str, y: str, stars, rows: IndexFilter) -> None:
    names, (shapes, colours) = list(STATE_MARKS), zip(*STATE_MARKS.values(), strict=True)
    colour, shape = (
        factor_cmap("state", list(colours), names),
        factor_mark("state", list(shapes), names),
    )
    points = plot.scatter(
        x,
        y,
        source=stars,
        view=CDSView(filter=rows),
        size=8,
        marker=shape,
        line_color=colour,
        fill_color=colour,
        fill_alpha=0.35,
        line_width=1.3,
    )
    _light_up(points, shape, colour, 8)


def _light_up(points, shape, colour, size: float) -> None:
    """Chosen stars are larger and rimmed in white, the others paler."""
    place = {"x": points.glyph.x, "y": points.glyph.y, "marker": shape}
    points.selection_glyph = Scatter(
        **place,
        size=1.6 * size,
        line_color=CHOSEN,
        fill_color=colour,
        fill_alpha=0.5,
        line_width=2.2,
    )
    points.nonselection_glyph = Scatter(
        **place, size=size, line_color=colour, fill_color=None, line_alpha=0.6
    )


def _fit_plot(column: str, stars, rows, curves, bv_range):
    title = f"{RATIO_OF_COLUMN[column]} against B−V"
    plot = _titled_plot(
        f"fit_{column}",
        "",
        f"{RATIO_OF_COLUMN[column]}, mag",
        title=title,
        x_range=bv_range,
        y_range=_range(column),
        html_attributes={"role": "figure", "aria-label": title},
    )
    plot.xaxis.visible = False  # that of the residuals below serves both
    _stars_by_state(plot, "bv", column, stars, rows)
    plot.line("bv", column, source=curves, line_color=LINE, line_width=2)
    plot.line(
        "bv",
        f"{column}_full",
        source=curves,
        line_color=FAINT_LINE,
        line_dash="dashed",
        line_width=1.5,
    )
    return plot


def _residual_plot(column: str, stars, rows, bv_range):
    plot = _titled_plot(
        f"left_{column}",
        BV_LABEL,
        "residual, mag",
        x_range=bv_range,
        y_range=_range(f"{column}_left"),
        html_attributes={
            "role": "figure",
            "aria-label": f"{RATIO_OF_COLUMN[column]}: residuals",
        },
    )
    plot.add_layout(Span(location=0, dimension="width", line_color=LINE, line_width=1.5))
    _stars_by_state(plot, "bv", f"{column}_left", stars, rows)
    return plot


def _chromaticity_plot(stars, rows, locus):
    title, size = "Chromaticity of the stars", 6
    plot = _titled_plot(
        "chromaticity",
        "u′",
        "v′",
        title=title,
        x_range=_range("u"),
        y_range=_range("v"),
        html_attributes={"role": "figure", "aria-label": title},
    )
    plot.xaxis.ticker.desired_num_ticks = 4
    for when, (shape, colour) in (("before", BEFORE_MARK), ("after", AFTER_MARK)):
        points = plot.scatter(
            f"u_{when}",
            f"v_{when}",
            source=stars,
            view=CDSView(filter=rows),
            size=size,
            marker=shape,
            line_color=colour,
            fill_color=None,
        )
        _light_up(points, shape, colour, size)
    plot.line("u", "v", source=locus, line_color=LINE, line_width=2)
    return plot
