"""Finding where on the sky a frame is, from its stars and a hint, or a better WCS than the one it
has.

Triangles of bright detections are compared with triangles of bright catalogue stars by shape and
size. Each pair of alike triangles is a hypothesis: centre, rotation, scale, parity. Right ones
agree with each other, wrong ones are strewn, so the hypotheses with most neighbours are tried; each
is grown from the brightest stars to all, and believed only if its pairs are beyond chance,
everything that was tried counted in.

A general-purpose matcher, astroalign, was weighed: its features have no size and no place, so it
cannot use the hint; it stops at the first consensus of a shuffle without a fixed seed, counts no
chance, fits no mirrored picture, and brings two compiled libraries. What is needed besides scipy's
k-d tree is less than that.

Triangles live on the sphere, as unit vectors: no projection bends them, however far the hint is
off.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from astropy.wcs import WCS
from scipy.spatial import cKDTree
from scipy.stats import poisson

from ..catalogue import CatalogueStars, sky_position, unit_vectors
from ..frame import pixel_scale_arcsec
from .hints import ADVICE, Hints
from .match import Match, WCSError, match_catalogue, mutual_nearest, pair_scatter_px, wcs_error
from .plate import (
    LEVELS,
    Plate,
    best_plate,
    fit_plate,
    frame_number,
    plate_of_wcs,
    undistorted,
    wcs_of_plate,
)

WCS_PLACE_WIDTHS, WCS_ROTATION_DEG, WCS_SCALE_SHARE = (
    0.05,
    3.0,
    0.03,
)  # how far a poor WCS may be off
# a turn about a corner shifts the middle: what is at the limit may measure a little beyond it
WCS_SLACK = 1.1
SEARCH_SLACK = 1.4  # hypotheses from three stars err
DEPTHS = (
    (25, 1.0),
    (25, 2.0),
    (40, 1.0),
)  # brightest detections, catalogue's depth relative to theirs
SIDES_WIDTHS = 0.12, 0.8  # longest side of a triangle, in frame widths: short ones aim badly
SHAPE_TOLERANCE = 0.01  # of ratios of sides: 1 px in 100, or 1 % of lens distortion
AGREEMENT = 0.01  # of hypotheses: frame widths, radians, relative scale
MOST_HYPOTHESES = 60_000  # more are cut to the triangles of the rarest shapes, which tell most
N_CANDIDATES = 12
GROWTH = (
    (0.015, 30),
    (0.010, 50),
    (0.006, 80),
    (0.004, 120),
    (0.003, 200),
)  # radius in frame widths, brightest stars
LEAST_RADIUS_PX, RADIUS_SCATTERS = 1.5, 3.5
LINEAR_FROM = 8  # pairs, when a general linear plate replaces shift, rotation and scale
CHANCE_PLACES = 200
FREE_PAIRS = 3  # those of the triangle are alike by selection, and fix the hypothesis
FEWEST_PAIRS = 5
SURE_LOG10 = -6.0  # false solutions to be expected, all hypotheses counted in
# of the catalogue's stars on the frame that must be paired; clouds and nebulae hide the rest
LEAST_SHARE = 0.25
MATCH_MARGIN_PX = 250  # as match_catalogue wants it
ENOUGH_LISTED = 8  # catalogue stars on a frame; with fewer even a full set of pairs is no proof
ROUNDS = (
    2  # of fitting and matching: the first brings in the stars in the corners, the second uses them
)
LESS_SCATTER, MORE_PAIRS, SAME_PAIRS = (
    0.9,
    1.1,
    0.97,
)  # shares from which another WCS is worth having


@dataclass(frozen=True, eq=False)
class Solution:
    """Where a frame is on the sky, or why that could not be found; with the evidence.

    Attributes
    ----------
    wcs : WCS or None
        None: refused.
    match : Match or None
        Pairs of all stars by ``wcs``.
    n_pairs : int
        Pairs of bright stars that the best hypothesis has.
    chance : float
        Mean number of such pairs at 200 other places of the frame.
    false_log10 : float
        Decimal logarithm of the number of false solutions as good as this that were to be expected.
    given : WCSError or None
        How far the WCS that was given is off; None where none was given.
    scatter_px : float
        Scatter per axis of the pairs about ``wcs``.
    scale_arcsec, rotation_deg, mirrored
        Of the pixels; north from the y axis, counter-clockwise; east to the right of north. NaN
        where refused.
    distortion : str
        What the plate consists of, one of `plate.LEVELS`.
    message : str
        In plain words.
    """

    wcs: WCS | None
    match: Match | None
    n_pairs: int
    chance: float
    false_log10: float
    given: WCSError | None
    scatter_px: float
    scale_arcsec: float
    rotation_deg: float
    mirrored: bool
    distortion: str
    message: str


# --- the two questions ------------------------------------------------------------------

CatalogueOf = Callable[[float, float, float], CatalogueStars]


def solve(
    star_xy_px: np.ndarray,
    star_mag: np.ndarray,
    shape: tuple[int, int],
    catalogue_of: CatalogueOf,
    hints: Hints,
) -> Solution:
    """Find the WCS of a frame that has none.

    Parameters
    ----------
    star_xy_px : ndarray, shape (n, 2)
        Detections, 0-based pixels.
    star_mag : ndarray, shape (n,)
        Their instrumental magnitudes, any zero point; NaN where unknown.
    shape : tuple of int
        (rows, columns).
    catalogue_of : callable
        ``catalogue_of(ra_deg, dec_deg, radius_deg)`` gives the `CatalogueStars` there, at the
        frame's epoch.
    hints : Hints

    Returns
    -------
    Solution
        Refused (``wcs`` None) where pairs are not beyond chance: a wrong solution is worse than
        none.
    """
    return _answer(star_xy_px, star_mag, shape, catalogue_of, hints, None)


def refine(
    wcs: WCS,
    star_xy_px: np.ndarray,
    star_mag: np.ndarray,
    shape: tuple[int, int],
    catalogue_of: CatalogueOf,
) -> Solution:
    """Put a poor WCS right: off by up to 5 % of the frame's width, 3 degrees and 3 % in scale, and
    by no more.

    Parameters
    ----------
    wcs : WCS
        Celestial. Its SIP distortion, if it has one, is kept; without one it is fitted when the
        stars show it.
    star_xy_px, star_mag, shape, catalogue_of
        As for `solve`.

    Returns
    -------
    Solution
        ``given`` says how far ``wcs`` is off.
    """
    return _answer(star_xy_px, star_mag, shape, catalogue_of, _hints_of(wcs, shape), wcs)


def straightened(
    wcs: WCS,
    match: Match,
    star_xy_px: np.ndarray,
    star_mag: np.ndarray,
    shape: tuple[int, int],
    catalogue: CatalogueStars,
) -> tuple[WCS, Match, str]:
    """Bend a WCS that fits to its stars, where they show more than shift, rotation and scale.

    Parameters
    ----------
    wcs, match
        The WCS and what `match_catalogue` made of it; not ``credible``: nothing is changed.
    star_xy_px, star_mag, shape, catalogue
        As they were given to `match_catalogue`.

    Returns
    -------
    wcs : WCS
        The same object where the stars show no more, or where another one would pair them no
        better.
    match : Match
        By that WCS.
    distortion : str
        One of `plate.LEVELS`.
    """
    xy, level, given = np.reshape(star_xy_px, (-1, 2)), 0, wcs
    for _ in range(ROUNDS if match.credible else 0):
        plate, bent = _of_pairs(given, match, xy, shape, catalogue)
        if plate.level == 0:
            break
        again = match_catalogue(xy, star_mag, bent, shape, catalogue, pixel_scale_arcsec(bent))
        if not _pairs_better(again, match, LESS_SCATTER if level == 0 else 1.0):
            break
        wcs, match, level = bent, again, plate.level
    return wcs, match, LEVELS[level]


def nearer(
    wcs: WCS,
    match: Match,
    star_xy_px: np.ndarray,
    shape: tuple[int, int],
    catalogue: CatalogueStars,
) -> WCS:
    """Fit a WCS to credible pairs, to be kept in a file; the one they were found by, where no other
    is nearer.

    Parameters
    ----------
    wcs, match, star_xy_px, shape, catalogue
        As for `straightened`.
    """
    xy, good = np.reshape(star_xy_px, (-1, 2)), _alike_in_brightness(match)
    places = (
        shape,
        xy[match.star[good]],
        *(v[match.catalogue[good]] for v in (catalogue.ra_deg, catalogue.dec_deg)),
    )
    fitted = _of_pairs(wcs, match, xy, shape, catalogue)[1]
    return min((wcs, fitted), key=lambda one: pair_scatter_px(one, *places))


def _of_pairs(wcs, match, xy, shape, catalogue) -> tuple[Plate, WCS]:
    good = _alike_in_brightness(match)
    ra, dec = (float(v) for v in wcs.all_pix2world(*_middle(shape), 0))
    start = replace(
        plate_of_wcs(wcs, max(shape) / 2), ra_deg=ra, dec_deg=dec, origin_px=_middle(shape)
    )
    return _fitted(match.star[good], match.catalogue[good], catalogue, xy, start, shape, wcs)


def _alike_in_brightness(match: Match) -> np.ndarray:
    """Pairs to fit to: all of them where brightness tells nothing."""
    good = ~match.mismatched
    return good if good.sum() >= FEWEST_PAIRS else np.ones_like(good)


def _pairs_better(new: Match, old: Match, less_scatter: float) -> bool:
    """Nearer pairs and none lost, or clearly more of them; what chance gives does not count."""
    share = (len(new.star) - new.chance_matches) / (len(old.star) - old.chance_matches)
    ratio = new.scatter_px / old.scatter_px
    return new.credible and (
        (share >= SAME_PAIRS and ratio <= less_scatter) or (share >= MORE_PAIRS and ratio <= 1)
    )


def _answer(star_xy_px, star_mag, shape, catalogue_of, hints, given) -> Solution:
    order = np.argsort(np.where(np.isfinite(star_mag), star_mag, np.inf), kind="stable")
    xy, mag = np.reshape(star_xy_px, (-1, 2))[order], np.asarray(star_mag, float)[order]
    best, n_listed = None, 0
    for scale in hints.scales_arcsec:
        hint = replace(hints, scales_arcsec=(scale,))
        catalogue = _round_about(shape, catalogue_of, hint)
        n_listed = max(n_listed, len(catalogue))
        best = _better(best, _search(undistorted(given, xy), shape, catalogue, hint))
        if best is not None and best.sure:
            return _concluded(best, xy, mag, order, shape, catalogue_of, given)
    return _refused(best, len(xy), n_listed, shape, hints, given)


def _middle(shape) -> tuple[float, float]:
    return (shape[1] - 1) / 2, (shape[0] - 1) / 2


def _hints_of(wcs, shape) -> Hints:
    ra, dec = (float(v) for v in wcs.all_pix2world(*_middle(shape), 0))
    plate = plate_of_wcs(wcs, max(shape) / 2)
    here = fit_plate(
        *_sampled(wcs, shape), replace(plate, ra_deg=ra, dec_deg=dec, origin_px=_middle(shape)), 0
    )
    reach = (
        SEARCH_SLACK * limit for limit in (WCS_PLACE_WIDTHS, WCS_SCALE_SHARE, WCS_ROTATION_DEG)
    )
    place_widths, scale_share, rotation_error_deg = reach
    return Hints(
        ra % 360,
        dec,
        (pixel_scale_arcsec(wcs),),
        "the WCS",
        "the WCS",
        place_widths,
        scale_share,
        here.rotation_deg,
        rotation_error_deg,
        plate.mirrored,
    )


def _sampled(wcs, shape):
    """Points about the middle, undistorted, and their places: what tells north there (it turns with
    RA)."""
    xy = np.add(
        _middle(shape), 0.1 * max(shape) * np.array([(0, 0), (1, 0), (0, 1), (-1, 0), (0, -1)])
    )
    return undistorted(wcs, xy), *wcs.all_pix2world(xy, 0).T


# --- hypotheses -------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Attempt:
    """A hypothesis grown to all bright stars, and how it compares with chance."""

    plate: Plate
    star: np.ndarray  # rows of the detections by brightness
    listed: np.ndarray
    catalogue: CatalogueStars
    n_listed: int  # catalogue stars on the frame that were looked for
    chance: float
    false_log10: float

    @property
    def sure(self) -> bool:
        return (
            len(self.star) >= FEWEST_PAIRS
            and self.false_log10 <= SURE_LOG10
            and len(self.star) >= LEAST_SHARE * self.n_listed
        )


def _better(one: _Attempt | None, other: _Attempt | None) -> _Attempt | None:
    return min(
        (a for a in (one, other) if a is not None), key=lambda a: a.false_log10, default=None
    )


def _reach_px(shape, hints) -> float:
    return float(0.5 * np.hypot(*shape) + hints.place_widths * max(shape)) / (1 - hints.scale_share)


def _round_about(shape, catalogue_of, hints) -> CatalogueStars:
    """All catalogue stars that may be on the frame, brightest first."""
    radius_deg = min(_reach_px(shape, hints) * hints.scales_arcsec[0] / 3600, 89.0)
    catalogue = catalogue_of(hints.ra_deg, hints.dec_deg, radius_deg)
    return catalogue.select(np.argsort(catalogue.v_mag, kind="stable"))


def _search(xy, shape, catalogue, hints) -> _Attempt | None:
    """Best hypothesis; deeper lists of stars, brightest first, are tried while there is no sure
    one."""
    more_sky = np.pi * _reach_px(shape, hints) ** 2 / (shape[0] * shape[1])
    best, lengths = None, set()
    for n_stars, depth in DEPTHS:
        n_stars, n_listed = (
            min(n_stars, len(xy)),
            min(int(n_stars * depth * more_sky), len(catalogue)),
        )
        if (n_stars, n_listed) in lengths or min(n_stars, n_listed) < FREE_PAIRS:
            continue
        lengths.add((n_stars, n_listed))
        hypotheses = _hypotheses(xy[:n_stars], catalogue.select(slice(n_listed)), shape, hints)
        for plate in _candidates(hypotheses, shape, hints):
            best = _better(best, _grown(plate, xy, catalogue, shape, len(hypotheses.scale)))
            if best is not None and best.sure:
                return best
    return best


@dataclass(frozen=True, eq=False)
class _Hypotheses:
    """Rotations from the camera's axes to the sky, (n, 3, 3): column 2 is the middle, column 1 up
    on the frame."""

    rotation: np.ndarray
    scale: np.ndarray  # relative to the hint
    mirrored: np.ndarray


def _hypotheses(xy, catalogue, shape, hints) -> _Hypotheses:
    """One for each pair of alike triangles that the hints allow."""
    scale_rad, width = np.radians(hints.scales_arcsec[0] / 3600), max(shape)
    sides = np.array(SIDES_WIDTHS) * width * scale_rad
    sky = unit_vectors(catalogue.ra_deg, catalogue.dec_deg)
    low, high = sides * (1 - hints.scale_share, 1 / (1 - hints.scale_share))
    sky_triangles = _triangles(sky, low, high)
    found = []
    for mirrored in (False, True) if hints.mirrored is None else (hints.mirrored,):
        z = frame_number(xy, _middle(shape), 1.0, mirrored) * scale_rad
        triangles = _triangles(_camera(z), *sides)
        ours, theirs = _alike(triangles, sky_triangles, hints.scale_share)
        scale = np.exp(sky_triangles.shape[theirs, 2] - triangles.shape[ours, 2])
        ends = triangles.corner[ours, :2]
        camera = _axes(*(_camera(z[ends[:, i]] * scale) for i in (0, 1)))
        rotation = _axes(
            *(sky[sky_triangles.corner[theirs, i]] for i in (0, 1))
        ) @ camera.transpose(0, 2, 1)
        keep = _allowed(rotation, mirrored, width * scale_rad, hints)
        found.append((rotation[keep], scale[keep], np.full(keep.sum(), mirrored)))
    return _Hypotheses(*(np.concatenate(parts) for parts in zip(*found, strict=True)))


def _camera(z) -> np.ndarray:
    """Unit vectors of frame positions in radians, the camera looking along the third axis
    (gnomonic)."""
    vectors = np.stack([z.real, z.imag, np.ones(len(z))], axis=-1)
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


@dataclass(frozen=True, eq=False)
class _Triangles:
    corner: (
        np.ndarray
    )  # (n, 3): the two ends of the longest side, that opposite the shortest first; then the third
    shape: (
        np.ndarray
    )  # (n, 4): shortest and middle side over the longest, log of the longest, sense of turning


def _triangles(vectors, low, high) -> _Triangles:
    """All triangles whose longest side lies within limits (chords)."""
    chord = np.linalg.norm(vectors[:, None] - vectors, axis=-1)
    near = np.triu((chord < high), 1)
    i, j = np.nonzero(near)
    pair, k = np.nonzero(near[i] & near[j])
    corner = np.stack([i[pair], j[pair], k], axis=1)
    opposite = chord[corner[:, [1, 2, 0]], corner[:, [2, 0, 1]]]
    order = np.argsort(opposite, axis=1)
    corner, side = np.take_along_axis(corner, order, 1), np.take_along_axis(opposite, order, 1)
    keep = (side[:, 2] > low) & (side[:, 0] > 0.1 * side[:, 2])
    corner, side = corner[keep], side[keep]
    turning = np.sign(np.linalg.det(vectors[corner]))
    return _Triangles(
        corner, np.column_stack([side[:, :2] / side[:, 2:], np.log(side[:, 2]), turning])
    )


def _alike(ours: _Triangles, theirs: _Triangles, scale_share) -> tuple[np.ndarray, np.ndarray]:
    """Rows of triangles of equal shape and turning, and of nearly equal size."""
    if len(ours.shape) == 0 or len(theirs.shape) == 0:
        return np.empty(0, int), np.empty(0, int)
    unit = SHAPE_TOLERANCE, SHAPE_TOLERANCE, SHAPE_TOLERANCE - np.log(1 - scale_share), 0.5
    groups = cKDTree(theirs.shape / unit).query_ball_point(
        ours.shape / unit, 1, p=np.inf, return_sorted=True
    )
    lengths = np.array([len(group) for group in groups])
    if lengths.sum() > MOST_HYPOTHESES:
        rare = np.argsort(lengths, kind="stable")
        lengths[rare[np.cumsum(lengths[rare]) > MOST_HYPOTHESES]] = 0
    kept = [groups[i] for i in np.flatnonzero(lengths)]
    return np.repeat(np.arange(len(lengths)), lengths), np.array(
        [row for group in kept for row in group], int
    )


def _axes(p, q) -> np.ndarray:
    """Right-handed axes, (n, 3, 3) in columns, from two unit vectors: their mean, their difference,
    both's normal."""
    mean, along = p + q, q - p
    mean, along = (v / np.linalg.norm(v, axis=-1, keepdims=True) for v in (mean, along))
    return np.stack([mean, along, np.cross(mean, along)], axis=-1)


