"""Tables, figures, preview and report, from results invented here: every kind that a check can
give."""

import base64
import dataclasses
import io
import json
import subprocess
import sys
from html.parser import HTMLParser
from importlib.metadata import version

import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table
from campaigns import also
from matplotlib import pyplot
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

import starcal
from starcal.audit import Audit
from starcal.catalogue.columns import NAMES
from starcal.checking.result import CatalogueUse, CheckResult
from starcal.choices import Settings
from starcal.draw import plots, preview
from starcal.errors import OutputError, TooFewStars
from starcal.fit.contrasts import SecondMeasurement
from starcal.fit.gains import fit_gains, fit_matrix
from starcal.fit.verdict import (
    Verdict,
    decide,
    too_few,
    verdict_on_stretched,
    without_match,
    without_wcs,
)
from starcal.layers import ProfileMap
from starcal.place.locate import Located
from starcal.place.match import Match
from starcal.report import figures, listing, tables
from starcal.report import page as report
from starcal.report.crops import choose_crops
from starcal.stars import FLAG_REASONS, Flag
from starcal.stars.linearity import Linearity
from starcal.stars.noise import FrameNoise

DRAWS_FIGURES = True
SHAPE = (600, 900)
STARS, PAIRS, FITTED = 80, 50, 40
OUTLIER = 7  # place among the fitted stars
VOID = {
    "area",
    "base",
    "br",
    "col",
    "embed",
    "hr",
    "img",
    "input",
    "link",
    "meta",
    "source",
    "track",
    "wbr",
}


def star_table(n=STARS):
    rng = np.random.default_rng(11)
    table = Table(
        {
            "x_px": rng.uniform(0, SHAPE[1] - 1, n) * u.pix,
            "y_px": rng.uniform(0, SHAPE[0] - 1, n) * u.pix,
            "snr": rng.uniform(5, 500, n),
            "fwhm_px": np.full(n, 2.7) * u.pix,
            "roundness": np.full(n, 0.9),
            "flags": np.zeros(n, np.int32),
            "saturated_channels": np.full(n, "", "U3"),
        }
    )
    bv_mag = rng.uniform(-0.1, 1.6, n)
    for channel, slope in zip("RGB", (-0.5, 0.0, 0.8), strict=True):
        table[f"flux_{channel}"] = np.logspace(0, 2, n) * 10 ** (
            -0.4 * (slope * bv_mag + rng.normal(0, 0.02, n))
        )
        table[f"flux_error_{channel}"] = 0.01 * table[f"flux_{channel}"]
    table["bv_mag"] = bv_mag
    table["colour_bv_mag"] = np.where(np.arange(n) % 2, bv_mag, np.nan)
    table.meta.update(
        shape=SHAPE,
        clip_level=(0.98, np.nan, 1.0),
        snr_min=5.0,
        aperture_px=(4.1, 4.2, 4.3),
        noise=FrameNoise(
            sky=(0.1,) * 3,
            noise=(0.001,) * 3,
            electrons_per_unit=(np.inf, 1e5, np.float64(2e5)),
            gradient=(1.0, 2.0, 3.0),
        ),
    )
    return table


def a_match(credible=True):
    pairs = np.arange(PAIRS)
    x_px, y_px = (
        np.full(PAIRS + 6, 300.0),
        np.full(PAIRS + 6, 200.0),
    )  # 6 catalogue stars have no detection
    return Match(
        star=pairs,
        catalogue=pairs,
        separation_px=np.full(PAIRS, 0.1),
        mismatched=np.zeros(PAIRS, bool),
        in_frame=np.ones(PAIRS + 6, bool),
        x_px=x_px,
        y_px=y_px,
        offset_px=(3.0, -2.0),
        rotation_deg=0.01,
        scale_error=0.0,
        scatter_px=0.2,
        radius_px=1.0,
        chance_matches=4.5,
        credible=credible,
    )


def fitted_result(slopes=(-0.5, 0.8), model="gains"):
    stars, rows = star_table(), np.arange(FITTED)
    bv_mag = np.asarray(stars["bv_mag"][rows])
    rng = np.random.default_rng(5)
    flux = 10 ** (
        -0.4
        * (
            np.array([[slopes[0]], [0], [slopes[1]]]) * bv_mag
            + rng.normal(0, 0.02, (3, FITTED))
        )
    )
    flux *= np.array([0.5, 1.0, 0.7])[:, None]
    flux[2, OUTLIER] *= 40  # 4 mag too blue
    fit = fit_gains(flux, 0.01 * flux, bv_mag, np.full(FITTED, 0.02))
    stars["flags"][rows[~fit.used]] |= Flag.CLIPPED
    stars["flags"][FITTED:PAIRS] |= Flag.SATURATED
    stars["flags"][PAIRS:] |= Flag.NO_MATCH | Flag.FAINT
    matrix = (
        fit_matrix(flux[:, fit.used], np.ones((fit.n_used, 3)), fit.gains)
        if model == "matrix"
        else None
    )
    verdict = decide(fit, 0.0512, 0.0087)
    route = "gains" if verdict.verdict == "rescue" else "palette"
    return CheckResult(
        frame="m 31.fits",
        verdict=verdict,
        route=route,
        route_reason="calibration by gains serves",
        stars=stars,
        located=Located(how="own", match=a_match()),
        fit=fit,
        fitted=rows,
        matrix=matrix,
        linearity=Linearity(profile=0.99, profile_error=0.02, brightness=1.0),
        catalogue=CatalogueUse("Tycho-2", PAIRS + 6, 11.0),
        neutral_bv=0.65,
        notes=("scaled by type",),
    )


