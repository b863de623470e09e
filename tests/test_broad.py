"""What is wider than stars and has their colours: told from single stars and from pairs."""

import numpy as np

from starcal.demo.light import add_stars
from starcal.layers.broad import broad
from starcal.layers.light import Channel
from starcal.layers.psf import textbook_psf
from starcal.layers.second_light import FittedChannel
from starcal.layers.warp import SAME

FWHM_PX, BETA, NOISE = 2.7, 3.0, 1e-4
X_PX = np.arange(20.0, 261.0, 24.0) + np.linspace(-0.4, 0.4, 11)
Y_PX = np.full(11, 20.3)
SNR = np.arange(200.0, 310.0, 10.0)


def channel_with(wide_fwhm_px):
    """Eleven entries in a row: singles, a pair 1.2 widths apart at 4 and 6, and something wide at 5,
    which has a star two widths from it; all as bright."""
    plane = np.zeros((41, 281), np.float32)
    beyond_px = 2 * FWHM_PX
    single = np.delete(X_PX, 5)
    at_x = np.concatenate([single, X_PX[[4, 6]], X_PX[[5]]])
    at_y = np.concatenate([np.full(10, 20.3), Y_PX[[4, 6]] + 1.2 * FWHM_PX, [20.3 - beyond_px]])
    add_stars(plane, at_x, at_y, np.full(13, 0.1), FWHM_PX, BETA, floor=1e-7)
    add_stars(plane, X_PX[[5]], Y_PX[[5]], np.array([0.1]), wide_fwhm_px, BETA, floor=1e-7)
    plane += np.random.default_rng(1).normal(0, NOISE, plane.shape).astype(np.float32)
    channel = Channel(
        index=0, name="R", plane=plane, sky=0.0, noise=NOISE, electrons_per_unit=np.inf,
        clip_level=np.nan, fwhm_px=FWHM_PX,
    )  # fmt: skip
    x_px, y_px = np.append(X_PX, X_PX[5]), np.append(Y_PX, 20.3 - beyond_px)
    return FittedChannel(
        channel=channel,
        psf=textbook_psf(FWHM_PX, BETA, 2.5),
        warp=np.tile(SAME, (12, 1)),
        x_px=x_px,
        y_px=y_px,
        flux=np.full(12, 0.1),
    )


def told(narrow_side, *channels):
    """Which of the entries are broad, their widths with their neighbours as given."""
    whole = np.ones(12, bool)
    return broad(list(channels), narrow_side, np.append(SNR, 305.0), whole)


def test_what_is_wider_across_as_well_is_no_star():
    """Half as wide again, in all channels; neither pairs nor what is beside a star, nor what one
    channel shows wide."""
    measured = np.full(12, 1.5)  # neighbours spoil all of them
    measured[:4] = measured[7:] = 1.0
    wide, narrow = channel_with(1.5 * FWHM_PX), channel_with(FWHM_PX)
    assert np.flatnonzero(told(measured, wide, wide)).tolist() == [5]
    assert not told(measured, wide, narrow).any()


def test_where_all_bright_entries_are_wide_none_is_told_by_it():
    """As of light that is bent, or full cores that nobody has told."""
    assert not told(np.full(12, 1.5), channel_with(1.5 * FWHM_PX)).any()
