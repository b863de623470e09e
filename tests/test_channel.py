"""One channel by itself, and three without a WCS put together and solved."""

import json

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

import starcal
from starcal.cli.main import main
from starcal.compose import compose
from starcal.errors import FrameError, NoWCSError
from starcal.frame import write_tiff16
from starcal.frame.sky import celestial_wcs
from starcal.frame.wcs_files import read_wcs_header

FIELD = {
    "seed": 1,
    "shape": (500, 700),
    "scale_arcsec": 4.0,
    "faint_to_mag": 13.5,
    "channel_gains": (0.6, 1.0, 0.8),
}
MIDDLE_PX = 349.5, 249.5
NEAR_PX = 0.5  # of a solution from the truth, at the corners: a tenth of a star's width


@pytest.fixture(scope="module")
def truth(scene_of):
    return WCS(scene_of(**FIELD).header)


@pytest.fixture(scope="module")
def folder(scene_of, tmp_path_factory):
    """A channel that is solved, three that are not, one of them moved, one with hints alone, and
    noise."""
    folder = tmp_path_factory.mktemp("monos")
    scene = scene_of(**FIELD)
    solved = scene.header.copy()
    solved["FILTER"] = "Ha"
    fits.PrimaryHDU(scene.pixels[0], solved).writeto(folder / "solved.fits")
    for name, plane in zip(("red", "green", "blue"), scene.pixels, strict=True):
        moved = np.roll(plane, 4, axis=0) if name == "green" else plane
        fits.PrimaryHDU(moved).writeto(folder / f"{name}.fits")
    place = WCS(scene.header).all_pix2world(*MIDDLE_PX, 0)
    hints = fits.Header({"RA": float(place[0]), "DEC": float(place[1]), "PIXSCALE": 4.0})
    fits.PrimaryHDU(scene.pixels[0], hints).writeto(folder / "hinted.fits")
    noise = 0.1 + 1e-3 * np.random.default_rng(0).standard_normal((300, 400))
    fits.PrimaryHDU(noise.astype(np.float32)).writeto(folder / "noise.fits")
    write_tiff16(folder / "grey.tif", scene.pixels)
    return folder


def hints_near(truth):
    ra, dec = truth.all_pix2world(*MIDDLE_PX, 0)
    return ["--ra", f"{float(ra) + 0.1:.4f}", f"--dec={float(dec) - 0.1:.4f}", "--scale", "4.1"]


def off_px(wcs, truth):
    x, y = np.meshgrid([0.0, 699.0], [0.0, 499.0])
    there = truth.all_world2pix(*wcs.all_pix2world(x, y, 0), 0)
    return np.hypot(there[0] - x, there[1] - y).max()


