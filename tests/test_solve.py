"""Hints, search and plates, on fields of real stars whose truth was put in here; WCS by astropy is
the judge."""

import json
import re
import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import FK5, SkyCoord
from astropy.io.fits import Header
from astropy.table import Table
from astropy.wcs import WCS
from campaigns import also
from scipy.ndimage import map_coordinates

import starcal
from starcal.catalogue.embedded import cone
from starcal.choices import Choices
from starcal.compose import read_channels
from starcal.demo.scene import make_scene
from starcal.demo.setup import Setup
from starcal.demo.sky import wcs_header
from starcal.errors import NoWCSError
from starcal.frame import Frame, read_frame, write_tiff16
from starcal.place.bend import BothSides, nearer, straightened
from starcal.place.hints import (
    Hints,
    hints_from_header,
    hints_of,
    hours_advice,
    place_given,
)
from starcal.place.match import match_catalogue
from starcal.place.plate import PLATE_LEVELS
from starcal.place.solve import refine, solve
from starcal.stars import Flag, instrumental_mag, measure_stars

FRAMES = Path(__file__).parents[2] / "shared" / "frames"
CAMPAIGN = Path(__file__).parents[1] / "examples" / "campaign_solve.py"
needs_frames = pytest.mark.skipif(
    not FRAMES.is_dir(), reason="no real frames beside the repository (../shared/frames)"
)

SHAPE = (700, 1000)
CYGNUS = {"ra_deg": 305.6, "dec_deg": 40.3, "scale_arcsec": 5.0}
# name: centre, scale; wide and narrow, crowded and sparse, where right ascension ends or loses its
# meaning
FIELDS = {
    "crowded": CYGNUS,
    "wide": {"ra_deg": 83.0, "dec_deg": 0.0, "scale_arcsec": 20.0},
    "narrow": {"ra_deg": 305.6, "dec_deg": 40.3, "scale_arcsec": 2.0},
    "galactic pole": {"ra_deg": 192.9, "dec_deg": 27.1, "scale_arcsec": 4.5},
    "pole": {"ra_deg": 40.0, "dec_deg": 89.7, "scale_arcsec": 8.0},
    "RA 0": {"ra_deg": 0.02, "dec_deg": -20.0, "scale_arcsec": 8.0},
}


def true_wcs(setup, sip=0.0):
    header = wcs_header(setup, exact=True)
    if sip:  # barrel: sip of the distance is lost at 500 pixels
        cubic = -sip / 500**2
        header.update(
            {
                "CTYPE1": "RA---TAN-SIP",
                "CTYPE2": "DEC--TAN-SIP",
                "A_ORDER": 3,
                "B_ORDER": 3,
                "A_3_0": cubic,
                "A_1_2": cubic,
                "B_0_3": cubic,
                "B_2_1": cubic,
            }
        )
    return WCS(header)


def star_list(setup, seed=0, spurious=0.5, sip=0.0, noise_px=0.3):
    """Positions and magnitudes of detections; a tenth of the catalogue missing, a share of them not
    in it."""
    rng = np.random.default_rng(seed)
    catalogue = cone(
        setup.ra_deg, setup.dec_deg, 0.56 * np.hypot(*SHAPE) * setup.scale_arcsec / 3600
    )
    x, y = true_wcs(setup, sip).all_world2pix(
        catalogue.ra_deg, catalogue.dec_deg, 0, quiet=True
    )
    seen = (
        (x > 3) & (x < SHAPE[1] - 4) & (y > 3) & (y < SHAPE[0] - 4) & (rng.random(len(x)) > 0.1)
    )
    extra = int(seen.sum() * spurious / (1 - spurious))
    xy = np.vstack(
        [
            np.column_stack([x, y])[seen] + noise_px * rng.standard_normal((seen.sum(), 2)),
            rng.uniform(3, (SHAPE[1] - 4, SHAPE[0] - 4), (extra, 2)),
        ]
    )
    mag = np.append(catalogue.v_mag[seen], rng.choice(catalogue.v_mag[seen], extra))
    order = rng.permutation(len(xy))
    return xy[order], (mag - 20 + 0.3 * rng.standard_normal(len(xy)))[order]


