"""What a check found: one frozen object that prints well, shows well in a notebook, and turns into
JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from astropy.table import Table
from astropy.wcs import WCS

from ..choices import GivenGains
from ..draw import plots
from ..errors import TooFewStars
from ..fit.contrasts import (
    MEASUREMENTS_HEAD,
    ColourGradient,
    SecondMeasurement,
    gradient_text,
    measurement_rows,
)
from ..fit.gains import MIN_STARS, GainFit, MatrixFit
from ..fit.responses import ColourTerms
from ..fit.sources import own_and_given, source_tally, told_own
from ..fit.verdict import Verdict
from ..place.grid import ChannelGrid
from ..place.locate import Located
from ..place.match import Match, WCSError
from ..stars import FLAG_REASONS, Flag, flag_tally, flag_words
from ..stars.apertures import ApertureLight
from ..stars.linearity import Linearity
from ..texts import UNBROKEN, aligned, broken, columned, counted, html_list, html_table, signed
from .assumed import told_terms

if TYPE_CHECKING:
    from matplotlib.axes import Axes

VERDICT_WORDS = {
    "rescue": "Rescue: calibration can give this frame true star colours.",
    "no": "No: calibration cannot give this frame true star colours.",
    "undecided": "Undecided: whether calibration can rescue this frame is open.",
}
SECOND_TITLE = "the gains measured in other ways, and what that adds to their errors:"
ROUTE_WORDS = {
    "gains": "the whole frame multiplied, a gain a channel, fitted to the catalogue's star colours",
    "catalogue": "each star's colour as the catalogue has it",
    "continuum": "each star's colour as its own light in the three channels tells it",
    "palette": "made up, yellow-white or by the field's own spread: not measured",
    "star frame": "the stars of a separate broadband frame, calibrated",
}
# The numbers that are shown first; the others are for whoever asks for all.
MAIN_ROWS = frozenset(
    (
        "frame",
        "route",
        "why this route",
        "stars found",
        "catalogue",
        "matched",
        "pairs, not believed",
        "used in the fit",
        "gains",
        "gains of its own",
        "star colours",
        "assumed",
        "colour gradient",
        "matrix",
        "note",
    )
)
ALL_NUMBERS = "every number: -v"
OF_NO_USE = (
    "tried, and of no use: they take away the cast that all stars share, and do not give each its "
    "own colour"
)


@dataclass(frozen=True)
class CatalogueUse:
    """Which catalogue was asked, and what it has in the frame."""

    name: str
    stars_in_field: int
    limit_mag: float


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckResult:
    """Answer of `starcal.check`, with its evidence.

    Attributes
    ----------
    frame : str
        Name of the frame's file.
    verdict : Verdict
        The answer, why, and what to do next.
    route : str
        Where the stars' colours will come from: gains, catalogue, continuum, palette or star frame.
    route_reason : str
        Why this route and no better one.
    stars : Table
        The star table: a row a star, flags that say which were not used and why.
    located : Located
        Where the frame is on the sky, and its pairs with the catalogue.
    fit : GainFit or None
        None with fewer clean matched stars than a fit needs; its arrays follow ``fitted``.
    fitted : ndarray of int
        Rows of the star table that the fit was given.
    matrix : MatrixFit or None
        When asked for.
    model : str
        What was asked to be fitted: gains, matrix or gradient.
    gradient : ColourGradient or None
        Of the gains over the frame; with the model ``gradient`` what was taken out. None with too
        few stars.
    linearity : Linearity
        Whether the pixels are proportional to light.
    grid : ChannelGrid or None
        How the channels lie to each other.
    catalogue : CatalogueUse or None
        None without a WCS.
    neutral_bv : float
        B-V of the neutral star.
    notes : tuple of str
        What else was noticed: masked pixels, a gradient, how the data were scaled.
    flags_before_fit : ndarray of int, or None
        Of the stars; None for a stretched frame. What `checking.refit` starts from.
    light : ApertureLight or None
        The stars in equal apertures, which the fit rests on; None without a match.
    second : tuple of SecondMeasurement
        The gains measured in other ways.
    curves : ColourTerms or None
        Of the user's own response curves.
    terms : ColourTerms or None
        Colour terms that the fit took as known beforehand; None where the stars told them alone.
    given : tuple of float or None
        Gains that were asked for in place of the frame's own; see `Choices.gains`.
    own_fit : GainFit or None
        The fit with the frame's own gains, where given ones took their place.
    fit_notes : tuple of str
        What was noticed in measuring and fitting: widths, large gains, a gradient of colour.

    Examples
    --------
    >>> import starcal
    >>> found = starcal.check("broadband.fits")
    >>> print(found.summary())
    broadband.fits: rescue...
    >>> len(found.stars) > found.fit.n_used
    True
    """

    frame: str
    verdict: Verdict
    route: str
    route_reason: str
    stars: Table
    located: Located
    fit: GainFit | None = None
    fitted: np.ndarray = field(default_factory=lambda: np.empty(0, int))
    matrix: MatrixFit | None = None
    model: str = "gains"
    gradient: ColourGradient | None = None
    linearity: Linearity
    grid: ChannelGrid | None = None
    catalogue: CatalogueUse | None = None
    neutral_bv: float
    notes: tuple[str, ...] = ()
    flags_before_fit: np.ndarray | None = field(default=None, repr=False)
    light: ApertureLight | None = field(default=None, repr=False)
    second: tuple[SecondMeasurement, ...] = ()
    fit_notes: tuple[str, ...] = ()
    curves: ColourTerms | None = field(default=None, repr=False)
    terms: ColourTerms | None = None
    given: GivenGains | None = None
    own_fit: GainFit | None = field(default=None, repr=False)

    @property
    def match(self) -> Match | None:
        """Pairs of stars and catalogue; None without a WCS."""
        return self.located.match

    @property
    def wcs(self) -> WCS | None:
        """Where the frame is by its stars, to be kept; None where they do not tell."""
        return self.located.wcs

    @property
    def gains(self) -> np.ndarray | None:
        """Factors for R, G, B, or None when they must not be trusted."""
        return self.fit.gains if self.fit is not None else None

    def to_dict(self) -> dict:
        """Plain numbers, strings and lists for JSON; what could not be measured is None."""
        verdict = self.verdict
        return for_json(
            {
                "frame": self.frame,
                "outcome": VERDICT_WORDS[verdict.verdict],
                "verdict": verdict.verdict,
                "quality": verdict.quality or None,
                "reasons": verdict.reasons,
                "next_steps": verdict.next_steps,
                "route": self.route,
                "route_reason": self.route_reason,
                "stars_needed": verdict.stars_needed,
                "stars": self._stars_dict(),
                "wcs": wcs_facts(self.located),
                **self._fit_dict(),
                **self._own_dict(),
                "colour_error_uv": {
                    "before": verdict.colour_error_before,
                    "after": verdict.colour_error_after,
                },
                "channel_grid": self.grid.to_dict() if self.grid is not None else None,
                "linearity": vars(self.linearity),
                "neutral_bv": self.neutral_bv,
                "assumed_terms": self._terms_dict(),
                "star_colours": self._colours_dict(),
                "catalogue": vars(self.catalogue) if self.catalogue else None,
                "second_measurements": [asdict(m) for m in self.second],
                "colour_gradient": self._gradient_dict(),
                "notes": (*self.notes, *self.fit_notes),
            }
        )

    def _colours_dict(self) -> dict | None:
        """How many stars have a colour of their own; None where none was coloured by itself."""
        if "colour_source" not in self.stars.colnames:
            return None
        source = np.asarray(self.stars["colour_source"])
        own, given = own_and_given(source)
        return {"own": own, "given": given, "by_source": source_tally(source[source != ""])}

    def _terms_dict(self) -> dict | None:
        """Colour terms that were taken as known, and from what."""
        if self.terms is None:
            return None
        return {
            "source": self.terms.source,
            "colour_terms": _red_blue(self.terms.slope),
            "errors": _red_blue(self.terms.slope_error),
        }

    @property
    def n_found(self) -> int:
        """Stars found by themselves; the rest of the table was measured where stars are known to
        be."""
        return int(np.count_nonzero(self.stars["flags"] & Flag.FORCED == 0))

    def _stars_dict(self) -> dict:
        matched = len(self.match.star) if self.match is not None else None
        return {
            "detected": self.n_found,
            "placed": len(self.stars) - self.n_found,
            "catalogue": self.catalogue.stars_in_field if self.catalogue else None,
            "matched": matched,
            "used": self.fit.n_used if self.fit is not None else 0,
            "flags": flag_tally(self.stars["flags"]),
            "chance_matches": self.match.chance_matches if self.match is not None else None,
        }

    def _fit_dict(self) -> dict:
        fit = self.fit
        if fit is None:
            return dict.fromkeys(
                (
                    "gains",
                    "gain_errors",
                    "colour_terms",
                    "slope_ratios",
                    "slope_ratio_errors",
                    "residual_mag",
                    "matrix",
                    "dust",
                )
            )
        return {
            "gains": _by_channel(fit.gains),
            "gain_errors": _by_channel(fit.gain_errors),
            "colour_terms": _red_blue(fit.slope),
            "slope_ratios": _red_blue(fit.slope_ratio),
            "slope_ratio_errors": _red_blue(fit.slope_ratio_error),
            "residual_mag": _red_blue(fit.scatter_mag),
            "matrix": self.matrix.matrix if self.matrix is not None else None,
            "dust": fit.dust.to_dict(),
        }

    def _own_dict(self) -> dict:
        """The frame's own gains, where given ones took their place."""
        own = self.own_fit
        return {
            "own_gains": None if own is None else _by_channel(own.gains),
            "own_gain_errors": None if own is None else _by_channel(own.gain_errors),
        }

    @property
    def gradient_taken_out(self) -> ColourGradient | None:
        """What calibration takes out of the frame besides its gains."""
        return self.gradient if self.model == "gradient" else None

    def _gradient_dict(self) -> dict | None:
        """Size and direction of the gradient of colour, in R and in B."""
        gradient = self.gradient
        if gradient is None:
            return None
        names = ("change", "error", "angle_deg", "seen")
        told = {name: _red_blue(getattr(gradient, name)) for name in names}
        slopes = _red_blue(gradient.slope_ln)
        return told | {"slope_ln": slopes, "taken_out": self.gradient_taken_out is not None}

    def _gradient_rows(self) -> list[tuple[str, str]]:
        if self.gradient is None or not self.gradient.seen.any():
            return []
        done = "taken out" if self.gradient_taken_out is not None else "not taken out"
        return [("colour gradient", f"{gradient_text(self.gradient)}; {done}")]

    def summary(self) -> str:
        """One line: verdict, gains, counts."""
        used = self.fit.n_used if self.fit is not None else 0
        counts = f"{used} of {counted(len(self.stars), 'star')} used"
        head = f"{self.frame}: {self.verdict.verdict}, route {self.route} ({counts})"
        if self.verdict.verdict != "rescue":
            return f"{head}: {self.verdict.reasons[0]}"
        return f"{head}: gains {_gains_text(self.fit, '  ')}"

    def __repr__(self) -> str:
        """One line; the arrays would fill a screen."""
        return f"<CheckResult {self.summary()}>"

    def rows(self) -> list[tuple[str, str]]:
        """The numbers that matter, as (name, text) pairs: for the terminal, the notebook and the
        report."""
        rows = [
            ("frame", self.frame),
            ("route", f"{self.route}: {ROUTE_WORDS[self.route]}"),
        ]
        if why := self._why_this_route():
            rows.append(("why this route", why))
        rows.append(("stars found", str(self.n_found)))
        if "colour_source" in self.stars.colnames:
            told = told_own(np.asarray(self.stars["colour_source"]))
            rows.append(("star colours", told))
        if self.grid is not None:
            rows.append(("grid of the channels", self.grid.text))
        if self.match is not None:
            rows += match_rows(self.match, self.catalogue) + wcs_rows(self.located)
        if self.fit is not None:
            rows.append(_used_row(self.fit))
            rows += self._gain_rows()
            rows += _colour_rows(self.fit)
        if self.terms is not None:
            rows.append(("assumed", told_terms(self.terms)))
        if self.matrix is not None:
            rows.append(("matrix", _matrix_text(self.matrix)))
        rows += self._gradient_rows()
        notes = [("note", note) for note in self.notes + self.fit_notes]
        return rows + _flag_rows(self.stars) + notes

    @property
    def gains_may_serve(self) -> bool:
        """Whether the gains are applied, or may be right: not where the verdict is no."""
        return self.verdict.verdict != "no"

    def _gain_rows(self) -> list[tuple[str, str]]:
        """The gains; where they cannot serve, what they would do instead of numbers to use."""
        if not self.gains_may_serve:
            return [("gains, not applied", OF_NO_USE)]
        name = "gains" if self.route == "gains" else "gains, not applied"
        rows = [(name, _gains_text(self.fit, ",  "))]
        if self.own_fit is not None:
            rows.append(("gains of its own", _gains_text(self.own_fit, ",  ")))
        return rows

    def __str__(self) -> str:
        """Several lines for a terminal, with every number."""
        return self.text()

    def text(self, width: int = UNBROKEN, *, all_numbers: bool = True) -> str:
        """Lines for a terminal: the answer and its reasons, then the numbers.

        Parameters
        ----------
        width : int
            Longer lines are broken there; by default none is.
        all_numbers : bool
            Show every number, or those that matter most.

        Returns
        -------
        str
        """
        head = broken(VERDICT_WORDS[self.verdict.verdict], width)
        rows = self.rows() if all_numbers else [*self.main_rows(), ("", ALL_NUMBERS)]
        numbers = [*aligned(rows, width), *(self.second_lines() if all_numbers else ())]
        return "\n".join([*head, *self.reason_lines(width), "", *numbers])

    def reason_lines(self, width: int = UNBROKEN, said: str = "") -> list[str]:
        """Lines for a terminal: the reasons of the verdict and what to do next.

        Parameters
        ----------
        width : int
            Longer lines are broken there.
        said : str
            What was said before: a reason that stands in it is not said again.

        Returns
        -------
        list of str
        """
        reasons = [reason for reason in self.verdict.reasons if reason not in said]
        rows = [("  because", reason) for reason in reasons]
        return aligned(rows + [("  next", step) for step in self.verdict.next_steps], width)

    def main_rows(self) -> list[tuple[str, str]]:
        """Those of `rows` that matter most."""
        return [(name, text) for name, text in self.rows() if name in MAIN_ROWS]

    def _why_this_route(self) -> str:
        """Why this route, without what the verdict says already."""
        for known in self.verdict.reasons:
            for before in (f"{known}; ", f"calibration cannot be trusted here: {known}"):
                if self.route_reason.startswith(before):
                    return self.route_reason.removeprefix(before)
        return self.route_reason

    def second_table(self) -> Table:
        """The gains measured in other ways, a row each.

        Returns
        -------
        Table
        """
        return Table(rows=[asdict(each) for each in self.second])

    def second_rows(self) -> list[tuple[str, ...]]:
        """The gains measured in other ways, in words; none where they cannot serve."""
        if not self.gains_may_serve:
            return []
        return measurement_rows(self.second)

    def second_lines(self) -> list[str]:
        """The same for a terminal, with a title and a head."""
        rows = self.second_rows()
        if not rows:
            return []
        return [SECOND_TITLE, *columned([MEASUREMENTS_HEAD, *rows])]

    def _repr_html_(self) -> str:
        """For notebooks."""
        return (
            f"<p><strong>{VERDICT_WORDS[self.verdict.verdict]}</strong></p>"
            f"{html_list('ul', self.verdict.reasons)}{html_table(self.rows())}"
            f"{html_table(self.second_rows(), MEASUREMENTS_HEAD)}"
        )

    def plot_fit(self, ax: Sequence[Axes] | None = None) -> np.ndarray:
        """Plot the log ratios of the stars against catalogue B-V, with the fit.

        Parameters
        ----------
        ax : 2 Axes, optional
            For R/G and B/G; a new figure if not given.

        Returns
        -------
        ndarray of 2 Axes

        Raises
        ------
        TooFewStars
            There is no fit.
        """
        return plots.plot_fit(self._require_fit(), ax)

    def plot_residuals(self, ax: Sequence[Axes] | None = None) -> np.ndarray:
        """Plot what the fit leaves over, as `plot_fit`."""
        return plots.plot_residuals(self._require_fit(), ax)

    def plot_chromaticity(self, ax: Axes | None = None) -> Axes:
        """Plot the colours of the used stars, as measured and after the gains, beside those of real
        stars.

        Parameters
        ----------
        ax : Axes, optional
            A new figure if not given.

        Returns
        -------
        Axes
            Of u'v'.

        Raises
        ------
        TooFewStars
            There is no fit.
        """
        fit = self._require_fit()
        return plots.plot_chromaticity(plots.fit_colours(fit), fit.neutral_bv, ax)

    def plot_map(self, ax: Axes | None = None) -> Axes:
        """Plot where on the frame the used, flagged, outlying and unmatched stars are.

        Parameters
        ----------
        ax : Axes, optional
            A new figure if not given.

        Returns
        -------
        Axes
            In pixels, x to the right, y upwards.
        """
        x_px, y_px = (np.asarray(self.stars[name]) for name in ("x_px", "y_px"))
        places = plots.check_places(x_px, y_px, self.match, self.fit, self.fitted)
        return plots.plot_map(places, self.stars.meta["shape"], ax)

    def _require_fit(self) -> GainFit:
        if self.fit is None:
            why = "; ".join(self.verdict.reasons)
            raise TooFewStars(
                f"{self.frame}: there is no fit to plot ({why}). plot_map() shows the stars.",
                needed=MIN_STARS,
            )
        return self.fit


