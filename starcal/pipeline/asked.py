"""What was asked for, and the folder that a run writes into."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..choices import Choices, Settings
from ..errors import OutputError
from ..frame import Frame, check_folder, lasting_path, require_not_inputs
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
