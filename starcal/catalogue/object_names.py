"""Where an object is that starcal's own table does not have: asked of the name resolver of the
Strasbourg data centre, through astropy's client."""

from __future__ import annotations

import os

from ..errors import CatalogueUnreachable

__all__ = ["place_of_object"]


def place_of_object(name: str, *, timeout_s: float) -> tuple[float, float]:
    """Ask the resolver for a place.

    Parameters
    ----------
    name : str
        Such as ``NGC 7635``.
    timeout_s : float
        Above 0.

    Returns
    -------
    tuple of float
        RA and Dec, ICRS, degrees.

    Raises
    ------
    CatalogueUnreachable
        No answer, or no object of that name.

    Notes
    -----
    STARCAL_SESAME_URL replaces the addresses that astropy knows.
    """
    from .transport import Deadline, Fault, persistently, plain_words  # 0.3 s, of requests

    deadline = Deadline(timeout_s)
    try:
        return persistently(lambda: _asked_place(name, deadline.require()), deadline)
    except Fault as fault:
        raise CatalogueUnreachable(
            f"the place of {plain_words(name, 60)!r} could not be asked: {fault}. Give --ra and "
            "--dec instead of --object"
        ) from fault


def _asked_place(name: str, timeout_s: float) -> tuple[float, float]:
    from astropy.coordinates.name_resolve import (
        NameResolveError,
        get_icrs_coordinates,
        sesame_url,
    )
    from astropy.utils.data import conf

    from .transport import Fault, plain_words

    named = os.environ.get("STARCAL_SESAME_URL")
    addresses = [named] if named else sesame_url.get()
    try:
        with (
            sesame_url.set(addresses),
            conf.set_temp("remote_timeout", timeout_s / len(addresses)),
        ):
            place = get_icrs_coordinates(name)
    except NameResolveError as error:
        raise Fault(plain_words(str(error), 200)) from error
    return float(place.ra.deg), float(place.dec.deg)
