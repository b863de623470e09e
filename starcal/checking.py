"""Can calibration rescue this frame: frame, stars, match, fit and verdict, in order."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy.table import Table
from scipy.spatial import cKDTree

from . import colour, verdict
from .catalogue import embedded
from .catalogue.choose import Choice, Source, magnitude_limit, stars_around
from .errors import NoWCSError, TooFewStars
from .fit import MIN_SPREAD_MATRIX, MIN_STARS, MIN_STARS_MATRIX, brightness_slope, fit_gains, fit_matrix
from .frame import Frame, pixel_scale_arcsec, read_frame, require_wcs, with_wcs
from .hints import Hints, hints_from_header
from .linearity import measure_linearity
from .match import Match, match_catalogue
from .result import CatalogueUse, CheckResult
from .solve import solve
from .sources import choose_colours
from .stars import BLEND_FLUX_SHARE, CHANNELS, Flag, measure_stars

MATCH_MARGIN_PX = 250  # catalogue beyond the frame's edge, so that shifted copies of it are as full
ENOUGH_STARS = 40  # with so many, stars whose catalogue colour is poor are left out
GOOD_ERRORS_MAG = (0.156, 0.242, 0.28)  # of B-V; the embedded catalogue's at V 11, 11.5 and 12, where it gets biased

EMBEDDED = Source()

Progress = Callable[[str, float], None]


def silent(step: str, share: float) -> None:
    """Take no notice of progress."""


def check(frame: Frame | str | Path, *, white_bv: float = colour.SOLAR_BV_MAG, model: str = "gains",
          snr_min: float = 5.0, assume_linear: bool = False, source: Source = EMBEDDED,
          hints: Hints | None = None, progress: Progress = silent) -> CheckResult:
    """Say whether photometric calibration can rescue a frame.

    Parameters
    ----------
    frame : Frame, str or Path
        A linear colour frame.
    white_bv : float
        B-V of the star that shall come out neutral, -0.3 to 1.5.
    model : {"gains", "matrix"}
        Whether to fit a 3x3 matrix besides the gains.
    snr_min : float
        Detection threshold.
    assume_linear : bool
        Believe that the frame is linear, whatever it looks like.
    source : catalogue.choose.Source
        Which catalogue to ask; by default the embedded one, offline.
    hints : hints.Hints, optional
        Where a frame without a WCS points and how large its pixels are; by default what its header tells.
    progress : callable
        Told the step and the share done.

    Returns
    -------
    CheckResult

    Raises
    ------
    FrameError
        The file is not a usable colour frame.
    TooFewStars
        ``model="matrix"`` with too few stars or too little spread of colour.
    ValueError
        ``white_bv`` or ``model`` outside their range.
    """
    _require_settings(white_bv, model)
    frame = as_frame(frame, progress)
    progress("finding and measuring stars", 0.2)
    stars = measure_stars(frame.pixels, snr_min=snr_min)
    undated = () if frame.epoch_yr else ("the header has no date that can be read: the catalogue is that of 2000",)
    notes = (*frame.notes, *undated, f"full scale is {frame.full_scale:g} in the file ({frame.full_scale_source})",
             *_gradient_note(stars.meta["noise"]))
    blank = CheckResult(frame.name, verdict.without_wcs(""), "palette", "", stars, None, None, np.empty(0, int), None,
                        measure_linearity(stars), None, white_bv, notes)
    progress("matching the catalogue", 0.6)
    if frame.wcs is None:
        blank, frame = _located(blank, frame, hints)
    result = _matched(blank, frame, source) if frame.wcs is not None else _unmatched(blank, frame)
    if result.linearity.stretched and not assume_linear:
        return _stretched(result)
    progress("fitting", 0.8)
    if result.match is not None and result.match.credible:
        result = _fitted(result, model)
    return result if result.route == "gains" else _another_route(result)


def _another_route(result: CheckResult) -> CheckResult:
    """Where the colours of the stars can come from when not from gains."""
    flux, error = (np.array([result.stars[f"{name}_{c}"] for c in CHANNELS]) for name in ("flux", "flux_error"))
    colours = choose_colours(result.stars, flux, error)
    return replace(result, route=colours.route, route_reason=f"{result.verdict.reasons[0]}; {colours.reason}")


def _require_settings(white_bv: float, model: str) -> None:
    low, high = colour.BV_RANGE_MAG
    if not low <= white_bv <= high:
        raise ValueError(f"white reference B-V {white_bv} given; stars have {low} to {high}, the sun 0.65")
    if model not in ("gains", "matrix"):
        raise ValueError(f"model {model!r} given; it is 'gains' or 'matrix'")


def as_frame(frame: Frame | str | Path, progress: Progress = silent) -> Frame:
    """The frame itself, or the frame that a file holds."""
    if isinstance(frame, Frame):
        return frame
    progress("reading", 0.0)
    return read_frame(frame)


def _gradient_note(noise) -> tuple[str, ...]:
    if not noise.has_gradient:
        return ()
    return (f"the sky has a gradient: {max(noise.gradient):.0f} times the pixel noise from edge to edge; starcal does "
            "not remove it",)


def _located(result: CheckResult, frame: Frame, hints: Hints | None) -> tuple[CheckResult, Frame]:
    """The frame with a WCS found from its stars, if there are hints and the solution can be believed."""
    try:
        hints = hints or hints_from_header(frame.header)
    except NoWCSError:
        return result, frame
    stars, epoch_yr = result.stars, frame.epoch_yr or 2000.0
    solution = solve(np.column_stack([stars["x_px"].value, stars["y_px"].value]), instrumental_mag(stars),
                     frame.pixels.shape[1:], lambda *circle: embedded.cone(*circle, epoch_yr=epoch_yr), hints)
    noted = replace(result, notes=(*result.notes, f"no WCS in the header: {solution.message}"))
    if solution.wcs is None:
        return noted, frame
    noted = replace(noted, solved=solution.wcs)
    return noted, relocated(frame, noted)


def relocated(frame: Frame, found: CheckResult) -> Frame:
    """The frame with the WCS that its check has found, where it had none."""
    if found.solved is None:
        return frame
    return replace(frame, wcs=found.solved, wcs_missing=(), header=with_wcs(frame.header, found.solved))


def _unmatched(result: CheckResult, frame: Frame) -> CheckResult:
    result.stars["flags"] |= Flag.NO_MATCH
    missing = "missing: " + ", ".join(frame.wcs_missing) if frame.wcs_missing else "not usable"
    return replace(result, verdict=verdict.without_wcs(missing),
                   route_reason="without a WCS no star can be looked up in a catalogue")


def _matched(result: CheckResult, frame: Frame, source: Source) -> CheckResult:
    stars, shape = result.stars, frame.pixels.shape[1:]
    brightness = instrumental_mag(stars)
    choice = _field(frame, brightness, source)
    catalogue = choice.stars
    match = match_catalogue(np.column_stack([stars["x_px"].value, stars["y_px"].value]), brightness, frame.wcs, shape,
                            catalogue, pixel_scale_arcsec(frame.wcs))
    _add_catalogue(stars, match, catalogue)
    use = CatalogueUse(catalogue.name, int(match.in_frame.sum()), catalogue.limit_mag)
    clean = stars["flags"] & (Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.NO_MATCH | Flag.MISMATCH) == 0
    slope, error = brightness_slope(brightness[clean], stars["v_mag"][clean]) if match.credible else (np.nan, np.nan)
    linearity = replace(result.linearity, brightness=slope, brightness_error=error)
    unsure = verdict.without_match(match, len(stars))
    return replace(result, match=match, catalogue=use, linearity=linearity, verdict=unsure,
                   notes=(*result.notes, *choice.notes), route_reason=unsure.reasons[0])


def instrumental_mag(stars: Table) -> np.ndarray:
    """Magnitudes of the stars from all their light, zero point arbitrary; NaN where there is no positive flux."""
    light = sum(np.asarray(stars[f"flux_{c}"]) for c in CHANNELS)
    return -2.5 * np.log10(np.where(light > 0, light, np.nan))


def field_of(frame: Frame) -> tuple[float, float, float]:
    """Centre and radius, degrees, of the circle round a frame with a WCS in which catalogue stars are wanted."""
    wcs = require_wcs(frame)
    height, width = frame.pixels.shape[1:]
    ra, dec = (float(v) for v in wcs.all_pix2world((width - 1) / 2, (height - 1) / 2, 0))
    radius = (np.hypot(height, width) / 2 + MATCH_MARGIN_PX) * pixel_scale_arcsec(wcs) / 3600
    return ra % 360, dec, min(radius, 90.0)


def _field(frame: Frame, brightness: np.ndarray, source: Source) -> Choice:
    """The catalogue's stars on and round the frame, at its epoch, as deep as the frame."""
    (height, width), circle, limit_mag = frame.pixels.shape[1:], field_of(frame), None
    if source.name != "embedded":
        near = embedded.cone(*circle)
        x, y = frame.wcs.all_world2pix(near.ra_deg, near.dec_deg, 0, quiet=True)
        inside = (x > -0.5) & (x < width - 0.5) & (y > -0.5) & (y < height - 0.5)
        limit_mag = magnitude_limit(brightness, near.v_mag[inside])
    return stars_around(source.name, *circle, epoch_yr=frame.epoch_yr or 2000.0, limit_mag=limit_mag,
                        online=source.online, timeout_s=source.timeout_s, mapping=source.mapping)


