"""Fits of gains, against stars whose colours, errors and gains were drawn here."""

import warnings

import numpy as np
import pytest
from campaigns import also

from starcal.catalogue.embedded import bv_error_model
from starcal.fit.dust import Dust
from starcal.fit.gains import (
    MAG_PER_LN,
    MIN_STARS,
    TARGET_SLOPE,
    brightness_slope,
    fit_gains,
    fit_matrix,
    log_ratios,
)

WHITE = 0.65
ZERO = np.array([0.30, -0.20])  # log ratios at the neutral star
CAMERA, CAMERA_BEND = (
    np.array([-0.405, 0.478]),
    np.array([0.0, 0.04]),
)  # median of 52 measured colour cameras
GAINS = 10 ** (0.4 * np.array([0.30, 0.0, -0.20]))


def stars(
    seed,
    n,
    *,
    slope=CAMERA,
    bend=CAMERA_BEND,
    scatter=(0.03, 0.015),
    catalogue_error=None,
    mean=0.75,
    spread=0.35,
    outliers=0.0,
    photometric=0.003,
    unsaid=1.0,
):
    """Flux (3, n), its error, catalogue B-V, its error: a field of Gaussian colours, V by counts
    rising to 11.5. The catalogue errs `unsaid` times as much as it says."""
    rng = np.random.default_rng([seed, n])
    v = np.maximum(11.5 - rng.exponential(1.0, n), 6)
    error = bv_error_model(v) if catalogue_error is None else np.full(n, catalogue_error)
    true = rng.normal(mean, spread, n)
    x = true - WHITE
    ratio = np.array(
        [
            z + k * x + c * x**2 + s * rng.standard_normal(n)
            for z, k, c, s in zip(ZERO, slope, bend, scatter, strict=True)
        ]
    )
    ratio += np.where(rng.random(n) < outliers, rng.normal(0, 1, (2, n)), 0)
    flux = 10 ** (-0.4 * np.array([ratio[0], np.zeros(n), ratio[1]])) * 10 ** (-0.4 * (v - 10))
    flux *= 1 + photometric * rng.standard_normal((3, n))
    return flux, photometric * flux, true + unsaid * error * rng.standard_normal(n), error


def pulls(trials, n, **settings):
    fits = [fit_gains(*stars(seed, n, **settings)) for seed in range(trials)]
    return np.array(
        [(fit.gains - GAINS)[[0, 2]] / fit.gain_errors[[0, 2]] for fit in fits]
    ), fits


# --- clean cases ------------------------------------------------------------------------


def test_log_ratios():
    """By definition; propagation d(-2.5 log10 f) = 1.0857 df / f, both channels."""
    ratio, error = log_ratios(
        np.array([[2.0], [1.0], [4.0]]), np.array([[0.02], [0.02], [0.0]])
    )
    np.testing.assert_allclose(ratio[:, 0], -2.5 * np.log10([2.0, 4.0]))
    np.testing.assert_allclose(
        error[:, 0], 1.085736 * np.array([np.hypot(0.01, 0.02), 0.02]), rtol=1e-5
    )
    assert np.isnan(log_ratios(np.array([[0.0], [1.0], [-1.0]]), np.ones((3, 1)))[0]).all()


def test_exact_line_is_found_exactly():
    """No noise at all: zero points to the floor of 0.002 mag, slopes, bend of 0.0 within its
    prior's error (0.03)."""
    flux, error, bv, _ = stars(1, 200, scatter=(0, 0), catalogue_error=0.0, photometric=1e-9)
    fit = fit_gains(flux, error, bv, np.full(200, 1e-6))
    np.testing.assert_allclose(fit.zero_mag, ZERO, atol=2e-3)
    np.testing.assert_allclose(fit.gains, GAINS, rtol=2e-3)
    np.testing.assert_allclose(
        fit.slope, CAMERA + 2 * CAMERA_BEND * (fit.bv_mean - WHITE), atol=5e-3
    )
    np.testing.assert_allclose(fit.slope_ratio, fit.slope / TARGET_SLOPE)
    assert fit.used.all()


