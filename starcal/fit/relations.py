"""How the log ratios of channels go with B-V before a frame has said anything: real spectra
through real kinds of filters, and how well each number of that is known.

A ratio is linear in a handful of parameters (zero point, slope, width of the filters, bends), each
with a prior, so that many stars overrule what one to four stars may rely on.
"""

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import permutations

import numpy as np

from ..catalogue.embedded import data_folder

GRID_BV_MAG = np.arange(-0.39, 2.0, 0.03)  # a step is a third of the best relation's scatter
PIVOT_BV_MAG = 0.65  # zero points are told for a star of the sun's colour
# Of E(B-V): none, and two of the Milky Way's usual ones along a kiloparsec or two.
REDDENING_MAG = np.array([0.0, 0.4, 0.8])
# Fitzpatrick 1999, R_V 3.1: (A(line) - A(656 nm)) / E(B-V)
EXTINCTION = {"H": 0.0, "O": 1.11, "S": -0.085}
SMOOTHING_MAG = 0.10  # the 108 spectra are 0.02 apart, their B-V good to 0.02 to 0.03
SCATTER_FLOOR_MAG = 0.035  # the library's own photometric accuracy
ZERO_ERROR_MAG = 3.0  # channels may be scaled by anything
# Share of spectra among what fields show, against giants to M2 and dwarfs to K2: red dwarfs are
# faint, supergiants rare, and giants beyond M4 turn back in B-V.
RED_DWARF_BV_MAG, RED_DWARF_SHARE = 0.85, 0.3
SHARE_OF_CLASS = {"I": 0.3, "II": 0.3}
SHARE_OF_LATE_GIANT = {"m3": 0.4, "m4": 0.4, "m5": 0.03, "m6": 0.03}
BROADBAND = "broadband"
BROAD_NAMES = (("r", "red"), ("g", "green", "v"), ("b", "blue"))
LINE_OF_WORD = {"ha": "H", "hα": "H", "o3": "O", "oiii": "O", "s2": "S", "sii": "S"}
LETTERS_OF_LINES = ("h", "o", "s")


@dataclass(frozen=True, kw_only=True, eq=False)
class Bands:
    """What kind of channels a frame may have, and how two of its ratios then go with B-V.

    Attributes
    ----------
    name : str
        "SHO" and the like, "broadband" or "unknown".
    ratio_of : tuple of (int, int)
        Channels of each ratio, -2.5 log10(first / second); one for two lines, else two.
    features : ndarray, shape (2, parameters, reddenings, grid)
        d ratio / d parameter at `GRID_BV_MAG`, for a star behind each of `REDDENING_MAG`.
    expected, expected_error : ndarray, shape (parameters,)
        Of the parameters. The first ones are the zero points, all but free.
    scatter_mag : ndarray, shape (2, grid)
        Of real stars about the ratio; 0 in place of a second one that there is not.
    late_giants_mag : ndarray, shape (2,) or None
        Where the ratios of late M stars lie, against the pivot's, if not where their B-V has them.
    reference_mag : ndarray, shape (grid,)
        Of the second channel of the ratios, against V.
    scatter_shared_mag2 : ndarray, shape (grid,), or 0
        Covariance of the scatter of two ratios.
    """

    name: str
    ratio_of: tuple[tuple[int, int], ...]
    features: np.ndarray
    expected: np.ndarray
    expected_error: np.ndarray
    scatter_mag: np.ndarray
    late_giants_mag: np.ndarray | None
    reference_mag: np.ndarray
    scatter_shared_mag2: np.ndarray | float = 0.0

    @property
    def is_narrow(self) -> bool:
        """Whether these are emission lines."""
        return set(self.name) <= set("SHO")

    @property
    def has_third_line(self) -> bool:
        """Whether the second ratio tells of a line besides the first's two."""
        return len(set(self.name)) == 3 and self.is_narrow


# --- spectra ----------------------------------------------------------------------------


def _spectrum_share(name: str, luminosity: str, bv_mag: float) -> float:
    """How much a spectrum counts."""
    if luminosity == "III" and name[0] == "m":
        late = SHARE_OF_LATE_GIANT.get(name[:2], 0.0)
        return 1.0 if name[:2] in ("m0", "m1", "m2") and not name.startswith("m10") else late
    if luminosity == "V" and bv_mag > RED_DWARF_BV_MAG:
        return RED_DWARF_SHARE
    return SHARE_OF_CLASS.get(luminosity, 1.0)


