"""The figures of a result, as matplotlib axes: measured colour against B-V, residuals, map of the stars.

Figures are made without pyplot, so no window opens and no global state changes. What a mark means is told by its
shape, not by its colour alone. Maps have y upwards: row 0 of a frame is the bottom of the picture.
"""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .colour import BV_RANGE_MAG, real_star_log_ratios
from .errors import TooFewStars
from .fit import MIN_STARS, GainFit
from .result import CheckResult

BANDS = (("R against G", "−2.5 log₁₀(R/G), mag"), ("B against G", "−2.5 log₁₀(B/G), mag"))
BV_LABEL = "B−V in the catalogue, mag"
# Dark blue and vermilion differ in lightness too, so that they stay apart in grey print and for every kind of eye.
USED = {"marker": "o", "s": 22, "c": "#1f3b73", "linewidths": 0}
CLIPPED = {"marker": "x", "s": 52, "c": "#c8501e", "linewidths": 1.8}
PAIRED = {"marker": "s", "s": 30, "facecolors": "none", "edgecolors": "#444444", "linewidths": 0.9}
FOUND = {"marker": ".", "s": 16, "c": "#6e6e6e", "linewidths": 0}
MISSING = {"marker": "+", "s": 34, "c": "#8a6d00", "linewidths": 0.9}
LINE, FAINT_LINE = {"color": "black", "lw": 1.6}, {"color": "#777777", "lw": 1.2}
MIN_HEIGHT_MAG = 0.15  # a panel of scatter alone is not blown up beyond this


def plot_fit(result: CheckResult, axes: np.ndarray | None = None) -> np.ndarray:
    """Plot the measured log ratios against catalogue B-V, with the fit and the clipped stars.

    The dashed line is what a channel with the full colour of real stars would show, through the same zero point:
    where the fit is much flatter, no gain makes star colours.

    Parameters
    ----------
    result : CheckResult
        With a fit.
    axes : array of 2 Axes, optional
        For R/G and B/G; a new figure if not given.

    Returns
    -------
    ndarray of 2 Axes

    Raises
    ------
    TooFewStars
        The result has no fit.
    """
    fit = _fit_of(result)
    axes = _new_axes(1, 2, (10, 4.2)) if axes is None else axes
    bv = _bv_range(fit)
    for panel, band, measured, line, full in zip(axes, range(2), fit.log_ratio_mag, fit.predicted_mag(bv),
                                                 _full_colour(fit, bv), strict=True):
        _stars_and_clipped(panel, fit, measured, _limits(np.append(measured[fit.used], line)))
        panel.plot(bv, line, label="fit", **LINE)
        panel.plot(bv, full, ls="--", label="full star colour", **FAINT_LINE)
        panel.axvline(fit.white_bv, ls=":", **FAINT_LINE)
        panel.plot(fit.white_bv, fit.zero_mag[band], "D", mfc="white", mec="black", ms=8, label="gain read here")
        panel.set(title=BANDS[band][0], xlabel=BV_LABEL, ylabel=BANDS[band][1])
        panel.legend(fontsize="small", framealpha=0.85)
    return axes


def plot_residuals(result: CheckResult, axes: np.ndarray | None = None) -> np.ndarray:
    """Plot measured minus fitted log ratios against catalogue B-V; the band holds the robust 1-sigma scatter.

    Parameters, returns and errors as for `plot_fit`.
    """
    fit = _fit_of(result)
    axes = _new_axes(1, 2, (10, 2.6)) if axes is None else axes
    for panel, (title, _), residual, scatter in zip(axes, BANDS, fit.residual_mag, fit.scatter_mag, strict=True):
        _stars_and_clipped(panel, fit, residual, _limits(residual[fit.used]))
        panel.axhline(0, **LINE)
        panel.axhspan(-scatter, scatter, color="#000000", alpha=0.10, lw=0, label=f"scatter ±{scatter:.3f} mag")
        panel.set(title=f"{title}: residuals", xlabel=BV_LABEL, ylabel="measured − fit, mag",
                  xlim=_bv_range(fit)[[0, -1]])
        panel.legend(fontsize="small", framealpha=0.85)
    return axes


