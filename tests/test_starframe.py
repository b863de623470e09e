"""A broadband star frame put on a nebula frame: held against frames of known truth of one field by
two instruments."""

from dataclasses import dataclass, replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.wcs import WCS
from campaigns import also
from scipy.spatial import cKDTree

from starcal import colour
from starcal.catalogue.embedded import cone
from starcal.checking.check import check
from starcal.cure.gains import apply_calibration
from starcal.cure.registration import Field, register_stars
from starcal.cure.star_frame import StarFrame, join_star_frame
from starcal.demo.light import profile
from starcal.demo.scene import Scene, make_scene
from starcal.errors import FrameError
from starcal.frame import Frame
from starcal.layers import split
from starcal.layers.joining import join_add
from starcal.layers.recolour import recolour
from starcal.stars import measure_stars

CENTRE_DEG = (324.7, 57.5)
SHAPE = (400, 520)
FWHM_PX = 2.6  # of the star frames
REACH_PX = 6.0  # of the footprints of faint stars in them: the noise in there is in the layer
NEBULA = {
    "shape": SHAPE,
    "scale_arcsec": 2.5,
    "system": "SHO",
    "scatter": "spectra",
    "fwhm_px": 2.8,
    "channel_gains": (1.0, 0.25, 0.71),
    "v_zero_electrons": 2e11,
    "sky_electrons": 4e3,
    "nebula_electrons": 2e4,
}
STARS = {
    "system": "camera",
    "scatter": "none",
    "fwhm_px": FWHM_PX,
    "channel_gains": (0.62, 1.0, 0.78),
    "v_zero_electrons": 3e10,
    "sky_electrons": 3e3,
}
KINDS = {  # what is special of the star frame; a scale of 2.5 arcsec is that of the nebula frame
    "coarse, mirrored, WCS off": {
        "scale_arcsec": 3.75,
        "rotation_deg": 33.0,
        "mirrored": True,
        "shape": (440, 440),
        "wcs_offset_px": (3.0, -2.0),
        "wcs_rotation_deg": 0.1,
    },
    "fine, turned, partial": {
        "scale_arcsec": 1.5,
        "rotation_deg": -70.0,
        "shape": (600, 700),
        "ra_deg": CENTRE_DEG[0] + 0.12,
    },
}


def stars_of_the_sky(seed, per_deg2=1800.0):
    """Invented stars, so that two instruments see the same: counts as in `scene`, V 8 to 16."""
    rng = np.random.default_rng(seed)
    n = int(per_deg2)
    v_mag = 16 + np.log10(1 - rng.random(n) * (1 - 10 ** (0.35 * (8 - 16)))) / 0.35
    return SimpleNamespace(
        ra_deg=CENTRE_DEG[0] + rng.uniform(-0.5, 0.5, n) / np.cos(np.deg2rad(CENTRE_DEG[1])),
        dec_deg=CENTRE_DEG[1] + rng.uniform(-0.5, 0.5, n),
        v_mag=v_mag,
        bv_mag=np.clip(rng.normal(0.75, 0.35, n), -0.2, 1.6),
    )


def scene_of_the_sky(seed, settings):
    return make_scene(
        **{
            "seed": seed,
            "ra_deg": CENTRE_DEG[0],
            "dec_deg": CENTRE_DEG[1],
            "faint_to_mag": None,
            "stars": stars_of_the_sky(seed),
            "catalogue_noise": 0.0,
            **settings,
        }
    )


def field_of(scene, gains=(1.0, 1.0, 1.0), name="frame"):
    pixels = scene.pixels * np.array(gains, np.float32)[:, None, None]
    stars = measure_stars(pixels)
    return Field(split(pixels, stars), stars, WCS(scene.header).celestial, name)


def grey_layer(field):
    """The nebula frame's own stars, all white: what comes from it can be told by its colour."""
    return recolour(field.split, np.ones((len(field.stars), 3)))


@dataclass(frozen=True, eq=False)
class Case:
    nebula: Scene
    star: Scene
    nebula_field: Field
    star_field: Field
    own: np.ndarray
    joined: StarFrame


