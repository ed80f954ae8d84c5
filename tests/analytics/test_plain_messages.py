"""What single messages and set-ups say, one after the other, without a simulated fleet."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from analytics.vehicle import Result, analyse
from ingest import registry, store
from ingest.messages import Arrival, instant, topic
from ingest.recorder import Recorder
from tests.ingest.test_registry import LINE, VEHICLE, write

HOUR_US = 3_600_000_000
START_US = 1_772_344_800_000_000
INTERVAL_H = 24 / 60
Said = tuple[str, float, dict[str, Any]]  # kind, hour, and what it says


def heard(
    folder: Path, said: Sequence[Said], until_h: float, *sheets: Mapping[str, str], channel: str = ""
) -> Result:  # fmt: skip
    """The analysis after `until_h` hours of a vehicle with these set-ups, one after the other; its hour meter reads 500 at first."""
    folder.mkdir(exist_ok=True)
    engine = store.open_database(f"sqlite:///{folder / 'tallow.db'}")
    for n, sheet in enumerate(sheets):
        with store.writing(engine) as connection:
            registry.register(
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
        id_, setups = registry.read_setups(connection)["f", "v1"]
        messages = store.read_messages(connection, id_)
    engine.dispose()
    return analyse(messages, setups, START_US + round(until_h * HOUR_US))


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


def emptying() -> list[Said]:
    """From full to a quarter and full again, twice."""
    said: list[Said] = []
    for n, one in enumerate(cycles(600)):
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
    said = [one for one in emptying() if one[1] < 100]
    said += [("cycle", one[1], one[2]) for one in cycles(600) if 100 <= one[1] < 160]
    for n, hour in enumerate(range(100, 160)):
        said.append(("level", hour + 0.15, {"level_pct": round(max(0.5, 35 - n), 2), "engine_h": 500 + hour + 0.15}))
    result = heard(tmp_path, sorted(said, key=lambda one: one[1]), 159, {"level": "percent"})
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
