"""The audit of star colours: does it say of frames of known truth, and of real ones, what is true
of them?"""

import json
from functools import cache
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from astropy.table import Table
from campaigns import also
from matplotlib.figure import Figure
from scipy.spatial import cKDTree

from starcal.audit.hues import hue_word
from starcal.audit.judging import _likely_kind, audit_picture
from starcal.audit.result import IMPOSSIBLE_KINDS, Audit
from starcal.audit.starlight import star_widths
from starcal.colour.stellar import IMPOSSIBLE_DUV, classify, duv, srgb_decode, star_rgb
from starcal.demo.examples import DEMOS
from starcal.demo.light import add_stars
from starcal.demo.scene import make_scene
from starcal.draw.tone import choose_stretch
from starcal.errors import FrameError
from starcal.frame import read_frame

FRAMES = Path(__file__).resolve().parents[1].parent / "shared" / "frames"
needs_frames = pytest.mark.skipif(
    not FRAMES.is_dir(), reason="no real frames beside the project"
)

SKY, NOISE = 0.01, 2e-4
SMALLER = {
    name: {"shape": (440, 640)} for name in ("cepheus-sho", "cygnus-camera", "orion-unsolved")
}


def painted(
    colours,
    *,
    shape=(420, 560),
    peak=(0.02, 0.6),
    nebula=None,
    fwhm_px=(2.8, 2.8, 2.8),
    shift_px=(0, 0, 0),
    noise=NOISE,
    full=1.0,
    seed=1,
):
    """Stars of given linear colours (n, 3) on a grid with random offsets, over sky and nebula:
    pixels, x, y."""
    rng = np.random.default_rng(seed)
    n = len(colours)
    columns = int(np.ceil(np.sqrt(n * shape[1] / shape[0])))
    rows = int(np.ceil(n / columns))
    x = (np.arange(n) % columns + 0.5) * shape[1] / columns + rng.uniform(-2, 2, n)
    y = (np.arange(n) // columns + 0.5) * shape[0] / rows + rng.uniform(-2, 2, n)
    flux = 1.3 * fwhm_px[1] ** 2 * np.exp(rng.uniform(*np.log(peak), n))
    pixels = np.full((3, *shape), SKY, np.float32) + (0 if nebula is None else nebula)
    pixels = pixels.astype(np.float32)
    for channel in range(3):
        add_stars(
            pixels[channel],
            x + shift_px[channel],
            y,
            flux * colours[:, channel],
            fwhm_px[channel],
            3.5,
            noise / 50,
        )
    pixels += (noise * np.sqrt(pixels / SKY) * rng.standard_normal(pixels.shape)).astype(
        np.float32
    )  # of photons
    return np.minimum(pixels, np.float32(full)), x, y


def field_colours(n, neutral_bv_mag=0.65, seed=2):
    """Colours of field stars, B-V N(0.75, 0.35), by the relation of real stars."""
    bv_mag = np.random.default_rng(seed).normal(0.75, 0.35, n)
    return star_rgb(bv_mag, neutral_bv_mag)


@cache
def demo(name, calibrated=False, **changes):
    scene = make_scene(**DEMOS[name] | SMALLER.get(name, {}) | changes)
    gains = scene.gains_true if calibrated else np.ones(3)
    return scene, (scene.pixels * gains[:, None, None]).astype(np.float32)


@cache
def linear_audit(name, calibrated=False):
    return audit_picture(demo(name, calibrated)[1], name=name)


@cache
def hoo():
    scene = make_scene(
        **DEMOS["cepheus-sho"] | {"system": "HOO", "channel_gains": (0.25, 0.71, 0.71)}
    )
    return scene, scene.pixels


def eight_bit(display):
    return np.rint(255 * display).astype(np.uint8)


def as_floats(levels):
    return np.ascontiguousarray(levels, np.float32) / np.float32(255)


def jpeg(display):
    file = imagecodecs.jpeg8_encode(
        np.ascontiguousarray(np.moveaxis(eight_bit(display), 0, -1)), level=95
    )
    return as_floats(np.moveaxis(imagecodecs.jpeg8_decode(file), -1, 0))


def truth_at(result, x, y, values, reach_px=2.0):
    """Row of the truth nearest to each star of an audit, -1 where there is none."""
    distance, row = cKDTree(np.column_stack([x, y])).query(
        np.column_stack([result.stars["x_px"].value, result.stars["y_px"].value])
    )
    return np.where((distance <= reach_px)[:, None], np.asarray(values)[row], np.nan)


# --- what frames of known truth say -----------------------------------------------------


@pytest.mark.slow
def test_sho_stars_are_nearly_all_impossible():
    # SCIENCE 3.3: lines 1 : 0.35 : 0.25 balanced as SHO give Duv -0.076 for a sun, all types magenta to violet
    result = linear_audit("cepheus-sho")
    assert not result.stretched
    assert result.n_judged >= 50
    assert result.share_impossible >= 0.95
    assert result.kinds["magenta"] == result.n_impossible
    assert next(iter(result.hues)) == "magenta"
    assert (
        -0.085 <= result.to_dict()["median_duv"] <= -0.036
    )  # the range of SHO rows in SCIENCE 3.3


@pytest.mark.slow
def test_hoo_stars_are_cyan():
    # SCIENCE 3.3: HOO is cyan, Duv of a sun +0.036; late M stars, bright in H-alpha only, are red
    result = audit_picture(hoo()[1])
    assert result.share_impossible >= 0.85
    assert next(iter(result.hues)) == "cyan"
    assert result.kinds["green"] >= 0.85 * result.n_impossible


@pytest.mark.slow
@pytest.mark.parametrize("name", ["cygnus-camera", "cassiopeia-few", "orion-unsolved"])
def test_calibrated_broadband_frames_are_clean(name):
    # real stars: |Duv| at most 0.0056 (SCIENCE 5.2); through real channels with true gains at most 2 % may pass 0.012
    result = linear_audit(name, True)
    assert result.n_judged >= 100
    assert result.share_impossible <= 0.02


@pytest.mark.slow
def test_uncalibrated_camera_frame_is_green():
    # the demo leaves green 1 / 0.62 and 1 / 0.78 too strong (q = -1.37 * -2.5 log10 of that: far beyond 0.35 mag)
    result = linear_audit("cygnus-camera")
    assert result.share_impossible >= 0.98
    assert next(iter(result.hues)) == "green"


@pytest.mark.parametrize("neutral_bv_mag", [0.65, None])
def test_stars_of_catalogue_colours_are_possible(neutral_bv_mag):
    pixels, *_ = painted(field_colours(400, neutral_bv_mag))
    result = audit_picture(pixels, neutral_bv=neutral_bv_mag)
    assert result.n_judged >= 300
    assert result.share_impossible <= 0.01


def test_duv_and_its_error_are_true():
    # measured against the colours painted: half within 1 error, nearly all (95 %) within 3; median bias below 0.001
    colours = field_colours(400) * (1.0, 0.8, 1.0)
    pixels, x, y = painted(colours)
    result = audit_picture(pixels)
    known = np.asarray(result.stars["kind"] != "unknown")
    true_duv = duv(truth_at(result, x, y, colours), 0.65)
    off = (np.asarray(result.stars["duv"]) - true_duv)[known]
    pull = np.abs(off) / np.asarray(result.stars["duv_error"])[known]
    assert np.isfinite(off).all()
    assert abs(np.median(off)) < 0.001
    assert 0.3 <= np.median(pull) <= 1.1
    assert np.mean(pull > 3) <= 0.05


def test_noise_makes_no_star_impossible():
    # all stars faint: what noise would colour is not judged
    pixels, _, _ = painted(field_colours(400), peak=(1e-3, 6e-3))
    result = audit_picture(pixels)
    assert result.unknown["too faint or on too bright a background"] >= 200
    assert result.n_impossible <= max(1, 0.01 * result.n_judged)


@pytest.mark.slow
def test_a_star_in_a_green_nebula_is_not_green():
    y, x = np.mgrid[0:420, 0:560]
    cloud = 0.05 * (1 + 0.5 * np.sin(x / 60) * np.cos(y / 45))
    nebula = cloud * np.array([0.15, 1.0, 0.4])[:, None, None]
    pixels, *_ = painted(field_colours(200), nebula=nebula, peak=(0.1, 0.6))
    assert audit_picture(pixels).n_judged >= 150
    assert audit_picture(pixels).share_impossible <= 0.01
    shown = audit_picture(choose_stretch(pixels).apply(pixels))
    assert shown.stretched
    assert shown.n_judged >= 20
    assert shown.share_impossible <= 0.02


@pytest.mark.parametrize("neutral_bv_mag", [0.65, None])
def test_kinds_are_those_of_the_true_colours(neutral_bv_mag):
    # near the limits, so that a wrong white (Duv off by 0.003) would change the kind of most
    colours = field_colours(400, neutral_bv_mag) * (1.0, 0.86, 1.0)
    pixels, x, y = painted(colours, peak=(0.2, 0.6))
    result = audit_picture(pixels, neutral_bv=neutral_bv_mag)
    true_kind = classify(truth_at(result, x, y, colours), neutral_bv_mag)
    known = np.asarray(result.stars["kind"] != "unknown")
    assert known.sum() >= 300
    assert np.mean(true_kind[known] == result.stars["kind"][known]) >= 0.9


@pytest.mark.slow
@pytest.mark.parametrize("stretch", [False, True])
def test_knots_of_a_nebula_are_not_judged(stretch):
    # the finder takes a few bright edges of this nebula for stars
    scene, pixels = demo("orion-unsolved", calibrated=True)
    result = (
        audit_picture(choose_stretch(pixels).apply(pixels))
        if stretch
        else linear_audit("orion-unsolved", True)
    )
    there = (
        truth_at(
            result, scene.truth["x_px"], scene.truth["y_px"], np.ones((len(scene.truth), 1))
        )[:, 0]
        == 1
    )
    known = np.asarray(result.stars["kind"] != "unknown")
    assert np.count_nonzero(~there) >= 2
    assert np.count_nonzero(known & ~there) <= 1
    assert np.count_nonzero(result.impossible & ~there) == 0


def displayed_stars(companion_px, halo):
    """White stars of a stretched picture, each with a magenta star near by or a magenta halo."""
    rng = np.random.default_rng(4)
    display = 0.08 + 0.004 * rng.standard_normal((3, 160, 160))
    y, x = np.mgrid[:160, :160]
    magenta = np.array([1.0, 0.2, 1.0])[:, None, None]
    for y0, x0 in np.mgrid[20:160:24, 20:160:24].reshape(2, -1).T:
        apart2 = (y - y0) ** 2 + (x - x0) ** 2
        display += 0.75 * np.exp(-apart2 / (2 * 1.4**2))
        beside2 = (y - y0) ** 2 + (x - x0 - companion_px) ** 2
        display += 0.25 * magenta * np.exp(-beside2 / 2)
        display += halo * magenta * np.exp(-apart2 / (2 * 2.8**2))
    return np.clip(display, 0, 1).astype(np.float32)


def test_a_neighbour_in_a_rim_is_not_the_stars_and_a_halo_is():
    """White cores: a magenta light 5 px to one side leaves every star possible, a magenta halo all
    round none."""
    beside = audit_picture(displayed_stars(5.0, 0.0), stretched=True)
    at = [np.asarray(beside.stars[axis]) for axis in ("x_px", "y_px")]
    white = np.logical_and(*(np.abs((one - 20 + 12) % 24 - 12) < 1.5 for one in at))
    assert white.sum() == 36
    assert not np.isin(beside.stars["kind"][white], IMPOSSIBLE_KINDS).any()
    halos = audit_picture(displayed_stars(999.0, 0.3), stretched=True)
    assert (halos.stars["kind"] == "magenta").sum() >= 30


def test_a_colour_on_the_limit_is_judged_but_not_called_impossible():
    """With an error of a third of the limit what lies far within is possible, what lies a little
    beyond is suspicious; with one of the whole limit nothing is said."""
    rgb = star_rgb(np.array([0.65, 0.65, 0.65]), 0.65)
    rgb[1:, 1] *= 0.78  # towards magenta
    factor = np.zeros((3, 3, 4))
    factor[:, 1, 0] = (0.06, 0.06, 0.18)
    assert 0.012 < -duv(rgb, 0.65)[1] < 0.018
    kinds = _likely_kind(rgb, factor, 0.65, np.full(3, np.nan))
    assert kinds.tolist() == ["possible", "suspicious", "unknown"]


@pytest.mark.slow
def test_errors_hold_on_a_nebula():
    # the demo's own stars, on structured nebula; blends and lines of real spectra add to what the error knows of
    scene = demo("orion-unsolved", calibrated=True)[0]
    result = linear_audit("orion-unsolved", True)
    x, y = scene.truth["x_px"], scene.truth["y_px"]
    true = (
        np.column_stack([scene.truth[c] for c in ("flux_r", "flux_g", "flux_b")])
        * scene.gains_true
    )
    off = np.asarray(result.stars["duv"]) - duv(truth_at(result, x, y, true, 1), 0.65)
    pull = (off / np.asarray(result.stars["duv_error"]))[
        np.asarray(result.stars["kind"] != "unknown")
    ]
    assert np.nanmedian(np.abs(pull)) <= 0.9
    assert np.mean(np.abs(pull[np.isfinite(pull)]) > 3) <= 0.05


@pytest.mark.slow
def test_half_of_the_stars_are_told_from_the_other_half():
    colours = field_colours(400)
    colours[::2] *= (1.0, 0.55, 1.0)  # green 45 % too weak: q -0.9 mag, Duv -0.03
    pixels, x, y = painted(colours)
    result = audit_picture(pixels)
    truth = duv(truth_at(result, x, y, colours), 0.65) < -IMPOSSIBLE_DUV
    known = np.asarray(result.stars["kind"] != "unknown")
    assert np.mean(truth[known] == result.impossible[known]) >= 0.99
    shown = audit_picture(choose_stretch(pixels).apply(pixels))
    truth = duv(truth_at(shown, x, y, colours), 0.65) < -IMPOSSIBLE_DUV
    known = np.asarray(shown.stars["kind"] != "unknown")
    assert known.sum() >= 50
    assert np.mean(truth[known] == shown.impossible[known]) >= 0.98
    # which stars are bright enough to be judged depends on their colour: 0.1 of the share
    assert abs(shown.share_impossible - result.share_impossible) <= 0.1


# --- stretched pictures -----------------------------------------------------------------


SHARE_TOLERANCE = {
    "float": 0.05,
    "jpeg": 0.05,  # of eight bits, too
}  # of all judged; impossible shares are 0 to 1
FRAMES_OF_KNOWN_TRUTH = [
    ("cepheus-sho", False),
    ("cygnus-camera", True),
    ("cassiopeia-few", True),
    ("orion-unsolved", True),
]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "calibrated"), [FRAMES_OF_KNOWN_TRUTH[0], *also(*FRAMES_OF_KNOWN_TRUTH[1:])]
)
@pytest.mark.parametrize("kind", ["jpeg", *also("float")])
def test_a_stretch_keeps_the_verdict(name, calibrated, kind):
    pixels = demo(name, calibrated)[1]
    display = choose_stretch(pixels).apply(pixels)
    result = audit_picture({"float": lambda d: d, "jpeg": jpeg}[kind](display))
    assert result.stretched
    assert not linear_audit(name, calibrated).stretched
    assert result.n_judged >= 25
    assert (
        abs(result.share_impossible - linear_audit(name, calibrated).share_impossible)
        <= SHARE_TOLERANCE[kind]
    )


