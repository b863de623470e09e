"""The report: one page to look at and to print, verdict first.

The page is self-contained: style, pictures and a short script for the divider are inside, nothing
is fetched, and it stays below 5 MB. What ``result.json`` holds is inside, too, for programs.
"""

import html
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from ..audit import Audit
from ..audit.plots import plot_beside
from ..checking.result import ROUTE_WORDS, VERDICT_WORDS, CheckResult
from ..draw.preview import Shown, crop, encoded, ringed, small_jpeg, to_image
from ..draw.shapes import plot_shapes
from ..fit.contrasts import MEASUREMENTS_HEAD
from ..fit.gains import GainFit
from ..frame import write_bytes
from ..layers import ProfileMap
from ..plan import CHART_INCHES, Plan, plot_field, table_cells
from ..texts import counted, escaped, html_image, html_list, html_table
from ..versions import versions
from . import listing
from .crops import choose_crops
from .figures import png_of
from .outcome import outcome_of
from .tables import floats_of

MOST_LISTED = 100  # impossible stars in the table of an audit

STYLE = """
:root{color-scheme:light dark;--page:#fff;--ink:#1b1b1b;--soft:#3c3c3c;--line:#d9d9d9;
--rule:#b5b5b5;--strong:#6e6e6e;--code:#f0f0f0}
@media (prefers-color-scheme:dark){:root{--page:#14171a;--ink:#e4e4e4;--soft:#b8b8b8;
--line:#343a40;--rule:#4a5056;--strong:#8a9096;--code:#23282d}
.plot img,.map img{filter:invert(.91) hue-rotate(180deg)}}
body{margin:0;background:var(--page);color:var(--ink);
font:16px/1.5 system-ui,"Helvetica Neue",Arial,sans-serif}
main{max-width:1040px;margin:0 auto;padding:1.5rem}
h1{font-size:1.15rem;font-weight:600;margin:0 0 1rem;overflow-wrap:anywhere}
h2{font-size:1.1rem;margin:2.2rem 0 .6rem;padding-top:.5rem;border-top:1px solid var(--rule)}
h3{break-after:avoid;font-size:1rem;margin:.8rem 0 .2rem}
code{background:var(--code);padding:.1em .3em;border-radius:3px;overflow-wrap:anywhere}
.verdict{border:3px solid var(--ink);padding:.9rem 1.2rem}
.verdict.no{border:8px double var(--ink)}.verdict.undecided{border-style:dashed}
.verdict h2{border:0;margin:0 0 .3rem;padding:0;font-size:1.45rem}
.verdict ul,.verdict ol{margin:.2rem 0;padding-left:1.4rem}.verdict p{margin:.6rem 0 0}
.pair,.crops{display:grid;gap:.8rem;grid-template-columns:1fr 1fr}
.crops{grid-template-columns:repeat(3,1fr)}
.crops img{margin-bottom:.4rem}.crops figure{max-width:320px}
figure{margin:0;break-inside:avoid}
figcaption{font-size:.86rem;color:var(--soft);margin-top:.2rem}
img{display:block;max-width:100%;height:auto}.plot img{width:100%}
.map img{width:auto;max-height:46rem}
table{border-collapse:collapse;font-size:.93rem}
th,td{text-align:left;vertical-align:top;padding:.22rem 1.1rem .22rem 0;
border-bottom:1px solid var(--line);overflow-wrap:anywhere}
th{font-weight:600;overflow-wrap:normal}tbody th,td.number{white-space:nowrap}
thead th{border-bottom:2px solid var(--strong);vertical-align:bottom}
td.number{text-align:right;font-variant-numeric:tabular-nums}
.wide{overflow-x:auto}.wide td{overflow-wrap:normal}
.slider{display:none}
@media screen{.compared{display:block;position:relative}
.compared figure:nth-child(2){position:absolute;inset:0}
.compared figure:nth-child(2) img{clip-path:inset(0 0 0 var(--cut,50%))}
.compared figure{pointer-events:none}.compared figcaption{display:none}
.compared img{width:100%}
.compared+.slider{display:flex;gap:.8rem;align-items:center;margin:.4rem 0 0}
.slider input{flex:1;height:2rem}
.grows img,.plot img,.map img{cursor:zoom-in}
.grown{position:fixed;inset:0;z-index:9;display:grid;place-items:safe center;overflow:auto;
background:#000d;border:0;padding:0;cursor:zoom-out}
.grown img{width:min(98vw,98vh);max-width:none;image-rendering:pixelated}
.grown.plot img,.grown.map img{width:auto;max-height:none;image-rendering:auto}}
@media (max-width:640px){main{padding:.8rem}.pair,.crops{grid-template-columns:1fr}
.crops figure{max-width:none;display:grid;grid-template-columns:1fr 1fr;gap:.2rem .4rem}
.crops img{width:100%}.crops figcaption{grid-column:1/-1}tbody th,td.number{white-space:normal}
table{display:block;overflow-x:auto}th,td{padding-right:.7rem;overflow-wrap:break-word}
.verdict{padding:.6rem .8rem}.verdict h2{font-size:1.2rem}}
@media print{:root{--page:#fff;--ink:#1b1b1b;--soft:#3c3c3c;--line:#d9d9d9;--rule:#b5b5b5;
--strong:#6e6e6e;--code:#f0f0f0}.plot img,.map img{filter:none}
@page{margin:14mm}main{max-width:none;padding:0}body{font-size:10pt}
h2,h3{break-after:avoid}h2{margin-top:1.2rem}tr,.verdict,.crops{break-inside:avoid}
thead{display:table-header-group}.pair img{max-height:7cm}.crops figure{max-width:5cm}
.map img,.plot img{width:auto;max-height:9cm}
.wide{overflow:visible}.wide table{font-size:8pt}.wide th,.wide td{padding-right:.6rem}}
"""
# A divider between before and after, and pictures that grow; without it both stand side by side.
SCRIPT = """
for (const pair of document.querySelectorAll(".pair")) {
  const range = pair.nextElementSibling?.querySelector("input");
  if (!range || pair.children.length !== 2) continue;
  pair.classList.add("compared");
  range.addEventListener("input", () => pair.style.setProperty("--cut", range.value + "%"));
}
let grown = null;
const shrink = () => { grown?.remove(); grown = null; };
const grow = (image) => {
  shrink();
  grown = document.createElement("button");
  grown.className = `grown ${image.parentElement.className}`;
  grown.setAttribute("aria-label", "close the picture");
  grown.append(image.cloneNode());
  grown.addEventListener("click", shrink);
  document.body.append(grown);
  grown.focus();
};
for (const image of document.querySelectorAll(".grows img, .plot img, .map img")) {
  image.tabIndex = 0;
  image.addEventListener("click", () => grow(image));
  image.addEventListener("keydown", (event) => { if (event.key === "Enter") grow(image); });
}
document.addEventListener("keydown", (event) => { if (event.key === "Escape") shrink(); });
"""
SLIDER = (
    '<div class="slider"><span>before</span><input type="range" min="0" max="100" value="50" '
    'aria-label="Divider: before on its left, after on its right"><span>after</span></div>'
)
LOCUS_CAPTION = (
    "Each mark is a star; the line is where real stars are, from hot (below) to cool (above), the "
    "dashed "
    "lines are the limits of what a star can be."
)
SECOND_TEXT = (
    "Each row compares two groups of stars, or two apertures, by the residuals of the one fit. A "
    "change within about twice its error is chance; what goes beyond is in the stated error."
)


