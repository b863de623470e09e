"""Layers: stars split from a frame, given new colours, and joined to the starless frame again.

One idea a file: `psf` measures what a star looks like, `fluxes` fits all stars jointly, `model`
puts both together, `light` draws stars and knows what they hide, `fill` and `grain` mend what
cannot be known, `splitting` makes the layers, `recolour` gives colours, `joining` adds layers and
checks starless frames from elsewhere.
"""

from .joining import join_add, plausible_starless
from .recolour import light_shares, recolour
from .splitting import Split, split

__all__ = ["Split", "join_add", "light_shares", "plausible_starless", "recolour", "split"]
