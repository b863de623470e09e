"""The last step as one job: a finished nebula and its star layer, from files to one picture."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Unpack

import numpy as np
from numpy.typing import NDArray

from ..choices import Choices, OfJoin, chosen
from ..draw.tone import Stretch, choose_stretch, every_nth
from ..errors import FrameError, GeometryError
from ..frame import (
    SRGB,
    ColourSpace,
    Frame,
    colour_space,
    icc_profile_of,
    read_frame,
    require_same_place,
)
from ..progress import Logged, Progress, silent
from .belonging import named_starless, read_nebula, require_starless, starless_beside
from .blend import screen_keeping_hue
from .geometry import Moved, find_moved
from .laying import gapless, laid_over
from .rebuilt import read_star_layer
from .star_layer import StarLayer, prepared_layer
from .tones import Tones, tones_of

FIRST_ROWS = 16
HOWS = ("auto", "add", "screen")


@dataclass(frozen=True, kw_only=True)
class Joined:
    """A finished nebula with its stars.

    Attributes
    ----------
    pixels : ndarray, (3, y, x) float32
        1 is full scale, row 0 the bottom.
    changed : ndarray, (y, x) bool
        Where a star lies; elsewhere the nebula's values are kept.
    nebula : Frame
    moved : Moved or None
        How the nebula was found to lie; None: nobody looked, it lies as its stars do.
    tones : Tones
        Linear or stretched, and how one knows.
    how : str
        "add" or "screen".
    space : str
        Colour space that the stars were computed for.
    look : Stretch or None
        Of linear stars over a stretched nebula, at strength 1.
    notes : tuple of str
        What was done to the stars.

    Examples
    --------
    >>> import starcal
    >>> files = starcal.split_stars("broadband.fits", snr=20).write("layers", overwrite=True)
    >>> joined = starcal.join_pictures(*files, moved="none")
    >>> isinstance(joined, starcal.Joined), joined.how
    (True, 'add')
    """

    pixels: NDArray[np.float32]
    changed: NDArray[np.bool_]
    nebula: Frame
    moved: Moved | None
    tones: Tones
    how: str
    space: str
    look: Stretch | None = None
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        """One line; the arrays would fill a screen."""
        return f"<Joined {self.nebula.name}, stars {self.how}>"

    def __str__(self) -> str:
        """What was found and done, a line each."""
        kind = "linear" if self.tones.linear else "stretched"
        lies = "the nebula is taken to lie as its stars do"
        if self.moved is not None:
            lies = str(self.moved)
        done = "added"
        if self.how != "add":
            done = f"screened, colours for {self.space}"
        share = self.changed.mean()
        said = [
            f"stars {done}, over {share:.1%} of the pixels",
            lies,
            f"the nebula is {kind}: {self.tones.evidence}",
            *self.notes,
        ]
        return "\n".join(said)

    def to_dict(self) -> dict:
        """For JSON."""
        found = self.moved
        return {
            "how": self.how,
            "linear": self.tones.linear,
            "evidence": self.tones.evidence,
            "colour_space": self.space,
            "moved": None if found is None else moved_facts(found),
            "share_under_stars": float(self.changed.mean()),
            "notes": list(self.notes),
        }


def moved_facts(found: Moved) -> dict:
    """What was found of the nebula's place, for JSON."""
    return {
        "matrix": found.matrix.tolist(),
        "scale": found.scale,
        "rotation_deg": found.rotation_deg,
        "mirrored": found.mirrored,
        "error_px": found.error_px,
        "bend_px": found.bend_px,
        "features": found.agreeing,
        "correlation": found.correlation,
    }


