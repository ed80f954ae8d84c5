"""Figures of an ingester at work, for Prometheus, and whether it is healthy: `/metrics` and `/health`."""

import json
import threading
import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, Final

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, make_wsgi_app
from waitress import create_server

from ingest.errors import Problem
from ingest.recorder import Tally

if TYPE_CHECKING:
    from wsgiref.types import WSGIApplication

# Messages wait, but nothing was committed for so long: something is wrong.
STALE_S: Final = 60.0


class Metrics:
    """What an ingester did since it started."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        make: dict[str, Any] = {"registry": self.registry}
        self._messages = Counter("tallow_messages", "Messages by kind and result", ["kind", "result"], **make)
        self._batch = Histogram(
            "tallow_batch_messages", "Messages in a batch", buckets=(1, 3, 10, 30, 100, 300, 1000, 3000), **make
        )
        self._commit = Histogram(
            "tallow_commit_seconds",
            "Time to commit a batch",
            buckets=(0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1, 3, 10),
            **make,
        )
        self._reconnects = Counter("tallow_reconnects", "Times the connection to the broker ended", **make)
        self._taken_over = Counter(
            "tallow_sessions_taken_over", "Times another client of this name took the session", **make
        )
        self._database_away = Gauge("tallow_database_away", "1 while the database is away", **make)
        self._listening = Gauge("tallow_listening", "1 while subscribed at the broker", **make)
        self.waiting: Callable[[], int] = lambda: 0
        self.others: Callable[[], dict[str, int]] = dict
        Gauge("tallow_backlog_messages", "Messages received and not committed", **make).set_function(
            lambda: self.waiting()
        )
        age = Gauge(
            "tallow_last_message_age_seconds", "Seconds since a message was committed; -1 before the first", **make
        )
        age.set_function(lambda: -1.0 if self._committed is None else time.monotonic() - self._committed)
        self._recorders = Gauge(
            "tallow_recorder_age_seconds",
            "Seconds since each recorder of this database committed; one of a shared subscription that stopped leaves"
            " its share waiting at the broker until it comes back under its own name",
            ["recorder"],
            **make,
        )
        self._committed: float | None = None
        self._moved = time.monotonic()  # when something was committed or nothing waited

    def recorded(self, tally: Tally, size: int, seconds: float) -> None:
        """A batch was committed."""
        for kind, number in tally.recorded.items():
            self._messages.labels(kind, "recorded").inc(number)
        for result, number in (("duplicate", tally.duplicates), ("rejected", tally.rejected), ("will", tally.wills)):
            if number:
                self._messages.labels("any", result).inc(number)
        self._batch.observe(size)
        self._commit.observe(seconds)
        self._committed = self._moved = time.monotonic()

    def listening(self, *, yes: bool) -> None:
        """The subscription began or ended."""
        if not yes:
            self._reconnects.inc()
        self._listening.set(yes)

    def taken_over(self) -> None:
        """Another client took the session."""
        self._taken_over.inc()

    def database_away(self, *, yes: bool) -> None:
        """The database went or came back."""
        self._database_away.set(yes)

    def health(self) -> tuple[str, str]:
        """(state, why): ok, waiting (for broker or database), or stale."""
        if not self.waiting():
            self._moved = time.monotonic()
        if self._database_away._value.get():
            return "waiting", "the database is away"
        if not self._listening._value.get():
            return "waiting", "the broker is away"
        if time.monotonic() - self._moved > STALE_S:
            return "stale", f"messages wait, and nothing was committed for {time.monotonic() - self._moved:.0f} s"
        return "ok", ""

    def application(self) -> "WSGIApplication":
        """The application that answers /metrics and /health."""

        def prepare() -> None:
            now = time.time()
            for name, last_us in self.others().items():
                self._recorders.labels(name).set(now - last_us / 1e6)

        return application(self.registry, self.health, prepare)


def application(
    registry: CollectorRegistry, health: Callable[[], tuple[str, str]], prepare: Callable[[], None] = lambda: None
) -> "WSGIApplication":
    """The WSGI application that answers /metrics, and /health with (state, why); `prepare` runs before figures are read."""
    figures = make_wsgi_app(registry)

    def answer(environment: Any, start: Any) -> Iterable[bytes]:
        path = environment.get("PATH_INFO", "")
        if path == "/metrics":
            prepare()
            found: Iterable[bytes] = figures(environment, start)
            return found
        if path == "/health":
            state, why = health()
            start("200 OK" if state == "ok" else "503 Service Unavailable", [("Content-Type", "application/json")])
            return [json.dumps({"state": state, "why": why}).encode() + b"\n"]
        start("404 Not Found", [("Content-Type", "text/plain")])
        return [b"There are /metrics and /health.\n"]

    return answer


def serve(answers: "WSGIApplication", host: str, port: int) -> Callable[[], None]:
    """Answer in the background until the returned function is called. Raises Problem where the port cannot be had."""
    try:
        server: Any = create_server(answers, host=host, port=port, threads=2)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise Problem(
            f"metrics cannot listen on {host}:{port}: {reason}; name another port with --metrics-port"
        ) from None
    thread = threading.Thread(target=server.run, daemon=True, name="metrics")
    thread.start()
    return lambda: server.close()