def wcs_facts(located: Located) -> dict | None:
    """Errors of the WCS that was given, or of the one solved where there was none; what is left of
    them."""
    match, given, how = located.match, located.before, located.how
    if match is None:
        return None
    names = ("offset_px", "rotation_deg", "scale_error")
    after = {name: getattr(match, name) for name in names}
    wcs = {name: getattr(given or match, name) for name in names} | {
        "scatter_before_px": given.scatter_px if given else None,
        "scatter_px": match.scatter_px,
        "after": after if how == "replaced" else None,
        "distortion": located.distortion,
    }
    if not match.credible:
        wcs = dict.fromkeys(wcs)
    return wcs | {
        "refined": match.credible,
        "solved": how == "solved",
        "replaced": how == "replaced",
    }


def wcs_rows(located: Located) -> list[tuple[str, str]]:
    """How far the WCS is off, before and after what was done to it."""
    match, given = located.match, located.before
    if not match.credible:
        return []
    if given is None:
        return [("WCS error", _error_text(match))]
    rows = [("WCS error", _error_text(given))]
    if located.how == "replaced":
        return [*rows, ("WCS replaced", f"{located.distortion}: {_error_text(match)}")]
    return [*rows, ("WCS refined", f"scatter {match.scatter_px:.2f} px")]


