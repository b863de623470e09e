"""Where a frame is on the sky, by its stars: the one entrance to this folder."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from astropy.table import Table
from astropy.wcs import WCS
from numpy.typing import NDArray

from ..catalogue import CatalogueStars, embedded, separation_from_deg
from ..catalogue.choose import Choice, Source, magnitude_limit, source_of, stars_around
from ..choices import Choices
from ..errors import NoWCSError
from ..frame import (
    ONE_SOLUTION_PX,
    Frame,
    corners_apart_px,
    pixel_scale_arcsec,
    pixels_of,
    require_wcs,
)
from ..robust import middle_px
from ..stars import displayed_mag, instrumental_mag, places_of
from ..texts import told_shortly
from .bend import BothSides, nearer, straightened
from .hints import Hints, hints_from_header, hours_advice, lacks_only_scale
from .match import MIN_PAIRS, Match, WCSError
from .plate import PLATE_LEVELS
from .solve import MATCH_MARGIN_PX, Solution, refine, solve

POOR_WCS_PX = 15.0  # at a corner, half of what a match bears: from there on the WCS is replaced
EMBEDDED = source_of(Choices())


@dataclass(frozen=True, kw_only=True, eq=False)
class Located:
    """Where a frame is, and which of its stars the catalogue has; with the evidence.

    Attributes
    ----------
    how : str
        "nowhere": there was nothing to go by, or nothing that could be believed; "own": the frame's
        WCS was taken (whether it fits says ``match.credible``); "solved": found from hints;
        "replaced": the stars vouch for a better one than the frame's own.
    wcs : WCS or None
        Where the frame is by its stars, to be kept; None where they do not tell.
    replacement : WCS or None
        What takes the place of the frame's own WCS; None where that serves.
    match : Match or None
        Pairs of stars and catalogue by that WCS; None without one.
    catalogue : CatalogueStars or None
        What the catalogue has on and round the frame.
    before : WCSError or None
        How far the frame's own WCS is off; None where it had none, or where nothing fits.
    distortion : str
        What ``replacement`` consists of, one of `plate.PLATE_LEVELS`.
    notes : tuple of str
        What was done, in plain sentences.
    why_not : str
        Why hints did not lead to a WCS; empty without hints.
    lacks : str
        What a header that tells the place alone lacks of hints, and what to type; else empty.
    """

    how: str
    wcs: WCS | None = field(default=None, repr=False)
    replacement: WCS | None = field(default=None, repr=False)
    match: Match | None = None
    catalogue: CatalogueStars | None = None
    before: WCSError | None = None
    distortion: str = PLATE_LEVELS[0]
    notes: tuple[str, ...] = ()
    why_not: str = ""
    lacks: str = ""

    __repr__ = told_shortly

    @property
    def vouched(self) -> bool:
        """Whether the stars agree with it."""
        return self.match is not None and self.match.credible


def locate(
    stars: Table,
    frame: Frame,
    source: Source,
    hints: Hints | None = None,
    *,
    stretched: bool = False,
) -> Located:
    """Find where a frame is on the sky.

    A WCS that fits the stars is taken, bent to them where they show distortion; a poor one is put
    right; without one, or where nothing else fits, hints lead to it.

    Parameters
    ----------
    stars : Table
        As `stars.measure_stars` makes it.
    frame : Frame
        Its WCS, header, date and size count.
    source : catalogue.choose.Source
        Which catalogue to ask.
    hints : Hints, optional
        By default what the header tells, where it has no WCS.
    stretched : bool
        The frame holds display values: where the light of the stars does not lead to a place that
        they vouch for, how large they are displayed may.

    Returns
    -------
    Located
    """
    task = _Task(places_of(stars), instrumental_mag(stars), frame, source)
    located = _where_it_is(task, hints)
    if not stretched or located.vouched:
        return located
    by_size = _where_it_is(replace(task, mag=displayed_mag(frame.pixels, stars)), hints)
    return by_size if by_size.vouched else located


def _where_it_is(task: "_Task", hints: Hints | None) -> Located:
    """By the frame's own WCS, or by hints where it has none."""
    if task.frame.wcs is not None:
        return _by_own_wcs(task, hints)
    try:
        hints = hints or hints_from_header(task.frame.header)
    except NoWCSError:
        lacks = lacks_only_scale(task.frame.header)
        return Located(how="nowhere", lacks=lacks, notes=_not_asked(task.source))
    solution = _solved(task, hints)
    if solution.wcs is None:
        why_not = solution.message + hours_advice(hints)
        return Located(how="nowhere", why_not=why_not)
    return _by_solution(task, solution, f"no WCS in the header: {solution.message}")


