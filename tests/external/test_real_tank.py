"""Real levels: a diesel tank with nine deliveries, through the command line.

Source: public repository zubair1024/tank-level-utilization, commit 82c5cb6 (MIT licence); see tests/external/data. It is no grease system,
so each reading is sent as a level message of a vehicle that works around the clock, and cycles are made from the clock: one every
half hour, with a dose that makes up the month's use. What the data say is worked out here from the readings alone.
"""

import csv
import gzip
import json
import random
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.helpers.registry_rows import LINE, VEHICLE, write

DATA = Path(__file__).parent / "data" / "tank_june_2021.csv.gz"
RESERVOIR_L, LOW_MARK_PCT, INTERVAL_MIN = 10.0, 25.0, 30
END = "2021-07-01T00:00:00Z"


def readings() -> list[tuple[datetime, float]]:
    """(time, percent) in order of time."""
    with gzip.open(DATA, "rt", encoding="utf-8") as file:
        return sorted((datetime.fromisoformat(row["eventTime"]), float(row["pct"])) for row in csv.DictReader(file))


def deliveries() -> list[tuple[datetime, float, float]]:
    """(time, from, to): where the highest reading of the two hours that follow lies 20 points above the one now; the delivery lies
    at the last such moment, between the lowest and the highest reading of the two hours on either side."""
    rows, hours = readings(), timedelta(hours=2)
    rising = [at for at, pct in rows if max(p for t, p in rows if at <= t <= at + hours) > pct + 20]
    last = [
        at for at, after in zip(rising, [*rising[1:], None], strict=True) if after is None or after - at > 3 * hours
    ]
    around = [[p for t, p in rows if abs(t - at) <= hours] for at in last]
    return [(at, min(pct), max(pct)) for at, pct in zip(last, around, strict=True)]


def log_lines() -> list[str]:
    """The readings, the cycles between them and the switch, as lines of a log."""
    rows = readings()
    start = rows[0][0] - timedelta(minutes=5)
    events: list[tuple[datetime, str, dict[str, object]]] = [(start, "ignition", {"on": True})]
    events += [(at, "level", {"level_pct": pct}) for at, pct in rows]
    cycles = int((rows[-1][0] - start) / timedelta(minutes=INTERVAL_MIN))
    events += [
        (start + timedelta(minutes=INTERVAL_MIN * n), "cycle", {"cycle_no": n, "run_s": 180, "peak_kpa": {}})
        for n in range(1, cycles + 1)
    ]
    lines = []
    for seq, (at, kind, values) in enumerate(sorted(events, key=lambda e: (e[0], e[1]))):
        hours = (at - start) / timedelta(hours=1)
        payload = {"seq": seq, "at": at.astimezone(UTC).isoformat(), "engine_h": round(500 + hours, 2)} | values
        lines.append(json.dumps({"topic": f"lube/1/f/v1/{kind}", "payload": payload}))
    return lines


def tallow(database: Path, *arguments: str) -> Any:
    """What a command prints, as JSON where it does."""
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *arguments, "--database", f"sqlite:///{database}"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout) if "--json" in arguments else done.stdout


def answers(folder: Path, lines: list[str]) -> dict[str, Any]:
    """Register, replay and ask."""
    folder.mkdir()
    pct = [p for _, p in readings()]
    used = pct[0] - pct[-1] + sum(to - before for _, before, to in deliveries())
    cycles = sum('"cycle_no"' in line for line in set(lines))
    vehicle = VEHICLE | {
        "timezone": "UTC", "commissioned": "2021-01-01", "reservoir_l": str(RESERVOIR_L), "low_mark_pct": str(LOW_MARK_PCT),
        "interval_min": str(INTERVAL_MIN),
    }  # fmt: skip
    line = LINE | {"channel": "", "dose_cm3": f"{used / cycles * RESERVOIR_L * 10:.3f}"}
    write(folder, [vehicle], [line])
    half = len(lines) // 2
    for n, part in enumerate((lines[:half], lines[half:])):
        (folder / f"log-{n}.ndjson").write_text("\n".join(part) + "\n")
    database = folder / "tallow.db"
    tallow(database, "register", str(folder))
    tallow(database, "replay", *(str(folder / f"log-{n}.ndjson") for n in range(2)))
    return {what: tallow(database, what, "--json", "--as-of", END) for what in ("fills", "findings")}


@pytest.fixture(scope="module")
def answer(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return answers(tmp_path_factory.mktemp("tank") / "in-order", log_lines())


def test_nine_deliveries_are_nine_fills(answer: dict[str, Any]) -> None:
    """Each once, within hours of its time and within six points of its size."""
    truth = deliveries()
    assert len(truth) == 9
    assert len(answer["fills"]) == 9
    for fill, (at, before, after) in zip(answer["fills"], truth, strict=True):
        assert abs(datetime.fromisoformat(fill["at"]) - at) < timedelta(hours=6)
        assert fill["to_pct"] - fill["from_pct"] == pytest.approx(after - before, abs=6)


def test_low_level_is_found_at_every_crossing(answer: dict[str, Any]) -> None:
    """Every stretch between two deliveries whose readings come down to the mark has one finding, which ends with the delivery."""
    ends = [at for at, _, _ in deliveries()]
    pct, crossed = readings(), []
    for after, until in zip([pct[0][0], *ends], [*ends, pct[-1][0]], strict=True):
        low = [at for at, p in pct if after + timedelta(hours=3) * (after in ends) <= at <= until and p <= LOW_MARK_PCT]
        if low:
            crossed.append((low[0], until))
    told = [f for f in answer["findings"] if f["kind"] == "low_level"]
    assert len(told) == len(crossed) >= 4
    for found, (at, until) in zip(told, crossed, strict=True):
        assert abs(datetime.fromisoformat(found["began_at"]) - at) < timedelta(hours=8)
        assert abs(datetime.fromisoformat(found["ended_at"]) - until) < timedelta(hours=6)


def test_no_sensor_is_called_faulty_but_where_readings_are_missing(answer: dict[str, Any]) -> None:
    """The data have one gap of half a day and more; the sensor is neither stuck nor impossible."""
    at = [at for at, _ in readings()]
    gaps = [(a, b) for a, b in pairwise(at) if b - a > timedelta(hours=12)]
    told = [f for f in answer["findings"] if f["kind"] == "level_sensor"]
    assert [(datetime.fromisoformat(f["began_at"]), datetime.fromisoformat(f["ended_at"])) for f in told] == gaps
    assert all(set(f["evidence"]) == {"missing_h"} for f in told)


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, 2])
def test_the_order_of_arrival_does_not_matter(tmp_path: Path, answer: dict[str, Any], seed: int) -> None:
    """The same messages shuffled, some of them twice."""
    lines = log_lines()
    mixed = lines + lines[:: 7 + seed]
    random.Random(seed).shuffle(mixed)
    assert answers(tmp_path / "mixed", mixed) == answer
