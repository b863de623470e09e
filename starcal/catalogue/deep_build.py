"""Making the deep table: Gaia asked cell by cell, each kept as it comes, packed in the end.

A cell is a range of source_id, which counts the pixels of a HEALPix grid (Gorski et al. 2005, ApJ
622, 759): every star is in one, at the poles and RA 0 as anywhere, and services answer such a range
fastest. A cell with more stars than may be asked for at once is split in four.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from astropy.table import Table

from ..choices import DEEP_LIMIT
from ..errors import CatalogueError, CatalogueUnreachable, OutputError
from ..frame.targets import check_output
from ..frame.whole import atomic_write
from ..texts import path_as_typed
from .columns import NAMES
from .deep import PACKED, DeepInfo, deep_info, packed_stars
from .deep_pack import settled_file
from .embedded import cell_of
from .gaia import BRIGHTEST_G_MAG, gaia_photometry
from .mirrors import mirrors_of
from .services import ask_where
from .transport import Deadline, Fault, Overflow

__all__ = ["build_deep"]

FIRST_ORDER = 2  # 192 cells of 215 square degrees
LAST_ORDER = 12
IDS_IN_PIXEL = 2**35  # of order 12
CELL_ROWS = 100_000  # at once: 50 MB of VOTable, and below what services give
PAUSE_S = 1.0  # from the beginning of one question to that of the next, at least
CELL_TIMEOUT_S = 600.0
G_FAINTER_MAG = 0.05  # than V, at most
# of each star: its cell, its record, its motion in mas/yr
PART = np.dtype([("cell", "<u4"), ("record", PACKED), ("pmra", "<i2"), ("pmdec", "<i2")])


@dataclass(frozen=True)
class _SkyCell:
    """A pixel of the grid at an order."""

    order: int
    pixel: int

    @property
    def name(self) -> str:
        return f"{self.order}-{self.pixel}"

    @property
    def share(self) -> float:
        """Of the sky."""
        return 1 / (12 * 4**self.order)

    def ids(self) -> tuple[int, int]:
        """The range of source_id, its end not included."""
        width = IDS_IN_PIXEL * 4 ** (12 - self.order)
        return self.pixel * width, (self.pixel + 1) * width

    def quarters(self) -> list[_SkyCell]:
        return [_SkyCell(self.order + 1, 4 * self.pixel + i) for i in range(4)]


def build_deep(
    path: Path,
    limit_mag: float,
    *,
    progress: Callable[[str, float], None] = lambda text, share: None,
    overwrite: bool = False,
) -> DeepInfo:
    """Make a deep table of the whole sky, or go on where an earlier call was stopped.

    Parameters
    ----------
    path : Path
        What is kept until the table is whole lies beside it, in a folder of its name and `.parts`.
    limit_mag : float
        Johnson V of the faintest stars, 6 to 16.
    progress : callable
        Is told what is done, and its share.
    overwrite : bool
        Replace a table that is there.

    Returns
    -------
    DeepInfo

    Raises
    ------
    CatalogueUnreachable
        A question was not answered; what came before is kept.
    CatalogueError
        What lies in the folder was asked for with another limit.
    OutputError
        The file is there, or cannot be written.
    ValueError
        `limit_mag` outside its range.
    """
    if not DEEP_LIMIT.hold(limit_mag):
        raise ValueError(f"limit_mag {limit_mag} given; {DEEP_LIMIT.needed}")
    check_output(path, overwrite)
    parts = _Parts(Path(f"{path}.parts"), limit_mag)
    parts.open()
    _ask_for_the_rest(parts, path, progress)
    with atomic_write(path, overwrite=overwrite) as file:
        file.write(parts.packed())
    shutil.rmtree(parts.folder, ignore_errors=True)
    return deep_info(path)


def _ask_for_the_rest(
    parts: _Parts, path: Path, progress: Callable[[str, float], None]
) -> None:
    """Ask for what has not come yet, with a pause between questions."""
    done, asked_at = 0.0, -np.inf
    for cell in parts.all_cells():
        if not parts.has(cell):
            time.sleep(max(asked_at + PAUSE_S - time.monotonic(), 0.0))
            asked_at = time.monotonic()
            try:
                parts.ask(cell)
            except Fault as fault:
                raise _stopped(path, parts.limit_mag, done, fault) from fault
        if not parts.is_split(cell):
            done += cell.share
            progress(f"{done:.1%} of the sky", min(done, 1.0))


def _stopped(path: Path, limit_mag: float, done: float, fault: Fault) -> CatalogueUnreachable:
    return CatalogueUnreachable(
        f"{NAMES['gaia']}: {fault}. {done:.1%} of the sky is kept beside {path}; to go on type: "
        f"starcal catalogue build --limit {limit_mag:g} --out {path_as_typed(path)}"
    )


@dataclass(frozen=True)
class _Parts:
    """The folder of cells that came, each in a file that begins with its SHA-256."""

    folder: Path
    limit_mag: float

    def open(self) -> None:
        """Make the folder, or see that what is in it is of the same question."""
        said = self.folder / "question.json"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            if not said.exists():
                with atomic_write(said, overwrite=True) as file:
                    file.write(json.dumps({"limit_mag": self.limit_mag}).encode())
            known = json.loads(said.read_bytes())["limit_mag"]
        except (OSError, ValueError, KeyError) as error:
            raise OutputError(
                f"{self.folder}: cannot be used ({error}). Type: rm -r {path_as_typed(self.folder)}"
            ) from error
        if known != self.limit_mag:
            raise CatalogueError(
                f"{self.folder} has cells down to V {known:g}, not {self.limit_mag:g}. Go on with "
                f"--limit {known:g}, or type: rm -r {path_as_typed(self.folder)}"
            )

    def all_cells(self) -> Iterator[_SkyCell]:
        """Cells in turn; those of a split one after it, once that is known."""
        waiting = [_SkyCell(FIRST_ORDER, i) for i in reversed(range(12 * 4**FIRST_ORDER))]
        while waiting:
            cell = waiting.pop()
            yield cell
            if self.is_split(cell):
                waiting.extend(reversed(cell.quarters()))

    def is_split(self, cell: _SkyCell) -> bool:
        """Whether it has more stars than may be asked for at once."""
        return (self.folder / f"{cell.name}.split").exists()

    def has(self, cell: _SkyCell) -> bool:
        """Whether it came, whole, or was split."""
        return self.is_split(cell) or self.read(cell) is not None

    def read(self, cell: _SkyCell) -> np.ndarray | None:
        """The stars of a cell, (N,) PART; None if it is not there or damaged."""
        try:
            content = (self.folder / f"{cell.name}.part").read_bytes()
        except FileNotFoundError:
            return None
        if hashlib.sha256(content[32:]).digest() != content[:32]:
            return None
        return np.frombuffer(content[32:], PART)

    def ask(self, cell: _SkyCell) -> None:
        """Ask for a cell, and keep it, or keep that it must be split."""
        try:
            table = ask_where(
                "gaia",
                self._where(cell),
                deadline=Deadline(CELL_TIMEOUT_S),
                row_limit=CELL_ROWS,
            ).table
        except Overflow:
            table = None
        if table is not None and len(table) < CELL_ROWS:
            name, content = f"{cell.name}.part", _packed_cell(table, self.limit_mag)
        elif cell.order < LAST_ORDER:
            name, content = f"{cell.name}.split", b""
        else:
            raise Fault(f"cell {cell.name} has more stars than the service gives")
        with atomic_write(self.folder / name, overwrite=True) as file:
            file.write(content)

    def _where(self, cell: _SkyCell) -> Callable[[dict[str, str]], str]:
        """The condition that a star lies in a cell and is bright enough."""
        first, stop = cell.ids()
        faintest = self.limit_mag + G_FAINTER_MAG

        def where(names: dict[str, str]) -> str:
            source = names["source_id"]
            in_cell = f"{source} >= {first} AND {source} < {stop}"
            return f"{in_cell} AND {names['g_mag']} < {faintest:.2f}"

        return where

    def packed(self) -> bytes:
        """All of them as the file of the table."""
        came = [self.read(cell) for cell in self.all_cells() if not self.is_split(cell)]
        stars = np.concatenate([part for part in came if part is not None])
        facts = {
            "limit_mag": self.limit_mag,
            "date": datetime.now(UTC).isoformat(timespec="seconds"),
            "address": ", ".join(mirrors_of("gaia")),
        }
        motions = np.column_stack([stars["pmra"], stars["pmdec"]])
        return settled_file(stars["record"], stars["cell"].astype(np.int64), motions, facts)


def _packed_cell(table: Table, limit_mag: float) -> bytes:
    """A cell's stars down to the limit, and the checksum before them."""
    columns = {name: np.asarray(table[name], float) for name in table.colnames}
    photometry = gaia_photometry(columns)
    cell, dra, ddec = cell_of(columns["ra_deg"] % 360.0, columns["dec_deg"])
    stars = np.zeros(len(table), PART)
    stars["cell"] = cell
    bright = columns["g_mag"] < BRIGHTEST_G_MAG
    stars["record"] = packed_stars(dra, ddec, photometry, bright)
    stars["pmra"] = _whole_mas(columns["pmra_mas_yr"])
    stars["pmdec"] = _whole_mas(columns["pmdec_mas_yr"])
    content = stars[photometry["v_mag"] <= limit_mag].tobytes()
    return hashlib.sha256(content).digest() + content


def _whole_mas(motion: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(np.nan_to_num(motion)), -32767, 32767)
