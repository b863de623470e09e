"""What programs read on: the star table as ECSV, results as JSON."""

import io
import json
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from pathlib import Path

import numpy as np
from astropy.table import Table

from ..frame import write_bytes
from ..stars import FLAG_REASONS
from ..stars.columns import COLUMN_OF


def write_stars(path: str | Path, table: Table, overwrite: bool = False) -> None:
    """Write a star table as ECSV, with units, descriptions, and what each bit of the flags means.

    Parameters
    ----------
    path : str or Path
    table : Table
        Of `measure_stars`, with whatever columns were added; units and meanings of those of
        `COLUMN_OF` are written beside them.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    told = table.copy(copy_data=False)
    for name in set(told.colnames) & set(COLUMN_OF):
        told[name].unit = COLUMN_OF[name].unit
        told[name].description = COLUMN_OF[name].meaning
    told.meta = {name: plain(value) for name, value in table.meta.items() if name != "defects"}
    if "defects" in table.meta:  # counts alone: every pixel of them would be a long list
        told.meta["hot_pixels"] = list(table.meta["defects"].hot_pixels)
        told.meta["bad_columns"] = list(table.meta["defects"].columns)
    told.meta["flags"] = {
        flag.value: f"{flag.name.lower()}: {reason}" for flag, reason in FLAG_REASONS.items()
    }
    text = io.StringIO()
    with np.printoptions(legacy=False):  # under older printing habits numbers would lose digits
        told.write(text, format="ascii.ecsv")
    write_bytes(path, text.getvalue().encode(errors="replace"), overwrite)


def floats_of(table: Table, name: str) -> np.ndarray:
    """A column as floats.

    Parameters
    ----------
    table : Table
        Of n rows.
    name : str
        Of the column.

    Returns
    -------
    ndarray, (n,)
        NaN where it is masked, and throughout where the table has not got it.
    """
    if name not in table.colnames:
        return np.full(len(table), np.nan)
    return np.asarray(
        np.ma.filled(np.ma.asarray(table[name], float), np.nan)
    )  # of no class of astropy's


def write_json(path: str | Path, mapping: Mapping, overwrite: bool = False) -> None:
    """Write plain numbers, strings and lists as JSON; values that could not be measured are None,
    never NaN.

    Parameters
    ----------
    path : str or Path
    mapping : Mapping
        Of what JSON can hold.
    overwrite : bool
        Replace an existing file.

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
    """Python's own numbers, lists and dicts, which YAML and JSON can hold.

    Parameters
    ----------
    value : object
        Number, array, mapping, sequence, path, frozen result.

    Returns
    -------
    object
        The same in Python's own types.
    """
    if is_dataclass(value):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(entry) for entry in value]
    if isinstance(value, Path):
        return str(value)
    return value.item() if isinstance(value, np.generic) else value
