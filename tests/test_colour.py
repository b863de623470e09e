"""starcal.colour against published tables, an independent colorimetry library and stellar
spectra."""

import csv
import importlib.util
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from starcal import colour
from starcal.colour import stellar

REFERENCE = Path(__file__).parent / "reference"
SHARED = Path(__file__).parents[2] / "shared" / "catalogue"
bv_mags = st.floats(-2, 4)
whites = st.one_of(st.none(), st.floats(0.3, 1.0))


def read_rows(name):
    with open(REFERENCE / name) as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    text = {"type", "name", "hex"}
    return {
        key: np.array([row[key] if key in text else float(row[key]) for row in rows])
        for key in rows[0]
    }


def from_hex(code):
    return np.array([int(code[i : i + 2], 16) for i in (0, 2, 4)])


def levels(rgb):
    """8-bit display values, brightest channel 255."""
    return 255 * colour.srgb_encode(rgb / rgb.max(axis=-1, keepdims=True))


@pytest.fixture(scope="module")
def science():
    with warnings.catch_warnings():
        warnings.filterwarnings(
            "ignore", module=r"colour\b"
        )  # says that optional packages of its own are missing
        warnings.filterwarnings("ignore", message=".*related API features are not available.*")
        import colour as science
    return science


def test_lab_is_that_of_a_colour_library(science):
    """Six digits: the matrices of primaries differ by rounding; black, dark and light colours."""
    rgb = np.random.default_rng(1).uniform(0, 1, (60, 3)) ** 4
    rgb[0] = 0
    white = science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    expected = science.XYZ_to_Lab(stellar.rgb_to_xyz(rgb), white)
    np.testing.assert_allclose(stellar.rgb_to_lab(rgb), expected, atol=1e-4)


@pytest.fixture(scope="module")
def observer(science):
    """Wavelength, nm, and the CIE 1931 functions at 1 nm."""
    functions = science.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return functions.wavelengths, functions.values


@pytest.fixture(scope="module")
def black_body_uv(observer):
    """CIE 1960 u, v of black bodies by Planck's law, c2 as in Robertson 1968."""
    wave_m, functions = observer[0] * 1e-9, observer[1]

    def uv(teff_k):
        x, y, z = (wave_m**-5 / np.expm1(1.4388e-2 / (wave_m * teff_k))) @ functions
        return np.array([4 * x, 6 * y]) / (x + 15 * y + 3 * z)

    return lambda teff_k: np.array([uv(t) for t in teff_k])


# ---- chromaticity --------------------------------------------------------------------------------


def test_planckian_locus_is_that_of_robertson_1968():
    rows = read_rows("planckian_locus.csv")
    expected = np.stack([rows["u"], rows["v"]], axis=-1)
    np.testing.assert_allclose(
        colour.planckian_uv(rows["teff_k"]), expected, atol=1e-5
    )  # its last digit


def test_every_row_of_the_locus_is_a_black_body(black_body_uv):
    mired = stellar._LOCUS[1:, 0]
    # 1e-5 u, v: half a unit of the table's last digit, and its 5-nm sums
    np.testing.assert_allclose(
        colour.planckian_uv(1e6 / mired), black_body_uv(1e6 / mired), atol=1e-5
    )
    np.testing.assert_allclose(colour.planckian_uv(np.inf), black_body_uv([1e9])[0], atol=1e-5)


def test_between_the_rows_the_locus_is_a_chord(black_body_uv):
    teff_k = np.geomspace(1001, 90000, 150)
    # 3e-4 u, v: a twentieth of the smallest distance that is judged, POSSIBLE_DUV
    np.testing.assert_allclose(colour.planckian_uv(teff_k), black_body_uv(teff_k), atol=3e-4)


def test_no_black_body_below_1000_k():
    assert np.isnan(colour.planckian_uv([999.0, 0.0, -5.0, np.nan])).all()


def test_illuminants(science, observer):
    rows = read_rows("illuminants.csv")
    for name, *expected in zip(rows["name"], rows["x"], rows["y"], strict=True):
        spectrum = science.SDS_ILLUMINANTS[name]
        power = np.interp(observer[0], spectrum.wavelengths, spectrum.values, right=0)
        # 1e-4: the tables stand at 5 or 10 nm, and the standard sums to 780 nm
        np.testing.assert_allclose(
            colour.xyz_to_xy(power @ observer[1]), expected, atol=1e-4, err_msg=name
        )


def test_matrix_is_that_of_the_standard():
    standard = [
        [3.2406, -1.5372, -0.4986],
        [-0.9689, 1.8758, 0.0415],
        [0.0557, -0.2040, 1.0570],
    ]  # IEC 61966-2-1
    # 5e-4: the standard inverted a matrix rounded to four digits
    np.testing.assert_allclose(colour.xyz_to_rgb(np.eye(3)).T, standard, atol=5e-4)


