"""A stretched picture on the page: shown as it is, its stars coloured as they are displayed.

Nothing in it is linear, so no gains are fitted and no stretch is chosen; what can be chosen is
where the colours come from.
"""

from dataclasses import dataclass, field

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..audit import Audit
from ..checking.result import CheckResult
from ..choices import Settings
from ..cure.pictures import ROUTES
from ..frame import Frame, in_srgb
from ..pipeline import as_displayed, audited
from ..stars import places_of
from .visible import AS_IT_IS, VisiblePart, Window, mean_of, part_as_it_is

SAME_PLACE_PX = 2.0  # of a star in the check's table and in an audit's
# Settings of linear light alone
OF_LINEAR_LIGHT = ("star_brightness", "star_size", "clipped_cores", "black", "strength")
RESTING = (
    "The picture is shown as it is: brightness, size, black point and stretch are for linear "
    "frames, and rest; warmth and saturation are answered when their slider is let go"
)


@dataclass(frozen=True, eq=False, kw_only=True)
class AsDisplayed:
    """Stars coloured one by one as they are displayed.

    Attributes
    ----------
    check : CheckResult
        Its star table with the colours given.
    picture : ndarray, (3, y, x)
        Display values.
    uv_before, uv_after : ndarray, (n, 2)
        Chromaticities of the stars' cores as displayed; NaN where they could not be judged.
    audits : tuple of 2 Audit
        Of the picture as it came, and of this one.
    """

    check: CheckResult
    picture: NDArray = field(repr=False)
    uv_before: NDArray = field(repr=False)
    uv_after: NDArray = field(repr=False)
    audits: tuple[Audit, Audit] = field(repr=False)

    stretch = AS_IT_IS
    idle = OF_LINEAR_LIGHT

    @property
    def route(self) -> str:
        """What most stars rest on."""
        return self.check.route

    @property
    def reason(self) -> str:
        """Why this route."""
        return f"{self.check.route_reason}. {RESTING}"

    @property
    def source(self) -> NDArray:
        """Where each star has its colour from; ``kept``: its own."""
        stars = self.check.stars
        if "colour_source" not in stars.colnames:  # nothing was changed
            return np.full(len(stars), "kept")
        source = np.asarray(stars["colour_source"])
        return np.where(source == "", "kept", source)

    @property
    def bv_mag(self) -> NDArray:
        """B-V given to each star."""
        stars = self.check.stars
        if "colour_bv_mag" not in stars.colnames:
            return np.full(len(stars), np.nan)
        return np.asarray(stars["colour_bv_mag"], float)

    @property
    def ratios(self) -> NDArray:
        """Log ratios of the channels, (2, n): display values have none that mean anything."""
        return np.full((2, len(self.check.stars)), np.nan)

    def after(self, part: VisiblePart) -> NDArray[np.float32]:
        """The picture where it is seen."""
        return mean_of(self.picture, part.window)


@dataclass(frozen=True, eq=False, kw_only=True)
class DisplayJob:
    """What stays the same of a stretched picture while choices change.

    Attributes
    ----------
    frame : Frame
    check : CheckResult
    audit : Audit
        Of the picture as it came.
    made : dict
        What earlier choices have made of it.
    """

    frame: Frame
    check: CheckResult
    audit: Audit
    made: dict[tuple, AsDisplayed] = field(default_factory=dict, repr=False)

    stretch = AS_IT_IS
    routes = ROUTES
    quick = False  # too slow to be coloured while a slider moves
    shapes = None  # display values do not tell them

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        return self.frame.pixels.shape[1:]

    @property
    def numbers(self) -> dict[str, tuple[float, float]]:
        """None: stars are left away by their light, and this is none."""
        return {}

    def with_cores(self, settings: Settings) -> "DisplayJob":
        """Itself: nothing is rebuilt of what is stretched."""
        return self

    def look(self, window: Window, star_size: float = 1.0) -> VisiblePart:
        """What is seen through a window; its stars are as large as they are."""
        return part_as_it_is(self.frame.pixels, window)

    def refit(self, settings: Settings) -> CheckResult:
        """The check; there is no fit that stars could be left out of."""
        return self.check

    def cure(self, settings: Settings) -> AsDisplayed:
        """What settings make of it.

        Parameters
        ----------
        settings : Settings

        Raises
        ------
        NotLinearError
            The route asked for needs linear light.
        HarmError
            No fewer stars would be impossible than are now.
        """
        asked = settings.route, settings.bv, settings.warmth, settings.saturation
        if asked not in self.made:
            self.made[asked] = self._coloured(settings)
        return self.made[asked]

    def _coloured(self, settings: Settings) -> AsDisplayed:
        made = as_displayed(self.frame, self.check, settings, self.audit)
        after = audited(made.picture, self.check, stretched=True)
        return AsDisplayed(
            check=made.check,
            picture=made.picture,
            uv_before=_cores(self.audit, self.check.stars),
            uv_after=_cores(after, self.check.stars),
            audits=(self.audit, after),
        )


def open_displayed(frame: Frame, checked: CheckResult) -> DisplayJob:
    """A stretched picture, ready to be played with.

    Parameters
    ----------
    frame : Frame
    checked : CheckResult
        Of this frame.

    Returns
    -------
    DisplayJob
    """
    shown = in_srgb(frame)
    audit = audited(shown.pixels, checked, stretched=True)
    return DisplayJob(frame=shown, check=checked, audit=audit)


def _cores(audit: Audit, stars: Table) -> NDArray:
    """Chromaticity of each star of a table as an audit has it, (n, 2)."""
    made = np.full((len(stars), 2), np.nan)
    judged = np.flatnonzero(audit.stars["kind"] != "unknown")
    if not len(judged) or not len(stars):
        return made
    away_px, nearest = cKDTree(places_of(audit.stars)[judged]).query(places_of(stars))
    same = away_px <= SAME_PLACE_PX
    row = judged[nearest[same]]
    made[same] = np.column_stack([audit.stars[name][row] for name in ("u_prime", "v_prime")])
    return made
