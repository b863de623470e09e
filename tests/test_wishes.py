"""Fewer, smaller, whole stars: what is asked of them besides their colours, held against made frames
whose stars are known."""

import json

import numpy as np
import pytest
from astropy.table import Table

from starcal import layers
from starcal.checking.check import check
from starcal.choices import Choices
from starcal.cli.main import main
from starcal.colour import luminance
from starcal.colour.stellar import LUMINANCE_WEIGHTS
from starcal.cure.stars import (
    coloured_as_chosen,
    ready_to_colour,
    recolour_stars,
)
from starcal.demo.scene import make_scene
from starcal.errors import FrameError
from starcal.frame import read_frame, write_fits
from starcal.layers.light import StarModel, shining
from starcal.layers.psf import textbook_psf
from starcal.layers.warp import warps_of

SLOW_FIXTURES = ("folder", "made")
NIGHT = {
    "shape": (300, 420),
    "scale_arcsec": 5.0,
    "channel_gains": (1.0, 0.25, 0.71),
    "faint_to_mag": 12.5,
    "system": "SHO",
    "v_zero_electrons": 2e12,
    "sky_electrons": 4e3,
    "nebula_electrons": 8e3,
}
WISHES = {
    "as they are": {},
    "clipped": {"clipped_cores": "keep"},
    "small": {"star_size": 0.6},
    "large": {"star_size": 1.4},
    "few": {"brightest": 15},
    "bright": {"faintest_mag": 10.0},
    "dim": {"star_brightness": 0.5},
}


@pytest.fixture(scope="module")
def scene():
    return make_scene(**NIGHT)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, scene):
    folder = tmp_path_factory.mktemp("wishes")
    write_fits(folder / "sho.fits", scene.pixels, scene.header)
    return folder


@pytest.fixture(scope="module")
def made(folder):
    frame = read_frame(folder / "sho.fits")
    ready = ready_to_colour(frame, check(frame), Choices())
    return {name: coloured_as_chosen(ready, Choices(**asked)) for name, asked in WISHES.items()}


def light_near(layer, x_px, y_px, reach_px):
    y, x = np.ogrid[: layer.shape[1], : layer.shape[2]]
    return luminance(layer[:, np.hypot(x - x_px, y - y_px) < reach_px].sum(axis=1))


def alone(made, scene, apart_px=18.0):
    """True stars far from others as bright, and from the rim."""
    truth = scene.truth
    x = np.array(truth["x_px"])
    y = np.array(truth["y_px"])
    height, width = scene.pixels.shape[1:]
    inside = (x > apart_px) & (x < width - apart_px) & (y > apart_px) & (y < height - apart_px)
    bright = np.array(truth["v_mag"]) < 11.5
    near = np.hypot(x[:, None] - x, y[:, None] - y) < apart_px
    near &= np.array(truth["v_mag"])[:, None] > np.array(truth["v_mag"]) - 2.5
    return np.flatnonzero(inside & bright & (near.sum(axis=1) == 1))


@pytest.mark.parametrize("name", ["small", "large"])
def test_size_keeps_the_light_of_all_and_of_each(made, scene, name):
    """To 1 % of all; to 6 % of each star that stands alone: within 12 px a larger star has lost what
    its wings carry farther."""
    before, after = made["as they are"].stars, made[name].stars
    assert luminance(after.sum(axis=(1, 2))) == pytest.approx(
        luminance(before.sum(axis=(1, 2))), rel=0.01
    )
    rows = alone(made, scene)
    assert len(rows) >= 3
    for star in scene.truth[rows]:
        there = star["x_px"], star["y_px"], 12.0
        assert light_near(after, *there) == pytest.approx(light_near(before, *there), rel=0.06)


def second_moment(layer, x_px, y_px, reach_px=6.0):
    y, x = np.ogrid[: layer.shape[1], : layer.shape[2]]
    square = (x - x_px) ** 2 + (y - y_px) ** 2
    near = square < reach_px**2
    light = luminance(layer, axis=0)
    return float(np.sum((square * light)[near]) / np.sum(light[near]))


