"""The page while there is no frame: one is chosen from the folder, typed, or dropped."""

import asyncio
import html
import os
from functools import partial
from pathlib import Path

from bokeh.document import Document, without_document_lock
from bokeh.models import Button, Select

from ..errors import StarcalError
from ..frame import pictures_in
from . import looks, panel
from .choosing import typed_path
from .desk import Desk
from .words import page_words

CHOOSE = "choose one"
OPENED = "opened"  # the page loads itself again when it is told so
MOST_NAMES = 300


class StartPage:
    """One open page without a frame.

    Parameters
    ----------
    document : Document
        Of a new session; the page fills it.
    desk : Desk
        That takes the frame.
    """

    def __init__(self, document: Document, desk: Desk):
        self.document, self.desk = document, desk
        here = Path.cwd()
        names = [path.name for path in pictures_in(here)][:MOST_NAMES]
        self.listed = Select(
            name="listed",
            title=f"Frames in {here}",
            value="",
            options=[("", CHOOSE if names else "none here"), *[(name, name) for name in names]],
            sizing_mode="stretch_width",
            stylesheets=[panel.sheet()],
        )
        self.path = panel.folder_field("")
        self.path.update(name="path", title="Or the path of a frame on this machine")
        self.open = Button(name="open", label="Open", stylesheets=[panel.sheet()])
        self.status = panel.text("status", role="status", aria_live="polite")
        self.state = panel.text("state")
        self.listed.on_change("value", lambda attribute, old, new: self._listed(new))
        self.path.on_change("value", lambda attribute, old, new: self._take(new))
        self.open.on_click(lambda: self._take(self.path.value))
        self.busy = False
        self._lay_out()

    def _lay_out(self) -> None:
        self.document.title = "starcal — choose a frame"
        looks.furnish(self.document, "start.html")
        for root in (self.listed, self.path, self.open, self.status, self.state):
            self.document.add_root(root)

    def _listed(self, name: str) -> None:
        if name:
            self._take(str(Path.cwd() / name))

    def _take(self, typed: str) -> None:
        """Open a frame beside the page, and say how far that is."""
        if self.busy or not typed.strip():
            return
        try:
            path = typed_path(typed)
        except StarcalError as error:
            self._say(page_words(error))
            return
        self.busy = self.open.disabled = True
        self._say("reading …")
        self.document.add_next_tick_callback(
            without_document_lock(partial(self._opening, path))
        )

    async def _opening(self, path: Path) -> None:
        """Open it in a thread; this page says how far that is."""

        def progress(step: str, share: float) -> None:
            said = f"{step} … {100 * share:.0f} %"
            self.document.add_next_tick_callback(partial(self._say, said))

        try:
            await asyncio.to_thread(self.desk.take, Path(os.path.abspath(path)), progress)
        except (StarcalError, OSError) as error:
            self.document.add_next_tick_callback(partial(self._refused, page_words(error)))
        else:
            self.document.add_next_tick_callback(self._opened)

    def _refused(self, why: str) -> None:
        self.busy = self.open.disabled = False
        self.listed.value = ""
        self._say(why)

    def _opened(self) -> None:
        self.state.text = OPENED

    def _say(self, sentence: str) -> None:
        self.status.text = f"<p>{html.escape(sentence)}</p>"
