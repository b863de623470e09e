"""What programs read on: the star table as ECSV, results as JSON."""

import io
import json
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import Table

from ..frame import write_bytes
from ..stars import CHANNELS, FLAG_REASONS

UNIT_OF_SUFFIX = {"px": u.pix, "deg": u.deg, "arcsec": u.arcsec, "mag": u.mag}
COLUMN_TEXTS = {
    "x_px": "centroid along the row, 0 is the centre of the first pixel",
    "y_px": "centroid along the column",
    "snr": "signal-to-noise at detection, all channels",
    "fwhm_px": "full width at half maximum",
    "roundness": "minor over major axis, 1 is round",
    "flags": "why not to use the star, sum of bits: see meta, flags",
    "saturated_channels": "channels at or near the clipping level; empty (read back as masked) for "
    "none",
    "ra_deg": "catalogue, ICRS, at the epoch of the frame",
    "dec_deg": "catalogue, ICRS, at the epoch of the frame",
    "v_mag": "catalogue, Johnson V",
    "bv_mag": "catalogue, Johnson B-V as observed",
    "bv_error_mag": "catalogue, stated error of B-V",
    "hip": "catalogue, Hipparcos number, 0 for none",
    "colour_bv_mag": "B-V of the colour that the star was given",
    "colour_source": "where that colour is from",
}
CHANNEL_TEXTS = {
    "flux": "flux in the aperture, sky subtracted, of full scale",
    "flux_error": "1-sigma error of the flux",
    "sky": "sky per pixel round the star, of full scale",
    "peak": "brightest pixel, of full scale",
}
COLUMN_TEXTS |= {
    f"{name}_{c}": f"{text}, channel {c}" for name, text in CHANNEL_TEXTS.items() for c in CHANNELS
}


def write_stars(path: str | Path, table: Table, overwrite: bool = False) -> None:
    """Write a star table as ECSV, with units, descriptions, and what each bit of the flags means.

    Parameters
    ----------
    path : str or Path
    table : Table
        Of `measure_stars`, with whatever columns were added; a unit that is missing follows from
        the name's ending.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    told = table.copy(copy_data=False)
    for name in told.colnames:
        column = told[name]
        column.unit = column.unit or UNIT_OF_SUFFIX.get(name.rsplit("_", 1)[-1])
        column.description = column.description or COLUMN_TEXTS.get(name)
    told.meta = {name: plain(value) for name, value in table.meta.items()}
    told.meta["flags"] = {
        flag.value: f"{flag.name.lower()}: {reason}" for flag, reason in FLAG_REASONS.items()
    }
    text = io.StringIO()
    with np.printoptions(legacy=False):  # under older printing habits numbers would lose digits
        told.write(text, format="ascii.ecsv")
    write_bytes(path, text.getvalue().encode(errors="replace"), overwrite)


def floats_of(table: Table, name: str) -> np.ndarray:
    """A column as floats, (n,): NaN where it is masked, and throughout where the table has not got
    it."""
    if name not in table.colnames:
        return np.full(len(table), np.nan)
    return np.asarray(
        np.ma.filled(np.ma.asarray(table[name], float), np.nan)
    )  # of no class of astropy's


def write_json(path: str | Path, mapping: Mapping, overwrite: bool = False) -> None:
    """Write plain numbers, strings and lists as JSON; values that could not be measured are None,
    never NaN.

    Raises
    ------
    OutputError
        As `atomic_write`.
    ValueError
        A number is not finite.
    """
    text = json.dumps(mapping, indent=2, ensure_ascii=False, allow_nan=False)
    write_bytes(path, f"{text}\n".encode(errors="replace"), overwrite)


def plain(value):
    """Python's own numbers, lists and dicts, which YAML and JSON can hold."""
    if is_dataclass(value):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(entry) for entry in value]
    if isinstance(value, Path):
        return str(value)
    return value.item() if isinstance(value, np.generic) else value
