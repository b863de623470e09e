"""The profile that the stars of a layer have, measured on the layer, for drawing them of another
size.

The model's own is good for what it was fitted to: its wings end where noise hides them, and stars
drawn smaller by it are discs with a rim. In the layer that light fades away.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..robust import weighted_median
from .light import StarModel
from .psf import Psf
from .warp import warped

STEPS_A_WIDTH = 12  # of the table, a FWHM
WIDEST_RING_SHARE = 0.35  # of a FWHM, between rings of the wings
RING_ANGLES = 16  # at which a core is averaged
BLUR_RINGS = 12  # of a Gaussian, each with the same share of it
BRIGHTEST_STARS = 60  # that tell the wings
LEAST_PIXELS = 8  # of a ring
# from how many widths on, and over how many rings, the core goes over into the wings
JOINED_FWHM, JOINED_RINGS = 1.9, 3
LEAST_SHARE_A_PIXEL = 1e-20


@dataclass(frozen=True, eq=False)
class OwnProfile:
    """Share of a star's light per pixel, by distance as in the middling star.

    Attributes
    ----------
    step_px : float
        Between distances.
    light : ndarray, (k,) float32
        From the star's middle outwards; 0 at the last.
    blurred_px : float
        By so much, sigma, the stars were made wider than they are in the layer.
    """

    step_px: float
    light: NDArray[np.float32]
    blurred_px: float = 0.0

    def mean_over_pixel(
        self, warp: NDArray, dx_px: NDArray, dy_px: NDArray, parts_px: NDArray
    ) -> NDArray[np.float32]:
        """Share of a star's light in pixels at offsets from that star, (k,): the mean over some
        parts of each, each way, for a narrow profile is not the same all over a pixel. ``warp`` is
        each pixel's star's, (k, 3)."""
        xx, xy, yy = warp.T / np.float32(self.step_px)
        u, v = xx * dx_px + xy * dy_px, xy * dx_px + yy * dy_px
        light = np.zeros(len(u), np.float32)
        for x in np.float32(parts_px):
            across, down = u + xx * x, v + xy * x
            for y in np.float32(parts_px):
                light += self._at_steps(across + xy * y, down + yy * y)
        shrunk = (xx * yy - xy * xy) * np.float32(self.step_px**2)
        return light * (shrunk / len(parts_px) ** 2)

    def _at_steps(self, u: NDArray, v: NDArray) -> NDArray[np.float32]:
        """Light at offsets counted in steps."""
        place = np.sqrt(u * u + v * v)
        np.minimum(place, np.float32(len(self.light) - 1.001), out=place)
        first = place.astype(np.intp)
        place -= first
        place *= self._rise.take(first)
        place += self.light.take(first)
        return place

    @cached_property
    def _rise(self) -> NDArray[np.float32]:
        """From each distance to the next."""
        return np.diff(self.light)

    def softened(self, sigma_px: float) -> "OwnProfile":
        """The profile of the same star behind a Gaussian blur."""
        reach = len(self.light) + int(4 * sigma_px / self.step_px)
        radius = np.arange(reach) * self.step_px
        share = (np.arange(BLUR_RINGS) + 0.5) / BLUR_RINGS
        away = sigma_px * np.sqrt(-2 * np.log(share))
        turn = np.linspace(0, 2 * np.pi, RING_ANGLES, endpoint=False)
        aside = np.outer(away, np.exp(1j * turn))
        distance = np.abs(radius + aside.reshape(-1, 1))
        own = radius[: len(self.light)]
        light = np.interp(distance, own, self.light, right=0).mean(axis=0)
        ended = np.append(light, 0).astype(np.float32)
        return OwnProfile(self.step_px, ended, sigma_px)


class Rings:
    """Light of the wings of a layer's brightest stars, gathered ring by ring.

    Parameters
    ----------
    model : StarModel
        Of the layer, with at least one profile.
    weight : ndarray, (n,)
        Each star's luminance.
    """

    def __init__(self, model: StarModel, weight: NDArray):
        self.model, self.weight = model, weight
        self.width_px = max(1.0, WIDEST_RING_SHARE * model.psf[1].fwhm_px)
        shining = np.where(model.reach_px > 0, weight, 0)
        faintest = np.sort(shining)[-BRIGHTEST_STARS:].min(initial=np.inf)
        self.tells = (shining > 0) & (shining >= faintest)
        self.rings: list[NDArray[np.intp]] = []
        self.light: list[NDArray[np.float64]] = []
        self.say: list[NDArray[np.float64]] = []

    def add(self, star: NDArray, x_px: NDArray, y_px: NDArray, light: NDArray) -> None:
        """Light of pixels (k,) that is a star's.

        Parameters
        ----------
        star : ndarray, (k,) int
        x_px, y_px, light : ndarray, (k,)
        """
        told = self.tells[star]
        star, light = star[told], light[told]
        dx, dy = x_px[told] - self.model.x_px[star], y_px[told] - self.model.y_px[star]
        u, v, shrunk = warped(dx, dy, self.model.warp[1][star])
        self.rings.append((np.hypot(u, v) / self.width_px).astype(np.intp))
        self.light.append(light / (self.weight[star] * shrunk))
        self.say.append(self.weight[star])

    def _medians(self) -> tuple[NDArray, NDArray]:
        """Middle of each ring that tells it, and the light there: neighbours do not raise it, and
        bright stars have the say."""
        ring, light, say = map(np.concatenate, (self.rings, self.light, self.say))
        order = np.argsort(ring, kind="stable")
        numbers, first, count = np.unique(ring[order], return_index=True, return_counts=True)
        told = count >= LEAST_PIXELS
        parts = [part for part in np.split(order, first[1:]) if len(part) >= LEAST_PIXELS]
        middle = (numbers[told] + 0.5) * self.width_px
        return middle, np.array([weighted_median(light[part], say[part]) for part in parts])

    def profile(self) -> OwnProfile:
        """The profile of all: the core as the model has it, the wings as in the layer."""
        psf = self.model.psf[1]
        step_px = psf.fwhm_px / STEPS_A_WIDTH
        middle, light = self._medians()
        farthest = middle[-1] if len(middle) else JOINED_FWHM * psf.fwhm_px
        radius = np.arange(0, farthest + 2 * self.width_px, step_px)
        core = np.log(_round_light(psf, radius))
        if len(middle):
            wing = np.log(np.maximum(np.minimum.accumulate(light), LEAST_SHARE_A_PIXEL))
            over = (radius - JOINED_FWHM * psf.fwhm_px) / (JOINED_RINGS * self.width_px)
            core += np.clip(over, 0, 1) * (np.interp(radius, middle, wing) - core)
        return OwnProfile(step_px, np.float32(np.append(np.exp(core), 0)))


def _round_light(psf: Psf, radius_px: NDArray) -> NDArray[np.float64]:
    """A profile's mean over all directions, by distance from its middle."""
    turn = np.linspace(0, 2 * np.pi, RING_ANGLES, endpoint=False)[:, None]
    x, y = psf.shift_px
    light = psf(
        np.float32(x + radius_px * np.cos(turn)), np.float32(y + radius_px * np.sin(turn))
    )
    return np.maximum(light.mean(axis=0, dtype=float), LEAST_SHARE_A_PIXEL)
