"""The continuum relation and the choice of a source for each star, on invented stars of known
B-V."""

import numpy as np
import pytest
from astropy.table import Table

from starcal.colour.palette import yellow_white
from starcal.demo.spectra import band_mags
from starcal.fit.continuum import EXPLAINED_SHARE, field_spread_bv, fit_continuum
from starcal.fit.sources import choose_colours, from_palette
from starcal.stars import Flag

SYSTEMS = {
    "SHO": ("S3", "H3", "O3"),
    "HOO": ("H3", "O3", "O3"),
    "HOS": ("H3", "O3", "S3"),
    "OHS": ("O3", "H3", "S3"),
}
ERROR_MAG = 0.03  # of a log ratio, a star of SNR 50


def stars_through(system: str, n: int, seed: int = 0):
    """True B-V, catalogue B-V with its error, log ratios of real spectra (Pickles 1998) through
    narrow filters."""
    rng = np.random.default_rng(seed)
    bv = np.clip(rng.normal(0.75, 0.35, n), -0.2, 1.5)
    mags = band_mags(SYSTEMS[system], bv, "spectra", rng)
    error = np.full((2, n), ERROR_MAG)
    if system == "HOO":
        error[1] = 0
    ratio = (mags[:, [0, 2]] - mags[:, [1]]).T + rng.normal(0, 1, (2, n)) * error
    sigma = np.full(n, 0.08)
    return bv, bv + rng.normal(0, sigma), sigma, ratio, error


@pytest.mark.parametrize("system", SYSTEMS)
def test_b_v_comes_out_as_well_as_published_spectra_allow(system):
    """0.106 mag rms is what one continuum ratio leaves of B-V over spectral types O to M2 at 3 nm
    (SCIENCE 3.2)."""
    _, listed, sigma, ratio, error = stars_through(system, 40, seed=1)
    fit = fit_continuum(ratio, error, listed, sigma)
    assert not fit.refused
    bv, _, _, other, other_error = stars_through(system, 400, seed=2)
    guess, stated = fit.predict(other, other_error)
    miss = guess - bv
    assert (
        np.sqrt(np.mean(miss**2)) < 0.16
    )  # mag: 0.106 intrinsic, 0.04 photometry, 0.05 from 40 training stars
    assert (
        0.5 < np.mean((miss / stated) ** 2) < 1.8
    )  # honest errors; few spectra a colour make lumps


def test_the_order_of_the_channels_does_not_matter():
    """The relation is linear and bent in the log ratios, so no one needs to say which channel holds
    which line."""
    bv, listed, sigma, ratio, error = stars_through("SHO", 60)
    one, two = (
        fit_continuum(r, e, listed, sigma).predict(r, e)[0]
        for r, e in ((ratio, error), (ratio[::-1], error[::-1]))
    )
    np.testing.assert_allclose(one, two, atol=1e-6)
    assert np.std(one - bv) < 0.16


def test_channels_without_colour_are_refused_with_the_number():
    rng = np.random.default_rng(4)
    listed = rng.normal(0.75, 0.35, 40)
    ratio = rng.normal(0, 0.05, (2, 40))
    fit = fit_continuum(ratio, np.full((2, 40), 0.05), listed, np.full(40, 0.05))
    assert fit.explained < EXPLAINED_SHARE
    assert f"{100 * EXPLAINED_SHARE:.0f} % needed" in fit.refused


def test_outliers_are_clipped():
    _, listed, sigma, ratio, error = stars_through("SHO", 60)
    listed[:3] += 2.0
    fit = fit_continuum(ratio, error, listed, sigma)
    assert not fit.used[:3].any()
    assert fit.used[3:].mean() > 0.9


def test_stars_beyond_the_fitted_range_are_held_back_and_uncertain():
    _, listed, sigma, ratio, error = stars_through("SHO", 40)
    fit = fit_continuum(ratio, error, listed, sigma)
    far = (fit.centre + 30 * fit.spread)[:, None]
    bv, stated = fit.predict(far, np.full((2, 1), 0.02))
    assert -0.4 < bv[0] < 1.6
    assert stated[0] > 3 * fit.intrinsic_mag


def test_too_few_stars_are_said_to_be():
    with pytest.raises(ValueError, match="4 matched stars given"):
        fit_continuum(np.zeros((2, 4)), np.ones((2, 4)), np.zeros(4), np.ones(4))


def test_without_a_catalogue_the_field_is_put_in_order():
    bv, _, _, ratio, error = stars_through("SHO", 200)
    guess, stated = field_spread_bv(ratio, error)
    assert np.corrcoef(guess, bv)[0, 1] > 0.85  # the order is real
    assert abs(np.median(guess) - 0.75) < 0.05  # mag; the scale is the prior's
    assert (stated > 0.2).all()


