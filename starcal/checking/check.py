"""Can calibration rescue this frame: frame, stars, match, fit and verdict, in order."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Unpack

import numpy as np
from astropy.table import Table
from scipy.spatial import cKDTree

from .. import colour
from ..catalogue import embedded
from ..catalogue.choose import Choice, Source, magnitude_limit, source_of, stars_around
from ..choices import Choices, OfCheck, Places, chosen
from ..errors import NoWCSError, TooFewStars
from ..fit import verdict
from ..fit.contrasts import gradient_notes
from ..fit.gains import (
    MIN_SPREAD_MATRIX,
    MIN_STARS,
    MIN_STARS_MATRIX,
    brightness_slope,
    fit_matrix,
)
from ..fit.sources import choose_colours
from ..frame import (
    ONE_GRID_PX,
    Frame,
    corners_apart_px,
    pixel_scale_arcsec,
    read_frame,
    require_wcs,
    with_wcs,
)
from ..place.hints import Hints, hints_from_header, hints_of
from ..place.match import Match, WCSError, match_catalogue, pair_scatter_px
from ..place.solve import CatalogueOf, Solution, nearer, refine, solve, straightened
from ..stars import (
    BLEND_FLUX_SHARE,
    Flag,
    free_places,
    in_channels,
    measure_at,
    measure_stars,
    places_of,
)
from ..stars.defects import defect_notes
from ..stars.linearity import measure_linearity, require_linear
from ..texts import counted
from .fitting import fit_light, measured_light, said_of_light
from .result import CatalogueUse, CheckResult

MATCH_MARGIN_PX = 250  # catalogue beyond the frame's edge, so that shifted copies of it are as full
ENOUGH_STARS = 40  # with so many, stars whose catalogue colour is poor are left out
GOOD_ERRORS_MAG = (
    0.156,
    0.242,
    0.28,
)  # of B-V; the embedded catalogue's at V 11, 11.5 and 12, where it gets biased

POOR_WCS_PX = 15.0  # at a corner, half of what a match bears: from there on the WCS is replaced
SEEN_SNR = 10.0  # of catalogue stars that are looked for where they must be
LEFT_OUT_REACH_PX = 2.0  # a star left out by hand lies within this of the place named
NO_STAR_THERE = "no star to leave out at"

EMBEDDED = source_of(Choices())

Progress = Callable[[str, float], None]


def silent(step: str, share: float) -> None:
    """Take no notice of progress."""


def check(
    frame: Frame | str | Path,
    choices: Choices | None = None,
    *,
    progress: Progress = silent,
    **asked: Unpack[OfCheck],
) -> CheckResult:
    """Say whether photometric calibration can rescue a frame.

    Parameters
    ----------
    frame : Frame, str or Path
        A linear colour frame.
    choices : Choices, optional
        What is asked for; by default all as by default: the embedded catalogue, offline, the sun
        neutral.
    progress : callable
        Is given the step and the share done.
    **asked
        Single choices by name: ``neutral_bv``, ``model``, ``snr``, ``assume_linear``,
        ``leave_out``, ``catalogue``, ``columns``, ``online``, ``timeout``, ``ra``, ``dec``,
        ``scale``; see `Choices`. Place and scale are by default what the header tells of them;
        given, they serve also where the WCS does not fit the stars.

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
        A choice that cannot be.
    TypeError
        A keyword that it does not know.

    Examples
    --------
    >>> import starcal
    >>> found = starcal.check("broadband.fits")
    >>> found.verdict.verdict, found.route
    ('rescue', 'gains')
    >>> starcal.check("narrowband.fits").verdict.verdict
    'no'
    """
    choices = chosen(choices, asked, OfCheck)
    frame = as_frame(frame, progress)
    source, hints = source_of(choices), hints_of(choices, frame.header)
    progress("finding and measuring stars", 0.2)
    stars = measure_stars(frame.pixels, snr_min=choices.snr)
    undated = (
        ()
        if frame.epoch_yr
        else ("the header has no date that can be read: the catalogue is that of 2000",)
    )
    notes = (
        *frame.notes,
        *undated,
        f"full scale is {frame.full_scale:g} in the file ({frame.full_scale_source})",
        *_gradient_note(stars.meta["noise"]),
        *defect_notes(stars.meta["defects"]),
    )
    blank = CheckResult(
        frame.name,
        _verdict_without_wcs(frame),
        "palette",
        "",
        stars,
        None,
        None,
        np.empty(0, int),
        None,
        measure_linearity(frame.pixels, stars),
        None,
        choices.neutral_bv,
        notes,
    )
    progress("matching the catalogue", 0.6)
    if frame.wcs is None:
        blank, frame = _located(blank, frame, hints, source)
    result = (
        _matched(blank, frame, source, hints) if frame.wcs is not None else _unmatched(blank, frame)
    )
    if result.linearity.stretched and not choices.assume_linear:
        return _stretched(result)
    progress("fitting", 0.8)
    result = replace(result, flags_before_fit=np.array(result.stars["flags"]))
    return _concluded(result, choices.model, choices.leave_out)


def refit(found: CheckResult, leave_out: Places = ()) -> CheckResult:
    """The same check with other stars left out by hand; nothing is measured again.

    Parameters
    ----------
    found : CheckResult
        Any check of the frame; stars that it had left out come back unless they are named again.
    leave_out : tuple of (x_px, y_px)

    Returns
    -------
    CheckResult
        With a star table of its own. A stretched frame has no fit: its check comes back as it is.
    """
    if found.flags_before_fit is None:
        return found
    stars = found.stars.copy()
    stars["flags"] = found.flags_before_fit
    notes = tuple(note for note in found.notes if not note.startswith(NO_STAR_THERE))
    blank = replace(found, stars=stars, fit=None, fitted=np.empty(0, int), matrix=None, notes=notes)
    return _concluded(blank, "gains" if found.matrix is None else "matrix", leave_out)


def _concluded(result: CheckResult, model: str, leave_out: Places) -> CheckResult:
    """Fit, verdict and route, from stars that have been matched."""
    result = _without(result, leave_out)
    if result.match is not None and result.match.credible:
        result = _fitted(result, model)
    return result if result.route == "gains" else _another_route(result)


def _without(result: CheckResult, leave_out: Places) -> CheckResult:
    """Flag the stars at the places named; a note for a place without one."""
    stars, notes = result.stars, result.notes
    for x, y in leave_out:
        away_px = np.hypot(stars["x_px"].value - x, stars["y_px"].value - y)
        if np.min(away_px, initial=np.inf) <= LEFT_OUT_REACH_PX:
            stars["flags"][np.argmin(away_px)] |= Flag.LEFT_OUT
        else:
            notes += (f"{NO_STAR_THERE} x {x:.1f}, y {y:.1f}",)
    return replace(result, notes=notes)


def _another_route(result: CheckResult) -> CheckResult:
    """Where the colours of the stars can come from when not from gains."""
    colours = choose_colours(
        result.stars, in_channels(result.stars), in_channels(result.stars, "flux_error")
    )
    return replace(
        result, route=colours.route, route_reason=f"{result.verdict.reasons[0]}; {colours.reason}"
    )


def as_frame(frame: Frame | str | Path, progress: Progress = silent) -> Frame:
    """The frame itself, or the frame that a file holds."""
    if isinstance(frame, Frame):
        return frame
    progress("reading", 0.0)
    return read_frame(frame)


def _gradient_note(noise) -> tuple[str, ...]:
    if not noise.has_gradient:
        return ()
    return (
        f"the sky has a gradient: {max(noise.gradient):.0f} times the pixel noise from edge to "
        f"edge; starcal does "
        "not remove it",
    )


def _located(
    result: CheckResult, frame: Frame, hints: Hints | None, source: Source
) -> tuple[CheckResult, Frame]:
    """The frame with a WCS found from its stars, if there are hints and the solution can be
    believed."""
    try:
        hints = hints or hints_from_header(frame.header)
    except NoWCSError:
        return result, frame
    solution = _solved(result.stars, frame, hints, source)
    if solution.wcs is None:
        return replace(result, verdict=verdict.without_wcs("", solution.message)), frame
    noted = replace(
        result,
        notes=(*result.notes, f"no WCS in the header: {solution.message}"),
        solved=solution.wcs,
        distortion=solution.distortion,
    )
    return noted, relocated(frame, noted)


def _solved(stars: Table, frame: Frame, hints: Hints, source: Source) -> Solution:
    """Ask the embedded catalogue, which is at hand, and then the one that was named."""
    seen = places_of(stars), instrumental_mag(stars), frame.pixels.shape[1:]
    for one in (source,) if source.name in ("embedded", "auto") else (EMBEDDED, source):
        solution = solve(*seen, _stars_of(one, frame), hints)
        if solution.wcs is not None:
            break
    return solution


def _stars_of(source: Source, frame: Frame) -> CatalogueOf:
    """Stars of a catalogue within any circle, at the frame's epoch."""
    return lambda ra_deg, dec_deg, radius_deg: (
        _choice(source, frame, (ra_deg % 360, dec_deg, radius_deg)).stars
    )


