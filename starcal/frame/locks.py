"""One writer at a place: a lock that the system takes back when its process ends, however it ends.

The lock is a hidden file that names its process for people; what counts is the hold on it that the
operating system keeps. So a lock of a dead process is free, and nobody has to guess who lives.
"""

import errno
import os
import platform
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from ..errors import OutputError

# Far behind the text, which others may read while the byte is held (Windows refuses held bytes).
HELD_BYTE = 1 << 30
LOOKS, LOOK_S = 10, 0.05
NO_LOCKS = (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL)


def _hold(file: int) -> bool:
    """Whether the hold on an open file was free and is ours now.

    Raises
    ------
    OSError
        The file system knows no such holds.
    """
    try:
        if os.name == "nt":
            import msvcrt

            os.lseek(file, HELD_BYTE, os.SEEK_SET)
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True


def _still_there(file: int, path: Path) -> bool:
    """Whether an open file is still the one of that name: its holder removes it when done."""
    with suppress(OSError):
        return os.path.samestat(os.fstat(file), os.stat(path))
    return False


def hold(path: Path) -> int | None:
    """Take the lock of that name, if it is free.

    Parameters
    ----------
    path : Path
        Made when it is not there.

    Returns
    -------
    int or None
        The open file, for `release`; None where another holds it.

    Raises
    ------
    OSError
        The file cannot be made, or the file system knows no locks.
    """
    while True:
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            held = _hold(file)
        except OSError:
            os.close(file)
            path.unlink(missing_ok=True)
            raise
        if held and _still_there(file, path):
            return file
        os.close(file)
        if not held:
            return None


def release(file: int, path: Path) -> None:
    """Give a lock back; its file goes.

    Parameters
    ----------
    file : int
        From `hold`.
    path : Path
    """
    if os.name == "nt":  # an open file cannot be removed there
        os.close(file)
        path.unlink(missing_ok=True)
        return
    path.unlink(missing_ok=True)
    os.close(file)


@contextmanager
def locked(path: Path, what: str | Path) -> Iterator[None]:
    """Hold the lock of that name, or say who does.

    Parameters
    ----------
    path : Path
        File of the lock.
    what : str or Path
        The output, for the message.

    Raises
    ------
    OutputError
        Another process writes there.
    """
    file, knows_locks = _waited_for(path)
    if file is None and knows_locks:
        raise OutputError(
            f"{what}: another run writes here ({_holder(path)}). Wait until it has ended, or "
            "choose another place for this one"
        )
    if file is None:  # names that nobody guesses must do
        yield
        return
    try:
        started = datetime.now().astimezone().isoformat(timespec="seconds")
        os.lseek(file, 0, os.SEEK_SET)
        os.write(file, f"process {os.getpid()} on {platform.node()}, {started}\n".encode())
        yield
    finally:
        release(file, path)


def _waited_for(path: Path) -> tuple[int | None, bool]:
    """The lock, and whether the file system knows locks; those who only look hold it for a
    moment."""
    for _ in range(LOOKS):
        try:
            file = hold(path)
        except OSError as error:
            if error.errno in NO_LOCKS:
                return None, False
            raise
        if file is not None:
            return file, True
        time.sleep(LOOK_S)
    return None, True


def _holder(path: Path) -> str:
    """What the file of a lock says of its process."""
    with suppress(OSError):
        told = path.read_bytes()[:200].decode("utf-8", "replace").split(",")[0].strip()
        return "".join(c for c in told if c.isprintable()) or "just begun"
    return "just begun"
