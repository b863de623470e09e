"""A joined picture into a file: of the nebula's own kind, FITS, or JPEG where that is asked for."""

from pathlib import Path

from ..errors import OutputError
from ..frame import (
    JPEG_QUALITY,
    icc_profile_of,
    kind_of,
    read_frame,
    write_fits,
    write_fits_in_kind,
    write_in_kind,
    write_jpeg,
)
from ..texts import counted
from .job import Joined

ALIKE_ENDINGS = {"tiff": "tif", "jpeg": "jpg", "fit": "fits", "fts": "fits"}


def joined_kind(nebula: Path, output: Path) -> str:
    """What a joined picture is written as.

    Parameters
    ----------
    nebula, output : Path

    Returns
    -------
    str
        "fits", "jpg", or the nebula's own kind, "tif" or "png".

    Raises
    ------
    OutputError
        The name ends in none of them.
    """
    if not nebula.is_file():
        read_frame(nebula)  # says that there is none
    kind = kind_of(nebula)
    ending = output.suffix.lower().removeprefix(".")
    ending = ALIKE_ENDINGS.get(ending, ending)
    if ending in ("fits", "jpg") or (kind and ending == kind):
        return ending
    if kind is None:
        read_frame(nebula)  # what is no picture at all says that first
    own = f".{kind}, " if kind else ""
    raise OutputError(
        f"{output}: give a name that ends in {own}.fits or .jpg, which can hold the joined picture"
    )


def write_joined(made: Joined, nebula: Path, output: Path, overwrite: bool) -> str | None:
    """Write a joined picture as its name says, in the nebula's depth and colour profile.

    Parameters
    ----------
    made : Joined
    nebula : Path
        The file that it was made from.
    output : Path
    overwrite : bool

    Returns
    -------
    str or None
        What was lost, in words.

    Raises
    ------
    OutputError
        The name ends otherwise, or the file cannot be written.
    """
    kind = joined_kind(nebula, output)
    if kind == "jpg":
        return _write_joined_jpeg(made, nebula, output, overwrite)
    if kind != "fits":
        scale = made.nebula.full_scale
        write_in_kind(output, nebula, made.pixels, made.changed, scale, overwrite=overwrite)
        return None
    return _write_joined_fits(made, nebula, output, overwrite)


def _write_joined_fits(made: Joined, nebula: Path, output: Path, overwrite: bool) -> str | None:
    """FITS in the numbers of the nebula's FITS file; of other kinds as float32."""
    history = tuple(f"starcal: {line}" for line in str(made).splitlines())
    header = made.nebula.header
    if kind_of(nebula):
        pixels = made.nebula.refill(made.pixels)
        write_fits(output, pixels, header, history=history, overwrite=overwrite)
        return None
    n_clipped = write_fits_in_kind(
        output,
        nebula,
        made.pixels,
        made.changed,
        made.nebula.full_scale,
        header,
        history=history,
        overwrite=overwrite,
    )
    if not n_clipped:
        return None
    most = f"the most that numbers of {made.nebula.source_type} hold"
    return f"{counted(n_clipped, 'pixel')} of stars end at {most}"


def _write_joined_jpeg(made: Joined, nebula: Path, output: Path, overwrite: bool) -> str:
    if made.tones.linear:
        raise OutputError(
            f"{output}: the joined picture is linear, which JPEG cannot hold: give a name that "
            f"ends in .fits"
        )
    profile = icc_profile_of(nebula) if kind_of(nebula) else None
    write_jpeg(output, made.pixels, profile, source=nebula, overwrite=overwrite)
    return f"JPEG of 8 bits, quality {JPEG_QUALITY} of 100, colours at full size"
