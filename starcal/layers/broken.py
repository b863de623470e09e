"""Cores that contradict their own wings: full at a level of their own, filled in, or summed up.

Stacks and surveys leave the cores of bright stars so, unlike from channel to channel, and several
entries may lie on one. No level tells them; but light that is a star's all round, and not in the
middle, has lost its middle. Such cores are no data, as full pixels are.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..stars import Flag
from ..stars.detection import connected
from .fluxes import FluxFit, fit_fluxes
from .light import Channel
from .profiles import Profiles, warps_at

HIDDEN_FWHM = (1.2, 2.0, 3.2)  # of a core, beyond the entries on it, the least that will do
ONE_CORE_FWHM = 2.0  # between neighbouring entries on one core
WINGS_FWHM = 2.5  # beyond what is hidden, on which the wings are judged
SUSPECT_MISFIT = 0.4  # of its light in some channel, of an entry worth a second look
SUSPECT_SNR = 50.0  # in the best one
WINGS_SIGMA = 15.0  # errors of the light by the wings alone
# Share of it that they may have not where the profile has it: those of broken stars have up to
# 0.3, what else is suspect (galaxies, knots, pairs) 1.1 and more
WINGS_MISFIT = 0.35
# Largest over smallest of the shares of that light which the channels have within the core: broken
# ones have 1.4 and more; a knot of nebula has one shape in all channels
UNLIKE_CORES = 1.25
MOVES = 4  # by which the middle of the wings is found


@dataclass(frozen=True, eq=False, kw_only=True)
class BrokenCores:
    """Stars whose cores are no data, all (m,).

    Attributes
    ----------
    row : ndarray of int
        The entry that stands for each.
    x_px, y_px, radius_px : ndarray
        Its middle by the wings, and how far out nothing is known.
    pieces : ndarray of int, (k,)
        Other entries on these cores.
    """

    row: NDArray[np.int_]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    radius_px: NDArray[np.float64]
    pieces: NDArray[np.int_]

    def __len__(self) -> int:
        """Count the stars."""
        return len(self.row)

    def moved(self, places: tuple[NDArray, NDArray]) -> tuple[NDArray, NDArray]:
        """Places of all entries, these at their middle."""
        x_px, y_px = places[0].copy(), places[1].copy()
        x_px[self.row], y_px[self.row] = self.x_px, self.y_px
        return x_px, y_px

    def hidden_in(self, channels: list[Channel]) -> list[Channel]:
        """The channels, where these cores count as clipped."""
        cores = np.zeros(channels[0].plane.shape, bool)
        for x_px, y_px, radius_px in zip(self.x_px, self.y_px, self.radius_px, strict=True):
            window, near = _disc_pixels(cores.shape, x_px, y_px, radius_px)
            cores[window] |= near
        return [replace(c, hidden=cores) for c in channels]

    def flagged(self, stars: Table) -> Table:
        """The table, these flagged as clipped."""
        table = stars.copy()
        table["flags"][self.row] |= Flag.SATURATED
        return table


def _disc_pixels(shape: tuple[int, int], x_px: float, y_px: float, radius_px: float):
    """A window, and which of its pixels lie within a radius of a place."""
    half = int(np.ceil(radius_px)) + 1
    row = max(round(float(y_px)) - half, 0)
    column = max(round(float(x_px)) - half, 0)
    window = slice(row, row + 2 * half + 1), slice(column, column + 2 * half + 1)
    y, x = np.ogrid[row : min(window[0].stop, shape[0]), column : min(window[1].stop, shape[1])]
    return window, np.hypot(x - x_px, y - y_px) <= radius_px


def broken_cores(
    channels: list[Channel],
    stars: Table,
    places: tuple[NDArray, NDArray],
    fits: list[FluxFit],
    profiles: Profiles,
) -> BrokenCores:
    """The stars of a fit whose cores contradict their wings.

    Parameters
    ----------
    channels : list of Channel
    stars : Table
    places : tuple of ndarray, (n,)
        x and y of all entries, px.
    fits : list of FluxFit
        Of them with their cores, in each channel.
    profiles : Profiles

    Returns
    -------
    BrokenCores
    """
    flux = np.array([fit.flux for fit in fits])
    snr = flux / np.maximum([fit.error for fit in fits], 1e-30)
    misfit = np.max([fit.misfit for fit in fits], axis=0)
    suspect = (misfit > SUSPECT_MISFIT) & (snr.max(axis=0) > SUSPECT_SNR)
    suspect &= np.array(stars["flags"]) & (Flag.SATURATED | Flag.EDGE) == 0
    rows = np.flatnonzero(suspect)
    found, pieces = [], []
    if len(rows):
        wings = _Wings(channels, profiles)
        for group in _on_one_core(places, rows, ONE_CORE_FWHM * wings.fwhm_px):
            star = wings.star_of(places, flux, group)
            if star is not None:
                main = group[np.argmax(snr[:, group].max(axis=0))]
                found.append((main, *star))
                pieces += [row for row in group if row != main]
    columns = np.array(found, float).reshape(-1, 4).T
    return BrokenCores(
        row=columns[0].astype(int),
        x_px=columns[1],
        y_px=columns[2],
        radius_px=columns[3],
        pieces=np.array(pieces, int),
    )


def _on_one_core(places, rows: NDArray, reach_px: float) -> list[NDArray]:
    """The rows of entries that hang together."""
    mark, count = connected(np.column_stack(places)[rows], reach_px)
    return [rows[mark == one] for one in range(count)]


class _Wings:
    """Judges what lies round cores by the profiles of a frame."""

    def __init__(self, channels: list[Channel], profiles: Profiles):
        self.channels, self.profiles = channels, profiles
        self.planes = [c.unclipped() for c in channels]
        self.fwhm_px = float(np.median([c.fwhm_px for c in channels]))

    def star_of(self, places, flux: NDArray, group: NDArray):
        """Middle and radius of the core of the star that entries lie on, if what lies round them is
        a star's and they are not; else None."""
        weight = flux[:, group].sum(axis=0)
        x_px = np.average(places[0][group], weights=weight)
        y_px = np.average(places[1][group], weights=weight)
        away = np.hypot(places[0][group] - x_px, places[1][group] - y_px).max()
        guess = flux[:, group].max(axis=1)
        for hidden in HIDDEN_FWHM:
            star = self._settled(x_px, y_px, hidden * self.fwhm_px + away, guess)
            if star is not None:
                return star
        return None

    def _settled(self, x_px: float, y_px: float, radius_px: float, guess: NDArray):
        """The same for a core of some radius."""
        for _ in range(MOVES):
            fits = []
            for fit in self._fitted(x_px, y_px, radius_px, guess):
                if not _starlike_wings(fit):  # most of what is suspect: the rest is not fitted
                    return None
                fits.append(fit)
            trust = [float(fit.flux[0] / fit.error[0]) ** 2 for fit in fits]
            x_px += np.average([fit.dx_px[0] for fit in fits], weights=trust)
            y_px += np.average([fit.dy_px[0] for fit in fits], weights=trust)
        if not self._unlike_cores(x_px, y_px, radius_px, fits):
            return None
        return x_px, y_px, radius_px

    def _unlike_cores(self, x_px: float, y_px: float, radius_px: float, fits) -> bool:
        """Whether the channels have unlike shares within a core of the light that wings tell."""
        window, near = _disc_pixels(self.planes[0].shape, x_px, y_px, radius_px)
        share = []
        for channel, plane, fit in zip(self.channels, self.planes, fits, strict=True):
            core = plane[window][near] - channel.sky
            share.append(np.nansum(core) / fit.flux[0])
        return bool(max(share) > UNLIKE_CORES * max(min(share), 0))

    def _fitted(self, x_px: float, y_px: float, radius_px: float, guess: NDArray) -> Iterator:
        """The light of a star at a place in one channel after the other, by what lies beyond a
        radius."""
        window, near = _disc_pixels(self.planes[0].shape, x_px, y_px, radius_px)
        at = np.array([x_px]), np.array([y_px])
        for c, plane, rough in zip(self.channels, self.planes, guess, strict=True):
            before = plane[window].copy()
            plane[window][near] = np.nan
            fit = fit_fluxes(
                plane,
                *at,
                self.profiles.psf[c.index],
                np.array([rough]),
                warp=warps_at(self.profiles.field, c.index, *at),
                sky=c.sky,
                noise=c.noise,
                electrons_per_unit=c.electrons_per_unit,
                radius_px=radius_px + WINGS_FWHM * c.fwhm_px,
                moving=True,
            )
            plane[window] = before
            yield fit


def _starlike_wings(fit: FluxFit) -> bool:
    """Whether what lies round a core has a star's light and shape."""
    return bool(fit.flux[0] > WINGS_SIGMA * fit.error[0] and fit.misfit[0] < WINGS_MISFIT)
