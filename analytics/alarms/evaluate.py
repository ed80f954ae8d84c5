"""Which alarms what is seen raises, clears and hides: a pure function."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from analytics.alarms.states import Condition, State, Transition, after
from analytics.findings import Finding
from analytics.kinds import ALARM_KINDS, REFILL_DUE, Severity, severity_rank
from analytics.settings import PROOF_CYCLES
from ingest.languages import later
from ingest.languages.saying import kept
from ingest.times import DAY_US, FOREVER_US, HOUR_US
from ingest.work import Work

_BEFORE_US: Final = DAY_US  # air reaches one channel before the others


PROGRAM: Final = "tallow"
REPAIR_FAILED: Final = later("the repair did not hold")
_FAR_OFF: Final = later("the date has moved far off")
_HELD: Final = later("the repair held")
_BACK: Final = later("it is back")
_WORSE: Final = later("it has become worse")
_TIME_UP: Final = later("the time is up")
_SHOWN: Final = later("nothing hides it any more")
_COMMISSIONING: Final = later("the system is in commissioning")


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


def alarm_of(row: Any) -> Alarm:
    """A row of the table as an alarm."""
    condition = Condition(row.active, row.acknowledged, row.shelved_until_us, row.suppressed_why, row.out_of_service)
    return Alarm(
        row.id, row.kind, row.channel, tuple(row.lines), row.severity, kept(row.summary, row.said), row.evidence, row.began_us,
        row.ended_us,
        row.raised_us, condition, row.changed_us, row.transitions,
    )  # fmt: skip


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
    work: tuple[Work, ...] = ()  # what people recorded, as it stands


@dataclass(frozen=True)
class Change:
    """An alarm as it is now, and the transitions that brought it there."""

    alarm: Alarm
    steps: tuple[tuple[Transition, State], ...]  # each with the state that it led to


def judge(held: Sequence[Alarm], sight: Sight, now_us: int) -> tuple[list[Change], int | None]:
    """What changes at `now_us`, and when to look again if nothing is heard before (None: never)."""
    told = [*sight.findings, *([sight.refill] if sight.refill else [])]
    keys = dict.fromkeys([(f.kind, f.channel) for f in told] + [(a.kind, a.channel) for a in held])
    keys_told = {(f.kind, f.channel) for f in told}
    kept = {a.id for a in held if (a.kind, a.channel) not in keys_told and _outlasts(a, held, sight)}
    changes: list[Change] = []
    later: list[int] = [] if sight.refill_from_us is None else [sight.refill_from_us]
    for kind, channel in keys:
        mine = [a for a in held if (a.kind, a.channel) == (kind, channel)]
        if kept & {a.id for a in mine}:
            continue
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
    done = [
        _hidden(change, () if change.alarm.id in kept else active, sight, now_us, later) for change in shown.values()
    ]
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
        from_us = open_.detected_us + int(ALARM_KINDS[open_.kind].on_delay_h * HOUR_US)
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
            return _cleared(replace(alarm, ended_us=sight.filled_us), "filled", sight, now_us)
        if found is None and not sight.refill_known:
            return None  # what was due is due until somebody fills it
    if found is None:
        if not alarm.condition.active:
            return None
        far = alarm.kind == REFILL_DUE
        why = _FAR_OFF if far else _withdrawn(alarm, sight)
        return _cleared(replace(alarm, ended_us=now_us), why, sight, now_us)
    if found.open:
        return _raised(alarm, found, now_us)
    ended_us = found.ended_us if found.ended_us is not None else now_us
    alarm = _with(alarm, found)
    off_us = ended_us + int(ALARM_KINDS[alarm.kind].off_delay_h * HOUR_US)
    if now_us < off_us:
        later.append(off_us)
        return Change(alarm, ())
    return _cleared(alarm, _HELD if "cycles_since_repair" in found.evidence else "over", sight, now_us)


def _withdrawn(alarm: Alarm, sight: Sight) -> str:
    """Why nothing is found any more where something was: by the name of what stands in its place."""
    found = _heir(alarm, sight)
    if found is not None:
        return f"withdrawn: it follows from: {ALARM_KINDS[found.kind].title.lower()}"
    return "withdrawn: messages that came later explain it otherwise"


def _heir(alarm: Alarm, sight: Sight) -> Finding | None:
    """What stands in the place of an alarm that nothing is found for any more."""
    for found in sight.findings:
        of_one_line = alarm.channel is None or found.channel is None or alarm.channel == found.channel
        if found.open and found.kind in ALARM_KINDS[alarm.kind].follows_from and of_one_line:
            return found
    return None


def _outlasts(alarm: Alarm, held: Sequence[Alarm], sight: Sight) -> bool:
    """Whether an alarm in sight, which something less urgent explains now, stands until somebody has taken note of that: else what was
    urgent would vanish before anybody knows what it became."""
    heir = _heir(alarm, sight) if alarm.state in ("unacknowledged", "acknowledged") else None
    if heir is None or severity_rank(alarm.severity) >= severity_rank(heir.severity):
        return False
    its = [a for a in held if (a.kind, a.channel) == (heir.kind, heir.channel) and a.state != "normal"]
    return not its or its[-1].state == "unacknowledged"


def _raised(alarm: Alarm, found: Finding, now_us: int) -> Change:
    worse = severity_rank(found.severity) < severity_rank(alarm.severity)
    new = _with(alarm, found)
    if not alarm.condition.active:
        return changed(new, Transition("occur", now_us, PROGRAM, _BACK if alarm.id is not None else ""))
    if worse:
        return changed(new, Transition("realarm", now_us, PROGRAM, _WORSE))
    if _failed(found) and not _failed(alarm):
        return changed(new, Transition("realarm", now_us, PROGRAM, REPAIR_FAILED))
    return Change(new, ())


def _failed(told: Alarm | Finding) -> bool:
    """Whether the cycles that should have proven a repair have shown that it did not hold."""
    return (told.evidence.get("cycles_since_repair") or 0) >= PROOF_CYCLES


def _cleared(alarm: Alarm, why: str, sight: Sight, now_us: int) -> Change | None:
    """Nobody is asked to take note of what their recorded work has dealt with: who recorded it has."""
    if not alarm.condition.active:
        return Change(alarm, ())
    over = changed(alarm, Transition("clear", now_us, PROGRAM, why))
    work = next((one for one in reversed(sight.work) if _answers(one, alarm)), None)
    if over.alarm.state != "returned" or work is None:
        return over
    return changed(over.alarm, Transition("acknowledge", now_us, work.by, f"recorded: {work.title}"), before=over.steps)


def _answers(work: Work, alarm: Alarm) -> bool:
    """Whether work was done on what an alarm tells of, since it began."""
    of_its_lines = not work.lines or not alarm.lines or not set(work.lines).isdisjoint(alarm.lines)
    return work.kind in ALARM_KINDS[alarm.kind].answered_by and work.at_us > alarm.began_us and of_its_lines


def _with(alarm: Alarm, found: Finding) -> Alarm:
    """The alarm, telling what the finding tells now. While it is active it stays as urgent as it once was, so that what flickers
    about a limit calls nobody twice; a refill alarm belongs to the fill before it."""
    worst = min(alarm.severity, found.severity, key=severity_rank) if alarm.condition.active else found.severity
    began_us = found.began_us if found.kind == REFILL_DUE else min(alarm.began_us, found.began_us)
    return replace(
        alarm, lines=found.lines, severity=worst, summary=found.summary, evidence=found.evidence, began_us=began_us,
        ended_us=found.ended_us,
    )  # fmt: skip


def changed(alarm: Alarm, *transitions: Transition, before: tuple[tuple[Transition, State], ...] = ()) -> Change:
    condition, steps = alarm.condition, list(before)
    for transition in transitions:
        condition = after(condition, transition)
        steps.append((transition, condition.state))
    return Change(replace(alarm, condition=condition), tuple(steps))


def _overlap(alarm: Alarm, found: Finding) -> bool:
    ended = alarm.ended_us if alarm.ended_us is not None else FOREVER_US
    until = found.ended_us if found.ended_us is not None else FOREVER_US
    return found.began_us < ended and alarm.began_us < until


def _hidden(change: Change, active: Sequence[Alarm], sight: Sight, now_us: int, later: list[int]) -> Change:
    """The change, and what takes the alarm out of sight or brings it back."""
    alarm, condition = change.alarm, change.alarm.condition
    steps: list[Transition] = []
    if condition.shelved_until_us is not None:
        if condition.shelved_until_us <= now_us:
            steps.append(Transition("unshelve", now_us, PROGRAM, _TIME_UP))
        else:
            later.append(condition.shelved_until_us)
    why = _why_hidden(alarm, active, sight) if condition.active or condition.suppressed_why else None
    if why is None and condition.suppressed_why is not None:
        steps.append(Transition("unsuppress", now_us, PROGRAM, _SHOWN))
    elif why is not None and why != condition.suppressed_why:
        steps.append(Transition("suppress", now_us, PROGRAM, why))
    return changed(alarm, *steps, before=change.steps)


def _why_hidden(alarm: Alarm, active: Sequence[Alarm], sight: Sight) -> str | None:
    if sight.away_why is not None:
        return sight.away_why
    for cause in active:
        if alarm.kind not in ALARM_KINDS[cause.kind].hides or not alarm.condition.active:
            continue
        of_one_line = alarm.channel is None or cause.channel is None or alarm.channel == cause.channel
        since = alarm.kind == REFILL_DUE or alarm.began_us >= cause.began_us - _BEFORE_US
        if of_one_line and since:
            return f"follows from: {ALARM_KINDS[cause.kind].title.lower()}"
    if sight.commissioning and alarm.severity != "act_now":
        return _COMMISSIONING
    return None
