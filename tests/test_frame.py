"""Reading and writing frames. Independent reader and writer: astropy.io.fits (pictures: tifffile,
imagecodecs)."""

import errno
import gzip
import io
import os
import pickle
import shlex
import signal
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.time import Time
from astropy.wcs import WCS
from astropy.wcs.utils import pixel_to_skycoord
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image, ImageOps

import starcal.frame.reading as reading_module
import starcal.frame.whole as output_module
from starcal.compose import read_channels
from starcal.errors import FrameError, NoWCSError, OutputError
from starcal.frame import (
    Frame,
    atomic_write,
    pixel_scale_arcsec,
    read_frame,
    require_wcs,
    room,
    write_fits,
    write_fits_in_kind,
    write_in_kind,
    write_tiff16,
)
from starcal.frame.levels import blank_borders, float_full_scale
from starcal.frame.sky import epoch_yr

ROOT = Path(__file__).parents[1]
SHARED = ROOT.parent / "shared" / "frames"
ROWS, COLUMNS = 40, 60  # not square: swapped axes show
RA_DEG, DEC_DEG = 83.8221, -5.3911
NANOARCSEC_ISH_DEG = 1e-9  # 3.6 microarcsec: rounding of double precision degrees, no more
FLOAT32_STEP = 2.0**-23  # of values up to 1: half of it is rounding, the other half a division


def colour_data(dtype=np.float32, seed=1):
    data = np.random.default_rng(seed).uniform(0.05, 0.9, (3, ROWS, COLUMNS))
    return (
        data.astype(dtype)
        if np.dtype(dtype).kind == "f"
        else (data * np.iinfo(dtype).max).astype(dtype)
    )


def wcs_header(**cards):
    header = fits.Header()
    header.update(
        {
            "CTYPE1": "RA---TAN",
            "CTYPE2": "DEC--TAN",
            "CRVAL1": RA_DEG,
            "CRVAL2": DEC_DEG,
            "CRPIX1": 21.0,
            "CRPIX2": 13.0,
            "CD1_1": -2e-4,
            "CD1_2": 3e-5,
            "CD2_1": 3e-5,
            "CD2_2": 2e-4,
        }
    )
    header.update(cards)
    return header


SIP = {
    "A_ORDER": 2,
    "A_2_0": 1e-4,
    "A_1_1": -3e-5,
    "B_ORDER": 2,
    "B_0_2": 2e-4,
    "B_1_1": 5e-5,
    "B_2_0": -4e-5,
}


def save(path, data=None, header=None):
    fits.writeto(path, colour_data() if data is None else data, header)
    return path


def advice(error, marker):
    """What the message says to type, after `marker`."""
    return shlex.split(str(error.value).split(marker, 1)[1])


# ----------------------------------------------------------------------------------------------------
# pixels


@pytest.mark.parametrize(
    "dtype", [np.uint8, np.int8, np.int16, np.uint16, np.int32, np.uint32, np.int64]
)
def test_integers_are_scaled_by_their_type(tmp_path, dtype):
    data = colour_data(dtype)
    frame = read_frame(save(tmp_path / "a.fits", data))
    assert frame.source_type == np.dtype(dtype).name
    assert frame.full_scale == float(np.iinfo(dtype).max)
    assert frame.full_scale_source == f"{np.dtype(dtype).name} type"
    np.testing.assert_allclose(frame.pixels, data / np.iinfo(dtype).max, rtol=FLOAT32_STEP)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_floats_in_the_unit_range_are_kept(tmp_path, dtype):
    data = colour_data(dtype)
    frame = read_frame(save(tmp_path / "a.fits", data))
    assert (frame.full_scale, frame.full_scale_source) == (1.0, "float data in [0, 1]")
    np.testing.assert_array_equal(frame.pixels, data.astype(np.float32))


def test_pixels_are_native_contiguous_float32_and_own_their_memory(tmp_path):
    pixels = read_frame(save(tmp_path / "a.fits")).pixels
    assert pixels.dtype == np.float32
    assert pixels.dtype.isnative
    assert pixels.flags.c_contiguous
    assert pixels.flags.writeable
    assert pixels.shape == (3, ROWS, COLUMNS)


def test_large_frames_lie_in_a_file_that_nobody_sees(tmp_path, monkeypatch):
    save(tmp_path / "frame.fits")
    usual = read_frame(tmp_path / "frame.fits").pixels
    monkeypatch.setattr(room, "SHARE_IN_MEMORY", 0)
    for folder in (tmp_path, tmp_path / "nowhere"):  # without room there it is memory
        monkeypatch.setattr(room.tempfile, "tempdir", str(folder))
        pixels = read_frame(tmp_path / "frame.fits").pixels
        np.testing.assert_array_equal(pixels, usual)
        pixels += 1  # as any other array
        assert os.listdir(tmp_path) == ["frame.fits"]


def test_bscale_and_blank(tmp_path):
    stored = colour_data(np.int16)
    stored[1, 5, 7] = -99
    hdu = fits.PrimaryHDU(stored)
    hdu.header["BLANK"] = -99
    hdu.writeto(tmp_path / "blank.fits")
    frame = read_frame(tmp_path / "blank.fits")
    assert np.argwhere(np.isnan(frame.pixels)).tolist() == [[1, 5, 7]]
    assert frame.full_scale == 32767
    assert any("1 of 7200 pixel values are not numbers" in note for note in frame.notes)
    hdu = fits.PrimaryHDU(colour_data())
    hdu.scale("int16", bscale=1e-4, bzero=0.5)
    hdu.writeto(tmp_path / "scaled.fits")
    frame = read_frame(tmp_path / "scaled.fits")
    assert frame.full_scale_source == "float data in [0, 1]"
    np.testing.assert_allclose(
        frame.pixels, colour_data(), atol=0.6e-4
    )  # half a step of BSCALE = 1e-4


def test_blank_in_unsigned_integers(tmp_path):
    """BLANK means the stored number: in uint16 data -32768 stands for 0 as long as nobody looks at
    BLANK."""
    save(tmp_path / "a.fits", colour_data(np.uint16))
    raw = (tmp_path / "a.fits").read_bytes()
    header = fits.getheader(tmp_path / "a.fits")
    header["BLANK"] = -32768
    stored = np.frombuffer(raw[2880 : 2880 + 2 * 3 * ROWS * COLUMNS], ">i2").copy()
    stored[61] = -32768
    (tmp_path / "b.fits").write_bytes(
        header.tostring().encode() + stored.tobytes() + bytes(-2 * stored.size % 2880)
    )
    assert np.argwhere(np.isnan(read_frame(tmp_path / "b.fits").pixels)).tolist() == [[0, 1, 1]]


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.uint16, np.int32, np.float32])
@pytest.mark.parametrize("name", ["a.fits", "a.fits.gz"])
def test_compressed_files(tmp_path, dtype, name):
    data = colour_data(dtype)
    hdu = fits.CompImageHDU(
        data,
        wcs_header(),
        compression_type="GZIP_2" if dtype == np.float32 else "RICE_1",
        quantize_level=0,
    )
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(tmp_path / name)
    frame, plain = (
        read_frame(tmp_path / name),
        read_frame(save(tmp_path / "plain.fits", data, wcs_header())),
    )
    np.testing.assert_array_equal(frame.pixels, plain.pixels)
    assert frame.source_type == np.dtype(dtype).name
    assert frame.wcs is not None


def test_layouts_of_cubes(tmp_path):
    data = colour_data()
    np.testing.assert_array_equal(
        read_frame(save(tmp_path / "4d.fits", data[None])).pixels, data
    )
    np.testing.assert_array_equal(
        read_frame(save(tmp_path / "mid.fits", data[:, None])).pixels, data
    )
    last = np.ascontiguousarray(data.transpose(1, 2, 0))
    np.testing.assert_array_equal(read_frame(save(tmp_path / "last.fits", last)).pixels, data)


def test_chunks_cover_frames_larger_than_one(tmp_path):
    data = np.random.default_rng(2).uniform(0, 1, (3, 301, 1777)).astype(np.float32)
    np.testing.assert_array_equal(read_frame(save(tmp_path / "a.fits", data)).pixels, data)
    write_fits(tmp_path / "b.fits", data)
    np.testing.assert_array_equal(fits.getdata(tmp_path / "b.fits"), data)


@pytest.mark.parametrize("names", [("R", "G", "B"), ("Red", "Green", "Blue")])
def test_named_extensions_in_any_order(tmp_path, names):
    data = colour_data()
    images = [fits.ImageHDU(data[i], name=names[i]) for i in (2, 0, 1)]
    fits.HDUList([fits.PrimaryHDU(), *images, fits.ImageHDU(data[0], name="WEIGHT")]).writeto(
        tmp_path / "a.fits"
    )
    np.testing.assert_array_equal(read_frame(tmp_path / "a.fits").pixels, data)


