"""Gaia by the Table Access Protocol: the question, and a connection that is bounded in time."""

from __future__ import annotations

import http.client
import inspect
import io
import os
import re
from contextlib import redirect_stdout
from dataclasses import dataclass

from astropy.table import Table

from .columns import wanted_columns
from .request import FETCH_MARGIN_DEG, PROBE, FieldRequest
from .transport import (
    Deadline,
    Fault,
    excerpt,
    parsed_address,
    require_success,
    whole_votable,
)


def gaia_class():
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


def gaia_address() -> str:
    """Address of the TAP service, above `sync` and `async`: the client's own, or
    STARCAL_GAIA_URL."""
    settings = inspect.signature(gaia_class().__init__).parameters
    server = settings["gaia_tap_server"].default.rstrip("/")
    default = f"{server}/{settings['tap_server_context'].default}/tap"
    return (os.environ.get("STARCAL_GAIA_URL") or default).rstrip("/")


def query_gaia(request: FieldRequest, deadline: Deadline, row_limit: int) -> tuple[Table, str]:
    """Rows of Gaia DR3, by a job of its own: the quick way of asking gives no more than 2000
    rows."""
    query = _adql(request, row_limit)
    connection, opened = _tap_connection(gaia_address(), deadline)
    client = gaia_class()(tap_plus_conn_handler=connection, show_server_messages=False)
    try:
        quick = (request.ra_deg, request.dec_deg, request.radius_deg) == PROBE[:3]
        job = (client.launch_job if quick else client.launch_job_async)(query)
        return job.get_results(), query
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


def _tap_connection(address: str, deadline: Deadline):
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

    parts = parsed_address(address)
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
    require_success(response.status, headers, body)
    if response.status == 200 and not subcontext.endswith("/phase"):
        body = whole_votable(headers, body)
    elif response.status == 200 and not re.fullmatch(rb"\s*[A-Za-z]{4,12}\s*", body):
        raise Fault(f"the answer is a page where the phase of a job was due{excerpt(body)}")
    return _Read(response.status, response.reason, tuple(response.getheaders()), body)
