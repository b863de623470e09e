"""How the ratios of a frame's channels change from side to side, as they do where flats are uneven,
each channel in its own way.

A plane for each ratio, by all stars that tell one: what a star's ratio is off by against what its
catalogue entry and its field call for. Stars without an entry tell it too, but for what the field
itself may be redder on one side; that is a plane of their B-V, unknown as well.
"""

from dataclasses import dataclass

import numpy as np

from .posterior import Evidence, FrameFit, without_ratios
from .relations import GRID_BV_MAG

# Of a ratio from edge to edge: how large slants may be, and how often. Half of all frames are as
# flat as can be told; vignetting, gradients and panels of flats leave up to a fifth.
USUAL_SLANTS_MAG = np.array([0.003, 0.03, 0.08, 0.2])
USUAL_SHARES = np.array([0.5, 0.2, 0.15, 0.15])
OFFSET_MAG = 0.3  # of what the zero points, and the field's mean, may be off by
FIELD_SLANT_MAG = 0.1  # of the mean B-V of a field's stars from edge to edge: dust, clusters
# Student's t: stars far off count less, and their weights settle in a few rounds
T_DEGREES, WEIGHT_ROUNDS = 4.0, 4
FEWEST_FOR_SLANTS = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class Slants:
    """Planes of the ratios of channels.

    Attributes
    ----------
    slope_mag : ndarray, shape (ratios, 2)
        Of each ratio from edge to edge, along x and along y.
    covariance_mag2 : ndarray, shape (ratios, 2, 2)
        Of the two slopes of each.
    """

    slope_mag: np.ndarray
    covariance_mag2: np.ndarray

    def at(self, place: np.ndarray) -> np.ndarray:
        """What each ratio has more than in the middle at some places, (ratios, n)."""
        return self.slope_mag @ place

    def error_at(self, place: np.ndarray) -> np.ndarray:
        """The error of that, (ratios, n)."""
        return np.sqrt(np.einsum("xn,cxy,yn->cn", place, self.covariance_mag2, place))

    @property
    def largest_mag(self) -> float:
        """The steepest slope that its error does not explain; 0 where there is none."""
        steep = np.hypot(*self.slope_mag.T)
        error = np.sqrt(np.trace(self.covariance_mag2, axis1=1, axis2=2))
        return float(np.max(steep * (steep > 2 * error), initial=0.0))


def slants_of(frame: FrameFit, stars: Evidence, place: np.ndarray) -> Slants | None:
    """Planes of a frame's ratios, drawn to nothing as far as stars leave them open.

    Parameters
    ----------
    frame : FrameFit
        Fitted without them.
    stars : Evidence
        Stars of clean light.
    place : ndarray, shape (2, n)
        Of the stars along x and y, -0.5 to 0.5 from edge to edge; NaN where it is not known.

    Returns
    -------
    Slants or None
        None with fewer than 8 stars.
    """
    told = np.isfinite(stars.ratio_mag).all(axis=0) & np.isfinite(place).all(axis=0)
    if np.count_nonzero(told) < FEWEST_FOR_SLANTS:
        return None
    off = _misses_of(frame, stars.rows(told), place[:, told])
    weight = np.ones(len(off.left))
    for _ in range(WEIGHT_ROUNDS):
        solved = _slants_averaged(off, weight)
        weight = _robust_weights(off, solved[0])
    return _as_slants(*solved, off.left.shape[1])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Misses:
    """What n stars' ratios are off by, (n, ratios), its inverse covariance (n, ratios, ratios), and
    what each unknown does to it, (n, ratios, unknowns); the slopes are the first unknowns, the
    others have errors of their own."""

    left: np.ndarray
    inverse: np.ndarray
    design: np.ndarray
    other_errors: np.ndarray


