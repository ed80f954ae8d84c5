"""What a vehicle's controller sends: messages numbered in the order in which it has them, by its own clock, carried by the radio."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.messages import AnyMessage, Cycle, Fault, Ignition, Level, State, Trace
from ingest.times import EPOCH, microseconds
from simulators import hydraulics, radio, sensors
from simulators.machine import Simulation, channels
from simulators.sensors import CycleReadings

Floats = NDArray[np.float64]

_SOCKET_US: Final = 400_000  # from the controller to the broker
_DRAWN_A: Final = 9.2  # by a pump motor that turns hard
_DRAWS: Final = 0.7  # share of its cycles in which that is noticed
_CHATTER_DAYS: Final = 40  # between two moments of low supply that mean nothing, on average
_LOW_V: Final = 22.0  # below it a 24 V controller speaks of a low supply
_KINDS: Final = ("state", "ignition", "cycle", "level", "fault")


@dataclass(frozen=True)
class Sent:
    """A message on its way: when it reaches the broker, what it says."""

    arrives_us: int
    kind: str
    message: AnyMessage


def messages(run: Simulation, after_us: int = -(1 << 62)) -> Iterator[Sent]:
    """What the vehicle's controller sends, in order of arrival; only what arrives after a time."""
    controller = _Controller(run)
    begin = int(np.searchsorted(controller.arrives_us, after_us, "right"))
    for place in range(begin, len(controller.arrives_us)):
        yield controller.sent(place)


def arrival_us(hours: float) -> int:
    """Microseconds since 1970 of hours since 1970."""
    return microseconds(_time(hours))


def _time(hours: float) -> datetime:
    return EPOCH + timedelta(seconds=round(float(hours) * 3600))


class _Controller:
    """A vehicle's messages as arrays in the order of their numbers, and their arrivals."""

    def __init__(self, run: Simulation) -> None:
        self.run, self.cycles, self.levels = run, sensors.of_cycles(run), sensors.of_level(run)
        self.peak_kpa = sensors.quantised_kpa(self.cycles.peak_kpa)
        self.remarks = _remarks(run, self.cycles)
        # A new controller counts from the beginning.
        first_on = float(run.on[0, 0]) if len(run.on) else run.start_h
        boots = np.array([first_on, *(begin for begin, _, _ in run.spans("controller_replaced"))])
        ready_h = self._collect(first_on)
        self._number(ready_h, boots)
        self._carry(ready_h)

    def _collect(self, first_on: float) -> Floats:
        """All messages in order: kind, index within its kind, and when it happened; returns when each is ready to be sent."""
        run = self.run
        # Without an hour meter there is nothing that a message about the ignition could say of it.
        switched = np.zeros(0) if run.machine.hour_meter == "none" else np.r_[run.on[:, 0], run.on[:, 1]]
        heard = np.flatnonzero(~np.isnan(self.levels.pct))
        noticed = np.array([hour for hour, _ in self.remarks])
        begun = np.array([first_on]) - 0.002
        happened = (begun, switched, run.cycle_clock, self.levels.clock[heard], noticed)
        ready = (begun, switched, run.done_clock, self.levels.clock[heard], noticed)
        index = (
            np.zeros(1, int),
            np.arange(len(switched)),
            np.arange(len(run.cycle_clock)),
            heard,
            np.arange(len(noticed)),
        )
        at, ready_h = np.concatenate(happened), np.concatenate(ready)
        kind = np.repeat(np.arange(len(_KINDS)), [len(part) for part in index])
        order = np.lexsort((kind, at, ready_h))
        self.at, self.kind, self.index = at[order], kind[order], np.concatenate(index)[order]
        return np.asarray(ready_h[order])

    def _number(self, ready_h: Floats, boots: Floats) -> None:
        run = self.run
        self.boot = np.searchsorted(boots[1:], ready_h, "right")
        first = np.searchsorted(self.boot, np.arange(len(boots)))
        self.seq = np.arange(len(ready_h)) - first[self.boot]
        fresh = np.r_[-run.meter_start, run.hours_at(boots[1:])]
        self.engine_h = np.maximum(0.0, np.round(run.hours_at(self.at) - fresh[self.boot], 2))
        if run.machine.hour_meter == "whole":
            self.engine_h = np.floor(self.engine_h)
        self.first_cycle = np.searchsorted(run.done_clock, boots) if len(boots) > 1 else np.zeros(1, int)

    def _carry(self, ready_h: Floats) -> None:
        run = self.run
        gaps, silent = ([(begin, end) for begin, end, _ in run.spans(kind)] for kind in ("radio_gap", "silent"))
        self.arrivals, self.leaves = radio.carry(
            ready_h, gaps, silent, run.days, run.more_days, run.start_h, run.rng("radio")
        )
        self.arrives_us = np.round(self.arrivals.hour * 3600).astype(np.int64) * 1_000_000 + _SOCKET_US
        self.clock_off = np.zeros(len(ready_h))
        for begin, end, trouble in run.spans("wrong_clock"):
            inside = (ready_h >= begin) & (ready_h < end)
            # A controller that lost its power counts from 1970 on.
            self.clock_off[inside] = -begin if trouble.variant == "reset" else trouble.ratio

    def sent(self, place: int) -> Sent:
        """The message that arrives at a place in the order of arrivals."""
        m = int(self.arrivals.index[place])
        kind, index, off = _KINDS[self.kind[m]], int(self.index[m]), float(self.clock_off[m])
        common: dict[str, Any] = {
            "seq": int(self.seq[m]), "boot": str(self.boot[m]), "at": _time(self.at[m] + off),
            "sent_at": _time(self.leaves[m] + off),
        }  # fmt: skip
        if self.run.machine.hour_meter != "none":
            common["engine_h"] = float(self.engine_h[m])
        message: AnyMessage
        match kind:
            case "cycle":
                message = Cycle(**common, **self._cycle(m, index))
            case "ignition":
                message = Ignition(**common, on=index < len(self.run.on))
            case "level":
                pct, tilt_deg = float(self.levels.pct[index]), float(self.levels.tilt_deg[index])
                message = Level(**common, level_pct=pct, tilt_deg=tilt_deg)
            case "fault":
                message = Fault(**common, **self.remarks[index][1])
            case _:
                message = State(**common, online=True, firmware="3.1")
        return Sent(int(self.arrives_us[place]), kind, message)

    def _cycle(self, m: int, i: int) -> dict[str, Any]:
        run, cycles = self.run, self.cycles
        peaks = zip(cycles.channels, self.peak_kpa[i].tolist(), strict=True)
        values: dict[str, Any] = {
            "cycle_no": i - int(self.first_cycle[self.boot[m]]),
            "run_s": round(float(run.run_s[i]), 1),
            "complete": bool(cycles.complete[i]) if run.machine.feed == "progressive" else None,
            "temp_c": float(cycles.temp_c[i]),
            "supply_v": float(cycles.supply_v[i]),
            "peak_kpa": {name: None if np.isnan(kpa) else kpa for name, kpa in peaks},
        }
        if run.manual[i]:
            values["manual"] = True
        if np.isfinite(cycles.rest_kpa[i]):
            values["rest_kpa"] = {cycles.channels[0]: float(np.round(cycles.rest_kpa[i], -1))}
        every = run.machine.trace_every
        if every and cycles.channels and i % every == 0:
            values["trace"] = _traces(run, cycles, i)
        return values


