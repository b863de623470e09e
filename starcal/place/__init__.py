"""Where a frame points: the catalogue matched to its stars, hints and solutions where the WCS is
missing or poor.

One idea a file: `locate` is the entrance. `match` pairs catalogue and stars by a WCS, `bright`
those that are wide; `hints` are what is believed before, `triangles` make hypotheses, `attempts`
grow them, `plate` fits them, `solve` finds a WCS so, `bend` follows distortion. `channels` puts
one channel beside another, `grid` all three of a frame onto one grid.
"""
