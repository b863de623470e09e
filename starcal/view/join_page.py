"""The page of a finished nebula and its stars: sliders for the stars, the picture follows."""

import asyncio
import html
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from bokeh.document import Document
from bokeh.models import ColumnDataSource

from ..choices import Settings
from ..errors import StarcalError
from . import looks, panel, rows
from .history import History
from .joining import JoinJob, seen_pair, without_all
from .page import GATHER_MS, LARGEST_SCREEN_PX, USUAL_SCREEN_PX
from .picture import make_picture, show_halves
from .visible import window_of

BUTTONS_HERE = ("undo", "whole", "full_size", "closer", "farther", "save")
SAVE_TEXT = ("Save", "Ctrl+S", "write at full size what `starcal join` writes")
NO_STARS = ("x", "y", "name", "source")  # columns of marks, none of which are shown here
START_AT = 0.0  # of the divider: the picture with its stars is seen whole


class JoinPage:
    """One open page; see `page.Page`, whose arguments these are.

    Parameters
    ----------
    document : Document
    job : JoinJob
    history : History
    out : str
        File to save into, at first.
    overwrite : bool
    keep : callable
    """

    def __init__(
        self,
        document: Document,
        job: JoinJob,
        history: History,
        *,
        out: str,
        overwrite: bool = False,
        keep: Callable[[History], None] = lambda history: None,
    ):
        self.document = document
        self.job = job
        self.history = history
        self.keep = keep
        self.shown_settings = history.now
        self.waiting = False
        self.seen = self.shares = None
        no_stars = ColumnDataSource({name: [] for name in NO_STARS}, name="stars")
        self.picture = make_picture(job.shape, no_stars)
        self._make_controls(out, overwrite)
        self._connect()
        self._lay_out()

    def _make_controls(self, out: str, overwrite: bool) -> None:
        self.buttons = {name: panel.button(name) for name in BUTTONS_HERE}
        self.sliders = panel.star_sliders(self.history.now, self.job.star_count)
        self.split = panel.divider_slider()
        self.split.value = START_AT
        self.file = panel.folder_field(out)
        self.file.title = "File to write"
        self.overwrite = panel.overwrite_box(overwrite)
        self.words = panel.text("verdict")
        self.words.text = f"<p>{html.escape(str(self.job.joined))}</p>"
        self.status = panel.text("status", role="status", aria_live="polite")

    def _lay_out(self) -> None:
        name = self.job.joined.nebula.name
        self.document.title = f"{name} — stars"
        self.document.config.update(notify_connection_status=False, reconnect_session=False)
        self.document.theme = looks.THEME
        self.document.template = looks.template("join.html")
        self.document.template_variables.update(
            frame=name,
            keys={key: panel.BUTTONS[key] for key in BUTTONS_HERE} | {"save": SAVE_TEXT},
            moves=looks.moves(),
            width=self.job.shape[1],
            height=self.job.shape[0],
        )
        controls = (*self.buttons.values(), *self.sliders.values(), self.split, self.file)
        texts = (self.overwrite, self.words, self.status)
        for root in (self.picture.figure, *controls, *texts):
            self.document.add_root(root)

    def _connect(self) -> None:
        plot = self.picture.figure
        for range_ in (plot.x_range, plot.y_range):
            range_.on_change("start", self._view_moved)
            range_.on_change("end", self._view_moved)
        for size in ("inner_width", "inner_height"):
            plot.on_change(size, self._view_moved)
        for name, slider in self.sliders.items():
            slider.on_change("value", partial(self._slider_moved, name))
            slider.on_change("value_throttled", partial(self._slider_left, name))
        self.buttons["undo"].on_click(self.undo)
        self.buttons["save"].on_click(self.save)

    # --- choices ------------------------------------------------------------------------

    def _slider_moved(self, name: str, attribute: str, old: float, new: float) -> None:
        """Show what a slider would do, while it moves."""
        asked = replace(self.history.now, **{name: round(new, 3)})
        self._show(without_all(asked, self.job.star_count))

    def _slider_left(self, name: str, attribute: str, old: float, new: float) -> None:
        asked = replace(self.history.now, **{name: round(new, 3)})
        kept = without_all(asked, self.job.star_count)
        others = {} if name == "brightest" else {name: round(new, 3)}
        self._turn_back_to(self.history.choose(brightest=kept.brightest, **others))

    def undo(self) -> None:
        """Take the last choice back."""
        self._turn_back_to(self.history.undo())

    def _turn_back_to(self, history: History) -> None:
        self.history = history
        self.keep(history)
        for name, slider in self.sliders.items():
            value = getattr(history.now, name)
            slider.value = self.job.star_count if value is None else value
        self.buttons["undo"].disabled = not history.past
        self._show(history.now)

    def _show(self, settings: Settings) -> None:
        if settings.star_size != self.shown_settings.star_size:
            self.shares = None
        self.shown_settings = settings
        self._refresh()

    # --- what is seen -------------------------------------------------------------------

    def _view_moved(self, attribute: str, old, new) -> None:
        self.seen = self.shares = None
        self._refresh()

    def _refresh(self) -> None:
        """Render soon, once for all changes that come together."""
        if not self.waiting:
            self.waiting = True
            self.document.add_timeout_callback(self.render, GATHER_MS)

    def render(self) -> None:
        """Render the visible part."""
        self.waiting = False
        window = self._window()
        if self.shares is None:
            self.shares = self.job.shares_in(window, self.shown_settings.star_size)
        before, after = seen_pair(self.job, window, self.shown_settings, self.shares)
        moved = window != self.seen
        self.seen = window
        show_halves(self.picture.halves, window, before if moved else None, after)

    def _window(self):
        plot = self.picture.figure
        sides = (plot.inner_width, plot.inner_height)
        screen = tuple(
            min(max(side or USUAL_SCREEN_PX, 1), LARGEST_SCREEN_PX) for side in sides
        )
        x, y = plot.x_range, plot.y_range
        return window_of((x.start, x.end), (y.start, y.end), screen, self.job.shape)

    # --- files --------------------------------------------------------------------------

    def _say(self, sentence: str) -> None:
        self.status.text = f"<p>{html.escape(sentence)}</p>"

    def save(self) -> None:
        """Write at full size with the choices that hold."""
        self.buttons["save"].disabled = True
        self._say("Saving …")
        output = Path(self.file.value.strip()).expanduser()
        self.document.add_next_tick_callback(
            partial(self._saved, self.history.now, output, self.overwrite.active)
        )

    async def _saved(self, settings: Settings, output: Path, overwrite: bool) -> None:
        try:
            told = await asyncio.to_thread(self.job.save, output, settings, overwrite)
        except (StarcalError, OSError) as error:
            self._say(f"Not saved: {rows.page_words(error)}")
        else:
            self._say(told)
        self.buttons["save"].disabled = False
