"""The three planes of one frame: whether they lie on one pixel grid, and brought onto it.

Where they nearly do, the centroids of the frame's own stars tell in each channel. Where these do
not agree, or tell of more than a pixel, every channel is searched for stars of its own, and brought
onto the grid of green.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..frame import Frame
from ..frame.regrid import regrid, source_positions
from ..robust import middle_px
from ..stars import Flag, in_channels, places_of
from ..stars.shapes import half_width, luminance_stamps, measure_shapes
from ..texts import counted, signed
from .channels import FEWEST_CHANNEL_PAIRS, ChannelStars, Registered, channel_stars, register
from .match import similarity

FRINGE_PX = 0.3  # more shows as coloured fringes
MEASURED_APART_PX = (
    1.0  # of planes that are measured as they lie: more, and they are registered before
)
CENTROIDS_TELL_PX = (
    0.6  # up to that the frame's own stars tell: a centroid is looked for a pixel round
)
BRIGHT_SNR = 20.0  # of stars whose centroids tell a tenth of a pixel, channel by channel
SEEN_SNR = 8.0  # of these, in one channel
MOST_CENTRED = 400
NOT_CENTRED = Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.SHAPE
ALIKE_PX = 0.5  # of centroids that have moved alike: stars of this brightness are known to 0.1
MOST_UNLIKE = 0.3  # of the stars: with more of them it is not one motion
PROBES = 5  # a side, at which two grids are compared
SURE_ERRORS = 4.0  # of a motion's own error; the largest of four corners is 2 by chance
BESIDE_GREEN = {"R": 0, "B": 2}


@dataclass(frozen=True, kw_only=True)
class Motion:
    """Where one channel lies beside green: what takes places in green to places in it.

    Attributes
    ----------
    channel : str
        "R" or "B".
    shift_px : tuple of float
        In the middle of the frame, x and y.
    rotation_deg : float
        Counter-clockwise, x to the right and y upwards.
    scale : float
        Times as large as in green.
    apart_px : float
        Where it is largest, at a corner.
    error_px : float
        Of that, 1 sigma, for stars all over the frame: those of the two shifts, the rotation and
        the scale add up at a corner to 8 times the variance of a star's place over their number.
    n_stars : int
        That tell it.
    """

    channel: str
    shift_px: tuple[float, float]
    rotation_deg: float
    scale: float
    apart_px: float
    error_px: float
    n_stars: int

    def surely(self, more_than_px: float) -> bool:
        """Whether the channel lies so far away, by more than its error."""
        return self.apart_px > max(more_than_px, SURE_ERRORS * self.error_px)

    def __str__(self) -> str:
        x, y = (signed(shift, 2) for shift in self.shift_px)
        larger = signed(100 * (self.scale - 1), 3)
        return (
            f"{self.channel} lies up to {self.apart_px:.2f} +- {self.error_px:.2f} px from G "
            f"(shift {x}, {y} px, rotation {signed(self.rotation_deg, 3)} deg, "
            f"scale {larger} %; {counted(self.n_stars, 'star')})"
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class ChannelGrid:
    """How the channels of a frame lie to each other.

    Attributes
    ----------
    motions : tuple of (Motion or None)
        Of R and of B against G, as they came; None where too few stars tell.
    brought : dict of str to Registered
        Channels that have to be brought onto the grid of G before anything is measured.
    """

    motions: tuple[Motion | None, Motion | None]
    brought: dict[str, Registered]

    @property
    def known(self) -> tuple[Motion, ...]:
        """The motions that are known."""
        return tuple(motion for motion in self.motions if motion is not None)

    def to_dict(self) -> dict:
        """For JSON; None where too few stars tell."""
        told: dict = {
            name: None if motion is None else dict(vars(motion))
            for name, motion in zip(BESIDE_GREEN, self.motions, strict=True)
        }
        return told | {"registered": list(self.brought)}

    @property
    def text(self) -> str:
        """How the channels lie, in words."""
        if not self.known:
            return f"not known: fewer than {FEWEST_CHANNEL_PAIRS} stars in common tell"
        told = ", ".join(map(str, self.known))
        unknown = set(BESIDE_GREEN) - {motion.channel for motion in self.known}
        return told + "".join(f", {name} not known" for name in sorted(unknown))

    @property
    def notes(self) -> tuple[str, ...]:
        """What is worth a word: channels that are apart, and what was done."""
        off = [motion for motion in self.known if motion.surely(FRINGE_PX)]
        left = [motion for motion in off if motion.channel not in self.brought]
        moved = [motion for motion in off if motion.channel in self.brought]
        notes = [f"{motion}: brought onto the pixel grid of G" for motion in moved]
        if left:
            notes.append(
                f"the channels are not on one pixel grid: {' and '.join(map(str, left))}; star "
                "colours are wrong by what falls out of the apertures: register the three again, "
                "as `starcal compose` does with their files"
            )
        return tuple(notes)

    def applied(self, frame: Frame) -> Frame:
        """The frame with its channels on one pixel grid; itself where they are.

        Parameters
        ----------
        frame : Frame
            As it came.

        Returns
        -------
        Frame
        """
        if not self.brought:
            return frame
        pixels = frame.pixels.copy()
        header = frame.header.copy()
        for name, told in self.brought.items():
            plane = frame.pixels[BESIDE_GREEN[name]][None]
            pixels[BESIDE_GREEN[name]] = regrid(plane, told.wcs, told.home, pixels.shape[1:])[0]
            header.add_history(f"starcal: {name} brought onto the pixel grid of G")
        return replace(frame, pixels=pixels, header=header)


def channel_grid(pixels: NDArray, stars: Table, *, move: bool = True) -> ChannelGrid:
    """Find how the channels of a frame lie to each other.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x), float32
    stars : Table
        Of `stars.measure_stars`.
    move : bool
        Whether channels that are more than a pixel apart are to be brought together.

    Returns
    -------
    ChannelGrid
    """
    finder = _Finder(pixels, stars)
    motions = [finder.motion(name) for name in BESIDE_GREEN]
    return ChannelGrid(
        motions=(motions[0], motions[1]),
        brought=finder.brought(motions) if move else {},
    )


class _Finder:
    """Looks at every channel only as closely as it needs."""

    def __init__(self, pixels: NDArray, stars: Table):
        self.pixels = pixels
        self.centroids = _bright_centroids(pixels, stars)
        self.found: dict[int, ChannelStars] = {}
        self.registered: dict[str, Registered] = {}

    def motion(self, name: str) -> Motion | None:
        """Of a channel, by the frame's stars, else by its own."""
        there = self.centroids[BESIDE_GREEN[name]]
        near = _of_centroids(name, self.centroids[1], there, self.pixels.shape[1:])
        if near is not None and near.apart_px <= CENTROIDS_TELL_PX:
            return near
        told = register(self._stars(BESIDE_GREEN[name]), self._stars(1), None, None)
        if told is None:
            return near
        self.registered[name] = told
        return _of_registered(name, told, self.pixels.shape[1:])

    def brought(self, motions: list[Motion | None]) -> dict[str, Registered]:
        """The channels that are surely more than a pixel apart."""
        return {
            motion.channel: self.registered[motion.channel]
            for motion in motions
            if motion is not None
            and motion.channel in self.registered
            and motion.surely(MEASURED_APART_PX)
        }

    def _stars(self, channel: int) -> ChannelStars:
        if channel not in self.found:
            self.found[channel] = channel_stars(self.pixels[channel])
        return self.found[channel]


