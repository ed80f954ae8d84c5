"""What older fleets have: faults that creep, coarse and failing sensors, meters of whole hours or none, top-ups, another grease, supply
trouble, depots that close (common practice, no source, unless one is named)."""

import json
from collections import Counter
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from simulators import fleet, reservoir, sensors
from simulators.controller import Sent, messages
from simulators.machine import Simulation
from simulators.scenario import KINDS, SHIPPED, Machine, Scenario, Trouble, load
from tests.helpers.vehicles import END_H

DAY_H = 24.0


@cache
def worn() -> Scenario:
    return load("worn")


def machine(vehicle: str) -> Machine:
    return next(m for m in worn().machines if m.vehicle == vehicle)


def simulation(vehicle: str, *troubles: Trouble, days: int = 120, **traits: Any) -> Simulation:
    """A vehicle of the worn fleet with chosen troubles and traits; its depot never closes."""
    m = replace(machine(vehicle), troubles=troubles, **traits)
    depot = replace(worn().depots[m.depot], closed=())
    return Simulation(m, depot, END_H - DAY_H * days, days, END_H, [5, 1])


@cache
def shipped(vehicle: str) -> Simulation:
    """A vehicle as the scenario has it."""
    n = next(k for k, m in enumerate(worn().machines) if m.vehicle == vehicle)
    return fleet.run_of(worn(), n, END_H, worn().seed)


def truth(run: Simulation, part: str) -> list[dict[str, Any]]:
    return fleet.truth_of(run, "f", [END_H], END_H)[part]


def sent(run: Simulation, kind: str) -> list[Any]:
    """The messages of a kind, each once."""
    return list({s.message.seq: s.message for s in messages(run) if s.kind == kind}.values())


def inside(clock: np.ndarray[Any, Any], begin_days: float, end_days: float) -> np.ndarray[Any, Any]:
    return (clock >= END_H - DAY_H * begin_days) & (clock < END_H - DAY_H * end_days)


def test_every_kind_breaks_in_some_scenario() -> None:
    """Nothing that can break is never shown."""
    assert {t.kind for name in SHIPPED for m in load(name).machines for t in m.troubles} >= set(KINDS)


@pytest.mark.parametrize("vehicle", ["OC-01", "OC-02", "OC-03", "OC-04", "OC-05", "OC-06", "OC-10", "OC-14", "OC-21"])
def test_what_creeps_shows_before_it_is_done(vehicle: str) -> None:
    """It grows over 45 to 240 days; its channel is off by half from a time within them, and by what was meant at their end."""
    run = shipped(vehicle)
    (row,) = [f for f in truth(run, "faults") if f["variant"] == "creeping"]
    t = next(t for t in run.machine.troubles if t.ramp_days)
    assert 45 <= t.ramp_days <= 240
    assert row["began_at"] < row["certain_at"]
    certain_h = np.datetime64(row["certain_at"].removesuffix("Z")).astype("datetime64[s]").astype(int) / 3600
    begin_h = END_H - DAY_H * t.begin_days
    assert 0.2 * t.ramp_days < (certain_h - begin_h) / DAY_H < t.ramp_days
    peak = sensors.of_cycles(run)
    c = peak.channels.index(row["channel"])
    whole = replace(run.machine, troubles=tuple(o for o in run.machine.troubles if not o.ramp_days))
    sound = Simulation(whole, run.depot, run.start_h, run.days, run.end_h, run.seed)
    grown = inside(run.cycle_clock, t.begin_days - t.ramp_days, t.end_days or 0)
    n = min(len(run.cycle_clock), len(sound.cycle_clock))
    ratio = np.median(peak.peak_kpa[:n, c][grown[:n]]) / np.median(sensors.of_cycles(sound).peak_kpa[:n, c][grown[:n]])
    assert (ratio > 1.8) if t.kind == "blocked_line" else (ratio < 0.45)


def test_what_was_never_otherwise_is_certain_at_no_time() -> None:
    """A line that was blocked before its first message: nobody need know it from its own history."""
    for vehicle in ("OC-09", "OC-18"):
        (row,) = [f for f in truth(shipped(vehicle), "faults") if f["kind"] == "blocked_line"]
        assert row["variant"] == "from the start"
        assert row["certain_at"] is None
        assert row["ended_at"] is not None


