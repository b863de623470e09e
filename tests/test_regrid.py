"""Regridding: against positions by astropy, against the light that went in, and against exact
identities."""

import numpy as np
import pytest
from astropy.wcs import WCS

from starcal.demo.light import add_stars
from starcal.demo.setup import Setup
from starcal.demo.sky import wcs_header
from starcal.frame.regrid import MovedWCS, regrid, source_positions

WANTED = {"scale_arcsec": 2.5, "shape": (300, 340)}


def wcs_of(**settings):
    return WCS(wcs_header(Setup(**settings), exact=True))


def stars_seen_by_both(source, fwhm_px):
    """A source plane with single bright stars, and where they are in it and in the frame wanted."""
    at = (
        np.stack(np.meshgrid(np.arange(60, 300, 60), np.arange(60, 260, 60))).reshape(2, -1)
        + 0.37
    )
    there = np.array(source_positions(wcs_of(**source), wcs_of(**WANTED), *at))
    plane = np.zeros((1, *source["shape"]), np.float32)
    add_stars(plane[0], *there, np.full(at.shape[1], 100.0), fwhm_px, None, floor=1e-5)
    return plane, at, there


@pytest.mark.parametrize(
    ("ratio", "fwhm_px"), [(0.35, 5.0), (0.6, 3.0), (1.0, 2.3), (1.5, 2.2)]
)
@pytest.mark.parametrize("mirrored", [False, True])
def test_each_star_keeps_its_light_and_its_place(ratio, fwhm_px, mirrored):
    source = {
        "scale_arcsec": 2.5 * ratio,
        "rotation_deg": 33.0,
        "mirrored": mirrored,
        "shape": (round(460 / ratio), round(460 / ratio)),
    }
    plane, at, _ = stars_seen_by_both(source, fwhm_px)
    moved = regrid(plane, wcs_of(**source), wcs_of(**WANTED), WANTED["shape"], light=True)[0]
    assert np.isfinite(moved).all()
    dy, dx = np.mgrid[-15:16, -15:16]
    for x, y in at.T:
        stamp = moved[int(y) - 15 : int(y) + 16, int(x) - 15 : int(x) + 16]
        assert stamp.sum() == pytest.approx(
            100.0, rel=0.002
        )  # 2 per mille: photometry at its best
        centre = np.array([(stamp * dx).sum(), (stamp * dy).sum()]) / stamp.sum() + [
            int(x),
            int(y),
        ]
        assert np.abs(centre - (x, y)).max() < 0.03  # px; matching stars at SNR 30 is no better
    assert (
        moved.min() > -1e-3 * moved.max()
    )  # splines ring where stars are narrow: far below what is seen


def test_brightness_of_an_even_sky_stays_at_any_scale():
    for ratio in (0.4, 1.0, 1.7):
        source = {
            "scale_arcsec": 2.5 * ratio,
            "rotation_deg": -20.0,
            "shape": (round(500 / ratio),) * 2,
        }
        flat = np.full((1, *source["shape"]), 0.25, np.float32)
        moved = regrid(flat, wcs_of(**source), wcs_of(**WANTED), WANTED["shape"])
        assert moved == pytest.approx(0.25, abs=1e-6)  # float32


def test_the_same_grid_gives_the_same_pixels():
    pixels = np.random.default_rng(1).random((2, 300, 340), dtype=np.float32)
    moved = regrid(pixels, wcs_of(**WANTED), wcs_of(**WANTED), WANTED["shape"])
    assert moved == pytest.approx(
        pixels, abs=1e-4
    )  # a spline goes through its points; the WCS rounds at 1e-9 px


def test_tiles_leave_no_seams(monkeypatch):
    source = {"scale_arcsec": 2.3, "rotation_deg": 12.0, "shape": (420, 460)}
    pixels = np.random.default_rng(2).random((1, 420, 460), dtype=np.float32)
    call = pixels, wcs_of(**source), wcs_of(**WANTED), WANTED["shape"]
    whole = regrid(*call)
    monkeypatch.setattr("starcal.frame.regrid.TILE_PX", 96)
    assert regrid(*call) == pytest.approx(whole, abs=1e-4, nan_ok=True)