def test_numbers_and_units_as_older_software_writes_them(tmp_path):
    """wcslib ends a number at its D: a pixel of 0.72 arcsec passed for one of a degree."""
    text = wcs_header(CUNIT1="degrees", CUNIT2="DEG").tostring()
    text = text.replace("0.0002", "2.0D-4").replace("3E-05", "3D-05")
    assert text.count("D-") == 4
    save(tmp_path / "a.fits", header=fits.Header.fromstring(text))
    usual, older = WCS(wcs_header()), read_frame(tmp_path / "a.fits").wcs
    np.testing.assert_array_equal(older.wcs.cd, usual.wcs.cd)


def test_a_number_for_a_unit_is_said(tmp_path):
    save(tmp_path / "a.fits", header=wcs_header(CUNIT1=1.5))
    frame = read_frame(tmp_path / "a.fits")
    assert any("CUNIT1" in note for note in frame.notes)
    assert frame.wcs is not None  # in degrees, as the standard has it


def test_unnamed_extensions_are_taken_in_order_and_said_so(tmp_path):
    data = colour_data()
    fits.HDUList([fits.PrimaryHDU(), *(fits.ImageHDU(plane) for plane in data)]).writeto(
        tmp_path / "a.fits"
    )
    frame = read_frame(tmp_path / "a.fits")
    np.testing.assert_array_equal(frame.pixels, data)
    assert any("in that order" in note for note in frame.notes)


def test_three_files(tmp_path):
    data = colour_data(np.uint16)
    paths = [
        save(
            tmp_path / f"{name}.fits",
            plane,
            wcs_header(FILTER=name) if name == "g" else fits.Header(),
        )
        for name, plane in zip("rgb", data, strict=True)
    ]
    frame = read_channels(*paths)
    np.testing.assert_allclose(frame.pixels, data / 65535, rtol=FLOAT32_STEP)
    assert frame.filters == (None, "g", None)
    assert frame.wcs is not None
    assert frame.name == "r.fits + g.fits + b.fits"


def test_three_float_files_share_one_full_scale(tmp_path):
    """Scaling each by its own largest pixel would change the colours."""
    data = colour_data() * np.array([300.0, 60.0, 20.0], np.float32)[:, None, None]
    frame = read_channels(
        *(save(tmp_path / f"{i}.fits", plane) for i, plane in enumerate(data))
    )
    assert frame.full_scale == data.max()
    np.testing.assert_allclose(
        frame.pixels[0] / frame.pixels[2], data[0] / data[2], rtol=4 * FLOAT32_STEP
    )


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"compression": "deflate"},
        {"compression": "lzw", "tile": (16, 16)},
        {"rowsperstrip": 4},
        {"planarconfig": "separate"},
    ],
)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_tiff(tmp_path, dtype, options):
    data = colour_data(dtype)
    stored = data[:, ::-1] if "planarconfig" in options else data[:, ::-1].transpose(1, 2, 0)
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb", **options)
    expected = read_frame(save(tmp_path / "a.fits", data))
    frame = read_frame(tmp_path / "a.tif")
    np.testing.assert_array_equal(frame.pixels, expected.pixels)
    assert (frame.full_scale, frame.source_type) == (expected.full_scale, expected.source_type)


@pytest.mark.parametrize("small", [(3, 8, 9), (8, 9)])
def test_a_thumbnail_before_the_picture_is_left_aside(tmp_path, small):
    data = np.random.default_rng(3).uniform(0, 1, (3, 40, 50)).astype(np.float32)
    thumbnail = np.ones(small, np.float32)
    hdus = [fits.PrimaryHDU(thumbnail), fits.ImageHDU(data)]
    fits.HDUList(hdus).writeto(tmp_path / "a.fits")
    with tifffile.TiffWriter(tmp_path / "a.tif") as tiff:
        for picture in (np.atleast_3d(thumbnail.T), data[:, ::-1].transpose(1, 2, 0)):
            tiff.write(picture, photometric="rgb" if picture.shape[2] == 3 else "minisblack")
    for name in ("a.fits", "a.tif"):
        np.testing.assert_array_equal(read_frame(tmp_path / name).pixels, data)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [3, 4])
def test_png(tmp_path, dtype, channels):
    data = np.concatenate([colour_data(dtype), colour_data(dtype, 2)])[:channels]
    (tmp_path / "a.png").write_bytes(
        imagecodecs.png_encode(np.ascontiguousarray(data[:, ::-1].transpose(1, 2, 0)))
    )
    frame = read_frame(tmp_path / "a.png")
    np.testing.assert_allclose(frame.pixels, data[:3] / np.iinfo(dtype).max, rtol=FLOAT32_STEP)
    assert any("transparency" in note for note in frame.notes) == (channels == 4)


def test_jpeg(tmp_path):
    smooth = np.add.outer(np.arange(ROWS), np.arange(COLUMNS)).astype(np.uint8)
    (tmp_path / "a.jpg").write_bytes(
        imagecodecs.jpeg8_encode(np.stack([smooth] * 3, -1), level=95)
    )
    frame = read_frame(tmp_path / "a.jpg")
    np.testing.assert_allclose(
        frame.pixels[1] * 255, smooth[::-1], atol=4
    )  # 4 grey levels: the loss of quality 95
    assert any("JPEG" in note for note in frame.notes)


# ----------------------------------------------------------------------------------------------------
# full scale


def test_hot_pixels_and_gains_above_one_keep_the_unit_scale():
    data = colour_data() * 1.6
    data[0, 3, :2] = 900.0
    assert float_full_scale(data, 900.0) == (1.0, "float data in [0, 1]")


def test_camera_units_and_others():
    assert float_full_scale(colour_data() * 30_000, 27_000.0)[0] == 65535
    data = colour_data() * 200
    assert float_full_scale(data, float(data.max())) == (float(data.max()), "largest pixel")
    faint = colour_data() * 1e-9
    assert float_full_scale(faint, float(faint.max()))[0] == float(faint.max())


@given(
    hnp.arrays(
        np.float32, (3, 8, 9), elements=st.floats(0, 2.0**90, width=32, allow_subnormal=False)
    )
)
@settings(max_examples=40, deadline=None)
def test_full_scale_is_positive_and_never_beyond_the_largest_or_65535(data):
    high = float(data.max())
    if high > 1e-30:
        scale, _ = float_full_scale(data, high)
        assert 0 < scale <= max(high, 65535.0)


def test_many_pixels_above_two_are_not_hot_pixels():
    """Rates: a dark sky and thirty pixels of stars."""
    data = colour_data() * 0.1
    data[:, 20, 10:20] = 50.0
    assert float_full_scale(data, 50.0) == (50.0, "largest pixel")


def test_full_scale_given(tmp_path):
    data = (colour_data() * 4095).astype(np.uint16)
    frame = read_frame(save(tmp_path / "a.fits", data), full_scale=4095)
    assert (frame.full_scale, frame.full_scale_source) == (4095.0, "--full-scale")
    np.testing.assert_allclose(frame.pixels, data / 4095, rtol=FLOAT32_STEP)
    assert read_frame(tmp_path / "a.fits", full_scale=1000).pixels.max() > 3  # never clipped


@pytest.mark.parametrize("value", [0, -1, np.nan, np.inf])
def test_full_scale_that_makes_no_sense(tmp_path, value):
    path = save(tmp_path / "a.fits")
    with pytest.raises(FrameError, match=r"a number above 0 is needed") as error:
        read_frame(path, full_scale=value)
    assert (
        read_frame(path, full_scale=float(advice(error, "e.g. --full-scale")[0])).full_scale
        == 65535
    )


def test_faint_integers_get_a_hint_that_works(tmp_path):
    path = save(tmp_path / "a.fits", (colour_data() * 60_000).astype(np.int32))
    hint = next(note for note in read_frame(path).notes if "--full-scale" in note)
    frame = read_frame(path, full_scale=float(hint.rsplit(" ", 1)[1]))
    assert 0.99 < frame.pixels.max() <= 1


# ----------------------------------------------------------------------------------------------------
# no data


def test_nan_and_infinity_become_no_data(tmp_path):
    data = colour_data(np.float64)
    data[0, 1, 2], data[1, 3, 4], data[2, 5, 6], data[2, 7, 8] = np.nan, np.inf, -np.inf, 1e300
    frame = read_frame(save(tmp_path / "a.fits", data))
    assert np.argwhere(np.isnan(frame.pixels)).tolist() == [
        [0, 1, 2],
        [1, 3, 4],
        [2, 5, 6],
        [2, 7, 8],
    ]
    assert np.isfinite(frame.pixels).sum() == data.size - 4
    assert any(note.startswith("4 of 7200") for note in frame.notes)


def test_zero_wedge_of_a_rotated_stack(tmp_path):
    data, (y, x) = colour_data(), np.mgrid[:ROWS, :COLUMNS]
    wedge = y < 0.2 * x - 3
    data[:, wedge] = 0
    data[:, 30, 30] = 0  # a lone zero inside is a pixel value like others
    frame = read_frame(save(tmp_path / "a.fits", data))
    np.testing.assert_array_equal(np.isnan(frame.pixels), np.broadcast_to(wedge, data.shape))
    assert any(note.startswith(f"Zero borders, {wedge.mean():.2%}") for note in frame.notes)


