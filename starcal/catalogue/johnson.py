"""Tycho, Hipparcos and Gaia magnitudes to Johnson V and B-V.

Which map, and why
------------------
Three published maps from BT-VT to B-V were held against ground-based UBV photometry (Yale Bright
Star table, fifth edition; 5 222 stars neither double nor variable) and against Hipparcos (38 504
stars brighter than VT 8.5, error of B-V at most 0.015 mag). Median of map minus catalogue in mmag:

=============  =====  =====  =======  ====  ====  =====  =====  =======  ====  ====
..             Yale Bright Star table              Hipparcos
-------------  ----------------------------------  ----------------------------------
BT-VT          stars  0.850  Bessell   MML  here  stars  0.850  Bessell   MML  here
=============  =====  =====  =======  ====  ====  =====  =====  =======  ====  ====
-0.35..-0.20      37     19       10    11     4     79     11        3     3    -3
-0.20..-0.10     337     12        2     2     1    954      7       -2    -2    -3
-0.10..0.10     1044      5       -1    -1    -1   6334      2       -4    -4    -4
0.10..0.30       549     -9       -0    -1    -1   5300    -15       -7    -7    -7
0.30..0.50       508    -34       -2    -0    -0   6149    -45      -12    -9    -9
0.50..0.70       296    -45       -6    -2    -2   4598    -50      -11    -8    -8
0.70..0.90       113    -35       -1    -0    -0   1570    -36       -1    -0    -0
0.90..1.10       320    -24        2     1    -1   2130    -22        4     3     1
1.10..1.30       759    -11        3     4    -1   4982     -8        6     6     2
1.30..1.50       447      8       ..     8     2   2960      6       ..     7     1
1.50..1.70       294     24       ..     9     3   1717     21       ..     6    -0
1.70..1.90       326     34       ..     4     3   1289     34       ..     6     4
1.90..2.10       181     32       ..    -8    -8    407     47       ..     8     8
2.10..2.40        10     34       ..   -14   -14     32     47       ..     2     2
=============  =====  =====  =======  ====  ====  =====  =====  =======  ====  ====

0.850: the linear rule, B-V = 0.850 (BT-VT) (ESA 1997, SP-1200, vol. 1, section 1.3). Bessell:
Bessell 2000 (PASP 112, 961), table 2, which was at hand up to BT-VT 1.25 only. MML: Mamajek, Meyer
& Liebert 2002 (AJ 124, 1670), appendix C, its two branches blended over BT-VT 0.4..0.6.

The linear rule fails by 0.05 mag just where most stars are. Bessell and MML do equally well where
both reach, MML reaches further, so MML it is. What it leaves is of one sign in both tables at two
places, among the bluest stars and among red giants; a trim of at most 0.014 mag, about the mean of
the two tables' medians, takes that out. Between 0.3 and 0.7 the tables disagree with each other by
0.008 mag (Hipparcos collects B-V from several sources: its stars with a stated error of 0.015 mag
sit 0.015 off, those with 0.006..0.014 within 0.008), so nothing is trimmed there.

"here" stays within 0.008 mag of the ground-based table up to BT-VT 2.1; beyond, ten red stars say
-0.014 +- 0.009. Binned by the table's own B-V, where a bin at the end of the range collects its
extremes, the worst are +0.011 (31 stars, -0.3..-0.2), -0.010 (141 stars, 1.6..1.7) and -0.016 (25
stars, 1.7..1.8), all others within 0.005. Landolt 2009, V < 11, 67 stars: median +0.002. Scatter
about the Bright Star table: 0.014 mag.

One map serves dwarfs and giants, and there are few dwarfs among red stars this bright: late K and M
dwarfs come out too blue, 61 Cygni B by 0.08 mag, Barnard's star by 0.15 (measured on these two
only).

The sign of the 7.813e-3 term was fixed by these data, the paper not being at hand.
"""

from __future__ import annotations

import numpy as np

__all__ = [
    "BP_RP_RANGE_MAG",
    "BT_VT_RANGE_MAG",
    "bv_from_gaia",
    "bv_from_tycho",
    "bv_slope",
    "bv_slope_gaia",
    "v_from_gaia",
    "v_from_hipparcos",
    "v_from_tycho",
]

BT_VT_RANGE_MAG = (
    -0.35,
    2.4,
)  # where the map to B-V has been checked; beyond, it is held at its end
BP_RP_RANGE_MAG = (
    -0.12,
    1.84,
)  # where dwarfs follow a cubic; beyond, there is no B-V from Gaia
_BV_RANGE_MAG = (-0.3, 1.9)  # where Hp has been compared with V

_TRIM_BT_VT_MAG = (-0.30, -0.20, -0.10, 0.90, 1.10, 1.40, 1.60, 1.85)
_TRIM_BV_MAG = (-0.014, -0.004, 0.0, 0.0, -0.003, -0.007, -0.007, 0.0)
_BV_OF_BP_RP = (0.0210, 0.6031, 0.2981, -0.1146)
_G_MINUS_V = (-0.02704, 0.01424, -0.2156, 0.01426)
_V_MINUS_HP = (-0.01443, -0.30023, 0.40049, -0.52946, 0.35718, -0.07810)


