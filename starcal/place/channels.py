"""One channel beside another, by their own stars: shift, rotation, scale, even a half turn.

The stars of one channel serve as the catalogue for the other, so that matching, solving and bending
are those of any frame. Without a WCS the channel that the others are brought to gets a made one, an
arcsecond a pixel on the equator: only what is relative counts.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from ..catalogue import CatalogueStars
from ..frame import pixel_scale_arcsec
from ..robust import middle_px
from ..stars.detection import FIRST_GUESS_FWHM_PX, detect
from ..stars.noise import frame_noise
from ..stars.shapes import half_width, luminance_stamps, measure_shapes
from .bend import BothSides, alike_in_brightness, fitted
from .hints import Hints
from .match import Match
from .plate import plate_of_wcs
from .solve import solve

CHANNEL_PEAK_SNR = 8.0  # of a peak in one channel; lower ones are noise, and place nothing
FEWEST_CHANNEL_PAIRS = (
    12  # that tell where a channel lies; four equations each for the six of a linear map
)
SAME_STARS_PX = 0.5  # scatter of stars that are the same; of chance pairs it is a pixel or two
AS_SPREAD = 0.8  # of pairs against that of all stars, along x and y
TIMES_MORE = 1.5  # as many pairs as near the start, for a search to be right against them
MOST_CHANNEL_STARS = 3000  # brightest; more make a place no better
OFF_WIDTHS = 0.15  # how far one channel's middle may lie from another's, in frame widths
CENTRED_FWHM = 0.5, 2.5  # widths, in typical ones, of peaks whose centroid is a star's


@dataclass(frozen=True, eq=False)
class ChannelStars:
    """Stars of one channel.

    Attributes
    ----------
    xy_px : ndarray, shape (n, 2)
        0-based pixels, brightest first.
    mag : ndarray, shape (n,)
        Any zero point.
    shape : tuple of int
        (rows, columns) of the channel.
    """

    xy_px: NDArray
    mag: NDArray
    shape: tuple[int, int]


@dataclass(frozen=True, eq=False)
class Registered:
    """Where one channel lies beside another.

    Attributes
    ----------
    wcs : WCS
        Of its pixels, in the sky of ``home``.
    home : WCS
        Of the other's: its own, or a made one.
    n_pairs : int
        Stars that both show, which tell it.
    scatter_px : float
        Per axis, of those.
    """

    wcs: WCS
    home: WCS
    n_pairs: int
    scatter_px: float


def channel_stars(plane: NDArray) -> ChannelStars:
    """Find the stars of one channel.

    Parameters
    ----------
    plane : ndarray, shape (y, x), float32
        Linear, in any unit; NaN where there is no data.

    Returns
    -------
    ChannelStars
    """
    pixels = np.broadcast_to(
        plane, (3, *plane.shape)
    )  # what finds stars looks at three channels
    noise = frame_noise(pixels)
    x, y, snr = detect(pixels, noise, FIRST_GUESS_FWHM_PX, CHANNEL_PEAK_SNR)
    order = np.argsort(-snr, kind="stable")[:MOST_CHANNEL_STARS]
    x, y, snr = x[order], y[order], snr[order]
    stamps = luminance_stamps(pixels, noise, x, y, half_width(FIRST_GUESS_FWHM_PX))
    seen = measure_shapes(stamps, FIRST_GUESS_FWHM_PX)
    clear = _of_star_width(seen.fwhm_px)
    x = np.where(clear, np.rint(x) + seen.dx_px, x)
    y = np.where(clear, np.rint(y) + seen.dy_px, y)
    return ChannelStars(np.column_stack([x, y]), -2.5 * np.log10(snr), plane.shape)


def _of_star_width(fwhm_px: NDArray) -> NDArray[np.bool_]:
    """Which peaks are as wide as most are."""
    known = np.isfinite(fwhm_px)
    if not known.any():
        return known
    low, high = np.multiply(CENTRED_FWHM, np.median(fwhm_px[known]))
    return (fwhm_px > low) & (fwhm_px < high)


def register(
    stars: ChannelStars, home: ChannelStars, start: WCS | None, home_wcs: WCS | None
) -> Registered | None:
    """Find where a channel lies beside another.

    Parameters
    ----------
    stars, home : ChannelStars
        Of the channel, and of that which it is to be brought to.
    start : WCS or None
        Of the channel; used where both have one. Without, it is taken to lie where the other does,
        and where that is not so, to be anywhere near, turned and scaled.
    home_wcs : WCS or None
        Of the other.

    Returns
    -------
    Registered or None
        None where too few stars are common to both, or where chance pairs as many.
    """
    if home_wcs is None or start is None:
        start = None
    sky = home_wcs if home_wcs is not None else made_wcs(home.shape)
    if start is None and stars.shape == home.shape:
        start = sky
    sides = BothSides(stars.xy_px, stars.mag, stars.shape, as_catalogue(home, sky))
    if start is not None:
        match = sides.match(start)
        if match.credible and len(match.star) >= FEWEST_CHANNEL_PAIRS:
            near = _fitted_wcs(sides, match, start, sky)
            exact = near.scatter_px < SAME_STARS_PX and _all_over(sides, match)
            return near if exact else _of_most(sides, home, near)
    return _searched(sides, home, sky)


def _all_over(sides: BothSides, match: Match) -> bool:
    """Whether the pairs lie all over the frame: of channels turned by a few degrees those in one
    place pair by themselves."""
    spread_px = np.std(sides.xy_px[match.star], axis=0)
    return bool(np.all(spread_px > AS_SPREAD * np.std(sides.xy_px, axis=0)))


def _of_most(sides: BothSides, home: ChannelStars, near: Registered) -> Registered:
    """What was found near the start, unless a search pairs many more."""
    found = _searched(sides, home, near.home)
    return found if found is not None and found.n_pairs > TIMES_MORE * near.n_pairs else near


def made_wcs(shape: tuple[int, int]) -> WCS:
    """A WCS for a channel that has none."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crpix = np.add(middle_px(shape), 1)
    wcs.wcs.crval = 180.0, 0.0
    wcs.wcs.cdelt = -1 / 3600, 1 / 3600
    wcs.wcs.radesys = "ICRS"
    wcs.array_shape = shape
    wcs.wcs.set()
    return wcs


