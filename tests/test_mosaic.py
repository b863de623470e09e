"""Raw frames of colour cameras: every pattern, offset and order of rows, against pictures whose
colours are known."""

import json

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from starcal.cli.main import main
from starcal.compose import compose
from starcal.errors import FrameError
from starcal.frame import read_frame

COLOURS = {"R": 0.1, "G": 0.2, "B": 0.3}
FIELD = {
    "seed": 1,
    "shape": (500, 700),
    "scale_arcsec": 4.0,
    "faint_to_mag": 13.5,
    "fwhm_px": 3.2,
}
PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def raw_of(pixels, pattern, x_off=0, y_off=0, from_bottom=False):
    """What a camera with such a filter keeps of a picture, whose rows are as in the file: the
    pattern is laid from the picture's top left, so many pixels into it."""
    height, width = pixels.shape[1:]
    raw = np.empty((height, width), pixels.dtype)
    for row in range(height):
        from_top = height - 1 - row if from_bottom else row
        for column in range(width):
            letter = pattern[2 * ((from_top + y_off) % 2) + (column + x_off) % 2]
            raw[row, column] = pixels["RGB".index(letter), row, column]
    return raw


def flat_picture(shape):
    noise = np.random.default_rng(0).standard_normal((3, *shape))
    levels = np.array(list(COLOURS.values()))[:, None, None]
    return (levels + 1e-4 * noise).astype(np.float32)


