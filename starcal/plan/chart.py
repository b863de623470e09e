"""The chart of a planned field: north up, east left, stars as large as they are bright.

What becomes of a star is told by its shape: a dot is measured in the main series, a star shape saturates there and is
measured in the short one, a cross saturates in both. Hollow dots serve the picture but not the fit of gains.
"""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .result import Plan

SMALLEST_PT2, FAINTEST_MAG, GROWTH = 2.5, 12.5, 1.6  # area of the faintest stars' marks; each magnitude multiplies it
LARGEST_PT2 = 160.0
INK, SATURATED_INK = "#1b1b1b", "#a33b12"
SERVES = {"marker": "o", "c": INK, "linewidths": 0}
DOES_NOT_SERVE = {"marker": "o", "facecolors": "none", "edgecolors": "#555555", "linewidths": 0.7}
IN_SHORT = {"marker": "*", "c": SATURATED_INK, "edgecolors": "black", "linewidths": 0.6}
IN_NEITHER = {"marker": "X", "c": "white", "edgecolors": "black", "linewidths": 1.6}
STAR_SHAPE_FACTOR, SHAPE_PT2 = 2.2, (60.0, 180.0)  # a star shape fills less of its square than a dot
MOST_LABELS = 10
BAR_DEG = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
KEY_MAGS = (4, 6, 8, 10, 12)


def plot_field(plan: Plan, axes: Axes | None = None) -> Axes:
    """Chart the stars of a planned field, and which of them saturate.

    Parameters
    ----------
    plan : Plan
    axes : Axes, optional
        A new figure if not given.

    Returns
    -------
    Axes
        Degrees to the east (growing to the left) and to the north of the centre.
    """
    axes = Figure((8.6, 7.6), layout="constrained").subplots() if axes is None else axes
    corners = plan.field.corners_deg()
    axes.fill(*corners, facecolor="none", edgecolor=INK, lw=1.4)
    for which, style, label, size in _groups(plan):
        east, north = plan.plane_deg[:, which]
        axes.scatter(east, north, s=size, label=f"{label} ({np.count_nonzero(which)})", zorder=2, **style)
    _label_brightest(plan, axes)
    half = 1.06 * np.abs(corners).max(axis=1)
    axes.set(xlim=(half[0], -half[0]), ylim=(-half[1], half[1]), aspect="equal", xlabel="east of the centre, degrees",
             ylabel="north of the centre, degrees")
    _scale_bar(axes, half)
    _compass(axes)
    _keys(plan, axes)
    return axes


def mark_area_pt2(v_mag: np.ndarray) -> np.ndarray:
    """Area of the mark of a star."""
    return np.clip(SMALLEST_PT2 * GROWTH ** (FAINTEST_MAG - np.asarray(v_mag, float)), SMALLEST_PT2, LARGEST_PT2)


def _groups(plan: Plan):
    """Stars by what becomes of them: which, style, label, areas; only groups that are not empty."""
    area = mark_area_pt2(plan.stars.v_mag)
    saturated, lost = plan.saturated, plan.too_bright
    shaped = np.clip(STAR_SHAPE_FACTOR * area, *SHAPE_PT2)
    for which, style, label, size in (
            (~saturated & plan.clean, SERVES, "serves the fit of gains", area),
            (~saturated & ~plan.clean, DOES_NOT_SERVE, "double, at the edge, or no B−V", area + 4),
            (saturated & ~lost, IN_SHORT, "saturates: short series", shaped),
            (lost, IN_NEITHER, "saturates in both", shaped)):
        if which.any():
            yield which, style, label, size[which]


def _label_brightest(plan: Plan, axes: Axes) -> None:
    for i in np.flatnonzero(plan.saturated)[:MOST_LABELS]:
        axes.annotate(f"{plan.stars.v_mag[i]:.1f}", plan.plane_deg[:, i], xytext=(9, -3), textcoords="offset points",
                      fontsize="small", bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.75})


def _scale_bar(axes: Axes, half_deg: np.ndarray) -> None:
    """A bar of a round length, below on the left."""
    length = max((bar for bar in BAR_DEG if bar <= 0.5 * half_deg[0]), default=BAR_DEG[0])
    text = f"{length:g}°" if length >= 1 else f"{60 * length:g}′"
    start, level = 0.92 * half_deg[0], -0.90 * half_deg[1]
    axes.plot([start, start - length], [level, level], color="black", lw=3, solid_capstyle="butt", zorder=4)
    axes.annotate(text, (start - length / 2, level), xytext=(0, 5), textcoords="offset points", ha="center", zorder=4,
                  bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8})


def _compass(axes: Axes) -> None:
    """Arrows to the north and to the east, above the scale bar's corner."""
    for tip, place in (("N", (0, 34)), ("E", (-34, 0))):
        axes.annotate(tip, (0.10, 0.14), xycoords="axes fraction", xytext=place, textcoords="offset points",
                      ha="center", va="center", zorder=4, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
                      arrowprops={"arrowstyle": "<-", "color": "black", "shrinkA": 0, "shrinkB": 0})


def _keys(plan: Plan, axes: Axes) -> None:
    """What shapes and sizes mean, above the chart."""
    kinds = axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, fontsize="small", frameon=False,
                        handletextpad=0.3)
    sizes = [axes.scatter([], [], s=mark_area_pt2(v), label=f"{v}", **SERVES)
             for v in KEY_MAGS if v >= plan.stars.v_mag.min() - 1]
    axes.legend(handles=sizes, title="V, mag", loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=len(sizes),
                fontsize="small", title_fontsize="small", frameon=False, handletextpad=0.1, columnspacing=0.9)
    axes.add_artist(kinds)
