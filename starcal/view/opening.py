"""The page from Python: from a script it stays until Ctrl-C, from a notebook beside it."""

from __future__ import annotations

import asyncio
import webbrowser
from functools import partial
from pathlib import Path
from typing import Any, Unpack

from ..checking.check import as_frame
from ..choices import Choices, OfRun, Settings, chosen
from ..errors import FrameError
from ..frame import Frame
from ..frame.given import FrameLike, maybe_frame
from ..pipeline import run
from ..progress import LOG, Logged, Progress, silent
from ..texts import escaped
from . import require_bokeh
from .desk import Desk, desk_of
from .history import History
from .job import open_job


class OpenPage:
    """A page that is served beside a notebook.

    Attributes
    ----------
    address : str
        Of the page, on this machine alone.

    Examples
    --------
    >>> import asyncio
    >>> import starcal
    >>> async def beside() -> str:  # in a notebook such a loop runs already
    ...     page = starcal.view_frame(browser=False)  # a frame is chosen on the page
    ...     page.close()
    ...     return page.address
    >>> asyncio.run(beside()).startswith("http://127.0.0.1:")
    True
    """

    def __init__(self, server, address: str, desk: Desk):
        self.address = address
        self._server, self._desk = server, desk

    @property
    def settings(self) -> Settings:
        """What is chosen on the page now."""
        return self._desk.now

    def close(self) -> None:
        """End it, if that is still to be done."""
        if self._server is not None:
            self._server.stop()
        self._server = None
        self._desk.inbox.close()

    def __repr__(self) -> str:
        """Where it is."""
        return f"<OpenPage {self.address}>"

    def _repr_html_(self) -> str:
        """For notebooks."""
        address = escaped(self.address)
        return f'<p>the page: <a href="{address}" target="_blank">{address}</a></p>'


def view_frame(
    frame: FrameLike | None = None,
    choices: Choices | None = None,
    *,
    stars: str | Path | None = None,
    starless: FrameLike | None = None,
    star_frame: FrameLike | None = None,
    moved: str = "auto",
    wcs: Any = None,
    full_scale: float | None = None,
    out: str | Path | None = None,
    overwrite: bool = False,
    port: int = 0,
    browser: bool = True,
    progress: Progress = silent,
    **asked: Unpack[OfRun],
) -> OpenPage | None:
    """Open a page in the browser: a frame before and after, and every choice to play with.

    Parameters
    ----------
    frame : Frame, str, Path, HDU, CCDData, NDData or array, optional
        A linear colour frame, or a stretched picture; without one it is chosen on the page. With
        ``stars`` the file of a finished nebula.
    choices : Choices, optional
        What holds at first.
    stars : str or Path, optional
        The star layer of a run, to be laid over the finished nebula.
    starless, star_frame : Frame or whatever may be one, optional
        As for `run`; with ``stars`` the file that the nebula was made from.
    moved : {"auto", "none"}
        As for `join_pictures`.
    wcs, full_scale : optional
        As for `check`.
    out : str or Path, optional
        Where the files go that are saved, at first: a folder; with ``stars`` a file.
    overwrite : bool
        Whether they may replace others, at first.
    port : int
        Of this machine; 0 for any that is free.
    browser : bool
        Whether to open the page; its address is in the log ``starcal``.
    progress : callable
        Is given the step and the share done.
    **asked
        Single choices by name, any of `Choices`.

    Returns
    -------
    OpenPage or None
        In a notebook the page, which ends with ``close()``; in a script None, when the page was
        ended by Ctrl-C.

    Raises
    ------
    PageError
        Bokeh is not installed, or the port is taken.
    FrameError
        The frame cannot be used.

    Examples
    --------
    >>> import starcal
    >>> page = starcal.view_frame("broadband.fits", warmth=1.1)  # doctest: +SKIP
    """
    require_bokeh()
    from .serving import claim, serve, started_server  # Bokeh takes half a second

    progress = Logged(progress)
    choices = chosen(choices, asked, OfRun)
    kept = {"out": None if out is None else str(out), "overwrite": overwrite}
    others = {"starless": starless, "star_frame": star_frame}
    listener = claim(port)
    try:
        if stars is not None:
            layers = frame, stars, starless
            desk = _desk_of_layers(layers, choices, moved=moved, progress=progress, **kept)
        else:
            desk = _desk_of_given(frame, others, wcs, full_scale, choices, kept, progress)
    except BaseException:
        listener.close()
        raise
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        serve(listener, desk, browser=browser, announce=partial(LOG.info, "the page: %s"))
        return None
    server, address = started_server(listener, desk)
    LOG.info("the page: %s", address)
    if browser:
        webbrowser.open(address)
    return OpenPage(server, address, desk)


def _desk_of_layers(layers: tuple, choices: Choices, **how) -> Desk:
    """Stars over a finished nebula, and the frame that this was made from; each by its name."""
    nebula, stars, starless = layers
    if not (isinstance(nebula, str | Path) and isinstance(starless, str | Path | None)):
        raise FrameError("stars= goes with the file of a finished nebula: give its name")
    named = None if starless is None else str(starless)
    settings = Settings(**vars(choices), frame=str(stars), starless=named)
    return desk_of(settings, nebula=Path(nebula), **how)


def _desk_of_given(
    frame, others: dict, wcs, full_scale, choices: Choices, kept: dict, progress: Progress
) -> Desk:
    """A frame and those besides it: by their names, where all are names."""
    given = (frame, wcs, *others.values())
    if all(each is None or isinstance(each, str | Path) for each in given):
        files = {"frame": frame, "wcs": wcs, **others}
        names = {name: None if each is None else str(each) for name, each in files.items()}
        settings = Settings(**vars(choices), **names, full_scale=full_scale)
        return desk_of(settings, progress=progress, **kept)
    read = as_frame(frame, progress, wcs=wcs, full_scale=full_scale)
    frames = {name: maybe_frame(each) for name, each in others.items()}
    return _desk_of_frame(read, frames, choices, kept, progress)


def _desk_of_frame(
    frame: Frame, others: dict, choices: Choices, kept: dict, progress: Progress
) -> Desk:
    """A frame that is no file: what is saved is made from it, not from what a name leads to."""

    def save(settings: Settings, folder: Path, *, overwrite: bool):
        return run(frame, folder, settings, overwrite=overwrite, **others)

    settings = Settings(**vars(choices))
    job = open_job(settings, progress, frame=frame, others=others)
    return Desk(settings=settings, job=job, history=History(settings), save=save, **kept)
