"""Finding and measuring stars: one table, a row a star, a flag for every reason not to trust one.

Only this module knows photutils. Nothing is ever taken out of the table; a star that must not be used
carries a flag that says why.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from astropy import units as u
from astropy.table import Table
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.detection import find_peaks
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from .background import FrameNoise, frame_noise

CHANNELS = ("R", "G", "B")
FWHM_PER_SIGMA = 2.3548

FIRST_GUESS_FWHM_PX = 3.0
FEWEST_FOR_WIDTH = 5
GUESS_HALF_PX = 400  # half the height of the part that tells the FWHM; it is three times as wide
STRIP_ROWS = 256  # a strip of luminance and its two smoothings stay near the cache; see PERF in DEVELOPERS.md
LEAST_FILTERED_NOISE = 0.15  # times 1 / sigma of the kernel: half of what white noise of three channels leaves
NOISE_BLOCK_PX = 64  # noise of the filtered picture is measured per block: nebulosity raises its own threshold
WIDE_KERNEL = 1.5  # the second Gaussian of the zero-sum kernel; wider lets in nebular structure, narrower loses signal
APERTURE_FWHM = 1.8  # 1.5 to 2 FWHM of its own channel encloses the same share in all (SCIENCE: observing practice)
ANNULUS_FWHM = (3.0, 5.0)
SATURATION_SHARE = 0.95  # a peak above this share of the clipping level may have lost light
PLATEAU_SHARE = 0.98  # pixels above this share of the peak form a star's flat top
CLIFF_FWHM = 6.0  # within so many FWHM a clipped star has fallen below half of its height
FAINT_SNR = 10.0  # in the worst channel: a log ratio then has an error near 0.11 mag
SHAPE_SNR = 20.0  # below this the shape of a star says nothing
PAIR_ROUNDNESS = 0.75  # two stars in one are longer than any single one
PAIR_FAINTER, PAIR_SADDLE, PAIR_SIGMA = 0.15, 0.9, 6.0  # of the brighter's height, of the fainter's, of pixel noise
BLEND_FLUX_SHARE = 0.02  # a neighbour with this share of the star's light moves its colour by up to 0.02 mag


class Flag(IntFlag):
    """Why a star is not used. The registry: the tally, the report and the table's header are made from it."""

    SATURATED = 1
    EDGE = 2
    BLENDED = 4
    FAINT = 8
    SHAPE = 16
    NO_MATCH = 32
    NO_BV = 64
    POOR_BV = 128
    DOUBLE = 256
    MISMATCH = 512
    CLIPPED = 1024


FLAG_REASONS = {
    Flag.SATURATED: "at or near the clipping level in a channel",
    Flag.EDGE: "too near the edge of the frame or to pixels without data",
    Flag.BLENDED: "a neighbour's light falls into the aperture",
    Flag.FAINT: f"signal-to-noise below {FAINT_SNR:.0f} in a channel",
    Flag.SHAPE: "not the shape of a star: nebular knot, hot pixel, cosmic ray or trail",
    Flag.NO_MATCH: "no star of the catalogue here",
    Flag.NO_BV: "the catalogue has no B-V for it",
    Flag.POOR_BV: "the catalogue's B-V is poor, and there are enough stars with a better one",
    Flag.DOUBLE: "known double star",
    Flag.MISMATCH: "brightness does not fit the catalogue's",
    Flag.CLIPPED: "clipped in the fit as an outlier",
}


def flag_tally(flags: np.ndarray) -> dict[str, int]:
    """Count the stars that carry each flag, by its lower-case name."""
    return {flag.name.lower(): int(np.count_nonzero(flags & flag)) for flag in Flag}


