"""Single requests of strangers that would hold everybody up, and tries to come in from many addresses."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from dashboard import attempts
from dashboard.web.way_in import COOKIE
from ingest import database
from tests.attacks.test_server import ask, plain, serving
from tests.helpers.databases import sqlite_at

COOKIES = {"backslashes": "\\" * 30_000, "numbers": "\\1" * 15_000, "quotes": '\\"' * 15_000, "names": "=;" * 15_000}


@pytest.mark.parametrize("cookie", COOKIES.values(), ids=COOKIES)
def test_no_cookie_holds_everybody_up(cookie: str) -> None:
    """All connections are watched by one loop, which reads the cookies of strangers, too."""
    with serving(plain) as port:
        began_s = time.monotonic()
        assert ask(port, more=f'Cookie: {COOKIE}="{cookie}"\r\n').startswith("HTTP/1.1 200")
        assert time.monotonic() - began_s < 1


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    """An empty database."""
    made = sqlite_at(tmp_path / "tallow.db")
    yield made
    made.dispose()


def test_who_has_many_addresses_waits_as_who_has_one(engine: Engine) -> None:
    """Of IPv6 everybody has 2^64 at least: tries from them count together; those from the next network, and of IPv4, do not."""
    with database.writing(engine) as connection:
        for last in range(5):
            attempts.count(connection, "lead", f"2001:db8:0:7::{last:x}", 10**15)
        assert attempts.begins_a_wait(connection, "lead", "2001:db8:0:7:ffff::1")
        with pytest.raises(attempts.TooMany):
            attempts.count(connection, "lead", "2001:db8:0:7:1:2:3:4", 10**15)
        attempts.count(connection, "lead", "2001:db8:0:8::1", 10**15)
        for _ in range(5):
            attempts.count(connection, "lead", "192.0.2.7", 10**15)
        with pytest.raises(attempts.TooMany):
            attempts.count(connection, "lead", "::ffff:192.0.2.7", 10**15)
        attempts.count(connection, "lead", "192.0.2.8", 10**15)
        number = attempts.count(connection, "technician", "2001:db8:0:7::1", 10**15)
        attempts.succeeded(connection, number, "lead", "2001:db8:0:7::2")
        attempts.count(connection, "lead", "2001:db8:0:7::3", 10**15)
