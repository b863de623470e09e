"""Every branch of the verdict, and that less evidence never makes it bolder."""

import re
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.table import Table
from campaigns import also
from hypothesis import given, settings
from hypothesis import strategies as st

from starcal.checking.fitting import said_of_gains
from starcal.demo.setup import SYSTEMS
from starcal.demo.spectra import band_mags
from starcal.fit import verdict
from starcal.fit.gains import TARGET_SLOPE, fit_gains
from starcal.fit.verdict import Verdict, decide
from starcal.stars import Flag
from starcal.stars.linearity import Linearity, _clip_over_noise

BOLDNESS = {"no": 0, "undecided": 1, "rescue": 2}
LOOSE_CATALOGUE = {"brightness": 1.20, "brightness_error": 0.36}  # of nine stars
EIGHT_BITS = {"eight_bits": True, "profile": 0.99, "profile_error": 0.03, "steps": 400.0}


def a_fit(
    red=0.8, blue=0.6, ratio_error=0.05, zero_error=0.015, scatter=0.04, red_share=0.8, n=40
):
    """A fit with just the numbers that the verdict looks at."""
    ratio, ratio_error = np.array([red, blue]), np.broadcast_to(ratio_error, 2).astype(float)
    gains = np.array([0.7, 1.0, 1.4])
    return replace(
        some_fit(),
        slope_ratio=ratio,
        slope_ratio_error=ratio_error,
        slope=ratio * TARGET_SLOPE,
        zero_error_mag=np.broadcast_to(zero_error, 2).astype(float),
        gains=gains,
        gain_errors=gains * np.array([zero_error, 0, zero_error]) / 1.0857,
        scatter_mag=np.broadcast_to(scatter, 2).astype(float),
        red_share=red_share,
        used=np.ones(n, bool),
    )


@cache
def some_fit():
    return fit_gains(*stars_through("camera", 60, 0))


def stars_through(
    system,
    n,
    seed,
    *,
    width_nm=3,
    mean=0.75,
    spread=0.35,
    error=0.03,
    noise=0.02,
    scatter="spectra",
):
    """Real spectra (Pickles 1998) through the system's filters: flux, error, B-V with the
    catalogue's error."""
    rng = np.random.default_rng([seed, n])
    bands = tuple(f"{b}{width_nm}" if b in "HOS" else b for b in SYSTEMS[system])
    true = np.clip(rng.normal(mean, spread, n), -0.3, 1.7)
    distinct = list(dict.fromkeys(bands))  # the same exposure in two channels is the same noise
    mags = band_mags(tuple(distinct), true, scatter, rng)
    light = 10 ** (-0.4 * mags) * np.exp(noise * rng.standard_normal((n, len(distinct))))
    flux = np.array([light[:, distinct.index(b)] for b in bands])
    return flux, noise * flux, true + error * rng.standard_normal(n), np.full(n, error)


def judged(fit):
    return decide(fit, 0.05, 0.006)


def has_number(text):
    return re.search(r"\d", text) is not None


# --- decide, branch by branch -----------------------------------------------------------


def test_rescue():
    found = judged(a_fit())
    assert found.verdict == "rescue"
    assert found.quality == "good"
    assert found.stars_needed is None
    assert (found.colour_error_before, found.colour_error_after) == (0.05, 0.006)
    assert "0.80" in found.reasons[0]
    assert "0.60" in found.reasons[0]
    assert "40 stars" in found.reasons[1]
    assert "0.050 to 0.006" in found.reasons[2]
    assert "starcal run" in found.next_steps[0]


def test_what_speaks_against_good_gains_is_mended_not_outnumbered():
    found = decide(a_fit(), 0.05, 0.006, contradicted="a channel is not linear")
    assert (found.verdict, found.stars_needed) == ("undecided", None)
    assert "before that was done" in found.next_steps[0]


@pytest.mark.parametrize("change", [{"zero_error": 0.03}, {"scatter": 0.08}])
def test_fair_quality(change):
    found = judged(a_fit(**change))
    assert (found.verdict, found.quality) == ("rescue", "fair")


@pytest.mark.parametrize(
    ("ratios", "advised"), [((0.7, 1.0), True), ((1.0, 1.25), True), ((1.0, 0.9), False)]
)
def test_a_matrix_is_advised_where_gains_leave_much(ratios, advised):
    assert (
        any("--model matrix" in step for step in judged(a_fit(*ratios)).next_steps) is advised
    )