def _bright_centroids(pixels: NDArray, stars: Table) -> list[NDArray]:
    """Where the brightest clean stars are in R, G, B, as complex numbers; NaN where one is not
    seen."""
    clean = np.flatnonzero((stars["flags"] & NOT_CENTRED == 0) & (stars["snr"] >= BRIGHT_SNR))
    rows = clean[np.argsort(-np.asarray(stars["snr"])[clean], kind="stable")][:MOST_CENTRED]
    x, y = places_of(stars)[rows].T
    seen = in_channels(stars) > SEEN_SNR * in_channels(stars, "flux_error")
    return [
        np.where(seen[channel, rows], _centroids(plane, stars, x, y), np.nan)
        for channel, plane in enumerate(pixels)
    ]


def _centroids(
    plane: NDArray,
    stars: Table,
    x: NDArray,
    y: NDArray,
) -> NDArray:
    """Where stars are in one channel, as complex numbers."""
    if not len(x):
        return np.empty(0, complex)
    fwhm_px = max(stars.meta["fwhm_px"])
    alone = np.broadcast_to(plane, (3, *plane.shape))  # what weighs channels finds all the same
    stamps = luminance_stamps(alone, stars.meta["noise"], x, y, half_width(fwhm_px))
    seen = measure_shapes(stamps, fwhm_px)
    return np.rint(x) + seen.dx_px + 1j * (np.rint(y) + seen.dy_px)


def _of_centroids(
    name: str, green: NDArray, there: NDArray, shape: tuple[int, int]
) -> Motion | None:
    """The one motion of all stars; None with too few, or where they have not moved as one."""
    known = np.isfinite(green) & np.isfinite(there)
    if known.sum() < FEWEST_CHANNEL_PAIRS:
        return None
    a, b = similarity(green[known], there[known])
    off_px = np.abs(a * green[known] + b - there[known])
    alike = off_px < ALIKE_PX
    if alike.mean() < 1 - MOST_UNLIKE:
        return None
    scatter_px = float(np.sqrt(np.mean(off_px[alike] ** 2) / 2))
    return _motion(name, a, b, shape, scatter_px, int(alike.sum()))


def _of_registered(name: str, told: Registered, shape: tuple[int, int]) -> Motion:
    """In numbers, what two WCS say."""
    place = _probes(shape)
    x, y = source_positions(told.wcs, told.home, place.real, place.imag)
    there = np.asarray(x) + 1j * np.asarray(y)
    good = np.isfinite(there)
    a, b = similarity(place[good], there[good])
    made = _motion(name, a, b, shape, told.scatter_px, told.n_pairs)
    return replace(made, apart_px=float(np.abs(there - place)[good].max()))


def _motion(
    name: str, a: complex, b: complex, shape: tuple[int, int], scatter_px: float, n_stars: int
) -> Motion:
    place = _probes(shape)
    middle = complex(*middle_px(shape))
    shift = a * middle + b - middle
    return Motion(
        channel=name,
        shift_px=(float(shift.real), float(shift.imag)),
        rotation_deg=float(np.degrees(np.angle(a))),
        scale=float(abs(a)),
        apart_px=float(np.abs(a * place + b - place).max()),
        error_px=float(scatter_px * np.sqrt(8 / n_stars)),
        n_stars=n_stars,
    )


def _probes(shape: tuple[int, int]) -> NDArray:
    """Places all over a frame, corners among them, as complex numbers."""
    y, x = np.meshgrid(
        np.linspace(0, shape[0] - 1, PROBES), np.linspace(0, shape[1] - 1, PROBES)
    )
    return (x + 1j * y).ravel()