def per_channel(pixels):
    """A curve on each channel apart: stars come out paler."""
    black = np.quantile(pixels, 0.02, axis=(1, 2))[:, None, None]
    return np.clip(np.arcsinh(200 * (pixels - black)) / np.arcsinh(100), 0, 1).astype(
        np.float32
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "calibrated"), [FRAMES_OF_KNOWN_TRUTH[1], *also(*FRAMES_OF_KNOWN_TRUTH[::2])]
)
def test_a_curve_on_each_channel_keeps_the_verdict(name, calibrated):
    pixels = demo(name, calibrated)[1]
    result = audit_picture(per_channel(pixels))
    assert result.stretched
    assert (
        abs(result.share_impossible - linear_audit(name, calibrated).share_impossible) <= 0.05
    )


def test_whether_stretched_can_be_said():
    pixels, *_ = painted(field_colours(100))
    said = audit_picture(pixels, stretched=True)
    assert said.stretched
    assert said.how_judged == "as was said"
    assert not audit_picture(as_floats(eight_bit(pixels)), stretched=False).stretched


def test_linear_counts_of_a_camera_are_linear():
    pixels, *_ = painted(field_colours(200))
    result = audit_picture(np.rint(60000 * pixels).astype(np.float32))
    assert not result.stretched
    assert "beyond those of a display" in result.how_judged
    assert result.share_impossible <= 0.01