def write_report(
    path: str | Path,
    result: CheckResult,
    *,
    before: np.ndarray | Shown | None = None,
    after: np.ndarray | Shown | None = None,
    audits: Sequence[Audit] = (),
    record: Mapping | None = None,
    shapes: ProfileMap | None = None,
    facts: Sequence[tuple[str, str]] = (),
    overwrite: bool = False,
) -> None:
    """Write the report: one HTML page that holds all it shows.

    Parameters
    ----------
    path : str or Path
    result : CheckResult
        Of any kind: what it does not have is left out, and its reasons say why.
    before, after : ndarray, shape (3, y, x), or Shown, optional
        The whole pictures at full size, for display, in [0, 1].
    audits : sequence of Audit
        Of the pictures before and after, in this order.
    record : Mapping, optional
        What ``result.json`` holds; its ``settings`` and ``files`` are shown. By default the result
        alone.
    shapes : ProfileMap, optional
        Of the stars that were split off.
    facts : sequence of (str, str)
        What the frame is, how long this took, and how to do it again.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    ValueError
        A picture is not of shape (3, y, x).
    """
    given = {"Before": before, "After": after}
    pictures = {name: picture for name, picture in given.items() if picture is not None}
    record = result.to_dict() if record is None else record
    sections = [
        _verdict(result, audits),
        _pictures(result, pictures, audits),
        _section("The frame", html_table(facts)),
        _colours(result, audits),
        _fit_section(result),
        _second_section(result),
        _map_section(result),
        _shapes_section(shapes),
        _stars(result, audits),
        _numbers_section(result),
        _flags(result),
        _settings(record.get("settings", {})),
        _files_section(record.get("files", ())),
        _provenance(result),
    ]
    page = _page(result.frame, result.verdict.verdict, record, sections)
    write_bytes(path, page.encode(errors="replace"), overwrite)


