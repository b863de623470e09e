"""Can calibration rescue this frame: frame, stars, match, fit and verdict, in order."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Unpack

import numpy as np
from astropy.table import Table

from .. import colour
from ..catalogue.choose import source_of
from ..choices import Choices, GivenGains, OfCheck, Places, chosen
from ..errors import TooFewStars
from ..fit import verdict
from ..fit.contrasts import gradient_notes
from ..fit.gains import (
    MIN_SPREAD_MATRIX,
    MIN_STARS,
    MIN_STARS_MATRIX,
    brightness_slope,
    fit_matrix,
)
from ..fit.relations import told_by_filters
from ..fit.responses import read_terms
from ..fit.sources import choose_colours
from ..frame import Frame, filters_of, with_wcs
from ..frame.given import FrameLike, frame_of
from ..place.grid import ChannelGrid, channel_grid
from ..place.hints import hints_of
from ..place.locate import Located, locate
from ..place.match import Match
from ..progress import LOG, Logged, Progress, silent
from ..stars import (
    Flag,
    flag_tally,
    in_channels,
    instrumental_mag,
    measure_stars,
)
from ..stars.apertures import ApertureLight
from ..stars.defects import defect_notes
from ..stars.linearity import Linearity, measure_linearity, require_linear
from ..texts import counted
from .assumed import GIVE_BANDS, assumed_terms, judged_by_terms
from .fitting import (
    OF_WIDE_APERTURE,
    LightFit,
    fit_light,
    fit_without_gradient,
    measured_light,
    said_of_gains,
    said_of_widths,
)
from .known import known_by_catalogue
from .result import CatalogueUse, CheckResult

LEFT_OUT_REACH_PX = 2.0  # a star left out by hand lies within this of the place named
COMMON_GAINS = "its gains are those that it has in common with other frames"
NO_STAR_THERE = "no star to leave out at"


def check(
    frame: FrameLike,
    choices: Choices | None = None,
    *,
    wcs: Any = None,
    full_scale: float | None = None,
    progress: Progress = silent,
    **asked: Unpack[OfCheck],
) -> CheckResult:
    """Say whether photometric calibration can rescue a frame.

    Parameters
    ----------
    frame : Frame, str, Path, HDU, CCDData, NDData or array
        A linear colour frame; an array of shape (3, y, x) or (y, x, 3), see
        `frame.given.frame_of`.
    choices : Choices, optional
        What is asked for; by default all as by default: the embedded catalogue, offline, the sun
        neutral.
    wcs : WCS, Header, str or Path, optional
        Where the frame points, in place of its own; a text or path is a file.
    full_scale : float, optional
        The number in it that means full scale; by default found out.
    progress : callable
        Is given the step and the share done.
    **asked
        Single choices by name: ``neutral_bv``, ``model``, ``snr``, ``assume_linear``,
        ``leave_out``, ``bands``, ``catalogue``, ``columns``, ``online``, ``timeout``, ``ra``,
        ``dec``, ``object``, ``scale``; see `Choices`. Place and scale are by default what the
        header tells of them; given, they serve also where the WCS does not fit the stars.

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
    progress = Logged(progress)
    frame = as_frame(frame, progress, cells=True, wcs=wcs, full_scale=full_scale)
    return _routed(check_for_cure(frame, choices, progress))


def check_for_cure(frame: Frame, choices: Choices, progress: Progress = silent) -> CheckResult:
    """The same for whoever gives the stars their colours next, and finds their best source then.

    Parameters
    ----------
    frame : Frame
    choices : Choices
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    CheckResult
        As of `check`, but for a route that is not gains: which other one it is, it does not say.
    """
    source = source_of(choices)
    hints = hints_of(choices, frame)
    curves = read_terms(choices.bands) if choices.bands else None
    progress("finding and measuring stars", 0.2)
    seen = _stars_seen(frame, choices)
    progress("matching the catalogue", 0.6)
    displayed = seen.linearity.stretched and not choices.assume_linear
    located = locate(seen.stars, seen.frame, source, hints, stretched=displayed)
    result = _matched(seen, located, choices.neutral_bv)
    result = replace(result, model=choices.model, curves=curves, given=choices.gains)
    if result.linearity.stretched and not choices.assume_linear:
        return _stretched(result)
    progress("fitting", 0.8)
    result = _judged_by_fit(_with_flags_kept(result), choices.model, choices.leave_out)
    LOG.info("%s", result.summary())
    return result if frame.cell_px == 1 else _of_raw(result)


