"""The files that names stand for: folders, patterns; and that each has a result of its own."""

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from glob import glob, has_magic
from pathlib import Path

from ..errors import FrameError, OutputError
from ..inputs import read_json

ENDINGS = (".fits", ".fit", ".fts", ".fits.gz", ".fits.fz", ".tif", ".tiff", ".png")


def frames_named(names: Iterable[str | Path]) -> list[Path]:
    """The files that names stand for: a folder for the pictures in it, a pattern for all that fit.

    Parameters
    ----------
    names : iterable of (str or Path)

    Returns
    -------
    list of Path
        Each once, by whatever names it is given, in that order; those of a folder or pattern by
        name. What a run made is left out of folders.

    Raises
    ------
    FrameError
        None is given, or a folder or pattern stands for nothing.
    """
    found: dict[str, Path] = {}
    alone = isinstance(names, str | Path)  # letter by letter a name would stand for others
    given = [Path(names)] if alone else [Path(name) for name in names]
    for path in (each for name in given for each in _stood_for(name)):
        found.setdefault(os.path.realpath(path), path)
    if not found:
        why = "there is nothing but what runs have made" if given else "no frame given"
        raise FrameError(f"{why}: give frames, or their folder")
    return list(found.values())


def common_folder(frames: Sequence[Path]) -> Path:
    """The deepest folder that all frames lie in.

    Parameters
    ----------
    frames : sequence of Path

    Returns
    -------
    Path
    """
    return Path(os.path.commonpath([os.path.dirname(os.path.abspath(path)) for path in frames]))


def stands_for_several(names: Sequence[str | Path]) -> bool:
    """Whether names are more than one file: several of them, a folder, or a pattern.

    Parameters
    ----------
    names : sequence of (str or Path)

    Returns
    -------
    bool
    """
    if len(names) != 1:
        return len(names) > 1
    path = Path(names[0])
    return path.is_dir() or (has_magic(str(path)) and not path.exists())


def require_one_each(frames: Sequence[Path], targets: Sequence[Path]) -> None:
    """Refuse frames whose results would go to one place.

    Parameters
    ----------
    frames, targets : sequence of Path
        Where the result of each goes.

    Raises
    ------
    OutputError
    """
    for target, count in Counter(targets).items():
        if count > 1:
            pairs = zip(frames, targets, strict=True)
            alike = " and ".join(str(frame) for frame, own in pairs if own == target)
            raise OutputError(
                f"{alike} would both be written to {target}: rename one, or do them in two runs"
            )


def _stood_for(path: Path) -> list[Path]:
    if path.is_dir():
        files = sorted(each for each in path.iterdir() if _is_picture(each))
        if not files:
            raise FrameError(f"{path}: no FITS, TIFF or PNG in this folder. Give another one")
        made = _made_by_run(path)
        return [each for each in files if each.name not in made]
    if has_magic(str(path)) and not path.exists():
        files = [Path(each) for each in sorted(glob(str(path))) if not os.path.isdir(each)]
        if not files:
            raise FrameError(f"{path}: no file fits this pattern. Check its spelling")
        return files
    return [path]


def _made_by_run(folder: Path) -> set[str]:
    """Names of what a run has put into a folder."""
    try:
        known = read_json(folder / "result.json")
        return set(known["files"])
    except (OSError, ValueError, LookupError, TypeError):
        return set()  # no run's folder


def _is_picture(path: Path) -> bool:
    name = path.name.lower()
    return path.is_file() and name.endswith(ENDINGS) and not name.startswith(".")
