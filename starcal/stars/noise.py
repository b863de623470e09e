"""What the pixels say of themselves: sky level, noise, electrons per unit, gradient."""

from dataclasses import dataclass

import numpy as np

from ..robust import SIGMA_PER_DEVIATION, upper_median

BLOCK_PX = 16
MOST_BLOCKS = (
    2500  # evenly spread; 2.5 % of a 24-megapixel frame tells sky and noise to better than 1 %
)
DARK_SHARE = 0.2  # of the blocks: where there is least nebula
COARSE_VALUES = 256  # 8-bit pictures have no more
EMPTY_SHARE = 0.5  # of the pixels: less is a sky clipped at black, with nebula over it
FAINT_SHARE = 0.5  # of the lit pixels of a star layer: the fainter, the less of a star's own shape
LEAST_STEP = 2.0**-23  # of the brightest value: float32 tells no finer
GRADIENT_SIGMA = 3.0  # a tilt of the sky by this many pixel sigmas across the frame is worth a word


@dataclass(frozen=True)
class FrameNoise:
    """Sky and noise; each tuple in channel order R, G, B.

    Attributes
    ----------
    sky : tuple of float
        Level of the darkest fifth of the frame, the same places in all channels, in units of full
        scale.
    noise : tuple of float
        Standard deviation of a sky pixel there, in units of full scale.
    electrons_per_unit : tuple of float
        Electrons (of the whole stack) per unit of full scale, from noise against level; inf where
        noise does not grow with level.
    gradient : tuple of float
        Change of the sky from edge to edge along its steepest direction, in sigmas of a sky pixel;
        0 without noise.
    empty_sky : bool
        The sky is one and the same value everywhere, as in a star layer; the noise is then that of
        the faintest pixels that differ from it.
    """

    sky: tuple[float, ...]
    noise: tuple[float, ...]
    electrons_per_unit: tuple[float, ...]
    gradient: tuple[float, ...]
    empty_sky: bool = False

    @property
    def has_gradient(self) -> bool:
        """Whether the sky is visibly tilted in any channel."""
        return max(self.gradient) > GRADIENT_SIGMA


def frame_noise(pixels: np.ndarray) -> FrameNoise:
    """Measure sky, noise, electrons per unit and gradient of a linear frame.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        NaN where there is no data; some 2500 blocks of 16 x 16 pixels are looked at.

    Returns
    -------
    FrameNoise
    """
    place = _sample_blocks(pixels[0])[0]
    blocks = [_sample_blocks(plane)[1] for plane in pixels]
    level = np.array([upper_median(b.reshape(len(b), -1), 0.5) for b in blocks])
    sigma = np.array([_difference_noise(b) for b in blocks])
    whole = np.isfinite(level).all(axis=0)
    if not whole.any():
        whole[:] = True
    level = np.nan_to_num(level[:, whole])
    sigma = np.nan_to_num(sigma[:, whole])
    place = place[whole]
    dark = _darkest(level, sigma)
    sky, noise = np.median(level[:, dark], axis=1), np.median(sigma[:, dark], axis=1)
    empty = not noise.any() and _share_of(blocks, sky) > EMPTY_SHARE
    for channel in np.flatnonzero(noise == 0):
        noise[channel] = _lit_noise(blocks[channel], sky[channel])
    noise = np.maximum(noise, [_step(plane) / np.sqrt(12) for plane in blocks])
    channels = range(len(pixels))
    return FrameNoise(
        tuple(map(float, sky)),
        tuple(map(float, noise)),
        tuple(
            np.inf if empty else _electrons_per_unit(level[c], sigma[c], sky[c], noise[c])
            for c in channels
        ),
        tuple(_gradient(place[dark], level[c][dark], noise[c]) for c in channels),
        empty,
    )


