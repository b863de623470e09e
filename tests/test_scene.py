"""Frames of known truth: is what `starcal.scene` says of a frame true of it?"""

import csv
import importlib.util
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.centroids import centroid_2dg
from scipy.special import erf

from starcal.demo import examples, sky, spectra
from starcal.demo.clouds import nebula_lines, turbulence
from starcal.demo.light import add_stars
from starcal.demo.scene import make_scene
from starcal.demo.setup import Setup

ROOT = Path(__file__).resolve().parents[1]
REFERENCE = ROOT.parent / "shared" / "catalogue"
needs_reference = pytest.mark.skipif(
    not REFERENCE.is_dir(), reason=f"no reference spectra in {REFERENCE}"
)


def stars_at(ra_deg, dec_deg, v_mag, bv_mag=0.65):
    """Stand-in for a catalogue: stars where a test wants them."""
    ra_deg, dec_deg, v_mag, bv_mag = np.broadcast_arrays(ra_deg, dec_deg, v_mag, bv_mag)
    return SimpleNamespace(ra_deg=ra_deg, dec_deg=dec_deg, v_mag=v_mag, bv_mag=bv_mag)


def scattered_stars(ra_deg, dec_deg, radius_deg, number, seed=0):
    """An invented field, uniform on the sky in a cone, colours N(0.75, 0.35)."""
    rng = np.random.default_rng(seed)
    where = SkyCoord(ra_deg, dec_deg, unit="deg").directional_offset_by(
        rng.uniform(0, 360, number) * SkyCoord(0, 0, unit="deg").ra.unit,
        radius_deg * np.sqrt(rng.random(number)) * SkyCoord(0, 0, unit="deg").ra.unit,
    )
    return stars_at(
        where.ra.deg, where.dec.deg, rng.uniform(6, 12, number), rng.normal(0.75, 0.35, number)
    )


def one_star(**settings):
    """A single star of V 9 near the middle of a small frame, off the centre of its pixel."""
    defaults = {
        "ra_deg": 50.0,
        "dec_deg": 20.0,
        "shape": (121, 141),
        "faint_to_mag": None,
        "catalogue_noise": 0,
        "scatter": "none",
        "stars": stars_at([50.0013], [20.0008], [9.0]),
    }
    return make_scene(**(defaults | settings))


# --- the table of spectra ---------------------------------------------------------------


def table_rows():
    with open(ROOT / "catalog_cache" / "star_bands.csv", encoding="utf-8") as lines:
        return {
            row["name"]: row for row in csv.DictReader(line for line in lines if line[0] != "#")
        }


def colour_slopes(system):
    """d rho / d(B-V), d beta / d(B-V) over spectra O to M2, straight line."""
    rows = [
        row
        for name, row in table_rows().items()
        if name[0] != "m" or (name[1] in "012" and name[2] != "0")
    ]
    bv_mag = np.array([float(row["bv_mag"]) for row in rows])
    red, green, blue = (np.array([float(row[f"{system}_{c}"]) for row in rows]) for c in "RGB")
    keep = bv_mag < 1.5
    return [np.polyfit(bv_mag[keep], (mag - green)[keep], 1)[0] for mag in (red, blue)]


def test_camera_slopes_are_those_of_real_cameras():
    # 52 measured cameras with infrared filter span these ranges (measured curves, same spectra library)
    red, blue = colour_slopes("camera")
    assert -0.476 <= red <= -0.256
    assert 0.409 <= blue <= 0.558


def test_mono_slopes():
    # the same boxes with a sensor's quantum efficiency in them gave -0.619 and +0.636;
    # without it the blue end of the blue box weighs more: 0.05 allowed
    red, blue = colour_slopes("mono")
    assert abs(red + 0.619) < 0.05
    assert abs(blue - 0.636) < 0.05


