"""Pictures written in the format and depth they came in, with all that was not changed bit for bit:
pixels, transparency, resolution, colour profile."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .output import write_bytes
from .pictures import PNG, TIFF

PNG_OWN = {b"IHDR", b"IDAT", b"IEND", b"PLTE", b"tRNS"}  # what an encoder writes itself
ICC_TAG = 34675  # of a TIFF (ICC.1:2010, annex B)
# Tags of a TIFF that say what it is of, how large it is printed and which way up it is (TIFF 6.0,
# section 8; XMP and IPTC as Adobe and the IPTC register them). Those of pixels are the writer's.
KEPT_TAGS = {
    "DocumentName": 269,
    "ImageDescription": 270,
    "Make": 271,
    "Model": 272,
    "Orientation": 274,
    "DateTime": 306,
    "Artist": 315,
    "HostComputer": 316,
    "XMP": 700,
    "Copyright": 33432,
    "IPTC": 33723,
}
LOSSLESS = {"LZW", "ADOBE_DEFLATE", "DEFLATE"}  # compressions that are used again
JPEG_QUALITY = 95  # of 100: its steps stay below those of 8 bits nearly everywhere
TO_PNG = {".jpg": "png", ".jpeg": "png"}  # saving with loss would change everything


def kind_of(path: Path) -> str | None:
    """Ending that the picture of this file gets, or None where it is FITS.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    str or None
    """
    with open(path, "rb") as file:
        start = file.read(4)
    if start == PNG:
        return "png"
    if start in TIFF:
        return "tif"
    return "png" if start[:3] == b"\xff\xd8\xff" else None


def icc_profile_of(path: Path) -> bytes | None:
    """The colour profile embedded in a picture; None where there is none, as in FITS.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bytes or None
    """
    kind = kind_of(path)
    if kind == "tif":
        import tifffile

        with tifffile.TiffFile(path) as tiff:
            tags = tiff.series[0].keyframe.tags
            return tags[ICC_TAG].value if ICC_TAG in tags else None
    if kind is None:
        return None
    from PIL import Image

    with Image.open(path) as image:
        return image.info.get("icc_profile")


def write_in_kind(
    path: Path,
    source: Path,
    display: NDArray,
    changed: NDArray[np.bool_],
    full_scale: float,
    *,
    overwrite: bool = False,
) -> None:
    """Write a picture as its source was: PNG or TIFF of the same depth; JPEG as PNG.

    Parameters
    ----------
    path : Path
    source : Path
        The file that was read; transparency, colour profile and resolution are taken from it.
    display : ndarray, (3, y, x)
        New values, 1 for ``full_scale``; row 0 at the bottom.
    changed : ndarray of bool, (y, x)
        Where they differ; elsewhere the numbers of the source are kept.
    full_scale : float
        Number of the source that stands for 1.
    overwrite : bool
        Replace an existing file.
    """
    start = source.read_bytes()
    if start[:4] in TIFF:
        content = _tiff_content(source, display, changed, full_scale)
        write_bytes(path, content, overwrite)
        return
    import imagecodecs

    png = start[:4] == PNG
    old = imagecodecs.png_decode(start) if png else imagecodecs.jpeg8_decode(start)
    content = imagecodecs.png_encode(_merged(old, display, changed, full_scale))
    extra = _png_extras(start) if png else _jpeg_chunks(source)
    whole = content[:33] + extra + content[33:]  # behind the header chunk
    write_bytes(path, whole, overwrite)


def write_jpeg(
    path: Path,
    display: NDArray,
    icc_profile: bytes | None,
    *,
    source: Path | None = None,
    overwrite: bool = False,
) -> None:
    """Write a picture as JPEG of quality `JPEG_QUALITY`, its colours at full size.

    Parameters
    ----------
    path : Path
    display : ndarray, (3, y, x)
        0 to 1, row 0 at the bottom; NaN becomes black.
    icc_profile : bytes or None
        Goes along.
    source : Path, optional
        A JPEG whose notes (EXIF) and resolution go along, too.
    overwrite : bool
        Replace an existing file.
    """
    import io

    from PIL import Image

    whole = 255 * np.clip(np.nan_to_num(display), 0, 1)
    numbers = np.rint(whole)[:, ::-1].transpose(1, 2, 0).astype(np.uint8)
    file = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(numbers))
    notes = {} if source is None else _notes_of_jpeg(source)
    image.save(
        file, "JPEG", quality=JPEG_QUALITY, subsampling=0, icc_profile=icc_profile, **notes
    )
    write_bytes(path, file.getvalue(), overwrite)


def _notes_of_jpeg(source: Path) -> dict:
    """EXIF and resolution of a JPEG, as its writer takes them; empty for other files."""
    from PIL import Image

    with open(source, "rb") as file:
        if file.read(3) != b"\xff\xd8\xff":
            return {}
    with Image.open(source) as image:
        return {name: image.info[name] for name in ("exif", "dpi") if name in image.info}


def _merged(old: NDArray, display: NDArray, changed: NDArray, full_scale: float) -> NDArray:
    """The source's numbers (y, x, channels), new ones in the first three where they changed."""
    new = np.array(old)
    rows = changed[::-1]
    values = display[:, ::-1].transpose(1, 2, 0)[rows] * full_scale
    whole = np.issubdtype(old.dtype, np.integer)
    new[..., :3][rows] = np.rint(values) if whole else values
    return new