def _not_asked(source: Source) -> tuple[str, ...]:
    """That the catalogue asked for serves nothing."""
    if source.name == EMBEDDED.name:
        return ()
    return (f"nothing tells where the frame points: the catalogue {source.name} was not used",)


@dataclass(frozen=True, eq=False)
class _Task:
    """Stars of a frame, their places and magnitudes, and whom to ask."""

    xy_px: NDArray
    mag: NDArray
    frame: Frame
    source: Source

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.frame.pixels.shape[1:]

    def beside(self, choice: Choice) -> BothSides:
        """The stars beside those of a catalogue."""
        return BothSides(self.xy_px, self.mag, self.shape, choice.stars)


def _by_own_wcs(task: _Task, hints: Hints | None) -> Located:
    """By the WCS that the frame came with, or by a better one where that does not fit."""
    choice = _catalogue_field(task, task.frame.wcs)
    sides = task.beside(choice)
    match = sides.match(task.frame.wcs)
    own = Located(how="own", match=match, catalogue=choice.stars, notes=choice.notes)
    if match.credible:
        own = replace(own, notes=(*_place_unused(task, hints), *own.notes))
        return _settled_wcs(own, match, task.frame.wcs, sides)
    turned = _counted_otherwise(task)
    if turned is not None:
        return turned
    solution = _put_right(task, choice, hints)
    note = f"by the header's WCS no more stars than by chance are paired: {solution.message}"
    if solution.wcs is not None:
        return _by_solution(task, solution, note)
    if match.in_frame.sum() < MIN_PAIRS:
        return own  # too few stars to say anything of the WCS
    return replace(own, notes=(note, *own.notes))


def _place_unused(task: _Task, hints: Hints | None) -> tuple[str, ...]:
    """That the place asked for is another than that of the WCS, for which the stars speak."""
    if hints is None:
        return ()
    *middle, radius_deg = field_of(task.frame)
    apart_deg = float(separation_from_deg(hints.ra_deg, hints.dec_deg, *middle))
    if apart_deg <= radius_deg:
        return ()
    return (
        f"the place that was asked for is {apart_deg:.1f} degrees from where the frame's WCS puts "
        "it: the stars agree with the WCS, which was taken",
    )


def _counted_otherwise(task: _Task) -> Located | None:
    """By the same WCS with its rows counted from the other end, where the file left that open and
    the stars say so."""
    wcs = task.frame.wcs_other_way
    if wcs is None:
        return None
    choice = _catalogue_field(task, wcs)
    sides = task.beside(choice)
    match = sides.match(wcs)
    if not match.credible:
        return None
    note = (
        "by the stars the WCS counts rows from the other end of the picture: it was turned over"
    )
    located = Located(
        how="replaced",
        replacement=wcs,
        match=match,
        catalogue=choice.stars,
        notes=(note, *choice.notes),
    )
    return _settled_wcs(located, match, wcs, sides)


def _by_solution(task: _Task, solution: Solution, note: str) -> Located:
    """By a WCS that the stars have told."""
    choice = _catalogue_field(task, solution.wcs)
    sides = task.beside(choice)
    match = sides.match(solution.wcs)
    located = Located(
        how="solved" if solution.given is None else "replaced",
        replacement=solution.wcs,
        match=match,
        catalogue=choice.stars,
        before=solution.given,
        distortion=solution.distortion,
        notes=(note, *choice.notes),
    )
    return _settled_wcs(located, match, solution.wcs, sides) if match.credible else located


