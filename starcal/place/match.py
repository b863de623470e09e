"""Catalogue against frame, by WCS, on the sky: pairs, how many of them chance would give, and the
error of the WCS.

Everything happens in the plane that touches the sky at the middle of the frame (gnomonic
projection), in units of pixels: detections go there through the WCS (pixel to sky is direct; the
inverse of a distorted WCS need not converge).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..frame import pixel_scale_arcsec

REACH_PX = 30.0  # WCS errors up to this are refined; a worse WCS is the solver's work
VOTERS = 400  # brightest of each side that vote on the offset
SHIFTS_PX = 150.0  # how far the catalogue is shifted to see what chance gives; far beyond REACH_PX
N_SHIFTS = 8
MIN_RADIUS_PX = 1.0
MAX_RADIUS_PX = 4.0
SCATTER_RADII = 4.0  # a circle of 4 sigma holds all but 0.03 % of the true pairs
MIN_PAIRS = 5
# mag; colour terms move a star by up to 1 mag in a narrowband channel, chance pairs by several
MAGNITUDE_MISFIT = 1.5


@dataclass(frozen=True, eq=False)
class Match:
    """Pairs of detections and catalogue stars, with the evidence that they are real.

    Attributes
    ----------
    star, catalogue : ndarray of int
        Row of each pair in the star table and in the catalogue.
    separation_px : ndarray
        Distance of each pair after refinement.
    mismatched : ndarray of bool
        Pairs whose brightness does not fit.
    in_frame : ndarray of bool
        Which catalogue stars fall on the frame, after refinement.
    x_px, y_px : ndarray
        Where each catalogue star falls on the frame (NaN outside), after refinement.
    offset_px : tuple of float
        Error of the WCS at the middle of the frame, x and y: where it puts a star minus where the
        star is.
    rotation_deg, scale_error : float
        Turn (north through east) and relative scale of the WCS's positions on the sky against the
        stars': positive when it makes pixels too large.
    scatter_px, radius_px : float
        Scatter per axis of the pairs about the refined WCS, and the radius that followed from it.
    chance_matches : float
        Mean number of pairs as close as these that the same search finds against a shifted
        catalogue.
    credible : bool
        Whether the number of pairs is clearly above chance.
    placed : int
        How many pairs, the last ones, are no evidence: their stars were measured where the
        catalogue has them.
    """

    star: np.ndarray
    catalogue: np.ndarray
    separation_px: np.ndarray
    mismatched: np.ndarray
    in_frame: np.ndarray
    x_px: np.ndarray
    y_px: np.ndarray
    offset_px: tuple[float, float]
    rotation_deg: float
    scale_error: float
    scatter_px: float
    radius_px: float
    chance_matches: float
    credible: bool
    placed: int = 0

    @property
    def found(self) -> int:
        """Pairs whose stars were found by themselves."""
        return len(self.star) - self.placed

    def with_placed(
        self,
        catalogue_row: np.ndarray,
        star_xy_px: np.ndarray,
        star_mag: np.ndarray,
        v_mag: np.ndarray,
    ) -> "Match":
        """The match and pairs of the last stars of a table, which were measured where the catalogue
        has them.

        Parameters
        ----------
        catalogue_row : ndarray of int, shape (m,)
            Theirs, in order.
        star_xy_px, star_mag : ndarray, shapes (n, 2) and (n,)
            Of the whole table.
        v_mag : ndarray
            Of the whole catalogue.
        """
        star = np.append(self.star, np.arange(len(star_mag) - len(catalogue_row), len(star_mag)))
        listed = np.append(self.catalogue, catalogue_row)
        away = star_xy_px[star[len(self.star) :]].T - (
            self.x_px[catalogue_row],
            self.y_px[catalogue_row],
        )
        difference = star_mag[star] - v_mag[listed]
        wrong = np.abs(difference - np.nanmedian(difference[: len(self.star)])) > MAGNITUDE_MISFIT
        return replace(
            self,
            star=star,
            catalogue=listed,
            placed=len(catalogue_row),
            separation_px=np.append(self.separation_px, np.hypot(*away)),
            mismatched=np.append(self.mismatched, wrong[len(self.star) :]),
        )


@dataclass(frozen=True)
class WCSError:
    """How far a WCS is off, by a better one and by the stars.

    Attributes
    ----------
    offset_px, rotation_deg, scale_error
        As in `Match`.
    scatter_px : float
        Scatter per axis, from the median distance, of the pairs by that WCS as it stands, offset
        included.
    """

    offset_px: tuple[float, float]
    rotation_deg: float
    scale_error: float
    scatter_px: float


def tangent_plane(
    ra_deg, dec_deg, ra0_deg: float, dec0_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Gnomonic coordinates, degrees, east and north of the tangent point; NaN on the far side of
    the sky.

    References
    ----------
    Calabretta & Greisen 2002, A&A 395, 1077, section 5.1.3 (TAN).
    """
    ra, dec, ra0, dec0 = (np.radians(v) for v in (ra_deg, dec_deg, ra0_deg, dec0_deg))
    cosine = np.sin(dec0) * np.sin(dec) + np.cos(dec0) * np.cos(dec) * np.cos(ra - ra0)
    cosine = np.where(cosine > 0.01, cosine, np.nan)
    east = np.cos(dec) * np.sin(ra - ra0) / cosine
    north = (np.cos(dec0) * np.sin(dec) - np.sin(dec0) * np.cos(dec) * np.cos(ra - ra0)) / cosine
    return np.degrees(east), np.degrees(north)


