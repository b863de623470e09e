"""Whole answers of a service within a time, or a fault in words.

What clients do on their own and must not here: wait without end, follow a redirection to another
host, take an error page for an empty field, unpack a small answer into all of the memory. So every
answer is read whole, within limits on bytes, and judged before a client gets to parse it; and all
of it happens in a thread that is waited for so long and no longer: a name server does not mind the
timeout of a socket.
"""

from __future__ import annotations

import html
import http.client
import io
import itertools
import re
import socket
import threading
import time
import warnings
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urlsplit

import requests
import urllib3
from requests.adapters import HTTPAdapter

from ..errors import CatalogueError

ATTEMPTS = 3
RETRY_PAUSE_S = 2.0  # before the second attempt, and twice that before the third
BUSY = (429, 500, 502, 503, 504)  # worth another attempt
CLEAN_UP_S = 2.0  # beyond a timeout, to have a job deleted that was given up
CONNECT_S = 10.0  # a host that is up answers a connection within a second or two
CHUNK_BYTES = 65536
GZIP_MARK = b"\x1f\x8b"
LONGEST_CELL = 300  # of a column of text; all that is asked for are numbers


class Fault(Exception):
    """An answer that is none. `again`: another attempt may help, not before `after_s` seconds."""

    def __init__(self, message: str, *, again: bool = False, after_s: float | None = None):
        super().__init__(message)
        self.again, self.after_s = again, after_s


class QueryRefused(Fault):
    """The service understood and would not: an unknown table or column, a query it cannot read, a
    job that failed."""


class Overflow(Fault):
    """The service cut its answer off and said so."""

    def __init__(self):
        super().__init__("the service cut the answer off")


@dataclass(frozen=True)
class Deadline:
    """So many seconds from now on, for everything together."""

    seconds: float
    start: float = field(default_factory=time.monotonic)

    @property
    def left_s(self) -> float:
        """What is left of them; below 0 when they are over."""
        return self.seconds - (time.monotonic() - self.start)

    def for_first_of(self, services: int) -> Deadline:
        """For the first of some services: half of what is left, all of it for the last one. One
        that is down fails at once; one that is slow should not be left in a hurry."""
        return self if services == 1 else Deadline(max(self.left_s, 0.0) / 2)

    def require(self) -> float:
        """Seconds left, for a socket."""
        if self.left_s <= 0:
            raise TimeoutError("timed out")
        return self.left_s


# --- attempts and time ------------------------------------------------------------------


def persistently(query: Callable, deadline: Deadline):
    """Query; again after faults that pass, while there is time."""
    for attempt in itertools.count(1):
        try:
            return _within_deadline(deadline, query)
        except Fault as fault:
            wait_s = max(RETRY_PAUSE_S * 2 ** (attempt - 1), fault.after_s or 0.0)
            if not fault.again or attempt == ATTEMPTS:
                raise
            if wait_s >= deadline.left_s:
                raise Fault(
                    f"{fault}; another attempt in {wait_s:.0f} s would be past the timeout of "
                    f"{deadline.seconds:.3g} s"
                ) from fault
            time.sleep(wait_s)


def _within_deadline(deadline: Deadline, query: Callable):
    """Run in a thread, waited for until the deadline and a little longer, in which it cleans up. A
    thread left behind keeps nothing and ends with the process."""
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
    thread.join(max(deadline.left_s, 0.0) + CLEAN_UP_S)
    if not outcome:
        raise Fault(f"no whole answer within {deadline.seconds:.3g} s")
    result, error = outcome[0]
    if error is not None:
        known = isinstance(error, Fault | CatalogueError)
        raise error if known else fault_of(error, deadline.seconds) from error
    return result


def fault_of(error: BaseException, seconds: float) -> Fault:
    """What happened, in words, and whether another attempt may help."""
    causes = list(_causes(error))
    for cause in causes:
        if isinstance(cause, Fault):
            return cause
    if any(map(_is_timeout, causes)):
        return Fault(f"no whole answer within {seconds:.3g} s")
    broken = (
        ConnectionResetError,
        ConnectionAbortedError,
        BrokenPipeError,
        http.client.IncompleteRead,
        http.client.RemoteDisconnected,
        EOFError,
    )
    if any(isinstance(cause, broken) for cause in causes):
        return Fault(f"the answer broke off in the middle ({_root_words(causes)})", again=True)
    network = any(isinstance(cause, OSError) for cause in causes)
    words = _root_words(causes)
    return Fault(words if network else f"the answer cannot be read ({words})")


