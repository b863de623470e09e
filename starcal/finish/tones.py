"""Is a finished nebula linear or stretched? Its starless frame, which is linear, tells.

A linear nebula has tones that follow the frame's along a straight line, and numbers of the frame's
size, for stars are added to it in the frame's numbers.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .tone_curve import SMALLEST_TONE, CurveOfTones, tone_curve

# Slope of a nebula's tones in the dark over that in the bright. 294 made linear edits (gains, mixed
# channels, gradients, vignetting, noise taken away, sharpened, clipped, crops) reach 1.03.
BENT_TONES = 1.06
MOST_GAIN = 4.0  # two stops; stars are added in the numbers of the starless frame
MOST_SKY_TIMES = 6.0  # of its sky: the same, and a pedestal
# Of full scale: a linear sky lies below (common practice), a stretched one above.
DARK_SKY = 0.04


@dataclass(frozen=True)
class Tones:
    """Whether a picture's values are proportional to light, and how one knows.

    Attributes
    ----------
    linear : bool
    evidence : str
        In words.
    """

    linear: bool
    evidence: str


def tones_of(
    nebula: NDArray,
    starless: NDArray | None,
    matrix: NDArray | None,
    *,
    eight_bits: bool,
    stars_shown: bool = False,
) -> Tones:
    """Judge a nebula without stars: linear or stretched.

    Parameters
    ----------
    nebula : ndarray, (3, y, x)
    starless : ndarray or None
        Its starless frame.
    matrix : ndarray, (2, 3), or None
        From that to the nebula, see `geometry.Moved`; None: pixel by pixel.
    eight_bits : bool
        The file holds no more.
    stars_shown : bool
        The star layer is stretched; the starless frame is, too, if its sky is as bright.

    Returns
    -------
    Tones
    """
    if eight_bits:
        return Tones(False, "8 bits a channel hold no linear frame")
    sky = _middle(nebula)
    if starless is None:
        word = "below" if sky < DARK_SKY else "above"
        return Tones(sky < DARK_SKY, f"its middle value {sky:.3f} lies {word} {DARK_SKY}")
    before = _middle(starless)
    if stars_shown and before >= DARK_SKY:
        return Tones(False, "its starless frame is stretched, as its stars are")
    curve = tone_curve(nebula, starless, matrix) or CurveOfTones(
        1.0, 1.0, sky / max(before, SMALLEST_TONE)
    )
    return _by_curve(curve, sky)


def _by_curve(curve: CurveOfTones, sky: float) -> Tones:
    """The judgement of a nebula of such a sky, by how its tones follow its frame's."""
    if curve.times >= BENT_TONES:
        return Tones(False, _lifted(curve))
    brightened = curve.dark_gain > MOST_GAIN or curve.middle_times > MOST_SKY_TIMES
    if sky >= DARK_SKY and brightened:
        middle = f"its middle value {sky:.3f}, {curve.middle_times:.1f} times as high as before"
        return Tones(False, f"{middle}, lies above {DARK_SKY}; {_lifted(curve)}")
    return Tones(True, _lifted(curve))


def _middle(planes: NDArray) -> float:
    return float(np.nanmedian(planes[:, ::3, ::3]))


def _lifted(curve: CurveOfTones) -> str:
    told = f"dark tones are lifted {curve.times:.2f} times as much as bright ones"
    return f"{told} against the starless frame"