def test_white_is_d65():
    np.testing.assert_allclose(
        colour.rgb_to_xyz([1, 1, 1]), [0.950456, 1, 1.089058], atol=1e-6
    )  # ITU-R BT.709 white
    np.testing.assert_allclose(
        colour.xyz_to_xy(colour.rgb_to_xyz([1, 1, 1])), [0.3127, 0.3290], atol=1e-12
    )


def test_luminance_weights_are_those_of_bt_709():
    np.testing.assert_allclose(colour.LUMINANCE_WEIGHTS, [0.2126, 0.7152, 0.0722], atol=5e-5)


def test_transfer_function_of_the_standard(science):
    # IEC 61966-2-1, formula by hand; 1e-5 for the rounded constants
    np.testing.assert_allclose(
        colour.srgb_encode([0.0031308, 0.18, 0.5]), [0.04045, 0.461356, 0.735357], atol=1e-5
    )
    linear = np.linspace(0, 1, 1001)
    np.testing.assert_allclose(
        colour.srgb_encode(linear), science.cctf_encoding(linear, function="sRGB"), atol=1e-9
    )
    np.testing.assert_allclose(
        colour.srgb_decode(linear), science.cctf_decoding(linear, function="sRGB"), atol=1e-9
    )


def test_conversions_agree_with_an_independent_library(science):
    rgb = np.random.default_rng(3).uniform(0.01, 1, (200, 3))
    xyz = science.sRGB_to_XYZ(rgb, apply_cctf_decoding=False)
    np.testing.assert_allclose(
        colour.rgb_to_xyz(rgb), xyz, atol=5e-4
    )  # its matrix has four digits
    xy = science.XYZ_to_xy(colour.rgb_to_xyz(rgb))
    np.testing.assert_allclose(colour.xyz_to_xy(colour.rgb_to_xyz(rgb)), xy, atol=1e-12)
    np.testing.assert_allclose(colour.xy_to_uv_prime(xy), science.xy_to_Luv_uv(xy), atol=1e-12)
    np.testing.assert_allclose(
        colour.rgb_to_uv_prime(rgb), science.xy_to_Luv_uv(xy), atol=1e-12
    )


@given(st.lists(st.floats(0.001, 100), min_size=3, max_size=3))
def test_conversions_undo_each_other(rgb):
    np.testing.assert_allclose(
        colour.xyz_to_rgb(colour.rgb_to_xyz(rgb)), rgb, rtol=1e-9, atol=1e-9
    )
    xy = colour.xyz_to_xy(colour.rgb_to_xyz(rgb))
    np.testing.assert_allclose(colour.uv_prime_to_xy(colour.xy_to_uv_prime(xy)), xy, atol=1e-12)
    np.testing.assert_allclose(colour.xyz_to_xy(colour.xy_to_xyz(xy)), xy, atol=1e-12)
    np.testing.assert_allclose(
        colour.srgb_decode(colour.srgb_encode(rgb)), rgb, rtol=1e-6, atol=1e-7
    )


def test_encoding_keeps_float32_nan_and_sign():
    encoded = colour.srgb_encode(np.array([0.2, np.nan, -0.001], np.float32))
    assert encoded.dtype == np.float32
    assert np.isnan(encoded[1])
    assert encoded[2] == pytest.approx(-0.01292)
    assert colour.srgb_encode(1) == pytest.approx(1)  # integers are light too


def test_luminance_of_colours_and_of_pictures():
    picture = np.random.default_rng(0).uniform(0, 1, (3, 4, 5)).astype(np.float32)
    by_hand = 0.2126 * picture[0] + 0.7152 * picture[1] + 0.0722 * picture[2]  # ITU-R BT.709
    np.testing.assert_allclose(colour.luminance(picture, axis=0), by_hand, atol=1e-4)
    np.testing.assert_allclose(
        colour.luminance(np.moveaxis(picture, 0, -1)), by_hand, atol=1e-4
    )
    assert colour.luminance(picture, axis=0).dtype == np.float32


def test_distance_is_in_uv_prime_and_ignores_brightness():
    red, green = [1.0, 0, 0], [0, 1.0, 0]
    # u', v' of the primaries from their x, y in IEC 61966-2-1: (.4507, .5229), (.1250, .5625)
    assert colour.uv_prime_distance(red, green) == pytest.approx(
        np.hypot(0.3257, 0.0396), abs=1e-4
    )
    assert colour.uv_prime_distance([0.1, 0.2, 0.3], [1, 2, 3]) == pytest.approx(0, abs=1e-12)
    assert np.isnan(colour.uv_prime_distance([0, 0, 0], [1, 1, 1]))


# ---- temperature ---------------------------------------------------------------------------------


