"""The figures of an audit from its star table: chromaticity against the stellar locus, map of
impossible stars."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from astropy.table import Table

from ..draw import plots
from ..draw.plots import Marks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Shapes tell the kinds apart; the dark colours differ in lightness too.
STYLES = {
    "possible": ("possible", {"marker": ".", "s": 22, "c": "#6e6e6e", "linewidths": 0}),
    "suspicious": (
        "suspicious",
        {
            "marker": "D",
            "s": 16,
            "facecolors": "none",
            "edgecolors": "#444444",
            "linewidths": 0.9,
        },
    ),
    "green": (
        "impossible: green to cyan",
        {"marker": "^", "s": 34, "c": "#1e7a3c", "linewidths": 0},
    ),
    "magenta": (
        "impossible: magenta to purple",
        {"marker": "v", "s": 34, "c": "#8e1f7a", "linewidths": 0},
    ),
    "blue": ("impossible: too blue", {"marker": "s", "s": 24, "c": "#1f3b73", "linewidths": 0}),
}
FRINGED = {
    "marker": "o",
    "s": 110,
    "facecolors": "none",
    "edgecolors": "#444444",
    "linewidths": 0.9,
}


def plot_judged_colours(stars: Table, neutral_bv: float | None, ax: Axes | None = None) -> Axes:
    """Plot the judged stars in u'v' as displayed, with the colours of real stars and the limits of
    the possible.

    Parameters
    ----------
    stars : Table
        Of an `Audit`.
    neutral_bv : float or None
        B-V of the star that is taken to be neutral; None: D65.
    ax : Axes, optional
        A new figure if not given.

    Returns
    -------
    Axes
    """
    return plots.plot_chromaticity(_by_kind(stars, "u_prime", "v_prime"), neutral_bv, ax)


def plot_judged_places(stars: Table, ax: Axes | None = None) -> Axes:
    """Plot where on the picture stars have impossible colours, and where rims differ from cores.

    Parameters
    ----------
    stars : Table
        Of an `Audit`.
    ax : Axes, optional
        A new figure if not given.

    Returns
    -------
    Axes
        In pixels, x to the right, y upwards.
    """
    places, fringed = _by_kind(stars, "x_px", "y_px"), np.asarray(stars["fringed"], bool)
    if fringed.any():
        places.append(
            Marks(
                *(np.asarray(stars[name])[fringed] for name in ("x_px", "y_px")),
                FRINGED,
                f"rim of another colour ({fringed.sum()})",
            )
        )
    return plots.plot_map(places, stars.meta["shape"], ax)


def plot_beside(audits: Sequence, ax: Sequence[Axes] | None = None) -> np.ndarray:
    """Plot the chromaticity of several pictures, each under its name, with the same limits.

    Parameters
    ----------
    audits : sequence of Audit
    ax : sequence of Axes, optional
        As many; a new figure if not given.

    Returns
    -------
    ndarray of Axes
    """
    axes = np.atleast_1d(
        plots.new_axes((5.2 * len(audits), 6.2), len(audits)) if ax is None else ax
    )
    for audit, panel in zip(audits, axes, strict=True):
        audit.plot_chromaticity(panel).set_title(audit.name)
    limits = np.array([[panel.get_xlim(), panel.get_ylim()] for panel in axes])
    for panel in axes:
        panel.set(
            xlim=(limits[:, 0].min(), limits[:, 0].max()),
            ylim=(limits[:, 1].min(), limits[:, 1].max()),
        )
    return axes


def _by_kind(stars: Table, x: str, y: str) -> list[Marks]:
    """The judged stars, a group for each kind that there is."""
    rows = {kind: np.asarray(stars["kind"]) == kind for kind in STYLES}
    return [
        Marks(
            *(np.asarray(stars[name])[rows[kind]] for name in (x, y)),
            style,
            f"{label} ({rows[kind].sum()})",
        )
        for kind, (label, style) in STYLES.items()
        if rows[kind].any()
    ]
