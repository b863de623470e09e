"""The figures, drawn on matplotlib axes from arrays: colour against B-V, residuals, chromaticity,
map.

What a mark means is told by its shape, not by its colour alone. Maps have y upwards: row 0 of a
frame is the bottom of the picture. Matplotlib is imported when a figure is made for the caller,
through pyplot, so that it shows in a notebook and with ``pyplot.show()``; on axes that are given
nothing global is touched.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..colour.stellar import (
    BV_RANGE_MAG,
    IMPOSSIBLE_DUV,
    planckian_uv,
    real_star_log_ratios,
    rgb_to_uv_prime,
    star_rgb,
    uv_prime_to_xy,
    white_rgb,
    xy_to_xyz,
    xyz_to_rgb,
)
from ..fit.gains import GainFit
from ..place.match import Match

if TYPE_CHECKING:
    from matplotlib.axes import Axes

RATIO_TITLES = (
    ("R against G", "−2.5 log₁₀(R/G), mag"),
    ("B against G", "−2.5 log₁₀(B/G), mag"),
)
BV_LABEL = "B−V in the catalogue, mag"
# Dark blue and vermilion differ in lightness too, so that they stay apart in grey print and for
# every kind of eye.
USED = {"marker": "o", "s": 22, "c": "#1f3b73", "linewidths": 0}
CLIPPED = {"marker": "x", "s": 52, "c": "#c8501e", "linewidths": 1.8}
PAIRED = {
    "marker": "s",
    "s": 30,
    "facecolors": "none",
    "edgecolors": "#444444",
    "linewidths": 0.9,
}
FOUND = {"marker": ".", "s": 16, "c": "#6e6e6e", "linewidths": 0}
MISSING_MARK = {"marker": "+", "s": 34, "c": "#8a6d00", "linewidths": 0.9}
BY_SOURCE = {  # the most trusted first
    "star frame": {"marker": "*", "s": 44, "c": "#1f3b73", "linewidths": 0},
    "catalogue": USED,
    "catalogue+continuum": {"marker": "D", "s": 22, "c": "#1f3b73", "linewidths": 0},
    "continuum": {"marker": "^", "s": 20, "c": "#c8501e", "linewidths": 0},
    "field spread": {"marker": "v", "s": 20, "c": "#8a6d00", "linewidths": 0},
    "field median": FOUND,
    "palette": {"marker": "x", "s": 14, "c": "#6e6e6e", "linewidths": 0.8},
}
LINE, FAINT_LINE = {"color": "black", "lw": 1.6}, {"color": "#777777", "lw": 1.2}
LIMIT = {"color": "#777777", "lw": 1.0, "ls": "--"}
LEADER = {"arrowstyle": "-", "color": "#777777", "lw": 0.6, "shrinkA": 0, "shrinkB": 0}
MARKED_BV_MAG = (0.0, 0.5, 1.0, 1.5)
LABEL_ROOM_UV = 0.045  # left of the locus, for the labels of B-V
LEGEND_PAD = 4.2  # font sizes below the axes: room for the numbers and the name of the axis
MIN_HEIGHT_MAG = 0.15  # a panel of scatter alone is not blown up beyond this


class Marks(NamedTuple):
    """Stars that are drawn alike: places (n,), style, and what they are."""

    x: np.ndarray
    y: np.ndarray
    style: dict
    label: str


def plot_fit(fit: GainFit, ax: Sequence[Axes] | None = None) -> np.ndarray:
    """Plot the measured log ratios against catalogue B-V, with the fit and the clipped stars.

    The dashed line is what a channel with the full colour of real stars would show, through the
    same zero point: where the fit is much flatter, no gain makes star colours.

    Parameters
    ----------
    fit : GainFit
    ax : 2 Axes, optional
        For R/G and B/G; a new figure if not given.

    Returns
    -------
    ndarray of 2 Axes
    """
    axes = new_axes((10, 4.2), 2) if ax is None else np.asarray(ax)
    bv = bv_range_mag(fit)
    for panel, band, measured, line, full in zip(
        axes,
        range(2),
        fit.log_ratio_mag,
        fit.predicted_mag(bv),
        full_colour_mag(fit, bv),
        strict=True,
    ):
        _stars_and_clipped(panel, fit, measured, _limits(np.append(measured[fit.used], line)))
        panel.plot(bv, line, label="fit", **LINE)
        panel.plot(bv, full, ls="--", label="full star colour", **FAINT_LINE)
        panel.axvline(fit.neutral_bv, ls=":", **FAINT_LINE)
        panel.plot(
            fit.neutral_bv,
            fit.zero_mag[band],
            "D",
            mfc="white",
            mec="black",
            ms=8,
            label="gain read here",
        )
        panel.set(title=RATIO_TITLES[band][0], xlabel=BV_LABEL, ylabel=RATIO_TITLES[band][1])
        panel.legend(fontsize="small", framealpha=0.85)
    return axes


def plot_residuals(fit: GainFit, ax: Sequence[Axes] | None = None) -> np.ndarray:
    """Plot measured minus fitted log ratios against catalogue B-V; the band holds the robust
    1-sigma scatter.

    Parameters
    ----------
    fit : GainFit
    ax : 2 Axes, optional
        For R/G and B/G; a new figure if not given.

    Returns
    -------
    ndarray of 2 Axes
    """
    axes = new_axes((10, 2.8), 2) if ax is None else np.asarray(ax)
    for panel, (title, _), residual, scatter in zip(
        axes, RATIO_TITLES, fit.residual_mag, fit.scatter_mag, strict=True
    ):
        _stars_and_clipped(panel, fit, residual, _limits(residual[fit.used]))
        panel.axhline(0, **LINE)
        panel.axhspan(
            -scatter,
            scatter,
            color="#000000",
            alpha=0.10,
            lw=0,
            label=f"scatter ±{scatter:.3f} mag",
        )
        panel.set(
            title=f"{title}: residuals",
            xlabel=BV_LABEL,
            ylabel="measured − fit, mag",
            xlim=bv_range_mag(fit)[[0, -1]],
        )
        panel.legend(fontsize="small", framealpha=0.85)
    return axes


def plot_chromaticity(
    colours: Sequence[Marks], neutral_bv: float | None, ax: Axes | None = None
) -> Axes:
    """Plot colours of stars in u'v' beside those of real stars, with the limits of the possible.

    Parameters
    ----------
    colours : sequence of Marks
        x is u', y is v', as displayed.
    neutral_bv : float or None
        B-V of the star that is shown neutral; None: the display's white, D65.
    ax : Axes, optional
        A new figure if not given.

    Returns
    -------
    Axes
    """
    ax = new_axes((5.6, 6.2)) if ax is None else ax
    locus = locus_uv(neutral_bv)
    below, above = (_limit_of_possible(side * IMPOSSIBLE_DUV, neutral_bv) for side in (-1, 1))
    ax.plot(*below.T, **LIMIT)
    ax.plot(*above.T, label=f"limit: |Duv| = {IMPOSSIBLE_DUV}", **LIMIT)
    ax.plot(*locus.T, label="real stars", **LINE)
    ax.plot(
        *rgb_to_uv_prime(np.ones(3)), "+", color="black", ms=9, label="white of the display"
    )
    _label_locus(ax, above, neutral_bv)
    _draw(ax, colours)
    ax.set(
        xlabel="u′",
        ylabel="v′",
        aspect="equal",
        **_axes_limits([locus, *(np.column_stack(c[:2]) for c in colours)]),
    )
    ax.grid(alpha=0.25)
    _legend_below(ax, 2)
    return ax


def plot_map(places: Sequence[Marks], shape: tuple[int, int], ax: Axes | None = None) -> Axes:
    """Plot where on the frame stars are.

    Parameters
    ----------
    places : sequence of Marks
        In pixels.
    shape : tuple of int
        Rows and columns of the frame.
    ax : Axes, optional
        A new figure if not given.

    Returns
    -------
    Axes
        In pixels, x to the right, y upwards.
    """
    ax = frame_axes(shape, ax)
    _draw(ax, places)
    _legend_below(ax, 3)
    return ax


# --- what is drawn ----------------------------------------------------------------------


def fit_colours(fit: GainFit) -> list[Marks]:
    """Colours in u'v' of the used stars of a fit, as measured and after the gains.

    Parameters
    ----------
    fit : GainFit

    Returns
    -------
    list of Marks
    """
    rgb = np.vstack([fit.log_ratio_mag[0], np.zeros(len(fit.used)), fit.log_ratio_mag[1]])[
        :, fit.used
    ]
    measured = 10 ** (-0.4 * rgb.T)
    return [
        Marks(*rgb_to_uv_prime(colour).T, style, f"{label} ({fit.n_used})")
        for colour, style, label in (
            (measured, CLIPPED, "as measured"),
            (measured * fit.gains, USED, "after gains"),
        )
    ]


def check_places(
    x_px: np.ndarray,
    y_px: np.ndarray,
    match: Match | None,
    fit: GainFit | None,
    fitted: np.ndarray,
) -> list[Marks]:
    """Places of stars by what became of them in a check; kinds without stars are left out.

    Parameters
    ----------
    x_px, y_px : ndarray, shape (n,)
        Of the stars found.
    match : Match or None
    fit : GainFit or None
    fitted : ndarray of int
        Which of the stars the fit was given.

    Returns
    -------
    list of Marks
        Of stars found each is in one; besides, catalogue stars that were not found.
    """
    used, clipped, paired = (np.zeros(len(x_px), bool) for _ in range(3))
    if fit is not None:
        used[fitted[fit.used]] = True
        clipped[fitted[~fit.used]] = True
    if match is not None:
        paired[match.star] = True
    paired &= ~(used | clipped)
    pairs = (
        "in the catalogue, but flagged"
        if match is not None and match.credible
        else "paired, perhaps by chance"
    )
    kinds = [
        (
            ~(used | clipped | paired),
            FOUND,
            "found, not in the catalogue" if match is not None else "found",
        ),
        (paired, PAIRED, pairs),
        (used, USED, "used"),
        (clipped, CLIPPED, "outliers of the fit"),
    ]
    places = [
        Marks(x_px[which], y_px[which], style, f"{label} ({np.count_nonzero(which)})")
        for which, style, label in kinds
        if which.any()
    ]
    return places + _not_found_marks(match)


def source_places(x_px: np.ndarray, y_px: np.ndarray, source: np.ndarray) -> list[Marks]:
    """Places of stars by the source of their colour, (n,) each.

    Parameters
    ----------
    x_px, y_px : ndarray, (n,)
        0-based pixels.
    source : ndarray of str, (n,)
        Where each star's colour is from.

    Returns
    -------
    list of Marks
    """
    return [
        Marks(
            x_px[source == name],
            y_px[source == name],
            style,
            f"{name} ({np.count_nonzero(source == name)})",
        )
        for name, style in BY_SOURCE.items()
        if np.any(source == name)
    ]


def _not_found_marks(match: Match | None) -> list[Marks]:
    if match is None:
        return []
    alone = match.in_frame.copy()
    alone[match.catalogue] = False
    label = f"in the catalogue, not found ({np.count_nonzero(alone)})"
    return (
        [Marks(match.x_px[alone], match.y_px[alone], MISSING_MARK, label)]
        if alone.any()
        else []
    )


def _draw(ax: Axes, kinds: Sequence[Marks]) -> None:
    for marks in kinds:
        ax.scatter(marks.x, marks.y, label=marks.label, **marks.style)


def frame_axes(shape: tuple[int, int], ax: Axes | None) -> Axes:
    """Axes in the pixels of a frame, row 0 at the bottom.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the frame.
    ax : Axes or None
        A new figure if None.

    Returns
    -------
    Axes
    """
    height, width = shape
    ax = new_axes((8, np.clip(1 + 7.4 * height / width, 2.5, 9))) if ax is None else ax
    ax.set(xlim=(-0.5, width - 0.5), ylim=(-0.5, height - 0.5), aspect="equal")
    ax.set(xlabel="x, px", ylabel="y, px")
    return ax


def new_axes(size_inches: tuple[float, float], columns: int = 1) -> Axes | np.ndarray:
    """A figure of the caller's own, which shows in a notebook and with ``pyplot.show()``.

    Parameters
    ----------
    size_inches : (float, float)
        Width and height of the figure.
    columns : int
        Axes beside each other.

    Returns
    -------
    Axes or ndarray of Axes
    """
    from matplotlib import pyplot

    return pyplot.subplots(1, columns, figsize=size_inches, layout="constrained")[1]


def _legend_below(ax: Axes, columns: int) -> None:
    if ax.get_legend_handles_labels()[0]:
        ax.legend(
            fontsize="small",
            loc="upper center",
            bbox_to_anchor=(0.5, 0),
            borderaxespad=LEGEND_PAD,
            ncols=columns,
            frameon=False,
        )


def _stars_and_clipped(
    panel: Axes, fit: GainFit, values: np.ndarray, limits: tuple[float, float]
) -> None:
    """Used and clipped stars; what lies beyond the limits is drawn on the rim, so that it cannot be
    overlooked."""
    low, high = limits
    rim = 0.02 * (high - low)
    shown = np.clip(values, low + rim, high - rim)
    _draw(
        panel,
        [
            Marks(
                fit.bv_mag[which], shown[which], style, f"{label} ({np.count_nonzero(which)})"
            )
            for which, style, label in (
                (fit.used, USED, "used"),
                (~fit.used, CLIPPED, "outliers"),
            )
            if which.any()
        ],
    )
    panel.set_ylim(low, high)
    panel.grid(alpha=0.25)


def _limits(values: np.ndarray) -> tuple[float, float]:
    """Room for the used stars and some more; a far outlier does not squeeze the rest."""
    low, high = float(np.min(values)), float(np.max(values))
    room = 0.3 * max(high - low, MIN_HEIGHT_MAG)
    return low - room, high + room


def locus_uv(neutral_bv: float | None) -> np.ndarray:
    """Colours of real stars, u'v' (60, 2) as displayed with the neutral star, from blue to
    red.

    Parameters
    ----------
    neutral_bv : float or None
        B-V of the neutral star, mag; None for D65.

    Returns
    -------
    ndarray, (60, 2)
    """
    return rgb_to_uv_prime(star_rgb(np.linspace(*BV_RANGE_MAG, 60), neutral_bv))


def full_colour_mag(fit: GainFit, bv_mag: np.ndarray) -> np.ndarray:
    """Log ratios, (2, n), of real stars in linear sRGB, moved to the fitted zero points; NaN where
    not known.

    Parameters
    ----------
    fit : GainFit
    bv_mag : ndarray, (n,)
        Johnson B-V.

    Returns
    -------
    ndarray, (2, n)
        Magnitudes: rho, beta.
    """
    real, white = (np.array(real_star_log_ratios(bv)) for bv in (bv_mag, fit.neutral_bv))
    known = (bv_mag >= BV_RANGE_MAG[0]) & (bv_mag <= BV_RANGE_MAG[1])
    return np.where(known, real - white[:, None] + fit.zero_mag[:, None], np.nan)


def bv_range_mag(fit: GainFit) -> np.ndarray:
    """100 values of B-V that hold all stars of a fit and the neutral star.

    Parameters
    ----------
    fit : GainFit

    Returns
    -------
    ndarray, (100,)
        Magnitudes.
    """
    ends = np.append(fit.bv_mag, fit.neutral_bv)
    return np.linspace(ends.min() - 0.1, ends.max() + 0.1, 100)


def _label_locus(ax: Axes, limit: np.ndarray, neutral_bv: float | None) -> None:
    """Some B-V along the locus, written beyond the limit on its green side, where no line strikes
    them."""
    for bv_mag in MARKED_BV_MAG:
        at = rgb_to_uv_prime(star_rgb(bv_mag, neutral_bv))
        edge = limit[np.argmin(np.hypot(*(limit - at).T))]
        ax.annotate(
            f"B−V {bv_mag:.1f}",
            at,
            xytext=at + 1.5 * (edge - at),
            ha="right",
            va="center",
            fontsize="x-small",
            arrowprops=LEADER,
        )


def _limit_of_possible(distance: float, neutral_bv_mag: float | None) -> np.ndarray:
    """Colours at this Duv from black bodies, u'v' (n, 2) as displayed with the neutral star."""
    uv = planckian_uv(1e6 / np.linspace(25, 600, 80))
    along = np.gradient(uv, axis=0)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    uv_prime = (uv + distance * across) * (1, 1.5)
    return rgb_to_uv_prime(
        xyz_to_rgb(xy_to_xyz(uv_prime_to_xy(uv_prime))) / white_rgb(neutral_bv_mag)
    )


def _axes_limits(colours: Sequence[np.ndarray]) -> dict:
    """Limits of the axes that hold the locus with its labels and all stars."""
    shown = np.concatenate(colours)
    (left, low), (right, high) = (
        np.nanmin(shown, axis=0) - 0.015,
        np.nanmax(shown, axis=0) + 0.015,
    )
    return {
        "xlim": (min(left, np.nanmin(colours[0][:, 0]) - LABEL_ROOM_UV), right),
        "ylim": (low, high),
    }
