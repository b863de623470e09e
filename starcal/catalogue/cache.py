"""Fields of deeper catalogues kept on disk: plain ECSV files that say what they hold, and can be
checked and copied.

A file's header has the query, where it went, the number of rows, the row limit, the date and a
SHA-256 of the whole file (its own 64 digits taken as zeros). A file takes its name when all of it
is on the disk, so that two processes, or one killed in the middle, leave whole files only. Which of
them serves a request is read from the headers, never from the names. Besides the user's folder the
one that comes with starcal is read, and never written to.
"""

from __future__ import annotations

import hashlib
import io
import itertools
import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
from astropy.table import Table

from ..errors import CatalogueDamaged, CatalogueError, OutputError
from ..frame.targets import typed_chmod
from ..frame.whole import atomic_write
from ..texts import counted, path_as_typed
from . import CatalogueStars
from .columns import catalogue_stars
from .embedded import data_folder
from .folders import cache_folder
from .request import Answer, FieldRequest

__all__ = [
    "CachedField",
    "cache_folder",
    "field_info",
    "fields",
    "find",
    "forget",
    "keep",
    "read_field",
    "verify_fields",
]

MAX_BYTES = 500_000_000  # some hundred fields of 50 000 stars
_ZEROS = "0" * 64
_DIGEST = re.compile(r"(?<=sha256: ')[0-9a-f]{64}(?=')")


HEADER_CHARACTERS = 20_000  # ten times what is written
YAML_ALIAS = re.compile(r"(^|[\s\[,:-])[&*]\w")  # a few lines of them make a list without end


@dataclass(frozen=True, kw_only=True)
class CachedField:
    """One file of the cache.

    Attributes
    ----------
    request : FieldRequest
        What it answers.
    path : Path
    rows, row_limit : int
        Stars in it, and how many there might have been.
    date : str
        When the service answered, ISO 8601, UTC.
    query, address : str
        What was asked, and whom.
    sha256 : str
    size_bytes : int
    with_starcal : bool
        It came with starcal, and is neither forgotten nor removed.
    """

    request: FieldRequest
    path: Path
    rows: int
    row_limit: int
    date: str
    query: str
    address: str
    sha256: str
    size_bytes: int
    with_starcal: bool

    def __str__(self) -> str:
        r = self.request
        return (
            f"{self.path.name}: {counted(self.rows, 'star')} of {r.catalogue} within "
            f"{r.radius_deg:.3f} deg of "
            f"{r.ra_deg:.4f} {r.dec_deg:+.4f} to V {r.limit_mag:.2f}, {self.date[:10]}, "
            f"{self.size_bytes} bytes"
        )


# --- keeping ----------------------------------------------------------------------------


def keep(request: FieldRequest, answer: Answer, *, max_bytes: int = MAX_BYTES) -> CachedField:
    """Write an answer to the cache, and remove the oldest fields until the rest is within the
    limit.

    Parameters
    ----------
    request : FieldRequest
    answer : Answer
        Whole, and with stars in it: `services.ask` gives no other, except empty ones.
    max_bytes : int
        For all files of the user's folder; the new one stays in any case.

    Returns
    -------
    CachedField

    Raises
    ------
    OutputError
        The folder may not be written to, or the disk is full. Nothing is left behind.
    ValueError
        The answer is empty.
    """
    if not len(answer.table):
        raise ValueError("an answer without stars is not kept")
    folder = cache_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{folder}: the cache folder cannot be made: {error.strerror}. Name another one: "
            "export STARCAL_CACHE=FOLDER"
        ) from error
    text = _file_text(request, answer)
    path = folder / request.file_name
    with atomic_write(path, overwrite=True) as file:
        file.write(text.encode())
    _make_room(folder, path, max_bytes)
    return field_info(path)


def _file_text(request: FieldRequest, answer: Answer) -> str:
    """The file: a table with what it is in its header, and its checksum put in last."""
    table = answer.table.copy()
    table.meta = {
        "starcal_field": {
            "catalogue": request.catalogue,
            "ra_deg": request.ra_deg,
            "dec_deg": request.dec_deg,
            "radius_deg": request.radius_deg,
            "limit_mag": request.limit_mag,
            "query": answer.query,
            "address": answer.address,
            "rows": len(table),
            "row_limit": answer.row_limit,
            "date": datetime.now(UTC).isoformat(timespec="seconds"),
            "pyvo": version("pyvo"),
            "sha256": _ZEROS,
        }
    }
    page = io.StringIO()
    with np.printoptions(legacy=False):  # under older printing habits numbers would lose digits
        table.write(page, format="ascii.ecsv")
    return _DIGEST.sub(
        hashlib.sha256(page.getvalue().encode()).hexdigest(), page.getvalue(), count=1
    )


