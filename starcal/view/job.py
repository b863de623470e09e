"""A frame that has been checked and split once, and what each choice makes of it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..checking.check import Progress, check, refit, silent, usable
from ..checking.result import CheckResult
from ..choices import Settings
from ..cure.gains import Calibrated, apply_calibration, near_clipping, require_usable
from ..cure.stars import colours_of, rgb_of
from ..draw import tone
from ..draw.tone import Stretch
from ..errors import FrameError
from ..fit.gains import log_ratios
from ..fit.sources import StarColours
from ..frame import Frame
from ..layers import Split, split
from ..pipeline import read_asked, takes_gains
from ..stars import in_channels
from .visible import VisiblePart, Whitening, Window, rgba, visible_part


@dataclass(frozen=True, eq=False)
class Job:
    """What stays the same while choices change.

    Attributes
    ----------
    frame : Frame
    check : CheckResult
        With the stars left out that the first settings name.
    parts : Split
    near_clipping : tuple of ndarray
        Rows and columns of the pixels that calibration makes whiter.
    stretch : Stretch
        Chosen from the frame.
    """

    frame: Frame
    check: CheckResult
    parts: Split
    near_clipping: tuple[NDArray, NDArray]
    stretch: Stretch

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        return self.frame.pixels.shape[1:]

    def look(self, window: Window) -> VisiblePart:
        """What is seen through a window."""
        return visible_part(self.frame.pixels, self.parts, window)

    def refit(self, leave_out) -> CheckResult:
        """The check with other stars left out by hand."""
        return refit(self.check, leave_out)


def open_job(settings: Settings, progress: Progress = silent) -> Job:
    """Read, check and split the frame that settings name.

    Parameters
    ----------
    settings : Settings
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    Job

    Raises
    ------
    FrameError
        It cannot be read; or settings with layers of other frames or a gradient of colour, which
        the page does not show.
    NotLinearError
        The picture is stretched.
    TooFewStars
        The route asked for has no stars to rest on.
    """
    if settings.starless or settings.star_frame:
        raise FrameError(
            "the page shows a frame's own stars: leave --starless and --star-frame to `starcal run`"
        )
    if settings.model == "gradient":
        raise FrameError(
            "the page shows one gain for all of the frame: leave --model gradient to `starcal run`"
        )
    progress("reading", 0.0)
    frame = read_asked(settings)
    checked = check(frame, settings, progress=lambda step, share: progress(step, share / 2))
    frame = usable(frame, checked, settings.assume_linear)
    progress("splitting stars from nebula", 0.5)
    job = Job(
        frame,
        checked,
        split(frame.pixels, checked.stars),
        np.nonzero(near_clipping(frame.pixels, checked.stars.meta["clip_level"])),
        tone.choose_stretch(frame.pixels),
    )
    cure_of(
        job, checked, settings
    )  # a route that cannot be taken is refused here, and not in the browser
    return job


# --- what a choice makes of it ----------------------------------------------------------


@dataclass(frozen=True, eq=False)
class ByGains:
    """The whole frame multiplied.

    Attributes
    ----------
    check : CheckResult
    calibrated : Calibrated
        Of a thinned frame: for its matrix and sky offset.
    whitening : Whitening
    stretch : Stretch
    """

    check: CheckResult
    calibrated: Calibrated
    whitening: Whitening
    stretch: Stretch

    route = "gains"

    @property
    def reason(self) -> str:
        """Why this route."""
        return self.check.route_reason if self.check.route == "gains" else "asked for"

    @property
    def source(self) -> NDArray:
        """Where each star has its colour from."""
        return np.full(len(self.check.stars), "gains")

    @property
    def bv_mag(self) -> NDArray:
        """B-V given to each star: none, its light is measured."""
        return np.full(len(self.check.stars), np.nan)

    @property
    def star_rgb(self) -> NDArray:
        """Linear RGB of each star in the picture, (n, 3)."""
        return star_fluxes(self.check).T @ self.calibrated.matrix.T

    def after(self, part: VisiblePart) -> NDArray[np.float32]:
        """The picture, linear, where it is seen."""
        return part.multiplied(
            self.calibrated.matrix, self.calibrated.sky_offset, self.whitening
        )


@dataclass(frozen=True, eq=False)
class ByStar:
    """Stars coloured one by one.

    Attributes
    ----------
    check : CheckResult
    colours : StarColours
    star_rgb : ndarray, (n, 3)
        Linear RGB of each star in the picture, of luminance 1.
    brightness : float
    stretch : Stretch
    """

    check: CheckResult
    colours: StarColours
    star_rgb: NDArray
    brightness: float
    stretch: Stretch

    @property
    def route(self) -> str:
        """What most stars rest on."""
        return self.colours.route

    @property
    def reason(self) -> str:
        """Why this route."""
        return self.colours.reason

    @property
    def source(self) -> NDArray:
        """Where each star has its colour from."""
        return self.colours.source

    @property
    def bv_mag(self) -> NDArray:
        """B-V given to each star."""
        return self.colours.bv_mag

    def after(self, part: VisiblePart) -> NDArray[np.float32]:
        """The picture, linear, where it is seen."""
        return part.with_stars(self.star_rgb * self.brightness)


def cure_of(job: Job, checked: CheckResult, settings: Settings) -> ByGains | ByStar:
    """What settings make of a job.

    Parameters
    ----------
    job : Job
    check : CheckResult
        The job's, refitted as the settings say.
    settings : Settings

    Raises
    ------
    TooFewStars
        The route asked for has no stars to rest on.
    FrameError
        Gains were asked for and cannot make star colours here.
    """
    if takes_gains(checked, settings):
        require_usable(checked)
        return _view_by_gains(job, checked, settings.sky)
    colours = colours_of(checked, job.parts, settings)
    star_rgb = rgb_of(colours, checked.neutral_bv, settings)
    return ByStar(checked, colours, star_rgb, settings.star_brightness, job.stretch)


def _view_by_gains(job: Job, checked: CheckResult, sky: str) -> ByGains:
    def calibrated(pixels):
        return apply_calibration(
            replace(job.frame, pixels=np.ascontiguousarray(pixels)), checked, sky
        )

    thinned = calibrated(tone.every_nth(job.frame.pixels))
    y, x = job.near_clipping
    bright = job.frame.pixels[:, y, x]
    plain = np.tensordot(thinned.matrix, bright, 1) + thinned.sky_offset[:, None]
    excess = np.nan_to_num(calibrated(bright[:, None, :]).pixels[:, 0] - plain)
    return ByGains(
        checked, thinned, Whitening(x, y, excess), job.stretch.on_sky_of(thinned.pixels)
    )


def before_shown(job: Job, part: VisiblePart, settings: Settings) -> NDArray[np.uint32]:
    """The frame as pixels of the screen, (rows, columns); see `visible.rgba`."""
    return rgba(job.stretch.adjusted(settings.black, settings.strength).apply(part.before))


def after_shown(
    cure: ByGains | ByStar, part: VisiblePart, settings: Settings
) -> NDArray[np.uint32]:
    """The picture as pixels of the screen, (rows, columns)."""
    return rgba(
        cure.stretch.adjusted(settings.black, settings.strength).apply(cure.after(part))
    )


# --- stars ------------------------------------------------------------------------------


def star_fluxes(checked: CheckResult) -> NDArray:
    """Measured light of the stars, (3, n)."""
    return in_channels(checked.stars)


def star_ratios(checked: CheckResult) -> NDArray:
    """Measured log ratios of the stars, (2, n), mag; NaN where a flux is not positive."""
    return log_ratios(star_fluxes(checked), in_channels(checked.stars, "flux_error"))[0]
