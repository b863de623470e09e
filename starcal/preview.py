"""Pictures to look at: the preview, and what the report shows of a frame.

Pictures come in for display, (3, y, x) in [0, 1], row 0 at the bottom, as in a `Frame`; they are shown that way up.
"""

import io
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from .result import CheckResult
from .stars import Flag
from .tables import write_bytes

PREVIEW_WIDTH_PX = 1600  # of each picture
PAGE_SIDE_PX = 1000  # longer side of a whole picture in the report
PICTURE_BYTES = 700_000  # of a whole picture in the report: two of them, the crops and plots stay far below 5 MB
CROP_PX = 240
CROPS = 3
STRIP_ROWS = 64
BRIGHTEST = 15  # among so many the crops are chosen, by colour


def write_preview(path: str | Path, before: np.ndarray, after: np.ndarray, *, overwrite: bool = False) -> None:
    """Write two pictures side by side, labelled, as PNG.

    Parameters
    ----------
    path : str or Path
    before, after : ndarray, shape (3, y, x)
        For display, in [0, 1]; NaN is black. Shown at most `PREVIEW_WIDTH_PX` wide each.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `atomic_write`.
    ValueError
        A picture is not of shape (3, y, x).
    """
    pictures = [to_image(picture, PREVIEW_WIDTH_PX) for picture in (before, after)]
    gap, strip = 8, 28
    sheet = Image.new("RGB", (sum(p.width for p in pictures) + gap, strip + max(p.height for p in pictures)), "#202020")
    draw, left = ImageDraw.Draw(sheet), 0
    for picture, label in zip(pictures, ("before", "after"), strict=True):
        sheet.paste(picture, (left, strip))
        draw.text((left + 8, strip // 2), label, "#f0f0f0", ImageFont.load_default(16), anchor="lm")
        left += picture.width + gap
    write_bytes(path, encoded(sheet, "PNG", compress_level=3), overwrite)


def to_image(picture: np.ndarray, width_px: int | None = None, height_px: int | None = None) -> Image.Image:
    """8-bit image, top row first; made smaller, averaging areas, until it is within width and height."""
    if picture.ndim != 3 or picture.shape[0] != 3:
        raise ValueError(f"a picture of shape {picture.shape} given; display pictures are (3, y, x)")
    height, width = picture.shape[1:]
    share = min(1.0, (width_px or width) / width, (height_px or height) / height)
    size = max(1, round(share * width)), max(1, round(share * height))
    planes = [Image.fromarray(_to_bytes(plane)[::-1]) for plane in picture]
    return Image.merge("RGB", [plane.resize(size, Image.Resampling.BOX) for plane in planes])


def _to_bytes(plane: np.ndarray) -> np.ndarray:
    """[0, 1] as 0 to 255, NaN as 0; by strips that stay in the cache."""
    made = np.empty(plane.shape, np.uint8)
    for first in range(0, len(plane), STRIP_ROWS):
        strip = plane[first:first + STRIP_ROWS] * np.float32(255)
        np.fmax(strip, 0, out=strip)
        np.fmin(strip, 255, out=strip)
        made[first:first + STRIP_ROWS] = np.rint(strip, out=strip)
    return made


def encoded(image: Image.Image, kind: str, **options) -> bytes:
    """Bytes of an image file."""
    file = io.BytesIO()
    image.save(file, kind, **options)
    return file.getvalue()


def small_jpeg(picture: np.ndarray) -> bytes:
    """A whole picture as JPEG with full colour resolution; of lower quality where noise would make it large."""
    image = to_image(picture, PAGE_SIDE_PX, PAGE_SIDE_PX)
    for quality in (90, 75, 50, 25):
        content = encoded(image, "JPEG", quality=quality, subsampling=0)
        if len(content) <= PICTURE_BYTES:
            break
    return content


def choose_crops(result: CheckResult) -> list[tuple[int, float]]:
    """Stars that the report shows at 100 %: bright ones that were used, apart from each other, of different colour.

    Parameters
    ----------
    result : CheckResult
        Without a fit the brightest stars that are not saturated are taken, and their B-V is NaN.

    Returns
    -------
    list of (row of the star table, B-V), at most `CROPS`, from blue to red
    """
    rows, bv_mag = _presentable(result)
    rows, bv_mag = (values[_away_from_edge(result, rows)] for values in (rows, bv_mag))
    flux, x_px, y_px = (np.asarray(result.stars[name])[rows] for name in ("flux_G", "x_px", "y_px"))
    chosen: list[int] = []
    for i in np.argsort(-np.nan_to_num(flux)):
        if all(max(abs(x_px[i] - x_px[j]), abs(y_px[i] - y_px[j])) >= CROP_PX for j in chosen):
            chosen.append(i)
        if len(chosen) == (BRIGHTEST if result.fit is not None else CROPS):
            break
    chosen.sort(key=lambda i: np.nan_to_num(bv_mag[i]))
    picks = np.unique(np.linspace(0, len(chosen) - 1, CROPS).round().astype(int)) if chosen else []
    return [(int(rows[chosen[pick]]), float(bv_mag[chosen[pick]])) for pick in picks]


def _presentable(result: CheckResult) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the star table that may be shown, and their B-V."""
    fit = result.fit
    if fit is not None:
        return result.fitted[fit.used], fit.bv_mag[fit.used]
    rows = np.flatnonzero(np.asarray(result.stars["flags"]) & (Flag.SATURATED | Flag.EDGE | Flag.SHAPE) == 0)
    return rows, np.full(len(rows), np.nan)


def _away_from_edge(result: CheckResult, rows: np.ndarray) -> np.ndarray:
    """Which of the rows have a whole crop round them; all where none has."""
    places = zip(("y_px", "x_px"), result.stars.meta["shape"], strict=True)
    away = np.all([(np.asarray(result.stars[name])[rows] >= CROP_PX / 2)
                   & (np.asarray(result.stars[name])[rows] < side - CROP_PX / 2) for name, side in places], axis=0)
    return away if away.any() else np.ones(len(rows), bool)


def crop(picture: np.ndarray, x_px: float, y_px: float) -> np.ndarray:
    """A square of `CROP_PX` round a star, moved inwards at the edge; less where the picture is smaller."""
    left, low = (int(np.clip(round(at) - CROP_PX // 2, 0, max(0, side - CROP_PX)))
                 for at, side in ((x_px, picture.shape[2]), (y_px, picture.shape[1])))
    return picture[:, low:low + CROP_PX, left:left + CROP_PX]
