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
from ingest.times import instant
from ingest.work import Work

DENSITY_KG_PER_L: Final = 0.9  # of most greases (common practice, no source)
AHEAD_DAYS: Final = 30


@dataclass(frozen=True)
class Supply:
    """What is known of one vehicle, as far as amounts follow from it."""

    setups: tuple[Setup, ...]
    days: Sequence[Day]
    fills: Sequence[Fill]
    refill: Refill | None
    work: Sequence[Work] = ()


@dataclass
class Amount:
    """Litres of one grease at one depot in one month (YYYY-MM): used by the cycles, filled in, by how much more the reservoirs hold
    at its end, and what went in and is neither used nor held (lost, or taken for something else), of vehicles whose level is
    known; None where none was seen twice."""

    month: str
    depot: str
    grease: str
    vehicles: int = 0
    used_l: float = 0.0
    filled_l: float = 0.0
    held_l: float | None = None
    unaccounted_l: float | None = None


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
        seen = told.level_pct if told else None
        if seen is not None:
            if level is not None:  # what went before the first reading cannot be held against anything
                held = (seen - level) / 100 * setup.reservoir_l
                one.held_l = (one.held_l or 0.0) + held
                one.unaccounted_l = (one.unaccounted_l or 0.0) + pending_l - held
            level, pending_l = seen, 0.0
    return [found[key] for key in sorted(found)]


def _fills(supply: Supply) -> list[tuple[int, float]]:
    """Fills as the level readings show them; where there are none, as people recorded them."""
    if supply.setups[-1].level == "percent":
        return [(fill.at_us, fill.litres) for fill in supply.fills]
    return [(work.at_us, work.litres) for work in supply.work if work.kind == "filled" and work.litres is not None]
