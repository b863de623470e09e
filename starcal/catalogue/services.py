"""Deeper catalogues from the network: whole answers or an error that says what to type."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table

from ..choices import default_of
from ..errors import CatalogueIncomplete, CatalogueUnreachable
from .columns import NAMES, find_column, no_rows, plain_table
from .mirrors import CatalogueTable, mirrors_of, quoted, tables_at
from .request import FETCH_MARGIN_DEG, PROBE, Answer, FieldRequest
from .tap import query_table
from .transport import Deadline, Fault, Overflow, QueryRefused, persistently, quiet

__all__ = ["ROW_LIMIT", "Answer", "ask"]

ROW_LIMIT = 200_000  # some 25 MB of VOTable; a field of 2 degrees down to V 16 in the Milky Way
OUTSIDE_SHARE = 0.01
# What each catalogue is cut in, and by how much stars may be fainter in it than in V: G by no more
# than 0.03 mag, VT by 0.4 for the reddest.
CUT_IN = {
    "gaia": ("g_mag", 0.05),
    "apass": ("v_mag", 0.0),
    "tycho2-online": ("vt_mag", 0.4),
}
SEEN_AT = {"tycho2-online": ("ra_seen_deg", "dec_seen_deg")}  # where every star has a place
SCHEMA_ROWS = 5000  # of TAP_SCHEMA, about two tables


def ask(
    request: FieldRequest,
    *,
    timeout_s: float = default_of("timeout"),
    row_limit: int = ROW_LIMIT,
) -> Answer:
    """Ask a service for a field.

    Parameters
    ----------
    request : FieldRequest
    timeout_s : float
        For everything together: attempts, pauses, and a second question when the field comes out
        empty. Above 0.
    row_limit : int
        An answer with so many rows counts as cut off. At least 1.

    Returns
    -------
    Answer
        Empty only if the service, asked for a field known to be full, had stars there.

    Raises
    ------
    CatalogueUnreachable
        No answer, or an answer that is not a table of stars.
    CatalogueIncomplete
        Rows or columns are missing.
    ValueError
        `timeout_s` or `row_limit` outside its range.
    """
    if not 0 < timeout_s < np.inf or row_limit < 1:
        raise ValueError(
            f"timeout_s {timeout_s}, row_limit {row_limit} given; both are above 0"
        )
    deadline = Deadline(timeout_s)
    answer = _ask_once(request, deadline, row_limit)
    if not len(answer.table):
        ra, dec, radius, limit = PROBE
        probe = FieldRequest(
            request.catalogue, ra, dec, radius, min(limit, request.limit_mag + 2)
        )
        if not len(_ask_once(probe, deadline, row_limit, about=request).table):
            raise _unreachable(
                request,
                answer.address,
                "it answered nothing, not even for a field known to be full",
            )
    return answer


def _ask_once(
    request: FieldRequest,
    deadline: Deadline,
    row_limit: int,
    about: FieldRequest | None = None,
) -> Answer:
    """One question, with as many attempts as help."""
    where = _circle_of(request)
    try:
        answer = ask_where(request.catalogue, where, deadline=deadline, row_limit=row_limit)
    except Overflow:
        raise _cut_off(request, None, None) from None
    except Fault as fault:
        raise _unreachable(about or request, _place_of_one(request), str(fault)) from fault
    if len(answer.table) >= row_limit:
        raise _cut_off(request, len(answer.table), row_limit)
    _require_right_place(answer.table, request, answer.address)
    return answer


def ask_where(
    catalogue: str,
    where: Callable[[dict[str, str]], str],
    *,
    deadline: Deadline,
    row_limit: int,
) -> Answer:
    """Ask the mirrors of a catalogue, one after the other, for the stars that meet a condition.

    Parameters
    ----------
    catalogue : str
        One of `request.SERVICES`.
    where : callable
        Makes the condition, in ADQL, of what the service calls each of our columns.
    deadline : Deadline
        For all of them; each has half of what is left, the last one all of it.
    row_limit : int
        At most so many rows.

    Returns
    -------
    Answer

    Raises
    ------
    Overflow
        More stars than `row_limit`, or than the service gives.
    Fault
        No mirror answered; the words of each.
    CatalogueIncomplete
        A column is missing, under all its known names.
    """
    addresses = mirrors_of(catalogue)
    faults: list[tuple[str, str]] = []
    for i, address in enumerate(addresses):
        share = deadline.for_first_of(len(addresses) - i)
        service = _Service(address, catalogue, share, row_limit)
        try:
            answer = service.ask_persistently(where)
        except Overflow:
            raise
        except Fault as fault:
            faults.append((address, str(fault)))
            continue
        notes = [f"{NAMES[catalogue]} was not to be had of {a}: {words}" for a, words in faults]
        return replace(answer, notes=(*notes, *answer.notes))
    raise Fault(faults[0][1] if len(addresses) == 1 else _told_together(faults))


def _told_together(faults: list[tuple[str, str]]) -> str:
    """What several services did, those that did the same in one."""
    alike: dict[str, list[str]] = {}
    for address, words in faults:
        alike.setdefault(words, []).append(address)
    return "; ".join(f"{', '.join(where)}: {words}" for words, where in alike.items())


def _place_of_one(request: FieldRequest) -> str:
    """Where the only service is; of several nothing, for each is named with what it did."""
    addresses = mirrors_of(request.catalogue)
    return addresses[0] if len(addresses) == 1 else ""


def _circle_of(request: FieldRequest) -> Callable[[dict[str, str]], str]:
    """The condition that a star lies in the field and is bright enough."""
    ra, dec = SEEN_AT.get(request.catalogue, ("ra_deg", "dec_deg"))
    cut, fainter_mag = CUT_IN[request.catalogue]

    def where(names: dict[str, str]) -> str:
        return (
            f"1=CONTAINS(POINT('ICRS', {names[ra]}, {names[dec]}), CIRCLE('ICRS', "
            f"{request.ra_deg:.7f}, {request.dec_deg:.7f}, "
            f"{request.radius_deg + FETCH_MARGIN_DEG:.7f})) AND {names[cut]} < "
            f"{request.limit_mag + fainter_mag:.2f}"
        )

    return where


@dataclass(frozen=True)
class _Service:
    """One service that holds a catalogue."""

    address: str
    catalogue: str
    deadline: Deadline
    row_limit: int

    def ask_persistently(self, where: Callable[[dict[str, str]], str]) -> Answer:
        """As `ask`, with as many attempts as help."""
        with quiet():
            return persistently(lambda: self.ask(where), self.deadline)

    def ask(self, where: Callable[[dict[str, str]], str]) -> Answer:
        """The stars that meet a condition; if the service refuses, what it calls its columns is
        looked up."""
        tables = tables_at(self.catalogue, self.address)
        try:
            return self._asked(tables, where, ())
        except QueryRefused as refused:
            there = self._columns_of(tables)
            renamed, notes = _as_there(tables, there, self.catalogue)
            if renamed == tables:
                raise
            if not renamed:
                raise Fault(f"{notes[0]}; it says: {refused}") from refused
        return self._asked(renamed, where, notes)

    def _asked(
        self,
        tables: tuple[CatalogueTable, ...],
        where: Callable[[dict[str, str]], str],
        notes: tuple[str, ...],
    ) -> Answer:
        adql = query_text(tables, where, self.row_limit)
        received = query_table(
            self.address, adql, deadline=self.deadline, most_rows=self.row_limit, job=True
        )
        table = (
            plain_table(received, self.catalogue) if len(received) else no_rows(self.catalogue)
        )
        return Answer(table, adql, self.address, self.row_limit, notes)

    def _columns_of(self, tables: tuple[CatalogueTable, ...]) -> dict[str, list[str]]:
        """Names of the columns of tables, as the service lists them; none of a table that it does
        not have."""
        names = " OR ".join(f"table_name LIKE '%{table.name}%'" for table in tables)
        listed = query_table(
            self.address,
            f"SELECT table_name, column_name FROM TAP_SCHEMA.columns WHERE {names}",
            deadline=self.deadline,
            most_rows=SCHEMA_ROWS,
            job=False,
        )
        found: dict[str, list[str]] = {table.name: [] for table in tables}
        for row in listed:
            table = str(row["table_name"]).replace('"', "")
            for name in found:
                if table.lower() == name.lower():
                    found[name].append(str(row["column_name"]).strip('"'))
        return found


def query_text(
    tables: tuple[CatalogueTable, ...], where: Callable[[dict[str, str]], str], row_limit: int
) -> str:
    """A query, in ADQL, of one table, or of two joined by source_id.

    Parameters
    ----------
    tables : tuple of CatalogueTable
        Columns are asked for by their first spelling, and come under our names.
    where : callable
        As `ask_where`.
    row_limit : int

    Returns
    -------
    str
    """
    names = {"source_id": f"g.{quoted(tables[0].source_id)}"}
    for letter, table in zip("gs", tables, strict=False):
        for ours, spellings in table.columns.items():
            names[ours] = f"{letter}.{quoted(spellings[0])}"
    wanted = ", ".join(f"{names[ours]} AS {ours}" for table in tables for ours in table.columns)
    source = " LEFT OUTER JOIN ".join(
        [f"{quoted(tables[0].name)} AS g", *_joins(tables, names)]
    )
    return f"SELECT TOP {row_limit} {wanted} FROM {source} WHERE {where(names)}"


def _joins(tables: tuple[CatalogueTable, ...], names: dict[str, str]) -> list[str]:
    """The second table, and by what it is joined."""
    return [
        f"{quoted(table.name)} AS s ON {names['source_id']} = s.{quoted(table.source_id)}"
        for table in tables[1:]
    ]


def _as_there(
    tables: tuple[CatalogueTable, ...], there: dict[str, list[str]], catalogue: str
) -> tuple[tuple[CatalogueTable, ...], tuple[str, ...]]:
    """The tables with the spellings of a service, without a second one that it lacks; and what
    to say of it. None where it lacks the first one."""
    if not there[tables[0].name]:
        return (), (f"it has no table {tables[0].name}",)
    kept = [_spelled(tables[0], there[tables[0].name], catalogue)]
    notes: tuple[str, ...] = ()
    for table in tables[1:]:
        try:
            kept.append(_spelled(table, there[table.name], catalogue))
        except CatalogueIncomplete as error:
            lacking = str(error) if there[table.name] else f"it has no table {table.name}"
            notes = (f"{lacking}: B-V of all its stars is that of BP-RP",)
    return tuple(kept), notes


def _spelled(table: CatalogueTable, there: list[str], catalogue: str) -> CatalogueTable:
    """A table with its columns as a service spells them."""
    found, missing = {}, []
    for ours, spellings in table.columns.items():
        theirs = find_column(there, spellings)
        if theirs is None:
            missing.append(spellings[0])
        else:
            found[ours] = spellings if theirs == spellings[0] else (theirs, *spellings)
    if missing:
        raise CatalogueIncomplete(
            f"{NAMES[catalogue]}: {table.name} is without its column {', '.join(missing)}; it has "
            f"{', '.join(there[:30])}. The service may have renamed it: use another one with "
            "--catalogue, or embedded"
        )
    return replace(table, columns=found)


def _unreachable(request: FieldRequest, address: str, cause: str) -> CatalogueUnreachable:
    whom = f"{NAMES[request.catalogue]} at {address}" if address else NAMES[request.catalogue]
    return CatalogueUnreachable(
        f"{whom}: {cause}. Use --catalogue embedded; or type on a machine with a network: "
        f"{request.command} - and copy its file {request.file_name} into this machine's "
        f"cache folder "
        "(starcal catalogue list names it)"
    )


def _cut_off(
    request: FieldRequest, rows: int | None, row_limit: int | None
) -> CatalogueIncomplete:
    came = (
        "the answer was cut off by the service"
        if rows is None
        else f"{rows} rows came and no more are allowed"
    )
    return CatalogueIncomplete(
        f"{NAMES[request.catalogue]}: {came}, so stars are missing; nothing was kept. Ask for "
        f"fewer: --limit "
        f"{request.limit_mag - 1:.2f} instead of {request.limit_mag:.2f}, or a smaller --radius",
        rows=rows,
        row_limit=row_limit,
    )


def _require_right_place(table: Table, request: FieldRequest, address: str) -> None:
    """An answer about another place (hours for degrees, a region ignored) is no answer."""
    if not len(table):
        return
    apart_deg = request.separation_deg(table["ra_deg"], table["dec_deg"])
    outside = np.mean(apart_deg > request.radius_deg + 2 * FETCH_MARGIN_DEG)
    if outside > OUTSIDE_SHARE:
        raise _unreachable(
            request, address, f"{outside:.0%} of the rows that came lie outside the field"
        )
