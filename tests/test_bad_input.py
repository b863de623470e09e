"""Bad files end in one clear line, and take neither minutes nor memory."""

import json
import os
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.table import Table

from starcal.catalogue.columns import RIVAL_MAG, has_neighbour
from starcal.catalogue.own_table import read_own_table
from starcal.choices import read_settings
from starcal.errors import CatalogueIncomplete, FrameError, SettingsError, StarcalError
from starcal.fit.responses import read_terms
from starcal.frame import read_frame, require_wcs, up_to_megapixels
from starcal.frame.cards import pixel_sides_arcsec, require_sane_lengths, wcs_fault
from starcal.frame.wcs_files import read_wcs_header, stated_size
from starcal.stars import measure_stars

FAULTS = Path(__file__).parents[1] / ".." / "shared" / "faults"

SOLVED = {
    "CTYPE1": "RA---TAN",
    "CTYPE2": "DEC--TAN",
    "CRVAL1": 305.6,
    "CRVAL2": 40.3,
    "CRPIX1": 20.5,
    "CRPIX2": 15.5,
    "CD1_1": -0.0008,
    "CD1_2": 0.0,
    "CD2_1": 0.0,
    "CD2_2": 0.0008,
}


def header_with(**cards):
    header = fits.Header()
    for name, value in (SOLVED | cards).items():
        header[name] = value
    return header


def written(path, **cards):
    rng = np.random.default_rng(1)
    pixels = rng.normal(0.1, 0.01, (3, 30, 40)).astype(np.float32)
    fits.PrimaryHDU(pixels, header_with(**cards)).writeto(path)
    return path


def with_card(path, name, text):
    """The file with the text of a card's value changed, as no library would write it."""
    data = path.read_bytes()
    at = data.index(f"{name:8}=".encode())
    path.write_bytes(data[: at + 10] + f"{text:>20}".encode() + data[at + 30 :])
    return path


# --- headers ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cards", "words"),
    [
        ({"A_ORDER": 3000}, "a whole A_ORDER from 0 to 9"),
        ({"B_ORDER": "two"}, "a whole B_ORDER"),
        ({"WCSAXES": 65536}, "a whole WCSAXES from 1 to 9"),
        ({"CRVAL1": "305.6"}, "a finite CRVAL1"),
        ({"CRPIX2": -1e300}, "a CRPIX2 within"),
        ({"CD1_1": 65536.0}, "degrees a pixel"),
        ({"CD2_2": 1e308}, "degrees a pixel"),
        ({"CD1_1": -2.9, "CD2_2": 2.9}, "degrees a pixel"),  # arcsec, taken for degrees
        ({"CD1_1": 0.0, "CD2_2": 0.0}, "degrees a pixel"),
    ],
)
def test_a_wcs_that_cannot_be_is_told_by_its_card(tmp_path, cards, words):
    assert words in wcs_fault(header_with(**cards))
    frame = read_frame(written(tmp_path / "frame.fits", **cards))
    assert frame.wcs is None
    assert words in " ".join(frame.wcs_missing)


@pytest.mark.parametrize("terms", [{"A_9_0": 1e300}, {"B_0_2": -1e200}, {"A_1_1": 1e5}])
def test_distortion_that_no_lens_has_is_refused(tmp_path, terms):
    """Found by the fuzzer: places beside the middle were no numbers."""
    frame = read_frame(written(tmp_path / "frame.fits", A_ORDER=9, B_ORDER=9, **terms))
    assert frame.wcs is None
    assert "move no pixel" in " ".join(frame.wcs_missing)


def test_a_good_wcs_has_no_fault():
    assert wcs_fault(header_with()) is None
    assert pixel_sides_arcsec(header_with()) == pytest.approx((2.88, 2.88))


def test_sides_by_cdelt_and_pc_are_those_of_astropy():
    """A pixel twice as wide as high, turned by 30 degrees."""
    cosine, sine = np.cos(np.pi / 6), np.sin(np.pi / 6)
    header = fits.Header(
        {
            "CDELT1": 0.002,
            "CDELT2": 0.001,
            "PC1_1": cosine,
            "PC1_2": -sine * 0.5,
            "PC2_1": sine * 2,
            "PC2_2": cosine,
        }
    )
    assert pixel_sides_arcsec(header) == pytest.approx((7.2, 3.6))


