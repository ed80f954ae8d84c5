"""A reservoir made for a test: every cycle takes its dose, the level is read now and then, the truth is known."""

from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from analytics.settings import DEFAULTS
from analytics.vehicle import cycles, level
from analytics.vehicle.history import History, build
from ingest.arrays import Cycles, Faults, Floats, Ignitions, Ints, Levels, Messages, States
from ingest.setups import Line, Setup
from ingest.times import HOUR_US
from ingest.work import Work

START_US = 1_760_000_000_000_000
INTERVAL_H = 0.5
RESERVOIR_L = 4.0
SHIFT_H, PAUSE_H = 5.0, 7.0  # two runs a day, and a stop after each
DOSE_PCT = 0.12  # of the reservoir, 2.4 % a day


def setup(**changes: object) -> Setup:
    line = Line(
        line=1, bundle="b", point="p", channel=None, dose_cm3=DOSE_PCT * RESERVOIR_L * 10, length_m=2, bore_mm=4
    )
    values: dict[str, object] = {
        "fleet": "f", "vehicle": "v", "unit": "u", "vehicle_class": "c", "depot": "d", "timezone": "UTC",
        "commissioned": date(2025, 1, 1), "feed": "direct", "reservoir_l": RESERVOIR_L, "low_mark_pct": 15.0,
        "interval_min": INTERVAL_H * 60, "run_s": 120.0, "relief_kpa": 28000.0, "grease": "g", "nlgi": "2", "lines": (line,),
    }  # fmt: skip
    return Setup(**(values | changes))  # type: ignore[arg-type]


@dataclass
class Tank:
    """Two runs a day; the level is read with every `every`-th cycle, in steps of `step_pct`, with noise.

    `fills` are (day, up to percent), `added` (day, percent more) what nobody records, `ratio` grease per cycle over the
    sheet by day: a function.
    """

    days: int = 90
    step_pct: float = 1.0
    noise_pct: float = 1.0
    every: int = 4
    seed: int = 1
    start_pct: float = 92.0
    refill_at_pct: float = 22.0
    refill_to_pct: float = 92.0
    added: tuple[tuple[float, float], ...] = ()
    ratio: tuple[tuple[float, float], ...] = ((0.0, 1.0),)  # (from day, ratio)
    run_s: float = 120.0
    metered: bool = True
    clock_h: list[float] = field(default_factory=list)
    level_pct: list[float] = field(default_factory=list)  # after each cycle
    filled: list[tuple[float, float, float]] = field(default_factory=list)  # hour, from, to

    def __post_init__(self) -> None:
        at_h = [
            24 * day + shift * (SHIFT_H + PAUSE_H) + n * INTERVAL_H
            for day in range(self.days)
            for shift in range(2)
            for n in range(1, int(SHIFT_H / INTERVAL_H))
        ]
        now, last, added = self.start_pct, 0.0, list(self.added)
        for hour in at_h:
            if hour - last > 2 * INTERVAL_H:  # it stood
                while added and added[0][0] * 24 <= hour:
                    now += added.pop(0)[1]
                if now <= self.refill_at_pct:
                    self.filled.append((hour - 2, now, self.refill_to_pct))
                    now = self.refill_to_pct
            now -= DOSE_PCT * next(r for day, r in reversed(self.ratio) if day * 24 <= hour)
            self.clock_h.append(hour)
            self.level_pct.append(now)
            last = hour

    def read(self) -> tuple[Floats, Floats]:
        """(hours, readings)."""
        rng = np.random.default_rng(self.seed)
        at_h = np.array(self.clock_h)[:: self.every] + 0.05
        true = np.array(self.level_pct)[:: self.every]
        seen = true + self.noise_pct * rng.standard_normal(len(true))
        return at_h, np.clip(np.round(np.round(seen / self.step_pct) * self.step_pct, 1), 0, 120)


def history(
    tank: Tank, read: tuple[Floats, Floats] | None = None, setups: tuple[Setup, ...] = (), work: tuple[Work, ...] = (),
    as_of_h: float | None = None,
) -> History:  # fmt: skip
    """The history that the tank's messages make."""
    end_h = 24 * tank.days if as_of_h is None else as_of_h
    return build(messages(tank, read), setups or (setup(),), START_US + int(end_h * HOUR_US), work)


def messages(tank: Tank, read: tuple[Floats, Floats] | None = None) -> Messages:
    """What the tank's controller sent."""
    read_h, pct = tank.read() if read is None else read
    cycle_h = np.array(tank.clock_h)
    order = np.argsort(np.r_[cycle_h, read_h], kind="stable")
    seq = np.empty(len(order), np.int64)
    seq[order] = np.arange(len(order))
    run_h = np.cumsum(
        np.where(np.diff(cycle_h, prepend=0.0) > 2 * INTERVAL_H, INTERVAL_H, np.diff(cycle_h, prepend=0.0))
    )
    meter = run_h if tank.metered else np.full(len(run_h), np.nan)
    read_meter = np.round(np.interp(read_h, cycle_h, run_h), 2) if tank.metered else np.full(len(read_h), np.nan)

    def common(at_h: Floats, seq: Ints, engine_h: Floats) -> dict[str, Any]:
        at_us = START_US + (at_h * HOUR_US).astype(np.int64)
        nothing = np.full(len(at_h), -1, np.int64)
        return {
            "boot": np.full(len(at_h), "0"),
            "seq": seq,
            "at_us": at_us,
            "sent_us": nothing,
            "received_us": nothing,
            "engine_h": engine_h,
        }

    nan, none = np.full(len(cycle_h), np.nan), np.zeros((len(cycle_h), 0), np.float32)
    empty = common(np.zeros(0), np.zeros(0, np.int64), np.zeros(0))
    cycles = Cycles(
        **common(cycle_h, seq[: len(cycle_h)], meter), cycle_no=np.arange(len(cycle_h)), run_s=np.full(len(cycle_h), tank.run_s),
        manual=nan, complete=nan, temp_c=nan, supply_v=nan, channels=(), peak_kpa=none, rest_kpa=none, trace=(None,) * len(cycle_h),
    )  # fmt: skip
    unknown = np.full(len(pct), np.nan)
    levels = Levels(**common(read_h, seq[len(cycle_h) :], read_meter), level_pct=pct, temp_c=unknown, tilt_deg=unknown)
    return Messages(
        cycles, levels, Ignitions(**empty, on=np.zeros(0)),
        Faults(**empty, code=(), active=np.zeros(0), channel=(), value=np.zeros(0)), States(**empty, online=np.zeros(0)),
    )  # fmt: skip


def analysed(tank: Tank, **more: object) -> level.Reservoir:
    """What the level analysis says of it."""
    told = history(tank, **more)  # type: ignore[arg-type]
    return level.analyse(told, cycles.analyse(told, DEFAULTS), DEFAULTS)


def kinds(found: level.Reservoir) -> list[str]:
    """The kinds of what was found, low level aside: a tank is filled late now and then."""
    return [s.kind for s in found.episodes if s.kind != "low_level"]
