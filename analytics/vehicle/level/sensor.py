"""Whether the level sensor can be trusted: readings that stand still, that cannot be, or that do not come."""

from bisect import bisect_left, insort
from typing import Any, ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Episode
from analytics.settings import Settings
from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.cycles import Audit
from analytics.vehicle.history import History
from analytics.vehicle.level.readings import LEAST_PCT, MOST_PCT, Readings, cannot_be
from analytics.vehicle.level.still import LEAST_JITTER_PCT, coarsest_step
from ingest.arrays import Floats, Ints
from ingest.times import HOUR_US

_STEPS_STILL: Final = 1.5  # steps of use over which a sound sensor may stand still
_STEPS_HIDDEN: Final = 2.5  # the same where a step is so large that a fill may hide in it
_COARSE_PCT: Final = 4.0  # from this step on readings that are alike are nothing odd
_NO_METER: Final = 0.2  # of the hours that the timer counted: a meter that shows less is none
_WITH_CYCLE_S: Final = 120.0  # beside the pump's run: so near a reading came with a cycle
_WITH_CYCLES: Final = 0.95  # of the readings, where the controller sends them with cycles only
_USUAL_READINGS: Final = 60  # the gaps before the latest tell the usual one
_FEW_READINGS: Final = 5  # before fewer nobody knows the usual gap
_LITTLE_KNOWN_H: Final = 40.0  # ignition hours without a reading that say something while the usual gap is not known


class Sensor(Stateful):
    """The sensor's troubles, noted as the readings come; `open` is the one that lasts."""

    GIVEN: ClassVar = frozenset(("settings", "readings"))

    def __init__(self, settings: Settings, readings: Readings, ended: list[Episode]) -> None:
        self.settings, self.readings, self.ended = settings, readings, ended
        self.open: Episode | None = None

    @property
    def stuck_pct(self) -> float | None:
        """Where it is stuck, if it is."""
        return None if self.open is None else self.open.evidence.get("stuck_pct")

    def end(self, at_us: int) -> None:
        """It tells the level again, or is there no more."""
        if self.open is not None:
            self.open.ended_us = at_us
            self.ended.append(self.open)
            self.open = None

    def stuck_since(self, j: int, dose_ratio: float) -> int | None:
        """The first of the readings up to `j` that stood still while the level fell; None where it may be right."""
        readings, settings = self.readings, self.settings
        if readings.alike[j] < settings.level_stuck_readings or cannot_be(float(readings.raw_pct[j])):
            return None
        first = j - readings.alike[j] + 1
        fell = float(readings.used_pct[j] - readings.used_pct[first]) * dose_ratio
        step = self._step_pct(j, first)
        still = step * (_STEPS_STILL if step < _COARSE_PCT else _STEPS_HIDDEN)
        return first if fell >= settings.level_stuck_pct + still else None

    def is_at(self, pct: float, j: int) -> bool:
        """Whether reading `j` still shows where it is stuck."""
        return abs(float(self.readings.raw_pct[j]) - pct) <= LEAST_JITTER_PCT or self.readings.unmoved[j]

    @property
    def stands_still(self) -> bool:
        """Whether it has never moved since it was fitted, although more was used than its step explains: it may be dead, or the reservoir
        filled while nobody could see it."""
        r, j = self.readings, len(self.readings) - 1
        if j < 0 or not r.unmoved[j] or cannot_be(float(r.raw_pct[j])):
            return False
        first = j - r.alike[j] + 1
        return float(r.used_pct[j] - r.used_pct[first]) >= self.settings.level_stuck_pct + self._step_pct(j, first)

    def _step_pct(self, j: int, first: int) -> float:
        """The step by reading `j`; where it has never moved since `first` no more than that value fits, whatever a wild one said."""
        step = self.readings.step_pct[j]
        return min(step, coarsest_step(float(self.readings.raw_pct[first]))) if self.readings.unmoved[j] else step

    def begin_stuck(self, first: int, j: int) -> None:
        """Note that it stands still since reading `first`."""
        if self.open is None:
            self.open = Episode("level_sensor", None, int(self.readings.at_us[first]), int(self.readings.at_us[j]))
        self.open.evidence = {"stuck_pct": float(self.readings.raw_pct[j])}

    def impossible(self, misfits: list[int]) -> bool:
        """Whether these latest readings, which fit no level expected, cannot be one; notes the beginning of it."""
        values = self.readings.raw_pct[misfits[-self.settings.level_sensor_needed :]]
        beyond = np.all((values < LEAST_PCT) | (values > MOST_PCT))
        alike = np.ptp(values) == 0 and self.readings.step_pct[misfits[-1]] < _COARSE_PCT
        frozen = alike or np.all(values <= 0.5)
        if not (beyond or frozen):
            return False
        if self.open is None:
            at_us = self.readings.at_us
            self.open = Episode("level_sensor", None, int(at_us[misfits[0]]), int(at_us[misfits[-1]]))
            self.open.evidence = {"reading_pct": float(values[-1])}
        return True