def unfitted_result(verdict, match, stars=None):
    catalogue = CatalogueUse("Tycho-2", PAIRS + 6, 11.0) if match is not None else None
    return CheckResult(
        frame="field.fits",
        verdict=verdict,
        route="palette",
        route_reason="no gains",
        stars=star_table() if stars is None else stars,
        located=Located(how="nowhere" if match is None else "own", match=match),
        linearity=Linearity(profile=0.5, profile_error=0.02),
        catalogue=catalogue,
        neutral_bv=0.65,
    )


OPEN = Verdict(
    "undecided",
    reasons=("0.30 +- 0.20 of that of real stars",),
    next_steps=("take `more` stars",),
    stars_needed=90,
)
KINDS = {
    "rescue": fitted_result,
    "matrix": lambda: fitted_result(model="matrix"),
    "no": lambda: fitted_result(slopes=(0.02, 0.01)),
    "undecided": lambda: dataclasses.replace(fitted_result(), verdict=OPEN, route="palette"),
    "too few": lambda: unfitted_result(too_few(3, PAIRS), a_match()),
    "no match": lambda: unfitted_result(without_match(a_match(False), STARS), a_match(False)),
    "no WCS": lambda: unfitted_result(without_wcs("CTYPE1"), None),
    "verdict_on_stretched": lambda: unfitted_result(
        verdict_on_stretched(Linearity(profile=0.5, profile_error=0.02)), None
    ),
    "no stars": lambda: unfitted_result(without_wcs("CTYPE1"), None, star_table(0)),
}


@pytest.fixture(params=KINDS)
def any_result(request):
    return KINDS[request.param]()


def a_picture(colour, shape=SHAPE):
    return np.ones((3, *shape), np.float32) * np.array(colour, np.float32)[:, None, None]


def an_audit(name, n_impossible=6, shape=SHAPE, n=30):
    """Stars on the real locus, but for magenta ones near the right edge."""
    rng = np.random.default_rng(8)
    stars = Table(
        {
            "x_px": rng.uniform(0, shape[1] / 2, n) * u.pix,
            "y_px": rng.uniform(0, shape[0], n) * u.pix,
            "kind": np.full(n, "possible", "U10"),
            "hue": np.full(n, "white", "U10"),
            "duv": np.zeros(n),
            "duv_error": np.full(n, 0.001),
            "u_prime": np.full(n, 0.2),
            "v_prime": np.full(n, 0.47),
            "fringe_uv": np.full(n, np.nan),
            "fringed": np.zeros(n, bool),
            "why_unknown": np.full(n, "", "U20"),
        },
        meta={"shape": shape},
    )
    bad = slice(0, n_impossible)
    stars["kind"][bad], stars["hue"][bad], stars["duv"][bad] = "magenta", "magenta", -0.05
    stars["x_px"][bad] = rng.uniform(0.9, 1, n_impossible) * shape[1]
    stars["y_px"][bad] = rng.uniform(0.1, 0.2, n_impossible) * shape[0]
    stars["kind"][-1], stars["why_unknown"][-1] = "unknown", "at the edge"
    return Audit(name, False, "as was said", 0.65, stars)


BEFORE, AFTER = (0.8, 0.2, 0.2), (0.2, 0.2, 0.8)


@pytest.fixture(autouse=True)
def _closed_figures():
    yield
    pyplot.close("all")


DRAWN = ("kind_of_result", "megabytes", "replaced", "drawn", "figures")


@pytest.fixture(autouse=True)
def _coarse_plots(monkeypatch, request):
    """Most tests do not look at the plots, which take most of the time."""
    if not any(word in request.node.name for word in DRAWN):
        monkeypatch.setattr(report, "png_of", lambda figure: b"not drawn")
    elif "megabytes" not in request.node.name:
        monkeypatch.setattr(figures, "PLOT_DPI", 30)


class Page(HTMLParser):
    """What a browser would make of the page: balanced tags, attributes, visible text, the data
    block."""

    def __init__(self, path):
        super().__init__()
        self.source = path.read_text(encoding="utf-8")
        self.open, self.attributes, self.images, self.texts, self.data = [], [], [], [], ""
        self.heads, self.language = [], ""
        self.feed(self.source)
        self.close()
        assert self.open == []
        self.text = " ".join(" ".join(self.texts).split())

    def handle_starttag(self, tag, attrs):
        self.attributes += attrs
        if tag == "img":
            self.images.append(dict(attrs))
        if tag == "th":
            self.heads.append(dict(attrs).get("scope"))
        if tag == "html":
            self.language = dict(attrs).get("lang")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open[-1:] == ["script"]:
            self.data += data if self.data == "" else ""  # the first; then comes the divider's
        elif self.open[-1:] != ["style"]:
            self.texts.append(data)


