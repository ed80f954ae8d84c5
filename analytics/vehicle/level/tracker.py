"""The level followed from reading to reading: what fits, what is slosh, what is a fill; each by what came before it only."""

import math
from dataclasses import dataclass
from typing import Any, ClassVar, Final

import numpy as np

from analytics.findings import Episode, joined
from analytics.settings import Settings
from analytics.vehicle.checkpoints import Basis, Checkpoints, Stateful
from analytics.vehicle.cycles import Audit
from analytics.vehicle.history import History
from analytics.vehicle.level.bend import Bend
from analytics.vehicle.level.coarse import used_since_step
from analytics.vehicle.level.consumption import Consumption
from analytics.vehicle.level.fills import FillSeen, fill_time, measured, room_since_us
from analytics.vehicle.level.marks import Marks, by_switch
from analytics.vehicle.level.noise import Noise
from analytics.vehicle.level.offset import DOUBT_PCT
from analytics.vehicle.level.readings import cannot_be, readings_of, run_ratio, sheet_use
from analytics.vehicle.level.reservoir import Counted, Reservoir, at_length, counted_down, in_short
from analytics.vehicle.level.segments import Segment
from analytics.vehicle.level.sensor import Gaps, Sensor, off_by
from analytics.vehicle.level.unfitted import split
from ingest.times import DAY_US, HOUR_US

_FILLING_H: Final = 0.05  # nobody fills a reservoir in less


def analyse(history: History, audit: Audit, settings: Settings, checkpoints: Checkpoints | None = None) -> Reservoir:
    """Go through the readings in order; each is judged by what came before it only."""
    checkpoints = checkpoints or Checkpoints()
    return _Tracker(history, audit, settings, checkpoints).run(checkpoints)


@dataclass(frozen=True)
class _Doubt:
    """What stood before a fill that only one reading tells of."""

    low: Episode | None
    over: Episode | None


