"""The figures of an audit, drawn on matplotlib axes: chromaticity against the stellar locus, map of impossible stars.

What a mark means is told by its shape, not by its colour alone. Maps have y upwards: row 0 of a picture is its bottom.
"""

import numpy as np
from matplotlib.axes import Axes

from ..colour import (
    BV_RANGE_MAG,
    IMPOSSIBLE_DUV,
    planckian_uv,
    rgb_to_uv_prime,
    star_rgb,
    uv_prime_to_xy,
    white_rgb,
    xy_to_xyz,
    xyz_to_rgb,
)
from .judging import D65_UV, Audit

# Shapes tell the kinds apart; the dark colours differ in lightness too.
STYLES = {
    "possible": ("possible", {"marker": ".", "s": 22, "c": "#6e6e6e", "linewidths": 0}),
    "suspicious": ("suspicious", {"marker": "D", "s": 16, "facecolors": "none", "edgecolors": "#444444",
                                  "linewidths": 0.9}),
    "green": ("impossible: green to cyan", {"marker": "^", "s": 34, "c": "#1e7a3c", "linewidths": 0}),
    "magenta": ("impossible: magenta to purple", {"marker": "v", "s": 34, "c": "#8e1f7a", "linewidths": 0}),
    "blue": ("impossible: too blue", {"marker": "s", "s": 24, "c": "#1f3b73", "linewidths": 0}),
}
FRINGED = {"marker": "o", "s": 110, "facecolors": "none", "edgecolors": "#444444", "linewidths": 0.9}
LOCUS, LIMIT = {"color": "black", "lw": 1.6}, {"color": "#777777", "lw": 1.0, "ls": "--"}
MARKED_BV_MAG = (0.0, 0.5, 1.0, 1.5)


def plot_chromaticity(audit: Audit, axes: Axes) -> Axes:
    """Plot the judged stars in u'v' as displayed, with the colours of real stars and the limits of the possible.

    Parameters
    ----------
    audit : Audit
    axes : Axes

    Returns
    -------
    Axes
    """
    locus = rgb_to_uv_prime(star_rgb(np.linspace(*BV_RANGE_MAG, 60), audit.white_bv))
    for side in (-1, 1):
        label = f"limit: |Duv| = {IMPOSSIBLE_DUV}" if side > 0 else None
        axes.plot(*_limit(side * IMPOSSIBLE_DUV, audit.white_bv).T, label=label, **LIMIT)
    axes.plot(*locus.T, label="real stars", **LOCUS)
    for bv_mag in MARKED_BV_MAG:
        at = rgb_to_uv_prime(star_rgb(bv_mag, audit.white_bv))
        axes.annotate(f"B−V {bv_mag:.1f}", at, xytext=(5, -11), textcoords="offset points", fontsize="x-small")
    axes.plot(*D65_UV, "+", color="black", ms=9, label="white of the display")
    for kind in STYLES:
        _scatter(axes, audit, kind, "u_prime", "v_prime")
    axes.set(xlabel="u′", ylabel="v′", aspect="equal", **_limits(audit, locus))
    axes.grid(alpha=0.25)
    axes.legend(fontsize="small", loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, frameon=False)
    return axes


def plot_impossible(audit: Audit, axes: Axes) -> Axes:
    """Plot where on the picture stars have impossible colours, and where rims differ from cores.

    Parameters
    ----------
    audit : Audit
    axes : Axes

    Returns
    -------
    Axes
        In pixels, x to the right, y upwards.
    """
    height, width = audit.stars.meta["shape"]
    for kind in STYLES:
        _scatter(axes, audit, kind, "x_px", "y_px")
    fringed = np.asarray(audit.stars["fringed"], bool)
    if fringed.any():
        axes.scatter(*(np.asarray(audit.stars[c])[fringed] for c in ("x_px", "y_px")),
                     label=f"rim of another colour ({fringed.sum()})", **FRINGED)
    axes.set(xlim=(-0.5, width - 0.5), ylim=(-0.5, height - 0.5), aspect="equal", xlabel="x, px", ylabel="y, px")
    if audit.n_judged:
        axes.legend(fontsize="small", loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)
    return axes


def _scatter(axes: Axes, audit: Audit, kind: str, x: str, y: str) -> None:
    label, style = STYLES[kind]
    rows = np.asarray(audit.stars["kind"]) == kind
    if rows.any():
        axes.scatter(*(np.asarray(audit.stars[c])[rows] for c in (x, y)), label=f"{label} ({rows.sum()})", **style)


def _limit(distance: float, white_bv_mag: float | None) -> np.ndarray:
    """Colours at this Duv from black bodies, u'v' (n, 2) as displayed with the white reference."""
    uv = planckian_uv(1e6 / np.linspace(25, 600, 80))
    along = np.gradient(uv, axis=0)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    uv_prime = (uv + distance * across) * (1, 1.5)
    return rgb_to_uv_prime(xyz_to_rgb(xy_to_xyz(uv_prime_to_xy(uv_prime))) / white_rgb(white_bv_mag))


def _limits(audit: Audit, locus: np.ndarray) -> dict:
    """Room for the locus and all judged stars."""
    judged = np.asarray(audit.stars["kind"]) != "unknown"
    stars = np.column_stack([np.asarray(audit.stars[c])[judged] for c in ("u_prime", "v_prime")])
    shown = np.concatenate([locus, stars])
    (left, low), (right, high) = shown.min(axis=0) - 0.015, shown.max(axis=0) + 0.015
    return {"xlim": (left, right), "ylim": (low, high)}
