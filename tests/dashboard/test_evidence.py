"""Warranty evidence: what stands for a point or a pump over a span, and the hash over its records."""

import hashlib
import importlib
import json
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Engine, insert

from analytics.account.evidence import DayOfDoses, Gap, digest, gaps, of_all
from dashboard.accounts import Person, acting_as
from dashboard.exports import evidence as words
from dashboard.queries.evidence import Evidence, read_evidence
from dashboard.web.app import create_app
from ingest import database, registry, schema, work_records
from ingest.errors import Problem
from ingest.recorder import Recorder
from ingest.times import read_time
from ingest.work import work_of
from tests.dashboard.test_account import MONDAY, NOW_US, filled
from tests.dashboard.test_command import tallow
from tests.helpers.messages import level

LAST = MONDAY + timedelta(days=13)


def test_gaps_by_hand() -> None:
    """Dry on the second, the fourth (the third stood still) and the last day: two gaps."""
    doses = [(4.0, 4.0, 0.0), (4.0, 0.0, 4.0), (0.0, 0.0, 0.0), (4.0, 0.0, 1.0), (4.0, 1.0, 3.0), (4.0, 0.0, 0.0)]
    days = [DayOfDoses(day=date(2026, 1, n), planned=p, arrived=a, failed=f) for n, (p, a, f) in enumerate(doses, 1)]
    assert gaps(3, days) == [
        Gap(line=3, first=date(2026, 1, 2), last=date(2026, 1, 4), planned=8.0, failed=5.0),
        Gap(line=3, first=date(2026, 1, 6), last=date(2026, 1, 6), planned=4.0, failed=0.0),
    ]
    assert gaps(3, []) == []


def test_the_hash_is_that_of_the_standard() -> None:
    """SHA-256 of nothing and of "abc" are the published ones (FIPS 180-4; NIST's examples); rows are lines of JSON."""
    assert digest([]) == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert hashlib.sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digest([["a", 1, None, b"\x01\xff"]]) == hashlib.sha256(b'["a",1,null,"01ff"]\n').hexdigest()
    assert of_all([("b", "2"), ("a", "1")]) == of_all([("a", "1"), ("b", "2")])


def told(fleet: Engine, line: int | None = 1) -> Evidence:
    return read_evidence(fleet, "f", "v1", line, MONDAY, LAST)


def test_a_point_and_a_pump(engine: Engine, tmp_path: Path) -> None:
    """Of line 1 the second week is a gap: 70 of 140 doses arrived, 70 surely did not; of line 2 there is none. One of three messages never
    came. A message, a record or an alarm more changes the hash of its own and the one over all, and no other."""
    fleet = filled(engine, tmp_path)
    Recorder(fleet, "test").record(
        [level(seq, received_us=NOW_US, vehicle="v1", at="2026-02-20T06:00:00Z") for seq in (7, 9)]
    )
    first = told(fleet)
    assert (first.planned, first.arrived, first.failed) == (140.0, 70.0, 70.0)
    assert first.gaps == (Gap(line=1, first=MONDAY + timedelta(days=7), last=LAST, planned=70.0, failed=70.0),)
    assert (first.messages, first.lost, first.thinned) == ({"level": 2}, 1, 0)
    assert told(fleet) == first
    assert told(fleet, 2).gaps == ()
    assert told(fleet, None).planned == 280.0
    assert told(fleet, None).gaps == first.gaps  # that line 2 was greased all the time does not hide it
    Recorder(fleet, "test").record([level(8, received_us=NOW_US, vehicle="v1", at="2026-02-20T06:00:00Z")])
    second = told(fleet)
    assert _changed(first, second) == {"messages"}
    assert second.lost == 0
    with database.writing(fleet) as connection:
        vehicle = registry.find(connection, "v1")
        record = work_of(
            {
                "key": "k",
                "kind": "line_mended",
                "by": "B. Lem",
                "lines": [1],
                "at_us": read_time("2026-02-24T06:00:00Z"),
            }
        )
        work_records.record(connection, vehicle.id, vehicle.setups, record, NOW_US)
    third = told(fleet)
    assert _changed(second, third) == {"work"}
    assert told(fleet, 2).digests["work"] == first.digests["work"]  # it is about line 1
    at_us = read_time("2026-02-25T06:00:00Z")
    with database.writing(fleet) as connection:
        alarm: dict[str, Any] = {
            "kind": "blocked_line",
            "channel": "p1",
            "lines": [1],
            "severity": "plan",
            "summary": "s",
            "evidence": {},
        }
        alarm |= {"began_us": at_us, "raised_us": at_us, "active": True, "acknowledged": True, "out_of_service": False}
        alarm |= {"vehicle_id": vehicle.id, "state": "acknowledged", "changed_us": at_us, "transitions": 1}
        number = connection.execute(insert(schema.alarm).values(alarm).returning(schema.alarm.c.id)).scalar_one()
        step: dict[str, Any] = {
            "number": 1,
            "at_us": at_us,
            "event": "acknowledge",
            "state": "acknowledged",
            "who": "C. Vod",
            "why": "",
        }
        connection.execute(insert(schema.transition).values(step | {"alarm_id": number}))
    fourth = told(fleet)
    assert told(fleet, None).alarms == fourth.alarms
    assert told(fleet, 2).alarms == ()
    assert _changed(third, fourth) == {"alarms"}
    text = words.as_text(fourth)
    for said in ("Of 140 planned doses of 1 line 70 surely arrived (50.0 %)", "That is 14 of 28 cm3", "acknowledged by C. Vod",
                 "Line cleared or replaced", "by B. Lem", "By their numbers 0 of 3 never came,", "On 13 of 14 days nothing was heard.",
                 "Nothing was heard after 20 Feb 2026", fourth.digest):  # fmt: skip
        assert said in text