@pytest.mark.parametrize(
    ("name", "o_h_3nm", "o_h_7nm", "s_h_3nm", "s_h_7nm"),
    [
        ("o5v", 2.34, 2.23, 1.02, 0.97),
        ("a0v", 2.30, 2.01, 1.31, 1.14),
        ("f5v", 1.25, 1.17, 1.12, 1.04),
        ("g2v", 1.02, 0.98, 1.08, 1.03),
        ("k0iii", 0.77, 0.76, 1.07, 1.04),
        ("m0v", 0.36, 0.36, 0.93, 0.92),
        ("m4v", 0.21, 0.21, 0.63, 0.65),
    ],
)
def test_narrowband_photon_ratios(name, o_h_3nm, o_h_7nm, s_h_3nm, s_h_7nm):
    # an independent integration of the same library (131 spectra, other code), stated to +-0.02
    row = {
        column: float(value)
        for column, value in table_rows()[name].items()
        if column[-1] in "37"
    }
    for other, width, expected in (
        ("O", 3, o_h_3nm),
        ("O", 7, o_h_7nm),
        ("S", 3, s_h_3nm),
        ("S", 7, s_h_7nm),
    ):
        ratio = 10 ** (-0.4 * (row[f"{other}{width}"] - row[f"H{width}"]))
        assert ratio == pytest.approx(expected, abs=0.02)


@needs_reference
def test_vega_agrees_with_the_a0_dwarf():
    # CALSPEC Vega: another instrument, another calibration. Vega has B-V 0.00, the A0V spectrum 0.015; 0.05 mag
    # covers that and the type's scatter; H-alpha absorption is resolved differently, 0.10 mag.
    passbands = np.load(REFERENCE / "reference_passbands.npz")
    wave_nm = np.arange(380, 780, 0.05) + 0.025
    flux = np.interp(wave_nm, passbands["vega_wave_nm"], passbands["vega_flux"])
    band = passbands["bessell_V"].astype(float)
    energy = 550 * np.sum(flux * np.interp(wave_nm, band[:, 0] / 10, band[:, 1], 0, 0))
    row = table_rows()["a0v"]
    for column, low, high, tolerance in (
        ("mono_R", 590, 690, 0.05),
        ("mono_G", 490, 575, 0.05),
        ("mono_B", 400, 510, 0.05),
        ("O7", 497.2, 504.2, 0.05),
        ("H7", 652.8, 659.8, 0.10),
    ):
        inside = (wave_nm >= low) & (wave_nm < high)
        mag = -2.5 * np.log10(np.sum(flux * wave_nm * inside) / energy)
        assert float(row[column]) == pytest.approx(mag, abs=tolerance), column


@needs_reference
def test_the_table_is_what_its_script_makes():
    spec = importlib.util.spec_from_file_location(
        "build", ROOT / "catalog_cache" / "build_star_bands.py"
    )
    build = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(build)
    made = {
        row["name"]: {key: str(value) for key, value in row.items()}
        for row in build.band_rows(REFERENCE)
    }
    assert made == table_rows()


# --- stars on pixels --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fwhm_px", "peak"), [(2, 0.197), (2.5, 0.131), (3, 0.0932), (4, 0.0536)]
)
def test_peak_fraction_of_a_centred_gaussian(fwhm_px, peak):
    sigma = (
        fwhm_px / 2.354820045
    )  # analytic: erf over the pixel, both axes; `peak` is its printed value
    assert erf(0.5 / np.sqrt(2) / sigma) ** 2 == pytest.approx(peak, abs=5e-4)
    image = np.zeros((31, 31), np.float32)
    add_stars(image, [15.0], [15.0], [1.0], fwhm_px, None, floor=1e-8)
    assert image[15, 15] == pytest.approx(erf(0.5 / np.sqrt(2) / sigma) ** 2, rel=1e-4)


def test_pixels_off_centre_are_integrated_not_sampled():
    image, sigma = np.zeros((41, 45), np.float32), 1.8 / 2.354820045
    add_stars(image, [20.37], [18.81], [1.0], 1.8, None, floor=1e-9)
    edges = np.arange(46) - 0.5
    along_x = np.diff(erf((edges - 20.37) / np.sqrt(2) / sigma)) / 2
    along_y = np.diff(erf((edges[:42] - 18.81) / np.sqrt(2) / sigma)) / 2
    # 2e-4 of the flux is a tenth of a percent of the peak pixel; sampling at centres misses by 30 times that
    np.testing.assert_allclose(image, np.outer(along_y, along_x), atol=2e-4)
    assert image.sum() == pytest.approx(1, abs=1e-5)


def test_half_maximum_of_a_moffat_star():
    image = np.zeros((201, 201), np.float32)
    add_stars(
        image, [100.0], [100.0], [1.0], 20.0, 2.5, floor=1e-12
    )  # wide: a pixel is nearly a point
    assert image[100, 110] / image[100, 100] == pytest.approx(0.5, abs=0.005)


