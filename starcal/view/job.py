"""A frame that has been checked and split once, and what each choice makes of it."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..checking.check import check_for_cure, refit, relocated, usable, with_curves
from ..checking.result import CheckResult
from ..choices import Choices, Settings, names_of
from ..colour.stellar import rgb_to_uv_prime
from ..cure.gains import Calibrated, apply_calibration, near_clipping, require_usable
from ..cure.stars import ReadyToColour, colours_of, ready_to_colour, rgb_of
from ..cure.wishes import factors_of, numbers_of, whole_stars
from ..draw import tone
from ..draw.tone import Stretch
from ..errors import FrameError
from ..fit.gains import log_ratios
from ..fit.sources import StarColours
from ..frame import Frame
from ..layers import ProfileMap, Split
from ..named import read_asked, read_others
from ..pipeline import takes_gains
from ..progress import Logged, Progress, part_of, silent
from ..stars import in_channels
from .displayed import AsDisplayed, DisplayJob, open_displayed
from .from_star_frame import StarFrameJob, light_at_stars
from .layered import SplitPart, split_part
from .visible import VisiblePart, Whitening, Window, mean_of

# Settings that mean nothing where the whole frame is multiplied
OF_SINGLE_STARS = ("warmth", "saturation", "star_brightness", "star_size")
OF_SINGLE_STARS += ("brightest", "faintest_mag", "clipped_cores")
# The fit alone goes by them, not what is measured or split
FITTED_ANEW = ("leave_out", "bands")


@dataclass(frozen=True, eq=False)
class Job:
    """What stays the same while choices change.

    Attributes
    ----------
    settings : Settings
        By which it was opened.
    ready : ReadyToColour
        The frame, its check and its split.
    parts : Split
        The same with clipped cores as the settings say.
    near_clipping : tuple of ndarray
        Rows and columns of the pixels that calibration makes whiter.
    stretch : Stretch
        Chosen from the frame.
    """

    settings: Settings
    ready: ReadyToColour
    parts: Split
    near_clipping: tuple[NDArray, NDArray]
    stretch: Stretch

    routes = names_of("route")
    quick = True  # each choice is answered at once
    other_stars = False

    @property
    def frame(self) -> Frame:
        """As its check has located it."""
        return self.ready.frame

    @property
    def check(self) -> CheckResult:
        """With the stars left out that the first settings name."""
        return self.ready.check

    @property
    def shapes(self) -> ProfileMap | None:
        """How the stars' shapes change over the frame; None where that is not known."""
        return self.parts.profile_map

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        return self.frame.pixels.shape[1:]

    @property
    def numbers(self) -> dict[str, tuple[float, float]]:
        """How many stars can be kept, and how faint they are; see `numbers_of`."""
        return numbers_of(self.parts, self.check.stars)

    def with_cores(self, settings: Settings) -> "Job":
        """The same with clipped cores rebuilt, or not, as settings say."""
        if settings.clipped_cores == self.settings.clipped_cores:
            return self
        parts = whole_stars(self.ready.parts, self.frame, self.check.stars, settings)[0]
        chosen = replace(self.settings, clipped_cores=settings.clipped_cores)
        return replace(self, settings=chosen, parts=parts)

    def look(self, window: Window, star_size: float = 1.0) -> SplitPart:
        """What is seen through a window, with stars of some size."""
        return split_part(self.frame.pixels, self.parts, window, star_size)

    def refit(self, settings: Settings) -> CheckResult:
        """The check with the stars left out and the response curves that settings name: its own
        where it was made by the same."""
        if fitted_alike(settings, self.settings):
            return self.check
        return refit(with_curves(self.check, settings.bands), settings.leave_out)


def fitted_alike(one: Settings, other: Settings) -> bool:
    """Whether settings ask for the same fit of what was measured."""
    return all(getattr(one, name) == getattr(other, name) for name in FITTED_ANEW)


