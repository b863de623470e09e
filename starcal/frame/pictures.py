"""Planes from TIFF, PNG and JPEG files. Rows are turned over on the way in: row 0 is the bottom, as
in FITS."""

import logging
import re
import struct
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from ..errors import FrameError, OneChannelError
from ..texts import counted
from .fits_files import COMPOSE, GZIP_LIMIT, Raw
from .size_limit import require_within_limit
from .tiff_pages import (
    RGB,
    claimed_bytes,
    left_out,
    main_page,
    no_say,
    require_colours,
    tiff_picture,
)
from .upright import AS_STORED, ORIENTATION_TAG, ORIENTATIONS, turned_upright

PNG, JPEG, TIFF = b"\x89PNG", b"\xff\xd8\xff", (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
PAIR_MARK = "starcal: before and after"  # of pictures that show a frame twice
MARK_REACH = 4096  # bytes at the start of a file, where its texts are
# start of frame (ITU-T T.81, figure B.3): marker, length, bits, then rows and columns
JPEG_FRAME = re.compile(rb"\xff[\xc0-\xc3\xc5-\xc7\xc9-\xcb]\x00.[\x08\x0c](..)(..)", re.DOTALL)
JPEG_HEADER_BYTES = 1 << 20
# one bit a block of 8 x 8 in each of one whole and two quarter channels: 340, one colour all over
JPEG_PIXELS_A_BYTE = 512
ICC_TAG = 34675  # of a TIFF (ICC.1:2010, annex B)


def load_picture(path: Path, channels: int, cells: bool = False) -> Raw:
    """Read `channels` planes (1 or 3) of a TIFF, PNG or JPEG file; none of them is raw, whatever
    `cells`."""
    notes: list[str] = []
    planes = _without_alpha(_planes(path, notes), notes)
    planes = _righted(planes, path, notes)
    if len(planes) != channels:
        kind = OneChannelError if len(planes) == 1 else FrameError
        raise kind(
            f"{path.name}: this is a picture of {counted(len(planes), 'channel')}, "
            f"{channels} needed. {_advice_by_channels(channels)}"
        )
    if planes.dtype == np.uint8:
        notes.append(
            "8 bits per channel: faint stars have few grey levels, their colours are coarse."
        )
    with np.errstate(over="ignore", invalid="ignore"):
        pixels = np.ascontiguousarray(planes[:, ::-1], dtype=np.float32)
    return Raw(
        pixels=pixels,
        header=fits.Header(),
        kinds=(str(planes.dtype.newbyteorder("=")),) * channels,
        filters=(None,) * channels,
        notes=tuple(notes),
        is_picture=True,
        icc_profile=icc_profile_of(path) if channels > 1 else None,
    )


def kind_of(path: Path) -> str | None:
    """Ending that the picture of this file gets, or None where it is FITS.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    str or None
    """
    start = _start_of(path)
    if start == PNG:
        return "png"
    if start in TIFF:
        return "tif"
    return "png" if start.startswith(JPEG) else None


def icc_profile_of(path: Path) -> bytes | None:
    """The colour profile embedded in a picture; None where there is none, as in FITS.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bytes or None
    """
    if _start_of(path) in TIFF:
        return _tag_of_tiff(path, ICC_TAG)
    return _answer_of(path, lambda image: image.info.get("icc_profile"))


def orientation_of(path: Path) -> int:
    """How a picture is to be turned for viewing, by EXIF; `AS_STORED` where it does not say.

    Parameters
    ----------
    path : Path

    Returns
    -------
    int
        A key of `upright.ORIENTATIONS`.
    """
    if _start_of(path) in TIFF:
        said = _tag_of_tiff(path, ORIENTATION_TAG)
    else:
        said = _answer_of(path, lambda image: image.getexif().get(ORIENTATION_TAG))
    return said if said in ORIENTATIONS else AS_STORED


def _answer_of(path: Path, question: Callable) -> Any:
    """What a PNG or JPEG says besides its pixels; None where it is neither, or damaged."""
    from PIL.JpegImagePlugin import JpegImageFile
    from PIL.PngImagePlugin import PngImageFile

    start = _start_of(path)
    if start != PNG and not start.startswith(JPEG):
        return None
    # not by `Image.open`, which refuses large pictures
    opened = PngImageFile if start == PNG else JpegImageFile
    damaged = (SyntaxError, OSError, ValueError, struct.error)
    with warnings.catch_warnings(), suppress(*damaged), opened(path) as image:
        warnings.simplefilter("ignore")  # of damaged notes what can be read counts
        return question(image)
    return None


def _start_of(path):
    """The bytes that tell formats apart."""
    with open(path, "rb") as file:
        return file.read(4)


def _tag_of_tiff(path: Path, code: int) -> Any:
    """The value of a tag; None where it is not there."""
    import tifffile

    with log_to([], "tifffile"), tifffile.TiffFile(path) as tiff:
        tag = main_page(tiff).tags.get(code)
        return tag and tag.value


def _planes(path, notes):
    """What the file holds as numbers, (channel, y, x), top row first."""
    start = _start_of(path)
    if start in TIFF:
        planes = _tiff(path, notes)
    else:
        picture = _png(path, notes) if start == PNG else _jpeg(path, notes)
        planes = np.atleast_3d(picture).transpose(2, 0, 1)
    if planes.dtype.kind not in "uif":
        raise FrameError(
            f"{path.name}: its numbers are of type {planes.dtype}; save it with 16 bits per "
            "channel."
        )
    return planes


def _righted(planes, path, notes):
    """Upright, as every viewer shows it."""
    orientation = orientation_of(path)
    if orientation == AS_STORED:
        return planes
    notes.append(f"Turned upright as the file says (EXIF orientation {orientation}).")
    return turned_upright(planes, orientation)


def _advice_by_channels(channels):
    return (
        f"Put three of them together: {COMPOSE}"
        if channels == 3
        else "Give a grey picture for each of the three."
    )


def _without_alpha(planes, notes):
    """Drop the transparency that follows one or three channels."""
    if len(planes) not in (2, 4):
        return planes
    notes.append(no_say(1))
    return planes[:-1]


def _require_plausible(path, claimed):
    """No compression makes pixels this small: a damaged or malicious header must not ask for
    memory."""
    held = path.stat().st_size
    if claimed > held * GZIP_LIMIT:
        raise FrameError(
            f"{path.name}: the file is damaged: it promises {claimed} bytes of pixels and has "
            f"{held}. "
            "Copy or export it again."
        )


def _tiff(path, notes):
    import tifffile

    with log_to(notes, "tifffile"), tifffile.TiffFile(path) as tiff:
        page = main_page(tiff)
        require_colours(page, path.name)
        _require_plausible(path, claimed_bytes(tiff))
        require_within_limit(path, page.imagewidth, page.imagelength)
        _, stored, axes = tiff_picture(tiff)
        notes += left_out(tiff)
    planes = _channels_first(stored, axes, path)
    return planes[:3] if page.photometric == RGB else planes


def _channels_first(planes, axes, path):
    """Planes of a TIFF by its letters for axes, of which S is the one of the colours."""
    if planes.ndim == 2:
        return planes[None]
    if planes.ndim != 3 or (axes[-1] != "S" and len(planes) != 3 and axes[0] != "S"):
        raise FrameError(
            f"{path.name}: the TIFF holds {planes.shape} pixels; save one RGB picture."
        )
    return planes.transpose(2, 0, 1) if axes[-1] == "S" else planes


def _png(path, notes):
    import imagecodecs

    data = path.read_bytes()
    if PAIR_MARK.encode() in data[:MARK_REACH]:
        raise FrameError(
            f"{path.name}: this is a before-and-after picture made by starcal, not a frame. Give "
            "one of its two pictures: after.png lies beside it."
        )
    width, height = (int.from_bytes(data[at : at + 4], "big") for at in (16, 20))
    _require_plausible(path, width * height)
    require_within_limit(path, width, height)
    with log_to(notes, "imagecodecs"):
        return imagecodecs.png_decode(data)


def _jpeg(path, notes):
    import imagecodecs

    data = path.read_bytes()
    if data.rfind(b"\xff\xd9") < data.rfind(
        b"\xff\xda"
    ):  # the decoder would fill up with grey, silently
        raise FrameError(
            f"{path.name}: the file is cut short: the picture does not end. Copy or download it "
            f"again."
        )
    _require_plausible_jpeg(path, data)
    planes = imagecodecs.jpeg8_decode(data)
    if planes.ndim == 3 and planes.shape[2] != 3:
        raise FrameError(
            f"{path.name}: a JPEG of {planes.shape[2]} colours (for print); save it as RGB."
        )
    if planes.dtype != np.uint8:
        raise FrameError(
            f"{path.name}: a JPEG of more than 8 bits; save it as 16-bit TIFF or PNG."
        )
    notes.append(
        "JPEG: compressed with loss, which blurs hues: the same picture as PNG or TIFF is better."
    )
    return planes


def _require_plausible_jpeg(path, data):
    """The decoder asks for memory first and looks for the picture then."""
    start = JPEG_FRAME.search(data[:JPEG_HEADER_BYTES])
    if start is None:
        return
    height, width = (int.from_bytes(size, "big") for size in start.groups())
    if height * width > len(data) * JPEG_PIXELS_A_BYTE:
        raise FrameError(
            f"{path.name}: the file is damaged: it promises {width} x {height} pixels and has "
            f"{len(data)} bytes. Copy or export it again."
        )
    require_within_limit(path, width, height)


@contextmanager
def log_to(notes: list[str], name: str) -> Iterator[None]:
    """Append what a library would log to `notes`: a log line is lost on stderr.

    Parameters
    ----------
    notes : list of str
        Changed in place.
    name : str
        Of the library's logger.
    """
    logger, handler = logging.getLogger(name), logging.Handler(logging.WARNING)
    handler.emit = lambda record: notes.append(" ".join(record.getMessage().split()))
    logger.addHandler(handler)
    propagate, logger.propagate = logger.propagate, False
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.propagate = propagate
