"""Columns of a star table as plain arrays."""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from .flags import CHANNELS


def in_channels(stars: Table, name: str = "flux") -> NDArray:
    """A quantity measured in all channels, (3, n): ``flux``, ``flux_error``, ``sky``, ``peak``."""
    return np.array([stars[f"{name}_{c}"] for c in CHANNELS])


def places_of(stars: Table) -> NDArray:
    """Where the stars are, rows of (x_px, y_px), (n, 2)."""
    return np.column_stack([stars["x_px"].value, stars["y_px"].value])
