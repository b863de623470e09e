"""The whole job: what `run` and `calibrate` leave behind, and that nothing is lost when they
cannot."""

import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS
from PIL import Image

import starcal
from starcal.cli.main import main
from starcal.colour.stellar import star_rgb, uv_prime_distance
from starcal.demo.scene import make_scene
from starcal.demo.setup import Setup
from starcal.demo.sky import wcs_header
from starcal.draw.preview import write_png
from starcal.draw.tone import choose_stretch
from starcal.errors import FrameError, NotLinearError, OutputError, TooFewStars
from starcal.frame import Frame, corners_apart_px, write_fits
from starcal.layers import split
from starcal.report.tables import write_stars
from starcal.stars import measure_stars
from starcal.stars.columns import COLUMN_OF

FIELD = {
    "shape": (300, 430),
    "scale_arcsec": 4.0,
    "channel_gains": (0.5, 1.0, 0.7),
    "faint_to_mag": 13.5,
}
SHO = {
    "system": "SHO",
    "v_zero_electrons": 2e11,
    "sky_electrons": 4e3,
    "nebula_electrons": 8e3,
    "channel_gains": (1.0, 0.25, 0.71),
}


def write_scene(path: Path, **settings) -> Path:
    scene = make_scene(**FIELD | settings)
    write_fits(path, scene.pixels, scene.header)
    return path


ROOT = Path(__file__).parents[1]
SLOW_FIXTURES = {"recoloured"}


@pytest.fixture(scope="module")
def broad(tmp_path_factory) -> Path:
    return write_scene(tmp_path_factory.mktemp("broad") / "broad.fits")


@pytest.fixture(scope="module")
def sho(tmp_path_factory) -> Path:
    return write_scene(tmp_path_factory.mktemp("sho") / "sho.fits", **SHO)


@pytest.fixture(scope="module")
def rescued(broad):
    return starcal.run(broad, tiff=True)


@pytest.fixture(scope="module")
def checked(broad):
    return starcal.check(broad)


@pytest.fixture(scope="module")
def steps():
    return []


@pytest.fixture(scope="module")
def recoloured(sho, steps):
    return starcal.run(sho, progress=lambda step, share: steps.append((step, share)))


@pytest.mark.slow
def test_the_bar_goes_on_in_the_split_and_never_back(recoloured, steps):
    shares = [share for _, share in steps]
    assert shares == sorted(shares)
    assert max(np.diff(shares)) < 0.25
    (said,) = {step for step, _ in steps if step.startswith("measuring the light")}
    assert said.endswith(" stars")
    assert any(step.startswith("splitting: ") for step, _ in steps)


def test_run_writes_every_file_beside_the_frame(broad, rescued):
    assert rescued.folder == broad.parent / "broad-starcal"
    assert {path.name for path in rescued.folder.iterdir()} == set(rescued.files)
    assert set(rescued.files) == {
        "picture.fits",
        "picture.tif",
        "stars.ecsv",
        "result.json",
        "after.png",
        "after.tif",
        "before-after.png",
        "report.html",
    }


def test_the_picture_is_float32_with_wcs_header_and_history(broad, rescued):
    with fits.open(rescued.folder / "picture.fits") as hdus:
        header, data = hdus[0].header, hdus[0].data
    assert data.dtype == np.dtype(">f4")
    source = fits.getheader(broad)
    assert all(header[key] == source[key] for key in ("CRVAL1", "CRPIX2", "CTYPE1", "DATE-OBS"))
    assert any("starcal" in line for line in header["HISTORY"])


def test_the_picture_is_the_frame_times_its_gains_but_for_clipped_pixels(broad, rescued):
    before, after = fits.getdata(broad), fits.getdata(rescued.folder / "picture.fits")
    offset = np.array(
        [
            float(word)
            for line in fits.getheader(rescued.folder / "picture.fits")["HISTORY"]
            if "sky offsets" in line
            for word in line.split()[-3:]
        ]
    )
    wanted = before * rescued.check.gains[:, None, None] + offset[:, None, None]
    unclipped = (before < 0.85 * np.array([0.5, 1.0, 0.7])[:, None, None]).all(axis=0)
    np.testing.assert_allclose(
        after[:, unclipped], wanted[:, unclipped], atol=2e-6
    )  # offsets are printed to 4 digits


