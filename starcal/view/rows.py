"""Stars in words: a row of a table for each, and the sentences about verdict and route."""

from collections.abc import Callable

import numpy as np

from ..checking.result import CheckResult
from ..fit.gains import GainFit
from ..report.outcome import Outcome
from ..stars import Flag, flag_words
from ..texts import counted, escaped, html_table
from .job import Cure
from .points import catalogue_of, residuals_of, states_of
from .words import page_words

MOST_ROWS = 40
Cell = Callable[[int], str]  # a text for a row of the star table
HEADINGS = (
    "Star",
    "x, y",
    "SNR",
    "R/G, mag",
    "B/G, mag",
    "V",
    "B−V",
    "residual R/G",
    "residual B/G",
    "in the fit",
    "colour from",
    "B−V given",
    "flags",
)
NOTHING_CHOSEN = "No star chosen: click one in the picture, or draw a box or a loop in a plot."
NONE_IN_FIT = "Nothing left out: none of the chosen stars takes part in the fit."
NONE_LEFT_OUT = "Nothing taken back: none of the chosen stars was left out by hand."


def star_rows(cure: Cure, chosen: list[int]) -> list[tuple[str, ...]]:
    """What is known of stars, a tuple of texts for each, in the order of `HEADINGS`.

    Parameters
    ----------
    cure : Cure
    chosen : list of int
        Rows of the star table.

    Returns
    -------
    list of tuple of str
    """
    columns = _measured(cure) | _catalogue_cells(cure) | _given(cure)
    return [tuple(columns[heading](i) for heading in HEADINGS) for i in chosen]


def _measured(cure: Cure) -> dict[str, Cell]:
    """Cells of what the frame tells of a star, by heading."""
    stars = cure.check.stars
    ratio = cure.ratios
    return {
        "Star": lambda i: str(i + 1),
        "x, y": lambda i: f"{stars['x_px'][i]:.0f}, {stars['y_px'][i]:.0f}",
        "SNR": lambda i: f"{stars['snr'][i]:.0f}",
        "R/G, mag": lambda i: _number_cell(ratio[0, i], "+.3f"),
        "B/G, mag": lambda i: _number_cell(ratio[1, i], "+.3f"),
        "flags": lambda i: flags_in_words(int(stars["flags"][i])),
    }


def _catalogue_cells(cure: Cure) -> dict[str, Cell]:
    """Cells of what the catalogue tells of a star, and what the fit makes of it."""
    v_mag = catalogue_of(cure.check, "v_mag")
    bv = catalogue_of(cure.check, "bv_mag")
    error = catalogue_of(cure.check, "bv_error_mag")
    left = residuals_of(cure.check, bv, cure.ratios)
    return {
        "V": lambda i: _number_cell(v_mag[i], ".2f"),
        "B−V": lambda i: _number_cell(bv[i], ".2f") + _error(error[i]),
        "residual R/G": lambda i: _number_cell(left[0, i], "+.3f"),
        "residual B/G": lambda i: _number_cell(left[1, i], "+.3f"),
    }


def _given(cure: Cure) -> dict[str, Cell]:
    """Cells of what became of a star."""
    state = states_of(cure.check)
    return {
        "in the fit": lambda i: state[i],
        "colour from": lambda i: str(cure.source[i]),
        "B−V given": lambda i: _number_cell(cure.bv_mag[i], ".2f"),
    }


def flags_in_words(flags: int) -> str:
    """A star's flags, in one line of the page; the report has what each means."""
    return ", ".join(flag_words(flag) for flag in Flag if flags & flag) or "none"


def _number_cell(value: float, form: str) -> str:
    return format(value, form).replace("-", "−") if np.isfinite(value) else "—"


def _error(value: float) -> str:
    return f" ± {value:.2f}" if np.isfinite(value) else ""


def table_html(cure: Cure, chosen: list[int]) -> str:
    """The chosen stars as an HTML table; a sentence where none is."""
    if not chosen:
        return f"<p>{NOTHING_CHOSEN}</p>"
    more = f"<p>and {len(chosen) - MOST_ROWS} more</p>" if len(chosen) > MOST_ROWS else ""
    return html_table(star_rows(cure, chosen[:MOST_ROWS]), HEADINGS) + more


def outcome_html(outcome: Outcome) -> str:
    """What came of the choices: how many stars had impossible colours, how many have now, and how
    that was done."""
    how = escaped(page_words(outcome.how))
    return f"<p><b>{escaped(outcome.stars)}</b> {how}</p>"


def verdict_html(cure: Cure) -> str:
    """Verdict, route and the numbers that they rest on."""
    route = f"<b>Route: {escaped(cure.route)}</b> — {escaped(page_words(cure.reason))}"
    return _paragraphs(_verdict_line(cure.check), route, *_lines_of_fit(cure.check, cure.route))


def check_html(found: CheckResult) -> str:
    """The same before there is a picture, and a route to it."""
    return _paragraphs(_verdict_line(found), *_lines_of_fit(found, found.route))


def _paragraphs(*lines: str) -> str:
    return "".join(f"<p>{line}</p>" for line in lines)


def _verdict_line(checked: CheckResult) -> str:
    verdict = checked.verdict
    return f"<b>Verdict: {verdict.verdict}</b> — {escaped(verdict.reasons[0])}"


def _lines_of_fit(checked: CheckResult, route: str) -> list[str]:
    serves = checked.gains_may_serve or route == "gains"
    return [_fit_html(checked.fit)] if serves and checked.fit is not None else []


def _fit_html(fit: GainFit) -> str:
    (red_gain, _, blue_gain), (red_error, _, blue_error) = fit.gains, fit.gain_errors
    gains = f"R {red_gain:.4f} ± {red_error:.4f}, G 1, B {blue_gain:.4f} ± {blue_error:.4f}"
    red, blue = fit.scatter_mag
    return (
        f"<b>Fit of gains: {fit.n_used} of {counted(len(fit.used), 'star')}</b> — gains {gains}; "
        f"residual scatter R/G {red:.3f}, B/G {blue:.3f} mag"
    )