def test_clipped_cores_are_judged_by_the_ring_round_them():
    # white cores, magenta rings: display clips, the star is magenta all the same
    colours = np.tile([1.0, 0.4, 1.0], (60, 1))
    pixels, *_ = painted(colours, peak=(0.6, 6.0), shape=(500, 600), full=0.3)
    result = audit_picture(pixels)
    assert result.n_judged >= 50
    assert result.share_impossible >= 0.98
    assert set(result.hues) == {"magenta"}
    assert np.median(result.stars["duv"]) == pytest.approx(
        float(duv(colours[0], 0.65)), abs=0.004
    )


# --- rims -------------------------------------------------------------------------------


def test_channels_of_one_width_have_no_fringes():
    result = audit_picture(painted(field_colours(200), peak=(0.1, 0.6))[0])
    assert result.n_rims >= 150
    assert result.n_fringed <= 0.01 * result.n_rims


def test_a_wide_channel_makes_fringes():
    # blue 1.4 times as wide as green: a halo of twice the blue share, du'v' beyond 0.03
    result = audit_picture(
        painted(field_colours(200), peak=(0.1, 0.6), fwhm_px=(2.8, 2.8, 3.9))[0]
    )
    assert result.n_fringed >= 0.95 * result.n_rims >= 100
    bluer = np.asarray(result.stars["rim_v_prime"] < result.stars["v_prime"])
    assert bluer[np.asarray(result.stars["fringed"])].all()