class _Tracker(Stateful):
    GIVEN: ClassVar = frozenset(
        "history settings dose_cm3 use readings fitted consumption sensor gaps marks noise segments".split()
    )

    def __init__(self, history: History, audit: Audit, settings: Settings, checkpoints: Checkpoints) -> None:
        self.history, self.settings, self.dose_cm3 = history, settings, history.setup.dose_cm3
        self.use = sheet_use(history, audit)
        self.readings = readings_of(history, self.use, checkpoints)
        self.fitted = (history.said("level", history.cycles.at_us) == "percent").tobytes()  # cycle by cycle
        self.ended: list[Episode] = []  # troubles that are over, in the order in which they ended
        self.consumption = Consumption(settings, self.ended)
        self.sensor = Sensor(settings, self.readings, self.ended)
        self.gaps = Gaps(history, audit, self.readings)
        self.marks = Marks(history, self.use, settings, self.ended)
        self.noise = Noise(settings.level_noise_pct)
        self.segments: list[Segment] = []
        self.fills: list[FillSeen] = []
        self.done = 0  # cycles by which the level was brought down
        self.counted: list[Counted] = []
        self.misfits: list[int] = []  # readings in a row that fit nothing
        self.above: list[int] = []  # readings in a row that lie above: a fill, if the next agrees
        self.pending = False  # a reading lies above: perhaps a fill
        self.rose = True  # whether the reading itself rose at the latest fill
        self.doubt: _Doubt | None = None

    def run(self, checkpoints: Checkpoints) -> Reservoir:
        """The whole history."""
        if all(setup.level != "percent" for setup in self.history.setups):
            return self._result()
        parts = (self, self.consumption, self.sensor, self.gaps, self.marks, self.noise)
        for j in checkpoints.walk("level", self._basis(), parts, self.readings.at_us, self.history.as_of_us):
            self._count_cycles(self.readings.cycles_before[j])
            missing = self.gaps.before(j)
            if missing is not None:
                self.ended.append(missing)
            stepped_us = self.readings.stepped_us(j)
            self.fills = [seen for seen in self.fills if seen.read_us not in stepped_us]
            self._read(j)
        self._count_cycles(len(self.history.cycles))
        self._end_of_readings()
        return self._result()

    def _basis(self) -> Basis:
        """All that the way up to a reading rests on."""
        history, r, c = self.history, self.readings, self.history.cycles
        return Basis(
            (history.setups, self.settings),
            (
                (history.heard_us, (history.heard_h, self.gaps.heard_h)),
                (history.heard_us[self.gaps.after_lost], ()),
                (c.at_us, (history.cycle_h, self.use.total)),
                (r.at_us, (*r.columns(), self.gaps.gap_h, self.gaps.with_cycle)),
                r.turns(),
            ),
        )

    def state(self) -> dict[str, Any]:
        """As it is put down; what a segment has of its readings follows from their rows."""
        segments = [segment.state() for segment in self.segments]
        return {**super().state(), "segments": segments, "counted": in_short(self.counted)}

    def go_on(self, state: dict[str, Any]) -> None:
        """Go on from what was put down."""
        r = self.readings
        columns = {
            "used": r.used_pct.tolist(), "reading": r.level_pct.tolist(), "at_us": r.at_us.tolist(), "run": r.stops, "draws": r.draws
        }  # fmt: skip
        segments = [Segment.of(one, columns) for one in state["segments"]]
        super().go_on({**state, "segments": segments, "counted": at_length(state["counted"])})

    # One reading ----------------------------------------------------------------------------------------------

    def _read(self, j: int) -> None:
        reading, used = float(self.readings.level_pct[j]), float(self.readings.used_pct[j])
        if not self.segments or self.readings.starts_anew[j]:
            self.segments.append(Segment(int(self.readings.at_us[j])))
            self.above, self.misfits, self.pending, self.doubt = [], [], False, None
        self.noise.step_pct = self.readings.step_pct[j]
        segment = self.segments[-1]  # after a stuck sensor the level before it is still what a fill is told by
        if self._is_stuck(j):
            return
        expected, support = segment.level(used, self.consumption.current_dose_ratio)
        if support == 0 and not cannot_be(reading):
            self.misfits = []
            self.sensor.end(int(self.readings.at_us[j]))
            self._take(j)
            return
        if self.doubt is not None and self._falls_back(j, reading - expected):
            segment = self.segments[-1]
            expected, support = segment.level(used, self.consumption.current_dose_ratio)
        miss = reading - max(expected, segment.floor)
        if cannot_be(reading) or self._far_below(miss, used - segment.used[-1]):
            self.misfits.append(j)
            self.above, self.pending = [], False
            enough = len(self.misfits) >= self.settings.level_sensor_needed
            if enough and not self.sensor.impossible(self.misfits) and support:
                self._fell()
            return
        if self.misfits and self.sensor.open is None:
            self.misfits = []
        rises = reading > segment.reading[-1] + max(2.0, 1.5 * self.noise.pct)
        # Of a sensor that has never moved nobody knows whether it would rise.
        if miss > self._fill_jump() and (rises or (self.rose and not self.readings.unmoved[j])):
            self._lies_above(j, miss, rises)
            return
        # A single reading that lay above was slosh: it counts for nothing.
        self.pending, self.above, self.misfits = False, [], []
        self.sensor.end(int(self.readings.at_us[j]))
        self._take(j)

    def _is_stuck(self, j: int) -> bool:
        """Whether the sensor is known to be stuck at this reading."""
        at_us = self.readings.at_us
        if self.sensor.stuck_pct is not None:
            if self.sensor.is_at(self.sensor.stuck_pct, j):
                return True
            self.sensor.end(int(at_us[j]))
            self.segments.append(Segment(int(at_us[j])))
            return False
        first = self.sensor.stuck_since(j, self.consumption.baseline_dose_ratio)
        if first is None:
            return False
        self.sensor.begin_stuck(first, j)
        # What the stuck readings said counts for nothing.
        self.consumption.withdraw(int(at_us[first]) - DAY_US)
        self.segments[-1].drop_since(int(at_us[first]))
        return True

    def _fill_jump(self) -> float:
        return self.noise.fill_jump(
            self.settings.fill_jump_pct, self.settings.level_noise_pct, self.segments[-1].bound_pct
        )

    def _far_below(self, miss: float, used_since: float) -> bool:
        """Whether a reading lies so far below the level that no noise explains it."""
        return miss < -max(12.0, 6 * self.noise.pct) - 0.4 * self.consumption.current_dose_ratio * used_since

    def _take(self, j: int) -> None:
        """Let a reading that fits count."""
        used, reading = float(self.readings.used_pct[j]), float(self.readings.level_pct[j])
        self.noise.learn(self.segments[-1], used, reading)
        self._append(j)
        if not self.readings.unmoved[j]:  # one that has never moved tells nothing of grease
            known_us = int(self.readings.known_us[j])
            self.consumption.learn(self.segments, used, known_us, self.noise.pct, self.dose_cm3)
        self._judge_marks(j)

    def _append(self, j: int) -> None:
        self.marks.read()
        r = self.readings
        self.segments[-1].add(
            j, float(r.used_pct[j]), float(r.level_pct[j]), int(r.at_us[j]),
            draws=r.draws[j], step_pct=r.step_pct[j], run=r.stops[j],
        )  # fmt: skip

    def _judge_marks(self, j: int) -> None:
        self.marks.at_reading(
            self.segments[-1], int(self.readings.at_us[j]), float(self.readings.used_pct[j]),
            self.consumption.current_dose_ratio, self.noise.pct, self.pending,
        )  # fmt: skip

    def _fell(self) -> None:
        """Readings moved like a level, only lower: grease went without a cycle. The level starts anew from there."""
        if self.sensor.open is not None:
            return
        r, misfits, consumption = self.readings, self.misfits, self.consumption
        first, last = misfits[0], misfits[-1]
        expected = self.segments[-1].level(float(r.used_pct[first]), consumption.current_dose_ratio)[0]
        fell = expected - float(np.median(r.level_pct[misfits]))
        stepped = self._stepped_back(misfits)
        self._start(int(r.at_us[first]), first)
        for k in misfits[1:]:
            self._append(k)
        if not stepped and consumption.open is None and fell > 3 * self.settings.use_excess_pct:
            between = np.searchsorted(self.history.cycles.at_us, r.at_us[[first, last]])
            cycles = max(1, int(between[1] - between[0]))
            setup, at_us = self.history.setup_of(int(r.at_us[last])), int(r.at_us[last])
            lost = Episode("reservoir_loss", None, int(r.at_us[first]), at_us, at_us)
            lost.evidence = {
                "cm3_per_cycle": round(fell * setup.reservoir_l * 10 / cycles, 2),
                "expected_cm3_per_cycle": round(consumption.baseline_dose_ratio * self.dose_cm3, 2),
            }
            self.ended.append(lost)
        misfits.clear()

    def _stepped_back(self, rows: list[int]) -> bool:
        """Whether these readings lie where the level would be without the latest fill: then there was none, but a sensor that read high
        for a while."""
        segment = self.segments[-1]
        if not self.fills or self.fills[-1].at_us != segment.start_us or len(self.segments) < 2:
            return False
        r, ratio, first = self.readings, self.consumption.current_dose_ratio, rows[0]
        before, support = self.segments[-2].level(float(r.used_pct[first]), ratio)
        if not support or abs(float(np.median(r.level_pct[rows])) - before) > self._fill_jump():
            return False
        high_pct = segment.level(float(r.used_pct[first]), ratio)[0] - before
        at_us, detected_us = self.fills.pop().read_us, int(r.at_us[rows[-1]])
        evidence = {"read_high_pct": round(high_pct, 1)}
        self.ended.append(Episode("level_sensor", None, at_us, detected_us, detected_us, evidence))
        return True

    # Fills ----------------------------------------------------------------------------------------------------

    def _lies_above(self, j: int, miss: float, rises: bool) -> None:
        """A reading above the level: a fill once the next agrees, or at once where it stood and much came in."""
        self.above.append(j)
        small = miss < max(2 * self.settings.fill_jump_pct, 8 * self.noise.pct)
        self.pending = len(self.above) < 2 and (small or not self._stood_before(j))
        if not self.pending:
            self._fill(self.above)
            # A reading that only failed to fall may hide a fill; two in a row show that little is used.
            self.rose = rises
            self.above, self.misfits = [], []
            self.sensor.end(int(self.readings.at_us[j]))

    def _stood_before(self, j: int) -> bool:
        """Whether the vehicle stood since the reading before: nobody fills it on the way."""
        before = int(self.readings.at_us[j - 1]) if j else 0
        inside = (self.history.heard_us >= before) & (self.history.heard_us <= self.readings.at_us[j])
        clock, hours = self.history.heard_us[inside] / HOUR_US, self.history.heard_h[inside]
        return len(clock) < 2 or float(np.max(np.diff(clock) - np.diff(hours))) > _FILLING_H

    def _falls_back(self, j: int, miss: float) -> bool:
        """Whether a fill that one reading told of was none: the next lies where the level was before."""
        doubt, self.doubt = self.doubt, None
        if doubt is None:
            return False
        used, reading = float(self.readings.used_pct[j]), float(self.readings.level_pct[j])
        before, support = self.segments[-2].level(used, self.consumption.current_dose_ratio)
        near = self._fill_jump()
        if not support or miss > -near or abs(reading - before) > near:
            return False
        self.segments.pop()
        self.fills.pop()
        self.marks.restore(doubt.low, doubt.over)
        return True

    def _fill(self, rows: list[int]) -> None:
        """A fill that the latest of these readings made certain; the first lies right after it."""
        r, first, latest = self.readings, rows[0], rows[-1]
        first_us, latest_us = int(r.at_us[first]), int(r.at_us[latest])
        self.doubt = _Doubt(self.marks.low, self.marks.over) if first == latest else None
        before, ratio = self.segments[-1], self.consumption.current_dose_ratio
        room_us = room_since_us(self.history, self.use, r, first, before, ratio)
        after_us = max(before.at_us[-1], room_us) if before.at_us else first_us
        self._start(fill_time(self.history, after_us, first_us), first)
        self.fills.append(FillSeen(self.segments[-1].start_us, first_us, latest_us, ratio))
        # Two readings far apart are two fills with one reading between them.
        apart = max(2 * self.settings.fill_jump_pct, 6 * self.noise.pct)
        if float(r.level_pct[latest] - r.level_pct[first]) > apart:
            self._start(fill_time(self.history, first_us, latest_us), latest)
            self.fills.append(FillSeen(self.segments[-1].start_us, latest_us, latest_us, ratio))
        elif latest != first:
            self._append(latest)
        segment, used = self.segments[-1], float(r.used_pct[latest])
        self.marks.end_low(segment, latest_us, segment.level(used, self.consumption.current_dose_ratio)[0])
        self._judge_marks(latest)

    def _start(self, at_us: int, j: int) -> None:
        """Begin a segment with reading `j`."""
        self.segments.append(Segment(at_us))
        self._append(j)

    # Between readings -----------------------------------------------------------------------------------------

    def _count_cycles(self, last: int) -> None:
        """Bring the level down by the cycles up to `last`, as far as there was a sensor."""
        first, self.done = self.done, max(self.done, last)
        if not self.segments or last <= first:
            return
        without = self.fitted.find(0, first, last)
        until = last if without < 0 else without
        if until > first:
            segment, ratio = self.segments[-1], self.consumption.current_dose_ratio
            unused, support = segment.level(0.0, ratio)
            if support:
                self.counted.append((first, until, unused, ratio))
                self.marks.count_down(segment, ratio, unused, (first, until), self.pending)
        if until < last:
            at_us = int(self.history.cycles.at_us[until])
            self._taken_off(self.history.setup_of(at_us).valid_from_us or at_us)

    def _taken_off(self, at_us: int) -> None:
        """What a sensor told of ends for everybody when it is there no more."""
        for trade in (self.sensor, self.consumption):
            if trade.open is not None:
                trade.end(max(at_us, trade.open.detected_us))
        self.marks.end(at_us)

    def _end_of_readings(self) -> None:
        setups = self.history.setups
        if not len(self.history.cycles):
            return
        until = max(n for n, setup in enumerate(setups) if setup.level == "percent")
        since = max((n for n, setup in enumerate(setups[:until]) if setup.level != "percent"), default=-1) + 1
        off_us = setups[until + 1].valid_from_us if until + 1 < len(setups) else None
        missing = self.gaps.at_end(off_us, setups[since].valid_from_us or 0)
        if self.sensor.open is None:
            self.sensor.open = missing
        if off_us is not None:
            self._taken_off(off_us)

    # The end --------------------------------------------------------------------------------------------------

    def _result(self) -> Reservoir:
        consumption, marks, ratio = self.consumption, self.marks, self.consumption.current_dose_ratio
        level, support, bound_pct, unseen = np.nan, 0, 0.0, 0.0
        end_used = float(self.use.total[-1]) if len(self.use.total) else 0.0
        for segment in reversed(self.segments):
            level, support = segment.level(end_used, ratio)
            bound_pct, unseen = segment.bound_pct, used_since_step(segment) if segment.coarse else 0.0
            if support:
                break
        last_reading = max((s.at_us[-1] for s in self.segments if s.at_us), default=None)
        last_used = max((s.used[-1] for s in self.segments if s.used), default=0.0)
        counted = (end_used - last_used + unseen) * ratio
        bend = self.readings.bends[-1] if len(self.readings) else Bend()
        sd = float(np.hypot(1.2 * self.noise.pct / np.sqrt(max(support, 1)), bend.doubt(level)))
        if any(one.back is None for one in self.readings.offsets):
            sd = float(np.hypot(sd, DOUBT_PCT))
        sd = float(np.hypot(sd, bound_pct / math.sqrt(3)))  # anywhere in what the step leaves open
        sd = float(np.hypot(sd, counted * max(consumption.dose_ratio_sd, 0.03)))
        known = support > 0 and last_reading is not None and self.history.setup.level == "percent"
        stands_still = self.sensor.stands_still
        stand, unfitted = split(self._found(), self.history.setups)
        return Reservoir(
            level_pct=float(np.clip(level, 0.0, 120.0)) if known and not stands_still else None,
            level_sd=sd,
            dose_ratio=ratio,
            baseline_dose_ratio=consumption.baseline_dose_ratio,
            dose_ratio_sd=float(np.hypot(consumption.dose_ratio_sd, 0.08 if consumption.open is not None else 0.0)),
            run_ratio=run_ratio(self.history, self.settings),
            fills=measured(self.history, self.use, self.segments, self.fills, consumption.baseline_dose_ratio),
            readings=self.readings,
            level_at_cycle_pct=counted_down(self.counted, self.use.total),
            used_pct=self.use.by_cycle,
            stands_still=stands_still,
            by_counting=bool(known and self.sensor.open is not None),
            read_us=None if stands_still else last_reading,
            low_since_us=marks.low.began_us if marks.low is not None else None,
            episodes=stand,
            unfitted=unfitted,
        )

    def _found(self) -> tuple[Episode, ...]:
        """Everything that was found, kind by kind."""
        lasting = (self.sensor.open, self.consumption.open, self.marks.over, self.marks.low)
        over = [*by_switch(self.history), *self.ended]
        everything = [*over, *(s for s in lasting if s is not None), *off_by(self.readings)]
        pause_us = int(self.settings.pause_h * HOUR_US)
        by_kind: list[Episode] = []
        for kind in ("low_level", "overfill", "level_sensor", "reservoir_loss", "under_delivery"):
            of_kind = [s for s in everything if s.kind == kind]
            by_kind += of_kind if kind in ("low_level", "overfill") else joined(of_kind, pause_us)
        return tuple(by_kind)
