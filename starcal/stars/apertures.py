"""Light of stars in apertures that are the same for every channel, and its noise where no star is.

One radius in pixels for all channels, a ring for the ground, no profile fitted to a single star:
what differs between the channels is then only how much of their light lies beyond the aperture,
which `growth` measures on all stars together. The noise is the scatter of the same measurement at
places without a star: on nebula it is several times what photons and readout explain.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..robust import scatter_about_zero, square_round, upper_median
from ..texts import told_shortly
from .alike import GREEN, OTHERS, Alike, alike_by
from .clipping import clipped_rows
from .columns import in_channels, places_of
from .cut_sky import CutSky
from .flags import Flag
from .leaks import GOLDEN_ANGLE, leaks_into
from .shapes import distances_in_stamps, stamps_round

RADII_WIDTHS = (0.7, 1.0, 1.4, 2.0, 2.5, 3.5, 5.0, 7.0)  # in units of the common width
ALL_STARS_TO = 3.5  # of them; further out only the brightest stars that stand alone tell
MOST_FAR_STARS = 40
# A halo's light is told by the ring of the first radius less that of the second, which lie 5.3 to
# 8.8 and 15 to 25 widths from a star; it counts as if it filled the first to the last radius.
HALO_OF_RINGS_WIDTHS = (3.5, 10.0)
HALO_FILLS_WIDTHS = (7.0, 14.0)
FIT_RADIUS_WIDTHS = 1.0  # of the light that gains rest on: near the best signal-to-noise
CLEAR_WIDTHS = 1.2  # round a star, not to be taken for ground
CLEAR_SATURATED_WIDTHS = 3.0  # round a clipped one, whose wings are bright
LEAST_SIGMA_STEPS = 0.5  # of a ring of coarse values: those next to the median belong to it
CLIP_ROUNDS = 3
MOST_RING_PX = 1500  # that a mean is taken of; more do not make it better than the aperture
# of a star's light near it, at most: nine tenths of it are masked, what is left, 3 %, is as much
# as stars' own profiles scatter. Fewer would leave in crowded fields only the few stars, faint ones
# among them, that happen to have no detection in their wings.
NEIGHBOUR_SHARE = 0.3
# of others in the aperture, as a share of the star's own light: beyond, its place is theirs as well
MOST_LEAKED = 0.5
APERTURE_BATCH = 400  # stars at once, to bound memory
MOST_FREE_PLACES = 900
TRIES_A_STAR = 24  # places round each star, of which some are free
FREE_DISTANCE_WIDTHS = (4.0, 14.0)  # of such places from their star
LEAST_NOISE = 0.8  # of that of the pixels added up: steps of 8-bit data, black in a star layer
NEAREST_FREE = 24  # free places that tell the noise at a star
FEWEST_FREE = 6
FAINTEST_TO_AVOID_SNR = (
    0.0,
    10.0,
    30.0,
    100.0,
)  # in crowded fields fainter ones count as noise

WIDTH_STARS = 60  # the brightest that tell the width
FEWEST_WIDTH_STARS = 3
PROFILE_BIN_PX = 0.5
PROFILE_HALF_WIDTHS = 4.0  # half the stamps that the profile is taken from, in expected widths
LEAST_PROFILE_HALF_PX = 10  # so that a wrong guess does not set the answer
SHINING_SHARE = 0.8  # of the stars, that have to show light in a channel
WIDEST_HALF_PX = 64  # stars as wide as that are no stars
NARROWEST_PX = 1.1  # a single pixel has a profile as wide as this


@dataclass(frozen=True, eq=False)
class Widths:
    """Widths of the stars in the three channels, R, G, B.

    Attributes
    ----------
    fwhm_px : ndarray, shape (3,)
        Full width at half maximum of the median profile; NaN where it could not be measured.
    common_px : float
        Geometric mean of those that were measured, or what was expected.
    failed : tuple of int
        Channels whose profile does not fall to its half between one pixel and the stamps' rim.
    """

    fwhm_px: NDArray
    common_px: float
    failed: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class ApertureLight:
    """Light of stars in apertures that are equal in all channels.

    Attributes
    ----------
    widths : Widths
        Of the stars' profiles; radii are in units of the common one.
    row : ndarray of int, shape (n,)
        Rows of the star table that the catalogue knows.
    flux, noise : ndarray, shape (3, n)
        Within `FIT_RADIUS_WIDTHS`, over the ring; and its scatter at star-free places nearby, in
        units of full scale.
    shape_row : ndarray of int, shape (m,)
        Rows of clean stars, matched or not, that tell how light grows with radius.
    growth_flux : ndarray, shape (3, 8, m)
        Their light within each of `RADII_WIDTHS`, as it grows on planes that are alike; NaN where
        it was not measured.
    alike_ln : ndarray, shape (2, m), or None
        By how much more of the light of R and of B than of that of G the narrow aperture holds when
        they are made alike, ln; None where they are so.
    neighbours : ndarray, shape (8, m)
        Light of other stars near each radius, as a share of the star's.
    shape_noise : ndarray, shape (3, m)
        As ``noise``.
    free_places : int
        Number of star-free places that the noise is known from.
    halo : ndarray, shape (2, m), or None
        By how much more of the light of R and of B than of that of G lies in a wide halo, NaN where
        it was not looked at.
    """

    widths: Widths
    row: NDArray
    flux: NDArray
    noise: NDArray
    shape_row: NDArray
    growth_flux: NDArray
    neighbours: NDArray
    shape_noise: NDArray
    free_places: int
    alike_ln: NDArray | None = None
    halo: NDArray | None = None

    __repr__ = told_shortly


# --- widths -----------------------------------------------------------------------------


def measure_widths(pixels: NDArray, x_px: NDArray, y_px: NDArray, expected_px: float) -> Widths:
    """Widths of the stars in each channel, whatever their profile.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
    x_px, y_px : ndarray, shape (n,)
        Of clean stars, brightest first: of a catalogue, never of mere detections, which may be hot
        pixels.
    expected_px : float
        A guess; it bounds the answer to 1.1 pixels and twice the stamps' half only.

    Returns
    -------
    Widths
    """
    half = int(max(LEAST_PROFILE_HALF_PX, np.ceil(PROFILE_HALF_WIDTHS * expected_px)))
    x_px, y_px = x_px[:WIDTH_STARS], y_px[:WIDTH_STARS]
    fwhm_px = np.full(3, np.nan)
    if len(x_px) >= FEWEST_WIDTH_STARS:
        for channel, plane in enumerate(pixels):
            fwhm_px[channel] = _width_in_reach(plane, x_px, y_px, half)
    known = np.isfinite(fwhm_px)
    common = float(np.exp(np.mean(np.log(fwhm_px[known])))) if known.any() else expected_px
    return Widths(fwhm_px, common, tuple(int(c) for c in np.flatnonzero(~known)))


def _width_in_reach(plane: NDArray, x_px: NDArray, y_px: NDArray, half: int) -> float:
    """Width, from stamps twice as wide as it at least; NaN if the widest do not do."""
    while True:
        width = _profile_width(plane, x_px, y_px, half)
        if width <= half:
            return width
        if 2 * half > WIDEST_HALF_PX:
            return np.nan
        half *= 2


def _profile_width(plane: NDArray, x_px: NDArray, y_px: NDArray, half: int) -> float:
    """Full width at half maximum of the median radial profile; NaN if it has none."""
    radius, level = radial_profile(plane, x_px, y_px, half)
    top = np.nanmax(level[: max(2, half)], initial=-np.inf)
    if not (np.isfinite(top) and top > 0):
        return np.nan
    width = 2 * _crossing_px(radius, level, 0.5 * top)
    return width if width > NARROWEST_PX else np.nan


def _crossing_px(radius: NDArray, level: NDArray, at: float) -> float:
    """Outermost radius at which a profile falls to some level; NaN if it ends before."""
    last = int(np.flatnonzero(np.nan_to_num(level) >= at)[-1])
    if last + 1 >= len(level) or not np.isfinite(level[last + 1]):
        return np.nan
    share = (level[last] - at) / (level[last] - level[last + 1])
    return float(radius[last] + share * (radius[last + 1] - radius[last]))


def radial_profile(
    plane: NDArray, x_px: NDArray, y_px: NDArray, half: int
) -> tuple[NDArray, NDArray]:
    """Median profile of stars, each scaled by its own light: radii in pixels, and levels."""
    radius = distances_in_stamps(x_px, y_px, half)
    values = _scaled_by_light(stamps_round(plane, x_px, y_px, half).astype(float), radius, half)
    good = np.isfinite(values).any(axis=(1, 2))
    if good.sum() < max(FEWEST_WIDTH_STARS, SHINING_SHARE * len(good)):
        return np.zeros(1), np.full(1, np.nan)  # a channel without light
    known = np.isfinite(values)
    edges = np.arange(0, 0.75 * half, PROFILE_BIN_PX)
    bins = np.digitize(radius[known], edges) - 1
    values, radius = values[known], radius[known]
    number = range(len(edges) - 1)
    middle = [_median_or_nan(radius[bins == b]) for b in number]
    level = [_median_or_nan(values[bins == b]) for b in number]
    return np.array(middle), np.array(level)


def _scaled_by_light(stamps: NDArray, radius: NDArray, half: int) -> NDArray:
    """Stamps over their rims, each for a star of light 1; NaN where it does not shine."""
    rim = np.where(radius > 0.8 * half, stamps, np.nan)
    level = np.nan_to_num(upper_median(rim.reshape(len(stamps), -1)))
    values = stamps - level[:, None, None]
    light = np.nansum(np.where(radius < 0.5 * half, values, 0), axis=(1, 2))
    return values / np.where(light > 0, light, np.nan)[:, None, None]


def _median_or_nan(values: NDArray) -> float:
    return float(upper_median(values)) if len(values) else np.nan


# --- apertures --------------------------------------------------------------------------


def taken_pixels(stars: Table, width_px: float) -> NDArray:
    """Pixels near a star of the table, (y, x) bool: they are no ground."""
    taken = np.zeros(stars.meta["shape"], bool)
    saturated = stars["flags"] & Flag.SATURATED != 0
    reach = np.where(saturated, CLEAR_SATURATED_WIDTHS, CLEAR_WIDTHS) * width_px
    for limit in np.unique(reach):
        _paint_discs(taken, places_of(stars)[reach == limit], limit)
    return taken


def _paint_discs(taken: NDArray, xy_px: NDArray, radius_px: float) -> None:
    half = int(np.ceil(radius_px))
    dy, dx = square_round(half)
    inside = np.hypot(dy, dx) <= radius_px
    column, row = np.rint(xy_px).astype(int).T
    rows = row[:, None] + dy[inside]
    columns = column[:, None] + dx[inside]
    height, width = taken.shape
    on = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    taken[rows[on], columns[on]] = True


def aperture_flux(
    pixels: NDArray,
    taken: NDArray,
    x_px: NDArray,
    y_px: NDArray,
    radius_px: float,
    least_sigma: tuple[float, ...] = (0.0, 0.0, 0.0),
) -> NDArray:
    """Light within a soft-edged aperture over the clipped mean of a ring, the same in all channels.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
    taken : ndarray of bool, shape (y, x)
        Pixels that belong to stars; left out of the ring.
    x_px, y_px : ndarray, shape (n,)
    radius_px : float
        Of the aperture; the ring reaches from 1.5 of it and 2 px to 2.5 of it and 4 px.
    least_sigma : tuple of float
        Scatter that the ground of each channel has at least, by which odd pixels are told.

    Returns
    -------
    ndarray, shape (3, n)
        NaN where a pixel of the aperture has no data or the ring is empty.
    """
    if len(x_px) == 0:
        return np.empty((len(pixels), 0))
    parts = [
        _chunk_flux(
            pixels,
            taken,
            x_px[i : i + APERTURE_BATCH],
            y_px[i : i + APERTURE_BATCH],
            radius_px,
            least_sigma,
        )
        for i in range(0, len(x_px), APERTURE_BATCH)
    ]
    return np.concatenate(parts, axis=1)


def _chunk_flux(pixels, taken, x_px, y_px, radius_px, least_sigma) -> NDArray:
    half = int(np.ceil(radius_px + 0.5)) + 1
    share = np.clip(radius_px + 0.5 - distances_in_stamps(x_px, y_px, half), 0, 1)
    ring = _masked_ring(taken, x_px, y_px, radius_px)
    flux = np.empty((len(pixels), len(x_px)))
    for channel, plane in enumerate(pixels):
        stamps = stamps_round(plane, x_px, y_px, half).astype(float)
        ground = ring.level(plane, least_sigma[channel])
        flux[channel] = _sum_within(stamps, share) - share.sum(axis=(1, 2)) * ground
    return flux


def _sum_within(stamps: NDArray, share: NDArray) -> NDArray:
    """Sum of the pixels in soft-edged apertures, by the share of each, (n,)."""
    return np.where(share > 0, stamps * share, 0).sum(axis=(1, 2))


@dataclass(frozen=True, eq=False)
class _Ring:
    """Pixels of the rings round n stars, (n, pixels) each, and which are not on the frame or belong
    to stars."""

    rows: NDArray
    columns: NDArray
    masked: NDArray

    def level(self, plane: NDArray, least_sigma: float) -> NDArray:
        """Clipped mean of each, (n,)."""
        values = np.where(self.masked, np.nan, plane[self.rows, self.columns])
        return clipped_mean(values, least_sigma)


def _masked_ring(taken: NDArray, x_px: NDArray, y_px: NDArray, radius_px: float) -> _Ring:
    """Ring round each star."""
    dy, dx = _ring_offsets(1.5 * radius_px + 2, 2.5 * radius_px + 4)
    rows = np.rint(y_px).astype(int)[:, None] + dy
    columns = np.rint(x_px).astype(int)[:, None] + dx
    height, width = taken.shape
    outside = (rows < 0) | (rows >= height) | (columns < 0) | (columns >= width)
    rows = np.clip(rows, 0, height - 1)
    columns = np.clip(columns, 0, width - 1)
    return _Ring(rows, columns, outside | taken[rows, columns])


def _ring_offsets(inner_px: float, outer_px: float) -> tuple[NDArray, NDArray]:
    """Rows and columns of a ring's pixels from its middle, thinned where they are many."""
    half = int(np.ceil(outer_px))
    dy, dx = square_round(half).reshape(2, -1)
    distance = np.hypot(dy, dx)
    ring = np.flatnonzero((distance >= inner_px) & (distance <= outer_px))
    ring = ring[:: max(1, -(-len(ring) // MOST_RING_PX))]
    return dy[ring], dx[ring]


def clipped_mean(values: NDArray, least_sigma: float = 0.0) -> NDArray:
    """Mean along axis 1 within three sigmas of the median, NaN left out; NaN where there is
    nothing."""
    return clipped_rows(values.astype(float), CLIP_ROUNDS, least_sigma).mean


def growing_flux(
    pixels: NDArray,
    taken: NDArray,
    x_px: NDArray,
    y_px: NDArray,
    width_px: float,
    radii_widths: tuple[float, ...],
    least_sigma: tuple[float, ...] = (0.0, 0.0, 0.0),
    cut: tuple[CutSky | None, ...] = (None, None, None),
) -> NDArray:
    """Light of stars within each of some radii, (3, radii, n), over levels as of `aperture_flux`;
    where other stars are, the mean of the pixels as far from the middle stands in, and where the
    sky was cut at black, the light that lifts it so much."""
    radii_px = [r * width_px for r in radii_widths]
    if len(x_px) == 0:
        return np.empty((len(pixels), len(radii_px), 0))
    half = int(np.ceil(radii_px[-1] + 0.5)) + 1
    distance = distances_in_stamps(x_px, y_px, half)
    others = _taken_round(taken, x_px, y_px, half)
    others &= distance > CLEAR_WIDTHS * width_px + 1
    filled = [_others_filled(plane, x_px, y_px, half, others, distance) for plane in pixels]
    circles = _Circles(
        shares=[np.clip(radius + 0.5 - distance, 0, 1) for radius in radii_px],
        rings=[_masked_ring(taken, x_px, y_px, radius) for radius in radii_px],
    )
    channels = zip(pixels, filled, least_sigma, cut, strict=True)
    return np.array([circles.light(*channel) for channel in channels])


@dataclass(frozen=True, eq=False, kw_only=True)
class _Circles:
    """Circles round n stars, from narrow to wide: the share of each stamp's pixels in them, and the
    rings for their ground."""

    shares: list[NDArray]
    rings: list[_Ring]

    def light(
        self, plane: NDArray, stamps: NDArray, least_sigma: float, sky: CutSky | None
    ) -> NDArray:
        """Light of a channel within each, (circles, n), by the stamps of its stars."""
        least_sigma = least_sigma if sky is None else sky.sigma
        area = np.array([share.sum(axis=(1, 2)) for share in self.shares])
        sums = np.array([_sum_within(stamps, share) for share in self.shares])
        ground = np.array([ring.level(plane, least_sigma) for ring in self.rings])
        if sky is None:
            return sums - area * ground
        return sky.light_within(sums, area, ground)


def _taken_round(taken: NDArray, x_px: NDArray, y_px: NDArray, half: int) -> NDArray:
    """Stamps of the pixels that belong to stars; beyond the frame none does."""
    offset = np.arange(-half, half + 1)
    rows = (np.rint(y_px).astype(int)[:, None] + offset)[:, :, None]
    columns = (np.rint(x_px).astype(int)[:, None] + offset)[:, None, :]
    height, width = taken.shape
    on = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    rows = np.clip(rows, 0, height - 1)
    columns = np.clip(columns, 0, width - 1)
    return on & taken[rows, columns]


def _others_filled(
    plane: NDArray, x_px: NDArray, y_px: NDArray, half: int, others: NDArray, distance: NDArray
) -> NDArray:
    """Stamps with the pixels of other stars replaced by the mean of those equally far from the
    middle."""
    stamps = stamps_round(plane, x_px, y_px, half).astype(float)
    bins = distance.astype(int)
    bins_a_stamp = bins.max() + 1
    number = np.arange(len(stamps))
    index = bins + bins_a_stamp * number[:, None, None]
    kept = ~others & np.isfinite(stamps)
    mean = _means_by_index(index[kept], stamps[kept], index.max() + 1)
    return np.where(others, mean[index], stamps)


def _means_by_index(index: NDArray, values: NDArray, size: int) -> NDArray:
    """Mean of the values of each index, (size,); NaN where there is none."""
    total = np.bincount(index, values, minlength=size)
    count = np.bincount(index, minlength=size)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


# --- noise ------------------------------------------------------------------------------


def star_free_places(
    stars: Table, x_px: NDArray, y_px: NDArray, width_px: float
) -> tuple[NDArray, NDArray]:
    """Places near the stars given where no star of the table is.

    In crowded fields, where there is hardly one, faint stars are no longer avoided: their light is
    then part of the noise, as it is at the stars.
    """
    tries_x, tries_y = _places_round(x_px, y_px, width_px, stars.meta["shape"])
    clear = (FIT_RADIUS_WIDTHS + CLEAR_WIDTHS) * width_px
    for faintest in FAINTEST_TO_AVOID_SNR:
        near = places_of(stars)[np.asarray(stars["snr"]) >= faintest]
        free = np.ones(len(tries_x), bool)
        if len(near):
            free = cKDTree(near).query(np.column_stack([tries_x, tries_y]))[0] > clear
        if free.sum() >= NEAREST_FREE:
            break
    chosen = np.flatnonzero(free)
    chosen = chosen[:: max(1, -(-len(chosen) // MOST_FREE_PLACES))]
    return tries_x[chosen], tries_y[chosen]


def _places_round(x_px, y_px, width_px, shape) -> tuple[NDArray, NDArray]:
    """Places all round each star, at distances that grow like those of sunflower seeds."""
    tries = max(TRIES_A_STAR, -(-10 * NEAREST_FREE // max(len(x_px), 1)))
    dx, dy = _sunflower(tries, [d * width_px for d in FREE_DISTANCE_WIDTHS])
    x = (x_px[:, None] + dx).ravel()
    y = (y_px[:, None] + dy).ravel()
    margin = FIT_RADIUS_WIDTHS * width_px + 2
    on = (x >= margin) & (x <= shape[1] - 1 - margin)
    on &= (y >= margin) & (y <= shape[0] - 1 - margin)
    return x[on], y[on]


def _sunflower(tries: int, distances_px: list[float]) -> tuple[NDArray, NDArray]:
    """Places between two distances from a middle, evenly spread over the area."""
    nearest2, farthest2 = np.square(distances_px)
    number = np.arange(tries)
    distance = np.sqrt(nearest2 + (number + 0.5) / tries * (farthest2 - nearest2))
    angle = number * GOLDEN_ANGLE
    return distance * np.cos(angle), distance * np.sin(angle)


def noise_near(
    free_xy_px: NDArray, free_flux: NDArray, x_px: NDArray, y_px: NDArray
) -> NDArray | None:
    """Scatter of the same measurement at the nearest star-free places, (3, n).

    Parameters
    ----------
    free_xy_px, free_flux : ndarray, shapes (m, 2) and (3, m)
        Places without a star, and what was measured there.
    x_px, y_px : ndarray, shape (n,)

    Returns
    -------
    ndarray or None
        1.48 times the median absolute value; None with fewer than `FEWEST_FREE` places.
    """
    known = np.isfinite(free_flux).all(axis=0)
    if known.sum() < FEWEST_FREE or len(x_px) == 0:
        return None
    count = min(NEAREST_FREE, int(known.sum()))
    tree = cKDTree(free_xy_px[known])
    places = np.column_stack([x_px, y_px])
    _, nearest = tree.query(places, k=count)
    nearest = nearest.reshape(len(x_px), count)
    return scatter_about_zero(free_flux[:, known][:, nearest], axis=2)


# --- all of it --------------------------------------------------------------------------


def measure_apertures(
    pixels: NDArray, stars: Table, row: NDArray, shape_row: NDArray, width_row: NDArray
) -> ApertureLight:
    """Measure stars in equal apertures, and their noise.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        Linear; hot pixels mended.
    stars : Table
        Of `measure_stars`.
    row : ndarray of int
        Stars to be measured for a fit; of these, those into whose aperture little light of others
        falls.
    shape_row : ndarray of int
        Clean stars that tell how light grows with radius.
    width_row : ndarray of int
        Clean stars of a catalogue, brightest first, that tell the width.

    Returns
    -------
    ApertureLight
    """
    x_px, y_px = places_of(stars).T
    expected_px = float(np.mean(stars.meta["fwhm_px"]))
    widths = measure_widths(pixels, x_px[width_row], y_px[width_row], expected_px)
    taken = taken_pixels(stars, widths.common_px)
    radius_px = FIT_RADIUS_WIDTHS * widths.common_px
    noise_of, free_places = _noise_about(
        pixels, stars, taken, np.union1d(row, shape_row), radius_px
    )
    row, flux, leak_error = _own_light(pixels, taken, stars, row, widths)
    neighbours = _neighbour_shares(stars, shape_row, widths.common_px)
    alike = _alike_of(pixels, stars, width_row, widths)
    growth_flux, alike_ln = _growing(
        pixels, taken, stars, shape_row, neighbours, widths.common_px, alike
    )
    return ApertureLight(
        widths=widths,
        row=row,
        flux=flux,
        noise=np.hypot(noise_of(row), leak_error),
        shape_row=shape_row,
        growth_flux=growth_flux,
        alike_ln=alike_ln,
        neighbours=neighbours,
        shape_noise=noise_of(shape_row),
        free_places=free_places,
        halo=_halo_of(
            pixels, taken, stars, shape_row, growth_flux, neighbours, widths.common_px
        ),
    )


def _halo_of(pixels, taken, stars, row, growth_flux, neighbours, width_px) -> NDArray:
    """Share of the light of stars in a wide halo, R and B more than G, (2, n); of the brightest
    alone."""
    some = _brightest_alone(stars, row, neighbours)
    x_px, y_px = places_of(stars)[row[some]].T
    radii_px = np.array(HALO_OF_RINGS_WIDTHS) * width_px
    inner, outer = [_masked_ring(taken, x_px, y_px, radius) for radius in radii_px]
    fills_px = np.array(HALO_FILLS_WIDTHS) * width_px
    near, far = np.square(fills_px)
    light = growth_flux[:, RADII_WIDTHS.index(ALL_STARS_TO), some]
    share = np.empty(light.shape)
    for channel, least_sigma in enumerate(_least_sigmas(stars)):
        plane = pixels[channel]
        near_level = inner.level(plane, least_sigma)
        far_level = outer.level(plane, least_sigma)
        in_halo = np.pi * (far - near) * (near_level - far_level)
        share[channel] = in_halo / _positive(light[channel])
    halo = np.full((2, len(row)), np.nan)
    halo[:, some] = share[list(OTHERS)] - share[GREEN]
    return halo


def _brightest_alone(stars: Table, row: NDArray, neighbours: NDArray) -> NDArray:
    """Which of the rows are the brightest stars without others near."""
    near = RADII_WIDTHS.index(ALL_STARS_TO) + 1
    alone = np.flatnonzero(neighbours[near] < NEIGHBOUR_SHARE)
    brightest = np.argsort(np.asarray(stars["snr"])[row[alone]])[::-1]
    return alone[brightest[:MOST_FAR_STARS]]


def _own_light(pixels, taken, stars, row, widths) -> tuple[NDArray, NDArray, NDArray]:
    """Rows of the stars whose narrow aperture holds more light of theirs than of others; their own
    light, and the error of what was taken off for that of others."""
    radius_px = FIT_RADIUS_WIDTHS * widths.common_px
    leaks = leaks_into(stars, row, radius_px, widths.fwhm_px, widths.common_px)
    x_px, y_px = places_of(stars)[row].T
    flux = (
        aperture_flux(pixels, taken, x_px, y_px, radius_px, _least_sigmas(stars)) - leaks.light
    )
    own = ~(leaks.light > MOST_LEAKED * flux).any(axis=0)
    return row[own], flux[:, own], leaks.error[:, own]


def _neighbour_shares(stars: Table, row: NDArray, width_px: float) -> NDArray:
    """Light of others within each radius and what their own reaches, as a share of the star's,
    (radii, n)."""
    light = np.nan_to_num(np.nansum(in_channels(stars), axis=0))
    tree = cKDTree(places_of(stars))
    shares = np.empty((len(RADII_WIDTHS), len(row)))
    for index, radius in enumerate(RADII_WIDTHS):
        reach = (radius + CLEAR_WIDTHS) * width_px
        near = tree.query_ball_point(places_of(stars)[row], reach)
        others = np.array([light[group].sum() for group in near]) - light[row]
        shares[index] = others / np.maximum(light[row], 1e-30)
    return shares


def _least_sigmas(stars: Table) -> tuple[float, ...]:
    """Scatter that the ground of each channel has at least: some of a step of coarse values."""
    return tuple(LEAST_SIGMA_STEPS * step for step in stars.meta["noise"].step)


def _alike_of(pixels, stars: Table, width_row: NDArray, widths: Widths) -> Alike:
    """What makes channels alike; none where a sky was cut, or its black would be blurred."""
    if any(stars.meta["noise"].cut):
        return Alike()
    x_px, y_px = places_of(stars)[width_row].T
    return alike_by(pixels, x_px, y_px, widths.fwhm_px, widths.common_px)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Ground:
    """Planes of a frame and what is needed to follow light on them.

    Attributes
    ----------
    planes : sequence of ndarray, (y, x)
    least_sigma : tuple of float
        See `aperture_flux`.
    cut : tuple of CutSky or None
    """

    planes: Sequence[NDArray]
    least_sigma: tuple[float, ...]
    cut: tuple[CutSky | None, ...]


def _ground_alike(pixels, stars: Table, alike: Alike) -> _Ground:
    """The planes of a frame that are alike. What is odd in a blurred ring is told by the noise
    before the blur, or unseen stars would be left out there and counted in the softer channel."""
    sky = stars.meta["noise"]
    least_sigma = _least_sigmas(stars)
    if alike.as_they_are:
        return _Ground(planes=pixels, least_sigma=least_sigma, cut=sky.cut)
    of_plane = tuple(
        sky.noise[channel] if sigma_px else least_sigma[channel]
        for channel, sigma_px in alike.planes
    )
    return _Ground(
        planes=alike.of(pixels), least_sigma=of_plane, cut=(None,) * len(alike.planes)
    )


def _growing(
    pixels, taken, stars, row, neighbours, width_px, alike
) -> tuple[NDArray, NDArray | None]:
    """Light of stars within each of `RADII_WIDTHS`, (3, radii, n), on planes that are alike, and
    what making them so takes from it; see `ApertureLight`."""
    ground = _ground_alike(pixels, stars, alike)
    flux = alike.folded(_growing_on(ground, taken, stars, row, neighbours, width_px))
    if alike.as_they_are:
        return flux, None
    bare = growing_flux(
        pixels,
        taken,
        *places_of(stars)[row].T,
        width_px,
        (FIT_RADIUS_WIDTHS,),
        _least_sigmas(stars),
    )
    share = _positive(flux[:, RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)]) / _positive(bare[:, 0])
    return flux / share[:, None], np.log(share[list(OTHERS)] / share[GREEN])


def _positive(light: NDArray) -> NDArray:
    """The same, NaN where there is none."""
    return np.where(np.nan_to_num(light) > 0, light, np.nan)


def _growing_on(ground: _Ground, taken, stars, row, neighbours, width_px) -> NDArray:
    """Light of stars within each of `RADII_WIDTHS`, (planes, radii, n); beyond `ALL_STARS_TO` of
    the brightest alone, as wide stamps cost time and noise."""
    near = RADII_WIDTHS.index(ALL_STARS_TO) + 1
    flux = np.full((len(ground.planes), len(RADII_WIDTHS), len(row)), np.nan)
    # what a cut sky shows of light is not in proportion to it: then ring by ring from the middle
    far = slice(0 if any(ground.cut) else near, None)
    parts = (
        (slice(near), np.arange(len(row))),
        (far, _brightest_alone(stars, row, neighbours)),
    )
    for radii, some in parts:
        x_px, y_px = places_of(stars)[row[some]].T
        flux[:, radii, some] = growing_flux(
            ground.planes,
            taken,
            x_px,
            y_px,
            width_px,
            RADII_WIDTHS[radii],
            ground.least_sigma,
            ground.cut,
        )
    return flux


def _noise_about(pixels, stars, taken, near_row, radius_px):
    """A function that gives the noise at rows of the table, and the number of free places that it
    rests on."""
    x_px, y_px = places_of(stars).T
    width_px = radius_px / FIT_RADIUS_WIDTHS
    free = star_free_places(stars, x_px[near_row], y_px[near_row], width_px)
    sky = stars.meta["noise"]
    free_flux = aperture_flux(pixels, taken, *free, radius_px, _least_sigmas(stars))
    pixel_noise = np.sqrt(np.pi) * radius_px * np.array(sky.noise)
    rounding = np.pi * radius_px**2 * sky.step_error[:, None]

    def noise_of(row: NDArray) -> NDArray:
        measured = noise_near(np.column_stack(free), free_flux, x_px[row], y_px[row])
        if measured is None:
            measured = np.repeat(pixel_noise[:, None], len(row), axis=1)
        return np.hypot(np.maximum(measured, pixel_noise[:, None] * LEAST_NOISE), rounding)

    return noise_of, len(free[0])
