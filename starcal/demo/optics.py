"""Frames whose bright stars show what a telescope adds to them: spikes, reflections, full pixels.

Everything that belongs to a star and is not its profile is kept apart (`Optics.flares`), so that
what a split leaves of it can be counted. The `nasty` kinds are what no simple form describes: arms
that are unequal, bent, jagged and doubled, longer in red than in blue; discs with a hole, cut by a
second circle, of another radius in each channel, whose middle moves over the frame.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from .faults import disc, draw_stars, moffat_profile, ring_disc, spike, stretched_profile
from .light import background
from .setup import Setup

FULL_ELECTRONS, SKY_ELECTRONS, READ_ELECTRONS = 1e6, 4e3, 20.0
SKY_NOISE = float(np.sqrt(SKY_ELECTRONS + READ_ELECTRONS**2))
GAINS = (1.0, 0.25, 0.71)  # by which the channels are scaled for the nebula
WAVELENGTHS = (1.02, 1.0, 0.76)  # S II, H-alpha, O III against H-alpha: arms are as long
BRIGHT = 1.5e6  # electrons: fainter stars show neither arms nor discs
BRIGHTEST = (6.0e6, 1.2e8)  # electrons of the stars that are set by hand
FAINTEST_ELECTRONS = 2.5e4
DISC_PX, DISC_OFF_PX = 28.0, 1.4  # radius, and how far to the right of its star
SPIKE_SHARE, DISC_SHARE = 0.05, 0.03  # of a star's light


@dataclass(frozen=True, eq=False, kw_only=True)
class Optics:
    """A frame and what is true of it, in units of full scale.

    Attributes
    ----------
    pixels : ndarray, (3, y, x) float32
    empty : ndarray, (3, y, x) float32
        Sky and nebula without noise.
    flares : ndarray, (3, y, x) float32
        Light of spikes and discs.
    x_px, y_px : ndarray, (n,)
    flux : ndarray, (3, n)
        Of the profiles alone.
    noise : ndarray, (3,)
        Standard deviation of a pixel of sky.
    full : ndarray, (3, y, x) bool
        Pixels that are clipped, or bloomed into.
    """

    pixels: np.ndarray = field(repr=False)
    empty: np.ndarray = field(repr=False)
    flares: np.ndarray = field(repr=False)
    x_px: np.ndarray = field(repr=False)
    y_px: np.ndarray = field(repr=False)
    flux: np.ndarray = field(repr=False)
    noise: np.ndarray
    full: np.ndarray = field(repr=False)


def make_optics(
    seed: int,
    *,
    shape: tuple[int, int] = (520, 720),
    count: int = 350,
    bright: int = 12,
    spikes: str = "none",
    arms: int = 4,
    discs: str = "none",
    bloom: bool = False,
    growth: float = 0.0,
    axis_ratio: float = 1.0,
    halo: float = 0.0,
    fwhm_px: float = 2.7,
    nebula_electrons: float = 2e4,
) -> Optics:
    """Make a frame.

    Parameters
    ----------
    seed : int
    shape : (int, int)
        Height and width.
    count, bright : int
        Stars, and how many of them are very bright.
    spikes, discs : str
        ``none``, ``even`` (the simple form) or ``nasty``.
    arms : int
        Of each bright star.
    bloom : bool
        Whether full pixels run over along their columns.
    growth : float
        Of the FWHM towards the far corner.
    axis_ratio : float
        Of all stars: trails.
    halo : float
        Share of the light in a profile 2.5 times as wide.
    fwhm_px, nebula_electrons : float

    Returns
    -------
    Optics
    """
    rng, of_nebula, of_noise = np.random.default_rng(seed).spawn(3)
    setup = Setup(
        seed=seed,
        shape=shape,
        system="SHO",
        fwhm_px=fwhm_px,
        sky_electrons=SKY_ELECTRONS,
        nebula_electrons=nebula_electrons,
        full_well_electrons=FULL_ELECTRONS,
    )
    empty = background(setup, of_nebula)
    stars = _star_places(rng, shape, count, bright)
    flares = np.zeros((3, *shape), np.float32)
    if spikes != "none":
        _add_spikes(flares, rng, stars, fwhm_px, arms, spikes == "nasty")
    if discs != "none":
        _add_discs(flares, stars, discs == "nasty")
    planes = empty + flares
    profile = _profile(shape, fwhm_px, growth, axis_ratio, halo)
    for plane, light in zip(planes, stars[2], strict=True):
        draw_stars(plane, stars[0], stars[1], light, profile, floor=SKY_NOISE / 200)
    pixels, full = _exposed(planes, of_noise, bloom)
    return _as_optics(pixels, full, empty, flares, stars)


def _exposed(
    planes,
    rng,
    bloom,
):
    """Planes with noise, clipped at the full well, and which pixels are full."""
    full = planes >= FULL_ELECTRONS
    if bloom:
        planes = np.stack([bloomed(plane, FULL_ELECTRONS) for plane in planes])
        full |= planes >= FULL_ELECTRONS
    sigma = np.sqrt(np.maximum(planes, 0) + READ_ELECTRONS**2)
    planes = planes + sigma * rng.standard_normal(planes.shape)
    planes[full] = FULL_ELECTRONS
    return np.clip(planes, 0, FULL_ELECTRONS), full


def _as_optics(
    pixels,
    full,
    empty,
    flares,
    stars,
) -> Optics:
    """The frame and its truth in units of full scale, channels scaled."""
    scale = np.array(GAINS)[:, None, None] / FULL_ELECTRONS
    return Optics(
        pixels=(pixels * scale).astype(np.float32),
        empty=(empty * scale).astype(np.float32),
        flares=(flares * scale).astype(np.float32),
        x_px=stars[0],
        y_px=stars[1],
        flux=stars[2] * scale[:, 0],
        noise=SKY_NOISE * scale[:, 0, 0],
        full=full,
    )


def _star_places(
    rng,
    shape,
    count,
    bright,
):
    """Places and electrons in each channel; the bright ones first and away from the edges."""
    x_px = rng.uniform(4, shape[1] - 4, count)
    y_px = rng.uniform(4, shape[0] - 4, count)
    x_px[:bright] = rng.uniform(25, shape[1] - 25, bright)
    y_px[:bright] = rng.uniform(25, shape[0] - 25, bright)
    light = np.minimum(FAINTEST_ELECTRONS * rng.uniform(0, 1, count) ** -1.1, BRIGHTEST[0])
    light[:bright] = np.exp(rng.uniform(*np.log(BRIGHTEST), bright))
    redness = rng.normal(0, 0.15, count)
    return x_px, y_px, light * np.exp(np.outer([1.0, 0.8, -1.0], redness))


def _profile(
    shape,
    fwhm_px,
    growth,
    axis_ratio,
    halo,
) -> Callable:
    """The profile of all stars: a Moffat one, drawn out, wider towards the far corner."""
    core = moffat_profile(fwhm_px, 3.0)
    wide = moffat_profile(2.5 * fwhm_px, 3.0)
    corner = float(np.hypot(*shape))

    def round_star(*where):
        return (1 - halo) * core(*where) + halo * wide(*where)

    def of_star(
        dx_px,
        dy_px,
        x_px,
        y_px,
    ):
        times = 1 + growth * (np.hypot(x_px, y_px) / corner) ** 2
        long = times / np.sqrt(axis_ratio)
        drawn_out = stretched_profile(round_star, (long, times * np.sqrt(axis_ratio)))
        along = np.cos(0.6) * dx_px + np.sin(0.6) * dy_px
        across = np.cos(0.6) * dy_px - np.sin(0.6) * dx_px
        return drawn_out(along, across, x_px, y_px)

    return of_star


def _add_spikes(
    flares,
    rng,
    stars,
    fwhm_px,
    arms,
    nasty,
) -> None:
    """Arms of the bright stars, in place."""
    strength = rng.uniform(0.6, 1.5, arms) if nasty else np.ones(arms)
    bend = rng.uniform(-1, 1, arms) * 6e-4 if nasty else np.zeros(arms)
    turns = rng.uniform(0, np.pi) + 2 * np.pi * np.arange(arms) / arms
    length_px = rng.uniform(18, 30) * (np.array(WAVELENGTHS) if nasty else np.ones(3))
    for channel, light, length, dx, dy in _bright_ones(stars, length_px, flares.shape[1:]):
        for turn, share, curve in zip(turns, strength / arms, bend, strict=True):
            along = np.cos(turn) * dx + np.sin(turn) * dy
            across = np.cos(turn) * dy - np.sin(turn) * dx + curve * along**2
            arm = _arm(along, across, fwhm_px, length, nasty)
            flares[channel] += light * SPIKE_SHARE * share * arm


def _bright_ones(
    stars,
    of_channel,
    shape,
):
    """Channel, electrons, a number of the channel's, and offsets of all pixels of each bright
    star."""
    rows, columns = np.indices(shape)
    for channel, number in enumerate(of_channel):
        for x, y, light in zip(stars[0], stars[1], stars[2][channel], strict=True):
            if light >= BRIGHT:
                yield channel, light, number, columns - x, rows - y


def _arm(
    along,
    across,
    fwhm_px,
    length_px,
    nasty,
):
    """Light of one arm; a nasty one is two at a small angle, with knots along them."""
    if not nasty:
        return spike(along, across, fwhm_px, length_px)
    apart = 0.012 * along
    both = spike(along, across - apart, fwhm_px, length_px)
    both = both + spike(along, across + apart, fwhm_px, length_px)
    return both / 2 * (1 + 0.35 * np.cos(2 * np.pi * along / (0.3 * length_px)))


def _add_discs(
    flares,
    stars,
    nasty,
) -> None:
    """Discs of the bright stars, in place."""
    height, width = flares.shape[1:]
    radii = DISC_PX * (1 + 0.12 * np.array([1, 0, -1])) if nasty else np.full(3, DISC_PX)
    rows, columns = np.indices((height, width))
    for channel, light, radius, dx, dy in _bright_ones(stars, radii, (height, width)):
        dx = dx - DISC_OFF_PX
        shape = disc(np.hypot(dx, dy), radius)
        if nasty:
            dx = dx - 0.012 * (columns - dx - DISC_OFF_PX - width / 2)
            dy = dy - 0.012 * (rows - dy - height / 2)
            shape = ring_disc(np.hypot(dx, dy), radius) * disc(np.hypot(dx + 12, dy - 8), 32.0)
        flares[channel] += light * DISC_SHARE / (np.pi * radius**2) * shape


def bloomed(plane: np.ndarray, full: float) -> np.ndarray:
    """Charge above the full well run over into the neighbours in its column, half up, half down."""
    result = np.minimum(plane, full)
    for column in np.flatnonzero((plane > full).any(axis=0)):
        over = np.maximum(plane[:, column] - full, 0) / 2
        for order in (slice(None), slice(None, None, -1)):
            line = result[order, column]
            carried = 0.0
            for row, excess in enumerate(over[order]):
                carried += excess
                room = full - line[row]
                taken = min(carried, room)
                line[row] += taken
                carried -= taken
    return result
