"""The last step: stars back into the finished nebula.

One idea a file: `features` is what two pictures share, `geometry` how the nebula was cropped,
turned and scaled since its stars were taken out, `drift` and `bends` doubt that, `belonging` says
which starless frame a layer is of, `rebuilt` keeps its clipped cores; `tones` tells linear from
stretched, `tone_curve` how tones were changed, `toning` does it again to a frame; `star_layer` is
the layer as it was asked for, `laying` carries it there and lays it over, `blend` screens stars so
that they keep their hue; `job` does it all, `saving` keeps it. `splitting` is the step before:
stars out of a frame.
"""

from .belonging import belonging_cards, read_nebula
from .blend import screen_keeping_hue
from .geometry import Moved, carried, find_moved
from .job import Joined, join_pictures, laid_anew, seems_linear, starry_look
from .laying import carried_layer, laid_over, own_softening_px, way_of_laying
from .rebuilt import read_star_layer
from .saving import joined_kind, write_joined
from .star_layer import KnownStars, own_colours, prepared_layer, stars_of_layer

__all__ = [
    "Joined",
    "KnownStars",
    "Moved",
    "belonging_cards",
    "carried",
    "carried_layer",
    "find_moved",
    "join_pictures",
    "joined_kind",
    "laid_anew",
    "laid_over",
    "own_colours",
    "own_softening_px",
    "prepared_layer",
    "read_nebula",
    "read_star_layer",
    "screen_keeping_hue",
    "seems_linear",
    "starry_look",
    "stars_of_layer",
    "way_of_laying",
    "write_joined",
]
