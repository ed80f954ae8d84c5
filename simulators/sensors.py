"""What a vehicle's sensors make of what happens: pressures, confirmation, level, temperature, supply; and how they break."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulators import hydraulics
from simulators.machine import Simulation, channels
from simulators.scenario import Trouble

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_QUANTUM_KPA: Final = 10.0
_CHARGED_V: Final = 27.4  # a 24 V supply while the engine runs
_SAGGING_V: Final = 20.8  # the same behind a corroded plug, while the pump runs
_SAGS: Final = 0.8  # share of the cycles
_WILD: Final = 0.0015  # share of readings that are off by far


@dataclass(frozen=True)
class LevelReadings:
    """Level messages at `clock` (m,) hours since 1970: percent, NaN while the sensor says nothing, and tilt in degrees."""

    clock: Floats
    pct: Floats
    tilt_deg: Floats


@dataclass(frozen=True)
class CycleReadings:
    """Of each cycle: `peak_kpa` (n, channels) and `rest_kpa` (n,), NaN where nothing is measured; `complete` (n,) whether it was
    confirmed; `temp_c` and `supply_v` (n,)."""

    channels: list[str]
    peak_kpa: Floats
    rest_kpa: Floats
    complete: Flags
    temp_c: Floats
    supply_v: Floats


def of_cycles(run: Simulation) -> CycleReadings:
    """What is measured in each cycle."""
    n = len(run.cycle_clock)
    names = list(dict.fromkeys(name for name in channels(run.machine).values() if name))
    unconfirmed = run.inside(run.cycle_clock, "incomplete_cycles", variant="unconfirmed")
    complete = ~(run.stroke.stopped | run.level.airy | (unconfirmed & (run.rng("switch").random(n) < 0.85)))
    peak, rest = np.zeros((n, len(names))), np.full(n, np.nan)
    if names and n:
        peak = _peaks(run, names)
        for c, begin, end, t in _on_channels(run, names, "sensor_replaced"):
            peak[(run.cycle_clock >= begin) & (run.cycle_clock < end), c] *= t.ratio
        if run.machine.feed == "injector":
            rest = hydraulics.rest_kpa(peak[:, 0], run.held, run.rng("vent"))
        _break_pressures(run, names, peak)
    return CycleReadings(names, peak, rest, complete, _temperatures(run), _supply(run))


def quantised_kpa(kpa: Floats) -> Floats:
    """Pressures as they are sent, in the sensor's steps."""
    return np.round(kpa / _QUANTUM_KPA) * _QUANTUM_KPA


def _peaks(run: Simulation, names: list[str]) -> Floats:
    """(n, channels) peak pressures by sound sensors."""
    machine, rng, n = run.machine, run.rng("pressure"), len(run.cycle_clock)
    watched = channels(machine)
    peak = np.zeros((n, len(names)))
    for c, name in enumerate(names):
        own = [j for j, p in enumerate(machine.points) if watched[p.line] == name]
        one = run.stroke.main_kpa if machine.channel_by == "main" else run.stroke.line_kpa[:, own].max(axis=1)
        peak[:, c] = one
    noise = rng.standard_normal((n, len(names) + 1))
    peak *= np.exp(0.035 * noise[:, :1] + 0.06 * noise[:, 1:])
    peak *= np.where(run.run_s < 0.6 * machine.run_s * run.run_setting, 0.8, 1.0)[:, None]
    lost = np.minimum(np.exp(run.rng("air").normal(-1.2, 0.45, n)), 0.85)
    peak *= np.where(run.level.airy, lost, 1.0)[:, None]
    wild = run.rng("wild").random(peak.shape) < _WILD
    peak = np.where(wild, peak * np.exp(run.rng("how wild").normal(0, 1.0, peak.shape)), peak)
    limit = machine.relief_kpa * (1 + 0.012 * run.rng("relief").standard_normal(peak.shape))
    return np.minimum(peak, limit)


