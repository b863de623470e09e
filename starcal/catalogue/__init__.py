"""Star catalogues: what every one of them answers with.

A catalogue, embedded or online, gives `CatalogueStars`: plain arrays, one entry a star, ICRS
positions at a stated epoch, Johnson V and B-V as observed (never dereddened).

One idea a file: `choose` goes from a name to stars. `embedded` comes with starcal; `own_table` is
the user's, `deep` a table of the whole sky, made once (`deep_build`, `deep_pack`). `request` is a
question to a service, `services` answers it: `mirrors` knows their addresses, `tap` their language,
`transport` fetches, `columns` reads what they send, `gaia` and `johnson` turn magnitudes into V and
B-V, `cache` keeps fields, in the `folders` of the user, `verified` remembers checksums. `dust` says
what it does to them all; `objects` and `object_names` know nebulae by name, `star_names` stars.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike

from ..texts import counted

__all__ = ["CatalogueStars", "move", "separation_from_deg", "sky_position", "unit_vectors"]

_MAS_PER_RADIAN = np.degrees(1.0) * 3.6e6


@dataclass(frozen=True, eq=False, kw_only=True)
class CatalogueStars:
    """Stars of a catalogue at one epoch.

    Attributes
    ----------
    ra_deg, dec_deg : (N,) float64
        ICRS position at `epoch_yr`. A star without a proper motion stays where it was observed.
    pmra_mas_yr, pmdec_mas_yr : (N,) float32
        Proper motion, the first times cos(dec); 0 where `no_pm`.
    v_mag, bv_mag, bv_error_mag : (N,) float32
        Johnson V, B-V and the error the catalogue states for B-V; NaN where the catalogue has none.
        The stated errors correlate with the noise: weight by a smooth model of V instead.
    bv_clamped : (N,) bool
        The colour lies beyond the range of the map to Johnson B-V; `bv_mag` is the end of that
        range, or NaN where the catalogue's map is not held at its end (all but the embedded one).
    double : (N,) bool
        Known double, or another entry within 10 arcsec.
    no_pm : (N,) bool
        No proper motion is known.
    hip : (N,) int32
        Hipparcos number, 0 for none. Components of a double may share one.
    name : str
        The catalogue.
    limit_mag : float
        The V down to which these stars are complete.
    epoch_yr : float
        Julian year of the positions.
    bv_fit_error_mag : (N,) float32 or None
        The error of B-V to weight by: smooth in V, never a star's own. `choose.stars_around` always
        fills it.
    bv_off_per_ebv, bv_common_error_mag : (N,) float32 or None
        By how much B-V comes out too blue behind dust, per mag of its E(B-V); and by how much that
        of all stars which was come by in the same way may be off alike besides, mag, no part of the
        errors above. `choose.stars_around` always fills them.
    bv_source : (N,) str or None
        How it was come by, where a catalogue has several ways: one of `dust.WAYS`.
    """

    ra_deg: np.ndarray
    dec_deg: np.ndarray
    pmra_mas_yr: np.ndarray
    pmdec_mas_yr: np.ndarray
    v_mag: np.ndarray
    bv_mag: np.ndarray
    bv_error_mag: np.ndarray
    bv_clamped: np.ndarray
    double: np.ndarray
    no_pm: np.ndarray
    hip: np.ndarray
    name: str
    limit_mag: float
    epoch_yr: float
    bv_fit_error_mag: np.ndarray | None = None
    bv_off_per_ebv: np.ndarray | None = None
    bv_common_error_mag: np.ndarray | None = None
    bv_source: np.ndarray | None = None

    def __len__(self) -> int:
        """Count the stars."""
        return len(self.ra_deg)

    def __repr__(self) -> str:
        """Say in a line what is here."""
        return (
            f"<CatalogueStars {self.name}: {counted(len(self), 'star')}, "
            f"{int(np.isfinite(self.bv_mag).sum())} with B-V, "
            f"epoch {self.epoch_yr:.2f}, complete to V {self.limit_mag:.1f}>"
        )

    def select(self, which: np.ndarray) -> CatalogueStars:
        """Keep some of the stars.

        Parameters
        ----------
        which : (N,) bool or (M,) int
            A mask or an order of indices.

        Returns
        -------
        CatalogueStars
        """
        columns = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(
            self,
            **{
                k: column[which]
                for k, column in columns.items()
                if isinstance(column, np.ndarray)
            },
        )

    def at_epoch(self, epoch_yr: float, *, from_yr: np.ndarray | None = None) -> CatalogueStars:
        """Move the stars along their proper motions.

        Parameters
        ----------
        epoch_yr : float
            Julian year, finite.
        from_yr : (N,) float, optional
            The year of each star's position, where they have several; NaN where it is not known.

        Returns
        -------
        CatalogueStars
            Right at the poles, where a proper motion turns with the meridian. Perspective
            acceleration and parallax are left out: below 0.8 arcsec for the nearest stars, 0.01
            arcsec for any other.

        Raises
        ------
        ValueError
            `epoch_yr` is not finite.
        """
        if not np.isfinite(epoch_yr):
            raise ValueError(f"epoch_yr is a Julian year such as 2025.5, not {epoch_yr}")
        if from_yr is None and epoch_yr == self.epoch_yr:
            return self
        known = self.epoch_yr if from_yr is None else from_yr
        start_yr = np.where(np.isfinite(known), known, self.epoch_yr)
        ra, dec, pmra, pmdec = move(
            self.ra_deg,
            self.dec_deg,
            self.pmra_mas_yr,
            self.pmdec_mas_yr,
            epoch_yr - start_yr,
        )
        return replace(
            self,
            ra_deg=ra,
            dec_deg=dec,
            pmra_mas_yr=pmra.astype(np.float32),
            pmdec_mas_yr=pmdec.astype(np.float32),
            epoch_yr=float(epoch_yr),
        )


def unit_vectors(ra_deg: ArrayLike, dec_deg: ArrayLike) -> np.ndarray:
    """Turn positions on the sky into unit vectors.

    Parameters
    ----------
    ra_deg, dec_deg : (...) array_like

    Returns
    -------
    (..., 3) float64
    """
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)


def separation_from_deg(
    ra_deg: ArrayLike, dec_deg: ArrayLike, centre_ra_deg: float, centre_dec_deg: float
) -> np.ndarray:
    """Distance of places on the sky from one of them, exact for the smallest.

    Parameters
    ----------
    ra_deg, dec_deg : (...) array_like
    centre_ra_deg, centre_dec_deg : float

    Returns
    -------
    (...) float64
        Degrees.
    """
    chord = np.linalg.norm(
        unit_vectors(ra_deg, dec_deg) - unit_vectors(centre_ra_deg, centre_dec_deg), axis=-1
    )
    return np.degrees(2 * np.arcsin(np.minimum(chord / 2, 1.0)))


def sky_position(vectors: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Turn vectors, of any length, into positions on the sky.

    Parameters
    ----------
    vectors : (..., 3) array_like

    Returns
    -------
    ra_deg, dec_deg : (...) float64
        0 <= ra < 360.
    """
    x, y, z = np.moveaxis(np.asarray(vectors, float), -1, 0)
    ra_deg = np.degrees(np.arctan2(y, x)) % 360.0
    return np.where(ra_deg >= 360.0, 0.0, ra_deg), np.degrees(np.arctan2(z, np.hypot(x, y)))