def test_tiff_and_preview_show_what_they_should(rescued):
    picture = tifffile.imread(rescued.folder / "picture.tif")
    assert picture.dtype == np.uint16
    assert picture.shape == (*FIELD["shape"], 3)
    with Image.open(rescued.folder / "before-after.png") as preview:
        assert preview.size[0] >= 2 * FIELD["shape"][1]


def test_star_table_and_result_read_back(rescued):
    table = Table.read(rescued.folder / "stars.ecsv")
    assert len(table) == len(rescued.check.stars)
    assert str(table["x_px"].unit) == "pix"
    facts = json.loads((rescued.folder / "result.json").read_text())
    schema = json.loads((ROOT / "docs" / "result.schema.json").read_text())
    jsonschema.validate(facts, schema)
    assert set(facts) <= set(schema["properties"])
    assert facts["outcome"] == str(rescued.outcome)
    assert facts["verdict"] == "rescue"
    assert facts["settings"]["neutral_bv"] == 0.65
    assert facts["gains"]["R"] == pytest.approx(rescued.check.gains[0])


def test_every_column_of_a_finished_table_is_in_the_registry(rescued, recoloured):
    """And the registry has none that no table has."""
    met = set()
    for result in (rescued, recoloured):
        table = Table.read(result.folder / "stars.ecsv")
        met |= set(table.colnames)
        for name in table.colnames:
            assert table[name].description == COLUMN_OF[name].meaning
            assert table[name].unit == COLUMN_OF[name].unit
    assert met == set(COLUMN_OF)


@pytest.mark.parametrize("name", COLUMN_OF)
def test_a_column_has_the_unit_that_its_name_ends_in(name):
    endings = {"px": "pix", "deg": "deg", "mag": "mag"}
    unit = COLUMN_OF[name].unit
    assert (unit and unit.to_string()) == endings.get(name.rsplit("_", 1)[-1])


@pytest.mark.slow
def test_a_narrowband_frame_is_coloured_star_by_star_and_says_why(recoloured):
    assert recoloured.check.verdict.verdict == "no"
    assert recoloured.check.route == "continuum"
    assert "of the colour that real stars have" in recoloured.check.route_reason
    assert "learnt from" in recoloured.check.route_reason
    assert {"starless.fits", "stars.fits"} <= set(recoloured.files)


def test_the_nebula_is_the_same_bit_for_bit_and_the_layers_add_up(sho, recoloured):
    before, after, stars, starless = (
        fits.getdata(path)
        for path in (
            sho,
            *(recoloured.folder / f"{name}.fits" for name in ("picture", "stars", "starless")),
        )
    )
    outside = (stars == 0).all(axis=0)
    assert 0.5 < outside.mean() < 1
    np.testing.assert_array_equal(after[:, outside], before[:, outside])
    np.testing.assert_allclose(
        starless + stars, after, atol=1e-6
    )  # a float32 step near 1 is 6e-8; a few are added


def test_recoloured_stars_have_the_colour_of_a_star(recoloured):
    layer, table = fits.getdata(recoloured.folder / "stars.fits"), recoloured.check.stars
    good = table[
        (table["snr"] > 50) & (table["flags"] & 0b10111 == 0)
    ]  # clean but for the catalogue
    cores = layer[
        :, np.rint(good["y_px"].value).astype(int), np.rint(good["x_px"].value).astype(int)
    ]
    wanted = star_rgb(good["colour_bv_mag"], 0.65)
    assert (
        np.median(uv_prime_distance(cores.T, wanted)) < 0.001
    )  # one step of colour difference is 0.0011
    assert set(good["colour_source"]) <= {
        "catalogue",
        "continuum",
        "catalogue+continuum",
        "field median",
    }


@pytest.mark.slow
def test_without_wcs_the_stars_still_get_a_possible_colour(tmp_path):
    done = starcal.run(write_scene(tmp_path / "lost.fits", with_wcs=False, shape=(240, 330)))
    assert (done.check.verdict.verdict, done.check.route) == ("undecided", "palette")
    assert "WCS" in done.check.verdict.reasons[0]
    assert (done.folder / "picture.fits").exists()