def page_of(tmp_path, result, **options):
    report.write_report(tmp_path / "report.html", result, **options)
    return Page(tmp_path / "report.html")


def as_shown(text):
    return text.replace("`", "").replace(" +- ", " ± ")


# --- the report -------------------------------------------------------------------------


@pytest.mark.slow
def test_every_kind_of_result_has_a_page(any_result, tmp_path):
    page = page_of(tmp_path, any_result, before=a_picture(BEFORE), after=a_picture(AFTER))
    shown = page.text.replace(" ", "")
    for sentence in (
        *any_result.verdict.reasons,
        *any_result.verdict.next_steps,
        any_result.route_reason,
        *any_result.notes,
    ):
        assert as_shown(sentence).replace(" ", "") in shown
    assert f"{len(any_result.stars)} stars found" in page.text
    assert json.loads(page.data) == any_result.to_dict()
    assert_readable_by_everyone(page)
    assert_nothing_is_fetched(page)


def assert_readable_by_everyone(page):
    """What WCAG 2.2 asks of pictures (1.1.1), tables (1.3.1) and language (3.1.1), as far as it can
    be counted."""
    assert page.images
    assert all(image["alt"] for image in page.images)
    assert len({image["alt"] for image in page.images}) == len(page.images)
    assert set(page.heads) <= {"row", "col"}
    assert page.language == "en"


def assert_nothing_is_fetched(page):
    for name, value in page.attributes:
        if name in ("src", "href", "srcset", "action", "data", "poster"):
            assert value.startswith("data:image/")
    assert "://" not in page.source
    assert "url(" not in page.source
    assert "@import" not in page.source


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["rescue", "no", "undecided"])
def test_the_verdict_comes_first_in_words(kind, tmp_path):
    page = page_of(tmp_path, KINDS[kind]())
    assert f"Star colours of m 31.fits {kind.capitalize()}: " in page.text


def test_the_numbers_of_the_fit_are_on_the_page(tmp_path):
    result = fitted_result()
    page = page_of(tmp_path, result)
    for number in (*result.fit.gains[[0, 2]], *result.fit.gain_errors[[0, 2]]):
        assert f"{number:.4f}" in page.text
    assert f"{result.fit.n_used} of {FITTED} clean matched stars" in page.text
    assert "chance alone would give 4.5" in page.text
    assert "0.0512 before, 0.0087 after" in page.text
    assert result.verdict.verdict == "rescue"
    assert "Rescue: calibration can give" in page.text
    assert "Hoeg et al. 2000" in page.text


@pytest.mark.slow
def test_gains_that_were_not_applied_are_called_so(tmp_path):
    gains, error = "gains, not applied", "0.0087 after"
    known = dataclasses.replace(OPEN, colour_error_before=0.05, colour_error_after=0.0087)
    page = page_of(tmp_path, dataclasses.replace(KINDS["undecided"](), verdict=known))
    assert gains in page.text
    assert error in page.text
    assert gains not in page_of(tmp_path, fitted_result(), overwrite=True).text


def test_where_gains_cannot_serve_no_number_says_that_they_would(tmp_path):
    other_way = SecondMeasurement(
        name="halves", channel="red", change=0.01, error=0.02, added_error=0.0
    )
    result = dataclasses.replace(KINDS["no"](), second=(other_way,))
    page = page_of(tmp_path, result)
    for number in (*result.fit.gains[[0, 2]], result.verdict.colour_error_after):
        assert f"{number:.4f}" not in page.text
    assert "do not give each its own colour" in page.text
    assert "measured in other ways" not in page.text
    assert result.to_dict()["second_measurements"]


def test_the_matrix_is_on_the_page(tmp_path):
    result = KINDS["matrix"]()
    page = page_of(tmp_path, result)
    for number in result.matrix.matrix.ravel():
        assert f"{number:+.4f}" in page.text


def test_the_tally_counts_each_flag_with_its_reason(tmp_path):
    page = page_of(tmp_path, fitted_result())
    assert f"no flag {FITTED - 1} " in page.text  # all fitted stars but the outlier
    assert f"saturated {PAIRS - FITTED} {FLAG_REASONS[Flag.SATURATED]}" in page.text
    assert f"outlier of the fit 1 {FLAG_REASONS[Flag.CLIPPED]}" in page.text
    assert FLAG_REASONS[Flag.DOUBLE] not in page.text  # nobody has it


@pytest.mark.slow
def test_settings_files_and_versions_are_on_the_page(tmp_path):
    asked = {
        "neutral_bv": 0.65,
        "sky": "grey",
        "tiff": False,
        "wcs": None,
        "leave_out": [],
        "new_thing": [1.5, 1.0],
    }
    page = page_of(
        tmp_path,
        fitted_result(),
        record={"settings": asked, "files": ["picture.fits", "extra.txt"]},
    )
    assert "B−V of the star that comes out neutral 0.65 neutral_bv" in page.text
    assert "background after calibration grey sky" in page.text
    assert "16-bit TIFF written, too no tiff" in page.text
    assert "new thing [1.5, 1.0] new_thing" in page.text
    assert "WCS taken from" not in page.text  # was not given
    assert "picture.fits the picture, linear float32" in page.text
    assert "extra.txt" in page.text
    for library in ("numpy", "scipy", "astropy", "photutils"):
        assert f"{library} {version(library)}" in page.text
    assert f"starcal {starcal.__version__}" in page.text


