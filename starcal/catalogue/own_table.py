"""The user's own table of stars: ECSV, FITS, VOTable or CSV, its columns found by name or named by
the user."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import Table

from ..errors import CatalogueError, CatalogueIncomplete
from ..inputs import require_file
from . import CatalogueStars
from .columns import find_column, has_neighbour, numbers
from .johnson import bv_from_gaia, v_from_gaia

__all__ = ["SPELLINGS", "parse_mapping", "read_own_table"]

# What a column may stand for: names by which it is found when the user names none. Case does not
# matter.
SPELLINGS: dict[str, tuple[str, ...]] = {
    "ra": ("ra", "ra_deg", "raj2000", "_raj2000", "ra_icrs", "ra(icrs)", "ramdeg", "alpha"),
    "dec": (
        "dec",
        "dec_deg",
        "dej2000",
        "decj2000",
        "_dej2000",
        "de_icrs",
        "de(icrs)",
        "demdeg",
        "delta",
    ),
    "v": ("v", "vmag", "v_mag", "johnson_v", "mag_v"),
    "bv": ("bv", "b-v", "b_v", "bv_mag", "johnson_bv"),
    "bv_error": ("bv_error", "bv_error_mag", "e_b-v", "e_bv", "e_b_v", "sigma_bv"),
    "b": ("b", "bmag", "b_mag", "johnson_b", "mag_b"),
    "g": ("phot_g_mean_mag", "gmag", "g_mag"),
    "bp": ("phot_bp_mean_mag", "bpmag", "bp_mag"),
    "rp": ("phot_rp_mean_mag", "rpmag", "rp_mag"),
    "pmra": ("pmra", "pmra_mas_yr", "pm_ra"),
    "pmdec": ("pmdec", "pmde", "pmdec_mas_yr", "pm_dec"),
}
# Of a table that states no errors: B and V good to 0.03 to 0.04 each; and giants lie so far off
# Gaia's relation.
TYPICAL_BV_ERROR_MAG = 0.05
LEAST_BV_ERROR_MAG = 0.02  # no B-V of a catalogue agrees with another's better than this
ERROR_BIN_STARS = 50  # of neighbours in V whose median error is the smooth one
FEWEST_IN_BIN, ENOUGH_BINS = 8, 5  # of short tables: errors grow tenfold over four magnitudes
NEAR_ARCSEC = 10.0
_MAKE_ONE = (
    "Name the columns: --columns ra=RAJ2000,dec=DEJ2000,v=Vmag,bv=B-V (b instead of bv for a B "
    "magnitude; g, "
    "bp, rp for Gaia's)"
)


def parse_mapping(text: str) -> dict[str, str]:
    """Read a column mapping such as ``ra=RAJ2000,dec=DEJ2000,v=Vmag,bv=B-V``.

    Parameters
    ----------
    text : str
        Meanings are those of `SPELLINGS`.

    Returns
    -------
    dict
        What a column stands for, one of `SPELLINGS`: its name in the table.

    Raises
    ------
    CatalogueError
        Not of this form, or a meaning that does not exist.
    """
    pairs = [part.partition("=") for part in text.split(",") if part.strip()]
    mapping = {meaning.strip().lower(): name.strip() for meaning, _, name in pairs}
    wrong = [m for m, name in mapping.items() if m not in SPELLINGS or not name]
    if wrong or not mapping:
        raise CatalogueError(
            f"column mapping {text!r}: {', '.join(wrong) or 'nothing in it'}; what can be named is "
            f"{', '.join(SPELLINGS)}. {_MAKE_ONE}"
        )
    return mapping


def read_own_table(
    path: str | Path, mapping: dict[str, str] | None = None, *, epoch_yr: float = 2000.0
) -> CatalogueStars:
    """Read a table of stars of the user's own.

    Parameters
    ----------
    path : str or Path
        ECSV, FITS (its first table), VOTable (its first table) or CSV (comma, semicolon or tab; #
        starts a comment). What it is shows in its first bytes, whatever its name.
    mapping : dict, optional
        Which column stands for what, see `SPELLINGS`; the rest is found by usual names. Needed are
        positions (ICRS: degrees, or the column's own unit; texts such as "12 34 56.7" are hours and
        degrees) and either V with B-V or B, or Gaia's G, BP and RP.
    epoch_yr : float
        Julian year of the positions, where the table has proper motions (mas/yr, that in right
        ascension times cos(dec)).

    Returns
    -------
    CatalogueStars
        `limit_mag` is that of the faintest tenth of the stars: nobody says how complete the table
        is.

    Raises
    ------
    CatalogueIncomplete
        A column that is needed is not there, or holds no numbers; or no row has a position.
    CatalogueError
        The file is not there or is no table.
    """
    table = _read_table(Path(path))
    names = _names_of(table, mapping or {}, path)
    ra_deg, dec_deg = _positions(table, names, path)
    columns = {
        m: _numbers_of(table, name, path)
        for m, name in names.items()
        if name and m not in ("ra", "dec")
    }
    v, bv, error, clamped = _own_photometry(columns, table, path)
    placed = np.isfinite(ra_deg) & (np.abs(dec_deg) <= 90)
    if not placed.any():
        raise CatalogueIncomplete(
            f"{path}: none of {len(table)} rows has a position. {_MAKE_ONE}", rows=len(table)
        )
    pmra_mas_yr, pmdec_mas_yr, no_pm = _motions(columns, len(table))
    stars = CatalogueStars(
        ra_deg=ra_deg % 360.0,
        dec_deg=dec_deg,
        pmra_mas_yr=pmra_mas_yr,
        pmdec_mas_yr=pmdec_mas_yr,
        v_mag=v.astype(np.float32),
        bv_mag=bv.astype(np.float32),
        bv_error_mag=error.astype(np.float32),
        bv_clamped=clamped,
        double=np.zeros(len(table), bool),
        no_pm=no_pm,
        hip=np.zeros(len(table), np.int32),
        name=Path(path).name,
        limit_mag=_depth_mag(v),
        epoch_yr=float(epoch_yr),
        bv_fit_error_mag=_smooth_errors(v, error),
    )
    stars = stars.select(placed)
    return replace(
        stars, double=has_neighbour(stars.ra_deg, stars.dec_deg, stars.v_mag, NEAR_ARCSEC)
    )


def _motions(
    columns: dict[str, np.ndarray], n: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Proper motions, and which stars have none."""
    nowhere = np.full(n, np.nan)
    pmra = columns.get("pmra", nowhere)
    pmdec = columns.get("pmdec", nowhere)
    still = ~(np.isfinite(pmra) & np.isfinite(pmdec))
    moving = [np.where(still, 0, pm).astype(np.float32) for pm in (pmra, pmdec)]
    return moving[0], moving[1], still


