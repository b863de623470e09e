"""The chart of a planned field: north up, east left, stars as large as they are bright.

What becomes of a star is told by its shape: a dot is measured in the main series, a star shape
saturates there and is measured in the short one, a cross saturates in both. Hollow dots serve the
picture but not the fit of gains. Dots are bluer for hot stars, redder for cool ones.
"""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from matplotlib.text import Annotation
from matplotlib.transforms import Bbox

from .result import Plan

SMALLEST_PT2 = 2.5  # area of the faintest stars' marks
CHART_FAINTEST_MAG = 12.5
DOT_GROWTH = 1.6  # each magnitude multiplies it
LARGEST_PT2 = 160.0
INK, SATURATED_INK = "#1b1b1b", "#a33b12"
CLEAN = {"marker": "o", "c": INK, "linewidths": 0}
HOT_TO_COOL = LinearSegmentedColormap.from_list(
    "hot to cool", ["#1746a2", "#77706a", "#b3260f"]
)
HOT_BV_MAG, COOL_BV_MAG = 0.0, 1.4  # B-V of the ends
DOES_NOT_SERVE = {
    "marker": "o",
    "facecolors": "none",
    "edgecolors": "#555555",
    "linewidths": 0.7,
}
IN_SHORT = {"marker": "*", "c": SATURATED_INK, "edgecolors": "black", "linewidths": 0.6}
IN_NEITHER = {"marker": "X", "c": "white", "edgecolors": "black", "linewidths": 1.6}
STAR_SHAPE_FACTOR = 2.2  # a star shape fills less of its square than a dot
SHAPE_PT2 = (60.0, 180.0)
MOST_LABELS = 10
MARK_PT = 7.0  # from a mark's middle no label lies nearer
# where a label can stand: offset in points, side of the text that is nearest
BESIDE = (
    ((11, 0), "left"),
    ((-11, 0), "right"),
    ((0, 13), "center"),
    ((0, -13), "center"),
)
HALO = [withStroke(linewidth=2.5, foreground="white")]
FOOT_SHARE = 0.26  # room for bar and compass below the field, in halves of the longer side
BAR_DEG = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
CHART_INCHES = (8.6, 7.6)
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
    axes = Figure(CHART_INCHES, layout="constrained").subplots() if axes is None else axes
    corners = plan.field.corners_deg()
    axes.fill(corners[0], corners[1], facecolor="none", edgecolor=INK, lw=1.4)
    for which, style, label, size in _groups(plan):
        east, north = plan.plane_deg[:, which]
        axes.scatter(
            east, north, s=size, label=f"{label} ({np.count_nonzero(which)})", zorder=2, **style
        )
    half, foot = _chart_room(corners)
    axes.set(
        xlim=(half[0], -half[0]),
        ylim=(-half[1] - foot, half[1]),
        aspect="equal",
        xlabel="east of the centre, degrees",
        ylabel="north of the centre, degrees",
    )
    _scale_bar(axes, half[0], -half[1] - 0.6 * foot)
    _compass(axes, (-0.9 * half[0], -half[1] - 0.75 * foot))
    _keys(plan, axes)
    _label_brightest(plan, axes)
    return axes


def _chart_room(corners_deg: np.ndarray) -> tuple[np.ndarray, float]:
    """Half the chart's width and height, and the strip below for bar and compass, degrees."""
    half = 1.06 * np.abs(corners_deg).max(axis=1)
    foot = FOOT_SHARE * half.max()
    half[0] = max(half[0], half[1] + foot / 2)  # room for the keys, however slim the field
    return half, foot


def mark_area_pt2(v_mag: np.ndarray) -> np.ndarray:
    """Area of the mark of a star."""
    return np.clip(
        SMALLEST_PT2 * DOT_GROWTH ** (CHART_FAINTEST_MAG - np.asarray(v_mag, float)),
        SMALLEST_PT2,
        LARGEST_PT2,
    )


def _groups(plan: Plan):
    """Stars by what becomes of them: which, style, label, areas; only groups that are not empty."""
    area = mark_area_pt2(plan.stars.v_mag)
    saturated, lost = plan.saturated, plan.too_bright
    shaped = np.clip(STAR_SHAPE_FACTOR * area, *SHAPE_PT2)
    for which, style, label, size in (
        (~saturated & plan.clean, CLEAN, _serving(plan), area),
        (~saturated & ~plan.clean, DOES_NOT_SERVE, "double, at the edge, or no B−V", area + 4),
        (saturated & ~lost, IN_SHORT, "saturates: short series", shaped),
        (lost, IN_NEITHER, "saturates in both" if plan.short else "saturates", shaped),
    ):
        if which.any():
            inked = _in_colour(plan, which) if style is CLEAN else {}
            yield which, style | inked, label, size[which]


