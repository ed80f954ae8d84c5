"""A vehicle's certificate, in the hands of somebody who means harm, against the shipped broker."""

import json
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from sqlalchemy import Engine, func, select

from ingest import database, listener, rivals, schema
from ingest.broker import broker_of
from ingest.listener import Listener
from ingest.messages import SHARE, SUBSCRIPTION, topic
from ingest.recorder_process import RecorderProcess
from ingest.times import now_us
from tests.conftest import Mosquitto, wait_until
from tests.helpers.broker import Fleet
from tests.helpers.databases import sqlite_at

NOT_AUTHORISED = 135  # MQTT 5.0, reason code 0x87
INGESTERS = ("ingest-1", "ingest-2")
SIZES = [pytest.param(200, id="short"), pytest.param(20_000, id="long", marks=pytest.mark.long)]


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    """The shipped broker, with two ingesters that share."""
    made = Fleet(tmp_path, INGESTERS)
    yield made
    made.stop()


@contextmanager
def ingesting(fleet: Fleet, engine: Engine, name: str) -> Iterator[Listener]:
    certificate, key = fleet.authority.issue(name)
    environment = {"TALLOW_CA_FILE": str(fleet.authority.ca), "TALLOW_CERT_FILE": certificate, "TALLOW_KEY_FILE": key}
    stop, ready = threading.Event(), threading.Event()
    with RecorderProcess(database.address(engine), name) as recorder:
        at = broker_of(f"mqtts://localhost:{fleet.port}", environment)
        listener = Listener(at, name, recorder, stop, share=SHARE)
        thread = threading.Thread(target=listener.run, args=(ready.set,))
        thread.start()
        assert ready.wait(10)
        yield listener
        stop.set()
        thread.join(10)


def recorded(engine: Engine) -> int:
    with engine.connect() as connection:
        return connection.scalar(select(func.count()).select_from(schema.message)) or 0


def publish(fleet: Fleet, number: int) -> None:
    """So many messages of an honest vehicle."""
    client = fleet.client("f.v1", fleet.authority.issue("f.v1"))
    client.max_queued_messages_set(0)
    client.connect("localhost", fleet.port)
    client.loop_start()
    for seq in range(number):
        said = client.publish(
            topic("f", "v1", "level"), json.dumps({"seq": seq, "at": "2026-03-01T06:00:00Z", "level_pct": 50}), qos=1
        )
    said.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


class Hostile:
    """A connection with the certificate of the vehicle v2."""

    def __init__(self, fleet: Fleet, certificate: tuple[str, str], client_id: str) -> None:
        self.granted: list[int] = []
        self.heard: list[str] = []
        self.connected = threading.Event()
        self.client = fleet.client(client_id, certificate)
        self.client.on_connect = lambda *_: self.connected.set()
        self.client.on_subscribe = lambda _c, _d, _m, reasons, _p: self.granted.extend(r.value for r in reasons)
        self.client.on_message = lambda _c, _d, message: self.heard.append(message.topic)
        self.client.connect("localhost", fleet.port, clean_start=False)
        self.client.loop_start()
        assert self.connected.wait(10)

    def subscribe(self, *filters: str) -> None:
        for one in filters:
            before = len(self.granted)
            self.client.subscribe(one, qos=1)
            wait_until(lambda: len(self.granted) > before)  # noqa: B023

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.mark.parametrize("number", SIZES)
def test_a_vehicle_cannot_join_the_shared_subscription(fleet: Fleet, tmp_path: Path, number: int) -> None:
    """Ten clients try, by every name and filter: none is let in, and every message of the others is recorded."""
    engine = sqlite_at(tmp_path / "tallow.db")
    certificate = fleet.authority.issue("f.v2")
    with ingesting(fleet, engine, INGESTERS[0]), ingesting(fleet, engine, INGESTERS[1]):
        for n in range(10):
            hostile = Hostile(fleet, certificate, f"x{n}")
            hostile.subscribe(
                f"$share/{SHARE}/{SUBSCRIPTION}", f"$share/{SHARE}/#", f"$share/mine/{SUBSCRIPTION}", "#",
                SUBSCRIPTION, "$SYS/#", topic("f", "v1", "level"), topic("f", "v2", "level"),
            )  # fmt: skip
            assert set(hostile.granted) == {NOT_AUTHORISED}
            if n < 9:
                hostile.close()
        publish(fleet, number)
        wait_until(lambda: recorded(engine) == number, 60)
        assert hostile.heard == []
        hostile.close()
    engine.dispose()


