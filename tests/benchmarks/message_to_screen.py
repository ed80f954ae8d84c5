"""From message to screen: how long after a vehicle has published a cycle the fleet page of an open browser shows it.

    python -m tests.benchmarks.message_to_screen --vehicles 1000 [--postgresql postgresql://user@host/postgres]

Broker, ingester, watch, dashboard and browser share this machine, started as they are shipped. Meanwhile the other vehicles send as many
messages a second as at the start of a shift: five times the mean of 40 a vehicle and day.
"""

import argparse
import contextlib
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Page, sync_playwright
from sqlalchemy import Engine

from analytics.pipeline.workers import Workers
from ingest.database import address
from ingest.times import now_us
from tests.benchmarks import large_fleet
from tests.benchmarks.databases import database, tidy
from tests.benchmarks.in_browser import QUIET
from tests.benchmarks.news_rate import brought_up, next_cycles
from tests.conftest import Mosquitto, free_port, program, wait_for_port

MESSAGES_A_DAY, SHIFT_START = 40, 5
SHOWN: Final = 20  # vehicles of the first page that are looked at; nobody else speaks for them
_CYCLES: Final = (
    "([unit]) => [...document.querySelectorAll('table.fleet tbody tr')].find((row) => row.textContent.includes(unit))"
    "?.querySelector('td.num')?.textContent"
)


class Vehicles:
    """What vehicles say next, published over one connection."""

    def __init__(self, engine: Engine, port: int) -> None:
        self._said: dict[str, tuple[str, dict[str, Any]]] = {}
        for arrival in next_cycles(engine, now_us()):
            self._said[arrival.topic.split("/")[3]] = arrival.topic, json.loads(arrival.payload)
        self.names = sorted(self._said)
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def speak(self, name: str) -> None:
        """Publish the next cycle of a vehicle, which happens now."""
        where, payload = self._said[name]
        at = datetime.now(UTC).isoformat()
        payload |= {"at": at, "sent_at": at, "seq": payload["seq"] + 1, "cycle_no": payload["cycle_no"] + 1}
        payload["engine_h"] += 0.65
        self._client.publish(where, json.dumps(payload), qos=1).wait_for_publish(10)

    def speak_on(self, names: list[str], a_second: float, stop: threading.Event) -> None:
        """Let these speak in turn, at irregular times."""
        dice = random.Random(2)
        while not stop.wait(dice.expovariate(a_second)):
            self.speak(dice.choice(names))


@contextlib.contextmanager
def running(url: str, broker_port: int) -> Iterator[str]:
    """The program's processes; the address of the dashboard."""
    port = free_port()
    environment = os.environ | {"TALLOW_DATABASE": url, "TALLOW_BROKER": f"mqtt://127.0.0.1:{broker_port}"}
    commands = [["ingest"], ["watch"], ["dashboard", "--port", str(port)]]
    started = [
        subprocess.Popen(
            [sys.executable, "-m", "dashboard", *command], env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        for command in commands
    ]  # fmt: skip
    try:
        wait_for_port(port, 60)
        time.sleep(5)  # all of them have begun
        yield f"http://127.0.0.1:{port}"
    finally:
        for process in started:
            process.terminate()
        for process in started:
            process.wait(30)


def seen_after_s(page: Page, vehicles: Vehicles, name: str) -> float:
    """Seconds from the moment at which a vehicle publishes a cycle to that at which its row counts it."""
    unit = f"unit {name}"
    before = page.evaluate(_CYCLES, [unit])
    assert before, f"{unit} is not on the page"
    began = time.perf_counter()
    vehicles.speak(name)
    page.wait_for_function(
        f"([unit, before]) => ({_CYCLES})([unit]) !== before", arg=[unit, before], polling=20, timeout=60_000
    )
    return time.perf_counter() - began


def measure(engine: Engine, looks: int) -> list[float]:
    """Seconds of so many messages."""
    dice, stop = random.Random(1), threading.Event()
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        try:
            with running(address(engine), broker.port) as site, sync_playwright() as playwright:
                vehicles = Vehicles(engine, broker.port)
                others = vehicles.names[SHOWN:]
                a_second = len(vehicles.names) * MESSAGES_A_DAY * SHIFT_START / 86_400
                speaking = threading.Thread(target=vehicles.speak_on, args=(others, a_second, stop), daemon=True)
                browser = playwright.chromium.launch(executable_path=program("chromium"), args=QUIET)
                page = browser.new_context(bypass_csp=True).new_page()
                page.goto(f"{site}/fleet?sort=unit")
                page.wait_for_function("() => document.querySelector('table.fleet tbody tr')", timeout=60_000)
                speaking.start()
                found = []
                for n in range(looks):
                    page.wait_for_timeout(dice.uniform(500, 2_500))
                    found.append(seen_after_s(page, vehicles, vehicles.names[n % SHOWN]))
                stop.set()
                speaking.join()
                browser.close()
        finally:
            stop.set()
            broker.stop()
    return found


def main() -> None:
    """Print the median and what 95 of 100 are within."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--vehicles", type=int, default=1000)
    ask.add_argument("--days", type=int, default=90)
    ask.add_argument("--looks", type=int, default=60)
    ask.add_argument("--postgresql")
    asked = ask.parse_args()
    with database(asked.postgresql) as engine:
        large_fleet.write(engine, asked.vehicles, asked.days, 20, now_us() // 3_600_000_000)
        tidy(engine)
        brought_up(engine, Workers(lambda: ThreadPoolExecutor(1)), now_us(), asked.vehicles)
        found = sorted(measure(engine, asked.looks))
    p95 = found[min(len(found) - 1, int(0.95 * len(found)))]
    print(f"{asked.vehicles} vehicles of {asked.days} days, {engine.dialect.name}, {len(found)} messages looked for:")
    print(
        f"message to screen: median {statistics.median(found):.2f} s, 95 of 100 within {p95:.2f} s, longest {found[-1]:.2f} s"
    )


if __name__ == "__main__":
    main()
