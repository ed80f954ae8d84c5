"""Registering vehicles and line lists."""

import re
from pathlib import Path
from unittest import mock

import pytest
from sqlalchemy import Engine

from ingest import database, registry, registry_files
from ingest.errors import Problem
from ingest.registry import Registered
from ingest.setups import Setup
from tests.helpers.registry_rows import LINE, POINT, VEHICLE, write


def register(engine: Engine, folder: Path, now_us: int = 1_000) -> Registered:
    with database.writing(engine) as connection:
        return registry.register(connection, folder, now_us)


def setups(engine: Engine) -> tuple[Setup, ...]:
    with engine.connect() as connection:
        return registry.find(connection, "f/v1").setups


def test_registering_twice_changes_nothing(engine: Engine, tmp_path: Path) -> None:
    """Repeatable: the same files are no news."""
    folder = write(tmp_path, [VEHICLE], [LINE, LINE | {"line": "2"}])
    done = register(engine, folder)
    assert (done.vehicles, done.lines, done.changed) == (1, 2, frozenset({1}))
    assert register(engine, folder).changed == frozenset()
    (only,) = setups(engine)
    assert only.valid_from_us is None
    assert [line.line for line in only.lines] == [1, 2]
    assert only.dose_cm3 == pytest.approx(0.4)


def test_a_change_holds_from_its_registration_and_the_old_set_up_stays(engine: Engine, tmp_path: Path) -> None:
    """Each set-up is kept and applies from its time on."""
    register(engine, write(tmp_path, [VEHICLE], [LINE]))
    register(engine, write(tmp_path, [VEHICLE | {"interval_min": "30"}], [LINE]), now_us=5_000)
    first, second = setups(engine)
    assert (first.interval_min, second.interval_min, second.valid_from_us) == (20, 30, 5_000)


def test_valid_from_dates_a_set_up(engine: Engine, tmp_path: Path) -> None:
    """A set-up can be told afterwards for the time it came into force."""
    register(engine, write(tmp_path, [VEHICLE], [LINE]))
    dated = VEHICLE | {"interval_min": "30", "valid_from": "1970-01-01T01:00:01+01:00"}
    register(engine, write(tmp_path, [dated], [LINE]))
    assert setups(engine)[1].valid_from_us == 1_000_000


def test_what_a_file_leaves_out_is_not_changed(engine: Engine, tmp_path: Path) -> None:
    """A vehicle left out stays; a vehicle whose lines are left out keeps them."""
    other = VEHICLE | {"vehicle": "v2"}
    register(engine, write(tmp_path, [VEHICLE, other], [LINE, LINE | {"vehicle": "v2"}]))
    done = register(engine, write(tmp_path, [other | {"unit": "renamed"}], [LINE | {"vehicle": "v2"}]), now_us=9_000)
    assert len(done.changed) == 1
    assert len(setups(engine)) == 1


def test_every_bad_row_is_named_and_nothing_is_registered(engine: Engine, tmp_path: Path) -> None:
    """All or nothing, and one run tells everything that must be mended."""
    vehicles = [
        VEHICLE,
        VEHICLE | {"vehicle": "v2", "reservoir_l": "-3"},
        VEHICLE | {"vehicle": "v3", "timezone": "Mars/Olympus"},
        VEHICLE | {"vehicle": "v 4"},
        VEHICLE | {"vehicle": "v5", "feed": "magic"},
        VEHICLE | {"vehicle": "v6", "relief_kpa": "nan"},
        VEHICLE | {"vehicle": "v7"},
    ]
    lines = [LINE, LINE, LINE | {"vehicle": "ghost"}, LINE | {"line": "x"}]
    with pytest.raises(Problem) as caught:
        register(engine, write(tmp_path, vehicles, lines))
    told = str(caught.value)
    for part in (
        "vehicles.csv row 3", "reservoir_l", "vehicles.csv row 4", "timezone", "vehicles.csv row 5", "vehicles.csv row 6",
        "feed", "vehicles.csv row 7", "relief_kpa", "vehicles.csv row 8: vehicle v7: lines.csv has no line", "lines.csv row 3",
        "twice", "lines.csv row 4", "ghost", "lines.csv row 5",
    ):  # fmt: skip
        assert part in told
    with engine.connect() as connection:
        assert registry.read_vehicles(connection) == []


