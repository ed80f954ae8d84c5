"""Publishes a simulated fleet to a broker: as fast as life, faster until it has caught up with the present, or at a
steady rate; and lets somebody break something meanwhile."""

import heapq
import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

from ingest.messages import encode, topic
from ingest.times import now_us
from simulators import SimulationError
from simulators.controller import Sent, messages
from simulators.fleet import run_of
from simulators.scenario import Scenario, Trouble, trouble_of

# Further back than this nothing is paced: it comes at once.
PACED_US = 16 * 3_600_000_000

# What a trainer most likely wants to show of each kind.
_SHOWN: dict[str, dict[str, Any]] = {
    "blocked_line": {"ratio": 4.0},
    "open_line": {"ratio": 0.1},
    "missed_cycles": {"variant": "dead"},
    "incomplete_cycles": {"variant": "short"},
    "timer_mismatch": {"ratio": 1.8},
    "reservoir_loss": {"ratio": 2.0},
    "under_delivery": {"ratio": 0.5},
    "level_sensor": {"variant": "stuck"},
    "pressure_sensor": {"variant": "stuck"},
    "grease_change": {"ratio": 1.25},
    "wrong_clock": {"variant": "reset"},
    "controller_fault": {"variant": "motor_current"},
    "thermometer": {"variant": "cold"},
    "sensor_replaced": {"ratio": 1.15},
}
_OF_A_LINE = ("blocked_line", "open_line", "pressure_sensor", "sensor_replaced")


def break_something(scenario: Scenario, folder: Path, vehicle: str, kind: str) -> Trouble:
    """Leave word in `folder` that something of a vehicle breaks now; a fleet published with that folder takes it up within
    a second. Raises SimulationError where there is no such vehicle or kind."""
    machine = next((m for m in scenario.machines if m.vehicle == vehicle), None)
    if machine is None:
        raise SimulationError(
            f"the scenario has no vehicle {vehicle!r}; it has {scenario.machines[0].vehicle} and others"
        )
    line = {"line": 1 + sum(map(ord, vehicle)) % len(machine.points)} if kind in _OF_A_LINE else {}
    try:
        trouble = trouble_of(
            vehicle, {"kind": kind, "begin_days": 0.0} | _SHOWN.get(kind, {}) | line, len(machine.points)
        )
    except ValueError as error:
        raise SimulationError(str(error)) from None
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{time.time_ns()}-{vehicle}-{kind}.json"
    _save(path, {"vehicle": vehicle, "began_us": None, "trouble": asdict(trouble)})
    return trouble


def _save(path: Path, word: dict[str, Any]) -> None:
    path.with_suffix(".new").write_text(json.dumps(word) + "\n", "utf-8")
    path.with_suffix(".new").replace(path)


class Live:
    """A fleet's messages in order of arrival, from a time on; what somebody breaks changes those still to come."""

    def __init__(self, scenario: Scenario, end_h: float, seed: int, after_us: int, breaks: Path | None) -> None:
        self._end_h, self._seed, self._after_us, self._breaks = end_h, seed, after_us, breaks
        self._scenario = scenario
        self._known: set[Path] = set()
        self._heap: list[tuple[int, int, int, Sent, Iterator[Sent]]] = []
        self._life = [0] * len(scenario.machines)  # grows when a vehicle's future is made anew
        self.take_up(after_us)
        for n in range(len(scenario.machines)):
            self._start(n, after_us)

    def _start(self, n: int, after_us: int) -> None:
        self._life[n] += 1
        self._push(n, self._life[n], messages(run_of(self._scenario, n, self._end_h, self._seed), after_us))

    def _push(self, n: int, life: int, messages: Iterator[Sent]) -> None:
        sent = next(messages, None)
        if sent is not None:
            heapq.heappush(self._heap, (sent.arrives_us, n, life, sent, messages))

    def next_us(self) -> int | None:
        """When the next message arrives; None after the last."""
        while self._heap and self._heap[0][2] != self._life[self._heap[0][1]]:
            heapq.heappop(self._heap)
        return self._heap[0][0] if self._heap else None

    def take(self) -> tuple[str, Sent]:
        """The next message; `next_us` must have said that there is one."""
        _, n, life, sent, messages = heapq.heappop(self._heap)
        self._push(n, life, messages)
        return self._scenario.machines[n].vehicle, sent

    def take_up(self, now_us: int) -> list[str]:
        """Break what somebody has asked for since; what was broken before this fleet was last published stays so."""
        told = []
        for path in sorted(self._breaks.glob("*.json")) if self._breaks is not None and self._breaks.is_dir() else []:
            if path in self._known:
                continue
            self._known.add(path)
            word = json.loads(path.read_text("utf-8"))
            fresh = word["began_us"] is None
            if fresh:
                word["began_us"] = now_us
                _save(path, word)
            trouble = Trouble(**word["trouble"] | {"begin_days": self._end_h / 24 - word["began_us"] / 8.64e10})
            machines = list(self._scenario.machines)
            n = next(k for k, m in enumerate(machines) if m.vehicle == word["vehicle"])
            machines[n] = replace(machines[n], troubles=(*machines[n].troubles, trouble))
            self._scenario = replace(self._scenario, machines=tuple(machines))
            if fresh and self._life[n]:
                self._start(n, now_us)
                told.append(f"{trouble.kind} on {word['vehicle']}")
        return told


def publish(
    client: mqtt.Client,
    live: Live,
    fleet: str,
    from_us: int,
    speed: float,
    rate: float | None,
    stop: threading.Event,
    told: Callable[[int, int, list[str]], None],
) -> None:
    """Publish `speed` times as fast as life until the present, and from then on as it comes; or `rate` messages a second.

    `told` hears (messages published, time reached in microseconds, what was broken) about once a second. Raises
    SimulationError where the broker goes away for long.
    """
    began_us, began = now_us(), time.monotonic()
    base_us = max(from_us, began_us - PACED_US)
    number, last_told, last_us = 0, 0.0, from_us

    def reached() -> int:
        return int(min(base_us + (time.monotonic() - began) * 1e6 * speed, now_us()))

    while not stop.is_set() and (arrives_us := live.next_us()) is not None:
        if time.monotonic() - last_told > 1:
            at_us = last_us if rate is not None else max(last_us, reached())
            told(number, at_us, live.take_up(at_us))
            last_told = time.monotonic()
            continue
        life_s = (arrives_us - reached()) / 1e6 / speed
        wait_s = life_s if rate is None else number / rate - (time.monotonic() - began)
        if wait_s > 0:
            stop.wait(min(1.0, wait_s))
            continue
        vehicle, sent = live.take()
        last_us = sent.arrives_us
        info = client.publish(
            topic(fleet, vehicle, sent.kind), encode(sent.message), qos=1, retain=sent.kind == "state"
        )
        number += 1
        if number % 100 == 0:
            _confirmed(info, stop)
    told(number, last_us, [])


def _confirmed(info: mqtt.MQTTMessageInfo, stop: threading.Event) -> None:
    until = time.monotonic() + 60
    while not info.is_published() and not stop.is_set():
        if time.monotonic() > until:
            raise SimulationError("the broker has not acknowledged anything for a minute; is it still there?")
        stop.wait(0.01)
