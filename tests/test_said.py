"""What a check says besides its verdict, in plain words: large gains, unlike widths, cards that are
not of the standard."""

import warnings

import numpy as np
import pytest
from astropy.io import fits

import starcal
from starcal.choices import Settings
from starcal.cli.main import main
from starcal.frame import write_fits
from starcal.view.job import open_job

FIELD = {"seed": 1, "scale_arcsec": 4.0, "faint_to_mag": 13.5}


@pytest.mark.slow
def test_a_gain_beyond_five_is_said(scene_of, frame_of):
    found = starcal.check(frame_of(scene_of(**FIELD, channel_gains=(0.8, 1.0, 0.1))))
    assert found.gains[2] > 5
    (said,) = [note for note in found.fit_notes if "the gain of B is" in note]
    assert "scaled very unlike each other" in said
    assert "the gain of B is" in str(found)


@pytest.mark.slow
@pytest.mark.parametrize(("times", "said"), [(1.2, False), (2.0, True)])
def test_widths_that_differ_by_more_than_half_are_said(scene_of, frame_of, times, said):
    scene = scene_of(**FIELD, fwhm_px=(2.2, 2.2, 2.2 * times))
    found = starcal.check(frame_of(scene), assume_linear=True)
    notes = [note for note in found.fit_notes if "times as wide in one channel" in note]
    assert bool(notes) == said
    if said:
        assert "coloured rims whatever the gains" in notes[0]


@pytest.fixture
def odd_cards(scene_of, tmp_path):
    """A frame whose header has numbers as other programs write them."""
    scene = scene_of(**FIELD)
    header = scene.header.copy()
    header["GAIN"], header["AIRMASS"] = "x" * 10, "y" * 10
    path = tmp_path / "odd.fits"
    write_fits(path, scene.pixels, header)
    raw = path.read_bytes()
    for letter in (b"x", b"y"):
        card = b"'" + 10 * letter + b"'"
        assert raw.count(card) == 1
        raw = raw.replace(card, b"1.500000e-04")  # the exponent's letter has to be a capital
    path.write_bytes(raw)
    return path


@pytest.mark.slow
def test_odd_cards_are_one_note_and_print_nothing(odd_cards, capfd):
    with warnings.catch_warnings():
        warnings.simplefilter("always")  # as where nobody has made errors of them
        job = open_job(Settings(frame=str(odd_cards), assume_linear=True))
        assert main(["check", "-q", "--assume-linear", str(odd_cards)]) == 0
    assert capfd.readouterr() == ("", "")
    said = [note for note in job.check.notes if "not of the FITS standard" in note]
    assert len(said) == 1
    assert "GAIN, AIRMASS" in said[0]
    assert not any("erification" in note for note in job.check.notes)
    assert np.isfinite(fits.getdata(odd_cards)).all()
