"""Checkpoints of the analysis in the database: a cache, whose loss changes nothing but time."""

from functools import cache
from hashlib import blake2b
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

import numpy as np
from sqlalchemy import Connection, bindparam, delete, insert, select

from analytics.vehicle.checkpoints import KEPT, Checkpoint, Checkpoints
from ingest import schema

# Made once: it is asked with each piece of news.
_HELD: Final = select(*(schema.checkpoint.c[name] for name in ("step", "until_us", "digest", "state"))).where(
    schema.checkpoint.c.vehicle_id == bindparam("vehicle"), schema.checkpoint.c.made_by == bindparam("code")
)


@cache
def _code() -> bytes:
    """A digest of the code that makes and takes up states: those of other code are none."""
    told = blake2b(np.__version__.encode(), digest_size=16)
    folders, sources = [files("analytics")], list[tuple[str, Traversable]]()
    for folder in folders:
        for one in folder.iterdir():
            if one.is_dir():
                folders.append(one)
            elif one.name.endswith(".py"):
                sources.append((str(one), one))
    for _, source in sorted(sources):
        told.update(source.read_bytes())
    return told.digest()


def read(connection: Connection, vehicle_id: int) -> Checkpoints:
    """Those of a vehicle that this code made."""
    return Checkpoints(
        [Checkpoint(*row) for row in connection.execute(_HELD, {"vehicle": vehicle_id, "code": _code()})]
    )


def add(connection: Connection, vehicle_id: int, put_down: tuple[Checkpoint, ...]) -> None:
    """Keep the latest of each step beside those that are kept, for who asks of a later time next: one more than those of the newest
    results, the earliest let go of."""
    table = schema.checkpoint
    for one in {one.step: one for one in sorted(put_down, key=lambda one: one.until_us)}.values():
        mine = table.c.vehicle_id == vehicle_id, table.c.step == one.step
        connection.execute(delete(table).where(*mine, table.c.until_us == one.until_us))
        connection.execute(insert(table).values(vehicle_id=vehicle_id, made_by=_code(), **vars(one)))
        latest = connection.execute(select(table.c.until_us).where(*mine).order_by(table.c.until_us.desc())).scalars()
        connection.execute(delete(table).where(*mine, table.c.until_us.in_(latest.all()[KEPT + 1 :])))


def keep(connection: Connection, vehicle_id: int, checkpoints: tuple[Checkpoint, ...]) -> None:
    """Keep these of a vehicle, and no others."""
    table = schema.checkpoint
    connection.execute(delete(table).where(table.c.vehicle_id == vehicle_id))
    if checkpoints:
        rows = [{"vehicle_id": vehicle_id, "made_by": _code(), **vars(one)} for one in checkpoints]
        connection.execute(insert(table), rows)
