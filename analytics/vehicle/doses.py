"""Was every planned dose of grease delivered: for each lubrication point and local day, planned, surely arrived, surely not.

A dose is planned for each interval of ignition time, for each point of the line list. It arrived where `lubrication.arrivals` says so:
by the pressure of its line, or by the confirmation of its divider. It surely did not where the pump never ran or ran short, where it
pumped air, where the one line that a channel watches was open or at relief, where a divider stood, or where injectors did not
reload. Everything else is not proven, and counts as neither: messages that were lost, lines that nothing watches, a channel that
watches several lines of which one has failed, or that has read otherwise than those like it since it was first heard, a reservoir that
was empty or that less leaves than the cycles account for, a vehicle without an hour meter, or while its meter counts nothing. A dose
is one that brings at least three quarters of what the sheet says, and of which nothing went out at the relief valve.
"""

from dataclasses import dataclass
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.settings import DEFAULTS, Settings
from analytics.vehicle.analysis import Result
from analytics.vehicle.gaps import TIMER_ERROR, registered_h
from analytics.vehicle.lubrication import arrivals, inside, unproven_from_the_start
from ingest.arrays import Floats, Ints
from ingest.setups import Line
from ingest.times import DAY_US, FOREVER_US, local_us

Flags = NDArray[np.bool_]
# Of relief pressure: from here on a line that is found blocked has the relief valve open, which opens within 2 % (common practice, no
# source); below, all of the dose may still go through.
_VALVE_OPEN: Final = 0.98
# Doses that no cycle tells of; of more than these one stands for several: a sheet may say seconds, or a counter leap.
_MOST_UNHEARD: Final = 1_000_000
EPOCH_DAY: Final = 719_163  # `date.toordinal` of 1970-01-01


@dataclass(frozen=True)
class Dosed:
    """A point greased by hand that doses are planned for: its number above those of lines (`hand.HAND_FROM`)."""

    line: int
    point: str
    critical: bool


@dataclass(frozen=True, kw_only=True)
class Doses:
    """Doses by local day from `first` on and by point: arrays of shape (days, lines). What is neither in `arrived` nor in `failed` of
    what was planned is not proven."""

    first: date
    lines: tuple[Line | Dosed, ...]
    planned: Floats
    arrived: Floats
    failed: Floats


@dataclass(frozen=True)
class _Slots:
    """Times (n,) at which a dose was due, in order of none; how many doses by the sheet each stands for (`weight`), the cycle that ran
    for it (-1: none was heard), and which share of it surely never ran."""

    at_us: Ints
    weight: Floats
    cycle: Ints
    missed: Floats


def doses(result: Result, settings: Settings = DEFAULTS) -> Doses | None:
    """What was planned and what came of it; None where nothing was heard."""
    history = result.history
    if not len(history.heard_us):
        return None
    slots = _slots(result)
    if not len(slots.at_us):
        return None
    day = local_us(slots.at_us, ZoneInfo(history.setup.timezone)) // DAY_US
    first, width = int(day.min()), int(day.max() - day.min()) + 1
    setup_of = history.setup_at(slots.at_us)
    ran = slots.cycle >= 0

    def by_day(weight: Floats) -> Floats:
        return np.asarray(np.bincount(day - first, weights=weight, minlength=width), np.float64)

    doubt, odd = _in_doubt(result), unproven_from_the_start(result.pressures, history.setup)
    lines: dict[tuple[int, str], tuple[Line, Floats]] = {}
    listed: tuple[Line, ...] | None = None  # by the set-up before: most differ in something else
    for k, setup in enumerate(history.setups):
        of_setup = setup_of == k
        if not of_setup.any():
            continue
        due = np.where(of_setup, slots.weight, 0.0)
        never = due * slots.missed
        if setup.lines != listed:
            listed, failures = setup.lines, _failures(result, setup.lines, settings)
            proven = arrivals(history, setup.lines, result.findings, result.flaws, settings, odd)
        tables: dict[tuple[bytes, bytes], Floats] = {}  # most lines of a vehicle have come off alike
        for line, failed in failures:
            arrived = proven[line.line] & ~failed & ~doubt
            alike = arrived.tobytes(), failed.tobytes()
            if alike not in tables:
                came, not_come = (ran & (mask[slots.cycle] if len(mask) else False) for mask in (arrived, failed))
                credit = np.where(came, np.minimum(due, 1.0), 0.0)
                lost = np.where(not_come, due, never + np.where(ran, due - np.minimum(due, 1.0), 0.0))
                tables[alike] = np.stack([by_day(due), by_day(credit), by_day(lost)])
            table, key = tables[alike], (line.line, line.point)
            lines[key] = (line, table + lines[key][1] if key in lines else table)
    told = sorted(lines.values(), key=lambda one: (one[0].line, one[0].point))
    if not told:  # all of it was heard while a sheet without lines held
        return None
    together = np.stack([table for _, table in told], axis=2)
    return Doses(
        first=date.fromordinal(EPOCH_DAY + first),
        lines=tuple(line for line, _ in told),
        planned=together[0],
        arrived=together[1],
        failed=together[2],
    )


