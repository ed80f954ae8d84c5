"""Lines that are blocked or open, and pumps that have lost their pressure.

False alarms. A limit lies at least 3.3 standard deviations out, and three of the last five readings must lie beyond
it. For normal noise that is 10 * (5e-4)**3 = 1e-9 a reading; wild readings (1 in 600, half of them upwards) reach it by
three in five with 10 * (8e-4)**3 = 5e-9. A 24-channel vehicle at 20 cycles a day has 14,000 readings a month: fewer than
1e-4 false alarms from noise, 0.01 for 100 vehicles. What is left of the allowance is for what the model cannot follow.
"""

from typing import Final

import numpy as np

from analytics.findings import Stretch
from analytics.settings import Settings
from analytics.statistics.sequential import onset
from analytics.vehicle.pressure.expected import Block, Expected
from analytics.vehicle.pressure.readings import Flags, Readings
from ingest.arrays import Floats

PROOF_CYCLES: Final = 10  # that show whether a repair held
# Standard deviations that a reading lies off, all beyond them is evidence; and how far back a slow departure may begin.
_ALLOWANCE: Final = 2.0
_ONSET_READINGS: Final = 200
_WARM_SPELL: Final = 0.25  # by which a thaw may lower all channels further where no temperature tells it
_STILL_GONE: Final = -0.3  # while a pump is starved, anything below it counts as gone


class StarvedPump:
    """Pressure lost on all channels together, cycle by cycle."""

    def __init__(self, readings: Readings, settings: Settings) -> None:
        n = len(readings.rows)
        self.at_us, self.settings = readings.at_us, settings
        self.limit = settings.starved_log_ratio - (0.0 if readings.with_temperature else _WARM_SPELL)
        self.gone = np.zeros(n, bool)
        self.airy = np.zeros(n, bool)
        self.open: Stretch | None = None
        self.ended: list[Stretch] = []

    def take(self, block: Block, learned: bool) -> None:
        """Begin or end a starved pump by the cycles of a block; `learned` whether the weather is known well enough."""
        a, b, settings = block.a, block.b, self.settings
        shift = block.common - block.weather
        if learned:
            self.gone[a:b] = block.several & (shift < np.minimum(self.limit, -3 * block.weather_sd))
        if self.open is None and not self.gone[max(0, a - settings.window) : b].any():
            return
        for i in range(a, b):
            recent = self.gone[max(0, i - settings.window + 1) : i + 1]
            if self.open is None and self.gone[i] and recent.sum() >= settings.needed:
                start = i - len(recent) + 1 + int(np.argmax(recent))
                self.open = Stretch("starved_pump", None, int(self.at_us[start]), int(self.at_us[i]))
                self.open.evidence = {"ratio_to_expected": round(float(np.exp(shift[i - a])), 2)}
            if self.open is not None and block.several[i - a]:
                self.gone[i] = shift[i - a] < _STILL_GONE
                if not self.gone[max(0, i - 3) : i + 1].any():
                    self.open.ended_us = int(self.at_us[i - 3])
                    self.ended.append(self.open)
                    self.open = None
            self.airy[i] = self.open is not None or bool(recent.any())