def test_pixels_without_data_stay_so_and_spoil_no_others():
    source = {"scale_arcsec": 2.5, "rotation_deg": 5.0, "shape": (420, 460)}
    pixels = np.full((2, 420, 460), 0.1, np.float32)
    pixels[0, 200:230, 200:230] = np.nan
    moved = regrid(pixels, wcs_of(**source), wcs_of(**WANTED), WANTED["shape"])
    x, y = source_positions(
        wcs_of(**source), wcs_of(**WANTED), *np.meshgrid(np.arange(340), np.arange(300))
    )
    hole = (x > 200) & (x < 229) & (y > 200) & (y < 229)
    far = (x < 194) | (x > 236) | (y < 194) | (y > 236)
    assert np.isnan(moved[0][hole]).all()
    assert moved[0][far] == pytest.approx(0.1, abs=1e-5)
    assert moved[1] == pytest.approx(0.1, abs=1e-6)


def test_beyond_the_source_there_is_no_data():
    source = {"scale_arcsec": 2.5, "ra_deg": 305.6 + 0.15, "shape": (300, 340)}
    moved = regrid(
        np.ones((1, 300, 340), np.float32), wcs_of(**source), wcs_of(**WANTED), WANTED["shape"]
    )[0]
    x, _ = source_positions(
        wcs_of(**source), wcs_of(**WANTED), *np.meshgrid(np.arange(340), np.arange(300))
    )
    assert np.isnan(moved[(x < -1) | (x > 340)]).all()
    assert np.isfinite(moved[(x > 1) & (x < 338)]).mean() > 0.99
    far = {**source, "ra_deg": 125.0, "dec_deg": -40.0}  # the other side of the sky
    assert np.isnan(
        regrid(np.ones((1, 300, 340), np.float32), wcs_of(**far), wcs_of(**WANTED), (300, 340))
    ).all()


def test_a_moved_wcs_and_back():
    wcs, a, b = wcs_of(**WANTED), 1.001 * np.exp(0.02j), 3 - 4j
    moved = MovedWCS(wcs, a, b)
    x, y = np.array([10.0, 200.0]), np.array([5.0, 290.0])
    z = a * (x + 1j * y) + b
    assert np.array(moved.pixel_to_world_values(x, y)) == pytest.approx(
        np.array(wcs.all_pix2world(z.real, z.imag, 0))
    )
    assert np.array(
        moved.world_to_pixel_values(*moved.pixel_to_world_values(x, y))
    ) == pytest.approx(np.array([x, y]))


@pytest.mark.slow
def test_distortion_is_followed_and_does_not_fold_back():
    """Strong SIP terms, 40 px in the corners: far outside the frame they have no inverse."""
    header = wcs_header(
        Setup(scale_arcsec=2.5, rotation_deg=20.0, shape=(300, 400), ra_deg=305.8), exact=True
    )
    header.update(
        {
            "CTYPE1": "RA---TAN-SIP",
            "CTYPE2": "DEC--TAN-SIP",
            "A_ORDER": 3,
            "B_ORDER": 3,
            "A_3_0": 2e-6,
            "A_1_2": 2e-6,
            "B_0_3": 2e-6,
            "B_2_1": 2e-6,
        }
    )
    source, wide = WCS(header), {"scale_arcsec": 7.5, "shape": (300, 400)}
    wanted = wcs_of(**wide)
    ramp = np.arange(400, dtype=np.float32) * np.ones((300, 1), np.float32)
    moved = regrid(ramp[None], source, wanted, wide["shape"])[0]
    # the other way round needs no inverse of the distortion
    x, y = np.meshgrid(np.arange(20, 380, 20), np.arange(20, 280, 20))
    there = wanted.wcs_world2pix(*source.all_pix2world(x.ravel(), y.ravel(), 0), 0)
    at = np.rint(there).astype(int)
    seen = (at[0] >= 0) & (at[0] < 400) & (at[1] >= 0) & (at[1] < 300)
    assert (
        np.abs(moved[at[1][seen], at[0][seen]] - x.ravel()[seen]).max() < 3
    )  # half a pixel of 3 by 3 is 2.1
    outline = np.isfinite(moved).sum() * 9 / ramp.size
    assert (
        0.5 < outline < 1.2
    )  # the frame once, not its reflections, less what is beyond the edge
