"""A finished nebula and its star layer, opened once, and what each choice makes of what is seen."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..choices import Choices, Settings
from ..colour import srgb_encode
from ..cores import in_threads
from ..cure.wishes import factors_of, numbers_of, tinted, whole_stars
from ..draw.preview import binned
from ..draw.tone import Stretch, choose_stretch
from ..errors import FrameError
from ..finish import (
    Joined,
    KnownStars,
    carried_layer,
    join_pictures,
    joined_kind,
    laid_anew,
    own_colours,
    prepared_layer,
    read_star_layer,
    stars_of_layer,
    way_of_laying,
    write_joined,
)
from ..frame import (
    SRGB,
    ColourSpace,
    check_output,
    colour_space,
    icc_profile_of,
    kind_of,
    require_not_inputs,
)
from ..layers import Split
from ..layers.recolour import measured
from ..progress import Progress, silent
from ..texts import escaped
from .seen_stars import Screen, SeenStars, stars_seen
from .visible import Window, mean_of, rgba

IDENTITY = np.eye(2, 3)
USUAL_CORES = Choices().clipped_cores
SCREEN_PIXELS = 2**14  # of a screen, a thread's: all that is made of them stays in the cache


@dataclass(frozen=True, eq=False, kw_only=True)
class JoinJob:
    """What stays the same while choices change.

    Attributes
    ----------
    nebula_file, stars_file : Path
    starless, moved : str or None, str
        As for `join_pictures`.
    joined : Joined
        Of the stars as they are.
    known : KnownStars
        Of the star layer as it was read.
    read_with : str
        The ``clipped_cores`` that it was read with.
    parts : Split
        Of the star layer, with clipped cores as was asked for.
    rest : ndarray, (3, y, x)
        Light of the layer that no star is known for, on the nebula.
    matrix : ndarray, (2, 3)
        From the star layer to the nebula.
    space : ColourSpace
        Of the nebula.
    """

    nebula_file: Path
    stars_file: Path
    starless: str | None
    moved: str
    joined: Joined
    known: KnownStars
    read_with: str
    parts: Split
    rest: NDArray[np.float32]
    matrix: NDArray[np.float64]
    space: ColourSpace

    @property
    def table(self) -> Table:
        """The stars of the layer."""
        return self.known.found.stars

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the nebula."""
        return self.joined.nebula.pixels.shape[1:]

    @cached_property
    def numbers(self) -> dict[str, tuple[float, float]]:
        """How many stars can be kept, and how faint they are; see `numbers_of`."""
        return numbers_of(self.parts, self.table)

    @cached_property
    def own_colours(self) -> NDArray[np.float64]:
        """Colours of the stars as the layer has them, (n, 3)."""
        return own_colours(self.parts)

    @cached_property
    def shown_stretch(self) -> Stretch | None:
        """How a linear nebula is shown; None: it is stretched already."""
        linear = self.joined.tones.linear
        return choose_stretch(self.joined.pixels) if linear else None

    @cached_property
    def halved(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Nebula and rest, made half as large: a whole frame is seen four times as fast."""
        return binned(self.joined.nebula.pixels, 2), binned(self.rest, 2)

    def make_ready(self) -> None:
        """What the first look would wait for."""
        measured(self.parts)
        _ = self.halved

    def look(self, window: Window) -> "SeenNebula":
        """What is seen of the nebula through a window, whatever is asked of its stars."""
        nebula, rest, part = self.joined.nebula.pixels, self.rest, window
        if window.step % 2 == 0:
            (nebula, rest), part = self.halved, window.halved()
        below = np.nan_to_num(mean_of(nebula, part))
        rest = np.nan_to_num(mean_of(rest, part))
        return SeenNebula(window, below, rest, self.as_seen(below))

    def stars_in(self, window: Window, star_size: float) -> SeenStars:
        """The stars through a window, all of them drawn."""
        return stars_seen(self.parts, Screen(window, self.matrix), star_size)

    def with_stars(
        self,
        seen: "SeenNebula",
        stars: SeenStars,
        choices: Choices,
        place: NDArray[np.intp] | None = None,
    ) -> tuple[NDArray[np.intp], NDArray[np.uint32]]:
        """What is seen of the nebula under stars: numbers of the pixels of the screen, row by row,
        and those pixels. ``place``: of these alone, else of all where a star shines."""
        tint = tinted(self.own_colours, choices.warmth, choices.saturation)
        factor = factors_of(self.parts, self.table, choices)
        colours = np.float32(tint * factor[:, None])
        look = self.joined.look
        strong = look.adjusted(strength=choices.star_strength) if look else None
        lay = way_of_laying(strong, self.space)

        def laid(some: NDArray[np.intp]) -> NDArray[np.uint32]:
            below, rest = seen.at(some)
            light = stars.light(some, colours) + rest
            return self.as_seen(lay(below, light)[:, None])[0]

        if place is None:
            place = np.flatnonzero(stars.lit | seen.lit)
        parts = np.array_split(place, 1 + len(place) // SCREEN_PIXELS)
        return place, np.concatenate(list(in_threads(laid, parts)))

    def as_seen(self, picture: NDArray) -> NDArray[np.uint32]:
        """Numbers of the nebula as pixels of the screen."""
        return seen_on_screen(picture, self.shown_stretch, self.space)

    def with_cores(self, choices: Choices) -> "JoinJob":
        """The same with clipped cores rebuilt, or not, as choices say."""
        layer = read_star_layer(self.stars_file, choices)[0]
        stars = np.nan_to_num(layer.pixels) - self.parts.starless
        plain = replace(self.parts, stars=stars)
        return replace(self, parts=whole_stars(plain, layer, self.table, choices)[0])

    def _whole(self, choices: Choices) -> Joined:
        """What `join` makes of it; from what is known, unless the layer is to be read otherwise."""
        if {self.read_with, choices.clipped_cores} == {USUAL_CORES}:
            layer, rebuilt = read_star_layer(self.stars_file, choices)
            stars = prepared_layer(layer, choices, False, silent, self.known)
            return laid_anew(self.joined, stars, rebuilt, choices, self.space)
        return join_pictures(
            self.nebula_file,
            self.stars_file,
            choices,
            starless=self.starless,
            moved=self.moved,
        )

    def write_whole(self, output: Path, choices: Choices, overwrite: bool) -> str:
        """Write at full size what `starcal join` writes; in words."""
        joined_kind(self.nebula_file, output)  # refused before the work
        inputs = (self.nebula_file, self.stars_file, self.starless)
        require_not_inputs([output], inputs)
        check_output(output, overwrite)
        made = self._whole(choices)
        lost = write_joined(made, self.nebula_file, output, overwrite)
        return f"Saved: {output}" + (f" ({lost})" if lost else "")


def seen_on_screen(
    picture: NDArray, stretch: Stretch | None, space: ColourSpace
) -> NDArray[np.uint32]:
    """A nebula as pixels of the screen.

    Parameters
    ----------
    picture : ndarray, (3, rows, columns)
        Numbers of its space, or linear ones.
    stretch : Stretch or None
        Of linear ones.
    space : ColourSpace

    Returns
    -------
    ndarray, (rows, columns)
        See `visible.rgba`.
    """
    if stretch:
        return rgba(stretch.apply(picture))
    if space is SRGB:
        return rgba(np.float32(np.clip(picture, 0, 1)))
    light = space.decode(np.clip(picture, 0, 1))
    srgb = np.tensordot(space.to_srgb, light, axes=1)
    return rgba(np.float32(srgb_encode(np.clip(srgb, 0, 1))))


def told_html(made: Joined) -> str:
    """What was found and done, a paragraph each."""
    return "".join(f"<p>{escaped(line)}</p>" for line in str(made).splitlines())


def space_of(nebula: Path, linear: bool) -> ColourSpace:
    """What the numbers of a nebula's file show.

    Parameters
    ----------
    nebula : Path
    linear : bool
        Whether they are light.

    Returns
    -------
    ColourSpace
    """
    profile = icc_profile_of(nebula) if kind_of(nebula) else None
    return colour_space(None if linear else profile)


def open_join_job(
    nebula: Path,
    stars: Path,
    choices: Settings,
    *,
    moved: str = "auto",
    progress: Progress = silent,
    joined: Callable[[Joined], None] = lambda made: None,
) -> JoinJob:
    """Find where the nebula lies and take the star layer apart.

    Parameters
    ----------
    nebula, stars : Path
    choices : Settings
        With the starless frame, where that lies elsewhere.
    moved : {"auto", "none"}
    progress : callable
        Is given the step and the share done.
    joined : callable
        Is given the nebula with its stars, as soon as there is that.

    Returns
    -------
    JoinJob

    Raises
    ------
    FrameError
        As `join_pictures`; or the star layer is stretched.
    """
    made = join_pictures(
        nebula,
        stars,
        Choices(assume_linear=choices.assume_linear),
        starless=choices.starless,
        moved=moved,
        progress=progress,
    )
    if made.notes and "layer is stretched" in made.notes[0]:
        raise FrameError(
            f"{stars}: {made.notes[0]}; the page plays with linear stars: lay these over the "
            f"nebula with `starcal join`"
        )
    joined(made)
    progress("measuring the stars", 0.7)
    layer = read_star_layer(stars, choices)[0]
    known = stars_of_layer(layer, choices)
    whole = whole_stars(known.parts, layer, known.found.stars, choices)[0]
    matrix = IDENTITY if made.moved is None else made.moved.matrix
    rest = np.maximum(np.nan_to_num(known.parts.starless), 0)
    job = JoinJob(
        nebula_file=nebula,
        stars_file=stars,
        starless=choices.starless,
        moved=moved,
        joined=made,
        known=known,
        read_with=choices.clipped_cores,
        parts=whole,
        rest=carried_layer(rest, matrix, made.nebula.pixels.shape[1:]),
        matrix=matrix,
        space=space_of(nebula, made.tones.linear),
    )
    job.make_ready()
    return job


@dataclass(frozen=True, eq=False)
class SeenNebula:
    """What is seen of a nebula, ready for its stars.

    Attributes
    ----------
    window : Window
    below : ndarray, (3, rows, columns) float32
        Means of its numbers.
    rest : ndarray, (3, rows, columns) float32
        Light of the layer that no star is known for.
    before : ndarray, (rows, columns) uint32
        Pixels of the screen without stars.
    """

    window: Window
    below: NDArray[np.float32]
    rest: NDArray[np.float32]
    before: NDArray[np.uint32]

    @cached_property
    def lit(self) -> NDArray[np.bool_]:
        """Where the layer has light that no star is known for, row by row."""
        return (self.rest != 0).any(axis=0).ravel()

    def at(self, place: NDArray[np.intp]) -> tuple[NDArray, NDArray]:
        """``below`` and ``rest`` of pixels by their numbers."""
        below, rest = (
            each.reshape(3, -1).take(place, axis=1) for each in (self.below, self.rest)
        )
        return below, rest
