"""The frames that settings name, read."""

from .choices import Settings
from .frame import Frame, read_frame


def read_asked(settings: Settings, *, cells: bool = False) -> Frame:
    """The frame that settings name, from one file or three.

    Parameters
    ----------
    settings : Settings
    cells : bool
        Take a raw frame of a colour camera, too; see `frame.read_frame`.

    Returns
    -------
    Frame

    Raises
    ------
    FrameError
        As `frame.read_frame`.
    """
    if settings.red:
        from .compose import read_channels  # stars and places, which one file does not need

        return read_channels(
            settings.red,
            settings.green,
            settings.blue,
            wcs=settings.wcs,
            full_scale=settings.full_scale,
        )
    wcs, full_scale = settings.wcs, settings.full_scale
    return read_frame(settings.frame, wcs=wcs, full_scale=full_scale, cells=cells)


def read_others(settings: Settings) -> dict[str, Frame | None]:
    """The frames besides it that a cure may use, by keyword of `run` and `recolour_stars`.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    dict of str to (Frame or None)
    """
    starless, star_frame = settings.starless, settings.star_frame
    return {
        "starless": read_frame(starless, full_scale=settings.full_scale) if starless else None,
        "star_frame": read_frame(star_frame) if star_frame else None,
    }
