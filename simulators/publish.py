"""Publishes a simulated fleet to a broker: as fast as life, faster until it has caught up with the present, or at a
steady rate; and lets somebody break something meanwhile."""

import heapq
import json
import math
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

from ingest.messages import encode, topic
from ingest.times import now_us, pace
from simulators import SimulationError
from simulators.controller import Sent, messages
from simulators.fleet import FUTURE_DAYS, run_of
from simulators.scenario import KINDS, LOOK_ALIKES, Machine, Scenario, Trouble, trouble_of

# So long before the end of what was worked out of a vehicle more is worked out: its last days do not know yet what was under way.
_AHEAD_DAYS = 20

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
# What only a pressure reading shows, and what only a level reading in percent does.
_BY_PRESSURE = ("blocked_line", "open_line", "starved_pump", "pressure_sensor", "grease_change", "thermometer")
_BY_LEVEL = ("reservoir_loss", "under_delivery", "overfill", "level_sensor", "top_ups", "sensor_replaced")
# What shows after some cycles; the rest takes days of the fleet's own time.
AT_ONCE = ("blocked_line", "open_line", "starved_pump", "missed_cycles", "incomplete_cycles", "pressure_sensor")


def shown_by(machine: Machine) -> tuple[str, ...]:
    """The kinds of trouble that a vehicle has the readings to show."""
    blind = (_BY_PRESSURE if machine.channel_by == "none" else ()) + (_BY_LEVEL if machine.level != "percent" else ())
    return tuple(
        kind
        for kind in (*KINDS, *LOOK_ALIKES)
        if kind not in blind and (kind != "low_level" or machine.level != "none")
    )


def break_something(scenario: Scenario, folder: Path, vehicle: str, kind: str) -> Trouble:
    """Leave word in `folder` that something of a vehicle breaks now; a fleet published with that folder takes it up within
    a second. Raises SimulationError where there is no such vehicle, or it cannot show that kind."""
    machine = _machine(scenario, vehicle)
    if kind not in shown_by(machine):
        raise SimulationError(f"{vehicle} cannot show {kind!r}; it can show: {', '.join(shown_by(machine))}")
    line = {"line": 1 + sum(map(ord, vehicle)) % len(machine.points)} if kind in _OF_A_LINE else {}
    trouble = trouble_of(vehicle, {"kind": kind, "begin_days": 0.0} | _SHOWN.get(kind, {}) | line, len(machine.points))
    _leave_word(folder, vehicle, kind, asdict(trouble))
    return trouble


def mend(scenario: Scenario, folder: Path, vehicle: str, end_h: float) -> list[str]:
    """Leave word that all that is broken on a vehicle is mended now, whether the scenario or somebody broke it; which kinds. Raises
    SimulationError where nothing is."""
    _machine(scenario, vehicle)
    now = _with_words(scenario, [word for _, word in _words(folder)], end_h)
    broken = [t.kind for t in _machine(now, vehicle).troubles if t.end_days is None]
    if not broken:
        raise SimulationError(f"nothing is broken on {vehicle}")
    _leave_word(folder, vehicle, "mended", None)
    return broken


def _machine(scenario: Scenario, vehicle: str) -> Machine:
    machine = next((m for m in scenario.machines if m.vehicle == vehicle), None)
    if machine is None:
        names = ", ".join(m.vehicle for m in scenario.machines[:40])
        raise SimulationError(f"the scenario has no vehicle {vehicle!r}; it has: {names}")
    return machine


def _leave_word(folder: Path, vehicle: str, what: str, trouble: dict[str, Any] | None) -> None:
    """That something happens as soon as it is read: a trouble, or that all troubles end."""
    folder.mkdir(parents=True, exist_ok=True)
    _save(folder / f"{time.time_ns()}-{vehicle}-{what}.json", {"vehicle": vehicle, "at_us": None, "trouble": trouble})


def _words(folder: Path | None) -> list[tuple[Path, dict[str, Any]]]:
    """What somebody broke and mended, in order."""
    paths = sorted(folder.glob("*.json")) if folder is not None and folder.is_dir() else []
    return [(path, json.loads(path.read_text("utf-8"))) for path in paths]


