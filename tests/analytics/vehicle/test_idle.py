"""A pump that nothing is heard of while its vehicle is, where nothing tells whether that works: not known, and said so."""

from pathlib import Path

import pytest

from analytics.vehicle.analysis import Result
from analytics.vehicle.data_notes import notes
from analytics.vehicle.line_conditions import line_conditions
from ingest.times import DAY_US
from ingest.work import Work
from tests.analytics.vehicle.test_plain_messages import START_US, Said, heard, kinds

DIED = 40


def vehicle(days: int, dead: int = DIED, only: str = "") -> list[Said]:
    """Twenty cycles on each day but Sundays until the pump dies; a level with every fifth of them, and the state each morning."""
    said: list[Said] = []
    number = 0
    for day in range(days):
        said.append(("state", day * 24 + 5.0, {"online": True}))
        for k in range(20 if day % 7 != 6 else 0):
            at_h = day * 24 + 6 + k * 0.4
            if day < dead:
                peak = {"p1": 8000 + 150 * ((7 * number) % 5)}
                said.append(("cycle", at_h, {"cycle_no": number, "run_s": 180, "peak_kpa": peak, "complete": None}))
                number += 1
            if k % 5 == 0:
                said.append(("level", at_h + 0.1, {"level_pct": round(90 - number * 0.05 + k % 3 * 0.4, 1)}))
    return [one for one in said if one[0] in ("cycle", only or one[0])]


def analysed(folder: Path, said: list[Said], day: float, work: tuple[Work, ...] = ()) -> Result:
    level = "percent" if any(kind == "level" for kind, _, _ in said) else "none"
    return heard(folder, said, day * 24, {"feed": "direct", "level": level}, channel="p1", work=work)


def told(result: Result) -> bool:
    """Whether it is said; then of the date as well, where there is one."""
    said = any("no cycle of its pump" in note for note in notes(result))
    if result.refill.state != "unknown":
        assert said == ("no cycle was heard of" in (result.refill.basis or ""))
    return said


@pytest.mark.parametrize("only", ["", "level", "state"])
def test_a_pump_that_is_not_heard_of_is_not_known_to_be_sound(tmp_path: Path, only: str) -> None:
    """After the stops that it made before, by a margin; nothing proves that it is dead."""
    said = vehicle(60, only=only)
    assert not told(analysed(tmp_path / "a", said, DIED + 1.9))
    for n, day in enumerate((DIED + 5, DIED + 19)):
        result = analysed(tmp_path / str(n), said, day)
        assert told(result)
        assert kinds(result) == []
        assert [line.state for line in line_conditions(result)] == ["not_proven"]
    assert not told(analysed(tmp_path / "c", vehicle(60, dead=60, only=only), 60))


def test_whoever_stands_is_known_to(tmp_path: Path) -> None:
    """By its meter or by the switching, or since somebody recorded that it is laid up."""
    said = vehicle(60)
    away = Work(key="a", kind="laid_up", at_us=START_US + DIED * DAY_US, by="somebody")
    assert not told(analysed(tmp_path / "a", said, DIED + 9, (away,)))
    off: Said = "ignition", DIED * 24.0, {"on": False, "engine_h": 700.0}
    assert not told(analysed(tmp_path / "b", sorted([*said, off], key=lambda one: one[1]), DIED + 9))
