"""Faults of made frames: light is conserved, what is said to move moves, dust is that of the
paper."""

import numpy as np
import pytest

from starcal.demo import dust, faults
from starcal.demo.light import profile as moffat_density

SHAPE = (240, 260)
FWHM_PX = 3.0
PROFILES = {
    "Moffat": faults.moffat_profile(FWHM_PX, 3.0),
    "two Gaussians": faults.two_gaussians(FWHM_PX),
    "diffraction": faults.diffraction_core(FWHM_PX),
    "doughnut": faults.doughnut(6.0),
    "bloated": faults.bloated(faults.two_gaussians(FWHM_PX)),
    "trailed": faults.trailed(faults.two_gaussians(FWHM_PX), 6.0, 0.7),
    "varying": faults.varying(
        faults.two_gaussians(FWHM_PX), SHAPE, growth=0.4, stretch=0.3, coma_px=2.0
    ),
    "spiked": faults.spiked(faults.two_gaussians(FWHM_PX), FWHM_PX, share=0.05),
}


def drawn(profile, x=131.3, y=118.6, floor=1e-9):
    image = np.zeros(SHAPE)
    faults.draw_stars(image, np.array([x]), np.array([y]), np.array([1.0]), profile, floor)
    return image


def width_px(image):
    """Rms radius over sqrt(2): the sigma of a round Gaussian."""
    y, x = np.indices(image.shape)
    total = image.sum()
    dx, dy = x - (x * image).sum() / total, y - (y * image).sum() / total
    return np.sqrt(((dx**2 + dy**2) * image).sum() / total / 2)


@pytest.mark.parametrize("name", PROFILES)
def test_a_star_holds_its_whole_flux(name):
    """1 by definition; 0.5 % for wings beyond the frame (the halo of a diffraction core has 0.3 %
    beyond 90 px) and for nodes in a pixel."""
    for x, y in ((131.3, 118.6), (90.0, 150.5)):
        assert drawn(PROFILES[name], x, y).sum() == pytest.approx(1, abs=0.005)


def test_a_round_profile_is_what_its_formula_says():
    """The Moffat function of `light`, which test_scene checks; 41 px around the star."""
    y, x = np.indices(SHAPE)
    nodes = [-0.25, 0.25]
    expected = np.mean(
        [
            moffat_density((x + a - 131.3) ** 2 + (y + b - 118.6) ** 2, FWHM_PX, 3.0)
            for a in nodes
            for b in nodes
        ],
        axis=0,
    )
    near = np.hypot(x - 131.3, y - 118.6) < 20
    np.testing.assert_allclose(drawn(PROFILES["Moffat"])[near], expected[near], atol=2e-3)


def test_width_grows_to_one_corner_only():
    """By 40 % from corner to corner, by definition; the pixel's own 0.29 px adds in squares."""
    profile = faults.varying(faults.two_gaussians(FWHM_PX, share=0.0), SHAPE, growth=0.4)
    low, middle, high = (
        width_px(drawn(profile, x, y)) for x, y in ((25, 25), (129.5, 119.5), (235, 215))
    )
    assert low < 1.06 * middle / 1.2
    assert high / low == pytest.approx(1.36 / 1.04, abs=0.04)


def test_stretch_is_radial():
    profile = faults.varying(faults.two_gaussians(FWHM_PX, share=0.0), SHAPE, stretch=0.5)
    image = drawn(profile, 230.0, 119.5)
    y, x = np.indices(SHAPE)
    along, across = ((x - 230.0) ** 2 * image).sum(), ((y - 119.5) ** 2 * image).sum()
    from_centre = (230.0 - 129.5) / np.hypot(129.5, 119.5)
    assert np.sqrt(along / across) == pytest.approx(1 + 0.5 * from_centre**2, abs=0.02)


def test_coma_keeps_the_middle_of_light_where_the_star_is():
    """So that a star's place stays what the truth says: to a fifth of a pixel."""
    image = drawn(
        faults.varying(faults.two_gaussians(FWHM_PX, share=0.0), SHAPE, coma_px=3.0),
        200.0,
        180.0,
    )
    y, x = np.indices(SHAPE)
    assert np.hypot((x * image).sum() - 200.0, (y * image).sum() - 180.0) < 0.2
    assert width_px(image) > 1.1 * FWHM_PX / 2.3548


