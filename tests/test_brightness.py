"""What stars of a brightness have round them that is not in proportion to their light."""

from dataclasses import replace

import numpy as np
import pytest

from starcal.demo.light import add_stars
from starcal.layers.brightness import surplus_of
from starcal.layers.light import Channel, StarModel, star_light
from starcal.layers.psf import textbook_psf
from starcal.layers.warp import SAME

FWHM_PX, BETA, NOISE = 2.7, 3.0, 1e-4
AT_PX = np.mgrid[20.0:360:40, 20.0:200:40].reshape(2, -1)
ROWS, COLUMNS = np.mgrid[:200, :360]
AWAY_PX = np.hypot(COLUMNS % 40 - 20, ROWS % 40 - 20)  # from the next star
FLUX = np.geomspace(0.02, 2, 45)
HALO = 12 * NOISE  # as high round every star


def channels_with(halo, slope):
    """Stars that each have the same light 4 to 9 px away, on ground that rises to the right."""
    plane = np.zeros((200, 360), np.float32)
    add_stars(plane, *AT_PX, FLUX, FWHM_PX, BETA, floor=1e-7)
    plane[(AWAY_PX >= 4) & (AWAY_PX < 9)] += halo
    plane += (slope * COLUMNS).astype(np.float32)
    plane += np.random.default_rng(3).normal(0, NOISE, plane.shape).astype(np.float32)
    one = Channel(
        index=0, name="R", plane=plane, sky=0.0, noise=NOISE, electrons_per_unit=np.inf,
        clip_level=np.nan, fwhm_px=FWHM_PX,
    )  # fmt: skip
    return [one, replace(one, index=1), replace(one, index=2)]


def model_of():
    """The stars as their profile has them."""
    count = len(FLUX)
    return StarModel(
        x_px=AT_PX[0],
        y_px=AT_PX[1],
        psf=(textbook_psf(FWHM_PX, BETA, 2.5),) * 3,
        warp=np.tile(SAME, (3, count, 1)).astype(np.float32),
        flux=np.tile(FLUX, (3, 1)),
        flux_error=np.full((3, count), NOISE),
        misfit=np.full((3, count), 0.01),
        reach_px=np.full(count, 18.0),
    )


@pytest.mark.parametrize(("halo", "most"), [(HALO, 0.2 * HALO), (0, NOISE / 2)])
def test_what_each_star_has_alike_goes_with_it(halo, most):
    """And where there is nothing, nothing does: neither noise nor a slope of the ground."""
    channels = channels_with(halo, slope=NOISE / 20)
    bare = model_of()
    whole = replace(bare, surplus=surplus_of(bare, channels))
    window = np.s_[0:200, 0:360]
    more = star_light(whole, channels, window)[0] - star_light(bare, channels, window)[0]
    assert np.abs(np.median(more[0][np.abs(AWAY_PX - 6.5) < 2]) - halo) < most
    assert np.quantile(np.abs(more[0][AWAY_PX > 11]), 0.95) < NOISE
