"""Refill dates and line faults beside what general-purpose libraries make of the same series, on the same machine.

    pip install statsforecast ruptures
    python -m tests.benchmarks.against_libraries

Forecasts: each library gets the grease that left the reservoir on each day and the level now, and gives the days to the low mark by
its own mean and variance; statsmodels a local level with a weekly season, statsforecast AutoETS with one. Ours does all from the
cycles to the three points. The truth is the simulation's.

Faults: ruptures' PELT (rbf) looks at each channel's logarithm beside the median of all channels of the cycle, so that weather is out of
it, every twelve hours after the fault began until it sees a change at the right time. Its penalty is the smallest that leaves nine of
ten sound channels in peace. Its time is that of two channels' whole series, times twelve.
"""

import argparse
import importlib
import statistics
import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.planning.backtest import pinball
from analytics.planning.yardsticks import FAR_DAYS, QUANTILES
from analytics.settings import DEFAULTS
from analytics.vehicle import cycles, level, pressure, refill
from analytics.vehicle.history import History, build
from ingest import reading, registry
from ingest.times import DAY_US, HOUR_US, now_us
from simulators.fleet import run_of
from simulators.machine import Simulation
from simulators.reservoir import due_hour
from simulators.scenario import SHIPPED, Trouble, load
from tests.benchmarks.databases import database
from tests.benchmarks.large_fleet import simulated, write_runs

PER_DAY, AHEAD_DAYS = 20, 120
WINDOW = 500  # the latest readings, which PELT looks at each time
WEEKS_BACK = (4, 2, 0)  # as-ofs: simulations go on after their end, so that the truth is known
_RATIOS = (1.9, 0.45, 2.5, 0.5, 1.7, 0.4)
Floats = NDArray[np.float64]


def histories(runs: list[Simulation], as_of_us: list[int]) -> list[list[History]]:
    """Each vehicle's history at each moment, by way of a database."""
    with database(None) as engine:
        write_runs(engine, runs, len(runs))
        with engine.connect() as connection:
            found = {one.name: one for one in registry.read_vehicles(connection)}
            return [
                [build(reading.read_messages(connection, one.id), one.setups, at, ()) for at in as_of_us]
                for one in (found[f"V{n:06d}"] for n in range(len(runs)))
            ]


def timed(call: Callable[[], Any]) -> tuple[Any, float]:
    """(result, seconds)."""
    began = time.perf_counter()
    return call(), time.perf_counter() - began


# Refill dates -----------------------------------------------------------------------------------------------


def crossing(needed: float, mean: Floats, sd: Floats) -> tuple[float, float, float]:
    """Days until so much is used, by the daily mean and standard deviation of what is to come: 10, 50 and 90 % points."""
    total, spread = np.cumsum(mean), np.sqrt(np.cumsum(sd**2))

    def reached(course: Floats) -> float:
        over = np.flatnonzero(course >= needed)
        return float(over[0] + 0.5) if len(over) else FAR_DAYS

    return reached(total + 1.2816 * spread), reached(total), reached(total - 1.2816 * spread)


