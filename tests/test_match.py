"""Matching by WCS, against a brute-force matcher and fields whose errors were put in here."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.io.fits import Header
from astropy.wcs import WCS
from campaigns import also
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from starcal.place.bright import with_bright_stars
from starcal.place.match import (
    MAX_RADIUS_PX,
    clearly_above_chance,
    match_catalogue,
    mutual_nearest,
    pair_scatter_px,
    plane_to_sky,
    tangent_plane,
    wcs_error,
)

SHAPE = (600, 900)
SCALE_ARCSEC = 3.0
FIELDS = {
    "pole": (40.0, 89.7),
    "south pole": (200.0, -89.9),
    "RA 0": (0.02, 20.0),
    "equator": (150.0, 0.0),
    "south": (160.0, -59.0),
}


def wcs_of(
    ra_deg=150.0,
    dec_deg=20.0,
    *,
    offset_px=(0, 0),
    rotation_deg=0.0,
    scale=1.0,
    mirrored=False,
    sip=None,
):
    """TAN WCS in the middle of the frame, with the errors asked for."""
    angle = np.radians(rotation_deg)
    east, north = (
        (1 if mirrored else -1) * SCALE_ARCSEC * scale / 3600,
        SCALE_ARCSEC * scale / 3600,
    )
    header = Header(
        {
            "CTYPE1": "RA---TAN",
            "CTYPE2": "DEC--TAN",
            "CRVAL1": ra_deg,
            "CRVAL2": dec_deg,
            "CRPIX1": (SHAPE[1] + 1) / 2 + offset_px[0],
            "CRPIX2": (SHAPE[0] + 1) / 2 + offset_px[1],
            "CD1_1": east * np.cos(angle),
            "CD1_2": east * np.sin(angle),
            "CD2_1": -north * np.sin(angle),
            "CD2_2": north * np.cos(angle),
        }
    )
    if sip:
        header.update(
            {
                "CTYPE1": "RA---TAN-SIP",
                "CTYPE2": "DEC--TAN-SIP",
                "A_ORDER": 2,
                "B_ORDER": 2,
                "A_2_0": sip,
                "B_0_2": -sip,
                "A_1_1": sip / 2,
            }
        )
    return WCS(header)


def field(n=80, seed=0, wcs=None, margin_px=250, scatter_px=0.1, missing=0.1, spurious=0.3):
    """Catalogue (on and round the frame) and detections of it: (catalogue, xy, mag, row of the
    catalogue or -1).

    n is the number of catalogue stars on the frame."""
    rng = np.random.default_rng(seed)
    wcs = wcs or wcs_of()
    area = (SHAPE[0] + 2 * margin_px) * (SHAPE[1] + 2 * margin_px) / (SHAPE[0] * SHAPE[1])
    count = int(n * area)
    x = rng.uniform(-margin_px, SHAPE[1] + margin_px, count)
    y = rng.uniform(-margin_px, SHAPE[0] + margin_px, count)
    ra, dec = wcs.all_pix2world(x, y, 0)
    v = 12 - rng.exponential(1.1, count)
    seen = (
        (x > 5)
        & (x < SHAPE[1] - 6)
        & (y > 5)
        & (y < SHAPE[0] - 6)
        & (rng.random(count) > missing)
    )
    rows = np.flatnonzero(seen)
    extra = int(spurious * n)
    xy = np.vstack(
        [
            np.column_stack([x, y])[rows] + scatter_px * rng.standard_normal((len(rows), 2)),
            rng.uniform((5, 5), (SHAPE[1] - 6, SHAPE[0] - 6), (extra, 2)),
        ]
    )
    mag = np.concatenate(
        [v[rows] - 20 + 0.05 * rng.standard_normal(len(rows)), rng.uniform(-10, -5, extra)]
    )
    order = rng.permutation(len(xy))
    catalogue = SimpleNamespace(ra_deg=ra, dec_deg=dec, v_mag=v)
    return catalogue, xy[order], mag[order], np.append(rows, np.full(extra, -1))[order]


def match(catalogue, xy, mag, wcs):
    return match_catalogue(xy, mag, wcs, SHAPE, catalogue, SCALE_ARCSEC)


def brute_force(stars, listed, radius):
    """Mutual nearest pairs within a radius, from the full table of distances."""
    distance = np.hypot(*(stars[:, None] - listed[None]).transpose(2, 0, 1))
    return {
        (i, j)
        for i in range(len(stars))
        for j in range(len(listed))
        if distance[i, j] <= radius
        and distance[i].argmin() == j
        and distance[:, j].argmin() == i
    }


# --- pairs ------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 60), st.integers(1, 60), st.floats(0.5, 30))
def test_pairs_are_those_of_brute_force(seed, n_stars, n_listed, radius):
    rng = np.random.default_rng(seed)
    stars, listed = rng.uniform(0, 100, (n_stars, 2)), rng.uniform(0, 100, (n_listed, 2))
    star, partner, distance = mutual_nearest(cKDTree(stars), listed, radius)
    assert set(zip(star, partner, strict=True)) == brute_force(stars, listed, radius)
    np.testing.assert_allclose(distance, np.hypot(*(stars[star] - listed[partner]).T))


@pytest.mark.parametrize("n", [20, 80, 400, 2000])
def test_the_right_pairs_are_found(n):
    """Truth: which detection is which star. Of the true pairs at most 2 % are lost to nearer
    strangers in the crowd of 2000 (0.0037 per pixel^2, radius 1 px); false pairs have a spurious
    detection within the radius of a missed star."""
    catalogue, xy, mag, row = field(n, seed=n)
    found = match(catalogue, xy, mag, wcs_of())
    assert found.credible
    right = row[found.star] == found.catalogue
    assert right.mean() >= 0.97
    assert right.sum() >= 0.98 * np.count_nonzero(row >= 0)
    assert len(set(found.star)) == len(found.star)
    assert len(set(found.catalogue)) == len(found.catalogue)


def test_oracle_agrees_on_a_whole_field():
    """Brute force with the true WCS and the radius that the match chose."""
    catalogue, xy, mag, _ = field(150, seed=3)
    found = match(catalogue, xy, mag, wcs_of())
    listed = np.column_stack(wcs_of().all_world2pix(catalogue.ra_deg, catalogue.dec_deg, 0))
    expected = brute_force(xy, listed, found.radius_px)
    assert (
        len(expected ^ set(zip(found.star, found.catalogue, strict=True))) <= 2
    )  # refinement moves pairs at the rim


# --- errors of the WCS ------------------------------------------------------------------


@pytest.mark.parametrize(
    "offset_px", [(0, 0), (1.5, -0.7), (12.0, -9.0), (-21.0, 20.0), (30.0, 0.0), (0.0, -30.0)]
)
def test_offset_is_measured_with_its_sign(offset_px):
    """Truth: the header says x, y this much too large. 60 pairs of 0.1 px: the mean errs by 0.013
    px; 0.08 is 6 times."""
    catalogue, xy, mag, row = field(80, seed=1)
    found = match(catalogue, xy, mag, wcs_of(offset_px=offset_px))
    assert found.credible
    np.testing.assert_allclose(found.offset_px, offset_px, atol=0.08)
    assert (row[found.star] == found.catalogue).mean() > 0.97
    assert 0.05 < found.scatter_px < 0.2


@pytest.mark.parametrize("rotation_deg", [0.3, -0.5, 1.0])
def test_rotation_is_measured_with_its_sign(rotation_deg):
    """Truth: both say how far north is turned from the y axis, counter-clockwise. Pairs 300 px from
    the middle err by 0.1 px / 300 / sqrt(60) = 0.0025 deg; 0.015 is 6 times."""
    catalogue, xy, mag, _ = field(80, seed=2)
    found = match(catalogue, xy, mag, wcs_of(rotation_deg=rotation_deg))
    assert found.credible
    assert abs(abs(found.rotation_deg) - abs(rotation_deg)) < 0.015


def test_rotation_sign_is_that_of_the_docstring():
    """Turn (north through east) of the WCS's positions against the stars'": in the sky, a WCS whose
    positions are those of the stars turned north through east (position angle grows) has a positive
    rotation."""
    catalogue, xy, mag, _ = field(80, seed=2)
    middle = SkyCoord(150.0, 20.0, unit="deg")
    wrong = wcs_of(rotation_deg=0.5)
    says = SkyCoord(*wrong.all_pix2world(xy[:, 0], xy[:, 1], 0), unit="deg")
    is_at = SkyCoord(*wcs_of().all_pix2world(xy[:, 0], xy[:, 1], 0), unit="deg")
    turn = (middle.position_angle(says) - middle.position_angle(is_at)).wrap_at("180d").deg
    found = match(catalogue, xy, mag, wrong)
    assert abs(found.rotation_deg - np.median(turn)) < 0.015


@pytest.mark.parametrize("scale", [1.002, 0.99])
def test_scale_error_is_measured_with_its_sign(scale):
    """Truth: the WCS's pixels are this much larger than they are; its positions spread too far. As
    for the rotation, 0.1 / 300 / sqrt(60) = 4e-5; 3e-4."""
    catalogue, xy, mag, _ = field(80, seed=4)
    found = match(catalogue, xy, mag, wcs_of(scale=scale))
    assert found.credible
    assert abs(found.scale_error - (scale - 1)) < 3e-4


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize(
    "errors",
    [
        {"offset_px": (12.0, -9.0)},
        {"rotation_deg": 0.5},
        {"scale": 0.99},
        {"offset_px": (-3.0, 20.0), "rotation_deg": -0.4, "scale": 1.004},
    ],
)
def test_one_wcs_against_another_is_as_the_stars_say(errors, mirrored):
    """The match knows the stars and not the better WCS, `wcs_error` the reverse; tolerances as
    above."""
    truth, wrong = wcs_of(mirrored=mirrored), wcs_of(mirrored=mirrored, **errors)
    catalogue, xy, mag, _ = field(80, seed=2, wcs=truth)
    by_stars = match(catalogue, xy, mag, wrong)
    pairs = (
        xy[by_stars.star],
        catalogue.ra_deg[by_stars.catalogue],
        catalogue.dec_deg[by_stars.catalogue],
    )
    error = wcs_error(wrong, truth, SHAPE, *pairs)
    assert error.offset_px == pytest.approx(by_stars.offset_px, abs=0.1)
    assert error.rotation_deg == pytest.approx(by_stars.rotation_deg, abs=0.015)
    assert error.scale_error == pytest.approx(by_stars.scale_error, abs=3e-4)


def test_scatter_is_per_axis_and_deaf_to_outliers():
    """Put in: 0.5 px an axis and a star far off; the median of 400 distances is good to 4 %. Off by
    12 px: all pairs are, and the median over sqrt(2 ln 2) is by definition the scatter."""
    catalogue, xy, _, row = field(400, seed=3, scatter_px=0.5, missing=0.0, spurious=0.0)
    xy[0] += 80.0
    places = SHAPE, xy, catalogue.ra_deg[row], catalogue.dec_deg[row]
    assert pair_scatter_px(wcs_of(), *places) == pytest.approx(0.5, rel=0.12)
    assert pair_scatter_px(wcs_of(offset_px=(12, 0)), *places) == pytest.approx(
        12 / np.sqrt(2 * np.log(2)), abs=0.1
    )
    assert np.isnan(
        pair_scatter_px(wcs_of(), SHAPE, np.empty((0, 2)), np.empty(0), np.empty(0))
    )


@pytest.mark.parametrize("offset_px", [(45, 0), (40, 40), (-60, 20), (0, 200)])
def test_beyond_reach_is_an_honest_failure(offset_px):
    for seed in range(4):
        catalogue, xy, mag, _ = field(80, seed=seed)
        assert not match(catalogue, xy, mag, wcs_of(offset_px=offset_px)).credible


# --- chance -----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    "n",
    [
        10,
        400,
        *also(60, 1500),
    ],
)
def test_wrong_fields_are_never_credible(n):
    """Random detections, a mirrored WCS, a WCS 1 degree off, a WCS upside down: 6 seeds each,
    sparse to crowded."""
    for seed in range(6):
        catalogue, xy, mag, _ = field(n, seed=seed)
        other = field(n, seed=seed + 100)
        wrong = {
            "mirrored": (xy, mag, wcs_of(mirrored=True)),
            "upside down": (xy, mag, wcs_of(rotation_deg=180)),
            "random": (other[1], other[2], wcs_of()),
        }
        for name, (points, light, wcs) in wrong.items():
            found = match(catalogue, points, light, wcs)
            assert not found.credible, (name, n, seed, len(found.star), found.chance_matches)


def test_one_degree_off_is_never_credible():
    """The catalogue round the wrong place has other stars, as many."""
    for seed in range(12):
        _, xy, mag, _ = field(120, seed=seed)
        elsewhere = field(120, seed=seed + 500, wcs=wcs_of(151.0, 20.0))[0]
        assert not match(elsewhere, xy, mag, wcs_of(151.0, 20.0)).credible


@pytest.mark.slow
@pytest.mark.parametrize("n", [100, *also(600)])
def test_chance_level_is_honest(n):
    """The stated number of chance pairs (catalogue shifted) against the number found, within the
    same radius, with catalogues that have nothing to do with the frame: means of 24, 25 % and 0.3
    pairs."""
    stated, measured = [], []
    for seed in range(24):
        catalogue, xy, mag, _ = field(n, seed=seed)
        found = match(catalogue, xy, mag, wcs_of())
        stated.append(found.chance_matches)
        stranger = match(field(n, seed=seed + 50)[0], xy, mag, wcs_of())
        measured.append(np.count_nonzero(stranger.separation_px <= found.radius_px))
    assert abs(np.mean(stated) - np.mean(measured)) <= 0.25 * np.mean(measured) + 0.3


def test_clearly_above_chance_by_poisson_statistics():
    """Of a million Poisson draws of the chance level itself next to none passes; five pairs against
    none do."""
    rng = np.random.default_rng(0)
    for mean in (0.2, 1.0, 5.0, 50.0):
        draws = rng.poisson(mean, (100_000, 9))
        passed = [
            clearly_above_chance(d[0], d[1:].mean(), d[1:].max())
            for d in draws[draws[:, 0] > 2 * mean][:20_000]
        ]
        assert np.sum(passed) / 100_000 < 1e-3
    assert clearly_above_chance(5, 0.0, 0)
    assert not clearly_above_chance(4, 0.0, 0)
    assert not clearly_above_chance(40, 30.0, 35)
    assert not clearly_above_chance(
        30, 10.0, 21
    )  # five sigma above the mean, but one trial came near


@pytest.mark.parametrize("n_true", [5, 6, 8])
def test_few_stars(n_true):
    """A frame with a handful of catalogue stars, all detected: believed; the pairs are right."""
    catalogue, xy, mag, row = field(400, seed=8, missing=0, spurious=0.1)
    keep = np.flatnonzero(row >= 0)[:n_true]
    off_frame = np.setdiff1d(np.arange(len(catalogue.v_mag)), row[row >= 0])[::20]
    pick = np.concatenate([row[keep], off_frame])
    sparse = SimpleNamespace(
        ra_deg=catalogue.ra_deg[pick],
        dec_deg=catalogue.dec_deg[pick],
        v_mag=catalogue.v_mag[pick],
    )
    strangers = np.flatnonzero(row < 0)
    rows = np.concatenate([keep, strangers])
    found = match(sparse, xy[rows], mag[rows], wcs_of())
    assert found.credible
    assert set(zip(found.star, found.catalogue, strict=True)) >= {(i, i) for i in range(n_true)}


# --- where on the sky -------------------------------------------------------------------


@pytest.mark.parametrize("place", FIELDS)
def test_everywhere_on_the_sky(place):
    true = wcs_of(*FIELDS[place])
    catalogue, xy, mag, row = field(80, seed=5, wcs=true)
    found = match(catalogue, xy, mag, wcs_of(*FIELDS[place], offset_px=(7, -11)))
    assert found.credible
    assert (row[found.star] == found.catalogue).mean() > 0.97
    np.testing.assert_allclose(found.offset_px, (7, -11), atol=0.1)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("rotation_deg", [0, 77, 180, -130])
def test_any_orientation_of_the_frame(mirrored, rotation_deg):
    """A turned or mirrored frame with a right WCS is as good as any."""
    wcs = wcs_of(rotation_deg=rotation_deg, mirrored=mirrored)
    catalogue, xy, mag, row = field(60, seed=6, wcs=wcs)
    found = match(catalogue, xy, mag, wcs)
    assert found.credible
    assert abs(found.rotation_deg) < 0.02
    assert np.abs(found.offset_px).max() < 0.1
    assert (row[found.star] == found.catalogue).mean() > 0.97


def test_distorted_wcs():
    """SIP moves the corners by 4e-5 * 450^2 = 8 px: with it the pairs are right and tight, without
    it they are not."""
    wcs = wcs_of(sip=4e-5)
    catalogue, xy, mag, row = field(120, seed=7, wcs=wcs)
    found = match(catalogue, xy, mag, wcs)
    assert found.credible
    assert (row[found.star] == found.catalogue).sum() >= 0.98 * np.count_nonzero(row >= 0)
    assert found.scatter_px < 0.15
    inside = found.x_px[found.catalogue], found.y_px[found.catalogue]
    np.testing.assert_allclose(np.column_stack(inside), xy[found.star], atol=1.0)
    assert match(catalogue, xy, mag, wcs_of()).scatter_px > 2 * found.scatter_px


def test_where_the_catalogue_falls_on_the_frame():
    catalogue, xy, mag, _ = field(80, seed=9)
    found = match(catalogue, xy, mag, wcs_of(offset_px=(5, 5)))
    x, y = wcs_of().all_world2pix(catalogue.ra_deg, catalogue.dec_deg, 0)
    inside = (x > 0.5) & (x < SHAPE[1] - 1.5) & (y > 0.5) & (y < SHAPE[0] - 1.5)
    assert found.in_frame[inside].all()
    np.testing.assert_allclose(
        found.x_px[inside], x[inside], atol=0.15
    )  # after refinement: truth
    assert np.isnan(found.x_px[~found.in_frame]).all()


def test_brightness_that_does_not_fit_is_told():
    catalogue, xy, mag, row = field(80, seed=10, spurious=0)
    mag[5] += 3.0
    found = match(catalogue, xy, mag, wcs_of())
    assert set(found.star[found.mismatched]) == {5}
    assert row[5] >= 0


def test_wide_stars_seen_beside_their_places_are_paired_by_place_and_brightness():
    """Three stars are found 3 px aside, one of them 3 mag too faint. 3 px are within the core of
    stars 8 px wide, and not of stars 4 px wide."""
    catalogue, xy, mag, row = field(80, seed=10, spurious=0, scatter_px=0.05)
    aside = [5, 20, 33]
    xy[aside, 0] += 3.0
    mag[33] += 3.0
    found = match(catalogue, xy, mag, wcs_of())
    assert not set(aside) & set(found.star)
    clipped = np.zeros(len(mag), bool)
    narrow, wide = [
        with_bright_stars(found, xy, mag, clipped, catalogue.v_mag, fwhm_px)
        for fwhm_px in (4.0, 8.0)
    ]
    assert not set(aside) & set(narrow.star)
    assert set(aside) & set(wide.star) == {5, 20}
    of_star = dict(zip(wide.star.tolist(), wide.catalogue.tolist(), strict=True))
    assert [of_star[5], of_star[20]] == [row[5], row[20]]


def test_a_catalogue_star_of_unknown_brightness_takes_no_other_s_place():
    """One of the user's own table may lie beside any star, without a magnitude."""
    catalogue, xy, mag, _ = field(40, spurious=0, scatter_px=0.05)
    found = match(catalogue, xy, mag, wcs_of())
    v_mag = np.append(catalogue.v_mag, np.full(len(catalogue.v_mag), np.nan))
    sides = [np.append(place, place + 0.01) for place in (found.x_px, found.y_px)]
    there = np.tile(found.in_frame, 2)
    more = replace(found, x_px=sides[0], y_px=sides[1], in_frame=there)
    clipped = np.ones(len(mag), bool)
    bright = with_bright_stars(more, xy, mag, clipped, v_mag, 4.0)
    assert np.array_equal(bright.catalogue, found.catalogue)