@pytest.mark.slow
def test_a_poor_wcs_is_put_right_in_picture_numbers_and_report(tmp_path):
    """Turned by 2.5 degrees and 20 px off; the picture's header is that of the truth to half a
    pixel."""
    path = write_scene(
        tmp_path / "poor.fits", wcs_offset_px=(16.0, -12.0), wcs_rotation_deg=2.5
    )
    done = starcal.run(path)
    assert done.check.verdict.verdict == "rescue"
    wcs = json.loads((done.folder / "result.json").read_text())["wcs"]
    assert wcs["replaced"]
    assert wcs["offset_px"] == pytest.approx([16, -12], abs=1)
    assert wcs["scatter_before_px"] > 10 * wcs["scatter_px"]
    report = (done.folder / "report.html").read_text()
    assert "WCS replaced" in report
    assert f"scatter {wcs['scatter_before_px']:.2f} px" in report
    assert f"scatter {wcs['scatter_px']:.2f} px" in report
    truth = WCS(wcs_header(Setup(**FIELD), exact=True))
    assert (
        corners_apart_px(
            WCS(fits.getheader(done.folder / "picture.fits")).celestial, truth, (420, 600)
        )
        < 0.5
    )


def test_a_starless_frame_is_no_crash(tmp_path):
    noise = np.random.default_rng(0).normal(0.01, 1e-4, (3, 200, 300)).astype(np.float32)
    write_fits(tmp_path / "empty.fits", noise)
    done = starcal.run(tmp_path / "empty.fits")
    assert len(done.check.stars) < 5  # 5 sigma on 60 000 pixels: 0.02 false ones expected
    assert done.check.route == "palette"


@pytest.mark.slow
def test_a_misspelt_frame_is_told_of_before_the_results_of_another(tmp_path, capsys):
    """That lie where its own would go."""
    write_fits(tmp_path / "veil.fits", np.ones((3, 9, 9)))
    (tmp_path / "vail-starcal").mkdir()
    (tmp_path / "vail-starcal" / "result.json").touch()
    typo, there = str(tmp_path / "vail.fits"), str(tmp_path / "veil.fits")
    for words in (
        ["run", typo],
        ["run", there, "--star-frame", typo],
        ["calibrate", typo, "-o", there],
        ["audit", typo, "--out", there],
    ):
        assert main(words) == 1
        assert (
            f"{typo}: there is no such file. Did you mean {there}?" in capsys.readouterr().err
        )
    with pytest.raises(FrameError, match="Did you mean"):
        starcal.run(typo)


@pytest.mark.slow
def test_a_frame_is_not_mixed_with_another_file_of_its_name(tmp_path, monkeypatch):
    """What is given as a frame has a name, and no file: one of that name may be another picture."""
    scene = make_scene(shape=(90, 120), scale_arcsec=8.0, faint_to_mag=12.0)
    shown = choose_stretch(scene.pixels).apply(scene.pixels)
    write_png(tmp_path / "veil.png", shown)
    frame = starcal.read_frame(tmp_path / "veil.png")
    (tmp_path / "elsewhere").mkdir()
    write_png(tmp_path / "elsewhere" / "veil.png", shown[:, :-1])
    monkeypatch.chdir(tmp_path / "elsewhere")
    done = starcal.run(frame, "out", route="palette")
    assert "picture.png" not in done.files
    assert fits.getdata(done.folder / "picture.fits").shape == frame.pixels.shape


def test_a_stretched_picture_is_refused_for_gains_unless_told(broad, tmp_path):
    frame = starcal.read_frame(broad)
    stretched = replace(
        frame, pixels=choose_stretch(frame.pixels).apply(frame.pixels), name="stretched.fits"
    )
    assert starcal.check(stretched).verdict.verdict == "no"
    with pytest.raises(NotLinearError, match="Use the linear frame"):
        starcal.calibrate(stretched)
    try:
        starcal.calibrate(stretched, assume_linear=True)  # goes past that check
    except NotLinearError:
        pytest.fail("assume_linear is refused for not being linear")
    except (FrameError, TooFewStars):
        pass


def test_too_few_stars_for_a_matrix_says_to_use_gains(tmp_path):
    path = write_scene(tmp_path / "few.fits", shape=(240, 330))
    with pytest.raises(TooFewStars, match="use --model gains"):
        starcal.calibrate(path, model="matrix")
    assert starcal.calibrate(path, model="gains").matrix[1, 1] == 1


