"""Give the stars of a star layer new colours and keep their light."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import product
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array

from ..colour.stellar import LUMINANCE_WEIGHTS, luminance
from ..cores import done_in_threads
from .flares import Flares
from .light import FADE_SHARE, SecondStars, StarModel, drawn, flare_light, shining
from .own_profile import OwnProfile, Rings
from .splitting import Split

RECOLOUR_PIXELS = 1 << 20  # of a band of rows
_KEPT: WeakKeyDictionary[Split, "Measured"] = WeakKeyDictionary()  # two passes a split
PIXEL_PARTS = (-1 / 3, 0.0, 1 / 3)  # of a pixel, each way
PARTS_OF_FLARES = 3  # of their pixels, each way, for one of the grid they are laid on
_NOTHING = np.empty(0, int), np.empty(0, int), np.empty(0)  # for windows without a star
UNIT_LUMINANCE_ERROR = (
    1e-3  # of the colours given: what the layer's total luminance may be wrong by
)


def recolour(
    split: Split,
    rgb: ArrayLike,
    *,
    factor: ArrayLike = 1.0,
    size: float = 1.0,
    out: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """A star layer of the same luminance, pixel by pixel, in given colours.

    Where footprints overlap, a pixel has the mean of the stars' colours, weighted by what each star
    has there of the light; so colours run into each other, and a channel with wider stars leaves no
    coloured rim.

    Parameters
    ----------
    split : Split
    rgb : array, (n, 3)
        Linear RGB of luminance 1 (ITU-R BT.709), one for each star of the table that was split; see
        `palette.star_colours`. Rows of stars that were not split (``split.model.reach_px`` 0) count
        for nothing.
    factor : array, (n,), or float
        On each star's light; 0 takes a star away.
    size : float
        Of the stars, 1 as they are. Otherwise each is drawn with its own light and the frame's
        profile made narrower or wider.
    out : ndarray, (3, y, x) float32, optional
        Where the layer is put; it may be ``split.stars`` of a split that is used for nothing else.

    Returns
    -------
    ndarray, (3, y, x) float32
        Add it to ``split.starless``.

    Raises
    ------
    ValueError
        Not one colour per star, a colour that is not finite, or one whose luminance is not 1.
    """
    rgb = _checked_rgb(np.asarray(rgb, float), split.model)
    rgb = np.float32(rgb * np.reshape(factor, (-1, 1)))
    layer = np.empty_like(split.stars) if out is None else out
    height, width = split.footprint.shape
    if size != 1:
        measured(split)  # of the whole layer, before any of it may be replaced

    def colour(window: tuple[slice, slice]) -> None:
        coloured = light_shares(split, window, size=size) @ rgb
        layer[:, *window] = coloured.T.reshape(3, -1, width)

    done_in_threads(colour, _bands_of_rows(height, width))
    return layer


def _bands_of_rows(height: int, width: int) -> list[tuple[slice, slice]]:
    """Windows of so few rows that temporaries stay small."""
    rows = max(1, RECOLOUR_PIXELS // width)
    return [
        (slice(top, min(height, top + rows)), slice(0, width)) for top in range(0, height, rows)
    ]


def light_shares(
    split: Split, window: tuple[slice, slice], step: int = 1, size: float = 1.0
) -> csr_array:
    """What each star gives of the luminance of each pixel of a view: multiply by colours to see the
    star layer.

    Parameters
    ----------
    split : Split
    window : tuple of slice
        Rows and columns of the frame, start and stop within it.
    step : int
        Side of the squares of pixels that a pixel of the view is the mean of; what is left over at
        the far edges is left away.
    size : float
        Of the stars, 1 as they are; see `recolour`.

    Returns
    -------
    csr_array, (rows // step * (columns // step), n) float32
    """
    height, width = (s.stop - s.start for s in window)
    weight = LUMINANCE_WEIGHTS @ split.model.flux
    if size == 1:
        star, place, light = _light_of_each(split, weight, window)
    else:
        known = measured(split)
        star, place, light = _resized_light(split.model, weight, window, size, known)
        light = light * known.ratio[star]
    share = light / step**2
    y, x = place // width // step, place % width // step
    rows, columns = height // step, width // step
    seen = (y < rows) & (x < columns)
    return csr_array(
        (share[seen].astype(np.float32), ((y * columns + x)[seen], star[seen])),
        shape=(rows * columns, len(weight)),
    )


def shares_on_grid(
    split: Split,
    onto: Callable[[NDArray, NDArray], tuple[NDArray, NDArray]],
    pixel_scale: float,
    shape: tuple[int, int],
    size: float = 1.0,
) -> csr_array:
    """The same on pixels of another grid, such as those of a screen, drawn from the model alone.

    Parameters
    ----------
    split : Split
    onto : callable
        Takes places of the frame, x and y, to that grid.
    pixel_scale : float
        Pixels of the grid for one of the frame.
    shape : (int, int)
        Rows and columns of the grid.
    size : float
        Of the stars, 1 as they are.

    Returns
    -------
    csr_array, (rows * columns, n) float32
        Means over the area of a pixel, as surface brightness.
    """
    model, known = split.model, measured(split)
    weight = LUMINANCE_WEIGHTS @ model.flux
    window = slice(0, shape[0]), slice(0, shape[1])
    there = replace(_on_grid(model, onto), flares=None)
    pieces = [_resized_light(there, weight, window, size * pixel_scale, known)]
    if model.flares is not None:
        pieces += _flares_on_grid(model.flares, onto, pixel_scale, shape)
    star, place, light = _laid_end_to_end(pieces)
    share = np.float32(light * known.ratio[star] * pixel_scale**2)
    return csr_array((share, (place, star)), shape=(shape[0] * shape[1], len(weight)))


def _on_grid(model: StarModel, onto: Callable) -> StarModel:
    """A model whose stars, and those that go with them, lie on another grid."""
    x_px, y_px = onto(model.x_px, model.y_px)
    second = model.companions
    if second is not None:
        second = replace(second, alone=_on_grid(second.alone, onto))
    return replace(model, x_px=x_px, y_px=y_px, companions=second)


def _flares_on_grid(flares: Flares, onto: Callable, pixel_scale: float, shape: tuple[int, int]):
    """Star, flat place and luminance of spikes and reflections on another grid: each pixel in so
    many parts that none of the grid is missed."""
    parts = int(np.ceil(PARTS_OF_FLARES * pixel_scale))
    aside = (np.arange(parts) + 0.5) / parts - 0.5
    light = flares.luminance() / parts**2
    for down, across in product(aside, aside):
        x, y = onto(flares.column + across, flares.row + down)
        column, row = np.rint(x).astype(int), np.rint(y).astype(int)
        inside = (row >= 0) & (row < shape[0]) & (column >= 0) & (column < shape[1])
        place = row[inside] * shape[1] + column[inside]
        yield flares.star[inside], place, light[inside]


@dataclass(frozen=True, eq=False)
class Measured:
    """What a star layer tells of its stars.

    Attributes
    ----------
    profile : OwnProfile or None
        None: there is no star.
    ratio : ndarray, (n,)
        Luminance of each star in the layer, over that of the star drawn by the profile; 1 for what
        was not split off.
    """

    profile: OwnProfile | None
    ratio: NDArray[np.float64]


def measured(split: Split) -> Measured:
    """Profile and light of a layer's stars, measured on the layer; kept for a split.

    Parameters
    ----------
    split : Split

    Returns
    -------
    Measured
    """
    if split not in _KEPT:
        _KEPT[split] = _measured_stars(split)
    return _KEPT[split]


def _measured_stars(split: Split) -> Measured:
    """See `measured`."""
    model = split.model
    weight = LUMINANCE_WEIGHTS @ model.flux
    if not model.psf:
        return Measured(None, np.ones(len(weight)))
    windows, rings = _bands_of_rows(*split.footprint.shape), Rings(model, weight)
    light, drawn_light = np.zeros((2, len(weight)))
    for window in windows:
        star, place, own = _light_of_each(split, weight, window)
        light += np.bincount(star, own, minlength=len(weight))
        y, x = np.divmod(place, window[1].stop)
        rings.add(star, x, y + window[0].start, own)
    known = Measured(rings.profile(), np.ones(len(weight)))
    for window in windows:
        star, _, own = _resized_light(model, weight, window, 1.0, known)
        drawn_light += np.bincount(star, own, minlength=len(weight))
    shown = drawn_light > 0
    return replace(known, ratio=np.where(shown, light / np.where(shown, drawn_light, 1), 1))


def _light_of_each(split: Split, weight: NDArray, window) -> tuple[NDArray, NDArray, NDArray]:
    """Star, flat place in the window and luminance of each star's part of each pixel of the
    layer."""
    star, place, light = _laid_end_to_end(shining(split.model, weight, window))
    return star, place, light * _layer_over_model(split, window, place, light)[place]


def _layer_over_model(split: Split, window, place: NDArray, light: NDArray) -> NDArray:
    """Luminance of the star layer against that of all stars drawn there, of each pixel."""
    brightness = luminance(split.stars[:, *window], axis=0).ravel()
    total = np.bincount(place, light, minlength=len(brightness))
    return brightness / np.where(total > 0, total, 1)


def _checked_rgb(rgb: NDArray, model: StarModel) -> NDArray:
    n = len(model.x_px)
    if rgb.shape != (n, 3):
        raise ValueError(
            f"colours of shape {rgb.shape} given for {n} stars; give an array of shape ({n}, 3)"
        )
    split = model.reach_px > 0
    wrong = split & ~(np.abs(luminance(rgb) - 1) <= UNIT_LUMINANCE_ERROR)
    if wrong.any():
        raise ValueError(
            f"{np.count_nonzero(wrong)} of {n} colours are not finite or not of luminance 1, the "
            f"first "
            f"for star {np.flatnonzero(wrong)[0]}; divide each by colour.luminance of it"
        )
    return np.where(split[:, None], rgb, 0)


def _laid_end_to_end(pieces: Iterable) -> tuple[NDArray, NDArray, NDArray]:
    """Star, flat place in the window and light of every pixel of every footprint."""
    star, place, light = (np.concatenate(part) for part in zip(_NOTHING, *pieces, strict=True))
    return star, place, light


def _resized_light(
    model: StarModel, weight: NDArray, window, size: float, known: Measured
) -> tuple[NDArray, NDArray, NDArray]:
    """The same of stars of another size; what else goes with them stays as it is."""
    if known.profile is None:
        return _NOTHING
    return _laid_end_to_end(_shining_resized(model, weight, window, size, known.profile))


def _shining_resized(
    model: StarModel, weight: NDArray, window, size: float, profile: OwnProfile
):
    """As `light.shining`, of stars of another size."""
    other = replace(model, reach_px=size * model.reach_px)
    for star, place, dx, dy in drawn(other, window):
        light = _resized(other, profile, size, star, dx, dy)
        yield star, place, weight[star] * light
    if model.companions is not None:
        yield from _second_resized(model.companions, window, size, profile)
    if model.flares is not None:
        yield flare_light(model.flares, window)


def _second_resized(second: SecondStars, window, size: float, profile: OwnProfile):
    """The same of stars that go with others, as light of those."""
    weight = LUMINANCE_WEIGHTS @ second.alone.flux
    for star, place, light in _shining_resized(second.alone, weight, window, size, profile):
        yield second.owner[star], place, light


def _resized(
    model: StarModel, profile: OwnProfile, size: float, star, dx, dy
) -> NDArray[np.float32]:
    """Share of each pixel's star's light where stars are of another size, (k,); fades at the rim.

    The mean over parts of a pixel: a narrow profile is not the same all over one.
    """
    light = np.zeros(len(dx), np.float32)
    for x, y in product(PIXEL_PARTS, PIXEL_PARTS):
        at = np.float32((dx + x) / size), np.float32((dy + y) / size)
        light += profile.of(model, star, *at)
    rim = (1 - np.hypot(dx, dy) / model.reach_px[star]) / FADE_SHARE
    return light * np.clip(rim, 0, 1) / (len(PIXEL_PARTS) * size) ** 2
