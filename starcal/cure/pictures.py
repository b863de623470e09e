"""A stretched picture cured: its stars coloured one by one as they are displayed."""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..checking.result import CheckResult
from ..choices import Choices
from ..display import DisplayColours, recolour_display
from ..errors import HarmError, NotLinearError
from ..fit.sources import source_tally
from ..frame import Frame
from ..stars.linearity import advice
from ..texts import counted

ROUTES = ("best", "palette")  # of a stretched picture: sources cannot be had one by one
KNOWN_COLUMNS = ("bv_mag", "bv_error_mag", "v_mag")
SOURCE_WORDS = {
    "catalogue": "from the catalogue",
    "continuum": "from their own light",
    "own hue": "by their own hue",
    "field": "by the field's spread",
    "kept": "kept as they were",
    "palette": "synthetic",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class RecolouredPicture:
    """A stretched picture with new star colours.

    Attributes
    ----------
    picture : ndarray, (3, y, x) float32
        Display values; bit for bit the frame's outside ``changed``.
    changed : ndarray of bool, (y, x)
    starless : ndarray, (3, y, x)
        What the stars were taken to stand on.
    colours : DisplayColours
    check : CheckResult
        Its star table with the colours given, its route the one taken.
    history : tuple of str
    """

    picture: NDArray = field(repr=False)
    changed: NDArray = field(repr=False)
    starless: NDArray = field(repr=False)
    colours: DisplayColours
    check: CheckResult
    history: tuple[str, ...]


def recolour_picture(
    frame: Frame, found: CheckResult, choices: Choices, impossible: NDArray | None = None
) -> RecolouredPicture:
    """Colour the stars of a stretched picture.

    Parameters
    ----------
    frame : Frame
        Of display values.
    found : CheckResult
        Of the frame.
    choices : Choices
        ``route`` best or palette; ``bv`` is for stars of which nothing is known; ``warmth`` and
        ``saturation`` are for all that get a colour.
    impossible : ndarray of bool, (n,), optional
        Stars of the check whose colours an audit has found impossible: they do not keep them.

    Returns
    -------
    RecolouredPicture

    Raises
    ------
    NotLinearError
        A route was asked for that needs linear light.
    HarmError
        Fewer stars would not be impossible than are now.
    """
    if choices.route not in ROUTES:
        raise NotLinearError(
            f"{found.frame}: {found.linearity.reason}, and --route {choices.route} needs linear "
            f"light. {advice(found.linearity)}, or let `starcal run` choose the route."
        )
    colours = recolour_display(
        frame.pixels,
        found.stars,
        **_known_by_catalogue(found),
        impossible=impossible,
        neutral_bv=found.neutral_bv,
        usual_bv=choices.bv,
        all_usual=choices.route == "palette",
        warmth=choices.warmth,
        saturation=choices.saturation,
    )
    _require_better(found.frame, colours)
    tally = source_tally(colours.source[colours.star])
    told = _sources_in_words(tally, int((~colours.star).sum()))
    return RecolouredPicture(
        picture=frame.refill(np.array(colours.picture)),
        changed=colours.footprint,
        starless=colours.ground,
        colours=colours,
        check=_check_with_display_colours(found, colours, tally, told),
        history=_picture_history(colours, told),
    )


def _known_by_catalogue(found: CheckResult) -> dict[str, NDArray]:
    """What the catalogue says of each star, if the stars are surely those of the catalogue."""
    if found.match is None or not found.match.credible:
        return {}
    bv, error, v_mag = (_filled_column(found.stars, name) for name in KNOWN_COLUMNS)
    return {"catalogue_bv": bv, "catalogue_error": error, "v_mag": v_mag}


def _filled_column(stars: Table, name: str) -> NDArray:
    return np.ma.filled(np.ma.asarray(stars[name], float), np.nan)


def _require_better(name: str, colours: DisplayColours) -> None:
    """Refuse what would not help.

    Raises
    ------
    HarmError
    """
    if colours.impossible_after >= max(colours.impossible_before, 1):
        raise HarmError(
            f"{name}: {colours.impossible_before} cores and rims of "
            f"{counted(int(colours.star.sum()), 'star')} have impossible colours now, and "
            f"{colours.impossible_after} would have them afterwards: nothing was written. Keep the "
            f"picture, or give the frame from before the stretch."
        )


def _check_with_display_colours(
    found: CheckResult,
    colours: DisplayColours,
    tally: dict[str, int],
    told: str,
) -> CheckResult:
    """The check, its star table with what each star got."""
    stars = found.stars.copy()
    _list_colours(stars, colours)
    reason = f"{found.linearity.reason}; stars coloured as they are displayed: {told}"
    measured = tally.keys() & {"catalogue", "continuum"}
    best = max(sorted(measured), key=tally.__getitem__, default="palette")
    steps = tuple(step for step in found.verdict.next_steps if "`starcal run`" not in step)
    return replace(
        found,
        stars=stars,
        route=best,
        route_reason=reason,
        verdict=replace(found.verdict, next_steps=steps),
    )


def _list_colours(stars: Table, colours: DisplayColours) -> None:
    """B-V of each star, its error and its source, into the table."""
    stars["colour_bv_mag"] = colours.bv_mag
    known = colours.source == "catalogue"
    error = (
        _filled_column(stars, "bv_error_mag") if known.any() else np.full(len(stars), np.nan)
    )
    stars["colour_bv_error_mag"] = np.where(known, error, np.nan)
    stars["colour_source"] = colours.source


def _sources_in_words(tally: dict[str, int], others: int) -> str:
    """How many stars have their colour from where; none may be a star."""
    parts = [f"{count} {SOURCE_WORDS[name]}" for name, count in tally.items()]
    if not parts:
        return "none is surely a star"
    if others:
        parts.append(f"{others} left as they are, for they are not surely stars")
    return ", ".join(parts)


def _picture_history(colours: DisplayColours, told: str) -> tuple[str, ...]:
    how = "ratios kept" if colours.curve.keeps_ratios else "channel by channel"
    return (
        f"starcal: stars of a stretched picture recoloured, all else untouched: {told}",
        f"starcal: tone curve of steepness {colours.curve.steepness:.2f} ({how}), saturation "
        f"{colours.saturation:.2f}",
        f"starcal: impossible cores and rims {colours.impossible_before} before, "
        f"{colours.impossible_after} after, of {colours.parts_judged}",
    )
