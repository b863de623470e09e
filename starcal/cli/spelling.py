"""A parser that guesses what a misspelt word was meant to be."""

import argparse
import difflib
import re
from typing import NoReturn

WRONG_CHOICE = re.compile(r"invalid choice: '([^']*)' \(choose from (.*)\)$", re.DOTALL)
UNKNOWN_OPTION = re.compile(r"unrecognized arguments: (?:.* )?(--[\w-]+)")
ALIKE = 0.6  # of the letters, as difflib counts them: one wrong or two changed in a short word


class Parser(argparse.ArgumentParser):
    """Wrong usage with a guess at what was meant, where one is near."""

    def error(self, message: str) -> NoReturn:
        """Print usage and message, and leave with status 2."""
        super().error(message + meant(message, self))


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
    if choice := WRONG_CHOICE.search(message):
        word, names = choice[1], re.findall(r"'([^']+)'|(\w[\w-]*)", choice[2])
        known = [first or second for first, second in names]
    elif option := UNKNOWN_OPTION.search(message):
        word, known = option[1], sorted(set(_options_of(parser)))
    else:
        return ""
    near = difflib.get_close_matches(word, known, 1, ALIKE)
    return f". Did you mean {near[0]}?" if near else ""


def _options_of(parser: argparse.ArgumentParser):
    """Every option of a parser and of the commands below it."""
    for action in parser._actions:
        yield from (name for name in action.option_strings if name.startswith("--"))
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                yield from _options_of(below)
