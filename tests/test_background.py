"""Sky, noise, electrons per unit and gradient, against pixels whose noise was drawn here."""

import numpy as np
import pytest
from scipy.stats import norm

from starcal.stars.contrast import star_snr
from starcal.stars.noise import BLOCK_PX, FrameNoise, frame_noise
from starcal.stars.rounding import lifted_pixels, rounding_of

SKY, NOISE, ELECTRONS = np.array([0.02, 0.05, 0.01]), np.array([1e-3, 2e-3, 5e-4]), 1e5
SHAPE = (400, 600)
PIXELS = SHAPE[0] * SHAPE[1]


def flat(rng, shape=SHAPE, sky=SKY, noise=NOISE):
    return (
        sky[:, None, None] + noise[:, None, None] * rng.standard_normal((3, *shape))
    ).astype(np.float32)


def photon_frame(rng, levels, electrons=ELECTRONS):
    """Levels (3, y, x) with Poisson noise."""
    return (rng.poisson(levels * electrons) / electrons).astype(np.float32)


def test_sky_and_noise_of_plain_gaussian_sky():
    """Truth: the numbers the pixels were drawn with.

    The darkest fifth of blocks lies low by choice: a block's median has an error of 1.25 sigma /
    16, the mean of three channels' sum selects by 1.4 of it, shared by three; so 0.1 sigma. Noise:
    187 blocks of 256 pixels tell it to under 1 %; 3 % covers the quantisation of medians.
    """
    found = frame_noise(flat(np.random.default_rng(1)))
    assert np.abs(found.sky - SKY).max() <= 0.1 * NOISE.max()
    assert np.all(np.abs(found.sky - SKY) <= 0.1 * NOISE)
    assert np.all(np.abs(found.noise / NOISE - 1) <= 0.03)
    assert isinstance(found, FrameNoise)
    assert not found.has_gradient


def test_scene_sky_and_noise(scene_of):
    """Truth: the scene's. Stars and faint nebula raise the darkest fifth by less than the noise of
    a pixel; noise 3 %: photon noise of what lies on the sky."""
    scene = scene_of(seed=3, channel_gains=(1.0, 0.5, 2.0), sky_electrons=(1e4, 2e4, 1.5e4))
    found = frame_noise(scene.pixels)
    assert np.all(np.abs(found.sky - scene.sky) <= scene.noise)
    assert np.all(np.abs(found.noise / scene.noise - 1) <= 0.03)


def test_noise_of_a_registered_stack():
    """Interpolation by half a pixel makes neighbours alike: variance per pixel falls to a half
    (exactly, along one axis), and pixels two apart share nothing. Differences of nearest neighbours
    would say 0.5 of it."""
    raw = flat(np.random.default_rng(2))
    shifted = (raw[:, :, 1:] + raw[:, :, :-1]) / 2
    assert np.all(np.abs(frame_noise(shifted).noise / (NOISE / np.sqrt(2)) - 1) <= 0.02)