def test_shifted_channels_make_fringes():
    result = audit_picture(
        painted(field_colours(200), peak=(0.1, 0.6), shift_px=(0.5, 0, -0.5))[0]
    )
    assert result.n_fringed >= 0.9 * result.n_rims >= 100


def test_widths_are_those_of_the_profile():
    # Moffat of 4.0 px summed over pixels is wider by about 3 %; rings of whole pixels tell to 10 %
    pixels, x, y = painted(np.ones((60, 3)), fwhm_px=(4.0,) * 3, peak=(0.1, 0.6))
    assert np.median(star_widths(pixels, x, y, 3.0)) == pytest.approx(4.1, rel=0.1)


# --- words and judgements ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "word"),
    [  # SCIENCE 3.3 gives these colours and calls them so
        ("ff86f4", "magenta"),
        ("8cffff", "cyan"),
        ("a94dff", "violet"),
        ("5fffbb", "green"),
        ("87c4ff", "blue"),
        ("ffffff", "white"),
        ("ffbe7f", "orange"),
    ],
)
def test_hue_words(code, word):
    rgb = srgb_decode(np.array([int(code[i : i + 2], 16) for i in (0, 2, 4)]) / 255)
    assert hue_word(rgb[None]) == [word]


def test_hue_of_nothing():
    assert hue_word(np.array([[np.nan] * 3, [0.0] * 3])).tolist() == ["unknown", "unknown"]


