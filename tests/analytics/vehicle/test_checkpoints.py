"""An answer is the same to the bit whatever of earlier weeks is known, and news goes through a few rows only."""

import io
import pickle
import tempfile
import zlib
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec import structs

from analytics.settings import DEFAULTS
from analytics.vehicle import checkpoints
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.checkpoints import Checkpoint, Checkpoints
from analytics.vehicle.level import tracker
from analytics.vehicle.pressure import Pressures
from ingest.arrays import Messages, Rows, chosen
from ingest.setups import Setup
from ingest.times import DAY_US, HOUR_US
from ingest.work import Work
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

DAYS = 110
VEHICLES = {
    "HS-101": (
        Trouble("reservoir_loss", 70, 58, ratio=2.0), Trouble("level_sensor", 30, 24), Trouble("open_line", 36, 9, line=3, ratio=0.2),
        Trouble("pressure_sensor", 44, 15, line=7),
    ),
    "HS-103": (
        Trouble("under_delivery", 60, 35, ratio=0.6), Trouble("overfill", 20), Trouble("blocked_line", 12, line=5, ratio=4.0),
        Trouble("blocked_line", 48, None, line=2, ratio=2.5, ramp_days=20), Trouble("starved_pump", 28, 24),
    ),
    "HS-206": (Trouble("low_level", 50, 45), Trouble("missed_cycles", 28, 25, variant="dead"), Trouble("top_ups", 40, 5)),
}  # fmt: skip


@pytest.fixture(scope="module")
def held() -> dict[str, tuple[Messages, tuple[Setup, ...]]]:
    """The messages and set-ups of vehicles whose levels show all sorts of things."""
    sent = [one for name, troubles in VEHICLES.items() for one in arrivals(name, troubles, days=DAYS)]
    with tempfile.TemporaryDirectory() as folder:
        engine, told = recorded(Path(folder), [sent])
        engine.dispose()
    return told


def in_bits(value: Any) -> Any:
    """What can be compared for equality of every bit."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes() if value.dtype != object else value.tolist()
    if is_dataclass(value) and not isinstance(value, type):
        names = [field.name for field in fields(value) if field.name != "checkpoints" and field.compare]
        names += ["ratio"] if isinstance(value, Pressures) else []
        return type(value).__name__, *((name, in_bits(getattr(value, name))) for name in names)
    if isinstance(value, (list, tuple)):
        return [in_bits(one) for one in value]
    if isinstance(value, float):
        return value.hex()
    return repr(value)


def differing(a: Result, b: Result) -> list[str]:
    """Names of what two results do not share."""
    return [
        f.name
        for f in fields(a)
        if f.name != "checkpoints" and in_bits(getattr(a, f.name)) != in_bits(getattr(b, f.name))
    ]


class Life:
    """What had come of a vehicle's messages by a time, where each comes when it will; and what people did and registered by then."""

    def __init__(self, messages: Messages, setups: tuple[Setup, ...], seed: int) -> None:
        self.random, self.setups, self.messages = Random(seed), setups, messages
        draw = np.random.default_rng(seed)
        self.late = {}
        for name, rows in vars(messages).items():
            by_days = np.where(draw.random(len(rows)) < 0.03, draw.exponential(6.0, len(rows)), 0.0)
            by_days[draw.random(len(rows)) < 0.01] = np.inf  # for good
            self.late[name] = rows.at_us + by_days * DAY_US
        self.work: list[Work] = []

    def by(self, at_us: int) -> Messages:
        """The messages, in any order."""

        def some(name: str, rows: Rows) -> Rows:
            come = np.flatnonzero(self.late[name] <= at_us).tolist()
            self.random.shuffle(come)
            return chosen(rows, np.array(come, np.int64))

        return Messages(**{name: some(name, rows) for name, rows in vars(self.messages).items()})

    def goes_on(self, at_us: int) -> None:
        """Now and then somebody does something, or registers another sheet; perhaps of a time long past."""
        begin_us = at_us - int(self.random.expovariate(1 / 5) * DAY_US)
        what = self.random.random()
        if what < 0.2:
            kind = self.random.choice(["filled", "sensor_replaced", "line_mended", "relined", "laid_up", "back"])
            more = (
                {"litres": 2.0} if kind == "filled" else {"lines": (5,)} if kind in ("line_mended", "relined") else {}
            )
            self.work.append(Work(key=f"w{len(self.work)}", kind=kind, at_us=begin_us, by="somebody", **more))  # type: ignore[arg-type]
            self.work.sort(key=lambda one: one.at_us)
        elif what < 0.3:
            last = self.setups[-1]
            since_us = max(begin_us, (last.valid_from_us or 0) + HOUR_US)
            changed = structs.replace(last, valid_from_us=since_us, low_mark_pct=self.random.choice([10.0, 15.0, 25.0]))
            self.setups = (*self.setups, changed)


