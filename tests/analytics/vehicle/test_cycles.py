"""Counting cycles against ignition hours: exact on clean data, never too many with lost messages."""

import json
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from analytics.pipeline import vehicle_summary
from analytics.settings import DEFAULTS
from analytics.vehicle import confirmation
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.confirmation import _more_than_chance
from analytics.vehicle.data_notes import notes
from analytics.vehicle.history import History
from analytics.vehicle.ignition import _between
from analytics.vehicle.silence import limit_h
from ingest import database, reading, registry
from ingest.arrays import Ints
from ingest.messages import Arrival, topic
from ingest.recorder import Recorder
from ingest.times import instant
from tests.helpers.databases import sqlite_at
from tests.helpers.registry_rows import LINE, VEHICLE, write

START_US = 1_760_000_000_000_000
HOUR_US = 3_600_000_000
INTERVAL_H = 20 / 60


def drive(folder: Path, cycles: list[tuple[float, int]], extra: Mapping[int, Mapping[str, object]] | None = None, until_h: float = 0.0,
          step_h: float = 0.01, boots: dict[int, str] | None = None, metered: bool = True,
          switched_off: bool = True, off_h: tuple[float, float] | None = None,
          lost: frozenset[int] = frozenset(), feed: str | None = None) -> Result:  # fmt: skip
    """Analyse a vehicle whose ignition is on throughout, but for `off_h`: cycles as (time, counter); messages whose number is
    in `lost` never come."""
    folder.mkdir(exist_ok=True)
    engine = sqlite_at(folder / "tallow.db")
    sheet = VEHICLE | {"level": "none"} | ({"feed": feed} if feed else {})
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, write(folder, [sheet], [LINE | {"channel": "main" if feed else ""}]), 0)
    arrivals = list[Arrival]()

    def add(kind: str, hour: float, **values: object) -> None:
        meter = 500 + hour - (max(0.0, min(hour, off_h[1]) - off_h[0]) if off_h else 0.0)
        payload = {"seq": len(arrivals), "at": instant(START_US + int(hour * HOUR_US)).isoformat(),
                   "engine_h": round(round(meter / step_h) * step_h, 2)} | values  # fmt: skip
        arrivals.append(Arrival(topic("f", "v1", kind), json.dumps(payload).encode(), None))

    add("ignition", 0.0, on=True)
    switching = [] if off_h is None else [(off_h[0], False), (off_h[1], True)]
    for n, (hour, number) in enumerate(cycles):
        while switching and switching[0][0] < hour:
            at, on = switching.pop(0)
            add("ignition", at, on=on)
        more = {**(extra or {}).get(n, {})} | ({"boot": boots[n]} if boots and n in boots else {})
        add(
            "cycle",
            hour,
            cycle_no=number,
            **({"engine_h": None} if not metered else {}),
            **({"run_s": 180, "peak_kpa": {}} | more),
        )
    last = max(until_h, cycles[-1][0] + 0.05)
    if switched_off:
        add("ignition", last, on=False)
    Recorder(engine, "test").record([arrival for n, arrival in enumerate(arrivals) if n not in lost])
    with engine.connect() as connection:
        vehicle = registry.find(connection, "f/v1")
        messages = reading.read_messages(connection, vehicle.id)
    engine.dispose()
    return analyse(messages, vehicle.setups, START_US + int(last * HOUR_US))


class _Times:
    """Cycles of which nothing but the times matters."""

    def __init__(self, at_us: Ints) -> None:
        self.at_us = at_us

    def __len__(self) -> int:
        return len(self.at_us)


def every(numbers: range, interval_h: float = INTERVAL_H, first_no: int = 0) -> list[tuple[float, int]]:
    return [(n * interval_h, first_no + k) for k, n in enumerate(numbers)]


def kinds(result: Result) -> list[str]:
    return [f.kind for f in result.findings]


@pytest.mark.parametrize("missing", [3, 4, 25])
@pytest.mark.parametrize("step_h", [0.01, 0.05])
def test_the_count_of_missed_cycles_is_exact(tmp_path: Path, missing: int, step_h: float) -> None:
    """A pump that stood still for so many cycles, and its counter with it."""
    before = every(range(1, 41))
    after = every(range(41 + missing, 71 + missing), first_no=40)
    result = drive(tmp_path, before + after, step_h=step_h)
    assert result.audit.missed.sum() == missing
    assert kinds(result) == ["missed_cycles"]
    found = result.findings[0]
    assert found.evidence["missed"] == missing
    assert found.began_us == pytest.approx(START_US + 41 * INTERVAL_H * HOUR_US, abs=0.1 * HOUR_US)
    assert found.ended_us == pytest.approx(START_US + (41 + missing) * INTERVAL_H * HOUR_US, abs=0.1 * HOUR_US)