def test_zero_strips_of_one_channel():
    data = colour_data()
    data[2, :, -3:] = 0
    data[0, :2] = 0
    share = blank_borders(data)
    assert np.isnan(data[2, :, -3:]).all()
    assert np.isnan(data[0, :2]).all()
    assert np.isnan(data).sum() == 3 * ROWS + 2 * COLUMNS
    assert share == pytest.approx((3 * ROWS + 2 * COLUMNS) / data.size)


def test_black_sky_of_a_star_layer_is_not_a_border(tmp_path):
    data = np.zeros((3, ROWS, COLUMNS), np.float32)
    data[:, 10:14, 20:24] = 0.5
    frame = read_frame(save(tmp_path / "a.fits", data))
    np.testing.assert_array_equal(frame.pixels, data)
    assert any("black sky" in note for note in frame.notes)


def test_clipped_noise_at_the_edge_is_not_a_border():
    data = np.maximum(np.random.default_rng(5).normal(0, 0.1, (3, 200, 300)), 0).astype(
        np.float32
    )
    before = data.copy()
    assert blank_borders(data) == 0
    np.testing.assert_array_equal(data, before)


@pytest.mark.parametrize(
    ("fill", "fault"),
    [
        (0.0, "the same value everywhere"),
        (0.3, "the same value everywhere"),
        (np.nan, "no valid pixel"),
        (None, "nowhere above zero"),
    ],
)
def test_dead_channel_is_refused_and_the_advice_works(tmp_path, fill, fault):
    data = colour_data()
    data[2] = -data[2] if fill is None else fill
    with pytest.raises(
        FrameError,
        match=f"channel B .*{fault}.*starcal compose --red A --green B --blue C -o OUT",
    ):
        read_frame(save(tmp_path / "a.fits", data))
    live = [save(tmp_path / f"{i}.fits", plane) for i, plane in enumerate((*data[:2], data[1]))]
    assert read_channels(*live).pixels.shape == data.shape


def test_channel_dead_but_for_its_border(tmp_path):
    data = colour_data()
    data[1, 4:] = 0.5
    data[:, :4] = 0
    with pytest.raises(FrameError, match=r"channel G has the same value everywhere \(0.5\)"):
        read_frame(save(tmp_path / "a.fits", data))


def test_constant_frame_is_refused(tmp_path):
    with pytest.raises(
        FrameError, match=r"the whole frame has the same value everywhere .* Give another file"
    ):
        read_frame(save(tmp_path / "a.fits", np.full((3, ROWS, COLUMNS), 0.2, np.float32)))
    assert read_frame(save(tmp_path / "another.fits")).name == "another.fits"


# ----------------------------------------------------------------------------------------------------
# refusals


def test_one_channel_and_what_to_do(tmp_path):
    paths = [save(tmp_path / f"{i}.fits", plane) for i, plane in enumerate(colour_data())]
    with pytest.raises(
        FrameError, match=r"picture of 1 channel; three .* --red A --green B --blue C"
    ):
        read_frame(paths[0])
    assert read_channels(*paths).pixels.shape == (3, ROWS, COLUMNS)


def test_one_channel_tiff_and_colour_among_channels(tmp_path):
    tifffile.imwrite(tmp_path / "grey.tif", colour_data(np.uint16)[0])
    with pytest.raises(
        FrameError, match=r"picture of 1 channel, 3 needed.* --red A --green B --blue C"
    ):
        read_frame(tmp_path / "grey.tif")
    assert read_channels(*[tmp_path / "grey.tif"] * 3).full_scale == 65535
    colour = save(tmp_path / "colour.fits")
    with pytest.raises(
        FrameError, match=r"holds a colour frame. Give a colour frame by itself"
    ):
        read_channels(colour, colour, colour)
    assert read_frame(colour).name == "colour.fits"
    tifffile.imwrite(
        tmp_path / "colour.tif", colour_data().transpose(1, 2, 0), photometric="rgb"
    )
    with pytest.raises(FrameError, match=r"3 channels, 1 needed. Give a grey picture for each"):
        read_channels(*[tmp_path / "colour.tif"] * 3)


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        ((4, 40, 60), "axes 60 x 40 x 4"),
        ((2, 40, 60), "axes 60 x 40 x 2"),
        ((2, 3, 40, 60), "axes 60 x 40 x 3 x 2"),
    ],
)
def test_other_numbers_of_planes(tmp_path, shape, words):
    data = np.random.default_rng(3).random(shape, np.float32)
    with pytest.raises(
        FrameError,
        match=f"{words}; three channels are needed. Save the picture as three planes",
    ):
        read_frame(save(tmp_path / "a.fits", data))
    assert read_frame(
        save(tmp_path / "b.fits", data.reshape(-1, 40, 60)[[0, 1, 1]])
    ).pixels.shape == (3, 40, 60)


def test_file_without_picture_and_two_pictures(tmp_path):
    with pytest.raises(FrameError, match=r"there is no picture in this file"):
        read_frame(save(tmp_path / "none.fits", np.zeros(0, np.float32)))
    planes = [fits.ImageHDU(plane) for plane in colour_data()[:2]]
    fits.HDUList([fits.PrimaryHDU(), *planes]).writeto(tmp_path / "two.fits")
    with pytest.raises(
        FrameError, match=r"holds 2 pictures of 1 channel and does not name them"
    ):
        read_frame(tmp_path / "two.fits")


def test_sizes_that_differ(tmp_path):
    data = colour_data()
    images = [fits.ImageHDU(data[0]), fits.ImageHDU(data[1, 1:]), fits.ImageHDU(data[2])]
    fits.HDUList([fits.PrimaryHDU(), *images]).writeto(tmp_path / "a.fits")
    with pytest.raises(
        FrameError, match=r"differ in size \(60 x 40, 60 x 39, 60 x 40\). Register"
    ):
        read_frame(tmp_path / "a.fits")
    paths = [save(tmp_path / f"{i}.fits", image.data) for i, image in enumerate(images)]
    with pytest.raises(
        FrameError, match=r"0.fits has 60 x 40 pixels, 1.fits has 60 x 39, .* Plate solve each"
    ):
        read_channels(*paths)
    assert read_channels(paths[0], paths[2], paths[2]).pixels.shape == (
        3,
        40,
        60,
    )  # one pixel grid: accepted


def test_kinds_that_differ(tmp_path):
    planes = colour_data(np.uint16)
    paths = [
        save(tmp_path / "r.fits", planes[0]),
        save(tmp_path / "g.fits", planes[1].astype(np.float32)),
        save(tmp_path / "b.fits", planes[2]),
    ]
    with pytest.raises(
        FrameError, match=r"different kinds of numbers \(uint16, float32, uint16\)"
    ) as error:
        read_channels(*paths)
    frame = read_channels(*paths, full_scale=float(advice(error, "e.g. --full-scale")[0]))
    np.testing.assert_allclose(frame.pixels, planes / 65535, rtol=FLOAT32_STEP)


def test_too_small(tmp_path):
    with pytest.raises(FrameError, match=r"60 x 5 pixels are too few, at least 8 x 8 needed"):
        read_frame(save(tmp_path / "a.fits", colour_data()[:, :5]))
    assert read_frame(save(tmp_path / "b.fits", colour_data()[:, :8, :8])).pixels.shape == (
        3,
        8,
        8,
    )


def test_missing_path_suggests_the_name_meant(tmp_path):
    save(tmp_path / "orion_rgb.fits")
    with pytest.raises(FrameError, match=r"no such file. Did you mean") as error:
        read_frame(tmp_path / "orion_rbg.fits")
    assert read_frame(advice(error, "Did you mean")[0].rstrip("?")).name == "orion_rgb.fits"
    for link, to, fault in (("a", "b", "a link to b"), ("round", "round", "the file itself")):
        (tmp_path / link).symlink_to(to)
        with pytest.raises(FrameError, match=fault):
            read_frame(tmp_path / link)
    with pytest.raises(FrameError, match=r"no such file. Check the spelling"):
        read_frame(tmp_path / "zzz")
    for folder in ("nowhere", "orion_rgb.fits"):
        with pytest.raises(FrameError, match=rf"there is no folder .*{folder}. Check"):
            read_frame(tmp_path / folder / "a.fits")
    with pytest.raises(FrameError, match=r"this is a folder. Give a file in it"):
        read_frame(tmp_path)


def test_forbidden_path(tmp_path, monkeypatch):
    """Root may read everything, so the refusal of the system is played."""
    path = save(tmp_path / "a.fits")

    def refuse(*args, **options):
        raise PermissionError(errno.EACCES, "Permission denied")

    with monkeypatch.context() as patch:
        patch.setattr("builtins.open", refuse)
        with pytest.raises(FrameError, match=r"not permitted. Type: chmod u\+r") as error:
            read_frame(path)
    subprocess.run(advice(error, "Type:"), check=True)
    assert read_frame(path).name == "a.fits"


