"""The user's own table of stars: ECSV, FITS, VOTable or CSV, its columns found by name or named by
the user."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import Column, Table

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
    "epoch": ("ref_epoch", "epoch_yr"),
}
MOTION = u.mas / u.yr
USUAL_EPOCH_YR, EPOCHS_YR = 2000.0, (1800.0, 2200.0)  # of positions; beyond, it is no year
# Of a table that states no errors: B and V good to 0.03 to 0.04 each; and giants lie so far off
# Gaia's relation.
TYPICAL_BV_ERROR_MAG = 0.05
LEAST_BV_ERROR_MAG = 0.02  # no B-V of a catalogue agrees with another's better than this
ERROR_BIN_STARS = 50  # of neighbours in V whose median error is the smooth one
FEWEST_IN_BIN, ENOUGH_BINS = 8, 5  # of short tables: errors grow tenfold over four magnitudes
NEAR_ARCSEC = 10.0
# Beyond, a number stands for none, such as -99 or 99.999: Sirius has V -1.5, carbon stars B-V 5.
KNOWN_MAG, KNOWN_BV_MAG = (-3.0, 35.0), (-2.0, 9.0)
FULL_CIRCLE_DEG = 360.0
BLANKS = ("", "n/a", "N/A", "NA", "null", "NULL", "--", "-")  # words for no value
WITH_COMMA = re.compile(r"[+-]?\d*,?\d+")  # a number as some countries write it
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
    named = [(meaning.strip().lower(), name.strip()) for meaning, _, name in pairs]
    mapping = dict(named)
    wrong = [m for m, name in mapping.items() if m not in SPELLINGS or not name]
    wrong += [f"{m} twice" for m in mapping if sum(m == other for other, _ in named) > 1]
    if wrong or not mapping:
        raise CatalogueError(
            f"column mapping {text!r}: {', '.join(wrong) or 'nothing in it'}; what can be named is "
            f"{', '.join(SPELLINGS)}. {_MAKE_ONE}"
        )
    return mapping


def read_own_table(path: str | Path, mapping: dict[str, str] | None = None) -> CatalogueStars:
    """Read a table of stars of the user's own.

    Parameters
    ----------
    path : str or Path
        ECSV, FITS (its first table), VOTable (its first table) or CSV (comma, semicolon or tab; #
        starts a comment). What it is shows in its first bytes, whatever its name.
    mapping : dict, optional
        Which column stands for what, see `SPELLINGS`; the rest is found by usual names. Needed are
        positions (ICRS: degrees, or the column's own unit; texts such as "12 34 56.7" are hours and
        degrees) and either V with B-V or B, or Gaia's G, BP and RP. What no star can have, such as
        a V of -99, counts as not known. Proper motions are in mas/yr or the column's own unit, that
        in right ascension times cos(dec); ``epoch`` is the Julian year of the positions, 2000 where
        none is stated.

    Returns
    -------
    CatalogueStars
        At epoch 2000. `limit_mag` is that of the faintest tenth: nobody says how complete the table
        is.

    Raises
    ------
    CatalogueIncomplete
        A column that is needed is not there, or holds no numbers; a unit is of another kind; or no
        row has a position.
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
    v, bv = _known_values(v, KNOWN_MAG), _known_values(bv, KNOWN_BV_MAG)
    placed = (np.abs(ra_deg) <= FULL_CIRCLE_DEG) & (np.abs(dec_deg) <= 90)
    if not placed.any():
        raise CatalogueIncomplete(
            f"{path}: none of {len(table)} rows has a position. {_MAKE_ONE}", rows=len(table)
        )
    pmra_mas_yr, pmdec_mas_yr, no_pm = _motions(columns, table, names, path)
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
        epoch_yr=USUAL_EPOCH_YR,
        bv_fit_error_mag=_smooth_errors(v, error),
    )
    kept = placed & _first_of_its_place(ra_deg, dec_deg)
    stars = _from_stated_years(stars, columns).select(kept)
    return replace(
        stars, double=has_neighbour(stars.ra_deg, stars.dec_deg, stars.v_mag, NEAR_ARCSEC)
    )


def _from_stated_years(stars: CatalogueStars, columns: dict[str, np.ndarray]) -> CatalogueStars:
    """The same, moved from the years that the table states to the usual one."""
    if "epoch" not in columns:
        return stars
    from_yr = _known_values(columns["epoch"], EPOCHS_YR)
    return stars.at_epoch(USUAL_EPOCH_YR, from_yr=from_yr)


def _first_of_its_place(ra_deg: np.ndarray, dec_deg: np.ndarray) -> np.ndarray:
    """Rows of which no earlier one has the very place: tables put together hold stars twice."""
    _, first = np.unique(np.column_stack([ra_deg, dec_deg]), axis=0, return_index=True)
    return np.isin(np.arange(len(ra_deg)), first)


