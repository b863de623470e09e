"""The light of a frame's stars, drawn again tile by tile, and what the pixels are worth without
it."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy import ndimage

from ..stars import CHANNELS
from .flares import Flares
from .psf import Psf
from .shape_field import ShapeField
from .stamps import disc_offsets
from .warp import longest

CLIPPED_SHARE = 0.97  # pixels above this share of the clipping level have lost light
# full pixels lie so far out one way, against the other: trails reach an axis ratio of a half
LONGEST_CORE = 2.0
LEAST_MISFIT = 0.01  # share of its light that the model of any star is wrong by
WING_MISFIT = (
    0.02  # a model is wrong by this share of its light more for each FWHM from the centre
)
FADE_SHARE = 0.15  # of a star's footprint, at its rim: the model goes to 0 there without a step
TILE_PX, MARGIN_PX = 1024, 64
SIZE_STEP = 1.25  # stars are drawn together with stars of like size
BATCH_PIXELS = 1_000_000
LEAST_VARIANCE = np.float32(1e-18)


@dataclass(frozen=True, eq=False, kw_only=True)
class Channel:
    """One channel of a frame and what is known of it.

    Attributes
    ----------
    index, name : int, str
    plane : ndarray, (y, x) float32
    sky, noise, electrons_per_unit : float
        Of a dark pixel, and what photon noise follows from.
    clip_level : float
        NaN: nothing clips.
    fwhm_px : float
        Of its stars, as the table says.
    """

    index: int
    name: str
    plane: NDArray[np.float32]
    sky: float
    noise: float
    electrons_per_unit: float
    clip_level: float
    fwhm_px: float

    def clipped(self, window=np.s_[:, :]) -> NDArray[np.bool_]:
        """Pixels that have lost light by clipping."""
        return self.plane[window] >= CLIPPED_SHARE * self.clip_level

    def without(self, flares: Flares) -> "Channel":
        """The same channel less the light of flares, but for clipped pixels."""
        light = flares.plane(self.index, self.plane.shape)
        plane = np.where(self.clipped(), self.plane, self.plane - light)
        return replace(self, plane=plane)

    def unclipped(self) -> NDArray[np.float32]:
        """A copy of the plane with NaN where it is clipped, and where the rest of a charge that ran
        over lies."""
        return np.where(self._spoilt, np.float32(np.nan), self.plane)

    @cached_property
    def _spoilt(self) -> NDArray[np.bool_]:
        """Clipped pixels, and those beside columns of them."""
        full = self.clipped()
        marks, _ = ndimage.label(full)
        for mark, window in enumerate(ndimage.find_objects(marks), start=1):
            if is_long(window):
                rows, columns = (slice(max(s.start - 1, 0), s.stop + 1) for s in window)
                own = marks[rows, columns] == mark
                full[rows, columns] |= ndimage.binary_dilation(own)
        return full


def is_long(window: tuple[slice, slice]) -> bool:
    """Whether full pixels lie farther one way than those of a star's core do.

    Parameters
    ----------
    window : tuple of slice
        Rows and columns of the pixels.

    Returns
    -------
    bool
    """
    height, width = (part.stop - part.start for part in window)
    return max(height, width) > LONGEST_CORE * max(min(height, width), 2)


def channels_of(pixels: NDArray, stars: Table) -> list[Channel]:
    """Channels of a frame, from its pixels and the star table measured on it."""
    noise = stars.meta["noise"]
    return [
        Channel(
            index=i,
            name=name,
            plane=pixels[i],
            sky=noise.sky[i],
            noise=max(noise.noise[i], 1e-9),
            electrons_per_unit=noise.electrons_per_unit[i],
            clip_level=stars.meta["clip_level"][i],
            fwhm_px=stars.meta["fwhm_px"][i],
        )
        for i, name in enumerate(CHANNELS)
    ]


@dataclass(frozen=True, eq=False, kw_only=True)
class StarModel:
    """What the frame's stars are like: enough to draw each of them again.

    Attributes
    ----------
    x_px, y_px : ndarray, (n,)
        Positions after the joint fit.
    psf : tuple of Psf
        One a channel; none if there is no star.
    warp : ndarray, (3, n, 3)
        How the profile of each channel differs at each star; see `warp`.
    flux, flux_error, misfit : ndarray, (3, n)
        Fitted light, its error, and by what share of its light each star differs from the model.
        Flux 0 in all channels: not a star.
    reach_px : ndarray, (n,)
        Radius of each star's footprint; 0 for what is not split off.
    field : ShapeField or None
        How the shapes change over the frame; None if there is no star.
    flares : Flares or None
        Spikes and reflections of bright stars; None if none were found.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    psf: tuple[Psf, ...]
    warp: np.ndarray
    flux: np.ndarray
    flux_error: np.ndarray
    misfit: np.ndarray
    reach_px: np.ndarray
    field: ShapeField | None = None
    flares: Flares | None = None

    @property
    def unlike(self) -> NDArray:
        """Share of each star's light that has not the profile, (3, n); 0: no more than any
        model's."""
        return np.sqrt(np.maximum(self.misfit**2 - LEAST_MISFIT**2, 0))

    def profile(self, channel: int, star: NDArray, dx_px: NDArray, dy_px: NDArray) -> NDArray:
        """Share of each pixel's own star's light at an offset from that star; all (k,)."""
        return self.psf[channel](dx_px, dy_px, self.warp[channel][star])

    def seen_profile(self, star: NDArray, dx_px: NDArray, dy_px: NDArray) -> NDArray:
        """The same, above 0 everywhere, of the channel the eye sees best: it stands for all of them
        where stars share a pixel."""
        return np.maximum(
            self.psf[1].smooth(dx_px, dy_px, self.warp[1][star]), np.float32(1e-20)
        )


