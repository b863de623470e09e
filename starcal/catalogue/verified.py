"""Checksums of large files that seldom change: computed once for each state of a file, which size
and time of change tell, and remembered beside the cache."""

import json
import os
import secrets
from contextlib import suppress
from pathlib import Path

from .folders import cache_folder

MEMORY_FILE = "checksums.json"
MOST_REMEMBERED = 50  # files; older ones are computed anew


def file_checksum(path: Path) -> str:
    """The checksum of a file, computed.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    import hashlib  # 3.6 MB of memory that a question about stars need not pay

    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def remembered_checksum(path: Path) -> str:
    """The checksum of a file; computed only where size or time say that it may have changed.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    found = path.stat()
    state = [found.st_size, found.st_mtime_ns]
    known = _remembered()
    match known.get(str(path)):
        case [size, time_ns, str(digest)] if [size, time_ns] == state:
            return digest
    digest = file_checksum(path)
    known.pop(str(path), None)
    known[str(path)] = [*state, digest]
    _remember(dict(list(known.items())[-MOST_REMEMBERED:]))
    return digest


def _remembered() -> dict:
    """What is known of files, by path; nothing where it cannot be read."""
    with suppress(OSError, ValueError):
        known = json.loads((cache_folder() / MEMORY_FILE).read_text(encoding="utf-8"))
        return known if isinstance(known, dict) else {}
    return {}


def _remember(known: dict) -> None:
    """Keep it for the next time, where that may be; else the next time computes it again."""
    draft = cache_folder() / f".starcal-{secrets.token_hex(8)}.part"
    with suppress(OSError):
        draft.parent.mkdir(parents=True, exist_ok=True)
        draft.write_text(json.dumps(known), encoding="utf-8")
        os.replace(draft, draft.with_name(MEMORY_FILE))
