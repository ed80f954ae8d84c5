"""What gets worse slowly: the trend of each line's pressure and of what is left of it, and of the supply voltage, over ignition hours.

A trend is a straight line through the days' medians by Huber's robust regression, on the logarithm, beside the temperature and its
square: weather is no wear. What three and more channels do together is taken out as well: it is the grease, not a line. It begins with
the first sound month, or where a line was cleared or the system fitted anew; days in which something was found wrong are left out. Days
that follow each other are alike, so that the limits are widened by the correlation of what is left over. A finding tells what is wrong;
a trend only says when it may be, at the present pace of work.
"""

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from analytics.kinds import FINDING_KINDS
from analytics.settings import DEFAULTS, Settings
from analytics.vehicle.analysis import Result
from analytics.vehicle.history import History
from analytics.vehicle.lubrication import inside
from ingest.arrays import Floats
from ingest.times import DAY_US, LONG_AGO_US

What = Literal["pressure", "rest", "supply"]
FEWEST_DAYS: Final = 40
FEWEST_H: Final = 100.0
_READINGS: Final = 3  # of a day, at least, for a median
_SURE: Final = 1.96
_SEVERAL: Final = 3  # channels, whose median no single one moves
_PACE_DAYS: Final = 28
_SOON_DAYS: Final = 180  # what passes its limit later than that may be anything
_REST_LIMIT: Final = float(np.log(0.9))  # of the peak still there: nothing flows (common practice, no source)
_SUPPLY_LIMIT: Final = float(np.log(0.88))  # of the usual voltage, as `controller` has it


@dataclass(frozen=True, kw_only=True)
class Trend:
    """The trend of one thing on a channel (None: the pump), over `hours` of ignition: percent in 1,000 hours with 95 % limits, percent
    by which it has changed since the beginning, and when it is expected to pass its limit, at the earliest and most likely (None: not
    within half a year, or not that way). `worsens` where the limits leave no doubt that it changes, and it passes by then."""

    what: What
    channel: str | None
    lines: tuple[int, ...]
    hours: float
    percent: float
    percent_low: float
    percent_high: float
    changed_percent: float
    early_us: int | None
    expected_us: int | None
    worsens: bool


def trends(result: Result, settings: Settings = DEFAULTS) -> list[Trend]:
    """Every trend that enough days tell of."""
    history, c = result.history, result.history.cycles
    told = [_trend(result, *series) for series in _series(result, settings)]
    if c.supply_v.size:
        volts = np.where(c.supply_v > 0, c.supply_v, np.nan)
        told.append(_trend(result, "supply", None, (), np.log(volts), (-np.inf, _SUPPLY_LIMIT), relative=True))
    return [one for one in told if one is not None and history.metered]


def _series(result: Result, settings: Settings) -> Iterator[tuple[Any, ...]]:
    """(what, channel, its lines, logarithms of its readings (cycles,), limits of the change or of the value)."""
    history, c = result.history, result.history.cycles
    relief = history.said("relief_kpa", c.at_us)
    together = _together(history)
    for channel in history.setup.channels:
        if channel not in c.channels:
            continue
        lines = tuple(line.line for line in history.setup.lines if line.channel == channel)
        peak = c.peak_kpa[:, c.channels.index(channel)].astype(np.float64)
        rest = c.rest_kpa[:, c.channels.index(channel)].astype(np.float64)
        possible = (peak > 0) & (peak < settings.impossible_over_relief * relief) & _sound(result, channel)
        log_peak = np.log(np.where(possible, peak, np.nan))
        yield "pressure", channel, lines, log_peak - together, (settings.open_log_ratio, settings.blocked_log_ratio)
        share = np.where(possible & (rest > 0) & (rest <= peak), rest / np.maximum(peak, 1.0), np.nan)
        if history.setup.feed != "injector":  # whose main line is vented
            yield "rest", channel, lines, np.log(share), (-np.inf, _REST_LIMIT)


def _together(history: History) -> Floats:
    """(cycles,) logarithm of what all channels do together, by their median; 0 where fewer than three read."""
    c = history.cycles
    mine = [c.channels.index(name) for name in history.setup.channels if name in c.channels]
    peak = c.peak_kpa[:, mine].astype(np.float64)
    if peak.shape[1] < _SEVERAL or not len(peak):
        return np.zeros(len(c))
    log_peak = np.log(np.where(peak > 0, peak, np.nan))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # nobody reads in a cycle: nothing is known of it
        off = log_peak - np.nanmedian(log_peak, axis=0)
        told = np.nanmedian(off, axis=1)
    return np.where(np.isfinite(off).sum(axis=1) >= _SEVERAL, np.nan_to_num(told), 0.0)


