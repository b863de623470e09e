"""Pictures to look at: the preview, and what the report and notebooks show of a frame.

Pictures come in for display, (3, y, x) in [0, 1], row 0 at the bottom, as in a `Frame`; they are
shown that way up.
"""

import io
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont
from PIL.PngImagePlugin import PngInfo

from ..cores import in_threads
from ..frame import PAIR_MARK, atomic_write, write_bytes
from ..texts import escaped, html_image
from .tone import choose_stretch

PREVIEW_WIDTH_PX = 1600  # of each picture
PAGE_SIDE_PX = 1000  # longer side of a whole picture in the report
# of a whole picture in the report: two of them, six crops and the plots stay below 5 MB
PICTURE_BYTES = 600_000
CROP_PX = 320  # three beside each other fill the page
RINGS = {10: "#000000", 8: "#ffffff"}  # radius, px: dark round light shows on any ground
NOTEBOOK_SIDE_PX = 420  # longer side of a picture in a notebook
PREVIEW_ROWS = 64
RUNS_ALONE = (
    3  # of zlib: noise repeats nothing but runs, and a search for more takes twice as long
)


@dataclass(frozen=True, eq=False)
class Shown:
    """A picture for display of which only what is looked at is made: a part of it by an index like
    that of an array, or the whole made small.

    Attributes
    ----------
    layers : tuple of ndarray, (3, y, x)
        What it is made of.
    show : callable
        Gives the display picture of a part of each layer, in [0, 1], pixel by pixel.
    """

    layers: tuple[np.ndarray, ...]
    show: Callable[..., np.ndarray]

    @property
    def shape(self) -> tuple[int, ...]:
        """That of the whole, (3, y, x)."""
        return self.layers[0].shape

    @property
    def ndim(self) -> int:
        """Number of its axes."""
        return self.layers[0].ndim

    def __getitem__(self, part) -> np.ndarray:
        """The display picture of a part."""
        return self.show(*(layer[part] for layer in self.layers))

    def thinned(self, step: int) -> np.ndarray:
        """The display picture of the means of squares of pixels.

        Parameters
        ----------
        step : int
            Their side, pixels.

        Returns
        -------
        ndarray, (3, y // step, x // step)
        """
        rows = PREVIEW_ROWS * step
        end = self.shape[1] // step * step
        parts = []
        for first in range(0, end, rows):
            strip = slice(first, min(first + rows, end))
            parts.append(
                self.show(*(_means_of_squares(a[:, strip], step) for a in self.layers))
            )
        return np.concatenate(parts, axis=1)


def _means_of_squares(pixels: np.ndarray, step: int) -> np.ndarray:
    """`binned` of the pixels that have data; NaN where none has."""
    means = binned(pixels, step)
    if np.isfinite(means.sum()):
        return means
    known = np.isfinite(pixels)
    share = binned(known.astype(np.float32), step)
    total = binned(np.where(known, pixels, 0), step)
    return np.where(share > 0, total / np.maximum(share, np.float32(1e-9)), np.nan)


def write_png(
    path: str | Path, picture: np.ndarray | Shown, *, overwrite: bool = False
) -> None:
    """Write a display picture (3, y, x) whole as 8-bit PNG, nothing written on it.

    Parameters
    ----------
    path : str or Path
    picture : ndarray, (3, y, x), or Shown
        For display, in [0, 1].
    overwrite : bool
        Replace an existing file.
    """
    image = to_image(picture)
    with atomic_write(path, overwrite) as file:
        image.save(file, "PNG", compress_level=3, compress_type=RUNS_ALONE)


