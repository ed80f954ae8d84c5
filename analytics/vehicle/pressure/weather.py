"""What all channels of a pump do together: the robust regression that follows it by the temperature of the grease and by long stops."""

from typing import Final

import numpy as np

from analytics.statistics.robust import huber_update
from analytics.vehicle.checkpoints import Stateful
from ingest.arrays import Floats

# What is known of the weather's effect before anything is learned: log pressure per 10 degrees, and its bend.
_PRIOR: Final = np.array([0.0, -0.13, 0.03, 0.12])
_PRIOR_SD: Final = np.array([1.0, 0.06, 0.02, 0.12])


def usual_weather(temp_c: Floats) -> Floats:
    """What temperature does to log pressure before a vehicle's own readings tell, (n,): none at 10 degrees and where it is not known."""
    tens = np.where(np.isfinite(temp_c), (np.clip(temp_c, -40, 50) - 10) / 10, 0.0)
    return np.asarray(_PRIOR[1] * tens + _PRIOR[2] * tens**2)


class CommonPart(Stateful):
    """The robust regression that follows what all channels do together."""

    def __init__(self) -> None:
        self.mean = _PRIOR.copy()
        self.cov = np.diag(_PRIOR_SD**2)
        self.noise = 0.08
        self.count = 0

    def expect(self, x: Floats) -> tuple[Floats, Floats]:
        """(expected, standard deviation of what is seen) for features of shape (n, 4)."""
        return x @ self.mean, np.sqrt(np.einsum("ij,jk,ik->i", x, self.cov, x) + self.noise**2)

    def learn(self, x: Floats, y: Floats) -> None:
        """Take a block of cycles in; what lies far off counts less."""
        self.mean, self.cov = huber_update(self.mean, self.cov, x, y, self.noise)
        self.count += len(y)
        left = 1.25 * np.minimum(np.abs(y - x @ self.mean), 3 * self.noise)
        step = max(len(y) / (self.count + 10), len(y) / 300)
        self.noise = min(max(self.noise + step * (float(left.mean()) - self.noise), 0.03), 0.3)

    def random_walk(self, variance: float) -> None:
        """Let the common level have moved by as much."""
        self.cov[0, 0] += variance
