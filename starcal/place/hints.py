"""What is believed of where a frame is, before its stars are asked: from options, or as capture
software writes it."""

from dataclasses import dataclass, replace

import numpy as np
from astropy.coordinates import FK5, Angle, SkyCoord
from astropy.io import fits
from astropy.time import Time

from ..catalogue.object_names import place_of_object
from ..catalogue.objects import find_object, object_named
from ..choices import POSITIVE, Choices
from ..errors import NoWCSError
from ..frame import Frame, require_wcs
from ..robust import middle_px

PLACE_WIDTHS, SCALE_SHARE = 0.5, 0.10  # how far hints may be off: frame widths, and relative
PLACE_ADVICE = "--ra and --dec (of the frame's middle, degrees) or --object NAME"
SCALE_ADVICE = "--scale (arcsec a pixel)"
HINTS_ADVICE = f"give {PLACE_ADVICE} and {SCALE_ADVICE}"
HOURS = 24
# arcsec a pixel
SCALE_KEYS = "SECPIX", "SECPIX1", "PIXSCALE", "PIXSCAL", "PIXSCAL1", "PIXSCALX", "SCALE"
STEP_KEYS = "CDELT1", "CDELT2"  # degrees a pixel; 1 where nobody has filled it in
MATRIX_KEYS = "CD1_1", "CD1_2", "CD2_1", "CD2_2"  # the same, turned
PIXEL_KEYS = "XPIXSZ", "PIXSIZE1", "PIXSIZE"  # micrometres, to go with FOCALLEN


@dataclass(frozen=True, kw_only=True)
class Hints:
    """What is believed of a frame before its stars were asked.

    Attributes
    ----------
    ra_deg, dec_deg : float
        ICRS, near the middle of the frame.
    scales_arcsec : tuple of float
        Pixel scales that may be, likeliest first.
    place_source, scale_source : str
        Where they were taken from.
    place_widths, scale_share : float
        How far they may be off: in frame widths, and relative.
    rotation_deg, rotation_error_deg : float
        Direction of north from the y axis, counter-clockwise, and how far off it may be; by default
        any.
    mirrored : bool or None
        East to the right of north; None: unknown.
    """

    ra_deg: float
    dec_deg: float
    scales_arcsec: tuple[float, ...]
    place_source: str = "given"
    scale_source: str = "given"
    place_widths: float = PLACE_WIDTHS
    scale_share: float = SCALE_SHARE
    rotation_deg: float = 0.0
    rotation_error_deg: float = 180.0
    mirrored: bool | None = None

    def __post_init__(self):
        """Refuse what is no place or no scale."""
        if not (np.isfinite(self.ra_deg) and -90 <= self.dec_deg <= 90):
            raise ValueError(
                f"ra_deg {self.ra_deg}, dec_deg {self.dec_deg} is no place: dec lies within -90..90"
            )
        if not self.scales_arcsec or not all(map(POSITIVE.hold, self.scales_arcsec)):
            raise ValueError(f"scales_arcsec {self.scales_arcsec} given, {POSITIVE.needed}")

    def __str__(self) -> str:
        scales = " or ".join(f"{scale:.4g}" for scale in self.scales_arcsec)
        return (
            f"RA {self.ra_deg:.4f}, Dec {self.dec_deg:+.4f} ({self.place_source}), {scales} arcsec "
            f"a pixel "
            f"({self.scale_source})"
        )


def hints_from_header(
    header: fits.Header,
    *,
    ra: float | str | None = None,
    dec: float | str | None = None,
    scale_arcsec: float | None = None,
    named: str | None = None,
) -> Hints:
    """What a header, as capture software writes it, tells of place and scale; what is given comes
    first.

    Parameters
    ----------
    header : Header
        RA, DEC or OBJCTRA, OBJCTDEC: numbers are degrees, sexagesimal texts are hours and degrees;
        precessed where EQUINOX is not 2000. One of `SCALE_KEYS`, arcsec; or FOCALLEN, mm, with
        XPIXSZ, micrometres; or what there is of a WCS: CDELT1 or the CD matrix, degrees. Some
        software counts binning into XPIXSZ and some does not; with XBINNING above 1 both scales are
        kept, and the stars decide.
    ra, dec : float or str, optional
        As in the header; ICRS.
    scale_arcsec : float, optional
        Arcsec a pixel.
    named : str, optional
        A nebula, cluster or galaxy near the middle, for where no place is given.

    Returns
    -------
    Hints

    Raises
    ------
    NoWCSError
        Place or scale are missing; the message names the keywords and the options.
    CatalogueError
        Nothing is called so.
    """
    place = _given_place(ra, dec) or _place_named(named) or _place_of(header)
    scale = ((float(scale_arcsec),), "given") if scale_arcsec is not None else _scale_of(header)
    if place is None or scale is None:
        raise NoWCSError(_lacking(place, scale))
    return Hints(
        ra_deg=place[0],
        dec_deg=place[1],
        scales_arcsec=scale[0],
        place_source=place[2],
        scale_source=scale[1],
    )


