"""Colour terms of channels before a frame has said anything: as those of cameras and broad filters
usually are, or of real stars through response curves of the user's own."""

from __future__ import annotations

import csv
import warnings
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from astropy.table import Table

from ..catalogue.embedded import data_folder
from ..choices import SOLAR_BV_MAG
from ..errors import BandsError
from ..inputs import require_file
from .relations import (
    BROAD_BEND,
    BROAD_BEND_ERROR,
    BROAD_SLOPE,
    BROAD_SLOPE_ERROR,
    SHARE_OF_CLASS,
)

ANGSTROM_WORDS = ("wavelength_a", "wavelength_angstrom", "angstrom")
COLUMN_WORDS = {
    "wavelength": ("wavelength", "wave", "lambda", "wavelength_nm", "nm", *ANGSTROM_WORDS),
    "red": ("red", "r"),
    "green": ("green", "g"),
    "blue": ("blue", "b"),
}
NM_RANGE = (
    300.0,
    1200.0,
)  # of what is taken for nanometres; beyond it other units are likelier
ANGSTROM_RANGE = (3000.0, 12000.0)
FEWEST_POINTS = 5  # a triangle is no curve
NARROWEST_NM = 15.0  # half-width of a curve: what is narrower is a line filter
BOX_NM = 5.0  # of star_boxes.csv
MOST_NEGATIVE = 0.01  # of the peak: measured curves scatter about 0
MOST_CUT = 0.02  # of a channel's light may lie where no spectra are
USUAL_WORDS = "the usual colour terms of cameras and broad filters"
# What curves leave open of a slope: lens and air, 0.03 mag per mag in blue at most (an airmass of
# one changes B/G so), and that they were measured on another camera of the kind.
CURVE_SLOPE_ERROR = np.array([0.03, 0.03])
CURVE_BEND_ERROR = np.array([0.02, 0.02])
FITTED_BV_MAG = (-0.2, 1.5)  # of the spectra that colour terms are taken from
EXAMPLE = "columns wavelength (nm), red, green, blue"


@dataclass(frozen=True, kw_only=True, eq=False)
class ColourTerms:
    """How the log ratios R/G and B/G go with B-V, known before the fit.

    Attributes
    ----------
    slope, slope_error : ndarray, shape (2,)
        Mag per mag of B-V, at B-V 0.65.
    bend, bend_error : ndarray, shape (2,)
        Mag per mag^2.
    source : str
        What they are taken from, in words.
    own_curves : bool
        Whether the user gave the curves.
    """

    slope: np.ndarray
    slope_error: np.ndarray
    bend: np.ndarray
    bend_error: np.ndarray
    source: str
    own_curves: bool

    def slope_at(self, bv_mag: float) -> np.ndarray:
        """The slopes at another B-V, (2,)."""
        return self.slope + 2 * self.bend * (bv_mag - SOLAR_BV_MAG)


def usual_terms() -> ColourTerms:
    """Colour terms of 52 measured cameras and of sets of filters, all together.

    Returns
    -------
    ColourTerms
    """
    return ColourTerms(
        slope=BROAD_SLOPE,
        slope_error=BROAD_SLOPE_ERROR,
        bend=BROAD_BEND,
        bend_error=BROAD_BEND_ERROR,
        source=USUAL_WORDS,
        own_curves=False,
    )


def terms_of_curves(
    wave_nm: np.ndarray, response: np.ndarray, name: str = "curves"
) -> ColourTerms:
    """Colour terms of real stars through response curves.

    Parameters
    ----------
    wave_nm : ndarray, shape (n,)
        Wavelengths in order, nm.
    response : ndarray, shape (3, n)
        Of R, G, B to photons, each in any unit; 0 beyond the wavelengths given.
    name : str
        What the curves are called where the result says what was assumed.

    Returns
    -------
    ColourTerms

    Notes
    -----
    A parabola in B-V through synthetic photometry of the dwarfs, subgiants and giants of Pickles
    1998 (PASP 110, 863).
    """
    spectra = _boxes()
    seen = np.array([_box_means(spectra.middle_nm, wave_nm, curve) for curve in response])
    mag = -2.5 * np.log10(seen @ 10 ** (-0.4 * spectra.mag.T))
    ratios = mag[[0, 2]] - mag[1]
    x = spectra.bv_mag - SOLAR_BV_MAG
    low, high = FITTED_BV_MAG
    inside = (spectra.bv_mag >= low) & (spectra.bv_mag <= high)
    weight = np.sqrt(spectra.share[inside])
    bend, slope, _ = np.polyfit(x[inside], ratios[:, inside].T, 2, w=weight)
    return ColourTerms(
        slope=slope,
        slope_error=CURVE_SLOPE_ERROR,
        bend=bend,
        bend_error=CURVE_BEND_ERROR,
        source=f"the response curves of {name}",
        own_curves=True,
    )


