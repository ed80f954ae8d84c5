"""Did the pump run when it should have: missed cycles, another timer setting, incomplete cycles, silence.

The timer counts ignition-on time and keeps its count over a stop, so between two cycles the hour meter must gain one
interval for each cycle that the counter gained. Where it gained more, cycles never ran; where the counter gained more
than the messages, they ran and their messages were lost. Where a controller has told of no cycle yet, its hour meter
and the numbers of its messages say the same.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Stretch, joined
from analytics.settings import Settings
from analytics.vehicle.history import History
from ingest.arrays import Floats, Ints
from ingest.times import DAY_US, HOUR_US

# A gap shorter than this many intervals may hold an extra cycle by the test button; from here on a pump stood still.
_LONG_GAP: Final = 2.5
_NEW_SETTING: Final = 0.04  # by which a timer's interval differs when somebody has changed it


@dataclass(frozen=True)
class Audit:
    """Arrays of shape (cycles,): what the gap before each cycle says.

    `lost` messages of cycles that ran, `missed` cycles that never ran, `interval_h` the vehicle's own timer as known
    then, `expected` cycles the gap should have brought.
    """

    lost: Ints
    missed: Ints
    interval_h: Floats
    expected: Floats
    open_missed: int  # missed since the last cycle, as the hour meter in other messages shows
    stretches: tuple[Stretch, ...]


def registered_h(history: History) -> Floats:
    """The registered interval in force at each cycle, hours."""
    intervals = np.array([s.interval_min / 60 for s in history.setups])
    return np.asarray(intervals[history.setup_at(history.cycles.at_us)])


def audit(history: History, settings: Settings) -> Audit:
    """Go through the gaps between cycles in order; each is judged by what came before it only."""
    # Lists: a loop takes several times as long over the numbers of an array.
    c, step, n = history.cycles, history.meter_step_h, len(history.cycles)
    hours, registered, run_s = history.cycle_h.tolist(), registered_h(history).tolist(), history.run_s.tolist()
    at_us, cycle_no, boot = c.at_us.tolist(), c.cycle_no.tolist(), c.boot.tolist()
    pressed, sure = np.cumsum(c.manual == 1).tolist(), history.cycle_sure.tolist()
    lost, missed, own, expected = [0] * n, [0] * n, list(registered), [0.0] * n
    stretches: list[Stretch] = []
    mismatch: Stretch | None = None
    trouble: Stretch | None = None
    good = 0
    seen = 0.0  # expected cycles in the window
    phase = 0.0
    perhaps = 0  # cycles since the timer was last seen for sure that may have been its own, as nobody said otherwise
    factor = 1.0  # own interval over registered
    gaps: list[tuple[float, int]] = []  # hours per cycle of the latest regular gaps, and where they end
    window: list[tuple[int, int]] = []  # (cycle, missed before it) of the latest gaps
    last = -1  # latest cycle of this boot whose hours are sure: gaps are counted from one such to the next
    before = [-1] * n  # that cycle, of each

    for i in range(n):
        if i == 0 or registered[i] != registered[i - 1]:
            factor, gaps, phase = 1.0, [], 0.0
            if mismatch is not None:
                mismatch.ended_us = at_us[i]
                stretches.append(mismatch)
                mismatch = None
        interval = own[i] = factor * registered[i]
        if i == 0 or boot[i] != boot[i - 1]:
            phase, perhaps, window, seen, last = 0.0, 0, [], 0.0, i if sure[i] else -1
            continue
        ran = cycle_no[i] - cycle_no[i - 1]
        # The counter stood still, went back, or gained more than the pump can run: nothing can be said of this gap.
        if not 1 <= ran <= 5 + (at_us[i] - at_us[i - 1]) / 1e6 / run_s[i]:
            phase, last = 0.0, i if sure[i] else -1
            continue
        lost[i] = ran - 1
        if registered[i] != registered[i - 1]:  # a gap in which the timer was set otherwise says nothing
            perhaps, last = 0, i if sure[i] else -1
            continue
        if not sure[i] or last < 0:
            phase, last = (phase, last) if not sure[i] else (0.0, i)
            continue
        before[i] = last
        gap_h, ran = hours[i] - hours[last], cycle_no[i] - cycle_no[last]
        manual = pressed[i] - pressed[last]
        slack = 0.12 + step / interval
        x = phase + gap_h / interval
        nearest = round(x)
        if not manual and abs(x - nearest) <= slack + 0.02 * x and nearest >= 1:
            missed[i], phase, perhaps = max(0, nearest - ran), 0.0, 0
        else:
            whole = math.floor(x + slack)
            by_timer = ran - max(manual, 1) if manual or x < ran + 0.5 or x > _LONG_GAP else ran
            if manual or x > _LONG_GAP + ran:
                missed[i] = max(0, whole - by_timer)
            if missed[i] and x <= _LONG_GAP:
                missed[i], perhaps = max(0, missed[i] - perhaps), max(0, perhaps - missed[i])
            elif not manual:
                perhaps += ran - by_timer
            phase = max(0.0, x - whole)
        expected[i] = missed[i] + ran

        # The timer's own setting, from gaps that hold no manual cycle and no standstill.
        if manual and missed[i]:  # a standstill that ended by the test button
            gaps = []
        elif not manual and not pressed[last] > (pressed[last - 1] if last else 0):
            gaps.append((gap_h / ran, last))
        last = i
        needed = max(settings.timer_gaps, math.ceil(step / (0.02 * interval)))
        gaps = gaps[-2 * needed :]
        if len(gaps) >= needed:
            latest = [g for g, _ in gaps[-needed:]]
            mean = sum(latest) / needed
            # Hours that stand still say nothing of a timer.
            spread = max(max(latest) - mean, mean - min(latest))
            regular = mean > 1.5 * step and spread <= step + 0.04 * mean
            off = abs(mean / registered[i] - 1)
            if regular and off >= settings.timer_mismatch:
                is_new = mismatch is None or abs(mean / interval - 1) > _NEW_SETTING
                factor, first = mean / registered[i], gaps[-needed][1]
                if mismatch is None:
                    mismatch = Stretch("timer_mismatch", None, at_us[first], at_us[i])
                mismatch.evidence = {
                    "interval_min": round(mean * 60, 2),
                    "registered_min": round(registered[i] * 60, 2),
                }
                if is_new:  # what looked like missed cycles was the other setting
                    missed[first + 1 : i + 1] = [0] * (i - first)
                    window, seen, phase = [], 0.0, 0.0
                    if trouble is not None and trouble.began_us >= at_us[first]:
                        trouble = None
            elif regular:
                factor = mean / registered[i]
                if mismatch is not None and off < 0.75 * settings.timer_mismatch:
                    mismatch.ended_us = at_us[gaps[-needed][1]]
                    stretches.append(mismatch)
                    mismatch = None

        window.append((i, missed[i]))
        seen += expected[i]
        while len(window) > 1 and seen - expected[window[0][0]] >= settings.missed_window:
            seen -= expected[window.pop(0)[0]]
        if trouble is None:
            if missed[i] and sum(m for _, m in window) >= settings.missed_needed:
                first = next(j for j, m in window if m)
                due = at_us[before[first]] + _until_due(history, before[first], own[first])
                early = _open_gap_certain(history, before[i], before[i], interval, settings)
                detected = at_us[i] if early is None else min(early, at_us[i])
                trouble = Stretch("missed_cycles", None, due, detected)
                trouble.evidence = _counts(sum(missed[first : i + 1]), sum(expected[first : i + 1]))
                good = 0
        else:
            counted, of = trouble.evidence["missed"] or 0.0, trouble.evidence["expected"] or 1.0
            trouble.evidence = _counts(counted + missed[i], of + expected[i])
            good = 0 if missed[i] else good + ran
            # It is over once so many cycles in a row would be a rare chance if it went on as before.
            share = min(0.97, max(0.1, counted / max(of + expected[i] - good, 1.0)))
            if good >= max(5.0, math.log(0.01) / math.log(1 - share)):
                trouble.ended_us = at_us[max(k for k in range(i + 1) if missed[k])]
                stretches.append(trouble)
                trouble, window, seen = None, [], 0.0

    open_missed = 0
    if n:
        # Where it was set otherwise since, the longer of both.
        interval = factor * max(registered[-1], history.setup.interval_min / 60)
        open_missed, when = _since_last_cycle(history, last, interval, settings) if last >= 0 else (0, 0)
        if open_missed >= settings.missed_needed:
            if trouble is None:
                due = int(c.at_us[-1]) + _until_due(history, n - 1, interval)
                trouble = Stretch("missed_cycles", None, due, when, evidence=_counts(0.0, 0.0))
            trouble.evidence = {name: (value or 0.0) + open_missed for name, value in trouble.evidence.items()}
    for idle, count, cycle in _idle(history, own, settings):
        stretches.append(idle)
        if cycle is None:
            open_missed += count
        else:
            missed[cycle] += count
    stretches += [last for last in (trouble, mismatch) if last is not None]
    by_kind = [[s for s in stretches if s.kind == kind] for kind in ("missed_cycles", "timer_mismatch")]
    found = [s for kind in by_kind for s in joined(kind, int(settings.pause_h * HOUR_US))]
    return Audit(
        np.array(lost, np.int64),
        np.array(missed, np.int64),
        np.array(own),
        np.array(expected),
        open_missed,
        tuple(found),
    )


def _counts(missed: float, expected: float) -> dict[str, float | None]:
    return {"missed": missed, "expected": expected}


def _until_due(history: History, cycle: int, interval_h: float) -> int:
    """Microseconds from a cycle to the time at which the next was due, by the hour meter in other messages."""
    start_us = int(history.cycles.at_us[cycle])
    later = np.searchsorted(history.heard_us, start_us, "right")
    due = np.searchsorted(history.heard_h[later:], history.cycle_h[cycle] + interval_h) + later
    if due >= len(history.heard_us):
        return int(interval_h * HOUR_US)
    before, after = due - 1, due
    gained = history.heard_h[after] - history.heard_h[before]
    part = 1.0 if gained <= 0 else (history.cycle_h[cycle] + interval_h - history.heard_h[before]) / gained
    at = history.heard_us[before] + part * (history.heard_us[after] - history.heard_us[before])
    return max(0, int(at) - start_us)


def _open_gap_certain(history: History, anchor: int, cycle: int, interval_h: float, settings: Settings) -> int | None:
    """The first message after a cycle whose hour meter shows that enough cycles never came; None where none does.

    `anchor` is the latest cycle up to it whose hours are sure. Half an interval more is asked for than for a closed gap.
    """
    later, hours, unheard = _since(history, anchor, cycle, interval_h)
    needed = interval_h * (settings.missed_needed + 0.6 + unheard) + history.meter_step_h
    same = history.heard_boot[later] == history.cycles.boot[cycle]
    found = np.flatnonzero((hours >= needed) & history.heard_sure[later] & same)
    return int(history.heard_us[later][found[0]]) if len(found) else None


def _since(history: History, anchor: int, cycle: int, interval_h: float) -> tuple[slice, Floats, Ints]:
    """(messages after a cycle, ignition hours since it, numbers that have not come by then): each of those may be a cycle's."""
    c = history.cycles
    later = slice(int(np.searchsorted(history.heard_us, c.at_us[cycle], "right")), None)
    seq, same = history.heard_seq[later], history.heard_boot[later] == c.boot[cycle]
    ran = int(c.cycle_no[cycle] - c.cycle_no[anchor])
    hours = history.heard_h[later] - float(history.cycle_h[anchor]) - ran * interval_h
    newer = same & (seq > c.seq[cycle])
    highest = np.maximum.accumulate(np.where(same, np.maximum(seq, c.seq[cycle]), c.seq[cycle]))
    return later, hours, highest - c.seq[cycle] - np.cumsum(newer)


