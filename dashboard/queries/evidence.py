"""Everything that stands for a point or a pump over a span, of a vehicle that whoever asks may see."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

import msgspec
from sqlalchemy import Connection, Engine, Table, func, select

from analytics.account.evidence import DayOfDoses, Gap, digest, gaps, of_all, together
from analytics.account.greased import unpacked
from analytics.findings import Finding, from_row
from analytics.hand import HAND_FROM
from dashboard.queries.scope import read_vehicles
from ingest import schema
from ingest.errors import Problem
from ingest.setups import Line, Setup, Vehicle
from ingest.times import instant, microseconds
from ingest.work import Work
from ingest.work_records import read_records

MOST_DAYS: Final = 1100
# A number of this database's own, a receipt and a sampled course: they may change or go without anything being said otherwise.
_NOT_HASHED: Final = ("vehicle_id", "received_us", "trace")


@dataclass(frozen=True, kw_only=True)
class Step:
    """What happened to an alarm, and who did it."""

    at_us: int
    event: str
    who: str
    why: str


@dataclass(frozen=True, kw_only=True)
class AlarmHistory:
    """An alarm with its steps, in order."""

    kind: str
    summary: str
    raised_us: int
    steps: tuple[Step, ...]


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Of `line`, or of the pump with all of its lines (None), from `first` to `last` by the depot's clock. `messages` by kind, `lost` of
    those whose numbers lie between others, from the last before the span to the first after it (None: some were thinned, nobody can say);
    `quiet_days` have no message, and `quiet_since_us` is the last time of any where none is later than the span;
    `digests` over messages, set-ups, work and alarms, and `digest` over those."""

    setup: Setup
    line: Line | None
    first: date
    last: date
    days: tuple[DayOfDoses, ...]
    gaps: tuple[Gap, ...]
    findings: tuple[Finding, ...]
    alarms: tuple[AlarmHistory, ...]
    work: tuple[tuple[Work, int, bool], ...]
    messages: Mapping[str, int]
    lost: int | None
    thinned: int
    quiet_days: int
    quiet_since_us: int | None
    digests: Mapping[str, str]
    digest: str

    @property
    def planned(self) -> float:
        """Doses planned in all."""
        return sum(one.planned for one in self.days)

    @property
    def arrived(self) -> float:
        """Doses that surely arrived."""
        return sum(one.arrived for one in self.days)

    @property
    def failed(self) -> float:
        """Doses that surely did not."""
        return sum(one.failed for one in self.days)


def read_evidence(engine: Engine, fleet: str, name: str, number: int | None, first: date, last: date) -> Evidence:
    """It. Raises Problem for what is not there, or for a span that is none."""
    if not first <= last or (last - first).days > MOST_DAYS:
        raise Problem(f"a span goes from one day to a later one, over {MOST_DAYS} days at most")
    with engine.connect() as connection:
        vehicle = _vehicle(connection, fleet, name)
        zone = ZoneInfo(vehicle.newest.timezone)
        since_us, until_us = (
            microseconds(datetime.combine(day, time(), zone)) for day in (first, last + timedelta(days=1))
        )
        setup = vehicle.in_force(until_us - 1)
        line = _line(setup, number)
        by_line = _days(connection, vehicle.id, line, first, last)
        dry = [gap for number_, days in by_line.items() for gap in gaps(number_, days)]
        work = tuple(
            record for record in read_records(connection, vehicle.id).get(vehicle.id, ())
            if since_us <= record[0].at_us < until_us and (line is None or not record[0].lines or line.line in record[0].lines)
        )  # fmt: skip
        alarms, alarm_rows = _alarms(connection, vehicle.id, line, since_us, until_us)
        told = _messages(connection, vehicle.id, since_us, until_us, zone)
        digests = {
            "messages": told.digest,
            "set-ups": digest([[_hashed(one)] for one in vehicle.setups]),
            "work": digest([[_hashed(one), at_us, stands] for one, at_us, stands in work]),
            "alarms": digest(alarm_rows),
        }
        return Evidence(
            setup=setup, line=line, first=first, last=last, days=tuple(together(by_line.values())),
            gaps=tuple(sorted(dry, key=lambda gap: (gap.first, gap.line))),
            findings=_findings(connection, vehicle.id, line, since_us, until_us), alarms=alarms, work=work,
            messages=told.kinds, lost=told.lost, thinned=told.thinned, quiet_days=(last - first).days + 1 - told.days,
            quiet_since_us=told.quiet_since_us, digests=digests, digest=of_all(digests.items()),
        )  # fmt: skip


