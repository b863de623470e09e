"""Hypotheses of where a frame is, from triangles of its bright stars and of the catalogue's.

Each pair of alike triangles is a hypothesis: centre, rotation, scale, parity. Triangles live on the
sphere, as unit vectors: no projection bends them, however far the hint is off.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..catalogue import CatalogueStars, sky_position, unit_vectors
from ..robust import middle_px
from .hints import Hints
from .plate import Plate, frame_number

SIDES_WIDTHS = 0.12, 0.8  # longest side of a triangle, in frame widths: short ones aim badly
LEAST_SIDE = 0.1  # shortest side over the longest: a flatter triangle has no shape to tell
SHAPE_TOLERANCE = 0.01  # of ratios of sides: 1 px in 100, or 1 % of lens distortion
AGREEMENT = 0.01  # of hypotheses: frame widths, radians, relative scale
MOST_HYPOTHESES = 60_000  # more are cut to the triangles of the rarest shapes, which tell most
N_CANDIDATES = 12


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """Where the camera may have looked.

    Attributes
    ----------
    rotation : ndarray, (n, 3, 3)
        From the camera's axes to the sky: column 2 is the middle, column 1 up on the frame.
    scale : ndarray, (n,)
        Relative to the hint.
    mirrored : ndarray of bool, (n,)
    """

    rotation: NDArray
    scale: NDArray
    mirrored: NDArray

    def __len__(self) -> int:
        return len(self.scale)


@dataclass(frozen=True, eq=False)
class _Triangles:
    """All triangles of some stars.

    ``corner``, (n, 3): the two ends of the longest side, that opposite the shortest first; then the
    third. ``shape``, (n, 4): shortest and middle side over the longest, log of the longest, sense
    of turning.
    """

    corner: NDArray
    shape: NDArray


def hypotheses(
    xy_px: NDArray, catalogue: CatalogueStars, shape: tuple[int, int], hints: Hints
) -> Hypotheses:
    """One for each pair of alike triangles that the hints allow.

    Parameters
    ----------
    xy_px : ndarray, shape (n, 2)
        Bright detections, undistorted 0-based pixels; all triangles of them are looked at.
    catalogue : CatalogueStars
        Bright stars of the sky that the frame may show.
    shape : tuple of int
        (rows, columns).
    hints : Hints
        The first of its scales is taken.
    """
    scale_rad = np.radians(hints.scales_arcsec[0] / 3600)
    sides = np.array(SIDES_WIDTHS) * max(shape) * scale_rad
    vectors = unit_vectors(catalogue.ra_deg, catalogue.dec_deg)
    low, high = sides * (1 - hints.scale_share, 1 / (1 - hints.scale_share))
    sky = _triangles(vectors, low, high)
    parities = (False, True) if hints.mirrored is None else (hints.mirrored,)
    found = []
    for mirrored in parities:
        z = frame_number(xy_px, middle_px(shape), 1.0, mirrored) * scale_rad
        rotation, scale = _rotations(z, sides, vectors, sky, hints.scale_share)
        keep = _allowed(rotation, mirrored, max(shape) * scale_rad, hints)
        found.append(Hypotheses(rotation[keep], scale[keep], np.full(keep.sum(), mirrored)))
    return _joined(found)


def _joined(parts: list[Hypotheses]) -> Hypotheses:
    return Hypotheses(
        np.concatenate([one.rotation for one in parts]),
        np.concatenate([one.scale for one in parts]),
        np.concatenate([one.mirrored for one in parts]),
    )


def _rotations(
    z,
    sides,
    vectors,
    sky,
    scale_share,
) -> tuple[NDArray, NDArray]:
    """Rotation and relative scale that take each triangle of the frame to each alike one of the
    sky."""
    triangles = _triangles(_camera(z), *sides)
    ours, theirs = _alike_triangles(triangles, sky, scale_share)
    scale = np.exp(sky.shape[theirs, 2] - triangles.shape[ours, 2])
    start, end = triangles.corner[ours, 0], triangles.corner[ours, 1]
    camera = _triads(_camera(z[start] * scale), _camera(z[end] * scale))
    there = _triads(vectors[sky.corner[theirs, 0]], vectors[sky.corner[theirs, 1]])
    return there @ camera.transpose(0, 2, 1), scale


def _camera(z) -> NDArray:
    """Unit vectors of frame positions in radians, the camera looking along the third axis
    (gnomonic)."""
    vectors = np.stack([z.real, z.imag, np.ones(len(z))], axis=-1)
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def _triangles(vectors, low, high) -> _Triangles:
    """All triangles whose longest side lies within limits (chords)."""
    chord = np.linalg.norm(vectors[:, None] - vectors, axis=-1)
    corner, side = _sides_in_order(_triples(chord < high), chord)
    keep = (side[:, 2] > low) & (side[:, 0] > LEAST_SIDE * side[:, 2])
    corner, side = corner[keep], side[keep]
    turning = np.sign(np.linalg.det(vectors[corner]))
    ratios = side[:, :2] / side[:, 2:]
    return _Triangles(corner, np.column_stack([ratios, np.log(side[:, 2]), turning]))


def _triples(near) -> NDArray:
    """Rows of three stars each, (n, 3), that are all near each other."""
    near = np.triu(near, 1)
    i, j = np.nonzero(near)
    pair, k = np.nonzero(near[i] & near[j])
    return np.stack([i[pair], j[pair], k], axis=1)


def _sides_in_order(corner, chord) -> tuple[NDArray, NDArray]:
    """Corners and the sides opposite them, shortest first."""
    opposite = chord[corner[:, [1, 2, 0]], corner[:, [2, 0, 1]]]
    order = np.argsort(opposite, axis=1)
    return np.take_along_axis(corner, order, 1), np.take_along_axis(opposite, order, 1)


def _alike_triangles(
    ours: _Triangles, theirs: _Triangles, scale_share
) -> tuple[NDArray, NDArray]:
    """Rows of triangles of equal shape and turning, and of nearly equal size."""
    if len(ours.shape) == 0 or len(theirs.shape) == 0:
        return np.empty(0, int), np.empty(0, int)
    size_tolerance = SHAPE_TOLERANCE - np.log(1 - scale_share)
    unit = SHAPE_TOLERANCE, SHAPE_TOLERANCE, size_tolerance, 0.5
    tree = _quick_tree(theirs.shape / unit)
    groups = tree.query_ball_point(ours.shape / unit, 1, p=np.inf, return_sorted=True)
    lengths = _of_rare_shapes(np.array([len(group) for group in groups]))
    rows = [row for i in np.flatnonzero(lengths) for row in groups[i]]
    return np.repeat(np.arange(len(lengths)), lengths), np.array(rows, int)


def _quick_tree(points) -> cKDTree:
    """A tree for many neighbours of many points: cut in the middle and into large leaves it is made
    and asked in six tenths of the time."""
    return cKDTree(points, leafsize=40, balanced_tree=False)


def _of_rare_shapes(lengths) -> NDArray:
    """Sizes of groups, 0 for the largest where there are too many hypotheses in all."""
    if lengths.sum() > MOST_HYPOTHESES:
        rare = np.argsort(lengths, kind="stable")
        lengths[rare[np.cumsum(lengths[rare]) > MOST_HYPOTHESES]] = 0
    return lengths


def _triads(p, q) -> NDArray:
    """Right-handed axes, (n, 3, 3) in columns, from two unit vectors: their mean, their difference,
    both's normal."""
    mean = _unit(p + q)
    along = _unit(q - p)
    return np.stack([mean, along, np.cross(mean, along)], axis=-1)


