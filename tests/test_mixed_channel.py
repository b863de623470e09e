"""Stars on nebula where a channel was mixed of the two others."""

import numpy as np
from scipy import ndimage

from starcal.stars.contrast import star_snr
from starcal.stars.noise import frame_noise

SIDE_PX, SIGMA_PX, STARS = 256, 1.3, 25


def test_stars_stand_out_of_nebula_where_green_is_a_mix_of_two_lines():
    """A star of 40 sigmas has nothing in what red, green and blue have not either: it stands out as
    it does of the two lines alone."""
    rng = np.random.default_rng(5)
    shape = (2, SIDE_PX, SIDE_PX)
    nebula = ndimage.gaussian_filter(rng.normal(size=shape), (0, 5, 5))
    lines = 60 * nebula / nebula.std() + rng.normal(size=shape)
    x, y = rng.integers(15, SIDE_PX - 15, (2, STARS))
    light = np.zeros(shape[1:])
    light[y, x] = 40 * 2 * np.pi * SIGMA_PX**2
    red, blue = lines + ndimage.gaussian_filter(light, SIGMA_PX)
    seen = {}
    for name, green in {"mixed": 0.57 * red + 0.43 * blue, "copied": blue}.items():
        frame = np.float32(1e-3) * np.stack([red, green, blue]).astype(np.float32)
        snr = star_snr(frame, frame_noise(frame), 2.3548 * SIGMA_PX)
        seen[name] = np.median(snr[y, x])
    assert seen["mixed"] > 0.9 * seen["copied"] > 10