def test_size_changes_the_width_place_and_colour_stay(made, scene):
    widths = []
    rows = [row for row in alone(made, scene) if not scene.truth["clipped"][row]]
    assert len(rows) >= 3
    for star in scene.truth[rows]:
        x, y = star["x_px"], star["y_px"]
        widths.append(
            [second_moment(made[n].stars, x, y) for n in ("small", "as they are", "large")]
        )
        core = np.s_[:, round(y), round(x)]
        small, before = made["small"].stars[core], made["as they are"].stars[core]
        assert small / small.sum() == pytest.approx(before / before.sum(), abs=0.02)
    widths = np.array(widths)
    assert (widths[:, 0] < widths[:, 1]).all()
    assert (widths[:, 1] < widths[:, 2]).all()


def long_stars():
    """A layer of nine stars, 2 pixels wide and half as long again along x, and its model."""
    rng = np.random.default_rng(1)
    x_px, y_px = np.mgrid[30:171:60, 30:171:60].reshape(2, -1) + rng.uniform(-0.5, 0.5, (2, 9))
    warp = np.tile(warps_of(np.array(0.0), np.array([0.2, 0.0])), (3, 9, 1))
    one, none = np.ones((3, 9)), np.zeros((3, 9))
    model = StarModel(
        x_px=x_px, y_px=y_px, psf=(textbook_psf(2.0, 3.0, 1.5),) * 3, warp=warp, flux=one,
        flux_error=none, misfit=none, reach_px=np.full(9, 20.0),
    )  # fmt: skip
    plane = np.zeros((200, 200), np.float32)
    for _, place, light in shining(model, np.ones(9), np.s_[0:200, 0:200]):
        plane.flat[place] = light
    stars = np.array([plane] * 3)
    return layers.Split(np.zeros_like(stars), stars, plane > 0, model)


@pytest.mark.parametrize(("size", "scale"), [(0.4, 1.0), (0.7, 0.4), (1.5, 1.3)])
def test_stars_of_another_size_are_drawn_on_the_pixels_of_a_turned_nebula(size, scale):
    """The light of each, to 1 %, and the way each is drawn out, turned as the nebula is."""
    split, turn = long_stars(), np.radians(40)
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix = np.column_stack([linear, [140, 140] - linear @ [100, 100]])
    drawn = layers.redrawn(split, np.ones((9, 3)), matrix, (280, 280), size=size)[0]
    y, x = np.mgrid[:280, :280]
    middle = matrix @ np.stack([split.model.x_px, split.model.y_px, np.ones(9)])
    for x_px, y_px in middle.T:
        dx, dy = x - x_px, y - y_px
        near = np.hypot(dx, dy) < 28 * scale
        own = split.stars[0].sum() / 9
        assert drawn[near].sum() == pytest.approx(scale**2 * own, rel=0.01)
        weight = drawn * np.exp(-(dx**2 + dy**2) / 2 / (2 * size * scale + 0.5) ** 2)
        lean = np.sum(weight * (dx + 1j * dy) ** 2) / np.sum(weight * (dx**2 + dy**2))
        assert np.angle(lean) == pytest.approx(2 * turn, abs=0.15) or size * scale < 0.5
        assert abs(lean) > 0.05 or size * scale < 0.5


def test_so_many_stars_are_kept_the_brightest(made, scene):
    few = made["few"]
    shown = shown_share(few, made["as they are"], scene)
    order = np.argsort(-true_light(scene))
    assert np.mean(shown[order[:13]] > 0.5) > 0.8  # some are one with a neighbour
    far_fainter = true_light(scene) < 0.4 * true_light(scene)[order[14]]
    assert np.median(shown[far_fainter]) == 0
    assert light_of(few) < light_of(made["as they are"])


def true_light(scene):
    return LUMINANCE_WEIGHTS @ [scene.truth[f"flux_{c}"] for c in "rgb"]


