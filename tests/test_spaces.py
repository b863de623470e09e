"""starcal.frame.spaces: what the numbers of a picture show, by its embedded profile."""

import numpy as np
import pytest
import tifffile
from made_pictures import icc_profile, in_adobe_rgb

from starcal.colour import srgb_decode
from starcal.errors import FrameError
from starcal.frame import colour_space, in_srgb, other_than_srgb, read_frame, write_in_kind
from starcal.frame.straight_pieces import StraightPieces

# Primaries and white of Adobe RGB (1998) (its specification, 2005, 4.3.1.1) and of Display P3 (SMPTE
# RP 431-2 primaries, D65): the luminance of their red, green and blue as published there or derived.
ADOBE_LUMINANCE = (0.29734, 0.62736, 0.07529)
P3_LUMINANCE = (0.22897, 0.69174, 0.07929)


@pytest.mark.parametrize(
    ("name", "wanted"), [("adobergb", ADOBE_LUMINANCE), ("p3", P3_LUMINANCE)]
)
def test_luminance_of_published_primaries(name, wanted):
    """To 1 %: profiles hold their primaries moved to another white, rounded to 16 bits."""
    space = colour_space(icc_profile(name))
    assert space.luminance(np.eye(3)) == pytest.approx(wanted, abs=0.01)
    assert space.luminance(np.ones(3)) == pytest.approx(1, abs=1e-3)


def test_srgb_read_from_a_profile_is_srgb():
    read = colour_space(icc_profile("srgb"))
    levels = np.linspace(0, 1, 33)
    assert read.decode(levels) == pytest.approx(srgb_decode(levels), abs=1e-4)
    assert read.to_srgb == pytest.approx(np.eye(3), abs=1e-3)


def test_spaces_in_which_colours_of_srgb_look_otherwise_are_named():
    assert other_than_srgb(None) == other_than_srgb(icc_profile("srgb")) == (None, "")
    space, told = other_than_srgb(icc_profile("adobergb"))
    assert space.name in told
    space, told = other_than_srgb(b"no profile at all")
    assert space is None
    assert "taken for those of sRGB" in told


@pytest.mark.parametrize("name", ["srgb", "adobergb", "p3"])
def test_there_and_back(name):
    space = colour_space(icc_profile(name))
    encoded = np.random.default_rng(1).uniform(0, 1, (3, 100))
    assert space.encode(space.decode(encoded)) == pytest.approx(encoded, abs=1e-5)


@pytest.mark.parametrize("power", [0.4, 1, 2.2, "steps"])
def test_a_curve_looked_up_is_the_curve_interpolated(power):
    """To the bit: at its points, next to them, between, beyond, and where there is no number."""
    at = np.linspace(0, 1, 400)
    at = np.rint(20 * at) / 20 if power == "steps" else at**power
    value = np.sqrt(np.arange(400.0))
    places = np.random.default_rng(1).uniform(-0.1, 1.1, 5000)
    for near in (at, np.nextafter(at, -1), np.nextafter(at, 2), [np.nan, np.inf, -np.inf]):
        places = np.append(places, near)
    curve = StraightPieces(at, value)
    for given in (places, np.float32(places)):
        assert np.array_equal(curve(given), np.interp(given, at, value), equal_nan=True)


def test_a_damaged_profile_is_refused():
    with pytest.raises(FrameError, match="sRGB"):
        colour_space(b"no profile at all")


# --- pictures of another space ------------------------------------------------------------------


@pytest.fixture
def picture(tmp_path):
    """Colours that sRGB has, as it shows them and in a file of Adobe RGB; one pixel that it lacks."""
    shown = np.random.default_rng(3).uniform(0.05, 0.95, (3, 20, 30)).astype(np.float32)
    numbers = in_adobe_rgb(np.ascontiguousarray(shown[:, ::-1].transpose(1, 2, 0)))
    numbers[0, 0] = 65535, 0, 0
    file = tmp_path / "adobe.tif"
    tifffile.imwrite(file, numbers, photometric="rgb", iccprofile=icc_profile("adobergb"))
    return shown, file


def test_a_picture_is_taken_to_what_it_shows(picture):
    """To 1 in 4000: profiles and their curves are rounded to 16 bits, and so is the file."""
    shown, file = picture
    frame = in_srgb(read_frame(file))
    assert frame.icc_profile is None
    assert frame.pixels[:, :-1] == pytest.approx(shown[:, :-1], abs=2.5e-4)
    assert in_srgb(frame) is frame


def test_new_values_are_written_in_the_space_of_the_file(picture, tmp_path):
    """Numbers that are not new are the file's own; so are those of colours that sRGB lacks where
    nothing of them changes."""
    shown, file = picture
    read = read_frame(file)
    frame = in_srgb(read)
    new, changed = frame.pixels.copy(), np.zeros(shown.shape[1:], bool)
    new[:, 4] *= 0.5
    changed[[4, -1]] = True
    space, _ = other_than_srgb(read.icc_profile)
    write_in_kind(tmp_path / "new.tif", file, new, changed, 65535.0, shown_in=space)
    before, after = tifffile.imread(file), tifffile.imread(tmp_path / "new.tif")
    assert (before[:-5] == after[:-5]).all()
    assert (before[-4:] == after[-4:]).all()
    again = in_srgb(read_frame(tmp_path / "new.tif")).pixels
    assert again[:, 4] == pytest.approx(0.5 * frame.pixels[:, 4], abs=5e-4)