def test_too_large_for_the_memory(tmp_path, monkeypatch):
    """The lack of memory is played; a smaller frame, as advised, is read as ever."""

    def fill(path, channels, cells):
        raise MemoryError

    path = save(tmp_path / "a.fits")
    with monkeypatch.context() as patch:
        patch.setattr(reading_module, "load_fits", fill)
        with pytest.raises(
            FrameError, match=r"too large for the memory of this computer. Give a smaller crop"
        ):
            read_frame(path)
    assert read_frame(
        save(tmp_path / "crop.fits", colour_data()[:, :20, :30])
    ).pixels.shape == (
        3,
        20,
        30,
    )


@pytest.mark.parametrize("content", [b"# A text\n", b"PK\x03\x04rest", b"<html>", bytes(100)])
def test_not_an_image(tmp_path, content):
    (tmp_path / "a.fits").write_bytes(content)
    with pytest.raises(
        FrameError, match=r"neither FITS nor TIFF, PNG or JPEG. Save the frame as FITS"
    ):
        read_frame(tmp_path / "a.fits")
    (tmp_path / "a.fits").write_bytes(b"")
    with pytest.raises(FrameError, match=r"the file is empty"):
        read_frame(tmp_path / "a.fits")


def all_formats(folder):
    data = colour_data(np.uint16)
    top_first = np.ascontiguousarray(data.transpose(1, 2, 0))
    save(folder / "a.fits", data)
    save(folder / "a.fits.gz", data)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data)]).writeto(folder / "a.fits.fz")
    tifffile.imwrite(folder / "a.tif", top_first, photometric="rgb")
    tifffile.imwrite(
        folder / "deflate.tif", top_first, photometric="rgb", compression="deflate"
    )
    (folder / "a.png").write_bytes(imagecodecs.png_encode(top_first))
    (folder / "a.jpg").write_bytes(imagecodecs.jpeg8_encode((top_first >> 8).astype(np.uint8)))
    return sorted(folder.iterdir())


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9])
def test_truncated_files_are_refused_in_one_line(tmp_path, share):
    for path in all_formats(tmp_path):
        whole = path.read_bytes()
        assert read_frame(path).name == path.name
        path.write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(FrameError, match=r"cut short|damaged|no picture") as error:
            read_frame(path)
        assert "\n" not in str(error.value)


def test_noise_in_headers_never_escapes_as_another_error(tmp_path):
    """Whatever bytes are broken: a frame or a FrameError (seeded, 25 files of each format)."""
    random = np.random.default_rng(11)
    for path in all_formats(tmp_path):
        whole = np.frombuffer(path.read_bytes(), np.uint8)
        for _ in range(25):
            broken = whole.copy()
            broken[random.integers(0, min(len(whole), 3000), 4)] = random.integers(32, 127, 4)
            path.write_bytes(broken.tobytes())
            try:
                result = str(read_frame(path).pixels.dtype)
            except FrameError as error:
                result = str(error)
            assert result == "float32" or (path.name in result and "\n" not in result)


@pytest.mark.parametrize("name", ["a.fits", "a.fits.gz"])
def test_claims_far_beyond_the_file_size(tmp_path, name):
    save(tmp_path / "whole.fits")
    header = fits.getheader(tmp_path / "whole.fits")
    header["NAXIS1"] = header["NAXIS2"] = 100_000
    small = header.tostring().encode() + bytes(2880)
    (tmp_path / name).write_bytes(gzip.compress(small) if name.endswith("gz") else small)
    with pytest.raises(
        FrameError, match=r"cut short: its header promises 120000000000 bytes .* again"
    ):
        read_frame(tmp_path / name)
    png = bytearray(imagecodecs.png_encode(np.zeros((9, 9, 3), np.uint8)))
    png[16:24] = (2_000_000).to_bytes(4, "big") * 2
    (tmp_path / "a.png").write_bytes(png)
    with pytest.raises(FrameError, match=r"damaged: it promises 4000000000000 bytes"):
        read_frame(tmp_path / "a.png")


def test_pictures_of_unusable_kinds(tmp_path):
    tifffile.imwrite(
        tmp_path / "negative.tif", colour_data(np.uint16)[0], photometric="miniswhite"
    )
    with pytest.raises(FrameError, match=r"holds a negative .*; save it as plain grey or RGB"):
        read_channels(*[tmp_path / "negative.tif"] * 3)
    tifffile.imwrite(
        tmp_path / "complex.tif", colour_data().astype(np.complex64), photometric="minisblack"
    )
    with pytest.raises(FrameError, match=r"of type complex64; save it with 16 bits"):
        read_frame(tmp_path / "complex.tif")
    tifffile.imwrite(
        tmp_path / "many.tif", np.ones((5, 9, 9), np.uint8), photometric="minisblack"
    )
    with pytest.raises(FrameError, match=r"holds \(5, 9, 9\) pixels; save one RGB picture"):
        read_frame(tmp_path / "many.tif")
    cmyk = imagecodecs.jpeg8_encode(
        np.full((16, 16, 4), 90, np.uint8), colorspace="CMYK", outcolorspace="CMYK"
    )
    (tmp_path / "print.jpg").write_bytes(cmyk)
    with pytest.raises(FrameError, match=r"a JPEG of 4 colours \(for print\); save it as RGB"):
        read_frame(tmp_path / "print.jpg")

    tifffile.imwrite(tmp_path / "apart.tif", np.ones((9, 9, 3), np.uint8), photometric="ycbcr")
    with pytest.raises(FrameError, match=r"holds brightness and colours apart \(YCbCr\); save"):
        read_frame(tmp_path / "apart.tif")
    deep = imagecodecs.jpeg_encode(np.full((16, 16, 3), 900, np.uint16), bitspersample=12)
    (tmp_path / "deep.jpg").write_bytes(deep)
    with pytest.raises(FrameError, match=r"a JPEG of more than 8 bits; save it as 16-bit TIFF"):
        read_frame(tmp_path / "deep.jpg")


@pytest.mark.parametrize("orientation", range(2, 9))
@pytest.mark.parametrize("ending", ["png", "tif"])
def test_pictures_are_read_as_viewers_turn_them_and_written_as_they_lay(
    tmp_path, ending, orientation
):
    """Pillow is the other reader."""
    source, out = tmp_path / f"a.{ending}", tmp_path / f"b.{ending}"
    notes = Image.Exif()
    notes[274] = orientation
    stored = colour_data(np.uint8).transpose(1, 2, 0)
    Image.fromarray(stored).save(source, exif=notes)
    frame = read_frame(source)
    with Image.open(source) as image:
        seen = np.array(ImageOps.exif_transpose(image))
    np.testing.assert_array_equal(np.rint(255 * frame.pixels[:, ::-1]).transpose(1, 2, 0), seen)
    changed = np.zeros(frame.pixels.shape[1:], bool)
    changed[-2, 3] = True  # of the second row from the top
    write_in_kind(out, source, np.where(changed, 1, frame.pixels), changed, 255.0)
    seen[1, 3] = 255
    with Image.open(out) as image:
        np.testing.assert_array_equal(np.array(ImageOps.exif_transpose(image)), seen)
    assert imagecodecs.imread(out).shape == stored.shape


def colour_pages(path, *pages):
    """A TIFF of several pages: their numbers and options."""
    with tifffile.TiffWriter(path) as file:
        for numbers, options in pages:
            file.write(numbers, metadata=None, **({"photometric": "rgb"} | options))


def test_the_largest_picture_of_a_tiff_is_the_one_meant(tmp_path):
    whole = colour_data(np.uint16).transpose(1, 2, 0)
    small = np.ascontiguousarray(whole[::2, ::2])
    expected = whole[::-1].transpose(2, 0, 1) / np.float32(65535)
    for reduced in (0, 1):
        thumbnail = (small, {"subfiletype": reduced})
        colour_pages(tmp_path / "a.tif", thumbnail, (whole, {}), (whole[::-1], {}))
        frame = read_frame(tmp_path / "a.tif")
        np.testing.assert_allclose(frame.pixels, expected, rtol=FLOAT32_STEP)
        said = f"holds {3 - reduced} pictures: the first of the largest was taken"
        assert any(said in note for note in frame.notes)
    changed = np.ones((ROWS, COLUMNS), bool)
    write_in_kind(tmp_path / "b.tif", tmp_path / "a.tif", frame.pixels, changed, 65535.0)
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "b.tif"), whole)
    preview = (small, {"subfiletype": 1, "subifds": 1})
    colour_pages(tmp_path / "raw.tif", preview, (whole[..., 0], {"photometric": "cfa"}))
    with pytest.raises(FrameError, match=r"holds the raw picture of a camera, not developed"):
        read_frame(tmp_path / "raw.tif")


