"""The same messages give the same tables and the same answers, whatever the order and number of their arrivals."""

import tempfile
from pathlib import Path
from random import Random
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from analytics.vehicle.analysis import analyse
from ingest import schema
from ingest.messages import Arrival
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

TROUBLES = (Trouble("blocked_line", 12, None, line=5, ratio=4.0), Trouble("missed_cycles", 5, None, variant="dead"))
ARRIVALS = arrivals("HS-101", TROUBLES, days=25) + arrivals("HS-206", (), days=12)


def answer(batches: list[list[Arrival]]) -> tuple[Any, ...]:
    with tempfile.TemporaryDirectory() as folder:
        engine, held = recorded(Path(folder), batches)
        tables = table(engine)
        engine.dispose()
    told = []
    for name in sorted(held):
        result = analyse(*held[name], END_US)
        told.append(([f.as_json("f", name) for f in result.findings], result.refill, result.fills))
    return tables, told


def table(engine: Engine) -> list[tuple[Any, ...]]:
    message, vehicle = schema.message, schema.vehicle
    columns = [c for c in message.columns if c.name != "vehicle_id"]
    with engine.connect() as connection:
        rows = connection.execute(
            select(vehicle.c.vehicle, *columns).join(vehicle, vehicle.c.id == message.c.vehicle_id)
        )
        return sorted((tuple(row) for row in rows), key=lambda row: (row[0], row[1], row[2]))


EXPECTED = answer([ARRIVALS])


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32), st.integers(1, 40), st.floats(0, 0.3))
def test_order_repetition_and_batches_do_not_matter(seed: int, number: int, again: float) -> None:
    """Shuffled, repeated, and split into batches of any size."""
    random = Random(seed)
    mixed = ARRIVALS + [
        Arrival(a.topic, a.payload, (a.received_us or 0) + 9_000_000) for a in ARRIVALS if random.random() < again
    ]
    random.shuffle(mixed)
    cuts = sorted(random.randrange(len(mixed)) for _ in range(number))
    batches = [mixed[a:b] for a, b in zip([0, *cuts], [*cuts, len(mixed)], strict=True) if a < b]
    assert answer(batches) == EXPECTED
    assert {f["kind"] for f in EXPECTED[1][0][0]} == {"blocked_line", "missed_cycles"}