def _of_raw(result: CheckResult) -> CheckResult:
    """The check of a raw frame, which no cure takes as it is."""
    cures = verdict.USE_CALIBRATED, verdict.GO_ON_WITHOUT, verdict.USE_MATRIX
    others = tuple(step for step in result.verdict.next_steps if step not in cures)
    judged = replace(result.verdict, next_steps=(verdict.DEBAYER_FIRST, *others))
    return replace(result, verdict=judged)


def _with_flags_kept(result: CheckResult) -> CheckResult:
    """The same with a copy of the flags that a later fit goes back to."""
    return replace(result, flags_before_fit=np.array(result.stars["flags"]))


@dataclass(frozen=True, eq=False)
class _StarsSeen:
    """What the pixels tell by themselves: the frame, its channels on one grid, and its stars."""

    frame: Frame
    stars: Table
    linearity: Linearity
    grid: ChannelGrid


def linearity_of(frame: Frame, stars: Table) -> Linearity:
    """Whether a frame is linear, as `check` judges it: by its pixels, and where the catalogue may
    decide and the frame tells its place, by the catalogue.

    Parameters
    ----------
    frame : Frame
    stars : Table
        Of `stars.measure_stars`, of its pixels; it is left as it is.

    Returns
    -------
    Linearity
    """
    choices = Choices()
    seen = _stars_seen(frame, choices, stars.copy())
    if seen.linearity.settled:
        return seen.linearity
    stretched = seen.linearity.stretched
    located = locate(seen.stars, seen.frame, source_of(choices), stretched=stretched)
    stars, located = known_by_catalogue(seen.stars, located, seen.frame)
    return _against_catalogue(seen.linearity, stars, located.match)


def _stars_seen(frame: Frame, choices: Choices, stars: Table | None = None) -> _StarsSeen:
    """Measure the stars; where the channels lie more than a pixel apart, bring them together and
    measure again."""
    if stars is None:
        stars = _stars_measured(frame, choices)
    linearity = measure_linearity(frame.pixels, stars)
    linear = choices.assume_linear or not linearity.stretched
    grid = channel_grid(frame.pixels, stars, move=linear)
    if grid.brought:
        frame = replace(grid.applied(frame), steps=stars.meta["noise"].steps)
        stars = _stars_measured(frame, choices)
        linearity = measure_linearity(frame.pixels, stars)
    stars.meta["lines"] = told_by_filters(filters_of(frame))
    return _StarsSeen(frame, stars, linearity, grid)


def _stars_measured(frame: Frame, choices: Choices) -> Table:
    """The stars of a frame; the sky of a channel that was moved is as coarse as it was before."""
    stars = measure_stars(frame.pixels, snr_min=choices.snr)
    stars.meta["noise"] = stars.meta["noise"].with_steps(frame.steps)
    return stars


def _matched(seen: _StarsSeen, located: Located, neutral_bv: float) -> CheckResult:
    """What is known before the fit: the stars with their catalogue entries and their light."""
    stars, located = known_by_catalogue(seen.stars, located, seen.frame)
    light = _light(seen.frame, stars, located)
    linearity = _against_catalogue(seen.linearity, stars, located.match)
    seen = replace(seen, stars=stars, linearity=linearity)
    return replace(_unjudged(seen, located, neutral_bv), light=light)