def test_a_counter_that_went_on_means_lost_messages(tmp_path: Path) -> None:
    """The same gap with a counter that jumps: the cycles ran."""
    cycles = every(range(1, 41)) + every(range(66, 96), first_no=65)
    result = drive(tmp_path, cycles)
    assert (result.audit.missed.sum(), result.audit.lost.sum()) == (0, 25)
    assert kinds(result) == []


def test_a_dead_pump_shows_before_it_runs_again(tmp_path: Path) -> None:
    """The hour meter in other messages goes on while no cycle comes."""
    result = drive(tmp_path, every(range(1, 41)), until_h=60 * INTERVAL_H)
    assert kinds(result) == ["missed_cycles"]
    assert result.findings[0].open
    assert result.findings[0].evidence["missed"] == pytest.approx(20, abs=1)


@pytest.mark.parametrize("flagged", [True, False])
def test_extra_cycles_by_the_test_button_disturb_nothing(tmp_path: Path, flagged: bool) -> None:
    """They are no mismatch, and hide no missed cycle."""
    hours = [h for h, _ in every(range(1, 41))]
    resumed = [h for h, _ in every(range(46, 76))]
    pressed = [hours[10] + 0.1, hours[20] + 0.15, resumed[0] - 0.12, resumed[10] + 0.2]
    ordered = sorted([(h, False) for h in hours + resumed] + [(h, True) for h in pressed])
    cycles = [(h, n) for n, (h, _) in enumerate(ordered)]
    manual = {n: {"manual": True} for n, (_, extra) in enumerate(ordered) if extra and flagged}
    result = drive(tmp_path, cycles, manual)
    assert kinds(result) == ["missed_cycles"]
    assert result.audit.missed.sum() == 5


@pytest.mark.parametrize("factor", [0.55, 0.88, 1.12, 1.5, 2.0, 3.0])
def test_another_interval_is_a_mismatch_and_not_missed_cycles(tmp_path: Path, factor: float) -> None:
    """From ten percent on; the finding says what the interval is."""
    before = every(range(1, 31))
    start = before[-1][0]
    after = [(start + n * INTERVAL_H * factor, 29 + n) for n in range(1, 61)]
    result = drive(tmp_path, before + after)
    assert kinds(result) == ["timer_mismatch"]
    assert result.findings[0].evidence["interval_min"] == pytest.approx(20 * factor, rel=0.02)


@pytest.mark.parametrize("factor", [0.98, 1.02])
def test_a_timer_within_its_tolerance_is_sound(tmp_path: Path, factor: float) -> None:
    """A timer is good to two percent (common practice, no source)."""
    result = drive(tmp_path, every(range(1, 200), INTERVAL_H * factor))
    assert kinds(result) == []
    assert result.audit.missed.sum() == 0


def test_a_new_controller_starts_its_counters_afresh(tmp_path: Path) -> None:
    """Neither a jump of the counter nor of the hour meter between boots means anything."""
    cycles = every(range(1, 41)) + [(h, n - 40) for h, n in every(range(41, 81), first_no=40)]
    result = drive(tmp_path, cycles, boots=dict.fromkeys(range(40, 80), "B"))
    assert kinds(result) == []
    assert result.audit.missed.sum() == 0


@pytest.mark.parametrize("switched_off", [True, False])
def test_hours_known_from_switching_only(tmp_path: Path, switched_off: bool) -> None:
    """No meter on the cycles, and perhaps no more switching heard: nothing is wrong for want of a reading."""
    result = drive(tmp_path, every(range(1, 120)), metered=False, switched_off=switched_off)
    assert kinds(result) == []
    assert result.audit.missed.sum() == 0


