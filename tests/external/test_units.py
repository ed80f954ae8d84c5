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


def test_a_shift_of_grease_in_ounces() -> None:
    """0.25 cm3 every 20 min are 6 cm3 in 8 h: 0.2029 US fluid ounces of 29.57353 cm3 (SP 811, B.8)."""
    from analytics.timer import interval_for, per_shift_cm3

    assert per_shift_cm3(0.25, 20) == pytest.approx(6.0)
    assert per_shift_cm3(0.25, 20) / 29.57353 == pytest.approx(0.20288, abs=1e-5)
    assert interval_for(6.0, 0.25) == pytest.approx(20.0)
