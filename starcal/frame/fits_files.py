"""Planes and header from a FITS file: cubes, three extensions, single planes; any number type,
compressed or not."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil, prod
from pathlib import Path
from threading import Lock

import numpy as np
from astropy.io import fits
from astropy.table import Table

from ..cores import done_in_threads
from ..errors import FrameError, OneChannelError
from .cards import mend, require_sane_lengths
from .levels import CHUNK_PIXELS
from .mosaic import (
    CELL_PX,
    Mosaic,
    cells_note,
    header_of_cells,
    holds_mosaic,
    in_cells,
    mosaic_of,
    raw_frame_error,
)
from .room import room_for
from .size_limit import require_within_limit
from .sky import card_value, merged_header, warnings_to

GZIP_LIMIT = 1040  # deflate cannot do better than 1032 to 1
COMPRESSION_LIMIT = 10_000  # tiles of one value shrink to a few bytes
THUMBNAIL_SHARE = 0.1  # of the numbers
NAMES_OF_PLANES = ({"R": 0, "RED": 0}, {"G": 1, "GREEN": 1}, {"B": 2, "BLUE": 2})
COMPOSE = "starcal compose --red A --green B --blue C -o OUT"


@dataclass(frozen=True, eq=False, kw_only=True)
class Raw:
    """Planes as a file has them: float32, native, in the numbers of the file; not yet scaled or
    judged."""

    pixels: np.ndarray  # (channel, y, x), 1 or 3 channels
    header: fits.Header
    kinds: tuple[str, ...]  # number type per channel, e.g. "uint16"
    filters: tuple[str | None, ...]
    notes: tuple[str, ...] = ()
    is_picture: bool = (
        False  # TIFF, PNG, JPEG: rows were stored from the top, WCS comes from elsewhere
    )
    cell_px: int = 1  # pixels of the file along a side of one here: 2 for cells of a raw frame
    icc_profile: bytes | None = None


@dataclass(frozen=True)
class FilePlane:
    """One channel still in the file."""

    hdu: object
    rows: Callable  # (first, end) -> array (rows, x)
    shape: tuple[int, int]


def load_fits(path: Path, channels: int, cells: bool = False) -> Raw:
    """Read `channels` planes (1 or 3), checked for size before anything is allocated; with `cells`
    a raw frame of a colour camera as three.

    The file is opened here because astropy leaves a damaged one open; integers are not made
    unsigned by astropy (`uint=False`) because it then forgets BLANK.
    """
    notes: list[str] = []
    require_sane_lengths(path)
    with (
        warnings_to(notes),
        open(path, "rb") as file,
        fits.open(file, memmap=False, uint=False) as hdus,
    ):
        for hdu in hdus:
            mend(hdu.header)
        images = _without_thumbnails(hdus, notes)
        mosaic = _mosaic_alone(images, path.name)
        if mosaic is not None and channels == 3 and not cells:
            raise raw_frame_error(mosaic, path.name)
        planes = _choose(images, 1 if mosaic else channels, path.name, notes)
        for hdu in {id(plane.hdu): plane.hdu for plane in planes}.values():
            _check_claim(hdu, path)
        raw = Raw(
            header=_joint_header([plane.hdu for plane in planes], hdus[0]),
            kinds=tuple(_number_kind(plane.hdu.header) for plane in planes),
            filters=_filters_of_planes(planes),
            pixels=_read_planes(planes),  # last: astropy changes BITPIX and BZERO as it reads
        )
    raw = replace(raw, notes=tuple(notes))
    return raw if mosaic is None else _without_mosaic(raw, mosaic, channels, path.name)


def stored_numbers(path: Path) -> np.ndarray:
    """The three planes of a colour frame in the numbers and the number type of its file, which has
    been read before; float32 where planes differ or the file scales whole numbers.

    Parameters
    ----------
    path : Path

    Returns
    -------
    ndarray, (3, y, x)
        Whole numbers that stand for no data stay.
    """
    with (
        warnings_to([]),
        open(path, "rb") as file,
        fits.open(file, memmap=False, uint=False) as hdus,
    ):
        for hdu in hdus:
            mend(hdu.header)
        planes = _choose(_without_thumbnails(hdus, []), 3, path.name, [])
        headers = [plane.hdu.header for plane in planes]
        kinds = {_number_kind(header) for header in headers}
        alike = len(kinds) == 1 and not any("stored" in kind for kind in kinds)
        blank = card_value(headers[0], "BLANK")
        zero = headers[0].get("BZERO", 0)
        return _read_planes(
            planes,
            np.dtype(kinds.pop() if alike else np.float32),
            np.nan if blank is None else blank + zero,
        )


def read_fits_table(path: Path, name: str) -> Table | None:
    """A table that a FITS file holds besides its picture.

    Parameters
    ----------
    path : Path
    name : str
        Of the extension.

    Returns
    -------
    Table or None
        None: there is none of that name.
    """
    with fits.open(path, memmap=False, lazy_load_hdus=True) as hdus:
        if name not in hdus:
            return None
        return Table.read(hdus[name])


def _mosaic_alone(images, name: str) -> Mosaic | None:
    """How the colours lie in the one picture of a file, if that is a raw frame."""
    if len(images) != 1 or len(_kept_axes(images[0])) != 2:
        return None
    rows = _file_plane(images[0]).shape[0]
    return mosaic_of(images[0].header, rows, name)


def _without_mosaic(raw: Raw, mosaic: Mosaic, channels: int, name: str) -> Raw:
    """The cells of a raw frame; or one channel, where only its header is still that of one."""
    plane = raw.pixels[0]
    if channels == 1:
        if holds_mosaic(plane):
            raise raw_frame_error(mosaic, name)
        return raw
    return replace(
        raw,
        pixels=in_cells(plane, mosaic),
        header=header_of_cells(raw.header),
        kinds=raw.kinds * 3,
        filters=(None,) * 3,
        notes=(*raw.notes, *cells_note(plane, mosaic)),
        cell_px=CELL_PX,
    )


def _without_thumbnails(hdus, notes):
    """The pictures of a file, but those far smaller than its largest, which show the same."""
    images = [hdu for hdu in hdus if _holds_picture(hdu)]
    largest = max((prod(_hdu_shape(hdu)) for hdu in images), default=0)
    kept = [hdu for hdu in images if prod(_hdu_shape(hdu)) > THUMBNAIL_SHARE * largest]
    if len(kept) < len(images):
        notes.append("The file holds a thumbnail, too; it was left aside.")
    return kept


def _holds_picture(hdu):
    return hdu.is_image and len(_hdu_shape(hdu)) >= 2 and prod(_hdu_shape(hdu)) > 0


def _read_planes(planes, kind=np.float32, blank=np.nan):
    rows, columns = planes[0].shape
    pixels = room_for((len(planes), rows, columns), kind)
    step = max(1, CHUNK_PIXELS // columns)
    one_reader = Lock()  # one file, one place in it

    def read(part):
        plane, target, first = part
        with one_reader:
            numbers = plane.rows(first, min(first + step, rows))
        if not np.isnan(blank):
            numbers = np.where(np.isnan(numbers), blank, numbers)
        # what float32 cannot hold becomes inf, and is counted later
        with np.errstate(over="ignore", invalid="ignore"):
            target[first : first + step] = numbers

    parts = [
        (plane, target, first)
        for plane, target in zip(planes, pixels, strict=True)
        for first in range(0, rows, step)
    ]
    done_in_threads(read, parts)
    return pixels


# --------------------------------------------------------------------------------------------------
# which planes


def _choose(images, channels, name, notes):
    """The planes to read, in order R, G, B."""
    cubes = [hdu for hdu in images if _channel_axis(hdu) is not None]
    flat = [hdu for hdu in images if len(_kept_axes(hdu)) == 2]
    if channels == 1:
        if len(flat) != 1 or cubes:
            found = "a colour frame" if cubes else f"{len(flat)} pictures"
            raise FrameError(
                f"{name}: one channel was expected, this file holds {found}. Give a colour frame "
                "by itself, without --red --green --blue; else save the channel alone."
            )
        return [_file_plane(flat[0])]
    if cubes:
        if len(cubes) > 1:
            notes.append(f"The file holds {len(cubes)} colour frames; the first was taken.")
        return [_file_plane(cubes[0], channel) for channel in range(3)]
    return [_file_plane(hdu) for hdu in _three_extensions(flat, images, name, notes)]


def _three_extensions(flat, images, name, notes):
    named = [[hdu for hdu in flat if hdu.name.upper() in names] for names in NAMES_OF_PLANES]
    if all(len(found) == 1 for found in named):
        chosen = [found[0] for found in named]
    elif len(flat) == 3:
        chosen = flat
        notes.append(
            "Three pictures in one file, not named R, G, B: they were taken as R, G, B in that "
            "order."
        )
    else:
        alone = len(flat) == len(images) == 1
        raise (OneChannelError if alone else FrameError)(
            f"{name}: {_what_is_there(flat, images)}; three channels are needed. "
            f"{_advice_by_planes(flat)}"
        )
    if len({_file_plane(hdu).shape for hdu in chosen}) > 1:
        sizes = ", ".join("{1} x {0}".format(*_file_plane(hdu).shape) for hdu in chosen)
        raise FrameError(
            f"{name}: its three pictures differ in size ({sizes}). Register them on one pixel grid "
            f"first."
        )
    return chosen


def _what_is_there(flat, images):
    if len(flat) == 1:
        return "this is a picture of 1 channel"
    if flat:
        return (
            f"the file holds {len(flat)} pictures of 1 channel and does not name them R, G, B"
        )
    if images:
        axes = " x ".join(str(n) for n in reversed(_hdu_shape(images[0])))
        return f"its picture has the axes {axes}"
    return "there is no picture in this file"


def _advice_by_planes(flat):
    return (
        f"Put three of them together: {COMPOSE}"
        if flat
        else "Save the picture as three planes, R, G, B."
    )


def _hdu_shape(hdu):
    return tuple(hdu.shape or ())


def _kept_axes(hdu):
    """Axes (numpy order) that count: those of length 1 are dropped where there are more than
    two."""
    shape = _hdu_shape(hdu)
    return [axis for axis, length in enumerate(shape) if length > 1 or len(shape) == 2]


def _channel_axis(hdu):
    """Which of the axes is the one of the three colours: the first of three, else the last; None if
    neither."""
    shape, kept = _hdu_shape(hdu), _kept_axes(hdu)
    if len(kept) != 3:
        return None
    return next((axis for axis in (kept[0], kept[2]) if shape[axis] == 3), None)


def _file_plane(hdu, channel=None):
    shape, kept = _hdu_shape(hdu), _kept_axes(hdu)
    axis = None if channel is None else _channel_axis(hdu)
    y, x = (a for a in kept if a != axis)
    whole = axis == kept[-1] or isinstance(
        hdu, fits.CompImageHDU
    )  # in chunks, each would read most of it again

    def rows(first, end):
        index = [0] * len(shape)
        index[y], index[x] = slice(first, end), slice(None)
        if axis is not None:
            index[axis] = channel
        return (hdu.data if whole else hdu.section)[tuple(index)]

    return FilePlane(hdu, rows, (shape[y], shape[x]))


# --------------------------------------------------------------------------------------------------
# header


def _number_kind(header):
    """Number type as the camera meant it: BZERO of half the range makes signed numbers unsigned,
    and back."""
    bits, zero, scale = header["BITPIX"], header.get("BZERO", 0), header.get("BSCALE", 1)
    if bits < 0:
        return f"float{-bits}"
    if scale == 1 and zero == 0:
        return "uint8" if bits == 8 else f"int{bits}"
    if scale == 1 and zero == (-128 if bits == 8 else 2 ** (bits - 1)):
        return "int8" if bits == 8 else f"uint{bits}"
    return f"float, stored as {bits}-bit integers"


def _joint_header(hdus, primary):
    own = hdus[0].header
    return own.copy() if hdus[0] is primary else merged_header(own, primary.header)


def _filters_of_planes(planes):
    """Filter of each plane where each has a header of its own; one header cannot tell three
    filters."""
    if len({id(plane.hdu) for plane in planes}) < len(planes):
        return (None,) * len(planes)
    names = [card_value(plane.hdu.header, "FILTER") for plane in planes]
    return tuple(None if name is None else str(name).strip() for name in names)


def _check_claim(hdu, path):
    """A header may promise more than the file holds; find that out before memory is asked for."""
    held = path.stat().st_size
    with open(path, "rb") as file:
        most = held * GZIP_LIMIT if file.read(2) == b"\x1f\x8b" else held
    claimed = prod(_hdu_shape(hdu)) * abs(hdu.header["BITPIX"]) // 8
    packed = isinstance(hdu, fits.CompImageHDU)
    if packed:
        complete = _has_all_tiles(hdu) and claimed <= most * COMPRESSION_LIMIT
    else:
        complete = hdu.fileinfo()["datLoc"] + claimed <= most
    if not complete:
        raise FrameError(
            f"{path.name}: the file is cut short: its header promises {claimed} bytes of pixels, "
            f"the whole file has {held}. Copy or download it again."
        )
    if packed or most > held:
        require_within_limit(path, *reversed(_hdu_shape(hdu)[-2:]))


def _has_all_tiles(hdu):
    tiles = prod(ceil(n / t) for n, t in zip(_hdu_shape(hdu), hdu.tile_shape, strict=True))
    return tiles == hdu._bintable.header["NAXIS2"]