def test_agrees_with_least_squares_where_there_is_nothing_special():
    """Oracle: numpy's lstsq of a parabola through equal weights, catalogue without error. The two
    differ by the prior on the bend and by the loss, both by less than half an error."""
    flux, error, bv, _ = stars(2, 300, catalogue_error=0.0)
    fit = fit_gains(flux, error, bv, np.full(300, 1e-6))
    ratio, _ = log_ratios(flux, error)
    design = np.column_stack([np.ones(300), bv - WHITE, (bv - WHITE) ** 2])
    for index in (0, 1):
        oracle, rest, *_ = np.linalg.lstsq(design, ratio[index], rcond=None)
        covariance = np.linalg.inv(design.T @ design) * rest[0] / 297
        assert abs(fit.zero_mag[index] - oracle[0]) < 0.5 * np.sqrt(covariance[0, 0])
        assert 0.7 < fit.zero_error_mag[index] / np.sqrt(covariance[0, 0]) < 1.3
        towards_mean = np.array([0, 1, 2 * (fit.bv_mean - WHITE)])
        assert abs(fit.slope[index] - towards_mean @ oracle) < 0.5 * fit.slope_error[index]


def test_agrees_with_orthogonal_distance_regression():
    """Oracle: scipy's ODR (Boggs & Rogers 1990), errors in both variables, straight line; 1 stated
    error."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        odr = pytest.importorskip("scipy.odr")
        flux, error, bv, bv_error = stars(
            3, 300, bend=(0, 0), catalogue_error=0.08, scatter=(0.03, 0.03)
        )
        fit = fit_gains(flux, error, bv, bv_error)
        ratio, _ = log_ratios(flux, error)
        for index in (0, 1):
            data = odr.RealData(bv - WHITE, ratio[index], sx=0.08, sy=np.hypot(0.03, 0.005))
            oracle = odr.ODR(data, odr.unilinear).run()
            assert abs(fit.slope[index] - oracle.beta[0]) < 1.5 * fit.slope_error[index]
            assert abs(fit.zero_mag[index] - oracle.beta[1]) < fit.zero_error_mag[index]


def test_neutral_star_only_moves_along_the_line():
    """The gains for another white are those of the line there: exact by definition, 0.004 mag for
    the bend's prior."""
    sample = stars(4, 120)
    solar, other = fit_gains(*sample), fit_gains(*sample, neutral_bv=0.9)
    np.testing.assert_allclose(other.zero_mag, solar.predicted_mag(0.9), atol=0.004)
    np.testing.assert_allclose(solar.zero_mag, solar.predicted_mag(WHITE), atol=1e-12)
    np.testing.assert_allclose(other.slope, solar.slope, atol=0.01)


def test_gains_of_scaled_channels_scale():
    """Twice the light in red is half the gain: exact, the fit is of ratios."""
    flux, error, bv, bv_error = stars(5, 60)
    scale = np.array([[2.0], [1.0], [0.25]])
    plain, scaled = (
        fit_gains(flux, error, bv, bv_error),
        fit_gains(scale * flux, scale * error, bv, bv_error),
    )
    np.testing.assert_allclose(scaled.gains, plain.gains / scale[:, 0], rtol=1e-4)
    np.testing.assert_allclose(
        scaled.gain_errors[[0, 2]] / scaled.gains[[0, 2]],
        plain.gain_errors[[0, 2]] / plain.gains[[0, 2]],
        rtol=1e-2,
    )
    assert plain.gains[1] == 1
    assert plain.gain_errors[1] == 0


