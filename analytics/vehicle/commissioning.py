"""Handing a freshly fitted system over: what its first cycles prove, line by line, and what they do not.

A vehicle is in commissioning from its first message where it was commissioned within 30 days before it, or from a recorded
fitting or re-lining. It ends as soon as everything is proven, or after 20 cycles or 7 working days whatever the result. Nothing
is held back by it: findings stay what they are, only alarms of what is not urgent wait for its end.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

import numpy as np

from analytics.findings import Finding
from analytics.settings import Settings
from analytics.vehicle.cycles import Audit
from analytics.vehicle.history import History
from analytics.vehicle.level import Reservoir
from analytics.vehicle.pressure.sister_lines import alike, odd_limit, sister_ratios
from ingest.arrays import Floats
from ingest.languages.saying import number, say
from ingest.setups import Line
from ingest.times import DAY_US, instant, microseconds

Verdict = Literal["proven", "not yet", "looks wrong", "no reading"]

WITHIN_DAYS: Final = 30
CYCLES: Final = 20
PLAIN_CYCLES: Final = 8  # from so many on it may end early, with everything proven
WORKING_DAYS: Final = 7
_LOOKED_AT: Final = (PLAIN_CYCLES, 12, 16, CYCLES)
_FEWEST_LINES: Final = 8  # for a regression over the vehicle's own lines
_FIRST_READINGS: Final = 5
_NO_PRESSURE: Final = 0.02  # of relief: a line below it carries nothing
_UNSTEADY: Final = 0.25  # scatter of the last cycles' common pressure, as a logarithm: air
_RUN_TIME: Final = 0.10
_LEVEL_SIGMAS: Final = 3.0
_SWAP_GAIN: Final = 3.0  # two lines fit so many times better the other way round
_SWAP_MISFIT: Final = 0.3  # as a logarithm: smaller ones are the scatter of lines alike
_SWAP_RATIO: Final = 1.2  # below such a difference of what is expected nothing can be told


@dataclass(frozen=True)
class Item:
    """One line of the checklist; `line` is the line list's number where it is about one."""

    what: str
    verdict: Verdict
    text: str
    line: int | None = None


@dataclass(frozen=True)
class FirstReading:
    """What a line read when it was handed over: median peak of its first cycles, and against lines like it (None: not known)."""

    line: int
    point: str
    bundle: str
    channel: str | None
    peak_kpa: float | None
    ratio_to_sisters: float | None


@dataclass(frozen=True)
class Handover:
    """The state of a commissioning: running, proven, or ended with something open."""

    state: Literal["running", "proven", "ended"]
    since_us: int
    ended_us: int | None
    cycles: int
    temp_c: float | None
    items: tuple[Item, ...]
    lines: tuple[FirstReading, ...]

    def as_json(self) -> dict[str, Any]:
        """As it is kept in the database and printed."""
        return asdict(self)


def began_us(history: History) -> int | None:
    """Since when a vehicle is in commissioning, whether or not that is over; None where it never was."""
    started = [work.at_us for work in history.work if work.kind == "relined"]
    if started:
        return started[-1]
    setup = history.setup
    if setup.commissioned is None or not len(history.heard_us):
        return None
    zone = ZoneInfo(setup.timezone)
    first = instant(int(history.heard_us[0])).astimezone(zone).date()
    near = setup.commissioned <= first <= setup.commissioned + timedelta(days=WITHIN_DAYS)
    return int(history.heard_us[0]) if near else None


