"""Faults of real frames, one function a fault: arrays in, arrays out, the same for the same seed.

Stars of any profile are drawn by `draw_stars`, in place, each integrated over its pixels. A profile
is a function of the offsets from the star's middle and of its place on the frame; profiles nest:

    profile = diffraction_core(fwhm_px=3.0)
    profile = varying(profile, shape, growth=0.4, stretch=0.2, coma_px=1.5)
    profile = spiked(profile, fwhm_px=3.0, share=0.04)
    draw_stars(image, x_px, y_px, flux, profile, floor=noise / 200)

Each profile holds a total of 1, spikes and wings included, so that `flux` is the whole flux of the
star, whatever it looks like. What acts on light goes before the noise (`softened`, `flat_planes`,
`add_reflections`), what the sensor does after it (`add_hot_pixels`, `add_hot_columns`,
`add_cosmic_rays`), what the file does last (`bent`, `clipped`, `in_steps`).
"""

from collections.abc import Callable

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import erfc, j1

from ..robust import middle_px
from .light import add_stamp, pixels_around, slope_plane, subpixels, summed_over_pixels

Profile = Callable[[np.ndarray, np.ndarray, float, float], np.ndarray]
"""Density of a star's light at dx_px, dy_px (they broadcast) from its middle x_px, y_px."""

FARTHEST_PX = 400.0  # no profile reaches farther: it would hold less than any noise
NEAR_PX = 20.0  # within it profiles have cores and rims that must be integrated over pixels
PROBED_PX = np.geomspace(0.5, FARTHEST_PX, 90)  # where profiles are asked how far they reach
PROBED_DEG = np.arange(0.0, 360.0, 1.0)  # spikes are narrow


# --- profiles ---------------------------------------------------------------------------


def radial(density: Callable[[np.ndarray], np.ndarray], reach_px: float) -> Profile:
    """A round profile.

    Parameters
    ----------
    density : callable
        Of the radius in pixels; any scale.
    reach_px : float
        Where it ends.

    Returns
    -------
    Profile
        Total 1.
    """
    radius = np.append(0.0, np.geomspace(0.01, reach_px, 1500))
    values = density(radius)
    values = values / np.trapezoid(2 * np.pi * radius * values, radius)

    def of_star(dx_px, dy_px, x_px, y_px):
        return np.interp(np.hypot(dx_px, dy_px), radius, values, right=0.0)

    return of_star


def moffat_profile(fwhm_px: float, beta: float) -> Profile:
    """Moffat 1969 (A&A 3, 455), cut at 40 widths."""
    alpha2 = fwhm_px**2 / 4 / (2 ** (1 / beta) - 1)
    return radial(lambda r: (1 + r**2 / alpha2) ** -beta, 40 * fwhm_px)


def two_gaussians(fwhm_px: float, share: float = 0.25, times: float = 2.5) -> Profile:
    """A Gaussian in a wider one, `times` as wide, that holds `share` of the light."""
    sigma = fwhm_px / 2.3548

    def density(r):
        core = np.exp(-0.5 * (r / sigma) ** 2)
        halo = np.exp(-0.5 * (r / (times * sigma)) ** 2) / times**2
        return (1 - share) * core + share * halo

    return radial(density, 8 * times * sigma)


def diffraction_core(fwhm_px: float, core_share: float = 0.6, times: float = 3.0) -> Profile:
    """An Airy pattern in a seeing halo (Moffat, beta 2.5) `times` as wide.

    The mean of a few wavelengths, as a broad filter has them, washes the outer rings out.
    """
    alpha2 = (times * fwhm_px) ** 2 / 4 / (2 ** (1 / 2.5) - 1)

    def density(r):
        core = np.mean([airy(r, fwhm_px * width) for width in (0.88, 0.96, 1.04, 1.12)], axis=0)
        halo = 1.5 / (np.pi * alpha2) * (1 + r**2 / alpha2) ** -2.5
        return core_share * core + (1 - core_share) * halo

    return radial(density, 30 * fwhm_px)


def airy(radius_px: np.ndarray, fwhm_px: float) -> np.ndarray:
    """Diffraction at a round aperture, total 1: (2 J1(v) / v)^2, half of its peak at v 1.6163."""
    v = np.maximum(3.2327 * radius_px / fwhm_px, 1e-6)
    return (2 * j1(v) / v) ** 2 * 3.2327**2 / (4 * np.pi * fwhm_px**2)


def doughnut(outer_px: float, inner: float = 0.4, edge_px: float = 0.8) -> Profile:
    """The ring of a mirror out of focus: outer radius, hole as a share of it, softness of rims."""

    def disc(r, rim):
        return 0.5 * erfc((r - rim) / (np.sqrt(2) * edge_px))

    return radial(
        lambda r: disc(r, outer_px) - disc(r, inner * outer_px), outer_px + 8 * edge_px
    )


