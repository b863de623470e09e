"""A frame from whatever a program has in its hands: an array, an HDU, CCDData, NDData, a file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.nddata import NDData
from astropy.units import Quantity
from astropy.wcs import WCS

from ..errors import FrameError
from .celestial import in_icrs
from .fits_files import Raw
from .reading import Frame, frame_of_raw, read_frame
from .sky import with_wcs

FrameLike = Any  # Frame, str, Path, HDU, HDUList, CCDData, NDData, Quantity, array
ARRAY_SHAPES = "(3, y, x) or (y, x, 3)"
NARROW_BITS = 16  # wider integers hold numbers of fewer bits: their full scale is looked up


def frame_of(
    given: Any,
    *,
    wcs: WCS | fits.Header | str | Path | None = None,
    full_scale: float | None = None,
    cells: bool = False,
    name: str | None = None,
) -> Frame:
    """Make a frame of what is given.

    Parameters
    ----------
    given : Frame, str, Path, HDU, HDUList, CCDData, NDData, Quantity or array
        A `Frame` is taken as it is. Arrays are of any real type and of shape (3, y, x) or
        (y, x, 3), in the order R, G, B, row 0 at the bottom; they are copied. What is masked or
        not a number counts as no data.
    wcs : WCS, Header, str or Path, optional
        Where it points; it replaces what is given with the pixels. A text or path is a file, as
        for `read_frame`.
    full_scale : float, optional
        The number that stands for 1; by default as `read_frame` finds it.
    cells : bool
        As for `read_frame`.
    name : str, optional
        What messages and results call it.

    Returns
    -------
    Frame

    Raises
    ------
    FrameError
        It is no colour picture.

    Examples
    --------
    >>> from starcal import read_frame
    >>> from starcal.frame.given import frame_of
    >>> file = read_frame("broadband.fits")
    >>> as_others_hold_it = np.moveaxis(file.pixels, 0, -1).astype(">f8")
    >>> frame = frame_of(as_others_hold_it, wcs=file.wcs)
    >>> bool((frame.pixels == file.pixels).all()), frame.wcs is not None
    (True, True)
    """
    if isinstance(given, str | Path):
        if wcs is None or isinstance(wcs, str | Path):
            return read_frame(given, wcs=wcs, full_scale=full_scale, cells=cells)
        return _placed(read_frame(given, full_scale=full_scale, cells=cells), wcs)
    if isinstance(given, Frame):
        return given if wcs is None else _placed(given, wcs)
    values, header, own_wcs = _parts(given)
    if values.ndim == 0:
        raise FrameError(
            f"{type(given).__name__} given: a file's name or an array {ARRAY_SHAPES} needed"
        )
    pixels, kind = _pixels(values, name or "the array")
    header = header if own_wcs is None else with_wcs(header, own_wcs)
    raw = Raw(pixels=pixels, header=header, kinds=(kind,) * 3, filters=(None,) * 3)
    by_file = wcs if isinstance(wcs, str | Path) else None
    frame = frame_of_raw(raw, pixels, name or _called_in(header), by_file, full_scale)
    return frame if wcs is None or by_file else _placed(frame, wcs)


def maybe_frame(given: FrameLike | None) -> Frame | None:
    """Make a frame of what is given, if anything is.

    Parameters
    ----------
    given : None, or as for `frame_of`

    Returns
    -------
    Frame or None
    """
    return None if given is None else frame_of(given)


def _placed(frame: Frame, wcs: WCS | fits.Header | str | Path) -> Frame:
    """The frame with another WCS."""
    if isinstance(wcs, str | Path):
        raise FrameError(
            f"{frame.name} is read already: give the WCS file to starcal.read_frame, or a WCS here"
        )
    if not isinstance(wcs, fits.Header | WCS):
        raise FrameError(
            f"wcs of type {type(wcs).__name__} given: a WCS, a header or a file's name needed"
        )
    given = in_icrs((WCS(wcs) if isinstance(wcs, fits.Header) else wcs).celestial)
    return replace(frame, wcs=given, wcs_missing=(), header=with_wcs(frame.header, given))


def _parts(given: Any) -> tuple[np.ndarray, fits.Header, WCS | None]:
    """Values, header and WCS of what is given."""
    if isinstance(given, fits.HDUList):
        given = next((hdu for hdu in given if _holds_colour(hdu.data)), given[0])
    if hasattr(given, "data") and hasattr(given, "header") and not isinstance(given, NDData):
        return _array(given.data), fits.Header(given.header, copy=True), None
    if isinstance(given, NDData):
        return _masked(given), _header_of(given.meta), given.wcs
    return _array(given), fits.Header(), None


def _holds_colour(data: Any) -> bool:
    return getattr(data, "ndim", 0) == 3


def _array(values: Any) -> np.ndarray:
    """Numbers without unit; masked ones are none."""
    if isinstance(values, Quantity):
        values = values.value
    if isinstance(values, np.ma.MaskedArray):
        return np.where(np.ma.getmaskarray(values), np.nan, np.ma.getdata(values))
    return np.asarray(values)


def _masked(given: NDData) -> np.ndarray:
    values = _array(given.data)
    return values if given.mask is None else np.where(given.mask, np.nan, values)


def _header_of(meta: Any) -> fits.Header:
    """What can be a header of NDData's notes."""
    if isinstance(meta, fits.Header):
        return meta.copy()
    header = fits.Header()
    for key, value in dict(meta or {}).items():
        if isinstance(value, str | int | float | bool) and len(str(key)) <= 8:
            header[str(key)] = value
    return header


def _called_in(header: fits.Header) -> str:
    return str(header.get("OBJECT") or "array")


def _pixels(values: np.ndarray, name: str) -> tuple[np.ndarray, str]:
    """Values as (3, y, x) float32 of their own, and the kind of numbers that they were."""
    if values.ndim != 3 or 3 not in (values.shape[0], values.shape[-1]):
        raise FrameError(f"{name} has shape {values.shape}: {ARRAY_SHAPES} needed, in R, G, B")
    if values.dtype.kind not in "uif":
        raise FrameError(f"{name} holds {values.dtype}: real numbers needed, such as float32")
    planes = values if values.shape[0] == 3 else np.moveaxis(values, -1, 0)
    pixels = np.array(planes, dtype=np.float32, order="C")
    kind = values.dtype.newbyteorder("=").name
    narrow = values.dtype.kind in "ui" and 8 * values.dtype.itemsize <= NARROW_BITS
    return pixels, kind if narrow else "float32"