def _misses_of(frame: FrameFit, stars: Evidence, place: np.ndarray) -> _Misses:
    """The same from stars at their places."""
    bands = frame.bands
    count = len(bands.ratio_of)
    mean_mag, variance_mag2 = without_ratios(frame, stars)
    curves = np.einsum(
        "p,cpg->cg", frame.values[: len(bands.expected)], bands.features[:count, :, 0]
    )
    called = _on_curves(mean_mag, curves)
    slope = _on_curves(mean_mag, np.gradient(curves, GRID_BV_MAG, axis=1))
    scatter = _on_curves(mean_mag, bands.scatter_mag[:count])
    covariance = np.einsum("nc,nd,n->ncd", slope, slope, variance_mag2)
    diagonal = np.arange(count)
    covariance[:, diagonal, diagonal] += scatter**2 + stars.variance_mag2[:count].T
    if count == 2:
        covariance[:, 0, 1] += stars.shared_mag2
        covariance[:, 1, 0] += stars.shared_mag2
    return _Misses(
        left=stars.ratio_mag[:count].T - called,
        inverse=np.linalg.inv(covariance),
        design=_slant_design(slope, place, stars.catalogued),
        other_errors=np.repeat([OFFSET_MAG, OFFSET_MAG, FIELD_SLANT_MAG], [count, 1, 2]),
    )


def _on_curves(bv_mag: np.ndarray, curves: np.ndarray) -> np.ndarray:
    """Curves over the grid at the stars' B-V, (n, curves)."""
    return np.column_stack([np.interp(bv_mag, GRID_BV_MAG, curve) for curve in curves])


def _slant_design(slope: np.ndarray, place: np.ndarray, catalogued: np.ndarray) -> np.ndarray:
    """What the unknowns do: slopes of each ratio, zero points, the mean B-V of the stars that no
    catalogue has and its slopes."""
    n, count = slope.shape
    design = np.zeros((n, count, 3 * count + 3))
    for ratio in range(count):
        design[:, ratio, 2 * ratio : 2 * ratio + 2] = place.T
        design[:, ratio, 2 * count + ratio] = 1.0
    field = slope * ~catalogued[:, None]
    design[:, :, 3 * count] = field
    design[:, :, 3 * count + 1 :] = field[:, :, None] * place.T[:, None, :]
    return design


def _slants_averaged(off: _Misses, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unknowns and their covariance, over how large slants may be by how well each size fits."""
    toward = np.einsum("ncu,ncd->nud", off.design, off.inverse) * weight[:, None, None]
    normal = np.einsum("nud,ndv->uv", toward, off.design)
    data = np.einsum("nud,nd->u", toward, off.left)
    solved = [_with_slants_of(off, normal, data, slant_mag) for slant_mag in USUAL_SLANTS_MAG]
    ln = np.array([one[2] for one in solved]) + np.log(USUAL_SHARES)
    share = np.exp(ln - ln.max())
    share /= share.sum()
    mean = sum(part * one[0] for part, one in zip(share, solved, strict=True))
    covariance = sum(
        part * (one[1] + np.outer(one[0] - mean, one[0] - mean))
        for part, one in zip(share, solved, strict=True)
    )
    return mean, covariance


def _with_slants_of(
    off: _Misses, normal, data, slant_mag: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """Unknowns, their covariance and the ln probability of the data, if slants are so large."""
    slopes = len(data) - len(off.other_errors)
    errors = np.append(np.full(slopes, slant_mag), off.other_errors)
    covariance = np.linalg.inv(normal + np.diag(errors**-2.0))
    found = covariance @ data
    volume = np.linalg.slogdet(covariance)[1] - 2 * np.log(errors).sum()
    return found, covariance, float(data @ found + volume) / 2


def _robust_weights(off: _Misses, found: np.ndarray) -> np.ndarray:
    """How much each star counts by what it is still off by, (n,)."""
    left = off.left - off.design @ found
    chi2 = np.einsum("nc,ncd,nd->n", left, off.inverse, left)
    return (T_DEGREES + left.shape[1]) / (T_DEGREES + chi2)


def _as_slants(found: np.ndarray, covariance: np.ndarray, count: int) -> Slants:
    """The slopes among the unknowns."""
    parts = [slice(2 * ratio, 2 * ratio + 2) for ratio in range(count)]
    return Slants(
        slope_mag=np.array([found[part] for part in parts]),
        covariance_mag2=np.array([covariance[part, part] for part in parts]),
    )