def move(
    ra_deg: ArrayLike,
    dec_deg: ArrayLike,
    pmra_mas_yr: ArrayLike,
    pmdec_mas_yr: ArrayLike,
    years: ArrayLike,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Move positions along a straight line in space, seen at constant distance from the start.

    The rigorous model of ESA 1997 (SP-1200, vol. 1, section 1.5.5) with parallax and radial
    velocity zero.

    Parameters
    ----------
    ra_deg, dec_deg, pmra_mas_yr, pmdec_mas_yr : (N,) array_like
        `pmra_mas_yr` includes cos(dec).
    years : float or (N,) array_like

    Returns
    -------
    ra_deg, dec_deg, pmra_mas_yr, pmdec_mas_yr : (N,) float64
        Position, and the motion in the directions of the new place.
    """
    place = unit_vectors(ra_deg, dec_deg)
    east, north = _tangents(ra_deg, dec_deg)
    eastward = np.asarray(pmra_mas_yr)[:, None] * east
    northward = np.asarray(pmdec_mas_yr)[:, None] * north
    motion = (eastward + northward) / _MAS_PER_RADIAN
    moved = place + motion * np.broadcast_to(years, np.shape(ra_deg))[:, None]
    new_ra_deg, new_dec_deg = sky_position(moved)
    east, north = _tangents(new_ra_deg, new_dec_deg)
    new_pmra = np.sum(motion * east, axis=-1) * _MAS_PER_RADIAN
    new_pmdec = np.sum(motion * north, axis=-1) * _MAS_PER_RADIAN
    return new_ra_deg, new_dec_deg, new_pmra, new_pmdec


def _tangents(ra_deg: ArrayLike, dec_deg: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Unit vectors to the east and to the north of each place."""
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    east = np.stack([-np.sin(ra), np.cos(ra), np.zeros_like(ra)], axis=-1)
    north = np.stack(
        [-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)], axis=-1
    )
    return east, north
