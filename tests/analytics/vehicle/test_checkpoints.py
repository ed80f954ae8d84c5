"""An answer is the same to the bit whatever of earlier weeks is known, and news goes through a few rows only."""

import io
import pickle
import tempfile
import zlib
from collections.abc import Iterator, Sequence
from copy import deepcopy
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec import structs

from analytics.settings import DEFAULTS, Settings
from analytics.vehicle import checkpoints, cycles
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.checkpoints import Basis, Checkpoint, Checkpoints, Stateful
from analytics.vehicle.gaps import Gaps
from analytics.vehicle.history import History, build
from analytics.vehicle.level import tracker
from analytics.vehicle.level.readings import readings_of, sheet_use
from analytics.vehicle.pressure import Pressures
from ingest.arrays import Ints, Messages, Rows, chosen
from ingest.setups import Setup
from ingest.times import DAY_US, HOUR_US
from ingest.work import Work
from simulators.scenario import Trouble
from tests.analytics.vehicle.level.test_offset import off_by
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
AUDITED = {
    "HS-101": (Trouble("timer_mismatch", 90, 60, ratio=1.8), Trouble("timer_mismatch", 60, 40, ratio=1.4),
               Trouble("missed_cycles", 30, 12, variant="intermittent", ratio=0.5)),
    "HS-104": (Trouble("missed_cycles", 80, 45, variant="intermittent", ratio=0.7), Trouble("timer_mismatch", 40, ratio=0.6),
               Trouble("wrong_clock", 20, 18, ratio=30)),
    "HS-206": (Trouble("missed_cycles", 60, 30, variant="dead"), Trouble("wrong_clock", 70, 65, variant="reset"),
               Trouble("controller_replaced", 25, 24), Trouble("radio_gap", 35, 33), Trouble("timer_mismatch", 15, ratio=1.2)),
}  # fmt: skip


@pytest.fixture(scope="module")
def held() -> dict[str, tuple[Messages, tuple[Setup, ...]]]:
    """The messages and set-ups of vehicles whose levels show all sorts of things."""
    return told_of(VEHICLES)


@pytest.fixture(scope="module")
def audited() -> dict[str, tuple[Messages, tuple[Setup, ...]]]:
    """Those of vehicles whose cycles do."""
    return told_of(AUDITED)


def told_of(vehicles: dict[str, tuple[Trouble, ...]]) -> dict[str, tuple[Messages, tuple[Setup, ...]]]:
    """The messages and set-ups of vehicles that have such troubles."""
    sent = [one for name, troubles in vehicles.items() for one in arrivals(name, troubles, days=DAYS)]
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


def told_otherwise(messages: Messages, seed: int) -> Messages:
    """The same as other controllers would have told it: by a coarse meter, with a test button in use, beginning anew, or with a counter
    that leaps."""
    random, draw = Random(seed), np.random.default_rng(seed)
    cycles, kinds = messages.cycles, dict[str, Any]()
    pressed = draw.random(len(cycles)) < random.choice([0.0, 0.01, 0.3])
    leaps = np.where(draw.random(len(cycles)) < random.choice([0.0, 0.01]), draw.integers(-3, 200, len(cycles)), 0)
    cycles = replace(cycles, manual=np.where(pressed, 1.0, cycles.manual), cycle_no=cycles.cycle_no + leaps)
    begins_us = sorted(END_US - int(random.uniform(0, DAYS) * DAY_US) for _ in range(random.choice([0, 1, 2])))
    for begin_us in begins_us:
        since = cycles.at_us >= begin_us
        gone = cycles.cycle_no[since].min(initial=2**40) - 1
        cycles = replace(cycles, cycle_no=np.where(since, cycles.cycle_no - gone, cycles.cycle_no))
    step_h = random.choice([None, 1.0, 0.1, 0.05])
    for name, rows in {**vars(messages), "cycles": cycles}.items():
        boot = np.char.add(rows.boot, np.searchsorted(begins_us, rows.at_us, "right").astype(str))
        hours = rows.engine_h if step_h is None else np.floor(rows.engine_h / step_h) * step_h
        kinds[name] = replace(rows, boot=boot, engine_h=hours)
    return Messages(**kinds)


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
            interval_min = last.interval_min * self.random.choice([1.0, 1.0, 0.5, 1.2, 2.0])
            low_mark_pct = self.random.choice([10.0, 15.0, 25.0])
            changed = structs.replace(
                last, valid_from_us=since_us, low_mark_pct=low_mark_pct, interval_min=interval_min
            )
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


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32))
def test_what_is_known_changes_no_audit(audited: Any, seed: int) -> None:
    """The same of cycles alone, which controllers tell of in other ways; timers are set otherwise, and cycles missed."""
    random = Random(seed)
    messages, setups = audited[random.choice(list(AUDITED))]
    life = Life(told_otherwise(messages, seed), setups, seed)
    kept: tuple[Checkpoint, ...] = ()
    at_us = END_US - int((DAYS - random.uniform(5, 40)) * DAY_US)
    while at_us < END_US:
        life.goes_on(at_us)
        history, known = build(life.by(at_us), life.setups, at_us), Checkpoints(kept)
        assert in_bits(cycles.analyse(history, DEFAULTS, known)) == in_bits(cycles.analyse(history, DEFAULTS))
        kept = known.to_keep(at_us) or kept
        at_us += int(random.expovariate(1 / 4) * DAY_US)


