"""Synthetic frames of known truth: real catalogue stars seen through an invented telescope.

Everything is counted in electrons until the end: stars (spectra -> channels -> PSF integrated over
pixels), sky, gradient and nebula add up, noise is drawn, the full well clips, and only then are the
channels scaled, as a photographer scales them. What went in comes back in `Scene`.
"""

from dataclasses import dataclass, field

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table

from .light import background, expose
from .setup import Setup
from .sky import header, star_field
from .spectra import star_electrons, true_calibration


@dataclass(frozen=True, eq=False, kw_only=True)
class Scene:
    """A frame and all that is true of it. Levels are those of `pixels`, after the scaling of
    channels.

    Attributes
    ----------
    pixels : ndarray, (3, height, width) float32
        The frame, linear. Clipped to 0..1 before `channel_gains`.
    header : astropy.io.fits.Header
        TAN WCS (with the errors asked for), DATE-OBS, FILTER1..3.
    truth : astropy.table.Table
        Stars inside the frame: true x_px, y_px, ra_deg, dec_deg, v_mag, bv_mag, the catalogue's
        bv_catalogue_mag (NaN: none), in_catalogue, whole fluxes flux_r, flux_g, flux_b (unclipped),
        clipped.
    nebula : ndarray, (3, height, width) float32
        Everything but stars and noise: sky, gradient, nebula.
    sky : ndarray, (3,)
        Level of the sky in the middle of the frame, without nebula.
    noise : ndarray, (3,)
        Standard deviation of a pixel of that sky.
    gains_true : ndarray, (3,)
        Gains that make a star on the mean relation at `neutral_bv` neutral; G is 1.
    slopes_true : ndarray, (2,)
        d rho / d(B-V) and d beta / d(B-V) of the mean relation at `neutral_bv`.
    setup : Setup
        What was asked for.
    """

    pixels: np.ndarray = field(repr=False)
    header: Header = field(repr=False)
    truth: Table = field(repr=False)
    nebula: np.ndarray = field(repr=False)
    sky: np.ndarray
    noise: np.ndarray
    gains_true: np.ndarray
    slopes_true: np.ndarray
    setup: Setup


def make_scene(**settings) -> Scene:
    """Make a frame of known truth.

    Parameters
    ----------
    **settings
        Fields of `Setup`.

    Returns
    -------
    Scene
        The same for the same settings, bit for bit.

    Raises
    ------
    ValueError
        For settings that `Setup` does not know the meaning of.

    Notes
    -----
    Poisson noise is drawn as a Gaussian of the same variance (signal + read noise squared): right
    to the third moment above some 30 electrons a pixel, which every stack has. HOO and "copy" hold
    the same exposure twice or three times, noise and all, as such composites do.
    """
    setup = Setup(**settings)
    rng_stars, rng_nebula, rng_noise = np.random.default_rng(setup.seed).spawn(3)
    truth = star_field(setup, rng_stars)
    electrons = star_electrons(setup, truth, rng_stars)
    first, of_channel = exposures_needed(setup)
    empty = background(setup, rng_nebula)[first]
    exposures = np.stack(
        [
            expose(setup, channel, truth, electrons[:, channel], light, rng_noise)
            for channel, light in zip(first, empty, strict=True)
        ]
    )
    scale = np.asarray(setup.channel_gains) / setup.full_well_electrons
    write_fluxes(truth, electrons * scale)
    write_clipped(truth, exposures >= setup.full_well_electrons)
    return Scene(
        pixels=scaled(exposures, of_channel, scale),
        header=header(setup),
        truth=truth,
        nebula=scaled(empty, of_channel, scale),
        setup=setup,
        **sky_truth(setup, scale),
    )


def sky_truth(setup: Setup, scale: np.ndarray) -> dict[str, np.ndarray]:
    """Level and noise of the sky, true gains and slopes, under their names in `Scene`."""
    sky = np.broadcast_to(setup.sky_electrons, 3).astype(float)
    gains, slopes = true_calibration(setup)
    return {
        "sky": sky * scale,
        "noise": np.sqrt(sky + setup.read_noise_electrons**2) * scale,
        "gains_true": gains,
        "slopes_true": slopes,
    }


def exposures_needed(setup: Setup) -> tuple[list[int], list[int]]:
    """Channels that are exposed, and the exposure that each channel shows: HOO shows one twice."""
    bands = list(dict.fromkeys(setup.bands))
    first = [setup.bands.index(band) for band in bands]
    return first, [bands.index(band) for band in setup.bands]


def write_fluxes(truth: Table, flux: np.ndarray) -> None:
    """Whole fluxes, (stars, 3), in columns."""
    for column, values in zip(("flux_r", "flux_g", "flux_b"), flux.T, strict=True):
        truth[column] = values


def write_clipped(truth: Table, full: np.ndarray) -> None:
    """Who clips, where pixels are full, (exposures, y, x)."""
    rows, columns = np.rint(truth["y_px"]).astype(int), np.rint(truth["x_px"]).astype(int)
    truth["clipped"] = np.any(full[:, rows, columns], axis=0)


def scaled(exposures: np.ndarray, of_channel: list[int], scale: np.ndarray) -> np.ndarray:
    """Exposures put into channels and scaled, (3, height, width) float32."""
    return np.stack(
        [exposures[i] * np.float32(factor) for i, factor in zip(of_channel, scale, strict=True)]
    )
