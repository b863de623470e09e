"""The command that prints a script for a shell, so that it completes what is typed."""

import shtab

from .arguments import build_parser
from .terminal import say

# metavars of what lies on disk
FILE_NAMES = {"FRAME", "FILE", "OUT", "STEM", "STARLESS", "STARS", "PICTURE"}


def completion(options) -> int:
    """Print the script."""
    parser = build_parser()
    for action in _arguments_of(parser):
        if action.metavar in FILE_NAMES:
            action.complete = shtab.FILE
        elif action.metavar == "DIR":
            action.complete = shtab.DIRECTORY
    say(shtab.complete(parser, options.shell))
    return 0


def _arguments_of(parser):
    """Every argument of a parser and of the commands below it."""
    for action in parser._actions:
        yield action
        if isinstance(action.choices, dict):  # commands: their parsers
            for below in action.choices.values():
                yield from _arguments_of(below)