def join_pictures(
    nebula: str | Path,
    stars: str | Path,
    choices: Choices | None = None,
    *,
    starless: str | Path | None = None,
    moved: str = "auto",
    how: str = "auto",
    recoloured: bool = False,
    wcs: str | Path | None = None,
    progress: Progress = silent,
    **asked: Unpack[OfJoin],
) -> Joined:
    """Put the stars of a run back into its nebula, whatever was done to that in between.

    Parameters
    ----------
    nebula : str or Path
        The finished nebula without its stars.
    stars : str or Path
        Star layer: ``stars.fits`` of a run or split, or one from elsewhere, linear or stretched.
    choices : Choices, optional
        What is asked of the stars: ``star_strength``, ``star_size``, ``star_brightness``,
        ``faintest_mag``, ``brightest``; where they are recoloured, all that `recolour_stars` takes.
    starless : str or Path, optional
        The starless frame that the nebula was made from; by default the one that the layer names,
        if it lies beside it.
    moved : {"auto", "none"}
        Whether to look for a crop, turn, mirroring or scaling.
    how : {"auto", "add", "screen"}
        Add to a linear nebula, screen over a stretched one; by default the nebula is judged.
    recoloured : bool
        Give the stars colours in the same go.
    wcs : str or Path, optional
        A header that says where the star layer points.
    progress : callable
        Told the step and the share done.
    **asked
        Single choices by name.

    Returns
    -------
    Joined

    Raises
    ------
    GeometryError
        Where the nebula lies is not sure, or no starless frame tells it.
    FrameError
        A file cannot be used, or the nebula still has its stars.
    ValueError
        ``moved``, ``how`` or a choice outside its range.

    Examples
    --------
    >>> import starcal
    >>> files = starcal.split_stars("broadband.fits", snr=20).write("layers", overwrite=True)
    >>> joined = starcal.join_pictures(*files, moved="none")
    >>> joined.pixels.shape, joined.how
    ((3, 330, 460), 'add')
    """
    _require_asked(moved, how)
    choices = chosen(choices, asked, OfJoin)
    progress = Logged(progress)
    progress("reading", 0.0)
    below = read_nebula(nebula)
    layer, rebuilt = read_star_layer(Path(stars), choices, wcs)
    require_same_place(below, layer)
    frame = read_frame(starless) if starless else starless_beside(layer, Path(stars))
    progress("looking where the nebula lies", 0.05)
    found = None if moved == "none" else _found_geometry(frame, below, layer)
    layer_stars = prepared_layer(layer, choices, recoloured, progress)
    light = _laid_there(layer_stars, found, below.pixels.shape[1:])
    _require_one_size(below.pixels, light)
    progress("laying the stars over it", 0.6)
    require_starless(below.pixels, light)
    tones = _tones(how, below, frame, found, layer_stars.stretched)
    _require_addable(tones, layer_stars, layer.name)
    # a crushed sky at the edge counts as no data, and has stars, too
    below.refill(below.pixels)
    space = SRGB if tones.linear else colour_space(icc_profile_of(Path(nebula)))
    own = not (tones.linear or layer_stars.stretched)
    look = stars_stretch(gapless(layer.pixels), frame) if own else None
    return Joined(
        pixels=_laid(below.pixels, light, layer_stars.stretched, _strong(look, choices), space),
        changed=(light != 0).any(axis=0),
        nebula=below,
        moved=found,
        tones=tones,
        how="add" if tones.linear else "screen",
        space="linear light" if tones.linear else space.name,
        look=look,
        notes=(*rebuilt, *layer_stars.notes),
    )


def laid_anew(
    made: Joined,
    stars: StarLayer,
    rebuilt: tuple[str, ...],
    choices: Choices,
    space: ColourSpace,
) -> Joined:
    """The same nebula with the stars of the same layer as other choices have them.

    Parameters
    ----------
    made : Joined
        With linear stars.
    stars : StarLayer
        Linear.
    rebuilt : tuple of str
        What `read_star_layer` says of the layer.
    choices : Choices
        With the strength of the stars.
    space : ColourSpace
        Of the nebula.

    Returns
    -------
    Joined
    """
    nebula = made.nebula.pixels
    light = _laid_there(stars, made.moved, nebula.shape[1:])
    return replace(
        made,
        pixels=_laid(nebula, light, False, _strong(made.look, choices), space),
        changed=(light != 0).any(axis=0),
        notes=(*rebuilt, *stars.notes),
    )


def _laid(
    nebula: NDArray, light: NDArray, shown: bool, look: Stretch | None, space: ColourSpace
) -> NDArray[np.float32]:
    """Stars over a nebula; ``shown``: they are display values already."""
    if shown:
        return screen_keeping_hue(nebula, light, space)
    return laid_over(nebula, light, look, space)


