"""Tables, figures, preview and report, from results invented here: every kind that a check can give."""

import base64
import dataclasses
import io
import json
import subprocess
import sys
from html.parser import HTMLParser

import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table
from matplotlib.figure import Figure
from PIL import Image

from starcal import preview, report
from starcal.background import FrameNoise
from starcal.errors import OutputError, TooFewStars
from starcal.fit import fit_gains, fit_matrix
from starcal.linearity import Linearity
from starcal.match import Match
from starcal.plots import map_groups, plot_fit, plot_map, plot_residuals
from starcal.result import CatalogueUse, CheckResult
from starcal.stars import FLAG_REASONS, Flag
from starcal.verdict import Verdict, decide, stretched, too_few, without_match, without_wcs

SHAPE = (600, 900)
STARS, PAIRS, FITTED = 80, 50, 40
OUTLIER = 7  # place among the fitted stars
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


def star_table(n=STARS):
    rng = np.random.default_rng(11)
    table = Table({"x_px": rng.uniform(0, SHAPE[1] - 1, n) * u.pix, "y_px": rng.uniform(0, SHAPE[0] - 1, n) * u.pix,
                   "snr": rng.uniform(5, 500, n), "fwhm_px": np.full(n, 2.7) * u.pix, "roundness": np.full(n, 0.9),
                   "flags": np.zeros(n, np.int32), "saturated_channels": np.full(n, "", "U3")})
    bv_mag = rng.uniform(-0.1, 1.6, n)
    for channel, slope in zip("RGB", (-0.5, 0.0, 0.8), strict=True):
        table[f"flux_{channel}"] = np.logspace(0, 2, n) * 10 ** (-0.4 * (slope * bv_mag + rng.normal(0, 0.02, n)))
        table[f"flux_error_{channel}"] = 0.01 * table[f"flux_{channel}"]
    table["bv_mag"] = bv_mag
    table["colour_bv_mag"] = np.where(np.arange(n) % 2, bv_mag, np.nan)
    table.meta.update(shape=SHAPE, clip_level=(0.98, np.nan, 1.0), snr_min=5.0, aperture_px=(4.1, 4.2, 4.3),
                      noise=FrameNoise((0.1,) * 3, (0.001,) * 3, (np.inf, 1e5, np.float64(2e5)), (1.0, 2.0, 3.0)))
    return table


def a_match(credible=True):
    pairs = np.arange(PAIRS)
    x_px, y_px = np.full(PAIRS + 6, 300.0), np.full(PAIRS + 6, 200.0)  # 6 catalogue stars have no detection
    return Match(pairs, pairs, np.full(PAIRS, 0.1), np.zeros(PAIRS, bool), np.ones(PAIRS + 6, bool), x_px, y_px,
                 (3.0, -2.0), 0.01, 0.0, 0.2, 1.0, 4.5, credible)


def fitted_result(slopes=(-0.5, 0.8), model="gains"):
    stars, rows = star_table(), np.arange(FITTED)
    bv_mag = np.asarray(stars["bv_mag"][rows])
    rng = np.random.default_rng(5)
    flux = 10 ** (-0.4 * (np.array([[slopes[0]], [0], [slopes[1]]]) * bv_mag + rng.normal(0, 0.02, (3, FITTED))))
    flux *= np.array([0.5, 1.0, 0.7])[:, None]
    flux[2, OUTLIER] *= 40  # 4 mag too blue
    fit = fit_gains(flux, 0.01 * flux, bv_mag, np.full(FITTED, 0.02))
    stars["flags"][rows[~fit.used]] |= Flag.CLIPPED
    stars["flags"][FITTED:PAIRS] |= Flag.SATURATED
    stars["flags"][PAIRS:] |= Flag.NO_MATCH | Flag.FAINT
    matrix = fit_matrix(flux[:, fit.used], np.ones((fit.n_used, 3)), fit.gains) if model == "matrix" else None
    verdict = decide(fit, 0.0512, 0.0087)
    route = "gains" if verdict.verdict == "rescue" else "palette"
    return CheckResult("m 31.fits", verdict, route, "calibration by gains serves", stars, a_match(), fit, rows, matrix,
                       Linearity(0.99, 0.02, 1.0), CatalogueUse("Tycho-2", PAIRS + 6, 11.0), 0.65, ("scaled by type",))


