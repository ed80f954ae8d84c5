"""Grease per cycle: what left the reservoir over what the sheet says, while sound and now; loss and under-delivery."""

import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import Final, NamedTuple

from analytics.findings import Stretch
from analytics.settings import Settings
from analytics.vehicle.level.segments import Segment

_RATIO_SD: Final = 0.10  # a sound system lies within 15 % of its sheet
_BEND: Final = 0.03  # by which a sound sensor's slope differs from place to place, beyond its noise
# Percent of the reservoir by the sheet over which use is compared: a large leak shows in a short stretch, a worn pump
# only in a long one.
_WINDOWS_PCT: Final = (9.0, 14.0, 22.0, 35.0)


class Slope(NamedTuple):
    """Grease per cycle over a window: its ratio to the sheet and standard deviation, percent used beyond what a sound
    system uses, and when the window begins."""

    dose_ratio: float
    sd: float
    excess_pct: float
    began_us: int


@dataclass
class _Suspicion:
    kind: str
    readings: int  # in a row that say so
    since_us: int


class Consumption:
    """Learns the dose ratio from the readings as they come, and notes when it departs from the sound one."""

    def __init__(self, settings: Settings, ended: list[Stretch]) -> None:
        self.settings, self.ended = settings, ended
        self.baseline_dose_ratio, self.dose_ratio_sd = 1.0, _RATIO_SD
        self.current_dose_ratio = 1.0
        self.open: Stretch | None = None
        self._suspicion: _Suspicion | None = None
        self._sound_since_us = 0

    def end(self, at_us: int) -> None:
        """What was found is over."""
        if self.open is not None:
            self.open.ended_us = at_us
            self.ended.append(self.open)
            self.open = None

    def withdraw(self, since_us: int) -> None:
        """What began since rests on readings that count for nothing."""
        if self.open is not None and self.open.began_us >= since_us:
            self.open = None

    def learn(self, segments: list[Segment], used: float, known_us: int, noise_pct: float, dose_cm3: float) -> None:
        """Compare what left the reservoir with the sheet, over windows that end at the latest reading, after `used`."""
        slopes = [self._slope(segments, used, window, noise_pct) for window in _WINDOWS_PCT]
        kind, strongest, suspicious = self._departure(slopes)
        self._suspect(kind, strongest.began_us if strongest is not None else known_us)
        ratio = strongest.dose_ratio if strongest is not None else self.current_dose_ratio
        certain = self._suspicion is not None and self._suspicion.readings >= self.settings.use_readings
        if self.open is None and kind is not None and self._suspicion is not None and certain:
            self.open = Stretch(kind, None, self._suspicion.since_us, known_us)
            self._measure(ratio, dose_cm3)
        elif self.open is not None:
            ratio = self._go_on(self.open, slopes, kind, ratio, dose_cm3)
        if self.open is not None:
            self.current_dose_ratio = min(max(ratio, 0.5 * self.baseline_dose_ratio), 3 * self.baseline_dose_ratio)
            return
        self.current_dose_ratio = self.baseline_dose_ratio
        if not suspicious:
            self._learn_baseline(segments)

    def _departure(self, slopes: list[Slope | None]) -> tuple[str | None, Slope | None, bool]:
        """The kind of departure from the sound ratio, the window that shows it most, and whether any looks suspicious."""
        settings, sound = self.settings, self.baseline_dose_ratio
        kind: str | None = None
        strongest: Slope | None = None
        strength, suspicious = 0.0, False
        for slope in slopes:
            if slope is None or slope.dose_ratio < 0 or slope.began_us < self._sound_since_us:
                continue
            z = (slope.dose_ratio - sound) / math.sqrt(slope.sd**2 + (sound * _BEND) ** 2 + self.dose_ratio_sd**2)
            suspicious |= abs(z) > 2.5 and abs(slope.dose_ratio / sound - 1) > 0.15
            if abs(z) < max(settings.use_sigmas, strength) or abs(slope.excess_pct) < settings.use_excess_pct:
                continue
            if slope.dose_ratio >= settings.loss_ratio * sound:
                kind, strength, strongest = "reservoir_loss", abs(z), slope
            elif slope.dose_ratio <= settings.under_ratio * sound:
                kind, strength, strongest = "under_delivery", abs(z), slope
        return kind, strongest, suspicious

    def _suspect(self, kind: str | None, since_us: int) -> None:
        if kind is None:
            self._suspicion = None
        elif self._suspicion is None or self._suspicion.kind != kind:
            self._suspicion = _Suspicion(kind, 1, since_us)
        else:
            self._suspicion.readings += 1

    def _go_on(
        self, found: Stretch, slopes: list[Slope | None], kind: str | None, ratio: float, dose_cm3: float
    ) -> float:
        """Whether what was found lasts, by the first window that begins after it was certain; the ratio now."""
        late = next((slope for slope in slopes if slope is not None and slope.began_us > found.detected_us), None)
        if late is None:
            return ratio
        lost = found.kind == "reservoir_loss"
        middle = (1 + (self.settings.loss_ratio if lost else self.settings.under_ratio)) / 2
        if (late.dose_ratio < middle * self.baseline_dose_ratio) == lost:
            self._sound_since_us = int(late.began_us)
            self.end(self._sound_since_us)
        elif kind == found.kind:
            self._measure(late.dose_ratio, dose_cm3)
        return late.dose_ratio

    def _measure(self, ratio: float, dose_cm3: float) -> None:
        if self.open is not None:
            self.open.evidence = {
                "cm3_per_cycle": round(ratio * dose_cm3, 2),
                "expected_cm3_per_cycle": round(self.baseline_dose_ratio * dose_cm3, 2),
            }

    def _learn_baseline(self, segments: list[Segment]) -> None:
        """The vehicle's own ratio, from all that was used so far; the sheet counts like a quarter of a reservoir."""
        drops, used = 0.0, 0.0
        for segment in segments[-12:]:
            number, weight, falling = segment.moments(0)
            if number < 6 or (self.ended and segment.start_us < (self.ended[-1].ended_us or 0)):
                continue
            span = segment.pumped - segment.used[0]
            if span < 8:
                continue
            slope = -falling / weight
            drops += slope * span
            used += span
        if used > 0:
            prior = 25.0
            self.baseline_dose_ratio = min(max((prior + drops) / (prior + used), 0.75), 1.25)
            self.dose_ratio_sd = _RATIO_SD * math.sqrt(prior / (prior + used))
            self.current_dose_ratio = self.baseline_dose_ratio

    def _slope(self, segments: list[Segment], end_used: float, least: float, noise_pct: float) -> Slope | None:
        """The slope over the latest `least` or more percent by the sheet.

        The window may reach back over fills; each stretch between two fills has a level of its own.
        """
        weight, falling, number = 0.0, 0.0, 0
        began_us, got = 0, 0.0
        limit = least / max(self.current_dose_ratio, 0.5)
        for segment in reversed(segments):
            u = segment.used
            if not u:
                continue
            chosen = bisect_left(u, end_used - limit - 1e-9)
            if 0 < chosen < len(u):
                chosen -= 1
            if chosen < segment.settled and len(u) >= 3:
                chosen = max(chosen, min(segment.settled, len(u) - 2))
            if chosen < len(u):
                part = segment.moments(chosen)
                weight, falling, number = weight + part[1], falling + part[2], number + part[0]
                got += max(0.0, segment.pumped - u[chosen])
                began_us = segment.at_us[chosen]
            if chosen > 1 or end_used - u[0] > 2.5 * limit:
                break
        if got < 0.8 * limit or weight <= 0 or number < 4:
            return None
        ratio = -falling / weight
        return Slope(ratio, noise_pct / math.sqrt(weight), (ratio - self.baseline_dose_ratio) * got, began_us)
