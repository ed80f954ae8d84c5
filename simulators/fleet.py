"""A whole fleet: its registry files, its messages in order of arrival, and the truth about what was broken."""

import csv
import gzip
import heapq
import json
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path

from ingest.messages import EPOCH, encode, instant, topic
from simulators.machine import Sent, Simulation, channels
from simulators.scenario import Scenario

_VEHICLE_COLUMNS = (
    "vehicle fleet unit class depot timezone commissioned feed reservoir_l low_mark_pct interval_min run_s"
    " relief_kpa grease nlgi level confirmation nominal_v"
).split()
_LINE_COLUMNS = "fleet vehicle line bundle point channel dose_cm3 length_m bore_mm critical".split()

FUTURE_DAYS = 60  # how long a scenario goes on after its history


def start_hour(scenario: Scenario, end_h: float) -> float:
    """Where the history begins: a UTC midnight, so many days before its end."""
    return float(int(end_h // 24) - scenario.days) * 24


def simulate(
    scenario: Scenario, end_h: float, seed: int, progress: Callable[[int], None]
) -> Iterator[tuple[str, Sent]]:  # fmt: skip
    """(vehicle, message) of the whole fleet in order of arrival; the same for the same scenario, end and seed."""
    start_h = start_hour(scenario, end_h)
    told = []
    for n, machine in enumerate(scenario.machines):
        depot = scenario.depots[machine.depot]
        run = Simulation(machine, depot, start_h, scenario.days + FUTURE_DAYS, end_h, [seed, n])
        told.append([(sent.arrives_us, n, k, machine.vehicle, sent) for k, sent in enumerate(run.messages())])
        progress(n + 1)
    for _, _, _, vehicle, sent in heapq.merge(*told):
        yield vehicle, sent


def write_registry(scenario: Scenario, end_h: float, folder: Path) -> None:
    """Write `vehicles.csv` and `lines.csv`."""
    folder.mkdir(parents=True, exist_ok=True)
    commissioned = (EPOCH + timedelta(hours=start_hour(scenario, end_h) - 200 * 24)).date().isoformat()
    with (folder / "vehicles.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(_VEHICLE_COLUMNS)
        for m in scenario.machines:
            depot = scenario.depots[m.depot]
            confirmed = "yes" if m.feed == "progressive" else "no"
            out.writerow([m.vehicle, scenario.fleet, m.unit, m.vehicle_class, depot.name, depot.timezone, commissioned,
                          m.feed, m.reservoir_l, m.low_mark_pct, m.interval_min, m.run_s, m.relief_kpa,
                          "calcium sulfonate EP", m.nlgi, m.level, confirmed, 24])  # fmt: skip
    with (folder / "lines.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(_LINE_COLUMNS)
        for m in scenario.machines:
            watched = channels(m)
            for p in m.points:
                out.writerow([scenario.fleet, m.vehicle, p.line, p.bundle, p.point, watched[p.line] or "", p.dose_cm3,
                              p.length_m, p.bore_mm, "yes" if p.critical else "no"])  # fmt: skip


def write_truth(scenario: Scenario, end_h: float, path: Path) -> None:
    """Write what was broken, and when, for whoever scores the analysis."""

    def time(days: float | None) -> str | None:
        return None if days is None else (EPOCH + timedelta(hours=end_h - 24 * days)).isoformat()

    rows = [
        {"fleet": scenario.fleet, "vehicle": m.vehicle, "began_at": time(t.begin_days), "ended_at": time(t.end_days)}
        | {k: v for k, v in asdict(t).items() if k not in ("begin_days", "end_days")}
        for m in scenario.machines
        for t in m.troubles
    ]
    path.write_text(json.dumps(rows, indent=1) + "\n", "utf-8")


def log_line(fleet: str, vehicle: str, sent: Sent) -> bytes:
    """A message as a line of a log file, with the time of its receipt."""
    received = instant(sent.arrives_us).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return b'{"topic":"%s","payload":%s,"received_at":"%s"}\n' % (
        topic(fleet, vehicle, sent.kind).encode(), encode(sent.message), received.encode(),
    )  # fmt: skip


def write_history(
    scenario: Scenario, end_h: float, seed: int, until_us: int, path: Path, progress: Callable[[int], None]
) -> int:  # fmt: skip
    """Write the messages that arrive before `until_us` to a log file; returns their number."""
    number = 0
    with gzip.open(path, "wb", compresslevel=1) as file:
        for vehicle, sent in simulate(scenario, end_h, seed, progress):
            if sent.arrives_us >= until_us:
                break
            file.write(log_line(scenario.fleet, vehicle, sent))
            number += 1
    return number