def test_every_setting_has_its_words():
    assert {field.name for field in dataclasses.fields(Settings)} == set(listing.SETTING_TEXTS)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["Tycho-2", *NAMES.values()])
def test_every_catalogue_is_acknowledged(name, tmp_path):
    """Authors and year, and for Gaia the words its consortium asks for (NOTICE.md)."""
    result = dataclasses.replace(fitted_result(), catalogue=CatalogueUse(name, 56, 11.0))
    text = page_of(tmp_path, result).text
    assert {
        "Tycho-2": "Hoeg et al. 2000",
        "Gaia DR3": "Gaia Data Processing and Analysis Consortium",
        "APASS DR9": "Henden et al. 2016",
        "Tycho-2 (online)": "Hoeg et al. 2000",
    }[name] in text
    assert "Pickles 1998" in text


def test_texts_cannot_break_the_page(tmp_path):
    evil = "<img src=x onerror=\"alert('1')\">&amp;</script><script>alert(2)</script>.fits"
    result = dataclasses.replace(fitted_result(), frame=evil, route_reason=evil, notes=(evil,))
    record = {"frame": evil, "settings": {evil: evil}, "files": [evil.replace("/", "")]}
    page = page_of(tmp_path, result, record=record)
    assert page.source.count("<script") == 2  # the record, and the divider
    assert "<img src=x" not in page.source
    # as text: title, heading, route, note, setting (words, value, name), file
    assert page.text.count("onerror") == 8
    assert json.loads(page.data) == record


@pytest.mark.slow
def test_a_file_name_that_is_not_unicode_spoils_no_output(tmp_path):
    result = dataclasses.replace(
        fitted_result(), frame="m\udcff31.fits"
    )  # how Python reads such a name from the disk
    assert "Star colours of m?31.fits" in page_of(tmp_path, result).text
    tables.write_json(tmp_path / "result.json", result.to_dict())
    assert (
        json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))["frame"]
        == "m?31.fits"
    )


@pytest.mark.slow
@pytest.mark.parametrize("shape", [(1000, 1000), *also(((4000, 6000),))])
def test_the_page_stays_below_five_megabytes(shape, tmp_path):
    """Pure noise is the worst that a picture can be; a page of it must still be small enough to
    send."""
    noise = np.random.default_rng(0).random((3, *shape), np.float32)
    page_of(
        tmp_path,
        fitted_result(),
        before=noise,
        after=noise,
        audits=(an_audit("before"), an_audit("after", 0)),
    )
    assert (tmp_path / "report.html").stat().st_size < 5e6


def decoded(image):
    return np.asarray(
        Image.open(io.BytesIO(base64.b64decode(image["src"].split(",", 1)[1]))).convert("RGB")
    )


@pytest.mark.slow
def test_pictures_are_shown_with_row_0_at_the_bottom(tmp_path):
    before = a_picture((0, 0, 0))
    before[:, :100] = 1
    whole = decoded(page_of(tmp_path, fitted_result(), before=before).images[0])
    assert whole.shape == (*SHAPE, 3)  # small pictures are not enlarged
    assert whole[-50].mean() > 250  # of 255; JPEG changes flat areas by a unit or two
    assert whole[50].mean() < 5


@pytest.mark.slow
def test_crops_are_the_pixels_themselves(tmp_path):
    result = fitted_result()
    noise = np.random.default_rng(1).integers(0, 256, (3, *SHAPE)).astype(np.float32)
    page = page_of(tmp_path, result, before=noise / 255, after=1 - noise / 255)
    crops = [decoded(image) for image in page.images if ", around x" in image["alt"]]
    places = choose_crops(noise / 255, result.stars)
    assert len(crops) == 2 * len(places)
    half = preview.CROP_PX // 2
    for (x, y, _), before, after in zip(places, crops[::2], crops[1::2], strict=True):
        corner = noise[:, round(y) - half : round(y) + half, round(x) - half : round(x) + half]
        assert np.array_equal(before.transpose(2, 0, 1)[:, ::-1], corner)
        assert np.array_equal(after.transpose(2, 0, 1)[:, ::-1], 255 - corner)


def shown(place, x_px, y_px):
    """Which points the square of a crop holds."""
    return (np.abs(x_px - place.x_px) <= preview.CROP_PX / 2) & (
        np.abs(y_px - place.y_px) <= preview.CROP_PX / 2
    )