# --- spectra ----------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class _Boxes:
    """Spectra as magnitudes through boxes, (spectra, boxes), and what they are."""

    middle_nm: np.ndarray
    mag: np.ndarray
    bv_mag: np.ndarray
    share: np.ndarray


@cache
def _boxes() -> _Boxes:
    """Of star_boxes.csv; source and formula stand in its head."""
    with open(data_folder() / "star_boxes.csv", encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if line[0] != "#"))
    names = list(rows[0])[3:]
    return _Boxes(
        middle_nm=np.array([float(name) for name in names]),
        mag=np.array([[float(row[name]) for name in names] for row in rows]),
        bv_mag=np.array([float(row["bv_mag"]) for row in rows]),
        share=np.array([SHARE_OF_CLASS.get(row["luminosity"], 1.0) for row in rows]),
    )


def _box_means(middle_nm: np.ndarray, wave_nm: np.ndarray, curve: np.ndarray) -> np.ndarray:
    """Mean of a curve over each box, (boxes,)."""
    parts = np.linspace(-0.45, 0.45, 10) * (middle_nm[1] - middle_nm[0])
    fine = middle_nm[:, None] + parts
    return np.interp(fine, wave_nm, curve, 0, 0).mean(axis=1)


# --- the user's file --------------------------------------------------------------------


def read_terms(path: str | Path) -> ColourTerms:
    """Colour terms of the response curves in a file.

    Parameters
    ----------
    path : str or Path
        ECSV or CSV with columns for the wavelength (nm, or the unit that an ECSV states) and for
        the response of red, green and blue, to photons, each in any unit.

    Returns
    -------
    ColourTerms

    Raises
    ------
    BandsError
        The file is not there, is no table, lacks a column, or its numbers cannot be such curves.
    """
    table = _table_of_curves(Path(path))
    names = _columns(table, path)
    wave_nm = _wavelengths(table, names[0], path)
    responses = [_numbers(table, name, path) for name in names[1:]]
    order = np.argsort(wave_nm)
    wave_nm, response = wave_nm[order], np.array(responses)[:, order]
    _require_curves(wave_nm, response, names, path)
    return terms_of_curves(wave_nm, response, Path(path).name)


def _table_of_curves(path: Path) -> Table:
    try:
        require_file(path)
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise BandsError(f"{path}: {error.strerror}; {EXAMPLE} needed") from error
    except UnicodeDecodeError as error:
        raise BandsError(f"{path} is no text; an ECSV or CSV with {EXAMPLE} needed") from error
    if not text.strip():
        raise BandsError(f"{path} is empty; {EXAMPLE} needed")
    kind = "ascii.ecsv" if text.startswith("# %ECSV") else "ascii.csv"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of numbers too large: judged below, like all
            table = Table.read(text, format=kind)
    except Exception as error:  # astropy raises many kinds for a text that is no table
        raise BandsError(f"{path} is no ECSV or CSV table; {EXAMPLE} needed") from error
    if len(table) == 0:
        raise BandsError(f"{path} has no rows; {EXAMPLE} needed")
    return table


def _columns(table: Table, path) -> list[str]:
    """Names of wavelength, red, green and blue in the table."""
    known = {name.strip().lower(): name for name in table.colnames}
    found = {what: _first_known(words, known) for what, words in COLUMN_WORDS.items()}
    lacking = [what for what, name in found.items() if not name]
    if lacking:
        raise BandsError(
            f"{path} has no column for {', '.join(lacking)}; it has {', '.join(table.colnames)}, "
            f"and {EXAMPLE} are needed"
        )
    return list(found.values())


