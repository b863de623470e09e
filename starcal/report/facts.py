"""What a frame is, as its header and WCS tell, and the command that does a run again."""

from __future__ import annotations

import shlex
from dataclasses import fields

import numpy as np

from ..choices import Choices, Settings
from ..frame import Frame, filters_of, pixel_scale_arcsec
from ..frame.sky import card_value

# Cards of headers, as capture software writes them, and what they are to a reader.
CARDS = (
    ("taken", "DATE-OBS", ""),
    ("object", "OBJECT", ""),
    ("camera", "INSTRUME", ""),
    ("telescope", "TELESCOP", ""),
    ("focal length", "FOCALLEN", " mm"),
    ("exposure", "EXPTIME", " s"),
    ("filter", "FILTER", ""),
)
FILE_OPTIONS = ("red", "green", "blue", "wcs", "full_scale", "starless", "star_frame")


def frame_rows(frame: Frame) -> list[tuple[str, str]]:
    """What the frame is: size, field, place and scale, and how it was taken, by its header.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    list of (str, str)
        Names and texts; what nobody says is left out.
    """
    height, width = frame.pixels.shape[1:]
    rows = [("size", f"{width} x {height} pixels ({width * height / 1e6:.1f} megapixels)")]
    rows += _sky_rows(frame, width, height)
    for name, key, unit in CARDS:
        if (text := _text_of(frame, key)) is not None:
            rows.append((name, f"{text}{unit}"))
    filters = filters_of(frame)
    if any(filters):
        rows.append(("filters of R, G, B", ", ".join(text or "–" for text in filters)))
    return rows


def _sky_rows(frame: Frame, width: int, height: int) -> list[tuple[str, str]]:
    if frame.wcs is None:
        return []
    scale = pixel_scale_arcsec(frame.wcs)
    middle = frame.wcs.all_pix2world((width - 1) / 2, (height - 1) / 2, 0)
    ra_deg, dec_deg = (float(value) for value in middle)
    side, other = (np.array([width, height]) * scale / 60).tolist()
    return [
        ("field", f"{side:.0f} x {other:.0f} arcmin, {scale:.2f} arcsec a pixel"),
        ("middle", f"RA {ra_deg % 360:.4f}, Dec {dec_deg:+.4f} degrees (ICRS)"),
    ]


def _text_of(frame: Frame, key: str) -> str | None:
    """What a card says, if it says anything."""
    value = card_value(frame.header, key)
    text = "" if value is None else str(value).strip()
    return text or None


def command_of_run(settings: Settings, folder: str) -> str:
    """The command line that asks for the same again.

    Parameters
    ----------
    settings : Settings
    folder : str
        Where its files go.

    Returns
    -------
    str
        For a POSIX shell.
    """
    words = ["starcal", "run", *([settings.frame] if settings.frame else [])]
    for name in FILE_OPTIONS:
        if (value := getattr(settings, name)) is not None:
            words += [_option_of(name), str(value)]
    for each in fields(Choices):
        words += _words_of(each.name, getattr(settings, each.name), each.default)
    return shlex.join([*words, "--out", folder, "--overwrite"])


def _words_of(name: str, value, usual) -> list[str]:
    """An option and its value; nothing of what is as by default."""
    if value == usual:
        return []
    if name == "leave_out":
        return [word for place in value for word in ("--leave-out", _told_exactly(*place))]
    if name == "gains":
        return ["--gains", _told_exactly(*value)]
    if isinstance(value, bool):
        return [_option_of(name if value else f"no_{name}")]
    return [_option_of(name), _told_exactly(value) if isinstance(value, float) else str(value)]


def _told_exactly(*values: float) -> str:
    """Numbers as they are typed, to the last digit, for the same again."""
    short = {value: f"{value:g}" for value in values}
    return ",".join(short[v] if float(short[v]) == v else repr(float(v)) for v in values)


def _option_of(name: str) -> str:
    return f"--{name.replace('_', '-')}"
