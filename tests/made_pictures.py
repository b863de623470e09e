"""Stretched pictures of known truth, made by none of the package's own star makers.

Stars of an elliptical profile stand on a textured nebula; each channel is an emission-line filter,
so that their colours are those of a narrowband composite. The truth is the same picture whose stars
have the linear RGB of their B-V, stretched by the same curve.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from astropy.table import Table
from scipy import ndimage

from starcal.colour.stellar import star_rgb

SHAPE = (360, 480)
SKY, NOISE = 0.004, 3e-4
BETA, AXIS_RATIO = 2.8, 0.92
FWHM_PX = 2.9
# change with B-V of R against G and of B against G, mag per mag, and what scaling the channels for
# the nebula makes of a solar star: S II, H alpha, O III as R, G, B (real spectra through 3 nm)
SHO_SLOPES, SHO_OFFSETS = (0.071, 1.123), (-1.4, -0.9)


def arcsinh(light):
    return np.arcsinh(light * 60) / np.arcsinh(60)


def gamma(light):
    return np.clip(light, 0, 1) ** (1 / 2.2)


def midtone(light, balance=0.05):
    light = np.clip(light, 0, 1)
    return (balance - 1) * light / ((2 * balance - 1) * light - balance)


@cache
def icc_profile(name):
    """Of a colour space; None has none. Each is made once: it holds the time when it was made."""
    import imagecodecs

    if name != "p3":
        return name and imagecodecs.cms_profile(name)
    primaries = (0.680, 0.320, 1.0, 0.265, 0.690, 1.0, 0.150, 0.060, 1.0)
    white = (0.3127, 0.3290, 1.0)
    return imagecodecs.cms_profile("rgb", whitepoint=white, primaries=primaries, gamma=2.2)


def in_adobe_rgb(display):
    """Display values of sRGB as numbers of 16 bits in a wider space."""
    import imagecodecs

    return imagecodecs.cms_transform(
        np.float32(display),
        icc_profile("srgb"),
        icc_profile("adobergb"),
        colorspace="rgb",
        outcolorspace="rgb",
        outdtype=np.uint16,
        intent=1,
    )


CURVES = {"arcsinh": arcsinh, "gamma": gamma, "midtone": midtone}


@dataclass(frozen=True, eq=False, kw_only=True)
class MadePicture:
    """Display values (3, y, x) as found and as they should be, without stars, and the stars."""

    display: np.ndarray
    truth: np.ndarray
    starless: np.ndarray
    stars: Table


def made_picture(
    seed, curve, n=220, bits=8, shape=SHAPE, slopes=SHO_SLOPES, offsets=SHO_OFFSETS
):
    """A picture and its truth; the catalogue knows two stars in three, with errors."""
    rng = np.random.default_rng(seed)
    stars = made_stars(rng, n, shape)
    bv = stars["bv_true"]
    rho = slopes[0] * (bv - 0.65) + offsets[0]
    beta = slopes[1] * (bv - 0.65) + offsets[1]
    found = 10 ** (-0.4 * np.stack([rho, np.zeros(n), beta], axis=1))
    true = star_rgb(bv, 0.65)
    nebula = _nebula(rng, shape)
    noise = NOISE * rng.standard_normal((3, *shape))
    shown, truth = (
        _stretched(
            nebula + starlight(stars, rgb / rgb.mean(axis=1, keepdims=True), shape) + noise,
            curve,
        )
        for rgb in (found, true)
    )
    steps = 2**bits - 1
    return MadePicture(
        display=(np.rint(shown * steps) / steps).astype(np.float32),
        truth=truth,
        starless=_stretched(nebula + noise, curve),
        stars=stars,
    )


def _stretched(light, curve):
    return np.clip(curve(np.clip(light - 0.6 * SKY, 0, 1)), 0, 1).astype(np.float32)


def made_stars(rng, n, shape):
    v_mag = np.sort(7 + 5.5 * rng.uniform(0, 1, n) ** 0.45)
    bv = np.clip(rng.normal(0.75, 0.4, n), -0.25, 1.5)
    error = 0.02 + 0.08 * 10 ** (0.25 * (v_mag - 12.5))
    known = rng.uniform(size=n) < 0.67
    return Table(
        {
            "x_px": rng.uniform(12, shape[1] - 13, n),
            "y_px": rng.uniform(12, shape[0] - 13, n),
            "flux": 14 * 10 ** (-0.4 * (v_mag - 7)),
            "bv_true": bv,
            "v_mag": np.where(known, v_mag, np.nan),
            "bv_mag": np.where(known, bv + error * rng.standard_normal(n), np.nan),
            "bv_error_mag": np.where(known, error, np.nan),
        }
    )


def starlight(stars, rgb, shape):
    light = np.zeros((3, *shape))
    half = 28
    for star, colour in zip(stars, rgb, strict=True):
        x0, y0 = round(star["x_px"]), round(star["y_px"])
        rows = slice(max(0, y0 - half), min(shape[0], y0 + half + 1))
        columns = slice(max(0, x0 - half), min(shape[1], x0 + half + 1))
        y, x = np.mgrid[rows, columns]
        radius2 = (x - star["x_px"]) ** 2 + ((y - star["y_px"]) / AXIS_RATIO) ** 2
        profile = (1 + 4 * radius2 / FWHM_PX**2 * (2 ** (1 / BETA) - 1)) ** -BETA
        light[:, rows, columns] += star["flux"] / 10 * colour[:, None, None] * profile
    return light


def _nebula(rng, shape):
    """Clouds of several sizes, each line in its own proportion."""
    clouds = sum(
        size * ndimage.gaussian_filter(rng.standard_normal(shape), size) for size in (8, 20, 50)
    )
    clouds = np.clip(clouds - np.quantile(clouds, 0.4), 0, None)
    other = np.roll(clouds, (40, 70), (0, 1))
    lines = np.stack([0.6 * clouds, clouds, 0.8 * other])
    return SKY + 0.03 * lines / max(np.quantile(clouds, 0.99), 1e-9)