@pytest.mark.slow
def test_a_matrix_makes_red_and_blue_stars_truer(tmp_path):
    broad = write_scene(tmp_path / "broad.fits", shape=(420, 600))  # 20 stars are needed
    gains, matrix = (starcal.calibrate(broad, model=model) for model in ("gains", "matrix"))
    assert matrix.check.matrix.n_used >= 20
    assert not np.array_equal(matrix.matrix, gains.matrix)
    fit = gains.check.fit
    flux = np.array(
        [gains.check.stars[f"flux_{c}"][gains.check.fitted[fit.used]] for c in "RGB"]
    )
    target = star_rgb(fit.bv_mag[fit.used], 0.65)
    error = [
        np.sqrt(np.mean(uv_prime_distance((m.matrix @ flux).T, target) ** 2))
        for m in (gains, matrix)
    ]
    assert error[1] < error[0]


@pytest.mark.slow
def test_check_of_a_frame_in_memory_is_the_same_as_of_its_file(broad, checked):
    by_frame = starcal.check(starcal.read_frame(broad))
    np.testing.assert_array_equal(checked.gains, by_frame.gains)


def test_a_folder_that_cannot_be_made_is_refused_before_the_work(broad, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="--out"):
        starcal.run(broad, tmp_path / "file" / "run")


@pytest.mark.slow
def test_a_full_disk_leaves_no_half_file(broad, tmp_path):
    code = (
        "import resource, sys, starcal; resource.setrlimit(resource.RLIMIT_FSIZE, (10**6, 10**6))\n"
        "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        f"sys.argv = ['starcal', 'run', {str(broad)!r}, '--out', {str(tmp_path / 'run')!r}]\n"
        "from starcal.cli.main import main; sys.exit(main(sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert (
        f"{tmp_path / 'run'}/picture.fits" in done.stderr
    )  # the name that was asked for, not that of the part
    assert list(tmp_path.iterdir()) == []


def killed_run(frame, out, **settings):
    """A run that dies without a word when half of its files are written."""
    code = (
        "import os, starcal.pipeline.writing as p\n"
        "p.write_stars = lambda *a, **k: os.kill(os.getpid(), 9)\n"
        f"import starcal; starcal.run({str(frame)!r}, {str(out)!r}, **{settings!r})"
    )
    assert (
        subprocess.run(
            [sys.executable, "-c", code], check=False, capture_output=True
        ).returncode
        == -9
    )


@pytest.mark.slow
def test_killed_half_way_leaves_nothing_new_and_the_next_run_clears_up(broad, tmp_path):
    killed_run(broad, tmp_path / "run")
    assert not (tmp_path / "run").exists()
    assert all(name.startswith(".starcal-") for name in os.listdir(tmp_path))
    done = starcal.run(broad, tmp_path / "run")
    assert os.listdir(tmp_path) == ["run"]
    assert set(os.listdir(tmp_path / "run")) == set(done.files)


def contents(folder):
    """What a user sees; hidden files of a dead process are its own business, until the next."""
    seen = [path for path in folder.iterdir() if not path.name.startswith(".starcal-")]
    return {path.name: path.read_bytes() for path in seen}


@pytest.mark.campaign
def test_killed_half_way_leaves_an_earlier_run_as_it_was(broad, rescued, tmp_path):
    shutil.copytree(rescued.folder, tmp_path / "run")
    before = contents(tmp_path / "run")
    killed_run(broad, tmp_path / "run", overwrite=True, neutral_bv=0.3)
    assert contents(tmp_path / "run") == before
    starcal.read_frame(tmp_path / "run" / "picture.fits")
    assert not list((tmp_path / "run").glob(".starcal-*"))


@pytest.mark.slow
def test_of_an_earlier_run_nothing_is_left_but_the_users_own_files_are(
    broad, recoloured, tmp_path
):
    folder = tmp_path / "run"
    shutil.copytree(recoloured.folder, folder)
    (folder / "picture.tif").write_text("of a run with --tiff")
    (folder / "notes.txt").write_text("mine")
    (folder / "old").mkdir()
    assert {"starless.fits", "stars.fits", "picture.tif"} <= set(os.listdir(folder))
    with pytest.raises(OutputError, match="add --overwrite"):
        starcal.run(broad, folder)
    assert (folder / "starless.fits").exists()
    done = starcal.run(broad, folder, overwrite=True)  # as advised
    assert done.check.verdict.verdict == "rescue"
    assert set(os.listdir(folder)) == {*done.files, "notes.txt", "old"}
    assert "starless.fits" not in done.files
    assert (folder / "notes.txt").read_text() == "mine"


