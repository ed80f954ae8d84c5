"""What the controller itself reports and what lasts: motor current, a supply that is low or sags, cycles that do not end, and
pressures on vehicles without pressure readings.

A single report says little: sound vehicles send one in weeks, and cold brings dozens of `pressure_high`.
"""

import statistics
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from analytics.findings import Episode, joined
from analytics.settings import Settings
from analytics.vehicle.history import History
from ingest.arrays import Floats, Ints
from ingest.times import DAY_US, HOUR_US

_CODES: Final = ("motor_current", "supply_low", "cycle_timeout")
_PRESSURE_CODES: Final = ("pressure_high", "pressure_low")
_WINDOW_US: Final = 7 * DAY_US
_NEEDED: Final = 4  # reports within a week; sound vehicles send three at most, one in weeks as a rule
_SPREAD_US: Final = 2 * HOUR_US  # over which they lie at least: no single start of a cold morning
_STANDING: Final = 6  # messages in a row, none lost, after a report that is not taken back: one blip is, within minutes
_STANDING_US: Final = 2 * DAY_US
_QUIET_CYCLES: Final = 12  # without a report, at least; and four times as many as lay between reports
_QUIET_TIMES: Final = 4.0

_SAG: Final = 0.88  # of the vehicle's own usual voltage: an engine that idles or stands costs a tenth
_SOUND_V: Final = 0.94
_USUAL_READINGS: Final = 50
_LEARN_READINGS: Final = 12
_MEDIAN_OF: Final = 7


def analyse(history: History, settings: Settings) -> list[Episode]:
    """Stretches in which the controller reports the same again and again, or its supply sags."""
    codes = _CODES if history.setup.channels else (*_CODES, *_PRESSURE_CODES)
    found = [*_sagging(history)]
    for code in codes:
        found += _lasting(history, code, settings)
    pause_us = int(settings.pause_h * HOUR_US)
    by_code = [joined([s for s in found if s.evidence["code"] == code], pause_us) for code in codes]
    return joined([episode for episodes in by_code for episode in episodes], 0)


def _lasting(history: History, code: str, settings: Settings) -> list[Episode]:
    """Stretches in which one code is reported again and again, or stands."""
    faults, cycle_us = history.faults, history.cycles.at_us
    rows = np.array([i for i, said in enumerate(faults.code) if said == code], np.int64)
    if code == "pressure_high":
        rows = rows[~_in_the_cold(history, faults.at_us[rows], settings)]
    on = faults.active[rows] == 1
    reports, takes_back = faults.at_us[rows[on]], faults.at_us[rows[~on]]
    episodes: list[Episode] = []
    first = 0  # of the reports that may belong to the episode to come
    current: Episode | None = None
    for i, at in enumerate(reports.tolist()):
        if current is not None:
            over_us = _quiet(reports[first:i], takes_back, cycle_us, at)
            if over_us is None:
                current.evidence["reports"] = float(i - first + 1)
                continue
            current.ended_us, current, first = over_us, None, i
        while at - reports[first] >= _WINDOW_US:
            first += 1
        standing_us = _stands(history, int(rows[on][i]))
        if i - first + 1 >= _NEEDED and at - reports[first] >= _SPREAD_US:
            standing_us = at if standing_us is None else min(at, standing_us)
        if standing_us is not None:
            evidence = {"code": code, "reports": float(i - first + 1)}
            current = Episode("controller_fault", None, int(reports[first]), standing_us, None, evidence)
            episodes.append(current)
    if current is not None:
        current.ended_us = _quiet(reports[first:], takes_back, cycle_us, history.as_of_us)
    return episodes