@pytest.mark.parametrize("empty", ["catalogue", "detections", "both"])
def test_nothing_to_match(empty):
    catalogue, xy, mag, _ = field(40)
    if empty != "detections":
        catalogue = SimpleNamespace(ra_deg=np.empty(0), dec_deg=np.empty(0), v_mag=np.empty(0))
    if empty != "catalogue":
        xy, mag = np.empty((0, 2)), np.empty(0)
    found = match(catalogue, xy, mag, wcs_of())
    assert not found.credible
    assert len(found.star) == len(found.catalogue) == 0
    assert found.chance_matches == 0


def test_unknown_brightness_does_not_stop_the_match():
    catalogue, xy, mag, row = field(60, seed=11)
    found = match(catalogue, xy, np.full(len(mag), np.nan), wcs_of(offset_px=(4, 3)))
    assert found.credible
    assert not found.mismatched.any()
    assert (row[found.star] == found.catalogue).mean() > 0.97


def test_the_radius_follows_from_the_scatter():
    """Four times the scatter per axis, between 1 and 4 px."""
    tight = match(*(f := field(100, seed=12, scatter_px=0.05))[:3], wcs_of())
    loose = match(*(g := field(100, seed=12, scatter_px=0.5))[:3], wcs_of())
    assert tight.radius_px == 1.0
    assert abs(loose.radius_px / 2.0 - 1) < 0.25
    assert loose.radius_px <= MAX_RADIUS_PX
    assert len(f[1]) == len(g[1])


