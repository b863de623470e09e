"""Stars as columns to be plotted: places, colours, residuals, and what became of each in the
fit."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..checking.result import CheckResult
from ..draw.plots import bv_range_mag, full_colour_mag, locus_uv
from ..report.tables import floats_of
from ..stars import Flag
from .job import Cure

STATES = ("used", "outlier", "left out", "not used")
CLEAR_SNR = 20.0  # chromaticities of fainter stars are mostly noise
MOST_PLOTTED = 1500
ROOM_SHARE = 0.1  # of the range, beyond the outermost star
# of the stars, in the first view of the chromaticities: a few far away would squeeze the rest
SHOWN_SHARE = 0.99


def columns_of(cure: Cure) -> dict[str, NDArray]:
    """One entry a star; NaN where a value could not be measured or is not known.

    Returns
    -------
    dict of ndarray
        x, y (px); bv (catalogue, mag); rho, beta (measured log ratios, mag); rho_left, beta_left
        (residuals, mag); state, source; u_before, v_before, u_after, v_after (u'v'); in words, for
        whoever points at a star, place, sky, listed and given.
    """
    checked, stars = cure.check, cure.check.stars
    bv, ratio = catalogue_of(checked, "bv_mag"), cure.ratios
    left = residuals_of(checked, bv, ratio)
    before = np.where(np.isfinite(cure.uv_before), cure.uv_before, np.nan)
    after = np.where(np.isfinite(cure.uv_after), cure.uv_after, np.nan)
    return {
        "x": np.array(stars["x_px"], float),
        "y": np.array(stars["y_px"], float),
        "bv": bv,
        "rho": ratio[0],
        "beta": ratio[1],
        "rho_left": left[0],
        "beta_left": left[1],
        "state": states_of(checked),
        "source": np.array(cure.source, dtype=object),
        "u_before": before[:, 0],
        "v_before": before[:, 1],
        "u_after": after[:, 0],
        "v_after": after[:, 1],
        "place": _places_told(checked),
        "sky": _sky_told(checked),
        "listed": _colours_told(bv),
        "given": _colours_told(cure.bv_mag),
    }


@lru_cache(maxsize=4)
def _places_told(checked: CheckResult) -> NDArray:
    x_px, y_px = checked.stars["x_px"], checked.stars["y_px"]
    told = [
        f"{i + 1} at {x:.1f}, {y:.1f}" for i, (x, y) in enumerate(zip(x_px, y_px, strict=True))
    ]
    return np.array(told, dtype=object)


@lru_cache(maxsize=4)
def _sky_told(checked: CheckResult) -> NDArray:
    """Right ascension and declination of every star, in words."""
    wcs = checked.located.wcs
    if wcs is None or not len(checked.stars):
        return np.full(len(checked.stars), "not known", dtype=object)
    sky = wcs.all_pix2world(checked.stars["x_px"], checked.stars["y_px"], 0)
    told = [f"RA {ra:.4f}°, Dec {dec:+.4f}°" for ra, dec in zip(*sky, strict=True)]
    return np.array(told, dtype=object)


def _colours_told(bv_mag: NDArray) -> NDArray:
    told = [f"B−V {value:.2f}" if np.isfinite(value) else "no B−V" for value in bv_mag]
    return np.array([text.replace("-", "−") for text in told], dtype=object)


def catalogue_of(checked: CheckResult, name: str) -> NDArray:
    """A column of the catalogue, NaN for stars without a match."""
    return floats_of(checked.stars, name)


def residuals_of(checked: CheckResult, bv: NDArray, ratio: NDArray) -> NDArray:
    """Measured minus predicted, (2, n): the fit's own, and the same for the stars that it was not
    given."""
    if checked.fit is None:
        return np.full_like(ratio, np.nan)
    left = ratio - checked.fit.predicted_mag(bv)
    left[:, checked.fitted] = checked.fit.residual_mag
    return left


def states_of(checked: CheckResult) -> NDArray:
    """What became of each star in the fit: one of `STATES`."""
    flags = np.array(checked.stars["flags"])
    state = np.full(len(flags), "not used", dtype=object)
    if checked.fit is not None:
        state[checked.fitted[checked.fit.used]] = "used"
    state[flags & Flag.CLIPPED > 0] = "outlier"
    state[flags & Flag.LEFT_OUT > 0] = "left out"
    return state


def with_catalogue(columns: dict[str, NDArray]) -> NDArray:
    """Rows of the stars that can be plotted against catalogue B-V."""
    return np.flatnonzero(
        np.isfinite([columns[name] for name in ("bv", "rho", "beta")]).all(axis=0)
    )


def clear(checked: CheckResult) -> NDArray:
    """Rows of the stars whose chromaticity says something, the brightest first."""
    snr = np.nan_to_num(np.array(checked.stars["snr"], float))
    rows = np.flatnonzero(
        (snr >= CLEAR_SNR)
        & (np.array(checked.stars["flags"]) & int(Flag.SATURATED | Flag.EDGE) == 0)
    )
    return rows[np.argsort(-snr[rows], kind="stable")][:MOST_PLOTTED]


def curves_of(checked: CheckResult) -> dict[str, NDArray]:
    """Fit, and what channels of full star colour would show through the same zero points, over
    B-V."""
    if checked.fit is None:
        return {name: np.empty(0) for name in ("bv", "rho", "beta", "rho_full", "beta_full")}
    fit = checked.fit
    bv = bv_range_mag(fit)
    line, full = fit.predicted_mag(bv), full_colour_mag(fit, bv)
    return {
        "bv": bv,
        "rho": line[0],
        "beta": line[1],
        "rho_full": full[0],
        "beta_full": full[1],
    }


def locus_of(checked: CheckResult) -> dict[str, NDArray]:
    """Chromaticities of real stars as seen with the neutral star."""
    uv = locus_uv(checked.neutral_bv)
    return {"u": uv[:, 0], "v": uv[:, 1]}


def fit_ranges(
    columns: dict[str, NDArray], rows: NDArray, curves: dict[str, NDArray]
) -> dict[str, tuple]:
    """Ends of bv, rho, beta, rho_left and beta_left that hold some stars and the curves, with room
    for their marks."""
    ends = {}
    for name in ("bv", "rho", "beta", "rho_left", "beta_left"):
        lines = [curves[key] for key in (name, f"{name}_full") if key in curves]
        values = np.concatenate([columns[name][rows], *lines])
        values = np.append(values[np.isfinite(values)], [0.0] if name.endswith("left") else [])
        low, high = (values.min(), values.max()) if len(values) else (0.0, 1.0)
        room = ROOM_SHARE * (high - low) or 0.1
        ends[name] = (float(low - room), float(high + room))
    return ends


def chromaticity_range(
    columns: dict[str, NDArray], rows: NDArray, locus: dict[str, NDArray]
) -> dict[str, tuple]:
    """Ends of u and v, room for the locus and nearly all of some stars, before and after."""
    ends = {}
    for name in "uv":
        values = np.concatenate(
            [columns[f"{name}_{when}"][rows] for when in ("before", "after")]
        )
        values = values[np.isfinite(values)]
        core = np.quantile(values, [1 - SHOWN_SHARE, SHOWN_SHARE]) if len(values) else []
        shown = [*core, *locus[name]]
        low, high = np.min(shown), np.max(shown)
        ends[name] = (float(low - 0.1 * (high - low)), float(high + 0.1 * (high - low)))
    return ends
