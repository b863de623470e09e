"""Channels that do not lie on one pixel grid: told, and brought together before anything is
measured."""

import json
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from campaigns import also
from scipy import ndimage

import starcal
from starcal.cli.main import main
from starcal.frame import write_fits
from starcal.place.grid import channel_grid
from starcal.stars import measure_stars

FIELD = {"seed": 1, "scale_arcsec": 4.0, "faint_to_mag": 13.5, "channel_gains": (0.6, 1.0, 0.8)}
LINES = {
    "shape": (440, 620),
    "seed": 2,
    "scale_arcsec": 4.0,
    "ra_deg": 324.7,
    "dec_deg": 57.5,
    "system": "SHO",
    "v_zero_electrons": 2e11,
    "sky_electrons": 4e3,
    "nebula_electrons": 2e4,
    "channel_gains": (1.0, 0.25, 0.71),
}


def shifted(plane, x_px, y_px):
    return ndimage.shift(plane, (y_px, x_px), order=3, mode="nearest")


def turned(plane, degrees):
    return ndimage.rotate(plane, degrees, reshape=False, order=3, mode="nearest")


def scaled(plane, times):
    middle = (np.array(plane.shape) - 1) / 2
    return ndimage.affine_transform(
        plane, [1 / times] * 2, offset=middle * (1 - 1 / times), order=3, mode="nearest"
    )


def half_turn(plane):
    return plane[::-1, ::-1]


# What is done to a plane, and the shift x, y (pixels), rotation (degrees) and scale that it means.
MOVES = {
    "not at all": (lambda plane: plane, (0, 0), 0, 1),
    "less than a pixel": (lambda plane: shifted(plane, 0.6, 0.5), (0.6, 0.5), 0, 1),
    "three pixels": (lambda plane: np.roll(plane, 3, axis=0), (0, 3), 0, 1),
    "twelve pixels": (lambda plane: np.roll(plane, -12, axis=1), (-12, 0), 0, 1),
    "half a turn": (half_turn, (0, 0), 180, 1),
    "turned": (lambda plane: turned(plane, 3.0), (0, 0), -3.0, 1),
    "scaled": (lambda plane: scaled(plane, 1.02), (0, 0), 0, 1.02),
}
USUAL_MOVES = ["less than a pixel", "turned"]


@pytest.mark.slow
@pytest.mark.parametrize("settings", [LINES, *also(FIELD)], ids=["lines", "broad"])
@pytest.mark.parametrize(
    "move", [*USUAL_MOVES, *also(*(m for m in MOVES if m not in USUAL_MOVES))]
)
def test_what_was_done_to_a_plane_is_what_is_told(scene_of, settings, move):
    """Truth: numpy's and scipy's own motion of the pixels; a twentieth of a pixel in the middle, a
    hundredth of a degree (0.07 px at a corner), 0.02 % of scale (0.09 px there)."""
    act, shift_px, rotation_deg, scale = MOVES[move]
    pixels = scene_of(**settings).pixels.copy()
    pixels[2] = act(pixels[2])
    grid = channel_grid(pixels, measure_stars(pixels))
    red, blue = grid.motions
    assert red.apart_px < 0.1
    assert blue.shift_px == pytest.approx(shift_px, abs=0.05)
    off_deg = (blue.rotation_deg - rotation_deg + 180) % 360 - 180
    assert off_deg == pytest.approx(0, abs=0.01)
    assert blue.scale == pytest.approx(scale, abs=2e-4)
    assert list(grid.brought) == (["B"] if blue.apart_px > 1 else [])
    frame = starcal.Frame(pixels, name="any")
    again = grid.applied(frame).pixels
    kept = np.isfinite(again).all(axis=0)
    assert kept.mean() > 0.8
    after = channel_grid(np.nan_to_num(again), measure_stars(np.where(kept, again, np.nan)))
    assert after.motions[1].apart_px < (1.0 if not grid.brought else 0.15)


