"""The page: a frame before and after, and what can be chosen about it, in a browser on this
machine.

One idea a file. What is known: `history` remembers what was chosen, `visible` renders the part of
the picture that is seen, `layered` that of a frame split into its stars, `job` knows the frame and
what a choice makes of it (`displayed` a stretched one, `from_star_frame` one with the stars of
another, `joining` a finished nebula, of which `seen_stars` draws the stars), `counting` audits it,
`points` turns stars into columns to plot, `rows` into words, and `words` advises, `saving` makes
files of it. These know nothing of Bokeh.

What is seen: `picture`, `plots`, `panel` and `page`, or `join_page`; `choosing` is what both do
alike, `looks` how it looks. `start_page` is for no frame yet, `waiting` and `waiting_page` for one
at work, `first_nebula` for a nebula, `whole_page` for one that is done. `desk` is what one server
shows, `tabs` who looks on, `serving` opens it to this machine alone, `opening` does so from Python.
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
