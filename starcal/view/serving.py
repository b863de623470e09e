"""The page served to this machine alone: on the loopback address, behind a token, nothing fetched
from elsewhere."""

import gc
import hmac
import logging
import secrets
import signal
import socket
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from threading import current_thread, main_thread

from bokeh.application import Application
from bokeh.application.handlers.function import FunctionHandler
from bokeh.document import Document
from bokeh.server.server import BaseServer
from bokeh.server.tornado import BokehTornado
from bokeh.settings import settings as bokeh_settings
from tornado.escape import url_unescape
from tornado.httpserver import HTTPServer
from tornado.ioloop import IOLoop
from tornado.web import OutputTransform, RequestHandler, stream_request_body

from ..errors import PageError, StarcalError
from .desk import Desk
from .start_page import StartPage
from .tabs import SharedChoices
from .waiting_page import WaitingPage

LOOPBACK = "127.0.0.1"
TOKEN_BYTES = 24
LARGEST_MESSAGE_BYTES = (
    2**21
)  # from the page: choices, places of stars; the longest is a selection
LARGEST_BODY_BYTES = 2**16  # of a request: the page sends none, but a file that is dropped
LARGEST_FILE_BYTES = 2**33
SAID_WITHIN_S = 1.5  # pages that wait have looked and been told by then
# Sent with every answer, for the browser to keep to (W3C, Content Security Policy 3; RFC 7034)
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; script-src 'self' 'unsafe-inline'; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "connect-src 'self' ws://127.0.0.1:* ws://localhost:*; object-src 'none'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Frame-Options": "DENY",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Guarding(OutputTransform):
    """Adds `HEADERS` to every answer."""

    def transform_first_chunk(self, status_code, headers, chunk, finishing):
        """Before the first bytes are sent."""
        headers.update(HEADERS)
        return status_code, headers, chunk


class WithoutToken(logging.Formatter):
    """Log lines in which the token is not to be read."""

    def __init__(self, token: str):
        super().__init__("%(levelname)s %(message)s")
        self.token = token

    def format(self, record: logging.LogRecord) -> str:
        """As ever, the token left out."""
        return super().format(record).replace(self.token, "TOKEN")


class Refused(RequestHandler):
    """The answer to whoever has not got the token."""

    def prepare(self) -> None:
        """Whatever the method."""
        self.set_status(403)
        self.finish("403: open the address that `starcal view` printed\n")


@stream_request_body
class Dropped(RequestHandler):
    """Takes a file that was dropped on the page, piece by piece, and answers with its path."""

    def initialize(self, desk: Desk) -> None:
        """Whose inbox it goes to."""
        self.desk = desk
        self.refused = ""
        self.file = None

    def prepare(self) -> None:
        """Open a file of its name, before the first piece."""
        self.request.connection.set_max_body_size(LARGEST_FILE_BYTES)
        try:
            self.file = self.desk.inbox.open(
                url_unescape(self.request.headers.get("X-File-Name", ""), plus=False)
            )
        except StarcalError as error:
            self.refused = str(error)

    def data_received(self, chunk: bytes) -> None:
        """Keep a piece; of a file that was refused none."""
        if self.file is not None:
            self.file.add(chunk)

    def post(self) -> None:
        """All has come."""
        if self.file is None:
            self.set_status(400)
            self.finish(self.refused)
            return
        self.file.close()
        self.finish(str(self.file.path))

    def on_connection_close(self) -> None:
        """The page was left before all had come."""
        if self.file is not None:
            self.file.close()


class Guarded(BokehTornado):
    """The server's application: it answers only under the token, to this machine's own names, to
    its own page."""

    def __init__(self, applications, token: str, port: int, desk: Desk):
        self.token, self.hosts = token, {f"{name}:{port}" for name in (LOOPBACK, "localhost")}
        super().__init__(
            applications,
            prefix=token,
            extra_websocket_origins=sorted(self.hosts),
            log_function=lambda handler: None,
            websocket_max_message_size_bytes=LARGEST_MESSAGE_BYTES,
            transforms=[Guarding],
            extra_patterns=[("/drop", Dropped, {"desk": desk})],
        )

    def find_handler(self, request, **kwargs):
        """Refuse before anything of the request is looked at; see `admits`."""
        if not self.admits(request):
            return self.get_handler_delegate(request, Refused)
        return super().find_handler(request, **kwargs)

    def admits(self, request) -> bool:
        """Whether a request has the token, was sent to this server by its own name, and by no other
        page.

        Another page in the browser can send requests here, and by a name of its own that it lets
        point to this machine even read the answers: so the names are looked at, besides the token.
        """
        origin = request.headers.get("Origin")
        own = origin is None or origin in {f"http://{host}" for host in self.hosts}
        given = request.path.lstrip("/").split("/", 1)[0]
        return (
            own
            and request.host in self.hosts
            and hmac.compare_digest(given.encode(), self.token.encode())
        )


