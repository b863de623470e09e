"""The star table: positions, widths, fluxes with errors, flags."""

from dataclasses import replace

import numpy as np
from astropy import units as u
from astropy.table import Table
from scipy.spatial import cKDTree

from ..choices import default_of
from ..cores import in_threads
from ..frame.reading import CHANNELS
from ..robust import square_round
from .aperture_sums import exact_sums
from .borders import border_widths
from .clipping import clipped_rows
from .columns import in_channels, places_of
from .defects import find_defects, mended, without_border
from .detection import (
    ENOUGH_IN_ALL,
    FirstLook,
    clip_level_of,
    close_pairs,
    depth_of,
    detect,
    first_look,
    middle_of,
    most_significant,
    one_detection_a_core,
    shown_as_stars,
)
from .flags import FAINT_SNR, SHAPE_SNR, Flag
from .ground import level_under
from .noise import FrameNoise, frame_noise
from .shapes import (
    Shapes,
    half_width,
    luminance_stamps,
    measure_shapes,
    rim_level,
    stacked_profile,
    stamps_round,
    unrest,
)

APERTURE_FWHM = 1.8  # 1.5 to 2 FWHM of its own channel encloses the same share in all
ANNULUS_FWHM = (3.0, 5.0)
USUAL_BETA, BETA_RANGE = (
    3.0,
    (1.2, 20.0),
)  # Moffat exponent where no star tells, and what it may be
OTHER_WINGS = 0.4  # ratio of exponents, as its logarithm, that is not the telescope's
UNEVEN = 1.5  # scatter of the ring against what photons and readout explain
WIDEST_CLEAR_FWHM = 1.5  # wider moments are those of a neighbour or of the nebula
SAME_FWHM = 0.4  # no two stars so near to each other can be told apart
CLEAR_CONTRAST = (
    30.0  # of a peak against the unrest round it: such stars tell the profile, others less
)
SATURATION_SHARE = 0.95  # a peak above this share of the clipping level may have lost light
STAMPS_AT_ONCE = 1000
RING_ROUNDS = 4  # of clipping stars out of a ring
FEWEST_PICKED = 3  # stars that tell a profile
SHARPEST_STAR = (
    0.7  # of the typical width; noise makes a bright star narrower by a few per cent
)
ALONE_SHARE = (
    0.1  # of the strongest channel's signal-to-noise; real stars have a third and more
)
# of the clear stars, in the second channel against the strongest: rays on others spoil some
FEW_SHOW_LESS = 0.2
SHOWN_IN_TWO = 2 * ALONE_SHARE
SURELY_SEEN_SNR = 8.0  # in the second channel: of stars less than a quarter is left by no noise
STAR_WIDTH_OFF, STAR_ROUNDNESS = 0.25, 0.8  # from the usual ones, of a star of SNR 10
# beyond the aperture: half a star, and what the peak of a faint one is pushed outwards
BLEND_REACH_FWHM = 0.65
BLEND_FLUX_SHARE = (
    0.02  # a neighbour with this share of the star's light moves its colour by up to 0.02 mag
)


def measure_stars(pixels: np.ndarray, *, snr_min: float = default_of("snr")) -> Table:
    """Find the stars of a linear colour frame and measure them in all channels.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x), float32
        Linear, NaN where there is no data.
    snr_min : float
        Detection threshold in units of the local noise of the filtered frame.

    Returns
    -------
    Table
        ``x_px, y_px, snr, fwhm_px, roundness, flags``, ``saturated_channels`` and, for each channel
        C, ``flux_C, flux_error_C, ground_C, sky_C, peak_C`` in units of full scale: ground is the
        level under the star, which its light is counted from, sky that of the ring round it.
        ``meta`` holds ``fwhm_px`` and ``aperture_px`` per channel, ``depth`` (see `star_snr`),
        ``moffat_beta``, ``clip_level`` (NaN where no star clips), ``noise`` (a `FrameNoise`),
        ``defects`` (a `Defects`: replaced in what was measured), ``shape`` and ``snr_min``.
        Empty, with all its columns, when there is no star.

    References
    ----------
    Errors: CCD equation, Merline & Howell 1995, Exp. Astron. 6, 163.
    """
    border = border_widths(pixels)
    seen = without_border(pixels, border)
    noise = frame_noise(seen)
    look = first_look(seen, noise, snr_min)
    defects = replace(find_defects(seen, noise, look.fwhm_px), border=border)
    sound = mended(pixels, defects)
    if defects.within(middle_of(pixels.shape[1:])):  # some of them may have passed for stars
        look = first_look(sound, noise, snr_min)
    table = _found_stars(sound, noise, look, snr_min)
    table.meta["defects"] = defects
    return table


