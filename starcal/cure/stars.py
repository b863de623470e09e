"""The cure without calibration: stars split off, each given the best colour there is for it, and
put back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np
from astropy.table import Table

from ..checking.check import as_frame, check_for_cure, usable
from ..checking.result import CheckResult
from ..choices import Choices, OfRecolour, chosen
from ..colour.palette import star_colours, yellow_white
from ..draw import plots
from ..draw.preview import before_and_after
from ..errors import FrameError
from ..fit.sources import StarColours, choose_colours, from_palette, source_tally
from ..fit.verdict import GO_ON_WITHOUT, SEPARATE_STARS
from ..frame import Frame, require_wcs, write_fits
from ..frame.given import FrameLike, maybe_frame
from ..frame.levels import chunks
from ..frame.room import room_for
from ..layers import ProfileMap, Split, Starless, plausible_starless, recolour, split
from ..progress import Logged, Progress, part_of, silent
from ..robust import pixels_at
from ..stars import Flag, free_places, measure_at, measure_stars
from ..texts import counted, escaped
from .gains import Calibrated, calibrate
from .registration import Field, places_on
from .star_frame import StarFrame, join_star_frame
from .wishes import factors_of, told_cores, told_light, told_wishes, whole_stars

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# of a star whose place is known from the star frame: chance gives such a peak at 1 place of 3000
STAR_FRAME_SNR = 4.0
# Of the share of a star's light that has not the profile (a neighbour in it, a ray, a hot pixel,
# a knot of nebula): by so much its flux errs. Of 40 made frames with faults, two thirds of the
# ratios are off by less than 1.1 times the larger misfit of their two channels.
MISFIT_ERROR = 0.75


@dataclass(frozen=True, kw_only=True, eq=False)
class Recoloured:
    """A picture whose stars have new colours.

    Attributes
    ----------
    nebula : Starless or ndarray
        Its layer without stars; ``starless`` is the same as an array.
    stars : ndarray, shape (3, y, x), float32
        The layer of stars in their new colours.
    starry : ndarray of bool, (y, x), or None
        Where the picture is their sum, and elsewhere the frame; None: everywhere.
    colours : StarColours
        B-V of every star, its error and its source.
    frame : Frame
        What it was made from.
    check : CheckResult
        The star table, now with ``colour_bv_mag``, ``colour_bv_error_mag`` and ``colour_source``;
        route and reason.
    history : tuple of str
        Lines for the header.
    star_frame : StarFrame or None
        How a separate star frame was joined.
    shapes : ProfileMap or None
        How wide and how drawn out the frame's stars are; None if there is no star.

    Examples
    --------
    >>> import starcal
    >>> recoloured = starcal.recolour_stars("narrowband.fits", route="palette")
    >>> list(recoloured.tally)
    ['palette']
    """

    nebula: Starless | np.ndarray
    stars: np.ndarray
    starry: np.ndarray | None
    colours: StarColours
    frame: Frame
    check: CheckResult
    history: tuple[str, ...]
    star_frame: StarFrame | None = None
    shapes: ProfileMap | None = None

    @cached_property
    def starless(self) -> np.ndarray:
        """The layer without stars, (3, y, x) float32."""
        return np.asarray(self.nebula)

    @cached_property
    def picture(self) -> np.ndarray:
        """The picture, (3, y, x) float32: outside the footprints of stars the frame bit for bit."""
        return joined_picture(self.frame, self.nebula, self.stars, self.starry)

    @property
    def tally(self) -> dict[str, int]:
        """How many stars have their colour from which source."""
        return source_tally(self.check.stars["colour_source"])

    def __repr__(self) -> str:
        """One line; the arrays would fill a screen."""
        return f"<Recoloured {self.frame.name}: {self._told_tally()}>"

    def _repr_html_(self) -> str:
        """For notebooks."""
        pictures = before_and_after(self.frame.pixels, self.picture)
        return f"{pictures}<p>Star colours: {escaped(self._told_tally())}.</p>"

    def _told_tally(self) -> str:
        return "; ".join(
            f"{counted(count, 'star')} from {source}" for source, count in self.tally.items()
        )

    def plot_map(self, ax: Axes | None = None) -> Axes:
        """Plot where on the frame stars have their colour from which source.

        Parameters
        ----------
        ax : Axes, optional
            A new figure if not given.

        Returns
        -------
        Axes
            In pixels, x to the right, y upwards.
        """
        x_px, y_px, source = (
            np.asarray(self.check.stars[name]) for name in ("x_px", "y_px", "colour_source")
        )
        return plots.plot_map(
            plots.source_places(x_px, y_px, source), self.picture.shape[1:], ax
        )

    def write(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write the picture as float32 FITS with the input's header."""
        write_fits(
            path, self.picture, self.frame.header, history=self.history, overwrite=overwrite
        )


