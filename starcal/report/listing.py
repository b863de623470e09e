"""The tables of the report: what results say, in rows of words and numbers."""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np
from scipy.spatial import cKDTree

from ..audit import Audit
from ..audit.result import KIND_WORDS
from ..checking.result import CheckResult
from ..fit.sources import GIVEN_WORDS, OWN_WORDS, told_own
from ..layers import FEW_STARS, ProfileMap
from ..stars import FLAG_REASONS, Flag, flag_tally, flag_words
from .tables import floats_of, plain

HAS_OWN_PLACE = (
    "frame",
    "route",
    "why this route",
    "note",
)  # rows of a result that the page shows elsewhere
NOTABLE_OF_A_KIND = 5  # stars of a kind in the table of notable stars
SAME_STAR_PX = 2.0
MISSING = "–"

SOURCES_HEAD = ("where the colour is from", "stars", "typical error of B−V, mag")
SHAPES_HEAD = ("channel", "FWHM, px", "lowest axis ratio", "its long axis", "stars it rests on")
NOTABLE_HEAD = (
    "star, y from the bottom",
    "listed as",
    "V",
    "B−V, catalogue",
    "B−V, given",
    "where that is from",
    "hue before",
    "flags",
)
WORST_HEAD = ("star, y from the bottom", "hue", "Duv")
FLAGS_HEAD = ("flag", "stars", "what it means")
SETTINGS_HEAD = ("setting", "value", "name in result.json")
FILE_TEXTS = {
    "picture.fits": "the picture, linear float32, with the header of the input",
    "picture.tif": "the picture, 16-bit",
    "stars.ecsv": "the star table: positions, fluxes, catalogue, flags",
    "result.json": "this result for programs",
    "picture.png": "the picture in the format it came in",
    "after.png": "the picture to show, stretched, whole",
    "after.tif": "the same in 16 bits",
    "before-after.png": "before and after, side by side",
    "report.html": "this page",
    "starless.fits": "the frame without its stars",
    "stars.fits": "the stars alone, in their new colours",
}
SETTING_TEXTS = {
    "frame": "frame",
    "red": "red channel",
    "green": "green channel",
    "blue": "blue channel",
    "wcs": "WCS taken from",
    "full_scale": "value in the file that means full scale",
    "ra": "right ascension of the middle, as told",
    "dec": "declination of the middle, as told",
    "object": "object near the middle, as told",
    "scale": "size of a pixel, as told, arcsec",
    "catalogue": "star catalogue",
    "columns": "columns of that table",
    "bands": "response curves of the channels",
    "online": "network allowed",
    "timeout": "patience with the network, s",
    "snr": "detection threshold, sigma",
    "neutral_bv": "B−V of the star that comes out neutral",
    "model": "what is fitted to the catalogue",
    "gains": "gain of R, its error, gain of B, its error, as told",
    "assume_linear": "frame taken as linear untested",
    "leave_out": "stars left out of the fit by hand",
    "sky": "background after calibration",
    "tiff": "16-bit TIFF written, too",
    "route": "source of star colours asked for",
    "bv": "B−V of the palette",
    "spread": "spread of the palette, mag",
    "warmth": "warmth, 1 is true",
    "saturation": "saturation, 1 is true",
    "star_brightness": "brightness of the stars, 1 is as before",
    "star_size": "size of the stars, 1 is as before",
    "faintest_mag": "faintest star kept, V",
    "brightest": "how many stars are kept",
    "clipped_cores": "burnt-out cores of stars",
    "star_strength": "strength of the stars' own stretch, 1 is as found",
    "starless": "starless version given",
    "star_frame": "separate star frame",
    "black": "black point of the display, 0 is as found",
    "strength": "strength of the display's stretch, 1 is as found",
}
TYCHO = "Tycho-2: Hoeg et al. 2000, A&A 355, L27 (CDS I/259)"
ATTRIBUTIONS = {
    "Tycho-2": f"{TYCHO}, and Hipparcos: van Leeuwen 2007, A&A 474, 653 (CDS I/311), ESA; B-V "
    f"mapped to the Johnson "
    "system",
    "Tycho-2 "
    "(online)": f"{TYCHO}, through the VizieR service (Ochsenbein, Bauer & Marcout 2000, A&AS 143, "
    f"23)",
    "Gaia DR3": "Gaia DR3: Gaia Collaboration, Vallenari et al. 2023, A&A 674, A1; data from the "
    "European Space Agency "
    "mission Gaia, processed by the Gaia Data Processing and Analysis Consortium; B-V from "
    "its synthetic photometry (Montegriffo et al. 2023, A&A 674, A33) or its BP-RP, of the "
    f"brightest stars from {TYCHO}",
    "APASS DR9": "APASS DR9: Henden et al. 2016 (CDS II/336), funded by the Robert Martin Ayers "
    "Sciences Fund and the "
    "US National Science Foundation, through the VizieR service (Ochsenbein, Bauer & Marcout 2000, "
    "A&AS "
    "143, 23)",
}
COLOUR_SOURCE = (
    "The colours that real stars have: spectra of Pickles 1998, PASP 110, 863, through the CIE "
    "1931 "
    "colour matching functions"
)