def test_what_a_tiff_holds_beside_its_colours_stays_what_it_is(tmp_path):
    numbers = colour_data(np.uint8).transpose(1, 2, 0)
    changed = np.zeros((ROWS, COLUMNS), bool)
    changed[5, 5] = True
    for kinds, said in (((1,), "Its transparency"), ((2, 0), "2 channels of transparency")):
        pixels = np.dstack([numbers, *[numbers[..., 0]] * len(kinds)])
        options = {"photometric": "rgb", "extrasamples": kinds, "metadata": None}
        layers = (37724, "B", 16, b"8BIM" * 4, True)
        tifffile.imwrite(tmp_path / "a.tif", pixels, extratags=[layers], **options)
        frame = read_frame(tmp_path / "a.tif")
        assert [said in note for note in frame.notes] == [False, True, False]
        assert "as its layers make it" in frame.notes[0]
        out = tmp_path / f"{len(kinds)}.tif"
        write_in_kind(out, tmp_path / "a.tif", 0 * frame.pixels, changed, 255.0)
        with tifffile.TiffFile(out) as tiff:
            assert tiff.pages[0].extrasamples == kinds
            pixels[-6, 5, :3] = 0
            np.testing.assert_array_equal(tiff.asarray(), pixels)


def test_labels_of_a_jpeg_and_colours_of_a_palette_in_a_png(tmp_path):
    """Labels (XMP) come along; what a PNG says in numbers of its palette does not."""
    unchanged = np.zeros((ROWS, COLUMNS), bool)
    numbers = Image.fromarray(colour_data(np.uint8).transpose(1, 2, 0))
    numbers.save(tmp_path / "a.jpg", xmp=b"<x:xmpmeta/>")
    palette = io.BytesIO()
    numbers.quantize(16).save(palette, "PNG")
    content = palette.getvalue()
    at = content.index(b"IDAT") - 4
    background = b"\0\0\0\1bKGD\3" + zlib.crc32(b"bKGD\3").to_bytes(4, "big")
    (tmp_path / "a.png").write_bytes(content[:at] + background + content[at:])
    for name in ("a.jpg", "a.png"):
        display = read_frame(tmp_path / name).pixels
        write_in_kind(tmp_path / f"{name}.png", tmp_path / name, display, unchanged, 255.0)
    with Image.open(tmp_path / "a.jpg.png") as image:
        assert image.info["xmp"] == b"<x:xmpmeta/>"
    assert b"bKGD" not in (tmp_path / "a.png.png").read_bytes()


def test_frame_refuses_other_arrays():
    for pixels in (
        colour_data(np.float64),
        colour_data()[:2],
        colour_data().astype(">f4"),
        colour_data()[:, ::2],
    ):
        with pytest.raises(ValueError, match=r"must be C-contiguous float32"):
            Frame(pixels)
    assert "pixels" not in repr(Frame(colour_data()))


# ----------------------------------------------------------------------------------------------------
# WCS


def test_crpix_lands_on_crval_and_the_frame_is_not_square(tmp_path):
    frame = read_frame(save(tmp_path / "a.fits", header=wcs_header()))
    ra, dec = require_wcs(frame).pixel_to_world_values(20.0, 12.0)  # 0-based: CRPIX - 1
    assert abs(ra - RA_DEG) < NANOARCSEC_ISH_DEG
    assert abs(dec - DEC_DEG) < NANOARCSEC_ISH_DEG
    assert frame.wcs.pixel_shape == (COLUMNS, ROWS)
    assert frame.wcs.naxis == 2


@pytest.mark.parametrize(
    "scale",
    [
        {"CDELT1": -2e-4, "CDELT2": 2e-4},
        {"CD1_1": -2e-4, "CD2_2": 2e-4},
        {"CDELT1": -2e-4, "CDELT2": 2e-4, "PC1_1": 1.0, "PC2_2": 1.0},
        {"CDELT1": -2e-4, "CDELT2": 2e-4, "CROTA2": 90.0},
    ],
)
def test_scales_in_every_notation(tmp_path, scale):
    header = fits.Header(
        [card for card in wcs_header().cards if not card.keyword.startswith("CD")]
    )
    header.update(scale)
    frame = read_frame(save(tmp_path / "a.fits", header=header))
    assert pixel_scale_arcsec(frame.wcs) == pytest.approx(0.72, rel=1e-12)  # 2e-4 deg


def test_sky_on_the_second_and_third_axis(tmp_path):
    """Colour first in the header, last in numpy; the output has it the usual way, and its header
    must follow."""
    header = fits.Header({"CTYPE1": "RGB", "CRVAL1": 0.0, "CRPIX1": 1.0, "CDELT1": 1.0})
    header.update(
        {
            f"{key}{i + 1}": wcs_header()[f"{key}{i}"]
            for key in ("CTYPE", "CRVAL", "CRPIX")
            for i in (1, 2)
        }
    )
    header.update({"CDELT2": -2e-4, "CDELT3": 2e-4})
    frame = read_frame(
        save(
            tmp_path / "a.fits", np.ascontiguousarray(colour_data().transpose(1, 2, 0)), header
        )
    )
    write_fits(tmp_path / "b.fits", frame.pixels, frame.header)
    for seen in (frame, read_frame(tmp_path / "b.fits")):
        assert seen.header["CTYPE1"] == "RA---TAN"
        np.testing.assert_array_equal(seen.pixels, colour_data())
        sky = require_wcs(seen).pixel_to_world_values(20.0, 12.0)
        np.testing.assert_allclose(sky, (RA_DEG, DEC_DEG), atol=NANOARCSEC_ISH_DEG)


@pytest.mark.parametrize("suffix", ["", "-SIP"])
def test_sip_in_a_cube_is_honoured_with_and_without_the_suffix(tmp_path, suffix, capfd):
    """The sum is written out: u' = u + A(u, v), v' = v + B(u, v) (Shupe et al. 2005, ADASS XIV, eq.
    2), then TAN."""
    header = wcs_header(
        CTYPE1="RA---TAN" + suffix, CTYPE2="DEC--TAN" + suffix, CTYPE3="RGB", **SIP
    )
    frame = read_frame(save(tmp_path / "a.fits", header=header))
    u, v = 50.0 - 20.0, 33.0 - 12.0
    du = SIP["A_2_0"] * u * u + SIP["A_1_1"] * u * v
    dv = SIP["B_0_2"] * v * v + SIP["B_1_1"] * u * v + SIP["B_2_0"] * u * u
    expected = WCS(wcs_header()).pixel_to_world_values(50.0 + du, 33.0 + dv)
    np.testing.assert_allclose(
        frame.wcs.pixel_to_world_values(50.0, 33.0), expected, atol=NANOARCSEC_ISH_DEG
    )
    assert any("no -SIP in CTYPE1 and CTYPE2" in note for note in frame.notes) == (suffix == "")
    assert capfd.readouterr() == ("", "")  # astropy would log a page about the missing suffix


def test_header_without_wcs_names_what_is_missing_and_the_advice_works(tmp_path):
    path = save(tmp_path / "a.fits")
    frame = read_frame(path)
    assert frame.wcs is None
    assert frame.wcs_missing[:6] == ("CTYPE1", "CTYPE2", "CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2")
    with pytest.raises(NoWCSError, match=r"CTYPE1, .*CRPIX2, CD1_1 .*solve .*--wcs FILE"):
        require_wcs(frame)
    solution = save(tmp_path / "solved.fits", header=wcs_header())
    assert require_wcs(read_frame(path, wcs=solution)).pixel_to_world_values(20, 12)[
        0
    ] == pytest.approx(RA_DEG)


@pytest.mark.parametrize("key", ["CTYPE1", "CRVAL1", "CRVAL2", "CRPIX2"])
def test_each_missing_keyword_is_named(tmp_path, key):
    header = wcs_header()
    del header[key]
    assert read_frame(save(tmp_path / "a.fits", header=header)).wcs_missing == (key,)


@pytest.mark.parametrize(
    ("cards", "words"),
    [
        ({"CD1_1": 0.0, "CD1_2": 0.0}, "singular"),
        ({"CTYPE1": "ELON-TAN", "CTYPE2": "ELAT-TAN"}, "ELON-TAN"),
        ({"CTYPE1": "GLAT-TAN", "CTYPE2": "GLON-TAN"}, "they say 'GLAT-TAN'"),
        ({"RADESYS": "GAPPT", "EQUINOX": 2000.0}, "GAPPT"),
        ({"CTYPE1": "DEC--TAN", "CTYPE2": "RA---TAN"}, "they say 'DEC--TAN'"),
        ({"CTYPE1": "LINEAR"}, "Unmatched celestial axes"),
    ],
)
def test_wcs_that_does_not_give_icrs_positions(tmp_path, cards, words):
    frame = read_frame(save(tmp_path / "a.fits", header=wcs_header(**cards)))
    with pytest.raises(NoWCSError, match=words):
        require_wcs(frame)


