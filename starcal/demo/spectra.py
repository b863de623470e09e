"""Stars through channels: the table of spectra, its mean relation, the scatter about it."""

import csv
from functools import cache

import numpy as np
from astropy.table import Table

from ..catalogue.embedded import data_folder
from .setup import Setup

SPECTRA_BV_MAG = (-0.3, 1.8)  # the spectra end there
NEIGHBOURS = 6  # spectra alike in B-V among which one is drawn


@cache
def star_bands() -> dict[str, np.ndarray]:
    """Table of spectra: magnitudes relative to V through each channel, ordered by B-V.

    Returns
    -------
    dict of str to ndarray, (spectra,)
        "bv_mag" and one entry a channel; dwarfs, subgiants and giants to M4 only. Source and
        formula stand in the head of star_bands.csv.
    """
    with open(data_folder() / "star_bands.csv", encoding="utf-8") as lines:
        table = csv.DictReader(line for line in lines if line[0] != "#")
        rows = [row for row in table if row["field_star"] == "1"]
    rows.sort(key=lambda row: float(row["bv_mag"]))
    columns = [name for name in rows[0] if name not in ("name", "luminosity", "field_star")]
    return {name: np.array([float(row[name]) for row in rows]) for name in columns}


@cache
def mean_relation(bands: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Mean magnitudes relative to V against B-V: cubics, and what the spectra leave of them.

    Parameters
    ----------
    bands : tuple of str
        Columns of `star_bands`.

    Returns
    -------
    coefficients : ndarray, (4, bands)
        Highest power first.
    residuals : ndarray, (spectra, bands)
        Magnitudes.
    """
    table = star_bands()
    mags = np.stack([table[band] for band in bands], axis=1)
    coefficients = np.polyfit(table["bv_mag"], mags, 3)
    return coefficients, mags - relation_mag(coefficients, table["bv_mag"])


def relation_mag(coefficients: np.ndarray, bv_mag: np.ndarray) -> np.ndarray:
    """Value of the mean relation; held constant outside the range of the spectra."""
    return np.vander(np.atleast_1d(bv_mag), 4) @ coefficients


def band_mags(
    bands: tuple[str, ...], bv_mag: np.ndarray, scatter: str, rng: np.random.Generator
) -> np.ndarray:
    """Magnitudes relative to V of stars through channels.

    Parameters
    ----------
    bands : tuple of str
        Columns of `star_bands`.
    bv_mag : ndarray, (stars,)
        Held to -0.3..1.8.
    scatter : str
        "none": the mean relation; "gaussian": plus a draw from the covariance of the spectra about
        it; "spectra": plus the residual of one of the six spectra nearest in B-V, so that narrow
        filters see real lines (H-alpha absorption of A stars, TiO of M stars).
    rng : numpy.random.Generator
        Fixes the scatter.

    Returns
    -------
    ndarray, (stars, bands)
    """
    coefficients, residuals = mean_relation(bands)
    bv_mag = np.clip(bv_mag, *SPECTRA_BV_MAG)
    mags = relation_mag(coefficients, bv_mag)
    if scatter == "gaussian":
        mean = np.zeros(len(bands))
        covariance = np.cov(residuals.T)
        mags += rng.multivariate_normal(mean, covariance, len(bv_mag), method="eigh")
    elif scatter == "spectra":
        mags += residuals[drawn_spectra(bv_mag, rng)]
    return mags


def drawn_spectra(bv_mag: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One of the spectra nearest in B-V for each star, rows of `star_bands`."""
    distance = np.abs(star_bands()["bv_mag"] - bv_mag[:, None])
    nearest = np.argpartition(distance, NEIGHBOURS, axis=1)[:, :NEIGHBOURS]
    return nearest[np.arange(len(bv_mag)), rng.integers(NEIGHBOURS, size=len(bv_mag))]


def star_electrons(setup: Setup, truth: Table, rng: np.random.Generator) -> np.ndarray:
    """Electrons of every star in every channel, (stars, 3)."""
    mags = band_mags(setup.bands, np.array(truth["bv_mag"]), setup.scatter, rng)
    v_mag = np.array(truth["v_mag"])
    return setup.v_zero_electrons * 10 ** (-0.4 * (v_mag[:, None] + mags))


def true_calibration(setup: Setup) -> tuple[np.ndarray, np.ndarray]:
    """Gains that undo the scaling for a star of `neutral_bv`, and the colour slopes there."""
    coefficients, _ = mean_relation(setup.bands)
    bv = setup.neutral_bv
    light = 10 ** (-0.4 * relation_mag(coefficients, bv)[0]) * setup.channel_gains
    slope = np.array([3 * bv**2, 2 * bv, 1, 0]) @ coefficients
    return light[1] / light, slope[[0, 2]] - slope[1]