def hint_of(setup, away_px=(480.0, 100.0), scale=1.09, **settings):
    """A hint that is off by so many pixels and so much in scale."""
    x, y = np.add(away_px, ((SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2))
    ra, dec = true_wcs(setup).all_pix2world(x, y, 0)
    return Hints(
        ra_deg=float(ra),
        dec_deg=float(dec),
        scales_arcsec=(setup.scale_arcsec * scale,),
        **settings,
    )


def error_px(wcs, truth, shape=SHAPE):
    """Largest error over a grid on the frame, by angles on the sky."""
    y, x = np.mgrid[0 : shape[0] - 1 : 8j, 0 : shape[1] - 1 : 8j]
    ours, theirs = (
        SkyCoord(*w.all_pix2world(x.ravel(), y.ravel(), 0), unit="deg") for w in (wcs, truth)
    )
    scale_arcsec = 3600 * np.sqrt(abs(np.linalg.det(truth.pixel_scale_matrix)))
    return float(ours.separation(theirs).arcsec.max() / scale_arcsec)


# --- hints ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "cards",
    [
        {"RA": 305.6, "DEC": -0.5},
        {"RA": "305.6", "DEC": "-0.5"},
        {"OBJCTRA": "20 22 24", "OBJCTDEC": "-00 30 00"},
        {"OBJCTRA": "20:22:24.0", "OBJCTDEC": "-0:30:00"},
        {"RA": "20h22m24s", "DEC": "-00d30m00s"},
        {"RA": "", "DEC": "", "OBJCTRA": 305.6, "OBJCTDEC": -0.5},
        {"RA": 305.6, "DEC": -0.5, "OBJCTRA": "1 2 3"},
    ],
)
def test_places_are_read_as_degrees_or_sexagesimal(cards):
    """20 h 22 min 24 s is 305.6 degrees; minus zero degrees keeps its sign."""
    hints = hints_from_header(Header(cards | {"PIXSCALE": 2.5}))
    assert hints.ra_deg == pytest.approx(305.6, abs=1e-9)
    assert hints.dec_deg == pytest.approx(-0.5, abs=1e-9)
    assert hints.place_source == ("OBJCTRA, OBJCTDEC" if not cards.get("RA") else "RA, DEC")


def test_an_old_equinox_is_precessed():
    hints = hints_from_header(
        Header({"RA": 305.6, "DEC": 40.3, "EQUINOX": 1950.0, "SECPIX": 1.0})
    )
    truth = SkyCoord(305.6, 40.3, unit="deg", frame=FK5(equinox="J1950")).icrs
    assert SkyCoord(hints.ra_deg, hints.dec_deg, unit="deg").separation(truth).arcsec < 0.01


@pytest.mark.parametrize(
    ("cards", "scales"),
    [
        ({"SECPIX": 1.5}, (1.5,)),
        ({"PIXSCALE": "1.5"}, (1.5,)),
        ({"SECPIX": 0, "PIXSCALE": 1.5}, (1.5,)),
        ({"PIXSCALX": 1.5}, (1.5,)),
        ({"SCALE": 1.5}, (1.5,)),
        ({"CDELT1": -1.5 / 3600, "CDELT2": 1.5 / 3600}, (1.5,)),
        ({"CDELT1": 1.0, "CD1_1": 0.0, "CD1_2": 1.5 / 3600, "CD2_1": 1.5 / 3600}, (1.5,)),
        ({"CDELT1": 9.0, "FOCALLEN": 1000.0, "PIXSIZE": 5.0}, (1.031324,)),
        ({"FOCALLEN": 1000.0, "XPIXSZ": 5.0}, (1.031324,)),  # 206264.8 arcsec in a radian
        ({"FOCALLEN": 1000.0, "XPIXSZ": 5.0, "XBINNING": 1}, (1.031324,)),
        ({"FOCALLEN": 1000.0, "XPIXSZ": 5.0, "XBINNING": 2}, (1.031324, 2.062648)),
    ],
)
def test_scales(cards, scales):
    hints = hints_from_header(Header(cards | {"RA": 10.0, "DEC": 20.0}))
    assert hints.scales_arcsec == pytest.approx(scales, rel=1e-6)


@pytest.mark.parametrize(
    ("cards", "lacks"),
    [
        ({}, "no place .*no scale.*--ra and --dec.*--scale"),
        ({"RA": 10.0, "DEC": 20.0}, r"no scale.*place \(RA, DEC\).*: give --scale [^-]*$"),
        ({"SECPIX": 1.0}, "no place.*: give --ra and --dec [^-]* or --object NAME$"),
        ({"RA": 10.0, "DEC": 95.0, "SECPIX": 1.0}, "no place"),
        ({"RA": "north", "DEC": "up", "SECPIX": 1.0}, "no place"),
        ({"RA": 10.0, "DEC": 20.0, "FOCALLEN": 0.0, "XPIXSZ": 5.0}, "no scale"),
        ({"RA": 10.0, "DEC": 20.0, "CDELT1": 1.0, "CDELT2": 1.0}, "no scale"),
    ],
)
def test_missing_hints_are_named_and_the_advice_asks_for_them_alone(cards, lacks):
    with pytest.raises(NoWCSError, match=lacks):
        hints_from_header(Header(cards))
    hints = hints_from_header(Header(cards), ra=305.6, dec=40.3, scale_arcsec=2.5)  # as advised
    assert (hints.ra_deg, hints.dec_deg, hints.scales_arcsec) == (305.6, 40.3, (2.5,))
    assert hints.place_source == hints.scale_source == "given"