def going(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The readings that are gone through from now on."""
    read, gone = tracker._Tracker._read, list[int]()

    def noted(self: tracker._Tracker, j: int) -> None:
        gone.append(j)
        read(self, j)

    monkeypatch.setattr(tracker._Tracker, "_read", noted)
    return gone


def lived(
    held: dict[str, tuple[Messages, tuple[Setup, ...]]], seed: int, monkeypatch: pytest.MonkeyPatch
) -> tuple[int, int]:
    """A vehicle's life, analysed now and then with and without what was known before: readings gone through with and without."""
    gone = going(monkeypatch)
    random = Random(seed)
    life = Life(*held[random.choice(list(VEHICLES))], seed)
    kept: tuple[Checkpoint, ...] = ()
    at_us, counts = END_US - int((DAYS - random.uniform(5, 40)) * DAY_US), [0, 0]
    while at_us < END_US:
        life.goes_on(at_us)
        asked_us = at_us if random.random() < 0.8 else at_us - int(random.uniform(0, 30) * DAY_US)  # or of a time past
        messages, work = life.by(at_us), tuple(life.work)
        results = []
        for n, known in enumerate((Checkpoints(kept), None)):
            gone.clear()
            results.append(analyse(messages, life.setups, asked_us, None, work, checkpoints=known))
            counts[n] += len(gone)
        assert not differing(*results)
        if asked_us == at_us and results[0].checkpoints is not None:
            kept = results[0].checkpoints
        at_us += int(random.expovariate(1 / 6) * DAY_US)
    return counts[0], counts[1]


@settings(max_examples=2, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32))
def test_what_is_known_changes_no_answer(held: Any, monkeypatch: Any, seed: int) -> None:
    """Messages late, lost for good and in any order, work and sheets of days long past, questions of times past."""
    lived(held, seed, monkeypatch)


@pytest.mark.long
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32))
def test_what_is_known_changes_no_answer_in_many_lives(held: Any, monkeypatch: Any, seed: int) -> None:
    """The same, many times."""
    lived(held, seed, monkeypatch)


