"""The good files that the fuzzer spoils: small, one of each kind that starcal reads."""

import io
import json

import imagecodecs
import numpy as np
import tifffile
from astropy.io import fits
from astropy.table import Table

SHAPE = (48, 64)
WCS_CARDS = {
    "CTYPE1": "RA---TAN-SIP",
    "CTYPE2": "DEC--TAN-SIP",
    "CUNIT1": "deg",
    "CUNIT2": "deg",
    "CRVAL1": 305.6,
    "CRVAL2": 40.3,
    "CRPIX1": 32.5,
    "CRPIX2": 24.5,
    "CD1_1": -0.0008,
    "CD1_2": 0.0,
    "CD2_1": 0.0,
    "CD2_2": 0.0008,
    "A_ORDER": 2,
    "B_ORDER": 2,
    "A_2_0": 1e-6,
    "B_0_2": 1e-6,
    "RADESYS": "ICRS",
    "EQUINOX": 2000.0,
    "DATE-OBS": "2025-08-01T22:00:00",
    "EXPTIME": 120.0,
    "FILTER": "Ha",
    "ROWORDER": "BOTTOM-UP",
}


def pixels():
    """(3, y, x) of noise with some stars."""
    rng = np.random.default_rng(7)
    image = rng.normal(0.1, 0.005, (3, *SHAPE))
    y, x = np.indices(SHAPE)
    for _ in range(12):
        at = rng.uniform(6, 42), rng.uniform(6, 58)
        star = rng.uniform(0.05, 0.5) * np.exp(-((y - at[0]) ** 2 + (x - at[1]) ** 2) / 4.0)
        image += star
    return image.clip(0, 1)


def _fits(array, cards=()):
    header = fits.Header()
    for name, value in dict(cards).items():
        header[name] = value
    page = io.BytesIO()
    fits.PrimaryHDU(array, header).writeto(page)
    return page.getvalue()


def _three_planes():
    page = io.BytesIO()
    planes = (pixels() * 65535).astype(np.uint16)
    hdus = [fits.ImageHDU(plane, name=name) for plane, name in zip(planes, "RGB", strict=True)]
    fits.HDUList([fits.PrimaryHDU(), *hdus]).writeto(page)
    return page.getvalue()


def _tiles():
    page = io.BytesIO()
    array = (pixels() * 1000).astype(np.int16)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(array)]).writeto(page)
    return page.getvalue()


def _tiff():
    page = io.BytesIO()
    rows = np.moveaxis((pixels() * 65535).astype(np.uint16), 0, 2)
    tifffile.imwrite(page, rows, photometric="rgb", compression="zlib", metadata=None)
    return page.getvalue()


def _eight_bits():
    return np.ascontiguousarray(np.moveaxis((pixels() * 255).astype(np.uint8), 0, 2))


def _table(kind):
    rng = np.random.default_rng(3)
    stars = Table(
        {
            "ra": rng.uniform(305.5, 305.7, 8),
            "dec": rng.uniform(40.2, 40.4, 8),
            "V": rng.uniform(8, 13, 8),
            "B-V": rng.uniform(0, 1.5, 8),
        }
    )
    if kind == "votable":
        page = io.BytesIO()
        stars.write(page, format="votable")
        return page.getvalue()
    page = io.StringIO()
    stars.write(page, format=kind)
    return page.getvalue().encode()


def _bands():
    lines = ["wavelength,red,green,blue"]
    for wave in range(380, 721, 10):
        bands = (np.exp(-(((wave - middle) / 40) ** 2)) for middle in (620, 530, 450))
        lines.append(",".join([str(wave), *(f"{value:.4f}" for value in bands)]))
    return "\n".join(lines).encode()


def _settings():
    from starcal.choices import Settings

    return json.dumps({"settings": Settings(frame="frame.fits").to_dict(".")}).encode()


def good_files():
    """Content by kind: the kind says who reads it."""
    return {
        "cube.fits": _fits(pixels().astype(np.float32), WCS_CARDS),
        "planes.fits": _three_planes(),
        "tiles.fits": _tiles(),
        "header.wcs": _fits(None, WCS_CARDS),
        "frame.tif": _tiff(),
        "frame.png": imagecodecs.png_encode(_eight_bits()),
        "frame.jpg": imagecodecs.jpeg8_encode(_eight_bits()),
        "table.csv": _table("ascii.csv"),
        "table.ecsv": _table("ascii.ecsv"),
        "table.vot": _table("votable"),
        "bands.csv": _bands(),
        "result.json": _settings(),
    }
