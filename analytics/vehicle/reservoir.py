"""The grease in the reservoir: level, fills, grease per cycle, and what the level readings tell of faults.

Between fills the grease goes down only, by a share of the registered dose for each cycle that ran (also those whose
messages were lost). A reading is that level plus noise, slosh and a share of the tilt. So every reading plus what was
used since the last fill tells the level just after that fill, and their median is a robust estimate of it; a fill is
where the next readings leave it upwards for good.
"""

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Stretch, joined
from analytics.settings import Settings
from analytics.vehicle.cycles import Audit
from analytics.vehicle.history import History
from ingest.arrays import Floats, Ints
from ingest.times import DAY_US, HOUR_US, rfc3339

_RECENT: Final = 10  # readings that tell where the level is now
_RECENT_USE_PCT: Final = 9.0  # and how far back they may lie: sensors bend by a few points over the whole height
_SHARE_SD: Final = 0.10  # a sound system lies within 15 % of its sheet
_SURE_PCT: Final = 0.25  # below the mark
_UNSEEN_FILL_PCT: Final = 4.0  # by counting cycles alone, a level must lie so far below the mark after a stop
_SWITCH_US: Final = 1_200_000_000  # twenty minutes: a switch that closes for less was wetted by slosh
_DRAWS_AIR_PCT: Final = 4.0  # so far below the low mark cycles need not take grease any more
_STOOD_H: Final = 0.75
_SETTLES_US: Final = 20 * HOUR_US  # grease just filled in lies in a heap
_FILLING_H: Final = 0.05  # nobody fills a reservoir in less
_BEND_PCT: Final = 1.3  # by which a sound sensor reads high or low where it bends
_BEND: Final = 0.03  # by which a sound sensor's slope differs from place to place, beyond its noise
# Percent of the reservoir by the sheet over which use is compared: a large leak shows in a short stretch, a worn pump
# only in a long one.
_WINDOWS_PCT: Final = (9.0, 14.0, 22.0, 35.0)


@dataclass(frozen=True)
class Fill:
    """Grease added; `at_us` is when, `detected_us` when the readings made it certain."""

    at_us: int
    detected_us: int
    from_pct: float
    to_pct: float
    litres: float

    def as_json(self, fleet: str, vehicle: str) -> dict[str, Any]:
        """The fill as `tallow fills --json` prints it."""
        return {
            "fleet": fleet,
            "vehicle": vehicle,
            "at": rfc3339(self.at_us),
            "detected_at": rfc3339(self.detected_us),
            "from_pct": self.from_pct,
            "to_pct": self.to_pct,
            "litres": self.litres,
        }


@dataclass(frozen=True)
class Reservoir:
    """What is known at the end of the history.

    `level_pct` with its standard deviation (None: not known), `share` grease per cycle over the registered dose,
    `own_share` the same while sound, `track` level as known at each cycle (cycles,), `used_pct` percent of the
    reservoir used by each cycle by the sheet.
    """

    level_pct: float | None
    level_sd: float
    share: float
    own_share: float
    share_sd: float
    fills: tuple[Fill, ...]
    track: Floats
    used_pct: Floats
    by_counting: bool
    read_us: int | None  # time of the last reading that can be trusted
    low_since_us: int | None
    stretches: tuple[Stretch, ...]


