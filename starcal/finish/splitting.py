"""A frame split into stars and starless, as layers to work on and to write."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Unpack

import numpy as np
from astropy.table import Table

from ..choices import Choices, OfSplit, chosen
from ..draw.preview import beside, thinned
from ..draw.tone import stretch_apart
from ..frame import Frame, add_fits_table, atomic_files, write_fits
from ..frame.given import FrameLike, frame_of, maybe_frame
from ..layers import plausible_starless, split
from ..progress import Logged, Progress, part_of, silent
from ..stars import measure_stars
from ..stars.linearity import measure_linearity, require_linear
from ..texts import counted, escaped
from .belonging import belonging_cards
from .rebuilt import CORES, cores_of


@dataclass(frozen=True, kw_only=True, eq=False)
class StarLayers:
    """A frame without its stars, and its stars without the frame; their sum is the frame.

    Attributes
    ----------
    frame : Frame
    starless, stars : ndarray, (3, y, x) float32
    table : Table
        The star table.
    n_split : int
        Stars that were split off.
    notes : tuple of str
    cores : Table or None
        Pixels of clipped cores as they would be rebuilt; see `rebuilt.cores_of`. The layer itself
        has them as the frame has.

    Examples
    --------
    >>> import starcal
    >>> layers = starcal.split_stars("broadband.fits", snr=20)
    >>> isinstance(layers, starcal.StarLayers), layers.n_split > 10
    (True, True)
    """

    frame: Frame
    starless: np.ndarray
    stars: np.ndarray
    table: Table
    n_split: int
    notes: tuple[str, ...]
    cores: Table | None = None

    def __repr__(self) -> str:
        """One line; the arrays would fill a screen."""
        return f"<StarLayers {self.summary()}>"

    def summary(self) -> str:
        """One line: how many stars."""
        return (
            f"{self.frame.name}: {self.n_split} of {counted(len(self.table), 'star')} split off"
        )

    def _repr_html_(self) -> str:
        """For notebooks."""
        views = stretch_apart(thinned(self.starless), thinned(self.stars))
        pictures = beside(dict(zip(("starless", "stars"), views, strict=True)))
        return f"{pictures}<p>{escaped(self.summary())}</p>"

    def write(self, stem: str | Path, *, overwrite: bool = False) -> tuple[str, str]:
        """Write both as float32 FITS with the frame's header.

        Parameters
        ----------
        stem : str or Path
            ``STEM-starless.fits`` and ``STEM-stars.fits`` are written; what rebuilt cores would
            have lies in a table of the second, for `join`.
        overwrite : bool
            Replace files that are there.

        Returns
        -------
        tuple of str
            The two names.
        """
        targets = f"{stem}-starless.fits", f"{stem}-stars.fits"
        starless, stars = (
            self.frame.refill(each.copy()) for each in (self.starless, self.stars)
        )
        belonging = self.frame.header.copy()
        belonging.update(belonging_cards(starless, targets[0]))
        headers = self.frame.header, belonging
        history = ("starcal: split; starless and stars add up to the frame",)
        with atomic_files(targets, overwrite) as places:  # both, or none
            for place, layer, header in zip(places, (starless, stars), headers, strict=True):
                write_fits(place, layer, header, history=history)
            if self.cores is not None and len(self.cores):
                add_fits_table(places[1], self.cores, CORES)
        return targets


def split_stars(
    frame: FrameLike,
    choices: Choices | None = None,
    *,
    starless: FrameLike | None = None,
    wcs: Any = None,
    full_scale: float | None = None,
    progress: Progress = silent,
    **asked: Unpack[OfSplit],
) -> StarLayers:
    """Split a frame into stars and starless.

    Parameters
    ----------
    frame : Frame, str, Path, HDU, CCDData, NDData or array
        Linear.
    choices : Choices, optional
        What is asked for; by default all as by default.
    starless : Frame or whatever may be one, optional
        A starless version of it that is already there.
    wcs, full_scale : optional
        As for `check`.
    progress : callable
        Is given the step and the share done.
    **asked
        ``snr`` and ``assume_linear`` by name; see `Choices`.

    Returns
    -------
    StarLayers

    Raises
    ------
    NotLinearError
        The frame is stretched.
    FrameError
        It is no colour picture, or the starless version is not of it.

    Examples
    --------
    >>> import starcal
    >>> layers = starcal.split_stars("broadband.fits", snr=20)
    >>> print(abs(layers.starless + layers.stars - layers.frame.pixels).max() < 1e-6)
    True
    """
    choices = chosen(choices, asked, OfSplit)
    progress = Logged(progress)
    progress("reading", 0.0)
    frame = frame_of(frame, wcs=wcs, full_scale=full_scale)
    given = maybe_frame(starless)
    progress("measuring stars", 0.2)
    table = measure_stars(frame.pixels, snr_min=choices.snr)
    if not choices.assume_linear:
        require_linear(frame.name, measure_linearity(frame.pixels, table))
    if given is not None:
        return _by_given(frame, given, table)
    parts = split(frame.pixels, table, part_of(progress, 0.3, 1.0))
    return StarLayers(
        frame=frame,
        starless=parts.starless,
        stars=parts.stars,
        table=table,
        n_split=int((parts.model.reach_px > 0).sum()),
        notes=tuple(parts.notes),
        cores=cores_of(parts, frame.pixels, table),
    )


def _by_given(frame: Frame, starless: Frame, table: Table) -> StarLayers:
    """The layers that a starless version tells."""
    plausible_starless(frame.pixels, starless.pixels, table)
    return StarLayers(
        frame=frame,
        starless=starless.pixels,
        stars=frame.pixels - starless.pixels,
        table=table,
        n_split=len(table),
        notes=(),
    )
