"""PSF, joint fluxes, fill and grain: each against a plain formula or a slow, obvious
calculation."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage
from test_layers import plain, star_grid

from starcal.demo import light
from starcal.demo.faults import draw_stars, radial
from starcal.layers.core import CORE_FWHM, with_core
from starcal.layers.fill import fill
from starcal.layers.fluxes import fit_fluxes
from starcal.layers.grain import emptiest, laid_out, local_noise, swatch
from starcal.layers.holes import Cleared, filled_holes
from starcal.layers.lopsided import Round, common_waves, with_waves
from starcal.layers.psf import moffat, textbook_psf, with_factors
from starcal.layers.singles import fit_singles
from starcal.layers.stamps import disc_offsets
from starcal.layers.warp import SAME
from starcal.layers.wing_solve import _common_share
from starcal.layers.wings import Sources, told_wings

CASES = [(3.0, 3.0), (2.0, 2.5), (4.5, None)]


def measured_on(plane, x, y, fwhm_px, noise):
    """Profile of stars that are all alike: width, exponent, then the core's table."""
    single = fit_singles(
        plane, x, y, np.ones(len(x)), fwhm_px=fwhm_px, noise=noise, electrons_per_unit=1e9
    )
    width = float(np.exp(np.median(single.size) + single.sharper))
    shift = np.median(single.shift_px, axis=0)
    psf = textbook_psf(width, single.beta, CORE_FWHM, (float(shift[0]), float(shift[1])))
    return with_core(psf, plane, x, y, np.tile(SAME, (len(x), 1)))


def measured(fwhm_px, beta, noise=2e-6):
    x, y = star_grid(step=30)
    pixels, _ = plain(
        x, y, np.full(len(x), 1.0), shape=(210, 210), fwhm_px=fwhm_px, beta=beta, noise=noise
    )
    return measured_on(pixels[0], x, y, 1.1 * fwhm_px, noise)


@pytest.mark.parametrize(("fwhm_px", "beta"), CASES)
def test_psf_is_the_one_that_was_put_in(fwhm_px, beta):
    """Against light summed over pixels by the scene's nine-point rule; bilinear cells are good to
    1.5 % of the peak."""
    psf = measured(fwhm_px, beta)
    truth = np.zeros((31, 31), np.float32)
    light.add_stars(
        truth, np.array([15.3]), np.array([14.8]), np.array([1.0]), fwhm_px, beta, floor=1e-9
    )
    y, x = np.mgrid[:31, :31].astype(np.float32)
    found = psf.normalised()(x - np.float32(15.3), y - np.float32(14.8))
    np.testing.assert_allclose(found, truth, atol=0.015 * truth.max())
    assert psf.fwhm_px == pytest.approx(fwhm_px, rel=0.03)
    assert psf.residual < 0.01


def test_light_of_a_moffat_profile_is_one():
    """Its integral is elementary (Moffat 1969); beyond 200 px of a profile of FWHM 3 and beta 3
    lies 1e-8 of it."""
    y, x = np.mgrid[-200:201, -200:201].astype(float)
    assert moffat(x**2 + y**2, 3.0, 3.0).sum() == pytest.approx(
        1, abs=2e-3
    )  # sampled, not integrated


@pytest.mark.parametrize(("fwhm_px", "beta"), CASES)
def test_a_normalised_psf_holds_all_light(fwhm_px, beta):
    y, x = np.mgrid[-150:151, -150:151].astype(np.float32)
    assert measured(fwhm_px, beta).normalised()(x, y).sum() == pytest.approx(1, abs=0.005)


def alike(x, y):
    """Unclipped stars of one profile."""
    warp = np.tile(SAME, (len(x), 1))
    return Sources(x_px=x, y_px=y, warp=warp)


def test_a_halo_is_found_in_the_wings():
    """A Moffat core and 3 % of the light in a halo six times as wide; at 20 px it is most of the
    light."""
    x, y = np.array([100.2, 300.6, 100.7, 299.8]), np.array([99.8, 100.3, 300.4, 299.7])
    plane = np.random.default_rng(0).normal(0, 1e-5, (400, 400)).astype(np.float32)
    for fwhm_px, share in ((3.0, 0.97), (18.0, 0.03)):
        light.add_stars(plane, x, y, np.full(4, 20 * share), fwhm_px, 3.0, floor=1e-9)
    core = measured_on(plane, x, y, 3.0, 1e-5)
    psf = told_wings(core, plane, alike(x, y), np.arange(4)).added_to(core).normalised()
    for radius in (8.0, 12.0, 20.0):
        r2 = np.float32(radius**2)
        truth = 0.97 * light.profile(r2, 3.0, 3.0) + 0.03 * light.profile(r2, 18.0, 3.0)
        assert float(psf.at_radius(np.array([radius]))[0]) == pytest.approx(
            float(truth), rel=0.33
        )