@pytest.mark.parametrize("beta", [None, 3.0])
def test_a_star_is_drawn_out_to_the_floor_and_no_further(beta):
    image, whole = np.zeros((2, 301, 301), np.float32)
    add_stars(image, [150.0], [150.0], [1e6], 3.0, beta, floor=1.0)
    add_stars(whole, [150.0], [150.0], [1e6], 3.0, beta, floor=1e-9)
    assert np.abs(image - whole).max() <= 1.0
    assert image[0, 0] == 0


@pytest.mark.parametrize("beta", [2.5, 3.0, 4.0])
def test_aperture_flux_of_a_lone_star_is_the_truth(beta):
    made = one_star(
        moffat_beta=beta, fwhm_px=(2.6, 3.0, 3.4), channel_gains=(0.5, 1.0, 0.8), seed=3
    )
    star, radius_px = made.truth[0], 20.0
    aperture = CircularAperture((star["x_px"], star["y_px"]), radius_px)
    for channel, fwhm_px in enumerate((2.6, 3.0, 3.4)):
        measured = aperture_photometry(made.pixels[channel] - made.nebula[channel], aperture)[
            "aperture_sum"
        ][0]
        alpha2 = fwhm_px**2 / 4 / (2 ** (1 / beta) - 1)
        enclosed = 1 - (1 + radius_px**2 / alpha2) ** (1 - beta)  # Moffat 1969, integrated
        truth = star["flux_" + "rgb"[channel]] * enclosed
        electrons = truth / made.setup.channel_gains[channel] * made.setup.full_well_electrons
        sigma = np.hypot(np.sqrt(electrons), np.sqrt(np.pi) * radius_px * np.sqrt(1.5e4 + 400))
        assert (
            abs(measured / truth - 1) < 4 * sigma / electrons
        )  # 4 sigma: 1 false alarm in 16,000
        assert sigma / electrons < 0.01  # the comparison means something


def test_a_star_sends_what_its_v_magnitude_says():
    # Through V itself a G star gives N0 10^(-0.4 V). The green box of "mono" (85 nm at full response) takes
    # about as much as the V band (89 nm equivalent width): 10 % allowed
    made = one_star(system="mono")
    expected = 2.5e10 * 10 ** (-0.4 * 9) / 1e6
    assert made.truth["flux_g"][0] == pytest.approx(expected, rel=0.10)


# --- noise, clipping, truth of the empty frame ------------------------------------------


def test_noise_is_that_of_the_model():
    gains = (0.5, 1.0, 1.7)
    made = one_star(
        shape=(300, 400),
        sky_electrons=(5e3, 1e4, 2e4),
        read_noise_electrons=50.0,
        channel_gains=gains,
        stars=stars_at([50.0], [20.0], [18.0]),
    )
    excess = made.pixels - made.nebula
    for channel, level in enumerate((5e3, 1e4, 2e4)):
        sigma = np.sqrt(level + 50.0**2) / 1e6 * gains[channel]
        assert made.noise[channel] == pytest.approx(sigma, rel=1e-6)
        # N = 120,000 pixels: the standard deviation is known to 1/sqrt(2N) = 0.2 %, 4 sigma
        assert excess[channel].std() == pytest.approx(sigma, rel=0.0085)
        assert abs(np.median(excess[channel])) < 4 * 1.25 * sigma / np.sqrt(120_000)


def test_star_light_has_photon_noise():
    # the same bright star 60 times: variance over seeds against signal + read noise, in units of its own
    # sampling error sqrt(2 / 59) = 18 %; summed over 9 pixels 6 %
    frames = np.stack([one_star(seed=seed).pixels[1] for seed in range(60)]) * 1e6
    x, y = (int(np.rint(one_star().truth[c][0])) for c in ("x_px", "y_px"))
    core = frames[:, y - 1 : y + 2, x - 1 : x + 2]
    assert core.mean() > 1e5  # star, not sky
    assert np.mean(core.var(axis=0, ddof=1) / (core.mean(axis=0) + 400)) == pytest.approx(
        1, abs=4 * 0.06
    )


