"""Grease in a tube: a Herschel-Bulkley fluid whose yield stress and consistency depend on grade and temperature.

The stress in the grease is tau = tau_y + K * rate**n. What a tube carries follows from integrating the rate of shear over
its radius; the published closed form is in `flow_mm3_s`. The figures for the grades are invented, in the order that
the grades have.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Worked penetration at 25 degrees Celsius, 0.1 mm, by ASTM D217: (lowest, highest) of each NLGI grade.
WORKED_PENETRATION: Final = {
    "000": (445, 475),
    "00": (400, 430),
    "0": (355, 385),
    "1": (310, 340),
    "2": (265, 295),
    "3": (220, 250),
    "4": (175, 205),
    "5": (130, 160),
    "6": (85, 115),
}

# Invented: yield stress (Pa) and consistency (Pa s**n) at 25 degrees Celsius; the flow index is the same for all.
_AT_25: Final = {"000": (25.0, 12.0), "00": (60.0, 22.0), "0": (130.0, 40.0), "1": (260.0, 70.0), "2": (480.0, 120.0)}
FLOW_INDEX: Final = 0.45
_GAS_CONSTANT: Final = 8.314  # J/(mol K)
_ENERGY_J_MOL: Final = 19_000.0  # invented: how steeply consistency rises in the cold
_YIELD_SHARE: Final = 0.7  # the yield stress rises with this power of the consistency's factor


def grade_of(worked_penetration: float) -> str | None:
    """The NLGI grade of a worked penetration (0.1 mm); None in the gaps between grades and outside them."""
    for grade, (lowest, highest) in WORKED_PENETRATION.items():
        if lowest <= worked_penetration <= highest:
            return grade
    return None


def properties(grade: str, temp_c: Floats) -> tuple[Floats, Floats]:
    """(yield stress Pa, consistency Pa s**n) of a grade at temperatures of any shape."""
    yield_pa, consistency = _AT_25[grade]
    kelvin = temp_c + 273.15
    factor = np.exp(_ENERGY_J_MOL / _GAS_CONSTANT * (1 / kelvin - 1 / 298.15))
    return yield_pa * factor**_YIELD_SHARE, consistency * factor


def flow_mm3_s(wall_pa: Floats, radius_mm: Floats, yield_pa: Floats, consistency: Floats, index: float) -> Floats:
    """Flow through a tube at a wall stress, mm3/s (Herschel and Bulkley 1926); none below the yield stress.

    Q = pi R**3 n (tau_w/K)**(1/n) (1-phi)**((n+1)/n) [(1-phi)**2/(3n+1) + 2 phi (1-phi)/(2n+1) + phi**2/(n+1)],
    phi = tau_y/tau_w. With n = 1 it is the Buckingham-Reiner equation, with tau_y = 0 as well Hagen-Poiseuille's.
    """
    phi = np.minimum(yield_pa / np.maximum(wall_pa, 1e-12), 1.0)
    n = index
    profile = (1 - phi) ** 2 / (3 * n + 1) + 2 * phi * (1 - phi) / (2 * n + 1) + phi**2 / (n + 1)
    return np.asarray(
        np.pi * radius_mm**3 * n * (wall_pa / consistency) ** (1 / n) * (1 - phi) ** ((n + 1) / n) * profile
    )


def pressure_kpa(
    flow: Floats, length_m: Floats, bore_mm: Floats, yield_pa: Floats, consistency: Floats, index: float = FLOW_INDEX
) -> Floats:
    """Pressure that pushes a flow (mm3/s) through a tube, kPa; arrays of any one shape. By halving the interval."""
    radius_mm = bore_mm / 2
    low = np.broadcast_to(yield_pa, np.broadcast_shapes(flow.shape, yield_pa.shape)).copy()
    high = low * 2 + 1
    for _ in range(60):
        short = flow_mm3_s(high, radius_mm, yield_pa, consistency, index) < flow
        if not short.any():
            break
        high = np.where(short, high * 2, high)
    for _ in range(40):
        middle = (low + high) / 2
        short = flow_mm3_s(middle, radius_mm, yield_pa, consistency, index) < flow
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return 2 * length_m * 1000 * ((low + high) / 2) / radius_mm / 1000
