"""Stars of stretched pictures coloured one by one, against pictures rendered truly and stretched
alike; see `made_pictures`."""

from contextlib import nullcontext
from dataclasses import replace
from functools import lru_cache

import imagecodecs
import numpy as np
import pytest
import tifffile
from astropy import units as u
from astropy.io import fits
from astropy.table import Table
from made_pictures import (
    CURVES,
    arcsinh,
    icc_profile,
    in_adobe_rgb,
    made_picture,
    made_stars,
    midtone,
    starlight,
)
from scipy.spatial import cKDTree

import starcal
from starcal.audit import Audit
from starcal.audit.glow import glow_of
from starcal.audit.levels import displayed_step, hue_grain_px
from starcal.audit.shown import (
    _axis_ratio,
    measure_profiles,
    ring_medians,
    what_is_shown,
)
from starcal.colour.stellar import rgb_to_uv_prime, srgb_decode, star_rgb
from starcal.cure.pictures import _sources_in_words
from starcal.display import recolour_display
from starcal.display.curve import ToneCurve, fit_curve
from starcal.display.recolour import _beyond_display
from starcal.display.targets import _as_bright, _projected_bv, _spread_bv, _warmth
from starcal.display.transfer import paint
from starcal.errors import FrameError, HarmError, NotLinearError
from starcal.pipeline.auditing import require_no_harm
from starcal.stars import displayed_mag, measure_stars

SLOW_FIXTURES = ("done",)
SUN, USUAL = 0.65, 0.75
REACH_PX = 1.5  # of a detection from a true star
MEDIAN_UV, NINE_IN_TEN_UV = 0.008, 0.025  # the aims: two just noticed steps, six


@lru_cache(maxsize=6)
def cured(name, known, seed=1):
    made = made_picture(seed, CURVES[name])
    stars = measure_stars(made.display)
    tree = cKDTree(np.column_stack([made.stars["x_px"], made.stars["y_px"]]))
    apart, nearest = tree.query(np.column_stack([stars["x_px"], stars["y_px"]]))
    columns = ("bv_mag", "bv_error_mag", "v_mag")
    bv, error, v_mag = (
        np.where(apart < REACH_PX, made.stars[c][nearest], np.nan) for c in columns
    )
    catalogue = {"catalogue_bv": bv, "catalogue_error": error, "v_mag": v_mag} if known else {}
    done = recolour_display(made.display, stars, neutral_bv=SUN, usual_bv=USUAL, **catalogue)
    return made, stars, done, apart < REACH_PX


@pytest.fixture(
    params=[
        pytest.param((name, known), marks=pytest.mark.campaign if number else ())
        for number, name in enumerate(CURVES)
        for known in (True, False)
    ]
)
def done(request):
    return cured(*request.param)


def ring_colours(picture, found, reach):
    rings = ring_medians(picture, found.x_px, found.y_px, reach).swapaxes(1, 2)
    return rgb_to_uv_prime(np.maximum(srgb_decode(rings), 1e-5))


def test_displayed_colours_are_those_of_the_true_picture(done):
    """u'v' of rings from the core to twice the half radius, ground included, against the picture
    whose stars have the colours of their B-V; the truth knows nothing of how colours are put on."""
    made, stars, result, real = done
    found = measure_profiles(made.display, stars).pick(result.star & real)
    reach = int(np.ceil(2 * found.half_px.max()))
    off = ring_colours(result.picture, found, reach) - ring_colours(made.truth, found, reach)
    inside = np.arange(reach + 1) <= 2 * found.half_px[:, None]
    error = np.hypot(off[..., 0], off[..., 1])[inside]
    assert np.median(error) < MEDIAN_UV
    assert np.quantile(error, 0.9) < NINE_IN_TEN_UV
    assert len(found.x_px) > 100


def test_the_nebula_is_untouched_bit_for_bit(done):
    made, _, result, _ = done
    outside = ~result.footprint
    assert outside.mean() > 0.5
    np.testing.assert_array_equal(result.picture[:, outside], made.display[:, outside])


def test_hardly_a_star_is_impossible_afterwards(done):
    """Before, nearly all parts are; the true picture itself has some, because curves bend the line
    of stars."""
    _, _, result, _ = done
    assert result.impossible_before > 0.6 * result.parts_judged
    assert result.impossible_after < 0.1 * result.impossible_before


def test_knots_of_the_nebula_are_not_taken_for_stars(done):
    _, _, result, real = done
    assert (result.star & ~real).sum() <= 0.03 * result.star.sum()


