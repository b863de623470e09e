"""What light a star should give by its catalogue V and B-V and by the frame's own zero points.

Stars are chosen by it and not by what was measured: choosing by a channel's own signal-to-noise
keeps those that noise or nebula helped, and makes that channel 5 to 20 % too bright.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

# of the light expected, in the worst channel, over the noise at its place: fainter light is often
# none, which has no logarithm
LEAST_EXPECTED_SNR = 4.0
ZERO_POINT_SCATTER_MAG = 0.1  # beyond it a star counts less: blends, variables, mismatches
FEWEST_ZERO_POINT_STARS = 3
BRIGHT_SHARE = 0.5  # of the stars tell the zero points: at the faint end noise chooses


def expected_flux(flux: NDArray, v_mag: NDArray, bv_mag: NDArray) -> NDArray | None:
    """Light of stars as their catalogue magnitudes call for, by zero points of the same stars.

    Parameters
    ----------
    flux : ndarray, shape (3, n)
        As measured, NaN or not positive where it failed.
    v_mag, bv_mag : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (3, n), or None
        None with fewer than `FEWEST_ZERO_POINT_STARS` stars of positive light in all channels.
    """
    known = np.isfinite(v_mag) & np.isfinite(bv_mag) & (np.nan_to_num(flux) > 0).all(axis=0)
    if known.sum() < FEWEST_ZERO_POINT_STARS:
        return None
    bright = _brighter_part(known, v_mag)
    expected = np.empty_like(flux)
    for channel, light in enumerate(flux):
        magnitude = -2.5 * np.log10(light[bright]) - v_mag[bright]
        zero, term = _robust_line(bv_mag[bright], magnitude)
        expected[channel] = 10 ** (-0.4 * (v_mag + zero + term * bv_mag))
    return expected


def _brighter_part(known: NDArray, v_mag: NDArray) -> NDArray:
    """The brighter part of the known stars, all of them where that is too few."""
    bright = known & (v_mag <= np.quantile(v_mag[known], BRIGHT_SHARE))
    return bright if bright.sum() >= 2 * FEWEST_ZERO_POINT_STARS else known


def _robust_line(x: NDArray, y: NDArray) -> tuple[float, float]:
    """Zero and slope; the slope is drawn to 0 by an error of 1, so that few stars do."""
    middle = float(np.median(x))

    def misfit(parameters):
        left = y - parameters[0] - parameters[1] * (x - middle)
        return np.append(left / ZERO_POINT_SCATTER_MAG, parameters[1])

    start = [float(np.median(y)), 0.0]
    zero, slope = least_squares(misfit, start, loss="soft_l1").x
    return float(zero - slope * middle), float(slope)
