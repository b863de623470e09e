"""Finding stars: peaks of the filtered frame, one for each star."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..cores import in_threads
from ..robust import places_where, quantile_of_known, square_round
from .contrast import ALIKE, WIDE_KERNEL, Depth, star_snr
from .flags import SHAPE_SNR
from .noise import FrameNoise
from .shapes import (
    Shapes,
    half_width,
    luminance_stamps,
    measure_shapes,
    rim_level,
    rim_scatter,
    stamps_round,
)

FIRST_GUESS_FWHM_PX = 3.0
FEWEST_FOR_WIDTH = 5
IN_CHANNEL_HALF_PX = 6  # a peak is seen in a channel where its nine pixels stand above this rim
IN_CHANNEL_CORE = slice(IN_CHANNEL_HALF_PX - 1, IN_CHANNEL_HALF_PX + 2)
IN_CHANNEL_SIGMA = 3.0
IN_CHANNEL_SHARE = 0.1  # of the strongest channel; most real stars have a third and more
CLEAR_IN_CHANNEL = 6.0  # of the scatter of the rim: no noise and no nebula, whatever the share
ENOUGH_IN_ALL = 12  # peaks that show in every channel: their widths then tell those of all
GUESS_HALF_PX = (
    400  # half the height of the part that tells the FWHM; it is three times as wide
)
SEEN_TWICE_PX = 1.5  # by two strips; two stars are farther apart
STRIP_ROWS = 256  # a strip of luminance and its two smoothings stay near the cache
PLATEAU_SHARE = 0.98  # pixels above this share of the peak form a star's flat top
LEVEL_SPREAD = 1.05  # flats have lifted a level that all stars ended at by some per cent
CLIFF_FWHM = 6.0  # within so many FWHM a clipped star has fallen below half of its height
PAIR_ROUNDNESS = 0.75  # two stars in one are longer than any single one
PAIR_FAINTER = 0.15  # of the brighter's height
FAR_DEEPER = 2.0  # one channel than another
MAYBE_DEEPER = 1.5  # by a first look, which is some per cent off
# upper over lower quartile of widths: 1.0 to 1.1 of stars, 1.5 of a nebula's knots
STARS_QUARTILES = 1.3
PAIR_SADDLE = 0.9  # of the fainter's height
PAIR_SIGMA = 6.0  # of pixel noise, from the fainter's height to the saddle


def detect(
    pixels: np.ndarray,
    noise: FrameNoise,
    fwhm_px: float,
    snr_min: float,
    depth: Depth = ALIKE,
):
    """Peaks of what stands out as a star: x_px, y_px and their local SNR.

    Works in overlapping strips, so that no full-size temporary is made.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        Linear, NaN where there is no data.
    noise : FrameNoise
    fwhm_px : float
        Of its stars.
    snr_min : float
        Detection threshold.
    depth : tuple of float
        Of its stars; see `star_snr`.

    Returns
    -------
    x_px, y_px, snr : ndarray, (n,)
    """

    margin = int(np.ceil(5 * fwhm_px * WIDE_KERNEL / 2))

    def peaks(start):
        low = max(0, start - margin)
        high = min(pixels.shape[1], start + STRIP_ROWS + margin)
        snr = star_snr(pixels[:, low:high], noise, fwhm_px, depth)
        x, y, height = _pixel_peaks(snr, fwhm_px, snr_min)
        # A row more: blocks of noise lie otherwise in each strip, and a star between two rows may
        # top the row of the other strip in both.
        own = (y + low >= start - 1) & (y + low < start + STRIP_ROWS)
        x = x[own]
        y = y[own]
        dx, dy = summit(stamps_round(snr, x, y, 1))
        return x + dx, y + low + dy, height[own]

    found = in_threads(peaks, range(0, pixels.shape[1], STRIP_ROWS))
    x_px, y_px, snr = (np.concatenate(column) for column in zip(*found, strict=True))
    once = np.ones(len(snr), bool)
    border = _at_border(y_px)
    once[border] = most_significant(x_px[border], y_px[border], snr[border], SEEN_TWICE_PX)
    return x_px[once], y_px[once], snr[once]


def _at_border(y_px: np.ndarray) -> np.ndarray:
    """Which places two strips may have seen."""
    nearest = STRIP_ROWS * np.rint(y_px / STRIP_ROWS)
    return np.abs(y_px - nearest) < 2


def most_significant(
    x_px: np.ndarray, y_px: np.ndarray, snr: np.ndarray, reach_px: float
) -> np.ndarray:
    """Which detections have no more significant one within reach.

    Parameters
    ----------
    x_px, y_px, snr : ndarray, (n,)
    reach_px : float

    Returns
    -------
    ndarray, (n,) bool
    """
    keep = np.ones(len(x_px), bool)
    if len(x_px) > 1:
        tree = cKDTree(np.column_stack([x_px, y_px]))
        i, j = tree.query_pairs(reach_px, output_type="ndarray").T
        keep[np.where(snr[i] < snr[j], i, j)] = False
    return keep


def _pixel_peaks(snr, fwhm_px, snr_min):
    """Columns, rows and heights of the pixels above a threshold that top a box as wide as a star.

    Only the few pixels above the threshold are held against their neighbours, one neighbour after
    the other, so that ever fewer are left to compare.
    """
    row, column = places_where(snr > snr_min)
    height = snr[row, column]
    for down, across in _box_offsets(max(1, int(0.8 * fwhm_px))):
        top = height >= _values_at(snr, row + down, column + across)
        row, column, height = row[top], column[top], height[top]
    return column, row, height.astype(float)


def _box_offsets(half: int) -> np.ndarray:
    """Rows and columns of the pixels of a box from its middle, the nearest first, (n, 2)."""
    offsets = square_round(half).reshape(2, -1).T
    order = np.argsort(np.abs(offsets).max(axis=1), kind="stable")
    return offsets[order[1:]]


def _values_at(plane: np.ndarray, row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Values of pixels; beyond the plane, those of its rim."""
    height, width = plane.shape
    row = np.clip(row, 0, height - 1)
    column = np.clip(column, 0, width - 1)
    return plane[row, column]


