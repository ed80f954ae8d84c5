"""The peak pressures of a vehicle as the analysis takes them: which of them count, and what is known beside each."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Episode
from analytics.settings import PROOF_CYCLES, Settings
from analytics.vehicle.history import History
from ingest.arrays import Cycles, Floats, Ints
from ingest.times import FOREVER_US, HOUR_US

Flags = NDArray[np.bool_]

_LAG_H: Final = 2.0  # grease follows the air with hours of delay
_LONG_STOP_H: Final = 6.0
_COLD_START_H: Final = 0.5
NOTHING_KPA: Final = 20.0  # below it a reading is no pressure at all
_COLDEST_C, _HOTTEST_C = -60.0, 70.0  # air at a pump
# A thermometer has failed that shows one value for so many readings and hours, or jumps by so much and then stands.
_ALIKE_READINGS: Final = 6
_ALIKE_H: Final = 12.0
_JUMP_C: Final = 20.0
_LATER_JUMP_C: Final = 30.0  # where more than two days passed
_OUT_OF_HALL_H: Final = (
    4.0  # after a long stop: a vehicle that stood in a heated hall or left it is as soon as that in other air
)
_HALL_C: Final = 0.0, 25.0  # air in a heated hall (common practice, no source)
_USUAL_H: Final = 240.0  # what stands for a temperature that is not known is about that of the last ten days
_NOTHING: Final = (
    0.01  # share of relief pressure: a channel whose readings lie below it carries none, and nothing is no ratio
)
_LIVE: Final = 0.02  # share of relief pressure from which such a channel may have come to life
_LIVE_READINGS: Final = 48  # in a row that show that a channel without pressure has come to life
_LEVEL_READINGS: Final = 500  # in a row, at most, that give it a level, if nobody recorded that it was mended
LEAST_RELIEF_KPA: Final = 1000.0  # no relief valve of these systems opens below it (common practice, no source)


@dataclass(frozen=True)
class Peaks:
    """All cycles: `kpa`, `watched`, `impossible` and `without` are (cycles, channels) in the order of `channels`, those of the
    line lists; `watched` while a channel is on the sheet in force, `without` while it has shown no pressure since it was first
    heard, or not long enough to have a level; `dead_until` (channels,) is the cycle at which it came to life, if it did."""

    channels: tuple[str, ...]
    kpa: Floats
    relief_kpa: Floats
    watched: Flags
    impossible: Flags
    without: Flags
    dead_until: Ints


@dataclass(frozen=True)
class Readings:
    """Cycles with at least one usable reading: `rows` (n,) of the history's cycles; `log_kpa` (n, channels), NaN where a reading
    is not `usable`; `repeated` where it repeats those before it; `features` (n, 4) as `features` gives them."""

    channels: tuple[str, ...]
    rows: Ints
    at_us: Ints
    boot: NDArray[np.str_]
    log_kpa: Floats
    usable: Flags
    repeated: Flags
    at_relief: Flags
    features: Floats
    temperature_known: Flags
    with_temperature: bool
    thermometer_failed_us: int | None
    interval_h: float


def repairs(history: History) -> list[tuple[int, tuple[str, ...]]]:
    """When somebody worked on lines or their sensors, and on which channels."""
    return [
        (work.at_us, (work.channel,) if work.channel else history.channels_of(work))
        for work in history.work
        if work.kind == "line_mended" or (work.kind == "sensor_replaced" and work.channel)
    ]


def peaks(history: History, settings: Settings) -> Peaks:
    """The peak pressures of every channel that a line list names; one that none names watches nothing."""
    c = history.cycles
    order = tuple(dict.fromkeys(name for s in reversed(history.setups) for name in s.channels))
    index = {name: i for i, name in enumerate(c.channels)}
    kpa = np.full((len(c), len(order)), np.nan)
    for j, name in enumerate(order):
        if name in index:
            kpa[:, j] = c.peak_kpa[:, index[name]]
    relief_kpa = relief_at(history)
    impossible = (kpa < settings.impossible_below_kpa) | (kpa > settings.impossible_over_relief * relief_kpa[:, None])
    sheets = np.array([[name in s.channels for name in order] for s in history.setups], bool)
    watched = sheets[history.setup_at(c.at_us)]
    mended_us = {j: [at_us for at_us, names in repairs(history) if name in names] for j, name in enumerate(order)}
    shown = np.where(watched & ~impossible, kpa, np.nan)
    without, dead_until = _without_pressure(shown, relief_kpa, c.at_us, mended_us, settings.learning_cycles)
    return Peaks(order, kpa, relief_kpa, watched, impossible, without, dead_until)


def relief_at(history: History) -> Floats:
    """(cycles,) relief pressure by the sheet in force, kPa."""
    told = np.asarray(history.said("relief_kpa", history.cycles.at_us), np.float64)
    return np.where(told < LEAST_RELIEF_KPA, 100 * told, told)  # given in bar


def shows_pressure(kpa: NDArray[np.float32], relief_kpa: Floats, settings: Settings) -> Flags:
    """(cycles,) whether a channel read what grease that is pressed through a line can read. Next to nothing is what a line
    without grease reads, or one whose readings come in bar; more than the relief valve lets be is no pressure."""
    return np.asarray((kpa >= _NOTHING * relief_kpa) & (kpa <= settings.impossible_over_relief * relief_kpa))


def _without_pressure(
    kpa: Floats, relief_kpa: Floats, at_us: Ints, mended_us: Mapping[int, Sequence[int]], first: int
) -> tuple[Flags, Ints]:
    """((cycles, channels) readings of channels whose `first` readings show no pressure, until they have shown some in a row for as
    long as they had not, or those that prove a repair; (channels,) cycle at which they came to life)."""
    without, dead_until = np.zeros(kpa.shape, bool), np.full(kpa.shape[1], len(kpa))
    nothing = (kpa < _NOTHING * relief_kpa[:, None]).sum(axis=0)
    for j in np.flatnonzero(nothing > first / 2).tolist():  # of the others no more of the first can have been without
        rows = np.flatnonzero(~np.isnan(kpa[:, j]))
        if len(rows) < first or (kpa[rows[:first], j] < _NOTHING * relief_kpa[rows[:first]]).mean() <= 0.5:
            continue
        number = np.arange(len(rows))
        faint = kpa[rows, j] < _LIVE * relief_kpa[rows]
        run = number - np.maximum.accumulate(np.where(faint, number, -1))  # readings in a row with pressure
        proven = np.zeros(len(rows), bool)
        for done_us in mended_us[j]:
            after = np.cumsum(at_us[rows] > done_us)
            proven |= (np.minimum(run, after) >= PROOF_CYCLES) & (after < _LIVE_READINGS)
        known = proven | (run >= np.clip(number - run, _LIVE_READINGS, _LEVEL_READINGS))
        live = proven | (run >= _LIVE_READINGS)
        without[rows[0] : rows[int(np.argmax(known))] if known.any() else len(kpa), j] = True
        dead_until[j] = rows[int(np.argmax(live))] if live.any() else len(kpa)
    return without, dead_until


def usable_readings(history: History, seen: Peaks, sensors: list[Episode], settings: Settings) -> Readings:
    """The readings of whole cycles that are possible, without those of sensors found broken."""
    c = history.cycles
    whole = c.run_s >= settings.short_run * history.run_s
    usable = seen.watched & ~np.isnan(seen.kpa) & ~seen.impossible & ~seen.without & whole[:, None] & (seen.kpa > -1e-9)
    for episode in sensors:
        j = seen.channels.index(episode.channel or "")
        usable[(c.at_us >= episode.began_us) & (c.at_us < (episode.ended_us or FOREVER_US)), j] = False
    log_kpa = np.log(np.maximum(seen.kpa, NOTHING_KPA))
    log_kpa[~usable] = np.nan
    rows = np.flatnonzero(usable.any(axis=1))
    trusted_c = trusted_temperature(c.temp_c, c.at_us / HOUR_US)
    weather, dated = features(history, trusted_c)
    return Readings(
        channels=seen.channels,
        rows=rows,
        at_us=c.at_us[rows],
        boot=c.boot[rows],
        log_kpa=log_kpa[rows],
        usable=usable[rows],
        repeated=_repeated(seen.kpa, settings.stuck_readings + 1)[rows],
        at_relief=(seen.kpa >= settings.at_relief * seen.relief_kpa[:, None])[rows],
        features=weather[rows],
        temperature_known=dated[rows],
        with_temperature=len(c) > 0 and float(np.isfinite(c.temp_c[:50]).mean()) > 0.5,
        thermometer_failed_us=_failed_us(c, trusted_c),
        interval_h=history.setup.interval_min / 60,
    )


def without_any(kpa: Floats) -> Flags:
    """(cycles,) whether none of several channels shows pressure: that is the pump, and no sensor."""
    if kpa.shape[1] < 2:
        return np.zeros(len(kpa), bool)
    return np.asarray(~(kpa >= NOTHING_KPA).any(axis=1))


def _repeated(kpa: Floats, enough: int) -> Flags:
    """(cycles, channels) readings that repeat exactly: they wait until it is plain whether the sensor is stuck, until `enough` in
    a row are alike."""
    n = len(kpa)
    same, alike = np.zeros(kpa.shape, bool), kpa[1:] == kpa[:-1]
    if n > 2:
        same[2:] = alike[1:] & alike[:-1] & ~without_any(kpa)[2:, None]
    if n > enough:  # that long they have waited enough
        all_alike = alike[enough - 2 :].copy()
        for back in range(1, enough - 1):
            all_alike &= alike[enough - 2 - back : n - 1 - back]
        same[enough - 1 :] &= ~all_alike
    return same


def trusted_temperature(temp_c: Floats, clock_h: Floats) -> Floats:
    """(n,) air temperatures in degrees Celsius, NaN where they are missing, impossible, or a thermometer's that has failed: one that
    has stood at one value for long, or has jumped and shows nothing else since. After a long stop, which may have been in a heated hall,
    the air of one is believed at once, and soon afterwards two readings that differ are. Nothing later is used."""
    # Lists: a loop takes several times as long over the numbers of an array.
    trusted = [math.nan] * len(temp_c)
    alike_since, usual, last_h = 0, math.nan, -math.inf
    doubted: list[float] = []
    temps, clock = temp_c.tolist(), clock_h.tolist()
    previous = math.nan
    started_h = before_h = -math.inf  # when it first ran after the latest long stop
    for i, temp in enumerate(temps):
        if clock[i] - before_h > _LONG_STOP_H:
            started_h = clock[i]
        before_h = clock[i]
        if not _COLDEST_C <= temp <= _HOTTEST_C:
            continue
        if temp != previous:
            alike_since, previous = i, temp
        elif i - alike_since >= _ALIKE_READINGS and clock[i] - clock[alike_since] >= _ALIKE_H:
            continue
        jump = abs(temp - usual)
        from_hall = clock[i] == started_h and _HALL_C[0] <= temp <= _HALL_C[1]
        if not from_hall and jump > _JUMP_C and (jump > _LATER_JUMP_C or clock[i] - last_h < 48):
            doubted = [*doubted[-_ALIKE_READINGS:], temp]
            enough = 1 if clock[i] - started_h < _OUT_OF_HALL_H else _ALIKE_READINGS
            if len(doubted) <= enough or max(doubted) == min(doubted):
                continue
        trusted[i], usual, last_h = temp, temp, clock[i]
        if doubted:
            doubted = []
    return np.array(trusted, np.float64)


def _failed_us(c: Cycles, trusted_c: Floats) -> int | None:
    """Since when the thermometer shows what cannot be true, where it does so now; None where it is sound or there is none."""
    shown, trusted = np.flatnonzero(np.isfinite(c.temp_c)), np.flatnonzero(np.isfinite(trusted_c))
    after = shown[shown > trusted[-1]] if len(trusted) else shown
    if len(after) <= _ALIKE_READINGS or c.at_us[after[-1]] - c.at_us[after[0]] < _ALIKE_H * HOUR_US:
        return None
    return int(c.at_us[after[0]])


def features(history: History, trusted_c: Floats) -> tuple[Floats, Flags]:
    """((cycles, 4): one, lagged temperature from 10 degrees in tens of degrees, its square, cold start; (cycles,) whether the
    temperature is known). Where it is not, that of the weeks before stands for it, 10 degrees where there never was one."""
    clock_h = history.cycles.at_us / HOUR_US
    lagged, usual, known = _grease_temperature(trusted_c, clock_h)
    z = (np.where(known, lagged, usual) - 10) / 10
    return np.column_stack([np.ones(len(z)), z, z * z, _stiff(history.cycle_h, clock_h)]), known


def _grease_temperature(temp_c: Floats, clock_h: Floats) -> tuple[Floats, Floats, Flags]:
    """(temperature of the grease, which lags the air; what is usual in these weeks; whether the first is known), (n,) each."""
    told = np.flatnonzero(~np.isnan(temp_c))
    lagged, usual = [math.nan], [10.0]  # before, and after each temperature that was told
    now = weeks = math.nan
    passed_h = np.diff(clock_h[told], prepend=-math.inf)  # nothing is left of what was before the first
    for temp, a, b in zip(
        temp_c[told].tolist(),
        (-passed_h / _LAG_H).tolist(),
        (-np.minimum(passed_h, 24.0) / _USUAL_H).tolist(),
        strict=True,
    ):
        first = math.isnan(now)
        now = temp if first else now + (1 - math.exp(a)) * (temp - now)
        weeks = temp if first else weeks + (1 - math.exp(b)) * (now - weeks)
        lagged.append(now)
        usual.append(weeks)
    latest = np.searchsorted(told, np.arange(len(temp_c)), "right")  # of those, up to each cycle
    known = clock_h - np.r_[-math.inf, clock_h[told]][latest] < 24
    return np.array(lagged)[latest], np.array(usual)[latest], known


def _stiff(hours: Floats, clock_h: Floats) -> Floats:
    """(n,) what is left in a cycle, by its ignition hours, of the stiffness of grease after a long stop; 0 after a short one."""
    n = len(hours)
    stopped_h = np.full(n, math.inf)
    stopped_h[1:] = np.diff(clock_h) - np.diff(hours)
    start = np.maximum.accumulate(np.where(stopped_h > 0.2, np.arange(n), 0))  # the first cycle after the latest stop
    since_h = hours - np.where(start > 0, hours[start - 1], 0.0)
    stiff, long = np.zeros(n), np.flatnonzero(stopped_h[start] > _LONG_STOP_H)
    stiff[long] = [math.exp(x) for x in (-since_h[long] / _COLD_START_H).tolist()]
    return stiff
