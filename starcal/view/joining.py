"""A finished nebula and its star layer, opened once, and what each choice makes of what is seen."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.sparse import csr_array

from ..checking.check import check
from ..choices import Choices
from ..cure.wishes import factors_of, tinted, whole_stars
from ..errors import FrameError
from ..finish import (
    ColourSpace,
    Joined,
    carried,
    carried_layer,
    colour_space,
    join_pictures,
    laid_over,
    own_colours,
    write_joined,
)
from ..finish.features import scale_of
from ..frame import icc_profile_of, kind_of, read_frame
from ..layers import Split, shares_on_grid, split
from ..progress import Progress, silent
from .visible import Window, mean_of, rgba

IDENTITY = np.eye(2, 3)


@dataclass(frozen=True, eq=False, kw_only=True)
class JoinJob:
    """What stays the same while choices change.

    Attributes
    ----------
    nebula_file, stars_file : Path
    starless, moved : str or None, str
        As for `join_pictures`.
    joined : Joined
        Of the first choices.
    parts : Split
        Of the star layer.
    table : Table
        Its stars.
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
    parts: Split
    table: Table
    rest: NDArray[np.float32]
    matrix: NDArray[np.float64]
    space: ColourSpace

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the nebula."""
        return self.joined.nebula.pixels.shape[1:]

    @property
    def star_count(self) -> int:
        """How many stars there are."""
        return int(np.sum(self.parts.model.reach_px > 0))

    def nebula_in(self, window: Window) -> NDArray[np.float32]:
        """The nebula where it is seen, means of its numbers."""
        return np.nan_to_num(mean_of(self.joined.nebula.pixels, window))

    def shares_in(self, window: Window, star_size: float) -> csr_array:
        """What each star gives of the light of each pixel of the screen."""
        model, step = self.parts.model, window.step
        x_px, y_px = carried(self.matrix, model.x_px, model.y_px)
        left, low, _, _ = window.box
        places = (x_px - left) / step - 0.5, (y_px - low) / step - 0.5
        pixel_scale = scale_of(self.matrix) / step
        return shares_on_grid(self.parts, places, pixel_scale, window.shape, star_size)

    def with_stars(
        self, window: Window, below: NDArray, shares: csr_array, choices: Choices
    ) -> NDArray[np.float32]:
        """What is seen of the nebula, (3, rows, columns), with its stars."""
        tint = tinted(own_colours(self.parts), choices.warmth, choices.saturation)
        factor = factors_of(self.parts, self.table, choices)
        light = np.float32((shares @ (tint * factor[:, None])).T.reshape(below.shape))
        light += mean_of(self.rest, window)
        look = self.joined.look
        strong = look.adjusted(strength=choices.star_strength) if look else None
        return laid_over(below, light, strong, self.space)

    def save(self, output: Path, choices: Choices, overwrite: bool) -> str:
        """Write at full size what `starcal join` writes; in words."""
        made = join_pictures(
            self.nebula_file,
            self.stars_file,
            choices,
            starless=self.starless,
            moved=self.moved,
        )
        lost = write_joined(made, self.nebula_file, output, overwrite)
        return f"Saved: {output}" + (f" ({lost})" if lost else "")


def open_join_job(
    nebula: Path,
    stars: Path,
    choices: Choices,
    *,
    starless: str | None = None,
    moved: str = "auto",
    progress: Progress = silent,
) -> JoinJob:
    """Find where the nebula lies and take the star layer apart.

    Parameters
    ----------
    nebula, stars : Path
    choices : Choices
    starless : str, optional
    moved : {"auto", "none"}
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    JoinJob

    Raises
    ------
    FrameError
        As `join_pictures`; or the star layer is stretched.
    """
    plain = Choices(assume_linear=choices.assume_linear)
    joined = join_pictures(
        nebula, stars, plain, starless=starless, moved=moved, progress=progress
    )
    if joined.notes and "layer is stretched" in joined.notes[0]:
        raise FrameError(
            f"{stars}: {joined.notes[0]}; the page plays with linear stars: lay these over the "
            f"nebula with `starcal join`"
        )
    progress("measuring the stars", 0.7)
    layer = read_frame(stars)
    found = check(layer, choices)
    parts = split(np.nan_to_num(layer.pixels), found.stars)
    matrix = IDENTITY if joined.moved is None else joined.moved.matrix
    rest = np.maximum(np.nan_to_num(parts.starless), 0)
    profile = icc_profile_of(nebula) if kind_of(nebula) else None
    return JoinJob(
        nebula_file=nebula,
        stars_file=stars,
        starless=starless,
        moved=moved,
        joined=joined,
        parts=whole_stars(parts, layer, found.stars, choices)[0],
        table=found.stars,
        rest=carried_layer(rest, matrix, joined.nebula.pixels.shape[1:]),
        matrix=matrix,
        space=colour_space(None if joined.tones.linear else profile),
    )


def seen_pair(
    job: JoinJob, window: Window, choices: Choices, shares: csr_array
) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """The nebula without and with its stars as pixels of the screen, (rows, columns) each.

    A linear nebula is shown in the stretch of what is seen of it at first.
    """
    below = job.nebula_in(window)
    above = job.with_stars(window, below, shares, choices)
    return _as_seen(job, below), _as_seen(job, above)


def _as_seen(job: JoinJob, picture: NDArray) -> NDArray[np.uint32]:
    """Numbers of the nebula's space, or linear ones, as those of the screen."""
    from ..colour import srgb_encode
    from ..draw.tone import choose_stretch

    if job.joined.tones.linear:
        return rgba(choose_stretch(job.joined.pixels).apply(picture))
    light = np.tensordot(job.space.to_srgb, job.space.decode(np.clip(picture, 0, 1)), axes=1)
    return rgba(np.float32(srgb_encode(np.clip(light, 0, 1))))


def without_all(choices: Choices, star_count: int) -> Choices:
    """Choices that keep all stars where as many were asked for as there are."""
    every = choices.brightest is not None and choices.brightest >= star_count
    return replace(choices, brightest=None) if every else choices
