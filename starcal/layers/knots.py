"""Knots of nebula that look like stars, as seeing blurs all that is small: told by their light.

A star shines in all channels. A knot has the colours of nebula, which hardly does in some. Where
the nebula is as uneven as an entry is high, one must have nearly the least light that stars have
in each channel; elsewhere one that has not a star's shape must have most of that.
"""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..stars import SHAPE_SNR, Flag
from .bends import POWER
from .fluxes import FluxFit
from .psf import Psf
from .specks import dark_in_some

UNKNOWN_LIGHT = int(Flag.SATURATED | Flag.EDGE)
# in units of what the nebula near an entry differs by over the width of a star (rms)
HEIGHT_OF_KNOTS = 8.0
KNOT_MISFIT = 0.2  # of its light not where the profile has it
# of the least light that sure stars have in a channel, against that in another
NEBULA_SHARE, ODD_SHARE = 0.8, 0.6


def knots(
    psfs: tuple[Psf, ...],
    fits: list[FluxFit],
    stars: Table,
    roughness: list[NDArray],
    pointlike: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Which entries are knots of nebula, (n,).

    Parameters
    ----------
    psfs : tuple of Psf
    fits : list of FluxFit
        Of each channel.
    stars : Table
    roughness : list of ndarray, (n,)
        Of the background near each entry, see `bends.roughness_near`.
    pointlike : ndarray of bool, (n,)
        Entries that look like stars.
    """
    best = np.argmax([f.flux / np.maximum(f.error, 1e-30) for f in fits], axis=0)
    rows = np.arange(len(best))
    height = np.array([_height_over(*of) for of in zip(psfs, fits, roughness, strict=True)])
    misfit = np.array([f.misfit for f in fits])[best, rows]
    odd = misfit > KNOT_MISFIT
    share = np.where(odd, ODD_SHARE, 0.0)
    share[height[best, rows] < HEIGHT_OF_KNOTS] = NEBULA_SHARE
    whole = np.array(stars["flags"]) & UNKNOWN_LIGHT == 0
    sure = pointlike & whole & ~odd & (np.array(stars["snr"]) >= SHAPE_SNR)
    return whole & dark_in_some(fits, best, sure, share)


def _height_over(psf: Psf, fit: FluxFit, roughness: NDArray) -> NDArray:
    """Of entries, against what the nebula near them differs by over the width of a star, (n,)."""
    middle = psf(*np.float32(psf.shift_px))
    unrest = np.sqrt(roughness * psf.fwhm_px**POWER)
    return fit.flux * float(middle) / np.maximum(unrest, 1e-30)
