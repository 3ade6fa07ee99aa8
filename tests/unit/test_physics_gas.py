"""The gas of a cushion against Boyle's own table, printed tables of gas dynamics, and real air by CoolProp."""

from __future__ import annotations

import math

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from monitor.errors import OutOfRangeError
from monitor.physics.atmosphere import SEA_LEVEL
from monitor.physics.gas import (
    ADIABATIC,
    gauge_warmed,
    pressure_after,
    taken_up,
    temperature_after,
    volume_at,
    warmed,
)
from monitor.units import PSI

# R. Boyle, New Experiments, 2nd ed. 1662, columns A and D (from memory): length of the air, inches of mercury.
BOYLE = {48: 29 + 2 / 16, 36: 39 + 5 / 16, 24: 58 + 13 / 16, 12: 117 + 9 / 16}


@pytest.mark.parametrize(("length", "cited"), BOYLE.items())
def test_slow_compression_is_what_boyle_measured(length: float, cited: float) -> None:
    """1.25 %: his own comparison is off by up to 7/16 of 39 inches, at the length of 36."""
    assert pressure_after(BOYLE[48], 48.0, 48.0 - length) == pytest.approx(cited, rel=0.0125)


# NACA Report 1135 (1953), table I, gamma = 1.4 (from memory): Mach number: p/p0, rho/rho0, T/T0.
ISENTROPIC = {
    0.5: (0.8430, 0.8852, 0.9524),
    1.0: (0.5283, 0.6339, 0.8333),
    1.5: (0.2724, 0.3950, 0.6897),
    1.2: (0.4124, 0.5311, 0.7764),
}


@pytest.mark.parametrize(("pressure", "density", "temperature"), ISENTROPIC.values())
def test_sudden_compression_is_that_of_the_isentropic_table(
    pressure: float, density: float, temperature: float
) -> None:
    """Printed to four decimals, of which density enters to the power 1.4."""
    slack = (0.5e-4 / pressure) + 1.4 * (0.5e-4 / density)
    after = pressure_after(pressure, 1.0 / density, 1.0 / density - 1.0, ADIABATIC)
    assert after == pytest.approx(1.0, rel=slack)
    # 400 K where the gas was at rest keeps all rows inside the range of a tank.
    kelvin = temperature_after(400.0 * temperature - 273.15, pressure, 1.0) + 273.15
    assert kelvin == pytest.approx(400.0, rel=0.5e-4 / temperature + 0.3 * 0.5e-4 / pressure)


@pytest.mark.parametrize(("p1", "p2"), [(3e5, 4e5), (4.5e5, 6.5e5), (2e5, 11e5)])
def test_real_air_compressed_at_once_follows_n_of_1_4(p1: float, p2: float) -> None:
    """CoolProp's real air along an isentrope from 20 degC: 0.4 % of the pressure, as its cp/cv is 1.40 to 1.42;
    0.7 % of the rise in temperature, as its cp grows by 1 % to 200 degC.
    """
    entropy = PropsSI("S", "T", 293.15, "P", p1, "Air")
    v1, v2 = 1.0 / PropsSI("D", "T", 293.15, "P", p1, "Air"), 1.0 / PropsSI("D", "S", entropy, "P", p2, "Air")
    assert pressure_after(p1, v1, v1 - v2, ADIABATIC) == pytest.approx(p2, rel=0.004)
    hot = PropsSI("T", "S", entropy, "P", p2, "Air") - 273.15
    assert temperature_after(20.0, p1, p2) - 20.0 == pytest.approx(hot - 20.0, rel=0.007)


@pytest.mark.parametrize(("p1", "p2"), [(3e5, 4e5), (4.5e5, 6.5e5), (2e5, 11e5)])
def test_real_air_compressed_slowly_follows_n_of_1(p1: float, p2: float) -> None:
    """CoolProp at 20 degC: its compressibility factor falls by 0.31 % from 2 to 11 bar."""
    v1, v2 = (1.0 / PropsSI("D", "T", 293.15, "P", p, "Air") for p in (p1, p2))
    assert pressure_after(p1, v1, v1 - v2) == pytest.approx(p2, rel=0.0032)