# --- projection -------------------------------------------------------------------------


@given(st.floats(0, 359.99), st.floats(-89.999, 89.999), st.floats(0, 360), st.floats(0, 20))
@settings(max_examples=60, deadline=None)
def test_tangent_plane_is_that_of_astropy(ra_deg, dec_deg, angle_deg, separation_deg):
    """astropy's TAN WCS at the same place: east is -x, in degrees."""
    middle = SkyCoord(ra_deg, dec_deg, unit="deg")
    star = middle.directional_offset_by(angle_deg * u.deg, separation_deg * u.deg)
    plane = WCS(
        Header(
            {
                "CTYPE1": "RA---TAN",
                "CTYPE2": "DEC--TAN",
                "CRVAL1": ra_deg,
                "CRVAL2": dec_deg,
                "CRPIX1": 1.0,
                "CRPIX2": 1.0,
                "CDELT1": 1.0,
                "CDELT2": 1.0,
            }
        )
    )
    expected = plane.wcs_world2pix(star.ra.deg, star.dec.deg, 0)
    east, north = tangent_plane(star.ra.deg, star.dec.deg, ra_deg, dec_deg)
    np.testing.assert_allclose((east, north), np.array(expected), atol=1e-9)
    back = SkyCoord(*plane_to_sky(east, north, ra_deg, dec_deg), unit="deg")
    assert back.separation(star).arcsec < 1e-4


