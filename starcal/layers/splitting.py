"""Stars apart from everything else: a linear frame split into a star layer and a starless frame.

A pixel near a star is worth something without the star as far as the star's light there is known
better than the noise. Where it is, the star is subtracted and the pixel's own noise and nebula
stay; where it is not, the pixel is filled in from around it. Between the two there is no border,
only a weight.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..cores import in_threads, release_memory
from ..draw.preview import beside, thinned
from ..draw.tone import stretch_apart
from ..errors import FrameError
from ..frame.room import room_for
from ..progress import Progress, part_of, silent
from ..stars import CHANNELS
from ..stars.noise import unrounded
from ..texts import counted
from .brightness import surplus_of
from .fill import fill
from .flares import Flares
from .grain import emptiest, laid_out, local_noise, swatch
from .holes import Cleared, filled_holes
from .light import Channel, Rest, StarModel, Tile, channels_of, footprint, rests_of, tiles
from .model import model_stars, shows_stars
from .profile_map import ProfileMap, profile_map
from .starless import Starless

GRAIN_DOUBT = (
    0.1  # a pixel shows the frame's grain if star light adds no more than this to its variance
)

FEW_STARS = 5  # a profile that rests on fewer is said to

MODEL_SHARE = 0.6  # of the time of a split that its model takes


@dataclass(frozen=True, eq=False)
class Split:
    """A frame taken apart.

    Attributes
    ----------
    nebula : Starless
        The frame without its stars; ``starless`` is the same as an array.
    stars : ndarray, (3, y, x) float32
        The sum of both is the frame; exactly, where frame and starless are positive.
    footprint : ndarray, (y, x) bool
        Outside it ``starless`` is the frame bit for bit, and ``stars`` is 0.
    model : StarModel
        What the stars were found to be like.
    """

    nebula: Starless
    stars: NDArray[np.float32]
    footprint: NDArray[np.bool_]
    model: StarModel

    @cached_property
    def starless(self) -> NDArray[np.float32]:
        """The frame without its stars, (3, y, x), made and kept when it is asked for."""
        return np.asarray(self.nebula)

    def __repr__(self) -> str:
        """One line; the arrays would fill a screen."""
        height, width = self.footprint.shape
        return (
            f"<Split of {width} x {height} px, {100 * self.footprint.mean():.1f} % under stars>"
        )

    def _repr_html_(self) -> str:
        """For notebooks."""
        views = stretch_apart(thinned(self.starless), thinned(self.stars))
        return beside(dict(zip(("starless", "stars"), views, strict=True)))

    @property
    def profile_map(self) -> ProfileMap | None:
        """How wide and how drawn out the stars are over the frame; None if there is no star."""
        return profile_map(self.model.field) if self.model.field is not None else None

    @property
    def notes(self) -> list[str]:
        """What to know of the split: channels whose star profile rests on few stars, and light that
        went with the stars beyond their profile."""
        return [*self._few(), *self._flares()]

    def _few(self) -> list[str]:
        if not self.model.psf:
            return ["no entry shows what a star is like here: nothing was split off"]
        few = []
        for name, psf in zip(CHANNELS, self.model.psf, strict=False):
            if psf.stars < FEW_STARS:
                told = (
                    counted(psf.stars, "star") if psf.stars else "no star: a textbook profile"
                )
                few.append(f"the star profile of channel {name} rests on {told}")
        return few

    def _flares(self) -> list[str]:
        flares = self.model.flares
        if flares is None:
            return []
        told = self._told_spikes(flares)
        if flares.ran_over is not None:
            shown = counted(len(np.unique(flares.star[flares.ran_over])), "bright star")
            told.append(f"charge that ran over from the full pixels of {shown} goes with them")
        return told

    def _told_spikes(self, flares: Flares) -> list[str]:
        kinds = []
        if flares.arms_deg:
            kinds.append(f"{len(flares.arms_deg)} spikes")
        if flares.disc_px:
            kinds.append(f"a reflection of radius {flares.disc_px:.0f} px")
        if not kinds:
            return []
        shown = counted(len(np.unique(flares.star)), "bright star")
        return [f"{' and '.join(kinds)} found round bright stars go with their star ({shown})"]

    @property
    def flux(self) -> NDArray:
        """Light of each star of the table in each channel, (3, n), in full scale times pixels; 0:
        not split off."""
        return self.model.flux


def split(pixels: NDArray, stars: Table, progress: Progress = silent) -> Split:
    """Split a linear frame into a star layer and a starless frame.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        Linear, NaN where there is no data.
    stars : Table
        Of `stars.measure_stars` of the same frame. What has not a star's shape stays in the
        starless frame; flagged SHAPE or not, that is judged with its neighbours fitted beside it.
    progress : callable
        Is given the step, with the stars that are done, and the share done.

    Returns
    -------
    Split

    Raises
    ------
    FrameError
        The table was measured on a frame of another size.
    """
    _must_fit(pixels, stars)
    frame = pixels.astype(np.float32, copy=False)
    model = _model_of(frame, stars, part_of(progress, 0.0, MODEL_SHARE))
    if model.psf and not stars.meta["noise"].empty_sky:
        model = replace(model, surplus=surplus_of(model, _with_hidden(frame, stars, model)))
    release_memory()
    found = _Found(  # after the model, which takes memory of its own
        stars=room_for(frame.shape),
        footprint=np.zeros(frame.shape[1:], bool),
        model=model,
    )
    if shows_stars(stars):
        told = part_of(progress, MODEL_SHARE, 1.0)
        channels = _with_hidden(frame, stars, model)
        _take_apart(found, channels, stars.meta["noise"].empty_sky, told)
        release_memory()
    return Split(
        nebula=Starless.left_by(found.stars, frame, found.footprint),
        stars=found.stars,
        footprint=found.footprint,
        model=model,
    )


def _with_hidden(frame: NDArray, stars: Table, model: StarModel) -> list[Channel]:
    """The frame's channels, with what the model hides of them."""
    return [replace(c, hidden=model.hidden[c.index]) for c in channels_of(frame, stars)]


