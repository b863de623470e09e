"""The page while a frame is checked and split: the frame as it is, how far the work is, and what
the check has found."""

import html

from bokeh.document import Document

from ..draw.preview import binned, small_jpeg
from ..draw.tone import choose_stretch
from ..errors import StarcalError
from ..texts import html_image
from . import looks, panel, rows
from .start_page import OPENED
from .waiting import Waiting

LOOK_MS = 200  # between two looks at how far the work is
LARGEST_SIDE_PX = 1600
PICTURE_STYLE = (
    "<style>img { display: block; margin: auto; max-width: 100%; max-height: 78vh; }</style>"
)


class WaitingPage:
    """One open page of a frame that is worked on.

    Parameters
    ----------
    document : Document
        Of a new session; the page fills it.
    waiting : Waiting
    """

    def __init__(self, document: Document, waiting: Waiting):
        self.document, self.waiting = document, waiting
        self.view = panel.text("view")
        self.view.text = _frame_html(waiting.frame)
        self.status = panel.text("status", role="status", aria_live="polite")
        self.verdict = panel.text("verdict")
        self.state = panel.text("state")
        document.title = f"{waiting.frame.name} — star colours"
        document.config.update(notify_connection_status=False, reconnect_session=False)
        document.theme, document.template = looks.THEME, looks.template("waiting.html")
        document.template_variables.update(frame=waiting.frame.name)
        for root in (self.view, self.status, self.verdict, self.state):
            document.add_root(root)
        self.look()
        document.add_periodic_callback(self.look, LOOK_MS)

    def look(self) -> None:
        """Say how far the work is; load the page anew when all can be played with."""
        waiting = self.waiting
        if waiting.check is not None and not self.verdict.text:
            self.verdict.text = rows.check_html(waiting.check)
        if waiting.error is not None:
            self._say(f"Ended: {_in_words(waiting.error)}")
        elif waiting.job is not None:
            self.state.text = OPENED
        else:
            self._say(waiting.step)

    def _say(self, sentence: str) -> None:
        self.status.text = f"<p>{html.escape(sentence)}</p>"


def _frame_html(frame) -> str:
    """The frame as it is, as large as a screen."""
    step = max(1, max(frame.pixels.shape) // LARGEST_SIDE_PX)
    shown = choose_stretch(frame.pixels).apply(binned(frame.pixels, step))
    return PICTURE_STYLE + html_image(
        small_jpeg(shown, LARGEST_SIDE_PX), "jpeg", "the frame before"
    )


def _in_words(error: Exception) -> str:
    if isinstance(error, StarcalError | OSError):
        return rows.page_words(error)
    return "a fault of the program, which the command line tells"
