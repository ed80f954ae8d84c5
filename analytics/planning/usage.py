"""How much grease goes where: used, filled and to come, by depot, grease and month, and what the cycles cannot account for."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

from analytics.fills import Fill
from analytics.refills import Refill
from analytics.vehicle.day import Day, setup_of_day
from ingest.setups import Setup
from ingest.times import HOUR_US, LONG_AGO_US, instant
from ingest.work import Work

DENSITY_KG_PER_L: Final = 0.9  # of most greases (common practice, no source)
AHEAD_DAYS: Final = 30
_NEAR_US: Final = 36 * HOUR_US  # within which a fill that is recorded and one that the level shows are one


@dataclass(frozen=True)
class Supply:
    """What is known of one vehicle, as far as amounts follow from it."""

    setups: tuple[Setup, ...]
    days: Sequence[Day]
    fills: Sequence[Fill]
    refill: Refill | None
    work: Sequence[Work] = ()
    read_us: int | None = None  # when its level was read last, by a reading that can be trusted


@dataclass
class Amount:
    """Litres of one grease at one depot in one month (YYYY-MM): used by the cycles, filled in, by how much more the reservoirs hold
    at its end, and what went in and is neither used nor held (lost, or taken for something else), of vehicles whose level is
    known; None where none was seen twice. What was filled in is by the level, where none tells it by what was recorded."""

    month: str
    depot: str
    grease: str
    vehicles: int = 0
    used_l: float = 0.0
    filled_l: float = 0.0
    held_l: float | None = None
    unaccounted_l: float | None = None

    @property
    def known_filled_l(self) -> float | None:
        """Litres filled in; None where no level tells them and nobody recorded any."""
        return None if self.held_l is None and not self.filled_l else self.filled_l


def monthly(supply: Supply) -> list[Amount]:
    """Amounts of one vehicle by month, depot and grease: those that were its own on each day."""
    if not supply.setups[-1].controller:  # nobody wrote down how much of a grease gun is left
        return []
    zone = ZoneInfo(supply.setups[-1].timezone)
    by_day: dict[date, list[float]] = {one.day: [] for one in supply.days}
    for at_us, litres in _fills(supply):
        by_day.setdefault(instant(at_us).astimezone(zone).date(), []).append(litres)
    days = {one.day: one for one in supply.days}
    # What this vehicle's cycles use while it is sound, beside its sheet.
    refill = supply.refill
    share = 1.0 if refill is None else refill.sound_cm3_per_cycle / supply.setups[-1].dose_cm3
    found: dict[tuple[str, str, str], Amount] = {}
    read_on = date.max if supply.read_us is None else instant(supply.read_us).astimezone(zone).date()
    level: float | None = None  # as it was read last, and what went in and was not used since
    pending_l = 0.0
    for day in sorted(by_day):
        setup = setup_of_day(supply.setups, day, zone)
        key = str(day)[:7], setup.depot, setup.grease_and_grade
        one = found.setdefault(key, Amount(*key, vehicles=1))
        told = days.get(day)
        used, put_in = share * (told.used_l if told else 0.0), sum(by_day[day])
        one.used_l += used
        one.filled_l += put_in
        pending_l += put_in - used
        seen = told.level_pct if told and day <= read_on else None  # later it is counted from the cycles
        if seen is not None:
            if level is not None:  # what went before the first reading cannot be held against anything
                held = (seen - level) / 100 * setup.reservoir_l
                one.held_l = (one.held_l or 0.0) + held
                one.unaccounted_l = (one.unaccounted_l or 0.0) + pending_l - held
            level, pending_l = seen, 0.0
    return [found[key] for key in sorted(found)]


def _fills(supply: Supply) -> list[tuple[int, float]]:
    """Fills as the level readings show them; where there are none, and of the time since the latest, as people recorded them."""
    by_level = supply.setups[-1].level == "percent"
    seen = [(fill.at_us, fill.litres) for fill in supply.fills] if by_level else []
    read_us = supply.read_us if by_level and supply.read_us is not None else LONG_AGO_US

    def is_seen(work: Work) -> bool:
        return work.at_us <= read_us or any(abs(at_us - work.at_us) <= _NEAR_US for at_us, _ in seen)

    recorded = (work for work in supply.work if work.kind == "filled" and not is_seen(work))
    return seen + [(work.at_us, work.litres) for work in recorded if work.litres is not None]
