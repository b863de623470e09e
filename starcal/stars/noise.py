"""What the pixels say of themselves: sky level, noise, electrons per unit, gradient."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..robust import SIGMA_PER_DEVIATION, upper_median, weighted_median
from .cut_sky import CutSky, cut_sky

BLOCK_PX = 16
# evenly spread; 2.5 % of a 24-megapixel frame tells sky and noise to better than 1 %
MOST_BLOCKS = 2500
DARK_SHARE = 0.2  # of the blocks: where there is least nebula
TELLING_BLOCKS = 20  # that tell a noise, or how it grows
ROUNDED_STEPS = 1 / np.sqrt(12)  # error of a number rounded to whole steps
BEND_VARIANCE = 6  # of second differences of noise 1: sum of their squared weights
MOST_BEND_STEPS = (
    4.0  # of second differences that tell the noise of coarse values: beyond are stars
)
# 8-bit pictures have no more, nor has the sky of whole numbers from a camera with little noise
COARSE_VALUES = 256
FINE_STEPS = 10  # in a noise: half of one, as a median may be off, is a twentieth of the noise
COMMON_SHARE = 0.95  # of the pixels, whose values are those that a picture uses
MOSTLY = 0.5  # of the blocks
EMPTY_SHARE = 0.5  # of the pixels: less is a sky clipped at black, with nebula over it
FAINT_SHARE = (
    0.5  # of the lit pixels of a star layer: the fainter, the less of a star's own shape
)
LEAST_STEP = 2.0**-23  # of the brightest value: float32 tells no finer
GRADIENT_SIGMA = (
    3.0  # a tilt of the sky by this many pixel sigmas across the frame is worth a word
)


@dataclass(frozen=True, kw_only=True)
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
    step : tuple of float
        Between the values of a coarsely digitised channel (8 bits), in units of full scale; 0 for
        finer ones.
    rounded_steps : tuple of float
        Error, in steps, of the mean of many pixels of the sky that were rounded to them.
    cut : tuple of CutSky or None
        What the sky was before it was cut at black, where it was; empty ones and those of coarse
        values tell nothing.
    """

    sky: tuple[float, ...]
    noise: tuple[float, ...]
    electrons_per_unit: tuple[float, ...]
    gradient: tuple[float, ...]
    empty_sky: bool = False
    step: tuple[float, ...] = (0.0, 0.0, 0.0)
    rounded_steps: tuple[float, ...] = (0.0, 0.0, 0.0)
    cut: tuple[CutSky | None, ...] = (None, None, None)

    @property
    def step_error(self) -> NDArray:
        """Error of a level, (channels,), that the steps of coarse values bring: where the noise is
        smaller than they are, all of the sky is rounded the same way."""
        return np.array(self.step) * np.array(self.rounded_steps)

    @property
    def rounded_alike(self) -> NDArray:
        """How much of that error, (channels,), all places of the frame have in common: a sky that
        rises by some steps over it is rounded up in one place and down in another. Of a wave, the
        mean over so many of its lengths, as long as it is less than one, or its usual size."""
        steps = np.array(self.gradient) * np.array(self.noise) / np.maximum(self.step, 1e-30)
        return 1 / np.sqrt(1 + (np.pi * steps) ** 2 / 3)

    @property
    def steps(self) -> tuple[tuple[float, float], ...]:
        """Step and its error, in steps, of each channel."""
        return tuple(zip(self.step, self.rounded_steps, strict=True))

    def with_steps(self, told: tuple[tuple[float, float], ...]) -> "FrameNoise":
        """The same with the steps that channels had before they were moved, where the pixels show
        none any more."""
        pairs = zip(self.steps, told or self.steps, strict=True)
        step, rounded = zip(*(own if own[0] else before for own, before in pairs), strict=True)
        return replace(self, step=step, rounded_steps=rounded)

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
    blocks, known = _blocks_of(pixels)
    dark = _darkest(known.level, known.sigma)
    sky = np.median(known.level[:, dark], axis=1)
    dark_noise = np.median(known.sigma[:, dark], axis=1)
    empty = not dark_noise.any() and _share_of(blocks, sky) > EMPTY_SHARE
    black = empty and not sky.any()  # a star layer's; any other level is one of coarse values
    step = [0.0 if black else _step(plane) for plane in blocks]
    noise = _with_lit_noise(blocks, sky, dark_noise)
    if not empty:
        noise = np.maximum(noise, _noise_above_black(known, sky, _lowest(blocks)))
    level = _levels_between(blocks, known, step)[:, dark]
    return FrameNoise(
        sky=tuple(sky.tolist()),
        noise=tuple(noise.tolist()),
        electrons_per_unit=_electrons(known, sky, noise, empty),
        gradient=_gradients(known.place[dark], level, noise),
        empty_sky=empty,
        step=tuple(step),
        rounded_steps=tuple(_rounded_steps(*each) for each in zip(blocks, step, strict=True)),
        cut=(None,) * len(step) if empty else _cut_skies(blocks, known, step),
    )