def with_curves(found: CheckResult, bands: str | None) -> CheckResult:
    """The same check with the response curves of a file, or none, for fits that are made anew.

    Parameters
    ----------
    found : CheckResult
    bands : str or None
        As `choices.Choices.bands`.

    Returns
    -------
    CheckResult
        Its fit is still the one before: see `refit`.

    Raises
    ------
    BandsError
        The file cannot be taken; see `fit.responses.read_terms`.
    """
    return replace(found, curves=read_terms(bands) if bands else None)


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
    blank = replace(
        found,
        stars=stars,
        fit=None,
        fitted=np.empty(0, int),
        matrix=None,
        gradient=None,
        terms=None,
        notes=notes,
        fit_notes=(),
        own_fit=None,
    )
    return _routed(_judged_by_fit(blank, found.model, leave_out))


def _judged_by_fit(result: CheckResult, model: str, leave_out: Places) -> CheckResult:
    """Fit and verdict, from stars that have been matched."""
    result = _without(result, leave_out)
    if result.match is not None and result.match.credible:
        result = _fitted(result, model)
    if result.given is not None:
        result = with_given_gains(result, result.given)
    return result


def with_given_gains(found: CheckResult, given: GivenGains) -> CheckResult:
    """The same check with gains that several frames have in common in place of its own.

    Parameters
    ----------
    found : CheckResult
        With gains of its own.
    given : tuple of float
        As `choices.Choices.gains`.

    Returns
    -------
    CheckResult
        Its route is gains. Where there is no fit, or the verdict is no, they are not used, which a
        note says.
    """
    if found.fit is None or found.verdict.verdict == "no":
        note = f"the gains given are not used: {found.verdict.reasons[0]}"
        return replace(found, given=given, fit_notes=(*found.fit_notes, note))
    return replace(
        found,
        given=given,
        own_fit=found.fit,
        fit=found.fit.with_given(given),
        route="gains",
        route_reason=COMMON_GAINS,
    )


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


def _routed(result: CheckResult) -> CheckResult:
    """With where the colours of the stars can come from when not from gains."""
    stretched = result.flags_before_fit is None
    if result.route == "gains" or stretched:
        return result
    colours = choose_colours(
        result.stars, in_channels(result.stars), in_channels(result.stars, "flux_error")
    )
    return replace(
        result,
        route=colours.route,
        route_reason=f"{result.verdict.reasons[0]}; {colours.reason}",
    )


def as_frame(
    frame: FrameLike,
    progress: Progress = silent,
    *,
    cells: bool = False,
    wcs: Any = None,
    full_scale: float | None = None,
) -> Frame:
    """The frame itself, or the frame that a file or an array holds.

    Parameters
    ----------
    frame : Frame, str, Path, HDU, CCDData, NDData or array
    progress : callable
        Is given the step and the share done.
    cells : bool
        Take a raw frame of a colour camera, too; see `frame.read_frame`.
    wcs, full_scale : optional
        As for `frame.given.frame_of`.

    Returns
    -------
    Frame
    """
    if isinstance(frame, str | Path):
        progress("reading", 0.0)
    return frame_of(frame, wcs=wcs, full_scale=full_scale, cells=cells)


def _noticed(seen: _StarsSeen) -> tuple[str, ...]:
    """What was noticed before anything was looked up."""
    frame, stars = seen.frame, seen.stars
    undated = "the header has no date that can be read: the catalogue is that of 2000"
    noise = stars.meta["noise"]
    notes = [*frame.notes]
    if not frame.epoch_yr:
        notes.append(undated)
    notes.append(f"full scale is {frame.full_scale:g} in the file ({frame.full_scale_source})")
    if noise.has_gradient:
        notes.append(
            f"the sky has a gradient: {max(noise.gradient):.0f} times the pixel noise from edge to "
            "edge; starcal does not remove it"
        )
    notes += defect_notes(stars.meta["defects"])
    of_cells = frame.cell_px > 1  # whose colours lie apart by nature
    return (*notes, *(() if of_cells else seen.grid.notes))


