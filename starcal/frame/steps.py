"""Coarse steps that a channel's values had before it was moved onto another grid.

Between pixels there is any value: what a sky lost by rounding is still lost, but the pixels no
longer show it. So it stays with the frame, and in the header of its file.
"""

from astropy.io import fits

from .sky import card_value

STEP_CARDS = ("STEPR", "STEPG", "STEPB")
ROUNDED_CARDS = ("ROUNDEDR", "ROUNDEDG", "ROUNDEDB")

Steps = tuple[tuple[float, float], ...]
"""For each channel the step, in units of full scale, and the error of its sky's level in steps; 0
and 0 where its values were fine. Empty where no channel was moved."""


def with_steps(header: fits.Header, steps: Steps) -> fits.Header:
    """A header that tells of steps.

    Parameters
    ----------
    header : Header
        It stays as it is.
    steps : Steps

    Returns
    -------
    Header
    """
    made = header.copy()
    for (step, rounded), name, error in zip(steps, STEP_CARDS, ROUNDED_CARDS, strict=False):
        if step > 0:
            made[name] = (step, "step of its values before it was moved")
            made[error] = (rounded, "steps by which its sky may be off")
    return made


def taken_steps(header: fits.Header) -> Steps:
    """The steps that a header tells of; its cards are removed, for they hold of these pixels only.

    Parameters
    ----------
    header : Header
        Changed in place.

    Returns
    -------
    Steps
    """
    cards = zip(STEP_CARDS, ROUNDED_CARDS, strict=True)
    steps = tuple((_number(header, name), _number(header, error)) for name, error in cards)
    return steps if any(step for step, _ in steps) else ()


def _number(header: fits.Header, key: str) -> float:
    """A positive number below 1; 0 for any other value."""
    value = card_value(header, key)
    header.remove(key, ignore_missing=True)
    sound = isinstance(value, float) and 0 < value < 1
    return float(value) if sound else 0.0
