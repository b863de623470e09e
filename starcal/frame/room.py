"""Room for whole frames: in memory, or where they would fill it in a file without a name, whose
pages come and go."""

import mmap
import os
import tempfile
from math import prod

import numpy as np
from numpy.typing import DTypeLike, NDArray

# Of the machine's memory, that an array may take: of a frame and of what is made of it a run holds
# up to four at a time
SHARE_IN_MEMORY = 1 / 8


def room_for(shape: tuple[int, ...], dtype: DTypeLike = np.float32) -> NDArray:
    """An array of zeros, for pixels of a whole frame.

    Parameters
    ----------
    shape : tuple of int
    dtype : dtype

    Returns
    -------
    ndarray
        A large one lies in the folder for temporary files (TMPDIR), if that has room for it, and is
        gone with the array.
    """
    size = prod(shape) * np.dtype(dtype).itemsize
    if size > SHARE_IN_MEMORY * _memory_bytes():
        try:
            return np.frombuffer(_nameless_file(size), dtype).reshape(shape)
        except OSError:  # no room there, or a folder that nobody may write to
            pass
    return np.zeros(shape, dtype)


def _memory_bytes() -> float:
    """Of this machine; no end of it where nobody can tell."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError):
        return np.inf


def _nameless_file(size: int) -> mmap.mmap:
    """A file of so many bytes, which nobody else sees; its room is claimed now, as a disk that is
    full when a page is written would end the process."""
    with tempfile.TemporaryFile() as file:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file.fileno(), 0, size)
        else:
            file.truncate(size)
        return mmap.mmap(file.fileno(), size)