def _refound(
    result: CheckResult, frame: Frame, choice: Choice, hints: Hints | None, source: Source
) -> CheckResult:
    """A better WCS for a frame whose own does not fit its stars, if one can be believed; a note in
    any case."""
    stars_of = (
        _stars_of(source, frame) if choice.source == "embedded" else lambda *circle: choice.stars
    )
    solution = refine(
        frame.wcs,
        places_of(result.stars),
        instrumental_mag(result.stars),
        frame.pixels.shape[1:],
        stars_of,
    )
    if solution.wcs is None and hints is not None:
        solution = _solved(result.stars, frame, hints, source)
    note = f"by the header's WCS no more stars than by chance are paired: {solution.message}"
    return replace(
        result,
        notes=(*result.notes, note),
        solved=solution.wcs,
        wcs_given=solution.given,
        distortion=solution.distortion,
    )


def relocated(frame: Frame, found: CheckResult) -> Frame:
    """The frame with the WCS that its check has found, where it had none or a poor one."""
    if found.solved is None:
        return frame
    return replace(
        frame, wcs=found.solved, wcs_missing=(), header=with_wcs(frame.header, found.solved)
    )


def usable(frame: Frame, found: CheckResult, assume_linear: bool) -> Frame:
    """The frame to work on, as its check has located it.

    Raises
    ------
    NotLinearError
        It is stretched, and nobody said to believe otherwise.
    """
    if not assume_linear:
        require_linear(found.frame, found.linearity)
    return relocated(frame, found)