def _on_channels(run: Simulation, names: list[str], kind: str) -> Iterator[tuple[int, float, float, Trouble]]:
    """(channel, begin, end, trouble) of what happens to pressure sensors."""
    watched = channels(run.machine)
    for begin, end, t in run.spans(kind):
        if t.line is not None and (name := watched[t.line]) is not None:
            yield names.index(name), begin, end, t


def _break_pressures(run: Simulation, names: list[str], peak: Floats) -> None:
    for c, begin, end, t in _on_channels(run, names, "pressure_sensor"):
        inside = (run.cycle_clock >= begin) & (run.cycle_clock < end)
        match t.variant:
            case "missing":
                peak[inside, c] = np.nan
            case "impossible":
                peak[inside, c] = 100_000.0
            case "offset":
                peak[inside, c] += 1000 * t.ratio
            case _ if inside.any():
                peak[inside, c] = peak[np.argmax(inside), c]


def _temperatures(run: Simulation) -> Floats:
    """(n,) what the thermometer at the pump says in each cycle."""
    clock = run.cycle_clock
    air = np.interp(clock, run.clock, run.air_c)
    temp_c = np.round(air + 0.6 * run.rng("thermometer").standard_normal(len(clock)), 1)
    for begin, end, t in run.spans("thermometer"):
        inside = (clock >= begin) & (clock < end)
        if inside.any():
            temp_c[inside] = {"cold": -40.0, "hot": 85.0}.get(t.variant, temp_c[np.argmax(inside)])
    return np.asarray(temp_c)


def _supply(run: Simulation) -> Floats:
    """(n,) supply voltage while the pump runs."""
    clock = run.cycle_clock
    supply_v = _CHARGED_V + 0.5 * run.rng("supply").standard_normal(len(clock))
    sags = run.rng("sags").random(len(clock)) < _SAGS
    for variant in ("supply_low", "sagging"):
        inside = run.inside(clock, "controller_fault", variant=variant) & sags
        supply_v[inside] -= _CHARGED_V - _SAGGING_V
    return np.round(supply_v, 1)


def of_level(run: Simulation) -> LevelReadings:
    """What the level sensor says every few ignition hours; nothing where there is only a switch."""
    if run.machine.level != "percent" or not len(run.cycle_clock):
        return LevelReadings(np.zeros(0), np.zeros(0), np.zeros(0))
    traits = run.rng("sensor")
    every, noise, lean = (float(traits.uniform(a, b)) for a, b in ((1.2, 3.0), (0.7, 1.4), (0.1, 0.4)))
    bend, drift = float(traits.normal(0, 1.0)), float(traits.normal(0, 0.004))
    clock = run.clock_at(np.arange(every, run.meter[-1], every))
    rng, n = run.rng("level"), len(clock)
    when = np.r_[run.cycle_clock, [f.hour for f in run.level.fills]]
    value = np.r_[run.level.pct, [f.to_pct for f in run.level.fills]]
    order = np.argsort(when, kind="stable")
    at = np.maximum(np.searchsorted(when[order], clock, "right") - 1, 0)
    true = value[order][at]
    noises = rng.standard_normal((n, 3))
    tilt = 2.2 * noises[:, 0]
    # It sloshes while the vehicle moves, which is most of the time.
    slosh = noise * noises[:, 1] * (1 + 0.8 * (noises[:, 2] > 0.8))
    seen = true + slosh + lean * tilt + bend * np.sin(np.pi * true / 100) + drift * (clock - run.start_h) / 24
    odd = run.rng("spike").random((n, 2))
    seen = np.where(odd[:, 0] < _WILD, 120 * odd[:, 1], seen)
    for begin, end, t in run.spans("sensor_replaced"):
        seen[(clock >= begin) & (clock < end)] += t.offset_pct
    step = run.machine.level_step_pct
    reading = np.round(np.clip(seen, 0, 115) / step) * step
    for begin, end, t in run.spans("level_sensor"):
        inside = (clock >= begin) & (clock < end)
        if t.variant == "dropout":
            reading[inside] = np.nan
        elif inside.any():
            reading[inside] = 0.0 if t.variant == "impossible" else reading[np.argmax(inside)]
    return LevelReadings(clock, reading, np.round(tilt, 1))
