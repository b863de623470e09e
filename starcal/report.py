"""The report: one page to look at and to print, verdict first.

The page is self-contained: style and pictures are inside, nothing is fetched, no script runs, and it stays below
5 MB. The other things that a run leaves are written by `tables` and `preview`, and can be had from here.
"""

import base64
import html
import io
import json
import platform
import re
from collections.abc import Iterator, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from . import __version__
from .audit import Audit
from .audit.plots import plot_chromaticity, plot_impossible
from .plots import plot_fit, plot_map, plot_residuals
from .preview import choose_crops, crop, encoded, small_jpeg, to_image, write_preview
from .result import ROUTE_WORDS, VERDICT_WORDS, CheckResult
from .stars import FLAG_REASONS, Flag, flag_tally
from .tables import plain, write_bytes, write_json, write_stars

__all__ = ["plot_fit", "plot_map", "plot_residuals", "write_json", "write_preview", "write_report", "write_stars"]

PLOT_DPI = 150
MOST_LISTED = 100  # impossible stars in the table of an audit
FILE_TEXTS = {
    "picture.fits": "the picture, linear float32, with the header of the input", "picture.tif": "the picture, 16-bit",
    "stars.ecsv": "the star table: positions, fluxes, catalogue, flags", "result.json": "this result for programs",
    "preview.png": "before and after, side by side", "report.html": "this page",
    "starless.fits": "the frame without its stars", "stars.fits": "the stars alone, in their new colours",
}
SOURCE_TEXTS = {
    "Tycho-2": "Tycho-2: Hoeg et al. 2000, A&A 355, L27 (CDS I/259), and Hipparcos: van Leeuwen 2007, A&A 474, 653 "
               "(CDS I/311), ESA; B-V mapped to the Johnson system",
}
COLOUR_SOURCE = ("The colours that real stars have: spectra of Pickles 1998, PASP 110, 863, through the CIE 1931 "
                 "colour matching functions")
LIBRARIES = ("numpy", "scipy", "astropy", "photutils", "matplotlib", "pillow")
HAS_OWN_PLACE = ("frame", "route", "why this route", "note")  # rows of a result that the page shows elsewhere

STYLE = """
body{margin:0;background:#fff;color:#1b1b1b;font:16px/1.5 system-ui,"Helvetica Neue",Arial,sans-serif}
main{max-width:1040px;margin:0 auto;padding:1.5rem}
h1{font-size:1.15rem;font-weight:600;margin:0 0 1rem;overflow-wrap:anywhere}
h2{font-size:1.1rem;margin:2.2rem 0 .6rem;padding-top:.5rem;border-top:1px solid #b5b5b5}
h3{break-after:avoid;font-size:1rem;margin:.8rem 0 .2rem}
.verdict{border:3px solid #1b1b1b;padding:.9rem 1.2rem}
.verdict.no{border:8px double #1b1b1b}.verdict.undecided{border-style:dashed}
.verdict h2{border:0;margin:0 0 .3rem;padding:0;font-size:1.45rem}
.verdict ul,.verdict ol{margin:.2rem 0;padding-left:1.4rem}.verdict p{margin:.6rem 0 0}
.pair{display:grid;grid-template-columns:1fr 1fr;gap:.8rem}
.crops{display:flex;flex-wrap:wrap;gap:1rem}.crops img{margin-bottom:.4rem}
figure{margin:0;break-inside:avoid}figcaption{font-size:.86rem;color:#3c3c3c;margin-top:.2rem}
img{display:block;max-width:100%;height:auto}.plot img{width:100%}.map img{width:auto;max-height:46rem}
table{border-collapse:collapse;font-size:.93rem}
th,td{text-align:left;vertical-align:top;padding:.22rem 1.1rem .22rem 0;border-bottom:1px solid #d9d9d9;
overflow-wrap:anywhere}
th{font-weight:600;white-space:nowrap}td.count{text-align:right;font-variant-numeric:tabular-nums}
@media (max-width:640px){.pair{grid-template-columns:1fr}th{white-space:normal;overflow-wrap:normal}}
@media print{main{max-width:none;padding:0}body{font-size:10pt}h2{break-after:avoid;margin-top:1.2rem}
tr,.verdict,.crops{break-inside:avoid}.crops figure{max-width:5cm}.map img{max-height:12cm}}
"""