def unfitted_result(verdict, match, stars=None):
    catalogue = CatalogueUse("Tycho-2", PAIRS + 6, 11.0) if match is not None else None
    return CheckResult("field.fits", verdict, "palette", "no gains", star_table() if stars is None else stars, match,
                       None, np.empty(0, int), None, Linearity(profile=0.5, profile_error=0.02), catalogue, 0.65)


OPEN = Verdict("undecided", reasons=("0.30 +- 0.20 of that of real stars",), next_steps=("take `more` stars",),
               stars_needed=90)
KINDS = {
    "rescue": fitted_result,
    "matrix": lambda: fitted_result(model="matrix"),
    "no": lambda: fitted_result(slopes=(0.02, 0.01)),
    "undecided": lambda: dataclasses.replace(fitted_result(), verdict=OPEN, route="palette"),
    "too few": lambda: unfitted_result(too_few(3, PAIRS), a_match()),
    "no match": lambda: unfitted_result(without_match(a_match(False), STARS), a_match(False)),
    "no WCS": lambda: unfitted_result(without_wcs("CTYPE1"), None),
    "stretched": lambda: unfitted_result(stretched(Linearity(profile=0.5, profile_error=0.02)), None),
    "no stars": lambda: unfitted_result(without_wcs("CTYPE1"), None, star_table(0)),
}


@pytest.fixture(params=KINDS)
def any_result(request):
    return KINDS[request.param]()


def a_picture(colour, shape=SHAPE):
    return np.ones((3, *shape), np.float32) * np.array(colour, np.float32)[:, None, None]


BEFORE, AFTER = (0.8, 0.2, 0.2), (0.2, 0.2, 0.8)


@pytest.fixture(autouse=True)
def _coarse_plots(monkeypatch, request):
    """Most tests do not look at the plots, which take most of the time."""
    if "megabytes" not in request.node.name:
        monkeypatch.setattr(report, "PLOT_DPI", 30)


class Page(HTMLParser):
    """What a browser would make of the page: balanced tags, attributes, visible text, the data block."""

    def __init__(self, path):
        super().__init__()
        self.source = path.read_text(encoding="utf-8")
        self.open, self.attributes, self.images, self.texts, self.data = [], [], [], [], ""
        self.feed(self.source)
        self.close()
        assert self.open == []
        self.text = " ".join(" ".join(self.texts).split())

    def handle_starttag(self, tag, attrs):
        self.attributes += attrs
        if tag == "img":
            self.images.append(dict(attrs))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open[-1:] == ["script"]:
            self.data += data
        elif self.open[-1:] != ["style"]:
            self.texts.append(data)


def page_of(tmp_path, result, **options):
    report.write_report(tmp_path / "report.html", result, **options)
    return Page(tmp_path / "report.html")


def as_shown(text):
    return text.replace("`", "").replace(" +- ", " ± ")


# --- the report ------------------------------------------------------------------------------------------------


def test_every_kind_of_result_has_a_page(any_result, tmp_path):
    page = page_of(tmp_path, any_result, before=a_picture(BEFORE), after=a_picture(AFTER))
    shown = page.text.replace(" ", "")
    for sentence in (*any_result.verdict.reasons, *any_result.verdict.next_steps, any_result.route_reason,
                     *any_result.notes):
        assert as_shown(sentence).replace(" ", "") in shown
    assert f"{len(any_result.stars)} stars were found" in page.text
    assert json.loads(page.data) == any_result.to_dict()
    assert all(image["alt"] for image in page.images)
    assert_nothing_is_fetched(page)


def assert_nothing_is_fetched(page):
    for name, value in page.attributes:
        if name in ("src", "href", "srcset", "action", "data", "poster"):
            assert value.startswith("data:image/")
    assert "://" not in page.source
    assert "url(" not in page.source
    assert "@import" not in page.source


@pytest.mark.parametrize("kind", ["rescue", "no", "undecided"])
def test_the_verdict_comes_first_in_words(kind, tmp_path):
    page = page_of(tmp_path, KINDS[kind]())
    assert f"Star colours of m 31.fits {kind.capitalize()}: " in page.text


