"""Units as shown on screen, against their exact definitions (NIST SP 811, appendix B.8, states the same: from memory)."""

import math

import numpy as np
import pytest

from dashboard.units import Units


@pytest.mark.parametrize(("unit", "of_a_bar"), [("bar", 1.0), ("kPa", 100.0), ("psi", 14.503774)])
def test_a_bar_is_100_kilopascals(unit: str, of_a_bar: float) -> None:
    """1 bar = 1 E+02 kPa exactly; so 14.503774 psi, with 1 psi = 6.894757 kPa."""
    assert Units(pressure=unit).of_kpa(100.0) == pytest.approx(of_a_bar, abs=1e-5)


@pytest.mark.parametrize(("celsius", "fahrenheit"), [(-40.0, -40.0), (0.0, 32.0), (37.77778, 100.0), (100.0, 212.0)])
def test_degrees(celsius: float, fahrenheit: float) -> None:
    """t/degC = (t/degF - 32)/1.8 (SP 811, B.8)."""
    assert Units(temperature="°F").of_c(celsius) == pytest.approx(fahrenheit, abs=1e-4)


def test_a_us_gallon() -> None:
    """3.785412 E-03 m3 (SP 811, B.8); exactly 231 cubic inches of 25.4 mm."""
    assert Units(volume="US gal").of_litres(231 * 2.54**3 / 1000) == pytest.approx(1.0, abs=1e-12)


def test_reservoir_percent_of_a_dose() -> None:
    """1 l = 1000 cm3 exactly: 4 cm3 out of 2 l are 0.2 %."""
    from analytics.vehicle.level import percent_of_reservoir

    assert percent_of_reservoir(4.0, 2.0) == pytest.approx(0.2)
    assert np.isclose(percent_of_reservoir(1000.0, 1.0), 100.0)
    assert math.isclose(percent_of_reservoir(3785.411784, 3.785411784), 100.0)  # one US gallon, 231 cubic inches


def test_a_shift_of_grease_in_ounces() -> None:
    """0.25 cm3 every 20 min are 6 cm3 in 8 h: 0.2029 US fluid ounces of 29.57353 cm3 (SP 811, B.8)."""
    from analytics.planning.timer import interval_for, per_shift_cm3

    assert per_shift_cm3(0.25, 20) == pytest.approx(6.0)
    assert per_shift_cm3(0.25, 20) / 29.57353 == pytest.approx(0.20288, abs=1e-5)
    assert interval_for(6.0, 0.25) == pytest.approx(20.0)
