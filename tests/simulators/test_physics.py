"""The simulated systems behave as the trade says that such systems do (common practice, no source, unless one is named)."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from simulators import hydraulics, reservoir, sensors
from simulators.hydraulics import Lines, Strokes
from simulators.machine import Simulation
from simulators.scenario import Machine, Trouble, load
from tests.helpers.vehicles import END_H, END_US, arrivals, demo


def machine(vehicle: str) -> Machine:
    return next(m for m in demo().machines if m.vehicle == vehicle)


def stroke(vehicle: str, temp_c: float = 10.0, **factors: tuple[int, float]) -> tuple[Lines, Strokes]:
    """One cycle of a vehicle's system; `choke=(line, ratio)` and so on."""
    m = machine(vehicle)
    lines = Lines(m, np.random.default_rng(3))
    values = {name: np.ones((1, len(m.points))) for name in ("choke", "leak", "wear")}
    for name, (line, ratio) in factors.items():
        values[name][0, line - 1] = ratio
    return lines, lines.stroke(
        np.array([temp_c]), np.ones(1), np.zeros(1), values["choke"], values["leak"], values["wear"]
    )


def simulation(vehicle: str, *troubles: Trouble, days: int = 60) -> Simulation:
    m = replace(machine(vehicle), troubles=troubles)
    return Simulation(m, demo().depots[m.depot], END_H - 24 * days, days, END_H, [5, 1])


def test_a_direct_line_that_is_blocked_leaves_the_others_alone() -> None:
    """Its own pressure rises, to relief at most; at relief little grease gets through, and less the tighter it is."""
    _, sound = stroke("HS-101")
    _, choked = stroke("HS-101", choke=(5, 4.0))
    others = [j for j in range(14) if j != 4]
    assert choked.line_kpa[0, 4] == pytest.approx(4 * sound.line_kpa[0, 4])
    assert np.array_equal(choked.line_kpa[0, others], sound.line_kpa[0, others])
    through = [stroke("HS-101", choke=(5, ratio))[1].through[0, 4] for ratio in (1.0, 6.3, 6.6, 60.0)]
    assert through[0] == 1
    assert 1 > through[1] > through[2] > through[3] >= 0
    assert not choked.stopped[0]


def test_one_blocked_outlet_stops_a_whole_divider() -> None:
    """The main line goes to relief, the confirmation stays away, and hardly any grease leaves."""
    _, sound = stroke("HS-105")
    _, stopped = stroke("HS-105", choke=(8, 20.0))
    assert sound.main_kpa[0] < machine("HS-105").relief_kpa < stopped.main_kpa[0]
    assert (sound.stopped[0], stopped.stopped[0]) == (False, True)
    assert sound.through.sum() == 12
    assert 0 < stopped.through.sum() < 1


def test_cold_grease_needs_more_pressure_in_every_system() -> None:
    """And more so the colder it is."""
    for vehicle in ("HS-101", "HS-105", "HS-206"):
        warm, cool, cold = (stroke(vehicle, temp)[1].main_kpa[0] for temp in (20.0, 0.0, -20.0))
        assert warm < cool < cold
        assert cold / cool > cool / warm


def test_a_worn_element_gives_less_at_less_pressure() -> None:
    """A broken line gives none."""
    _, sound = stroke("HS-101")
    _, worn = stroke("HS-101", wear=(3, 0.5))
    assert worn.through[0, 2] == 0.5
    assert 0.5 < worn.line_kpa[0, 2] / sound.line_kpa[0, 2] < 1
    assert stroke("HS-101", leak=(3, 0.1))[1].line_kpa[0, 2] == pytest.approx(0.1 * sound.line_kpa[0, 2])


def test_an_injector_system_that_does_not_vent_is_not_reloaded() -> None:
    """Its rest pressure stays up, and hardly any grease leaves the reservoir."""
    run = simulation("HS-206", Trouble("incomplete_cycles", 20, 10, variant="not vented"))
    held = (run.cycle_clock > END_H - 20 * 24) & (run.cycle_clock < END_H - 10 * 24)
    rest_kpa = sensors.of_cycles(run).rest_kpa
    assert rest_kpa[held].min() > 3 * rest_kpa[~held].max()
    assert run.use_pct[held].mean() < 0.2 * run.use_pct[~held].mean()


