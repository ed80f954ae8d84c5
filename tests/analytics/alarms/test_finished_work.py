"""Nobody is sent to work that is done: recorded work acknowledges its own alarm, and a digest counts what stands."""

from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Engine

from analytics.alarms import records, wording
from analytics.findings import CAUTIONS, Finding
from analytics.kinds import REFILL_DUE
from ingest import database
from ingest.times import DAY_US
from ingest.work import Work
from tests.analytics.alarms.test_alarms import NOTHING, Vehicle, see
from tests.helpers.alarms import NOW, bring_up, finding, fleet, put

__all__ = ["fleet"]


def work(kind: Any, days: float, **more: Any) -> Work:
    """Work that P. Varnholt recorded so many days from now."""
    return Work(key="k", kind=kind, at_us=NOW + int(days * DAY_US), by="P. Varnholt", **more)


def due(filled: float) -> Finding:
    """A refill that is due, since a fill so many days from now."""
    began_us = NOW + int(filled * DAY_US)
    return Finding(REFILL_DUE, None, (), began_us, NOW, None, "plan", "due", {})


@pytest.mark.parametrize("low", [True, False])
def test_a_recorded_fill_answers_the_alarm_of_the_level(low: bool) -> None:
    """By name; a fill that only the level shows is for somebody to take note of."""
    kind = "low_level" if low else REFILL_DUE
    for recorded, state in (((work("filled", 1, litres=1.0),), {}), ((), {kind: "returned"})):
        vehicle = Vehicle()
        vehicle.look(see(*([finding("low_level")] if low else ()), refill=due(-30), filled_us=NOW - 30 * DAY_US))
        ended = [finding("low_level", ended=1.0)] if low else ()
        assert vehicle.look(see(*ended, filled_us=NOW + DAY_US, work=recorded), 2) == state
        assert [one for one, event in vehicle.steps if event == "acknowledge"] == ([kind] if recorded else [])


@pytest.mark.parametrize(
    ("recorded", "state"),
    [
        (work("line_mended", 0.5, lines=(5,)), "normal"),
        (work("line_mended", 0.5), "normal"),
        (work("line_mended", 0.5, lines=(6,)), "returned"),  # another line
        (work("line_mended", -3, lines=(5,)), "returned"),  # before it began
        (work("filled", 0.5, litres=1.0), "returned"),  # other work
    ],
)
def test_a_repair_that_held_answers_its_own_alarm(recorded: Work, state: str) -> None:
    """And no other's."""
    vehicle = Vehicle()
    vehicle.look(see(replace(finding("blocked_line", channel="p05"), lines=(5,))))
    held = finding("blocked_line", ended=1.0, channel="p05", evidence={"cycles_since_repair": 10})
    vehicle.look(see(replace(held, lines=(5,)), work=(recorded,)), 2)
    assert vehicle.held[0].state == state


def test_work_answers_nothing_that_still_stands() -> None:
    """A repair has to hold first."""
    vehicle = Vehicle()
    vehicle.look(see(finding("blocked_line", channel="p05"), work=(work("line_mended", -1),)))
    assert vehicle.look(see(finding("blocked_line", channel="p05"), work=(work("line_mended", -1),)), 1) == {
        "blocked_line": "unacknowledged"
    }
    assert vehicle.look(NOTHING, 2) == {"blocked_line": "returned"}


def test_a_digest_counts_what_stands(fleet: Engine) -> None:
    """What is over stands apart, in one line, and its title does not count it."""
    bring_up(fleet)
    with database.writing(fleet) as connection:
        put(connection, finding("low_level", ended=-0.5), finding("blocked_line", channel="p05"))
    bring_up(fleet, 1)
    with fleet.connect() as connection:
        rows = records.open_at(connection, "Skarvholm Quarry")
    title, text = wording.digest("Skarvholm Quarry", rows, "http://x")
    assert title == "Skarvholm Quarry today: 1 plan"
    assert "Over, nothing to do (1): tipper 102 (HS-102): reservoir low." in text
    assert text.count("low_level") == 0
    assert all(caution in text for caution in CAUTIONS)


def test_a_critical_point_that_may_be_dry_is_said_first(fleet: Engine) -> None:
    """Whatever the cause is: in the first line of the alert, in the digest, and for programs; the cautions follow in full."""
    with database.writing(fleet) as connection:
        starved = finding("starved_pump", evidence={"critical_points": 2}, summary="No pressure.")
        put(connection, starved, finding("level_sensor"))
    bring_up(fleet, 1)
    with fleet.connect() as connection:
        rows = records.open_at(connection, "Skarvholm Quarry")
    (setup, told), *_ = sorted(rows, key=lambda row: row[1].name != "starved_pump")
    _, text = wording.alert(setup, told, "http://x")
    assert text.splitlines()[:2] == [wording.CRITICAL, "No pressure."]
    assert all(caution in text for caution in CAUTIONS)
    assert wording.detail(setup, told, NOW)["critical"] is True
    first = wording.digest("Skarvholm Quarry", rows, "http://x")[1].splitlines()[0]
    assert first.startswith("Act now · steering or braking · tipper 102 (HS-102) · Pump starved: No pressure.")
