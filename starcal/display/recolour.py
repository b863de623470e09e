"""A stretched picture whose stars get the colours of stars, one by one; all else stays as it is."""

from dataclasses import dataclass, field

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..audit.shown import (
    DisplayProfiles,
    layer_background,
    ring_medians,
    what_is_shown,
)
from ..colour.palette import star_colours
from ..colour.stellar import rgb_to_uv_prime
from ..layers.fill import fill
from ..robust import pixels_at
from ..stars import Flag
from .curve import ToneCurve, fit_curve
from .targets import Parts, Targets, choose_targets, parts_of
from .transfer import footprint_window, paint, recoloured

DARKEST = 1e-4  # of a channel of a colour, whatever saturation is asked for
HIGHEST_GROUND = 0.98
HARDLY_MOVED_UV = 0.006  # a possible star that a catalogue would move by less stays


@dataclass(frozen=True, eq=False, kw_only=True)
class DisplayColours:
    """A picture with new star colours, and how they came about.

    Attributes
    ----------
    picture : ndarray, (3, y, x) float32
        Display values; bit for bit the input outside ``footprint``.
    footprint : ndarray of bool, (y, x)
    ground : ndarray, (3, y, x)
        The picture without its stars.
    curve : ToneCurve
    saturation : float
        Of the picture against plain light.
    star : ndarray of bool, (n,)
        Which rows of the table passed for stars.
    source, bv_mag : ndarray, (n,)
        Where each star has its colour from (empty: no star, ``kept``: its own), and the B-V.
    impossible_before, impossible_after : int
        Impossible cores and rims of all that passed for stars.
    parts_judged : int
    reverted : int
        Stars that got their colour back because the new one was no better.
    """

    picture: NDArray = field(repr=False)
    footprint: NDArray = field(repr=False)
    ground: NDArray = field(repr=False)
    curve: ToneCurve
    saturation: float
    star: NDArray = field(repr=False)
    source: NDArray = field(repr=False)
    bv_mag: NDArray = field(repr=False)
    impossible_before: int
    impossible_after: int
    parts_judged: int
    reverted: int


def recolour_display(
    display: NDArray,
    stars: Table,
    *,
    catalogue_bv: NDArray | None = None,
    catalogue_error: NDArray | None = None,
    v_mag: NDArray | None = None,
    impossible: NDArray | None = None,
    neutral_bv: float | None,
    usual_bv: float,
    all_usual: bool = False,
    warmth: float = 1.0,
    saturation: float = 1.0,
) -> DisplayColours:
    """Give the stars of a stretched picture star colours.

    Each star gets the colour of its B-V at the luminance it has; one whose core and rim would be
    impossible more often than before keeps its own. Nothing but footprints of stars changes.

    Parameters
    ----------
    display : ndarray, (3, y, x) float32
        Display values in [0, 1]; NaN where there are none.
    stars : Table
        Of `stars.measure_stars`, n rows.
    catalogue_bv, catalogue_error, v_mag : ndarray, (n,), optional
        Of the star that a catalogue knows at each place, NaN where none.
    impossible : ndarray of bool, (n,), optional
        Stars that are not to keep their colour, though it may look possible here.
    neutral_bv : float or None
        B-V of the star that is shown neutral.
    usual_bv : float
        For stars of which nothing is known.
    all_usual : bool
        Give it to all stars, whatever is known.
    warmth, saturation : float
        1 is true; see `colour.palette.star_colours`.

    Returns
    -------
    DisplayColours
        The picture, the same size and NaN where it was, with what led to it.

    See Also
    --------
    targets.choose_targets : Which B-V each star gets, and from where.
    transfer.recoloured : How a colour is put on.
    """
    shown = np.clip(np.nan_to_num(display), 0, 1).astype(np.float32)
    known = {
        "catalogue_bv": _or_unknown(catalogue_bv, len(stars)),
        "catalogue_error": _or_unknown(catalogue_error, len(stars)),
        "v_mag": _or_unknown(v_mag, len(stars)),
    }
    seen = what_is_shown(shown, stars, np.isfinite(known["catalogue_bv"]))
    star = seen.star
    found = seen.found.pick(star)
    ground = _ground(shown, found)
    if seen.starlit.any():
        ground = np.where(seen.starlit, layer_background(shown), ground)
    under = _at(ground, found)
    curve = _curve_of(found, np.asarray(stars["flags"])[star], under)
    parts = parts_of(found.rings, found, under, neutral_bv)
    known = {name: values[star] for name, values in known.items()}
    odd = np.zeros(len(parts.core), bool) if impossible is None else impossible[star]
    targets = choose_targets(
        found,
        parts,
        curve,
        under,
        **known,
        odd=odd,
        neutral_bv=neutral_bv,
        usual_bv=usual_bv,
    )
    if all_usual:
        targets = _all_of(usual_bv, targets)
    before = _Picture(
        display=shown,
        ground=ground,
        curve=curve,
        saturation=targets.saturation,
        neutral_bv=neutral_bv,
        taste=(warmth, saturation),
        starlit=seen.starlit,
    )
    made = _painted_if_better(before, found, under, parts, targets)
    return _with_evidence(display, before, star, parts, targets, made)


