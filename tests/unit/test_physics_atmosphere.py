"""The pressure of the air by altitude against the tables of the standard, in metres and in feet."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from monitor.errors import OutOfRangeError
from monitor.physics.atmosphere import SEA_LEVEL, pressure_at
from monitor.units import PSI

# ISO 2533:1975, table of the standard atmosphere (the same as US Standard Atmosphere 1976), geopotential altitude
# [m]: hPa. The rows are from memory.
METRES = {
    -2000: 1277.74,
    -1000: 1139.29,
    0: 1013.25,
    500: 954.61,
    1000: 898.75,
    1500: 845.56,
    2000: 794.95,
    2500: 746.82,
    3000: 701.09,
    4000: 616.40,
    5000: 540.20,
    6000: 471.81,
    8000: 356.00,
    9000: 307.42,
    10000: 264.36,
    11000: 226.32,
}
# ISO 2533:1975/Add 2:1997, by feet, as pilots have it (from memory): ft: hPa.
FEET = {1000: 977.17, 5000: 843.07, 10000: 696.82, 18000: 506.00, 30000: 300.90}


@pytest.mark.parametrize(("altitude", "cited"), METRES.items())
def test_pressure_by_altitude_is_the_standard_atmosphere(altitude: float, cited: float) -> None:
    """0.01 hPa: the last digit of the table."""
    assert pressure_at(altitude) / 100.0 == pytest.approx(cited, abs=0.01)


@pytest.mark.parametrize(("feet", "cited"), FEET.items())
def test_pressure_by_feet_is_the_standard_atmosphere(feet: float, cited: float) -> None:
    assert pressure_at(feet * 0.3048) / 100.0 == pytest.approx(cited, abs=0.01)


def test_a_gauge_reads_above_14_696_psi_at_sea_level_and_12_1_a_mile_up() -> None:
    """14.696 psi is one standard atmosphere (NIST SP 811, B.8); 12.1 psi is Denver's, common practice."""
    assert pytest.approx(14.696, abs=0.0005) == SEA_LEVEL / PSI
    assert pressure_at(1609.344) / PSI == pytest.approx(12.1, abs=0.05)


def test_arrays_and_numbers_give_the_same() -> None:
    heights = np.array([[0.0, 500.0], [1609.0, 11_000.0]])
    many = pressure_at(heights)
    assert many.shape == (2, 2)
    assert many.ravel().tolist() == pytest.approx(
        [pressure_at(h) for h in heights.ravel().tolist()], rel=1e-15
    )
    assert isinstance(pressure_at(500), float)
    assert isinstance(pressure_at([0.0, 500.0]), np.ndarray)


@pytest.mark.parametrize("altitude", [-2000.1, 11_000.1, 1e6, math.nan, math.inf])
def test_an_altitude_outside_the_troposphere_is_refused_with_its_value(altitude: float) -> None:
    said = re.escape(f"altitude {altitude:g} m is outside -2000..11000")
    with pytest.raises(OutOfRangeError, match=said):
        pressure_at(altitude)
    with pytest.raises(OutOfRangeError, match=said):
        pressure_at([0.0, altitude])