def test_of_very_many_bad_rows_each_is_named_too(engine: Engine, tmp_path: Path) -> None:
    """The first causes with what is wrong, the rows of others by their numbers."""
    bad = [LINE | {"line": f"x{n}"} for n in range(70)]
    with pytest.raises(Problem) as caught:
        register(engine, write(tmp_path, [VEHICLE], [LINE, *bad]))
    told = str(caught.value)
    named = {int(n) for n in re.findall(r"lines.csv row (\d+)", told)}
    assert named == set(range(3, 53))
    assert told.endswith("lines.csv also rows 53 to 72")


def test_one_cause_is_told_once(engine: Engine, tmp_path: Path) -> None:
    """With all its rows: the column, what stands there, and what may."""
    names = [f"v{n}" for n in range(6)]
    vehicles = [VEHICLE | {"vehicle": n, "nlgi": "7" if n != "v3" else "2"} for n in names]
    with pytest.raises(Problem) as caught:
        register(engine, write(tmp_path, vehicles, [LINE | {"vehicle": n} for n in names]))
    assert str(caught.value) == (
        "nothing registered; vehicles.csv rows 2 to 4, 6 to 7: nlgi: '7' cannot be; write an NLGI grade: 000, 00, 0, 1, 2, 3, 4, 5 or 6"
    )


def test_a_bad_line_is_no_fault_of_its_vehicle(engine: Engine, tmp_path: Path) -> None:
    """Its row in the other file is not named: there is nothing to mend."""
    with pytest.raises(Problem) as caught:
        register(engine, write(tmp_path, [VEHICLE], [LINE | {"line": "0"}]))
    assert str(caught.value) == (
        "nothing registered; lines.csv row 2: vehicle v1, line 0: line: '0' cannot be; write a whole number from 1 to 9999"
    )


@pytest.mark.parametrize("missing", ["vehicles.csv", "lines.csv"])
def test_a_missing_file_is_named(engine: Engine, tmp_path: Path, missing: str) -> None:
    """One clear line."""
    (write(tmp_path, [VEHICLE], [LINE]) / missing).unlink()
    with pytest.raises(Problem, match=missing):
        register(engine, tmp_path)


def test_registering_says_how_far_it_is(engine: Engine, tmp_path: Path) -> None:
    """Ten thousand vehicles take a while."""
    names = [f"v{n}" for n in range(5)]
    folder = write(tmp_path, [VEHICLE | {"vehicle": n} for n in names], [LINE | {"vehicle": n} for n in names])
    seen: list[tuple[int, int]] = []
    with database.writing(engine) as connection:
        registry.register(connection, folder, 1_000, lambda done, of: seen.append((done, of)))
    assert seen == [(n, 20) for n in range(10)] + [(n, 10) for n in range(5, 10)]


def test_a_missing_column_is_named(engine: Engine, tmp_path: Path) -> None:
    """Not every row, but the header."""
    short = {key: value for key, value in VEHICLE.items() if key != "relief_kpa"}
    with pytest.raises(Problem, match="lacks the column relief_kpa"):
        register(engine, write(tmp_path, [short], [LINE]))


def test_a_new_line_list_alone_is_a_set_up_of_its_own(engine: Engine, tmp_path: Path) -> None:
    """The one before it stays, whatever date that one had."""
    register(engine, write(tmp_path, [VEHICLE | {"valid_from": "2026-01-01T00:00:00Z"}], [LINE]))
    other = VEHICLE | {"vehicle": "v2"}
    both = [LINE | {"point": "renamed"}, LINE | {"vehicle": "v2"}]
    register(engine, write(tmp_path, [other], both), now_us=1_900_000_000_000_000)
    first, second = setups(engine)
    assert (first.lines[0].point, second.lines[0].point) == ("kingpin", "renamed")
    assert second.valid_from_us == 1_900_000_000_000_000