@pytest.mark.parametrize(
    ("cards", "words", "off_arcsec"),
    [
        ({"CTYPE1": "GLON-TAN", "CTYPE2": "GLAT-TAN"}, "galactic coordinates", 1e-6),
        ({"CTYPE1": "GLON-CAR", "CTYPE2": "GLAT-CAR"}, "galactic coordinates", 1e-6),
        ({"CTYPE1": "GLON-TAN-SIP", "CTYPE2": "GLAT-TAN-SIP"}, "galactic coordinates", 1e-6),
        ({"EQUINOX": 2025.5}, "FK5, equinox 2025.5", 1e-6),
        # aberration of FK4's stars is no rotation: 0.34 arcsec, and differs by this over 0.01 rad
        ({"RADESYS": "FK4", "EQUINOX": 1950.0}, "FK4, equinox 1950", 0.01),
    ],
)
def test_a_wcs_of_another_celestial_frame_is_turned(tmp_path, cards, words, off_arcsec):
    """astropy, which knows the frames, is the judge; what is written says ICRS."""
    own = wcs_header(**cards, **(SIP if "SIP" in str(cards) else {}))
    frame = read_frame(save(tmp_path / "a.fits", header=own))
    x, y = np.meshgrid([0.0, 19.0, 39.0], [0.0, 23.0])
    truth = pixel_to_skycoord(x.ravel(), y.ravel(), WCS(own).celestial).icrs
    for wcs in (frame.wcs, WCS(frame.header, naxis=2)):
        ra_deg, dec_deg = wcs.all_pix2world(x.ravel(), y.ravel(), 0)
        found = SkyCoord(ra_deg, dec_deg, unit="deg")
        assert found.separation(truth).arcsec.max() < off_arcsec
    assert any(f"{words}: it was turned to ICRS" in note for note in frame.notes)


def test_an_older_name_of_a_keyword_is_read_without_a_word(tmp_path):
    frame = read_frame(
        save(tmp_path / "a.fits", header=wcs_header(RADECSYS="FK5", EQUINOX=2000.0))
    )
    assert frame.wcs.wcs.radesys == "FK5"
    assert frame.notes == ()


def test_extension_header_and_primary_header_are_joined_with_one_wcs(tmp_path):
    primary = fits.PrimaryHDU(header=wcs_header(OBJECT="M42", CRVAL1=10.0, CDELT1=5.0))
    fits.HDUList([primary, fits.ImageHDU(colour_data(), wcs_header())]).writeto(
        tmp_path / "a.fits"
    )
    frame = read_frame(tmp_path / "a.fits")
    assert frame.header["OBJECT"] == "M42"
    assert frame.header["CRVAL1"] == RA_DEG
    assert "CDELT1" not in frame.header
    fits.HDUList([primary, fits.ImageHDU(colour_data())]).writeto(tmp_path / "b.fits")
    assert read_frame(tmp_path / "b.fits").wcs.wcs.crval[0] == 10.0


def wcs_file(path, form):
    header = wcs_header(
        IMAGEW=COLUMNS,
        IMAGEH=ROWS,
        **{**SIP, "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP"},
    )
    if form == "fits":
        save(path, colour_data()[0], header)
    elif form == "wcs":
        fits.PrimaryHDU(header=header).writeto(path)
    else:
        path.write_text(
            header.tostring(sep="" if form == "cards" else "\n", endcard=True, padding=False)
        )
    return path


@pytest.mark.parametrize("form", ["fits", "wcs", "cards", "lines"])
def test_wcs_from_a_file_goes_into_frame_and_header(tmp_path, form):
    path = save(tmp_path / "a.fits", header=wcs_header(CRVAL1=1.0, CDELT1=9.0, OBJECT="M42"))
    frame = read_frame(path, wcs=wcs_file(tmp_path / "solution", form))
    sky = frame.wcs.pixel_to_world_values(20.0, 12.0)
    np.testing.assert_allclose(sky, (RA_DEG, DEC_DEG), atol=NANOARCSEC_ISH_DEG)
    assert frame.header["OBJECT"] == "M42"
    write_fits(tmp_path / "out.fits", frame.pixels, frame.header)
    again = read_frame(tmp_path / "out.fits").wcs.pixel_to_world_values(55.0, 3.0)
    np.testing.assert_allclose(
        again, frame.wcs.pixel_to_world_values(55.0, 3.0), atol=1e-8
    )  # cards have 12 digits


