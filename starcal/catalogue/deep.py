"""A deep table of one's own: six bytes a star, made once from Gaia, read without a network.

One file: a line that says what it is, the length of its facts, the facts as JSON, and after them
the first record of each cell, the records, and the fast stars with their motions. The cells are
those of the embedded catalogue, and so are the ways to find a field in them: one run of records for
each band of declination. What takes other stars to know (which are close to another one, what
Tycho-2 says of the bright ones) was settled when the table was made (`deep_pack`), so that a field
is read as quickly as one of the embedded catalogue.
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
from ..inputs import at_home
from ..texts import path_as_typed
from . import CatalogueStars, move, separation_from_deg
from .columns import EPOCH_YR, NAMES
from .dust import BY_BP_RP, BY_SPECTRA, BY_TYCHO
from .embedded import (
    FASTEST_ARCSEC_YR,
    FIRST_CELL,
    bv_error_model,
    cells_around,
    position_in_cell,
)
from .folders import cache_folder
from .gaia import (
    DWARF_BV_ERROR_MAG,
    GIANT_BV_ERROR_MAG,
    SPECTRA_BV_ERROR_MAG,
    SPECTRA_NOISE,
    gaia_noise_mag,
)

__all__ = ["DeepInfo", "deep_cone", "deep_info", "deep_path", "verify_deep"]

MARK = b"starcal deep table 2\n"
OLDER_MARK = b"starcal deep table 1\n"  # whose doubles and bright stars were not settled yet
ALIGN = 64
PACKED = np.dtype([("place", "<u4"), ("light", "<u2")])  # 12 bits, 12, 8; 16
ROW, MOTION = np.dtype("<u4"), np.dtype(("<i2", 2))  # of the fast stars; mas/yr
STEPS_IN_CELL = 4096  # of 0.3 degree: 0.26 arcsec each, 0.08 rms
V_FIRST_MAG, V_STEP_MAG, V_CODES = -1.5, 0.0175, 1024  # Sirius to 16.4, to 0.009 at most
BV_FIRST_MAG, BV_STEP_MAG, NO_BV_CODE = -0.5, 0.0055, 511
FAST_MAS_YR = 40.0  # slower stars stay where they were in 2016: 0.6 arcsec in 14 years at most
# How B-V was come by, two bits; a red star by BP-RP may be a giant, which the relation is not for
NO_COLOUR, SPECTRA, BP_RP, BP_RP_GIANT = range(4)
# Bits beside these; bright: too much so for Gaia's colours, in a whole table those of Tycho-2
CLAMPED, BRIGHT, DOUBLE = 4, 8, 16
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
    fast_rows: np.ndarray  # (M,) ROW, rising
    motions: np.ndarray  # (M, 2) of these rows


def deep_path() -> Path:
    """Where the deep table is, or would be: STARCAL_DEEP, or `deep.stars` in the cache folder.

    Returns
    -------
    Path
    """
    named = os.environ.get("STARCAL_DEEP")
    return at_home(named) if named else cache_folder() / "deep.stars"


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
    years = epoch_yr - DEEP_EPOCH_YR
    reach_deg = min(radius_deg + abs(years) * FASTEST_ARCSEC_YR / 3600 + 1e-3, 180.0)
    records, cells, moving, motions = _records_around(table, ra_deg, dec_deg, reach_deg)
    places = np.array(unpacked_places(cells, records["place"]))
    pm = np.zeros((2, len(records)))
    pm[:, moving] = motions.T
    places[:, moving], pm[:, moving] = _after_years(places[:, moving], pm[:, moving], years)
    inside = separation_from_deg(places[0], places[1], ra_deg, dec_deg) <= radius_deg
    return _unpacked_stars(table, records[inside], places[:, inside], pm[:, inside], epoch_yr)


def _records_around(
    table: _Table, ra_deg: float, dec_deg: float, reach_deg: float
) -> tuple[np.ndarray, ...]:
    """Records of all cells that a circle touches, the cell of each; which of them are fast, and
    their motions."""
    records, cells = [np.zeros(0, PACKED)], [np.zeros(0, np.int64)]
    moving, motions, count = [np.zeros(0, np.int64)], [np.zeros((0, 2))], 0
    for first, stop in cells_around(ra_deg, dec_deg, reach_deg):
        starts = table.cell_starts[first : stop + 1]
        ends = starts[[0, -1]]
        records.append(table.records[ends[0] : ends[1]])
        cells.append(np.repeat(np.arange(first, stop), np.diff(starts)))
        begin, end = np.searchsorted(table.fast_rows, ends)  # of one kind: nothing is copied
        moving.append(table.fast_rows[begin:end].astype(np.int64) - int(ends[0]) + count)
        motions.append(table.motions[begin:end])
        count += len(records[-1])
    return tuple(np.concatenate(part) for part in (records, cells, moving, motions))


def _after_years(
    places: np.ndarray, pm: np.ndarray, years: float
) -> tuple[np.ndarray, np.ndarray]:
    """Places and motions of the fast stars after years, (2, M) each."""
    if not years or not places.size:
        return places, pm
    ra_deg, dec_deg, pmra, pmdec = move(places[0], places[1], pm[0], pm[1], years)
    return np.array([ra_deg, dec_deg]), np.array([pmra, pmdec])


def _unpacked_stars(
    table: _Table, records: np.ndarray, places: np.ndarray, pm: np.ndarray, epoch_yr: float
) -> CatalogueStars:
    """Records, at places and with motions at an epoch, as stars."""
    place = records["place"]
    v_mag, bv_mag = _unpacked_light((place & 7) << 16 | records["light"])
    marks = (place >> 3) & 31
    errors = _errors_of(marks, v_mag)
    return CatalogueStars(
        ra_deg=places[0],
        dec_deg=places[1],
        pmra_mas_yr=pm[0].astype(np.float32),
        pmdec_mas_yr=pm[1].astype(np.float32),
        v_mag=v_mag.astype(np.float32),
        bv_mag=bv_mag.astype(np.float32),
        bv_error_mag=errors,
        bv_clamped=(marks & CLAMPED) != 0,
        double=(marks & DOUBLE) != 0,
        no_pm=np.zeros(len(records), bool),
        hip=np.zeros(len(records), np.int32),
        name=NAMES["gaia"],
        limit_mag=float(table.facts["limit_mag"]),
        epoch_yr=float(epoch_yr),
        bv_fit_error_mag=errors,
        bv_source=_WAY_OF_MARKS[marks & (BRIGHT | 3)],
    )


def _unpacked_light(code: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """V and B-V."""
    bv_code = code & 511
    bv_mag = BV_FIRST_MAG + BV_STEP_MAG * bv_code
    return (
        V_FIRST_MAG + V_STEP_MAG * (code >> 9),
        np.where(bv_code == NO_BV_CODE, np.nan, bv_mag),
    )


def unpacked_places(cells: np.ndarray, place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places of records.

    Parameters
    ----------
    cells : (N,) int
    place : (N,) uint32
        The column of that name.

    Returns
    -------
    ra_deg, dec_deg : (N,) float64
        Of the middle of a step.
    """
    finer = 65536 // STEPS_IN_CELL
    half = finer // 2 - 0.5
    dra, ddec = place >> 20, (place >> 8) & 4095
    return position_in_cell(cells, dra * float(finer) + half, ddec * float(finer) + half)