def _or_unknown(values: NDArray | None, n: int) -> NDArray:
    """What a catalogue knows of n stars; NaN if it was not asked."""
    return np.full(n, np.nan) if values is None else values


@dataclass(frozen=True, eq=False, kw_only=True)
class _Painted:
    """A painted picture, what it may differ in, and the stars that were given back their colour."""

    picture: NDArray
    footprint: NDArray
    parts: Parts
    worse: NDArray


def _painted_if_better(
    before: "_Picture", found: DisplayProfiles, under: NDArray, parts: Parts, targets: Targets
) -> _Painted:
    """Paint all, judge, and paint again without the stars that are no better."""
    taken = np.isfinite(targets.bv_mag)
    first, _ = before.painted(found, targets, taken)
    worse = taken & ~_better(parts, before.judged(first, found, under), targets.source)
    picture, footprint = before.painted(found, targets, taken & ~worse)
    after = before.judged(picture, found, under)
    return _Painted(picture=picture, footprint=footprint, parts=after, worse=worse)


def _with_evidence(
    display: NDArray,
    before: "_Picture",
    star: NDArray,
    parts: Parts,
    targets: Targets,
    made: _Painted,
) -> DisplayColours:
    """The picture with what led to it; NaN stay, and all outside footprints."""
    source, bv_mag = _per_row(star, targets, made.worse)
    painted = _beyond_display(display, before.display, made.picture)
    return DisplayColours(
        picture=np.where(made.footprint, painted, display),
        footprint=made.footprint,
        ground=before.ground,
        curve=before.curve,
        saturation=targets.saturation,
        star=star,
        source=source,
        bv_mag=bv_mag,
        impossible_before=int(parts.impossible.sum()),
        impossible_after=int(made.parts.impossible.sum()),
        parts_judged=_judged_parts(parts),
        reverted=int(made.worse.sum()),
    )


def _beyond_display(display: NDArray, shown: NDArray, painted: NDArray) -> NDArray:
    """What was painted, NaN where there was no data; floats beyond black and white change by as
    much as what is shown of them."""
    beyond = (display < 0) | (display > 1)
    painted = np.where(beyond, display + (painted - shown), painted)
    return np.where(np.isnan(display), np.float32(np.nan), painted)


def _all_of(bv_mag: float, targets: Targets) -> Targets:
    """One B-V for every star."""
    n = len(targets.bv_mag)
    palette = np.full(n, "palette")
    return Targets(bv_mag=np.full(n, bv_mag), source=palette, saturation=targets.saturation)


def _per_row(star: NDArray, targets: Targets, worse: NDArray) -> tuple[NDArray, NDArray]:
    """Source and B-V of every row of the star table; empty and NaN where there is no star."""
    source, bv_mag = np.full(len(star), "", "U10"), np.full(len(star), np.nan)
    source[star] = np.where(worse, "kept", targets.source)
    bv_mag[star] = np.where(worse, np.nan, targets.bv_mag)
    return source, bv_mag


