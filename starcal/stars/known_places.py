"""Measuring stars where they are known to be, whether or not they were found there."""

import numpy as np
from astropy import units as u
from astropy.table import Table, vstack
from scipy.spatial import cKDTree

from .columns import places_of
from .contrast import NOISE_BLOCK_PX, star_snr
from .defects import mended
from .detection import summit
from .flags import Flag
from .photometry import beyond_edge, flag_blends, measure_rows
from .shapes import stamps_round

RECENTRE_FWHM = 0.5  # how far a star may be from where it is said to be
SIGNIFICANT_SNR = 4.0  # of a peak, to move there: the disc holds some ten independent places
CORE_FWHM = 1.2  # nearer to a star of the table there is but that star


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
    fwhm_px = float(np.mean(stars.meta["fwhm_px"]))
    x_px, y_px, snr = _settled(
        pixels, stars, np.asarray(x_px, float), np.asarray(y_px, float), fwhm_px
    )
    new = Table(
        {
            "x_px": x_px * u.pix,
            "y_px": y_px * u.pix,
            "snr": snr,
            "fwhm_px": np.full(len(x_px), fwhm_px) * u.pix,
            "roundness": np.full(len(x_px), np.nan),
            "flags": np.full(len(x_px), Flag.FORCED, np.int32),
            "saturated_channels": np.full(len(x_px), "", "U3"),
        },
        meta=stars.meta,
    )
    measure_rows(new, pixels)
    for name in set(stars.colnames) - set(new.colnames):
        kind = stars[name].dtype
        new[name] = np.full(
            len(new), np.nan if kind.kind == "f" else 0 if kind.kind in "iub" else "", kind
        )
    both = vstack([stars, new], metadata_conflicts="silent")
    both.meta = dict(stars.meta)
    flag_blends(both)
    return both


def free_places(pixels: np.ndarray, stars: Table, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
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
    fwhm_px = float(np.mean(stars.meta["fwhm_px"]))
    rows, columns = (np.rint(at[free]).astype(int) for at in (y_px, x_px))
    level = np.array(stars.meta["clip_level"])[:, None]
    light = pixels[:, rows, columns]
    free[free] = np.isfinite(light).all(axis=0) & ~(light >= 0.5 * level).any(axis=0)
    if len(stars):
        tree = cKDTree(places_of(stars))
        free[free] = tree.query(np.column_stack([x_px[free], y_px[free]]))[0] > CORE_FWHM * fwhm_px
    among = np.flatnonzero(free)
    pairs = cKDTree(np.column_stack([x_px[among], y_px[among]])).query_pairs(
        CORE_FWHM * fwhm_px, output_type="ndarray"
    )
    free[among[pairs[:, 1]]] = False
    return free


def _settled(pixels, stars, x_px, y_px, fwhm_px):
    """Places and their signal-to-noise; where a star shows, its peak."""
    places = [_peak_near(pixels, stars, *at, fwhm_px) for at in zip(x_px, y_px, strict=True)]
    return tuple(np.array(column, float) for column in zip(*places, strict=True))


def _peak_near(pixels, stars, x_px, y_px, fwhm_px):
    """The best pixel near a place, refined, and its signal-to-noise; or the place itself with that
    of its pixel."""
    (top, left), shape = (round(at) - NOISE_BLOCK_PX for at in (y_px, x_px)), stars.meta["shape"]
    rows, columns = (
        slice(max(0, start), min(n, start + 2 * NOISE_BLOCK_PX))
        for start, n in zip((top, left), shape, strict=True)
    )
    snr = star_snr(pixels[:, rows, columns], stars.meta["noise"], fwhm_px)
    y, x = np.indices(snr.shape)
    away_px = np.hypot(x + columns.start - x_px, y + rows.start - y_px)
    best = np.unravel_index(
        np.argmax(np.where(away_px <= max(1.0, RECENTRE_FWHM * fwhm_px), snr, -np.inf)), snr.shape
    )
    if snr[best] < SIGNIFICANT_SNR:
        return x_px, y_px, snr.flat[np.argmin(away_px)]
    dx, dy = summit(stamps_round(snr, *(np.array([at], float) for at in best[::-1]), 1))
    return best[1] + columns.start + dx[0], best[0] + rows.start + dy[0], snr[best]
