"""Where starcal keeps what it fetched, and what it has found out about its own files."""

import os
import sys
from pathlib import Path

from ..inputs import at_home


def cache_folder() -> Path:
    """Where fields are kept: STARCAL_CACHE, or `starcal` in the platform's folder for caches.

    Returns
    -------
    Path
    """
    named = os.environ.get("STARCAL_CACHE")
    if named:
        return at_home(named)
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "starcal"
    if os.name == "nt":
        return (
            Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
            / "starcal"
            / "cache"
        )
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "starcal"
