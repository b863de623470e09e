"""The page while something is made ready: the picture as it is, to look at from near and far, how
far the work is, and what it has found."""

from collections.abc import Callable

from bokeh.document import Document

from ..errors import StarcalError
from . import panel
from .choosing import BUTTONS_OF_ALL, ChoicePage
from .history import History
from .picture import make_picture, no_stars, show_halves
from .start_page import OPENED
from .waiting import Waiting
from .words import page_words

LOOK_MS = 200  # between two looks at how far the work is
CHOOSE_ANOTHER = ". Load the page again to choose another frame"


class WaitingPage(ChoicePage):
    """One open page of a picture that is worked on; see `choosing.ChoicePage`.

    Parameters
    ----------
    document : Document
        Of a new session; the page fills it.
    work : Waiting
    history : History
        What has been chosen so far.
    keep : callable
        Is given each new history, so that the page after this one finds its choices.
    chosen_here : bool
        Whether another frame can be chosen on a page, should this one not serve.
    """

    def __init__(
        self,
        document: Document,
        work: Waiting,
        history: History,
        *,
        keep: Callable[[History], None] = lambda history: None,
        chosen_here: bool = False,
    ):
        super().__init__(document, work.sight, history, keep)
        self.work = work
        wording = work.sight.wording
        self.advice = CHOOSE_ANOTHER if chosen_here else ""
        self.picture = make_picture(work.sight.shape, no_stars())
        self.buttons = {name: panel.button(name) for name in BUTTONS_OF_ALL}
        sliders = panel.setting_sliders(history.now, {})
        self.sliders = {name: sliders[name] for name in wording.sliders}
        self.divider = panel.divider_slider()
        self.divider.value = work.sight.divider
        self.status = panel.text("status", role="status", aria_live="polite")
        self.verdict = panel.text("verdict")
        self.state = panel.text("state")
        self._connect_view()
        self._connect_choices()
        self._put_sliders()
        roots = (self.divider, self.verdict, self.status, self.state)
        self._lay_out("waiting.html", work.sight.name, wording.title, roots)
        document.template_variables["wording"] = wording
        document.add_periodic_callback(self.look, LOOK_MS)
        self.look()

    def look(self) -> None:
        """Say how far the work is; load the page anew when all can be played with."""
        if self.work.found and not self.verdict.text:
            self._show_found()
        if self.work.error is not None:
            self._say(f"Ended: {_in_words(self.work.error).rstrip('.')}{self.advice}")
        elif self.work.job is not None:
            self.choose_left()
            self.state.text = OPENED
        else:
            self._say(self.work.step)

    def follow(self, history: History) -> None:
        """Turn to what was chosen in another tab; not when the page is loaded anew: the server
        keeps what was left for a while, and it would draw what nobody sees.

        Parameters
        ----------
        history : History
        """
        if self.work.job is None:
            super().follow(history)

    def _show_found(self) -> None:
        self.verdict.text = self.work.found
        self.job = self.work.sight
        self.divider.value = self.job.divider
        self._refresh()

    # --- what is seen -------------------------------------------------------------------

    def _forget_view(self) -> None:
        """Nothing is kept of the view."""

    def render(self) -> None:
        """Render the visible part."""
        window = self._window()
        halves = self.job.halves(window, self.shown_settings)
        show_halves(self.picture.halves, window, *halves)
        self.work.begin()


def _in_words(error: Exception) -> str:
    if isinstance(error, StarcalError | OSError):
        return page_words(error)
    return "a fault of the program, which the command line tells"
