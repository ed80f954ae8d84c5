"""What single messages and set-ups say, one after the other, without a simulated fleet."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from analytics.pipeline import vehicle_summary
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.data_notes import notes
from analytics.vehicle.doses import doses
from analytics.vehicle.line_conditions import line_conditions
from ingest import database, reading, registry
from ingest.messages import Arrival, topic
from ingest.recorder import Recorder
from ingest.times import instant
from ingest.work import Work
from tests.helpers.databases import sqlite_at
from tests.helpers.registry_rows import LINE, VEHICLE, write

HOUR_US = 3_600_000_000
START_US = 1_772_344_800_000_000
INTERVAL_H = 24 / 60
Said = tuple[str, float, dict[str, Any]]  # kind, hour, and what it says


def heard(
    folder: Path, said: Sequence[Said], until_h: float, *sheets: Mapping[str, str], channel: str = "", work: tuple[Work, ...] = ()
) -> Result:  # fmt: skip
    """The analysis after `until_h` hours of a vehicle with these set-ups, one after the other; its hour meter reads 500 at first."""
    folder.mkdir(exist_ok=True)
    engine = sqlite_at(folder / "tallow.db")
    for n, sheet in enumerate(sheets):
        with database.writing(engine) as connection:
            vehicle_summary.register(
                connection,
                write(
                    folder,
                    [VEHICLE | {"interval_min": "24", "level": "none"} | dict(sheet)],
                    [LINE | {"channel": channel}],
                ),
                n,
            )
    arrivals = []
    for seq, (kind, hour, values) in enumerate(said):
        at = instant(START_US + round(hour * HOUR_US)).isoformat()
        body = {"seq": seq, "at": at} | values
        arrivals.append(Arrival(topic("f", "v1", kind), json.dumps(body).encode(), None))
    Recorder(engine, "test").record(arrivals)
    with engine.connect() as connection:
        vehicle = registry.find(connection, "f/v1")
        messages = reading.read_messages(connection, vehicle.id)
    engine.dispose()
    return analyse(messages, vehicle.setups, START_US + round(until_h * HOUR_US), None, work)


def cycles(number: int, first_h: float = 0.0, boot: str = "0", **more: Any) -> list[Said]:
    """Cycles in the timer's pace, the ignition on."""
    return [
        ("cycle", first_h + n * INTERVAL_H, {"boot": boot, "cycle_no": n, "run_s": 180, "peak_kpa": {}, "complete": None,
                                             "engine_h": round(500 + first_h + n * INTERVAL_H, 2)} | more)
        for n in range(number)
    ]  # fmt: skip


def idle(hours: float, first_h: float = 0.0, boot: str = "0") -> list[Said]:
    """A level reading an hour, the meter running."""
    on: Said = "ignition", first_h, {"boot": boot, "on": True, "engine_h": 500 + first_h}
    readings: list[Said] = [
        ("level", first_h + n, {"boot": boot, "level_pct": 80, "engine_h": 500 + first_h + n})
        for n in range(1, int(hours))
    ]
    return [on, *readings]


def kinds(result: Result) -> list[str]:
    """What was found."""
    return [finding.kind for finding in result.findings]


def test_a_pump_that_never_ran_is_missed(tmp_path: Path) -> None:
    """Of a fresh system whose motor is not connected; a few intervals are enough to be sure."""
    (found,) = heard(tmp_path, idle(100), 99, {}).findings
    assert (found.kind, found.open) == ("missed_cycles", True)
    assert found.began_us == START_US + HOUR_US  # the first message after it was due
    assert found.detected_us < START_US + 4 * HOUR_US
    assert found.evidence["missed"] == found.evidence["expected"] == 247
    assert kinds(heard(tmp_path / "b", idle(2), 2, {})) == []