def test_a_lost_message_of_switching_moves_no_hours_into_the_night() -> None:
    """On at 6, off at 14, the next on lost, off at 14: the day's hours are the day's."""
    read_at = np.array([6, 14, 38], np.int64) * HOUR_US
    at = np.array([6, 8, 14, 20, 31, 34, 38], np.int64) * HOUR_US
    on = np.array([1, 1, 0, np.nan, 1, 1, 0])
    hours, certain = _between(at, read_at, np.array([0.0, 8.0, 16.0]), on, 0.01)
    assert hours.tolist() == [0, 2, 8, 8, 9, 12, 16]
    # When it was switched on after the first stop nobody can say.
    assert certain[:2].tolist() == [True, True]
    assert not certain[3:6].any()


@pytest.mark.parametrize("lost", [{41}, {42}, {41, 42}, {41, 42, 43}, {39, 41, 42, 43, 44}])
def test_lost_messages_of_switching_make_no_missed_cycles(tmp_path: Path, lost: set[int]) -> None:
    """Cycles that do not say the meter, an ignition that was off for ten hours, and nobody heard when it was switched."""
    stop = 40 * INTERVAL_H + 0.1
    cycles = every(range(1, 41)) + [(h + 10, n) for h, n in every(range(41, 81), first_no=40)]
    whole = drive(tmp_path / "a", cycles, metered=False, off_h=(stop, stop + 10))
    assert whole.audit.missed.sum() == 0
    some = drive(tmp_path / "b", cycles, metered=False, off_h=(stop, stop + 10), lost=frozenset(lost))
    assert some.audit.missed.sum() == 0
    assert kinds(some) == []


def test_what_has_not_come_may_have_been_cycles(tmp_path: Path) -> None:
    """Hours go on, no cycle is heard, and as many numbers are missing as cycles were due: the pump may have run."""
    cycles = every(range(1, 61))
    heard = drive(tmp_path / "a", cycles, lost=frozenset(range(41, 61)))
    assert (kinds(heard), heard.audit.open_missed) == ([], 0)
    dead = drive(tmp_path / "b", cycles[:40], until_h=60 * INTERVAL_H)
    assert kinds(dead) == ["missed_cycles"]


def test_no_more_cycles_can_have_run_than_numbers_have_not_come(tmp_path: Path) -> None:
    """Twenty were due after the last that was heard, ten messages are missing: ten never ran."""
    cycles = every(range(1, 51))
    told = drive(tmp_path, cycles, until_h=60 * INTERVAL_H, lost=frozenset(range(41, 51)))
    assert (kinds(told), told.audit.open_missed) == (["missed_cycles"], pytest.approx(10, abs=1))


@pytest.mark.parametrize("flagged", [0b101101011, 0b010010100, 0])
def test_a_row_of_presses_of_which_some_are_not_flagged(tmp_path: Path, flagged: int) -> None:
    """After a repair the button is pressed nine times in a row; one of those may have been the timer's own."""
    hours = [h for h, _ in every(range(1, 31))]
    presses = [hours[-1] + 0.05 + 0.09 * k + 0.02 * (k % 3) for k in range(9)]
    later = [h for h, _ in every(range(33, 60))]
    ordered = sorted(
        [(h, -1) for h in hours + [h for h in later if h > presses[-1]]] + [(h, k) for k, h in enumerate(presses)]
    )
    manual = {n: {"manual": True} for n, (_, k) in enumerate(ordered) if k >= 0 and flagged >> k & 1}
    result = drive(tmp_path, [(h, n) for n, (h, _) in enumerate(ordered)], manual)
    assert "missed_cycles" not in kinds(result)


def test_a_switch_that_chatters_has_to_fail_more_often() -> None:
    """For a millionth of chance: three of eight while it never failed, more the more often it does (binomial)."""
    assert [_more_than_chance(share, 8) for share in (0.001, 0.01, 0.05, 0.1)] == [3, 4, 6, 7]


def test_a_dead_pump_is_seen_under_another_timer_setting(tmp_path: Path) -> None:
    """The setting that was found is what the missing cycles are counted by."""
    slow = INTERVAL_H * 1.4
    result = drive(tmp_path, every(range(1, 41), slow) + every(range(61, 101), slow, first_no=40))
    assert sorted(kinds(result)) == ["missed_cycles", "timer_mismatch"]
    assert result.audit.missed.sum() == 20


def test_what_counts_as_silence() -> None:
    """Longer than ordinary stops, but never under three days, and never over eight and a half."""
    assert limit_h([14.0] * 60, 90, DEFAULTS) == 72
    assert limit_h([14.0, 60.0] * 10, 90, DEFAULTS) == 150
    assert limit_h([14.0, 400.0], 90, DEFAULTS) == 72
    assert limit_h([14.0, 180.0], 90, DEFAULTS) == 204
    assert limit_h([14.0], 10, DEFAULTS) == 168


