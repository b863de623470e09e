"""Exposures for a separate broadband star frame: how long, how often, which stars saturate, how
good the gains get."""

from .chart import CHART_INCHES, plot_field
from .field import SkyField, field_of_frame, field_of_sensor
from .photons import BORTLE_SKY_MAG, Kit, Night, focal_length_mm
from .planning import gain_errors, plan_exposures
from .result import Plan, Series, table_cells

__all__ = [
    "BORTLE_SKY_MAG",
    "CHART_INCHES",
    "Kit",
    "Night",
    "Plan",
    "Series",
    "SkyField",
    "field_of_frame",
    "field_of_sensor",
    "focal_length_mm",
    "gain_errors",
    "plan_exposures",
    "plot_field",
    "table_cells",
]
