"""Layers: stars split from a frame, given new colours, and joined to the starless frame again.

One idea a file: `training` chooses stars, `singles` fits each one's shape, `shape_field` tells how
shapes change over the frame, `warp` carries the profile there, `core` and `wings` measure it, `psf`
is it, `profiles` puts the three channels together. `fluxes` fits all stars jointly, `specks` tells
what is no star, `broken` what has lost its core, `knots` what is nebula, `halos` cuts out what is
left round bright stars, `spikes` and `discs` tell what of it is theirs, `flaring` lists that as
`flares`, `pieces` tells stars from bits of spikes, `blooms` knows charge that ran over, `model`
puts all of it together, `light` draws stars and knows what they hide, `fill` and `grain` mend what
cannot be known, `splitting` makes the layers, `starless` holds what is hidden, `profile_map` shows
the shapes, `recolour` gives colours, `cores` rebuilds clipped cores, `joining` adds layers and
checks starless frames from elsewhere.
"""

from .cores import rebuilt_cores
from .joining import join_add, plausible_starless
from .profile_map import ProfileMap
from .recolour import light_shares, of_stars, recolour, redrawn, shares_on_grid
from .splitting import FEW_STARS, Split, split
from .starless import Starless

__all__ = [
    "FEW_STARS",
    "ProfileMap",
    "Split",
    "Starless",
    "join_add",
    "light_shares",
    "of_stars",
    "plausible_starless",
    "rebuilt_cores",
    "recolour",
    "redrawn",
    "shares_on_grid",
    "split",
]