def test_clip_level_moves_with_the_channel_gains():
    gains = (0.4, 1.0, 1.6)
    made = one_star(
        stars=stars_at([50.0, 50.02], [20.0, 20.0], [4.0, 11.0]), channel_gains=gains
    )
    np.testing.assert_allclose(made.pixels.max(axis=(1, 2)), gains, rtol=1e-6)  # float32
    assert made.truth["clipped"].tolist() == [True, False]
    assert made.truth["flux_g"][0] > 10  # the truth keeps the light that was lost


def test_starless_truth_has_everything_but_stars():
    made = one_star(
        gradient=0.2,
        nebula_electrons=2e4,
        system="SHO",
        shape=(200, 300),
        stars=stars_at([50.0], [20.0], [20.0]),
    )
    pull = (made.pixels - made.nebula) * 1e6 / np.sqrt(made.nebula * 1e6 + 400)
    assert pull.std() == pytest.approx(1, abs=4 / np.sqrt(2 * pull.size))
    bright = (np.percentile(made.nebula, 99.5, axis=(1, 2)) - made.sky) * 1e6
    # S, H, O in the ratios asked for; the gradient is worth up to 10 % of the sky either way
    np.testing.assert_allclose(bright, [5e3, 2e4, 7e3], atol=0.1 * 1.5e4)


# --- where stars stand ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "rotation_deg", "mirrored"),
    [
        (305.0, 40.0, 0, False),
        (0.0, -30.0, 130, True),
        (10.0, 90.0, 20, False),
        (200.0, -89.9, -75, True),
    ],
)
def test_a_catalogue_star_is_where_the_header_says(ra_deg, dec_deg, rotation_deg, mirrored):
    made = make_scene(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        rotation_deg=rotation_deg,
        mirrored=mirrored,
        shape=(220, 300),
        scale_arcsec=4.0,
        faint_to_mag=None,
        stars=scattered_stars(ra_deg, dec_deg, 0.2, 40),
    )
    sky = SkyCoord(made.truth["ra_deg"], made.truth["dec_deg"], unit="deg")
    x, y = WCS(made.header).world_to_pixel(sky)
    np.testing.assert_allclose(x, made.truth["x_px"], atol=1e-6)
    np.testing.assert_allclose(y, made.truth["y_px"], atol=1e-6)
    inner = (
        (x > 12)
        & (x < 287)
        & (y > 12)
        & (y < 207)
        & (made.truth["v_mag"] < 11)
        & ~made.truth["clipped"]
    )
    near = np.hypot(x[:, None] - x, y[:, None] - y) < 25
    for px, py in zip(
        x[inner & (near.sum(axis=1) == 1)], y[inner & (near.sum(axis=1) == 1)], strict=True
    ):
        left, low = int(px) - 5, int(py) - 5
        stamp = (made.pixels[1] - made.nebula[1])[low : low + 12, left : left + 12].astype(
            float
        )
        found = centroid_2dg(stamp)
        assert np.hypot(found[0] + left - px, found[1] + low - py) < 0.1  # of a pixel; SNR > 30
    assert np.sum(inner & (near.sum(axis=1) == 1)) >= 3


def test_north_and_east():
    made = one_star(
        rotation_deg=90.0
    )  # north turned counter-clockwise from up: to the left; east: down
    wcs = WCS(made.header)
    x, y = wcs.wcs_world2pix([50.0, 50.0, 50.01], [20.0, 20.01, 20.0], 0)
    assert (x[0], y[0]) == (pytest.approx(70.0), pytest.approx(60.0))  # the middle of 141 x 121
    assert x[1] < x[0] - 10
    assert y[1] == pytest.approx(y[0], abs=0.01)
    assert y[2] < y[0] - 10


def test_errors_of_the_wcs_are_in_the_header_only():
    clean, off = one_star(), one_star(wcs_offset_px=(7.0, -4.0), wcs_rotation_deg=0.0)
    np.testing.assert_array_equal(clean.pixels, off.pixels)
    star = off.truth[0]
    x, y = WCS(off.header).wcs_world2pix(star["ra_deg"], star["dec_deg"], 0)
    assert (float(x) - star["x_px"], float(y) - star["y_px"]) == (
        pytest.approx(7.0),
        pytest.approx(-4.0),
    )
    turned = WCS(one_star(wcs_rotation_deg=1.0).header).wcs_world2pix(50.0, 20.03, 0)
    straight = WCS(clean.header).wcs_world2pix(50.0, 20.03, 0)
    arms = (
        np.array([turned[0] - 70, turned[1] - 60]),
        np.array([straight[0] - 70, straight[1] - 60]),
    )
    angle = np.rad2deg(np.arctan2(arms[0][1], arms[0][0]) - np.arctan2(arms[1][1], arms[1][0]))
    assert angle == pytest.approx(1.0, abs=1e-6)