def bloated(profile: Profile, share: float = 0.3, times: float = 2.5) -> Profile:
    """A share of the light out of focus, as a lens does to violet."""
    halo = stretched_profile(profile, (times, times))

    def of_star(*where):
        return (1 - share) * profile(*where) + share * halo(*where)

    return of_star


def trailed(profile: Profile, length_px: float, angle: float) -> Profile:
    """Drawn out into a line, as by poor guiding; angle in radians from the x axis."""
    steps = np.linspace(-0.5, 0.5, max(2, int(2 * length_px) + 1)) * length_px

    def of_star(dx_px, dy_px, x_px, y_px):
        along_x, along_y = steps * np.cos(angle), steps * np.sin(angle)
        parts = [
            profile(dx_px - ax, dy_px - ay, x_px, y_px)
            for ax, ay in zip(along_x, along_y, strict=True)
        ]
        return sum(parts) / len(steps)

    return of_star


def varying(
    profile: Profile,
    shape: tuple[int, int],
    *,
    growth: float = 0.0,
    stretch: float = 0.0,
    coma_px: float = 0.0,
    towards: float = np.pi / 4,
) -> Profile:
    """A profile that changes over the field.

    Parameters
    ----------
    profile : Profile
        As it is in the middle, or at the corner in focus.
    shape : (int, int)
        Height and width of the frame.
    growth : float
        Tilt: how much wider stars are at the corner farthest along `towards` than at the opposite.
    stretch : float
        How much longer than wide stars are in the corners, along the radius.
    coma_px : float
        How far a third of the light lies outwards in the corners.
    towards : float
        Direction of the tilt, radians from the x axis.

    Returns
    -------
    Profile
    """
    half = np.array([shape[1] - 1, shape[0] - 1]) / 2
    along = np.array([np.cos(towards), np.sin(towards)])
    farthest = np.abs(half) @ np.abs(along)

    def of_star(dx_px, dy_px, x_px, y_px):
        offset = np.array([x_px, y_px]) - half
        distance = np.hypot(offset[0], offset[1])
        from_centre = float(distance / np.hypot(half[0], half[1]))
        width = 1 + growth * (1 + offset @ along / farthest) / 2
        length = width * (1 + stretch * from_centre**2)
        there = with_tail(stretched_profile(profile, (length, width)), coma_px * from_centre)
        out, across = along_and_across(dx_px, dy_px, offset / max(float(distance), 1e-9))
        return there(out, across, x_px, y_px)

    return of_star