def test_spikes_lie_along_their_arms():
    image = drawn(faults.spiked(faults.two_gaussians(FWHM_PX), FWHM_PX, share=0.06, angle=0.0))
    row, column = image[119, 131 + 20 : 131 + 40].sum(), image[119 + 20 : 119 + 40, 131].sum()
    diagonal = sum(image[119 + i, 131 + i] for i in range(15, 29))
    assert min(row, column) > 100 * diagonal


def test_hot_pixels_are_in_one_channel_and_as_many_as_asked():
    """Poisson: 3000 in 3 million, 5 sigma."""
    pixels = np.zeros((3, 1000, 1000), np.float32)
    faults.add_hot_pixels(pixels, np.random.default_rng(1), 1e-3, 0.2)
    hot = pixels > 0
    assert abs(hot.sum() - 3000) < 5 * np.sqrt(3000)
    assert np.count_nonzero(hot.sum(axis=0) > 1) < 20
    assert pixels[hot].mean() == pytest.approx(0.2, rel=0.1)


@pytest.mark.parametrize("add", [faults.add_hot_columns, faults.add_cosmic_rays])
def test_defects_only_add_and_repeat(add):
    first, again = np.zeros((3, 90, 80), np.float32), np.zeros((3, 90, 80), np.float32)
    add(first, np.random.default_rng(4), 6, 0.3)
    add(again, np.random.default_rng(4), 6, 0.3)
    np.testing.assert_array_equal(first, again)
    assert first.max() > 0
    assert first.min() == 0


def test_reflections_hold_their_share_towards_the_middle():
    image = np.zeros((400, 400))
    faults.add_reflections(
        image, np.array([100.0]), np.array([120.0]), np.array([50.0]), share=0.02, offset=0.1
    )
    y, x = np.indices(image.shape)
    assert image.sum() == pytest.approx(1.0, rel=0.01)
    assert (x * image).sum() / image.sum() == pytest.approx(110.0, abs=0.1)
    assert (y * image).sum() / image.sum() == pytest.approx(128.0, abs=0.1)


def test_half_a_turn_is_half_a_turn():
    x, y = faults.moved(
        np.array([0.0, 10.0]), np.array([0.0, 3.0]), (100, 200), rotation_deg=180.0
    )
    np.testing.assert_allclose(x, [199.0, 189.0])
    np.testing.assert_allclose(y, [99.0, 96.0])


def test_flats_are_uneven_by_what_was_asked():
    planes = faults.flat_planes((200, 300), np.random.default_rng(2), 0.3, 0.1)
    ratio = planes[0] / planes[1]
    assert (
        0.09 < np.ptp(ratio) < 0.15
    )  # a plane of 10 % along its direction, corner to corner more
    assert planes[1][0, 0] == pytest.approx(0.7, abs=1e-6)


def test_eight_bits_have_256_levels():
    pixels = np.linspace(0, 0.6, 5000, dtype=np.float32).reshape(1, 50, 100)
    stepped = faults.in_steps(pixels, 255, 0.5)
    assert len(np.unique(stepped)) == 256
    assert np.abs(stepped - np.minimum(pixels, 0.5)).max() <= 0.5 / 255 / 2 + 1e-7


def test_dust_is_that_of_the_papers():
    """Cardelli, Clayton & Mathis 1989, table 3: A/A(V) of V and R (0.70 micrometres) 1.000 and 0.751,
    so that H-alpha and S II, at 0.656 and 0.672, lose 0.81 and 0.79 by a straight line: -0.58 and
    -0.65 mag of E(B-V) 1 for R_V 3.1. E(B-V) as seen is some 0.93 of that of the law's two
    wavelengths. Fitzpatrick 1999 is steeper from green to red (k(656) 2.36; through the V band of a
    star its 3.1 are 3.05)."""
    one, sun = np.ones(1), np.full(1, 0.65)
    bands = ("H5", "S5", "mono_R", "mono_G", "mono_B")
    by_law = {law: dust.dust_mags(bands, one, sun, law)[0] for law in dust.LAWS}
    np.testing.assert_allclose(
        by_law["Cardelli 1989"][:2], [-0.58 / 0.93, -0.65 / 0.93], atol=0.03
    )
    assert by_law["Fitzpatrick 1999"][0] == pytest.approx((2.36 - 3.05) / 0.93, abs=0.06)
    for halpha, _, red, green, blue in by_law.values():
        assert halpha < red < green < blue
        assert 0.5 < blue < 1.0  # nearer to B (+1) than to V (0)