def open_job(
    settings: Settings,
    progress: Progress = silent,
    *,
    frame: Frame | None = None,
    others: dict[str, Frame | None] | None = None,
    checked: Callable[[CheckResult], None] = lambda found: None,
) -> Job | DisplayJob | StarFrameJob:
    """Read, check and split the frame that settings name.

    Parameters
    ----------
    settings : Settings
    progress : callable
        Is given the step and the share done.
    frame : Frame, optional
        Instead of the one that the settings name.
    others : dict, optional
        Instead of those besides it, as `named.read_others` gives them.
    checked : callable
        Is given the check as soon as it is made; see `check_for_cure`.

    Returns
    -------
    Job, DisplayJob or StarFrameJob
        The second for a stretched picture, the third with a separate star frame.

    Raises
    ------
    FrameError
        It cannot be read, or another frame cannot be used with it; or settings with a gradient of
        colour, which the page does not show.
    NotLinearError
        The picture is stretched, and a route asked for that needs linear light.
    HarmError
        It is stretched, and would not become better.
    TooFewStars
        The route asked for has no stars to rest on.
    """
    if settings.model == "gradient":
        raise FrameError(
            "the page shows one gain for all of the frame: leave --model gradient to `starcal run`"
        )
    progress("reading", 0.0)
    frame = read_asked(settings) if frame is None else frame
    told = Logged(part_of(progress, 0.0, 0.3))
    found = check_for_cure(frame, settings, told)
    checked(found)
    others = read_others(settings) if others is None else others
    alone = all(other is None for other in others.values())
    if found.linearity.stretched and not settings.assume_linear and alone:
        displayed = open_displayed(relocated(frame, found), found)
        cure_of(displayed, found, settings)
        return displayed
    frame = usable(frame, found, settings.assume_linear)
    told = part_of(progress, 0.3, 0.95)
    ready = ready_to_colour(frame, found, settings, **others, progress=told)
    job = _job_of(ready, settings)
    cure_of(job, job.check, settings)  # what cannot be is refused here, and not in the browser
    return job


def _job_of(ready: ReadyToColour, settings: Settings) -> Job | StarFrameJob:
    frame, checked = ready.frame, ready.check
    stretch = tone.choose_stretch(frame.pixels)
    if ready.star_field is not None:
        return StarFrameJob(ready=ready, stretch=stretch)
    parts = whole_stars(ready.parts, frame, checked.stars, settings)[0]
    return Job(settings, ready, parts, whitened_in(frame, checked), stretch)


# --- what a choice makes of it ----------------------------------------------------------


class _OfLight:
    """What is measured of the stars of a linear frame."""

    check: CheckResult
    star_rgb: NDArray
    idle: tuple[str, ...] = ()

    @property
    def ratios(self) -> NDArray:
        """Log ratios of the channels, (2, n), mag."""
        return star_ratios(self.check)

    @property
    def uv_before(self) -> NDArray:
        """Chromaticities of the stars as measured, (n, 2)."""
        return chromaticities(star_fluxes(self.check).T)

    @property
    def uv_after(self) -> NDArray:
        """Chromaticities of the stars in the picture, (n, 2)."""
        return chromaticities(self.star_rgb)


@dataclass(frozen=True, eq=False)
class ByGains(_OfLight):
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
    idle = OF_SINGLE_STARS

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
class ByStar(_OfLight):
    """Stars coloured one by one.

    Attributes
    ----------
    check : CheckResult
    colours : StarColours
    star_rgb : ndarray, (n, 3)
        Linear RGB of each star in the picture, of luminance 1.
    factor : ndarray, (n,)
        On the light of each star; 0 for those left away.
    stretch : Stretch
    """

    check: CheckResult
    colours: StarColours
    star_rgb: NDArray
    factor: NDArray
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
        return part.with_stars(self.star_rgb * self.factor[:, None])


@dataclass(frozen=True, eq=False, kw_only=True)
class ByStarFrame(_OfLight):
    """Stars of a separate frame, as far as that reaches.

    Attributes
    ----------
    check : CheckResult
        Its star table with the colours given.
    picture : ndarray, (3, y, x)
    star_rgb : ndarray, (n, 3)
        Linear RGB of the middle of each star.
    bv_mag : ndarray, (n,)
        B-V given to each star; NaN for those of the star frame.
    stretch : Stretch
    """

    check: CheckResult
    picture: NDArray
    star_rgb: NDArray
    bv_mag: NDArray
    stretch: Stretch

    route = "star frame"

    @property
    def reason(self) -> str:
        """Why this route."""
        return self.check.route_reason

    @property
    def source(self) -> NDArray:
        """Where each star has its colour from."""
        return np.asarray(self.check.stars["colour_source"])

    def after(self, part: VisiblePart) -> NDArray[np.float32]:
        """The picture, linear, where it is seen."""
        return mean_of(self.picture, part.window)