def by_statsmodels(used: Floats, needed: float) -> tuple[float, float, float]:
    """A local level with a weekly season."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    model: Any = UnobservedComponents
    fitted = model(used, level="local level", seasonal=7).fit(disp=False)
    ahead = fitted.get_forecast(AHEAD_DAYS)
    return crossing(needed, np.asarray(ahead.predicted_mean), np.asarray(ahead.se_mean))


def by_statsforecast(used: Floats, needed: float) -> tuple[float, float, float]:
    """AutoETS with a weekly season."""
    models = importlib.import_module("statsforecast.models")
    told = models.AutoETS(season_length=7).forecast(used, h=AHEAD_DAYS, level=[80])
    return crossing(needed, told["mean"], (told["hi-80"] - told["lo-80"]) / 2 / 1.2816)


def forecasts() -> None:
    """Print speed and loss of each way."""
    end_h = now_us() // HOUR_US
    stories = [load(name) for name in SHIPPED]
    runs = [
        run_of(story, n, end_h, story.seed)
        for story in stories
        for n, one in enumerate(story.machines)
        if one.level == "percent" and one.fitted_days is None
    ]
    moments = [int((end_h - 24 * 7 * week) * HOUR_US) for week in WEEKS_BACK]
    spent: dict[str, list[float]] = {}
    losses: dict[str, list[float]] = {}
    for run, seen in zip(runs, histories(runs, moments), strict=True):
        for history in seen:
            at_h = history.as_of_us / HOUR_US
            due_h = due_hour(run.cycle_clock, run.use_pct, run.level, at_h, run.machine.low_mark_pct)
            if due_h is None or due_h <= at_h:
                continue
            due = min((due_h - at_h) / 24, FAR_DAYS)
            audit = cycles.analyse(history, DEFAULTS)
            tank = level.analyse(history, audit, DEFAULTS)
            if tank.level_pct is None or tank.level_pct <= run.machine.low_mark_pct:
                continue
            day = ((history.cycles.at_us - history.as_of_us) // DAY_US).astype(int)
            grease_pct = np.asarray(tank.baseline_dose_ratio * tank.used_pct, np.float64)
            used = np.asarray(np.bincount(day - day.min(), weights=grease_pct, minlength=-day.min()), np.float64)
            needed = tank.level_pct - run.machine.low_mark_pct
            ours, seconds = timed(lambda h=history, a=audit, t=tank: refill.forecast(h, a, t, DEFAULTS))  # type: ignore[misc]
            points = ours.due_early_us, ours.due_expected_us, ours.due_late_us
            said = {"tallow": tuple(FAR_DAYS if us is None else (us - history.as_of_us) / DAY_US for us in points)}
            spent.setdefault("tallow", []).append(seconds)
            for name, way in (("statsmodels", by_statsmodels), ("statsforecast", by_statsforecast)):
                if name not in spent:
                    way(used, needed)  # what is compiled or loaded once is
                said[name], seconds = timed(lambda w=way, u=used, n=needed: w(u, n))  # type: ignore[misc]
                spent.setdefault(name, []).append(seconds)
            for name, three in said.items():
                losses.setdefault(name, []).append(
                    statistics.fmean(
                        pinball(q, due, min(point, FAR_DAYS)) for q, point in zip(QUANTILES, three, strict=True)
                    )
                )
    ours_s = statistics.median(spent["tallow"])
    print(f"refill dates, {len(losses['tallow'])} cases of {len(runs)} vehicles of the shipped scenarios")
    for name in spent:
        seconds = statistics.median(spent[name])
        print(
            f"  {name:<14} {1e3 * seconds:8.1f} ms  {seconds / ours_s:6.1f} times ours  pinball loss {np.mean(losses[name]):.2f} days"
        )


# Line faults ------------------------------------------------------------------------------------------------


def changes(series: Floats, penalty: float) -> list[int]:
    """Where PELT sees a change."""
    ruptures = importlib.import_module("ruptures")
    found: list[int] = ruptures.Pelt(model="rbf", min_size=5, jump=5).fit(series[:, None]).predict(pen=penalty)
    return found[:-1]


def faults() -> None:
    """Print speed, recall, false alarms and delay of both."""
    end_h = now_us() // HOUR_US
    begins_h = end_h - 24.0 * 30
    troubles = [
        Trouble("blocked_line" if ratio > 1 else "open_line", 30.0, None, 1 + 3 * n, ratio)
        for n, ratio in enumerate(_RATIOS)
    ]
    runs = [simulated(40 + n, 90, PER_DAY, end_h, (trouble,)) for n, trouble in enumerate(troubles)]
    seen = [one[0] for one in histories(runs, [int(end_h * HOUR_US)])]
    series = []
    for history in seen:
        log = np.log(np.maximum(history.cycles.peak_kpa.astype(np.float64), 20.0))
        series.append(log - np.nanmedian(log, axis=1, keepdims=True))
    sound = [course[-WINDOW:, channel] for course in series[:2] for channel in (1, 4, 8, 11, 14)]
    penalty = next(pen for pen in (5.0, 10.0, 20.0, 40.0, 80.0) if sum(bool(changes(one, pen)) for one in sound) <= 1)
    pelt_s, pelt_delay, ours_s, ours_delay = list[float](), list[float](), list[float](), list[float]()
    false = 0
    for history, course, trouble in zip(seen, series, troubles, strict=True):
        clock_h = history.cycles.at_us / HOUR_US
        channel = history.cycles.channels.index(f"p{trouble.line:02d}")
        two, seconds = timed(lambda s=course: [changes(s[:, c], penalty) for c in range(2)])  # type: ignore[misc]
        pelt_s.append(seconds / len(two) * course.shape[1])
        for step in range(1, 61):
            known = int(np.searchsorted(clock_h, begins_h + 12 * step))
            first = max(0, known - WINDOW)
            if any(begins_h - 24 <= clock_h[first + k] for k in changes(course[first:known, channel], penalty)):
                pelt_delay.append(12.0 * step)
                break
        found, seconds = timed(lambda h=history: pressure.analyse(h, (), DEFAULTS))  # type: ignore[misc]
        ours_s.append(seconds)
        name, since_us = f"p{trouble.line:02d}", begins_h * HOUR_US
        right = [s for s in found.episodes if (s.kind, s.channel) == (trouble.kind, name) and s.detected_us >= since_us]
        ours_delay += [(right[0].detected_us / HOUR_US) - begins_h] if right else []
        false += len(found.episodes) - len(right[:1])
    gain = statistics.median(pelt_s) / statistics.median(ours_s)
    print(f"line faults, {len(runs)} vehicles with one each among 24 channels, 90 days (PELT's penalty: {penalty:g})")
    for name, each_s, delay in (("tallow", ours_s, ours_delay), ("ruptures", pelt_s, pelt_delay)):
        late = f"{statistics.median(delay):6.1f} h" if delay else "   none"
        print(
            f"  {name:<14} {1e3 * statistics.median(each_s):9.1f} ms  found {len(delay)} of {len(runs)}  median delay {late}"
        )
    print(f"  tallow is {gain:.0f} times as fast; other stretches it told of: {false}")


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("forecasts", "faults", "both"), nargs="?", default="both")
    asked = parser.parse_args()
    if asked.what != "faults":
        forecasts()
    if asked.what != "forecasts":
        faults()