@pytest.mark.parametrize("number", SIZES)
def test_a_vehicle_cannot_take_an_ingesters_session(fleet: Fleet, tmp_path: Path, number: int) -> None:
    """Whatever client id it asks for, it is itself: the ingester stays connected, and what waits in its session is not dropped."""
    engine = sqlite_at(tmp_path / "tallow.db")
    certificate = fleet.authority.issue("f.v2")
    with ingesting(fleet, engine, INGESTERS[0]) as ingester:
        hostile = Hostile(fleet, certificate, INGESTERS[0])
        publish(fleet, number)
        wait_until(lambda: recorded(engine) == number, 60)
        hostile.close()
        assert ingester.tally.recorded.total() == number
    # While it is away as well: its session is taken neither to be read nor to be emptied.
    thief = fleet.client(INGESTERS[0], certificate)
    thief.connect("localhost", fleet.port, clean_start=True)
    thief.loop_start()
    wait_until(thief.is_connected)
    thief.disconnect()
    thief.loop_stop()
    publish_more = fleet.client("f.v1", fleet.authority.issue("f.v1"))
    publish_more.connect("localhost", fleet.port)
    publish_more.loop_start()
    publish_more.publish(
        topic("f", "v1", "level"), json.dumps({"seq": number, "at": "2026-03-01T06:00:00Z", "level_pct": 50}), qos=1
    ).wait_for_publish(10)
    publish_more.disconnect()
    publish_more.loop_stop()
    with ingesting(fleet, engine, INGESTERS[0]):
        wait_until(lambda: recorded(engine) == number + 1, 30)
    engine.dispose()


@pytest.mark.parametrize("version", [5, 4], ids=["MQTT 5", "MQTT 3.1.1"])
def test_two_ingesters_of_one_name_are_told_of(
    tmp_path: Path, mosquitto: Mosquitto, version: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sessions end again and again soon after they began, without a word of the broker; what comes meanwhile is recorded."""
    monkeypatch.setattr(listener, "LONGEST_PAUSE_S", 1.0)
    engine = sqlite_at(tmp_path / "tallow.db")
    stop, ready = threading.Event(), threading.Event()
    at = broker_of(f"mqtt://127.0.0.1:{mosquitto.port}", {})
    with RecorderProcess(database.address(engine), "twin") as recorder:
        one = Listener(at, "twin", recorder, stop, taken_over=lambda: rivals.note(engine, "twin", now_us()))
        one._version = MQTTProtocolVersion(version)
        thread = threading.Thread(target=one.run, args=(ready.set,))
        thread.start()
        try:
            assert ready.wait(10)
            assert told(engine, now_us()) == {}
            wait_until(lambda: fight(mosquitto, version) and "twin" in told(engine, now_us()), 30)
            assert told(engine, now_us())["twin"].times >= 1
            assert told(engine, now_us() + 2 * rivals.SHOWN_US) == {}
            wait_until(lambda: say_once(mosquitto) and recorded(engine) == 1, 30)
        finally:
            stop.set()
            thread.join(10)
    engine.dispose()


def told(engine: Engine, now: int) -> dict[str, rivals.Rival]:
    with engine.connect() as connection:
        return rivals.rivals(connection, now)


def fight(mosquitto: Mosquitto, version: int) -> bool:
    """Another client takes the session, and goes; true."""
    other = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="twin", protocol=MQTTProtocolVersion(version))
    other.connect("127.0.0.1", mosquitto.port)
    other.loop(0.3)
    other.disconnect()
    other.loop(0.1)
    threading.Event().wait(0.7)
    return True


def say_once(mosquitto: Mosquitto) -> bool:
    """One message, always the same: nobody keeps it while nobody listens, as the other's session was a clean one; true."""
    sender = mqtt.Client(CallbackAPIVersion.VERSION2)
    sender.connect("127.0.0.1", mosquitto.port)
    sender.loop_start()
    said = json.dumps({"seq": 1, "at": "2026-03-01T06:00:00Z", "level_pct": 50})
    sender.publish(topic("f", "v1", "level"), said, qos=1).wait_for_publish(10)
    sender.disconnect()
    sender.loop_stop()
    return True


@pytest.mark.filterwarnings("ignore:Exception ignored in.*socket:pytest.PytestUnraisableExceptionWarning")
def test_a_certificate_that_was_revoked_is_not_let_in(fleet: Fleet) -> None:
    """By the list that the broker reads anew."""
    certificate = fleet.authority.issue("f.v2")
    Hostile(fleet, certificate, "f.v2").close()
    fleet.authority.revoke(certificate[0])
    fleet.stop()
    fleet.start()
    client = fleet.client("f.v2", certificate)
    let_in: list[bool] = []
    client.on_connect = lambda _c, _d, _f, reason, _p: let_in.append(not reason.is_failure)
    try:
        client.connect("localhost", fleet.port)
        client.loop_start()
        threading.Event().wait(1.0)
        client.loop_stop()
    except (ssl.SSLError, ConnectionError):
        pass
    assert True not in let_in
