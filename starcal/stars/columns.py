"""The columns of a star table: the one registry of their names, units and meanings, and the
columns as plain arrays."""

from dataclasses import dataclass

import numpy as np
from astropy import units as u
from astropy.table import Table
from numpy.typing import NDArray

from ..frame.reading import CHANNELS


@dataclass(frozen=True)
class StarColumn:
    """One quantity of the star table."""

    name: str
    meaning: str
    unit: u.UnitBase | None = None  # None: a number without a unit, or a word
    in_channels: bool = False  # one column for each channel: ``flux_R``, ``flux_G``, ``flux_B``


COLUMNS = (
    StarColumn("x_px", "centroid along the row, 0 is the centre of the first pixel", u.pix),
    StarColumn("y_px", "centroid along the column", u.pix),
    StarColumn("snr", "signal-to-noise at detection, all channels"),
    StarColumn("fwhm_px", "full width at half maximum", u.pix),
    StarColumn("roundness", "minor over major axis, 1 is round"),
    StarColumn("flags", "why not to use the star, sum of bits: see meta, flags"),
    StarColumn(
        "saturated_channels",
        "channels at or near the clipping level; empty (read back as masked) for none",
    ),
    StarColumn("flux", "flux in the aperture, sky subtracted, of full scale", in_channels=True),
    StarColumn("flux_error", "1-sigma error of the flux", in_channels=True),
    StarColumn("sky", "sky per pixel round the star, of full scale", in_channels=True),
    StarColumn(
        "ground",
        "level per pixel under the star, which its light is counted from, of full scale",
        in_channels=True,
    ),
    StarColumn("peak", "brightest pixel, of full scale", in_channels=True),
    StarColumn("ra_deg", "catalogue, ICRS, at the epoch of the frame", u.deg),
    StarColumn("dec_deg", "catalogue, ICRS, at the epoch of the frame", u.deg),
    StarColumn("v_mag", "catalogue, Johnson V", u.mag),
    StarColumn("bv_mag", "catalogue, Johnson B-V as observed", u.mag),
    StarColumn("bv_error_mag", "catalogue, stated error of B-V", u.mag),
    StarColumn(
        "bv_fit_error_mag",
        "typical error of the catalogue's B-V at that brightness, which weights the fit",
        u.mag,
    ),
    StarColumn(
        "bv_off_per_ebv",
        "by how much the catalogue's B-V is too blue behind dust, per mag of its E(B-V)",
    ),
    StarColumn(
        "bv_common_error_mag",
        "by how much the catalogue's B-V of all such stars may be off alike besides",
        u.mag,
    ),
    StarColumn("hip", "catalogue, Hipparcos number, 0 for none"),
    StarColumn("colour_bv_mag", "B-V of the colour that the star was given", u.mag),
    StarColumn("colour_bv_error_mag", "1-sigma error of that B-V", u.mag),
    StarColumn("colour_source", "where that colour is from"),
    StarColumn("core_rebuilt", "whether its clipped core was rebuilt from its wings"),
)
"""In the order in which a table gets them: measured, from the catalogue, of the new colour."""


def _each_column() -> dict[str, StarColumn]:
    """The columns as they stand in a table, by name."""
    single = {column.name: column for column in COLUMNS if not column.in_channels}
    threefold = {
        f"{column.name}_{c}": StarColumn(
            f"{column.name}_{c}", f"{column.meaning}, channel {c}", column.unit
        )
        for column in COLUMNS
        if column.in_channels
        for c in CHANNELS
    }
    return single | threefold


COLUMN_OF = _each_column()
"""Every column of a finished star table by its name."""


def in_channels(stars: Table, name: str = "flux") -> NDArray:
    """One quantity in all channels.

    Parameters
    ----------
    stars : Table
        Of `measure_stars`, n rows.
    name : str
        ``flux``, ``flux_error``, ``sky``, ``ground`` or ``peak``.

    Returns
    -------
    ndarray, (3, n)
        R, G, B, of full scale.
    """
    return np.array([stars[f"{name}_{c}"] for c in CHANNELS])


def places_of(stars: Table) -> NDArray:
    """Where the stars are.

    Parameters
    ----------
    stars : Table
        Of `measure_stars`, n rows.

    Returns
    -------
    ndarray, (n, 2)
        Rows of x, y in pixels, 0-based.
    """
    return np.column_stack([stars["x_px"].value, stars["y_px"].value])


def instrumental_mag(stars: Table) -> NDArray:
    """Magnitudes of the stars from all their light, zero point arbitrary; NaN where there is no
    positive flux.

    Parameters
    ----------
    stars : Table
        Of `measure_stars`, n rows.

    Returns
    -------
    ndarray, (n,)
    """
    light = in_channels(stars).sum(axis=0)
    return -2.5 * np.log10(np.where(light > 0, light, np.nan))
