"""What dust does to the B-V of a whole catalogue alike, and how much of it there may be in a field.

A relation from one colour to another is made from stars without dust; a reddened star is not quite
a cooler one, so the relation is off, and for all stars behind one cloud by the same. More stars do
not average that away: it is kept apart from the errors of single stars.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from . import CatalogueStars, sky_position, unit_vectors

__all__ = [
    "BY_BP_RP",
    "BY_SPECTRA",
    "BY_TYCHO",
    "WAYS",
    "Reddening",
    "expected_reddening",
    "latitudes_deg",
    "layer_reddening_mag",
    "with_dust",
]

BY_SPECTRA, BY_BP_RP, BY_TYCHO = WAYS = ("spectra", "BP-RP", "Tycho-2")  # to a B-V
POLE_RA_DEG, POLE_DEC_DEG = 192.85948, 27.12825  # of the Galaxy, ICRS: ESA 1997, SP-1200, 1.5.3
A_V_OF_REDDENING = 3.1
# A plane layer: extinction falls off with height, and is 0.7 mag per kpc of V in the plane
# (Parenago 1940, Astronomicheskii Zhurnal 17, 3; 0.09 mag of V at the poles, where Bahcall &
# Soneira 1980, ApJS 44, 73, have 0.15 csc|b| for all of it).
PLANE_EBV_PER_KPC = 0.7 / A_V_OF_REDDENING
LAYER_KPC = 0.125
# where stars of V 10.5 stand: F dwarfs at 0.2, K giants at 0.6; fainter ones farther
KPC_AT_V, USUAL_V_MAG = 0.4, 10.5
LAYER_ERROR_SHARE = 1.0  # clouds: it differs from place to place by as much as it is
LEAST_EBV_ERROR_MAG = 0.03
# B-V that a tenth of the stars of V < 11.5 is bluer than: 0.12 at latitude 0, where there are A
# stars, 0.43 at the poles (medians of 250 fields of Tycho-2).
PLANE_EDGE_MAG, RISE_OF_EDGE_MAG, RISE_SIN_B = 0.12, 0.36, 0.15
EDGE_SPREADS = 1.28  # a tenth of a Gaussian lies beyond
SHARE_OF_EXCESS = 0.5  # of what its edge is redder than usual: dust, or stars of another kind
SPREAD_BV_MAG, SPREAD_STARS = 0.35, 6.0  # of field stars; what is known counts as so many stars
# By how much B-V is too blue per mag of E(B-V), and the error of that: library spectra of field
# stars behind dust by Fitzpatrick 1999 and by Cardelli et al. 1989, Tycho-2 0.10 and 0.07, BP-RP
# -0.31 and -0.26 (tests/reference/dust_in_catalogues.py). Real stars with B-V from the ground
# agree: Tycho-2 0.13 of 1543 early ones, 0.08 of types A0 to A3 among them.
OFF_PER_EBV = {BY_SPECTRA: 0.0, BY_BP_RP: -0.28, BY_TYCHO: 0.10}
OFF_ERROR_PER_EBV = {BY_SPECTRA: 0.0, BY_BP_RP: 0.08, BY_TYCHO: 0.03}
OFF_BY_SPECTRA_MAG = 0.01  # of the system itself: to that the standards agree


@dataclass(frozen=True, kw_only=True)
class Reddening:
    """E(B-V) common to the stars of a field, as expected.

    Attributes
    ----------
    ebv_mag, error_mag : float
        Expected value and its error.
    """

    ebv_mag: float
    error_mag: float


def latitudes_deg(ra_deg: ArrayLike, dec_deg: ArrayLike) -> np.ndarray:
    """Latitude above the plane of the Galaxy.

    Parameters
    ----------
    ra_deg, dec_deg : (...) array_like
        ICRS.

    Returns
    -------
    (...) float64
    """
    towards_pole = unit_vectors(ra_deg, dec_deg) @ unit_vectors(POLE_RA_DEG, POLE_DEC_DEG)
    return np.degrees(np.arcsin(np.clip(towards_pole, -1.0, 1.0)))


def layer_reddening_mag(latitude_deg: float, distance_kpc: float) -> float:
    """E(B-V) of a plane layer before stars at some distance.

    Parameters
    ----------
    latitude_deg : float
        Galactic.
    distance_kpc : float
        Above 0.

    Returns
    -------
    float
    """
    height = max(abs(np.sin(np.radians(latitude_deg))), 1e-3)
    looked_through_kpc = LAYER_KPC / height * -np.expm1(-distance_kpc * height / LAYER_KPC)
    return float(PLANE_EBV_PER_KPC * looked_through_kpc)


def expected_reddening(
    latitude_deg: float, v_mag: ArrayLike, bv_mag: ArrayLike, bv_error_mag: ArrayLike
) -> Reddening:
    """E(B-V) to be expected before some stars of a field.

    Parameters
    ----------
    latitude_deg : float
        Galactic.
    v_mag, bv_mag : (N,) array_like
        Of the stars, as observed; those without a colour are left out.
    bv_error_mag : (N,) array_like
        Of B-V, 1 sigma; NaN is taken for 0.

    Returns
    -------
    Reddening

    Notes
    -----
    That of a plane layer as far as stars of that brightness stand, which differs from place to
    place by as much as it is; and half of what the field's bluest stars are redder than usual at
    that latitude, by as much again. The bluest stars and not the mean: giants move that. Stars
    bluer than usual do not lower it, for a young cluster's are blue behind any dust.
    """
    colours = np.asarray(bv_mag, float)
    known = np.isfinite(colours)
    middle_v = float(np.median(np.asarray(v_mag, float)[known])) if known.any() else USUAL_V_MAG
    layer = layer_reddening_mag(latitude_deg, KPC_AT_V * 10 ** ((middle_v - USUAL_V_MAG) / 5))
    errors = np.nan_to_num(np.broadcast_to(bv_error_mag, colours.shape))
    edge = _blue_edge_mag(colours[known], errors[known])
    more = SHARE_OF_EXCESS * max(0.0, edge - _usual_edge_mag(latitude_deg))
    parts = (LAYER_ERROR_SHARE * layer, more, LEAST_EBV_ERROR_MAG)
    return Reddening(ebv_mag=layer + more, error_mag=float(np.linalg.norm(parts)))


def _usual_edge_mag(latitude_deg: float) -> float:
    """B-V that a tenth of a field's stars is bluer than."""
    height = abs(np.sin(np.radians(latitude_deg)))
    return float(PLANE_EDGE_MAG + RISE_OF_EDGE_MAG * height / (height + RISE_SIN_B))


