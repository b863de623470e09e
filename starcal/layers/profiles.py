"""The profiles of the three channels and how they change over the frame, measured together."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..cores import in_threads
from ..stars import Flag
from .core import CORE_FWHM, with_core
from .light import Channel
from .psf import Psf, textbook_psf
from .rims import Rims
from .shape_field import FEWEST_FOR_SHAPE, ShapeField, fit_shape_field
from .singles import USUAL_BETA, Singles, fit_singles
from .training import balanced
from .warp import warps_of
from .wings import Sources, ToldWings, told_wings

# A star's own shape says nothing against it here: where all stars are drawn out, all are flagged.
UNFIT_FOR_SHAPE = int(Flag.SATURATED | Flag.EDGE | Flag.BLENDED)
SHAPE_FIT_SNR, CORE_SNR = 12.0, 30.0
STEEP_BETA = 3.5  # of a Moffat profile: one that falls less steeply has light for factors on it
# how far a star may be from the field's shape, in ln FWHM and ellipticity, to tell of the profile
SHARPEST_PX = (
    1.0  # FWHM before pixels sum it; what is narrower is no star, and has no wings to tell
)
LIKE_OTHERS = 0.12
ENOUGH_SHOWN = 12  # stars that show in all channels
SURE = 4.0  # errors


@dataclass(frozen=True, eq=False)
class Profiles:
    """Profile of each channel, and the shapes of the stars over the frame."""

    psf: tuple[Psf, ...]
    field: ShapeField

    def warps(self, x_px: NDArray, y_px: NDArray) -> NDArray:
        """How the profile of each channel differs at places of the frame, (3, n, 3)."""
        return np.array([warps_at(self.field, c, x_px, y_px) for c in range(len(self.psf))])


def warps_at(field: ShapeField, channel: int, x_px: NDArray, y_px: NDArray) -> NDArray:
    """How the profile of one channel differs at places of the frame, (n, 3)."""
    size, lean = field.at(channel, x_px, y_px)
    return warps_of(size - np.log(field.middling(channel)), lean)


def first_profiles(channels: list[Channel], stars: Table) -> Profiles:
    """Profiles from the frame as it is: field, cores and wings."""
    places = np.array(stars["x_px"], float), np.array(stars["y_px"], float)
    planes = [c.unclipped() for c in channels]
    rows, singles = _singles(channels, planes, stars, places)
    field = _shapes_over_field(channels, singles, _places_of(rows, places))

    def bare(c: Channel) -> tuple[Psf, ToldWings | None, Callable[[Psf], Psf]]:
        warp = warps_at(field, c.index, *places)
        good = _for_core(field, c, singles[c.index], places, rows[c.index])
        core = partial(_core, plane=planes[c.index], places=places, warp=warp, rows=good)
        psf = core(_textbook_profile(field, singles, c.index))
        steep = psf.beta > STEEP_BETA
        told = _wings(psf, c, stars, places, warp, good) if steep else None
        return psf, told, core

    found = list(in_threads(bare, channels))
    sure = [told for _, told, _ in found if told and told.share.any()]

    def measured(c: Channel) -> Psf:
        psf, told, core = found[c.index]
        winged = told.as_others(sure).added_to(psf) if told else psf
        # the table was told beside a core without them
        return (psf if winged is psf else core(winged)).normalised()

    return Profiles(tuple(in_threads(measured, channels)), field)


def _places_of(rows: list[NDArray], places):
    """Where the stars of each channel are."""
    return [(places[0][chosen], places[1][chosen]) for chosen in rows]


def _wings(psf, channel, stars, places, warp, rows) -> ToldWings:
    """The wings that the brightest of some stars of a channel tell."""
    sources = Sources(x_px=places[0], y_px=places[1], warp=warp)
    flux = np.array(stars[f"flux_{channel.name}"])[rows]
    return told_wings(psf, channel.plane, sources, rows[np.argsort(-flux)])


def _textbook_profile(field: ShapeField, singles: list[Singles], channel: int) -> Psf:
    """The Moffat profile that a channel's single stars tell."""
    single = singles[channel]
    sharp_px = field.middling(channel) * np.exp(single.sharper)
    sharp_px = max(float(sharp_px), SHARPEST_PX)
    return textbook_psf(sharp_px, _beta(singles, channel), CORE_FWHM, _shift(single))


