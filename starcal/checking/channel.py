"""One channel by itself: what can be said of it is where it points; colours take three."""

from dataclasses import dataclass
from pathlib import Path
from typing import Unpack

import numpy as np
from astropy.table import Table
from astropy.wcs import WCS

from ..catalogue.choose import source_of
from ..choices import Choices, OfCheck, chosen
from ..fit import verdict
from ..frame import COMPOSE, Frame, frame_of_planes, read_plane
from ..place.hints import hints_of
from ..place.locate import Located, locate
from ..progress import Logged, Progress, silent
from ..stars import measure_stars
from ..texts import UNBROKEN, aligned, broken, counted
from .check import lacks_of_wcs, use_of_catalogue
from .result import CatalogueUse, for_json, match_rows, wcs_facts, wcs_rows

ONE_CHANNEL = "a single channel, of which no star colours can be told"
NOT_OF_ONE = verdict.GO_ON_WITHOUT, verdict.SEPARATE_STARS  # steps that take a colour frame


@dataclass(frozen=True, kw_only=True, eq=False)
class ChannelCheck:
    """What can be said of one channel: where it points, by its stars.

    Attributes
    ----------
    frame : str
        Name of the file.
    filter_name : str or None
        As its header has it.
    stars : Table
        Of `stars.measure_stars`, the channel three times.
    located : Located
        Where it is on the sky, and its pairs with the catalogue.
    catalogue : CatalogueUse or None
        None without a WCS.
    reasons, next_steps : tuple of str
        What this is, whether its place is known, and what to do.
    notes : tuple of str
        What else was noticed.

    Examples
    --------
    >>> import starcal
    >>> found = starcal.check_channel("red.fits")
    >>> found.solved
    True
    >>> print(found.summary())
    red.fits: a single channel...
    """

    frame: str
    filter_name: str | None
    stars: Table
    located: Located
    catalogue: CatalogueUse | None
    reasons: tuple[str, ...]
    next_steps: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def solved(self) -> bool:
        """Whether its stars tell where it points."""
        return self.located.wcs is not None

    @property
    def wcs(self) -> WCS | None:
        """Where it is by its stars, to be kept; None where they do not tell."""
        return self.located.wcs

    def to_dict(self) -> dict:
        """Plain numbers, strings and lists for JSON; a single channel has no verdict."""
        match, catalogue = self.located.match, self.catalogue
        stars = {
            "detected": len(self.stars),
            "catalogue": catalogue.stars_in_field if catalogue else None,
            "matched": len(match.star) if match is not None else None,
            "chance_matches": match.chance_matches if match is not None else None,
        }
        return for_json(
            {
                "frame": self.frame,
                "channels": 1,
                "filter": self.filter_name,
                "verdict": None,
                "solved": self.solved,
                "reasons": self.reasons,
                "next_steps": self.next_steps,
                "stars": stars,
                "wcs": wcs_facts(self.located),
                "catalogue": vars(catalogue) if catalogue else None,
                "notes": self.notes,
            }
        )

    def rows(self) -> list[tuple[str, str]]:
        """The numbers that matter, as (name, text) pairs."""
        rows = [
            ("frame", self.frame),
            ("filter", self.filter_name or "not named in the header"),
            ("stars found", str(len(self.stars))),
        ]
        if self.located.match is not None and self.catalogue is not None:
            rows += match_rows(self.located.match, self.catalogue) + wcs_rows(self.located)
        return rows + [("note", note) for note in self.notes]

    def summary(self) -> str:
        """One line: what it is, and whether its place is known."""
        return f"{self.frame}: {'; '.join(self.reasons)} ({counted(len(self.stars), 'star')})"

    def __repr__(self) -> str:
        """One line; the arrays would fill a screen."""
        return f"<ChannelCheck {self.summary()}>"

    def __str__(self) -> str:
        """Several lines for a terminal."""
        return self.text()

    def text(self, width: int = UNBROKEN, *, all_numbers: bool = True) -> str:
        """Lines for a terminal, none longer than a width; there are few numbers, and all shown."""
        said = [("  because", reason) for reason in self.reasons[1:]]
        said += [("  next", step) for step in self.next_steps]
        head = f"No verdict: this is {ONE_CHANNEL}."
        lines = [*broken(head, width), *aligned(said, width), "", *aligned(self.rows(), width)]
        return "\n".join(lines)


def check_channel(
    path: str | Path,
    choices: Choices | None = None,
    *,
    wcs: str | Path | None = None,
    full_scale: float | None = None,
    progress: Progress = silent,
    **asked: Unpack[OfCheck],
) -> ChannelCheck:
    """Find where one mono channel points, by its stars.

    Parameters
    ----------
    path : str or Path
        A file of one channel.
    choices : Choices, optional
        What is asked for; by default all as by default.
    wcs, full_scale : optional
        As for `frame.read_frame`.
    progress : callable
        Is given the step and the share done.
    **asked
        Single choices by name, as for `check`; those about gains mean nothing here.

    Returns
    -------
    ChannelCheck

    Raises
    ------
    FrameError
        The file is not one of a single channel.
    NoWCSError
        A place or a scale was asked for that is none.

    Examples
    --------
    >>> import starcal
    >>> found = starcal.check_channel("red.fits")
    >>> found.wcs is not None, found.to_dict()["verdict"]
    (True, None)
    """
    choices = chosen(choices, asked, OfCheck)
    progress = Logged(progress)
    progress("reading", 0.0)
    frame = _thrice(path, wcs, full_scale)
    hints = hints_of(choices, frame)
    progress("finding and measuring stars", 0.2)
    stars = measure_stars(frame.pixels, snr_min=choices.snr)
    progress("matching the catalogue", 0.6)
    located = locate(stars, frame, source_of(choices), hints)
    reason, steps = _said(frame, located, len(stars))
    return ChannelCheck(
        frame=frame.name,
        filter_name=frame.filters[0],
        stars=stars,
        located=located,
        catalogue=use_of_catalogue(located),
        reasons=(ONE_CHANNEL, reason),
        next_steps=steps,
        notes=(*frame.notes, *located.notes),
    )


def _thrice(path: str | Path, wcs: str | Path | None, full_scale: float | None) -> Frame:
    """The channel as all three of a frame."""
    plane = read_plane(path)
    pixels = np.repeat(plane.pixels[None], 3, axis=0)
    return frame_of_planes(
        pixels, (plane,) * 3, plane, wcs=wcs, full_scale=full_scale, name=plane.name
    )


def _said(frame: Frame, located: Located, n_stars: int) -> tuple[str, tuple[str, ...]]:
    """Whether its place is known, and what to do."""
    if located.wcs is not None:
        fits = "its WCS fits its stars" if located.how == "own" else "its stars tell its WCS"
        keep = () if located.replacement is None else ("keep the WCS: --write-wcs FILE",)
        return fits, (*keep, f"put it together with two others: `{COMPOSE}`")
    if located.match is None:
        judged = verdict.without_wcs(lacks_of_wcs(frame), located.why_not, located.lacks)
    else:
        judged = verdict.without_match(located.match, n_stars)
    steps = tuple(step for step in judged.next_steps if step not in NOT_OF_ONE)
    return judged.reasons[0], steps
