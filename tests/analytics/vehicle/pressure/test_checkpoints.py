"""What pressures tell is the same to the bit whatever of earlier weeks is known, and news goes through a few rows only."""

from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.settings import DEFAULTS
from analytics.vehicle import checkpoints, pressure
from analytics.vehicle.checkpoints import Checkpoint, Checkpoints
from analytics.vehicle.pressure import LEAST_TOLD, Pressures, following
from analytics.vehicle.pressure.sister_lines import SisterChannel, tubes_of
from ingest.setups import Setup
from ingest.times import DAY_US, HOUR_US
from ingest.work import Work
from tests.analytics.vehicle.test_checkpoints import in_bits
from tests.helpers.pressures import START_US, Drive, drive, history, line, setup, work

DAYS = 230
END_US = START_US + DAYS * DAY_US


class Life:
    """A vehicle whose lines break and are mended, whose messages come when they will, and what people did and registered."""

    def __init__(self, seed: int) -> None:
        self.random, draw = Random(seed), np.random.default_rng(seed)
        self.made = drive(DAYS, self.random.choice([1, 1, 2, 3, 6]), seed)
        self.temperature = self.random.random() < 0.6
        names = self.made.channels
        self.fills_us: list[int] = []
        for _ in range(self.random.randint(1, 5)):
            self._trouble()
        lines = tuple(line(n, name, 5.0 + n % 3) for n, name in enumerate(names, 1))
        self.setups: tuple[Setup, ...] = (setup(names, lines),)
        own = self.made.log_kpa[:100].mean(axis=0)
        self.sisters = [
            SisterChannel(
                tubes_of(self.setups[0], name), float(own[j] + draw.normal(self.random.choice([0, 0, 0.9]), 0.1))
            )
            for j, name in enumerate(names)
            for _ in range(4)
        ]
        rows = len(self.made.at_us)
        by_days = np.where(draw.random(rows) < 0.02, draw.exponential(5.0, rows), 0.0)
        self.late_us = self.made.at_us + by_days * DAY_US
        self.fills_us += draw.choice(self.made.at_us, 4).tolist()
        self.work: list[Work] = []

    def _trouble(self) -> None:
        """A line that is blocked or open, at once or slowly; a sensor that stands still or is dead; air; other grease; wild readings."""
        random, made = self.random, self.made
        first = random.randrange(150, len(made.at_us) - 60)
        rows = slice(first, first + random.choice([12, 40, 200, 2000]))
        j, number = random.randrange(len(made.channels)), len(made.log_kpa[rows])
        kind = random.choice(["sudden", "sudden", "creeping", "air", "stuck", "dead", "grease", "wild"])
        if kind == "sudden":
            made.log_kpa[rows, j] += random.choice([-1.2, -0.7, 0.45, 0.6, 1.0])
        elif kind == "creeping":
            made.log_kpa[rows, j] += random.choice([-1.0, 0.7]) * np.linspace(0, 1, number)
        elif kind == "air":
            made.log_kpa[rows] -= 1.4 + 0.3 * made.rng.standard_normal((number, 1))
        elif kind == "stuck":
            made.log_kpa[rows, j] = made.log_kpa[first, j]
        elif kind == "dead":
            made.log_kpa[rows, j] = np.nan
        elif kind == "grease":
            made.log_kpa[rows] += random.choice([-0.3, 0.3])
            self.fills_us.append(int(made.at_us[first]) - 1)
        else:
            made.log_kpa[first:, j] += 0.8 * (made.rng.random(len(made.log_kpa) - first) < 0.05)

    def goes_on(self, at_us: int) -> None:
        """Now and then somebody does something, or registers another sheet; perhaps of a time long past."""
        random, names = self.random, self.made.channels
        begin_us = at_us - int(random.expovariate(1 / 5) * DAY_US)
        what = random.random()
        if what < 0.3:
            kind = random.choice(["filled", "sensor_replaced", "line_mended", "line_mended", "relined"])
            more: dict[str, Any] = {"litres": 2.0} if kind == "filled" else {"lines": (random.randint(1, len(names)),)}
            if kind == "sensor_replaced":
                more = {"channel": random.choice(names)}
            self.work = sorted([*self.work, work(begin_us, kind, **more)], key=lambda one: one.at_us)
        elif what < 0.4 and self.work and random.random() < 0.5:
            self.work.remove(random.choice(self.work))
        elif what < 0.45:
            j, last = random.randrange(len(names)), self.setups[-1]
            lines = (*last.lines[:j], line(j + 1, names[j], random.choice([2.0, 9.0])), *last.lines[j + 1 :])
            since_us = max(begin_us, (last.valid_from_us or 0) + HOUR_US)
            self.setups = (*self.setups, setup(names, lines, since_us))
        elif what < 0.5:
            self.fills_us = [*self.fills_us, begin_us]

    def told(self, at_us: int, known: Checkpoints | None) -> Pressures:
        """What its pressures tell by what has come."""
        made, come = self.made, (self.late_us <= at_us) & (self.made.at_us <= at_us)
        heard = Drive(
            made.at_us[come], made.day[come], made.ignition_h[come], made.temp_c[come], made.log_kpa[come], made.rng, self.work
        )  # fmt: skip
        past = history(heard, self.setups, at_us, self.temperature)
        fills_us = tuple(one for one in self.fills_us if one <= at_us)
        return pressure.analyse(past, fills_us, DEFAULTS, self.sisters, known)