def as_catalogue(stars: ChannelStars, wcs: WCS) -> CatalogueStars:
    """Stars of a channel as a catalogue of its sky."""
    ra_deg, dec_deg = wcs.all_pix2world(stars.xy_px, 0).T
    nothing, no = np.full(len(ra_deg), np.nan), np.zeros(len(ra_deg), bool)
    return CatalogueStars(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        pmra_mas_yr=nothing,
        pmdec_mas_yr=nothing,
        v_mag=stars.mag,
        bv_mag=nothing,
        bv_error_mag=nothing,
        bv_clamped=no,
        double=no,
        no_pm=no,
        hip=np.zeros(len(ra_deg), int),
        name="another channel",
        limit_mag=float(np.max(stars.mag, initial=0.0)),
        epoch_yr=2000.0,
    )


def _fitted_wcs(
    sides: BothSides,
    match: Match,
    start: WCS,
    sky: WCS,
) -> Registered:
    """As flexible as the common stars demand."""
    good = alike_in_brightness(match)
    ra, dec = start.all_pix2world(*middle_px(sides.shape), 0)
    plate = replace(
        plate_of_wcs(start, max(sides.shape) / 2),
        ra_deg=float(ra),
        dec_deg=float(dec),
        origin_px=middle_px(sides.shape),
    )
    wcs = fitted(*sides.pairs(match, good), plate, sides.shape, start)[1]
    return Registered(wcs, sky, int(good.sum()), sides.scatter_px(wcs, match, good))


def _searched(sides: BothSides, home: ChannelStars, sky: WCS) -> Registered | None:
    """By triangles of stars, with nothing known but that both show much the same."""
    ra, dec = sky.all_pix2world(*middle_px(home.shape), 0)
    scale = pixel_scale_arcsec(sky)
    binned = scale * max(home.shape) / max(sides.shape)
    hints = Hints(
        ra_deg=float(ra) % 360,
        dec_deg=float(dec),
        scales_arcsec=tuple(dict.fromkeys((scale, binned))),
        place_widths=OFF_WIDTHS,
    )
    found = solve(sides.xy_px, sides.mag, sides.shape, lambda *circle: sides.catalogue, hints)
    if found.wcs is None or found.match is None or len(found.match.star) < FEWEST_CHANNEL_PAIRS:
        return None
    return Registered(found.wcs, sky, len(found.match.star), found.scatter_px)