def measure_stars(pixels: np.ndarray, *, snr_min: float = 5.0) -> Table:
    """Find the stars of a linear colour frame and measure them in all channels.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x), float32
        Linear, NaN where there is no data.
    snr_min : float
        Detection threshold in units of the local noise of the matched-filtered luminance.

    Returns
    -------
    Table
        ``x_px, y_px, snr, fwhm_px, roundness, flags``, ``saturated_channels`` and, for each channel C,
        ``flux_C, flux_error_C, sky_C, peak_C`` in units of full scale. ``meta`` holds ``fwhm_px`` and
        ``aperture_px`` per channel, ``clip_level`` (NaN where no star clips), ``noise`` (a `FrameNoise`), ``shape``
        and ``snr_min``. Empty, with all its columns, when
        there is no star.

    References
    ----------
    Errors: CCD equation, Merline & Howell 1995, Exp. Astron. 6, 163.
    """
    noise = frame_noise(pixels)
    fwhm_px = _guess_fwhm(pixels, noise, snr_min)
    x_px, y_px, snr = detect(pixels, noise, fwhm_px, snr_min)
    clip_level = tuple(_clip_level(plane, x_px, y_px, fwhm_px) for plane in pixels)
    x_px, y_px, snr = _one_detection_a_core(pixels, clip_level, fwhm_px, x_px, y_px, snr)
    shape = _shapes(_luminance_stamps(pixels, noise, x_px, y_px, _half_width(fwhm_px)), fwhm_px)
    pair = _pairs(pixels, noise, fwhm_px, x_px, y_px, snr, shape)
    x_px, y_px, snr, shape = pair.apart(x_px, y_px, snr, shape, fwhm_px)
    x_px, y_px = x_px + shape.dx_px, y_px + shape.dy_px
    table = Table({"x_px": x_px * u.pix, "y_px": y_px * u.pix, "snr": snr,
                   "fwhm_px": shape.fwhm_px * u.pix, "roundness": shape.roundness,
                   "flags": np.zeros(len(x_px), np.int32), "saturated_channels": np.full(len(x_px), "", "U3")})
    table.meta.update(noise=noise, clip_level=clip_level, snr_min=snr_min, shape=pixels.shape[1:])
    _flag_saturation(table, pixels)
    channel_fwhm = [_channel_fwhm(plane, table, fwhm_px) for plane in pixels]
    moments_px = np.nanmedian(table["fwhm_px"].value) if len(table) else 1.0
    table["fwhm_px"] *= np.mean(channel_fwhm) / moments_px  # moments give widths relative to each other
    table.meta.update(fwhm_px=tuple(channel_fwhm), aperture_px=tuple(APERTURE_FWHM * f for f in channel_fwhm))
    for index in range(3):
        _measure_channel(table, pixels[index], index)
    _flag_quality(table)
    return table


def _clip_level(plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float) -> float:
    """Value at which the channel clips, from the flat tops of its stars; NaN when none is flat.

    A star of FWHM F has about 0.02 F^2 pixels above 0.98 of its peak; a clipped one has a plateau. Earlier
    scaling may have moved the level anywhere, and flat-fielding spreads it by some per cent. Nebulosity has flat
    tops as well, but no cliff round them.
    """
    if len(x_px) == 0:
        return np.nan
    cores = _stamps(plane, x_px, y_px, max(1, round(fwhm_px)))
    peak = np.nanmax(cores, axis=(1, 2), initial=-np.inf)
    above_sky = peak - np.nanmedian(plane[::16, ::16])
    flat = np.count_nonzero(cores >= (peak - (1 - PLATEAU_SHARE) * above_sky)[:, None, None], axis=(1, 2))
    brightest = above_sky > 0.5 * np.max(above_sky, initial=0)
    topped = np.flatnonzero((flat >= 4 + 0.1 * fwhm_px**2) & brightest)
    around = _rim_level(_stamps(plane, x_px[topped], y_px[topped], round(CLIFF_FWHM * fwhm_px)))
    cliff = peak[topped] - around > 0.5 * above_sky[topped]
    plateaus = peak[topped][cliff]
    if len(plateaus) == 0:  # too few clipped pixels for a plateau, but noise makes no two of them alike
        top = np.sort(peak[brightest])[-2:]
        shared = len(top) == 2 and top[1] - top[0] <= 1e-6 * top[1]
        twice = len(top) > 0 and np.count_nonzero(cores[np.argmax(peak)] == top[-1]) > 1
        return float(top[-1]) if shared or twice else np.nan
    return float(np.min(plateaus))