@lru_cache
def nebula_case():
    nebula = scene_of_the_sky(1, NEBULA)
    field = field_of(nebula, name="nebula.fits")
    return nebula, field, grey_layer(field)


@lru_cache
def case_of(kind):
    (nebula, nebula_field, own), star = nebula_case(), scene_of_the_sky(1, STARS | KINDS[kind])
    star_field = field_of(star, star.gains_true, "stars.fits")
    return Case(
        nebula,
        star,
        nebula_field,
        star_field,
        own,
        join_star_frame(nebula_field, own, star_field),
    )


SLOW_FIXTURES = {"case"}


@pytest.fixture(params=["fine, turned, partial", *also("coarse, mirrored, WCS off")])
def case(request):
    return case_of(request.param)


def single_stars(case, alone_px=16.0, radius_px=9.0):
    """Stars well inside the coverage, not clipped, SNR 50 or more in the star frame, hardly lit by
    their neighbours.

    Yields their true place, the star frame's row of the truth, and their SNR in one channel.
    """
    t, s = case.nebula.truth, case.star.truth
    places, light = np.column_stack([t["x_px"], t["y_px"]]), 10 ** (-0.4 * np.array(t["v_mag"]))
    row_of = {sky: i for i, sky in enumerate(zip(s["ra_deg"], s["dec_deg"], strict=True))}
    for row, (x, y) in enumerate(places):
        there = row_of.get((t["ra_deg"][row], t["dec_deg"][row]))
        inside = 12 < x < SHAPE[1] - 13 and 12 < y < SHAPE[0] - 13
        if (
            there is None
            or s["clipped"][there]
            or not inside
            or case.joined.share[int(y), int(x)] < 1
        ):
            continue
        distance = np.delete(np.hypot(*(places - places[row]).T), row)
        shine = np.delete(light, row) * profile(
            distance**2, FWHM_PX * case.joined.registration.scale, 3.0
        )
        snr = s["flux_g"][there] / (2 * FWHM_PX * np.sqrt(np.pi) / 2 * case.star.noise[1])
        if (
            snr >= 50
            and distance.min() > alone_px
            and np.pi * radius_px**2 * shine.sum() < 0.003 * light[row]
        ):
            yield x, y, there, snr


def light_within(layer, x_px, y_px, radius_px):
    y, x = np.indices(layer.shape[1:])
    disc = np.hypot(x - x_px, y - y_px) <= radius_px
    light = np.array([plane[disc].sum() for plane in layer], float)
    core = layer[1] * (np.hypot(x - x_px, y - y_px) <= 4)
    return light, ((core * x).sum() / core.sum(), (core * y).sum() / core.sum())


def moffat_share(radius_px, fwhm_px, beta=3.0):
    """Light of a Moffat profile within a radius (Moffat 1969, A&A 3, 455)."""
    alpha2 = fwhm_px**2 / 4 / (2 ** (1 / beta) - 1)
    return 1 - (1 + radius_px**2 / alpha2) ** (1 - beta)


# --- the layer --------------------------------------------------------------------------


def test_stars_are_where_they_are_and_have_their_light_and_colour(case):
    radius_px, found = 9.0, []
    share = moffat_share(radius_px, FWHM_PX * case.joined.registration.scale)
    for x, y, there, snr in single_stars(case):
        light, centre = light_within(case.joined.stars, x, y, radius_px)
        true = (
            np.array([case.star.truth[f"flux_{c}"][there] for c in "rgb"])
            * case.star.gains_true
        )
        error = light / case.joined.brightness / share / true - 1
        sigma = case.star.noise * case.star.gains_true * np.sqrt(np.pi) * REACH_PX / true
        found.append(
            (
                *np.subtract(centre, (x, y)),
                snr,
                colour.uv_prime_distance(light, true),
                *error,
                *sigma,
            )
        )
    dx, dy, snr, uv, *errors = np.array(found).T
    errors, sigma = np.array(errors[:3]), np.array(errors[3:])
    assert len(snr) >= 20
    assert (
        max(np.abs(dx).max(), np.abs(dy).max()) < 0.2
    )  # px: a double star or a fringe is seen from 0.5 on
    assert np.abs(np.median(errors[:, snr > 100], axis=1)).max() < 0.02
    assert (
        np.abs(errors) < 0.03 + 4 * sigma
    ).all()  # faint stars' footprints end in their wings
    assert uv.max() < 0.01  # half of what is just noticed between two stars


