"""The frame, and how it comes about: file -> planes -> [0, 1] -> what is not sky blanked -> WCS."""

import difflib
import errno
import math
import os
from collections.abc import Iterable
from dataclasses import KW_ONLY, dataclass, field
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

from ..choices import POSITIVE
from ..errors import FrameError, StarcalError
from ..inputs import stream_fault
from .fits_files import Raw, load_fits
from .levels import (
    FULL_SCALE_CARD,
    MOST_FULL_SCALES,
    blank_beyond,
    blank_borders,
    float_full_scale,
    require_light,
    survey,
)
from .mosaic import header_of_cells
from .pictures import JPEG, PNG, TIFF, load_picture
from .sky import (
    Sky,
    card_value,
    celestial_wcs,
    epoch_yr,
    is_mirrored,
    upside_down,
    with_date,
    with_wcs,
)
from .steps import Steps, taken_steps
from .targets import typed_chmod
from .wcs_files import FROM_BOTTOM, check_picture_size, read_wcs_header, stated_size
from .whole import settle

CHANNELS = ("R", "G", "B")
# Of the channels of a cube, which has one header: as `compose` writes them, or counted.
FILTER_KEYS = ("FILTERR", "FILTERG", "FILTERB")
COUNTED_FILTER_KEYS = ("FILTER1", "FILTER2", "FILTER3")
SMALLEST_SIDE_PX = 8
OF_ITS_NAME = (errno.ELOOP, errno.ENAMETOOLONG)
TYPED_SCALE, STATED_SCALE = SAID_OF_SCALE = ("--full-scale", f"{FULL_SCALE_CARD} in its header")


@dataclass(frozen=True, eq=False)
class Frame:
    """A linear colour picture: pixels, where they are on the sky, and how both came about.

    Attributes
    ----------
    pixels : (3, y, x) float32
        R, G, B; native byte order, C-contiguous, linear, 1 = full scale (values above 1 are kept);
        NaN = no data. Row 0 is the bottom of the picture as seen, also for TIFF, PNG and JPEG.
    header : astropy.io.fits.Header
        The header of the input (primary and extension in one), for the output.
    wcs : astropy.wcs.WCS or None
        Celestial WCS, 0-based pixels (x, y) to ICRS degrees; None where the header has none.
    name : str
        File name, for messages.
    full_scale, full_scale_source : float, str
        The number in the file that became 1, and on what grounds.
    epoch_yr : float or None
        Julian epoch of the exposure, years.
    source_type : str
        Number type in the file, e.g. "uint16".
    filters : tuple of (str or None)
        Of each channel, by its own file or extension, or by the header.
    notes : tuple of str
        What was done or met on the way, in plain sentences.
    wcs_missing : tuple of str
        What the header lacks, where `wcs` is None.
    blank_value : float
        What the file held where there was no data: 0 for the borders of registered stacks, else
        NaN.
    wcs_other_way : astropy.wcs.WCS or None
        The same with rows counted from the other end of the picture, where the file that holds it
        does not say from which: stars decide. None where there is no doubt.
    cell_px : int
        Pixels of the file along a side of one of the frame's: 2 for a raw frame of a colour camera
        that was taken cell by cell, else 1.
    icc_profile : bytes or None
        The colour profile embedded in a picture: what its numbers show, if it is stretched. None
        stands for sRGB.
    steps : tuple of (float, float)
        Of the values of channels that were moved; see `steps.Steps`.

    Examples
    --------
    >>> from starcal import Frame, read_frame
    >>> frame = read_frame("broadband.fits")
    >>> isinstance(frame, Frame), frame.pixels.shape, str(frame.pixels.dtype)
    (True, (3, 330, 460), 'float32')
    """

    pixels: np.ndarray = field(repr=False)
    header: fits.Header = field(repr=False, default_factory=fits.Header)
    wcs: WCS | None = field(repr=False, default=None)
    _: KW_ONLY
    name: str = "frame"
    full_scale: float = 1.0
    full_scale_source: str = "given"
    epoch_yr: float | None = None
    source_type: str = "float32"
    filters: tuple[str | None, ...] = (None, None, None)
    notes: tuple[str, ...] = ()
    wcs_missing: tuple[str, ...] = ()
    blank_value: float = math.nan
    wcs_other_way: WCS | None = field(repr=False, default=None)
    cell_px: int = 1
    icc_profile: bytes | None = field(repr=False, default=None)
    steps: Steps = ()

    def __post_init__(self):
        """Refuse arrays that would break the promises above."""
        pixels = self.pixels
        if (
            pixels.ndim != 3
            or len(pixels) != 3
            or pixels.dtype != np.float32
            or not pixels.flags.c_contiguous
        ):
            raise ValueError(
                "pixels must be C-contiguous float32 of shape (3, y, x), not "
                f"{pixels.dtype} {pixels.shape}"
            )

    def refill(self, pixels: np.ndarray) -> np.ndarray:
        """Put back, in place, what the file held where it had no data; other programs stumble over
        NaN.

        Parameters
        ----------
        pixels : ndarray, (3, y, x) float32
            Changed in place.

        Returns
        -------
        ndarray
            The same.
        """
        if not math.isnan(self.blank_value):
            for row in pixels.reshape(-1, pixels.shape[-1]):
                row[np.isnan(row)] = self.blank_value
        return pixels