def test_the_far_side_of_the_sky_has_no_place_in_the_plane():
    assert np.isnan(tangent_plane(180.0, 0.0, 0.0, 0.0)).all()
    assert np.isnan(tangent_plane(0.0, -80.0, 0.0, 80.0)).all()


# --- three or four catalogue stars ------------------------------------------------------


def sparse(seed: int, right: bool):
    """Three catalogue stars in the frame and none near it, 40 stars of the frame fainter than they;
    where they are not right, other stars of the same brightness."""
    rng = np.random.default_rng(seed)
    height, width = SHAPE
    wcs = wcs_of()
    listed_px = rng.uniform(20, [width - 20, height - 20], (3, 2))
    sky = wcs.all_pix2world(listed_px, 0)
    v_mag = rng.uniform(9, 11, 3)
    catalogue = SimpleNamespace(ra_deg=sky[:, 0], dec_deg=sky[:, 1], v_mag=v_mag)
    shown_px = (
        listed_px + np.array([12, -7]) if right else rng.uniform(0, [width, height], (3, 2))
    )
    shown_px = shown_px + 0.2 * rng.normal(size=(3, 2))
    faint_px = rng.uniform(0, [width, height], (40, 2))
    mag = np.concatenate([v_mag + 0.2 * rng.normal(size=3), rng.uniform(11, 15, 40)])
    return catalogue, np.concatenate([shown_px, faint_px]), mag, wcs


def sparse_match(seed: int, right: bool):
    catalogue, xy, mag, wcs = sparse(seed, right)
    return match_catalogue(xy, mag, wcs, SHAPE, catalogue, SCALE_ARCSEC)


def test_three_stars_that_all_fit_are_believed():
    found = [sparse_match(seed, right=True) for seed in range(20)]
    assert np.mean([m.credible and len(m.star) == 3 for m in found]) > 0.9
    assert all(m.offset_px == pytest.approx((-12, 7), abs=0.5) for m in found if m.credible)


@pytest.mark.slow
def test_three_stars_of_another_field_are_not():
    """1 in 10 000 is what the rule allows."""
    assert not any(sparse_match(seed, right=False).credible for seed in range(200))
