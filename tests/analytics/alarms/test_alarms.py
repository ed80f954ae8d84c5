"""From findings to alarms: raised once a cause, hidden where they only follow, cleared with a reason, the history kept."""

import threading
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Engine, select, update

from analytics.alarms import depots, evaluate, records, refill_due
from analytics.alarms.evaluate import Alarm, Change, Sight, judge
from analytics.alarms.states import Transition
from analytics.findings import Finding
from analytics.kinds import ALARM_KINDS, REFILL_DUE
from analytics.pipeline.watch import AlarmFigures, Watch
from analytics.pipeline.workers import workers
from ingest import database, registry, schema, work, work_records
from ingest.errors import Problem
from ingest.setups import Setup
from ingest.times import DAY_US, HOUR_US
from tests.helpers.alarms import NOW, REFILL, bring_up, finding, fleet, put, vehicle_id

__all__ = ["fleet"]

NOTHING = Sight((), None, None, None, commissioning=False)


def see(*found: Finding, **more: Any) -> Sight:
    """What is seen of a vehicle."""
    return replace(NOTHING, findings=found, **more)


class Vehicle:
    """The alarms of one vehicle over time, without a database."""

    def __init__(self) -> None:
        self.held: list[Alarm] = []
        self.steps: list[tuple[str, str]] = []

    def look(self, sight: Sight, days: float = 0.0) -> dict[str, str]:
        """What changes; kind -> state of all that are not normal."""
        changes, self.due_us = judge(self.held, sight, NOW + int(days * DAY_US))
        for change in changes:
            self.keep(change)
        return {alarm.kind: alarm.state for alarm in self.held if alarm.state != "normal"}

    def keep(self, change: Change) -> None:
        """Keep a change as the database would."""
        alarm = change.alarm if change.alarm.id is not None else replace(change.alarm, id=len(self.held) + 1)
        alarm = replace(alarm, transitions=alarm.transitions + len(change.steps))
        self.held = [a for a in self.held if a.id != alarm.id] + [alarm]
        self.steps += [(alarm.kind, step.event) for step, _ in change.steps]

    def act(self, kind: str, event: Any, days: float = 0.0, **more: Any) -> None:
        """What a person does."""
        alarm = next(a for a in self.held if a.kind == kind)
        self.keep(evaluate.changed(alarm, Transition(event, NOW + int(days * DAY_US), "R. Tarvolen", "why", **more)))


def test_one_stretch_of_trouble_is_one_alarm() -> None:
    """Raised once however often it is looked at; its dates may move; cleared when it is over, and the history stays."""
    vehicle = Vehicle()
    assert vehicle.look(see(finding("missed_cycles"))) == {"missed_cycles": "unacknowledged"}
    vehicle.look(see(finding("missed_cycles", -3)), 0.1)
    vehicle.act("missed_cycles", "acknowledge", 0.2)
    assert vehicle.look(see(finding("missed_cycles", -3, 0.5)), 1) == {}
    assert vehicle.steps == [("missed_cycles", e) for e in ("occur", "acknowledge", "clear")]
    assert len(vehicle.held) == 1
    assert vehicle.held[0].began_us == NOW - 3 * DAY_US


def test_what_is_not_acknowledged_stays_until_somebody_takes_note() -> None:
    """Returned to normal, unacknowledged."""
    vehicle = Vehicle()
    vehicle.look(see(finding("missed_cycles")))
    assert vehicle.look(see(finding("missed_cycles", -2, 0.5)), 1) == {"missed_cycles": "returned"}
    vehicle.act("missed_cycles", "acknowledge", 2)
    assert vehicle.look(see(finding("missed_cycles", -2, 0.5)), 3) == {}


def test_a_finding_that_goes_on_after_all_is_the_same_alarm() -> None:
    """Later messages show that it never ended."""
    vehicle = Vehicle()
    vehicle.look(see(finding("missed_cycles")))
    vehicle.act("missed_cycles", "acknowledge")
    vehicle.look(see(finding("missed_cycles", -2, 0.5)), 1)
    assert vehicle.look(see(finding("missed_cycles", -2)), 2) == {"missed_cycles": "unacknowledged"}
    assert len(vehicle.held) == 1