def _solved(task: _Task, hints: Hints) -> Solution:
    """Ask the embedded catalogue, which is at hand, and then the one that was named."""
    near = task.source.name in ("embedded", "auto")
    for source in (task.source,) if near else (EMBEDDED, task.source):
        stars_of = _catalogue_stars_of(source, task.frame)
        solution = solve(task.xy_px, task.mag, task.shape, stars_of, hints)
        if solution.wcs is not None:
            break
    return solution


def _put_right(task: _Task, choice: Choice, hints: Hints | None) -> Solution:
    """A WCS near the frame's own, else one from hints."""

    def asked_already(*circle) -> CatalogueStars:
        return choice.stars

    stars_of = asked_already
    if choice.source == "embedded":
        stars_of = _catalogue_stars_of(task.source, task.frame)
    solution = refine(task.frame.wcs, task.xy_px, task.mag, task.shape, stars_of)
    if solution.wcs is None and hints is not None:
        solution = _solved(task, hints)
    return solution


def _settled_wcs(
    located: Located,
    match: Match,
    wcs: WCS,
    sides: BothSides,
) -> Located:
    """The WCS that the stars vouch for, and the match by it: a new one where they show distortion
    or a poor one."""
    own = located.replacement is None
    better_wcs, better, distortion = straightened(wcs, match, sides)
    fitted = nearer(better_wcs, better, sides)
    bearable_px = POOR_WCS_PX if own else ONE_SOLUTION_PX
    if corners_apart_px(better_wcs, fitted, sides.shape) > bearable_px:
        better_wcs, better = fitted, sides.match(fitted)
    before = located.before
    if own:
        scatter_px = sides.scatter_px(wcs, better)
        before = WCSError(match.offset_px, match.rotation_deg, match.scale_error, scatter_px)
    located = replace(located, match=better, before=before, wcs=located.replacement or fitted)
    if better_wcs is wcs:
        return located
    return replace(
        located,
        how="replaced" if own else located.how,
        replacement=better_wcs,
        wcs=better_wcs,
        distortion=distortion,
    )


# --- the catalogue round a frame --------------------------------------------------------


def field_of(frame: Frame) -> tuple[float, float, float]:
    """Centre and radius, degrees, of the circle round a frame with a WCS in which catalogue stars
    are wanted.

    Parameters
    ----------
    frame : Frame
        With a WCS.

    Returns
    -------
    tuple of float

    Raises
    ------
    NoWCSError
        The frame has none.
    """
    return _circle(require_wcs(frame), frame.pixels.shape[1:])


def _circle(wcs: WCS, shape: tuple[int, int]) -> tuple[float, float, float]:
    height, width = shape
    ra, dec = wcs.all_pix2world(*middle_px(shape), 0)
    radius = (np.hypot(height, width) / 2 + MATCH_MARGIN_PX) * pixel_scale_arcsec(wcs) / 3600
    return float(ra) % 360, float(dec), min(radius, 90.0)


def _catalogue_field(task: _Task, wcs: WCS) -> Choice:
    """The catalogue's stars on and round the frame, at its epoch, as deep as the frame."""
    circle, limit_mag = _circle(wcs, task.shape), None
    if task.source.name != "embedded":
        near = embedded.cone(*circle)
        x, y = pixels_of(wcs, near.ra_deg, near.dec_deg)
        inside_x = (x > -0.5) & (x < task.shape[1] - 0.5)
        inside = inside_x & (y > -0.5) & (y < task.shape[0] - 0.5)
        limit_mag = magnitude_limit(task.mag, near.v_mag[inside])
    return _choice(task.source, task.frame, circle, limit_mag)


def _catalogue_stars_of(
    source: Source, frame: Frame
) -> Callable[[float, float, float], CatalogueStars]:
    """Stars of a catalogue within any circle, at the frame's epoch."""
    return lambda ra_deg, dec_deg, radius_deg: (
        _choice(source, frame, (ra_deg % 360, dec_deg, radius_deg)).stars
    )


def _choice(
    source: Source,
    frame: Frame,
    circle: tuple[float, float, float],
    limit_mag: float | None = None,
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
