"""The simulator's water against IAPWS, so that both programs cannot share one mistake."""

import numpy as np
import pytest

from simulator.water import density, heat_capacity

# IAPWS R6-95 at 0.1 MPa as computed by CoolProp 8.0 and by iapws 1.5.5 (they differ by 4e-14).
IAPWS_95 = {
    5: 999.966, 15: 999.102, 25: 997.047, 35: 994.033, 45: 990.212,
    55: 985.693, 65: 980.550, 75: 974.842, 85: 968.611, 95: 961.887,
}  # fmt: skip
# rho [kg/m³] and cp [J/(kg K)] of IAPWS R6-95 at 0.6 MPa, the pressure of a water line.
IAPWS_95_AT_LINE = {
    5: (1000.212, 4202.9), 15: (999.335, 4186.8), 25: (997.273, 4179.9), 35: (994.254, 4178.0),
    45: (990.431, 4179.0), 55: (985.911, 4181.8), 65: (980.770, 4186.2), 75: (975.065, 4192.1),
    85: (968.842, 4199.7),
}  # fmt: skip


@pytest.mark.parametrize(("t", "expected"), IAPWS_95.items())
def test_density_agrees_with_iapws_95(t: float, expected: float) -> None:
    """20 ppm: the formula is up to 14 ppm off; two swapped digits in its divisor cost 67 to 656."""
    assert density(float(t)) == pytest.approx(expected, rel=20e-6)


@pytest.mark.parametrize(
    ("t", "expected"), [(4, 999.972), (20, 998.204), (50, 988.036), (60, 983.199), (80, 971.798)]
)
def test_density_has_the_digits_of_its_source(t: float, expected: float) -> None:
    """Values of J. Res. NIST 97:335 (1992) Eq. 1, worked outside this project; half of the last digit."""
    assert density(float(t)) == pytest.approx(expected, abs=0.0005)


def test_density_of_an_array_is_that_of_its_values() -> None:
    t = np.array([5.0, 20.0, 60.0])
    assert density(t).tolist() == [density(5.0), density(20.0), density(60.0)]


@pytest.mark.parametrize(("t", "rho_cp"), IAPWS_95_AT_LINE.items())
def test_heat_capacity_is_near_iapws_95(t: float, rho_cp: tuple[float, float]) -> None:
    """0.15 %: what a straight line can do, far below the error of a burner's rating."""
    assert heat_capacity(float(t)) == pytest.approx(rho_cp[0] * rho_cp[1], rel=1.5e-3)
