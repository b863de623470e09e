"""Writing: complete or not at all. Every output goes to a temporary name in its folder and is
renamed at the end."""

import errno
import os
import secrets
import stat
from collections.abc import Iterable, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
from astropy.io import fits

from ..errors import OutputError
from .levels import FULL_SCALE_CARD, UNIT_LIMIT, chunks
from .sky import warnings_to

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
WRITE_ADVICE = {
    errno.ENOSPC: "Free some space, or write elsewhere.",
    errno.EDQUOT: "Free some space, or write elsewhere.",
    errno.EFBIG: "The file system or a limit (ulimit -f) allows no larger file; write elsewhere.",
    errno.ENAMETOOLONG: "Give a shorter name.",
}


def check_output(path: str | Path, overwrite: bool = False) -> Path:
    """Where an output will really go (links followed), checked before any work is done.

    Parameters
    ----------
    path : str or Path
    overwrite : bool
        A file that is there may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        Something is there and `overwrite` is not set, it is not a regular file, or the folder does
        not exist or may not be written to.
    """
    target = Path(os.path.realpath(path))
    _require_free(path, target, overwrite)
    if not target.parent.is_dir():
        raise OutputError(
            f"{path}: there is no folder {target.parent}. Type: mkdir -p '{target.parent}'"
        )
    if not os.access(target.parent, os.W_OK):
        raise OutputError(
            f"{path}: its folder may not be written to. Type: chmod u+w '{target.parent}'"
        )
    return target


def _require_free(path, target, overwrite):
    """Refuse a place where something is that may not be replaced."""
    try:
        mode = os.stat(target).st_mode
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError as error:
        raise _refusal(path, error) from error
    if stat.S_ISDIR(mode):
        raise OutputError(f"{path}: this is a folder. Give a file name in it.")
    if not stat.S_ISREG(mode):
        raise OutputError(f"{path}: this is not a regular file. Give another name.")
    if not overwrite:
        raise OutputError(
            f"{path}: the file exists. Give another name, or replace it with --overwrite"
        )


def require_not_inputs(
    outputs: Iterable[str | Path], inputs: Iterable[str | Path | None]
) -> None:
    """Refuse outputs that would be written over what is read, whether or not files may be replaced.

    Parameters
    ----------
    outputs : iterable of (str or Path)
    inputs : iterable of (str or Path or None)
        None stands for what was not given.

    Raises
    ------
    OutputError
    """
    taken = {os.path.realpath(path) for path in inputs if path}
    for output in outputs:
        if os.path.realpath(output) in taken:
            raise OutputError(
                f"{output} is an input: choose another place for the output, with -o or --out"
            )


def _refusal(path, error):
    """What the system said, and what to do about it."""
    advice = WRITE_ADVICE.get(
        error.errno, "Check that the folder may be written to, or write elsewhere."
    )
    return OutputError(f"{path}: cannot be written: {error.strerror or error}. {advice}")


@contextmanager
def atomic_write(path: str | Path, overwrite: bool = False):
    """Open a file for writing bytes that takes its name only when all is written and on the disk.

    Parameters
    ----------
    path : str or Path
    overwrite : bool
        Replace an existing file.

    Yields
    ------
    BinaryIO
        For libraries that want a path: its `.name` is the temporary one.

    Raises
    ------
    OutputError
        As `check_output`; besides, the folder is read-only or the disk is full. The temporary file
        is removed, an existing output stays as it was.
    """
    target = check_output(path, overwrite)
    temporary = target.parent / f".starcal-{secrets.token_hex(6)}.part"
    try:
        with open(temporary, "xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        check_output(path, overwrite)  # somebody else may have written there in the meantime
        os.replace(temporary, target)
    except OutputError:
        raise
    except OSError as error:
        raise _refusal(path, error) from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def check_folder(folder: str | Path) -> None:
    """Whether files could be written into a folder that is there or could be made; nothing is made.

    Parameters
    ----------
    folder : str or Path

    Raises
    ------
    OutputError
        It is no folder, or it may not be written to.
    """
    there = Path(os.path.realpath(folder))
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir():
        raise OutputError(f"{folder}: {there} is not a folder. Choose another place with --out")
    if not os.access(there, os.W_OK):
        raise OutputError(
            f"{folder}: {there} may not be written to. Type: chmod u+w '{there}'; or choose "
            f"another "
            "place with --out"
        )


@contextmanager
def atomic_folder(folder: str | Path, names: Sequence[str], overwrite: bool = False):
    """Give a place for files that get into their folder only when all are written.

    A new folder takes its name at once. Into one that is there the files are moved one by one,
    which takes no time; of an earlier set of such files those are removed that are not in this one.
    Other files are never touched.

    Parameters
    ----------
    folder : str or Path
    names : sequence of str
        Every file that such a folder may hold.
    overwrite : bool
        Replace files of an earlier set.

    Yields
    ------
    Path
        A hidden folder beside, to write into. One that a killed program left behind is taken over.

    Raises
    ------
    OutputError
        As `check_folder` and `atomic_write`; nothing new is left then.
    """
    check_folder(folder)
    target = Path(os.path.realpath(folder))
    place = target.with_name(f".{target.name}.part")
    made = [path for path in (place, *place.parents) if not path.exists()]
    try:
        place.mkdir(parents=True, exist_ok=True)
        _clear(place, names)
        yield place
        _move(place, target, names, overwrite)
    except OutputError as error:
        raise OutputError(str(error).replace(str(place), str(folder))) from error
    except OSError as error:
        raise _refusal(folder, error) from error
    finally:
        _clear(place, names)
        _remove_empty([place, *made])


def _remove_empty(folders):
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()  # only if nothing is in it


def _clear(place: Path, names: Sequence[str]) -> None:
    """Remove files of ours, finished or not."""
    for path in (*(place / name for name in names), *place.glob(".starcal-*.part")):
        with suppress(OSError):
            path.unlink(missing_ok=True)


def _move(place: Path, target: Path, names: Sequence[str], overwrite: bool) -> None:
    """All files of a place into their folder."""
    if not target.exists():
        os.rename(place, target)
        return
    new = sorted(path.name for path in place.iterdir())
    for name in new:
        check_output(
            target / name, overwrite
        )  # somebody else may have written there in the meantime
    for name in new:
        os.replace(place / name, target / name)
    if overwrite:
        for name in set(names) - set(new):
            (target / name).unlink(missing_ok=True)


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
