"""What became of many frames: a table, and a page with a small picture of each."""

import html
import io
import math
import os
import string
from pathlib import Path

from ..draw.preview import small_copy
from ..errors import OutputError
from ..frame import write_bytes
from ..texts import html_image
from .runs import FAILED, FrameFate, ManyRuns

SIDE_PX = 360
PLAIN_IN_LINKS = f"{string.ascii_letters}{string.digits}-._~/".encode()  # RFC 3986, section 2.3
SUMMARY_NAMES = ("summary.ecsv", "index.html")
# What stands in the first bytes of ours: nobody else's file of such a name is replaced.
SUMMARY_MARKS = (b"gain_r_error", b"<title>Star colours: ")
MARK_WITHIN_BYTES = 4096
OVERVIEW_STYLE = """
:root { color-scheme: light dark; }
body { font: 16px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 76rem; padding: 0 1rem; }
ol { display: grid; gap: 1.5rem; grid-template-columns: repeat(auto-fill, minmax(17rem, 1fr));
  list-style: none; padding: 0; }
img { width: 100%; aspect-ratio: 3 / 2; object-fit: cover; background: #8884; }
h2 { font-size: 1rem; margin: .4rem 0 0; overflow-wrap: anywhere; }
p { margin: .2rem 0; }
.failed h2::before { content: "not done: "; }
"""


def require_summary_free(folder: str | Path) -> None:
    """Refuse a folder where files of somebody else have the names of a summary.

    Parameters
    ----------
    folder : str or Path
        Which may not be there yet.

    Raises
    ------
    OutputError
    """
    for name, mark in zip(SUMMARY_NAMES, SUMMARY_MARKS, strict=True):
        path = Path(folder) / name
        if not path.exists():
            continue
        with path.open("rb") as file:
            own = mark in file.read(MARK_WITHIN_BYTES)
        if not own:
            raise OutputError(
                f"{path} would be replaced by the table or page over all frames: give it another "
                "name, or another folder with --out"
            )


def write_summary(made: ManyRuns, folder: str | Path) -> tuple[str, str]:
    """Write ``summary.ecsv`` and ``index.html`` over all frames; earlier ones are replaced.

    Parameters
    ----------
    made : ManyRuns
    folder : str or Path
        Which must be there.

    Returns
    -------
    tuple of str
        The two files.

    Raises
    ------
    OutputError
        They cannot be written.
    """
    table, page = (Path(folder) / name for name in SUMMARY_NAMES)
    text = io.StringIO()
    made.table.write(text, format="ascii.ecsv")
    write_bytes(table, text.getvalue().encode(errors="replace"), overwrite=True)
    write_bytes(page, _page_of(made, Path(folder)).encode(errors="replace"), overwrite=True)
    return str(table), str(page)


def _page_of(made: ManyRuns, folder: Path) -> str:
    cards = "\n".join(_card(fate, folder) for fate in made.fates)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>Star colours: {html.escape(str(made))}</title>\n"
        f"<style>{OVERVIEW_STYLE}</style>\n</head>\n<body>\n"
        f"<h1>Star colours of {html.escape(str(made))}</h1>\n"
        '<p><a href="summary.ecsv">All as a table</a></p>\n'
        f"{_common_gains_told(made)}"
        f"<ol>\n{cards}\n</ol>\n</body>\n</html>\n"
    )


def _common_gains_told(made: ManyRuns) -> str:
    """The gains that all have in common, and how each differs."""
    if made.common is None:
        return ""
    return f"<pre>{html.escape(str(made.common))}</pre>\n"


def _card(fate: FrameFate, folder: Path) -> str:
    """A frame: its picture, what came of it, where to read on."""
    name, outcome = html.escape(Path(fate.frame).name), html.escape(fate.outcome)
    if fate.state == FAILED:
        return f'<li class="failed"><h2>{name}</h2><p>{outcome}</p></li>'
    there = _linked(os.path.relpath(fate.folder, folder))
    picture = _thumbnail(Path(fate.folder) / "after.png")
    return (
        f'<li><a href="{there}/report.html">{picture}</a><h2>{name}</h2><p>{outcome}</p>'
        f"<p>{html.escape(_gains_in_words(fate))}</p></li>"
    )


def _linked(path: str) -> str:
    """A relative path as a link has it, whatever bytes its names are."""
    told = os.fsencode(path.replace(os.sep, "/"))
    return "".join(chr(byte) if byte in PLAIN_IN_LINKS else f"%{byte:02X}" for byte in told)


def _gains_in_words(fate: FrameFate) -> str:
    told = f"verdict {fate.verdict}, route {fate.route}"
    if math.isnan(fate.gain_r):
        return told
    return (
        f"{told}; gains R {fate.gain_r:.3f} ± {fate.gain_r_error:.3f}, "
        f"B {fate.gain_b:.3f} ± {fate.gain_b_error:.3f}"
    )


def _thumbnail(path: Path) -> str:
    """A small copy inside the page; the link's words where there is none."""
    copy = small_copy(path, SIDE_PX)
    return html_image(copy, "jpeg", "after") if copy else "report"
