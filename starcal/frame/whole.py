"""Complete or not at all: outputs are made under hidden names that nobody can guess, and take their
own when all is written.

A file takes its name by one renaming, and so does a new folder. Several files that belong together
and go to a place where others lie cannot: what is to be renamed is written down first, and where a
process dies over it, the next that comes to the folder completes the set. Whoever writes such a set
holds the lock of `locks` on it, and on the part of a single file: what lies about without a holder
was left by the dead and is removed.

The hidden names are ``.starcal-KEY-TOKEN.part``, ``.starcal-KEY.lock``, ``.starcal-KEY.journal``;
the key stands for the output, or for the one file that is being written.
"""

import hashlib
import json
import os
import secrets
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from ..errors import OutputError
from .locks import hold, locked, release
from .targets import check_folder, check_output, refusal

HIDDEN = ".starcal-"
SET_ASIDE = "set-aside"  # folder for files that are being replaced, until all is done


@dataclass(frozen=True)
class _Spot:
    """Where the hidden files of an output lie."""

    home: Path
    key: str

    @property
    def lock(self) -> Path:
        return self.home / f"{HIDDEN}{self.key}.lock"

    @property
    def journal(self) -> Path:
        return self.home / f"{HIDDEN}{self.key}.journal"

    def new_part(self) -> Path:
        return self.home / f"{HIDDEN}{self.key}-{secrets.token_hex(8)}.part"


def _spot(home: Path, name: str) -> _Spot:
    """The spot of an output of that name: a digest, for names may be as long as a name can be."""
    return _Spot(home, hashlib.sha256(os.fsencode(name)).hexdigest()[:8])


@contextmanager
def _writing(spot: _Spot, what: str | Path) -> Iterator[Path]:
    """A hidden name to write under, gone afterwards; nobody else writes there meanwhile."""
    try:
        settle(spot.home)
        with locked(spot.lock, what):
            part = spot.new_part()
            try:
                yield part
            finally:
                if not spot.journal.exists():  # else the next that comes completes it
                    _remove(part)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise refusal(what, error) from error