def _names_of(table: Table, mapping: dict[str, str], path) -> dict[str, str | None]:
    """The table's name for each of our columns."""
    unknown = [name for name in mapping.values() if name not in table.colnames]
    if unknown:
        raise _lacking_columns(path, table, unknown)
    return {
        ours: mapping.get(ours) or find_column(table.colnames, usual)
        for ours, usual in SPELLINGS.items()
    }


def _read_table(path: Path) -> Table:
    """The table in a file, whatever its format."""
    try:
        require_file(path)
        with path.open("rb") as file:
            start = file.read(2000)
    except OSError as error:
        raise CatalogueError(
            f"{path}: {error.strerror or error}. Give the table as --catalogue file:PATH"
        ) from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore"
            )  # oddities of units and of several tables in a file: the first one is meant
            table = _parsed_table(path, start)
    except Exception as error:  # each reader has errors of its own kind
        raise CatalogueError(
            f"{path} is not a table that can be read ({type(error).__name__}: "
            f"{' '.join(str(error).split())[:120]}). Save it as CSV with a line of column names"
        ) from error
    if not len(table):
        raise CatalogueIncomplete(
            f"{path}: a table without rows. Save it with the stars of the field", rows=0
        )
    return table


def _parsed_table(path: Path, start: bytes) -> Table:
    if start.startswith(b"SIMPLE  ="):
        return Table.read(path, format="fits")
    if start.startswith(b"# %ECSV"):
        return Table.read(path, format="ascii.ecsv")
    if b"<VOTABLE" in start or start.lstrip().startswith(b"<?xml"):
        return Table.read(path, format="votable", table_id=0, use_names_over_ids=True)
    if b"\0" in start:
        raise ValueError("a binary file, not FITS")
    first = next(
        (
            line
            for line in start.decode("utf-8", "replace").splitlines()
            if line.strip() and not line.startswith("#")
        ),
        "",
    )
    delimiter = max(",;\t|", key=first.count)
    if not first.count(delimiter):
        raise ValueError("no commas, semicolons or tabs in its first line")
    return Table.read(
        path, format="ascii.csv", delimiter=delimiter, comment="#", encoding="utf-8-sig"
    )


