"""Any text and any number that somebody can send: taken in, or refused in one line; never a failure, never half of something."""

import json
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine

from analytics.vehicle.analysis import analyse
from ingest import database, reading, registry, work
from ingest.errors import Problem
from ingest.messages import KINDS, Arrival, topic
from ingest.recorder import Recorder
from ingest.times import now_us
from tests.helpers.databases import sqlite_at
from tests.helpers.registry_rows import LINE, VEHICLE, write

TRIES = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
# With half pairs of surrogates, NUL and whatever else there is; and with what stands at the edges of numbers.
TEXTS = st.text(st.characters(exclude_categories=()), max_size=70)
CELLS = st.text(st.characters(exclude_categories=["Cs"]), max_size=300)  # a file in UTF-8 holds no half pairs
NUMBERS = st.one_of(
    st.sampled_from([1e-300, 5e-324, -0.0, 1e300, 2**63, 2**64, -(2**63), float("inf"), float("nan"), 0.001, 1e-4]),
    st.floats(), st.integers(),
)  # fmt: skip
VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, TEXTS),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(TEXTS, inner, max_size=3)), max_leaves=6,
)  # fmt: skip
FIELDS = ["seq", "at", "sent_at", "boot", "engine_h", "cycle_no", "run_s", "peak_kpa", "rest_kpa", "trace", "level_pct", "temp_c", "code",
          "active", "channel", "value", "on", "online", "firmware", "tilt_deg", "manual", "complete", "supply_v"]  # fmt: skip
SOUND: dict[str, Any] = {
    "seq": 1, "at": "2026-03-01T06:00:00Z", "cycle_no": 1, "run_s": 90, "peak_kpa": {"p": 1}, "level_pct": 50, "code": "level_low",
    "active": True, "on": True, "engine_h": 1.0, "online": True,
}  # fmt: skip


@pytest.fixture(scope="module")
def engine() -> Iterator[Engine]:
    """One database for all tries."""
    with tempfile.TemporaryDirectory() as folder:
        made = sqlite_at(Path(folder) / "tallow.db")
        yield made
        made.dispose()


@TRIES
@given(kind=st.sampled_from(sorted(KINDS)), wrong=st.dictionaries(st.sampled_from(FIELDS), VALUES, max_size=4))
def test_any_message_is_recorded_or_refused(engine: Engine, kind: str, wrong: dict[str, Any]) -> None:
    """Sound but for some fields, in every way that JSON can be written; what was recorded can be analysed."""
    for payload in (json.dumps(SOUND | wrong), json.dumps(SOUND | wrong, ensure_ascii=False)):
        said = payload.encode("utf-8", "surrogatepass")
        tally = Recorder(engine, "test").record([Arrival(topic("f", "v", kind), said, None)])
        assert tally.recorded.total() + tally.duplicates + tally.rejected + tally.wills >= 1


@TRIES
@given(st.binary(max_size=200), st.text(max_size=40))
def test_any_bytes_are_kept_in_quarantine(engine: Engine, payload: bytes, where: str) -> None:
    """On any topic."""
    tally = Recorder(engine, "test").record(
        [Arrival(where, payload, None), Arrival(topic("f", "v", "level"), payload, None)]
    )
    assert tally.rejected == 2


@TRIES
@given(
    st.dictionaries(st.sampled_from(work.Work.__struct_fields__), VALUES, max_size=5),
    st.sampled_from(sorted(work.KINDS)),
)
def test_any_record_of_work_is_taken_in_or_refused(wrong: dict[str, Any], kind: str) -> None:
    """What is taken in can be stored, and its numbers can be divided by."""
    sound = {
        "key": "k",
        "kind": kind,
        "at_us": now_us(),
        "by": "somebody",
        "litres": 1.0,
        "lines": [1],
        "interval_min": 20.0,
        "depot": "d",
    }
    try:
        made = work.work_of(sound | wrong)
    except Problem:
        return
    for text in (made.by, made.note, made.depot, made.grease, made.channel):
        assert text is None or text.encode("utf-8") is not None
    for number in (made.litres, made.interval_min, made.run_s):
        assert number is None or 0.001 <= number <= 1e9


@TRIES
@given(column=st.sampled_from(sorted(VEHICLE)), value=st.one_of(NUMBERS.map(str), CELLS))
def test_any_registry_row_is_taken_in_or_named(column: str, value: str) -> None:
    """And a vehicle that is taken in can be analysed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, [VEHICLE | {column: value}], [LINE])
        engine = sqlite_at(folder / "tallow.db")
        with suppress(Problem):
            with database.writing(engine) as connection:
                registry.register(connection, folder, 0)
            with engine.connect() as connection:
                for vehicle in registry.read_vehicles(connection):
                    messages = reading.read_messages(connection, vehicle.id)
                    analyse(messages, vehicle.setups, now_us())
        engine.dispose()


def test_a_tiny_interval_is_refused_at_the_door(tmp_path: Path) -> None:
    """What would make a cycle of nothing, or infinitely many of them a day."""
    for column in ("interval_min", "run_s", "reservoir_l", "relief_kpa"):
        write(tmp_path, [VEHICLE | {column: "1e-300"}], [LINE])
        engine = sqlite_at(tmp_path / "tallow.db")
        with pytest.raises(Problem, match=column), database.writing(engine) as connection:
            registry.register(connection, tmp_path, 0)
        engine.dispose()
    with pytest.raises(Problem, match="interval_min"):
        work.work_of({"key": "k", "kind": "timer_set", "at_us": now_us(), "by": "x", "interval_min": 1e-300})
    with pytest.raises(Problem, match="by"):
        work.work_of({"key": "k", "kind": "bled", "at_us": now_us(), "by": "half a pair \ud800"})


@pytest.mark.parametrize("mark", ["\x1b[2J", "\x07", "\x9b2J", "\x7f"])
def test_what_moves_a_terminals_cursor_is_no_name(tmp_path: Path, mark: str) -> None:
    """Whoever runs a command reads what others wrote: names in registry files, and what people say of work."""
    folder = tmp_path / "registry"
    folder.mkdir()
    engine = sqlite_at(tmp_path / "tallow.db")
    for vehicle, line, column in (({"unit": f"a{mark}b"}, {}, "unit"), ({}, {"point": f"a{mark}b"}, "point")):
        write(folder, [VEHICLE | vehicle], [LINE | line])
        told = f"{column}: .* write characters that can be seen"
        with pytest.raises(Problem, match=told) as refused, database.writing(engine) as connection:
            registry.register(connection, folder, 0)
        assert mark not in str(refused.value)
    write(folder, [VEHICLE | {"unit": "two\nlines\tand a tab", "grease": "EP\u200b"}], [LINE])
    with database.writing(engine) as connection:
        registry.register(connection, folder, 0)
    engine.dispose()
    said = {"key": "k", "kind": "bled", "at_us": now_us(), "by": "x"}
    for column in ("note", "by", "grease"):
        with pytest.raises(Problem, match=f"{column}: .* write characters that can be seen"):
            work.work_of(said | {column: f"a{mark}b"})
    assert work.work_of(said | {"note": "two\nlines"}).note == "two\nlines"
