"""What is said of grease that was added. How it is seen in the level readings stands in `vehicle/level`."""

from dataclasses import dataclass
from typing import Any

from ingest.times import rfc3339


@dataclass(frozen=True, kw_only=True)
class Fill:
    """Grease added; `at_us` is when, `detected_us` when the readings made it certain."""

    at_us: int
    detected_us: int
    from_pct: float
    to_pct: float
    litres: float

    def as_json(self, fleet: str, vehicle: str) -> dict[str, Any]:
        """The fill as `tallow fills --json` prints it."""
        return {
            "fleet": fleet,
            "vehicle": vehicle,
            "at": rfc3339(self.at_us),
            "detected_at": rfc3339(self.detected_us),
            "from_pct": self.from_pct,
            "to_pct": self.to_pct,
            "litres": self.litres,
        }