@pytest.mark.slow
def test_a_run_that_cannot_leaves_no_folder(broad, tmp_path, frame_of):
    few = make_scene(**FIELD | {"shape": (240, 330)})
    with pytest.raises(TooFewStars, match="use --model gains"):
        starcal.run(frame_of(few), tmp_path / "new" / "run", model="matrix")
    frame = starcal.read_frame(broad)
    stretched = replace(
        frame, pixels=choose_stretch(frame.pixels).apply(frame.pixels), name="stretched.fits"
    )
    with pytest.raises(NotLinearError):
        starcal.run(stretched, tmp_path / "new" / "run", route="gains")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_file_in_the_way_that_came_meanwhile_is_kept(broad, tmp_path, monkeypatch):
    def somebody_else(path, *rest, **options):
        (tmp_path / "run").mkdir()
        (tmp_path / "run" / "stars.ecsv").write_text("theirs")
        write_stars(path, *rest, **options)

    monkeypatch.setattr("starcal.pipeline.writing.write_stars", somebody_else)
    with pytest.raises(OutputError, match="exists"):
        starcal.run(broad, tmp_path / "run")
    assert contents(tmp_path / "run") == {"stars.ecsv": b"theirs"}
    assert os.listdir(tmp_path) == ["run"]


@pytest.mark.slow
def test_a_link_to_a_folder_elsewhere_is_followed(broad, tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "run").symlink_to(tmp_path / "disk")
    done = starcal.run(broad, tmp_path / "run")
    assert set(os.listdir(tmp_path / "disk")) == set(done.files)
    assert (tmp_path / "run").is_symlink()


def test_the_report_holds_result_json(rescued, recoloured):
    for done in (rescued, recoloured):
        page = (done.folder / "report.html").read_text(encoding="utf-8")
        inside = page.split('<script type="application/json" id="result">')[1].split(
            "</script>"
        )[0]
        assert json.loads(inside) == json.loads(
            (done.folder / "result.json").read_text(encoding="utf-8")
        )


@pytest.mark.slow
def test_nan_and_borders_do_not_spoil_the_fit(broad, checked):
    frame = starcal.read_frame(broad)
    pixels = frame.pixels.copy()
    pixels[:, :30] = np.nan
    pixels[1, 200:204, 300:340] = np.nan
    made = starcal.calibrate(replace(frame, pixels=pixels))
    difference = np.abs(made.check.gains - checked.gains)[[0, 2]]
    assert (
        difference < 3 * checked.fit.gain_errors[[0, 2]]
    ).all()  # some stars are lost, the rest are the same
    assert np.isnan(made.pixels[:, :30]).all()
    assert np.isfinite(made.pixels[:, 40:190]).all()


def test_wrong_settings_are_the_callers_slip(broad):
    frame = starcal.read_frame(broad)
    for settings in ({"neutral_bv": 9.0}, {"model": "magic"}):
        with pytest.raises(ValueError, match="given"):
            starcal.check(frame, **settings)
    with pytest.raises(ValueError, match="grey"):
        starcal.calibrate(frame, sky="pink")


@pytest.mark.slow
def test_the_neutral_star_moves_the_gains_as_the_slope_says(broad, checked):
    assert checked.neutral_bv == 0.65
    solar, warm = checked, starcal.check(broad, neutral_bv=0.85)
    shift = 2.5 * np.log10(warm.gains / solar.gains)[[0, 2]]
    wanted = solar.fit.predicted_mag(0.85) - solar.fit.predicted_mag(0.65)
    np.testing.assert_allclose(
        shift, wanted, atol=0.01
    )  # mag; the two fits clip and weigh alike, the bend is small


def test_results_print_and_show(rescued, tmp_path):
    assert "Rescue" in str(rescued.check)
    assert "report.html" in rescued._repr_html_()
    assert "<table>" in rescued.check._repr_html_()
    assert isinstance(
        starcal.read_frame(write_scene(tmp_path / "x.fits", shape=(60, 80))), Frame
    )


@pytest.mark.campaign
def test_a_star_layer_gives_the_gains_of_its_frame(broad, checked):
    """Most of a star layer is exactly black; the stars on it are the same."""
    frame = starcal.read_frame(broad)
    layer = split(frame.pixels, measure_stars(frame.pixels)).stars
    alone = starcal.check(replace(frame, pixels=layer))
    assert alone.verdict.verdict == "rescue"
    difference = np.abs(alone.gains / checked.gains - 1)
    assert difference.max() < 0.01  # the same stars; their fluxes differ by the sky under them
