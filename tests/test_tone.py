"""starcal.tone: the published stretch, its choice from a frame, and the screen blend."""

import dataclasses
import tracemalloc

import numpy as np
import pytest
from astropy.visualization import make_lupton_rgb
from hypothesis import given
from hypothesis import strategies as st

from starcal import colour
from starcal.demo.scene import make_scene
from starcal.draw import tone
from starcal.errors import FrameError

SKY, SIGMA = 0.02, 0.001
unit = st.floats(0, 1)


def sky_frame(seed=0, shape=(300, 400), nebula=0.0):
    """Sky with noise, stars of up to full scale and, over the right half, a red nebula."""
    random = np.random.default_rng(seed)
    pixels = SKY + random.normal(0, SIGMA, (3, *shape))
    pixels[:, :, shape[1] // 2 :] += (
        nebula * np.array([1.0, 0.3, 0.2])[:, np.newaxis, np.newaxis]
    )
    for y, x in random.integers(0, shape, (30, 2)):
        pixels[:, y, x] += random.uniform(0.05, 0.9)
    return pixels.astype(np.float32)


@pytest.fixture(scope="module")
def frame():
    return sky_frame(nebula=0.1)


# ---- the published formula -------------------------------------------------------------


def lupton(rgb, alpha, q, factor=1.0):
    return tone.keep_ratios(
        np.asarray(rgb, float), lambda i: factor * tone.asinh_curve(i, alpha, q)
    )


def test_pixel_of_lupton_2004():
    # Lupton et al. 2004, PASP 116, 133, with alpha .02, Q 8, m 0, by hand: asinh(.02 * 8 * 60) / 8 = .369701
    np.testing.assert_allclose(
        lupton([90, 60, 30], 0.02, 8), [0.554552, 0.369701, 0.184851], atol=1e-6
    )
    np.testing.assert_allclose(
        lupton([9000, 6000, 3000], 0.02, 8), [1, 2 / 3, 1 / 3], atol=1e-12
    )


def test_astropy_makes_the_same_picture():
    rgb = np.random.default_rng(0).gamma(0.3, 300, (3, 60, 70))
    theirs = make_lupton_rgb(*rgb, minimum=0, stretch=50, Q=8)
    ours = lupton(
        rgb, 1 / 50, 8, factor=0.1 * 8 / np.arcsinh(0.1 * 8)
    )  # astropy normalises the curve at 0.1
    assert np.abs(np.moveaxis(ours, 0, -1) * 255 - theirs).max() <= 1  # it cuts to whole levels


def test_keep_ratios_shows_black_where_there_is_nothing_to_show():
    pixels = np.array(
        [[0, -1, np.nan, np.inf, 1, -0.1], [0, -1, 1, 1, 1, 1], [0, 1, 1, -np.inf, 1, 1]]
    )
    shown = tone.keep_ratios(pixels, lambda i: i)
    np.testing.assert_array_equal(shown[:, :4], 0)
    np.testing.assert_array_equal(shown[:, 4], 1)
    np.testing.assert_allclose(shown[:, 5], [0, 1, 1])


# ---- the stretch of a frame ------------------------------------------------------------


def test_sky_is_dark_and_nebula_visible(frame):
    shown = tone.choose_stretch(frame).apply(frame)
    assert shown.dtype == np.float32
    assert shown.min() >= 0
    assert shown.max() <= 1
    # the requirement: a sky of .08 to .12; .01 of it for the cells' medians
    np.testing.assert_allclose(
        np.median(shown[:, :, :200], axis=(1, 2)), tone.SKY_DISPLAY, atol=0.01
    )
    red = np.median(shown[0, :, 200:])
    assert 0.55 < red <= 1  # its mean is to stand at NEBULA_DISPLAY
    assert np.median(shown[1, :, 200:]) < 0.8 * red  # and its colour is kept


def test_black_lies_three_sigma_below_the_sky():
    depth = SKY - np.array(tone.choose_stretch(sky_frame()).black)
    np.testing.assert_allclose(
        depth, tone.SKY_DEPTH_SIGMA * SIGMA, rtol=0.1
    )  # noise of the cells' medians: 0.05 sigma


def test_noise_is_not_cut_at_black(frame):
    shown = tone.choose_stretch(frame).apply(frame)[:, :, :200]
    assert (shown == 0).mean() < 0.01  # 3 sigma: 0.1 % of normal noise


@pytest.mark.parametrize("nebula", [0.0, 0.003, 0.05, 0.7])
def test_any_depth_of_nebula(nebula):
    pixels = sky_frame(nebula=nebula)
    shown = tone.choose_stretch(pixels).apply(pixels)
    assert np.median(shown[:, :, :200]) == pytest.approx(tone.SKY_DISPLAY, abs=0.02)
    noise = np.median(np.abs(np.diff(shown[:, :, :200]))) * 1.4826 / np.sqrt(2)
    assert noise < (0.04 if nebula < 0.1 else 0.02)  # of 1; less where there is more to see