def _found_stars(
    pixels: np.ndarray, noise: FrameNoise, look: FirstLook, snr_min: float
) -> Table:
    """The star table of a frame without defects."""
    fwhm_px = look.fwhm_px
    depth = depth_of(pixels, noise, look, snr_min)
    x_px, y_px, snr = detect(pixels, noise, fwhm_px, snr_min, depth)
    clip_level = tuple(clip_level_of(plane, x_px, y_px, fwhm_px) for plane in pixels)
    x_px, y_px, snr = one_detection_a_core(pixels, clip_level, fwhm_px, x_px, y_px, snr)
    table = _table_of(*_shaped(pixels, noise, fwhm_px, x_px, y_px, snr))
    table.meta.update(
        noise=noise,
        clip_level=clip_level,
        depth=depth,
        snr_min=snr_min,
        shape=pixels.shape[1:],
    )
    _flag_saturation(table, pixels)
    real = shown_as_stars(pixels, noise, table["x_px"].value, table["y_px"].value)
    _measure_widths(table, pixels, fwhm_px, real)
    _measure_channels(table, pixels)
    shape = _against_stars(table, real)
    _flag_shape(table, *shape)
    _flag_defects(table, real, *shape)
    flag_blends(table)
    return table


def _shaped(pixels, noise: FrameNoise, fwhm_px: float, x_px, y_px, snr):
    """Places, significance and shapes of the detections, close pairs told apart, each star once."""
    shape = _shapes_seen(pixels, noise, fwhm_px, x_px, y_px)
    pair = close_pairs(pixels, noise, fwhm_px, x_px, y_px, snr, shape)
    x_px, y_px, snr, shape = pair.apart(x_px, y_px, snr, shape, fwhm_px)
    x_px, y_px = _centres(x_px, y_px, shape, fwhm_px)
    return _once(x_px, y_px, snr, shape, SAME_FWHM * fwhm_px)


def _shapes_seen(pixels, noise: FrameNoise, fwhm_px: float, x_px, y_px) -> Shapes:
    """Shapes of what is seen at some places; chunked to bound memory."""
    parts = []
    for first in range(0, max(len(x_px), 1), STAMPS_AT_ONCE):
        some = slice(first, first + STAMPS_AT_ONCE)
        half = half_width(fwhm_px)
        stamps = luminance_stamps(pixels, noise, x_px[some], y_px[some], half)
        parts.append(vars(measure_shapes(stamps, fwhm_px)).values())
    return Shapes(*map(np.concatenate, zip(*parts, strict=True)))


def _table_of(x_px: np.ndarray, y_px: np.ndarray, snr: np.ndarray, shape: Shapes) -> Table:
    """A star table without flags or fluxes."""
    return Table(
        {
            "x_px": x_px * u.pix,
            "y_px": y_px * u.pix,
            "snr": snr,
            "fwhm_px": shape.fwhm_px * u.pix,
            "roundness": shape.roundness,
            "flags": np.zeros(len(x_px), np.int32),
            "saturated_channels": np.full(len(x_px), "", "U3"),
        }
    )


def _measure_widths(table: Table, pixels: np.ndarray, fwhm_px: float, real) -> None:
    """Profile of each channel by the rows that are real stars, and the apertures that follow from
    it; widths of single stars on the same scale, as moments give them relative to each other
    only."""
    pick = _brightest_clean(table, real)
    channel_fwhm, beta = _channel_profiles(pixels, table, fwhm_px, pick)
    table["fwhm_px"] *= np.mean(channel_fwhm) / _typical_fwhm(table, real)
    table.meta.update(
        fwhm_px=channel_fwhm,
        aperture_px=tuple(APERTURE_FWHM * f for f in channel_fwhm),
        moffat_beta=beta,
    )


def measure_rows(table: Table, pixels: np.ndarray) -> None:
    """Saturation, fluxes and their flags into a table of positions, by what its ``meta`` says of
    the frame's stars."""
    _flag_saturation(table, pixels)
    _measure_channels(table, pixels)


def _typical_fwhm(table: Table, real: np.ndarray) -> float:
    """Median width of the real stars whose shape says something, if there are any."""
    return _median_of_clear(table["fwhm_px"].value, table["snr"], real)


def _median_of_clear(values: np.ndarray, snr: np.ndarray, real: np.ndarray) -> float:
    """Median of the real stars whose shape says something, if there are any; else of all, or 1."""
    bright = snr >= SHAPE_SNR
    for rows in (bright & real, bright, slice(None)):
        if np.isfinite(values[rows]).any():
            return float(np.nanmedian(values[rows]))
    return 1.0


