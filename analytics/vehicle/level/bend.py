"""How a level sensor bends: it reads right where it is empty and full, and high or low by a few points between.

Between two fills grease goes with the cycles, so that a straight sensor's readings fall along a straight line over what was used,
whatever the grease per cycle; one that bends shows an arc. Its height is learned from fill to fill.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from analytics.vehicle.checkpoints import Runs, Stateful, Walk
from ingest.arrays import Floats

_PRIOR_SD: Final = 1.5  # percent at half height, before readings tell
_RANGE_PCT: Final = 35.0  # over which readings must reach to show an arc
_READINGS: Final = 15
_RISES_PCT: Final = 6.0  # above where the readings before lay: a fill
_BEFORE: Final = 5  # readings that tell where they lay
_OUTLIER: Final = 3.0  # standard deviations
_MOST_PCT: Final = 5.0  # an arc of more is none of a sensor's: grease per cycle changed
_ALIKE: Final = 2.0  # variance of readings that lie together, over that of as many independent ones
_REST_SD: Final = 0.6  # by which a sensor is off that no arc tells
_MODEL_SD: Final = 0.5  # by which grease per cycle that is not quite steady bends the line, too


@dataclass(frozen=True)
class Bend:
    """By how much the sensor reads high at half height, percent, and the standard deviation of that."""

    pct: float = 0.0
    sd: float = _PRIOR_SD

    def doubt(self, level_pct: float) -> float:
        """Standard deviation of a straightened level for what is not known of the sensor, percent."""
        return float(np.hypot(_REST_SD, self.sd * arc(np.array(level_pct))))


def arc(level_pct: Floats) -> Floats:
    """The shape of a bend: 0 where empty and full, 1 at half height."""
    part = np.clip(level_pct / 100, 0, 1)
    return np.asarray(4 * part * (1 - part))


def straightened(
    reading: Floats, used: Floats, starts_anew: Sequence[bool], step_pct: Sequence[float], walk: Walk
) -> tuple[Floats, list[Bend]]:
    """The readings with the bend taken out, and the bend as known by each: from readings of before the latest fill."""
    learner = _Learner(reading, used)
    for j in walk.rows("bends", (reading, used, np.asarray(starts_anew), np.asarray(step_pct)), learner):
        learner.read(j, starts_anew[j], step_pct[j])
    known = [learner.bends.values[place] for place in learner.bends.places(len(reading)).tolist()]
    pct = np.array([bend.pct for bend in known])
    level = reading - pct * arc(reading)
    return np.asarray(reading - pct * arc(level)), known


class _Learner(Stateful):
    GIVEN: ClassVar = frozenset(("reading", "used", "unused"))

    def __init__(self, reading: Floats, used: Floats) -> None:
        self.reading, self.used = reading, used
        self.unused: list[float] = (reading + used).tolist()
        self.first = 0  # reading since which there was no fill, as it shows
        self.weight, self.total = 1 / _PRIOR_SD**2, 0.0
        self.bend = Bend()
        self.bends: Runs[Bend] = Runs()

    def read(self, j: int, anew: bool, step_pct: float) -> None:
        """Take a reading in."""
        until = j if anew else self._ended(j)
        if until is not None:
            told = _arc_of(self.reading[self.first : until], self.used[self.first : until], step_pct)
            if told is not None:
                self.weight, self.total = self.weight + 1 / told.sd**2, self.total + told.pct / told.sd**2
                self.bend = Bend(self.total / self.weight, float(self.weight**-0.5))
            self.first = until
        self.bends.note(j, self.bend)

    def _ended(self, j: int) -> int | None:
        """The row before which a stretch without a fill has ended, as this reading shows; None where none has."""
        before = sorted(self.unused[max(self.first, j - 1 - _BEFORE) : max(self.first, j - 1)])
        if len(before) < 2:
            return None
        above = before[len(before) // 2] + _RISES_PCT
        return j - 1 if self.unused[j] > above and self.unused[j - 1] > above else None


def _arc_of(reading: Floats, used: Floats, step_pct: float) -> Bend | None:
    """The bend that the readings between two fills show; None where they are too few, or it is something else."""
    kept = np.ones(len(reading), bool)
    for _ in range(3):
        if kept.sum() < _READINGS or np.ptp(used[kept]) < _RANGE_PCT:
            return None
        line = np.polyfit(used[kept], reading[kept], 1)
        columns = np.column_stack([np.ones(len(used)), used, arc(line[1] + line[0] * used)])
        found = np.linalg.lstsq(columns[kept], reading[kept], rcond=None)[0]
        off = reading - columns @ found
        scale = max(1.48 * float(np.median(np.abs(off[kept]))), 0.3)
        kept = np.abs(off) < _OUTLIER * scale
    noise = float(np.hypot(np.std(off[kept]), step_pct / np.sqrt(12)))
    variance = _ALIKE * noise**2 * float(np.linalg.pinv(columns[kept].T @ columns[kept])[2, 2])
    return Bend(float(found[2]), float(np.sqrt(variance + _MODEL_SD**2))) if abs(found[2]) < _MOST_PCT else None
