"""How much a gain differs over the frame, by the colours of all clean stars.

What flats leave is a tilt, or a bowl where the vignetting of a channel is another than its flat's.
The stars of a fit tell it of either gain to some per cent only, as their B-V is known badly. But
one combination of a star's two log ratios hardly depends on its B-V: what a star is redder in R it
is fainter in B, along the fitted line. Of that combination every clean star, known to a catalogue
or not, tells tilt and bowl to some per mille; a flat that is uneven in R or in B shows in it,
unless it goes exactly the way that star colours go. Both together, with a prior of what flats leave
uneven, give those of R and of B.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..robust import SIGMA_PER_DEVIATION
from .gains import MAG_PER_LN, GainFit

USUAL_UNEVENNESS_LN = (
    0.03  # of a gain from edge to edge, in either direction, and from middle to corner
)
EVEN_LN = 1e-4  # the same of a gain that is even
# Which of red and blue are uneven, and how often: half of all frames, first, are even
UNEVEN_WAYS = {(False, False): 0.5, (True, False): 0.2, (False, True): 0.2, (True, True): 0.1}
SHAPE_TERMS = 3  # along x, along y, and the square of the distance from the middle
FEWEST_COLOURS = 12  # stars, for a tilt and a bowl of their combination
MOST_COLOUR_NOISE = 0.1  # relative, of a star's light in the worst channel
STAR_SCATTER_LN = 0.03  # of real stars about one line in the two ratios
OUTLYING_SIGMAS = 4.0
OUTLIER_ROUNDS = 5
COMBINED_ERROR_LN = (
    0.01  # of the combination's terms: mean colours differ over the frame as well
)
INNER_SHARE = (0.1, 0.9)  # of the stars, between which a gain's range is told


@dataclass(frozen=True, eq=False, kw_only=True)
class Unevenness:
    """Range of the gains of R and B over the frame, against G.

    Attributes
    ----------
    change : ndarray, shape (2,)
        Relative: between the places where a tenth of the stars have a lower and where a tenth have
        a higher gain, by a tilt and a bowl.
    error : ndarray, shape (2,)
    stars : int
        Clean stars whose colours tell it, besides those of the fit.
    even_chance : float
        How likely it is that both gains are even.
    """

    change: NDArray
    error: NDArray
    stars: int
    even_chance: float = 0.0


@dataclass(frozen=True, eq=False, kw_only=True)
class _Shape:
    """How much each term changes over the frame, natural logarithms, and the covariance."""

    change: NDArray
    covariance: NDArray


def unevenness(fit: GainFit, place: NDArray, clean: CleanColours) -> Unevenness:
    """Measure how much the gains differ over the frame.

    Parameters
    ----------
    fit : GainFit
    place : ndarray, shape (n, 2)
        Of the stars that it was given, from the middle: x and y as shares of the frame's width and
        height.
    clean : CleanColours

    Returns
    -------
    Unevenness
        Its posterior mean, normal errors and prior.
    """
    told = told_of_shape(fit, place, clean)
    usual = np.eye(2 * SHAPE_TERMS) / USUAL_UNEVENNESS_LN**2
    covariance = np.linalg.inv(told.information + usual)
    found = _over_the_frame(covariance, told.seen, _terms_at(place), told.stars)
    return replace(found, even_chance=_even_chance(told))


def _even_chance(told: ToldOfShape) -> float:
    """How likely it is that stars show chance alone."""
    ways = [
        solved(told, np.repeat(np.where(way, USUAL_UNEVENNESS_LN, EVEN_LN), SHAPE_TERMS))
        for way in UNEVEN_WAYS
    ]
    return float(chances([ln for _, _, ln in ways])[0])


def chances(ln: list[float]) -> NDArray:
    """How likely each of `UNEVEN_WAYS` is.

    Parameters
    ----------
    ln : list of float
        The ln probability of what stars tell, for each of them.

    Returns
    -------
    ndarray, shape (4,)
        The first is that of even gains.
    """
    ln_all = np.array(ln) + np.log(list(UNEVEN_WAYS.values()))
    share = np.exp(ln_all - ln_all.max())
    return share / share.sum()


def solved(told: ToldOfShape, usual_ln: NDArray) -> tuple[NDArray, NDArray, float]:
    """The terms of both gains if they are as large as some usual values.

    Parameters
    ----------
    told : ToldOfShape
    usual_ln : ndarray, shape (6,)

    Returns
    -------
    tuple of ndarray, ndarray, float
        The terms, their covariance, and the ln probability of what stars tell.
    """
    covariance = np.linalg.inv(told.information + np.diag(usual_ln**-2.0))
    found = covariance @ told.seen
    volume = np.linalg.slogdet(covariance)[1] - 2 * np.log(usual_ln).sum()
    return found, covariance, float(told.seen @ found + volume) / 2


@dataclass(frozen=True, eq=False)
class CleanColours:
    """Clean stars, matched or not.

    Attributes
    ----------
    flux : ndarray, shape (3, m)
        In an aperture wide enough for other widths of stars at the edge not to matter.
    noise : ndarray, shape (m,)
        Relative, in the worst channel.
    place : ndarray, shape (m, 2)
        From the middle: x and y as shares of the frame's width and height.
    """

    flux: NDArray
    noise: NDArray
    place: NDArray


@dataclass(frozen=True, eq=False, kw_only=True)
class ToldOfShape:
    """What stars tell of the terms of both gains, red's first: along x, along y and the bowl.

    Attributes
    ----------
    information : ndarray, shape (6, 6)
        Inverse covariance.
    seen : ndarray, shape (6,)
        It times the terms.
    stars : int
        Clean stars whose colours tell it.
    """

    information: NDArray
    seen: NDArray
    stars: int


def told_of_shape(
    fit: GainFit, place: NDArray, clean: CleanColours | None, share_of_fit: float = 1.0
) -> ToldOfShape:
    """What the stars of a fit and clean stars tell, without what flats usually are.

    Parameters
    ----------
    fit : GainFit
    place : ndarray, shape (n, 2)
        Of the stars that it was given, as for `unevenness`.
    clean : CleanColours, optional
    share_of_fit : float
        How much what the fit's stars tell counts.

    Returns
    -------
    ToldOfShape
    """
    information, seen = _told_by_fit(fit, _terms_at(place))
    information *= share_of_fit
    seen *= share_of_fit
    share = fit.slope[0] / fit.slope[1]
    if clean is None or not np.isfinite(share):
        return ToldOfShape(information=information, seen=seen, stars=0)
    good = (np.nan_to_num(clean.flux) > 0).all(axis=0) & (clean.noise < MOST_COLOUR_NOISE)
    stars = int(good.sum())
    if stars >= FEWEST_COLOURS:
        combined = _shape_of_colours(
            share, clean.flux[:, good], clean.noise[good], clean.place[good]
        )
        takes = np.hstack([np.eye(SHAPE_TERMS), -share * np.eye(SHAPE_TERMS)])
        _learn(information, seen, combined, takes)
    return ToldOfShape(information=information, seen=seen, stars=stars)


def _terms_at(place: NDArray) -> NDArray:
    """What the terms are at some places, (n, SHAPE_TERMS): 1 apart from edge to edge, or from the
    middle to the corners."""
    return np.column_stack([place, 2 * np.sum(place**2, axis=1)])


def _told_by_fit(fit: GainFit, terms: NDArray) -> tuple[NDArray, NDArray]:
    """Information on the terms of both gains from the fit, as a matrix, and what it says, as a
    vector."""
    both = 2 * SHAPE_TERMS
    information = np.zeros((both, both))
    seen = np.zeros(both)
    for channel in range(2):
        takes = np.eye(both)[SHAPE_TERMS * channel : SHAPE_TERMS * (channel + 1)]
        _learn(information, seen, _shape_of_fit(fit, channel, terms), takes)
    return information, seen


def _learn(information: NDArray, seen: NDArray, shape: _Shape, takes: NDArray) -> None:
    """Add what a shape tells of the terms of both gains, in place."""
    weight = np.linalg.inv(shape.covariance)
    information += takes.T @ weight @ takes
    seen += takes.T @ weight @ shape.change


def _shape_of_fit(fit: GainFit, channel: int, terms: NDArray) -> _Shape:
    """Of the residuals of one gain."""
    used = fit.used
    residual = fit.residual_mag[channel, used] / MAG_PER_LN
    return _fitted_shape(
        terms[used], residual, fit.residual_error_mag[channel, used] / MAG_PER_LN
    )


def _shape_of_colours(share: float, flux: NDArray, noise: NDArray, place: NDArray) -> _Shape:
    """Of the combination of log ratios that is free of star colour, without stars that are odd."""
    ratio = -np.log(flux[[0, 2]] / flux[1])
    combined = ratio[0] - share * ratio[1]
    sigma = np.hypot(np.hypot(1.0, share) * noise, STAR_SCATTER_LN)
    terms = _terms_at(place)
    kept = np.ones(len(combined), bool)
    for _ in range(OUTLIER_ROUNDS):
        shape = _fitted_shape(terms[kept], combined[kept], sigma[kept])
        left = combined - terms @ shape.change
        off = np.abs(left - np.median(left[kept])) / sigma
        scale = max(SIGMA_PER_DEVIATION * float(np.median(off[kept])), 0.5)
        kept = off < OUTLYING_SIGMAS * scale
    covariance = shape.covariance * scale**2 + np.eye(SHAPE_TERMS) * COMBINED_ERROR_LN**2
    return _Shape(change=shape.change, covariance=covariance)


def _fitted_shape(terms: NDArray, values: NDArray, sigma: NDArray) -> _Shape:
    """Least squares, with a level of its own."""
    design = np.column_stack([terms, np.ones(len(terms))]) / sigma[:, None]
    # a little information, so that one star or stars in a row leave the rest open
    covariance = np.linalg.inv(design.T @ design + 1e-4 * np.eye(SHAPE_TERMS + 1))
    change = covariance @ design.T @ (values / sigma)
    return _Shape(
        change=change[:SHAPE_TERMS], covariance=covariance[:SHAPE_TERMS, :SHAPE_TERMS]
    )


def _over_the_frame(
    covariance: NDArray, seen: NDArray, terms: NDArray, stars: int
) -> Unevenness:
    """Range of both gains between the places of the stars."""
    change = (covariance @ seen).reshape(2, SHAPE_TERMS)
    low, high = np.quantile(change @ terms.T, INNER_SHARE, axis=1)
    spread = np.quantile(terms, INNER_SHARE[1], axis=0) - np.quantile(
        terms, INNER_SHARE[0], axis=0
    )
    variance = np.diag(covariance).reshape(2, SHAPE_TERMS)
    return Unevenness(
        change=high - low,
        error=np.sqrt((variance * spread**2).mean(axis=1)),
        stars=stars,
    )
