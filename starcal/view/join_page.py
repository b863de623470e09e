"""The page of a finished nebula and its stars: sliders for the stars, the picture follows."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from bokeh.document import Document
from numpy.typing import NDArray

from ..choices import Settings
from . import panel
from .choosing import BUTTONS_OF_ALL, ChoicePage, typed_path
from .history import History
from .joining import JoinJob, told_html
from .picture import make_picture, no_stars, show_halves, show_lit
from .seen_stars import SeenStars

BUTTONS_HERE = (*BUTTONS_OF_ALL, "save")
SAVE_TEXT = ("Save", "Ctrl+S", "write at full size what `starcal join` writes")
REST_MS = 150  # without another size: all stars are drawn in it
START_AT = 0.0  # of the divider: the picture with its stars is seen whole


class JoinPage(ChoicePage):
    """One open page; see `choosing.ChoicePage`, whose arguments these are.

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
        super().__init__(document, job, history, keep)
        self._forget_view()
        self.picture = make_picture(job.shape, no_stars())
        self._make_controls(out, overwrite)
        self._connect_view()
        self._connect_choices()
        self.buttons["save"].on_click(self.save)
        self._put_sliders()
        roots = (self.cores, self.split, self.file, self.overwrite, self.words, self.status)
        self._lay_out("join.html", job.joined.nebula.name, "stars", roots)
        self.document.template_variables["keys"] |= {"save": SAVE_TEXT}

    def _make_controls(self, out: str, overwrite: bool) -> None:
        self.buttons = {name: panel.button(name) for name in BUTTONS_HERE}
        self.sliders = panel.star_sliders(self.history.now, self.job.numbers)
        self.cores = panel.cores_box(self.history.now)
        self.split = panel.divider_slider()
        self.split.value = START_AT
        self.file = panel.folder_field(out)
        self.file.title = "File to write"
        self.overwrite = panel.overwrite_box(overwrite)
        self.words = panel.text("verdict")
        self.words.text = told_html(self.job.joined)
        self.status = panel.text("status", role="status", aria_live="polite")

    # --- choices ------------------------------------------------------------------------

    def _preview(self, settings: Settings) -> None:
        """Have the next rendering show what a slider would do, while it moves."""
        if settings.clipped_cores != self.shown_settings.clipped_cores:
            self.job, self.stars = self.job.with_cores(settings), None
        super()._preview(settings)

    # --- what is seen -------------------------------------------------------------------

    def _forget_view(self) -> None:
        self.seen = self.stars = None
        self.drawn: tuple | None = None  # stars, what was asked of them, and the picture

    def render(self) -> None:
        """Render the visible part."""
        moved = self.seen is None
        if moved:
            self.seen = self.job.look(self._window())
        self._draw_stars(self.shown_settings.star_size)
        before, after = self.seen.before, self._with_stars()
        if moved:
            show_halves(self.picture.halves, self.seen.window, before, after)
        else:
            lit = np.flatnonzero(after != before)
            show_lit(self.picture.lit, lit, after.ravel()[lit])

    def _with_stars(self) -> NDArray[np.uint32]:
        """The picture; where nothing but their size is new, as it was but under these stars."""
        asked = replace(self.shown_settings, star_size=1.0)
        after, place = self.seen.before, None
        if self.drawn is not None and self.drawn[1] == asked:
            touched = self.stars.unlike(self.drawn[0])
            lit = np.count_nonzero(self.stars.lit)
            if len(touched) < lit:
                after = self.drawn[2]
                place = touched
        made = self.job.with_stars(self.seen, self.stars, asked, place)
        self.drawn = self.stars, asked, with_pixels(after, *made)
        return self.drawn[-1]

    def _draw_stars(self, size: float) -> None:
        """Draw them, the brightest alone where they are there in another size."""
        if self.stars is None:
            self.stars = self.job.stars_in(self.seen.window, size)
        elif self.stars.sizes[0] != size:
            self.stars = self.stars.resized(size)
            self.document.add_timeout_callback(partial(self._rest, self.stars), REST_MS)

    def _rest(self, stars: SeenStars) -> None:
        """Draw the other stars, too, if the size is still the same."""
        if self.stars is stars and not stars.at_rest:
            self.stars = stars.finished()
            self._refresh()

    # --- files --------------------------------------------------------------------------

    def save(self) -> None:
        """Write at full size with the choices that hold."""
        self.choose_left()
        typed, overwrite = self.file.value, self.overwrite.active
        self._save_by(partial(_saved_whole, self.job, typed, self.history.now, overwrite))


def _saved_whole(job: JoinJob, typed: str, settings: Settings, overwrite: bool) -> str:
    """Write a joined picture; in words."""
    return job.write_whole(typed_path(typed), settings, overwrite)


def with_pixels(
    view: NDArray[np.uint32], place: NDArray[np.intp], pixel: NDArray[np.uint32]
) -> NDArray[np.uint32]:
    """A view with other pixels at places by their numbers, row by row."""
    made = view.copy()
    made.ravel()[place] = pixel
    return made
