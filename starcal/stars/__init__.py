"""Finding and measuring stars: one table, a row a star, a flag for every reason not to trust one.

Only this package and `layers` know photutils. Nothing is ever taken out of the table; a star that
must not be used carries a flag that says why.

One idea a file: `noise` is what the pixels say of themselves, `borders` finds edges without sky,
`defects` hot pixels and rays, `mended` is the frame without them. `contrast` makes stars stand out,
`detection` finds them, `shapes` measures their widths. `ground` is the level under a star,
`apertures` its light (`aperture_sums` adds it up, `clipping` cleans rings), `leaks` what others
add to it, `growth` and `growth_field` what lies beyond, `alike` brings channels to one profile
before that, `cut_sky` and `rounding` tell what files have taken from it. `photometry` makes the
table, `known_places` adds what was not found, `flags` and `columns` are its registries; `linearity`
judges the frame, by `few_stars` where they are few, `displayed` orders the stars of stretched
pictures.
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
