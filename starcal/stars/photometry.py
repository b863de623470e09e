"""The star table: positions, widths, fluxes with errors, flags."""

import numpy as np
from astropy import units as u
from astropy.table import Table
from photutils.aperture import CircularAperture, aperture_photometry
from scipy.spatial import cKDTree

from ..background import frame_noise
from .detection import clip_level_of, close_pairs, detect, guess_fwhm, one_detection_a_core
from .flags import CHANNELS, FAINT_SNR, SHAPE_SNR, Flag
from .shapes import half_width, luminance_stamps, measure_shapes, profile_fwhm, rim_level, stamps_round

APERTURE_FWHM = 1.8  # 1.5 to 2 FWHM of its own channel encloses the same share in all
ANNULUS_FWHM = (3.0, 5.0)
SATURATION_SHARE = 0.95  # a peak above this share of the clipping level may have lost light
BLEND_FLUX_SHARE = 0.02  # a neighbour with this share of the star's light moves its colour by up to 0.02 mag


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
    fwhm_px = guess_fwhm(pixels, noise, snr_min)
    x_px, y_px, snr = detect(pixels, noise, fwhm_px, snr_min)
    clip_level = tuple(clip_level_of(plane, x_px, y_px, fwhm_px) for plane in pixels)
    x_px, y_px, snr = one_detection_a_core(pixels, clip_level, fwhm_px, x_px, y_px, snr)
    shape = measure_shapes(luminance_stamps(pixels, noise, x_px, y_px, half_width(fwhm_px)), fwhm_px)
    pair = close_pairs(pixels, noise, fwhm_px, x_px, y_px, snr, shape)
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


def _channel_fwhm(plane: np.ndarray, table: Table, fwhm_px: float) -> float:
    """FWHM in one channel, from the stacked profile of the stars that show best there, the saturated left out."""
    clean = np.flatnonzero((table["flags"] == 0) & (table["snr"] >= SHAPE_SNR))
    pick = clean[np.argsort(table["snr"][clean])[::-1][:300]]
    if len(pick) < 3:
        return fwhm_px
    x_px, y_px = table["x_px"].value[pick], table["y_px"].value[pick]
    stamps = stamps_round(plane, x_px, y_px, half_width(fwhm_px))
    contrast = stamps[:, stamps.shape[1] // 2, stamps.shape[2] // 2] - rim_level(stamps)
    best = np.argsort(contrast)[::-1][:max(3, len(pick) // 2)]
    if not np.all(contrast[best] > 0):  # a channel without light, or without data
        return fwhm_px
    return profile_fwhm(stamps[best], x_px[best] % 1, y_px[best] % 1, fwhm_px)


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
        _clipped_median(stamps_round(plane, x_px[i:i + 1000], y_px[i:i + 1000], half)[:, ring])
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
        cores = stamps_round(plane, table["x_px"].value, table["y_px"].value, 1)
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
