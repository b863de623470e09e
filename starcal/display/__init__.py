"""Star colours in pictures that are already stretched, in the values of a display.

One idea a file: `curve` finds the tone curve from the shapes of stars that `audit.shown` has
measured, `targets` chooses the B-V of each star, `transfer` puts the colours on, `recolour` does
all of it and takes back what did harm.
"""

from .recolour import DisplayColours, recolour_display

__all__ = ["DisplayColours", "recolour_display"]