@dataclass
class _Segment:
    """Readings since a fill: what was used by the sheet until each, and the reading; and their sums up to each, from which
    the moments of any stretch of them follow."""

    start_us: int
    used: list[float] = field(default_factory=list)
    reading: list[float] = field(default_factory=list)
    at_us: list[int] = field(default_factory=list)
    latest: tuple[float, float, int] | None = None  # share, level before any use, readings
    sums: list[tuple[float, float, float, float, float]] = field(default_factory=lambda: [(0.0, 0.0, 0.0, 0.0, 0.0)])
    floor: float = -np.inf  # the level does not fall below it by counting, as the pump draws no more
    pumped: float = 0.0  # `used` at the latest reading at which the pump still drew grease
    settled: int = 1  # readings right after a fill, when the grease has not settled yet

    def add(self, used: float, reading: float, at_us: int, *, draws: bool = True) -> None:
        """Take a reading in; where the pump no longer draws grease it tells nothing of the grease per cycle."""
        if at_us < self.start_us + _SETTLES_US:
            self.settled = len(self.used) + 1
        self.used.append(used)
        self.reading.append(reading)
        self.at_us.append(at_us)
        u, r = used - self.used[0], reading - self.reading[0]
        if draws:
            number, su, sr, suu, sur = self.sums[-1]
            self.sums.append((number + 1, su + u, sr + r, suu + u * u, sur + u * r))
            self.pumped = used
        else:
            self.sums.append(self.sums[-1])
        self.floor = -np.inf if draws else reading
        self.latest = None

    def drop_last(self) -> None:
        """Forget the latest reading."""
        self.used.pop(), self.reading.pop(), self.at_us.pop(), self.sums.pop()
        self.latest = None

    def moments(self, first: int) -> tuple[int, float, float]:
        """Over the readings from `first` on: their number, and sums of (u - mean u)**2 and of (u - mean u) * (r - mean r)."""
        before, now = self.sums[first], self.sums[-1]
        number = now[0] - before[0]
        if number < 2:
            return int(number), 0.0, 0.0
        su = now[1] - before[1]
        return (
            int(number),
            max(0.0, now[3] - before[3] - su * su / number),
            now[4] - before[4] - su * (now[2] - before[2]) / number,
        )

    def level(self, used: float, share: float) -> tuple[float, int]:
        """(level after `used` percent by the sheet, readings that say so), by the latest readings."""
        if not self.reading:
            return np.nan, 0
        if self.latest is None or self.latest[0] != share:
            self.latest = (share, *self._full(slice(-_RECENT, None), self.used[-1], share))
        return self.latest[1] - share * used, self.latest[2]

    def level_at_start(self, used: float, share: float) -> tuple[float, int]:
        """The same by the first readings, for the time of the fill."""
        if not self.reading:
            return np.nan, 0
        full, number = self._full(slice(0, _RECENT), self.used[0], share)
        return full - share * used, number

    def _full(self, chosen: slice, near: float, share: float) -> tuple[float, int]:
        """What the readings close to `near` would be before anything was used: their median and number."""
        values = sorted(
            r + share * u
            for u, r in zip(self.used[chosen], self.reading[chosen], strict=True)
            if abs(u - near) * share <= _RECENT_USE_PCT
        )
        half = len(values) // 2
        return values[half] if len(values) % 2 else (values[half - 1] + values[half]) / 2, len(values)


def percent_of_reservoir(cm3: float, reservoir_l: float) -> float:
    """An amount of grease in percent of the volume at the full mark."""
    return cm3 / (reservoir_l * 1000) * 100


def used_by_sheet(history: History, audit: Audit) -> Floats:
    """(cycles,) percent of the reservoir that the sheet says was used with each cycle, lost messages' cycles included."""
    doses = np.array([percent_of_reservoir(s.dose_cm3, s.reservoir_l) for s in history.setups])
    c = history.cycles
    which = history.setup_at(c.at_us)
    part = np.clip(c.run_s / history.run_s, 0, 1)
    return np.asarray(doses[which] * (part + audit.lost))


def _heard_hours(history: History, audit: Audit) -> Floats:
    """Ignition hours at `heard_us`, those left out in which nothing was heard: there readings are not missing."""
    if not len(history.heard_h):
        return history.heard_h
    usual = float(np.median(audit.interval_h)) if len(audit.interval_h) else 1.0
    steps = np.diff(history.heard_h, prepend=history.heard_h[0])
    return np.cumsum(np.where(steps > max(3.0, 4 * usual), 0.0, steps))


def _after_lost(history: History) -> Ints:
    """Rows of `heard_us` before which a message was lost: it may have been a reading."""
    order = np.lexsort((history.heard_seq, history.heard_boot))
    seq, boot = history.heard_seq[order], history.heard_boot[order]
    return np.asarray(np.sort(order[1:][(np.diff(seq) > 1) | (boot[1:] != boot[:-1])]))


def draws_air(history: History, tank: "Reservoir") -> NDArray[np.bool_]:
    """(cycles,) whether the level stood so far below its mark that the pump drew no grease; after a fill that somebody recorded and
    no reading has confirmed yet, nobody knows."""
    at_us = history.cycles.at_us
    filled = [work.at_us for work in history.work if work.kind == "filled" and work.at_us > (tank.read_us or 0)]
    low = tank.track < history.said("low_mark_pct", at_us) - _DRAWS_AIR_PCT
    return np.asarray(low & (at_us < min(filled, default=1 << 62)), bool)


def follow(history: History, audit: Audit, settings: Settings) -> Reservoir:
    """Go through the readings in order; each is judged by what came before it only."""
    return _Follower(history, audit, settings).run()


@dataclass(frozen=True)
class _Doubt:
    """What stood before a fill that only one reading tells of."""

    low: Stretch | None
    over: Stretch | None


