"""A WCS of another celestial frame, galactic or of another equinox, as one of ICRS."""

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS
from astropy.wcs.utils import wcs_to_celestial_frame

OF_2000_YR = 0.01  # so near, an equinox is that


def is_icrs(wcs: WCS) -> bool:
    """Whether a WCS gives positions of ICRS; FK5 of 2000 is that to 0.03 arcsec.

    Parameters
    ----------
    wcs : WCS

    Returns
    -------
    bool

    Notes
    -----
    Arias et al. 1995, A&A 303, 604.
    """
    system, equinox = wcs.wcs.radesys.strip() or "ICRS", wcs.wcs.equinox
    if wcs.wcs.lngtyp.strip() != "RA":
        return False
    if system == "FK5":
        return not np.isfinite(equinox) or abs(equinox - 2000) <= OF_2000_YR
    return system == "ICRS"


def in_icrs(wcs: WCS) -> WCS:
    """The same WCS in right ascension and declination of ICRS.

    A change of frame turns the sphere: projection and distortion stay, the reference point and the
    pole are told anew.

    Parameters
    ----------
    wcs : WCS
        Celestial, longitude first.

    Returns
    -------
    WCS
        The same object where it is of ICRS already, or of a frame that astropy does not know.

    Notes
    -----
    Calabretta & Greisen 2002, A&A 395, 1077, section 2.4: LONPOLE and LATPOLE are the native place
    of the celestial pole.
    """
    own = _frame_of(wcs)
    if is_icrs(wcs) or own is None:
        return wcs
    reference = SkyCoord(*wcs.wcs.crval, unit="deg", frame=own).icrs
    pole = SkyCoord(0, 90, unit="deg", frame="icrs").transform_to(own).spherical
    native = _native_place(wcs, pole.lon.rad, pole.lat.rad)
    turned = wcs.deepcopy()
    projection = [kind[4:] for kind in wcs.wcs.ctype]
    turned.wcs.ctype = [f"RA--{projection[0]}", f"DEC-{projection[1]}"]
    turned.wcs.crval = reference.ra.deg, reference.dec.deg
    turned.wcs.lonpole, turned.wcs.latpole = np.rad2deg(native)
    turned.wcs.radesys, turned.wcs.equinox = "ICRS", np.nan
    turned.wcs.set()
    return turned


def _native_place(wcs: WCS, lon: float, lat: float) -> tuple[float, float]:
    """Where a place of the celestial sphere is on that of the projection, which need not show it;
    radians (Calabretta & Greisen 2002, eq. 5)."""
    lon_pole, colatitude, lon_native = np.deg2rad(wcs.wcs.cel.euler[:3])
    lat_pole, east = np.pi / 2 - colatitude, lon - lon_pole
    across = -np.cos(lat) * np.sin(east)
    along = np.sin(lat) * np.cos(lat_pole) - np.cos(lat) * np.sin(lat_pole) * np.cos(east)
    height = np.sin(lat) * np.sin(lat_pole) + np.cos(lat) * np.cos(lat_pole) * np.cos(east)
    return lon_native + np.arctan2(across, along), np.arcsin(np.clip(height, -1, 1))


def _frame_of(wcs: WCS):
    """The celestial frame of a WCS, as astropy knows it; None where it does not."""
    if wcs.wcs.lngtyp.strip() not in ("RA", "GLON"):
        return None
    try:
        return wcs_to_celestial_frame(wcs)
    except ValueError:
        return None


def told_frame(wcs: WCS) -> str:
    """The celestial frame of a WCS in words.

    Parameters
    ----------
    wcs : WCS

    Returns
    -------
    str
    """
    if wcs.wcs.lngtyp.strip() == "GLON":
        return "galactic coordinates"
    return f"coordinates of {wcs.wcs.radesys.strip()}, equinox {wcs.wcs.equinox:g}"
