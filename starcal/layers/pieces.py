"""Entries of a star table that are pieces of a bright star: of its spikes, or of what lies round
its full core.

A star stands out of what lies before and behind it on the arm; a piece of an arm does not, however
significant it is against the sky beside the arm. Next to a full core nothing lies before it; there
a piece is told by its light, which is not where a star's would be.
"""

import numpy as np
from numpy.typing import NDArray

from ..robust import SIGMA_PER_DEVIATION, quantile_of_known
from .flares import Flares
from .fluxes import FluxFit
from .halos import Halo, halo_of
from .light import Channel, StarModel

PIECE_SHARE = 0.02  # of the bright star's light: an entry with more is a star of its own
NEAREST_FWHM, FARTHEST_FWHM = 1.0, 45.0  # from the bright star, along the arm
OFF_FWHM, OFF_SLOPE = 0.75, 0.02  # how far off the middle of an arm a piece may lie
# a strip about the entry, and what of it counts as the entry, the arm and the sky, in FWHM
HALF_ALONG, HALF_ACROSS, STEP = 2.5, 4.5, 0.25
PEAK_FWHM, ARM_FROM_FWHM, ARM_HALF_FWHM, SKY_FROM_FWHM = 0.4, 1.25, 0.5, 3.0
# knots that vary by a third to either side are twice as bright as the arm between them
KNOT_OVER_ARM = 2.0
# of entries on arms of four made frames 89 of 93 pieces reach less, and 5 of 148 stars
STAR_OVER_ARM_SIGMA = 3.0
# so near a clipped star with far more light, an entry that has this share of its light not where
# the profile has it: of 65 on 19 made frames, 15 of 16 pieces and 2 of 49 stars
BESIDE_CORE_FWHM, PIECE_MISFIT = 5.0, 0.5


def pieces_of_cores(
    places: tuple[NDArray, NDArray],
    fits: list[FluxFit],
    clipped: NDArray[np.bool_],
    fwhm_px: float,
) -> NDArray[np.bool_]:
    """Which entries are no more than what lies round the full core of a star, (n,).

    Parameters
    ----------
    places : tuple of ndarray, (n,)
        x and y of all entries, px.
    fits : list of FluxFit
        Of each channel.
    clipped : ndarray of bool, (n,)
        Entries with full pixels of their own.
    fwhm_px : float

    Returns
    -------
    ndarray of bool, (n,)
    """
    flux = np.array([fit.flux for fit in fits])
    error = np.array([fit.error for fit in fits])
    best = np.argmax(flux / np.maximum(error, 1e-30), axis=0)
    misfit = np.array([fit.misfit for fit in fits])[best, np.arange(len(best))]
    doubtful = np.flatnonzero(~clipped & (misfit > PIECE_MISFIT) & (flux > 0).any(axis=0))
    piece = np.zeros(len(best), bool)
    for star in np.flatnonzero(clipped):
        dx = places[0][doubtful] - places[0][star]
        dy = places[1][doubtful] - places[1][star]
        near = np.hypot(dx, dy) < BESIDE_CORE_FWHM * fwhm_px
        share = flux[:, doubtful] / np.maximum(flux[:, star : star + 1], 1e-30)
        piece[doubtful[near & (share.max(axis=0) < PIECE_SHARE)]] = True
    return piece


def pieces_of_arms(
    channels: list[Channel], model: StarModel, flares: Flares
) -> NDArray[np.bool_]:
    """Which entries are no more than pieces of an arm, (n,).

    Parameters
    ----------
    channels : list of Channel
        Of the frame with its flares.
    model : StarModel
        Of all entries, without flares.
    flares : Flares
        What was found on the frame.

    Returns
    -------
    ndarray of bool, (n,)
    """
    found = np.zeros(len(model.x_px), bool)
    if not flares.arms_deg:
        return found
    fwhm_px = float(np.median([c.fwhm_px for c in channels]))
    turns = np.radians(flares.arms_deg)
    for star in np.unique(flares.star):
        rows, along, across, turn = _on_its_arms(model, star, turns, fwhm_px)
        if len(rows):
            halo = halo_of(channels, model, star, PIECE_SHARE)
            strips = _strips(halo, along, across, turn, fwhm_px)
            found[rows[~_stands_out(strips)]] = True
    return found


