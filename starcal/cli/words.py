"""Words that are typed, into values, each refused in words where it can be none."""

import argparse
import math
from collections.abc import Callable

from ..choices import (
    NOT_NEGATIVE,
    POSITIVE,
    Limits,
)


def typed_number(text: str) -> float:
    """A number."""
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} given, a number needed") from None


def within(limits: Limits) -> Callable[[str], float]:
    """What makes a number within limits of a word."""

    def number(text: str) -> float:
        value = typed_number(text)
        if not limits.hold(value):
            raise argparse.ArgumentTypeError(f"{text} given, {limits.needed}")
        return value

    return number


def positive(text: str) -> float:
    """A number above 0."""
    return within(POSITIVE)(text)


def not_negative(text: str) -> float:
    """A number that is 0 or more."""
    return within(NOT_NEGATIVE)(text)


def typed_place(text: str) -> tuple[float, float]:
    """A place in pixels, X,Y."""
    try:
        x, y = map(float, text.split(","))
    except ValueError:
        x = y = math.nan
    if not math.isfinite(x + y):
        raise argparse.ArgumentTypeError(f"{text!r} given, X,Y needed, as 1234,567.5")
    return x, y


def typed_gains(text: str) -> tuple[float, ...]:
    """Gains and their errors."""
    try:
        return tuple(map(float, text.split(",")))
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} given, R,ERROR,B,ERROR needed, as 1.5,0.02,0.9,0.01"
        ) from None


def typed_size(text: str) -> tuple[int, int]:
    """Width and height in pixels, as 6000x4000."""
    width, _, height = text.lower().partition("x")
    if not (width.isdecimal() and height.isdecimal() and int(width) and int(height)):
        raise argparse.ArgumentTypeError(
            f"{text!r} given, width and height in pixels needed, such as 6000x4000"
        )
    return int(width), int(height)


def count(text: str) -> int:
    """A whole number above 0."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} given, a whole number above 0 needed")
    return int(text)


def port(text: str) -> int:
    """A port to listen on; 0 is a free one."""
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(
            f"{text!r} given, a port from 1 to 65535 needed, or 0 for a free one"
        )
    return int(text)