@cache
def _spectra() -> dict[str, np.ndarray]:
    """Columns of star_bands.csv (Pickles 1998, PASP 110, 863), and the share of each spectrum."""
    with open(data_folder() / "star_bands.csv", encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if line[0] != "#"))
    names = [name for name in rows[0] if name not in ("name", "luminosity", "field_star")]
    columns = {name: np.array([float(row[name]) for row in rows]) for name in names}
    shares = [
        _spectrum_share(row["name"], row["luminosity"], float(row["bv_mag"])) for row in rows
    ]
    return columns | {"share": np.array(shares)}


def _smoothed_relation(value_mag: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Local straight line through the spectra at each of `GRID_BV_MAG`, and the scatter about it.

    Local linear regression (Cleveland 1979, JASA 74, 829) with a Gaussian kernel.
    """
    spectra = _spectra()
    away = spectra["bv_mag"] - GRID_BV_MAG[:, None]
    weight = spectra["share"] * np.exp(-0.5 * (away / SMOOTHING_MAG) ** 2)
    weight = weight / weight.sum(axis=1, keepdims=True)
    level, slope = _local_lines(weight, away, value_mag)
    left = value_mag - level[:, None] - slope[:, None] * away
    scatter = np.sqrt(np.sum(weight * left**2, axis=1))
    return level, np.maximum(scatter, SCATTER_FLOOR_MAG)


def _local_lines(
    weight: np.ndarray, away: np.ndarray, value_mag: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Level where `away` is 0 and slope of a weighted line in each row, (grid,)."""
    centre = np.sum(weight * away, axis=1, keepdims=True)
    middle = weight @ value_mag
    spread = np.sum(weight * (away - centre) ** 2, axis=1) + 1e-9
    slope = np.sum(weight * (away - centre) * value_mag, axis=1) / spread
    return middle - slope * centre[:, 0], slope


def _at_pivot(curve: np.ndarray) -> float:
    return float(np.interp(PIVOT_BV_MAG, GRID_BV_MAG, curve))


def _from_pivot(curve: np.ndarray) -> np.ndarray:
    """The curve less its value at the pivot."""
    return curve - _at_pivot(curve)


def _reddened(curve: np.ndarray, per_e: float) -> np.ndarray:
    """The curve for stars behind each reddening: those of bluer ones, moved; (reddenings, grid)."""
    shifted = [
        np.interp(GRID_BV_MAG - reddening, GRID_BV_MAG, curve) + per_e * reddening
        for reddening in REDDENING_MAG
    ]
    return np.array(shifted)


@cache
def possible_behind() -> np.ndarray:
    """Whether a star of each observed B-V can stand behind each reddening, (reddenings, grid)."""
    return GRID_BV_MAG - REDDENING_MAG[:, None] >= GRID_BV_MAG[0]


# --- kinds of channels ------------------------------------------------------------------

SLOPE_ERROR = {"O": 0.08, "S": 0.3}  # over line widths, edges, tilts of filters, cameras
RED_BEND_FROM_MAG, RED_BEND_ERROR = 0.95, 0.2
BLUE_BEND_TO_MAG, BLUE_BEND_ERROR = 0.35, 0.15
OTHER_ERRORS = [1.0, RED_BEND_ERROR, BLUE_BEND_ERROR]  # the first of the width, in 2 nm
WEAK_LINE_SCATTER_MAG = 0.03  # of S/H besides: H-alpha and TiO differ from star to star
# O/H and S/H of giants M5 to M10 less those of a star of B-V 0.65
LATE_GIANTS_MAG = {"O": 1.7, "S": 0.75}


@cache
def _line_ratio(line: str, against: str) -> dict[str, np.ndarray]:
    """A ratio through 5 nm against B-V, half its change from 3 to 7 nm, and its scatter."""
    spectra = _spectra()
    curves = {
        width: _smoothed_relation(spectra[f"{line}{width}"] - spectra[f"{against}{width}"])
        for width in (3, 5, 7)
    }
    return {
        "mean": curves[5][0],
        "wider": (curves[7][0] - curves[3][0]) / 2,
        "scatter": np.maximum(curves[3][1], curves[5][1]),
    }


def _no_features(*counts: int) -> np.ndarray:
    """Zeros, so many by reddenings and grid."""
    return np.zeros((*counts, len(REDDENING_MAG), len(GRID_BV_MAG)))


def _line_features(place: int, count: int, line: str, against: str) -> np.ndarray:
    """Rows (zero point and slope of each ratio, width, red bend, blue bend), of one ratio."""
    ratio = _line_ratio(line, against)
    mean = _from_pivot(ratio["mean"])
    wider = _from_pivot(ratio["wider"])
    features = _no_features(2 * count + 3)
    features[place] = 1.0
    features[count + place] = _reddened(mean, EXTINCTION[line] - EXTINCTION[against])
    features[2 * count] = _reddened(wider, 0.0)
    if "O" in (line, against):
        red, blue = _bends(1.0 if line == "O" else -1.0)
        features[2 * count + 1] = red
        features[2 * count + 2] = blue
    return features


def _bends(sign: float) -> tuple[np.ndarray, np.ndarray]:
    """What O III bends at the red and at the blue end, of one sign, (grid,) each."""
    red = sign * np.maximum(GRID_BV_MAG - RED_BEND_FROM_MAG, 0)
    blue = -sign * np.maximum(BLUE_BEND_TO_MAG - GRID_BV_MAG, 0)
    return red, blue


@cache
def line_bands(mapping: str) -> Bands:
    """Channels that hold emission lines.

    Parameters
    ----------
    mapping : str
        A line, S, H or O, for each of R, G, B; two or three different ones. Of a line that fills
        two channels the first is taken.

    Returns
    -------
    Bands
    """
    against = next(line for line in "HSO" if line in mapping)
    others = [line for line in "OS" if line in mapping and line != against]
    count = len(others)
    features = _no_features(2, 2 * count + 3)
    for place, line in enumerate(others):
        features[place] = _line_features(place, count, line, against)
    return Bands(
        name=mapping,
        ratio_of=tuple((mapping.index(line), mapping.index(against)) for line in others),
        features=features,
        expected=np.repeat([0.0, 1.0, 0.0], [count, count, 3]),
        expected_error=_line_errors(others),
        scatter_mag=_line_scatter(others, against),
        late_giants_mag=_late_giant_ratios(others) if against == "H" else None,
        reference_mag=_line_mag(against),
    )


def _line_mag(line: str) -> np.ndarray:
    """Of stars through 5 nm, against V, (grid,)."""
    return _smoothed_relation(_spectra()[f"{line}5"])[0]


def _line_errors(others: list[str]) -> np.ndarray:
    """Prior errors of zero points, slopes, width and both bends."""
    slope_errors = [SLOPE_ERROR[line] for line in others]
    return np.array([ZERO_ERROR_MAG] * len(others) + slope_errors + OTHER_ERRORS)


def _late_giant_ratios(others: list[str]) -> np.ndarray:
    """Ratios of late giants in the other lines, (2,); 0 where there is none."""
    ratios = [LATE_GIANTS_MAG[line] for line in others]
    return np.array(ratios + [0.0] * (2 - len(others)))


def _line_scatter(others: list[str], against: str) -> np.ndarray:
    """Of the ratios of the other lines against one, (2, grid); 0 where there is none."""
    scatter = np.zeros((2, len(GRID_BV_MAG)))
    for place, line in enumerate(others):
        extra = WEAK_LINE_SCATTER_MAG if line == "S" else 0.0
        scatter[place] = _line_ratio(line, against)["scatter"] + extra
    return scatter


# H-alpha's share of a star's light in green and in blue, where these hold O III with some of it,
# and errors: a colour camera behind a filter of two lines (5 to 25 %, 2 to 10 %); a green that was
# mixed of both
CAMERA_MIX = ((0.15, 0.06), (0.08, 0.06))
GREEN_MIX = ((0.45, 0.0), (0.15, 0.03))
SHARE_STEP = 0.02
MIX_SCATTER_MAG = 0.02  # of blue against green: filters and cameras as they are


@cache
def mixed_bands(shares: tuple[float, float], errors: tuple[float, float]) -> Bands:
    """H-alpha in red, O III with some H-alpha in green and in blue.

    Parameters
    ----------
    shares, errors : (float, float)
        H-alpha's of the light of a star like the sun, in green and in blue.

    Returns
    -------
    Bands
    """
    ratio = _line_ratio("O", "H")
    scatter = np.multiply.outer(_oxygen_in_ratios(shares), ratio["scatter"])
    green, blue = (_o3_mixed(LATE_GIANTS_MAG["O"], share) for share in shares)
    line_errors = [ZERO_ERROR_MAG, ZERO_ERROR_MAG, SLOPE_ERROR["O"]]
    return Bands(
        name="HOO",
        ratio_of=((0, 1), (2, 1)),
        features=_mixed_features(shares),
        expected=np.repeat([0.0, 1.0, 0.0], [2, 1, 5]),
        expected_error=np.array([*line_errors, *errors, *OTHER_ERRORS]),
        scatter_mag=np.hypot(scatter, [[0.0], [MIX_SCATTER_MAG]]),
        late_giants_mag=np.array([-green, blue - green]),
        reference_mag=_line_mag("H") + _o3_mixed(_from_pivot(ratio["mean"]), shares[0]),
        scatter_shared_mag2=scatter.prod(axis=0),
    )


def _oxygen_in_ratios(shares: tuple[float, float]) -> np.ndarray:
    """How red and blue against green change with O III against H-alpha, (2,)."""
    return np.array([shares[0] - 1, shares[0] - shares[1]])


def _mixed_features(shares: tuple[float, float]) -> np.ndarray:
    """Rows (both zero points, slope, shares in green and in blue, width, red bend, blue bend)."""
    ratio = _line_ratio("O", "H")
    pure = _reddened(_from_pivot(ratio["mean"]), EXTINCTION["O"])
    green, blue = (_o3_mixed(pure, share) for share in shares)
    features = _no_features(2, 8)
    features[0, 0] = features[1, 1] = 1.0
    features[:, 2] = -green, blue - green
    features[:, 3] = -_by_share(pure, shares[0])
    features[1, 4] = _by_share(pure, shares[1])
    in_ratios = _oxygen_in_ratios(shares)
    for place, change in enumerate([_from_pivot(ratio["wider"]), *_bends(1.0)], start=5):
        features[:, place] = np.multiply.outer(in_ratios, change)[:, None]
    return features


def _o3_mixed(pure: np.ndarray | float, share: float) -> np.ndarray:
    """Of O III against H-alpha, what is left where a share of the sun's light is H-alpha's, mag."""
    return -2.5 * np.log10((1 - share) * 10 ** (-0.4 * np.asarray(pure)) + share)


def _by_share(pure: np.ndarray, share: float) -> np.ndarray:
    """Its gradient by the share."""
    more, less = _o3_mixed(pure, share + SHARE_STEP), _o3_mixed(pure, share - SHARE_STEP)
    return (more - less) / (2 * SHARE_STEP)


# Colour terms R/G and B/G of 52 measured cameras and of mono sets alike, and their bends.
BROAD_SLOPE, BROAD_SLOPE_ERROR = np.array([-0.48, 0.56]), np.array([0.11, 0.12])
BROAD_BEND, BROAD_BEND_ERROR = np.array([0.0, 0.04]), np.array([0.03, 0.03])
BROAD_SCATTER_MAG = 0.03
# M3 to M5 through red filters beyond 700 nm (I, R, V and i, r, g; star_boxes.csv), where B-V has
# long stopped growing
LATE_BROAD_MAG = np.array([-1.3, 0.7])
ANY_SLOPE_ERROR, ANY_BEND_ERROR = 1.0, 0.25  # narrowband mixtures have slopes to 1.3
ANY_SCATTER_MAG = 0.10


def _bent_bands(name, channels, slope, slope_error, bend, bend_error, scatter_mag) -> Bands:
    """Ratios of the channels named against G (or R) that are gently bent lines in B-V."""
    count = len(channels)
    x = GRID_BV_MAG - PIVOT_BV_MAG
    features = np.zeros((2, 3 * count, len(REDDENING_MAG), len(x)))
    scatter = np.zeros((2, len(x)))
    for place in range(count):
        for power in range(3):
            features[place, power * count + place] = x**power
        scatter[place] = scatter_mag
    return Bands(
        name=name,
        ratio_of=channels,
        features=features,
        expected=np.concatenate([np.zeros(count), slope, bend]),
        expected_error=np.concatenate([[ZERO_ERROR_MAG] * count, slope_error, bend_error]),
        scatter_mag=scatter,
        late_giants_mag=None,
        reference_mag=np.zeros(len(x)),
    )


@cache
def broad_bands() -> Bands:
    """Red, green and blue of a colour camera or of a set of broad filters."""
    bands = _bent_bands(
        BROADBAND,
        ((0, 1), (2, 1)),
        BROAD_SLOPE,
        BROAD_SLOPE_ERROR,
        BROAD_BEND,
        BROAD_BEND_ERROR,
        BROAD_SCATTER_MAG,
    )
    return replace(bands, late_giants_mag=LATE_BROAD_MAG)


@cache
def any_bands(channels: tuple[tuple[int, int], ...]) -> Bands:
    """Channels of which nothing is known; only matched stars can tell."""
    count = len(channels)
    return _bent_bands(
        "unknown",
        channels,
        np.zeros(count),
        np.full(count, ANY_SLOPE_ERROR),
        np.zeros(count),
        np.full(count, ANY_BEND_ERROR),
        ANY_SCATTER_MAG,
    )


# --- which of them ----------------------------------------------------------------------


def lines_of_filters(filters: Sequence[str | None]) -> str:
    """The lines that the filters of R, G, B are named for, such as "SHO"; empty where they are
    not.

    Parameters
    ----------
    filters : sequence of (str or None)
        Three names.

    Returns
    -------
    str
    """
    lines = [_line_in(name or "") for name in filters]
    return "".join(lines) if all(lines) else ""


def told_by_filters(filters: Sequence[str | None]) -> str:
    """What the names of filters say of R, G, B.

    Parameters
    ----------
    filters : sequence of (str or None)
        Three names.

    Returns
    -------
    str
        Lines, such as "SHO"; "broadband" for red, green and blue; empty for anything else.
    """
    words = [(name or "").strip().lower() for name in filters]
    broad = [word in names for word, names in zip(words, BROAD_NAMES, strict=True)]
    return BROADBAND if all(broad) else lines_of_filters(filters)


def _line_in(words: str) -> str:
    """The line that a filter's name tells, or nothing."""
    plain = words.lower().translate(str.maketrans("", "", " -_[]()."))
    if plain in LETTERS_OF_LINES:
        return plain.upper()
    told = (line for word, line in LINE_OF_WORD.items() if plain.startswith(word))
    return next(told, "")


# By the channels that are no copy of one before them; red is the redder line.
USUAL_TWO_LINES = {(0, 1): "HOO", (0, 2): "HHO"}


def candidate_bands(distinct: tuple[int, ...], told: str) -> list[Bands]:
    """Kinds of channels to weigh against each other.

    Parameters
    ----------
    distinct : tuple of int
        Channels that are no copies of another, in order.
    told : str
        What the header says, or empty.

    Returns
    -------
    list of Bands
        Empty where all channels are one.
    """
    if told == BROADBAND:
        told = ""
    firsts = tuple(
        channel for channel in range(len(told)) if told.index(told[channel]) == channel
    )
    agrees = firsts == distinct
    if len(distinct) == 3:
        mixed = [mixed_bands(*CAMERA_MIX), mixed_bands(*GREEN_MIX)]
        return [*_three_lines(told, agrees), *mixed, broad_bands(), any_bands(((0, 1), (2, 1)))]
    if len(distinct) == 2:
        return [line_bands(told if agrees else USUAL_TWO_LINES[distinct])]
    return []


def _three_lines(told: str, agrees: bool) -> list[Bands]:
    """Channels of a line each, in the order told if the channels agree, else in any."""
    if told == "HOO":
        return []
    mappings = [told] if agrees else ["".join(lines) for lines in permutations("SHO")]
    return [line_bands(mapping) for mapping in mappings]