def test_points_greased_by_hand_are_kept_with_the_set_up(engine: Engine, tmp_path: Path) -> None:
    """A file without points leaves them as they were; one that has no row of a vehicle which it knows takes them away."""
    critical = POINT | {
        "number": "2",
        "interval_days": "",
        "interval_h": "250",
        "strokes": "",
        "grams": "8.5",
        "critical": "yes",
    }
    register(engine, write(tmp_path, [VEHICLE], [LINE], [critical, POINT]))
    (only,) = setups(engine)
    assert [(p.number, p.every, p.unit, p.grams, p.strokes, p.critical) for p in only.hand_points] == [
        (1, 30.0, "d", None, 12.0, False),
        (2, 250.0, "h", 8.5, None, True),
    ]
    (tmp_path / "points.csv").unlink()
    assert register(engine, write(tmp_path, [VEHICLE], [LINE]), now_us=5_000).changed == frozenset()
    register(engine, write(tmp_path, [VEHICLE], [LINE], []), now_us=9_000)
    assert [len(one.hand_points) for one in setups(engine)] == [2, 0]


def test_a_vehicle_without_a_controller_needs_points_and_no_system(engine: Engine, tmp_path: Path) -> None:
    """Its reservoir, pump and timer may be left empty."""
    nothing = dict.fromkeys(("feed", "reservoir_l", "low_mark_pct", "interval_min", "run_s", "relief_kpa"), "")
    register(engine, write(tmp_path, [VEHICLE | nothing | {"controller": "no"}], [], [POINT]))
    (only,) = setups(engine)
    assert (only.controller, only.lines, len(only.hand_points)) == (False, (), 1)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"interval_days": "0"}, "interval_days: '0' cannot be; write days, 1 to 3650"),
        ({"interval_days": "5000000"}, "interval_days: 5000000 cannot be; write days, 1 to 3650"),
        (
            {"interval_days": "", "interval_km": "10,000"},
            "interval_km: '10,000' cannot be; write kilometres, 50 to 500000, without a separator of thousands",
        ),
        (
            {"interval_days": "", "interval_km": "0.001"},
            "interval_km: 0.001 cannot be; write kilometres, 50 to 500000, without a separator of thousands",
        ),
        (
            {"interval_days": ""},
            "write the interval in one of the columns interval_h, interval_km, interval_days; it is in 0",
        ),
        (
            {"interval_h": "50"},
            "write the interval in one of the columns interval_h, interval_km, interval_days; it is in 2",
        ),
        ({"strokes": ""}, "write the amount in one of the columns grams, strokes; it is in 0"),
        ({"strokes": "many"}, "strokes: 'many' cannot be; write strokes of the grease gun, above 0"),
        ({"number": "0"}, "number: '0' cannot be; write a whole number from 1 to 9999"),
        ({"vehicle": "v9"}, "vehicle 'v9' of fleet 'f' is in no row of vehicles.csv"),
    ],
)
def test_a_bad_point_is_told_by_row_column_and_value(
    engine: Engine, tmp_path: Path, change: dict[str, str], told: str
) -> None:
    """One clear line."""
    with pytest.raises(Problem, match=re.escape(told)):
        register(engine, write(tmp_path, [VEHICLE], [LINE], [POINT | change]))


def test_what_a_vehicle_without_a_controller_cannot_have(engine: Engine, tmp_path: Path) -> None:
    """Lines, or nothing at all."""
    bare = VEHICLE | {"controller": "no"}
    with pytest.raises(Problem, match=r"has no controller: name its points in points\.csv, not as lines"):
        register(engine, write(tmp_path, [bare], [LINE], [POINT]))
    with pytest.raises(Problem, match=r"has no controller: points\.csv has no point of it"):
        register(engine, write(tmp_path, [bare], [], []))


@pytest.mark.parametrize(
    ("commissioned", "zone", "ahead"),
    [("2026-05-28", "Pacific/Auckland", False), ("2026-05-28", "America/New_York", True), ("", "Etc/UTC", False)],
)
def test_a_commissioning_to_come_is_told(
    engine: Engine, tmp_path: Path, commissioned: str, zone: str, *, ahead: bool
) -> None:
    """By the depot's own calendar, at half past nine in the evening of 27 May UTC: a vehicle may be registered before it is fitted, and
    the year may be a slip."""
    wanted = VEHICLE | {"commissioned": commissioned, "timezone": zone}
    with mock.patch.object(registry_files, "now_us", return_value=1_779_917_400_000_000):
        done = register(engine, write(tmp_path, [wanted], [LINE]), 1_779_917_400_000_000)
    assert [one.vehicle for one in done.to_come] == ["v1"] * ahead