def _allowed(rotation, mirrored, width_rad, hints) -> np.ndarray:
    """Hypotheses whose middle and upward direction are near the hint's; no angle to the pole, which
    may be near."""
    near = hints.place_widths * width_rad / (1 - hints.scale_share)
    away = np.linalg.norm(rotation[:, :, 2] - unit_vectors(hints.ra_deg, hints.dec_deg), axis=-1)
    if hints.rotation_error_deg >= 180:
        return away <= near + AGREEMENT * width_rad
    east, north = _east_north(hints.ra_deg, hints.dec_deg)
    angle = np.radians(hints.rotation_deg if mirrored else -hints.rotation_deg)
    cosine = rotation[:, :, 1] @ (np.cos(angle) * north + np.sin(angle) * east)
    turned = np.arccos(np.clip(cosine, -1, 1))
    return (away <= near + AGREEMENT * width_rad) & (
        turned <= np.radians(hints.rotation_error_deg) + near
    )


def _east_north(ra_deg, dec_deg) -> tuple[np.ndarray, np.ndarray]:
    east = np.array([-np.sin(np.radians(ra_deg)), np.cos(np.radians(ra_deg)), 0])
    return east, np.cross(unit_vectors(ra_deg, dec_deg), east)


def _candidates(hypotheses: _Hypotheses, shape, hints) -> list[Plate]:
    """Those with most like-minded ones, each once."""
    if len(hypotheses.scale) == 0:
        return []
    width_rad = max(shape) * np.radians(hints.scales_arcsec[0] / 3600)
    place = (
        np.column_stack(
            [
                hypotheses.rotation[:, :, 2] / width_rad,
                hypotheses.rotation[:, :, 1],
                np.log(hypotheses.scale),
                hypotheses.mirrored,
            ]
        )
        / AGREEMENT
    )
    tree = cKDTree(place)
    votes = tree.query_ball_point(place, 1, p=np.inf, return_length=True)
    free, plates = votes >= 1, []
    for best in np.argsort(-votes, kind="stable"):
        if free[best]:
            free[tree.query_ball_point(place[best], 2, p=np.inf)] = False
            members = tree.query_ball_point(place[best], 1, p=np.inf)
            plates.append(_plate_of(hypotheses, members, shape, hints))
        if len(plates) == N_CANDIDATES:
            break
    return plates


