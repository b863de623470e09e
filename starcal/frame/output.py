"""Writing frames and small files, each complete or not at all."""

from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO

import numpy as np
from astropy.io import fits
from astropy.table import Table

from .levels import FULL_SCALE_CARD, UNIT_FLOOR, UNIT_LIMIT, chunks
from .sky import warnings_to
from .whole import atomic_write

FITS_BLOCK = 2880
TIFF_ROWS = 64  # rows converted at a time: they stay in the cache
# What a header says of the numbers of the old file, or of its place among extensions; the rest is
# kept.
STALE_KEYS = (
    "BLANK",
    "BUNIT",
    "CHECKSUM",
    "DATASUM",
    "DATAMIN",
    "DATAMAX",
    "EXTNAME",
    "EXTVER",
    "EXTLEVEL",
    "INHERIT",
    "BLOCKED",
    "EXTEND",
    FULL_SCALE_CARD,
)


def write_fits(
    path: str | Path,
    pixels: np.ndarray,
    header: fits.Header | None = None,
    *,
    history: tuple[str, ...] = (),
    overwrite: bool = False,
) -> None:
    """Write pixels as float32 FITS, with the header of the input.

    Parameters
    ----------
    path : str or Path
    pixels : (channel, y, x) or (y, x), any real type
        Or what gives such channels one by one, as `layers.Starless` does.
    header : astropy.io.fits.Header, optional
        Kept, WCS, COMMENT, HISTORY and HIERARCH included, except what describes the storage of the
        old file.
    history : tuple of str
        What starcal did; a HISTORY card each, or more for long ones.
    overwrite : bool

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    if pixels.ndim not in (2, 3):
        raise ValueError(
            f"pixels must have the axes (channel, y, x) or (y, x), not the shape {pixels.shape}"
        )
    planes = pixels if pixels.ndim == 3 else pixels[None]
    with atomic_write(path, overwrite) as file:
        full_scale = 1.0 if hides_scale(planes) else None
        file.write(output_header(pixels.shape, header, history, full_scale=full_scale))
        _write_planes(file, planes, np.dtype(np.float32))


def write_fits_numbers(
    path: str | Path,
    numbers: np.ndarray,
    header: fits.Header,
    *,
    full_scale: float | None,
    history: tuple[str, ...] = (),
    overwrite: bool = False,
) -> None:
    """Write numbers as FITS of their own type, whole or floating point.

    Parameters
    ----------
    path : str or Path
    numbers : (channel, y, x)
    header : astropy.io.fits.Header
        Kept as by `write_fits`; besides, BLANK of whole numbers.
    full_scale : float or None
        Number that is full scale, where the numbers would mislead.
    history : tuple of str
    overwrite : bool

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    stored, zero = _as_stored(numbers)
    cards = {"BZERO": zero, "BSCALE": 1} if zero else {}
    if stored.dtype.kind != "f" and "BLANK" in header:
        cards["BLANK"] = header["BLANK"]
    bits = 8 * stored.itemsize * (-1 if stored.dtype.kind == "f" else 1)
    with atomic_write(path, overwrite) as file:
        head = output_header(
            numbers.shape, header, history, full_scale=full_scale, bits=bits, cards=cards
        )
        file.write(head)
        _write_planes(file, stored, stored.dtype)


def _write_planes(file: BinaryIO, planes: Iterable[np.ndarray], kind: np.dtype) -> None:
    """The data of a FITS file, padded to whole blocks, with no copy of a whole plane."""
    written = 0
    for plane in planes:
        for chunk in chunks(plane):
            written += file.write(chunk.astype(kind.newbyteorder(">"), order="C").data)
    file.write(bytes(-written % FITS_BLOCK))


def _as_stored(numbers: np.ndarray) -> tuple[np.ndarray, int]:
    """Numbers of a type that FITS has, and what is to be added to them (FITS standard 4.0, table
    11): without a sign if they have 8 bits, with one if they have more."""
    kind, bits = numbers.dtype, 8 * numbers.itemsize
    if kind.kind == "f" or (kind.kind == "u") == (bits == 8):
        return numbers, 0
    half = 1 << (bits - 1)
    other = np.dtype(f"{'u' if kind.kind == 'i' else 'i'}{numbers.itemsize}")
    flipped = numbers.view(f"u{numbers.itemsize}") ^ np.array(half, f"u{numbers.itemsize}")
    return flipped.view(other), -half if bits == 8 else half


