"""How fast pages answer for a large fleet, in ratio to reading one row of the same database in the same run.

    python -m tests.benchmarks.dashboard_latency --vehicles 10000 [--postgresql postgresql://user@host/postgres]

Findings, forecasts, alarms and a year of daily figures of every vehicle are written to the store directly; there are no raw messages.
"""

import argparse
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import numpy as np
from sqlalchemy import Engine, insert, select

from analytics.pipeline.vehicle_summary import Detail, FindingShown
from analytics.refills import Refill
from analytics.vehicle.line_conditions import LineCondition
from dashboard.accounts import OPERATOR, acting_as
from dashboard.queries import grease, patterns
from dashboard.web.app import create_app
from ingest import schema
from ingest.database import writing
from ingest.times import instant, now_us
from tests.benchmarks.databases import database, tidy
from tests.conftest import page_request

DAY_US = 86_400_000_000
CLASSES = ("truck", "loader", "trailer")
BUNDLES, SIDES = ("front left", "front right", "rear", "body"), ("left", "right")
POINTS = ("kingpin", "spring pin", "brake camshaft", "trunnion", "slack adjuster", "hinge")
KINDS = ("blocked_line", "low_level", "missed_cycles", "level_sensor", "silent")


def fill(engine: Engine, vehicles: int, days: int, first_id: int = 1) -> None:
    """So many vehicles, a third of them with a finding and an alarm."""
    rng = np.random.default_rng(7)
    now = now_us()
    start = instant(now).date() - timedelta(days=days)
    months = sorted({f"{start + timedelta(days=d):%Y-%m}" for d in range(days)})
    lines = tuple(
        LineCondition(
            line=n,
            bundle="front",
            condition="sound",
            state="sound",
            critical_dry=False,
            ratio=1.0,
            hours_since_grease=0.3,
        )
        for n in range(1, 25)
    )
    for first in range(0, vehicles, 500):
        rows: dict[Any, list[dict[str, Any]]] = {table: [] for table in (
            schema.vehicle, schema.setup, schema.line, schema.vehicle_summary, schema.analysis, schema.supply, schema.finding, schema.alarm,
            schema.transition,
        )}  # fmt: skip
        for n in range(first, min(first + 500, vehicles)):
            id_ = n + first_id
            who = {"fleet": f"fleet-{n % 5}", "vehicle": f"V{n:05d}", "unit": f"unit {n}", "vehicle_class": CLASSES[n % 3],
                   "depot": f"depot {n % 40}", "timezone": "Europe/Oslo"}  # fmt: skip
            rows[schema.vehicle].append(
                {"id": id_, "fleet": who["fleet"], "vehicle": who["vehicle"], "revision": 1, "heard_us": now}
            )
            rows[schema.setup].append({
                "id": id_, "vehicle_id": id_, "valid_from_us": None,
                **{name: who[name] for name in ("unit", "vehicle_class", "depot", "timezone")}, "feed": "direct", "reservoir_l": 4.0,
                "low_mark_pct": 15.0, "interval_min": 20.0, "run_s": 120.0, "relief_kpa": 28000.0, "grease": "EP", "nlgi": "2",
                "level": "percent",
            })  # fmt: skip
            rows[schema.line] += [
                {"setup_id": id_, "line": k, "bundle": BUNDLES[k % 4], "point": f"{POINTS[k % 6]} {SIDES[k % 2]}", "channel": f"p{k:02d}",
                 "dose_cm3": 0.3, "length_m": 4.0, "bore_mm": 4.0, "critical": False}
                for k in range(1, 25)
            ]  # fmt: skip
            due = now + int(rng.uniform(-5, 60) * DAY_US)
            refill = Refill(
                as_of_us=now, level_pct=40.0, low_mark_pct=15.0, due_early_us=due, due_expected_us=due, due_late_us=due + DAY_US,
                litres_to_full=1.2, cm3_per_cycle=4.0, sound_cm3_per_cycle=4.0, cycles_per_day=20.0, state="ok", reason=None,
            )  # fmt: skip
            wrong = n % 3 == 0
            kind = KINDS[n % len(KINDS)]
            summary = f"Line {n % 24} looks wrong: pressure 3.1 times what is expected. Since 10 Nov 2026."
            open_ = (FindingShown(kind, "act_now", summary),) if wrong else ()
            detail = Detail(findings=open_, open=len(open_), refill=refill, week=(140, 141), lines=lines)
            rows[schema.vehicle_summary].append({
                "vehicle_id": id_, **who, "low_mark_pct": 15.0, "nlgi": "2", "sold": False,
                "search": f"{who['unit']} {who['vehicle']} {who['depot']}", "need": int(rng.integers(0, 3)) if wrong else 5,
                "rank": int(rng.integers(0, 12)), "dry_h": float(rng.uniform(0, 90)), "level_pct": 40.0, "due_early_us": due,
                "grease": "EP, NLGI 2", "use_l_a_day": 0.05, "watched_days": days, "watched_h": 8.0 * days,
                "drifting": int(n % 50 == 0), "detail": detail.to_row(),
            })  # fmt: skip
            rows[schema.analysis].append({
                "vehicle_id": id_, "as_of_us": now, "revision": 1, "due_early_us": due, "refill": refill.to_row(), "notes": []
            })  # fmt: skip
            rows[schema.supply] += [
                {"vehicle_id": id_, "month": month, "depot": who["depot"], "grease": "EP, NLGI 2", "used_l": 1.5, "filled_l": 1.4,
                 "held_l": -0.1, "unaccounted_l": 0.0}
                for month in months
            ]  # fmt: skip
            if wrong:
                ago = float(rng.uniform(1, days))
                began = now - int(ago * DAY_US)
                rows[schema.finding].append({
                    "vehicle_id": id_, "kind": kind, "lines": [1 + n % 24], "began_us": began, "detected_us": began,
                    "severity": "act_now", "summary": summary, "evidence": {}, "watched_days": days - ago,
                    "watched_h": 8.0 * (days - ago),
                })  # fmt: skip
                state = "acknowledged" if n % 2 == 0 else "unacknowledged"
                rows[schema.alarm].append({
                    "id": id_, "vehicle_id": id_, "kind": kind, "lines": [1], "severity": "act_now", "summary": summary, "evidence": {},
                    "began_us": began, "raised_us": began, "active": True, "acknowledged": n % 2 == 0, "out_of_service": False,
                    "state": state, "changed_us": began, "transitions": 1,
                })  # fmt: skip
                rows[schema.transition].append({
                    "alarm_id": id_, "number": 1, "at_us": began, "event": "occur", "state": "unacknowledged", "who": "tallow", "why": "",
                })  # fmt: skip
        with writing(engine) as connection:
            for table, values in rows.items():
                connection.execute(insert(table), values)
    places = sorted({(f"fleet-{n % 5}", f"depot {n % 40}") for n in range(vehicles)})
    past = [instant(now).date() - timedelta(days=n) for n in range(1, 57)]
    counted = [
        {"day": day.isoformat(), "fleet": fleet, "depot": depot, "urgent": 3, "due": 40, "heard": 200}
        for day in past
        for fleet, depot in places
    ]
    with writing(engine) as connection:
        connection.execute(insert(schema.depot_day), counted)