def write_audit(
    path: str | Path,
    audit: Audit,
    picture: np.ndarray | Shown | None = None,
    *,
    overwrite: bool = False,
) -> None:
    """Write the report of an audit alone: counts, the picture and a table of its impossible stars,
    chromaticity plot, map.

    Parameters
    ----------
    path : str or Path
    audit : Audit
    picture : ndarray, (3, y, x), or Shown, optional
        What was audited, for display, in [0, 1].
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    worst = html_table(listing.worst_rows(audit, MOST_LISTED), listing.WORST_HEAD)
    sections = [
        f'<section class="verdict">\n<h2>{escaped(audit.summary())}</h2>\n</section>',
        _section("The picture", _marked(picture, audit)),
        _colour_section(_colour_plot([audit])),
        _section("Where", _audit_map(audit) if audit.n_judged else "", worst),
        _section("Numbers", html_table(audit.rows())),
    ]
    page = _page(audit.name, audit.summary(), audit.to_dict(), sections)
    write_bytes(path, page.encode(errors="replace"), overwrite)


def write_plan(path: str | Path, plan: Plan, *, overwrite: bool = False) -> None:
    """Write the page of a plan: what to expose, chart of the field, table by magnitude, cautions.

    Parameters
    ----------
    path : str or Path
    plan : Plan
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    """
    headline = f"Expose {plan.summary()}."
    head, *cells = table_cells(plan)
    footnote = f"<p>{escaped(plan.footnote())}</p>"
    sources = [listing.attribution(plan.stars.name), *plan.sources]
    sections = [
        _series(headline, plan),
        _section("The field", _chart(plan)),
        _section("Stars by brightness", html_table(cells, head), footnote),
        _section("What was assumed", html_table(plan.assumption_rows())),
        _section("Before you go", html_list("ul", plan.cautions)),
        _section("Data sources", html_list("ul", sources)),
    ]
    title = f"Star frame for {plan.objects[0]}," if plan.objects else "Star frame for"
    page = _page(plan.name, headline, plan.to_dict(), sections, title)
    write_bytes(path, page.encode(errors="replace"), overwrite)


def _series(headline: str, plan: Plan) -> str:
    return (
        f'<section class="verdict">\n<h2>{escaped(headline)}</h2>\n'
        f"{html_table(plan.series_rows())}\n"
        f"{html_list('ul', (*plan.notes, *plan.advice()))}</section>"
    )


def _chart(plan: Plan) -> str:
    alt = (
        f"Chart of the field: {counted(len(plan.stars), 'catalogue star')}, of which "
        f"{plan.main.n_saturated} saturate in the main series."
    )
    caption = (
        "North is up, east is left; names, or numbers that are V, stand at the brightest "
        "saturated stars, where there is room. Dots: blue for hot stars (B−V 0), grey for those "
        "between, red for cool ones (B−V 1.4 and more)."
    )
    axes = plot_field(plan, Figure(CHART_INCHES).subplots())  # `png_of` lays it out
    return _plot_figure(axes.figure, alt, caption, "plot")


# --- the page ---------------------------------------------------------------------------


def _page(
    name: str,
    headline: str,
    record: Mapping,
    sections: list[str],
    what: str = "Star colours of",
) -> str:
    name, headline = html.escape(name), html.escape(headline)
    record = json.dumps(record, ensure_ascii=False, allow_nan=False).replace("<", "\\u003c")
    return "\n".join(
        [
            '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{name}: {headline}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>",
            f"<h1>{html.escape(what)} {name}</h1>",
            *filter(None, sections),
            f'</main>\n<script type="application/json" id="result">{record}</script>',
            f"<script>{SCRIPT}</script>\n</body>\n</html>\n",
        ]
    )


def _section(title: str, *parts: str) -> str:
    body = "\n".join(filter(None, parts))
    return f"<section>\n<h2>{title}</h2>\n{body}\n</section>" if body else ""


def _plot_figure(figure: Figure, alt: str, caption: str, css: str) -> str:
    return (
        f'<figure class="{css}">{html_image(png_of(figure), "png", alt)}'
        f"<figcaption>{html.escape(caption)}</figcaption></figure>"
    )


def _verdict(result: CheckResult, audits: Sequence[Audit]) -> str:
    """What came of it first; then whether gains could, and where the colours come from."""
    verdict = result.verdict
    why = result.route_reason.removeprefix(
        f"{verdict.reasons[0]}; "
    )  # that stands above already
    quality = f" Quality: {verdict.quality}." if verdict.quality else ""
    answer = f"{VERDICT_WORDS[verdict.verdict]}{quality}"
    head, reasons = f"<h2>{answer}</h2>", verdict.reasons
    if len(audits) == len(("before", "after")):
        outcome = outcome_of(result, *audits)
        head = f"<h2>{escaped(outcome.stars)}</h2>\n<p>{escaped(outcome.how)}</p>"
        head += f"\n<p><strong>Can calibration do it?</strong> {answer}</p>"
        reasons = tuple(reason for reason in reasons if reason not in outcome.how)
    steps = html_list("ol", verdict.next_steps)
    if steps:
        steps = f"<h3>What to do next</h3>{steps}"
    return (
        f'<section class="verdict {verdict.verdict}">\n{head}\n'
        f"{html_list('ul', reasons)}\n{steps}\n"
        f"<p><strong>Where the star colours come from:</strong> "
        f"{escaped(ROUTE_WORDS[result.route])} "
        f"({escaped(why)}).</p>\n</section>"
    )


# --- pictures ---------------------------------------------------------------------------


def _pictures(
    result: CheckResult, pictures: Mapping[str, np.ndarray | Shown], audits: Sequence[Audit]
) -> str:
    if not pictures:
        return ""
    wholes = "".join(
        f"<figure>{html_image(small_jpeg(picture), 'jpeg', f'{name}: the whole frame, stretched')}"
        f"<figcaption>{name}</figcaption></figure>"
        for name, picture in pictures.items()
    )
    crops = "".join(_crops(result, pictures, audits))
    return _section(
        "Pictures",
        f'<div class="pair">{wholes}</div>{SLIDER if len(pictures) == 2 else ""}',
        crops
        and (
            f"<h3>At 100 %: {', then '.join(name.lower() for name in pictures)} (a click makes "
            f'one larger)</h3>\n<div class="crops grows">{crops}</div>'
        ),
    )


def _crops(
    result: CheckResult, pictures: Mapping[str, np.ndarray | Shown], audits: Sequence[Audit]
) -> Iterator[str]:
    """One figure a place, its crops one above the other."""
    first = next(iter(pictures.values()))
    for x_px, y_px, shows in choose_crops(first, result.stars, audits):
        where = f"{shows}, around x {x_px:.0f}, y {y_px:.0f} from the bottom"
        crops = "".join(
            html_image(
                encoded(to_image(crop(picture, x_px, y_px)), "PNG"), "png", f"{name}: {where}"
            )
            for name, picture in pictures.items()
        )
        yield f"<figure>{crops}<figcaption>{where[0].upper()}{where[1:]}</figcaption></figure>"


# --- plots ------------------------------------------------------------------------------


def _colours(result: CheckResult, audits: Sequence[Audit]) -> str:
    """Colours of stars beside those that stars can have: as judged by the audits, else those of the
    fit."""
    if audits or result.fit is None:
        return _chromaticity(audits)
    figure = Figure((5.6, 6.2))
    result.plot_chromaticity(figure.subplots())
    alt = (
        f"Colours of {counted(result.fit.n_used, 'used star')} in the plane of u prime and v "
        f"prime, as measured and "
        "after the gains, with the line of real stars."
    )
    return _colour_section(_plot_figure(figure, alt, LOCUS_CAPTION, "map"))


def _chromaticity(audits: Sequence[Audit]) -> str:
    """What the audits say: a sentence each, and the colours beside those of stars."""
    sentences = html_list("ul", [f"{audit.name}: {audit.summary()}" for audit in audits])
    return _colour_section(sentences, _colour_plot(audits))


def _colour_section(*parts: str) -> str:
    return _section("Can stars have these colours?", *parts)


def _colour_plot(audits: Sequence[Audit]) -> str:
    """The colours of each picture's stars; nothing where none was measured."""
    judged = [audit for audit in audits if audit.n_judged]
    if not judged:
        return ""
    figure = Figure((5.2 * len(judged), 6.2))
    plot_beside(judged, figure.subplots(1, len(judged)))
    alt = (
        "Colours of the measured stars in the plane of u prime and v prime, with the line of real "
        "stars. " + " ".join(f"{audit.name}: {audit.summary()}" for audit in judged)
    )
    return _plot_figure(figure, alt, LOCUS_CAPTION, "map")


