"""Synthetic frames of known truth: real catalogue stars seen through an invented telescope.

Everything is counted in electrons until the end: stars (spectra -> channels -> PSF integrated over
pixels), sky, gradient and nebula add up, noise is drawn, the full well clips, and only then are the
channels scaled, as a photographer scales them. What went in comes back in `Scene`.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from types import SimpleNamespace

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table
from astropy.wcs import WCS

from ..catalogue.embedded import bv_error_model, cone, data_folder
from .clouds import LINES, nebula_lines

SYSTEMS = {
    "camera": ("camera_R", "camera_G", "camera_B"),
    "mono": ("mono_R", "mono_G", "mono_B"),
    "SHO": ("S", "H", "O"),
    "HOO": ("H", "O", "O"),
    "HOS": ("H", "O", "S"),
    "OHS": ("O", "H", "S"),
    "copy": ("mono_G", "mono_G", "mono_G"),
}
CHOICES = {
    "system": tuple(SYSTEMS),
    "width_nm": (3, 5, 7),
    "scatter": ("gaussian", "spectra", "none"),
}
FILTER_NAMES = {"H": "H-alpha", "O": "O III", "S": "S II"}
# How much of H-alpha, [O III], [S II] a broadband channel takes; H-beta lets some of H-alpha into
# blue.
BROADBAND_LINES = {"R": (1.0, 0.0, 1.0), "G": (0.05, 1.0, 0.0), "B": (0.3, 0.7, 0.0)}

BV_RANGE_MAG = (-0.3, 1.8)  # the spectra end there
FIELD_BV_MAG = (
    0.75,
    0.35,
)  # mean and rms of field stars, where the field's own are too few to tell
COMPLETE_MAG = 11.0  # Tycho-2 is 99 % complete to V 11.0 (Hoeg et al. 2000)
COUNT_SLOPE = 0.35  # d log10 N / dV, typical of V 11 to 16
SPARSEST_PER_DEG2 = 10.0  # Tycho-2 stars to V 11 at the galactic poles
NEIGHBOURS = 6  # spectra alike in B-V among which one is drawn


@dataclass(frozen=True)
class Setup:
    """What is put into a frame. Colour triples are in channel order R, G, B.

    Raises
    ------
    ValueError
        For a system, filter width, scatter or size that is none of those below.
    """

    seed: int = 0
    ra_deg: float = 305.6  # centre of the frame
    dec_deg: float = 40.3
    shape: tuple[int, int] = (700, 1000)  # height, width
    scale_arcsec: float = 2.5  # of one pixel
    rotation_deg: float = 0.0  # north from the y axis, counter-clockwise
    mirrored: bool = False  # east to the right of north
    date_obs: str = "2024-09-14T22:10:00"
    system: str = "camera"  # one of SYSTEMS
    width_nm: int = 3  # of narrowband filters: 3, 5 or 7
    scatter: str = "gaussian"  # about the mean colour relation: "gaussian", "spectra" or "none"
    white_bv: float = 0.65  # B-V that `gains_true` makes neutral
    channel_gains: tuple[float, float, float] = (1.0, 1.0, 1.0)  # by which the channels were scaled
    fwhm_px: float | tuple[float, float, float] = 3.0
    moffat_beta: float | None = 3.0  # wings of the PSF; None: Gaussian
    v_zero_electrons: float = (
        2.5e10  # from a star of V = 0 through the V band in the whole exposure
    )
    full_well_electrons: float = 1e6  # of the whole stack
    sky_electrons: float | tuple[float, float, float] = 1.5e4
    read_noise_electrons: float = 20.0
    gradient: float = 0.0  # of the sky, edge to edge, as a fraction of it
    nebula_electrons: float = 0.0  # bright parts of the nebula in H-alpha, per pixel
    line_ratios: tuple[float, float, float] = (1.0, 0.35, 0.25)  # H-alpha, [O III], [S II]
    faint_to_mag: float | None = (
        16.0  # invented stars beyond the catalogue, down to here; None: none
    )
    catalogue_noise: float = 1.0  # times `bv_error_model`; 0: the catalogue's B-V is the truth
    wcs_offset_px: tuple[float, float] = (
        0.0,
        0.0,
    )  # error of the header: says x, y this much too large
    wcs_rotation_deg: float = 0.0  # error of the header, about the centre
    with_wcs: bool = True
    stars: object | None = None  # CatalogueStars in place of the embedded catalogue

    def __post_init__(self):
        """Refuse what no frame can be made of."""
        for name, choices in CHOICES.items():
            if getattr(self, name) not in choices:
                raise ValueError(
                    f"{name} {getattr(self, name)!r} is none of {', '.join(map(str, choices))}"
                )
        if min(self.shape) < 32:
            raise ValueError(
                f"shape {self.shape} is too small: at least (32, 32) pixels are needed"
            )
        if not np.all(np.asarray(self.fwhm_px) >= 1):
            raise ValueError(f"fwhm_px {self.fwhm_px} is too small: at least 1 pixel is needed")
        if self.moffat_beta is not None and self.moffat_beta <= 1:
            raise ValueError(
                f"moffat_beta {self.moffat_beta} holds infinite light: above 1, or None for a "
                f"Gaussian"
            )

    @property
    def bands(self) -> tuple[str, str, str]:
        """Columns of the band table that feed R, G and B."""
        names = SYSTEMS[self.system]
        return tuple(f"{name}{self.width_nm}" if name in LINES else name for name in names)


@dataclass(frozen=True, eq=False)
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
        Gains that make a star on the mean relation at `white_bv` neutral; G is 1.
    slopes_true : ndarray, (2,)
        d rho / d(B-V) and d beta / d(B-V) of the mean relation at `white_bv`.
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
    bands = list(dict.fromkeys(setup.bands))
    of_channel = [bands.index(band) for band in setup.bands]
    first = [setup.bands.index(band) for band in bands]
    electrons = star_electrons(setup, truth, rng_stars)
    empty = background(setup, rng_nebula)[first]
    exposures = np.stack(
        [
            expose(setup, channel, truth, electrons[:, channel], empty[i], rng_noise)
            for i, channel in enumerate(first)
        ]
    )
    scale = np.asarray(setup.channel_gains) / setup.full_well_electrons
    sky = np.broadcast_to(setup.sky_electrons, 3).astype(float)
    for column, flux in zip(("flux_r", "flux_g", "flux_b"), (electrons * scale).T, strict=True):
        truth[column] = flux
    at = np.rint(truth["y_px"]).astype(int), np.rint(truth["x_px"]).astype(int)
    truth["clipped"] = np.any(exposures[:, *at] >= setup.full_well_electrons, axis=0)
    gains, slopes = true_calibration(setup)
    return Scene(
        scaled(exposures, of_channel, scale),
        header(setup),
        truth,
        scaled(empty, of_channel, scale),
        sky * scale,
        np.sqrt(sky + setup.read_noise_electrons**2) * scale,
        gains,
        slopes,
        setup,
    )


def scaled(exposures: np.ndarray, of_channel: list[int], scale: np.ndarray) -> np.ndarray:
    """Exposures put into channels and scaled, (3, height, width) float32."""
    return np.stack(
        [exposures[i] * np.float32(factor) for i, factor in zip(of_channel, scale, strict=True)]
    )


# --- stars through channels -------------------------------------------------------------


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
        rows = [
            row
            for row in csv.DictReader(line for line in lines if line[0] != "#")
            if row["field_star"] == "1"
        ]
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
    bv_mag = np.clip(bv_mag, *BV_RANGE_MAG)
    mags = relation_mag(coefficients, bv_mag)
    if scatter == "gaussian":
        mags += rng.multivariate_normal(
            np.zeros(len(bands)), np.cov(residuals.T), len(bv_mag), method="eigh"
        )
    elif scatter == "spectra":
        distance = np.abs(star_bands()["bv_mag"] - bv_mag[:, None])
        nearest = np.argpartition(distance, NEIGHBOURS, axis=1)[:, :NEIGHBOURS]
        mags += residuals[
            nearest[np.arange(len(bv_mag)), rng.integers(NEIGHBOURS, size=len(bv_mag))]
        ]
    return mags


def star_electrons(setup: Setup, truth: Table, rng: np.random.Generator) -> np.ndarray:
    """Electrons of every star in every channel, (stars, 3)."""
    mags = band_mags(setup.bands, np.array(truth["bv_mag"]), setup.scatter, rng)
    return setup.v_zero_electrons * 10 ** (-0.4 * (np.array(truth["v_mag"])[:, None] + mags))


def true_calibration(setup: Setup) -> tuple[np.ndarray, np.ndarray]:
    """Gains that undo the scaling for a star of `white_bv`, and the colour slopes there."""
    coefficients, _ = mean_relation(setup.bands)
    light = 10 ** (-0.4 * relation_mag(coefficients, setup.white_bv)[0]) * setup.channel_gains
    slope = np.array([3 * setup.white_bv**2, 2 * setup.white_bv, 1, 0]) @ coefficients
    return light[1] / light, slope[[0, 2]] - slope[1]


# --- which stars ------------------------------------------------------------------------


def true_colours(
    bv_mag: np.ndarray, error_mag: np.ndarray, prior: tuple[float, float], rng: np.random.Generator
) -> np.ndarray:
    """Draw the true B-V of stars whose catalogue B-V is what it is.

    Parameters
    ----------
    bv_mag, error_mag : ndarray, (stars,)
        Catalogue value (NaN: unknown) and its error.
    prior : (float, float)
        Mean and rms of true B-V in this field.
    rng : numpy.random.Generator
        Fixes the draw.

    Returns
    -------
    ndarray, (stars,)

    Notes
    -----
    Noise added to the catalogue's value would be uncorrelated with it (Berkson errors) and would
    leave the slope of any fit on the catalogue as it is. In nature the catalogue errs about the
    truth, the fit flattens by var(true) / var(observed). That is had by drawing from the posterior
    of the truth, with the field as a Gaussian prior: mean + k (observed - mean), variance k
    error^2, k = var / (var + error^2) (Fuller 1987, Measurement Error Models, section 1.1).
    """
    mean, rms = prior
    shrink = np.where(np.isnan(bv_mag), 0, rms**2 / (rms**2 + error_mag**2))
    spread = np.where(np.isnan(bv_mag), rms, np.sqrt(shrink) * error_mag)
    return mean + shrink * np.nan_to_num(bv_mag - mean) + spread * rng.standard_normal(len(bv_mag))


def field_colours(bv_mag: np.ndarray, error_mag: np.ndarray) -> tuple[float, float]:
    """Mean and rms of the true B-V of a field, from its well-measured stars if there are ten."""
    good = np.isfinite(bv_mag) & (error_mag < 0.1)
    if good.sum() < 10:
        return FIELD_BV_MAG
    variance = np.var(bv_mag[good]) - np.mean(error_mag[good] ** 2)
    return float(np.mean(bv_mag[good])), float(np.sqrt(max(variance, 0.01)))


def star_field(setup: Setup, rng: np.random.Generator) -> Table:
    """Catalogue stars and invented fainter ones inside the frame, brightest first, with true
    colours."""
    wcs = WCS(wcs_header(setup, exact=True))
    known = setup.stars if setup.stars is not None else catalogue_stars(setup)
    v_mag, bv_mag = np.asarray(known.v_mag, float), np.asarray(known.bv_mag, float)
    error_mag = setup.catalogue_noise * bv_error_model(v_mag)
    prior = field_colours(bv_mag, error_mag)
    x_px, y_px = wcs.wcs_world2pix(known.ra_deg, known.dec_deg, 0)
    colours = true_colours(bv_mag, error_mag, prior, rng)
    table = star_table(x_px, y_px, known.ra_deg, known.dec_deg, v_mag, colours, bv_mag, True)
    height, width = setup.shape
    inside = (
        np.isfinite(v_mag)
        & (x_px > -0.5)
        & (x_px < width - 0.5)
        & (y_px > -0.5)
        & (y_px < height - 0.5)
    )
    rows = [table[inside]]
    if setup.faint_to_mag is not None:
        rows.append(invented_stars(setup, wcs, v_mag[inside], prior, rng))
    merged = {
        name: np.concatenate([np.asarray(part[name]) for part in rows]) for name in table.colnames
    }
    merged["bv_mag"] = np.clip(merged["bv_mag"], *BV_RANGE_MAG)
    return Table(merged)[np.argsort(merged["v_mag"], kind="stable")]


def star_table(x_px, y_px, ra_deg, dec_deg, v_mag, bv_mag, bv_catalogue_mag, in_catalogue) -> Table:
    """Columns of the truth that both kinds of stars have."""
    return Table(
        {
            "x_px": x_px,
            "y_px": y_px,
            "ra_deg": np.asarray(ra_deg),
            "dec_deg": np.asarray(dec_deg),
            "v_mag": v_mag,
            "bv_mag": bv_mag,
            "bv_catalogue_mag": bv_catalogue_mag,
            "in_catalogue": np.full(len(v_mag), in_catalogue),
        }
    )


def catalogue_stars(setup: Setup):
    """Stars of the embedded catalogue around the frame, at its epoch."""
    epoch_yr = 2000 + (mjd(setup.date_obs) - 51544.5) / 365.25
    radius_deg = 0.51 * np.hypot(*setup.shape) * setup.scale_arcsec / 3600
    return cone(setup.ra_deg, setup.dec_deg, radius_deg, epoch_yr=epoch_yr)


def invented_stars(
    setup: Setup,
    wcs: WCS,
    known_mag: np.ndarray,
    prior: tuple[float, float],
    rng: np.random.Generator,
) -> Table:
    """Stars that no catalogue holds: they continue the counts, and fill the catalogue's last
    magnitude."""
    height, width = setup.shape
    area_deg2 = height * width * (setup.scale_arcsec / 3600) ** 2
    complete = max(np.sum(known_mag < COMPLETE_MAG), SPARSEST_PER_DEG2 * area_deg2)
    edges_mag = np.linspace(COMPLETE_MAG, max(setup.faint_to_mag, COMPLETE_MAG), 21)
    expected = np.diff(complete * 10 ** (COUNT_SLOPE * (edges_mag - COMPLETE_MAG)))
    missing = rng.poisson(np.maximum(expected - np.histogram(known_mag, edges_mag)[0], 0))
    v_mag = np.repeat(edges_mag[:-1], missing) + rng.uniform(
        0, edges_mag[1] - edges_mag[0], missing.sum()
    )
    x_px, y_px = (
        rng.uniform(-0.5, width - 0.5, len(v_mag)),
        rng.uniform(-0.5, height - 0.5, len(v_mag)),
    )
    ra_deg, dec_deg = wcs.wcs_pix2world(x_px, y_px, 0)
    bv_mag = prior[0] + prior[1] * rng.standard_normal(len(v_mag))
    return star_table(
        x_px, y_px, ra_deg, dec_deg, v_mag, bv_mag, np.full(len(v_mag), np.nan), False
    )


# --- light on pixels --------------------------------------------------------------------


def background(setup: Setup, rng: np.random.Generator) -> np.ndarray:
    """Sky, gradient and nebula in electrons, (3, height, width) float32."""
    height, width = setup.shape
    angle = rng.uniform(0, 2 * np.pi) + np.array([0.0, 0.2, 0.4])  # moonlight and town do not align
    x, y = (
        np.linspace(-0.5, 0.5, width, dtype=np.float32),
        np.linspace(-0.5, 0.5, height, dtype=np.float32),
    )
    sky = np.broadcast_to(setup.sky_electrons, 3)
    light = np.stack(
        [
            np.float32(level)
            * (
                1
                + np.float32(setup.gradient)
                * (np.float32(np.cos(a)) * x + np.float32(np.sin(a)) * y[:, None])
            )
            for level, a in zip(sky, angle, strict=True)
        ]
    )
    if setup.nebula_electrons > 0:
        lines = nebula_lines(setup.shape, rng, float(np.max(setup.fwhm_px)))
        for channel, band in zip(light, SYSTEMS[setup.system], strict=True):
            for line, ratio, share in zip(LINES, setup.line_ratios, line_shares(band), strict=True):
                channel += np.float32(setup.nebula_electrons * ratio * share) * lines[line]
    return light


def line_shares(band: str) -> tuple[float, ...]:
    """How much of each nebular line a channel takes."""
    return (
        tuple(float(band == line) for line in LINES) if band in LINES else BROADBAND_LINES[band[-1]]
    )


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
    noise = np.sqrt(
        np.broadcast_to(setup.sky_electrons, 3)[channel] + setup.read_noise_electrons**2
    )
    fwhm_px = float(np.broadcast_to(setup.fwhm_px, 3)[channel])
    x_px, y_px = np.array(truth["x_px"]), np.array(truth["y_px"])
    add_stars(image, x_px, y_px, electrons, fwhm_px, setup.moffat_beta, floor=noise / 200)
    sigma = np.sqrt(np.maximum(image, 0) + np.float32(setup.read_noise_electrons**2))
    image += sigma * rng.standard_normal(image.shape, dtype=np.float32)
    return np.clip(image, 0, setup.full_well_electrons, out=image)


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
    nodes = (
        np.sqrt(0.6) / 2 * np.array([-1, 0, 1])
    )  # Gauss-Legendre: exact to the fifth power in a pixel
    weights = (np.outer([5, 8, 5], [5, 8, 5]) / 18**2).astype(np.float32)
    for x, y, light in zip(x_px, y_px, flux, strict=True):
        reach = reach_px(light, fwhm_px, moffat_beta, floor)
        rows = np.arange(max(0, int(y - reach)), min(image.shape[0], int(y + reach) + 2))
        columns = np.arange(max(0, int(x - reach)), min(image.shape[1], int(x + reach) + 2))
        dy2, dx2 = (
            ((line[:, None] + nodes - at).ravel() ** 2).astype(np.float32)
            for line, at in ((rows, y), (columns, x))
        )
        stamp = profile(dy2[:, None] + dx2, fwhm_px, moffat_beta).reshape(
            len(rows), 3, len(columns), 3
        )
        image[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += np.float32(
            light
        ) * np.einsum("aibj,ij->ab", stamp, weights)


def profile(r2_px2: np.ndarray, fwhm_px: float, moffat_beta: float | None) -> np.ndarray:
    """PSF of unit flux at squared distances from its centre."""
    if moffat_beta is None:
        variance = fwhm_px**2 / (8 * np.log(2))
        return np.exp(r2_px2 * np.float32(-0.5 / variance)) * np.float32(0.5 / (np.pi * variance))
    alpha2 = fwhm_px**2 / 4 / (2 ** (1 / moffat_beta) - 1)
    peak = (moffat_beta - 1) / (np.pi * alpha2)
    return np.float32(peak) * (1 + r2_px2 * np.float32(1 / alpha2)) ** np.float32(-moffat_beta)


def reach_px(flux: float, fwhm_px: float, moffat_beta: float | None, floor: float) -> float:
    """Radius where a star of this flux falls below the floor; at least twice the FWHM."""
    contrast = max(flux * float(profile(np.float32(0), fwhm_px, moffat_beta)) / floor, 1.0)
    if moffat_beta is None:
        return max(fwhm_px * np.sqrt(np.log2(contrast)) / 2, 2 * fwhm_px)
    return max(
        fwhm_px / 2 * np.sqrt((contrast ** (1 / moffat_beta) - 1) / (2 ** (1 / moffat_beta) - 1)),
        2 * fwhm_px,
    )


# --- header -----------------------------------------------------------------------------


def wcs_header(setup: Setup, exact: bool) -> Header:
    """TAN WCS of the frame; with the errors asked for unless `exact`."""
    height, width = setup.shape
    offset_px = (0.0, 0.0) if exact else setup.wcs_offset_px
    angle = np.deg2rad(setup.rotation_deg + (0.0 if exact else setup.wcs_rotation_deg))
    east = (1 if setup.mirrored else -1) * setup.scale_arcsec / 3600
    north = setup.scale_arcsec / 3600
    return Header(
        {
            "CTYPE1": "RA---TAN",
            "CTYPE2": "DEC--TAN",
            "CUNIT1": "deg",
            "CUNIT2": "deg",
            "RADESYS": "ICRS",
            "CRVAL1": setup.ra_deg,
            "CRVAL2": setup.dec_deg,
            "CRPIX1": (width + 1) / 2 + offset_px[0],
            "CRPIX2": (height + 1) / 2 + offset_px[1],
            "CD1_1": east * np.cos(angle),
            "CD1_2": east * np.sin(angle),
            "CD2_1": -north * np.sin(angle),
            "CD2_2": north * np.cos(angle),
        }
    )


def mjd(date_obs: str) -> float:
    """Modified Julian date of a FITS date in UTC."""
    return (
        datetime.fromisoformat(date_obs).replace(tzinfo=None) - datetime(1858, 11, 17)
    ).total_seconds() / 86400


def header(setup: Setup) -> Header:
    """What a stacking program would write about this frame."""
    cards = Header(
        {
            "OBJECT": "Synthetic field",
            "DATE-OBS": setup.date_obs,
            "MJD-OBS": mjd(setup.date_obs),
            "TELESCOP": "invented",
        }
    )
    for number, band in enumerate(SYSTEMS[setup.system], 1):
        cards[f"FILTER{number}"] = (
            f"{FILTER_NAMES[band]} {setup.width_nm} nm" if band in LINES else band[-1]
        )
    if setup.with_wcs:
        cards.update(wcs_header(setup, exact=False))
    return cards


# --- examples to try things on ----------------------------------------------------------

SKY_COLUMNS = ("ra_deg", "dec_deg", "v_mag", "bv_mag")  # what two instruments see alike
DEMOS = {
    # The star fields of Cygnus through a colour camera whose green is, as ever, too strong.
    "cygnus-camera": {
        "seed": 1,
        "ra_deg": 305.6,
        "dec_deg": 40.3,
        "scale_arcsec": 3.0,
        "rotation_deg": 12.0,
        "channel_gains": (0.62, 1.0, 0.78),
        "fwhm_px": (2.52, 2.5, 2.53),
        "gradient": 0.08,
        "sky_electrons": (1.6e4, 2.0e4, 1.7e4),
        "nebula_electrons": 4e3,
    },
    # Cepheus in three lines, scaled so that the nebula's lines match: H-alpha is green, the stars
    # magenta.
    "cepheus-sho": {
        "seed": 2,
        "ra_deg": 324.7,
        "dec_deg": 57.5,
        "scale_arcsec": 2.5,
        "system": "SHO",
        "scatter": "spectra",
        "channel_gains": (1.0, 0.25, 0.71),
        "fwhm_px": 2.6,
        "v_zero_electrons": 2e11,
        "sky_electrons": 4e3,
        "nebula_electrons": 2e4,
    },
    # A long focal length in Cassiopeia: a handful of catalogue stars.
    "cassiopeia-few": {
        "seed": 3,
        "ra_deg": 4.0,
        "dec_deg": 68.0,
        "scale_arcsec": 0.8,
        "rotation_deg": -70.0,
        "system": "mono",
        "channel_gains": (0.8, 1.0, 0.9),
        "fwhm_px": 3.6,
        "v_zero_electrons": 1.2e11,
        "sky_electrons": 8e3,
        "faint_to_mag": 18.0,
    },
    # Orion, and nobody has solved the plate.
    "orion-unsolved": {
        "seed": 4,
        "ra_deg": 84.0,
        "dec_deg": -1.9,
        "scale_arcsec": 3.0,
        "rotation_deg": 95.0,
        "channel_gains": (0.7, 1.0, 0.65),
        "fwhm_px": 2.6,
        "nebula_electrons": 6e3,
        "with_wcs": False,
    },
}

# The stars of the narrowband frame once more, by short exposures through a colour camera on another
# telescope.
DEMO_STAR_FRAME = {
    "seed": 5,
    "ra_deg": 324.75,
    "dec_deg": 57.52,
    "scale_arcsec": 3.1,
    "rotation_deg": 21.0,
    "shape": (560, 800),
    "scatter": "none",
    "catalogue_noise": 0.0,
    "faint_to_mag": None,
    "channel_gains": (0.62, 1.0, 0.78),
    "fwhm_px": 2.4,
    "v_zero_electrons": 3e10,
    "sky_electrons": 3e3,
}


def demo_scenes() -> Iterator[tuple[str, Scene]]:
    """Small frames to try starcal on, by a club observatory that does not exist.

    Yields
    ------
    stem : str
        File name without ending.
    scene : Scene
        A frame that calibration rescues, one that it cannot and a separate star frame for it, one
        with few stars, one without a WCS.
    """
    for stem, settings in DEMOS.items():
        scene = make_scene(**settings)
        yield stem, _signed(scene, stem)
        if stem == "cepheus-sho":
            stars = SimpleNamespace(**{name: np.array(scene.truth[name]) for name in SKY_COLUMNS})
            yield (
                "cepheus-stars",
                _signed(make_scene(**DEMO_STAR_FRAME, stars=stars), "cepheus-stars"),
            )


def demo_catalogue(scene: Scene) -> str:
    """The stars of a made-up sky to V 15 as CSV, as a deeper catalogue would list them: B-V to 0.02
    mag."""
    stars = scene.truth[scene.truth["v_mag"] < 15.0]
    bv_mag = stars["bv_mag"] + np.random.default_rng(scene.setup.seed).normal(0, 0.02, len(stars))
    lines = [
        f"{ra:.6f},{dec:.6f},{v:.3f},{bv:.3f},0.020"
        for ra, dec, v, bv in zip(
            stars["ra_deg"], stars["dec_deg"], stars["v_mag"], bv_mag, strict=True
        )
    ]
    return "\n".join(
        [
            "# stars of a made-up sky; the fainter ones are in no catalogue but this",
            "ra_deg,dec_deg,v_mag,bv_mag,bv_error_mag",
            *lines,
            "",
        ]
    )


def _signed(scene: Scene, stem: str) -> Scene:
    scene.header["OBSERVAT"] = "Owlstone Ridge star club"
    scene.header["OBJECT"] = stem
    return scene