@pytest.mark.parametrize("step", [5.0, 25.0])
def test_a_coarse_level_sensor_rounds_to_its_steps(step: float) -> None:
    """And says the level within a step, spikes apart."""
    readings = sensors.of_level(simulation("OC-07", level_step_pct=step))
    fine = sensors.of_level(simulation("OC-07"))
    assert set(readings.pct % step) == {0.0}
    assert np.quantile(np.abs(readings.pct - fine.pct), 0.99) <= step / 2 + 0.25


def test_a_failed_thermometer_says_one_thing() -> None:
    """The lowest it can, the highest, or the last it knew; pressures go on with the weather."""
    clock = simulation("OC-09").cycle_clock
    failed = inside(clock, 60, 0)
    sound = sensors.of_cycles(simulation("OC-09"))
    for variant, wanted in (("cold", -40.0), ("hot", 85.0), ("stuck", float(sound.temp_c[failed][0]))):
        told = sensors.of_cycles(simulation("OC-09", Trouble("thermometer", 60, variant=variant)))
        assert set(told.temp_c[failed]) == {wanted}
        assert np.array_equal(told.temp_c[~failed], sound.temp_c[~failed])
        assert np.array_equal(told.peak_kpa, sound.peak_kpa)


def test_hour_meters_of_whole_hours_and_none() -> None:
    """Whole hours never run ahead; without a meter nothing is said of the ignition, whose messages have to tell the hours."""
    fine, whole, none = (list(messages(simulation("OC-13", hour_meter=m, days=40))) for m in ("fine", "whole", "none"))
    hours = [(a.message.engine_h, b.message.engine_h) for a, b in zip(fine, whole, strict=True)]
    assert all(b == int(b) and 0 <= a - b < 1 for a, b in hours if a is not None and b is not None)
    assert {s.kind for s in none} == {s.kind for s in fine} - {"ignition"}
    assert {s.message.engine_h for s in none} == {None}
    assert min(s.message.seq for s in none if s.message.seq is not None) == 0


def test_top_ups_are_small_and_many() -> None:
    """3 to 6 points each; and what is filled and used adds up to the level."""
    run = simulation("OC-15", Trouble("top_ups", 90, 20))
    fills = truth(run, "fills")
    small = [f for f in fills if f["to_pct"] - f["from_pct"] <= 6.1]
    assert len(small) > 8
    assert min(f["to_pct"] - f["from_pct"] for f in small) > 0
    assert run.level.pct.min() > reservoir.DRY_PCT
    filled = sum(f.to_pct - f.from_pct for f in run.level.fills)
    first = run.level.pct[0] + run.use_pct[0]
    assert run.level.pct[-1] == pytest.approx(first + filled - run.use_pct.sum(), abs=1e-6)


def test_another_grease_comes_with_a_fill() -> None:
    """From the first fill after its time on all pressures stand half higher, not before."""
    run, plain = simulation("OC-17", Trouble("grease_change", 80, variant="at fill", ratio=1.5)), simulation("OC-17")
    (change,) = run.spans("grease_change")
    assert change[0] == pytest.approx(min(f.hour for f in plain.level.fills if f.hour >= END_H - 80 * DAY_H))
    ratio = sensors.of_cycles(run).peak_kpa / sensors.of_cycles(plain).peak_kpa
    after = run.cycle_clock >= change[0]
    assert set(ratio[~after].ravel()) == {1.0}
    assert np.median(ratio[after], axis=0) == pytest.approx(np.full(ratio.shape[1], 1.5))


def test_a_longer_run_gives_more_grease_but_not_through_injectors() -> None:
    """A pumping element gives more the longer it turns; an injector fires once a cycle. The interval stays."""
    for vehicle, more in (("OC-18", 1.5), ("OC-19", 1.5), ("OC-22", 1.0)):
        run = simulation(vehicle, Trouble("timer_mismatch", 60, variant="run time", ratio=1.5))
        plain = simulation(vehicle)
        set_ = run.cycle_clock >= END_H - 60 * DAY_H
        assert np.array_equal(run.cycle_clock, plain.cycle_clock)
        assert run.run_s[set_] == pytest.approx(1.5 * plain.run_s[set_])
        assert np.median(run.use_pct[set_] / plain.use_pct[set_]) == pytest.approx(more)