def test_a_nebula_next_to_a_star_keeps_its_hue_and_a_second_star_does_not():
    """A white star of FWHM 2.4 px on black; 4 px away to one side a red bar, to the other a white
    companion as bright. Where nothing tells of the surroundings both lie in its footprint: the bar
    keeps three quarters of its colour at least, the companion none."""
    y, x = np.mgrid[:41, :41] - 20.0
    star = 0.8 * np.exp(-(x**2 + y**2) / 2)
    red = np.array([0.7, 0.1, 0.15])[:, None, None] * ((np.abs(x - 4) < 1) & (np.abs(y) < 8))
    display = star + red + 0.7 * np.exp(-((x + 4) ** 2 + y**2) / 2)
    display = np.clip(display, 0, 1).astype(np.float32)
    table = Table(
        {"x_px": [20.0], "y_px": [20.0], "roundness": [1.0]}, meta={"fwhm_px": (2.4,)}
    )
    found = measure_profiles(display, table)
    calm = {"texture": np.zeros(1), "scatter": np.zeros(1), "reach_px": np.full(1, 6.0)}
    painted = paint(
        replace(found, **calm),
        np.zeros((1, 3)),
        display,
        np.zeros_like(display),
        ToneCurve(1.0, 0.5, 0.0),
    )
    assert painted.weight[20, 20] == painted.weight[20, 16] == 1
    assert painted.weight[18:23, 24].max() < 0.25


def test_a_blue_cluster_that_a_catalogue_knows_in_part_comes_out_blue():
    """Ten of 60 stars are known, at B-V 0.1 and in the picture's middle: the median of all lies
    there and not at the usual one; the spread is the usual one's; three known stars are too few."""
    warmth = np.random.default_rng(5).normal(-2.0, 0.5, 60)
    order = np.argsort(np.abs(warmth - np.median(warmth)))
    known = np.full(60, np.nan)
    known[order[:10]] = 0.1
    assert np.median(_spread_bv(warmth, known, USUAL)) == pytest.approx(0.1, abs=0.05)
    known[order[3:]] = np.nan
    assert np.median(_spread_bv(warmth, known, USUAL)) == pytest.approx(USUAL, abs=0.01)


def test_a_burnt_out_blue_star_is_as_blue_as_it_is_shown():
    """Of its light only the rings that are hardly blue are left; its rim shows blue."""
    rng = np.random.default_rng(6)
    in_light = rng.normal(0, 0.3, 50)
    hue = np.stack([10 ** (0.4 * in_light), np.ones(50), np.ones(50)], axis=1)
    hue[7] = 0.3, 0.6, 1.0
    in_light[7] = 1.0
    burnt_out = np.arange(50) == 7
    warmth = _warmth(np.stack([-in_light, np.zeros(50)]), hue, burnt_out)
    np.testing.assert_allclose(warmth[~burnt_out], in_light[~burnt_out])
    assert warmth[7] == pytest.approx(2.5 * np.log10(0.3), abs=0.1)


def glow_round(light, sigma=0.004):
    """The glow that is found round (60, 60), of display values of the mean (y, x)."""
    y, x = np.mgrid[:121, :121] - 60.0
    noise = np.random.default_rng(4).normal(0, sigma, (3, 121, 121))
    planes = np.clip(light(x, y) + noise, 0, 1)
    return glow_of(planes, np.hypot(x, y), np.arctan2(y, x), 4.0, sigma)


def test_the_glow_of_a_burnt_out_star_is_followed_over_a_slope_to_where_it_is_lost():
    """A disc of 4 px with a glow exp(-r / 6) of 0.4, under the noise of 0.004 beyond 28 px, on a sky
    that rises by 0.2 over the picture; what it adds is right to 0.02."""
    glow = glow_round(
        lambda x, y: (
            np.where(np.hypot(x, y) < 4, 1, 0.4 * np.exp(-np.hypot(x, y) / 6))
            + 0.1 * (1 + x / 60)
        )
    )
    assert 15 < glow.reach_px <= 30
    radius = np.array([6.0, 10.0, 14.0])
    left = 0.4 * np.exp(-glow.reach_px / 6)
    truth = 0.4 * np.exp(-radius / 6) - left
    np.testing.assert_allclose(glow.light(radius), truth, atol=0.02)
    assert glow.light(np.array([glow.reach_px + 1.0])) == 0


