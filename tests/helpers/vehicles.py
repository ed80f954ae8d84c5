"""Simulated vehicles for tests: one machine with chosen troubles, and its messages as arrays without a database."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Engine, select

from analytics.pipeline import vehicle_summary
from ingest import database, reading, registry, schema
from ingest.arrays import Messages
from ingest.messages import Arrival, encode, topic
from ingest.recorder import Recorder
from ingest.setups import Setup
from simulators.controller import messages
from simulators.fleet import write_registry
from simulators.machine import Simulation
from simulators.scenario import Scenario, Trouble, load
from tests.helpers.databases import sqlite_at

END_H = 490_000.0  # hours since 1970: some day in November 2025
END_US = int(END_H * 3.6e9)


@cache
def demo() -> Scenario:
    """The shipped scenario."""
    return load("demo")


def arrivals(vehicle: str, troubles: tuple[Trouble, ...] = (), days: int = 90, seed: int = 5) -> list[Arrival]:
    """What one of the demo's vehicles sends in `days`, with these troubles instead of its own, in order of arrival."""
    scenario = demo()
    machine = replace(next(m for m in scenario.machines if m.vehicle == vehicle), troubles=troubles)
    run = Simulation(machine, scenario.depots[machine.depot], END_H - 24 * days, days + 1, END_H, [seed, 1])
    return [
        Arrival(topic(scenario.fleet, vehicle, sent.kind), encode(sent.message), sent.arrives_us)
        for sent in messages(run)
        if sent.arrives_us <= END_US
    ]


def with_registry(engine: Engine) -> None:
    """Register the demo's vehicles."""
    with TemporaryDirectory() as folder, database.writing(engine) as connection:
        write_registry(demo(), END_H, Path(folder))
        vehicle_summary.register(connection, Path(folder), 0)


def recorded(
    folder: Path, batches: list[list[Arrival]]
) -> tuple[Engine, dict[str, tuple[Messages, tuple[Setup, ...]]]]:
    """Record batches in a new database with the demo's registry; the vehicles' messages and set-ups."""
    folder.mkdir(parents=True, exist_ok=True)
    engine = sqlite_at(folder / "tallow.db", with_registry)
    write_registry(demo(), END_H, folder)
    recorder = Recorder(engine, "test")
    for batch in batches:
        recorder.record(batch)
    with engine.connect() as connection:
        heard = set(connection.execute(select(schema.message.c.vehicle_id).distinct()).scalars())
        return engine, {
            one.name: (reading.read_messages(connection, one.id), one.setups)
            for one in registry.read_vehicles(connection)
            if one.id in heard
        }
