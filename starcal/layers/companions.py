"""Stars so near to a brighter one that the table has one entry for both.

Whatever a star's profile leaves beside it, and has the shape of a star itself, is light of another
one. It is fitted beside the first, whose own light and place are then right, and goes with it: left
behind it would stand in the nebula as a knot in the colour of uncalibrated stars.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table, vstack
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..stars import CHANNELS, SHAPE_SNR, Flag
from .flares import Flares
from .fluxes import FluxFit
from .light import Channel, SecondStars, StarModel, drawn, star_pixels
from .second_light import FittedChannel, second_light

BESIDE_FWHM = (0.6, 2.2)  # from the first star
PLACE_STEP_FWHM = 0.4
STRAY_SHARE = 0.04  # of the first star's light; profiles are wrong by half of that
COMPANION_SIGMA = 8.0  # errors, of all channels together
SHOWN_SIGMA = 2.5  # errors, in each channel
NOT_FOR_COMPANIONS = int(Flag.SATURATED | Flag.EDGE | Flag.DEFECT)
APART_FWHM = 0.7  # from every other entry, or it is that


@dataclass(frozen=True, eq=False, kw_only=True)
class Companions:
    """Places of stars beside entries of a table, and the rows of these, all (m,); their light in
    each channel, (3, m)."""

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    beside: NDArray[np.int_]
    flux: NDArray[np.float64]

    def __len__(self) -> int:
        """Count them."""
        return len(self.beside)

    def after(self, places: tuple[NDArray, NDArray]) -> tuple[NDArray, NDArray]:
        """Places of stars, then of these."""
        return np.append(places[0], self.x_px), np.append(places[1], self.y_px)

    def at(self, x_px: NDArray, y_px: NDArray) -> "Companions":
        """The same at other places, the last of those given."""
        first = len(x_px) - len(self)
        return replace(
            self,
            x_px=x_px[first:],
            y_px=y_px[first:],
        )

    def some(self, which: NDArray[np.bool_]) -> "Companions":
        """A part of them."""
        return Companions(
            x_px=self.x_px[which],
            y_px=self.y_px[which],
            beside=self.beside[which],
            flux=self.flux[:, which],
        )

    def appended_to(self, stars: Table) -> Table:
        """The table with a row for each of them; they and those they stand beside are blends."""
        longer = stars.copy()
        longer["flags"][self.beside] |= Flag.BLENDED
        more = longer[self.beside]
        more["x_px"] = self.x_px
        more["y_px"] = self.y_px
        more["flags"] = int(Flag.BLENDED)
        for name, flux in zip(CHANNELS, self.flux, strict=True):
            more[f"flux_{name}"] = flux
        return vstack([longer, more], metadata_conflicts="silent")


def companions_of(
    fitted: list[FittedChannel],
    error: NDArray,
    fair: NDArray[np.bool_],
    coloured: Callable[[NDArray], NDArray[np.bool_]],
) -> Companions:
    """Stars that show beside those of a fit, one for each at most.

    Parameters
    ----------
    fitted : list of FittedChannel
        The fit in all channels.
    error : ndarray, (channels, n)
        Of its fluxes.
    fair : ndarray of bool, (n,)
        Entries that are stars, whole and of unclipped light.
    coloured : callable
        Whether fluxes, (3, ...), are those of a star of this frame, (...).
    """
    first = np.array([one.flux for one in fitted])
    seen = np.max(first / np.maximum(error, 1e-30), axis=0) > SHAPE_SNR
    fwhm_px = float(np.median([one.channel.fwhm_px for one in fitted]))
    grid = _places_beside(fwhm_px)
    told, rows = _SecondLight.beside(fitted, np.flatnonzero(fair & seen), grid)
    places = np.stack([fitted[0].x_px, fitted[0].y_px])
    at_px = places[:, rows, None] + grid[:, None, :]
    nearest_px = cKDTree(places.T).query(at_px.T)[0].T
    free = nearest_px > APART_FWHM * fwhm_px
    sigma = told.sigma(first[:, rows], free & coloured(told.light))
    best = np.argmax(sigma, axis=1)
    sigma = sigma[np.arange(len(rows)), best]
    order = np.argsort(sigma)[::-1]
    chosen = order[sigma[order] > COMPANION_SIGMA]
    found = told.companions(
        at_px,
        rows,
        chosen,
        best[chosen],
    )
    return found.some(_first_there(found, APART_FWHM * fwhm_px))


@dataclass(frozen=True, eq=False, kw_only=True)
class _SecondLight:
    """Light of stars at places beside others, and its error, (channels, k, g)."""

    light: NDArray[np.float64]
    error: NDArray[np.float64]

    @classmethod
    def beside(
        cls, fitted: list[FittedChannel], rows, grid
    ) -> tuple["_SecondLight", NDArray[np.int_]]:
        """Beside those of some stars of a fit that show one in all channels, and their rows. Most
        show none in the first channel, and are not looked at in the others."""
        light = np.empty((0, len(rows), grid.shape[1]))
        error = light
        for one in fitted:
            more, doubt = second_light(one, rows, grid)
            light = np.append(light, more[None], axis=0)
            error = np.append(error, doubt[None], axis=0)
            shown = _shown(more, doubt, one.flux[rows]).any(axis=1)
            rows = rows[shown]
            light = light[:, shown]
            error = error[:, shown]
        return cls(light=light, error=error), rows

    def sigma(self, first: NDArray, may_be: NDArray[np.bool_]) -> NDArray:
        """By how many errors a companion shows at each place, (k, g); 0 where there is none, as in
        some channel it does not show or has too little of the first star's light, (channels, k)."""
        seen = np.all(_shown(self.light, self.error, first), axis=0) & may_be
        return np.where(seen, np.sqrt(np.sum((self.light / self.error) ** 2, axis=0)), 0)

    def companions(self, at_px, rows, chosen, best) -> Companions:
        """Those beside chosen rows, at the best of the places."""
        return Companions(
            x_px=at_px[0, chosen, best],
            y_px=at_px[1, chosen, best],
            beside=rows[chosen],
            flux=self.light[:, chosen, best],
        )