@pytest.mark.parametrize(
    "nebula",
    [
        lambda x, y: 0.2 + 0.2 * x / 60,
        lambda x, y: 0.3 * np.exp(-((y / 8) ** 2)),
        lambda x, y: 0.3 * np.exp(-(((x - 8) / 6) ** 2) - (y / 15) ** 2),
    ],
    ids=["slope", "filament", "cloud"],
)
def test_a_nebula_behind_a_star_is_no_glow(nebula):
    """A Gaussian of half radius 4 px is down to 0.2 of a hundredth at three of them."""
    glow = glow_round(
        lambda x, y: nebula(x, y) + np.exp(-np.log(2) * (x**2 + y**2) / 16) * (1 - nebula(x, y))
    )
    assert glow is None or glow.reach_px <= 3 * 4


def test_a_glow_that_lacks_the_red_of_its_nebula_is_none():
    """Blue and green of a glow over a red sky that has less red the nearer to the star, by as much
    as half of what the glow adds: red put back would make it violet."""
    y, x = np.mgrid[:121, :121] - 60.0
    radius = np.hypot(x, y)
    added = np.where(radius < 4, 1, 0.4 * np.exp(-radius / 6))
    share = np.array([-0.5, 1.0, 1.5])[:, None, None]
    sky = np.array([0.4, 0.1, 0.15])[:, None, None]
    planes = np.where(radius < 4, 1.0, sky + share * added)
    assert glow_of(planes, radius, np.arctan2(y, x), 4.0, 0.004) is None
    planes = np.where(radius < 4, 1.0, sky + np.abs(share) * added)
    assert glow_of(planes, radius, np.arctan2(y, x), 4.0, 0.004).reach_px > 15


def test_on_an_empty_background_stars_are_told_from_a_nebula_patch_by_patch():
    """Crowded stars beside a nebula with some of its own, both on black: what shines on the left
    is stars, and nothing of the nebula is."""
    shape = (160, 320)
    stars = made_stars(np.random.default_rng(1), 110, shape)
    stars["x_px"][30:] *= 0.45
    light = starlight(stars, np.ones((110, 3)), shape)
    light[:, light[1] < 1e-3] = 0
    y, x = np.mgrid[: shape[0], : shape[1]]
    clouds = 0.02 + 0.01 * np.sin(x / 5) * np.sin(y / 4)
    nebula = np.clip(1 - np.hypot(x - 240, y - 80) / 45, 0, 1) * clouds
    light += np.multiply.outer([1, 0.5, 0.6], nebula)
    display = np.float32(np.rint(255 * arcsinh(np.minimum(light, 1))) / 255)
    found = measure_stars(display)
    told = what_is_shown(display, found, np.zeros(len(found), bool))
    lit = (display > 0).any(axis=0) & (x < 180)
    assert lit[:, :140].mean() > 0.2
    assert told.starlit[lit].mean() > 0.9
    assert not told.starlit[nebula > 0.002].any()


def test_faint_stars_do_not_tell_that_a_picture_has_no_colours_of_stars():
    """Forty clear stars of true colours among four hundred that a red nebula tints: the clear ones
    tell that hues are those of stars, all together do not."""
    bv_mag = np.linspace(0, 1.4, 40)
    clear = star_rgb(bv_mag, SUN)
    core = np.concatenate([clear, np.tile([1.0, 0.4, 0.8], (400, 1))])
    telling = np.arange(440) < 40
    np.testing.assert_allclose(_projected_bv(core, SUN, telling)[:40], bv_mag, atol=0.05)
    assert np.isnan(_projected_bv(core, SUN, np.ones(440, bool))).all()


def test_what_lies_in_the_halo_of_a_bright_star_is_not_as_bright():
    """Two stars burnt out over 8 and 5 px with halos, a small one apart, and three detections in
    the halo of the first: by brightness they come first, second, third, and the rest after."""
    y, x = np.mgrid[:200, :200]
    stars = Table({"x_px": [50.0, 150, 50, 62, 40, 50], "y_px": [50.0, 150, 150, 50, 50, 66]})
    stars.meta["fwhm_px"] = (3.0,)
    shown = np.zeros((200, 200))
    for at_x, at_y, size in ((50, 50, 8), (150, 150, 5), (50, 150, 1.5)):
        away = np.hypot(x - at_x, y - at_y)
        shown = np.maximum(shown, np.clip(1.6 * np.exp(-away / size), 0, 1))
    order = np.argsort(displayed_mag(np.stack([shown] * 3), stars))
    assert list(order[:3]) == [0, 1, 2]


def test_a_clipped_star_may_be_brighter_than_it_measures():
    """Thirty pairs on a line; one 4 mag brighter in the catalogue than measured, clipped and not,
    and a clipped one that is 4 mag fainter there."""
    v_mag = np.linspace(6, 12, 33)
    measured = v_mag - 20
    v_mag[[3, 4]] -= 4
    v_mag[5] += 4
    clipped = np.isin(np.arange(33), [3, 5])
    assert list(np.flatnonzero(~_as_bright(measured, v_mag, clipped))) == [4, 5]