# When a dose was due ----------------------------------------------------------------------------------------


def _slots(result: Result) -> _Slots:
    """Each cycle is a dose that was due, the test button's apart; between cycles lie those that never ran or were not heard of."""
    history, audit, c = result.history, result.audit, result.history.cycles
    n = len(c)
    off = _timer_off(result)
    weight = np.where(c.manual == 1, 0.0, off)
    step = np.diff(c.cycle_no, prepend=c.cycle_no[:1] - 1)
    new_boot = np.r_[True, c.boot[1:] != c.boot[:-1]][:n]
    # Where the counter says nothing, the hours between tell how many there should have been.
    blind = new_boot | (step < 1) | ((step > 1) & (audit.lost == 0))
    before_h = np.r_[history.heard_h[:1], history.cycle_h[:-1]][:n]
    interval_h = registered_h(history) * off
    gap_h = np.maximum(history.cycle_h - before_h, 0.0)
    unseen = np.where(blind, np.maximum(np.round(gap_h / interval_h - 1 + 1e-9) - audit.missed, 0), audit.lost)
    between = (unseen + audit.missed).astype(np.int64)
    number = _fewer(between)
    at_h, cycle = _spread(before_h, gap_h, number)
    stands_for = (between / np.maximum(number, 1))[cycle]
    missed = (audit.missed / np.maximum(between, 1))[cycle]
    after_h, after_missed, after_off = _since_last_cycle(result, off)
    hours = np.r_[at_h, after_h]
    return _Slots(
        at_us=np.r_[c.at_us, np.interp(hours, history.heard_h, history.heard_us).astype(np.int64)],
        weight=np.r_[weight, off[cycle] * stands_for, np.full(len(after_h), after_off)],
        cycle=np.r_[np.arange(n), np.full(len(hours), -1)],
        missed=np.r_[np.zeros(n), missed, after_missed],
    )


