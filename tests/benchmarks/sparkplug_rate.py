"""Rate of recording Sparkplug B, in ratio to our own messages: `python -m tests.benchmarks.sparkplug_rate --messages 50000`.

The same cycles of 24 channels, levels and switchings of a hundred vehicles are recorded in turn, several times: as a log file of each form
by `tallow replay`, and from a Mosquitto of its own by `tallow ingest`, into SQLite. At the broker a backlog waits, each as it is
published in life: our own messages with QoS 1, Sparkplug with QoS 0 as its specification demands (6.4.19 to 6.4.22), which this broker is
told to keep. Every value that a cycle has is reported anew.
"""

import argparse
import base64
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import func, select

from ingest import schema
from ingest.database import address
from ingest.formats.sparkplug.payload import SUBSCRIPTION as SPARKPLUG
from ingest.formats.sparkplug.schema_pb2 import Payload
from ingest.messages import SUBSCRIPTION
from tests.benchmarks.databases import database
from tests.benchmarks.ingest_rate import VEHICLES, messages, session
from tests.conftest import Mosquitto

CHANNELS = [f"p{c:02d}" for c in range(24)]
MAPPING = """
vehicle = { fleet = "group_id", vehicle = "edge_node_id" }
[[message]]
kind = "cycle"
[message.fields]
cycle_no = "Cycles"
run_s = "Run"
temp_c = "Air"
supply_v = "Supply"
engine_h = "Hours"
[message.channels]
""" + "".join(f'{c} = {{ peak = "{c}" }}\n' for c in CHANNELS) + """
[[message]]
kind = "ignition"
fields = { on = "On", engine_h = "Hours" }
[[message]]
kind = "level"
fields = { level_pct = "Level", tilt_deg = "Tilt", engine_h = "Hours" }
"""  # fmt: skip
METRICS = ["Cycles", "Run", "Air", "Supply", "Hours", "On", "Level", "Tilt", *CHANNELS]
_TYPES = {"Cycles": (8, "long_value", int), "On": (11, "boolean_value", bool)}
AT_MS = 1_772_344_800_000


def published(number: int) -> Iterator[tuple[str, bytes]]:
    """The births of all vehicles, and then what happened; each with an alias only, as edge nodes do."""
    for vehicle in range(VEHICLES):
        birth = Payload(timestamp=AT_MS, seq=0)
        birth.metrics.add(name="bdSeq", datatype=4, long_value=0, timestamp=AT_MS)
        for alias, name in enumerate(METRICS, start=1):
            type_, _, _ = _TYPES.get(name, (9, "", None))
            birth.metrics.add(name=name, alias=alias, datatype=type_, timestamp=AT_MS, is_null=True)
        yield f"spBv1.0/f/NBIRTH/v{vehicle}", birth.SerializeToString()
    for n in range(number):
        turn = n // VEHICLES
        common = {"Hours": 100 + n / 100}
        own = (
            {"Cycles": turn + 1, "Run": 180.2, "Air": 4.5, "Supply": 27.1} | {c: 4000 + 37.0 * i + turn % 9 for i, c in enumerate(CHANNELS)}
            if n % 10 < 7
            else {"On": turn % 2 == 0}
            if n % 10 < 9
            else {"Level": 50.5, "Tilt": 1.5}
        )  # fmt: skip
        at = AT_MS + 1000 * turn
        told = Payload(timestamp=at + 500, seq=(turn + 1) % 256)
        for name, value in (common | own).items():
            _, where, kind = _TYPES.get(name, (9, "float_value", float))
            metric = told.metrics.add(alias=METRICS.index(name) + 1, timestamp=at)
            setattr(metric, where, kind(value))
        yield f"spBv1.0/f/NDATA/v{n % VEHICLES}", told.SerializeToString()


