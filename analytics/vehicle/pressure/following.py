"""The readings gone through in blocks, each judged by what came before it only; from the first, or from where an earlier analysis was."""

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import Any, ClassVar, Final

import numpy as np

from analytics.settings import Settings
from analytics.vehicle.checkpoints import Basis, Checkpoints, Stateful
from analytics.vehicle.history import History
from analytics.vehicle.pressure.always_at_relief import Blocked
from analytics.vehicle.pressure.expected import Expected
from analytics.vehicle.pressure.lines import LineFaults
from analytics.vehicle.pressure.readings import Readings, repairs
from analytics.vehicle.pressure.sister_lines import Beside, SisterChannel
from analytics.vehicle.pressure.starved_pump import StarvedPump
from ingest.arrays import Floats, Ints, runs_of
from ingest.setups import Setup
from ingest.times import FOREVER_US

# Cycles between two lessons; where other channels tell the weather and the first lessons are learned, they may lie far apart.
_BLOCK: Final = 12
_LONG_BLOCK: Final = 48
_FIRST_CYCLES: Final = 120
_FEW_CHANNELS: Final = 2
# A state is that of so many readings ago, so that the latest ratios of most channels are found anew; of others so many are put down.
_AGO: Final = 220
LEAST_TOLD: Final = 15
STEP: Final = "pressure"

Rows = dict[int, set[int]]  # row of a reading -> channels


class Following(Stateful):
    """Where all parts stand after `done` of `readings`, in arrays by reading: `ratio` (n, channels) is reading over expected, NaN
    where there is none and before it was gone on from; `explained` (n,) where pressures explain a cycle that was not confirmed.
    `told` (2, channels) are the ratios there were so far, in all and of a pump that had grease."""

    GIVEN: ClassVar = frozenset("history readings expected pump lines ratio explained repaired new_lines edges".split())

    def __init__(
        self, history: History, readings: Readings, fills_us: Sequence[int], beside: Callable[[Floats], Beside],
        at_relief: Sequence[Blocked], settings: Settings,
    ) -> None:  # fmt: skip
        rows, width = readings.log_kpa.shape
        self.history, self.readings = history, readings
        self.expected = Expected(readings, fills_us, settings)
        self.pump = StarvedPump(readings, settings)
        self.lines = LineFaults(readings, self.expected, self.pump.airy, beside, settings)
        self.repaired, self.new_lines = _repaired(history, readings), _new_lines(history, readings, at_relief)
        first = rows if width <= _FEW_CHANNELS else min(rows, _FIRST_CYCLES)
        regular = {*range(0, first, _BLOCK), *range(first, rows, _LONG_BLOCK)}
        changes = {*self.repaired, *self.new_lines, *self.expected.fill_rows(), *self.lines.exchanges.moved}
        self.edges = [*sorted(row for row in regular | changes if row < rows), rows]
        self.ratio = np.full((rows, width), np.nan, np.float32)
        self.explained = np.zeros(rows, bool)
        self.told = np.zeros((2, width), np.int64)
        self.done = 0

    def state(self) -> dict[str, Any]:
        """As it is put down; with the latest ratios of channels that were hardly read afterwards."""
        since = self.readings.usable[self.done : self.done + _AGO].sum(axis=0)
        there = ~np.isnan(self.ratio[: self.done]) & (since < LEAST_TOLD)
        rows, columns = np.nonzero(there & (there[::-1].cumsum(axis=0)[::-1] <= LEAST_TOLD))
        return {
            **super().state(),
            "explained": self.explained[: self.done],
            "ratio": (rows, columns, self.ratio[rows, columns]),
        }

    def go_on(self, state: dict[str, Any]) -> None:
        """Go on from what was put down."""
        explained, (rows, columns, ratio) = state.pop("explained"), state.pop("ratio")
        super().go_on(state)
        self.explained[: self.done], self.ratio[rows, columns] = explained, ratio

    def go_through(self, checkpoints: Checkpoints, sisters: Sequence[SisterChannel]) -> None:
        """Go through the readings in blocks: within a block what was learned stays as it is, so that a reading is judged by what
        came before its block, whatever comes after it."""
        parts = (self, self.expected, self.expected.common, self.pump, self.lines)
        as_of_us, fills, exchanged = self.history.as_of_us, self.expected.fill_rows(), self.lines.exchanges.moved
        # Where a block ends is known by the reading that the next begins with.
        ends = np.array(self.edges[1:], np.int64) + _AGO
        end_us = np.r_[self.readings.at_us, np.full(_AGO + 1, FOREVER_US)][ends]
        for block in checkpoints.walk(STEP, self._basis(sisters), parts, end_us, as_of_us):
            a, b = self.edges[block : block + 2]
            for j in self.repaired.get(a, ()):
                self.lines.repair(j, a)
            for j in self.new_lines.get(a, ()):
                self.lines.begin_anew(j, a)
                self.expected.begin_anew(j, a)
            if a in exchanged:
                self.lines.exchange(a, exchanged[a])
            if a in fills and not self.lines.alarm.any():
                self.expected.take_fill(a)
            self._block(a, b)

    def _block(self, a: int, b: int) -> None:
        """Rows `a` to `b`."""
        expected, pump, lines, settings = self.expected, self.pump, self.lines, self.expected.settings
        few = len(lines.alarm) <= _FEW_CHANNELS
        expected.advance(a)
        block = expected.expect(a, b, lines.alarm)
        lines.take(block)
        pump.take(block, expected.common.count >= settings.learning_cycles)
        lines.follow(a, b)
        open_ = {kind for kind, _ in lines.open}
        self.explained[a:b] = pump.airy[a:b] | ("blocked_line" in open_) | ("open_line" in open_ and few)
        if few:
            self.explained[a:b] |= lines.high[a:b].any(axis=1)
        start = max(0, a - settings.window + 1)
        suspicious = (lines.high[start:b].sum(axis=0) >= 2) | (lines.low[start:b].sum(axis=0) >= 2)
        expected.learn(block, ~pump.airy[a:b], suspicious | lines.rebased, lines.alarm)
        starved = pump.starved[a:b, np.newaxis]
        self.ratio[a:b] = np.exp(lines.departure[a:b] + np.where(starved, pump.shift[a:b, np.newaxis], 0.0))
        there = ~np.isnan(self.ratio[a:b])
        self.told += there.sum(axis=0), (there & ~starved).sum(axis=0)
        self.done = b

    def _basis(self, sisters: Sequence[SisterChannel]) -> Basis:
        """All that the way up to a reading rests on."""
        r = self.readings
        boots = runs_of(r.boot)
        return Basis(
            (self.history.setups, self.expected.settings, r.channels, r.with_temperature, r.interval_h, tuple(sisters)),
            (
                (r.at_us, (r.log_kpa, r.repeated, r.at_relief, r.features, r.temperature_known)),
                (r.at_us[boots], (r.boot[boots],)),
                (self.expected.fills_us, ()),
                self._marked(self.repaired),
                self._marked(self.new_lines),
            ),
        )

    def _marked(self, changes: Rows) -> tuple[Ints, tuple[Ints]]:
        """Times of readings, and channels on which something had changed before them."""
        pairs = sorted((row, j) for row, channels in changes.items() for j in channels)
        marks = np.array(pairs, np.int64).reshape(-1, 2)
        return self.readings.at_us[marks[:, 0]], (marks[:, 1],)