@pytest.mark.parametrize(
    ("ratios", "channel", "says"),
    [
        ((0.0, 0.6), "red", "no star colour"),
        ((0.8, 0.05), "blue", "no star colour"),
        ((-1.0, 0.6), "red", "wrong one"),
        ((2.0, 0.6), "red", "far more"),
        ((0.8, 2.1), "blue", "far more"),
    ],
)
def test_no(ratios, channel, says):
    found = judged(a_fit(*ratios))
    assert found.verdict == "no"
    assert channel in found.reasons[0]
    assert says in found.reasons[0]
    assert f"{min(ratios, key=lambda r: -abs(r - 0.7)):.2f}" in found.reasons[0]
    assert any("separate star frame" in step for step in found.next_steps)
    assert found.quality == ""


def test_no_tells_of_both_channels():
    assert (
        sum("against green shows" in reason for reason in judged(a_fit(2.0, 0.0)).reasons) == 2
    )


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            {"red": 0.28, "ratio_error": 0.05},
            "red against green carries star colour is open: 0.28",
        ),
        ({"blue": 1.75, "ratio_error": 0.1}, "blue against green"),
        ({"red": 1.46, "ratio_error": 0.33}, "more colour than any broadband filters give"),
        ({"red": 1.5, "ratio_error": 0.05}, "more colour than any broadband filters give"),
        ({"red": 0.5, "ratio_error": 0.25}, "0.50 +- 0.25"),
        ({"zero_error": 0.06}, "known to 5.5 %, 3.5 % or better"),
        ({"red_share": 0.2, "ratio_error": 0.21}, "only 20 %"),
        ({"red_share": 0.2, "red": 0.45}, "only 20 %"),
        ({"red_share": 0.2, "blue": 1.0}, "only 20 %"),
    ],
)
def test_undecided(change, says):
    found = judged(a_fit(**change))
    assert found.verdict == "undecided"
    assert any(says in reason for reason in found.reasons)
    assert found.stars_needed >= 10
    assert str(found.stars_needed) in found.next_steps[0]


def test_hot_stars_suffice_where_both_slopes_are_well_known():
    assert judged(a_fit(red_share=0.1)).verdict == "rescue"


def test_a_sky_of_coarse_values_is_named_and_more_stars_do_not_help():
    """By 4 %: the step says so and asks for a finer frame. By 2 % besides 3 % of few stars: those
    are what is lacking."""
    rounded = replace(a_fit(), rounding_error=np.array([0.0, 0.04]))
    found = judged(rounded.with_added(np.zeros(2)))
    assert found.verdict == "undecided"
    assert "blue" in found.reasons[0]
    assert "rounded to steps" in found.reasons[0]
    assert "16 bits" in found.next_steps[0]
    assert found.stars_needed is None
    fewer = replace(a_fit(zero_error=0.033), rounding_error=np.array([0.02, 0.0]))
    assert judged(fewer.with_added(np.zeros(2))).stars_needed > 40


@pytest.mark.parametrize(
    ("ratios", "expected"),
    [
        ((0.6, 0.2), "undecided"),
        ((0.2, 0.7), "undecided"),
        ((0.6, 0.12), "no"),
        ((1.3, 0.2), "no"),
        ((0.2, 1.2), "no"),
    ],
)
def test_pale_stars_of_a_colour_camera_are_no_narrowband(ratios, expected):
    """What demosaicing along edges leaves, or a luminance in all channels; more stars would not
    help, other channels do. As little beside what H-alpha or [O III] shows in the other channel
    stays a no."""
    found = judged(a_fit(*ratios, ratio_error=0.02))
    assert found.verdict == expected
    open_yet = expected == "undecided"
    assert ("debayer" in found.next_steps[0]) is open_yet
    assert ("a luminance mixed in" in found.reasons[0]) is open_yet
    assert found.stars_needed is None


@pytest.mark.parametrize(
    ("ratios", "named"),
    [((-0.9, -0.6), True), ((-0.9, -0.2), False), ((-0.9, 0.6), False)],
)
def test_channels_in_the_order_of_blue_green_red_are_named(ratios, named):
    """A line among broad filters turns one slope round, and never both."""
    found = judged(a_fit(*ratios, ratio_error=0.04))
    assert found.verdict == "no"
    assert ("each other's place" in found.reasons[0]) is named
    assert ("in the order red, green, blue" in found.next_steps[0]) is named


