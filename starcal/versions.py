"""What a result was made with: numbers repeat bit for bit with the same libraries only."""

import platform
from collections.abc import Iterable
from pathlib import Path

from . import __version__
from .inputs import read_json

LIBRARIES = ("numpy", "scipy", "astropy", "photutils", "matplotlib", "pillow")


def versions() -> dict[str, str]:
    """starcal, Python and the libraries that numbers and pictures come from.

    Returns
    -------
    dict of str to str
        Version by name.
    """
    from importlib.metadata import version  # a quarter of what --help would wait for

    own = {"starcal": __version__, "Python": platform.python_version()}
    return own | {name: version(name) for name in LIBRARIES}


def told_differences(result: str | Path) -> list[str]:
    """Why a result may not be repeated bit for bit.

    Parameters
    ----------
    result : str or Path
        Its ``result.json``, which `choices.read_settings` has read.

    Returns
    -------
    list of str
        Sentences; none where all is the same, or nothing is known.
    """
    facts = read_json(result)
    told = []
    if isinstance(objects := facts.get("not_from_files"), list) and objects:
        told.append(f"{result} is of a run from Python: {told_objects(map(str, objects))}")
    known, now = facts.get("versions"), versions()
    if not isinstance(known, dict):
        return told
    others = {name: known[name] for name in now if known.get(name, now[name]) != now[name]}
    if others:
        each = ", ".join(
            f"{name} {str(was)[:20]} (here {now[name]})" for name, was in others.items()
        )
        told.append(
            f"{result} is of a run with {each}: numbers may differ in their last digits"
        )
    return told


def told_objects(names: Iterable[str]) -> str:
    """What has to be given again, because no file holds it.

    Parameters
    ----------
    names : iterable of str
        Of settings that name files.

    Returns
    -------
    str
    """
    told = " and ".join(name.replace("_", " ") for name in names)
    return f"give the same {told} again, which came from no file"
