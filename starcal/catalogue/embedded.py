"""The embedded all-sky catalogue: Tycho-2, with Hipparcos for the brightest stars.

Four files in `catalog_cache/`, made by its `build_tycho2.py`. The sky is cut into bands of 0.3
degree of declination, each band into cells of about equal width in right ascension; records are
sorted by cell, so a field is one run of records for each band (two across RA 0), and a
memory-mapped read touches those runs and nothing else. A position is stored as its place within the
cell, in 1/65536 of the cell's size: at most 8.3 mas off in each direction.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import CatalogueDamaged
from ..texts import path_as_typed
from . import CatalogueStars, unit_vectors
from .verified import file_checksum, remembered_checksum

__all__ = ["CatalogueInfo", "bv_error_model", "cone", "data_folder", "info", "verify"]

# --- the format, shared with the script that writes it ----------------------------------

RECORD = np.dtype(
    [
        ("dra", "<u2"),  # place within the cell, 1/65536 of its size
        ("ddec", "<u2"),
        ("pmra", "<i2"),  # mas/yr, times cos(dec)
        ("pmdec", "<i2"),
        ("v", "<i2"),  # mmag
        ("bv", "<i2"),  # mmag
        ("sigma_bv", "u1"),  # step on a logarithmic scale
        ("flags", "u1"),
    ]
)
DOUBLE, SUPPLEMENT, NO_PM, FROM_HIPPARCOS, V_ESTIMATED, BV_CLAMPED = 1, 2, 4, 8, 16, 32
NO_BV = -32768
NO_SIGMA = 255
SIGMA_STEPS_MAG = 0.002 * 1.0275 ** np.arange(NO_SIGMA)  # 0.002 .. 1.96 mag, to 1.4 per cent

BAND_DEG = 0.3
N_BANDS = 600
_EDGES_DEG = -90.0 + BAND_DEG * np.arange(N_BANDS + 1)
_WIDEST = np.minimum(
    np.abs(_EDGES_DEG[:-1]), np.abs(_EDGES_DEG[1:])
)  # a band is longest at its edge near the equator
# The 1e-6 keeps a count that falls on a whole number from depending on the last bit of a cosine.
CELLS_IN_BAND = np.ceil(360.0 / BAND_DEG * np.cos(np.radians(_WIDEST)) - 1e-6).astype(np.int64)
FIRST_CELL = np.concatenate([[0], np.cumsum(CELLS_IN_BAND)])

TABLE_FILE, CELLS_FILE, HIP_FILE, INFO_FILE = (
    "tycho2.npy",
    "tycho2_cells.npy",
    "tycho2_hip.npy",
    "tycho2.json",
)

FASTEST_ARCSEC_YR = 10.5  # Barnard's star moves 10.4 arcsec a year
_YEARS = (1800.0, 2200.0)


@dataclass(frozen=True, kw_only=True)
class CatalogueInfo:
    """What the embedded catalogue is.

    Attributes
    ----------
    name, reference, origin : str
        What it is called, what to cite, where the numbers come from.
    rows : int
        Stars in it.
    size_bytes : int
        All files together.
    checksum : str
        SHA-256 of the table of stars; those of the other files are recorded beside it.
    completeness_mag : float
        The V down to which 99 per cent of all stars are in it.
    epoch_yr : float
        Julian year of the positions.
    folder : Path
        Where the files are.
    """

    name: str
    reference: str
    origin: str
    rows: int
    size_bytes: int
    checksum: str
    completeness_mag: float
    epoch_yr: float
    folder: Path


@dataclass(frozen=True, eq=False)
class _Catalogue:
    """The opened files, memory-mapped."""

    stars: np.ndarray  # (N,) RECORD
    cell_starts: np.ndarray  # (cells + 1,) first record of each cell
    hip: np.ndarray  # (2, M): record numbers, rising, and their Hipparcos numbers
    facts: dict[str, Any]


# --- questions --------------------------------------------------------------------------


def cone(
    ra_deg: float,
    dec_deg: float,
    radius_deg: float,
    *,
    epoch_yr: float = 2000.0,
    limit_mag: float | None = None,
) -> CatalogueStars:
    """Stars within a circle on the sky.

    Parameters
    ----------
    ra_deg, dec_deg : float
        Centre, ICRS; any finite right ascension, -90 <= dec <= 90.
    radius_deg : float
        0 <= radius <= 180.
    epoch_yr : float
        Julian year, 1800 to 2200: stars are taken where they are then, and their positions are of
        then.
    limit_mag : float, optional
        Leave out stars fainter than this V.

    Returns
    -------
    CatalogueStars
        In the order of the file.

    Raises
    ------
    ValueError
        An argument outside its range.
    CatalogueDamaged
        A file is missing or not what it should be.
    """
    _require_place(ra_deg, dec_deg)
    if not 0.0 <= radius_deg <= 180.0:
        raise ValueError(f"radius_deg lies within 0..180, not {radius_deg}")
    stars = _stars_around(ra_deg, dec_deg, radius_deg, epoch_yr, limit_mag)
    return stars.select(_within_circle(stars, unit_vectors(ra_deg, dec_deg), radius_deg))


def zone(
    first_band: int, last_band: int, *, epoch_yr: float, limit_mag: float
) -> CatalogueStars:
    """Stars of whole bands of declination.

    Parameters
    ----------
    first_band, last_band : int
        Bands of `BAND_DEG` from the south pole on, the last not included; what lies beyond a pole
        is left out.
    epoch_yr : float
        Julian year, 1800 to 2200, of the positions; bands are those where stars were catalogued.
    limit_mag : float
        Leave out stars fainter than this V.

    Returns
    -------
    CatalogueStars

    Raises
    ------
    CatalogueDamaged
        A file is missing or not what it should be.
    """
    first, stop = FIRST_CELL[np.clip([first_band, last_band], 0, N_BANDS)]
    catalogue = _open(data_folder())
    return _read_cells(catalogue, iter([(int(first), int(stop))]), limit_mag).at_epoch(epoch_yr)


def info() -> CatalogueInfo:
    """Say what the embedded catalogue is.

    Returns
    -------
    CatalogueInfo

    Raises
    ------
    CatalogueDamaged
        A file is missing or not of its recorded size.
    """
    folder = data_folder()
    facts = _open(folder).facts
    return CatalogueInfo(
        name=facts["name"],
        reference=facts["reference"],
        origin=facts["origin"],
        rows=facts["rows"],
        size_bytes=sum(entry["bytes"] for entry in facts["files"].values()),
        checksum=facts["files"][TABLE_FILE]["sha256"],
        completeness_mag=facts["completeness_mag"],
        epoch_yr=facts["epoch_yr"],
        folder=folder,
    )


def verify() -> CatalogueInfo:
    """Read every file and compare it with its recorded checksum.

    Returns
    -------
    CatalogueInfo
        When all is well.

    Raises
    ------
    CatalogueDamaged
        Names the first file that differs, and what to type.
    """
    folder = data_folder()
    _open.cache_clear()
    for name, entry in _read_facts(folder)["files"].items():
        _file_size(folder / name)
        _require_digest(folder / name, file_checksum(folder / name), entry["sha256"])
    return info()


def data_folder() -> Path:
    """Where the catalogue is: inside the installed package, or beside it in a checkout.

    Returns
    -------
    Path
        `starcal/catalog_cache`, or `catalog_cache` next to `starcal` if there is no such folder.
    """
    package = Path(__file__).resolve().parents[1]
    inside = package / "catalog_cache"
    beside = package.parent / "catalog_cache"
    return inside if inside.is_dir() or not beside.is_dir() else beside


def bv_error_model(v_mag: np.ndarray) -> np.ndarray:
    """True error of Tycho-2's B-V, as a smooth function of V alone.

    For weights: a star's own stated error goes with its noise, and weighting by it makes the mean
    B-V too blue by 0.05 mag at V 11 and fainter.

    Parameters
    ----------
    v_mag : array_like
        Johnson V, magnitudes; NaN gives NaN.

    Returns
    -------
    ndarray
        1 sigma of B-V, magnitudes, 0.010 to 0.28.

    Notes
    -----
    Fitted to the scatter (1.48 x median absolute deviation) about Hipparcos stars with ground-based
    B-V (stated error below 0.015 mag): 0.009 at V 6.5, 0.018 at 8.25, 0.032 at 9.25, 0.054 at 9.75,
    0.080 at 10.25, 0.125 at 10.75, 0.22 at 11.25, 0.25 at 11.6; the last two lowered by a fifth,
    for faint Hipparcos stars are redder than most and fainter in BT. Landolt 2009: 0.24 at 11.6,
    0.26 at 11.9, 0.28 at 12.2; beyond, the errors stop growing, because a star with a poor BT is
    not in Tycho-2. The stated errors are smaller by 1.3 to 1.4 from V 10 to 11.5.
    """
    noise_mag = 0.125 * 10.0 ** (0.38 * (np.asarray(v_mag, dtype=float) - 10.75))
    return np.minimum(np.hypot(0.010, noise_mag), 0.28)


# --- answers ----------------------------------------------------------------------------


def cell_of(
    ra_deg: np.ndarray, dec_deg: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cell of each position, and the place within it.

    Parameters
    ----------
    ra_deg, dec_deg : (N,) array_like
        0 <= ra < 360, -90 <= dec <= 90.

    Returns
    -------
    cell : (N,) int64
    dra, ddec : (N,) uint16
        In 1/65536 of the cell's size.
    """
    height = (np.asarray(dec_deg) + 90.0) / BAND_DEG
    band = np.minimum(height.astype(np.int64), N_BANDS - 1)
    along = np.asarray(ra_deg) / 360.0 * CELLS_IN_BAND[band]
    column = np.minimum(along.astype(np.int64), CELLS_IN_BAND[band] - 1)
    dra, ddec = (
        np.clip(part * 65536.0, 0, 65535).astype(np.uint16)
        for part in (along - column, height - band)
    )
    return FIRST_CELL[band] + column, dra, ddec


