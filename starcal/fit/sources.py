"""A B-V for every star, from all that is known of it: catalogue, continuum, and the field."""

from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table

from ..colour.palette import Palette
from ..errors import TooFewStars
from ..stars import Flag
from ..texts import counted
from .continuum import (
    FIELD_BV_MAG,
    TOLD_CATALOGUE_FACTOR,
    TOLD_SLANT_MAG,
    WRONG_SHARE,
    WRONG_SHARE_CROWDED,
    WRONG_SHARE_CUT,
    ContinuumFit,
    Seen,
    fit_continuum,
    magnitudes,
    with_errors_times,
)
from .gains import MIN_STARS
from .posterior import StarPosterior, star_posteriors

# What each source is to a photographer; the first ones are a star's own, the others are given.
OWN_WORDS = {
    "star frame": "its own, in the separate star frame",
    "catalogue": "its own, in the catalogue",
    "continuum": "its own light in this frame",
    "catalogue+continuum": "the catalogue and its own light together",
    "catalogue+field spread": "the catalogue, and its place in the field's spread",
    "kept": "its own, as it was in the picture",
    "own hue": "its own hue, moved to the nearest colour of stars",
}
GIVEN_WORDS = {
    "field spread": "given: its place in the field's spread, the scale assumed",
    "field median": "given: usual for the field and its brightness",
    "palette": "given: synthetic",
}
GIVEN = {
    "field spread": "put in order by the field's own spread of colours, the scale assumed",
    "field median": "given the colour usual for their field and brightness",
    "palette": "given a synthetic colour",
}
NEARLY_ALL = 0.98  # of a variance: what is left is not known so well
MAIN_SHARE = 0.6  # of the knowledge: a source with more is named alone
USUAL_SPREAD_MAG = 0.35  # of B-V in a usual field
DOUBLE_ERROR_MAG, POOR_ERROR_MAG = 0.05, 0.1  # of a catalogue's B-V, besides the stated
NOT_FOR_RATIOS = Flag.SATURATED | Flag.EDGE  # a clipped or cut star has no ratio
NOT_FOR_FIELD = NOT_FOR_RATIOS | Flag.BLENDED | Flag.FAINT | Flag.SHAPE | Flag.LEFT_OUT
NOT_FOR_TRAINING = NOT_FOR_FIELD | Flag.NO_MATCH | Flag.NO_BV | Flag.DOUBLE | Flag.MISMATCH
NOT_FOR_CATALOGUE = Flag.NO_MATCH | Flag.NO_BV | Flag.MISMATCH


@dataclass(frozen=True, kw_only=True, eq=False)
class StarColours:
    """B-V of every star of a table.

    Attributes
    ----------
    bv_mag, bv_error_mag : ndarray, shape (n,)
        Never NaN.
    source : ndarray of str, shape (n,)
        catalogue, continuum, catalogue+continuum, field spread, field median, or palette.
    route : str
        The best source that many stars rest on: continuum, catalogue or palette.
    reason : str
        Why this route and no better one.
    continuum : ContinuumFit or None
        The relation, where stars were measured; look at its ``refused``.
    """

    bv_mag: np.ndarray
    bv_error_mag: np.ndarray
    source: np.ndarray
    route: str
    reason: str
    continuum: ContinuumFit | None

    def tally(self) -> dict[str, int]:
        """Count the stars of each source."""
        return source_tally(self.source)


def source_tally(source: np.ndarray) -> dict[str, int]:
    """Count the entries of each name.

    Parameters
    ----------
    source : ndarray of str, (n,)

    Returns
    -------
    dict
    """
    names, counts = np.unique(np.asarray(source), return_counts=True)
    return {str(name): int(count) for name, count in zip(names, counts, strict=True)}


def own_and_given(source: np.ndarray) -> tuple[int, int]:
    """How many stars have a colour of their own, and how many were given one.

    Parameters
    ----------
    source : ndarray of str, (n,)
        Where each star's colour is from; empty for what is no star.

    Returns
    -------
    tuple of int
    """
    tally = source_tally(source)
    own = sum(count for name, count in tally.items() if name in OWN_WORDS)
    return own, sum(count for name, count in tally.items() if name) - own


def told_own(source: np.ndarray) -> str:
    """How many stars have a colour of their own, and what the others were given, in words.

    Parameters
    ----------
    source : ndarray of str, (n,)
        Where each star's colour is from.

    Returns
    -------
    str
    """
    tally = source_tally(source)
    own, given = own_and_given(source)
    parts = [f"{own} of {counted(own + given, 'star')} with a colour of their own"]
    parts += [f"{tally[name]} {words}" for name, words in GIVEN.items() if name in tally]
    return "; ".join(parts)