def _quiet(reports: Ints, takes_back: Ints, cycle_us: Ints, until_us: int) -> int | None:
    """When what was reported was over, where enough cycles ran without a report before `until_us`; None where it lasts."""
    last = int(reports[-1])
    back = takes_back[(takes_back > last) & (takes_back <= until_us)]
    ran = np.searchsorted(cycle_us, [reports[0], last, until_us])
    between = (ran[1] - ran[0]) / max(len(reports) - 1, 1)
    # A report that stood over many cycles and was taken back is over; what comes and goes has to stay away.
    stood = len(takes_back[(takes_back > reports[0]) & (takes_back <= last)]) < len(reports) / 4
    times = 1.0 if stood and len(back) else _QUIET_TIMES
    if ran[2] - ran[1] < max(_QUIET_CYCLES, times * between) or (stood and not len(back) and len(reports) < _NEEDED):
        return None
    return int(back[0]) if len(back) else last


def _stands(history: History, row: int) -> int | None:
    """When a report had stood for days without being taken back, with no message lost in which it could have been; None where not."""
    faults = history.faults
    boot, seq, at = faults.boot[row], int(faults.seq[row]), int(faults.at_us[row])
    same = [j for j in range(row + 1, len(faults)) if faults.code[j] == faults.code[row]]
    back_us = next((int(faults.at_us[j]) for j in same if faults.active[j] == 0), None)
    if back_us is not None and back_us <= at + _STANDING_US:
        return None
    later = np.flatnonzero((history.heard_seq > seq) & (history.heard_seq <= seq + _STANDING))
    if (history.heard_boot[later] == boot).sum() < _STANDING:
        return None
    standing = history.heard_us[(history.heard_us >= at + _STANDING_US) & (history.heard_boot == boot)]
    if not len(standing) or (back_us is not None and back_us <= standing[0]):
        return None
    return int(standing[0])


def _in_the_cold(history: History, at_us: Ints, settings: Settings) -> NDArray[np.bool_]:
    """Whether it was so cold at each time, by the last cycle that said, that stiff grease explains a high pressure."""
    c = history.cycles
    told = np.flatnonzero(np.isfinite(c.temp_c))
    if not len(told):
        return np.zeros(len(at_us), bool)
    last = np.maximum(np.searchsorted(c.at_us[told], at_us, "right") - 1, 0)
    return np.asarray(c.temp_c[told[last]] < settings.stiff_below_c)


def _sagging(history: History) -> list[Episode]:
    """Stretches in which the supply voltage while running lies well below the vehicle's own usual one."""
    c = history.cycles
    told = np.flatnonzero(np.isfinite(c.supply_v) & (c.supply_v > 0))
    episodes: list[Episode] = []
    current: Episode | None = None
    latest: Floats = c.supply_v[told]
    usual: list[float] = latest[:_LEARN_READINGS].tolist()
    if len(latest) <= len(usual):
        return []
    normal = statistics.median(usual)
    medians = np.sort(sliding_window_view(latest, _MEDIAN_OF), axis=1)[:, _MEDIAN_OF // 2]  # of an odd number
    # Lists: a loop takes several times as long over the numbers of an array. middle[k] is that of readings up to k + _MEDIAN_OF - 1.
    volts, middle, at_us = latest.tolist(), medians.tolist(), c.at_us[told].tolist()
    n = len(usual)
    while n < len(volts):
        median = middle[n - _MEDIAN_OF + 1]
        if current is None and median < _SAG * normal:
            current = Episode("controller_fault", None, at_us[n - _MEDIAN_OF // 2], at_us[n])
            episodes.append(current)
        elif current is not None and median > _SOUND_V * normal:
            current.ended_us, current = at_us[n - _MEDIAN_OF // 2], None
        if current is not None:
            current.evidence = {"code": "supply_low", "supply_v": round(median, 1), "usual_v": round(normal, 1)}
        elif len(usual) < _USUAL_READINGS and volts[n] > _SOUND_V * normal:
            usual.append(volts[n])
            normal = statistics.median(usual)
        n += 1
        if current is None and len(usual) == _USUAL_READINGS:  # until one lies low nothing changes
            low = np.flatnonzero(medians[n - _MEDIAN_OF + 1 :] < _SAG * normal)
            n += int(low[0]) if len(low) else len(volts)
    return episodes
