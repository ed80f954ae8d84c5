"""Grease per cycle: what left the reservoir over what the sheet says, while sound and now; loss and under-delivery."""

import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import ClassVar, Final, NamedTuple

from analytics.findings import Episode
from analytics.settings import Settings
from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.level.coarse import ratio_bounds
from analytics.vehicle.level.segments import Segment
from analytics.vehicle.level.top_ups import weigh

_RATIO_SD: Final = 0.10
_SOUND: Final = 0.15  # of its sheet, within which a sound system lies
_MOST_LEARNED: Final = 0.25  # of its sheet, by which a vehicle's own ratio may lie off it
_BEND: Final = 0.03  # by which a sound sensor's slope differs from place to place, beyond its noise
# Percent of the reservoir by the sheet over which use is compared: a large leak shows in a short episode, a worn pump
# only in a long one.
_STEPS_A_WINDOW: Final = 3.0  # of the sensor, before a slope over them means something
_EXCESS_STEPS: Final = 1.2  # of the sensor, by which use must differ
_SHEET_PCT: Final = 25.0  # of a reservoir: the sheet counts like so much use
_OWN_PCT: Final = 100.0  # of a reservoir, over which the vehicle's own ratio is learned
_WIDE_STEP_PCT: Final = 10.0  # a sensor of such steps tells half as much
_BASELINE_STEPS: Final = 2.0  # over which a segment must reach before its slope counts
_BASELINE_PCT: Final = 8.0  # and over so much of the reservoir
_SEGMENTS: Final = 12  # the latest that tell the vehicle's own ratio
_SPOILS: Final = (
    "reservoir_loss",
    "under_delivery",
    "level_sensor",
)  # until these are over, slopes are not the sound one
_AGREES: Final = 0.6  # of the excess that the next longer window must show too
_LOW: Final = 0.87  # of the sound ratio: below it somebody may top up
_LOW_PCT: Final = 3.0  # and by so much of the reservoir
_LIKELY: Final = 1.0  # log likelihood by which top-ups must be the likelier to count as such
_SURE: Final = 4.0  # log likelihood by which a pump that delivers less must be the likelier
# Of a ratio, to which it is told while trouble lasts: no reading tells more, and what is put down stays small.
_PARTS: Final = 1024
_OVER_PCT: Final = 14.0  # up to this window all have to agree that what was found is over
_OVER_SIGMAS: Final = 1.5  # beyond the middle between sound and not, by which the longest of them does
_NOTHING: Final = 0.1  # a ratio further below zero than this and its error tells of fills nobody saw
_WINDOWS_PCT: Final = (9.0, 14.0, 22.0, 35.0)


class Slope(NamedTuple):
    """Grease per cycle over a window: its ratio to the sheet and standard deviation, percent used by the sheet, when the window
    begins, and its width, percent of the reservoir."""

    dose_ratio: float
    sd: float
    used_pct: float
    began_us: int
    window_pct: float

    def beyond_pct(self, sound: float) -> float:
        """Percent used beyond what a sound system uses."""
        return (self.dose_ratio - sound) * self.used_pct


@dataclass
class _Suspicion:
    kind: str
    readings: int  # in a row that say so
    since_us: int


