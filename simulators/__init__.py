"""A fleet that never was: physics and habits on one side, the public messages on the other."""


class SimulationError(Exception):
    """Something about a simulation that the user can put right, in one line."""