def test_a_pc_matrix_beside_cd_does_not_count(tmp_path):
    plain = read_frame(written(tmp_path / "plain.fits"))
    stray = read_frame(written(tmp_path / "stray.fits", PC1_1=4294967296))
    np.testing.assert_allclose(
        stray.wcs.pixel_to_world_values(3, 4), plain.wcs.pixel_to_world_values(3, 4)
    )
    assert any("CD is used" in note for note in stray.notes)


def test_a_pc_matrix_said_twice_beside_cd_does_not_count(tmp_path):
    path = written(tmp_path / "twice.fits", PC1_1=3.0, SPARE=4.0)
    path.write_bytes(path.read_bytes().replace(b"SPARE   =", b"PC1_1   ="))
    assert read_frame(path).wcs is not None


@pytest.mark.parametrize("spoilt", ["= '\x1b[31m", "  'RA---TAN'"])
@pytest.mark.parametrize("name", ["CD2_2", "CTYPE1", "B_ORDER"])
def test_a_card_of_a_wcs_file_that_nobody_can_read_is_named(tmp_path, name, spoilt):
    """Found by the fuzzer: an opening quote without its end, characters that FITS forbids, and a
    value without the sign of one."""
    cards = "".join(str(card) for card in header_with(A_ORDER=2, B_ORDER=2, A_2_0=1e-6).cards)
    at = cards.index(f"{name:8}=") + 8
    text = (cards[:at] + spoilt.ljust(72) + cards[at + 72 :]).encode() + b"END".ljust(80)
    (tmp_path / "solution.wcs").write_bytes(text.ljust(-(-len(text) // 2880) * 2880))
    frame = written(tmp_path / "frame.fits")
    with pytest.raises(FrameError, match=f"a {name} that can be read|{name} missing"):
        require_wcs(read_frame(frame, wcs=tmp_path / "solution.wcs"))


@pytest.mark.parametrize("value", [1e35, -1e30, np.inf])
def test_pixels_brighter_than_any_light_are_no_data(tmp_path, value):
    """Found by the fuzzer: squares of such numbers overflow."""
    path = written(tmp_path / "frame.fits")
    pixels = fits.getdata(path)
    pixels[0, 3, 4] = value
    pixels[2, 5, 6:9] = value
    fits.writeto(path, pixels, fits.getheader(path), overwrite=True)
    frame = read_frame(path)
    assert np.isnan(frame.pixels).sum() == 4
    assert any("4 of 3600 pixel values" in note for note in frame.notes)


def test_a_channel_of_almost_nothing_does_no_harm():
    """Found by the fuzzer: one over its noise is beyond single precision."""
    rng = np.random.default_rng(4)
    pixels = rng.normal(0.1, 0.01, (3, 64, 64)).astype(np.float32)
    pixels[1] *= np.float32(1e-37)
    stars = measure_stars(pixels)
    assert np.isfinite(stars["flux_G"]).all()


@pytest.mark.parametrize(
    ("name", "text"), [("NAXIS", "2147483647"), ("NAXIS", "-1"), ("NAXIS2", "1E400")]
)
def test_counts_that_nobody_can_count_are_refused_before_the_file_is_read(tmp_path, name, text):
    path = with_card(written(tmp_path / "frame.fits"), name, text)
    with pytest.raises(FrameError, match=f"its {name} is {text}, a whole number"):
        read_frame(path)


def test_a_later_header_is_judged_too(tmp_path):
    path = tmp_path / "three.fits"
    plane = np.ones((30, 40), np.float32)
    planes = [fits.ImageHDU(plane, name=name) for name in "RGB"]
    fits.HDUList([fits.PrimaryHDU(), *planes]).writeto(path)
    require_sane_lengths(path)
    data = path.read_bytes()
    at = data.rindex(b"NAXIS   =")
    path.write_bytes(data[: at + 10] + f"{10**9:>20}".encode() + data[at + 30 :])
    with pytest.raises(FrameError, match="its NAXIS is 1000000000"):
        read_frame(path)


@pytest.mark.parametrize("name", ["TFIELDS", "ZNAXIS"])
def test_counts_of_a_compressed_picture_are_judged_too(tmp_path, name):
    """Found by the fuzzer: each of two thousand million fields was looked for."""
    path = tmp_path / "tiles.fits"
    cube = np.ones((3, 30, 40), np.int16)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(cube)]).writeto(path)
    require_sane_lengths(path)
    data = path.read_bytes()
    at = data.index(f"{name:8}=".encode())
    path.write_bytes(data[: at + 10] + f"{2**31 - 1:>20}".encode() + data[at + 30 :])
    with pytest.raises(FrameError, match=f"its {name} is 2147483647"):
        read_frame(path)


def test_a_wcs_file_whose_size_is_none_is_told(tmp_path):
    path = tmp_path / "solution.wcs"
    path.write_text("\n".join(f"{card}" for card in header_with(NAXIS1="wide", NAXIS2=3).cards))
    with pytest.raises(FrameError, match="NAXIS1 in the header of the WCS is 'wide'"):
        stated_size(read_wcs_header(path))


# --- pictures ---------------------------------------------------------------------------


def test_a_jpeg_that_claims_too_much_is_refused_before_it_is_decoded(tmp_path):
    import imagecodecs

    path = tmp_path / "small.jpg"
    data = imagecodecs.jpeg8_encode(np.full((64, 64, 3), 90, np.uint8))
    at = data.index(b"\xff\xc0") + 5
    path.write_bytes(data[:at] + (30000).to_bytes(2, "big") * 2 + data[at + 4 :])
    with pytest.raises(FrameError, match="promises 30000 x 30000 pixels"):
        read_frame(path)


def test_a_jpeg_of_one_colour_is_no_bomb(tmp_path):
    """What compresses best is a plain area; the limit leaves it room."""
    import imagecodecs

    path = tmp_path / "plain.jpg"
    plain = np.full((2000, 3000, 3), 90, np.uint8)
    plain[:8, :8] = 200  # a picture with one value alone is refused for that
    path.write_bytes(imagecodecs.jpeg8_encode(plain, level=30, optimize=True))
    assert read_frame(path).pixels.shape == (3, 2000, 3000)


# --- tables, settings -------------------------------------------------------------------


def test_neighbours_are_those_that_every_pair_shows():
    """500 stars of V 8 to 14 in 6 arcmin, against a look at every pair."""
    rng = np.random.default_rng(2)
    ra, dec = rng.uniform(10, 10.1, (2, 500))
    v_mag = rng.uniform(8, 14, 500)
    found = has_neighbour(ra, dec, v_mag, 10.0)
    dx = (ra[:, None] - ra) * np.cos(np.radians(dec))[:, None] * 3600
    near = np.hypot(dx, (dec[:, None] - dec) * 3600) < 10.0
    rival = v_mag[None] < v_mag[:, None] + RIVAL_MAG
    expected = (near & rival & ~np.eye(500, dtype=bool)).any(axis=1)
    assert 0.05 < expected.mean() < 0.95
    np.testing.assert_array_equal(found, expected)


@pytest.mark.slow
def test_a_table_with_30_000_stars_at_one_place_is_read(tmp_path):
    path = tmp_path / "heap.csv"
    rows = "".join(f"1.{number:010d},1,9,1\n" for number in range(30_000))
    path.write_text(f"ra,dec,v,bv\n{rows}")
    stars = read_own_table(path)
    assert len(stars.ra_deg) == 30_000
    assert stars.double.all()


@pytest.mark.parametrize(
    "text",
    [
        "ra,dec,v,bv\n10.1,40.2,11,0.5\n10.2,40.3E°,11,0.5\n",
        "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: ra, datatype: string, subtype: json}\n"
        "# - {name: dec, datatype: float64}\n# - {name: v, datatype: float64}\n"
        '# - {name: bv, datatype: float64}\nra dec v bv\n"[1]" 2 3 4\n',
    ],
)
def test_a_column_that_holds_no_numbers_is_named(tmp_path, text):
    path = tmp_path / "own.csv"
    path.write_text(text)
    with pytest.raises(CatalogueIncomplete, match="holds no numbers"):
        read_own_table(path)


@pytest.mark.parametrize("unit", ["", "h"])
def test_numbers_of_a_table_that_no_star_has_are_none(tmp_path, unit):
    """Found by the fuzzer."""
    path = tmp_path / "own.csv"
    rows = "10.1{u},40.2,11,0.5\ninf,40.2,11,0.5\n10.2{u},40.3,1e308,1e308\n10.3{u},-inf,12,1\n"
    path.write_text("ra,dec,v,bv\n" + rows.format(u=unit))
    if unit:
        with pytest.raises(CatalogueIncomplete, match="holds no numbers"):
            read_own_table(path)
    else:
        stars = read_own_table(path)
        np.testing.assert_allclose(stars.ra_deg, [10.1, 10.2])
        np.testing.assert_array_equal(np.isfinite(stars.v_mag), [True, False])


def test_complex_numbers_are_none(tmp_path):
    path = tmp_path / "own.ecsv"
    Table({"ra": [1.0], "dec": [2.0], "v": [3 + 1j], "bv": [0.5]}).write(path)
    with pytest.raises(CatalogueIncomplete, match="column v holds no numbers"):
        read_own_table(path)


@pytest.mark.parametrize("mark", ["\f", "\v", "\x1b"])
def test_marks_in_names_do_not_break_the_line(tmp_path, mark):
    path = tmp_path / "bands.csv"
    path.write_text(f"wavelength,r{mark}d,green,blue\n400,1,1,1\n500,1,1,1\n")
    with pytest.raises(StarcalError, match="has no column for red") as refused:
        read_terms(path)
    assert str(refused.value).isprintable()


@pytest.mark.parametrize("value", [-1, ["a.fits"], {"a": 1}, "a\0b", True])
def test_a_setting_of_another_kind_is_told_by_name(tmp_path, value):
    path = tmp_path / "result.json"
    path.write_text(json.dumps({"settings": {"frame": value}}))
    with pytest.raises(SettingsError, match=r"frame .* given; a text needed"):
        read_settings(path)


def read_or_refused(path):
    """Whether a file is read rightly, or refused in one line."""
    try:
        return read_frame(path).pixels.shape == (3, 112, 112)
    except FrameError as error:
        return "\n" not in str(error)


@pytest.mark.slow
@pytest.mark.skipif(not FAULTS.is_dir(), reason="no shared folder beside the checkout")
@pytest.mark.parametrize("name", ["fits-0?-*.fits", "fits2-04-*.fits", "pics-*.jpg"])
def test_files_that_broke_an_earlier_version(name):
    for path in sorted(FAULTS.glob(name)):
        assert read_or_refused(path)


# --- what is no file, what is too large -------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no such pipes")
@pytest.mark.parametrize(
    "read",
    [
        read_frame,
        read_settings,
        read_wcs_header,
        read_terms,
        lambda path: read_own_table(path, {}),
    ],
)
def test_a_pipe_is_named_and_not_waited_for(tmp_path, read):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(StarcalError, match="this is a pipe: save its content as a file"):
        read(tmp_path / "pipe")


@pytest.mark.parametrize("ending", ["png", "jpg", "tif", "fits.gz"])
def test_a_picture_beyond_the_limit_is_refused_until_it_is_lifted(tmp_path, ending):
    path = tmp_path / f"even.{ending}"
    pixels = np.full((600, 2000, 3), 9, np.uint8)
    pixels[300:330, 900:950] = 200
    if ending == "fits.gz":
        fits.PrimaryHDU(np.ascontiguousarray(np.moveaxis(pixels, 2, 0))).writeto(path)
    elif ending == "tif":
        tifffile.imwrite(path, pixels, photometric="rgb", compression="zlib")
    else:
        encode = imagecodecs.png_encode if ending == "png" else imagecodecs.jpeg_encode
        path.write_bytes(encode(pixels))
    with (
        up_to_megapixels(1.0),
        pytest.raises(FrameError, match="2000 x 600 pixels, more than 1 million") as told,
    ):
        read_frame(path)
    allowed = float(str(told.value).rpartition("--max-megapixels ")[2])
    with up_to_megapixels(allowed):  # as the message says
        assert read_frame(path).pixels.shape == (3, 600, 2000)
