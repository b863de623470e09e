"""Invented nebulae for synthetic frames: turbulent clouds, thin filaments, compact knots.

A cloud is a Gaussian random field with a power-law spectrum, exponentiated: column densities of
turbulent gas are close to log-normal (Vazquez-Semadeni 1994, ApJ 423, 681), their power spectra
close to k^-3 (Elmegreen & Scalo 2004, ARA&A 42, 211). It is a picture of a nebula, not a model of
one.
"""

from functools import partial

import numpy as np
from scipy import fft

LINES = ("H", "O", "S")
FILAMENT_WIDTH = 0.08  # of the field's rms: the thin neighbourhood of its zero contour
KNOTS_PER_MPX = 25


def nebula_lines(
    shape: tuple[int, int], rng: np.random.Generator, fwhm_px: float
) -> dict[str, np.ndarray]:
    """Brightness of one invented nebula in three emission lines.

    Parameters
    ----------
    shape : (int, int)
        Height and width, pixels.
    rng : numpy.random.Generator
        Fixes the nebula.
    fwhm_px : float
        Seeing: nothing sharper than this is drawn.

    Returns
    -------
    dict of str to ndarray, (height, width) float32
        "H", "O", "S": H-alpha, [O III], [S II]; each 0 or more, its 99.5th percentile 1.
        [O III] fills the inside, [S II] follows filaments and rims, as ionisation does.
    """
    of_slope = partial(turbulence, shape, rng, fwhm_px=fwhm_px)
    depth = of_slope(3.4)
    fine = of_slope(2.6)
    envelope = ragged_disc(shape, rng, fwhm_px)
    dust = fading(4 * of_slope(3.2) - 5)
    cloud = envelope * np.exp(0.5 * depth + 0.15 * fine) * dust
    contour = of_slope(3.6) / FILAMENT_WIDTH
    thread = cloud * np.exp(-0.5 * contour**2)
    knots = compact_knots(shape, rng, fwhm_px, weights=cloud)
    core = of_slope(3.8)
    inside = envelope**3 * dust * np.exp(0.5 * core + 0.1 * fine)
    rim = cloud * (0.7 - 0.4 * envelope) * np.exp(0.3 * fine)
    return {
        "H": normalised(cloud + 0.5 * thread + knots),
        "O": normalised(inside + 0.25 * cloud + 0.1 * thread),
        "S": normalised(rim + 0.5 * thread + 0.7 * knots),
    }


def fading(depth: np.ndarray) -> np.ndarray:
    """From 1 to 0 as a depth passes from far below 0 to far above."""
    return 1 / (1 + np.exp(depth))


def normalised(light: np.ndarray) -> np.ndarray:
    """Light whose 99.5th percentile is 1, float32."""
    return (light / np.percentile(light[::7, ::7], 99.5)).astype(np.float32)


def ragged_disc(shape: tuple[int, int], rng: np.random.Generator, fwhm_px: float) -> np.ndarray:
    """Outline of the nebula: 1 inside, fading to 0 at a torn rim, (height, width) float32."""
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)
    centre = rng.uniform(-0.3, 0.3, 2).astype(np.float32)
    distance2 = (y[:, None] - centre[0]) ** 2 + (x - centre[1]) ** 2
    torn = turbulence(shape, rng, slope=3.8, fwhm_px=fwhm_px)
    return fading(3 * distance2 - 1.5 - 1.2 * torn)


def turbulence(
    shape: tuple[int, int], rng: np.random.Generator, slope: float, fwhm_px: float
) -> np.ndarray:
    """Gaussian random field with power spectrum k^-slope, blurred by a Gaussian PSF; mean 0, rms 1.

    Parameters
    ----------
    shape : (int, int)
        Height and width, pixels.
    rng : numpy.random.Generator
        Fixes the field.
    slope : float
        Exponent of the power spectrum; 2 rough, 4 smooth.
    fwhm_px : float
        Seeing, pixels.

    Returns
    -------
    ndarray, (height, width) float32
        It is periodic, on a grid a quarter larger than what is returned, so that the edges do not
        match.
    """
    rows = fft.next_fast_len(shape[0] + shape[0] // 4, real=True)
    columns = fft.next_fast_len(shape[1] + shape[1] // 4, real=True)
    amplitude = spectrum(rows, columns, slope, fwhm_px)
    noise = rng.standard_normal((*amplitude.shape, 2), dtype=np.float32)
    waves = noise.view(np.complex64)[..., 0] * amplitude
    field = fft.irfft2(waves, s=(rows, columns), workers=-1)[: shape[0], : shape[1]]
    return (field - field.mean()) / field.std()


def spectrum(rows: int, columns: int, slope: float, fwhm_px: float) -> np.ndarray:
    """Amplitudes of a power law seen through a Gaussian PSF, for `irfft2`, mean 0, float32."""
    ky = np.fft.fftfreq(rows)[:, None]
    kx = np.fft.rfftfreq(columns)[None, :]
    k2 = (ky**2 + kx**2).astype(np.float32)
    k2[0, 0] = 1
    sigma_px = fwhm_px / 2.3548
    amplitude = k2 ** np.float32(-slope / 4) * np.exp(-2 * np.pi**2 * sigma_px**2 * k2)
    amplitude[0, 0] = 0
    return amplitude


def compact_knots(
    shape: tuple[int, int], rng: np.random.Generator, fwhm_px: float, weights: np.ndarray
) -> np.ndarray:
    """Small elongated blobs, 2 to 5 times as wide as a star, where the cloud is bright.

    Parameters
    ----------
    shape : (int, int)
        Height and width, pixels.
    rng : numpy.random.Generator
        Fixes the knots.
    fwhm_px : float
        Seeing, pixels.
    weights : ndarray, (height, width)
        Brightness of the cloud, which the knots share.

    Returns
    -------
    ndarray, (height, width) float32
    """
    knots = np.zeros(shape, np.float32)
    for _ in range(1 + int(KNOTS_PER_MPX * shape[0] * shape[1] / 1e6)):
        add_knot(knots, rng, fwhm_px, weights)
    return knots


def add_knot(
    knots: np.ndarray, rng: np.random.Generator, fwhm_px: float, weights: np.ndarray
) -> None:
    """Add one blob, in place."""
    y = rng.uniform(0, knots.shape[0] - 1)
    x = rng.uniform(0, knots.shape[1] - 1)
    widths_px = fwhm_px / 2.3548 * rng.uniform(2, 5, 2)
    angle = rng.uniform(0, np.pi)
    row = int(y)
    column = int(x)
    height = rng.uniform(0.1, 0.6) * weights[row, column]
    reach = int(4 * widths_px.max()) + 1
    rows = near(row, reach, knots.shape[0])
    columns = near(column, reach, knots.shape[1])
    dy, dx = np.ogrid[rows, columns]
    knots[rows, columns] += height * blob(dx - x, dy - y, widths_px, angle)


def near(at: int, reach: int, size: int) -> slice:
    """Pixels of an axis within reach of one."""
    return slice(max(0, at - reach), min(size, at + reach + 1))


def blob(
    dx_px: np.ndarray, dy_px: np.ndarray, widths_px: np.ndarray, angle: float
) -> np.ndarray:
    """An elongated Gaussian of height 1."""
    along = dx_px * np.cos(angle) + dy_px * np.sin(angle)
    across = dy_px * np.cos(angle) - dx_px * np.sin(angle)
    return np.exp(-0.5 * ((along / widths_px[0]) ** 2 + (across / widths_px[1]) ** 2))