def _centres(
    x_px: np.ndarray, y_px: np.ndarray, shape: Shapes, fwhm_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Centroids, of what has a star's width; else the peaks, as moments are drawn to a neighbour or
    to the nebula."""
    clear = (shape.fwhm_px > 0.5 * fwhm_px) & (shape.fwhm_px < WIDEST_CLEAR_FWHM * fwhm_px)
    return (
        np.where(clear, np.rint(x_px) + shape.dx_px, x_px),
        np.where(clear, np.rint(y_px) + shape.dy_px, y_px),
    )


def _once(x_px: np.ndarray, y_px: np.ndarray, snr: np.ndarray, shape: Shapes, reach_px: float):
    """The detections without those that turned out to be another, more significant one."""
    keep = most_significant(x_px, y_px, snr, reach_px)
    return (
        x_px[keep],
        y_px[keep],
        snr[keep],
        Shapes(*(column[keep] for column in vars(shape).values())),
    )


def _channel_profiles(
    pixels: np.ndarray, table: Table, fwhm_px: float, pick: np.ndarray
) -> tuple[tuple[float, ...], float]:
    """FWHM in each channel, and the Moffat exponent of all, by some rows.

    Where nebula makes the wings in a channel seem other than in the others, it makes the core seem
    wider as well.
    """
    profile = list(
        in_threads(lambda plane: _channel_profile(plane, table, fwhm_px, pick), pixels)
    )
    beta = float(np.median([b for _, b in profile]))
    apart = [abs(np.log(b / beta)) > OTHER_WINGS for _, b in profile]
    return tuple(
        _channel_profile(plane, table, fwhm_px, pick, (beta, beta))[0] if other else fwhm
        for plane, (fwhm, _), other in zip(pixels, profile, apart, strict=True)
    ), beta


def _channel_profile(
    plane: np.ndarray,
    table: Table,
    fwhm_px: float,
    pick: np.ndarray,
    beta: tuple[float, float] = BETA_RANGE,
) -> tuple[float, float]:
    """FWHM and Moffat exponent in one channel, from the stack of those of some rows that show best
    there."""
    if len(pick) < FEWEST_PICKED:
        return fwhm_px, USUAL_BETA
    x_px = table["x_px"].value[pick]
    y_px = table["y_px"].value[pick]
    stamps = stamps_round(plane, x_px, y_px, half_width(fwhm_px))
    best, weight = _clearest(stamps)
    if len(best) == 0:
        return fwhm_px, USUAL_BETA
    return stacked_profile(stamps[best], x_px[best] % 1, y_px[best] % 1, weight, fwhm_px, beta)


def _clearest(stamps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The clearer half of the stars and what each counts; none in a channel without light, or
    without data."""
    contrast = np.nan_to_num(
        _rim_contrast(stamps), nan=0.0
    )  # of a star whose middle is missing
    clear = contrast / np.maximum(unrest(stamps), 1e-12)
    best = np.argsort(clear)[::-1][: max(3, len(stamps) // 2)]
    if not np.all(contrast[best] > 0):
        return best[:0], clear[:0]
    return best, np.minimum(clear[best] / min(CLEAR_CONTRAST, clear[best[0]]), 1)


def _brightest_clean(table: Table, real: np.ndarray) -> np.ndarray:
    """Rows of the most significant real stars without a flag, 300 at most; sharp ones are pixels
    that two channels of one exposure share, on nebula that the third shows."""
    clean = np.flatnonzero(real & (table["flags"] == 0) & (table["snr"] >= SHAPE_SNR))
    sharp = table["fwhm_px"].value[clean] < SHARPEST_STAR * _typical_fwhm(table, real)
    if np.count_nonzero(~sharp) >= FEWEST_PICKED:
        clean = clean[~sharp]
    order = np.argsort(table["snr"][clean])[::-1]
    return clean[order[:300]]


def _rim_contrast(stamps: np.ndarray) -> np.ndarray:
    """Middle pixel of each stamp over its rim."""
    middle = stamps[:, stamps.shape[1] // 2, stamps.shape[2] // 2]
    return middle - rim_level(stamps)


def _measure_channel(table: Table, plane: np.ndarray, index: int, ground, sigma, count) -> None:
    """Aperture flux over the ground under each star, its error, and that ground, into the table."""
    noise, channel = table.meta["noise"], CHANNELS[index]
    flux, area = _light_within(table, plane, index, ground)
    sigma = np.maximum(sigma, 0.5 * noise.noise[index])
    per_pixel = sigma**2 * (1 + area / np.maximum(count, 1))
    photons = np.maximum(flux, 0) / noise.electrons_per_unit[index]
    flux_error = np.sqrt(photons + area * per_pixel)
    table[f"flux_{channel}"] = flux
    table[f"flux_error_{channel}"] = flux_error
    table[f"ground_{channel}"] = ground


def _light_within(table: Table, plane: np.ndarray, index: int, ground):
    """Light within each star's aperture over the ground, and the aperture's area."""
    radius_px = table.meta["aperture_px"][index]
    area = np.pi * radius_px**2
    return exact_sums(plane, *places_of(table).T, radius_px) - area * ground, area


def _levels_round_stars(table: Table, pixels: np.ndarray) -> np.ndarray:
    """Level of the ring round each star, scatter of its pixels, and their number, (3 channels, 3,
    n)."""
    if len(table) == 0:
        return np.empty((3, 3, 0))
    x_px, y_px = places_of(table).T

    def annulus(index):
        return _annulus(pixels[index], x_px, y_px, table.meta["fwhm_px"][index])

    return np.array(list(in_threads(annulus, range(len(pixels)))))


def _under(table: Table, pixels: np.ndarray, rings: np.ndarray) -> np.ndarray:
    """The same of the ground under each star.

    The ring's; where that is uneven in any channel, from under the star itself in all: the two
    share out the wings of a star a little differently, and that must not look like colour.
    """
    skies = rings.copy()
    uneven = _uneven(table.meta["noise"], rings)
    x_px = table["x_px"].value[uneven]
    y_px = table["y_px"].value[uneven]

    def under(index):
        profile = table.meta["fwhm_px"][index], table.meta["moffat_beta"]
        reach_px = table.meta["aperture_px"][index]
        return np.array(level_under(pixels[index], x_px, y_px, profile, reach_px))

    for sky, found in zip(skies, in_threads(under, range(len(pixels))), strict=True):
        known = np.isfinite(found).all(axis=0)
        sky[:, uneven] = np.where(known, found, sky[:, uneven])
    return skies


def _uneven(noise: FrameNoise, rings: np.ndarray) -> np.ndarray:
    """Rows of the stars whose ring scatters more in some channel than photons and readout do."""
    dark = np.array(noise.sky)[:, None]
    sigma = np.array(noise.noise)[:, None]
    electrons = np.array(noise.electrons_per_unit)[:, None]
    grain = np.sqrt(sigma**2 + np.maximum(rings[:, 0] - dark, 0) / electrons)
    return np.flatnonzero((rings[:, 1] > UNEVEN * grain).any(axis=0))


def _annulus(plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float):
    """Clipped median, scatter and number of pixels of the ring round each star; chunked to bound
    memory."""
    half = int(np.ceil(ANNULUS_FWHM[1] * fwhm_px))
    ring = _ring_of(half, fwhm_px)
    parts = []
    for start in range(0, len(x_px), STAMPS_AT_ONCE):
        some = slice(start, start + STAMPS_AT_ONCE)
        stamps = stamps_round(plane, x_px[some], y_px[some], half)
        left = clipped_rows(stamps[:, ring], RING_ROUNDS)
        parts.append((left.median, left.sigma, left.count))
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))


def _ring_of(half: int, fwhm_px: float) -> np.ndarray:
    """Which pixels of a stamp of this half width are in the ring."""
    inner, outer = ANNULUS_FWHM
    dy, dx = square_round(half)
    radius = np.hypot(dx, dy)
    return (radius >= inner * fwhm_px) & (radius <= outer * fwhm_px)


def _flag_saturation(table: Table, pixels: np.ndarray) -> None:
    for channel, plane, level, sky in zip(
        CHANNELS, pixels, table.meta["clip_level"], table.meta["noise"].sky, strict=True
    ):
        cores = stamps_round(plane, table["x_px"].value, table["y_px"].value, 1)
        peak = np.max(np.nan_to_num(cores, nan=-np.inf), axis=(1, 2), initial=-np.inf)
        table[f"peak_{channel}"] = np.where(np.isfinite(peak), peak, np.nan)
        clipped = peak - sky >= SATURATION_SHARE * (level - sky)
        table["flags"][clipped] |= Flag.SATURATED
        table["saturated_channels"][clipped] = np.char.add(
            table["saturated_channels"][clipped], channel
        )


def _measure_channels(table: Table, pixels: np.ndarray) -> None:
    """Fluxes, and the flags EDGE and FAINT that follow from them."""
    rings = _levels_round_stars(table, pixels)
    for index, (ring, under) in enumerate(
        zip(rings, _under(table, pixels, rings), strict=True)
    ):
        table[f"sky_{CHANNELS[index]}"] = ring[0]
        _measure_channel(table, pixels[index], index, *under)
    _flag_edge_and_faint(table)


def _flag_edge_and_faint(table: Table) -> None:
    flags = table["flags"]
    flux = in_channels(table, "flux")
    unknown = ~np.isfinite(flux + in_channels(table, "sky")).all(axis=0)
    beyond = beyond_edge(table, table["x_px"].value, table["y_px"].value)
    flags[beyond | unknown] |= Flag.EDGE
    clear = (flux > 0) & (flux >= FAINT_SNR * in_channels(table, "flux_error"))
    flags[~clear.all(axis=0)] |= Flag.FAINT


def beyond_edge(table: Table, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
    """Places whose aperture leaves the frame that the table was measured on."""
    height, width = table.meta["shape"]
    reach = max(table.meta["aperture_px"])
    return ~(
        (x_px >= reach)
        & (y_px >= reach)
        & (x_px <= width - 1 - reach)
        & (y_px <= height - 1 - reach)
    )


def _flag_shape(table: Table, width: np.ndarray, roundness: np.ndarray) -> None:
    """Flag what is not as wide as the frame's stars, or longer than they are: trailed ones are all
    long."""
    flags, bright = table["flags"], table["snr"] >= SHAPE_SNR
    odd = (width < 0.55) | (width > 1.8) | (roundness < 0.5) | ~np.isfinite(width)
    flags[odd & bright & (flags & Flag.SATURATED == 0)] |= Flag.SHAPE


def _against_stars(table: Table, real: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Width and roundness of each entry as shares of those of the frame's stars."""
    width = table["fwhm_px"].value / _typical_fwhm(table, real)
    roundness = np.asarray(table["roundness"])
    return width, roundness / _median_of_clear(roundness, table["snr"], real)


def _flag_defects(
    table: Table, real: np.ndarray, width: np.ndarray, roundness: np.ndarray
) -> None:
    """Flag what is seen in one channel alone, cosmic rays and hot pixels that were spread by
    registration: where it is sharper than a star, and where stars show in two channels at least but
    for what has their shape: very red ones may show in one."""
    error = in_channels(table, "flux_error")
    signal = np.nan_to_num(in_channels(table)) / np.where(error > 0, error, np.inf)
    _, second, strongest = np.sort(signal, axis=0)
    clear = strongest > SHAPE_SNR
    odd = (width < SHARPEST_STAR) & clear & (second <= ALONE_SHARE * strongest)
    usual = _least_second(second[real & clear], strongest[real & clear])
    shaped = (np.abs(width - 1) < STAR_WIDTH_OFF) & (roundness > STAR_ROUNDNESS)
    missing = (second < usual * strongest / 4) & (usual * strongest > SURELY_SEEN_SNR)
    table["flags"][odd | (missing & ~shaped)] |= Flag.DEFECT


def _least_second(second: np.ndarray, strongest: np.ndarray) -> float:
    """The least that nearly all clear stars show in their second channel, as a share of their
    strongest; 0 where they are few, or one channel is so much deeper that some show in it alone."""
    if len(second) < ENOUGH_IN_ALL:
        return 0.0
    least = float(np.quantile(second / strongest, FEW_SHOW_LESS))
    return least if least > SHOWN_IN_TWO else 0.0


def flag_blends(table: Table) -> None:
    """Flag the stars with a neighbour in the aperture that is seen, and bright enough to matter."""
    flux = np.nansum(in_channels(table), axis=0)
    table["flags"][
        _blended(table, np.where(table["snr"] >= table.meta["snr_min"], flux, 0))
    ] |= Flag.BLENDED


def _blended(table: Table, flux: np.ndarray) -> np.ndarray:
    """Stars with a neighbour in reach of the widest aperture that is bright enough to matter.

    By its light, but a faint one's aperture has light of the bright one; so by how far it stands
    out as well.
    """
    reach = max(table.meta["aperture_px"]) + BLEND_REACH_FWHM * max(table.meta["fwhm_px"])
    blended, snr = np.zeros(len(table), bool), np.asarray(table["snr"])
    if len(table) < 2:
        return blended
    pairs = cKDTree(places_of(table)).query_pairs(reach, output_type="ndarray").T
    for star, other in (pairs, pairs[::-1]):
        matters = (flux[other] > BLEND_FLUX_SHARE * flux[star]) & (
            2 * snr[other] > BLEND_FLUX_SHARE * snr[star]
        )
        blended[star[matters]] = True
    return blended
