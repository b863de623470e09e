"""What was asked for: the frames that settings name, and the folder that a run writes into."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..choices import Choices, Settings
from ..compose import read_channels
from ..errors import OutputError
from ..frame import Frame, check_folder, lasting_path, read_frame, require_not_inputs
from ..frame.given import FrameLike

OUTPUTS = (
    "picture.fits",
    "starless.fits",
    "stars.fits",
    "picture.tif",
    "stars.ecsv",
    "result.json",
    "picture.png",
    "after.png",
    "after.tif",
    "before-after.png",
    "preview.png",
    "report.html",
)


def settings_asked_for(
    choices: Choices, frame: FrameLike, full_scale: float | None, others: dict[str, Any]
) -> Settings:
    """What ``result.json`` says was asked for; the others by the names of settings."""
    if isinstance(choices, Settings):
        return choices
    names = {name: _name_of(each) for name, each in others.items()}
    return Settings(**vars(choices), frame=_name_of(frame), full_scale=full_scale, **names)


def objects_among(given: dict[str, Any], choices: Choices) -> tuple[str, ...]:
    """Names of what was handed over in Python and is no file that the settings name."""
    named = {}
    if isinstance(choices, Settings):
        named = vars(choices) | {"frame": choices.first_file}
    return tuple(
        name
        for name, each in given.items()
        if not isinstance(each, str | Path | None) and not named.get(name)
    )


def read_asked(settings: Settings, *, cells: bool = False) -> Frame:
    """The frame that settings name, from one file or three.

    Parameters
    ----------
    settings : Settings
    cells : bool
        Take a raw frame of a colour camera, too; see `frame.read_frame`.

    Returns
    -------
    Frame

    Raises
    ------
    FrameError
        As `frame.read_frame`.
    """
    if settings.red:
        return read_channels(
            settings.red,
            settings.green,
            settings.blue,
            wcs=settings.wcs,
            full_scale=settings.full_scale,
        )
    wcs, full_scale = settings.wcs, settings.full_scale
    return read_frame(settings.frame, wcs=wcs, full_scale=full_scale, cells=cells)


def read_others(settings: Settings) -> dict[str, Frame | None]:
    """The frames besides it that a cure may use, by keyword of `run` and `recolour_stars`.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    dict of str to (Frame or None)
    """
    starless, star_frame = settings.starless, settings.star_frame
    return {
        "starless": read_frame(starless, full_scale=settings.full_scale) if starless else None,
        "star_frame": read_frame(star_frame) if star_frame else None,
    }


def _name_of(frame: Frame | str | Path | None) -> str | None:
    if isinstance(frame, Frame):
        return frame.name
    return str(frame) if isinstance(frame, str | Path) and str(frame) else None


def folder_of(frame: Frame | str | Path) -> Path:
    """Where the files of a run go by default: ``FRAME-starcal`` beside the frame's file, FRAME
    without its ending; of a `Frame`, of which the name alone is known, in the current folder.

    Parameters
    ----------
    frame : Frame, str or Path

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        It has no name.
    """
    name = _name_of(frame)
    if name is None:
        raise OutputError("an array has no name: give the folder for its files, out=FOLDER")
    path = Path(name)
    stem = re.sub(
        r"\.(fits?|fts|tiff?|png|jpe?g)(\.(gz|fz))?$", "", path.name, flags=re.IGNORECASE
    )
    return path.with_name(f"{stem}-starcal")


def outputs_of(folder: str | Path) -> list[str]:
    """Every file that a run may write, or remove as left over from an earlier one.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    list of str
    """
    return [str(Path(folder) / name) for name in OUTPUTS]


def require_free_folder(folder: Path, inputs: Iterable[str | Path], overwrite: bool) -> None:
    """Refuse before the work what would fail after it, and never write over what is read."""
    outputs = outputs_of(folder)
    require_not_inputs(outputs, inputs)
    there = [Path(path).name for path in outputs if os.path.exists(path)]
    if there and not overwrite:
        raise OutputError(
            f"{folder} already holds {', '.join(there)}: add --overwrite, or choose a folder with "
            f"--out"
        )
    check_folder(folder)


def with_lasting_name(settings: Settings, folder: Path) -> Settings:
    """Settings whose frame is called by a name that holds when this program has ended."""
    if not settings.frame:
        return settings
    return replace(settings, frame=lasting_path(settings.frame, folder))