# --- honest errors ----------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "settings"),
    [
        (30, {"outliers": 0.03}),
        *also(
            (8, {}),
            (80, {}),
            (6, {}),
            (15, {}),
            (30, {}),
            (30, {"scatter": (0.05, 0.03)}),
            (30, {"catalogue_error": 0.03}),
            (40, {"mean": 0.3, "spread": 0.4}),
            (25, {"unsaid": 2.5}),
        ),
    ],
    ids=str,
)
def test_gains_are_within_their_stated_errors(n, settings):
    """80 fields each, 160 pulls. Mean square 1 within 4 / sqrt(80) = 0.45 upwards (the two channels
    share G); down to 0.2, for with few stars the scatter is not known and the errors are widened
    as Student's t, and with many what dust may do to all stars alike, 0.6 and 0.9 % that these fields
    have not, is more than half of what is stated. Beyond 3: 0.3 % of a Gaussian are expected, half a pull; three are a hint of one
    in 200. Beyond 4.5: none (1e-5)."""
    pull, _ = pulls(80, n, **settings)
    assert 0.2 <= np.mean(pull**2) <= 1.45
    assert np.count_nonzero(np.abs(pull) > 3) <= 3
    assert np.abs(pull).max() < 4.5
    assert np.abs(pull.mean(axis=0)).max() < 4 / np.sqrt(80)


def test_slopes_are_within_their_stated_errors():
    """At the mean colour of the used stars."""
    pull = []
    for seed in range(80):
        fit = fit_gains(*stars(seed, 40))
        truth = CAMERA + 2 * CAMERA_BEND * (fit.bv_mean - WHITE)
        pull.append((fit.slope - truth) / fit.slope_error)
    assert 0.4 <= np.mean(np.square(pull)) <= 1.6
    assert np.abs(pull).max() < 4.5


def test_bright_stars_alone_must_not_carry_the_fit():
    """A few bright stars have B-V to 0.01 mag, but no star lies closer to the line than its
    intrinsic scatter of 0.05: stated errors must not fall below what 30 such stars can tell, 0.05 /
    sqrt(30), less a third for luck."""
    _, fits = pulls(80, 30, scatter=(0.05, 0.05))
    least = min(fit.zero_error_mag.min() for fit in fits)
    assert least > 0.67 * 0.05 / np.sqrt(30)


@pytest.mark.parametrize("scatter", [0.02, 0.05, 0.10])
def test_error_law(scatter):
    """sigma(gain) / gain = 0.921 s / sqrt(N) at the colour centroid (Bevington's straight line):
    for N = 4, 22, 85 of the science notes this is 1 %. Here at N = 4 x the number for 1 %: 0.5 %.
    Photometric error 0.003 sqrt(2) besides. Student's widening (n - 2) / (n - 4) is in the
    tolerance of 25 %; the floor of MIN_STARS makes N = 16 the least."""
    n = 4 * {0.02: 4, 0.05: 22, 0.10: 85}[scatter]
    errors, off = [], []
    for seed in range(30):
        sample = stars(seed, n, scatter=(scatter, scatter), catalogue_error=0.0, bend=(0, 0.04))
        fit = fit_gains(sample[0], sample[1], sample[2], np.full(n, 1e-6), neutral_bv=0.75)
        truth = ZERO + CAMERA * 0.1 + CAMERA_BEND * 0.01
        errors.append(
            fit.zero_error_mag / MAG_PER_LN
        )  # gain_errors hold the systematic floor besides
        off.append(fit.zero_mag - truth)
    expected = 0.921 * np.hypot(scatter, 0.0042) / np.sqrt(n)
    assert abs(np.median(errors) / expected - 1) < 0.35
    assert abs(0.921 * np.std(off) / expected - 1) < 0.35


# --- errors in B-V ----------------------------------------------------------------------


def test_catalogue_errors_do_not_flatten_the_slope():
    """A naive slope is flattened by 1 - sigma^2 / var_observed (Fuller 1987, section 1.1): 0.925
    for 0.10 on 0.35. Twenty fields of 200 tell the mean to 0.3 % of it; 2 % here, and the naive one
    must show the flattening (else this test would show nothing)."""
    naive, fitted = [], []
    for seed in range(20):
        flux, error, bv, bv_error = stars(seed, 200, catalogue_error=0.10, bend=(0, 0))
        ratio, _ = log_ratios(flux, error)
        naive.append([np.polyfit(bv, row, 1)[0] for row in ratio])
        fitted.append(fit_gains(flux, error, bv, bv_error).slope)
    np.testing.assert_allclose(np.mean(naive, axis=0) / CAMERA, 0.925, atol=0.02)
    np.testing.assert_allclose(np.mean(fitted, axis=0) / CAMERA, 1.0, atol=0.02)


