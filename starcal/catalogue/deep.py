"""A deep table of one's own: six bytes a star, made once from Gaia, read without a network.

One file: a line that says what it is, the length of its facts, the facts as JSON, and after them
the first record of each cell, the records, and the motions of the fast stars. The cells are those
of the embedded catalogue, and so are the ways to find a field in them: one run of records for each
band of declination.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import CatalogueDamaged, CatalogueError
from . import CatalogueStars, separation_from_deg
from .columns import EPOCH_YR, NAMES, SHARPNESS_ARCSEC, has_neighbour
from .dust import BY_BP_RP, BY_SPECTRA
from .embedded import FASTEST_ARCSEC_YR, FIRST_CELL, cells_around, position_in_cell
from .folders import cache_folder
from .gaia import (
    DWARF_BV_ERROR_MAG,
    GIANT_BV_ERROR_MAG,
    SPECTRA_BV_ERROR_MAG,
    SPECTRA_NOISE,
    gaia_noise_mag,
    with_bright_of_tycho,
)

__all__ = ["DeepInfo", "deep_cone", "deep_info", "deep_path", "verify_deep"]

MARK = b"starcal deep table 1\n"
ALIGN = 64
PACKED = np.dtype([("place", "<u4"), ("light", "<u2")])  # 12 bits, 12, 8; 16
FAST = np.dtype([("row", "<u4"), ("pmra", "<i2"), ("pmdec", "<i2")])  # mas/yr
STEPS_IN_CELL = 4096  # of 0.3 degree: 0.26 arcsec each, 0.08 rms
V_FIRST_MAG, V_STEP_MAG, V_CODES = 4.0, 0.0125, 1024
BV_FIRST_MAG, BV_STEP_MAG, NO_BV_CODE = -0.5, 0.0055, 511
FAST_MAS_YR = 40.0  # slower stars stay where they were in 2016: 0.6 arcsec in 14 years at most
# How B-V was come by, two bits; a red star by BP-RP may be a giant, which the relation is not for
NO_COLOUR, SPECTRA, BP_RP, BP_RP_GIANT = range(4)
CLAMPED, BRIGHT = 4, 8  # bits beside these
DEEP_EPOCH_YR = EPOCH_YR["gaia"]


@dataclass(frozen=True, kw_only=True)
class DeepInfo:
    """What a deep table is.

    Attributes
    ----------
    path : Path
    rows : int
        Stars in it.
    limit_mag : float
        Johnson V down to which it goes.
    date : str
        When it was made, ISO 8601, UTC.
    address : str
        Whom was asked.
    checksum : str
        SHA-256 of what follows the facts.
    size_bytes : int
    """

    path: Path
    rows: int
    limit_mag: float
    date: str
    address: str
    checksum: str
    size_bytes: int

    def __str__(self) -> str:
        return (
            f"{self.path}: {self.rows} stars of Gaia DR3 to V {self.limit_mag:.2f}, "
            f"{self.date[:10]}, {self.size_bytes} bytes"
        )


@dataclass(frozen=True, eq=False)
class _Table:
    """The opened file, memory-mapped."""

    facts: dict[str, Any]
    cell_starts: np.ndarray
    records: np.ndarray  # (N,) PACKED
    fast: np.ndarray  # (M,) FAST, rows rising


def deep_path() -> Path:
    """Where the deep table is, or would be: STARCAL_DEEP, or `deep.stars` in the cache folder.

    Returns
    -------
    Path
    """
    named = os.environ.get("STARCAL_DEEP")
    return Path(named).expanduser() if named else cache_folder() / "deep.stars"


def deep_cone(
    ra_deg: float,
    dec_deg: float,
    radius_deg: float,
    *,
    epoch_yr: float = 2000.0,
    path: Path | None = None,
) -> CatalogueStars:
    """Stars of the deep table within a circle on the sky.

    Parameters
    ----------
    ra_deg, dec_deg, radius_deg : float
        ICRS; 0 < radius <= 90.
    epoch_yr : float
        Julian year, 1800 to 2200.
    path : Path, optional
        Of the table; `deep_path` by default.

    Returns
    -------
    CatalogueStars
        The bright ones from Tycho-2.

    Raises
    ------
    CatalogueError
        There is no such table.
    CatalogueDamaged
        It is not what it should be.
    """
    table = _open_table(path or deep_path())
    drift_deg = abs(epoch_yr - DEEP_EPOCH_YR) * FASTEST_ARCSEC_YR / 3600
    reach_deg = min(radius_deg + drift_deg + 1e-3, 180.0)
    rows, cells = _rows_around(table, ra_deg, dec_deg, reach_deg)
    stars, bright = _unpacked_stars(table, rows, cells)
    whole = with_bright_of_tycho(stars, bright, (ra_deg, dec_deg, reach_deg))
    there = whole.at_epoch(epoch_yr)
    apart_deg = separation_from_deg(there.ra_deg, there.dec_deg, ra_deg, dec_deg)
    return there.select(apart_deg <= radius_deg)


def _rows_around(
    table: _Table, ra_deg: float, dec_deg: float, reach_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Rows of all cells that a circle touches, and the cell of each."""
    rows, cells = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for first, stop in cells_around(ra_deg, dec_deg, reach_deg):
        starts = table.cell_starts[first : stop + 1].astype(np.int64)
        rows.append(np.arange(starts[0], starts[-1]))
        cells.append(np.repeat(np.arange(first, stop), np.diff(starts)))
    return np.concatenate(rows), np.concatenate(cells)


