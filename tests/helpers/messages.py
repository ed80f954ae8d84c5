"""Messages that are what they should be, and what was recorded of them."""

import json
from typing import Any

from sqlalchemy import Engine, select

from ingest import schema
from ingest.messages import (
    Arrival,
    topic,
)

COMMON = {"seq": 7, "at": "2026-03-01T06:00:00Z"}


CYCLE = COMMON | {
    "cycle_no": 3,
    "run_s": 180.0,
    "complete": None,
    "temp_c": -4.5,
    "supply_v": 27,
    "peak_kpa": {"p1": 5200},
}


AT = "2026-03-01T06:00:00Z"


def level(seq: int, pct: float = 50.0, received_us: int | None = None, vehicle: str = "v", **more: Any) -> Arrival:
    payload = {"seq": seq, "at": AT, "level_pct": pct} | more
    return Arrival(topic("f", vehicle, "level"), json.dumps(payload).encode(), received_us)


def rows(engine: Engine) -> list[Any]:
    with engine.connect() as connection:
        return list(connection.execute(select(schema.message).order_by(schema.message.c.seq)).mappings())