def handover(
    history: History, audit: Audit, tank: Reservoir, findings: Sequence[Finding], settings: Settings
) -> Handover | None:
    """How far the commissioning of a vehicle has come; None where there is none."""
    since_us = began_us(history)
    if since_us is None:
        return None
    c = history.cycles
    rows = np.flatnonzero(c.at_us >= since_us)
    last_us = _working_days_later(since_us, history.setup.timezone)
    rows = rows[c.at_us[rows] <= last_us]
    for count in sorted({min(n, len(rows)) for n in _LOOKED_AT}):
        items, lines = _checked(history, audit, tank, findings, rows[:count], settings)
        if count >= PLAIN_CYCLES and all(item.verdict in ("proven", "no reading") for item in items):
            return _told("proven", history, rows[:count], since_us, int(c.at_us[rows[count - 1]]), items, lines)
    ended_us = (
        int(c.at_us[rows[CYCLES - 1]]) if len(rows) >= CYCLES else last_us if history.as_of_us > last_us else None
    )
    return _told("running" if ended_us is None else "ended", history, rows[:CYCLES], since_us, ended_us, items, lines)


def _told(
    state: Any, history: History, rows: Any, since_us: int, ended_us: int | None, items: list[Item], lines: list[FirstReading]
) -> Handover:  # fmt: skip
    temps = history.cycles.temp_c[rows]
    temp = float(np.nanmedian(temps)) if np.isfinite(temps).any() else None
    return Handover(state, since_us, ended_us, len(rows), temp, tuple(items), tuple(lines))


def _working_days_later(at_us: int, timezone: str) -> int:
    """The end of the seventh working day (Monday to Friday) after a time."""
    zone = ZoneInfo(timezone)
    day = instant(at_us).astimezone(zone)
    last: date = np.busday_offset(np.datetime64(day.date()), WORKING_DAYS, roll="backward").astype(object)
    return microseconds(day.replace(year=last.year, month=last.month, day=last.day)) + DAY_US


def _checked(
    history: History, audit: Audit, tank: Reservoir, findings: Sequence[Finding], rows: Any, settings: Settings
) -> tuple[list[Item], list[FirstReading]]:
    """The checklist by the cycles in `rows`, and each line's first readings."""
    setup, c = history.setup, history.cycles
    until_us = int(c.at_us[rows[-1]]) if len(rows) else history.as_of_us
    peaks = {name: c.peak_kpa[rows, j] for j, name in enumerate(c.channels)}
    alone = Counter(line.channel for line in setup.lines)
    level: dict[str, float] = {}
    for name in setup.channels:
        known = peaks[name][np.isfinite(peaks[name]) & (peaks[name] > 0)] if name in peaks else np.zeros(0)
        if len(known) >= _FIRST_READINGS:
            level[name] = float(np.log(np.median(known)))
    own = [line for line in setup.lines if line.channel in level and alone[line.channel] == 1]
    read = np.array([level[line.channel or ""] for line in own])
    off, scatter = sister_ratios(own, read)
    ratio = {line.line: float(v) for line, v in zip(own, off, strict=True) if np.isfinite(v)}
    swapped = _swapped(own, read)
    limit = odd_limit(scatter) if ratio else np.inf
    items, firsts = [], []
    for line in setup.lines:
        kpa = float(np.exp(level[line.channel])) if line.channel in level else None
        against = float(np.exp(ratio[line.line])) if line.line in ratio else None
        firsts.append(
            FirstReading(line.line, line.point, line.bundle, line.channel, _rounded(kpa), _rounded(against, 2))
        )
        verdict, text = _line(line, kpa, against, limit, swapped, setup.relief_kpa, alone[line.channel])
        items.append(Item(say("Line {line}, {point}", line=line.line, point=line.point), verdict, text, line.line))
    items.append(_air(findings, peaks, until_us))
    items += _timer(history, audit, rows, settings)
    done = c.complete[rows]
    if setup.confirmation or (setup.confirmation is None and np.isfinite(done).any()):
        known = done[np.isfinite(done)]
        share = float(known.mean()) if len(known) else 0.0
        fine = len(known) >= _FIRST_READINGS and share >= 0.9
        items.append(
            Item(say("Confirmation"), "proven" if fine else "not yet" if len(known) < _FIRST_READINGS else "looks wrong",
                 say("{confirmed} of {all} cycles were confirmed", confirmed=int(known.sum()), all=len(known)))
        )  # fmt: skip
    if setup.level == "percent":
        items += _level(history, tank, rows, until_us, settings)
    return items, firsts