def read_frame(
    path: str | Path,
    *,
    wcs: str | Path | None = None,
    full_scale: float | None = None,
    cells: bool = False,
) -> Frame:
    """Read a colour frame from FITS (cube, three extensions), TIFF, PNG or JPEG.

    Parameters
    ----------
    path : str or Path
    wcs : str or Path, optional
        File with the WCS: a solved FITS picture, a .wcs file, FITS cards as text. It replaces the
        one in the header. For TIFF, PNG and JPEG, whose rows are turned over so that row 0 is the
        bottom, a WCS that would make the sky mirrored is taken to count rows from the top, and is
        turned over too, unless its file says ROWORDER BOTTOM-UP.
    full_scale : float, optional
        The number in the file that stands for 1; by default the largest number of an integer type,
        and for floating point data 1, 65535 or the largest pixel, as they look.
    cells : bool
        Take a raw frame of a colour camera (BAYERPAT in its header), too: its 2x2 cells as a colour
        frame of half the size.

    Returns
    -------
    Frame

    Raises
    ------
    FrameError
        There is no such file, it is damaged, it is no colour frame, or a channel is dead.
    NoWCSError
        The file given as `wcs` has no WCS.

    Examples
    --------
    >>> from starcal import read_frame
    >>> frame = read_frame("broadband.fits")
    >>> frame.name, frame.full_scale, frame.wcs is not None
    ('broadband.fits', 1.0, True)
    """
    path = Path(path)
    raw = _load(path, 3, cells)
    return frame_of_raw(raw, raw.pixels, path.name, wcs, full_scale)


@dataclass(frozen=True, eq=False)
class Plane:
    """One channel as a file has it: its numbers are not yet scaled.

    Attributes
    ----------
    pixels : (y, x) float32
        In the numbers of the file; NaN = no data.
    wcs : astropy.wcs.WCS or None
        As in `Frame`.
    raw : Raw
        The rest of what the file says; its pixels are (1, y, x), the same memory.
    name : str
    """

    pixels: np.ndarray = field(repr=False)
    wcs: WCS | None = field(repr=False)
    raw: Raw = field(repr=False)
    name: str


def read_plane(path: str | Path) -> Plane:
    """Read a file of one channel, for `frame_of_planes`.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Plane

    Raises
    ------
    FrameError
        As `read_frame`; besides, the file holds more than one channel, or nothing.
    """
    path = Path(path)
    raw = _load(path, 1)
    _require_size(raw.pixels, path.name)
    survey(raw.pixels)  # turns infinities into NaN
    return Plane(
        raw.pixels[0], celestial_wcs(raw.header, raw.pixels.shape[1:]).wcs, raw, path.name
    )