def _plate_of(hypotheses, members, shape, hints) -> Plate:
    """Mean of some hypotheses."""
    axes, scale = hypotheses.rotation[members].mean(axis=0), hypotheses.scale[members].mean()
    ra, dec = (float(v) for v in sky_position(axes[:, 2]))
    east, north = _east_north(ra, dec)
    across = complex(axes[:, 0] @ east, axes[:, 0] @ north)
    unit_px = max(shape) / 2
    turn = across / abs(across) * scale * hints.scales_arcsec[0] / 3600 * unit_px
    return Plate(
        ra,
        dec,
        _middle(shape),
        unit_px,
        bool(hypotheses.mirrored[members[0]]),
        0,
        np.array([0, turn]),
    )


# --- growing and judging ----------------------------------------------------------------


def _grown(plate, xy, catalogue, shape, n_tried) -> _Attempt | None:
    """Refine a hypothesis with ever more stars and an ever smaller radius, and weigh it against
    chance."""
    width = max(shape)
    listed = _on_frame(plate, catalogue, shape)
    floor = LEAST_RADIUS_PX
    for share, n_stars in (*GROWTH, GROWTH[-1]):
        radius = max(share * width, floor)
        rows = listed[:n_stars]
        star, partner, apart = _pairs(plate, xy[: 2 * n_stars], catalogue, rows, radius)
        if len(star) < FREE_PAIRS + 1:
            return None
        pairs = xy[star], catalogue.ra_deg[rows[partner]], catalogue.dec_deg[rows[partner]]
        plate = fit_plate(*pairs, plate, 0 if len(star) < LINEAR_FROM else 1)
        listed = _on_frame(plate, catalogue, shape)
    plate = best_plate(*pairs, plate)
    listed = _on_frame(plate, catalogue, shape)[: GROWTH[-1][1]]
    stars = xy[: 2 * len(listed) + 10]
    star, partner, apart = _pairs(plate, stars, catalogue, listed, radius)
    if len(star) < FREE_PAIRS + 1:
        return None
    radius = max(
        LEAST_RADIUS_PX, RADIUS_SCATTERS * float(np.median(apart)) / np.sqrt(2 * np.log(2))
    )
    star, partner, apart = _pairs(plate, stars, catalogue, listed, radius)
    chance = _chance(plate, stars, catalogue, listed, radius, shape)
    odds = poisson.logsf(len(star) - FREE_PAIRS - 1, chance) / np.log(10) + np.log10(
        max(n_tried, 1)
    )
    return _Attempt(plate, star, listed[partner], catalogue, len(listed), chance, float(odds))


