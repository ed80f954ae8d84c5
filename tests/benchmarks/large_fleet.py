"""A fleet of any size, written to the store directly: a few simulated vehicles, told again under many names.

`write(engine, vehicles, days, cycles_a_day)` registers vehicles of 24 lines with a channel each, and gives them every kind of row.
"""

import itertools
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from psycopg import sql
from sqlalchemy import Engine, insert, update

from analytics.pipeline import vehicle_summary
from ingest import database, partitions, schema
from ingest.messages import Decoded
from ingest.recorder import know_vehicles
from ingest.rows import COLUMNS, Key, Row, key_of, row_of
from simulators.controller import messages
from simulators.fleet import write_registry
from simulators.machine import Simulation
from simulators.scenario import Depot, Machine, Trouble, load

LINES = 24
TEMPLATES = 20  # simulated vehicles that a larger fleet repeats
_AT_ONCE = 50_000
# What breaks in every fourth vehicle: kind, line, ratio.
_TROUBLES = (("blocked_line", 3, 1.9), ("open_line", 7, 0.45), ("missed_cycles", None, 1.0), ("reservoir_loss", None, 1.6),
             ("pressure_sensor", 5, 1.0))  # fmt: skip


def machine(name: str, cycles_a_day: float, troubles: tuple[Trouble, ...] = ()) -> Machine:
    """A vehicle with 24 lines that runs in two shifts."""
    story = load("demo")
    like = next(m for m in story.machines if len(m.points) == 18 and m.channel_by == "line")
    points = tuple(replace(p, line=n) for n, p in enumerate((like.points * 2)[:LINES], start=1))
    # Two shifts on six days of a week.
    interval_min = 13.0 * 60 * 6 / 7 * 0.95 / cycles_a_day
    return replace(
        like, vehicle=name, unit=f"unit {name}", depot="north", points=points, vehicle_class="shift truck", interval_min=interval_min,
        run_s=120.0, reservoir_l=8.0, troubles=troubles, trace_every=0,
    )  # fmt: skip


def some_troubles(number: int, days: int) -> tuple[Trouble, ...]:
    """Every fourth vehicle has something that lasts."""
    kind, line, ratio = _TROUBLES[number // 4 % len(_TROUBLES)]
    return (Trouble(kind, days / 5, None, line, ratio),) if number % 4 == 3 else ()


def simulated(number: int, days: int, cycles_a_day: float, end_h: float, troubles: tuple[Trouble, ...]) -> Simulation:
    """A vehicle's `days` up to `end_h` (hours since 1970)."""
    one = machine(f"V{number:06d}", cycles_a_day, troubles)
    return Simulation(one, load("demo").depots[one.depot], end_h - 24 * days, days, end_h, [3, number])


def _rows(run: Simulation, lists: dict[int, list[str]]) -> list[Row]:
    """A vehicle's rows by key, with 0 for its number."""
    rows: dict[Key, Row] = {}
    for sent in messages(run):  # some come twice
        row = row_of(Decoded("f", run.machine.vehicle, sent.kind, sent.message), 0, sent.arrives_us, lists)
        rows.setdefault(key_of(row), row)
    return [rows[key] for key in sorted(rows)]


def write(engine: Engine, vehicles: int, days: int, cycles_a_day: float, end_h: float) -> int:
    """Register so many vehicles and give them so many days that end at `end_h` (hours since 1970); the number of rows."""
    made = (simulated(n, days, cycles_a_day, end_h, some_troubles(n, days)) for n in range(min(TEMPLATES, vehicles)))
    return write_runs(engine, made, vehicles)


def write_runs(engine: Engine, runs: Iterable[Simulation], vehicles: int) -> int:
    """The same with these simulations, repeated under other names as often as it takes."""
    lists: dict[int, list[str]] = {}
    depots, made = dict[str, Depot](), list[tuple[Machine, list[Row]]]()
    for run in runs:
        depots[run.machine.depot] = run.depot
        made.append((run.machine, _rows(run, lists)))
    end_h = max(row[1] for _, rows in made for row in rows) / 3.6e9
    names = [f"V{n:06d}" for n in range(vehicles)]
    machines = tuple(replace(made[n % len(made)][0], vehicle=name, unit=f"unit {name}") for n, name in enumerate(names))
    with tempfile.TemporaryDirectory() as folder:
        write_registry(replace(load("demo"), fleet="large", depots=depots, machines=machines), end_h, Path(folder))
        with database.writing(engine) as connection:
            vehicle_summary.register(connection, Path(folder), 0)
            numbers = know_vehicles(connection, [("large", name) for name in names])
            connection.execute(insert(schema.channel_list), [{"id": k, "channels": v} for k, v in lists.items()])
    order = sorted(numbers.items(), key=lambda item: item[1])  # rows lie by vehicle
    who = [(id_, made[int(name[1:]) % len(made)][1]) for (_, name), id_ in order]
    times_us = sorted({row[1] for _, rows in made for row in rows})
    _insert(engine, ((id_, *row[1:]) for id_, rows in who for row in rows), times_us)
    ranges = [
        {"vehicle_id": id_, "boot": boot, "first_seq": 0, "last_seq": max(row[3] for row in rows if row[2] == boot)}
        for id_, rows in who
        for boot in {row[2] for row in rows}
    ]
    with database.writing(engine) as connection:
        connection.execute(insert(schema.name_range), ranges)
        connection.execute(update(schema.vehicle).values(revision=1, heard_us=int(end_h * 3.6e9), online=True))
    return sum(len(rows) for _, rows in who)


def _insert(engine: Engine, rows: Iterator[Row], times_us: Sequence[int]) -> None:
    columns = ", ".join(COLUMNS)
    if engine.dialect.name == "sqlite":
        places = ", ".join("?" * len(COLUMNS))
        while batch := list(itertools.islice(rows, _AT_ONCE)):
            with database.writing(engine) as connection:
                connection.exec_driver_sql(f"INSERT INTO message ({columns}) VALUES ({places})", batch)
        return
    with engine.begin() as connection:
        partitions.make_months(connection, times_us, set())
        driver: Any = connection.connection.driver_connection
        with driver.cursor() as cursor, cursor.copy(sql.SQL("COPY message ({}) FROM STDIN").format(
            sql.SQL(", ").join(map(sql.Identifier, COLUMNS))
        )) as copy:  # fmt: skip
            for row in rows:
                copy.write_row(row)
