"""Deeper catalogues from the network, through astroquery: whole answers or an error that says what
to type.

What the clients do on their own and must not here: ask their service for news when imported, wait
without end, print, keep failed answers, take an error page for an empty field, stop at a row limit
without a word. So every answer is read whole and judged before a client gets to parse it, and all
of it happens in a thread that is waited for so long and no longer: neither a name server nor a
server that drips byte after byte minds the timeout of a socket.
"""

from __future__ import annotations

import gzip
import http.client
import inspect
import io
import itertools
import os
import re
import threading
import time
import warnings
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stdout, suppress
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urlsplit

import numpy as np
from astropy.table import Table

from ..choices import default_of
from ..errors import CatalogueError, CatalogueIncomplete, CatalogueUnreachable
from .columns import NAMES, no_rows, plain_table, wanted_columns
from .request import FieldRequest

__all__ = ["ROW_LIMIT", "Answer", "ask"]

ROW_LIMIT = 200_000  # some 25 MB of VOTable; a field of 2 degrees down to V 16 in the Milky Way
ATTEMPTS = 3
RETRY_PAUSE_S = 2.0  # before the second attempt, and twice that before the third
FETCH_MARGIN_DEG = (
    0.01  # 36 arcsec: nearly every star that moves into the field by the frame's epoch
)
BUSY = (429, 500, 502, 503, 504)  # worth another attempt
OUTSIDE_SHARE = 0.01
PROBE = (
    103.0,
    -0.33,
    0.1,
    14.0,
)  # a field of photometric standards in the Milky Way: every catalogue has stars there
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


class _Fault(Exception):
    """An answer that is none. `again`: another attempt may help, not before `after_s` seconds."""

    def __init__(self, message: str, *, again: bool = False, after_s: float | None = None):
        super().__init__(message)
        self.again, self.after_s = again, after_s


@dataclass(frozen=True)
class _Deadline:
    seconds: float
    start: float = field(default_factory=time.monotonic)

    @property
    def left_s(self) -> float:
        return self.seconds - (time.monotonic() - self.start)

    def require(self) -> float:
        """Seconds left, for a socket."""
        if self.left_s <= 0:
            raise TimeoutError("timed out")
        return self.left_s


# --- the question -----------------------------------------------------------------------


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
    deadline = _Deadline(timeout_s)
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
    deadline: _Deadline,
    row_limit: int,
    about: FieldRequest | None = None,
) -> Answer:
    """One question, with as many attempts as help."""
    query_service = _query_gaia if request.catalogue == "gaia" else _query_vizier
    address = _gaia_address() if request.catalogue == "gaia" else _vizier_address()
    try:
        with _quiet():
            received, query = _persistently(
                lambda: query_service(request, deadline, row_limit), deadline
            )
    except CatalogueError:
        raise
    except _Fault as fault:
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


# --- attempts and time ------------------------------------------------------------------


def _persistently(query: Callable, deadline: _Deadline):
    """Query; again after faults that pass, while there is time."""
    for attempt in itertools.count(1):
        try:
            return _within_deadline(deadline, query)
        except _Fault as fault:
            wait_s = max(RETRY_PAUSE_S * 2 ** (attempt - 1), fault.after_s or 0.0)
            if not fault.again or attempt == ATTEMPTS:
                raise
            if wait_s >= deadline.left_s:
                raise _Fault(
                    f"{fault}; another attempt in {wait_s:.0f} s would be past the timeout of "
                    f"{deadline.seconds:g} s"
                ) from fault
            time.sleep(wait_s)


def _within_deadline(deadline: _Deadline, query: Callable):
    """Run in a thread, waited for until the deadline. A thread left behind keeps nothing and ends
    with the process."""
    outcome: list[tuple[Any, Exception | None]] = []

    def work():
        try:
            outcome.append((query(), None))
        except (
            Exception
        ) as error:  # whatever a client throws, on its way to the caller's thread
            outcome.append((None, error))

    thread = threading.Thread(target=work, daemon=True, name="starcal catalogue query")
    thread.start()
    thread.join(max(deadline.left_s, 0.0))
    if not outcome:
        raise _Fault(f"no whole answer within {deadline.seconds:g} s")
    result, error = outcome[0]
    if error is not None:
        raise (
            error if isinstance(error, _Fault | CatalogueError) else _fault_of(error, deadline)
        ) from error
    return result


def _fault_of(error: Exception, deadline: _Deadline) -> _Fault:
    """What happened, in words, and whether another attempt may help."""
    causes = [
        cause for cause in _causes(error) if not isinstance(cause, gzip.BadGzipFile)
    ]  # the client tries that
    if (
        any(isinstance(cause, TimeoutError) for cause in causes)
        or "timed out" in str(error).lower()
    ):
        return _Fault(f"no whole answer within {deadline.seconds:g} s")
    broken = (
        ConnectionResetError,
        ConnectionAbortedError,
        BrokenPipeError,
        http.client.IncompleteRead,
        EOFError,
    )
    if any(isinstance(cause, broken) for cause in causes):
        return _Fault(
            f"the answer broke off in the middle ({_error_words(causes[-1])})", again=True
        )
    root = causes[-1] if causes else error
    return _Fault(
        _error_words(root)
        if isinstance(root, OSError)
        else f"the answer cannot be read ({_error_words(root)})"
    )


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    """The error, what caused it, and so on down to the root."""
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def _error_words(error: BaseException) -> str:
    """An error in one short line."""
    return " ".join(f"{type(error).__name__}: {error}".split())[:200]


