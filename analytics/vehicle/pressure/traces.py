"""What the course of pressure over one cycle tells, beside its peak: how it rises, where it stays, how much of it is left."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import msgspec
import numpy as np

from analytics.findings import Episode
from analytics.vehicle.history import History
from ingest.arrays import Floats

_AFTER_S: Final = 10.0  # after the pump stopped: when the resting pressure is read as well


@dataclass(frozen=True)
class Course:
    """`rise_s` until nine tenths of `plateau_kpa` (the middle of the last third of the run); `left` is the share of it that is
    left ten seconds after the pump stopped, NaN where nothing was sampled then."""

    rise_s: float
    plateau_kpa: float
    left: float


def course(dt_s: float, kpa: Floats, run_s: float) -> Course | None:
    """The features of samples (n,) taken every `dt_s` seconds of a run of `run_s`; None where there are too few."""
    t = np.arange(len(kpa)) * dt_s
    running = kpa[t <= run_s]
    if len(running) < 6:
        return None
    plateau = float(np.median(running[-max(2, len(running) // 3) :]))
    if plateau <= 0:
        return None
    after = kpa[(t >= run_s + 0.8 * _AFTER_S) & (t <= run_s + 1.5 * _AFTER_S)]
    left = float(np.median(after)) / plateau if len(after) else np.nan
    return Course(float(t[np.argmax(running >= 0.9 * plateau)]), plateau, left)


def sampled(history: History, channel: str, most: int) -> list[tuple[int, float, Floats]]:
    """(when the cycle began in microseconds, seconds between samples, samples in kPa) of the latest cycles that were sampled, at most
    so many, oldest first."""
    found: list[tuple[int, float, Floats]] = []
    for at_us, trace in zip(history.cycles.at_us[::-1], reversed(history.cycles.trace), strict=True):
        one: Any = None if trace is None else msgspec.msgpack.decode(trace).get(channel)
        if one and one["kpa"]:
            found.append((int(at_us), float(one["dt_s"]), np.array(one["kpa"], float)))
        if len(found) == most:
            break
    return found[::-1]


def courses(history: History, channel: str) -> tuple[Floats, Floats, Floats]:
    """(times in microseconds, rise in seconds, share left) of the cycles of which anything but the peak is known."""
    c = history.cycles
    rows: list[tuple[float, float, float]] = []
    if channel not in c.channels:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    column = c.channels.index(channel)
    for i, trace in enumerate(c.trace):
        if trace is None:
            continue
        sampled: Any = msgspec.msgpack.decode(trace).get(channel)
        found = course(sampled["dt_s"], np.array(sampled["kpa"], float), float(c.run_s[i])) if sampled else None
        if found is not None:
            rows.append((float(c.at_us[i]), found.rise_s, found.left))
    with np.errstate(invalid="ignore", divide="ignore"):
        rest = c.rest_kpa[:, column] / c.peak_kpa[:, column]
    known = np.flatnonzero(np.isfinite(rest) & (c.peak_kpa[:, column] > 0))
    rows += [(float(c.at_us[i]), np.nan, float(rest[i])) for i in known]
    at, rise, left = np.array(sorted(rows)).reshape(-1, 3).T
    return at, rise, left


def evidence(history: History, episode: Episode) -> dict[str, float]:
    """What rise and rest of the episode's channel were in it and before it, where both are known."""
    if episode.channel is None:
        return {}
    at, rise, left = courses(history, episode.channel)
    inside = (at >= episode.began_us) & (at <= (episode.ended_us or history.as_of_us))
    told: dict[str, float] = {}
    for name, values, digits in (("rise_s", rise, 1), ("left_pct", 100 * left, 0)):
        now, before = _middle(values[inside]), _middle(values[at < episode.began_us])
        if now is not None and before is not None:
            told |= {name: round(now, digits), f"{name}_before": round(before, digits)}
    return told


def _middle(values: Iterable[float]) -> float | None:
    known = [value for value in values if np.isfinite(value)]
    return float(np.median(known)) if known else None