def plot_map(result: CheckResult, axes: Axes | None = None) -> Axes:
    """Plot where on the frame the used, clipped, flagged and unmatched stars are.

    Parameters
    ----------
    result : CheckResult
        Of any kind; without a match only detections are shown.
    axes : Axes, optional
        A new figure if not given.

    Returns
    -------
    Axes
        In pixels, x to the right, y upwards.
    """
    height, width = result.stars.meta["shape"]
    if axes is None:
        axes = _new_axes(1, 1, (8, np.clip(8 * height / width, 2.5, 9)))
    for x_px, y_px, style, label in map_groups(result):
        axes.scatter(x_px, y_px, label=f"{label} ({len(x_px)})", **style)
    axes.set(xlim=(-0.5, width - 0.5), ylim=(-0.5, height - 0.5), aspect="equal", xlabel="x, px", ylabel="y, px")
    axes.legend(fontsize="small", loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)
    return axes


def map_groups(result: CheckResult) -> list[tuple[np.ndarray, np.ndarray, dict, str]]:
    """Stars of the map by what became of them: x, y, style and label of each group that is not empty."""
    n, match = len(result.stars), result.match
    used, clipped, paired = (np.zeros(n, bool) for _ in range(3))
    if result.fit is not None:
        used[result.fitted[result.fit.used]] = True
        clipped[result.fitted[~result.fit.used]] = True
    if match is not None:
        paired[match.star] = True
    paired &= ~(used | clipped)
    pairs = "in the catalogue, but flagged" if match is not None and match.credible else "paired, perhaps by chance"
    x_px, y_px = (np.asarray(result.stars[name]) for name in ("x_px", "y_px"))
    groups = [(x_px[which], y_px[which], style, label) for which, style, label in (
        (~(used | clipped | paired), FOUND, "found, not in the catalogue" if match is not None else "found"),
        (paired, PAIRED, pairs), (used, USED, "used"), (clipped, CLIPPED, "clipped in the fit"))]
    if match is not None:
        alone = match.in_frame.copy()
        alone[match.catalogue] = False
        groups.insert(1, (match.x_px[alone], match.y_px[alone], MISSING, "in the catalogue, not found"))
    return [group for group in groups if len(group[0])]


def _fit_of(result: CheckResult) -> GainFit:
    if result.fit is None:
        why = "; ".join(result.verdict.reasons)
        raise TooFewStars(f"{result.frame}: there is no fit to plot ({why}). plot_map(result) shows the stars.",
                          needed=MIN_STARS)
    return result.fit


def _new_axes(rows: int, columns: int, size_inches: tuple[float, float]):
    return Figure(size_inches, layout="constrained").subplots(rows, columns)


def _stars_and_clipped(panel: Axes, fit: GainFit, values: np.ndarray, limits: tuple[float, float]) -> None:
    """Used and clipped stars; what lies beyond the limits is drawn on the rim, so that it cannot be overlooked."""
    low, high = limits
    rim = 0.02 * (high - low)
    shown = np.clip(values, low + rim, high - rim)
    for which, style, label in ((fit.used, USED, "used"), (~fit.used, CLIPPED, "clipped")):
        if which.any():
            panel.scatter(fit.bv_mag[which], shown[which], label=f"{label} ({np.count_nonzero(which)})", **style)
    panel.set_ylim(low, high)
    panel.grid(alpha=0.25)


def _limits(values: np.ndarray) -> tuple[float, float]:
    """Room for the used stars and some more; a far outlier does not squeeze the rest."""
    low, high = float(np.min(values)), float(np.max(values))
    room = 0.3 * max(high - low, MIN_HEIGHT_MAG)
    return low - room, high + room


def _full_colour(fit: GainFit, bv_mag: np.ndarray) -> np.ndarray:
    """Log ratios of real stars in linear sRGB, moved to the fitted zero points; NaN where they are not known."""
    real, white = (np.array(real_star_log_ratios(bv)) for bv in (bv_mag, fit.white_bv))
    known = (bv_mag >= BV_RANGE_MAG[0]) & (bv_mag <= BV_RANGE_MAG[1])
    return np.where(known, real - white[:, None] + fit.zero_mag[:, None], np.nan)


def _bv_range(fit: GainFit) -> np.ndarray:
    ends = np.append(fit.bv_mag, fit.white_bv)
    return np.linspace(ends.min() - 0.1, ends.max() + 0.1, 100)