# Fields that records did not have from the beginning: a hash that was printed before stays as it was.
_ADDED: Final[Mapping[str, Any]] = {
    "controller": True, "hand_points": [], "points": [], "engine_h": None, "odometer_km": None, "new_meter": False,
}  # fmt: skip


def _hashed(one: Setup | Work) -> str:
    said = msgspec.to_builtins(one)
    return msgspec.json.encode(
        {name: value for name, value in said.items() if not (name in _ADDED and value == _ADDED[name])}
    ).decode()


def _vehicle(connection: Connection, fleet: str, name: str) -> Vehicle:
    table = schema.vehicle
    id_ = connection.scalar(select(table.c.id).where(table.c.fleet == fleet, table.c.vehicle == name))
    found = [] if id_ is None else read_vehicles(connection, id_)
    if not found:
        raise Problem(f"no vehicle of this name is registered: {fleet}/{name}")
    return found[0]


def _line(setup: Setup, number: int | None) -> Line | None:
    if number is None:
        return None
    found = [one for one in setup.lines if one.line == number]
    if not found:
        raise Problem(f"line {number} is not on the line list of {setup.vehicle}")
    return found[0]


def _days(
    connection: Connection, vehicle_id: int, line: Line | None, first: date, last: date
) -> dict[int, list[DayOfDoses]]:
    """What the account kept of each line's days, in order; a day of which nothing was kept planned nothing that is known."""
    table = schema.greased
    rows = connection.execute(
        select(table.c.month, table.c.days)
        .where(table.c.vehicle_id == vehicle_id, table.c.month >= f"{first:%Y-%m}", table.c.month <= f"{last:%Y-%m}")
        .order_by(table.c.month)
    )
    found: dict[int, list[DayOfDoses]] = {}
    for month, packed in rows:
        told = unpacked(packed)
        for k, number in enumerate(told.lines.tolist()):
            if number >= HAND_FROM or (line is not None and number != line.line):
                continue
            for n, day_of_month in enumerate(told.days.tolist()):
                day = date.fromisoformat(f"{month}-{day_of_month:02d}")
                if first <= day <= last:
                    planned, arrived, failed = (float(part[n, k]) for part in (told.planned, told.arrived, told.failed))
                    one = DayOfDoses(day=day, planned=planned, arrived=arrived, failed=failed)
                    found.setdefault(number, []).append(one)
    # A vehicle that changed its depot, or a point its name, within a day has several rows of it.
    return {number: together([days]) for number, days in found.items()}


def _concerns(lines: Sequence[int], line: Line | None) -> bool:
    """Whether what names these lines (none: it concerns all) is about a line; all of it is about the pump with all of its lines."""
    return line is None or not lines or line.line in lines


def _findings(
    connection: Connection, vehicle_id: int, line: Line | None, since_us: int, until_us: int
) -> tuple[Finding, ...]:
    table = schema.finding
    rows = connection.execute(
        select(table)
        .where(table.c.vehicle_id == vehicle_id, table.c.began_us < until_us)
        .where(func.coalesce(table.c.ended_us, until_us) >= since_us)
        .order_by(table.c.began_us, table.c.kind)
    ).mappings()
    return tuple(found for found in map(from_row, rows) if _concerns(found.lines, line))


