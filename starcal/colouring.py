"""The cure without calibration: stars split off, each given the best colour there is for it, and put back."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from .calibration import Calibrated, calibrate
from .catalogue.choose import Source
from .checking import EMBEDDED, Progress, as_frame, check, relocated, silent
from .colour import SOLAR_BV_MAG
from .frame import Frame, require_wcs, write_fits
from .hints import Hints
from .layers import Split, join_add, plausible_starless, recolour, split
from .linearity import require_linear
from .palette import YELLOW_WHITE_BV_MAG, star_colours, yellow_white
from .result import CheckResult
from .sources import StarColours, choose_colours, from_palette, source_tally
from .starframe import Field, StarFrame, join_star_frame
from .stars import measure_stars
from .verdict import GO_ON_WITHOUT, SEPARATE_STARS


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
    star_brightness : float
        Of the stars of a separate star frame; 1 is as prominent as the nebula frame's own.
    """

    route: str = "best"
    bv_mag: float = YELLOW_WHITE_BV_MAG
    spread_mag: float = 0.0
    warmth: float = 1.0
    saturation: float = 1.0
    star_brightness: float = 1.0


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
    star_frame : StarFrame or None
        How a separate star frame was joined.
    """

    picture: np.ndarray
    starless: np.ndarray
    stars: np.ndarray
    colours: StarColours
    frame: Frame
    check: CheckResult
    history: tuple[str, ...]
    star_frame: StarFrame | None = None

    @property
    def tally(self) -> dict[str, int]:
        """How many stars have their colour from which source."""
        return source_tally(self.check.stars["colour_source"])

    def write(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write the picture as float32 FITS with the input's header."""
        write_fits(path, self.picture, self.frame.header, history=self.history, overwrite=overwrite)


def recolour_stars(frame: Frame | str | Path, *, taste: Taste | None = None, starless: Frame | None = None,
                   star_frame: Frame | None = None, white_bv: float = SOLAR_BV_MAG, snr_min: float = 5.0,
                   assume_linear: bool = False, source: Source = EMBEDDED, hints: Hints | None = None,
                   progress: Progress = silent) -> Recoloured:
    """Give every star of a linear frame the colour of a star and leave the nebula untouched.

    Parameters
    ----------
    frame : Frame, str or Path
        Linear; a WCS lets the catalogue help.
    taste : Taste, optional
        By default the best source for each star, true colours.
    starless : Frame, optional
        A starless version of the frame that is already there.
    star_frame : Frame, optional
        A separate broadband frame with a WCS, whose stars are calibrated and take the place of the frame's own.
    white_bv, snr_min, assume_linear, source, hints, progress
        As for `checking.check`.

    Returns
    -------
    Recoloured

    Raises
    ------
    FrameError
        A frame that cannot be read, a starless frame that does not belong to it, or a star frame that cannot be
        calibrated or does not lie on it.
    """
    frame = as_frame(frame, progress)
    found = check(frame, white_bv=white_bv, snr_min=snr_min, assume_linear=assume_linear, source=source,
                  hints=hints, progress=progress)
    if not assume_linear:
        require_linear(found.frame, found.linearity)
    progress("splitting stars from nebula", 0.6)
    return recolour_checked(relocated(frame, found), found, taste or Taste(), starless, star_frame, source)


def recolour_checked(frame: Frame, found: CheckResult, taste: Taste, starless: Frame | None = None,
                     star_frame: Frame | None = None, source: Source = EMBEDDED) -> Recoloured:
    """The same for a frame that has been checked.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
        Of that frame.
    taste : Taste
    starless, star_frame : Frame, optional
    source : catalogue.choose.Source
        For the star frame.

    Returns
    -------
    Recoloured
    """
    parts = split(frame.pixels, found.stars)
    if starless is not None:
        parts = _with_starless(parts, frame, starless, found)
    colours = _colours(found, parts, taste)
    layer = recolour(parts, star_colours(colours.bv_mag, found.white_bv, taste.warmth, taste.saturation))
    found = _told(found, colours)
    history = _history(found, colours, taste)
    if star_frame is not None:
        return _with_star_frame(frame, found, parts, layer, colours, history, star_frame, taste, source)
    picture = frame.pixels.copy()
    np.add(parts.starless, layer, out=picture, where=parts.footprint)
    return Recoloured(frame.refill(picture), parts.starless, layer, colours, frame, found, history)


