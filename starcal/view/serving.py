"""The page served to this machine alone: on the loopback address, behind a token, nothing fetched
from elsewhere."""

import hmac
import logging
import secrets
import socket
import webbrowser
from collections.abc import Callable

from bokeh.application import Application
from bokeh.application.handlers.function import FunctionHandler
from bokeh.server.server import BaseServer
from bokeh.server.tornado import BokehTornado
from bokeh.settings import settings as bokeh_settings
from tornado.httpserver import HTTPServer
from tornado.ioloop import IOLoop
from tornado.web import OutputTransform, RequestHandler

from ..errors import PageError
from .history import History
from .job import Job
from .join_page import JoinPage
from .joining import JoinJob
from .page import Page
from .tabs import SharedChoices

LOOPBACK = "127.0.0.1"
TOKEN_BYTES = 24
LARGEST_MESSAGE_BYTES = (
    2**21
)  # from the page: choices, places of stars; the longest is a selection
LARGEST_BODY_BYTES = 2**16  # of a request: the page sends none
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


class Guarded(BokehTornado):
    """The server's application: it answers only under the token, to this machine's own names, to
    its own page."""

    def __init__(self, applications, token: str, port: int):
        self.token, self.hosts = token, {f"{name}:{port}" for name in (LOOPBACK, "localhost")}
        super().__init__(
            applications,
            prefix=token,
            extra_websocket_origins=sorted(self.hosts),
            log_function=lambda handler: None,
            websocket_max_message_size_bytes=LARGEST_MESSAGE_BYTES,
            transforms=[Guarding],
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
        return socket.create_server((LOOPBACK, port))
    except OSError as error:
        raise PageError(
            f"port {port} cannot be had ({error.strerror}): give another with --port, or none"
        ) from error


def serve(
    listener: socket.socket,
    job: Job,
    history: History,
    *,
    out: str | None = None,
    overwrite: bool = False,
    browser: bool = True,
    announce: Callable[[str], None] = lambda address: None,
) -> None:
    """Serve the page until interrupted.

    Parameters
    ----------
    listener : socket
        Of `claim`.
    job : Job
    history : History
        What has been chosen so far.
    out : str, optional
        Where files go, at first.
    overwrite : bool
        Whether they may replace others, at first.
    browser : bool
        Whether to open the page.
    announce : callable
        Is given the address.
    """
    server, address = _started_server(listener, job, history, out, overwrite)
    announce(address)
    if browser:
        webbrowser.open(address)
    try:
        server.io_loop.start()
    except KeyboardInterrupt:
        pass  # the way to end it
    finally:
        server.stop()


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


def _started_server(
    listener, job: Job, history: History, out, overwrite
) -> tuple[BaseServer, str]:
    """The server, and the address of its page."""
    listener.setblocking(False)
    bokeh_settings.resources.set_value(
        "server"
    )  # whatever the environment says: scripts come from here
    token = secrets.token_urlsafe(TOKEN_BYTES)
    port = listener.getsockname()[1]
    keep_from_logs(token)
    choices = SharedChoices(history)  # a page that is loaded again finds them

    page = JoinPage if isinstance(job, JoinJob) else Page

    def open_page(document):
        choices.join(
            page(document, job, choices.now, out=out, overwrite=overwrite, keep=choices.keep)
        )

    application = Guarded({"/": Application(FunctionHandler(open_page))}, token, port)
    http = HTTPServer(application, max_body_size=LARGEST_BODY_BYTES)
    http.add_sockets([listener])
    server = BaseServer(IOLoop.current(), application, http)
    server.start()
    return server, f"http://{LOOPBACK}:{port}/{token}/"
