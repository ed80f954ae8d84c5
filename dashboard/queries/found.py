"""What was found where findings sent somebody, of what whoever asks may see."""

from typing import Any, Final

from sqlalchemy import Connection, Engine, Select, select

from analytics.account.found import LATEST, Tally, Verdict, tally
from dashboard.queries.scope import EVERYTHING, Scope, within
from ingest import schema

MOST: Final = 20_000  # verdicts: the latest


def _asked(scope: Scope) -> Select[Any]:
    table, who = schema.verdict, schema.vehicle_summary
    named = (who.c.vehicle_id, who.c.fleet, who.c.vehicle, who.c.unit, who.c.vehicle_class)
    return (
        select(*named, table.c.kind, table.c.at_us, table.c.found, table.c.cause)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(*within(who, scope))
        .order_by(table.c.at_us.desc())
    )


def verdicts(engine: Engine, scope: Scope = EVERYTHING, most: int = MOST) -> list[Verdict]:
    """The latest, newest first."""
    with engine.connect() as connection:
        return read_verdicts(connection, scope, most)


def read_verdicts(connection: Connection, scope: Scope = EVERYTHING, most: int = MOST) -> list[Verdict]:
    """The same."""
    return [Verdict(**row) for row in connection.execute(_asked(scope).limit(most)).mappings()]


def of_kind(engine: Engine, kind: str, vehicle_class: str | None = None) -> Tally | None:
    """How often findings of a kind were true, of all vehicles or of a class; None where nobody has looked at one yet."""
    asked = _asked(EVERYTHING).where(schema.verdict.c.kind == kind)
    if vehicle_class is not None:
        asked = asked.where(schema.vehicle_summary.c.vehicle_class == vehicle_class)
    with engine.connect() as connection:
        found = [Verdict(**row) for row in connection.execute(asked.limit(LATEST)).mappings()]
    return tally(kind, found, vehicle_class or "") if found else None