def test_pairs_on_a_nebula_are_stars():
    """Truth: 24 stars, every second with another 6.7 px away, on waves of a nebula: a companion
    makes their cores long, as filaments are."""
    shape = (160, 240)
    single = np.array([(20.0 + 40 * i, 20.0 + 40 * j) for i in range(6) for j in range(4)])
    second = single[::2] + np.array([6.0, 3.0])
    x_px, y_px = np.vstack([single, second]).T
    n = len(x_px)
    stars = Table({"x_px": x_px, "y_px": y_px, "flux": np.ones(n)})
    light = starlight(stars, np.tile([1.5, 0.6, 0.9], (n, 1)), shape)
    y, x = np.mgrid[: shape[0], : shape[1]]
    waves = 1 + np.sin(x / 6 + y / 9) * np.sin(y / 7 - x / 11)
    light += np.multiply.outer([0.002, 0.006, 0.002], waves)
    light += 3e-4 * np.random.default_rng(1).standard_normal(light.shape)
    display = np.float32(midtone(light))
    found = measure_stars(display)
    told = what_is_shown(display, found, np.zeros(len(found), bool))
    places = np.column_stack([told.found.x_px, told.found.y_px])[told.star]
    apart_px, _ = cKDTree(places).query(np.column_stack([x_px, y_px]))
    assert apart_px.max() < REACH_PX


def test_a_piece_of_filament_is_not_round():
    """Truth: second moments of a disc are alike, those of a bar of 3 x 15 pixels 1 to 25."""
    y, x = np.mgrid[-10:11, -10:11]
    assert _axis_ratio(np.hypot(x, y) < 5, (10, 10)) == pytest.approx(1, abs=0.01)
    assert _axis_ratio((abs(x) < 2) & (abs(y) < 8), (10, 10)) == pytest.approx(0.2, abs=0.02)


def test_floats_beyond_black_and_white_keep_what_lies_beyond():
    display = np.array([-0.01, 0.4, 1.3, 1.3, np.nan])
    shown = np.clip(np.nan_to_num(display), 0, 1)
    painted = np.array([0.0, 0.5, 1.0, 0.9, 0.0])
    kept = _beyond_display(display, shown, painted)
    np.testing.assert_allclose(kept, [-0.01, 0.5, 1.3, 1.2, np.nan])


@pytest.mark.parametrize("keeps_ratios", [True, False])
def test_a_tone_curve_and_its_inverse(keeps_ratios):
    """Through light and back to a thousandth of the display's range: the inverse is a table."""
    curve = ToneCurve(1.3, 0.95, 3.5, keeps_ratios, contrast=0.6)
    values = np.random.default_rng(3).uniform(0.05, 0.95, (3, 500))
    np.testing.assert_allclose(curve.display(curve.light(values)), values, atol=1e-3)


@pytest.mark.parametrize("contrast", [0.0, 0.6])
def test_a_curve_of_more_contrast_is_seen_in_the_profiles_of_stars(contrast):
    """Gaussians of sixty stars on black, displayed by a midtone curve (b = 0.05) and an S; to one
    step of what is tried."""
    light = np.geomspace(0.01, 0.8, 60)[:, None] * np.exp(-(np.arange(8) ** 2) / 6)
    shown = 0.95 * light / (0.9 * light + 0.05)
    shown += contrast * shown * (1 - shown) * (2 * shown - 1)
    rings = np.repeat(shown[:, None], 3, axis=1)
    curve = fit_curve(rings, np.zeros((60, 3)), 0.002, 2.0)
    assert curve.contrast == pytest.approx(contrast, abs=0.3)


def test_light_of_the_plain_curve_is_the_values():
    assert ToneCurve(1.0, 0.5, 0.0).steepness == 1
    np.testing.assert_allclose(ToneCurve(1.0, 0.5, 0.0).light(np.full((3, 2), 0.3)), 0.3)


# --- the whole job ----------------------------------------------------------------------


def save(path, display, kind):
    numbers = np.ascontiguousarray(display[:, ::-1].transpose(1, 2, 0))
    if kind == "png":
        path.write_bytes(imagecodecs.png_encode(np.rint(255 * numbers).astype(np.uint8)))
    else:
        given = {"photometric": "rgb", "iccprofile": icc_profile("adobergb")}
        tifffile.imwrite(path, in_adobe_rgb(numbers), **given)