def _way_of_marks(marks: int) -> str:
    """How B-V was come by, as the bits say."""
    if marks & BRIGHT:
        return BY_TYCHO
    return BY_SPECTRA if marks == SPECTRA else BY_BP_RP


_WAY_OF_MARKS = np.array([_way_of_marks(marks) for marks in range(2 * BRIGHT)])


def _errors_of(marks: np.ndarray, v_mag: np.ndarray) -> np.ndarray:
    """Errors of B-V without dust, smooth in V, as `gaia.gaia_photometry` and Tycho-2 have them."""
    way = marks & 3
    own = np.array([GIANT_BV_ERROR_MAG, SPECTRA_BV_ERROR_MAG, DWARF_BV_ERROR_MAG])
    own = np.append(own, GIANT_BV_ERROR_MAG)[way]
    noise = np.where(way == SPECTRA, SPECTRA_NOISE, 1.0) * gaia_noise_mag(v_mag)
    of_tycho = (marks & BRIGHT) != 0
    return np.where(of_tycho, bv_error_model(v_mag), np.hypot(own, noise)).astype(np.float32)


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
        Too bright for Gaia's colours.

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


def lit_anew(
    records: np.ndarray, v_mag: np.ndarray, bv_mag: np.ndarray, marks: np.ndarray
) -> np.ndarray:
    """Records at their places with another light.

    Parameters
    ----------
    records : (N,) PACKED
    v_mag, bv_mag : (N,) float
    marks : (N,) int
        How B-V was come by, and the bits beside that.

    Returns
    -------
    (N,) PACKED
    """
    light, _ = _packed_light(v_mag, bv_mag)
    new = records.copy()
    place = records["place"] & np.uint32(0xFFFFFF00)
    new["place"] = place | marks.astype(np.uint32) << 3 | light >> 16
    new["light"] = light & 0xFFFF
    return new


