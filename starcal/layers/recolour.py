"""Give the stars of a star layer new colours and keep their light."""

from collections.abc import Iterable
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
from .warp import turned

RECOLOUR_PIXELS = 1 << 20  # of a band of rows
_KEPT: WeakKeyDictionary[Split, "Measured"] = WeakKeyDictionary()  # two passes a split
# A mean over a pixel is one over Gauss's two places each way, but near stars narrower than some:
# there it takes so many parts a width of theirs.
GAUSS_PARTS = np.array([-0.5, 0.5]) / np.sqrt(3)
WIDE_FWHM_PX = 2.0
NEAR_STAR_PX = 2.0
PARTS_A_WIDTH = 3.0
MOST_PARTS = 5  # stars of .4 pixels keep their light to 1 in 800, of a quarter to 1 in 45
PIXELS_TOGETHER = 1 << 15  # of stars: what is reckoned of them stays in the cache
HALF_DIAGONAL_PX = np.sqrt(0.5)  # of a pixel: some pixel's middle is as near to any star
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


def redrawn(
    split: Split,
    rgb: ArrayLike,
    matrix: NDArray,
    shape: tuple[int, int],
    *,
    factor: ArrayLike = 1.0,
    size: float = 1.0,
    soft_px: float = 0.0,
) -> NDArray[np.float32]:
    """A star layer as `recolour` makes it, but drawn on the pixels of another grid.

    Parameters
    ----------
    split : Split
    rgb : array, (n, 3)
    matrix : ndarray, (2, 3)
        Takes (x, y, 1) of the frame to (x, y) of the grid: a similarity.
    shape : (int, int)
        Rows and columns of the grid.
    factor : array, (n,), or float
    size : float
    soft_px : float
        See `shares_on_grid`.

    Returns
    -------
    ndarray, (3, *shape) float32
        Surface brightness.
    """
    colours = np.asarray(rgb) * np.reshape(factor, (-1, 1))
    layer = np.empty((3, *shape), np.float32)
    for rows, _ in _bands_of_rows(*shape):
        into_band = matrix.copy()
        into_band[1, 2] -= rows.start
        band = rows.stop - rows.start, shape[1]
        shares = shares_on_grid(
            split,
            into_band,
            band,
            size,
            soft_px,
        )
        coloured = shares @ np.float32(colours)
        layer[:, rows] = coloured.T.reshape(3, *band)
    return layer


def shares_on_grid(
    split: Split,
    matrix: NDArray,
    shape: tuple[int, int],
    size: float = 1.0,
    soft_px: float = 0.0,
) -> csr_array:
    """What each star gives of the luminance of each pixel of another grid, such as that of a
    screen, drawn from the model alone.

    Parameters
    ----------
    split : Split
    matrix : ndarray, (2, 3)
        Takes (x, y, 1) of the frame to (x, y) of the grid: a similarity.
    shape : (int, int)
        Rows and columns of the grid.
    size : float
        Of the stars, 1 as they are.
    soft_px : float
        Sigma of what blurs them, pixels of the grid; its pixels themselves do it besides.

    Returns
    -------
    csr_array, (rows * columns, n) float32
        Means over the area of a pixel, as surface brightness.
    """
    model, known = split.model, measured(split)
    scale = float(np.sqrt(abs(np.linalg.det(matrix[:, :2]))))
    if known.profile is not None and soft_px > 0:
        known = replace(known, profile=known.profile.softened(soft_px / (size * scale)))
    weight = LUMINANCE_WEIGHTS @ model.flux
    window = slice(0, shape[0]), slice(0, shape[1])
    there = _on_grid(model, matrix, scale)
    alone = replace(there, flares=None)
    pieces = [
        _resized_light(
            alone,
            weight,
            window,
            size * scale,
            known,
        )
    ]
    if model.flares is not None:
        pieces += _flares_on_grid(model.flares, matrix, scale, shape)
    star, place, light = _laid_end_to_end(pieces)
    light = light * known.ratio[star]
    share = np.float32(light * scale**2)
    return csr_array(
        (share, (place, star)),
        shape=(shape[0] * shape[1], len(weight)),
    )