def position_in_cell(
    cell: np.ndarray, dra: np.ndarray, ddec: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Undo `cell_of`.

    Parameters
    ----------
    cell : (N,) int
    dra, ddec : (N,) uint16

    Returns
    -------
    ra_deg, dec_deg : (N,) float64
        The middle of the step.
    """
    band = np.searchsorted(FIRST_CELL, cell, side="right") - 1
    ra_deg = (cell - FIRST_CELL[band] + (dra + 0.5) / 65536.0) * (360.0 / CELLS_IN_BAND[band])
    return ra_deg, -90.0 + BAND_DEG * (band + (ddec + 0.5) / 65536.0)


def cells_around(ra_deg: float, dec_deg: float, radius_deg: float) -> Iterator[tuple[int, int]]:
    """Runs of cells that a circle touches.

    Parameters
    ----------
    ra_deg, dec_deg, radius_deg : float

    Yields
    ------
    first, stop : int
        One run for each band of declination, two across RA 0; none overlap.
    """
    first_band = _band_of(max(dec_deg - radius_deg, -90.0))
    last_band = _band_of(min(dec_deg + radius_deg, 90.0))
    for band in range(first_band, last_band + 1):
        half_deg = _half_width_deg(band, dec_deg, radius_deg)
        start = int(FIRST_CELL[band])
        for first, stop in _cells_of_band(int(CELLS_IN_BAND[band]), ra_deg, half_deg):
            yield start + first, start + stop


def _band_of(dec_deg: float) -> int:
    return min(int((dec_deg + 90.0) / BAND_DEG), N_BANDS - 1)


def _cells_of_band(n: int, ra_deg: float, half_deg: float) -> Iterator[tuple[int, int]]:
    """Runs of the n cells of a band within half a width of a right ascension: one, or two across
    RA 0."""
    first = int(np.floor((ra_deg - half_deg) / 360.0 * n))
    stop = int(np.floor((ra_deg + half_deg) / 360.0 * n)) + 1
    if stop - first >= n:
        yield 0, n
        return
    column = first % n
    beyond = (
        column + stop - first - n
    )  # cells past RA 360: these stand at the start of the band
    if beyond > 0:
        yield 0, beyond
    yield column, min(column + stop - first, n)


def _half_width_deg(band: int, dec_deg: float, radius_deg: float) -> float:
    """Largest difference in right ascension from the centre, within the band, of a point of the
    circle."""
    if radius_deg >= 90.0:
        return 180.0
    # The circle is widest in right ascension at this declination (at the pole, if it holds the
    # pole).
    sin_widest = np.clip(
        np.sin(np.radians(dec_deg)) / np.cos(np.radians(radius_deg)), -1.0, 1.0
    )
    widest_deg = np.clip(
        np.degrees(np.arcsin(sin_widest)), _EDGES_DEG[band], _EDGES_DEG[band + 1]
    )
    dec, centre = np.radians(widest_deg), np.radians(dec_deg)
    above = np.cos(np.radians(radius_deg)) - np.sin(dec) * np.sin(centre)
    below = np.cos(dec) * np.cos(centre)
    if above <= -below:
        return 180.0
    return float(np.degrees(np.arccos(min(above / below, 1.0))))


def _stars_around(
    ra_deg: float, dec_deg: float, radius_deg: float, epoch_yr: float, limit_mag: float | None
) -> CatalogueStars:
    """Stars of all cells that may hold a star of the circle at the epoch."""
    if not _YEARS[0] <= epoch_yr <= _YEARS[1]:
        raise ValueError(
            f"epoch_yr is a Julian year within {_YEARS[0]:.0f}..{_YEARS[1]:.0f}, not {epoch_yr}"
        )
    if limit_mag is not None and not np.isfinite(limit_mag):
        raise ValueError(f"limit_mag is a V magnitude, or None for no limit, not {limit_mag}")
    catalogue = _open(data_folder())
    drift_deg = abs(epoch_yr - catalogue.facts["epoch_yr"]) * FASTEST_ARCSEC_YR / 3600.0
    reach_deg = min(radius_deg + drift_deg + 1e-6, 180.0)
    stars = _read_cells(catalogue, cells_around(ra_deg, dec_deg, reach_deg), limit_mag)
    return stars.at_epoch(epoch_yr)


def _read_cells(
    catalogue: _Catalogue, runs: Iterator[tuple[int, int]], limit_mag: float | None
) -> CatalogueStars:
    """Decode runs of cells."""
    rows, cells = [np.zeros(0, np.uint32)], [np.zeros(0, np.int64)]
    records = [np.zeros(0, RECORD)]
    for first, stop in runs:
        starts = catalogue.cell_starts[first : stop + 1].astype(np.int64)
        run = catalogue.stars[starts[0] : starts[-1]]
        bright = slice(None) if limit_mag is None else run["v"] <= limit_mag * 1000.0
        rows.append(np.arange(starts[0], starts[-1], dtype=np.uint32)[bright])
        cells.append(np.repeat(np.arange(first, stop), np.diff(starts))[bright])
        records.append(run[bright])
    hip = _hip_numbers(catalogue.hip, np.concatenate(rows))
    limit_mag = np.inf if limit_mag is None else limit_mag
    return _decode(
        np.concatenate(records), np.concatenate(cells), hip, catalogue.facts, limit_mag
    )


def _decode(
    records: np.ndarray,
    cells: np.ndarray,
    hip: np.ndarray,
    facts: dict[str, Any],
    limit_mag: float,
) -> CatalogueStars:
    """Records as plain numbers."""
    ra_deg, dec_deg = position_in_cell(cells, records["dra"], records["ddec"])
    flags = records["flags"]
    sigma_mag = np.append(SIGMA_STEPS_MAG, np.nan)[records["sigma_bv"]]
    return CatalogueStars(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        pmra_mas_yr=records["pmra"].astype(np.float32),
        pmdec_mas_yr=records["pmdec"].astype(np.float32),
        v_mag=(records["v"] / 1000.0).astype(np.float32),
        bv_mag=np.where(records["bv"] == NO_BV, np.nan, records["bv"] / 1000.0).astype(
            np.float32
        ),
        bv_error_mag=sigma_mag.astype(np.float32),
        bv_clamped=(flags & BV_CLAMPED) != 0,
        double=(flags & DOUBLE) != 0,
        no_pm=(flags & NO_PM) != 0,
        hip=hip,
        name=facts["name"],
        limit_mag=float(min(limit_mag, facts["completeness_mag"])),
        epoch_yr=facts["epoch_yr"],
    )


def _hip_numbers(hip_table: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Hipparcos numbers of records, 0 for none."""
    known, numbers = hip_table
    nearest = np.minimum(np.searchsorted(known, rows), len(known) - 1)
    return np.where(known[nearest] == rows, numbers[nearest], 0).astype(np.int32)


def _within_circle(stars: CatalogueStars, centre: np.ndarray, radius_deg: float) -> np.ndarray:
    return _separation_deg(unit_vectors(stars.ra_deg, stars.dec_deg), centre) <= radius_deg


def _separation_deg(vectors: np.ndarray, centre: np.ndarray) -> np.ndarray:
    """Angle from the centre; exact for the smallest and the largest."""
    half_chord = np.linalg.norm(vectors - centre, axis=-1) / 2
    half_sum = np.linalg.norm(vectors + centre, axis=-1) / 2
    return 2 * np.degrees(np.arctan2(half_chord, half_sum))


def _require_place(ra_deg: float, dec_deg: float) -> None:
    if not np.isfinite(ra_deg):
        raise ValueError(f"ra_deg is a finite number of degrees, not {ra_deg}")
    if not -90.0 <= dec_deg <= 90.0:
        raise ValueError(f"dec_deg lies within -90..90, not {dec_deg}")


# --- files ------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _open(folder: Path) -> _Catalogue:
    """Map the files, having compared their sizes and checksums with the recorded ones."""
    facts = _read_facts(folder)
    for name, entry in facts["files"].items():
        found = _file_size(folder / name)
        if found != entry["bytes"]:
            raise _damaged_catalogue(
                folder / name, f"has {found} bytes, {entry['bytes']} are needed"
            )
        _require_digest(folder / name, remembered_checksum(folder / name), entry["sha256"])
    stars, cell_starts, hip = (
        _mapped_file(folder / name) for name in (TABLE_FILE, CELLS_FILE, HIP_FILE)
    )
    return _Catalogue(stars, cell_starts, hip, facts)


def _read_facts(folder: Path) -> dict[str, Any]:
    path = folder / INFO_FILE
    _file_size(path)
    try:
        facts = json.loads(path.read_text(encoding="utf-8"))
        complete = {TABLE_FILE, CELLS_FILE, HIP_FILE} <= facts["files"].keys()
    except (ValueError, KeyError, TypeError, AttributeError):
        complete = False
    if not complete:
        raise _damaged_catalogue(path, "is not the catalogue's list of files")
    return facts


def _mapped_file(path: Path) -> np.ndarray:
    try:
        # A plain view: the memmap class itself costs 10 microseconds for every slice.
        return np.asarray(np.load(path, mmap_mode="r", allow_pickle=False))
    except ValueError as error:
        raise _damaged_catalogue(path, "is not a numpy array") from error


def _file_size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        raise _damaged_catalogue(path, "is missing") from None


def _require_digest(path: Path, found: str, needed: str) -> None:
    if found != needed:
        raise _damaged_catalogue(
            path, f"has SHA-256 {found[:12]}..., {needed[:12]}... is needed"
        )


def _damaged_catalogue(path: Path, fault: str) -> CatalogueDamaged:
    return CatalogueDamaged(
        f"{path} {fault}. The embedded catalogue is damaged. Type: {_cure(path.parent)}"
    )


def _cure(folder: Path) -> str:
    """Return the command that brings the files back."""
    if folder.parent == Path(__file__).resolve().parents[1]:
        return "python -m pip install --force-reinstall --no-deps starcal"
    return f"git -C {path_as_typed(folder.parent)} checkout -- {folder.name}"