def test_the_numbers_of_the_fit_are_on_the_page(tmp_path):
    result = fitted_result()
    page = page_of(tmp_path, result)
    for number in (*result.fit.gains, *result.fit.gain_errors):
        assert f"{number:.4f}" in page.text
    assert f"{result.fit.n_used} of {FITTED} clean matched stars" in page.text
    assert "chance alone would give 4.5" in page.text
    assert "0.0512 before, 0.0087 after" in page.text
    assert result.verdict.verdict == "rescue"
    assert "Rescue: calibration can give" in page.text
    assert "Hoeg et al. 2000" in page.text


def test_gains_that_were_not_applied_are_called_so(tmp_path):
    page = page_of(tmp_path, KINDS["no"]())
    assert "gains, not applied" in page.text
    assert "gains, not applied" not in page_of(tmp_path, fitted_result(), overwrite=True).text


def test_the_matrix_is_on_the_page(tmp_path):
    result = KINDS["matrix"]()
    page = page_of(tmp_path, result)
    for number in result.matrix.matrix.ravel():
        assert f"{number:+.4f}" in page.text


def test_the_tally_counts_each_flag_with_its_reason(tmp_path):
    page = page_of(tmp_path, fitted_result())
    assert f"no flag {FITTED - 1} " in page.text  # all fitted stars but the outlier
    assert f"saturated {PAIRS - FITTED} {FLAG_REASONS[Flag.SATURATED]}" in page.text
    assert f"clipped 1 {FLAG_REASONS[Flag.CLIPPED]}" in page.text
    assert FLAG_REASONS[Flag.DOUBLE] not in page.text  # nobody has it


def test_settings_files_and_versions_are_on_the_page(tmp_path):
    page = page_of(tmp_path, fitted_result(), files=["picture.fits", tmp_path / "extra.txt"],
                   settings={"white_bv": 0.65, "sky": "grey", "gains": np.array([1.5, 1.0])})
    assert "white_bv 0.65" in page.text
    assert "sky grey" in page.text
    assert "gains [1.5, 1.0]" in page.text
    assert "picture.fits the picture, linear float32" in page.text
    assert "extra.txt" in page.text
    assert f"numpy {np.__version__}" in page.text


def test_texts_cannot_break_the_page(tmp_path):
    evil = "<img src=x onerror=\"alert('1')\">&amp;</script><script>alert(2)</script>.fits"
    result = dataclasses.replace(fitted_result(), frame=evil, route_reason=evil, notes=(evil,))
    page = page_of(tmp_path, result, settings={evil: evil}, files=[evil.replace("/", "")])
    assert page.source.count("<script") == 1
    assert "<img src=x" not in page.source
    assert page.text.count("onerror") == 7  # title, heading, route, note, setting (name, value), file: as text
    assert json.loads(page.data)["frame"] == evil


def test_a_file_name_that_is_not_unicode_spoils_no_output(tmp_path):
    result = dataclasses.replace(fitted_result(), frame="m\udcff31.fits")  # how Python reads such a name from the disk
    assert "Star colours of m?31.fits" in page_of(tmp_path, result).text
    report.write_json(tmp_path / "result.json", result.to_dict())
    assert json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))["frame"] == "m?31.fits"


def test_the_page_stays_below_five_megabytes(tmp_path):
    """Pure noise is the worst that a picture can be; a page of it must still be small enough to send."""
    noise = np.random.default_rng(0).random((3, 1000, 1000), np.float32)
    page_of(tmp_path, fitted_result(), before=noise, after=noise)
    assert (tmp_path / "report.html").stat().st_size < 5e6


def decoded(image):
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(image["src"].split(",", 1)[1]))).convert("RGB"))


def test_pictures_are_shown_with_row_0_at_the_bottom(tmp_path):
    before = a_picture((0, 0, 0))
    before[:, :100] = 1
    whole = decoded(page_of(tmp_path, fitted_result(), before=before).images[0])
    assert whole.shape == (*SHAPE, 3)  # small pictures are not enlarged
    assert whole[-50].mean() > 250  # of 255; JPEG changes flat areas by a unit or two
    assert whole[50].mean() < 5


