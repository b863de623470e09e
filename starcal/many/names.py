"""The files that names stand for: folders, patterns; and that each has a result of its own."""

from collections import Counter
from collections.abc import Iterable, Sequence
from glob import glob, has_magic
from pathlib import Path

from ..errors import FrameError, OutputError

ENDINGS = (".fits", ".fit", ".fts", ".fits.gz", ".fits.fz", ".tif", ".tiff", ".png")


def frames_named(names: Iterable[str | Path]) -> list[Path]:
    """The files that names stand for: a folder for the pictures in it, a pattern for all that fit.

    Parameters
    ----------
    names : iterable of (str or Path)

    Returns
    -------
    list of Path
        Each once, in the order given; those of a folder or pattern by name. What a run made is
        left out of folders.

    Raises
    ------
    FrameError
        A folder or pattern stands for nothing.
    """
    found: dict[Path, None] = {}
    for name in names:
        found |= dict.fromkeys(_stood_for(Path(name)))
    return list(found)


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
        return files
    if has_magic(str(path)) and not path.exists():
        files = [Path(each) for each in sorted(glob(str(path)))]
        if not files:
            raise FrameError(f"{path}: no file fits this pattern. Check its spelling")
        return files
    return [path]


def _is_picture(path: Path) -> bool:
    name = path.name.lower()
    return path.is_file() and name.endswith(ENDINGS) and not name.startswith(".")
