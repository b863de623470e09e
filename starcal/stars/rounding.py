"""What rounding to coarse steps takes from the light of stars, in all of them alike.

The mean of rounded pixels goes to and fro with their level, once a step. So does that of the ring
round a star, and that of the pixels which the star leaves at the level of the sky: what they have
in common cancels. What is left is in the pixels that its light has lifted.
"""

import numpy as np
from numpy.typing import NDArray

# As often as these a step; the first alone where there is noise under it
ROUNDING_WAVES = np.arange(1, 9)
# light of the pixels between two radii, of their mean: a profile falls by some such factors
LIGHT_SPREAD = np.geomspace(0.5, 2.0, 9)


def lifted_pixels(light_steps: NDArray, radii_px: NDArray) -> NDArray:
    """How many pixels round each star no longer go with the sky as its level moves by a step.

    Parameters
    ----------
    light_steps : ndarray, (radii, n)
        Light within each radius, in steps.
    radii_px : ndarray, (radii,)
        From narrow to wide.

    Returns
    -------
    ndarray of complex, (waves, n)
        For each of `ROUNDING_WAVES`, how far they go ahead of the sky.
    """
    pixels = np.diff(np.pi * radii_px**2, prepend=0.0)[:, None]
    between = np.diff(light_steps, axis=0, prepend=0.0)
    lifted = np.maximum(between, 0) / pixels * LIGHT_SPREAD[:, None, None] / LIGHT_SPREAD.mean()
    turned = np.exp(2j * np.pi * ROUNDING_WAVES[:, None, None, None] * lifted).mean(axis=1)
    return ((turned - 1) * pixels).sum(axis=1)


def rounding_of(lifted: NDArray, rounded_steps: float) -> float:
    """Error of a sum of pixels by the rounding of those that were lifted.

    Parameters
    ----------
    lifted : ndarray of complex, (waves,)
        See `lifted_pixels`.
    rounded_steps : float
        Of the sky; see `FrameNoise`.

    Returns
    -------
    float
        In steps, root mean square over all levels that the sky may have within its step.

    References
    ----------
    Widrow & Kollar 2008, Quantization Noise, chapter 4: under noise of s steps the mean of rounded
    values is off by waves of exp(-2 pi^2 k^2 s^2) / (pi k) steps.
    """
    smoothed = np.minimum(np.sqrt(2) * np.pi * rounded_steps, 1.0)
    height = smoothed ** (ROUNDING_WAVES**2) / (np.sqrt(2) * np.pi * ROUNDING_WAVES)
    return float(np.sqrt(np.sum(np.abs(lifted * height) ** 2)))
