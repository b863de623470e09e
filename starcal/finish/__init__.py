"""The last step: stars back into the finished nebula.

One idea a file: `geometry` finds how the nebula was cropped, turned and scaled since its stars were
taken out, `laying` carries a star layer there and lays it over, `blend` screens stars so that they
keep their hue, `profiles` knows the picture's colour space.
"""

from .blend import screen_keeping_hue
from .geometry import Moved, carried, find_moved
from .laying import carried_layer, laid_over
from .profiles import SRGB, ColourSpace, colour_space

__all__ = [
    "SRGB",
    "ColourSpace",
    "Moved",
    "carried",
    "carried_layer",
    "colour_space",
    "find_moved",
    "laid_over",
    "screen_keeping_hue",
]
