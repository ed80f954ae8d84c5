"""Level readings as arrays: the tilt's share and the sensor's bend taken out, and what the sheet says was used until each."""

import math
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analytics.settings import Settings
from analytics.vehicle.checkpoints import Checkpoints, Runs, Stateful, Walk
from analytics.vehicle.cycles import Audit
from analytics.vehicle.history import History
from analytics.vehicle.level.bend import Bend, straightened
from analytics.vehicle.level.offset import Offset, put_right, turns_of
from analytics.vehicle.level.still import coarsest_step, still_runs
from ingest.arrays import Floats, Ints
from ingest.times import HOUR_US

LEAST_PCT: Final = -2.0  # no sound sensor reads below
MOST_PCT: Final = 120.0
DRAWS_AIR_PCT: Final = 4.0  # so far below the low mark cycles need not take grease any more
_LARGEST_STEP_PCT: Final = 34.0  # a sensor of three marks; two readings far apart are mostly a fill
_FINE_PCT: Final = 0.45  # steps below this are finer than anything that is judged here
_STEP_READINGS: Final = 60  # that tell the step surely
_STEP_VALUES: Final = 4  # that they say at least
_WILD_APART: Final = 20  # readings; two wild ones hardly lie closer together
_FINEST_PCT: Final = 0.01
_ROUNDING_PCT: Final = 0.15  # by which readings of a step of a third or an eighth are rounded
_LATEST_RUNS: Final = 20
_LONGEST_RUN: Final = 3.0  # times the registered run time that a cycle may pump
_SHORTEST_RUN: Final = 0.01  # of the registered one, in the middle: of shorter ones no date can be told
STOOD_H: Final = 0.75  # a stop in which somebody may have filled it
_PASSING_H: Final = 0.15  # and one in which somebody may have added a little (common practice, no source)