def test_far_from_the_mean_colour_the_gain_is_unbiased_too():
    """White at B-V 0.1, field at 0.75: a flattened slope of 0.754 (0.20 on 0.35) would miss by 0.25
    * 0.48 * 0.65 = 0.078 mag. Twenty fields tell the mean to 0.008; 0.02."""
    off = [
        fit_gains(*stars(seed, 150, catalogue_error=0.20, bend=(0, 0)), neutral_bv=0.1).zero_mag
        - (ZERO + CAMERA * (0.1 - WHITE))
        for seed in range(20)
    ]
    assert np.abs(np.mean(off, axis=0)).max() < 0.025


def test_a_catalogue_that_errs_more_than_it_says_is_told():
    """2.5 times: by the errors as said the slopes would come out 0.57 of what they are. The mean of
    15 fields tells them to 3 %."""
    fits = [fit_gains(*stars(seed, 40, unsaid=2.5)) for seed in range(15)]
    truth = CAMERA + 2 * CAMERA_BEND * (np.mean([fit.bv_mean for fit in fits]) - WHITE)
    ratio = np.mean([fit.slope for fit in fits], axis=0) / truth
    np.testing.assert_allclose(ratio, 1.0, atol=0.10)


def test_true_spread_of_colour():
    """0.35 was drawn, sqrt(0.35^2 + 0.2^2) is seen: 300 stars tell it to 4 %, 12 % is 3 errors."""
    fit = fit_gains(*stars(1, 300, catalogue_error=0.2))
    assert abs(fit.bv_spread / 0.35 - 1) < 0.12
    assert (
        abs(fit.red_share - 0.5 * (1 + 0.7)) < 0.12
    )  # P(B-V > 0.4): one spread below the mean, 0.84


# --- outliers ---------------------------------------------------------------------------


def test_outliers_are_clipped_and_told():
    """Five stars are wrong by 1 mag in one channel, thirty times the scatter: all are clipped, of
    95 good ones hardly any (4 sigma), and the gains stay within 3 errors."""
    flux, error, bv, bv_error = stars(6, 100, catalogue_error=0.03)
    flux[0, :5] *= 10**-0.4
    fit = fit_gains(flux, error, bv, bv_error)
    assert not fit.used[:5].any()
    assert fit.used[5:].mean() > 0.97
    assert fit.n_used == fit.used.sum()
    assert np.all(np.abs(fit.gains - GAINS)[[0, 2]] < 3 * fit.gain_errors[[0, 2]])
    np.testing.assert_allclose(
        fit.residual_mag[0, :5], 1.0, atol=0.15
    )  # measured minus predicted: too little red


def test_residuals_are_measured_minus_predicted():
    fit = fit_gains(*stars(7, 60, catalogue_error=0.001))
    np.testing.assert_allclose(
        fit.residual_mag, fit.log_ratio_mag - fit.predicted_mag(fit.bv_mag), atol=1e-3
    )
    np.testing.assert_allclose(fit.scatter_mag, (0.03, 0.015), rtol=0.5)


def test_copied_channels_have_no_colour():
    """R = G = B: slope 0 with a small error, gains 1; 0.005 mag for the prior on the bend, which no
    star contradicts."""
    _, _, bv, bv_error = stars(8, 40)
    flux = np.ones((3, 1)) * np.logspace(0, 2, 40)
    fit = fit_gains(flux, 0.01 * flux, bv, bv_error)
    np.testing.assert_allclose(fit.gains, 1.0, atol=5e-3)
    np.testing.assert_allclose(fit.slope, 0.0, atol=5e-3)
    assert np.all(fit.slope_ratio + 2 * fit.slope_ratio_error < 0.3)


# --- few stars, bad input ---------------------------------------------------------------