def numbers_of(path):
    return (
        imagecodecs.png_decode(path.read_bytes())
        if path.suffix == ".png"
        else tifffile.imread(path)
    )


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["png", "tif"])
def test_run_writes_a_stretched_picture_as_it_came(kind, tmp_path):
    """Format, depth and colour profile; the numbers outside footprints are the file's own."""
    made = made_picture(
        2, CURVES["arcsinh"], n=90, bits=8 if kind == "png" else 16, shape=(240, 320)
    )
    path = tmp_path / f"shown.{kind}"
    save(path, made.display, kind)
    result = starcal.run(path)
    written = result.folder / f"picture.{kind}"
    before, after = numbers_of(path), numbers_of(written)
    assert (before.dtype, before.shape) == (after.dtype, after.shape)
    changed = (before != after).any(axis=-1)
    assert 0.005 < changed.mean() < 0.5
    if kind == "tif":
        with tifffile.TiffFile(written) as tiff:
            assert tiff.pages[0].tags[34675].value == icc_profile("adobergb")
        assert any("its colours are those of Adobe RGB" in note for note in result.check.notes)
    assert result.audit_after.n_impossible < result.audit_before.n_impossible
    with pytest.raises(FrameError, match="before-and-after picture"):
        starcal.read_frame(result.folder / "before-after.png")
    assert (result.folder / "after.png").exists()
    assert "for its stars' catalogue colours, say where it points, with --object" in str(result)


@pytest.mark.slow
def test_possible_stars_are_left_alone_unless_asked(tmp_path):
    """The truth: every star has the colour of its B-V. FITS of 16 bits comes back as such."""
    made = made_picture(3, CURVES["gamma"], n=90, shape=(240, 320))
    path = tmp_path / "true.fits"
    fits.writeto(path, np.rint(65535 * made.truth).astype(np.uint16))
    result = starcal.run(path)
    assert "unchanged" in result.check.route_reason
    assert "--object" not in str(result)  # nothing is coloured, by a catalogue or otherwise
    before, after = fits.getdata(path), fits.getdata(result.folder / "picture.fits")
    assert after.dtype == before.dtype == np.uint16
    np.testing.assert_array_equal(before, after)


@pytest.mark.slow
def test_routes_that_need_light_are_refused(tmp_path):
    made = made_picture(2, CURVES["arcsinh"], n=90, shape=(240, 320))
    path = tmp_path / "shown.png"
    save(path, made.display, "png")
    with pytest.raises(NotLinearError, match="needs linear light"):
        starcal.run(path, route="continuum")
    assert not (tmp_path / "shown-starcal").exists()


def audit_of(kinds):
    """An audit of stars in a row, of given kinds."""
    n = len(kinds)
    stars = Table({"x_px": np.arange(n) * 9.0 * u.pix, "y_px": np.zeros(n) * u.pix})
    stars["width_px"] = np.full(n, 2.0) * u.pix
    stars["kind"] = kinds
    return Audit("picture", True, "as was said", 0.65, stars)


def test_a_picture_none_of_whose_detections_is_a_star_says_so():
    assert _sources_in_words({}, 2) == "none is surely a star"


@pytest.mark.parametrize(
    ("before", "after", "harm"),
    [
        (["magenta"] * 5 + ["unknown"] * 2, ["magenta"] * 6 + ["possible"], True),
        (["magenta"] * 4 + ["possible"], ["unknown"] * 4 + ["green"], True),
        (["magenta"] * 5 + ["unknown"] * 2, ["magenta"] * 4 + ["possible"] * 3, False),
        (["possible"] * 300, ["possible"] * 297 + ["green"] * 3, False),  # by chance
        (["unknown"] * 4, ["unknown"] * 4, False),
    ],
)
def test_harm_to_the_same_stars_or_to_all_is_refused(before, after, harm):
    assert issubclass(HarmError, starcal.errors.StarcalError)
    with pytest.raises(HarmError, match="nothing was written") if harm else nullcontext():
        require_no_harm("picture", audit_of(before), audit_of(after))


def test_steps_and_grain_of_a_picture_are_seen():
    rng = np.random.default_rng(3)
    smooth = 0.35 + 0.1 * rng.standard_normal((3, 80, 80))
    assert displayed_step(smooth) == pytest.approx(1 / 255, rel=0.1)
    for step in (4, 8, 16):
        coarse = np.rint(smooth * 255 / step) * step / 255
        assert displayed_step(coarse) == pytest.approx(step / 255, rel=0.25)
    assert hue_grain_px(smooth) < 1.3  # independent pixels: 1
    enlarged = smooth.repeat(2, axis=1).repeat(2, axis=2)
    assert hue_grain_px(enlarged) > 3.0  # four pixels have one noise