def _on_frame(plate, catalogue, shape) -> np.ndarray:
    """Catalogue stars that fall on the frame, brightest first, by the plate's linear part."""
    x, y = _frame_px(plate, catalogue)
    return np.flatnonzero((x > -0.5) & (x < shape[1] - 0.5) & (y > -0.5) & (y < shape[0] - 0.5))


def _frame_px(plate, catalogue):
    w = plate.listed(catalogue.ra_deg, catalogue.dec_deg) * plate.unit_px
    a, c = plate.terms[1], plate.terms[2] if plate.level else 0
    z = (np.conj(a) * w - c * np.conj(w)) / (abs(a) ** 2 - abs(c) ** 2)
    return plate.origin_px[0] + (z.real if plate.mirrored else -z.real), plate.origin_px[1] + z.imag


def _points(numbers, pixel_deg) -> np.ndarray:
    return np.column_stack([numbers.real, numbers.imag]) / pixel_deg


def _pairs(plate, xy, catalogue, rows, radius_px):
    """Mutual nearest: row of the detections, of ``rows``, and distance in pixels."""
    if len(rows) == 0 or len(xy) == 0:
        return np.empty(0, int), np.empty(0, int), np.empty(0)
    listed = _points(plate.listed(catalogue.ra_deg[rows], catalogue.dec_deg[rows]), plate.pixel_deg)
    return mutual_nearest(cKDTree(_points(plate.plane(xy), plate.pixel_deg)), listed, radius_px)


