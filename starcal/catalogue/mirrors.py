"""Which services hold which catalogue: their addresses, tables and columns, and nothing else of
them.

A new release of a catalogue, a new address or another mirror is a change of this file alone. Names
of tables carry the release, so that a later one does not change what a query means.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from urllib.parse import urlsplit

from ..errors import CatalogueUnreachable

__all__ = ["ASK_ANEW", "TABLES", "CatalogueTable", "mirrors_of", "quoted", "tables_at"]

# In the order in which they are asked. TAP services: what stands before /sync and /async.
GAIA_MIRRORS = (
    "https://gea.esac.esa.int/tap-server/tap",
    "https://gaia.ari.uni-heidelberg.de/tap",
    "https://gaia.aip.de/tap",
)
VIZIER_MIRRORS = (
    "https://tapvizier.cds.unistra.fr/TAPVizieR/tap",
    "https://tapvizier.u-strasbg.fr/TAPVizieR/tap",
)
VIZIER_PATH = "/TAPVizieR/tap"  # of every server of VizieR's tables
ASK_ANEW = "unset STARCAL_GAIA_URL STARCAL_VIZIER_SERVER"


@dataclass(frozen=True)
class CatalogueTable:
    """A table of a service.

    Attributes
    ----------
    name : str
        As in TAP_SCHEMA, the release in it.
    columns : dict of str to tuple of str
        Our name: the service's, the one to ask for first. Spellings changed with releases; case
        never matters.
    """

    name: str
    columns: dict[str, tuple[str, ...]]
    source_id: str = "source_id"  # by which tables are joined


GAIA_SOURCES = CatalogueTable(
    "gaiadr3.gaia_source",
    {
        "ra_deg": ("ra",),
        "dec_deg": ("dec",),
        "pmra_mas_yr": ("pmra",),
        "pmdec_mas_yr": ("pmdec",),
        "parallax_mas": ("parallax",),
        "parallax_over_error": ("parallax_over_error",),
        "g_mag": ("phot_g_mean_mag", "gmag"),
        "bp_mag": ("phot_bp_mean_mag", "bpmag"),
        "rp_mag": ("phot_rp_mean_mag", "rpmag"),
        "bp_snr": ("phot_bp_mean_flux_over_error",),
        "rp_snr": ("phot_rp_mean_flux_over_error",),
    },
)
# Gaia's synthetic photometry catalogue, joined by source_id: B and V from spectra.
GAIA_SYNTHETIC = CatalogueTable(
    "gaiadr3.synthetic_photometry_gspc",
    {
        "b_jkc_mag": ("b_jkc_mag",),
        "v_jkc_mag": ("v_jkc_mag",),
        "b_jkc_flux": ("b_jkc_flux",),
        "b_jkc_flux_error": ("b_jkc_flux_error",),
        "v_jkc_flux": ("v_jkc_flux",),
        "v_jkc_flux_error": ("v_jkc_flux_error",),
        "b_jkc_flag": ("b_jkc_flag",),
        "v_jkc_flag": ("v_jkc_flag",),
        "c_star": ("c_star",),
    },
)
TABLES = {
    "gaia": (GAIA_SOURCES, GAIA_SYNTHETIC),
    "apass": (
        CatalogueTable(
            "II/336/apass9",
            {
                "ra_deg": ("RAJ2000", "_RAJ2000", "ra"),
                "dec_deg": ("DEJ2000", "_DEJ2000", "dec"),
                "v_mag": ("Vmag", "Johnson_V", "V"),
                "bv_mag": ("B-V", "B_V", "BV"),
                "bv_error_mag": ("e_B-V", "e_B_V", "e_BV"),
            },
        ),
    ),
    "tycho2-online": (
        CatalogueTable(
            "I/259/tyc2",
            {
                "ra_deg": ("RAmdeg", "RAm_deg"),
                "dec_deg": ("DEmdeg", "DEm_deg"),
                "ra_seen_deg": ("RA(ICRS)", "RA_ICRS_", "RA_ICRS", "RAdeg"),
                "dec_seen_deg": ("DE(ICRS)", "DE_ICRS_", "DE_ICRS", "DEdeg"),
                "pmra_mas_yr": ("pmRA", "pm_RA"),
                "pmdec_mas_yr": ("pmDE", "pm_DE"),
                "bt_mag": ("BTmag", "BT"),
                "bt_error_mag": ("e_BTmag", "e_BT"),
                "vt_mag": ("VTmag", "VT"),
                "vt_error_mag": ("e_VTmag", "e_VT"),
                "hip": ("HIP",),
            },
        ),
    ),
}


# The same two in VizieR, by its rules of naming (R: over its error, F: flux, f_: flag)
GAIA_SOURCES_AT_VIZIER = CatalogueTable(
    "I/355/gaiadr3",
    {
        "ra_deg": ("RA_ICRS",),
        "dec_deg": ("DE_ICRS",),
        "pmra_mas_yr": ("pmRA",),
        "pmdec_mas_yr": ("pmDE",),
        "parallax_mas": ("Plx",),
        "parallax_over_error": ("RPlx",),
        "g_mag": ("Gmag",),
        "bp_mag": ("BPmag",),
        "rp_mag": ("RPmag",),
        "bp_snr": ("RFBP",),
        "rp_snr": ("RFRP",),
    },
    "Source",
)
GAIA_SYNTHETIC_AT_VIZIER = CatalogueTable(
    "I/360/syntphot",
    {
        "b_jkc_mag": ("BJKCmag", "BmagJKC", "b_jkc_mag"),
        "v_jkc_mag": ("VJKCmag", "VmagJKC", "v_jkc_mag"),
        "b_jkc_flux": ("FBJKC", "F(BJKC)", "b_jkc_flux"),
        "b_jkc_flux_error": ("e_FBJKC", "e_F(BJKC)", "b_jkc_flux_error"),
        "v_jkc_flux": ("FVJKC", "F(VJKC)", "v_jkc_flux"),
        "v_jkc_flux_error": ("e_FVJKC", "e_F(VJKC)", "v_jkc_flux_error"),
        "b_jkc_flag": ("f_BJKCmag", "f_BmagJKC", "b_jkc_flag"),
        "v_jkc_flag": ("f_VJKCmag", "f_VmagJKC", "v_jkc_flag"),
        "c_star": ("C*", "Cstar", "c_star"),
    },
    "Source",
)


def tables_at(catalogue: str, address: str) -> tuple[CatalogueTable, ...]:
    """The tables of a catalogue at a service.

    Parameters
    ----------
    catalogue : str
        One of `request.SERVICES`.
    address : str
        One of those of `mirrors_of`.

    Returns
    -------
    tuple of CatalogueTable
    """
    if catalogue == "gaia" and address.endswith(VIZIER_PATH):
        return GAIA_SOURCES_AT_VIZIER, GAIA_SYNTHETIC_AT_VIZIER
    return TABLES[catalogue]


def mirrors_of(catalogue: str) -> tuple[str, ...]:
    """Addresses of the services to ask for a catalogue, the first one first.

    Parameters
    ----------
    catalogue : str
        One of `request.SERVICES`.

    Returns
    -------
    tuple of str
        One alone where STARCAL_GAIA_URL or STARCAL_VIZIER_SERVER (a host or a whole address) names
        it.

    Raises
    ------
    CatalogueUnreachable
        What is named is no address.
    """
    variable, known = (
        ("STARCAL_GAIA_URL", GAIA_MIRRORS + VIZIER_MIRRORS)
        if catalogue == "gaia"
        else ("STARCAL_VIZIER_SERVER", VIZIER_MIRRORS)
    )
    named = (os.environ.get(variable) or "").rstrip("/")
    if not named:
        return known
    address = named if "://" in named else f"https://{named}"
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise CatalogueUnreachable(
            f"{variable} is {named!r}, no address: https://HOST/PATH is needed. Set it anew, or "
            f"type: {ASK_ANEW}"
        )
    if variable == "STARCAL_VIZIER_SERVER" and not parts.path:
        return (address + VIZIER_PATH,)
    return (address,)


def quoted(name: str) -> str:
    """A name as ADQL writes it: in quotes unless it is a plain word; each part of a name with a
    schema on its own."""
    if "/" not in name and re.fullmatch(r"[A-Za-z]\w*(\.[A-Za-z]\w*)*", name):
        return name
    return f'"{name}"'
