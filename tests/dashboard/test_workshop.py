"""Work to and from the workshop's program: nothing is requested or recorded twice, and a bad row says why."""

import csv
import json
import os
import time
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select

from analytics.alarms import records
from analytics.findings import CAUTION
from analytics.settings import PROOF_CYCLES
from dashboard import accounts
from dashboard.exports.workshop import Pass, exchange
from dashboard.pages.alarms import drawer
from dashboard.queries import alarms
from dashboard.web.app import create_app
from ingest import database, registry, schema, times, work_records
from ingest.errors import Problem
from ingest.work import work_of
from tests.helpers.alarms import NOW, bring_up, finding, fleet, put

__all__ = ["fleet"]


@pytest.fixture
def database_url(tmp_path: Path) -> str:
    """Which database makes no difference here."""
    return f"sqlite:///{tmp_path / 'workshop.db'}"


@pytest.fixture
def asked(fleet: Engine, monkeypatch: pytest.MonkeyPatch) -> Engine:
    """A fleet with alarms, some days after they came."""
    bring_up(fleet)
    monkeypatch.setattr(times, "machine_us", lambda: NOW + times.HOUR_US)
    return fleet


def passed(engine: Engine, folder: Path, **more: Any) -> Pass:
    with accounts.acting_as(accounts.OPERATOR):
        return exchange(engine, folder, "Workshop", **more)


def test_a_folder_that_is_not_there_is_no_workshop(asked: Engine, tmp_path: Path) -> None:
    """A mistyped one would take the alarms and show them to nobody."""
    with pytest.raises(Problem, match="is not a folder; make it first"):
        passed(asked, tmp_path / "exchagne")
    assert passed(asked, tmp_path).requested > 0


def answer(folder: Path, text: str, name: str = "a.csv") -> None:
    path = folder / "completions" / name
    path.write_text(text)
    os.utime(path, (time.time() - 60, time.time() - 60))


def assigned(engine: Engine) -> dict[str, str | None]:
    with engine.connect() as connection:
        return {row.kind: row.assigned_to for row in connection.execute(select(schema.alarm))}


def number(engine: Engine, kind: str) -> int:
    with engine.connect() as connection:
        return int(connection.execute(select(schema.alarm.c.id).where(schema.alarm.c.kind == kind)).scalar_one())


def work(engine: Engine) -> list[Any]:
    with engine.connect() as connection:
        return [one for records in work_records.read_work(connection).values() for one in records]


def test_an_alarm_is_requested_once_and_completed_once(asked: Engine, tmp_path: Path) -> None:
    """Also where a pass was broken off before it kept that, and where the workshop's program sends all of it again."""
    folder = tmp_path
    assert passed(asked, folder, least="act_now").requested == 1
    assert passed(asked, folder).requested + passed(asked, folder).requested == 1
    blocked = number(asked, "blocked_line")
    path = folder / "requests" / f"alarm-{blocked}.csv"
    (row,) = csv.DictReader(path.read_text("utf-8").splitlines())
    assert (row["alarm"], row["vehicle"], row["kind"], row["caution"]) == (
        str(blocked), "HS-102", "blocked_line", CAUTION,
    )  # fmt: skip
    assert assigned(asked)["blocked_line"] == "Workshop"
    head = "alarm;order;done_at;by;kind;lines;found;note\n"
    answer(folder, f"{head}{blocked};A-1;;;;;;\n")
    assert passed(asked, folder).ordered == 1
    assert assigned(asked)["blocked_line"] == "Workshop, order A-1"
    done = f"{blocked};A-1;2024-10-04T00:30:00Z;R. Tarvolen;line_mended;5;as_told;tube renewed\n"
    for n in range(2):
        answer(folder, head + done, f"b{n}.csv")
        told = passed(asked, folder)
        assert (told.done, told.before, told.refused) == (1 - n, n, [])
    (one,) = work(asked)
    assert (one.kind, one.lines, one.by, one.found, one.note) == (
        "line_mended", (5,), "R. Tarvolen", "as_told", "order A-1; tube renewed",
    )  # fmt: skip
    assert sorted(path.name for path in (folder / "completions" / "taken").iterdir()) == ["a.csv", "b0.csv", "b1.csv"]
    with database.writing(asked) as connection:
        put(connection, finding("low_level"), finding("blocked_line", channel="p05", ended=0.05))
    bring_up(asked, days=0.1)
    with asked.connect() as connection:
        steps = (
            connection.execute(select(schema.transition.c.why).where(schema.transition.c.alarm_id == blocked))
            .scalars()
            .all()
        )
    assert "recorded: Line cleared or replaced" in steps  # nobody is asked to take note of it once more


