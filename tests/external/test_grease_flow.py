"""The simulator's grease against values worked out from the known solutions of pipe flow, and the published NLGI grades.

Sources: Hagen-Poiseuille; Buckingham 1921 and Reiner for Bingham fluids; Herschel and Bulkley 1926, closed form as in
Chhabra and Richardson, Non-Newtonian Flow (from memory). The values were worked out three ways (closed form, stress
integral, velocity profile), which agree to all digits.
"""

import numpy as np
import pytest

from simulators.grease import flow_mm3_s, grade_of, pressure_kpa


@pytest.mark.parametrize(
    ("radius_mm", "length_m", "bar", "yield_pa", "consistency", "index", "flow"),
    [
        (2, 1, 10, 0, 1, 1, 6283.185307),  # Hagen-Poiseuille
        (2, 5, 50, 0, 10, 1, 628.318531),
        (2, 2, 20, 300, 5, 1, 757.375157),  # Buckingham-Reiner
        (2, 5, 100, 500, 10, 1, 839.394287),
        (3, 10, 150, 400, 8, 1, 4552.386406),
        (2, 2, 20, 300, 40, 0.5, 1255.364716),  # Herschel-Bulkley
        (2, 5, 100, 500, 150, 0.4, 1212.793892),
        (3, 10, 150, 400, 30, 0.6, 15873.036657),
        (2, 2, 20, 0, 40, 0.5, 3141.592654),  # power law
    ],
)
def test_flow_and_pressure_agree_with_the_closed_forms(
    radius_mm: float, length_m: float, bar: float, yield_pa: float, consistency: float, index: float, flow: float
) -> None:
    """Forward by the formula, and backward by the search for the pressure."""
    wall_pa = bar * 1e5 * radius_mm / 1000 / (2 * length_m)
    got = flow_mm3_s(np.array([wall_pa]), np.array(radius_mm), np.array([yield_pa]), np.array([consistency]), index)
    assert got[0] == pytest.approx(flow, rel=1e-8)
    back = pressure_kpa(
        np.array([flow]),
        np.array(length_m),
        np.array(2 * radius_mm),
        np.array([float(yield_pa)]),
        np.array([consistency]),
        index,
    )
    assert back[0] == pytest.approx(bar * 100, rel=1e-6)


def test_below_the_yield_stress_nothing_flows() -> None:
    """A plug stays a plug."""
    assert flow_mm3_s(np.array([400.0]), np.array(2.0), np.array([500.0]), np.array([150.0]), 0.4)[0] == 0


@pytest.mark.parametrize(
    ("penetration", "grade"),
    [(460, "000"), (415, "00"), (370, "0"), (310, "1"), (340, "1"), (265, "2"), (295, "2"), (235, "3"), (100, "6"),
     (300, None), (341, None), (500, None)],
)  # fmt: skip
def test_nlgi_grades_by_worked_penetration(penetration: float, grade: str | None) -> None:
    """ASTM D217-21a, note 1: worked penetration of each grade at 25 degrees Celsius; between the grades lie gaps."""
    assert grade_of(penetration) == grade