def test_crops_show_the_worst_colours_the_brightest_star_and_the_nebula():
    stars, shape = star_table(), (1400, 1800)
    stars["x_px"], stars["y_px"] = (
        np.random.default_rng(3).uniform(20, 380, STARS) * u.pix for _ in "xy"
    )
    audit = an_audit("before", shape=shape)  # its impossible stars are on the right
    stars["x_px"][5], stars["y_px"][5], stars["flux_G"][5] = 900, 700, 1e4
    stars["x_px"][6], stars["y_px"][6], stars["flux_G"][6] = 100, 100, 1e5
    stars["flags"][5:7] = Flag.SHAPE
    stars["v_mag"] = np.where(np.arange(STARS) == 5, 8.0, np.nan)  # a star; the other is a knot
    picture = a_picture((0.1, 0.1, 0.1), shape)
    picture[:, 1000:, :500] = 0.5  # nebula
    picture[:, 700, 900] = 1
    bright, worst, nebula = choose_crops(picture, stars, [audit])
    assert worst.shows == "the worst colours before"
    inside = shown(
        worst, *(np.asarray(audit.stars[name])[audit.impossible] for name in ("x_px", "y_px"))
    )
    assert inside.sum() >= 3
    assert (bright.x_px, bright.y_px) == (900, 700)
    assert "nebula" in nebula.shows
    assert nebula.x_px < 500
    assert nebula.y_px > 1000


def test_the_worst_star_afterwards_is_shown_too_if_need_be_beside_the_brightest():
    stars, shape = star_table(), (1400, 1800)
    before, after = (an_audit(name, 2, shape) for name in ("before", "after"))
    for audit, x_px in ((before, 1000), (after, 1200)):
        audit.stars["x_px"][:2], audit.stars["y_px"][:2] = x_px, 700
    stars["x_px"][5], stars["y_px"][5], stars["flux_G"][5] = 900, 700, 1e4
    bright, worst, *_ = choose_crops(a_picture((0.1, 0.1, 0.1), shape), stars, [before, after])
    assert bright == (900, 700, "the brightest star and the worst colours before")
    assert worst == (1200, 700, "the worst colours after")
    after.stars["kind"][:2] = "possible"
    _, worst, *_ = choose_crops(a_picture((0.1, 0.1, 0.1), shape), stars, [before, after])
    assert worst == (1200, 700, "the oddest colour after, though possible")


def test_crops_do_not_overlap_and_show_what_they_can():
    """On a dark sky without an audit: the brightest star, then the extremes of colour."""
    stars = star_table(400)
    stars["x_px"], stars["y_px"] = (
        np.random.default_rng(5).uniform(0, side, 400) * u.pix for side in (3000, 2000)
    )
    places = choose_crops(a_picture((0.1, 0.1, 0.1), (2000, 3000)), stars)
    assert [place.shows.split(" of ")[0] for place in places] == [
        "the brightest star",
        "the reddest",
        "the bluest",
    ]
    for i, j in ((0, 1), (1, 2), (0, 2)):
        assert (
            max(abs(places[i].x_px - places[j].x_px), abs(places[i].y_px - places[j].y_px))
            >= preview.CROP_PX
        )
    bright = np.argsort(-stars["flux_G"])[:40]
    for place, bv_mag in zip(
        places[1:], (stars["bv_mag"][bright].max(), stars["bv_mag"][bright].min()), strict=True
    ):
        assert place.shows.endswith(f"B−V {bv_mag:.2f}")


def test_no_crops_without_anything_to_see():
    assert choose_crops(a_picture((0.1, 0.1, 0.1)), star_table(0)) == []


def test_crops_of_a_picture_smaller_than_a_crop(tmp_path):
    result = fitted_result()
    result.stars.meta["shape"] = (50, 70)
    result.stars["x_px"], result.stars["y_px"] = (
        result.stars["x_px"] / 20,
        result.stars["y_px"] / 20,
    )
    page = page_of(tmp_path, result, before=a_picture(BEFORE, (50, 70)))
    crops = [decoded(image).shape for image in page.images if ", around x" in image["alt"]]
    assert crops == [(50, 70, 3)]


@pytest.mark.parametrize("shape", [(600, 900), (600, 900, 3), (1, 600, 900)])
def test_a_picture_of_another_shape_is_refused_and_nothing_written(shape, tmp_path):
    with pytest.raises(ValueError, match=r"display pictures are \(3, y, x\)"):
        report.write_report(tmp_path / "report.html", fitted_result(), before=np.zeros(shape))
    with pytest.raises(ValueError, match=r"display pictures are \(3, y, x\)"):
        preview.write_pair(tmp_path / "before-after.png", np.zeros(shape), np.zeros(shape))
    assert list(tmp_path.iterdir()) == []


# --- figures ----------------------------------------------------------------------------


def marks(axes, label):
    """Positions of the marks of one kind, and their shape."""
    found = [c for c in axes.collections if c.get_label().startswith(label)]
    assert len(found) == 1
    return np.asarray(found[0].get_offsets()), found[0].get_paths()[0].vertices