def test_a_new_stretch_is_a_new_alarm() -> None:
    """Days after the first was over and acknowledged."""
    vehicle = Vehicle()
    vehicle.look(see(finding("missed_cycles")))
    vehicle.act("missed_cycles", "acknowledge")
    first = finding("missed_cycles", -2, 0.5)
    vehicle.look(see(first), 1)
    vehicle.look(see(first, finding("missed_cycles", 9)), 10)
    assert len(vehicle.held) == 2


@pytest.mark.parametrize("out", [{"event": "shelve", "until_us": NOW + 9 * DAY_US}, {"event": "take_out"}])
def test_a_cause_that_is_out_of_sight_hides_nothing(out: dict[str, Any]) -> None:
    """Else nobody would know of the one nor of the other."""
    vehicle = Vehicle()
    vehicle.look(see(finding("low_level")))
    vehicle.act("low_level", **out)
    assert vehicle.look(see(finding("low_level"), finding("starved_pump", 0.5)), 1)["starved_pump"] == "unacknowledged"


def test_a_withdrawn_finding_clears_its_alarm_and_says_so() -> None:
    """The history keeps that it was there."""
    vehicle = Vehicle()
    vehicle.look(see(finding("open_line", channel="p03")))
    vehicle.act("open_line", "acknowledge")
    changes, _ = judge(vehicle.held, NOTHING, NOW + DAY_US)
    ((step, state),) = changes[0].steps
    assert (step.event, state) == ("clear", "normal")
    assert step.why.startswith("withdrawn")


@pytest.mark.parametrize("noted", [True, False])
def test_what_was_urgent_stands_until_its_replacement_is_taken_note_of(noted: bool) -> None:
    """A line that was blocked and is explained by a failed sensor now: as urgent as it was, and in sight, whether or not somebody had taken
    note of the line; it says what replaced it when it goes."""
    vehicle = Vehicle()
    vehicle.look(see(finding("blocked_line", channel="p03", severity="act_now")))
    before = "unacknowledged"
    if noted:
        vehicle.act("blocked_line", "acknowledge")
        before = "acknowledged"
    sensor = see(finding("pressure_sensor", 0.5, channel="p03", severity="plan"))
    for day in (1.0, 2.0, 9.0):
        state = vehicle.look(sensor, day)
        assert state == {"blocked_line": before, "pressure_sensor": "unacknowledged"}
        assert {a.kind: a.severity for a in vehicle.held}["blocked_line"] == "act_now"
    vehicle.act("pressure_sensor", "acknowledge", 9)
    changes, _ = judge(vehicle.held, sensor, NOW + 10 * DAY_US)
    ((step, state_now),) = changes[0].steps
    assert (step.event, step.why) == ("clear", "withdrawn: it follows from: pressure sensor")
    assert state_now == ("normal" if noted else "returned")


def test_a_replacement_as_urgent_takes_over_at_once() -> None:
    """Nobody needs two alarms of one trouble."""
    vehicle = Vehicle()
    vehicle.look(see(finding("blocked_line", channel="p03", severity="plan")))
    state = vehicle.look(see(finding("pressure_sensor", 0.5, channel="p03", severity="plan")), 2)
    assert state == {"blocked_line": "returned", "pressure_sensor": "unacknowledged"}


def test_what_is_over_before_it_is_seen_is_nobodys_work() -> None:
    """Messages from out of coverage tell of last week."""
    assert Vehicle().look(see(finding("missed_cycles", -9, -5))) == {}


@pytest.mark.parametrize(("kind", "hours"), [("level_sensor", 12), ("pressure_sensor", 12), ("overfill", 6)])
def test_a_delay_on(kind: str, hours: float) -> None:
    """What may go by itself is no alarm at once; the moment at which it will be is known."""
    vehicle = Vehicle()
    channel = "p01" if kind == "pressure_sensor" else None
    assert vehicle.look(see(finding(kind, 0, channel=channel))) == {}
    assert vehicle.due_us == NOW + hours * HOUR_US
    assert vehicle.look(see(finding(kind, 0, channel=channel)), hours / 24) == {kind: "unacknowledged"}