def _unit(vectors) -> NDArray:
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def _allowed(
    rotation,
    mirrored,
    width_rad,
    hints,
) -> NDArray:
    """Hypotheses whose middle and upward direction are near the hint's; no angle to the pole, which
    may be near."""
    near = hints.place_widths * width_rad / (1 - hints.scale_share)
    away = np.linalg.norm(
        rotation[:, :, 2] - unit_vectors(hints.ra_deg, hints.dec_deg), axis=-1
    )
    in_place = away <= near + AGREEMENT * width_rad
    if hints.rotation_error_deg >= 180:
        return in_place
    cosine = rotation[:, :, 1] @ _up(mirrored, hints)
    turned = np.arccos(np.clip(cosine, -1, 1))
    return in_place & (turned <= np.radians(hints.rotation_error_deg) + near)


def _up(mirrored, hints) -> NDArray:
    """Unit vector of where the frame's y axis points by the hint."""
    east, north = _east_north(hints.ra_deg, hints.dec_deg)
    angle = np.radians(hints.rotation_deg if mirrored else -hints.rotation_deg)
    return np.cos(angle) * north + np.sin(angle) * east


def _east_north(ra_deg, dec_deg) -> tuple[NDArray, NDArray]:
    east = np.array([-np.sin(np.radians(ra_deg)), np.cos(np.radians(ra_deg)), 0])
    return east, np.cross(unit_vectors(ra_deg, dec_deg), east)


def candidate_plates(found: Hypotheses, shape: tuple[int, int], hints: Hints) -> list[Plate]:
    """Plates of the hypotheses with most like-minded ones, each once, likeliest first.

    Parameters
    ----------
    found : Hypotheses
    shape, hints
        As they were given to `hypotheses`.
    """
    if len(found) == 0:
        return []
    place = _traits(found, max(shape) * np.radians(hints.scales_arcsec[0] / 3600))
    tree = _quick_tree(place)
    votes = tree.query_ball_point(place, 1, p=np.inf, return_length=True)
    free, plates = votes >= 1, []
    for best in np.argsort(-votes, kind="stable"):
        if free[best]:
            free[tree.query_ball_point(place[best], 2, p=np.inf)] = False
            members = tree.query_ball_point(place[best], 1, p=np.inf)
            plates.append(_plate_of(found, members, shape, hints))
        if len(plates) == N_CANDIDATES:
            break
    return plates


def _traits(found, width_rad) -> NDArray:
    """What like-minded hypotheses agree in to within 1."""
    middle, up = found.rotation[:, :, 2], found.rotation[:, :, 1]
    columns = [middle / width_rad, up, np.log(found.scale), found.mirrored]
    return np.column_stack(columns) / AGREEMENT


def _plate_of(
    found,
    members,
    shape,
    hints,
) -> Plate:
    """Mean of some hypotheses."""
    axes, scale = found.rotation[members].mean(axis=0), found.scale[members].mean()
    ra, dec = sky_position(axes[:, 2])
    east, north = _east_north(float(ra), float(dec))
    across = complex(axes[:, 0] @ east, axes[:, 0] @ north)
    unit_px = max(shape) / 2
    turn = across / abs(across) * scale * hints.scales_arcsec[0] / 3600 * unit_px
    return Plate(
        ra_deg=float(ra),
        dec_deg=float(dec),
        origin_px=middle_px(shape),
        unit_px=unit_px,
        mirrored=bool(found.mirrored[members[0]]),
        level=0,
        terms=np.array([0, turn]),
    )
