"""Stars that change over the field: shapes of single stars, their field, warped profiles.

Frames of known truth with profiles that the code does not assume: sheared and widened Moffat and
double profiles, each summed over its pixels by nine points.
"""

import numpy as np
import pytest
from campaigns import also
from scipy.spatial import cKDTree

from starcal import layers
from starcal.layers.shape_field import half_sample_mode
from starcal.layers.singles import fit_singles
from starcal.layers.training import balanced
from starcal.layers.warp import longest, warped, warps_of
from starcal.stars import Flag, measure_stars

NODES = np.sqrt(0.6) / 2 * np.array([-1, 0, 1])  # Gauss-Legendre, as good as exact in a pixel
WEIGHTS = np.array([5, 8, 5]) / 18
SKY, NOISE = 0.01, 1e-4


def add_star(plane, x, y, flux, fwhm_px, ratio=1.0, angle=0.0, beta=3.0, halo=0.0):
    """One star, its long axis at an angle, a share of its light in a halo 2.5 times as wide."""
    reach = int(12 * fwhm_px)
    rows = np.arange(max(0, int(y) - reach), min(plane.shape[0], int(y) + reach + 1))
    columns = np.arange(max(0, int(x) - reach), min(plane.shape[1], int(x) + reach + 1))
    dy = (rows[:, None] + NODES - y).ravel()[:, None]
    dx = (columns[:, None] + NODES - x).ravel()[None]
    along = (np.cos(angle) * dx + np.sin(angle) * dy) * np.sqrt(ratio)
    across = (np.cos(angle) * dy - np.sin(angle) * dx) / np.sqrt(ratio)
    light = 0
    for width, share in ((fwhm_px, 1 - halo), (2.5 * fwhm_px, halo)):
        steep = 4 * (2 ** (1 / beta) - 1) / width**2
        light = light + share * (beta - 1) / np.pi * steep * (
            1 + steep * (along**2 + across**2)
        ) ** (-beta)
    stamp = light.reshape(len(rows), 3, len(columns), 3)
    total = flux * np.einsum("aibj,i,j->ab", stamp, WEIGHTS, WEIGHTS)
    plane[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += total


def drawn_field(seed, grow=0.0, ratio=1.0, count=90, shape=(240, 320), **profile):
    """A frame (3, y, x), its places, fluxes and what of each star is true; the FWHM, 2.8 px, grows
    by ``grow`` to the far corner."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(8, shape[1] - 8, count), rng.uniform(8, shape[0] - 8, count)
    flux = 0.1 * 10 ** rng.uniform(0, 1.3, count)
    far = np.hypot(x, y) / np.hypot(*shape)
    plane = np.full(shape, SKY)
    for i in range(count):
        add_star(
            plane, x[i], y[i], flux[i], 2.8 * (1 + grow * far[i] ** 2), ratio, 0.6, **profile
        )
    pixels = plane + rng.normal(0, NOISE, (3, *shape))
    return pixels.astype(np.float32), x, y, flux, far


def flux_errors(seed, **field):
    """Relative errors of unblended stars' fluxes, the channels in one, and how far out each is."""
    pixels, x, y, flux, far = drawn_field(seed, **field)
    stars = measure_stars(pixels)
    split = layers.split(pixels, stars)
    model = split.model
    distance, row = cKDTree(np.column_stack([model.x_px, model.y_px])).query(
        np.column_stack([x, y])
    )
    unfit = int(Flag.SATURATED | Flag.EDGE | Flag.BLENDED)
    use = (distance < 1) & (np.array(stars["flags"])[row] & unfit == 0)
    use &= (np.array(stars["snr"])[row] > 20) & (model.flux[:, row] > 0).all(axis=0)
    assert use.sum() > 40
    error = model.flux[:, row[use]] / flux[use] - 1
    return error.ravel(), np.tile(far[use], 3), split


@pytest.mark.campaign
@pytest.mark.parametrize("seed", [1, 2])
def test_fluxes_where_the_width_grows_to_a_corner(seed):
    """Issue 11, section 3: scatter 3 %, 90 % within 7 %; nothing in the corner that is not
    elsewhere."""
    error, far, _ = flux_errors(seed, grow=0.4)
    assert 1.4826 * np.median(np.abs(error - np.median(error))) < 0.03
    assert np.percentile(np.abs(error), 90) < 0.07
    assert abs(np.median(error)) < 0.02
    assert abs(np.median(error[far > 0.75])) < 0.02


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ratio", "profile"),
    [
        (0.7, {"halo": 0.1}),
        *also((0.5, {"halo": 0.1}), (0.7, {}), (0.5, {})),
    ],
)
def test_fluxes_of_stars_drawn_out(ratio, profile):
    """Issue 11: a bias of 2 %, also with a halo, which is no Moffat profile. The profile rests on
    the stars, drawn out as they are: their round apertures know their light to 5 % only."""
    error, _, split = flux_errors(3, ratio=ratio, **profile)
    assert split.notes == []
    assert abs(np.median(error)) < 0.02
    assert 1.4826 * np.median(np.abs(error - np.median(error))) < 0.03
    assert np.median(1 / longest(split.model.warp[1])) == pytest.approx(
        np.sqrt(ratio), rel=0.05
    )


