"""The star layer as it is laid over a nebula: recoloured, smaller, fewer or whole, as was asked
for."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..checking.check import check_for_cure, usable
from ..checking.result import CheckResult
from ..choices import Choices
from ..colour import srgb_decode, srgb_encode
from ..colour.stellar import LUMINANCE_WEIGHTS
from ..cure.pictures import recolour_picture
from ..cure.stars import coloured_as_chosen, ready_to_colour, rgb_of
from ..cure.wishes import (
    factors_of,
    tinted,
    told_cores,
    told_light,
    told_wishes,
    whole_stars,
)
from ..errors import FrameError
from ..frame import Frame, in_srgb
from ..layers import Split, recolour, redrawn, split
from ..progress import Progress
from ..stars.linearity import SURE_SLOPE
from .belonging import NAME_CARD
from .laying import carried_layer, gapless, own_softening_px

LEAST_LIGHT = 1e-12  # of a star's luminance: below there is no star


@dataclass(frozen=True, eq=False)
class Resized:
    """Stars of another size than the layer's: they are drawn on the nebula's own pixels. Carried
    there from the layer's, the narrow ones would come with ragged rims.

    Attributes
    ----------
    parts : Split
        Of the layer.
    rgb : ndarray, (n, 3)
        Of each star, times what its light is multiplied by.
    size : float
    left : ndarray, (3, y, x)
        Light of the layer that no star is known for.
    """

    parts: Split
    rgb: NDArray[np.float64]
    size: float
    left: NDArray[np.float32]

    def on(self, matrix: NDArray, shape: tuple[int, int]) -> NDArray[np.float32]:
        """The layer on a nebula's pixels, (3, *shape); ``matrix`` takes the layer's there."""
        light = redrawn(
            self.parts,
            self.rgb,
            matrix,
            shape,
            size=self.size,
            soft_px=own_softening_px(matrix),
        )
        light += carried_layer(self.left, matrix, shape)
        return light


@dataclass(frozen=True, eq=False)
class StarLayer:
    """Stars ready to be laid over a nebula.

    Attributes
    ----------
    light : ndarray, (3, y, x) float32
        Linear light, or display values in sRGB of a stretched layer; 0 where no star is.
    stretched : bool
    notes : tuple of str
        What was done to them.
    resized : Resized or None
        None: pixels of the layer hold all there is to know.
    """

    light: NDArray[np.float32]
    stretched: bool
    notes: tuple[str, ...]
    resized: Resized | None = None

    def on(self, matrix: NDArray, shape: tuple[int, int]) -> NDArray[np.float32]:
        """The stars on a nebula's pixels, (3, *shape); display values are carried as light.

        Parameters
        ----------
        matrix : ndarray, (2, 3)
            From the layer's pixels to those of the nebula.
        shape : (int, int)
        """
        if self.resized is not None:
            return self.resized.on(matrix, shape)
        if not self.stretched:
            return carried_layer(self.light, matrix, shape)
        light = carried_layer(np.float32(srgb_decode(self.light)), matrix, shape)
        return np.float32(srgb_encode(np.clip(light, 0, 1)))


class KnownStars(NamedTuple):
    """A star layer measured and taken apart."""

    found: CheckResult
    parts: Split


def stars_of_layer(layer: Frame, choices: Choices) -> KnownStars:
    """Measure the stars of a layer and take them apart.

    Parameters
    ----------
    layer : Frame
        Linear.
    choices : Choices

    Returns
    -------
    KnownStars
    """
    found = check_for_cure(layer, choices)
    return KnownStars(found, split(gapless(layer.pixels), found.stars))


def prepared_layer(
    layer: Frame,
    choices: Choices,
    recoloured: bool,
    progress: Progress,
    known: KnownStars | None = None,
) -> StarLayer:
    """A star layer with what was asked of its stars done to them.

    Parameters
    ----------
    layer : Frame
    choices : Choices
    recoloured : bool
        Whether the stars are given colours.
    progress : callable
        Told the step and the share done.
    known : KnownStars, optional
        Of this layer, so that nothing is measured again.

    Returns
    -------
    StarLayer

    Raises
    ------
    FrameError
        Something was asked of a stretched layer that needs linear light.
    """
    own = NAME_CARD in layer.header
    as_it_is = not (recoloured or _asked_of_stars(choices))
    plain = StarLayer(gapless(layer.pixels), False, ())
    if own and as_it_is:
        return plain
    progress("measuring the stars of the layer", 0.1)
    found = known.found if known else check_for_cure(layer, choices)
    surely_linear = own or choices.assume_linear
    if not surely_linear and (why := _stretched_for(layer, found)):
        return _stretched_layer(layer, found, choices, recoloured, why)
    if as_it_is:
        return plain
    if recoloured:
        return _recoloured(layer, found, choices)
    parts = known.parts if known else split(gapless(layer.pixels), found.stars)
    return _as_wished(layer, KnownStars(found, parts), choices)


def _recoloured(layer: Frame, found: CheckResult, choices: Choices) -> StarLayer:
    """Stars in new colours, and as was asked for besides."""
    ready = ready_to_colour(usable(layer, found, True), found, choices)
    as_large = choices.star_size == 1
    made = coloured_as_chosen(ready, choices, once=as_large)
    notes = (made.check.route_reason, *_of_stars(made.check.notes))
    resized = None
    if not as_large:
        whole = whole_stars(ready.parts, ready.frame, found.stars, choices)[0]
        rgb = rgb_of(made.colours, found.neutral_bv, choices)
        factor = factors_of(whole, found.stars, choices)[:, None]
        left = np.nan_to_num(made.starless)
        resized = Resized(
            whole,
            rgb * factor,
            choices.star_size,
            left,
        )
    return StarLayer(np.nan_to_num(made.picture), False, notes, resized)


def _asked_of_stars(choices: Choices) -> list[str]:
    """All that was asked of stars that keep their colours, in words."""
    tints = {"warmth": choices.warmth, "saturation": choices.saturation}
    told = [f"{name} {value:g}" for name, value in tints.items() if value != 1]
    return told_wishes(choices) + told


def _stretched_for(layer: Frame, found: CheckResult) -> str | None:
    """Why a layer from elsewhere is taken for stretched; None: it is linear.

    On black ground few stars tell it. Then its numbers do: linear layers come as floats.
    """
    seen = found.linearity
    if seen.stretched:
        return seen.reason
    told = seen.top > 1 or np.fmin(seen.profile_error, seen.brightness_error) < SURE_SLOPE
    if told or not np.issubdtype(np.dtype(layer.source_type), np.integer):
        return None
    return "whole numbers, and too few stars to tell; --assume-linear says otherwise"


def _of_stars(notes: tuple[str, ...]) -> tuple[str, ...]:
    """Notes on light, cores and profiles, among all notes of a check."""
    kinds = ("stars as", "clipped", "star col", "the star profile")
    return tuple(note for note in notes if note.startswith(kinds))


def _as_wished(layer: Frame, known: KnownStars, choices: Choices) -> StarLayer:
    """Stars in their own colours, as many, as bright and as large as was asked for."""
    found, parts = known
    whole, rebuilt = whole_stars(parts, layer, found.stars, choices)
    factor = factors_of(whole, found.stars, choices)
    rgb = tinted(own_colours(whole), choices.warmth, choices.saturation)
    light = recolour(whole, rgb, factor=factor, size=choices.star_size)
    notes = [told_light(whole.stars, light, _asked_of_stars(choices))]
    notes += [told_cores(rebuilt)] if rebuilt.any() else []
    notes += _of_stars(tuple(parts.notes))
    left = np.maximum(np.nan_to_num(whole.starless), 0)  # too faint to be taken for stars
    resized = None
    if choices.star_size != 1:
        resized = Resized(
            whole,
            rgb * factor[:, None],
            choices.star_size,
            left,
        )
    return StarLayer(left + light, False, tuple(notes), resized)


def own_colours(parts: Split) -> NDArray[np.float64]:
    """The colour that each star of a split has, of luminance 1, (n, 3); grey for no star.

    Parameters
    ----------
    parts : Split

    Returns
    -------
    ndarray, (n, 3)
    """
    flux = np.maximum(parts.flux, 0)
    brightness = LUMINANCE_WEIGHTS @ flux
    shining = brightness > LEAST_LIGHT
    return np.where(shining, flux / np.where(shining, brightness, 1), 1).T


def _stretched_layer(
    layer: Frame,
    found: CheckResult,
    choices: Choices,
    recoloured: bool,
    why: str,
) -> StarLayer:
    """A layer of display values, in sRGB."""
    asked = told_wishes(choices) if recoloured else _asked_of_stars(choices)
    if asked or choices.star_strength != 1:
        raise FrameError(
            f"{layer.name} is stretched ({why}); size, brightness, number and strength of stars "
            f"need linear light: give the star layer from before the stretch, or leave them away"
        )
    shown = in_srgb(layer)
    display, notes = gapless(shown.pixels), ()
    if recoloured:
        made = recolour_picture(shown, found, choices)
        display, notes = np.nan_to_num(made.picture), (made.check.route_reason,)
    told = f"the star layer is stretched ({why})"
    return StarLayer(np.float32(np.clip(display, 0, 1)), True, (told, *notes))
