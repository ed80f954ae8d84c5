"""Connections that idle, dribble, flood or never read; servers before this one; a database that is away: everybody else is served."""

import json
import re
import resource
import socket
import sqlite3
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from http.client import HTTPSConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from argon2 import PasswordHasher
from flask.testing import FlaskClient
from sqlalchemy import Engine
from werkzeug.test import Client

from dashboard import accounts, change_log, passwords
from dashboard.web import server, sign_in
from dashboard.web.app import create_app
from dashboard.web.proxies import behind, networks
from ingest import database, metrics
from ingest.environment import SITE
from ingest.errors import Problem
from tests.conftest import free_port, program, wait_for_port, wait_until
from tests.helpers.broker import Authority
from tests.helpers.databases import sqlite_at

PASSWORD = "correct horse battery"
README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
IDLE = [pytest.param(300, id="short"), pytest.param(2_000, id="long", marks=pytest.mark.long)]


def plain(environment: Any, start: Any) -> list[bytes]:
    """An application that says who asks, and how long what it was sent is."""
    size = len(environment["wsgi.input"].read())
    start("200 OK", [("Content-Type", "text/plain")])
    return [f"{environment['REMOTE_ADDR']} {environment['wsgi.url_scheme']} {size}".encode()]


@contextmanager
def serving(application: Any, is_known: Callable[[str], bool] = lambda cookie: cookie == "mine") -> Iterator[int]:
    """The port at which a server like the dashboard's answers."""
    port = free_port()
    made = server.listen(application, "127.0.0.1", port, is_known)
    thread = threading.Thread(target=made.run, daemon=True)
    thread.start()
    try:
        yield port
    finally:
        made.close()
        made.task_dispatcher.shutdown()
        thread.join(5)


def ask(port: int, head: str = "GET / HTTP/1.1", body: bytes = b"", more: str = "") -> str:
    """The answer to one request, within five seconds."""
    with socket.create_connection(("127.0.0.1", port), 5) as one:
        one.settimeout(5)
        one.sendall(f"{head}\r\nHost: x\r\nConnection: close\r\n{more}\r\n".encode() + body)
        answer = b""
        with suppress(ConnectionResetError):
            while part := one.recv(65_536):
                answer += part
        return answer.decode()