def _remove(path: Path) -> None:
    """A file or a folder of ours."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
        return
    with suppress(OSError):
        path.unlink(missing_ok=True)


@contextmanager
def atomic_write(path: str | Path, overwrite: bool = False) -> Iterator[BinaryIO]:
    """Open a file for writing bytes that takes its name only when all is written and on the disk.

    Parameters
    ----------
    path : str or Path
    overwrite : bool
        Replace an existing file.

    Yields
    ------
    BinaryIO
        For libraries that want a path: its `.name` is the temporary one.

    Raises
    ------
    OutputError
        As `check_output`; besides, the folder is read-only or the disk is full. The temporary file
        is removed, an existing output stays as it was.
    """
    target = check_output(path, overwrite)
    # A lock of its own: whoever else writes the same file makes a whole one, too.
    spot = _Spot(target.parent, secrets.token_hex(4))
    with _writing(spot, path) as part:
        with open(part, "xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        check_output(path, overwrite)  # somebody else may have written there in the meantime
        os.replace(part, target)


@contextmanager
def atomic_files(paths: Sequence[str | Path], overwrite: bool = False) -> Iterator[list[Path]]:
    """Give places for files of one folder that take their names together.

    Parameters
    ----------
    paths : sequence of (str or Path)
        All of one folder.
    overwrite : bool
        Replace files that are there.

    Yields
    ------
    list of Path
        Hidden places, to write to.

    Raises
    ------
    OutputError
        As `atomic_write`, or another process writes there; nothing new is left then, and nothing
        old is gone.
    """
    targets = [check_output(path, overwrite) for path in paths]
    home = targets[0].parent
    spot = _spot(home, targets[0].name)
    with _writing(spot, paths[0]) as place, _told_of(place, home):
        place.mkdir()
        yield [place / target.name for target in targets]
        _commit(spot, place, [], overwrite)


@contextmanager
def atomic_folder(
    folder: str | Path, names: Sequence[str], overwrite: bool = False
) -> Iterator[Path]:
    """Give a place for files that get into their folder only when all are written.

    A new folder takes its name at once. Into one that is there the files are moved together, and of
    an earlier set of such files those are removed that are not in this one. Other files are never
    touched.

    Parameters
    ----------
    folder : str or Path
    names : sequence of str
        Every file that such a folder may hold.
    overwrite : bool
        Replace files of an earlier set.

    Yields
    ------
    Path
        A hidden folder, to write into.

    Raises
    ------
    OutputError
        As `check_folder` and `atomic_files`; nothing new is left then, and nothing old is gone.
    """
    check_folder(folder)
    target = Path(os.path.realpath(folder))
    home = next(path for path in (target, *target.parents) if path.is_dir())
    spot = _spot(home, "" if home == target else str(target))
    with _writing(spot, folder) as place, _told_of(place, folder):
        place.mkdir()
        yield place
        _into_folder(spot, place, target, names, overwrite)


@contextmanager
def _told_of(place: Path, folder: str | Path) -> Iterator[None]:
    """Messages name the folder that was asked for, not the hidden one."""
    try:
        yield
    except OutputError as error:
        raise OutputError(str(error).replace(str(place), str(folder))) from error


def _into_folder(spot: _Spot, place: Path, target: Path, names, overwrite: bool) -> None:
    """All files of a place into their folder."""
    if target.is_dir() and spot.home != target:  # somebody made it in the meantime
        theirs = _spot(target, "")
        with locked(theirs.lock, target):
            moved = theirs.new_part()
            os.rename(place, moved)
            _commit(theirs, moved, names, overwrite)
    elif target.is_dir():
        _commit(spot, place, names, overwrite)
    else:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.rename(place, target)


# --- several files at once --------------------------------------------------------------------


def _commit(spot: _Spot, place: Path, names: Sequence[str], overwrite: bool) -> None:
    """Move the files of a place into its home, all or none, and remove the rest of the old set."""
    new = sorted(path.name for path in place.iterdir())
    for name in new:
        check_output(spot.home / name, overwrite)
    old = [name for name in names if (spot.home / name).exists()] if overwrite else []
    gone = sorted(set(old) - set(new))
    _write_journal(spot, place, new, gone)
    _exchange(spot, place, new, gone)
    _remove(place)


def _write_journal(spot: _Spot, place: Path, new: list[str], gone: list[str]) -> None:
    """Write down what is about to be renamed; from here on the new set counts."""
    text = json.dumps({"part": place.name, "new": new, "gone": gone})
    draft = place / "journal"
    with open(draft, "x", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(draft, spot.journal)


def _exchange(spot: _Spot, place: Path, new: list[str], gone: list[str]) -> None:
    """Set the old files aside and let the new take their names; if that fails, all as it was."""
    aside = place / SET_ASIDE
    aside.mkdir()
    done: list[tuple[Path, Path]] = []
    try:
        for name in (*gone, *new):
            own = spot.home / name
            if own.exists():
                done.append(_renamed(own, aside / name))
            if name in new:
                done.append(_renamed(place / name, own))
    except BaseException:  # an interruption, too
        for source, target in reversed(done):
            os.replace(target, source)
        spot.journal.unlink()
        raise
    spot.journal.unlink()


def _renamed(source: Path, target: Path) -> tuple[Path, Path]:
    os.replace(source, target)
    return source, target


# --- after a death ----------------------------------------------------------------------------


def settle(folder: str | Path) -> None:
    """Complete what dead processes left half renamed in a folder, and remove what else they left.

    Parameters
    ----------
    folder : str or Path
        Where it may not be written to, or is not there, all stays as it is.
    """
    home = Path(folder)
    with suppress(OSError):
        left = [entry.name for entry in os.scandir(home) if entry.name.startswith(HIDDEN)]
        for key in {_key_of(name) for name in left}:
            _settle_one(_Spot(home, key), [name for name in left if _key_of(name) == key])


def _key_of(name: str) -> str:
    return name.removeprefix(HIDDEN).partition(".")[0].partition("-")[0]


def _settle_one(spot: _Spot, left: list[str]) -> None:
    """Settle one output, unless somebody alive writes it."""
    file = hold(spot.lock)
    if file is None:
        return
    try:
        _complete(spot)
        for name in left:
            if name.endswith(".part"):
                _remove(spot.home / name)
    finally:
        release(file, spot.lock)


def _complete(spot: _Spot) -> None:
    """Do what is left of what a journal says."""
    told = _journal_of(spot)
    if told is None:
        return
    for name in told["new"]:
        with suppress(FileNotFoundError):  # those that were moved already
            os.replace(spot.home / told["part"] / name, spot.home / name)
    for name in told["gone"]:
        (spot.home / name).unlink(missing_ok=True)
    spot.journal.unlink()


def _journal_of(spot: _Spot) -> dict | None:
    """A journal as `_write_journal` makes them; anything else is not ours to follow."""
    try:
        told = json.loads(spot.journal.read_text(encoding="utf-8"))
        names = [told["part"], *told["new"], *told["gone"]]
        plain = all(name == Path(name).name for name in names)
    except (OSError, ValueError, LookupError, TypeError):
        return None
    return told if plain and told["part"].startswith(f"{HIDDEN}{spot.key}-") else None
