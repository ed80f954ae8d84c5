"""One vehicle with its lubrication system: ignition, timer, pump, lines, reservoir, sensors, people, radio.

The whole span is worked out at once as arrays, then told as the messages that its controller would send. Every aspect
draws its random numbers from a generator of its own, in order of time: what breaks at some hour changes nothing before it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ingest.messages import AnyMessage, Cycle, Fault, Ignition, Level, State, Trace
from ingest.times import EPOCH, microseconds
from simulators import duty, hydraulics, radio, reservoir, weather
from simulators.hydraulics import Lines
from simulators.scenario import Depot, Machine, Trouble

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_QUANTUM_KPA: Final = 10.0
_LONG_STOP_H: Final = 8.0
_SOCKET_US: Final = 400_000  # from the controller to the broker
_KINDS: Final = ("state", "ignition", "cycle", "level", "fault")


@dataclass(frozen=True)
class Sent:
    """A message on its way: when it reaches the broker, what it says."""

    arrives_us: int
    kind: str
    message: AnyMessage


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
        self._seed = seed
        self._weather()
        self._duty()
        self._cycles()
        self._strokes()
        self._reservoir()
        self._pressures()

    def _rng(self, aspect: str) -> np.random.Generator:
        return np.random.default_rng([*self._seed, sum(ord(c) << 7 * (i % 4) for i, c in enumerate(aspect))])

    def spans(self, *kinds: str) -> list[tuple[float, float, Trouble]]:
        """(begin, end, trouble) of the kinds, hours since 1970; what lasts ends never."""
        return [
            (self.end_h - 24 * t.begin_days, np.inf if t.end_days is None else self.end_h - 24 * t.end_days, t)
            for t in self.machine.troubles
            if t.kind in kinds
        ]

    def _inside(self, hours: Floats, *kinds: str, variant: str = "") -> Flags:
        flag = np.zeros(len(hours), bool)
        for begin, end, trouble in self.spans(*kinds):
            if not variant or trouble.variant == variant:
                flag |= (hours >= begin) & (hours < end)
        return flag

    # Life -----------------------------------------------------------------------------------------------------

    def _weather(self) -> None:
        hours = self.days * 24 + 48
        self.clock = self.start_h + np.arange(hours)
        # One weather for all vehicles of a depot.
        rng = np.random.default_rng([*self._seed[:1], sum(map(ord, self.depot.name))])
        self.air_c = weather.air_c(self.depot.climate, self.start_h, self.end_h, hours, rng)
        self.grease_c = weather.lagged(self.air_c, 2.5)

    def _duty(self) -> None:
        habit = duty.HABITS[self.machine.vehicle_class]
        zone, rng = ZoneInfo(self.depot.timezone), self._rng("duty")
        on = duty.ignition(habit, self.start_h, self.days, zone, self.depot.holidays, rng)
        self.on = duty.without(on, [(b, e) for b, e, _ in self.spans("parked")])
        gained = np.cumsum(self.on[:, 1] - self.on[:, 0])
        self.meter_clock = self.on.ravel()
        self.meter = np.column_stack([np.r_[0.0, gained[:-1]], gained]).ravel()
        self.meter_start = float(np.round(rng.uniform(900, 9000), 2))

    def _hours_at(self, clock: Floats) -> Floats:
        return np.asarray(np.interp(clock, self.meter_clock, self.meter)) if len(self.on) else np.zeros(len(clock))

    def _clock_at(self, meter: Floats) -> Floats:
        # Just before the hour meter moves on it stands still: take the time at which it reaches the value.
        if not len(self.on):
            return np.full(len(meter), self.start_h)
        return np.interp(meter, self.meter + np.arange(len(self.meter)) * 1e-9, self.meter_clock)

    # The pump -------------------------------------------------------------------------------------------------

    def _cycles(self) -> None:
        machine, timer, luck = self.machine, self._rng("timer"), self._rng("contact")
        own = machine.interval_min / 60 * (1 + 0.007 * timer.standard_normal())
        end = float(self.meter[-1]) if len(self.meter) else 0.0
        most = int(end / own * 4) + 50
        steps = own * (1 + 0.001 * timer.standard_normal(most))
        due = self._timed(steps, end)
        chance = luck.random(len(due))
        clock = self._clock_at(due)
        runs = np.ones(len(due), bool)
        for begin, until, trouble in self.spans("missed_cycles"):
            inside = (clock >= begin) & (clock < until)
            runs &= ~inside | ((trouble.variant == "intermittent") & (chance > trouble.ratio))
        # Somebody presses the test button after a repair.
        pressed = [
            float(self.meter[2 * k]) + 0.03
            for _, until, t in self.spans("blocked_line", "open_line", "missed_cycles", "starved_pump")
            if (k := int(np.searchsorted(self.on[:, 0], until))) < len(self.on)
        ]
        meter = np.r_[due[runs], pressed]
        order = np.argsort(meter, kind="stable")
        meter, manual = meter[order], np.r_[np.zeros(int(runs.sum()), bool), np.ones(len(pressed), bool)][order]
        clock, n = self._clock_at(meter), len(meter)
        run_s = machine.run_s * (1 + 0.004 * self._rng("run").standard_normal(n))
        short = self._inside(clock, "incomplete_cycles", variant="short")
        run_s[short & (self._rng("short").random(n) < 0.6)] *= 0.35
        # A run that the ignition cuts short is finished when it comes on again: if it ever does.
        ended = meter + run_s / 3600 <= end
        self.cycle_meter, self.cycle_clock, self.manual, self.run_s = (v[ended] for v in (meter, clock, manual, run_s))
        self.done_clock = self._clock_at(self.cycle_meter + self.run_s / 3600)

    def _timed(self, steps: Floats, end: float) -> Floats:
        """Ignition hours at which the timer starts a cycle; another setting holds from its time on."""
        changes = self.spans("timer_mismatch")
        edges = sorted({h for begin, until, _ in changes for h in (begin, until) if np.isfinite(h)})
        meters = [*self._hours_at(np.array(edges)), end] if edges else [end]
        due, position, used, begin = [], 0.0, 0, -np.inf
        for edge, meter in zip([*edges, np.inf], meters, strict=True):
            factor = next((t.ratio for b, e, t in changes if b <= begin < e), 1.0)
            at = position + np.cumsum(steps[used:] * factor)
            inside = at[at < meter]
            due.append(inside)
            used += len(inside)
            position = float(inside[-1]) if len(inside) else position
            begin = edge
        return np.concatenate(due)

    # The grease -----------------------------------------------------------------------------------------------

    def _strokes(self) -> None:
        machine, clock = self.machine, self.cycle_clock
        n, width = len(clock), len(machine.points)
        self.lines = Lines(machine, self._rng("tubes"))
        which = np.maximum(np.searchsorted(self.on[:, 0], clock, "right") - 1, 0)
        stood = np.r_[24.0, self.on[1:, 0] - self.on[:-1, 1]]
        since, long_stop = clock - self.on[which, 0] if n else clock, stood[which] > _LONG_STOP_H if n else clock > 0
        stiffness = 1 + np.where(long_stop, 0.14 * np.exp(-since / 0.4), 0.0)
        for begin, end, t in self.spans("grease_change"):
            stiffness[(clock >= begin) & (clock < end)] *= t.ratio
        choke, leak, wear = np.ones((n, width)), np.ones((n, width)), np.ones((n, width))
        for begin, end, t in self.spans("blocked_line", "open_line"):
            inside = (clock >= begin) & (clock < end)
            grown = 1.0 if t.ramp_days <= 0 else np.clip((clock - begin) / (24 * t.ramp_days), 0, 1)
            factor = choke if t.kind == "blocked_line" else leak
            factor[:, (t.line or 1) - 1] *= np.where(inside, t.ratio**grown, 1.0)
        for begin, end, t in self.spans("under_delivery"):
            wear[(clock >= begin) & (clock < end)] *= t.ratio
        cold = np.interp(clock, self.clock, self.grease_c)
        self.freedom = 1 / (choke * leak)
        self.stroke = self.lines.stroke(cold, stiffness, clock - self.start_h, choke, leak, wear)

    def _reservoir(self) -> None:
        machine, clock, rng = self.machine, self.cycle_clock, self._rng("reservoir")
        # No pump gives just what its sheet says.
        share = float(np.clip(1 + 0.06 * rng.standard_normal(), 0.87, 1.13))
        taken = self.stroke.through @ self.lines.dose_mm3 / (machine.reservoir_l * 1e4) * share
        if machine.feed == "injector":  # what was not vented did not reload
            taken = np.where(self._held(), 0.1 * taken, taken)
        taken *= np.minimum(1.0, self.run_s / machine.run_s)
        for begin, end, t in self.spans("reservoir_loss"):
            taken[(clock >= begin) & (clock < end)] *= t.ratio
        people = reservoir.People(
            machine.low_mark_pct,
            machine.level == "switch",
            self.depot.careless,
            np.column_stack([self.on[:-1, 1], self.on[1:, 0]]),
            [(begin, end) for begin, end, _ in self.spans("starved_pump", "low_level")],
            [begin for begin, _, _ in self.spans("overfill")],
        )
        self.use_pct = taken
        self.level = reservoir.walk(clock, taken, people, rng)

    def _held(self) -> Flags:
        return self._inside(self.cycle_clock, "incomplete_cycles", variant="not vented")

    # Sensors --------------------------------------------------------------------------------------------------

    def _pressures(self) -> None:
        machine, n, rng = self.machine, len(self.cycle_clock), self._rng("pressure")
        names = channels(machine)
        self.channels = list(dict.fromkeys(name for name in names.values() if name))
        airy = self.level.airy
        unconfirmed = self._inside(self.cycle_clock, "incomplete_cycles", variant="unconfirmed")
        self.complete = ~(self.stroke.stopped | airy | (unconfirmed & (self._rng("switch").random(n) < 0.85)))
        self.rest = np.full(n, np.nan)
        self.peak = np.zeros((n, len(self.channels)))
        if not self.channels or not n:
            return
        for c, name in enumerate(self.channels):
            own = [j for j, p in enumerate(machine.points) if names[p.line] == name]
            one = self.stroke.main_kpa if machine.channel_by == "main" else self.stroke.line_kpa[:, own].max(axis=1)
            self.peak[:, c] = one
        shape = self.peak.shape
        noise = rng.standard_normal((n, shape[1] + 1))
        self.peak *= np.exp(0.035 * noise[:, :1] + 0.06 * noise[:, 1:])
        self.peak *= np.where(self.run_s < 0.6 * machine.run_s, 0.8, 1.0)[:, None]
        lost = np.minimum(np.exp(self._rng("air").normal(-1.2, 0.45, n)), 0.85)
        self.peak *= np.where(airy, lost, 1.0)[:, None]
        wild = self._rng("wild").random(shape) < 0.0015
        self.peak = np.where(wild, self.peak * np.exp(self._rng("how wild").normal(0, 1.0, shape)), self.peak)
        limit = machine.relief_kpa * (1 + 0.012 * self._rng("relief").standard_normal(shape))
        self.peak = np.minimum(self.peak, limit)
        if machine.feed == "injector":
            self.rest = hydraulics.rest_kpa(self.peak[:, 0], self._held(), self._rng("vent"))
        self._break_sensors()

    def _break_sensors(self) -> None:
        for begin, end, t in self.spans("pressure_sensor"):
            inside = (self.cycle_clock >= begin) & (self.cycle_clock < end)
            c = self.channels.index(channels(self.machine)[t.line or 1] or "")
            match t.variant:
                case "missing":
                    self.peak[inside, c] = np.nan
                case "impossible":
                    self.peak[inside, c] = 100_000.0
                case "offset":
                    self.peak[inside, c] += 1000 * t.ratio
                case _ if inside.any():
                    self.peak[inside, c] = self.peak[np.argmax(inside), c]

    def _level_readings(self) -> tuple[Floats, Floats, Floats]:
        """(clock, percent, tilt in degrees) of each level message; NaN while the sensor says nothing."""
        if self.machine.level != "percent" or not len(self.cycle_clock):
            return np.zeros(0), np.zeros(0), np.zeros(0)
        traits = self._rng("sensor")
        every, noise, lean = (float(traits.uniform(a, b)) for a, b in ((1.2, 3.0), (0.7, 1.4), (0.1, 0.4)))
        bend, drift = float(traits.normal(0, 1.0)), float(traits.normal(0, 0.004))
        clock = self._clock_at(np.arange(every, self.meter[-1], every))
        rng, n = self._rng("level"), len(clock)
        when = np.r_[self.cycle_clock, [f.hour for f in self.level.fills]]
        value = np.r_[self.level.pct, [f.to_pct for f in self.level.fills]]
        order = np.argsort(when, kind="stable")
        at = np.maximum(np.searchsorted(when[order], clock, "right") - 1, 0)
        true = value[order][at]
        noises = rng.standard_normal((n, 3))
        tilt = 2.2 * noises[:, 0]
        # It sloshes while the vehicle moves, which is most of the time.
        slosh = noise * noises[:, 1] * (1 + 0.8 * (noises[:, 2] > 0.8))
        seen = true + slosh + lean * tilt + bend * np.sin(np.pi * true / 100) + drift * (clock - self.start_h) / 24
        odd = self._rng("spike").random((n, 2))
        seen = np.where(odd[:, 0] < 0.0015, 120 * odd[:, 1], seen)
        reading = np.round(np.clip(seen, 0, 115) * 2) / 2
        for begin, end, t in self.spans("level_sensor"):
            inside = (clock >= begin) & (clock < end)
            if t.variant == "dropout":
                reading[inside] = np.nan
            elif inside.any():
                reading[inside] = 0.0 if t.variant == "impossible" else reading[np.argmax(inside)]
        return clock, reading, np.round(tilt, 1)

    def _remarks(self) -> list[tuple[float, dict[str, Any]]]:
        """What the controller notices itself: level at the mark, pressure at relief, and chatter."""
        machine, found = self.machine, list[tuple[float, dict[str, Any]]]()
        low = (self.level.pct <= machine.low_mark_pct).astype(np.int8)
        for i in np.flatnonzero(np.diff(np.r_[0, low])):
            found.append((float(self.done_clock[i]), {"code": "level_low", "active": bool(low[i])}))
        if self.channels:
            with np.errstate(invalid="ignore"):
                high = np.any(self.peak >= 0.96 * machine.relief_kpa, axis=1).astype(np.int8)
            for i in np.flatnonzero(np.diff(np.r_[0, high])):
                found.append((float(self.done_clock[i]), {"code": "pressure_high", "active": bool(high[i])}))
        chatter = self._rng("chatter")
        for hour in np.sort(self.start_h + chatter.uniform(0, self.days * 24, chatter.poisson(self.days / 40))):
            k = int(np.searchsorted(self.on[:, 0], hour))
            if k < len(self.on):
                at = float(self.on[k, 0]) + 0.01
                found.append((at, {"code": "supply_low", "active": True, "value": 21.4}))
                found.append((at + 0.04, {"code": "supply_low", "active": False}))
        return found

    # Messages -------------------------------------------------------------------------------------------------

    def messages(self, after_us: int = -(1 << 62)) -> Iterator[Sent]:
        """What the controller sends, in order of arrival; only what arrives after a time."""
        told = _Told(self)
        begin = int(np.searchsorted(told.arrives_us, after_us, "right"))
        for place in range(begin, len(told.arrives_us)):
            yield told.sent(place)


class _Told:
    """A simulation's messages: numbered in the order in which the controller has them, then carried by the radio."""

    def __init__(self, run: Simulation) -> None:
        self.run = run
        self.level_clock, self.reading, self.tilt = run._level_readings()
        self.remarks = run._remarks()
        on, off = run.on[:, 0], run.on[:, 1]
        boots = [float(on[0]) if len(on) else run.start_h, *(b for b, _, _ in run.spans("controller_replaced"))]
        heard = ~np.isnan(self.reading)
        ready = (  # when the controller has it to send, and when it happened
            (np.array(boots[:1]) - 0.002, np.array(boots[:1]) - 0.002),
            (np.r_[on, off], np.r_[on, off]),
            (run.done_clock, run.cycle_clock),
            (self.level_clock[heard], self.level_clock[heard]),
            (np.array([h for h, _ in self.remarks]), np.array([h for h, _ in self.remarks])),
        )
        indices = (np.zeros(1, int), np.arange(2 * len(on)), np.arange(len(run.cycle_clock)), np.flatnonzero(heard),
                   np.arange(len(self.remarks)))  # fmt: skip
        hour, at = (np.concatenate([pair[k] for pair in ready]) for k in (0, 1))
        kind = np.repeat(np.arange(len(_KINDS)), [len(index) for index in indices])
        order = np.lexsort((kind, at, hour))
        self.at, self.kind, self.index = at[order], kind[order], np.concatenate(indices)[order]
        hour = hour[order]
        # A new controller counts from the beginning.
        self.boot = np.searchsorted(np.array(boots[1:]), hour, "right")
        first = np.searchsorted(self.boot, np.arange(len(boots)))
        self.seq = np.arange(len(hour)) - first[self.boot]
        meter = run._hours_at(self.at)
        fresh = np.r_[-run.meter_start, run._hours_at(np.array(boots[1:]))]
        self.engine_h = np.maximum(0.0, np.round(meter - fresh[self.boot], 2))
        self.first_cycle = np.searchsorted(run.done_clock, np.array(boots)) if len(boots) > 1 else np.zeros(1, int)
        gaps = [(begin, end) for begin, end, _ in run.spans("radio_gap")]
        silent = [(begin, end) for begin, end, _ in run.spans("silent")]
        self.arrivals, self.leaves = radio.carry(hour, gaps, silent, run.days, run.start_h, run._rng("radio"))
        self.arrives_us = np.round(self.arrivals.hour * 3600).astype(np.int64) * 1_000_000 + _SOCKET_US
        wrong = run.spans("wrong_clock")
        self.clock_off = np.zeros(len(hour))
        for begin, end, trouble in wrong:
            inside = (hour >= begin) & (hour < end)
            # A controller that lost its power counts from 1970 on.
            self.clock_off[inside] = -begin if trouble.variant == "reset" else trouble.ratio
        cycles = len(run.cycle_clock)
        air = np.interp(run.cycle_clock, run.clock, run.air_c)
        self.temp_c = np.round(air + 0.6 * run._rng("thermometer").standard_normal(cycles), 1)
        self.supply_v = np.round(27.4 + 0.5 * run._rng("supply").standard_normal(cycles), 1)
        self.peak = np.round(run.peak / _QUANTUM_KPA) * _QUANTUM_KPA

    def sent(self, place: int) -> Sent:
        """The message that arrives at a place in the order of arrivals."""
        m = int(self.arrivals.index[place])
        kind, index, off = _KINDS[self.kind[m]], int(self.index[m]), float(self.clock_off[m])
        common: dict[str, Any] = {
            "seq": int(self.seq[m]), "boot": str(self.boot[m]), "at": _time(self.at[m] + off),
            "sent_at": _time(self.leaves[m] + off), "engine_h": float(self.engine_h[m]),
        }  # fmt: skip
        message: AnyMessage
        match kind:
            case "cycle":
                message = Cycle(**common, **self._cycle(m, index))
            case "ignition":
                message = Ignition(**common, on=index < len(self.run.on))
            case "level":
                message = Level(**common, level_pct=float(self.reading[index]), tilt_deg=float(self.tilt[index]))
            case "fault":
                message = Fault(**common, **self.remarks[index][1])
            case _:
                message = State(**common, online=True, firmware="3.1")
        return Sent(int(self.arrives_us[place]), kind, message)

    def _cycle(self, m: int, i: int) -> dict[str, Any]:
        run = self.run
        values: dict[str, Any] = {
            "cycle_no": i - int(self.first_cycle[self.boot[m]]),
            "run_s": round(float(run.run_s[i]), 1),
            "complete": bool(run.complete[i]) if run.machine.feed == "progressive" else None,
            "temp_c": float(self.temp_c[i]),
            "supply_v": float(self.supply_v[i]),
            "peak_kpa": {
                name: None if v != v else v for name, v in zip(run.channels, self.peak[i].tolist(), strict=True)
            },
        }
        if run.manual[i]:
            values["manual"] = True
        if np.isfinite(run.rest[i]):
            values["rest_kpa"] = {run.channels[0]: float(np.round(run.rest[i], -1))}
        every = run.machine.trace_every
        if every and run.channels and i % every == 0:
            values["trace"] = self._traces(i)
        return values

    def _traces(self, i: int) -> dict[str, Trace]:
        run, rng, traces = self.run, np.random.default_rng([*self.run._seed, i]), {}
        names = channels(run.machine)
        for c, name in enumerate(run.channels):
            peak = float(run.peak[i, c])
            own = [j for j, p in enumerate(run.machine.points) if names[p.line] == name]
            free = float(run.freedom[i, own].min() if run.freedom[i, own].min() < 1 else run.freedom[i, own].max())
            if np.isfinite(peak):
                dt_s, kpa = hydraulics.trace_kpa(
                    run.machine, float(run.run_s[i]), peak, run.stroke.line_kpa[i], float(run.rest[i]), free, rng
                )
                traces[name] = Trace(dt_s=dt_s, kpa=kpa)
        return traces


def _time(hours: float) -> datetime:
    return EPOCH + timedelta(seconds=round(float(hours) * 3600))


def arrival_us(hours: float) -> int:
    """Microseconds since 1970 of hours since 1970."""
    return microseconds(_time(hours))