def test_a_halo_round_cores_as_steep_as_a_gaussian_is_found():
    """A tenth of the light in a Gaussian 2.5 times as wide: three widths out the core has nothing
    that a factor could make more of. Nine tenths of the halo's light beyond the core go."""

    def density(r):
        core, wide = (np.exp(-0.5 * (r / s) ** 2) / (2 * np.pi * s**2) for s in (1.3, 3.25))
        return 0.9 * core + 0.1 * wide

    x, y = star_grid(n=4, step=60)
    plane = np.random.default_rng(0).normal(0, 3, (204, 204)).astype(np.float32)
    draw_stars(plane, x, y, np.geomspace(2e5, 2e4, len(x)), radial(density, 40), 1e-3)
    core = measured_on(plane, x, y, 3.0, 3.0)
    psf = told_wings(core, plane, alike(x, y), np.arange(len(x))).added_to(core).normalised()
    radius = np.linspace(5, 12, 50)
    found, true = (np.trapezoid(radius * f(radius), radius) for f in (psf.at_radius, density))
    assert found == pytest.approx(true, rel=0.1)


def test_too_faint_stars_tell_nothing_of_wings():
    x, y = star_grid(step=30)
    pixels, _ = plain(x, y, np.full(len(x), 0.01), shape=(210, 210))
    psf = measured_on(pixels[0], x, y, 3.0, 1e-4)
    told = told_wings(psf, pixels[0], alike(x, y), np.arange(len(x)))
    assert told.added_to(psf) is psf


def test_round_profiles_are_drawn_as_the_formula_says():
    """A piece of the logarithm that goes over a bend is off by a quarter of its length times the
    bend: here at most from a slope of -7 to -2.6 over ln(1 + 0.88 64^2) / 2048 of ln r."""
    rings_px = np.geomspace(6.0, 48.0, 12)
    factor = np.exp(np.cumsum(np.where(np.arange(12) % 3 == 0, 0.2, -0.1)) - 0.2)
    psf = replace(
        textbook_psf(3.0, 3.5, CORE_FWHM),
        wing_radius_px=rings_px,
        wing_factor=factor,
        wing_slope=-2.6,
    )
    radius = np.linspace(0, 300, 5000).astype(np.float32)
    drawn = psf.smooth(radius, np.zeros_like(radius))
    most = 4.4 * np.log1p(0.88 * 64**2) / 2048 / 4
    np.testing.assert_allclose(drawn, psf.at_radius(radius.astype(float)), rtol=most)


def test_no_profile_is_as_dark_far_out_as_a_gaussian():
    """A clipped star of which only far pixels are seen had 1e27 times the light of any other."""
    psf = textbook_psf(3.0, 100.0, CORE_FWHM)  # a Moffat profile that falls as a Gaussian does
    near, far = psf.at_radius(np.array([30.0, 60.0]))
    assert near > 0
    assert far / near == pytest.approx(2.0**-12, rel=1e-6)  # STEEPEST_WING
    rings_px = np.array([6.0, 12.0, 24.0])
    near, far = with_factors(psf, rings_px, np.ones(3)).at_radius(np.array([30.0, 60.0]))
    assert far / near >= 2.0**-12 * (1 - 1e-6)


# --- fluxes -----------------------------------------------------------------------------


def crowd():
    """Five stars in one another, a sixth alone, over a tilted sky."""
    x, y = (
        np.array([30.2, 33.9, 27.4, 31.0, 36.2, 60.0]),
        np.array([30.7, 33.1, 34.6, 26.5, 29.0, 60.4]),
    )
    flux = np.array([1.0, 0.4, 0.2, 0.7, 0.1, 0.5])
    pixels, _ = plain(x, y, flux, shape=(90, 90), noise=2e-5)
    plane = pixels[0] + np.float32(1e-5) * np.arange(90, dtype=np.float32)
    return plane, x, y, flux


@pytest.fixture(scope="module")
def true_psf():
    return measured(3.0, 3.0).normalised()


def same(x):
    """The warps of stars that are all alike."""
    return np.tile(SAME, (len(x), 1))


FACTS = {"sky": 0.01, "noise": 2e-5, "electrons_per_unit": 1e6}


