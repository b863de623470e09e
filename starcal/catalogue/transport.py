"""Whole answers of a service within a time, or a fault in words.

What the clients do on their own and must not here: ask their service for news when imported, wait
without end, print, keep failed answers, take an error page for an empty field, stop at a row limit
without a word. So every answer is read whole and judged before a client gets to parse it, and all
of it happens in a thread that is waited for so long and no longer: neither a name server nor a
server that drips byte after byte minds the timeout of a socket.
"""

from __future__ import annotations

import gzip
import http.client
import itertools
import re
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

from ..errors import CatalogueError, CatalogueUnreachable

ATTEMPTS = 3
RETRY_PAUSE_S = 2.0  # before the second attempt, and twice that before the third
BUSY = (429, 500, 502, 503, 504)  # worth another attempt


class Fault(Exception):
    """An answer that is none. `again`: another attempt may help, not before `after_s` seconds."""

    def __init__(self, message: str, *, again: bool = False, after_s: float | None = None):
        super().__init__(message)
        self.again, self.after_s = again, after_s


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
                    f"{deadline.seconds:g} s"
                ) from fault
            time.sleep(wait_s)


def _within_deadline(deadline: Deadline, query: Callable):
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
        raise Fault(f"no whole answer within {deadline.seconds:g} s")
    result, error = outcome[0]
    if error is not None:
        raise (
            error if isinstance(error, Fault | CatalogueError) else _fault_of(error, deadline)
        ) from error
    return result


def _fault_of(error: Exception, deadline: Deadline) -> Fault:
    """What happened, in words, and whether another attempt may help."""
    causes = [
        cause for cause in _causes(error) if not isinstance(cause, gzip.BadGzipFile)
    ]  # the client tries that
    if (
        any(isinstance(cause, TimeoutError) for cause in causes)
        or "timed out" in str(error).lower()
    ):
        return Fault(f"no whole answer within {deadline.seconds:g} s")
    broken = (
        ConnectionResetError,
        ConnectionAbortedError,
        BrokenPipeError,
        http.client.IncompleteRead,
        EOFError,
    )
    if any(isinstance(cause, broken) for cause in causes):
        return Fault(
            f"the answer broke off in the middle ({_error_words(causes[-1])})", again=True
        )
    root = causes[-1] if causes else error
    return Fault(
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
def quiet():
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


def parsed_address(address: str):
    """Parts of an address of a server; an error where it is none."""
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise CatalogueUnreachable(
            f"{address!r} is not an address: https://HOST/PATH is needed. Set STARCAL_GAIA_URL "
            "or STARCAL_VIZIER_SERVER anew, or type: unset STARCAL_GAIA_URL "
            "STARCAL_VIZIER_SERVER"
        )
    return parts


def require_success(status: int, headers: dict[str, str], body: bytes) -> None:
    """Refuse an HTTP status that says something went wrong."""
    if status >= 400:
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


def whole_votable(headers: dict[str, str], body: bytes) -> bytes:
    """The VOTable in a body, unpacked; a fault if it is something else, cut off, or says that the
    query failed."""
    if body[:2] == b"\x1f\x8b":
        try:
            body = gzip.decompress(body)
        except (zlib.error, gzip.BadGzipFile) as error:
            raise Fault(
                f"the answer cannot be unpacked ({_error_words(error)})", again=True
            ) from error
    if not re.search(rb"<(\w+:)?VOTABLE", body[:2000]):
        raise Fault(
            f"the answer is not a VOTable but {headers.get('content-type', 'of no stated type')}"
            f"{excerpt(body)}"
        )
    if not re.search(rb"</(\w+:)?VOTABLE\s*>\s*$", body[-200:]):
        raise Fault("the answer broke off in the middle", again=True)
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
            raise Overflow
        if status == "ERROR" or about in ("error", "errors"):
            said = " ".join(f"{value} {text.decode(errors='replace')}".split())
            raise Fault(f"the service says that the query failed: {said[:200]}")


def excerpt(body: bytes) -> str:
    """The first words of a page, without its tags."""
    text = re.sub(
        r"<(script|style)\b.*?</\1>|<[^>]*>",
        " ",
        body[:4000].decode(errors="replace"),
        flags=re.S | re.I,
    )
    words = " ".join(text.split())[:100]
    return f": {words}" if words else ""
