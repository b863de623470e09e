"""Light on pixels, in electrons: sky and nebula, stars integrated over pixels, noise, full well."""

import numpy as np
from astropy.table import Table

from .clouds import LINES, nebula_lines
from .setup import SYSTEMS, Setup

# How much of H-alpha, [O III], [S II] a broadband channel takes; H-beta lets some of H-alpha into
# blue.
BROADBAND_LINES = {"R": (1.0, 0.0, 1.0), "G": (0.05, 1.0, 0.0), "B": (0.3, 0.7, 0.0)}
NODES_PX = np.sqrt(0.6) / 2 * np.array([-1, 0, 1])  # Gauss-Legendre in a pixel
NODE_WEIGHTS = (np.outer([5, 8, 5], [5, 8, 5]) / 18**2).astype(np.float32)


def background(setup: Setup, rng: np.random.Generator) -> np.ndarray:
    """Sky, gradient and nebula in electrons, (3, height, width) float32."""
    # moonlight and town do not align
    angles = rng.uniform(0, 2 * np.pi) + np.array([0.0, 0.2, 0.4])
    sky = np.broadcast_to(setup.sky_electrons, 3)
    slopes = [slope_plane(setup.shape, angle) for angle in angles]
    light = np.stack([1 + np.float32(setup.gradient) * slope for slope in slopes])
    light *= sky[:, None, None].astype(np.float32)
    if setup.nebula_electrons > 0:
        add_nebula(light, setup, rng)
    return light


def slope_plane(shape: tuple[int, int], angle: float) -> np.ndarray:
    """A plane that rises along a direction: 0 in the middle, 1 edge to edge, (height, width)."""
    x = np.linspace(-0.5, 0.5, shape[1], dtype=np.float32)
    y = np.linspace(-0.5, 0.5, shape[0], dtype=np.float32)
    return np.float32(np.cos(angle)) * x + np.float32(np.sin(angle)) * y[:, None]


def add_nebula(light: np.ndarray, setup: Setup, rng: np.random.Generator) -> None:
    """Add an invented nebula to the channels, in place."""
    lines = nebula_lines(setup.shape, rng, float(np.max(setup.fwhm_px)))
    for channel, band in zip(light, SYSTEMS[setup.system], strict=True):
        for line, ratio, share in zip(LINES, setup.line_ratios, line_shares(band), strict=True):
            channel += np.float32(setup.nebula_electrons * ratio * share) * lines[line]


def line_shares(band: str) -> tuple[float, ...]:
    """How much of each nebular line a channel takes."""
    if band in LINES:
        return tuple(float(band == line) for line in LINES)
    return BROADBAND_LINES[band[-1]]