def test_a_field_without_a_colour_axis_gives_nothing():
    noise = np.random.default_rng(0).normal(0, 0.02, (2, 100))
    assert np.isnan(field_spread_bv(noise, np.full((2, 100), 0.02))[0]).all()


# --- the choice -------------------------------------------------------------------------


def table_of(n: int, flags=0, **columns) -> Table:
    return Table({"flags": np.full(n, flags, np.int32)} | columns)


def fluxes(ratio, error):
    flux = 10 ** (-0.4 * np.array([ratio[0], np.zeros(ratio.shape[1]), ratio[1]]))
    return flux, flux * np.array([error[0], np.zeros(ratio.shape[1]), error[1]]) / 1.0857


def flat(v_mag):
    return np.where(np.asarray(v_mag) < 10, 0.03, 0.15)


def test_each_star_takes_its_best_source():
    bv, _, _, ratio, error = stars_through("SHO", 60)
    flux, flux_error = fluxes(ratio, error)
    v = np.where(np.arange(60) < 20, 8.0, 11.5)
    listed = bv + np.random.default_rng(5).normal(0, flat(v))
    flags = np.where(np.arange(60) < 40, 0, Flag.NO_MATCH).astype(np.int32)
    flux[:, 59] = np.nan  # nothing is known of the last star
    stars = Table(
        {
            "flags": flags,
            "bv_mag": np.where(flags == 0, listed, np.nan),
            "bv_fit_error_mag": np.where(flags == 0, flat(v), np.nan),
        }
    )
    chosen = choose_colours(stars, flux, flux_error)
    assert chosen.route == "continuum"
    assert set(chosen.source[:20]) == {"catalogue"}
    assert set(chosen.source[40:59]) == {"continuum"}
    assert chosen.source[59] == "field median"
    assert (chosen.bv_error_mag[:20] < 0.03).all()
    assert np.isfinite(chosen.bv_mag).all()
    assert sum(chosen.tally().values()) == 60
    assert 0.5 < np.mean(((chosen.bv_mag - bv) / chosen.bv_error_mag)[:59] ** 2) < 2.5


def test_without_colour_in_the_channels_the_catalogue_is_left():
    rng = np.random.default_rng(7)
    listed = rng.normal(0.75, 0.35, 30)
    flux = np.ones((3, 30)) * rng.normal(1, 0.02, (3, 30))
    chosen = choose_colours(
        table_of(30, bv_mag=listed, bv_fit_error_mag=np.full(30, 0.03)), flux, 0.02 * flux
    )
    assert chosen.route == "catalogue"
    assert "needed" in chosen.reason
    assert (
        np.abs(chosen.bv_mag - listed).max() < 0.05
    )  # mag; a catalogue error of 0.03 leaves little to the field


def test_a_saturated_star_has_no_ratio_but_may_have_a_catalogue_colour():
    _, listed, _, ratio, error = stars_through("SHO", 30)
    flux, flux_error = fluxes(ratio, error)
    flags = np.zeros(30, np.int32)
    flags[0] = Flag.SATURATED
    stars = Table({"flags": flags, "bv_mag": listed, "bv_fit_error_mag": np.full(30, 0.03)})
    assert choose_colours(stars, flux, flux_error).source[0] == "catalogue"


def test_a_mismatched_star_does_not_take_the_catalogue_colour_of_another():
    stars = table_of(
        3, flags=Flag.MISMATCH, bv_mag=np.full(3, 1.4), bv_fit_error_mag=np.full(3, 0.03)
    )
    chosen = choose_colours(stars, np.full((3, 3), np.nan), np.ones((3, 3)))
    assert (chosen.source == "palette").all()
    np.testing.assert_allclose(chosen.bv_mag, 0.75)


def test_the_field_spread_is_said_to_be_a_guess():
    _, _, _, ratio, error = stars_through("HOO", 100)
    flux, flux_error = fluxes(ratio, error)
    chosen = choose_colours(table_of(100, flags=Flag.NO_MATCH), flux, flux_error)
    assert chosen.route == "palette"
    assert "not measured" in chosen.reason
    assert "field spread" in set(chosen.source)


def test_an_empty_table_is_no_crash():
    chosen = choose_colours(table_of(0), np.empty((3, 0)), np.empty((3, 0)))
    assert len(chosen.bv_mag) == 0
    assert chosen.route == "palette"


def test_a_palette_says_that_it_is_not_measured():
    chosen = from_palette(yellow_white(5, 0.75, 0.2))
    assert "not measured" in chosen.reason
    assert (chosen.source == "palette").all()
