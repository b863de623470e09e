"""How much a gain differs over the frame, by the colours of all clean stars.

The stars of a fit tell a plane of either gain to some per cent only, as their B-V is known badly.
But one combination of a star's two log ratios hardly depends on its B-V: what a star is redder in R
it is fainter in B, along the fitted line. Of that combination every clean star, known to a
catalogue or not, tells the plane to some per mille; a flat that is uneven in R or in B shows in it,
unless it goes exactly the way that star colours go. Both together, with a prior of what flats leave
uneven, give the planes of R and of B.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..robust import SIGMA_PER_DEVIATION
from .gains import MAG_PER_LN, GainFit

USUAL_UNEVENNESS_LN = 0.03  # of a gain from edge to edge, in either direction
FEWEST_COLOURS = 12  # stars, for a plane of their combination
MOST_COLOUR_NOISE = 0.1  # relative, of a star's light in the worst channel
STAR_SCATTER_LN = 0.03  # of real stars about one line in the two ratios
OUTLYING_SIGMAS = 4.0
OUTLIER_ROUNDS = 5
COMBINED_ERROR_LN = (
    0.01  # of the combination's plane: mean colours differ over the frame as well
)
INNER_SHARE = (0.1, 0.9)  # of the stars, between which a gain's range is told


@dataclass(frozen=True, eq=False, kw_only=True)
class Unevenness:
    """Range of the gains of R and B over the frame, against G.

    Attributes
    ----------
    change : ndarray, shape (2,)
        Relative: between the places where a tenth of the stars have a lower and where a tenth have
        a higher gain, by planes.
    error : ndarray, shape (2,)
    stars : int
        Clean stars whose colours tell it, besides those of the fit.
    """

    change: NDArray
    error: NDArray
    stars: int


@dataclass(frozen=True, eq=False, kw_only=True)
class _Plane:
    """Slopes along x and y from edge to edge, natural logarithms, (2,), and their covariance."""

    slope: NDArray
    covariance: NDArray


def unevenness(
    fit: GainFit, place: NDArray, flux: NDArray, noise: NDArray, star_place: NDArray
) -> Unevenness:
    """Measure how much the gains differ over the frame.

    Parameters
    ----------
    fit : GainFit
    place : ndarray, shape (n, 2)
        Of the stars that it was given: x and y as shares of the frame's width and height.
    flux : ndarray, shape (3, m)
        Of clean stars, matched or not, in an aperture wide enough for other widths of stars at the
        edge not to matter.
    noise : ndarray, shape (m,)
        Relative, in the worst channel.
    star_place : ndarray, shape (m, 2)
        As `place`.

    Returns
    -------
    Unevenness
        Its posterior mean, normal errors and prior.
    """
    information, seen = _told_by_fit(fit, place)
    share = fit.slope[0] / fit.slope[1]
    good = (np.nan_to_num(flux) > 0).all(axis=0) & (noise < MOST_COLOUR_NOISE)
    if good.sum() >= FEWEST_COLOURS and np.isfinite(share):
        plane = _plane_of_colours(share, flux[:, good], noise[good], star_place[good])
        takes = np.hstack([np.eye(2), -share * np.eye(2)])
        _learn(information, seen, plane, takes)
    return _over_the_frame(np.linalg.inv(information), seen, place, int(good.sum()))


def _told_by_fit(fit: GainFit, place: NDArray) -> tuple[NDArray, NDArray]:
    """Information on the four slopes from what flats usually are and from both gains, (4, 4), and
    what it says, (4,)."""
    information = np.eye(4) / USUAL_UNEVENNESS_LN**2
    seen = np.zeros(4)
    for channel in range(2):
        plane = _plane_of_fit(fit, channel, place)
        takes = np.zeros((2, 4))
        takes[[0, 1], [2 * channel, 2 * channel + 1]] = 1
        _learn(information, seen, plane, takes)
    return information, seen


def _learn(information: NDArray, seen: NDArray, plane: _Plane, takes: NDArray) -> None:
    """Add what a plane tells of the four slopes, in place."""
    weight = np.linalg.inv(plane.covariance)
    information += takes.T @ weight @ takes
    seen += takes.T @ weight @ plane.slope


def _plane_of_fit(fit: GainFit, channel: int, place: NDArray) -> _Plane:
    """Of the residuals of one gain."""
    used = fit.used
    residual = fit.residual_mag[channel, used] / MAG_PER_LN
    return _fitted_plane(
        place[used], residual, fit.residual_error_mag[channel, used] / MAG_PER_LN
    )


def _plane_of_colours(share: float, flux: NDArray, noise: NDArray, place: NDArray) -> _Plane:
    """Of the combination of log ratios that is free of star colour, without stars that are odd."""
    ratio = -np.log(flux[[0, 2]] / flux[1])
    combined = ratio[0] - share * ratio[1]
    sigma = np.hypot(np.hypot(1.0, share) * noise, STAR_SCATTER_LN)
    kept = np.ones(len(combined), bool)
    for _ in range(OUTLIER_ROUNDS):
        plane = _fitted_plane(place[kept], combined[kept], sigma[kept])
        left = combined - place @ plane.slope
        off = np.abs(left - np.median(left[kept])) / sigma
        scale = max(SIGMA_PER_DEVIATION * float(np.median(off[kept])), 0.5)
        kept = off < OUTLYING_SIGMAS * scale
    covariance = plane.covariance * scale**2 + np.eye(2) * COMBINED_ERROR_LN**2
    return _Plane(slope=plane.slope, covariance=covariance)


def _fitted_plane(place: NDArray, values: NDArray, sigma: NDArray) -> _Plane:
    design = np.column_stack([place, np.ones(len(place))]) / sigma[:, None]
    # a little information, so that one star or stars in a row leave the rest open
    covariance = np.linalg.inv(design.T @ design + 1e-4 * np.eye(3))
    slope = covariance @ design.T @ (values / sigma)
    return _Plane(slope=slope[:2], covariance=covariance[:2, :2])


def _over_the_frame(
    covariance: NDArray, seen: NDArray, place: NDArray, stars: int
) -> Unevenness:
    """Range of both gains between the places of the stars."""
    slope = (covariance @ seen).reshape(2, 2)
    low, high = np.quantile(slope @ place.T, INNER_SHARE, axis=1)
    spread = np.quantile(place, INNER_SHARE[1], axis=0) - np.quantile(
        place, INNER_SHARE[0], axis=0
    )
    variance = np.diag(covariance).reshape(2, 2)
    return Unevenness(
        change=high - low,
        error=np.sqrt((variance * spread**2).mean(axis=1)),
        stars=stars,
    )