class Watched(Checkpoints):
    """Now and then has parts that have done nothing yet go on from what those that are walked with would put down: they hold the same.
    Notes which parts of states there are, and which were something else at some time than at first."""

    def __init__(self) -> None:
        super().__init__()
        self.names, self.moved, self.looked_us = set[tuple[str, str]](), set[tuple[str, str]](), 0

    def walk(self, step: str, basis: Basis, parts: Sequence[Stateful], row_us: Ints, as_of_us: int) -> Iterator[int]:
        del basis, as_of_us
        new = deepcopy(list(parts))
        first = [part.state() for part in new]
        self.names |= {(step, name) for begun in first for name in begun}
        for i in range(len(row_us)):
            yield i
            if i % 19 == 0:
                states, others = (
                    checkpoints._loaded(checkpoints._dumped([part.state() for part in parts])),
                    deepcopy(new),
                )
                assert states is not None
                self.looked_us = max(self.looked_us, *(part.looked_us for part in parts), 0)
                for other, state, begun in zip(others, states, first, strict=True):
                    self.moved |= {(step, name) for name in begun if repr(state[name]) != repr(begun[name])}
                    other.go_on(state)
                assert [inside(one, i + 1) for one in others] == [inside(one, i + 1) for one in parts]


def inside(part: Stateful, number: int) -> dict[str, str]:
    """All that a part holds, of lists the first so many; what follows from what it rests on is in it too."""
    whole = (Stateful, History, Settings, Gaps)
    held = {name: value for name, value in vars(part).items() if not isinstance(value, whole)}
    return {name: repr(value[:number] if isinstance(value, list) else value) for name, value in held.items()}


def test_what_goes_on_from_a_state_holds_all_that_was_held(audited: Any) -> None:
    """Each part of the state is something else at some time than at first, so that none can be left out."""
    watched = Watched()
    for seed, (messages, setups) in enumerate(audited.values()):
        history, watched.looked_us = build(told_otherwise(messages, seed), setups, END_US), 0
        audit = cycles.analyse(history, DEFAULTS, watched)
        assert in_bits(audit) == in_bits(cycles.analyse(history, DEFAULTS))
        assert watched.looked_us in history.heard_us  # when a message told since when a cycle was due
        use = sheet_use(history, audit)
        assert in_bits(readings_of(history, use, watched)) == in_bits(readings_of(history, use))
    for off in (lambda day: 0.1 * day, lambda day: np.where((day >= 100) & (day < 200), 12.0, 0.0)):
        assert in_bits(off_by(off, 1, checkpoints=watched)) == in_bits(off_by(off, 1))
    assert {step for step, _ in watched.names} == {"cycles", "steps", "bends", "offsets"}
    assert watched.moved == watched.names


