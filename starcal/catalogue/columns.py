"""What the columns of each deeper catalogue mean: other people's names in, Johnson V and B-V
out."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from astropy.table import Table
from scipy.spatial import cKDTree

from ..errors import CatalogueIncomplete
from . import CatalogueStars, unit_vectors
from .embedded import bv_error_model
from .johnson import (
    BT_VT_RANGE_MAG,
    bv_from_gaia,
    bv_from_tycho,
    bv_slope,
    bv_slope_gaia,
    v_from_gaia,
    v_from_tycho,
)
from .request import FieldRequest

__all__ = [
    "ALIASES",
    "catalogue_stars",
    "find_column",
    "has_neighbour",
    "no_rows",
    "numbers",
    "plain_table",
    "wanted_columns",
]

# Our name: the spellings of the service, the one to ask for first. Spellings changed with releases
# of the services and of their client; case never matters.
ALIASES: dict[str, dict[str, tuple[str, ...]]] = {
    "gaia": {
        "ra_deg": ("ra",),
        "dec_deg": ("dec",),
        "pmra_mas_yr": ("pmra",),
        "pmdec_mas_yr": ("pmdec",),
        "parallax_mas": ("parallax",),
        "parallax_over_error": ("parallax_over_error",),
        "g_mag": ("phot_g_mean_mag", "gmag"),
        "bp_mag": ("phot_bp_mean_mag", "bpmag"),
        "rp_mag": ("phot_rp_mean_mag", "rpmag"),
        "bp_snr": ("phot_bp_mean_flux_over_error",),
        "rp_snr": ("phot_rp_mean_flux_over_error",),
    },
    "apass": {
        "ra_deg": ("RAJ2000", "_RAJ2000", "ra"),
        "dec_deg": ("DEJ2000", "_DEJ2000", "dec"),
        "v_mag": ("Vmag", "Johnson_V", "V"),
        "bv_mag": ("B-V", "B_V", "BV"),
        "bv_error_mag": ("e_B-V", "e_B_V", "e_BV"),
    },
    "tycho2-online": {
        "ra_deg": ("RAmdeg", "RAm_deg"),
        "dec_deg": ("DEmdeg", "DEm_deg"),
        "ra_seen_deg": ("RA(ICRS)", "RA_ICRS_", "RA_ICRS", "RAdeg"),
        "dec_seen_deg": ("DE(ICRS)", "DE_ICRS_", "DE_ICRS", "DEdeg"),
        "pmra_mas_yr": ("pmRA", "pm_RA"),
        "pmdec_mas_yr": ("pmDE", "pm_DE"),
        "bt_mag": ("BTmag", "BT"),
        "bt_error_mag": ("e_BTmag", "e_BT"),
        "vt_mag": ("VTmag", "VT"),
        "vt_error_mag": ("e_VTmag", "e_VT"),
        "hip": ("HIP",),
    },
}
EPOCH_YR = {"gaia": 2016.0, "apass": 2012.5, "tycho2-online": 2000.0}
NAMES = {"gaia": "Gaia DR3", "apass": "APASS DR9", "tycho2-online": "Tycho-2 (online)"}
COMPLETE_MAG = {"gaia": 19.0, "apass": 16.0, "tycho2-online": 11.0}
SHARPNESS_ARCSEC = {
    "gaia": 4.0,
    "apass": 10.0,
    "tycho2-online": 10.0,
}  # closer stars share the light of a colour
RIVAL_MAG = 2.5  # a neighbour fainter by more has less than a tenth of the light

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
# Errors of B-V from the errors of B and V that APASS DR9 reaches: 0.02 to V 13.5, 0.05 to 0.1 at V
# 16 to 17.
_APASS_V_MAG, _APASS_BV_ERROR_MAG = (
    (10.0, 13.5, 15.0, 16.0, 17.0),
    (0.03, 0.03, 0.05, 0.08, 0.14),
)


def wanted_columns(catalogue: str) -> list[str]:
    """Names to ask a service for."""
    return [spellings[0] for spellings in ALIASES[catalogue].values()]


def find_column(names: list[str], spellings: tuple[str, ...]) -> str | None:
    """The first of the names that is one of the spellings, whatever their case."""
    by_lower_case = {name.lower(): name for name in reversed(names)}
    return next(
        (by_lower_case[s.lower()] for s in spellings if s.lower() in by_lower_case), None
    )


def plain_table(received: Table, catalogue: str) -> Table:
    """Rename a service's columns to ours and turn masked values into NaN.

    Parameters
    ----------
    received : Table
        As the service's client gave it.
    catalogue : str
        One of `request.SERVICES`.

    Returns
    -------
    Table
        Plain float columns; rows without a position are gone.

    Raises
    ------
    CatalogueIncomplete
        A column is missing under all its known names.
    """
    found = _found_columns(received, catalogue)
    plain = Table({ours: numbers(received[theirs]) for ours, theirs in found.items()})
    for name in plain.colnames:
        if name not in ("ra_deg", "dec_deg", "ra_seen_deg", "dec_seen_deg"):
            plain[name] = plain[name].astype(np.float32)  # exact enough, and short as text
    if catalogue == "tycho2-online":
        for axis in ("ra", "dec"):
            blank = np.isnan(plain[f"{axis}_deg"])
            plain[f"{axis}_deg"][blank] = plain[f"{axis}_seen_deg"][blank]
        plain.remove_columns(["ra_seen_deg", "dec_seen_deg"])
    return plain[np.isfinite(plain["ra_deg"]) & np.isfinite(plain["dec_deg"])]


def no_rows(catalogue: str) -> Table:
    """A plain table without rows."""
    return Table(
        {name: np.zeros(0, np.float32) for name in ALIASES[catalogue] if "_seen_" not in name}
    )


def numbers(column) -> np.ndarray:
    """A column as float64, NaN where it is masked."""
    values = np.ma.asarray(getattr(column, "value", column))
    return np.ma.filled(values.astype(float), np.nan)


def _found_columns(received: Table, catalogue: str) -> dict[str, str]:
    """What a service calls each of our columns."""
    found, missing = {}, []
    for ours, usual in ALIASES[catalogue].items():
        theirs = find_column(received.colnames, usual)
        if theirs is None:
            missing.append(usual[0])
        else:
            found[ours] = theirs
    if missing:
        raise CatalogueIncomplete(
            f"{NAMES[catalogue]} came without its column {', '.join(missing)}; it has "
            f"{', '.join(received.colnames)}. "
            "The service may have renamed it: use another one with --catalogue, or embedded"
        )
    return found


def catalogue_stars(table: Table, request: FieldRequest) -> CatalogueStars:
    """Turn a plain table of a service into stars with Johnson V and B-V.

    Parameters
    ----------
    table : Table
        From `plain_table`.
    request : FieldRequest
        What was asked.

    Returns
    -------
    CatalogueStars
        At the catalogue's own epoch; `bv_mag` is NaN outside the range of the catalogue's relation.
    """
    columns = {name: np.asarray(table[name], float) for name in table.colnames}
    photometry = _photometry(columns, request.catalogue)
    n = len(table)
    pmra = columns.get("pmra_mas_yr", np.full(n, np.nan))
    pmdec = columns.get("pmdec_mas_yr", np.full(n, np.nan))
    still = ~np.isfinite(pmra) | ~np.isfinite(pmdec)
    return CatalogueStars(
        ra_deg=columns["ra_deg"],
        dec_deg=columns["dec_deg"],
        pmra_mas_yr=np.where(still, 0.0, pmra).astype(np.float32),
        pmdec_mas_yr=np.where(still, 0.0, pmdec).astype(np.float32),
        no_pm=still,
        double=has_neighbour(
            columns["ra_deg"],
            columns["dec_deg"],
            photometry["v_mag"],
            SHARPNESS_ARCSEC[request.catalogue],
        ),
        hip=np.nan_to_num(columns.get("hip", np.zeros(n))).astype(np.int32),
        name=NAMES[request.catalogue],
        limit_mag=min(request.limit_mag, COMPLETE_MAG[request.catalogue]),
        epoch_yr=EPOCH_YR[request.catalogue],
        **photometry,
    )


def _photometry(columns: Mapping[str, np.ndarray], catalogue: str) -> dict[str, np.ndarray]:
    """V, B-V and what is known of its error, as `CatalogueStars` has them."""
    of_catalogue = {"gaia": _gaia, "apass": _apass, "tycho2-online": _tycho2}[catalogue]
    return {
        name: values.astype(bool if name == "bv_clamped" else np.float32)
        for name, values in of_catalogue(columns).items()
    }


def _gaia(columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    bp_rp = columns["bp_mag"] - columns["rp_mag"]
    bv = bv_from_gaia(bp_rp)
    noise = np.hypot(1 / columns["bp_snr"], 1 / columns["rp_snr"])
    noise_mag = 2.5 / np.log(10) * noise * bv_slope_gaia(bp_rp)
    kind_mag = np.where(_maybe_giant(columns, bp_rp), GIANT_BV_ERROR_MAG, DWARF_BV_ERROR_MAG)
    v = v_from_gaia(columns["g_mag"], np.where(np.isfinite(bp_rp), bp_rp, TYPICAL_BP_RP_MAG))
    return {
        "v_mag": v,
        "bv_mag": bv,
        "bv_clamped": np.isfinite(bp_rp) & ~np.isfinite(bv),
        "bv_error_mag": np.where(np.isfinite(bv), np.hypot(noise_mag, kind_mag), np.nan),
        "bv_fit_error_mag": np.hypot(kind_mag, gaia_noise_mag(v)),
    }


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


def _apass(columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    error = columns["bv_error_mag"]
    return {
        "v_mag": columns["v_mag"],
        "bv_mag": columns["bv_mag"],
        "bv_clamped": np.zeros(len(error), bool),
        "bv_error_mag": np.where(
            error > 0, error, np.nan
        ),  # 0: seen in one night, error unknown
        "bv_fit_error_mag": np.interp(columns["v_mag"], _APASS_V_MAG, _APASS_BV_ERROR_MAG),
    }


def _tycho2(columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    bt_vt = columns["bt_mag"] - columns["vt_mag"]
    low, high = BT_VT_RANGE_MAG
    outside = (bt_vt < low) | (bt_vt > high)
    bv = np.where(outside, np.nan, bv_from_tycho(bt_vt))
    v = v_from_tycho(
        columns["vt_mag"], np.where(np.isfinite(bt_vt), bt_vt, 0.76)
    )  # the typical colour
    error = np.hypot(columns["bt_error_mag"], columns["vt_error_mag"]) * bv_slope(bt_vt)
    return {
        "v_mag": v,
        "bv_mag": bv,
        "bv_clamped": outside,
        "bv_error_mag": error,
        "bv_fit_error_mag": bv_error_model(v),
    }


NEIGHBOURS_SEEN = (
    16  # of a star are looked at; with so many so close its colour is mixed anyway
)


def has_neighbour(
    ra_deg: np.ndarray, dec_deg: np.ndarray, v_mag: np.ndarray, within_arcsec: float
) -> np.ndarray:
    """Stars with another one so close, and bright enough, that their colours mix.

    Parameters
    ----------
    ra_deg, dec_deg, v_mag : (N,) array_like
    within_arcsec : float

    Returns
    -------
    (N,) bool
        The neighbour is at most 2.5 mag fainter.
    """
    if len(ra_deg) < 2:
        return np.zeros(len(ra_deg), bool)
    v_mag = np.append(v_mag, np.nan)  # of a neighbour that there is not
    places = unit_vectors(ra_deg, dec_deg)
    reach = 2 * np.sin(np.radians(within_arcsec / 3600) / 2)
    count = min(NEIGHBOURS_SEEN, len(places))
    _, near = cKDTree(places).query(places, k=count, distance_upper_bound=reach)
    itself = near == np.arange(len(places))[:, None]
    rival = (v_mag[near] < v_mag[:-1, None] + RIVAL_MAG) & ~itself
    crowded = (near[:, -1] < len(places)) & (count == NEIGHBOURS_SEEN)
    return rival.any(axis=1) | crowded
