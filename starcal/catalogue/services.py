"""Deeper catalogues from the network, through astroquery: whole answers or an error that says what
to type.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
from astropy.table import Table

from ..choices import default_of
from ..errors import CatalogueIncomplete, CatalogueUnreachable
from .columns import NAMES, no_rows, plain_table, wanted_columns
from .request import FETCH_MARGIN_DEG, PROBE, FieldRequest
from .tap import gaia_address, query_gaia
from .transport import (
    Deadline,
    Fault,
    Overflow,
    parsed_address,
    persistently,
    quiet,
    require_success,
    whole_votable,
)

__all__ = ["ROW_LIMIT", "Answer", "ask"]

ROW_LIMIT = 200_000  # some 25 MB of VOTable; a field of 2 degrees down to V 16 in the Milky Way
OUTSIDE_SHARE = 0.01
VIZIER_TABLES = {
    "apass": ("II/336/apass9", "Vmag", 0.0),
    "tycho2-online": ("I/259/tyc2", "VTmag", 0.4),
}


@dataclass(frozen=True, eq=False)
class Answer:
    """What a service answered.

    Attributes
    ----------
    table : Table
        Plain columns, `columns.ALIASES` has their names.
    query, address : str
        What was asked, and whom.
    row_limit : int
        How many rows there might have been.
    """

    table: Table
    query: str
    address: str
    row_limit: int


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
    query_service = query_gaia if request.catalogue == "gaia" else _query_vizier
    address = gaia_address() if request.catalogue == "gaia" else _vizier_address()
    try:
        with quiet():
            received, query = persistently(
                lambda: query_service(request, deadline, row_limit), deadline
            )
    except Overflow:
        raise _cut_off(request, None, None) from None
    except Fault as fault:
        raise _unreachable(about or request, address, str(fault)) from fault
    if len(received) >= row_limit:
        raise _cut_off(request, len(received), row_limit)
    table = (
        plain_table(received, request.catalogue)
        if len(received)
        else no_rows(request.catalogue)
    )
    _require_right_place(table, request, address)
    return Answer(table, query, address, row_limit)


def _unreachable(request: FieldRequest, address: str, cause: str) -> CatalogueUnreachable:
    return CatalogueUnreachable(
        f"{NAMES[request.catalogue]} at {address}: {cause}. Use --catalogue embedded; or type on a "
        f"machine with a "
        f"network: {request.command} - and copy its file {request.file_name} into this machine's "
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


# --- VizieR -----------------------------------------------------------------------------


def _vizier_address() -> str:
    """Address of the server: the client's own, or STARCAL_VIZIER_SERVER, a host or a whole
    address."""
    from astroquery.vizier import conf

    default = conf.server if isinstance(conf.server, str) else conf.server[0]
    server = (os.environ.get("STARCAL_VIZIER_SERVER") or default).rstrip("/")
    return server if "://" in server else f"https://{server}"


def _query_vizier(
    request: FieldRequest, deadline: Deadline, row_limit: int
) -> tuple[Table, str]:
    """Rows of a table in VizieR, down to a magnitude."""
    from astropy import units
    from astropy.coordinates import SkyCoord

    table, magnitude, redder_mag = VIZIER_TABLES[request.catalogue]
    filters = {magnitude: f"<{request.limit_mag + redder_mag:.2f}"}
    radius_deg = request.radius_deg + FETCH_MARGIN_DEG
    client = _vizier_client(
        columns=wanted_columns(request.catalogue),
        filters=filters,
        row_limit=row_limit,
        deadline=deadline,
    )
    try:
        tables = client.query_region(
            SkyCoord(request.ra_deg, request.dec_deg, unit="deg"),
            catalog=table,
            radius=radius_deg * units.deg,
            cache=False,
        )
    finally:
        client._session.close()
    query = (
        f"{table} {magnitude}{filters[magnitude]} "
        f"ra={request.ra_deg:.7f} dec={request.dec_deg:.7f} r={radius_deg}"
    )
    return (tables[0] if len(tables) else Table()), query


def _vizier_client(
    *, columns: list[str], filters: dict[str, str], row_limit: int, deadline: Deadline
):
    """The client, with every answer read whole and judged before it parses it."""
    from astroquery.vizier import VizierClass

    address = _vizier_address()
    parsed_address(address)

    class JudgedVizier(VizierClass):
        def _server_to_url(self, return_type="votable"):
            return f"{address}/viz-bin/{return_type}"

        def _request(self, *where, **settings):
            response = super()._request(*where, **settings | {"timeout": deadline.require()})
            headers = {name.lower(): value for name, value in response.headers.items()}
            require_success(response.status_code, headers, response.content)
            response._content = whole_votable(headers, response.content)
            return response

        def _parse_result(self, response, **settings):
            if not response.content.startswith(b"<?xml"):  # by which the client knows a VOTable
                response._content = b"<?xml version='1.0'?>\n" + response.content.lstrip()
            return super()._parse_result(response, **settings | {"invalid": "exception"})

    return JudgedVizier(
        columns=columns,
        column_filters=filters,
        row_limit=row_limit,
        timeout=deadline.require(),
        vizier_server=address,
    )
