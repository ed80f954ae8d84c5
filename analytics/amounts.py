"""How much grease goes where: used, filled and to come, by depot, grease and month, and what the cycles cannot account for."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.messages import instant, read_time
from ingest.registry import Setup
from ingest.work import Work

DENSITY_KG_PER_L: Final = 0.9  # of most greases (common practice, no source)
AHEAD_DAYS: Final = 30


@dataclass(frozen=True)
class Supply:
    """What is known of one vehicle: `days` as `vehicle.days` gives them, `fills` and `refill` as they are printed."""

    setup: Setup
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


def monthly(supplies: Iterable[Supply]) -> list[Amount]:
    """Amounts by month, depot and grease, in that order."""
    found: dict[tuple[str, str, str], Amount] = {}
    for supply in supplies:
        setup = supply.setup
        zone, grease = ZoneInfo(setup.timezone), setup.grease_and_grade
        # What this vehicle's cycles use while it is sound, beside its sheet.
        sound = (supply.refill or {}).get("sound_cm3_per_cycle")
        share = 1.0 if sound is None else sound / setup.dose_cm3
        filled: dict[str, float] = {}
        for at_us, litres in _fills(supply):
            month = instant(at_us).astimezone(zone).strftime("%Y-%m")
            filled[month] = filled.get(month, 0.0) + litres
        level: float | None = None
        for month in sorted({str(day["day"])[:7] for day in supply.days} | filled.keys()):
            one = found.setdefault((month, setup.depot, grease), Amount(month, setup.depot, grease))
            inside = [day for day in supply.days if str(day["day"]).startswith(month)]
            used, put_in = share * sum(day.get("used_l", 0.0) for day in inside), filled.get(month, 0.0)
            one.vehicles += 1
            one.used_l += used
            one.filled_l += put_in
            levels = [day["level_pct"] for day in inside if day.get("level_pct") is not None]
            if levels:
                held = (levels[-1] - (levels[0] if level is None else level)) / 100 * setup.reservoir_l
                one.held_l += held
                one.unaccounted_l += put_in - used - held
                level = levels[-1]
    return [found[key] for key in sorted(found)]


def _fills(supply: Supply) -> list[tuple[int, float]]:
    """Fills as the level readings show them; where there are none, as people recorded them."""
    if supply.setup.level == "percent":
        return [(read_time(fill["at"]), float(fill["litres"])) for fill in supply.fills]
    return [(work.at_us, work.litres) for work in supply.work if work.kind == "filled" and work.litres is not None]


def ahead_l(supplies: Iterable[Supply]) -> dict[tuple[str, str], float]:
    """(depot, grease) -> litres that the cycles of the next AHEAD_DAYS will use, at the pace of the last four weeks."""
    out: dict[tuple[str, str], float] = {}
    for supply in supplies:
        setup, refill = supply.setup, supply.refill
        if refill is None or not refill["cycles_per_day"]:
            continue
        key = setup.depot, setup.grease_and_grade
        litres = refill["cycles_per_day"] * refill["cm3_per_cycle"] * AHEAD_DAYS / 1000
        out[key] = out.get(key, 0.0) + litres
    return dict(sorted(out.items()))
