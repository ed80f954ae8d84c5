"""What a finding rests on, as a small picture beside its sentence: grey before it began, in the colour of its severity since."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

import numpy as np

from analytics.findings import Finding
from analytics.vehicle import daily
from analytics.vehicle.analysis import Result
from dashboard import accounts, formatting
from dashboard.figures.theme import thinned
from dashboard.tokens import GREY, SEVERITY_COLOURS
from ingest.arrays import Floats, Ints
from ingest.languages import cldr, later, tr
from ingest.times import DAY_US, local_us

_WIDTH, _HEIGHT = 320, 84
_BEFORE_US: Final = 21 * DAY_US  # shown before a finding began
_AFTER_US: Final = 7 * DAY_US  # and after it ended
_MOST_POINTS: Final = 260
_LOW_MARK: Final = later("low mark")
_LETTERS: Final = "/:=' ,-"  # that need no escape inside a picture's address


@dataclass(frozen=True)
class Evidence:
    """A picture as an address of its own, and what it shows in words."""

    picture: str
    said: str


@dataclass(frozen=True, kw_only=True)
class _Course:
    """What is drawn: values (n,) at times (n,), as dots, or as bars with what is ordinary below them; the range that would be ordinary,
    and what it is called."""

    name: str
    at_us: Ints
    values: Floats
    below: Floats | None = None
    ordinary: tuple[float, float] | None = None
    ordinary_name: str = ""
    last: Callable[[float], str] | None = None  # the latest value in words


def evidence(found: Finding, result: Result) -> Evidence | None:
    """The picture of a finding; None where nothing that is read shows it."""
    course = _COURSES[found.kind](found, result) if found.kind in _COURSES else None
    if course is None:
        return None
    first = found.began_us - _BEFORE_US
    last = (
        result.history.as_of_us if found.ended_us is None else min(found.ended_us + _AFTER_US, result.history.as_of_us)
    )
    seen = (course.at_us >= first) & (course.at_us <= last) & np.isfinite(course.values)
    if seen.sum() < 2:
        return None
    zone = result.history.setup.timezone
    from_, until = (formatting.day(formatting.local(at, zone)) for at in (int(course.at_us[seen][0]), last))
    said = [tr("{course}, {begin} to {end}.", course=course.name, begin=from_, end=until)]
    if course.ordinary_name:
        said.append(tr("Grey band: {what}.", what=course.ordinary_name) if course.ordinary and course.ordinary[0] != course.ordinary[1]
                    else tr("Grey line: {what}.", what=course.ordinary_name))  # fmt: skip
    if course.last is not None:
        said.append(course.last(float(np.median(course.values[seen][-5:]))))
    return Evidence(_drawn(course, seen, first, last, found), " ".join(said))


def _drawn(course: _Course, seen: Any, first: int, last: int, found: Finding) -> str:
    """The picture."""
    at_us, values = course.at_us[seen], course.values[seen]
    below = np.zeros(len(values)) if course.below is None else course.below[seen]
    few = thinned(values, _MOST_POINTS) if course.below is None else np.arange(len(values))
    bounds = [
        *(course.ordinary or ()),
        float((values + below)[few].max()),
        float(values[few].min()),
        *([0.0] if course.below is not None else []),
    ]
    low, high = min(bounds), max(bounds)
    pad = 0.08 * (high - low or 1.0)
    low, high = low - (0 if course.below is not None else pad), high + pad

    def x(at: Any) -> Any:
        return np.round((np.asarray(at, np.float64) - first) / max(last - first, 1) * _WIDTH, 1)

    def y(value: Any) -> Any:
        return np.round(_HEIGHT - (np.asarray(value) - low) / (high - low) * _HEIGHT, 1)

    colour, parts = SEVERITY_COLOURS[found.severity], []
    if course.ordinary is not None:
        top, bottom = float(y(course.ordinary[1])), float(y(course.ordinary[0]))
        if bottom - top > 1:
            parts.append(
                f"<rect x='0' y='{top:g}' width='{_WIDTH}' height='{bottom - top:g}' fill='{GREY}' fill-opacity='.3'/>"
            )
        else:
            parts.append(f"<path d='M0 {top:g}H{_WIDTH}' stroke='{GREY}' stroke-dasharray='5 3'/>")
    began = float(x(found.began_us))
    parts.append(f"<path d='M{began:g} 0V{_HEIGHT}' stroke='{colour}' stroke-dasharray='2 3'/>")
    since = at_us[few] >= found.began_us
    for which, paint in ((~since, GREY), (since, colour)):
        xs, ys = x(at_us[few][which]), y(values[few][which])
        if course.below is None:
            dots = "".join(f"M{a:g} {b:g}h0" for a, b in zip(xs, ys, strict=True))
            parts.append(f"<path d='{dots}' stroke='{paint}' stroke-width='3.2' stroke-linecap='round'/>")
            continue
        wide = max(_WIDTH / max((last - first) / DAY_US, 1) * 0.7, 1)
        under, over = y(below[few][which]), y((values + below)[few][which])
        grounds = "".join(f"M{a:g} {_HEIGHT}V{b:g}" for a, b in zip(xs, under, strict=True))
        tops = "".join(f"M{a:g} {b:g}V{c:g}" for a, b, c in zip(xs, under, over, strict=True))
        parts.append(f"<path d='{grounds}' stroke='{GREY}' stroke-width='{wide:.1f}'/>")
        parts.append(f"<path d='{tops}' stroke='{colour}' stroke-width='{wide:.1f}'/>")
    parts.append(f"<path d='M0 {_HEIGHT - 0.5}H{_WIDTH}' stroke='{GREY}'/>")
    picture = f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 -2 {_WIDTH} {_HEIGHT + 4}' fill='none'>{''.join(parts)}</svg>"
    return f"data:image/svg+xml,{quote(picture, safe=_LETTERS)}"


def _times_expected(value: float) -> str:
    return tr("Now {ratio} times expected.", ratio=cldr.plain(float(f"{2**value:.2g}")))


def _line(found: Finding, result: Result) -> _Course | None:
    """A channel's pressure in ratio to what is expected, by doublings."""
    if found.channel not in result.pressures.channels:
        return None
    j = result.pressures.channels.index(found.channel)
    with np.errstate(invalid="ignore", divide="ignore"):
        doublings = np.log2(result.pressures.ratio[:, j].astype(np.float64))
    usual = 2 * float(result.pressures.noise[j]) / np.log(2)
    return _Course(
        name=tr("Pressure, times expected (each step doubles)"),
        at_us=result.history.cycles.at_us,
        values=np.clip(doublings, -4, 4),
        ordinary=(-usual, usual),
        ordinary_name=tr("as expected"),
        last=_times_expected,
    )


