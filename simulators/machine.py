"""One vehicle with its lubrication system: ignition, timer, pump, lines, reservoir, sensors, people, radio.

The whole span is worked out at once as arrays, then told as the messages that its controller would send.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ingest.messages import EPOCH, AnyMessage, Cycle, Fault, Ignition, Level, State, microseconds
from simulators import grease, weather
from simulators.duty import HABITS, ignition
from simulators.scenario import Depot, Machine, Trouble

Floats = NDArray[np.float64]

_TEMPS: Final = np.linspace(-45.0, 55.0, 81)
_BACK_KPA: Final = (700.0, 2600.0)  # what a joint holds against the grease
_DIVIDER_KPA: Final = 1800.0
_INJECTOR_KPA: Final = 15_500.0
_QUANTUM_KPA: Final = 10.0
_LONG_STOP_H: Final = 8.0


@dataclass(frozen=True)
class Sent:
    """A message on its way: when it reaches the broker, what it says."""

    arrives_us: int
    kind: str
    message: AnyMessage


@dataclass
class _Draft:
    """A message before the radio had its say."""

    hour: float  # when the controller sends it
    kind: str
    at_h: float
    engine_h: float
    values: dict[str, object] = field(default_factory=dict)


def channels(machine: Machine) -> dict[int, str | None]:
    """The pressure channel that watches each line."""
    match machine.channel_by:
        case "line":
            return {p.line: f"p{p.line:02d}" for p in machine.points}
        case "bundle":
            return {p.line: p.bundle.replace(" ", "-") for p in machine.points}
        case watched:
            return {p.line: "main" if watched == "main" else None for p in machine.points}


class Simulation:
    """A vehicle from `start_h` (hours since 1970 UTC) for `days`; troubles count back from `end_h`."""

    def __init__(
        self, machine: Machine, depot: Depot, start_h: float, days: int, end_h: float, seed: list[int]
    ) -> None:
        self.machine, self.depot, self.start_h, self.days, self.end_h = machine, depot, start_h, days, end_h
        self.rng = np.random.default_rng(seed)
        self.zone = ZoneInfo(depot.timezone)
        self.drafts: list[_Draft] = []
        self._weather(np.random.default_rng([*seed[:1], sum(map(ord, depot.name))]))
        self._duty()
        self._cycles()
        self._reservoir()
        self._pressures()

    # Life -----------------------------------------------------------------------------------------------------

    def _spans(self, *kinds: str) -> list[tuple[float, float, Trouble]]:
        """(begin, end, trouble) of the kinds, hours since 1970; what lasts ends never."""
        return [
            (self.end_h - 24 * t.begin_days, np.inf if t.end_days is None else self.end_h - 24 * t.end_days, t)
            for t in self.machine.troubles
            if t.kind in kinds
        ]

    def _inside(self, hours: Floats, *kinds: str) -> NDArray[np.bool_]:
        flag = np.zeros(len(hours), bool)
        for begin, end, _ in self._spans(*kinds):
            flag |= (hours >= begin) & (hours < end)
        return flag

    def _weather(self, rng: np.random.Generator) -> None:
        hours = self.days * 24 + 48
        self.clock = self.start_h + np.arange(hours)
        self.air = weather.air_c(self.depot.climate, self.start_h, hours, rng)
        self.grease_c = weather.lagged(self.air, 2.5)

    def _duty(self) -> None:
        first = EPOCH + timedelta(hours=self.start_h)
        offset = first.astimezone(self.zone).utcoffset() or timedelta(0)
        idle = [(b - self.start_h, e - self.start_h) for b, e, _ in self._spans("parked")]
        habit = HABITS[self.machine.vehicle_class]
        self.on = self.start_h + ignition(
            habit, first.weekday(), self.days, offset.total_seconds() / 3600, idle, self.rng
        )
        gained = np.cumsum(self.on[:, 1] - self.on[:, 0])
        self.meter_clock = self.on.ravel()
        self.meter = np.column_stack([np.r_[0.0, gained[:-1]], gained]).ravel()
        self.meter_start = float(np.round(self.rng.uniform(900, 9000), 2))

    def _hours_at(self, clock: Floats) -> Floats:
        return np.asarray(np.interp(clock, self.meter_clock, self.meter))

    def _clock_at(self, meter: Floats) -> Floats:
        # Just before the hour meter moves on it stands still: take the time at which it reaches the value.
        return np.interp(meter, self.meter + np.arange(len(self.meter)) * 1e-9, self.meter_clock)

    # The pump -------------------------------------------------------------------------------------------------

    def _cycles(self) -> None:
        machine, rng = self.machine, self.rng
        own = machine.interval_min / 60 * (1 + 0.007 * rng.standard_normal())
        changes = self._spans("timer_mismatch")
        dead = self._spans("missed_cycles")
        meter, due = 0.0, []
        meter_end = float(self.meter[-1]) if len(self.meter) else 0.0
        clock = self.start_h
        while True:
            factor = next((t.ratio for b, e, t in changes if b <= clock < e), 1.0)
            meter += own * factor * (1 + 0.001 * rng.standard_normal())
            if meter >= meter_end:
                break
            clock = float(self._clock_at(np.array([meter]))[0])
            skipped = next((t for b, e, t in dead if b <= clock < e), None)
            if skipped is None or (skipped.variant == "intermittent" and rng.random() > skipped.ratio):
                due.append((meter, False))
        # Somebody presses the test button after a repair.
        for trouble in machine.troubles:
            if trouble.end_days is not None and trouble.kind in ("blocked_line", "open_line", "missed_cycles"):
                repaired = self.end_h - 24 * trouble.end_days
                nxt = int(np.searchsorted(self.on[:, 0], repaired))
                if nxt < len(self.on):
                    due.append((float(self.meter[2 * nxt]) + 0.03, True))
        due.sort()
        self.cycle_meter = np.array([m for m, _ in due])
        self.manual = np.array([m for _, m in due], bool)
        self.cycle_clock = self._clock_at(self.cycle_meter)
        n = len(due)
        self.run_s = machine.run_s * (1 + 0.004 * rng.standard_normal(n))
        short = self._inside(self.cycle_clock, "incomplete_cycles") & np.array(
            [self._variant(h, "incomplete_cycles") == "short" and rng.random() < 0.6 for h in self.cycle_clock], bool
        )
        self.run_s[short] *= 0.35
        self.done_clock = self._clock_at(np.minimum(self.cycle_meter + self.run_s / 3600, meter_end))

    def _variant(self, hour: float, kind: str) -> str:
        return next((t.variant for b, e, t in self._spans(kind) if b <= hour < e), "")

    # The grease -----------------------------------------------------------------------------------------------

    def _reservoir(self) -> None:
        machine, rng = self.machine, self.rng
        share = float(np.clip(1 + 0.06 * rng.standard_normal(), 0.87, 1.13))
        dose_pct = sum(p.dose_cm3 for p in machine.points) / (machine.reservoir_l * 10) * share
        forgotten = self._spans("starved_pump", "low_level")
        overfilled = [b for b, _, _ in self._spans("overfill")]
        levels, airy = [], []
        self.fills: list[tuple[float, float, float]] = []  # clock, from, to
        level, pending, bleed = float(rng.uniform(45, 97)), None, 0
        trigger = self._fill_below()
        leaks, worn = self._spans("reservoir_loss"), self._spans("under_delivery")
        for i, clock in enumerate(self.cycle_clock):
            nobody = any(b <= clock < e for b, e, _ in forgotten)
            if pending is not None and clock >= pending and not nobody:
                target = float(rng.uniform(88, 98))
                if rng.random() < 0.15 and level < 45:
                    target = level + float(rng.uniform(20, 35))
                if overfilled and clock >= overfilled[0]:
                    target, overfilled = 106.0, overfilled[1:]
                before = float(self.cycle_clock[i - 1]) if i else clock - 0.5
                self.fills.append((before + 0.6 * (clock - before), level, target))
                bleed = int(rng.integers(8, 20)) if level < 2.5 else 0
                level, pending = target, None
                trigger = self._fill_below()
            dry = level < 2.5
            factor = next((t.ratio for b, e, t in leaks + worn if b <= clock < e), 1.0)
            part = min(1.0, self.run_s[i] / machine.run_s) * (0.15 if dry else 1.0)
            level = max(0.6, level - dose_pct * factor * part)
            bleed = max(0, bleed - 1)
            levels.append(level)
            airy.append(dry or bleed > 0)
            if pending is None and level < trigger:
                pending = clock + float(rng.exponential(14)) + 3
        self.level, self.airy = np.array(levels), np.array(airy, bool)

    def _fill_below(self) -> float:
        """The level below which somebody thinks of filling; with a switch only, when its lamp lights."""
        if self.machine.level == "switch":
            return self.machine.low_mark_pct
        return self.machine.low_mark_pct + float(self.rng.uniform(4, 18))

    # Pressures ------------------------------------------------------------------------------------------------

    def _pressures(self) -> None:
        machine, rng = self.machine, self.rng
        names = channels(machine)
        self.channels = list(dict.fromkeys(name for name in names.values() if name))
        n = len(self.cycle_clock)
        self.complete = np.ones(n, bool)
        self.rest = np.full(n, np.nan)
        self.peak = np.zeros((n, len(self.channels)))
        if not self.channels or not n:
            return
        cold = np.interp(self.cycle_clock, self.clock, self.grease_c)
        since = self.cycle_clock - self._stop_end()[0]
        stiff = np.where(self._stop_end()[1] > _LONG_STOP_H, 0.14 * np.exp(-since / 0.4), 0.0)
        yield_pa, consistency = grease.properties(machine.nlgi, _TEMPS)
        lines = np.empty((n, len(machine.points)))
        for j, point in enumerate(machine.points):
            flow = np.full(len(_TEMPS), point.dose_cm3 * 1000 / machine.run_s)
            back = float(rng.uniform(*_BACK_KPA))
            table = (
                grease.pressure_kpa(flow, np.array(point.length_m), np.array(point.bore_mm), yield_pa, consistency)
                + back * (consistency / consistency[len(_TEMPS) // 2]) ** 0.3
            )
            lines[:, j] = np.interp(cold, _TEMPS, table) * (1 + stiff)
            age = 0.02 * rng.standard_normal() / 30 / 24
            lines[:, j] *= np.exp(age * (self.cycle_clock - self.start_h))
        for b, e, t in self._spans("grease_change"):
            lines[(self.cycle_clock >= b) & (self.cycle_clock < e)] *= t.ratio
        stopped = np.zeros(n, bool)
        for b, e, t in self._spans("blocked_line", "open_line"):
            inside = (self.cycle_clock >= b) & (self.cycle_clock < e)
            grown = 1.0 if t.ramp_days <= 0 else np.clip((self.cycle_clock - b) / (24 * t.ramp_days), 0, 1)
            j = (t.line or 1) - 1
            lines[:, j] *= np.where(inside, t.ratio**grown, 1.0)
            stopped |= inside & (t.kind == "blocked_line") & (machine.feed == "progressive")
        if machine.feed == "progressive":
            main = lines.max(axis=1, keepdims=True) + _DIVIDER_KPA
        elif machine.feed == "injector":
            main = _INJECTOR_KPA + 0.35 * lines.max(axis=1, keepdims=True)
        else:
            main = lines.max(axis=1, keepdims=True)
        for c, name in enumerate(self.channels):
            own = [j for j, p in enumerate(machine.points) if names[p.line] == name]
            self.peak[:, c] = main[:, 0] if machine.channel_by == "main" else lines[:, own].max(axis=1)
        together = np.exp(0.035 * rng.standard_normal(n))[:, None]
        self.peak *= together * np.exp(0.06 * rng.standard_normal(self.peak.shape))
        self.peak *= np.where(self.run_s < 0.6 * machine.run_s, 0.8, 1.0)[:, None]
        lost = np.exp(rng.normal(-1.2, 0.45, n)) * self.airy
        self.peak = np.where(self.airy[:, None], self.peak * np.minimum(lost, 0.85)[:, None], self.peak)
        wild = rng.random(self.peak.shape) < 0.0015
        self.peak = np.where(wild, self.peak * np.exp(rng.normal(0, 1.0, self.peak.shape)), self.peak)
        limit = machine.relief_kpa * (1 + 0.012 * rng.standard_normal(self.peak.shape))
        at_relief = (self.peak > machine.relief_kpa).any(axis=1)
        self.peak = np.minimum(self.peak, limit)
        self._confirm(stopped | (at_relief & stopped))
        self._break_sensors()

    def _stop_end(self) -> tuple[Floats, Floats]:
        """(clock of the latest ignition-on, hours it stood before) for each cycle."""
        which = np.maximum(np.searchsorted(self.on[:, 0], self.cycle_clock, "right") - 1, 0)
        stood = np.r_[24.0, self.on[1:, 0] - self.on[:-1, 1]]
        return self.on[which, 0], stood[which]

    def _confirm(self, stopped: NDArray[np.bool_]) -> None:
        unconfirmed = np.array([self._variant(h, "incomplete_cycles") == "unconfirmed" for h in self.cycle_clock], bool)
        self.complete &= ~(stopped | self.airy | (unconfirmed & (self.rng.random(len(unconfirmed)) < 0.85)))
        if self.machine.feed == "injector":
            n = len(self.cycle_clock)
            self.rest = 1400 * np.exp(0.1 * self.rng.standard_normal(n))
            held = np.array([self._variant(h, "incomplete_cycles") == "not vented" for h in self.cycle_clock], bool)
            self.rest = np.where(held, 0.62 * self.peak[:, 0], self.rest)

    def _break_sensors(self) -> None:
        for b, e, t in self._spans("pressure_sensor"):
            inside = (self.cycle_clock >= b) & (self.cycle_clock < e)
            names = channels(self.machine)
            c = self.channels.index(names[t.line or 1] or "")
            if t.variant == "missing":
                self.peak[inside, c] = np.nan
            elif inside.any():
                self.peak[inside, c] = self.peak[np.argmax(inside), c]

    # Messages -------------------------------------------------------------------------------------------------

    def messages(self) -> list[Sent]:
        """Everything the controller sends, in order of arrival."""
        self._tell_ignition()
        self._tell_cycles()
        self._tell_levels()
        self._tell_faults()
        self.drafts.sort(key=lambda d: (d.hour, d.at_h))
        return self._radio()

    def _draft(self, hour: float, kind: str, at_h: float, **values: object) -> None:
        self.drafts.append(_Draft(hour, kind, at_h, float(self._hours_at(np.array([at_h]))[0]), values))

    def _tell_ignition(self) -> None:
        for begin, end in self.on:
            self._draft(begin, "ignition", begin, on=True)
            self._draft(end, "ignition", end, on=False)

    def _tell_cycles(self) -> None:
        confirmed = self.machine.feed == "progressive"
        air = np.interp(self.cycle_clock, self.clock, self.air) + 0.6 * self.rng.standard_normal(len(self.cycle_clock))
        volts = 27.4 + 0.5 * self.rng.standard_normal(len(self.cycle_clock))
        for i, clock in enumerate(self.cycle_clock):
            peaks = {
                name: None if np.isnan(v) else float(np.round(v / _QUANTUM_KPA) * _QUANTUM_KPA)
                for name, v in zip(self.channels, self.peak[i], strict=True)
            }
            values: dict[str, object] = {
                "run_s": round(float(self.run_s[i]), 1),
                "complete": bool(self.complete[i]) if confirmed else None,
                "temp_c": round(float(air[i]), 1),
                "supply_v": round(float(volts[i]), 1),
                "peak_kpa": peaks,
                "cycle_no": i,
            }
            if self.manual[i]:
                values["manual"] = True
            if not np.isnan(self.rest[i]):
                values["rest_kpa"] = {self.channels[0]: float(np.round(self.rest[i], -1))}
            self._draft(float(self.done_clock[i]), "cycle", float(clock), **values)

    def _tell_levels(self) -> None:
        if self.machine.level != "percent" or not len(self.level):
            return
        rng = self.rng
        every, noise = float(rng.uniform(1.2, 3.0)), float(rng.uniform(0.7, 1.4))
        lean = float(rng.uniform(0.1, 0.4))
        marks = np.arange(every, self.meter[-1], every)
        clock = self._clock_at(marks)
        events = sorted([(c, lv) for c, lv in zip(self.cycle_clock, self.level, strict=True)]
                        + [(c, to) for c, _, to in self.fills])  # fmt: skip
        when, value = np.array([c for c, _ in events]), np.array([v for _, v in events])
        at = np.maximum(np.searchsorted(when, clock, "right") - 1, 0)
        tilt = 2.2 * rng.standard_normal(len(clock))
        reading = value[at] + noise * rng.standard_normal(len(clock)) + lean * tilt
        stuck = None
        for i, hour in enumerate(clock):
            variant = self._variant(float(hour), "level_sensor")
            if variant == "dropout":
                continue
            shown = round(float(np.clip(reading[i], 0, 115)) * 2) / 2
            if variant == "stuck":
                stuck = shown if stuck is None else stuck
                shown = stuck
            elif variant == "impossible":
                shown = 0.0
            else:
                stuck = None
            self._draft(float(hour), "level", float(hour), level_pct=shown, tilt_deg=round(float(tilt[i]), 1))

    def _tell_faults(self) -> None:
        """The controller's own remarks: level at the mark, pressure at relief, and chatter."""
        machine = self.machine
        low = self.level <= machine.low_mark_pct
        for i in np.flatnonzero(np.diff(np.r_[0, low.astype(np.int8)])):
            hour = float(self.done_clock[i])
            self._draft(hour, "fault", hour, code="level_low", active=bool(low[i]))
        if self.channels:
            with np.errstate(invalid="ignore"):
                high = np.any(self.peak >= 0.96 * machine.relief_kpa, axis=1).astype(np.int8)
            for i in np.flatnonzero(np.diff(np.r_[0, high])):
                hour = float(self.done_clock[i])
                self._draft(hour, "fault", hour, code="pressure_high", active=bool(high[i]))
        for _ in range(self.rng.poisson(self.days / 40)):
            k = int(self.rng.integers(len(self.on)))
            hour = float(self.on[k, 0]) + 0.01
            self._draft(hour, "fault", hour, code="supply_low", active=True, value=21.4)
            self._draft(hour + 0.04, "fault", hour + 0.04, code="supply_low", active=False)

    def _radio(self) -> list[Sent]:
        """Number the messages, then lose a few, repeat a few, and hold back those sent out of coverage."""
        rng = self.rng
        replaced = [b for b, _, _ in self._spans("controller_replaced")]
        gaps = [(b, e) for b, e, _ in self._spans("radio_gap")]
        for _ in range(rng.poisson(self.days / 45)):
            begin = self.start_h + float(rng.uniform(0, self.days * 24))
            gaps.append((begin, begin + float(rng.uniform(4, 40))))
        silent = self._spans("silent")
        sent: list[Sent] = []
        boot, seq, meter_zero, cycle_zero = "0", 0, -self.meter_start, 0
        first = self.drafts[0].hour if self.drafts else self.start_h
        self.drafts.insert(0, _Draft(first - 0.002, "state", first - 0.002, 0.0, {"online": True, "firmware": "3.1"}))
        shape = {"cycle": Cycle, "level": Level, "fault": Fault, "ignition": Ignition, "state": State}
        for draft in self.drafts:
            if replaced and draft.hour >= replaced[0]:
                boot, seq, meter_zero = "1", 0, draft.engine_h
                cycle_zero = next((int(str(d.values["cycle_no"])) for d in self.drafts
                                   if d.kind == "cycle" and d.hour >= draft.hour), 0)  # fmt: skip
                replaced = replaced[1:]
            values = dict(draft.values)
            if "cycle_no" in values:
                values["cycle_no"] = int(str(values["cycle_no"])) - cycle_zero
            arrives = draft.hour + float(rng.exponential(0.002))
            for begin, end in gaps:
                if begin <= draft.hour < end:
                    arrives = end + float(rng.uniform(0, 0.1))
            number, seq = seq, seq + 1
            if any(b <= draft.hour < e for b, e, _ in silent) or rng.random() < 0.002:
                continue
            message = shape[draft.kind](
                seq=number, boot=boot, at=_time(draft.at_h), sent_at=_time(arrives),
                engine_h=max(0.0, round(draft.engine_h - meter_zero, 2)), **values,
            )  # fmt: skip
            sent.append(Sent(microseconds(_time(arrives)) + 400_000, draft.kind, message))
            if rng.random() < 0.01:
                again = arrives + float(rng.exponential(0.05))
                sent.append(Sent(microseconds(_time(again)) + 400_000, draft.kind, message))
        return sorted(sent, key=lambda s: s.arrives_us)


def _time(hours: float) -> datetime:
    return EPOCH + timedelta(seconds=round(hours * 3600))