def _lacking(place, scale) -> str:
    """What is missing, and what to type: nothing that is known already."""
    no_place = "place (RA, DEC or OBJCTRA, OBJCTDEC)"
    no_scale = f"scale ({', '.join(SCALE_KEYS)}, CDELT1, or FOCALLEN and XPIXSZ)"
    if scale is not None:
        what, advice = no_place, f"give {PLACE_ADVICE}"
    elif place is not None:
        what, advice = f"{no_scale}, though it has a place ({place[2]})", f"give {SCALE_ADVICE}"
    else:
        what, advice = f"{no_place} and no {no_scale}", HINTS_ADVICE
    return f"the header has no {what} to solve from: {advice}"


def lacks_only_scale(header: fits.Header) -> str:
    """What to type for a header that tells where the frame points but not how large its pixels are;
    empty for any other."""
    place, scale = _place_of(header), _scale_of(header)
    return _lacking(place, scale) if place is not None and scale is None else ""


def hints_of(choices: Choices, frame: Frame) -> Hints | None:
    """Where a frame points and how large its pixels are, if anything of it was chosen; what was not
    is asked of the header, and then of the WCS.

    Parameters
    ----------
    choices : Choices
        The scale is that of a pixel of the file.
    frame : Frame

    Returns
    -------
    Hints or None
        None where neither place nor scale was chosen.

    Raises
    ------
    NoWCSError
        As `hints_from_header`.
    """
    if (choices.ra, choices.dec, choices.scale, choices.object or None) == (None,) * 4:
        return None
    scale = choices.scale and choices.scale * frame.cell_px
    known, source = (choices.ra, choices.dec), ""
    if _is_to_be_asked(choices):
        known = place_of_object(choices.object or "", timeout_s=choices.timeout)
        source = f"{choices.object}, of the name resolver"
    elif _is_in_wcs_alone(choices, frame):
        known = require_wcs(frame).all_pix2world(*middle_px(frame.pixels.shape[1:]), 0)
        source = "the middle of the WCS"
    hints = hints_from_header(
        frame.header, ra=known[0], dec=known[1], scale_arcsec=scale, named=choices.object
    )
    return replace(hints, place_source=source or hints.place_source)


def _is_in_wcs_alone(choices: Choices, frame: Frame) -> bool:
    """Whether nothing but the WCS says where a frame points."""
    given = choices.ra, choices.dec, choices.object or None
    return given == (None,) * 3 and frame.wcs is not None and _place_of(frame.header) is None


def _is_to_be_asked(choices: Choices) -> bool:
    """Whether an object is only known to the network, which may be asked."""
    if not choices.object or choices.ra is not None or choices.dec is not None:
        return False
    return bool(choices.online) and find_object(choices.object) is None


def place_given(
    ra: float | str | None, dec: float | str | None, named: str | None = None
) -> tuple[float, float]:
    """The place that somebody gave, by numbers or by an object's name.

    Parameters
    ----------
    ra, dec : float or str, optional
        Degrees, or sexagesimal hours and degrees; ICRS.
    named : str, optional
        A nebula, cluster or galaxy, for where no numbers are given.

    Returns
    -------
    tuple of float
        RA and Dec, degrees.

    Raises
    ------
    NoWCSError
        There is no such place, or half of it is missing.
    CatalogueError
        Nothing is called so.
    """
    place = _given_place(ra, dec) or _place_named(named)
    if place is None:
        raise NoWCSError(f"no place is given. Give {PLACE_ADVICE}")
    return place[0], place[1]


def hours_advice(hints: Hints) -> str:
    """What to type where a right ascension was given in hours, and taken for degrees.

    Parameters
    ----------
    hints : Hints
        That led nowhere.

    Returns
    -------
    str
        To go behind a message; empty where it can be no hours.
    """
    if hints.place_source != "given" or hints.ra_deg >= HOURS:
        return ""
    ra = f"{hints.ra_deg:.6g}"
    return f"; RA {ra} was taken for degrees: if hours were meant, type --ra {ra}h"


