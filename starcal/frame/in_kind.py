"""Pictures written in the format and depth they came in, with all that was not changed bit for bit:
pixels, transparency, resolution, colour profile."""

import struct
import warnings
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from .fits_files import stored_numbers
from .output import hides_scale, write_bytes, write_fits_numbers
from .pictures import ICC_TAG, PNG, TIFF, log_to, orientation_of
from .spaces import ColourSpace
from .tiff_pages import tiff_picture
from .upright import AS_STORED, turned_back

# what an encoder writes itself, and further pictures of an animation
PNG_OWN = {b"IHDR", b"IDAT", b"IEND", b"PLTE", b"tRNS", b"acTL", b"fcTL", b"fdAT"}
XMP_KEYWORD = b"XML:com.adobe.xmp\0\0\0\0\0"  # not compressed, of no language
PNG_OF_KIND = {b"bKGD", b"hIST", b"sBIT"}  # in numbers of this depth and colour type
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
# Tags whose value is the place of another directory: what the camera noted, and where it was
# (Exif 2.32, 4.6.3); within the first a third lies, of which nothing is kept.
DIRECTORY_TAGS, INTEROP_TAG = (34665, 34853), 40965
BIG_TIFF = 43  # number of the format, 42 for those of less than 4 GB
LOSSLESS = {"LZW", "ADOBE_DEFLATE", "DEFLATE"}  # compressions that are used again
JPEG_QUALITY = 95  # of 100: its steps stay below those of 8 bits nearly everywhere


