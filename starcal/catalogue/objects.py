"""Nebulae, clusters and galaxies by name, from a table that comes with starcal: no network.

The table is a selection of OpenNGC (see the head of ``catalog_cache/objects.csv`` and NOTICE.md).
"""

import csv
import difflib
import functools
import re
from dataclasses import dataclass

import numpy as np

from ..errors import CatalogueError
from .embedded import data_folder, unit_vectors

OBJECT_TABLE = "objects.csv"
LIKE_A_NAME = 0.75  # of the letters, for a guess at what was meant
# What lists are called in full, and as the table writes them.
LISTS = {"messier": "m", "caldwell": "c", "barnard": "b", "sharpless": "sh2", "melotte": "mel"}
LISTS |= {"collinder": "cr"}
WORDS_LEFT_OUT = re.compile(r"\b(the|nebula|cluster|galaxy|star|asterism|great)\b")


@dataclass(frozen=True, kw_only=True)
class SkyObject:
    """A nebula, cluster or galaxy.

    Attributes
    ----------
    name : str
        Its first designation, such as NGC 7000.
    kind : str
    ra_deg, dec_deg : float
        ICRS.
    size_arcmin : float
        Its longer side; NaN where nobody says.
    names : tuple of str
        What else it is called.

    Examples
    --------
    >>> import starcal
    >>> found = starcal.find_object("M 27")
    >>> isinstance(found, starcal.SkyObject), found.kind
    (True, 'planetary nebula')
    """

    name: str
    kind: str
    ra_deg: float
    dec_deg: float
    size_arcmin: float
    names: tuple[str, ...]

    def __str__(self) -> str:
        """The designation, its number in Messier's list, and its best known name."""
        called = [name for name in self.names if re.fullmatch(r"M\d+", name)]
        called += [name for name in self.names if not re.search(r"\d", name)][:1]
        return f"{self.name} ({', '.join(called)})" if called else self.name


def find_object(name: str) -> SkyObject | None:
    """The object that a name means.

    Parameters
    ----------
    name : str
        A designation or what the object is called; capitals, blanks, hyphens and words such as
        nebula do not matter.

    Returns
    -------
    SkyObject or None
        None for a name that is not in the table.

    Examples
    --------
    >>> from starcal import find_object
    >>> found = find_object("north america nebula")
    >>> str(found), round(found.ra_deg, 1)
    ('NGC 7000 (North America Nebula)', 314.8)
    >>> find_object("M 42") == find_object("ngc1976")
    True
    """
    return _by_name().get(_key(name)) or _by_name().get(_key(name, without_words=True))


def object_named(name: str) -> SkyObject:
    """The object that a name means.

    Parameters
    ----------
    name : str
        As for `find_object`.

    Returns
    -------
    SkyObject

    Raises
    ------
    CatalogueError
        No object of the table is called so; the message guesses what was meant.
    """
    if found := find_object(name):
        return found
    near = difflib.get_close_matches(_key(name, without_words=True), _by_name(), 1, LIKE_A_NAME)
    guess = f" Did you mean {_by_name()[near[0]]}?" if near else ""
    raise CatalogueError(
        f"object {name!r} given, which is none of the {len(_objects())} that starcal knows "
        f"(Messier, NGC, IC, Caldwell, some of Sharpless and Barnard).{guess} Or type its place: "
        "--ra and --dec"
    )


def objects_within(ra_deg: float, dec_deg: float, radius_deg: float) -> list[SkyObject]:
    """Objects whose middle lies in a circle of sky, the largest first.

    Parameters
    ----------
    ra_deg, dec_deg : float
        Centre, ICRS.
    radius_deg : float

    Returns
    -------
    list of SkyObject
    """
    places = unit_vectors(*np.array([(each.ra_deg, each.dec_deg) for each in _objects()]).T)
    near = places @ unit_vectors(ra_deg, dec_deg) >= np.cos(np.radians(radius_deg))
    inside = [each for each, within in zip(_objects(), near, strict=True) if within]
    return sorted(inside, key=lambda each: -np.nan_to_num(each.size_arcmin))


@functools.cache
def _objects() -> tuple[SkyObject, ...]:
    """The whole table."""
    with (data_folder() / OBJECT_TABLE).open(encoding="utf-8", newline="") as file:
        lines = [line for line in file if not line.startswith("#")]
    return tuple(map(_object_of, csv.DictReader(lines)))


def _object_of(row: dict[str, str]) -> SkyObject:
    return SkyObject(
        name=row["name"],
        kind=row["kind"],
        ra_deg=float(row["ra_deg"]),
        dec_deg=float(row["dec_deg"]),
        size_arcmin=float(row["size_arcmin"] or "nan"),
        names=tuple(filter(None, row["names"].split(";"))),
    )


@functools.cache
def _by_name() -> dict[str, SkyObject]:
    """Every object by every name that it has, as `_key` writes it; designations come first."""
    known: dict[str, SkyObject] = {}
    for without_words in (False, True):
        for each in _objects():
            for name in (each.name, *each.names):
                known.setdefault(_key(name, without_words), each)
    return known


def _key(name: str, without_words: bool = False) -> str:
    """A name in small letters and digits alone, without leading zeros and with short words for
    lists."""
    text = name.casefold()
    if without_words:
        text = WORDS_LEFT_OUT.sub(" ", text)
    for full, short in LISTS.items():
        text = re.sub(rf"\b{full}\b", short, text)
    text = re.sub(r"\bsh ?2?[- ]+(?=\d)", "sh2-", text)
    text = re.sub(r"(?<![\d.])0+(?=\d)", "", text)
    return re.sub(r"[^a-z0-9+-]", "", text).replace("sh2-", "sh2.").replace("-", "")
