"""What grows with a fleet: rate of recording, time of the analysis, size of the database, and how soon a page is there.

    python -m tests.benchmarks.growth [--postgresql postgresql://user@host/postgres]

Fleets of 100 and 1,000 vehicles have a year, one of 10,000 a month, ten cycles a day with 24 lines each, written to the store directly.
Exponents are those of a straight line through the logarithms: 1 is growth in proportion, 0 none.
"""

import argparse
import json
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from sqlalchemy import Engine

from analytics.pipeline import results
from analytics.pipeline.tasks import outcome_of, registered, tasks_of
from ingest.database import address, writing
from ingest.messages import Arrival, topic
from ingest.recorder import Recorder
from ingest.times import instant, now_us
from tests.benchmarks import dashboard_latency, large_fleet
from tests.benchmarks.databases import database, tidy

FLEETS = ((100, 365), (1000, 365), (10_000, 30))
CYCLES_A_DAY, NEW, BATCH, ANALYSED = 10, 30_000, 3000, 60


def recording_rate(engine: Engine, vehicles: int) -> float:
    """Messages a second into a database that holds what it holds, by one recorder without a broker."""
    peaks = {f"p{c:02d}": 4000.0 + 37 * c for c in range(24)}
    at = instant(now_us()).strftime("%Y-%m-%dT%H:%M:%SZ")
    arrivals = []
    for n in range(NEW):
        turn = n // vehicles  # everybody in turn: cycles and switchings by halves
        common = {"seq": turn, "boot": "new", "at": at, "sent_at": at, "engine_h": 100 + turn / 100}
        cycle = (n + turn) % 2 == 0
        kind = "cycle" if cycle else "ignition"
        own = {"cycle_no": turn, "run_s": 120.0, "temp_c": 4.5, "peak_kpa": peaks} if cycle else {"on": turn % 4 == 0}
        arrivals.append(
            Arrival(topic("large", f"V{n % vehicles:06d}", kind), json.dumps(common | own).encode(), now_us())
        )
    recorder = Recorder(engine, "growth")
    recorder.record(arrivals[:BATCH])  # names are known
    began = time.perf_counter()
    for first in range(BATCH, NEW, BATCH):
        recorder.record(arrivals[first : first + BATCH])
    return (NEW - BATCH) / (time.perf_counter() - began)


def analysis_seconds(engine: Engine, vehicles: int) -> float:
    """Seconds for the whole fleet, one process, from some of its vehicles."""
    with engine.connect() as connection:
        ids = registered(connection)[:ANALYSED]
        tasks = tasks_of(connection, address(engine), now_us(), ids)
    outcome_of(tasks[0])  # libraries are there
    began = time.perf_counter()
    for task in tasks:
        outcome = outcome_of(task)
        with writing(engine) as connection:
            results.keep(connection, outcome)
    return (time.perf_counter() - began) / len(tasks) * vehicles


def size_mb(engine: Engine) -> float:
    """Of the database on disk."""
    if engine.dialect.name == "sqlite":
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        return Path(engine.url.database or "").stat().st_size / 1e6
    with engine.connect() as connection:
        return float(connection.exec_driver_sql("SELECT pg_database_size(current_database())").scalar_one()) / 1e6


def exponent(x: Sequence[float], y: Sequence[float]) -> float:
    """Of y in x."""
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def main() -> None:
    """Print a line for each fleet, and the exponents."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--postgresql")
    parser.add_argument("--shrink", type=int, default=1, help="fleets smaller by so much, to try it")
    asked = parser.parse_args()
    table: list[tuple[float, ...]] = []
    print("vehicles  days      rows  recording/s  analysis s  a vehicle ms  size MB  fleet page p95 ms", flush=True)
    for vehicles, days in ((n // asked.shrink, d) for n, d in FLEETS):
        with database(asked.postgresql) as engine:
            rows = large_fleet.write(engine, vehicles, days, CYCLES_A_DAY, now_us() // 3_600_000_000)
            tidy(engine)
            held_mb, seconds = size_mb(engine), analysis_seconds(engine, vehicles)
            rate = recording_rate(engine, vehicles)
        with database(asked.postgresql) as engine:
            p95 = dashboard_latency.fleet_page_ms(engine, vehicles)
        table.append((vehicles, days, rows, rate, seconds, 1e3 * seconds / vehicles, held_mb, p95))
        print("{:8.0f} {:5.0f} {:9.0f} {:12.0f} {:11.0f} {:13.0f} {:8.0f} {:18.0f}".format(*table[-1]), flush=True)
    fleet, _, held, rates, spent, _, sizes, latency = zip(*table, strict=True)
    print(f"exponents: analysis in rows {exponent(held, spent):.2f}, size in rows {exponent(held, sizes):.2f},"
          f" recording in rows held {exponent(held, rates):+.2f}, fleet page in vehicles {exponent(fleet, latency):+.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