def timed(call: Callable[[], Any], rounds: int) -> tuple[float, float]:
    """(median, 95th of a hundred) in milliseconds."""
    spent = []
    for _ in range(rounds):
        began = time.perf_counter()
        call()
        spent.append(1e3 * (time.perf_counter() - began))
    return statistics.median(spent), float(np.quantile(spent, 0.95))


def reader(engine: Engine) -> Callable[..., bytes]:
    """A function that gives a page of the dashboard as it travels, by path and search."""
    client = create_app(engine).server.test_client()
    client.get("/")

    def page(path: str, search: str = "") -> bytes:
        answer = client.post("/_dash-update-component", json=page_request(path, search))
        assert answer.status_code == 200
        return bytes(answer.data)

    return page


def fleet_page_ms(engine: Engine, vehicles: int) -> float:
    """95 of 100 fleet pages of so many vehicles come within."""
    fill(engine, vehicles, 365)
    tidy(engine)
    page = reader(engine)
    page("/fleet")
    return timed(lambda: page("/fleet"), 20)[1]


def main() -> None:
    """Print a table: page, median, p95, ratio to one row, bytes."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--vehicles", type=int, default=10_000)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--postgresql")
    asked = parser.parse_args()
    with database(asked.postgresql) as engine:
        fill(engine, asked.vehicles, asked.days)
        tidy(engine)
        page = reader(engine)

        def row() -> None:
            with engine.connect() as connection:
                connection.execute(select(schema.vehicle_summary).limit(1)).one()

        one, _ = timed(row, asked.rounds)
        print(f"{asked.vehicles} vehicles, {engine.dialect.name}; reading one row: {one:.2f} ms")
        for path, search in (("/", ""), ("/fleet", ""), ("/fleet", "?depot=depot+7"), ("/fleet", "?search=unit+99"),
                             ("/fleet", "?sort=refill&page=20"), ("/alarms", ""),
                             ("/rounds", "?depot=depot+7"), ("/data", "")):  # fmt: skip
            size = len(page(path, search))
            rounds = asked.rounds if path != "/rounds" else 5
            median, p95 = timed(lambda path=path, search=search: page(path, search), rounds)  # type: ignore[misc]
            print(
                f"{path + search:<28} median {median:7.1f} ms  p95 {p95:7.1f} ms  {median / one:7.0f} rows  {size / 1000:7.1f} kB"
            )
        pages: tuple[tuple[str, Callable[[], Any]], ...] = (
            ("grease by month", lambda: grease.read_amounts(engine)),
            ("patterns, kinds of point", lambda: patterns.patterns(engine, "point")),
        )
        for name, read in pages:
            with acting_as(OPERATOR):
                median, p95 = timed(read, 5)
            print(f"{name:<28} median {median:7.1f} ms  p95 {p95:7.1f} ms  {median / one:7.0f} rows")
        with ThreadPoolExecutor(20) as readers:
            began = time.perf_counter()
            list(readers.map(lambda _: page("/fleet"), range(200)))
            print(f"20 readers, 200 fleet pages: {200 / (time.perf_counter() - began):.1f} a second, no error")


if __name__ == "__main__":
    main()