@pytest.mark.parametrize("from_top", [False, True])
def test_wcs_of_a_tiff_fits_whichever_end_rows_are_counted_from(tmp_path, from_top):
    """The star at array row y of the frame has one position, however the solution counts."""
    data = colour_data(np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", data[:, ::-1].transpose(1, 2, 0), photometric="rgb")
    header = wcs_header(**{**SIP, "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP"})
    truth = WCS(header)
    x, y = np.array([0.0, 59.0, 31.0]), np.array([0.0, 39.0, 7.0])
    if (
        from_top
    ):  # the same solution in y' = 39 - y: CRPIX, CD and SIP terms with v -> -v, by hand
        header.update(
            {
                "CRPIX2": ROWS + 1 - 13.0,
                "CD1_2": -3e-5,
                "CD2_2": -2e-4,
                "A_1_1": 3e-5,
                "B_0_2": -2e-4,
                "B_1_1": 5e-5,
                "B_2_0": 4e-5,
            }
        )
        np.testing.assert_allclose(
            WCS(header).pixel_to_world_values(x, ROWS - 1 - y),
            truth.pixel_to_world_values(x, y),
            atol=NANOARCSEC_ISH_DEG,
        )
    header["IMAGEW"], header["IMAGEH"] = COLUMNS, ROWS
    fits.PrimaryHDU(header=header).writeto(tmp_path / "a.wcs")
    frame = read_frame(tmp_path / "a.tif", wcs=tmp_path / "a.wcs")
    np.testing.assert_allclose(frame.pixels, data / 65535, rtol=FLOAT32_STEP)
    np.testing.assert_allclose(
        frame.wcs.pixel_to_world_values(x, y), truth.pixel_to_world_values(x, y), atol=1e-8
    )
    assert any("from the top" in note for note in frame.notes) == from_top
    assert any("from the bottom" in note for note in frame.notes) != from_top


def test_wcs_of_another_picture_is_refused(tmp_path):
    path = save(tmp_path / "a.fits", colour_data()[:, :30])
    with pytest.raises(
        FrameError,
        match=r"made for 60 x 40 pixels, a.fits has 60 x 30. Give --wcs the solution",
    ):
        read_frame(path, wcs=wcs_file(tmp_path / "a.wcs", "wcs"))
    own = save(tmp_path / "own.fits", colour_data()[0, :30], wcs_header())
    assert read_frame(path, wcs=own).wcs is not None
    header = wcs_header()
    (tmp_path / "sizeless.txt").write_text(header.tostring(sep="\n"))
    assert any(
        "taken on trust" in note
        for note in read_frame(path, wcs=tmp_path / "sizeless.txt").notes
    )


def test_unusable_wcs_files(tmp_path):
    path = save(tmp_path / "a.fits")
    with pytest.raises(
        NoWCSError, match=r"it has no WCS, CTYPE1, .*missing. Give --wcs the header of a solved"
    ):
        read_frame(path, wcs=path)
    with pytest.raises(FrameError, match=r"No such file or directory. Give --wcs an existing"):
        read_frame(path, wcs=tmp_path / "none.wcs")
    for content in (b"hello\n", b"\x89PNG\xff\xfe", b""):
        (tmp_path / "bad.wcs").write_bytes(content)
        with pytest.raises(
            FrameError, match=r"this is no FITS header. Give --wcs a solved FITS picture"
        ):
            read_frame(path, wcs=tmp_path / "bad.wcs")
    (tmp_path / "ecliptic.txt").write_text(
        wcs_header(CTYPE1="ELON-TAN", CTYPE2="ELAT-TAN").tostring(sep="\n")
    )
    with pytest.raises(FrameError, match=r"its WCS cannot be used: needed CTYPE1 = 'RA---TAN'"):
        read_frame(path, wcs=tmp_path / "ecliptic.txt")
    assert read_frame(path, wcs=wcs_file(tmp_path / "good.wcs", "wcs")).wcs is not None


def test_unregistered_channels(tmp_path):
    sip = {**SIP, "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP"}

    def three(*crpix):
        return [
            save(tmp_path / f"{x}-{i}.fits", plane, wcs_header(CRPIX1=x, **sip))
            for i, (x, plane) in enumerate(zip(crpix, colour_data(), strict=True))
        ]

    assert not any("apart" in note for note in read_channels(*three(20.0, 20.1, 20.0)).notes)
    assert any("1.5 px away" in note for note in read_channels(*three(20.2, 21.7, 20.3)).notes)
    apart = three(22.0, 22.0, 30.0)
    assert any("8.0 px away" in note for note in read_channels(*apart).notes)
    assert read_channels(*apart, wcs=apart[0]).wcs.wcs.crpix[0] == 22.0


@pytest.mark.parametrize(
    ("cards", "date"),
    [
        ({"DATE-OBS": "2021-03-04T05:06:07"}, "2021-03-04"),
        ({"DATE-OBS": "21/12/90"}, "1990-12-21"),
        ({"MJD-OBS": 59277.5}, "2021-03-04"),
        ({"JD": 2459278.0}, "2021-03-04"),
        ({}, None),
        ({"DATE-OBS": "soon"}, None),
        ({"DATE-OBS": "2021-13-40"}, None),
        ({"DATE-OBS": "", "MJD-OBS": 59277.0}, "2021-03-04"),
        ({"DATE-OBS": "1858-11-17", "MJD-OBS": 59277.0}, "2021-03-04"),  # a clock never set
        ({"MJD-OBS": 0}, None),
    ],
)
def test_epoch(cards, date):
    """Against astropy.time; half a day is what a date without an hour leaves open."""
    expected = None if date is None else Time(date + "T12:00:00", scale="tt").jyear
    assert epoch_yr(fits.Header(cards)) == (
        None if date is None else pytest.approx(expected, abs=0.51 / 365.25)
    )


# ----------------------------------------------------------------------------------------------------
# output


def rich_header():
    header = wcs_header(OBJECT="NGC 7000", EXPTIME=300.0, **SIP)
    header["HIERARCH ESO TEL AMBI WINDSP"] = (3.5, "wind")
    header["LONGTEXT"] = "x" * 150
    header.add_comment("first comment")
    header.add_comment("second comment")
    header.add_history("stacked")
    return header


def test_round_trip_keeps_pixels_and_header(tmp_path):
    frame = read_frame(save(tmp_path / "in.fits", header=rich_header()))
    history = ("starcal: gains 1.1, 1, 0.9", "ü − " + "y" * 90)
    write_fits(tmp_path / "out.fits", frame.pixels, frame.header, history=history)
    with fits.open(tmp_path / "out.fits") as hdus:
        hdus.verify("exception")
        np.testing.assert_array_equal(hdus[0].data, frame.pixels)
        header = hdus[0].header
        assert header["BITPIX"] == -32
        for key in (
            "OBJECT",
            "EXPTIME",
            "ESO TEL AMBI WINDSP",
            "LONGTEXT",
            "CRVAL1",
            "CD1_2",
            "A_2_0",
            "B_0_2",
        ):
            assert header[key] == rich_header()[key]
        assert header.comments["ESO TEL AMBI WINDSP"] == "wind"
        assert list(header["COMMENT"])[-2:] == ["first comment", "second comment"]
        assert list(header["HISTORY"])[:2] == ["stacked", "starcal: gains 1.1, 1, 0.9"]
        assert "".join(header["HISTORY"][2:]) == "? ? " + "y" * 90
    assert (tmp_path / "out.fits").stat().st_size % 2880 == 0


def test_storage_keywords_of_the_input_do_not_reach_the_output(tmp_path):
    hdu = fits.CompImageHDU(
        colour_data(np.uint16), wcs_header(BUNIT="adu", DATAMAX=65535), name="SCI"
    )
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(tmp_path / "in.fits", checksum=True)
    frame = read_frame(tmp_path / "in.fits")
    write_fits(tmp_path / "out.fits", frame.pixels, frame.header)
    header = fits.getheader(tmp_path / "out.fits")
    assert not {
        "BZERO",
        "BSCALE",
        "BUNIT",
        "DATAMAX",
        "CHECKSUM",
        "DATASUM",
        "XTENSION",
        "ZIMAGE",
    } & set(header)
    np.testing.assert_array_equal(fits.getdata(tmp_path / "out.fits"), frame.pixels)


def test_broken_card_survives(tmp_path):
    raw = save(
        tmp_path / "a.fits", header=fits.Header({"OBJECT": "M 1", "BROKEN": "abc"})
    ).read_bytes()
    path = tmp_path / "b.fits"
    path.write_bytes(raw.replace(b"BROKEN  = 'abc     '", b"BROKEN  = 1 2 'x y  "))
    frame = read_frame(path)
    said = [note for note in frame.notes if "not of the FITS standard" in note]
    assert len(said) == 1
    assert "erif" not in said[0]
    write_fits(tmp_path / "out.fits", frame.pixels, frame.header)
    assert b"BROKEN  = " in (tmp_path / "out.fits").read_bytes()
    assert fits.getheader(tmp_path / "out.fits")["OBJECT"] == "M 1"


def test_one_plane_nan_and_other_types_are_written(tmp_path):
    plane = colour_data(np.float64)[0]
    plane[2, 3] = np.nan
    write_fits(tmp_path / "a.fits", plane[:, ::-1])
    np.testing.assert_array_equal(
        fits.getdata(tmp_path / "a.fits"), plane[:, ::-1].astype(np.float32)
    )
    with pytest.raises(ValueError, match=r"not the shape \(5,\)"):
        write_fits(tmp_path / "b.fits", np.zeros(5))


def test_tiff16_clips_and_puts_the_top_row_first(tmp_path):
    pixels = colour_data()
    pixels[0, 0, 0], pixels[1, 0, 0], pixels[2, 0, 0] = -0.5, 1.7, np.nan
    write_tiff16(tmp_path / "a.tif", pixels)
    stored = tifffile.imread(tmp_path / "a.tif")
    assert stored.dtype == np.uint16
    assert stored[-1, 0].tolist() == [0, 65535, 0]
    error = np.abs(read_frame(tmp_path / "a.tif").pixels - pixels)[:, 1:]
    assert error.max() <= 0.5001 / 65535  # half a step, and the float32 rounding of the product


def test_existing_output_needs_overwrite(tmp_path):
    path = tmp_path / "a.fits"
    write_fits(path, colour_data())
    with pytest.raises(
        OutputError, match=r"the file exists. Give another name, or replace it with --overwrite"
    ):
        write_fits(path, colour_data(seed=2))
    np.testing.assert_array_equal(fits.getdata(path), colour_data())
    write_fits(path, colour_data(seed=2), overwrite=True)
    np.testing.assert_array_equal(fits.getdata(path), colour_data(seed=2))
    with pytest.raises(OutputError, match=r"--overwrite"):
        write_tiff16(path, colour_data())


def test_output_where_none_can_be(tmp_path):
    deep = tmp_path / "new folder" / "l'oeil & $HOME" / "deep"
    with pytest.raises(OutputError, match=r"no folder .*deep. Type: mkdir -p") as error:
        write_fits(deep / "a.fits", colour_data())
    subprocess.run(advice(error, "Type:"), check=True)
    write_fits(deep / "a.fits", colour_data())
    with pytest.raises(OutputError, match=r"this is a folder. Give a file name in it"):
        write_fits(tmp_path, colour_data())
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OutputError, match=r"not a regular file"):
        write_fits(tmp_path / "pipe", colour_data(), overwrite=True)
    with pytest.raises(
        OutputError, match=r"cannot be written: File name too long. Give a shorter name"
    ):
        write_fits(tmp_path / ("n" * 300), colour_data())
    assert not list(tmp_path.glob(".starcal*"))
    write_fits(tmp_path / "short.fits", colour_data())


def test_folder_that_may_not_be_written_to(tmp_path, monkeypatch):
    """Root may write anywhere, so the answer of the system is played."""
    with monkeypatch.context() as patch:
        patch.setattr(output_module.os, "access", lambda path, mode: False)
        with pytest.raises(
            OutputError, match=r"may not be written to. Type: chmod u\+w"
        ) as error:
            write_fits(tmp_path / "a.fits", colour_data())
    subprocess.run(advice(error, "Type:"), check=True)
    write_fits(tmp_path / "a.fits", colour_data())


def test_link_is_followed(tmp_path):
    write_fits(tmp_path / "real.fits", colour_data())
    (tmp_path / "link.fits").symlink_to(tmp_path / "real.fits")
    write_fits(tmp_path / "link.fits", colour_data(seed=2), overwrite=True)
    assert (tmp_path / "link.fits").is_symlink()
    np.testing.assert_array_equal(fits.getdata(tmp_path / "real.fits"), colour_data(seed=2))


@pytest.mark.parametrize("step", ["fsync", "replace"])
@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "No space left on device. Free some space"),
        (errno.EACCES, "Permission denied. Check that the folder"),
        (errno.EROFS, "Read-only file system. Check that the folder"),
    ],
)
def test_disk_full_or_read_only(tmp_path, monkeypatch, number, words, step):
    """The system's refusal is played (root may write anywhere, and nobody wants to fill a disk)."""
    path = tmp_path / "a.fits"
    write_fits(path, colour_data())

    def refuse(*arguments):
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(output_module.os, step, refuse)
        with pytest.raises(OutputError, match=f"cannot be written: {words}"):
            write_fits(path, colour_data(seed=2), overwrite=True)
    np.testing.assert_array_equal(fits.getdata(path), colour_data())
    assert os.listdir(tmp_path) == ["a.fits"]
    write_fits(path, colour_data(seed=2), overwrite=True)


def run_python(code, *arguments):
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.slow
def test_real_limit_of_the_file_size(tmp_path):
    code = """
import resource, sys, numpy as np
from starcal.frame import write_fits
resource.setrlimit(resource.RLIMIT_FSIZE, (10000, 10000))
try:
    write_fits(sys.argv[1], np.ones((3, 40, 60), np.float32))
except OSError as error:
    print(type(error).__name__, error)
"""
    result = run_python(code, tmp_path / "a.fits")
    assert result.stdout.startswith("OutputError"), result.stderr
    assert "File too large. The file system or a limit" in result.stdout
    assert os.listdir(tmp_path) == []