def test_news_goes_through_a_few_rows(
    held: dict[str, tuple[Messages, tuple[Setup, ...]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """News twice a day for ten days: all readings are gone through the first time only, and then those of about a day; and where one of
    five days ago comes late, once those since the end of a week before."""
    gone = going(monkeypatch)
    messages, setups = held["HS-101"]
    known, numbers = Checkpoints(), []
    for at_us in range(END_US - 10 * DAY_US, END_US, 12 * HOUR_US):
        gone.clear()
        analyse(messages, setups, at_us, checkpoints=known)
        numbers.append(len(gone))
    a_day = len(messages.levels) / DAYS
    assert numbers[0] > 90 * a_day
    assert max(numbers[1:]) < 3 * a_day
    gone.clear()
    late = replace(messages.levels, level_pct=messages.levels.level_pct.copy())
    late.level_pct[np.abs(late.at_us - (at_us - 5 * DAY_US)).argmin()] += 0.1
    analyse(replace(messages, levels=late), setups, at_us, checkpoints=known)
    assert numbers[-1] < len(gone) < 17 * a_day


def test_a_state_is_taken_up_only_where_all_it_rests_on_is_the_same(
    held: dict[str, tuple[Messages, tuple[Setup, ...]]],
) -> None:
    """One reading, pressure or counter long ago, a constant of the sheet, or a setting: another digest of what rests on it."""
    messages, setups = held["HS-101"]
    put_down = analyse(messages, setups, END_US).checkpoints
    assert put_down
    assert len({one.digest for one in put_down}) == len(put_down)
    steps, levels = {one.step for one in put_down}, {"steps", "bends", "offsets", "level"}
    assert steps == {"cycles", "pressure", *levels}
    assert analyse(messages, setups, END_US, checkpoints=Checkpoints(put_down)).checkpoints is None
    off, pressed = messages.levels.level_pct.copy(), messages.cycles.peak_kpa.copy()
    off[40] += 0.1
    pressed[40, 2] += 1.0
    moved = replace(messages, levels=replace(messages.levels, level_pct=off))
    higher = replace(messages, cycles=replace(messages.cycles, peak_kpa=pressed))
    number = messages.cycles.cycle_no.copy()
    number[40] += 1
    counted = replace(messages, cycles=replace(messages.cycles, cycle_no=number))
    smaller = tuple(structs.replace(one, reservoir_l=one.reservoir_l - 0.1) for one in setups)
    more = replace(DEFAULTS, use_readings=DEFAULTS.use_readings + 1)
    for other, touched in (
        (analyse(moved, setups, END_US, checkpoints=Checkpoints(put_down)), levels),
        (analyse(higher, setups, END_US, checkpoints=Checkpoints(put_down)), {"pressure"}),
        (analyse(counted, setups, END_US, checkpoints=Checkpoints(put_down)), {"cycles"}),
        (analyse(messages, smaller, END_US, checkpoints=Checkpoints(put_down)), steps - {"steps"}),
        (
            analyse(messages, setups, END_US, settings=more, checkpoints=Checkpoints(put_down)),
            {"cycles", "level", "pressure"},
        ),
    ):
        assert other.checkpoints is not None
        same = {one.digest for one in other.checkpoints} & {one.digest for one in put_down}
        assert not touched & {one.step for one in put_down if one.digest in same}


def test_a_digest_is_the_same_whatever_was_asked_before() -> None:
    """Rows are taken in as time goes on, and anew where it goes back."""
    at_us, rng = np.arange(0, 50, 2, dtype=np.int64), np.random.default_rng(3)
    columns = rng.normal(size=(25, 3)), rng.random(25) < 0.5, np.array(list("abcde") * 5)

    def basis() -> Basis:
        return Basis(("of what is constant",), ((at_us, columns), (at_us[::3], (at_us[::3],))))

    asked = basis()
    for until_us in (7, 20, 20, 48, 3, 100, -1, 30):
        assert asked.digest(until_us) == basis().digest(until_us), until_us
    apart = {basis().digest(until_us) for until_us in range(0, 50, 2)}
    assert len(apart) == 25


def test_a_state_that_rests_on_what_came_later_is_not_put_down() -> None:
    """What has looked beyond an end is put down at the next."""
    day = np.arange(0, 60, dtype=np.int64) * DAY_US
    part, known = Stateful(), Checkpoints()
    ends_us = checkpoints._ends(60 * DAY_US)
    part.looked_us = ends_us[0] + 1
    assert list(known.walk("one", Basis((), ((day, ()),)), [part], day, 60 * DAY_US)) == list(range(60))
    assert [one.until_us for one in known.to_keep(60 * DAY_US) or ()] == ends_us[1:]


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
    """All that is kept: below a twentieth of what a database takes for the messages, some 150 bytes each."""
    for messages, setups in held.values():
        put_down = analyse(messages, setups, END_US).checkpoints
        assert put_down is not None
        rows = sum(len(rows) for rows in vars(messages).values())
        assert sum(len(one.state) for one in put_down) < 150 * rows / 20