Cure = ByGains | ByStar | AsDisplayed | ByStarFrame
AnyJob = Job | DisplayJob | StarFrameJob


def cure_of(job: AnyJob, checked: CheckResult, settings: Settings) -> Cure:
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
    NotLinearError
        The picture is stretched, and the route asked for needs linear light.
    HarmError
        It is stretched, and would not become better.
    """
    if isinstance(job, DisplayJob):
        return job.cure(settings)
    if isinstance(job, StarFrameJob):
        return _view_by_star_frame(job, checked, settings)
    if takes_gains(checked, settings):
        require_usable(checked)
        return by_gains(job.frame, job.near_clipping, job.stretch, checked, settings.sky)
    colours = _colours_by(checked, job.parts, settings.route, settings.bv, settings.spread)
    star_rgb = rgb_of(colours, checked.neutral_bv, settings)
    factor = factors_of(job.parts, checked.stars, settings)
    return ByStar(checked, colours, star_rgb, factor, job.stretch)


@lru_cache(maxsize=4)
def _colours_by(
    checked: CheckResult, parts: Split, route: str, bv: float, spread: float
) -> StarColours:
    """The B-V of all stars, which no slider of warmth, size or stretch changes: a fit of a second
    where there are thousands."""
    return colours_of(checked, parts, Choices(route=route, bv=bv, spread=spread))


def _view_by_star_frame(
    job: StarFrameJob, checked: CheckResult, settings: Settings
) -> ByStarFrame:
    made = job.recoloured(checked, settings)
    own = np.asarray(made.check.stars["colour_source"]) != "star frame"
    return ByStarFrame(
        check=made.check,
        picture=made.picture,
        star_rgb=light_at_stars(made.stars, made.check),
        bv_mag=np.where(own, made.colours.bv_mag, np.nan),
        stretch=job.stretch,
    )


def whitened_in(frame: Frame, checked: CheckResult) -> tuple[NDArray, NDArray]:
    """Rows and columns of the pixels of a frame that calibration makes whiter."""
    return np.nonzero(near_clipping(frame.pixels, checked.stars.meta["clip_level"]))


def by_gains(
    frame: Frame,
    whitened: tuple[NDArray, NDArray],
    stretch: Stretch,
    checked: CheckResult,
    sky: str,
) -> ByGains:
    """The whole frame multiplied as its check says; its stars need not be split from it.

    Parameters
    ----------
    frame : Frame
    whitened : tuple of ndarray
        As `whitened_in` gives them.
    stretch : Stretch
        Chosen from the frame.
    checked : CheckResult
    sky : str
        As for `apply_calibration`.

    Returns
    -------
    ByGains
    """

    def calibrated(pixels):
        return apply_calibration(
            replace(frame, pixels=np.ascontiguousarray(pixels)), checked, sky
        )

    thinned = calibrated(tone.every_nth(frame.pixels))
    y, x = whitened
    bright = frame.pixels[:, y, x]
    plain = np.tensordot(thinned.matrix, bright, 1) + thinned.sky_offset[:, None]
    excess = np.nan_to_num(calibrated(bright[:, None, :]).pixels[:, 0] - plain)
    return ByGains(checked, thinned, Whitening(x, y, excess), stretch.on_sky_of(thinned.pixels))


# --- stars ------------------------------------------------------------------------------


def chromaticities(rgb: NDArray) -> NDArray:
    """u'v' of rows of linear RGB, (n, 2); NaN where nothing is seen."""
    visible = (rgb > 0).any(axis=1) & np.isfinite(rgb).all(axis=1)
    return rgb_to_uv_prime(np.where(visible[:, None], rgb, np.nan))


def star_fluxes(checked: CheckResult) -> NDArray:
    """Measured light of the stars, (3, n)."""
    return in_channels(checked.stars)


def star_ratios(checked: CheckResult) -> NDArray:
    """Measured log ratios of the stars, (2, n), mag; NaN where a flux is not positive."""
    return log_ratios(star_fluxes(checked), in_channels(checked.stars, "flux_error"))[0]