def test_stars_in_one_another_share_the_light(true_psf):
    plane, x, y, flux = crowd()
    fit = fit_fluxes(plane, x, y, true_psf, flux, warp=same(x), **FACTS)
    np.testing.assert_allclose(
        fit.flux, flux, atol=0.02 * 0.5
    )  # the 2 %, of the typical neighbour
    assert fit.flux[5] == pytest.approx(0.5, rel=0.01)


def test_positions_are_found_as_well(true_psf):
    """From 0.3 px off, twice, as the model does it, to within 0.05 px."""
    plane, x, y, flux = crowd()
    at = x + 0.3, y - 0.2
    for _ in range(2):
        fit = fit_fluxes(plane, *at, true_psf, flux, warp=same(x), **FACTS, moving=True)
        at = at[0] + fit.dx_px, at[1] + fit.dy_px
    bright = flux >= 0.4
    np.testing.assert_allclose(at[0][bright], x[bright], atol=0.05)
    np.testing.assert_allclose(at[1][bright], y[bright], atol=0.05)


def test_joint_fit_is_the_least_squares_solution(true_psf):
    """One pair, one patch each, against numpy's dense solver with the two planes of sky as
    unknowns."""
    plane, x, y = crowd()[0], np.array([30.2, 33.9]), np.array([30.7, 33.1])
    fit = fit_fluxes(plane, x, y, true_psf, np.zeros(2), warp=same(x), **FACTS)
    offsets = disc_offsets(2.5 * true_psf.fwhm_px)
    rows, data = [], []
    for i in range(2):
        px, py = offsets[0] + round(x[i]), offsets[1] + round(y[i])
        skies = np.zeros((len(px), 6))
        skies[:, 3 * i : 3 * i + 3] = np.stack(
            [np.ones(len(px)), offsets[0], offsets[1]], axis=1
        )
        light = np.stack(
            [
                true_psf((px - a).astype(np.float32), (py - b).astype(np.float32))
                for a, b in zip(x, y, strict=True)
            ],
            axis=1,
        )
        level = np.sort(plane[py, px])[
            len(px) // 3
        ]  # photon noise of what lies under the star, alike for all
        weight = 1 / np.sqrt(FACTS["noise"] ** 2 + max(level - 0.01, 0) / 1e6)
        rows.append(np.hstack([light, skies]) * weight)
        data.append(plane[py, px] * weight)
    best = np.linalg.lstsq(np.vstack(rows), np.concatenate(data), rcond=None)[0]
    np.testing.assert_allclose(fit.flux, best[:2], rtol=1e-3)  # float32 stamps


def test_noise_is_not_light(true_psf):
    """Fluxes of nothing scatter by the error that is stated: 200 places, 4 sigma of the scatter's
    own error."""
    rng = np.random.default_rng(2)
    plane = rng.normal(0.01, 2e-5, (420, 420)).astype(np.float32)
    x, y = (g.ravel() * 20.0 + 20.3 for g in np.mgrid[:20, :20])
    fit = fit_fluxes(
        plane,
        x,
        y,
        true_psf,
        np.zeros(400),
        warp=same(x),
        **{**FACTS, "electrons_per_unit": np.inf},
    )
    assert (fit.flux >= 0).all()
    assert np.sqrt(np.mean(fit.flux**2) * 2) == pytest.approx(
        np.median(fit.error), rel=4 / np.sqrt(400)
    )


def test_a_knot_does_not_fit_and_a_star_does(true_psf):
    plane = np.full((60, 60), 0.01, np.float32) + np.random.default_rng(0).normal(
        0, 2e-5, (60, 60)
    ).astype(np.float32)
    light.add_stars(
        plane, np.array([15.0]), np.array([30.0]), np.array([1.0]), 3.0, 3.0, floor=1e-7
    )
    light.add_stars(
        plane, np.array([45.0]), np.array([30.0]), np.array([1.0]), 8.0, None, floor=1e-7
    )
    x, y = np.array([15.0, 45.0]), np.array([30.0, 30.0])
    fit = fit_fluxes(plane, x, y, true_psf, np.ones(2), warp=same(x), **FACTS)
    assert fit.misfit[0] < 0.05
    assert fit.misfit[1] > 0.3


# --- filling ----------------------------------------------------------------------------


def holes(shape, radius):
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.hypot((y % 50) - 25, (x % 50) - 25) <= radius


