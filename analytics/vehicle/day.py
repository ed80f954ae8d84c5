"""One local day of a vehicle."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from ingest.setups import Setup, in_force
from ingest.times import microseconds


def setup_of_day(setups: tuple[Setup, ...], day: date, zone: ZoneInfo) -> Setup:
    """The set-up in force at noon of a local day: what the day counts for."""
    if len(setups) == 1:  # as most vehicles have it, asked for each day of years
        return setups[0]
    return in_force(setups, microseconds(datetime.combine(day, time(12), zone)))


@dataclass(frozen=True, kw_only=True)
class Day:
    """What one local day brought: cycles done, missed, incomplete and whose messages were lost, ignition hours, litres that its
    cycles use by the sheet, and the level at its end (None: not known)."""

    day: date
    done: int
    missed: int
    incomplete: int
    lost: int
    ignition_h: float
    used_l: float
    level_pct: float | None

    def to_row(self) -> dict[str, Any]:
        """As it is kept in a database."""
        return {**asdict(self), "day": self.day.isoformat()}

    @staticmethod
    def from_row(row: Mapping[str, Any]) -> "Day":
        """What `to_row` made."""
        return Day(**{"used_l": 0.0, **row, "day": date.fromisoformat(row["day"])})