def _known_values(values: np.ndarray, limits: tuple[float, float]) -> np.ndarray:
    low, high = limits
    return np.where((values >= low) & (values <= high), values, np.nan)


def _motions(
    columns: dict[str, np.ndarray], table: Table, names: dict[str, str | None], path
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Proper motions, mas/yr, and which stars have none."""
    moved = {
        name: columns[name] * _mas_a_year(table[names[name]], path)
        for name in ("pmra", "pmdec")
        if name in columns
    }
    nowhere = np.full(len(table), np.nan)
    pmra = moved.get("pmra", nowhere)
    pmdec = moved.get("pmdec", nowhere)
    still = ~(np.isfinite(pmra) & np.isfinite(pmdec))
    moving = [np.where(still, 0, pm).astype(np.float32) for pm in (pmra, pmdec)]
    return moving[0], moving[1], still


def _names_of(table: Table, mapping: dict[str, str], path) -> dict[str, str | None]:
    """The table's name for each of our columns."""
    unknown = [name for name in mapping.values() if name not in table.colnames]
    if unknown:
        raise _lacking_columns(path, table, unknown)
    names = {
        ours: mapping.get(ours) or find_column(table.colnames, usual)
        for ours, usual in SPELLINGS.items()
    }
    if "b" not in mapping and names["b"] in ("b", "B") and find_column(table.colnames, ("l",)):
        names["b"] = None  # galactic latitude, beside the longitude
    return names


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
    table = Table.read(
        path,
        format="ascii.csv",
        delimiter=delimiter,
        comment="#",
        encoding="utf-8-sig",
        fill_values=[(word, "0") for word in BLANKS],  # masked
    )
    return table if delimiter == "," else _with_points(table)


def _with_points(table: Table) -> Table:
    """The same with numbers that are written with a comma as numbers."""
    for name in table.colnames:
        column = table[name]
        if column.dtype.kind != "U":
            continue
        texts = np.ma.filled(np.ma.asarray(column), "")
        if all(text == "" or WITH_COMMA.fullmatch(text) for text in texts):
            values = [float(text.replace(",", ".") or "nan") for text in texts]
            table.replace_column(name, Column(values, name))
    return table


def _positions(
    table: Table, names: dict[str, str | None], path
) -> tuple[np.ndarray, np.ndarray]:
    """Degrees; texts are hours and degrees, sexagesimal."""
    ra, dec = names["ra"], names["dec"]
    if not (ra and dec):
        missing = [what for what in ("ra", "dec") if not names[what]]
        raise _lacking_columns(path, table, missing)
    return _angles(table, ra, u.hourangle, path), _angles(table, dec, u.deg, path)


def _angles(table: Table, name: str, unit_of_texts: u.Unit, path) -> np.ndarray:
    """A column in degrees: numbers by its own unit, also where they are held as texts; sexagesimal
    texts by the unit given."""
    column = _one_value_a_row(table, name, path)
    if column.dtype.kind not in "US":
        return _numbers_of(table, name, path) * _degrees(column, path)
    blank = np.ma.getmaskarray(np.ma.asarray(column))
    texts = np.where(blank, "0", np.asarray(column).astype(str))
    try:
        degrees = texts.astype(float) * _degrees(column, path)
    except ValueError:  # sexagesimal
        degrees = _sexagesimal_deg(texts, unit_of_texts, name, path)
    return np.where(blank, np.nan, degrees)


def _sexagesimal_deg(texts: np.ndarray, unit: u.Unit, name: str, path) -> np.ndarray:
    from astropy.coordinates import Angle

    try:
        with np.errstate(invalid="ignore"):  # the word "inf"
            return Angle(texts, unit).deg
    except (ValueError, TypeError) as error:
        raise _no_numbers(path, name) from error


def _degrees(column, path) -> float:
    """How many degrees the unit of a column has; without one it is in degrees."""
    if column.unit is None or str(column.unit).lower().startswith("deg"):
        return 1.0
    return _of_its_unit(column, u.deg, "no angle. Save it in degrees", path)


def _mas_a_year(column, path) -> float:
    """How many mas/yr the unit of a column has; one that nobody knows counts as that."""
    if isinstance(column.unit, u.UnrecognizedUnit | None):
        return 1.0
    return _of_its_unit(column, MOTION, "no proper motion. Save it in mas/yr", path)


def _of_its_unit(column, wanted: u.UnitBase, fault: str, path) -> float:
    try:
        return float(u.Unit(column.unit).to(wanted))
    except (u.UnitConversionError, ValueError, TypeError) as error:
        raise CatalogueIncomplete(
            f"{path}: its column {column.name} is in {column.unit}, which is {fault}, or name "
            f"another column. {_MAKE_ONE}"
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
