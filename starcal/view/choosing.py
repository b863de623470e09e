"""What both pages do alike: gather what is chosen, show it soon, go back and forth, save.

A slider's value is the browser's while a hand is on it: the server writes it only when something
else moved it, so that no value jumps back that was moved on meanwhile.
"""

import asyncio
import html
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from bokeh.core.property.descriptors import UnsetValueError
from bokeh.document import Document
from bokeh.models import Checkbox

from ..choices import Settings, default_of
from ..errors import OutputError, StarcalError
from ..inputs import at_home
from . import looks, panel
from .history import History
from .visible import Window, window_of
from .words import page_words

GATHER_MS = 15  # changes that come within this are answered together
AT_ONCE_MS = 1  # a slider's move is answered so soon
IDLE_S = 0.1  # if nothing was drawn for so long
ECHO = "told"  # with this the browser answers a move of the server's
LEAST_MOVE = 5e-4  # of a slider: its steps are sums of decimals, rounded
LARGEST_SCREEN_PX = 4096
USUAL_SCREEN_PX = 600  # until the browser says
LONGEST_PATH = 4096  # letters of a path, the limit of usual systems
BUTTONS_OF_ALL = (
    "undo",
    "redo",
    "reset",
    "whole",
    "full_size",
    "full_screen",
    "closer",
    "farther",
    "export",
)