@dataclass(frozen=True, eq=False, kw_only=True)
class _Found:
    """The star layer and its footprint as they are being made, and the model that makes them."""

    stars: NDArray[np.float32]
    footprint: NDArray[np.bool_]
    model: StarModel


def _model_of(frame: NDArray, stars: Table, progress: Progress) -> StarModel:
    """The light of the stars, where there are any."""
    if not shows_stars(stars):
        return _no_stars(len(stars))
    return model_stars(unrounded(frame, stars.meta["noise"]), stars, progress)


def _must_fit(pixels: NDArray, stars: Table) -> None:
    """Refuse a table that was measured on a frame of another size."""
    if pixels.shape != (3, *stars.meta["shape"]):
        raise FrameError(
            f"a frame of shape {pixels.shape} given with a star table measured on one of shape "
            f"{(3, *stars.meta['shape'])}; measure the stars of this frame: measure_stars(pixels)"
        )


def _take_apart(
    parts: _Found, channels: list[Channel], empty_sky: bool, progress: Progress
) -> None:
    """Put the light of the model's stars into the star layer, in place, and mark where."""
    grain = _grain(parts.model, channels)
    told = _StarsDone(len(parts.model.x_px), progress)
    told.add(0)

    def take_apart(tile: Tile) -> Tile:
        inside = footprint(parts.model, tile.inner)
        parts.footprint[tile.inner] = inside
        if inside.any():
            _take_tile_apart(parts, channels, tile, None if empty_sky else grain)
        return tile

    for tile in in_threads(take_apart, tiles(parts.footprint.shape)):
        told.add(_lie_in(parts.model, tile.inner).sum())


