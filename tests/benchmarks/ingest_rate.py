"""Rate of recording, in ratio to a client that does nothing: `python -m tests.benchmarks.ingest_rate --messages 100000`.

A backlog of mixed messages (24-channel cycles, levels, ignition) waits in a persistent session of a Mosquitto of its
own; it is drained in turn by a bare paho client that only acknowledges, by the recorder into SQLite, and into
PostgreSQL, several times. Both are durable: synchronous=FULL, synchronous_commit=on.
"""

import argparse
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sqlalchemy import create_engine, func, select, text

from ingest import listener, schema, store
from ingest.messages import SUBSCRIPTION, topic
from tests.conftest import Mosquitto


def messages(number: int) -> Iterator[tuple[str, bytes]]:
    """Seven cycles, two switchings and a level out of ten, of a hundred vehicles."""
    peaks = {f"p{c:02d}": 4000.0 + 37 * c for c in range(24)}
    for n in range(number):
        common = {
            "seq": n // 100,
            "at": "2026-03-01T06:00:00Z",
            "sent_at": "2026-03-01T06:00:01Z",
            "engine_h": 100 + n / 100,
        }
        kind, own = (
            (
                "cycle",
                {
                    "cycle_no": n // 100,
                    "run_s": 180.2,
                    "complete": None,
                    "temp_c": 4.5,
                    "supply_v": 27.1,
                    "peak_kpa": peaks,
                },
            )
            if n % 10 < 7
            else ("ignition", {"on": n % 2 == 0})
            if n % 10 < 9
            else ("level", {"level_pct": 50.5, "tilt_deg": 1.5})
        )
        yield topic("f", f"v{n % 100}", kind), json.dumps(common | own).encode()


def session(port: int, name: str, version: int, clean: bool = False) -> mqtt.Client:
    """A client with a persistent session of this name, connected."""
    if version == 5:
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5, manual_ack=True)
        wishes = Properties(PacketTypes.CONNECT)
        wishes.SessionExpiryInterval, wishes.ReceiveMaximum = 3600, listener.RECEIVE_MAXIMUM
        client.connect("127.0.0.1", port, clean_start=clean, properties=wishes)
    else:
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, manual_ack=True, clean_session=False)
        client.connect("127.0.0.1", port)
    return client


def fill(port: int, name: str, number: int, version: int) -> None:
    """Let `number` messages wait for the session `name`."""
    done = threading.Event()
    waiting = session(port, name, version)
    waiting.on_subscribe = lambda *_: done.set()
    waiting.loop_start()
    waiting.subscribe(SUBSCRIPTION, qos=1)
    assert done.wait(5)
    waiting.disconnect()
    waiting.loop_stop()
    sender = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    sender.max_inflight_messages_set(1000)
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    last = None
    for where, payload in messages(number):
        last = sender.publish(where, payload, qos=1)
    assert last is not None
    last.wait_for_publish(600)
    sender.disconnect()
    sender.loop_stop()


def bare(port: int, name: str, number: int, version: int) -> float:
    """Seconds of a client that only acknowledges."""
    seen, over = 0, threading.Event()

    def take(client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        nonlocal seen
        client.ack(message.mid, message.qos)
        seen += 1
        if seen >= number:
            over.set()

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    began = time.monotonic()
    client = session(port, name, version)
    client.on_message = take
    client.loop_start()
    assert over.wait(600)
    took = time.monotonic() - began
    client.disconnect()
    client.loop_stop()
    return took


def recorded(port: int, name: str, number: int, version: int, database: str) -> tuple[float, float]:
    """(seconds from listening to the last commit, peak memory in MB) of `tallow ingest` as a process of its own."""
    engine = store.open_database(database)
    environment = os.environ | {"TALLOW_DATABASE": database, "TALLOW_BROKER": f"mqtt://127.0.0.1:{port}"}
    command = [sys.executable, "-m", "dashboard", "ingest", "--client-id", name]
    process = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    del version  # a listener takes the newest that the broker knows
    for line in process.stderr:
        if "listening" in line:
            break
    began = time.monotonic()
    while process.poll() is None:
        with engine.connect() as connection:
            if (connection.scalar(select(func.sum(schema.intake.c.recorded))) or 0) >= number:
                break
        time.sleep(0.02)
    took = time.monotonic() - began
    memory = next(
        int(line.split()[1]) / 1024
        for line in Path(f"/proc/{process.pid}/status").read_text().splitlines()
        if line.startswith("VmHWM")
    )
    process.terminate()
    process.communicate()
    with engine.connect() as connection:
        assert connection.scalar(select(func.count()).select_from(schema.message)) == number
    engine.dispose()
    return took, memory


def main() -> None:
    """Run the comparison and print a table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--messages", type=int, default=20_000)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--postgresql", help="address of an administrative database; without it that part is left out")
    asked = ask.parse_args()
    rates: dict[str, list[float]] = {}
    peak: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        for n in range(asked.rounds):
            fill(broker.port, f"bare{n}", asked.messages, 5)
            rates.setdefault("bare client", []).append(
                asked.messages / bare(broker.port, f"bare{n}", asked.messages, 5)
            )
            targets = {"SQLite": f"sqlite:///{folder}/{n}.db"}
            if asked.postgresql:
                admin = create_engine(store.connect(asked.postgresql).url, isolation_level="AUTOCOMMIT")
                with admin.connect() as connection:
                    connection.execute(text(f"CREATE DATABASE bench{time.time_ns()}"))
                    name = connection.scalar(
                        text("SELECT datname FROM pg_database WHERE datname LIKE 'bench%' ORDER BY oid DESC")
                    )
                targets["PostgreSQL"] = asked.postgresql.rsplit("/", 1)[0] + f"/{name}"
            for target, url in targets.items():
                fill(broker.port, f"{target}{n}", asked.messages, 5)
                took, memory = recorded(broker.port, f"{target}{n}", asked.messages, 5, url)
                rates.setdefault(target, []).append(asked.messages / took)
                peak[target] = max(peak.get(target, 0), memory)
        broker.stop()
    base = statistics.median(rates["bare client"])
    print(f"{'drained by':14}{'messages/s':>12}{'ratio':>8}{'peak MB':>10}")
    for target, seen in rates.items():
        rate = statistics.median(seen)
        print(f"{target:14}{rate:12.0f}{rate / base:8.2f}{peak.get(target, float('nan')):10.0f}")
    print(f"this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