def write_in_kind(
    path: Path,
    source: Path,
    display: NDArray,
    changed: NDArray[np.bool_],
    full_scale: float,
    *,
    shown_in: ColourSpace | None = None,
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
    shown_in : ColourSpace, optional
        That of the source, where the new values are those of sRGB.
    overwrite : bool
        Replace an existing file.
    """
    start = source.read_bytes()
    turn = orientation_of(source)
    new = _New(
        display=turned_back(display[:, ::-1], turn),
        changed=turned_back(changed[::-1], turn),
        full_scale=full_scale,
        space=shown_in,
    )
    if start[:4] in TIFF:
        content = _tiff_content(source, new)
        write_bytes(path, content, overwrite)
        return
    import imagecodecs

    png = start[:4] == PNG
    with log_to([], "imagecodecs"):  # said when it was read
        old = imagecodecs.png_decode(start) if png else imagecodecs.jpeg8_decode(start)
    content = imagecodecs.png_encode(_merged(old, new))
    extra = _png_extras(start, content) if png else _jpeg_chunks(source)
    whole = content[:33] + extra + content[33:]  # behind the header chunk
    write_bytes(path, whole, overwrite)


def write_fits_in_kind(
    path: Path,
    source: Path,
    picture: NDArray,
    changed: NDArray[np.bool_],
    full_scale: float,
    header: Header,
    *,
    history: tuple[str, ...] = (),
    overwrite: bool = False,
) -> int:
    """Write a FITS picture in the numbers of its source, which stay where nothing changed.

    Parameters
    ----------
    path : Path
    source : Path
        The FITS file that was read.
    picture : ndarray, (3, y, x)
        New values, 1 for ``full_scale``.
    changed : ndarray of bool, (y, x)
        Where they differ.
    full_scale : float
        Number of the source that stands for 1.
    header : astropy.io.fits.Header
        As for `write_fits`.
    history : tuple of str
    overwrite : bool
        Replace an existing file.

    Returns
    -------
    int
        How many pixels are brighter than the numbers reach, and end there.
    """
    numbers = stored_numbers(Path(source))
    new = picture[:, changed].astype(float) * full_scale
    scale, n_clipped = None, 0
    if numbers.dtype.kind == "f":
        scale = full_scale if full_scale != 1 or hides_scale(picture) else None
    else:
        least, most = np.iinfo(numbers.dtype).min, np.iinfo(numbers.dtype).max
        n_clipped = int((new > most + 0.5).any(axis=0).sum())
        new = np.clip(np.rint(np.nan_to_num(new)), least, most)
    numbers[:, changed] = new
    write_fits_numbers(
        path, numbers, header, full_scale=scale, history=history, overwrite=overwrite
    )
    return n_clipped


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

    notes = {} if source is None else _notes_of_jpeg(source)
    turn = orientation_of(source) if notes else AS_STORED
    whole = 255 * np.clip(np.nan_to_num(display), 0, 1)
    numbers = turned_back(np.rint(whole)[:, ::-1], turn).transpose(1, 2, 0).astype(np.uint8)
    file = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(numbers))
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


class _New(NamedTuple):
    """New values of a picture, (3, y, x), as they lie in the file, and the space that its numbers
    are in, if not sRGB."""

    display: NDArray
    changed: NDArray[np.bool_]
    full_scale: float
    space: ColourSpace | None


def _merged(old: NDArray, new: _New) -> NDArray:
    """The source's numbers (y, x, channels), new ones in the first three where they changed."""
    made = np.array(old)
    there = new.changed
    values = new.display[:, there]
    if new.space is not None:
        values = new.space.changed(old[..., :3][there].T / new.full_scale, values)
    numbers = values.T * new.full_scale
    if np.issubdtype(old.dtype, np.integer):
        least, most = np.iinfo(old.dtype).min, np.iinfo(old.dtype).max
        numbers = np.clip(np.rint(np.nan_to_num(numbers)), least, most)
    made[..., :3][there] = numbers
    return made


def _png_extras(content: bytes, new: bytes) -> bytes:
    """Every chunk of a PNG but those that hold the pixels (ISO/IEC 15948): colour profile, gamma,
    resolution, texts, a camera's notes; those that follow the pixels may stand before, too. Those
    in numbers of the old kind are left out where the new one is of another."""
    alike = content[24:26] == new[24:26]  # depth and colour type
    left = PNG_OWN if alike else PNG_OWN | PNG_OF_KIND
    kept, at = b"", 8
    while at + 12 <= len(content):
        size = int.from_bytes(content[at : at + 4], "big")
        name = content[at + 4 : at + 8]
        if name not in left:
            kept += content[at : at + 12 + size]
        at += 12 + size
    return kept


def _jpeg_chunks(source: Path) -> bytes:
    """Colour profile, EXIF and XMP of a JPEG as PNG chunks (ISO/IEC 15948, with the eXIf chunk of
    its third edition; XMP, part 3); empty where there is none."""
    import zlib

    from PIL import Image

    with Image.open(source) as image:
        profile, notes = image.info.get("icc_profile"), image.info.get("exif")
        labels = image.info.get("xmp")
    made = b""
    if profile:
        made += _png_chunk(b"iCCP", b"profile\0\0" + zlib.compress(profile))
    if notes:
        made += _png_chunk(b"eXIf", notes.removeprefix(b"Exif\0\0"))
    if labels:
        made += _png_chunk(b"iTXt", XMP_KEYWORD + labels)
    return made


def _png_chunk(name: bytes, body: bytes) -> bytes:
    import zlib

    checked = name + body
    return len(body).to_bytes(4, "big") + checked + zlib.crc32(checked).to_bytes(4, "big")


def _tiff_content(source: Path, new: _New) -> bytes:
    import io

    import tifffile

    with tifffile.TiffFile(source) as tiff:
        page, old, axes = tiff_picture(tiff)
        profile = page.tags[ICC_TAG].value if ICC_TAG in page.tags else None
        kept = _kept_of_tiff(page)
        places = {t: page.tags[t].valueoffset for t in DIRECTORY_TAGS if t in page.tags}
    notes = _notes_of_tiff(source, places)
    kept["extratags"] += [(tag - 1, "I", 1, 0, True) for tag in notes]
    apart = axes[-1] not in "SC"
    made = _merged(np.moveaxis(old, 0, -1) if apart else old, new)
    more = made.shape[-1] - 3
    file = io.BytesIO()
    tifffile.imwrite(
        file,
        np.moveaxis(made, -1, 0) if apart else made,
        photometric="rgb",
        planarconfig="separate" if apart else "contig",
        iccprofile=profile,
        software="starcal",
        metadata=None,
        extrasamples=(page.extrasamples or (0,) * more) if more else None,
        **kept,
    )
    return _with_notes(file.getvalue(), notes)


def _notes_of_tiff(source: Path, places: dict[int, int]) -> dict:
    """What camera and receiver noted in a TIFF, as directories by their tags; nothing where the
    place told is none."""
    from PIL.TiffImagePlugin import ImageFileDirectory_v2

    notes = {}
    with open(source, "rb") as file:
        start = file.read(8)
        start += file.read(8) if BIG_TIFF in start[2:4] else b""
        for tag, at in places.items():
            old = ImageFileDirectory_v2(start)
            file.seek(at)
            with warnings.catch_warnings(), suppress(struct.error, OSError, SyntaxError):
                warnings.simplefilter("ignore")  # of a damaged one its first part is kept
                old.load(file)
            notes[tag] = {t: (old.tagtype[t], old[t]) for t in old if t != INTEROP_TAG}
    return {tag: directory for tag, directory in notes.items() if directory}


def _with_notes(content: bytes, notes: dict) -> bytes:
    """A TIFF with these directories behind its pixels: their tags, which its writer leaves out,
    take the place of those numbered one less."""
    import io

    import tifffile
    from PIL.TiffImagePlugin import ImageFileDirectory_v2

    with tifffile.TiffFile(io.BytesIO(content)) as tiff:
        order = tiff.byteorder
        at = {tag: tiff.pages[0].tags[tag - 1] for tag in notes}
    whole = bytearray(content)
    for tag, known in notes.items():
        directory = ImageFileDirectory_v2(content[:8])
        directory.tagtype.update({t: kind for t, (kind, _) in known.items()})
        directory.update({t: value for t, (_, value) in known.items()})
        whole += bytes(len(whole) % 2)
        struct.pack_into(f"{order}H", whole, at[tag].offset, tag)
        struct.pack_into(f"{order}I", whole, at[tag].valueoffset, len(whole))
        whole += directory.tobytes(len(whole))
    return bytes(whole)


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
