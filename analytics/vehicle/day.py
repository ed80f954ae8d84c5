"""One local day of a vehicle."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any


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