@pytest.mark.parametrize("number", IDLE)
def test_idle_and_slow_connections_hold_nobody_up(number: int) -> None:
    """Half of them say nothing, half of them a header that does not end: others are answered at once."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 2 * number + 4_000)), hard))
    held: list[socket.socket] = []
    try:
        with serving(plain) as port:
            for n in range(number):
                held.append(socket.create_connection(("127.0.0.1", port), 5))
                if n % 2:
                    held[-1].sendall(b"POST / HTTP/1.1\r\nHost: x\r\nX-Slow: ")
            began = time.monotonic()
            assert "200 OK" in ask(port)
            assert time.monotonic() - began < 5
    finally:
        for one in held:
            one.close()


def dribble(port: int, head: bytes, seconds: float) -> float:
    """After how long a connection ends over which a byte comes every tenth of a second."""
    with socket.create_connection(("127.0.0.1", port), 5) as one:
        one.sendall(head)
        began = time.monotonic()
        one.settimeout(0.1)
        while time.monotonic() - began < seconds:
            with suppress(TimeoutError):
                try:
                    one.sendall(b"x")
                    if not one.recv(1_000):
                        break
                except OSError as error:
                    if isinstance(error, TimeoutError):
                        raise
                    break
        return time.monotonic() - began


def test_headers_and_bodies_have_a_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    """However busily they dribble; a body may take as long as its length needs."""
    monkeypatch.setattr(server, "HEADERS_S", 1.0)
    monkeypatch.setattr(server, "BODY_S", 1.0)
    with serving(plain) as port:
        assert 0.9 < dribble(port, b"GET / HTTP/1.1\r\nX-Slow: ", 10) < 6
        assert 1.9 < dribble(port, b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 5000\r\n\r\n", 10) < 7
        assert (
            dribble(port, b"POST / HTTP/1.1\r\nHost: x\r\nCookie: tallow=mine\r\nContent-Length: 5000000\r\n\r\n", 4)
            >= 4
        )


def test_bodies_are_bounded_before_they_are_read() -> None:
    """Of strangers at 64 KiB, with a length or without; the application hears of none of it."""
    with serving(plain) as port:
        most = server.MOST_BYTES_OF_STRANGERS
        assert f" {most}" in ask(port, "POST / HTTP/1.1", b"x" * most, f"Content-Length: {most}\r\n")
        assert "413" in ask(port, "POST / HTTP/1.1", b"", f"Content-Length: {most + 1}\r\n").splitlines()[0]
        forged = f"Content-Length: {most + 1}\r\nCookie: tallow=forged\r\n"
        assert "413" in ask(port, "POST / HTTP/1.1", b"", forged).splitlines()[0]
        chunk = b"8000\r\n" + b"x" * 0x8000 + b"\r\n"
        chunked = ask(port, "POST / HTTP/1.1", chunk * 3, "Transfer-Encoding: chunked\r\n")
        assert "413" in chunked.splitlines()[0]
        mine = f"Content-Length: {3 * most}\r\nCookie: tallow=mine\r\n"
        assert f" {3 * most}" in ask(port, "POST / HTTP/1.1", b"x" * 3 * most, mine)
        program = "Authorization: Bearer tallow_1_x\r\n"
        assert f" {3 * most}" in ask(
            port, "POST / HTTP/1.1", b"x" * 3 * most, f"Content-Length: {3 * most}\r\n{program}"
        )
        too_much = f"Content-Length: {server.MOST_BYTES_OF_PROGRAMS + 1}\r\n{program}"
        assert "413" in ask(port, "POST / HTTP/1.1", b"", too_much).splitlines()[0]
        assert "413" in ask(
            port, "POST / HTTP/1.1", b"", f"Content-Length: {server.MOST_BYTES + 1}\r\nCookie: tallow=mine\r\n"
        )


# Servers before it --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("remote", "said", "seen"),
    [
        ("192.0.2.1", "203.0.113.9", "203.0.113.9"),
        ("192.0.2.1", "10.0.0.1, 203.0.113.9", "203.0.113.9"),  # what a client made up stands first
        ("192.0.2.1", "203.0.113.9, 198.51.100.7", "203.0.113.9"),  # a second named server handed it on
        ("192.0.2.1", "10.0.0.1, 203.0.113.9, 198.51.100.7", "203.0.113.9"),
        ("192.0.2.1", "2001:db8::7", "2001:db8::7"),
        ("::ffff:192.0.2.1", "203.0.113.9", "203.0.113.9"),
        ("192.0.2.1", "", "192.0.2.1"),
        ("192.0.2.1", "<script>", "192.0.2.1"),
        ("192.0.2.2", "203.0.113.9", "192.0.2.2"),  # nobody named it
        ("127.0.0.1", "203.0.113.9", "127.0.0.1"),
    ],
)
def test_only_named_servers_say_who_asks(remote: str, said: str, seen: str) -> None:
    """By X-Forwarded-For from the right; of anybody else nothing is believed."""
    found: dict[str, Any] = {}
    environment = {"REMOTE_ADDR": remote, "HTTP_X_FORWARDED_FOR": said, "HTTP_X_FORWARDED_PROTO": "https",
                   "HTTP_X_FORWARDED_HOST": "evil.example", "HTTP_FORWARDED": "for=1.2.3.4", "wsgi.url_scheme": "http"}  # fmt: skip
    application = behind(lambda e, s: found.update(e) or [], networks("192.0.2.1, 198.51.100.0/28"))
    application(environment, lambda *_: lambda _: None)
    assert found["REMOTE_ADDR"] == seen
    named = remote.removeprefix("::ffff:") == "192.0.2.1"
    assert found["wsgi.url_scheme"] == ("https" if named else "http")
    assert not [name for name in found if "FORWARDED" in name]


def test_a_proxy_is_named_by_address() -> None:
    """Anything else is said at the start."""
    with pytest.raises(Problem, match="write addresses or networks"):
        networks("proxy.example")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Engine, Any]]:
    """A database with a lead, which does not wait long for locks, and the application over it as the site of `PORT`."""
    folder = tmp_path_factory.mktemp("server")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "HASHER", PasswordHasher(time_cost=1, memory_cost=64))
        patch.setattr(database, "_BUSY_S", 0.2)
        engine = sqlite_at(folder / "tallow.db")
        with database.writing(engine) as connection:
            accounts.add(connection, "lead", PASSWORD, "lead")
        yield engine, create_app(engine, alone=False)
    engine.dispose()


def nginx(folder: Path, example: str, certificate: str, key: str, port: int) -> list[str]:
    """The command that runs the README's example for it on a port."""
    said = example.replace("listen 443", f"listen 127.0.0.1:{port}").replace("tallow.example", "localhost")
    said = re.sub(r"(ssl_certificate) \S+;", rf"\1 {certificate};", said)
    said = re.sub(r"(ssl_certificate_key) \S+;", rf"\1 {key};", said)
    temp = "".join(
        f"{part}_temp_path {folder}/{part};" for part in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    (folder / "nginx.conf").write_text(
        f"daemon off; pid {folder}/pid; error_log {folder}/error.log; user root; worker_processes 1;\n"
        f"events {{ worker_connections 64; }}\nhttp {{ access_log off; {temp}\n{said}}}\n"
    )
    return [program("nginx"), "-p", str(folder), "-c", str(folder / "nginx.conf"), "-e", "stderr"]


def caddy(folder: Path, example: str, certificate: str, key: str, port: int) -> list[str]:
    """Likewise; it gets its certificates by itself only for names that the whole world knows."""
    said = example.replace(
        "tallow.example {", f"https://localhost:{port} {{\n bind 127.0.0.1\n tls {certificate} {key}"
    )
    (folder / "Caddyfile").write_text(f"{{\n admin off\n auto_https off\n storage file_system {folder}\n}}\n{said}")
    return [program("caddy"), "run", "--config", str(folder / "Caddyfile"), "--adapter", "caddyfile"]


@pytest.mark.parametrize(("example", "command"), [(r"server \{", nginx), (r"tallow\.example \{", caddy)])
def test_the_examples_for_servers_in_front_work(
    place: tuple[Engine, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, example: str,
    command: Callable[[Path, str, str, str, int], list[str]],
) -> None:  # fmt: skip
    """Those of the README, in front of this program: whatever becomes of the Host, signing in works; the log has the client's address,
    and not what the client says of itself."""
    engine, app = place
    found = re.search(rf"(?ms)^    ({example}\n.*?^    \}}\n)", README)
    assert found is not None
    authority = Authority(tmp_path / "ca", "operator")
    certificate, key = authority.issue("localhost")
    port = free_port()
    monkeypatch.setenv(SITE.name, f"https://localhost:{port}")
    answers = behind(app.server.wsgi_app, networks("127.0.0.1"))
    with serving(answers, sign_in.is_known(app.server, alone=False)) as inner:
        started = command(tmp_path, found[1].replace("127.0.0.1:8050", f"127.0.0.1:{inner}"), certificate, key, port)
        process = subprocess.Popen(started, stderr=subprocess.DEVNULL)
        try:
            wait_for_port(port)
            trusted = ssl.create_default_context(cafile=authority.ca)

            def send(method: str, path: str, body: str = "", **headers: str) -> tuple[int, dict[str, str], str]:
                one = HTTPSConnection("localhost", port, context=trusted, timeout=10, source_address=("127.0.0.2", 0))
                one.request(method, path, body, {"X-Forwarded-For": "203.0.113.66", **headers})
                answer = one.getresponse()
                told = answer.status, dict(answer.getheaders()), answer.read().decode()
                one.close()
                return told

            _, headers, text = send("GET", "/sign-in")
            assert "Secure" in headers["Set-Cookie"] or app.server.config["SESSION_COOKIE_SECURE"] is False
            assert headers["Strict-Transport-Security"]
            token = re.search(r'name="csrf_token" type="hidden" value="([^"]+)"', text)
            assert token is not None
            form = urlencode({"csrf_token": token[1], "name": "lead", "password": PASSWORD})
            mine = {
                "Cookie": headers["Set-Cookie"].partition(";")[0],
                "Content-Type": "application/x-www-form-urlencoded",
            }
            assert send("POST", "/sign-in", form, Origin="https://evil.example", **mine)[0] == 403
            status, headers, _ = send("POST", "/sign-in", form, Origin=f"https://localhost:{port}", **mine)
            assert (status, headers["Location"]) == (302, "/")
            inside = {"Cookie": headers["Set-Cookie"].partition(";")[0]}
            assert send("GET", "/_dash-layout", **inside)[0] == 200
            assert send("GET", "/_dash-layout")[0] == 401
        finally:
            process.terminate()
            process.wait(10)
    with engine.connect() as connection:
        assert change_log.entries(connection, 1, ("signed_in",))[0].origin == "127.0.0.2"


# A database that is away or locked ----------------------------------------------------------------------------------

GIVEN_AWAY = re.compile(r"Traceback|sqlite3|sqlalchemy|psycopg|/tmp/|\.py\b|SELECT|INSERT", re.IGNORECASE)


@pytest.fixture
def browser(place: tuple[Engine, Any]) -> FlaskClient:
    """A lead who is signed in."""
    client: FlaskClient = place[1].server.test_client()
    token = re.search(r'name="csrf_token" type="hidden" value="([^"]+)"', client.get("/sign-in").text)
    assert token is not None
    done = client.post("/sign-in", data={"csrf_token": token[1], "name": "lead", "password": PASSWORD})
    assert done.status_code == 302
    return client


@contextmanager
def spoiled(engine: Engine, how: str) -> Iterator[None]:
    """The database's file is locked by another program, gone, or full of something else."""
    file = Path(engine.url.database or "")
    engine.dispose()
    if how == "locked":
        holder = sqlite3.connect(file, isolation_level=None)
        for command in ("PRAGMA locking_mode=EXCLUSIVE", "BEGIN EXCLUSIVE"):
            holder.execute(command).fetchall()
        yield
        holder.close()
        return
    kept = [(one, one.read_bytes()) for one in file.parent.glob("tallow.db*")]
    for one, _ in kept:
        one.unlink()
    if how == "nonsense":
        file.write_bytes(b"this is no database " * 500)
    else:
        file.mkdir()
    try:
        yield
    finally:
        engine.dispose()
        file.rmdir() if file.is_dir() else file.unlink()
        for one, content in kept:
            one.write_bytes(content)


@pytest.mark.parametrize("how", ["locked", "gone", "nonsense"])
def test_a_database_that_is_away_is_said_in_a_sentence(
    place: tuple[Engine, Any], browser: FlaskClient, how: str
) -> None:
    """Pages, callbacks, the way in and records answer 503 without a path or a trace; `/alive` says so; afterwards all is as before."""
    engine = place[0]
    token = re.search(r'value="([^"]+)"', place[1].server.test_client().get("/sign-in").text)
    assert token is not None
    with spoiled(engine, how):
        answers = [
            browser.get("/", headers={"Accept": "text/html"}), browser.get("/_dash-layout"), browser.get("/second-factor"),
            browser.post("/_dash-update-component", json={}), browser.post("/work/f/v", json={"kind": "bled"}),
            browser.post("/sign-out"), browser.get("/calendar/abc.ics"),
        ]  # fmt: skip
        for answer in answers:
            assert answer.status_code == 503, answer.request.path
            assert "The database does not answer now" in answer.text
            assert not GIVEN_AWAY.search(answer.text)
        alive = browser.get("/alive")
        assert (alive.status_code, alive.json) == (200, {"alive": False})
    wait_until(lambda: "true" in browser.get("/alive").text)
    assert browser.get("/_dash-layout").status_code == 200


def test_signing_in_at_a_locked_database_is_no_wrong_password(place: tuple[Engine, Any]) -> None:
    """It is said as what it is, and no attempt is counted."""
    client = place[1].server.test_client()
    token = re.search(r'name="csrf_token" type="hidden" value="([^"]+)"', client.get("/sign-in").text)
    assert token is not None
    with spoiled(place[0], "locked"):
        answer = client.post("/sign-in", data={"csrf_token": token[1], "name": "lead", "password": PASSWORD})
        assert (answer.status_code, "does not answer now" in answer.text) == (503, True)


def test_figures_are_told_whatever_the_database_does(place: tuple[Engine, Any]) -> None:
    """`/metrics` of an ingester and of a watch."""
    from analytics.pipeline.watch import Watch
    from dashboard.cli.recording import _recorders

    engine = place[0]
    of_ingest = metrics.Metrics()
    of_ingest.others = lambda: _recorders(engine)
    of_watch = Watch(engine, None, 1, threading.Event())  # type: ignore[arg-type]
    with spoiled(engine, "nonsense"):
        for application in (of_ingest.application(), of_watch.answers()):
            answer = Client(application).get("/metrics")
            assert answer.status_code == 200
            assert "tallow_database_away" in answer.text


def test_no_answer_gives_the_program_away(place: tuple[Engine, Any], browser: FlaskClient) -> None:
    """A failure of the program itself, and addresses that are not there."""

    def fail() -> str:
        raise RuntimeError("secret in /srv/tallow/secret.py")

    view = place[1].server.view_functions
    before, view["alive"] = view["alive"], fail
    try:
        answer = browser.get("/alive")
    finally:
        view["alive"] = before
    assert answer.status_code == 500
    for one in (
        answer,
        browser.get("/assets/../../etc/passwd"),
        browser.get("/assets/%2e%2e/x"),
        browser.put("/sign-in"),
    ):
        assert one.status_code >= 400
        assert not re.search(r"Traceback|secret|/srv|\.py\b", one.text)
    assert json.dumps(answer.text)