def _verdict_without_wcs(frame: Frame) -> verdict.Verdict:
    lacks = frame.wcs_missing
    return verdict.without_wcs(
        "its header tells nothing of it"
        if len(lacks) > 4
        else "missing: " + ", ".join(lacks)
        if lacks
        else "not usable"
    )


def _unmatched(result: CheckResult, frame: Frame) -> CheckResult:
    result.stars["flags"] |= Flag.NO_MATCH
    return replace(result, route_reason="without a WCS no star can be looked up in a catalogue")


def _matched(
    result: CheckResult, frame: Frame, source: Source, hints: Hints | None = None
) -> CheckResult:
    """Stars against catalogue, by the frame's WCS or by a better one where it is poor."""
    stars, shape = result.stars, frame.pixels.shape[1:]
    brightness = instrumental_mag(stars)
    choice = _field(frame, brightness, source)
    catalogue = choice.stars
    match = match_catalogue(
        places_of(stars), brightness, frame.wcs, shape, catalogue, pixel_scale_arcsec(frame.wcs)
    )
    if not match.credible and result.solved is None:
        result = _refound(result, frame, choice, hints, source)
        if result.solved is not None:
            return _matched(result, relocated(frame, result), source)
    result, match = _settled(result, frame, match, catalogue)
    stars, match = _with_placed(stars, match, frame.pixels, catalogue)
    brightness = instrumental_mag(stars)
    _add_catalogue(stars, match, catalogue)
    light = measured_light(frame.pixels, stars) if match.credible else None
    use = CatalogueUse(catalogue.name, int(match.in_frame.sum()), catalogue.limit_mag)
    clean = (
        stars["flags"] & (Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.NO_MATCH | Flag.MISMATCH)
        == 0
    )
    slope, error = (
        brightness_slope(brightness[clean], stars["v_mag"][clean])
        if match.credible
        else (np.nan, np.nan)
    )
    linearity = replace(result.linearity, brightness=slope, brightness_error=error)
    unsure = verdict.without_match(match, len(stars))
    return replace(
        result,
        stars=stars,
        match=match,
        light=light,
        catalogue=use,
        linearity=linearity,
        verdict=unsure,
        notes=(*result.notes, *choice.notes),
        route_reason=unsure.reasons[0],
    )