def test_electrons_per_unit_by_photon_transfer():
    """Poisson noise at eight levels, in stripes: variance / level is 1 / ELECTRONS. 10 %: the
    variance of a block of 256 pixels is known to 12 %, the median over hundreds of blocks to 2 %;
    blocks across a step are too noisy."""
    levels = np.broadcast_to(0.02 + 0.05 * np.repeat(np.arange(8), SHAPE[1] // 8), (3, *SHAPE))
    found = frame_noise(photon_frame(np.random.default_rng(3), levels))
    assert np.all(np.abs(np.array(found.electrons_per_unit) / ELECTRONS - 1) <= 0.1)


def test_electrons_per_unit_of_even_sky_ascribes_all_noise_to_photons():
    """sky / noise^2 by definition of a Poisson count; half of the noise from reading makes it half:
    an error that is stated too large, never too small. 5 %: twice the error of the noise."""
    rng = np.random.default_rng(4)
    levels = np.full((3, *SHAPE), 0.05)
    pure = frame_noise(photon_frame(rng, levels)).electrons_per_unit
    assert np.all(np.abs(np.array(pure) / ELECTRONS - 1) <= 0.05)
    read_noise = np.sqrt(0.05 / ELECTRONS)
    noisy = frame_noise(
        photon_frame(rng, levels)
        + (read_noise * rng.standard_normal((3, *SHAPE))).astype(np.float32)
    )
    assert np.all(np.abs(np.array(noisy.electrons_per_unit) / (ELECTRONS / 2) - 1) <= 0.05)


def test_electrons_per_unit_of_a_scene_with_nebula(scene_of):
    """Truth: full well of 1e6 electrons is 1.0 before the gains. Without nebula 10 %, as above.
    Structure of a bright nebula passes for noise, so that fewer electrons are found and errors of
    bright stars are stated too large, never too small: at most 10 % too many, at least a twentieth
    (what is left of sqrt(20) in an error leaves V 10 at SNR 300).
    """
    truth = 1e6 / np.array([1.0, 0.5, 2.0])
    for nebula_electrons, least in ((0.0, 0.9), (2e3, 0.05), (3e4, 0.05)):
        scene = scene_of(
            seed=2, nebula_electrons=nebula_electrons, channel_gains=(1.0, 0.5, 2.0)
        )
        share = np.array(frame_noise(scene.pixels).electrons_per_unit) / truth
        assert np.all((share >= least) & (share <= 1.1)), (nebula_electrons, share)


@pytest.mark.parametrize("angle_deg", [0, 37, 90, 200])
def test_gradient_is_measured_whatever_its_direction(angle_deg):
    """A plane that rises by 8 noises over the width and by 8 over the height, turned: hypot of
    both, 8.

    Blocks of the darkest fifth cover a part of it, their medians err by 0.08 noises: 15 %.
    """
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0 : 1 : SHAPE[0] * 1j, 0 : 1 : SHAPE[1] * 1j]
    angle = np.radians(angle_deg)
    tilt = 8 * NOISE[:, None, None] * (np.cos(angle) * x + np.sin(angle) * y)
    found = frame_noise(flat(rng) + tilt.astype(np.float32))
    assert np.all(np.abs(np.array(found.gradient) / 8 - 1) <= 0.15)
    assert found.has_gradient


def test_a_gradient_in_one_channel_counts():
    rng = np.random.default_rng(6)
    pixels = flat(rng)
    pixels[2] += np.float32(6 * NOISE[2]) * np.linspace(0, 1, SHAPE[1], dtype=np.float32)
    found = frame_noise(pixels)
    assert found.has_gradient
    assert max(found.gradient[:2]) < 1


def test_nan_blocks_are_left_out():
    """Truth: the same frame without the hole, of which 40 % is missing in one channel, 10 % in
    another. Half of the blocks are left, of which the dark fifth is looked at: 5 %."""
    pixels = flat(np.random.default_rng(7))
    pixels[0, :160] = np.nan
    pixels[1, :, 540:] = np.nan
    found = frame_noise(pixels)
    assert np.all(np.abs(found.sky - SKY) <= 0.1 * NOISE)
    assert np.all(np.abs(found.noise / NOISE - 1) <= 0.05)


def test_scattered_nan_pixels_do_not_matter():
    rng = np.random.default_rng(8)
    pixels = flat(rng)
    pixels[rng.random(pixels.shape) < 0.1] = np.nan
    found = frame_noise(pixels)
    assert np.all(np.abs(found.sky - SKY) <= 0.1 * NOISE)
    assert np.all(np.abs(found.noise / NOISE - 1) <= 0.03)


def test_stars_do_not_raise_sky_or_noise():
    """3 % of the pixels are far brighter: the median of a block moves by 0.04 noises; of the second
    differences, three pixels each, 9 % are spoilt, which moves their median by 12 %, and by less in
    the darkest fifth."""
    rng = np.random.default_rng(9)
    pixels = flat(rng)
    pixels[:, rng.random(SHAPE) < 0.03] += 0.5
    found = frame_noise(pixels)
    assert np.all(np.abs(found.sky - SKY) <= 0.1 * NOISE)
    assert np.all(np.abs(found.noise / NOISE - 1) <= 0.12)


def test_constant_plane():
    """No noise at all: 0, and an infinite number of electrons, not an error."""
    found = frame_noise(np.full((3, 64, 64), 0.25, np.float32))
    assert found.sky == (0.25,) * 3
    assert found.noise == (0.0,) * 3
    assert found.electrons_per_unit == (np.inf,) * 3
    assert found.gradient == (0.0,) * 3


def test_one_dead_channel_leaves_the_others():
    pixels = flat(np.random.default_rng(10))
    pixels[1] = 0
    found = frame_noise(pixels)
    assert found.noise[1] == 0
    assert found.sky[1] == 0
    assert np.abs(found.noise[0] / NOISE[0] - 1) <= 0.03
    assert np.abs(found.noise[2] / NOISE[2] - 1) <= 0.03


@pytest.mark.parametrize("shape", [(1, 1), (2, 5), (3, 3), (16, 16), (17, 40), (5, 900)])
def test_tiny_frames(shape):
    """Whatever is too small to tell is finite and 0, without a warning (which would be an error
    here)."""
    found = frame_noise(flat(np.random.default_rng(11), shape))
    assert np.all(np.isfinite(found.sky + found.noise + found.gradient))
    assert np.all(np.abs(found.sky - SKY) <= 4 * NOISE)  # one pixel at worst: 4 sigma
    if min(shape) >= 16:
        assert np.all(np.abs(found.noise / NOISE - 1) <= 0.3)  # 224 differences: 7 %, 4 sigma


def test_all_nan_and_negative_values():
    nothing = frame_noise(np.full((3, 40, 40), np.nan, np.float32))
    assert np.all(np.isfinite(nothing.sky + nothing.noise))
    below = frame_noise(flat(np.random.default_rng(12), sky=-SKY))
    assert np.all(np.abs(np.array(below.sky) + SKY) <= 0.1 * NOISE)
    assert np.all(
        np.array(below.electrons_per_unit) == np.inf
    )  # negative sky tells nothing of photons


def test_a_large_frame_is_sampled_evenly():
    """A bright stripe in any tenth of the frame must not become the sky: sampling reaches every
    part."""
    rng = np.random.default_rng(13)
    pixels = flat(rng, (64 * BLOCK_PX, 64 * BLOCK_PX))
    pixels[:, :, : 48 * BLOCK_PX] += 1.0
    assert np.all(np.abs(frame_noise(pixels).sky - SKY) <= 0.1 * NOISE)
    assert np.all(np.abs(frame_noise(pixels.swapaxes(1, 2)).sky - SKY) <= 0.1 * NOISE)


@pytest.mark.parametrize(
    ("noise_steps", "most"), [(0.2, 0.29), (0.3, 0.23), (0.5, 0.12), (0.9, 0.01)]
)
def test_the_error_of_a_rounded_sky(noise_steps, most):
    """The mean of many rounded values against the level itself, over all phases of a step: no more
    off than stated, and no more stated than what is true of half of that noise, or for that of a step
    nearly nothing."""
    rng = np.random.default_rng(14)
    off, stated = [], []
    for phase in np.arange(0, 1, 0.125):
        level = 20 + phase + noise_steps * rng.standard_normal((3, 96, 96))
        level[:, 0] += np.arange(96)  # other values, as stars have them
        sky = np.rint(level)
        found = frame_noise((sky / 255).astype(np.float32))
        off.append(sky[:, 1:].mean() - 20 - phase)
        stated.append(255 * found.step_error.mean())
    measured = np.sqrt(np.mean(np.square(off)))
    assert 0.9 * measured - 0.006 < np.sqrt(np.mean(np.square(stated))) <= most


@pytest.mark.parametrize("noise_steps", [0.05, 0.2, 0.3])
@pytest.mark.parametrize("peak_steps", [0.5, 4.0, 60.0])
def test_what_rounding_takes_from_the_light_of_a_star(noise_steps, peak_steps):
    """Against the mean of rounded Gaussian noise, pixel by pixel, over all phases of a step. The light
    between two radii is taken to be spread by what is usual: a third off at most, where a star of
    half a step changes few pixels as well."""
    y, x = np.mgrid[-16:17, -16:17]
    light = peak_steps * (1 + np.hypot(x, y) ** 2 / 6) ** -2.5  # a Moffat of FWHM 2.8 px
    radii_px = np.array([2.0, 2.8, 4.0, 5.6, 7.0, 10.0, 14.0])
    within = np.array([light[np.hypot(x, y) <= r].sum() for r in radii_px])
    star = light[np.hypot(x, y) <= 14.0]
    edges = np.arange(-3, 65)[:, None] + 0.5

    def mean_rounded(level):
        """Sum of the chances to be rounded up, value by value."""
        return norm.sf((edges - level) / noise_steps).sum(axis=0) - 3

    off = [
        np.sum(mean_rounded(star + phase) - mean_rounded(np.array([phase])) - star)
        for phase in np.arange(0, 1, 0.05)
    ]
    rounded = np.exp(-2 * np.pi**2 * noise_steps**2) / (np.sqrt(2) * np.pi)
    stated = rounding_of(lifted_pixels(within[:, None], radii_px)[:, 0], rounded)
    assert np.sqrt(np.mean(np.square(off))) == pytest.approx(stated, rel=0.35)


def test_a_level_sky_of_one_coarse_value_may_lie_anywhere_in_its_step():
    """Noise of a tenth of a step leaves one value; its level is anywhere within half a step, evenly:
    1 / sqrt 12 of it, or a third less where faint stars seem noise. A star layer's black is black."""
    rng = np.random.default_rng(15)
    sky = np.rint(20.2 + 0.1 * rng.standard_normal((3, 96, 96)))
    sky[:, ::6, ::6] += rng.geometric(0.2, (3, 16, 16))  # faint stars
    found = frame_noise((sky / 255).astype(np.float32))
    assert found.empty_sky
    assert np.all((255 * found.step_error > 0.19) & (255 * found.step_error < 0.29))
    black = frame_noise(((sky - 20) / 255).astype(np.float32))
    assert not black.step_error.any()


def test_a_channel_of_a_layer_that_shows_its_rounding_alone_has_the_others_noise():
    """Patches of light with noise of 12 levels on black; blue has wide ones a step above it, too."""
    rng = np.random.default_rng(18)
    lit = np.kron(rng.random((24, 24)) < 0.05, np.ones((8, 8)))
    levels = lit * (60 + 12 * rng.standard_normal((3, 192, 192)))
    levels[2] = np.where(
        np.kron(rng.random((12, 12)) < 0.2, np.ones((16, 16))) > lit, 1, levels[2]
    )
    found = frame_noise((np.rint(np.clip(levels, 0, 255)) / 255).astype(np.float32))
    assert found.empty_sky
    assert 255 * found.noise[2] == pytest.approx(255 * found.noise[0], rel=0.3)
    assert 255 * found.noise[2] == pytest.approx(12, rel=0.3)


def test_a_border_of_one_value_does_not_hide_the_noise_under_coarse_values():
    """Noise of 0.6 steps smooths them: off by 0.003 steps. A third of the frame is a border, as wide
    as the sky is bright; a sky that has one value in all blocks but some keeps its error."""
    rng = np.random.default_rng(16)
    sky = np.rint(20.2 + 0.6 * rng.standard_normal((3, 128, 192)))
    sky[:, 0] += np.arange(192)  # other values, as stars have them
    sky[:, :, 128:] = 20
    found = frame_noise((sky / 255).astype(np.float32))
    assert np.all(255 * found.step_error < 0.03)
    still = np.full((3, 128, 192), 20.0)
    still[:, 0] += np.arange(192)
    still[:, ::40, ::40] = 21
    assert np.all(255 * frame_noise((still / 255).astype(np.float32)).step_error > 0.1)


@pytest.mark.parametrize("level", [0.0, 1.0])
def test_what_a_sky_was_before_it_was_cut_at_black(level):
    """By so many sigmas over black: level and sigma to 0.06 (the mean of the darker half of blocks
    of 256 pixels is 0.05 low), though a tenth of the blocks hold a star; and light of 0.1 to 30
    sigmas, of which half to all is shown, comes back to 0.05 sigmas from the mean of 40 000 pixels.
    What was not cut, and coarse values, are told as that."""
    rng = np.random.default_rng(17)
    noise = rng.standard_normal((3, 320, 320))
    pixels = np.maximum(level + noise, 0)
    pixels[:, 8::160, 8::32] += 300
    sky = frame_noise(pixels.astype(np.float32)).cut[1]
    assert abs(sky.level - level) < 0.06
    assert abs(sky.sigma - 1) < 0.06
    for light in (0.1, 0.5, 1.0, 5.0, 30.0):
        grain = rng.standard_normal(40_000)
        lift = np.maximum(level + light + grain, 0).mean() - np.maximum(level + grain, 0).mean()
        assert abs(sky.light(lift) - light) < 0.05
    assert frame_noise((3 + 0.5 * noise).astype(np.float32)).cut == (None,) * 3
    assert frame_noise(np.rint(pixels).astype(np.float32)).cut == (None,) * 3


@pytest.mark.parametrize("seed", [0, 1])
def test_a_sky_clipped_at_black_shows_no_stars_in_its_noise(seed):
    """A picture of few colours with strays between them: steps of 8 levels, noise of 3, the sky
    from three sigmas below black to six above. Truth: the noise drawn; rounding adds to it, and
    less than a step is left. Of noise alone nothing stands out by 8 sigmas; a thousand peaks did by
    up to 10 000 where half of a clipped sky and the median step of rare values told the noise."""
    rng = np.random.default_rng(seed)
    levels = 3.0 * (np.linspace(-3.0, 6.0, SHAPE[1]) + rng.standard_normal((3, *SHAPE)))
    stray = rng.random(levels.shape) < 0.003
    stepped = 8 * np.rint(levels / 8)
    display = np.clip(np.where(stray, np.rint(levels), stepped), 0, 255) / 255
    found = frame_noise(display.astype(np.float32))
    assert 3 <= 255 * min(found.noise) <= 255 * max(found.noise) <= 8
    assert star_snr(display.astype(np.float32), found, 2.0).max() < 8