def test_late_m_stars_may_be_green_if_the_catalogue_says_so():
    # M9III: Duv +0.014 (SCIENCE 5.2)
    colours = np.tile(star_rgb(1.5, 0.65) * (1.0, 1.27, 1.0), (50, 1))
    pixels, x, y = painted(colours)
    assert audit_picture(pixels).share_impossible >= 0.9
    known = Table({"x_px": x, "y_px": y, "bv_mag": np.full(len(x), 1.6)})
    assert audit_picture(pixels, known=known).share_impossible == 0


@pytest.mark.slow
def test_result_turns_into_json_and_text():
    result = linear_audit("cepheus-sho")
    told = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert (
        told["impossible"]
        == result.n_impossible
        == sum(result.kinds[kind] for kind in IMPOSSIBLE_KINDS)
    )
    assert told["judged"] + sum(told["unknown"].values()) == told["found"] == len(result.stars)
    assert sum(told["hues"].values()) == told["impossible"]
    assert f"{result.n_impossible} of {result.n_judged} measured stars" in str(result)
    assert ("picture", "cepheus-sho") in result.rows()


# --- bad and empty pictures -------------------------------------------------------------


@pytest.mark.parametrize(
    "pixels",
    [
        np.full((3, 64, 80), 0.3, np.float32),
        np.zeros((3, 64, 80), np.float32),
        np.full((3, 64, 80), np.nan, np.float32),
        np.zeros((3, 16, 16), np.float32),
        np.random.default_rng(3).normal(0.01, 1e-3, (3, 200, 200)).astype(np.float32),
    ],
    ids=["constant", "black", "no data", "tiny", "noise"],
)
@pytest.mark.parametrize("stretched", [None, True, False])
def test_pictures_without_stars(pixels, stretched):
    result = audit_picture(pixels, stretched=stretched)
    assert isinstance(result, Audit)
    assert result.n_judged == 0
    assert result.share_impossible is None
    assert "No star could be measured" in str(result)
    json.dumps(result.to_dict(), allow_nan=False)
    result.plot_chromaticity(Figure().subplots())
    result.plot_map(Figure().subplots())