def _cut_skies(blocks, known: "_KnownBlocks", step: list[float]) -> tuple[CutSky | None, ...]:
    """What each channel's sky was before it was cut, by the darker half of its blocks: their means
    tell them apart, as the median of many is black. Coarse values are not asked."""
    found = []
    for part, size in zip(blocks, step, strict=True):
        part = part[known.whole]
        mean = np.nan_to_num(part).mean(axis=(1, 2))
        found.append(None if size else cut_sky(part[mean <= np.median(mean)]))
    return tuple(found)


def unrounded(pixels: np.ndarray, noise: FrameNoise) -> np.ndarray:
    """The same pixels with what rounding took from coarse values drawn anew, evenly over a step.

    The median of a sky is one of its values: half a step off at worst, and in all places alike.
    With such noise added it is the level (subtractive dither but for the subtraction: Widrow &
    Kollar 2008, Quantization Noise, chapter 19).

    Parameters
    ----------
    pixels : ndarray of float32, shape (3, y, x)
    noise : FrameNoise
        Of these pixels.

    Returns
    -------
    ndarray of float32, shape (3, y, x)
        The very same array where no channel has a noise of less than `FINE_STEPS` steps.
    """
    coarse = np.flatnonzero(np.array(noise.step) * FINE_STEPS > np.array(noise.noise))
    if not len(coarse):
        return pixels
    fine = pixels.copy()
    for channel in coarse:
        drawn = np.random.default_rng(channel).random(fine[channel].shape, np.float32)
        fine[channel] += np.float32(noise.step[channel]) * (drawn - np.float32(0.5))
    return fine


def _blocks_of(pixels: np.ndarray) -> tuple[list[np.ndarray], "_KnownBlocks"]:
    """Blocks spread over the planes of a frame, and what is known of them."""
    grid = _block_grid(pixels.shape[1:])
    blocks = [grid.blocks(plane) for plane in pixels]
    return blocks, _known_blocks(grid.places(), blocks)


def _with_lit_noise(blocks, sky, noise):
    """The noise of each channel; of its lit pixels where its sky has none, and at least that of its
    rounding."""
    noise = noise.copy()
    rounding = np.array([ROUNDED_STEPS * _step(plane) for plane in blocks])
    silent = noise == 0
    for channel in np.flatnonzero(silent):
        noise[channel] = _lit_noise(blocks[channel], sky[channel])
    if silent.all():
        noise = _of_those_that_tell(noise, rounding)
    return np.maximum(noise, rounding)


def _of_those_that_tell(noise: np.ndarray, rounding: np.ndarray) -> np.ndarray:
    """Noise of channels that were all cut alike: one that shows its rounding alone, in patches a
    step above black, has the least of the others'."""
    tells = noise > rounding
    return np.where(tells, noise, noise[tells].min()) if tells.any() else noise


def _lowest(blocks: list[np.ndarray]) -> np.ndarray:
    """Lowest value of each channel, (channels,)."""
    return np.array([np.nanmin(part, initial=np.inf) for part in blocks])


def _noise_above_black(
    known: "_KnownBlocks", sky: np.ndarray, lowest: np.ndarray
) -> np.ndarray:
    """Noise of each channel whose sky is clipped at black, which hides it, where most pixels of a
    block lie above: in the darkest of such blocks; 0 in other channels, or with few such blocks."""
    noise = np.zeros(len(sky))
    for channel, (level, sigma) in enumerate(zip(known.level, known.sigma, strict=True)):
        above = level > sky[channel]
        clipped = sky[channel] <= lowest[channel]
        if clipped and np.count_nonzero(above) >= TELLING_BLOCKS:
            dark = above & (level <= np.quantile(level[above], DARK_SHARE))
            noise[channel] = np.median(sigma[dark])
    return noise


def _electrons(known, sky, noise, empty) -> tuple[float, ...]:
    """Electrons per unit of each channel; an empty sky tells none."""
    if empty:
        return (np.inf,) * len(sky)
    channels = zip(known.level, known.sigma, sky, noise, strict=True)
    return tuple(_electrons_per_unit(*channel) for channel in channels)