def test_a_delay_off_bridges_a_short_pause() -> None:
    """A stretch that pauses for half an hour clears nothing."""
    vehicle = Vehicle()
    vehicle.look(see(finding("missed_cycles")))
    vehicle.look(see(finding("missed_cycles", -2, 0.0)), 0.5 / 24)
    assert vehicle.due_us == NOW + HOUR_US
    vehicle.look(see(finding("missed_cycles", -2)), 0.8 / 24)
    assert vehicle.steps == [("missed_cycles", "occur")]


def test_worse_alarms_again() -> None:
    """What was planned and is now urgent wants somebody anew."""
    vehicle = Vehicle()
    vehicle.look(see(finding("blocked_line", channel="p05")))
    vehicle.act("blocked_line", "acknowledge")
    vehicle.look(see(finding("blocked_line", channel="p05", severity="act_now")), 1)
    assert vehicle.steps[-1] == ("blocked_line", "realarm")
    assert vehicle.held[0].state == "unacknowledged"


@pytest.mark.parametrize("cause", [name for name, kind in ALARM_KINDS.items() if kind.hides])
def test_every_consequence_hides_under_its_cause_and_no_other_kind_does(cause: str) -> None:
    """By the table: one alarm a cause. When the cause is over, what is left comes into sight."""
    others = [kind for kind in ALARM_KINDS if kind not in (cause, REFILL_DUE)]
    vehicle = Vehicle()
    found = [finding(kind, -1) for kind in others]
    states = vehicle.look(see(finding(cause, -2), *found, refill=finding(REFILL_DUE, -30)))
    hidden = {kind for kind, state in states.items() if state == "suppressed"}
    by_others = {k for c in others for k in ALARM_KINDS[c].hides}
    assert set(ALARM_KINDS[cause].hides) <= hidden
    assert hidden <= set(ALARM_KINDS[cause].hides) | by_others
    assert states["low_level"] == "unacknowledged"
    assert states[cause] == "unacknowledged" or cause in by_others


def test_a_dry_reservoir_hides_what_follows_and_never_itself() -> None:
    """Low level, then starved: lines and consumption hide; what began days before does not."""
    vehicle = Vehicle()
    before, after = finding("open_line", -9, channel="p01"), finding("open_line", -1, channel="p02")
    seen = [finding("low_level", -3), finding("starved_pump", -1), finding("under_delivery", -1), before, after]
    vehicle.look(see(*seen))
    states = {(a.kind, a.channel): a.state for a in vehicle.held}
    assert states == {
        ("low_level", None): "unacknowledged",
        ("starved_pump", None): "unacknowledged",
        ("under_delivery", None): "suppressed",
        ("open_line", "p01"): "unacknowledged",
        ("open_line", "p02"): "suppressed",
    }
    over = [replace(f, ended_us=NOW) for f in seen[:2]]
    vehicle.look(see(*over, *seen[2:]), 1)
    assert {a.state for a in vehicle.held if a.kind in ("open_line", "under_delivery")} == {"unacknowledged"}


def test_a_vehicle_that_is_laid_up_is_quiet() -> None:
    """Suppressed by design; what went meanwhile needs nobody, what stayed comes back."""
    vehicle = Vehicle()
    found = [finding("silent"), finding("open_line", channel="p01")]
    vehicle.look(see(*found))
    assert set(vehicle.look(see(*found, away_why="the vehicle is laid up"), 1).values()) == {"suppressed"}
    ended = replace(found[0], ended_us=NOW + 2 * DAY_US)
    assert vehicle.look(see(ended, found[1]), 3) == {"open_line": "unacknowledged"}


def test_commissioning_holds_back_nothing_urgent() -> None:
    """What is to be planned waits for its end."""
    vehicle = Vehicle()
    found = [finding("blocked_line", channel="p05"), finding("open_line", channel="p06")]
    assert vehicle.look(see(*found, commissioning=True)) == {
        "blocked_line": "suppressed",
        "open_line": "unacknowledged",
    }
    assert set(vehicle.look(see(*found), 1).values()) == {"unacknowledged"}


