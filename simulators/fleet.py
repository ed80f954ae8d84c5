"""A whole fleet: its registry files, its messages in order of arrival, and the truth about what was broken."""

import csv
import gzip
import heapq
import json
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from ingest.messages import Arrival, encode, topic
from ingest.times import EPOCH, instant
from simulators import greased, reservoir
from simulators.controller import Sent, arrival_us, messages
from simulators.machine import Simulation, channels
from simulators.scenario import KINDS, LOOK_ALIKES, Machine, Scenario, Trouble

_VEHICLE_COLUMNS = (
    "vehicle fleet unit class depot timezone commissioned feed reservoir_l low_mark_pct interval_min run_s"
    " relief_kpa grease nlgi level confirmation nominal_v"
).split()
_LINE_COLUMNS = "fleet vehicle line bundle point channel dose_cm3 length_m bore_mm critical".split()

Rows = list[dict[str, Any]]

FUTURE_DAYS = 60  # that a scenario is worked out beyond its history, and then again and again
CREEPING_DAYS = 30  # over which a fault has to grow to be called creeping
COARSE_PCT = 2  # steps from which a level sensor is called coarse
PER_FILE = 25  # vehicles whose messages are in memory together


def history_days(scenario: Scenario, machine: Machine) -> int:
    """For how many days a vehicle has a history."""
    return scenario.days if machine.fitted_days is None else min(machine.fitted_days, scenario.days)