def test_a_pump_that_stops_with_a_new_controller_is_missed(tmp_path: Path) -> None:
    """Until it runs; then it was so, and the same is said of every day."""
    before = cycles(60)
    dead = idle(50, 24.0, "B")
    (found,) = heard(tmp_path, before + dead, 73, {}).findings
    assert (found.kind, found.open) == ("missed_cycles", True)
    assert START_US + 24 * HOUR_US < found.began_us < START_US + 26 * HOUR_US
    mended = before + dead + cycles(40, 74.0, "B")
    (later,) = heard(tmp_path / "b", mended, 89, {}).findings
    assert (later.began_us, later.detected_us) == (found.began_us, found.detected_us)
    assert later.ended_us == START_US + 74 * HOUR_US
    (then,) = heard(tmp_path / "c", mended, (found.detected_us - START_US) / HOUR_US, {}).findings
    assert then.detected_us == found.detected_us


def test_a_reading_of_a_parked_vehicle_does_not_start_its_clock(tmp_path: Path) -> None:
    """Its level may be told at any time, and what follows need not read the meter."""
    said = [*cycles(50), ("ignition", 20.0, {"on": False, "engine_h": 520.0})]
    said += [("level", 21.0, {"level_pct": 80, "engine_h": 520.0})]
    said += [("state", 21.0 + 6 * n, {"online": True}) for n in range(1, 10)]
    assert kinds(heard(tmp_path, said, 80, {})) == []


def test_a_channel_that_no_sheet_names_is_no_line(tmp_path: Path) -> None:
    """It is a matter of the data, not of a point that somebody has to look at."""
    said = cycles(200)
    for n, (_, _, values) in enumerate(said):
        values["peak_kpa"] = {"p1": 4000.0 + n % 7, "spare": 4000.0 + n % 5 if n < 120 else 200.0 + n % 5}
    result = heard(tmp_path, said, 80, {}, channel="p1")
    assert kinds(result) == []
    assert result.pressures.channels == ("p1",)


def test_a_sensor_that_is_not_there_says_nothing(tmp_path: Path) -> None:
    """Whatever the controller sends for it."""
    said = cycles(200, complete=False)
    assert "incomplete_cycles" in kinds(heard(tmp_path, said, 80, {"confirmation": ""}))
    assert kinds(heard(tmp_path / "b", said, 80, {"confirmation": "no", "level": "none"})) == []
    switched: list[Said] = [*cycles(100), ("fault", 40.0, {"code": "level_low", "active": True})]
    switched.append(("state", 60.0, {"online": True}))
    assert "low_level" in kinds(heard(tmp_path / "c", switched, 60, {"level": "switch"}))
    assert "low_level" not in kinds(heard(tmp_path / "d", switched, 60, {"level": "none"}))


def twice(said: Sequence[Said]) -> list[Said]:
    """Each message once more, under a number of its own."""
    return [one for one in said for _ in range(2)]


def test_what_a_bridge_sends_twice_counts_once(tmp_path: Path) -> None:
    """The same is found, used and counted, and lost messages are told from cycles that never ran as before."""
    said = [one for one in emptying(complete=True) if not 60 < one[1] < 68]
    for n, (_, _, values) in enumerate(one for one in said if one[0] == "cycle"):
        values["cycle_no"] = n
    sheet = {"level": "percent"} | CONFIRMED
    once, doubled = heard(tmp_path / "a", said, 239, sheet), heard(tmp_path / "b", twice(said), 239, sheet)
    assert kinds(once) == ["missed_cycles"]
    assert doubled.findings == once.findings
    assert doubled.refill == once.refill
    assert doubled.fills == once.fills
    assert doubled.hours_since_grease == once.hours_since_grease
    assert doubled.audit.lost.sum() == 0
    assert any(f"{len(said)} messages came once more" in text for text in notes(doubled))
    assert not any("once more" in text for text in notes(once))