def _pump(_: Finding, result: Result) -> _Course | None:
    """The middle of all channels."""
    if not result.pressures.channels:
        return None
    ratio = np.where(np.isfinite(result.pressures.ratio), result.pressures.ratio, np.nan).astype(np.float64)
    known = np.isfinite(ratio).any(axis=1)
    middle = np.full(len(ratio), np.nan)
    middle[known] = np.nanmedian(ratio[known], axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        doublings = np.clip(np.log2(middle), -4, 4)
    return _Course(
        name=tr("Pressure of all lines together, times expected (each step doubles)"),
        at_us=result.history.cycles.at_us,
        values=doublings,
        ordinary=(-0.3, 0.3),
        ordinary_name=tr("as expected"),
        last=_times_expected,
    )


def _peak(found: Finding, result: Result) -> _Course | None:
    """The bare readings of a channel."""
    cycles, unit = result.history.cycles, accounts.my_units()
    if found.channel not in cycles.channels:
        return None
    peak = cycles.peak_kpa[:, cycles.channels.index(found.channel)].astype(np.float64) * unit.of_kpa(1.0)
    relief = unit.of_kpa(result.history.setup.relief_kpa)
    return _Course(
        name=tr("Highest pressure of each cycle, {unit}", unit=unit.pressure),
        at_us=cycles.at_us,
        values=np.clip(peak, -relief, 2 * relief),
        ordinary=(relief, relief),
        ordinary_name=tr("relief pressure"),
    )


def _level(mark: str) -> Callable[[Finding, Result], _Course | None]:
    """Level readings, against the low mark or the full mark."""

    def course(_: Finding, result: Result) -> _Course | None:
        levels, low = result.history.levels, result.history.setup.low_mark_pct
        at = low if mark == _LOW_MARK else 100.0
        return _Course(
            name=tr("Level, % of the full mark"),
            at_us=levels.at_us,
            values=levels.level_pct.astype(np.float64),
            ordinary=(at, at),
            ordinary_name=tr(mark),
            last=lambda value: tr("Last read {value} %.", value=cldr.decimal(value, 0)),
        )

    return course


def _by_day(name: str, of: str) -> Callable[[Finding, Result], _Course | None]:
    """Cycles of each day: what is wrong on top of what was done."""

    def course(_: Finding, result: Result) -> _Course | None:
        days = daily.days(result)
        if not days:
            return None
        zone = ZoneInfo(result.history.setup.timezone)
        shift = result.history.as_of_us - int(local_us(np.array([result.history.as_of_us]), zone)[0])
        noon = np.array([(d.day.toordinal() - 719_163) * DAY_US + DAY_US // 2 + shift for d in days])
        wrong = np.array([float(getattr(d, of)) for d in days])
        return _Course(name=tr(name), at_us=noon, values=wrong, below=np.array([float(d.done) for d in days]))

    return course


def _timer(found: Finding, result: Result) -> _Course | None:
    """Ignition time between cycles, or how long they run."""
    history, setup = result.history, result.history.setup
    runs = found.evidence.get("run_s")
    if runs is not None and abs(runs / setup.run_s - 1) >= 0.1:
        return _Course(
            name=tr("Run time, seconds"),
            at_us=history.cycles.at_us,
            values=history.cycles.run_s.astype(np.float64),
            ordinary=(setup.run_s, setup.run_s),
            ordinary_name=tr("as registered"),
            last=lambda v: tr("Now {value} s.", value=cldr.decimal(v, 0)),
        )
    minutes = np.diff(history.cycle_h, prepend=np.nan) * 60
    minutes[(minutes <= 0) | (minutes > 4 * setup.interval_min)] = np.nan
    return _Course(
        name=tr("Ignition time from cycle to cycle, minutes"),
        at_us=history.cycles.at_us,
        values=minutes,
        ordinary=(setup.interval_min, setup.interval_min),
        ordinary_name=tr("as registered"),
        last=lambda v: tr("Now {value} min.", value=cldr.decimal(v, 0)),
    )


def _heard(_: Finding, result: Result) -> _Course | None:
    """Messages of each day, until they cease."""
    heard = result.history.heard_us
    if not len(heard):
        return None
    first = int(heard[0]) // DAY_US
    number = np.bincount(heard // DAY_US - first, minlength=int(result.history.as_of_us // DAY_US - first) + 1).astype(
        np.float64
    )
    noon = (np.arange(len(number)) + first) * DAY_US + DAY_US // 2
    return _Course(name=tr("Messages a day"), at_us=noon, values=np.zeros(len(number)), below=number)


def _supply(found: Finding, result: Result) -> _Course | None:
    """Supply voltage while the pump runs, where that is what the controller reports."""
    volts, nominal = result.history.cycles.supply_v, result.history.setup.nominal_v
    if found.evidence.get("code") != "supply_low" or not np.isfinite(volts).any():
        return None
    ordinary = None if nominal is None else (nominal, nominal)
    return _Course(
        name=tr("Supply while the pump runs, V"),
        at_us=result.history.cycles.at_us,
        values=volts.astype(np.float64),
        ordinary=ordinary,
        ordinary_name="" if nominal is None else tr("nominal"),
        last=lambda v: tr("Now {value} V.", value=cldr.decimal(v, 1)),
    )


_COURSES: Final[Mapping[str, Callable[[Finding, Result], _Course | None]]] = {
    "blocked_line": _line,
    "open_line": _line,
    "starved_pump": _pump,
    "pressure_sensor": _peak,
    "missed_cycles": _by_day(later("Cycles a day: done grey, missed in colour"), "missed"),
    "incomplete_cycles": _by_day(later("Cycles a day: whole ones grey, incomplete ones in colour"), "incomplete"),
    "timer_mismatch": _timer,
    "reservoir_loss": _level(_LOW_MARK),
    "under_delivery": _level(_LOW_MARK),
    "low_level": _level(_LOW_MARK),
    "level_sensor": _level(_LOW_MARK),
    "overfill": _level(later("full mark")),
    "silent": _heard,
    "controller_fault": _supply,
}