# ---- real stars ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def spectra():
    """Colours of the Pickles spectra O to M2: those that the relation claims to describe."""
    rows = read_rows("pickles_colours.csv")
    late_m = np.array(
        [name[0] == "m" and (name[1] > "2" or name[:3] == "m10") for name in rows["type"]]
    )
    chosen = (rows["bv_mag"] > -0.37) & (rows["bv_mag"] < 1.5) & ~late_m
    return {key: values[chosen] for key, values in rows.items()}


def test_colours_of_real_stars_match_their_spectra(spectra):
    # The relation was fitted to these spectra with B-V from the same spectra; here B-V is the
    # published one, which differs by 0.01 to 0.03 mag. So: rms .047 and .020 mag of the fit,
    # widened by .03 mag times the slope (.56, .92).
    rgb = np.stack([spectra["r"], spectra["g"], spectra["b"]], axis=-1)
    rho, beta = colour.real_star_log_ratios(spectra["bv_mag"])
    rho_error = -2.5 * np.log10(rgb[:, 0] / rgb[:, 1]) - rho
    beta_error = -2.5 * np.log10(rgb[:, 2] / rgb[:, 1]) - beta
    assert len(rgb) > 80
    assert np.sqrt(np.mean(rho_error**2)) < np.hypot(0.047, 0.017)
    assert np.sqrt(np.mean(beta_error**2)) < np.hypot(0.020, 0.028)
    # u'v' .005: a pair side by side is just told apart
    assert (
        np.sqrt(np.mean(colour.uv_prime_distance(rgb, colour.star_rgb(spectra["bv_mag"])) ** 2))
        < 0.005
    )


def test_colours_match_an_independent_palette():
    rows = read_rows("star_palette.csv")
    for name, bv_mag, code in zip(rows["type"], rows["bv_mag"], rows["hex"], strict=True):
        # 16 levels: the other colour matching functions (up to 12) and .05 mag of luminosity class
        # (2 % of 255)
        np.testing.assert_allclose(
            levels(colour.star_rgb(bv_mag)), from_hex(code), atol=16, err_msg=name
        )


def test_reference_colours_match_an_independent_palette():
    ours, theirs = read_rows("pickles_colours.csv"), read_rows("star_palette.csv")
    for name, code in zip(theirs["type"], theirs["hex"], strict=True):
        row = list(ours["type"]).index(name.lower())
        rgb = np.array([ours[channel][row] for channel in "rgb"])
        np.testing.assert_allclose(
            levels(rgb), from_hex(code), atol=19, err_msg=name
        )  # CIE 1931 against Judd-Vos


def test_reference_colours_can_be_made_again():
    if not (SHARED / "reference_pickles1998.npz").exists():
        pytest.skip(
            "no ../shared/catalogue/reference_pickles1998.npz: the spectra are not part of the "
            "project"
        )
    spec = importlib.util.spec_from_file_location(
        "make_pickles_colours", REFERENCE / "make_pickles_colours.py"
    )
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    assert maker.table() == (REFERENCE / "pickles_colours.csv").read_text()


def test_colours_beyond_the_range_are_those_of_its_ends():
    np.testing.assert_array_equal(
        colour.star_rgb([-9, 9]), colour.star_rgb(colour.BV_RANGE_MAG)
    )
    assert np.isnan(colour.star_rgb(np.nan)).all()


@given(bv_mags, whites)
def test_star_has_luminance_one(bv_mag, neutral_bv_mag):
    assert colour.luminance(colour.star_rgb(bv_mag, neutral_bv_mag)) == pytest.approx(1)


@given(st.floats(-0.37, 1.5))
def test_star_of_the_neutral_star_is_neutral(bv_mag):
    np.testing.assert_allclose(colour.star_rgb(bv_mag, bv_mag), 1, rtol=1e-12)


@given(bv_mags, st.sampled_from([None, 0.65]))
def test_no_star_is_green_cyan_or_purple(bv_mag, neutral_bv_mag):
    # Harre & Heller 2021, AN 342, 578. Tolerances: D65 is itself a little green of the locus, so
    # that F stars have G up to 6 % below R and B; by a solar white G stands up to 3 % above.
    red, green, blue = colour.star_rgb(bv_mag, neutral_bv_mag)
    assert min(red, blue) * 0.94 <= green <= max(red, blue) * 1.03
    assert colour.classify([red, green, blue], neutral_bv_mag) == "possible"


def test_redder_b_minus_v_is_redder():
    rgb = colour.star_rgb(np.linspace(*colour.BV_RANGE_MAG, 100))
    assert (np.diff(rgb[:, 0] / rgb[:, 1]) > 0).all()
    assert (np.diff(rgb[:, 2] / rgb[:, 1]) < 0).all()


# ---- possible and impossible ---------------------------------------------------------------------


