"""What a header says: where on the sky the pixels are, and when they were taken."""

import datetime
import re
import warnings
from contextlib import contextmanager
from typing import NamedTuple

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.io.fits.verify import VerifyWarning
from astropy.utils.exceptions import AstropyWarning
from astropy.wcs import WCS, WCSSUB_CELESTIAL
from astropy.wcs.utils import proj_plane_pixel_area

from ..errors import FrameError, NoWCSError
from ..robust import middle_px
from .cards import has_cd, in_degrees, unreadable, wcs_fault
from .celestial import in_icrs, is_icrs, told_frame

WCS_KEYS = re.compile(
    r"(WCSAXES|WCSNAME|(CTYPE|CRVAL|CRPIX|CDELT|CUNIT)\d|(CD|PC|PV|PS)\d+_\d+"
    r"|LONPOLE|LATPOLE|RADESYS|EQUINOX)[A-Z]?$"
    r"|CROTA\d$|PC00\d00\d$|RADECSYS$|EPOCH$|(A|B|AP|BP)_(ORDER|DMAX|\d_\d)$"
)
D_EXPONENT = re.compile(r".{8}= *[-+\d.]+[Dd][-+]?\d")
SCALE_CARDS = re.compile(r"CD\d_\d$|CDELT\d$")
SIP_KEYS = re.compile(r"[AB]_(ORDER|\d_\d)$")
MENDED_CARD = re.compile(r"[Cc]ard '([^']+)'")
# a date in two forms, a keyword by its older name: read all the same
NO_NEWS = re.compile(r"made the change 'Set |keyword is deprecated, use ")
DAY_ZERO = {"MJD-AVG": 2400000.5, "MJD-OBS": 2400000.5, "JD-OBS": 0.0, "JD": 0.0}
DATE_KEYS = ("DATE-AVG", "DATE-OBS", "DATE-BEG", "DATE-END", *DAY_ZERO)
ONE_SOLUTION_PX = 0.5  # solutions of one frame differ by a few tenths
OLDEST_YR, NEWEST_YR = 1880, 2150  # MJD 0, a date that was never set, is 1858


class Sky(NamedTuple):
    """Outcome of looking for a celestial WCS: the WCS or what is missing, notes in plain words, and
    whether the header tells it in another celestial frame."""

    wcs: WCS | None
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    turned: bool = False