def start_hour(scenario: Scenario, machine: Machine, end_h: float) -> float:
    """Where a vehicle's history begins: a UTC midnight, so many days before its end."""
    return float(int(end_h // 24) - history_days(scenario, machine)) * 24


def run_of(scenario: Scenario, n: int, end_h: float, seed: int, more_days: int = 0) -> Simulation:
    """The simulation of the scenario's vehicle number `n`: until FUTURE_DAYS and `more_days` after its history."""
    machine = scenario.machines[n]
    depot, start_h = scenario.depots[machine.depot], start_hour(scenario, machine, end_h)
    days = history_days(scenario, machine) + FUTURE_DAYS
    return Simulation(machine, depot, start_h, days, end_h, [seed, n], more_days)


def write_registry(scenario: Scenario, end_h: float, folder: Path) -> None:
    """Write `vehicles.csv` and `lines.csv`."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "vehicles.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(_VEHICLE_COLUMNS)
        for m in scenario.machines:
            depot = scenario.depots[m.depot]
            old_h = 0 if m.fitted_days is not None else 200 * 24
            commissioned = (EPOCH + timedelta(hours=start_hour(scenario, m, end_h) - old_h)).date().isoformat()
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


def truth_of(run: Simulation, fleet: str, as_of_h: Sequence[float], until_h: float) -> dict[str, list[dict[str, Any]]]:
    """What really happened to one vehicle up to a time: `faults`; `context`, what is odd and no fault; fills; and at each as-of when
    the low mark would be reached if nobody filled it; and the doses of each month, planned and arrived, by point."""
    who: dict[str, Any] = {"fleet": fleet, "vehicle": run.machine.vehicle}
    broken, odd = _troubles(run, until_h)
    low, near = _at_the_marks(run, until_h)
    litres = run.machine.reservoir_l / 100
    fills = [
        {"at": _time(f.hour), "from_pct": round(f.from_pct, 1), "to_pct": round(f.to_pct, 1),
         "litres": round((f.to_pct - f.from_pct) * litres, 3)}
        for f in run.level.fills if f.hour < until_h
    ]  # fmt: skip
    refills = []
    for at in as_of_h:
        due = reservoir.due_hour(run.cycle_clock, run.use_pct, run.level, at, run.machine.low_mark_pct)
        refills.append({"as_of": _time(at), "due_at": None if due is None else _time(due)})
    parts = {
        "faults": broken + low,
        "context": odd + _standing_still(run, until_h) + _meters(run) + near,
        "fills": fills,
        "refills": refills,
        "doses": greased.months(run, until_h),
    }
    return {part: [who | row for row in rows] for part, rows in parts.items()}


def _span(kind: str, variant: str, begin: float, end: float, until_h: float) -> dict[str, Any]:
    return {
        "kind": kind,
        "variant": variant,
        "began_at": _time(begin),
        "ended_at": None if end >= until_h else _time(end),
    }


def _troubles(run: Simulation, until_h: float) -> tuple[Rows, Rows]:
    """(faults, look-alikes) of the scenario. A fault of a line is `certain_at` the time from which its channel shows it: null where it
    never does, or never read otherwise."""
    watched = channels(run.machine)
    broken, odd = Rows(), Rows()
    for begin, end, t in run.spans(*KINDS, *LOOK_ALIKES):
        if begin >= until_h:
            continue
        row = _span(t.kind, t.variant, begin, end, until_h)
        if t.kind in LOOK_ALIKES:
            odd.append(row)
        elif t.kind not in ("low_level", "overfill", "starved_pump"):  # those come of what people do
            row |= {"channel": watched.get(t.line or 0), "line": t.line, "ratio": t.ratio}
            broken.append(row | _grown(run, begin, end, t) if t.kind in ("blocked_line", "open_line") else row)
    return broken, odd


def _grown(run: Simulation, begin: float, end: float, t: Trouble) -> dict[str, Any]:
    """The variant of a line's fault, and when the pressure on its channel was first 1.5 times, or half, of what it would be with sound
    lines, or at relief."""
    if begin <= run.start_h:
        return {"variant": "from the start", "certain_at": None}
    watched, relief = channels(run.machine), run.machine.relief_kpa
    own = [j for j, p in enumerate(run.machine.points) if watched[p.line] == watched[t.line or 1]]
    main = run.machine.channel_by == "main"
    is_, should = (
        np.minimum(stroke.main_kpa if main else stroke.line_kpa[:, own].max(axis=1), relief)
        for stroke in (run.stroke, run.sound_stroke)
    )
    ratio = is_ / should
    seen = (ratio <= 0.5) if t.kind == "open_line" else (ratio >= 1.5) | ((is_ >= 0.98 * relief) & (ratio > 1.1))
    seen &= (run.cycle_clock >= begin) & (run.cycle_clock < end) & (watched[t.line or 1] is not None)
    certain_at = _time(float(run.done_clock[np.argmax(seen)])) if seen.any() else None
    return {"variant": "creeping" if t.ramp_days >= CREEPING_DAYS else t.variant, "certain_at": certain_at}


def _standing_still(run: Simulation, until_h: float) -> Rows:
    """Stops of more than three days, and the closing of the depot."""
    stops = [
        _span("idle", "", off, on, until_h)
        for off, on in zip(run.on[:, 1], [*run.on[1:, 0], np.inf], strict=True)
        if on - off > 72 and off < until_h
    ]
    return stops + [_span("depot_closed", "", begin, end, until_h) for begin, end in run.closed() if begin < until_h]


def _meters(run: Simulation) -> Rows:
    """What its meters are like, from its first day on."""
    machine, always = run.machine, (run.start_h, np.inf, run.start_h)
    rows = [_span("hour_meter", machine.hour_meter, *always)] if machine.hour_meter != "fine" else []
    if machine.level_step_pct >= COARSE_PCT:
        rows.append(_span("coarse_level", "", *always) | {"step_pct": machine.level_step_pct})
    return rows


def _at_the_marks(run: Simulation, until_h: float) -> tuple[Rows, Rows]:
    """(faults, context) of the level: at the low mark, above the full mark, out of grease; and near the low mark, as near as the
    sensor's step could tell."""
    clock, level, machine = run.cycle_clock, run.level, run.machine
    sensed, shows_over = machine.level != "none", machine.level == "percent" and machine.level_step_pct < 10
    near_pct = machine.low_mark_pct + max(3.0, machine.level_step_pct / 2)
    seen = {
        "low_level": (level.pct <= machine.low_mark_pct) & sensed,
        "near_mark": (level.pct <= near_pct) & sensed,
        "overfill": (level.pct > 101.0) & shows_over,
        "starved_pump": level.airy & any(channels(machine).values()),
    }
    faults, context = Rows(), Rows()
    for kind, flag in seen.items():
        edges = np.flatnonzero(np.diff(np.r_[0, flag.astype(np.int8), 0]))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            begin, end = float(clock[first]), float(clock[last]) if last < len(clock) else np.inf
            if begin >= until_h:
                continue
            extreme = level.pct[first:last].max() if kind == "overfill" else level.pct[first:last].min()
            row = _span(kind, "", begin, end, until_h) | {"level_pct": round(float(extreme), 1)}
            if kind == "near_mark":
                context.append(row)
            else:
                faults.append(row | {"channel": None, "line": None, "ratio": 1.0})
    return faults, context


def _time(hours: float) -> str:
    return instant(arrival_us(hours)).strftime("%Y-%m-%dT%H:%M:%SZ")


def log_line(fleet: str, vehicle: str, sent: Sent) -> bytes:
    """A message as a line of a log file, with the time of its receipt."""
    received = instant(sent.arrives_us).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return b'{"topic":"%s","payload":%s,"received_at":"%s"}\n' % (
        topic(fleet, vehicle, sent.kind).encode(), encode(sent.message), received.encode(),
    )  # fmt: skip


def arrivals(scenario: Scenario, n: int, end_h: float, seed: int, until_us: int) -> Iterator[Arrival]:
    """What vehicle number `n` sent up to a time, in order of arrival."""
    run = run_of(scenario, n, end_h, seed)
    for sent in messages(run):
        if sent.arrives_us >= until_us:
            return
        yield Arrival(topic(scenario.fleet, run.machine.vehicle, sent.kind), encode(sent.message), sent.arrives_us)


def _story_of(
    scenario: Scenario, end_h: float, seed: int, until_us: int, as_of_h: Sequence[float], n: int
) -> tuple[dict[str, Rows], list[tuple[int, str, int, bytes]]]:
    """The truth about one vehicle, and its log lines with what orders them among those of others; runs in a process of its own."""
    run = run_of(scenario, n, end_h, seed)
    log = []
    for k, sent in enumerate(messages(run)):
        if sent.arrives_us >= until_us:
            break
        log.append((sent.arrives_us, run.machine.vehicle, k, log_line(scenario.fleet, run.machine.vehicle, sent)))
    return truth_of(run, scenario.fleet, as_of_h, until_us / 3.6e9), log


def write(
    scenario: Scenario, end_h: float, seed: int, until_us: int, folder: Path, progress: Callable[[int], None]
) -> int:  # fmt: skip
    """Write registry, messages that arrive before `until_us`, and truth, all or nothing; the number of messages.

    A log file holds some vehicles' messages in order of arrival: what one file holds is all that is in memory at once.
    """
    with TemporaryDirectory(prefix=".simulating-", dir=folder) as name:  # a part of a story looks like a whole one
        number = _write(scenario, end_h, seed, until_us, Path(name), progress)
        for path in sorted(Path(name).iterdir()):
            path.replace(folder / path.name)
    return number


def _write(
    scenario: Scenario, end_h: float, seed: int, until_us: int, folder: Path, progress: Callable[[int], None]
) -> int:  # fmt: skip
    write_registry(scenario, end_h, folder)
    number, count = 0, len(scenario.machines)
    as_of_h = [*(end_h - 24 * days for days in scenario.ask_days), end_h]
    truth: dict[str, Any] = {
        "as_of": [_time(h) for h in as_of_h],
        "end": _time(until_us / 3.6e9),
        "days": scenario.days,
    }
    truth |= {part: [] for part in ("faults", "context", "fills", "refills", "doses")}
    told = partial(_story_of, scenario, end_h, seed, until_us, as_of_h)
    with ProcessPoolExecutor(min(os.cpu_count() or 1, count), multiprocessing.get_context("forkserver")) as pool:
        for first in range(0, count, PER_FILE):
            logs = []
            for n, (true, log) in enumerate(
                pool.map(told, range(first, min(first + PER_FILE, count))), start=first + 1
            ):
                logs.append(log)
                for part, rows in true.items():
                    truth[part] += rows
                progress(n)
            path = folder / f"messages-{first // PER_FILE + 1:02d}.ndjson.gz"
            with gzip.open(path, "wb", compresslevel=1) as file:
                for _, _, _, line in heapq.merge(*logs):
                    file.write(line)
                    number += 1
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", "utf-8")
    return number
