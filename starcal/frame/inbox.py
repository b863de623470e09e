"""Files that come in pieces, as from a browser: kept in a folder of their own until the program
ends."""

from __future__ import annotations

import filecmp
import shutil
import tempfile
from pathlib import Path

from ..errors import FrameError, OutputError

__all__ = ["Arriving", "Inbox", "lasting_path", "pictures_in"]

_FOLDERS: set[Path] = set()  # of all inboxes of this process

# What `read_frame` may find a picture in.
PICTURE_ENDINGS = (
    ".fits",
    ".fit",
    ".fts",
    ".fits.gz",
    ".fits.fz",
    ".tif",
    ".tiff",
    ".png",
    ".jpg",
    ".jpeg",
)


class Arriving:
    """A file of which pieces come.

    Attributes
    ----------
    path : Path
    """

    def __init__(self, path: Path):
        self.path = path
        self._file = path.open("wb")

    def add(self, piece: bytes) -> None:
        """Put a piece behind the others.

        Parameters
        ----------
        piece : bytes
        """
        self._file.write(piece)

    def close(self) -> None:
        """No more will come."""
        self._file.close()


class Inbox:
    """A folder for files that come in pieces; `close` removes it."""

    def __init__(self) -> None:
        self._folder: Path | None = None

    def open(self, name: str) -> Arriving:
        """Open a file for the pieces.

        Parameters
        ----------
        name : str
            That of the file where it comes from; of a path its last part.

        Returns
        -------
        Arriving

        Raises
        ------
        FrameError
            No picture has such a name.
        OutputError
            There is no room.
        """
        last = Path(name.replace("\\", "/")).name
        if not last.isprintable() or not last.lower().endswith(PICTURE_ENDINGS):
            raise FrameError(
                f"{last or name}: no picture that starcal reads; FITS, TIFF, PNG or JPEG needed"
            )
        try:
            if self._folder is None:
                self._folder = Path(tempfile.mkdtemp(prefix="starcal-"))
                _FOLDERS.add(self._folder)
            return Arriving(self._folder / last)
        except OSError as error:
            raise OutputError(f"{last}: cannot be kept ({error.strerror})") from error

    def original(self, came: Path, folder: Path) -> Path:
        """The same file in a folder, if it came here and is there; else the path as it is.

        Parameters
        ----------
        came : Path
        folder : Path

        Returns
        -------
        Path
        """
        known = folder / came.name
        if self.holds(came) and known.is_file() and filecmp.cmp(came, known, shallow=False):
            return known
        return came

    def holds(self, path: Path) -> bool:
        """Whether a file lies here.

        Parameters
        ----------
        path : Path

        Returns
        -------
        bool
        """
        return self._folder is not None and path.parent == self._folder

    def close(self) -> None:
        """Remove all that came."""
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            _FOLDERS.discard(self._folder)
            self._folder = None


def lasting_path(path: str, folder: Path) -> str:
    """What to call a file when this program has ended.

    Parameters
    ----------
    path : str
    folder : Path
        Where its results go.

    Returns
    -------
    str
        The path itself; of a file that lies in an inbox, which is gone then, one of its name beside
        the results.
    """
    came = Path(path)
    return str(folder.parent / came.name) if came.parent in _FOLDERS else path


def pictures_in(folder: Path) -> list[Path]:
    """Files of a folder that may be pictures, by name; hidden ones left out.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of Path
        Empty where the folder cannot be read.
    """
    try:
        found = [path for path in folder.iterdir() if path.is_file()]
    except OSError:
        return []
    return sorted(
        path
        for path in found
        if path.name.lower().endswith(PICTURE_ENDINGS) and not path.name.startswith(".")
    )