@dataclass(frozen=True)
class Tile:
    """A window of the frame, and the same with a margin that shows what lies around."""

    inner: tuple[slice, slice]
    outer: tuple[slice, slice]

    @property
    def inner_of_outer(self) -> tuple[slice, slice]:
        """Where the window lies in the same with a margin."""
        return tuple(
            slice(i.start - o.start, i.stop - o.start)
            for i, o in zip(self.inner, self.outer, strict=True)
        )


def tiles(shape: tuple[int, int]) -> Iterator[Tile]:
    """Cut a frame into tiles, so that temporaries stay small.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns.

    Yields
    ------
    Tile
    """
    for top in range(0, shape[0], TILE_PX):
        for left in range(0, shape[1], TILE_PX):
            inner = tuple(
                slice(a, min(a + TILE_PX, n)) for a, n in zip((top, left), shape, strict=True)
            )
            outer = tuple(
                slice(max(0, s.start - MARGIN_PX), min(n, s.stop + MARGIN_PX))
                for s, n in zip(inner, shape, strict=True)
            )
            yield Tile(inner, outer)


def touching(model: StarModel, window) -> NDArray[np.bool_]:
    """Stars whose footprint may reach into a window, (n,)."""
    rows, columns, reach = *window, model.reach_px
    return (
        (reach > 0)
        & (model.x_px > columns.start - reach - 1)
        & (model.x_px < columns.stop + reach)
        & (model.y_px > rows.start - reach - 1)
        & (model.y_px < rows.stop + reach)
    )


