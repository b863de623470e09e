"""Colour terms from response curves, and gains of one to four stars that rest on them."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

import starcal
from starcal.choices import Settings, read_settings
from starcal.cli.main import main
from starcal.demo.scene import make_scene
from starcal.demo.spectra import band_mags, star_bands
from starcal.errors import BandsError
from starcal.fit.gains import fit_gains
from starcal.fit.responses import read_terms, terms_of_curves, usual_terms
from starcal.frame import write_fits

REFERENCE = Path(__file__).parent / "reference"
WAVE_NM = np.arange(350.0, 800.0, 5.0)
MONO_NM = ((590.0, 690.0), (490.0, 575.0), (400.0, 510.0))  # as demo.spectra's mono filters


def boxes(edges=MONO_NM) -> np.ndarray:
    wave_nm = WAVE_NM
    return np.array([(wave_nm >= low) & (wave_nm < high) for low, high in edges], float)


def text_of(rows, head="wavelength,red,green,blue") -> str:
    return "\n".join([head, *(",".join(f"{v:g}" for v in row) for row in rows)]) + "\n"


def written(folder, text: str):
    path = folder / "curves.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def good(tmp_path):
    return written(tmp_path, text_of(np.column_stack([WAVE_NM, *boxes()])))


# --- terms of curves --------------------------------------------------------------------


def bessell() -> np.ndarray:
    """R, V, B to photons (Bessell 1990, PASP 102, 1181)."""
    with open(REFERENCE / "bessell_bvr.csv", encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if line[0] != "#"))
    curves = []
    for band in "RVB":
        table = [
            (float(row["wavelength_nm"]), float(row["response"]))
            for row in rows
            if row["band"] == band
        ]
        curves.append(np.interp(WAVE_NM, *np.transpose(table), 0, 0) / WAVE_NM)
    return np.array(curves)


def test_published_passbands_give_published_colours():
    """B/V through Bessell's passbands is B-V itself; V-R of the sun is 0.352 at B-V 0.653 (Ramirez
    et al. 2012, ApJ 752, 5) and that of Vega 0 at 0 by definition."""
    terms = terms_of_curves(WAVE_NM, bessell())
    assert terms.slope[1] == pytest.approx(1, abs=0.02)  # B-V of the spectra is good to 0.02
    assert terms.bend[1] == pytest.approx(0, abs=0.02)
    from_vega_to_sun = terms.slope[0] * 0.65 - terms.bend[0] * 0.65**2
    assert from_vega_to_sun == pytest.approx(-0.352, abs=0.02)


@pytest.mark.parametrize("system", ["camera", "mono"])
def test_usual_terms_hold_for_a_measured_camera_and_for_filters(system):
    """Spectra of Pickles 1998 through a measured camera and through boxes, straight lines in B-V."""
    table, terms = star_bands(), usual_terms()
    near = (table["bv_mag"] > 0) & (table["bv_mag"] < 1.3)
    for place, channel in enumerate("RB"):
        ratio = (table[f"{system}_{channel}"] - table[f"{system}_G"])[near]
        slope = np.polyfit(table["bv_mag"][near], ratio, 1)[0]
        assert abs(slope - terms.slope[place]) < 2 * terms.slope_error[place]


def test_the_unit_of_responses_does_not_matter(good, tmp_path):
    terms = read_terms(good)
    scaled = np.column_stack([10 * WAVE_NM, *(boxes() * [[3.0], [200.0], [0.1]])])
    angstrom = read_terms(written(tmp_path, text_of(scaled[::-1])))
    np.testing.assert_allclose(angstrom.slope, terms.slope, atol=1e-9)


def test_an_ecsv_states_its_unit(tmp_path):
    head = (
        "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: wave, unit: um, datatype: float64}\n"
        + "".join(f"# - {{name: {c}, datatype: float64}}\n" for c in "RGB")
        + "# schema: astropy-2.0\n"
    )
    rows = np.column_stack([WAVE_NM / 1000, *boxes()])
    terms = read_terms(written(tmp_path, head + text_of(rows, "wave,R,G,B").replace(",", " ")))
    np.testing.assert_allclose(terms.slope, terms_of_curves(WAVE_NM, boxes()).slope, atol=1e-9)


ROWS = np.column_stack([WAVE_NM, *boxes()])
NARROW = [(654.0, 659.0), (490.0, 575.0), (400.0, 510.0)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("wavelength,red,green,blue\n", "no rows"),
        (text_of(ROWS[:, :3], "wavelength,red,green"), "no column for blue"),
        (text_of(ROWS, "where,red,green,blue"), "no column for wavelength"),
        (text_of(ROWS).replace("500,0", "500,nan", 1), "no finite number in row"),
        (text_of(ROWS).replace("500,0", "500,much", 1), "no numbers"),
        (text_of(ROWS * [0.001, 1, 1, 1]), "300 to 1200 nm needed"),
        (text_of(ROWS * [1, 1, -1, 1]), "responses are 0 or more"),
        (text_of(ROWS * [1, 1, 0, 1]), "responses are 0 or more"),
        (text_of(ROWS[:3]), "5 or more needed"),
        (text_of(np.vstack([ROWS, ROWS])), "each once"),
        (text_of(np.column_stack([WAVE_NM, *boxes(NARROW)])), "a line filter"),
    ],
)
def test_a_bad_file_is_refused_in_words(text, said, tmp_path):
    with pytest.raises(BandsError, match=said) as caught:
        read_terms(written(tmp_path, text))
    assert "curves.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_light_from_beyond_the_spectra_is_refused(tmp_path):
    rows = np.column_stack([np.arange(700, 1200, 5.0), *np.ones((3, 100))])
    with pytest.raises(BandsError, match="where no spectra"):
        read_terms(written(tmp_path, text_of(rows)))


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(BandsError, match="No such file"):
        read_terms(tmp_path / "none.csv")


def test_a_run_with_curves_can_be_repeated_and_never_writes_over_them(good, tmp_path):
    asked = Settings(frame=str(tmp_path / "frame.fits"), bands=str(good))
    assert str(good) in asked.inputs
    (tmp_path / "out").mkdir()
    result = tmp_path / "out" / "result.json"
    result.write_text(json.dumps({"settings": asked.to_dict(tmp_path / "out")}))
    assert Path(read_settings(result).bands).samefile(good)
    assert json.loads(result.read_text())["settings"]["bands"] == "../curves.csv"


def test_a_bad_file_ends_the_command_in_one_line(tmp_path, capsys):
    bad = written(tmp_path, text_of(ROWS[:, :3], "wavelength,red,green"))
    _, path = long_focus(tmp_path, "mono", 0, shape=(100, 120))
    assert main(["check", "-q", str(path), "--bands", str(bad)]) == 1
    told = capsys.readouterr().err
    assert "no column for blue" in told
    assert told.count("\n") == 1


# --- gains ------------------------------------------------------------------------------


def few_stars(system: str, n: int, rng):
    """Stars of real spectra through a camera or filters, catalogue errors 0.015 to 0.15 mag."""
    bv = np.clip(rng.normal(0.72, 0.42, n), -0.2, 1.5)
    bands = tuple(f"{system}_{c}" for c in "RGB")
    mags = band_mags(bands, bv, "spectra", rng).T + 0.015 * rng.normal(size=(3, n))
    flux = 10 ** (-0.4 * mags)
    sigma = np.exp(rng.uniform(np.log(0.015), np.log(0.15), n))
    return flux, 0.014 * flux, bv + sigma * rng.normal(size=n), sigma


def true_gains(system: str) -> np.ndarray:
    bands = tuple(f"{system}_{c}" for c in "RGB")
    mags = band_mags(bands, np.array([0.65]), "none", np.random.default_rng(0))[0]
    return 10 ** (0.4 * (mags - mags[1]))


@pytest.mark.parametrize(("n", "most"), [(1, 0.10), (3, 0.05)])
def test_gains_of_few_stars_are_as_good_as_stated(n, most):
    """Errors of 5 to 8 % from one star and of 3 to 4 % from three (own simulation on other
    passbands); pulls below 1 as dust and growth, which are not made here, are in the errors."""
    rng = np.random.default_rng(n)
    errors, pulls = [], []
    known = [
        ("camera", usual_terms()),
        ("mono", usual_terms()),
        ("mono", terms_of_curves(WAVE_NM, boxes())),
    ]
    for system, terms in known:
        for _ in range(40):
            fit = fit_gains(*few_stars(system, n, rng), terms=terms)
            error = np.log(fit.gains / true_gains(system))[[0, 2]]
            errors.append(error)
            pulls.append(error / fit.stated_errors)
    assert np.sqrt(np.mean(np.square(errors))) < most
    assert 0.5 < np.sqrt(np.mean(np.square(pulls))) < 1.15


def test_more_stars_overrule_the_terms():
    rng = np.random.default_rng(5)
    fit = fit_gains(*few_stars("mono", 400, rng), terms=usual_terms())
    free = fit_gains(*few_stars("mono", 400, np.random.default_rng(5)))
    np.testing.assert_allclose(fit.gains, free.gains, rtol=0.01)
    assert np.all(np.abs(fit.slope - free.slope) < 0.05)


def test_no_star_at_all_is_refused():
    with pytest.raises(ValueError, match="1 needed"):
        fit_gains(*np.empty((2, 3, 0)), np.empty(0), np.empty(0), terms=usual_terms())


# --- a check ----------------------------------------------------------------------------


def long_focus(folder, system: str, seed: int, **settings):
    scene = make_scene(
        **{
            "system": system,
            "seed": seed,
            "dec_deg": 40.0,
            "scale_arcsec": 1.6,
            "shape": (420, 560),
            "scatter": "spectra",
            "channel_gains": (0.6, 1.0, 0.8),
            "v_zero_electrons": 3e11,
            "full_well_electrons": 6e6,
            "faint_to_mag": 15.5,
        }
        | settings
    )
    write_fits(folder / "frame.fits", scene.pixels, scene.header, overwrite=True)
    return scene, folder / "frame.fits"


def all_but(found, n: int) -> list:
    """Places of the clean stars but for some."""
    rows = found.fitted[n:]
    return [(float(found.stars["x_px"][i]), float(found.stars["y_px"][i])) for i in rows]


@pytest.mark.campaign
def test_three_stars_of_a_broadband_frame_give_gains_and_say_what_was_assumed(tmp_path, good):
    scene, path = long_focus(tmp_path, "mono", 1, shape=(560, 760))
    out = all_but(starcal.check(path), 3)
    for bands in (None, str(good)):
        found = starcal.check(path, bands=bands, leave_out=out)
        assert found.fit.n_used == 3
        error = np.abs(found.gains / scene.gains_true - 1)[[0, 2]]
        assert np.all(error < 3 * found.fit.stated_errors)
        words = "the response curves of curves.csv" if bands else "the usual colour terms"
        assert words in " ".join(found.verdict.reasons)
        assert words in str(found)
        assert words in found.to_dict()["assumed_terms"]["source"]


@pytest.mark.campaign
@pytest.mark.parametrize("system", ["HOO", "SHO"])
def test_three_stars_never_rescue_a_narrowband_frame(system, tmp_path, good):
    """Nor do curves that are not those of its filters."""
    _, path = long_focus(tmp_path, system, 2, v_zero_electrons=3e12)
    out = all_but(starcal.check(path), 3)
    for bands in (None, str(good)):
        found = starcal.check(path, bands=bands, leave_out=out)
        assert found.verdict.verdict != "rescue"


@pytest.mark.slow
def test_curves_that_the_stars_contradict_are_left_out_and_said_to_be(tmp_path):
    _, path = long_focus(tmp_path, "mono", 3, scale_arcsec=3.0)
    wrong = written(tmp_path, text_of(np.column_stack([WAVE_NM, *boxes()[::-1]])))
    found = starcal.check(path, bands=str(wrong))
    assert found.terms is None
    assert "the curves were left out" in " ".join(found.fit_notes)
