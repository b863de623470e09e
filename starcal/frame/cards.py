"""What a header claims, judged before a library believes it: some count up to any number they are
told, and one dies of it."""

import math
import re
import warnings
from collections.abc import Iterator
from pathlib import Path

from astropy.io import fits

from ..choices import PIXEL_SCALE
from ..errors import FrameError

BLOCK_BYTES, CARD_BYTES = 2880, 80
MOST_HEADER_BLOCKS = 2000  # of one header: 72 000 cards, hundreds of times what software writes
MOST_AXES = 999  # FITS standard 4.0, section 4.4.1; fields of a table, section 7.3.1
UP_TO_999 = ("NAXIS", "ZNAXIS", "TFIELDS")
MOST_WCS_AXES = 9  # more than any picture has
FURTHEST_CRPIX = 1e7  # where the sky's other end would be, of pixels of 0.02 arcsec
MOST_SIP_ORDER = 9  # Shupe et al. 2005, ASP 347, 491, section 3
SMALLEST_PIXEL_ARCSEC = 0.01  # a tenth of what the largest telescopes resolve
COUNTED = re.compile(r"(BITPIX|Z?NAXIS\d{0,3}|PCOUNT|GCOUNT|TFIELDS)$")
WCS_NUMBERS = re.compile(
    r"((CRVAL|CRPIX|CDELT|CROTA)\d|(CD|PC|PV)\d+_\d+|LONPOLE|LATPOLE|(A|B|AP|BP)_\d_\d)$"
)
DEGREES = {"deg", "degree", "degrees"}
VALUE_SIGN = "= "
SIP_ORDERS = ("A_ORDER", "B_ORDER", "AP_ORDER", "BP_ORDER")


# --- how long a file is -----------------------------------------------------------------


def require_sane_lengths(path: Path) -> None:
    """Refuse a FITS file whose headers count what nobody can count; all else is the reader's.

    Parameters
    ----------
    path : Path
        Of any file; of a compressed one nothing is judged.

    Raises
    ------
    FrameError
        A number of axes or pixels that is none.
    """
    with open(path, "rb") as file:
        for cards in _headers(file):
            fault = _count_fault(cards)
            if fault:
                raise FrameError(
                    f"{path.name}: {fault}. The header is damaged: copy or export the file again."
                )


def _headers(file) -> Iterator[dict[str, str]]:
    """The cards that count, of one header after the other."""
    size = file.seek(0, 2)
    file.seek(0)
    while cards := _header(file):
        yield cards
        end = file.tell() + _data_bytes(cards)
        if end >= size:
            return
        file.seek(end)


def _header(file) -> dict[str, str]:
    """Text of each card that counts, up to END; empty where there is no header."""
    found: dict[str, str] = {}
    for _ in range(MOST_HEADER_BLOCKS):
        block = file.read(BLOCK_BYTES).decode("latin-1")
        if len(block) < BLOCK_BYTES:
            return {}
        for first in range(0, BLOCK_BYTES, CARD_BYTES):
            card = block[first : first + CARD_BYTES]
            name = card[:8].rstrip()
            if name == "END":
                return found
            if COUNTED.match(name) and card[8] == "=":
                found.setdefault(name, card[9:].split("/")[0].strip())
    return {}


def _count_fault(cards: dict[str, str]) -> str:
    """What cannot be counted, in words; empty where all can."""
    for name, text in cards.items():
        most = MOST_AXES if name in UP_TO_999 else 2**62
        whole = _whole_number(text)
        if name != "BITPIX" and (whole is None or not 0 <= whole <= most):
            wanted = f"of 0 to {most}" if most == MOST_AXES else "of 0 or more"
            return f"its {name} is {text[:30]}, a whole number {wanted} needed"
    return ""


def _whole_number(text: str) -> int | None:
    try:
        return int(text)
    except ValueError:
        return None


