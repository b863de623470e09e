"""The tone curve of a stretched picture, from the shapes of its stars.

All stars have the same profile in light. A curve that makes the displayed profiles alike again is
the inverse of the stretch: ln x = p ln D - (A / q) ln(1 - q D), which covers linear data, gammas,
arcsinh-like and midtone curves; and a curve of more contrast (S) put on top of such a one.
"""

from dataclasses import KW_ONLY, dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..colour.stellar import srgb_decode, srgb_encode
from ..robust import scatter_about_zero

POWERS = (0.8, 1.0, 1.3, 1.7, 2.2, 3.0)
KNEES = (0.5, 0.8, 0.95, 0.985)
STRENGTHS = (0.0, 0.5, 1.0, 2.0, 3.5, 5.5, 8.0, 11.0)
CONTRASTS = (0.3, 0.6, 0.9)
PLAIN = (2.2, 0.5, 0.0)  # where too few stars tell: the display's own curve, nearly
FEWEST_CURVE_STARS = 12
MOST_CURVE_STARS = 80
LEAST_EXCESS_SIGMA = 5.0
LEAST_RINGS = 3  # star and ring means take two
GAMMA_COST = (
    0.25  # a pure power is not seen in profiles; without magnitudes the plainest is taken
)
RATIO_COST = 0.15
CONTRAST_COST = 0.003  # a little contrast is hardly seen in profiles either
TABLE = np.linspace(0, 1, 2048)
CURVE_ROUNDS = 6  # of the additive fit


@dataclass(frozen=True)
class ToneCurve:
    """From display values to light and back.

    Attributes
    ----------
    power, knee, strength : float
        p, q and A of the formula above.
    keeps_ratios : bool
        Stretched as a whole, channel ratios of the decoded values kept; else channel by channel.
    score : float
        How unlike the profiles still are; NaN where the curve was not fitted.
    contrast : float
        C of D = d + C d (1 - d) (2 d - 1), put on what the three make: darks darker, lights
        lighter.
    """

    power: float
    knee: float
    strength: float
    keeps_ratios: bool = False
    _: KW_ONLY
    score: float = np.nan
    contrast: float = 0.0

    @property
    def steepness(self) -> float:
        """d ln x / d ln D at D = 0.5: 1 for linear data, 1.4 and more for stretched."""
        plain = self.power + self.strength * 0.5 / (1 - 0.5 * self.knee)
        return plain / (1 + 0.5 * self.contrast)

    def light(self, display: NDArray) -> NDArray:
        """Light (3, ...) of display values (3, ...), 1 at white."""
        if not self.keeps_ratios:
            return self._bent(display)
        decoded = srgb_decode(display)
        mean = decoded.mean(axis=0)
        return decoded * (self._bent(srgb_encode(mean)) / np.maximum(mean, 1e-9))

    def display(self, light: NDArray) -> NDArray:
        """The inverse of `light`."""
        if not self.keeps_ratios:
            return self._unbent(light)
        mean = light.mean(axis=0)
        shown = srgb_decode(self._unbent(mean))
        return srgb_encode(light * (shown / np.maximum(mean, 1e-12)))

    def _bent(self, values: NDArray) -> NDArray:
        values = self._without_contrast(np.clip(values, 0, 1))
        grown = ((1 - self.knee) / (1 - self.knee * values)) ** (self.strength / self.knee)
        return values**self.power * grown

    def _without_contrast(self, values: NDArray) -> NDArray:
        if not self.contrast:
            return values
        raised = TABLE + self.contrast * TABLE * (1 - TABLE) * (2 * TABLE - 1)
        return np.interp(values, raised, TABLE)

    def _unbent(self, light: NDArray) -> NDArray:
        return np.interp(light, self._bent(TABLE), TABLE)