def test_fit_figure_shows_each_star_the_line_and_the_gain():
    result = fitted_result()
    fit = result.fit
    for axes, band, gain in zip(result.plot_fit(), (0, 1), fit.gains[[0, 2]], strict=True):
        used, dot = marks(axes, "used")
        clipped, cross = marks(axes, "outliers")
        assert np.array_equal(
            used, np.column_stack([fit.bv_mag, fit.log_ratio_mag[band]])[fit.used]
        )
        assert np.array_equal(clipped[:, 0], fit.bv_mag[[OUTLIER]])
        assert dot.shape != cross.shape  # told apart without colour
        lines = {line.get_label(): np.array(line.get_data()) for line in axes.lines}
        at_white = np.interp(0.65, *lines["fit"])
        assert (
            abs(10 ** (0.4 * at_white) - gain) < 1e-3 * gain
        )  # linear interpolation in 100 steps of a bent line
        assert lines["gain read here"][:, 0] == pytest.approx(
            [0.65, at_white], abs=1e-3
        )  # mag, same reason
        low, high = axes.get_ylim()
        assert np.all(
            (clipped[:, 1] > low) & (clipped[:, 1] < high)
        )  # 4 mag away, yet on the panel


def test_residual_figure_shows_measured_minus_fit():
    result = fitted_result()
    for axes, residual in zip(result.plot_residuals(), result.fit.residual_mag, strict=True):
        used, _ = marks(axes, "used")
        assert np.array_equal(used[:, 1], residual[result.fit.used])


def test_figures_are_drawn_into_axes_that_are_given():
    mine = Figure().subplots(3, 2)
    result = fitted_result()
    assert np.array_equal(result.plot_fit(mine[0]), mine[0])
    assert np.array_equal(result.plot_residuals(list(mine[1])), mine[1])
    assert result.plot_map(mine[2, 0]) is mine[2, 0]
    assert result.plot_chromaticity(mine[2, 1]) is mine[2, 1]
    assert all(axes.collections for axes in mine.ravel())


def test_map_holds_every_star_once_and_each_kind_has_its_own_mark(any_result):
    groups = places_of(any_result)
    undetected = 6 if any_result.match is not None else 0
    assert sum(len(marks.x) for marks in groups) == len(any_result.stars) + undetected
    markers = [marks.style["marker"] for marks in groups]
    assert len(set(markers)) == len(markers)


def places_of(result):
    x_px, y_px = (np.asarray(result.stars[name]) for name in ("x_px", "y_px"))
    return plots.check_places(x_px, y_px, result.match, result.fit, result.fitted)


def test_map_is_the_frame_with_y_upwards():
    result = fitted_result()
    axes = result.plot_map()
    assert axes.get_xlim() == (-0.5, SHAPE[1] - 0.5)
    assert axes.get_ylim() == (-0.5, SHAPE[0] - 0.5)
    used, _ = marks(axes, "used")
    rows = result.fitted[result.fit.used]
    assert np.array_equal(
        used, np.column_stack([result.stars[name][rows] for name in ("x_px", "y_px")])
    )
    assert len(marks(axes, "in the catalogue, but flagged")[0]) == PAIRS - FITTED


def test_pairs_that_are_no_match_are_not_called_one():
    labels = [marks.label for marks in places_of(KINDS["no match"]())]
    assert f"paired, perhaps by chance ({PAIRS})" in labels
    assert not any("flagged" in label for label in labels)


@pytest.mark.parametrize("name", ["plot_fit", "plot_residuals", "plot_chromaticity"])
def test_without_a_fit_the_message_names_the_figure_that_works(name):
    result = KINDS["no WCS"]()
    with pytest.raises(TooFewStars, match=r"no usable WCS.*plot_map\(\) shows the stars"):
        getattr(result, name)()
    assert result.plot_map().collections


def test_five_stars_of_nearly_one_colour_can_be_drawn():
    result = fitted_result()
    flux = np.full((3, 5), 0.5)
    fit = fit_gains(flux, 0.01 * flux, np.linspace(0.649, 0.651, 5), np.full(5, 0.02))
    axes = dataclasses.replace(result, fit=fit, fitted=np.arange(5)).plot_fit()
    axes[0].figure.savefig(io.BytesIO(), format="png")


