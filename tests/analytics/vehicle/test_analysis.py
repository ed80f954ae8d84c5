"""Faults of a simulated vehicle are found, look-alikes are not, and every answer can be given again for its day."""

import json
from datetime import datetime
from pathlib import Path

import pytest
from msgspec import structs

from analytics.vehicle.analysis import analyse
from analytics.vehicle.daily import days
from ingest import registry
from ingest.messages import Arrival
from ingest.reading import read_messages
from ingest.times import microseconds
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

DAY_US = 86_400_000_000

BLOCKED = Trouble("blocked_line", 30, 21, line=5, ratio=4.0, ramp_days=4)
DEAD = Trouble("missed_cycles", 9, None, variant="dead")
FAULTS = [
    ("HS-101", Trouble("blocked_line", 20, 9, line=5, ratio=3.0), "blocked_line", "p05"),
    ("HS-101", Trouble("blocked_line", 25, None, line=9, ratio=5.0, ramp_days=12), "blocked_line", "p09"),
    ("HS-306", Trouble("open_line", 15, None, line=6, ratio=0.1), "open_line", "p06"),
    ("HS-103", Trouble("open_line", 15, 6, line=11, ratio=0.35), "open_line", "p11"),
    ("HS-105", Trouble("blocked_line", 15, 9, line=3, ratio=9.0), "blocked_line", "main"),
    ("HS-104", Trouble("starved_pump", 40, None), "starved_pump", None),
    ("HS-306", Trouble("low_level", 35, None), "low_level", None),
    ("HS-103", Trouble("missed_cycles", 12, 8, variant="dead"), "missed_cycles", None),
    ("HS-103", Trouble("missed_cycles", 12, None, variant="intermittent", ratio=0.4), "missed_cycles", None),
    ("HS-101", Trouble("timer_mismatch", 20, None, ratio=0.6), "timer_mismatch", None),
    ("HS-101", Trouble("timer_mismatch", 20, None, ratio=2.0), "timer_mismatch", None),
    ("HS-204", Trouble("incomplete_cycles", 12, 5, variant="unconfirmed"), "incomplete_cycles", None),
    ("HS-206", Trouble("incomplete_cycles", 20, 8, variant="not vented"), "incomplete_cycles", None),
    ("HS-203", Trouble("incomplete_cycles", 20, 8, variant="short"), "incomplete_cycles", None),
    ("HS-103", Trouble("reservoir_loss", 25, None, ratio=1.9), "reservoir_loss", None),
    ("HS-103", Trouble("under_delivery", 30, None, ratio=0.55), "under_delivery", None),
    ("HS-203", Trouble("overfill", 40, None), "overfill", None),
    ("HS-203", Trouble("level_sensor", 25, None, variant="stuck"), "level_sensor", None),
    ("HS-203", Trouble("level_sensor", 25, None, variant="dropout"), "level_sensor", None),
    ("HS-203", Trouble("level_sensor", 25, None, variant="impossible"), "level_sensor", None),
    ("HS-101", Trouble("pressure_sensor", 20, None, line=4, variant="stuck"), "pressure_sensor", "p04"),
    ("HS-101", Trouble("pressure_sensor", 20, None, line=4, variant="missing"), "pressure_sensor", "p04"),
    ("HS-103", Trouble("silent", 12, None), "silent", None),
    ("HS-109", Trouble("low_level", 35, None), "low_level", None),  # by its switch
]


@pytest.mark.parametrize(("vehicle", "trouble", "kind", "channel"), FAULTS)
def test_each_fault_is_found_once_in_its_time(
    tmp_path: Path, vehicle: str, trouble: Trouble, kind: str, channel: str | None
) -> None:
    """One finding of the right kind, on the right channel, that begins and ends when the fault did."""
    _, held = recorded(tmp_path, [arrivals(vehicle, (trouble,))])
    result = analyse(*held[vehicle], END_US)
    mine = [f for f in result.findings if f.kind == kind and f.began_us > END_US - (trouble.begin_days + 4) * DAY_US]
    assert len(mine) == 1
    (found,) = mine
    assert channel is None or found.channel == channel
    began_days = (END_US - found.began_us) / DAY_US
    late = {"starved_pump": 25, "low_level": 25, "overfill": 20, "blocked_line": 12}.get(kind, 6)
    assert trouble.begin_days - late <= began_days <= trouble.begin_days + 4
    if trouble.end_days is None and kind != "overfill":
        assert found.open
    elif kind != "overfill":
        assert found.ended_us is not None
        assert trouble.end_days is not None
        assert abs((END_US - found.ended_us) / DAY_US - trouble.end_days) < 3.5
    # Nothing else is said of the weeks of trouble but what the interface allows to stand beside it.
    beside = {"starved_pump": {"low_level"}, "low_level": {"starved_pump", "incomplete_cycles"}}.get(
        kind, {"low_level", "overfill"}
    )
    others = {f.kind for f in result.findings if f.overlaps(found) and f is not found}
    assert others <= beside


@pytest.mark.parametrize(
    ("vehicle", "trouble"),
    [
        ("HS-108", Trouble("grease_change", 30, None, ratio=1.25)),
        ("HS-105", Trouble("grease_change", 30, None, ratio=1.25)),
        ("HS-203", Trouble("radio_gap", 20, 12)),
        ("HS-103", Trouble("controller_replaced", 30)),
        ("HS-206", Trouble("controller_replaced", 30)),
        ("HS-101", Trouble("parked", 30, 26)),
    ],
)
def test_what_is_no_fault_is_not_called_one(tmp_path: Path, vehicle: str, trouble: Trouble) -> None:
    """Another grade, a radio gap, a new controller, a few days off."""
    _, held = recorded(tmp_path, [arrivals(vehicle, (trouble,))])
    result = analyse(*held[vehicle], END_US)
    assert [f.kind for f in result.findings if f.kind not in ("low_level", "overfill")] == []


