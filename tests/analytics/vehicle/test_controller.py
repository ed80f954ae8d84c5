"""What a controller reports of itself: once is nothing, again and again is a finding, and what explains it is told instead."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from analytics.vehicle.analysis import analyse
from ingest.arrays import Faults, Messages
from ingest.setups import Setup
from ingest.times import DAY_US, HOUR_US
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

Held = tuple[Messages, tuple[Setup, ...]]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Held:
    """A sound vehicle of sixty days."""
    _, held = recorded(tmp_path_factory.mktemp("sound"), [arrivals("HS-101", days=60)])
    return held["HS-101"]


def reporting(held: Held, code: str, reports: list[tuple[float, bool]]) -> Held:
    """The same with reports: (days before the end, active); all messages are numbered anew, in order of time."""
    messages, setups = held
    at = np.array([END_US - int(days * DAY_US) for days, _ in reports], np.int64)
    number = len(at)
    kinds = {name: rows for name, rows in vars(messages).items() if name != "faults"}
    order = np.argsort(np.concatenate([*(rows.at_us for rows in kinds.values()), at]), kind="stable")
    seq = np.empty(len(order), np.int64)
    seq[order] = np.arange(len(order))
    ends = np.cumsum([len(rows) for rows in kinds.values()])
    kinds = {
        name: replace(rows, seq=seq[end - len(rows) : end])
        for (name, rows), end in zip(kinds.items(), ends, strict=True)
    }
    faults = Faults(
        boot=np.full(number, messages.cycles.boot[0]), seq=seq[ends[-1] :], at_us=at, sent_us=at, received_us=at,
        engine_h=np.full(number, np.nan), code=(code,) * number, active=np.array([float(on) for _, on in reports]),
        channel=(None,) * number, value=np.full(number, np.nan),
    )  # fmt: skip
    return Messages(**{**kinds, "faults": faults}), setups


def told(held: Held) -> list[tuple[object, float, bool]]:
    """(code, days before the end at which it was detected, whether it lasts) of each finding of the controller's own."""
    return [
        (f.evidence["code"], (END_US - f.detected_us) / DAY_US, f.open)
        for f in analyse(*held, END_US).findings
        if f.kind == "controller_fault"
    ]


def blips(days: list[float]) -> list[tuple[float, bool]]:
    """Reports that are taken back after three minutes."""
    return [report for day in days for report in ((day, True), (day - 3 / 1440, False))]


@pytest.mark.parametrize("code", ["supply_low", "motor_current", "cycle_timeout"])
def test_single_reports_are_nothing(sound: Held, code: str) -> None:
    """One in a fortnight, and once three in a week."""
    assert told(reporting(sound, code, blips([50, 36, 22, 20.5, 18.2, 5]))) == []


@pytest.mark.parametrize("code", ["supply_low", "motor_current", "cycle_timeout"])
def test_reports_that_come_again_and_again_are_a_finding(sound: Held, code: str) -> None:
    """Twice a day for eight days: certain with the fourth, and over when they stay away."""
    days = [28 - k / 2 for k in range(16)]
    ((found, since, lasts),) = told(reporting(sound, code, blips(days)))
    assert (found, lasts) == (code, False)
    assert since == pytest.approx(26.5, abs=0.01)


def test_reports_that_go_on_last(sound: Held) -> None:
    """Up to the end."""
    ((_, _, lasts),) = told(reporting(sound, "motor_current", [(6 - k, True) for k in range(6)]))
    assert lasts


def test_a_morning_of_reports_is_nothing(sound: Held) -> None:
    """Ten within the hour: one start."""
    assert told(reporting(sound, "supply_low", blips([20 - k / 240 for k in range(10)]))) == []


def test_pressures_are_the_readings_business(sound: Held) -> None:
    """Where pressures are read, what the controller says of them is no finding of its own; without readings it is."""
    held = reporting(sound, "pressure_high", blips([28 - k / 2 for k in range(16)]))
    assert told(held) == []
    messages, (setup, *_) = held

    blind = msgspec.structs.replace(setup, lines=tuple(msgspec.structs.replace(x, channel=None) for x in setup.lines))
    warm = replace(messages.cycles, temp_c=np.full(len(messages.cycles), 12.0))
    assert [code for code, _, _ in told((replace(messages, cycles=warm), (blind,)))] == ["pressure_high"]
    cold = replace(messages.cycles, temp_c=np.full(len(messages.cycles), -18.0))
    assert told((replace(messages, cycles=cold), (blind,))) == []


def test_a_supply_that_sags_is_a_finding_while_it_does(sound: Held) -> None:
    """A fifth below its own usual voltage for ten days, without any report; a tenth is an engine that idles."""
    messages, setups = sound
    c = messages.cycles
    rng = np.random.default_rng(3)
    volts = 27.1 + 0.5 * rng.standard_normal(len(c))
    inside = (c.at_us > END_US - 20 * DAY_US) & (c.at_us < END_US - 10 * DAY_US)
    sagging = replace(messages, cycles=replace(c, supply_v=np.where(inside, volts - 5.4, volts)))
    ((code, since, lasts),) = told((sagging, setups))
    assert (code, lasts) == ("supply_low", False)
    assert since > 17
    idling = replace(messages, cycles=replace(c, supply_v=np.where(inside, volts - 2.5, volts)))
    assert told((idling, setups)) == []


def test_what_explains_it_is_told_instead(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A dead pump whose controller reports its motor: missed cycles, and the reports are remarks on them."""
    dead = Trouble("missed_cycles", 9, None, variant="dead")
    _, held = recorded(tmp_path_factory.mktemp("dead"), [arrivals("HS-101", (dead,), days=60)])
    reports = blips([8 - k / 4 for k in range(24)])
    findings = analyse(*reporting(held["HS-101"], "motor_current", reports), END_US).findings
    assert "controller_fault" not in {f.kind for f in findings}
    (missed,) = [f for f in findings if f.kind == "missed_cycles"]
    assert missed.evidence["controller_remarks"] >= 10


def test_what_is_shown_was_certain_then(sound: Held) -> None:
    """Asked at the time of detection it is there, a moment before it is not."""
    held = reporting(sound, "supply_low", blips([28 - k / 2 for k in range(16)]))
    (found,) = [f for f in analyse(*held, END_US).findings if f.kind == "controller_fault"]
    for as_of_us, seen in ((found.detected_us - 1, 0), (found.detected_us, 1), (found.detected_us + HOUR_US, 1)):
        assert len([f for f in analyse(*held, as_of_us).findings if f.kind == "controller_fault"]) == seen