class _Follower:
    def __init__(self, history: History, audit: Audit, settings: Settings) -> None:
        self.history, self.settings = history, settings
        self.cycle_used = used_by_sheet(history, audit)
        part = np.clip(history.cycles.run_s / history.run_s, 0, 1)
        self.lost_used = self.cycle_used * audit.lost / np.maximum(part + audit.lost, 1e-9)
        self.total = np.cumsum(self.cycle_used)
        levels = history.levels
        # Readings count while the set-up has a sensor, and cycles bring the level down for as long.
        told = history.said("level", levels.at_us) == "percent"
        self.fitted = history.said("level", history.cycles.at_us) == "percent"
        self.at, self.raw = levels.at_us[told], levels.level_pct[told]
        self.reading = _level_for_tilt(self.raw, levels.tilt_deg[told], self._used_until(self.at))
        kinds = np.array([setup.level for setup in history.setups])
        since = np.cumsum(np.r_[False, kinds[1:] != kinds[:-1]])[history.setup_at(self.at)]
        self.refitted = (np.diff(since, prepend=since[:1]) > 0).tolist()  # with this reading there is a sensor again
        self.used = self._used_until(self.at)
        self.rows = np.searchsorted(history.heard_us, self.at, "right")  # of what was heard, up to each reading
        self.draws = (self.reading > history.said("low_mark_pct", self.at) - _DRAWS_AIR_PCT).tolist()
        self.anew = (self._counted_anew() | np.array(self.refitted, bool)).tolist()
        self.alike = _run_lengths(self.raw).tolist()
        # When it was known what had been used until a reading: with the next cycle, where messages before that were lost.
        following = np.searchsorted(history.cycles.at_us, self.at, "right")
        gap = np.r_[self.lost_used > 0, False][following]
        self.known_us = np.where(gap, np.r_[history.cycles.at_us, 0][following], self.at)
        self.noise = settings.level_noise_pct
        self.share, self.share_sd = 1.0, _SHARE_SD
        self.seen = 0  # readings that the noise was learned from
        self.fills: list[Fill] = []
        self.segments: list[_Segment] = []
        self.stretches: list[Stretch] = []
        self.sensor: Stretch | None = None
        self.use: Stretch | None = None  # reservoir_loss or under_delivery
        self.over: Stretch | None = None
        self.low: Stretch | None = None
        self.now_share = 1.0
        self.track = np.full(len(history.cycles), np.nan)
        self.low_mark = history.said("low_mark_pct", history.cycles.at_us)
        self.rose = True  # whether the reading itself rose at the latest fill
        self.pending = False  # a reading lies above: perhaps a fill
        self.doubt: _Doubt | None = None
        self.stood_since_reading, self.sure_pct = False, 0.0
        self.hint: tuple[str, int, int] | None = None  # another use suspected: kind, readings in a row, since when
        self.use_over_us = 0  # when it was last as it should be again
        self.heard_h = _heard_hours(history, audit)
        self.gap_h = np.diff(self.heard_h[self.rows - 1], prepend=np.nan) if len(self.rows) else np.zeros(0)
        self.after_lost = _after_lost(history)
        gap_us = np.diff(history.cycles.at_us, prepend=history.cycles.at_us[:1])
        stood_h = gap_us / HOUR_US - np.diff(history.cycle_h, prepend=history.cycle_h[:1])
        self.stood = stood_h > _STOOD_H  # before each cycle, for long enough that somebody may have filled it
        self.stops: list[int] = [0, *np.cumsum(self.stood).tolist()]
        self.cycles_before = np.searchsorted(history.cycles.at_us, self.at, "left").tolist()

    def _used_until(self, at_us: Ints) -> Floats:
        """Percent of the reservoir used by the sheet until each time; cycles whose messages were lost lie spread over the
        ignition hours of their gap."""
        history, cycle_us = self.history, self.history.cycles.at_us
        done = np.searchsorted(cycle_us, at_us, "right")
        used = np.r_[0.0, np.cumsum(self.cycle_used)][done]
        inside = (done > 0) & (np.r_[self.lost_used, 0.0][done] > 0)
        if not inside.any():
            return np.asarray(used)
        k = done[inside]
        gap_h = np.maximum(history.cycle_h[k] - history.cycle_h[k - 1], 1e-6)
        passed_h = np.interp(at_us[inside], history.heard_us, history.heard_h) - history.cycle_h[k - 1]
        used[inside] += self.lost_used[k] * np.clip(passed_h / gap_h, 0.0, 1.0)
        return np.asarray(used)

    def run(self) -> Reservoir:
        """The whole history."""
        history, settings = self.history, self.settings
        self._switch()
        if all(setup.level != "percent" for setup in history.setups):
            return self._result()
        next_cycle = 0
        bad: list[int] = []  # readings in a row that fit nothing
        up: list[int] = []  # readings in a row that lie above: a fill, if the next agrees
        gap_h = _Gaps()
        for j in range(len(self.at)):
            next_cycle = self._cycles(next_cycle, self.cycles_before[j])
            self._missing(j, gap_h)
            reading, used = float(self.reading[j]), float(self.used[j])
            if not self.segments or self.anew[j]:
                self.segments.append(_Segment(int(self.at[j])))
                up, bad, self.pending, self.doubt = [], [], False, None
            segment = self.segments[-1]
            if self._stuck(j):
                continue
            expected, support = segment.level(used, self.now_share)
            if support == 0:
                self._take(j)
                continue
            if self.doubt is not None and self._falls_back(j, reading - expected):
                segment = self.segments[-1]
                expected, support = segment.level(used, self.now_share)
            expected = max(expected, segment.floor)
            miss = reading - expected
            down = -max(12.0, 6 * self.noise) - 0.4 * self.now_share * (used - segment.used[-1])
            if reading < -2 or reading > 122 or miss < down:
                bad.append(j)
                up, self.pending = [], False
                if len(bad) >= settings.level_sensor_needed:
                    self._unbelievable(bad, j)
                continue
            if bad and self.sensor is None:
                bad = []
            rises = reading > segment.reading[-1] + max(2.0, 1.5 * self.noise)
            if miss > max(settings.fill_jump_pct, 4.2 * self.noise) and (rises or self.rose):
                up.append(j)
                small = miss < max(2 * settings.fill_jump_pct, 8 * self.noise)
                self.pending = len(up) < 2 and (small or not self._stood_before(j))
                if not self.pending:
                    self._fill(up)
                    # A reading that only failed to fall may hide a fill; two in a row show that little is used.
                    self.rose = rises
                    up, bad = [], []
                    self._sensor_back(j)
                continue
            self.pending = False
            up, bad = [], []  # a single reading that lay above was slosh: it counts for nothing
            self._sensor_back(j)
            self._take(j)
        self._cycles(next_cycle, len(history.cycles))
        self._silent_sensor(gap_h)
        return self._result()

    def _counted_anew(self) -> NDArray[np.bool_]:
        """Whether cycles ran before each reading that nobody counted: those in a gap before another counter began."""
        if not len(self.rows):
            return np.zeros(0, bool)
        boot, at_us = self.history.heard_boot, self.history.heard_us
        began = np.r_[0, np.cumsum((boot[1:] != boot[:-1]) & (np.diff(at_us) > 2 * HOUR_US))]
        return np.asarray(np.r_[False, np.diff(began[self.rows - 1]) > 0], bool)

    def _stood_before(self, j: int) -> bool:
        """Whether the vehicle stood since the reading before: nobody fills it on the way."""
        before = int(self.at[j - 1]) if j else 0
        inside = (self.history.heard_us >= before) & (self.history.heard_us <= self.at[j])
        clock, hours = self.history.heard_us[inside] / HOUR_US, self.history.heard_h[inside]
        return len(clock) < 2 or float(np.max(np.diff(clock) - np.diff(hours))) > _FILLING_H

    def _falls_back(self, j: int, miss: float) -> bool:
        """Whether a fill that one reading told of was none: the next lies where the level was before."""
        doubt, self.doubt = self.doubt, None
        if doubt is None:
            return False
        before, support = self.segments[-2].level(float(self.used[j]), self.now_share)
        near = max(self.settings.fill_jump_pct, 4.2 * self.noise)
        if not support or miss > -near or abs(float(self.reading[j]) - before) > near:
            return False
        self.segments.pop()
        self.fills.pop()
        self.low, self.over = doubt.low, doubt.over
        if self.low is not None and self.low in self.stretches:
            self.stretches.remove(self.low)
            self.low.ended_us = None
        return True

    def _switch(self) -> None:
        """Low level where there is only a switch at the mark: once it has stayed closed for a while."""
        faults, heard = self.history.faults, self.history.heard_us
        since: int | None = None
        for i in range(len(faults) + 1):
            over = i == len(faults)
            if not over and (
                faults.code[i] != "level_low" or self.history.setup_of(int(faults.at_us[i])).level != "switch"
            ):
                continue
            now = self.history.as_of_us if over else int(faults.at_us[i])
            if since is not None and (over or faults.active[i] == 0):
                later = heard[(heard >= since + _SWITCH_US) & (heard <= now)]
                if len(later):
                    low = Stretch("low_level", None, since, int(later[0]), None if over else now)
                    low.evidence = {"level_pct": self.history.setup_of(since).low_mark_pct, "by_switch": 1}
                    self.stretches.append(low)
                since = None
            elif not over and faults.active[i] == 1 and since is None:
                since = now

    # One reading ----------------------------------------------------------------------------------------------

    def _take(self, j: int) -> None:
        """Let a reading that fits count."""
        segment, used, reading = self.segments[-1], float(self.used[j]), float(self.reading[j])
        if len(segment.reading) >= 2:
            self._learn_noise(segment, used, reading)
        self._append(j)
        self._learn_share(j)
        self._marks(int(self.at[j]), used, at_reading=True)

    def _learn_noise(self, segment: _Segment, used: float, reading: float) -> None:
        """By how far the middle of three readings lies off the line through the others: whatever the grease per cycle."""
        (u0, u1), (r0, r1) = segment.used[-2:], segment.reading[-2:]
        part = 0.5 if used <= u0 else (u1 - u0) / (used - u0)
        off = abs(r1 - r0 - part * (reading - r0)) / math.sqrt(1 + part**2 + (1 - part) ** 2)
        self.seen += 1
        pace = max(1 / (self.seen + 10), 1 / 60)
        self.noise = min(max(self.noise + pace * (1.25 * min(off, 3 * self.noise) - self.noise), 0.4), 5.0)

    def _fill(self, readings: list[int]) -> None:
        """A fill that the latest of these readings made certain; the first lies right after it."""
        first, latest = readings[0], readings[-1]
        self.doubt = _Doubt(self.low, self.over) if first == latest else None
        before = self.segments[-1]
        self._start(
            self._fill_time(before.at_us[-1] if before.at_us else int(self.at[first]), int(self.at[first])),
            first,
        )
        self.fills.append(Fill(self.segments[-1].start_us, int(self.at[latest]), 0.0, 0.0, 0.0))
        # Two readings far apart are two fills with one reading between them.
        if float(self.reading[latest] - self.reading[first]) > max(2 * self.settings.fill_jump_pct, 6 * self.noise):
            self._start(self._fill_time(int(self.at[first]), int(self.at[latest])), latest)
            self.fills.append(Fill(self.segments[-1].start_us, int(self.at[latest]), 0.0, 0.0, 0.0))
        elif latest != first:
            self._append(latest)
        self._end_low(int(self.at[latest]), float(self.used[latest]))
        self._marks(int(self.at[latest]), float(self.used[latest]), at_reading=True)

    def _start(self, at_us: int, j: int) -> None:
        """Begin a segment with reading `j`."""
        self.segments.append(_Segment(at_us))
        self._append(j)

    def _append(self, j: int) -> None:
        self.stood_since_reading = False
        at_us, reading = int(self.at[j]), float(self.reading[j])
        self.segments[-1].add(float(self.used[j]), reading, at_us, draws=self.draws[j])

    def _fill_time(self, after_us: int, before_us: int) -> int:
        """When between two readings it was filled: at the end of the longest stop, as vehicles are filled standing."""
        heard = self.history.heard_us
        inside = heard[(heard >= after_us) & (heard <= before_us)]
        if len(inside) < 2:
            return (after_us + before_us) // 2
        longest = int(np.argmax(np.diff(inside)))
        return int(inside[longest] + 0.8 * (inside[longest + 1] - inside[longest]))

    # Grease per cycle -----------------------------------------------------------------------------------------

    def _learn_share(self, j: int) -> None:
        """Compare what left the reservoir with the sheet, over windows that end at this reading."""
        settings, now = self.settings, int(self.known_us[j])
        kind, strongest = None, 0.0
        share, began, suspicious = self.now_share, now, False
        for window in _WINDOWS_PCT:
            slope = self._slope(j, window)
            if slope is None:
                continue
            here, sd, excess, since = slope
            z = (here - self.share) / math.sqrt(sd**2 + (self.share * _BEND) ** 2 + self.share_sd**2)
            if here < 0 or since < self.use_over_us:
                continue
            suspicious |= abs(z) > 2.5 and abs(here / self.share - 1) > 0.15
            if abs(z) < max(settings.use_sigmas, strongest) or abs(excess) < settings.use_excess_pct:
                continue
            if here >= settings.loss_ratio * self.share:
                kind, strongest, share, began = "reservoir_loss", abs(z), here, since
            elif here <= settings.under_ratio * self.share:
                kind, strongest, share, began = "under_delivery", abs(z), here, since
        if kind is None:
            self.hint = None
        elif self.hint is None or self.hint[0] != kind:
            self.hint = kind, 1, began
        else:
            self.hint = kind, self.hint[1] + 1, self.hint[2]
        certain = self.hint is not None and self.hint[1] >= settings.use_readings
        if self.use is None and kind is not None and self.hint is not None and certain:
            self.use = Stretch(kind, None, self.hint[2], now)
            self._measure_use(share)
        elif self.use is not None:
            middle = (1 + (settings.loss_ratio if self.use.kind == "reservoir_loss" else settings.under_ratio)) / 2
            windows = (slope for slope in map(self._slope, [j] * len(_WINDOWS_PCT), _WINDOWS_PCT) if slope is not None)
            late = next((slope for slope in windows if slope[3] > self.use.detected_us), None)
            if late is not None:
                share = late[0]
            if late is not None and (share < middle * self.share) == (middle > 1):
                self.use_over_us = self.use.ended_us = int(late[3])
                self.stretches.append(self.use)
                self.use = None
            elif late is not None and kind == self.use.kind:
                self._measure_use(share)
        if self.use is not None:
            self.now_share = min(max(share, 0.5 * self.share), 3 * self.share)
            return
        # Sound: the vehicle's own share, from all that was used so far; the sheet counts like 60 % of a reservoir.
        self.now_share = self.share
        if not suspicious:
            self._update_share()

    def _measure_use(self, share: float) -> None:
        if self.use is not None:
            self.use.evidence = {
                "cm3_per_cycle": round(share * self._dose(), 2),
                "expected_cm3_per_cycle": round(self.share * self._dose(), 2),
            }

    def _update_share(self) -> None:
        drops, used = 0.0, 0.0
        for segment in self.segments[-12:]:
            number, weight, falling = segment.moments(0)
            if number < 6 or (self.stretches and segment.start_us < (self.stretches[-1].ended_us or 0)):
                continue
            span = segment.pumped - segment.used[0]
            if span < 8:
                continue
            slope = -falling / weight
            drops += slope * span
            used += span
        if used > 0:
            prior = 25.0
            self.share = min(max((prior + drops) / (prior + used), 0.75), 1.25)
            self.share_sd = _SHARE_SD * math.sqrt(prior / (prior + used))
            self.now_share = self.share

    def _slope(self, j: int, least: float) -> tuple[float, float, float, int] | None:
        """(share, its standard deviation, excess percent, begin) over the latest `least` or more percent by the sheet.

        The window may reach back over fills; each stretch between two fills has a level of its own.
        """
        weight, falling, number = 0.0, 0.0, 0
        began, got = 0, 0.0
        end_used = float(self.used[j])
        limit = least / max(self.now_share, 0.5)
        for segment in reversed(self.segments):
            u = segment.used
            if not u:
                continue
            chosen = bisect_left(u, end_used - limit - 1e-9)
            if 0 < chosen < len(u):
                chosen -= 1
            if chosen < segment.settled and len(u) >= 3:
                chosen = max(chosen, min(segment.settled, len(u) - 2))
            if chosen < len(u):
                part = segment.moments(chosen)
                weight, falling, number = weight + part[1], falling + part[2], number + part[0]
                got += max(0.0, segment.pumped - u[chosen])
                began = segment.at_us[chosen]
            if chosen > 1 or end_used - u[0] > 2.5 * limit:
                break
        if got < 0.8 * limit or weight <= 0 or number < 4:
            return None
        share = -falling / weight
        sd = self.noise / math.sqrt(weight)
        return share, sd, (share - self.share) * got, began

    def _dose(self) -> float:
        return self.history.setup.dose_cm3

    # The sensor -----------------------------------------------------------------------------------------------

    def _stuck(self, j: int) -> bool:
        """Whether the sensor is known to be stuck at this reading; notes the beginning and the end of it."""
        settings = self.settings
        if self.sensor is not None and self.sensor.evidence.get("stuck_pct") is not None:
            if self.raw[j] == self.sensor.evidence["stuck_pct"]:
                return True
            self._sensor_back(j)
            self.segments.append(_Segment(int(self.at[j])))
            return False
        needed = settings.level_stuck_readings
        if self.alike[j] < needed:
            return False
        first = j - self.alike[j] + 1
        step = 2.0 if np.all(np.mod(self.raw[: j + 1], 2) == 0) else 1.0
        fell = float(self.used[j] - self.used[first]) * self.share
        if fell < max(settings.level_stuck_pct, 4 * step):
            return False
        if self.sensor is None:
            self.sensor = Stretch("level_sensor", None, int(self.at[first]), int(self.at[j]))
        self.sensor.evidence = {"stuck_pct": float(self.raw[j])}
        if self.use is not None and self.use.began_us >= self.at[first] - DAY_US:
            self.use = None
        # What the stuck readings said counts for nothing.
        segment = self.segments[-1]
        while segment.at_us and segment.at_us[-1] >= self.at[first]:
            segment.drop_last()
        return True

    def _unbelievable(self, bad: list[int], j: int) -> None:
        values = self.raw[bad[-self.settings.level_sensor_needed :]]
        beyond = np.all((values < -2) | (values > 120))
        frozen = np.ptp(values) == 0 or np.all(values <= 0.5)
        if beyond or frozen:
            if self.sensor is None:
                self.sensor = Stretch("level_sensor", None, int(self.at[bad[0]]), int(self.at[j]))
                self.sensor.evidence = {"reading_pct": float(values[-1])}
            return
        if self.sensor is None:
            # It moves like a level, only lower: grease went without a cycle. The level starts anew from there.
            drop = (
                float(np.median(self.reading[bad]))
                - self.segments[-1].level(float(self.used[bad[0]]), self.now_share)[0]
            )
            self._start(int(self.at[bad[0]]), bad[0])
            for k in bad[1:]:
                self._append(k)
            if self.use is None and -drop > 3 * self.settings.use_excess_pct:
                cycles = max(
                    1,
                    int(
                        np.searchsorted(self.history.cycles.at_us, self.at[j])
                        - np.searchsorted(self.history.cycles.at_us, self.at[bad[0]])
                    ),
                )
                lost = Stretch("reservoir_loss", None, int(self.at[bad[0]]), int(self.at[j]), int(self.at[j]))
                lost.evidence = {
                    "cm3_per_cycle": round(-drop * self.history.setup_of(int(self.at[j])).reservoir_l * 10 / cycles, 2),
                    "expected_cm3_per_cycle": round(self.share * self._dose(), 2),
                }
                self.stretches.append(lost)
            bad.clear()

    def _sensor_back(self, j: int) -> None:
        if self.sensor is not None:
            self.sensor.ended_us = int(self.at[j])
            self.stretches.append(self.sensor)
            self.sensor = None

    def _missing(self, j: int, gaps: "_Gaps") -> None:
        if j == 0 or self.refitted[j]:
            return
        began, end, gap, limit_h = int(self.at[j - 1]), int(self.at[j]), float(self.gap_h[j]), gaps.limit()
        at = self._none_came(began, end, limit_h) if gap > limit_h else None
        if at is not None:
            self.stretches.append(Stretch("level_sensor", None, began, at, end, {"missing_h": round(gap, 1)}))
        gaps.add(gap)

    def _none_came(self, after_us: int, before_us: int, limit_h: float) -> int | None:
        """When between two times no reading had come for so many ignition hours of which no message was lost; None if never."""
        heard_us = self.history.heard_us
        first, last = np.searchsorted(heard_us, (after_us, before_us), "right")
        lost = self.after_lost[(self.after_lost >= first) & (self.after_lost < last)]
        for start in [max(0, int(first) - 1), *lost.tolist()]:
            found = np.flatnonzero(self.heard_h[start:last] > self.heard_h[start] + limit_h)
            until = next((row for row in lost.tolist() if row > start), last)
            if len(found) and start + found[0] < until and heard_us[start + found[0]] < before_us:
                return int(heard_us[start + found[0]])
        return None

    def _silent_sensor(self, gaps: "_Gaps") -> None:
        """Level readings that stopped while the rest went on, or that never came."""
        history, setups = self.history, self.history.setups
        if not len(history.cycles):
            return
        until = max(n for n, setup in enumerate(setups) if setup.level == "percent")
        since = max((n for n, setup in enumerate(setups[:until]) if setup.level != "percent"), default=-1) + 1
        off_us = setups[until + 1].valid_from_us if until + 1 < len(setups) else None
        end_us = history.as_of_us + 1 if off_us is None else off_us
        start_us = max(int(self.at[-1] if len(self.at) else history.heard_us[0]), setups[since].valid_from_us or 0)
        at = self._none_came(start_us, end_us, gaps.limit() if len(self.at) else 40.0)
        if at is not None and self.sensor is None:
            self.sensor = Stretch("level_sensor", None, start_us, at)
            self.sensor.evidence = {"missing_h": round(self._heard_at(end_us) - self._heard_at(start_us), 1)}
        if off_us is not None:
            self._taken_off(off_us)

    def _heard_at(self, at_us: int) -> float:
        return float(self.heard_h[np.searchsorted(self.history.heard_us, at_us, "right") - 1])

    # The marks ------------------------------------------------------------------------------------------------

    def _cycles(self, first: int, last: int) -> int:
        """Bring the level down by the cycles from `first` up to `last`, as far as there was a sensor."""
        if not self.segments or last <= first:
            return max(first, last)
        until = last if self.fitted[first:last].all() else first + int(np.argmin(self.fitted[first:last]))
        if until > first:
            self._count_down(first, until)
        if until < last:
            at_us = int(self.history.cycles.at_us[until])
            self._taken_off(self.history.setup_of(at_us).valid_from_us or at_us)
        return last

    def _taken_off(self, at_us: int) -> None:
        """What a sensor told of ends for everybody when it is there no more."""
        for stretch in (self.sensor, self.use, self.low, self.over):
            if stretch is not None:
                stretch.ended_us = max(at_us, stretch.detected_us)
                self.stretches.append(stretch)
        self.sensor = self.use = self.low = self.over = None

    def _count_down(self, first: int, last: int) -> None:
        level, support = self.segments[-1].level(0.0, self.now_share)
        if support:
            track = level - self.now_share * self.total[first:last]
            self.track[first:last] = track
            highest = self.low_mark[first:last] - _SURE_PCT
            stood, stopped = self.stood_since_reading, self.stood_since_reading or self.stops[last] > self.stops[first]
            self.stood_since_reading = stopped
            if self.low is None and self.over is None and (track > highest).all():
                return  # no mark is near
            # After a stop somebody may have filled it: until a reading tells, only a level well below counts.
            sure = highest.copy()
            if stopped:
                sure[0 if stood else int(np.argmax(self.stood[first:last])) :] -= _UNSEEN_FILL_PCT
            turns = {0, last - first - 1, int(np.argmax(track <= sure)), int(np.argmax(track <= 100))}
            for k in sorted(turns):
                self.sure_pct = float(sure[k])
                at_us = int(self.history.cycles.at_us[first + k])
                self._marks(at_us, float(self.total[first + k]), at_reading=False)

    def _marks(self, now: int, used: float, *, at_reading: bool) -> None:
        """Low level and overfill."""
        segment, settings = self.segments[-1], self.settings
        level, support = segment.level(used, self.now_share)
        if not support:
            return
        mark = self.history.setup_of(now).low_mark_pct
        sure = mark - _SURE_PCT if at_reading else self.sure_pct
        if self.low is None and level <= sure and support >= 2 and not self.pending:
            self.low = Stretch("low_level", None, now, now)
        elif self.low is not None and level >= mark + settings.low_hysteresis_pct:
            self._end_low(now, used)
        if self.low is not None:
            self.low.evidence = {"level_pct": round(max(level, 0.0), 1)}
        sd = 1.1 * self.noise / math.sqrt(support)
        if (
            at_reading
            and self.over is None
            and support >= 2
            and level > 100 + max(settings.overfill_margin_pct, 2 * sd)
        ):
            self.over = Stretch("overfill", None, max(segment.start_us, segment.at_us[0]), now)
            self.over.evidence = {"level_pct": round(level, 1)}
        elif self.over is not None and level <= 100:
            self.over.ended_us = now
            self.stretches.append(self.over)
            self.over = None

    def _end_low(self, now: int, used: float) -> None:
        """A fill that ends above the low mark ends it."""
        if self.low is None:
            return
        level, _ = self.segments[-1].level(used, self.now_share)
        if level > self.history.setup_of(now).low_mark_pct:
            # Where it was filled before the count of cycles had come down to the mark, it never was low.
            if self.segments[-1].start_us > self.low.began_us:
                self.low.ended_us = min(now, max(self.segments[-1].start_us, self.low.detected_us))
                self.stretches.append(self.low)
            self.low = None

    # The end --------------------------------------------------------------------------------------------------

    def _result(self) -> Reservoir:
        level, support = np.nan, 0
        end_used = float(self.total[-1]) if len(self.total) else 0.0
        if self.segments:
            for segment in reversed(self.segments):
                level, support = segment.level(end_used, self.now_share)
                if support:
                    break
        last_reading = max((s.at_us[-1] for s in self.segments if s.at_us), default=None)
        last_used = max((s.used[-1] for s in self.segments if s.used), default=0.0)
        counted = (end_used - last_used) * self.now_share
        sd = float(np.hypot(1.2 * self.noise / np.sqrt(max(support, 1)), _BEND_PCT))
        sd = float(np.hypot(sd, counted * max(self.share_sd, 0.03)))
        known = support > 0 and last_reading is not None and self.history.setup.level == "percent"
        open_ = [s for s in (self.sensor, self.use, self.over, self.low) if s is not None]
        by_kind: list[Stretch] = []
        pause_us = int(self.settings.pause_h * HOUR_US)
        for kind in ("low_level", "overfill", "level_sensor", "reservoir_loss", "under_delivery"):
            mine = [s for s in (*self.stretches, *open_) if s.kind == kind]
            by_kind += mine if kind in ("low_level", "overfill") else joined(mine, pause_us)
        return Reservoir(
            level_pct=float(np.clip(level, 0.0, 120.0)) if known else None,
            level_sd=sd,
            share=self.now_share,
            own_share=self.share,
            share_sd=float(np.hypot(self.share_sd, 0.08 if self.use is not None else 0.0)),
            fills=self._measured(),
            track=self.track,
            used_pct=self.cycle_used,
            by_counting=bool(known and self.sensor is not None),
            read_us=last_reading,
            low_since_us=self.low.began_us if self.low is not None else None,
            stretches=tuple(by_kind),
        )

    def _measured(self) -> tuple[Fill, ...]:
        """The fills with their sizes, from the readings on both sides."""
        starts = {segment.start_us: n for n, segment in enumerate(self.segments)}
        measured = []
        for fill in self.fills:
            n = starts[fill.at_us]
            after = self.segments[n]
            used = float(self._used_until(np.array([fill.at_us]))[0])
            to, support = after.level_at_start(used, self.share)
            before = next((s for s in reversed(self.segments[:n]) if s.reading), None)
            from_, known = before.level(used, self.share) if before else (np.nan, 0)
            if not support or not known:
                continue
            to, from_ = min(to, 115.0), max(from_, 0.0)
            litres = max(0.0, (to - from_) / 100 * self.history.setup_of(fill.at_us).reservoir_l)
            measured.append(Fill(fill.at_us, fill.detected_us, round(from_, 1), round(to, 1), round(litres, 3)))
        return tuple(measured)


class _Gaps:
    """Ignition hours between level readings, and the gap from which readings are missing."""

    def __init__(self) -> None:
        self.hours: list[float] = []

    def add(self, hours: float) -> None:
        self.hours = [*self.hours[-60:], hours]

    def limit(self) -> float:
        """Four times the usual gap; while little is known, a long time."""
        if len(self.hours) < 5:
            return 40.0
        ordered = sorted(self.hours)
        return 4.0 * ordered[len(ordered) // 2] + 0.5 * ordered[int(0.95 * (len(ordered) - 1))] + 0.5


def _run_lengths(values: Floats) -> Ints:
    """How many values in a row, up to each, are alike."""
    place = np.arange(len(values))
    begins = np.r_[True, values[1:] != values[:-1]][: len(values)]
    return place - np.maximum.accumulate(np.where(begins, place, 0)) + 1


def _level_for_tilt(reading: Floats, tilt_deg: Floats, used: Floats) -> Floats:
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
