"""Two dashboards on one database, behind one address that asks them in turn."""

import contextlib
import http.client
import itertools
import os
import re
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine, select

from analytics.alarms import records
from analytics.alarms.states import Transition
from dashboard import accounts
from ingest import database, schema
from tests.conftest import free_port, wait_for_port
from tests.helpers.alarms import NOW, bring_up, fleet

__all__ = ["fleet"]

PASSWORD = "correct horse battery"


class InTurn:
    """A server that hands each request to the next of several, or to the one after it where that is gone."""

    def __init__(self, ports: list[int]) -> None:
        self.answered: Counter[int] = Counter()
        turn = itertools.cycle(ports)

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(handler) -> None:  # noqa: N805
                body = handler.rfile.read(int(handler.headers.get("Content-Length") or 0))
                for port in itertools.islice(turn, len(ports)):
                    there = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
                    with contextlib.closing(there), contextlib.suppress(ConnectionRefusedError):
                        there.request(handler.command, handler.path, body, dict(handler.headers))
                        answer = there.getresponse()
                        told = answer.read()
                        self.answered[port] += 1
                        break
                handler.send_response_only(answer.status)
                for name, value in answer.getheaders():
                    if name.lower() not in ("transfer-encoding", "connection", "content-length"):
                        handler.send_header(name, value)
                handler.send_header("Content-Length", str(len(told)))
                handler.end_headers()
                handler.wfile.write(told)

            def do_POST(handler) -> None:  # noqa: N805
                handler.do_GET()

            def log_message(self, *_: Any) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self.server.server_port}"

    @contextlib.contextmanager
    def serving(self) -> Iterator[None]:
        """Answer while this lasts."""
        thread = threading.Thread(target=self.server.serve_forever)
        thread.start()
        try:
            yield
        finally:
            self.server.shutdown()
            thread.join()
            self.server.server_close()


@contextlib.contextmanager
def dashboard(url: str) -> Iterator[tuple[int, "subprocess.Popen[bytes]"]]:
    """`tallow dashboard` on a port of its own."""
    port = free_port()
    command = [sys.executable, "-m", "dashboard", "dashboard", "--port", str(port), "--database", url]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=os.environ)
    try:
        wait_for_port(port, 30)
        yield port, process
    finally:
        process.terminate()
        process.wait(20)


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_people_do_not_notice_that_there_are_two(fleet: Engine, database_url: str, tab: Callable[..., Page]) -> None:
    """They sign in once, see what changes, change something, go on when one of the two ends, and sign out of both."""
    assert bring_up(fleet) == 2
    with database.writing(fleet) as connection:
        accounts.add(connection, "A. Lead", PASSWORD, "lead", (), ())
    with dashboard(database_url) as (first, process), dashboard(database_url) as (second, _):
        both = InTurn([first, second])
        with both.serving():
            page = tab()
            page.goto(f"{both.address}/alarms")
            page.get_by_label("Name").fill("A. Lead")
            page.get_by_label("Password").fill(PASSWORD)
            page.get_by_role("button", name="Sign in").click()
            expect(page.locator(".alarm")).to_have_count(2)
            expect(page.locator("#alarms-body")).not_to_contain_text("on my way")

            # Somebody else's change comes without a reload, whoever is asked.
            with database.writing(fleet) as connection:
                low = connection.scalar(select(schema.alarm.c.id).where(schema.alarm.c.kind == "low_level"))
                assert low is not None
                records.act(connection, [low], Transition("acknowledge", NOW + 1, "R. Tarvolen", "on my way"))
            expect(page.locator(".alarm")).to_have_count(1, timeout=10_000)
            expect(page.get_by_role("link", name=re.compile("^Acknowledged"))).to_contain_text("1")

            page.locator(".alarm input[type=checkbox]").check()
            page.get_by_role("button", name="Acknowledge", exact=True).click()
            expect(page.locator("#alarms-told")).to_have_text("1 alarm: acknowledged.")
            assert min(both.answered[first], both.answered[second]) > 5

            process.kill()
            process.wait(10)
            page.get_by_role("link", name="Fleet").first.click()
            expect(page.locator("table.fleet tbody tr").first).to_be_visible()
            taken = [(cookie["name"], cookie["value"]) for cookie in page.context.cookies()]
            page.locator("summary", has_text="A. Lead").click()
            page.get_by_role("button", name="Sign out").click()
            expect(page.get_by_role("button", name="Sign in")).to_be_visible()
            other = tab()
            other.context.add_cookies([{"name": name, "value": value, "url": both.address} for name, value in taken])
            # A copy of the session is worth nothing any more.
            other.goto(f"{both.address}/alarms")
            expect(other.get_by_role("button", name="Sign in")).to_be_visible()