def recolour_stars(
    frame: FrameLike,
    choices: Choices | None = None,
    *,
    starless: FrameLike | None = None,
    star_frame: FrameLike | None = None,
    wcs: Any = None,
    full_scale: float | None = None,
    progress: Progress = silent,
    **asked: Unpack[OfRecolour],
) -> Recoloured:
    """Give every star of a linear frame the colour of a star and leave the nebula untouched.

    Parameters
    ----------
    frame : Frame, str, Path, HDU, CCDData, NDData or array
        Linear; a WCS lets the catalogue help.
    choices : Choices, optional
        What is asked for; by default the best source for each star, true colours.
    starless : Frame or whatever may be one, optional
        A starless version of the frame that is already there.
    star_frame : Frame or whatever may be one, optional
        A separate broadband frame with a WCS, whose stars are calibrated and take the place of the
        frame's own.
    wcs, full_scale : optional
        As for `check`.
    progress : callable
        Is given the step and the share done.
    **asked
        Single choices by name, as for `check` but for ``model``; besides ``route``, ``bv`` and
        ``spread`` of the palette, ``warmth``, ``saturation``, ``star_brightness``.

    Returns
    -------
    Recoloured

    Raises
    ------
    FrameError
        A frame that cannot be read, a starless frame that does not belong to it, or a star frame
        that cannot be calibrated or does not lie on it; the route ``gains``.
    TooFewStars
        One source alone was asked for, and no star has it.

    Examples
    --------
    >>> import starcal
    >>> recoloured = starcal.recolour_stars("narrowband.fits", route="palette")
    >>> changed = (recoloured.picture != recoloured.frame.pixels).any(axis=0)
    >>> print(0 < changed.mean() < 0.5)
    True
    """
    choices = chosen(choices, asked, OfRecolour)
    progress = Logged(progress)
    frame = as_frame(frame, progress, wcs=wcs, full_scale=full_scale)
    starless, star_frame = maybe_frame(starless), maybe_frame(star_frame)
    found = check_for_cure(frame, choices, part_of(progress, 0.0, 0.4))
    frame = usable(frame, found, choices.assume_linear)
    told = part_of(progress, 0.4, 0.95)
    return recolour_checked(frame, found, choices, starless, star_frame, told)


