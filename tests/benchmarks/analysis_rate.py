"""How long the analysis of a whole fleet takes, in ratio to reading the same rows as arrays from the same database in the same run.

    python -m tests.benchmarks.analysis_rate --vehicles 1000 [--postgresql postgresql://user@host/postgres]

Every kind of row, findings, forecasts, fills and what is kept of them are part of it. The bare read is the database's own driver
and NumPy, in one process.
"""

import argparse
import json
import resource
import subprocess
import sys
import time
from typing import Any

import numpy as np
from sqlalchemy import delete, select

from analytics.pipeline import results
from analytics.pipeline.workers import workers
from ingest import schema
from ingest.database import address, connect, writing
from ingest.times import now_us
from tests.benchmarks import large_fleet
from tests.benchmarks.databases import database, tidy

_NUMBERS = (
    "at_us",
    "seq",
    "sent_us",
    "received_us",
    "engine_h",
    "temp_c",
    "cycle_no",
    "run_s",
    "supply_v",
    "level_pct",
    "tilt_deg",
)
_OTHERS = ("kind", "boot", "peak_kpa")


def bare_read(url: str) -> dict[str, float]:
    """Seconds to read every vehicle's messages as arrays, and how many rows there are."""
    engine = connect(url)
    mark = "?" if engine.dialect.name == "sqlite" else "%s"
    statement = f"SELECT {', '.join(_NUMBERS + _OTHERS)} FROM message WHERE vehicle_id = {mark}"
    rows_read = 0
    with engine.connect() as connection:
        ids = list(connection.execute(select(schema.vehicle.c.id)).scalars())
        driver: Any = connection.connection.driver_connection
        began = time.perf_counter()
        for id_ in ids:
            rows = driver.execute(statement, (id_,)).fetchall()
            columns = list(zip(*rows, strict=True))
            numbers = np.array(columns[: len(_NUMBERS)], np.float64)
            peaks = [blob for blob in columns[-1] if blob is not None]
            matrix = np.frombuffer(b"".join(peaks), "<f4").reshape(len(peaks), -1)
            rows_read += numbers.shape[1]
            assert matrix.shape[1] == large_fleet.LINES
        seconds = time.perf_counter() - began
    return {"seconds": seconds, "rows": rows_read}


def whole_analysis(url: str, processes: int) -> dict[str, float]:
    """Seconds to analyse every vehicle and keep the results, and the largest of the processes in MB."""
    engine = connect(url)
    with writing(engine) as connection:
        for table in (schema.finding, schema.supply, schema.analysis, schema.wear):
            connection.execute(delete(table))
    with workers(processes) as pool:
        list(pool.map(_nothing, [0] * processes))  # processes and libraries are there
        began = time.perf_counter()
        done = sum(1 for _ in results.renew(engine, now_us, pool, lambda done, of: None))
        seconds = time.perf_counter() - began
        largest_mb = max(pool.map(_peak_mb, [0] * processes))
    return {"seconds": seconds, "vehicles": done, "largest_mb": largest_mb}


def _nothing(_: int) -> None:
    import scipy.signal  # noqa: F401


def _peak_mb(_: int) -> float:
    time.sleep(0.2)  # so that each process has its turn
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def apart(what: str, url: str, processes: int = 1) -> dict[str, float]:
    """Measure in a process of its own, which has not held the fleet in memory."""
    command = [sys.executable, "-m", "tests.benchmarks.analysis_rate", "--measure", what, url, str(processes)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    told: dict[str, float] = json.loads(done.stdout)
    return told


def main() -> None:
    """Print a line for each way."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=1000)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--cycles", type=float, default=20, help="a day")
    parser.add_argument("--postgresql")
    parser.add_argument("--measure", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.measure:
        what, url, processes = asked.measure
        print(json.dumps(bare_read(url) if what == "read" else whole_analysis(url, int(processes))))
        return
    with database(asked.postgresql) as engine:
        large_fleet.write(engine, asked.vehicles, asked.days, asked.cycles, now_us() // 3_600_000_000)
        tidy(engine)
        url = address(engine)
        apart("read", url)  # what the operating system keeps in memory is there
        read = apart("read", url)
        print(f"{asked.vehicles} vehicles, {read['rows']:.0f} rows, {engine.dialect.name}")
        print(f"bare read:            {read['seconds']:7.1f} s  {read['rows'] / read['seconds']:9,.0f} rows/s")
        one = 0.0
        for processes in (1, 2):
            told = apart("analysis", url, processes)
            one = one or told["seconds"]
            print(
                f"analysis, {processes} process{'es' * (processes > 1):<3}: {told['seconds']:7.1f} s "
                f" {1e3 * told['seconds'] / told['vehicles']:6.1f} ms a vehicle  {told['seconds'] / read['seconds']:5.1f} bare reads "
                f" gain {one / told['seconds']:.2f}  largest process {told['largest_mb']:.0f} MB"
            )


if __name__ == "__main__":
    main()