def _first_known(words: tuple[str, ...], known: dict[str, str]) -> str:
    """Name in the table of the first word that it has; empty for none."""
    return next((known[word] for word in words if word in known), "")


def _numbers(table: Table, name: str, path) -> np.ndarray:
    """A column as finite numbers."""
    column = table[name]
    try:
        values: np.ndarray = np.ma.filled(np.ma.asarray(column, float), np.nan)
    except (TypeError, ValueError) as error:
        raise BandsError(f"{path}: column {name} holds no numbers") from error
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        raise BandsError(
            f"{path}: column {name} has no finite number in row {bad[0] + 1} of {len(values)}: "
            "leave such rows out"
        )
    return values


def _wavelengths(table: Table, name: str, path) -> np.ndarray:
    """Wavelengths in nm, by the unit that the table states, else by their size."""
    values = _numbers(table, name, path)
    unit = table[name].unit
    if unit is not None:
        try:
            values = unit.to("nm", values)
        except (
            Exception
        ) as error:  # astropy's UnitConversionError, or a unit that it cannot parse
            raise BandsError(f"{path}: column {name} is in {unit}, a length needed") from error
    elif name.strip().lower() in ANGSTROM_WORDS or _within(values, ANGSTROM_RANGE):
        values = values / 10
    if not _within(values, NM_RANGE):
        raise BandsError(
            f"{path}: wavelengths from {values.min():g} to {values.max():g} given, "
            f"{NM_RANGE[0]:g} to {NM_RANGE[1]:g} nm needed"
        )
    return values


def _within(values: np.ndarray, limits: tuple[float, float]) -> bool:
    return bool(values.min() >= limits[0] and values.max() <= limits[1])


def _require_curves(wave_nm, response, names: list[str], path) -> None:
    """Refuse numbers that are no response curves of broad channels."""
    if len(wave_nm) < FEWEST_POINTS or (np.diff(wave_nm) == 0).any():
        raise BandsError(
            f"{path}: {len(set(wave_nm))} different wavelengths in {len(wave_nm)} rows given, "
            f"{FEWEST_POINTS} or more needed, each once"
        )
    for name, curve in zip(names[1:], response, strict=True):
        _require_curve(wave_nm, curve, name, path)


def _require_curve(wave_nm, curve, name: str, path) -> None:
    """The same for one channel."""
    column = f"{path}: column {name}"
    if curve.min() < -MOST_NEGATIVE * np.abs(curve).max() or curve.max() <= 0:
        raise BandsError(
            f"{column} goes from {curve.min():g} to {curve.max():g}; responses are 0 or more, and "
            "not all 0"
        )
    fine_nm = np.arange(wave_nm[0], wave_nm[-1] + 0.5, 1.0)
    fine = np.interp(fine_nm, wave_nm, curve)
    _require_width(float(np.count_nonzero(fine >= curve.max() / 2)), column)
    _require_within_spectra(fine_nm, fine / fine.sum(), column)


def _require_width(width_nm: float, column: str) -> None:
    """Refuse line filters."""
    if width_nm < NARROWEST_NM:
        raise BandsError(
            f"{column} is {width_nm:.0f} nm wide, a line filter; curves are for broad channels of "
            f"{NARROWEST_NM:g} nm and more. Leave --bands out"
        )


def _require_within_spectra(wave_nm: np.ndarray, share: np.ndarray, column: str) -> None:
    """Refuse channels whose light is not known."""
    middles = _boxes().middle_nm
    low, high = middles[0] - BOX_NM / 2, middles[-1] + BOX_NM / 2
    beyond = float(share[(wave_nm < low) | (wave_nm > high)].sum())
    if beyond > MOST_CUT:
        raise BandsError(
            f"{column} takes {100 * beyond:.0f} % of its light from beyond {low:g} to {high:g} nm, "
            "where no spectra of stars are at hand"
        )
