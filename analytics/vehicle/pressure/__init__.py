"""What the pressures of a vehicle's channels tell: of its lines, of its pump, and of the sensors themselves."""

from analytics.vehicle.pressure.analysis import Pressures, analyse
from analytics.vehicle.pressure.readings import PROOF_CYCLES

__all__ = ["PROOF_CYCLES", "Pressures", "analyse"]
