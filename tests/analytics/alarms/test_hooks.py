"""Signed web hooks: taken in by an independent receiver of the specification, and by nobody who does not know the secret."""

import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import urlsplit

import pytest
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from analytics.alarms import hooks, routes
from analytics.alarms.routes import Route
from analytics.alarms.transports import Message, Undelivered, sender
from ingest.errors import Problem


class Receiver:
    """A real HTTP server that keeps what it is sent; answers what it is told to."""

    def __init__(self) -> None:
        self.got: list[tuple[str, dict[str, str], bytes]] = []
        self.status = 204
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                outer.got.append((self.path, {k.casefold(): v for k, v in self.headers.items()}, body))
                self.send_response(outer.status)
                self.send_header("Location", "/elsewhere")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"signed+http://127.0.0.1:{self.server.server_port}/alarms?of=yard"


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """A receiver."""
    made = Receiver()
    thread = threading.Thread(target=made.server.serve_forever)
    thread.start()
    yield made
    made.server.shutdown()
    thread.join()
    made.server.server_close()


def message(address: str) -> Message:
    """A message by a route to an address."""
    route = Route(1, address, None, "plan", (), 0, at_any_hour=False)
    return Message(
        1,
        "alarm-7-2",
        route,
        "title",
        "body",
        {"fleet": "f", "vehicle": "v", "event": "occur", "summary": "kingpin, né"},
    )


def test_a_receiver_that_knows_the_secret_takes_it_in(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the specification's own library; once more tried it has the same name, so that it counts once; what was changed is refused."""
    monkeypatch.setenv("TALLOW_ALERT_LOCAL", "yes")
    address, secret = hooks.with_secret(receiver.address)
    for _ in range(2):
        sender(30)(message(address))
    (path, headers, body), (_, again, _) = receiver.got
    assert path == "/alarms?of=yard"
    assert Webhook(secret).verify(body, headers)["summary"] == "kingpin, né"
    assert headers["webhook-id"] == again["webhook-id"] == "alarm-7-2"
    assert "authorization" not in headers
    for changed in ({"webhook-id": "other"}, {"webhook-timestamp": str(int(headers["webhook-timestamp"]) + 1)}):
        with pytest.raises(WebhookVerificationError):
            Webhook(secret).verify(body, headers | changed)
    with pytest.raises(WebhookVerificationError):
        Webhook(hooks.with_secret(receiver.address)[1]).verify(body, headers)


def test_the_signature_is_that_of_the_specifications_library() -> None:
    """Over the same name, time and body."""
    address, secret = hooks.with_secret("signed+https://planner.example/alarms")
    key = bytes.fromhex(urlsplit(address).password or "")
    at = datetime(2026, 3, 1, 6, tzinfo=UTC)
    assert hooks.signature(key, "m-1", int(at.timestamp()), "{}") == Webhook(secret).sign("m-1", at, "{}")


@pytest.mark.parametrize(("status", "for_good"), [(404, True), (302, True), (503, False), (429, False)])
def test_what_is_not_taken_is_told(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch, status: int, for_good: bool
) -> None:
    """Refused for good or for now; redirects are not followed."""
    monkeypatch.setenv("TALLOW_ALERT_LOCAL", "yes")
    receiver.status = status
    with pytest.raises(Undelivered, match=f"HTTP {status}") as told:
        sender(30)(message(hooks.with_secret(receiver.address)[0]))
    assert told.value.for_good is for_good
    assert len(receiver.got) == 1


@pytest.mark.parametrize("before", [0, 1])
def test_a_name_that_comes_to_lead_to_this_machine_reaches_nothing(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch, before: int
) -> None:
    """Whenever its answer changes: what was looked at is what is connected to."""
    look_up, answers = socket.getaddrinfo, ["192.0.2.1"] * before

    def changing(host: Any, *args: Any, **more: Any) -> Any:
        if host == "planner.example":
            host = answers.pop() if answers else "127.0.0.1"
        return look_up(host, *args, **more)

    monkeypatch.setattr(socket, "getaddrinfo", changing)
    address, _ = hooks.with_secret(receiver.address.replace("127.0.0.1", "planner.example"))
    with pytest.raises((Problem, hooks.Refused)):
        hooks.post(address, "m-1", {}, 0.5, local=False)
    assert receiver.got == []
    assert not answers
    hooks.post(address, "m-1", {}, 5, local=True)
    ((_, headers, _),) = receiver.got
    assert headers["host"] == address.rpartition("@")[2].partition("/")[0]


def test_its_secret_is_shown_to_nobody() -> None:
    """Not where routes are listed, nor may it stand on a command line."""
    address, secret = hooks.with_secret("signed+https://planner.example/alarms")
    assert routes.masked(address) == "signed+https://planner.example"
    assert routes.has_password(address)
    assert secret.startswith("whsec_")


@pytest.mark.parametrize(
    "address",
    [
        "signed+https:///alarms",
        "signed+https://:no-hex@planner.example/",
        "signed+https://[x",
        "signed+https://planner.example:99999/",
        "json://[x",
        "mqtt://[x",
        "webpush+https://[x",
    ],
)
def test_an_address_that_is_none_is_one_clear_line(address: str) -> None:
    """Wherever it is looked at."""
    with pytest.raises(Problem) as told:
        routes.check_address(address)
    assert "\n" not in str(told.value)
    if "[" in address:
        assert routes.masked(address) == "what was written"
        with pytest.raises(Problem, match="the address cannot be read: Invalid IPv6 URL"):
            routes.has_password(address)