def _blue_edge_mag(colours: np.ndarray, errors: np.ndarray) -> float:
    """B-V that a tenth of these stars is bluer than, freed of the catalogue's errors; minus
    infinity without stars."""
    if not len(colours):
        return -np.inf
    weight = 1 / (SPREAD_BV_MAG**2 + errors**2)
    mean = np.average(colours, weights=weight)
    beyond_errors = np.average((colours - mean) ** 2 - errors**2, weights=weight)
    known = len(colours) - 1.0
    variance = known * max(beyond_errors, 0.0) + SPREAD_STARS * SPREAD_BV_MAG**2
    return float(mean - EDGE_SPREADS * np.sqrt(variance / (known + SPREAD_STARS)))


def with_dust(stars: CatalogueStars) -> CatalogueStars:
    """Stars with the errors that dust before their field may bring.

    Parameters
    ----------
    stars : CatalogueStars
        Of one field, with `bv_fit_error_mag`.

    Returns
    -------
    CatalogueStars
        `bv_off_per_ebv` and `bv_common_error_mag` are filled; a B-V by BP-RP has the dust in its
        own error as well, for it differs from star to star.
    """
    if not len(stars):
        nothing = np.zeros(0, np.float32)
        return replace(stars, bv_off_per_ebv=nothing, bv_common_error_mag=nothing)
    centre = sky_position(np.mean(unit_vectors(stars.ra_deg, stars.dec_deg), axis=0))
    latitude_deg = float(latitudes_deg(*centre))
    errors = _fit_errors(stars)
    expected = expected_reddening(latitude_deg, stars.v_mag, stars.bv_mag, errors)
    at_most_mag = float(np.hypot(expected.ebv_mag, expected.error_mag))
    ways = _ways_of(stars)
    off = _by_way(ways, OFF_PER_EBV)
    of_system = np.where(ways == BY_SPECTRA, OFF_BY_SPECTRA_MAG, 0.0)
    common = np.hypot(of_system, at_most_mag * _by_way(ways, OFF_ERROR_PER_EBV))
    dusty = np.where(ways == BY_BP_RP, at_most_mag * off, 0.0)
    return replace(
        stars,
        bv_off_per_ebv=off.astype(np.float32),
        bv_common_error_mag=common.astype(np.float32),
        bv_fit_error_mag=np.hypot(errors, dusty).astype(np.float32),
    )


def _by_way(ways: np.ndarray, values: dict[str, float]) -> np.ndarray:
    """Value of each star by how its B-V was come by, 0 for a measured one."""
    return np.select([ways == way for way in values], list(values.values()), 0.0)


def _ways_of(stars: CatalogueStars) -> np.ndarray:
    """How the B-V of each was come by; empty for a catalogue that measured B and V."""
    if stars.bv_source is not None:
        return stars.bv_source
    return np.full(len(stars), BY_TYCHO if stars.name.startswith("Tycho-2") else "")


def _fit_errors(stars: CatalogueStars) -> np.ndarray:
    missing = np.full(len(stars), np.nan)
    return missing if stars.bv_fit_error_mag is None else stars.bv_fit_error_mag
