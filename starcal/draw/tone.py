"""Stretches for display: linear pictures made visible without changing the colours of their
stars."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..colour.stellar import srgb_decode, srgb_encode
from ..errors import FrameError
from ..frame.levels import BORDER_MOST
from ..robust import SIGMA_PER_DEVIATION

# Where a stretch puts the sky and the bright parts of the nebula, in display units: a sky that is
# dark but not black keeps faint outskirts visible; above the nebula there is room for the stars.
SKY_DISPLAY = 0.10
NEBULA_DISPLAY = 0.60
NEBULA_QUANTILE = 0.99

# The black point lies at least 3 pixel sigmas below the sky, so that noise is not cut, and at least
# a sixtieth of the nebula's brightness, so that the noise of a deep frame does not glare. A frame
# without a nebula is stretched as if it had one of 30 sigma: a straighter curve would burn out the
# stars.
SKY_DEPTH_SIGMA = 3.0
NEBULA_MAX_DEPTHS = 60.0
NEBULA_MIN_SIGMA = 30.0

_STRIP_PIXELS = 1 << 16  # a strip and its temporaries fit the cache
_SAMPLE_SIDE = 512
_CELLS_PER_SIDE = 16


@dataclass(frozen=True)
class Stretch:
    """A colour-preserving arcsinh stretch; choose one with `choose_stretch`, use it for all
    pictures to be compared.

    A grey pixel of intensity I above the black point is displayed at asinh(slope * softening * I) /
    softening (Lupton et al. 2004, PASP 116, 133); a coloured pixel of the same intensity keeps its
    ratios in linear light.

    Attributes
    ----------
    black : tuple of 3 floats
        Level of each channel that becomes black, in pixel units.
    slope : float
        Display value per pixel unit just above black.
    softening : float
        Where the curve turns from linear to logarithmic: at I = 1 / (slope * softening).
    """

    black: tuple[float, float, float]
    slope: float
    softening: float

    def apply(self, pixels: NDArray) -> NDArray[np.float32]:
        """The picture (3, H, W) as a display wants it: sRGB-encoded float32 in [0, 1]; nan becomes
        0."""
        display = np.empty(pixels.shape, np.float32)
        rows = max(1, _STRIP_PIXELS // pixels.shape[2])
        for top in range(0, pixels.shape[1], rows):
            display[:, top : top + rows] = srgb_encode(self.light(pixels[:, top : top + rows]))
        return display

    def light(self, pixels: NDArray) -> NDArray[np.float32]:
        """Linear light of a display that shows pixels (3, ...) stretched, 0 to 1."""
        precision = pixels.dtype if np.issubdtype(pixels.dtype, np.floating) else np.float64
        black = np.array(self.black, precision).reshape(3, *(1,) * (pixels.ndim - 1))
        above = (pixels - black).astype(np.float32, copy=False)
        return keep_ratios(above, self._linear_light)

    def on_sky_of(self, pixels: NDArray) -> "Stretch":
        """The same stretch with the black point moved to the sky of another picture (after its sky
        was made grey)."""
        sky, _ = _sky_and_noise(_sample(pixels))
        return replace(self, black=tuple(float(level) for level in sky - self._sky_depth))

    def adjusted(self, black: float = 0.0, strength: float = 1.0) -> "Stretch":
        """The same stretch by taste: 0 and 1 leave it.

        Parameters
        ----------
        black : float
            Raises the black point; at 1 it has reached the sky, below 0 more light is left in the
            sky.
        strength : float
            Above 1 faint light is lifted more, below 1 less.
        """
        depth = black * self._sky_depth
        return replace(
            self,
            black=tuple(level + depth for level in self.black),
            slope=self.slope * strength,
        )

    @property
    def _sky_depth(self) -> float:
        """How far the black point lies below the sky, in pixel units."""
        return float(np.sinh(SKY_DISPLAY * self.softening) / (self.slope * self.softening))

    def _linear_light(self, intensity: NDArray) -> NDArray:
        return srgb_decode(asinh_curve(intensity, self.slope, self.softening))


def stretch_apart(
    starless: NDArray, stars: NDArray
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Stretch the two linear layers of a picture each its own way: the nebula by itself, the stars
    as in the whole.

    Parameters
    ----------
    starless, stars : array (3, H, W)
        Their sum is the picture; the star layer has no sky.

    Returns
    -------
    starless, stars : array (3, H, W)
        Display pictures in [0, 1], to be joined by `screen`.
    """
    whole = choose_stretch(starless + stars)
    return choose_stretch(starless).apply(starless), replace(
        whole, black=(0.0, 0.0, 0.0)
    ).apply(stars)