def _in_colour(plan: Plan, which: np.ndarray) -> dict:
    """Ink for stars by their B-V."""
    return {
        "c": plan.stars.bv_mag[which],
        "cmap": HOT_TO_COOL,
        "vmin": HOT_BV_MAG,
        "vmax": COOL_BV_MAG,
    }


def _serving(plan: Plan) -> str:
    main = plan.main
    return "clean, for the fit of gains" + (
        f"; some {main.n_usable} serve" if main.n_usable != main.n_clean else ""
    )


def _label_brightest(plan: Plan, axes: Axes) -> None:
    """Name or V beside the brightest saturated stars, where it stays in the field and off the other
    labels and their stars."""
    # settles the layout: boxes of text are in pixels of the figure
    axes.figure.draw_without_rendering()
    brightest = np.flatnonzero(plan.saturated)[:MOST_LABELS]
    marks = axes.transData.transform(plan.plane_deg.T)
    reach = MARK_PT * axes.figure.dpi / 72
    taken = [Bbox([mark - reach, mark + reach]) for mark in marks[brightest]]
    for i in brightest:
        label = _label(plan, axes, i)
        place = _best_place(plan, axes, label, taken, marks)
        if place is None:
            label.remove()
        else:
            taken.append(_box_at(label, *place))


def _label(plan: Plan, axes: Axes, i: int) -> Annotation:
    """Name or V of a star, on its mark for now."""
    return axes.annotate(
        plan.star_name(i) or f"{plan.stars.v_mag[i]:.1f}",
        plan.plane_deg[:, i],
        xytext=(0, 0),
        va="center",
        textcoords="offset points",
        fontsize="small",
        path_effects=HALO,
    )


def _best_place(
    plan: Plan, axes: Axes, label: Annotation, taken: list[Bbox], marks: np.ndarray
):
    """The place of BESIDE that is free, in the field, and covers fewest stars; None: none is."""
    free = {}
    for place in BESIDE:
        box = _box_at(label, *place)
        corners_deg = axes.transData.inverted().transform(box.corners()).T
        if not box.count_overlaps(taken) and plan.field.holds(corners_deg).all():
            free[place] = sum(box.contains(*mark) for mark in marks)
    return min(free, key=free.get, default=None)


def _box_at(label: Annotation, offset_pt: tuple[float, float], align: str) -> Bbox:
    """Put a label beside its star, and tell what it covers."""
    label.set(position=offset_pt, ha=align)
    return label.get_window_extent()


def _scale_bar(axes: Axes, half_deg: float, level_deg: float) -> None:
    """A bar of a round length, on the left."""
    length = max((bar for bar in BAR_DEG if bar <= 0.5 * half_deg), default=BAR_DEG[0])
    text = f"{length:g}°" if length >= 1 else f"{60 * length:g}′"
    start = 0.94 * half_deg
    axes.plot(
        [start, start - length], [level_deg, level_deg], color=INK, lw=3, solid_capstyle="butt"
    )
    axes.annotate(
        text,
        (start - length / 2, level_deg),
        xytext=(0, 5),
        textcoords="offset points",
        ha="center",
    )


def _compass(axes: Axes, place_deg: tuple[float, float]) -> None:
    """Arrows to the north and to the east."""
    for tip, offset in (("N", (0, 32)), ("E", (-32, 0))):
        axes.annotate(
            tip,
            place_deg,
            xytext=offset,
            textcoords="offset points",
            ha="center",
            va="center",
            arrowprops={"arrowstyle": "<-", "color": INK, "shrinkA": 0, "shrinkB": 0},
        )


def _keys(plan: Plan, axes: Axes) -> None:
    """What shapes mean, above the chart, and what sizes mean, between bar and compass."""
    kinds, _ = axes.get_legend_handles_labels()
    sizes = [
        axes.scatter([], [], s=mark_area_pt2(v), label=f"{v}", **CLEAN)
        for v in KEY_MAGS
        if v >= plan.stars.v_mag.min() - 1
    ]
    small = {"fontsize": "small", "frameon": False, "handletextpad": 0.3}
    axes.add_artist(
        axes.legend(
            handles=sizes,
            title="V, mag",
            title_fontsize="small",
            loc="lower center",
            ncols=len(sizes),
            columnspacing=0.9,
            **small,
        )
    )
    axes.legend(handles=kinds, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, **small)
