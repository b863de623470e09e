"""The plots beside the picture: colour against B-V with its fit, what the fit leaves, and chromaticity; all linked."""

from dataclasses import dataclass

from bokeh.models import CDSView, ColumnDataSource, IndexFilter, Range1d, Scatter, Span
from bokeh.plotting import figure
from bokeh.transform import factor_cmap, factor_mark

from ..plots import BANDS, BV_LABEL
from .looks import CHOSEN, DIM_INK, FAINT_LINE, LINE, STATE_MARKS, sheet

TOOLS = "box_select,lasso_select,tap,pan,wheel_zoom,reset"
COLUMNS = ("rho", "beta")  # of the stars, one a band


@dataclass(frozen=True, eq=False)
class Plots:
    """The figures by name, and what changes in them.

    Attributes
    ----------
    figures : list of figures
    matched, clear : IndexFilter
        Rows of the stars shown against B-V, and of those whose chromaticity says something.
    curves, locus : ColumnDataSource
    """

    figures: list[figure]
    matched: IndexFilter
    clear: IndexFilter
    curves: ColumnDataSource
    locus: ColumnDataSource

    def frame_chromaticities(self, ends: dict[str, tuple[float, float]]) -> None:
        """Show a part of u and v; the button in the corner comes back to it."""
        plot = self.figures[-1]
        for range_, (low, high) in zip((plot.x_range, plot.y_range), ends.values(), strict=True):
            range_.update(start=low, end=high, reset_start=low, reset_end=high)


def make_plots(stars: ColumnDataSource) -> Plots:
    """All plots of one table of stars; to choose in one is to choose in all."""
    matched, clear = IndexFilter([]), IndexFilter([])
    curves = ColumnDataSource({name: [] for name in ("bv", "rho", "beta", "rho_full", "beta_full")})
    locus = ColumnDataSource({"u": [], "v": []})
    fits = [_fit_plot(column, *band, stars, matched, curves) for column, band in zip(COLUMNS, BANDS, strict=True)]
    left = [_residual_plot(column, title, stars, matched, fit.x_range)
            for column, (title, _), fit in zip(COLUMNS, BANDS, fits, strict=True)]
    return Plots([*fits, *left, _chromaticity_plot(stars, clear, locus)], matched, clear, curves, locus)


def _plot(name: str, title: str, x_label: str, y_label: str, **settings):
    plot = figure(name=name, title=title, x_axis_label=x_label, y_axis_label=y_label, tools=TOOLS,
                  toolbar_location="right", sizing_mode="stretch_both", stylesheets=[sheet()], min_height=110,
                  active_drag="box_select", html_attributes={"role": "figure", "aria-label": title}, **settings)
    plot.toolbar.logo = None
    plot.toolbar.stylesheets = [sheet()]
    return plot


def _stars_by_state(plot, x: str, y: str, stars, rows: IndexFilter) -> None:
    names, (shapes, colours) = list(STATE_MARKS), zip(*STATE_MARKS.values(), strict=True)
    colour, shape = factor_cmap("state", list(colours), names), factor_mark("state", list(shapes), names)
    points = plot.scatter(x, y, source=stars, view=CDSView(filter=rows), size=8, marker=shape, line_color=colour,
                          fill_color=colour, fill_alpha=0.35, line_width=1.3)
    _light_up(points, shape, colour, 8)


def _light_up(points, shape, colour, size: float) -> None:
    """Chosen stars are larger and rimmed in white, the others paler."""
    place = {"x": points.glyph.x, "y": points.glyph.y, "marker": shape}
    points.selection_glyph = Scatter(**place, size=1.6 * size, line_color=CHOSEN, fill_color=colour, fill_alpha=0.5,
                                     line_width=2.2)
    points.nonselection_glyph = Scatter(**place, size=size, line_color=colour, fill_color=None, line_alpha=0.6)


def _fit_plot(column: str, title: str, label: str, stars, rows, curves):
    plot = _plot(f"fit_{column}", f"{title} over B−V", "", label)
    _stars_by_state(plot, "bv", column, stars, rows)
    plot.line("bv", column, source=curves, line_color=LINE, line_width=2, legend_label="fit")
    plot.line("bv", f"{column}_full", source=curves, line_color=FAINT_LINE, line_dash="dashed", line_width=1.5,
              legend_label="full star colour")
    plot.legend.location = "top_left" if column == "beta" else "top_right"
    return plot


def _residual_plot(column: str, title: str, stars, rows, x_range):
    plot = _plot(f"left_{column}", f"{title}: residuals", BV_LABEL, "residual, mag", x_range=x_range)
    plot.yaxis.ticker.desired_num_ticks = 4
    plot.add_layout(Span(location=0, dimension="width", line_color=LINE, line_width=1.5))
    _stars_by_state(plot, "bv", f"{column}_left", stars, rows)
    return plot


def _chromaticity_plot(stars, rows, locus):
    plot = _plot("chromaticity", "Chromaticity of the stars", "u′", "v′", x_range=Range1d(0.1, 0.35),
                 y_range=Range1d(0.4, 0.56))
    for when, shape, colour, size in (("before", "triangle", DIM_INK, 6), ("after", "circle", "#56b4e9", 6)):
        points = plot.scatter(f"u_{when}", f"v_{when}", source=stars, view=CDSView(filter=rows), size=size,
                              marker=shape, line_color=colour, fill_color=None, legend_label=when.capitalize())
        _light_up(points, shape, colour, size)
    plot.line("u", "v", source=locus, line_color=LINE, line_width=2, legend_label="real stars")
    plot.legend.location = "bottom_right"
    return plot