def _line(
    line: Line, kpa: float | None, against: float | None, limit: float, swapped: dict[int, int], relief_kpa: float, watched: int
) -> tuple[Verdict, str]:  # fmt: skip
    if line.channel is None:
        return "no reading", say("no channel watches it: see grease come at the point, and tick it by hand")
    if line.line in swapped:
        other = swapped[line.line]
        return (
            "looks wrong",
            say(
                "reads what line {other} should, and line {other} what this one should: swapped against the sheet?",
                other=other,
            ),
        )
    if kpa is None:
        return "not yet", say("fewer than {number} readings", number=_FIRST_READINGS)
    read = number(kpa, 0)
    if kpa < _NO_PRESSURE * relief_kpa:
        return "looks wrong", say("{pressure} kPa: it carries hardly any pressure", pressure=read)
    if kpa > 0.94 * relief_kpa:
        return "looks wrong", say("{pressure} kPa: it stands at relief pressure", pressure=read)
    if watched > 1:  # one tube that is off hardly moves what feeds them all
        return (
            "no reading",
            say(
                "its channel watches {lines} lines at once: see grease come at the point, and tick it by hand",
                lines=watched,
            ),
        )
    if against is None:
        return "proven", say("{pressure} kPa; too few lines like it to compare", pressure=read)
    text = say(
        "{pressure} kPa, {ratio} times what lines of its length and bore have", pressure=read, ratio=number(against, 2)
    )
    return ("looks wrong" if abs(np.log(against)) > limit else "proven"), text


def _swapped(own: Sequence[Line], log_kpa: Floats) -> dict[int, int]:
    """Neighbours on the sheet that read what the other should, by all other lines: line -> line."""
    found: dict[int, int] = {}
    if len(own) < _FEWEST_LINES + 2:
        return found
    terms = alike(own)
    for a, b in pairwise(range(len(own))):
        rest = [n for n in range(len(own)) if n not in (a, b)]
        fit = np.linalg.lstsq(terms[rest], log_kpa[rest], rcond=None)[0]
        should, read = terms[[a, b]] @ fit, log_kpa[[a, b]]
        as_sheet, other_way = float(np.linalg.norm(read - should)), float(np.linalg.norm(read - should[::-1]))
        if abs(should[0] - should[1]) > np.log(_SWAP_RATIO) and as_sheet > max(_SWAP_MISFIT, _SWAP_GAIN * other_way):
            found |= {own[a].line: own[b].line, own[b].line: own[a].line}
    return found


def _air(findings: Sequence[Finding], peaks: dict[str, Any], until_us: int) -> Item:
    starved = [
        f
        for f in findings
        if f.kind == "starved_pump" and f.began_us <= until_us and (f.ended_us or until_us) >= until_us
    ]
    if starved:
        return Item(say("Air bled out"), "looks wrong", say("pressure is lost on all channels: bleed the pump outlets"))
    if not peaks:
        return Item(
            say("Air bled out"),
            "no reading",
            say("no pressure is read: see grease come without bubbles at the pump outlets"),
        )
    read = np.column_stack(list(peaks.values()))
    table = np.log(np.clip(read[np.isfinite(read).any(axis=1)][-PLAIN_CYCLES:], 1.0, None))
    steps = np.diff(table, axis=0)
    if len(steps) < _FIRST_READINGS or not np.isfinite(steps).any():
        return Item(say("Air bled out"), "not yet", say("too few cycles"))
    common = np.nanmedian(steps[np.isfinite(steps).any(axis=1)], axis=1)
    scatter = float(1.4826 * np.median(np.abs(common)) / np.sqrt(2))
    if scatter > _UNSTEADY:
        return Item(
            say("Air bled out"),
            "not yet",
            say("pressures still change by {percent} % from cycle to cycle", percent=number(100 * scatter, 0)),
        )
    return Item(say("Air bled out"), "proven", say("pressures are steady from cycle to cycle"))


