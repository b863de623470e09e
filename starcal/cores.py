"""How many cores this process may use."""

import os

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