def _repaired(history: History, readings: Readings) -> Rows:
    """Row of a reading -> channels on which work was recorded before it."""
    found: Rows = {}
    for at_us, names in repairs(history):
        _add(found, readings, at_us, names)
    return found


def _new_lines(history: History, readings: Readings, at_relief: Sequence[Blocked]) -> Rows:
    """Row of a reading -> channels that watch other lines from then on: re-lined, by another line list, or cleared for the first time."""
    found: Rows = {}
    for one in at_relief:
        for row in one.anew:
            found.setdefault(row, set()).add(one.channel)
    for work in history.work:
        if work.kind == "relined":
            _add(found, readings, work.at_us, history.channels_of(work))
    for before, after in pairwise(history.setups):
        changed = [name for name in after.channels if _tubes(before, name) not in ([], _tubes(after, name))]
        _add(found, readings, after.valid_from_us or 0, changed)
    return found


def _tubes(setup: Setup, channel: str) -> list[tuple[int, str, float, float]]:
    """What a channel watches: number, point, length and bore of each line."""
    return [(x.line, x.point, x.length_m, x.bore_mm) for x in setup.lines if x.channel == channel]


def _add(found: Rows, readings: Readings, at_us: int, names: Iterable[str]) -> None:
    row = int(np.searchsorted(readings.at_us, at_us))
    channels = {readings.channels.index(name) for name in names if name in readings.channels}
    if channels and row < len(readings.at_us):
        found.setdefault(row, set()).update(channels)