def marks_of_records(records: np.ndarray) -> np.ndarray:
    """How B-V was come by, and the bits beside that.

    Parameters
    ----------
    records : (N,) PACKED

    Returns
    -------
    (N,) uint32
    """
    return (records["place"] >> 3) & 31


def v_of_records(records: np.ndarray) -> np.ndarray:
    """V of records.

    Parameters
    ----------
    records : (N,) PACKED

    Returns
    -------
    (N,) float64
    """
    return _unpacked_light((records["place"] & 7) << 16 | records["light"])[0]


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
        Of each record, rising.
    motions : (N, 2) array_like
        Proper motions, mas/yr.
    facts : mapping
        `limit_mag`, `date`, `address`.

    Returns
    -------
    bytes
    """
    starts = np.searchsorted(cells, np.arange(FIRST_CELL[-1] + 1)).astype(ROW)
    motions = np.asarray(motions)
    moving = np.flatnonzero(np.hypot(*motions.T.astype(float)) > FAST_MAS_YR)
    fast = moving.astype(ROW), motions[moving].astype(MOTION.base)
    body = b"".join([_aligned_bytes(part) for part in (starts, records, *fast)])
    header = {
        **facts,
        "rows": len(records),
        "fast": len(moving),
        "checksum": hashlib.sha256(body).hexdigest(),
    }
    text = json.dumps(header).encode()
    head = MARK + f"{len(text):08d}\n".encode() + text
    return head + b"\n" * (-len(head) % ALIGN) + body


def _aligned_bytes(array: np.ndarray) -> bytes:
    plain = array.tobytes()
    return plain + bytes(-len(plain) % ALIGN)


def _facts_of(path: Path) -> tuple[dict[str, Any], int]:
    """What a table says of itself, and where its numbers begin."""
    try:
        with path.open("rb") as file:
            mark = file.read(len(MARK))
            if mark == OLDER_MARK:
                raise CatalogueDamaged(
                    f"{path} was made by an older starcal, in another form. Type: starcal "
                    f"catalogue build --limit 13 --out {path_as_typed(path)} --overwrite"
                )
            if mark != MARK:
                raise ValueError("it does not begin as one")
            length = int(file.read(9))
            facts = json.loads(file.read(length))
        _ = float(facts["limit_mag"]), int(facts["rows"]), int(facts["fast"])
    except FileNotFoundError:
        raise CatalogueError(
            f"{path}: there is no deep table. Make it once, with a network: starcal catalogue "
            f"build --limit 13 --out {path_as_typed(path)} - or name it: export STARCAL_DEEP=FILE"
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
    content = np.memmap(path, np.uint8, "r").view(np.ndarray)  # a plain array is sliced quicker
    shapes = (
        (ROW, int(FIRST_CELL[-1]) + 1),
        (PACKED, facts["rows"]),
        (ROW, facts["fast"]),
        (MOTION, facts["fast"]),
    )
    arrays = []
    for kind, count in shapes:
        end = begin + kind.itemsize * count
        if end > size_bytes:
            raise _damaged_table(path, "is cut off")
        arrays.append(content[begin:end].view(kind.base).reshape(count, *kind.shape))
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
        f"--out {path_as_typed(path)} --overwrite"
    )