def test_a_frame_without_wcs_has_none():
    assert not WCS(one_star(with_wcs=False).header).has_celestial


# --- colours ----------------------------------------------------------------------------


@pytest.mark.parametrize("system", ["camera", "mono", "SHO", "HOO"])
def test_true_gains_make_the_white_star_neutral(system):
    made = one_star(
        system=system,
        neutral_bv=0.9,
        channel_gains=(0.3, 1.0, 2.0),
        stars=stars_at([50.0], [20.0], [9.0], [0.9]),
    )
    fluxes = np.array([made.truth[f"flux_{c}"][0] for c in "rgb"])
    np.testing.assert_allclose(made.gains_true * fluxes, fluxes[1], rtol=1e-12)


def test_true_slopes_are_those_of_the_stars():
    made = one_star(stars=stars_at([50.0, 50.003], [20.0, 20.003], [9.0, 9.0], [0.64, 0.66]))
    by_colour = made.truth[np.argsort(made.truth["bv_mag"])]
    for channel, slope in zip("rb", made.slopes_true, strict=True):
        mags = -2.5 * np.log10(by_colour[f"flux_{channel}"] / by_colour["flux_g"])
        assert np.diff(mags)[0] / 0.02 == pytest.approx(
            slope, abs=1e-3
        )  # a difference for a derivative


def test_catalogue_noise_flattens_slopes_as_in_nature():
    # errors about the truth: slope of truth on observed = var(true) / var(observed) = 0.925 for 0.10 against 0.35
    # (Fuller 1987, section 1.1); with n = 40,000 the slope is known to 0.1 / 0.364 / 200 = 0.0014
    rng = np.random.default_rng(1)
    observed = rng.normal(0.75, np.hypot(0.35, 0.10), 40_000)
    true = sky.true_colours(observed, np.full(40_000, 0.10), (0.75, 0.35), rng)
    assert np.polyfit(observed, true, 1)[0] == pytest.approx(
        0.35**2 / (0.35**2 + 0.1**2), abs=0.006
    )
    assert true.std() == pytest.approx(0.35, abs=0.005)
    assert np.std(observed - true) == pytest.approx(0.10, abs=0.002)
    assert (
        abs(np.corrcoef(observed - true, true)[0, 1]) < 0.02
    )  # classical: the error knows nothing of the truth


def test_colours_of_stars_without_catalogue_colour_come_from_the_field():
    rng = np.random.default_rng(1)
    true = sky.true_colours(np.full(10_000, np.nan), np.full(10_000, 0.1), (0.4, 0.2), rng)
    assert true.mean() == pytest.approx(0.4, abs=4 * 0.002)
    assert true.std() == pytest.approx(0.2, abs=4 * 0.0015)


def test_catalogue_noise_zero_takes_the_catalogue_for_the_truth():
    stars = scattered_stars(305.6, 40.3, 0.1, 30)
    clean, noisy = (
        make_scene(
            shape=(100, 120), faint_to_mag=None, catalogue_noise=factor, stars=stars
        ).truth
        for factor in (0, 1)
    )
    inside = np.abs(clean["bv_catalogue_mag"] - 0.75) < 1.05  # the spectra's range
    np.testing.assert_allclose(
        clean["bv_mag"][inside], clean["bv_catalogue_mag"][inside], atol=1e-12
    )
    assert np.std(noisy["bv_mag"] - noisy["bv_catalogue_mag"]) > 0.01


@pytest.mark.parametrize("scatter", ["gaussian", "spectra"])
def test_scatter_about_the_mean_relation(scatter):
    rng = np.random.default_rng(2)
    bv_mag = rng.uniform(0, 1.2, 20_000)
    bands = ("camera_R", "camera_G", "camera_B")
    mean = spectra.band_mags(bands, bv_mag, "none", rng)
    excess = spectra.band_mags(bands, bv_mag, scatter, rng) - mean
    rms = [np.std(excess[:, channel] - excess[:, 1]) for channel in (0, 2)]
    assert (
        0.005 < rms[0] < 0.05
    )  # published range of intrinsic scatter 0.013 to 0.048, a factor for the sample
    assert 0.005 < rms[1] < 0.05