def test_few_stars_have_large_errors():
    small, large = fit_gains(*stars(9, 5)), fit_gains(*stars(9, 500))
    assert np.all(small.zero_error_mag > 3 * large.zero_error_mag)
    assert np.isfinite(small.gains).all()


@pytest.mark.parametrize("n", [0, 1, MIN_STARS - 1])
def test_too_few_stars_are_refused(n):
    with pytest.raises(ValueError, match=f"{n} stars? .* given, {MIN_STARS} needed"):
        fit_gains(*stars(1, n))
    fit_gains(*stars(1, MIN_STARS))  # what the message asks for


@pytest.mark.parametrize("spoil", ["flux", "bv", "error", "dark"])
def test_values_that_are_not_finite_are_refused(spoil):
    flux, error, bv, bv_error = (a.copy() for a in stars(1, 20))
    if spoil == "flux":
        flux[0, 3] = np.nan
    elif spoil == "dark":
        flux[2, 3] = 0.0
    elif spoil == "bv":
        bv[3] = np.inf
    else:
        bv_error[3] = np.nan
    with pytest.raises(ValueError, match="20 stars with finite"):
        fit_gains(flux, error, bv, bv_error)
    keep = np.arange(20) != 3
    fit_gains(flux[:, keep], error[:, keep], bv[keep], bv_error[keep])  # finite ones only


def test_input_is_not_changed_and_result_is_frozen():
    sample = stars(1, 30)
    copies = [a.copy() for a in sample]
    fit = fit_gains(*sample)
    for before, after in zip(copies, sample, strict=True):
        np.testing.assert_array_equal(before, after)
    with pytest.raises(AttributeError, match="cannot assign"):
        fit.gains = np.ones(3)


# --- matrix -----------------------------------------------------------------------------


MIXING = np.array([[0.80, 0.18, 0.02], [0.10, 0.75, 0.15], [0.02, 0.25, 0.73]])