def _since_last_cycle(history: History, anchor: int, interval_h: float, settings: Settings) -> tuple[int, int]:
    """(cycles missed since the last one, when that was certain) by the hour meter of other messages."""
    cycle = len(history.cycles) - 1
    at = _open_gap_certain(history, anchor, cycle, interval_h, settings)
    if at is None:
        return 0, 0
    later, hours, unheard = _since(history, anchor, cycle, interval_h)
    sure = history.heard_sure[later] & (history.heard_boot[later] == history.cycles.boot[cycle])
    # What was missed by some moment stays missed, whatever is not heard after it.
    return int(np.max((hours[sure] - history.meter_step_h) // interval_h - unheard[sure], initial=0)), at


def flawed(history: History, explained: Floats, settings: Settings) -> NDArray[np.bool_]:
    """(cycles,) whether a cycle did not do its work: not confirmed, too short, or the main line kept its pressure.

    `explained` is 1 for cycles whose pressures already tell of a blockage or of a pump without grease.
    """
    c = history.cycles
    short = c.run_s < settings.short_run * history.run_s
    return np.asarray((c.complete == 0) | short | _not_vented(history, explained, settings), bool)


def _idle(history: History, own_h: list[float], settings: Settings) -> Iterator[tuple[Stretch, int, int | None]]:
    """Controllers that began anew, or for the first time, and told of no cycle for longer than their timer allows: the stretch, how
    many cycles never ran, and the next cycle there was, if any. Nothing but the messages of that boot tells."""
    boot, c, us = history.heard_boot, history.cycles, history.heard_us
    if not len(boot):
        return
    begins = np.flatnonzero(np.r_[True, boot[1:] != boot[:-1]])
    for first, end in zip(begins.tolist(), [*begins[1:].tolist(), len(boot)], strict=True):
        mine = np.flatnonzero(c.boot == boot[first])
        cycle = int(mine[0]) if len(mine) else None
        if cycle is not None:
            end = min(end, int(np.searchsorted(us, c.at_us[cycle])))
        before = int(np.searchsorted(c.at_us, us[first]))
        sheets = [history.setup_of(int(us[row])).interval_min / 60 for row in (first, max(first, end - 1))]
        interval_h = max(own_h[before - 1 : before] + sheets)
        hours, seq, sure = history.heard_h[first:end], history.heard_seq[first:end], history.heard_sure[first:end]
        if not sure.any():
            continue
        hours = np.maximum(hours - hours[int(np.argmax(sure))], 0.0)
        if hours[-1] < interval_h * settings.missed_needed:
            continue
        unheard = np.maximum(np.maximum.accumulate(seq) - seq[0] - np.arange(len(seq)), 0)
        found = np.flatnonzero(
            sure & (hours >= interval_h * (settings.missed_needed + 0.6 + unheard) + history.meter_step_h)
        )
        if not len(found):
            continue
        detected = int(us[first + found[0]])
        due = int(us[first + int(np.searchsorted(hours, interval_h))])
        count = int(np.max((hours[sure] - history.meter_step_h) // interval_h - unheard[sure]))
        last = end == len(boot)
        over = None if last and cycle is None else int(us[end] if cycle is None else c.at_us[cycle])
        if over is not None and cycle is None:  # another controller came before any cycle: theirs ends the count
            later = int(np.searchsorted(c.at_us, over))
            cycle = later if later < len(c) else None
        yield Stretch("missed_cycles", None, min(due, detected), detected, over, _counts(count, count)), count, cycle


def incomplete(history: History, flaws: NDArray[np.bool_], explained: Floats, settings: Settings) -> list[Stretch]:
    """Stretches of cycles that ran and are `flawed`, where nothing else explains it."""
    c = history.cycles
    bad = flaws & (explained == 0)
    stretches: list[Stretch] = []
    current: Stretch | None = None
    count = 0
    usual, seen = 0.1, 100.0  # false ones and cycles outside of stretches: one switch in many chatters
    for i in range(len(c)):
        first = max(0, i - settings.incomplete_window + 1)
        recent = bad[first : i + 1]
        needed = max(settings.incomplete_needed, _more_than_chance(usual / seen, settings.incomplete_window))
        if current is None and bad[i] and recent.sum() >= needed:
            start = first + int(np.argmax(recent))
            count = int(recent.sum()) - 1
            current = Stretch("incomplete_cycles", None, int(c.at_us[start]), int(c.at_us[i]))
            usual -= count  # what began it was no chatter
        if current is None:
            usual, seen = usual + float(bad[i]), seen + 1.0
        if current is not None:
            count += int(bad[i])
            current.evidence = {"count": float(count)}
            if not recent.any() and len(recent) == settings.incomplete_window:
                current.ended_us = int(c.at_us[first])
                stretches.append(current)
                current = None
    return joined(stretches + ([current] if current else []), int(settings.pause_h * HOUR_US))


@cache
def _more_than_chance_at(thousandths: int, of: int) -> int:
    from scipy.stats import binom  # here, since it takes long to load

    return int(binom.isf(1e-6, of, thousandths / 1000)) + 1


def _more_than_chance(share: float, of: int) -> int:
    """How many of so many cycles must be flawed, so that a switch that fails for a share of them does it once in a million."""
    return min(of - 1, _more_than_chance_at(math.ceil(1000 * share), of))


def _not_vented(history: History, explained: Floats, settings: Settings) -> Floats:
    """Whether the main line of an injector system kept its pressure after the pump stopped: (cycles,) of bool."""
    c = history.cycles
    flag = np.zeros(len(c), bool)
    if history.setup.feed != "injector" or not len(c):
        return flag
    relief = history.said("relief_kpa", c.at_us)[:, None]
    possible = (c.peak_kpa > settings.impossible_below_kpa) & (c.peak_kpa < settings.impossible_over_relief * relief)
    rest = np.log(np.clip(np.where(possible, c.rest_kpa.astype(np.float64), np.nan), 1.0, None))
    peak = np.log(np.clip(c.peak_kpa.astype(np.float64), 1.0, None))
    for channel in range(rest.shape[1]):
        usual: list[float] = []
        for i in np.flatnonzero(~np.isnan(rest[:, channel])):
            # Half of the peak still there is no vented line, whatever this vehicle's own past was like.
            limit = np.median(usual[-200:]) + settings.not_vented_log_ratio if len(usual) >= 8 else np.inf
            high = rest[i, channel] > min(limit, peak[i, channel] - 0.6) and rest[i, channel] > peak[i, channel] - 1.6
            flag[i] |= high
            if not high and not explained[i]:
                usual.append(float(rest[i, channel]))
    return flag


def silence(history: History, settings: Settings) -> list[Stretch]:
    """Stretches in which nothing was heard for longer than the stops before them explain."""
    heard = np.unique(history.heard_us)
    if not len(heard):
        return []
    stretches: list[Stretch] = []
    ordinary: list[float] = []
    for before, after in pairwise([*heard.tolist(), None]):
        gap_h = ((history.as_of_us if after is None else after) - before) / HOUR_US
        if gap_h < settings.silent_min_h / 4:
            continue
        limit_h = silent_limit_h(ordinary, (before - int(heard[0])) / DAY_US, settings)
        detected = before + int(limit_h * HOUR_US)
        for left_us, back_us in history.away():  # nobody expects to hear of it
            if left_us <= detected < back_us:
                detected = back_us + int(limit_h * HOUR_US)
            elif after is None and detected < left_us <= history.as_of_us:
                after = left_us
        if detected <= history.as_of_us if after is None else detected < after:
            stretches.append(Stretch("silent", None, before, detected, after, {"silent_h": round(gap_h, 1)}))
        ordinary.append(gap_h)
    return stretches


def silent_limit_h(gaps_h: list[float], days: float, settings: Settings) -> float:
    """Hours of silence that are out of the ordinary after such gaps in `days` days of history.

    The longest ordinary stop with a margin; long parks among the gaps count only up to the upper bound.
    """
    longest = max((g for g in gaps_h if g <= settings.silent_max_h), default=0.0)
    limit = float(min(max(settings.silent_min_h, settings.silent_margin * longest), settings.silent_max_h))
    return max(limit, settings.silent_young_h) if days < settings.silent_young_days else limit