def relocated(frame: Frame, found: CheckResult) -> Frame:
    """The frame with its channels on one pixel grid and the WCS that its check has found, where it
    had none or a poor one.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
        Of this frame.

    Returns
    -------
    Frame
    """
    if found.grid is not None:
        frame = found.grid.applied(frame)
    wcs = found.located.replacement
    if wcs is None:
        return frame
    return replace(frame, wcs=wcs, wcs_missing=(), header=with_wcs(frame.header, wcs))


def usable(frame: Frame, found: CheckResult, assume_linear: bool) -> Frame:
    """The frame to work on, as its check has located it.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
    assume_linear : bool
        Believe that it is linear.

    Returns
    -------
    Frame

    Raises
    ------
    NotLinearError
        It is stretched, and nobody said to believe otherwise.
    """
    if not assume_linear:
        require_linear(found.frame, found.linearity)
    return relocated(frame, found)


# --- the answer so far ------------------------------------------------------------------


def _light(frame: Frame, stars: Table, located: Located) -> ApertureLight | None:
    """The stars in equal apertures, where there is a match to fit to."""
    if located.match is None or not located.match.credible:
        return None
    return measured_light(frame.pixels, stars)


def _unjudged(seen: _StarsSeen, located: Located, neutral_bv: float) -> CheckResult:
    """What is known before anything was fitted."""
    match = located.match
    if match is None:
        judged = verdict.without_wcs(lacks_of_wcs(seen.frame), located.why_not, located.lacks)
        reason = "without a WCS no star can be looked up in a catalogue"
    else:
        judged = verdict.without_match(match, len(seen.stars))
        reason = judged.reasons[0]
    return CheckResult(
        frame=seen.frame.name,
        verdict=judged,
        route="palette",
        route_reason=reason,
        stars=seen.stars,
        located=located,
        linearity=seen.linearity,
        grid=seen.grid,
        catalogue=use_of_catalogue(located),
        neutral_bv=neutral_bv,
        notes=_noticed(seen) + located.notes,
    )


def lacks_of_wcs(frame: Frame) -> str:
    """What the header lacks of a WCS."""
    if len(frame.wcs_missing) > 4:
        return "its header tells nothing of it"
    return "missing: " + ", ".join(frame.wcs_missing) if frame.wcs_missing else "not usable"


def use_of_catalogue(located: Located) -> CatalogueUse | None:
    """Which catalogue was asked, and what it has in the frame; None without a WCS."""
    catalogue, match = located.catalogue, located.match
    if match is None:
        return None
    return CatalogueUse(catalogue.name, int(match.in_frame.sum()), catalogue.limit_mag)


def _against_catalogue(linearity: Linearity, stars: Table, match: Match | None) -> Linearity:
    """Whether the pixels are proportional to light, by the catalogue's magnitudes besides."""
    if match is None or not match.credible:
        return linearity
    against = Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.NO_MATCH | Flag.MISMATCH
    clean = stars["flags"] & against == 0
    slope, error = brightness_slope(instrumental_mag(stars)[clean], stars["v_mag"][clean])
    return replace(linearity, brightness=slope, brightness_error=error)


def _stretched(result: CheckResult) -> CheckResult:
    """The check of a picture that is not linear."""
    placeless = result.verdict if result.match is None else None
    return replace(
        result,
        verdict=verdict.verdict_on_stretched(result.linearity, placeless),
        route="palette",
        route_reason="the picture is not linear, so ratios of its channels mean nothing",
    )


# --- fitting ----------------------------------------------------------------------------


def _fitted(result: CheckResult, model: str) -> CheckResult:
    """Gains fitted to the clean matched stars, and the verdict that follows."""
    stars = result.stars
    rows = _rows_to_fit(stars, result.light)
    terms = assumed_terms(result.curves, stars, len(rows))
    if len(rows) < MIN_STARS and terms is None:
        return _with_too_few(result, len(rows))
    without_gradient = model == "gradient" and len(rows) >= MIN_STARS
    if without_gradient:
        made = fit_without_gradient(stars, result.light, rows, result.neutral_bv)
    else:
        made = fit_light(stars, result.light, rows, result.neutral_bv, terms)
    fit = made.fit
    stars["flags"][rows[~fit.used]] |= Flag.CLIPPED
    target = colour.star_rgb(fit.bv_mag[fit.used], result.neutral_bv)
    matrix = _with_matrix(made, target) if model == "matrix" else None
    judged = _judged(made, target, matrix is not None)
    return replace(
        _on_route(result, judged),
        verdict=judged,
        fit=fit,
        fitted=rows,
        matrix=matrix,
        second=made.second,
        gradient=made.gradient,
        terms=made.terms,
        fit_notes=_said_of_fit(made, judged, result.light, without_gradient),
    )