@pytest.mark.slow
def test_nebula_of_the_star_frame_stays_out():
    """A broadband frame shows the nebula as well, another one here than in the nebula frame: only
    its stars are wanted.

    Nebular light of some 2000 electrons lies on a sky of 3000; what of it gets into the layer would
    be seen from one noise of a pixel on. Stars keep their light to 3 % in the median: nebular
    structure under them adds to the noise.
    """
    nebula, nebula_field, own = nebula_case()
    star = scene_of_the_sky(
        1,
        STARS
        | {
            "scale_arcsec": 2.9,
            "rotation_deg": 160.0,
            "shape": (480, 560),
            "nebula_electrons": 2e3,
        },
    )
    star_field = field_of(star, star.gains_true, "stars.fits")
    case = Case(
        nebula,
        star,
        nebula_field,
        star_field,
        own,
        join_star_frame(nebula_field, np.zeros_like(own), star_field),
    )
    x, y = (np.array(nebula.truth[name]) for name in ("x_px", "y_px"))
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    away = (
        cKDTree(np.column_stack([x, y])).query(np.column_stack([xx.ravel(), yy.ravel()]))[0]
        > 12
    )
    sigma = case.joined.brightness * np.max(star.noise * star.gains_true) * (2.5 / 2.9) ** 2
    assert np.mean(np.abs(case.joined.stars.reshape(3, -1)[:, away]) > sigma) < 0.01
    share = moffat_share(9.0, FWHM_PX * case.joined.registration.scale)
    errors = [
        light_within(case.joined.stars, px, py, 9.0)[0]
        / case.joined.brightness
        / share
        / (np.array([star.truth[f"flux_{c}"][there] for c in "rgb"]) * star.gains_true)
        - 1
        for px, py, there, snr in single_stars(case)
        if snr > 100
    ]
    assert np.median(np.abs(errors)) < 0.03


def test_light_lost_in_the_change_of_grid_is_below_a_percent(case):
    radius_px = 12.0
    for x, y, there, _ in single_stars(case, 24, 12):
        truth = case.star.truth
        before, _ = light_within(
            case.star_field.split.stars,
            truth["x_px"][there],
            truth["y_px"][there],
            radius_px / case.joined.registration.scale,
        )
        after, _ = light_within(case.joined.stars, x, y, radius_px)
        assert after / case.joined.brightness == pytest.approx(before, rel=0.01)


def test_no_negative_rings(case):
    """A ring would stand out where a star is bright; noise of the star frame is in the layer and
    may go below 0."""
    layer = join_star_frame(case.nebula_field, np.zeros_like(case.own), case.star_field).stars
    area = case.joined.registration.scale**-2.0
    sigma = case.joined.brightness * area * np.max(case.star.noise * case.star.gains_true)
    assert layer.max() > 1000 * sigma
    assert layer.min() > -sigma


def test_stars_are_as_prominent_as_they_were(case):
    t, ratio = case.nebula.truth, []
    for x, y, _, _ in single_stars(case):
        row = np.argmin(np.hypot(t["x_px"] - x, t["y_px"] - y))
        own = colour.LUMINANCE_WEIGHTS @ [t[f"flux_{c}"][row] for c in "rgb"]
        ratio.append(
            colour.LUMINANCE_WEIGHTS @ light_within(case.joined.stars, x, y, 9)[0] / own
        )
    assert np.median(ratio) == pytest.approx(
        1.0, abs=0.15
    )  # single stars differ by 0.25 mag: S, H, O are not V
    assert case.joined.brightness_stars >= 5
    assert 0.05 < case.joined.brightness_scatter_mag < 0.6


def test_the_nebula_stays(case):
    outside = ~case.nebula_field.split.footprint
    assert np.array_equal(case.joined.starless[:, outside], case.nebula.pixels[:, outside])
    picture = join_add(case.joined.starless, case.joined.stars)
    untouched = outside & ~(case.joined.stars != 0).any(axis=0)
    assert untouched.mean() > 0.1
    assert np.array_equal(picture[:, untouched], case.nebula.pixels[:, untouched])


