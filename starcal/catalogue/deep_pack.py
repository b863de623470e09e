"""What of a deep table takes other stars to know, settled once for the whole sky when it is made:
what Tycho-2 says of the bright ones, those that Gaia lacks, and which are close to another one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from . import CatalogueStars, unit_vectors
from .columns import SHARPNESS_ARCSEC, has_neighbour
from .deep import (
    BP_RP,
    BRIGHT,
    DEEP_EPOCH_YR,
    DOUBLE,
    PACKED,
    deep_file,
    lit_anew,
    marks_of_records,
    packed_stars,
    unpacked_places,
    v_of_records,
)
from .dust import BY_TYCHO
from .embedded import FIRST_CELL, N_BANDS, cell_of, cone, zone
from .gaia import GAIA_MISSES_V_MAG, SAME_STAR_ARCSEC, TYCHO_FAINTEST_V_MAG

__all__ = ["settled_file"]

BANDS_AT_ONCE = 20  # of declination, 6 degrees: 0.7 million stars of the largest table


def settled_file(
    records: np.ndarray, cells: np.ndarray, motions: np.ndarray, facts: Mapping[str, Any]
) -> bytes:
    """The bytes of a table whose stars know their neighbours and Tycho-2.

    Parameters
    ----------
    records : (N,) deep.PACKED
        Marked where they are too bright for Gaia's colours.
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
    records, cells, motions = records[order], cells[order], np.asarray(motions)[order]
    added, their_cells, their_motions = _lacking_of(records, cells)
    for own, first, last in _bands(cells):
        records[own] = _with_light_of_tycho(records[own], cells[own], first, last)
    records, cells = np.append(records, added), np.append(cells, their_cells)
    order = np.argsort(cells, kind="stable")
    records, cells = records[order], cells[order]
    records["place"] |= _double_bits(records, cells)
    return deep_file(records, cells, np.concatenate([motions, their_motions])[order], facts)


def _lacking_of(
    records: np.ndarray, cells: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The brightest stars, where Gaia lacks them, as records with their cells and motions."""
    known = _sure(cone(0.0, 0.0, 180.0, epoch_yr=DEEP_EPOCH_YR, limit_mag=GAIA_MISSES_V_MAG))
    bright = np.flatnonzero(marks_of_records(records) & BRIGHT)
    row = _rows_of_tycho(records[bright], cells[bright], known)
    lacking = np.ones(len(known), bool)
    lacking[row[row >= 0]] = False
    stars = known.select(lacking)
    motions = np.rint(np.column_stack([stars.pmra_mas_yr, stars.pmdec_mas_yr]))
    return *_records_of(stars), motions


def _sure(tycho: CatalogueStars) -> CatalogueStars:
    """Those whose colours are sure."""
    return tycho.select(np.isfinite(tycho.bv_mag) & ~tycho.bv_clamped)


def _rows_of_tycho(records: np.ndarray, cells: np.ndarray, tycho: CatalogueStars) -> np.ndarray:
    """Row of each star among Tycho's, -1 for none."""
    if not len(records) or not len(tycho):
        return np.full(len(records), -1)
    places = unit_vectors(*unpacked_places(cells, records["place"]))
    reach = 2 * np.sin(np.radians(SAME_STAR_ARCSEC / 3600) / 2)
    known = cKDTree(unit_vectors(tycho.ra_deg, tycho.dec_deg))
    apart, row = known.query(places, distance_upper_bound=reach)
    return np.where(np.isfinite(apart), row, -1)


def _with_light_of_tycho(
    records: np.ndarray, cells: np.ndarray, first: int, last: int
) -> np.ndarray:
    """Stars of some bands, the bright ones with Tycho's V and B-V; those that it lacks keep
    theirs, and the mark is theirs no more."""
    bright = np.flatnonzero(marks_of_records(records) & BRIGHT)
    if not len(bright):
        return records
    tycho = _sure(
        zone(first - 1, last + 1, epoch_yr=DEEP_EPOCH_YR, limit_mag=TYCHO_FAINTEST_V_MAG)
    )
    row = _rows_of_tycho(records[bright], cells[bright], tycho)
    new, same, found = records.copy(), bright[row >= 0], row[row >= 0]
    new["place"][bright] &= np.uint32(0xFFFFFFFF ^ BRIGHT << 3)
    marks = np.full(len(found), BP_RP | BRIGHT)
    new[same] = lit_anew(records[same], tycho.v_mag[found], tycho.bv_mag[found], marks)
    return new


def _records_of(tycho: CatalogueStars) -> tuple[np.ndarray, np.ndarray]:
    """Stars of Tycho-2 as records, and their cells."""
    if not len(tycho):
        return np.zeros(0, PACKED), np.zeros(0, np.int64)
    cells, dra, ddec = cell_of(tycho.ra_deg, tycho.dec_deg)
    photometry = {
        "v_mag": tycho.v_mag,
        "bv_mag": tycho.bv_mag,
        "bv_clamped": np.zeros(len(tycho), bool),
        "bv_source": np.full(len(tycho), BY_TYCHO),
        "bv_fit_error_mag": np.zeros(len(tycho)),
    }
    records = packed_stars(dra, ddec, photometry, np.ones(len(tycho), bool))
    records["place"] |= np.where(tycho.double, DOUBLE << 3, 0).astype(np.uint32)
    return records, cells


def _double_bits(records: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """The bit of those that have a neighbour; records lie in the order of cells."""
    bits = np.zeros(len(records), np.uint32)
    for own, first, last in _bands(cells):
        edges = FIRST_CELL[[max(first - 1, 0), min(last + 1, N_BANDS)]]  # a band more
        seen = slice(*np.searchsorted(cells, edges))
        places = unpacked_places(cells[seen], records["place"][seen])
        close = has_neighbour(*places, v_of_records(records[seen]), SHARPNESS_ARCSEC["gaia"])
        inner = slice(own.start - seen.start, own.stop - seen.start)
        bits[own] = np.where(close[inner], DOUBLE << 3, 0)
    return bits


def _bands(cells: np.ndarray) -> Iterator[tuple[slice, int, int]]:
    """Rows of some bands of declination at a time, and which bands; cells are rising."""
    for first in range(0, N_BANDS, BANDS_AT_ONCE):
        last = first + BANDS_AT_ONCE
        begin, end = np.searchsorted(cells, FIRST_CELL[[first, last]])
        if end > begin:
            yield slice(begin, end), first, last
