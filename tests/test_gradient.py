"""A gradient of colour over the frame: planes of known size and direction put into made frames."""

import json

import numpy as np
import pytest
from astropy.io import fits
from campaigns import also

from starcal.checking.check import check, refit
from starcal.choices import Settings
from starcal.cli.main import main
from starcal.cure.gains import calibrate
from starcal.errors import FrameError, TooFewStars
from starcal.frame import read_frame, write_fits
from starcal.view.job import open_job

FIELD = {
    "ra_deg": 305.6,
    "dec_deg": 40.3,
    "scale_arcsec": 9.0,
    "channel_gains": (0.62, 1.0, 0.78),
    "fwhm_px": 2.2,
    "gradient": 0.0,
    "v_zero_electrons": 3e10,
}
RED_LN, BLUE_LN = -0.16, 0.12  # of a channel's light from left to right, from bottom to top


def tilted(scene):
    """The pixels of a scene behind a flat whose red falls to the right and whose blue grows to the
    top."""
    height, width = scene.pixels.shape[1:]
    y, x = np.mgrid[:height, :width]
    pixels = scene.pixels.copy()
    pixels[0] *= np.exp(RED_LN * ((x + 0.5) / width - 0.5))
    pixels[2] *= np.exp(BLUE_LN * ((y + 0.5) / height - 0.5))
    return pixels


@pytest.fixture(scope="module")
def folder(scene_of, tmp_path_factory):
    folder = tmp_path_factory.mktemp("gradient")
    for seed in (1, 2):
        scene = scene_of(**FIELD, seed=seed)
        write_fits(folder / f"even{seed}.fits", scene.pixels, scene.header)
        write_fits(folder / f"tilted{seed}.fits", tilted(scene), scene.header)
    few = scene_of(seed=1, ra_deg=200.0, dec_deg=28.0, scale_arcsec=3.0)
    write_fits(folder / "few.fits", few.pixels, few.header)
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, *also(1)])
def test_a_gradient_is_taken_out_by_the_plane_that_was_put_in(folder, scene_of, seed):
    """The picture against the even frame times the true gains, at the four edges. What a plane
    through some 90 stars leaves is within three of its own errors."""
    made = calibrate(folder / f"tilted{seed}.fits", model="gradient", sky="keep")
    gradient = made.check.gradient
    off_ln = gradient.slope_ln - [[-RED_LN, 0.0], [0.0, -BLUE_LN]]
    assert np.all(np.abs(off_ln) < 3 * gradient.error[:, None])
    assert np.all(gradient.error < 0.03)
    even = read_frame(folder / f"even{seed}.fits").pixels
    bright = (even > 0.01).all(axis=0) & (even < 0.5).all(axis=0)
    height, width = bright.shape
    for row, channel in enumerate((0, 2)):
        ratio = made.pixels[channel] / even[channel] / made.check.gains[channel]
        left = np.median(ratio[:, : width // 5][bright[:, : width // 5]])
        right = np.median(ratio[:, -width // 5 :][bright[:, -width // 5 :]])
        bottom = np.median(ratio[: height // 5][bright[: height // 5]])
        top = np.median(ratio[-height // 5 :][bright[-height // 5 :]])
        assert abs(np.log(right / left)) < 3 * gradient.error[row]
        assert abs(np.log(top / bottom)) < 3 * gradient.error[row]


@pytest.mark.slow
def test_size_and_direction_are_told_and_gains_are_better_known(folder):
    plain = check(folder / "tilted1.fits")
    flat = check(folder / "tilted1.fits", model="gradient")
    assert any("gradient of colour" in note for note in plain.fit_notes)
    assert "not taken out" in str(plain)
    assert not plain.to_dict()["colour_gradient"]["taken_out"]
    told = flat.to_dict()["colour_gradient"]
    assert told["taken_out"]
    assert told["seen"] == {"R": True, "B": True}
    # of a gain that makes up for what the channel loses to the right and gains to the top
    assert told["angle_deg"]["R"] == pytest.approx(0, abs=25)
    assert told["angle_deg"]["B"] == pytest.approx(-90, abs=25)
    assert "towards the right" in str(flat)
    assert "towards the bottom; taken out" in str(flat)
    assert np.all(flat.fit.gain_errors[[0, 2]] < plain.fit.gain_errors[[0, 2]])
    assert flat.fit.scatter_mag[0] < plain.fit.scatter_mag[0]


@pytest.mark.slow
def test_what_is_taken_out_stays_out_when_stars_are_left_out(folder):
    flat = check(folder / "tilted1.fits", model="gradient")
    again = refit(flat)
    assert again.to_dict() == flat.to_dict()


@pytest.mark.slow
def test_where_the_stars_show_none_it_is_said_what_was_found_and_what_is_needed(folder, capsys):
    assert main(["check", "--model", "gradient", str(folder / "even1.fits")]) == 1
    said = capsys.readouterr().err
    assert "no colour gradient to take out: by " in said
    assert " % towards " in said
    assert "2 % and a chance of less than 1 in 200 that it is even are needed" in said
    with pytest.raises(TooFewStars, match=r"cannot be told by \d+ stars, 12 are needed"):
        check(folder / "few.fits", model="gradient")
    assert main(["check", "--model", "gains", str(folder / "few.fits")]) == 0


@pytest.mark.slow
def test_a_run_tells_it_everywhere_and_is_repeated_by_its_settings(folder, tmp_path):
    first, second = tmp_path / "first", tmp_path / "second"
    frame = str(folder / "tilted1.fits")
    assert main(["run", frame, "--model", "gradient", "--out", str(first), "-q"]) == 0
    known = json.loads((first / "result.json").read_text())
    assert known["settings"]["model"] == "gradient"
    assert known["colour_gradient"]["taken_out"]
    assert "taken out" in (first / "report.html").read_text()
    history = " ".join(str(fits.getheader(first / "picture.fits")["HISTORY"]).split())
    assert "gradient of colour taken out" in history
    words = ["run", "--settings", str(first / "result.json"), "--out", str(second), "-q"]
    assert main(words) == 0
    np.testing.assert_array_equal(
        fits.getdata(first / "picture.fits"), fits.getdata(second / "picture.fits")
    )


def test_the_page_says_that_it_shows_one_gain():
    with pytest.raises(FrameError, match="leave --model gradient to `starcal run`"):
        open_job(Settings(frame="any.fits", model="gradient"))
