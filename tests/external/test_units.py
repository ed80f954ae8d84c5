"""Units as shown on screen, against their definitions (NIST SP 811, appendix B.8)."""

import math

import numpy as np
import pytest

from dashboard.figures import BAR_KPA


def test_a_bar_is_100_kilopascals() -> None:
    """1 bar = 1 E+02 kPa exactly; so 14.503774 psi, with 1 psi = 6.894757 kPa."""
    assert BAR_KPA == 100
    assert pytest.approx(14.503774, abs=1e-5) == BAR_KPA / 6.894757


def test_reservoir_percent_of_a_dose() -> None:
    """1 l = 1000 cm3 exactly: 4 cm3 out of 2 l are 0.2 %."""
    from analytics.reservoir import percent_of_reservoir

    assert percent_of_reservoir(4.0, 2.0) == pytest.approx(0.2)
    assert np.isclose(percent_of_reservoir(1000.0, 1.0), 100.0)
    assert math.isclose(percent_of_reservoir(3785.411784, 3.785411784), 100.0)  # one US gallon, 231 cubic inches
