"""Frames from whatever a program has in its hands, choices with units, and the log."""

import logging
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import Angle
from astropy.io import fits
from astropy.nddata import CCDData, NDData
from astropy.wcs import WCS

import starcal
from starcal.audit import judging
from starcal.errors import CatalogueError, FrameError, OutputError
from starcal.frame.given import frame_of
from starcal.pipeline import folder_of
from starcal.progress import Logged, silent

RNG = np.random.default_rng(5)
PIXELS = np.clip(0.1 + 0.02 * RNG.standard_normal((3, 40, 50)), 0, 0.9).astype(np.float32)
PIXELS[:, 20, 25] = 0.95


@pytest.fixture(scope="module")
def wcs():
    made = WCS(naxis=2)
    made.wcs.ctype = "RA---TAN", "DEC--TAN"
    made.wcs.crval, made.wcs.crpix, made.wcs.cdelt = (314.8, 44.5), (25, 20), (-1e-3, 1e-3)
    return made


def adu(kind):
    return np.rint(60000 * PIXELS).astype(kind)


@pytest.mark.parametrize(
    ("given", "full_scale"),
    [
        (PIXELS, 1.0),
        (np.moveaxis(PIXELS, 0, -1), 1.0),
        (PIXELS.astype(">f8"), 1.0),
        (PIXELS.astype("f2"), 1.0),
        (adu("u2"), 65535.0),
        (adu(">u2"), 65535.0),
        (adu("i8"), 65535.0),  # numbers of 16 bits in a wide type, as programs hold them
        (np.moveaxis(adu("f4"), 0, -1), 65535.0),
        (PIXELS * u.adu, 1.0),
        (fits.PrimaryHDU(PIXELS), 1.0),
        (fits.ImageHDU(adu("u2")), 65535.0),
        (fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(PIXELS)]), 1.0),
        (CCDData(PIXELS, unit="adu"), 1.0),
        (NDData(np.moveaxis(PIXELS, 0, -1)), 1.0),
    ],
    ids=lambda each: type(each).__name__ if not isinstance(each, float) else "",
)
def test_every_kind_of_array_is_the_same_frame(given, full_scale):
    frame = frame_of(given)
    assert frame.pixels.dtype == np.float32
    assert frame.full_scale == full_scale
    expected = PIXELS * (60000 / 65535 if full_scale > 1 else 1)
    np.testing.assert_allclose(frame.pixels, expected, atol=6e-4)  # a half float's step at 1
    assert frame.wcs is None


def test_what_is_given_is_copied_and_what_is_masked_is_no_data(wcs):
    values, mask = PIXELS.copy(), np.zeros(PIXELS.shape, bool)
    mask[:, 3, 4] = True
    for given in (
        CCDData(values, unit="adu", mask=mask, wcs=wcs),
        np.ma.array(values, mask=mask),
    ):
        frame = frame_of(given, wcs=wcs)
        assert np.isnan(frame.pixels[:, 3, 4]).all()
        frame.pixels[:] = 0
        np.testing.assert_array_equal(values, PIXELS)


def test_a_wcs_comes_along_or_is_given(wcs):
    for frame in (
        frame_of(CCDData(PIXELS, unit="adu", wcs=wcs)),
        frame_of(PIXELS, wcs=wcs),
        frame_of(frame_of(PIXELS), wcs=wcs.to_header()),
        frame_of(fits.PrimaryHDU(PIXELS, header=wcs.to_header())),
    ):
        ra_deg, dec_deg = frame.wcs.all_pix2world(24, 19, 0)
        assert float(ra_deg) == pytest.approx(314.8, abs=1e-9)
        assert float(dec_deg) == pytest.approx(44.5, abs=1e-9)
        assert frame.header["CTYPE1"] == "RA---TAN"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (PIXELS[0], r"\(40, 50\): \(3, y, x\) or \(y, x, 3\) needed"),
        (PIXELS[:2], "needed, in R, G, B"),
        (PIXELS.astype(complex), "complex64|complex128"),
        (PIXELS > 0.1, "real numbers needed"),
        (np.zeros((3, 40, 50)), "there is no picture in it"),
        (None, "NoneType given: a file's name or an array"),
    ],
)
def test_what_is_no_colour_picture_is_refused(given, said):
    with pytest.raises(FrameError, match=said):
        frame_of(given)


def test_what_is_of_another_kind_is_named():
    with pytest.raises(TypeError, match="'gaia' given as choices"):
        starcal.check(PIXELS, "gaia")
    with pytest.raises(FrameError, match="wcs of type int given"):
        frame_of(PIXELS, wcs=3)
    with pytest.raises(CatalogueError, match=r"Path\('a.csv'\) given; it is one of"):
        starcal.Choices(catalogue=Path("a.csv"))


def test_an_audit_takes_colours_last(monkeypatch):
    seen = []
    monkeypatch.setattr(judging, "measure_stars", lambda pixels: seen.append(pixels) or 1 / 0)
    with pytest.raises(ZeroDivisionError):
        starcal.audit_picture(np.moveaxis(PIXELS, 0, -1))
    np.testing.assert_array_equal(seen[0], PIXELS)


def test_an_array_needs_a_folder_to_write_to():
    with pytest.raises(OutputError, match="out=FOLDER"):
        folder_of(PIXELS)


def test_choices_take_units():
    choices = starcal.Choices(
        ra=5.5 * u.hourangle, dec=Angle("-5d23m"), scale=0.05 * u.arcmin, timeout=2 * u.min
    )
    assert choices.ra == pytest.approx(82.5)
    assert choices.dec == pytest.approx(-(5 + 23 / 60))
    assert choices.scale == pytest.approx(3.0)
    assert choices.timeout == 120
    with pytest.raises(ValueError, match="something in arcsec needed"):
        starcal.Choices(scale=3 * u.kg)
    assert starcal.Kit(aperture_mm=8 * u.cm, focal_mm=0.4 * u.m) == starcal.Kit(
        aperture_mm=80, focal_mm=400
    )


def test_reprs_are_short():
    assert repr(starcal.Choices(warmth=1.2)) == "Choices(warmth=1.2)"
    assert len(repr(frame_of(PIXELS))) < 400


def test_each_step_stands_once_in_the_log(caplog):
    told = []
    with caplog.at_level(logging.INFO, logger="starcal"):
        progress = Logged(Logged(lambda step, share: told.append((step, share))))
        for share in (0.0, 0.2):
            progress("reading", share)
        progress("fitting", 0.5)
    assert told == [("reading", 0.0), ("reading", 0.2), ("fitting", 0.5)]
    assert caplog.messages == ["reading (0 %)", "fitting (50 %)"]
    assert starcal.notebook_progress() is silent  # no notebook here


def test_the_help_of_the_package_is_a_table_of_contents():
    public = [name for name in starcal.__all__ if not name.startswith("__")]
    assert [name for name in public if name not in starcal.__doc__] == []