def _png_extras(content: bytes) -> bytes:
    """Every chunk of a PNG but those that hold the pixels (ISO/IEC 15948): colour profile, gamma,
    resolution, texts."""
    kept, at = b"", 8
    while at + 12 <= len(content):
        size = int.from_bytes(content[at : at + 4], "big")
        name = content[at + 4 : at + 8]
        if name == b"IDAT":
            break
        if name not in PNG_OWN:
            kept += content[at : at + 12 + size]
        at += 12 + size
    return kept


def _jpeg_chunks(source: Path) -> bytes:
    """Colour profile and EXIF of a JPEG as PNG chunks (ISO/IEC 15948, with the eXIf chunk of its
    third edition); empty where there is neither."""
    import zlib

    from PIL import Image

    with Image.open(source) as image:
        profile, notes = image.info.get("icc_profile"), image.info.get("exif")
    made = b""
    if profile:
        made += _png_chunk(b"iCCP", b"profile\0\0" + zlib.compress(profile))
    if notes:
        made += _png_chunk(b"eXIf", notes.removeprefix(b"Exif\0\0"))
    return made


def _png_chunk(name: bytes, body: bytes) -> bytes:
    import zlib

    checked = name + body
    return len(body).to_bytes(4, "big") + checked + zlib.crc32(checked).to_bytes(4, "big")


def _tiff_content(source, display, changed, full_scale) -> bytes:
    import io

    import tifffile

    with tifffile.TiffFile(source) as tiff:
        page = tiff.series[0].keyframe
        old, axes = tiff.series[0].asarray(), tiff.series[0].axes
        profile = page.tags[ICC_TAG].value if ICC_TAG in page.tags else None
        kept = _kept_of_tiff(page)
    apart = axes[-1] not in "SC"
    numbers = np.moveaxis(old.squeeze(), 0, -1) if apart else old.squeeze()
    made = _merged(numbers, display, changed, full_scale)
    file = io.BytesIO()
    tifffile.imwrite(
        file,
        np.moveaxis(made, -1, 0) if apart else made,
        photometric="rgb",
        planarconfig="separate" if apart else "contig",
        iccprofile=profile,
        software="starcal",
        metadata=None,
        extrasamples=["unassalpha"] * (made.shape[-1] - 3),
        **kept,
    )
    return file.getvalue()


def _kept_of_tiff(page) -> dict:
    """What a TIFF says of itself besides its pixels, as its writer takes it."""
    tags = [page.tags[code] for code in KEPT_TAGS.values() if code in page.tags]
    kept: dict = {
        "extratags": [(tag.code, tag.dtype, tag.count, _value_of(tag), True) for tag in tags]
    }
    if "XResolution" in page.tags and "YResolution" in page.tags:
        kept["resolution"] = page.tags["XResolution"].value, page.tags["YResolution"].value
        unit = page.tags.get("ResolutionUnit")
        kept["resolutionunit"] = 2 if unit is None else int(unit.value)
    if page.compression.name in LOSSLESS:
        kept["compression"] = "lzw" if page.compression.name == "LZW" else "zlib"
        kept["predictor"] = int(page.predictor) == 2
    return kept


def _value_of(tag):
    """Text as bytes: a TIFF may hold others than ASCII has."""
    if isinstance(tag.value, str):
        return tag.value.encode("utf-8", "replace")
    return tag.value