def drawn(model: StarModel, window) -> Iterator[tuple[NDArray, ...]]:
    """The pixels of a window that lie in the footprint of each star, in batches of stars of like
    size.

    Parameters
    ----------
    model : StarModel
    window : tuple of slice
        Rows and columns.

    Yields
    ------
    star : ndarray, (k,)
        Which star each pixel is of.
    place : ndarray, (k,)
        Flat index of the pixel in the window.
    dx_px, dy_px : ndarray, (k,) float32
        Offset of the pixel from the star.
    """
    chosen = np.flatnonzero(touching(model, window))
    size = np.ceil(np.log(np.maximum(model.reach_px[chosen], 1)) / np.log(SIZE_STEP)).astype(
        int
    )
    for step in np.unique(size):
        offsets, group = disc_offsets(SIZE_STEP**step + 1), chosen[size == step]
        for some in np.array_split(group, len(group) * len(offsets[0]) // BATCH_PIXELS + 1):
            yield _footprints(model, window, some, offsets)


def _footprints(model, window, some, offsets):
    """See `drawn`: the same for a few stars."""
    rows, columns = window
    xs, dx = _pixels_along(model.x_px[some, None], offsets[0])
    ys, dy = _pixels_along(model.y_px[some, None], offsets[1])
    use = _lies_in(columns, xs) & _lies_in(rows, ys)
    use &= dx**2 + dy**2 <= model.reach_px[some, None].astype(np.float32) ** 2
    place = (ys - rows.start) * (columns.stop - columns.start) + xs - columns.start
    return some[np.nonzero(use)[0]], place[use], dx[use], dy[use]


def _lies_in(part: slice, places):
    """Whether places along an axis lie in a part of it."""
    return (places >= part.start) & (places < part.stop)


def _pixels_along(at_px, offsets):
    """Pixels round each place along one axis, and how far they are from it."""
    pixels = offsets + np.rint(at_px).astype(int)
    return pixels, (pixels - at_px).astype(np.float32)


def footprint(model: StarModel, window) -> NDArray[np.bool_]:
    """Pixels of a window that lie in any star's footprint."""
    covered = np.zeros([s.stop - s.start for s in window], bool)
    for _, place, _, _ in drawn(model, window):
        covered.flat[place] = True
    if model.flares is not None:
        _, place = model.flares.within(window)
        covered.flat[place] = True
    return covered


def shining(
    model: StarModel, luminance: NDArray, window
) -> Iterator[tuple[NDArray, NDArray, NDArray]]:
    """What each star gives to the luminance of the pixels of a window, spikes and all.

    Parameters
    ----------
    model : StarModel
    luminance : ndarray, (n,)
        Of each star's whole light.
    window : tuple of slice
        Rows and columns.

    Yields
    ------
    star, place, light : ndarray, (k,)
        Which star, the flat index of the pixel in the window, and how much.
    """
    for star, place, dx, dy in drawn(model, window):
        yield star, place, luminance[star] * model.seen_profile(star, dx, dy)
    if model.flares is not None:
        chosen, place = model.flares.within(window)
        yield model.flares.star[chosen], place, model.flares.luminance()[chosen]


def star_light(
    model: StarModel, channel: Channel, window
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Light of all stars in a window, and the variance that taking it away adds to a pixel."""
    light, doubt = np.zeros((2, *(s.stop - s.start for s in window)), np.float32)
    for star, place, dx, dy in drawn(model, window):
        own, wrong = _light_and_error(model, channel.index, star, dx, dy)
        np.add.at(light.ravel(), place, own.astype(np.float32))
        np.add.at(doubt.ravel(), place, (own**2 * wrong).astype(np.float32))
    if model.flares is not None:
        chosen, place = model.flares.within(window)
        np.add.at(light.ravel(), place, model.flares.light[channel.index, chosen])
        np.add.at(doubt.ravel(), place, model.flares.doubt[channel.index, chosen])
    return light, doubt + np.maximum(light, 0) / np.float32(channel.electrons_per_unit)


def _light_and_error(model: StarModel, channel: int, star, dx, dy):
    """Light of each star in its pixels, (k,), and the variance of it as a share of its square."""
    flux, radius = model.flux[channel][star], np.hypot(dx, dy)
    fade = np.clip((1 - radius / model.reach_px[star]) / FADE_SHARE, 0, 1)
    own = flux * model.profile(channel, star, dx, dy) * fade
    width = model.psf[channel].fwhm_px * longest(model.warp[channel][star])
    share = model.flux_error[channel][star] / np.maximum(flux, 1e-30)
    wrong = model.misfit[channel][star] ** 2 + share**2 + (WING_MISFIT * radius / width) ** 2
    return own, wrong


@dataclass(frozen=True, eq=False)
class Rest:
    """A tile of a channel less its stars' light, all (y, x): pixels, the light, what is uncertain
    of them, which tell anything."""

    values: NDArray[np.float32]
    light: NDArray[np.float32]
    doubt: NDArray[np.float32]
    known: NDArray[np.bool_]

    def weight(self, noise: NDArray | float) -> NDArray[np.float32]:
        """Inverse variance of each pixel against that of a pixel without star light."""
        variance = np.maximum(noise**2, LEAST_VARIANCE)  # a star layer's sky has none
        return np.where(self.known, variance / (variance + self.doubt), 0).astype(np.float32)


def rest_of(model: StarModel, channel: Channel, window) -> Rest:
    """Take the stars' light out of a window; pixels without data or clipped are 0 and not known."""
    light, doubt = star_light(model, channel, window)
    values = channel.plane[window]
    clipped, known = channel.clipped(window), np.isfinite(values)
    if clipped.any():
        known &= ~ndimage.binary_dilation(clipped)
    return Rest(np.where(known, values - light, 0).astype(np.float32), light, doubt, known)