@pytest.mark.campaign
def test_wings_on_one_side_go_with_their_stars():
    """A lobe of 12 % of the light beside every star, 2.5 times as wide: 20 noises at 2 to 4 FWHM
    of the brightest, which stood as crescents in the starless frame."""
    rng = np.random.default_rng(8)
    shape, count = (160, 200), 36
    x, y = rng.uniform(8, shape[1] - 8, count), rng.uniform(8, shape[0] - 8, count)
    flux = 0.1 * 10 ** rng.uniform(0, 1.3, count)
    plane = np.full(shape, SKY)
    for star in zip(x, y, flux, strict=True):
        add_star(plane, *star, 2.8)
        add_star(plane, star[0] + 4, star[1] - 2, 0.12 * star[2], 7.0)
    pixels = (plane + rng.normal(0, NOISE, (3, *shape))).astype(np.float32)
    split = layers.split(pixels, measure_stars(pixels))
    rows, columns = np.indices(shape)
    left = []
    for i in np.argsort(-flux)[:10]:
        away = np.hypot(columns - x[i], rows - y[i]) / 2.8
        left.append((split.starless[:, (away > 1.5) & (away < 5)] - SKY).ravel() / NOISE)
    assert np.percentile(np.abs(np.concatenate(left)), 95) < 4


def test_single_stars_have_their_own_widths_and_angles():
    """To 2 %; widths as seen: a pixel adds its 1/12 to the variance of the core."""
    plane, rng = np.full((200, 300), SKY), np.random.default_rng(4)
    x, y = np.array([40.3, 110.6, 190.2, 260.5]), np.array([60.7, 150.1, 70.4, 130.8])
    width, ratio = np.array([2.6, 3.0, 3.6, 4.2]), np.array([1.0, 0.8, 0.6, 0.9])
    angle = np.array([0.0, 0.5, 1.2, -0.7])
    for star in zip(x, y, np.ones(4), width, ratio, angle, strict=True):
        add_star(plane, *star)
    plane = (plane + rng.normal(0, 1e-5, plane.shape)).astype(np.float32)
    facts = {"fwhm_px": 3.2, "noise": 1e-5, "electrons_per_unit": 1e9}
    single = fit_singles(plane, x + 0.3, y - 0.2, np.ones(4), **facts)
    np.testing.assert_allclose(np.exp(single.size + single.sharper), width, rtol=0.02)
    np.testing.assert_allclose(np.exp(-2 * np.hypot(*single.lean.T)), ratio, atol=0.03)
    leaning = ratio < 1
    found = 0.5 * np.arctan2(single.lean[:, 1], single.lean[:, 0])
    np.testing.assert_allclose(found[leaning], angle[leaning], atol=0.05)
    np.testing.assert_allclose(single.shift_px, np.tile([-0.3, 0.2], (4, 1)), atol=0.02)
    assert single.beta == pytest.approx(3.0, rel=0.03)


@pytest.mark.campaign
def test_even_stars_have_an_even_field():
    """No slope is read into noise: the width is the same to 1 % over the frame."""
    _, _, split = flux_errors(5)
    wide = longest(split.model.warp[1])
    assert np.ptp(wide) < 0.02


