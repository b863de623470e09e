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
from .gaia import BRIGHTEST_G_MAG, gaia_photometry, with_bright_of_tycho
from .johnson import (
    BT_VT_RANGE_MAG,
    bv_from_tycho,
    bv_slope,
    v_from_tycho,
)
from .mirrors import GAIA_SYNTHETIC, TABLES
from .request import FieldRequest

__all__ = [
    "catalogue_stars",
    "find_column",
    "has_neighbour",
    "no_rows",
    "numbers",
    "plain_table",
]

OPTIONAL = frozenset(GAIA_SYNTHETIC.columns)  # a service may lack that table
EPOCH_YR = {"gaia": 2016.0, "apass": 2012.5, "tycho2-online": 2000.0}
NAMES = {"gaia": "Gaia DR3", "apass": "APASS DR9", "tycho2-online": "Tycho-2 (online)"}
COMPLETE_MAG = {"gaia": 19.0, "apass": 16.0, "tycho2-online": 11.0}
SHARPNESS_ARCSEC = {
    "gaia": 4.0,
    "apass": 10.0,
    "tycho2-online": 10.0,
}  # closer stars share the light of a colour
RIVAL_MAG = 2.5  # a neighbour fainter by more has less than a tenth of the light

# Errors of B-V from the errors of B and V that APASS DR9 reaches: 0.02 to V 13.5, 0.05 to 0.1 at V
# 16 to 17.
_APASS_V_MAG, _APASS_BV_ERROR_MAG = (
    (10.0, 13.5, 15.0, 16.0, 17.0),
    (0.03, 0.03, 0.05, 0.08, 0.14),
)


def find_column(names: list[str], spellings: tuple[str, ...]) -> str | None:
    """The first of the names that is one of the spellings, whatever their case."""
    by_lower_case = {name.lower(): name for name in reversed(names)}
    return next(
        (by_lower_case[s.lower()] for s in spellings if s.lower() in by_lower_case), None
    )


def plain_table(received: Table, catalogue: str) -> Table:
    """Turn masked values into NaN, and leave one place a star.

    Parameters
    ----------
    received : Table
        Under our names, as the service gave it.
    catalogue : str
        One of `request.SERVICES`.

    Returns
    -------
    Table
        Plain float columns; rows without a position are gone.

    Raises
    ------
    CatalogueIncomplete
        A column is missing.
    """
    _require_columns(received, catalogue)
    plain = Table()
    for ours in own_names(catalogue):
        theirs = find_column(received.colnames, (ours,))
        if theirs is not None:
            kind = (
                float if ours.endswith("_deg") else np.float32
            )  # exact enough, and short as text
            plain[ours] = numbers(received[theirs]).astype(kind)
    if catalogue == "tycho2-online":
        _fill_places(plain)
    return plain[np.isfinite(plain["ra_deg"]) & np.isfinite(plain["dec_deg"])]


def _require_columns(received: Table, catalogue: str) -> None:
    expected = [name for name in own_names(catalogue) if name not in OPTIONAL]
    missing = [name for name in expected if find_column(received.colnames, (name,)) is None]
    if missing:
        raise CatalogueIncomplete(
            f"{NAMES[catalogue]} came without its column {', '.join(missing)}; it has "
            f"{', '.join(received.colnames)}. Use another one with --catalogue, or embedded"
        )


def _fill_places(plain: Table) -> None:
    """Stars without a mean place stand where Tycho-2 saw them."""
    for axis in ("ra", "dec"):
        blank = np.isnan(plain[f"{axis}_deg"])
        plain[f"{axis}_deg"][blank] = plain[f"{axis}_seen_deg"][blank]
    plain.remove_columns(["ra_seen_deg", "dec_seen_deg"])


def own_names(catalogue: str) -> list[str]:
    """Our names of all columns of a catalogue's tables."""
    return [ours for table in TABLES[catalogue] for ours in table.columns]


def no_rows(catalogue: str) -> Table:
    """A plain table without rows."""
    names = [name for name in own_names(catalogue) if "_seen_" not in name]
    return Table({name: np.zeros(0, np.float32) for name in names})


def numbers(column) -> np.ndarray:
    """A column as float64, NaN where it is masked or larger than single precision can tell."""
    values = np.ma.asarray(getattr(column, "value", column))
    plain = np.ma.filled(values.astype(float), np.nan)
    return np.where(np.abs(plain) <= np.finfo(np.float32).max, plain, np.nan)


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
    stars = _as_stars(columns, request)
    if request.catalogue != "gaia":
        return stars
    circle = (request.ra_deg, request.dec_deg, request.radius_deg)
    return with_bright_of_tycho(stars, columns["g_mag"] < BRIGHTEST_G_MAG, circle)


def _as_stars(columns: Mapping[str, np.ndarray], request: FieldRequest) -> CatalogueStars:
    photometry = _photometry(columns, request.catalogue)
    ra_deg, dec_deg = columns["ra_deg"], columns["dec_deg"]
    sharpness = SHARPNESS_ARCSEC[request.catalogue]
    return CatalogueStars(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        double=has_neighbour(ra_deg, dec_deg, photometry["v_mag"], sharpness),
        hip=np.nan_to_num(columns.get("hip", np.zeros(len(ra_deg)))).astype(np.int32),
        name=NAMES[request.catalogue],
        limit_mag=min(request.limit_mag, COMPLETE_MAG[request.catalogue]),
        epoch_yr=EPOCH_YR[request.catalogue],
        **_known_motions(columns),
        **photometry,
    )


def _known_motions(columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Proper motions, as `CatalogueStars` has them."""
    unknown = np.full(len(columns["ra_deg"]), np.nan)
    pmra = columns.get("pmra_mas_yr", unknown)
    pmdec = columns.get("pmdec_mas_yr", unknown)
    still = ~np.isfinite(pmra) | ~np.isfinite(pmdec)
    return {
        "pmra_mas_yr": np.where(still, 0.0, pmra).astype(np.float32),
        "pmdec_mas_yr": np.where(still, 0.0, pmdec).astype(np.float32),
        "no_pm": still,
    }


def _photometry(columns: Mapping[str, np.ndarray], catalogue: str) -> dict[str, np.ndarray]:
    """V, B-V and what is known of its error, as `CatalogueStars` has them."""
    of_catalogue = {"gaia": gaia_photometry, "apass": _apass, "tycho2-online": _tycho2}
    kinds = {"bv_clamped": np.dtype(bool), "bv_source": np.dtype("U8")}
    return {
        name: values.astype(kinds.get(name, np.dtype(np.float32)))
        for name, values in of_catalogue[catalogue](columns).items()
    }


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
    near = _nearest_within(unit_vectors(ra_deg, dec_deg), within_arcsec)
    v_mag = np.append(v_mag, np.nan)  # of a neighbour that there is not
    itself = near == np.arange(len(ra_deg))[:, None]
    rival = (v_mag[near] < v_mag[:-1, None] + RIVAL_MAG) & ~itself
    crowded = (near[:, -1] < len(ra_deg)) & (near.shape[1] == NEIGHBOURS_SEEN)
    return rival.any(axis=1) | crowded


def _nearest_within(places: np.ndarray, within_arcsec: float) -> np.ndarray:
    """Rows of the nearest places so close to each, itself among them, (N, K); N for none."""
    reach = 2 * np.sin(np.radians(within_arcsec / 3600) / 2)
    count = min(NEIGHBOURS_SEEN, len(places))
    _, near = cKDTree(places).query(places, k=count, distance_upper_bound=reach)
    return near
