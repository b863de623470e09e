"""B-V of Gaia's stars: from their spectra, from BP-RP where there are none, from Tycho-2 where they
are too bright."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from . import CatalogueStars, unit_vectors
from .dust import BY_BP_RP, BY_SPECTRA, BY_TYCHO
from .embedded import bv_error_model, cone
from .johnson import bv_from_gaia, bv_slope_gaia, v_from_gaia

__all__ = ["BRIGHTEST_G_MAG", "gaia_photometry", "good_spectra", "with_bright_of_tycho"]

TYPICAL_BP_RP_MAG = 0.8
DWARF_BV_ERROR_MAG = (
    0.02  # 0.014 of the relation itself, and as much for differences of metallicity
)
GIANT_BV_ERROR_MAG = 0.05  # giants lie 0.04 to 0.06 off the dwarfs' relation
REDDEST_SURE_DWARF_MAG = 0.85  # BP-RP; redder stars may be giants
FAINTEST_GIANT_MAG = (
    4.5  # absolute G: below the foot of the giant branch, above the dwarfs as red
)
SURE_PARALLAX = 10.0  # times its error: the absolute magnitude is then good to 0.2
# B-V of Gaia's synthetic photometry (Montegriffo et al. 2023, A&A 674, A33): scatter about the
# standards that it was put on, whose colours are the range in which it holds (Landolt 2009, AJ 137,
# 4186)
SPECTRA_BV_ERROR_MAG = 0.02
SPECTRA_BV_RANGE_MAG = (-0.35, 2.30)
SPECTRA_NOISE = 2.0  # times that of BP-RP: its stars have 3 % in B, or better, at G 17.65
SPECTRA_FAINTEST_G_MAG = 17.65
BRIGHTEST_G_MAG = 10.7  # brighter stars have their colour from Tycho-2
TYCHO_FAINTEST_V_MAG = BRIGHTEST_G_MAG + 1.5  # of such a star, as red as they are
GAIA_MISSES_V_MAG = 5.0  # Gaia lacks some of the stars brighter than this
SAME_STAR_ARCSEC = 2.0
COLOUR_COLUMNS = (
    "v_mag",
    "bv_mag",
    "bv_error_mag",
    "bv_fit_error_mag",
    "bv_clamped",
    "bv_source",
    "hip",
)


def gaia_photometry(columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """V and B-V of Gaia's stars: from their spectra where these are good, else from BP-RP.

    Parameters
    ----------
    columns : mapping
        Those of `mirrors.GAIA_SOURCES`, and of `mirrors.GAIA_SYNTHETIC` where there are any; (N,)
        float.

    Returns
    -------
    dict of str to (N,) ndarray
        As `CatalogueStars` has them; errors without dust, see `with_dust`.
    """
    relation = _by_bp_rp(columns)
    if "c_star" not in columns:
        return relation
    spectra = _by_spectra(columns, relation["v_mag"])
    good = good_spectra(columns)
    return {name: np.where(good, spectra[name], relation[name]) for name in relation}


def good_spectra(columns: Mapping[str, np.ndarray]) -> np.ndarray:
    """Stars whose synthetic B and V hold: both flags 1, an excess of BP and RP over G within three
    of its scatters (Riello et al. 2021, A&A 649, A3, equation 18), and the range of the
    standards."""
    g = columns["g_mag"]
    bv = columns["b_jkc_mag"] - columns["v_jkc_mag"]
    low, high = SPECTRA_BV_RANGE_MAG
    excess_scatter = 0.0059898 + 8.817481e-12 * np.abs(g) ** 7.618399
    flagged = (columns["b_jkc_flag"] == 1) & (columns["v_jkc_flag"] == 1)
    in_range = (bv >= low) & (bv <= high) & (g <= SPECTRA_FAINTEST_G_MAG)
    return flagged & in_range & (np.abs(columns["c_star"]) < 3 * excess_scatter)


def _by_spectra(columns: Mapping[str, np.ndarray], v_mag: np.ndarray) -> dict[str, np.ndarray]:
    """Straight from Gaia's synthetic photometry."""
    relative = np.hypot(
        columns["b_jkc_flux_error"] / columns["b_jkc_flux"],
        columns["v_jkc_flux_error"] / columns["v_jkc_flux"],
    )
    smooth_mag = SPECTRA_NOISE * gaia_noise_mag(v_mag)
    return {
        "v_mag": columns["v_jkc_mag"],
        "bv_mag": columns["b_jkc_mag"] - columns["v_jkc_mag"],
        "bv_clamped": np.zeros(len(v_mag), bool),
        "bv_error_mag": np.hypot(2.5 / np.log(10) * relative, SPECTRA_BV_ERROR_MAG),
        "bv_fit_error_mag": np.hypot(smooth_mag, SPECTRA_BV_ERROR_MAG),
        "bv_source": np.full(len(v_mag), BY_SPECTRA),
    }