@pytest.mark.parametrize("stands_at", [0, 1])
def test_a_counter_that_does_not_move_counts_nothing(tmp_path: Path, stands_at: int) -> None:
    """Messages of cycles do, held against the hour meter: a pump that stood still is found, a lost message is no missed cycle."""
    ran = [one for one in cycles(200, complete=True) if not 40 < one[1] < 46]
    for n, (_, _, values) in enumerate(ran):
        values["cycle_no"] = n
    moved = heard(tmp_path, ran, 80, CONFIRMED)
    for _, _, values in ran:
        values["cycle_no"] = stands_at
    stood = heard(tmp_path / "a", ran, 80, CONFIRMED)
    (found,) = stood.findings
    assert found.kind == "missed_cycles"
    assert stood.findings == moved.findings
    (then,) = heard(tmp_path / "b", ran, (found.detected_us - START_US) / HOUR_US, CONFIRMED).findings
    assert then.detected_us == found.detected_us
    sent = [(kind, hour, values | {"seq": n + (16 if hour > 45 else 0)}) for n, (kind, hour, values) in enumerate(ran)]
    unheard = heard(tmp_path / "c", sent, 80, CONFIRMED)
    assert unheard.findings == ()
    assert unheard.audit.missed.sum() == 0
    assert any("cycle counter does not move" in text for text in notes(stood))
    assert not any("cycle counter does not move" in text for text in notes(heard(tmp_path / "d", cycles(60), 24, {})))
    blind = [(kind, hour, {n: v for n, v in values.items() if n != "engine_h"}) for kind, hour, values in ran]
    assert any("no hour meter counts" in text for text in notes(heard(tmp_path / "e", blind, 80, CONFIRMED)))


@pytest.mark.parametrize(
    ("factor", "relief_kpa", "asked"),
    [
        (1.0, "28000", None),
        (1 / 6.895, "28000", "psi"),
        (0.01, "28000", "bar"),
        (0.001, "28000", "bar"),
        (0.2, "3500", None),
    ],
)
def test_pressures_in_another_unit_are_asked_about(
    tmp_path: Path, factor: float, relief_kpa: str, asked: str | None
) -> None:
    """By the relief pressure of the sheet: a system of low pressures has a low one."""
    said = cycles(100)
    for n, (_, _, values) in enumerate(said):
        values["peak_kpa"] = {"p1": factor * (7000 + 150 * (n % 11))}
    told = notes(heard(tmp_path, said, 40, {"relief_kpa": relief_kpa}, channel="p1"))
    assert [unit for unit in ("psi", "bar") if any(f"in {unit}" in text for text in told)] == ([asked] if asked else [])


def test_a_pump_that_draws_air_is_no_other_unit(tmp_path: Path) -> None:
    """It has had other pressures."""
    said = cycles(200)
    for n, (_, _, values) in enumerate(said):
        values["peak_kpa"] = {"p1": (7000.0 if n < 120 else 900.0) + 11 * (n % 7)}
    assert not any("psi" in text for text in notes(heard(tmp_path, said, 80, {}, channel="p1")))


# What proves that grease arrived where no pressure is read: one outlet that is shut stops a divider.
CONFIRMED = {"feed": "progressive", "confirmation": "yes"}


def emptying(**more: Any) -> list[Said]:
    """From full to a quarter and full again, twice."""
    said: list[Said] = []
    for n, one in enumerate(cycles(600, **more)):
        said.append(one)
        said.append(
            ("level", one[1] + 0.1, {"level_pct": round(98 - (n % 300) * 0.25, 2), "engine_h": one[2]["engine_h"]})
        )
    return said


@pytest.mark.parametrize(("change", "same"), [({"low_mark_pct": "40"}, "low_level"), ({"reservoir_l": "8"}, "fills")])
def test_a_later_set_up_does_not_rewrite_the_past(tmp_path: Path, change: dict[str, str], same: str) -> None:
    """A mark that is raised today was not reached last week, and what was filled then was what it was."""
    since = instant(START_US + 239 * HOUR_US).isoformat()
    plain = heard(tmp_path / "a", emptying(), 239, {"level": "percent"})
    later = heard(
        tmp_path / "b", emptying(), 240, {"level": "percent"}, change | {"level": "percent", "valid_from": since}
    )
    if same == "fills":
        assert [fill.litres for fill in later.fills] == [fill.litres for fill in plain.fills] != []
    else:
        assert same not in kinds(plain)
        assert all(f.began_us >= START_US + 238 * HOUR_US for f in later.findings if f.kind == same)