@pytest.mark.parametrize(
    "place", [{"ra": 10.0}, {"dec": 10.0}, {"ra": 10.0, "dec": 91}, {"ra": "x", "dec": 1}]
)
def test_half_a_place_is_refused_and_the_advice_helps(place):
    with pytest.raises(
        NoWCSError, match=r"--ra 305\.6 --dec 40\.3 or --ra 20:22:24 --dec \+40:18:00"
    ):
        hints_from_header(Header(), scale_arcsec=2.0, **place)
    hints = hints_from_header(Header(), scale_arcsec=2.0, ra="20:22:24", dec="+40:18:00")
    assert (hints.ra_deg, hints.dec_deg) == pytest.approx((305.6, 40.3))


def test_a_scale_alone_goes_with_the_place_of_the_wcs():
    """Whoever types a scale for a frame that has a WCS need not say where that points."""
    pixels = np.zeros((3, *SHAPE), np.float32)
    wcs = true_wcs(Setup(**CYGNUS))
    hints = hints_of(Choices(scale=4.0), Frame(pixels, Header(), wcs))
    # the setup's place is the middle of the frame, to a millionth of a degree
    assert (hints.ra_deg, hints.dec_deg) == pytest.approx((305.6, 40.3), abs=1e-6)
    assert (hints.scales_arcsec, hints.place_source) == ((4.0,), "the middle of the WCS")
    with pytest.raises(NoWCSError, match="give --ra and --dec"):
        hints_of(Choices(scale=4.0), Frame(pixels, Header(), None))


@pytest.mark.parametrize(
    "wrong",
    [{"dec_deg": 91.0}, {"ra_deg": np.nan}, {"scales_arcsec": ()}, {"scales_arcsec": (0.0,)}],
)
def test_hints_that_are_none(wrong):
    with pytest.raises(ValueError, match=r"is no place|above 0 needed"):
        replace(Hints(ra_deg=1.0, dec_deg=2.0, scales_arcsec=(3.0,)), **wrong)


# --- solving ----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "mirrored"),
    [
        # each field once, the other way in the campaign
        pytest.param(
            name, mirrored, marks=pytest.mark.campaign if number % 2 == mirrored else ()
        )
        for number, name in enumerate(FIELDS)
        for mirrored in (False, True)
    ],
)
def test_fields_are_solved_from_hints_far_off(name, mirrored):
    setup = Setup(
        shape=SHAPE,
        rotation_deg=-130.0 if mirrored else 77.0,
        mirrored=mirrored,
        **FIELDS[name],
    )
    xy, mag = star_list(setup)
    solution = solve(xy, mag, SHAPE, cone, hint_of(setup))
    assert solution.wcs is not None, solution.message
    assert (
        error_px(solution.wcs, true_wcs(setup)) < 1.5
    )  # 0.3 px a star, a dozen of them, carried to the corners
    assert solution.mirrored is mirrored
    assert solution.rotation_deg == pytest.approx(setup.rotation_deg, abs=0.2)
    assert solution.scale_arcsec == pytest.approx(setup.scale_arcsec, rel=2e-3)
    assert solution.distortion in PLATE_LEVELS[:2]
    assert solution.given is None
    # what was put in per axis, or a little more from chance pairs; pairs refer to the caller's order
    assert 0.15 < solution.scatter_px < 0.5
    assert (
        np.hypot(
            *(
                xy[solution.match.star]
                - np.column_stack([solution.match.x_px, solution.match.y_px])[
                    solution.match.catalogue
                ]
            ).T
        ).max()
        < 4
    )


@pytest.mark.slow
@pytest.mark.parametrize("scale", [0.9, *also(1.1)])
def test_a_scale_off_by_ten_per_cent_either_way(scale):
    setup = Setup(shape=SHAPE, rotation_deg=10.0, **CYGNUS)
    solution = solve(*star_list(setup), SHAPE, cone, hint_of(setup, (-300, -400), scale))
    assert error_px(solution.wcs, true_wcs(setup)) < 1


@pytest.mark.campaign
def test_the_stars_decide_how_binning_was_meant():
    setup = Setup(shape=SHAPE, **CYGNUS)
    header = Header(
        {"RA": 305.8, "DEC": 40.2, "FOCALLEN": 206.2648, "XPIXSZ": 2.5, "XBINNING": 2}
    )
    solution = solve(*star_list(setup), SHAPE, cone, hints_from_header(header))
    assert solution.scale_arcsec == pytest.approx(5.0, rel=1e-3)


@pytest.mark.slow
def test_the_same_stars_in_another_order_give_the_same_wcs():
    setup = Setup(shape=SHAPE, **CYGNUS)
    xy, mag = star_list(setup)
    first = solve(xy, mag, SHAPE, cone, hint_of(setup))
    again = solve(xy[::-1], mag[::-1], SHAPE, cone, hint_of(setup))
    np.testing.assert_allclose(first.wcs.wcs.cd, again.wcs.wcs.cd, rtol=1e-12)