def along_and_across(dx_px, dy_px, direction: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Offsets in axes of which the first has a direction, given as a vector of length 1."""
    along = dx_px * direction[0] + dy_px * direction[1]
    across = dy_px * direction[0] - dx_px * direction[1]
    return along, across


def stretched_profile(profile: Profile, times: tuple[float, float]) -> Profile:
    """A profile so many times as long and as wide."""
    length, width = times

    def of_star(dx_px, dy_px, x_px, y_px):
        return profile(dx_px / length, dy_px / width, x_px, y_px) / (length * width)

    return of_star


def with_tail(profile: Profile, tail_px: float) -> Profile:
    """A third of the light blurred and shifted along dx; the middle of all light stays."""
    if tail_px == 0:
        return profile
    tail = stretched_profile(profile, (1 + tail_px / 6, 1 + tail_px / 6))

    def of_star(dx_px, dy_px, x_px, y_px):
        core = profile(dx_px + tail_px / 3, dy_px, x_px, y_px)
        return 2 / 3 * core + 1 / 3 * tail(dx_px - tail_px * 2 / 3, dy_px, x_px, y_px)

    return of_star


def spiked(
    profile: Profile,
    fwhm_px: float,
    *,
    share: float = 0.04,
    arms: int = 4,
    length_px: float = 25.0,
    angle: float = 0.3,
) -> Profile:
    """Diffraction spikes, as wide as the star, that fade over `length_px` (1/e) and hold `share`.

    Vanes make spikes longer in red than in blue: give each channel a length of its own.
    """
    directions = angle + 2 * np.pi * np.arange(arms) / arms

    def of_star(dx_px, dy_px, x_px, y_px):
        light = (1 - share) * profile(dx_px, dy_px, x_px, y_px)
        for turn in directions:
            along = dx_px * np.cos(turn) + dy_px * np.sin(turn)
            across = dy_px * np.cos(turn) - dx_px * np.sin(turn)
            light += share / arms * spike(along, across, fwhm_px, length_px)
        return light

    return of_star


def spike(
    along_px: np.ndarray, across_px: np.ndarray, fwhm_px: float, length_px: float
) -> np.ndarray:
    """One arm, total 1: a Gaussian across, fading exponentially along, nothing behind its star."""
    sigma = fwhm_px / 2.3548
    on = (along_px >= 0) & (np.abs(across_px) < 5 * sigma)
    light = np.zeros(on.shape)
    light[on] = np.exp(-0.5 * (across_px[on] / sigma) ** 2 - along_px[on] / length_px)
    return light / (np.sqrt(2 * np.pi) * sigma * length_px)


def draw_stars(
    image: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    flux: np.ndarray,
    profile: Profile,
    floor: float,
) -> None:
    """Add stars of any profile to an image, in place.

    Parameters
    ----------
    image : ndarray, (height, width)
        Changed in place.
    x_px, y_px, flux : ndarray, (stars,)
        Places, 0-based, and whole fluxes.
    profile : Profile
        At least 2 pixels wide: it is integrated over a pixel by 3 x 3 nodes.
    floor : float
        A star is drawn out to where it falls below this, in units of the image.
    """
    brightest = _envelope(profile, image.shape)
    for x, y, light in zip(x_px, y_px, flux, strict=True):
        seen = np.flatnonzero(light * brightest > floor)
        reach = PROBED_PX[min(seen[-1] + 1, len(PROBED_PX) - 1)] if len(seen) else 3.0
        rows, columns = _window_around(image, x, y, reach)
        if len(rows) and len(columns):
            _draw_star(image, x, y, light, profile, reach)


def _draw_star(image, x: float, y: float, light: float, profile: Profile, reach: float) -> None:
    """One star: integrated over pixels near its middle, taken at their centres farther out."""
    near_rows, near_columns = _window_around(image, x, y, min(reach, NEAR_PX))
    if reach > NEAR_PX:
        rows, columns = _window_around(image, x, y, reach)
        stamp = light * profile(columns - x, rows[:, None] - y, x, y)
        stamp[np.ix_(near_rows - rows[0], near_columns - columns[0])] = 0
        add_stamp(image, rows, columns, stamp.astype(image.dtype))
    if len(near_rows) and len(near_columns):
        dx_px = subpixels(near_columns) - x
        dy_px = subpixels(near_rows)[:, None] - y
        stamp = light * summed_over_pixels(profile(dx_px, dy_px, x, y))
        add_stamp(image, near_rows, near_columns, stamp.astype(image.dtype))


def _window_around(
    image: np.ndarray, x: float, y: float, reach: float
) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of an image around a place."""
    return pixels_around(y, reach, image.shape[0]), pixels_around(x, reach, image.shape[1])


def _envelope(profile: Profile, shape: tuple[int, int]) -> np.ndarray:
    """The most that a profile sends to each radius of PROBED_PX, in any direction, anywhere."""
    angles = np.radians(PROBED_DEG)[:, None]
    dx_px = PROBED_PX * np.cos(angles)
    dy_px = PROBED_PX * np.sin(angles)
    places = [(0.5, 0.5), (0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)]
    there = [profile(dx_px, dy_px, x * shape[1], y * shape[0]) for x, y in places]
    return np.max(there, axis=(0, 1))


# --- what acts on light -----------------------------------------------------------------


def softened(plane: np.ndarray, sigma_px: float) -> np.ndarray:
    """A channel out of focus: convolved with a Gaussian; 0 leaves it as it is."""
    return gaussian_filter(plane, sigma_px, mode="nearest") if sigma_px > 0 else plane


def flat_planes(
    shape: tuple[int, int], rng: np.random.Generator, vignetting: float, colour: float
) -> np.ndarray:
    """What a flat left uneven, (3, height, width), about 1, to multiply light with.

    Parameters
    ----------
    shape : (int, int)
        Height and width.
    rng : numpy.random.Generator
        Fixes the directions.
    vignetting : float
        Light that the corners lack, in all channels alike.
    colour : float
        By how much R/G and B/G each change from edge to edge.
    """
    x = np.linspace(-1, 1, shape[1])
    y = np.linspace(-1, 1, shape[0])[:, None]
    dark = 1 - vignetting * (x**2 + y**2) / 2
    angles = rng.uniform(0, 2 * np.pi, 2)
    red = dark * (1 + colour * slope_plane(shape, angles[0]))
    blue = dark * (1 + colour * slope_plane(shape, angles[1]))
    return np.stack([red, dark, blue]).astype(np.float32)


def add_reflections(
    image: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    flux: np.ndarray,
    *,
    share: float = 0.02,
    radius_px: float = 30.0,
    offset: float = 0.05,
) -> None:
    """Discs that bright stars throw by a filter or window, in place.

    Parameters
    ----------
    image : ndarray, (height, width)
        Changed in place.
    x_px, y_px, flux : ndarray, (stars,)
        Only give the bright ones: each costs its disc.
    share : float
        Of the star's light, in the disc.
    radius_px : float
        Of the disc; a third of it is the hole of the secondary mirror.
    offset : float
        How far the disc is thrown towards the middle, as a share of the star's distance from it.
    """
    level = share / (np.pi * radius_px**2 * (1 - 1 / 9))
    middle_x = image.shape[1] / 2
    middle_y = image.shape[0] / 2
    for x, y, light in zip(x_px, y_px, flux, strict=True):
        at_x = x + offset * (middle_x - x)
        at_y = y + offset * (middle_y - y)
        rows, columns = _window_around(image, at_x, at_y, radius_px + 2)
        if len(rows) and len(columns):
            ring = ring_disc(np.hypot(rows[:, None] - at_y, columns - at_x), radius_px)
            add_stamp(image, rows, columns, (light * level * ring).astype(image.dtype))


def ring_disc(distance_px: np.ndarray, radius_px: float) -> np.ndarray:
    """A disc with a hole of a third of its radius, as the secondary mirror leaves."""
    return disc(distance_px, radius_px) - disc(distance_px, radius_px / 3)


def disc(distance_px: np.ndarray, radius_px: float) -> np.ndarray:
    """Share of a pixel within a radius: 1 inside, 0 outside, half on the rim."""
    return np.clip(radius_px + 0.5 - distance_px, 0, 1)


def moved(
    x_px: np.ndarray,
    y_px: np.ndarray,
    shape: tuple[int, int],
    *,
    shift_px: tuple[float, float] = (0.0, 0.0),
    rotation_deg: float = 0.0,
    scale: float = 1.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Where stars of a channel fall that lies not on the others' grid; turned about the middle."""
    middle_x, middle_y = middle_px(shape)
    turn = scale * np.exp(1j * np.radians(rotation_deg))
    place = turn * (x_px - middle_x + 1j * (y_px - middle_y))
    return place.real + middle_x + shift_px[0], place.imag + middle_y + shift_px[1]


# --- what the sensor adds ---------------------------------------------------------------


def add_hot_pixels(
    pixels: np.ndarray, rng: np.random.Generator, share: float, level: float
) -> None:
    """Single bright pixels, each in one channel only, in place.

    Parameters
    ----------
    pixels : ndarray, (channels, height, width)
        Changed in place.
    rng : numpy.random.Generator
        Fixes them.
    share : float
        Of the pixels of each channel; a frame that was not dark-subtracted has 1e-4 to 3e-3.
    level : float
        Mean of their exponentially distributed brightness, in units of `pixels`.
    """
    for plane in pixels:
        count = rng.poisson(share * plane.size)
        where = rng.integers(plane.size, size=count)
        np.add.at(plane.reshape(-1), where, rng.exponential(level, count).astype(plane.dtype))


def add_hot_columns(
    pixels: np.ndarray, rng: np.random.Generator, count: int, level: float
) -> None:
    """Columns that glow from some row upwards, each in one channel, in place."""
    channels, height, width = pixels.shape
    for _ in range(count):
        start = rng.integers(height)
        pixels[rng.integers(channels), start:, rng.integers(width)] += rng.exponential(level)


def add_cosmic_rays(
    pixels: np.ndarray, rng: np.random.Generator, count: int, level: float
) -> None:
    """Sharp tracks of 1 to 15 pixels, each in one channel, in place; level: mean a pixel."""
    channels, height, width = pixels.shape
    for _ in range(count):
        x, y = track(rng, width, height)
        on = (x >= 0) & (x < width) & (y >= 0) & (y < height)
        light = rng.exponential(level, len(x)).astype(pixels.dtype)
        pixels[rng.integers(channels), y[on], x[on]] += light[on]


def track(rng: np.random.Generator, width: int, height: int) -> np.ndarray:
    """Pixels of a straight line from anywhere on a frame, (2, 1 to 15), columns first."""
    length = rng.integers(1, 16)
    angle = rng.uniform(0, 2 * np.pi)
    start = rng.uniform(0, (width, height))
    steps = np.outer([np.cos(angle), np.sin(angle)], np.arange(length))
    return np.rint(start[:, None] + steps).astype(int)


# --- what the file does -----------------------------------------------------------------


def bent(plane: np.ndarray, exponent: float) -> np.ndarray:
    """A channel that is not linear: levels 0 to 1 to a power; 1 leaves it as it is."""
    return np.maximum(plane, 0) ** np.asarray(exponent, plane.dtype)


def clipped(plane: np.ndarray, low: float, high: float) -> np.ndarray:
    """A channel cut below and above, as by a black or white point set too tightly."""
    return np.clip(plane, low, high)


def in_steps(pixels: np.ndarray, levels: int, white: float) -> np.ndarray:
    """Integers of `levels` steps between 0 and `white` (8 bits: 255), back to the scale of before.

    What lies beyond white is cut.
    """
    steps = np.rint(np.clip(pixels / white, 0, 1) * levels)
    return (steps * (white / levels)).astype(pixels.dtype)
