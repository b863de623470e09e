"""Layers: stars split from a frame, given new colours, and joined to the starless frame again.

One idea a file. The profile: `training` chooses stars, `stamps` cuts them out, `singles` fits each
one's shape, `shape_field` tells how shapes change over the frame, `warp` carries the profile there,
`core` and `wings` measure it, `rims` what clipped stars show of it, `wing_solve` its wings once
more, `lopsided` what of them is not round; `psf` is it, `profiles` puts the three channels
together, `profile_map` shows it.

The light: `fluxes` fits all stars jointly over grounds that may bend (`bends`), `second_light` and
`companions` find who hides beside a brighter one, `specks`, `broad` and `knots` tell what is no
star, `broken` what has lost its core, `halos` cuts out what is left round bright stars, `spikes`
and `discs` (`disc_law`) tell what of it is theirs, `flaring` lists that as `flares`, `pieces` tells
stars from bits of spikes, `blooms` knows charge that ran over, `patches` what hangs together;
`model` puts all of it together, `brightness` finds what goes by it round stars (`surplus`), `light`
draws stars and knows what they hide.

The layers: `fill`, `holes` and `grain` mend what cannot be known, `splitting` makes them,
`starless` holds what is hidden, `recolour` gives colours, `own_profile` draws stars of another
size, `cores` rebuilds clipped cores, `joining` adds layers and checks starless frames from
elsewhere.
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