def _judged_parts(parts: Parts) -> int:
    """How many cores and rims were judged."""
    return sum(int((kind != "unknown").sum()) for kind in (parts.core_kind, parts.rim_kind))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Picture:
    """What does not change while stars are painted and judged."""

    display: NDArray
    ground: NDArray
    curve: ToneCurve
    saturation: float
    neutral_bv: float | None
    taste: tuple[float, float]  # warmth and saturation
    starlit: NDArray  # where it is a star layer

    def painted(
        self, found: DisplayProfiles, targets: Targets, rows: NDArray
    ) -> tuple[NDArray, NDArray]:
        """The picture with some of the stars coloured, and where it may differ."""
        rgb = star_colours(targets.bv_mag[rows], self.neutral_bv, *self.taste)
        log_colour = np.log(np.maximum(rgb, DARKEST))
        painted = paint(
            found.pick(rows),
            log_colour,
            self.display,
            self.ground,
            self.curve,
            own=targets.source[rows] == "own hue",
            starlit=self.starlit,
        )
        made = recoloured(
            self.display,
            self.ground,
            painted,
            self.curve,
            self.saturation,
            asked=self.taste[1],
        )
        return made, painted.weight > 0

    def judged(
        self,
        picture: NDArray,
        found: DisplayProfiles,
        under: NDArray,
    ) -> Parts:
        """Cores and rims of the stars in a picture of these places."""
        furthest_px = int(np.ceil(2 * found.half_px.max(initial=1)))  # end of the widest rim
        furthest_px = min(furthest_px, found.rings.shape[2] - 1)
        rings = ring_medians(picture, found.x_px, found.y_px, furthest_px)
        return parts_of(rings, found, under, self.neutral_bv)


def _better(before: Parts, after: Parts, source: NDArray) -> NDArray[np.bool_]:
    """Stars without more impossible parts than before; possible ones only if they visibly moved."""
    moved = rgb_to_uv_prime(np.maximum(after.core, 1e-6)) - rgb_to_uv_prime(
        np.maximum(before.core, 1e-6)
    )
    still = (before.impossible == 0) & (source == "catalogue")
    still &= np.hypot(moved[:, 0], moved[:, 1]) < HARDLY_MOVED_UV
    return (after.impossible <= before.impossible) & ~still


def _ground(display: NDArray, found: DisplayProfiles) -> NDArray[np.float32]:
    """The picture filled in from around under the stars."""
    hidden = np.zeros(display.shape[1:], bool)
    for i in range(len(found.x_px)):
        window, radius = footprint_window(hidden.shape, found, i)
        hidden[window] |= radius <= found.reach_px[i] + 1
    weight = (~hidden).astype(np.float32)
    ground = display.copy()
    for index, plane in enumerate(display):
        filled = fill(np.where(hidden, 0, plane).astype(np.float32), weight, found.sigma)
        ground[index][hidden] = np.clip(filled, 0, HIGHEST_GROUND)[hidden]
    return _no_darker_than_floors(ground, found)


def _no_darker_than_floors(ground: NDArray, found: DisplayProfiles) -> NDArray[np.float32]:
    """A ground that is filled in from afar, where stars stand close, no darker than the floor on
    which each star stands: what a nebula is brighter would be taken for the star's light."""
    floors = np.clip(found.floor_colour, 0, HIGHEST_GROUND)
    raised = ground.copy()
    for i in np.flatnonzero(~_in_a_glow(found)):
        window, radius = footprint_window(ground.shape[1:], found, i)
        inside = radius <= found.reach_px[i] + 1
        here = raised[:, *window]
        here[:, inside] = np.maximum(ground[:, *window][:, inside], floors[i][:, None])
    return raised


def _in_a_glow(found: DisplayProfiles) -> NDArray[np.bool_]:
    """Stars that stand on the glow of a larger one, which is no ground."""
    standing = np.zeros(len(found.x_px), bool)
    for i in np.flatnonzero(found.glowing):
        away_px = np.hypot(found.x_px - found.x_px[i], found.y_px - found.y_px[i])
        standing |= (away_px < found.reach_px[i]) & (found.reach_px < found.reach_px[i])
    return standing


def _at(ground: NDArray, found: DisplayProfiles) -> NDArray:
    """Ground under each star's middle, (n, 3)."""
    row, column = pixels_at(found.x_px, found.y_px, ground.shape)
    return ground[:, row, column].T


def _curve_of(found: DisplayProfiles, flags: NDArray, under: NDArray) -> ToneCurve:
    """From the clean stars."""
    spoilt = flags & (Flag.EDGE | Flag.BLENDED) != 0
    clean = ~spoilt & ~found.saturated & ~found.textured & (found.roundness > 0.6)
    rows = np.flatnonzero(clean)
    if not len(rows):
        return fit_curve(found.rings[:0], under[:0], found.sigma, 1.0)
    half_px = float(np.median(found.half_px[rows]))
    return fit_curve(found.rings[rows], under[rows], found.sigma, half_px)
