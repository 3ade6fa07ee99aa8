"""The boiling line of water against printed values."""

from __future__ import annotations

import math

import pytest

from monitor.errors import OutOfRangeError
from monitor.physics.boiling import saturation_pressure

# IAPWS R6-95(2018), table 8: 275 K -> 0.698451167e-3 MPa (from memory). IAPWS R7-97(2012), table 35: 300 K ->
# 0.353658941e-2 MPa (from memory). Steam tables: 60 °C 19.95 kPa, 80 °C 47.41, 100 °C 101.42, 120 °C 198.67 (from
# memory); 100 °C at 101.325 kPa is the old definition of the scale, 26 mK off today's.
PRINTED = {
    1.85: (698.451167, 1e-6),
    26.85: (3536.58941, 1e-4),
    60.0: (19_950.0, 3e-4),
    80.0: (47_410.0, 3e-4),
    100.0: (101_420.0, 1e-4),
    120.0: (198_670.0, 1e-4),
}


@pytest.mark.parametrize(("t", "printed"), PRINTED.items())
def test_water_boils_where_the_tables_say(t: float, printed: tuple[float, float]) -> None:
    """Half of the last printed digit; 1e-4 is how far the industrial formulation (R7-97) lies from R6-95."""
    value, tolerance = printed
    assert saturation_pressure(t) == pytest.approx(value, rel=tolerance)


@pytest.mark.parametrize("t", [-1.0, 0.0, 151.0, math.nan, math.inf])
def test_outside_its_range_it_is_refused_with_the_value(t: float) -> None:
    with pytest.raises(OutOfRangeError, match=f"temperature of boiling water {t:g} °C"):
        saturation_pressure(t)