def match_rows(match: Match, catalogue: CatalogueUse) -> list[tuple[str, str]]:
    """What the catalogue has in the frame, and how much of it was found."""
    rows = [
        (
            "catalogue",
            f"{catalogue.name}: {counted(catalogue.stars_in_field, 'star')} in the frame",
        ),
        (
            "matched" if match.credible else "pairs, not believed",
            f"{match.found} (chance alone would give {match.chance_matches:.1f})",
        ),
    ]
    if match.placed:
        rows.append(
            (
                "placed",
                f"{match.placed} more, not found by themselves, measured where the catalogue has "
                f"them",
            )
        )
    return rows


def _error_text(error: Match | WCSError) -> str:
    x, y = (signed(shift, 1) for shift in error.offset_px)
    return (
        f"offset {x}, {y} px, rotation {signed(error.rotation_deg, 3)} deg, "
        f"scale {signed(100 * error.scale_error, 3)} %; scatter {error.scatter_px:.2f} px"
    )


def _matrix_text(matrix: MatrixFit) -> str:
    numbers = "; ".join(" ".join(signed(v, 4) for v in row) for row in matrix.matrix)
    red, blue = matrix.scatter_mag
    return f"{numbers}  (scatter with it R/G {red:.3f}, B/G {blue:.3f} mag)"


