"""Tabs of one browser that show the same page: they share their choices, so that none is lost when
another is loaded anew."""

from functools import partial

from .choosing import ChoicePage
from .history import History


class SharedChoices:
    """The choices that hold in all tabs.

    Parameters
    ----------
    history : History
        What has been chosen so far.
    """

    def __init__(self, history: History):
        self.now = history
        self.pages: list[ChoicePage] = []

    def join(self, page: ChoicePage) -> None:
        """Tell a page of what others choose, until its tab is closed.

        Parameters
        ----------
        page : ChoicePage
        """

        def leave(session_context) -> None:
            self.pages.remove(page)

        self.pages.append(page)
        page.document.on_session_destroyed(leave)

    def keep(self, history: History) -> None:
        """Let choices hold, in the other tabs soon.

        Parameters
        ----------
        history : History
            Of the page that has chosen.
        """
        self.now = history
        for page in self.pages:
            if page.history is not history:
                page.document.add_next_tick_callback(partial(self._bring, page))

    def _bring(self, page: ChoicePage) -> None:
        """The choices that hold by now: of two tabs that chose at once, the later one's."""
        if page.history is not self.now:
            page.follow(self.now)
