"""Pumps that have lost their pressure."""

from typing import Any, ClassVar, Final

import numpy as np

from analytics.findings import Episode
from analytics.settings import Settings
from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.pressure.expected import Block
from analytics.vehicle.pressure.readings import Readings

_WARM_SPELL: Final = 0.25  # by which a thaw may lower all channels further where no temperature tells it
_STILL_GONE: Final = -0.3  # while a pump is starved, anything below it counts as gone


class StarvedPump(Stateful):
    """Pressure lost on all channels together, cycle by cycle."""

    GIVEN: ClassVar = frozenset("at_us settings limit gone airy shift starved".split())

    def __init__(self, readings: Readings, settings: Settings) -> None:
        n = len(readings.rows)
        self.at_us, self.settings = readings.at_us, settings
        self.limit = settings.starved_log_ratio - (0.0 if readings.with_temperature else _WARM_SPELL)
        self.gone = np.zeros(n, bool)
        self.airy = np.zeros(n, bool)
        self.shift = np.full(n, np.nan)  # logarithm of what all channels have in common beyond the weather
        self.starved = np.zeros(n, bool)  # airy, and it shows by how much
        self.open: Episode | None = None
        self.ended: list[Episode] = []
        self._done = 0  # rows so far

    def state(self) -> dict[str, Any]:
        """As it is put down."""
        return {**super().state(), "rows": (self.gone[: self._done], self.starved[: self._done])}

    def go_on(self, state: dict[str, Any]) -> None:
        """Go on from what was put down."""
        gone, starved = state.pop("rows")
        super().go_on(state)
        self.gone[: self._done], self.starved[: self._done] = gone, starved

    def take(self, block: Block, learned: bool) -> None:
        """Begin or end a starved pump by the cycles of a block; `learned` whether the weather is known well enough."""
        a, b, settings = block.a, block.b, self.settings
        self._done = b
        shift = self.shift[a:b] = block.common - block.weather
        if learned:
            self.gone[a:b] = block.several & (shift < np.minimum(self.limit, -3 * block.weather_sd))
        if self.open is None and not self.gone[max(0, a - settings.window) : b].any():
            return
        for i in range(a, b):
            recent = self.gone[max(0, i - settings.window + 1) : i + 1]
            if self.open is None and self.gone[i] and recent.sum() >= settings.needed:
                start = i - len(recent) + 1 + int(np.argmax(recent))
                self.open = Episode("starved_pump", None, int(self.at_us[start]), int(self.at_us[i]))
                self.open.evidence = {"ratio_to_expected": round(float(np.exp(shift[i - a])), 2)}
            if self.open is not None and block.several[i - a]:
                self.gone[i] = shift[i - a] < _STILL_GONE
                if not self.gone[max(0, i - 3) : i + 1].any():
                    self.open.ended_us = int(self.at_us[i - 3])
                    self.ended.append(self.open)
                    self.open = None
            self.airy[i] = self.open is not None or bool(recent.any())
        self.starved[a:b] = self.airy[a:b] & np.isfinite(shift)