def test_missing_data_spoil_only_the_stars_they_hit():
    pixels, *_ = painted(field_colours(200))
    holed = pixels.copy()
    holed[:, :, :60] = np.nan
    holed[0, 300, 300] = np.inf
    whole, result = audit_picture(pixels), audit_picture(holed)
    assert result.n_judged >= 0.8 * whole.n_judged
    assert result.share_impossible <= 0.01


def test_input_is_not_changed():
    pixels, *_ = painted(field_colours(50))
    before = pixels.copy()
    audit_picture(pixels)
    audit_picture(pixels, stretched=True)
    np.testing.assert_array_equal(pixels, before)


def test_refusals_advise_what_works():
    pixels, *_ = painted(field_colours(50))
    with pytest.raises(ValueError, match="neutral_bv 9 given, colours are known for B-V"):
        audit_picture(np.zeros((3, 32, 32), np.float32), neutral_bv=9)
    with pytest.raises(ValueError, match="use a colour picture"):
        audit_picture(pixels[0])
    with pytest.raises(ValueError, match="divide by the largest that the type holds"):
        audit_picture(eight_bit(pixels))
    assert audit_picture(eight_bit(pixels) / np.float32(np.iinfo(np.uint8).max)).stretched
    with pytest.raises(FrameError, match="give the whole picture"):
        audit_picture(pixels[:, :15, :15])
    assert audit_picture(pixels).n_found >= 45


# --- figures ----------------------------------------------------------------------------


@pytest.mark.slow
def test_figures_show_every_judged_star():
    result = linear_audit("cepheus-sho")
    for plot in (result.plot_chromaticity, result.plot_map):
        axes = plot(Figure().subplots())
        marks = {mark.get_label(): len(mark.get_offsets()) for mark in axes.collections}
        assert (
            marks[f"impossible: magenta to purple ({result.kinds['magenta']})"]
            == result.kinds["magenta"]
        )
        assert (
            sum(count for label, count in marks.items() if "rim" not in label)
            == result.n_judged
        )


def test_the_limits_drawn_are_at_their_duv():
    from colour.temperature import uv_to_CCT_Ohno2013  # two seconds to import

    # Ohno 2013 as in colour-science; reliable to 0.0005 below 20000 K
    result = audit_picture(painted(field_colours(50, None))[0], neutral_bv=None)
    axes = result.plot_chromaticity(Figure().subplots())
    limits = [line for line in axes.lines if line.get_linestyle() == "--"]
    assert len(limits) == 2
    for line, sign in zip(limits, (-1, 1), strict=True):
        uv = line.get_xydata()[10:60:7] * (1, 2 / 3)
        found = np.array([uv_to_CCT_Ohno2013(point)[1] for point in uv])
        np.testing.assert_allclose(found, sign * IMPOSSIBLE_DUV, atol=5e-4)


# --- real pictures ----------------------------------------------------------------------


@pytest.mark.campaign
@needs_frames
def test_a_real_stretched_picture():
    # SDSS g, r, i shown as blue, green, red (Lupton et al. 2004): not sRGB filters, but stars there look like stars
    frame = read_frame(FRAMES / "ngc6976_stretched.jpeg")
    result = audit_picture(frame.pixels, name=frame.name)
    assert result.stretched
    assert result.n_judged >= 200
    assert result.share_impossible <= 0.15


@needs_frames
def test_m67_balanced_by_hand():
    # M67 is as old as the sun, and its main sequence from the turn-off down (B-V about 0.6) is full of suns
    frame = read_frame(FRAMES / "M67_RVB_aligned_cube.fits")
    first = audit_picture(frame.pixels)
    assert not first.stretched
    inside = (
        frame.pixels[:, 5:-5, 10:-10] - np.nanmedian(frame.pixels, axis=(1, 2))[:, None, None]
    )
    light = np.array([np.quantile(np.nan_to_num(plane), 0.995) for plane in inside])
    balanced = audit_picture(
        (frame.pixels * (light[1] / light)[:, None, None]).astype(np.float32)
    )
    assert balanced.n_judged >= 50
    assert balanced.share_impossible <= 0.05


@needs_frames
def test_real_narrowband_stars_are_magenta():
    # H-alpha, [O III], He II as R, G, B round a planetary nebula: the stars are magenta-violet to the eye
    result = audit_picture(read_frame(FRAMES / "ou5_HOHe_cube.fits").pixels)
    assert not result.stretched
    assert result.n_judged >= 10
    assert result.share_impossible >= 0.9
    assert result.kinds["magenta"] >= 0.8 * result.n_judged