def test_hours_that_were_taken_for_degrees_are_told_how_to_be_typed():
    told = hours_advice(Hints(ra_deg=5.59, dec_deg=-5.4, scales_arcsec=(2.5,)))
    assert told.endswith("type --ra 5.59h")
    assert place_given(told.split()[-1], -5.4) == pytest.approx((83.85, -5.4))
    assert not hours_advice(Hints(ra_deg=83.85, dec_deg=-5.4, scales_arcsec=(2.5,)))
    typed = hints_from_header(Header(), ra="00:30:00", dec="+5:00:00", scale_arcsec=3600.0)
    assert typed.ra_deg == pytest.approx(7.5)  # hours they were, and the largest scale allowed
    assert not hours_advice(typed)


@pytest.mark.slow
@pytest.mark.parametrize("mirrored", [True, *also(False)])
def test_a_rendered_frame_end_to_end(scene_of, mirrored):
    scene = scene_of(
        with_wcs=False, rotation_deg=95.0, mirrored=mirrored, nebula_electrons=6e3, shape=SHAPE
    )
    stars = measure_stars(scene.pixels)
    xy = np.column_stack([stars["x_px"].value, stars["y_px"].value])
    solution = solve(
        xy,
        instrumental_mag(stars),
        SHAPE,
        lambda *place: cone(*place, epoch_yr=2024.7),
        hint_of(scene.setup, (300, 200), 0.93),
    )
    assert (
        error_px(solution.wcs, true_wcs(scene.setup)) < 0.5
    )  # centroids are good to a tenth of a pixel
    assert solution.match.credible


def test_faint_spurious_and_unmeasured_stars_do_no_harm():
    """Ten times as many detections as catalogue stars, without a magnitude or fainter than all."""
    setup = Setup(shape=SHAPE, **CYGNUS)
    xy, mag = star_list(setup)
    extra = np.random.default_rng(1).uniform(0, (999, 699), (3000, 2))
    faint = np.where(np.arange(3000) % 2, np.nan, mag.max() + 1)
    solution = solve(np.vstack([extra, xy]), np.append(faint, mag), SHAPE, cone, hint_of(setup))
    assert error_px(solution.wcs, true_wcs(setup)) < 1


# --- refusing ---------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind", ["random stars", "other field", "wrong parity", *also("1 degree off")]
)
@pytest.mark.parametrize("seed", [0, *also(1)])
def test_nothing_wrong_is_believed(kind, seed):
    """Fields of half a degree, where few stars make chance strongest. The large campaign is in
    examples."""
    setup = Setup(
        shape=SHAPE, rotation_deg=200.0 * seed, **(CYGNUS | {"scale_arcsec": (2.0, 2.5)[seed]})
    )
    xy, mag = star_list(setup, seed)
    hints = hint_of(setup, (0, 0), 1.0, mirrored=kind == "wrong parity" or None)
    if kind == "random stars":
        xy = np.random.default_rng(seed).uniform(0, (999, 699), xy.shape)
    elif kind != "wrong parity":
        hints = replace(hints, dec_deg=-50.0 if kind == "other field" else hints.dec_deg - 1)
    solution = solve(xy, mag, SHAPE, cone, hints)
    if kind == "1 degree off" and solution.wcs is not None:
        assert error_px(solution.wcs, true_wcs(setup)) < 1.5
        return
    assert solution.wcs is None
    assert solution.match is None
    assert "not solved" in solution.message
    assert "--ra" in solution.message
    assert f"{len(xy)} detections" in solution.message


@pytest.mark.slow
@pytest.mark.parametrize("count", [0, 4, *also(1, 3)])
def test_few_stars_are_said_to_be_too_few(count):
    setup = Setup(shape=SHAPE, **CYGNUS)
    xy, mag = star_list(setup)
    solution = solve(xy[:count], mag[:count], SHAPE, cone, hint_of(setup))
    assert solution.wcs is None
    assert "too few to tell, 5 pairs are needed" in solution.message


def test_an_empty_catalogue_is_said():
    setup = Setup(shape=SHAPE, **CYGNUS)
    nothing = cone(0, 0, 0)
    solution = solve(*star_list(setup), SHAPE, lambda *place: nothing, hint_of(setup))
    assert "and 0 catalogue stars" in solution.message


# --- a poor WCS -------------------------------------------------------------------------