def frame_of_planes(
    pixels: np.ndarray,
    planes: tuple[Plane, Plane, Plane],
    home: Plane,
    *,
    wcs: str | Path | None = None,
    full_scale: float | None = None,
    notes: tuple[str, ...] = (),
    name: str | None = None,
) -> Frame:
    """Make a frame of three planes brought onto the pixel grid of one of them.

    Parameters
    ----------
    pixels : (3, y, x) float32
        R, G, B in the numbers of the files; changed in place.
    planes : tuple of three Planes
        Where they come from.
    home : Plane
        The one whose grid, WCS and header the frame has.
    wcs : str or Path, optional
        As for `read_frame`.
    full_scale : float, optional
        As for `read_frame`.
    notes : tuple of str
        What was done to bring them together.
    name : str, optional
        By default those of the planes.

    Returns
    -------
    Frame

    Raises
    ------
    FrameError
        Number types differ, or a channel is dead.
    """
    filters = tuple(plane.raw.filters[0] for plane in planes)
    header = with_date(home.raw.header, *(plane.raw.header for plane in planes))
    header = _with_filters(header, filters)
    joint = Raw(
        pixels=pixels,
        header=header,
        kinds=sum((plane.raw.kinds for plane in planes), ()),
        filters=filters,
        notes=notes + _notes_of(planes),
        is_picture=home.raw.is_picture,
    )
    joined = " + ".join(plane.name for plane in planes)
    return frame_of_raw(joint, pixels, name or joined, wcs, full_scale)


def _notes_of(planes: tuple[Plane, ...]) -> tuple[str, ...]:
    """What was noted of the files, each once, with their names."""
    notes = [f"{plane.name}: {note}" for plane in planes for note in plane.raw.notes]
    return tuple(dict.fromkeys(notes))


def _with_filters(header, filters):
    """Copy of a header that names the filter of each channel."""
    header = header.copy()
    header.remove("FILTER", ignore_missing=True, remove_all=True)
    for key, name in zip(FILTER_KEYS, filters, strict=True):
        if name is not None:
            header[key] = (name, "filter of this channel")
    return header


def frame_of_raw(raw, pixels, name, wcs_path, full_scale):
    """Judge planes as a file has them, and put a `Frame` together; pixels are changed in place."""
    notes = list(raw.notes)
    _require_size(pixels, name)
    given = _given_scale(raw, full_scale, name)
    (scale, source), not_finite = _scale(pixels, raw.kinds, given, name, notes)
    displayed = (
        raw.is_picture and "uint8" in raw.kinds
    )  # its black is a sky clipped for display
    bordered = not displayed and _blank(pixels, name, notes)
    blank_value = 0.0 if bordered and not not_finite else math.nan
    header, sky = _locate(raw, pixels.shape[1:], wcs_path, name)
    return Frame(
        pixels,
        header,
        sky.wcs,
        name=name,
        full_scale=scale,
        full_scale_source=source,
        epoch_yr=epoch_yr(header),
        source_type=raw.kinds[0],
        filters=raw.filters if any(raw.filters) else _filters_in(raw.header),
        notes=(*notes, *sky.notes),
        wcs_missing=sky.missing,
        blank_value=blank_value,
        wcs_other_way=_other_way(raw, sky, wcs_path),
        cell_px=raw.cell_px,
        icc_profile=raw.icc_profile,
        steps=taken_steps(header),
    )


def _other_way(raw, sky, wcs_path):
    """The WCS of a file with the rows of a picture counted from the other end, where that is
    open."""
    if wcs_path is None or not raw.is_picture or sky.wcs is None:
        return None
    if card_value(read_wcs_header(wcs_path), "ROWORDER") == FROM_BOTTOM:
        return None
    return upside_down(sky.wcs, raw.pixels.shape[-2])


def filters_of(frame: Frame) -> tuple[str | None, ...]:
    """Filter of each channel: of its own file or extension, else as the header says.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    tuple of (str or None)
        Three.
    """
    return frame.filters if any(frame.filters) else _filters_in(frame.header)


def _filters_in(header: fits.Header) -> tuple[str | None, ...]:
    """Filter of each channel, by cards of its name or its number."""
    return tuple(
        _card_text(header, own) or _card_text(header, counted)
        for own, counted in zip(FILTER_KEYS, COUNTED_FILTER_KEYS, strict=True)
    )


def _card_text(header: fits.Header, key: str) -> str | None:
    value = card_value(header, key)
    return None if value is None else str(value).strip() or None


# --------------------------------------------------------------------------------------------------
# the file