@pytest.mark.slow
def test_a_channel_is_solved_from_hints_and_says_what_it_is(folder, truth, tmp_path, capsys):
    wcs = tmp_path / "red.wcs"
    words = ["check", str(folder / "red.fits")]
    assert main([*words, *hints_near(truth), "--write-wcs", str(wcs)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("No verdict: this is a single channel")
    assert "its stars tell its WCS" in said
    assert "put it together with two others: `starcal compose" in said
    assert "rescue" not in said.lower()
    told = celestial_wcs(read_wcs_header(wcs), (500, 700))
    assert off_px(told.wcs, truth) < NEAR_PX
    assert main([*words, "--wcs", str(wcs), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["channels"], told["verdict"], told["solved"]) == (1, None, True)
    assert told["stars"]["matched"] > 20
    assert told["wcs"]["offset_px"] == pytest.approx([0, 0], abs=NEAR_PX)


def test_hints_of_the_header_do_without_a_word(folder, truth):
    found = starcal.check_channel(folder / "hinted.fits")
    assert found.located.how == "solved"
    assert off_px(found.wcs, truth) < NEAR_PX


def test_a_solved_channel_tells_its_filter_and_that_its_wcs_fits(folder, capsys):
    assert main(["check", str(folder / "solved.fits")]) == 0
    said = capsys.readouterr().out
    assert "its WCS fits its stars" in said
    assert "filter" in said
    assert "Ha" in said


@pytest.mark.parametrize("name", ["red.fits", "noise.fits"])
def test_without_hints_it_is_said_what_to_type(folder, name, capsys):
    assert main(["check", str(folder / name)]) == 0
    said = capsys.readouterr().out
    assert "next     say where it points, with --object NAME or --ra and --dec" in said
    assert "`starcal run`" not in said
    assert main(["check", str(folder / name), "--write-wcs", str(folder / "none.wcs")]) == 1
    assert "not written" in capsys.readouterr().err


@pytest.mark.slow
def test_a_wcs_of_another_size_is_refused_by_the_channels_own_name(folder, tmp_path, capsys):
    header = fits.getheader(folder / "solved.fits")
    header["IMAGEW"], header["IMAGEH"] = 77, 88
    (tmp_path / "other.wcs").write_text(header.tostring(sep="\n"))
    assert main(["check", str(folder / "red.fits"), "--wcs", str(tmp_path / "other.wcs")]) == 1
    assert "made for 77 x 88 pixels, red.fits has 700 x 500" in capsys.readouterr().err


@pytest.mark.campaign
def test_wrong_hints_solve_nothing(folder, capsys):
    wrong = ["--ra", "105.6", "--dec", "10", "--scale", "4"]
    assert main(["check", str(folder / "red.fits"), *wrong, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert not told["solved"]
    assert "not solved" in told["reasons"][1]
    assert main(["check", str(folder / "red.fits"), "--ra", "105.6"]) == 1
    assert "--dec is missing" in capsys.readouterr().err


def test_among_several_frames_it_has_its_line(folder, capsys):
    assert main(["check", str(folder / "solved.fits"), str(folder / "red.fits")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 2
    assert all("fits: a single channel" in line for line in lines)


def test_a_colour_frame_is_not_one_channel(folder):
    with pytest.raises(FrameError, match="3 channels, 1 needed"):
        starcal.check_channel(folder / "grey.tif")


def test_what_takes_colours_still_asks_for_three(folder, tmp_path, capsys):
    assert main(["run", str(folder / "red.fits"), "--out", str(tmp_path / "out")]) == 1
    assert "starcal compose --red A --green B --blue C -o OUT" in capsys.readouterr().err


# --- three put together -----------------------------------------------------------------


def monos(folder):
    return [str(folder / f"{name}.fits") for name in ("red", "green", "blue")]


def composed_words(folder, out):
    red, green, blue = monos(folder)
    return ["compose", "--red", red, "--green", green, "--blue", blue, "-o", str(out)]


@pytest.mark.slow
def test_monos_without_a_wcs_are_put_together_and_solved(folder, truth, tmp_path, capsys):
    out = tmp_path / "colour.fits"
    assert main([*composed_words(folder, out), *hints_near(truth)]) == 0
    assert "no WCS in the header" in capsys.readouterr().out
    assert off_px(WCS(fits.getheader(out)).celestial, truth) < NEAR_PX
    assert "catalogue stars on the frame" in " ".join(
        str(fits.getheader(out)["HISTORY"]).split()
    )
    assert main(["check", "--assume-linear", "--json", str(out)]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "rescue"


@pytest.mark.slow
def test_where_hints_do_not_fit_nothing_is_written_and_it_is_said(folder, tmp_path, capsys):
    out = tmp_path / "colour.fits"
    wrong = ["--ra", "105.6", "--dec", "10", "--scale", "4"]
    assert main([*composed_words(folder, out), *wrong]) == 1
    assert "no WCS was found that fits the stars" in capsys.readouterr().err
    assert not out.exists()
    with pytest.raises(NoWCSError, match="--dec is missing"):
        compose(*monos(folder), ra=305.0)
    with pytest.raises(SystemExit):
        main([*composed_words(folder, out), "--scale", "0"])


def test_without_hints_the_frame_goes_without(folder, tmp_path):
    out = tmp_path / "colour.fits"
    assert main(composed_words(folder, out)) == 0
    assert "CTYPE1" not in fits.getheader(out)


def test_a_wcs_that_fits_is_kept(folder, truth):
    made = compose(*[folder / "solved.fits"] * 3, ra=10.0, dec=10.0, scale=4.0)
    assert off_px(made.frame.wcs, truth) < 1e-6