def spoiled(wcs, away_px=(40.0, -30.0), turn_deg=3.0, scale=1.03):
    """A WCS off by so much: 50 pixels are 5 % of the width."""
    poor, turn = wcs.deepcopy(), np.radians(turn_deg)
    poor.wcs.crpix = poor.wcs.crpix + away_px
    poor.wcs.cd = (
        scale * poor.wcs.cd @ [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    )
    return poor


@pytest.mark.slow
@pytest.mark.parametrize("name", FIELDS)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_poor_wcs_is_put_right(name, sign):
    setup = Setup(shape=SHAPE, rotation_deg=20.0, mirrored=sign > 0, **FIELDS[name])
    truth = true_wcs(setup)
    poor = spoiled(truth, (40.0 * sign, -30.0), 3.0 * sign, 1 + 0.03 * sign)
    solution = refine(poor, *star_list(setup), SHAPE, cone)
    assert error_px(solution.wcs, truth) < 1.5
    assert 10 < solution.given.scatter_px < 80  # 50 px of offset are 35 an axis
    assert solution.scatter_px < 0.5


@pytest.mark.slow
def test_a_wcs_of_the_wrong_field_or_parity_is_not_put_right():
    setup = Setup(shape=SHAPE, **CYGNUS)
    stars = star_list(setup)
    for wrong in (
        replace(setup, dec_deg=38.3),
        replace(setup, mirrored=True),
        replace(setup, rotation_deg=90.0),
    ):
        assert refine(true_wcs(wrong), *stars, SHAPE, cone).wcs is None


def test_distortion_is_fitted_when_the_stars_show_it():
    """One per cent of barrel, up to 9 pixels in the corners; 0.05 px is what 600 stars of 0.3 px
    leave."""
    setup = Setup(shape=SHAPE, **CYGNUS | {"scale_arcsec": 15.0})
    stars = star_list(setup, sip=0.01)
    solution = refine(spoiled(true_wcs(setup)), *stars, SHAPE, cone)
    assert solution.distortion == "cubic"
    assert error_px(solution.wcs, true_wcs(setup, sip=0.01)) < 0.5
    x, y = solution.wcs.all_world2pix(
        *solution.wcs.all_pix2world([10.0, 900.0], [20.0, 650.0], 0), 0
    )
    np.testing.assert_allclose([x, y], [[10, 900], [20, 650]], atol=1e-3)
    reread = WCS(solution.wcs.to_header(relax=True))  # what --write-wcs would save
    assert error_px(reread, solution.wcs) < 1e-6


def test_inverse_terms_undo_the_distortion():
    """SIP's own sums (Shupe et al. 2005, equations 1 to 6) there and back, without astropy's
    iteration."""
    setup = Setup(shape=SHAPE, **CYGNUS | {"scale_arcsec": 15.0})
    sip = refine(true_wcs(setup), *star_list(setup, sip=0.01), SHAPE, cone).wcs.sip
    polyval = np.polynomial.polynomial.polyval2d
    u, v = np.array([-490.0, 0.0, 200.0, 499.0]), np.array([-340.0, 10.0, 100.0, 349.0])
    bent = u + polyval(u, v, sip.a), v + polyval(u, v, sip.b)
    back = bent[0] + polyval(*bent, sip.ap), bent[1] + polyval(*bent, sip.bp)
    np.testing.assert_allclose(
        back, (u, v), atol=0.02
    )  # the inverse is a polynomial only nearly


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_noise_is_not_taken_for_distortion(seed):
    setup = Setup(shape=SHAPE, **CYGNUS)
    solution = refine(true_wcs(setup), *star_list(setup, seed), SHAPE, cone)
    assert solution.distortion in PLATE_LEVELS[:2]
    assert solution.wcs.sip is None


def test_the_distortion_of_a_given_wcs_is_kept():
    setup = Setup(shape=SHAPE, **CYGNUS | {"scale_arcsec": 15.0})
    truth = true_wcs(setup, sip=0.01)
    poor = truth.deepcopy()
    poor.wcs.crval = poor.wcs.crval + np.array([0.2, 0.1])
    poor.wcs.cd = 1.02 * poor.wcs.cd
    solution = refine(poor, *star_list(setup, sip=0.01), SHAPE, cone)
    np.testing.assert_array_equal(solution.wcs.sip.a, truth.sip.a)
    assert error_px(solution.wcs, truth) < 0.3


@pytest.mark.parametrize(
    "limit", [{"away_px": (70.0, 0.0)}, {"turn_deg": 4.0}, {"scale": 0.955}]
)
def test_a_wcs_too_poor_is_not_put_right(limit):
    """Beyond 5 % of the width, 3 degrees and 3 %, though the stars would tell."""
    setup = Setup(shape=SHAPE, **CYGNUS)
    poor = spoiled(
        true_wcs(setup), **{"away_px": (0.0, 0.0), "turn_deg": 0.0, "scale": 1.0} | limit
    )
    solution = refine(poor, *star_list(setup), SHAPE, cone)
    assert solution.wcs is None
    assert solution.match is None
    assert "--ra and --dec" in solution.message


# --- a WCS that fits, through a lens that bends -----------------------------------------


def matched(wcs, xy, mag, setup, shape=SHAPE):
    catalogue = cone(
        setup.ra_deg, setup.dec_deg, (0.5 * np.hypot(*SHAPE) + 250) * setup.scale_arcsec / 3600
    )
    return match_catalogue(xy, mag, wcs, shape, catalogue, setup.scale_arcsec), catalogue


@pytest.mark.slow
@pytest.mark.parametrize("cut_px", [0, 520])
def test_residual_distortion_is_fitted_from_the_pairs(cut_px):
    """One per cent of barrel, 2 px at a quarter of the field, 9 in the corners, on the whole frame
    and on its right half, where the reference pixel is off the frame; 0.3 px were put in, 0.5 px as
    above."""
    setup, shape = (
        Setup(shape=SHAPE, **CYGNUS | {"scale_arcsec": 15.0}),
        (SHAPE[0], SHAPE[1] - cut_px),
    )
    xy, mag = star_list(setup, sip=0.01)
    xy, mag = (xy - [cut_px, 0])[xy[:, 0] >= cut_px], mag[xy[:, 0] >= cut_px]
    plain, truth = (
        true_wcs(setup, sip).slice((slice(None), slice(cut_px, None))) for sip in (0.0, 0.01)
    )
    first, catalogue = matched(plain, xy, mag, setup, shape)
    wcs, match, distortion = straightened(plain, first, BothSides(xy, mag, shape, catalogue))
    assert distortion in PLATE_LEVELS[2:]
    assert error_px(wcs, truth, shape) < 0.5
    assert len(match.star) - match.chance_matches > 1.1 * (
        len(first.star) - first.chance_matches
    )
    assert match.scatter_px < 0.35 < first.scatter_px
    x, y = match.x_px[match.catalogue], match.y_px[match.catalogue]
    assert (
        np.median(np.hypot(*(xy[match.star] - np.column_stack([x, y])).T)) < 0.5
    )  # 0.35 is 0.3 px an axis


@pytest.mark.parametrize("seed", range(5))
def test_a_straight_wcs_stays_the_very_same(seed):
    setup = Setup(shape=SHAPE, **CYGNUS)
    xy, mag = star_list(setup, seed)
    truth = true_wcs(setup)
    first, catalogue = matched(truth, xy, mag, setup)
    wcs, match, distortion = straightened(truth, first, BothSides(xy, mag, SHAPE, catalogue))
    assert (wcs, match, distortion) == (truth, first, PLATE_LEVELS[0])


def test_a_match_that_is_not_believed_bends_nothing():
    setup = Setup(shape=SHAPE, **CYGNUS)
    xy, mag = star_list(setup)
    wrong = true_wcs(replace(setup, mirrored=True))
    first, catalogue = matched(wrong, xy, mag, setup)
    assert not first.credible
    sides = BothSides(xy, mag, SHAPE, catalogue)
    assert straightened(wrong, first, sides) == (wrong, first, PLATE_LEVELS[0])


def test_the_wcs_to_keep_is_the_nearer_one():
    """Off by 20 px: the fitted one. 0.3 px by 150 stars, carried to the corners: 0.2 px."""
    setup = Setup(shape=SHAPE, **CYGNUS)
    xy, mag = star_list(setup)
    poor = spoiled(true_wcs(setup), (20.0, 0.0), 0.2, 1.0)
    first, catalogue = matched(poor, xy, mag, setup)
    fitted = nearer(poor, first, BothSides(xy, mag, SHAPE, catalogue))
    assert error_px(fitted, true_wcs(setup)) < 0.3


# --- a check of such frames -------------------------------------------------------------


@pytest.fixture(scope="module")
def poor_frame(scene_of, frame_of):
    scene = scene_of(
        shape=SHAPE, scale_arcsec=4.0, faint_to_mag=13.5, channel_gains=(0.5, 1.0, 0.7)
    )
    truth = true_wcs(scene.setup)

    def make(**spoiling):
        return replace(frame_of(scene), wcs=spoiled(truth, **spoiling))

    return truth, make


@pytest.mark.slow
def test_a_frame_with_a_poor_wcs_is_rescued_and_says_what_was_wrong(poor_frame):
    """What was put in: 40, -30 px about the reference pixel, so up to 4 px more at the middle; 3
    degrees, 3 %."""
    truth, make = poor_frame
    frame = make()
    header = frame.header.tostring()
    found = starcal.check(frame)
    assert found.verdict.verdict == "rescue"
    wcs = json.loads(json.dumps(found.to_dict()))["wcs"]
    assert wcs["offset_px"] == pytest.approx([40, -30], abs=4)
    assert abs(wcs["rotation_deg"]) == pytest.approx(3, abs=0.05)
    assert wcs["scale_error"] == pytest.approx(0.03, abs=1e-3)
    assert wcs["scatter_before_px"] > 20
    assert wcs["scatter_px"] < 0.2  # centroids are good to a tenth of a pixel
    assert wcs["after"]["offset_px"] == pytest.approx([0, 0], abs=0.2)
    assert (wcs["replaced"], wcs["refined"], wcs["solved"]) == (True, True, False)
    assert "WCS replaced" in str(found)
    assert "scale +3.0" in str(found)
    assert error_px(found.located.replacement, truth) < 0.5
    assert error_px(starcal.calibrate(frame).frame.wcs, truth) < 0.5
    assert frame.header.tostring() == header


@pytest.mark.slow
@pytest.mark.parametrize(
    "limit",
    [
        {"away_px": (70.0, 0.0), "turn_deg": 0.0, "scale": 1.0},
        *also({"away_px": (0.0, 0.0), "turn_deg": 4.0, "scale": 1.0}),
    ],
)
def test_a_frame_with_a_wcs_too_poor_is_not_rescued_until_told_where_it_is(poor_frame, limit):
    truth, make = poor_frame
    found = starcal.check(make(**limit))
    assert found.verdict.verdict == "undecided"
    assert found.located.replacement is None
    assert found.wcs is None
    assert found.to_dict()["wcs"]["refined"] is False
    assert any(
        "no more than 5 % of the width" in note and "--ra" in note for note in found.notes
    )
    told = starcal.check(make(**limit), ra=305.7, dec=40.2, scale=4.2)  # as advised
    assert told.verdict.verdict == "rescue"
    assert error_px(told.located.replacement, truth) < 0.5


def test_a_frame_within_reach_keeps_its_wcs_and_says_its_error(poor_frame):
    _, make = poor_frame
    frame = make(away_px=(12.0, -5.0), turn_deg=0.0, scale=1.0)
    found = starcal.check(frame, object="M31")  # far from there: the stars know better
    (said,) = [note for note in found.notes if "place that was asked for" in note]
    assert "degrees from where the frame's WCS puts it" in said
    wcs = found.to_dict()["wcs"]
    assert wcs["offset_px"] == pytest.approx([12, -5], abs=0.1)
    assert wcs["scatter_before_px"] == pytest.approx(
        13 / np.sqrt(2 * np.log(2)), abs=0.1
    )  # all pairs 13 px off
    assert (wcs["replaced"], found.located.replacement) == (False, None)
    assert error_px(found.wcs, poor_frame[0]) < 0.2


@pytest.mark.slow
def test_a_lens_that_bends_is_seen_by_a_check(scene_of):
    """A picture warped by one per cent of barrel; its header has a straight WCS."""
    scene = scene_of(
        shape=SHAPE,
        scale_arcsec=10.0,
        v_zero_electrons=2e9,
        full_well_electrons=5e5,
        faint_to_mag=12.5,
    )
    plain, bent = (true_wcs(scene.setup, sip) for sip in (0.0, 0.01))
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    source = plain.all_world2pix(*bent.all_pix2world(x.ravel(), y.ravel(), 0), 0)
    places = [values.reshape(SHAPE) for values in reversed(source)]
    pixels = np.stack(
        [map_coordinates(plane, places, order=3, mode="nearest") for plane in scene.pixels]
    )
    found = starcal.check(
        Frame(pixels.astype(np.float32), scene.header, plain, name="bent.fits", epoch_yr=2024.7)
    )
    wcs = found.to_dict()["wcs"]
    assert wcs["distortion"] == "cubic"
    assert error_px(found.located.replacement, bent) < 0.3
    assert wcs["scatter_px"] < 0.2 < 1 < wcs["scatter_before_px"]
    assert f"cubic: offset +0.0, +0.0 px, rotation {found.match.rotation_deg:+.3f}" in str(
        found
    )
    assert f"scatter {wcs['scatter_before_px']:.2f} px" in str(found)
    assert found.verdict.verdict == "rescue"


# --- many fields ------------------------------------------------------------------------


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("part", "trials", "fewest_right"), [("solve", 3, 3), ("refine", 8, 8), ("wrong", 12, 0)]
)
def test_a_small_campaign(part, trials, fewest_right, monkeypatch, capsys):
    """The large one, by hand: 95 % of 50 are to be right, and none wrong of 500."""
    words = [str(CAMPAIGN), part, "--trials", str(trials), "--seed", "7"]
    monkeypatch.setattr("sys.argv", words)
    runpy.run_path(words[0], run_name="__main__")
    text = capsys.readouterr().out
    right, wrong, refused = np.sum(
        [
            [int(n) for n in found]
            for found in re.findall(r"(\d+) right, (\d+) wrong, (\d+) refused", text)
        ],
        axis=0,
    )
    assert right + wrong + refused == trials
    assert wrong == 0, text
    assert right >= fewest_right, text