def _chance(plate, stars, catalogue, rows, radius_px, shape) -> float:
    """Mean number of pairs with the catalogue's stars moved, round the edges of the frame, to many
    places.

    The places are evenly strewn (Roberts 2018's R2 sequence); what a uniform field gives is the
    least.
    """
    size = np.array([shape[1], shape[0]], float)
    listed = np.column_stack(_frame_px(plate, catalogue))[rows]
    tree = cKDTree(stars)
    shift = np.outer(np.arange(1, CHANCE_PLACES + 1), (0.7548776662466927, 0.5698402909980532)) % 1
    counts = [
        len(mutual_nearest(tree, (listed + place * size) % size, radius_px)[0]) for place in shift
    ]
    return max(float(np.mean(counts)), len(stars) * len(rows) * np.pi * radius_px**2 / size.prod())


# --- answers ----------------------------------------------------------------------------


def _concluded(attempt, xy, mag, order, shape, catalogue_of, given) -> Solution:
    """Match all stars by the plate found, fit to those pairs, and match by that."""
    radius_deg = (np.hypot(*shape) / 2 + MATCH_MARGIN_PX) * attempt.plate.pixel_deg
    catalogue = catalogue_of(
        attempt.plate.ra_deg % 360, attempt.plate.dec_deg, min(radius_deg, 89.0)
    )
    plate, wcs = _fitted(
        attempt.star, attempt.listed, attempt.catalogue, xy, attempt.plate, shape, given
    )
    match = match_catalogue(xy, mag, wcs, shape, catalogue, pixel_scale_arcsec(wcs))
    if match.credible:
        good = _alike_in_brightness(match)
        plate, wcs = _fitted(
            match.star[good], match.catalogue[good], catalogue, xy, plate, shape, given
        )
        match = match_catalogue(xy, mag, wcs, shape, catalogue, pixel_scale_arcsec(wcs))
    if not match.credible:
        return _refusal(
            attempt,
            f"{_tally(attempt)}, but of all stars only {len(match.star)} are paired, "
            f"{match.chance_matches:.1f} by chance",
        )
    places = (
        shape,
        xy[match.star],
        catalogue.ra_deg[match.catalogue],
        catalogue.dec_deg[match.catalogue],
    )
    error = wcs_error(given, wcs, *places) if given is not None else None
    if error is not None and _beyond(error, shape):
        return _refusal(
            attempt,
            f"{_tally(attempt)}, but {_far(error)} from where the WCS has them, and no more than "
            f"{_percent(WCS_PLACE_WIDTHS)} of the width, {WCS_ROTATION_DEG:g} degrees and "
            f"{_percent(WCS_SCALE_SHARE)} in scale are put right. Have it solved: {ADVICE}",
        )
    found, after = _hints_of(wcs, shape), pair_scatter_px(wcs, *places)
    message = (
        f"{_tally(attempt)}: {found.scales_arcsec[0]:.4g} arcsec a pixel, north "
        f"{found.rotation_deg:.1f} "
        f"degrees from up, {'mirrored' if found.mirrored else 'not mirrored'}, "
        f"{LEVELS[plate.level]}, scatter "
        f"{after:.2f} px"
        + (f"; they are {_far(error)} from where the WCS had them" if error else "")
    )
    return Solution(
        wcs,
        replace(match, star=order[match.star]),
        len(attempt.star),
        attempt.chance,
        attempt.false_log10,
        error,
        after,
        found.scales_arcsec[0],
        found.rotation_deg,
        found.mirrored,
        LEVELS[plate.level],
        message,
    )