def off_by(readings: Readings) -> list[Episode]:
    """Stretches in which it reads high or low by so many points."""
    at_us = readings.at_us
    return [
        Episode(
            "level_sensor", None, int(at_us[one.first]), int(readings.known_us[one.known]),
            None if one.back is None else int(at_us[max(one.back, one.known)]),
            {"drifted_pct" if one.drifts else "stepped_pct": one.pct},
        )
        for one in readings.offsets
    ]  # fmt: skip


class Gaps(Stateful):
    """Readings that do not come: ignition hours without one, against the usual gap; where they come by the clock, whether it runs or not,
    they are not missing before the clock says so, too, and where they come with cycles only, not before so many cycles have run."""

    GIVEN: ClassVar = frozenset(
        ("history", "readings", "heard_h", "cycles_heard", "with_cycle", "gap_h", "after_lost", "_gaps_h")
    )

    def __init__(self, history: History, audit: Audit, readings: Readings) -> None:
        self.history, self.readings = history, readings
        self.heard_h = _heard_hours(history, audit)
        self.cycles_heard = np.searchsorted(history.cycles.at_us, history.heard_us, "right")
        self.with_cycle = _with_cycle(history, readings)
        rows = readings.heard_row
        self.gap_h = np.diff(self.heard_h[rows - 1], prepend=np.nan) if len(rows) else np.zeros(0)
        self.after_lost = _after_lost(history)
        self.latest: list[int] = []  # readings that tell the usual gap before one
        self._gaps_h: list[float] = []  # the gaps before them, the shortest first

    def go_on(self, state: dict[str, Any]) -> None:
        """Go on from what was put down."""
        super().go_on(state)
        self._gaps_h = sorted(self.gap_h[self.latest].tolist())

    def before(self, j: int) -> Episode | None:
        """The gap before a reading, if readings were missing in it."""
        readings = self.readings
        if j == 0 or readings.refitted[j]:
            return None
        began, end, gap_h = int(readings.at_us[j - 1]), int(readings.at_us[j]), float(self.gap_h[j])
        at = self._none_came(began, end, (self._limit_h(), *self._also())) if gap_h > self._limit_h() else None
        if len(self.latest) > _USUAL_READINGS:
            del self._gaps_h[bisect_left(self._gaps_h, float(self.gap_h[self.latest.pop(0)]))]
        self.latest.append(j)
        insort(self._gaps_h, gap_h)
        return None if at is None else Episode("level_sensor", None, began, at, end, {"missing_h": round(gap_h, 1)})

    def at_end(self, off_us: int | None, since_us: int) -> Episode | None:
        """Readings that stopped while the rest went on, or that never came, up to where the sensor was taken off (None: it is
        there), in the set-up from `since_us` on."""
        history, at_us = self.history, self.readings.at_us
        end_us = history.as_of_us + 1 if off_us is None else off_us
        start_us = max(int(at_us[-1] if len(at_us) else history.heard_us[0]), since_us)
        at = self._none_came(start_us, end_us, (self._limit_h(), *self._also()))
        if at is None:
            return None
        missing_h = self._heard_at(end_us) - self._heard_at(start_us)
        return Episode("level_sensor", None, start_us, at, evidence={"missing_h": round(missing_h, 1)})

    def _limit_h(self) -> float:
        """Four times the usual gap in hours of ignition, and what goes beyond it at times; while little is known, a long time."""
        if len(self.latest) < _FEW_READINGS:
            return _LITTLE_KNOWN_H
        middle, long = self._middle_and_long()
        return 4.0 * self._gaps_h[middle] + 0.5 * self._gaps_h[long] + 0.5

    def _also(self) -> tuple[float, int]:
        """Twice the usual gap by the clock, and what goes beyond it at times; and four times the usual number of cycles, 0 where readings
        do not come with them. While little is known, nothing."""
        if len(self.latest) < _FEW_READINGS:
            return 0.0, 0
        rows = np.array(self.latest)
        clock_h = sorted(((self.readings.at_us[rows] - self.readings.at_us[rows - 1]) / HOUR_US).tolist())
        middle, long = self._middle_and_long()
        ran = 0
        if self.with_cycle[rows].mean() >= _WITH_CYCLES:
            before = self.readings.cycles_before
            ran = 4 * sorted(before[j] - before[j - 1] for j in self.latest)[middle]
        return float(2.0 * clock_h[middle] + clock_h[long]), ran

    def _middle_and_long(self) -> tuple[int, int]:
        return len(self.latest) // 2, int(0.95 * (len(self.latest) - 1))

    def _none_came(self, after_us: int, before_us: int, limits: tuple[float, float, int]) -> int | None:
        """When between two times no reading had come for so many hours of ignition and by the clock, and so many cycles, of which no
        message was lost; None if never."""
        heard_us, (ignition_h, clock_h, ran) = self.history.heard_us, limits
        first, last = np.searchsorted(heard_us, (after_us, before_us), "right")
        lost = self.after_lost[(self.after_lost >= first) & (self.after_lost < last)]
        starts = np.r_[max(0, int(first) - 1), lost]
        until = np.r_[lost, last][np.searchsorted(lost, starts, "right")]
        passed = np.maximum(  # hours only grow
            np.searchsorted(self.heard_h[:last], self.heard_h[starts] + ignition_h, "right"),
            np.searchsorted(heard_us[:last], heard_us[starts] + clock_h * HOUR_US),
        )
        passed = np.maximum(passed, np.searchsorted(self.cycles_heard[:last], self.cycles_heard[starts] + ran))
        found = passed[passed < until]
        return int(heard_us[found[0]]) if len(found) and heard_us[found[0]] < before_us else None

    def _heard_at(self, at_us: int) -> float:
        return float(self.heard_h[np.searchsorted(self.history.heard_us, at_us, "right") - 1])


