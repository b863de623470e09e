"""Queries by the Table Access Protocol, through pyvo, over a session that reads answers whole.

A job goes by the standard (UWS 1.1): it is created, started by a POST of PHASE=RUN, waited for,
its result fetched or its error document read, and deleted in the end, whatever happened.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import requests
from astropy.table import Table
from pyvo.dal import DALServiceError
from pyvo.dal.exceptions import DALAccessError
from pyvo.dal.tap import AsyncTAPJob, TAPQuery

from .transport import (
    CLEAN_UP_S,
    Deadline,
    Fault,
    QueryRefused,
    WholeAnswers,
    excerpt,
    fault_of,
    plain_words,
    require_no_entities,
    require_votable,
    session_to,
)

BYTES_OF_ROW = 1000  # twenty numbers of a VOTable in plain text have 600
BYTES_BESIDES = 2_000_000  # of names, units and meanings
FIRST_POLL_S = 0.1  # and longer and longer, up to
LONGEST_POLL_S = 4.0
STARTED = ("PENDING", "QUEUED", "EXECUTING", "SUSPENDED", "HELD", "UNKNOWN")
FORMAT = "votable"  # as every TAP service knows it


def query_table(
    address: str, adql: str, *, deadline: Deadline, most_rows: int, job: bool
) -> Table:
    """Ask a TAP service.

    Parameters
    ----------
    address : str
        Of the service, above `sync` and `async`.
    adql : str
    deadline : Deadline
    most_rows : int
        Sent as MAXREC.
    job : bool
        By a job, which has as much time and as many rows as the service gives; else at once.

    Returns
    -------
    Table

    Raises
    ------
    Overflow
        The service has more rows.
    QueryRefused
        It says that the query, or the job, failed.
    Fault
        Whatever else is no answer.
    """
    most_bytes = BYTES_BESIDES + BYTES_OF_ROW * most_rows
    judge = _judge_of(address, most_rows)
    with session_to(address, deadline, most_bytes, judge) as session:
        try:
            if job:
                return _by_job(address, adql, session, deadline, most_rows)
            return _at_once(address, adql, session, most_rows)
        except DALAccessError as error:  # in which pyvo wraps what the session raised
            raise fault_of(error, deadline.seconds) from error


def _judge_of(address: str, most_rows: int):
    """What each answer of a TAP service must be."""

    def judge(request: requests.PreparedRequest, headers: dict[str, str], body: bytes) -> None:
        resource = (request.url or "").removeprefix(address).partition("?")[0].strip("/")
        if request.method == "DELETE" or resource.endswith("/error"):
            return
        if resource == "sync" or "/results" in resource:
            require_votable(headers, body, most_rows)
        elif (
            b"job" not in body[:2000]
            or b"<" not in body[:200]
            or b"<html" in body[:500].lower()
        ):
            raise Fault(f"the answer is a page where a job was due{excerpt(body)}")
        require_no_entities(body)

    return judge


def _at_once(address: str, adql: str, session: requests.Session, most_rows: int) -> Table:
    query = TAPQuery(address, adql, maxrec=most_rows, session=session, format=FORMAT)
    return query.execute().to_table()


def _by_job(
    address: str, adql: str, session: requests.Session, deadline: Deadline, most_rows: int
) -> Table:
    created = AsyncTAPJob.create(
        address, adql, maxrec=most_rows, session=session, format=FORMAT
    )
    with _deleted_after(created, session):
        created.run()
        phase = _last_phase_of(created, deadline)
        if phase != "COMPLETED":
            raise QueryRefused(f"its job ended as {phase}{_error_of(created, session)}")
        return created.fetch_result().to_table()


@contextmanager
def _deleted_after(job: AsyncTAPJob, session: requests.Session) -> Iterator[None]:
    """Have a job deleted by its service, also when its time is over."""
    try:
        yield
    finally:
        for adapter in session.adapters.values():
            if isinstance(adapter, WholeAnswers):
                adapter.deadline = Deadline(CLEAN_UP_S)
        with suppress(Fault, DALServiceError, requests.RequestException):
            job.delete()


def _last_phase_of(job: AsyncTAPJob, deadline: Deadline) -> str:
    """The phase in which a job ended."""
    pause_s, phase = FIRST_POLL_S, "PENDING"
    while True:
        try:
            phase = str(job.phase).upper()
        except Fault as fault:
            raise _with_phase(fault, phase) from fault
        if phase not in STARTED:
            return phase
        if pause_s >= deadline.left_s:
            raise _with_phase(Fault(f"no whole answer within {deadline.seconds:.3g} s"), phase)
        time.sleep(pause_s)
        pause_s = min(1.5 * pause_s, LONGEST_POLL_S)


def _with_phase(fault: Fault, phase: str) -> Fault:
    """The fault with the last that was known of the job."""
    words = f"{fault}; the job's last phase was {plain_words(phase, 20)}"
    return Fault(words, again=fault.again, after_s=fault.after_s)


def _error_of(job: AsyncTAPJob, session: requests.Session) -> str:
    """What the service says of a job that failed: its error document, else the summary."""
    summary = getattr(job.job.errorsummary, "message", None)
    words = plain_words(str(getattr(summary, "content", "") or ""), 300)
    try:
        document = excerpt(session.get(f"{job.url}/error").content)
    except (Fault, requests.RequestException):
        document = ""
    said = document if len(document) > len(words) else f": {words}"
    return said if said.strip(": ") else ""