def test_a_warp_keeps_light_and_turns_the_long_axis():
    """det A is what the area shrinks by: exp(-2 size); the long axis is exp(size + |e|)."""
    lean = np.array([0.2 * np.cos(1.0), 0.2 * np.sin(1.0)])
    warp = warps_of(np.array(0.1), lean)
    long_x, long_y = np.cos(0.5), np.sin(0.5)
    u, v, shrunk = warped(long_x, long_y, warp)
    assert np.hypot(u, v) == pytest.approx(np.exp(-0.3), rel=1e-5)
    assert shrunk == pytest.approx(np.exp(-0.2), rel=1e-5)
    assert longest(warp) == pytest.approx(np.exp(0.3), rel=1e-5)


def test_stars_for_the_profile_come_from_everywhere():
    """A thousand bright stars in one corner leave room for eight faint ones of each cell."""
    rng = np.random.default_rng(6)
    x = np.append(rng.uniform(0, 20, 1000), rng.uniform(0, 100, 300))
    y = np.append(rng.uniform(0, 20, 1000), rng.uniform(0, 100, 300))
    chosen = balanced(x, y, np.append(np.full(1000, 9.0), np.ones(300)), (100, 100))
    far = (x[chosen] > 80) & (y[chosen] > 80)
    assert len(chosen) == 400
    assert far.sum() >= min(8, np.sum((x > 80) & (y > 80)))


def test_the_mode_is_not_drawn_by_knots():
    rng = np.random.default_rng(7)
    values = np.append(rng.normal(1.0, 0.01, 60), rng.uniform(1.2, 2.5, 50))
    assert half_sample_mode(values) == pytest.approx(1.0, abs=0.02)


@pytest.mark.campaign
def test_the_map_shows_where_stars_are_wide_and_how_they_lie():
    """FWHM 2.8 px in the near corner; 0.6 rad is the angle of all long axes."""
    _, _, split = flux_errors(8, grow=0.4, ratio=0.7)
    shapes = split.profile_map
    near, far = shapes.fwhm_px[1, 0, 0], shapes.fwhm_px[1, -1, -1]
    assert far / near == pytest.approx(1 + 0.4 * (13 / 14) ** 2, rel=0.05)
    np.testing.assert_allclose(shapes.axis_ratio, 0.7, atol=0.05)
    np.testing.assert_allclose(shapes.long_axis_deg, np.degrees(0.6), atol=5)
    assert split.notes == []


def test_a_profile_of_few_stars_is_said_to_be():
    plane = np.full((120, 160), SKY)
    for x, y in ((40.2, 50.4), (110.7, 79.6)):
        add_star(plane, x, y, 1.0, 3.0)
    noise = np.random.default_rng(9).normal(0, NOISE, (3, 120, 160))
    pixels = (plane + noise).astype(np.float32)
    split = layers.split(pixels, measure_stars(pixels))
    assert len(split.notes) == 3
    assert "channel R rests on no star" in split.notes[0]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [10, *also(11)])
def test_cosmic_rays_and_hot_pixels_stay(seed):
    """Issue 11: 2 % of them taken for stars, so none of these; and all but 2 % of the stars are."""
    pixels, x, y, *_ = drawn_field(seed)
    rng, stars = np.random.default_rng(seed), cKDTree(np.column_stack([x, y]))
    places = np.column_stack([rng.integers(10, 310, 60), rng.integers(10, 230, 60)])
    places = places[stars.query(places)[0] > 8][:24]
    for k, (column, row) in enumerate(places):
        for step in range(1 + (k % 2) * rng.integers(1, 5)):  # every second one is a trail
            pixels[k % 3, row + step, column + step // 2] += 10 ** rng.uniform(-2.2, -0.7)
    split = layers.split(pixels, measure_stars(pixels))
    taken = split.model.reach_px > 0
    found = cKDTree(np.column_stack([split.model.x_px, split.model.y_px])[taken])
    assert np.count_nonzero(found.query(places)[0] < 4) == 0
    apart = np.sort(np.hypot(x[:, None] - x, y[:, None] - y), axis=1)[:, 1] > 6
    assert np.mean(found.query(np.column_stack([x, y])[apart])[0] < 1) >= 0.98