def asinh_curve(intensity: ArrayLike, slope: float, softening: float) -> NDArray:
    """asinh(slope * softening * I) / softening: linear near 0, logarithmic above (Lupton et al.
    2004)."""
    return np.arcsinh(np.multiply(intensity, slope * softening)) / softening


def keep_ratios(rgb: NDArray, curve: Callable[[NDArray], NDArray]) -> NDArray:
    """Bring the mean I of three channels to curve(I) and keep their ratios (Lupton et al. 2004,
    PASP 116, 133).

    Parameters
    ----------
    rgb : array (3, ...)
        Linear, black subtracted.
    curve : function of an array
        From intensity to output, 0 at 0.

    Returns
    -------
    array (3, ...)
        In [0, 1]. A pixel whose brightest channel would exceed 1 is scaled down as a whole; 0 where
        the intensity is not positive, nan or infinite; negative channels become 0.
    """
    rgb = np.where(np.isfinite(rgb).all(axis=0), rgb, 0)
    intensity = rgb.mean(axis=0)
    visible = intensity > 0
    intensity = np.where(visible, intensity, 1)
    scaled = rgb * np.where(visible, curve(intensity) / intensity, 0)
    scaled /= np.maximum(scaled.max(axis=0), 1)
    return np.maximum(scaled, 0, out=scaled)


def _require_colour(pixels: NDArray) -> None:
    if pixels.ndim != 3 or pixels.shape[0] != 3:
        raise ValueError(
            f"pixels of shape {pixels.shape} given; a stretch needs (3, H, W): use a colour picture"
        )


def choose_stretch(pixels: NDArray) -> Stretch:
    """A stretch from a picture's own sky, noise and bright parts.

    Parameters
    ----------
    pixels : array (3, H, W)
        Linear, in any unit. Some 250 000 pixels are looked at; nan, infinite, and pixels that are 0
        in all channels (the borders of registered stacks) do not count.

    Returns
    -------
    Stretch
        It shows the sky at `SKY_DISPLAY` and the intensity that 1 % of the pixels exceed at
        `NEBULA_DISPLAY`; darker than that if there is no bright nebula.

    Raises
    ------
    ValueError
        Not (3, H, W).
    FrameError
        No usable pixels, or all of one value.
    """
    _require_colour(pixels)
    sample = _sample(pixels)
    sky, sigma = _sky_and_noise(sample)
    intensity = sample.mean(axis=0) - sky.mean()
    nebula = max(float(np.nanquantile(intensity, NEBULA_QUANTILE)), NEBULA_MIN_SIGMA * sigma)
    if not nebula > 0:  # a few stars on black, and sampling may have missed them
        nebula = float(np.nanmax(pixels.mean(axis=0)) - sky.mean()) / NEBULA_MAX_DEPTHS
    if not nebula > 0:
        raise FrameError(
            f"all pixels have the value {sky.mean():g}; a stretch needs a picture with something "
            f"on it"
        )
    depth = max(SKY_DEPTH_SIGMA * sigma, nebula / NEBULA_MAX_DEPTHS)
    softening = _softening(1.0 + nebula / depth)
    slope = np.sinh(SKY_DISPLAY * softening) / (softening * depth)
    return Stretch(tuple(float(level) for level in sky - depth), float(slope), softening)


