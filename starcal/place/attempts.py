"""A hypothesis grown from the brightest stars to all, and weighed against chance."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import pdtrc

from ..catalogue import CatalogueStars
from ..robust import scatter_per_axis
from .match import mutual_nearest
from .plate import Plate, best_plate, fit_plate

GROWING_REACH = (
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


@dataclass(frozen=True, kw_only=True, eq=False)
class Attempt:
    """A hypothesis grown to all bright stars, and how it compares with chance.

    Attributes
    ----------
    plate : Plate
    star, listed : ndarray of int
        Pairs: rows of the detections by brightness, and of the catalogue.
    catalogue : CatalogueStars
    n_listed : int
        Catalogue stars on the frame that were looked for.
    chance : float
        Mean number of pairs at other places of the frame.
    false_log10 : float
        Decimal logarithm of the number of false ones as good that were to be expected.
    """

    plate: Plate
    star: NDArray
    listed: NDArray
    catalogue: CatalogueStars
    n_listed: int
    chance: float
    false_log10: float

    @property
    def sure(self) -> bool:
        """Whether it may be believed."""
        return (
            len(self.star) >= FEWEST_PAIRS
            and self.false_log10 <= SURE_LOG10
            and len(self.star) >= LEAST_SHARE * self.n_listed
        )


@dataclass(frozen=True, eq=False)
class _Seen:
    """Detections, undistorted and brightest first; the catalogue, brightest first; (rows,
    columns)."""

    xy_px: NDArray
    catalogue: CatalogueStars
    shape: tuple[int, int]

    def on_frame(self, plate: Plate) -> NDArray:
        """Catalogue stars that fall on the frame, brightest first, by the plate's linear part."""
        x, y = self.frame_px(plate)
        inside_x = (x > -0.5) & (x < self.shape[1] - 0.5)
        inside_y = (y > -0.5) & (y < self.shape[0] - 0.5)
        return np.flatnonzero(inside_x & inside_y)

    def frame_px(self, plate: Plate) -> tuple[NDArray, NDArray]:
        """Where the catalogue's stars fall, by the plate's linear part."""
        w = plate.listed(self.catalogue.ra_deg, self.catalogue.dec_deg) * plate.unit_px
        a, c = plate.terms[1], plate.terms[2] if plate.level else 0
        z = (np.conj(a) * w - c * np.conj(w)) / (abs(a) ** 2 - abs(c) ** 2)
        x = z.real if plate.mirrored else -z.real
        return plate.origin_px[0] + x, plate.origin_px[1] + z.imag

    def pairs(
        self,
        plate: Plate,
        n_stars: int,
        rows: NDArray,
        radius_px: float,
    ):
        """Mutual nearest of the brightest detections and ``rows``: row of the detections, of
        ``rows``, and distance in pixels."""
        xy = self.xy_px[:n_stars]
        if len(rows) == 0 or len(xy) == 0:
            return np.empty(0, int), np.empty(0, int), np.empty(0)
        sky = plate.listed(self.catalogue.ra_deg[rows], self.catalogue.dec_deg[rows])
        tree = cKDTree(_points_px(plate.plane(xy), plate.pixel_deg))
        return mutual_nearest(tree, _points_px(sky, plate.pixel_deg), radius_px)

    def of_pairs(self, star: NDArray, rows: NDArray) -> tuple[NDArray, NDArray, NDArray]:
        """Places on the frame and on the sky of paired stars, as plates are fitted to."""
        return self.xy_px[star], self.catalogue.ra_deg[rows], self.catalogue.dec_deg[rows]


def _points_px(numbers, pixel_deg) -> NDArray:
    return np.column_stack([numbers.real, numbers.imag]) / pixel_deg


def better(one: Attempt | None, other: Attempt | None) -> Attempt | None:
    """The less likely false of two; None only where both are."""
    there = [attempt for attempt in (one, other) if attempt is not None]
    return min(there, key=lambda attempt: attempt.false_log10, default=None)


