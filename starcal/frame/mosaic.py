"""Raw frames of colour cameras: which pixel holds which colour, and their 2x2 cells as a colour
frame of half the size.

A raw frame says in BAYERPAT which colours the pixels of a cell have, row by row from the top of the
picture: RGGB, BGGR, GRBG or GBRG. XBAYROFF and YBAYROFF say how far the frame was cut out of the
sensor, and ROWORDER whether its first row is the top of the picture; without it, it is, as cameras
write.
"""

import re
from dataclasses import dataclass

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from ..errors import FrameError
from .sky import card_value

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
PATTERN_KEYS = ("BAYERPAT", "COLORTYP")
OFFSET_KEYS = ("XBAYROFF", "YBAYROFF")
NO_PATTERN = ("", "NONE", "MONO", "FALSE")  # of cameras that have one only at times
CELL_PX = 2  # a side
SCALED_WITH_PIXELS = re.compile(
    r"(CD\d_\d|CDELT\d)$|(XPIXSZ|YPIXSZ|PIXSIZE[12])$"
    r"|(SECPIX[12]?|PIXSCALE|PIXSCAL[12]?|SCALE)$"
)
DISTORTION_TERM = re.compile(r"[AB]P?_(\d)_(\d)$")  # in pixels, of powers of pixels
SIZE_KEYS = ("IMAGEW", "IMAGEH", "ZNAXIS1", "ZNAXIS2", "NAXIS1", "NAXIS2")
ALIKE_SIGMA = 0.1  # of a pixel: levels of pixels of one colour differ by less
LEVEL_SHARES = (0.05, 0.8)  # of the pixels, by brightness, that tell a level: no stars
STARRY_SHARE = 0.01  # of the cells: the brightest, those of stars
UNLIKE_SHARE = 0.1  # of a cell's light in one of its places against another, beyond chance
LEVEL_PIXELS = 400_000  # and at most so many


@dataclass(frozen=True)
class Mosaic:
    """How the colours lie in a raw frame.

    Attributes
    ----------
    key, stated : str
        The keyword and its value.
    places : str
        Colours of the pixels (0, 0), (0, 1), (1, 0), (1, 1) as (row, column) in the file.
    """

    key: str
    stated: str
    places: str


def mosaic_of(header: fits.Header, rows: int, name: str) -> Mosaic | None:
    """How the colours lie, if a header is that of a raw frame of a colour camera.

    Parameters
    ----------
    header : astropy.io.fits.Header
    rows : int
        Of the picture; where row 0 is its bottom, their number says where the top row falls.
    name : str
        Of the file, for messages.

    Returns
    -------
    Mosaic or None

    Raises
    ------
    FrameError
        It is one, of a pattern that is none of the four.
    """
    stated = {key: _stated_word(header, key) for key in PATTERN_KEYS}
    key = next((key for key, word in stated.items() if word not in NO_PATTERN), None)
    if key is None:
        return None
    pattern = stated[key]
    if pattern not in PATTERNS:
        if key != PATTERN_KEYS[0]:  # the other keyword has other uses, too
            return None
        raise FrameError(
            f"{name}: this is a raw frame of a colour camera of a pattern that starcal does not "
            f"know ({key} {pattern}; known: {', '.join(PATTERNS)}). Give the colour frame made "
            "from it."
        )
    across, down = (_stated_offset(header, offset) for offset in OFFSET_KEYS)
    if _stated_word(header, "ROWORDER") == "BOTTOM-UP":
        down += rows - 1  # the picture's top row is the last of the file
    places = [
        pattern[CELL_PX * ((row + down) % CELL_PX) + (column + across) % CELL_PX]
        for row in range(CELL_PX)
        for column in range(CELL_PX)
    ]
    return Mosaic(key, pattern, "".join(places))


def _stated_word(header: fits.Header, key: str) -> str:
    value = card_value(header, key)
    return "" if value is None else str(value).strip().upper()


def _stated_offset(header: fits.Header, key: str) -> int:
    try:
        return round(float(card_value(header, key) or 0))
    except (TypeError, ValueError, OverflowError):
        return 0


def raw_frame_error(mosaic: Mosaic, name: str) -> FrameError:
    """What to do with a raw frame where a colour frame, or one channel, is needed."""
    return FrameError(
        f"{name}: this is a raw frame of a colour camera ({mosaic.key} {mosaic.stated}): each "
        "pixel holds one colour alone. Calibrate it, interpolate its colours (debayer it) in the "
        "software that stacks your frames, and give the colour frame that it writes. `starcal "
        "check` and `starcal plan --for` take the raw frame itself, at half its size."
    )