def write_report(path: str | Path, result: CheckResult, *, before: np.ndarray | None = None,
                 after: np.ndarray | None = None, audits: Sequence[Audit] = (), settings: Mapping | None = None,
                 files: Sequence[str] = (), overwrite: bool = False) -> None:
    """Write the report: one HTML page that holds all it shows.

    Parameters
    ----------
    path : str or Path
    result : CheckResult
        Of any kind: what it does not have is left out, and its reasons say why.
    before, after : ndarray, shape (3, y, x), optional
        The whole pictures at full size, for display, in [0, 1].
    audits : sequence of Audit
        Of the pictures before and after.
    settings : Mapping, optional
        What was asked for, by name.
    files : sequence of str
        Names of the files that were written with it.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    ValueError
        A picture is not of shape (3, y, x).
    """
    pictures = {name: picture for name, picture in (("Before", before), ("After", after)) if picture is not None}
    sections = [_verdict(result), _pictures(result, pictures), _audits(audits), _numbers(result), _fit(result),
                _map(result), _flags(result), _files(files), _settings(settings), _provenance(result)]
    page = _page(result.frame, result.verdict.verdict, result.to_dict(), sections)
    write_bytes(path, page.encode(errors="replace"), overwrite)


def write_audit(path: str | Path, audit: Audit, *, overwrite: bool = False) -> None:
    """Write the report of an audit alone: counts, chromaticity plot, map and table of the impossible stars.

    Parameters
    ----------
    path : str or Path
    audit : Audit
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    figure = Figure(figsize=(5.2, 4.6), layout="constrained")
    plot_impossible(audit, figure.subplots())
    where = _plot(figure, "Map of the judged stars of the picture", "The same way up as the picture.", "map")
    sections = [_audits([audit]), _section("Where", where if audit.n_judged else "", _worst(audit)),
                _section("Numbers", _table(audit.rows()))]
    page = _page(audit.name, audit.summary(), audit.to_dict(), sections)
    write_bytes(path, page.encode(errors="replace"), overwrite)


def _worst(audit: Audit) -> str:
    """Table of the stars whose colours are impossible, the furthest from any star first."""
    stars = audit.stars[audit.impossible]
    stars = stars[np.argsort(-np.abs(stars["duv"]))][:MOST_LISTED]
    return _table([(f"x {float(row['x_px']):.0f}, y {float(row['y_px']):.0f}",
                    f"{row['hue']}, Duv {row['duv']:+.3f} +- {row['duv_error']:.3f}") for row in stars])


def _page(name: str, headline: str, record: Mapping, sections: list[str]) -> str:
    name, headline = html.escape(name), html.escape(headline)
    record = json.dumps(record, ensure_ascii=False, allow_nan=False).replace("<", "\\u003c")
    return "\n".join([
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{name}: {headline}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>",
        f"<h1>Star colours of {name}</h1>", *filter(None, sections),
        f'</main>\n<script type="application/json" id="result">{record}</script>\n</body>\n</html>\n'])


def _section(title: str, *parts: str) -> str:
    body = "\n".join(filter(None, parts))
    return f"<section>\n<h2>{title}</h2>\n{body}\n</section>" if body else ""


def _text(text: str) -> str:
    """Plain text of a result as HTML: commands in backticks as code, +- as one sign."""
    return re.sub("`([^`]+)`", r"<code>\1</code>", html.escape(text.replace(" +- ", " ± ")))


def _list(tag: str, entries: Sequence[str]) -> str:
    items = "".join(f"<li>{_text(entry)}</li>" for entry in entries)
    return f"<{tag}>{items}</{tag}>" if items else ""


def _table(rows: Sequence[tuple[str, str]]) -> str:
    cells = "\n".join(f'<tr><th scope="row">{html.escape(name)}</th><td>{_text(text)}</td></tr>'
                      for name, text in rows)
    return f"<table>{cells}</table>" if cells else ""


def _img(content: bytes, kind: str, alt: str) -> str:
    data = base64.b64encode(content).decode()
    return f'<img alt="{html.escape(alt)}" src="data:image/{kind};base64,{data}">'


def _plot(figure: Figure, alt: str, caption: str, css: str) -> str:
    file = io.BytesIO()
    figure.savefig(file, format="png", dpi=PLOT_DPI, facecolor="white", bbox_inches="tight")
    return (f'<figure class="{css}">{_img(file.getvalue(), "png", alt)}'
            f"<figcaption>{html.escape(caption)}</figcaption></figure>")


def _verdict(result: CheckResult) -> str:
    verdict = result.verdict
    quality = f" Quality: {verdict.quality}." if verdict.quality else ""
    steps = f"<h3>What to do next</h3>{_list('ol', verdict.next_steps)}" if verdict.next_steps else ""
    return (f'<section class="verdict {verdict.verdict}">\n<h2>{VERDICT_WORDS[verdict.verdict]}{quality}</h2>\n'
            f"{_list('ul', verdict.reasons)}\n{steps}\n"
            f"<p><strong>Where the star colours come from:</strong> {_text(ROUTE_WORDS[result.route])} "
            f"({_text(result.route_reason)}).</p>\n</section>")


def _pictures(result: CheckResult, pictures: Mapping[str, np.ndarray]) -> str:
    if not pictures:
        return ""
    wholes = "".join(f"<figure>{_img(small_jpeg(picture), 'jpeg', f'{name}: the whole frame, stretched')}"
                     f"<figcaption>{name}</figcaption></figure>" for name, picture in pictures.items())
    crops = "".join(_crops(result, pictures))
    return _section("Pictures", f'<div class="pair">{wholes}</div>', crops and (
        f'<h3>Bright stars at 100 %, {" above ".join(name.lower() for name in pictures)}</h3>\n'
        f'<div class="crops">{crops}</div>'))


def _crops(result: CheckResult, pictures: Mapping[str, np.ndarray]) -> Iterator[str]:
    """One figure a star, its crops one above the other."""
    for row, bv_mag in choose_crops(result):
        x_px, y_px = (float(result.stars[column][row]) for column in ("x_px", "y_px"))
        star = f"at {x_px:.0f}, {y_px:.0f} px" + (f", B−V {bv_mag:.2f}" if np.isfinite(bv_mag) else "")
        crops = "".join(_img(encoded(to_image(crop(picture, x_px, y_px)), "PNG"), "png", f"{name}: star {star}")
                        for name, picture in pictures.items())
        yield f"<figure>{crops}<figcaption>Star {star}</figcaption></figure>"


def _audits(audits: Sequence[Audit]) -> str:
    """What the audit says of the stars before and after: a sentence each, and their colours beside those of stars."""
    if not audits:
        return ""
    rows = [(audit.name, audit.summary()) for audit in audits]
    judged = [audit for audit in audits if audit.n_judged]
    if not judged:
        return _section("Can stars have these colours?", _table(rows))
    figure = Figure(figsize=(4.6 * len(judged), 4.6), layout="constrained")
    panels = np.atleast_1d(figure.subplots(1, len(judged)))
    for audit, axes in zip(judged, panels, strict=True):
        plot_chromaticity(audit, axes)
        axes.set_xlabel(f"u′, {audit.name}")
    limits = np.array([[axes.get_xlim(), axes.get_ylim()] for axes in panels])
    for axes in panels:
        axes.set(xlim=(limits[:, 0].min(), limits[:, 0].max()), ylim=(limits[:, 1].min(), limits[:, 1].max()))
    alt = "Colours of the judged stars in the plane of u prime and v prime, with the line of real stars: " + "; ".join(
        f"{audit.name}: {audit.summary()}" for audit in judged)
    return _section("Can stars have these colours?", _table(rows),
                    _plot(figure, alt, "Each mark is a star; the line is where real stars are, the dashed lines are "
                          "the limits of what a star can be.", "fit"))


def _numbers(result: CheckResult) -> str:
    rows = [(name, text) for name, text in result.rows()
            if name not in HAS_OWN_PLACE and not name.startswith("flagged ")]
    if result.route != "gains":
        rows = [("gains, not applied" if name == "gains" else name, text) for name, text in rows]
    before, after = result.verdict.colour_error_before, result.verdict.colour_error_after
    if before is not None and after is not None:
        rows.append(("colour error", f"{before:.4f} before, {after:.4f} after gains: median distance of the used stars "
                                     "in u′v′ from the colour of their B−V (0.004 is just seen)"))
    linearity = result.linearity
    if np.isfinite(linearity.brightness):
        rows.append(("linearity", f"a star 1 mag brighter in the catalogue is {linearity.brightness:.2f} ± "
                                  f"{linearity.brightness_error:.2f} mag brighter here (1 is linear)"))
    if result.matrix is not None:
        rows += [(f"matrix, {channel}", "  ".join(f"{value:+.4f}" for value in row))
                 for channel, row in zip(("red", "green", "blue"), result.matrix.matrix, strict=True)]
    return _section("Numbers", _table(rows), _list("ul", result.notes))


def _fit(result: CheckResult) -> str:
    fit = result.fit
    if fit is None:
        return ""
    figure = Figure((10, 6.6), layout="constrained")
    axes = figure.subplots(2, 2, sharex="col", height_ratios=(5, 3))
    plot_fit(result, axes[0])
    plot_residuals(result, axes[1])
    for panel in axes[0]:
        panel.set_xlabel("")
    clipped = len(fit.used) - fit.n_used
    alt = (f"Measured star colours against catalogue B−V: {fit.n_used} used stars, {clipped} clipped. Slopes "
           f"{fit.slope[0]:+.3f} (R against G) and {fit.slope[1]:+.3f} (B against G) mag per mag of B−V, scatter "
           f"{fit.scatter_mag[0]:.3f} and {fit.scatter_mag[1]:.3f} mag.")
    caption = ("Above: each dot is a star; the line is the fit, the dashed line what channels with the full colour of "
               "real stars would show; the gain is read at the diamond. Below: what the fit leaves over.")
    if clipped:
        caption += " Crosses are stars clipped as outliers; those beyond a panel are drawn on its rim."
    return _section("Measured against catalogue", _plot(figure, alt, caption, "plot"))


def _map(result: CheckResult) -> str:
    if not len(result.stars):
        return ""
    used = result.fit.n_used if result.fit is not None else 0
    alt = f"Map of the frame with {len(result.stars)} stars found, of which {used} were used."
    plot = _plot(plot_map(result).figure, alt, "The same way up as the pictures.", "map")
    return _section("Stars on the frame", plot)


def _flags(result: CheckResult) -> str:
    flags = np.asarray(result.stars["flags"])
    rows = [("no flag", np.count_nonzero(flags == 0), "nothing speaks against it")]
    tally = flag_tally(flags)
    rows += [(flag.name.lower().replace("_", " "), tally[flag.name.lower()], FLAG_REASONS[flag]) for flag in Flag]
    cells = "\n".join(f'<tr><th scope="row">{name}</th><td class="count">{count}</td><td>{html.escape(why)}</td></tr>'
                      for name, count, why in rows if count)
    head = '<tr><th scope="col">flag</th><th scope="col">stars</th><th scope="col">why not used</th></tr>'
    return _section("Why stars were not used", f"<p>{len(flags)} stars were found; a star may carry several flags.</p>",
                    cells and f"<table>{head}\n{cells}</table>")


def _files(files: Sequence[str]) -> str:
    names = [Path(name).name for name in files]
    return _section("Files", _table([(name, FILE_TEXTS.get(name, "")) for name in names]))


def _settings(settings: Mapping | None) -> str:
    return _section("Settings", _table([(str(name), _as_text(value)) for name, value in (settings or {}).items()]))


def _as_text(value) -> str:
    return value if isinstance(value, str) else json.dumps(plain(value), ensure_ascii=False, default=str)


def _provenance(result: CheckResult) -> str:
    sources = []
    if result.catalogue is not None:
        name = result.catalogue.name
        sources = [SOURCE_TEXTS.get(name, name)]
    made_with = ", ".join([f"starcal {__version__}", f"Python {platform.python_version()}",
                           *(f"{name} {version(name)}" for name in LIBRARIES)])
    return _section("Data sources and versions", _list("ul", [*sources, COLOUR_SOURCE]),
                    f"<p>Made with {html.escape(made_with)}.</p>")