def _take_tile_apart(parts: _Found, channels: list[Channel], tile: Tile, grain) -> None:
    """The same for a tile with stars; without grain its sky is empty."""
    inside = parts.footprint[tile.inner]
    if grain is None:
        for c in channels:
            _put_apart(parts, c, tile.inner, np.float32(c.sky), inside)
        return
    rests = rests_of(parts.model, channels, tile.outer)
    for c, rest in zip(channels, rests, strict=True):
        clean = _without_stars(rest, c, tile, grain[c.index])
        _put_apart(parts, c, tile.inner, clean, inside)


class _StarsDone:
    """Says how many stars are taken out, ten times in all."""

    def __init__(self, count: int, progress: Progress):
        self.count, self.progress = count, progress
        self.done, self.said = 0, -1

    def add(self, more: int) -> None:
        """So many more are taken out now."""
        tenth = 10 * self.done // max(self.count, 1)
        if tenth > self.said:
            step = f"splitting: {self.done} of {counted(self.count, 'star')}"
            self.progress(step, self.done / max(self.count, 1))
            self.said = tenth
        self.done += int(more)


def _lie_in(model: StarModel, window) -> NDArray[np.bool_]:
    """Which stars have their middle in a window, (n,)."""
    rows, columns = window
    within_rows = (model.y_px >= rows.start - 0.5) & (model.y_px < rows.stop - 0.5)
    within_columns = (model.x_px >= columns.start - 0.5) & (model.x_px < columns.stop - 0.5)
    return within_rows & within_columns


def _put_apart(parts: _Found, channel: Channel, window, clean, inside) -> None:
    """Put the light of a window into the star layer, in place."""
    parts.stars[channel.index][window] = _starlight_in(channel.plane[window], clean, inside)


def _no_stars(count: int) -> StarModel:
    """A model of entries none of which is a star."""
    nothing = np.zeros((3, count))
    return StarModel(
        x_px=nothing[0],
        y_px=nothing[0],
        psf=(),
        warp=np.zeros((3, count, 3), np.float32),
        flux=nothing,
        flux_error=nothing,
        misfit=nothing,
        reach_px=nothing[0],
    )


def _starlight_in(values, clean, inside):
    """Star light of some pixels, rounded so that in float32 its sum with the rest, which is what
    the pixel has more, is the pixel.

    One of the two differences loses nothing (Sterbenz 1974, Floating-Point Computation, theorem
    4.3.1): that with the larger part, if both parts are positive.
    """
    return np.where(inside & np.isfinite(values), values - clean, np.float32(0))


def _grain(model: StarModel, channels: list[Channel]) -> NDArray[np.float32]:
    """The frame's noise as a texture, from where there are fewest stars."""
    window = emptiest(channels[0].plane.shape, model.x_px, model.y_px)
    rests = list(rests_of(model, channels, window))
    clean = [
        r.known & (r.doubt < GRAIN_DOUBT * c.noise**2)
        for r, c in zip(rests, channels, strict=True)
    ]
    return swatch(np.array([r.values for r in rests]), np.all(clean, axis=0))


def _without_stars(rest: Rest, channel: Channel, tile: Tile, grain) -> NDArray[np.float32]:
    """The pixels of a tile as they would be without stars, from what is left without their light.

    A pixel is kept as far as its weight goes; the rest is background, and as much of the frame's
    own grain as the weight has taken from its noise.
    """
    noise = local_noise(
        rest.values, rest.known & (rest.doubt < channel.noise**2), channel.noise
    )
    weight = rest.weight(noise)
    usual = float(np.median(noise[::8, ::8]))
    background = fill(rest.values, weight**2, usual)
    background = filled_holes(background, Cleared(rest.values, weight, rest.light, usual))
    filled = (
        background
        + weight * (rest.values - background)
        + laid_out(grain, tile.outer) * noise * np.sqrt(1 - weight)
    )
    return filled[tile.inner_of_outer].copy()