def claim(port: int = 0) -> socket.socket:
    """Listen on a port of this machine, 0 for a free one: before the work, so that none is done in
    vain.

    Parameters
    ----------
    port : int
        0 for any that is free.

    Returns
    -------
    socket
        Listening on the loopback address.

    Raises
    ------
    PageError
        The port is taken.
    """
    try:
        listener = socket.create_server((LOOPBACK, port))
    except OSError as error:
        raise PageError(
            f"port {port} cannot be had ({error.strerror}): give another with --port, or none"
        ) from error
    # Its connections have it from it. Else a short message waits till the one before it has been
    # acknowledged, 40 ms.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listener


def serve(
    listener: socket.socket,
    desk: Desk,
    *,
    browser: bool = True,
    announce: Callable[[str], None] = lambda address: None,
) -> None:
    """Serve the page until interrupted.

    Parameters
    ----------
    listener : socket
        Of `claim`.
    desk : Desk
        What is shown.
    browser : bool
        Whether to open the page.
    announce : callable
        Is given the address.

    Raises
    ------
    FrameError
        The job that the page waits for cannot be made; what else `job.open_job` raises.
    """
    server, address = started_server(listener, desk)
    if desk.waiting is not None:
        _await_job(desk, server.io_loop)
    announce(address)
    if browser:
        webbrowser.open(address)
    try:
        with _ended_by_interrupt(server.io_loop):
            server.io_loop.start()
    except KeyboardInterrupt:
        pass  # the second: what the page works at is left
    finally:
        server.stop()
        desk.inbox.close()
    if desk.waiting is not None and desk.waiting.error is not None:
        raise desk.waiting.error


def _await_job(desk: Desk, loop: IOLoop) -> None:
    """Let the desk have its job when it is made; end the loop where it cannot be, once the page has
    said so."""
    waiting = desk.waiting

    def ended() -> None:
        desk.job = waiting.job
        _keep_for_good()
        if waiting.error is not None:
            loop.call_later(SAID_WITHIN_S, loop.stop)

    def soon() -> None:
        with suppress(RuntimeError):  # the loop has ended, and the work after it
            loop.add_callback(ended)

    waiting.then(soon)


def _keep_for_good() -> None:
    """Have nobody look any more for what of all there is now may be forgotten: it took a quarter of
    a second, now and then, before an answer."""
    gc.collect()
    gc.freeze()


@contextmanager
def _ended_by_interrupt(loop: IOLoop) -> Iterator[None]:
    """Let an interrupt end a loop between two of its steps.

    Raised in the middle of one it may be lost: what Python runs when an object dies swallows it.
    A second one is raised, for a step that takes long.
    """
    usual = signal.getsignal(signal.SIGINT)
    if usual != signal.default_int_handler or current_thread() is not main_thread():
        yield  # not asked to listen, or not allowed to
        return

    def end(*_):
        signal.signal(signal.SIGINT, usual)
        loop.asyncio_loop.call_soon_threadsafe(loop.stop)

    signal.signal(signal.SIGINT, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual)


def keep_from_logs(token: str) -> None:
    """Let what serves the page log faults alone, on stderr, and never the token.

    Parameters
    ----------
    token : str
    """
    handler = logging.StreamHandler()
    handler.setFormatter(WithoutToken(token))
    for name in ("bokeh", "tornado"):
        logger = logging.getLogger(name)
        logger.setLevel(logging.ERROR)
        logger.propagate = False
        logger.handlers = [handler]


def started_server(listener: socket.socket, desk: Desk) -> tuple[BaseServer, str]:
    """Start to serve on the loop of this thread.

    Parameters
    ----------
    listener : socket
        Of `claim`.
    desk : Desk
        What is shown.

    Returns
    -------
    server : BaseServer
    address : str
        Of its page.
    """
    listener.setblocking(False)
    bokeh_settings.resources.set_value(
        "server"
    )  # whatever the environment says: scripts come from here
    token = secrets.token_urlsafe(TOKEN_BYTES)
    port = listener.getsockname()[1]
    keep_from_logs(token)
    pages = Application(FunctionHandler(partial(_open_page, desk)))
    application = Guarded({"/": pages}, token, port, desk)
    http = HTTPServer(application, max_body_size=LARGEST_BODY_BYTES)
    http.add_sockets([listener])
    server = BaseServer(IOLoop.current(), application, http)
    server.start()
    return server, f"http://{LOOPBACK}:{port}/{token}/"


def _open_page(desk: Desk, document: Document) -> None:
    """Fill a new session's document with what there is to show."""
    if desk.job is None and desk.waiting is None:
        StartPage(document, desk)
        return
    if desk.choices is None:
        desk.choices = SharedChoices(desk.history)  # a page that is loaded again finds them
    choices = desk.choices
    kept = {"out": desk.out, "overwrite": desk.overwrite, "keep": choices.keep}
    if desk.job is None:
        work, here = desk.waiting, desk.chosen_here
        page = WaitingPage(document, work, choices.now, keep=choices.keep, chosen_here=here)
        choices.join(page)
        return
    from .whole_page import whole_page  # whoever made its job has imported it

    choices.join(whole_page(document, desk.job, choices.now, run_anew=desk.save, **kept))
