"""The light of a frame's stars, drawn again tile by tile, and what the pixels are worth without
it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy import ndimage

from ..frame.room import room_for
from ..stars import CHANNELS
from .flares import Flares
from .patches import Patches, with_neighbours
from .psf import Psf
from .shape_field import ShapeField
from .stamps import disc_offsets
from .surplus import SURPLUS_DOUBT, Surplus
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
BATCH_PIXELS = 250_000  # pixels of stars that are drawn together: some ten arrays of them
MOST_UNSURE = 1e9  # times its light: that of a star which a channel does not show is 0
PLANE_ROWS = 256  # of a plane that is looked at or copied, at a time
LEAST_VARIANCE = np.float32(1e-18)


@dataclass(frozen=True, eq=False, kw_only=True)
class Channel:
    """One channel of a frame and what is known of it.

    Attributes
    ----------
    index, name : int, str
    plane : ndarray or MendedPlane, (y, x) float32
    sky, noise, electrons_per_unit : float
        Of a dark pixel, and what photon noise follows from.
    clip_level : float
        NaN: nothing clips.
    fwhm_px : float
        Of its stars, as the table says.
    hidden : ndarray of bool, (y, x), or None
        Pixels that count as clipped whatever they show.
    """

    index: int
    name: str
    plane: NDArray[np.float32]
    sky: float
    noise: float
    electrons_per_unit: float
    clip_level: float
    fwhm_px: float
    hidden: NDArray[np.bool_] | None = None

    def clipped(self, window=np.s_[:, :]) -> NDArray[np.bool_]:
        """Pixels that have lost light by clipping."""
        full = self.plane[window] >= CLIPPED_SHARE * self.clip_level
        return full if self.hidden is None else full | self.hidden[window]

    @cached_property
    def full_places(self) -> NDArray[np.int_]:
        """Numbers of the pixels that have lost light by clipping, row by row."""
        width = self.plane.shape[1]
        found = [
            np.flatnonzero(self.clipped(np.s_[top : top + PLANE_ROWS])) + top * width
            for top in range(0, self.plane.shape[0], PLANE_ROWS)
        ]
        return np.concatenate(found)

    def without(self, flares: Flares) -> "Channel":
        """The same channel less the light of flares, but for clipped pixels."""
        light = flares.plane(self.index, self.plane.shape)
        light.ravel()[self.full_places] = 0
        return replace(self, plane=np.subtract(self.plane, light, out=light))

    def unclipped(self, out: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
        """A copy of the plane, in an array that is given or a new one, with NaN where it is
        clipped, and where the rest of a charge that ran over lies."""
        whole = room_for(self.plane.shape) if out is None else out
        for top in range(0, len(whole), PLANE_ROWS):
            whole[top : top + PLANE_ROWS] = self.plane[top : top + PLANE_ROWS]
        whole.ravel()[self._spoilt_places] = np.nan
        return whole

    @cached_property
    def _spoilt_places(self) -> NDArray[np.int_]:
        """Clipped pixels, and those beside columns of them, by their numbers."""
        patches = Patches.of(self.full_places, self.plane.shape)
        long = [mark for mark, window in enumerate(patches.windows(), 1) if is_long(window)]
        over = patches.place[np.isin(patches.mark, long)]
        return np.union1d(self.full_places, with_neighbours(over, self.plane.shape))


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
    companions : SecondStars or None
        Stars so near to another that they have no entry of their own; they go with that.
    hidden : tuple of ndarray or None
        Pixels of each channel that count as clipped, see `broken`; None where a channel has none.
    surplus : Surplus or None
        What stars have round them by how bright they are; None: their profile has it all.
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
    companions: "SecondStars | None" = None
    hidden: tuple[NDArray[np.bool_] | None, ...] = (None, None, None)
    surplus: Surplus | None = None

    @property
    def besides(self) -> list[Flares]:
        """Light that goes with stars besides their profiles."""
        second = None if self.companions is None else self.companions.light
        return [more for more in (self.flares, second) if more is not None]

    @property
    def unlike(self) -> NDArray:
        """Share of each star's light that has not the profile, (3, n); 0: no more than any
        model's."""
        return np.sqrt(np.maximum(self.misfit**2 - LEAST_MISFIT**2, 0))

    @cached_property
    def unlikeness(self) -> NDArray[np.float32]:
        """Variance of each star's light as a share of its square, next to its centre, (3, n)."""
        share = np.minimum(self.flux_error / np.maximum(self.flux, 1e-30), MOST_UNSURE)
        misfit = np.minimum(self.misfit, MOST_UNSURE)  # of a star without light it has no bound
        return (misfit**2 + share**2).astype(np.float32)

    @cached_property
    def misfit_per_px(self) -> NDArray[np.float32]:
        """By what share of its light the model of each star is wrong more for each pixel from its
        centre, (3, n)."""
        widths = np.array([psf.fwhm_px for psf in self.psf]).reshape(-1, 1)
        return (WING_MISFIT / (widths * longest(self.warp))).astype(np.float32)

    def of_stars(self, chosen: NDArray[np.bool_]) -> "StarModel":
        """The same with the light of some stars alone, and of what goes with them."""
        second = self.companions
        if second is not None:
            alone = second.alone.of_stars(chosen[second.owner])
            second = replace(second, alone=alone, light=second.light.of_stars(chosen))
        return replace(
            self,
            reach_px=np.where(chosen, self.reach_px, 0),
            flares=None if self.flares is None else self.flares.of_stars(chosen),
            companions=second,
        )

    def profile(self, channel: int, star: NDArray, dx_px: NDArray, dy_px: NDArray) -> NDArray:
        """Share of each pixel's own star's light at an offset from that star; all (k,)."""
        return self.psf[channel](dx_px, dy_px, self.warp[channel][star])

    def seen_profile(self, star: NDArray, dx_px: NDArray, dy_px: NDArray) -> NDArray:
        """The same, above 0 everywhere, of the channel the eye sees best: it stands for all of them
        where stars share a pixel."""
        return np.maximum(
            self.psf[1].smooth(dx_px, dy_px, self.warp[1][star]), np.float32(1e-20)
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class SecondStars:
    """Stars that go with others, beside which they stand.

    Attributes
    ----------
    light : Flares
        Their pixels, as light of those that they go with.
    alone : StarModel
        Each of them, (m,).
    owner : ndarray, (m,) int
        Which star each goes with.
    """

    light: Flares
    alone: StarModel
    owner: NDArray[np.int_]


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
    column, dx = _pixels_along(model.x_px[some], offsets[0])
    row, dy = _pixels_along(model.y_px[some], offsets[1])
    use = dx**2 + dy**2 <= model.reach_px[some, None].astype(np.float32) ** 2
    use &= _lies_in(window[1], column, offsets[0])
    use &= _lies_in(window[0], row, offsets[1])
    which, pixel = np.nonzero(use)
    at = row[which] + offsets[1][pixel], column[which] + offsets[0][pixel]
    return some[which], _flat_place(window, *at), dx[use], dy[use]


def _flat_place(window, row, column):
    """Flat index in a window of pixels of the frame."""
    rows, columns = window
    return (row - rows.start) * (columns.stop - columns.start) + column - columns.start


def _lies_in(part: slice, middle, offsets):
    """Whether pixels round places along an axis lie in a part of it, (n, P); one number for all
    where all of them do."""
    low = part.start - middle
    high = part.stop - middle
    if (low <= offsets.min()).all() and (high > offsets.max()).all():
        return True
    return (offsets >= low[:, None]) & (offsets < high[:, None])


def _pixels_along(at_px, offsets):
    """The pixel of each place along one axis, and how far the pixels round it are from the
    place."""
    pixel = np.rint(at_px).astype(int)
    beside = (at_px - pixel).astype(np.float32)
    return pixel, offsets.astype(np.float32) - beside[:, None]


def footprint(model: StarModel, window) -> NDArray[np.bool_]:
    """Pixels of a window that lie in any star's footprint."""
    covered = np.zeros([s.stop - s.start for s in window], bool)
    for _, place, _, _ in drawn(model, window):
        covered.flat[place] = True
    for more in model.besides:
        _, place = more.within(window)
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
    for more in model.besides:
        yield flare_light(more, window)


def flare_light(flares: Flares, window) -> tuple[NDArray, NDArray, NDArray]:
    """The same of what goes with stars besides their profiles."""
    chosen, place = flares.within(window)
    return flares.star[chosen], place, flares.luminance()[chosen]


def star_light(
    model: StarModel, channels: Sequence[Channel], window
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Light of all stars in a window, and the variance that taking it away adds to a pixel, both
    (channels, y, x)."""
    shape = (len(channels), *(s.stop - s.start for s in window))
    light = np.zeros(shape, np.float32)
    doubt = np.zeros(shape, np.float32)
    indices = [channel.index for channel in channels]
    for star, place, dx, dy in drawn(model, window):
        own, wrong = star_pixels(model, indices, star, dx, dy)
        for row in range(len(channels)):
            np.add.at(light[row].ravel(), place, own[row])
            np.add.at(doubt[row].ravel(), place, wrong[row])
    for row, channel in enumerate(channels):
        for more in model.besides:
            _add_flares(light[row], doubt[row], more, channel.index, window)
        doubt[row] += np.maximum(light[row], 0) / np.float32(channel.electrons_per_unit)
    return light, doubt


def star_pixels(
    model: StarModel, channels: Sequence[int], star: NDArray, dx_px: NDArray, dy_px: NDArray
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Light of each star in its pixels, to the rim of its footprint, and the variance of it as far
    as the model is wrong, both (channels, k)."""
    radius = np.sqrt(dx_px**2 + dy_px**2)
    fade = _fading(model, star, radius)
    light = np.stack([fade * _light_by_profile(model, c, star, dx_px, dy_px) for c in channels])
    wrong = np.stack([_doubtful_share(model, c, star, radius) for c in channels])
    wrong *= light**2
    if model.surplus is not None:
        for row, c in enumerate(channels):
            more = fade * model.surplus.at(c, model.flux[c][star], radius)
            light[row] += more
            wrong[row] += (SURPLUS_DOUBT * more) ** 2
    return light, wrong


def _fading(model: StarModel, star, radius) -> NDArray[np.float32]:
    """1 within each star's footprint, falling to 0 at its rim, (k,)."""
    reach = model.reach_px.astype(np.float32)[star]
    return np.clip((1 - radius / reach) * np.float32(1 / FADE_SHARE), 0, 1)


def _add_flares(light, doubt, flares: Flares, channel: int, window) -> None:
    """Add the light of spikes and reflections in a window, and its doubt, in place."""
    chosen, place = flares.within(window)
    np.add.at(light.ravel(), place, flares.light[channel, chosen])
    np.add.at(doubt.ravel(), place, flares.doubt[channel, chosen])


def _light_by_profile(model: StarModel, channel: int, star, dx, dy) -> NDArray[np.float32]:
    """Light of each star in its pixels by its profile, (k,)."""
    return model.flux[channel].astype(np.float32)[star] * model.profile(channel, star, dx, dy)


def _doubtful_share(model: StarModel, channel: int, star, radius) -> NDArray[np.float32]:
    """Variance of the light of each star in its pixels, as a share of its square, (k,)."""
    farther = model.misfit_per_px[channel][star] * radius
    return model.unlikeness[channel][star] + farther**2


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
        variance = np.maximum(
            np.float32(noise**2), LEAST_VARIANCE
        )  # a star layer's sky has none
        share = variance / (variance + self.doubt)
        np.copyto(share, 0, where=~self.known)
        return share


def rests_of(model: StarModel, channels: Sequence[Channel], window) -> Iterator[Rest]:
    """Take the stars' light out of a window of some channels, one after the other; pixels without
    data or clipped are 0 and not known."""
    lights = zip(channels, *star_light(model, channels, window), strict=True)
    for channel, light, doubt in lights:
        yield _rest(channel, light, doubt, window)


def _rest(channel: Channel, light: NDArray, doubt: NDArray, window) -> Rest:
    """What one channel is without this light."""
    values = channel.plane[window]
    clipped, known = channel.clipped(window), np.isfinite(values)
    if clipped.any():
        known &= ~ndimage.binary_dilation(clipped)
    left = np.where(known, values - light, np.float32(0))
    return Rest(left.astype(np.float32, copy=False), light, doubt, known)