@contextmanager
def warnings_to(notes: list):
    """Append the warnings of astropy to `notes`, once each; warnings of anybody else go on their
    way."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    notes += _said_of_cards(caught)
    for warning in caught:
        if issubclass(warning.category, VerifyWarning):
            continue
        if not issubclass(warning.category, AstropyWarning):
            warnings.warn_explicit(
                warning.message, warning.category, warning.filename, warning.lineno
            )
            continue
        text = " ".join(str(warning.message).split())
        if not NO_NEWS.search(text) and text not in notes:
            notes.append(text)


def _said_of_cards(caught) -> list[str]:
    """One sentence on all the cards that a library has verified and mended."""
    said = [str(w.message) for w in caught if issubclass(w.category, VerifyWarning)]
    if not said:
        return []
    named = dict.fromkeys(name for text in said for name in MENDED_CARD.findall(text))
    which = f" ({', '.join(named)})" if named else ""
    return [
        f"The header has cards that are not of the FITS standard{which}; they were read all the "
        "same."
    ]


def card_value(header: fits.Header, key: str):
    """Value of a keyword, None where it is absent, empty or cannot be parsed.

    Parameters
    ----------
    header : Header
    key : str

    Returns
    -------
    object
        None where there is no such card, or one that cannot be read.
    """
    try:
        value = header.get(key)
    except fits.VerifyError:
        return None
    return None if isinstance(value, fits.card.Undefined) or value == "" else value


# --------------------------------------------------------------------------------------------------
# WCS


def celestial_wcs(header: fits.Header, shape: tuple[int, int]) -> Sky:
    """Celestial part of the WCS of a header, with its SIP distortion.

    Parameters
    ----------
    header : astropy.io.fits.Header
        May describe more axes than two; only the celestial ones are taken.
    shape : (int, int)
        Rows and columns of the frame.

    Returns
    -------
    Sky
        `wcs` is None, and `missing` names keywords, where the header does not tell ICRS positions:
        astropy would fill in zeros for what is absent, and put the picture at RA 0, Dec 0.
    """
    missing = missing_keywords(header)
    if missing:
        return Sky(None, missing)
    notes: list[str] = []
    told = [card for card in header.cards if WCS_KEYS.match(card.keyword)]
    fault = unreadable(fits.Header(told))
    if fault:
        return Sky(None, (fault,))
    cards = fits.Header([_plainly(card) for card in told])
    _take_distortion(cards, notes)
    _take_one_matrix(cards, notes)
    if any(key.startswith(("CPDIS", "D2IMDIS")) for key in header):
        notes.append("The header has distortion tables (CPDIS, D2IMDIS): they are not used.")
    fault = wcs_fault(cards)
    if fault:
        return Sky(None, (fault,), tuple(notes))
    try:
        with warnings_to(notes):
            wcs = WCS(cards, naxis=[WCSSUB_CELESTIAL])
            wcs.array_shape = shape
            wcs.wcs.set()
            told, wcs = wcs, _told_in_icrs(wcs, notes)
            fault = _fault(wcs, shape)
    except (
        Exception
    ) as error:  # wcslib, the SIP reader and the header each raise their own kinds
        fault = f"a consistent WCS ({_last_line(error)})"
    if fault:
        return Sky(None, (fault,), tuple(notes))
    return Sky(wcs, (), tuple(notes), turned=wcs is not told)


def _plainly(card: fits.Card) -> fits.Card | tuple:
    """A card as wcslib reads it, which ends a number at a D and knows degrees by one name."""
    if card.keyword.startswith("CUNIT") and in_degrees(card.value):
        return card.keyword, "deg"
    return (card.keyword, card.value) if D_EXPONENT.match(card.image) else card


def missing_keywords(header: fits.Header) -> tuple[str, ...]:
    """Names of the WCS keywords that a header lacks; empty when all are there."""
    types = {i: _header_text(header, f"CTYPE{i}") for i in range(1, 10)}
    axes = [
        i
        for i, ctype in types.items()
        if ctype[:4] in ("RA--", "DEC-", "GLON", "GLAT", "ELON", "ELAT")
    ]
    axes = axes if len(axes) == 2 else [1, 2]
    wanted = [f"{name}{i}" for name in ("CTYPE", "CRVAL", "CRPIX") for i in axes]
    missing = [key for key in wanted if not _header_text(header, key)]
    if not any(SCALE_CARDS.match(key) for key in header):
        missing.append("CD1_1 .. CD2_2 (or CDELT1, CDELT2)")
    return tuple(missing)


def _header_text(header, key):
    value = card_value(header, key)
    return "" if value is None else str(value).strip()


def _take_distortion(cards, notes):
    """Put in the -SIP that honours distortion terms (astropy would only log its doubt)."""
    if not any(SIP_KEYS.match(key) for key in cards):
        return
    plain = [
        key for key in ("CTYPE1", "CTYPE2") if not _header_text(cards, key).endswith("-SIP")
    ]
    for key in plain:
        cards[key] = _header_text(cards, key) + "-SIP"
    if plain:
        notes.append(
            f"The header has SIP distortion terms but no -SIP in {' and '.join(plain)}: they are "
            f"used."
        )


def _take_one_matrix(cards, notes):
    """Drop a PC matrix that stands beside a CD matrix: a WCS has one or the other (Greisen &
    Calabretta 2002, A&A 395, 1061, section 2.1.2)."""
    stray = dict.fromkeys(key for key in cards if re.match(r"PC\d+_\d+$", key))
    if stray and has_cd(cards):
        for key in stray:
            cards.remove(key, remove_all=True)
        notes.append(f"The header has a CD matrix and {', '.join(stray)} as well: CD is used.")


def _told_in_icrs(wcs, notes):
    """The WCS in ICRS, if that can be done."""
    if not wcs.has_celestial or wcs.wcs.lng != 0:
        return wcs
    turned = in_icrs(wcs)
    if turned is not wcs:
        turned.array_shape = wcs.array_shape
        notes.append(f"The WCS is in {told_frame(wcs)}: it was turned to ICRS.")
    return turned


def _fault(wcs, shape):
    """What keeps a WCS from giving ICRS right ascension and declination; None if nothing does."""
    if not wcs.has_celestial or wcs.wcs.lngtyp.strip() != "RA" or wcs.wcs.lng != 0:
        longitude, latitude = wcs.wcs.ctype
        return f"CTYPE1 = 'RA---TAN' and CTYPE2 = 'DEC--TAN' (they say {longitude!r}, {latitude!r})"
    if not is_icrs(wcs):
        system = wcs.wcs.radesys.strip()
        return f"RADESYS = 'ICRS' (it says {system}, equinox {wcs.wcs.equinox:g})"
    if not _distortion_px(wcs, shape) < max(shape[-2:]):
        return (
            "distortion terms (A_i_j, B_i_j) that move no pixel by more than the frame's size"
        )
    middle = wcs.pixel_to_world_values(*middle_px(shape))
    if not np.all(np.isfinite(middle)) or not pixel_scale_arcsec(wcs) > 0:
        return (
            "finite CRVAL1, CRVAL2, CRPIX1, CRPIX2 and scale "
            "(a value is not a number, or the matrix is singular)"
        )
    return None


def _distortion_px(wcs, shape):
    """How far the SIP terms move the middle or a corner; of a fisheye lens, less than its frame is
    wide."""
    corners = np.array([(0, 0), (-1, -1), (-1, 1), (1, -1), (1, 1)]) / 2
    xy = middle_px(shape) + corners * shape[:-3:-1]
    return np.abs(undistorted(wcs, xy) - xy).max()


def undistorted(wcs: WCS | None, xy_px: np.ndarray) -> np.ndarray:
    """Pixels with the SIP distortion of a WCS, if it has one, taken out.

    Parameters
    ----------
    wcs : WCS or None
    xy_px : ndarray, (n, 2)
        0-based.

    Returns
    -------
    ndarray, (n, 2)
    """
    xy_px = np.reshape(xy_px, (-1, 2)).astype(float)
    if wcs is None or wcs.sip is None or len(xy_px) == 0:
        return xy_px
    return (
        wcs.sip_pix2foc(xy_px + 1, 1) + wcs.wcs.crpix - 1
    )  # with origin 0 astropy is off by a pixel


def pixels_of(
    wcs: WCS, ra_deg: np.ndarray, dec_deg: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Pixels of places on the sky.

    Parameters
    ----------
    wcs : WCS
    ra_deg, dec_deg : array_like
        ICRS.

    Returns
    -------
    x_px, y_px : ndarray
        Counted from 0; NaN, or far from the place, where the distortion leads nowhere.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of places that have no pixel
        x_px, y_px = wcs.all_world2pix(ra_deg, dec_deg, 0, quiet=True)
    return x_px, y_px


def upside_down(wcs: WCS, rows: int) -> WCS:
    """WCS of the same picture with its rows counted from the other end: y becomes rows + 1 - y
    (1-based).

    A SIP term u**p v**q changes sign with odd q, and the terms of the y axis once more.
    """
    header = wcs.to_header(relax=True)
    header["CRPIX2"] = rows + 1 - header.get("CRPIX2", 0.0)
    for axis in (1, 2):
        header[f"PC{axis}_2"] = -header.get(f"PC{axis}_2", float(axis == 2))
    for key in list(header):
        if term := re.match(r"(A|B|AP|BP)_\d_(\d)$", key):
            header[key] *= (-1) ** int(term[2]) * (-1 if term[1][0] == "B" else 1)
    turned = WCS(header)
    turned.array_shape = wcs.array_shape
    return turned


def is_mirrored(wcs: WCS) -> bool:
    """Whether the sky, drawn with row 0 at the bottom, is seen from outside (east to the right of
    north)."""
    return bool(np.linalg.det(wcs.pixel_scale_matrix) > 0)


def with_wcs(header: fits.Header, wcs: WCS) -> fits.Header:
    """Copy of a header whose WCS cards are replaced by those of `wcs`.

    Parameters
    ----------
    header : Header
    wcs : WCS
        Celestial, 0-based pixels.

    Returns
    -------
    Header
    """
    changed = fits.Header([card for card in header.cards if not WCS_KEYS.match(card.keyword)])
    changed.extend(wcs.to_header(relax=True), update=True)
    return changed


def with_date(header: fits.Header, *others: fits.Header) -> fits.Header:
    """Header with the date of the first other header that knows one, where it has none itself."""
    donor = next((other for other in others if epoch_yr(other) is not None), None)
    if epoch_yr(header) is not None or donor is None:
        return header
    dated = header.copy()
    for key in (key for key in DATE_KEYS if card_value(donor, key) is not None):
        dated[key] = donor[key]
    return dated


def merged_header(extension: fits.Header, primary: fits.Header) -> fits.Header:
    """Header of an extension, continued by what only the primary header says; one WCS, not a
    mixture of two."""
    solved, fallback = not missing_keywords(extension), not missing_keywords(primary)
    merged = _without_wcs(extension) if fallback and not solved else extension.copy()
    merged.extend(_without_wcs(primary) if solved else primary, unique=True, strip=True)
    return merged


def _without_wcs(header):
    return fits.Header([card for card in header.cards if not WCS_KEYS.match(card.keyword)])


def _last_line(error):
    """wcslib says where in its code, and then what."""
    return next(
        (line.strip() for line in reversed(str(error).splitlines()) if line.strip()),
        type(error).__name__,
    )


# --------------------------------------------------------------------------------------------------
# questions


def require_wcs(frame) -> WCS:
    """WCS of a frame.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    WCS

    Raises
    ------
    NoWCSError
        The frame has none; the message names the missing keywords and what to type.
    """
    if frame.wcs is None:
        lacks = ", ".join(frame.wcs_missing) or "all WCS keywords"
        raise NoWCSError(
            f"{frame.name}: the header does not say where on the sky this is: it lacks {lacks}. "
            f"Plate "
            "solve the picture and give the solution: --wcs FILE"
        )
    return frame.wcs


def pixel_scale_arcsec(wcs: WCS) -> float:
    """Side of a square pixel of the same area at the reference point, arcsec.

    Parameters
    ----------
    wcs : WCS
        Celestial.

    Returns
    -------
    float
    """
    return float(3600 * np.sqrt(proj_plane_pixel_area(wcs)))


def corners_apart_px(one: WCS, other: WCS, shape: tuple[int, int]) -> float:
    """Largest distance, pixels, between the places on the sky that two WCS give to the corners of
    one frame.

    Parameters
    ----------
    one, other : WCS
        Celestial.
    shape : (int, int)
        Rows and columns.

    Returns
    -------
    float
        By angles on the sky, so it serves at the poles; NaN where a corner is off the sky.
    """
    rows, columns = shape
    corners = np.array(
        [(0, 0), (columns - 1, 0), (0, rows - 1), (columns - 1, rows - 1)], float
    )
    first, second = (
        SkyCoord(*wcs.all_pix2world(corners, 0).T, unit="deg") for wcs in (one, other)
    )
    return float(first.separation(second).arcsec.max() / pixel_scale_arcsec(one))


def require_same_place(one, other) -> None:
    """Refuse to put two frames together whose WCS disagree by more than half a pixel at a corner.

    Parameters
    ----------
    one, other : Frame
        Of one size; without a WCS in both there is nothing to compare.

    Raises
    ------
    FrameError
    """
    if one.wcs is None or other.wcs is None or one.pixels.shape != other.pixels.shape:
        return
    apart_px = corners_apart_px(one.wcs, other.wcs, one.pixels.shape[1:])
    if apart_px > ONE_SOLUTION_PX:
        raise FrameError(
            f"{other.name}: by its WCS its corners lie up to {apart_px:.1f} px from those of "
            f"{one.name}, {ONE_SOLUTION_PX} "
            "px are allowed. Join layers of one frame, as `starcal split FRAME -o STEM` writes "
            "them; for the stars of "
            "another frame type: starcal run FRAME --star-frame STARS"
        )


def epoch_yr(header: fits.Header) -> float | None:
    """Julian epoch of the exposure in years, to a day; None where no date keyword makes sense.

    ISO dates and the DD/MM/YY of before 2000 (FITS standard 4.0, section 4.4.2.1), MJD and JD.
    """
    dates = (_julian_day(str(card_value(header, key))) for key in DATE_KEYS[:4])
    days = [day for day in dates if day is not None]
    for key, zero in DAY_ZERO.items():
        if isinstance(day := card_value(header, key), int | float):
            days.append(day + zero)
    years = (2000 + (day - 2451545.0) / 365.25 for day in days)
    return next((year for year in years if OLDEST_YR < year < NEWEST_YR), None)


def _julian_day(text):
    """Noon of a date."""
    iso, old = (
        re.match(r"(\d{4})-(\d\d)-(\d\d)", text),
        re.match(r"(\d\d)/(\d\d)/(\d\d)$", text),
    )
    if iso:
        year, month, day = map(int, iso.groups())
    elif old:
        day, month, year = (int(part) for part in old.groups())
        year += 1900
    else:
        return None
    try:
        return (
            datetime.date(year, month, day).toordinal() + 1721425.0
        )  # ordinal 1 = 0001-01-01, noon JD 1721426
    except ValueError:
        return None
