"""starcal.palette: invented colours that stay honest, and adjustments that stay possible."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from starcal import colour
from starcal.colour import palette

BV_MAG = np.linspace(-0.3, 1.5, 40)


def test_uniform_yellow_white():
    stars = palette.yellow_white(5)
    np.testing.assert_array_equal(stars.bv_mag, [0.75] * 5)
    assert stars.label == "synthetic: every star B-V 0.75, not measured"


def test_yellow_white_looks_yellow_white():
    red, green, blue = 255 * colour.srgb_encode(
        colour.star_rgb(0.75) / colour.star_rgb(0.75).max()
    )
    # between the G2V (255, 245, 236) and K0V (255, 235, 209) of M. Charity's palette, see
    # reference/star_palette.csv, by its 12 levels of other colour matching functions
    assert red == pytest.approx(255)
    assert 235 - 12 < green < 245 + 12
    assert 209 - 12 < blue < 236 + 12


def test_no_single_colour_is_much_closer_to_a_field():
    field = colour.star_rgb(np.random.default_rng(0).normal(0.75, 0.35, 2000))
    rms = {
        bv: np.sqrt(np.mean(colour.uv_prime_distance(field, colour.star_rgb(bv)) ** 2))
        for bv in (0.5, 0.75, 1.0)
    }
    assert rms[0.75] < min(rms[0.5], rms[1.0])
    assert rms[0.75] == pytest.approx(
        0.0231, abs=0.002
    )  # separate simulation; 2000 stars give 2 %


def test_spread_is_seeded_labelled_and_in_range():
    stars = palette.yellow_white(3000, spread_mag=0.2, seed=7)
    assert stars.bv_mag.min() >= 0.4
    assert stars.bv_mag.max() <= 1.0
    assert "invented" in stars.label
    assert "spread 0.20 mag (seed 7), not measured" in stars.label
    np.testing.assert_array_equal(
        stars.bv_mag, palette.yellow_white(3000, spread_mag=0.2, seed=7).bv_mag
    )
    assert (stars.bv_mag != palette.yellow_white(3000, spread_mag=0.2, seed=8).bv_mag).any()


def test_spread_is_the_standard_deviation_where_nothing_is_cut():
    stars = palette.yellow_white(4000, bv_mag=0.7, spread_mag=0.05)
    assert np.mean(stars.bv_mag) == pytest.approx(0.7, abs=4 * 0.05 / np.sqrt(4000))  # 4 sigma
    assert np.std(stars.bv_mag) == pytest.approx(0.05, abs=4 * 0.05 / np.sqrt(8000))


@given(st.floats(0.4, 1.0), st.floats(0, 1e6), st.integers(0, 50))
def test_invented_colours_are_yellow_white(bv_mag, spread_mag, n_stars):
    stars = palette.yellow_white(n_stars, bv_mag, spread_mag)
    assert stars.bv_mag.shape == (n_stars,)
    assert ((stars.bv_mag >= 0.4) & (stars.bv_mag <= 1.0)).all()


def test_palette_is_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        palette.yellow_white(2).label = "measured"


@pytest.mark.parametrize("bv_mag", [-0.5, 1.6, np.nan])
def test_no_palette_of_a_colour_that_no_star_has(bv_mag):
    with pytest.raises(
        ValueError,
        match=r"B-V .* given, but star colours are known from -0.37 to 1.5; give a B-V in",
    ):
        palette.yellow_white(3, bv_mag)
    palette.yellow_white(3, 1.5)


@pytest.mark.parametrize("spread_mag", [-0.1, np.nan, np.inf])
def test_no_spread_below_zero(spread_mag):
    with pytest.raises(ValueError, match="must be 0 or more; 0 makes all stars alike"):
        palette.yellow_white(3, spread_mag=spread_mag)
    assert np.ptp(palette.yellow_white(3, spread_mag=0).bv_mag) == 0


def test_no_spread_outside_yellow_white():
    with pytest.raises(
        ValueError,
        match=r"invented spreads stay within 0\.4 to 1\.0; give spread 0 or a B-V in",
    ):
        palette.yellow_white(3, 0.2, spread_mag=0.1)
    palette.yellow_white(3, 0.2)
    palette.yellow_white(3, 0.5, spread_mag=0.1)


# ---- adjustments -----------------------------------------------------------------------


@pytest.mark.parametrize("neutral_bv_mag", [None, 0.65])
def test_one_is_true(neutral_bv_mag):
    true = colour.star_rgb(BV_MAG, neutral_bv_mag)
    np.testing.assert_allclose(palette.star_colours(BV_MAG, neutral_bv_mag), true, rtol=1e-12)


def test_warmth_is_a_shift_of_b_minus_v():
    warm = palette.star_colours([0.2, 0.6], warmth=1.5)
    np.testing.assert_allclose(warm, palette.star_colours([0.375, 0.775]), rtol=1e-12)
    cool = palette.star_colours([0.2, 0.6], warmth=0)
    np.testing.assert_allclose(cool, palette.star_colours([-0.15, 0.25]), rtol=1e-12)


def test_saturation_scales_magnitudes_and_keeps_luminance():
    strong = palette.star_colours(BV_MAG, saturation=2)
    true = palette.star_colours(BV_MAG)
    np.testing.assert_allclose(
        strong[:, 0] / strong[:, 1], (true[:, 0] / true[:, 1]) ** 2, rtol=1e-12
    )
    np.testing.assert_allclose(colour.luminance(strong), 1, rtol=1e-12)
    np.testing.assert_allclose(palette.star_colours(BV_MAG, saturation=0), 1, rtol=1e-12)


@given(st.floats(0, 2), st.floats(0, 2))
def test_adjusted_stars_are_never_green_or_magenta(warmth, saturation):
    rgb = palette.star_colours(BV_MAG, 0.65, warmth, saturation)
    assert (rgb > 0).all()
    assert not set(colour.classify(rgb, 0.65)) & {
        "green",
        "magenta",
    }  # but O stars can be made bluer than any


def test_black_has_no_colour_to_saturate():
    result = palette.saturate([[0, 0, 0], [np.nan, 1, 1], [1, 1, -0.1]], 1.5)
    assert np.isnan(result[0]).all()
    assert np.isnan(result[1]).all()
    assert result[2, 2] == 0


@pytest.mark.parametrize(
    ("warmth", "saturation"), [(np.nan, 1), (np.inf, 1), (1, -0.1), (1, np.nan)]
)
def test_nonsense_adjustments_are_refused(warmth, saturation):
    with pytest.raises(ValueError, match="1 is true, saturation must be 0 or more"):
        palette.star_colours([0.5], warmth=warmth, saturation=saturation)
    palette.star_colours([0.5], warmth=1, saturation=0)
