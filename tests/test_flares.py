"""Spikes and reflections against frames of known truth, nastier than what the code believes: arms
unequal, bent, doubled and knotty, longer in red; discs with a hole, cut, of another radius and
place in each channel and corner."""

from functools import cache

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree

from starcal import layers
from starcal.demo.faults import moffat_profile
from starcal.demo.optics import make_optics
from starcal.layers.flares import Flares
from starcal.layers.light import StarModel
from starcal.stars import measure_stars

SMALL = {"shape": (420, 560), "count": 220, "bright": 10}


@cache
def made(seed, **optics):
    frame = make_optics(seed, **SMALL, **optics)
    stars = measure_stars(frame.pixels)
    return frame, stars, layers.split(frame.pixels, stars)


def light_left(frame, split):
    """Share of the flares' light that stays in the starless frame, weighted by that light: what
    the eye sees. Pixels that were full, and those beside them, show nothing."""
    noise = frame.noise[:, None, None]
    full = ndimage.binary_dilation(frame.full.any(axis=0), iterations=2)
    use = (frame.flares > 0.3 * noise) & ~full
    light = np.where(use, frame.flares, 0) / noise
    left = np.where(use, split.starless - frame.empty, 0) / noise
    return float((light * left).sum() / (light**2).sum())


SINCE_WINGS = "9.5 % stay since wings are light of their own, 7.8 % before: not mended"


@pytest.mark.campaign
@pytest.mark.xfail(strict=True, raises=AssertionError, reason=SINCE_WINGS)
@pytest.mark.parametrize(("seed", "kind", "arms"), [(3, "nasty", 6)])
def test_spikes_go_with_their_stars(seed, kind, arms):
    """Issue 11, section 3, aims at 3 % of their light left; these small frames have fewer stars,
    and six unequal arms share their light."""
    frame, _, split = made(seed, spikes=kind, arms=arms)
    assert len(split.model.flares.arms_deg) == arms
    assert abs(light_left(frame, split)) < (0.06 if arms == 4 else 0.08)
    np.testing.assert_array_equal(split.starless + split.stars, frame.pixels)


@pytest.mark.campaign
@pytest.mark.parametrize(("seed", "kind"), [(2, "nasty")])
def test_discs_go_with_their_stars(seed, kind):
    """Issue 11, section 3: 10 % of their light left. The radius, 28 px, to a cell of 3 px."""
    frame, _, split = made(seed, discs=kind)
    assert split.model.flares.disc_px == pytest.approx(28, abs=3)
    assert split.model.flares.arms_deg == ()
    assert abs(light_left(frame, split)) < 0.10


@pytest.mark.campaign
def test_no_stars_are_made_of_spikes():
    """Of entries that lie on arms and near no star, one in twenty is left at most."""
    frame, _, split = made(2, spikes="nasty", arms=4)
    places = np.column_stack([split.model.x_px, split.model.y_px])
    alone = cKDTree(np.column_stack([frame.x_px, frame.y_px])).query(places)[0] > 3
    column, row = np.rint(places).astype(int).T
    on_arms = np.max(frame.flares / frame.noise[:, None, None], axis=0)[row, column] > 1
    pieces = alone & on_arms
    assert np.count_nonzero(pieces) > 50
    assert np.mean(split.model.reach_px[pieces] > 0) < 0.05


@pytest.mark.campaign
@pytest.mark.parametrize("seed", [1, 2])
def test_a_frame_without_spikes_has_none(seed):
    """And the profile next to its full cores, 1.5 to 2.3 widths out, is the one put in to 4 %, in
    the middling channel: it is what these stars leave as rings, and unclipped ones tell it to 8 %."""
    _, _, split = made(seed)
    assert split.model.flares is None
    turn, away = np.linspace(0, 2 * np.pi, 48), 2.7 * np.linspace(1.5, 2.3, 7)[:, None]
    x, y = away * np.cos(turn), away * np.sin(turn)
    node = np.array([-1, 0, 1]) / 3  # of a pixel, which sums the light
    put_in = sum(moffat_profile(2.7, 3.0)(x + a, y + b, 0, 0) for a in node for b in node) / 9
    off = []
    for psf in split.model.psf:
        found = psf((x + psf.shift_px[0]).astype("f4"), (y + psf.shift_px[1]).astype("f4"))
        off.append(np.sqrt(np.mean((found / put_in - 1) ** 2)))
    assert np.median(off) < 0.04