@given(st.floats(-50, 50), st.floats(0.001, 60000))
def test_unit_and_offset_of_the_pixels_do_not_matter(offset, scale):
    pixels = sky_frame(shape=(64, 64), nebula=0.1).astype(float)
    changed = (pixels + offset) * scale
    expected = tone.choose_stretch(pixels).apply(pixels)
    np.testing.assert_allclose(
        tone.choose_stretch(changed).apply(changed), expected, atol=1e-4
    )  # float32


def test_colours_are_true_in_linear_light(frame):
    stretch = tone.choose_stretch(frame)
    black = np.array(stretch.black)[:, np.newaxis, np.newaxis]
    star = colour.star_rgb(1.1, 0.65)[:, np.newaxis, np.newaxis]
    shown = stretch.apply((black + star * np.geomspace(1e-3, 10, 50)).astype(np.float32))
    rgb = np.moveaxis(colour.srgb_decode(shown.astype(float)), 0, -1)
    # u'v' 1e-4: float32; a tenth of one visible step
    np.testing.assert_allclose(colour.uv_prime_distance(rgb, star[:, 0, 0]), 0, atol=1e-4)


def test_grey_follows_the_published_curve():
    stretch = tone.Stretch((0.1, 0.2, 0.3), slope=2.0, softening=8.0)
    intensity = np.linspace(0, 0.5, 11)
    pixels = np.array(stretch.black)[:, np.newaxis, np.newaxis] + np.tile(intensity, (3, 1, 1))
    expected = np.arcsinh(2.0 * 8.0 * intensity) / 8.0
    np.testing.assert_allclose(stretch.apply(pixels), np.tile(expected, (3, 1, 1)), atol=1e-6)


def test_strips_make_no_seams(frame, monkeypatch):
    stretch = tone.choose_stretch(frame)
    whole = stretch.apply(frame)
    monkeypatch.setattr(tone, "_STRIP_PIXELS", 1000)
    np.testing.assert_array_equal(stretch.apply(frame), whole)
    np.testing.assert_array_equal(stretch.apply(frame[:, 50:90, 20:60]), whole[:, 50:90, 20:60])


def test_input_is_not_changed(frame):
    before = frame.copy()
    tone.choose_stretch(frame).apply(frame)
    np.testing.assert_array_equal(frame, before)


def test_no_full_frame_temporaries():
    pixels = sky_frame(shape=(1500, 1000), nebula=0.1)
    stretch = tone.choose_stretch(pixels)
    tracemalloc.start()
    shown = stretch.apply(pixels)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1.5 * shown.nbytes  # the output and one strip's work


def test_preview_gets_the_same_stretch():
    pixels = sky_frame(shape=(1200, 1600), nebula=0.1)
    whole, preview = tone.choose_stretch(pixels), tone.choose_stretch(pixels[:, ::4, ::4])
    np.testing.assert_allclose(preview.black, whole.black, atol=0.3 * SIGMA)
    assert preview.slope == pytest.approx(whole.slope, rel=0.1)


def test_nan_border_and_bad_columns_do_not_matter(frame):
    spoilt = frame.copy()
    spoilt[:, :80] = 0  # border of a registered stack
    spoilt[:, 100, 100] = np.nan, 1, np.inf
    spoilt[:, :, 0], spoilt[:, :, -1] = 1e5, -1e5  # columns as some cameras leave them
    stretch, clean = tone.choose_stretch(spoilt), tone.choose_stretch(frame)
    np.testing.assert_allclose(stretch.black, clean.black, atol=SIGMA)
    shown = stretch.apply(spoilt)
    np.testing.assert_array_equal(shown[:, 100, 100], 0)
    np.testing.assert_array_equal(shown[:, :80, 1:], 0)


def test_nebula_over_most_of_the_frame_keeps_its_colour():
    pixels = sky_frame(nebula=0.1)
    pixels[:, :, :160] += np.array([0.1, 0.03, 0.02], np.float32)[
        :, np.newaxis, np.newaxis
    ]  # now over nine tenths
    shown = tone.choose_stretch(pixels).apply(pixels)
    np.testing.assert_allclose(
        np.median(shown[:, :, 160:200], axis=(1, 2)), tone.SKY_DISPLAY, atol=0.01
    )
    red, green, blue = colour.srgb_decode(np.median(shown[:, :, :160], axis=(1, 2)))
    # 1 : .3 : .2, washed out a little by the pedestal that shows the sky as dark grey
    assert red / green == pytest.approx(1 / 0.3, rel=0.15)
    assert red / blue == pytest.approx(1 / 0.2, rel=0.2)