def test_spectra_bring_the_lines_of_a_stars():
    # H-alpha absorption: through 3 nm an A0 star has 1.31 times as much at 672 as at 656 nm, a K0 giant 1.07
    # (photon ratios of the library, +-0.02); neighbours in B-V (B9 to A3) spread by 0.08
    rng = np.random.default_rng(3)
    for bv_mag, ratio in ((0.03, 1.31), (0.98, 1.07)):
        mags = spectra.band_mags(("H3", "S3"), np.full(500, bv_mag), "spectra", rng)
        assert np.median(10 ** (-0.4 * (mags[:, 1] - mags[:, 0]))) == pytest.approx(
            ratio, abs=0.08
        )


def test_channels_of_one_exposure_are_copies():
    hoo, copy = one_star(system="HOO", nebula_electrons=1e4), one_star(system="copy")
    np.testing.assert_array_equal(hoo.pixels[1], hoo.pixels[2])
    assert not np.array_equal(hoo.pixels[0], hoo.pixels[1])
    np.testing.assert_array_equal(copy.pixels[0], copy.pixels[2])
    np.testing.assert_allclose(copy.slopes_true, 0, atol=1e-12)


# --- fainter than the catalogue ---------------------------------------------------------


def test_invented_stars_continue_the_counts():
    stars = scattered_stars(50.0, 20.0, 0.9, 400)
    made = make_scene(
        ra_deg=50.0,
        dec_deg=20.0,
        shape=(800, 1200),
        scale_arcsec=3.0,
        faint_to_mag=15.0,
        stars=stars,
    )
    known = np.sum(made.truth["in_catalogue"] & (made.truth["v_mag"] < 11))
    for limit_mag in (13.0, 14.0, 15.0):
        expected = known * 10 ** (0.35 * (limit_mag - 11))
        assert abs(np.sum(made.truth["v_mag"] < limit_mag) - expected) < 4 * np.sqrt(
            expected
        )  # Poisson
    invented = made.truth[~made.truth["in_catalogue"]]
    assert np.all(np.isnan(invented["bv_catalogue_mag"]))
    assert invented["v_mag"].min() > 11
    assert made.truth["v_mag"].max() < 15


def test_no_invented_stars_unless_asked():
    assert len(one_star().truth) == 1


# --- nebulae ----------------------------------------------------------------------------


def test_turbulence_has_the_power_spectrum_asked_for():
    field = turbulence((512, 512), np.random.default_rng(5), slope=3.0, fwhm_px=0.1)
    window = np.outer(np.hanning(512), np.hanning(512))
    power = np.abs(np.fft.rfft2(field * window)) ** 2
    k = np.hypot(np.fft.fftfreq(512)[:, None], np.fft.rfftfreq(512))
    inside = (k > 0.02) & (k < 0.3)
    bins = np.linspace(np.log(0.02), np.log(0.3), 12)
    which = np.digitize(np.log(k[inside]), bins)
    mean = [np.log(power[inside][which == i].mean()) for i in range(1, 12)]
    assert np.polyfit((bins[1:] + bins[:-1]) / 2, mean, 1)[0] == pytest.approx(
        -3.0, abs=0.15
    )  # k^-3, sampling


def test_lines_of_a_nebula_differ_and_are_light():
    lines = nebula_lines((150, 200), np.random.default_rng(6), 3.0)
    assert all(line.min() >= 0 and line.dtype == np.float32 for line in lines.values())
    assert all(
        np.percentile(line, 99.5) == pytest.approx(1, abs=0.05) for line in lines.values()
    )
    assert np.corrcoef(lines["H"].ravel(), lines["O"].ravel())[0, 1] < 0.95


# --- settings ---------------------------------------------------------------------------