def test_what_is_no_star_becomes_nebula_again(case):
    """Filaments that the nebula frame's split took for stars: a hundred beads on a string are what
    one would see."""
    truth, model = case.nebula.truth, case.nebula_field.split.model
    distance = cKDTree(np.column_stack([truth["x_px"], truth["y_px"]])).query(
        np.column_stack([model.x_px, model.y_px])
    )[0]
    at = np.rint([model.y_px, model.x_px]).astype(int).clip(0, np.array(SHAPE)[:, None] - 1)
    knots = np.flatnonzero(
        (distance > 6) & (model.reach_px > 0) & (case.joined.share[*at] == 1)
    )
    back = (
        case.joined.starless[:, *at[:, knots]]
        - case.nebula_field.split.starless[:, *at[:, knots]]
    )
    taken = case.nebula_field.split.stars[:, *at[:, knots]]
    assert len(knots) >= 1  # the split itself leaves all but a few of them in the nebula
    # Of a handful; the faintest are too faint for the star frame to tell: of five two came back,
    # with two thirds of the light.
    assert back.sum() > 0.6 * taken.sum()
    assert case.joined.returned >= 0.4 * len(knots)
    stars = np.flatnonzero(
        (distance < 1) & (model.reach_px > 0) & (case.joined.share[*at] == 1)
    )
    kept = (
        case.joined.starless[:, *at[:, stars]]
        - case.nebula_field.split.starless[:, *at[:, stars]]
    )
    assert kept.sum() < 0.05 * case.nebula_field.split.stars[:, *at[:, stars]].sum()


# --- registration -----------------------------------------------------------------------


@pytest.mark.slow
def test_geometry_is_reported():
    coarse, fine = (case_of(kind).joined.registration for kind in KINDS)
    assert coarse.scale == pytest.approx(1.5, rel=1e-3)
    assert fine.scale == pytest.approx(0.6, rel=1e-3)
    assert (coarse.mirrored, fine.mirrored) == (True, False)
    # x of the nebula frame runs west: north turned by -70 degrees there is +70 in it, to the meridians' convergence
    assert fine.rotation_deg == pytest.approx(70.0, abs=0.3)
    assert coarse.overlap_share == pytest.approx(1.0, abs=0.01)
    assert case_of("fine, turned, partial").joined.coverage.mean() == pytest.approx(
        fine.overlap_share, abs=0.04
    )
    assert 0.3 < fine.overlap_share < 0.95


def test_widths_are_reported_in_pixels_of_the_nebula_frame(case):
    assert case.joined.fwhm_px == pytest.approx(
        (FWHM_PX * case.joined.registration.scale, 2.8), rel=0.08
    )
    assert any("px wide in the star frame" in note for note in case.joined.notes)


@pytest.mark.slow
def test_an_error_of_the_wcs_is_measured_and_corrected():
    registration = case_of("coarse, mirrored, WCS off").joined.registration
    assert registration.corrected
    assert np.hypot(*registration.offset_px) == pytest.approx(
        1.5 * np.hypot(3.0, 2.0), abs=0.3
    )  # px
    assert np.degrees(np.angle(registration.correction[0])) == pytest.approx(-0.1, abs=0.02)
    assert registration.scatter_px < 0.2
    assert any("corrected" in note for note in registration.notes)


@pytest.mark.slow
def test_a_right_wcs_is_left_alone():
    registration = case_of("fine, turned, partial").joined.registration
    assert not registration.corrected
    assert registration.correction == (1, 0)
    assert np.hypot(*registration.offset_px) < 0.05
    assert registration.pairs > 10 * max(registration.chance_pairs, 1)


def moved_by(field, x_px, y_px):
    """The same field with a WCS that is wrong."""
    wrong = field.wcs.deepcopy()
    wrong.wcs.crpix += [x_px, y_px]
    return Field(field.split, field.stars, wrong, field.name)