def number_rows(result: CheckResult) -> list[tuple[str, str]]:
    """What was measured of the frame, and how well."""
    rows = [
        (name, text)
        for name, text in result.rows()
        if name not in HAS_OWN_PLACE and not name.startswith("flagged ")
    ]
    rows += _colour_error_rows(result) + _linearity_rows(result)
    if result.matrix is None:
        return rows
    return [row for row in rows if row[0] != "matrix"] + _matrix_rows(result.matrix.matrix)


def _colour_error_rows(result: CheckResult) -> list[tuple[str, str]]:
    before, after = result.verdict.colour_error_before, result.verdict.colour_error_after
    if before is None or after is None or not result.gains_may_serve:
        return []
    text = (
        f"{before:.4f} before, {after:.4f} after the gains: median distance of the used stars "
        "in u′v′ from the colour of their B−V (0.004 is just seen)"
    )
    return [("colour error", text)]


def _linearity_rows(result: CheckResult) -> list[tuple[str, str]]:
    linearity = result.linearity
    if not np.isfinite(linearity.brightness):
        return []
    text = (
        f"a star 1 mag brighter in the catalogue is {linearity.brightness:.2f} ± "
        f"{linearity.brightness_error:.2f} mag brighter here (1 is linear)"
    )
    return [("linearity", text)]


def _matrix_rows(matrix: np.ndarray) -> list[tuple[str, str]]:
    return [
        (f"matrix, {channel}", "  ".join(f"{value:+.4f}" for value in row))
        for channel, row in zip(("red", "green", "blue"), matrix, strict=True)
    ]


def source_rows(result: CheckResult) -> list[tuple[str, str, str]]:
    """How many stars have their colour from where, the most frequent first; none if stars were not
    coloured."""
    stars = result.stars
    if "colour_source" not in stars.colnames:
        return []
    source, error = np.asarray(stars["colour_source"]), np.asarray(stars["colour_bv_error_mag"])
    names, counts = np.unique(source, return_counts=True)
    medians = [np.median(error[source == name]) for name in names]
    texts = [f"{median:.2f}" if np.isfinite(median) else "" for median in medians]
    order = np.argsort(-counts, kind="stable")
    return [(_from_where(names[i]), str(counts[i]), texts[i]) for i in order]


def _from_where(source: str) -> str:
    """What a source of colours is to a photographer."""
    words = {"": "no star"} | OWN_WORDS | GIVEN_WORDS
    return words.get(source, str(source))


def own_line(result: CheckResult) -> str:
    """How many stars have a colour of their own, as a sentence; empty if stars were not
    coloured."""
    if "colour_source" not in result.stars.colnames:
        return ""
    told = told_own(np.asarray(result.stars["colour_source"]))
    return f"{told[0].upper()}{told[1:]}."


def shape_rows(shapes: ProfileMap) -> list[tuple[str, ...]]:
    """What the stars of each channel are like, narrowest to widest."""
    rows = []
    for name, found in shapes.to_dict().items():
        narrowest, widest = found["fwhm_px"]
        few = " (too few to be sure)" if found["stars"] < FEW_STARS else ""
        rows.append(
            (
                name,
                f"{narrowest:.2f} to {widest:.2f}",
                f"{found['axis_ratio']:.2f}",
                f"{found['long_axis_deg']:.0f}° from x towards y",
                f"{found['stars']}{few}",
            )
        )
    return rows


def audit_rows(audits: Sequence[Audit]) -> list[tuple[str, ...]]:
    """Counts of the audits beside each other; the head names the pictures."""
    count_of = _counts(dict.fromkeys(reason for audit in audits for reason in audit.unknown))
    return [
        (name, *(str(count(audit)) for audit in audits)) for name, count in count_of.items()
    ]


def _counts(reasons: Iterable[str]) -> dict[str, Callable[[Audit], int]]:
    """How to get each count of an audit, by its name in the table."""
    count_of: dict[str, Callable[[Audit], int]] = {
        "stars found": lambda audit: audit.n_found,
        "stars measured": lambda audit: audit.n_judged,
    }
    for kind, words in KIND_WORDS.items():
        name = words if words.startswith("impossible") else f"{kind} ({words})"
        count_of[name] = lambda audit, kind=kind: audit.kinds[kind]
    count_of["rims compared with cores"] = lambda audit: audit.n_rims
    count_of["rims of visibly another colour"] = lambda audit: audit.n_fringed
    for reason in reasons:
        name = f"not measured: {reason}"
        count_of[name] = lambda audit, reason=reason: audit.unknown.get(reason, 0)
    return count_of


def flag_rows(result: CheckResult) -> list[tuple[str, str, str]]:
    """Why stars were not used: how many carry each flag."""
    flags = np.asarray(result.stars["flags"])
    tally = flag_tally(flags)
    rows = [
        ("no flag", np.count_nonzero(flags == 0), "nothing speaks against it"),
        *((flag_words(flag), tally[flag.name.lower()], FLAG_REASONS[flag]) for flag in Flag),
    ]
    return [(name, str(count), why) for name, count, why in rows if count]


