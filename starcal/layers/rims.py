"""What clipped stars show of the profile: the pixels round their full cores.

They are brighter there than any unclipped star by so much that the profile's outskirts, where the
others show little more than noise, are told to a few per cent by a few of them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..robust import scatter_about_zero
from .light import Channel, StarModel, star_light
from .stamps import disc_offsets, stamps_at, values_at
from .warp import longest, warped

OWN_ERROR = 0.01  # share of its own light that a pixel may be wrong by
MOST_RIMS = 40  # stars, the brightest
OUTER_SHARE = 0.8  # of the radius: what is left from there on tells how flat the ground is


@dataclass(frozen=True, eq=False, kw_only=True)
class Rims:
    """Pixels of n clipped stars, (n, P), without the light of all others.

    Attributes
    ----------
    values : ndarray, (n, P)
        Above the flat ground.
    u, v, shrunk : ndarray, (n, P)
        Where the pixels are in the middling star's profile; see `warp`.
    inside : ndarray of bool, (n, P)
        Which of them tell.
    flux, noise, electrons_per_unit : ndarray, (n, 1), float, float
        Light of each star, in units of the profile before its scale; of the channel.
    """

    values: NDArray
    u: NDArray
    v: NDArray
    shrunk: NDArray
    inside: NDArray[np.bool_]
    flux: NDArray
    noise: float
    electrons_per_unit: float

    def less(self, expected: NDArray) -> tuple[NDArray, NDArray]:
        """What is left of each pixel without the expected profile, and its error, both for a star
        of unit flux.

        Parameters
        ----------
        expected : ndarray, (n, P)

        Returns
        -------
        residual, error : ndarray, (n, P)
        """
        left = self.values - self.flux * expected
        photons = np.maximum(self.flux * expected, 0) / self.electrons_per_unit
        variance = self.noise**2 + self._uneven(left) ** 2 + photons
        error = np.hypot(np.sqrt(variance) / self.flux, OWN_ERROR * expected)
        return left / self.flux, np.where(self.inside, error, np.inf)

    def _uneven(self, left: NDArray) -> NDArray:
        """By how much the ground of each star is not flat, (n, 1): nebula is wrong by the same sign
        over many pixels."""
        radius = np.hypot(self.u, self.v)
        outer = self.inside & (radius > OUTER_SHARE * radius.max(where=self.inside, initial=0))
        apart = np.zeros((len(left), 1))  # a star may have no clear pixel within reach
        for i in np.flatnonzero(outer.any(axis=1)):
            apart[i] = scatter_about_zero(left[i, outer[i]])
        return np.nan_to_num(apart)


def rims_of(
    model: StarModel, channel: Channel, plane: NDArray, clear_px: NDArray, reach_fwhm: float
) -> Rims | None:
    """The rims of a channel's clipped stars.

    Parameters
    ----------
    model : StarModel
    channel : Channel
    plane : ndarray, (y, x)
        The channel with its ground made flat, NaN where it is clipped.
    clear_px : ndarray, (n,)
        Radius beyond which each star has no clipped pixel; 0 for unclipped ones.
    reach_fwhm : float
        Radius of the pixels, in widths of the profile.

    Returns
    -------
    Rims or None
        None where no star is clipped.
    """
    flux = model.flux[channel.index]
    clipped = np.flatnonzero((clear_px > 0) & (flux > 0) & (model.reach_px > 0))
    rows = clipped[np.argsort(flux[clipped])[::-1]][:MOST_RIMS]
    if len(rows) == 0:
        return None
    psf, warp = model.psf[channel.index], model.warp[channel.index][rows]
    reach_px = reach_fwhm * psf.fwhm_px
    offsets = disc_offsets(reach_px * float(longest(warp).max()))
    values, dx, dy = stamps_at(plane, model.x_px[rows], model.y_px[rows], offsets)
    u, v, shrunk = warped(dx - psf.shift_px[0], dy - psf.shift_px[1], warp[:, None, :])
    own = flux[rows, None] * psf(dx, dy, warp[:, None, :])
    alone = values - channel.sky - (_light_beside(model, channel, rows, offsets) - own)
    return Rims(
        values=np.nan_to_num(alone).astype(float),
        u=u,
        v=v,
        shrunk=np.broadcast_to(shrunk, u.shape).astype(float),
        inside=np.isfinite(alone) & (np.hypot(u, v) <= reach_px),
        flux=flux[rows, None] * psf.scale,
        noise=channel.noise,
        electrons_per_unit=channel.electrons_per_unit,
    )


def _light_beside(model: StarModel, channel: Channel, rows: NDArray, offsets) -> NDArray:
    """Light of all stars in the pixels round some of them, (n, P)."""
    across, down = offsets
    half = int(np.abs(across).max())
    result = np.zeros((len(rows), len(across)))
    for k, star in enumerate(rows):
        column = round(float(model.x_px[star]))
        row = round(float(model.y_px[star]))
        window = (_pixels_about(row, half), _pixels_about(column, half))
        light, _ = star_light(model, [channel], window)
        at = across + column - window[1].start, down + row - window[0].start
        result[k] = values_at(light[0], *at)
    return result


def _pixels_about(middle: int, half: int) -> slice:
    """Pixels about one, from the frame's first on."""
    return slice(max(middle - half, 0), max(middle + half + 1, 0))
