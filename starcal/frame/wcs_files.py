"""The WCS in a file of its own: read (`--wcs FILE`) and written (`--write-wcs FILE`)."""

from pathlib import Path

from astropy.io import fits
from astropy.wcs import WCS

from ..errors import FrameError, NoWCSError
from ..inputs import require_file
from .cards import mend, require_sane_lengths
from .sky import SCALE_CARDS, card_value, missing_keywords, warnings_to
from .whole import atomic_write

FROM_BOTTOM = (
    "BOTTOM-UP"  # value of ROWORDER where row 1 is the bottom of the picture, as in FITS
)
HEADER_BYTES = 1 << 20  # a text header is a few kB; anything larger is another kind of file


def read_wcs_header(path: str | Path) -> fits.Header:
    """Header with a WCS from a FITS file (any extension), a .wcs file, or a text of FITS cards.

    Raises
    ------
    FrameError
        The file cannot be read as a header.
    NoWCSError
        It can, and no header in it has a WCS.
    """
    path = Path(path)
    if path.is_file():
        require_sane_lengths(path)
    headers = _fits_headers(path) or _text_headers(path)
    for header in headers:
        if not missing_keywords(header):
            return header
    lacks = ", ".join(missing_keywords(headers[0]))
    raise NoWCSError(
        f"{path.name}: it has no WCS, {lacks} missing. Give --wcs the header of a solved picture."
    )


def _fits_headers(path):
    try:
        require_file(path)
        with warnings_to([]), open(path, "rb") as file, fits.open(file, memmap=False) as hdus:
            for hdu in hdus:
                mend(hdu.header)
            return [hdu.header.copy() for hdu in hdus]
    except (
        Exception
    ):  # not FITS (or not only): the text reader has the last word and the message
        return []


def _text_headers(path):
    try:
        require_file(path)
        with open(path, "rb") as file:
            text = file.read(HEADER_BYTES).decode("ascii")
        with warnings_to([]):
            header = fits.Header.fromstring(
                text.replace("\r", ""), sep="\n" if "\n" in text else ""
            )
            if any(SCALE_CARDS.match(key) or key[:5] == "CTYPE" for key in header):
                return [header]
    except OSError as error:
        raise FrameError(
            f"{path}: cannot be read: {error.strerror}. Give --wcs an existing header file."
        ) from None
    except (ValueError, fits.VerifyError):
        pass
    raise FrameError(
        f"{path.name}: this is no FITS header. Give --wcs a solved FITS picture, a .wcs file or a "
        f"text "
        "file of FITS cards."
    )


def check_picture_size(
    header: fits.Header, shape: tuple[int, int], wcs_name: str, name: str
) -> str | None:
    """Compare the size that a WCS was made for with that of the picture; a note where it cannot be
    known.

    Raises
    ------
    FrameError
        The sizes differ: the positions would be wrong everywhere.
    """
    size = stated_size(header)
    if size is None:
        return (
            f"{wcs_name} does not say for what picture size it was made; it is taken on trust."
        )
    if (int(size[0]), int(size[1])) != (shape[1], shape[0]):
        raise FrameError(
            f"{wcs_name}: this WCS was made for {size[0]} x {size[1]} pixels, {name} has "
            f"{shape[1]} x "
            f"{shape[0]}. Give --wcs the solution of this very picture."
        )
    return None


def stated_size(header):
    """Columns and rows of the picture that a header belongs to, or None."""
    for pair in (("IMAGEW", "IMAGEH"), ("ZNAXIS1", "ZNAXIS2"), ("NAXIS1", "NAXIS2")):
        columns, rows = (card_value(header, key) for key in pair)
        if columns and rows:
            return _whole_pixels(pair[0], columns), _whole_pixels(pair[1], rows)
    return None


def _whole_pixels(key, value):
    if isinstance(value, int | float) and value > 0 and value == value // 1:
        return int(value)
    raise FrameError(
        f"{key} in the header of the WCS is {value!r}, a number of pixels needed. Give --wcs the "
        "header of a solved picture."
    )


def write_wcs(
    path: str | Path, wcs: WCS, shape: tuple[int, int], *, overwrite: bool = False
) -> None:
    """Write a WCS as a FITS header without pixels, which `read_wcs_header` reads back.

    Parameters
    ----------
    path : str or Path
    wcs : WCS
        0-based pixels, row 0 the bottom of the picture as seen.
    shape : (int, int)
        Rows and columns of the picture.
    overwrite : bool

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    header = fits.Header([("SIMPLE", True, "FITS file"), ("BITPIX", 8), ("NAXIS", 0)])
    header["IMAGEW"], header["IMAGEH"] = (shape[1], "columns"), (shape[0], "rows")
    header["ROWORDER"] = (FROM_BOTTOM, "row 1 is the bottom of the picture")
    header.extend(wcs.to_header(relax=True), update=True)
    header.add_history("starcal: fitted to catalogue stars")
    with atomic_write(path, overwrite) as file:
        file.write(header.tostring().encode("ascii"))
