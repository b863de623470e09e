"""Gains that several frames have in common: of panels or nights taken in one way.

Each frame's gains count by the inverse variance that is its own. What all have alike (dust, the
catalogue's errors, what no gain is known better than) stays in the error of the mean. Frames that
show the same stars share the errors of those stars' catalogue colours, so that ten nights of one
field are not known ten times as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import chdtrc

from ..catalogue import unit_vectors
from ..choices import GivenGains
from .gains import GainFit

ONE_STAR_ARCSEC = 2.0  # catalogue places of one star differ by its motion between two nights
CHANCE_OF_DISAGREEING = 1e-3  # once in a thousand sets that differ by their errors alone


@dataclass(frozen=True, kw_only=True, eq=False)
class CommonGains:
    """One set of gains for several frames, and how each frame's own differ.

    Attributes
    ----------
    frames : tuple of str
        Those that it rests on, n of them.
    gains, gain_errors : ndarray, shape (3,)
        Factors for R, G, B; G is 1.
    difference, difference_error : ndarray, shape (2, n)
        Own gain of R and B over the common one, minus 1; the error is that of a frame alone.
    weight : ndarray, shape (2, n)
        Share of each frame in the mean.
    chi_square : ndarray, shape (2,)
        Of the differences, in R and B; n - 1 is to be expected.

    Examples
    --------
    >>> import starcal
    >>> common = starcal.gains_in_common(starcal.check_many(["broadband.fits"]))
    >>> common.frames, common.agree
    (('broadband.fits',), True)
    >>> starcal.calibrate("broadband.fits", gains=common.given).check.route
    'gains'
    """

    frames: tuple[str, ...]
    gains: NDArray
    gain_errors: NDArray
    difference: NDArray
    difference_error: NDArray
    weight: NDArray
    chi_square: NDArray

    @property
    def given(self) -> GivenGains:
        """As `choices.Choices.gains` takes them."""
        red, _, blue = map(float, self.gains)
        red_error, _, blue_error = map(float, self.gain_errors)
        return red, red_error, blue, blue_error

    @property
    def agree(self) -> bool:
        """Whether the frames differ by no more than their errors let expect."""
        freedom = len(self.frames) - 1
        return freedom == 0 or bool(
            np.all(chdtrc(freedom, self.chi_square) > CHANCE_OF_DISAGREEING)
        )

    def __str__(self) -> str:
        """Lines: the gains, how each frame differs, and whether they agree."""
        red, red_error, blue, blue_error = self.given
        head = (
            f"gains in common: R {red:.4f} +- {red_error:.4f},  G 1,  "
            f"B {blue:.4f} +- {blue_error:.4f}"
        )
        return "\n".join([head, *map(self._told, range(len(self.frames))), self._concluded()])

    def _told(self, n: int) -> str:
        pairs = zip("RB", 100 * self.difference, 100 * self.difference_error, strict=True)
        told = (f"{name} {off[n]:+.1f} +- {error[n]:.1f} %" for name, off, error in pairs)
        return f"  {self.frames[n]}: its own differ by {', '.join(told)}"

    def _concluded(self) -> str:
        if self.agree:
            return "  they differ as their errors let expect"
        return (
            "  they differ by more than their errors, and the error of the common ones is widened: "
            "were all taken with one camera, one set of filters, through one kind of sky?"
        )

    def to_dict(self) -> dict:
        """Plain numbers for JSON."""
        frames = [
            {
                "frame": name,
                "difference": dict(zip("RB", map(float, self.difference[:, n]), strict=True)),
                "difference_error": dict(
                    zip("RB", map(float, self.difference_error[:, n]), strict=True)
                ),
                "weight": dict(zip("RB", map(float, self.weight[:, n]), strict=True)),
            }
            for n, name in enumerate(self.frames)
        ]
        return {
            "gains": dict(zip("RGB", map(float, self.gains), strict=True)),
            "gain_errors": dict(zip("RGB", map(float, self.gain_errors), strict=True)),
            "chi_square": dict(zip("RB", map(float, self.chi_square), strict=True)),
            "agree": self.agree,
            "frames": frames,
        }


def common_gains(
    frames: Sequence[str], fits: Sequence[GainFit], places: Sequence[NDArray]
) -> CommonGains:
    """Weighted mean of the gains of several frames.

    Parameters
    ----------
    frames : sequence of str
        Names, n of them, 1 or more.
    fits : sequence of GainFit
        Of each.
    places : sequence of ndarray, shape (2, m)
        Right ascension and declination, degrees, of the catalogue stars that each fit used.

    Returns
    -------
    CommonGains
        Errors are widened by the root of chi-square over its expectation where that is above 1
        (Birge 1932, Phys. Rev. 40, 207).
    """
    own = np.array([fit.own_errors for fit in fits]).T
    ln_gains = np.log([fit.gains[[0, 2]] for fit in fits]).T
    mean_variance = 1 / np.sum(own**-2, axis=1)[:, None]
    weight = own**-2 * mean_variance
    mean = np.sum(weight * ln_gains, axis=1)
    off = ln_gains - mean[:, None]
    chi_square = np.sum((off / own) ** 2, axis=1)
    alike = _shares_in_common([unit_vectors(*each) for each in places])
    red_error, blue_error = _errors_of_mean(fits, weight, alike, chi_square)
    gains = np.exp([mean[0], 0.0, mean[1]])
    return CommonGains(
        frames=tuple(frames),
        gains=gains,
        gain_errors=gains * [red_error, 0.0, blue_error],
        difference=np.expm1(off),
        difference_error=np.sqrt(np.maximum(own**2 - mean_variance, 0)),
        weight=weight,
        chi_square=chi_square,
    )


def _errors_of_mean(
    fits: Sequence[GainFit], weight: NDArray, alike: NDArray, chi_square: NDArray
) -> NDArray:
    """Relative errors of the mean gains of R and B, (2,)."""
    told = weight * np.array([fit.own_errors for fit in fits]).T
    shared = weight * np.array([fit.shared_errors for fit in fits]).T
    widened = np.sqrt(np.maximum(1, chi_square / max(len(fits) - 1, 1)))
    error = np.sqrt(np.einsum("ci,ij,cj->c", told, alike, told))
    return np.hypot(widened * error, shared.sum(axis=1))


def _shares_in_common(places: list[NDArray]) -> NDArray:
    """How far the errors of frames go together, (n, n): the share of stars that two have alike."""
    trees = [cKDTree(each) for each in places]
    reach = np.radians(ONE_STAR_ARCSEC / 3600)
    alike = np.eye(len(trees))
    for i, one in enumerate(trees):
        for j, other in enumerate(trees[:i]):
            both = np.isfinite(other.query(one.data, distance_upper_bound=reach)[0]).sum()
            alike[i, j] = alike[j, i] = min(both / np.sqrt(one.n * other.n), 1.0)
    return alike
