"""What gets worse slowly: the trend of each line's pressure, of what is left of it and of its rise, of the supply voltage and of the
grease per cycle, over ignition hours.

A trend is a straight line through the days' medians by Huber's robust regression, on the logarithm, beside the temperature and its
square: weather is no wear. What three and more channels do together is taken out of pressures as well: it is the grease, not a line. It
begins where messages do, or where a line was cleared or the system fitted anew; days in which something was found wrong are left out.
The change is counted from what was read in commissioning, or else in the first sound month. Days that follow each other are alike, so
that the limits are widened by the correlation of what is left over. A finding tells what is wrong; a trend only says when it may be,
at the present pace of work.

Of the messages only a sampled course (`trace`) tells how fast pressure rises: without it there is no trend of the rise. Grease per cycle
is what left the reservoir over what the line list says, in stretches of use between two fills.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.kinds import FINDING_KINDS
from analytics.settings import DEFAULTS, Settings
from analytics.statistics.m_estimates import BY_HUBER, huber_errors, m_estimates
from analytics.trends import Baseline, Trend, What
from analytics.vehicle.analysis import Result
from analytics.vehicle.history import History
from analytics.vehicle.lubrication import inside
from analytics.vehicle.pressure.expected import row_medians
from analytics.vehicle.pressure.traces import courses
from ingest.arrays import Floats, Ints
from ingest.times import DAY_US, FOREVER_US, HOUR_US, LONG_AGO_US

FEWEST_DAYS: Final = 40
FEWEST_H: Final = 100.0
_READINGS: Final = 3  # of a day, at least, for a median
_BASELINE_DAYS: Final = 30
_WIDE: Final = 64  # readings of a day that are sorted in a table of all days
_SURE: Final = 0.975  # either limit
_SEVERAL: Final = 3  # channels, whose median no single one moves
_DATED: Final = 0.8  # of the cycles that tell the temperature
_PACE_DAYS: Final = 28
_SOON_DAYS: Final = 180  # what passes its limit later than that may be anything
_REST_LIMIT: Final = float(np.log(0.9))  # of the peak still there: nothing flows (common practice, no source)
_SUPPLY_LIMIT: Final = float(np.log(0.88))  # of the usual voltage, as `controller` has it
_RISE_LIMIT: Final = float(np.log(1.5))  # of the usual time: a leak, air or a worn element (common practice, no source)
FEWEST_STRETCHES: Final = 8  # of use, for a trend of the grease per cycle
_STRETCH_PCT: Final = 20.0  # of the reservoir by the sheet: the longer, the surer its slope
_STRETCH_STEPS: Final = 10.0  # of the sensor, if that is more
_STRETCH_READINGS: Final = 8
_LEAST_RATIO: Final = 0.2  # of the sheet: less is a fill that nobody saw
_SETTLES_US: Final = 20 * HOUR_US  # grease just filled in lies in a heap
_SPOILS_LEVEL: Final = (
    "reservoir_loss", "under_delivery", "level_sensor", "starved_pump", "low_level", "overfill", "incomplete_cycles",
)  # fmt: skip


@dataclass(frozen=True)
class _Series:
    """One thing over time: `y` (n,) logarithms at `at_us` (n,) after `hours` (n,) of ignition at `temp_c` (n,; 0 where it is not known).
    `limits` are of its change, or of its value where `absolute`; `scale` makes `y` what `Trend.latest` is."""

    what: What
    channel: str | None
    lines: tuple[int, ...]
    at_us: Floats
    hours: Floats
    y: Floats
    temp_c: Floats
    limits: tuple[float, float]
    absolute: bool = False
    scale: float = 1.0


_Line = tuple[
    float, float, Floats
]  # its slope, the standard error of that, and what the temperature explains of (n,) points


def trends(result: Result, settings: Settings = DEFAULTS) -> list[Trend]:
    """Every trend that enough days tell of."""
    history = result.history
    if not history.metered or not len(history.heard_h) or history.heard_h[-1] - history.heard_h[0] < FEWEST_H:
        return []
    many_days = history.heard_us[-1] - history.heard_us[0] > (FEWEST_DAYS - 2) * DAY_US
    by_days = _series(result, settings) if many_days and len(history.cycles) else ()  # a pump may never have run
    series = (*by_days, *_dose(result, settings))
    enough = [one for one in series if _tells(one)]
    lines = zip(enough, _lines(enough), strict=True)
    # What never strays at all has no error, and says nothing: a sensor that makes it up.
    return [_trend(result, one, line) for one, line in lines if np.isfinite(line[:2]).all()]


def _tells(series: _Series) -> bool:
    fewest = FEWEST_STRETCHES if series.what == "dose" else FEWEST_DAYS
    return len(series.y) >= fewest and bool(series.hours[-1] - series.hours[0] >= FEWEST_H)


def _lines(series: Sequence[_Series]) -> list[_Line]:
    """The straight line of each: of those with the same days together."""
    beside: dict[int, list[int]] = {}
    for k, one in enumerate(series):
        beside.setdefault(id(one.hours), []).append(k)
    found: dict[int, _Line] = {}
    for mine in beside.values():
        first = series[mine[0]]
        found |= zip(mine, fits(first.hours / 1000, np.stack([series[k].y for k in mine]), first.temp_c), strict=True)
    return [found[k] for k in range(len(series))]


def _series(result: Result, settings: Settings) -> Iterator[_Series]:
    """What cycles tell of, by days."""
    history, c = result.history, result.history.cycles
    relief = history.said("relief_kpa", c.at_us)
    together = _together(history)
    traced, days = any(trace is not None for trace in c.trace), _Days(history)
    for channel in history.setup.channels:
        if channel not in c.channels:
            continue
        lines = tuple(line.line for line in history.setup.lines if line.channel == channel)
        peak = c.peak_kpa[:, c.channels.index(channel)].astype(np.float64)
        rest = c.rest_kpa[:, c.channels.index(channel)].astype(np.float64)
        possible = (peak > 0) & (peak < settings.impossible_over_relief * relief) & sound(result, channel)
        log_peak = np.log(np.where(possible, peak, np.nan))
        limits = (settings.open_log_ratio, settings.blocked_log_ratio)
        yield days.series("pressure", channel, lines, log_peak - together, limits)
        share = np.where(possible & (rest > 0) & (rest <= peak), rest / np.maximum(peak, 1.0), np.nan)
        if history.setup.feed != "injector":  # whose main line is vented
            yield replace(days.series("rest", channel, lines, np.log(share), (-np.inf, _REST_LIMIT)), absolute=True)
        if traced:
            at_us, rise_s, _ = courses(history, channel)
            known = np.isfinite(rise_s) & (rise_s > 0)
            rise = np.full(len(c), np.nan)
            rise[np.searchsorted(c.at_us, at_us[known].astype(np.int64))] = np.log(rise_s[known])
            rise[~possible] = np.nan
            yield days.series("rise", channel, lines, rise, (-np.inf, _RISE_LIMIT), fewest=1)
    if (
        np.ptp(together) > 0 and np.isfinite(c.temp_c).mean() > _DATED
    ):  # unknown weather would be a trend with the seasons
        usual = float(np.nanmedian(np.where(c.peak_kpa > 0, c.peak_kpa, np.nan)))
        all_kpa = np.where((together != 0) & sound(result, None), np.log(usual) + together, np.nan)
        yield days.series("pressure", None, (), all_kpa, (settings.starved_log_ratio, np.inf))
    volts = np.log(np.where(c.supply_v > 0, c.supply_v, np.nan))
    yield days.series("supply", None, (), volts, (_SUPPLY_LIMIT, np.inf))


def _dose(result: Result, settings: Settings) -> Iterator[_Series]:
    """Grease per cycle over the sheet's, of stretches of use between two fills: minus the slope of the level over what the sheet says
    was used."""
    history = result.history
    read = result.reservoir.readings
    if len(read) < FEWEST_STRETCHES * _STRETCH_READINGS:
        return
    filled = sorted([fill.at_us for fill in result.fills] + [w.at_us for w in history.work if w.kind == "filled"])
    anew = np.array([w.at_us for w in history.work if w.kind in ("relined", "timer_set")], np.int64)
    fills = np.array(filled, np.int64)
    since = np.searchsorted(fills, read.at_us, "right")
    settled = read.at_us - np.r_[LONG_AGO_US, fills][since] > _SETTLES_US
    usable = settled & np.array(read.draws) & (read.at_us >= anew.max(initial=LONG_AGO_US))
    for found in result.findings:
        if found.kind in _SPOILS_LEVEL:
            usable &= ~((read.at_us >= found.began_us) & (read.at_us < (found.ended_us or FOREVER_US)))
    stretch_pct = max(_STRETCH_PCT, _STRETCH_STEPS * read.step_pct[-1])
    segment = since + np.cumsum(read.starts_anew)
    told = []
    for one in np.unique(segment[usable]):
        mine = np.flatnonzero(usable & (segment == one))
        parts = int(min(len(mine) / _STRETCH_READINGS, np.ptp(read.used_pct[mine]) / stretch_pct))
        for k in np.array_split(mine, parts) if parts else ():
            ratio = -float(np.polyfit(read.used_pct[k], read.level_pct[k], 1)[0])
            told.append((float(np.mean(read.at_us[k])), max(ratio, _LEAST_RATIO)))
    if len(told) >= FEWEST_STRETCHES:
        at_us, ratio = np.array(told).T
        hours = np.interp(at_us, history.heard_us, history.heard_h)
        yield _Series(
            "dose", None, (), at_us, hours, np.log(ratio), np.zeros(len(at_us)),
            (float(np.log(settings.under_ratio)), float(np.log(settings.loss_ratio))), scale=history.setup.dose_cm3 / 1000,
        )  # fmt: skip


def _together(history: History) -> Floats:
    """(cycles,) logarithm of what all channels do together, by their median; 0 where fewer than three read."""
    c = history.cycles
    mine = [c.channels.index(name) for name in history.setup.channels if name in c.channels]
    peak = c.peak_kpa[:, mine].astype(np.float64)
    if peak.shape[1] < _SEVERAL or not len(peak):
        return np.zeros(len(c))
    log_peak = np.log(np.where(peak > 0, peak, np.nan))
    off = log_peak - row_medians(log_peak.T)
    told = row_medians(off)
    return np.where(np.isfinite(off).sum(axis=1) >= _SEVERAL, np.nan_to_num(told), 0.0)


def sound(result: Result, channel: str | None) -> NDArray[np.bool_]:
    """(cycles,) in which nothing was wrong that touches a channel (None: the pump), since its line was last cleared or the system fitted
    anew."""
    history = result.history
    begin_us = LONG_AGO_US
    for work in history.work:
        mended = work.kind == "line_mended" and channel is not None and channel in history.channels_of(work)
        if work.kind == "relined" or mended:
            begin_us = work.at_us
    sound = (history.cycles.at_us >= begin_us) & ~result.flaws
    for found in result.findings:
        concerns = (
            found.channel == channel if found.channel is not None else FINDING_KINDS[found.kind].group != "readings"
        )
        if concerns and found.kind not in ("low_level", "overfill", "timer_mismatch", "missed_cycles"):
            sound &= ~inside(history, found)
    return np.asarray(sound)


def _trend(result: Result, series: _Series, line: _Line) -> Trend:
    """The trend of one series, by its straight line."""
    from scipy.special import stdtrit  # here, since it takes long to load

    at_h, y = series.hours, series.y
    slope, error, weather = line
    wide = float(stdtrit(max(len(y) - 2, 1), _SURE)) * error
    low, high = slope - wide, slope + wide
    dry, thousand_h = y - weather, (at_h - at_h[0]) / 1000
    baseline, began = _baseline(result, series, dry)
    latest = float(np.median(dry - slope * thousand_h)) + slope * float(thousand_h[-1])
    changed = latest - began
    pace_h = _pace_h(result)
    steep, sure = (high, low > 0) if slope > 0 else (low, high < 0)
    now = latest if series.absolute else changed
    expected, early = (_passes(now, one, series.limits, pace_h) for one in (slope, steep))
    worsens = sure and expected is not None
    as_of_us = result.history.as_of_us
    return Trend(
        what=series.what, channel=series.channel, lines=series.lines, hours=round(float(at_h[-1] - at_h[0]), 1),
        percent=_percent(slope), percent_low=_percent(low), percent_high=_percent(high), changed_percent=_percent(changed),
        baseline=baseline, latest=float(f"{series.scale * np.exp(latest):.4g}"),
        early_us=None if early is None or not worsens else as_of_us + int(early * DAY_US),
        expected_us=None if expected is None or not worsens else as_of_us + int(expected * DAY_US),
        worsens=worsens,
    )  # fmt: skip


def _baseline(result: Result, series: _Series, dry: Floats) -> tuple[Baseline, float]:
    """What a series is held against: its median in commissioning where that was read, else in its first sound month."""
    handed = result.handover
    if handed is not None:
        until_us = handed.ended_us or result.history.as_of_us
        first = (series.at_us >= handed.since_us - DAY_US) & (series.at_us <= until_us)
        if first.any():
            return "commissioning", float(np.median(dry[first]))
    first = series.at_us < series.at_us[0] + _BASELINE_DAYS * DAY_US
    return "first month", float(np.median(dry[first]))


def _percent(log_change: float) -> float:
    return round(100 * float(np.expm1(log_change)), 2)


class _Days:
    """Medians of the days that have enough readings of something."""

    def __init__(self, history: History) -> None:
        c = history.cycles
        self._day = c.at_us // DAY_US
        self._hours, self._temp_c = history.cycle_h, np.nan_to_num(c.temp_c, nan=0.0)
        # Most channels are read in the same cycles: by which cycles, and by how many readings are enough.
        self._beside: dict[tuple[bytes, int], tuple[Floats, Floats, Floats]] = {}

    def series(
        self, what: What, channel: str | None, lines: tuple[int, ...], log_value: Floats, limits: tuple[float, float],
        *, fewest: int = _READINGS,
    ) -> _Series:  # fmt: skip
        """The days' medians of (cycles,) logarithms, and of the hours and temperatures at which they were read."""
        known = np.isfinite(log_value)
        day = self._day[known]
        y = _medians(day, log_value[known], fewest)
        key = known.tobytes(), fewest
        if key not in self._beside:
            at_us = np.unique(day)[np.unique(day, return_counts=True)[1] >= fewest].astype(np.float64) * DAY_US
            hours, temp_c = (_medians(day, of[known], fewest) for of in (self._hours, self._temp_c))
            self._beside[key] = at_us, hours, temp_c
        at_us, hours, temp_c = self._beside[key]
        return _Series(what, channel, lines, at_us, hours, y, temp_c, limits)