def _data_bytes(cards: dict[str, str]) -> int:
    """Length of what follows a header, padded to whole blocks (FITS standard 4.0, equation 2)."""
    count = {name: _whole_number(text) or 0 for name, text in cards.items()}
    sides = [count.get(f"NAXIS{n}", 0) for n in range(1, count.get("NAXIS", 0) + 1)]
    values = (math.prod(sides) if sides else 0) + count.get("PCOUNT", 0)
    held = abs(count.get("BITPIX", 8)) // 8 * max(count.get("GCOUNT", 1), 1) * values
    return -(-held // BLOCK_BYTES) * BLOCK_BYTES


def mend(header: fits.Header) -> None:
    """Make every card of a header one that can be read; those beyond repair go.

    Parameters
    ----------
    header : Header
        Changed in place.
    """
    lost = [index for index, card in enumerate(header.cards) if not _is_readable(card)]
    for index in reversed(lost):
        del header[index]


def _is_readable(card: fits.Card) -> bool:
    """Whether a card, mended if need be, has a value that can be had."""
    try:
        card.verify("fix")
        str(card.value)  # a string of characters that FITS does not know is not fixed by it
    except (fits.VerifyError, ValueError):
        return False
    return True


# --- where on the sky it is -------------------------------------------------------------


def unreadable(header: fits.Header) -> str | None:
    """What a card of a WCS needs to be read.

    Parameters
    ----------
    header : Header

    Returns
    -------
    str or None
        What is needed.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of what was mended
        broken = [card.keyword for card in header.cards if not _says_a_value(card)]
    return f"a {broken[0]} that can be read" if broken else None


def _says_a_value(card: fits.Card) -> bool:
    """Whether a card has a value that can be had and the sign of one, without which its text is a
    remark (FITS 4.0, section 4.1.2.2)."""
    return _is_readable(card) and card.image[8:10] == VALUE_SIGN


def wcs_fault(header: fits.Header) -> str | None:
    """What the cards of a WCS cannot be.

    Parameters
    ----------
    header : Header
        Of which the cards of a WCS are judged: numbers, number of axes, orders of distortion, and
        the size of a pixel.

    Returns
    -------
    str or None
        What is needed and what they say instead.
    """
    for name in header:
        if WCS_NUMBERS.match(name) and not _is_finite_number(header[name]):
            return f"a finite {name} (it says {header[name]!r})"
        if name.startswith("CRPIX") and abs(header[name]) > FURTHEST_CRPIX:
            return f"a {name} within {FURTHEST_CRPIX:.0g} pixels (it says {header[name]:g})"
    return _order_fault(header) or _scale_fault(header)


def _order_fault(header) -> str | None:
    limits = {"WCSAXES": (1, MOST_WCS_AXES)} | dict.fromkeys(SIP_ORDERS, (0, MOST_SIP_ORDER))
    for name, (low, high) in limits.items():
        value = header.get(name, low)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            return f"a whole {name} from {low} to {high} (it says {value!r})"
    return None


def in_degrees(unit: object) -> bool:
    """Whether the value of a CUNIT card says degrees, as different software spells them."""
    return str(unit).strip().lower() in DEGREES


def _scale_fault(header) -> str | None:
    """A matrix whose pixels are none that a camera has; only where it is one of degrees."""
    if not all(in_degrees(header.get(f"CUNIT{axis}") or "deg") for axis in (1, 2)):
        return None
    for side in pixel_sides_arcsec(header):
        if not SMALLEST_PIXEL_ARCSEC <= side <= PIXEL_SCALE.high:
            return (
                f"a matrix of degrees a pixel: {SMALLEST_PIXEL_ARCSEC:g} to {PIXEL_SCALE.high:g} "
                f"arcsec (it says {side:.3g} arcsec)"
            )
    return None


def pixel_sides_arcsec(header: fits.Header) -> tuple[float, float]:
    """Width and height of a pixel, by the CD matrix or CDELT with PC, taken as degrees.

    Parameters
    ----------
    header : Header
        Whose numbers are numbers.

    Returns
    -------
    width, height : float
        Arcsec.
    """
    matrix, step = ("CD", (1.0, 1.0)) if has_cd(header) else ("PC", _cdelt(header))
    sides = []
    for column in (1, 2):
        parts = [
            step[row - 1]
            * header.get(f"{matrix}{row}_{column}", _identity(matrix, row, column))
            for row in (1, 2)
        ]
        sides.append(3600 * math.hypot(*parts))
    return sides[0], sides[1]


def has_cd(header: fits.Header) -> bool:
    """Whether a header has a CD matrix, beside which CDELT and PC do not count."""
    return any(re.match(r"CD[12]_[12]$", name) for name in header)


def _cdelt(header) -> tuple[float, float]:
    return header.get("CDELT1", 1.0), header.get("CDELT2", 1.0)


def _identity(matrix: str, row: int, column: int) -> float:
    """What an absent card of a matrix stands for: 0 in CD, the identity's number in PC."""
    return float(matrix == "PC" and row == column)


def _is_finite_number(value) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value)