def _unpacked_stars(
    table: _Table, rows: np.ndarray, cells: np.ndarray
) -> tuple[CatalogueStars, np.ndarray]:
    """Records as stars, and which of them are for Tycho-2."""
    place = table.records["place"][rows]
    v_mag, bv_mag = _unpacked_light(
        (place & 7).astype(np.int64) << 16 | table.records["light"][rows]
    )
    ra_deg, dec_deg = _unpacked_places(cells, place)
    marks = (place >> 3) & 31
    pmra, pmdec = _motions_of_rows(table, rows)
    way = marks & 3
    errors = _errors_of(way, v_mag)
    return CatalogueStars(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        pmra_mas_yr=pmra,
        pmdec_mas_yr=pmdec,
        v_mag=v_mag.astype(np.float32),
        bv_mag=bv_mag.astype(np.float32),
        bv_error_mag=errors,
        bv_clamped=(marks & CLAMPED) != 0,
        double=has_neighbour(ra_deg, dec_deg, v_mag, SHARPNESS_ARCSEC["gaia"]),
        no_pm=np.zeros(len(rows), bool),
        hip=np.zeros(len(rows), np.int32),
        name=NAMES["gaia"],
        limit_mag=float(table.facts["limit_mag"]),
        epoch_yr=DEEP_EPOCH_YR,
        bv_fit_error_mag=errors,
        bv_source=np.where(way == SPECTRA, BY_SPECTRA, BY_BP_RP),
    ), (marks & BRIGHT) != 0


