"""The last step: stars back into the finished nebula.

One idea a file: `geometry` finds how the nebula was cropped, turned and scaled since its stars were
taken out, `blend` lays stars over it so that they keep their hue.
"""

from .blend import screen_keeping_hue
from .geometry import Moved, carried, find_moved
from .profiles import SRGB, ColourSpace, colour_space

__all__ = [
    "SRGB",
    "ColourSpace",
    "Moved",
    "carried",
    "colour_space",
    "find_moved",
    "screen_keeping_hue",
]