def _load(path, channels, cells=False):
    settle(path.parent)  # of a run that died while it replaced its files
    fault = stream_fault(path)
    if fault:
        raise FrameError(f"{path}: {fault}")
    try:
        with open(path, "rb") as file:
            start = file.read(8)
        return _loader(start, path)(path, channels, cells)
    except StarcalError:
        raise
    except (FileNotFoundError, NotADirectoryError):
        raise FrameError(_not_found(path)) from None
    except IsADirectoryError:
        raise FrameError(f"{path}: this is a folder. Give a file in it.") from None
    except PermissionError:
        raise FrameError(
            f"{path}: reading is not permitted. {typed_chmod(path, 'r')}"
        ) from None
    except MemoryError:
        raise FrameError(
            f"{path.name}: too large for the memory of this computer. Give a smaller crop."
        ) from None
    except Exception as error:  # the readers meet a damaged file with errors of every kind
        raise _unreadable(path, error) from error


def _unreadable(path, error) -> FrameError:
    """What is wrong with a file that is there: with its name, or with what is in it."""
    if getattr(error, "errno", None) in OF_ITS_NAME:
        return FrameError(f"{path}: cannot be read: {error.strerror}. Give the file itself.")
    reason = " ".join(str(error).split())[:120] or type(error).__name__
    return FrameError(
        f"{path.name}: the file is damaged or cut short ({reason}). Copy or export it again."
    )


def _loader(start, path):
    if not start:
        raise FrameError(f"{path.name}: the file is empty. Copy or export it again.")
    if start.startswith(b"SIMPLE") or start.startswith(b"\x1f\x8b"):
        return load_fits
    if start[:4] in (*TIFF, PNG) or start.startswith(JPEG):
        return load_picture
    raise FrameError(
        f"{path.name}: its content is neither FITS nor TIFF, PNG or JPEG. Save the frame as FITS "
        "or as 16-bit TIFF."
    )


def require_there(paths: Iterable[str | Path]) -> None:
    """Refuse a misspelt name, before anything else is asked about a job: what is said of its folder
    would mislead.

    Parameters
    ----------
    paths : iterable of str or Path

    Raises
    ------
    FrameError
        One of these files is not there.
    """
    for path in paths:
        try:
            os.stat(path)
        except (FileNotFoundError, NotADirectoryError):
            raise FrameError(_not_found(Path(path))) from None
        except OSError:  # which reading it tells of
            pass


def _not_found(path):
    if not path.parent.is_dir():
        return f"{path}: there is no folder {path.parent}. Check the spelling."
    if path.is_symlink():
        return (
            f"{path}: it is a link to {os.readlink(path)}, which is not there. Mend the link."
        )
    try:
        shown = [name for name in os.listdir(path.parent) if not name.startswith(".")]
        close = difflib.get_close_matches(path.name, shown, n=1)
    except OSError:  # a folder may be entered and yet not listed
        close = []
    return f"{path}: there is no such file. " + (
        f"Did you mean {path.parent / close[0]}?" if close else "Check the spelling."
    )


def _require_size(pixels, name):
    rows, columns = pixels.shape[1:]
    if min(rows, columns) < SMALLEST_SIDE_PX:
        raise FrameError(
            f"{name}: {columns} x {rows} pixels are too few, at least {SMALLEST_SIDE_PX} x "
            f"{SMALLEST_SIDE_PX} needed. Give a larger frame."
        )


# --------------------------------------------------------------------------------------------------
# levels


def _scale(pixels, kinds, given, name, notes):
    """Bring pixels to [0, 1] in place; returns (full scale, where it comes from) and how many are
    not numbers."""
    found = survey(pixels, given[0] if given else 1.0)
    require_light(found.low, found.high, CHANNELS, name)
    largest = float(found.high.max())
    if given is None:
        given = float_full_scale(pixels, largest)
        if given[0] != 1.0:
            found = survey(pixels, given[0])
    elif given[1] not in SAID_OF_SCALE and largest < 1e-3:
        notes.append(_little_light(largest, kinds[0], given[0]))
    spoilt = found.not_finite + _beyond_light(pixels, found, name)
    if spoilt:
        notes.append(
            f"{spoilt} of {pixels.size} pixel values are not numbers, or larger than any light: "
            f"they count as no data."
        )
    return given, spoilt


