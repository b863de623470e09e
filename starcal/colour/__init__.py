"""What colours stars can have: ``stellar`` knows the real ones, ``palette`` makes possible ones up.

The names of ``stellar`` that other folders use stand here, so that they read ``colour.star_rgb``.
"""

from ..choices import BV_RANGE_MAG, SOLAR_BV_MAG
from .stellar import (
    IMPOSSIBLE_DUV,
    LUMINANCE_WEIGHTS,
    POSSIBLE_DUV,
    classify,
    duv,
    green_index,
    luminance,
    planckian_uv,
    real_star_log_ratios,
    rgb_to_uv_prime,
    rgb_to_xyz,
    srgb_decode,
    srgb_encode,
    star_rgb,
    uv_prime_distance,
    uv_prime_to_xy,
    xy_to_uv_prime,
    xy_to_xyz,
    xyz_to_rgb,
    xyz_to_xy,
)

__all__ = [
    "BV_RANGE_MAG",
    "IMPOSSIBLE_DUV",
    "LUMINANCE_WEIGHTS",
    "POSSIBLE_DUV",
    "SOLAR_BV_MAG",
    "classify",
    "duv",
    "green_index",
    "luminance",
    "planckian_uv",
    "real_star_log_ratios",
    "rgb_to_uv_prime",
    "rgb_to_xyz",
    "srgb_decode",
    "srgb_encode",
    "star_rgb",
    "uv_prime_distance",
    "uv_prime_to_xy",
    "xy_to_uv_prime",
    "xy_to_xyz",
    "xyz_to_rgb",
    "xyz_to_xy",
]
