"""How much light a star would have at places beside another, by what the other's profile leaves."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..cores import done_in_threads
from .fluxes import FIT_FWHM, variance_of
from .light import CLIPPED_SHARE, Channel
from .psf import Psf
from .stamps import disc_offsets, stamps_at
from .warp import longest

STARS_AT_ONCE = 100  # to bound memory


@dataclass(frozen=True, eq=False, kw_only=True)
class FittedChannel:
    """A channel and the stars that were fitted on it, n.

    Attributes
    ----------
    channel : Channel
    psf : Psf
    warp : ndarray, (n, 3)
    x_px, y_px, flux : ndarray, (n,)
    """

    channel: Channel
    psf: Psf
    warp: NDArray[np.float32]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    flux: NDArray[np.float64]


def second_light(
    fitted: FittedChannel,
    rows: NDArray[np.int_],
    grid: NDArray[np.int_],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Light of a star at each place of a grid beside each of some stars, and its error.

    The first star is free to move and to have other light, and its sky to slope and to bend.

    Parameters
    ----------
    fitted : FittedChannel
    rows : ndarray, (k,)
        Which stars.
    grid : ndarray of int, (2, g)
        Whole pixels in x and in y from each of them.

    Returns
    -------
    light, error : ndarray, (k, g)
        Full scale times pixels.
    """
    light = np.zeros((len(rows), grid.shape[1]))
    error = np.zeros_like(light)

    def tell(start):
        some = slice(start, start + STARS_AT_ONCE)
        light[some], error[some] = _of_some(fitted, rows[some], grid)

    done_in_threads(tell, range(0, len(rows), STARS_AT_ONCE))
    return light, error


def _of_some(fitted: FittedChannel, rows, grid):
    """See `second_light`."""
    stamps = _LeftOnStamps.cut(fitted, rows)
    profiles = _Profiles.about(fitted, rows, stamps, grid)
    known = _free_to_be(stamps, profiles)
    left = (stamps.left * stamps.root)[:, :, None]
    left = left - known @ (np.swapaxes(known, 1, 2) @ left)
    beside = profiles.from_star(*grid) * stamps.root[:, None, :]
    own = np.sum(beside**2, axis=2)
    like_known = np.sum((beside @ known) ** 2, axis=2)
    strength = np.maximum(own - like_known, 1e-30)
    return (beside @ left)[:, :, 0] / strength, strength**-0.5


@dataclass(frozen=True, eq=False, kw_only=True)
class _LeftOnStamps:
    """Pixels round k stars: what all stars' light leaves of them, one over their errors, both
    (k, P); their offsets from the star, (k, P), and in whole pixels, (P,)."""

    left: NDArray[np.float32]
    root: NDArray[np.float32]
    dx: NDArray[np.float32]
    dy: NDArray[np.float32]
    offsets: tuple[NDArray, NDArray]

    @classmethod
    def cut(cls, fitted: FittedChannel, rows) -> "_LeftOnStamps":
        """Of some of the stars of a channel."""
        channel = fitted.channel
        widest = float(longest(fitted.warp).max(initial=1.0))
        offsets = disc_offsets(FIT_FWHM * fitted.psf.fwhm_px * widest)
        at = fitted.x_px[rows], fitted.y_px[rows]
        values, dx, dy = stamps_at(channel.plane, *at, offsets)
        light = light_of_all(fitted, rows, dx, dy)
        shown = np.maximum(light, 0)
        variance = variance_of(channel.noise, shown / channel.electrons_per_unit, shown)
        usable = np.isfinite(values) & ~(values >= CLIPPED_SHARE * channel.clip_level)
        root = np.where(usable, variance**-0.5, 0).astype(np.float32)
        left = np.nan_to_num(values - light)
        return cls(
            left=left,
            root=root,
            dx=dx,
            dy=dy,
            offsets=offsets,
        )


def light_of_all(fitted: FittedChannel, rows, dx, dy) -> NDArray[np.float32]:
    """Light of all stars on the pixels round some of them, (k, P)."""
    places = np.column_stack([fitted.x_px, fitted.y_px])
    reach_px = 2 * float(np.hypot(dx, dy).max(initial=0))
    near = cKDTree(places).query_ball_point(places[rows], reach_px)
    patch = np.repeat(np.arange(len(rows)), [len(these) for these in near])
    star = np.concatenate(near).astype(int)
    away = (places[rows[patch]] - places[star]).astype(np.float32)
    at = dx[patch] + away[:, :1], dy[patch] + away[:, 1:]
    profile = fitted.psf(*at, fitted.warp[star][:, None, :])
    light = np.zeros_like(dx)
    np.add.at(light, patch, fitted.flux[star].astype(np.float32)[:, None] * profile)
    return light


@dataclass(frozen=True, eq=False, kw_only=True)
class _Profiles:
    """Profiles of some stars on squares of pixels, (k, side, side); stamps of stars that lie whole
    pixels beside them are parts of these."""

    light: NDArray[np.float32]
    rows: NDArray[np.int_]
    columns: NDArray[np.int_]

    @classmethod
    def about(cls, fitted: FittedChannel, rows, stamps: _LeftOnStamps, grid) -> "_Profiles":
        """From the stars' stamps, and the places that are looked at."""
        across, down = stamps.offsets
        half = int(max(np.abs(across).max(), 1) + np.abs(grid).max())
        steps = np.arange(-half, half + 1, dtype=np.float32)
        # how far each star lies off the middle of its pixel
        off_x = stamps.dx[:, :1] - np.float32(across[0])
        off_y = stamps.dy[:, :1] - np.float32(down[0])
        dx = (steps + off_x)[:, None, :]
        dy = (steps + off_y)[:, :, None]
        light = fitted.psf(*np.broadcast_arrays(dx, dy), fitted.warp[rows][:, None, None, :])
        return cls(
            light=light,
            rows=down + half,
            columns=across + half,
        )

    def from_star(self, x, y) -> NDArray[np.float32]:
        """The stamps of stars so many pixels from these, (k, ..., P) for x and y of (...)."""
        row = self.rows - np.expand_dims(y, -1)
        column = self.columns - np.expand_dims(x, -1)
        count, side, _ = self.light.shape
        return np.take(self.light.reshape(count, -1), side * row + column, axis=1)


def _free_to_be(stamps: _LeftOnStamps, profiles: _Profiles) -> NDArray[np.float32]:
    """What the first stars and their skies may be other than fitted, in units of the pixels'
    errors, orthonormal: (k, P, 9)."""
    dx = stamps.dx
    dy = stamps.dy
    parts = [
        np.ones_like(dx),
        dx,
        dy,
        dx**2,
        dx * dy,
        dy**2,
        profiles.from_star(0, 0),
        profiles.from_star(1, 0) - profiles.from_star(-1, 0),
        profiles.from_star(0, 1) - profiles.from_star(0, -1),
    ]
    scaled = np.stack(parts, axis=2) * stamps.root[:, :, None]
    return np.linalg.qr(scaled)[0]