def _sample_blocks(plane: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Blocks spread over the plane: their places (n, 2) as fractions of the frame, and pixels (n,
    size, size)."""
    size = min(BLOCK_PX, *plane.shape)
    rows, columns = (n // size for n in plane.shape)
    thin = max(1, int(np.ceil(np.sqrt(rows * columns / MOST_BLOCKS))))
    tiles = plane[: rows * size, : columns * size].reshape(rows, size, columns, size)[
        ::thin, :, ::thin
    ]
    grid = np.mgrid[0:rows:thin, 0:columns:thin].reshape(2, -1).T
    return grid / (rows, columns), tiles.swapaxes(1, 2).reshape(-1, size, size)


def _share_of(blocks: tuple[np.ndarray, ...], sky: np.ndarray) -> float:
    """Share of the pixels that have the sky's very value in all channels."""
    same = [part == level for part, level in zip(blocks, sky, strict=True)]
    return float(np.logical_and.reduce(same).mean())


def _lit_noise(blocks: np.ndarray, sky: float) -> float:
    """Noise of a channel whose sky has none: of the faintest pixels that are not sky.

    Second differences as in `_difference_noise`, where all three pixels are lit.
    """
    if blocks.shape[2] < 6:
        return 0.0
    parts = blocks[:, :, 4:], blocks[:, :, 2:-2], blocks[:, :, :-4]
    lit = np.logical_and.reduce([np.isfinite(part) & (part != sky) for part in parts])
    right, middle, left = (part[lit] for part in parts)
    if not len(middle):
        return 0.0
    light = np.abs(right + middle + left - 3 * sky)
    faint = light <= np.quantile(light, FAINT_SHARE)
    bend = np.abs(right - 2 * middle + left)[faint]
    least = LEAST_STEP * float(np.nanmax(np.abs(blocks)))
    return max(float(SIGMA_PER_DEVIATION / np.sqrt(6) * np.median(bend)), least)


def _step(blocks: np.ndarray) -> float:
    """Step between the values of a coarsely digitised channel, 0 for fine ones: its rounding is
    noise, too."""
    values = np.unique(blocks[::4][np.isfinite(blocks[::4])])
    return float(np.median(np.diff(values))) if 1 < len(values) <= COARSE_VALUES else 0.0


def _difference_noise(blocks: np.ndarray) -> np.ndarray:
    """Noise of each block from second differences along its rows: slopes of sky and nebula cancel,
    noise stays.

    Pixels two apart, not one: stacks that were registered by interpolation have nearest neighbours
    in common. Along one axis only, so that scattered pixels without data or with stars spoil few
    differences.
    """
    if blocks.shape[2] < 6:
        return np.zeros(len(blocks))
    bend = blocks[:, :, 4:] - 2 * blocks[:, :, 2:-2] + blocks[:, :, :-4]
    size = upper_median(np.abs(bend).reshape(len(bend), -1), 0.5)
    return SIGMA_PER_DEVIATION / np.sqrt(6) * size  # 6: sum of the squared weights


def _darkest(level: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    brightness = (level / np.maximum(np.median(sigma, axis=1, keepdims=True), 1e-12)).sum(axis=0)
    return brightness <= np.quantile(brightness, DARK_SHARE)


def _electrons_per_unit(level: np.ndarray, sigma: np.ndarray, sky: float, noise: float) -> float:
    """Photon transfer: variance grows with level by one electron's worth.

    A frame of even sky has no range of levels; then all the noise above black is ascribed to
    photons, which overstates the error of bright stars rather than understating it.
    """
    bright = level > sky + 10 * noise
    if np.count_nonzero(bright) >= 20:
        slope = np.median((sigma[bright] ** 2 - noise**2) / (level[bright] - sky))
        if slope > 0:
            return float(1 / slope)
    return float(sky / noise**2) if sky > 0 and noise > 0 else np.inf


def _gradient(place: np.ndarray, level: np.ndarray, noise: float) -> float:
    """The tilt in units of the noise."""
    return float(_tilt(place, level) / noise) if noise > 0 else 0.0


def _tilt(place: np.ndarray, level: np.ndarray) -> float:
    """Rise of a plane fitted to the levels, across the frame along its steepest direction."""
    if len(level) < 4:
        return 0.0
    design = np.column_stack([place, np.ones(len(place))])
    slope = np.linalg.lstsq(design, level, rcond=None)[0]
    return float(np.hypot(slope[0], slope[1]))
