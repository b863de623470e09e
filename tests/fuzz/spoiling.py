"""How good files are spoiled: bytes, header cards, cells of tables, values of settings."""

import json
import re

from hypothesis import strategies as st

CARD = 80
HUGE = ("1e308", "-1e308", "1e-320", "inf", "-inf", "nan", "NaN", "1E400", "0", "-1", "1")
ODD = ("", "''", "'", "T", "F", "2147483647", "-2147483648", "65536", "3000", "9" * 30, "1.5")
WORDS = (
    "'RA---XXX'",
    "'arcsec'",
    "'\x1b[31m'",
    "'" + "A" * 60 + "'",
    "\xff\xfe",
    "(1,2)",
    "1d5",
)
TEXTS = st.sampled_from(HUGE + ODD + WORDS)
NESTED = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=5,
)


def cut(data: bytes):
    """End somewhere."""
    return st.integers(0, len(data)).map(lambda end: data[:end])


def flipped(data: bytes):
    """A few bytes changed, most often where a file says what it is."""
    near = st.integers(0, min(len(data), 600) - 1)
    place = near | st.integers(0, len(data) - 1)
    changes = st.lists(st.tuples(place, st.integers(0, 255)), min_size=1, max_size=6)
    return changes.map(lambda made: _with_bytes(data, made))


def _with_bytes(data, changes):
    spoiled = bytearray(data)
    for at, value in changes:
        spoiled[at] = value
    return bytes(spoiled)


def moved(data: bytes):
    """A stretch of it once more, or left out."""
    ends = st.tuples(st.integers(0, len(data)), st.integers(0, len(data)), st.booleans())

    def apply(made):
        first, last = sorted(made[:2])
        piece = data[first:last]
        return (
            data[:first] + piece + piece + data[last:]
            if made[2]
            else data[:first] + data[last:]
        )

    return ends.map(apply)


def cards(data: bytes):
    """Values of header cards: what no library would write."""
    starts = [
        at for at in range(0, min(len(data), 8640), CARD) if data[at + 8 : at + 10] == b"= "
    ]
    changes = st.lists(st.tuples(st.sampled_from(starts), TEXTS), min_size=1, max_size=3)
    return changes.map(lambda made: _with_cards(data, made))


def renamed(data: bytes):
    """Names of header cards."""
    names = (
        "NAXIS3",
        "PC1_1",
        "CDELT1",
        "WCSAXES",
        "PV1_1",
        "BLANK",
        "A_ORDER",
        "BAYERPAT",
        "END",
    )
    starts = range(80, min(len(data), 2880), CARD)
    pairs = st.lists(st.tuples(st.sampled_from(starts), st.sampled_from(names)), min_size=1)
    return pairs.map(lambda made: _with_names(data, made[:3]))


def _with_cards(data, changes):
    spoiled = bytearray(data)
    for at, text in changes:
        field = text.encode("latin-1")[:70]
        spoiled[at + 10 : at + CARD] = field.rjust(20).ljust(70)
    return bytes(spoiled)


def _with_names(data, changes):
    spoiled = bytearray(data)
    for at, name in changes:
        spoiled[at : at + 8] = name.ljust(8).encode()
    return bytes(spoiled)


def cells(data: bytes):
    """Numbers and words of a text."""
    places = [found.span() for found in re.finditer(rb"[-\w.]+", data)]
    changes = st.lists(st.tuples(st.sampled_from(places), TEXTS), min_size=1, max_size=4)
    return changes.map(lambda made: _with_words(data, made))


def _with_words(data, changes):
    for (first, last), text in sorted(dict(changes).items(), reverse=True):
        data = data[:first] + text.encode("latin-1") + data[last:]
    return data


def values(data: bytes):
    """Settings of other kinds, in other structures."""
    known = json.loads(data)["settings"]
    changed = st.dictionaries(st.sampled_from(sorted(known)), NESTED, min_size=1, max_size=3)
    whole = changed.map(lambda new: {"settings": known | new}) | NESTED
    return whole.map(lambda made: json.dumps(made).encode())


def spoiled(kind: str, data: bytes):
    """All ways that suit a kind of file."""
    ways = [cut(data), flipped(data), moved(data)]
    if kind.endswith((".fits", ".wcs")):
        ways += [cards(data), cards(data), renamed(data)]
    elif kind.endswith((".csv", ".ecsv", ".vot")):
        ways += [cells(data), cells(data)]
    elif kind.endswith(".json"):
        ways += [values(data), values(data), cells(data)]
    return st.one_of(ways).map(lambda made: (kind, made))