# --- detection -----------------------------------------------------------------------------------------------


def detect(pixels: np.ndarray, noise: FrameNoise, fwhm_px: float, snr_min: float):
    """Peaks of the matched-filtered luminance: x_px, y_px (integers as float) and their local SNR.

    The kernel is a difference of Gaussians: it sums to zero, so sky, gradients and smooth nebulosity vanish.
    Works in overlapping strips, so that no full-size temporary is made.
    """
    margin = int(np.ceil(5 * fwhm_px * WIDE_KERNEL / 2))
    with ThreadPoolExecutor(os.cpu_count()) as pool:  # filters and arithmetic let other threads run
        found = list(pool.map(lambda start: _detect_strip(pixels, noise, fwhm_px, snr_min, start, margin),
                              range(0, pixels.shape[1], STRIP_ROWS)))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))


def _detect_strip(pixels, noise, fwhm_px, snr_min, start, margin):
    low, high = max(0, start - margin), min(pixels.shape[1], start + STRIP_ROWS + margin)
    snr = _filtered_snr(_luminance(pixels[:, low:high], noise), fwhm_px)
    if not (snr > snr_min).any():
        return np.empty(0), np.empty(0), np.empty(0)
    peaks = find_peaks(snr, snr_min, box_size=2 * max(1, int(0.8 * fwhm_px)) + 1)
    if peaks is None:
        return np.empty(0), np.empty(0), np.empty(0)
    x, y = np.asarray(peaks["x_peak"], float), np.asarray(peaks["y_peak"], float)
    own = (y + low >= start) & (y + low < start + STRIP_ROWS)
    return x[own], y[own] + low, np.asarray(peaks["peak_value"], float)[own]


def _luminance(pixels: np.ndarray, noise: FrameNoise) -> np.ndarray:
    """Sum of the channels, each in units of its own noise; NaN where a channel has no data."""
    total = np.zeros(pixels.shape[1:], np.float32)
    for plane, sky, sigma in zip(pixels, noise.sky, noise.noise, strict=True):
        if sigma > 0:
            total += (plane - np.float32(sky)) * np.float32(1 / sigma)
    return total


def _filtered_snr(luminance: np.ndarray, fwhm_px: float) -> np.ndarray:
    sigma = fwhm_px / FWHM_PER_SIGMA
    known = None if np.isfinite(luminance.sum()) else np.isfinite(luminance)
    filtered = _smoothed(luminance, known, sigma, 3.5)
    filtered -= _smoothed(luminance, known, WIDE_KERNEL * sigma, 3.0)
    if known is not None:
        filtered[~known] = np.nan
    return np.nan_to_num(_divide_by_block_noise(filtered, LEAST_FILTERED_NOISE / sigma), copy=False)


def _smoothed(luminance: np.ndarray, known: np.ndarray | None, sigma_px: float, truncate: float) -> np.ndarray:
    """Gaussian mean; of the known pixels only, where some are not: a hole then makes no edge."""
    if known is None:
        return ndimage.gaussian_filter(luminance, sigma_px, truncate=truncate)
    light, share = (ndimage.gaussian_filter(plane.astype(np.float32), sigma_px, truncate=truncate)
                    for plane in (np.where(known, luminance, 0), known))
    return light / np.maximum(share, 1e-3)


def _divide_by_block_noise(filtered: np.ndarray, least: float) -> np.ndarray:
    """Signal-to-noise, with the noise of each block but at least ``least``: most of a star layer is exactly black."""
    size = NOISE_BLOCK_PX
    for y in range(0, filtered.shape[0], size):
        for x in range(0, filtered.shape[1], size):
            block = filtered[y:y + size, x:x + size]
            sample = np.abs(block[::3, ::3])
            sample = sample[np.isfinite(sample)]
            spread = 1.4826 * np.median(sample) if len(sample) else 0
            block *= 1 / max(spread, least)
    return filtered


