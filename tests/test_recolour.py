"""Recolouring: luminance kept, colours as ordered, no rims; joining and the check of starless
frames from elsewhere."""

import numpy as np
import pytest
from test_layers import plain, star_grid

from starcal import layers
from starcal.colour.stellar import (
    LUMINANCE_WEIGHTS,
    luminance,
    rgb_to_uv_prime,
    star_rgb,
    uv_prime_distance,
)
from starcal.demo import light
from starcal.errors import FrameError
from starcal.layers.joining import join_add, plausible_starless
from starcal.layers.recolour import recolour
from starcal.stars import measure_stars

JUST_NOTICED_UV = 0.004  # side by side; see colour.uv_prime_distance


@pytest.fixture(scope="module")
def frame():
    """Magenta stars whose red is a quarter wider than their green: they have magenta halos."""
    x, y = star_grid()
    x, y, flux = (
        np.append(x, x[24] + 8.0),
        np.append(y, y[24]),
        np.append(np.geomspace(0.2, 3.0, len(x)), 1.0),
    )
    pixels = np.full((3, 160, 160), 0.01, np.float32) + np.random.default_rng(3).normal(
        0, 1e-4, (3, 160, 160)
    )
    pixels = pixels.astype(np.float32)
    for plane, gain, fwhm_px in zip(pixels, (1.0, 0.4, 0.9), (3.6, 2.9, 3.2), strict=True):
        light.add_stars(plane, x, y, flux * gain, fwhm_px, 3.0, floor=1e-7)
    stars = measure_stars(pixels)
    return pixels, stars, layers.split(pixels, stars)


@pytest.fixture(scope="module")
def colours(frame):
    return star_rgb(np.linspace(-0.2, 1.4, len(frame[1])), 0.65)


def test_luminance_is_kept_pixel_by_pixel(frame, colours):
    """The issue asks for 0.1 % of the total; float32 rounding of three channels is what is left of
    it."""
    before, after = (
        np.tensordot(LUMINANCE_WEIGHTS, layer.astype(float), 1)
        for layer in (frame[2].stars, recolour(frame[2], colours))
    )
    np.testing.assert_allclose(after, before, atol=1e-6 * np.abs(before).max())
    assert after.sum() == pytest.approx(before.sum(), rel=1e-5)


def test_each_star_has_its_colour_from_core_to_rim(frame, colours):
    """Also where the red halo was: chromatic halos do not survive."""
    _, _, split = frame
    layer, model = recolour(split, colours), split.model
    yy, xx = np.mgrid[:160, :160]
    alone = [
        i
        for i in range(len(model.x_px))
        if np.sort(np.hypot(model.x_px - model.x_px[i], model.y_px - model.y_px[i]))[1] > 16
    ]
    assert len(alone) > 30
    for i in alone:
        radius = np.hypot(xx - model.x_px[i], yy - model.y_px[i])
        for inner, outer in ((0, 1.5), (1.5, 3), (3, 4.5)):
            light = layer[:, (radius >= inner) & (radius < outer)].sum(axis=1)
            assert uv_prime_distance(light, colours[i]) < JUST_NOTICED_UV
    ring = (np.hypot(xx - model.x_px[24], yy - model.y_px[24]) // 1.5) == 2
    was = split.stars[:, ring].sum(axis=1)
    assert (
        uv_prime_distance(was, colours[24]) > 10 * JUST_NOTICED_UV
    )  # there was something to be mended


def test_colours_run_into_each_other_where_stars_overlap(frame):
    """Blue and orange eight pixels apart: on the line between them the colour goes over without a
    step back."""
    _, stars, split = frame
    x, y = split.model.x_px, split.model.y_px
    near = np.argsort(np.hypot(x - 84, y - 84))[:2]
    blue, orange = near if x[near[0]] < x[near[1]] else near[::-1]
    rgb = np.tile(star_rgb(0.65, 0.65), (len(stars), 1))
    rgb[blue], rgb[orange] = star_rgb(-0.2, 0.65), star_rgb(1.4, 0.65)
    row = recolour(split, rgb)[:, round(y[blue]), round(x[blue]) : round(x[orange]) + 1]
    redness = rgb_to_uv_prime(row.T)[:, 0]
    assert (np.diff(redness) > 0).all()
    assert np.diff(redness).max() < 0.6 * (redness[-1] - redness[0])


def test_nebula_outside_the_footprints_is_kept_bit_for_bit(frame, colours):
    pixels, _, split = frame
    joined = join_add(split.starless, recolour(split, colours))
    np.testing.assert_array_equal(joined[:, ~split.footprint], pixels[:, ~split.footprint])


def test_joining_what_was_split_gives_the_frame(frame):
    pixels, _, split = frame
    np.testing.assert_array_equal(join_add(split.starless, split.stars), pixels)


def test_colours_that_do_not_fit_are_refused(frame, colours):
    split, n = frame[2], len(frame[1])
    with pytest.raises(
        ValueError,
        match=rf"shape \(3, 3\) given for {n} stars; give an array of shape \({n}, 3\)",
    ):
        recolour(split, colours[:3])
    dim = colours.copy()
    dim[5] *= 0.5
    with pytest.raises(
        ValueError, match=f"1 of {n} colours .* for star 5; divide each by colour.luminance"
    ):
        recolour(split, dim)
    np.testing.assert_allclose(
        recolour(split, dim / luminance(dim)[:, None]),
        recolour(split, colours),  # as advised
        rtol=1e-5,
        atol=1e-9,
    )


def test_a_frame_without_stars_has_a_layer_without_light():
    pixels = np.full((3, 64, 64), 0.01, np.float32)
    assert not recolour(layers.split(pixels, measure_stars(pixels)), np.zeros((0, 3))).any()


def test_layers_of_different_size_are_not_joined():
    with pytest.raises(
        FrameError, match=r"\(3, 5, 5\).*\(3, 4, 5\).*register one to the other"
    ):
        join_add(np.zeros((3, 5, 5)), np.zeros((3, 4, 5)))


# --- starless frames from elsewhere -----------------------------------------------------


def test_a_good_starless_frame_passes(frame):
    pixels, stars, split = frame
    check = plausible_starless(pixels, split.starless, stars)
    assert abs(check.light_left) < 0.02
    assert check.brighter_share == 0
    assert max(map(abs, check.sky_shift)) < 1  # halos lie over half of this frame


BAD = {
    "of the same size": lambda pixels, starless: starless[:, :-1],
    "made from this frame": lambda pixels, starless: np.full_like(starless, np.nan),
    "neither stretched nor scaled": lambda pixels, starless: np.sqrt(starless),
    "made from this very frame": lambda pixels, starless: np.roll(pixels, 9, axis=2),
    "without its stars": lambda pixels, starless: pixels,
}


@pytest.mark.parametrize("advice", BAD)
def test_a_bad_starless_frame_is_refused_and_told_why(frame, advice):
    pixels, stars, split = frame
    with pytest.raises(FrameError, match=advice):
        plausible_starless(pixels, BAD[advice](pixels, split.starless), stars)
    plausible_starless(
        pixels, split.starless, stars
    )  # as advised: linear, same size, of this frame, without stars


def test_without_clear_stars_no_light_can_be_left():
    pixels, _ = plain([80.0], [80.0], [1e-9])
    assert plausible_starless(pixels, pixels, measure_stars(pixels)).light_left == 0
