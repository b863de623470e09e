"""What the catalogue tells of the stars of a frame: who they are, and what speaks against them."""

from dataclasses import replace

import numpy as np
from astropy.table import Table
from scipy.spatial import cKDTree

from ..catalogue import CatalogueStars
from ..frame import Frame
from ..place.bright import with_bright_stars
from ..place.locate import Located
from ..place.match import Match
from ..robust import quantile_of_known
from ..stars import (
    BLEND_FLUX_SHARE,
    Flag,
    free_places,
    in_channels,
    instrumental_mag,
    measure_at,
    places_of,
)
from ..stars.apertures import FIT_RADIUS_WIDTHS
from .fitting import SOUND_BV_ERROR_MAG

SOUGHT_SNR = 10.0  # of catalogue stars that are looked for where they must be


def known_by_catalogue(stars: Table, located: Located, frame: Frame) -> tuple[Table, Located]:
    """The stars with what the catalogue knows of them, and those that only it shows; where the
    frame is, with those among its pairs."""
    if located.match is None:
        stars["flags"] |= Flag.NO_MATCH
        return stars, located
    match = _with_bright(stars, located.match, located.catalogue)
    stars, match = _with_placed(stars, match, frame.pixels, located.catalogue)
    _say_what_catalogue_knows(stars, match, located.catalogue)
    return stars, replace(located, match=match)


def _with_bright(stars: Table, match: Match, catalogue: CatalogueStars) -> Match:
    """The match with the right catalogue stars for bright blobs."""
    if not match.credible:
        return match
    return with_bright_stars(
        match,
        places_of(stars),
        instrumental_mag(stars),
        np.asarray(stars["flags"]) & Flag.SATURATED > 0,
        catalogue.v_mag,
        max(stars.meta["fwhm_px"]),
    )


def _with_placed(
    stars: Table, match: Match, pixels: np.ndarray, catalogue: CatalogueStars
) -> tuple[Table, Match]:
    """Stars and match, and what the catalogue has in the frame but nobody found, measured where it
    must be."""
    if not match.credible:
        return stars, match
    missed = match.in_frame & (catalogue.v_mag <= _seen_mag(stars, match, catalogue.v_mag))
    missed[match.catalogue] = False
    rows = np.flatnonzero(missed)
    rows = rows[np.argsort(catalogue.v_mag[rows])]
    rows = rows[free_places(pixels, stars, match.x_px[rows], match.y_px[rows])]
    stars = measure_at(pixels, stars, match.x_px[rows], match.y_px[rows])
    return stars, match.with_placed(
        rows, places_of(stars), instrumental_mag(stars), catalogue.v_mag
    )


def _seen_mag(stars: Table, match: Match, v_mag: np.ndarray) -> float:
    """V of the faintest catalogue star that the frame can show: as matched, or `SOUGHT_SNR` times
    the typical error."""
    difference = instrumental_mag(stars)[match.star] - v_mag[match.catalogue]
    offset = quantile_of_known(difference, 0.5)
    errors = np.linalg.norm(in_channels(stars, "flux_error")[:, match.star], axis=0)
    error = quantile_of_known(errors, 0.5)
    return float(
        max(
            np.nanmax(v_mag[match.catalogue], initial=-np.inf),
            -2.5 * np.log10(SOUGHT_SNR * max(error, 1e-30)) - offset,
        )
    )


# Columns of the catalogue, and what they hold for stars that it does not know
CATALOGUE_COLUMNS = {
    "ra_deg": np.nan,
    "dec_deg": np.nan,
    "v_mag": np.nan,
    "bv_mag": np.nan,
    "bv_error_mag": np.nan,
    "bv_fit_error_mag": np.nan,
    "bv_off_per_ebv": np.nan,
    "bv_common_error_mag": np.nan,
    "hip": 0,
}


def _say_what_catalogue_knows(stars: Table, match: Match, catalogue: CatalogueStars) -> None:
    """Give the matched rows what the catalogue knows of them, and flag what it knows against
    them."""
    row = np.full(len(stars), -1)
    if match.credible:
        row[match.star] = match.catalogue
    known = row >= 0
    for name, missing in CATALOGUE_COLUMNS.items():
        column = getattr(catalogue, name)
        value = missing if column is None or not len(catalogue) else column[row]
        stars[name] = np.where(known, value, missing)
    stars["flags"][~known] |= Flag.NO_MATCH
    stars["flags"][known & ~np.isfinite(stars["bv_mag"])] |= Flag.NO_BV
    if match.credible:
        _flag_pairs(stars, match, catalogue)


def _flag_pairs(stars: Table, match: Match, catalogue: CatalogueStars) -> None:
    """Flag what pairs and catalogue tell against stars."""
    crowded = _crowded(match, catalogue, max(stars.meta["aperture_px"]))
    together = _crowded(match, catalogue, FIT_RADIUS_WIDTHS * max(stars.meta["fwhm_px"]))
    against = {
        Flag.MISMATCH: _of_another(stars, match, catalogue),
        Flag.DOUBLE: catalogue.double[match.catalogue] | together,
        Flag.POOR_BV: _beyond_colours(catalogue)[match.catalogue],
        Flag.BLENDED: crowded,
    }
    for flag, told in against.items():
        stars["flags"][match.star[told]] |= flag


def _beyond_colours(catalogue) -> np.ndarray:
    """Stars whose B-V lies beyond what the catalogue's colours can tell; not those that its errors
    may have put there, or only stars with errors of one sign would be left out."""
    sound = catalogue.bv_fit_error_mag <= SOUND_BV_ERROR_MAG
    return catalogue.bv_clamped & sound


def _of_another(stars: Table, match: Match, catalogue) -> np.ndarray:
    """Pairs whose brightness shows two different stars: a clipped star measures too faint, so only
    too bright counts against it."""
    difference = instrumental_mag(stars)[match.star] - catalogue.v_mag[match.catalogue]
    too_faint = difference > quantile_of_known(difference, 0.5)
    clipped = np.asarray(stars["flags"])[match.star] & Flag.SATURATED > 0
    return match.mismatched & ~(clipped & too_faint)


def _crowded(match: Match, catalogue, aperture_px: float) -> np.ndarray:
    """Pairs with another catalogue star in the aperture that is bright enough to matter."""
    inside = np.flatnonzero(match.in_frame)
    tree = cKDTree(np.column_stack([match.x_px[inside], match.y_px[inside]]))
    fainter_by = -2.5 * np.log10(BLEND_FLUX_SHARE)
    crowded = np.zeros(len(match.star), bool)
    for pair, row in enumerate(match.catalogue):
        if match.in_frame[row]:
            others = inside[
                tree.query_ball_point((match.x_px[row], match.y_px[row]), 1.2 * aperture_px)
            ]
            crowded[pair] = np.any(
                catalogue.v_mag[others[others != row]] < catalogue.v_mag[row] + fainter_by
            )
    return crowded