def test_an_empty_reservoir_greases_nobody(tmp_path: Path) -> None:
    """Also where no pressure tells that the pump draws air."""
    said = [one for one in emptying(complete=True) if one[1] < 100]
    said += [("cycle", one[1], one[2]) for one in cycles(600, complete=True) if 100 <= one[1] < 160]
    for n, hour in enumerate(range(100, 160)):
        said.append(("level", hour + 0.15, {"level_pct": round(max(0.5, 35 - n), 2), "engine_h": 500 + hour + 0.15}))
    result = heard(tmp_path, sorted(said, key=lambda one: one[1]), 159, {"level": "percent"} | CONFIRMED)
    assert 15 < (result.hours_since_grease[1] or 0.0) < 45


def test_another_kind_of_sensor_begins_with_its_set_up(tmp_path: Path) -> None:
    """What the one before said stays, nothing is counted on from it, and the new one is not missed before it was there."""
    change = instant(START_US + 100 * HOUR_US).isoformat()
    by_reading = [one for one in emptying() if one[1] < 100]
    by_switch: list[Said] = [one for one in cycles(600) if one[1] >= 100]
    by_switch += [("fault", 200.0, {"code": "level_low", "active": True}), ("state", 230.0, {"online": True})]
    there, gone = {"level": "percent"}, {"level": "switch"}
    (low,) = heard(tmp_path / "a", by_reading + by_switch, 238, there, gone | {"valid_from": change}).findings
    assert (low.kind, low.began_us) == ("low_level", START_US + 200 * HOUR_US)
    assert low.evidence["by_switch"] == 1

    other_way: list[Said] = [one for one in cycles(600) if one[1] < 100]
    other_way += [
        ("fault", 50.0, {"code": "level_low", "active": True}),
        ("fault", 60.0, {"code": "level_low", "active": False}),
    ]
    other_way += [one for one in emptying() if 100 <= one[1] < 140]
    result = heard(tmp_path / "b", other_way, 139, gone, there | {"valid_from": change})
    assert [(f.kind, f.open) for f in result.findings] == [("low_level", False)]


def test_what_a_sensor_told_of_ends_with_it(tmp_path: Path) -> None:
    """Readings that stopped are missed until the sheet says that nothing is there to read; it stays so that they were."""
    off = instant(START_US + 101 * HOUR_US).isoformat()
    said = [one for one in emptying() if one[0] == "cycle" or one[1] < 30]
    there = heard(tmp_path / "a", said, 100, {"level": "percent"})
    (missed,) = [f for f in there.findings if f.kind == "level_sensor"]
    gone = heard(tmp_path / "b", said, 199, {"level": "percent"}, {"level": "none", "valid_from": off})
    (over,) = [f for f in gone.findings if f.kind == "level_sensor"]
    assert (over.began_us, over.detected_us) == (missed.began_us, missed.detected_us)
    assert over.ended_us == START_US + 101 * HOUR_US
    assert not [f for f in gone.findings if f.open]