@pytest.mark.slow
def test_a_wcs_far_off_is_refused_and_a_better_one_taken():
    case = case_of("fine, turned, partial")
    with pytest.raises(
        FrameError,
        match=r"stars.fits and nebula.fits have \d+ and \d+ stars .* Plate solve both",
    ):
        register_stars(moved_by(case.star_field, 110, 60), case.nebula_field)
    solved_again = moved_by(case.star_field, 6, -8)
    assert register_stars(solved_again, case.nebula_field).scatter_px < 0.2


def test_another_part_of_the_sky_is_refused():
    case = case_of("fine, turned, partial")
    with pytest.raises(FrameError, match="different parts of the sky"):
        join_star_frame(case.nebula_field, case.own, moved_by(case.star_field, 3000, 0))


def test_few_stars_are_taken_on_trust():
    """A nebula frame in which hardly a star can be seen, as narrow bands and short exposures make
    them."""
    case = case_of("fine, turned, partial")
    split_off = case.nebula_field.split.model
    three = np.isin(np.arange(len(split_off.x_px)), case.joined.registration.nebula_row[:3])
    model = replace(split_off, reach_px=np.where(three, split_off.reach_px, 0))
    field = replace(case.nebula_field, split=replace(case.nebula_field.split, model=model))
    joined = join_star_frame(field, case.own, case.star_field)
    assert joined.registration.pairs == 0
    assert not joined.registration.corrected
    assert any("on trust" in note for note in joined.notes)
    assert joined.brightness == 1.0
    assert any("how bright" in note for note in joined.notes)


# --- partial overlap --------------------------------------------------------------------


def test_outside_the_coverage_stars_come_from_the_layer_given():
    case = case_of("fine, turned, partial")
    outside = ~case.joined.coverage
    assert 0.05 < outside.mean() < 0.7
    assert np.array_equal(case.joined.stars[:, outside], case.own[:, outside])
    assert np.array_equal(
        case.joined.starless[:, outside], case.nebula_field.split.starless[:, outside]
    )


def test_the_seam_is_soft():
    share = case_of("fine, turned, partial").joined.share
    assert share.min() == 0
    assert share.max() == 1
    steps = np.concatenate(
        [np.abs(np.diff(share, axis=0)).ravel(), np.abs(np.diff(share, axis=1)).ravel()]
    )
    assert (
        steps.max() < 0.1
    )  # from one pixel to the next; 0.02 mag of a star's light at its FWHM and less


def test_stars_on_the_seam_are_neither_lost_nor_doubled():
    case = case_of("fine, turned, partial")
    t = case.nebula.truth
    places = np.column_stack([t["x_px"], t["y_px"]])
    alone = cKDTree(places).query(places, k=2)[0][:, 1] > 18
    at = np.rint(places[:, ::-1]).astype(int)
    seam = (
        (case.joined.share[*at.T.clip(0, np.array(SHAPE)[:, None] - 1)] % 1 > 0.05)
        & alone
        & ~np.array(t["clipped"])
    )
    bright = seam & (t["v_mag"] < 14.5)
    assert np.count_nonzero(bright) >= 2
    for x, y in places[bright]:
        before, after = (
            colour.LUMINANCE_WEIGHTS @ light_within(layer, x, y, 9)[0]
            for layer in (case.own, case.joined.stars)
        )
        assert (
            0.5 < after / before < 2
        )  # the one factor fits single stars to 0.3 mag: S, H and O are not V


# --- brightness and bad input -----------------------------------------------------------


@pytest.mark.slow
def test_brightness_can_be_overridden():
    case = case_of("coarse, mirrored, WCS off")
    twice = join_star_frame(
        case.nebula_field, np.zeros_like(case.own), case.star_field, star_brightness=2.0
    )
    once = join_star_frame(case.nebula_field, np.zeros_like(case.own), case.star_field)
    np.testing.assert_allclose(
        twice.stars, 2 * once.stars, rtol=1e-5, atol=0.01 * min(case.nebula.noise)
    )