def _given_place(ra, dec):
    if ra is None and dec is None:
        return None
    ra_deg = _angle_deg(ra, "hourangle")
    dec_deg = _angle_deg(dec, "deg")
    if ra_deg is None or dec_deg is None or not 0 <= ra_deg <= 360 or abs(dec_deg) > 90:
        missing = [name for name, value in (("--ra", ra), ("--dec", dec)) if value is None]
        wrong = (
            f"{missing[0]} is missing"
            if missing
            else f"--ra {ra} --dec {dec} is no place on the sky"
        )
        raise NoWCSError(
            f"{wrong}: both are needed, RA within 0 to 360 degrees and Dec within -90 to 90, or "
            "sexagesimal. Give --ra 305.6 --dec 40.3 or --ra 20:22:24 --dec +40:18:00"
        )
    return ra_deg, dec_deg, "given" if _is_one_number(ra) else "given as hours and degrees"


def _place_named(name: str | None):
    """Of a nebula, cluster or galaxy."""
    if not name:
        return None
    found = object_named(name)
    return found.ra_deg, found.dec_deg, f"the middle of {found}"


def _place_of(header):
    for keys in (("RA", "DEC"), ("OBJCTRA", "OBJCTDEC")):
        ra, dec = (
            _angle_deg(header.get(keys[0]), "hourangle"),
            _angle_deg(header.get(keys[1]), "deg"),
        )
        if ra is not None and dec is not None and abs(dec) <= 90:
            return *_j2000(ra, dec, _header_number(header, "EQUINOX")), ", ".join(keys)
    return None


def _angle_deg(value, unit) -> float | None:
    """Degrees: of a number, as it is; of a text, in its unit if it is sexagesimal; None if it is
    neither."""
    if _is_one_number(value):
        return float(value) if np.isfinite(float(value)) else None
    try:
        return float(Angle(str(value).strip(), unit=unit).deg)
    except Exception:  # astropy's parsers raise kinds of their own
        return None


def _is_one_number(value) -> bool:
    """Whether a value, or what a text says, is one number."""
    try:
        float(value)
    except (TypeError, ValueError):
        return False
    return True


def _j2000(ra_deg, dec_deg, equinox):
    if equinox is None or equinox == 2000 or not 1850 < equinox < 2150:
        return ra_deg, dec_deg
    place = SkyCoord(
        ra_deg, dec_deg, unit="deg", frame=FK5(equinox=Time(equinox, format="jyear"))
    ).icrs
    return float(place.ra.deg), float(place.dec.deg)


def _scale_of(header):
    for key in SCALE_KEYS:
        if (scale := _header_number(header, key)) is not None and 0 < scale < 3600:
            return (scale,), key
    return _scale_of_optics(header) or _scale_of_wcs_cards(header)


def _scale_of_optics(header):
    """Of focal length and pixel size."""
    focal_mm = _header_number(header, "FOCALLEN")
    pixel_key = next(
        (name for name in PIXEL_KEYS if _header_number(header, name)), PIXEL_KEYS[0]
    )
    pixel_um = _header_number(header, pixel_key)
    if not (focal_mm and pixel_um and 0 < pixel_um / focal_mm < 10):
        return None
    scale = float(np.degrees(pixel_um * 1e-3 / focal_mm) * 3600)
    binning = _header_number(header, "XBINNING") or 1
    scales = (scale, scale * binning) if 1 < binning <= 8 else (scale,)
    return scales, f"FOCALLEN, {pixel_key}" + (", XBINNING" if len(scales) > 1 else "")


def _scale_of_wcs_cards(header):
    """Of a WCS that lacks the rest: its steps or its matrix alone."""
    for key in STEP_KEYS:
        step_deg = abs(_header_number(header, key) or 0.0)
        if 0 < step_deg < 1:
            return (3600 * step_deg,), key
    across, skew, other, down = (_header_number(header, key) or 0.0 for key in MATRIX_KEYS)
    area_deg2 = abs(across * down - skew * other)
    return ((3600 * area_deg2**0.5,), "CD matrix") if 0 < area_deg2 < 1 else None


def _header_number(header, key) -> float | None:
    try:
        value = float(header.get(key))
    except (TypeError, ValueError):
        return None
    return value if np.isfinite(value) else None
