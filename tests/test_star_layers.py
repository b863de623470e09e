"""Linear star layers, cut out of a frame by another step: no sky, no noise but that of the stars."""

from dataclasses import replace

import numpy as np
import pytest
from campaigns import also
from made_pictures import NOISE, made_stars, starlight

import starcal
from starcal.choices import Settings
from starcal.frame import write_fits, write_tiff16
from starcal.stars import Flag, measure_stars
from starcal.stars.linearity import measure_linearity
from starcal.stars.noise import frame_noise
from starcal.view.job import cure_of, open_job
from starcal.view.visible import Window, after_shown, before_shown

CUT_PX = 7.0  # radius of the discs that are kept, several widths of a star
FAINTEST_MAG = 13.0  # of the stars that the other step has found
LEVELS = (0.0, 0.01)  # of the background


def cut_out(scene, level=0.0):
    """Discs round the true places of the stars, the sky subtracted and clipped at black, as a
    layer that another program makes has it."""
    rows, columns = np.indices(scene.pixels.shape[1:])
    near = np.zeros(rows.shape, bool)
    for star in scene.truth[scene.truth["v_mag"] < FAINTEST_MAG]:
        near |= np.hypot(columns - star["x_px"], rows - star["y_px"]) < CUT_PX
    light = scene.pixels - np.array(scene.sky)[:, None, None]
    return np.where(near, np.maximum(light, 0) + level, level).astype(np.float32)


@pytest.fixture(scope="module", params=(1, 2))
def scene(request, scene_of):
    return scene_of(seed=request.param, nebula_electrons=0.0, channel_gains=(0.5, 1.0, 0.7))


@pytest.mark.parametrize("level", LEVELS)
def test_noise_is_that_of_the_faint_pixels_of_stars(scene, level):
    """Truth: the noise the frame was made with. Clipping at black halves the faint noise, photons
    add to it: a factor of 4 either way; taken from all blocks, black and all, it was 20 times too
    small."""
    found = frame_noise(cut_out(scene, level))
    assert found.empty_sky
    assert np.allclose(found.sky, level)
    assert np.all(np.abs(np.log(found.noise / np.array(scene.noise))) < np.log(4))


def test_a_frame_with_a_sky_is_no_layer(scene):
    assert not frame_noise(scene.pixels).empty_sky


@pytest.mark.parametrize("stretch", [0, 500])
def test_a_layer_of_bright_cores_tells_whether_it_is_stretched(stretch):
    """Cut at ten times the noise: what the faintest lit pixels show is the slope of stars, by which
    no peak of a stretched layer is clear."""
    rng = np.random.default_rng(1)
    shape = (200, 300)
    stars = made_stars(rng, 50, shape)
    layer = 0.3 * starlight(stars, np.ones((50, 3)), shape)
    layer += NOISE * rng.standard_normal(layer.shape)
    layer[:, layer[1] < 10 * NOISE] = 0
    if stretch:
        layer = np.arcsinh(stretch * layer) / np.arcsinh(stretch)
    layer = np.clip(layer, 0, 1).astype(np.float32)
    assert measure_linearity(layer, measure_stars(layer)).stretched == bool(stretch)


@pytest.mark.slow
@pytest.mark.parametrize("level", LEVELS)
def test_a_layer_is_calibrated_as_its_frame(scene, level, frame_of):
    """Truth: the gains that the scene's channels need, at 5 %: the cut takes a little of each
    star's wings from all channels alike."""
    frame = replace(frame_of(scene), pixels=cut_out(scene, level))
    found = starcal.check(frame)
    assert not found.linearity.stretched
    assert found.verdict.verdict == "rescue"
    assert np.abs(found.gains / starcal.check(frame_of(scene)).gains - 1).max() < 0.05


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "level", "stretched"),
    [("tif", 0.0, True), *also(("tif", 0.01, False), ("fits", 0.0, False))],
)
def test_run_leaves_the_background_of_a_layer_alone(kind, level, stretched, tmp_path, scene_of):
    """The sky of a layer is no measurement: 0 stays 0, a constant stays to the rounding of float32
    (1e-7), and the stars become possible, out to where another step has cut them."""
    scene = scene_of(
        seed=3,
        ra_deg=305.0,
        dec_deg=40.0,
        nebula_electrons=0.0,
        channel_gains=(0.5, 1.0, 0.7),
        shape=(240, 320),
        scale_arcsec=6.0,
    )
    layer = cut_out(scene, level)
    layer = np.arcsinh(60 * layer) / np.arcsinh(60) if stretched else layer
    path = tmp_path / f"layer.{kind}"
    if kind == "fits":
        write_fits(path, layer, scene.header)
    else:
        write_tiff16(path, layer)
    made = starcal.run(path)
    assert made.check.linearity.stretched == stretched
    before = starcal.read_frame(path, full_scale=1.0 if kind == "fits" else None)
    after = starcal.read_frame(made.folder / "picture.fits", full_scale=1.0)
    background = np.median(before.pixels, axis=(1, 2))[:, None, None]
    empty = (before.pixels == background).all(axis=0)
    assert empty.mean() > 0.5
    np.testing.assert_allclose(
        after.pixels[:, empty], before.pixels[:, empty], rtol=1e-6, atol=0
    )
    assert made.audit_after.n_impossible <= 0.02 * made.audit_after.n_judged
    assert made.audit_before.n_impossible > 0.5 * made.audit_before.n_judged
    seen = np.count_nonzero(made.check.stars["flags"] & Flag.FORCED == 0)
    assert made.audit_before.n_found == made.audit_after.n_found == seen
    if level == 0:
        require_shown_as_made(path, made, empty)


def require_shown_as_made(path, made, empty):
    """The page takes the route of the run, and shows what is empty alike before and after, the
    stars not."""
    settings = Settings(frame=str(path))
    job = open_job(settings)
    cure = cure_of(job, job.check, settings)
    assert cure.route == made.check.route
    part = job.look(Window(slice(0, 240), slice(0, 320), 1))
    before = before_shown(job, part, settings)
    after = after_shown(cure, part, settings)
    assert len(np.unique(before[empty])) == len(np.unique(after[empty])) == 1
    assert np.mean(before[~empty] != after[~empty]) > 0.8


def test_a_layer_of_few_stars_has_no_infinite_values(scene):
    """A star alone on black gives no division by nothing."""
    layer = np.zeros_like(cut_out(scene))
    layer[:, 200:212, 300:312] = cut_out(scene)[:, 200:212, 300:312] + 1e-4
    stars = measure_stars(layer)
    assert np.isfinite(stars["snr"]).all()
