"""What is said of a vehicle's next refill. How it is worked out stands in `vehicle/refill.py`."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from ingest.languages.saying import in_json, of_json
from ingest.times import rfc3339


@dataclass(frozen=True)
class Refill:
    """The forecast at `as_of_us`; due times are None where they are unknown or more than the horizon away."""

    as_of_us: int
    level_pct: float | None
    low_mark_pct: float
    due_early_us: int | None
    due_expected_us: int | None
    due_late_us: int | None
    litres_to_full: float | None
    cm3_per_cycle: float
    sound_cm3_per_cycle: float  # the same while nothing is lost or held back
    cycles_per_day: float | None
    state: str
    reason: str | None  # why nothing is known, or that it is far off
    basis: str | None = None  # what the level rests on, where no reading tells

    def to_row(self) -> dict[str, Any]:
        """As it is kept in a database."""
        return asdict(self) | {"reason": in_json(self.reason), "basis": in_json(self.basis)}

    @staticmethod
    def from_row(row: Mapping[str, Any]) -> "Refill":
        """What `to_row` made."""
        return Refill(**{**row, "reason": of_json(row["reason"]), "basis": of_json(row.get("basis"))})

    @property
    def use_l_a_day(self) -> float | None:
        """Litres that the cycles of a day use, at the pace of the last four weeks; None where it is not known."""
        return self.cycles_per_day * self.cm3_per_cycle / 1000 if self.cycles_per_day else None

    def as_json(self, fleet: str, vehicle: str) -> dict[str, Any]:
        """The forecast as `tallow refills --json` prints it."""

        def time(us: int | None) -> str | None:
            return None if us is None else rfc3339(us)

        return {
            "fleet": fleet,
            "vehicle": vehicle,
            "as_of": rfc3339(self.as_of_us),
            "level_pct": self.level_pct,
            "low_mark_pct": self.low_mark_pct,
            "due_early": time(self.due_early_us),
            "due_expected": time(self.due_expected_us),
            "due_late": time(self.due_late_us),
            "litres_to_full": self.litres_to_full,
            "cm3_per_cycle": self.cm3_per_cycle,
            "sound_cm3_per_cycle": self.sound_cm3_per_cycle,
            "cycles_per_day": self.cycles_per_day,
            "state": self.state,
            "reason": self.reason,
            "basis": self.basis,
        }
