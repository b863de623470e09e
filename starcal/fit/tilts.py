"""Planes that flats leave in the gains of red and of blue, told apart.

The stars of a fit tell a plane of either gain to some per cent, as their B-V is known badly. Of one
combination of the two all clean stars tell it to one per cent (`unevenness`), but not whose plane
it is. Flats are uneven in one channel more often than in two: each of the four ways to have planes
is as likely as what stars show makes it, and what the fit's stars leave open between red and blue
is in the errors.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .gains import GainFit
from .unevenness import (
    EVEN_LN,
    SHAPE_TERMS,
    UNEVEN_WAYS,
    USUAL_UNEVENNESS_LN,
    CleanColours,
    chances,
    solved,
    told_of_shape,
)

USUAL_TILT_LN = 0.08  # from edge to edge, of a channel that has a plane
# Residuals in red and in blue of a star share its error of B-V: together they tell as much of star
# colour over the frame as one of them.
SHARE_OF_FIT = 0.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Tilts:
    """Planes of ln gain of R and of B.

    Attributes
    ----------
    slope_ln : ndarray, shape (2, 2)
        Along x and y, per width and height of the frame; a row for R, one for B.
    covariance : ndarray, shape (2, 2, 2)
        Of the two slopes of each.
    even_chance : float
        How likely it is that neither has a plane.
    """

    slope_ln: NDArray
    covariance: NDArray
    even_chance: float


def gain_tilts(fit: GainFit, place: NDArray, clean: CleanColours | None) -> Tilts:
    """Measure the planes of both gains.

    Parameters
    ----------
    fit : GainFit
    place : ndarray, shape (n, 2)
        Of the stars that it was given, from the middle, as shares of the frame's width and height.
    clean : CleanColours, optional
        Stars matched or not.

    Returns
    -------
    Tilts
    """
    told = told_of_shape(fit, place, clean, SHARE_OF_FIT)
    ways = [solved(told, _usual_terms(way)) for way in UNEVEN_WAYS]
    share = chances([ln for _, _, ln in ways])
    found = np.array([one[0] for one in ways])
    mean = share @ found
    off = found - mean
    within = np.tensordot(share, [one[1] for one in ways], axes=1)
    covariance = within + np.einsum("w,wi,wj->ij", share, off, off)
    planes = [slice(start, start + 2) for start in (0, SHAPE_TERMS)]
    return Tilts(
        slope_ln=np.array([mean[plane] for plane in planes]),
        covariance=np.array([covariance[plane, plane] for plane in planes]),
        even_chance=float(share[0]),
    )


def _usual_terms(way: tuple[bool, bool]) -> NDArray:
    """How large the terms of both gains are where some have planes; bowls they may all have."""
    usual = [
        [USUAL_TILT_LN if tilted else EVEN_LN] * 2 + [USUAL_UNEVENNESS_LN] for tilted in way
    ]
    return np.ravel(usual)