def _said_of_fit(made: LightFit, judged, light: ApertureLight, gradient_out: bool) -> tuple:
    """Notes of a fit: on its gains where they are shown, on a gradient of colour where it stays."""
    notes = [*made.notes, *said_of_widths(light)]
    if judged.verdict != "no":
        notes += said_of_gains(made.fit)
    if not gradient_out:
        notes += gradient_notes(made.gradient)
    return tuple(notes)


def _on_route(result: CheckResult, judged: verdict.Verdict) -> CheckResult:
    """By gains where the verdict is so."""
    if judged.verdict == "rescue":
        return replace(result, route="gains", route_reason="calibration by gains serves")
    reason = f"calibration cannot be trusted here: {judged.reasons[0]}"
    return replace(result, route="palette", route_reason=reason)


def _with_too_few(result: CheckResult, n_clean: int) -> CheckResult:
    flags = np.asarray(result.stars["flags"])
    of_matched = flag_tally(flags[flags & int(Flag.NO_MATCH) == 0])
    judged = verdict.too_few(n_clean, len(result.match.star), of_matched)
    if n_clean and result.curves is None:
        judged = replace(judged, next_steps=(GIVE_BANDS, *judged.next_steps))
    return replace(
        result,
        verdict=judged,
        route="palette",
        route_reason=f"{counted(n_clean, 'clean matched star')}, {MIN_STARS} needed for a fit",
    )


def _judged(made: LightFit, target: np.ndarray, by_matrix: bool) -> verdict.Verdict:
    """The verdict of a fit, with the colour errors of its stars before and after."""
    flux = made.flux[:, made.fit.used]
    before = _colour_error(flux, target, np.ones(3))
    after = _colour_error(flux, target, made.fit.gains)
    judged = verdict.decide(made.fit, before, after, made.second, made.contradicted)
    if made.terms is not None:
        judged = judged_by_terms(judged, made.terms, made.fit.n_used)
    if not by_matrix:
        return judged
    steps = tuple(step for step in judged.next_steps if step != verdict.USE_MATRIX)
    return replace(judged, next_steps=steps)


def _colour_error(flux: np.ndarray, target: np.ndarray, gains: np.ndarray) -> float:
    """Median u'v' distance of stars from their targets after gains."""
    return float(np.median(colour.uv_prime_distance(gains * flux.T, target)))


def _rows_to_fit(stars: Table, light: ApertureLight) -> np.ndarray:
    """Clean matched stars; what the catalogue knows poorly of some is in their errors."""
    measured = np.zeros(len(stars), bool)
    measured[light.row] = True
    spoilt = stars["flags"] & ~int(Flag.FORCED | OF_WIDE_APERTURE)
    return np.flatnonzero(measured & (spoilt == 0))


def _with_matrix(made: LightFit, target: np.ndarray):
    """The matrix by the stars that the gains rest on."""
    fit = made.fit
    if fit.n_used < MIN_STARS_MATRIX or fit.bv_spread < MIN_SPREAD_MATRIX:
        raise TooFewStars(
            f"{counted(fit.n_used, 'star')} with a B-V spread of {fit.bv_spread:.2f} mag for a "
            f"matrix, {MIN_STARS_MATRIX} with "
            f"{MIN_SPREAD_MATRIX} needed: use --model gains",
            found=fit.n_used,
            needed=MIN_STARS_MATRIX,
        )
    return fit_matrix(made.flux[:, fit.used], target, fit.gains)