def wait_for(port: int, name: str, topics: str, said: Iterator[tuple[str, bytes]], qos: int) -> None:
    """Let messages wait for the session `name`."""
    subscribed = threading.Event()
    waiting = session(port, name, 5)
    waiting.on_subscribe = lambda *_: subscribed.set()
    waiting.loop_start()
    waiting.subscribe(topics, qos=1)
    assert subscribed.wait(5)
    waiting.disconnect()
    waiting.loop_stop()
    sender = mqtt.Client(CallbackAPIVersion.VERSION2)
    sender.max_inflight_messages_set(1000)
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    last = None
    for n, (where, payload) in enumerate(said, start=1):
        last = sender.publish(where, payload, qos)
        if n % 20_000 == 0:
            last.wait_for_publish(600)
    assert last is not None
    last.wait_for_publish(600)
    sender.disconnect()
    sender.loop_stop()


def ingested(port: int, name: str, number: int, form: list[str]) -> float:
    """Messages a second, from the first commit to the last: what waits may come before the subscription is answered."""
    with database(None) as engine:
        environment = os.environ | {"TALLOW_DATABASE": address(engine), "TALLOW_BROKER": f"mqtt://127.0.0.1:{port}"}
        command = [sys.executable, "-m", "dashboard", "ingest", "--client-id", name, *form]
        process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)
        recorded = select(func.coalesce(func.sum(schema.recorder_stats.c.recorded), 0))
        first, began, held = 0, 0.0, 0
        while process.poll() is None and held < number:
            with engine.connect() as connection:
                held = connection.execute(recorded).scalar_one()
            if held and not first:
                first, began = held, time.monotonic()
            time.sleep(0.02)
        took = time.monotonic() - began
        process.terminate()
        process.wait(20)
        with engine.connect() as connection:
            assert connection.scalar(select(func.count()).select_from(schema.message)) == number
    return (number - first) / took


def replayed(log: Path, number: int, form: list[str]) -> float:
    """Seconds of `tallow replay`, start of the program included."""
    with database(None) as engine:
        began = time.monotonic()
        command = [sys.executable, "-m", "dashboard", "replay", str(log), "--database", address(engine), *form]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        took = time.monotonic() - began
        with engine.connect() as connection:
            assert connection.scalar(select(func.count()).select_from(schema.message)) == number
    return took


def main() -> None:
    """Run the comparison and print a table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--messages", type=int, default=20_000)
    ask.add_argument("--rounds", type=int, default=3)
    asked = ask.parse_args()
    number, rates = asked.messages, dict[str, list[float]]()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "map.toml").write_text(MAPPING)
        form = ["--format", "sparkplug", "--mapping", str(folder / "map.toml")]
        with (folder / "own").open("w") as log:
            log.writelines(f'{{"topic": "{where}", "payload": {said.decode()}}}\n' for where, said in messages(number))
        with (folder / "sparkplug").open("w") as log:
            log.writelines(
                f'{{"topic": "{where}", "payload": "{base64.b64encode(said).decode()}"}}\n'
                for where, said in published(number)
            )
        broker = Mosquitto(folder, "allow_anonymous true\nqueue_qos0_messages true\n")
        for n in range(asked.rounds):
            for what, topics, said, qos, more in (
                ("own", SUBSCRIPTION, partial(messages, number), 1, []),
                ("sparkplug", SPARKPLUG, partial(published, number), 0, form),
            ):
                rates.setdefault(f"{what}, replay", []).append(number / replayed(folder / what, number, more))
                wait_for(broker.port, f"{what}{n}", topics, said(), qos)
                rates.setdefault(f"{what}, ingest", []).append(ingested(broker.port, f"{what}{n}", number, more))
        broker.stop()
    print(f"{'form, way':24}{'messages/s':>12}{'ratio to own':>14}")
    for what, seen in rates.items():
        rate, own = statistics.median(seen), statistics.median(rates[f"own, {what.split(', ')[1]}"])
        print(f"{what:24}{rate:12.0f}{rate / own:14.2f}")


if __name__ == "__main__":
    main()
