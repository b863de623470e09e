"""The job in order: check, choose the route, make the picture, write it."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any, Unpack

from ..checking.check import as_frame, check_for_cure
from ..choices import Choices, OfRun, Settings, chosen
from ..cure.stars import ReadyToColour, coloured_as_chosen
from ..frame import atomic_folder, require_there
from ..frame.given import FrameLike, maybe_frame
from ..named import read_asked, read_others
from ..progress import Logged, Progress, part_of, silent
from .asked import (
    OUTPUTS,
    folder_of,
    objects_among,
    require_free_folder,
    settings_asked_for,
)
from .result import RunResult
from .routes import frame_and_made, made_by_gains, made_of_stars, takes_gains
from .writing import write_files


def run(
    frame: FrameLike,
    out: str | Path | None = None,
    choices: Choices | None = None,
    *,
    starless: FrameLike | None = None,
    star_frame: FrameLike | None = None,
    wcs: Any = None,
    full_scale: float | None = None,
    overwrite: bool = False,
    progress: Progress = silent,
    **asked: Unpack[OfRun],
) -> RunResult:
    """Do the whole job: check a frame, choose the route, make the picture, write files and a
    report.

    Parameters
    ----------
    frame : Frame, str, Path, HDU, CCDData, NDData or array
        A linear colour frame, or a stretched picture; one that is given by its file's name is
        written in that file's format, too.
    out : str or Path, optional
        Folder for the files; by default ``FRAME-starcal`` beside the frame's file, of a `Frame` in
        the current folder.
    choices : Choices, optional
        What is asked for; by default all as by default. `Settings` are kept in ``result.json`` as
        they are, choices with the names of the frames.
    starless, star_frame : Frame or whatever may be one, optional
        As for `recolour_stars`; with a star frame its stars are taken, whatever the verdict.
    wcs, full_scale : optional
        As for `check`.
    overwrite : bool
        Replace files of an earlier run.
    progress : callable
        Is given the step and the share done.
    **asked
        Single choices by name, any of `Choices`. The route may be ``gains`` for a frame whose
        verdict is open.

    Returns
    -------
    RunResult

    Raises
    ------
    FrameError
        The file is not a usable colour frame.
    NotLinearError
        The picture is stretched, and what was asked for needs linear light.
    HarmError
        No fewer stars would have impossible colours than now; nothing was written.
    TooFewStars
        The route asked for has no stars to rest on.
    OutputError
        A file is in the way or cannot be written.

    Examples
    --------
    >>> import starcal
    >>> result = starcal.run("broadband.fits", overwrite=True)
    >>> str(result.folder)
    'broadband-starcal'
    >>> {"picture.fits", "stars.ecsv", "result.json", "report.html"} <= set(result.files)
    True
    """
    began_s = time.monotonic()
    choices = chosen(choices, asked, OfRun)
    folder = Path(out) if out is not None else folder_of(frame)
    files = [frame] if isinstance(frame, str | Path) else []
    layers = [each for each in (starless, star_frame) if isinstance(each, str | Path)]
    require_there([*files, *layers])
    require_free_folder(folder, [*files, *layers], overwrite)
    beside = {"starless": starless, "star_frame": star_frame, "wcs": wcs}
    settings = settings_asked_for(choices, frame, full_scale, beside)
    objects = objects_among({"frame": frame, **beside}, choices)
    progress = Logged(progress)
    with atomic_folder(folder, OUTPUTS, overwrite) as place:  # kept from others from here on
        frame = as_frame(frame, progress, wcs=wcs, full_scale=full_scale)
        found = check_for_cure(frame, choices, part_of(progress, 0.0, 0.3))
        progress("making the picture", 0.3)
        others = {"starless": maybe_frame(starless), "star_frame": maybe_frame(star_frame)}
        told = part_of(progress, 0.3, 0.7)
        frame, made = frame_and_made(frame, found, choices, told, **others)
        made = replace(made, objects=objects)
        progress("writing", 0.7)
        done = write_files(place, frame, made, settings, folder, began_s)
    return done


def run_settings(
    settings: Settings,
    out: str | Path | None = None,
    *,
    overwrite: bool = False,
    progress: Progress = silent,
) -> RunResult:
    """Do the whole job as settings say, with the files that they name; see `run`.

    Parameters
    ----------
    settings : Settings
        With the names of the files.
    out : str or Path, optional
        Folder for the files; by default ``FRAME-starcal`` beside the frame.
    overwrite : bool
        Replace files of an earlier run.
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    RunResult

    Raises
    ------
    OutputError
        Besides, a file that the settings name lies where a result would go.
    """
    folder = Path(out) if out is not None else folder_of(settings.first_file)
    require_there(settings.inputs)
    require_free_folder(folder, settings.inputs, overwrite)
    return run(
        read_asked(settings),
        folder,
        settings,
        overwrite=overwrite,
        progress=progress,
        **read_others(settings),
    )


def run_prepared(
    ready: ReadyToColour,
    settings: Settings,
    out: str | Path,
    *,
    overwrite: bool = False,
    progress: Progress = silent,
) -> RunResult:
    """Do the rest of the job for a linear frame that was checked and split already; see `run`.

    Parameters
    ----------
    ready : ReadyToColour
        By settings that differ from these in nothing that the check or the split goes by.
    settings : Settings
    out : str or Path
        Folder for the files.
    overwrite : bool
        Replace files of an earlier run.
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    RunResult
        The files are those of `run_settings`, bit for bit, but for the time that it took.

    Raises
    ------
    FrameError, HarmError, TooFewStars, OutputError
        As `run`.
    """
    began_s = time.monotonic()
    folder = Path(out)
    require_free_folder(folder, settings.inputs, overwrite)
    with atomic_folder(folder, OUTPUTS, overwrite) as place:
        progress("making the picture", 0.1)
        if ready.star_field is None and takes_gains(ready.check, settings):
            made = made_by_gains(ready.frame, ready.check, settings)
        else:
            coloured = coloured_as_chosen(ready, settings)
            made = made_of_stars(coloured, ready.star_field is not None)
        progress("writing", 0.5)
        return write_files(place, ready.frame, made, settings, folder, began_s)