def _beyond(error: WCSError, shape) -> bool:
    """Whether a WCS was off by more than is to be put right."""
    off = (
        np.hypot(*error.offset_px) / max(shape) / WCS_PLACE_WIDTHS,
        abs(error.rotation_deg) / WCS_ROTATION_DEG,
        abs(error.scale_error) / WCS_SCALE_SHARE,
    )
    return max(off) > WCS_SLACK


def _far(error: WCSError) -> str:
    return (
        f"{np.hypot(*error.offset_px):.1f} px, {abs(error.rotation_deg):.2f} degrees and "
        f"{100 * abs(error.scale_error):.2f} % in scale"
    )


def _percent(share: float) -> str:
    return f"{100 * share:g} %"


def _fitted(star, listed, catalogue, xy, start, shape, given) -> tuple[Plate, WCS]:
    """Plate and WCS of some pairs; SIP terms of a WCS that was given stay, and its reference pixel
    on the frame."""
    sip = given.sip if given is not None else None
    if given is not None and (sip is not None or _on_picture(given.wcs.crpix - 1, shape)):
        ra, dec = (float(v) for v in given.wcs.crval)
        start = replace(
            start, origin_px=tuple(float(v) for v in given.wcs.crpix - 1), ra_deg=ra, dec_deg=dec
        )
    plate = best_plate(
        undistorted(given, xy[star]),
        catalogue.ra_deg[listed],
        catalogue.dec_deg[listed],
        start,
        3 if sip is None else 1,
    )
    return plate, wcs_of_plate(plate, shape, sip)