def _is_timeout(error: BaseException) -> bool:
    """urllib3 counts a connection that was refused among the timeouts."""
    if isinstance(error, urllib3.exceptions.NewConnectionError):
        return False
    return isinstance(error, TimeoutError | urllib3.exceptions.TimeoutError)


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    """The error, what caused it, and so on down to the root."""
    seen: list[BaseException] = []
    while error is not None and not any(error is other for other in seen):
        seen.append(error)
        yield error
        inner = [value for value in error.args if isinstance(value, BaseException)]
        reason = getattr(error, "reason", None)
        if isinstance(reason, BaseException):
            inner.append(reason)
        error = error.__cause__ or error.__context__ or next(iter(inner), None)


def _root_words(causes: list[BaseException]) -> str:
    root = causes[-1]
    if isinstance(root, socket.gaierror):
        return f"its name is not known here; is there a network? ({root.strerror or root})"
    return plain_words(f"{type(root).__name__}: {root}", 200)


@contextmanager
def quiet():
    """Keep the clients from talking: warnings of VOTables that are not quite standard."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


# --- a session that reads answers whole -------------------------------------------------


class WholeAnswers(HTTPAdapter):
    """Requests to one host, each answer read whole and within bounds.

    Attributes
    ----------
    deadline : Deadline
        For every request from now on.
    """

    def __init__(self, address: str, deadline: Deadline, most_bytes: int, judge: Callable):
        super().__init__()
        self.address, self.deadline = address, deadline
        self.most_bytes, self.judge = most_bytes, judge

    def send(  # the shape that requests gives it; here every answer is streamed, in our own time
        self, request, stream=False, timeout=None, verify=True, cert=None, proxies=None
    ):
        """Send a request, one hop of it, and judge what comes."""
        require_same_host(request.url, self.address)
        try:
            left_s = self.deadline.require()
            timeout = (min(left_s, CONNECT_S), left_s)
            response = super().send(request, True, timeout, verify, cert, proxies)
            packed = _read_within(response.raw, self.most_bytes, self.deadline)
        except (requests.RequestException, urllib3.exceptions.HTTPError, OSError) as error:
            raise fault_of(error, self.deadline.seconds) from error
        body = unpacked(packed, self.most_bytes)
        headers = {name.lower(): value for name, value in response.headers.items()}
        require_success(response.status_code, headers, body)
        if response.status_code < 300:
            self.judge(request, headers, body)
        return _with_body(response, body)


def session_to(
    address: str, deadline: Deadline, most_bytes: int, judge: Callable
) -> requests.Session:
    """A session whose answers all come from one host, whole and judged.

    Parameters
    ----------
    address : str
    deadline : Deadline
    most_bytes : int
        Of any answer, packed or unpacked.
    judge : callable
        Of request, headers and body; raises a `Fault` for what is no answer.
    """
    session = requests.Session()
    session.headers["User-Agent"] = "starcal"
    session.headers["Accept-Encoding"] = "gzip"
    answers = WholeAnswers(address, deadline, most_bytes, judge)
    session.mount("http://", answers)
    session.mount("https://", answers)
    return session


def require_same_host(url: str, address: str) -> None:
    """Refuse a request that a server sent on to another host, or from https to http."""
    there, here = urlsplit(url), urlsplit(address)
    if there.hostname != here.hostname or (here.scheme, there.scheme) == ("https", "http"):
        place = plain_words(f"{there.scheme}://{there.hostname}", 80)
        raise Fault(f"it sends on to another place, {place}, which is not followed")


def _read_within(raw, most_bytes: int, deadline: Deadline) -> bytes:
    """The bytes of an answer as they came, still packed."""
    parts, size = [], 0
    while part := raw.read1(CHUNK_BYTES, decode_content=False):
        deadline.require()  # a server that drips never lets a wait be long
        size += len(part)
        if size > most_bytes:
            raise _too_large("has", most_bytes)
        parts.append(part)
    return b"".join(parts)


def _too_large(verb: str, most_bytes: int) -> Fault:
    return Fault(f"the answer {verb} more than {most_bytes / 1e6:.0f} MB, which is too much")


def unpacked(body: bytes, most_bytes: int) -> bytes:
    """A body without its gzip, of which it may have more than one piece.

    Parameters
    ----------
    body : bytes
    most_bytes : int
        It may come to no more.

    Returns
    -------
    bytes

    Raises
    ------
    Fault
        It is larger, or cannot be unpacked.
    """
    plain = b""
    while body[:2] == GZIP_MARK:
        stream = zlib.decompressobj(wbits=zlib.MAX_WBITS | 16)
        try:
            plain += stream.decompress(body, most_bytes + 1 - len(plain))
        except zlib.error as error:
            raise Fault(f"the answer cannot be unpacked ({error})", again=True) from error
        if len(plain) > most_bytes:
            raise _too_large("unpacks to", most_bytes)
        if not stream.eof:
            raise Fault("the answer broke off in the middle", again=True)
        body = stream.unused_data
    return plain or body


def _with_body(response: requests.Response, body: bytes) -> requests.Response:
    """The response as its client expects one, with the body that was read."""
    response.close()
    for name in ("Content-Encoding", "Content-Length", "Transfer-Encoding"):
        response.headers.pop(name, None)  # no longer what is in it
    response.raw = urllib3.HTTPResponse(
        body=io.BytesIO(body), status=response.status_code, preload_content=False
    )
    response._content, response._content_consumed = body, True
    return response


# --- judging an answer ------------------------------------------------------------------


def require_success(status: int, headers: dict[str, str], body: bytes) -> None:
    """Refuse an HTTP status that says something went wrong."""
    if status >= 400:
        if re.search(rb"<(\w+:)?VOTABLE", body[:2000]):
            _require_query_done(body)  # which says why, as TAP 1.1 has it
        raise Fault(
            f"HTTP status {status}{excerpt(body)}",
            again=status in BUSY,
            after_s=retry_after_s(headers.get("retry-after")),
        )


def retry_after_s(value: str | None) -> float | None:
    """Seconds to wait: the header holds a number of them, or a date (RFC 9110, section 10.2.3)."""
    if value is None:
        return None
    with suppress(ValueError):
        return max(float(value), 0.0)
    with suppress(ValueError, TypeError):
        return max(parsedate_to_datetime(value).timestamp() - time.time(), 0.0)
    return None


def require_votable(headers: dict[str, str], body: bytes, most_rows: int) -> None:
    """Refuse a body that is no VOTable, is cut off, says that the query failed, or is made to take
    more memory than its bytes."""
    if not re.search(rb"<(\w+:)?VOTABLE", body[:2000]):
        raise Fault(
            f"the answer is not a VOTable but {headers.get('content-type', 'of no stated type')}"
            f"{excerpt(body)}"
        )
    if not re.search(rb"</(\w+:)?VOTABLE\s*>\s*$", body[-200:]):
        raise Fault("the answer broke off in the middle", again=True)
    require_no_entities(body)
    _require_query_done(body)
    _require_plain_columns(body, most_rows)


def require_no_entities(body: bytes) -> None:
    """Refuse XML that defines entities: a few lines of them expand without end."""
    if b"<!ENTITY" in body:
        raise Fault("the answer defines entities, which no answer of a catalogue needs")


def _require_plain_columns(votable: bytes, most_rows: int) -> None:
    """Refuse what makes a parser set memory aside that the bytes do not fill."""
    longest = [int(size) for size in re.findall(rb'arraysize\s*=\s*["\'](\d+)', votable)]
    rows = [int(count) for count in re.findall(rb'nrows\s*=\s*["\'](\d+)', votable)]
    rows.append(votable.count(b"<TR"))
    if max(longest, default=0) > LONGEST_CELL or max(rows) > 2 * most_rows:
        raise Fault("the answer claims more rows or longer cells than were asked for")


def _require_query_done(votable: bytes) -> None:
    """Read the INFO elements, in which a service says that a query failed or was cut off (DALI 1.1,
    section 4.4)."""
    for tag, text in re.findall(rb"<(?:\w+:)?INFO\b([^>]*?)/?>([^<]*)", votable):
        pairs = re.findall(r"""(\w+)\s*=\s*["']([^"']*)["']""", tag.decode(errors="replace"))
        facts = {name.lower(): value for name, value in pairs}
        value = facts.get("value", "")
        about = (facts.get("name") or facts.get("id", "")).lower()
        status = value.upper() if about == "query_status" else ""
        if status == "OVERFLOW":
            raise Overflow
        if status == "ERROR" or about in ("error", "errors"):
            said = plain_words(f"{value} {html.unescape(text.decode(errors='replace'))}", 300)
            raise QueryRefused(f"the service says that the query failed: {said}")


def excerpt(body: bytes) -> str:
    """The first words of a page, without its tags."""
    text = re.sub(
        r"<(script|style)\b.*?</\1>|<[^>]*>",
        " ",
        body[:4000].decode(errors="replace"),
        flags=re.S | re.I,
    )
    words = plain_words(html.unescape(text), 200)
    return f": {words}" if words else ""


def plain_words(text: str, most: int) -> str:
    """A server's words in one line, without characters that steer a terminal."""
    shown = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(shown.split())[:most]