def test_a_shelf_ends_by_itself() -> None:
    """At the time that was said, which is when it is looked at next."""
    vehicle = Vehicle()
    vehicle.look(see(finding("missed_cycles")))
    vehicle.act("missed_cycles", "shelve", until_us=NOW + 2 * DAY_US)
    assert vehicle.look(see(finding("missed_cycles")), 1) == {"missed_cycles": "shelved"}
    assert vehicle.due_us == NOW + 2 * DAY_US
    assert vehicle.look(see(finding("missed_cycles")), 2) == {"missed_cycles": "unacknowledged"}


def test_out_of_service_keeps_what_comes_to_itself() -> None:
    """A sensor that goes and comes is one alarm for as long as it is out of service."""
    vehicle = Vehicle()
    vehicle.look(see(finding("level_sensor")))
    vehicle.act("level_sensor", "take_out")
    vehicle.look(see(finding("level_sensor", -2, 0.5)), 3)
    again = finding("level_sensor", 5)
    assert vehicle.look(see(finding("level_sensor", -2, 0.5), again), 7) == {"level_sensor": "out_of_service"}
    vehicle.act("level_sensor", "put_back", 8)
    assert [a.state for a in vehicle.held] == ["unacknowledged"]


# Refill due -----------------------------------------------------------------------------------------------------


def refill(
    days: float, state: str = "ok", *, told: bool = False, filled: float | None = None
) -> tuple[Finding | None, int | None]:
    """What is told of a refill whose early date is so many days ahead."""
    setup = Setup(
        fleet="f", vehicle="v", unit="u", vehicle_class="c", depot="d", timezone="Europe/Oslo", commissioned=None, feed="direct",
        reservoir_l=2, low_mark_pct=15, interval_min=20, run_s=180, relief_kpa=28_000, grease="g", nlgi="2",
    )  # fmt: skip
    early, expected, late = (NOW + int((days + n) * DAY_US) for n in range(3))
    forecast = replace(REFILL, due_early_us=early, due_expected_us=expected, due_late_us=late, state=state)
    filled_us = None if filled is None else NOW + int(filled * DAY_US)
    return refill_due.refill_trouble(setup, forecast, filled_us, 7 * DAY_US, NOW, told=told)


def test_a_refill_is_told_of_within_the_lead_time_only() -> None:
    """Ten days ahead: not yet, but it is known when. Six days ahead: with level, window and litres."""
    none, from_us = refill(10)
    assert none is None
    assert from_us == NOW + 3 * DAY_US
    found, _ = refill(6)
    assert found is not None
    assert found.severity == "plan"
    assert "30 %" in found.summary
    assert "1.4 l" in found.summary
    due, _ = refill(-1, "due")
    assert due is not None
    assert due.severity == "act_now"


def test_a_window_that_has_begun_is_told_as_such() -> None:
    """Of one that was silent since: a day that has passed is no date on which the low mark "is reached"."""
    found, _ = refill(-3, "soon")
    assert found is not None
    assert "was at 30 % and may have reached its low mark" in found.summary
    assert "stands at" not in found.summary


def test_it_is_raised_once_a_fill() -> None:
    """A date that wobbles about the lead time calls nobody twice; a fill ends it, and the next time is another alarm."""
    vehicle = Vehicle()
    vehicle.look(replace(NOTHING, refill=refill(6, filled=-30)[0], filled_us=NOW - 30 * DAY_US))
    for days in (8, 6, 9, 6.5):
        assert vehicle.look(replace(NOTHING, refill=refill(days, told=True, filled=-30)[0]), 1) == {
            REFILL_DUE: "unacknowledged"
        }
    assert vehicle.steps == [(REFILL_DUE, "occur")]
    vehicle.act(REFILL_DUE, "acknowledge")
    changes, _ = judge(vehicle.held, replace(NOTHING, filled_us=NOW + DAY_US), NOW + 2 * DAY_US)
    assert changes[0].steps[0][0].why == "filled"
    vehicle.keep(changes[0])
    again = refill(6, filled=1)[0]
    vehicle.look(replace(NOTHING, refill=again, filled_us=NOW + DAY_US), 20)
    assert len(vehicle.held) == 2


# The database -----------------------------------------------------------------------------------------------------


def states(engine: Engine) -> dict[str, str]:
    """kind -> state of every alarm."""
    with engine.connect() as connection:
        return {row.kind: row.state for row in connection.execute(select(schema.alarm))}