def shown_share(recoloured, before, scene):
    """Of the light near each true star."""
    places = [(s["x_px"], s["y_px"], 2.0) for s in scene.truth]
    was = np.array([light_near(before.stars, *place) for place in places])
    now = np.array([light_near(recoloured.stars, *place) for place in places])
    return np.where(was > 0, now / np.where(was > 0, was, 1), 0)


def light_of(recoloured):
    return float(luminance(recoloured.stars.sum(axis=(1, 2))))


def test_a_magnitude_leaves_fainter_stars_away(made, scene):
    """V of a star by its light in narrow bands is good to some half a magnitude: the lines lie
    where red stars are brighter."""
    shown = shown_share(made["bright"], made["as they are"], scene)[alone(made, scene)]
    v_mag = np.array(scene.truth["v_mag"])[alone(made, scene)]
    assert (shown[v_mag < 9] > 0.5).all()
    assert (shown[v_mag > 10.7] < 0.5).all()


def test_brightness_is_a_factor(made):
    assert made["dim"].stars == pytest.approx(
        0.5 * made["as they are"].stars, rel=1e-5, abs=1e-9
    )


def test_clipped_cores_get_the_light_that_the_star_truly_has(made, scene):
    """Light of each star against the truth; 15 % is what wings next to a core tell of it. A clipped
    core has lost more than that of stars twice over the clipping level."""
    rebuilt = made["as they are"]
    table = rebuilt.check.stars
    assert table["core_rebuilt"].sum() >= 3
    assert not made["clipped"].check.stars["core_rebuilt"].any()
    better = []
    for row in np.flatnonzero(table["core_rebuilt"]):
        x, y = float(table["x_px"].value[row]), float(table["y_px"].value[row])
        star = scene.truth[
            np.argmin(np.hypot(scene.truth["x_px"] - x, scene.truth["y_px"] - y))
        ]
        true = LUMINANCE_WEIGHTS @ [star["flux_r"], star["flux_g"], star["flux_b"]]
        seen = [light_near(m.stars, x, y, 15.0) for m in (made["clipped"], rebuilt)]
        better.append(abs(np.log(seen[1] / true)) < abs(np.log(seen[0] / true)) + 0.02)
    assert np.mean(better) >= 0.8


def test_cores_are_never_darker_and_nothing_else_changes(made):
    before, after = made["clipped"].picture, made["as they are"].picture
    changed = (before != after).any(axis=0)
    assert 0 < changed.mean() < 0.02
    assert (luminance(after, axis=0) >= luminance(before, axis=0) - 1e-5)[changed].all()


def test_the_sum_of_light_is_said(made):
    notes = " ".join(made["small"].check.notes)
    assert "size 0.6" in notes
    assert "100" in notes
    assert "rebuilt from the wings" in notes


@pytest.mark.campaign
def test_without_known_magnitudes_the_message_says_what_to_type(folder, tmp_path, scene):
    write_fits(tmp_path / "nowhere.fits", scene.pixels)
    with pytest.raises(FrameError, match="--brightest N"):
        recolour_stars(tmp_path / "nowhere.fits", faintest_mag=10.0)
    kept = recolour_stars(tmp_path / "nowhere.fits", brightest=5)
    assert light_of(kept) > 0


@pytest.mark.campaign
def test_wishes_of_a_run_are_kept_and_repeated(folder, tmp_path, capsys):
    frame, first, again = str(folder / "sho.fits"), tmp_path / "first", tmp_path / "again"
    asked = ["--star-size", "0.7", "--brightest", "20", "--star-strength", "0.5", "-q"]
    assert main(["run", frame, "--out", str(first), *asked]) == 0
    settings = json.loads((first / "result.json").read_text())["settings"]
    assert (settings["star_size"], settings["brightest"]) == (0.7, 20)
    repeat = ["run", "--settings", str(first / "result.json"), "--out", str(again), "-q"]
    assert main(repeat) == 0
    for name in ("picture.fits", "after.png"):
        assert (first / name).read_bytes() == (again / name).read_bytes()
    stars = Table.read(first / "stars.ecsv")
    assert "core_rebuilt" in stars.colnames
