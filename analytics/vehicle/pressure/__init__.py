"""What the pressures of a vehicle's channels tell: of its lines, of its pump, and of the sensors themselves."""

from analytics.settings import PROOF_CYCLES
from analytics.vehicle.pressure.analysis import Pressures, analyse
from analytics.vehicle.pressure.following import LEAST_TOLD

__all__ = ["LEAST_TOLD", "PROOF_CYCLES", "Pressures", "analyse"]
