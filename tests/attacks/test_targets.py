"""Where alerts go: not to what only this machine can reach, however the way there is written or turned meanwhile."""

import socket
import subprocess
import sys
import textwrap

import pytest

from analytics.alarms import push, targets
from analytics.alarms.routes import Route
from analytics.alarms.transports import Message, Undelivered, sender
from ingest.environment import ALERT_LOCAL
from ingest.errors import Problem
from tests.attacks.test_delivery import web


@pytest.mark.parametrize(
    ("written", "is_"),
    [
        ("::ffff:127.0.0.1", "127.0.0.1"),  # RFC 4291, 2.5.5.2
        ("::10.0.0.1", "10.0.0.1"),  # RFC 4291, 2.5.5.1
        ("64:ff9b::192.168.1.1", "192.168.1.1"),  # RFC 6052, 2.1
        ("2002:7f00:1::1", "127.0.0.1"),  # RFC 3056, 2
        ("::1", "::1"),
        ("::", "::"),
        ("fe80::1%eth0", "fe80::1"),
        ("2001:4860::1", "2001:4860::1"),
    ],
)
def test_an_address_is_what_it_stands_for(written: str, is_: str) -> None:
    """However a look-up writes it."""
    assert str(targets.meant(written)) == is_


@pytest.mark.parametrize("host", ["[::10.0.0.1]", "[64:ff9b::10.0.0.1]", "[2002:a00:1::1]", "10.0.0.1", "[fe80::1]"])
def test_no_browser_names_a_private_address(host: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor one that leads to such by another way."""
    monkeypatch.delenv(ALERT_LOCAL.name, raising=False)
    with pytest.raises(Problem, match="no public address"):
        push.target(f"https://{host}/x", "", "")


def own_address() -> str:
    """An address of this machine on its network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        try:
            one.connect(("192.0.2.1", 9))
        except OSError:
            pytest.skip("this machine has no network")
        return str(one.getsockname()[0])


@pytest.mark.parametrize(
    "address", ["json://{}/x", "signed+http://:ab@{}/x", "mqtt://{}", "mailto://{}?from=a@b.example"]
)
def test_the_machines_own_address_is_this_machine(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What listens on all of its addresses, and is kept from its neighbours, would answer to it."""
    monkeypatch.delenv(ALERT_LOCAL.name, raising=False)
    with socket.create_server((own_address(), 0)) as server:
        server.settimeout(0.2)
        where = "{}:{}".format(*server.getsockname())
        route = Route(1, address.format(where), None, "note", (), 0, at_any_hour=True)
        with pytest.raises(Undelivered, match="allow that with TALLOW_ALERT_LOCAL=yes") as refused:
            sender()(Message(1, "k", route, "t", "b", {"fleet": "f", "vehicle": "v"}))
        assert refused.value.for_good
        with pytest.raises(TimeoutError):
            server.accept()


# A name whose server answers otherwise each time: elsewhere while it is looked at, this machine once it is connected to.
_TURNED = """
    import socket, sys
    from multiprocessing import Pipe
    from analytics.alarms import transports
    from analytics.alarms.routes import Route

    looked, asked = socket.getaddrinfo, []

    def look_up(host, *more, **also):
        asked.append(host)
        first = host == "turned.example" and asked.count(host) <= 1 and sys.argv[2] != "local"
        return looked("192.0.2.1" if first else "127.0.0.1" if host == "turned.example" else host, *more, **also)

    socket.getaddrinfo = look_up
    parent = Pipe()
    transports.multiprocessing.parent_process = lambda: type("Parent", (), {"sentinel": parent[0].fileno()})
    ours, theirs = Pipe()
    route = Route(1, sys.argv[1], None, "note", (), 0, at_any_hour=True)
    message = transports.Message(1, "k", route, "t", "b", {"fleet": "f", "vehicle": "v"})
    transports._send_apart(theirs, message, 5.0, {}, sys.argv[2] == "local")
    ours.recv()
    print(ours.recv()[:3])
"""


@pytest.mark.parametrize("local", [False, True], ids=["elsewhere", "allowed"])
def test_a_name_that_is_turned_leads_nowhere(local: bool) -> None:
    """Between the look and the connection it becomes this machine: nothing arrives there, unless a setting allows that."""
    with web(200) as (address, got):
        where, allowed = f"json://turned.example:{address.rpartition(':')[2]}/x", "local" if local else "elsewhere"
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(_TURNED), where, allowed], capture_output=True, text=True, timeout=60
        )
    if local:
        assert got == ["/x"], done.stderr
        return
    assert got == []
    assert "this machine or its link" in done.stdout, done.stdout + done.stderr
    assert "True" in done.stdout


def test_a_process_that_stays_elsewhere_wakes_its_own_threads() -> None:
    """By the pair of sockets that the MQTT library makes for that; nothing else on this machine is connected to."""
    script = """
        import socket
        from paho.mqtt.client import _socketpair_compat
        from analytics.alarms import targets

        targets.stay_elsewhere()
        _socketpair_compat()
        with socket.create_server(("127.0.0.1", 0)) as server:
            try:
                socket.create_connection(server.getsockname(), 2)
            except targets.Problem as problem:
                print(problem)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, timeout=60)
    assert done.stdout.startswith("127.0.0.1 is this machine"), done.stderr