def test_an_empty_reservoir_draws_air_until_the_lines_are_bled() -> None:
    """Grease goes down to the last that can be got out; pressure is lost on all channels; a fill alone does not mend it."""
    clock = np.arange(400.0)
    people = reservoir.People(15.0, False, 0.0, np.column_stack([clock, clock + 0.5]), [(0.0, 150.0)], [])
    level = reservoir.walk(clock, np.full(400, 1.0), people, np.random.default_rng(1))
    (fill, *_) = level.fills
    assert 150 <= fill.hour < 200
    assert fill.from_pct < reservoir.DRY_PCT
    before, after = level.airy[: int(fill.hour) + 1], level.airy[int(fill.hour) + 1 :]
    assert before[-20:].all()
    assert after[:8].all()
    assert not after[21:60].any()


def test_traces_rise_hold_and_fall_as_each_feed_does() -> None:
    """Direct: to a plateau. Progressive: humps in the order of the outlets. Injector: a ramp, then vented."""
    rng = np.random.default_rng(2)
    outlets = np.array([3000.0, 9000.0, 4000.0])
    shapes = {}
    for vehicle in ("HS-101", "HS-105", "HS-206"):
        dt_s, kpa = hydraulics.trace_kpa(machine(vehicle), 120.0, 9000.0, outlets, 1400.0, 1.0, rng)
        shapes[vehicle] = np.array(kpa)
        assert len(kpa) <= 1024
        assert shapes[vehicle].max() == pytest.approx(9000, rel=0.05)
        assert shapes[vehicle][0] < 0.4 * 9000
        assert shapes[vehicle][-1] < 0.3 * 9000
        running = shapes[vehicle][: int(120 / dt_s)]
        if vehicle == "HS-105":
            assert (np.diff((running > 6000).astype(int)) == 1).sum() == 3  # once a round
        else:
            assert np.all(running[len(running) // 2 :] > 0.9 * 9000)


def test_what_breaks_changes_nothing_before_it() -> None:
    """Messages that were sent before stay the same to the byte, whatever breaks."""
    cut_us = END_US - 10 * 86_400_000_000
    for vehicle in ("HS-101", "HS-105", "HS-206"):
        whole = [a for a in arrivals(vehicle, days=40) if (a.received_us or 0) < cut_us]
        assert len(whole) > 500
        for kind, variant in (
            ("blocked_line", ""), ("missed_cycles", "dead"), ("timer_mismatch", ""), ("timer_mismatch", "run time"),
            ("starved_pump", ""), ("parked", ""), ("level_sensor", "stuck"), ("incomplete_cycles", "short"), ("silent", ""),
            ("wrong_clock", "reset"), ("controller_replaced", ""), ("radio_gap", ""), ("controller_fault", "motor_current"),
            ("controller_fault", "supply_low"), ("controller_fault", "sagging"), ("thermometer", "cold"),
            ("sensor_replaced", ""), ("top_ups", ""), ("grease_change", "at fill"),
        ):  # fmt: skip
            trouble = Trouble(kind, 10, None, line=1, ratio=2.0, variant=variant, offset_pct=5.0)
            broken = arrivals(vehicle, (trouble,), days=40)
            assert [a for a in broken if (a.received_us or 0) < cut_us] == whole, (kind, variant)


def test_each_class_works_its_own_hours() -> None:
    """Starts and ignition hours a week; nobody works on a holiday, nor a sweeper in winter."""
    story = load("quiet")
    seen: dict[str, tuple[float, float]] = {}
    for n, m in enumerate(story.machines):
        run = Simulation(m, story.depots[m.depot], END_H - 24 * 364, 364, END_H, [1, n])
        weeks = 52.0
        seen[m.vehicle_class] = len(run.on) / weeks, float(run.meter[-1]) / weeks
    assert seen["yard tractor"][0] > 400
    assert seen["day truck"][0] < 60
    assert 25 < seen["day truck"][1] < 45
    assert 60 < seen["shift truck"][1] < 90
    assert seen["long haul"][1] > 45
    assert seen["sweeper"][1] < 20
    holiday = story.depots["north"].holidays
    assert (12, 25) in holiday
    truck = next(m for m in story.machines if m.vehicle == "FW-51")
    run = Simulation(truck, story.depots["north"], END_H + 20 * 24, 20, END_H, [1, 0])
    days = {json.dumps([d.month, d.day]) for d in map(_day, run.on[:, 0])}
    assert "[12, 25]" not in days
    assert {"[12, 22]", "[12, 23]"} & days


def _day(hours: float) -> Any:
    return np.datetime64(int(hours * 3600), "s").astype(object)