def test_news_goes_through_a_few_rows(
    held: dict[str, tuple[Messages, tuple[Setup, ...]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """News twice a day for ten days: all readings are gone through the first time only, and then those of three to seventeen days."""
    gone = going(monkeypatch)
    messages, setups = held["HS-101"]
    known, numbers = Checkpoints(), []
    for at_us in range(END_US - 10 * DAY_US, END_US, 12 * HOUR_US):
        gone.clear()
        analyse(messages, setups, at_us, checkpoints=known)
        numbers.append(len(gone))
    a_day = len(messages.levels) / DAYS
    assert numbers[0] > 90 * a_day
    assert max(numbers[1:]) < 20 * a_day


def test_a_state_is_taken_up_only_where_all_it_rests_on_is_the_same(
    held: dict[str, tuple[Messages, tuple[Setup, ...]]],
) -> None:
    """One reading long ago, a constant of the sheet, or a setting: another digest of what rests on it."""
    messages, setups = held["HS-101"]
    put_down = analyse(messages, setups, END_US).checkpoints
    assert put_down
    assert len({one.digest for one in put_down}) == len(put_down)
    assert analyse(messages, setups, END_US, checkpoints=Checkpoints(put_down)).checkpoints is None
    off, pressed = messages.levels.level_pct.copy(), messages.cycles.peak_kpa.copy()
    off[40] += 0.1
    pressed[40, 2] += 1.0
    moved = replace(messages, levels=replace(messages.levels, level_pct=off))
    higher = replace(messages, cycles=replace(messages.cycles, peak_kpa=pressed))
    smaller = tuple(structs.replace(one, reservoir_l=one.reservoir_l - 0.1) for one in setups)
    more = replace(DEFAULTS, use_readings=DEFAULTS.use_readings + 1)
    for steps, other in (
        ({"level"}, analyse(moved, setups, END_US, checkpoints=Checkpoints(put_down))),
        ({"pressure"}, analyse(higher, setups, END_US, checkpoints=Checkpoints(put_down))),
        ({"level", "pressure"}, analyse(messages, smaller, END_US, checkpoints=Checkpoints(put_down))),
        ({"level", "pressure"}, analyse(messages, setups, END_US, settings=more, checkpoints=Checkpoints(put_down))),
    ):  # fmt: skip
        assert other.checkpoints is not None
        digests = {one.digest for one in put_down}
        assert not steps & {one.step for one in other.checkpoints if one.digest in digests}


def test_a_damaged_state_is_none(held: dict[str, tuple[Messages, tuple[Setup, ...]]]) -> None:
    """The analysis begins anew; whatever is wrong with it."""
    messages, setups = held["HS-101"]
    whole = analyse(messages, setups, END_US)
    assert whole.checkpoints
    evil = zlib.compress(pickle.dumps([print]))
    for damaged in (b"", b"nothing", whole.checkpoints[0].state[:-9], evil):
        known = Checkpoints([replace(one, state=damaged) for one in whole.checkpoints])
        assert not differing(analyse(messages, setups, END_US, checkpoints=known), whole)


def test_a_state_can_be_made_of_nothing_but_numbers_and_classes_of_the_analysis() -> None:
    """Whoever can write into the database runs no code by it."""
    for evil in (print, Path, np.load, tempfile.mkdtemp, analyse):
        with pytest.raises(pickle.UnpicklingError, match="is no state"):
            checkpoints._States(io.BytesIO(pickle.dumps([{"a": evil}]))).load()


@pytest.mark.parametrize(
    "told", [("O", (1,), b"12345678"), ("<f8", (2,), b"1"), ("|b1", (9,), b"1"), ("none", (), b""), 5]
)
def test_no_array_is_made_of_what_is_none(told: Any) -> None:
    """Objects, or other than the bytes that it takes."""

    class Told(pickle.Pickler):
        def persistent_id(self, value: Any) -> Any:
            return told if value == "array" else None

    made = io.BytesIO()
    Told(made).dump([{"a": "array"}])
    with pytest.raises(pickle.UnpicklingError, match="no array of numbers"):
        checkpoints._States(io.BytesIO(made.getvalue())).load()


def test_arrays_are_taken_up_as_they_were_put_down() -> None:
    """Of any numbers and shape; they can be written to."""
    draw = np.random.default_rng(1)
    arrays = [
        draw.normal(size=(3, 4)),
        draw.random((5, 3)) < 0.5,
        np.arange(3),
        np.zeros((0, 2), np.float32),
        np.zeros((0, 2), bool),
    ]
    states = checkpoints._loaded(checkpoints._dumped([{"arrays": arrays}]))
    assert states is not None
    assert in_bits(states[0]["arrays"]) == in_bits(arrays)
    assert all(one.flags.writeable for one in states[0]["arrays"])


def test_states_are_small(held: dict[str, tuple[Messages, tuple[Setup, ...]]]) -> None:
    """Both weeks' together: below a twentieth of what a database takes for the messages, some 150 bytes each."""
    for messages, setups in held.values():
        put_down = analyse(messages, setups, END_US).checkpoints
        assert put_down is not None
        rows = sum(len(rows) for rows in vars(messages).values())
        assert sum(len(one.state) for one in put_down) < 150 * rows / 20
