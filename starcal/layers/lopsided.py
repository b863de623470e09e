"""Wings that are not round: what the light of a ring does round the star, common to the stars.

Coma, pinched mirrors and trails that were not even leave light on one side of every star, far
beyond the table of the core. In each ring the light may go up and down once, twice and three times
round; what the bright stars do not agree upon is left out.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..robust import square_round
from .psf import LOPSIDED_STEP, Psf

WAVES = 3
TURN_SD = 0.5  # of what is expected, as a share of the ring's light
OWN_UNEVENNESS = (
    0.1  # of its light, by which each star may be uneven for itself: none outshines all
)
SLOPE_SHARE = 0.35  # of the scatter of a ring's pixels: nebula slopes by as much over the ring
FEWEST_STARS = 3
STAR_LINEAR_FROM, WAVE_ROUNDS = 1.5, 4  # errors from which a star counts less
FARTHEST_PIXEL = 4.0  # scatters that a pixel may be off by
# squared errors by which a wave must exceed what chance gives two numbers; what is left is kept
SURE_SQUARE = 6.0
WAVE_FACTORS = (0.1, 4.0)


@dataclass(frozen=True, eq=False)
class Round:
    """What one ring of one star says: its equations in units of their errors."""

    normal: NDArray
    right: NDArray

    @classmethod
    def of(cls, values: NDArray, own: NDArray, turn: NDArray) -> "Round":
        """From the pixels of a ring.

        Parameters
        ----------
        values : ndarray, (k,)
            What is left in them, less the median.
        own : ndarray, (k,)
            Of the star's light there.
        turn : ndarray, (k,)
            Angle about the star, radians.
        """
        return cls.of_waves(values, own, waves_at(turn))

    @classmethod
    def of_waves(cls, values: NDArray, own: NDArray, waves: NDArray) -> "Round":
        """The same, by the waves at the angles of the pixels, (k, 2 `WAVES`)."""
        waves = own[:, None] * waves
        spread = np.median(np.abs(values)) / 0.6745 + 1e-12
        near = np.clip(values, -FARTHEST_PIXEL * spread, FARTHEST_PIXEL * spread)
        shared = (
            len(values) / 2 * ((SLOPE_SHARE * spread) ** 2 + (OWN_UNEVENNESS * own.mean()) ** 2)
        )
        waves = waves - waves.mean(axis=0)
        variance = spread**2 + shared
        return cls(waves.T @ waves / variance, waves.T @ (near - near.mean()) / variance)


def waves_at(turn: NDArray) -> NDArray:
    """Cosine and sine of once, twice, ... the angle, (..., 2 `WAVES`)."""
    parts = [f(k * turn) for k in range(1, WAVES + 1) for f in (np.cos, np.sin)]
    return np.stack(parts, axis=-1)


def common_waves(rounds: list[Round]) -> NDArray:
    """What the light of a ring differs from its mean by, as shares of it, (2 `WAVES`,).

    Parameters
    ----------
    rounds : list of Round
        Of the stars; 0 of fewer than `FEWEST_STARS`, and where they do not agree.

    Returns
    -------
    ndarray
    """
    if len(rounds) < FEWEST_STARS:
        return np.zeros(2 * WAVES)
    normal = np.array([r.normal for r in rounds])
    right = np.array([r.right for r in rounds])
    expected = np.eye(2 * WAVES) / TURN_SD**2
    alone = np.linalg.solve(normal + expected, right[:, :, None])[:, :, 0]
    weight = np.ones(len(rounds))
    for _ in range(WAVE_ROUNDS):
        inverse = np.linalg.inv(np.tensordot(weight, normal, 1) + expected)
        best = inverse @ (weight @ right)
        chi = _off_by(alone - best, normal)
        weight = np.minimum(1, STAR_LINEAR_FROM / np.maximum(chi, 1e-9))
    variance = np.diag(inverse) * max(1.0, float(np.mean(weight * chi**2)))
    return best * _kept_waves(best, variance)


def _off_by(off: NDArray, normal: NDArray) -> NDArray:
    """Errors that each star's own waves are off by, (n,)."""
    return np.sqrt(np.einsum("ni,nij,nj->n", off, normal, off) / (2 * WAVES))


def _kept_waves(best, variance):
    """Share of each wave that is kept, (2 `WAVES`,): cosine and sine alike."""
    length = (best**2).reshape(-1, 2).sum(axis=1)
    error = variance.reshape(-1, 2).mean(axis=1)
    kept = np.maximum(0, 1 - SURE_SQUARE * error / np.maximum(length, 1e-30))
    return np.repeat(kept, 2)


def with_waves(psf: Psf, radius_px: NDArray, waves: NDArray, inner_px: float) -> Psf:
    """The profile with its wings brighter and fainter round the star.

    Parameters
    ----------
    psf : Psf
    radius_px : ndarray, (rings,)
    waves : ndarray, (rings, 2 `WAVES`)
        Of `common_waves`; beyond the last ring they fade, nearer than ``inner_px`` there are none.
    inner_px : float

    Returns
    -------
    Psf
    """
    if not waves.any():
        return psf
    last = np.flatnonzero(waves.any(axis=1))[-1] + 1
    outer_px = radius_px[min(last, len(radius_px) - 1)] * 1.2
    step_px = LOPSIDED_STEP * psf.fwhm_px
    half = int(np.ceil(outer_px / step_px))
    v, u = square_round(half) * step_px
    knots_px = np.concatenate([[inner_px], radius_px[:last], [outer_px]])
    faded = np.pad(waves[:last], ((1, 1), (0, 0)))
    before = psf.lopsided_at(u, v) if psf.lopsided is not None else 1.0
    factor = before * (1 + _share_at(u, v, knots_px, faded))
    return replace(psf, lopsided=np.clip(factor, *WAVE_FACTORS).astype(np.float32))


def _share_at(u_px, v_px, knots_px, waves):
    """What waves known at some radii add at offsets, as a share."""
    radius = np.hypot(u_px, v_px)
    turn = waves_at(np.arctan2(v_px, u_px))
    along = [np.interp(radius, knots_px, wave, left=0.0, right=0.0) for wave in waves.T]
    return (turn * np.stack(along, axis=-1)).sum(axis=-1)