def _add_catalogue(stars: Table, match: Match, catalogue) -> None:
    """Give the matched rows what the catalogue knows of them, and flag what it knows against them."""
    row = np.full(len(stars), -1)
    if match.credible:
        row[match.star] = match.catalogue
    known = row >= 0
    for name in ("ra_deg", "dec_deg", "v_mag", "bv_mag", "bv_error_mag", "bv_fit_error_mag"):
        stars[name] = np.where(known, getattr(catalogue, name)[row] if len(catalogue) else np.nan, np.nan)
    stars["hip"] = np.where(known, catalogue.hip[row] if len(catalogue) else 0, 0)
    flags = stars["flags"]
    flags[~known] |= Flag.NO_MATCH
    flags[known & ~np.isfinite(stars["bv_mag"])] |= Flag.NO_BV
    if match.credible:
        flags[match.star[match.mismatched]] |= Flag.MISMATCH
        flags[match.star[catalogue.double[match.catalogue]]] |= Flag.DOUBLE
        flags[match.star[catalogue.bv_clamped[match.catalogue]]] |= Flag.POOR_BV
        flags[match.star[_crowded(match, catalogue, max(stars.meta["aperture_px"]))]] |= Flag.BLENDED


def _crowded(match: Match, catalogue, aperture_px: float) -> np.ndarray:
    """Pairs with another catalogue star in the aperture that is bright enough to matter."""
    inside = np.flatnonzero(match.in_frame)
    tree = cKDTree(np.column_stack([match.x_px[inside], match.y_px[inside]]))
    fainter_by = -2.5 * np.log10(BLEND_FLUX_SHARE)
    crowded = np.zeros(len(match.star), bool)
    for pair, row in enumerate(match.catalogue):
        if match.in_frame[row]:
            others = inside[tree.query_ball_point((match.x_px[row], match.y_px[row]), 1.2 * aperture_px)]
            crowded[pair] = np.any(catalogue.v_mag[others[others != row]] < catalogue.v_mag[row] + fainter_by)
    return crowded


