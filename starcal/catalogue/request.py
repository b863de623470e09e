"""A question to a star catalogue: which one, where, how far round it, how deep; and an answer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import ArrayLike

from ..choices import FIELD_LIMIT, FIELD_RADIUS, SERVICES
from . import separation_from_deg

__all__ = ["SERVICES", "Answer", "FieldRequest"]

FAINTEST_MAG = {
    "gaia": 19.0,
    "apass": 17.0,
    "tycho2-online": 12.5,
}  # beyond, the catalogue's B-V is of no use
# 36 arcsec: nearly every star that moves into the field by the frame's epoch
FETCH_MARGIN_DEG = 0.01
# a field of photometric standards in the Milky Way: every catalogue has stars there
PROBE = (103.0, -0.33, 0.1, 14.0)
# a request for the same field, its centre rounded by other software, is still the same field
SLACK_DEG = 1e-4
RANGE_OF = {
    "dec_deg": (-90, 90),
    "radius_deg": (FIELD_RADIUS.low, FIELD_RADIUS.high),
    "limit_mag": (FIELD_LIMIT.low, FIELD_LIMIT.high),
}


@dataclass(frozen=True)
class FieldRequest:
    """A circle on the sky in one catalogue, down to one magnitude.

    Attributes
    ----------
    catalogue : {"gaia", "apass", "tycho2-online"}
    ra_deg, dec_deg : float
        Centre, ICRS; 0 <= ra < 360, -90 <= dec <= 90.
    radius_deg : float
        0 < radius <= 90.
    limit_mag : float
        Johnson V of the faintest stars wanted, 3 to 25; brought to the faintest that is of use in
        this catalogue.

    Raises
    ------
    ValueError
        A value outside its range.

    Examples
    --------
    >>> from starcal import FieldRequest
    >>> FieldRequest("gaia", 314.8, 44.5, 0.5, 15.0).radius_deg
    0.5
    """

    catalogue: str
    ra_deg: float
    dec_deg: float
    radius_deg: float
    limit_mag: float

    def __post_init__(self):
        self._require_valid()
        for name in ("ra_deg", "dec_deg", "radius_deg"):
            object.__setattr__(self, name, float(getattr(self, name)))
        object.__setattr__(self, "ra_deg", self.ra_deg % 360.0)
        object.__setattr__(
            self, "limit_mag", float(min(self.limit_mag, FAINTEST_MAG[self.catalogue]))
        )

    def _require_valid(self):
        if self.catalogue not in SERVICES:
            raise ValueError(
                f"catalogue {self.catalogue!r} given; it is one of {', '.join(SERVICES)}"
            )
        for name, (low, high) in RANGE_OF.items():
            if not low <= getattr(self, name) <= high:
                raise ValueError(
                    f"{name} {getattr(self, name)} given; {low:g} to {high:g} is needed"
                )
        if not np.isfinite(self.ra_deg):
            raise ValueError(f"ra_deg {self.ra_deg} given; a number of degrees is needed")

    @property
    def file_name(self) -> str:
        """Name of the file that keeps the answer."""
        return (
            f"{self.catalogue}_{self.ra_deg:08.4f}_{self.dec_deg:+08.4f}_r{self.radius_deg:.4f}"
            f"_v{self.limit_mag:.2f}.ecsv"
        )

    @property
    def command(self) -> str:
        """What to type, on a machine with a network, to have the answer kept."""
        return (
            f"starcal catalogue fetch --ra {self.ra_deg:.4f} --dec {self.dec_deg:.4f} --radius "
            f"{self.radius_deg:.4f} --limit {self.limit_mag:.2f} --catalogue {self.catalogue}"
        )

    def separation_deg(self, ra_deg: ArrayLike, dec_deg: ArrayLike) -> np.ndarray:
        """Distance from the centre, degrees, of places on the sky."""
        return separation_from_deg(ra_deg, dec_deg, self.ra_deg, self.dec_deg)

    def holds_sky_of(self, other: FieldRequest) -> bool:
        """Whether every place of another request, of the same catalogue, is in this one."""
        apart = float(self.separation_deg(other.ra_deg, other.dec_deg))
        return (
            self.catalogue == other.catalogue
            and apart + other.radius_deg <= self.radius_deg + SLACK_DEG
        )

    def serves(self, other: FieldRequest) -> bool:
        """Whether the answer to this request holds the answer to another."""
        return self.holds_sky_of(other) and self.limit_mag >= other.limit_mag - 1e-6


@dataclass(frozen=True, eq=False)
class Answer:
    """What a service answered.

    Attributes
    ----------
    table : Table
        Plain columns, under the names that `mirrors.TABLES` has for them.
    query, address : str
        What was asked, and whom.
    row_limit : int
        How many rows there might have been.
    notes : tuple of str
        Mirrors that did not answer, tables that a service lacks.
    """

    table: Table
    query: str
    address: str
    row_limit: int
    notes: tuple[str, ...] = ()