class ChoicePage:
    """A page of a picture whose choices are made by sliders, can be taken back, and saved.

    A page of its own kind makes ``picture``, ``sliders``, ``buttons`` and ``status``, and says what
    comes of its choices: `_forget_view` and `render`, and where more than the picture follows them,
    `_turn_to` and `_preview`.

    Parameters
    ----------
    document : Document
        Of a new session; the page fills it.
    job
        What is shown; it has a ``shape``.
    history : History
        What has been chosen so far.
    keep : callable
        Is given each new history, so that a reloaded page finds its choices.
    """

    def __init__(
        self, document: Document, job, history: History, keep: Callable[[History], None]
    ):
        self.document = document
        self.job = job
        self.history = history
        self.keep = keep
        self.shown_settings = history.now
        self.waiting = False
        self.drawn_at_s = 0.0  # by the clock that never goes back
        self.last_move: tuple | None = (
            None  # the slider, and the gesture by the browser's count
        )
        self.moving: dict | None = None  # what a slider would choose where it is now
        self.left: tuple | None = None  # a move that waits to be chosen, and what it chooses
        self.in_hand: str | None = None  # a slider that may have been moved on meanwhile
        self.stands: dict[str, float] = {}  # of all sliders, by the choices put last
        self.cores: Checkbox | None = None  # where clipped cores can be rebuilt

    def _lay_out(self, template: str, name: str, what: str, roots: tuple) -> None:
        """Put the picture, the sliders, the buttons and what else there is into the document."""
        self.document.title = f"{name} — {what}"
        looks.furnish(self.document, template)
        self.document.template_variables.update(
            frame=name,
            keys={key: panel.BUTTONS[key] for key in self.buttons},
            sliders=list(self.sliders),
            moves=looks.moves(),
            width=self.job.shape[1],
            height=self.job.shape[0],
        )
        controls = (*self.buttons.values(), *self.sliders.values())
        with self.document.models.freeze():  # its models are counted once, not at each root
            for root in (self.picture.figure, *controls, *roots):
                self.document.add_root(root)

    def _connect_view(self) -> None:
        plot = self.picture.figure
        for range_ in (plot.x_range, plot.y_range):
            range_.on_change("start", self._view_moved)
            range_.on_change("end", self._view_moved)
        for size in ("inner_width", "inner_height"):
            plot.on_change(size, self._view_moved)

    def _connect_choices(self) -> None:
        for name, slider in self.sliders.items():
            slider.on_change("value", partial(self._slider_moved, name))
            slider.on_change("value_throttled", partial(self._slider_left, name))
        if self.cores is not None:
            self.cores.on_change("active", self._cores_ticked)
        for name in ("undo", "redo", "reset"):
            self.buttons[name].on_click(getattr(self, name))

    # --- choices ------------------------------------------------------------------------

    def _turn_to(self, history: History) -> None:
        """Make a history's choices hold."""
        self.history = history
        self.keep(history)
        self._put_sliders()
        seen = self.shown_settings
        self._preview(history.now)
        if history.now != seen:  # else it was seen while the slider moved
            self._refresh()

    def _preview(self, settings: Settings) -> None:
        """Have the next rendering show what a slider would do, while it moves."""
        self.shown_settings = settings

    def _chosen_by(self, name: str, value: float) -> dict:
        """What a slider at a value asks for."""
        if name in panel.OPEN_ENDED and value > self.sliders[name].end - LEAST_MOVE:
            return {name: None}
        return {name: round(value, 3)}

    def _stand_of(self, name: str) -> float:
        """Where a slider stands by the choices that hold."""
        value = getattr(self.history.now, name)
        return self.sliders[name].end if value is None else value

    def _cores_ticked(self, attribute: str, old: bool, new: bool) -> None:
        asked = panel.CORES_TICKED[new]
        if asked != self.history.now.clipped_cores:  # else the page has ticked it, as undo does
            self.choose_left()
            self._go(self.history.choose(clipped_cores=asked))

    def _slider_moved(self, name: str, attribute: str, old: float, new: float) -> None:
        self.moving = self._chosen_by(name, new)
        idle = time.monotonic() - self.drawn_at_s > IDLE_S
        self._refresh(AT_ONCE_MS if idle else GATHER_MS)

    def _slider_left(self, name: str, attribute: str, old: float, new: float) -> None:
        """Choose soon what a slider was moved to: of moves that came together the last alone."""
        move = name, *self.status.tags
        if ECHO in move:
            return
        if self.left is not None and self.left[0] != move:
            self.choose_left()
        if self.left is None:
            self.document.add_timeout_callback(self.choose_left, GATHER_MS)
        self.left = move, self._chosen_by(name, new)

    def choose_left(self) -> None:
        """Choose what a slider was moved to, if that waits; moves of one gesture are one step. The
        browser counts gestures: on a busy machine moves arrive here long after they were made."""
        if self.left is None:
            return
        (move, chosen), self.left = self.left, None
        if self.moving == chosen:
            self.moving = None
        before = self.history
        step = before.amend if move == self.last_move else before.choose
        self.in_hand = move[0]
        self._turn_to(step(**chosen))
        self.in_hand = None
        if self.history is not before:  # else the page has moved it, as undo does
            self.last_move = move
        elif step(**chosen) is not before:  # refused
            self.sliders[move[0]].value = self._stand_of(move[0])

    def undo(self) -> None:
        """Take the last choice back."""
        self.choose_left()
        self._go(self.history.undo())

    def redo(self) -> None:
        """Make the choice hold again that was taken back last."""
        self.choose_left()
        self._go(self.history.redo())

    def reset(self) -> None:
        """Put every slider where it usually stands."""
        self.choose_left()
        self._go(self.history.choose(**{name: default_of(name) for name in self.sliders}))

    def _go(self, history: History) -> None:
        """Turn to a history that no slider has made: the next move of one is a step of its own."""
        self.last_move = self.moving = None
        self._turn_to(history)
        self._refresh()  # whatever comes of it: the page waits for an answer

    def follow(self, history: History) -> None:
        """Turn to what was chosen in another tab, and say so.

        Parameters
        ----------
        history : History
        """
        self.left = None  # the other tab was later
        self._go(history)
        if self.history is history:
            self._say("Chosen in another tab of this page")

    def _put_sliders(self) -> None:
        """Move those sliders that something else than a hand has moved: others may be on their
        way."""
        for name, slider in self.sliders.items():
            stand = self._stand_of(name)
            moved = stand != self.stands.get(name) and name != self.in_hand
            self.stands[name] = stand
            if moved and abs(slider.value - stand) > LEAST_MOVE:
                slider.value = stand
        if self.cores is not None:
            self.cores.active = self.history.now.clipped_cores == panel.CORES_TICKED[True]
        self.buttons["undo"].disabled = not self.history.past
        self.buttons["redo"].disabled = not self.history.future

    # --- what is seen -------------------------------------------------------------------

    def _forget_view(self) -> None:
        """The view has moved: nothing that was kept of it holds."""
        raise NotImplementedError

    def render(self) -> None:
        """Render the visible part."""
        raise NotImplementedError

    def _view_moved(self, attribute: str, old, new) -> None:
        self._forget_view()
        self._refresh()

    def _refresh(self, within_ms: int = GATHER_MS) -> None:
        """Render soon, once for all changes that come together."""
        if not self.waiting:
            self.waiting = True
            self.document.add_timeout_callback(self._render_gathered, within_ms)

    def _render_gathered(self) -> None:
        self.waiting = False
        if self.moving is not None:
            chosen, self.moving = self.moving, None
            self._preview(replace(self.history.now, **chosen))
        self.render()
        self.drawn_at_s = time.monotonic()

    def _sides_on_screen(self) -> tuple[int | None, int | None]:
        """Width and height of the picture on the screen; None until a browser has laid it out."""
        plot = self.picture.figure
        try:
            return plot.inner_width, plot.inner_height
        except UnsetValueError:
            return None, None

    def _window(self) -> Window:
        plot, sides = self.picture.figure, self._sides_on_screen()
        screen = tuple(
            min(max(side or USUAL_SCREEN_PX, 1), LARGEST_SCREEN_PX) for side in sides
        )
        x, y = plot.x_range, plot.y_range
        return window_of((x.start, x.end), (y.start, y.end), screen, self.job.shape)

    def _say(self, sentence: str) -> None:
        self.status.text = f"<p>{html.escape(sentence)}</p>"

    # --- files --------------------------------------------------------------------------

    def _save_by(self, work: Callable[[], str]) -> None:
        """Do what saves, beside the page, and say what it says."""
        self.buttons["save"].disabled = True
        self._say("Saving …")
        self.document.add_next_tick_callback(partial(self._saved, work))

    async def _saved(self, work: Callable[[], str]) -> None:
        try:
            told = await asyncio.to_thread(work)
        except (StarcalError, OSError) as error:
            self._say(f"Not saved: {page_words(error)}")
        else:
            self._say(told)
        finally:
            self.buttons["save"].disabled = False
            self._refresh()


def typed_path(text: str) -> Path:
    """A path that was typed on a page.

    Parameters
    ----------
    text : str
        ~ stands for the user's home.

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        It is empty, too long, or has characters that do not show.
    """
    text = text.strip()
    if not text:
        raise OutputError("no name given: type where the file goes")
    if len(text) > LONGEST_PATH or not text.isprintable():
        raise OutputError(
            "a name of more than 4096 letters, or with letters that do not show, given: type it "
            "anew"
        )
    return at_home(text)
