"""How many cores this process may use, and work handed out to them."""

import ctypes
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any, TypeVar

Part = TypeVar("Part")
Given = TypeVar("Given")

ARENA_MAX = -8  # how `mallopt` calls the number of heaps
CORES_LIMIT = "STARCAL_CORES"  # in the environment of a process that shares the machine


def cores() -> int:
    """As many as the machine has, or as the process was given as its share.

    Returns
    -------
    int
        1 or more.
    """
    there = os.cpu_count() or 1
    given = os.environ.get(CORES_LIMIT, "")
    return min(there, int(given)) if given.isdecimal() and int(given) else there


def in_threads(do: Callable[[Part], Given], parts: Iterable[Part]) -> Iterator[Given]:
    """What is made of each part, in their order, on as many threads as there are cores: filters and
    arithmetic on arrays let other threads run.

    Parameters
    ----------
    do : callable
        Takes a part.
    parts : iterable

    Yields
    ------
    object
        What ``do`` gave; what it raised is raised here.
    """
    at_once = cores()
    if at_once == 1:  # a thread of its own would only add its start
        yield from map(do, parts)
        return
    _share_one_heap()
    with ThreadPoolExecutor(at_once) as pool:
        yield from pool.map(do, parts)


def done_in_threads(do: Callable[[Part], object], parts: Iterable[Part]) -> None:
    """Do something with each part, as `in_threads`, for what it leaves behind.

    Parameters
    ----------
    do : callable
        Takes a part.
    parts : iterable
    """
    for _ in in_threads(do, parts):
        pass


def at_once(*work: Callable[[], Any]) -> list[Any]:
    """What pieces of work that have nothing to do with each other give, as `in_threads`.

    Parameters
    ----------
    *work : callable
        Without arguments. At most one of them may change what the whole process shares, as
        `warnings.catch_warnings` does.

    Returns
    -------
    list of object
    """
    return list(in_threads(lambda do: do(), work))


@cache
def _share_one_heap() -> None:
    """Have all threads take memory from one heap: each would keep the most it ever held in one of
    its own, which `release_memory` does not reach."""
    limit = _of_c_library("mallopt")
    if limit is not None:
        limit(ARENA_MAX, 1)


def _of_c_library(name: str) -> Callable[..., int] | None:
    """A function of the GNU C library, by which memory is shared out on Linux."""
    return getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None


def release_memory() -> None:
    """Give back memory that is free but still held for what may come, after a step that needed
    much of it: a later step needs other sizes, and would ask for more besides."""
    trim = _of_c_library("malloc_trim")
    if trim is not None:
        trim(0)