# --- real frames ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def own_table(tmp_path_factory):
    """Stars of M67 as a solved frame shows them, with errors, a fifth missing; invented ones around
    the frame."""
    frame, rng = (
        starcal.read_frame(FRAMES / "M67_RVB_aligned_cube.fits"),
        np.random.default_rng(0),
    )
    stars = measure_stars(frame.pixels)
    good = (
        (stars["flags"] & (Flag.EDGE | Flag.SATURATED) == 0)
        & (stars["snr"] > 15)
        & (rng.random(len(stars)) > 0.2)
    )
    good &= np.min([stars[f"flux_{c}"] for c in "RGB"], axis=0) > 0
    stars = stars[good]
    v, b = (12 - 2.5 * np.log10(stars[f"flux_{c}"] / stars[f"flux_{c}"].max()) for c in "GB")
    places = np.column_stack(
        frame.wcs.all_pix2world(stars["x_px"].value, stars["y_px"].value, 0)
    )
    places += 0.3 / 3600 * rng.standard_normal(places.shape)
    around = rng.uniform((132.5, 11.5), (133.1, 12.1), (400, 2))
    x, y = frame.wcs.all_world2pix(around, 0).T
    around = around[(x < -5) | (x > 328) | (y < -5) | (y > 517)]
    rows = np.append(np.arange(len(v)), rng.integers(0, len(v), len(around)))
    ra, dec = np.vstack([places, around]).T
    table = Table(
        {
            "ra": ra,
            "dec": dec,
            "v": v[rows] + 0.1 * rng.standard_normal(len(rows)),
            "bv": (b - v)[rows],
        }
    )
    path = tmp_path_factory.mktemp("m67") / "m67.ecsv"
    table.write(path)
    return path


