"""What B-V a star of a field has before anything is measured of it: by its magnitude alone.

Measured on Tycho-2 (Hoeg et al. 2000) within 25 degrees of the galactic plane, the catalogue's
errors taken out: bright stars are blue or red, faint ones yellow. Beyond the catalogue the mean is
an assumption.
"""

from functools import cache

import numpy as np

from .relations import GRID_BV_MAG

CENTRE_MAG = np.array([-0.14, 0.10, 0.46, 0.77, 1.08, 1.47, 0.85])
WIDTH_MAG = np.array([0.09, 0.10, 0.14, 0.28, 0.11, 0.22, 0.37])
V_MAG = np.array([7.6, 9.3, 10.3, 10.8, 13.0])
SHARE = (
    np.array(  # of the normals above, at each of V_MAG; the last is for stars beyond Tycho-2
        [
            [0.04, 0.33, 0.18, 0.04, 0.18, 0.23, 0.00],
            [0.02, 0.22, 0.30, 0.05, 0.19, 0.22, 0.00],
            [0.01, 0.11, 0.38, 0.06, 0.24, 0.20, 0.00],
            [0.01, 0.06, 0.40, 0.17, 0.16, 0.20, 0.00],
            [0.00, 0.00, 0.00, 0.00, 0.00, 0.00, 1.00],
        ]
    )
)
FLAT_SHARE = 0.02  # stars of any colour: reddened, evolved, double
COUNTS_PER_MAG = (
    0.38  # d log10 N / dV: of two stars alike in a red band the redder is fainter in V
)
UNKNOWN_V_MAG = 13.0  # of a star of an unmatched frame: where the least is said of its colour
TABLE_V_MAG = np.arange(7.5, 13.26, 0.25)

# Of a field's faint stars: the mean of Tycho-2 grows by 0.04 a magnitude, from 0.67 at V 7.6 to
# 0.79 at 10.8, and on to 0.85 at 12.5; its fields scatter by 0.11, and dust beyond adds to that
FIELD_MEAN_MAG, FIELD_MEAN_ERROR_MAG = 0.85, 0.17

# How fields differ: the mean B-V of Tycho-2 fields scatters by 0.11 mag. Bright hot stars say
# nothing of faint ones, so the stars that the catalogue has and the others are tilted apart.
TILT_UNIT_MAG = 0.4
TILT_REACH = 2.0  # units beyond which a tilt grows no more
TILT_ERROR = {"catalogue": 0.5, "others": 0.35, "spread": 0.3}


@cache
def _table() -> np.ndarray:
    """Probability on the grid at each of `TABLE_V_MAG`, rows of sum 1."""
    pull = (GRID_BV_MAG - CENTRE_MAG[:, None]) / WIDTH_MAG[:, None]
    normal = np.exp(-0.5 * pull**2) / WIDTH_MAG[:, None]
    normal /= normal.sum(axis=1, keepdims=True)
    shares = np.array([np.interp(TABLE_V_MAG, V_MAG, column) for column in SHARE.T]).T
    shares /= shares.sum(axis=1, keepdims=True)
    return (1 - FLAT_SHARE) * shares @ normal + FLAT_SHARE / len(GRID_BV_MAG)


def ln_population(v_mag: np.ndarray) -> np.ndarray:
    """Logarithm of the probability of each B-V of the grid.

    Parameters
    ----------
    v_mag : ndarray, shape (n,) or (n, grid)
        V of the stars, or what it would be at each B-V; NaN where nothing is known of it.

    Returns
    -------
    ndarray, shape (n, grid)
    """
    v_mag = np.where(np.isfinite(v_mag), v_mag, UNKNOWN_V_MAG)
    step = TABLE_V_MAG[1] - TABLE_V_MAG[0]
    row = np.rint((v_mag - TABLE_V_MAG[0]) / step).astype(int)
    row = np.clip(row, 0, len(TABLE_V_MAG) - 1)
    if row.ndim == 1:
        return np.log(_table())[row]
    return np.log(_table())[row, np.arange(len(GRID_BV_MAG))]


@cache
def tilts() -> np.ndarray:
    """Exponents by which a field differs from the usual: towards red, and in spread, (2, grid)."""
    unit = np.clip((GRID_BV_MAG - 0.75) / TILT_UNIT_MAG, -TILT_REACH, TILT_REACH)
    return np.array([unit, (unit**2 - 1) / 2])
