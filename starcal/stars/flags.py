"""Why a star is not used: the one registry of flags, and what each means."""

from enum import IntFlag

import numpy as np

FAINT_SNR = 10.0  # in the worst channel: a log ratio then has an error near 0.11 mag
SHAPE_SNR = 20.0  # below this the shape of a star says nothing


class Flag(IntFlag):
    """Why a star is not used. The registry: the tally, the report and the table's header are made
    from it.

    FORCED alone is no reason; it says how the star came into the table. BLENDED, EDGE and SHAPE
    exclude a star of the catalogue from a fit of gains only where its narrow aperture holds as much
    light of others as of its own, leaves the frame, or where it is narrower than a star.
    """

    SATURATED = 1
    EDGE = 2
    BLENDED = 4
    FAINT = 8
    SHAPE = 16
    NO_MATCH = 32
    NO_BV = 64
    POOR_BV = 128
    DOUBLE = 256
    MISMATCH = 512
    CLIPPED = 1024
    LEFT_OUT = 2048
    FORCED = 4096
    DEFECT = 8192


FLAG_REASONS = {
    Flag.SATURATED: "burnt out, or nearly so, in a channel",
    Flag.EDGE: "too near the edge of the frame or to pixels without data for the wide aperture; "
    "gains rest on a narrow one that may still be whole",
    Flag.BLENDED: "a neighbour's light falls into the wide aperture; gains rest on a narrow one, "
    "which it is taken out of",
    Flag.FAINT: f"signal-to-noise below {FAINT_SNR:.0f} in a channel",
    Flag.SHAPE: "not the shape of a star: nebular knot, hot pixel, cosmic ray or trail; or a star "
    "of the catalogue that neighbours make look wide or long",
    Flag.NO_MATCH: "no star of the catalogue here",
    Flag.NO_BV: "the catalogue has no B-V for it",
    Flag.POOR_BV: "its B-V lies beyond what the catalogue's colours can tell",
    Flag.DOUBLE: "known double star",
    Flag.MISMATCH: "brightness does not fit the catalogue's",
    Flag.CLIPPED: "far off the fit, which is made without it",
    Flag.LEFT_OUT: "left out by hand",
    Flag.FORCED: "placed where a star is known to be, not found by itself; that alone does not "
    "exclude it",
    Flag.DEFECT: "in one channel alone, and sharper than a star or where stars show in two: hot "
    "pixel or cosmic ray",
}

# A photographer takes "faint" for a dim star and "clipped" for a burnt-out one.
FLAG_WORDS = {Flag.FAINT: "weak in a channel", Flag.CLIPPED: "outlier of the fit"}


def flag_words(flag: Flag) -> str:
    """Name a flag for a reader.

    Parameters
    ----------
    flag : Flag

    Returns
    -------
    str
    """
    return FLAG_WORDS.get(flag, flag.name.lower().replace("_", " "))


def flag_tally(flags: np.ndarray) -> dict[str, int]:
    """Count the stars that carry each flag, by its lower-case name.

    Parameters
    ----------
    flags : ndarray of int
        Sums of bits.

    Returns
    -------
    dict
    """
    return {flag.name.lower(): int(np.count_nonzero(flags & flag)) for flag in Flag}