def test_what_did_not_hold_is_requested_again(asked: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under its number, once; the second repair is a record of its own, and the first sent again is still nothing new."""
    passed(asked, tmp_path)
    blocked = number(asked, "blocked_line")
    head = "alarm,order,done_at,kind,lines\n"
    first = f"{head}{blocked},A-1,2024-10-04T00:30:00Z,line_mended,5\n"
    answer(tmp_path, first)
    assert (passed(asked, tmp_path).done, passed(asked, tmp_path).requested) == (1, 0)
    (tmp_path / "requests" / f"alarm-{blocked}.csv").unlink()
    failed = finding("blocked_line", channel="p05", evidence={"cycles_since_repair": float(PROOF_CYCLES)})
    with database.writing(asked) as connection:
        put(connection, finding("low_level"), failed)
    bring_up(asked, days=0.1)
    monkeypatch.setattr(times, "machine_us", lambda: NOW + times.DAY_US)
    assert [passed(asked, tmp_path).requested for _ in range(2)] == [1, 0]
    assert (tmp_path / "requests" / f"alarm-{blocked}.csv").exists()
    answer(tmp_path, first)
    answer(tmp_path, f"{head}{blocked},A-9,2024-10-04T00:50:00Z,line_mended,5\n", "b.csv")
    told = passed(asked, tmp_path)
    assert (told.done, told.before, told.refused) == (1, 1, [])
    assert sorted(one.note for one in work(asked)) == ["order A-1", "order A-9"]


def test_a_request_is_withdrawn_when_its_alarm_ends(asked: Engine, tmp_path: Path) -> None:
    """Once, whether it was taken on or not, and shown on the alarm; under the same number it is requested again where the alarm goes on.
    What was done by an order is nothing to withdraw."""
    folder = tmp_path
    passed(asked, folder)
    blocked, low = number(asked, "blocked_line"), number(asked, "low_level")
    head = "alarm,order,done_at,kind,to_pct\n"
    answer(folder, f"{head}{blocked},A-1,,,\n{low},A-2,2024-10-04T00:30:00Z,filled,90\n")
    assert (passed(asked, folder).ordered, passed(asked, folder).withdrawn) == (1, 0)
    over = finding("blocked_line", channel="p05", ended=0.02)
    with database.writing(asked) as connection:
        put(connection, finding("low_level", ended=0.02), over)
    bring_up(asked, days=1)
    assert [passed(asked, folder).withdrawn for _ in range(2)] == [1, 0]
    (path,) = (folder / "withdrawn").iterdir()
    (row,) = csv.DictReader(path.read_text("utf-8").splitlines())
    assert (row["alarm"], row["order"], row["vehicle"]) == (str(blocked), "A-1", "HS-102")
    assert row["why"] == "the alarm ended by itself"
    assert not (folder / "requests" / f"alarm-{blocked}.csv").exists()
    assert assigned(asked)["blocked_line"] is None
    with create_app(asked).server.app_context(), accounts.acting_as(accounts.OPERATOR):
        found = alarms.one_alarm(asked, blocked)
        assert found is not None
        assert "Request withdrawn" in json.dumps(
            drawer.told(*found).to_plotly_json(), default=lambda one: one.to_plotly_json()
        )
    answer(folder, f"alarm,order,done_at,kind,lines\n{blocked},A-1,2024-10-04T00:50:00Z,line_mended,5\n", "late.csv")
    told = passed(asked, folder)
    assert (told.done, told.refused) == (1, [])  # what was done all the same is kept
    with database.writing(asked) as connection:
        put(connection, finding("low_level", ended=0.02), finding("blocked_line", channel="p05"))
    bring_up(asked, days=1.01)
    assert number(asked, "blocked_line") == blocked
    assert passed(asked, folder).requested == 1
    assert (folder / "requests" / f"alarm-{blocked}.csv").exists()
    assert not path.exists()


def test_who_was_asked_by_a_person_keeps_what_they_were_given(asked: Engine, tmp_path: Path) -> None:
    """An alarm that somebody gave to a workshop of that name was no request of ours."""
    blocked = number(asked, "blocked_line")
    with database.writing(asked) as connection:
        records.assign(connection, [blocked], "Workshop", "A. Lindehav", NOW)
        put(connection, finding("low_level"), finding("blocked_line", channel="p05", ended=0.02))
    bring_up(asked, days=1)
    assert passed(asked, tmp_path).withdrawn == 0
    assert assigned(asked)["blocked_line"] == "Workshop"


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("999,,2024-10-04T00:30:00Z,line_mended,5", "there is no alarm '999'"),
        ("{},,,,", "say the order, or when it was done"),
        ("{},,yesterday,line_mended,5", "done_at 'yesterday' is no date and time"),
        ("{},,2024-10-04T00:30:00Z,repaired,5", "'repaired' is no kind of work"),
        ("{},,2024-10-04T00:30:00Z,line_mended,77", "line 77 is not on the line list"),
        ("{},,2034-10-04T00:30:00Z,line_mended,5", "is no time at which work can have been done"),
    ],
)
def test_a_bad_row_is_refused_with_its_reason(asked: Engine, tmp_path: Path, row: str, why: str) -> None:
    """The other rows of its file are recorded."""
    folder = tmp_path
    passed(asked, folder)
    good = f"{number(asked, 'low_level')},A-2,,,"
    answer(folder, f"alarm,order,done_at,kind,lines\n{row.format(number(asked, 'blocked_line'))}\n{good}\n")
    told = passed(asked, folder)
    assert (told.ordered, told.done, len(told.refused)) == (1, 0, 1)
    assert told.refused[0].startswith("a.csv:2: ")
    assert why in told.refused[0]
    (kept,) = csv.DictReader((folder / "completions" / "refused" / "a.why.csv").read_text("utf-8").splitlines())
    assert why in kept["why"]
    assert passed(asked, folder).refused == []  # it is moved away


def test_a_file_that_is_still_written_waits_and_one_of_another_form_is_refused(asked: Engine, tmp_path: Path) -> None:
    """Nobody records half a file."""
    folder = tmp_path
    passed(asked, folder)
    (folder / "completions" / "new.csv").write_text("alarm,order\n")
    answer(folder, "number,state\n1,done\n")
    assert passed(asked, folder).refused[0].startswith("a.csv:1: columns are alarm, order,")
    assert (folder / "completions" / "new.csv").exists()


@pytest.mark.parametrize(
    "done_at", ["2024-07-01T06:00Z", "2024-07-01T06:00+00:00", "20240701T060000Z", "2024-07-01 08:00"]
)
def test_the_offset_of_a_time_counts_however_it_is_written(asked: Engine, tmp_path: Path, done_at: str) -> None:
    """Without one it is the depot's own clock, two hours ahead."""
    passed(asked, tmp_path)
    answer(tmp_path, f"alarm,done_at,kind,lines\n{number(asked, 'blocked_line')},{done_at},line_mended,5\n")
    assert passed(asked, tmp_path).done == 1
    assert times.rfc3339(work(asked)[0].at_us) == "2024-07-01T06:00:00Z"


def test_a_depot_records_work_on_its_own_alarms_only(asked: Engine, tmp_path: Path) -> None:
    """Neither an order nor work on another's; a vehicle that moved meanwhile is answered from where it was."""
    with asked.connect() as connection:
        own = registry.find(connection, "HS-102").newest.depot
    blocked, low = number(asked, "blocked_line"), number(asked, "low_level")
    text = f"alarm,order,done_at,kind,lines\n{blocked},,2024-10-04T00:30:00Z,line_mended,5\n{low},A-2,,,\n"
    folder = tmp_path
    passed(asked, folder)
    answer(folder, text)
    told = passed(asked, folder, depot="Elsewhere")
    assert (told.done, told.ordered, len(told.refused), work(asked)) == (0, 0, 2, [])
    assert "is none of depot 'Elsewhere'" in told.refused[0]
    with database.writing(asked) as connection:
        found = registry.find(connection, "HS-102")
        moved = {"key": "m", "kind": "moved", "depot": "Elsewhere", "by": "me", "at_us": NOW + 1}
        work_records.record(connection, found.id, found.setups, work_of(moved), NOW + times.HOUR_US)
    answer(folder, text)
    told = passed(asked, folder, depot=own)
    assert (told.done, told.ordered, told.refused) == (1, 1, [])


def test_what_cannot_be_read_holds_nothing_up(asked: Engine, tmp_path: Path) -> None:
    """A folder, or a link to nothing, is told of; files after it are taken, and requests written."""
    passed(asked, tmp_path, least="act_now")
    folder = tmp_path / "completions"
    (folder / "a.csv").mkdir()
    os.utime(folder / "a.csv", (0, 0))
    (folder / "b.csv").symlink_to(folder / "nothing")
    answer(tmp_path, f"alarm,order\n{number(asked, 'low_level')},A-1\n", "c.csv")
    told = passed(asked, tmp_path)
    assert (told.ordered, told.requested, len(told.refused)) == (1, 1, 2)
    assert told.refused[0].startswith("a.csv cannot be read: Is a directory; take it out of ")
    assert told.refused[1].startswith("b.csv cannot be read: No such file or directory")