def _with_placed(stars: Table, match: Match, pixels: np.ndarray, catalogue) -> tuple[Table, Match]:
    """Stars and match, and what the catalogue has in the frame but nobody found, measured where it
    must be."""
    if not match.credible:
        return stars, match
    missed = match.in_frame & (catalogue.v_mag <= _seen_mag(stars, match, catalogue.v_mag))
    missed[match.catalogue] = False
    rows = np.flatnonzero(missed)
    rows = rows[np.argsort(catalogue.v_mag[rows])]
    rows = rows[free_places(pixels, stars, match.x_px[rows], match.y_px[rows])]
    stars = measure_at(pixels, stars, match.x_px[rows], match.y_px[rows])
    return stars, match.with_placed(
        rows, places_of(stars), instrumental_mag(stars), catalogue.v_mag
    )


def _settled(
    result: CheckResult, frame: Frame, match: Match, catalogue
) -> tuple[CheckResult, Match]:
    """The WCS that the stars vouch for, and the match by it: a new one where they show distortion
    or a poor one."""
    if not match.credible:
        return result, match
    xy, shape = places_of(result.stars), frame.pixels.shape[1:]
    brightness = instrumental_mag(result.stars)
    wcs, better, distortion = straightened(frame.wcs, match, xy, brightness, shape, catalogue)
    fitted = nearer(wcs, better, xy, shape, catalogue)
    if corners_apart_px(wcs, fitted, shape) > (
        POOR_WCS_PX if result.solved is None else ONE_GRID_PX
    ):
        wcs, better = (
            fitted,
            match_catalogue(xy, brightness, fitted, shape, catalogue, pixel_scale_arcsec(fitted)),
        )
    pairs = xy[better.star], catalogue.ra_deg[better.catalogue], catalogue.dec_deg[better.catalogue]
    given = WCSError(
        match.offset_px,
        match.rotation_deg,
        match.scale_error,
        pair_scatter_px(frame.wcs, shape, *pairs),
    )
    bent = wcs is not frame.wcs
    solved = wcs if bent else result.solved
    return replace(
        result,
        solved=solved,
        wcs_given=result.wcs_given or (given if result.solved is None else None),
        distortion=distortion if bent else result.distortion,
        wcs=solved or fitted,
    ), better


def _seen_mag(stars: Table, match: Match, v_mag: np.ndarray) -> float:
    """V of the faintest catalogue star that the frame can show: as matched, or `SEEN_SNR` times the
    typical error."""
    offset = np.nanmedian(instrumental_mag(stars)[match.star] - v_mag[match.catalogue])
    error = np.nanmedian(np.linalg.norm(in_channels(stars, "flux_error")[:, match.star], axis=0))
    return float(
        max(v_mag[match.catalogue].max(), -2.5 * np.log10(SEEN_SNR * max(error, 1e-30)) - offset)
    )


def instrumental_mag(stars: Table) -> np.ndarray:
    """Magnitudes of the stars from all their light, zero point arbitrary; NaN where there is no
    positive flux."""
    light = in_channels(stars).sum(axis=0)
    return -2.5 * np.log10(np.where(light > 0, light, np.nan))


def field_of(frame: Frame) -> tuple[float, float, float]:
    """Centre and radius, degrees, of the circle round a frame with a WCS in which catalogue stars
    are wanted."""
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
    return _choice(source, frame, circle, limit_mag)


def _choice(
    source: Source, frame: Frame, circle: tuple[float, float, float], limit_mag: float | None = None
) -> Choice:
    return stars_around(
        source.name,
        *circle,
        epoch_yr=frame.epoch_yr or 2000.0,
        limit_mag=limit_mag,
        online=source.online,
        timeout_s=source.timeout_s,
        mapping=source.mapping,
    )


def _add_catalogue(stars: Table, match: Match, catalogue) -> None:
    """Give the matched rows what the catalogue knows of them, and flag what it knows against
    them."""
    row = np.full(len(stars), -1)
    if match.credible:
        row[match.star] = match.catalogue
    known = row >= 0
    for name in ("ra_deg", "dec_deg", "v_mag", "bv_mag", "bv_error_mag", "bv_fit_error_mag"):
        stars[name] = np.where(
            known, getattr(catalogue, name)[row] if len(catalogue) else np.nan, np.nan
        )
    stars["hip"] = np.where(known, catalogue.hip[row] if len(catalogue) else 0, 0)
    flags = stars["flags"]
    flags[~known] |= Flag.NO_MATCH
    flags[known & ~np.isfinite(stars["bv_mag"])] |= Flag.NO_BV
    if match.credible:
        flags[match.star[match.mismatched]] |= Flag.MISMATCH
        flags[match.star[catalogue.double[match.catalogue]]] |= Flag.DOUBLE
        flags[match.star[catalogue.bv_clamped[match.catalogue]]] |= Flag.POOR_BV
        flags[match.star[_crowded(match, catalogue, max(stars.meta["aperture_px"]))]] |= (
            Flag.BLENDED
        )