def _on_its_arms(model: StarModel, star: int, turns: NDArray, fwhm_px: float):
    """Faint entries on the arms of a star, how far along and across, and the arm's direction, all
    (k,); an entry may lie on two arms."""
    dx = (model.x_px - model.x_px[star])[:, None]
    dy = (model.y_px - model.y_px[star])[:, None]
    along = dx * np.cos(turns) + dy * np.sin(turns)
    across = dy * np.cos(turns) - dx * np.sin(turns)
    near = _within_arm(along, across, fwhm_px)
    rows, arm = np.nonzero(near & _faint_beside(model, star)[:, None])
    return rows, along[rows, arm], across[rows, arm], turns[arm]


def _within_arm(along: NDArray, across: NDArray, fwhm_px: float) -> NDArray[np.bool_]:
    """Which places lie where an arm may be bright."""
    near = (along > NEAREST_FWHM * fwhm_px) & (along < FARTHEST_FWHM * fwhm_px)
    return near & (np.abs(across) < OFF_FWHM * fwhm_px + OFF_SLOPE * along)


def _faint_beside(model: StarModel, star: int) -> NDArray[np.bool_]:
    """Entries with so little of a star's light that they may be pieces of it, (n,)."""
    share = model.flux / np.maximum(model.flux[:, star : star + 1], 1e-30)
    return (model.reach_px > 0) & (share.max(axis=0) < PIECE_SHARE)


def _strips(halo: Halo, along: NDArray, across: NDArray, turn: NDArray, fwhm_px: float):
    """What is left about each entry along and across its arm, in noises, (3, k, s, t)."""
    s, t = _strip_offsets()
    s = along[:, None, None] + s * fwhm_px
    t = across[:, None, None] + t * fwhm_px
    cos = np.cos(turn)[:, None, None]
    sin = np.sin(turn)[:, None, None]
    values = halo.sampled(s * cos - t * sin, s * sin + t * cos)
    return values / halo.noise[:, None, None, None]


def _strip_offsets() -> tuple[NDArray, NDArray]:
    """Along and across of a strip's places, in FWHM, (s, 1) and (1, t)."""
    along = np.arange(-HALF_ALONG, HALF_ALONG + STEP / 2, STEP)
    across = np.arange(-HALF_ACROSS, HALF_ACROSS + STEP / 2, STEP)
    return along[:, None], across[None]


def _stands_out(strips: NDArray) -> NDArray[np.bool_]:
    """Whether an entry is brighter than knots of the arm that it lies on can be, (k,); also where
    its place is not known."""
    along, across = (offsets.ravel() for offsets in _strip_offsets())
    level, error = _sky_of_strips(strips[..., np.abs(across) >= SKY_FROM_FWHM])
    ridge = _mean_of_known(strips[..., np.abs(across) <= ARM_HALF_FWHM]) - level[..., None]
    peak = _mean_of_known(ridge[..., np.abs(along) <= PEAK_FWHM])
    arm = _dimmer_side(ridge, along)
    return ~(_together_sigma((peak - KNOT_OVER_ARM * arm) / error, error) < STAR_OVER_ARM_SIGMA)


def _dimmer_side(ridge: NDArray, along: NDArray) -> NDArray:
    """Light of the arm before an entry or behind it, whichever is less, (3, k); not below 0."""
    before = _mean_of_known(ridge[..., along <= -ARM_FROM_FWHM])
    behind = _mean_of_known(ridge[..., along >= ARM_FROM_FWHM])
    return np.nan_to_num(np.fmax(np.fmin(before, behind), 0))


def _sky_of_strips(sky: NDArray) -> tuple[NDArray, NDArray]:
    """Level and scatter of the sky beside each entry, a noise at least, (3, k)."""
    sky = sky.reshape(*sky.shape[:2], -1)
    level = quantile_of_known(sky, 0.5)
    spread = SIGMA_PER_DEVIATION * quantile_of_known(np.abs(sky - level[..., None]), 0.5)
    return level, np.hypot(spread, 1)


def _together_sigma(over: NDArray, error: NDArray) -> NDArray:
    """Significance of all channels together, (k,): one whose sky is rough tells little."""
    weight = np.where(np.isfinite(over), 1 / error, 0)
    total = (np.nan_to_num(over) * weight).sum(axis=0)
    return total / np.sqrt(np.maximum((weight**2).sum(axis=0), 1e-30))


def _mean_of_known(values: NDArray) -> NDArray:
    """Mean over the last axis of what is known; NaN where nothing is."""
    known = np.isfinite(values)
    count = known.sum(axis=-1)
    total = np.where(known, values, 0).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
