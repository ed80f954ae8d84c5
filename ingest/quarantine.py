"""What could not be recorded: counting it, looking at it, and recording what a newer version can read."""

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, delete, func, select

from ingest import schema
from ingest.database import writing
from ingest.errors import Problem
from ingest.messages import Arrival, Rejected, decode

if TYPE_CHECKING:
    from ingest.recorder import Tally

_BATCH = 500
_NO_MESSAGE = ("size", "log_line", "row")  # what is kept of these can never be read as one


@dataclass(frozen=True)
class Held:
    """One refused publication, at most its first 64 KiB."""

    id: int
    topic: str
    payload: bytes
    why: Rejected
    received_us: int | None


def counts(connection: Connection) -> list[tuple[str, int, int]]:
    """(code, ever refused, still held), most frequent first."""
    held = Counter[str]()
    table = schema.quarantine
    for code, number in connection.execute(select(table.c.code, func.count()).group_by(table.c.code)):
        held[code] = number
    refusal = schema.refusal
    ever = connection.execute(select(refusal.c.code, func.sum(refusal.c.count)).group_by(refusal.c.code)).all()
    return sorted(((code, int(number), held[code]) for code, number in ever), key=lambda row: (-row[1], row[0]))


def show(connection: Connection, code: str | None, limit: int) -> list[Held]:
    """The newest that are held, of one code or of all."""
    table = schema.quarantine
    chosen = [] if code is None else [table.c.code == code]
    rows = connection.execute(select(table).where(*chosen).order_by(table.c.id.desc()).limit(limit))
    return [Held(r.id, r.topic, r.payload, Rejected(r.code, r.detail), r.received_us) for r in rows]


def one(connection: Connection, number: int) -> Held:
    """One of them. Raises Problem where there is none of this number."""
    row = connection.execute(select(schema.quarantine).where(schema.quarantine.c.id == number)).one_or_none()
    if row is None:
        raise Problem(f"quarantine holds nothing numbered {number}; tallow quarantine lists what it holds")
    return Held(row.id, row.topic, row.payload, Rejected(row.code, row.detail), row.received_us)


def release(engine: Engine) -> "Tally":
    """Record what can be read now, and let go of it; the rest stays. Safe to repeat, and to break off."""
    from ingest.recorder import Recorder, Tally  # here, since who only looks at it records nothing

    table, tally, after = schema.quarantine, Tally(), 0
    recorder = Recorder(engine, "quarantine")
    with engine.connect() as connection:
        last = connection.scalar(select(func.max(table.c.id))) or 0  # what is refused once more comes after it
    while True:
        with engine.connect() as connection:
            rows = connection.execute(
                select(table)
                .where(table.c.id > after, table.c.id <= last, table.c.code != "contradiction")
                .order_by(table.c.id)
                .limit(_BATCH)
            ).all()
        if not rows:
            return tally
        after = rows[-1].id
        arrivals = [(r.id, Arrival(r.topic, r.payload, r.received_us)) for r in rows if r.code not in _NO_MESSAGE]
        readable = [(id_, arrival) for id_, arrival in arrivals if not isinstance(decode(arrival), Rejected)]
        if readable:
            tally.add(recorder.record([arrival for _, arrival in readable]))
            with writing(engine) as connection:
                connection.execute(delete(table).where(table.c.id.in_([id_ for id_, _ in readable])))