def choose_colours(
    stars: Table, flux: np.ndarray, flux_error: np.ndarray, route: str = "best"
) -> StarColours:
    """Give every star the median B-V by all that is known of it.

    Parameters
    ----------
    stars : Table
        A star table that `checking.check` has gone over: with ``flags`` and, after a match,
        ``bv_mag``, its ``bv_fit_error_mag`` and ``v_mag``; ``meta["lines"]`` may name the lines in
        R, G and B.
    flux, flux_error : ndarray, shape (3, n)
        Of the same stars, in the linear frame as it is; NaN or not positive where unknown.
    route : {"best", "catalogue", "continuum"}
        Whether to use all sources, or one alone.

    Returns
    -------
    StarColours

    Raises
    ------
    TooFewStars
        One source alone was asked for, and no star has it.
    """
    seen = _seen(stars, flux, flux_error)
    fit = fit_continuum(seen, stars.meta.get("lines", ""))
    seen = with_errors_times(seen, fit.catalogue_factor)
    told = star_posteriors(None if fit.refused else fit.frame, fit.evidence)
    if route == "best":
        return _combined(told, fit, seen, "all")
    return _from_one(route, told, fit, seen)


def _seen(stars: Table, flux: np.ndarray, flux_error: np.ndarray) -> Seen:
    """The table as arrays, what must not be used left out."""
    flags = np.asarray(stars["flags"])
    mag, error_mag = magnitudes(flux, flux_error)
    whole = flags & NOT_FOR_RATIOS == 0
    listed = _column(stars, "bv_mag")
    bv_error_mag = _column(stars, "bv_fit_error_mag")
    known = flags & NOT_FOR_CATALOGUE == 0
    known &= np.isfinite(listed) & np.isfinite(bv_error_mag)
    return Seen(
        mag=_only(whole, mag),
        error_mag=_only(whole, error_mag),
        bv_mag=_only(known, listed),
        bv_error_mag=_only(known, _widened(bv_error_mag, flags)),
        v_mag=_only(known, _column(stars, "v_mag")),
        wrong_share=_wrong_share(flags),
        clean=known & (flags & NOT_FOR_TRAINING == 0) & np.isfinite(mag).all(axis=0),
        other=~known & (flags & NOT_FOR_FIELD == 0),
        place=_places_on_frame(stars),
    )


def _places_on_frame(stars: Table) -> np.ndarray:
    """Along x and y, -0.5 to 0.5 from edge to edge, (2, n); NaN where the frame is not known."""
    height, width = stars.meta.get("shape", (np.nan, np.nan))
    across = (_column(stars, "x_px") + 0.5) / width - 0.5
    up = (_column(stars, "y_px") + 0.5) / height - 0.5
    return np.array([across, up])