def written(path, raw, cards):
    header = fits.Header()
    for key, value in cards.items():
        header[key] = value
    fits.PrimaryHDU(raw, header).writeto(path, overwrite=True)
    return path


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("offset", [(0, 0), (1, 0), (0, 3), (1, 1)])
@pytest.mark.parametrize("shape", [(20, 26), (21, 27)])
@pytest.mark.parametrize("from_bottom", [False, True])
def test_each_pixel_goes_to_its_channel(tmp_path, pattern, offset, shape, from_bottom):
    x_off, y_off = offset
    raw = raw_of(flat_picture(shape), pattern, x_off, y_off, from_bottom)
    cards = {"BAYERPAT": pattern, "XBAYROFF": x_off, "YBAYROFF": y_off}
    cards["ROWORDER"] = "BOTTOM-UP" if from_bottom else "TOP-DOWN"
    frame = read_frame(written(tmp_path / "raw.fits", raw, cards), cells=True)
    assert frame.pixels.shape == (3, shape[0] // 2, shape[1] // 2)
    # five standard deviations of the noise that was put in
    for plane, level in zip(frame.pixels, COLOURS.values(), strict=True):
        np.testing.assert_allclose(plane, level, atol=5e-4)
    assert any(f"BAYERPAT {pattern}" in note and "2x2 cells" in note for note in frame.notes)
    assert not any("may be wrong" in note for note in frame.notes)
    assert "BAYERPAT" not in frame.header


def test_green_is_the_mean_of_two(tmp_path):
    raw = np.tile(np.array([[1, 10], [20, 4]], np.uint16), (12, 12))
    path = written(
        tmp_path / "raw.fits", raw + np.arange(24)[:, None] // 2 * 100, {"BAYERPAT": "RGGB"}
    )
    frame = read_frame(path, cells=True, full_scale=1.0)
    np.testing.assert_array_equal(frame.pixels[1] - frame.pixels[0], 14.0)
    np.testing.assert_array_equal(frame.pixels[2] - frame.pixels[0], 3.0)


def test_a_pattern_that_the_levels_speak_against_is_doubted(tmp_path):
    raw = raw_of(flat_picture((60, 80)), "RGGB")
    frame = read_frame(written(tmp_path / "raw.fits", raw, {"BAYERPAT": "GRBG"}), cells=True)
    assert any("ROWORDER may be wrong" in note for note in frame.notes)


def test_places_on_the_sky_stay(tmp_path):
    """With distortion: astropy's own reading of either header, at the same places."""
    header = fits.Header()
    header["BAYERPAT"] = "RGGB"
    header["CTYPE1"], header["CTYPE2"] = "RA---TAN-SIP", "DEC--TAN-SIP"
    header["CRVAL1"], header["CRVAL2"] = 83.0, -5.0
    header["CRPIX1"], header["CRPIX2"] = 101.3, 77.7
    header["CD1_1"], header["CD1_2"] = -5e-4, 1e-4
    header["CD2_1"], header["CD2_2"] = 1e-4, 5e-4
    header["A_ORDER"], header["B_ORDER"] = 3, 2
    header["A_2_0"], header["A_1_2"], header["B_1_1"] = 2e-5, 3e-7, -1e-5
    header["PIXSCALE"], header["XPIXSZ"] = 1.8, 3.76
    raw = raw_of(flat_picture((160, 200)), "RGGB")
    fits.PrimaryHDU(raw, header).writeto(tmp_path / "raw.fits")
    frame = read_frame(tmp_path / "raw.fits", cells=True)
    x, y = np.meshgrid([0.0, 31.0, 99.0], [0.0, 40.0, 79.0])
    # cell i has the pixels 2 i and 2 i + 1, its middle lies at 2 i + 0.5
    whole = WCS(header).all_pix2world(2 * x + 0.5, 2 * y + 0.5, 0)
    np.testing.assert_allclose(frame.wcs.all_pix2world(x, y, 0), whole, rtol=0, atol=1e-9)
    assert (frame.header["PIXSCALE"], frame.header["XPIXSZ"]) == (3.6, 7.52)


# --- what is said -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(scene_of, tmp_path_factory):
    folder = tmp_path_factory.mktemp("raw")
    scene = scene_of(**FIELD)
    height, width = scene.pixels.shape[1:]
    y, x = np.mgrid[:height, :width]
    which = np.array([[0, 1], [1, 2]])[y % 2, x % 2]
    raw = np.take_along_axis(scene.pixels, which[None], 0)[0]
    counts = np.clip(raw * 65535, 0, 65535).astype(np.uint16)
    header = scene.header.copy()
    header["BAYERPAT"] = "RGGB"
    fits.PrimaryHDU(counts, header).writeto(folder / "raw.fits")
    bare = fits.Header([("BAYERPAT", "RGGB")])
    fits.PrimaryHDU(counts, bare).writeto(folder / "unsolved.fits")
    header["BAYERPAT"] = "CYYM"
    fits.PrimaryHDU(counts, header).writeto(folder / "other.fits")
    header["BAYERPAT"] = (
        "RGGB"  # a channel made of a raw frame by a program that kept the header
    )
    fits.PrimaryHDU(scene.pixels[0], header).writeto(folder / "red.fits")
    return folder


@pytest.mark.parametrize("command", ["run", "calibrate", "recolour", "audit", "split"])
def test_where_it_cannot_be_taken_it_is_said_what_to_do(folder, tmp_path, capsys, command):
    out = (
        []
        if command == "audit"
        else ["--out" if command == "run" else "-o", str(tmp_path / "o.fits")]
    )
    assert main([command, str(folder / "raw.fits"), *out]) == 1
    said = capsys.readouterr().err
    assert "raw frame of a colour camera (BAYERPAT RGGB)" in said
    assert "debayer it" in said
    assert "compose" not in said


def test_an_unknown_pattern_is_named(folder, capsys):
    assert main(["check", str(folder / "other.fits")]) == 1
    said = capsys.readouterr().err
    assert "BAYERPAT CYYM; known: RGGB, BGGR, GRBG, GBRG" in said


def test_a_raw_frame_is_no_channel_but_a_channel_with_its_header_is(folder):
    with pytest.raises(FrameError, match="debayer it"):
        compose(folder / "raw.fits", folder / "raw.fits", folder / "raw.fits")
    made = compose(folder / "red.fits", folder / "red.fits", folder / "red.fits")
    assert made.frame.pixels.shape == (3, 500, 700)


@pytest.mark.slow
def test_check_takes_it_at_half_its_size_and_says_so(folder, scene_of, capsys):
    """The gains are those of the scene, to three stated errors."""
    assert main(["check", "--assume-linear", "--json", str(folder / "raw.fits")]) == 0
    told = json.loads(capsys.readouterr().out)
    truth = scene_of(**FIELD).gains_true
    for channel, gain in zip("RB", truth[[0, 2]], strict=True):
        off = abs(told["gains"][channel] - gain)
        assert off < 3 * told["gain_errors"][channel]
    assert any("colour frame of half the size" in note for note in told["notes"])
    assert not any("not on one pixel grid" in note for note in told["notes"])
    assert "debayer the raw frame" in told["next_steps"][0]
    assert not any("`starcal calibrate`" in step for step in told["next_steps"])


@pytest.mark.slow
def test_the_scale_typed_is_that_of_the_file_and_a_wcs_written_serves_it(
    folder, tmp_path, capsys
):
    wcs = tmp_path / "raw.wcs"
    header = fits.getheader(folder / "raw.fits")
    middle = WCS(header).all_pix2world(349.5, 249.5, 0)
    where = ["--ra", f"{middle[0]}", f"--dec={middle[1]}", "--scale", "4.0"]
    words = ["check", str(folder / "unsolved.fits"), "--assume-linear"]
    assert main([*words, *where, "--write-wcs", str(wcs)]) == 0
    assert "8 arcsec a pixel" in capsys.readouterr().out
    assert main([*words, "--wcs", str(wcs), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["wcs"]["offset_px"] == pytest.approx(
        [0, 0], abs=0.3
    )


def test_the_wcs_of_another_frame_is_refused_as_it_says_itself(folder, tmp_path, capsys):
    header = fits.getheader(folder / "raw.fits")
    header["IMAGEW"], header["IMAGEH"] = 77, 88
    (tmp_path / "other.wcs").write_text(header.tostring(sep="\n"))
    assert (
        main(["check", str(folder / "unsolved.fits"), "--wcs", str(tmp_path / "other.wcs")])
        == 1
    )
    assert "made for 77 x 88 pixels" in capsys.readouterr().err


def test_plan_takes_its_field_and_the_scale_of_its_pixels(folder, capsys):
    """Half a picture of twice the pixels: the same field, and the focal length of the file's own
    pixels, 3.76 um at 4 arcsec: 206.265 * 3.76 / 4 mm."""
    assert main(["plan", "--for", str(folder / "raw.fits"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["kit"]["focal_mm"] == pytest.approx(206.265 * 3.76 / 4.0, rel=1e-3)
    assert told["field"]["width_deg"] == pytest.approx(700 * 4.0 / 3600, rel=1e-3)
