"""The cure without calibration: stars split off, each given the best colour there is for it, and put back."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from .catalogue.embedded import bv_error_model
from .checking import Progress, as_frame, check, silent
from .colour import SOLAR_BV_MAG
from .frame import Frame, write_fits
from .joining import plausible_starless
from .layers import Split, split
from .palette import YELLOW_WHITE_BV_MAG, star_colours, yellow_white
from .recolour import recolour
from .result import CheckResult
from .sources import StarColours, choose_colours, from_palette


@dataclass(frozen=True)
class Taste:
    """What is a matter of taste in the colours of stars; the defaults are true colours from the best source.

    Attributes
    ----------
    route : str
        ``best``, or ``palette`` for one yellow-white whatever the sources.
    bv_mag, spread_mag : float
        Of the palette.
    warmth, saturation : float
        1 is true.
    """

    route: str = "best"
    bv_mag: float = YELLOW_WHITE_BV_MAG
    spread_mag: float = 0.0
    warmth: float = 1.0
    saturation: float = 1.0


@dataclass(frozen=True, eq=False)
class Recoloured:
    """A picture whose stars have new colours.

    Attributes
    ----------
    picture : ndarray, shape (3, y, x), float32
        Outside the footprints of stars the frame bit for bit.
    starless, stars : ndarray, shape (3, y, x), float32
        Its layers: the nebula, and the stars in their new colours.
    colours : StarColours
        B-V of every star, its error and its source.
    frame : Frame
        What it was made from.
    check : CheckResult
        The star table, now with ``colour_bv_mag``, ``colour_bv_error_mag`` and ``colour_source``; route and reason.
    history : tuple of str
        Lines for the header.
    """

    picture: np.ndarray
    starless: np.ndarray
    stars: np.ndarray
    colours: StarColours
    frame: Frame
    check: CheckResult
    history: tuple[str, ...]

    def write(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write the picture as float32 FITS with the input's header."""
        write_fits(path, self.picture, self.frame.header, history=self.history, overwrite=overwrite)


def recolour_stars(frame: Frame | str | Path, *, taste: Taste | None = None, starless: Frame | None = None,
                   white_bv: float = SOLAR_BV_MAG, snr_min: float = 5.0, progress: Progress = silent) -> Recoloured:
    """Give every star of a linear frame the colour of a star and leave the nebula untouched.

    Parameters
    ----------
    frame : Frame, str or Path
        Linear; a WCS lets the catalogue help.
    taste : Taste, optional
        By default the best source for each star, true colours.
    starless : Frame, optional
        A starless version of the frame that is already there.
    white_bv, snr_min, progress
        As for `checking.check`.

    Returns
    -------
    Recoloured

    Raises
    ------
    FrameError
        A frame that cannot be read, or a starless frame that does not belong to it.
    """
    frame = as_frame(frame, progress)
    found = check(frame, white_bv=white_bv, snr_min=snr_min, assume_linear=True, progress=progress)
    progress("splitting stars from nebula", 0.6)
    return recolour_checked(frame, found, taste or Taste(), starless)


def recolour_checked(frame: Frame, found: CheckResult, taste: Taste, starless: Frame | None = None) -> Recoloured:
    """The same for a frame that has been checked.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
        Of that frame.
    taste : Taste
    starless : Frame, optional

    Returns
    -------
    Recoloured
    """
    parts = split(frame.pixels, found.stars)
    if starless is not None:
        parts = _with_starless(parts, frame, starless, found)
    colours = _colours(found, parts, taste)
    rgb = star_colours(colours.bv_mag, found.white_bv, taste.warmth, taste.saturation)
    layer = recolour(parts, rgb)
    picture = frame.pixels.copy()
    np.add(parts.starless, layer, out=picture, where=parts.footprint)
    frame.refill(picture)
    stars = found.stars
    stars["colour_bv_mag"], stars["colour_bv_error_mag"] = colours.bv_mag, colours.bv_error_mag
    stars["colour_source"] = colours.source
    tally = ", ".join(f"{count} {source}" for source, count in colours.tally().items())
    history = (f"starcal: stars recoloured, nebula untouched; sources of B-V: {tally}",
               f"starcal: white reference B-V {found.white_bv:.2f}, warmth {taste.warmth:g}, "
               f"saturation {taste.saturation:g}")
    reason = f"{found.verdict.reasons[0]}; {colours.reason}"
    return Recoloured(picture, parts.starless, layer, colours, frame,
                      replace(found, route=colours.route, route_reason=reason), history)


def _with_starless(parts: Split, frame: Frame, starless: Frame, found: CheckResult) -> Split:
    """The same split with the user's starless frame inside the footprints."""
    plausible_starless(frame.pixels, starless.pixels, found.stars)
    nebula = np.where(parts.footprint, starless.pixels, frame.pixels)
    return replace(parts, starless=nebula, stars=np.where(parts.footprint, frame.pixels - nebula, 0))


def _colours(found: CheckResult, parts: Split, taste: Taste) -> StarColours:
    if taste.route == "palette" or found.linearity.stretched:
        return from_palette(yellow_white(len(found.stars), taste.bv_mag, taste.spread_mag))
    return choose_colours(found.stars, parts.flux, parts.model.flux_error, bv_error_model)
