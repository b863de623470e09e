"""Fewer, smaller, whole stars: what was asked for of them besides their colours, and how much of
their light that leaves."""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..choices import SOLAR_BV_MAG, Choices
from ..colour.palette import WARMTH_MAG, saturate
from ..colour.stellar import LUMINANCE_WEIGHTS, luminance, star_rgb
from ..errors import FrameError
from ..frame import Frame
from ..layers import Split, rebuilt_cores
from ..texts import counted

FEWEST_KNOWN_MAGS = 5  # their median is good to some 0.1 mag then
FAINTEST_QUANTILE = 0.99  # of the stars: the last have hardly any light, and no magnitude


def whole_stars(
    parts: Split,
    frame: Frame,
    stars: Table,
    choices: Choices,
    *,
    in_place: bool = False,
) -> tuple[Split, NDArray[np.bool_]]:
    """The split with clipped cores rebuilt, if that is asked for, and which stars have one.

    Parameters
    ----------
    parts : Split
    frame : Frame
        That was split.
    stars : Table
        Its stars.
    choices : Choices
    in_place : bool
        The star layer as it was is used no more: the new one may take its memory.

    Returns
    -------
    parts : Split
    rebuilt : ndarray of bool, (n,)
    """
    if choices.clipped_cores == "keep":
        return parts, np.zeros(len(stars), bool)
    return rebuilt_cores(parts, frame.pixels, stars, in_place=in_place)


def factors_of(parts: Split, stars: Table, choices: Choices) -> NDArray[np.float64]:
    """What the light of each star is multiplied by: as bright as was asked for, 0 for those that
    are left away.

    Parameters
    ----------
    parts : Split
    stars : Table
    choices : Choices
        ``star_brightness``, ``brightest``, ``faintest_mag``.

    Returns
    -------
    ndarray, (n,)

    Raises
    ------
    FrameError
        A faintest magnitude was asked for, and too few stars of known magnitude tell the others'.
    """
    light = LUMINANCE_WEIGHTS @ parts.flux
    kept = np.ones(len(light), bool)
    if choices.brightest is not None:
        kept = np.zeros(len(light), bool)
        kept[np.argsort(-light, kind="stable")[: round(choices.brightest)]] = True
    if choices.faintest_mag is not None:
        kept &= magnitudes_of(light, stars) <= choices.faintest_mag
    return np.where(kept, choices.star_brightness, 0.0)


def magnitudes_of(light: NDArray, stars: Table) -> NDArray[np.float64]:
    """V of every star by its light, from those that a catalogue knows.

    Parameters
    ----------
    light : ndarray, (n,)
        In any unit; 0 for no star.
    stars : Table
        With ``v_mag`` where stars were matched.

    Returns
    -------
    ndarray, (n,)
        Infinite for no light.

    Raises
    ------
    FrameError
        Fewer than 5 stars of known V.
    """
    known = np.full(len(light), np.nan)
    if "v_mag" in stars.colnames:
        known = np.ma.filled(np.ma.asarray(stars["v_mag"], float), np.nan)
    own = np.full(len(light), np.inf)
    own[light > 0] = -2.5 * np.log10(light[light > 0])
    zero_mag = (known - own)[np.isfinite(known) & np.isfinite(own)]
    if len(zero_mag) < FEWEST_KNOWN_MAGS:
        raise FrameError(
            f"{counted(len(zero_mag), 'star')} of known V here, {FEWEST_KNOWN_MAGS} needed to tell "
            f"the magnitudes of the others: say how many stars to keep, --brightest N"
        )
    return own + np.median(zero_mag)


def numbers_of(parts: Split, stars: Table) -> dict[str, tuple[float, float]]:
    """How many stars can be kept, and how faint they are, where that is known.

    Parameters
    ----------
    parts : Split
    stars : Table

    Returns
    -------
    dict
        Lowest and highest number of ``brightest`` and ``faintest_mag``.
    """
    light = LUMINANCE_WEIGHTS @ parts.flux
    count = int(np.sum(parts.model.reach_px > 0))
    found = {"brightest": (1.0, float(max(count, 2)))}
    try:
        mags = magnitudes_of(light, stars)[parts.model.reach_px > 0]
    except FrameError:
        return found
    mags = mags[np.isfinite(mags)]
    if len(mags) < 2:
        return found
    low, high = np.quantile(mags, (0.0, FAINTEST_QUANTILE))
    return found | {"faintest_mag": _tenths_round(low, high)}


def _tenths_round(low: float, high: float) -> tuple[float, float]:
    """The nearest tenths that hold both."""
    return float(np.floor(10 * low) / 10), float(np.ceil(10 * high) / 10)


def told_wishes(choices: Choices) -> list[str]:
    """What was asked of size, brightness and number of the stars, in words.

    Parameters
    ----------
    choices : Choices

    Returns
    -------
    list of str
        Empty where nothing was.
    """
    told = []
    if choices.star_size != 1:
        told.append(f"size {choices.star_size:g}")
    if choices.star_brightness != 1:
        told.append(f"brightness {choices.star_brightness:g}")
    if choices.brightest is not None:
        told.append(f"the {choices.brightest:.0f} brightest")
    if choices.faintest_mag is not None:
        told.append(f"down to V {choices.faintest_mag:g}")
    return told


def told_light(before: NDArray, after: NDArray, wishes: list[str]) -> str:
    """How much of the stars' light is left after wishes, in words.

    Parameters
    ----------
    before, after : ndarray, (3, y, x)
        Star layers.
    wishes : list of str
        What was asked for, in words.

    Returns
    -------
    str
    """
    sums = [
        float(luminance(np.nansum(layer, axis=(1, 2), dtype=float)))
        for layer in (before, after)
    ]
    share = sums[1] / max(sums[0], 1e-30)
    return f"stars as asked for ({', '.join(wishes)}): {share:.1%} of their light"


def told_cores(rebuilt: NDArray[np.bool_]) -> str:
    """Whose cores were rebuilt, in words.

    Parameters
    ----------
    rebuilt : ndarray of bool, (n,)
        At least one is.

    Returns
    -------
    str
    """
    what = "core" if rebuilt.sum() == 1 else "cores"
    return (
        f"burnt-out {what} of {counted(int(rebuilt.sum()), 'star')} rebuilt from the wings "
        "(--clipped-cores keep leaves them)"
    )


def tinted(rgb: NDArray, warmth: float, saturation: float) -> NDArray[np.float64]:
    """Colours that stars have already, made warmer or more saturated as those of `star_colours`.

    Parameters
    ----------
    rgb : ndarray, (n, 3)
        Linear, of luminance 1.
    warmth, saturation : float
        1 leaves them.

    Returns
    -------
    ndarray, (n, 3)
        Of luminance 1.
    """
    redder = star_rgb(SOLAR_BV_MAG + (warmth - 1) * WARMTH_MAG, SOLAR_BV_MAG)
    warm = rgb * redder
    return saturate(warm / luminance(warm)[:, None], saturation)
