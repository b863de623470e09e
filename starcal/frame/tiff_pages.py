"""Which picture of a TIFF file is meant, and its numbers: a file may hold several, thumbnails
first, and layers besides."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..errors import FrameError

GREY, RGB, YCBCR = 1, 2, 6  # PhotometricInterpretation (TIFF 6.0, section 8)
# What the others hold, in words
OTHER_COLOURS = {
    0: "a negative (white is 0)",
    3: "a palette of colours",
    5: "colours for print (CMYK)",
    6: "brightness and colours apart (YCbCr)",
    8: "L*a*b* colours",
    32803: "the raw picture of a camera, not developed",
}
YCBCR_DECODERS = ("JPEG", "OJPEG", "WEBP")  # compressions whose decoders give RGB
LAYERS_TAG = 37724  # of an editor's own, beside the picture that they make up


class TiffPicture(NamedTuple):
    """Numbers of a TIFF file and what its tags say of them."""

    page: object  # tifffile's
    numbers: np.ndarray  # as stored: (y, x), (y, x, channel) or (channel, y, x)
    axes: str  # a letter for each axis; S and what comes first of three others are channels


def main_page(tiff) -> object:
    """The largest picture of a TIFF file, the first of those; no reduced one where others are.

    Parameters
    ----------
    tiff : tifffile.TiffFile

    Returns
    -------
    tifffile.TiffPage
    """
    return max(_whole_pages(tiff), key=_page_area)


def tiff_picture(tiff) -> TiffPicture:
    """The main picture of a TIFF file; of grey pages all that are alike.

    Parameters
    ----------
    tiff : tifffile.TiffFile

    Returns
    -------
    TiffPicture
        Axes of one element are left out.
    """
    held = _page_or_series(tiff)
    stored = held.asarray()
    long = [axis for axis, n in zip(held.axes, stored.shape, strict=True) if n > 1]
    return TiffPicture(main_page(tiff), stored.squeeze(), "".join(long))


def claimed_bytes(tiff) -> int:
    """How many bytes the numbers of the main picture take.

    Parameters
    ----------
    tiff : tifffile.TiffFile

    Returns
    -------
    int
    """
    return _page_or_series(tiff).nbytes


def require_colours(page, name: str) -> None:
    """Refuse what is neither grey nor RGB.

    Parameters
    ----------
    page : tifffile.TiffPage
    name : str
        Of the file.

    Raises
    ------
    FrameError
    """
    kind = page.photometric
    if kind in (GREY, RGB):
        return
    if kind == YCBCR and page.compression.name in YCBCR_DECODERS:
        return
    held = OTHER_COLOURS.get(int(kind), f"{kind.name} data")
    raise FrameError(
        f"{name}: the TIFF holds {held}; save it as plain grey or RGB, 16 bits per channel."
    )


def left_out(tiff) -> Sequence[str]:
    """What the file holds besides its main picture, in sentences.

    Parameters
    ----------
    tiff : tifffile.TiffFile

    Returns
    -------
    list of str
    """
    page = main_page(tiff)
    said = []
    n_pages = len(_whole_pages(tiff))
    if n_pages > 1 and page.samplesperpixel > 1:
        said.append(f"The file holds {n_pages} pictures: the first of the largest was taken.")
    if LAYERS_TAG in page.tags:
        said.append("The picture was taken as its layers make it; what is written has none.")
    more = page.samplesperpixel - 3
    if page.photometric == RGB and more > 0:
        said.append(no_say(more))
    return said


def no_say(n_channels: int) -> str:
    """That channels beside the colours were not looked at, in a sentence.

    Parameters
    ----------
    n_channels : int

    Returns
    -------
    str
    """
    if n_channels == 1:
        return "Its transparency was left out of account."
    return f"{n_channels} channels of transparency or masks were left out of account."


def _whole_pages(tiff) -> list:
    """The pictures that are not marked as reduced ones of others, those within others too."""
    pages = [inner for page in tiff.pages for inner in (page, *(page.pages or ()))]
    return [page for page in pages if not page.is_reduced] or pages


def _page_area(page) -> int:
    return page.imagewidth * page.imagelength


def _page_or_series(tiff):
    """The main page, or the series of grey pages that it is one of: either has numbers and
    axes."""
    page = main_page(tiff)
    if page.samplesperpixel > 1:
        return page
    place = page.treeindex
    return next((one for one in tiff.series if place in _places_in_file(one)), page)


def _places_in_file(series) -> list:
    return [page.treeindex for page in series.pages if page is not None]