@pytest.mark.slow
def test_matplotlib_waits_until_something_is_drawn():
    """The last module may have it, but for the part that opens windows."""
    code = (
        "import sys, starcal.checking.result, starcal.audit, starcal.cure.stars\n"
        "print('matplotlib' in sys.modules)\n"
        "import starcal.report\nprint('matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["False", "False"]


def test_figures_of_the_callers_own_are_pyplots():
    """So they show in a notebook and by pyplot.show()."""
    axes = fitted_result().plot_map()
    assert axes.figure is pyplot.figure(axes.figure.number)


def test_chromaticity_shows_each_used_star_as_measured_and_after_gains():
    """The gains make the stars look as their B-V: nearer to the line of real stars than before."""
    result = fitted_result()
    axes = result.plot_chromaticity()
    locus = next(line for line in axes.lines if line.get_label() == "real stars").get_xydata()
    away = {}
    for label in ("as measured", "after gains"):
        colours, _ = marks(axes, label)
        assert len(colours) == result.fit.n_used
        away[label] = np.median([np.hypot(*(locus - colour).T).min() for colour in colours])
    assert (
        away["after gains"] < 0.01 < away["as measured"]
    )  # u'v'; a gain of 0.5 moves a star by 0.05 and more


@pytest.mark.parametrize("neutral_bv", [None, 0.3, 0.65, 1.0])
def test_no_line_strikes_the_labels_of_the_locus(neutral_bv):
    axes = plots.plot_chromaticity([], neutral_bv)
    axes.figure.draw_without_rendering()
    assert len(axes.texts) == len(plots.MARKED_BV_MAG)
    for text in axes.texts:
        box = Text.get_window_extent(text)  # of the words, without the line that leads to them
        assert axes.get_window_extent().x0 < box.x0
        for line in axes.lines:
            x, y = axes.transData.transform(line.get_xydata()).T
            fine = np.linspace(0, len(x) - 1, 5000)
            x, y = (np.interp(fine, np.arange(len(x)), values) for values in (x, y))
            assert not np.any((x > box.x0) & (x < box.x1) & (y > box.y0) & (y < box.y1))


def test_map_by_source_has_a_mark_of_its_own_for_each():
    sources = np.array([*plots.BY_SOURCE] * 2)
    groups = plots.source_places(np.arange(len(sources)), np.zeros(len(sources)), sources)
    assert [len(marks.x) for marks in groups] == [2] * len(plots.BY_SOURCE)
    assert len({marks.style["marker"] for marks in groups}) == len(groups)


# --- preview ----------------------------------------------------------------------------


def halves(path):
    """Left and right picture of a preview, without labels and gap, as numbers in [0, 1]."""
    image = np.asarray(Image.open(path).convert("RGB")) / 255
    width = (image.shape[1] - 8) // 2
    return image[28:, :width], image[28:, width + 8 :]


def test_before_is_on_the_left_and_after_on_the_right(tmp_path):
    preview.write_pair(tmp_path / "p.png", a_picture(BEFORE), a_picture(AFTER))
    for half, colour in zip(halves(tmp_path / "p.png"), (BEFORE, AFTER), strict=True):
        assert half.shape == (*SHAPE, 3)
        assert np.abs(half - colour).max() <= 0.5 / 255 + 1e-6  # rounding to 8 bits


def test_each_picture_of_the_preview_has_a_label(tmp_path):
    preview.write_pair(tmp_path / "p.png", a_picture(BEFORE), a_picture(AFTER))
    strip = np.asarray(Image.open(tmp_path / "p.png").convert("L"))[:28]
    left, right = strip[:, : SHAPE[1]], strip[:, SHAPE[1] :]
    assert left.max() > 200
    assert right.max() > 200
    assert not np.array_equal(left[:, :80], right[:, 8:88])  # not the same word


def test_preview_is_small_and_keeps_light_and_proportions(tmp_path):
    """Halving by area keeps the mean of a picture; orientation as in the report: row 0 at the
    bottom.

    Pixels are rounded to 8 bits three times: at first, after the rows, after the columns.
    """
    rng = np.random.default_rng(2)
    picture = rng.random((3, 64, 2 * preview.PREVIEW_WIDTH_PX), np.float32)
    picture[:, :32] *= 0.2
    preview.write_pair(tmp_path / "p.png", picture, picture)
    left, _ = halves(tmp_path / "p.png")
    assert left.shape == (32, preview.PREVIEW_WIDTH_PX, 3)
    assert (
        np.abs(left[::-1].mean(axis=(0, 1)) - picture.mean(axis=(1, 2))).max() < 0.7 / 255
    )  # halves are rounded up
    blocks = picture.reshape(3, 32, 2, -1, 2).mean(axis=(2, 4)).transpose(1, 2, 0)
    assert np.abs(left[::-1] - blocks).max() <= 1.51 / 255


def test_a_picture_thinner_than_it_is_made_smaller_is_shown():
    """A strip of a scan: 4 rows of 4000 pixels, made 8 times smaller."""
    strip = a_picture((0.2, 0.4, 0.8), (4, 4000))
    image = preview.to_image(preview.Shown((strip,), lambda part: part), width_px=500)
    assert image.size == (500, 1)
    np.testing.assert_allclose(np.asarray(image)[0, 250], [51, 102, 204], atol=1)  # of rounding
    assert preview.thinned(strip).shape[1] == 1


def test_preview_shows_nan_and_what_is_out_of_range_as_black_and_white(tmp_path):
    picture = a_picture((0.5, 0.5, 0.5), (40, 60))
    picture[:, 0, 0], picture[:, 0, 1], picture[:, 0, 2], picture[:, 0, 3] = (
        np.nan,
        -3,
        7,
        np.inf,
    )
    preview.write_pair(tmp_path / "p.png", picture, picture)
    left, _ = halves(tmp_path / "p.png")
    assert left[-1, :4, 0].tolist() == [0, 0, 1, 1]


# --- tables -----------------------------------------------------------------------------


def test_star_table_reads_back_with_units_flags_and_their_meaning(tmp_path):
    stars = fitted_result().stars
    stars["saturated_channels"][3:5] = ["RB", "G"]
    tables.write_stars(tmp_path / "stars.ecsv", stars)
    back = Table.read(tmp_path / "stars.ecsv", format="ascii.ecsv")
    assert back.colnames == stars.colnames
    assert np.array_equal(back["flags"], stars["flags"])
    assert back["flags"].dtype == np.int32
    assert (
        back["saturated_channels"].filled("").tolist() == stars["saturated_channels"].tolist()
    )
    for name in ("x_px", "flux_R", "bv_mag", "colour_bv_mag"):
        assert np.array_equal(np.asarray(back[name]), np.asarray(stars[name]), equal_nan=True)
    assert (back["x_px"].unit, back["bv_mag"].unit, back["flux_R"].unit) == (u.pix, u.mag, None)
    assert all(back[name].description for name in back.colnames)
    told = back.meta["flags"]
    assert told == {
        flag.value: f"{flag.name.lower()}: {reason}" for flag, reason in FLAG_REASONS.items()
    }
    assert len(told) == len(Flag)
    assert back.meta["noise"]["electrons_per_unit"] == [np.inf, 1e5, 2e5]
    assert back.meta["shape"] == list(SHAPE)


def test_writing_leaves_the_table_as_it_was(tmp_path):
    stars = star_table()
    tables.write_stars(tmp_path / "stars.ecsv", stars)
    assert stars["bv_mag"].unit is None
    assert isinstance(stars.meta["noise"], FrameNoise)
    assert "flags" not in stars.meta


def test_a_table_without_stars_can_be_written(tmp_path):
    tables.write_stars(tmp_path / "stars.ecsv", star_table(0))
    back = Table.read(tmp_path / "stars.ecsv", format="ascii.ecsv")
    assert len(back) == 0
    assert back["y_px"].unit == u.pix


def test_json_reads_back(tmp_path, any_result):
    tables.write_json(tmp_path / "result.json", any_result.to_dict())
    assert (
        json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))
        == any_result.to_dict()
    )


