"""The server under the pages: connections that idle, dribble or do not read cost a place, no thread, and have an end.

A thread works on whole requests only; all connections are watched by one loop. Measured against 2,000 idle connections and 100 with
half a header: this holds both, as gunicorn with gevent does; with its plain settings, and gunicorn with threads, nobody else is served.
"""

import select
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from waitress import create_server
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import BaseWSGIServer
from waitress.utilities import RequestEntityTooLarge
from werkzeug.http import parse_cookie

from dashboard.access_tokens import PREFIX
from dashboard.web.way_in import COOKIE

if TYPE_CHECKING:
    from wsgiref.types import WSGIApplication

CONNECTIONS: Final = 3_000
THREADS: Final = 8
HEADERS_S: Final = 20.0  # in which the headers of a request have to be there
BODY_S: Final = 30.0  # and its body, with a second more for each of so many bytes
_SLOWEST_BYTES: Final = 50_000
UNREAD_S: Final = 60.0  # so long an answer may lie there without being read, and a connection without being used
MOST_BYTES: Final = 64 << 20  # of a request by somebody who is signed in
MOST_BYTES_OF_STRANGERS: Final = 64 << 10
MOST_BYTES_OF_PROGRAMS: Final = 4 << 20  # which show a token; whether it is one is looked at before the body is


class _Request(HTTPRequestParser):
    """A request on its way in; a body is bounded before anything of it is read."""

    def __init__(self, adj: Any) -> None:
        super().__init__(adj)
        self.began_s = time.monotonic()
        self.most_bytes = MOST_BYTES_OF_STRANGERS

    def is_late(self) -> bool:
        """Whether it takes longer to come in than anybody needs."""
        allowed = HEADERS_S
        if self.headers_finished:
            allowed = HEADERS_S + BODY_S + min(self.content_length, self.most_bytes) / _SLOWEST_BYTES
        return time.monotonic() - self.began_s > allowed

    def parse_header(self, header_plus: bytes) -> None:
        """Know who sends it, before its body comes."""
        super().parse_header(header_plus)
        if self.adj.is_known(parse_cookie(self.headers.get("COOKIE", "")).get(COOKIE, "")):
            self.most_bytes = MOST_BYTES
        elif self.headers.get("AUTHORIZATION", "").casefold().startswith(f"bearer {PREFIX}_"):
            self.most_bytes = MOST_BYTES_OF_PROGRAMS
        self._bound(self.content_length)

    def received(self, data: bytes) -> int:
        """How many bytes of these were its own; one without a length of its own is bounded as it comes."""
        consumed: int = super().received(data)
        self._bound(self.body_bytes_received)
        return consumed

    def _bound(self, size: int) -> None:
        if size > self.most_bytes:
            self.error = RequestEntityTooLarge(f"a request has at most {self.most_bytes} bytes here")
            self.completed = True


class _Channel(HTTPChannel):
    """A connection with deadlines; the loop asks it at least once a second whether it wants to read."""

    parser_class = _Request

    def readable(self) -> bool:
        """Whether it waits for more; also ends what takes too long."""
        unread = self.total_outbufs_len and time.time() - self.last_activity > UNREAD_S
        if unread or (self.request is not None and self.request.is_late()):
            self.will_close = True
        return bool(super().readable())


def listen(application: "WSGIApplication", host: str, port: int, is_known: Callable[[str], bool]) -> Any:
    """A server that listens; `is_known` says whether a session's cookie is somebody's. Raises OSError or ValueError where it cannot."""
    watched: dict[Any, Any] = {}
    server: Any = create_server(
        application, map=watched, host=host, port=port, threads=THREADS, connection_limit=_connections(), backlog=1_024,
        asyncore_use_poll=hasattr(select, "poll"), channel_timeout=int(UNREAD_S), cleanup_interval=5,
        max_request_body_size=MOST_BYTES, max_request_header_size=32 << 10, clear_untrusted_proxy_headers=False, ident=None,
    )  # fmt: skip
    for one in watched.values():
        if isinstance(one, BaseWSGIServer):
            one.channel_class = _Channel
            one.adj.is_known = is_known
    return server


def _connections() -> int:
    """How many there may be at a time: as many as this process may open, less what it needs itself."""
    try:
        import resource
    except ImportError:  # not on every system
        return 400
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = CONNECTIONS + 500
    if soft != resource.RLIM_INFINITY and soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(hard, wanted)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return CONNECTIONS if soft == resource.RLIM_INFINITY else max(50, min(CONNECTIONS, soft - 200))
