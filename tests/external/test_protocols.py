"""Facts of the protocols that messages travel by and are written in."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from typing import Any, cast

import pytest

from ingest import broker, listener
from ingest.errors import Problem
from ingest.messages import Arrival, Decoded, Level, Rejected, decode, topic


def read_at(at: str) -> datetime | str:
    result = decode(Arrival(topic("f", "v", "level"), b'{"seq":1,"at":"%s","level_pct":1}' % at.encode(), None))
    if isinstance(result, Rejected):
        return result.reason
    assert isinstance(result, Decoded)
    assert isinstance(result.message, Level)
    return result.message.at


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # RFC 3339 section 5.8, examples.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
        # Section 4.3: an unknown offset is written -00:00; section 5.6: T and Z may be lower case.
        ("1985-04-12T23:20:50-00:00", datetime(1985, 4, 12, 23, 20, 50, tzinfo=UTC)),
        ("1985-04-12t23:20:50z", datetime(1985, 4, 12, 23, 20, 50, tzinfo=UTC)),
        # A leap second, section 5.8: there is no other word for it than the second before.
        ("1990-12-31T23:59:60Z", datetime(1990, 12, 31, 23, 59, 59, tzinfo=UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1990, 12, 31, 23, 59, 59, tzinfo=UTC)),
    ],
)
def test_rfc_3339_times_are_read(text: str, expected: datetime) -> None:
    """The examples of the standard (RFC 3339, July 2002)."""
    assert read_at(text) == expected


@pytest.mark.parametrize(
    "text", ["1985-04-12", "1985-04-12T23:20:50", "1985-13-12T23:20:50Z", "1985-02-29T00:00:00Z", "now"]
)
def test_what_is_no_rfc_3339_date_time_is_refused(text: str) -> None:
    """A date-time has a date that exists, a time and an offset (RFC 3339 section 5.6 and 5.7)."""
    assert isinstance(read_at(text), str)


@contextmanager
def broker_of_bytes(answer: bytes) -> Iterator[tuple[int, list[bytes]]]:
    """A broker that reads one CONNECT packet and gives this answer: its port, and the packets it read."""
    server, read = socket.create_server(("127.0.0.1", 0)), list[bytes]()

    def serve() -> None:
        with suppress(OSError):
            while True:
                connection, _ = server.accept()
                with connection:
                    read.append(connection.recv(4096))
                    connection.sendall(answer)
                    connection.settimeout(1)
                    connection.recv(4096)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield server.getsockname()[1], read
    finally:
        server.close()
        thread.join(5)


class Nobody:
    """Records nothing: nothing is ever said."""

    def hand_over(self, _batch: list[Arrival]) -> None:
        raise AssertionError("nothing was published")


def listen(port: int, stop: threading.Event) -> None:
    """Listen at a broker until stopped or refused."""
    at = broker.broker_of(f"mqtt://127.0.0.1:{port}", {})
    listener.Listener(at, "one", cast(Any, Nobody()), stop).run()


def connack(reason: int) -> bytes:
    """A CONNACK packet of MQTT 5.0 (OASIS 2019, section 3.2): type 2, flags, reason code, no properties."""
    return bytes([0x20, 3, 0, reason, 0])


def properties_of(packet: bytes) -> dict[int, int]:
    """The properties of a CONNECT packet, read by section 3.1.2.11 and table 2-4 of MQTT 5.0: identifier 17 is four bytes, 33 two."""
    assert packet[0] == 0x10
    body = packet[2:]  # a short packet's length is one byte
    assert body[:7] == b"\x00\x04MQTT\x05"
    length, at, found = body[10], 11, dict[int, int]()
    while at < 11 + length:
        size = {17: 4, 33: 2}[body[at]]
        found[body[at]] = int.from_bytes(body[at + 1 : at + 1 + size], "big")
        at += 1 + size
    return found


def test_the_session_outlives_a_week_and_a_limit_is_named() -> None:
    """What goes over the wire: session expiry interval (17) in seconds, receive maximum (33) never 0 (sections 3.1.2.11.2 and .3)."""
    with broker_of_bytes(connack(0x86)) as (port, read), suppress(Problem):
        listen(port, threading.Event())
    said = properties_of(read[0])
    assert said[17] >= 7 * 24 * 3600
    assert 0 < said[33] <= 65_535


@pytest.mark.parametrize(
    "reason",
    # MQTT 5.0 section 3.2.2.2: bad user name or password, not authorized, banned, bad authentication method.
    [0x86, 0x87, 0x8A, 0x8C],
)
def test_a_refused_login_ends_the_listener(reason: int) -> None:
    """It does not try for ever with a password that will not do."""
    with (
        broker_of_bytes(connack(reason)) as (port, _),
        pytest.raises(Problem, match="refuses this user, password or certificate"),
    ):
        listen(port, threading.Event())


def test_an_unsupported_version_is_answered_with_the_older_one() -> None:
    """Reason 0x84 (section 3.2.2.2): the next CONNECT speaks protocol level 4 (MQTT 3.1.1, section 3.1.2.2), where return code 5
    means that the login is refused (section 3.2.2.3)."""
    stop = threading.Event()
    with broker_of_bytes(connack(0x84)) as (port, read):
        listening = threading.Thread(target=listen, args=(port, stop), daemon=True)
        listening.start()
        until = time.monotonic() + 10
        while len(read) < 2 and time.monotonic() < until:
            time.sleep(0.05)
        stop.set()
        listening.join(10)
    assert read[0][8] == 5
    assert read[1][8] == 4