def gone_through(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The readings that are gone through from now on."""
    block, gone = following.Following._block, list[int]()

    def noted(self: following.Following, a: int, b: int) -> None:
        gone.extend(range(a, b))
        block(self, a, b)

    monkeypatch.setattr(following.Following, "_block", noted)
    return gone


def in_all(told: Pressures) -> list[Any]:
    """All that can be asked of it, in bits; what lists ask first."""
    latest = [told.latest(j, LEAST_TOLD) for j in range(len(told.channels))]
    latest += [told.latest(j, 200, with_grease=True) for j in range(len(told.channels))]
    return [in_bits(latest), in_bits(told), in_bits(told.ratio)]


def lived(seed: int, monkeypatch: pytest.MonkeyPatch) -> tuple[int, int]:
    """A life, analysed now and then with and without what was known before: readings gone through with and without."""
    gone, random, life = gone_through(monkeypatch), Random(seed), Life(seed)
    kept: tuple[Checkpoint, ...] = ()
    at_us, counts = START_US + int(random.uniform(40, 120) * DAY_US), [0, 0]
    while at_us < START_US + DAYS * DAY_US:
        life.goes_on(at_us)
        asked_us = at_us if random.random() < 0.85 else at_us - int(random.uniform(0, 25) * DAY_US)  # or of a time past
        told = []
        for n, known in enumerate((Checkpoints(kept), Checkpoints())):
            gone.clear()
            told.append(life.told(asked_us, known))
            counts[n] += len(gone)
            if n == 0 and asked_us == at_us:
                kept = known.to_keep(asked_us) or kept
        assert in_all(told[0]) == in_all(told[1])
        at_us += int(random.expovariate(1 / 4) * DAY_US)
    return counts[0], counts[1]


@settings(max_examples=2, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32))
def test_what_is_known_changes_no_answer(monkeypatch: Any, seed: int) -> None:
    """Faults of all sorts on one to six channels, messages late, work, fills and sheets of days long past or taken back, with a
    thermometer and without."""
    lived(seed, monkeypatch)


@pytest.mark.long
@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32))
def test_what_is_known_changes_no_answer_in_many_lives(monkeypatch: Any, seed: int) -> None:
    """The same, many times."""
    lived(seed, monkeypatch)


def test_news_goes_through_a_few_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    """News once a day for ten days, of six channels of which one has been dead for months: what lists ask takes the readings of a few
    weeks; only who asks for all ratios has all gone through."""
    made = drive(DAYS, 6, 1)
    made.log_kpa[len(made.at_us) // 2 :, 3] = np.nan
    gone, known, numbers = gone_through(monkeypatch), Checkpoints(), []
    for days in range(DAYS - 10, DAYS):
        gone.clear()
        past = history(made, as_of_us=START_US + days * DAY_US)
        told = pressure.analyse(past, (), DEFAULTS, (), known)
        assert [len(told.latest(j, LEAST_TOLD)[0]) for j in range(6)] == 6 * [LEAST_TOLD]
        assert [len(told.latest(j, 200, with_grease=True)[0]) for j in (0, 1, 2, 4, 5)] == 5 * [200]
        numbers.append(len(gone))
    assert numbers[0] > 1500
    assert max(numbers[1:]) < 450
    assert np.isfinite(told.ratio[50, 3])
    assert len(gone) > numbers[0]


def test_what_is_looked_back_on_further_than_a_state_holds_is_gone_through_anew(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A fault that crept in and is found after the state: when it began may lie long before."""
    made = drive(DAYS, 6, 2)
    made.log_kpa[-600:, 2] += np.linspace(0, 0.49, 600)
    end_us = int(made.at_us[-1]) + HOUR_US
    known, gone = Checkpoints(), gone_through(monkeypatch)
    pressure.analyse(history(made, as_of_us=end_us - 12 * DAY_US), (), DEFAULTS, (), known)
    gone.clear()
    told = pressure.analyse(history(made, as_of_us=end_us), (), DEFAULTS, (), known)
    assert [one.kind for one in told.episodes] == ["blocked_line"]
    assert gone.count(0) == 1
    assert in_all(told) == in_all(pressure.analyse(history(made, as_of_us=end_us), (), DEFAULTS))


def state_of(made: Drive) -> int:
    """The reading that the latest state goes on with."""
    known = Checkpoints()
    pressure.analyse(history(made, as_of_us=END_US), (), DEFAULTS, (), known)
    states = checkpoints._loaded((known.to_keep(END_US) or ())[-1].state)
    assert states is not None
    return int(states[0]["done"])


def told_alike(made: Drive, fills_us: tuple[int, ...] = ()) -> Pressures:
    """What pressures tell, the same when it is gone on from the latest state."""
    past, known = history(made, as_of_us=END_US), Checkpoints()
    whole = pressure.analyse(past, fills_us, DEFAULTS, (), known)
    kept = Checkpoints(known.to_keep(END_US) or ())
    assert in_all(pressure.analyse(past, fills_us, DEFAULTS, (), kept)) == in_all(whole)
    return whole


def test_a_fill_whose_grade_shows_by_readings_on_either_side_of_a_state() -> None:
    """Of a lone channel: ten readings before the fill and ten after it, of which the state has gone through some."""
    done = state_of(drive(DAYS, 1, 4))
    for row in range(done - 18, done + 8, 5):
        made = drive(DAYS, 1, 4)
        made.log_kpa[row:] += 0.35
        told = told_alike(made, (int(made.at_us[row]) - 1,))
        assert np.median(told.latest(0, LEAST_TOLD)[0]) == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("begin", [-900, -40, -4, -2, 1])
@pytest.mark.parametrize("end", [-3, -1, 2, 6, 40])
@pytest.mark.parametrize("mended", [None, -9, 3])
def test_findings_about_a_state(begin: int, end: int, mended: int | None) -> None:
    """They begin and end a few readings before and after it, of a line and then of the whole pump; the line is mended meanwhile, and
    another on which nothing was found; they read otherwise from then on, the other for nine readings."""
    made = drive(DAYS, 4, 5)
    row = state_of(made)
    made.log_kpa[row + begin : row + end, 1] += 0.8
    made.log_kpa[row + begin + 1 : row + end + 1] -= 1.5 * (end % 2)
    if mended is not None:
        at_us = int(made.at_us[row + mended]) - 1
        made.work += [work(at_us, "line_mended", lines=(n,)) for n in (2, 3)]
        made.log_kpa[row + mended :, 1] -= 0.25
        made.log_kpa[row + mended : row + mended + 9, 2] += 0.5
    told_alike(made)


def test_states_are_small() -> None:
    """All that is kept takes an eightieth of what a database takes for the messages, some 250 bytes each with so many channels."""
    made = drive(DAYS, 24, 3)
    known = Checkpoints()
    pressure.analyse(history(made), (), DEFAULTS, (), known)
    put_down = known.to_keep(int(made.at_us[-1]) + HOUR_US)
    assert put_down is not None
    assert sum(len(one.state) for one in put_down) < 250 * len(made.at_us) / 80