def grown(
    plate: Plate,
    xy_px: NDArray,
    catalogue: CatalogueStars,
    shape: tuple[int, int],
    n_tried: int,
) -> Attempt | None:
    """Refine a hypothesis with ever more stars and an ever smaller radius, and weigh it.

    Parameters
    ----------
    plate : Plate
        The hypothesis.
    xy_px : ndarray, shape (n, 2)
        Detections, undistorted 0-based pixels, brightest first.
    catalogue : CatalogueStars
        Brightest first.
    shape : tuple of int
        (rows, columns).
    n_tried : int
        How many hypotheses there were: the chance of a false one grows with them.

    Returns
    -------
    Attempt or None
        None where the pairs run out.
    """
    seen = _Seen(xy_px, catalogue, shape)
    steps = _grown_plate(plate, seen)
    if steps is None:
        return None
    plate, radius_px = steps
    listed = seen.on_frame(plate)[: GROWING_REACH[-1][1]]
    n_stars = 2 * len(listed) + 10
    star, _, apart = seen.pairs(plate, n_stars, listed, radius_px)
    if len(star) < FREE_PAIRS + 1:
        return None
    radius_px = max(LEAST_RADIUS_PX, RADIUS_SCATTERS * scatter_per_axis(apart))
    star, partner, _ = seen.pairs(plate, n_stars, listed, radius_px)
    attempt = Attempt(
        plate=plate,
        star=star,
        listed=listed[partner],
        catalogue=catalogue,
        n_listed=len(listed),
        chance=_chance(plate, seen, n_stars, listed, radius_px),
        false_log10=np.nan,
    )
    return replace(attempt, false_log10=_false_log10(attempt, n_tried))


def _grown_plate(plate, seen) -> tuple[Plate, float] | None:
    """The plate grown to all bright stars, and the radius that it came to."""
    listed = seen.on_frame(plate)
    for share, n_stars in (*GROWING_REACH, GROWING_REACH[-1]):
        radius_px = max(share * max(seen.shape), LEAST_RADIUS_PX)
        rows = listed[:n_stars]
        star, partner, _ = seen.pairs(plate, 2 * n_stars, rows, radius_px)
        if len(star) < FREE_PAIRS + 1:
            return None
        xy_px, ra_deg, dec_deg = seen.of_pairs(star, rows[partner])
        plate = fit_plate(xy_px, ra_deg, dec_deg, plate, 0 if len(star) < LINEAR_FROM else 1)
        listed = seen.on_frame(plate)
    return best_plate(xy_px, ra_deg, dec_deg, plate), radius_px


def _false_log10(attempt, n_tried) -> float:
    more_than = len(attempt.star) - FREE_PAIRS - 1
    with np.errstate(divide="ignore"):  # none at all where chance pairs nothing
        alike = np.log10(pdtrc(more_than, attempt.chance))
    return float(alike + np.log10(max(n_tried, 1)))


def _chance(
    plate,
    seen,
    n_stars,
    rows,
    radius_px,
) -> float:
    """Mean number of pairs with the catalogue's stars moved, round the edges of the frame, to many
    places.

    The places are evenly strewn (Roberts 2018's R2 sequence); what a uniform field gives is the
    least.
    """
    stars = seen.xy_px[:n_stars]
    size = np.array([seen.shape[1], seen.shape[0]], float)
    listed = np.column_stack(seen.frame_px(plate))[rows]
    tree = cKDTree(stars)
    shift = (
        np.outer(np.arange(1, CHANCE_PLACES + 1), (0.7548776662466927, 0.5698402909980532)) % 1
    )
    counts = [
        len(mutual_nearest(tree, (listed + place * size) % size, radius_px)[0])
        for place in shift
    ]
    uniform = len(stars) * len(rows) * np.pi * radius_px**2 / size.prod()
    return max(float(np.mean(counts)), uniform)