def test_a_controller_of_another_interval_is_judged_by_its_own(tmp_path: Path) -> None:
    """The sheet changes with it."""
    since = instant(START_US + 239 * HOUR_US // 10).isoformat()
    slow: list[Said] = [
        ("cycle", 24.5 + 2 * n, {"boot": "B", "cycle_no": n, "run_s": 180, "peak_kpa": {}, "engine_h": 524.5 + 2 * n})
        for n in range(1, 20)
    ]
    said = [*cycles(60), *idle(2, 24.0, "B"), *slow]
    assert kinds(heard(tmp_path, said, 62, {}, {"interval_min": "120", "valid_from": since})) == []


def test_a_dead_controller_of_the_past_is_no_news(tmp_path: Path) -> None:
    """Its missed cycles stand where the next controller began."""
    said = [*cycles(60), *idle(50, 24.0, "B"), *idle(1, 74.0, "C"), *cycles(100, 74.4, "C")]
    result = heard(tmp_path, said, 114, {})
    (found,) = result.findings
    assert found.ended_us is not None
    assert result.audit.open_missed == 0
    assert result.audit.missed[60] > 100


def test_a_switch_vehicle_that_is_due_by_counting_got_there_when_the_count_did(tmp_path: Path) -> None:
    """Not with the first message that was ever heard."""
    said: list[Said] = [("fault", 0.0, {"code": "level_low", "active": True, "engine_h": 500.0}), *cycles(800, 0.1)]
    said.insert(1, ("fault", 0.05, {"code": "level_low", "active": False, "engine_h": 500.05}))
    refill = heard(tmp_path, said, 318, {"level": "switch", "reservoir_l": "0.2"}).refill
    assert refill.state == "due"
    assert refill.due_early_us is not None
    assert START_US + 10 * HOUR_US < refill.due_early_us < START_US + 318 * HOUR_US


def test_a_recorded_fill_greases_while_no_reading_says_otherwise(tmp_path: Path) -> None:
    """The sensor is dead, and the count of cycles knows nothing of the fill."""
    said = [one for one in emptying(complete=True) if one[0] == "cycle" or one[1] < 100]
    filled = Work(key="a", kind="filled", at_us=START_US + 118 * HOUR_US, by="R. Tarvolen", to_pct=100.0)
    small = {"level": "percent", "reservoir_l": "0.08"} | CONFIRMED  # of which a cycle takes a quarter of a percent
    without = heard(tmp_path / "a", said, 170, small)
    after = heard(tmp_path / "b", said, 170, small, work=(filled,))
    assert (without.hours_since_grease[1] or 0.0) > 20
    hours = after.hours_since_grease[1]
    assert hours is not None
    assert hours < 1
    unproven = heard(tmp_path / "c", said, 170, small | {"feed": "direct"}, work=(filled,))
    assert unproven.hours_since_grease[1] is None


LEVEL = {"level": "percent", "reservoir_l": "1", "low_mark_pct": "15"}


def with_levels(said: Sequence[Said], first_pct: float, per_h: float) -> list[Said]:
    """A level reading after each of these messages, falling by so many points an hour."""
    return [
        one
        for kind, hour, values in said
        for one in (
            (kind, hour, values),
            ("level", hour + 0.05, {"level_pct": round(max(0.0, first_pct - per_h * hour), 1)}),
        )
    ]


@pytest.mark.parametrize("level_pct", [0.0, 60.0])
def test_pressures_that_were_never_others_prove_no_grease_in_an_empty_reservoir(
    tmp_path: Path, level_pct: float
) -> None:
    """A pump that draws air since its first message has the pressures that it always had."""
    said = [
        (kind, hour, values | {"peak_kpa": {"p1": 400.0 + 9 * (n % 5)}})
        for n, (kind, hour, values) in enumerate(cycles(200))
    ]
    result = heard(tmp_path, with_levels(said, level_pct, 0.0), 80.2, LEVEL, channel="p1")
    told = doses(result)
    assert told is not None
    if level_pct:
        assert result.hours_since_grease[1] is not None
        assert told.arrived.sum() == pytest.approx(200, abs=2)
    else:
        assert kinds(result) == ["low_level"]
        assert (result.hours_since_grease, told.arrived.sum()) == ({1: None}, 0)


@pytest.mark.parametrize(("per_h", "expected"), [(0.3, []), (0.0, ["missed_cycles"])])
def test_a_controller_that_tells_of_no_cycle_may_run_them(tmp_path: Path, per_h: float, expected: list[str]) -> None:
    """Where the level falls as the sheet says, nobody knows of a missed one; nor that grease arrived anywhere."""
    said = [
        (kind, hour, values | ({"level_pct": round(80 - per_h * hour, 1)} if kind == "level" else {}))
        for kind, hour, values in idle(100)
    ]
    result = heard(tmp_path, said, 99, LEVEL)
    assert kinds(result) == expected
    assert result.hours_since_grease == {1: None}
    assert [one.state for one in line_conditions(result)] == ["not_proven" if not expected else "act_now"]
    assert any("No cycle was ever heard of" in note for note in notes(result)) == (not expected)
    assert (result.refill.state, result.refill.reason) == ("unknown", "no cycle of the pump was ever heard of")


def test_a_meter_that_is_read_with_cycles_only_does_not_run_while_it_is_parked(tmp_path: Path) -> None:
    """Nobody tells that the ignition was switched off: then hours after the last cycle are not known, and no cycle was missed."""
    parked: list[Said] = [("level", 20.0 + 6 * n, {"level_pct": 80}) for n in range(1, 12)]
    result = heard(tmp_path, [*cycles(50), *parked], 86, {})
    assert kinds(result) == []
    assert result.history.heard_h[-1] == pytest.approx(49 * INTERVAL_H, abs=0.1)


@pytest.mark.parametrize(("litres", "mean_pct"), [(0.25, 60.0), (0.9, 92.5)])
def test_a_fill_of_some_litres_into_nobody_knows_what_fills_no_reservoir(
    tmp_path: Path, litres: float, mean_pct: float
) -> None:
    """Without a level sensor it holds those litres at least, and may hold no more: the refill may be due as early as that says."""
    fill = Work(key="k", kind="filled", at_us=START_US, by="somebody", litres=litres)
    sheet = {"level": "none", "reservoir_l": "1", "low_mark_pct": "15"}
    told = heard(tmp_path, cycles(400), 160, sheet, work=(fill,)).refill
    used_pct = 400 * 0.2 / 10
    assert told.level_pct == pytest.approx(mean_pct - used_pct, abs=0.5)
    least = told.due_early_us is not None and (told.due_early_us - told.as_of_us) / HOUR_US * 2.5 * 0.2 / 10
    assert 15 + least <= litres * 100 - used_pct + 12


def test_who_is_laid_up_and_works_is_told_of(tmp_path: Path) -> None:
    """Its alarms are hidden: a record that was forgotten, or that is another vehicle's, is named."""
    away = Work(key="k", kind="laid_up", at_us=START_US + 20 * HOUR_US, by="somebody")
    back = Work(key="b", kind="back", at_us=START_US + 60 * HOUR_US, by="somebody")

    def told(number: int, *work: Work) -> bool:
        result = heard(tmp_path / f"{number}-{len(work)}", cycles(number), 170, {}, work=work)
        return any("its pump has run on" in note for note in notes(result))

    assert told(400, away)
    assert not told(400, away, back)
    assert not told(100, away)  # until a day after
    assert not told(400)


@pytest.mark.parametrize(("hours", "told"), [(4200.0, True), (0.0, False), (524.0, False)])
def test_a_controller_with_the_hours_of_another_machine_is_asked_about(
    tmp_path: Path, hours: float, told: bool
) -> None:
    """Not one that is new, nor one that goes on, nor one that somebody recorded."""
    other = [
        (kind, hour, values | {"engine_h": round(hours + (hour - 24.0), 2)})
        for kind, hour, values in cycles(60, 24.0, "B")
    ]
    asked = "is it that of another vehicle"
    assert any(asked in note for note in notes(heard(tmp_path, cycles(60) + other, 48, {}))) == told
    swap = Work(key="k", kind="controller_swapped", at_us=START_US + 23 * HOUR_US, by="somebody")
    assert not any(asked in note for note in notes(heard(tmp_path / "b", cycles(60) + other, 48, {}, work=(swap,))))


def test_who_was_heard_at_no_time_that_can_be_known_was_not_never_heard(tmp_path: Path) -> None:
    """Of a clock that lost its power, and whose messages nobody received on the way."""
    lost_h = START_US / HOUR_US
    said = [(kind, hour - lost_h, values) for kind, hour, values in cycles(60)]
    (silent,) = heard(tmp_path, said, 24.0 * 200, {}).findings
    assert (silent.kind, silent.evidence["undated_messages"]) == ("silent", 60)
    assert "Nobody knows when it was heard" in silent.summary
    assert "60 messages" in silent.summary