def fit_curve(
    rings: NDArray,
    ground: NDArray,
    sigma: float,
    half_px: float,
) -> ToneCurve:
    """Find the curve that makes the profiles of stars alike.

    Parameters
    ----------
    rings : ndarray, (n, 3, radii)
        Of clean stars: medians of rings a pixel wide.
    ground : ndarray, (n, 3)
        Display values under them.
    sigma : float
        Noise.
    half_px : float
        Of a typical star; rings out to three times that are looked at.
    """
    rings = rings[:, :, : round(3 * half_px) + 2]
    excess = rings - ground[:, :, None]
    seen = (excess > LEAST_EXCESS_SIGMA * sigma) & (rings < 0.985)
    # a star of one ring fits any curve
    tells = np.flatnonzero((seen.sum(axis=2) >= LEAST_RINGS).any(axis=1))
    if len(tells) < FEWEST_CURVE_STARS:
        return ToneCurve(*PLAIN)
    chosen = tells[:: max(1, len(tells) // MOST_CURVE_STARS)]
    rings, ground, seen = rings[chosen], ground[chosen], seen[chosen]
    best = _best_of(_curves_to_try(), rings, ground, seen)
    contrasted = [replace(best, contrast=contrast) for contrast in CONTRASTS]
    return min(
        best,
        _best_of(contrasted, rings, ground, seen),
        key=lambda curve: curve.score + CONTRAST_COST * curve.contrast,
    )


def _best_of(
    tried: list[ToneCurve], rings: NDArray, ground: NDArray, seen: NDArray
) -> ToneCurve:
    """The curve under which profiles are most alike."""
    scores = [_score(curve, rings, ground, seen) for curve in tried]
    best = int(np.argmin(scores))
    return replace(tried[best], score=float(scores[best]))


def _curves_to_try() -> list[ToneCurve]:
    """The grid; without strength the knee does not matter."""
    grid = product(POWERS, KNEES, STRENGTHS, (False, True))
    return [ToneCurve(*of_one) for of_one in grid if of_one[2] > 0 or of_one[1] == KNEES[0]]


def _score(
    curve: ToneCurve,
    rings: NDArray,
    ground: NDArray,
    seen: NDArray,
) -> float:
    """Unlikeness of the profiles, cost of the power, and unlikeness of colours within a star."""
    light = curve.light(rings.swapaxes(0, 1))
    below = curve.light(ground.T)
    excess = light - below[:, :, None]
    usable = seen.swapaxes(0, 1) & (excess > 0)
    level = np.log(np.where(usable, excess, 1.0))
    left, spread = _additive(level, usable)
    return (
        left / max(spread, 0.05)
        + GAMMA_COST * abs(np.log(curve.power))
        + RATIO_COST * _tint(level, usable)
    )


def _additive(level: NDArray, usable: NDArray) -> tuple[float, float]:
    """Scatter about a fit of star plus ring, and how far the stars spread, over all channels."""
    star, ring = _star_plus_ring(level, usable.astype(float))
    known = usable.sum(axis=2) >= LEAST_RINGS
    left = (level - star[:, :, None] - ring[:, None])[usable & known[:, :, None]]
    if not len(left) or not known.any():
        return 1.0, 1.0
    return float(scatter_about_zero(left)), float(np.std(star[known]))


def _star_plus_ring(level: NDArray, weight: NDArray) -> tuple[NDArray, NDArray]:
    """Means of stars (3, n) and of rings (3, radii), each of what the other leaves."""
    star = np.zeros(level.shape[:2])
    ring = np.zeros((level.shape[0], level.shape[2]))
    for _ in range(CURVE_ROUNDS):
        rest = (level - ring[:, None]) * weight
        star = rest.sum(axis=2) / np.maximum(weight.sum(axis=2), 1)
        rest = (level - star[:, :, None]) * weight
        ring = rest.sum(axis=1) / np.maximum(weight.sum(axis=1), 1)
    return star, ring


def _tint(level: NDArray, usable: NDArray) -> float:
    """Scatter of channel ratios from ring to ring of a star, over the size of these ratios."""
    both = usable[[0, 2]] & usable[1]
    ratio = np.where(both, level[[0, 2]] - level[1], np.nan)
    if not both.any():
        return 0.0
    count = np.maximum(both.sum(axis=2, keepdims=True), 1)
    middle = np.where(both, ratio, 0).sum(axis=2, keepdims=True) / count
    within = float(np.median(np.abs(ratio - middle)[both]))
    return within / max(float(np.median(np.abs(ratio)[both])), 0.02)
