"""The page: a frame before and after, and what can be chosen about it, in a browser on this
machine.

One idea a file: `history` remembers what was chosen, `visible` renders the part of the picture that
is seen, `job` knows the frame and what a choice makes of it, `points` turns stars into columns to
plot and `rows` into words; `picture`, `plots`, `panel` and `page` are what is seen, `looks` how it
looks, `serving` opens it to this machine alone. The first five know nothing of Bokeh.
"""

from ..errors import PageError


def require_bokeh() -> None:
    """Refuse at once, and not after minutes of work, where the library that draws the page is
    missing.

    Raises
    ------
    PageError
    """
    try:
        import bokeh  # noqa: F401
    except ImportError as error:
        raise PageError(
            "the page needs Bokeh, which is not installed: pip install bokeh"
        ) from error