def _on_picture(place, shape) -> bool:
    return all(0 <= v < size for v, size in zip(place, shape[::-1], strict=True))


def _tally(attempt) -> str:
    return (
        f"{len(attempt.star)} of the {attempt.n_listed} brightest catalogue stars on the frame are "
        f"paired, "
        f"{attempt.chance:.2g} by chance"
    )


def _refused(
    attempt: _Attempt | None, n_stars: int, n_listed: int, shape, hints: Hints, given
) -> Solution:
    """Say what was there to go by, and what may help."""
    listed = f"{n_stars} detections and {n_listed} catalogue stars round {hints}"
    if n_stars < FEWEST_PAIRS:
        return _refusal(
            attempt, f"{listed}: too few to tell, {FEWEST_PAIRS} pairs are needed; lower --snr"
        )
    on_frame = n_listed * shape[0] * shape[1] / (np.pi * _reach_px(shape, hints) ** 2)
    if on_frame < ENOUGH_LISTED:
        return _refusal(
            attempt,
            f"{listed}: a frame holds some {on_frame:.0f} of these, too few to tell, "
            f"{ENOUGH_LISTED} are needed: use a deeper catalogue (--catalogue gaia, or file:PATH)",
        )
    best = "no pattern is alike" if attempt is None else f"in the best place {_tally(attempt)}"
    advice = f"Check the hints: {ADVICE}" if given is None else f"Have it solved: {ADVICE}"
    return _refusal(attempt, f"{listed}: {best}; not enough to be sure. {advice}")


def _refusal(attempt, reason) -> Solution:
    numbers = (
        (0, np.nan, np.nan)
        if attempt is None
        else (len(attempt.star), attempt.chance, attempt.false_log10)
    )
    return Solution(
        None,
        None,
        *numbers,
        None,
        np.nan,
        np.nan,
        np.nan,
        False,
        LEVELS[0],
        f"not solved: {reason}",
    )
