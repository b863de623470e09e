"""How the heights of a few stars grow with their light, told by the pixels of each core.

The slope over many stars (`linearity`) counts light from the sky of the frame, out to the wings.
Uneven ground bends that by more than its error, and it takes a dozen stars. Here each star stands
on the ground next to it, light is that of its core, and the channels tell together.
"""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.special import stdtrit

from ..robust import scatter, weighted_median
from .columns import places_of
from .shapes import distances_in_stamps, stamps_round

FEWEST_CORES = 4  # of a channel: three leave one to tell the error by
MOST_CORES = 100  # the brightest: of more the profiles tell
COUNTED_WIDTHS = 1.3  # of the light that is counted
GROUND_WIDTHS = (2.6, 3.6)  # radii of the ring that tells the ground
HIGHEST_WITHIN_PX = 1.2  # from the star's place, which all channels share
CLEAR_CORE_SNR = 20.0  # of a peak over the noise of the frame and the unrest of its ground
LEAST_FACTOR = 3.0  # between the lights of the faintest and the brightest


def growth_of_cores(pixels: NDArray, stars: Table) -> tuple[float, float]:
    """Power with which the heights of stars grow with the light of their cores.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        NaN where there is no data.
    stars : Table
        Of `measure_stars`, those that have their cores for themselves.

    Returns
    -------
    slope, error : float
        1 for linear data; the second is half of its 95 % interval. NaN for fewer than
        `FEWEST_CORES` or less than `LEAST_FACTOR` in light.
    """
    if len(stars) < FEWEST_CORES:
        return np.nan, np.nan
    brightest = np.argsort(stars["snr"])[::-1][:MOST_CORES]
    stars = stars[brightest]
    clear = [_clear_cores(plane, stars, index) for index, plane in enumerate(pixels)]
    told = [cores for cores in clear if len(cores[0]) >= FEWEST_CORES]
    if not told:
        return np.nan, np.nan
    return _slope_and_error(told)


def _slope_and_error(told: list[tuple[NDArray, NDArray]]) -> tuple[float, float]:
    """Slope of log height against log light within the channels, and half its 95 % interval; NaN
    for too narrow a range of light."""
    slope = _slope_within(told)
    light = np.concatenate([_centred(x) for x, _ in told])
    left = np.concatenate([_centred(y - slope * x) for x, y in told])
    if np.ptp(light) < np.log(LEAST_FACTOR):
        return np.nan, np.nan
    # channels share their stars, and do not count as further ones
    number = max(len(x) for x, _ in told)
    freedom = number - 2
    error = scatter(left) / np.std(light)
    error = error / np.sqrt(freedom)
    return slope, float(error * stdtrit(freedom, 0.975))


def _centred(values: NDArray) -> NDArray:
    return values - np.median(values)


def _slope_within(told: list[tuple[NDArray, NDArray]]) -> float:
    """Median slope between the stars of a channel, the channels together, pairs weighted by how far
    they are apart."""
    across = np.concatenate([_differences(x) for x, _ in told])
    up = np.concatenate([_differences(y) for _, y in told])
    apart = across != 0
    across, up = across[apart], up[apart]
    return weighted_median(up / across, np.abs(across))


def _differences(values: NDArray) -> NDArray:
    """Between all pairs."""
    one, other = np.triu_indices(len(values), 1)
    return values[one] - values[other]


def _clear_cores(plane: NDArray, stars: Table, index: int) -> tuple[NDArray, NDArray]:
    """Log light and log height of the cores that are clear in a channel."""
    light, height, unrest = _measured_cores(plane, stars)
    noise = stars.meta["noise"]
    # of a star layer it is that of rims, and what was cut off those of faint stars raises peaks
    if noise.empty_sky:
        faint = light < np.median(light)
        unrest = np.where(faint, np.inf, unrest)
    else:
        unrest = np.maximum(unrest, noise.noise[index])
    clear = height > CLEAR_CORE_SNR * unrest
    clear &= light > 0
    return np.log(light[clear]), np.log(height[clear])


def _measured_cores(plane: NDArray, stars: Table) -> tuple[NDArray, NDArray, NDArray]:
    """Light and height of each core above the ground next to it, and the scatter of that ground;
    NaN where it has no data."""
    width_px = float(np.median(stars.meta["fwhm_px"]))
    inner, outer = np.array(GROUND_WIDTHS) * width_px
    half = int(np.ceil(outer)) + 1
    x_px, y_px = places_of(stars).T
    radius = distances_in_stamps(x_px, y_px, half)
    stamps = stamps_round(plane, x_px, y_px, half).astype(float)
    around = (radius > inner) & (radius < outer)
    rings = [stamp[chosen] for stamp, chosen in zip(stamps, around, strict=True)]
    ground = np.array([np.median(ring) for ring in rings])
    unrest = np.array([scatter(ring) for ring in rings])
    above = stamps - ground[:, None, None]
    within_px = COUNTED_WIDTHS * width_px + 0.5
    share = np.clip(within_px - radius, 0, 1)
    light = np.nansum(above * share, axis=(1, 2))
    near = np.where(radius < HIGHEST_WITHIN_PX, above, -np.inf)
    height = near.max(axis=(1, 2))
    return light, height, unrest