def _stretched(result: CheckResult) -> CheckResult:
    return replace(result, verdict=verdict.stretched(result.linearity), route="palette",
                   route_reason="the picture is not linear, so ratios of its channels mean nothing")


def _fitted(result: CheckResult, model: str) -> CheckResult:
    stars = result.stars
    rows = _rows_to_fit(stars)
    if len(rows) < MIN_STARS:
        return replace(result, verdict=verdict.too_few(len(rows), len(result.match.star)), route="palette",
                       route_reason=f"{len(rows)} clean matched stars, {MIN_STARS} needed for a fit")
    flux, error = (np.array([stars[f"{name}_{c}"][rows] for c in CHANNELS]) for name in ("flux", "flux_error"))
    bv = np.asarray(stars["bv_mag"][rows], float)
    fit = fit_gains(flux, error, bv, np.asarray(stars["bv_fit_error_mag"][rows], float), result.white_bv)
    stars["flags"][rows[~fit.used]] |= Flag.CLIPPED
    target = colour.star_rgb(bv[fit.used], result.white_bv)
    before, after = (float(np.median(colour.uv_prime_distance((g * flux.T)[fit.used], target)))
                     for g in (np.ones(3), fit.gains))
    judged = verdict.decide(fit, before, after)
    matrix = _matrix(fit, flux[:, fit.used], target) if model == "matrix" else None
    if matrix is not None:
        judged = replace(judged, next_steps=tuple(s for s in judged.next_steps if s != verdict.USE_MATRIX))
    route, reason = ("gains", "calibration by gains serves") if judged.verdict == "rescue" else (
        "palette", f"calibration cannot be trusted here: {judged.reasons[0]}")
    return replace(result, verdict=judged, route=route, route_reason=reason, fit=fit, fitted=rows, matrix=matrix)


def _rows_to_fit(stars: Table) -> np.ndarray:
    """Clean matched stars, the poorly known ones left out where there are enough others."""
    clean = stars["flags"] == 0
    for limit in GOOD_ERRORS_MAG:
        known = clean & (stars["bv_fit_error_mag"] <= limit)
        if known.sum() >= ENOUGH_STARS:
            stars["flags"][clean & ~known] |= Flag.POOR_BV
            return np.flatnonzero(known)
    return np.flatnonzero(clean)


def _matrix(fit, flux: np.ndarray, target: np.ndarray):
    if fit.n_used < MIN_STARS_MATRIX or fit.bv_spread < MIN_SPREAD_MATRIX:
        raise TooFewStars(
            f"{fit.n_used} stars with a B-V spread of {fit.bv_spread:.2f} mag for a matrix, {MIN_STARS_MATRIX} with "
            f"{MIN_SPREAD_MATRIX} needed: use --model gains", found=fit.n_used, needed=MIN_STARS_MATRIX)
    return fit_matrix(flux, target, fit.gains)
