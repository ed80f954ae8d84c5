"""Vehicles made of pressures alone: peaks of every cycle as arrays, without a simulator or a database."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Episode
from analytics.settings import DEFAULTS
from analytics.vehicle import pressure
from analytics.vehicle.history import History, build
from analytics.vehicle.pressure import Pressures
from analytics.vehicle.pressure.sister_lines import SisterChannel
from ingest.arrays import Cycles, Faults, Floats, Ignitions, Ints, Levels, Messages, States
from ingest.setups import Line, Setup
from ingest.times import DAY_US, HOUR_US
from ingest.work import Work

START_US = 1_745_000_000_000_000  # in April 2025
RELIEF_KPA = 28_000.0
INTERVAL_MIN = 45.0


@dataclass
class Drive:
    """Cycles of a vehicle that works `hours_a_day` on five days of the week: `at_us`, `day` since the start and `ignition_h` (n,), air
    temperatures (n,) of a place with seasons, and `log_kpa` (n, channels) of sound lines.

    Lines feel the weather by shares that scatter by 15 %, and their readings scatter by `noise`.
    """

    at_us: Ints
    day: Floats
    ignition_h: Floats
    temp_c: Floats
    log_kpa: Floats
    rng: np.random.Generator
    work: list[Work] = field(default_factory=list)

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(f"p{j:02d}" for j in range(self.log_kpa.shape[1]))


def drive(days: int, channels: int, seed: int, noise: float = 0.07, hours_a_day: float = 9.0) -> Drive:
    """A sound vehicle."""
    rng = np.random.default_rng(seed)
    per_day = int(hours_a_day * 60 / INTERVAL_MIN)
    working = np.flatnonzero(np.arange(days) % 7 < 5)
    day = (working[:, None] + (6 + np.arange(per_day) * INTERVAL_MIN / 60) / 24).ravel()
    weather = np.cumsum(rng.normal(0, 1.6, days)) * np.exp(-np.arange(days) / 1e9)
    weather -= np.convolve(weather, np.ones(15) / 15, "same")  # fronts come and go
    temp = 9 + 11 * np.sin(2 * np.pi * day / 365 + rng.uniform(0, 6.28)) + 4 * np.sin(2 * np.pi * (day - 0.35))
    temp += weather[day.astype(int)] + rng.normal(0, 0.4, len(day))
    stiff = np.exp(-0.0115 * (temp - 10) - 0.12 * np.tanh((temp - 10) / 20))  # no parabola
    share = 1 + (0.15 * rng.standard_normal(channels) if channels > 1 else np.zeros(1))
    base = np.log(rng.uniform(4000, 11_000, channels))
    log_kpa = base + share * np.log(stiff)[:, None] + noise * rng.standard_normal((len(day), channels))
    ignition_h = np.arange(1, len(day) + 1) * INTERVAL_MIN / 60
    at_us = START_US + (day * DAY_US).astype(np.int64)
    return Drive(at_us, day, ignition_h, np.round(temp, 1), log_kpa, rng)


def line(number: int, channel: str, length_m: float = 5.0, bore_mm: float = 4.0) -> Line:
    """One line of a line list."""
    return Line(
        line=number, bundle="b", point=f"point {number}", channel=channel, dose_cm3=0.5, length_m=length_m, bore_mm=bore_mm
    )  # fmt: skip


def setup(channels: Sequence[str], lines: tuple[Line, ...] | None = None, valid_from_us: int | None = None) -> Setup:
    """A direct-feed vehicle with a line on each channel."""
    return Setup(
        fleet="f", vehicle="v", unit="v", vehicle_class="truck", depot="d", timezone="UTC", commissioned=None, feed="direct",
        reservoir_l=4.0, low_mark_pct=10.0, interval_min=INTERVAL_MIN, run_s=180.0, relief_kpa=RELIEF_KPA, grease="g", nlgi="2",
        valid_from_us=valid_from_us, lines=lines or tuple(line(n, name) for n, name in enumerate(channels, 1)),
    )  # fmt: skip


def history(
    made: Drive, setups: tuple[Setup, ...] | None = None, as_of_us: int | None = None, temperature: bool = True
) -> History:
    """What its messages say up to a time."""
    end_us = int(made.at_us[-1]) + HOUR_US
    return build(messages(made, temperature), setups or (setup(made.channels),), as_of_us or end_us, tuple(made.work))


def messages(made: Drive, temperature: bool = True) -> Messages:
    """What its controller sent."""
    n = len(made.at_us)

    def common(size: int) -> tuple[NDArray[np.str_], Ints, Ints, Ints, Ints, Floats]:
        return (
            np.full(size, "0"), np.arange(size), made.at_us[:size], np.full(size, -1), np.full(size, -1),
            made.ignition_h[:size],
        )  # fmt: skip

    none = np.zeros(0)
    valve = RELIEF_KPA * np.exp(0.02 * np.random.default_rng(1).standard_normal(made.log_kpa.shape))  # opens within 2 %
    cycles = Cycles(
        *common(n), np.arange(n), np.full(n, 180.0), np.full(n, np.nan), np.full(n, np.nan),
        made.temp_c if temperature else np.full(n, np.nan), np.full(n, np.nan), made.channels,
        np.round(np.minimum(np.exp(made.log_kpa), valve)).astype(np.float32),
        np.full(made.log_kpa.shape, np.nan, np.float32), (None,) * n,
    )  # fmt: skip
    return Messages(
        cycles, Levels(*common(0), none, none, none), Ignitions(*common(0), none),
        Faults(*common(0), (), none, (), none), States(*common(0), none),
    )  # fmt: skip


def analysed(
    made: Drive, fills_us: tuple[int, ...] = (), sisters: Sequence[SisterChannel] = (), **more: object
) -> Pressures:  # fmt: skip
    """What the pressures of a vehicle tell."""
    return pressure.analyse(history(made, **more), fills_us, DEFAULTS, sisters)  # type: ignore[arg-type]


def told(
    made: Drive, fills_us: tuple[int, ...] = (), sisters: Sequence[SisterChannel] = (), **more: object
) -> list[Episode]:  # fmt: skip
    """What is found in them."""
    return list(analysed(made, fills_us, sisters, **more).episodes)


def work(at_us: int, kind: str, **values: object) -> Work:
    """A record of work."""
    return Work(key=f"{kind}-{at_us}", kind=kind, at_us=at_us, by="Nora", **values)  # type: ignore[arg-type]