@pytest.mark.slow
@needs_frames
@pytest.mark.parametrize(("bands", "reach_px"), [("RVB", 2.5), *also(("VVV", 0.75))])
def test_m67_is_solved_from_hints_with_a_table_of_ones_own(own_table, bands, reach_px):
    """Truth: the WCS of its twin. Its bands are shifted against each other by up to 2 px. The table's
    places are off by 0.35 px a star, which is 0.2 px at a corner of what 60 stars tell, and the
    largest of four corners counts: five other draws of that noise gave 0.44 to 0.63 px."""
    frame = read_channels(*(FRAMES / f"M67_{band}_original_nowcs.fits" for band in bands))
    found = starcal.check(
        frame, catalogue=f"file:{own_table}", ra=132.85, dec=11.75, scale=0.90
    )  # 2 arcmin and 5 % off
    truth = starcal.read_frame(FRAMES / "M67_RVB_aligned_cube.fits").wcs
    corners = np.array([(0, 0), (322, 0), (0, 511), (322, 511)], float)
    ours, theirs = (
        SkyCoord(*w.all_pix2world(corners, 0).T, unit="deg")
        for w in (found.located.replacement, truth)
    )
    assert ours.separation(theirs).arcsec.max() / 0.854 < reach_px
    assert len(found.match.star) > 40
    assert found.match.credible


