"""Catalogue against frame, by WCS, on the sky: pairs, how many of them chance would give, and the
error of the WCS.

Everything happens in the plane that touches the sky at the middle of the frame (gnomonic
projection), in units of pixels: detections go there through the WCS (pixel to sky is direct; the
inverse of a distorted WCS need not converge).
"""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy.wcs import WCS
from scipy.spatial import cKDTree

from ..frame import pixel_scale_arcsec, pixels_of
from ..robust import middle_px, quantile_of_known, scatter_per_axis
from ..texts import told_shortly

REACH_PX = 30.0  # WCS errors up to this are refined; a worse WCS is the solver's work
VOTERS = 400  # brightest of each side that vote on the offset
SHIFTS_PX = (
    150.0  # how far the catalogue is shifted to see what chance gives; far beyond REACH_PX
)
N_SHIFTS = 8
MIN_RADIUS_PX = 1.0
MAX_RADIUS_PX = 4.0
SCATTER_RADII = 4.0  # a circle of 4 sigma holds all but 0.03 % of the true pairs
MIN_PAIRS = 5
# Fewer, where the catalogue has no more there and chance is ruled out
FEWEST_SURE_PAIRS, SURE_CHANCE = 3, 1e-4
# mag; colour terms move a star by up to 1 mag in a narrowband channel, chance pairs by several
MAGNITUDE_MISFIT = 1.5


