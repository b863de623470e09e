"""A stretched picture as a display shows it, whatever colour space its file is in."""

from dataclasses import replace

import numpy as np

from .reading import Frame
from .spaces import other_than_srgb

ROWS_AT_A_TIME = 64  # temporaries of doubles stay small


def in_srgb(frame: Frame) -> Frame:
    """Take a stretched picture to display values of sRGB.

    Parameters
    ----------
    frame : Frame
        Of display values in the space of its ``icc_profile``.

    Returns
    -------
    Frame
        Without a profile; the same one where it has none, or one of sRGB. What sRGB cannot show
        ends at its limits.
    """
    space, _ = other_than_srgb(frame.icc_profile)
    if space is None:
        return frame
    shown = np.empty_like(frame.pixels)
    for first in range(0, shown.shape[1], ROWS_AT_A_TIME):
        rows = np.s_[:, first : first + ROWS_AT_A_TIME]
        shown[rows] = space.in_srgb(frame.pixels[rows])
    return replace(frame, pixels=shown, icc_profile=None)