def _marked(
    picture: np.ndarray | Shown | None,
    audit: Audit,
) -> str:
    """The picture, its impossible stars in rings."""
    if picture is None:
        return ""
    bad = audit.stars[audit.impossible]
    content = ringed(picture, floats_of(bad, "x_px"), floats_of(bad, "y_px"))
    stars = counted(len(bad), "star")
    image = html_image(content, "jpeg", f"The picture, {stars} in rings")
    return (
        f"<figure>{image}"
        f"<figcaption>In rings: {stars} of impossible colours.</figcaption>"
        "</figure>"
    )


def _audit_map(audit: Audit) -> str:
    figure = Figure((8, 6))
    audit.plot_map(figure.subplots())
    alt = (
        f"Map of the picture: {counted(audit.n_judged, 'measured star')}, "
        f"{audit.n_impossible} of them impossible."
    )
    return _plot_figure(figure, alt, "The same way up as the picture.", "map")


def _fit_section(result: CheckResult) -> str:
    fit = result.fit
    if fit is None:
        return ""
    figure = Figure((10, 6.6))
    axes = figure.subplots(2, 2, sharex="col", height_ratios=(5, 3))
    result.plot_fit(axes[0])
    result.plot_residuals(axes[1])
    for panel in axes[0]:
        panel.set_xlabel("")
    clipped = len(fit.used) - fit.n_used
    caption = (
        "Above: each dot is a star; the line is the fit, the dashed line what channels with the "
        "full colour of "
        "real stars would show; the gain is read at the diamond. Below: what the fit leaves over."
    )
    if clipped:
        caption += (
            " Crosses are outliers, which the fit is made without; those beyond a panel are drawn "
            "on its rim."
        )
    plot = _plot_figure(figure, _fit_in_words(fit, clipped), caption, "plot")
    return _section("Measured against catalogue", plot)


