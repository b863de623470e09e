"""Skies that were cut at black: what is left of faint light there.

Where the noise of a sky reaches down to black, half of it and more is one value, and light fainter
than the noise lifts only what had not been cut: of a star's wings half is lost, the more the less
light a channel has. How often black occurs, and how often somewhat more, tell level and noise as
they were; from these follows what mean a light shows, and from the mean the light.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

# of the sky's pixels that are black: of a faint wing's light as much is lost; of more than the
# second the rest tells no noise any more
CUT_SHARE = (0.1, 0.8)
LIGHTS_SIGMA = np.linspace(-3.0, 8.0, 221)  # in between the mean shown is interpolated


@dataclass(frozen=True, kw_only=True)
class CutSky:
    """A channel's sky before it was cut, in its units.

    Attributes
    ----------
    black : float
        The lowest value; what lay below shows as it.
    level, sigma : float
        Of a sky pixel before.
    """

    black: float
    level: float
    sigma: float

    def shown(self, light: NDArray) -> NDArray:
        """Mean above black of pixels with some light over the sky's level (a Gaussian, censored:
        Tobin 1958, Econometrica 26, 24)."""
        over = (self.level + light - self.black) / self.sigma
        density = np.exp(-(over**2) / 2) / np.sqrt(2 * np.pi)
        return self.sigma * (over * ndtr(over) + density)

    def light(self, excess: NDArray) -> NDArray:
        """Light that lifts the mean of pixels by so much over that of the sky."""
        light = LIGHTS_SIGMA * self.sigma
        lifts = self.shown(light) - self.shown(np.zeros(1))
        beyond = np.maximum(excess - lifts[-1], 0)  # nothing of bright light is lost
        return np.interp(excess, lifts, light) + beyond

    def light_within(self, sums: NDArray, area: NDArray, ground: NDArray) -> NDArray:
        """Light within circles, (radii, n), from the sums of pixels there, how many they are, and
        the mean of the sky round about."""
        ring = np.diff(area, axis=0, prepend=0)
        mean = np.diff(sums, axis=0, prepend=0) / ring
        return np.cumsum(ring * self.light(mean - ground), axis=0)


def cut_sky(values: NDArray) -> CutSky | None:
    """The sky of a channel that was cut at black.

    Parameters
    ----------
    values : ndarray
        Pixels of its darker parts; NaN where there is no data. Not of coarse values: a sky of two
        or three has many of the lowest by itself.

    Returns
    -------
    CutSky or None
        None where it was not cut, or more of it than tells what it was.
    """
    values = values[np.isfinite(values)]
    black = float(values.min(initial=np.inf))
    share = float(np.mean(values == black)) if len(values) else 0.0
    least, most = CUT_SHARE
    if not least < share < most:
        return None
    more = (1 + share) / 2
    below, below_more = ndtri([share, more])
    sigma = (float(np.quantile(values, more)) - black) / (below_more - below)
    return CutSky(black=black, level=black - below * sigma, sigma=sigma) if sigma > 0 else None
