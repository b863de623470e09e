"""What is too sharp, or too much of one channel, to be a star: cosmic rays and hot pixels.

They stay in the starless frame, for a tool that mends defects; as stars they would be recoloured.
"""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..robust import scatter
from ..stars import SHAPE_SNR, Flag
from ..stars.defects import NARROWEST_STAR_PX
from .fluxes import FluxFit
from .light import Channel
from .psf import Psf
from .stamps import stamps_at, values_at

DIRECTIONS = ((1, 0), (0, 1), (1, 1), (1, -1))
STAR_SHARE = 0.55  # of what a star's neighbouring pixels have; less in any direction is no star
SHARP_SIGMA = 2.5  # that noise may take from it
IN_ALL_SIGMA = 5.0  # errors in each channel
LOW_SHARE, LOW_SIGMA = 0.3, 3.0  # of the lowest ratio of channels that sure stars have
LOWEST_PERCENTILE = 1.0
TAIL_SIGMA = (
    3.0  # robust ones, below the middle of their logarithms, where stars end at the latest
)
FEWEST_SURE = 20  # stars, for a percentile
UNSURE = int(Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.SHAPE)


def specks(
    channels: list[Channel],
    profiles: list[tuple[Psf, NDArray]],
    places: tuple[NDArray, NDArray],
    fits: list[FluxFit],
    stars: Table,
) -> NDArray[np.bool_]:
    """Which entries of the table are no stars, (n,).

    Parameters
    ----------
    channels : list of Channel
    profiles : list of (Psf, ndarray (n, 3))
        Profile and warps of each channel.
    places : tuple of ndarray, (n,)
    fits : list of FluxFit
    stars : Table
    """
    best = np.argmax([f.flux / np.maximum(f.error, 1e-30) for f in fits], axis=0)
    sharp = _sharp_where_best(channels, profiles, places, best)
    if max(psf.fwhm_px for psf, _ in profiles) < NARROWEST_STAR_PX:
        # a star in the middle of a pixel is then as sharp as a hot one
        sharp &= ~np.all([f.flux > IN_ALL_SIGMA * f.error for f in fits], axis=0)
    flags = np.array(stars["flags"])
    sure = (flags & UNSURE == 0) & (np.array(stars["snr"]) >= SHAPE_SNR) & ~sharp
    lone = dark_in_some(fits, best, sure, np.full(len(best), LOW_SHARE))
    return (sharp | lone) & (flags & Flag.SATURATED == 0)


def _sharp_where_best(channels, profiles, places, best) -> NDArray[np.bool_]:
    """Entries too sharp for a star in the channel that shows them best, (n,)."""
    sharp = np.zeros(len(best), bool)
    for c in channels:
        mine = np.flatnonzero(best == c.index)
        psf, warp = profiles[c.index]
        sharp[mine] = _too_sharp(c, psf, warp[mine], places[0][mine], places[1][mine])
    return sharp


def _too_sharp(channel, psf, warp, x_px, y_px) -> NDArray[np.bool_]:
    """Entries whose brightest pixel stands out of its neighbours more than a star's that lies in
    the middle of a pixel, in any of four directions."""
    column, row = _brightest_pixels(channel.plane, x_px, y_px)
    level = _ring_median(channel, x_px, y_px)
    peak = np.maximum(values_at(channel.plane, column, row) - level, channel.noise)
    sharp = np.zeros(len(x_px), bool)
    for dx, dy in DIRECTIONS:
        beside = _mean_beside(channel.plane, column, row, dx, dy)
        share = (beside - level) / peak
        error = channel.noise * np.sqrt(0.5 + share**2) / peak
        sharp |= share + SHARP_SIGMA * error < STAR_SHARE * _share_of_star(psf, warp, dx, dy)
    return sharp


def _mean_beside(plane, column, row, dx, dy):
    """Mean of the two pixels that lie a step away, one on either side."""
    before = values_at(plane, column - dx, row - dy)
    after = values_at(plane, column + dx, row + dy)
    return np.mean([before, after], axis=0)


def _share_of_star(psf, warp, dx, dy):
    """Light of a star some pixels from its middle against that in the middle."""
    x, y = psf.shift_px
    central = psf(np.float32(x), np.float32(y), warp)
    return psf(np.float32(x + dx), np.float32(y + dy), warp) / central


def _brightest_pixels(plane, x_px, y_px):
    """Column and row of the brightest of the nine pixels about each place."""
    down, across = (part.ravel() - 1 for part in np.indices((3, 3)))
    column, row = np.rint(x_px).astype(int), np.rint(y_px).astype(int)
    values = values_at(plane, column[:, None] + across, row[:, None] + down)
    best = np.argmax(np.nan_to_num(values, nan=-np.inf), axis=1)
    return column + across[best], row + down[best]


def _ring_median(channel, x_px, y_px):
    """Median of the pixels on a ring two widths out, (n,)."""
    angle, radius = np.arange(0, 2 * np.pi, np.pi / 12), 2 * channel.fwhm_px
    offsets = np.rint(radius * np.cos(angle)).astype(int), np.rint(radius * np.sin(angle))
    values = stamps_at(channel.plane, x_px, y_px, (offsets[0], offsets[1].astype(int)))[0]
    return np.nan_to_num(np.median(np.where(np.isfinite(values), values, channel.sky), axis=1))


def dark_in_some(
    fits: list[FluxFit],
    best: NDArray[np.int_],
    sure: NDArray[np.bool_],
    share: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Entries that have less light in some channel, against that in their best, than a share of
    what any sure star has, (n,).

    Parameters
    ----------
    fits : list of FluxFit
        Of each channel.
    best : ndarray of int, (n,)
        The channel that shows each entry best.
    sure : ndarray of bool, (n,)
        Entries that are stars.
    share : ndarray, (n,)
        Of each entry.

    Returns
    -------
    ndarray of bool, (n,)
    """
    flux = np.array([f.flux for f in fits])
    error = np.array([f.error for f in fits])
    lone = np.zeros(len(best), bool)
    for main in range(len(fits)):
        mine = best == main
        known = sure & (flux[main] > SHAPE_SNR * error[main])
        enough = np.count_nonzero(known) >= FEWEST_SURE
        if enough:
            lone |= mine & _dark_in_another(flux, error, main, known, share)
    return lone


def _dark_in_another(flux, error, main: int, known, share) -> NDArray[np.bool_]:
    """Entries that have less light in another channel than in one, against known stars."""
    dark = np.zeros(flux.shape[1], bool)
    for light, doubt in zip(flux, error, strict=True):
        lowest = _lowest_ratio(light[known] / flux[main, known])
        dark |= light + LOW_SIGMA * doubt < share * lowest * flux[main]
    return dark


def _lowest_ratio(ratio) -> float:
    """Lowest ratio of two channels that stars have; not that of specks among what seemed sure."""
    logarithm = np.log(np.maximum(ratio, 1e-6))
    usual = np.median(logarithm) - TAIL_SIGMA * scatter(logarithm)
    return max(float(np.percentile(ratio, LOWEST_PERCENTILE)), float(np.exp(usual)))