@pytest.mark.slow
def test_green_apart_from_both_moves_both(scene_of):
    pixels = scene_of(**FIELD).pixels.copy()
    pixels[1] = np.roll(pixels[1], 4, axis=1)
    grid = channel_grid(pixels, measure_stars(pixels))
    assert [m.shift_px for m in grid.motions] == [pytest.approx((-4, 0), abs=0.05)] * 2
    assert list(grid.brought) == ["R", "B"]


@pytest.mark.parametrize("sky", [0.0, 0.1])
def test_with_too_few_stars_nothing_is_told(sky):
    noise = np.random.default_rng(0).standard_normal((3, 200, 300))
    pixels = (sky + 1e-3 * noise).astype(np.float32)
    grid = channel_grid(pixels, measure_stars(pixels))
    assert grid.motions == (None, None)
    assert "not known: fewer than 12 stars" in grid.text
    assert grid.notes == ()
    assert grid.to_dict() == {"R": None, "B": None, "registered": []}


@pytest.fixture(scope="module")
def cubes(scene_of, tmp_path_factory):
    folder = tmp_path_factory.mktemp("cubes")
    scene = scene_of(**FIELD)
    for name, act in {
        "fine": lambda plane: plane,
        "near": lambda plane: shifted(plane, 0.0, 0.6),
        "apart": lambda plane: np.roll(plane, 5, axis=0),
    }.items():
        pixels = scene.pixels.copy()
        pixels[2] = act(pixels[2])
        write_fits(folder / f"{name}.fits", pixels, scene.header)
    return folder


def said_and_told(path, capsys):
    assert main(["check", "--assume-linear", "--verbose", str(path)]) == 0
    said = capsys.readouterr().out
    assert main(["check", "--assume-linear", "--json", str(path)]) == 0
    return said, json.loads(capsys.readouterr().out)


@pytest.mark.slow
def test_check_always_reports_the_grid(cubes, capsys):
    said, told = said_and_told(cubes / "fine.fits", capsys)
    assert "grid of the channels" in said
    assert "R lies up to 0.0" in said
    assert "not on one pixel grid" not in said
    assert told["channel_grid"]["B"]["apart_px"] < 0.1
    assert told["channel_grid"]["registered"] == []
    said, told = said_and_told(cubes / "near.fits", capsys)
    assert "the channels are not on one pixel grid: B lies up to 0.6" in said
    assert told["channel_grid"]["B"]["shift_px"] == pytest.approx([0, 0.6], abs=0.05)
    assert told["channel_grid"]["registered"] == []


@pytest.mark.slow
def test_planes_more_than_a_pixel_apart_are_brought_together_before_they_are_measured(
    cubes, tmp_path, capsys
):
    """The gains are those of the cube whose planes lie together, to its stated errors; the picture
    has its planes together, and says what was done."""
    _, fine = said_and_told(cubes / "fine.fits", capsys)
    said, told = said_and_told(cubes / "apart.fits", capsys)
    assert "B lies up to 5.0" in said
    assert "brought onto the pixel grid of G" in said
    assert told["channel_grid"]["registered"] == ["B"]
    assert told["verdict"] == fine["verdict"]
    for channel in "RB":
        off = abs(told["gains"][channel] - fine["gains"][channel])
        assert off < fine["gain_errors"][channel]
    picture = tmp_path / "calibrated.fits"
    words = ["calibrate", "--assume-linear", str(cubes / "apart.fits"), "-o", str(picture)]
    assert main(words) == 0
    assert "B brought onto the pixel grid of G" in str(fits.getheader(picture)["HISTORY"])
    made = fits.getdata(picture)
    assert max(m.apart_px for m in channel_grid(made, measure_stars(made)).motions) < 0.15


@pytest.mark.slow
def test_a_stretched_picture_is_told_of_but_left_as_it_is(scene_of, frame_of):
    scene = scene_of(**FIELD)
    pixels = np.array(scene.pixels)
    pixels[2] = np.roll(pixels[2], 5, axis=0)
    stretched = np.arcsinh(np.clip(pixels, 0, None) * 300) / np.arcsinh(300)
    found = starcal.check(replace(frame_of(scene), pixels=stretched.astype(np.float32)))
    assert found.linearity.stretched
    assert found.grid.motions[1].shift_px == pytest.approx((0, 5), abs=0.1)
    assert found.grid.brought == {}