@pytest.mark.parametrize(
    ("ratios", "named"), [((0.6, 0.33), True), ((0.7, 0.5), False), ((2.0, 0.2), False)]
)
def test_stars_paler_than_through_any_colour_camera_are_named(ratios, named):
    notes = said_of_gains(a_fit(*ratios, ratio_error=0.02))
    assert any("demosaicing" in note for note in notes) is named


def test_stars_needed_by_the_square_root_law():
    """Twice the allowed error takes four times the stars; the code adds a fifth for luck (so 4 to 5
    times)."""
    assert 160 <= judged(a_fit(zero_error=0.076, n=40)).stars_needed <= 200
    assert (
        judged(a_fit(zero_error=0.076, n=80)).stars_needed
        > 1.9 * judged(a_fit(zero_error=0.076, n=40)).stars_needed
    )


@pytest.mark.parametrize(("inside", "outside"), [(0.3, 0.27), (1.44, 1.46)])
def test_the_ends_of_the_range(inside, outside):
    """Nearer to the 1.15 of broad filters than to the 1.75 of H-alpha in place of red."""
    assert judged(a_fit(red=inside, ratio_error=0.02)).verdict == "rescue"
    assert judged(a_fit(red=outside, ratio_error=0.02)).verdict == "undecided"


# --- less evidence never makes it bolder ------------------------------------------------


ratios = st.floats(-1.5, 2.5)


@settings(max_examples=100, deadline=None)
@given(
    ratios,
    ratios,
    st.floats(0.005, 0.5),
    st.floats(0.003, 0.1),
    st.floats(0, 1),
    st.floats(1, 5),
)
def test_larger_errors_never_lead_to_rescue_or_no(
    red, blue, ratio_error, zero_error, red_share, factor
):
    """Whatever is not rescue stays so with larger errors, and what is not a no does not become
    one."""
    sharp = judged(a_fit(red, blue, ratio_error, zero_error, red_share=red_share)).verdict
    blunt = judged(
        a_fit(red, blue, ratio_error * factor, zero_error * factor, red_share=red_share)
    ).verdict
    assert not (blunt == "rescue" and sharp != "rescue")
    assert not (blunt == "no" and sharp != "no")