def in_cells(plane: NDArray, mosaic: Mosaic) -> NDArray[np.float32]:
    """The 2x2 cells of a raw frame as R, mean of the two G, B.

    Parameters
    ----------
    plane : ndarray, (y, x)
        An odd last row or column is left out.
    mosaic : Mosaic

    Returns
    -------
    ndarray, (3, y // 2, x // 2) float32
    """
    of_place = _lattices(plane)
    made = []
    for colour in "RGB":
        same = [of_place[at] for at in range(4) if mosaic.places[at] == colour]
        made.append(sum(same) / np.float32(len(same)))
    return np.ascontiguousarray(made, dtype=np.float32)


def _lattices(plane: NDArray) -> list[NDArray]:
    """The pixels of each place in a cell, four of (y // 2, x // 2), row by row."""
    rows, columns = (n // CELL_PX * CELL_PX for n in plane.shape)
    return [
        plane[row:rows:CELL_PX, column:columns:CELL_PX]
        for row in range(CELL_PX)
        for column in range(CELL_PX)
    ]


def cells_note(plane: NDArray, mosaic: Mosaic) -> tuple[str, ...]:
    """What was made of a raw frame; and a doubt, where the levels of its pixels speak against the
    pattern that its header states."""
    notes = [
        f"raw frame of a colour camera ({mosaic.key} {mosaic.stated}): its 2x2 cells were taken "
        "as a colour frame of half the size, R, mean of the two G, B (R and B lie a third of a "
        "pixel from G, as their pixels do); good for a check and a plan, not for a picture"
    ]
    levels, error = _cell_levels(plane)
    first, second = (at for at in range(4) if mosaic.places[at] == "G")
    one, other = (at for at in range(4) if mosaic.places[at] != "G")
    apart = abs(levels[first] - levels[second])
    if apart > max(error, abs(levels[one] - levels[other])):
        notes.append(
            "by their levels the two green pixels of a cell are those that the header says are red "
            f"and blue: {mosaic.key}, {', '.join(OFFSET_KEYS)} or ROWORDER may be wrong, and with "
            "them all colours"
        )
    return tuple(notes)


def holds_mosaic(plane: NDArray) -> bool:
    """Whether the pixels of the four places in a cell have levels of their own, or shares of their
    own of the light of stars, as they have not in one channel of a colour frame."""
    levels, error = _cell_levels(plane)
    if np.ptp(levels) > error:
        return True
    excess = np.array(_lattices(plane)) - np.float32(np.mean(levels))
    light = excess.mean(axis=0)
    starry = light > np.nanquantile(light, 1 - STARRY_SHARE)
    if not starry.any():
        return False
    share = excess[:, starry] / light[starry]
    by_chance = 5 * np.std(share) / np.sqrt(np.count_nonzero(starry))
    return bool(np.ptp(np.median(share, axis=1)) > UNLIKE_SHARE + by_chance)


def _cell_levels(plane: NDArray) -> tuple[list[float], float]:
    """Level of each place in a cell, and by how much two may differ by chance."""
    step = max(1, int(np.sqrt(plane.size / LEVEL_PIXELS)))
    thinned = [lattice[::step, ::step] for lattice in _lattices(plane)]
    known = [values[np.isfinite(values)] for values in thinned]
    if not all(map(len, known)):
        return [0.0] * 4, 0.0
    low, high = np.quantile(np.concatenate(known), LEVEL_SHARES)
    middle = [values[(values >= low) & (values <= high)] for values in known]
    if not all(map(len, middle)):
        return [float(np.median(values)) for values in known], 0.0
    scatter = max(float(np.std(values)) for values in middle)
    few = min(map(len, middle))
    error = scatter * max(ALIKE_SIGMA, 5 * np.sqrt(2 / few))
    return [float(np.mean(values)) for values in middle], error


def header_of_cells(header: fits.Header) -> fits.Header:
    """The header of a raw frame, for its 2x2 cells: place, scale and pixel size as they are there.

    Pixel p of the file, 1-based, is pixel (p + 0.5) / 2 of the cells.
    """
    changed = header.copy()
    for key in (*PATTERN_KEYS, *OFFSET_KEYS):
        changed.remove(key, ignore_missing=True)
    for key in list(changed):
        factor = _factor_of(key)
        if factor != 1 and isinstance(value := card_value(header, key), int | float):
            changed[key] = value * factor
    for key in ("CRPIX1", "CRPIX2"):
        if isinstance(value := card_value(header, key), int | float):
            changed[key] = (value + 0.5) / CELL_PX
    for key in SIZE_KEYS:
        if isinstance(value := card_value(header, key), int | float):
            changed[key] = int(value) // CELL_PX
    return changed


def _factor_of(key: str) -> float:
    """What a number of a header grows by with the pixels."""
    if SCALED_WITH_PIXELS.match(key):  # not PC, which goes with CDELT
        return CELL_PX
    power = DISTORTION_TERM.match(key)
    return CELL_PX ** (int(power[1]) + int(power[2]) - 1) if power else 1