def _make_room(folder: Path, newest: Path, max_bytes: int) -> None:
    """Remove the oldest fields beyond the limit."""
    sizes = []
    for path in _field_files(folder):
        with suppress(FileNotFoundError):  # another process may have removed it
            sizes.append((path.stat().st_mtime, path.stat().st_size, path))
    excess = sum(size for _, size, _ in sizes) - max_bytes
    for _, size, path in sorted(sizes):
        if excess > 0 and path != newest:
            path.unlink(missing_ok=True)
            excess -= size


# --- finding and reading ----------------------------------------------------------------


def fields() -> tuple[tuple[CachedField, ...], tuple[str, ...]]:
    """All fields of the cache.

    Returns
    -------
    fields : tuple of CachedField
        Those of the user's folder first, by name.
    notes : tuple of str
        Files that are no fields, and why.
    """
    found, notes = [], []
    for folder in (cache_folder(), data_folder()):
        for path in _field_files(folder):
            try:
                found.append(field_info(path))
            except CatalogueDamaged as error:
                notes.append(str(error))
            except CatalogueError:
                continue  # removed by another process in the meantime
    return tuple(found), tuple(notes)


def find(request: FieldRequest, *, any_depth: bool = False) -> CachedField | None:
    """The smallest field of the cache that holds a request.

    Parameters
    ----------
    request : FieldRequest
    any_depth : bool
        Be content with a field that does not go as deep; the deepest one that holds all of the sky.

    Returns
    -------
    CachedField or None
    """
    kept, _ = fields()
    serving = [field for field in kept if field.request.serves(request)]
    if serving:
        return min(serving, key=lambda field: field.rows)
    shallow = [field for field in kept if any_depth and field.request.holds_sky_of(request)]
    return max(shallow, key=lambda field: field.request.limit_mag, default=None)


def read_field(field: CachedField) -> CatalogueStars:
    """The stars of a field, at its catalogue's own epoch.

    Raises
    ------
    CatalogueDamaged
        The file differs from its checksum or does not hold what its header says.
    CatalogueError
        It is gone.
    """
    text = _checked_text(field.path)
    now = _described(
        text.splitlines(), field.path, len(text)
    )  # another process may have written it anew
    try:
        table = Table.read(text, format="ascii.ecsv")
        if len(table) != now.rows:
            raise ValueError(f"{len(table)} rows instead of {now.rows}")
        return catalogue_stars(table, now.request)
    except (ValueError, KeyError, TypeError) as error:
        raise _damaged_field(field.path, f"cannot be read ({error})") from error


def field_info(name: str | Path) -> CachedField:
    """What one file of the cache holds, from its header.

    Parameters
    ----------
    name : str or Path
        Name of a file in the cache, or a path.

    Returns
    -------
    CachedField

    Raises
    ------
    CatalogueDamaged
        Its header is not that of a field.
    CatalogueError
        There is no such file.
    """
    path = _located(name)
    try:
        facts = path.stat()
        return _read_header(path, facts.st_mtime_ns, facts.st_size)
    except FileNotFoundError:
        raise _gone(name) from None


@lru_cache(maxsize=1000)
def _read_header(path: Path, _mtime_ns: int, size_bytes: int) -> CachedField:
    """The header of a file, read once for each version of it: 2 ms."""
    with path.open(encoding="utf-8", errors="replace") as file:
        return _described(file, path, size_bytes)


def _described(lines: Iterable[str], path: Path, size_bytes: int) -> CachedField:
    """What the header of a file says."""
    head = itertools.takewhile(lambda line: line.startswith("#"), lines)
    try:
        facts = _facts_in([line[2:].rstrip("\n") for line in head])
        _require_plain(facts)
        asked = ("catalogue", "ra_deg", "dec_deg", "radius_deg", "limit_mag")
        answered = ("rows", "row_limit", "date", "query", "address", "sha256")
        return CachedField(
            request=FieldRequest(**{name: facts[name] for name in asked}),
            path=path,
            **{name: facts[name] for name in answered},
            size_bytes=size_bytes,
            with_starcal=path.parent == data_folder(),
        )
    except (
        Exception
    ) as error:  # YAML, missing facts, values out of range: a header that is none
        raise _damaged_field(
            path,
            f"has no header of a field "
            f"({' '.join(f'{type(error).__name__} {error}'.split())[:80]})",
        ) from error


