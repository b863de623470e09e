"""Writing frames and small files, each complete or not at all."""

from pathlib import Path

import numpy as np
from astropy.io import fits

from .levels import FULL_SCALE_CARD, UNIT_LIMIT, chunks
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
    with atomic_write(path, overwrite) as file:
        file.write(output_header(pixels.shape, header, history, _exceeds_unit(pixels)))
        for plane in pixels.reshape(-1, *pixels.shape[-2:]):
            for chunk in chunks(plane):
                file.write(chunk.astype(">f4", order="C").data)
        file.write(bytes(-4 * pixels.size % FITS_BLOCK))


def _exceeds_unit(pixels: np.ndarray) -> bool:
    """Whether pixels, 1 being full scale, would be taken for numbers of another scale."""
    rows = pixels.reshape(-1, pixels.shape[-1])
    return any((chunk > UNIT_LIMIT).any() for chunk in chunks(rows))


def output_header(
    shape: tuple[int, ...],
    header: fits.Header | None,
    history: tuple[str, ...],
    exceeds_unit: bool = False,
) -> bytes:
    """Header block of a float32 primary array."""
    made = fits.Header(
        [("SIMPLE", True, "FITS file"), ("BITPIX", -32, "float32"), ("NAXIS", len(shape))]
    )
    for axis, length in enumerate(reversed(shape), start=1):
        made[f"NAXIS{axis}"] = length
    kept = (header or fits.Header()).copy(strip=True)
    for key in STALE_KEYS:
        kept.remove(key, ignore_missing=True, remove_all=True)
    with warnings_to(
        []
    ):  # cards beyond repair stay as they are; reading them has been noted already
        made.extend(kept, bottom=True)
        if exceeds_unit:
            made[FULL_SCALE_CARD] = (1.0, "number that is full scale; cores exceed it")
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
