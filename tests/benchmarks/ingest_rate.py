"""Rate of recording, in ratio to a client that does nothing: `python -m tests.benchmarks.ingest_rate --messages 100000`.

A backlog of mixed messages (24-channel cycles, levels, ignition) waits in a persistent session of a Mosquitto of its
own; it is drained in turn by a bare paho client that only acknowledges, by `tallow ingest` into SQLite, and into PostgreSQL,
several times, and the same in MQTT 3.1.1. Both are durable: synchronous=FULL, synchronous_commit=on. Then a log file of four times
as many such messages is replayed into each, the start of the program included. With `--held N` each database holds N cycles before.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sqlalchemy import Engine, func, select

from ingest import listener, partitions, schema
from ingest.broker import broker_of
from ingest.database import address, writing
from ingest.messages import SUBSCRIPTION, topic
from ingest.recorder import know_vehicles
from ingest.recorder_process import RecorderProcess
from ingest.times import read_time
from tests.benchmarks.databases import database, empty
from tests.conftest import Mosquitto

VEHICLES = 100
OLDER = " in MQTT 3.1.1"  # of which Mosquitto leaves 20 messages unacknowledged at most
BARE, BARE_OLDER = "bare client", f"bare client{OLDER}"
HELD_FROM_US, HELD_UNTIL_US = read_time("2025-03-01T00:00:00Z"), read_time("2026-03-01T00:00:00Z")


def messages(number: int) -> Iterator[tuple[str, bytes]]:
    """Seven cycles, two switchings and a level out of ten, of a hundred vehicles."""
    peaks = {f"p{c:02d}": 4000.0 + 37 * c for c in range(24)}
    for n in range(number):
        common = {
            "seq": n // VEHICLES,
            "at": "2026-03-01T06:00:00Z",
            "sent_at": "2026-03-01T06:00:01Z",
            "engine_h": 100 + n / 100,
        }
        kind, own = (
            (
                "cycle",
                {
                    "cycle_no": n // VEHICLES,
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
        yield topic("f", f"v{n % VEHICLES}", kind), json.dumps(common | own).encode()


def session(port: int, name: str, version: int, clean: bool = False) -> mqtt.Client:
    """A client with a persistent session of this name, connected."""
    if version == 5:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5, manual_ack=True)
        wishes = Properties(PacketTypes.CONNECT)
        wishes.SessionExpiryInterval, wishes.ReceiveMaximum = 3600, listener.RECEIVE_MAXIMUM
        client.connect("127.0.0.1", port, clean_start=clean, properties=wishes)
    else:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, manual_ack=True, clean_session=False)
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
    sender = mqtt.Client(CallbackAPIVersion.VERSION2)
    sender.max_inflight_messages_set(1000)
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    last = None
    for n, (where, payload) in enumerate(messages(number), start=1):
        last = sender.publish(where, payload, qos=1)
        if n % 20_000 == 0:  # its queue is bounded
            last.wait_for_publish(600)
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

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    began = time.monotonic()
    client = session(port, name, version)
    client.on_message = take
    client.loop_start()
    assert over.wait(600)
    took = time.monotonic() - began
    client.disconnect()
    client.loop_stop()
    return took


def recorded(port: int, name: str, number: int, engine: Engine) -> tuple[float, float]:
    """(seconds from listening to the last commit, peak memory in MB) of `tallow ingest` as a process of its own."""
    environment = os.environ | {
        "TALLOW_DATABASE": address(engine),
        "TALLOW_BROKER": f"mqtt://127.0.0.1:{port}",
    }
    command = [sys.executable, "-m", "dashboard", "ingest", "--client-id", name]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for line in process.stdout:
        if "listening" in line:
            break
    began = time.monotonic()
    while process.poll() is None:
        with engine.connect() as connection:
            if (connection.scalar(select(func.sum(schema.recorder_stats.c.recorded))) or 0) >= number:
                break
        time.sleep(0.02)
    took = time.monotonic() - began
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    memory = sum(
        int(line.split()[1]) / 1024
        for pid in (process.pid, *children)
        for line in Path(f"/proc/{pid}/status").read_text().splitlines()
        if line.startswith("VmHWM")
    )
    process.terminate()
    process.communicate()
    table = schema.message
    with engine.connect() as connection:
        assert connection.scalar(select(func.count()).where(table.c.at_us >= HELD_UNTIL_US)) == number
    return took, memory


def recorded_by_the_older_version(port: int, name: str, number: int, engine: Engine) -> float:
    """Seconds of a listener that speaks MQTT 3.1.1, of which Mosquitto leaves 20 messages unacknowledged at most."""
    stop, ready = threading.Event(), threading.Event()
    with RecorderProcess(address(engine), name) as recording:
        work = listener.Listener(broker_of(f"mqtt://127.0.0.1:{port}", {}), name, recording, stop)
        work._version = MQTTProtocolVersion.MQTTv311
        thread = threading.Thread(target=work.run, args=(ready.set,))
        thread.start()
        assert ready.wait(10)
        began = time.monotonic()
        while work.tally.recorded.total() < number:
            time.sleep(0.02)
        took = time.monotonic() - began
        stop.set()
        thread.join()
    return took


def replayed(folder: Path, number: int, database: str) -> float:
    """Seconds of `tallow replay` of a log file of the same messages, start of the program included."""
    path = folder / "log.ndjson"
    if not path.exists():
        with path.open("w") as log:
            for where, payload in messages(number):
                log.write(
                    f'{{"topic": "{where}", "payload": {payload.decode()}, "received_at": "2026-03-01T06:00:02Z"}}\n'
                )
    began = time.monotonic()
    command = [sys.executable, "-m", "dashboard", "replay", str(path), "--database", database]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - began


def hold(engine: Engine, number: int) -> None:
    """Write `number` cycles of a year before into the database, of the vehicles that the messages come from."""
    known = [f"v{v}" for v in range(VEHICLES)]
    with writing(engine) as connection:
        ids = know_vehicles(connection, [("f", name) for name in known])
        if engine.dialect.name == "postgresql":
            partitions.make_months(connection, range(HELD_FROM_US, HELD_UNTIL_US, 86_400_000_000), set())
    each = number // VEHICLES
    step_us = (HELD_UNTIL_US - HELD_FROM_US) // each
    columns = "vehicle_id, at_us, boot, seq, received_us, kind, engine_h, temp_c, cycle_no, run_s, peak_list, peak_kpa"
    for vehicle_id in ids.values():
        rows = f"{vehicle_id}, {HELD_FROM_US} + i * {step_us}, 'held', i, {HELD_FROM_US} + i * {step_us}, 'cycle', i, 4.5, i, 180, 0"
        if engine.dialect.name == "postgresql":
            source = (
                f"SELECT {rows}, decode(repeat('c0ffee00', 24), 'hex') FROM generate_series(0::bigint, {each - 1}) AS i"
            )
        else:
            source = (
                f"WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < {each - 1})"
                f" SELECT {rows}, randomblob(96) FROM n"
            )
        with writing(engine) as connection:
            connection.exec_driver_sql(f"INSERT INTO message ({columns}) {source}")
            connection.exec_driver_sql(f"INSERT INTO name_range VALUES ({vehicle_id}, 'held', 0, {each - 1})")
    os.sync()  # gigabytes on their way to the disk would be measured as well


def main() -> None:
    """Run the comparison and print a table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--messages", type=int, default=20_000)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--held", type=int, default=0, help="also into databases that hold so many cycles before")
    ask.add_argument("--postgresql", help="address of an administrative database; without it that part is left out")
    asked = ask.parse_args()
    rates: dict[str, list[float]] = {}
    peak: dict[str, float] = {}

    def note(what: str, took: float, number: int = asked.messages) -> None:
        rates.setdefault(what, []).append(number / took)
        print(f"{what}: {number / took:.0f}/s", file=sys.stderr, flush=True)

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder)
        for n in range(asked.rounds):
            fill(broker.port, f"bare{n}", asked.messages, 5)
            note(BARE, bare(broker.port, f"bare{n}", asked.messages, 5))
            fill(broker.port, f"older{n}", asked.messages, 3)
            note(BARE_OLDER, bare(broker.port, f"older{n}", asked.messages, 3))
            servers = {"SQLite": None} | ({"PostgreSQL": asked.postgresql} if asked.postgresql else {})
            for kind, server in servers.items():
                for held in (0, asked.held) if asked.held else (0,):
                    target = f"{kind}, {held:,} held" if held else kind
                    with database(server) as engine:
                        if held:
                            hold(engine, held)
                        fill(broker.port, f"{target}{n}", asked.messages, 5)
                        took, memory = recorded(broker.port, f"{target}{n}", asked.messages, engine)
                        peak[target] = max(peak.get(target, 0), memory)
                        note(target, took)
                with database(server) as engine:
                    session_ = f"{kind}, older {n}"
                    fill(broker.port, session_, asked.messages, 3)
                    took = recorded_by_the_older_version(broker.port, session_, asked.messages, engine)
                    note(f"{kind}{OLDER}", took)
                with empty(server) as url:
                    note(f"{kind}, replay", replayed(folder, 4 * asked.messages, url), 4 * asked.messages)
        broker.stop()
    print(f"{'drained by':32}{'messages/s':>12}{'ratio':>8}{'peak MB':>10}")
    for target, seen in rates.items():
        rate = statistics.median(seen)
        base = statistics.median(rates[BARE_OLDER if target.endswith(OLDER) else BARE])
        print(f"{target:32}{rate:12.0f}{rate / base:8.2f}{peak.get(target, float('nan')):10.0f}")


if __name__ == "__main__":
    main()
