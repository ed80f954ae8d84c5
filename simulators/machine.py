"""One vehicle with its lubrication system: ignition, timer, pump, lines, reservoir, people.

The whole span is worked out at once as arrays; `sensors` says what is measured of it, `controller` what is sent. Every aspect
draws its random numbers from a generator of its own, in order of time: what breaks at some hour changes nothing before it.
"""

from dataclasses import replace
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulators import duty, reservoir, weather
from simulators.hydraulics import Lines
from simulators.scenario import Depot, Machine, Trouble

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

RUN_TIME: Final = "run time"  # the variant of a timer that is set to another run time, not to another interval
AT_FILL: Final = "at fill"  # the variant of another grease that comes with the next fill
_LONG_STOP_H: Final = 8.0
_TOP_UP_PCT: Final = (3.0, 6.0)
_TOP_UP_DAYS: Final = (3.0, 8.0)  # between two


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
    """A vehicle from `start_h` (hours since 1970 UTC) for `days`; troubles count back from `end_h`. It may go on for `more_days`, which
    change nothing before; only its last days know less, of what was still under way at their end."""

    def __init__(
        self,
        machine: Machine,
        depot: Depot,
        start_h: float,
        days: int,
        end_h: float,
        seed: list[int],
        more_days: int = 0,
    ) -> None:
        self.machine, self.depot, self.start_h, self.end_h = machine, depot, start_h, end_h
        self.days, self.more_days, self.seed = days, more_days, seed
        self._weather()
        self._duty()
        self._cycles()
        self._strokes(regraded=False)
        self._reservoir()
        if self._wait_for_fills():
            self._strokes(regraded=True)
            self._reservoir()

    def rng(self, aspect: str) -> np.random.Generator:
        """The generator that an aspect alone draws from."""
        return np.random.default_rng([*self.seed, sum(ord(c) << 7 * (i % 4) for i, c in enumerate(aspect))])

    def spans(self, *kinds: str) -> list[tuple[float, float, Trouble]]:
        """(begin, end, trouble) of the kinds, hours since 1970; what lasts ends never."""
        return [
            (self.end_h - 24 * t.begin_days, np.inf if t.end_days is None else self.end_h - 24 * t.end_days, t)
            for t in self.machine.troubles
            if t.kind in kinds
        ]

    def inside(self, hours: Floats, *kinds: str, variant: str = "") -> Flags:
        """Which of the hours lie in a trouble of the kinds, of the one variant where it is named."""
        flag = np.zeros(len(hours), bool)
        for begin, end, trouble in self.spans(*kinds):
            if not variant or trouble.variant == variant:
                flag |= (hours >= begin) & (hours < end)
        return flag

    # Life -----------------------------------------------------------------------------------------------------

    def _weather(self) -> None:
        hours, more_hours = self.days * 24 + 48, self.more_days * 24
        self.clock = self.start_h + np.arange(hours + more_hours)
        # One weather for all vehicles of a depot.
        rng = np.random.default_rng([*self.seed[:1], sum(map(ord, self.depot.name))])
        self.air_c = weather.air_c(self.depot.climate, self.start_h, self.end_h, hours, more_hours, rng)
        self.grease_c = weather.lagged(self.air_c, 2.5)

    def _duty(self) -> None:
        habit = duty.HABITS[self.machine.vehicle_class]
        zone, rng = ZoneInfo(self.depot.timezone), self.rng("duty")
        on = duty.ignition(habit, self.start_h, self.days + self.more_days, zone, self.depot.holidays, rng)
        self.on = duty.without(on, [(b, e) for b, e, _ in self.spans("parked")] + self.closed())
        gained = np.cumsum(self.on[:, 1] - self.on[:, 0])
        self.meter_clock = self.on.ravel()
        self.meter = np.column_stack([np.r_[0.0, gained[:-1]], gained]).ravel()
        self.meter_start = float(np.round(self.rng("hour meter").uniform(900, 9000), 2))

    def closed(self) -> list[tuple[float, float]]:
        """(begin, end) of the times in which nobody at the depot works, hours since 1970."""
        begins = [(self.end_h - 24 * begin_days, days) for begin_days, days in self.depot.closed]
        return [(begin, begin + 24 * days) for begin, days in begins]

    def hours_at(self, clock: Floats) -> Floats:
        """Ignition hours since the start at times (hours since 1970)."""
        return np.asarray(np.interp(clock, self.meter_clock, self.meter)) if len(self.on) else np.zeros(len(clock))

    def clock_at(self, meter: Floats) -> Floats:
        """When the ignition hours since the start were reached, hours since 1970."""
        # Just before the hour meter moves on it stands still: take the time at which it reaches the value.
        if not len(self.on):
            return np.full(len(meter), self.start_h)
        return np.interp(meter, self.meter + np.arange(len(self.meter)) * 1e-9, self.meter_clock)

    # The pump -------------------------------------------------------------------------------------------------

    def _cycles(self) -> None:
        machine, timer, luck = self.machine, self.rng("timer"), self.rng("contact")
        own = machine.interval_min / 60 * (1 + 0.007 * timer.standard_normal())
        end = float(self.meter[-1]) if len(self.meter) else 0.0
        most = int(end / own * 4) + 50
        steps = own * (1 + 0.001 * timer.standard_normal(most))
        due = self._timed(steps, end)
        chance = luck.random(len(due))
        clock = self.clock_at(due)
        runs = np.ones(len(due), bool)
        for begin, until, trouble in self.spans("missed_cycles"):
            inside = (clock >= begin) & (clock < until)
            runs &= ~inside | ((trouble.variant == "intermittent") & (chance > trouble.ratio))
        self.due_clock = clock  # when the timer meant to start the pump, whether or not it did
        # Somebody presses the test button after a repair.
        pressed = [
            float(self.meter[2 * k]) + 0.03
            for _, until, t in self.spans("blocked_line", "open_line", "missed_cycles", "starved_pump")
            if (k := int(np.searchsorted(self.on[:, 0], until))) < len(self.on)
        ]
        meter = np.r_[due[runs], pressed]
        order = np.argsort(meter, kind="stable")
        meter, manual = meter[order], np.r_[np.zeros(int(runs.sum()), bool), np.ones(len(pressed), bool)][order]
        clock, n = self.clock_at(meter), len(meter)
        setting = np.ones(n)  # of the run time, by the registered one
        for begin, until, trouble in self.spans("timer_mismatch"):
            if trouble.variant == RUN_TIME:
                setting[(clock >= begin) & (clock < until)] = trouble.ratio
        run_s = machine.run_s * (1 + 0.004 * self.rng("run").standard_normal(n)) * setting
        short = self.inside(clock, "incomplete_cycles", variant="short")
        run_s[short & (self.rng("short").random(n) < 0.6)] *= 0.35
        # A run that the ignition cuts short is finished when it comes on again: if it ever does.
        ended = meter + run_s / 3600 <= end
        self.cycle_meter, self.cycle_clock, self.manual, self.run_s, self.run_setting = (
            v[ended] for v in (meter, clock, manual, run_s, setting)
        )
        self.done_clock = self.clock_at(self.cycle_meter + self.run_s / 3600)

    def _timed(self, steps: Floats, end: float) -> Floats:
        """Ignition hours at which the timer starts a cycle; another setting holds from its time on."""
        changes = [span for span in self.spans("timer_mismatch") if span[2].variant != RUN_TIME]
        edges = sorted({h for begin, until, _ in changes for h in (begin, until) if np.isfinite(h)})
        meters = [*self.hours_at(np.array(edges)), end] if edges else [end]
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

    def _strokes(self, *, regraded: bool) -> None:
        machine, clock = self.machine, self.cycle_clock
        n, width = len(clock), len(machine.points)
        self.lines = Lines(machine, self.rng("tubes"))
        which = np.maximum(np.searchsorted(self.on[:, 0], clock, "right") - 1, 0)
        stood = np.r_[24.0, self.on[1:, 0] - self.on[:-1, 1]]
        since, long_stop = clock - self.on[which, 0] if n else clock, stood[which] > _LONG_STOP_H if n else clock > 0
        stiffness = 1 + np.where(long_stop, 0.14 * np.exp(-since / 0.4), 0.0)
        for begin, end, t in self.spans("grease_change"):
            if regraded or t.variant != AT_FILL:
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
        age_h = clock - self.start_h
        self.stroke = self.lines.stroke(cold, stiffness, age_h, choke, leak, wear)
        # What it would be with sound lines: by how much a channel is off is the truth's to say.
        self.sound_stroke = self.stroke
        if self.spans("blocked_line", "open_line"):
            whole = np.ones((n, width))
            self.sound_stroke = self.lines.stroke(cold, stiffness, age_h, whole, whole, wear)

    def _reservoir(self) -> None:
        machine, clock, rng = self.machine, self.cycle_clock, self.rng("reservoir")
        # No pump gives just what its sheet says.
        share = float(np.clip(1 + 0.06 * rng.standard_normal(), 0.87, 1.13))
        taken = self.stroke.through @ self.lines.dose_mm3 / (machine.reservoir_l * 1e4) * share
        self.held = self.inside(clock, "incomplete_cycles", variant="not vented")
        if machine.feed == "injector":  # what was not vented did not reload
            taken = np.where(self.held, 0.1 * taken, taken)
        # An injector gives its dose once a cycle; a pumping element gives more the longer it runs.
        ran = self.run_s / (machine.run_s * self.run_setting)
        taken *= np.minimum(1.0, ran) * (1.0 if machine.feed == "injector" else self.run_setting)
        for begin, end, t in self.spans("reservoir_loss"):
            taken[(clock >= begin) & (clock < end)] *= t.ratio
        stops = np.column_stack([self.on[:-1, 1], self.on[1:, 0]])
        people = reservoir.People(
            machine.low_mark_pct,
            machine.level == "switch",
            self.depot.careless,
            stops,
            [(begin, end) for begin, end, _ in self.spans("starved_pump", "low_level")],
            [begin for begin, _, _ in self.spans("overfill")],
            self._top_ups(stops),
        )
        self.use_pct = taken
        self.level = reservoir.walk(clock, taken, people, rng)

    def _top_ups(self, stops: Floats) -> list[tuple[float, float]]:
        """(hours since 1970, points) of small fills."""
        rng, found = self.rng("top-ups"), list[tuple[float, float]]()
        for begin, end, _ in self.spans("top_ups"):
            hour = begin
            while hour < min(end, self.start_h + 24 * (self.days + self.more_days)):
                found.append((reservoir.standing(stops, hour), float(rng.uniform(*_TOP_UP_PCT))))
                hour += 24 * float(rng.uniform(*_TOP_UP_DAYS))
        return found

    def _wait_for_fills(self) -> bool:
        """Let each change of grease that comes with a fill begin at the first fill after its time; whether there is one."""
        fills = [fill.hour for fill in self.level.fills]
        troubles = list(self.machine.troubles)
        waiting = [k for k, t in enumerate(troubles) if t.kind == "grease_change" and t.variant == AT_FILL]
        for k in waiting:
            hour = next((h for h in fills if h >= self.end_h - 24 * troubles[k].begin_days), np.inf)
            troubles[k] = replace(troubles[k], begin_days=(self.end_h - hour) / 24)
        self.machine = replace(self.machine, troubles=tuple(troubles))
        return bool(waiting)
