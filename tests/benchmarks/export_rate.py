"""How long the export of a fleet into files takes, in ratio to reading the same rows as arrays from the same database in the same run.

    python -m tests.benchmarks.export_rate --vehicles 1000 [--postgresql postgresql://user@host/postgres]

The aim: at most 3 bare reads of 1,000 vehicles and 90 days, in memory that does not grow with the fleet (a tenth of it is measured, too).
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from dashboard.accounts import OPERATOR, acting_as
from dashboard.exports.bulk import write_all
from ingest.database import address, connect
from ingest.times import now_us
from tests.benchmarks import large_fleet
from tests.benchmarks.analysis_rate import apart as read_apart
from tests.benchmarks.databases import database, tidy

MOST_BARE_READS = 3.0


def exported(url: str) -> dict[str, float]:
    """Seconds to write a fleet's files, their size in MB, and the most memory of this process in MB, before and after."""
    import pyarrow.parquet  # noqa: F401

    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    with tempfile.TemporaryDirectory() as folder, acting_as(OPERATOR):
        began = time.perf_counter()
        number = write_all(connect(url), Path(folder) / "out", "UTC", lambda done, of: None)
        seconds = time.perf_counter() - began
        size_mb = sum(path.stat().st_size for path in (Path(folder) / "out").iterdir()) / 1e6
    after_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": seconds, "vehicles": number, "size_mb": size_mb, "before_mb": before_mb, "peak_mb": after_mb}


def apart(url: str) -> dict[str, float]:
    """Measure in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.export_rate", "--measure", url]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    told: dict[str, float] = json.loads(done.stdout)
    return told


def main() -> None:
    """Print a line for each fleet."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=1000)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--cycles", type=float, default=20, help="a day")
    parser.add_argument("--postgresql")
    parser.add_argument("--measure", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.measure:
        print(json.dumps(exported(asked.measure)))
        return
    for vehicles in (max(1, asked.vehicles // 10), asked.vehicles):
        with database(asked.postgresql) as engine:
            large_fleet.write(engine, vehicles, asked.days, asked.cycles, now_us() // 3_600_000_000)
            tidy(engine)
            url = address(engine)
            read_apart("read", url)  # what the operating system keeps in memory is there
            read, told = read_apart("read", url), apart(url)
        ratio = told["seconds"] / read["seconds"]
        print(
            f"{vehicles} vehicles, {read['rows']:,.0f} rows: bare read {read['seconds']:.1f} s; export {told['seconds']:.1f} s,"
            f" {ratio:.2f} bare reads (aim: {MOST_BARE_READS:g}), {told['size_mb']:.0f} MB of files; most memory"
            f" {told['peak_mb']:.0f} MB, {told['before_mb']:.0f} MB of it before"
        )


if __name__ == "__main__":
    main()