@contextmanager
def _quiet():
    """Keep the clients from talking: warnings of VOTables that are not quite standard, and their
    log."""
    from astroquery import log

    level = log.level
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        log.setLevel("CRITICAL")
        try:
            yield
        finally:
            log.setLevel(level)


# --- judging an answer ------------------------------------------------------------------


def _require_success(status: int, headers: dict[str, str], body: bytes) -> None:
    """Refuse an HTTP status that says something went wrong."""
    if status >= 400:
        raise _Fault(
            f"HTTP status {status}{_excerpt(body)}",
            again=status in BUSY,
            after_s=_retry_after_s(headers.get("retry-after")),
        )


def _retry_after_s(value: str | None) -> float | None:
    """Seconds to wait: the header holds a number of them, or a date (RFC 9110, section 10.2.3)."""
    if value is None:
        return None
    with suppress(ValueError):
        return max(float(value), 0.0)
    with suppress(ValueError, TypeError):
        return max(parsedate_to_datetime(value).timestamp() - time.time(), 0.0)
    return None


def _whole_votable(headers: dict[str, str], body: bytes) -> bytes:
    """The VOTable in a body, unpacked; a fault if it is something else, cut off, or says that the
    query failed."""
    if body[:2] == b"\x1f\x8b":
        try:
            body = gzip.decompress(body)
        except (zlib.error, gzip.BadGzipFile) as error:
            raise _Fault(
                f"the answer cannot be unpacked ({_error_words(error)})", again=True
            ) from error
    if not re.search(rb"<(\w+:)?VOTABLE", body[:2000]):
        raise _Fault(
            f"the answer is not a VOTable but {headers.get('content-type', 'of no stated type')}"
            f"{_excerpt(body)}"
        )
    if not re.search(rb"</(\w+:)?VOTABLE\s*>\s*$", body[-200:]):
        raise _Fault("the answer broke off in the middle", again=True)
    _require_query_done(body)
    return body


def _require_query_done(votable: bytes) -> None:
    """Read the INFO elements, in which a service says that a query failed or was cut off (DALI 1.1,
    section 4.4)."""
    for tag, text in re.findall(rb"<INFO\b([^>]*?)/?>([^<]*)", votable):
        pairs = re.findall(r'(\w+)\s*=\s*"([^"]*)"', tag.decode(errors="replace"))
        facts = {name.lower(): value for name, value in pairs}
        value = facts.get("value", "")
        about = (facts.get("name") or facts.get("id", "")).lower()
        status = value.upper() if about == "query_status" else ""
        if status == "OVERFLOW":
            raise _Overflow
        if status == "ERROR" or about in ("error", "errors"):
            said = " ".join(f"{value} {text.decode(errors='replace')}".split())
            raise _Fault(f"the service says that the query failed: {said[:200]}")


class _Overflow(_Fault):
    """The service cut its answer off and said so."""

    def __init__(self):
        super().__init__("the service cut the answer off")


def _excerpt(body: bytes) -> str:
    """The first words of a page, without its tags."""
    text = re.sub(
        r"<(script|style)\b.*?</\1>|<[^>]*>",
        " ",
        body[:4000].decode(errors="replace"),
        flags=re.S | re.I,
    )
    words = " ".join(text.split())[:100]
    return f": {words}" if words else ""


# --- Gaia: TAP --------------------------------------------------------------------------


def _gaia_class():
    """The client, imported in silence: on import it asks its service for news, without a timeout,
    and prints them."""
    from astroquery.utils.tap.conn.tapconn import TapConn

    def no_news(*_, **__):
        raise OSError("not asked")

    real, TapConn.execute_tapget = TapConn.execute_tapget, no_news
    try:
        with redirect_stdout(io.StringIO()):
            from astroquery.gaia import GaiaClass
    finally:
        TapConn.execute_tapget = real
    return GaiaClass


def _gaia_address() -> str:
    """Address of the TAP service, above `sync` and `async`: the client's own, or
    STARCAL_GAIA_URL."""
    settings = inspect.signature(_gaia_class().__init__).parameters
    server = settings["gaia_tap_server"].default.rstrip("/")
    default = f"{server}/{settings['tap_server_context'].default}/tap"
    return (os.environ.get("STARCAL_GAIA_URL") or default).rstrip("/")


def _query_gaia(
    request: FieldRequest, deadline: _Deadline, row_limit: int
) -> tuple[Table, str]:
    """Rows of Gaia DR3, by a job of its own: the quick way of asking gives no more than 2000
    rows."""
    query = _adql(request, row_limit)
    connection, opened = _tap_connection(_gaia_address(), deadline)
    client = _gaia_class()(tap_plus_conn_handler=connection, show_server_messages=False)
    try:
        quick = (request.ra_deg, request.dec_deg, request.radius_deg) == PROBE[:3]
        job = (client.launch_job if quick else client.launch_job_async)(query)
        return job.get_results(), query
    except _Overflow:
        raise _cut_off(request, None, None) from None
    finally:
        for each in opened:
            each.close()


