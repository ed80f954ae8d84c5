"""The units that somebody reads in; everything is kept in kPa, degrees Celsius and litres.

Source of the factors: exact definitions, as NIST SP 811 appendix B.8 has them (1 psi = 6.894757293168 kPa, 1 US gallon =
3.785411784 l).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

PRESSURES: Final = {"bar": 100.0, "kPa": 1.0, "psi": 6.894757293168}  # kPa in one
TEMPERATURES: Final = ("°C", "°F")
VOLUMES: Final = {"l": 1.0, "US gal": 3.785411784}  # litres in one


@dataclass(frozen=True)
class Units:
    """What somebody reads in."""

    pressure: str = "bar"
    temperature: str = "°C"
    volume: str = "l"

    def of_kpa(self, kpa: float) -> float:
        """A pressure."""
        return kpa / PRESSURES[self.pressure]

    def of_c(self, celsius: float) -> float:
        """A temperature."""
        return celsius * 1.8 + 32 if self.temperature == "°F" else celsius

    def of_litres(self, litres: float) -> float:
        """A volume."""
        return litres / VOLUMES[self.volume]


def units_of(kept: Mapping[str, str]) -> Units:
    """What somebody chose, as far as it is known."""
    default = Units()
    return Units(
        kept["pressure"] if kept.get("pressure") in PRESSURES else default.pressure,
        kept["temperature"] if kept.get("temperature") in TEMPERATURES else default.temperature,
        kept["volume"] if kept.get("volume") in VOLUMES else default.volume,
    )
