"""A vehicle in one row, as lists show it: who it is, what it needs, why, and what to take along. Nobody else writes that table."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, bindparam, insert, select, update

from analytics.alarms import records
from analytics.findings import Finding, urgency
from analytics.hand import HandState, standing
from analytics.kinds import FINDING_KINDS, Severity, kind_rank
from analytics.pipeline.tasks import Outcome
from analytics.refills import Refill
from analytics.vehicle.line_conditions import DRIFTS, LineCondition
from ingest import registry, schema
from ingest.database import upsert
from ingest.languages.saying import in_json, of_json, say
from ingest.registry import Registered, read_vehicles
from ingest.setups import Setup
from ingest.times import now_us

# What a vehicle needs, worst first; of one never heard, of which nothing is proven, or with a point greased by hand of which no date is
# known, nobody knows that it needs nothing.
PRIORITIES: Final = ("act_now", "plan", "note", "unheard", "not_proven", "none")
_FINDINGS_SHOWN: Final = 3
_PRESENT_US: Final = 60_000_000  # results of so long ago are of the present
_WEEK_DAYS: Final = 7
# `rank` is the place of the worst finding's kind; from here on for those that leave no point dry that steering or braking depends on.
ORDINARY_RANK: Final = 100
_NO_RANK: Final = 199  # of a vehicle without an open finding
# Of a vehicle that is listed for the first time.
_NOTHING: Final = {"need": PRIORITIES.index("unheard"), "rank": _NO_RANK, "dry_h": None, "sold": False}
_WHO: Final = ("fleet", "vehicle", "unit", "vehicle_class", "depot", "timezone", "low_mark_pct", "nlgi", "controller")
_TOGETHER: Final = 500  # vehicles that are listed by one statement
_PUT: Final = update(schema.vehicle_summary).where(schema.vehicle_summary.c.vehicle_id == bindparam("of"))


@dataclass(frozen=True)
class FindingShown:
    """An open finding as a list says it: with where it is in a few words, how many ignition hours the longest of its points has waited
    for grease (None: not known; it is `at_least` so long where of some nobody knows), and whether one of them, which steering or braking
    depends on, may be dry."""

    kind: str
    severity: Severity
    summary: str
    where: str = ""
    dry_h: float | None = None
    critical: bool = False
    at_least: bool = False

    def to_row(self) -> list[Any]:
        """As it is kept in the table."""
        return [
            self.kind,
            self.severity,
            in_json(self.summary),
            in_json(self.where),
            self.dry_h,
            self.critical,
            self.at_least,
        ]

    @staticmethod
    def from_row(row: Sequence[Any]) -> "FindingShown":
        """What `to_row` made."""
        kind, severity, summary, where, *rest = row
        return FindingShown(kind, severity, of_json(summary) or "", of_json(where) or "", *rest)


@dataclass(frozen=True, kw_only=True)
class Detail:
    """What a list says of a vehicle beside what it sorts by: its worst open findings and how many there are, its refill, cycles
    done and expected in its last seven days, the condition of each line in the line list's order, how many points greased by hand are due
    and of how many no date is known, and which of those that are due steering or braking depends on."""

    findings: tuple[FindingShown, ...]
    open: int
    refill: Refill
    week: tuple[int, int]
    lines: tuple[LineCondition, ...]
    hand: tuple[int, int] = (0, 0)
    critical_hand: tuple[str, ...] = ()

    def to_row(self) -> dict[str, Any]:
        """As it is kept in the table."""
        return {
            "findings": [f.to_row() for f in self.findings],
            "open": self.open,
            "refill": self.refill.to_row(),
            "week": list(self.week),
            "lines": [line.to_row() for line in self.lines],
            "hand": list(self.hand),
            "critical_hand": list(self.critical_hand),
        }

    @staticmethod
    def from_row(row: Mapping[str, Any]) -> "Detail":
        """What `to_row` made."""
        return Detail(
            findings=tuple(map(FindingShown.from_row, row["findings"])),
            open=row["open"],
            refill=Refill.from_row(row["refill"]),
            week=tuple(row["week"]),
            lines=tuple(LineCondition.from_row(line) for line in row["lines"]),
            hand=tuple(row.get("hand", (0, 0))),  # those kept by an older version have none
            critical_hand=tuple(row.get("critical_hand", ())),
        )


def priority_of(
    findings: Sequence[Finding],
    refill_state: str | None,
    lines: Sequence[LineCondition],
    hand: Sequence[str] = (),
    *,
    heard: bool,
) -> str:
    """What a vehicle needs, from its open findings, its refill, its lines and how its points greased by hand stand, and whether anything
    was ever heard of it, if it can be."""
    severities = {f.severity for f in findings}
    if "act_now" in severities or refill_state == "due":
        return "act_now"
    if "plan" in severities or refill_state == "soon" or "due" in hand:
        return "plan"
    if severities:
        return "note"
    if not heard:
        return "unheard"
    proven = all(line.state in ("sound", "note") for line in lines) if lines else bool(hand)
    return "none" if proven and "unknown" not in hand else "not_proven"


def hand_standing(states: Sequence[HandState], as_of_us: int) -> list[str]:
    """How each point greased by hand stands."""
    return [standing(one.due_us, as_of_us) for one in states]


def detail(outcome: Outcome) -> Detail:
    """What a list says of an outcome."""
    open_ = sorted((f for f in outcome.findings if f.open), key=urgency)
    last = outcome.days[-_WEEK_DAYS:]
    done = sum(day.done + day.incomplete + day.lost for day in last)
    hand = hand_standing(outcome.hand, outcome.as_of_us)
    return Detail(
        findings=tuple(_shown(f, outcome) for f in open_[:_FINDINGS_SHOWN]),
        open=len(open_),
        refill=outcome.refill,
        week=(done, done + sum(day.missed for day in last)),
        lines=tuple(outcome.lines),
        hand=(hand.count("due"), hand.count("unknown")),
        critical_hand=tuple(
            f"{one.point.number} {one.point.point}"
            for one, state in zip(outcome.hand, hand, strict=True)
            if state == "due" and one.point.critical
        ),
    )


def _shown(found: Finding, outcome: Outcome) -> FindingShown:
    """A finding with the lines that it concerns: its own, or all of them where grease fails to arrive anywhere."""
    of_all = FINDING_KINDS[found.kind].dries and not found.lines and found.channel is None
    concerned = [line for line in outcome.lines if of_all or line.line in found.lines]
    points = {line.line: line.point for line in outcome.setup.lines}
    where = say("all {count} lines", count=len(concerned)) if of_all else ""
    if not where and concerned:
        one = concerned[0].line
        alone = say("line {line}, {point}", line=one, point=points.get(one, ""))
        where = alone if len(concerned) == 1 else say("{count} lines", count=len(concerned))
    hours = [line.hours_since_grease for line in concerned if line.hours_since_grease is not None]
    return FindingShown(
        found.kind, found.severity, found.summary, where, max(hours, default=None), any(line.critical_dry for line in concerned),
        0 < len(hours) < len(concerned),
    )  # fmt: skip


def put_result(connection: Connection, outcome: Outcome) -> None:
    """Keep what an analysis found."""
    open_ = sorted((f for f in outcome.findings if f.open), key=urgency)
    heard = bool(outcome.days) or not outcome.setup.controller
    hand = hand_standing(outcome.hand, outcome.as_of_us)
    found = {
        "need": PRIORITIES.index(priority_of(open_, outcome.refill.state, outcome.lines, hand, heard=heard)),
        "rank": _rank(open_[0], outcome.lines) if open_ else _NO_RANK,
        "dry_h": outcome.max_hours_since_grease if open_ else 0.0,
        "level_pct": outcome.refill.level_pct,
        "due_early_us": outcome.refill.due_early_us,
        "use_l_a_day": outcome.refill.use_l_a_day,
        "watched_days": float(len(outcome.days)),
        "watched_h": float(sum(day.ignition_h for day in outcome.days)),
        "drifting": sum(line.condition in DRIFTS for line in outcome.lines),
        "detail": detail(outcome).to_row(),
    }
    present_us, setup = now_us(), outcome.setup
    if (
        not present_us - _PRESENT_US <= outcome.as_of_us <= present_us
    ):  # who sees a vehicle, and where, goes by the present
        setup = read_vehicles(connection, outcome.vehicle_id)[0].in_force(present_us)
    records.tell_of_move(connection, outcome.vehicle_id, setup, present_us)
    _put(connection, outcome.vehicle_id, _identity(setup) | found | {"sold": outcome.sold})


def _rank(worst: Finding, lines: Sequence[LineCondition]) -> int:
    return kind_rank(worst.kind) + (0 if any(line.critical_dry for line in lines) else ORDINARY_RANK)


def register(
    connection: Connection, folder: Path, now_us: int, show: Callable[[int, int], None] = lambda done, of: None
) -> Registered:
    """Take the registry files in `folder` in, and keep who each vehicle is; what an analysis found of it stays. Raises Problem."""
    return _listed(connection, registry.register(connection, folder, now_us, show), now_us)


def keep(
    connection: Connection,
    wanted: Sequence[Setup],
    now_us: int,
    show: Callable[[int, int], None] = lambda done, of: None,
) -> Registered:
    """The same with what `registry.read` has read, or what came another way."""
    return _listed(connection, registry.keep(connection, wanted, now_us, show), now_us)


def _listed(connection: Connection, done: Registered, now_us: int) -> Registered:
    changed, table = sorted(done.changed), schema.vehicle_summary
    for first in range(0, len(changed), _TOGETHER):
        some = changed[first : first + _TOGETHER]
        stood = select(table.c.vehicle_id, table.c.depot).where(table.c.vehicle_id.in_(some))
        at = {row.vehicle_id: row.depot for row in connection.execute(stood)}
        setups = {vehicle.id: vehicle.in_force(now_us) for vehicle in read_vehicles(connection, some)}
        for of, setup in setups.items():
            if at.get(of, setup.depot) != setup.depot:
                records.tell_of_move(connection, of, setup, now_us)
        who = {of: _identity(setup) for of, setup in sorted(setups.items())}
        put = upsert(connection, table)
        put = put.on_conflict_do_update(
            index_elements=["vehicle_id"], set_={name: put.excluded[name] for name in (*_WHO, "search", "grease")}
        )
        connection.execute(put, [{"vehicle_id": of} | _NOTHING | one for of, one in who.items()])
    return done


def _identity(setup: Setup) -> dict[str, Any]:
    points = " ".join(sorted({line.point for line in setup.lines} | {point.point for point in setup.hand_points}))
    search = f"{setup.unit} {setup.vehicle} {setup.fleet} {setup.depot} {setup.vehicle_class} {points}".casefold()
    return {name: getattr(setup, name) for name in _WHO} | {"search": search, "grease": setup.grease_and_grade}


def _put(connection: Connection, vehicle_id: int, values: dict[str, Any]) -> None:
    table = schema.vehicle_summary
    done = connection.execute(_PUT, {"of": vehicle_id} | values)
    if not done.rowcount:
        connection.execute(insert(table), {"vehicle_id": vehicle_id} | _NOTHING | values)
