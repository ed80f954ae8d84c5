"""What a person must deal with, made from what the analysis believes: raised, hidden, cleared, and kept with its history.

An alarm belongs to (vehicle, kind, channel) and a stretch of time. A finding that overlaps it is the same alarm, however its
dates move with later messages; while an alarm is not normal, whatever comes of its kind and channel is its own. `judge` is a
pure function; the database around it changes results, alarms and what is to be delivered in one transaction.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, insert, select, update

from analytics import delivery, depots, findings
from analytics.findings import Check, Finding, Kind, Severity, severity_rank
from analytics.history import DAY_US, HOUR_US
from analytics.lifecycle import Condition, State, Transition, after
from analytics.pressure import PROOF_CYCLES
from ingest import schema
from ingest.messages import instant, read_time
from ingest.problem import Problem
from ingest.registry import Setup, in_force, read_setups
from ingest.work import read_work, why_away

REFILL_DUE: Final = "refill_due"
KINDS: Final[Mapping[str, Kind]] = {
    **findings.KINDS,
    REFILL_DUE: Kind(
        "Refill due",
        "refill",
        "plan",
        "The reservoir reaches its low mark soon.",
        "Grease is used as it should be.",
        (
            Check(
                "Wipe the filling fitting clean, then fill to the full mark with the grease on the set-up sheet.",
                "Filled: record the litres. It takes much more or less than was said: the level sensor is to be checked.",
            ),
        ),
        ("grease as on the set-up sheet", "filling pump with the fitting of this reservoir", "rags"),
        15,
    ),
}

# What hides under what: an alarm that began with or after one of its causes, or shortly before, only follows from it.
CONSEQUENCES: Final[Mapping[str, tuple[str, ...]]] = {
    "low_level": ("open_line", "under_delivery", REFILL_DUE),
    "starved_pump": ("open_line", "under_delivery", "incomplete_cycles", "level_sensor"),
    "missed_cycles": ("under_delivery", "level_sensor", "timer_mismatch"),
    "blocked_line": ("incomplete_cycles", "under_delivery"),
    "incomplete_cycles": ("under_delivery",),
    "open_line": ("reservoir_loss",),
}
_BEFORE_US: Final = DAY_US  # air reaches one channel before the others

# Hours for which something has to last before it is an alarm, and to be over before it is none: a sensor that comes back by
# itself is nobody's work.
ON_DELAY_H: Final[Mapping[str, float]] = {"level_sensor": 12.0, "pressure_sensor": 12.0, "overfill": 6.0}
OFF_DELAY_H: Final[Mapping[str, float]] = {"level_sensor": 6.0, "pressure_sensor": 6.0, "silent": 0.0, REFILL_DUE: 0.0}
_OFF_DELAY_H: Final = 1.0
_FORECAST_SLACK_US: Final = 7 * DAY_US  # a refill date has to move as far beyond the lead time to be called off

PROGRAM: Final = "tallow"


@dataclass(frozen=True)
class Alarm:
    """One alarm as its last transition left it; `id` is None before it is kept."""

    id: int | None
    kind: str
    channel: str | None
    lines: tuple[int, ...]
    severity: Severity
    summary: str
    evidence: Mapping[str, float | None]
    began_us: int
    ended_us: int | None
    raised_us: int
    condition: Condition = field(default_factory=Condition)
    changed_us: int = 0
    transitions: int = 0

    @property
    def state(self) -> State:
        """Its state by the standard."""
        return self.condition.state


@dataclass(frozen=True)
class Sight:
    """What the newest analysis says of a vehicle, as far as alarms follow from it."""

    findings: tuple[Finding, ...]
    refill: Finding | None  # that it is due, soon or now
    filled_us: int | None
    away_why: str | None  # why nobody needs to be told of anything
    commissioning: bool
    refill_from_us: int | None = None  # when the refill will have to be told of, if nothing changes
    refill_known: bool = True  # whether anything is known of the refill now


@dataclass(frozen=True)
class Change:
    """An alarm as it is now, and the transitions that brought it there."""

    alarm: Alarm
    steps: tuple[tuple[Transition, State], ...]  # each with the state that it led to


def judge(held: Sequence[Alarm], sight: Sight, now_us: int) -> tuple[list[Change], int | None]:
    """What changes at `now_us`, and when to look again if nothing is heard before (None: never)."""
    told = [*sight.findings, *([sight.refill] if sight.refill else [])]
    keys = dict.fromkeys([(f.kind, f.channel) for f in told] + [(a.kind, a.channel) for a in held])
    changes: list[Change] = []
    later: list[int] = [] if sight.refill_from_us is None else [sight.refill_from_us]
    for kind, channel in keys:
        mine = [a for a in held if (a.kind, a.channel) == (kind, channel)]
        change = _one(mine, [f for f in told if (f.kind, f.channel) == (kind, channel)], sight, now_us, later)
        if change is not None:
            changes.append(change)
    shown = {a.id: Change(a, ()) for a in held if a.state != "normal"}
    shown |= {change.alarm.id if change.alarm.id is not None else -n: change for n, change in enumerate(changes, 1)}
    # A cause hides its consequences while it is in sight itself; else nobody would know of either.
    active = [
        change.alarm for change in shown.values()
        if change.alarm.condition.active and change.alarm.state not in ("shelved", "out_of_service")
    ]  # fmt: skip
    done = [_hidden(change, active, sight, now_us, later) for change in shown.values()]
    original = {a.id: a for a in held}
    return [c for c in done if c.steps or c.alarm != original.get(c.alarm.id)], min(
        (at_us for at_us in later if at_us > now_us), default=None
    )


def _one(mine: list[Alarm], told: list[Finding], sight: Sight, now_us: int, later: list[int]) -> Change | None:
    """What becomes of one kind on one channel, before anything is hidden."""
    open_ = next((f for f in told if f.open), None)
    alarm = next((a for a in reversed(mine) if a.state != "normal"), None)
    if alarm is None:
        if open_ is None:
            return None
        from_us = open_.detected_us + int(ON_DELAY_H.get(open_.kind, 0.0) * HOUR_US)
        if now_us < from_us:
            later.append(from_us)
            return None
        alarm = next((a for a in reversed(mine) if _overlap(a, open_)), None) or Alarm(
            None, open_.kind, open_.channel, open_.lines, open_.severity, "", {}, open_.began_us, None, now_us
        )
        return _raised(alarm, open_, now_us)
    found = open_ or next((f for f in reversed(told) if _overlap(alarm, f)), None)
    if alarm.kind == REFILL_DUE and alarm.condition.active:
        if sight.filled_us is not None and sight.filled_us > alarm.began_us:
            later.append(now_us + 1)  # a fill that was too small is told of anew
            return _cleared(replace(alarm, ended_us=sight.filled_us), "filled", now_us)
        if found is None and not sight.refill_known:
            return None  # what was due is due until somebody fills it
    if found is None:
        if not alarm.condition.active:
            return None
        far = alarm.kind == REFILL_DUE
        why = "the date has moved far off" if far else "withdrawn: messages that came later explain it otherwise"
        return _cleared(replace(alarm, ended_us=now_us), why, now_us)
    if found.open:
        return _raised(alarm, found, now_us)
    ended_us = found.ended_us if found.ended_us is not None else now_us
    alarm = _with(alarm, found)
    off_us = ended_us + int(OFF_DELAY_H.get(alarm.kind, _OFF_DELAY_H) * HOUR_US)
    if now_us < off_us:
        later.append(off_us)
        return Change(alarm, ())
    return _cleared(alarm, "the repair held" if "cycles_since_repair" in found.evidence else "over", now_us)


def _raised(alarm: Alarm, found: Finding, now_us: int) -> Change:
    worse = severity_rank(found.severity) < severity_rank(alarm.severity)
    new = _with(alarm, found)
    if not alarm.condition.active:
        return _changed(new, Transition("occur", now_us, PROGRAM, "it is back" if alarm.id is not None else ""))
    if worse:
        return _changed(new, Transition("realarm", now_us, PROGRAM, "it has become worse"))
    if _failed(found) and not _failed(alarm):
        return _changed(new, Transition("realarm", now_us, PROGRAM, "the repair did not hold"))
    return Change(new, ())


def _failed(told: Alarm | Finding) -> bool:
    """Whether the cycles that should have proven a repair have shown that it did not hold."""
    return (told.evidence.get("cycles_since_repair") or 0) >= PROOF_CYCLES


def _cleared(alarm: Alarm, why: str, now_us: int) -> Change | None:
    return _changed(alarm, Transition("clear", now_us, PROGRAM, why)) if alarm.condition.active else Change(alarm, ())


def _with(alarm: Alarm, found: Finding) -> Alarm:
    """The alarm, telling what the finding tells now. While it is active it stays as urgent as it once was, so that what flickers
    about a limit calls nobody twice; a refill alarm belongs to the fill before it."""
    worst = min(alarm.severity, found.severity, key=severity_rank) if alarm.condition.active else found.severity
    began_us = found.began_us if found.kind == REFILL_DUE else min(alarm.began_us, found.began_us)
    return replace(
        alarm, lines=found.lines, severity=worst, summary=found.summary, evidence=found.evidence, began_us=began_us,
        ended_us=found.ended_us,
    )  # fmt: skip


def _changed(alarm: Alarm, *transitions: Transition, before: tuple[tuple[Transition, State], ...] = ()) -> Change:
    condition, steps = alarm.condition, list(before)
    for transition in transitions:
        condition = after(condition, transition)
        steps.append((transition, condition.state))
    return Change(replace(alarm, condition=condition), tuple(steps))


def _overlap(alarm: Alarm, found: Finding) -> bool:
    ended = alarm.ended_us if alarm.ended_us is not None else 1 << 62
    until = found.ended_us if found.ended_us is not None else 1 << 62
    return found.began_us < ended and alarm.began_us < until


def _hidden(change: Change, active: Sequence[Alarm], sight: Sight, now_us: int, later: list[int]) -> Change:
    """The change, and what takes the alarm out of sight or brings it back."""
    alarm, condition = change.alarm, change.alarm.condition
    steps: list[Transition] = []
    if condition.shelved_until_us is not None:
        if condition.shelved_until_us <= now_us:
            steps.append(Transition("unshelve", now_us, PROGRAM, "the time is up"))
        else:
            later.append(condition.shelved_until_us)
    why = _why_hidden(alarm, active, sight) if condition.active or condition.suppressed_why else None
    if why is None and condition.suppressed_why is not None:
        steps.append(Transition("unsuppress", now_us, PROGRAM, "nothing hides it any more"))
    elif why is not None and why != condition.suppressed_why:
        steps.append(Transition("suppress", now_us, PROGRAM, why))
    return _changed(alarm, *steps, before=change.steps)


def _why_hidden(alarm: Alarm, active: Sequence[Alarm], sight: Sight) -> str | None:
    if sight.away_why is not None:
        return sight.away_why
    for cause in active:
        if alarm.kind not in CONSEQUENCES.get(cause.kind, ()) or not alarm.condition.active:
            continue
        of_one_line = alarm.channel is None or cause.channel is None or alarm.channel == cause.channel
        since = alarm.kind == REFILL_DUE or alarm.began_us >= cause.began_us - _BEFORE_US
        if of_one_line and since:
            return f"follows from: {KINDS[cause.kind].title.lower()}"
    if sight.commissioning and alarm.severity != "act_now":
        return "the system is in commissioning"
    return None


# What is seen of a vehicle -------------------------------------------------------------------------------------


def refill_trouble(
    setup: Setup, refill: Mapping[str, Any], filled_us: int | None, lead_us: int, now_us: int, *, told: bool
) -> tuple[Finding | None, int | None]:
    """(that a refill is due, None where it is not; when it will be), from a forecast as `Refill.as_json` has it. One that was
    told of already is called off only by a fill or where its date has moved far beyond the lead time."""
    early = None if refill["due_early"] is None else read_time(refill["due_early"])
    if early is None:
        return None, None
    due = refill["state"] == "due"
    if not due and early > now_us + lead_us + (_FORECAST_SLACK_US if told else 0):
        return None, early - lead_us
    zone = ZoneInfo(setup.timezone)

    def day(text: str | None) -> str:
        at = None if text is None else instant(read_time(text)).astimezone(zone)
        return "a day far off" if at is None else f"{at.day} {at:%b}"

    level = f"{refill['level_pct']:.0f} %"
    takes = f"It takes {refill['litres_to_full']:.1f} l of {setup.grease_and_grade}."
    if due:
        summary = (
            f"The reservoir stands at {level}, at or below its low mark, since {day(refill['due_early'])}. {takes}"
        )
    else:
        summary = (
            f"The reservoir stands at {level} and reaches its low mark between {day(refill['due_early'])} and"
            f" {day(refill['due_late'])}, most likely on {day(refill['due_expected'])}. {takes}"
        )
    if refill.get("basis"):
        summary += f" ({refill['basis'][0].upper()}{refill['basis'][1:]}.)"
    began_us = filled_us if filled_us is not None else 0
    evidence = {"level_pct": refill["level_pct"], "litres_to_full": refill["litres_to_full"]}
    severity: Severity = "act_now" if due else "plan"
    return Finding(REFILL_DUE, None, (), began_us, now_us, None, severity, summary, evidence), None


# The database --------------------------------------------------------------------------------------------------

_SPEAKS_US: Final = 6 * HOUR_US
_KEPT_DAYS: Final = 120  # so long an alarm that is over may turn out to go on


def alarm_of(row: Any) -> Alarm:
    """A row of the table as an alarm."""
    condition = Condition(row.active, row.acknowledged, row.shelved_until_us, row.suppressed_why, row.out_of_service)
    return Alarm(
        row.id, row.kind, row.channel, tuple(row.lines), row.severity, row.summary, row.evidence, row.began_us, row.ended_us,
        row.raised_us, condition, row.changed_us, row.transitions,
    )  # fmt: skip


def bring_up(connection: Connection, vehicle_id: int, now_us: int) -> int:
    """Bring a vehicle's alarms up to its newest results and the time, within the caller's transaction; how many changed."""
    analysis, finding, alarm = schema.analysis, schema.finding, schema.alarm
    row = connection.execute(
        select(analysis.c.refill, analysis.c.filled_us, analysis.c.commissioning)
        .where(analysis.c.vehicle_id == vehicle_id)
        .with_for_update()
    ).one_or_none()
    if row is None:
        return 0
    found = connection.execute(select(finding).where(finding.c.vehicle_id == vehicle_id).order_by(finding.c.began_us))
    kept = select(alarm).where(
        alarm.c.vehicle_id == vehicle_id,
        (alarm.c.state != "normal") | (alarm.c.ended_us > now_us - _KEPT_DAYS * DAY_US),
    )
    held = [alarm_of(r) for r in connection.execute(kept.order_by(alarm.c.raised_us, alarm.c.id).with_for_update())]
    ((_, setups),) = read_setups(connection, vehicle_id).values()
    setup = in_force(setups, now_us)
    work, depot = read_work(connection, vehicle_id).get(vehicle_id, ()), depots.depot(connection, setup.depot)
    told = any(a.kind == REFILL_DUE and a.condition.active for a in held)
    refill, from_us = refill_trouble(setup, row.refill, row.filled_us, depot.lead_us, now_us, told=told)
    sight = Sight(
        tuple(findings.from_row(r) for r in found.mappings()), refill, row.filled_us, why_away(work),
        bool(row.commissioning and row.commissioning["state"] == "running"), from_us, row.refill["state"] != "unknown",
    )  # fmt: skip
    changes, due_us = judge(held, sight, now_us)
    for change in changes:
        _keep(connection, vehicle_id, setup, change, now_us)
    connection.execute(update(analysis).where(analysis.c.vehicle_id == vehicle_id).values(alarms_due_us=due_us))
    return len(changes)


def due(connection: Connection, now_us: int) -> list[int]:
    """The vehicles whose alarms have to be looked at, by results that speak of now: somebody may have asked for those of the past."""
    table = schema.analysis
    wanted = table.c.alarms_due_us <= now_us, table.c.as_of_us.between(now_us - _SPEAKS_US, now_us + _SPEAKS_US)
    return list(connection.execute(select(table.c.vehicle_id).where(*wanted)).scalars())


def act(connection: Connection, numbers: Collection[int], transition: Transition) -> None:
    """What a person does to alarms, all or none. Raises Problem."""
    table = schema.alarm
    owners: dict[int, int] = dict(
        connection.execute(select(table.c.id, table.c.vehicle_id).where(table.c.id.in_(numbers))).all()
    )
    # By vehicle: two who do so at once never wait in a ring.
    for number in sorted(set(numbers), key=lambda number: (owners.get(number, 0), number)):
        _act(connection, number, transition)


def _act(connection: Connection, number: int, transition: Transition) -> None:
    table, analysis = schema.alarm, schema.analysis
    # Who looks at a vehicle's alarms locks its results first, and so does who changes one.
    owner = select(table.c.vehicle_id).where(table.c.id == number).scalar_subquery()
    connection.execute(select(analysis.c.vehicle_id).where(analysis.c.vehicle_id == owner).with_for_update())
    row = connection.execute(select(table).where(table.c.id == number).with_for_update()).one_or_none()
    if row is None:
        raise Problem(f"there is no alarm {number}; tallow alarms lists them")
    if not transition.who.strip():
        raise Problem("say who does it")
    try:
        change = _changed(alarm_of(row), transition)
    except Problem as problem:
        raise Problem(f"alarm {number} cannot be changed so: {problem}") from None
    ((_, setups),) = read_setups(connection, row.vehicle_id).values()
    _keep(connection, row.vehicle_id, in_force(setups, transition.at_us), change, transition.at_us)
    # What hides it, and when it comes back, is looked at with the next pass.
    connection.execute(update(analysis).where(analysis.c.vehicle_id == row.vehicle_id).values(alarms_due_us=0))


def _keep(connection: Connection, vehicle_id: int, setup: Setup, change: Change, now_us: int) -> None:
    table, alarm, condition = schema.alarm, change.alarm, change.alarm.condition
    transitions = alarm.transitions + len(change.steps)
    values = {
        "vehicle_id": vehicle_id, "kind": alarm.kind, "channel": alarm.channel, "lines": list(alarm.lines),
        "severity": alarm.severity, "summary": alarm.summary, "evidence": dict(alarm.evidence), "began_us": alarm.began_us,
        "ended_us": alarm.ended_us, "raised_us": alarm.raised_us, "active": condition.active,
        "acknowledged": condition.acknowledged, "shelved_until_us": condition.shelved_until_us,
        "suppressed_why": condition.suppressed_why, "out_of_service": condition.out_of_service, "state": alarm.state,
        "changed_us": now_us if change.steps else alarm.changed_us,
        "transitions": transitions,
    }  # fmt: skip
    if any(step.event == "occur" for step, _ in change.steps):
        values["raised_us"] = now_us
    if alarm.id is None:
        number = connection.execute(insert(table).values(**values).returning(table.c.id)).scalar_one()
    else:
        number = alarm.id
        connection.execute(update(table).where(table.c.id == number).values(**values))
    if not change.steps:
        return
    connection.execute(
        insert(schema.transition),
        [
            {"alarm_id": number, "number": alarm.transitions + n, "at_us": step.at_us, "event": step.event, "state": state,
             "who": step.who, "why": step.why, "until_us": step.until_us}
            for n, (step, state) in enumerate(change.steps, 1)
        ],
    )  # fmt: skip
    kept = replace(alarm, id=number, transitions=transitions)
    delivery.announce(connection, setup, _told(kept, change.steps[-1][0].event), now_us)


def _told(alarm: Alarm, event: str = "") -> delivery.Told:
    since_us = alarm.raised_us if alarm.kind == REFILL_DUE else alarm.began_us
    return delivery.Told(
        alarm.id or 0, alarm.transitions, event, alarm.state, KINDS[alarm.kind], alarm.kind, alarm.channel, alarm.lines,
        alarm.severity, alarm.summary, since_us,
    )  # fmt: skip


def open_at(connection: Connection, depot: str) -> list[tuple[Setup, delivery.Told]]:
    """What is open and in sight at a depot, and what is over and nobody has taken note of."""
    table, who = schema.alarm, schema.standing
    rows = connection.execute(
        select(table)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(who.c.depot == depot, table.c.state.in_(("unacknowledged", "returned", "acknowledged")))
    ).all()
    setups = {id_: own[-1] for id_, own in read_setups(connection, {row.vehicle_id for row in rows}).values()}
    return [(setups[row.vehicle_id], _told(alarm_of(row))) for row in rows]