def _sound(result: Result, channel: str) -> NDArray[np.bool_]:
    """(cycles,) in which nothing was wrong that touches a channel, since its line was last cleared or the system fitted anew."""
    history = result.history
    begin_us = LONG_AGO_US
    for work in history.work:
        if work.kind == "relined" or (work.kind == "line_mended" and channel in history.channels_of(work)):
            begin_us = work.at_us
    sound = (history.cycles.at_us >= begin_us) & ~result.flaws
    for found in result.findings:
        concerns = (
            found.channel == channel if found.channel is not None else FINDING_KINDS[found.kind].group != "readings"
        )
        if concerns and found.kind not in ("low_level", "overfill", "timer_mismatch", "missed_cycles"):
            sound &= ~inside(history, found)
    return np.asarray(sound)


def _trend(
    result: Result, what: What, channel: str | None, lines: tuple[int, ...], log_value: Floats, limits: tuple[float, float],
    *, relative: bool = False,
) -> Trend | None:  # fmt: skip
    """The trend of one series; None where too few days tell."""
    history, c = result.history, result.history.cycles
    day, at_h, y, temp = _by_day(c.at_us, history.cycle_h, log_value, c.temp_c)
    if len(day) < FEWEST_DAYS or at_h[-1] - at_h[0] < FEWEST_H:
        return None
    slope, error, weather = fit(at_h / 1000, y, temp)
    low, high = slope - _SURE * error, slope + _SURE * error
    span = (at_h[-1] - at_h[0]) / 1000
    now = slope * span
    if what == "rest":  # against a value, at the temperature that is usual
        now, bounds = float(np.median((y - weather)[-15:])), limits
    else:
        bounds = (limits[1], np.inf) if relative else limits
    pace_h = _pace_h(result)
    steep, sure = (high, low > 0) if slope > 0 else (low, high < 0)
    expected, early = (_passes(now, one, bounds, pace_h) for one in (slope, steep))
    worsens = sure and expected is not None
    return Trend(
        what=what, channel=channel, lines=lines, hours=round(float(at_h[-1] - at_h[0]), 1), percent=_percent(slope),
        percent_low=_percent(low), percent_high=_percent(high), changed_percent=_percent(slope * span),
        early_us=None if early is None or not worsens else history.as_of_us + int(early * DAY_US),
        expected_us=None if expected is None or not worsens else history.as_of_us + int(expected * DAY_US),
        worsens=worsens,
    )  # fmt: skip


def _percent(log_change: float) -> float:
    return round(100 * float(np.expm1(log_change)), 2)


def _by_day(at_us: Any, hours: Floats, value: Floats, temp_c: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Medians of the days with enough readings: (day, ignition hours, value, temperature; 0 where it is not known)."""
    import pandas as pd  # here, since it takes long to load

    known = np.isfinite(value)
    columns = {"hours": hours[known], "value": value[known], "temp": np.nan_to_num(temp_c[known], nan=0.0)}
    by_day = pd.DataFrame(columns).groupby(at_us[known] // DAY_US)
    told = by_day.median()[by_day.size() >= _READINGS]
    day, *medians = (np.asarray(v, np.float64) for v in (told.index, told["hours"], told["value"], told["temp"]))
    return day, medians[0], medians[1], medians[2]


def fit(thousand_h: Floats, y: Floats, temp_c: Floats) -> tuple[float, float, Floats]:
    """(slope, its standard error, what the temperature explains (n,)) of a robust straight line over (n,) points.

    Huber's M-estimate (statsmodels' RLM), with temperature and its square beside it where it varies. The error is widened by the
    lag-one correlation r of what is left over: so many points are worth (1 - r) / (1 + r) of them (Bayley and Hammersley 1946).
    """
    # Here, since they take long to load.
    from statsmodels.robust.norms import HuberT
    from statsmodels.robust.robust_linear_model import RLM

    x = thousand_h - thousand_h[0]
    warm = (temp_c - np.median(temp_c)) / 10
    terms = [np.ones(len(x)), x, *([warm, warm**2] if np.ptp(temp_c) > 1 else [])]
    design = np.column_stack(terms)
    told = RLM(y, design, M=HuberT()).fit()
    left = np.clip(told.resid / max(told.scale, 1e-9), -3, 3)
    r = float(np.clip(np.corrcoef(left[:-1], left[1:])[0, 1], 0.0, 0.95)) if np.ptp(left) > 0 else 0.0
    weather = design[:, 2:] @ told.params[2:]
    return float(told.params[1]), float(told.bse[1]) * np.sqrt((1 + r) / (1 - r)), np.asarray(weather, np.float64)


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
