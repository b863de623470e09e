"""Stars in words: a row of a table for each, and the sentences about verdict and route."""

import numpy as np

from ..stars import FLAG_REASONS, Flag
from ..texts import escaped, html_table
from .job import ByGains, ByStar
from .points import catalogue_of, residuals_of, star_ratios, states_of

MOST_ROWS = 40
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
# What errors advise for the command line, and the same for whoever has the page before them.
PAGE_WORDS = {
    "add --overwrite, or choose a folder with "
    "--out": "tick “replace earlier files”, or name another folder",
    ", with -o or --out": "",
    "Let `starcal run` colour its stars instead": "Choose another route",
    "use --route best": "choose “best for this frame”",
    "--route ": "route ",
    " +- ": " ± ",
}


def star_rows(cure: ByGains | ByStar, chosen: list[int]) -> list[tuple[str, ...]]:
    """What is known of stars, a tuple of texts for each, in the order of `HEADINGS`."""
    checked, stars = cure.check, cure.check.stars
    bv, v, error = (catalogue_of(checked, name) for name in ("bv_mag", "v_mag", "bv_error_mag"))
    ratio, state = star_ratios(checked), states_of(checked)
    left = residuals_of(checked, bv, ratio)
    return [
        (
            str(i + 1),
            f"{stars['x_px'][i]:.1f}, {stars['y_px'][i]:.1f}",
            f"{stars['snr'][i]:.0f}",
            _number(ratio[0, i], "+.3f"),
            _number(ratio[1, i], "+.3f"),
            _number(v[i], ".2f"),
            _number(bv[i], ".2f") + (f" ± {error[i]:.2f}" if np.isfinite(error[i]) else ""),
            _number(left[0, i], "+.3f"),
            _number(left[1, i], "+.3f"),
            state[i],
            str(cure.source[i]),
            _number(cure.bv_mag[i], ".2f"),
            flags_in_words(int(stars["flags"][i])),
        )
        for i in chosen
    ]


def flags_in_words(flags: int) -> str:
    """The reasons that a star's flags stand for."""
    return "; ".join(FLAG_REASONS[flag] for flag in Flag if flags & flag) or "none"


def _number(value: float, form: str) -> str:
    return format(value, form).replace("-", "−") if np.isfinite(value) else "—"


def table_html(cure: ByGains | ByStar, chosen: list[int]) -> str:
    """The chosen stars as an HTML table; a sentence where none is."""
    if not chosen:
        return f"<p>{NOTHING_CHOSEN}</p>"
    more = f"<p>and {len(chosen) - MOST_ROWS} more</p>" if len(chosen) > MOST_ROWS else ""
    return html_table(star_rows(cure, chosen[:MOST_ROWS]), HEADINGS) + more


def page_words(error: Exception) -> str:
    """What an error says, as advice for the page and not for the command line."""
    said = str(error)
    for typed, words in PAGE_WORDS.items():
        said = said.replace(typed, words)
    return said


def verdict_html(cure: ByGains | ByStar) -> str:
    """Verdict, route and the numbers that they rest on."""
    checked = cure.check
    lines = [
        f"<b>Verdict: {checked.verdict.verdict}</b> — {escaped(checked.verdict.reasons[0])}",
        f"<b>Route: {escaped(cure.route)}</b> — {escaped(cure.reason)}",
    ]
    if checked.fit is not None:
        gains = ", ".join(
            f"{c} {gain:.4f} ± {error:.4f}"
            for c, gain, error in zip(
                "RGB", checked.fit.gains, checked.fit.gain_errors, strict=True
            )
        )
        red, blue = checked.fit.scatter_mag
        lines.append(
            f"<b>Fit of gains: {checked.fit.n_used} of {len(checked.fit.used)} stars</b> — gains "
            f"{gains}; "
            f"residual scatter R/G {red:.3f}, B/G {blue:.3f} mag"
        )
    return "".join(f"<p>{line}</p>" for line in lines)