def profiles_on(
    profiles: Profiles,
    channels: list[Channel],
    planes: list[NDArray],
    stars: Table,
    places: tuple[NDArray, NDArray],
    rims: list[Rims | None],
) -> Profiles:
    """Field and cores measured again on planes with a flat background, stars at better places, and
    on the rims of clipped ones; the Moffat profiles and the wings stay."""
    rows, singles = _singles(channels, planes, stars, places)
    field = _shapes_over_field(channels, singles, _places_of(rows, places))

    def measured(channel: Channel) -> Psf:
        c = channel.index
        psf = profiles.psf[c]
        shape = replace(psf, shift_px=_shift(singles[c], psf.shift_px), scale=1.0)
        warp = warps_at(field, c, *places)
        good = _for_core(field, channel, singles[c], places, rows[c])
        return _core(shape, planes[c], places, warp, good, rims[c]).normalised()

    return Profiles(tuple(in_threads(measured, channels)), field)


def _singles(channels, planes, stars, places) -> tuple[list[NDArray], list[Singles]]:
    """Which stars tell the shapes of each channel, and their shapes."""

    def told(c: Channel) -> tuple[NDArray, Singles]:
        plane = planes[c.index]
        good = _seen_in_all(
            stars, _brightest_unspoilt(c, stars, UNFIT_FOR_SHAPE, SHAPE_FIT_SNR)
        )
        flux = np.array(stars[f"flux_{c.name}"])
        good = good[balanced(places[0][good], places[1][good], flux[good], plane.shape)]
        return good, _shapes_of(c, plane, places[0][good], places[1][good], flux[good])

    rows, singles = zip(*in_threads(told, channels), strict=True)
    return list(rows), list(singles)


def _shapes_of(channel: Channel, plane, x_px, y_px, flux) -> Singles:
    """Shapes of some stars of a channel."""
    return fit_singles(
        plane,
        x_px,
        y_px,
        flux,
        fwhm_px=channel.fwhm_px,
        noise=channel.noise,
        electrons_per_unit=channel.electrons_per_unit,
    )


def _shapes_over_field(channels, singles, places) -> ShapeField:
    shape, fwhm_px = channels[0].plane.shape, tuple(c.fwhm_px for c in channels)
    return fit_shape_field(singles, places, shape, fwhm_px)


def _beta(singles: list[Singles], channel: int) -> float:
    """Exponent of a channel, of the others if it has no stars to tell."""
    told = [s.beta for s in singles if len(s.flux) >= FEWEST_FOR_SHAPE]
    if len(singles[channel].flux) >= FEWEST_FOR_SHAPE:
        return singles[channel].beta
    return float(np.median(told)) if told else USUAL_BETA


def _shift(single: Singles, otherwise=(0.0, 0.0)) -> tuple[float, float]:
    """Where a channel's stars lie against the table's places, px."""
    if len(single.flux) < FEWEST_FOR_SHAPE:
        return otherwise
    x, y = np.median(single.shift_px, axis=0)
    return float(x), float(y)


def _for_core(field, channel, single, places, rows) -> NDArray:
    """Which stars tell the core: those like the others, and the bright ones among them.

    How bright is told by their own fits: where stars are drawn out, the table's errors are those of
    its round apertures.
    """
    alike = _like_others(field, channel.index, single, places, rows)
    return rows[alike & (single.size_error < 1 / CORE_SNR)]


def _like_others(field, channel, single, places, rows) -> NDArray[np.bool_]:
    """Stars whose own shape is what the field says of their place: no knots, no blends."""
    size, lean = field.at(channel, places[0][rows], places[1][rows])
    off = np.column_stack([single.size - size, single.lean - lean])
    error = np.column_stack([single.size_error, single.lean_error])
    return (np.abs(off) < np.maximum(LIKE_OTHERS, SURE * error)).all(axis=1)


def _core(psf, plane, places, warp, rows, rims=None) -> Psf:
    """The core from these stars, if they are enough."""
    if len(rows) < FEWEST_FOR_SHAPE:
        return psf
    return with_core(psf, plane, places[0][rows], places[1][rows], warp[rows], rims)


def _seen_in_all(stars: Table, rows: NDArray) -> NDArray:
    """Those of some stars that show in all channels, where they are enough: what two channels
    alone show may be a hot pixel of one exposure that was put into both."""
    seen = rows[np.array(stars["flags"])[rows] & Flag.FAINT == 0]
    return seen if len(seen) >= ENOUGH_SHOWN else rows


def _brightest_unspoilt(channel: Channel, stars: Table, unwanted: int, snr: float) -> NDArray:
    """Indices of the stars of at least this signal-to-noise without unwanted flags, brightest
    first."""
    flux = np.nan_to_num(np.array(stars[f"flux_{channel.name}"]))
    error = np.nan_to_num(np.array(stars[f"flux_error_{channel.name}"]))
    wanted = (np.array(stars["flags"]) & unwanted == 0) & (flux > snr * error)
    order = np.argsort(flux)[::-1]
    return order[wanted[order]]