def _shown(light: NDArray, error: NDArray, first: NDArray) -> NDArray[np.bool_]:
    """Where light beside stars stands out of its error, and is more of the first star's light,
    (..., k), than its profile may be wrong by, (..., k, g)."""
    return (light > STRAY_SHARE * first[..., None]) & (light > SHOWN_SIGMA * error)


def _places_beside(fwhm_px: float) -> NDArray[np.int_]:
    """Where a companion may be, from the first star, whole pixels, (2, g)."""
    nearest, farthest = BESIDE_FWHM
    step = max(1, round(PLACE_STEP_FWHM * fwhm_px))
    most = int(farthest * fwhm_px) // step * step
    steps = np.arange(-most, most + 1, step)
    x, y = np.meshgrid(steps, steps)
    away = np.hypot(x, y) / fwhm_px
    within = (away >= nearest) & (away <= farthest)
    return np.array([x[within], y[within]])


def _first_there(found: Companions, radius_px: float) -> NDArray[np.bool_]:
    """Which of them have none before them so near, (m,): one star may show beside two."""
    first = np.ones(len(found), bool)
    if len(found):
        tree = cKDTree(np.column_stack([found.x_px, found.y_px]))
        for one, other in sorted(tree.query_pairs(radius_px)):
            first[other] &= ~first[one]
    return first


def remaining(
    fits: list[FluxFit],
    beside: NDArray[np.int_],
    coloured: Callable[[NDArray], NDArray],
) -> NDArray[np.bool_]:
    """Which of the companions, the last entries of a fit, are stars by it, (m,).

    Parameters
    ----------
    fits : list of FluxFit
        Of n stars, then of their m companions.
    beside : ndarray, (m,)
        Which of the n each companion stands beside.
    coloured : callable
        As for `companions_of`.
    """
    flux = np.array([f.flux for f in fits])
    error = np.array([f.error for f in fits])
    own = flux[:, -len(beside) :]
    first = flux[:, beside]
    least = np.maximum(SHOWN_SIGMA * error[:, -len(beside) :], STRAY_SHARE * first)
    fainter = np.any(own < first, axis=0)  # else the table would have it
    return np.all(own > least, axis=0) & fainter & coloured(own)


def joined(channels: list[Channel], model: StarModel, beside: NDArray[np.int_]) -> StarModel:
    """The model of the first stars, to which the light of their companions belongs.

    Parameters
    ----------
    channels : list of Channel
    model : StarModel
        Of n stars, then of their m companions.
    beside : ndarray, (m,)
        Which of the n each companion stands beside.
    """
    n = len(model.x_px) - len(beside)
    if not len(beside):
        return model
    owner = np.append(np.arange(n), beside)
    flares = model.flares
    if flares is not None:
        flares = replace(flares, star=owner[flares.star])
    alone = replace(_part(model, slice(n, None)), flares=None)
    light = _light_of_companions(channels, alone, beside)
    second = SecondStars(light=light, alone=alone, owner=beside)
    return replace(_part(model, slice(n)), flares=flares, companions=second)


def _part(model: StarModel, rows: slice) -> StarModel:
    """The model of some of its stars."""
    return replace(
        model,
        x_px=model.x_px[rows],
        y_px=model.y_px[rows],
        warp=model.warp[:, rows],
        flux=model.flux[:, rows],
        flux_error=model.flux_error[:, rows],
        misfit=model.misfit[:, rows],
        reach_px=model.reach_px[rows],
    )


def _light_of_companions(channels, alone: StarModel, owner) -> Flares:
    """Pixels of the companions, as light of those they stand beside."""
    rows, columns = channels[0].plane.shape
    indices = [c.index for c in channels]
    none = np.empty((len(indices), 0), np.float32)
    star, place = [np.empty(0, int)], [np.empty(0, int)]
    light, doubt = [none], [none]
    for some, at, dx, dy in drawn(alone, (slice(0, rows), slice(0, columns))):
        own, wrong = star_pixels(alone, indices, some, dx, dy)
        star.append(some)
        place.append(at)
        light.append(own)
        doubt.append(wrong)
    row, column = np.divmod(np.concatenate(place), columns)
    return Flares(
        star=owner[np.concatenate(star)],
        row=row,
        column=column,
        light=np.concatenate(light, axis=1),
        doubt=np.concatenate(doubt, axis=1),
    )
