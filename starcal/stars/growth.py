"""How much light lies beyond an aperture, channel by channel, from the frame's own stars.

The light within a wide radius over that within a narrow one is a ratio of sums over all clean
stars, with one weight per star that is the same in all channels; no profile is assumed, so two
Gaussians, a diffraction core in a halo, doughnuts and trails are all the same to it. Only what
differs from green matters.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..robust import scatter_about_zero
from .apertures import FIT_RADIUS_WIDTHS, RADII_WIDTHS

# how far out the light is followed, in widths, and how well it must be known there, in ln
REACHES = ((3.5, 0.015), (2.5, 0.025), (2.0, np.inf))
# what lies beyond, as a share of the last step's light: the middle between wings that fall like
# Moffat profiles of exponents 2.5 and 3.5
BEYOND = {3.5: 0.4, 2.5: 0.75, 2.0: 0.4}
NOISE_GROWTH = 4.0  # from one width to 2.5: of white noise 2.5, of uneven ground 6
NEIGHBOUR_SIGMA = (
    4.0  # robust sigmas of a star's own growth, all channels together: a neighbour in it
)
LEAST_SCATTER = 0.01  # of it
USUAL_DIFFERENCE_LN = (
    0.01  # between channels that seem alike; keeps a difference from vanishing
)
STAR_SCATTER = 0.02  # of a star's own profile: bright stars then count alike
SAMPLES = 300  # of the bootstrap: an error is then known to 4 %
FEWEST_GROWTH_STARS = 4
RED_BLUE, GREEN = [0, 2], [1]


@dataclass(frozen=True, eq=False, kw_only=True)
class Growth:
    """Light beyond the aperture, in R and B against G; natural logarithms.

    Attributes
    ----------
    ln, error_ln : ndarray, shape (2,)
        By how much the light of R and of B grows more than that of G, drawn to 0 as far as it is
        not significant, and the error that is left.
    raw_ln, raw_error_ln : ndarray, shape (2,)
        As measured.
    last_step_ln, last_step_error_ln : ndarray, shape (2,)
        Growth over the last step of radius, which should be none.
    reach_widths : float
        Radius to which the light was followed.
    stars : int
        How many stars tell it.
    """

    ln: NDArray
    error_ln: NDArray
    raw_ln: NDArray
    raw_error_ln: NDArray
    last_step_ln: NDArray
    last_step_error_ln: NDArray
    reach_widths: float
    stars: int


def measure_growth(flux: NDArray, noise: NDArray) -> Growth | None:
    """Growth of the light of red and blue against green, from the narrow aperture outwards.

    Parameters
    ----------
    flux : ndarray, shape (3, 6, n)
        Of clean stars within each of `RADII_WIDTHS`.
    noise : ndarray, shape (n,)
        Relative, of the star in the worst channel, within `FIT_RADIUS_WIDTHS`.

    Returns
    -------
    Growth or None
        None for fewer than `FEWEST_GROWTH_STARS` stars with positive light everywhere.
    """
    good = np.isfinite(flux).all(axis=(0, 1)) & np.isfinite(noise)
    good &= flux[1, RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)] > 0
    if good.sum() < FEWEST_GROWTH_STARS:
        return None
    flux = flux[:, :, good]
    noise = NOISE_GROWTH * noise[good]
    single = _grows_as_others(flux)
    sums = _resampled_sums(_weighted_light(flux[:, :, single], noise[single]))
    return _drawn_to_none(_followed_far(sums), int(single.sum()))


def _weighted_light(flux: NDArray, noise: NDArray) -> NDArray:
    """Light of each star against its green, by what its noise lets it tell."""
    green = flux[1, RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)]
    weight = 1 / (green * (noise**2 + STAR_SCATTER**2))
    return flux * weight


@dataclass(frozen=True, eq=False, kw_only=True)
class _Followed:
    """Growth to one radius and beyond, its error, and the last step to it."""

    reach_widths: float
    ln: NDArray
    error_ln: NDArray
    step_ln: NDArray
    step_error_ln: NDArray


def _drawn_to_none(best: _Followed, stars: int) -> Growth:
    """The growth, less of it where it is not significant: where channels seem alike the correction
    would only add noise."""
    truth2 = np.maximum(best.ln**2 - best.error_ln**2, 0) + USUAL_DIFFERENCE_LN**2
    share = truth2 / (truth2 + best.error_ln**2)
    return Growth(
        ln=share * best.ln,
        error_ln=np.sqrt(share) * best.error_ln,
        raw_ln=best.ln,
        raw_error_ln=best.error_ln,
        last_step_ln=best.step_ln,
        last_step_error_ln=best.step_error_ln,
        reach_widths=best.reach_widths,
        stars=stars,
    )


def _followed_far(sums: NDArray) -> _Followed:
    """Growth to the outermost radius at which it is known well enough: noise grows outwards, what
    is left beyond inwards."""
    for reach, enough in REACHES:
        best = _followed(sums, reach)
        if np.all(best.error_ln <= enough):
            break
    return best


def _followed(sums: NDArray, reach: float) -> _Followed:
    within, error = _against_green(sums, FIT_RADIUS_WIDTHS, reach)
    before = RADII_WIDTHS[RADII_WIDTHS.index(reach) - 1]
    step, step_error = _against_green(sums, before, reach)
    return _Followed(
        reach_widths=reach,
        ln=within + BEYOND[reach] * step,
        error_ln=np.hypot(error, BEYOND[reach] * step_error),
        step_ln=step,
        step_error_ln=step_error,
    )


def _grows_as_others(flux: NDArray) -> NDArray:
    """Stars whose light grows like that of the others, all channels together."""
    inner = flux[:, RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)]
    scale = np.median(np.abs(inner), axis=1)[:, None]
    share = (flux[:, -1] / scale).sum(axis=0) / np.maximum((inner / scale).sum(axis=0), 1e-12)
    away = share - np.median(share)
    single = np.abs(away) <= NEIGHBOUR_SIGMA * max(scatter_about_zero(away), LEAST_SCATTER)
    return single if single.sum() >= FEWEST_GROWTH_STARS else np.ones(len(share), bool)


def _resampled_sums(weighted: NDArray) -> NDArray:
    """Sums over the stars, and over stars drawn anew with replacement: (1 + samples, 3, radii)."""
    n = weighted.shape[2]
    drawn = np.random.default_rng(1).multinomial(n, np.full(n, 1 / n), SAMPLES)
    times = np.vstack([np.ones(n), drawn])
    return np.einsum("sn,crn->scr", times, weighted)


def _against_green(sums: NDArray, inner: float, outer: float) -> tuple[NDArray, NDArray]:
    """ln of the growth from one radius to another, R and B against G, and its bootstrap error.

    A channel without light has no growth: 0, with an infinite error.
    """
    within = sums[:, :, RADII_WIDTHS.index(inner)]
    beyond = sums[:, :, RADII_WIDTHS.index(outer)]
    lit = (within > 0) & (beyond > 0)
    ln = np.log(np.where(lit, beyond, 1.0) / np.where(lit, within, 1.0))
    ratio = ln[:, RED_BLUE] - ln[:, GREEN]
    dark = ~(lit[:, RED_BLUE] & lit[:, GREEN])
    spread = np.std(ratio[1:], axis=0, ddof=1)
    return np.where(dark[0], 0.0, ratio[0]), np.where(dark.any(axis=0), np.inf, spread)
