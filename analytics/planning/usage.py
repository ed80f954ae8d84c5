"""How much grease goes where: used, filled and to come, by depot, grease and month, and what the cycles cannot account for."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.setups import Setup, in_force
from ingest.times import instant, microseconds, read_time
from ingest.work import Work

DENSITY_KG_PER_L: Final = 0.9  # of most greases (common practice, no source)
AHEAD_DAYS: Final = 30


@dataclass(frozen=True)
class Supply:
    """What is known of one vehicle: `days` as `vehicle.days` gives them, `fills` and `refill` as they are printed."""

    setups: tuple[Setup, ...]
    days: Sequence[Mapping[str, Any]]
    fills: Sequence[Mapping[str, Any]]
    refill: Mapping[str, Any] | None
    work: Sequence[Work] = ()


@dataclass
class Amount:
    """Litres of one grease at one depot in one month (YYYY-MM): used by the cycles, filled in, by how much more the reservoirs hold
    at its end, and what went in and is neither used nor held (lost, or taken for something else), of vehicles whose level is
    known."""

    month: str
    depot: str
    grease: str
    vehicles: int = 0
    used_l: float = 0.0
    filled_l: float = 0.0
    held_l: float = 0.0
    unaccounted_l: float = 0.0


def monthly(supply: Supply) -> list[Amount]:
    """Amounts of one vehicle by month, depot and grease: those that were its own on each day."""
    zone = ZoneInfo(supply.setups[-1].timezone)
    by_day: dict[str, list[float]] = {str(day["day"]): [] for day in supply.days}
    for at_us, litres in _fills(supply):
        by_day.setdefault(instant(at_us).astimezone(zone).date().isoformat(), []).append(litres)
    days = {str(day["day"]): day for day in supply.days}
    # What this vehicle's cycles use while it is sound, beside its sheet.
    sound = (supply.refill or {}).get("sound_cm3_per_cycle")
    share = 1.0 if sound is None else sound / supply.setups[-1].dose_cm3
    found: dict[tuple[str, str, str], Amount] = {}
    level: float | None = None  # as it was read last, and what went in and was not used since
    pending_l = 0.0
    for day in sorted(by_day):
        noon = datetime.fromisoformat(day).replace(hour=12, tzinfo=zone)
        setup = in_force(supply.setups, microseconds(noon))
        key = day[:7], setup.depot, setup.grease_and_grade
        one = found.setdefault(key, Amount(*key, vehicles=1))
        told = days.get(day, {})
        used, put_in = share * told.get("used_l", 0.0), sum(by_day[day])
        one.used_l += used
        one.filled_l += put_in
        pending_l += put_in - used
        seen = told.get("level_pct")
        if seen is not None:
            if level is not None:  # what went before the first reading cannot be held against anything
                held = (seen - level) / 100 * setup.reservoir_l
                one.held_l += held
                one.unaccounted_l += pending_l - held
            level, pending_l = seen, 0.0
    return [found[key] for key in sorted(found)]


def _fills(supply: Supply) -> list[tuple[int, float]]:
    """Fills as the level readings show them; where there are none, as people recorded them."""
    if supply.setups[-1].level == "percent":
        return [(read_time(fill["at"]), float(fill["litres"])) for fill in supply.fills]
    return [(work.at_us, work.litres) for work in supply.work if work.kind == "filled" and work.litres is not None]


def use_l_a_day(refill: Mapping[str, Any]) -> float | None:
    """Litres that the cycles of a day use, at the pace of the last four weeks; None where it is not known."""
    cycles = refill["cycles_per_day"]
    return cycles * refill["cm3_per_cycle"] / 1000 if cycles else None
