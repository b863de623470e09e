"""A frame in the tones of a picture that was made from it.

Curves, mixed channels and a lifted contrast move the rim of a nebula by half a pixel and more, all
round alike, which passes for a lens. They are taken out first: each channel of the picture is the
sum of one curve each of the frame's channels, their mean and what lies widely round a pixel (an
additive model: Hastie and Tibshirani 1986, Statistical Science 1, 297), fitted by least squares.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .features import features_library

GRAIN_PX, WIDE_PX = 1.0, 12.0  # taken out before the fit; reach of what lies round a pixel
# Knots of a curve: half of them where most pixels are, half spread evenly, so that the few bright
# ones have theirs. Edits of 8 pictures moved windows half as much as with quantiles alone.
KNOTS = 8
SAMPLED = 10_000  # pixels for 5 curves of 16 knots
LEAST_SAMPLED = 500  # fewer fix no curves
FIRMNESS = 1e-5  # of a knot that no pixel is near to, against all pixels: it stays at 0
CURVE_LEVELS = 4096  # of a curve where it is read off
EVEN_SCATTERS = 10.0  # so far from the middle tones begin to be drawn together


@dataclass(frozen=True, eq=False)
class _Curve:
    """One axis of the model.

    Attributes
    ----------
    knots : ndarray, (k,)
        Values of the axis, rising.
    heights : ndarray, (k, 3)
        What it adds to each channel of the picture there.
    """

    knots: NDArray[np.float64]
    heights: NDArray[np.float64]

    def of(self, axis: NDArray) -> NDArray[np.float32]:
        """What the axis adds to each channel, (3, y, x)."""
        low, high = self.knots[0], self.knots[-1]
        levels = np.linspace(low, high, CURVE_LEVELS)
        table = [np.interp(levels, self.knots, each) for each in self.heights.T]
        step = (CURVE_LEVELS - 1) / max(high - low, 1e-12)
        level = np.clip((axis - np.float32(low)) * np.float32(step), 0, CURVE_LEVELS - 1)
        level = level.astype(np.uint16)
        return np.array([each.astype(np.float32)[level] for each in table])


def evenly_toned(planes: NDArray) -> NDArray[np.float32]:
    """Planes whose bright end is drawn together, whether linear or stretched: curves have knots
    enough for it then.

    Parameters
    ----------
    planes : ndarray, (3, y, x) float32

    Returns
    -------
    ndarray, (3, y, x) float32
        Arcsinh of the distance from each plane's median, in scatters of the plane.
    """
    even = np.empty(planes.shape, np.float32)
    for plane, made in zip(planes, even, strict=True):
        sample = plane[::3, ::3]
        low, middle, high = np.quantile(sample, (0.25, 0.5, 0.75))
        spread = EVEN_SCATTERS * (high - low) or 0.1 * float(np.ptp(sample)) or 1.0
        np.arcsinh((plane - np.float32(middle)) / np.float32(spread), out=made)
    return even


def grainless(planes: NDArray) -> NDArray[np.float32]:
    """Planes without their grain.

    Parameters
    ----------
    planes : ndarray, (n, y, x) float32

    Returns
    -------
    ndarray, (n, y, x) float32
    """
    cv2 = features_library()
    return np.array([cv2.GaussianBlur(plane, (0, 0), GRAIN_PX) for plane in planes])


def toned(frame: NDArray, picture: NDArray, both: NDArray[np.bool_]) -> NDArray[np.float32]:
    """A frame in the tones of a picture.

    Parameters
    ----------
    frame : ndarray, (3, y, x) float32
        Carried to where the picture shows the same, to some pixels.
    picture : ndarray, (3, y, x) float32
        Without its grain.
    both : ndarray, (y, x) bool
        Where both hold data.

    Returns
    -------
    ndarray, (3, y, x) float32
        The frame itself where too few pixels tell its tones.
    """
    chosen = np.flatnonzero(both)
    if len(chosen) < LEAST_SAMPLED:
        return frame
    chosen = chosen[:: max(1, len(chosen) // SAMPLED)]
    sample = [axis.ravel()[chosen] for axis in _axes(grainless(frame))]
    curves = _fitted_curves(sample, np.stack([plane.ravel()[chosen] for plane in picture], 1))
    made = np.zeros(picture.shape, np.float32)
    for curve, axis in zip(curves, _axes(frame), strict=True):
        made += curve.of(axis)
    return made


def _axes(frame: NDArray) -> Iterator[NDArray[np.float32]]:
    """What the picture's tones may depend on, (y, x) each."""
    cv2 = features_library()
    mean = np.mean(frame, axis=0, dtype=np.float32)
    yield from frame
    yield mean
    yield cv2.GaussianBlur(mean, (0, 0), WIDE_PX)


def _fitted_curves(sample: list[NDArray], goal: NDArray) -> list[_Curve]:
    """Curves of axes (n,) whose sum is nearest to a goal, (n, 3)."""
    knots = [_bending_places(axis) for axis in sample]
    design = np.hstack([_hats(*pair) for pair in zip(sample, knots, strict=True)])
    normal = design.T @ design
    normal[np.diag_indices_from(normal)] += FIRMNESS * len(design)
    heights = np.linalg.solve(normal, design.T @ (goal - goal.mean(axis=0)))
    ends = np.cumsum([len(each) for each in knots])[:-1]
    parts = np.split(heights, ends)
    return [_Curve(*pair) for pair in zip(knots, parts, strict=True)]


def _bending_places(axis: NDArray) -> NDArray[np.float64]:
    """Where a curve may bend."""
    spread = np.quantile(axis, np.linspace(0, 1, KNOTS))
    return np.unique(np.concatenate([spread, np.linspace(spread[0], spread[-1], KNOTS)]))


def _hats(axis: NDArray, knots: NDArray) -> NDArray[np.float64]:
    """The share that each knot has in values, (n, k): 1 at itself, 0 from its neighbours on."""
    if len(knots) < 2:
        return np.ones((len(axis), len(knots)))
    place = np.interp(axis, knots, np.arange(len(knots)))
    below = np.minimum(place.astype(np.intp), len(knots) - 2)
    rows = np.arange(len(axis))
    share = np.zeros((len(axis), len(knots)))
    share[rows, below] = 1 - (place - below)
    share[rows, below + 1] = place - below
    return share