def _only(chosen: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Values of the chosen stars, NaN for the others."""
    return np.where(chosen, values, np.nan)


def _widened(bv_error_mag: np.ndarray, flags: np.ndarray) -> np.ndarray:
    """Errors of the catalogue with what its flags add."""
    double = DOUBLE_ERROR_MAG * (flags & Flag.DOUBLE > 0)
    poor = POOR_ERROR_MAG * (flags & Flag.POOR_BV > 0)
    return np.hypot(np.hypot(bv_error_mag, double), poor)


def _column(stars: Table, name: str) -> np.ndarray:
    if name not in stars.colnames:
        return np.full(len(stars), np.nan)
    return np.asarray(stars[name], float)


def _wrong_share(flags: np.ndarray) -> np.ndarray:
    """Chance that a catalogue entry is far from the star that stands there."""
    crowded = flags & (Flag.BLENDED | Flag.DOUBLE) > 0
    cut = flags & NOT_FOR_RATIOS > 0
    # a clipped star is the brightest where it stands: its entry is not a neighbour's
    return np.select([cut, crowded], [WRONG_SHARE_CUT, WRONG_SHARE_CROWDED], WRONG_SHARE)


def _from_one(route: str, told: StarPosterior, fit: ContinuumFit, seen: Seen) -> StarColours:
    """One source alone; stars without it are held by what is known of the field."""
    has_ratio = np.isfinite(fit.evidence.ratio_mag).all(axis=0) & (fit.refused == "")
    known = {"catalogue": np.isfinite(seen.bv_mag), "continuum": has_ratio & _is_fixed(fit)}[
        route
    ]
    count = int(np.count_nonzero(known))
    if not count:
        why = "no star is matched" if route == "catalogue" else _why_no_relation(fit)
        raise TooFewStars(
            f"--route {route} asked for, but {why}: use --route best", found=0, needed=1
        )
    made = _combined(told, fit, seen, "ratios" if route == "continuum" else route)
    reason = f"the {route} alone was asked for; {counted(count, 'star')} with a colour by it"
    return replace(made, route=route, reason=reason)


def _is_fixed(fit: ContinuumFit) -> bool:
    """Whether a matched star tells the relation's zero point."""
    return bool(fit.used.any())


def _why_no_relation(fit: ContinuumFit) -> str:
    return fit.refused or "no clean matched star for a continuum relation"


def _combined(
    told: StarPosterior, fit: ContinuumFit, seen: Seen, knowledge: str
) -> StarColours:
    """Middle and error by some of the knowledge, and where it is from."""
    bv_mag = told.middle_mag[knowledge].copy()
    error_mag = told.error_mag(knowledge)
    name = "continuum" if _is_fixed(fit) else "field spread"
    source = _sources(told, seen, knowledge, name)
    if not np.isfinite(seen.bv_mag).any():
        unknown = source == "field median"
        source[unknown] = "palette"
        bv_mag[unknown], error_mag[unknown] = FIELD_BV_MAG, USUAL_SPREAD_MAG
    route, reason = _route(source, fit)
    return StarColours(
        bv_mag=bv_mag,
        bv_error_mag=error_mag,
        source=source,
        route=route,
        reason=reason,
        continuum=fit,
    )


def _sources(told: StarPosterior, seen: Seen, knowledge: str, name: str) -> np.ndarray:
    """What each star's colour rests on most, by the inverse variances that each part adds."""
    field = 1 / told.variance_mag2["field"]
    ratios = np.maximum(1 / told.variance_mag2["ratios"] - field, 0) * (
        knowledge != "catalogue"
    )
    listed = np.nan_to_num(seen.bv_error_mag**-2.0) * (knowledge != "ratios")
    total = field + ratios + listed
    measured = ratios + listed
    source = np.select(
        [
            measured < (1 - MAIN_SHARE) * total,
            listed > MAIN_SHARE * measured,
            ratios > MAIN_SHARE * measured,
        ],
        ["field median", "catalogue", name],
        f"catalogue+{name}",
    )
    return source.astype("U24")


def _route(source: np.ndarray, fit: ContinuumFit) -> tuple[str, str]:
    """The route that many stars took, and why."""
    if not fit.refused and _is_fixed(fit):
        return "continuum", _told_relation(fit)
    if np.any(source == "catalogue"):
        count = counted(np.count_nonzero(source == "catalogue"), "star")
        return "catalogue", f"the catalogue has the colour of {count}; {_why_no_relation(fit)}"
    if not fit.refused and np.any(source == "field spread"):
        return "palette", (
            f"no star is matched: assuming that {fit.assumed}, the field's own spread of colours "
            "is laid on the usual one; not measured"
        )
    return (
        "palette",
        "no star is matched and the channels show no sequence of colours: one yellow-white for all",
    )


def _told_relation(fit: ContinuumFit) -> str:
    """What the relation rests on."""
    matched = counted(np.count_nonzero(fit.used), "matched star")
    share = f"{100 * fit.explained:.0f} %" if fit.explained < NEARLY_ALL else "nearly all"
    told = (
        f"how the channels go with B-V was learnt from {matched}, and explains {share} of what "
        f"their colours differ by beyond the catalogue's errors; {fit.assumed}"
    )
    if np.count_nonzero(fit.used) < MIN_STARS:
        told = (
            f"{matched} fixed the zero point of a relation between the channels and B-V whose "
            f"slope is that of real stars through such filters; {fit.assumed}"
        )
    if fit.slants is not None and fit.slants.largest_mag > TOLD_SLANT_MAG:
        told += (
            f"; from edge to edge the channels' ratios change by {fit.slants.largest_mag:.2f} mag, "
            "as uneven flats make them, which is taken out"
        )
    if fit.catalogue_factor > TOLD_CATALOGUE_FACTOR:
        told += (
            f"; the catalogue's B-V err {fit.catalogue_factor:.1f} times as much as stated, as the "
            "stars' own light tells"
        )
    return told


def from_palette(palette: Palette) -> StarColours:
    """Every star from a palette that was asked for.

    Parameters
    ----------
    palette : Palette

    Returns
    -------
    StarColours
    """
    n = len(palette.bv_mag)
    return StarColours(
        bv_mag=palette.bv_mag,
        bv_error_mag=np.full(n, USUAL_SPREAD_MAG),
        source=np.full(n, "palette", "U24"),
        route="palette",
        reason=palette.label,
        continuum=None,
    )