def _timer(history: History, audit: Audit, rows: Any, settings: Settings) -> list[Item]:
    setup, c = history.setup, history.cycles
    own = rows[(c.manual[rows] != 1)] if len(rows) else rows
    gaps = np.diff(history.cycle_h[own]) * 60 / np.maximum(1, 1 + audit.lost[own][1:] + audit.missed[own][1:])
    items = []
    if len(gaps) < _FIRST_READINGS:
        items.append(Item(say("Interval"), "not yet", say("too few cycles")))
    elif not audit.by_clock:
        items.append(Item(say("Interval"), "not yet", say("cycles come after irregular ignition hours")))
    else:
        interval = float(np.median(gaps))
        fine = abs(interval / setup.interval_min - 1) <= settings.timer_mismatch
        items.append(
            Item(
                say("Interval"),
                "proven" if fine else "looks wrong",
                say(
                    "{seen} min; the sheet says {registered} min",
                    seen=number(interval, 1),
                    registered=number(setup.interval_min),
                ),
            )
        )
    if len(own) < _FIRST_READINGS:
        items.append(Item(say("Run time"), "not yet", say("too few cycles")))
    else:
        run_s = float(np.median(c.run_s[own]))
        fine = abs(run_s / setup.run_s - 1) <= _RUN_TIME
        items.append(
            Item(
                say("Run time"),
                "proven" if fine else "looks wrong",
                say("{seen} s; the sheet says {registered} s", seen=number(run_s, 0), registered=number(setup.run_s)),
            )
        )
    return items


def _level(history: History, tank: Reservoir, rows: Any, until_us: int, settings: Settings) -> list[Item]:
    setup, levels = history.setup, history.levels
    since_us = int(history.cycles.at_us[rows[0]]) if len(rows) else until_us
    known = levels.level_pct[(levels.at_us >= since_us) & (levels.at_us <= until_us)]
    if not len(known):
        return [
            Item(say("Level sensor"), "not yet", say("no reading yet")),
            Item(say("Reservoir"), "not yet", say("no reading yet")),
        ]
    third = max(1, len(known) // 3)
    fell = float(np.median(known[:third]) - np.median(known[-third:]))
    should = float(tank.used_pct[rows].sum()) * (1 - third / max(len(known), 2))
    took = number(should, 1)
    noise = settings.level_noise_pct
    sure = should > _LEVEL_SIGMAS * noise * np.sqrt(2 / third)
    filled = any(since_us <= fill.at_us <= until_us for fill in tank.fills)
    if filled:
        sensor = Item(say("Level sensor"), "proven", say("it showed a fill"))
    elif not sure:
        sensor = Item(
            say("Level sensor"), "not yet", say("the cycles took {taken} % so far, too little to see", taken=took)
        )
    elif 0.5 * should <= fell <= 1.6 * should:
        sensor = Item(
            say("Level sensor"),
            "proven",
            say("it fell by {fell} %; the cycles took {taken} %", fell=number(fell, 1), taken=took),
        )
    else:
        sensor = Item(
            say("Level sensor"),
            "looks wrong",
            say("it fell by {fell} %, but the cycles took {taken} %", fell=number(fell, 1), taken=took),
        )
    now = float(np.median(known[-3:]))
    fine = setup.low_mark_pct < now <= 101
    return [sensor, Item(say("Reservoir"), "proven" if fine else "looks wrong",
        say("{level} %, between {low_mark} and 100 %", level=number(now, 0), low_mark=number(setup.low_mark_pct))
        if fine else say("{level} %: not between its marks", level=number(now, 0)))]  # fmt: skip


def _rounded(value: float | None, digits: int = 0) -> float | None:
    return None if value is None else round(value, digits)