def hides_scale(planes: Iterable[np.ndarray]) -> bool:
    """Whether channels, 1 being full scale, would be taken for numbers of another scale: too bright
    for it, or all of them dark, as a dim frame is without its stars."""
    lit = False
    for plane in planes:
        for chunk in chunks(plane):
            if (chunk > UNIT_LIMIT).any():
                return True
            lit = lit or bool((chunk >= UNIT_FLOOR).any())
    return not lit


def output_header(
    shape: tuple[int, ...],
    header: fits.Header | None,
    history: tuple[str, ...],
    *,
    full_scale: float | None = None,
    bits: int = -32,
    cards: dict[str, int] | None = None,
) -> bytes:
    """Header block of a primary array, by default of float32; full scale is stated where it is
    given, and cards are those of the numbers."""
    kind = "float" if bits < 0 else "integer"
    made = fits.Header(
        [
            ("SIMPLE", True, "FITS file"),
            ("BITPIX", bits, f"{kind}{abs(bits)}"),
            ("NAXIS", len(shape)),
        ]
    )
    for axis, length in enumerate(reversed(shape), start=1):
        made[f"NAXIS{axis}"] = length
    for key, value in (cards or {}).items():
        made[key] = value
    kept = (header or fits.Header()).copy(strip=True)
    for key in STALE_KEYS:
        kept.remove(key, ignore_missing=True, remove_all=True)
    with warnings_to(
        []
    ):  # cards beyond repair stay as they are; reading them has been noted already
        made.extend(kept, bottom=True)
        if full_scale is not None:
            made[FULL_SCALE_CARD] = (full_scale, "number that is full scale")
        for line in history:
            made.add_history(" ".join(line.encode("ascii", "replace").decode().split()))
        return made.tostring().encode("ascii", "replace")


def write_tiff16(path: str | Path, pixels: np.ndarray, *, overwrite: bool = False) -> None:
    """Write a colour picture as 16-bit RGB TIFF, 1 becoming 65535; what is outside [0, 1] is
    clipped, NaN is black.

    Row 0 of `pixels` is the bottom of the picture, as in a `Frame`; TIFF stores the top first.

    Parameters
    ----------
    path : str or Path
    pixels : (3, y, x) float
    overwrite : bool

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    import tifffile

    numbers = _to_16_bits(pixels)
    with atomic_write(path, overwrite) as file:
        tifffile.imwrite(file, numbers, photometric="rgb", software="starcal", metadata=None)


def _to_16_bits(pixels):
    """(y, x, 3) uint16, top row first."""
    rows = pixels.shape[1]
    numbers = np.empty((*pixels.shape[1:], 3), np.uint16)
    for first in range(0, rows, TIFF_ROWS):
        end = min(first + TIFF_ROWS, rows)
        target = numbers[rows - end : rows - first][::-1]
        for channel, plane in enumerate(pixels):
            inside = np.fmin(
                np.fmax(plane[first:end], np.float32(0)), np.float32(1)
            )  # fmax turns NaN into 0
            target[..., channel] = inside * np.float32(65535) + np.float32(0.5)
    return numbers


def write_bytes(path: str | Path, content: bytes, overwrite: bool = False) -> None:
    """Write a small file, complete or not at all.

    Parameters
    ----------
    path : str or Path
    content : bytes
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    with atomic_write(path, overwrite=overwrite) as file:
        file.write(content)


def add_fits_table(path: str | Path, table: Table, name: str) -> None:
    """Append a table to a FITS file that is being made.

    Parameters
    ----------
    path : str or Path
        Under its hidden name: see `whole.atomic_files`.
    table : astropy.table.Table
        Whole numbers among its meta become cards.
    name : str
        Of the extension.
    """
    extension = fits.BinTableHDU(table, name=name)
    with fits.open(path, mode="append") as file:
        file.append(extension)