def _levels_between(blocks, known: "_KnownBlocks", step: list[float]) -> np.ndarray:
    """Levels of the known blocks, (channels, n): of coarse values, whose medians are such values,
    the mean of those near the median."""
    level = known.level.copy()
    for channel, size in enumerate(step):
        if size > 0:
            level[channel] = size * _mean_near_median(blocks[channel][known.whole] / size)
    return level


def _gradients(place: np.ndarray, level: np.ndarray, noise) -> tuple[float, ...]:
    """The tilt of each channel's dark blocks, in sigmas."""
    channels = zip(level, noise, strict=True)
    return tuple(_gradient(place, of_channel, sigma) for of_channel, sigma in channels)


@dataclass(frozen=True)
class _KnownBlocks:
    """Blocks with data in all channels: which ones, places (n, 2), median levels and noise,
    (3, n)."""

    whole: np.ndarray
    place: np.ndarray
    level: np.ndarray
    sigma: np.ndarray


def _known_blocks(place: np.ndarray, blocks: list[np.ndarray]) -> _KnownBlocks:
    """Level and noise of the blocks that have data, of all where none has."""
    level = np.array([upper_median(b.reshape(len(b), -1), 0.5) for b in blocks])
    sigma = np.array([_difference_noise(b) for b in blocks])
    whole = np.isfinite(level).all(axis=0)
    if not whole.any():
        whole[:] = True
    return _KnownBlocks(
        whole,
        place[whole],
        np.nan_to_num(level[:, whole]),
        np.nan_to_num(sigma[:, whole]),
    )


@dataclass(frozen=True)
class _BlockGrid:
    """Blocks spread over a frame: their side in pixels, how many fit, and one of how many is
    taken each way."""

    size: int
    rows: int
    columns: int
    thin: int

    def places(self) -> np.ndarray:
        """Of the blocks, (n, 2), as fractions of the frame."""
        grid = np.mgrid[0 : self.rows : self.thin, 0 : self.columns : self.thin]
        return grid.reshape(2, -1).T / (self.rows, self.columns)

    def blocks(self, plane: np.ndarray) -> np.ndarray:
        """Their pixels, (n, size, size)."""
        size = self.size
        whole = plane[: self.rows * size, : self.columns * size]
        tiles = whole.reshape(self.rows, size, self.columns, size)
        taken = tiles[:: self.thin, :, :: self.thin]
        return taken.swapaxes(1, 2).reshape(-1, size, size)


def _block_grid(shape: tuple[int, int]) -> _BlockGrid:
    """Of a frame of this shape, with about `MOST_BLOCKS` at most."""
    size = min(BLOCK_PX, *shape)
    rows = shape[0] // size
    columns = shape[1] // size
    thin = max(1, int(np.ceil(np.sqrt(rows * columns / MOST_BLOCKS))))
    return _BlockGrid(size, rows, columns, thin)


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
    right, middle, left = _lit_triples(blocks, sky)
    if not len(middle):
        return 0.0
    light = np.abs(right + middle + left - 3 * sky)
    faint = light <= np.quantile(light, FAINT_SHARE)
    bend = np.abs(right - 2 * middle + left)[faint]
    least = LEAST_STEP * float(np.nanmax(np.abs(blocks)))
    return max(float(SIGMA_PER_DEVIATION / np.sqrt(BEND_VARIANCE) * np.median(bend)), least)


def _lit_triples(blocks: np.ndarray, sky: float) -> list[np.ndarray]:
    """Pixels two apart of a row that all differ from the sky: right, middle and left ones."""
    parts = _two_apart(blocks)
    lit = np.logical_and.reduce([np.isfinite(part) & (part != sky) for part in parts])
    return [part[lit] for part in parts]


def _step(blocks: np.ndarray) -> float:
    """Step between the values of a coarsely digitised channel, 0 for fine ones: its rounding is
    noise, too."""
    values, count = np.unique(blocks[::4][np.isfinite(blocks[::4])], return_counts=True)
    if len(values) < 2:
        return 0.0
    commonest = int(count.argmax())  # of an empty sky it would be all that is usual
    count[commonest] = np.delete(count, commonest).max()
    if COARSE_VALUES * count.max() < COMMON_SHARE * count.sum():
        return 0.0  # so few cannot be all that is usual
    usual = _most_frequent(count)
    if len(usual) > COARSE_VALUES:
        return 0.0
    return weighted_median(np.diff(values[usual]), count[usual][1:])