@pytest.mark.parametrize("wrong", [0.0, -1.0, np.nan, np.inf])
def test_brightness_must_be_a_factor(wrong):
    case = case_of("coarse, mirrored, WCS off")
    with pytest.raises(ValueError, match="a factor above 0"):
        join_star_frame(case.nebula_field, case.own, case.star_field, star_brightness=wrong)


def test_a_layer_of_another_size_is_refused():
    case = case_of("coarse, mirrored, WCS off")
    with pytest.raises(FrameError, match="give the recoloured layer of this frame"):
        join_star_frame(case.nebula_field, case.own[:, :-1], case.star_field)
    assert join_star_frame(case.nebula_field, case.own, case.star_field).stars.shape == (
        3,
        *SHAPE,
    )


def without_stars(field):
    model = replace(field.split.model, reach_px=np.zeros_like(field.split.model.reach_px))
    return replace(
        field, split=replace(field.split, model=model, stars=np.zeros_like(field.split.stars))
    )


def starless_field(field):
    """Field of a frame in which nothing was found at all."""
    sky = np.random.default_rng(0).normal(0.1, 1e-3, (3, *field.shape)).astype(np.float32)
    stars = measure_stars(sky, snr_min=50.0)
    assert len(stars) == 0
    return Field(split(sky, stars), stars, field.wcs, field.name)


@pytest.mark.parametrize("strip", [without_stars, starless_field])
def test_a_star_frame_without_stars_takes_none_away(strip):
    """What it does not show may be too faint for it: those stars stay the nebula frame's."""
    case = case_of("fine, turned, partial")
    joined = join_star_frame(case.nebula_field, case.own, strip(case.star_field))
    assert joined.returned == 0
    assert joined.brightness_stars == 0
    assert np.abs(joined.stars - case.own).max() < 1e-6
    assert any("on trust" in note for note in joined.notes)


def test_a_nebula_frame_without_stars_gets_those_of_the_star_frame():
    case = case_of("fine, turned, partial")
    joined = join_star_frame(
        starless_field(case.nebula_field), np.zeros_like(case.own), case.star_field
    )
    assert joined.stars.max() > 0.1
    assert np.array_equal(joined.starless, starless_field(case.nebula_field).split.starless)


# --- from end to end --------------------------------------------------------------------


@pytest.mark.campaign
def test_colours_from_a_calibrated_camera_frame():
    """Real stars of Cygnus: a camera frame is calibrated to the catalogue; its stars' colours end
    in the SHO frame."""
    place = {
        "seed": 5,
        "ra_deg": 305.6,
        "dec_deg": 40.3,
        "faint_to_mag": None,
        "stars": cone(305.6, 40.3, 0.9, epoch_yr=2024.7),
    }
    star = make_scene(
        **{**STARS, **place, "shape": (1000, 1200), "scale_arcsec": 3.0, "rotation_deg": 15.0}
    )
    frame = Frame(
        star.pixels, star.header, WCS(star.header).celestial, name="stars", epoch_yr=2024.7
    )
    found = check(frame, model="matrix")
    assert found.verdict.verdict == "rescue"
    calibrated = apply_calibration(frame, found, "grey").pixels
    stars = measure_stars(calibrated)
    star_field = Field(split(calibrated, stars), stars, frame.wcs, "stars")
    nebula = make_scene(**{**NEBULA, **place, "shape": (500, 700), "scale_arcsec": 4.0})
    nebula_field = field_of(nebula)
    joined = join_star_frame(nebula_field, grey_layer(nebula_field), star_field)
    t = nebula.truth
    places = np.column_stack([t["x_px"], t["y_px"]])
    inside = ((places > 10) & (places < [690, 490])).all(axis=1)
    clean = (
        inside
        & (cKDTree(places).query(places, k=2)[0][:, 1] > 15)
        & ~np.array(t["clipped"])
        & (t["v_mag"] > 9.5)
    )
    light = np.array([light_within(joined.stars, x, y, 6)[0] for x, y in places[clean]])
    error = colour.uv_prime_distance(light, colour.star_rgb(np.array(t["bv_mag"])[clean], 0.65))
    assert len(error) >= 20
    assert (
        np.median(error) < 0.01
    )  # u'v'; SCIENCE: with a 3x3 matrix the rms of a colour camera is about that