def _second_section(result: CheckResult) -> str:
    """The table of second measurements: the reader's ground for trust."""
    table = html_table(result.second_rows(), MEASUREMENTS_HEAD)
    return _section(
        "The gains measured in other ways", table, table and f"<p>{SECOND_TEXT}</p>"
    )


def _fit_in_words(fit: GainFit, clipped: int) -> str:
    return (
        f"Measured star colours against catalogue B−V: {counted(fit.n_used, 'used star')}, "
        f"{counted(clipped, 'outlier')}. "
        f"Slopes {fit.slope[0]:+.3f} (R against G) and {fit.slope[1]:+.3f} (B against G) mag per "
        f"mag of B−V, scatter {fit.scatter_mag[0]:.3f} and {fit.scatter_mag[1]:.3f} mag."
    )


def _map_section(result: CheckResult) -> str:
    if not len(result.stars):
        return ""
    height, width = result.stars.meta["shape"]
    figure = Figure((8, np.clip(1 + 7.4 * height / width, 2.5, 9)))
    result.plot_map(figure.subplots())
    used = result.fit.n_used if result.fit is not None else 0
    alt = (
        f"Map of the frame: {counted(len(result.stars), 'star')} found, "
        f"of which {used} used in the fit."
    )
    return _section(
        "Stars on the frame",
        _plot_figure(figure, alt, "The same way up as the pictures.", "map"),
    )


