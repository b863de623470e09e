"""Results in words and in HTML: counts, plain text, what to type, lists, tables, pictures.

What goes in is plain text and comes out escaped; nothing here knows what it is about.
"""

import base64
import html
import os
import re
import shlex
import textwrap
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any, SupportsIndex

UNBROKEN = 1_000_000  # a width that no text has
FEW_NUMBERS = 3  # of an array, a channel each: more are told by their count
LONGEST_NAME = 24  # that others are set beneath; what a longer one says comes right behind it
NARROWEST = 20  # a column of text is not broken into less


def counted(number: SupportsIndex, noun: str) -> str:
    """Say how many there are: 1 star, 2 stars.

    Parameters
    ----------
    number : int
    noun : str
        For one of them.

    Returns
    -------
    str

    Examples
    --------
    >>> counted(1, "star"), counted(2, "star")
    ('1 star', '2 stars')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"


def told_shortly(result: Any) -> str:
    """A dataclass in one line for whoever prints it: of arrays and tables their size, of results
    within it their kind.

    Parameters
    ----------
    result : dataclass

    Returns
    -------
    str

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass
    ... class Pair:
    ...     number: float
    ...     many: list
    ...
    ...     __repr__ = told_shortly
    >>> Pair(1.23456, list(range(100)))
    <Pair number=1.235, many: 100>
    """
    told = [_field_told(each.name, getattr(result, each.name)) for each in fields(result)]
    return f"<{type(result).__name__} {', '.join(told)}>"


def _field_told(name: str, value: Any) -> str:
    if isinstance(value, float):
        return f"{name}={value:.4g}"
    if value is None or isinstance(value, bool | int | str):
        return f"{name}={value!r}"
    if getattr(value, "ndim", 0) == 1 and len(value) <= FEW_NUMBERS:
        return f"{name}=[{', '.join(f'{each:.4g}' for each in value)}]"
    size = getattr(value, "shape", None) or (hasattr(value, "__len__") and len(value))
    sides = size if isinstance(size, tuple) else (size,)
    return f"{name}: {' x '.join(map(str, sides)) if size else type(value).__name__}"


def path_as_typed(path: str | Path) -> str:
    """A path as this system's shell takes it for one word, whatever is in it.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    str
    """
    return f'"{path}"' if os.name == "nt" else shlex.quote(str(path))


def signed(value: float, digits: int) -> str:
    """Write a number with its sign; what rounds to nothing is no minus zero.

    Parameters
    ----------
    value : float
    digits : int
        Behind the point.

    Returns
    -------
    str

    Examples
    --------
    >>> signed(-0.0004, 3), signed(-0.004, 3)
    ('+0.000', '-0.004')
    """
    return f"{round(float(value), digits) + 0.0:+.{digits}f}"


def aligned(rows: Sequence[tuple[str, str]], width: int = UNBROKEN) -> list[str]:
    """Lines for a terminal: names, and what is said of them beneath each other.

    Parameters
    ----------
    rows : sequence of (str, str)
    width : int
        Of the terminal; longer texts are broken there. By default they are not.

    Returns
    -------
    list of str
        What a name says stands beneath what the one above says.

    Examples
    --------
    >>> for line in aligned([("a", "a text of several words"), ("bc", "short")], width=24):
    ...     print(line)
    a   a text of several
        words
    bc  short
    """
    usual = [len(name) for name, _ in rows if len(name) <= LONGEST_NAME]
    indent = max(usual, default=0) + 2
    lines: list[str] = []
    for name, text in rows:
        head = f"{name}  ".ljust(indent)
        lines += broken(head + text, max(width, indent + NARROWEST), " " * indent)
    return lines


def broken(text: str, width: int = UNBROKEN, indent: str = "") -> list[str]:
    """Lines of a text, none longer than a terminal is wide where its words allow.

    Parameters
    ----------
    text : str
    width : int
        By default nothing is broken.
    indent : str
        Before every line but the first.

    Returns
    -------
    list of str
    """
    return textwrap.wrap(
        text,
        width,
        subsequent_indent=indent,
        drop_whitespace=True,
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )


def columned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines for a terminal: cells beneath each other, the first and second column to the left and
    the others, which are numbers, to the right.

    Parameters
    ----------
    rows : sequence of sequence of str
        All of one length.

    Returns
    -------
    list of str
        A line each, indented.

    Examples
    --------
    >>> columned([("a", "b", "c"), ("long", "x", "+1.0 %")])
    ['  a     b       c', '  long  x  +1.0 %']
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        cells = [
            cell.ljust(width) if at < 2 else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  " + "  ".join(cells).rstrip())
    return lines


def escaped(text: str) -> str:
    """Plain text of a result as HTML: commands in backticks as code, +- as one sign.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return re.sub("`([^`]+)`", r"<code>\1</code>", html.escape(text.replace(" +- ", " ± ")))


def html_list(tag: str, entries: Sequence[str]) -> str:
    """Make a list, ``ul`` or ``ol``; nothing of no entries.

    Parameters
    ----------
    tag : str
        ``ul`` or ``ol``.
    entries : sequence of str
        Plain text.

    Returns
    -------
    str
    """
    items = "".join(f"<li>{escaped(entry)}</li>" for entry in entries)
    return f"<{tag}>{items}</{tag}>" if items else ""


def html_table(rows: Sequence[Sequence[str]], head: Sequence[str] = ()) -> str:
    """Make a table whose first column names the rows; nothing of no rows.

    Parameters
    ----------
    rows : sequence of sequence of str
        Under a head, columns of numbers are set to the right.
    head : sequence of str
        Names of the columns, if they need any.

    Returns
    -------
    str
    """
    if not rows:
        return ""
    top = "".join(f'<th scope="col">{html.escape(name)}</th>' for name in head)
    numeric = [
        bool(head) and all(map(_is_number, column))
        for column in list(zip(*rows, strict=True))[1:]
    ]
    body = "\n".join(
        f'<tr><th scope="row">{escaped(name)}</th>{"".join(map(_cell, cells, numeric))}</tr>'
        for name, *cells in rows
    )
    return "\n".join(
        filter(
            None,
            [
                "<table>",
                top and f"<thead><tr>{top}</tr></thead>",
                f"<tbody>{body}</tbody></table>",
            ],
        )
    )


def _is_number(text: str) -> bool:
    return re.fullmatch(r"[+≥-]?[\d.]+( %)?|–", text) is not None


def _cell(text: str, numeric: bool) -> str:
    return f'<td class="number">{text}</td>' if numeric else f"<td>{escaped(text)}</td>"


def html_image(content: bytes, kind: str, alt: str) -> str:
    """Put a picture into the page itself.

    Parameters
    ----------
    content : bytes
        The file.
    kind : str
        Its type: ``png`` or ``jpeg``.
    alt : str
        What it shows, for those who do not see it.

    Returns
    -------
    str
    """
    return (
        f'<img alt="{html.escape(alt)}" style="max-width:100%;height:auto" '
        f'src="data:image/{kind};base64,{base64.b64encode(content).decode()}">'
    )