def test_a_vehicle_never_heard_sends_nothing() -> None:
    """It is registered only."""
    assert list(messages(shipped("OC-20"))) == []
    assert [f["variant"] for f in truth(shipped("OC-20"), "faults") if f["kind"] == "silent"] == ["never heard"]


def test_out_of_coverage_messages_come_up_to_30_days_late_and_none_meanwhile() -> None:
    """Then all of them, in the order of their numbers as a rule; what is still out there has not come."""
    told = [s for s in messages(shipped("OC-21")) if s.message.at is not None]
    late_days = np.array([(s.arrives_us / 3.6e9 - hour(s)) / DAY_H for s in told])
    assert 25 < late_days.max() <= 30
    gaps = shipped("OC-21").spans("radio_gap")
    for begin, end, _ in gaps:
        assert not [s for s in told if begin + 1 < s.arrives_us / 3.6e9 < end and hour(s) > begin + 1]
        assert np.isinf(end) or [s for s in told if begin + 24 < hour(s) < end - 24]


def hour(s: Sent) -> float:
    """When a message says that it happened, hours since 1970."""
    assert s.message.at is not None
    return s.message.at.timestamp() / 3600


def test_a_motor_that_draws_too_much_and_a_supply_that_sags() -> None:
    """The first is only in the controller's own words, the last only in the voltage; each remark ends once."""
    codes: dict[str, Counter[tuple[str, bool]]] = {}
    volts: dict[str, float] = {}
    for variant in ("motor_current", "supply_low", "sagging"):
        run = simulation("OC-23", Trouble("controller_fault", 60, 30, variant=variant))
        during = inside(run.cycle_clock, 60, 30)
        volts[variant] = float(np.median(sensors.of_cycles(run).supply_v[during]))
        assert np.median(sensors.of_cycles(run).supply_v[~during]) > 27
        codes[variant] = Counter((f.code, f.active) for f in sent(run, "fault"))
    plain = Counter((f.code, f.active) for f in sent(simulation("OC-23"), "fault"))
    new = {variant: counted - plain for variant, counted in codes.items()}
    assert new["sagging"] == {}
    for variant in ("motor_current", "supply_low"):
        assert set(new[variant]) == {(variant, True), (variant, False)}
        assert new[variant][variant, True] > 10
        assert abs(new[variant][variant, True] - new[variant][variant, False]) <= 1  # one may have been lost
    assert volts["motor_current"] > 27
    assert volts["supply_low"] < 22 > volts["sagging"]


def test_a_sensor_that_was_replaced_reads_otherwise() -> None:
    """Its own channel by a factor, the level by some points."""
    plain = simulation("OC-11")
    run = simulation(
        "OC-11", Trouble("sensor_replaced", 60, line=4, ratio=1.2), Trouble("sensor_replaced", 50, offset_pct=-5.0)
    )
    ratio = sensors.of_cycles(run).peak_kpa / sensors.of_cycles(plain).peak_kpa
    after = run.cycle_clock >= END_H - 60 * DAY_H
    assert ratio[after, 3] == pytest.approx(1.2)
    assert set(ratio[~after].ravel()) == {1.0}
    assert set(np.delete(ratio, 3, axis=1).ravel()) == {1.0}
    new, old = sensors.of_level(run), sensors.of_level(plain)
    moved = (new.pct - old.pct)[new.clock >= END_H - 50 * DAY_H]
    assert np.median(moved) == -5.0


def test_nobody_works_while_the_depot_is_closed() -> None:
    """For the whole fortnight; the days before it stay as they were, to the byte."""
    m, depot = machine("OC-01"), worn().depots["velm"]
    (span,) = shipped("OC-01").closed()
    begin, end = span
    assert end - begin == 14 * DAY_H
    on = shipped("OC-01").on
    assert not ((on[:, 0] >= begin) & (on[:, 0] < end)).any()
    assert {c["kind"] for c in truth(shipped("OC-01"), "context")} >= {"depot_closed", "idle"}
    runs = [Simulation(m, one, END_H - 200 * DAY_H, 200, END_H, [5, 1]) for one in (depot, replace(depot, closed=()))]
    before = [
        json.dumps([(s.arrives_us, str(s.message)) for s in messages(run) if s.arrives_us < begin * 3.6e9])
        for run in runs
    ]
    assert before[0] == before[1]
