"""The example broker lets nobody in without a certificate, and nobody speak as another."""

import ssl
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from ingest import broker, database, schema
from ingest.broker import broker_of
from ingest.listener import Listener
from ingest.messages import topic
from ingest.recorder_process import RecorderProcess
from tests.conftest import wait_until
from tests.helpers.broker import Authority, Fleet
from tests.helpers.databases import sqlite_at
from tests.helpers.messages import level


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    """A broker that was set up by the example."""
    made = Fleet(tmp_path)
    yield made
    made.stop()


def publish(fleet: Fleet, who: str, where: str, seq: int) -> int:
    """The broker's answer to a publication: 0, or the reason code of its refusal."""
    client = fleet.client(who, fleet.authority.issue(who))
    answers: list[int] = []
    client.on_publish = lambda _c, _d, _mid, reason, _p: answers.append(reason.value)
    client.connect("localhost", fleet.port)
    client.loop_start()
    client.publish(where, level(seq).payload, qos=1)
    wait_until(lambda: len(answers) == 1)
    client.disconnect()
    client.loop_stop()
    return answers[0]


def test_a_vehicle_speaks_for_itself_only(fleet: Fleet, tmp_path: Path) -> None:
    """What it sends below another's topic never arrives; the ingester may write nothing, and a vehicle read nothing."""
    engine = sqlite_at(tmp_path / "tallow.db")
    certificate, key = fleet.authority.issue(broker.INGESTER)
    environment = {"TALLOW_CA_FILE": str(fleet.authority.ca), "TALLOW_CERT_FILE": certificate, "TALLOW_KEY_FILE": key}
    stop, ready = threading.Event(), threading.Event()
    with RecorderProcess(database.address(engine), "i") as recording:
        listener = Listener(broker_of(f"mqtts://localhost:{fleet.port}", environment), "i", recording, stop)
        thread = threading.Thread(target=listener.run, args=(ready.set,))
        thread.start()
        assert ready.wait(5)

        heard: list[str] = []
        spy = fleet.client("f.v2", fleet.authority.issue("f.v2"))
        spy.on_message = lambda _c, _d, message: heard.append(message.topic)
        spy.connect("localhost", fleet.port)
        spy.subscribe("#", qos=1)
        spy.loop_start()

        not_authorised = 135  # MQTT 5.0, reason code 0x87
        assert publish(fleet, "f.v1", topic("f", "v2", "level"), 1) == not_authorised
        assert publish(fleet, "f.v1", topic("g", "v1", "level"), 2) == not_authorised
        assert publish(fleet, broker.INGESTER, topic("f", "v1", "level"), 3) == not_authorised
        assert publish(fleet, "f.v1", topic("f", "v1", "level"), 4) == 0

        def recorded() -> list[int]:
            with engine.connect() as connection:
                return list(connection.execute(select(schema.message.c.seq)).scalars())

        wait_until(lambda: recorded() == [4])
        spy.disconnect()
        spy.loop_stop()
        stop.set()
        thread.join(10)
    engine.dispose()
    assert heard == []


@pytest.mark.filterwarnings(
    "ignore:Exception ignored in.*socket:pytest.PytestUnraisableExceptionWarning"
)  # left by the client
def test_nobody_comes_in_without_the_operators_certificate(fleet: Fleet, tmp_path: Path) -> None:
    """Neither without one, nor with another authority's."""
    stranger = Authority(tmp_path / "other", "stranger").issue("f.v1")
    for certificate in (None, stranger):
        client = fleet.client("f.v1", certificate)
        let_in: list[bool] = []
        client.on_connect = lambda _c, _d, _f, reason, _p, told=let_in: told.append(not reason.is_failure)
        try:
            client.connect("localhost", fleet.port)
            client.loop_start()
            threading.Event().wait(1.0)
            client.loop_stop()
        except (ssl.SSLError, ConnectionError):
            pass
        assert True not in let_in
