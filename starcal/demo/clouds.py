"""Invented nebulae for synthetic frames: turbulent clouds, thin filaments, compact knots.

A cloud is a Gaussian random field with a power-law spectrum, exponentiated: column densities of
turbulent gas are close to log-normal (Vazquez-Semadeni 1994, ApJ 423, 681), their power spectra
close to k^-3 (Elmegreen & Scalo 2004, ARA&A 42, 211). It is a picture of a nebula, not a model of
one.
"""

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
    depth = turbulence(shape, rng, slope=3.4, fwhm_px=fwhm_px)
    fine = turbulence(shape, rng, slope=2.6, fwhm_px=fwhm_px)
    envelope = ragged_disc(shape, rng, fwhm_px)
    dust = 1 / (1 + np.exp(4 * turbulence(shape, rng, slope=3.2, fwhm_px=fwhm_px) - 5))
    cloud = envelope * np.exp(0.5 * depth + 0.15 * fine) * dust
    contour = turbulence(shape, rng, slope=3.6, fwhm_px=fwhm_px) / FILAMENT_WIDTH
    thread = cloud * np.exp(-0.5 * contour**2)
    knots = compact_knots(shape, rng, fwhm_px, weights=cloud)
    core = turbulence(shape, rng, slope=3.8, fwhm_px=fwhm_px)
    inside = envelope**3 * dust * np.exp(0.5 * core + 0.1 * fine)
    rim = cloud * (0.7 - 0.4 * envelope) * np.exp(0.3 * fine)
    return {
        "H": normalised(cloud + 0.5 * thread + knots),
        "O": normalised(inside + 0.25 * cloud + 0.1 * thread),
        "S": normalised(rim + 0.5 * thread + 0.7 * knots),
    }


def normalised(light: np.ndarray) -> np.ndarray:
    """Light whose 99.5th percentile is 1, float32."""
    return (light / np.percentile(light[::7, ::7], 99.5)).astype(np.float32)


def ragged_disc(shape: tuple[int, int], rng: np.random.Generator, fwhm_px: float) -> np.ndarray:
    """Outline of the nebula: 1 inside, fading to 0 at a torn rim, (height, width) float32."""
    y, x = (np.linspace(-1, 1, size, dtype=np.float32) for size in shape)
    centre = rng.uniform(-0.3, 0.3, 2).astype(np.float32)
    distance2 = (y[:, None] - centre[0]) ** 2 + (x - centre[1]) ** 2
    return 1 / (
        1 + np.exp(3 * distance2 - 1.5 - 1.2 * turbulence(shape, rng, slope=3.8, fwhm_px=fwhm_px))
    )


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
    rows, columns = (fft.next_fast_len(size + size // 4, real=True) for size in shape)
    amplitude = spectrum(rows, columns, slope, fwhm_px)
    noise = rng.standard_normal((*amplitude.shape, 2), dtype=np.float32)
    waves = noise.view(np.complex64)[..., 0] * amplitude
    field = fft.irfft2(waves, s=(rows, columns), workers=-1)[: shape[0], : shape[1]]
    return (field - field.mean()) / field.std()


def spectrum(rows: int, columns: int, slope: float, fwhm_px: float) -> np.ndarray:
    """Amplitudes of a power law seen through a Gaussian PSF, for `irfft2`, mean 0, float32."""
    ky, kx = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :]
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
        y, x = rng.uniform(0, shape[0] - 1), rng.uniform(0, shape[1] - 1)
        widths_px = fwhm_px / 2.3548 * rng.uniform(2, 5, 2)
        angle = rng.uniform(0, np.pi)
        height = rng.uniform(0.1, 0.6) * weights[int(y), int(x)]
        reach = int(4 * widths_px.max()) + 1
        rows = slice(max(0, int(y) - reach), min(shape[0], int(y) + reach + 1))
        columns = slice(max(0, int(x) - reach), min(shape[1], int(x) + reach + 1))
        dy, dx = np.ogrid[rows, columns]
        knots[rows, columns] += height * blob(dx - x, dy - y, widths_px, angle)
    return knots


def blob(dx_px: np.ndarray, dy_px: np.ndarray, widths_px: np.ndarray, angle: float) -> np.ndarray:
    """An elongated Gaussian of height 1."""
    along = dx_px * np.cos(angle) + dy_px * np.sin(angle)
    across = dy_px * np.cos(angle) - dx_px * np.sin(angle)
    return np.exp(-0.5 * ((along / widths_px[0]) ** 2 + (across / widths_px[1]) ** 2))