class Consumption(Stateful):
    """Learns the dose ratio from the readings as they come, and notes when it departs from the sound one."""

    GIVEN: ClassVar = frozenset(("settings",))

    def __init__(self, settings: Settings, ended: list[Episode]) -> None:
        self.settings, self.ended = settings, ended
        self.baseline_dose_ratio, self.dose_ratio_sd = 1.0, _RATIO_SD
        self.current_dose_ratio = 1.0
        self._own = 1.0  # ratio that the vehicle had while it was new to us, or nearer to its sheet since
        self.open: Episode | None = None
        self._suspicion: _Suspicion | None = None
        self._sound_since_us = 0

    @property
    def sound_dose_ratio(self) -> float:
        """What its use is held against: the vehicle's own ratio as far as that may be a sound system's. It stands once it is learned, so
        that wear cannot become the new normal. The further it lies beyond, the likelier it was learned of one that was not sound from the
        start, and the more the sheet counts instead."""
        return min(map(_as_sound, (self._own, self.baseline_dose_ratio)), key=lambda ratio: abs(ratio - 1))

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
        step_pct = segments[-1].step_pct
        windows = [window for window in _WINDOWS_PCT if window >= _STEPS_A_WINDOW * step_pct]
        if not windows and self._by_steps(segments[-1], known_us, dose_cm3):
            return
        slopes = [s for w in windows if (s := self._slope(segments, used, w, noise_pct)) is not None]
        kind, strongest, suspicious = self._departure(
            slopes, max(self.settings.use_excess_pct, _EXCESS_STEPS * step_pct)
        )
        if self._topped_up(segments, slopes, noise_pct):
            suspicious = True
            if kind == "under_delivery":
                kind, strongest = None, None
        self._suspect(kind, strongest.began_us if strongest is not None else known_us)
        ratio = strongest.dose_ratio if strongest is not None else self.current_dose_ratio
        certain = self._suspicion is not None and self._suspicion.readings >= self.settings.use_readings
        if self.open is None and kind is not None and self._suspicion is not None and certain:
            self.open = Episode(kind, None, self._suspicion.since_us, known_us)
            self._measure(ratio, dose_cm3)
        elif self.open is not None:
            ratio = self._go_on(self.open, slopes, kind, ratio, dose_cm3)
        if self.open is not None:
            within = min(max(ratio, 0.5 * self.sound_dose_ratio), 3 * self.sound_dose_ratio)
            self.current_dose_ratio = round(within * _PARTS) / _PARTS
            return
        self.current_dose_ratio = self.baseline_dose_ratio
        if not suspicious:
            self._learn_baseline(segments)

    def _by_steps(self, segment: Segment, known_us: int, dose_cm3: float) -> bool:
        """Whether readings in steps too coarse for a slope still show that more leaves than the sheet says. That less does they never
        show: a step hides a fill as well."""
        least, most = ratio_bounds(segment)
        sound = self.sound_dose_ratio
        lost = least > self.settings.loss_ratio * sound
        if (
            self.open is not None
            and segment.start_us > self.open.detected_us
            and most < self._middle(lost=True) * sound
        ):
            self._sound_since_us = segment.start_us
            self.end(segment.start_us)
        self._suspect("reservoir_loss" if lost else None, segment.start_us)
        if least <= sound and self.open is None:
            return False
        if least > sound:
            self.current_dose_ratio = min((least + min(most, 3 * sound)) / 2, 3 * sound)
            self.dose_ratio_sd = max(_RATIO_SD, (min(most, 3 * sound) - least) / math.sqrt(12))
        certain = self._suspicion is not None and self._suspicion.readings >= self.settings.use_readings
        if lost and certain and self.open is None:
            self.open = Episode("reservoir_loss", None, segment.start_us, known_us)
        if lost:
            self._measure(self.current_dose_ratio, dose_cm3)
        return True

    def _middle(self, *, lost: bool) -> float:
        """The ratio on whose other side what was found is over."""
        return (1 + (self.settings.loss_ratio if lost else self.settings.under_ratio)) / 2

    def _departure(self, slopes: list[Slope], excess_pct: float) -> tuple[str | None, Slope | None, bool]:
        """The kind of departure from the sound ratio, the window that shows it most, and whether any looks suspicious; by
        so many percent at least."""
        settings, sound = self.settings, self.sound_dose_ratio
        kind: str | None = None
        strongest: Slope | None = None
        strength, suspicious = 0.0, False
        for slope, longer in zip(slopes, [*slopes[1:], None], strict=False):
            if slope.dose_ratio < -_NOTHING - 2 * slope.sd or slope.began_us < self._sound_since_us:
                continue
            z = (slope.dose_ratio - sound) / math.sqrt(slope.sd**2 + (sound * _BEND) ** 2 + self.dose_ratio_sd**2)
            suspicious |= abs(z) > 2.5 and abs(slope.dose_ratio / sound - 1) > 0.15
            if abs(z) < max(settings.use_sigmas, strength) or abs(slope.beyond_pct(sound)) < excess_pct:
                continue
            for departs, limit in (("reservoir_loss", settings.loss_ratio), ("under_delivery", settings.under_ratio)):
                if self._beyond(slope, longer, limit):
                    kind, strength, strongest = departs, abs(z), slope
        return kind, strongest, suspicious

    def _beyond(self, slope: Slope, longer: Slope | None, limit: float) -> bool:
        """Whether a slope lies beyond a limit and the next longer window shows most of the same excess."""
        sign = 1.0 if limit > 1 else -1.0
        sound = self.sound_dose_ratio
        if sign * (slope.dose_ratio - limit * sound) < 0:
            return False
        return longer is None or sign * longer.beyond_pct(sound) >= _AGREES * sign * slope.beyond_pct(sound)

    def _topped_up(self, segments: list[Segment], slopes: list[Slope], noise_pct: float) -> bool:
        """Whether it may be top-ups that nobody recorded that keep the level up; where that is likelier than a pump that delivers
        less, the level starts anew after each."""
        sound = self.sound_dose_ratio
        low = [
            s
            for s in slopes
            if s.dose_ratio < _LOW * sound and s.beyond_pct(sound) <= -_LOW_PCT and s.began_us >= self._sound_since_us
        ]
        if not low or self.open is not None:
            return False
        slope = min(low, key=lambda s: s.beyond_pct(sound))
        ratio, firsts = weigh(segments, slope.began_us, sound, max(slope.dose_ratio, 0.0), noise_pct)
        if ratio > _LIKELY:
            for n in sorted(firsts, reverse=True):
                for first in reversed(firsts[n]):
                    segments.insert(n + 1, segments[n].split(first))
        return ratio > -_SURE

    def _suspect(self, kind: str | None, since_us: int) -> None:
        if kind is None:
            self._suspicion = None
        elif self._suspicion is None or self._suspicion.kind != kind:
            self._suspicion = _Suspicion(kind, 1, since_us)
        else:
            self._suspicion.readings += 1

    def _go_on(self, found: Episode, slopes: list[Slope], kind: str | None, ratio: float, dose_cm3: float) -> float:
        """Whether what was found lasts, by windows that begin after it was certain; the ratio now."""
        since = [slope for slope in slopes if slope.began_us > found.detected_us]
        if not since:
            return ratio
        shorter = sum(slope.window_pct < _OVER_PCT for slope in slopes)
        lost, latest = found.kind == "reservoir_loss", since[: shorter + 1]
        sign, middle, late = 1 if lost else -1, self._middle(lost=lost) * self.sound_dose_ratio, latest[-1]
        sound = all(sign * (middle - slope.dose_ratio) > 0 for slope in latest)
        enough = len(since) > min(shorter, len(slopes) - 1)
        if sound and enough and sign * (middle - late.dose_ratio) > _OVER_SIGMAS * late.sd:
            self._sound_since_us = int(late.began_us)
            self.end(self._sound_since_us)
        elif kind == found.kind and sign * (middle - late.dose_ratio) < 0:
            self._measure(late.dose_ratio, dose_cm3)
        return late.dose_ratio

    def _measure(self, ratio: float, dose_cm3: float) -> None:
        if self.open is not None:
            self.open.evidence = {
                "cm3_per_cycle": round(max(ratio, 0.0) * dose_cm3, 2),
                "expected_cm3_per_cycle": round(self.sound_dose_ratio * dose_cm3, 2),
            }

    def _learn_baseline(self, segments: list[Segment]) -> None:
        """The vehicle's own ratio, from all that was used so far; the sheet counts like a quarter of a reservoir."""
        drops, used, counted = 0.0, 0.0, 0
        since_us = max((s.ended_us or 0 for s in self.ended if s.kind in _SPOILS), default=0)
        for segment in reversed(segments):
            if counted == _SEGMENTS or segment.start_us < since_us:
                break
            fell, span = segment.fallen()
            if span < max(_BASELINE_PCT, _BASELINE_STEPS * segment.step_pct):
                continue
            drops += fell
            used += span
            counted += 1
        if used > 0:
            prior = _SHEET_PCT * (1 + (segments[-1].step_pct / _WIDE_STEP_PCT) ** 2)
            self.baseline_dose_ratio = min(max((prior + drops) / (prior + used), 1 - _MOST_LEARNED), 1 + _MOST_LEARNED)
            if used < _OWN_PCT or abs(self.baseline_dose_ratio - 1) < abs(self._own - 1):
                self._own = self.baseline_dose_ratio
            self.dose_ratio_sd = _RATIO_SD * math.sqrt(prior / (prior + used))
            self.current_dose_ratio = self.baseline_dose_ratio

    def _slope(self, segments: list[Segment], end_used: float, least: float, noise_pct: float) -> Slope | None:
        """The slope over the latest `least` or more percent by the sheet.

        The window may reach back over fills; each episode between two fills has a level of its own.
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
        return Slope(-falling / weight, noise_pct / math.sqrt(weight), got, began_us, least)


def _as_sound(ratio: float) -> float:
    """What a ratio that was learned may be of a sound system's."""
    off = ratio - 1
    beyond = max(abs(off) - _SOUND, 0.0)
    return 1 + math.copysign(abs(off) - beyond - beyond * _SOUND / (_MOST_LEARNED - _SOUND), off)
