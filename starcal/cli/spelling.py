"""A parser that guesses what a misspelt word was meant to be."""

import argparse
import difflib
import os
import re
import textwrap
from typing import NoReturn

from ..texts import path_as_typed

WRONG_CHOICE = re.compile(
    r"""invalid choice: (?P<mark>['"])(?P<word>.*)(?P=mark) \(choose from (?P<names>.*)\)$""",
    re.DOTALL,
)
UNKNOWN_OPTION = re.compile(r"unrecognized arguments: (?:.* )?(--[\w-]+)")
ALIKE = 0.65  # of the letters, as difflib counts them: one wrong or two changed in a short word


class Parser(argparse.ArgumentParser):
    """Wrong usage in one line, with a guess at what was meant where one is near."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and what to type, and leave with status 2."""
        advice = meant(message, self) or f". Usage: {self.prog} --help"
        self.exit(2, f"{self.prog}: {message.removeprefix('argument ')}{advice}\n")

    def parse_known_args(self, args=None, namespace=None):
        """What a command does not know is its own fault, not that of the words before it."""
        known, rest = super().parse_known_args(args, namespace)
        if isinstance(getattr(known, "frame", None), list) and _are_names(rest):
            known.frame += rest  # frames behind an option, which argparse leaves over
        elif rest:
            self.error(f"unrecognized arguments: {' '.join(rest)}")
        return known, []


def _are_names(words: list[str]) -> bool:
    return bool(words) and not any(word.startswith("-") for word in words)


class HelpLines(argparse.RawDescriptionHelpFormatter):
    """Help in lines of the terminal's width; an example stays one line, to be copied."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        lines = [
            line if line.startswith("example: ") else textwrap.fill(line, width)
            for line in text.splitlines()
        ]
        return "\n".join(lines)


def meant(message: str, parser: argparse.ArgumentParser) -> str:
    """What a misspelt word was meant to be, as a question.

    Parameters
    ----------
    message : str
        What the parser says is wrong.
    parser : ArgumentParser
        That says it.

    Returns
    -------
    str
        To go behind the message; empty where nothing is near.
    """
    option = UNKNOWN_OPTION.search(message)
    _, told, word = message.rpartition("unrecognized arguments: ")
    if told and os.path.exists(word):
        return f". If that is a file, type {path_as_typed(os.path.join(os.curdir, word))}"
    if choice := WRONG_CHOICE.search(message):
        word, names = choice["word"], re.findall(r"'([^']+)'|(\w[\w-]*)", choice["names"])
        known = [first or second for first, second in names]
        if message.startswith("argument COMMAND") and os.path.exists(word):
            return f". To do the whole job: {parser.prog} run {path_as_typed(word)}"
    elif option:
        word = option[1].removeprefix("--")  # which all have, so that it tells nothing
        known = sorted(_options_of(parser))
    else:
        return ""
    near = difflib.get_close_matches(word, known, 1, ALIKE)
    return f". Did you mean {'--' * bool(option)}{near[0]}?" if near else ""


def _options_of(parser: argparse.ArgumentParser) -> set[str]:
    """Every long option of a parser, without its hyphens."""
    names = [name for action in parser._actions for name in action.option_strings]
    return {name[2:] for name in names if name.startswith("--")}