def plane_to_sky(
    east_deg, north_deg, ra0_deg: float, dec0_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Inverse of `tangent_plane`: right ascension and declination, degrees."""
    east, north, ra0, dec0 = (np.radians(v) for v in (east_deg, north_deg, ra0_deg, dec0_deg))
    across = np.cos(dec0) - north * np.sin(dec0)
    ra = ra0 + np.arctan2(east, across)
    dec = np.arctan2(np.sin(dec0) + north * np.cos(dec0), np.hypot(east, across))
    return np.degrees(ra) % 360, np.degrees(dec)


def match_catalogue(star_xy_px, star_mag, wcs, shape, catalogue, scale_arcsec: float) -> Match:
    """Pair the stars of a frame with those of a catalogue, refining the WCS by a shift, a rotation
    and a scale.

    Parameters
    ----------
    star_xy_px : ndarray, shape (n, 2)
        Detections, 0-based pixels.
    star_mag : ndarray, shape (n,)
        Their instrumental magnitudes (any zero point; NaN where unknown).
    wcs : astropy.wcs.WCS
        Celestial.
    shape : tuple of int
        (rows, columns) of the frame.
    catalogue : CatalogueStars
        With ``ra_deg``, ``dec_deg`` at the frame's epoch and ``v_mag``; reaching beyond the frame
        by 200 pixels or more, so that shifted copies of it are as full.
    scale_arcsec : float
        Pixel scale.

    Returns
    -------
    Match
        With no pairs when nothing fits; ``credible`` says whether to believe it.
    """
    middle = np.array([[(shape[1] - 1) / 2, (shape[0] - 1) / 2]])
    ra0, dec0 = (float(v[0]) for v in wcs.all_pix2world(middle, 0).T)
    stars = _plane_px(
        *wcs.all_pix2world(np.reshape(star_xy_px, (-1, 2)), 0).T, ra0, dec0, scale_arcsec
    )
    listed = _plane_px(catalogue.ra_deg, catalogue.dec_deg, ra0, dec0, scale_arcsec)
    bright = (
        np.argsort(catalogue.v_mag),
        np.argsort(np.where(np.isfinite(star_mag), star_mag, np.inf)),
    )
    search = _Search(stars, bright[1], max(shape))
    best = search.run(listed, bright[0])
    trials = [search.run(listed + shift, bright[0]).separation_px for shift in _shifts()]
    chance = [int(np.count_nonzero(trial <= best.radius_px)) for trial in trials]

    def frame_of(points):
        sky = plane_to_sky(*(points * scale_arcsec / 3600).T, ra0, dec0)
        return wcs.all_world2pix(*sky, 0, quiet=True)

    return _result(
        best,
        float(np.mean(chance)),
        max(chance),
        np.asarray(star_mag),
        catalogue.v_mag,
        frame_of,
        shape,
        listed,
    )


def wcs_error(given, better, shape: tuple[int, int], star_xy_px, ra_deg, dec_deg) -> WCSError:
    """How far a WCS is off: against a better one, and against stars.

    Parameters
    ----------
    given, better : astropy.wcs.WCS
        Celestial.
    shape : tuple of int
        (rows, columns) of the frame.
    star_xy_px : ndarray, shape (n, 2)
        Stars, 0-based pixels.
    ra_deg, dec_deg : ndarray, shape (n,)
        Where the catalogue has them.
    """
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    ra0, dec0 = (float(v) for v in given.all_pix2world(*middle, 0))
    x, y = (float(v) for v in better.all_world2pix(ra0, dec0, 0, quiet=True))
    around = middle + 0.2 * min(shape) * np.array([(1, 0), (0, 1), (-1, 0), (0, -1)])
    put, true = (
        _complex(np.column_stack(tangent_plane(*wcs.all_pix2world(around, 0).T, ra0, dec0)))
        for wcs in (given, better)
    )
    a = similarity(true, put)[0]
    return WCSError(
        (middle[0] - x, middle[1] - y),
        float(-np.degrees(np.angle(a))),
        float(abs(a) - 1),
        pair_scatter_px(given, shape, star_xy_px, ra_deg, dec_deg),
    )


def pair_scatter_px(wcs, shape: tuple[int, int], star_xy_px, ra_deg, dec_deg) -> float:
    """Scatter per axis, from the median distance, of pairs by a WCS as it stands; parameters as for
    `wcs_error`."""
    middle = wcs.all_pix2world((shape[1] - 1) / 2, (shape[0] - 1) / 2, 0)
    ra0, dec0 = (float(v) for v in middle)
    stars = np.array(
        tangent_plane(*wcs.all_pix2world(np.reshape(star_xy_px, (-1, 2)), 0).T, ra0, dec0)
    )
    apart_deg = np.hypot(*(stars - np.array(tangent_plane(ra_deg, dec_deg, ra0, dec0))))
    return float(_median_scatter(apart_deg) * 3600 / pixel_scale_arcsec(wcs))


def _plane_px(ra_deg, dec_deg, ra0_deg, dec0_deg, scale_arcsec) -> np.ndarray:
    east, north = tangent_plane(ra_deg, dec_deg, ra0_deg, dec0_deg)
    points = np.column_stack([east, north]) * 3600 / scale_arcsec
    return np.where(np.isfinite(points), points, 1e7)


def _shifts() -> np.ndarray:
    angle = 2 * np.pi * (np.arange(N_SHIFTS) + 0.3) / N_SHIFTS
    return SHIFTS_PX * np.column_stack([np.cos(angle), np.sin(angle)])


@dataclass(frozen=True, eq=False)
class _Pairs:
    star: np.ndarray
    listed: np.ndarray
    separation_px: np.ndarray
    transform: (
        np.ndarray
    )  # complex (a, b): catalogue position z goes to a z + b on the frame's plane
    scatter_px: float
    radius_px: float


@dataclass(frozen=True, eq=False)
class _Search:
    """The same search for the true catalogue and for its shifted copies, so that chance is judged
    fairly."""

    stars: np.ndarray
    order: np.ndarray  # of brightness
    size_px: int

    def run(self, listed: np.ndarray, listed_order: np.ndarray) -> _Pairs:
        """Vote on the offset, then pair and refine with a shrinking radius."""
        within = listed_order[np.abs(listed[listed_order]).max(axis=1) < 0.75 * self.size_px]
        nothing = _Pairs(
            np.empty(0, int),
            np.empty(0, int),
            np.empty(0),
            np.array([1, 0j]),
            np.nan,
            MAX_RADIUS_PX,
        )
        if len(self.stars) == 0 or len(within) == 0:
            return nothing
        tree = cKDTree(self.stars)
        offset = _vote(self.stars[self.order[:VOTERS]], listed[within[:VOTERS]])
        transform, radius, scatter = np.array([1, complex(*offset)]), 6.0, np.nan
        for _ in range(6):
            star, partner, distance = mutual_nearest(
                tree, _apply(transform, listed[within]), radius
            )
            if len(star) < 3:
                return nothing
            transform = similarity(_complex(listed[within[partner]]), _complex(self.stars[star]))
            distance = np.hypot(*(_apply(transform, listed[within[partner]]) - self.stars[star]).T)
            scatter = _rayleigh_scatter(distance, radius)
            radius = float(np.clip(SCATTER_RADII * scatter, MIN_RADIUS_PX, MAX_RADIUS_PX))
        star, partner, distance = mutual_nearest(tree, _apply(transform, listed[within]), radius)
        if np.abs(_corner_motion(transform, self.size_px)).max() > 1.5 * REACH_PX:
            return nothing
        return _Pairs(star, within[partner], distance, transform, scatter, radius)


def _vote(stars: np.ndarray, listed: np.ndarray) -> np.ndarray:
    """Offset (catalogue to frame) on which most pairs of stars agree, within REACH_PX."""
    pairs = cKDTree(listed).query_ball_point(stars, REACH_PX * np.sqrt(2))
    differences = [stars[i] - listed[group] for i, group in enumerate(pairs) if group]
    if not differences:
        return np.zeros(2)
    bins = np.arange(-REACH_PX - 1, REACH_PX + 2, 1.0)
    votes = np.histogram2d(*np.concatenate(differences).T, bins=(bins, bins))[0]
    crowd = sum(np.roll(votes, (i, j), (0, 1)) for i in range(-2, 3) for j in range(-2, 3))
    x, y = np.unravel_index(np.argmax(crowd), crowd.shape)
    return np.array([bins[x] + 0.5, bins[y] + 0.5])


def mutual_nearest(tree: cKDTree, listed: np.ndarray, radius: float):
    """Pairs in which each is the other's nearest, within ``radius``: star, listed, distance."""
    distance, star = tree.query(listed, distance_upper_bound=radius)
    near = np.flatnonzero(np.isfinite(distance))
    _, back = cKDTree(listed).query(tree.data[star[near]])
    mutual = near[back == near]
    return star[mutual], mutual, distance[mutual]


def _complex(points: np.ndarray) -> np.ndarray:
    return points[:, 0] + 1j * points[:, 1]


def _apply(transform: np.ndarray, points: np.ndarray) -> np.ndarray:
    moved = transform[0] * _complex(points) + transform[1]
    return np.column_stack([moved.real, moved.imag])


def similarity(source: np.ndarray, target: np.ndarray, fewest: int = 4) -> np.ndarray:
    """Shift, rotation and scale that take points to others, by least squares with two rounds of
    clipping.

    Parameters
    ----------
    source, target : ndarray of complex, shape (n,)
        Positions x + i y, in pixels.
    fewest : int
        With fewer points the median shift alone.

    Returns
    -------
    ndarray of complex, shape (2,)
        (a, b): z goes to a z + b.
    """
    keep = np.ones(len(source), bool)
    for _ in range(3):
        if keep.sum() < fewest:
            shift = target - source
            return np.array([1, np.median(shift.real) + 1j * np.median(shift.imag)])
        design = np.column_stack([source[keep], np.ones(keep.sum())])
        solution = np.linalg.lstsq(design, target[keep], rcond=None)[0]
        misfit = np.abs(target - (solution[0] * source + solution[1]))
        keep = misfit <= 3 * max(np.median(misfit), 0.05)
    return solution


def _rayleigh_scatter(distance: np.ndarray, radius: float) -> float:
    """Scatter per axis from the median distance; the uniform background of chance pairs grows
    outwards, so the inner half of the circle decides when it holds most pairs."""
    inner = distance[distance < radius / 2]
    sample = inner if len(inner) > 0.6 * len(distance) else distance
    return _median_scatter(sample)


def _median_scatter(distance: np.ndarray) -> float:
    """Scatter per axis of a Gaussian with that median distance; outliers do not count."""
    return float(np.median(distance) / np.sqrt(2 * np.log(2))) if len(distance) else np.nan


def _corner_motion(transform: np.ndarray, size_px: int) -> np.ndarray:
    corners = 0.5 * size_px * np.array([1 + 1j, 1 - 1j, -1 + 1j, -1 - 1j]) / np.sqrt(2)
    return transform[0] * corners + transform[1] - corners


def clearly_above_chance(pairs: int, chance_mean: float, chance_max: float) -> bool:
    """Whether a number of pairs is far more than the same search finds by chance.

    Four Poisson sigma above the mean, and half as many again as the best of the shifted trials: the
    trials' own scatter is known only from a handful.
    """
    return (
        pairs >= MIN_PAIRS
        and pairs > chance_mean + 4 * np.sqrt(chance_mean + 1)
        and pairs > 1.5 * chance_max
    )


def _result(best, chance, chance_max, star_mag, v_mag, frame_of, shape, listed) -> Match:
    x_px, y_px = frame_of(_apply(best.transform, listed))
    inside = (x_px >= -0.5) & (x_px < shape[1] - 0.5) & (y_px >= -0.5) & (y_px < shape[0] - 0.5)
    difference = star_mag[best.star] - v_mag[best.listed]
    typical = np.nanmedian(difference) if np.isfinite(difference).any() else 0.0
    a, (x, y) = (
        best.transform[0],
        (float(v[0]) for v in frame_of(_apply(best.transform, np.zeros((1, 2))))),
    )
    return Match(
        best.star,
        best.listed,
        best.separation_px,
        np.abs(difference - typical) > MAGNITUDE_MISFIT,
        inside,
        np.where(inside, x_px, np.nan),
        np.where(inside, y_px, np.nan),
        ((shape[1] - 1) / 2 - x, (shape[0] - 1) / 2 - y),
        float(-np.degrees(np.angle(a))),
        float(abs(a) - 1),
        best.scatter_px,
        best.radius_px,
        chance,
        clearly_above_chance(len(best.star), chance, chance_max),
    )