def _softening(contrast: float) -> float:
    """The softening at which nebula and sky, `contrast` apart as seen from black, reach their
    display values."""
    softening = np.linspace(0.01, 12.0, 1200)
    return float(
        np.interp(
            contrast,
            np.sinh(NEBULA_DISPLAY * softening) / np.sinh(SKY_DISPLAY * softening),
            softening,
        )
    )


def every_nth(pixels: NDArray) -> NDArray:
    """Every n-th pixel (3, h, w), h and w at most about 512: all that a stretch is chosen by.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)

    Returns
    -------
    ndarray, (3, h, w)
        A view.
    """
    step = max(1, *(-(-side // _SAMPLE_SIDE) for side in pixels.shape[1:]))
    return pixels[:, step // 2 :: step, step // 2 :: step]


def _sample(pixels: NDArray) -> NDArray:
    """`every_nth`, unusable pixels nan in all channels."""
    sample = every_nth(pixels).astype(float)
    finite = np.isfinite(sample).all(axis=0)
    usable = finite & (sample != 0).any(axis=0)
    if usable.sum() < BORDER_MOST * finite.sum() and pixels.any():
        usable = finite  # no border is that wide: a layer of stars on black
    return np.where(usable, sample, np.nan)


def _sky_and_noise(sample: NDArray) -> tuple[NDArray, float]:
    """Level of each channel where it is darkest, and the pixel noise of the noisiest channel.

    Darkest: one in twenty of the picture's cells lies below. Channel by channel, because a nebula
    may leave no place dark in all. The noise is that of neighbouring pixels, so that no gradient or
    nebula counts as noise.
    """
    cells = _cells(sample)
    sky = np.quantile(np.nanmedian(cells, axis=-1), 0.05, axis=0)
    steps = np.abs(np.diff(cells, axis=-1))
    return sky, float(SIGMA_PER_DEVIATION / np.sqrt(2) * np.nanmedian(steps, axis=(0, 2)).max())


def _cells(sample: NDArray) -> NDArray:
    """The sample cut into a grid of cells: (cell, 3, pixel), without those of which more than half
    is unusable."""
    height, width = (max(1, side // _CELLS_PER_SIDE) for side in sample.shape[1:])
    down, across = sample.shape[1] // height, sample.shape[2] // width
    grid = sample[:, : down * height, : across * width].reshape(3, down, height, across, width)
    cells = grid.transpose(1, 3, 0, 2, 4).reshape(down * across, 3, height * width)
    usable = np.isfinite(cells[:, 0])
    cells = cells[usable.mean(axis=1) >= 0.5]
    if not len(cells):
        raise FrameError(
            "nearly all pixels given are nan or 0; a stretch needs a picture with something on it"
        )
    return cells


# ---- joining stretched pictures ------------------------------------------------------------------


def screen(below: ArrayLike, above: ArrayLike) -> NDArray:
    """Screen blend of two stretched pictures in [0, 1]: 1 - (1 - below)(1 - above).

    It dims what is above by (1 - below), channel by channel: stars laid over a coloured nebula that
    were split from a linear picture change colour. Linear pictures are added, not screened.

    Parameters
    ----------
    below, above : array_like
        In [0, 1], of shapes that go together.

    Returns
    -------
    ndarray

    Raises
    ------
    FrameError
        Values outside [0, 1]; nan is allowed.
    """
    below, above = _unit_interval(below), _unit_interval(above)
    return 1 - (1 - below) * (1 - above)


def _unit_interval(values: ArrayLike) -> NDArray:
    values = np.asarray(values)
    if (values < 0).any() or (values > 1).any():
        low, high = np.nanmin(values), np.nanmax(values)
        raise FrameError(
            f"values from {low:g} to {high:g} given; screening needs stretched pictures within 0 "
            f"to 1: "
            f"stretch them first, or add linear ones"
        )
    return values
