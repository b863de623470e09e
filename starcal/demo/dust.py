"""Dust before made stars: what it does to their light in each band."""

import numpy as np

# Magnitudes relative to V per mag of E(B-V): a + b E(B-V) + c (B-V without dust), fitted to the
# spectra of Pickles 1998 behind E(B-V) 0 to 1.4, rms 0.002 to 0.01; made by
# tests/reference/dust_through_bands.py. The laws differ by 7 % in red, which is all of what dust
# does to gains there.
LAWS = {
    "Cardelli 1989": {
        "camera_R": (-0.229, -0.037, -0.094),
        "camera_G": (0.179, -0.021, -0.036),
        "camera_B": (0.675, 0.003, 0.015),
        "mono_R": (-0.525, -0.008, -0.036),
        "mono_G": (0.091, 0.017, 0.035),
        "mono_B": (0.825, 0.009, 0.033),
        "H": (-0.619, -0.001, -0.019),
        "O": (0.319, 0.047, 0.098),
        "S": (-0.695, -0.004, -0.029),
    },
    "Fitzpatrick 1999": {
        "camera_R": (-0.294, -0.028, -0.090),
        "camera_G": (0.194, -0.024, -0.039),
        "camera_B": (0.715, -0.002, 0.010),
        "mono_R": (-0.635, 0.013, -0.021),
        "mono_G": (0.109, 0.019, 0.038),
        "mono_B": (0.848, 0.010, 0.034),
        "H": (-0.750, 0.025, 0.001),
        "O": (0.378, 0.047, 0.100),
        "S": (-0.836, 0.024, -0.007),
    },
}
# By how much Tycho-2's B-V is then too blue, per mag of E(B-V): made by
# tests/reference/dust_in_catalogues.py
TYCHO_OFF_PER_EBV = {"Cardelli 1989": 0.07, "Fitzpatrick 1999": 0.10}
BLUEST_TENTH_BV_MAG = -0.2  # of a field's stars, without dust: B3 dwarfs
# Half of the Galaxy's layer: 0.1 mag of V towards the poles, where 0.05 (Schlegel et al. 1998, ApJ
# 500, 525) to 0.15 (Bahcall & Soneira 1980, ApJS 44, 73) are told, 0.1 kpc high. Stars of V 10.5
# stand behind so much of it; clouds make it twice as much, or half.
POLE_EBV_MAG, HEIGHT_KPC = 0.1 / 3.1, 0.1
STARS_KPC = 0.4
CLOUDS_LN = 0.7


def dust_mags(
    bands: tuple[str, ...], ebv_mag: np.ndarray, bare_bv_mag: np.ndarray, law: str
) -> np.ndarray:
    """What dust of E(B-V) does to magnitudes relative to V.

    Parameters
    ----------
    bands : tuple of str
        Columns of `spectra.star_bands`.
    ebv_mag : ndarray, (stars,)
        0 or more. A star seen at B-V was born at B-V less this.
    bare_bv_mag : ndarray, (stars,)
        B-V without dust.
    law : str
        One of `LAWS`.

    Returns
    -------
    ndarray, (stars, bands)
        Added to `spectra.band_mags` of the star without dust.
    """
    terms = np.array([LAWS[law][band.rstrip("357")] for band in bands])
    of_star = np.column_stack([np.ones_like(ebv_mag), ebv_mag, bare_bv_mag])
    return np.asarray(ebv_mag, float)[:, None] * (of_star @ terms.T)


def usual_dust(latitude_deg: float, rng: np.random.Generator) -> float:
    """E(B-V) before the stars of some field.

    Parameters
    ----------
    latitude_deg : float
        Galactic.
    rng : numpy.random.Generator
        Fixes its clouds.

    Returns
    -------
    float
    """
    rise = max(abs(np.sin(np.radians(latitude_deg))), 1e-3)
    layer_mag = POLE_EBV_MAG / rise * -np.expm1(-STARS_KPC * rise / HEIGHT_KPC)
    return float(layer_mag * np.exp(CLOUDS_LN * rng.standard_normal()))


def thickest_dust(bv_mag: np.ndarray) -> float:
    """Most E(B-V) that a field's stars, as they are seen, can all lie behind.

    Parameters
    ----------
    bv_mag : ndarray, (stars,)
        As observed; NaN where not known.

    Returns
    -------
    float
        Behind more, more than a tenth of its stars would be bluer than B3 dwarfs.
    """
    known = bv_mag[np.isfinite(bv_mag)]
    if not len(known):
        return np.inf
    return max(0.0, float(np.quantile(known, 0.1)) - BLUEST_TENTH_BV_MAG)
