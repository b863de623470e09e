"""Finding and measuring stars: one table, a row a star, a flag for every reason not to trust one.

Only this package and `layers` know photutils. Nothing is ever taken out of the table; a star that
must not be used carries a flag that says why. `flags` is the registry, `contrast` makes stars stand
out, `detection` finds them, `shapes` measures their widths, `photometry` makes the table,
`known_places` adds what was not found, `displayed` orders the stars of stretched pictures,
`columns` gives the table's columns as arrays.
"""

from ..frame.reading import CHANNELS
from .columns import in_channels, instrumental_mag, places_of
from .detection import PLATEAU_SHARE
from .displayed import displayed_mag
from .flags import FLAG_REASONS, SHAPE_SNR, Flag, flag_tally, flag_words
from .known_places import found_stars_in, free_places, measure_at
from .photometry import BLEND_FLUX_SHARE, measure_stars

__all__ = [
    "BLEND_FLUX_SHARE",
    "CHANNELS",
    "FLAG_REASONS",
    "PLATEAU_SHARE",
    "SHAPE_SNR",
    "Flag",
    "displayed_mag",
    "flag_tally",
    "flag_words",
    "found_stars_in",
    "free_places",
    "in_channels",
    "instrumental_mag",
    "measure_at",
    "measure_stars",
    "places_of",
]
