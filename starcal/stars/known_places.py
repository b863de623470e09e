"""Measuring stars where they are known to be, whether or not they were found there."""

import numpy as np
from astropy import units as u
from astropy.table import Table, vstack
from scipy.spatial import cKDTree

from .columns import places_of
from .contrast import NOISE_BLOCK_PX, star_snr
from .defects import mended
from .detection import clip_level_of, summit
from .flags import Flag
from .photometry import beyond_edge, flag_blends, measure_rows
from .shapes import stamps_round

RECENTRE_FWHM = 0.5  # how far a star may be from where it is said to be
SIGNIFICANT_SNR = 4.0  # of a peak, to move there: the disc holds some ten independent places
SAME_STAR_FWHM = 1.2  # nearer to a star of the table there is but that star


def measure_at(pixels: np.ndarray, stars: Table, x_px: np.ndarray, y_px: np.ndarray) -> Table:
    """Measure stars at known places and append them to a star table.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x), float32
        The frame that the table was measured on.
    stars : Table
        Of `measure_stars`. It is not changed; columns that it was given since hold NaN, 0 or
        nothing in the new rows.
    x_px, y_px : ndarray, shape (n,)
        Inside the frame; see `free_places`. A star moves to a significant peak within
        `RECENTRE_FWHM`.

    Returns
    -------
    Table
        The rows of ``stars`` and, in the order given, one for each place: flag FORCED, with the
        same measurements; its width is the frame's, its roundness unknown. ``snr`` is that of the
        place and may be anything.
    """
    if len(x_px) == 0:
        return stars.copy()
    pixels = mended(pixels, stars.meta["defects"])
    new = _forced_rows(pixels, stars, np.asarray(x_px, float), np.asarray(y_px, float))
    measure_rows(new, pixels)
    for name in set(stars.colnames) - set(new.colnames):
        kind = stars[name].dtype
        new[name] = np.full(len(new), _nothing(kind), kind)
    both = vstack([stars, new], metadata_conflicts="silent")
    both.meta = dict(stars.meta)
    flag_blends(both)
    return both


def found_stars_in(pixels: np.ndarray, stars: Table) -> Table:
    """The stars that were found in a frame, as the table of another version of it.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x), float32
        Linear, on the grid of the frame: the frame itself, or what was made of it.
    stars : Table
        Of `measure_stars`, or of a check. It is not changed.

    Returns
    -------
    Table
        Its rows but for those with the flag FORCED; ``meta["clip_level"]`` is that of the version,
        all else that of the frame: which stars stand out, and hide the ground of others, is the
        same in all versions.
    """
    found = stars[stars["flags"] & Flag.FORCED == 0]
    fwhm_px = float(np.mean(found.meta["fwhm_px"]))
    places = places_of(found).T
    levels = tuple(clip_level_of(plane, *places, fwhm_px) for plane in pixels)
    found.meta = found.meta | {"clip_level": levels}
    return found


def _forced_rows(pixels, stars, x_px, y_px) -> Table:
    """Rows for stars at these places, as detection would make them."""
    count = len(x_px)
    fwhm_px = float(np.mean(stars.meta["fwhm_px"]))
    x_px, y_px, snr = _settled_places(pixels, stars, x_px, y_px, fwhm_px)
    columns = {
        "x_px": x_px * u.pix,
        "y_px": y_px * u.pix,
        "snr": snr,
        "fwhm_px": np.full(count, fwhm_px) * u.pix,
        "roundness": np.full(count, np.nan),
        "flags": np.full(count, Flag.FORCED, np.int32),
        "saturated_channels": np.full(count, "", "U3"),
    }
    return Table(columns, meta=stars.meta)


def _nothing(kind: np.dtype):
    """What a column of this kind holds where nothing was measured."""
    if kind.kind == "f":
        return np.nan
    return 0 if kind.kind in "iub" else ""


def free_places(
    pixels: np.ndarray, stars: Table, x_px: np.ndarray, y_px: np.ndarray
) -> np.ndarray:
    """Which places could show a star of their own, (n,) bool.

    Far enough from the edge, from pixels without data, from the cores of the stars of the table,
    clipped ones above all, and from the places before.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        Linear, NaN where there is no data.
    stars : Table
        Of `measure_stars`.
    x_px, y_px : ndarray, (n,)
        0-based.

    Returns
    -------
    ndarray, (n,) bool
    """
    free = ~beyond_edge(stars, x_px, y_px)
    if not free.any():
        return free
    core_px = SAME_STAR_FWHM * float(np.mean(stars.meta["fwhm_px"]))
    free[free] = _on_sound_pixels(pixels, stars, x_px[free], y_px[free])
    places = np.column_stack([x_px, y_px])
    if len(stars):
        nearest_px, _ = cKDTree(places_of(stars)).query(places[free])
        free[free] = nearest_px > core_px
    among = np.flatnonzero(free)
    free[among[_seconds(places[among], core_px)]] = False
    return free


def _seconds(places, reach_px):
    """Rows of the places that one before them lies within reach of."""
    return cKDTree(places).query_pairs(reach_px, output_type="ndarray")[:, 1]


def _on_sound_pixels(pixels, stars, x_px, y_px):
    """Which places lie on pixels that have data and are far from clipped in all channels."""
    level = np.array(stars.meta["clip_level"])[:, None]
    light = pixels[:, np.rint(y_px).astype(int), np.rint(x_px).astype(int)]
    return np.isfinite(light).all(axis=0) & ~(light >= 0.5 * level).any(axis=0)


def _settled_places(pixels, stars, x_px, y_px, fwhm_px):
    """Places and their signal-to-noise, rows x, y and snr; where a star shows, its peak."""
    places = [_peak_near(pixels, stars, *at, fwhm_px) for at in zip(x_px, y_px, strict=True)]
    return np.array(places, float).T.copy()


def _peak_near(pixels, stars, x_px, y_px, fwhm_px):
    """The best pixel near a place, refined, and its signal-to-noise; or the place itself with that
    of its pixel."""
    top = _block_round(y_px, pixels.shape[1])
    left = _block_round(x_px, pixels.shape[2])
    snr = star_snr(pixels[:, top, left], stars.meta["noise"], fwhm_px, stars.meta["depth"])
    y, x = np.indices(snr.shape)
    away_px = np.hypot(x + left.start - x_px, y + top.start - y_px)
    best = _highest(snr, away_px <= max(1.0, RECENTRE_FWHM * fwhm_px))
    if snr[best] < SIGNIFICANT_SNR:
        return x_px, y_px, snr.flat[np.argmin(away_px)]
    dx, dy = _refinement(snr, best)
    return best[1] + left.start + dx, best[0] + top.start + dy, snr[best]


def _highest(snr, among):
    """Row and column of the highest pixel among some."""
    return np.unravel_index(np.argmax(np.where(among, snr, -np.inf)), snr.shape)


def _refinement(snr, pixel):
    """How far the top of a peak lies from its pixel, (row, column), in x and in y."""
    row, column = pixel
    dx, dy = summit(stamps_round(snr, np.array([column]), np.array([row]), 1))
    return dx[0], dy[0]


def _block_round(at_px: float, length: int) -> slice:
    """Rows or columns round a place whose noise is like its own."""
    start = round(at_px) - NOISE_BLOCK_PX
    return slice(max(0, start), min(length, start + 2 * NOISE_BLOCK_PX))
