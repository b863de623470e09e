"""The colours of stars from ratios, catalogue and field, on invented stars of known B-V."""

import numpy as np
import pytest
from astropy.table import Table
from campaigns import also

from starcal.catalogue.embedded import bv_error_model, cone
from starcal.colour.palette import yellow_white
from starcal.colour.stellar import star_rgb, uv_prime_distance
from starcal.demo.spectra import band_mags
from starcal.errors import TooFewStars
from starcal.fit import relations
from starcal.fit.continuum import (
    MOST_TO_TELL,
    OTHERS_WEIGHT,
    _ln_catalogue,
    _ln_evidences,
    _thinned,
    by_same_stars,
    gather,
)
from starcal.fit.population import ln_population
from starcal.fit.posterior import Evidence, _Priors, _state
from starcal.fit.sources import _seen, choose_colours, from_palette, told_own
from starcal.stars import Flag

ERROR_MAG = 0.03  # of a star's light in a channel, SNR 36


def mags_through(mapping: str, bv: np.ndarray, rng, width: int = 3) -> np.ndarray:
    """Magnitudes in R, G, B of stars with real spectra (Pickles 1998), V 0; a line that fills two
    channels is the same exposure twice."""
    lines = "".join(dict.fromkeys(mapping))
    mags = band_mags(tuple(f"{line}{width}" for line in lines), bv, "spectra", rng).T
    return mags[[lines.index(line) for line in mapping]]


def noise_through(mapping: str, n: int, rng, error_mag=ERROR_MAG) -> np.ndarray:
    lines = "".join(dict.fromkeys(mapping))
    noise = error_mag * rng.normal(size=(len(lines), n))
    return noise[[lines.index(line) for line in mapping]]


