"""Which catalogue star a bright or wide blob is: of several at one place the brightest, and for
stars whose places err, clipped or wide ones, the one that is bright enough."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..robust import quantile_of_known
from .match import MAGNITUDE_MISFIT, Match

UNRESOLVED_FWHM = 1.0  # catalogue stars nearer to each other make one blob
# A neighbour's light in the wings, spikes or a bloom move the middle of a clipped blob so far.
CLIPPED_REACH_FWHM = 3.0
DRAWN_ASIDE_FWHM = 0.45  # within the core: there is no place for another star
# A clipped star measures too faint, never brighter than it is but for its neighbours' light.
MOST_TOO_BRIGHT_MAG = 0.7


def with_bright_stars(
    match: Match,
    star_xy_px: NDArray,
    star_mag: NDArray,
    clipped: NDArray,
    v_mag: NDArray,
    fwhm_px: float,
) -> Match:
    """The match with the brightest of unresolved catalogue stars in its pairs, and with pairs of
    clipped stars that lie beside their catalogue places.

    Parameters
    ----------
    match : Match
        Credible, nothing placed yet.
    star_xy_px, star_mag, clipped : ndarray, shapes (n, 2), (n,) and (n,) of bool
        Of the whole table: pixels, instrumental magnitudes.
    v_mag : ndarray
        Of the whole catalogue.
    fwhm_px : float

    Returns
    -------
    Match
    """
    free = match.in_frame & np.isfinite(v_mag)
    free[match.catalogue] = False
    typical = quantile_of_known(star_mag[match.star] - v_mag[match.catalogue], 0.5)
    match = _with_brightest(match, star_mag, v_mag, free, fwhm_px, typical)
    free[match.catalogue] = False
    alone = np.setdiff1d(np.flatnonzero(clipped), match.star)
    found = [
        (star, listed)
        for star in alone
        for listed in _claims(match, star_xy_px[star], v_mag, free, fwhm_px)
        if not star_mag[star] - v_mag[listed] - typical
        < -MOST_TOO_BRIGHT_MAG  # NaN: too clipped
    ]
    match = _with_pairs(match, found, star_xy_px)
    return _with_drawn_aside(match, star_xy_px, star_mag - typical, v_mag, fwhm_px)


def _with_drawn_aside(
    match: Match, star_xy_px: NDArray, star_v_mag: NDArray, v_mag: NDArray, fwhm_px: float
) -> Match:
    """The match with stars as bright as a free catalogue star beside them, nearest to each other of
    all that are free: neighbours draw wide stars aside, and doughnuts are seen at a rim."""
    listed = match.in_frame & np.isfinite(v_mag)
    listed[match.catalogue] = False
    listed = np.flatnonzero(listed)
    alone = np.setdiff1d(np.flatnonzero(np.isfinite(star_v_mag)), match.star)
    if not len(listed) or not len(alone):
        return match
    stars, places = star_xy_px[alone], _places(match, listed)
    away_px, nearest = cKDTree(places).query(stars)
    _, nearest_star = cKDTree(stars).query(places)
    row = listed[nearest]
    paired = (away_px < DRAWN_ASIDE_FWHM * fwhm_px) & (
        nearest_star[nearest] == np.arange(len(alone))
    )
    paired &= np.abs(star_v_mag[alone] - v_mag[row]) < MAGNITUDE_MISFIT
    pairs = list(zip(alone[paired].tolist(), row[paired].tolist(), strict=True))
    return _with_pairs(match, pairs, star_xy_px)


def _claims(
    match: Match,
    xy_px,
    v_mag,
    free: NDArray,
    fwhm_px: float,
) -> list[int]:
    """The brightest free catalogue star in reach of a place, if there is one."""
    away_px = np.hypot(match.x_px - xy_px[0], match.y_px - xy_px[1])
    near = np.flatnonzero(free & (away_px <= CLIPPED_REACH_FWHM * fwhm_px))
    return [int(near[np.argmin(v_mag[near])])] if len(near) else []


def _with_brightest(
    match: Match,
    star_mag,
    v_mag,
    free,
    fwhm_px,
    typical,
) -> Match:
    """Pairs with the brightest of the catalogue stars that are one blob with theirs."""
    rows = np.flatnonzero(free)
    if not len(rows) or not len(match.star):
        return match
    reach_px = UNRESOLVED_FWHM * fwhm_px
    tree = cKDTree(_places(match, rows))
    listed = match.catalogue.copy()
    for pair in np.flatnonzero(match.in_frame[listed]):
        near = rows[tree.query_ball_point(_places(match, listed[pair]), reach_px)]
        one_blob = np.append(listed[pair], near)
        listed[pair] = one_blob[np.argmin(v_mag[one_blob])]
    away = np.abs(star_mag[match.star] - v_mag[listed] - typical)
    mismatched = np.where(listed == match.catalogue, match.mismatched, away > MAGNITUDE_MISFIT)
    return replace(match, catalogue=listed, mismatched=mismatched)


def _places(match: Match, rows) -> NDArray:
    """Where catalogue stars fall on the frame, (..., 2)."""
    return np.stack([match.x_px[rows], match.y_px[rows]], axis=-1)


def _with_pairs(match: Match, pairs: list[tuple[int, int]], star_xy_px: NDArray) -> Match:
    """The match with further pairs, each catalogue star once, with the nearest."""
    if not pairs:
        return match
    star, listed = np.transpose(pairs)
    away_px = np.hypot(*(star_xy_px[star] - _places(match, listed)).T)
    order = np.argsort(away_px, kind="stable")
    _, first = np.unique(listed[order], return_index=True)
    new = order[first]
    return replace(
        match,
        star=np.append(match.star, star[new]),
        catalogue=np.append(match.catalogue, listed[new]),
        separation_px=np.append(match.separation_px, away_px[new]),
        mismatched=np.append(match.mismatched, np.zeros(len(new), bool)),
    )