@pytest.mark.campaign
def test_flares_have_the_colours_of_their_stars():
    """The layer is of one colour: every pixel of it, spikes and all, has the ratios asked for."""
    frame, stars, split = made(2, spikes="nasty", arms=4)
    rgb = np.tile([1.2, 0.95, 0.915], (len(stars), 1))
    rgb /= rgb[0] @ [0.2126, 0.7152, 0.0722]
    layer = layers.recolour(split, rgb)
    flares = split.model.flares
    seen = layer[:, flares.row, flares.column]
    bright = np.abs(seen[1]) > 1e-6
    np.testing.assert_allclose(seen[0, bright] / seen[1, bright], 1.2 / 0.95, rtol=1e-3)
    outside = ~split.footprint
    np.testing.assert_array_equal(split.starless[:, outside], frame.pixels[:, outside])


def arm_alone():
    """A split of one star of which nothing is left but an arm, 3 px wide."""
    row, column = np.nonzero(np.abs(np.subtract.outer(np.arange(200), np.arange(200))) < 2)
    light = np.full((3, len(row)), 0.01, np.float32)
    star = np.zeros(len(row), int)
    flares = Flares(star=star, row=row, column=column, light=light, doubt=light)
    none, three = np.zeros(1), np.zeros((3, 1))
    model = StarModel(
        x_px=none, y_px=none, psf=(), warp=np.ones((3, 1, 3)), flux=three, flux_error=three,
        misfit=three, reach_px=none, flares=flares,
    )  # fmt: skip
    plane = np.zeros((200, 200), np.float32)
    plane[row, column] = 0.01
    stars = np.array([plane] * 3)
    nebula = layers.Starless.left_by(stars, stars, plane > 0)
    return layers.Split(nebula, stars, plane > 0, model)


@pytest.mark.parametrize("scale", [0.25, 1.0, 1.4])
def test_flares_are_seen_on_other_pixels(scale):
    """Those of a screen, turned against the frame's: all of their light, and an even arm."""
    split, size = arm_alone(), (round(300 * scale), round(300 * scale))
    turn = scale * np.array([[np.cos(0.3), -np.sin(0.3)], [np.sin(0.3), np.cos(0.3)]])
    matrix = np.column_stack([turn, [150 * scale] * 2 - turn @ [100, 100]])
    seen = layers.shares_on_grid(split, matrix, size).toarray().reshape(size)
    assert seen.sum() == pytest.approx(scale**2 * split.stars[1].sum(), rel=1e-4)
    x, y = matrix @ np.stack([*np.tile(np.arange(20, 180), (2, 1)), np.ones(160)])
    along = ndimage.map_coordinates(ndimage.gaussian_filter(seen, scale + 1), [y, x], order=1)
    assert along.std() < 0.1 * along.mean()


@pytest.mark.slow
def test_charge_that_ran_over_goes_with_its_star():
    """Columns of full pixels from the bright stars, one of them 70 px long to either side: nothing of
    it stays in the starless frame, no star is made of it, and a rebuilt star is round again."""
    frame = make_optics(2, **SMALL, bloom=True)
    pixels = frame.pixels.copy()
    whole = (frame.y_px > 75) & (frame.y_px < pixels.shape[1] - 75)
    brightest = np.argmax(np.where(whole, frame.flux[1], 0))
    column, row = round(frame.x_px[brightest]), round(frame.y_px[brightest])
    far = np.s_[:, row - 70 : row + 71, column : column + 2]
    pixels[far] = pixels.max(axis=(1, 2))[:, None, None]
    stars = measure_stars(pixels)
    split = layers.split(pixels, stars)
    np.testing.assert_array_equal(split.starless + split.stars, pixels)
    noises = (split.starless - frame.empty)[far] / frame.noise[:, None, None]
    assert (
        np.percentile(np.abs(noises), 95) < 10
    )  # sigmas; the nebula under a full core, see above
    assert "ran over" in " ".join(split.notes)
    places = np.column_stack([split.model.x_px, split.model.y_px])[split.model.reach_px > 0]
    away = cKDTree(np.column_stack([frame.x_px, frame.y_px])).query(places)[0]
    on_column = (np.abs(places[:, 0] - column) < 3) & (np.abs(places[:, 1] - row) < 72)
    assert not np.any(on_column & (away > 3))
    rebuilt, _ = layers.rebuilt_cores(split, pixels, stars)
    beyond = np.s_[
        :, row + 45 : row + 71, column : column + 2
    ]  # farther than its own light shows
    assert np.all(rebuilt.stars[beyond] < 5 * frame.noise[:, None, None])
