"""Pressure sensors whose readings are missing, stuck or impossible."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Episode, joined
from analytics.settings import Settings
from analytics.vehicle.pressure.readings import NOTHING_KPA, Flags, Peaks, without_any
from ingest.arrays import Floats
from ingest.times import HOUR_US

_NEVER: Final = 1 << 40
_STEP_READINGS: Final = 30  # whose smallest difference is the sensor's step
_STUCK_SCATTER: Final = 0.03  # of its value by which a live reading scatters
_NOTHING_SCATTER: Final = (
    0.002  # of relief by which one around nothing does: even an open line holds a little pressure, never the same
)


def sensor_faults(at_us: NDArray[np.int64], seen: Peaks, settings: Settings) -> list[Episode]:
    """Channels whose readings are missing, stuck or impossible, only while the channel was on the line list."""
    found: list[Episode] = []
    pause_us = int(settings.pause_h * HOUR_US)
    pumpless = without_any(seen.kpa)
    floor_kpa = _NOTHING_SCATTER * float(np.median(seen.relief_kpa)) if len(at_us) else 0.0
    # Channel after channel: to pick readings from columns takes several times as long.
    by_channel = (np.ascontiguousarray(values.T) for values in (seen.watched, seen.impossible, seen.kpa))
    for name, watched, impossible, kpa in zip(seen.channels, *by_channel, strict=True):
        rows = np.flatnonzero(watched)
        own: list[Episode] = []
        gone = np.isnan(kpa[rows])
        own += _runs(at_us[rows], gone, settings.missing_readings, name)
        have = rows[~gone]
        alone = have[~pumpless[have]]  # where all are without pressure it is the pump
        own += stuck(at_us[alone], kpa[alone], name, settings.stuck_readings, floor_kpa)
        wrong = impossible[have]
        if wrong.any():
            recent = np.convolve(wrong, np.ones(settings.window), "full")[: len(wrong)]
            own += _runs(at_us[have], recent >= settings.needed, 1, name, lead=settings.needed - 1)
        found += joined(own, pause_us)
    return found + _without_pressure(at_us, seen, settings.learning_cycles)


def _without_pressure(at_us: NDArray[np.int64], seen: Peaks, first: int) -> list[Episode]:
    """Channels that have shown no pressure since they were first heard: a dead sensor, or a line that was never connected.

    Only beside one that has, or alone: where none has any, the pump draws air or the readings are in another unit.
    """
    dead = seen.without.any(axis=0)
    if not dead.any():
        return []
    proven = np.full(len(seen.channels), -1)  # cycle by which a channel has shown whether it has pressure
    for j in range(len(seen.channels)):
        rows = np.flatnonzero(seen.watched[:, j] & ~np.isnan(seen.kpa[:, j]) & ~seen.impossible[:, j])
        proven[j] = rows[first - 1] if len(rows) >= first else -1
    others = proven[(proven >= 0) & ~dead]
    found: list[Episode] = []
    if len(others) or len(seen.channels) == 1:
        for j in np.flatnonzero(dead).tolist():
            rows = np.flatnonzero(seen.without[:, j])
            detected = max(int(proven[j]), int(others.min()) if len(others) else 0)
            until = int(seen.dead_until[j])
            ended = int(at_us[until]) if until < len(at_us) else None
            if ended is None or at_us[detected] < ended:
                one = Episode("pressure_sensor", seen.channels[j], int(at_us[rows[0]]), int(at_us[detected]), ended)
                one.evidence = {"no_pressure_kpa": round(float(np.nanmedian(seen.kpa[rows[0] : detected + 1, j])))}
                found.append(one)
    return found


def repeats_needed(value: float, step: float, least: int, often: float = 0.0, floor_kpa: float = 0.0) -> int:
    """Readings in a row that must be alike before a sensor is called stuck: so many that chance brings them once in a million.

    Readings scatter by three percent as a rule, and by `floor_kpa` at least around nothing; the coarser the sensor's step beside
    that, the more often they are alike, and `often` is the share of them that were so far.
    """
    scatter = _STUCK_SCATTER * max(abs(value), 1.0)
    if abs(value) < NOTHING_KPA:
        scatter = max(scatter, floor_kpa)
    chance = min(max(step, 1e-9) / (2.51 * scatter), 0.999)  # of the likeliest reading
    chance = max(chance, often)
    return max(least, 1 + int(np.ceil(np.log(1e-6) / np.log(chance)))) if chance < 0.95 else _NEVER


def stuck(at_us: NDArray[np.int64], value: Floats, channel: str, least: int, floor_kpa: float = 0.0) -> list[Episode]:
    """Runs of readings that are alike for longer than the sensor's step explains."""
    if len(value) < least:
        return []
    steps = np.abs(np.diff(value))
    edges = np.flatnonzero(np.r_[True, steps > 0, True])
    long = np.flatnonzero(np.diff(edges) >= least)
    if not len(long):
        return []
    # What came before a reading tells the step; the smallest difference so far.
    step = np.minimum.accumulate(np.where(steps > 0, steps, np.inf))
    alike, broken = np.r_[0, np.cumsum(steps == 0)], 0  # pairs of readings alike, and those of them that were stuck
    found = []
    for first, last in zip(edges[long].tolist(), edges[long + 1].tolist(), strict=True):
        coarse = 10.0 ** sum(value[first] % 10.0**k == 0 for k in range(1, 3))  # as far as the reading itself can tell
        known = float(step[first - 1]) if first > _STEP_READINGS else min(float(step[max(first - 1, 0)]), coarse)
        often = (alike[first] - broken + 1) / (first - broken + _STEP_READINGS)
        earlier = np.diff(edges[: np.searchsorted(edges, first) + 1])
        needed = repeats_needed(float(value[first]), known, least, often, floor_kpa)
        needed = max(
            needed, 2 * int(earlier[earlier < needed].max(initial=0))
        )  # a steady pressure stands still by itself
        if last - first >= needed:
            ended = int(at_us[last]) if last < len(at_us) else None
            found.append(Episode("pressure_sensor", channel, int(at_us[first]), int(at_us[first + needed - 1]), ended))
            broken += last - first - 1
    return found


def _runs(at_us: NDArray[np.int64], flag: Flags, needed: int, channel: str, lead: int = 0) -> list[Episode]:
    """Runs of at least `needed` flagged readings; each began `lead` readings before its first flag."""
    if not flag.any():
        return []
    edges = np.flatnonzero(np.diff(np.r_[0, flag.astype(np.int8), 0]))
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first >= needed:
            ended = int(at_us[last]) if last < len(at_us) else None
            began, detected = at_us[max(0, first - lead)], at_us[first + needed - 1]
            found.append(Episode("pressure_sensor", channel, int(began), int(detected), ended))
    return found