def test_stars_of_a_frame_without_nebula_are_not_burnt_out():
    pixels = sky_frame()
    pixels[:, 150, 50] = SKY + 60 * SIGMA  # a modest star
    assert tone.choose_stretch(pixels).apply(pixels)[:, 150, 50].max() < 0.95


def test_gradient_is_not_noise(frame):
    slope = np.linspace(0, 400 * SIGMA, frame.shape[2], dtype=np.float32)  # one sigma a pixel
    steep, plain = tone.choose_stretch(frame + slope), tone.choose_stretch(frame)
    assert steep._sky_depth < 3 * plain._sky_depth


def test_on_sky_of_moves_black_only(frame):
    stretch = tone.choose_stretch(frame)
    shifted = frame + np.array([0.01, 0.0, -0.005], np.float32)[:, np.newaxis, np.newaxis]
    moved = stretch.on_sky_of(shifted)
    assert (moved.slope, moved.softening) == (stretch.slope, stretch.softening)
    np.testing.assert_allclose(moved.apply(shifted), stretch.apply(frame), atol=2e-4)  # float32


def test_stretch_is_frozen(frame):
    with pytest.raises(dataclasses.FrozenInstanceError):
        tone.choose_stretch(frame).slope = 1.0


def test_integers_are_pixels_too(frame):
    whole_numbers = (frame * 60000).astype(np.uint16)
    shown = tone.choose_stretch(whole_numbers).apply(whole_numbers)
    np.testing.assert_allclose(
        np.median(shown[:, :, :200], axis=(1, 2)), tone.SKY_DISPLAY, atol=0.01
    )


@pytest.mark.parametrize("shape", [(300, 400), (1, 300, 400), (300, 400, 3)])
def test_needs_a_colour_picture(shape, frame):
    with pytest.raises(ValueError, match=r"needs \(3, H, W\): use a colour picture"):
        tone.choose_stretch(np.zeros(shape))
    tone.choose_stretch(frame)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.0, "nearly all pixels given are nan or 0"),
        (np.nan, "nearly all pixels given are nan or 0"),
        (0.25, "all pixels have the value 0.25"),
    ],
)
def test_needs_something_on_the_picture(value, said, frame):
    pixels = np.full_like(frame, value)
    with pytest.raises(FrameError, match=f"{said}.*needs a picture with something on it"):
        tone.choose_stretch(pixels)
    tone.choose_stretch(np.nan_to_num(pixels) + frame)  # with something on it


# ---- screen ----------------------------------------------------------------------------


def test_screen_by_hand():
    np.testing.assert_allclose(
        tone.screen([0.5, 0.8, 0.0, 1.0], [0.5, 0.6, 0.3, 0.3]), [0.75, 0.92, 0.3, 1.0]
    )


@given(unit, unit)
def test_screen_stays_in_range_and_commutes(below, above):
    result = tone.screen(below, above)
    assert max(below, above) - 1e-12 <= result <= 1
    assert result == pytest.approx(tone.screen(above, below), abs=1e-12)


def test_star_over_another_nebula_changes_colour():
    # the hazard that the docstring warns of: a star 1 : .75 : .5 over (.45, .10, .12), .535 mag in R-G
    nebula = np.array([0.45, 0.10, 0.12])
    added = tone.screen(nebula, np.array([0.4, 0.3, 0.2])) - nebula
    assert -2.5 * np.log10(added[0] / added[1] / (4 / 3)) == pytest.approx(0.535, abs=0.001)


def test_screen_keeps_nan_and_float32():
    below = np.array([np.nan, 0.5, 1.0], np.float32)
    above = np.array([0.5, np.nan, np.nan], np.float32)
    result = tone.screen(below, above)
    assert result.dtype == np.float32
    assert np.isnan(result).all()


def test_screen_refuses_linear_pictures(frame):
    linear = frame * 5000
    with pytest.raises(
        FrameError, match=r"values from .* given; screening needs .*stretch them first"
    ):
        tone.screen(linear, linear)
    shown = tone.choose_stretch(linear).apply(linear)  # as the message says
    assert tone.screen(shown, shown).shape == linear.shape


def test_layers_stretched_apart_join_by_screening():
    scene = make_scene(shape=(200, 300), nebula_electrons=8e3, faint_to_mag=13.0)
    stars = scene.pixels - scene.nebula.astype(np.float32)
    below, above = tone.stretch_apart(scene.nebula.astype(np.float32), stars)
    joined = tone.screen(below, above)
    assert joined.min() >= 0
    assert joined.max() <= 1
    assert (joined >= below - 1e-6).all()  # screening only brightens; float32 rounding
    empty = np.abs(stars).max(axis=0) < 1e-4
    assert (
        np.abs((joined - below)[:, empty]).max() < 0.2
    )  # where no star is, the nebula stays but for the noise