def test_catalogue_stars_are_asked_for_at_the_epoch_of_the_frame(monkeypatch):
    asked = {}
    monkeypatch.setattr(
        sky, "cone", lambda *where, epoch_yr: asked.update(where=where, epoch_yr=epoch_yr)
    )
    sky.stars_of_sky(
        Setup(
            ra_deg=10.0, dec_deg=-5.0, shape=(300, 400), scale_arcsec=7.2, date_obs="2024-09-14"
        )
    )
    # day 258 of 366 of 2024; the half diagonal is 250 px = 0.5 deg, and a little more is taken
    assert asked["epoch_yr"] == pytest.approx(2024 + 257 / 366, abs=0.005)
    assert asked["where"] == (10.0, -5.0, pytest.approx(0.505, abs=0.01))
    assert sky.mjd("2000-01-01T12:00:00") == 51544.5  # J2000 by definition


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg"), [(305.6, 40.3), (0.0, 5.0), (30.0, 89.8), (83.8, -5.4)]
)
def test_stars_of_the_embedded_catalogue_are_in_the_frame(ra_deg, dec_deg):
    made = make_scene(
        ra_deg=ra_deg, dec_deg=dec_deg, shape=(400, 600), scale_arcsec=6.0, faint_to_mag=None
    )
    assert np.all(made.truth["in_catalogue"])
    # Tycho-2 has 25 (galactic poles) to 128 stars per square degree; this is 0.67: 10 is below any field
    assert len(made.truth) > 10
    corners = made.truth["x_px"].min(), 599 - made.truth["x_px"].max(), made.truth["y_px"].min()
    assert np.all(np.array(corners) < 120)  # no side of the frame is left empty


def test_same_seed_same_frame():
    settings = {
        "nebula_electrons": 1e4,
        "shape": (100, 120),
        "stars": scattered_stars(305.6, 40.3, 0.1, 30),
    }
    first, again, other = (make_scene(seed=seed, **settings) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first.pixels, again.pixels)
    for column in first.truth.colnames:
        np.testing.assert_array_equal(
            first.truth[column], again.truth[column]
        )  # NaN equals NaN here
    assert not np.array_equal(first.pixels, other.pixels)
    assert first.pixels.dtype == np.float32


@pytest.mark.parametrize(
    ("wrong", "message", "cure"),
    [
        ({"system": "RGB"}, "system 'RGB' is none of camera, mono, SHO", {"system": "camera"}),
        ({"width_nm": 12}, "width_nm 12 is none of 3, 5, 7", {"width_nm": 7}),
        (
            {"scatter": True},
            "scatter True is none of gaussian, spectra, none",
            {"scatter": "none"},
        ),
        (
            {"shape": (31, 400)},
            r"shape \(31, 400\) is too small: at least \(32, 32\)",
            {"shape": (32, 32)},
        ),
        (
            {"fwhm_px": (3, 3, 0)},
            r"fwhm_px \(3, 3, 0\) is too small: at least 1 pixel",
            {"fwhm_px": (3, 3, 1)},
        ),
        (
            {"moffat_beta": 1.0},
            "moffat_beta 1.0 holds infinite light: above 1, or None",
            {"moffat_beta": None},
        ),
    ],
)
def test_settings_that_make_no_frame_are_refused(wrong, message, cure):
    with pytest.raises(ValueError, match=message):
        one_star(**wrong)
    assert np.isfinite(one_star(**cure).pixels).all()


@pytest.mark.campaign
def test_demo_scenes(monkeypatch):
    monkeypatch.setattr(
        sky,
        "stars_of_sky",
        lambda setup: scattered_stars(setup.ra_deg, setup.dec_deg, 0.5, 80),
    )
    demos = dict(examples.demo_scenes())
    assert len(demos) == 5
    assert [stem for stem, made in demos.items() if not WCS(made.header).has_celestial] == [
        "orion-unsolved"
    ]
    assert {made.setup.system for made in demos.values()} == {"camera", "mono", "SHO"}
    for made in demos.values():
        assert made.pixels.shape == (
            (3, 560, 800) if made is demos["cepheus-stars"] else (3, 700, 1000)
        )
        assert made.pixels.min() >= 0
        assert made.pixels.max() <= 1


@pytest.mark.slow
def test_the_demo_star_frame_shows_the_stars_of_the_narrowband_frame():
    demos = dict(examples.demo_scenes())
    nebula, stars = (
        {
            (row["ra_deg"], row["dec_deg"], row["v_mag"]): row["bv_mag"]
            for row in demos[name].truth
        }
        for name in ("cepheus-sho", "cepheus-stars")
    )
    assert set(stars) < set(nebula)
    np.testing.assert_allclose(
        list(stars.values()), [nebula[star] for star in stars], atol=1e-9
    )  # mag, rounding


def test_setup_is_evidence():
    assert one_star(seed=9).setup.seed == 9
    assert Setup(system="HOS", width_nm=5).bands == ("H5", "O5", "S5")