def _fewer(doses: Ints) -> Ints:
    """How many of so many doses (n,) are told apart."""
    return np.asarray(np.ceil(doses / (1 + doses.sum() // _MOST_UNHEARD)), np.int64)


def _spread(before_h: Floats, gap_h: Floats, between: Ints) -> tuple[Floats, Ints]:
    """(ignition hours at which each slot between cycles was due, the cycle that ends its gap): evenly over the gap."""
    cycle = np.repeat(np.arange(len(between)), between)
    place = np.arange(len(cycle)) - np.repeat(np.cumsum(between) - between, between) + 1
    return before_h[cycle] + gap_h[cycle] * place / (between[cycle] + 1), cycle


def _since_last_cycle(result: Result, off: Floats) -> tuple[Floats, Floats, float]:
    """Slots that were due since the last cycle: their ignition hours, the share of each that surely never ran, and its weight."""
    history, audit = result.history, result.audit
    if len(history.cycles):
        start_h, weight = float(history.cycle_h[-1]), float(off[-1])
    else:
        start_h, weight = float(history.heard_h[0]), 1.0
    interval_h = history.setup.interval_min / 60 * weight
    passed = float(history.heard_h[-1]) - start_h
    # A slot is over when the next is due: one that is under way is nobody's yet.
    due = max(int(passed / interval_h - 0.5), audit.open_missed) if history.metered else 0
    number = int(_fewer(np.array([due]))[0])
    each = due / max(number, 1)
    step_h = min(interval_h, passed / max(due, 1)) * each
    hours = np.asarray(start_h + np.arange(1.0, number + 1) * step_h, np.float64)
    return hours, np.full(number, audit.open_missed / max(due, 1)), weight * each


def _timer_off(result: Result) -> Floats:
    """(cycles,) the timer's interval over the registered one while it is found to differ; else 1: a timer is good to two percent. It is
    the timer's own as known at each cycle, since one that drifts was not always as far off as it is now."""
    history = result.history
    off = np.ones(len(history.cycles))
    registered = registered_h(history)
    timer = result.audit.interval_h / registered
    for found in result.findings:
        said = found.evidence.get("interval_min") if found.kind == "timer_mismatch" else None
        if said is not None:
            during = np.flatnonzero(inside(history, found))
            known = np.flatnonzero(np.abs(timer[during] - 1) > TIMER_ERROR)
            off[during] = timer[during] if len(known) else float(said) / (60 * registered[during])
            if len(known):  # until it was known it was as it was known first
                off[during[: known[0]]] = timer[during[known[0]]]
    return off


# What came of it --------------------------------------------------------------------------------------------


def _in_doubt(result: Result) -> Flags:
    """(cycles,) in which grease left the reservoir too slowly for all points to have got theirs, or of which nobody counts hours."""
    history = result.history
    doubt = np.full(len(history.cycles), not history.metered)
    if history.unmetered_us is not None:
        doubt |= history.cycles.at_us > history.unmetered_us
    unfitted = [(one.began_us, one.ended_us or FOREVER_US) for one in result.reservoir.unfitted]
    for from_us, to_us in (*history.stood_still, *unfitted):
        doubt |= (history.cycles.at_us > from_us) & (history.cycles.at_us < to_us)
    for found in result.findings:
        if found.kind == "under_delivery":
            doubt |= inside(history, found)
    return doubt


def _failures(result: Result, lines: tuple[Line, ...], settings: Settings) -> list[tuple[Line, Flags]]:
    """Each line with the cycles (n,) whose dose surely did not arrive at its point."""
    history, c = result.history, result.history.cycles
    watched = [line.channel for line in lines]
    everywhere = _nowhere(result, settings)
    relief = history.said("relief_kpa", c.at_us)
    told = []
    for line in lines:
        failed = everywhere.copy()
        if line.channel is not None and watched.count(line.channel) == 1 and line.channel in c.channels:
            peak = c.peak_kpa[:, c.channels.index(line.channel)]
            for found in result.findings:
                if found.channel != line.channel or line.line not in found.lines or found.perhaps:
                    continue
                if found.kind == "open_line":
                    failed |= inside(history, found)
                elif found.kind == "blocked_line":
                    failed |= inside(history, found) & (peak >= _VALVE_OPEN * relief)
        told.append((line, failed))
    return told


def _nowhere(result: Result, settings: Settings) -> Flags:
    """(cycles,) with which no point got its dose."""
    history, c = result.history, result.history.cycles
    short = c.run_s < settings.short_run * history.run_s
    unconfirmed = c.complete == 0
    nowhere = np.asarray(short if history.setup.feed != "injector" else np.zeros(len(c), bool))
    for found in result.findings:
        during = inside(history, found)
        if found.kind == "starved_pump":
            nowhere = nowhere | during
        elif found.kind == "blocked_line" and history.setup.feed == "progressive":
            nowhere = nowhere | (during & unconfirmed)  # one outlet that is shut stops the divider
        elif found.kind == "incomplete_cycles" and history.setup.feed == "injector":
            nowhere = nowhere | (during & result.flaws & ~unconfirmed & ~short)  # the line did not vent: none reloaded
    return nowhere