def _with_words(scenario: Scenario, words: Sequence[dict[str, Any]], end_h: float) -> Scenario:
    """The scenario as somebody has broken and mended it since."""
    machines = {m.vehicle: m for m in scenario.machines}
    for word in words:
        machine = machines[word["vehicle"]]
        days = 0.0 if word["at_us"] is None else end_h / 24 - word["at_us"] / 8.64e10
        if word["trouble"] is None:
            troubles = tuple(replace(t, end_days=days) if t.end_days is None else t for t in machine.troubles)
        else:
            troubles = (*machine.troubles, Trouble(**word["trouble"] | {"begin_days": days}))
        machines[word["vehicle"]] = replace(machine, troubles=troubles)
    return replace(scenario, machines=tuple(machines.values()))


def _save(path: Path, word: dict[str, Any]) -> None:
    path.with_suffix(".new").write_text(json.dumps(word) + "\n", "utf-8")
    path.with_suffix(".new").replace(path)


class Live:
    """A fleet's messages in order of arrival, from a time on and without an end; what somebody breaks changes those still to come."""

    def __init__(self, scenario: Scenario, end_h: float, seed: int, after_us: int, breaks: Path | None) -> None:
        self._end_h, self._seed, self._taken_us, self._breaks = end_h, seed, after_us, breaks
        self._story = self._scenario = scenario
        self._known: set[Path] = set()
        self._heap: list[tuple[int, int, int, Sent, Iterator[Sent]]] = []
        self._life = [0] * len(scenario.machines)  # grows when a vehicle's future is made anew
        self._more_days = 0
        self.take_up(after_us)
        for n in range(len(scenario.machines)):
            self._start(n)

    def _start(self, n: int) -> None:
        """Work out a vehicle's future from the last message taken on."""
        self._life[n] += 1
        run = run_of(self._scenario, n, self._end_h, self._seed, self._more_days)
        self._push(n, self._life[n], messages(run, self._taken_us))

    def _go_on(self, now_us: int) -> bool:
        """Whether the fleet's future has to be worked out further, since its end comes near."""
        ahead_days = self._end_h / 24 + FUTURE_DAYS + self._more_days - now_us / 8.64e10
        further = max(0, math.ceil((_AHEAD_DAYS - ahead_days) / FUTURE_DAYS))
        self._more_days += further * FUTURE_DAYS
        return further > 0

    def _push(self, n: int, life: int, messages: Iterator[Sent]) -> None:
        sent = next(messages, None)
        if sent is not None:
            heapq.heappush(self._heap, (sent.arrives_us, n, life, sent, messages))

    def next_us(self) -> int | None:
        """When the next message arrives; None where no vehicle sends any more."""
        while self._heap and self._heap[0][2] != self._life[self._heap[0][1]]:
            heapq.heappop(self._heap)
        return self._heap[0][0] if self._heap else None

    def take(self) -> tuple[str, Sent]:
        """The next message; `next_us` must have said that there is one."""
        self._taken_us, n, life, sent, messages = heapq.heappop(self._heap)
        self._push(n, life, messages)
        return self._scenario.machines[n].vehicle, sent

    def take_up(self, now_us: int) -> list[str]:
        """Break and mend what somebody has asked for since, and go on where the end comes near; what was broken before this fleet was
        last published stays so."""
        words = _words(self._breaks)
        new = [(path, word) for path, word in words if path not in self._known]
        fresh = [word for _, word in new if word["at_us"] is None]
        for path, word in new:
            self._known.add(path)
            if word["at_us"] is None:
                word["at_us"] = now_us
                _save(path, word)
        if new:
            self._scenario = _with_words(self._story, [word for _, word in words], self._end_h)
        changed = {word["vehicle"] for word in fresh}
        further = self._go_on(now_us)
        for n, machine in enumerate(self._scenario.machines):
            if self._life[n] and (further or machine.vehicle in changed):
                self._start(n)
        return [
            f"{word['trouble']['kind'] if word['trouble'] else 'mended'} on {word['vehicle']}"
            for word in fresh
            if self._life[0]
        ]


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
        if pace() > 1:  # a demo, whose clock says how fast time runs: what its start took is made up for at once
            return now_us()
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
