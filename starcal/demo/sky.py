"""Which stars stand in the field, with true colours; what the header says of place and filters."""

from datetime import datetime

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table
from astropy.wcs import WCS

from ..catalogue.embedded import bv_error_model, cone
from .clouds import LINES
from .setup import FILTER_NAMES, SYSTEMS, Setup
from .spectra import SPECTRA_BV_MAG

TRUE_FIELD_BV_MAG = (
    0.75,
    0.35,
)  # mean and rms of field stars, where the field's own are too few
TYCHO2_COMPLETE_MAG = 11.0  # Tycho-2 is 99 % complete to V 11.0 (Hoeg et al. 2000)
TRUE_COUNT_SLOPE = 0.35  # d log10 N / dV, typical of V 11 to 16
SPARSEST_PER_DEG2 = 10.0  # Tycho-2 stars to V 11 at the galactic poles


def true_colours(
    bv_mag: np.ndarray,
    error_mag: np.ndarray,
    prior: tuple[float, float],
    rng: np.random.Generator,
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
    return (
        mean + shrink * np.nan_to_num(bv_mag - mean) + spread * rng.standard_normal(len(bv_mag))
    )


def field_colours(bv_mag: np.ndarray, error_mag: np.ndarray) -> tuple[float, float]:
    """Mean and rms of the true B-V of a field, from its well-measured stars if there are ten."""
    good = np.isfinite(bv_mag) & (error_mag < 0.1)
    if good.sum() < 10:
        return TRUE_FIELD_BV_MAG
    variance = np.var(bv_mag[good]) - np.mean(error_mag[good] ** 2)
    return float(np.mean(bv_mag[good])), float(np.sqrt(max(variance, 0.01)))


def star_field(setup: Setup, rng: np.random.Generator) -> Table:
    """Catalogue stars and invented fainter ones inside the frame, brightest first, with true
    colours."""
    wcs = WCS(wcs_header(setup, exact=True))
    known = setup.stars if setup.stars is not None else stars_of_sky(setup)
    prior = field_colours(*known_colours(setup, known))
    rows = [known_stars(setup, wcs, known, prior, rng)]
    if setup.faint_to_mag is not None:
        rows.append(invented_stars(setup, wcs, np.array(rows[0]["v_mag"]), prior, rng))
    merged = stacked(rows)
    merged["bv_mag"] = np.clip(merged["bv_mag"], *SPECTRA_BV_MAG)
    return merged[np.argsort(merged["v_mag"], kind="stable")]


def stacked(parts: list[Table]) -> Table:
    """Tables of the same columns, one below the other."""
    return Table(
        {
            name: np.concatenate([np.asarray(part[name]) for part in parts])
            for name in parts[0].colnames
        }
    )


def known_colours(setup: Setup, known) -> tuple[np.ndarray, np.ndarray]:
    """B-V of catalogue stars and how far it errs in this made sky, mag."""
    error_mag = setup.catalogue_noise * bv_error_model(np.asarray(known.v_mag, float))
    return np.asarray(known.bv_mag, float), error_mag


def known_stars(
    setup: Setup, wcs: WCS, known, prior: tuple[float, float], rng: np.random.Generator
) -> Table:
    """Catalogue stars inside the frame, their true colours drawn."""
    v_mag = np.asarray(known.v_mag, float)
    bv_mag, error_mag = known_colours(setup, known)
    x_px, y_px = wcs.wcs_world2pix(known.ra_deg, known.dec_deg, 0)
    colours = true_colours(bv_mag, error_mag, prior, rng)
    table = star_table(x_px, y_px, known.ra_deg, known.dec_deg, v_mag, colours, bv_mag, True)
    return table[np.isfinite(v_mag) & inside_frame(setup.shape, x_px, y_px)]


def inside_frame(shape: tuple[int, int], x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
    """Whether places lie on pixels, (stars,) bool."""
    height, width = shape
    across = (x_px > -0.5) & (x_px < width - 0.5)
    return across & (y_px > -0.5) & (y_px < height - 0.5)


def star_table(
    x_px, y_px, ra_deg, dec_deg, v_mag, bv_mag, bv_catalogue_mag, in_catalogue
) -> Table:
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


def stars_of_sky(setup: Setup):
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
    v_mag = missing_mags(setup, known_mag, rng)
    x_px = rng.uniform(-0.5, width - 0.5, len(v_mag))
    y_px = rng.uniform(-0.5, height - 0.5, len(v_mag))
    ra_deg, dec_deg = wcs.wcs_pix2world(x_px, y_px, 0)
    bv_mag = prior[0] + prior[1] * rng.standard_normal(len(v_mag))
    unknown = np.full(len(v_mag), np.nan)
    return star_table(x_px, y_px, ra_deg, dec_deg, v_mag, bv_mag, unknown, False)


def missing_mags(setup: Setup, known_mag: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """V of as many stars as star counts expect beyond those known, (stars,)."""
    area_deg2 = np.prod(setup.shape) * (setup.scale_arcsec / 3600) ** 2
    complete = max(np.sum(known_mag < TYCHO2_COMPLETE_MAG), SPARSEST_PER_DEG2 * area_deg2)
    edges_mag = np.linspace(
        TYCHO2_COMPLETE_MAG, max(setup.faint_to_mag, TYCHO2_COMPLETE_MAG), 21
    )
    expected = np.diff(complete * 10 ** (TRUE_COUNT_SLOPE * (edges_mag - TYCHO2_COMPLETE_MAG)))
    missing = rng.poisson(np.maximum(expected - np.histogram(known_mag, edges_mag)[0], 0))
    within_bin = rng.uniform(0, edges_mag[1] - edges_mag[0], missing.sum())
    return np.repeat(edges_mag[:-1], missing) + within_bin


def wcs_header(setup: Setup, exact: bool) -> Header:
    """TAN WCS of the frame; with the errors asked for unless `exact`."""
    height, width = setup.shape
    offset_px = (0.0, 0.0) if exact else setup.wcs_offset_px
    cards = {
        "CTYPE1": "RA---TAN",
        "CTYPE2": "DEC--TAN",
        "CUNIT1": "deg",
        "CUNIT2": "deg",
        "RADESYS": "ICRS",
        "CRVAL1": setup.ra_deg,
        "CRVAL2": setup.dec_deg,
        "CRPIX1": (width + 1) / 2 + offset_px[0],
        "CRPIX2": (height + 1) / 2 + offset_px[1],
    }
    return Header(cards | wcs_matrix(setup, 0.0 if exact else setup.wcs_rotation_deg))


def wcs_matrix(setup: Setup, error_deg: float) -> dict[str, float]:
    """CD cards: scale, rotation (wrong by so much) and parity."""
    angle = np.deg2rad(setup.rotation_deg + error_deg)
    north = setup.scale_arcsec / 3600
    east = (1 if setup.mirrored else -1) * setup.scale_arcsec / 3600
    return {
        "CD1_1": east * np.cos(angle),
        "CD1_2": east * np.sin(angle),
        "CD2_1": -north * np.sin(angle),
        "CD2_2": north * np.cos(angle),
    }


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
