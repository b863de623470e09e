"""Which catalogue star a bright blob is: of several at one place the brightest, and for clipped
stars, whose places err, the one that is bright enough."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .match import MAGNITUDE_MISFIT, Match

UNRESOLVED_FWHM = 1.0  # catalogue stars nearer to each other make one blob
# A neighbour's light in the wings, spikes or a bloom move the middle of a clipped blob so far.
CLIPPED_REACH_FWHM = 3.0
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
    free = match.in_frame.copy()
    free[match.catalogue] = False
    typical = np.nanmedian(star_mag[match.star] - v_mag[match.catalogue])
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
    return _with_pairs(match, found, star_xy_px)


def _claims(match: Match, xy_px, v_mag, free: NDArray, fwhm_px: float) -> list[int]:
    """The brightest free catalogue star in reach of a place, if there is one."""
    away_px = np.hypot(match.x_px - xy_px[0], match.y_px - xy_px[1])
    near = np.flatnonzero(free & (away_px <= CLIPPED_REACH_FWHM * fwhm_px))
    return [int(near[np.argmin(v_mag[near])])] if len(near) else []


def _with_brightest(match: Match, star_mag, v_mag, free, fwhm_px, typical) -> Match:
    """Pairs with the brightest of the catalogue stars that are one blob with theirs."""
    rows = np.flatnonzero(free)
    if not len(rows) or not len(match.star):
        return match
    tree = cKDTree(np.column_stack([match.x_px[rows], match.y_px[rows]]))
    inside = match.in_frame[match.catalogue]
    listed = match.catalogue.copy()
    for pair in np.flatnonzero(inside):
        place = match.x_px[listed[pair]], match.y_px[listed[pair]]
        near = rows[tree.query_ball_point(place, UNRESOLVED_FWHM * fwhm_px)]
        brighter = near[v_mag[near] < v_mag[listed[pair]]]
        if len(brighter):
            listed[pair] = brighter[np.argmin(v_mag[brighter])]
    away = np.abs(star_mag[match.star] - v_mag[listed] - typical)
    changed = listed != match.catalogue
    return replace(
        match,
        catalogue=listed,
        mismatched=np.where(changed, away > MAGNITUDE_MISFIT, match.mismatched),
    )


def _with_pairs(match: Match, pairs: list[tuple[int, int]], star_xy_px: NDArray) -> Match:
    """The match with further pairs, each catalogue star once, with the nearest."""
    away_px = {
        pair: np.hypot(*(star_xy_px[pair[0]] - [match.x_px[pair[1]], match.y_px[pair[1]]]))
        for pair in pairs
    }
    nearest: dict[int, int] = {}
    for star, listed in sorted(pairs, key=lambda pair: away_px[pair]):
        nearest.setdefault(listed, star)
    if not nearest:
        return match
    new = [(star, listed) for listed, star in nearest.items()]
    star, listed = np.transpose(new)
    return replace(
        match,
        star=np.append(match.star, star),
        catalogue=np.append(match.catalogue, listed),
        separation_px=np.append(match.separation_px, [away_px[pair] for pair in new]),
        mismatched=np.append(match.mismatched, np.zeros(len(new), bool)),
    )
