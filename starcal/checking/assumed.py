"""Colour terms that are assumed where stars are few: which, and what is said of it."""

from dataclasses import replace

import numpy as np
from astropy.table import Table

from ..fit.gains import MIN_STARS, GainFit
from ..fit.responses import ColourTerms, usual_terms
from ..fit.sources import choose_colours
from ..fit.verdict import Verdict
from ..stars import in_channels
from ..texts import counted

# With terms assumed. Two that agree may both be wrong, and of two that do not nobody knows which.
FEWEST_TO_RESCUE = 3
CURVES_AGREE_SIGMA = (
    3.0  # of slopes fitted freely; beyond it the curves are not those channels'
)
GIVE_BANDS = (
    "give the response curves of the camera or the filters with --bands FILE: then fewer stars "
    "are enough"
)


def assumed_terms(curves: ColourTerms | None, stars: Table, n_clean: int) -> ColourTerms | None:
    """What may be taken for the colour terms of a frame beforehand.

    Parameters
    ----------
    curves : ColourTerms or None
        Those of the user's own response curves.
    stars : Table
        The star table, with flags and catalogue.
    n_clean : int
        Clean matched stars.

    Returns
    -------
    ColourTerms or None
        None where there is nothing to fit, where the stars are enough without, or where channels
        and header do not show broad filters.
    """
    if n_clean == 0:
        return None
    if n_clean >= MIN_STARS:
        return curves
    if not _broad_by_its_stars(stars, told=curves is not None):
        return None
    return curves or usual_terms()


def _broad_by_its_stars(stars: Table, told: bool) -> bool:
    """Whether the ratios of all stars are likeliest those of broad filters: colours of stars move
    along another direction there than through lines."""
    if told:
        stars = stars.copy()
        stars.meta["lines"] = "broadband"
    fit = choose_colours(stars, in_channels(stars), in_channels(stars, "flux_error")).continuum
    return fit is not None and fit.frame is not None and fit.frame.bands.name == "broadband"


def curves_contradicted(free: GainFit, terms: ColourTerms) -> str:
    """What slopes fitted freely have against those of curves, as a note; empty for nothing.

    Parameters
    ----------
    free : GainFit
        Without terms.
    terms : ColourTerms

    Returns
    -------
    str
    """
    expected = terms.slope_at(free.bv_mean)
    pull = (free.slope - expected) / np.hypot(free.slope_error, terms.slope_error)
    if np.max(np.abs(pull)) <= CURVES_AGREE_SIGMA:
        return ""
    return (
        f"{terms.source} call for colour terms of {expected[0]:+.2f} (R/G) and {expected[1]:+.2f} "
        f"(B/G), the stars show {free.slope[0]:+.2f} and {free.slope[1]:+.2f}: the curves were "
        "left out. Are they those of these channels?"
    )


def told_terms(terms: ColourTerms) -> str:
    """What was assumed, in words.

    Parameters
    ----------
    terms : ColourTerms

    Returns
    -------
    str
    """
    red, blue = (
        f"{slope:+.2f} +- {error:.2f}"
        for slope, error in zip(terms.slope, terms.slope_error, strict=True)
    )
    return (
        f"{terms.source}: R/G {red}, B/G {blue} mag per mag of B-V; the stated errors hold what "
        "that leaves open"
    )


def judged_by_terms(judged: Verdict, terms: ColourTerms, n_used: int) -> Verdict:
    """A verdict that rests on terms assumed, with its reasons.

    Parameters
    ----------
    judged : Verdict
        Of the fit.
    terms : ColourTerms
    n_used : int
        Stars that the gains rest on.

    Returns
    -------
    Verdict
    """
    if n_used >= MIN_STARS:
        return judged
    said = (
        f"{counted(n_used, 'clean star')} fixed the gains; the colour that the channels carry is "
        f"not measured but assumed, from {terms.source}"
    )
    if judged.verdict == "rescue" and n_used < FEWEST_TO_RESCUE:
        too_few = (
            f"{counted(n_used, 'star')} cannot show that a catalogue entry is wrong, "
            f"{FEWEST_TO_RESCUE} can"
        )
        judged = replace(judged, verdict="undecided", quality="", reasons=(too_few,))
    elif judged.verdict == "rescue":  # the first reason is of the colour that was measured
        judged = replace(judged, reasons=judged.reasons[1:])
    steps = judged.next_steps
    if judged.verdict == "undecided" and not terms.own_curves:
        steps = (GIVE_BANDS, *steps)
    return replace(judged, reasons=(*judged.reasons, said), next_steps=steps)