def test_an_even_sky_is_filled_evenly_and_noise_is_not_dragged_in():
    values = np.random.default_rng(0).normal(5, 1, (200, 250)).astype(np.float32)
    hole = holes(values.shape, 6)
    error = np.abs(fill(np.where(hole, 0, values), (~hole).astype(np.float32), 1.0) - 5)[hole]
    assert (
        np.percentile(error, 95) < 0.6
    )  # a mean over the rim's 40 pixels has 0.16; the pixels themselves have 1.96


def test_a_gradient_goes_through_a_hole():
    y, x = np.mgrid[:200, :250].astype(np.float32)
    truth = 0.3 * x - 0.2 * y
    values = truth + np.random.default_rng(1).normal(0, 1, truth.shape).astype(np.float32)
    hole = holes(truth.shape, 6)
    error = np.abs(fill(np.where(hole, 0, values), (~hole).astype(np.float32), 1.0) - truth)[
        hole
    ]
    assert np.percentile(error, 95) < 1.2  # 3.6 across the hole if it were filled flat


def test_clean_pixels_of_a_structured_picture_are_followed():
    truth = ndimage.gaussian_filter(
        np.random.default_rng(2).normal(0, 1, (200, 250)), 3
    ).astype(np.float32)
    truth *= 100 / truth.std()
    values = truth + np.random.default_rng(3).normal(0, 1, truth.shape).astype(np.float32)
    assert np.std(fill(values, np.ones_like(values), 1.0) - truth) < 1.1


@pytest.mark.parametrize("stray", [0, 60])
def test_slopes_and_bends_go_through_wide_holes(stray):
    """Structure of two scales, 40 noises, under holes of 6 px: at most 0.6 of what the pyramid is
    off by, also where beside each hole a star of 60 noises was not found."""
    rng = np.random.default_rng(6)
    grain = rng.normal(0, 1, (200, 250))
    truth = sum(
        20 * plane / plane.std()
        for plane in (ndimage.gaussian_filter(grain, width) for width in (5, 12))
    )
    y, x = np.mgrid[:200, :250]
    hole = holes(truth.shape, 6)
    star = stray * np.exp(-(((y % 50) - 25) ** 2 + ((x % 50) - 35) ** 2) / 3)
    values = np.where(hole, 0, truth + star + rng.normal(0, 1, truth.shape)).astype(np.float32)
    weight = (~hole).astype(np.float32)
    rough = fill(values, weight, 1.0)
    mended = filled_holes(rough, Cleared(values, weight, 0 * values, 1.0))
    before, after = (np.abs(plane - truth)[hole] for plane in (rough, mended))
    assert np.percentile(after, 95) < 0.6 * np.percentile(before, 95)


def test_nothing_known_is_filled_with_nothing():
    nothing = np.zeros((20, 30), np.float32)
    assert not fill(nothing, nothing, 1.0).any()
    assert not filled_holes(nothing, Cleared(nothing, nothing, nothing, 1.0)).any()


# --- grain ------------------------------------------------------------------------------


def test_noise_is_measured_where_it_changes_and_gradients_are_not_noise():
    y, x = np.mgrid[:200, :300].astype(np.float32)
    sigma = np.where(x < 150, 1.0, 3.0)
    values = (
        5 * x + 0.02 * y**2 + np.random.default_rng(0).normal(0, 1, x.shape) * sigma
    ).astype(np.float32)
    clean = np.random.default_rng(1).random(x.shape) > 0.05
    noise = local_noise(values, clean, 99.0)
    assert np.median(noise[:, 30:120]) == pytest.approx(
        1, rel=0.1
    )  # the mean of some 500 differences in each window
    assert np.median(noise[:, 180:270]) == pytest.approx(3, rel=0.1)
    assert (local_noise(values, np.zeros_like(clean), 99.0) == 99).all()
    assert (local_noise(values[:5, :5], clean[:5, :5], 99.0) == 99).all()


def test_a_swatch_is_noise_of_the_frame_without_its_stars():
    white = np.random.default_rng(0).normal(0, 1, (96, 96))
    values = np.stack([7 + white, 3 + 2 * white, ndimage.gaussian_filter(white, 1)]).astype(
        np.float32
    )
    clean = np.ones((96, 96), bool)
    clean[40:50, 20:30] = False
    values[:, ~clean] = 1000
    texture = swatch(values, clean)
    np.testing.assert_allclose(texture.std(axis=(1, 2)), 1, atol=0.1)
    assert np.abs(texture).max() <= 3.5
    assert (
        np.corrcoef(texture[0].ravel(), texture[1].ravel())[0, 1] > 0.99
    )  # what channels share they still share
    neighbours = np.mean(texture[:, :, 1:] * texture[:, :, :-1], axis=(1, 2))
    assert abs(neighbours[0]) < 0.1
    assert neighbours[2] > 0.5
    assert not swatch(values, np.zeros_like(clean)).any()


