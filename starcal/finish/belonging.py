"""Which starless frame a star layer belongs to, and whether stars are still in a nebula."""

import hashlib
from collections.abc import Iterable
from itertools import product
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from ..errors import FrameError
from ..frame import Frame, read_frame
from ..layers.starless import Starless
from ..robust import scatter

NAME_CARD, SIZE_CARD, SUM_CARD = "STARLESS", "SLESSIZE", "SLESSSUM"
STARS_LOOKED_AT = 200
FEWEST_LOOKED_AT, LOOKED_SHARE = 10, 0.25  # of all peaks: faint ones hide in a picture's noise
SUMMED_ROWS = 16
PEAK_REACH_PX = 3
BRIGHTEST_PIXELS = 50_000
NEAR_PEAK_PX = 4
PLACES_FOR_NOISE = 10_000
STARS_SEEN_SIGMA, STARS_SEEN_SHARE = (
    5.0,
    0.5,
)  # so many stars still stand out: they are still in


def belonging_cards(starless: NDArray | Starless, name: str) -> fits.Header:
    """Header cards of a star layer that name its starless frame.

    Parameters
    ----------
    starless : ndarray, (3, y, x) float32, or Starless
    name : str
        File name, without its folder.

    Returns
    -------
    Header
    """
    cards = fits.Header()
    cards[NAME_CARD] = (Path(name).name, "starless frame of this star layer")
    cards[SIZE_CARD] = (_told_size(starless), "its columns and rows")
    cards[SUM_CARD] = (checksum(starless), "SHA-256 of its pixels, first 16 digits")
    return cards


def _told_size(pixels: NDArray | Starless) -> str:
    rows, columns = pixels.shape[1:]
    return f"{columns} x {rows}"


def is_whole(layer: Frame) -> bool:
    """Whether a star layer has the size of its starless frame, as far as it tells: places that
    were noted of one that was cropped since lie elsewhere.

    Parameters
    ----------
    layer : Frame

    Returns
    -------
    bool
    """
    return layer.header.get(SIZE_CARD) in (None, _told_size(layer.pixels))


def checksum(pixels: Iterable[NDArray]) -> str:
    """Of channels as big-endian float32, the way a FITS file holds them."""
    summed = hashlib.sha256()
    for plane in pixels:
        for top in range(0, len(plane), SUMMED_ROWS):  # what is turned over stays in the cache
            summed.update(np.ascontiguousarray(plane[top : top + SUMMED_ROWS], ">f4"))
    return summed.hexdigest()[:16]


def read_nebula(path: str | Path) -> Frame:
    """The nebula that stars are to be laid over.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Frame

    Raises
    ------
    FrameError
        It cannot be read, or is a star layer.
    """
    frame = read_frame(path)
    if NAME_CARD in frame.header:
        raise FrameError(
            f"{frame.name} is a star layer: give the nebula first, and the star layer behind it"
        )
    return frame


def starless_beside(layer: Frame, path: Path) -> Frame | None:
    """The starless frame that a star layer names, if it lies beside it and is the one.

    Parameters
    ----------
    layer : Frame
    path : Path
        Of the layer.

    Returns
    -------
    Frame or None
    """
    named = layer.header.get(NAME_CARD)
    if named is None or not (beside := path.parent / Path(named).name).is_file():
        return None
    starless = read_frame(beside)
    return starless if _is_named(starless, beside, layer.header.get(SUM_CARD)) else None


def named_starless(layer: Frame) -> str:
    """What a star layer says of its starless frame, in brackets; empty if it says nothing.

    Parameters
    ----------
    layer : Frame

    Returns
    -------
    str
    """
    name, size = (layer.header.get(card) for card in (NAME_CARD, SIZE_CARD))
    if name is None:
        return ""
    return f" ({name}, {size} px)" if size else f" ({name})"


def _is_named(starless: Frame, path: Path, named_sum: str | None) -> bool:
    """Whether a frame has the checksum given; its file is looked into if reading changed it."""
    if checksum(starless.pixels) == named_sum:
        return True
    with fits.open(path) as held:
        return checksum(held[0].data) == named_sum


def require_starless(nebula: NDArray, layer: NDArray) -> None:
    """Refuse a nebula whose stars are still in it.

    Parameters
    ----------
    nebula, layer : ndarray, (3, y, x)
        On one pixel grid.

    Raises
    ------
    FrameError
    """
    x_px, y_px = _brightest_peaks(layer.sum(axis=0))
    if not len(x_px):
        return
    noise = scatter(_above_surroundings(nebula, *_even_places(nebula.shape[1:])))
    seen = _above_surroundings(nebula, x_px, y_px) > STARS_SEEN_SIGMA * max(noise, 1e-9)
    if seen.mean() > STARS_SEEN_SHARE:
        raise FrameError(
            f"{seen.mean():.0%} of the {len(seen)} brightest stars still stand in the nebula: they "
            f"would be doubled; give the nebula without its stars"
        )


def _above_surroundings(nebula: NDArray, x_px: NDArray, y_px: NDArray) -> NDArray:
    """How far places stand out of the median of the 9 x 9 pixels round them, (n,)."""
    reach = np.arange(-NEAR_PEAK_PX, NEAR_PEAK_PX + 1)
    rows = np.clip(y_px[:, None] + reach, 0, nebula.shape[1] - 1)
    columns = np.clip(x_px[:, None] + reach, 0, nebula.shape[2] - 1)
    near = nebula[:, rows[:, :, None], columns[:, None, :]].mean(axis=0)
    near = np.nan_to_num(near).reshape(len(x_px), -1)
    return near[:, near.shape[1] // 2] - np.median(near, axis=1)


def _even_places(shape: tuple[int, int]) -> tuple[NDArray, NDArray]:
    """Places spread evenly over a picture, x and y, enough of them to tell its noise."""
    step = max(1, int(np.sqrt(shape[0] * shape[1] / PLACES_FOR_NOISE)))
    y, x = np.mgrid[0 : shape[0] : step, 0 : shape[1] : step]
    return x.ravel(), y.ravel()


def _brightest_peaks(light: NDArray) -> tuple[NDArray, NDArray]:
    """Places of the brightest peaks of a star layer; of its brightest pixels first, and of all only
    where these are the tops of too few stars."""
    for most in (BRIGHTEST_PIXELS, light.size):
        y, x = _peaks_among(light, most)
        if len(y) >= STARS_LOOKED_AT:
            break
    most = np.clip(int(LOOKED_SHARE * len(y)), FEWEST_LOOKED_AT, STARS_LOOKED_AT)
    order = np.argsort(light[y, x])[::-1][:most]
    return x[order], y[order]


def _peaks_among(light: NDArray, most: int) -> tuple[NDArray, NDArray]:
    """Rows and columns of the pixels, among the brightest, that top the 7 x 7 round them."""
    lit = np.flatnonzero(light > 0)
    if len(lit) > most:
        lit = lit[np.argpartition(light.ravel()[lit], -most)[-most:]]
    y, x = np.divmod(lit, light.shape[1])
    reach = range(-PEAK_REACH_PX, PEAK_REACH_PX + 1)
    for down, across in product(reach, reach):
        top = light[y, x] >= _pixels_beside(light, y + down, x + across)
        y, x = y[top], x[top]
    return y, x


def _pixels_beside(light: NDArray, row: NDArray, column: NDArray) -> NDArray:
    """Pixels at places, those of the rim for what lies outside."""
    rows, columns = light.shape
    return light[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)]
