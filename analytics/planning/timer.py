"""What a timer's interval and run time give each point, and what another setting would change.

The amount that a point should get is its maker's to say and the reader's to enter; nothing here knows one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from analytics.vehicle.analysis import Result
from analytics.vehicle.level import percent_of_reservoir
from ingest.languages import cldr, later, tr
from ingest.setups import Setup

SHIFT_H: Final = 8.0  # amounts are told for so many ignition hours
SHORTEST_ROUND_DAYS: Final = 7.0
FAR_FROM_SISTERS: Final = 1.5
_LININGS: Final = ("brake camshaft", "slack adjuster", "s-cam")


def per_shift_cm3(dose_cm3: float, interval_min: float) -> float:
    """Grease at a point in SHIFT_H ignition hours: its dose times the cycles in them."""
    return dose_cm3 * SHIFT_H * 60 / interval_min


def interval_for(wanted_cm3: float, dose_cm3: float) -> float:
    """The interval in minutes that gives a point so much in SHIFT_H ignition hours."""
    return dose_cm3 * SHIFT_H * 60 / wanted_cm3


def dose_at(setup: Setup, dose_cm3: float, run_s: float) -> float:
    """A line's dose at another run time: an injector fires once a cycle however long the pump runs, other feeds go with it."""
    return dose_cm3 if setup.feed == "injector" else dose_cm3 * run_s / setup.run_s


@dataclass(frozen=True)
class Setting:
    """What a setting means: each line's grease in SHIFT_H ignition hours, and the days from now to the low mark (early,
    expected, late; 0 once it may be or is reached, None: not known) and of a full reservoir down to it."""

    interval_min: float
    run_s: float
    per_shift: tuple[tuple[int, float], ...]
    cycles_per_day: float | None
    due_days: tuple[float | None, float | None, float | None]
    reservoir_days: float | None


def present(result: Result) -> tuple[float, float]:
    """Interval in minutes and run time in seconds as the timer keeps them: the set-up's, where its cycles show no other."""
    setup = result.history.setup
    shown = [found.evidence for found in result.findings if found.kind == "timer_mismatch" and found.open]
    intervals, runs = (
        [float(said[name]) for said in shown if said.get(name) is not None] for name in ("interval_min", "run_s")
    )
    return (intervals or [setup.interval_min])[-1], (runs or [setup.run_s])[-1]


def setting(result: Result, interval_min: float, run_s: float) -> Setting:
    """The present setting, or another: cycles go with the ignition hours, which stay as they were, and what leaves the reservoir with
    each goes with the run time, as long as the feed does."""
    setup, refill, now = result.history.setup, result.refill, result.history.as_of_us
    own_interval_min, own_run_s = present(result)
    fewer, longer = own_interval_min / interval_min, 1.0 if setup.feed == "injector" else run_s / own_run_s
    cycles = None if refill.cycles_per_day is None else refill.cycles_per_day * fewer
    more = longer * fewer
    points = refill.due_early_us, refill.due_expected_us, refill.due_late_us
    early, middle, late = (None if us is None else max(us - now, 0) / 86_400e6 / more for us in points)
    lasts = None
    if cycles:
        use_pct = percent_of_reservoir(refill.cm3_per_cycle * longer, setup.reservoir_l) * cycles
        lasts = (100 - setup.low_mark_pct) / use_pct
    lines = tuple((x.line, per_shift_cm3(dose_at(setup, x.dose_cm3, run_s), interval_min)) for x in setup.lines)
    return Setting(interval_min, run_s, lines, cycles, (early, middle, late), lasts)


def sisters(setups: Sequence[Setup], own: Setup) -> Mapping[str, float]:
    """Point -> the middle of what it gets in SHIFT_H ignition hours on other vehicles of the same class; three or more of them."""
    told: dict[str, list[float]] = {}
    for other in setups:
        if other.vehicle_class == own.vehicle_class and (other.fleet, other.vehicle) != (own.fleet, own.vehicle):
            for line in other.lines:
                told.setdefault(line.point, []).append(per_shift_cm3(line.dose_cm3, other.interval_min))
    return {point: median(amounts) for point, amounts in told.items() if len(amounts) >= 3}


def warnings(result: Result, then: Setting, usual: Mapping[str, float]) -> list[str]:
    """What speaks against a setting, in sentences."""
    setup, told = result.history.setup, list[str]()
    if then.reservoir_days is not None and then.reservoir_days < SHORTEST_ROUND_DAYS:
        told.append(
            tr(
                "A full reservoir would last {days} days: less than a week between fills.",
                days=cldr.decimal(then.reservoir_days, 1),
            )
        )
    cycles = result.history.cycles
    confirmed = cycles.run_s[cycles.complete == 1]
    if setup.feed == "progressive" and then.run_s < setup.run_s:
        shortest = float(confirmed.min()) if len(confirmed) else None
        if shortest is None or then.run_s < shortest:
            told.append(
                tr(
                    "No cycle as short as {run} s was ever confirmed here: the divider may not complete its cycle.",
                    run=cldr.plain(then.run_s),
                )
            )
            if shortest is not None:
                told.append(tr("The shortest confirmed cycle took {run} s.", run=cldr.decimal(shortest, 0)))
    amounts = dict(then.per_shift)
    ratios = {x.line: amounts[x.line] / usual[x.point] for x in setup.lines if x.point in usual}
    far = {line: ratio for line, ratio in ratios.items() if not 1 / FAR_FROM_SISTERS <= ratio <= FAR_FROM_SISTERS}
    if far:
        names = ", ".join(f"{x.line} {x.point}" for x in setup.lines if x.line in far)
        who = names if len(far) <= 3 else tr("{count} of {all} lines", count=len(far), all=len(setup.lines))
        low, high = (cldr.decimal(ratio, 1) for ratio in (min(far.values()), max(far.values())))
        if low == high:
            told.append(tr("Far from what sister vehicles get: {lines}, {ratio} times as much.", lines=who, ratio=low))
        else:
            text = later("Far from what sister vehicles get: {lines}, {low} to {high} times as much.")
            told.append(tr(text, lines=who, low=low, high=high))
    before = dict(setting(result, *present(result)).per_shift)
    brakes = [
        f"{line.line} {line.point}"
        for line in setup.lines
        if any(word in line.point.casefold() for word in _LININGS) and amounts[line.line] > 1.05 * before[line.line]
    ]
    if brakes:
        told.append(
            tr(
                "More at brake camshafts and slack adjusters can get onto the linings: {lines}.",
                lines=", ".join(brakes),
            )
        )
    return told