@pytest.mark.slow
def test_a_frame_whose_header_lacks_only_the_scale_is_asked_for_that(scene_of, frame_of):
    scene = scene_of(seed=1, scale_arcsec=4.0, faint_to_mag=13.5, with_wcs=False)
    header = Header({"RA": scene.setup.ra_deg, "DEC": scene.setup.dec_deg})
    frame = frame_of(scene, header=header)
    verdict = starcal.check(frame).verdict
    (reason,) = verdict.reasons
    assert "give --scale (arcsec a pixel)" in reason
    assert "--ra" not in reason
    first_step, _ = verdict.next_steps
    assert first_step == "say how large its pixels are: --scale ARCSEC"
    found = starcal.check(frame, scale=4.1)  # as asked; 2.5 % off
    assert found.located.how == "solved"
    assert found.match.credible


def test_a_mirrored_picture_is_placed_by_its_stars_whichever_way_its_wcs_counts(
    scene_of, tmp_path
):
    """A WCS file that does not say from which end it counts: mirrored, so the other is tried."""
    scene = scene_of(seed=1, scale_arcsec=4.0, faint_to_mag=13.5)
    columns = scene.pixels.shape[2]
    header = scene.header.copy()
    header["CRPIX1"] = columns + 1 - header["CRPIX1"]
    for key in ("CD1_1", "CD2_1", "CDELT1"):
        if key in header:
            header[key] = -header[key]
    mirrored = np.ascontiguousarray(scene.pixels[:, :, ::-1])
    write_tiff16(tmp_path / "mirrored.tif", mirrored)
    header["IMAGEW"], header["IMAGEH"] = columns, scene.pixels.shape[1]
    (tmp_path / "mirrored.wcs").write_text(header.tostring(sep="\n"))
    frame = read_frame(tmp_path / "mirrored.tif", wcs=tmp_path / "mirrored.wcs")
    truth = WCS(header)
    assert error_px(frame.wcs, truth, mirrored.shape[1:]) > 50  # taken to count from the top
    found = starcal.check(frame, assume_linear=True)
    assert found.located.how == "replaced"
    assert found.match.credible
    assert error_px(found.wcs, truth, mirrored.shape[1:]) < 1
    assert any("it was turned over" in note for note in found.notes)


def test_a_field_with_one_catalogue_star_is_not_told_that_its_wcs_is_wrong(frame_of):
    """A piece of sky of 6 arcmin has a star or none of the embedded catalogue."""
    scene = make_scene(
        shape=(240, 320), ra_deg=190.0, dec_deg=40.0, scale_arcsec=1.2, faint_to_mag=17.0
    )
    found = starcal.check(frame_of(scene), assume_linear=True)
    assert found.match.in_frame.sum() <= 1
    assert "the catalogue has" in found.verdict.reasons[0]
    assert not any("WCS" in text for text in (*found.notes, *found.verdict.next_steps))