def _most_frequent(count: np.ndarray) -> np.ndarray:
    """Rows of the fewest values, in their order and two at least, that most pixels have: pictures
    of few colours have some strays between them."""
    order = np.argsort(count)[::-1]
    enough = np.searchsorted(np.cumsum(count[order]), COMMON_SHARE * count.sum()) + 1
    return np.sort(order[: max(int(enough), 2)])


def _rounded_steps(blocks: np.ndarray, step: float) -> float:
    """Error, in steps, of the mean of a sky rounded to steps: the noise under them smooths it.

    The mean of Gaussian noise of s steps, rounded, is off by exp(-2 pi^2 s^2) / pi steps at most
    (Widrow & Kollar 2008, Quantization Noise, chapter 4: the first term of the series), and so is
    its effective value over all levels by 1 / sqrt 2 of it.
    """
    if step == 0 or blocks.shape[2] < 6:
        return 0.0
    hidden = max(_hidden_variance(blocks / step), 0.0)
    smoothed = np.exp(-2 * np.pi**2 * hidden) / (np.sqrt(2) * np.pi)
    return float(min(ROUNDED_STEPS, smoothed))


def _hidden_variance(blocks: np.ndarray) -> float:
    """Variance, in steps, of what lies under them in dark blocks, from second differences; less
    than that where the level's place between two steps may make all of it."""
    bend = _second_differences(blocks).reshape(len(blocks), -1)
    sky = np.abs(bend) <= MOST_BEND_STEPS
    known = sky.any(axis=1)
    if not known.any():
        return 0.0
    varies = known & (bend != 0).any(axis=1)
    if varies.mean() > MOSTLY:  # then blocks of one value are a border's
        known = varies
    squares = np.where(sky, bend**2, 0).sum(axis=1)[known]
    variance = squares / sky.sum(axis=1)[known] / BEND_VARIANCE
    between = np.maximum(_two_values_variance(blocks[known]), ROUNDED_STEPS**2)
    return float(np.quantile(variance - between, DARK_SHARE))


def _two_values_variance(blocks: np.ndarray) -> np.ndarray:
    """Variance of each block if it had but the two values next to its mean, (n,)."""
    mean = _mean_near_median(blocks)
    part = mean - np.floor(mean)
    return part * (1 - part)


def _mean_near_median(blocks: np.ndarray) -> np.ndarray:
    """Mean of each block's values, in steps, that are sky, (n,); 0 without data."""
    values = blocks.reshape(len(blocks), -1)
    near = np.abs(values - upper_median(values)[:, None]) <= MOST_BEND_STEPS / 2
    return np.where(near, values, 0).sum(axis=1) / np.maximum(near.sum(axis=1), 1)


def _second_differences(blocks: np.ndarray) -> np.ndarray:
    """Second differences along the rows of blocks, of pixels two apart."""
    right, middle, left = _two_apart(blocks)
    return right - 2 * middle + left


def _two_apart(blocks: np.ndarray) -> tuple[np.ndarray, ...]:
    """The right, middle and left ones of all pixels two apart of a row."""
    return tuple(blocks[:, :, reach] for reach in (slice(4, None), slice(2, -2), slice(-4)))


def _difference_noise(blocks: np.ndarray) -> np.ndarray:
    """Noise of each block from second differences along its rows: slopes of sky and nebula cancel,
    noise stays.

    Pixels two apart, not one: stacks that were registered by interpolation have nearest neighbours
    in common. Along one axis only, so that scattered pixels without data or with stars spoil few
    differences.
    """
    if blocks.shape[2] < 6:
        return np.zeros(len(blocks))
    size = upper_median(np.abs(_second_differences(blocks)).reshape(len(blocks), -1), 0.5)
    return SIGMA_PER_DEVIATION / np.sqrt(BEND_VARIANCE) * size


def _darkest(level: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    brightness = (level / np.maximum(np.median(sigma, axis=1, keepdims=True), 1e-12)).sum(
        axis=0
    )
    return brightness <= np.quantile(brightness, DARK_SHARE)


def _electrons_per_unit(
    level: np.ndarray, sigma: np.ndarray, sky: float, noise: float
) -> float:
    """Photon transfer: variance grows with level by one electron's worth.

    A frame of even sky has no range of levels; then all the noise above black is ascribed to
    photons, which overstates the error of bright stars rather than understating it.
    """
    bright = level > sky + 10 * noise
    if np.count_nonzero(bright) >= TELLING_BLOCKS:
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