def test_duv_is_that_of_ohno_2013(science):
    random = np.random.default_rng(1)
    teff_k, expected = random.uniform(1800, 25000, 100), random.uniform(-0.02, 0.02, 100)
    pairs = np.stack([teff_k, expected], axis=-1)
    uv = np.array([science.temperature.CCT_to_uv_Ohno2013(pair) for pair in pairs])
    rgb = colour.xyz_to_rgb(colour.xy_to_xyz(colour.uv_prime_to_xy(uv * (1, 1.5))))
    # 2e-4: chords of the locus; a thirtieth of POSSIBLE_DUV
    np.testing.assert_allclose(colour.duv(rgb), expected, atol=2e-4)


def test_duv_of_d65():
    assert colour.duv([1, 1, 1]) == pytest.approx(0.0032, abs=2e-4)  # the usual figure for D65


def test_real_spectra_are_possible(spectra):
    rgb = np.stack([spectra["r"], spectra["g"], spectra["b"]], axis=-1)
    assert set(colour.classify(rgb)) == {"possible"}
    assert np.abs(colour.green_index(rgb)).max() < 0.2


def test_late_m_stars_may_be_greener_where_the_catalogue_says_red():
    rows = read_rows("pickles_colours.csv")
    dwarf = list(rows["type"]).index("m6v")
    rgb = [rows[channel][dwarf] for channel in "rgb"]
    assert colour.classify(rgb) == "suspicious"
    assert colour.classify(rgb, bv_mag=rows["bv_mag"][dwarf]) == "possible"
    assert colour.classify(rgb, bv_mag=0.6) == "suspicious"
    assert colour.classify(rgb, bv_mag=np.nan) == "suspicious"


@pytest.mark.parametrize("neutral_bv_mag", [None, 0.65])
@pytest.mark.parametrize(
    ("gain", "verdict"),
    [
        (1.0, "possible"),
        (1.05, "possible"),
        (1.18, "suspicious"),
        (0.85, "suspicious"),
        (1.28, "green"),
        (0.77, "magenta"),
    ],
)
def test_wrong_green_gain_is_seen(gain, verdict, neutral_bv_mag):
    star = colour.star_rgb([0.4, 0.65, 1.0], neutral_bv_mag) * (1, gain, 1)
    assert set(colour.classify(star, neutral_bv_mag)) == {verdict}


@pytest.mark.parametrize(
    ("rgb", "name"),
    [
        ((0, 1, 0), "green"),
        ((0.1, 1, 1), "green"),
        ((1, 0, 1), "magenta"),
        ((0.6, 0.1, 1), "magenta"),
        ((0, 0, 1), "blue"),
        ((1, 0, 0), "possible"),
        ((0, 0, 0), "unknown"),
        ((np.nan, 1, 1), "unknown"),
    ],
)
def test_plain_colours(rgb, name):
    assert colour.classify(rgb) == name


@given(st.floats(-0.3, 1.5), whites)
def test_duv_does_not_depend_on_the_neutral_star(bv_mag, neutral_bv_mag):
    seen, plain = colour.star_rgb(bv_mag, neutral_bv_mag), colour.star_rgb(bv_mag)
    assert colour.duv(seen, neutral_bv_mag) == pytest.approx(colour.duv(plain), abs=1e-9)
    assert colour.green_index(seen, neutral_bv_mag) == pytest.approx(
        colour.green_index(plain), abs=1e-9
    )


@given(st.floats(-0.3, 1.5), st.floats(0.5, 2))
def test_green_index_adds_the_gain_in_magnitudes(bv_mag, gain):
    star = colour.star_rgb(bv_mag)
    change = colour.green_index(star * (1, gain, 1)) - colour.green_index(star)
    assert change == pytest.approx((0.8547 + 0.5191) * 2.5 * np.log10(gain), abs=1e-9)


def test_green_index_goes_with_duv(spectra):
    rgb = np.stack([spectra["r"], spectra["g"], spectra["b"]], axis=-1)
    gain = np.linspace(0.8, 1.25, len(rgb))[:, np.newaxis] ** [0, 1, 0]
    slope = np.polyfit(colour.green_index(rgb * gain), colour.duv(rgb * gain), 1)[0]
    assert slope == pytest.approx(0.0346, abs=0.003)  # the docstring's figure, within 10 %


def test_green_index_has_no_answer_for_a_dead_channel():
    assert np.isnan(colour.green_index([[1, 0, 1], [1, -0.1, 1], [np.nan, 1, 1]])).all()


def test_shapes_are_kept():
    rgb = colour.star_rgb(np.full((4, 5), 0.6))
    assert rgb.shape == (4, 5, 3)
    assert (
        colour.duv(rgb).shape
        == colour.classify(rgb).shape
        == colour.green_index(rgb).shape
        == (4, 5)
    )
    assert colour.star_rgb([]).shape == (0, 3)
    assert colour.classify(np.empty((0, 3))).shape == (0,)
