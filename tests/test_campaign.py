"""Frames of the campaign: their truth is true, and the campaign tells right from wrong."""

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from starcal.demo import campaign, faults
from starcal.demo.spectra import true_calibration

SMALL = (160, 220)
EXAMPLE = Path(__file__).parents[1] / "examples" / "campaign_truth.py"


def recipe(**changes):
    """A broadband frame of a field with plenty of stars, and what is changed of it."""
    made = campaign.plain_recipe(np.random.default_rng(7), SMALL)
    setup = replace(
        made.setup,
        ra_deg=305.6,
        dec_deg=40.3,
        scale_arcsec=14.0,
        v_zero_electrons=1e10,
        fwhm_px=2.5,
        faint_to_mag=None,
        gradient=0.0,
        full_well_electrons=1e7,
    )
    profile = faults.moffat_profile(2.5, 3.0)
    changed = {"profiles": (profile, profile, profile), "ebv_mag": 0.0} | changes
    return replace(made, setup=setup, **changed)


def made_of(changed):
    return campaign.make(changed, np.random.default_rng(3))


def test_a_frame_repeats_and_another_seed_is_another_frame():
    first, again = (campaign.make_frame("hot-pixels", 5, SMALL) for _ in range(2))
    np.testing.assert_array_equal(first.pixels, again.pixels)
    assert not np.array_equal(first.pixels, campaign.make_frame("hot-pixels", 6, SMALL).pixels)


def test_an_unknown_fault_is_refused():
    with pytest.raises(ValueError, match="fault 'fog' is none of none, double-gaussian"):
        campaign.make_frame("fog", 1)


@pytest.mark.parametrize("fault", campaign.FAULTS)
def test_every_fault_makes_a_frame(fault):
    made = campaign.make_frame(fault, 3, SMALL)
    assert made.pixels.shape == (3, *SMALL)
    assert np.isfinite(made.pixels).all()
    assert made.pixels.min() >= 0
    assert np.all(np.isfinite(made.gains_true) & (made.gains_true > 0))
    assert made.gains_true[1] == pytest.approx(1)


def test_what_leaves_light_alone_leaves_the_gains_alone():
    """Hot pixels, focus and place change no star's light: the gains are those of the filters."""
    changed = recipe(hot_share=1e-3, soft_px=(0.0, 0.0, 2.0), vignetting=0.4)
    made = made_of(changed)
    np.testing.assert_allclose(made.gains_true, true_calibration(changed.setup)[0], rtol=1e-3)
    assert made.can_be_right
    assert made.telling > 20


def test_an_uneven_flat_varies_the_gain_by_its_gradient():
    """R/G changes by 30 % edge to edge: stars spread evenly have 0.8 of it between their 10th and
    90th percentile, more along a diagonal; a third of that for the chance of where they lie."""
    made = made_of(recipe(colour_gradient=0.3))
    assert 0.15 < made.variation[[0, 2]].min() < made.variation.max() < 0.45
    assert not made.can_be_right
    assert made_of(recipe(colour_gradient=0.03)).can_be_right


def test_a_bent_channel_needs_the_slope_of_its_response():
    """Faint stars on a sky s through level^p come out p s^(p-1) times as bright: their gain is one
    over that. The median star is brighter than that limit: within a tenth."""
    changed = recipe(exponents=(0.95, 1.0, 1.0))
    made = made_of(changed)
    sky = changed.setup.sky_electrons[0] / changed.setup.full_well_electrons
    slope = 0.95 * sky**-0.05
    plain = true_calibration(changed.setup)[0]
    assert made.gains_true[0] / plain[0] == pytest.approx(1 / slope, rel=0.1)
    assert made.gains_true[2] == pytest.approx(plain[2], rel=1e-3)


def test_narrow_filters_can_never_be_right():
    for fault in ("narrowband", "mixed-filters"):
        assert not campaign.make_frame(fault, 1, SMALL).can_be_right


def test_dust_reddens_a_star_of_the_same_colour_as_it_is_seen():
    """Dust and temperature redden stars almost alike: along the reddening line R/G changes by 0.68
    mag for each of E(B-V), along the stars' own line by 0.56, B/G by 1.04 and 0.92 (integrated
    spectra, sRGB channels). At E(B-V) 0.5 that is some 6 %; other filters have other signs, so
    0.5 to 15 % is asked for. A star's V stays, so each channel stays within 15 %."""
    rng = np.random.default_rng(2)
    clean = recipe()
    setup = replace(clean.setup, scatter="none", system="mono")
    clean = replace(clean, setup=setup, dust_law="Fitzpatrick 1999")
    truth = campaign.star_field(setup, np.random.default_rng(1))
    plain = campaign.dusty_electrons(clean, truth, rng)
    dusty = campaign.dusty_electrons(replace(clean, ebv_mag=0.5), truth, rng)
    change = np.median(dusty / plain, axis=0)
    assert np.all(np.abs(change / change[1] - 1)[[0, 2]] > 0.005)
    assert np.all(np.abs(change - 1) < 0.15)


# --- the campaign itself ----------------------------------------------------------------


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("campaign_truth", EXAMPLE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def outcome(script, **changes):
    plain = {
        "fault": "none",
        "seed": 1,
        "verdict": "rescue",
        "can_be_right": True,
        "telling": 40,
        "error": np.array([0.01, -0.02]),
        "stated": np.array([0.01, 0.01]),
        "reason": "",
    }
    return script.Outcome(**(plain | changes))


def test_the_table_counts(script):
    """Counted by hand."""
    outcomes = [
        outcome(script),
        outcome(script, error=np.array([0.07, 0.0])),
        outcome(script, error=np.array([0.0, 0.2]), seed=9),
        outcome(script, verdict="undecided"),
        outcome(script, verdict="undecided", telling=5),
        outcome(script, verdict="no", error=np.array([np.nan, np.nan])),
        outcome(script, can_be_right=False, seed=11),
    ]
    counts = script.row("none", outcomes).split()[1:7]
    assert counts == ["7", "4", "2", "1", "1", "1"]
    told = script.table(outcomes)
    assert "wrong gains: none, seed 9: gains off by R +0.0, B +20.0 %" in told
    assert "false rescue: none, seed 11" in told


def test_errors_have_parts_that_add_up(script):
    """Gains 6 % off, 3 % by true light, 1 % by true colours: by hand in logarithms."""
    each = outcome(
        script,
        error=np.expm1([0.06, -0.06]),
        by_true_light=script.Judged(verdict="rescue", error=np.expm1([0.03, -0.03])),
        by_true_colours=script.Judged(verdict="rescue", error=np.expm1([0.01, 0.0])),
    )
    rows = script.scatter_rows([each])
    assert [row.split()[-2:] for row in rows] == [
        ["6.00", "6.00"],
        ["3.00", "3.00"],
        ["2.00", "3.00"],
        ["1.00", "0.00"],
    ]
    assert script.bound_row("a", [each], lambda e: e.by_true_light).split()[1:4] == [
        "1",
        "0",
        "0",
    ]


@pytest.mark.slow
def test_the_campaign_runs(script, capsys):
    script.main(["--frames", "1", "--fault", "none", "--jobs", "1"])
    lines = capsys.readouterr().out.splitlines()
    (whole,) = [line for line in lines if line.startswith("all ")]
    assert whole.split()[1] == "1"
    (true_light,) = [line for line in lines if line.startswith("true light  ")]
    assert true_light.split()[2] == "1"