def _shapes_section(shapes: ProfileMap | None) -> str:
    """How wide and drawn out the stars are over the frame."""
    if shapes is None:
        return ""
    height, width = shapes.shape
    figure = Figure((7, np.clip(1 + 6.4 * height / width, 2.5, 8)))
    fwhm_px, axis_ratio, long_axis_deg = shapes.mean()
    plot_shapes(shapes.shape, fwhm_px, axis_ratio, long_axis_deg, figure.subplots())
    alt = (
        f"Map of the frame: stars are {fwhm_px.min():.1f} to {fwhm_px.max():.1f} px wide (FWHM), "
        f"their axis ratio is {axis_ratio.min():.2f} to {axis_ratio.max():.2f}."
    )
    caption = (
        "Shades and numbers: FWHM in px, the channels together. Strokes lie along the stars' long "
        "axis; the longer, the more drawn out they are. A dot: round. The same way up as the "
        "pictures."
    )
    return _section(
        "Shapes of the stars",
        _plot_figure(figure, alt, caption, "map"),
        html_table(listing.shape_rows(shapes), listing.SHAPES_HEAD),
    )


# --- tables -----------------------------------------------------------------------------


def _stars(result: CheckResult, audits: Sequence[Audit]) -> str:
    """The tables of stars: sources of colour, audits, and stars worth a look."""
    sources = html_table(listing.source_rows(result), listing.SOURCES_HEAD)
    if sources:
        sources = f"<p>{escaped(listing.own_line(result))}</p>\n{sources}"
    if result.route == "gains" and not sources:
        sources = "<p>All stars keep the colour of their pixels, multiplied by the gains.</p>"
    judged = (
        html_table(listing.audit_rows(audits), ("", *(audit.name for audit in audits)))
        if audits
        else ""
    )
    if judged:
        judged += (
            "<p>Each picture is measured by itself: a star that can be measured in one may not be "
            "in the other.</p>"
        )
    notable = html_table(
        listing.notable_rows(result, audits[0] if audits else None), listing.NOTABLE_HEAD
    )
    return "\n".join(
        filter(
            None,
            [
                _section("Star colours by source", sources),
                _section("Audit", judged),
                _section(
                    "Stars worth a look", notable and f'<div class="wide">{notable}</div>'
                ),
            ],
        )
    )


def _numbers_section(result: CheckResult) -> str:
    return _section(
        "Numbers", html_table(listing.number_rows(result)), html_list("ul", result.notes)
    )


def _flags(result: CheckResult) -> str:
    told = f"<p>{counted(len(result.stars), 'star')} found; a star may carry several flags.</p>"
    return _section(
        "Why stars were not used",
        told,
        html_table(listing.flag_rows(result), listing.FLAGS_HEAD),
    )


def _files_section(files: Sequence[str]) -> str:
    names = [Path(name).name for name in files]
    return _section(
        "Files", html_table([(name, listing.FILE_TEXTS.get(name, "")) for name in names])
    )


def _settings(settings: Mapping) -> str:
    return _section(
        "Settings", html_table(listing.setting_rows(settings), listing.SETTINGS_HEAD)
    )


def _provenance(result: CheckResult) -> str:
    return (
        _section("Data sources", html_list("ul", listing.attributions(result)))
        + "\n"
        + _section("Versions", html_table(list(versions().items())))
    )