@pytest.mark.parametrize("t", [5.0, 20.0, 60.0])
def test_air_is_ideal_to_one_per_cent(t: float) -> None:
    """CoolProp's compressibility factor over the pressures of a tank, as the module says."""
    factor = PropsSI("Z", "T", t + 273.15, "P", np.array([1e5, 5e5, 1e6, 2e6]), "Air")
    assert np.max(np.abs(factor - 1.0)) < 0.011


# Computed independently, by hand: psig at 20 degC -> psig at another, sea level.
SEALED = {40.0: 54.4, 10.0: 47.8, 20.0: 50.0}


@pytest.mark.parametrize(("t", "by_hand"), SEALED.items())
def test_a_sealed_charge_reads_more_when_warm(t: float, by_hand: float) -> None:
    assert gauge_warmed(50.0 * PSI, 20.0, t) / PSI == pytest.approx(by_hand, abs=0.05)
    assert warmed(50.0 * PSI + SEA_LEVEL, 20.0, t) - SEA_LEVEL == gauge_warmed(50.0 * PSI, 20.0, t)


def test_a_sealed_charge_is_real_air_at_constant_density() -> None:
    """CoolProp, 0.1 %: the cushion of a tank that stands beside a heater."""
    p = 50.0 * PSI + SEA_LEVEL
    hot = PropsSI("P", "T", 313.15, "D", PropsSI("D", "T", 293.15, "P", p, "Air"), "Air")
    assert warmed(p, 20.0, 40.0) == pytest.approx(hot, rel=0.001)


# Computed independently: 2.0 gal charged to 50 psig on a line of 50 psig take 0.4488 gal.
EXPONENTS = {1.0: 68.7, 1.2: 73.1, 1.4: 77.6}


@pytest.mark.parametrize(("n", "by_hand"), EXPONENTS.items())
def test_the_faster_the_higher(n: float, by_hand: float) -> None:
    hot = pressure_after(50.0 * PSI + SEA_LEVEL, 2.0, 0.4488, n) - SEA_LEVEL
    assert hot / PSI == pytest.approx(by_hand, abs=0.06)


def test_a_gas_without_room_has_no_finite_pressure() -> None:
    after = pressure_after(4e5, 1e-2, [0.0, 5e-3, 1e-2, 2e-2])
    assert after.tolist() == [4e5, 8e5, math.inf, math.inf]


def test_water_taken_out_lets_the_gas_expand() -> None:
    assert pressure_after(4e5, 1e-2, -1e-2) == 2e5
    assert volume_at(4e5, 1e-2, 2e5) == 2e-2
    assert taken_up(4e5, 1e-2, 2e5) == -1e-2


@pytest.mark.parametrize(
    ("p1", "v1", "volume", "n", "said"),
    [
        (0.0, 1.0, 0.1, 1.0, "absolute pressure 0 Pa must be above 0 Pa"),
        ([4e5, -1.0], 1.0, 0.1, 1.0, "absolute pressure -1 Pa"),
        (4e5, 0.0, 0.1, 1.0, "gas volume 0 m³ must be above 0 m³"),
        (4e5, 1.0, math.nan, 1.0, "volume pushed in nan m³"),
        (4e5, 1.0, 0.1, 0.99, r"exponent n 0\.99 is outside 1\.\.1\.4"),
        (4e5, 1.0, 0.1, 1.41, r"exponent n 1\.41 is outside 1\.\.1\.4"),
    ],
)
def test_what_is_no_gas_is_refused_with_its_value(
    p1: object, v1: float, volume: float, n: float, said: str
) -> None:
    with pytest.raises(OutOfRangeError, match=said):
        pressure_after(p1, v1, volume, n)  # type: ignore[arg-type]


def test_a_temperature_no_tank_has_is_refused_with_its_value() -> None:
    with pytest.raises(OutOfRangeError, match=r"gas temperature 293\.15 °C is outside -40\.\.150 °C"):
        warmed(4e5, 293.15, 20.0)