def _heard_hours(history: History, audit: Audit) -> Floats:
    """Ignition hours at `heard_us`, those left out in which nothing was heard: there readings are not missing."""
    heard_h = history.heard_h
    if not len(heard_h):
        return heard_h
    usual = float(np.median(audit.interval_h)) if len(audit.interval_h) else 1.0
    ran_h = np.r_[0.0, np.cumsum((1 + audit.lost) * audit.interval_h)]
    if heard_h[-1] - heard_h[0] < _NO_METER * ran_h[-1]:  # then the timer is the meter
        heard_h = ran_h[np.searchsorted(history.cycles.at_us, history.heard_us, "right")]
    steps = np.diff(heard_h, prepend=heard_h[0])
    return np.cumsum(np.where(steps > max(3.0, 4 * usual), 0.0, steps))


def _with_cycle(history: History, readings: Readings) -> NDArray[np.bool_]:
    """(readings,) whether each came with a cycle."""
    c = history.cycles
    if not len(c):
        return np.zeros(len(readings), bool)
    last = np.maximum(np.searchsorted(c.at_us, readings.at_us, "right") - 1, 0)
    return np.asarray(np.abs(readings.at_us - c.at_us[last]) <= (c.run_s[last] + _WITH_CYCLE_S) * 1e6)


def _after_lost(history: History) -> Ints:
    """Rows of `heard_us` before which a message was lost: it may have been a reading."""
    order = np.lexsort((history.heard_seq, history.heard_boot))
    seq, boot = history.heard_seq[order], history.heard_boot[order]
    return np.asarray(np.sort(order[1:][(np.diff(seq) > 1) | (boot[1:] != boot[:-1])]))