def _beyond_light(pixels, found, name) -> int:
    """How many numbers are no light's, for they are too large, and count as none now."""
    if max(found.high.max(), -found.low.min()) <= MOST_FULL_SCALES:
        return 0
    count = blank_beyond(pixels)
    rest = survey(pixels)
    require_light(rest.low, rest.high, CHANNELS, name)
    return count


def _little_light(largest, kind, full_scale):
    return (
        f"The largest pixel is only {largest:.2g} of what {kind} can hold; if the camera "
        f"counts less far, say how far: --full-scale {math.ceil(largest * full_scale)}"
    )


def _given_scale(raw, full_scale, name):
    """Full scale that needs no look at the pixels, None for floating point data."""
    if full_scale is not None:
        if not (math.isfinite(full_scale) and full_scale > 0):
            raise FrameError(
                f"--full-scale {full_scale:g}: a number above 0 is needed, e.g. --full-scale 65535"
            )
        return float(full_scale), TYPED_SCALE
    stated = card_value(raw.header, FULL_SCALE_CARD)
    if POSITIVE.hold(stated):
        return float(stated), STATED_SCALE
    kinds = raw.kinds
    sorts = {"float" if kind.startswith("float") else kind for kind in kinds}
    if len(sorts) > 1:
        raise FrameError(
            f"{name}: the channels hold different kinds of numbers ({', '.join(kinds)}). Save them "
            "alike, or say which number is full scale in all of them, e.g. --full-scale 65535"
        )
    kind = sorts.pop()
    return None if kind == "float" else (float(np.iinfo(kind).max), f"{kind} type")


def _blank(pixels, name, notes):
    """Set zero borders to NaN; returns whether there were any."""
    share = blank_borders(pixels)
    if share < 0:
        notes.append(
            f"{-share:.0%} of the frame is exactly 0 up to its edge: taken as black sky, not as a "
            f"border."
        )
    elif share > 0:
        notes.append(f"Zero borders, {max(share, 0.0001):.2%} of the pixels, count as no data.")
        rest = survey(pixels)
        require_light(rest.low, rest.high, CHANNELS, name)
    return share > 0


# --------------------------------------------------------------------------------------------------
# the sky


def _locate(raw, shape, wcs_path, name):
    """Header for the output, and the WCS or what is missing."""
    if wcs_path is None:
        return _own_sky(raw.header, shape)
    given, wcs_name = read_wcs_header(wcs_path), Path(wcs_path).name
    if raw.cell_px > 1:
        given = _of_cells(given, shape)
    notes = [note for note in [check_picture_size(given, shape, wcs_name, name)] if note]
    sky = celestial_wcs(given, shape)
    if sky.wcs is None:
        raise FrameError(
            f"{wcs_name}: its WCS cannot be used: needed {', '.join(sky.missing)}. Give --wcs "
            "another solution."
        )
    wcs = sky.wcs
    if raw.is_picture and card_value(given, "ROWORDER") != FROM_BOTTOM:
        wcs, note = _upright(wcs, shape[0], wcs_name)
        notes.append(note)
    return with_date(with_wcs(raw.header, wcs), given), Sky(wcs, (), (*sky.notes, *notes))


def _of_cells(given, shape):
    """The header of a WCS for the cells of a raw frame, if it is one for the raw frame itself."""
    halved = header_of_cells(given)
    return halved if stated_size(halved) in (None, shape[::-1]) else given


def _own_sky(header, shape):
    """What the header of the picture itself says."""
    sky = celestial_wcs(header, shape)
    if sky.wcs is None or (str(header["CTYPE1"]).startswith("RA") and not sky.turned):
        return header, sky
    return with_wcs(header, sky.wcs), sky  # colour was the first axis, or the sky another


def _upright(wcs, rows, wcs_name):
    if is_mirrored(wcs):
        return upside_down(wcs, rows), (
            f"{wcs_name} counts rows from the top (else the sky would be mirrored); it was "
            "turned over with the picture."
        )
    return wcs, f"{wcs_name} was taken to count rows from the bottom, as FITS does."