def test_a_pass_keeps_alarms_and_their_transitions(fleet: Engine) -> None:
    """Raised; acknowledged by a person; cleared; a second pass with nothing new changes nothing."""
    assert bring_up(fleet) == 2
    assert bring_up(fleet) == 0
    with database.writing(fleet) as connection:
        number = connection.execute(select(schema.alarm.c.id).where(schema.alarm.c.kind == "low_level")).scalar_one()
        records.act(connection, [number], Transition("acknowledge", NOW + 1, "R. Tarvolen", "on my way"))
        assert records.due(connection, NOW) == [vehicle_id(connection)]
        put(connection, finding("low_level", -2, 0.5), finding("blocked_line", channel="p05"))
    assert bring_up(fleet, 1) == 1
    assert states(fleet) == {"low_level": "normal", "blocked_line": "unacknowledged"}
    with fleet.connect() as connection:
        rows = connection.execute(
            select(schema.transition).where(schema.transition.c.alarm_id == number).order_by(schema.transition.c.number)
        ).all()
    assert [(r.number, r.event, r.state, r.who) for r in rows] == [
        (1, "occur", "unacknowledged", "tallow"),
        (2, "acknowledge", "acknowledged", "R. Tarvolen"),
        (3, "clear", "normal", "tallow"),
    ]


def test_recorded_work_hides_and_shows(fleet: Engine) -> None:
    """Into the workshop and back."""
    bring_up(fleet)
    for n, kind in enumerate(("in_workshop", "back")):
        with database.writing(fleet) as connection:
            found = registry.find(connection, "HS-102")
            at_us = NOW + n * HOUR_US
            record = work.work_of({"key": f"k{n}", "kind": kind, "at_us": at_us, "by": "R. Tarvolen"})
            work_records.record(connection, found.id, found.setups, record, at_us)
        bring_up(fleet, 1 + n)
        assert set(states(fleet).values()) == {"suppressed" if kind == "in_workshop" else "unacknowledged"}


@pytest.mark.parametrize(
    ("number", "who", "said"), [(99, "R. Tarvolen", "there is no alarm 99"), (1, " ", "say who does it")]
)
def test_what_a_person_cannot_do_says_so(fleet: Engine, number: int, who: str, said: str) -> None:
    """And changes nothing."""
    bring_up(fleet)
    with pytest.raises(Problem, match=said), database.writing(fleet) as connection:
        records.act(connection, [number], Transition("acknowledge", NOW, who))
    assert set(states(fleet).values()) == {"unacknowledged"}


def test_a_depots_lead_time_counts(fleet: Engine) -> None:
    """Ten days ahead is told of where the depot wants two weeks."""
    with database.writing(fleet) as connection:
        early, expected, late = (NOW + n * DAY_US for n in (10, 11, 12))
        told = replace(REFILL, due_early_us=early, due_expected_us=expected, due_late_us=late).to_row()
        connection.execute(update(schema.analysis).values(refill=told, filled_us=NOW - 9 * DAY_US))
    bring_up(fleet)
    assert REFILL_DUE not in states(fleet)
    with database.writing(fleet) as connection:
        assert records.due(connection, NOW + 3 * DAY_US) == []  # results of three days ago say nothing of now
        connection.execute(update(schema.analysis).values(as_of_us=NOW + 3 * DAY_US))
        assert records.due(connection, NOW + 3 * DAY_US) == [vehicle_id(connection)]
        depots.keep_depot(connection, depots.Depot("Skarvholm Quarry", lead_days=14))
        put(connection)
    bring_up(fleet)
    assert states(fleet)[REFILL_DUE] == "unacknowledged"


def test_metrics_say_how_many_alarms_there_are(fleet: Engine) -> None:
    """What Prometheus reads: by state, standing, and what is not delivered."""
    bring_up(fleet)
    values = {
        (sample.name, *sample.labels.values()): sample.value
        for family in AlarmFigures(fleet).collect()
        for sample in family.samples
    }
    assert values["tallow_alarms", "unacknowledged", "act_now"] == 1
    assert values["tallow_alarms", "unacknowledged", "plan"] == 1
    assert values["tallow_alarms_standing",] == 2
    assert values["tallow_alerts_waiting",] == 0