def _guess_fwhm(pixels: np.ndarray, noise: FrameNoise, snr_min: float) -> float:
    """Median FWHM of the brighter stars in the middle of the frame."""
    (top, left), half = (n // 2 for n in pixels.shape[1:]), GUESS_HALF_PX
    band = pixels[:, max(0, top - half):top + half, max(0, left - 3 * half):left + 3 * half]
    fwhm_px = FIRST_GUESS_FWHM_PX
    for _ in range(3):
        x, y, snr = detect(band, noise, fwhm_px, max(snr_min, 8.0))
        if len(x) < FEWEST_FOR_WIDTH:  # a few peaks may be anything
            return FIRST_GUESS_FWHM_PX
        pick = np.argsort(snr)[::-1][len(x) // 20:][:200]  # the very brightest are often saturated
        shape = _shapes(_luminance_stamps(band, noise, x[pick], y[pick], _half_width(fwhm_px)), fwhm_px)
        before, fwhm_px = fwhm_px, float(np.clip(np.nanmedian(shape.fwhm_px), 1.2, 15.0))
        if abs(fwhm_px / before - 1) < 0.15:
            break
    return fwhm_px


def _one_detection_a_core(pixels, clip_level, fwhm_px, x_px, y_px, snr):
    """Replace the several peaks that a wide clipped core gives by one, at its middle."""
    clipped = np.zeros(pixels.shape[1:], bool)
    for plane, level in zip(pixels, clip_level, strict=True):
        if np.isfinite(level):
            clipped |= plane >= PLATEAU_SHARE * level
    ys, xs = np.nonzero(clipped)
    if len(xs) == 0:
        return x_px, y_px, snr
    core, count = _connected(np.column_stack([xs, ys]), 1.5)
    area = np.bincount(core, minlength=count)
    x_core, y_core = np.bincount(core, xs) / area, np.bincount(core, ys) / area
    wide = area > fwhm_px**2
    if not wide.any():
        return x_px, y_px, snr
    reach = np.sqrt(area[wide] / np.pi) + fwhm_px
    tree = cKDTree(np.column_stack([x_px, y_px]))
    inside = tree.query_ball_point(np.column_stack([x_core, y_core])[wide], reach)
    keep = np.ones(len(x_px), bool)
    keep[[i for group in inside for i in group]] = False
    core_snr = [max((snr[i] for i in group), default=snr.max()) for group in inside]
    return (np.append(x_px[keep], x_core[wide]), np.append(y_px[keep], y_core[wide]),
            np.append(snr[keep], core_snr))


def _connected(points: np.ndarray, reach: float) -> tuple[np.ndarray, int]:
    """Label the groups of points that hang together within ``reach``: label per point, number of groups."""
    pairs = cKDTree(points).query_pairs(reach, output_type="ndarray")
    n = len(points)
    graph = coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    count, label = connected_components(graph, directed=False)
    return label, count


@dataclass(frozen=True)
class _Pairs:
    """Detections that are two stars: their rows, and the two peaks of each as (x, y), shape (n, 2) each."""

    row: np.ndarray
    first: np.ndarray
    second: np.ndarray

    def apart(self, x_px, y_px, snr, shape, fwhm_px):
        """The detections with each pair as two, at their peaks: moments would draw both to the middle."""
        x_px, y_px = x_px.copy(), y_px.copy()
        x_px[self.row], y_px[self.row] = self.first.T
        both = np.append(self.row, len(x_px) + np.arange(len(self.row)))
        columns = [np.append(v, np.full(len(self.row), np.nan)) for v in vars(shape).values()]
        for column, value in zip(columns, (0.0, 0.0, fwhm_px, np.nan), strict=True):
            column[both] = value  # shapes of pairs are not measured: width as of all, roundness unknown
        return (np.append(x_px, self.second[:, 0]), np.append(y_px, self.second[:, 1]), np.append(snr, snr[self.row]),
                _Shapes(*columns))


def _pairs(pixels, noise, fwhm_px, x_px, y_px, snr, shape) -> _Pairs:
    """Long or wide detections with two peaks and a saddle between them: the filter smooths close pairs into one."""
    long = (snr >= SHAPE_SNR) & ((shape.roundness < PAIR_ROUNDNESS) | (shape.fwhm_px > 1.3 * fwhm_px))
    rows = np.flatnonzero(long)
    half = int(np.ceil(1.6 * fwhm_px))
    stamps = np.nan_to_num(_luminance_stamps(pixels, noise, x_px[rows], y_px[rows], half))
    peak = ndimage.maximum_filter(stamps, (1, 3, 3)) == stamps
    peak[:, [0, -1]] = peak[:, :, [0, -1]] = False
    corner = np.rint(np.column_stack([x_px, y_px])) - half
    two = [(row, *np.add(peaks, corner[row])) for row, stamp, top in zip(rows, stamps, peak, strict=True)
           if (peaks := _two_peaks(stamp, top)) is not None]
    known = cKDTree(np.column_stack([x_px, y_px])) if len(x_px) else None
    new = [(row, *peaks) for row, *peaks in two  # the second may have been found by itself
           if not set().union(*known.query_ball_point(peaks, 1.5)) - {row}]
    columns = list(zip(*new, strict=True)) or [(), (), ()]
    return _Pairs(np.array(columns[0], int), *(np.array(c, float).reshape(-1, 2) for c in columns[1:]))


def _two_peaks(stamp: np.ndarray, peak: np.ndarray) -> np.ndarray | None:
    """The two highest peaks of a stamp, rows (x, y), if a saddle lies between them; the stamp is in units of noise."""
    ys, xs = np.nonzero(peak)
    order = np.argsort(stamp[ys, xs])[::-1][:2]
    if len(order) < 2:
        return None
    first, second = (np.array([xs[i], ys[i]]) for i in order)
    low = np.median(stamp[[0, -1]])
    between = ndimage.map_coordinates(stamp, np.linspace(first, second, 9)[:, ::-1].T, order=1)
    height, dip = stamp[ys[order[1]], xs[order[1]]] - low, between.min() - low
    resolved = height > PAIR_FAINTER * (stamp.max() - low) and dip < PAIR_SADDLE * height
    return np.array([first, second]) if resolved and height - dip > PAIR_SIGMA else None


# --- shapes ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Shapes:
    dx_px: np.ndarray
    dy_px: np.ndarray
    fwhm_px: np.ndarray
    roundness: np.ndarray


def _half_width(fwhm_px: float) -> int:
    return int(np.ceil(2.5 * fwhm_px)) + 1


def _stamps(plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, half: int) -> np.ndarray:
    """Square cut-outs round each position, shape (n, 2 half + 1, 2 half + 1); NaN beyond the frame."""
    offset = np.arange(-half, half + 1)
    rows = np.rint(y_px).astype(int)[:, None] + offset
    columns = np.rint(x_px).astype(int)[:, None] + offset
    height, width = plane.shape
    stamps = plane[np.clip(rows, 0, height - 1)[:, :, None], np.clip(columns, 0, width - 1)[:, None, :]]
    outside = (((rows < 0) | (rows >= height))[:, :, None] | ((columns < 0) | (columns >= width))[:, None, :])
    stamps[outside] = np.nan
    return stamps


def _luminance_stamps(pixels, noise, x_px, y_px, half):
    total = np.zeros((len(x_px), 2 * half + 1, 2 * half + 1), np.float32)
    for plane, sigma in zip(pixels, noise.noise, strict=True):
        if sigma > 0:
            total += _stamps(plane, x_px, y_px, half) / np.float32(sigma)
    return total


def _shapes(stamps: np.ndarray, fwhm_px: float) -> _Shapes:
    """Centroid, FWHM and roundness from Gaussian-windowed moments, the window fitted to each star.

    Windowed moments of a Gaussian of width s under a window of width w give 1/m = 1/s^2 + 1/w^2; the window is
    matched to the star by iteration (adaptive moments, Bernstein & Jarvis 2002, AJ 123, 583).
    """
    half = stamps.shape[1] // 2
    offset = np.arange(-half, half + 1, dtype=float)
    values = np.nan_to_num(stamps - _rim_level(stamps)[:, None, None])
    n, reach = len(stamps), max(0.5 * fwhm_px, 1.0)  # further off, it would be another star's centre
    x, y, variance = np.zeros(n), np.zeros(n), np.full(n, (fwhm_px / FWHM_PER_SIGMA) ** 2)
    for _ in range(6):
        dx, dy = offset - x[:, None], offset - y[:, None]
        wx, wy = (np.exp(-0.5 * d**2 / variance[:, None]) for d in (dx, dy))
        columns, rows = np.einsum("nyx,ny->nx", values, wy) * wx, np.einsum("nyx,nx->ny", values, wx) * wy
        total = np.where((t := columns.sum(1)) > 0, t, np.nan)
        mx, my = (columns * dx).sum(1) / total, (rows * dy).sum(1) / total
        mxx, myy = (columns * dx**2).sum(1) / total - mx**2, (rows * dy**2).sum(1) / total - my**2
        x, y = (np.clip(np.nan_to_num(p + 2 * m), -reach, reach) for p, m in ((x, mx), (y, my)))
        variance = np.clip(np.nan_to_num(_unwindow((mxx + myy) / 2, variance), nan=1.0), 0.2, half**2 / 4)
    mxy = np.einsum("nyx,ny,nx->n", values, wy * dy, wx * dx) / total - mx * my
    spread, mean = np.hypot(mxx - myy, 2 * mxy) / 2, (mxx + myy) / 2
    minor, major = (_unwindow(mean + sign * spread, variance) for sign in (-1, 1))
    roundness = np.sqrt(np.clip(minor / major, 0, 1))
    return _Shapes(x, y, FWHM_PER_SIGMA * np.where(np.isfinite(total), np.sqrt(variance), np.nan), roundness)


def _unwindow(moment: np.ndarray, window_variance: np.ndarray) -> np.ndarray:
    """Variance of the star itself, from its moment under the window."""
    inverse = 1 / np.maximum(moment, 1e-3) - 1 / window_variance
    return 1 / np.maximum(inverse, 1e-3)


def _rim_level(stamps: np.ndarray) -> np.ndarray:
    """Median of each stamp's outermost ring of pixels; NaN-safe."""
    rim = np.ones(stamps.shape[1:], bool)
    rim[1:-1, 1:-1] = False
    ring = np.where(np.isfinite(stamps[:, rim]), stamps[:, rim], np.inf)
    count = np.isfinite(ring).sum(1)
    ring.sort(axis=1)
    return np.where(count > 0, ring[np.arange(len(ring)), np.maximum(count, 1) // 2], 0.0)


def _channel_fwhm(plane: np.ndarray, table: Table, fwhm_px: float) -> float:
    """FWHM in one channel, from the stacked profile of the stars that show best there, the saturated left out."""
    clean = np.flatnonzero((table["flags"] == 0) & (table["snr"] >= SHAPE_SNR))
    pick = clean[np.argsort(table["snr"][clean])[::-1][:300]]
    if len(pick) < 3:
        return fwhm_px
    x_px, y_px = table["x_px"].value[pick], table["y_px"].value[pick]
    stamps = _stamps(plane, x_px, y_px, _half_width(fwhm_px))
    contrast = stamps[:, stamps.shape[1] // 2, stamps.shape[2] // 2] - _rim_level(stamps)
    best = np.argsort(contrast)[::-1][:max(3, len(pick) // 2)]
    if not np.all(contrast[best] > 0):  # a channel without light, or without data
        return fwhm_px
    return _profile_fwhm(stamps[best], x_px[best] % 1, y_px[best] % 1, fwhm_px)


def _profile_fwhm(stamps: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float) -> float:
    """FWHM of a Moffat profile fitted to the pixels of many stars, each scaled by its flux.

    Gaussian moments make a star with wings 10 to 20 % too wide; the half-maximum is what observers quote.
    """
    half = stamps.shape[1] // 2
    offset = np.arange(-half, half + 1)
    dx, dy = (offset - np.where(p < 0.5, p, p - 1)[:, None] for p in (x_px, y_px))
    radius = np.hypot(dx[:, None, :], dy[:, :, None])
    values = stamps - _rim_level(stamps)[:, None, None]
    core = radius <= 1.5 * fwhm_px
    values = values / np.nansum(np.where(core, values, 0), axis=(1, 2))[:, None, None]
    good = core & np.isfinite(values)

    def misfit(parameters):
        return parameters[0] * _moffat(radius[good], *parameters[1:]) - values[good]

    start = np.array([np.nanmax(values), fwhm_px, 3.0])
    bounds = [0, 0.5 * fwhm_px, 1.2], [np.inf, 2 * fwhm_px, 20]
    return float(least_squares(misfit, start, bounds=bounds, loss="soft_l1", f_scale=0.01).x[1])


def _moffat(radius_px: np.ndarray, fwhm_px: float, beta: float) -> np.ndarray:
    """Moffat 1969, A&A 3, 455, peak 1."""
    return (1 + (2 * radius_px / fwhm_px) ** 2 * (2 ** (1 / beta) - 1)) ** -beta


# --- photometry and flags --------------------------------------------------------------------------------------


def _measure_channel(table: Table, plane: np.ndarray, index: int) -> None:
    """Aperture flux over a local, clipped annulus sky, its error, and the sky, into the table."""
    noise, channel = table.meta["noise"], CHANNELS[index]
    fwhm_px, radius_px = table.meta["fwhm_px"][index], table.meta["aperture_px"][index]
    x_px, y_px = table["x_px"].value, table["y_px"].value
    flux, sky, flux_error = (np.full(len(table), np.nan) for _ in range(3))
    if len(table):
        sky, sky_sigma, n_sky = _annulus(plane, x_px, y_px, fwhm_px)
        aperture = CircularAperture(np.column_stack([x_px, y_px]), radius_px)
        area = aperture.area
        flux = np.asarray(aperture_photometry(plane, aperture)["aperture_sum"]) - area * sky
        per_pixel = np.maximum(sky_sigma, 0.5 * noise.noise[index]) ** 2 * (1 + area / np.maximum(n_sky, 1))
        flux_error = np.sqrt(np.maximum(flux, 0) / noise.electrons_per_unit[index] + area * per_pixel)
    for name, values in (("flux", flux), ("flux_error", flux_error), ("sky", sky)):
        table[f"{name}_{channel}"] = values


def _annulus(plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float):
    """Clipped median, scatter and number of pixels of the ring round each star; chunked to bound memory."""
    inner, outer = (r * fwhm_px for r in ANNULUS_FWHM)
    half = int(np.ceil(outer))
    dy, dx = np.mgrid[-half:half + 1, -half:half + 1]
    ring = (np.hypot(dx, dy) >= inner) & (np.hypot(dx, dy) <= outer)
    return tuple(np.concatenate(column) for column in zip(*(
        _clipped_median(_stamps(plane, x_px[i:i + 1000], y_px[i:i + 1000], half)[:, ring])
        for i in range(0, len(x_px), 1000)), strict=True))


def _clipped_median(values: np.ndarray):
    """Sigma-clipped (3 sigma, 3 rounds, about the median) median, MAD scatter and count along axis 1."""
    values = np.sort(np.where(np.isfinite(values), values, np.inf), axis=1)
    low, high = np.zeros(len(values), int), np.isfinite(values).sum(1)
    rows, place = np.arange(len(values)), np.arange(values.shape[1])
    for _ in range(4):
        quantile = [values[rows, np.clip(low + (share * (high - low)).astype(int), 0, values.shape[1] - 1)]
                    for share in (0.1587, 0.5, 0.8413)]
        median, sigma = quantile[1], quantile[1] - quantile[0]  # the lower side: stars are on the upper
        inside = (np.abs(values - median[:, None]) <= 3 * np.maximum(sigma, 1e-12)[:, None])
        low, high = inside.argmax(1), np.where(inside, place, -1).max(1) + 1
    found = high > low
    return np.where(found, median, np.nan), np.where(found, sigma, np.nan), high - low


def _flag_saturation(table: Table, pixels: np.ndarray) -> None:
    for channel, plane, level, sky in zip(CHANNELS, pixels, table.meta["clip_level"],
                                          table.meta["noise"].sky, strict=True):
        cores = _stamps(plane, table["x_px"].value, table["y_px"].value, 1)
        peak = np.max(np.nan_to_num(cores, nan=-np.inf), axis=(1, 2), initial=-np.inf)
        table[f"peak_{channel}"] = np.where(np.isfinite(peak), peak, np.nan)
        clipped = peak - sky >= SATURATION_SHARE * (level - sky)
        table["flags"][clipped] |= Flag.SATURATED
        table["saturated_channels"][clipped] = np.char.add(table["saturated_channels"][clipped], channel)


def _flag_quality(table: Table) -> None:
    """Edge, faint, shape and blended, from what has been measured."""
    flags = table["flags"]
    flux, error = (np.array([table[f"{name}_{c}"] for c in CHANNELS]) for name in ("flux", "flux_error"))
    flags[_beyond_edge(table)] |= Flag.EDGE
    flags[~((flux > 0) & (flux >= FAINT_SNR * error)).all(axis=0)] |= Flag.FAINT
    bright = table["snr"] >= SHAPE_SNR
    typical = np.nanmedian(table["fwhm_px"].value[bright]) if bright.any() else np.nan
    ratio = table["fwhm_px"].value / typical
    odd = (ratio < 0.55) | (ratio > 1.8) | (table["roundness"] < 0.5) | ~np.isfinite(ratio)
    flags[odd & bright & (flags & Flag.SATURATED == 0)] |= Flag.SHAPE
    flags[_blended(table, np.nansum(flux, axis=0))] |= Flag.BLENDED


def _beyond_edge(table: Table) -> np.ndarray:
    """Stars whose aperture leaves the frame or touches pixels without data."""
    height, width = table.meta["shape"]
    reach = max(table.meta["aperture_px"])
    x_px, y_px = table["x_px"].value, table["y_px"].value
    outside = (x_px < reach) | (y_px < reach) | (x_px > width - 1 - reach) | (y_px > height - 1 - reach)
    measured = np.array([table[f"{name}_{c}"] for name in ("flux", "sky") for c in CHANNELS])
    return outside | ~np.isfinite(measured).all(axis=0)


def _blended(table: Table, flux: np.ndarray) -> np.ndarray:
    """Stars with a neighbour in reach of the widest aperture that is bright enough to matter."""
    reach = max(table.meta["aperture_px"]) + 0.5 * max(table.meta["fwhm_px"])
    blended = np.zeros(len(table), bool)
    if len(table) < 2:
        return blended
    i, j = cKDTree(np.column_stack([table["x_px"].value, table["y_px"].value])).query_pairs(
        reach, output_type="ndarray").T
    blended[i[flux[j] > BLEND_FLUX_SHARE * flux[i]]] = True
    blended[j[flux[i] > BLEND_FLUX_SHARE * flux[j]]] = True
    return blended