def expose(
    setup: Setup,
    channel: int,
    truth: Table,
    electrons: np.ndarray,
    empty: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """One exposure in electrons: background, stars, noise, full well."""
    image = empty.copy()
    sky_electrons = np.broadcast_to(setup.sky_electrons, 3)[channel]
    noise = np.sqrt(sky_electrons + setup.read_noise_electrons**2)
    fwhm_px = float(np.broadcast_to(setup.fwhm_px, 3)[channel])
    x_px = np.array(truth["x_px"])
    y_px = np.array(truth["y_px"])
    add_stars(image, x_px, y_px, electrons, fwhm_px, setup.moffat_beta, floor=noise / 200)
    return with_noise(image, setup.read_noise_electrons, setup.full_well_electrons, rng)


def with_noise(
    image: np.ndarray,
    read_noise_electrons: float,
    full_well_electrons: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw the noise of photons and reading, then clip at the full well; in place."""
    sigma = np.sqrt(np.maximum(image, 0) + np.float32(read_noise_electrons**2))
    image += sigma * rng.standard_normal(image.shape, dtype=np.float32)
    return np.clip(image, 0, full_well_electrons, out=image)


def add_stars(
    image: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    flux: np.ndarray,
    fwhm_px: float,
    moffat_beta: float | None,
    floor: float,
) -> None:
    """Add stars to an image, in place, each integrated over its pixels.

    Parameters
    ----------
    image : ndarray, (height, width) float32
        Changed in place.
    x_px, y_px, flux : ndarray, (stars,)
        Position; total flux of the unbounded profile.
    fwhm_px : float
        Of the PSF before it is integrated over pixels.
    moffat_beta : float or None
        Moffat 1969 (A&A 3, 455) exponent, above 1; None for a Gaussian.
    floor : float
        A star is drawn out to where it falls below this, in units of the image.
    """
    for x, y, light in zip(x_px, y_px, flux, strict=True):
        reach = reach_px(light, fwhm_px, moffat_beta, floor)
        rows = pixels_around(y, reach, image.shape[0])
        columns = pixels_around(x, reach, image.shape[1])
        r2_px2 = squares(rows, y)[:, None] + squares(columns, x)
        stamp = summed_over_pixels(profile(r2_px2, fwhm_px, moffat_beta))
        add_stamp(image, rows, columns, np.float32(light) * stamp)


def pixels_around(at_px: float, reach_px: float, size: int) -> np.ndarray:
    """Pixels of one axis within reach of a place, inside the image."""
    first = max(0, int(at_px - reach_px))
    beyond = min(size, int(at_px + reach_px) + 2)
    return np.arange(first, beyond)


def subpixels(pixels: np.ndarray) -> np.ndarray:
    """Three Gauss-Legendre nodes in every pixel of an axis: exact to the fifth power in a pixel."""
    return (pixels[:, None] + NODES_PX).ravel()


def squares(pixels: np.ndarray, at_px: float) -> np.ndarray:
    """Squared distances of the nodes of an axis from a place, float32."""
    return ((subpixels(pixels) - at_px) ** 2).astype(np.float32)


def add_stamp(
    image: np.ndarray, rows: np.ndarray, columns: np.ndarray, stamp: np.ndarray
) -> None:
    """Add a stamp to the pixels of adjoining rows and columns, in place."""
    image[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += stamp


def summed_over_pixels(density: np.ndarray) -> np.ndarray:
    """Integrate over pixels what is given at `subpixels` of both axes, (3 rows, 3 columns)."""
    rows = density.shape[0] // 3
    columns = density.shape[1] // 3
    return np.einsum("aibj,ij->ab", density.reshape(rows, 3, columns, 3), NODE_WEIGHTS)


def profile(r2_px2: np.ndarray, fwhm_px: float, moffat_beta: float | None) -> np.ndarray:
    """PSF of unit flux at squared distances from its centre."""
    if moffat_beta is None:
        variance = fwhm_px**2 / (8 * np.log(2))
        peak = np.float32(0.5 / (np.pi * variance))
        return np.exp(r2_px2 * np.float32(-0.5 / variance)) * peak
    alpha2 = fwhm_px**2 / 4 / (2 ** (1 / moffat_beta) - 1)
    peak = (moffat_beta - 1) / (np.pi * alpha2)
    return np.float32(peak) * (1 + r2_px2 * np.float32(1 / alpha2)) ** np.float32(-moffat_beta)


def reach_px(flux: float, fwhm_px: float, moffat_beta: float | None, floor: float) -> float:
    """Radius where a star of this flux falls below the floor; at least twice the FWHM."""
    contrast = max(flux * float(profile(np.float32(0), fwhm_px, moffat_beta)) / floor, 1.0)
    if moffat_beta is None:
        return max(fwhm_px * np.sqrt(np.log2(contrast)) / 2, 2 * fwhm_px)
    falls = contrast ** (1 / moffat_beta) - 1
    falls_to_half = 2 ** (1 / moffat_beta) - 1
    return max(fwhm_px / 2 * np.sqrt(falls / falls_to_half), 2 * fwhm_px)