def _strong(look: Stretch | None, choices: Choices) -> Stretch | None:
    """A look as strong as was asked for."""
    return look.adjusted(strength=choices.star_strength) if look else None


def _laid_there(stars: StarLayer, found: Moved | None, shape: tuple[int, int]) -> NDArray:
    """The stars on the nebula's pixels, (3, y, x)."""
    if found is None or found.unchanged:
        return stars.light
    return stars.on(found.matrix, shape)


def _require_addable(tones: Tones, stars: StarLayer, name: str) -> None:
    """Refuse stretched stars on a linear nebula."""
    if tones.linear and stars.stretched:
        raise FrameError(
            f"the nebula is linear ({tones.evidence}) and the stars of {name} are stretched: give "
            f"both linear or both stretched, or say --assume-linear if the stars are linear"
        )


def _require_asked(moved: str, how: str) -> None:
    if moved not in ("auto", "none"):
        raise ValueError(f"moved {moved!r} given; it is 'auto' or 'none'")
    if how not in HOWS:
        raise ValueError(f"how {how!r} given; it is one of {', '.join(HOWS)}")


def _found_geometry(frame: Frame | None, below: Frame, layer: Frame) -> Moved | None:
    """Where the nebula lies; None where the starless frame itself or two equal WCS say it."""
    if frame is None:
        solved = below.wcs is not None and layer.wcs is not None
        if solved and below.pixels.shape == layer.pixels.shape:
            return None
        raise GeometryError(
            f"the starless frame that {below.name} was made from{named_starless(layer)} is not "
            f"beside the star layer: name it by --starless FILE, or say --moved none if the nebula "
            f"was neither cropped nor turned nor scaled"
        )
    if _same_pixels(frame.pixels, below.pixels):
        return None
    return find_moved(frame.pixels, below.pixels)


def _same_pixels(one: NDArray, other: NDArray) -> bool:
    """Whether two pictures are the same; most others show it in their first rows."""
    first = np.s_[:, :FIRST_ROWS]
    return all(
        np.array_equal(one[part], other[part], equal_nan=True) for part in (first, np.s_[:])
    )


def _require_one_size(nebula: NDArray, light: NDArray) -> None:
    if nebula.shape != light.shape:
        sizes = [f"{shape[2]} x {shape[1]} px" for shape in (nebula.shape, light.shape)]
        raise GeometryError(
            f"a nebula of {sizes[0]} and stars of {sizes[1]} given: leave away --moved none, so "
            f"that crop and scale are found"
        )


def _tones(
    how: str, below: Frame, frame: Frame | None, found: Moved | None, stars_shown: bool
) -> Tones:
    if how != "auto":
        return Tones(how == "add", "as was said")
    return tones_of(
        below.pixels,
        None if frame is None else frame.pixels,
        None if found is None else found.matrix,
        eight_bits=below.source_type == "uint8",
        stars_shown=stars_shown,
    )


def seems_linear(nebula: Frame) -> bool:
    """Whether a nebula seems linear before its starless frame has told.

    Parameters
    ----------
    nebula : Frame

    Returns
    -------
    bool
    """
    return _tones("auto", nebula, None, None, False).linear


def stars_stretch(light: NDArray, frame: Frame | None) -> Stretch:
    """The stretch of the whole linear picture, for its stars alone: black lies at no light.

    Parameters
    ----------
    light : ndarray, (3, y, x)
        Star layer as it was split off.
    frame : Frame or None
        Its starless frame, of the same size; without one the stretch is chosen by the stars' own
        light.

    Returns
    -------
    Stretch
    """
    whole = light if frame is None else every_nth(frame.pixels) + every_nth(light)
    return starry_look(choose_stretch(whole), 1.0)


def starry_look(look: Stretch, strength: float) -> Stretch:
    """The stretch of a picture for its stars alone: black lies at no light.

    Parameters
    ----------
    look : Stretch
        Of the whole picture.
    strength : float
        0.1 to 10; above 1 faint stars are lifted more.

    Returns
    -------
    Stretch
    """
    return replace(look, black=(0.0, 0.0, 0.0)).adjusted(strength=strength)