def test_json_holds_no_nan(tmp_path):
    with pytest.raises(ValueError, match="not JSON compliant"):
        tables.write_json(tmp_path / "result.json", {"gain": float("nan")})
    assert not (tmp_path / "result.json").exists()


# --- all outputs ------------------------------------------------------------------------


WRITERS = {
    "stars.ecsv": lambda path, **options: tables.write_stars(path, star_table(), **options),
    "result.json": lambda path, **options: tables.write_json(path, {"a": 1}, **options),
    "before-after.png": lambda path, **options: preview.write_pair(
        path, a_picture(BEFORE), a_picture(AFTER), **options
    ),
    "report.html": lambda path, **options: report.write_report(
        path, fitted_result(), **options
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", WRITERS)
def test_an_existing_output_is_replaced_only_when_asked(name, tmp_path):
    path = tmp_path / name
    path.write_bytes(b"precious")
    with pytest.raises(OutputError, match=r"exists.*--overwrite"):
        WRITERS[name](path)
    assert path.read_bytes() == b"precious"
    WRITERS[name](path, overwrite=True)
    assert path.read_bytes() != b"precious"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.slow
def test_the_shapes_of_the_stars_are_drawn_and_few_stars_said(tmp_path):
    """Widths and directions of the map, and that two stars are too few to be sure."""
    width = np.full((3, 7, 9), 2.5)
    width[:, -1, -1] = 3.75
    shapes = ProfileMap(
        shape=(200, 300),
        x_px=np.linspace(16, 283, 9),
        y_px=np.linspace(14, 185, 7),
        fwhm_px=width,
        axis_ratio=np.full((3, 7, 9), 0.8),
        long_axis_deg=np.full((3, 7, 9), 30.0),
        stars=(2, 40, 40),
        degree=(1, 0),
    )
    report.write_report(tmp_path / "report.html", fitted_result(), shapes=shapes)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Shapes of the stars" in page
    assert "stars are 2.5 to 3.8 px wide" in page
    red, green, _ = listing.shape_rows(shapes)
    assert red == (
        "R",
        "2.50 to 3.75",
        "0.80",
        "30° from x towards y",
        "2 (too few to be sure)",
    )
    assert green[-1] == "40"
    np.testing.assert_allclose(shapes.mean()[2], 30)


def test_figures_have_all_that_is_written_and_little_white_round_it():
    """Two panels with a wide legend: nothing is cut at the rim, and numbers of one panel end
    before the other begins."""
    figure = Figure((10, 4))
    axes = figure.subplots(1, 2)
    for panel in axes:
        panel.plot([0, 1], [1e-4, 1.2345e-4], label="a curve that has a rather long name")
        panel.set(title="title", xlabel="x", ylabel="y")
        panel.legend(loc="upper center", bbox_to_anchor=(0.5, 0), borderaxespad=4)
    image = Image.open(io.BytesIO(figures.png_of(figure)))
    ink = np.asarray(image.convert("L")) < 255
    rim = round(figures.RIM_INCHES * figures.PLOT_DPI)
    for axis in (0, 1):
        lines = np.flatnonzero(ink.any(axis=axis))
        assert lines[0] == rim
        assert lines[-1] == ink.shape[1 - axis] - 1 - rim
    extents = [panel.get_tightbbox() for panel in axes]
    assert extents[0].x1 < extents[1].x0
    assert extents[0].x0 > 0
    assert extents[1].x1 < figure.bbox.x1
    assert extents[0].y0 > 0