def recolour_checked(
    frame: Frame,
    found: CheckResult,
    choices: Choices,
    starless: Frame | None = None,
    star_frame: Frame | None = None,
    progress: Progress = silent,
) -> Recoloured:
    """The same for a frame that has been checked.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
        Of that frame.
    choices : Choices
    starless, star_frame : Frame, optional
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    Recoloured
    """
    # held by nobody else, so that its memory serves again
    return coloured_as_chosen(
        ready_to_colour(frame, found, choices, starless, star_frame, progress),
        choices,
        once=True,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class ReadyToColour:
    """A frame whose stars are split off: what stays the same while their colours are chosen.

    Attributes
    ----------
    frame : Frame
    check : CheckResult
        With the stars that only the star frame shows.
    parts : Split
    calibrated : Calibrated or None
        The separate star frame.
    star_field : Field or None
        Its stars.
    """

    frame: Frame
    check: CheckResult
    parts: Split
    calibrated: Calibrated | None
    star_field: Field | None


def ready_to_colour(
    frame: Frame,
    found: CheckResult,
    choices: Choices,
    starless: Frame | None = None,
    star_frame: Frame | None = None,
    progress: Progress = silent,
) -> ReadyToColour:
    """Split a frame that has been checked, and calibrate and split its star frame.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
        Of that frame.
    choices : Choices
    starless, star_frame : Frame, optional
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    ReadyToColour

    Raises
    ------
    FrameError
        A starless frame that does not belong to it, or a star frame that cannot be calibrated or
        does not lie on it.
    """
    parts = split(frame.pixels, found.stars, progress)
    calibrated = star_field = None
    if star_frame is not None:
        calibrated = calibrate(star_frame, _for_star_frame(choices))
        star_field = _star_field(calibrated)
        found, parts = _with_its_places(frame, found, parts, star_field)
    if starless is not None:
        parts = _with_starless(parts, frame, starless, found)
    return ReadyToColour(
        frame=frame, check=found, parts=parts, calibrated=calibrated, star_field=star_field
    )


def coloured_as_chosen(
    ready: ReadyToColour, choices: Choices, *, once: bool = False
) -> Recoloured:
    """A frame with the colours of its stars as chosen.

    Parameters
    ----------
    ready : ReadyToColour
    choices : Choices
    once : bool
        What was made ready is not used again: the new star layer may take the place of the old.

    Returns
    -------
    Recoloured

    Raises
    ------
    FrameError
        The route is ``gains``, or the star frame does not lie on the frame.
    TooFewStars
        One source alone was asked for, and no star has it.
    """
    frame, found, parts = ready.frame, ready.check, ready.parts
    colours = colours_of(found, parts, choices)
    once = once and ready.star_field is None
    whole, rebuilt = whole_stars(parts, frame, found.stars, choices, in_place=once)
    once = once and not told_wishes(choices)
    layer = _own_layer(whole, colours, found, choices, once)
    found = _check_with_colours(found, colours, choices)
    found.stars["core_rebuilt"] = rebuilt
    found = _with_wishes(found, whole, layer, choices)
    history = _history(found, colours, choices)
    if ready.star_field is not None:
        return _with_star_frame(ready, found, layer, colours, history, choices)
    return Recoloured(
        nebula=parts.nebula,
        stars=layer,
        starry=_where_stars_are(parts, layer),
        colours=colours,
        frame=frame,
        check=_with_notes_of(found, parts),
        shapes=parts.profile_map,
        history=history,
    )


def _own_layer(
    parts: Split, colours: StarColours, found: CheckResult, choices: Choices, once: bool
) -> np.ndarray:
    """The frame's own stars in the colours given, as many, as bright and as large as was asked for,
    (3, y, x); in the place of the split's if that is used but once."""
    rgb = rgb_of(colours, found.neutral_bv, choices)
    factor = factors_of(parts, found.stars, choices)
    out = parts.stars if once else None
    return recolour(parts, rgb, factor=factor, size=choices.star_size, out=out)


def _with_wishes(
    found: CheckResult, parts: Split, layer: np.ndarray, choices: Choices
) -> CheckResult:
    """The check with notes of what became of the stars' light and of their clipped cores."""
    rebuilt = found.stars["core_rebuilt"]
    wishes = told_wishes(choices)
    notes = [told_light(parts.stars, layer, wishes)] if wishes else []
    notes += [told_cores(rebuilt)] if rebuilt.any() else []
    return replace(found, notes=(*found.notes, *notes))


def _where_stars_are(parts: Split, layer: np.ndarray) -> np.ndarray:
    """Where stars are, (y, x) bool: larger ones reach farther than their footprints."""
    starry = parts.footprint.copy()
    for plane in layer:
        starry |= plane != 0
    return starry


def joined_picture(
    frame: Frame,
    nebula: Starless | np.ndarray,
    stars: np.ndarray,
    starry: np.ndarray | None,
    *,
    in_place: bool = False,
) -> np.ndarray:
    """The frame with nebula and stars where stars are, itself elsewhere.

    Parameters
    ----------
    frame : Frame
    nebula : Starless or ndarray, (3, y, x) float32
    stars : ndarray, (3, y, x) float32
    starry : ndarray of bool, (y, x), or None
        Where stars are; None: everywhere.
    in_place : bool
        The picture may take the memory of the star layer, which is used no more.

    Returns
    -------
    ndarray, (3, y, x) float32
    """
    picture = stars if in_place else room_for(stars.shape)
    for own, below, light, plane in zip(picture, nebula, stars, frame.pixels, strict=True):
        np.add(below, light, out=own)
        if starry is not None:
            _put_back(own, plane, starry)
    return frame.refill(picture)


def _put_back(own: np.ndarray, plane: np.ndarray, starry: np.ndarray) -> None:
    """The frame's pixels where no stars are, in place."""
    for rows, were, there in zip(chunks(own), chunks(plane), chunks(starry), strict=True):
        np.copyto(rows, were, where=~there)


def colours_of(found: CheckResult, parts: Split, choices: Choices) -> StarColours:
    """B-V of every star by the route that was asked for.

    Parameters
    ----------
    found : CheckResult
    parts : Split
    choices : Choices

    Returns
    -------
    StarColours

    Raises
    ------
    FrameError
        The route is ``gains``.
    TooFewStars
        One source alone was asked for, and no star has it.
    """
    if choices.route == "gains":
        raise FrameError(
            "--route gains multiplies the whole frame and colours no star by itself: use --route "
            "best, or "
            "`starcal calibrate`"
        )
    if choices.route == "palette":
        return from_palette(yellow_white(len(found.stars), choices.bv, choices.spread))
    return choose_colours(found.stars, parts.flux, _flux_errors(parts), choices.route)


def _flux_errors(parts: Split) -> np.ndarray:
    """Errors of the fitted fluxes, (3, n): the fit's own, which know of uneven ground and of
    neighbours, and what of a star's light has not its profile."""
    return np.hypot(parts.model.flux_error, MISFIT_ERROR * parts.model.unlike * parts.flux)


def rgb_of(colours: StarColours, neutral_bv: float, choices: Choices) -> np.ndarray:
    """Linear RGB of luminance 1 of every star, (n, 3).

    Parameters
    ----------
    colours : StarColours
    neutral_bv : float
        B-V of the neutral star, mag.
    choices : Choices

    Returns
    -------
    ndarray, (n, 3)
    """
    return star_colours(colours.bv_mag, neutral_bv, choices.warmth, choices.saturation)


def _check_with_colours(
    found: CheckResult, colours: StarColours, choices: Choices
) -> CheckResult:
    """The check with a star table of its own, which has the colours given; its route the one
    taken."""
    stars = found.stars.copy()
    stars["colour_bv_mag"], stars["colour_bv_error_mag"] = colours.bv_mag, colours.bv_error_mag
    stars["colour_source"] = colours.source
    why = (
        found.verdict.reasons[0]
        if choices.route == "best"
        else f"asked for by --route {choices.route}"
    )
    reason = f"{why}; {colours.reason}"
    verdict = replace(
        found.verdict,
        next_steps=tuple(s for s in found.verdict.next_steps if s != GO_ON_WITHOUT),
    )
    return replace(
        found, stars=stars, route=colours.route, route_reason=reason, verdict=verdict
    )


def _with_notes_of(found: CheckResult, parts: Split) -> CheckResult:
    """The check with what to know of the split."""
    return replace(found, notes=(*found.notes, *parts.notes))


def _history(found: CheckResult, colours: StarColours, choices: Choices) -> tuple[str, ...]:
    tally = ", ".join(f"{count} {source}" for source, count in colours.tally().items())
    return (
        f"starcal: stars recoloured, nebula untouched; sources of B-V: {tally}",
        f"starcal: {colours.reason}",
        f"starcal: neutral star B-V {found.neutral_bv:.2f}, warmth {choices.warmth:g}, "
        f"saturation {choices.saturation:g}, brightness {choices.star_brightness:g}",
    )


# --- a separate star frame --------------------------------------------------------------


def _with_its_places(
    frame: Frame, found: CheckResult, parts: Split, star_field: Field
) -> tuple[CheckResult, Split]:
    """Check and split, with the stars that only the star frame shows measured in the nebula and
    split off as well."""
    x_px, y_px = places_on(
        star_field, Field(parts, found.stars, require_wcs(frame), frame.name)
    )
    stars = _measured_at(frame, found.stars, x_px, y_px)
    more = len(stars) - len(found.stars)
    if more == 0:
        return found, parts
    what = f"{counted(more, 'star')} too faint to be found alone"
    note = f"{what} measured where {star_field.name} shows them"
    before = _longer(found.flags_before_fit, stars["flags"])
    found = replace(found, stars=stars, notes=(*found.notes, note), flags_before_fit=before)
    return found, split(frame.pixels, stars)


def _longer(before: np.ndarray | None, flags: np.ndarray) -> np.ndarray | None:
    """Flags from before a fit, with those of the stars that came since; None without a fit."""
    return None if before is None else np.append(before, flags[len(before) :])


def _measured_at(frame: Frame, known: Table, x_px: np.ndarray, y_px: np.ndarray) -> Table:
    """The star table and below it, as unmatched, what is seen at places where it has none."""
    free = free_places(frame.pixels, known, x_px, y_px)
    stars = measure_at(frame.pixels, known, x_px[free], y_px[free])
    old = np.arange(len(stars)) < len(known)
    stars = stars[old | (stars["snr"] >= STAR_FRAME_SNR)]
    stars["flags"][len(known) :] |= Flag.NO_MATCH
    return stars


def _with_star_frame(ready, found, layer, colours, history, choices) -> Recoloured:
    """The picture with the stars of a calibrated broadband frame as far as that reaches, the own
    ones beyond."""
    frame, parts, star_field = ready.frame, ready.parts, ready.star_field
    nebula = Field(parts, found.stars, require_wcs(frame), frame.name)
    joined = join_star_frame(nebula, layer, star_field, star_brightness=choices.star_brightness)
    covered = _in_star_frame(found.stars, joined.coverage)
    found.stars["colour_source"] = np.where(covered, "star frame", found.stars["colour_source"])
    reason = _told_star_frame(joined, ready.calibrated, star_field.name)
    of_its_split = tuple(f"{star_field.name}: {note}" for note in star_field.split.notes)
    beyond = () if covered.all() else (f"stars beyond {star_field.name}: {colours.reason}",)
    found = _by_star_frame(found, reason, (*beyond, *joined.notes, *of_its_split))
    return Recoloured(
        nebula=joined.starless,
        stars=joined.stars,
        starry=None,
        colours=colours,
        frame=frame,
        check=_with_notes_of(found, parts),
        shapes=parts.profile_map,
        history=(*history, f"starcal: {reason}"),
        star_frame=joined,
    )


def _by_star_frame(found: CheckResult, reason: str, notes: tuple[str, ...]) -> CheckResult:
    """The check of a frame whose stars are those of a calibrated one."""
    steps = tuple(step for step in found.verdict.next_steps if step != SEPARATE_STARS)
    return replace(
        found,
        verdict=replace(found.verdict, next_steps=steps),
        route="star frame",
        route_reason=reason,
        notes=(*found.notes, *notes),
    )


def _in_star_frame(stars: Table, coverage: np.ndarray) -> np.ndarray:
    """Which stars stand where a star frame reaches, (n,)."""
    return coverage[pixels_at(stars["x_px"].value, stars["y_px"].value, coverage.shape)]


def _told_star_frame(joined: StarFrame, calibrated: Calibrated, name: str) -> str:
    """What a star frame gave."""
    share, gains = 100 * joined.registration.overlap_share, calibrated.check.gains
    return (
        f"stars of {name}, calibrated by gains (R {gains[0]:.3f}, B {gains[2]:.3f}), "
        f"cover {share:.0f} % of the frame"
    )


def _for_star_frame(choices: Choices) -> Choices:
    """The same catalogue and neutral star; what was said of the nebula frame is not true of this
    one."""
    return Choices(
        sky="keep",
        neutral_bv=choices.neutral_bv,
        catalogue=choices.catalogue,
        columns=choices.columns,
        bands=choices.bands,
        online=choices.online,
        timeout=choices.timeout,
    )


def _star_field(calibrated: Calibrated) -> Field:
    stars = measure_stars(calibrated.pixels)
    return Field(
        split(calibrated.pixels, stars),
        stars,
        require_wcs(calibrated.frame),
        calibrated.frame.name,
    )


# --- parts ------------------------------------------------------------------------------


def _with_starless(parts: Split, frame: Frame, starless: Frame, found: CheckResult) -> Split:
    """The same split with the user's starless frame inside the footprints."""
    plausible_starless(frame.pixels, starless.pixels, found.stars)
    nebula = replace(parts.nebula, hidden=starless.pixels[:, parts.footprint])
    stars = np.where(parts.footprint, frame.pixels - starless.pixels, 0)
    return replace(parts, nebula=nebula, stars=stars)