class LineFaults:
    """Blocked and open lines, channel by channel: `residual` (n, channels) and what it says."""

    def __init__(self, readings: Readings, expected: Expected, airy: Flags, settings: Settings) -> None:
        n, width = readings.log_kpa.shape
        self.readings, self.expected, self.settings, self.airy = readings, expected, settings, airy
        self.residual = np.full((n, width), np.nan)
        self.spread = np.full((n, width), np.nan)  # standard deviation that a residual is held against
        self.high, self.low = np.zeros((n, width), bool), np.zeros((n, width), bool)
        self.sound = np.zeros((n, width), bool)  # back within reach of what is expected
        self.alarm = np.zeros(width, bool)
        self.open: dict[tuple[str, int], Stretch] = {}  # (kind, channel)
        self.ended: list[Stretch] = []

    def take(self, block: Block) -> None:
        """Hold the readings of a block against their limits."""
        a, b, settings, residual, spread = block.a, block.b, self.settings, block.residual, block.spread
        self.residual[a:b], self.spread[a:b] = residual, spread
        relief = self.readings.at_relief[a:b]
        known = block.known
        free = np.where(known, relief, False).sum(axis=1) <= 0.5 * max(int(known.sum()), 1)
        free |= len(known) == 1
        with np.errstate(invalid="ignore"):
            # In the cold a channel that usually stands near relief reaches it by itself.
            cold = 0.15 * np.maximum(block.common, 0.0)[:, None]
            least = 0.15 if block.reading > 1 else 0.25
            pressed = relief & free[:, None] & (residual > np.maximum(least, 3 * spread) + cold)
            self.high[a:b] = (residual > np.maximum(settings.blocked_log_ratio, settings.sigmas * spread)) | pressed
            self.low[a:b] = residual < np.minimum(settings.open_log_ratio, -settings.sigmas * spread)
            self.sound[a:b] = np.abs(residual) < np.maximum(settings.sound_log_ratio, 2 * self.expected.noise)
            self.sound[a:b] &= ~(relief & (residual > 0.1))

    def follow(self, a: int, b: int) -> None:
        """Begin or end the findings of each channel by rows `a` to `b`."""
        settings = self.settings
        start = max(0, a - settings.window + 1)
        for kind, flags in (("blocked_line", self.high), ("open_line", self.low)):
            totals = flags[start:b].sum(axis=0)
            for j in np.flatnonzero((totals >= settings.needed) | self.alarm).tolist():
                for i in range(a, b):
                    if not np.isnan(self.residual[i, j]):
                        self._reading(kind, flags, j, i)
        self.alarm[:] = False
        self.alarm[[j for _, j in self.open]] = True

    def _reading(self, kind: str, flags: Flags, j: int, i: int) -> None:
        """Channel `j` at row `i`."""
        settings, held = self.settings, self.open.get((kind, j))
        first = max(0, i - 3 * settings.window)
        rows = first + np.flatnonzero(~np.isnan(self.residual[first : i + 1, j]))[-settings.window :]
        recent = self.residual[rows, j]
        if held is None:
            beyond = flags[rows, j]
            enough = beyond[-1] and beyond.sum() >= settings.needed
            if enough and not self.readings.repeated[i, j] and not self.airy[i]:
                self._begin(kind, j, i, int(rows[np.argmax(beyond)]), recent[beyond])
            return
        across = recent < -settings.sound_log_ratio if kind == "blocked_line" else recent > settings.sound_log_ratio
        settled = self._settled(j, i)
        if settled or ((self.sound[rows, j] | across)[-4:].all() and len(rows) >= 4):
            held.ended_us = int(self.readings.at_us[rows[-4]])
            self.ended.append(self.open.pop((kind, j)))
        elif flags[i, j]:
            held.evidence |= self._departure(recent, i, j)

    def _begin(self, kind: str, j: int, i: int, first: int, beyond: Floats) -> None:
        found = Stretch(kind, self.readings.channels[j], self._began(kind, j, first), int(self.readings.at_us[i]))
        found.evidence = self._departure(beyond, i, j)
        if not self.readings.with_temperature and self.residual.shape[1] == 1:
            found.evidence["temperature_known"] = 0
        self.open[kind, j] = found

    def _departure(self, residual: Floats, i: int, j: int) -> dict[str, float | None]:
        """How far channel `j` is off, by its latest residuals at row `i`."""
        off = float(np.median(residual))
        return {
            "ratio_to_expected": round(float(np.exp(off)), 2),
            "scatters": round(abs(off) / float(self.spread[i, j]), 1),
        }

    def _settled(self, j: int, i: int) -> bool:
        """Whether a repaired line has shown for ten readings that it is sound, if elsewhere than before: another tube.

        Its level is then learned anew.
        """
        repaired = self.expected.repaired[j]
        if repaired < 0:
            return False
        since = np.arange(repaired, i + 1)
        since = since[~np.isnan(self.residual[since, j])]
        if len(since) != PROOF_CYCLES:
            return False
        off = float(np.median(self.residual[since, j]))
        if not self.settings.open_log_ratio < off < self.settings.blocked_log_ratio:
            return False
        self.expected.level[j] += off
        self.expected.count[j] = PROOF_CYCLES
        self.residual[i + 1 :, j] -= off  # what is left of this block
        self.high[i + 1 :, j] = self.low[i + 1 :, j] = False
        return True

    def _began(self, kind: str, j: int, first: int) -> int:
        """When a departure whose first reading beyond the limit is `first` began: where its cumulative sum left zero."""
        start = max(0, first - _ONSET_READINGS)
        rows = start + np.flatnonzero(~np.isnan(self.residual[start : first + 1, j]))
        z = self.residual[rows, j] / self.expected.noise[j]
        z = np.clip(z, -3, 3) * (1 if kind == "blocked_line" else -1)
        return int(self.readings.at_us[rows[min(onset(z, _ALLOWANCE), len(rows) - 1)]])