def test_crops_are_the_pixels_themselves_with_the_star_in_the_middle(tmp_path):
    result = fitted_result()
    noise = np.random.default_rng(1).integers(0, 256, (3, *SHAPE)).astype(np.float32)
    page = page_of(tmp_path, result, before=noise / 255, after=1 - noise / 255)
    crops = [decoded(image) for image in page.images if "png" in image["src"][:20] and ": star at" in image["alt"]]
    assert len(crops) == 2 * preview.CROPS
    size = preview.CROP_PX
    for (row, _), before, after in zip(preview.choose_crops(result), crops[::2], crops[1::2], strict=True):
        x, y = (round(float(result.stars[name][row])) for name in ("x_px", "y_px"))
        corner = noise[:, y - size // 2:y + size // 2, x - size // 2:x + size // 2]
        assert np.array_equal(before.transpose(2, 0, 1)[:, ::-1], corner)
        assert np.array_equal(after.transpose(2, 0, 1)[:, ::-1], 255 - corner)


def test_crops_show_used_stars_apart_from_each_other_from_blue_to_red():
    result = fitted_result()
    rows, bv_mag = zip(*preview.choose_crops(result), strict=True)
    assert set(rows) <= set(result.fitted[result.fit.used])
    assert list(bv_mag) == sorted(bv_mag)
    assert np.allclose(bv_mag, result.stars["bv_mag"][list(rows)], rtol=0, atol=1e-12)  # same numbers
    for i, j in ((0, 1), (1, 2), (0, 2)):
        apart = [abs(result.stars[name][rows[i]] - result.stars[name][rows[j]]) for name in ("x_px", "y_px")]
        assert max(apart) >= preview.CROP_PX


def test_crops_of_a_picture_smaller_than_a_crop(tmp_path):
    result = fitted_result()
    result.stars.meta["shape"] = (50, 70)
    result.stars["x_px"], result.stars["y_px"] = result.stars["x_px"] / 20, result.stars["y_px"] / 20
    page = page_of(tmp_path, result, before=a_picture(BEFORE, (50, 70)))
    shown = [decoded(image).shape for image in page.images if "star at" in image["alt"]]
    assert shown == [(50, 70, 3)]


@pytest.mark.parametrize("shape", [(600, 900), (600, 900, 3), (1, 600, 900)])
def test_a_picture_of_another_shape_is_refused_and_nothing_written(shape, tmp_path):
    with pytest.raises(ValueError, match=r"display pictures are \(3, y, x\)"):
        report.write_report(tmp_path / "report.html", fitted_result(), before=np.zeros(shape))
    with pytest.raises(ValueError, match=r"display pictures are \(3, y, x\)"):
        report.write_preview(tmp_path / "preview.png", np.zeros(shape), np.zeros(shape))
    assert list(tmp_path.iterdir()) == []


# --- figures ---------------------------------------------------------------------------------------------------


def marks(axes, label):
    """Positions of the marks of one kind, and their shape."""
    found = [c for c in axes.collections if c.get_label().startswith(label)]
    assert len(found) == 1
    return np.asarray(found[0].get_offsets()), found[0].get_paths()[0].vertices


def test_fit_figure_shows_each_star_the_line_and_the_gain():
    result = fitted_result()
    fit = result.fit
    for axes, band, gain in zip(plot_fit(result), (0, 1), fit.gains[[0, 2]], strict=True):
        used, dot = marks(axes, "used")
        clipped, cross = marks(axes, "clipped")
        assert np.array_equal(used, np.column_stack([fit.bv_mag, fit.log_ratio_mag[band]])[fit.used])
        assert np.array_equal(clipped[:, 0], fit.bv_mag[[OUTLIER]])
        assert dot.shape != cross.shape  # told apart without colour
        lines = {line.get_label(): np.array(line.get_data()) for line in axes.lines}
        at_white = np.interp(0.65, *lines["fit"])
        assert abs(10 ** (0.4 * at_white) - gain) < 1e-3 * gain  # linear interpolation in 100 steps of a bent line
        assert lines["gain read here"][:, 0] == pytest.approx([0.65, at_white], abs=1e-3)  # mag, same reason
        low, high = axes.get_ylim()
        assert np.all((clipped[:, 1] > low) & (clipped[:, 1] < high))  # 4 mag away, yet on the panel


def test_residual_figure_shows_measured_minus_fit():
    result = fitted_result()
    for axes, residual in zip(plot_residuals(result), result.fit.residual_mag, strict=True):
        used, _ = marks(axes, "used")
        assert np.array_equal(used[:, 1], residual[result.fit.used])


def test_figures_are_drawn_into_axes_that_are_given():
    mine = Figure().subplots(3, 2)
    result = fitted_result()
    assert plot_fit(result, mine[0]) is not None
    plot_residuals(result, mine[1])
    assert plot_map(result, mine[2, 0]) is mine[2, 0]
    assert all(axes.collections for axes in mine.ravel()[:5])


def test_map_holds_every_star_once_and_each_kind_has_its_own_mark(any_result):
    groups = map_groups(any_result)
    total = sum(len(x_px) for x_px, *_ in groups)
    undetected = 6 if any_result.match is not None else 0
    assert total == len(any_result.stars) + undetected
    markers = [style["marker"] for _, _, style, _ in groups]
    assert len(set(markers)) == len(markers)


def test_map_is_the_frame_with_y_upwards():
    result = fitted_result()
    axes = plot_map(result)
    assert axes.get_xlim() == (-0.5, SHAPE[1] - 0.5)
    assert axes.get_ylim() == (-0.5, SHAPE[0] - 0.5)
    used, _ = marks(axes, "used")
    rows = result.fitted[result.fit.used]
    assert np.array_equal(used, np.column_stack([result.stars[name][rows] for name in ("x_px", "y_px")]))
    assert len(marks(axes, "in the catalogue, but flagged")[0]) == PAIRS - FITTED


def test_pairs_that_are_no_match_are_not_called_one():
    labels = [label for *_, label in map_groups(KINDS["no match"]())]
    assert "paired, perhaps by chance" in labels
    assert not any("flagged" in label for label in labels)


@pytest.mark.parametrize("plot", [plot_fit, plot_residuals])
def test_without_a_fit_the_message_names_the_figure_that_works(plot):
    result = KINDS["no WCS"]()
    with pytest.raises(TooFewStars, match=r"no usable WCS.*plot_map\(result\) shows the stars"):
        plot(result)
    assert plot_map(result).collections


def test_five_stars_of_nearly_one_colour_can_be_drawn():
    result = fitted_result()
    flux = np.full((3, 5), 0.5)
    fit = fit_gains(flux, 0.01 * flux, np.linspace(0.649, 0.651, 5), np.full(5, 0.02))
    axes = plot_fit(dataclasses.replace(result, fit=fit, fitted=np.arange(5)))
    axes[0].figure.savefig(io.BytesIO(), format="png")


def test_figures_open_no_window():
    code = "import sys, starcal.report; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


# --- preview ---------------------------------------------------------------------------------------------------


def halves(path):
    """Left and right picture of a preview, without labels and gap, as numbers in [0, 1]."""
    image = np.asarray(Image.open(path).convert("RGB")) / 255
    width = (image.shape[1] - 8) // 2
    return image[28:, :width], image[28:, width + 8:]


def test_before_is_on_the_left_and_after_on_the_right(tmp_path):
    report.write_preview(tmp_path / "p.png", a_picture(BEFORE), a_picture(AFTER))
    for half, colour in zip(halves(tmp_path / "p.png"), (BEFORE, AFTER), strict=True):
        assert half.shape == (*SHAPE, 3)
        assert np.abs(half - colour).max() <= 0.5 / 255 + 1e-6  # rounding to 8 bits


def test_each_picture_of_the_preview_has_a_label(tmp_path):
    report.write_preview(tmp_path / "p.png", a_picture(BEFORE), a_picture(AFTER))
    strip = np.asarray(Image.open(tmp_path / "p.png").convert("L"))[:28]
    left, right = strip[:, :SHAPE[1]], strip[:, SHAPE[1]:]
    assert left.max() > 200
    assert right.max() > 200
    assert not np.array_equal(left[:, :80], right[:, 8:88])  # not the same word


def test_preview_is_small_and_keeps_light_and_proportions(tmp_path):
    """Halving by area keeps the mean of a picture; orientation as in the report: row 0 at the bottom.

    Pixels are rounded to 8 bits three times: at first, after the rows, after the columns.
    """
    rng = np.random.default_rng(2)
    picture = rng.random((3, 64, 2 * preview.PREVIEW_WIDTH_PX), np.float32)
    picture[:, :32] *= 0.2
    report.write_preview(tmp_path / "p.png", picture, picture)
    left, _ = halves(tmp_path / "p.png")
    assert left.shape == (32, preview.PREVIEW_WIDTH_PX, 3)
    assert np.abs(left[::-1].mean(axis=(0, 1)) - picture.mean(axis=(1, 2))).max() < 0.7 / 255  # halves are rounded up
    blocks = picture.reshape(3, 32, 2, -1, 2).mean(axis=(2, 4)).transpose(1, 2, 0)
    assert np.abs(left[::-1] - blocks).max() <= 1.51 / 255


def test_preview_shows_nan_and_what_is_out_of_range_as_black_and_white(tmp_path):
    picture = a_picture((0.5, 0.5, 0.5), (40, 60))
    picture[:, 0, 0], picture[:, 0, 1], picture[:, 0, 2], picture[:, 0, 3] = np.nan, -3, 7, np.inf
    report.write_preview(tmp_path / "p.png", picture, picture)
    left, _ = halves(tmp_path / "p.png")
    assert left[-1, :4, 0].tolist() == [0, 0, 1, 1]


# --- tables ----------------------------------------------------------------------------------------------------


def test_star_table_reads_back_with_units_flags_and_their_meaning(tmp_path):
    stars = fitted_result().stars
    stars["saturated_channels"][3:5] = ["RB", "G"]
    report.write_stars(tmp_path / "stars.ecsv", stars)
    back = Table.read(tmp_path / "stars.ecsv", format="ascii.ecsv")
    assert back.colnames == stars.colnames
    assert np.array_equal(back["flags"], stars["flags"])
    assert back["flags"].dtype == np.int32
    assert back["saturated_channels"].filled("").tolist() == stars["saturated_channels"].tolist()
    for name in ("x_px", "flux_R", "bv_mag", "colour_bv_mag"):
        assert np.array_equal(np.asarray(back[name]), np.asarray(stars[name]), equal_nan=True)
    assert (back["x_px"].unit, back["bv_mag"].unit, back["flux_R"].unit) == (u.pix, u.mag, None)
    assert all(back[name].description for name in back.colnames)
    told = back.meta["flags"]
    assert told == {flag.value: f"{flag.name.lower()}: {reason}" for flag, reason in FLAG_REASONS.items()}
    assert len(told) == len(Flag)
    assert back.meta["noise"]["electrons_per_unit"] == [np.inf, 1e5, 2e5]
    assert back.meta["shape"] == list(SHAPE)


def test_writing_leaves_the_table_as_it_was(tmp_path):
    stars = star_table()
    report.write_stars(tmp_path / "stars.ecsv", stars)
    assert stars["bv_mag"].unit is None
    assert isinstance(stars.meta["noise"], FrameNoise)
    assert "flags" not in stars.meta


def test_a_table_without_stars_can_be_written(tmp_path):
    report.write_stars(tmp_path / "stars.ecsv", star_table(0))
    back = Table.read(tmp_path / "stars.ecsv", format="ascii.ecsv")
    assert len(back) == 0
    assert back["y_px"].unit == u.pix


def test_json_reads_back(tmp_path, any_result):
    report.write_json(tmp_path / "result.json", any_result.to_dict())
    assert json.loads((tmp_path / "result.json").read_text(encoding="utf-8")) == any_result.to_dict()


def test_json_holds_no_nan(tmp_path):
    with pytest.raises(ValueError, match="not JSON compliant"):
        report.write_json(tmp_path / "result.json", {"gain": float("nan")})
    assert not (tmp_path / "result.json").exists()


# --- all outputs -----------------------------------------------------------------------------------------------


WRITERS = {
    "stars.ecsv": lambda path, **options: report.write_stars(path, star_table(), **options),
    "result.json": lambda path, **options: report.write_json(path, {"a": 1}, **options),
    "preview.png": lambda path, **options: report.write_preview(path, a_picture(BEFORE), a_picture(AFTER), **options),
    "report.html": lambda path, **options: report.write_report(path, fitted_result(), **options),
}


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