def _unpacked_light(code: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """V and B-V."""
    bv_code = code & 511
    bv_mag = BV_FIRST_MAG + BV_STEP_MAG * bv_code
    return (
        V_FIRST_MAG + V_STEP_MAG * (code >> 9),
        np.where(bv_code == NO_BV_CODE, np.nan, bv_mag),
    )


def _unpacked_places(cells: np.ndarray, place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """RA and Dec: of the middle of a step."""
    finer = 65536 // STEPS_IN_CELL
    half = finer // 2 - 0.5
    dra, ddec = place >> 20, (place >> 8) & 4095
    return position_in_cell(cells, dra * float(finer) + half, ddec * float(finer) + half)


def _motions_of_rows(table: _Table, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Proper motions of rows, 0 for the slow ones."""
    fast = table.fast
    if not len(fast):
        return np.zeros(len(rows), np.float32), np.zeros(len(rows), np.float32)
    at = np.minimum(np.searchsorted(fast["row"], rows), len(fast) - 1)
    moving = fast["row"][at] == rows
    pmra = np.where(moving, fast["pmra"][at], 0).astype(np.float32)
    return pmra, np.where(moving, fast["pmdec"][at], 0).astype(np.float32)


def _errors_of(way: np.ndarray, v_mag: np.ndarray) -> np.ndarray:
    """Errors of B-V without dust, smooth in V, as `gaia.gaia_photometry` has them."""
    own = np.array([GIANT_BV_ERROR_MAG, SPECTRA_BV_ERROR_MAG, DWARF_BV_ERROR_MAG])
    own = np.append(own, GIANT_BV_ERROR_MAG)[way]
    noise = np.where(way == SPECTRA, SPECTRA_NOISE, 1.0) * gaia_noise_mag(v_mag)
    return np.hypot(own, noise).astype(np.float32)


# --- packing and the file ---------------------------------------------------------------


def packed_stars(
    dra: np.ndarray, ddec: np.ndarray, photometry: Mapping[str, np.ndarray], bright: np.ndarray
) -> np.ndarray:
    """Stars as records.

    Parameters
    ----------
    dra, ddec : (N,) uint16
        As `embedded.cell_of` gives them.
    photometry : mapping
        As `gaia.gaia_photometry` gives it.
    bright : (N,) bool
        For Tycho-2.

    Returns
    -------
    (N,) PACKED
    """
    light, known = _packed_light(photometry["v_mag"], photometry["bv_mag"])
    marks = _marks_of(photometry, known, bright)
    records = np.zeros(len(light), PACKED)
    place = (dra.astype(np.uint32) >> 4) << 20 | (ddec.astype(np.uint32) >> 4) << 8
    records["place"] = place | marks << 3 | light >> 16
    records["light"] = light & 0xFFFF
    return records


def _packed_light(v_mag: np.ndarray, bv_mag: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """V and B-V in 19 bits, and which B-V is one."""
    v_code = np.clip(np.rint((v_mag - V_FIRST_MAG) / V_STEP_MAG), 0, V_CODES - 1)
    bv_code = np.rint((np.nan_to_num(bv_mag) - BV_FIRST_MAG) / BV_STEP_MAG)
    known = np.isfinite(bv_mag) & (bv_code >= 0) & (bv_code < NO_BV_CODE)
    low = np.where(known, bv_code, NO_BV_CODE).astype(np.uint32)
    return v_code.astype(np.uint32) << 9 | low, known


def _marks_of(
    photometry: Mapping[str, np.ndarray], known: np.ndarray, bright: np.ndarray
) -> np.ndarray:
    """How B-V was come by, and the bits beside that."""
    way = np.where(photometry["bv_source"] == BY_SPECTRA, SPECTRA, BP_RP)
    giant = (way == BP_RP) & (photometry["bv_fit_error_mag"] >= GIANT_BV_ERROR_MAG)
    way = np.where(known, np.where(giant, BP_RP_GIANT, way), NO_COLOUR)
    marks = way | CLAMPED * photometry["bv_clamped"].astype(int) | BRIGHT * bright.astype(int)
    return marks.astype(np.uint32)


def deep_file(
    records: np.ndarray, cells: np.ndarray, motions: np.ndarray, facts: Mapping[str, Any]
) -> bytes:
    """The bytes of a table.

    Parameters
    ----------
    records : (N,) PACKED
    cells : (N,) int
        Of each record, in any order.
    motions : (N, 2) array_like
        Proper motions, mas/yr.
    facts : mapping
        `limit_mag`, `date`, `address`.

    Returns
    -------
    bytes
    """
    order = np.argsort(cells, kind="stable")
    starts = np.searchsorted(cells[order], np.arange(FIRST_CELL[-1] + 1)).astype("<u4")
    fast = _fast_of(np.asarray(motions)[order])
    body = b"".join(_aligned_bytes(part) for part in (starts, records[order], fast))
    header = {
        **facts,
        "rows": len(records),
        "fast": len(fast),
        "checksum": hashlib.sha256(body).hexdigest(),
    }
    text = json.dumps(header).encode()
    head = MARK + f"{len(text):08d}\n".encode() + text
    return head + b"\n" * (-len(head) % ALIGN) + body


def _fast_of(motions: np.ndarray) -> np.ndarray:
    """Rows that move fast, and how, (M,) FAST."""
    pmra, pmdec = motions[:, 0], motions[:, 1]
    moving = np.flatnonzero(np.hypot(pmra.astype(float), pmdec) > FAST_MAS_YR)
    fast = np.zeros(len(moving), FAST)
    fast["row"], fast["pmra"], fast["pmdec"] = moving, pmra[moving], pmdec[moving]
    return fast


def _aligned_bytes(array: np.ndarray) -> bytes:
    plain = array.tobytes()
    return plain + bytes(-len(plain) % ALIGN)


def _facts_of(path: Path) -> tuple[dict[str, Any], int]:
    """What a table says of itself, and where its numbers begin."""
    try:
        with path.open("rb") as file:
            if file.read(len(MARK)) != MARK:
                raise ValueError("it does not begin as one")
            length = int(file.read(9))
            facts = json.loads(file.read(length))
        _ = float(facts["limit_mag"]), int(facts["rows"]), int(facts["fast"])
    except FileNotFoundError:
        raise CatalogueError(
            f"{path}: there is no deep table. Make it once, with a network: starcal catalogue "
            f"build --limit 13 --out {path} - or name it: export STARCAL_DEEP=FILE"
        ) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise _damaged_table(path, f"is no deep table ({error})") from error
    head = len(MARK) + 9 + length
    return facts, head + -head % ALIGN


def _open_table(path: Path) -> _Table:
    try:
        facts = path.stat()
    except FileNotFoundError:
        _facts_of(path)
        raise
    return _opened(path, facts.st_mtime_ns, facts.st_size)


@lru_cache(maxsize=2)
def _opened(path: Path, _mtime_ns: int, size_bytes: int) -> _Table:
    facts, begin = _facts_of(path)
    shapes = (
        (np.dtype("<u4"), int(FIRST_CELL[-1]) + 1),
        (PACKED, facts["rows"]),
        (FAST, facts["fast"]),
    )
    arrays = []
    for kind, count in shapes:
        end = begin + kind.itemsize * count
        if end > size_bytes:
            raise _damaged_table(path, "is cut off")
        arrays.append(
            np.memmap(path, kind, "r", begin, (count,)) if count else np.zeros(0, kind)
        )
        begin = end + -end % ALIGN
    return _Table(facts, *arrays)


def deep_info(path: Path | None = None) -> DeepInfo:
    """What a deep table is.

    Parameters
    ----------
    path : Path, optional
        `deep_path` by default.

    Returns
    -------
    DeepInfo

    Raises
    ------
    CatalogueError
        There is none.
    CatalogueDamaged
        It is not what it should be.
    """
    path = path or deep_path()
    facts = _open_table(path).facts
    return DeepInfo(
        path=path,
        rows=facts["rows"],
        limit_mag=facts["limit_mag"],
        date=facts["date"],
        address=facts["address"],
        checksum=facts["checksum"],
        size_bytes=path.stat().st_size,
    )


def verify_deep(path: Path | None = None) -> DeepInfo:
    """Read a deep table and compare it with its checksum.

    Parameters
    ----------
    path : Path, optional

    Returns
    -------
    DeepInfo
        When all is well.

    Raises
    ------
    CatalogueError
        There is none.
    CatalogueDamaged
        It differs.
    """
    known = deep_info(path)
    _, begin = _facts_of(known.path)
    digest = hashlib.sha256()
    with known.path.open("rb") as file:
        file.seek(begin)
        while part := file.read(1 << 20):
            digest.update(part)
    if digest.hexdigest() != known.checksum:
        raise _damaged_table(known.path, "differs from its checksum")
    return known


def _damaged_table(path: Path, fault: str) -> CatalogueDamaged:
    return CatalogueDamaged(
        f"{path} {fault}. This deep table is damaged. Type: starcal catalogue build --limit 13 "
        f"--out {path} --overwrite"
    )