@dataclass(frozen=True, kw_only=True, eq=False)
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

    __repr__ = told_shortly

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
        new = np.arange(len(star_mag) - len(catalogue_row), len(star_mag))
        there = np.column_stack([self.x_px[catalogue_row], self.y_px[catalogue_row]])
        away = star_xy_px[new] - there
        typical = quantile_of_known(star_mag[self.star] - v_mag[self.catalogue], 0.5)
        wrong = np.abs(star_mag[new] - v_mag[catalogue_row] - typical) > MAGNITUDE_MISFIT
        return replace(
            self,
            star=np.append(self.star, new),
            catalogue=np.append(self.catalogue, catalogue_row),
            placed=len(catalogue_row),
            separation_px=np.append(self.separation_px, np.hypot(*away.T)),
            mismatched=np.append(self.mismatched, wrong),
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
    turn = np.radians(ra_deg) - np.radians(ra0_deg)
    dec, dec0 = np.radians(dec_deg), np.radians(dec0_deg)
    cosine = np.sin(dec0) * np.sin(dec) + np.cos(dec0) * np.cos(dec) * np.cos(turn)
    cosine = np.where(cosine > 0.01, cosine, np.nan)
    east = np.cos(dec) * np.sin(turn) / cosine
    north = (np.cos(dec0) * np.sin(dec) - np.sin(dec0) * np.cos(dec) * np.cos(turn)) / cosine
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


def match_catalogue(
    star_xy_px,
    star_mag,
    wcs,
    shape,
    catalogue,
    scale_arcsec: float,
) -> Match:
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
    sky = _TangentPixels.of(wcs, shape, scale_arcsec)
    stars = sky.of_frame(np.reshape(star_xy_px, (-1, 2)))
    listed = sky.of_sky(catalogue.ra_deg, catalogue.dec_deg)
    brightest = np.argsort(catalogue.v_mag)
    order = np.argsort(np.where(np.isfinite(star_mag), star_mag, np.inf))
    search = _Search(stars, order, max(shape))
    best = search.run(listed, brightest)
    trials = [search.run(listed + shift, brightest).separation_px for shift in _shifts()]
    chance = [int(np.count_nonzero(trial <= best.radius_px)) for trial in trials]
    apart = np.asarray(star_mag)[best.star] - catalogue.v_mag[best.listed]
    x_px, y_px = sky.to_frame(_apply(best.transform, listed))
    inside = _on_frame(x_px, y_px, shape)
    return Match(
        star=best.star,
        catalogue=best.listed,
        separation_px=best.separation_px,
        mismatched=_mismatched(apart),
        in_frame=inside,
        x_px=np.where(inside, x_px, np.nan),
        y_px=np.where(inside, y_px, np.nan),
        offset_px=sky.middle_off_px(best.transform),
        rotation_deg=_turned_deg(best.transform[0]),
        scale_error=float(abs(best.transform[0]) - 1),
        scatter_px=best.scatter_px,
        radius_px=best.radius_px,
        chance_matches=float(np.mean(chance)),
        credible=clearly_above_chance(len(best.star), float(np.mean(chance)), max(chance))
        or few_but_sure(
            apart,
            listed=int(np.count_nonzero(inside)),
            as_bright=_bright_as_pairs(np.asarray(star_mag), best.star),
            share=np.pi * best.radius_px**2 / (shape[0] * shape[1]),
        ),
    )


def _bright_as_pairs(star_mag: np.ndarray, paired: np.ndarray) -> int:
    """How many stars are as bright as the faintest of the paired ones."""
    faintest = np.nanmax(star_mag[paired], initial=-np.inf)
    return int(np.count_nonzero(star_mag <= faintest))


def _on_frame(x_px: np.ndarray, y_px: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Which places lie on a frame."""
    across = (x_px >= -0.5) & (x_px < shape[1] - 0.5)
    return across & (y_px >= -0.5) & (y_px < shape[0] - 0.5)


def _turned_deg(turn: complex) -> float:
    """North through east."""
    return float(-np.degrees(np.angle(turn)))


def _mismatched(difference: np.ndarray) -> np.ndarray:
    """Pairs whose brightness differs otherwise than that of most."""
    typical = np.nanmedian(difference) if np.isfinite(difference).any() else 0.0
    return np.abs(difference - typical) > MAGNITUDE_MISFIT


def few_but_sure(
    magnitude_apart: np.ndarray, *, listed: int, as_bright: int, share: float
) -> bool:
    """Whether three or four pairs cannot be chance: they are all that the catalogue has in the
    frame, of the right brightness, and so few stars are as bright that none would lie there else.

    Parameters
    ----------
    magnitude_apart : ndarray, shape (n,)
        Of each pair, instrumental less catalogue.
    listed : int
        Catalogue stars in the frame.
    as_bright : int
        Stars of the frame as bright as the faintest pair's.
    share : float
        Of the frame's area that lies within the pairs' distance of a place.

    Returns
    -------
    bool

    Notes
    -----
    One pair fixes the shift, in as many ways as there are bright stars; each further one has to lie
    within a circle that holds ``share * as_bright`` of them by chance.
    """
    pairs = len(magnitude_apart)
    if not pairs >= FEWEST_SURE_PAIRS or pairs < listed:
        return False
    alike = np.ptp(magnitude_apart) <= MAGNITUDE_MISFIT
    chance = as_bright * (share * as_bright) ** (pairs - 1)
    return bool(alike and chance < SURE_CHANCE)


@dataclass(frozen=True, eq=False)
class _TangentPixels:
    """The plane that touches the sky at the middle of a frame, in pixels; ``middle`` is that of the
    frame."""

    wcs: WCS
    middle: tuple[float, float]
    ra_deg: float
    dec_deg: float
    scale_arcsec: float

    @classmethod
    def of(
        cls,
        wcs: WCS,
        shape: tuple[int, int],
        scale_arcsec: float,
    ) -> "_TangentPixels":
        middle = middle_px(shape)
        ra, dec = wcs.all_pix2world(*middle, 0)
        return cls(wcs, middle, float(ra), float(dec), scale_arcsec)

    def of_frame(self, xy_px: np.ndarray) -> np.ndarray:
        """Where pixels lie in the plane."""
        return self.of_sky(*self.wcs.all_pix2world(xy_px, 0).T)

    def of_sky(self, ra_deg: np.ndarray, dec_deg: np.ndarray) -> np.ndarray:
        """Where stars lie in the plane; far away where they are on the other side of the sky."""
        east, north = tangent_plane(ra_deg, dec_deg, self.ra_deg, self.dec_deg)
        points = np.column_stack([east, north]) * 3600 / self.scale_arcsec
        return np.where(np.isfinite(points), points, 1e7)

    def to_frame(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Which pixels points of the plane fall on."""
        east, north = (points * self.scale_arcsec / 3600).T
        sky = plane_to_sky(east, north, self.ra_deg, self.dec_deg)
        return pixels_of(self.wcs, *sky)

    def middle_off_px(self, transform: np.ndarray) -> tuple[float, float]:
        """Where the WCS puts what is at the middle, minus the middle."""
        x, y = self.to_frame(_apply(transform, np.zeros((1, 2))))
        return self.middle[0] - float(x[0]), self.middle[1] - float(y[0])


def wcs_error(
    given,
    better,
    shape: tuple[int, int],
    star_xy_px,
    ra_deg,
    dec_deg,
) -> WCSError:
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
    middle = np.array(middle_px(shape))
    ra0, dec0 = given.all_pix2world(*middle, 0)
    x, y = pixels_of(better, ra0, dec0)
    a = _turn_between(better, given, middle, 0.2 * min(shape))
    return WCSError(
        (middle[0] - float(x), middle[1] - float(y)),
        _turned_deg(a),
        float(abs(a) - 1),
        pair_scatter_px(given, shape, star_xy_px, ra_deg, dec_deg),
    )


def _turn_between(
    true,
    given,
    middle,
    reach_px,
) -> complex:
    """Rotation and scale of what one WCS says against what another says, about the middle of a
    frame."""
    around = middle + reach_px * np.array([(1, 0), (0, 1), (-1, 0), (0, -1)])
    centre = [float(v) for v in given.all_pix2world(*middle, 0)]
    put = tangent_plane(*given.all_pix2world(around, 0).T, *centre)
    there = tangent_plane(*true.all_pix2world(around, 0).T, *centre)
    return similarity(there[0] + 1j * there[1], put[0] + 1j * put[1])[0]


def pair_scatter_px(
    wcs,
    shape: tuple[int, int],
    star_xy_px,
    ra_deg,
    dec_deg,
) -> float:
    """Scatter per axis, from the median distance, of pairs by a WCS as it stands; parameters as for
    `wcs_error`.

    Parameters
    ----------
    wcs : WCS
    shape : (int, int)
        Rows and columns of the frame.
    star_xy_px : ndarray, (n, 2)
        Stars of the frame, 0-based.
    ra_deg, dec_deg : ndarray, (n,)
        Their catalogue places.

    Returns
    -------
    float
        Pixels, per axis.
    """
    ra0, dec0 = wcs.all_pix2world(*middle_px(shape), 0)
    star_ra, star_dec = wcs.all_pix2world(np.reshape(star_xy_px, (-1, 2)), 0).T
    east, north = tangent_plane(star_ra, star_dec, float(ra0), float(dec0))
    true_east, true_north = tangent_plane(ra_deg, dec_deg, float(ra0), float(dec0))
    apart_deg = np.hypot(east - true_east, north - true_north)
    return float(scatter_per_axis(apart_deg) * 3600 / pixel_scale_arcsec(wcs))


def _shifts() -> np.ndarray:
    angle = 2 * np.pi * (np.arange(N_SHIFTS) + 0.3) / N_SHIFTS
    return SHIFTS_PX * np.column_stack([np.cos(angle), np.sin(angle)])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Pairs:
    """``transform``, complex (a, b): catalogue position z goes to a z + b on the frame's plane."""

    star: np.ndarray = field(default_factory=lambda: np.empty(0, int))
    listed: np.ndarray = field(default_factory=lambda: np.empty(0, int))
    separation_px: np.ndarray = field(default_factory=lambda: np.empty(0))
    transform: np.ndarray = field(default_factory=lambda: np.array([1, 0j]))
    scatter_px: float = np.nan
    radius_px: float = MAX_RADIUS_PX


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
        if len(self.stars) == 0 or len(within) == 0:
            return _Pairs()
        points = listed[within]
        offset = _vote(self.stars[self.order[:VOTERS]], points[:VOTERS])
        found = self._refined(points, np.array([1, complex(*offset)]))
        if found is None or self._has_run_away(found.transform):
            return _Pairs()
        return replace(found, listed=within[found.listed])

    def _refined(self, points: np.ndarray, transform: np.ndarray) -> _Pairs | None:
        """Pairs by a transform that is fitted to them; None where they run out."""
        tree = cKDTree(self.stars)
        radius, scatter = 6.0, np.nan
        for _ in range(6):
            star, partner, _ = mutual_nearest(tree, _apply(transform, points), radius)
            if len(star) < 3:
                return None
            transform = similarity(_complex(points[partner]), _complex(self.stars[star]))
            apart = _apply(transform, points[partner]) - self.stars[star]
            scatter = _rayleigh_scatter(np.hypot(*apart.T), radius)
            radius = float(np.clip(SCATTER_RADII * scatter, MIN_RADIUS_PX, MAX_RADIUS_PX))
        star, partner, distance = mutual_nearest(tree, _apply(transform, points), radius)
        return _Pairs(
            star=star,
            listed=partner,
            separation_px=distance,
            transform=transform,
            scatter_px=scatter,
            radius_px=radius,
        )

    def _has_run_away(self, transform: np.ndarray) -> bool:
        return np.abs(_corner_motion(transform, self.size_px)).max() > 1.5 * REACH_PX


def _vote(stars: np.ndarray, listed: np.ndarray) -> np.ndarray:
    """Offset (catalogue to frame) on which most pairs of stars agree, within REACH_PX."""
    pairs = cKDTree(listed).query_ball_point(stars, REACH_PX * np.sqrt(2))
    differences = [stars[i] - listed[group] for i, group in enumerate(pairs) if group]
    if not differences:
        return np.zeros(2)
    bins = np.arange(-REACH_PX - 1, REACH_PX + 2, 1.0)
    x_px, y_px = np.concatenate(differences).T
    votes = np.histogram2d(x_px, y_px, bins=[bins, bins])[0]
    x, y = np.unravel_index(np.argmax(_crowd(votes)), votes.shape)
    return np.array([bins[x] + 0.5, bins[y] + 0.5])


def _crowd(votes: np.ndarray) -> np.ndarray:
    """Votes within two bins of each, the edges joined."""
    near = [np.roll(votes, (i, j), (0, 1)) for i in range(-2, 3) for j in range(-2, 3)]
    return np.sum(near, axis=0)


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
    return scatter_per_axis(sample)


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
