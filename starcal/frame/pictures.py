"""Planes from TIFF, PNG and JPEG files. Rows are turned over on the way in: row 0 is the bottom, as
in FITS."""

import logging
import re
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
from astropy.io import fits

from ..errors import FrameError, OneChannelError
from ..texts import counted
from .fits_files import COMPOSE, GZIP_LIMIT, Raw
from .size_limit import require_within_limit

PNG, JPEG, TIFF = b"\x89PNG", b"\xff\xd8\xff", (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
PAIR_MARK = "starcal: before and after"  # of pictures that show a frame twice
MARK_REACH = 4096  # bytes at the start of a file, where its texts are
# start of frame (ITU-T T.81, figure B.3): marker, length, bits, then rows and columns
JPEG_FRAME = re.compile(rb"\xff[\xc0-\xc3\xc5-\xc7\xc9-\xcb]\x00.[\x08\x0c](..)(..)", re.DOTALL)
JPEG_HEADER_BYTES = 1 << 20
# one bit a block of 8 x 8 in each of one whole and two quarter channels: 340, one colour all over
JPEG_PIXELS_A_BYTE = 512
ICC_TAG = 34675  # of a TIFF (ICC.1:2010, annex B)
TIFF_COLOURS = (1, 2, 6)  # grey, RGB, YCbCr; not palettes, masks, negatives, raw mosaics


def load_picture(path: Path, channels: int, cells: bool = False) -> Raw:
    """Read `channels` planes (1 or 3) of a TIFF, PNG or JPEG file; none of them is raw, whatever
    `cells`."""
    notes: list[str] = []
    planes = _without_alpha(_planes(path, notes), notes)
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
    start = _start_of(path)
    if start in TIFF:
        return _icc_profile_of_tiff(path)
    if start != PNG and not start.startswith(JPEG):
        return None
    from PIL.JpegImagePlugin import JpegImageFile
    from PIL.PngImagePlugin import PngImageFile

    # not by `Image.open`, which refuses large pictures
    opened = PngImageFile if start == PNG else JpegImageFile
    with suppress(SyntaxError, OSError, ValueError), opened(path) as image:
        return image.info.get("icc_profile")
    return None


def _start_of(path):
    """The bytes that tell formats apart."""
    with open(path, "rb") as file:
        return file.read(4)


def _icc_profile_of_tiff(path):
    import tifffile

    with tifffile.TiffFile(path) as tiff:
        tags = tiff.series[0].keyframe.tags
        return tags[ICC_TAG].value if ICC_TAG in tags else None


def _planes(path, notes):
    """What the file holds as numbers, (channel, y, x), top row first."""
    start = _start_of(path)
    if start in TIFF:
        planes = _tiff(path, notes)
    else:
        picture = _png(path) if start == PNG else _jpeg(path, notes)
        planes = np.atleast_3d(picture).transpose(2, 0, 1)
    if planes.dtype.kind not in "uif":
        raise FrameError(
            f"{path.name}: its numbers are of type {planes.dtype}; save it with 16 bits per "
            "channel."
        )
    return planes


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
    notes.append("The transparency channel was dropped.")
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

    with _log_to(notes, "tifffile"), tifffile.TiffFile(path) as tiff:
        series = tiff.series[0]
        page = series.keyframe
        _require_plausible(path, series.nbytes)
        require_within_limit(path, page.imagewidth, page.imagelength)
        if page.photometric not in TIFF_COLOURS:
            raise FrameError(
                f"{path.name}: the TIFF holds {page.photometric.name} data; save it as plain grey "
                f"or RGB."
            )
        stored, axes = series.asarray(), series.axes
    axes = "".join(a for a, n in zip(axes, stored.shape, strict=True) if n > 1)
    return _channels_first(stored.squeeze(), axes, path)


def _channels_first(planes, axes, path):
    """Planes of a TIFF by its letters for axes, of which S is the one of the colours."""
    if planes.ndim == 2:
        return planes[None]
    if planes.ndim != 3 or (axes[-1] != "S" and len(planes) != 3 and axes[0] != "S"):
        raise FrameError(
            f"{path.name}: the TIFF holds {planes.shape} pixels; save one RGB picture."
        )
    return planes.transpose(2, 0, 1) if axes[-1] == "S" else planes


def _png(path):
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
def _log_to(notes, name):
    """Append what a library would log to `notes`: a log line is lost on stderr."""
    logger, handler = logging.getLogger(name), logging.Handler(logging.WARNING)
    handler.emit = lambda record: notes.append(" ".join(record.getMessage().split()))
    logger.addHandler(handler)
    propagate, logger.propagate = logger.propagate, False
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.propagate = propagate