def _medians(day: Ints, values: Floats, fewest: int) -> Floats:
    """(days,) medians of (n,) values in order of their days, of those with enough of them."""
    begins = np.flatnonzero(np.r_[True, day[1:] != day[:-1]][: len(day)])
    number = np.diff(np.r_[begins, len(day)])
    table = np.full((len(begins), min(number.max(initial=0), _WIDE)), np.inf)
    row = np.repeat(np.arange(len(begins)), number)
    place = np.arange(len(day)) - begins[row]
    fits = number[row] <= _WIDE
    table[row[fits], place[fits]] = values[fits]
    table.sort(axis=1)
    middle = np.minimum(number, _WIDE)
    each = np.arange(len(begins))
    medians = (table[each, (middle - 1) // 2] + table[each, middle // 2]) / 2
    for k in np.flatnonzero(number > _WIDE):
        medians[k] = np.median(values[begins[k] : begins[k] + number[k]])
    return np.asarray(medians[number >= fewest], np.float64)


def fits(thousand_h: Floats, y: Floats, temp_c: Floats) -> list[_Line]:
    """The robust straight lines through the rows of `y` (k, n) over (n,) points.

    Huber's M-estimate, with temperature and its square beside it where it varies. The error is widened by the lag-one correlation r of
    what is left over: so many points are worth (1 - r) / (1 + r) of them (Bayley and Hammersley 1946).
    """
    x = thousand_h - thousand_h[0]
    warm = (temp_c - np.median(temp_c)) / 10
    terms = [np.ones(len(x)), x, *([warm, warm**2] if np.ptp(temp_c) > 1 else [])]
    design = np.column_stack(terms)
    told = m_estimates(design, y, BY_HUBER)
    lines = list[_Line]()
    for params, errors, rest, scale in zip(told.params, huber_errors(design, told), told.left, told.scale, strict=True):
        left = np.clip(rest / max(scale, 1e-9), -3, 3)
        r = float(np.clip(np.corrcoef(left[:-1], left[1:])[0, 1], 0.0, 0.95)) if np.ptp(left) > 0 else 0.0
        lines.append((float(params[1]), float(errors[1]) * np.sqrt((1 + r) / (1 - r)), design[:, 2:] @ params[2:]))
    return lines


def _pace_h(result: Result) -> float:
    """Ignition hours a day of late."""
    history = result.history
    since = np.interp(history.as_of_us - _PACE_DAYS * DAY_US, history.heard_us, history.heard_h)
    return float(history.heard_h[-1] - since) / _PACE_DAYS


def _passes(now: float, slope: float, bounds: tuple[float, float], pace_h: float) -> float | None:
    """Days until a value passes the bound that it goes towards; None where it is further off than that."""
    bound = bounds[1] if slope > 0 else bounds[0]
    if not np.isfinite(bound) or slope == 0 or pace_h <= 0:
        return None
    days = max(0.0, (bound - now) / slope) * 1000 / pace_h
    return days if days <= _SOON_DAYS else None