def bv_from_tycho(bt_vt_mag: np.ndarray) -> np.ndarray:
    """Johnson B-V from Tycho BT-VT.

    Parameters
    ----------
    bt_vt_mag : array_like
        BT-VT, magnitudes; valid in `BT_VT_RANGE_MAG`. Beyond it the colour is that of the end of
        the range (a caller that minds asks whether it is inside); NaN gives NaN.

    Returns
    -------
    ndarray
        B-V, magnitudes, same shape; rises steadily with BT-VT.

    Notes
    -----
    Mamajek, Meyer & Liebert 2002 (AJ 124, 1670), appendix C: one cubic for blue stars and one for
    red stars. They differ by 0.014 mag where they meet, at BT-VT = 0.5, and are blended over
    0.4..0.6. The trim on top is ours: see the head of this module.
    """
    x = np.clip(np.asarray(bt_vt_mag, dtype=float), *BT_VT_RANGE_MAG)
    blue = x - 0.006 - 1.069e-1 * x + 1.459e-1 * x**2
    red = x - 7.813e-3 * x - 1.489e-1 * x**2 + 3.384e-2 * x**3
    share_of_red = np.clip((x - 0.4) / 0.2, 0.0, 1.0)
    return (
        (1 - share_of_red) * blue
        + share_of_red * red
        + np.interp(x, _TRIM_BT_VT_MAG, _TRIM_BV_MAG)
    )


def bv_slope(bt_vt_mag: np.ndarray) -> np.ndarray:
    """How fast B-V grows with BT-VT, to carry errors over.

    Parameters
    ----------
    bt_vt_mag : array_like
        BT-VT, magnitudes. Beyond the range of the map: the slope at its end.

    Returns
    -------
    ndarray
        d(B-V) / d(BT-VT), same shape.
    """
    half_step = 0.05  # wide enough to smooth the joints of the map
    low, high = BT_VT_RANGE_MAG
    x = np.clip(np.asarray(bt_vt_mag, dtype=float), low + half_step, high - half_step)
    return (bv_from_tycho(x + half_step) - bv_from_tycho(x - half_step)) / (2 * half_step)


def v_from_tycho(vt_mag: np.ndarray, bt_vt_mag: np.ndarray) -> np.ndarray:
    """Johnson V from Tycho VT and BT-VT.

    Parameters
    ----------
    vt_mag, bt_vt_mag : array_like
        Magnitudes; the colour is held at -0.35 and 2.2 beyond these.

    Returns
    -------
    ndarray
        V, magnitudes. ESA 1997 (SP-1200), vol. 1, section 1.3, equation 1.3.33. Median minus the
        Yale Bright Star table -0.003 .. -0.014 mag in every colour bin, scatter 0.017.
    """
    x = np.clip(np.asarray(bt_vt_mag, dtype=float), -0.35, 2.2)
    return np.asarray(vt_mag) + 0.0036 - 0.1284 * x + 0.0442 * x**2 - 0.0150 * x**3


def v_from_hipparcos(hp_mag: np.ndarray, bv_mag: np.ndarray) -> np.ndarray:
    """Johnson V from Hipparcos Hp and B-V.

    Parameters
    ----------
    hp_mag, bv_mag : array_like
        Magnitudes; the colour is held at -0.3 and 1.9 beyond these.

    Returns
    -------
    ndarray
        V, magnitudes. Fitted here to 24 000 single, steady Hipparcos stars with `v_from_tycho` of 4
        < VT < 8; the medians left in bins of 0.2 mag of B-V are below 0.003 mag up to 1.7, and
        0.013 mag beyond.
    """
    x = np.clip(np.asarray(bv_mag, dtype=float), *_BV_RANGE_MAG)
    return np.asarray(hp_mag) + np.polynomial.polynomial.polyval(x, _V_MINUS_HP)


def bv_from_gaia(bp_rp_mag: np.ndarray) -> np.ndarray:
    """Johnson B-V of a dwarf from Gaia's BP-RP.

    Parameters
    ----------
    bp_rp_mag : array_like
        BP-RP, magnitudes; valid in `BP_RP_RANGE_MAG`.

    Returns
    -------
    ndarray
        B-V, magnitudes, same shape; NaN outside the range (never extrapolated) and for NaN.

    Notes
    -----
    A cubic fitted to 44 rows, B9V to K9V, of the mean dwarf colours of Pecaut & Mamajek 2013 (ApJS
    208, 9), table 5 as extended by Mamajek: rms 0.014, worst 0.041 mag. Giants lie 0.04 to 0.06 mag
    off it. The difference of the G-V and G-B polynomials of Riello et al. 2021 (A&A 649, A3) comes
    out 0.041 mag too blue on average for the same dwarfs.
    """
    x = np.asarray(bp_rp_mag, dtype=float)
    low, high = BP_RP_RANGE_MAG
    return np.where(
        (x > low) & (x < high), np.polynomial.polynomial.polyval(x, _BV_OF_BP_RP), np.nan
    )


def bv_slope_gaia(bp_rp_mag: np.ndarray) -> np.ndarray:
    """How fast B-V grows with BP-RP, to carry errors over.

    Parameters
    ----------
    bp_rp_mag : array_like
        BP-RP, magnitudes. Beyond the range: the slope at its end.

    Returns
    -------
    ndarray
        d(B-V) / d(BP-RP), same shape.
    """
    x = np.clip(np.asarray(bp_rp_mag, dtype=float), *BP_RP_RANGE_MAG)
    return np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyder(_BV_OF_BP_RP))


def v_from_gaia(g_mag: np.ndarray, bp_rp_mag: np.ndarray) -> np.ndarray:
    """Johnson V from Gaia's G and BP-RP.

    Parameters
    ----------
    g_mag, bp_rp_mag : array_like
        Magnitudes; the colour is held at -0.5 and 5.0 beyond these.

    Returns
    -------
    ndarray
        V, magnitudes; scatter 0.030. Riello et al. 2021 (A&A 649, A3), table C.2, G-V from BP-RP.
    """
    x = np.clip(np.asarray(bp_rp_mag, dtype=float), -0.5, 5.0)
    return np.asarray(g_mag) - np.polynomial.polynomial.polyval(x, _G_MINUS_V)
