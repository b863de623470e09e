"""Layers put together again, and starless frames that come from elsewhere checked before they are
used."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..errors import FrameError
from .model import PSF_SNR, UNFIT_FOR_PSF
from .stamps import disc_offsets, stamps_at

MOST_SKY_SHIFT = (
    3.0  # in units of the frame's noise; a stretch or a scaling moves the sky by far more
)
BRIGHTER_SIGMA = 5.0
MOST_BRIGHTER = 0.02  # share of the pixels
MOST_LIGHT_LEFT = 0.2  # of a typical star
SAMPLE_STEP = 3


def join_add(starless: NDArray, stars: NDArray) -> NDArray[np.float32]:
    """Add a linear star layer to a linear starless frame: the exact inverse of `layers.split`.

    Parameters
    ----------
    starless, stars : ndarray, (3, y, x)
        Linear.

    Returns
    -------
    ndarray, (3, y, x) float32

    Raises
    ------
    FrameError
        Different sizes.
    """
    if np.shape(starless) != np.shape(stars):
        raise FrameError(
            f"a starless frame of shape {np.shape(starless)} and a star layer of shape "
            f"{np.shape(stars)} "
            f"given; both must be of one size: register one to the other"
        )
    return np.add(starless, stars, dtype=np.float32)


@dataclass(frozen=True)
class StarlessCheck:
    """What was found of a starless frame that came from elsewhere.

    Attributes
    ----------
    sky_shift : tuple of float
        Its sky less the frame's in each channel, in units of the frame's noise.
    brighter_share : float
        Share of its pixels that are brighter than the frame beyond noise.
    light_left : float
        Median share of the stars' peaks that is still in it; 0 if there is no clear star.
    """

    sky_shift: tuple[float, ...]
    brighter_share: float
    light_left: float


def plausible_starless(pixels: NDArray, starless: NDArray, stars: Table) -> StarlessCheck:
    """Check that a starless frame belongs to a linear frame.

    Parameters
    ----------
    pixels, starless : ndarray, (3, y, x)
    stars : Table
        Of `stars.measure_stars` of ``pixels``.

    Returns
    -------
    StarlessCheck

    Raises
    ------
    FrameError
        Another size; nothing in common; another sky (stretched, scaled); brighter than the frame;
        stars still in it.
    """
    if np.shape(starless) != pixels.shape:
        raise FrameError(
            f"a starless frame of shape {np.shape(starless)} given for a frame of shape "
            f"{pixels.shape}; "
            f"give one of the same size, made from this frame"
        )
    excess = _excess(pixels, starless, stars)
    if not excess.size:
        raise FrameError(
            "a starless frame without a finite pixel in common with the frame given; "
            "give one made from this frame"
        )
    sky_shift = tuple(map(float, np.median(excess, axis=1)))
    brighter = float(np.mean(excess.max(axis=0) > BRIGHTER_SIGMA))
    return _judged_starless(
        StarlessCheck(sky_shift, brighter, _light_left(pixels, starless, stars))
    )


def _excess(pixels: NDArray, starless: NDArray, stars: Table) -> NDArray:
    """How much brighter than the frame some of the finite pixels are, in units of noise, (3, k)."""
    noise = np.maximum(stars.meta["noise"].noise, 1e-9)[:, None]
    some = np.s_[:, ::SAMPLE_STEP, ::SAMPLE_STEP]
    excess = (starless[some].astype(float) - pixels[some]).reshape(3, -1) / noise
    return excess[:, np.isfinite(excess).all(axis=0)]


def _judged_starless(check: StarlessCheck) -> StarlessCheck:
    shift = max(check.sky_shift, key=abs)
    if abs(shift) > MOST_SKY_SHIFT:
        raise FrameError(
            f"the starless frame's sky lies {shift:+.1f} sigma from the frame's, at most "
            f"{MOST_SKY_SHIFT:.0f} is plausible; give one that is linear and neither stretched nor "
            f"scaled"
        )
    if check.brighter_share > MOST_BRIGHTER:
        raise FrameError(
            f"the starless frame is brighter than the frame in {check.brighter_share:.0%} of the "
            f"pixels, "
            f"at most {MOST_BRIGHTER:.0%} is plausible; give one made from this very frame"
        )
    if check.light_left > MOST_LIGHT_LEFT:
        raise FrameError(
            f"{check.light_left:.0%} of the stars' light is still in the starless frame, at most "
            f"{MOST_LIGHT_LEFT:.0%} is plausible; give the frame without its stars"
        )
    return check


def _light_left(pixels: NDArray, starless: NDArray, stars: Table) -> float:
    clear = (np.array(stars["flags"]) & UNFIT_FOR_PSF == 0) & (np.array(stars["snr"]) > PSF_SNR)
    if not clear.any():
        return 0.0
    x_px, y_px = (np.array(stars[name], float)[clear] for name in ("x_px", "y_px"))
    fwhm_px = max(stars.meta["fwhm_px"])
    before, after = (
        sum(_peaks(plane, x_px, y_px, fwhm_px) for plane in frame)
        for frame in (pixels, starless)
    )
    return float(np.nan_to_num(np.nanmedian(after / np.maximum(before, 1e-12))))


def _peaks(plane, x_px, y_px, fwhm_px):
    """How far the middle of each star rises above its surroundings, (n,)."""
    offsets = disc_offsets(2.5 * fwhm_px)
    radius = np.hypot(*offsets)
    stamps = stamps_at(plane, x_px, y_px, offsets)[0]
    return stamps[:, radius <= 1].mean(axis=1) - np.median(
        stamps[:, radius > 2 * fwhm_px], axis=1
    )