def _alarms(
    connection: Connection, vehicle_id: int, line: Line | None, since_us: int, until_us: int
) -> tuple[tuple[AlarmHistory, ...], list[list[Any]]]:
    """(alarms, their rows as they are hashed)."""
    alarm, step = schema.alarm, schema.transition
    rows = connection.execute(
        select(alarm)
        .where(alarm.c.vehicle_id == vehicle_id, alarm.c.raised_us < until_us)
        .where(func.coalesce(alarm.c.ended_us, until_us) >= since_us)
        .order_by(alarm.c.raised_us, alarm.c.id)
    ).all()
    told, hashed = [], list[list[Any]]()
    for row in rows:
        if not _concerns(row.lines, line):
            continue
        steps = connection.execute(select(step).where(step.c.alarm_id == row.id).order_by(step.c.number)).all()
        hashed.append([row.kind, row.channel, row.raised_us, row.summary])
        hashed += [[one.number, one.at_us, one.event, one.state, one.who, one.why] for one in steps]
        told.append(
            AlarmHistory(
                kind=row.kind, summary=row.summary, raised_us=row.raised_us,
                steps=tuple(Step(at_us=one.at_us, event=one.event, who=one.who, why=one.why) for one in steps),
            )
        )  # fmt: skip
    return tuple(told), hashed


class _Messages(NamedTuple):
    kinds: dict[str, int]
    days: int  # on which one was sent
    lost: int | None
    thinned: int  # left of those that were thinned
    quiet_since_us: int | None
    digest: str


def _messages(connection: Connection, vehicle_id: int, since_us: int, until_us: int, zone: ZoneInfo) -> _Messages:
    kinds, by_boot, hashed, days = Counter[str](), dict[str, list[int]](), list[Any](), set[date]()
    numbers = []
    for table in (schema.thinned, schema.message):
        rows = connection.execute(_asked(table, vehicle_id, since_us, until_us)).all()
        numbers.append(len(rows))
        hashed += [list(row) for row in rows]
        for row in rows:
            kinds[row.kind] += 1
            by_boot.setdefault(row.boot, []).append(row.seq)
            days.add(instant(row.at_us).astimezone(zone).date())
    before, after = (
        _neighbour(connection, vehicle_id, at_us, later=later) for at_us, later in ((since_us, False), (until_us, True))
    )
    if (
        before and after and before.boot == after.boot and before.boot not in by_boot
    ):  # it ran through, and nothing of it came
        by_boot[before.boot] = [before.seq, after.seq]
    lost = sum(_lost(connection, vehicle_id, boot, min(seqs), max(seqs)) for boot, seqs in by_boot.items())
    last = _neighbour(connection, vehicle_id, until_us, later=False)
    quiet_since_us = None if after or last is None else int(last.at_us)
    return _Messages(dict(kinds), len(days), None if numbers[0] else lost, numbers[0], quiet_since_us, digest(hashed))


def _neighbour(connection: Connection, vehicle_id: int, at_us: int, *, later: bool) -> Any:
    """(at_us, boot, seq) of the first message from a time on, or of the last before it; None where there is none."""
    found = list[Any]()
    for table in (schema.thinned, schema.message):
        at = table.c.at_us
        chosen, order = (at >= at_us, (at, table.c.seq)) if later else (at < at_us, (at.desc(), table.c.seq.desc()))
        asked = select(at, table.c.boot, table.c.seq).where(table.c.vehicle_id == vehicle_id, chosen)
        found += connection.execute(asked.order_by(*order).limit(1)).all()
    return (min if later else max)(found, key=lambda row: row.at_us, default=None)


def _lost(connection: Connection, vehicle_id: int, boot: str, first: int, last: int) -> int:
    """How many numbers of a boot never came, from its last one before `first` to its first one after `last`: names are kept for good."""
    table = schema.name_range
    ranges = connection.execute(
        select(table.c.first_seq, table.c.last_seq)
        .where(table.c.vehicle_id == vehicle_id, table.c.boot == boot)
        .order_by(table.c.first_seq)
    ).all()
    gaps_ = ((one.last_seq, next_.first_seq) for one, next_ in pairwise(ranges))
    return sum(end - begin - 1 for begin, end in gaps_ if end >= first and begin <= last)


def _asked(table: Table, vehicle_id: int, since_us: int, until_us: int) -> Any:
    columns = [column for column in table.columns if column.name not in _NOT_HASHED]
    span = table.c.vehicle_id == vehicle_id, table.c.at_us >= since_us, table.c.at_us < until_us
    return select(*columns).where(*span).order_by(table.c.at_us, table.c.boot, table.c.seq)
