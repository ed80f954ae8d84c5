"""A controller's clock that is wrong is found and put right; what cannot be dated carries no finding."""

import json
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.data_notes import notes
from ingest.messages import Arrival
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

FAULT = Trouble("blocked_line", 10, None, line=5, ratio=4.0)
HOUR_US = 3_600_000_000


def shifted(everything: list[Arrival], shift: timedelta, from_us: int = 0, until_us: int = 1 << 62) -> list[Arrival]:
    """The same messages from a controller whose clock was wrong by `shift` between two receipts."""
    out = []
    for arrival in everything:
        payload = json.loads(arrival.payload)
        if from_us <= (arrival.received_us or 0) < until_us:
            for name in ("at", "sent_at"):
                payload[name] = (datetime.fromisoformat(payload[name]) + shift).isoformat()
        out.append(Arrival(arrival.topic, json.dumps(payload).encode(), arrival.received_us))
    return out


def result(folder: Path, told: list[Arrival]) -> Result:
    engine, held = recorded(folder, [told])
    engine.dispose()
    return analyse(*held["HS-101"], END_US)


@pytest.mark.parametrize("hours", [3, -3, 26, -50, 24 * 365 * 40, -24 * 365 * 55])
def test_a_wrong_clock_is_put_right(tmp_path: Path, hours: int) -> None:
    """Ahead, behind, in 2065 and in 1970: the findings are those of a right clock, and the data problem is told."""
    everything = [a for a in arrivals("HS-101", (FAULT,), days=30) if '"boot":"0"' in a.payload.decode()]
    right = result(tmp_path / "right", everything)
    wrong = result(tmp_path / "wrong", shifted(everything, timedelta(hours=hours)))
    assert [(f.kind, f.channel) for f in wrong.findings] == [(f.kind, f.channel) for f in right.findings]
    for one, other in zip(right.findings, wrong.findings, strict=True):
        assert abs(one.began_us - other.began_us) < HOUR_US
    assert wrong.history.undated == 0
    assert any("clock was wrong" in note for note in notes(wrong))
    assert notes(right) == []


def unsaid(everything: list[Arrival]) -> list[Arrival]:
    """The same messages from a controller that does not say when it sent them."""
    out = []
    for arrival in everything:
        payload = json.loads(arrival.payload)
        del payload["sent_at"]
        out.append(Arrival(arrival.topic, json.dumps(payload).encode(), arrival.received_us))
    return out


@pytest.mark.parametrize("hours", [3, -3, 26, -50, 24 * 365 * 40, -24 * 365 * 55])
def test_a_wrong_clock_is_put_right_by_receipts_alone(tmp_path: Path, hours: int) -> None:
    """Where a controller does not say when it sent, the message that came soonest after its event dates the others."""
    everything = unsaid([a for a in arrivals("HS-101", (FAULT,), days=30) if '"boot":"0"' in a.payload.decode()])
    begin, end = END_US - 20 * 86_400_000_000, END_US - 4 * 86_400_000_000
    told = []
    for arrival in everything:
        payload = json.loads(arrival.payload)
        if begin <= (arrival.received_us or 0) < end:
            payload["at"] = (datetime.fromisoformat(payload["at"]) + timedelta(hours=hours)).isoformat()
        told.append(Arrival(arrival.topic, json.dumps(payload).encode(), arrival.received_us))
    right, wrong = result(tmp_path / "right", everything), result(tmp_path / "wrong", told)
    assert [(f.kind, f.channel) for f in wrong.findings] == [(f.kind, f.channel) for f in right.findings]
    for one, other in zip(right.findings, wrong.findings, strict=True):
        assert abs(one.began_us - other.began_us) < HOUR_US
    assert wrong.history.undated == 0
    assert wrong.history.corrected > 300
    assert any("clock was wrong" in note for note in notes(wrong))
    assert notes(right) == []


def test_a_battery_that_was_isolated(tmp_path: Path) -> None:
    """For two days the clock said 1970; nothing is lost and nothing is made up."""
    everything = arrivals("HS-101", (), days=30)
    begin = END_US - 12 * 86_400_000_000
    told = shifted(everything, timedelta(days=-365 * 55), begin, begin + 2 * 86_400_000_000)
    answer = result(tmp_path, told)
    assert answer.findings == result(tmp_path / "right", everything).findings
    assert answer.history.corrected > 20


def test_without_a_receipt_such_a_time_carries_nothing(tmp_path: Path) -> None:
    """Kept, shown as a problem of the data, and no finding rests on it."""
    everything = arrivals("HS-101", (), days=30)
    begin = END_US - 12 * 86_400_000_000
    told = shifted(everything, timedelta(days=-365 * 55), begin, begin + 2 * 86_400_000_000)
    answer = result(tmp_path, [Arrival(a.topic, a.payload, None) for a in told])
    assert answer.history.undated > 20
    assert any("cannot be right" in note for note in notes(answer))
    assert {f.kind for f in answer.findings} <= {"low_level"}


def test_an_ingester_that_was_away_is_no_wrong_clock(tmp_path: Path) -> None:
    """Everything of two days arrives at once: the controller's times stand."""
    everything = arrivals("HS-101", (), days=30)
    back = END_US - 5 * 86_400_000_000
    away = back - 2 * 86_400_000_000
    told = [
        Arrival(a.topic, a.payload, back + n if away <= (a.received_us or 0) < back else a.received_us)
        for n, a in enumerate(everything)
    ]
    answer = result(tmp_path, told)
    assert answer.history.corrected == 0
    assert notes(answer) == []
