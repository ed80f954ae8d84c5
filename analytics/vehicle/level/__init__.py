"""The grease in the reservoir: level, fills, grease per cycle, and what the level readings tell of faults.

Between fills the grease goes down only, by a share of the registered dose for each cycle that ran (also those whose
messages were lost). A reading is that level plus noise, slosh and a share of the tilt. So every reading plus what was
used since the last fill tells the level just after that fill, and their median is a robust estimate of it; a fill is
where the next readings leave it upwards for good.
"""

from analytics.vehicle.level.readings import percent_of_reservoir
from analytics.vehicle.level.reservoir import Reservoir, draws_air
from analytics.vehicle.level.tracker import analyse

__all__ = ["Reservoir", "analyse", "draws_air", "percent_of_reservoir"]