@pytest.mark.parametrize(
    ("vehicle", "troubles"),
    [
        ("HS-101", (BLOCKED, Trouble("pressure_sensor", 15, 9, line=2, variant="stuck"))),
        ("HS-104", (Trouble("starved_pump", 40, 10), Trouble("silent", 7))),
        ("HS-103", (Trouble("missed_cycles", 40, 35, variant="dead"), Trouble("reservoir_loss", 25, 10, ratio=1.9))),
        ("HS-203", (Trouble("timer_mismatch", 40, 25, ratio=1.6), Trouble("level_sensor", 20, 10, variant="dropout"))),
        ("HS-206", (Trouble("incomplete_cycles", 30, 15, variant="not vented"), DEAD)),
    ],
)
def test_a_finding_is_shown_from_the_moment_it_names(
    tmp_path: Path, vehicle: str, troubles: tuple[Trouble, ...]
) -> None:
    """`detected_at` is the smallest time at which the answer of that time has it: a microsecond before it has not."""
    _, held = recorded(tmp_path, [arrivals(vehicle, troubles)])

    def shown(at_us: int) -> set[tuple[str, str | None, int]]:
        return {(f.kind, f.channel, f.began_us) for f in analyse(*held[vehicle], at_us).findings}

    findings = analyse(*held[vehicle], END_US).findings
    assert {t.kind for t in troubles} <= {f.kind for f in findings}
    for f in findings:
        assert (f.kind, f.channel, f.began_us) in shown(f.detected_us), f
        assert (f.kind, f.channel, f.began_us) not in shown(f.detected_us - 1), f
        assert f.began_us <= f.detected_us


def happened_us(arrival: Arrival) -> int:
    return microseconds(datetime.fromisoformat(json.loads(arrival.payload)["at"]))


def test_an_answer_for_a_day_uses_nothing_later(tmp_path: Path) -> None:
    """The answer for a day is the same whether or not later messages are recorded."""
    everything = arrivals("HS-103", (Trouble("open_line", 20, 10, line=9, ratio=0.1),))
    as_of = END_US - 15 * DAY_US
    _, whole = recorded(tmp_path / "whole", [everything])
    _, part = recorded(tmp_path / "part", [[a for a in everything if happened_us(a) <= as_of]])
    late = analyse(*whole["HS-103"], as_of)
    early = analyse(*part["HS-103"], as_of)
    assert (late.findings, late.refill, late.fills) == (early.findings, early.refill, early.fills)


def test_lost_messages_are_not_missed_cycles(tmp_path: Path) -> None:
    """Cycles whose messages never came did run: the counter says so."""
    everything = arrivals("HS-103")
    thinned = [a for n, a in enumerate(everything) if "/cycle" not in a.topic or n % 7]
    _, held = recorded(tmp_path, [thinned])
    result = analyse(*held["HS-103"], END_US)
    assert result.audit.missed.sum() == 0
    assert result.audit.lost.sum() > 100
    assert not any(f.kind == "missed_cycles" for f in result.findings)
    assert sum(d.lost for d in days(result)) == result.audit.lost.sum()


def test_a_vehicle_that_was_never_heard_has_an_answer(tmp_path: Path) -> None:
    """No message yet: no finding, no forecast, and a reason."""
    engine, _ = recorded(tmp_path, [])
    with engine.connect() as connection:
        vehicle = registry.find(connection, "harrowmere-stone/HS-101")
        result = analyse(read_messages(connection, vehicle.id), vehicle.setups, END_US)
    assert result.findings == ()
    assert (result.refill.state, result.refill.level_pct) == ("unknown", None)
    assert result.refill.reason
    assert days(result) == []


def test_channels_of_another_line_list_are_not_missing(tmp_path: Path) -> None:
    """A sheet with other channel names holds from its day on: neither the old nor the new ones were ever missing."""
    everything = arrivals("HS-101", (Trouble("blocked_line", 30, 25, line=5, ratio=4.0),), days=40)
    cut = END_US - 20 * DAY_US
    renamed = [
        structs.replace(a, payload=a.payload.replace(b'"p', b'"q').replace(b'"qeak', b'"peak'))
        if (a.received_us or 0) >= cut
        else a
        for a in everything
    ]
    _, held = recorded(tmp_path, [renamed])
    messages, (first, *_) = held["HS-101"]
    lines = tuple(structs.replace(line, channel=(line.channel or "").replace("p", "q")) for line in first.lines)
    second = structs.replace(first, lines=lines, valid_from_us=cut)
    result = analyse(messages, (first, second), END_US)
    told = [(f.kind, f.channel, f.lines) for f in result.findings if f.kind not in ("low_level", "overfill")]
    assert told == [("blocked_line", "p05", (5,))]


def test_a_counter_gone_mad_drains_nothing(tmp_path: Path) -> None:
    """A jump that no pump can have run is a counter that restarted."""
    everything = arrivals("HS-101", days=20)
    mad = [
        structs.replace(a, payload=a.payload.replace(b'"cycle_no":', b'"cycle_no":9000000000000'))
        if n > len(everything) // 2
        else a
        for n, a in enumerate(everything)
    ]
    _, held = recorded(tmp_path, [mad])
    result = analyse(*held["HS-101"], END_US)
    assert result.audit.lost.sum() < 50
    assert {f.kind for f in result.findings} <= {"low_level", "overfill"}
    assert result.refill.due_expected_us is not None