def mixed(n, noise=0.0, seed=0):
    """Target colours of stars, and what a camera with crosstalk and unequal channels makes of
    them."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(-0.2, 1.5, n) - WHITE
    green = 10 ** rng.uniform(0, 2, n)
    bend = 0.05 * rng.standard_normal(
        (2, n)
    )  # real stars fill a patch of the colour plane, not a line alone
    rho, beta = -0.5555 * x + bend[0], 0.9172 * x + bend[1]
    target = green * 10 ** (-0.4 * np.array([rho, np.zeros(n), beta]))
    channels = np.diag([1.6, 1.0, 0.5]) @ MIXING @ target
    return channels * (1 + noise * rng.standard_normal((3, n))), target.T


def test_matrix_recovers_a_known_mixing():
    """Truth: stars mixed by a known 3x3. The matrix is fixed up to scale and drawn to the diagonal,
    so what is compared is the colour it makes: 0.03 mag over 1.7 mag of B-V (photon noise of 0.003
    mag, grown by unmixing, and the pull), where gains alone leave 0.1."""
    flux, target = mixed(200, noise=0.002)
    gains = np.array([1 / 1.6, 1.0, 2.0])
    fit = fit_matrix(flux, target, gains)
    made, wanted = (log_ratios(f, np.zeros_like(f))[0] for f in (fit.matrix @ flux, target.T))
    alone = log_ratios(gains[:, None] * flux, np.zeros_like(flux))[0]
    assert np.sqrt(np.mean((made - wanted) ** 2)) < 0.03
    assert (
        np.sqrt(
            np.mean((alone - wanted - np.median(alone - wanted, axis=1, keepdims=True)) ** 2)
        )
        > 0.08
    )
    assert np.all(fit.scatter_mag < 0.03)
    assert fit.n_used == 200


def test_matrix_of_a_frame_that_needs_none_is_the_gains():
    rng = np.random.default_rng(1)
    _, target = mixed(60)
    gains = np.array([0.7, 1.0, 1.9])
    flux = target.T / gains[:, None] * (1 + 0.005 * rng.standard_normal((3, 60)))
    np.testing.assert_allclose(
        fit_matrix(flux, target, gains).matrix / gains, np.eye(3), atol=0.03
    )


def test_matrix_is_not_led_astray_by_what_clipping_leaves():
    """Stars beyond 4 sigma never get here; three of a hundred are off by 0.1 mag. Entries of 1 move
    by less than 0.15."""
    flux, target = mixed(100, noise=0.005)
    gains = np.array([1 / 1.6, 1.0, 2.0])
    clean = fit_matrix(flux, target, gains)
    flux[0, :3] *= 1.1
    np.testing.assert_allclose(fit_matrix(flux, target, gains).matrix, clean.matrix, atol=0.15)


@pytest.mark.parametrize("n", [0, 19])
def test_matrix_needs_stars(n):
    flux, target = mixed(n)
    with pytest.raises(ValueError, match=f"needs 20 stars, {n} given"):
        fit_matrix(flux, target, np.ones(3))
    flux, target = mixed(20)
    assert fit_matrix(flux, target, np.ones(3)).n_used == 20


# --- linearity --------------------------------------------------------------------------


@pytest.mark.parametrize("slope", [1.0, 0.5])
def test_brightness_slope(slope):
    """Truth: the slope drawn; 5 % of the stars are off by 3 mag. Slope of 60 stars over 4 mag with
    0.1 mag: 0.012."""
    rng = np.random.default_rng(2)
    v = rng.uniform(7, 11, 60)
    m = slope * v - 25 + 0.1 * rng.standard_normal(60)
    m[:3] += 3
    found, error = brightness_slope(m, v)
    assert abs(found - slope) < 0.05
    assert 0.01 < error < 0.06
    assert abs(found - slope) < 2 * error


def test_brightness_slope_needs_stars_and_range():
    v = np.linspace(8, 11, 30)
    assert np.isnan(brightness_slope(v[:7], v[:7])).all()
    assert np.isnan(brightness_slope(0.2 * v, 0.2 * v)).all()
    assert np.isnan(brightness_slope(np.full(30, np.nan), v)).all()
    assert brightness_slope(np.append(v, np.nan), np.append(v, 9.0))[0] == pytest.approx(1.0)
    assert brightness_slope(v[::4], v[::4])[0] == pytest.approx(1.0)  # eight stars


def test_what_all_bv_are_off_by_moves_the_gains_as_stated():
    """However many stars there are: the errors of single stars shrink, that of all does not."""
    for n in (20, 500):
        flux, error, bv, bv_error = stars(4, n)
        fit, off = (
            fit_gains(flux, error, bv, bv_error),
            fit_gains(flux, error, bv + 0.04, bv_error),
        )
        moved = np.abs(np.log(off.gains / fit.gains))[[0, 2]]
        stated = fit.with_catalogue(0.04)
        np.testing.assert_allclose(stated.catalogue_error, moved, rtol=0.1)  # the line is bent
        grown = stated.stated_errors**2 - fit.stated_errors**2
        np.testing.assert_allclose(grown, stated.catalogue_error**2, rtol=1e-6)
        again = stated.with_rounding(np.zeros(2)).with_added(np.zeros(2))
        np.testing.assert_allclose(again.stated_errors, stated.stated_errors)  # once, not twice


def test_what_dust_does_to_all_bv_of_the_catalogue_is_taken_out_of_the_gains():
    """B-V given 0.03 mag too blue behind E(B-V) 0.3: gains as by the right B-V."""
    flux, error, bv, bv_error = stars(4, 200)
    dust = Dust(ebv_mag=0.3, error_mag=0.1)
    right = fit_gains(flux, error, bv, bv_error).with_dust(dust)
    given = fit_gains(flux, error, bv - 0.03, bv_error).with_dust(dust, bv_off_per_ebv=0.1)
    np.testing.assert_allclose(given.gains, right.gains, rtol=0.002)  # of 1.7 and 2.5 %
    assert np.all(given.dust_error > right.dust_error)  # more dust moves both alike
    told = given.dust.to_dict()["in_gains"]
    np.testing.assert_allclose([told["R"], told["B"]], given.dust.factors - 1)