def _remarks(run: Simulation, cycles: CycleReadings) -> list[tuple[float, dict[str, Any]]]:
    """(hours since 1970, fault) that the controller notices itself: level at the mark, pressure at relief, electrical trouble, and
    chatter."""
    machine, found = run.machine, list[tuple[float, dict[str, Any]]]()
    low = (run.level.pct <= machine.low_mark_pct).astype(np.int8)
    for i in np.flatnonzero(np.diff(np.r_[0, low])):
        found.append((float(run.done_clock[i]), {"code": "level_low", "active": bool(low[i])}))
    if cycles.channels:
        with np.errstate(invalid="ignore"):
            high = np.any(cycles.peak_kpa >= 0.96 * machine.relief_kpa, axis=1).astype(np.int8)
        for i in np.flatnonzero(np.diff(np.r_[0, high])):
            found.append((float(run.done_clock[i]), {"code": "pressure_high", "active": bool(high[i])}))
    found += _electrics(run, cycles)
    chatter = run.rng("chatter")
    hours = np.sort(run.start_h + chatter.uniform(0, run.days * 24, chatter.poisson(run.days / _CHATTER_DAYS)))
    later = radio.happening(chatter, run.start_h + run.days * 24, run.more_days, _CHATTER_DAYS)
    for hour in [*hours, *later]:
        k = int(np.searchsorted(run.on[:, 0], hour))
        if k < len(run.on):
            at = float(run.on[k, 0]) + 0.01
            found.append((at, {"code": "supply_low", "active": True, "value": 21.4}))
            found.append((at + 0.04, {"code": "supply_low", "active": False}))
    return found


def _electrics(run: Simulation, cycles: CycleReadings) -> list[tuple[float, dict[str, Any]]]:
    """(hours since 1970, fault) of pump motors that draw too much and of supplies that sag, each until a cycle without it."""
    clock, found = run.cycle_clock, list[tuple[float, dict[str, Any]]]()
    draws = run.rng("motor").random(len(clock)) < _DRAWS
    low = run.inside(clock, "controller_fault", variant="supply_low") & (cycles.supply_v < _LOW_V)
    high = run.inside(clock, "controller_fault", variant="motor_current") & draws
    for code, flag, values in (
        ("motor_current", high, np.full(len(clock), _DRAWN_A)),
        ("supply_low", low, cycles.supply_v),
    ):
        for i in np.flatnonzero(np.diff(np.r_[0, flag.astype(np.int8)])):
            value = {"value": float(values[i])} if flag[i] else {}
            found.append((float(run.done_clock[i]), {"code": code, "active": bool(flag[i])} | value))
    return found


def _traces(run: Simulation, cycles: CycleReadings, i: int) -> dict[str, Trace]:
    """The course of pressure on each channel over one cycle."""
    rng, traces = np.random.default_rng([*run.seed, i]), {}
    watched = channels(run.machine)
    for c, name in enumerate(cycles.channels):
        peak = float(cycles.peak_kpa[i, c])
        own = [j for j, p in enumerate(run.machine.points) if watched[p.line] == name]
        free = float(run.freedom[i, own].min() if run.freedom[i, own].min() < 1 else run.freedom[i, own].max())
        if np.isfinite(peak):
            rest = float(cycles.rest_kpa[i])
            dt_s, kpa = hydraulics.trace_kpa(
                run.machine, float(run.run_s[i]), peak, run.stroke.line_kpa[i], rest, free, rng
            )
            traces[name] = Trace(dt_s=dt_s, kpa=kpa)
    return traces
