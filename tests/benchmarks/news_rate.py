"""What news costs: the processor time from a message that is recorded to results and alarms that pages show.

    python -m tests.benchmarks.news_rate --vehicles 1000 [--postgresql postgresql://user@host/postgres]

One vehicle with 400 days of 20 cycles a day and 24 channels tells of one cycle, again and again; then each vehicle of a fleet with
90 such days tells of one. Beside it, in the same run, a bare read of the same rows and the full analysis. All in one process, so that
its processor time is all there is; that of a database server of its own is not in it.
"""

import argparse
import json
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from sqlalchemy import Connection, Engine, select

from analytics.pipeline import watch
from analytics.pipeline.tasks import outcome_of, registered, tasks_of
from analytics.pipeline.workers import Workers
from ingest import reading, schema
from ingest.database import address
from ingest.messages import Arrival, topic
from ingest.recorder import Recorder
from ingest.times import now_us, rfc3339
from tests.benchmarks import large_fleet
from tests.benchmarks.analysis_rate import bare_read
from tests.benchmarks.databases import database, tidy

CYCLES_A_DAY: Final = 20
BATCH: Final = 1000
_NEXT_US: Final = 40 * 60_000_000


def processor_ms(work: Callable[[], object]) -> float:
    """Processor milliseconds of this process that something takes."""
    began = time.process_time()
    work()
    return 1e3 * (time.process_time() - began)


def next_cycle(connection: Connection, name: str, vehicle_id: int, at_us: int) -> Arrival:
    """The cycle that follows a vehicle's latest, at a time, with the same readings."""
    cycles = reading.read_messages(connection, vehicle_id).cycles
    last = cycles.at_us.argmax()
    payload = {
        "boot": str(cycles.boot[last]), "seq": 1_000_000 + int(cycles.cycle_no[last]), "at": rfc3339(at_us), "sent_at": rfc3339(at_us),
        "engine_h": float(cycles.engine_h[last]) + 0.65, "cycle_no": int(cycles.cycle_no[last]) + 1, "run_s": float(cycles.run_s[last]),
        "temp_c": 10.0, "peak_kpa": dict(zip(cycles.channels, map(float, cycles.peak_kpa[last]), strict=True)),
    }  # fmt: skip
    return Arrival(topic("large", name, "cycle"), json.dumps(payload).encode(), at_us)


def next_cycles(engine: Engine, at_us: int) -> list[Arrival]:
    """One of each vehicle, at a time."""
    with engine.connect() as connection:
        vehicles = connection.execute(select(schema.vehicle.c.id, schema.vehicle.c.vehicle)).all()
        return [next_cycle(connection, name, id_, at_us) for id_, name in vehicles]


def brought_up(engine: Engine, pool: Workers, at_us: int, vehicles: int) -> None:
    """Do what `tallow watch` does as of a time until there is no news; each vehicle is analysed once."""
    done = 0
    while number := watch.look(engine, pool, lambda: at_us)[0]:
        done += number
    assert done == vehicles, f"{done} analyses of {vehicles} vehicles"


def measure(engine: Engine, vehicles: int, days: int, rounds: int) -> None:
    """Print what so many vehicles of so many days cost."""
    rows = large_fleet.write(engine, vehicles, days, CYCLES_A_DAY, now_us() // 3_600_000_000)
    tidy(engine)
    bare_read(address(engine))
    read = processor_ms(lambda: bare_read(address(engine))) / vehicles
    pool = Workers(lambda: ThreadPoolExecutor(1))
    latest = now_us()
    with engine.connect() as connection:
        outcome_of(tasks_of(connection, address(engine), latest, registered(connection)[:1])[0])  # libraries are there
    full = processor_ms(lambda: brought_up(engine, pool, latest, vehicles)) / vehicles
    recorder, recording, analysing = Recorder(engine, "news"), list[float](), list[float]()
    for _ in range(rounds):
        latest += _NEXT_US  # as in life it is heard at once
        arrivals = next_cycles(engine, latest)
        batches = [arrivals[first : first + BATCH] for first in range(0, vehicles, BATCH)]
        recording.append(processor_ms(lambda: [recorder.record(batch) for batch in batches]) / vehicles)  # noqa: B023
        analysing.append(processor_ms(lambda: brought_up(engine, pool, latest, vehicles)) / vehicles)  # noqa: B023
    news = min(recording) + min(analysing)
    print(f"{vehicles} vehicles x {days} days, {rows} rows, {engine.dialect.name}; processor ms a vehicle:")
    print(f"  bare read {read:.1f}, full analysis {full:.1f} ({full / read:.1f} bare reads)")
    print(
        f"  news of one cycle {news:.1f}: recording {min(recording):.2f}, to results and alarms {min(analysing):.1f}"
        f" ({news / full:.3f} of the full analysis, {news / read:.1f} bare reads)"
    )


def main() -> None:
    """Measure one vehicle, then a fleet."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--vehicles", type=int, default=1000)
    ask.add_argument("--days", type=int, default=90)
    ask.add_argument("--postgresql")
    asked = ask.parse_args()
    for vehicles, days, rounds in ((1, 400, 5), (asked.vehicles, asked.days, 1)):
        with database(asked.postgresql) as engine:
            measure(engine, vehicles, days, rounds)


if __name__ == "__main__":
    main()