@pytest.mark.parametrize("factor", [0.74, 0.88, 1.15, 1.9])
def test_another_run_time_is_a_mismatch_while_it_lasts(tmp_path: Path, factor: float) -> None:
    """Thirty cycles that run otherwise than the sheet says, one like the other; with the seconds as evidence."""
    rng = np.random.default_rng(5)
    run_s = (
        180
        * (1 + 0.008 * rng.standard_normal(100))
        * np.where((np.arange(100) >= 40) & (np.arange(100) < 70), factor, 1)
    )
    result = drive(tmp_path, every(range(1, 101)), {n: {"run_s": round(float(s), 1)} for n, s in enumerate(run_s)})
    (found,) = [f for f in result.findings if f.kind == "timer_mismatch"]
    assert found.evidence["run_s"] == pytest.approx(180 * factor, rel=0.02)
    assert "interval_min" not in found.evidence
    assert found.detected_us - found.began_us == pytest.approx(6 * INTERVAL_H * HOUR_US, rel=0.01)
    assert found.ended_us == pytest.approx(START_US + 71 * INTERVAL_H * HOUR_US, abs=0.1 * HOUR_US)


def test_runs_that_are_cut_off_now_and_then_are_no_timer_setting(tmp_path: Path) -> None:
    """Half of them at a third of their time: incomplete cycles only. A run time within two percent is none of both."""
    rng = np.random.default_rng(6)
    cut = {n: {"run_s": 60.0} for n in range(30, 90) if rng.random() < 0.5}
    assert set(kinds(drive(tmp_path / "a", every(range(1, 101)), cut))) == {"incomplete_cycles"}
    long = {n: {"run_s": 183.5} for n in range(100)}
    assert kinds(drive(tmp_path / "b", every(range(1, 101)), long)) == []


@pytest.mark.parametrize(("share", "found"), [(0.05, 0.0), (0.5, 1.0)])
def test_a_confirmation_that_comes_and_goes(share: float, found: float) -> None:
    """One cycle in twenty unconfirmed is a switch that chatters, every other one is a fault: of a hundred vehicles each, from the
    thirtieth cycle on."""
    rng, told = np.random.default_rng(8), 0
    for _ in range(100):
        bad = rng.random(130) < np.where(np.arange(130) < 30, 0.002, share)
        history = cast(History, SimpleNamespace(cycles=_Times(np.arange(130) * HOUR_US)))
        told += bool(confirmation.analyse(history, bad, np.zeros(130), DEFAULTS))
    assert told / 100 == pytest.approx(found, abs=0.02)


def test_cold_keeps_the_pressure_in_a_main_line(tmp_path: Path) -> None:
    """A quarter of the peak that stays is twice what is usual: a sticking vent valve when it is warm, stiff grease at -18 degrees;
    three quarters are no vented line in any weather. Where the peak is as much higher, cold is what there is, also at -5 degrees."""

    def vented(temp_c: float, rest_kpa: float, peak_kpa: float = 20_000) -> bool:
        extra: dict[int, Mapping[str, object]] = {
            n: {
                "peak_kpa": {"main": peak_kpa if n >= 60 else 20_000},
                "rest_kpa": {"main": rest_kpa if n >= 60 else 2_300 + 20 * (n % 7)},
                "temp_c": temp_c if n >= 60 else 5.0,
            }
            for n in range(100)
        }
        folder = tmp_path / f"{temp_c}-{rest_kpa}-{peak_kpa}"
        return "incomplete_cycles" not in kinds(drive(folder, every(range(1, 101)), extra, feed="injector"))

    assert not vented(8.0, 5_600)
    assert vented(-18.0, 5_600)
    assert not vented(-18.0, 15_000)
    assert vented(-5.0, 5_600, peak_kpa=27_500)
    assert not vented(-5.0, 9_000, peak_kpa=27_500)