def test_what_was_lost_at_the_edges_of_a_span_counts(tmp_path: Path) -> None:
    """Before its first message 3 never came, after its last one 5; of a span with no message at all 5 of the same boot."""
    fleet = filled(database.open_database(f"sqlite:///{tmp_path / 'tallow.db'}"), tmp_path)
    times = {3: "2026-02-10", 7: "2026-02-18", 8: "2026-02-19", 14: "2026-03-10"}
    Recorder(fleet, "test").record(
        [level(seq, received_us=NOW_US, vehicle="v1", at=f"{day}T06:00:00Z") for seq, day in times.items()]
    )
    found = told(fleet)
    assert (found.lost, found.quiet_days, found.quiet_since_us) == (8, 12, None)
    assert "By their numbers 8 of 10 never came" in words.as_text(found)
    silent = read_evidence(fleet, "f", "v1", 1, date(2026, 2, 21), date(2026, 3, 1))
    assert (silent.messages, silent.lost, silent.quiet_days) == ({}, 5, 9)
    after = read_evidence(fleet, "f", "v1", 1, date(2026, 3, 9), date(2026, 3, 12))
    assert (after.lost, after.quiet_since_us) == (5, read_time("2026-03-10T06:00:00Z"))


def _changed(before: Evidence, after: Evidence) -> set[str]:
    assert before.digest != after.digest
    return {name for name, value in after.digests.items() if before.digests[name] != value}


def test_who_may_see_it_and_what_is_none(tmp_path: Path) -> None:
    """Of another fleet nothing; no line that is not there, no span that is none; of a span of which nothing is known that is said."""
    url = f"sqlite:///{tmp_path / 'tallow.db'}"
    fleet = filled(database.open_database(url), tmp_path)
    with acting_as(Person(1, "a", "viewer", fleets=("g",))), pytest.raises(Problem, match="no vehicle"):
        told(fleet)
    with pytest.raises(Problem, match="line 9"):
        told(fleet, 9)
    with pytest.raises(Problem, match="span"):
        read_evidence(fleet, "f", "v1", 1, LAST, MONDAY)
    nothing = words.as_text(read_evidence(fleet, "f", "v1", 1, date(2025, 1, 1), date(2025, 1, 2)))
    for said in (
        "No dose is known to have been planned",
        "Not known: no dose is known to have been planned.",
        "Nothing was heard.",
        "Nothing was heard, so nothing could be found.",
        "None was raised.",
        "None is recorded.",
    ):
        assert said in nothing
    printed = tallow("evidence", "v1", "--line", "1", "--from", str(MONDAY), "--to", str(LAST), "--json", database=url)
    assert json.loads(printed.stdout)["digest"] == told(fleet).digest
    assert "is no day" in tallow("evidence", "v1", "--from", "soon", "--to", str(LAST), database=url).stderr
    create_app(fleet)
    by_hand = replace(told(fleet, None), days=(), setup=msgspec.structs.replace(told(fleet).setup, controller=False))
    assert words.doses(by_hand) == [
        "No controller: nothing is measured here. What was greased by hand stands under Work."
    ]
    page = importlib.import_module("dashboard.pages.evidence")
    shown = json.dumps(page.sheet(told(fleet)), cls=PlotlyJSONEncoder)
    assert told(fleet).digest in shown