@settings(max_examples=100, deadline=None)
@given(
    ratios,
    ratios,
    st.floats(0.005, 0.5),
    st.floats(0.003, 0.1),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_a_bluer_field_is_never_bolder(red, blue, ratio_error, zero_error, share, less):
    fuller = judged(a_fit(red, blue, ratio_error, zero_error, red_share=share)).verdict
    bluer = judged(a_fit(red, blue, ratio_error, zero_error, red_share=share * less)).verdict
    assert BOLDNESS[bluer] <= BOLDNESS[fuller]


@settings(max_examples=100, deadline=None)
@given(ratios, ratios, st.floats(0.005, 0.5), st.floats(0.003, 0.1), st.floats(0, 1))
def test_every_verdict_has_reasons_with_numbers_and_next_steps(
    red, blue, ratio_error, zero_error, share
):
    found = judged(a_fit(red, blue, ratio_error, zero_error, red_share=share))
    assert found.verdict in BOLDNESS
    assert found.next_steps
    assert has_number(found.reasons[0])
    assert (found.quality != "") == (found.verdict == "rescue")
    assert found.stars_needed is None or found.verdict == "undecided"
    said = (*found.reasons, *found.next_steps)
    assert not any(re.search(r"\bnan\b", text) for text in said)  # "luminance" may be said


def test_more_scatter_in_the_stars_never_leads_to_rescue():
    """Through the fit: stars of a narrowband composite, with more and more noise."""
    for seed in range(5):
        for noise in (0.01, 0.05, 0.15, 0.4):
            assert (
                judged(fit_gains(*stars_through("HOO", 40, seed, noise=noise))).verdict
                != "rescue"
            )
    found = [
        judged(fit_gains(*stars_through("camera", 20, 3, noise=noise))).verdict
        for noise in (0.01, 0.6)
    ]
    assert found == ["rescue", "undecided"]


# --- which systems can be rescued -------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("width_nm", [3, *also(7)])
@pytest.mark.parametrize("system", ["SHO", "HOO", "copy", *also("HOS", "OHS")])
def test_narrowband_and_copied_channels_are_never_rescued(system, width_nm):
    """Real spectra with their lines. Expected (science notes, by integration of spectra): at least
    one slope ratio at <= 0.08 or >= 2.0. 24 fields of 10 to 100 stars each, of field stars and of a
    young cluster (B-V 0.1 +- 0.15), in which H-alpha absorption imitates colour; field stars must
    in most cases get a no."""
    verdicts = []
    for seed in range(6):
        for n, mean, spread in (
            (10, 0.75, 0.35),
            (40, 0.75, 0.35),
            (100, 0.75, 0.35),
            (60, 0.1, 0.15),
        ):
            fit = fit_gains(
                *stars_through(system, n, seed, width_nm=width_nm, mean=mean, spread=spread)
            )
            verdicts.append((mean, judged(fit).verdict))
    assert "rescue" not in {v for _, v in verdicts}, verdicts
    assert np.mean([v == "no" for mean, v in verdicts if mean > 0.5]) > 0.8


@pytest.mark.parametrize("system", ["camera", "mono"])
def test_broadband_with_thirty_stars_is_rescued(system):
    """Real spectra, B-V to 0.03 mag; the guard for fields of hot stars is met by B-V 0.75 +- 0.35.
    30 seeds, all."""
    for seed in range(30):
        assert judged(fit_gains(*stars_through(system, 30, seed))).verdict == "rescue", seed


@pytest.mark.parametrize("system", ["camera", "mono"])
def test_young_clusters_are_rescued_where_both_slopes_are_known(system):
    """Hot stars alone, real spectra: 60 of them tell broadband filters from hydrogen lines. One
    field in twenty may stay open."""
    verdicts = [
        judged(fit_gains(*stars_through(system, 60, seed, mean=0.1, spread=0.2))).verdict
        for seed in range(20)
    ]
    assert set(verdicts) <= {"rescue", "undecided"}
    assert verdicts.count("rescue") >= 19


def test_few_hot_stars_stay_open_and_it_is_said():
    """Seven of them; where the slopes happen to be known well enough the gains are not."""
    found = [
        judged(fit_gains(*stars_through("mono", 7, seed, mean=0.1, spread=0.12)))
        for seed in range(10)
    ]
    assert {each.verdict for each in found} == {"undecided"}
    told = [any("hot stars" in reason for reason in each.reasons) for each in found]
    assert sum(told) >= 5


# --- verdicts without a fit -------------------------------------------------------------


def test_without_wcs():
    found = verdict.without_wcs("missing: CRVAL1, CTYPE1")
    assert found.verdict == "undecided"
    assert "CRVAL1" in found.reasons[0]
    assert any("--wcs" in step for step in found.next_steps)


def test_hints_that_led_nowhere_are_the_reason():
    """Who has said where the frame points is not told to say it."""
    found = verdict.without_wcs("", "not solved: 12 stars paired. Check the hints: --ra")
    assert "12 stars paired" in found.reasons[0]
    assert not any("say where it points" in step for step in found.next_steps)


def test_without_match():
    found = verdict.without_match(
        SimpleNamespace(
            star=np.arange(7),
            catalogue=np.arange(7),
            chance_matches=5.25,
            in_frame=np.ones(50, bool),
        ),
        310,
    )
    assert found.verdict == "undecided"
    assert "7 of 310" in found.reasons[0]
    assert "5.2" in found.reasons[0]
    assert any("plate-solve" in step for step in found.next_steps)


@pytest.mark.parametrize(
    ("spoilt", "why", "step"),
    [
        ({}, "better 10", "look at the flags"),
        ({"saturated": 6, "faint": 1}, "6 of them are burnt out", "shorter exposures"),
        ({"faint": 6, "edge": 6}, "6 of them lie near", "without data"),
        ({"faint": 5, "edge": 4}, "5 of them are weak", "longer exposures"),
    ],
)
def test_too_few(spoilt, why, step):
    """What most stars have that cannot be used, and what helps against that. Without data there is
    no light either."""
    found = verdict.too_few(3, 9, spoilt)
    assert found.verdict == "undecided"
    assert "3 of 9" in found.reasons[0]
    assert why in found.reasons[0]
    assert step in found.next_steps[0]
    assert found.stars_needed == 10


def test_a_verdict_is_frozen():
    with pytest.raises(AttributeError, match="cannot assign"):
        Verdict("no").verdict = "rescue"


# --- linearity --------------------------------------------------------------------------


def test_a_picture_of_8_bits_whose_light_a_mild_stretch_may_bend_stays_stretched():
    """No peak tells; 0.83 to 0.97 of the catalogue's slope holds what mild stretches leave."""
    assert Linearity(eight_bits=True, brightness=0.9, brightness_error=0.07).stretched


@pytest.mark.parametrize(("noise_steps", "stretched"), [(0.4, False), (2.0, True)])
def test_light_known_less_well_is_believed_over_a_sky_that_nothing_lifted(
    noise_steps, stretched
):
    light = Linearity(
        eight_bits=True,
        brightness=0.96,
        brightness_error=0.09,
        noise_in_eight_bits=noise_steps,
    )
    assert light.stretched == stretched


@pytest.mark.parametrize(
    ("noise", "spans"),
    [((0.01, 0.01, 0.012), 75), ((0.01, 0.001, 0.001), 900)],
)
def test_range_is_that_of_the_clearest_channel_where_that_is_surely_linear(noise, spans):
    """Nebula makes the noise of one channel; a stretch leaves hundreds in none."""
    stars = Table({"flags": np.full(6, int(Flag.SATURATED))})
    stars.meta["noise"] = SimpleNamespace(sky=np.full(3, 0.1), noise=np.array(noise))
    stars.meta["clip_level"] = (1.0, 1.0, 1.0)
    assert _clip_over_noise(stars) == pytest.approx(spans)


@pytest.mark.parametrize(
    ("measured", "stretched", "says"),
    [
        ({}, False, None),
        ({"brightness": 1.0, "brightness_error": 0.05}, False, None),
        ({"brightness": 0.5, "brightness_error": 0.05}, True, "only 0.50 mag brighter"),
        ({"brightness": 0.8, "brightness_error": 0.12}, False, None),  # not beyond its error
        (
            {"brightness": 0.1, "brightness_error": 0.3},
            False,
            None,
        ),  # known too badly to say anything
        ({"profile": 0.99, "profile_error": 0.01}, False, None),
        ({"profile": 0.6, "profile_error": 0.02}, True, f"only {10**0.6:.1f} times as high"),
        ({"profile": 0.82, "profile_error": 0.02}, True, f"only {10**0.82:.1f} times as high"),
        (
            {
                "profile": 0.87,
                "profile_error": 0.02,
                "brightness": 0.94,
                "brightness_error": 0.05,
            },
            True,
            "stars have been made smaller",
        ),
        (
            {
                "profile": 0.87,
                "profile_error": 0.02,
                "brightness": 0.9,
                "brightness_error": 0.02,
            },
            True,
            "the picture has been stretched",
        ),
        ({"clip_over_noise": 40.0}, True, "40 times the noise"),
        ({"clip_over_noise": 40.0}, True, "or its bright end was cut off"),
        ({**EIGHT_BITS, "noise_in_eight_bits": 2.0}, True, "those of an 8-bit picture"),
        (
            {**EIGHT_BITS, **LOOSE_CATALOGUE, "noise_in_eight_bits": 14.0},
            True,
            "those of an 8-bit picture",
        ),  # what agrees with any curve
        ({"eight_bits": True, "brightness": 1.12, "brightness_error": 0.03}, False, None),
        ({**EIGHT_BITS, "noise_in_eight_bits": 0.5}, False, None),  # a sky that nothing lifted
        ({"clip_over_noise": 2000.0}, False, None),
        ({"median_height": 0.3}, True, "reach 30 % of the height of the brightest"),
        ({"median_height": 0.12}, False, None),
        ({"median_height": 0.3, "profile": 0.99, "profile_error": 0.03}, False, None),
        ({"median_height": 0.3, "brightness": 1.0, "brightness_error": 0.05}, False, None),
        ({"steps": 60.0, "top": 0.9}, True, "only 60 times the noise"),
        (
            {"steps": 60.0, "top": 0.012},
            False,
            None,
        ),  # no bright star: dark, as linear frames are
    ],
)
def test_stretched(measured, stretched, says):
    """Thresholds lie between linear frames (0.95 to 1.05) and stretched ones (0.1 to 0.7)."""
    linearity = Linearity(**measured)
    assert linearity.stretched is stretched or linearity.stretched == stretched
    if stretched:
        found = verdict.verdict_on_stretched(linearity)
        assert found.verdict == "no"
        assert says in found.reasons[0]
        beyond_doubt = "only 4.0 times as high" in says  # no linear frame has such profiles
        offered = any("--assume-linear" in step for step in found.next_steps)
        assert offered is not beyond_doubt