def notable_rows(result: CheckResult, before: Audit | None = None) -> list[tuple[str, ...]]:
    """Stars worth a look, with what is known of them: the brightest, the worst colours, the
    outliers of the fit."""
    nearest = _rows_in(before, result) if before is not None else {}
    rows_of = {
        "bright": _brightest_rows(result),
        "worst colour before": _worst_rows(before, nearest),
        "outlier of the fit": _outliers(result),
    }
    listed: dict[int, list[str]] = {}
    for kind, rows in rows_of.items():
        for row in rows[:NOTABLE_OF_A_KIND]:
            listed.setdefault(int(row), []).append(kind)
    hues = _hues(before, nearest)
    return [
        _star_row(result.stars, row, kinds, hues.get(row, MISSING))
        for row, kinds in listed.items()
    ]


def _hues(before: Audit | None, nearest: Mapping[int, int]) -> dict[int, str]:
    """The hue of each row of the result that the audit has judged."""
    if before is None:
        return {}
    hue = np.asarray(before.stars["hue"])
    judged = np.asarray(before.stars["kind"]) != "unknown"
    return {row: str(hue[place]) for place, row in nearest.items() if judged[place]}


def _brightest_rows(result: CheckResult) -> np.ndarray:
    order = np.argsort(-np.nan_to_num(np.asarray(result.stars["flux_G"])))
    return order[np.asarray(result.stars["flags"])[order] & (Flag.SHAPE | Flag.EDGE) == 0]


def _worst_rows(before: Audit | None, nearest: Mapping[int, int]) -> list[int]:
    if before is None:
        return []
    order = np.argsort(-np.abs(np.asarray(before.stars["duv"])))
    worst = order[before.impossible[order]]
    return [nearest[place] for place in worst.tolist() if place in nearest]


def _outliers(result: CheckResult) -> np.ndarray:
    if result.fit is None:
        return np.empty(0, int)
    clipped = np.flatnonzero(~result.fit.used)
    far = np.hypot(*result.fit.residual_mag[:, clipped])
    return result.fitted[clipped[np.argsort(-far)]]


def _rows_in(audit: Audit, result: CheckResult) -> dict[int, int]:
    """Which star of the result each star of an audit is."""
    if not len(result.stars):
        return {}
    own, others = (
        np.column_stack([np.asarray(stars[name]) for name in ("x_px", "y_px")])
        for stars in (result.stars, audit.stars)
    )
    distance, row = cKDTree(own).query(others)
    return {int(place): int(row[place]) for place in np.flatnonzero(distance <= SAME_STAR_PX)}


def _star_row(stars, row: int, kinds: Sequence[str], hue: str) -> tuple[str, ...]:
    flags = [flag_words(flag) for flag in Flag if stars["flags"][row] & flag]
    known = "colour_source" in stars.colnames
    source = _from_where(stars["colour_source"][row]) if known else MISSING
    return (
        f"x {float(stars['x_px'][row]):.0f}, y {float(stars['y_px'][row]):.0f}",
        ", ".join(kinds),
        _value(stars, row, "v_mag"),
        _value(stars, row, "bv_mag"),
        _value(stars, row, "colour_bv_mag"),
        source,
        hue,
        ", ".join(flags) or "none",
    )


def _value(stars, row: int, name: str) -> str:
    value = floats_of(stars, name)[row]
    return f"{value:.2f}" if np.isfinite(value) else MISSING


def worst_rows(audit: Audit, most: int) -> list[tuple[str, str, str]]:
    """Stars whose colours are impossible, the furthest from any star first: place, hue, distance
    from real stars."""
    stars = audit.stars[audit.impossible]
    stars = stars[np.argsort(-np.abs(stars["duv"]))][:most]
    return [
        (
            f"x {float(row['x_px']):.0f}, y {float(row['y_px']):.0f}",
            str(row["hue"]),
            f"{row['duv']:+.3f} ± {row['duv_error']:.3f}",
        )
        for row in stars
    ]


def setting_rows(settings: Mapping) -> list[tuple[str, str, str]]:
    """What was asked for, in words; what was not given is left out."""
    return [
        (SETTING_TEXTS.get(name, name.replace("_", " ")), _as_text(value), f"`{name}`")
        for name, value in settings.items()
        if value is not None and value != [] and value != ()
    ]


def _as_text(value) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return (
        value
        if isinstance(value, str)
        else json.dumps(plain(value), ensure_ascii=False, default=str)
    )


def attribution(catalogue: str) -> str:
    """Whose data a catalogue is."""
    return ATTRIBUTIONS.get(catalogue, f"Star catalogue: {catalogue}")


def attributions(result: CheckResult) -> list[str]:
    """Whose data the result rests on."""
    name = result.catalogue.name if result.catalogue is not None else ""
    return [*([attribution(name)] if name else []), COLOUR_SOURCE]