class Field:
    """Stars of known B-V, as a check hands them on."""

    def __init__(
        self, mapping, n=200, matched=40, seed=0, middle=0.75, told=False, error_mag=0.03
    ):
        rng = np.random.default_rng(seed)
        self.bv = np.clip(rng.normal(middle, 0.35, n), -0.2, 1.5)
        self.v_mag = np.sort(rng.uniform(8, 14, n))
        self.matched = np.isin(np.arange(n), rng.permutation(n // 2)[:matched])
        mags = mags_through(mapping, self.bv, rng) + noise_through(mapping, n, rng, error_mag)
        mags += (
            self.v_mag + rng.uniform(-2, 2, 3)[[mapping.index(line) for line in mapping], None]
        )
        self.flux = 10 ** (-0.4 * (mags - 20))
        self.flux_error = self.flux * error_mag / 1.0857
        self.sigma = bv_error_model(self.v_mag)
        listed = self.bv + self.sigma * rng.normal(size=n)
        self.stars = Table(
            {
                "flags": np.where(self.matched, 0, int(Flag.NO_MATCH)).astype(np.int32),
                "bv_mag": np.where(self.matched, listed, np.nan),
                "bv_fit_error_mag": np.where(self.matched, self.sigma, np.nan),
                "v_mag": np.where(self.matched, self.v_mag, np.nan),
            },
            meta={"lines": mapping if told else ""},
        )

    def colours(self, route="best"):
        return choose_colours(self.stars, self.flux, self.flux_error, route)


def miss_uv(bv_mag, true_mag) -> np.ndarray:
    return uv_prime_distance(star_rgb(bv_mag, 0.65), star_rgb(true_mag, 0.65))


# --- relations --------------------------------------------------------------------------


def test_the_relation_is_that_of_published_spectra():
    """O III / H-alpha of single stars through 3 and 7 nm, from the spectra themselves (Pickles 1998,
    PASP 110, 863): G2V 1.02 and .98 at B-V .65, K0III .77 and .76 at .98, F0V 1.55 and 1.40 at .32."""
    ratio = relations._line_ratio("O", "H")
    for bv, narrow, wide in ((0.65, 1.02, 0.98), (0.98, 0.77, 0.76), (0.32, 1.55, 1.40)):
        mean, wider = (
            np.interp(bv, relations.GRID_BV_MAG, ratio[name]) for name in ("mean", "wider")
        )
        # a mean over classes against one star: stars scatter by 0.04 to 0.06 mag
        assert mean - wider == pytest.approx(-2.5 * np.log10(narrow), abs=0.09)
        assert mean + wider == pytest.approx(-2.5 * np.log10(wide), abs=0.09)


def test_reddening_moves_a_star_along_the_sequence():
    """E(501-656) / E(B-V) is 1.11 (Fitzpatrick 1999, R_V 3.1), the stars' own slope 1.12."""
    features = relations.line_bands("SHO").features[0, 2]
    at = np.array([0.5, 0.8, 1.1])
    clear, behind = (np.interp(at, relations.GRID_BV_MAG, features[e]) for e in (0, 1))
    assert np.abs(behind - clear).max() < 0.15  # mag


@pytest.mark.parametrize(
    ("words", "lines"),
    [
        (("S II 3 nm", "H-alpha 3 nm", "O III 3 nm"), "SHO"),
        (("Ha", "OIII", "SII"), "HOS"),
        (("[SII]", "Halpha 7nm", "O3"), "SHO"),
        (("H", "O", "O"), "HOO"),
        (("Red", "Green", "Blue"), ""),
        (("H-beta", "H-alpha", "O III"), ""),
        (("", "", ""), ""),
    ],
)
def test_names_of_filters_tell_the_lines(words, lines):
    assert relations.lines_of_filters(words) == lines


@pytest.mark.slow
@pytest.mark.parametrize(
    "mapping",
    ["HOS", *also("SHO", "OHS")],
)
@pytest.mark.parametrize("matched", [3, *also(0, 40)])
def test_the_stars_themselves_tell_which_channel_is_the_blue_line(mapping, matched):
    """S II and H-alpha are so near each other that an exchange of the two matters little."""
    fit = Field(mapping, matched=matched, seed=3).colours().continuum
    assert fit.frame.bands.name.index("O") == mapping.index("O")
    assert "by the stars" in fit.assumed  # themselves, or the likeliest by them


def test_stars_without_a_match_weigh_the_same_where_the_kind_of_channels_is_judged():
    """They count as 15 together; every second one alone had counted as 7."""
    n = 160
    weight = np.where(np.arange(n) < 100, 1.0, OTHERS_WEIGHT / 60)
    nothing = np.zeros((2, n))
    evidence = Evidence(
        ratio_mag=nothing,
        variance_mag2=nothing,
        shared_mag2=nothing[0],
        ln_prior=nothing.T,
        ln_catalogue=nothing.T,
        catalogued=weight == 1,
        weight=weight,
    )
    kept = _thinned(evidence).weight
    assert kept[100:].sum() == pytest.approx(OTHERS_WEIGHT)
    assert 25 <= np.count_nonzero(kept[:100]) <= MOST_TO_TELL


@pytest.mark.parametrize("told", [False, True])
@pytest.mark.parametrize("mapping", ["HOO", "HHO"])
def test_two_lines_are_taken_from_the_channels_that_differ(mapping, told):
    field = Field(mapping, n=80, matched=10, seed=4, told=told)
    made = field.colours()
    assert made.continuum.frame.bands.name == mapping
    assert np.median(miss_uv(made.bv_mag, field.bv)) < 0.006


def test_two_lines_that_three_channels_mix_are_told_from_others():
    """A green mixed of both: taken for broad or for no known channels, they had errors half of the
    true ones."""
    field = Field("HOO", n=60, matched=25, seed=6)
    noise = 1 + 0.015 * np.random.default_rng(6).normal(size=(3, 60))
    field.flux = np.array([[1, 0], [0.4, 0.6], [0, 1]]) @ field.flux[:2] * noise
    seen = _seen(field.stars, field.flux, field.flux_error)
    known = _ln_catalogue(seen)
    kinds = [relations.mixed_bands(*relations.GREEN_MIX), relations.broad_bands()]
    kinds.append(relations.any_bands(kinds[0].ratio_of))
    mixed, broad, unknown = _ln_evidences(kinds, seen, known)
    assert mixed > 3 + max(broad, unknown)


@pytest.mark.slow
def test_a_star_that_differs_counts_once_in_ratios_of_two_mixed_lines():
    """Through a colour camera behind a filter of two lines, as FILTER keywords say."""
    field = Field("HOO", n=80, matched=40, seed=6, told=True)
    noise = 1 + 0.015 * np.random.default_rng(6).normal(size=(3, 80))
    field.flux = np.array([[1, 0.05], [0.18, 1], [0.06, 0.8]]) @ field.flux[:2] * noise
    made = field.colours()
    assert "with some H-alpha (by the FILTER keywords)" in made.continuum.assumed
    assert np.median(miss_uv(made.bv_mag, field.bv)) < 0.006
    pull = (made.bv_mag - field.bv) / made.bv_error_mag
    assert np.sqrt(np.mean(pull**2)) < 1.2  # by chance it differs by 0.08 from 1


def test_filter_keywords_that_the_channels_contradict_are_not_believed():
    """The header says SHO, but green and blue are one exposure."""
    field = Field("HOO", n=80, matched=10, seed=4)
    field.stars.meta["lines"] = "SHO"
    assert field.colours().continuum.frame.bands.name == "HOO"


# --- the fit ----------------------------------------------------------------------------


def test_the_gradient_is_that_of_the_probability():
    """Against differences, for every kind of parameter."""
    field = Field("SHO", n=30, matched=12, seed=1)
    fit = field.colours().continuum
    stars = fit.evidence.rows(np.flatnonzero(fit.evidence.weight > 0))
    bands, priors = fit.frame.bands, _Priors.of(fit.frame.bands)
    values = fit.frame.values + 0.1 * np.random.default_rng(0).normal(
        size=len(fit.frame.values)
    )
    gradient = _state(values, bands, stars, priors)[1]
    for i in range(len(values)):
        step = np.where(np.arange(len(values)) == i, 1e-4, 0)
        up, down = (_state(values + sign * step, bands, stars, priors)[0] for sign in (1, -1))
        assert (up - down) / 2e-4 == pytest.approx(gradient[i], rel=2e-3, abs=2e-3)


@pytest.mark.slow
@pytest.mark.parametrize(
    "mapping",
    [
        "SHO",
        *also("HOO", "HOS", "OHS"),
    ],
)
def test_b_v_comes_out_as_well_as_published_spectra_allow(mapping):
    """0.106 mag rms is what one continuum ratio leaves of B-V over spectral types O to M2 at 3 nm
    (from the same spectra); 40 training stars add 0.05, the photometry 0.04."""
    miss, pull = [], []
    for seed in range(3):
        field = Field(mapping, n=300, seed=seed, told=True)
        made = field.colours()
        assert made.route == "continuum"
        other = made.source == "continuum"
        miss.append((made.bv_mag - field.bv)[other])
        pull.append(miss[-1] / made.bv_error_mag[other])
    assert np.sqrt(np.mean(np.concatenate(miss) ** 2)) < 0.14
    # Frames hold blends and odd stars, which the stated errors allow for; here are none.
    assert 0.5 < np.sqrt(np.mean(np.concatenate(pull) ** 2)) < 1.2


@pytest.mark.slow
@pytest.mark.parametrize("mapping", ["HOO", *also("SHO")])
def test_one_to_four_clean_stars_serve(mapping):
    """The slope is known from real filters, so few stars fix the zero point."""
    for matched in (1, 2, 4):
        error, uniform = [], []
        for seed in range(4):
            field = Field(mapping, matched=matched, seed=10 + seed, told=True)
            made = field.colours()
            assert made.route == "continuum"
            assert "slope is that of real stars" in made.reason
            error.append(miss_uv(made.bv_mag, field.bv))
            uniform.append(miss_uv(0.75, field.bv))
        assert np.median(error) < 0.5 * np.median(uniform)


@pytest.mark.slow
def test_the_order_of_the_channels_does_not_matter():
    field = Field("SHO", seed=5)
    one = field.colours().bv_mag
    turned = choose_colours(field.stars, field.flux[::-1], field.flux_error[::-1]).bv_mag
    np.testing.assert_allclose(turned, one, atol=0.01)  # mag; the fit stops within that


@pytest.mark.slow
def test_outliers_do_not_pull():
    """Three of forty catalogue entries are another star's, 2 mag off; the colours stay within the
    noise of what they were."""
    field = Field("SHO", seed=6, told=True)
    before = field.colours().bv_mag
    wrong = np.flatnonzero(field.matched)[10:13]
    field.stars["bv_mag"][wrong] += np.where(field.bv[wrong] > 0.8, -1.0, 1.0)
    after = field.colours().bv_mag
    rest = ~field.matched
    assert np.median(np.abs(after - before)[rest]) < 0.03


def test_red_and_blue_stars_are_not_whitened():
    """Stars beyond the matched ones' colours: the mean of the red ones within 0.08 mag, and far
    redder than the reddest matched star would allow if ratios were cut there."""
    miss = []
    for seed in range(4):
        field = Field("SHO", n=300, seed=20 + seed, told=True)
        blind = field.matched & (field.bv > 1.0)
        field.stars["flags"][blind] |= Flag.NO_MATCH
        for name in ("bv_mag", "bv_fit_error_mag", "v_mag"):
            field.stars[name][blind] = np.nan
        made = field.colours()
        red = (field.bv > 1.2) & (made.source == "continuum")
        miss.append((made.bv_mag - field.bv)[red])
    assert abs(np.mean(np.concatenate(miss))) < 0.08


def test_an_uneven_flat_is_taken_out_of_the_ratios():
    """O III lies on a flat that changes by 30 % from left to right: without it stars at the edges
    come out 0.15 mag of B-V redder and bluer."""
    field = Field("HOO", n=150, matched=60, seed=2, told=True)
    rng = np.random.default_rng(2)
    x_px = rng.uniform(0, 900, 150)
    field.stars["x_px"], field.stars["y_px"] = x_px, rng.uniform(0, 600, 150)
    field.stars.meta["shape"] = (600, 900)
    field.flux[1:] *= 10 ** (-0.4 * 0.3 * (x_px / 900 - 0.5))
    made = field.colours()
    slants = made.continuum.slants
    assert slants.slope_mag[0] == pytest.approx(
        [0.3, 0.0], abs=3 * np.sqrt(slants.covariance_mag2[0].trace())
    )
    miss = made.bv_mag - field.bv
    assert abs(np.polyfit(x_px / 900, miss, 1)[0]) < 0.12  # mag of B-V; 0.3 as it was made
    assert "taken out" in made.reason


def test_channels_without_colour_leave_the_catalogue():
    rng = np.random.default_rng(4)
    field = Field("SHO", n=60, matched=30, seed=4)
    field.flux = 10 ** (-0.4 * field.v_mag) * rng.normal(1, 0.05, (3, 60))
    field.flux_error = 0.05 * field.flux
    made = field.colours()
    assert made.route == "catalogue"
    assert made.continuum.refused
    listed = made.source == "catalogue"
    assert listed.sum() > 15
    away = np.abs(made.bv_mag - field.stars["bv_mag"])[listed]
    assert (
        np.median(away) < 0.05
    )  # mag; catalogue errors of 0.03 to 0.2 leave little to the field


@pytest.mark.campaign
def test_a_noisy_catalogue_does_not_condemn_the_ratios():
    """Catalogue errors of 0.3 mag and more, stated as 0.15: such colours tell next to nothing of
    stars of 0.35 mag of spread, and the ratios of lines known by the header are kept."""
    for seed in range(4):
        field = Field("SHO", n=120, matched=16, seed=30 + seed, told=True)
        rng = np.random.default_rng(seed)
        listed = field.bv + 0.35 * rng.normal(size=120)
        field.stars["bv_mag"] = np.where(field.matched, listed, np.nan)
        field.stars["bv_fit_error_mag"] = np.where(field.matched, 0.15, np.nan)
        made = field.colours()
        assert made.route == "continuum"
        assert np.median(miss_uv(made.bv_mag, field.bv)) < 0.5 * np.median(
            miss_uv(0.75, field.bv)
        )


def test_the_stars_own_light_tells_how_far_a_catalogue_errs():
    """Errors 2.5 times the stated ones are found to be larger than stated, those as stated are not
    (60 stars tell a spread to 9 %; errors of 0.04 mag drown in the ratios' own of 0.1, so only part
    of it shows). Then errors cover the truth nearly: taken as stated, those of the catalogue would be
    2.5 times too small."""
    for times, least, most, widest in ((1.0, 1.0, 1.25, 1.2), (2.5, 1.3, 3.0, 1.6)):
        field = Field("SHO", n=150, matched=60, seed=41, told=True)
        rng = np.random.default_rng(7)
        listed = field.bv + times * field.sigma * rng.normal(size=150)
        field.stars["bv_mag"] = np.where(field.matched, listed, np.nan)
        made = field.colours()
        assert least <= made.continuum.catalogue_factor < most
        pull = (made.bv_mag - field.bv)[field.matched] / made.bv_error_mag[field.matched]
        assert np.sqrt(np.mean(pull**2)) < widest
        assert ("times as much as stated" in made.reason) == (times > 1)


def test_a_poor_catalogue_does_not_speak_against_the_lines_that_channels_hold():
    """Errors 4 times the stated ones: taken as stated, channels of any kind fit them better."""
    field = Field("OHS", n=100, matched=50, seed=7, error_mag=0.015)
    listed = field.bv + 4 * field.sigma * np.random.default_rng(57).normal(size=100)
    field.stars["bv_mag"] = np.where(field.matched, listed, np.nan)
    seen = _seen(field.stars, field.flux, field.flux_error)
    kinds = relations.line_bands("OHS"), relations.any_bands(((0, 1), (2, 1)))
    lines, any_kind = _ln_evidences(kinds, seen, _ln_catalogue(seen))
    assert lines > any_kind


def test_whatever_the_channels_are_the_same_stars_tell():
    """Evidence of other stars is none against another kind of channels."""
    field = Field("SHO", n=200, matched=0)
    seen = _seen(field.stars, field.flux, field.flux_error)
    kinds = relations.candidate_bands((0, 1, 2), "")
    none = np.zeros((200, 1))
    weights = [by_same_stars(gather(seen, b, none), seen, b).weight for b in kinds]
    assert np.ptp(weights, axis=0).max() == 0


def test_ratios_that_good_catalogue_colours_contradict_are_given_up():
    """The header says HOO, but O III / H-alpha goes with another star's colour."""
    field = Field("HOO", n=120, matched=30, seed=34, told=True)
    rng = np.random.default_rng(0)
    field.flux = 10 ** (-0.4 * mags_through("HOO", rng.permutation(field.bv), rng))
    field.flux_error = 0.03 * field.flux
    field.stars["bv_fit_error_mag"] = np.where(field.matched, 0.03, np.nan)
    field.stars["bv_mag"] = np.where(field.matched, field.bv, np.nan)
    made = field.colours()
    assert "fits the catalogue worse" in made.continuum.refused
    assert made.route == "catalogue"


def test_one_exposure_in_all_channels_has_no_ratios():
    field = Field("SHO", n=40, matched=20)
    field.flux[:] = field.flux[1]
    made = field.colours()
    assert made.route == "catalogue"
    assert "copies of one" in made.continuum.refused


# --- knowing more is never worse --------------------------------------------------------


def sky_field(seed: int):
    """A field somewhere on the sky, nastier than what is believed of fields: colours of its own
    faint catalogue stars for its faint stars, its bright ones as they are, dust, emission stars,
    wrong entries, any mapping and width, few matched stars."""
    rng = np.random.default_rng(seed)
    mapping = rng.choice(["SHO", "HOO", "HOS", "OHS"])
    near = cone(
        rng.uniform(0, 360), np.degrees(np.arcsin(rng.uniform(-1, 1))), 4.0, epoch_yr=2020
    )
    known = np.isfinite(near.bv_mag) & (near.v_mag < 11.3)
    v_mag, bv_mag = near.v_mag[known].astype(float), near.bv_mag[known].astype(float)
    bright, faint = rng.permutation(len(v_mag)), np.flatnonzero(v_mag > 10)
    matched = int(rng.choice([0, 1, 3, 8, 20, 40]))
    rows = np.concatenate([bright[:matched], rng.choice(faint, 120)])
    n = len(rows)
    middle = np.median(bv_mag[faint])  # the catalogue's errors taken out of the spread
    shrink = np.where(np.arange(n) < matched, 1.0, 0.85)
    true = np.clip(middle + shrink * (bv_mag[rows] - middle), -0.3, 1.6)
    v_mag = np.where(np.arange(n) < matched, v_mag[rows], rng.uniform(11, 14.5, n))
    dust = rng.choice([0.0, 0.0, 0.3])
    mags = mags_through(mapping, true, rng, int(rng.choice([3, 5, 7])))
    order = [mapping.index(line) for line in mapping]
    red_law = np.array([relations.EXTINCTION[line] for line in mapping])
    mags = mags + dust * red_law[:, None] + v_mag + rng.uniform(-2, 2, 3)[order, None]
    true = true + dust
    lines = np.array(list(mapping))[:, None]
    mags -= (lines == "H") * np.where(rng.random(n) < 0.03, rng.uniform(0, 1, n), 0)
    error = 0.02 + 0.1 * 10 ** (0.3 * (v_mag - 14))
    mags += noise_through(mapping, n, rng, error)
    flux = 10 ** (-0.4 * (mags - 20))
    sigma = bv_error_model(v_mag)
    listed = true + 1.2 * sigma * rng.normal(size=n) + 0.6 * (rng.random(n) < 0.02)
    has = np.arange(n) < matched
    stars = Table(
        {
            "flags": np.where(has, 0, int(Flag.NO_MATCH)).astype(np.int32),
            "bv_mag": np.where(has, listed, np.nan),
            "bv_fit_error_mag": np.where(has, sigma, np.nan),
            "v_mag": np.where(has, v_mag, np.nan),
        },
        meta={"lines": str(rng.choice(["", mapping]))},
    )
    return stars, flux, flux * error / 1.0857, true


@pytest.mark.slow
@pytest.mark.parametrize("fields", [5, *also(50)])
def test_no_field_is_worse_off_than_with_one_yellow_white(fields):
    errors, uniforms, matched = [], [], []
    for seed in range(fields):
        stars, flux, flux_error, true = sky_field(seed)
        made = choose_colours(stars, flux, flux_error)
        errors.append(np.median(miss_uv(made.bv_mag, true)))
        uniforms.append(np.median(miss_uv(np.full(len(true), 0.75), true)))
        matched.append(np.count_nonzero(stars["flags"] == 0))
    excess = np.array(errors) - np.array(uniforms)
    assert np.count_nonzero(np.array(matched) < 2) >= fields / 5
    assert np.count_nonzero(excess >= 0) == 0
    assert np.median(errors) < 0.5 * np.median(uniforms)


def test_hot_bright_catalogue_stars_do_not_paint_the_field():
    """Five clipped hot stars with catalogue colours, no ratio for the rest: the rest is as a field
    of such faint stars, not as its brightest."""
    n = 60
    stars = Table(
        {
            "flags": np.where(np.arange(n) < 5, int(Flag.SATURATED), int(Flag.NO_MATCH)),
            "bv_mag": np.where(np.arange(n) < 5, -0.1, np.nan),
            "bv_fit_error_mag": np.where(np.arange(n) < 5, 0.03, np.nan),
            "v_mag": np.where(np.arange(n) < 5, 7.5, np.nan),
        }
    )
    made = choose_colours(stars, np.full((3, n), np.nan), np.ones((3, n)))
    assert set(made.source[5:]) == {"field median"}
    assert 0.6 < np.median(made.bv_mag[5:]) < 0.95
    np.testing.assert_allclose(made.bv_mag[:5], -0.1, atol=0.03)


def test_faint_stars_are_redder_than_bright_ones():
    """Mean B-V of Tycho-2 stars (Hoeg et al. 2000) near the plane, by magnitude, against the
    population; 0.1 mag is how much fields differ."""
    for ra, dec in ((300.0, 35.0), (110.0, -20.0)):
        near = cone(ra, dec, 12.0, epoch_yr=2000.0)
        for low, high in ((7.5, 8.5), (9.5, 10.0), (10.5, 11.0)):
            rows = (near.v_mag > low) & (near.v_mag < high) & np.isfinite(near.bv_mag)
            share = np.exp(ln_population(near.v_mag[rows].astype(float)))
            expected = np.mean(share @ relations.GRID_BV_MAG)
            assert expected == pytest.approx(np.mean(near.bv_mag[rows]), abs=0.2)


# --- the choice -------------------------------------------------------------------------


def table_of(n: int, flags=0, **columns) -> Table:
    return Table({"flags": np.full(n, flags, np.int32)} | columns)


def test_each_star_takes_its_best_source():
    field = Field("SHO", n=120, seed=8)
    field.flux[:, 119] = np.nan  # nothing is known of the last star
    made = field.colours()
    assert made.source[119] == "field median"
    good = field.matched & (field.sigma < 0.03)
    assert set(made.source[good]) <= {"catalogue", "catalogue+continuum"}
    assert np.mean(made.source[~field.matched] == "continuum") > 0.9
    assert np.isfinite(made.bv_mag).all()
    assert (made.bv_error_mag > 0).all()
    assert sum(made.tally().values()) == 120


def test_a_saturated_star_has_no_ratio_but_keeps_its_catalogue_colour():
    field = Field("SHO", seed=9)
    red = np.flatnonzero(field.matched)[0]
    field.stars["flags"][red] = Flag.SATURATED
    field.stars["bv_mag"][red], field.stars["bv_fit_error_mag"][red] = 1.61, 0.02
    made = field.colours()
    assert made.source[red] == "catalogue"
    assert made.bv_mag[red] == pytest.approx(1.61, abs=0.05)


def test_a_mismatched_star_does_not_take_the_catalogue_colour_of_another():
    stars = table_of(
        3, flags=Flag.MISMATCH, bv_mag=np.full(3, 1.4), bv_fit_error_mag=np.full(3, 0.03)
    )
    chosen = choose_colours(stars, np.full((3, 3), np.nan), np.ones((3, 3)))
    assert (chosen.source == "palette").all()
    np.testing.assert_allclose(chosen.bv_mag, 0.75)


def test_without_a_catalogue_the_field_is_put_in_order_and_said_to_be_a_guess():
    field = Field("HOO", matched=0, seed=2)
    made = field.colours()
    assert made.route == "palette"
    assert "not measured" in made.reason
    assert "H-alpha, O III, O III" in made.reason
    placed = made.source == "field spread"
    assert placed.mean() > 0.8
    assert np.corrcoef(made.bv_mag[placed], field.bv[placed])[0, 1] > 0.85


@pytest.mark.campaign
def test_one_source_alone_is_one_source():
    field = Field("SHO", seed=11)
    catalogue, continuum = field.colours("catalogue"), field.colours("continuum")
    assert set(catalogue.source) <= {"catalogue", "field median"}
    assert set(continuum.source) <= {"continuum", "field median"}
    bare = Field("SHO", matched=0)
    for route in ("catalogue", "continuum"):
        with pytest.raises(TooFewStars, match=f"--route {route} asked for, but no"):
            bare.colours(route)


def test_the_count_of_own_colours_is_in_words():
    words = told_own(
        np.array(["catalogue", "continuum", "field median", "palette", "catalogue"])
    )
    assert words.startswith("3 of 5 stars with a colour of their own; 1 given the colour usual")
    assert words.endswith("1 given a synthetic colour")


def test_an_empty_table_is_no_crash():
    chosen = choose_colours(table_of(0), np.empty((3, 0)), np.empty((3, 0)))
    assert len(chosen.bv_mag) == 0
    assert chosen.route == "palette"


def test_a_palette_says_that_it_is_not_measured():
    chosen = from_palette(yellow_white(5, 0.75, 0.2))
    assert "not measured" in chosen.reason
    assert (chosen.source == "palette").all()