@dataclass(frozen=True)
class SheetUse:
    """Percent of the reservoir that each cycle used by the sheet, arrays (cycles,): with the cycles before it whose messages
    were lost, those alone, and all up to it."""

    by_cycle: Floats
    by_lost: Floats
    total: Floats


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Readings taken while the set-up has a sensor; arrays and lists of shape (readings,)."""

    at_us: Ints
    raw_pct: Floats
    level_pct: Floats  # the tilt's share, the sensor's bend and what it is off by taken out
    bends: list[Bend]  # as known by each
    offsets: list[Offset]  # by which the sensor reads high or low, as it is known
    used_pct: Floats  # by the sheet until each
    known_us: Ints  # when it was known what had been used until it
    heard_row: Ints  # how many times anything was heard up to each
    cycles_before: list[int]
    draws: list[bool]  # whether the pump surely draws grease at such a level
    refitted: list[bool]  # with this reading there is a sensor again, or another one
    starts_anew: list[bool]  # nothing before it tells where the level is
    alike: list[int]  # readings in a row, up to each, that say the same
    unmoved: list[bool]  # the sensor has shown nothing else since it was fitted
    step_pct: list[float]  # in which the sensor reads, as known by each; 0: too fine to matter
    stops: list[int]  # stops before each in which somebody may have topped up

    def __len__(self) -> int:
        return len(self.at_us)

    def columns(self) -> tuple[NDArray[Any], ...]:
        """What is known with each reading, arrays (readings,)."""
        runs = (self.alike, self.unmoved)
        lists = (self.cycles_before, self.draws, self.refitted, self.starts_anew, *runs, self.step_pct, self.stops)
        return (self.raw_pct, self.level_pct, self.used_pct, self.known_us, *map(np.asarray, lists))

    def turns(self) -> tuple[Ints, tuple[NDArray[Any], ...]]:
        """When it was told that the sensor steps or drifts, and from which reading on it does which."""
        told = [(one.first, one.drifts) for one in self.offsets]
        return self.at_us[[one.known for one in self.offsets]], (np.array(told),)

    def stepped_us(self, j: int) -> set[int]:
        """When the sensor stepped, as reading `j` told: no fill."""
        return {int(self.at_us[one.first]) for one in self.offsets if one.known == j and not one.drifts}


def percent_of_reservoir(cm3: float, reservoir_l: float) -> float:
    """An amount of grease in percent of the volume at the full mark."""
    return cm3 / (reservoir_l * 1000) * 100


def cannot_be(level_pct: float) -> bool:
    """Whether no reservoir is so empty or so full."""
    return level_pct < LEAST_PCT or level_pct > MOST_PCT + 2


def sheet_use(history: History, audit: Audit) -> SheetUse:
    """What the sheet says was used with each cycle."""
    doses = np.array([percent_of_reservoir(s.dose_cm3, s.reservoir_l) for s in history.setups])
    c = history.cycles
    part = _run_parts(history)
    by_cycle = np.asarray(doses[history.setup_at(c.at_us)] * (part + audit.lost))
    by_lost = by_cycle * audit.lost / np.maximum(part + audit.lost, 1e-9)
    return SheetUse(by_cycle, by_lost, np.cumsum(by_cycle))


def run_ratio(history: History, settings: Settings) -> float:
    """Pump runs over the registered run time, the median of the latest; 1 where they agree with it."""
    latest = _run_parts(history)[-_LATEST_RUNS:]
    ratio = max(float(np.median(latest)), _SHORTEST_RUN) if len(latest) else 1.0
    return ratio if abs(ratio - 1) > settings.timer_mismatch else 1.0


def _run_parts(history: History) -> Floats:
    """(cycles,) pump run over the registered run time. What fires once gives no more in a longer run."""
    c = history.cycles
    most = np.array([1.0 if s.feed == "injector" else _LONGEST_RUN for s in history.setups])[history.setup_at(c.at_us)]
    return np.asarray(np.clip(c.run_s / history.run_s, 0, most), np.float64)


def used_until(history: History, use: SheetUse, at_us: Ints) -> Floats:
    """Percent of the reservoir used by the sheet until each time; cycles whose messages were lost lie spread over the
    ignition hours of their gap."""
    done = np.searchsorted(history.cycles.at_us, at_us, "right")
    used = np.r_[0.0, use.total][done]
    inside = (done > 0) & (np.r_[use.by_lost, 0.0][done] > 0)
    if not inside.any():
        return np.asarray(used)
    k = done[inside]
    gap_h = np.maximum(history.cycle_h[k] - history.cycle_h[k - 1], 1e-6)
    passed_h = np.interp(at_us[inside], history.heard_us, history.heard_h) - history.cycle_h[k - 1]
    used[inside] += use.by_lost[k] * np.clip(passed_h / gap_h, 0.0, 1.0)
    return np.asarray(used)


def readings_of(history: History, use: SheetUse, checkpoints: Checkpoints | None = None) -> Readings:
    """The readings that count, in order of time."""
    levels = history.levels
    fitted = history.said("level", levels.at_us) == "percent"
    at_us, raw = levels.at_us[fitted], levels.level_pct[fitted]
    used = used_until(history, use, at_us)
    level = _without_tilt(raw, levels.tilt_deg[fitted], used)
    kinds = np.array([setup.level for setup in history.setups])
    since = np.cumsum(np.r_[False, kinds[1:] != kinds[:-1]])[history.setup_at(at_us)]
    replaced = [w.at_us for w in history.work if w.kind == "sensor_replaced" and w.channel is None]
    since = since + np.searchsorted(np.array(replaced, np.int64), at_us, "right")
    refitted = np.diff(since, prepend=since[:1]) > 0
    heard_row = np.searchsorted(history.heard_us, at_us, "right")
    walk = Walk(at_us, history.as_of_us, checkpoints or Checkpoints())
    step = steps_of(raw, refitted.tolist(), walk)
    starts_anew = (_counted_anew(history, heard_row) | refitted).tolist()
    stops = stops_before(history, at_us).tolist()
    alike, unmoved = still_runs(raw, used, refitted.tolist())
    level, bends = straightened(level, used, starts_anew, step, walk)
    level, offsets = put_right(level, used, starts_anew, refitted.tolist(), step, stops, walk)
    for row in turns_of(offsets):
        starts_anew[row] = True
    # With the next cycle it is known what had been used, where messages before that were lost.
    following = np.searchsorted(history.cycles.at_us, at_us, "right")
    gap = np.r_[use.by_lost > 0, False][following]
    return Readings(
        at_us=at_us,
        raw_pct=raw,
        level_pct=level,
        bends=bends,
        offsets=offsets,
        used_pct=used,
        known_us=np.where(gap, np.r_[history.cycles.at_us, 0][following], at_us),
        heard_row=heard_row,
        cycles_before=np.searchsorted(history.cycles.at_us, at_us, "left").tolist(),
        draws=(level + np.array(step) / 2 > history.said("low_mark_pct", at_us) - DRAWS_AIR_PCT).tolist(),
        refitted=refitted.tolist(),
        starts_anew=starts_anew,
        alike=alike,
        unmoved=unmoved,
        step_pct=step,
        stops=stops,
    )


def stops_before(history: History, at_us: Ints) -> Ints:
    """How many stops that were long enough for somebody to top up in passing lie before each time."""
    heard_us, heard_h = history.heard_us, history.heard_h
    stood_h = np.diff(heard_us, prepend=heard_us[:1]) / HOUR_US - np.diff(heard_h, prepend=heard_h[:1])
    return np.asarray(np.r_[0, np.cumsum(stood_h > _PASSING_H)][np.searchsorted(heard_us, at_us, "right")], np.int64)


@dataclass
class StepEstimate:
    """The step in which a sensor reads, percent: the largest of which all its readings lie whole numbers apart. Two readings that
    do not fit make it finer, as one may be wild."""

    anchor: float = math.nan  # the first reading
    step: float = 0.0
    times: int = 0  # steps from the first reading to the one that tells the step best
    misfit: float = math.nan  # a reading that did not fit, and how many had been seen with it
    misfit_at: int = 0
    seen: int = 0
    values: list[float] = field(default_factory=list)  # different ones, as many as are needed

    @property
    def sure(self) -> bool:
        """Whether enough readings of different values were seen."""
        return self.seen >= _STEP_READINGS and len(self.values) >= _STEP_VALUES

    @property
    def pct(self) -> float:
        """As known by now; 0 where it is too fine to matter."""
        if self.step == 0.0:
            return coarsest_step(self.anchor)
        return min(self.step, _LARGEST_STEP_PCT) if self.step >= _FINE_PCT else 0.0

    def learn(self, value: float) -> None:
        """Take a reading in."""
        if not LEAST_PCT <= value <= MOST_PCT:
            return
        self.seen += 1
        if len(self.values) < _STEP_VALUES and value not in self.values:
            self.values.append(value)
        if math.isnan(self.anchor):
            self.anchor = value
        apart = abs(value - self.anchor)
        times = round(apart / self.step) if self.step else 0
        if self.step == 0.0:
            self.step, self.times = apart, 1
        elif abs(apart - times * self.step) <= _tolerance(self.step):
            if times > self.times:  # the further apart, the less the rounding of what is sent matters
                self.step, self.times = apart / times, times
        elif math.isnan(self.misfit) or self.seen - self.misfit_at > _WILD_APART:
            self.misfit, self.misfit_at = value, self.seen
        elif value != self.misfit:
            finer = _common(_common(self.step, apart), abs(self.misfit - self.anchor))
            self.step, self.times, self.misfit = finer, round(apart / finer), math.nan


def _tolerance(step: float) -> float:
    return _ROUNDING_PCT + 0.03 * step


def _common(a: float, b: float) -> float:
    """The largest step of which both are whole multiples."""
    a, b = max(a, b), min(a, b)
    while b >= _FINE_PCT:
        rest = abs(a - round(a / b) * b)
        if rest <= _tolerance(b):
            return b
        a, b = b, rest
    return _FINEST_PCT


def steps_of(raw: Floats, refitted: list[bool], walk: Walk) -> list[float]:
    """(readings,) the step as known by each reading; another sensor has another one."""
    learner, values = _Steps(), raw.tolist()
    for j in walk.rows("steps", (raw, np.array(refitted, bool)), learner):
        learner.read(j, values[j], refitted[j])
    steps: list[float] = np.array(learner.pct.values)[learner.pct.places(len(raw))].tolist()
    return steps


class _Steps(Stateful):
    """The step is learned afresh all the while, so that wild readings do not stay in it for good."""

    def __init__(self) -> None:
        self.estimate, self.fresh = StepEstimate(), StepEstimate()
        self.pct: Runs[float] = Runs()

    def read(self, j: int, value: float, anew: bool) -> None:
        """Take a reading in."""
        if anew:
            self.estimate, self.fresh = StepEstimate(), StepEstimate()
        self.estimate.learn(value)
        self.fresh.learn(value)
        if self.fresh.sure:
            self.estimate, self.fresh = self.fresh, StepEstimate()
        self.pct.note(j, self.estimate.pct)


def _counted_anew(history: History, heard_row: Ints) -> NDArray[np.bool_]:
    """Whether cycles ran before each reading that nobody counted: those in a gap before another counter began."""
    if not len(heard_row):
        return np.zeros(0, bool)
    boot, at_us = history.heard_boot, history.heard_us
    began = np.r_[0, np.cumsum((boot[1:] != boot[:-1]) & (np.diff(at_us) > 2 * HOUR_US))]
    return np.asarray(np.r_[False, np.diff(began[heard_row - 1]) > 0], bool)


def _without_tilt(reading: Floats, tilt_deg: Floats, used: Floats) -> Floats:
    """Readings with the share of the tilt taken out, which is learned from how readings jump when the tilt does.

    The slope at each reading comes from the readings before it, shrunk towards none.
    """
    known = np.flatnonzero(~np.isnan(tilt_deg))
    if len(known) < 12:
        return reading.astype(np.float64)
    out = reading.astype(np.float64).copy()
    step = np.diff(reading[known]) + np.diff(used[known])
    turn = np.diff(tilt_deg[known])
    calm = np.abs(step) < 8  # a fill is no slosh
    tt, ts = np.cumsum(np.where(calm, turn**2, 0.0)), np.cumsum(np.where(calm, turn * step, 0.0))
    slope = np.r_[0.0, ts / (tt + 60.0)]
    out[known] -= np.clip(slope, -1.5, 1.5) * tilt_deg[known]
    return out
