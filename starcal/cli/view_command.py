"""The command that serves the page; it imports what the first picture needs alone."""

from pathlib import Path

from ..view import require_bokeh
from ..view.desk import desk_at_once, desk_of
from .files import asked_for
from .terminal import ProgressBar, show


def view(options) -> int:
    """Serve the page until it is ended."""
    require_bokeh()
    from ..view.serving import claim, serve  # Bokeh is an extra that need not be installed

    nebula = Path(options.frame[0]) if len(options.frame) == 2 else None
    asked = asked_for(options, options.frame[1] if nebula else None)
    listener = claim(options.port)
    kept = {"out": options.out, "overwrite": options.overwrite}
    with ProgressBar(options) as bar:
        if asked.first_file:
            moved = options.moved
            desk = desk_at_once(asked, nebula=nebula, moved=moved, progress=bar, **kept)
        else:
            desk = desk_of(asked, progress=bar, **kept)
    serve(
        listener,
        desk,
        browser=options.browser,
        announce=lambda address: show(
            options, {"address": address}, f"the page: {address} (Ctrl-C ends it)"
        ),
    )
    return 0
