"""The error tree: everything that starcal refuses, and nothing else.

StarcalError
    FrameError              a file that is not a usable linear colour frame (also a ValueError)
        NoWCSError          the header does not say where on the sky the pixels are
        NotLinearError      the picture has been stretched
        OneChannelError     a file of one channel where a colour frame is needed
    HarmError               the stars would look worse than they do, or no better
    TooFewStars             not enough stars for what was asked (also a ValueError)
    CatalogueError          a catalogue or its cache cannot answer
        CatalogueDamaged    a file of the catalogue differs from its checksum
        CatalogueUnreachable  a service of the network did not answer, or not with stars
        CatalogueIncomplete   an answer lacks rows or columns; nothing of it was kept
    BandsError              response curves that cannot be used (also a ValueError)
    PlanError               no exposure can be planned for what was given (also a ValueError)
    OutputError             a result cannot be written where it should go (also an OSError)
    ClusterError            a cluster cannot be asked, or did not do what it was asked
    SettingsError           settings of an earlier run that cannot be used (also a ValueError)
    PageError               the page cannot be opened
    GeometryError           where a finished nebula lies to its starless frame is not sure (also a
                            ValueError)

A message says what was given, what is needed, and what to type. Wrong arguments from Python code
(a misspelt model name, a negative radius) stay plain ValueErrors: they are the caller's slip.
Numbers travel as keywords after the message, so that every error pickles.
"""


class StarcalError(Exception):
    """Base of everything that starcal refuses.

    Examples
    --------
    >>> from starcal import StarcalError, read_frame
    >>> try:
    ...     read_frame("broadband.fit")
    ... except StarcalError as error:
    ...     print(error)
    broadband.fit: there is no such file. Did you mean broadband.fits?
    """

    def __str__(self) -> str:
        """One line, whatever the names have in them that it tells."""
        return in_one_line(super().__str__())


def in_one_line(text: str) -> str:
    """Put words into one line: a control character becomes ?, a break a blank.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> in_one_line("r\\x1bd,  green\\x0bblue")
    'r?d, green blue'
    """
    shown = "".join(c if c.isprintable() or c.isspace() else "?" for c in text)
    return " ".join(shown.split())


class FrameError(StarcalError, ValueError):
    """A file that is not a usable linear colour frame."""


class NoWCSError(FrameError):
    """The header does not say where on the sky the pixels are."""


class NotLinearError(FrameError):
    """The picture has been stretched, so its ratios are not those of the light."""


class OneChannelError(FrameError):
    """A file of one channel, where a colour frame is needed."""


class HarmError(StarcalError):
    """The stars would come out worse than they are, or no better; nothing was written."""


class TooFewStars(StarcalError, ValueError):
    """Not enough stars for what was asked.

    Attributes
    ----------
    found, needed : int or None
        How many there are and how many it takes.
    """

    def __init__(self, message: str, *, found: int | None = None, needed: int | None = None):
        super().__init__(message)
        self.found, self.needed = found, needed


class CatalogueError(StarcalError):
    """A catalogue or its cache cannot answer."""


class CatalogueDamaged(CatalogueError):
    """A file of the catalogue differs from its checksum."""


class CatalogueUnreachable(CatalogueError):
    """A service of the network did not answer, or answered with something other than stars.

    The message ends with the command that fetches the same field on another machine.
    """


class CatalogueIncomplete(CatalogueError):
    """A service's answer, or a table, lacks rows or columns; nothing of it was kept.

    Attributes
    ----------
    rows, row_limit : int or None
        How many rows came, and how many there may be.
    """

    def __init__(self, message: str, *, rows: int | None = None, row_limit: int | None = None):
        super().__init__(message)
        self.rows, self.row_limit = rows, row_limit


class BandsError(StarcalError, ValueError):
    """Response curves that cannot be used."""


class PlanError(StarcalError, ValueError):
    """No exposure can be planned for what was given."""


class OutputError(StarcalError, OSError):
    """A result cannot be written where it should go."""


class ClusterError(StarcalError):
    """A cluster cannot be asked, or did not do what it was asked."""


class SettingsError(StarcalError, ValueError):
    """Settings of an earlier run that cannot be used."""


class PageError(StarcalError):
    """The page cannot be opened."""


class GeometryError(StarcalError, ValueError):
    """Where a finished nebula lies to its starless frame is not sure."""
