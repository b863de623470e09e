"""Files that a user gives to be read."""

import errno
import json
import os
import stat
from pathlib import Path
from typing import Any


def stream_fault(path: str | Path) -> str:
    """What is wrong with a thing that is no file but gives bytes: a pipe would be waited for
    without end, a device has none.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    str
        What it is and what to do; empty for files and folders, and where nothing is.
    """
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):
        return ""
    if stat.S_ISREG(mode) or stat.S_ISDIR(mode):
        return ""
    kind = "a pipe" if stat.S_ISFIFO(mode) else "a device or a socket"
    return f"this is {kind}: save its content as a file and give that"


def require_file(path: str | Path) -> None:
    """Refuse a pipe or a device as the system would, before it is waited for.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    OSError
    """
    fault = stream_fault(path)
    if fault:
        raise OSError(errno.EINVAL, fault, str(path))


def read_json(path: str | Path) -> Any:
    """What a JSON file holds, also one that an editor has put a mark of its encoding before.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    object
    """
    return json.loads(Path(path).read_text(encoding="utf-8-sig"))


def at_home(path: str | Path) -> Path:
    """A path with ``~`` written out; that of a user whom the system does not know stays.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Path
    """
    return Path(os.path.expanduser(path))
