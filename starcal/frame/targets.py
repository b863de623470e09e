"""Where outputs may go: judged before the work is done, and again before a name is taken."""

import errno
import os
import stat
from collections.abc import Iterable
from pathlib import Path

from ..errors import OutputError
from ..texts import path_as_typed

WRITE_ADVICE = {
    errno.ENOSPC: "Free some space, or write elsewhere.",
    errno.EDQUOT: "Free some space, or write elsewhere.",
    errno.EFBIG: "The file system or a limit (ulimit -f) allows no larger file; write elsewhere.",
    errno.ENAMETOOLONG: "Give a shorter name.",
}


def typed_mkdir(folder: Path) -> str:
    """What makes a folder, in the words of this system's shell.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    str
    """
    make = "mkdir" if os.name == "nt" else "mkdir -p"
    return f"Type: {make} {path_as_typed(folder)}"


def typed_chmod(place: Path, right: str = "w") -> str:
    """What gives its user the right to a place, in the words of this system's shell.

    Parameters
    ----------
    place : Path
    right : str
        ``w`` to write, ``r`` to read.

    Returns
    -------
    str
    """
    if os.name == "nt":
        word = {"w": "Write", "r": "Read"}[right]
        return f"Allow {word} under Security in the properties of {place}"
    return f"Type: chmod u+{right} {path_as_typed(place)}"


def check_output(path: str | Path, overwrite: bool = False) -> Path:
    """Where an output will really go (links followed), checked before any work is done.

    Parameters
    ----------
    path : str or Path
    overwrite : bool
        A file that is there may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        Something is there and `overwrite` is not set, it is not a regular file, or the folder does
        not exist or may not be written to.
    """
    target = Path(os.path.realpath(path))
    _require_free(path, target, overwrite)
    if not target.parent.is_dir():
        raise OutputError(
            f"{path}: there is no folder {target.parent}. {typed_mkdir(target.parent)}"
        )
    if not os.access(target.parent, os.W_OK):
        raise OutputError(
            f"{path}: its folder may not be written to. {typed_chmod(target.parent)}"
        )
    return target


def _require_free(path, target, overwrite):
    """Refuse a place where something is that may not be replaced."""
    try:
        mode = os.stat(target).st_mode
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError as error:
        raise refusal(path, error) from error
    if stat.S_ISDIR(mode):
        raise OutputError(f"{path}: this is a folder. Give a file name in it.")
    if not stat.S_ISREG(mode):
        raise OutputError(f"{path}: this is not a regular file. Give another name.")
    if not overwrite:
        raise OutputError(
            f"{path}: the file exists. Give another name, or replace it with --overwrite"
        )


def require_not_inputs(
    outputs: Iterable[str | Path], inputs: Iterable[str | Path | None]
) -> None:
    """Refuse outputs that would be written over what is read, whether or not files may be replaced.

    Parameters
    ----------
    outputs : iterable of (str or Path)
    inputs : iterable of (str or Path or None)
        None stands for what was not given.

    Raises
    ------
    OutputError
    """
    taken = {os.path.realpath(path) for path in inputs if path}
    for output in outputs:
        if os.path.realpath(output) in taken:
            raise OutputError(
                f"{output} is an input: choose another place for the output, with -o or --out"
            )


def refusal(path: str | Path, error: OSError) -> OutputError:
    """What the system said of an output, and what to do about it.

    Parameters
    ----------
    path : str or Path
    error : OSError

    Returns
    -------
    OutputError
        To be raised.
    """
    advice = WRITE_ADVICE.get(
        error.errno, "Check that the folder may be written to, or write elsewhere."
    )
    return OutputError(f"{path}: cannot be written: {error.strerror or error}. {advice}")


def made_folder(folder: str | Path) -> Path:
    """A folder that is there, made if need be.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        A file has that name.
    """
    path = Path(folder)
    if path.exists() and not path.is_dir():
        raise OutputError(f"{folder} is a file: give the name of a folder")
    path.mkdir(parents=True, exist_ok=True)
    return path


def check_folder(folder: str | Path) -> None:
    """Whether files could be written into a folder that is there or could be made; nothing is made.

    Parameters
    ----------
    folder : str or Path

    Raises
    ------
    OutputError
        It is no folder, or it may not be written to.
    """
    there = Path(os.path.realpath(folder))
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir():
        raise OutputError(f"{folder}: {there} is not a folder. Choose another place with --out")
    if not os.access(there, os.W_OK):
        raise OutputError(
            f"{folder}: {there} may not be written to. {typed_chmod(there)}; or choose another "
            "place with --out"
        )