@pytest.mark.slow
def test_killed_before_the_rename_leaves_the_old_output(tmp_path):
    path = tmp_path / "a.fits"
    write_fits(path, colour_data())
    code = """
import os, signal, sys, numpy as np
from starcal.frame import atomic_write
with atomic_write(sys.argv[1], overwrite=True) as file:
    file.write(b"half")
    file.flush()
    os.kill(os.getpid(), signal.SIGKILL)
"""
    assert run_python(code, path).returncode == -signal.SIGKILL
    np.testing.assert_array_equal(fits.getdata(path), colour_data())
    left = [each.name for each in tmp_path.iterdir() if each != path]
    assert all(name.startswith(".starcal-") for name in left)
    read_frame(path)  # whatever comes next to the folder clears up
    assert os.listdir(tmp_path) == ["a.fits"]


def test_error_or_interruption_while_writing_leaves_nothing(tmp_path):
    def write(trouble):
        with atomic_write(tmp_path / "a.txt") as file:
            file.write(b"half")
            trouble()

    def interrupt():
        raise KeyboardInterrupt

    for error, trouble in ((KeyboardInterrupt, interrupt), (ZeroDivisionError, lambda: 1 / 0)):
        with pytest.raises(error):
            write(trouble)
    assert os.listdir(tmp_path) == []
    with pytest.raises(OutputError, match=r"the file exists"):
        write(lambda: (tmp_path / "a.txt").write_text("somebody was faster"))
    assert (tmp_path / "a.txt").read_text() == "somebody was faster"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_errors_pickle():
    error = FrameError("a.fits: the file is empty.")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


# ----------------------------------------------------------------------------------------------------
# real frames

needs_real = pytest.mark.skipif(
    not SHARED.is_dir(), reason="no real frames beside the repository (../shared/frames)"
)


@needs_real
def test_real_cube():
    path = SHARED / "M67_RVB_aligned_cube.fits"
    frame, data = read_frame(path), fits.getdata(path)
    good = np.isfinite(frame.pixels)
    np.testing.assert_allclose(
        frame.pixels[good], data[good] / np.float32(65535), rtol=FLOAT32_STEP
    )
    assert not np.any(
        good & (data == 0) & (np.arange(data.shape[2]) < 4)
    )  # the edge columns that were set to 0
    assert good.mean() > 0.96
    assert pixel_scale_arcsec(frame.wcs) == pytest.approx(
        0.854, abs=0.001
    )  # the folder's README, three digits
    assert frame.epoch_yr == pytest.approx(1990.97, abs=0.005)


@pytest.mark.slow
@needs_real
def test_real_files_without_wcs_have_old_dates():
    frame = read_channels(*(SHARED / f"M67_{band}_original_nowcs.fits" for band in "RVB"))
    assert frame.wcs_missing == (
        "CTYPE1",
        "CTYPE2",
    )  # there are CRVAL, CRPIX and CDELT, of pixels
    assert frame.epoch_yr == pytest.approx(1990.97, abs=0.005)


def test_what_the_file_held_where_it_had_no_data_can_be_put_back(tmp_path):
    pixels = np.random.default_rng(3).uniform(0.1, 0.2, (3, 60, 80)).astype(np.float32)
    pixels[:, :20] = 0
    fits.writeto(tmp_path / "bordered.fits", pixels)
    frame = read_frame(tmp_path / "bordered.fits")
    assert np.isnan(frame.pixels[:, :20]).all()
    np.testing.assert_array_equal(frame.refill(frame.pixels.copy()), pixels)
    pixels[:, 30, 30] = np.nan  # with holes besides borders nobody knows which was which
    fits.writeto(tmp_path / "holed.fits", pixels)
    assert np.isnan(read_frame(tmp_path / "holed.fits").blank_value)


def test_cores_beyond_full_scale_are_read_as_they_were_written(tmp_path):
    """A layer whose rebuilt cores exceed full scale many times keeps its scale."""
    pixels = np.full((3, 20, 30), 0.1, np.float32)
    pixels[:, 5:9, 5:9] = 12.0
    write_fits(tmp_path / "layer.fits", pixels)
    assert fits.getheader(tmp_path / "layer.fits")["FULLSCAL"] == 1
    again = read_frame(tmp_path / "layer.fits")
    assert again.full_scale == 1
    assert np.array_equal(again.pixels, pixels)
    assert again.full_scale_source == "FULLSCAL in its header"
    fits.setval(tmp_path / "layer.fits", "FULLSCAL", value="ample")  # another program's card
    assert read_frame(tmp_path / "layer.fits").full_scale == 12.0
    write_fits(tmp_path / "dim.fits", 0.01 * pixels, again.header)
    assert "FULLSCAL" not in fits.getheader(tmp_path / "dim.fits")
    dark = np.float32(4e-5) * pixels  # as a dim frame is without its stars
    write_fits(tmp_path / "dark.fits", dark)
    np.testing.assert_array_equal(read_frame(tmp_path / "dark.fits").pixels, dark)


@pytest.mark.parametrize("kind", ["u1", "i1", "u2", "i2", "u4", "i4", "f4", "f8"])
def test_fits_in_the_numbers_of_its_source(tmp_path, kind):
    """astropy is the other reader; what did not change is the same to the bit, BLANK included."""
    numbers, source, out = colour_data(kind), tmp_path / "a.fits", tmp_path / "b.fits"
    fits.writeto(source, numbers)
    if kind == "i2":
        with fits.open(source, mode="update", uint=False) as file:
            file[0].data[0, 2, 3] = file[0].header["BLANK"] = -32768
    frame = read_frame(source)
    changed = np.zeros((ROWS, COLUMNS), bool)
    changed[20:25] = True
    picture = np.where(changed, np.float32(0.25), frame.pixels)
    picture[:, 22, 5] = 3.0
    words = (picture, changed, frame.full_scale, frame.header)
    n_clipped = write_fits_in_kind(out, source, *words)
    assert n_clipped == (np.dtype(kind).kind != "f")
    with fits.open(source, uint=True) as old, fits.open(out, uint=True) as new:
        new.verify("exception")
        assert new[0].header["BITPIX"] == old[0].header["BITPIX"]
        before, after = old[0].data, new[0].data
    assert after.dtype.newbyteorder("=") == before.dtype.newbyteorder("=")
    np.testing.assert_array_equal(after[:, ~changed], before[:, ~changed])
    again = read_frame(out)
    assert again.full_scale == frame.full_scale
    assert again.pixels[:, 21] == pytest.approx(0.25, abs=0.005)


def exif_directory(order, at, entries):
    """A directory of a TIFF by the letter of TIFF 6.0, section 2; `at` is where it will lie."""
    head, tail = struct.pack(f"{order}H", len(entries)), b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, kind, count, value in entries:
        head += struct.pack(f"{order}HHI", tag, kind, count)
        if len(value) > 4:
            head += struct.pack(f"{order}I", behind + len(tail))
            tail += value + bytes(len(value) % 2)
        else:
            head += value.ljust(4, b"\0")
    return head + bytes(4) + tail


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_cameras_notes_in_a_tiff_are_kept(tmp_path, order):
    """The notes are packed by hand, and read back by tifffile."""
    source, out = tmp_path / "a.tif", tmp_path / "b.tif"
    pixels = colour_data(np.uint16).transpose(1, 2, 0)
    options = {"photometric": "rgb", "byteorder": order, "metadata": None}
    places = [(64000, "I", 1, 0, True), (64001, "I", 1, 0, True)]
    tifffile.imwrite(source, pixels, extratags=places, **options)
    content = bytearray(source.read_bytes())
    notes = {
        34665: [
            (33434, 5, 1, struct.pack(f"{order}II", 300, 1)),
            (34855, 3, 1, struct.pack(f"{order}H", 800)),
            (36867, 2, 20, b"2024:01:02 03:04:05\0"),
            (37500, 7, 9, b"makernote"),
        ],
        34853: [(2, 5, 3, struct.pack(f"{order}6I", 50, 1, 30, 1, 3, 2))],
    }
    with tifffile.TiffFile(source) as tiff:
        tags = [tiff.pages[0].tags[code] for code in (64000, 64001)]
    for tag, (code, entries) in zip(tags, notes.items(), strict=True):
        struct.pack_into(f"{order}H", content, tag.offset, code)
        struct.pack_into(f"{order}I", content, tag.valueoffset, len(content))
        content += exif_directory(order, len(content), entries)
    source.write_bytes(content)
    display = np.full((3, ROWS, COLUMNS), 1.5, np.float32)
    changed = np.zeros((ROWS, COLUMNS), bool)
    changed[-1, 0] = True  # brighter than the numbers reach
    write_in_kind(out, source, display, changed, 65535.0)
    pixels[0, 0] = 65535
    with tifffile.TiffFile(out) as tiff:
        camera, place = (tiff.pages[0].tags[code].value for code in notes)
        np.testing.assert_array_equal(tiff.asarray(), pixels)
    assert camera["ExposureTime"] == (300, 1)
    assert camera["ISOSpeedRatings"] == 800
    assert camera["DateTimeOriginal"] == "2024:01:02 03:04:05"
    assert camera["MakerNote"] == b"makernote"
    assert place["GPSLatitude"] == (50, 1, 30, 1, 3, 2)