def _on_grid(model: StarModel, matrix: NDArray, scale: float) -> StarModel:
    """A model whose stars, and those that go with them, lie on another grid and lean as there."""
    one = np.ones(len(model.x_px))
    x_px, y_px = matrix @ np.stack([model.x_px, model.y_px, one])
    second = model.companions
    if second is not None:
        second = replace(second, alone=_on_grid(second.alone, matrix, scale))
    return replace(
        model,
        x_px=x_px,
        y_px=y_px,
        warp=turned(model.warp, matrix[:, :2] / scale),
        companions=second,
    )


def _flares_on_grid(flares: Flares, matrix: NDArray, scale: float, shape: tuple[int, int]):
    """Star, flat place and luminance of spikes and reflections on another grid: each pixel in so
    many parts that none of the grid is missed."""
    parts = int(np.ceil(PARTS_OF_FLARES * scale))
    aside = (np.arange(parts) + 0.5) / parts - 0.5
    linear = matrix[:, :2]
    middle = linear @ np.stack([flares.column, flares.row]) + matrix[:, 2:]
    near = _lies_within(middle, shape, scale + 1)
    middle = middle[:, near]
    star = flares.star[near]
    light = flares.luminance()[near] / parts**2
    for across, down in product(aside, aside):
        part = linear @ np.array([[across], [down]])
        pixel = np.rint(middle + part).astype(int)
        inside = _lies_within(pixel, shape)
        column, row = pixel[:, inside]
        yield star[inside], row * shape[1] + column, light[inside]


def _lies_within(places: NDArray, shape: tuple[int, int], room: float = 0) -> NDArray[np.bool_]:
    """Which places (2, n), x and y, lie on pixels of a grid, or so near to it."""
    ends = np.array(shape[::-1])[:, None] - 1
    inside = (places >= -room) & (places <= ends + room)
    return inside.all(axis=0)


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


def of_stars(split: Split, chosen: NDArray[np.bool_]) -> Split:
    """A split whose model holds the light of some of its stars alone, to be drawn.

    Parameters
    ----------
    split : Split
    chosen : ndarray of bool, (n,)
        Which of them.

    Returns
    -------
    Split
        What its layer tells of stars is what the whole one tells.
    """
    part = replace(split, model=split.model.of_stars(chosen))
    _KEPT[part] = measured(split)
    return part


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
    reach_px = size * (model.reach_px + 3 * profile.blurred_px)
    reach_px += HALF_DIAGONAL_PX
    reach_px[model.reach_px <= 0] = 0
    other = replace(model, reach_px=reach_px)
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
    """Share of each pixel's star's light where stars are of another size, (k,), less at the rim."""
    away = np.sqrt(dx * dx + dy * dy)
    fwhm_px = size * model.psf[1].fwhm_px
    light = np.empty(len(dx), np.float32)
    narrow = away < (NEAR_STAR_PX if fwhm_px < WIDE_FWHM_PX else 0)
    count = min(int(np.ceil(PARTS_A_WIDTH / fwhm_px)), MOST_PARTS)
    many = (np.arange(count) + 0.5) / count - 0.5
    for chosen, parts in ((narrow, many), (~narrow, GAUSS_PARTS)):
        places = np.flatnonzero(chosen)
        for first in range(0, len(places), PIXELS_TOGETHER):
            some = places[first : first + PIXELS_TOGETHER]
            warp = model.warp[1].take(star.take(some), axis=0)
            offsets = dx.take(some) / size, dy.take(some) / size
            light[some] = profile.mean_over_pixel(warp, *offsets, parts / size)
    rim = (1 - away / model.reach_px.take(star)) / FADE_SHARE
    return light * np.clip(rim, 0, 1) / size**2