def _by_bp_rp(columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    bp_rp = columns["bp_mag"] - columns["rp_mag"]
    bv = bv_from_gaia(bp_rp)
    kind_mag = np.where(_maybe_giant(columns, bp_rp), GIANT_BV_ERROR_MAG, DWARF_BV_ERROR_MAG)
    v = v_from_gaia(columns["g_mag"], np.where(np.isfinite(bp_rp), bp_rp, TYPICAL_BP_RP_MAG))
    return {
        "v_mag": v,
        "bv_mag": bv,
        "bv_clamped": np.isfinite(bp_rp) & ~np.isfinite(bv),
        "bv_error_mag": np.where(
            np.isfinite(bv), np.hypot(_noise_of(columns, bp_rp), kind_mag), np.nan
        ),
        "bv_fit_error_mag": np.hypot(kind_mag, gaia_noise_mag(v)),
        "bv_source": np.full(len(v), BY_BP_RP),
    }


def _noise_of(columns: Mapping[str, np.ndarray], bp_rp_mag: np.ndarray) -> np.ndarray:
    """That of B-V by the noise of BP and RP, mag."""
    relative = np.hypot(1 / columns["bp_snr"], 1 / columns["rp_snr"])
    return 2.5 / np.log(10) * relative * bv_slope_gaia(bp_rp_mag)


def with_bright_of_tycho(
    stars: CatalogueStars, bright: np.ndarray, circle: tuple[float, float, float]
) -> CatalogueStars:
    """Gaia's stars with the bright ones as Tycho-2 has them, and the brightest that Gaia lacks.

    Parameters
    ----------
    stars : CatalogueStars
        With `bv_source` and `bv_fit_error_mag`.
    bright : (N,) bool
        Those whose B-V is to be Tycho's.
    circle : tuple of float
        RA, Dec and radius, degrees.

    Returns
    -------
    CatalogueStars
    """
    tycho = cone(*circle, epoch_yr=stars.epoch_yr, limit_mag=TYCHO_FAINTEST_V_MAG)
    tycho = tycho.select(np.isfinite(tycho.bv_mag) & ~tycho.bv_clamped)
    if not len(tycho):
        return stars
    row = _same_star(stars, tycho)
    lacking = tycho.v_mag < GAIA_MISSES_V_MAG
    lacking[row[row >= 0]] = False
    coloured = _with_colours_of(stars, tycho, np.where(bright, row, -1))
    return _joined_with(coloured, tycho.select(lacking))


def _same_star(stars: CatalogueStars, tycho: CatalogueStars) -> np.ndarray:
    """Row of each star among Tycho's, -1 for none."""
    if not len(stars):
        return np.zeros(0, int)
    places = cKDTree(unit_vectors(tycho.ra_deg, tycho.dec_deg))
    apart, row = places.query(unit_vectors(stars.ra_deg, stars.dec_deg))
    return np.where(apart <= 2 * np.sin(np.radians(SAME_STAR_ARCSEC / 3600) / 2), row, -1)


def _with_colours_of(
    stars: CatalogueStars, tycho: CatalogueStars, row: np.ndarray
) -> CatalogueStars:
    """Stars with Tycho's V and B-V where a row of it is named, -1 for none."""
    tycho = _ready_to_join(tycho)
    changed: dict[str, Any] = {
        name: np.where(row >= 0, getattr(tycho, name)[row], getattr(stars, name))
        for name in COLOUR_COLUMNS
    }
    return replace(stars, **changed)


def _ready_to_join(tycho: CatalogueStars) -> CatalogueStars:
    return replace(
        tycho,
        bv_fit_error_mag=bv_error_model(tycho.v_mag).astype(np.float32),
        bv_source=np.full(len(tycho), BY_TYCHO),
    )


def _joined_with(stars: CatalogueStars, tycho: CatalogueStars) -> CatalogueStars:
    """Stars of Gaia, and after them those of Tycho-2."""
    if not len(tycho):
        return stars
    tycho = _ready_to_join(tycho)
    joined: dict[str, Any] = {
        f.name: np.concatenate([getattr(stars, f.name), getattr(tycho, f.name)])
        for f in fields(stars)
        if isinstance(getattr(stars, f.name), np.ndarray)
    }
    return replace(stars, **joined)


def gaia_noise_mag(v_mag: np.ndarray) -> np.ndarray:
    """Noise of BP-RP as a smooth function of V: 0.9 and 0.6 mmag to V 13, 12 and 6 at 17, 108 and
    52 at 20."""
    return 10 ** np.interp(v_mag, (13.0, 17.0, 20.0), np.log10([0.0011, 0.0134, 0.120]))


def _maybe_giant(columns: Mapping[str, np.ndarray], bp_rp_mag: np.ndarray) -> np.ndarray:
    """Red stars that their parallax does not show to be dwarfs."""
    known = columns["parallax_over_error"] > SURE_PARALLAX
    absolute_mag = columns["g_mag"] + 5 * np.log10(
        np.where(known, columns["parallax_mas"], np.nan) / 100
    )
    return (bp_rp_mag > REDDEST_SURE_DWARF_MAG) & ~(absolute_mag > FAINTEST_GIANT_MAG)