def _crowded(match: Match, catalogue, aperture_px: float) -> np.ndarray:
    """Pairs with another catalogue star in the aperture that is bright enough to matter."""
    inside = np.flatnonzero(match.in_frame)
    tree = cKDTree(np.column_stack([match.x_px[inside], match.y_px[inside]]))
    fainter_by = -2.5 * np.log10(BLEND_FLUX_SHARE)
    crowded = np.zeros(len(match.star), bool)
    for pair, row in enumerate(match.catalogue):
        if match.in_frame[row]:
            others = inside[
                tree.query_ball_point((match.x_px[row], match.y_px[row]), 1.2 * aperture_px)
            ]
            crowded[pair] = np.any(
                catalogue.v_mag[others[others != row]] < catalogue.v_mag[row] + fainter_by
            )
    return crowded


def _stretched(result: CheckResult) -> CheckResult:
    return replace(
        result,
        verdict=verdict.stretched(result.linearity),
        route="palette",
        route_reason="the picture is not linear, so ratios of its channels mean nothing",
    )


def _fitted(result: CheckResult, model: str) -> CheckResult:
    stars = result.stars
    rows = _rows_to_fit(stars)
    if len(rows) < MIN_STARS:
        return replace(
            result,
            verdict=verdict.too_few(len(rows), len(result.match.star)),
            route="palette",
            route_reason=f"{counted(len(rows), 'clean matched star')}, {MIN_STARS} needed for a "
            f"fit",
        )
    made = fit_light(stars, result.light, rows, result.neutral_bv)
    fit, flux = made.fit, made.flux
    stars["flags"][rows[~fit.used]] |= Flag.CLIPPED
    target = colour.star_rgb(np.asarray(stars["bv_mag"][rows[fit.used]], float), result.neutral_bv)
    judged = verdict.decide(
        fit,
        _colour_error(flux[:, fit.used], target, np.ones(3)),
        _colour_error(flux[:, fit.used], target, fit.gains),
        made.second,
        made.contradicted,
    )
    matrix = _matrix(fit, flux[:, fit.used], target) if model == "matrix" else None
    if matrix is not None:
        judged = replace(
            judged, next_steps=tuple(s for s in judged.next_steps if s != verdict.USE_MATRIX)
        )
    route, reason = (
        ("gains", "calibration by gains serves")
        if judged.verdict == "rescue"
        else ("palette", f"calibration cannot be trusted here: {judged.reasons[0]}")
    )
    return replace(
        result,
        verdict=judged,
        route=route,
        route_reason=reason,
        fit=fit,
        fitted=rows,
        matrix=matrix,
        second=made.second,
        fit_notes=(*said_of_light(result.light, fit), *gradient_notes(made.gradient)),
    )


def _colour_error(flux: np.ndarray, target: np.ndarray, gains: np.ndarray) -> float:
    """Median u'v' distance of stars from their targets after gains."""
    return float(np.median(colour.uv_prime_distance(gains * flux.T, target)))


def _rows_to_fit(stars: Table) -> np.ndarray:
    """Clean matched stars, the poorly known ones left out where there are enough others."""
    clean = stars["flags"] & ~int(Flag.FORCED) == 0
    for limit in GOOD_ERRORS_MAG:
        known = clean & (stars["bv_fit_error_mag"] <= limit)
        if known.sum() >= ENOUGH_STARS:
            stars["flags"][clean & ~known] |= Flag.POOR_BV
            return np.flatnonzero(known)
    return np.flatnonzero(clean)


def _matrix(fit, flux: np.ndarray, target: np.ndarray):
    if fit.n_used < MIN_STARS_MATRIX or fit.bv_spread < MIN_SPREAD_MATRIX:
        raise TooFewStars(
            f"{fit.n_used} stars with a B-V spread of {fit.bv_spread:.2f} mag for a matrix, "
            f"{MIN_STARS_MATRIX} with "
            f"{MIN_SPREAD_MATRIX} needed: use --model gains",
            found=fit.n_used,
            needed=MIN_STARS_MATRIX,
        )
    return fit_matrix(flux, target, fit.gains)