def _positions(
    table: Table, names: dict[str, str | None], path
) -> tuple[np.ndarray, np.ndarray]:
    """Degrees; texts are hours and degrees, sexagesimal."""
    missing = [what for what in ("ra", "dec") if not names[what]]
    if missing:
        raise _lacking_columns(path, table, missing)
    ra, dec = (_one_value_a_row(table, names[what], path) for what in ("ra", "dec"))
    if ra.dtype.kind in "US" or dec.dtype.kind in "US":
        from astropy.coordinates import SkyCoord

        try:
            with np.errstate(invalid="ignore"):  # the word "inf"
                places = SkyCoord(ra, dec, unit=(u.hourangle, u.deg))
        except (ValueError, TypeError) as error:
            raise _no_numbers(path, f"{names['ra']} and {names['dec']}") from error
        blank = np.ma.getmaskarray(ra) | np.ma.getmaskarray(dec)
        return np.where(blank, np.nan, places.ra.deg), np.where(blank, np.nan, places.dec.deg)
    return (
        _numbers_of(table, ra.name, path) * _degrees(ra, path),
        _numbers_of(table, dec.name, path) * _degrees(dec, path),
    )


def _degrees(column, path) -> float:
    """How many degrees the unit of a column has; without one it is in degrees."""
    if column.unit is None or str(column.unit).lower().startswith("deg"):
        return 1.0
    try:
        return float(u.Unit(column.unit).to(u.deg))
    except (u.UnitConversionError, ValueError, TypeError) as error:
        raise CatalogueIncomplete(
            f"{path}: its column {column.name} is in {column.unit}, which is no angle. Save it "
            "in degrees, or name another column. " + _MAKE_ONE
        ) from error


def _numbers_of(table: Table, name: str, path) -> np.ndarray:
    try:
        return numbers(_one_value_a_row(table, name, path))
    except (ValueError, TypeError) as error:
        raise _no_numbers(path, name) from error


def _one_value_a_row(table: Table, name: str | None, path):
    """A column that holds neither lists nor objects."""
    column = table[name]
    if column.ndim != 1 or column.dtype.kind in "Oc":
        raise _no_numbers(path, column.name)
    return column


def _own_photometry(
    columns: dict[str, np.ndarray], table: Table, path
) -> tuple[np.ndarray, ...]:
    """V, B-V, its error where stated, and where the colour is beyond the range of Gaia's
    relation."""
    n, has = len(table), columns.keys()
    error = columns.get("bv_error", np.full(n, np.nan))
    if "v" in has and ("bv" in has or "b" in has):
        bv = columns["bv"] if "bv" in has else columns["b"] - columns["v"]
        return columns["v"], bv, error, np.zeros(n, bool)
    if {"g", "bp", "rp"} <= has:
        bp_rp = columns["bp"] - columns["rp"]
        bv = bv_from_gaia(bp_rp)
        return (
            v_from_gaia(columns["g"], bp_rp),
            bv,
            error,
            np.isfinite(bp_rp) & ~np.isfinite(bv),
        )
    raise _lacking_columns(path, table, ["v with bv or b, or g with bp and rp"])


def _smooth_errors(v_mag: np.ndarray, error_mag: np.ndarray) -> np.ndarray:
    """Median of the stated errors of the stars nearest in V; a star's own error goes with its
    noise."""
    stated = np.flatnonzero(np.isfinite(v_mag) & (error_mag > 0))
    if not len(stated):
        return np.full(len(v_mag), TYPICAL_BV_ERROR_MAG, np.float32)
    short = min(len(stated) // FEWEST_IN_BIN, ENOUGH_BINS)
    count = max(len(stated) // ERROR_BIN_STARS, short, 1)
    bins = np.array_split(stated[np.argsort(v_mag[stated])], count)
    middle, median = (np.array([np.median(a[b]) for b in bins]) for a in (v_mag, error_mag))
    return np.maximum(np.interp(v_mag, middle, median), LEAST_BV_ERROR_MAG).astype(np.float32)


def _depth_mag(v_mag: np.ndarray) -> float:
    known = v_mag[np.isfinite(v_mag)]
    return float(np.quantile(known, 0.9)) if len(known) else float("nan")


def _lacking_columns(path, table: Table, missing: list[str]) -> CatalogueIncomplete:
    return CatalogueIncomplete(
        f"{path}: no column for {', '.join(missing)}; it has {', '.join(table.colnames[:20])}. "
        f"{_MAKE_ONE}"
    )


def _no_numbers(path, name: str) -> CatalogueIncomplete:
    return CatalogueIncomplete(f"{path}: its column {name} holds no numbers. {_MAKE_ONE}")
