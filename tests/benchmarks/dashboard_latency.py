"""How fast pages answer for a large fleet, in ratio to reading one row of the same database in the same run.

    python -m tests.benchmarks.dashboard_latency --vehicles 10000 [--postgresql postgresql://user@host/postgres]

Findings, forecasts, alarms and a year of daily figures of every vehicle are written to the store directly; there are no raw messages.
"""

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Engine, insert, select, text

from dashboard.app import create_app
from ingest import schema, store
from ingest.messages import now_us

DAY_US = 86_400_000_000
CLASSES = ("truck", "loader", "trailer")
KINDS = ("blocked_line", "low_level", "missed_cycles", "level_sensor", "silent")


def fill(engine: Engine, vehicles: int, days: int) -> None:
    """So many vehicles, a third of them with a finding and an alarm."""
    rng = np.random.default_rng(7)
    now = now_us()
    year = [{"day": f"2026-{1 + d // 31:02d}-{1 + d % 31:02d}", "done": 20, "missed": 0, "incomplete": 0, "lost": 0, "ignition_h": 8.0,
             "used_l": 0.05, "level_pct": 50.0} for d in range(min(days, 365))]  # fmt: skip
    lines = [{"line": n, "condition": "sound", "ratio": 1.0, "hours_since_grease": 0.3} for n in range(1, 25)]
    for first in range(0, vehicles, 500):
        with store.writing(engine) as connection:
            for n in range(first, min(first + 500, vehicles)):
                id_ = n + 1
                who = {"fleet": f"fleet-{n % 5}", "vehicle": f"V{n:05d}", "unit": f"unit {n}", "vehicle_class": CLASSES[n % 3],
                       "depot": f"depot {n % 40}", "timezone": "Europe/Oslo"}  # fmt: skip
                connection.execute(
                    insert(schema.vehicle).values(
                        id=id_, fleet=who["fleet"], vehicle=who["vehicle"], news=1, heard_us=now
                    )
                )
                due = now + int(rng.uniform(-5, 60) * DAY_US)
                refill = {"level_pct": 40.0, "litres_to_full": 1.2, "due_early": store.rfc3339(due), "due_expected": store.rfc3339(due),
                          "due_late": store.rfc3339(due + DAY_US), "state": "ok", "reason": None}  # fmt: skip
                wrong = n % 3 == 0
                kind = KINDS[n % len(KINDS)]
                summary = f"Line {n % 24} looks wrong: pressure 3.1 times what is expected. Since 10 Nov 2026."
                open_ = [[kind, "act_now", summary]] if wrong else []
                detail = {"findings": open_, "open": len(open_), "refill": refill, "week": [140, 141],
                          "strip": [[line["line"], "front", "sound"] for line in lines]}  # fmt: skip
                connection.execute(insert(schema.standing).values(
                    vehicle_id=id_, **who, low_mark_pct=15.0, nlgi="2", sold=False,
                    search=f"{who['unit']} {who['vehicle']} {who['depot']}",
                    need=int(rng.integers(0, 4)) if wrong else 3, rank=int(rng.integers(0, 12)), dry_h=float(rng.uniform(0, 90)),
                    level_pct=40.0, due_early_us=due, detail=detail,
                ))  # fmt: skip
                connection.execute(insert(schema.analysis).values(
                    vehicle_id=id_, as_of_us=now, news=1, refill_state="ok", due_early_us=due, due_expected_us=due, refill=refill,
                    fills=[], days=year, lines=lines, notes=[],
                ))  # fmt: skip
                if wrong:
                    began = now - int(rng.uniform(1, 30) * DAY_US)
                    connection.execute(insert(schema.finding).values(
                        vehicle_id=id_, kind=kind, lines=[1], began_us=began, detected_us=began, severity="act_now", summary=summary,
                        evidence={},
                    ))  # fmt: skip
                    alarm = connection.execute(insert(schema.alarm).values(
                        vehicle_id=id_, kind=kind, lines=[1], severity="act_now", summary=summary, evidence={}, began_us=began,
                        raised_us=began, active=True, acknowledged=n % 2 == 0, out_of_service=False,
                        state="acknowledged" if n % 2 == 0 else "unacknowledged", changed_us=began, transitions=1,
                    ).returning(schema.alarm.c.id)).scalar_one()  # fmt: skip
                    connection.execute(insert(schema.transition).values(
                        alarm_id=alarm, number=1, at_us=began, event="occur", state="unacknowledged", who="tallow", why="",
                    ))  # fmt: skip


def timed(call: Callable[[], Any], rounds: int) -> tuple[float, float]:
    """(median, 95th of a hundred) in milliseconds."""
    spent = []
    for _ in range(rounds):
        began = time.perf_counter()
        call()
        spent.append(1e3 * (time.perf_counter() - began))
    return statistics.median(spent), float(np.quantile(spent, 0.95))


def main() -> None:
    """Print a table: page, median, p95, ratio to one row, bytes."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--vehicles", type=int, default=10_000)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--postgresql")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'tallow.db'}"
        if asked.postgresql:
            admin = store.connect(asked.postgresql).execution_options(isolation_level="AUTOCOMMIT")
            name = f"latency{time.time_ns()}"
            with admin.connect() as connection:
                connection.execute(text(f"CREATE DATABASE {name}"))
            url = asked.postgresql.rsplit("/", 1)[0] + f"/{name}"
        engine = store.open_database(url)
        fill(engine, asked.vehicles, asked.days)
        client = create_app(engine).server.test_client()

        def page(path: str, search: str = "") -> bytes:
            body = {
                "output": ".._pages_content.children..._pages_store.data..",
                "outputs": [{"id": "_pages_content", "property": "children"}, {"id": "_pages_store", "property": "data"}],
                "inputs": [{"id": "_pages_location", "property": "pathname", "value": path},
                           {"id": "_pages_location", "property": "search", "value": search}],
                "changedPropIds": ["_pages_location.pathname"],
            }  # fmt: skip
            answer = client.post("/_dash-update-component", json=body)
            assert answer.status_code == 200
            return bytes(answer.data)

        def row() -> None:
            with engine.connect() as connection:
                connection.execute(select(schema.standing).limit(1)).one()

        client.get("/")
        one, _ = timed(row, asked.rounds)
        print(f"{asked.vehicles} vehicles, {engine.dialect.name}; reading one row: {one:.2f} ms")
        for path, search in (("/", ""), ("/", "?depot=depot+7"), ("/", "?search=unit+99"), ("/", "?sort=refill&page=20"), ("/alarms", ""),
                             ("/rounds", "?depot=depot+7"), ("/grease", ""), ("/data", "")):  # fmt: skip
            size = len(page(path, search))
            rounds = asked.rounds if path in ("/", "/alarms", "/rounds") else 3
            median, p95 = timed(lambda path=path, search=search: page(path, search), rounds)  # type: ignore[misc]
            print(
                f"{path + search:<28} median {median:7.1f} ms  p95 {p95:7.1f} ms  {median / one:7.0f} rows  {size / 1000:7.1f} kB"
            )
        with ThreadPoolExecutor(20) as readers:
            began = time.perf_counter()
            list(readers.map(lambda _: page("/"), range(200)))
            print(f"20 readers, 200 fleet pages: {200 / (time.perf_counter() - began):.1f} a second, no error")
        engine.dispose()
        if asked.postgresql:
            with admin.connect() as connection:
                connection.execute(text(f"DROP DATABASE {name}"))


if __name__ == "__main__":
    main()