def test_the_emptiest_square_and_its_repetition():
    x, y = (
        np.array([10.0, 110.0, 20.0, 250.0, 150.0]),
        np.array([10.0, 20.0, 150.0, 20.0, 150.0]),
    )
    rows, columns = emptiest((200, 300), x, y)
    assert (rows.start, columns.start) == (96, 192)
    texture = np.arange(96 * 96, dtype=float).reshape(96, 96)
    out = laid_out(texture, (slice(90, 200), slice(0, 100)))
    assert out.shape == (110, 100)
    assert out[6, 96] == texture[0, 0]


# --- wings of all bright stars together -------------------------------------------------


def test_solved_shares_of_rings_are_those_put_in():
    """Twenty stars, fluxes of the clipped half wrong by a fifth, skies of their own. To 2 % where
    stars outshine what their skies differ by; farther out, sky and wing cannot be told apart, and
    a step from ring to ring is expected to be 12 %."""
    rng = np.random.default_rng(3)
    light = np.exp(rng.uniform(0, 3, (20, 1))) * np.geomspace(100, 1, 8)
    share = np.array([0.0, 0.02, 0.05, 0.1, 0.12, 0.1, 0.05, 0.0])
    flux_sd = np.where(np.arange(20) < 10, 1.0, 0.01)
    wrong = np.where(np.arange(20) < 10, 0.2, 0.0)[:, None]
    sky = rng.normal(0, 1, (20, 1))
    error = np.full(light.shape, 0.05)
    level = light * (share + wrong) + sky + rng.normal(0, 0.05, light.shape)
    level[3, 5] = 40.0  # a star that is in no table
    found = _common_share(level, error, light, flux_sd)
    np.testing.assert_allclose(found[:5], share[:5], atol=0.02)
    np.testing.assert_allclose(found[5:], share[5:], atol=0.12)


def test_what_goes_round_all_stars_is_told_from_what_one_has():
    """Twenty stars with 0.3 more to the right and 0.2 along y = 0, one with a neighbour: to 0.07
    (what is not sure of them is held back), of a ring of 60 pixels each known to 0.03 to 0.4 of
    its light. Noise alone is no wave; two stars are too few."""
    rng = np.random.default_rng(5)
    turn = np.linspace(-np.pi, np.pi, 60, endpoint=False)
    shape, rounds, noise = 0.3 * np.cos(turn) + 0.2 * np.cos(2 * turn), [], []
    for star in range(20):
        own = np.full(60, np.exp(rng.uniform(1, 3.5)))
        grain = rng.normal(0, 1, 60)
        neighbour = 200 * (np.abs(turn - 2) < 0.5) if star == 4 else 0
        rounds.append(Round.of(own * shape + grain + neighbour, own, turn))
        noise.append(Round.of(grain, own, turn))
    np.testing.assert_allclose(common_waves(rounds), [0.3, 0, 0.2, 0, 0, 0], atol=0.07)
    assert np.abs(common_waves(noise)).max() < 0.03
    assert not common_waves(rounds[:2]).any()


def test_waves_lie_on_the_wings_and_not_on_the_core():
    psf = textbook_psf(3.0, 3.0, CORE_FWHM)
    radius, waves = np.array([8.0, 12.0, 18.0]), np.zeros((3, 6))
    waves[:2, 0] = 0.5
    uneven = with_waves(psf, radius, waves, 6.0)
    places = np.array([[9.0, 0.0], [-9.0, 0.0], [0.0, 9.0], [4.0, 0.0], [60.0, 0.0]])
    times = uneven(*places.T) / psf(*places.T)
    np.testing.assert_allclose(times, [1.5, 0.5, 1, 1, 1], atol=0.05)
    assert with_waves(psf, radius, 0 * waves, 6.0) is psf


def test_wings_times_factors_and_the_core_stays():
    psf = textbook_psf(3.0, 3.0, CORE_FWHM)
    radius = np.geomspace(6, 40, 7)
    wider = with_factors(psf, radius, np.append(1.0, np.full(6, 1.5)))
    times = wider.at_radius(radius[1:]) / psf.at_radius(radius[1:])
    np.testing.assert_allclose(times, 1.5, rtol=1e-5)
    assert float(wider.at_radius(2.0)) == pytest.approx(float(psf.at_radius(2.0)))
