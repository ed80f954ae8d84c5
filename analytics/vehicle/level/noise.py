"""How far readings scatter, and how far above the level one must lie for a fill."""

import math
from typing import Final

from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.level.segments import Segment

_FINE_PCT: Final = 2.0  # up to such a step readings scatter as if there were none


class Noise(Stateful):
    """Standard deviation of a single reading, percent, learned from how readings scatter."""

    def __init__(self, pct: float) -> None:
        self._scatter = pct
        self.step_pct = 0.0
        self.seen = 0

    @property
    def pct(self) -> float:
        """With what a coarse step hides: readings in steps lie evenly within one, standard deviation step / sqrt(12)."""
        return max(self._scatter, self.step_pct / math.sqrt(12))

    def learn(self, segment: Segment, used: float, reading: float) -> None:
        """By how far the middle of three readings lies off the line through the others: whatever the grease per cycle."""
        if len(segment.reading) < 2:
            return
        (u0, u1), (r0, r1) = segment.used[-2:], segment.reading[-2:]
        part = 0.5 if used <= u0 else (u1 - u0) / (used - u0)
        off = abs(r1 - r0 - part * (reading - r0)) / math.sqrt(1 + part**2 + (1 - part) ** 2)
        self.seen += 1
        pace = max(1 / (self.seen + 10), 1 / 60)
        scatter = self._scatter
        self._scatter = min(max(scatter + pace * (1.25 * min(off, 3 * scatter) - scatter), 0.4), 5.0)

    def fill_jump(self, least: float, slosh: float, bound_pct: float) -> float:
        """How far above the level a reading must lie for a fill: beyond `least` and the scatter, and with a coarse step beyond half
        of it, what slosh adds, and what is not known of the level."""
        return max(
            least, 4.2 * self._scatter, self.step_pct / 2 + bound_pct + 2 * slosh if self.step_pct > _FINE_PCT else 0.0
        )
