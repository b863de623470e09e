"""Hues in words, as a display shows them."""

import numpy as np

from ..colour.stellar import rgb_to_uv_prime, srgb_encode

NEUTRAL_UV = 0.010  # so near the white point a star looks white
D65_UV = (0.19784, 0.46834)  # u', v' of the display's white
HUES = (
    (15, "red"),
    (45, "orange"),
    (70, "yellow"),
    (160, "green"),
    (200, "cyan"),
    (255, "blue"),
    (285, "violet"),
    (345, "magenta"),
    (360, "red"),
)


def _hue_deg(rgb: np.ndarray) -> np.ndarray:
    """The hue angle of a linear colour (n, 3) as displayed: red is 0, green 120; NaN for black."""
    top = rgb.max(axis=-1, keepdims=True)
    shown = srgb_encode(np.clip(rgb / np.where(top > 0, top, np.nan), 0, 1))
    red, green, blue = np.moveaxis(shown, -1, 0)
    return np.rad2deg(np.arctan2(np.sqrt(3) * (green - blue), 2 * red - green - blue)) % 360


def hue_word(rgb: np.ndarray) -> np.ndarray:
    """The hue of a linear colour (n, 3) as displayed, in a word; white near the display's white,
    unknown for NaN."""
    rgb = np.asarray(rgb, float)
    angle = _hue_deg(rgb)
    offset = rgb_to_uv_prime(rgb) - D65_UV
    words = [
        (np.isnan(angle), "unknown"),
        (np.hypot(offset[..., 0], offset[..., 1]) < NEUTRAL_UV, "white"),
        *((angle < end, word) for end, word in HUES),
    ]
    return np.select([test for test, _ in words], [word for _, word in words], "red")