def _flag_rows(stars: Table) -> list[tuple[str, str]]:
    """How many stars carry each flag that any carries."""
    tally = flag_tally(stars["flags"])
    counts = [(flag, tally[flag.name.lower()]) for flag in Flag]
    return [
        (f"flagged {flag_words(flag)}", f"{count}  ({FLAG_REASONS[flag]})")
        for flag, count in counts
        if count
    ]


def _gains_text(fit: GainFit, between: str) -> str:
    (red, _, blue), (red_error, _, blue_error) = fit.gains, fit.gain_errors
    known = f"R {red:.4f} +- {red_error:.4f}", "G 1", f"B {blue:.4f} +- {blue_error:.4f}"
    return between.join(known)


def _with_error(value: float, error: float) -> str:
    return f"{signed(value, 3)} +- {error:.3f}"


def _terms_text(fit: GainFit) -> str:
    red = _with_error(fit.slope[0], fit.slope_error[0])
    blue = _with_error(fit.slope[1], fit.slope_error[1])
    return f"R/G {red}, B/G {blue} mag per mag of B-V"


def _used_row(fit: GainFit) -> tuple[str, str]:
    given = counted(len(fit.used), "clean matched star")
    return "used in the fit", f"{fit.n_used} of {given}"


def _colour_rows(fit: GainFit) -> list[tuple[str, str]]:
    """How much of the stars' colour the channels carry."""
    return [
        ("neutral star", f"B-V {fit.neutral_bv:.2f}"),
        ("colour terms", _terms_text(fit)),
        (
            "star colour carried",
            f"red {fit.slope_ratio[0]:.2f}, blue {fit.slope_ratio[1]:.2f}: colour terms over "
            "those of real stars; 1 is full colour, 0 none",
        ),
        ("residual scatter", f"R/G {fit.scatter_mag[0]:.3f}, B/G {fit.scatter_mag[1]:.3f} mag"),
    ]


def _by_channel(values) -> dict:
    return dict(zip("RGB", values, strict=True))


def _red_blue(values) -> dict:
    return dict(zip("RB", values, strict=True))


def for_json(value):
    """Numpy and non-finite numbers made fit for JSON."""
    if isinstance(value, dict):
        return {key: for_json(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [for_json(entry) for entry in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