def _adql(request: FieldRequest, row_limit: int) -> str:
    """The question. G is fainter than V by no more than 0.03 mag, so a limit in G loses no star
    above the one in V."""
    return (
        f"SELECT TOP {row_limit} {', '.join(wanted_columns('gaia'))} FROM gaiadr3.gaia_source "
        f"WHERE 1=CONTAINS(POINT('ICRS', ra, dec), CIRCLE('ICRS', {request.ra_deg:.7f}, "
        f"{request.dec_deg:.7f}, "
        f"{request.radius_deg + FETCH_MARGIN_DEG:.7f})) AND phot_g_mean_mag < "
        f"{request.limit_mag + 0.05:.2f}"
    )


def _tap_connection(address: str, deadline: _Deadline):
    """The client's connection, bounded in time, with every answer read whole and judged; and what
    it opened."""
    from astroquery.utils.tap.conn.tapconn import TapConn

    class JudgedTap(TapConn):
        def execute_tapget(self, subcontext, *, verbose=False):
            return _judged_response(
                super().execute_tapget(subcontext, verbose=verbose), subcontext
            )

        def execute_tappost(self, subcontext, data, *more, verbose=False):
            return _judged_response(
                super().execute_tappost(subcontext, data, *more, verbose=verbose), subcontext
            )

    parts = _parsed_address(address)
    secure, opened = parts.scheme == "https", []
    server_context, _, tap_context = parts.path.strip("/").rpartition("/")

    class Connections:
        def get_connection(self, **_):
            make = http.client.HTTPSConnection if secure else http.client.HTTPConnection
            opened.append(make(parts.hostname, parts.port, timeout=deadline.require()))
            return opened[-1]

    return JudgedTap(
        secure,
        parts.hostname,
        server_context=server_context or None,
        tap_context=tap_context,
        connhandler=Connections(),
    ), opened


def _parsed_address(address: str):
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise CatalogueUnreachable(
            f"{address!r} is not an address: https://HOST/PATH is needed. Set STARCAL_GAIA_URL "
            "or STARCAL_VIZIER_SERVER anew, or type: unset STARCAL_GAIA_URL "
            "STARCAL_VIZIER_SERVER"
        )
    return parts


@dataclass(frozen=True)
class _Read:
    """An HTTP response that has been read, in the shape in which the TAP client expects one."""

    status: int
    reason: str
    headers: tuple[tuple[str, str], ...]
    body: bytes

    def getheaders(self):
        return list(self.headers)

    def read(self):
        return self.body


def _judged_response(response: http.client.HTTPResponse, subcontext: str) -> _Read:
    """Read a response whole. A phase is a word, a redirection says nothing, all else must be a
    VOTable."""
    body = response.read()
    headers = {name.lower(): value for name, value in response.getheaders()}
    _require_success(response.status, headers, body)
    if response.status == 200 and not subcontext.endswith("/phase"):
        body = _whole_votable(headers, body)
    elif response.status == 200 and not re.fullmatch(rb"\s*[A-Za-z]{4,12}\s*", body):
        raise _Fault(f"the answer is a page where the phase of a job was due{_excerpt(body)}")
    return _Read(response.status, response.reason, tuple(response.getheaders()), body)


# --- VizieR -----------------------------------------------------------------------------


def _vizier_address() -> str:
    """Address of the server: the client's own, or STARCAL_VIZIER_SERVER, a host or a whole
    address."""
    from astroquery.vizier import conf

    default = conf.server if isinstance(conf.server, str) else conf.server[0]
    server = (os.environ.get("STARCAL_VIZIER_SERVER") or default).rstrip("/")
    return server if "://" in server else f"https://{server}"


def _query_vizier(
    request: FieldRequest, deadline: _Deadline, row_limit: int
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
    except _Overflow:
        raise _cut_off(request, None, None) from None
    finally:
        client._session.close()
    query = (
        f"{table} {magnitude}{filters[magnitude]} "
        f"ra={request.ra_deg:.7f} dec={request.dec_deg:.7f} r={radius_deg}"
    )
    return (tables[0] if len(tables) else Table()), query


def _vizier_client(
    *, columns: list[str], filters: dict[str, str], row_limit: int, deadline: _Deadline
):
    """The client, with every answer read whole and judged before it parses it."""
    from astroquery.vizier import VizierClass

    address = _vizier_address()
    _parsed_address(address)

    class JudgedVizier(VizierClass):
        def _server_to_url(self, return_type="votable"):
            return f"{address}/viz-bin/{return_type}"

        def _request(self, *where, **settings):
            response = super()._request(*where, **settings | {"timeout": deadline.require()})
            headers = {name.lower(): value for name, value in response.headers.items()}
            _require_success(response.status_code, headers, response.content)
            response._content = _whole_votable(headers, response.content)
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