def write_pair(
    path: str | Path,
    before: np.ndarray | Shown,
    after: np.ndarray | Shown,
    *,
    overwrite: bool = False,
) -> None:
    """Write two pictures side by side, labelled, as PNG that carries `PAIR_MARK`.

    Parameters
    ----------
    path : str or Path
    before, after : ndarray, shape (3, y, x), or Shown
        For display, in [0, 1]; NaN is black. At most `PREVIEW_WIDTH_PX` wide each.
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
    sheet = Image.new(
        "RGB",
        (sum(p.width for p in pictures) + gap, strip + max(p.height for p in pictures)),
        "#202020",
    )
    draw, left = ImageDraw.Draw(sheet), 0
    for picture, label in zip(pictures, ("before", "after"), strict=True):
        sheet.paste(picture, (left, strip))
        draw.text(
            (left + 8, strip // 2), label, "#f0f0f0", ImageFont.load_default(16), anchor="lm"
        )
        left += picture.width + gap
    mark = PngInfo()
    mark.add_text("Description", PAIR_MARK)
    write_bytes(path, encoded(sheet, "PNG", compress_level=3, pnginfo=mark), overwrite)


def to_image(
    picture: np.ndarray | Shown, width_px: int | None = None, height_px: int | None = None
) -> Image.Image:
    """8-bit image, top row first; made smaller, averaging areas, until it is within width and
    height.

    Parameters
    ----------
    picture : ndarray, (3, y, x), or Shown
        For display, in [0, 1]; row 0 is the bottom. One that is not made yet is made smaller by
        whole pixels before it is stretched.
    width_px, height_px : int, optional
        At most; None for as it is.

    Returns
    -------
    Image
    """
    if picture.ndim != 3 or picture.shape[0] != 3:
        raise ValueError(
            f"a picture of shape {picture.shape} given; display pictures are (3, y, x)"
        )
    height, width = picture.shape[1:]
    share = min(1.0, (width_px or width) / width, (height_px or height) / height)
    size = max(1, round(share * width)), max(1, round(share * height))
    if isinstance(picture, Shown) and share <= 0.5:
        picture = picture.thinned(min(int(1 / share), height, width))
    image = _image_of(picture)
    return image if image.size == size else image.resize(size, Image.Resampling.BOX)


def _image_of(picture: np.ndarray | Shown) -> Image.Image:
    """All of a picture, [0, 1] as 0 to 255, NaN as 0; by strips that stay in the cache."""
    height, width = picture.shape[1:]
    image = Image.new("RGB", (width, height))

    def strip(first: int) -> np.ndarray:
        values = picture[:, first : first + PREVIEW_ROWS] * np.float32(255)
        np.fmax(values, 0, out=values)
        np.fmin(values, 255, out=values)
        np.rint(values, out=values)
        return np.moveaxis(values[:, ::-1], 0, 2).astype(np.uint8, order="C")

    top = height
    for rows in in_threads(strip, range(0, height, PREVIEW_ROWS)):
        top -= len(rows)
        image.paste(Image.fromarray(rows), (0, top))
    return image


def encoded(image: Image.Image, kind: str, **options) -> bytes:
    """Bytes of an image file.

    Parameters
    ----------
    image : Image
    kind : str
        ``png`` or ``jpeg``.
    **options
        Of Pillow, for that kind.

    Returns
    -------
    bytes
    """
    file = io.BytesIO()
    image.save(file, kind, **options)
    return file.getvalue()


def small_jpeg(picture: np.ndarray | Shown, side_px: int = PAGE_SIDE_PX) -> bytes:
    """A whole picture as JPEG with full colour resolution; of lower quality where noise would make
    it large.

    Parameters
    ----------
    picture : ndarray, (3, y, x), or Shown
        For display, in [0, 1].
    side_px : int
        Of the longer side, at most.

    Returns
    -------
    bytes
    """
    return _jpeg_of(to_image(picture, side_px, side_px))


def ringed(
    picture: np.ndarray | Shown,
    x_px: np.ndarray,
    y_px: np.ndarray,
) -> bytes:
    """A whole picture as `small_jpeg`, with a ring round each of some places.

    Parameters
    ----------
    picture : ndarray, (3, y, x), or Shown
        For display, in [0, 1].
    x_px, y_px : ndarray, (n,)
        0-based.

    Returns
    -------
    bytes
    """
    image = to_image(picture, PAGE_SIDE_PX, PAGE_SIDE_PX)
    share = image.width / picture.shape[2]
    across = share * (x_px + 0.5)
    down = image.height - share * (y_px + 0.5)
    draw = ImageDraw.Draw(image)
    for radius, colour in RINGS.items():
        for x, y in zip(across, down, strict=True):
            box = x - radius, y - radius, x + radius, y + radius
            draw.ellipse(box, outline=colour, width=2)
    return _jpeg_of(image)


def _jpeg_of(image: Image.Image) -> bytes:
    for quality in (90, 75, 50, 25):
        content = encoded(image, "JPEG", quality=quality, subsampling=0)
        if len(content) <= PICTURE_BYTES:
            break
    return content


def small_copy(path: str | Path, side_px: int) -> bytes | None:
    """A picture file made small, as JPEG.

    Parameters
    ----------
    path : str or Path
    side_px : int
        Of the longer side, at most.

    Returns
    -------
    bytes or None
        None where there is no such picture.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # large, and ours
            with Image.open(path) as image:
                image.thumbnail((side_px, side_px))
                return encoded(image.convert("RGB"), "jpeg", quality=80)
    except (OSError, Image.DecompressionBombError):
        return None