def test_a_watch_that_looks_no_more_says_so(fleet: Engine) -> None:
    """`/health` turns when no pass has ended for long. Reports are written once an hour."""
    reported = list[int]()
    with workers(1) as pool:
        watching = Watch(fleet, pool, 1.0, threading.Event(), lambda _, at_us: reported.append(at_us))
    watching.tidy()
    watching.tidy()
    assert len(reported) == 1
    assert watching.health() == ("ok", "")
    watching.looked_s -= 1000
    assert watching.health()[0] == "stale"


def test_a_small_fill_is_told_of_anew() -> None:
    """Filled a little: the alarm is over, and since the date is near still, the next one is raised at once."""
    vehicle = Vehicle()
    vehicle.look(replace(NOTHING, refill=refill(6, filled=-30)[0], filled_us=NOW - 30 * DAY_US))
    vehicle.act(REFILL_DUE, "acknowledge")
    near = replace(NOTHING, refill=refill(5, told=True, filled=1)[0], filled_us=NOW + DAY_US)
    vehicle.look(near, 2)
    assert vehicle.steps[-1] == (REFILL_DUE, "clear")
    assert vehicle.due_us is not None
    assert vehicle.due_us < NOW + 2 * DAY_US + 10
    assert vehicle.look(near, 2.1) == {REFILL_DUE: "unacknowledged"}
    assert vehicle.look(near, 2.2) == {REFILL_DUE: "unacknowledged"}
    assert [event for _, event in vehicle.steps] == ["occur", "acknowledge", "clear", "occur"]


def test_a_refill_that_nothing_is_known_of_any_more_stays_due() -> None:
    """The level sensor dies while the reservoir is about to run low."""
    vehicle = Vehicle()
    vehicle.look(replace(NOTHING, refill=refill(6, filled=-30)[0], filled_us=NOW - 30 * DAY_US))
    unknown = replace(NOTHING, filled_us=NOW - 30 * DAY_US, refill_known=False)
    assert vehicle.look(unknown, 1) == {REFILL_DUE: "unacknowledged"}


def test_what_flickers_about_a_limit_calls_nobody_twice() -> None:
    """Urgent, planned, urgent again: acknowledged once, it stays so; and as urgent as it once was."""
    vehicle = Vehicle()
    for n, severity in enumerate(("act_now", "plan", "act_now", "plan")):
        vehicle.look(see(finding("blocked_line", channel="p05", severity=severity)), n / 24)
        if not n:
            vehicle.act("blocked_line", "acknowledge")
    assert [event for _, event in vehicle.steps] == ["occur", "acknowledge"]
    assert vehicle.held[0].severity == "act_now"


def test_what_is_over_and_not_acknowledged_keeps_its_end() -> None:
    """Looking at it moves nothing."""
    vehicle = Vehicle()
    vehicle.look(see(finding("open_line", channel="p03")))
    vehicle.look(NOTHING, 1)
    ended_us = vehicle.held[0].ended_us
    vehicle.look(NOTHING, 5)
    assert vehicle.held[0].state == "returned"
    assert vehicle.held[0].ended_us == ended_us


def test_a_repair_is_proven_or_calls_again() -> None:
    """While it is being proven nobody is called; ten cycles later it held, or it did not."""
    for held in (True, False):
        vehicle = Vehicle()
        vehicle.look(see(finding("blocked_line", channel="p05")))
        vehicle.act("blocked_line", "acknowledge")
        vehicle.look(see(finding("blocked_line", channel="p05", evidence={"cycles_since_repair": 4})), 1)
        assert vehicle.steps[-1] == ("blocked_line", "acknowledge")
        ended = finding("blocked_line", ended=1.0, channel="p05", evidence={"cycles_since_repair": 10})
        changes, _ = judge(vehicle.held, see(ended if held else replace(ended, ended_us=None)), NOW + 2 * DAY_US)
        ((step, state),) = changes[0].steps
        told = (step.event, step.why, state)
        assert told == (
            ("clear", "the repair held", "normal") if held else ("realarm", "the repair did not hold", "unacknowledged")
        )
