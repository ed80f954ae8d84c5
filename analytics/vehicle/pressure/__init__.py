"""What the pressures of a vehicle's channels tell: of its lines, of its pump, and of the sensors themselves."""

from analytics.settings import PROOF_CYCLES
from analytics.vehicle.pressure.analysis import Pressures, analyse

__all__ = ["PROOF_CYCLES", "Pressures", "analyse"]