def beside(pictures: Mapping[str, np.ndarray]) -> str:
    """HTML of display pictures beside each other, small, each over its name.

    Parameters
    ----------
    pictures : mapping of str to ndarray, (3, y, x)
        For display, in [0, 1], by name.

    Returns
    -------
    str
    """
    return "".join(
        f'<figure style="display:inline-block;margin:0 .5em .5em 0">'
        f"{html_image(small_jpeg(picture, NOTEBOOK_SIDE_PX), 'jpeg', f'{name}: the whole picture')}"
        f"<figcaption>{escaped(name)}</figcaption></figure>"
        for name, picture in pictures.items()
    )


def before_and_after(before: np.ndarray, after: np.ndarray) -> str:
    """HTML of two linear pictures in one stretch, for a notebook.

    Parameters
    ----------
    before, after : ndarray, (3, y, x)
        Linear, of one size.

    Returns
    -------
    str
    """
    stretch = choose_stretch(before)
    return beside(
        {
            "before": stretch.apply(thinned(before)),
            "after": stretch.on_sky_of(after).apply(thinned(after)),
        }
    )


def thinned(picture: np.ndarray) -> np.ndarray:
    """Squares of pixels averaged, so that what is made of it costs no more than is seen in a
    notebook.

    Parameters
    ----------
    picture : ndarray, (channel, y, x)

    Returns
    -------
    ndarray, (channel, h, w)
    """
    short, long = sorted(picture.shape[1:])
    return binned(picture, min(short, max(1, long // NOTEBOOK_SIDE_PX)))


def binned(picture: np.ndarray, step: int) -> np.ndarray:
    """Means of squares of ``step`` x ``step`` pixels, (channel, y // step, x // step); NaN where
    one of them is.

    Summed row by row: several times as fast as the mean of a reshaped array.

    Parameters
    ----------
    picture : ndarray, (channel, y, x)
    step : int
        Pixels, 1 or more.

    Returns
    -------
    ndarray, (channel, y // step, x // step)
    """
    if step == 1:
        return picture
    height, width = (side // step * step for side in picture.shape[1:])
    rows = picture[:, :height:step, :width].copy()
    for k in range(1, step):
        rows += picture[:, k:height:step, :width]
    total = rows[:, :, ::step].copy()
    for k in range(1, step):
        total += rows[:, :, k::step]
    return total / picture.dtype.type(step**2)


def crop(picture: np.ndarray | Shown, x_px: float, y_px: float) -> np.ndarray:
    """A square of `CROP_PX` round a place, moved inwards at the edge; less where the picture is
    smaller.

    Parameters
    ----------
    picture : ndarray, (channel, y, x), or Shown
    x_px, y_px : float
        Its middle, 0-based.

    Returns
    -------
    ndarray, (channel, h, w)
        A view, of an array.
    """
    left, low = (
        int(np.clip(round(at) - CROP_PX // 2, 0, max(0, side - CROP_PX)))
        for at, side in ((x_px, picture.shape[2]), (y_px, picture.shape[1]))
    )
    return picture[:, low : low + CROP_PX, left : left + CROP_PX]