def _require_plain(facts: dict) -> None:
    """Refuse facts that are of another kind than those that are written."""
    texts = ("catalogue", "date", "query", "address", "sha256")
    wrong = [name for name in texts if not isinstance(facts[name], str)]
    wrong += [name for name in ("rows", "row_limit") if not isinstance(facts[name], int)]
    if wrong:
        raise TypeError(f"no such {' and '.join(wrong)}")


def _facts_in(header: list[str]) -> dict:
    from astropy.table.meta import get_header_from_yaml

    yaml = [line for line in header if not line.startswith("%")]
    if sum(map(len, yaml)) > HEADER_CHARACTERS or any(map(YAML_ALIAS.search, yaml)):
        raise ValueError("more than a header holds")
    return get_header_from_yaml(yaml)["meta"]["starcal_field"]


def verify_fields(name: str | Path | None = None) -> tuple[CachedField, ...]:
    """Read files of the cache and compare them with their checksums.

    Parameters
    ----------
    name : str or Path, optional
        One file; all by default.

    Returns
    -------
    tuple of CachedField
        When all is well.

    Raises
    ------
    CatalogueDamaged
        Names the first file that differs, and what to type.
    CatalogueError
        There is no such file.
    """
    paths = (
        [_located(name)]
        if name
        else [p for folder in (cache_folder(), data_folder()) for p in _field_files(folder)]
    )
    checked = tuple(field_info(path) for path in paths)
    for field in checked:
        read_field(field)
    return checked


def forget(name: str | Path | None = None) -> tuple[Path, ...]:
    """Remove files from the user's cache folder, damaged ones too.

    Parameters
    ----------
    name : str or Path, optional
        Name of one file; all by default.

    Returns
    -------
    tuple of Path
        What was removed.

    Raises
    ------
    CatalogueError
        There is no such file in the user's cache folder.
    OutputError
        It may not be removed.
    """
    paths = list(_field_files(cache_folder()))
    if name is not None:
        paths = [path for path in paths if path == cache_folder() / name]
        if not paths:
            raise _gone(name)
    for path in paths:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise OutputError(
                f"{path}: cannot be removed: {error.strerror}. {typed_chmod(path.parent)}"
            ) from error
    return tuple(paths)


def _field_files(folder: Path) -> Iterator[Path]:
    """Files that should be fields."""
    return iter(
        sorted(path for path in folder.glob("*.ecsv") if path.is_file())
        if folder.is_dir()
        else ()
    )


def _located(name: str | Path) -> Path:
    places = (
        [Path(name)]
        if Path(name).is_absolute()
        else [f / name for f in (cache_folder(), data_folder())]
    )
    path = next((place for place in places if place.is_file()), None)
    if path is None:
        raise _gone(name)
    return path


def _checked_text(path: Path) -> str:
    """The text of a file that has its checksum."""
    try:
        text = path.read_bytes().decode()
    except FileNotFoundError:
        raise _gone(path.name) from None
    except UnicodeDecodeError as error:
        raise _damaged_field(path, "is not text") from error
    said = _DIGEST.search(text)
    found = hashlib.sha256(_DIGEST.sub(_ZEROS, text, count=1).encode()).hexdigest()
    if not said or said[0] != found:
        raise _damaged_field(
            path,
            f"has SHA-256 {found[:12]}..., {said[0][:12] if said else 'nothing'}... is needed",
        )
    return text


def _gone(name: str | Path) -> CatalogueError:
    return CatalogueError(
        f"{Path(name).name}: no such file in the cache {cache_folder()}. Type: starcal catalogue "
        "list"
    )


def _damaged_field(path: Path, fault: str) -> CatalogueDamaged:
    return CatalogueDamaged(
        f"{path} {fault}. This field of the cache is damaged. Type: starcal catalogue forget "
        f"{path_as_typed(path.name)}"
    )