def summit(stamps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Top of the parabola through each peak's pixel and its neighbours, in x and in y, at most half
    a pixel off."""
    middle = stamps[:, 1, 1]
    tops = []
    for before, after in (
        (stamps[:, 1, 0], stamps[:, 1, 2]),
        (stamps[:, 0, 1], stamps[:, 2, 1]),
    ):
        bend = np.maximum(2 * middle - before - after, 1e-6)
        top = np.nan_to_num((after - before) / (2 * bend))
        tops.append(np.clip(top, -0.5, 0.5))
    return tuple(tops)


@dataclass(frozen=True, kw_only=True, eq=False)
class FirstLook:
    """The stars in the middle of a frame (see `middle_of`), before all are looked for.

    Attributes
    ----------
    x_px, y_px : ndarray, (n,)
        Peaks that show as stars do, counted from the corner of the middle.
    fwhm_px : float
        Median of the brighter ones; a usual one where there are too few.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    fwhm_px: float


def first_look(pixels: np.ndarray, noise: FrameNoise, snr_min: float) -> FirstLook:
    """Look for stars in the middle of a frame, by their own width as soon as it is known.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
    noise : FrameNoise
    snr_min : float

    Returns
    -------
    FirstLook
    """
    band = pixels[:, *middle_of(pixels.shape[1:])]
    fwhm_px = FIRST_GUESS_FWHM_PX
    for _ in range(3):
        before = fwhm_px
        x, y, snr = detect(band, noise, before, max(snr_min, 8.0))
        real, fwhm_px = _stars_among(band, noise, before, x, y, snr)
        x, y = x[real], y[real]
        if np.isnan(fwhm_px):
            fwhm_px = FIRST_GUESS_FWHM_PX
            break
        if abs(fwhm_px / before - 1) < 0.15:
            break
    return FirstLook(x_px=x, y_px=y, fwhm_px=fwhm_px)


def middle_of(shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Rows and columns of the part of a frame of this shape that tells the FWHM."""
    top = shape[0] // 2
    left = shape[1] // 2
    half = GUESS_HALF_PX
    rows = slice(max(0, top - half), top + half)
    return rows, slice(max(0, left - 3 * half), left + 3 * half)


def _stars_among(
    band, noise: FrameNoise, fwhm_px: float, x, y, snr
) -> tuple[np.ndarray, float]:
    """Which of some peaks are stars, and their FWHM: those that show in all channels (rays show in
    one each), unless they are far wider than those that stand clear of what is round them there,
    for they are knots of a nebula that outshines its stars."""
    shown = shown_as_stars(band, noise, x, y)
    above = _above_rims(band, noise, x, y, by_rim=True)
    clear = (above > CLEAR_IN_CHANNEL).all(axis=0)
    shown_px, clear_px = [
        _seen_fwhm(band, noise, fwhm_px, x[some], y[some], snr[some]) for some in (shown, clear)
    ]
    if clear.sum() >= ENOUGH_IN_ALL and STARS_QUARTILES * clear_px < shown_px:
        return clear, clear_px
    return shown, shown_px


def _seen_fwhm(band, noise: FrameNoise, fwhm_px: float, x, y, snr) -> float:
    """Median FWHM of the brighter stars that a filter for this one has found; NaN of too
    few."""
    if len(x) < FEWEST_FOR_WIDTH:  # a few peaks may be anything
        return np.nan
    order = np.argsort(snr)[::-1]
    pick = order[len(order) // 20 :][:200]  # the very brightest are often saturated
    stamps = luminance_stamps(band, noise, x[pick], y[pick], half_width(fwhm_px))
    shape = measure_shapes(stamps, fwhm_px)
    return float(np.clip(quantile_of_known(shape.fwhm_px, 0.5), 1.2, 15.0))


def depth_of(pixels: np.ndarray, noise: FrameNoise, look: FirstLook, snr_min: float) -> Depth:
    """How far the stars in the middle of the frame stand out of the noise in each channel, up to a
    common factor; alike where there are few, or no channel is far deeper than another. Weights of
    their own then find more faint stars, but by their colours: what bright and faint ones say of
    the channels' response would differ. So would coarse values: the hues of a JPEG pass for stars.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
    noise : FrameNoise
    look : FirstLook
    snr_min : float

    Returns
    -------
    tuple of float
    """
    if any(noise.step):
        return ALIKE
    band = pixels[:, *middle_of(pixels.shape[1:])]
    fwhm_px = look.fwhm_px
    at_first = _depth_shown(band, noise, fwhm_px, look.x_px, look.y_px)
    if at_first and max(at_first) <= MAYBE_DEEPER * min(at_first):
        return ALIKE  # which spares another search
    x, y, _ = detect(band, noise, fwhm_px, max(snr_min, 8.0))
    real = shown_as_stars(band, noise, x, y)
    depth = _depth_shown(band, noise, fwhm_px, x[real], y[real])
    return depth if depth and max(depth) > FAR_DEEPER * min(depth) else ALIKE


def _depth_shown(band, noise: FrameNoise, fwhm_px: float, x, y) -> Depth | None:
    """How far the stars at some places stand out of the noise in each channel; None where there
    are few."""
    if len(x) < FEWEST_FOR_WIDTH:
        return None
    stamps = luminance_stamps(band, noise, x, y, half_width(fwhm_px))
    if not _of_one_width(measure_shapes(stamps, fwhm_px)):  # knots of nebula
        return None
    above = _above_rims(band, noise, x, y)
    share = above / np.maximum(np.linalg.norm(above, axis=0), 1e-9)
    depth = np.maximum(np.median(share, axis=1), 0)
    return tuple(depth.tolist())


def _of_one_width(shape: Shapes) -> bool:
    """Whether most have about the same width, as stars do."""
    width = shape.fwhm_px[np.isfinite(shape.fwhm_px)]
    if not len(width):
        return False
    low, high = np.quantile(width, (0.25, 0.75))
    return bool(high < STARS_QUARTILES * low)


def shown_as_stars(pixels, noise: FrameNoise, x_px, y_px) -> np.ndarray:
    """Which peaks show in all channels, as stars do and hot pixels do not.

    Where few do, one channel may show all stars far better than the others: which stand clear of
    what is round them in all. Where few do that, which show in two or more.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
    noise : FrameNoise
    x_px, y_px : ndarray, (n,)

    Returns
    -------
    ndarray, (n,) bool
    """
    above = _above_rims(pixels, noise, x_px, y_px)
    strongest = above.max(axis=0, initial=0)
    seen = above > np.maximum(IN_CHANNEL_SIGMA, IN_CHANNEL_SHARE * strongest)
    if _enough_in_all(seen):
        return seen.all(axis=0)
    clear = seen | (_above_rims(pixels, noise, x_px, y_px, by_rim=True) > CLEAR_IN_CHANNEL)
    return clear.all(axis=0) if _enough_in_all(clear) else seen.sum(axis=0) >= 2


def _enough_in_all(shown: np.ndarray) -> bool:
    """Whether enough peaks, (3, n), show in all channels."""
    return np.count_nonzero(shown.all(axis=0)) >= ENOUGH_IN_ALL


def _above_rims(pixels, noise: FrameNoise, x_px, y_px, *, by_rim: bool = False) -> np.ndarray:
    """How far the mean of each peak's nine pixels stands above the rim of its stamp, (3, n): in
    sigmas of such a mean on sky, or in scatters of the rim; 0 in a channel without noise."""
    above = np.zeros((len(pixels), len(x_px)))
    for channel, (plane, sigma) in enumerate(zip(pixels, noise.noise, strict=True)):
        if sigma > 0 and len(x_px):
            stamps = stamps_round(plane, x_px, y_px, IN_CHANNEL_HALF_PX)
            core = stamps[:, IN_CHANNEL_CORE, IN_CHANNEL_CORE].mean(axis=(1, 2))
            height = np.nan_to_num(core - rim_level(stamps), nan=0.0)
            if by_rim:
                above[channel] = height / np.maximum(rim_scatter(stamps), sigma)
            else:
                above[channel] = 3 * height / sigma
    return above


def clip_level_of(
    plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float
) -> float:
    """Value at which the channel clips, from the flat tops of its stars; NaN when none is flat.

    A star of FWHM F has about 0.02 F^2 pixels above 0.98 of its peak; a clipped one has a plateau.
    Earlier scaling may have moved the level anywhere, and flat-fielding spreads it by some per
    cent. Nebulosity has flat tops as well, but no cliff round them.
    """
    if len(x_px) == 0:
        return np.nan
    cores = stamps_round(plane, x_px, y_px, max(1, round(fwhm_px)))
    peak = np.nanmax(cores, axis=(1, 2), initial=-np.inf)
    above_sky = peak - quantile_of_known(plane[::16, ::16].ravel(), 0.5)
    brightest = above_sky > 0.5 * np.max(above_sky, initial=0)
    wide = _top_pixels(cores, peak, above_sky) >= 4 + 0.1 * fwhm_px**2
    topped = np.flatnonzero(wide & brightest)
    fallen = peak[topped] - _level_round(plane, x_px[topped], y_px[topped], fwhm_px)
    cliff = topped[fallen > 0.5 * above_sky[topped]]
    level = _least_not_passed(peak[cliff], peak[~wide])
    return _repeated_top(cores, peak, brightest) if np.isnan(level) else level


def _least_not_passed(flat: np.ndarray, sharp: np.ndarray) -> float:
    """The lowest of some flat tops that no more sharp ones pass than there are flat ones as high;
    NaN where there is none.

    Light does not pass the level at which a channel clips. In pictures of few levels stars that are
    not clipped have flat tops by chance, and the others stand above them.
    """
    levels = np.sort(flat)
    passing = len(sharp) - np.searchsorted(np.sort(sharp), LEVEL_SPREAD * levels)
    held = passing <= len(levels) - np.arange(len(levels))
    return float(levels[held][0]) if held.any() else np.nan


def _level_round(plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float):
    """Level so far from each star that a clipped one has fallen off."""
    return rim_level(stamps_round(plane, x_px, y_px, round(CLIFF_FWHM * fwhm_px)))


def _top_pixels(cores: np.ndarray, peak: np.ndarray, above_sky: np.ndarray) -> np.ndarray:
    """How many pixels of each star are as high as its peak, or nearly."""
    least = peak - (1 - PLATEAU_SHARE) * above_sky
    return np.count_nonzero(cores >= least[:, None, None], axis=(1, 2))


def _repeated_top(cores: np.ndarray, peak: np.ndarray, brightest: np.ndarray) -> float:
    """The highest value if two pixels have it: noise makes no two of them alike; else NaN.

    It tells where too few pixels are clipped for a plateau.
    """
    top = np.sort(peak[brightest])[-2:]
    if len(top) == 0:
        return np.nan
    shared = len(top) == 2 and top[1] - top[0] <= 1e-6 * top[1]
    highest = cores[np.argmax(peak)]
    twice = np.count_nonzero(highest == top[-1]) > 1
    return float(top[-1]) if shared or twice else np.nan


def one_detection_a_core(pixels, clip_level, fwhm_px, x_px, y_px, snr):
    """Replace the several peaks that a wide clipped core gives by one, at its middle."""
    cores = _wide_cores(_clipped_pixels(pixels, clip_level), fwhm_px**2)
    if cores is None:
        return x_px, y_px, snr
    middle, area = cores
    reach = np.sqrt(area / np.pi) + fwhm_px
    inside = cKDTree(np.column_stack([x_px, y_px])).query_ball_point(middle, reach)
    core_snr = [_highest_of(snr, group) for group in inside]
    found = np.column_stack([x_px, y_px, snr])
    found = np.delete(found, np.concatenate(inside).astype(int), axis=0)
    x_px, y_px, snr = np.vstack([found, np.column_stack([middle, core_snr])]).T
    return x_px, y_px, snr


def _highest_of(snr: np.ndarray, group: list[int]) -> float:
    """The highest of some detections, of all where the group is empty."""
    return float(snr[group or slice(None)].max())


def _clipped_pixels(pixels, clip_level) -> np.ndarray:
    """Which pixels are clipped in any channel, (y, x)."""
    clipped = np.zeros(pixels.shape[1:], bool)
    for plane, level in zip(pixels, clip_level, strict=True):
        if np.isfinite(level):
            for start in range(0, len(plane), STRIP_ROWS):
                rows = slice(start, start + STRIP_ROWS)
                clipped[rows] |= plane[rows] >= PLATEAU_SHARE * level
    return clipped


def _wide_cores(clipped: np.ndarray, least_area: float) -> tuple[np.ndarray, np.ndarray] | None:
    """Middles (n, 2) as x and y and areas of the connected clipped cores that are wider than so
    many pixels."""
    ys, xs = places_where(clipped)
    if len(xs) == 0:
        return None
    core, count = connected(np.column_stack([xs, ys]), 1.5)
    area = np.bincount(core, minlength=count)
    wide = area > least_area
    if not wide.any():
        return None
    middle_x = np.bincount(core, xs) / area
    middle_y = np.bincount(core, ys) / area
    middle = np.column_stack([middle_x, middle_y])
    return middle[wide], area[wide]


def connected(points: np.ndarray, reach: float) -> tuple[np.ndarray, int]:
    """Label the groups of points that hang together.

    Parameters
    ----------
    points : ndarray, (n, 2)
    reach : float
        Between neighbours of a group, in the unit of the points.

    Returns
    -------
    tuple of ndarray (n,), int
        The label of each point, and how many there are.
    """
    pairs = cKDTree(points).query_pairs(reach, output_type="ndarray")
    n = len(points)
    linked = np.ones(len(pairs), bool)
    first, second = pairs.T
    graph = coo_matrix((linked, (first, second)), shape=(n, n))
    count, label = connected_components(graph, directed=False)
    return label, count


@dataclass(frozen=True)
class _Doubles:
    """Detections that are two stars: their rows, and the two peaks of each as (x, y), shape (n, 2)
    each."""

    row: np.ndarray
    first: np.ndarray
    second: np.ndarray

    def apart(self, x_px, y_px, snr, shape, fwhm_px):
        """The detections with each pair as two, at their peaks: moments would draw both to the
        middle."""
        x_px = x_px.copy()
        y_px = y_px.copy()
        x_px[self.row] = self.first[:, 0]
        y_px[self.row] = self.first[:, 1]
        return (
            np.append(x_px, self.second[:, 0]),
            np.append(y_px, self.second[:, 1]),
            np.append(snr, snr[self.row]),
            self._shapes(shape, fwhm_px),
        )

    def _shapes(self, shape: Shapes, fwhm_px: float) -> Shapes:
        """Those of pairs are not measured: width as of all, roundness unknown."""
        return Shapes(
            self._with_both(shape.dx_px, 0.0),
            self._with_both(shape.dy_px, 0.0),
            self._with_both(shape.fwhm_px, fwhm_px),
            self._with_both(shape.roundness, np.nan),
        )

    def _with_both(self, column: np.ndarray, value: float) -> np.ndarray:
        """A column with rows for the second stars, and a value for both stars of each pair."""
        longer = np.append(column, np.full(len(self.row), value))
        longer[self.row] = value
        return longer


def close_pairs(pixels, noise, fwhm_px, x_px, y_px, snr, shape) -> _Doubles:
    """Long or wide detections with two peaks and a saddle between them: the filter smooths close
    pairs into one."""
    rows = np.flatnonzero((snr >= SHAPE_SNR) & _long_or_wide(shape, fwhm_px))
    half = int(np.ceil(1.6 * fwhm_px))
    stamps = np.nan_to_num(luminance_stamps(pixels, noise, x_px[rows], y_px[rows], half))
    places = np.column_stack([x_px, y_px])
    corners = np.rint(places[rows]) - half
    new = _not_yet_found(_resolved(stamps, rows, corners), places)
    peaks = np.array([peaks for _, peaks in new], float).reshape(-1, 2, 2)
    return _Doubles(
        np.array([row for row, _ in new], int),
        peaks[:, 0].copy(),
        peaks[:, 1].copy(),
    )


def _long_or_wide(shape: Shapes, fwhm_px: float) -> np.ndarray:
    """Which shapes may be those of two stars."""
    return (shape.roundness < PAIR_ROUNDNESS) | (shape.fwhm_px > 1.3 * fwhm_px)


def _resolved(stamps, rows, corners):
    """The pairs, (row, peaks in the frame), of the stamps that show two."""
    pairs = []
    for stamp, top, row, corner in zip(
        stamps, _inner_peaks(stamps), rows, corners, strict=True
    ):
        peaks = _two_peaks(stamp, top)
        if peaks is not None:
            pairs.append((row, peaks + corner))
    return pairs


def _inner_peaks(stamps: np.ndarray) -> np.ndarray:
    """Which pixels are no lower than their neighbours, the rim apart."""
    peak = ndimage.maximum_filter(stamps, (1, 3, 3)) == stamps
    peak[:, [0, -1]] = False
    peak[:, :, [0, -1]] = False
    return peak


def _not_yet_found(two, places):
    """The pairs, (row, peaks), of which neither star is another detection, too."""
    if not two:
        return []
    known = cKDTree(places)
    return [
        (row, peaks)
        for row, peaks in two
        if not set().union(*known.query_ball_point(peaks, 1.5)) - {row}
    ]


def _two_peaks(stamp: np.ndarray, peak: np.ndarray) -> np.ndarray | None:
    """The two highest peaks of a stamp, rows (x, y), if a saddle lies between them; the stamp is in
    units of noise."""
    ys, xs = np.nonzero(peak)
    heights = stamp[ys, xs]
    order = np.argsort(heights)[::-1][:2]
    if len(order) < 2:
        return None
    peaks = np.column_stack([xs, ys])[order]
    low = np.median(stamp[[0, -1]])
    height = heights[order[1]] - low
    dip = _lowest_between(stamp, peaks) - low
    bright = height > PAIR_FAINTER * (stamp.max() - low)
    parted = dip < PAIR_SADDLE * height and height - dip > PAIR_SIGMA
    return peaks if bright and parted else None


def _lowest_between(stamp: np.ndarray, peaks: np.ndarray) -> float:
    """Value of the saddle on the line from one peak to the other."""
    line = np.linspace(peaks[0], peaks[1], 9)
    return ndimage.map_coordinates(stamp, line[:, ::-1].T, order=1).min()