def test_a_timer_that_was_set_back_leaves_no_missed_cycles(tmp_path: Path) -> None:
    """Faster for a while, then as registered again: the first long gaps are no standstill."""
    fast = INTERVAL_H * 0.55
    before = every(range(1, 31))
    middle = [(before[-1][0] + n * fast, 29 + n) for n in range(1, 61)]
    after = [(middle[-1][0] + n * INTERVAL_H, 89 + n) for n in range(1, 41)]
    result = drive(tmp_path, before + middle + after)
    assert kinds(result) == ["timer_mismatch"]
    assert result.findings[0].evidence["interval_min"] == pytest.approx(11, rel=0.02)


def test_a_timer_s_tolerance_over_weeks_unheard_is_no_missed_cycle(tmp_path: Path) -> None:
    """Five hundred cycles whose messages were lost, by a timer that is a percent slow."""
    slow = INTERVAL_H * 1.01
    cycles = every(range(1, 41)) + [(40 * INTERVAL_H + n * slow, 39 + n) for n in range(490, 530)]
    assert kinds(drive(tmp_path, cycles)) == []


def test_two_controllers_under_one_name_are_told(tmp_path: Path) -> None:
    """By turns, each with a counter of its own; one that was swapped, and swapped back, is none."""
    by_turns = drive(tmp_path / "a", every(range(1, 61)), boots={n: "B" for n in range(60) if n // 6 % 2})
    assert any("Two controllers" in note for note in notes(by_turns))
    assert set(by_turns.hours_since_grease.values()) == {None}
    swapped = drive(tmp_path / "b", every(range(1, 61)), boots=dict.fromkeys(range(20, 40), "B"))
    assert not any("Two controllers" in note for note in notes(swapped))


NO_CLOCK = "Whether cycles were missed cannot be told"


@pytest.mark.parametrize("seed", range(3))
def test_what_counts_strokes_is_no_clock(tmp_path: Path, seed: int) -> None:
    """Its cycles come at any ignition hour from the start: none of them is said to be missed, nor that none was."""
    gaps = np.random.default_rng(seed).uniform(0.2, 3.0, 90) * INTERVAL_H
    result = drive(tmp_path, [(float(hour), n) for n, hour in enumerate(np.cumsum(gaps))])
    assert kinds(result) == []
    assert result.audit.missed.sum() == 0
    assert any(NO_CLOCK in text for text in notes(result))
    halted = drive(tmp_path / "b", [(float(hour), n) for n, hour in enumerate(np.cumsum(gaps))], until_h=120.0)
    assert kinds(halted) == ["missed_cycles"]  # far longer than it ever was


@pytest.mark.parametrize("seed", range(3))
def test_a_clock_whose_cycles_are_missed_from_the_start_is_one(tmp_path: Path, seed: int) -> None:
    """Every other cycle does not run, and its hours are whole intervals; nor do presses of the test button hide a clock for long."""
    dice = np.random.default_rng(seed)
    ran = np.flatnonzero(dice.random(120) < 0.5) + 1
    result = drive(tmp_path, [(float(at) * INTERVAL_H, n) for n, at in enumerate(ran)])
    assert kinds(result) == ["missed_cycles"]
    assert result.audit.missed.sum() == np.diff(ran).sum() - len(ran) + 1
    pressed = np.sort(np.r_[np.cumsum(dice.uniform(0.02, 0.9, 20)), np.arange(8, 60)])
    stood = pressed[(pressed < 40) | (pressed > 50)]
    told = drive(tmp_path / "b", [(float(at) * INTERVAL_H, n) for n, at in enumerate(stood)])
    assert kinds(told) == ["missed_cycles"]
    assert not any(NO_CLOCK in text for text in [*notes(result), *notes(told)])


@pytest.mark.parametrize("scatter", [0.08, 0.12])
@pytest.mark.parametrize("seed", range(3))
def test_gaps_that_scatter_are_no_fault_and_hide_none(tmp_path: Path, seed: int, scatter: float) -> None:
    """A controller that counts somewhat other hours than its meter does: no mismatch, none missed; a dead pump is found all the
    same."""
    rng = np.random.default_rng(seed)
    hours = np.cumsum(INTERVAL_H * (1 + scatter * rng.standard_normal(900))) + 0.2
    cycles = [(float(hour), n) for n, hour in enumerate(hours, 1)]
    assert drive(tmp_path / "sound", cycles).findings == ()
    dead = [(hour + 12 * INTERVAL_H * (n > 600), n) for hour, n in cycles]
    assert [f.kind for f in drive(tmp_path / "dead", dead).findings] == ["missed_cycles"]