def _told(found: CheckResult, colours: StarColours) -> CheckResult:
    """The check, its star table with the colours given, its route the one taken."""
    stars = found.stars
    stars["colour_bv_mag"], stars["colour_bv_error_mag"] = colours.bv_mag, colours.bv_error_mag
    stars["colour_source"] = colours.source
    reason = f"{found.verdict.reasons[0]}; {colours.reason}"
    verdict = replace(found.verdict, next_steps=tuple(s for s in found.verdict.next_steps if s != GO_ON_WITHOUT))
    return replace(found, route=colours.route, route_reason=reason, verdict=verdict)


def _history(found: CheckResult, colours: StarColours, taste: Taste) -> tuple[str, ...]:
    tally = ", ".join(f"{count} {source}" for source, count in colours.tally().items())
    return (f"starcal: stars recoloured, nebula untouched; sources of B-V: {tally}",
            f"starcal: {colours.reason}",
            f"starcal: white reference B-V {found.white_bv:.2f}, warmth {taste.warmth:g}, "
            f"saturation {taste.saturation:g}")


# --- a separate star frame -------------------------------------------------------------------------------------


def _with_star_frame(frame, found, parts, layer, colours, history, star_frame, taste,
                     source) -> Recoloured:
    """The picture with the stars of a calibrated broadband frame as far as that reaches, the own ones beyond."""
    nebula = Field(parts, found.stars, require_wcs(frame), frame.name)
    calibrated = calibrate(star_frame, sky="keep", white_bv=found.white_bv, source=source)
    joined = join_star_frame(nebula, layer, _star_field(calibrated), star_brightness=taste.star_brightness)
    picture = join_add(joined.starless, joined.stars)
    x, y = (np.clip(np.rint(found.stars[name].value).astype(int), 0, size - 1)
            for name, size in (("x_px", joined.coverage.shape[1]), ("y_px", joined.coverage.shape[0])))
    found.stars["colour_source"] = np.where(joined.coverage[y, x], "star frame", found.stars["colour_source"])
    share, gains = 100 * joined.registration.overlap_share, calibrated.check.gains
    reason = (f"stars of {star_frame.name}, calibrated by gains (R {gains[0]:.3f}, B {gains[2]:.3f}), cover "
              f"{share:.0f} % of the frame; beyond it: {colours.reason}")
    notes = (*found.notes, *joined.notes)
    steps = tuple(step for step in found.verdict.next_steps if step != SEPARATE_STARS)
    found = replace(found, verdict=replace(found.verdict, next_steps=steps))
    return Recoloured(frame.refill(picture), joined.starless, joined.stars, colours, frame,
                      replace(found, route="gains", route_reason=reason, notes=notes),
                      (*history, f"starcal: {reason}"), joined)


def _star_field(calibrated: Calibrated) -> Field:
    stars = measure_stars(calibrated.pixels)
    return Field(split(calibrated.pixels, stars), stars, require_wcs(calibrated.frame), calibrated.frame.name)


# --- parts -----------------------------------------------------------------------------------------------------


def _with_starless(parts: Split, frame: Frame, starless: Frame, found: CheckResult) -> Split:
    """The same split with the user's starless frame inside the footprints."""
    plausible_starless(frame.pixels, starless.pixels, found.stars)
    nebula = np.where(parts.footprint, starless.pixels, frame.pixels)
    return replace(parts, starless=nebula, stars=np.where(parts.footprint, frame.pixels - nebula, 0))


def _colours(found: CheckResult, parts: Split, taste: Taste) -> StarColours:
    if taste.route == "palette":
        return from_palette(yellow_white(len(found.stars), taste.bv_mag, taste.spread_mag))
    return choose_colours(found.stars, parts.flux, parts.model.flux_error)
