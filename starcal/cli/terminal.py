"""What a command says: results on stdout, errors and progress on stderr. Nothing else prints."""

import io
import json
import logging
import os
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from ..errors import in_one_line
from ..texts import broken

USUAL_WIDTH = 100  # of lines that no terminal shows, and for the longest in a wide one
BOLD, PLAIN = "\x1b[1m", "\x1b[0m"
# Colours of a first line, by the word that it starts with; what is open is yellow.
GREEN, YELLOW, RED = "\x1b[1;32m", "\x1b[1;33m", "\x1b[1;31m"
HEADLINE_COLOURS = {"Rescue:": GREEN, "Undecided:": YELLOW, "No:": RED}


def open_streams() -> None:
    """Let stdout take every letter, and what is told to a closed stream be lost."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, io.StringIO())
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")


def show(options, facts: dict, text) -> None:
    """Print one JSON object, or the text for whoever reads it; of None nothing."""
    if options.json:
        print(json.dumps(facts, default=str), flush=True)
    elif text is not None and not options.quiet:
        print(_coloured(_fitting(printable(str(text)))), flush=True)


def told(options, result) -> str:
    """A result as lines no wider than the terminal, with the numbers that were asked for."""
    return result.text(width(), all_numbers=options.verbose)


def width() -> int:
    """Of the lines to print."""
    return min(shutil.get_terminal_size((USUAL_WIDTH, 24)).columns, USUAL_WIDTH)


def _fitting(text: str) -> str:
    """Sentences in lines of the terminal; what goes to a file or a program keeps its lines, as
    tables do."""
    if not sys.stdout.isatty():
        return text
    across, lines = width(), []
    for line in text.split("\n"):
        is_sentence = len(line) > across and "  " not in line.strip()
        lines += broken(line, across, "  ") if is_sentence else [line]
    return "\n".join(lines)


def _coloured(text: str) -> str:
    """The verdict in its colour, where a terminal shows it and nobody minds colours."""
    if (
        not sys.stdout.isatty()
        or os.environ.get("NO_COLOR")
        or os.environ.get("TERM") == "dumb"
    ):
        return text
    head, newline, rest = text.partition("\n")
    colour = HEADLINE_COLOURS.get(head.split(" ", 1)[0], BOLD if rest else "")
    return f"{colour}{head}{PLAIN if colour else ''}{newline}{rest}"


def say(text: str) -> None:
    """Print what was asked for as text alone, such as a script."""
    print(text, flush=True)


def printable(text: str) -> str:
    """Text for a terminal: control characters, as a file's name or header may hold, become ?."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


@contextmanager
def steps_told(options) -> Iterator[None]:
    """With -v every step of the work on stderr, with the seconds since the start."""
    if not getattr(options, "verbose", False):
        yield
        return
    log, told = logging.getLogger("starcal"), logging.StreamHandler()
    told.setFormatter(_Steps())
    before = log.level
    log.addHandler(told)
    log.setLevel(logging.INFO)
    try:
        yield
    finally:
        log.removeHandler(told)
        log.setLevel(before)


class _Steps(logging.Formatter):
    """A step of the work as a line."""

    def __init__(self):
        super().__init__()
        self.start_s = time.time()

    def format(self, record: logging.LogRecord) -> str:
        """Seconds since the start, and what is done now."""
        return f"{record.created - self.start_s:7.1f} s  {printable(record.getMessage())}"


def refuse(message: str, status: int = 1) -> int:
    """Print one line on stderr, and return the exit status."""
    print(f"starcal: {in_one_line(message)}", file=sys.stderr)
    return status


def warn(options, text: str) -> None:
    """Say on stderr what does not hinder the work."""
    if not options.quiet:
        print(f"starcal: {printable(text)}", file=sys.stderr)


class ProgressBar:
    """A progress bar on stderr, once a command has taken a second; none when stderr is not a
    terminal."""

    WIDTH = 30
    AFTER_S = 1.0

    def __init__(self, options):
        self.wanted = sys.stderr.isatty() and not options.quiet and not options.verbose
        self.start_s = time.monotonic()
        self.drawn = False

    def __call__(self, step: str, share: float) -> None:
        """Draw how far a step has come, 0 to 1."""
        if self.wanted and time.monotonic() - self.start_s > self.AFTER_S:
            filled = round(self.WIDTH * share)
            bar = "#" * filled + "." * (self.WIDTH - filled)
            self._draw(f"\r{self._line(f'{bar} {step}')}")
            self.drawn = True

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.drawn:
            self._draw(f"\r{self._line('')}\r")

    def _line(self, text: str) -> str:
        """A line that covers the one before, and is no wider than the terminal."""
        most = min(self.WIDTH + 42, shutil.get_terminal_size((USUAL_WIDTH, 24)).columns - 1)
        return text[:most].ljust(most)

    @staticmethod
    def _draw(text: str) -> None:
        print(text, end="", file=sys.stderr, flush=True)
