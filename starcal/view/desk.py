"""What one server shows: nothing yet, a frame, or stars over a finished nebula; and what was chosen
so far."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..choices import Settings
from ..frame import Inbox, kind_of
from ..named import read_asked
from ..progress import Progress, silent
from .history import History
from .waiting import Waiting, waiting_for_frame

if TYPE_CHECKING:  # what takes long to import is so when the picture has been seen
    from .job import AnyJob
    from .joining import JoinJob


@dataclass(eq=False, kw_only=True)
class Desk:
    """What a server shows.

    Attributes
    ----------
    settings : Settings
        What was asked for at first.
    job : Job, DisplayJob, StarFrameJob, JoinJob or None
        None until somebody chooses a frame on the page, or while one is made.
    waiting : Waiting or None
        What makes it.
    history : History
        What was chosen before the page was opened.
    choices : SharedChoices or None
        What has been chosen since, in all tabs; None before the first.
    out : str or None
        Where files go, at first.
    overwrite : bool
        Whether they may replace others, at first.
    save : callable, optional
        Is given settings and a folder, and ``overwrite=``; writes the files of a run. By default
        `pipeline.run_settings`.
    inbox : Inbox
        What a browser hands over.
    chosen_here : bool
        Whether the frame was chosen on the page.
    """

    settings: Settings
    job: AnyJob | JoinJob | None = None
    history: History
    choices: Any = None
    out: str | None = None
    overwrite: bool = False
    waiting: Waiting | None = None
    save: Callable[..., Any] | None = None
    inbox: Inbox = field(default_factory=Inbox)
    chosen_here: bool = False

    @property
    def now(self) -> Settings:
        """What is chosen now."""
        return self.history.now if self.choices is None else self.choices.now.now

    def take(self, path: Path, progress: Progress = silent) -> None:
        """Read a frame that was chosen on the page; it is shown, and checked and split meanwhile.

        Parameters
        ----------
        path : Path
            One that came through the browser is looked for in the working folder first.
        progress : callable
            Is given the step and the share done.

        Raises
        ------
        FrameError
            It cannot be read.
        """
        from ..pipeline import folder_of

        here = Path.cwd()
        known = self.inbox.original(path, here)
        settings = replace(self.settings, frame=str(known))
        progress("reading", 0.0)
        waiting = waiting_for_frame(read_asked(settings), settings)
        self.job, self.waiting = None, waiting
        self.history, self.choices = History(settings), None
        self.chosen_here = True
        if self.out is None and self.inbox.holds(known):
            self.out = str(here / folder_of(known).name)
        waiting.then(partial(self._made, waiting))

    def _made(self, waiting: Waiting) -> None:
        """Have the job that was waited for; where there is none, another frame can be chosen."""
        if self.waiting is waiting:  # nobody has chosen another meanwhile
            self.job, self.waiting = waiting.job, None


def desk_of(
    settings: Settings,
    *,
    nebula: Path | None = None,
    moved: str = "auto",
    out: str | None = None,
    overwrite: bool = False,
    progress: Progress = silent,
) -> Desk:
    """Open what settings name.

    Parameters
    ----------
    settings : Settings
        Without a frame, one is chosen on the page.
    nebula : Path, optional
        A finished nebula; the frame is then its star layer.
    moved : {"auto", "none"}
        Whether to look for that nebula's place.
    out : str, optional
        Where files go, at first: a folder, or the file of a joined picture.
    overwrite : bool
        Whether they may replace others, at first.
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    Desk

    Raises
    ------
    FrameError
        As `open_job` or `open_join_job`.
    """
    job: AnyJob | JoinJob | None = None
    if nebula is not None:
        from .joining import open_join_job

        stars = Path(settings.first_file)
        job = open_join_job(nebula, stars, settings, moved=moved, progress=progress)
        out = out or str(file_beside(nebula))
    elif settings.first_file:
        from .job import open_job

        job = open_job(settings, progress)
    return Desk(
        settings=settings, job=job, history=History(settings), out=out, overwrite=overwrite
    )


def desk_at_once(
    settings: Settings,
    *,
    nebula: Path | None = None,
    moved: str = "auto",
    out: str | None,
    overwrite: bool,
    progress: Progress = silent,
) -> Desk:
    """Read what settings name; it is shown at once, and all else is done meanwhile.

    Parameters
    ----------
    settings : Settings
    nebula : Path, optional
    moved : {"auto", "none"}
    out : str, optional
    overwrite : bool
    progress : callable
        As for `desk_of`.

    Returns
    -------
    Desk
        With what makes its job.

    Raises
    ------
    FrameError
        The frame, or the nebula, cannot be read.
    """
    progress("reading", 0.0)
    if nebula is None:
        waiting = waiting_for_frame(read_asked(settings), settings)
    else:
        from .first_nebula import waiting_for_stars

        out = out or str(file_beside(nebula))
        waiting = waiting_for_stars(nebula, Path(settings.first_file), settings, moved=moved)
    history = History(settings)
    return Desk(
        settings=settings, history=history, out=out, overwrite=overwrite, waiting=waiting
    )


def file_beside(nebula: Path) -> Path:
    """Where a joined picture goes by default: beside its nebula.

    Parameters
    ----------
    nebula : Path

    Returns
    -------
    Path
    """
    ending = nebula.suffix if kind_of(nebula) in ("tif", "png") else ".fits"
    ending = ".png" if nebula.suffix.lower() in (".jpg", ".jpeg") else ending
    return nebula.with_name(f"{nebula.stem}-whole{ending}")
