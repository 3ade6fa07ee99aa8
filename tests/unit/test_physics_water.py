"""Water against cited values: the table that the core looks up must be IAPWS R6-95 and nothing else."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from monitor.errors import CushionwatchError, OutOfRangeError
from monitor.physics.water import (
    P_MAX,
    P_MIN,
    T_MAX,
    compressibility,
    density,
    expansion_coefficient,
    expansion_per_joule,
    heat_capacity,
    swelling,
)

ATMOSPHERE = 101_325.0

# IAPWS R6-95(2018) as computed by the package iapws 1.5.5 (a code of its own, not the library behind the table).
# degC: rho [kg/m3], isobaric expansion [1e-6/K], cp [J/(kg K)], isothermal compressibility [1/GPa].
AT_01_MPA = {
    5: (999.966, 16.04, 4205.0, 0.49169),
    15: (999.102, 150.84, 4188.5, 0.46733),
    25: (997.047, 257.29, 4181.3, 0.45246),
    35: (994.033, 345.89, 4179.3, 0.44439),
    45: (990.212, 422.64, 4180.1, 0.44153),
    55: (985.693, 491.22, 4183.0, 0.44291),
    65: (980.550, 554.10, 4187.3, 0.44792),
    75: (974.842, 613.00, 4193.2, 0.45620),
    85: (968.611, 669.20, 4200.7, 0.46755),
    95: (961.887, 723.72, 4210.2, 0.48191),
}
AT_06_MPA = {
    5: (1000.212, 17.56, 4202.9, 0.49102),
    15: (999.335, 151.79, 4186.8, 0.46672),
    25: (997.273, 257.84, 4179.9, 0.45188),
    35: (994.254, 346.16, 4178.0, 0.44381),
    45: (990.431, 422.67, 4179.0, 0.44094),
    55: (985.911, 491.06, 4181.8, 0.44230),
    65: (980.770, 553.77, 4186.2, 0.44728),
    75: (975.065, 612.51, 4192.1, 0.45552),
    85: (968.837, 668.56, 4199.6, 0.46682),
    95: (962.119, 722.93, 4209.0, 0.48111),
}
CITED = [(t, 0.1e6, v) for t, v in AT_01_MPA.items()] + [(t, 0.6e6, v) for t, v in AT_06_MPA.items()]


@pytest.mark.parametrize(("t", "p", "cited"), CITED)
def test_four_properties_agree_with_iapws_95(t: float, p: float, cited: tuple[float, ...]) -> None:
    """Tolerances are half of the last printed digit; in density all of it, three rows are on the edge."""
    rho, beta, cp, kappa = cited
    assert density(t, p) == pytest.approx(rho, abs=0.001)
    assert 1e6 * expansion_coefficient(t, p) == pytest.approx(beta, abs=0.005 * (1 + 1e-6))
    assert heat_capacity(t, p) == pytest.approx(cp, abs=0.05 * (1 + 1e-6))
    assert 1e9 * compressibility(t, p) == pytest.approx(kappa, abs=0.000005 * (1 + 1e-6))


# IAPWS R6-95(2018), Table 7, liquid: K, kg/m3 -> MPa, cv kJ/(kg K), speed of sound m/s.
IAPWS_95 = [
    (300.0, 996.556, 0.0992418352, 4.13018112, 1501.51914),
    (300.0, 1005.308, 20.0022515, 4.06798347, 1534.92501),
    (500.0, 838.025, 10.0003858, 3.22106219, 1271.28441),
]


@pytest.mark.parametrize(("kelvin", "rho", "mpa", "cv", "sound"), IAPWS_95)
def test_the_library_gives_the_verification_values_of_iapws_95(
    kelvin: float, rho: float, mpa: float, cv: float, sound: float
) -> None:
    """Nine digits are printed: half of the last one is up to 5e-9."""
    for name, cited in (("P", 1e6 * mpa), ("CVMASS", 1e3 * cv), ("SPEED_OF_SOUND", sound)):
        assert PropsSI(name, "T", kelvin, "D", rho, "HEOS::Water") == pytest.approx(cited, rel=5e-9)
    # And as the table asks it: the density at that pressure, the liquid imposed.
    assert PropsSI("D", "T|liquid", kelvin, "P", 1e6 * mpa, "HEOS::Water") == pytest.approx(rho, rel=5e-9)


def test_the_table_gives_the_verification_value_of_iapws_95() -> None:
    """300 K and 996.556 kg/m3 are at 99.24 kPa, 758 Pa below the table: compressed by its compressibility."""
    kelvin, rho, mpa, _, _ = IAPWS_95[0]
    squeezed = rho * (1.0 + float(compressibility(kelvin - 273.15, P_MIN)) * (P_MIN - 1e6 * mpa))
    assert density(kelvin - 273.15, P_MIN) == pytest.approx(squeezed, rel=1e-9)


# IAPWS R7-97(2012), Table 5, region 1: K, MPa -> m3/kg, enthalpy kJ/kg, cp kJ/(kg K).
IAPWS_97 = [
    (300.0, 3.0, 0.100215168e-2, 115.331273, 4.17301218),
    (300.0, 80.0, 0.971180894e-3, 184.142828, 4.01008987),
    (500.0, 3.0, 0.120241800e-2, 975.542239, 4.65580682),
]


@pytest.mark.parametrize(("kelvin", "mpa", "volume", "enthalpy", "cp"), IAPWS_97)
def test_the_library_agrees_with_the_industrial_formulation(
    kelvin: float, mpa: float, volume: float, enthalpy: float, cp: float
) -> None:
    """The formulation itself to its nine digits; IAPWS-95 as far as both agree in region 1 (R7-97, ch. 5)."""
    state = ("T", kelvin, "P", 1e6 * mpa)
    assert PropsSI("D", *state, "IF97::Water") == pytest.approx(1.0 / volume, rel=5e-9)
    assert PropsSI("H", *state, "IF97::Water") == pytest.approx(1e3 * enthalpy, rel=5e-9)
    assert PropsSI("C", *state, "IF97::Water") == pytest.approx(1e3 * cp, rel=5e-9)
    # Both are fits: 1.4e-6 in density and 1.2e-4 in heat capacity at 300 K and 3 MPa, more where it is hotter.
    assert PropsSI("D", *state, "HEOS::Water") == pytest.approx(1.0 / volume, rel=5e-5)
    assert PropsSI("C", *state, "HEOS::Water") == pytest.approx(1e3 * cp, rel=2e-3)


@pytest.mark.parametrize("t", [20.0, 60.0, 95.0])
def test_the_table_agrees_with_the_industrial_formulation_at_its_highest_pressure(t: float) -> None:
    """Two formulations with different fits: they agree to 15 ppm in density here, as in every row above."""
    assert density(t, P_MAX) == pytest.approx(
        PropsSI("D", "T", t + 273.15, "P", P_MAX, "IF97::Water"), rel=15e-6
    )


# CRC Handbook of Chemistry and Physics, 53rd ed., p. F-4: g/mL at 1 atm.
CRC = {4: 0.999973, 10: 0.999700, 15: 0.999099}
# J. Res. NIST 97 (1992) 335, Eq. 1 (Kell 1975), evaluated at 1 atm: kg/m3. Two digits of its divisor are
# swapped in reprints, which costs .07 at 4 degC and .6 at 80: such a table would fail here.
KELL = {4: 999.972, 20: 998.204, 50: 988.036, 60: 983.199, 80: 971.798}
# Specific volume of the liquid, ft3/lb, as in the ASHRAE Handbook: degF.
CUBIC_FEET_PER_POUND = {40: 0.01602, 60: 0.01604, 100: 0.01613, 120: 0.01620, 140: 0.01629}
M3_PER_KG = 0.3048**3 / 0.45359237


@pytest.mark.parametrize(("t", "cited"), CRC.items())
def test_density_agrees_with_the_crc_handbook(t: float, cited: float) -> None:
    """5 ppm: what older temperature scales and isotopes are worth."""
    assert density(t, ATMOSPHERE) == pytest.approx(1000.0 * cited, rel=5e-6)


@pytest.mark.parametrize(("t", "cited"), KELL.items())
def test_density_agrees_with_the_closed_formula_of_1975(t: float, cited: float) -> None:
    """14 ppm is how far that formula lies from IAPWS-95 at most; 1 ppm for its printed digits."""
    assert density(t, ATMOSPHERE) == pytest.approx(cited, rel=15e-6)


@pytest.mark.parametrize(("fahrenheit", "cited"), CUBIC_FEET_PER_POUND.items())
def test_specific_volume_agrees_with_the_handbook_in_feet_and_pounds(fahrenheit: float, cited: float) -> None:
    volume = 1.0 / float(density((fahrenheit - 32.0) / 1.8, ATMOSPHERE)) / M3_PER_KG
    assert volume == pytest.approx(cited, abs=6e-6)


def test_swelling_gives_the_rules_of_the_trade() -> None:
    """4 to 90 degC "3.6 %"; 1000 gal from 40 to 140 degF: 17.06 gal with IAPWS volumes (16.85 with rounded ones)."""
    assert swelling(4.0, 90.0, ATMOSPHERE) == pytest.approx(0.0359, abs=0.00005)
    assert 1000.0 * swelling(40 / 9, 60.0, ATMOSPHERE) == pytest.approx(17.06, abs=0.01)


@pytest.mark.parametrize("t", [15, 25, 35, 45, 55, 65, 75, 85, 95])
def test_a_rigid_full_vessel_rises_by_beta_over_kappa(t: float) -> None:
    """Coefficients against density alone: along beta/kappa (3.25 bar/K at 15 degC, 15 at 95) it stays the same."""
    per_kelvin = float(expansion_coefficient(t) / compressibility(t))
    before, after = (density(t + half, 0.5e6 + half * per_kelvin) for half in (-0.25, 0.25))
    # 5e-5 of the swelling of half a kelvin: what the curvature of density over that step costs at 15 degC.
    assert after / before == pytest.approx(1.0, abs=5e-5 * 0.5 * float(expansion_coefficient(t)))


def library(name: str, t: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Return the library's liquid: metastable where it would boil, at 100 degC up to 0.1014 MPa."""
    return np.asarray(PropsSI(name, "T|liquid", t + 273.15, "P", p, "HEOS::Water"))


def whole_range() -> tuple[np.ndarray, np.ndarray]:
    """Points at random, along all four edges, and dense about the greatest density near 4 degC.

    The library's liquid begins at the triple point, 0.01 degC.
    """
    rng = np.random.default_rng(20)
    t_edge, p_edge = np.linspace(0.01, T_MAX, 1500), np.linspace(P_MIN, P_MAX, 200)
    t = [rng.uniform(0.01, T_MAX, 8000), rng.uniform(3.4, 4.1, 8000), t_edge, t_edge]
    p = [rng.uniform(P_MIN, P_MAX, 8000), rng.uniform(P_MIN, P_MAX, 8000)]
    p += [np.full_like(t_edge, P_MIN), np.full_like(t_edge, P_MAX)]
    for end in (0.01, T_MAX):
        t.append(np.full_like(p_edge, end))
        p.append(p_edge)
    return np.concatenate(t), np.concatenate(p)


@pytest.mark.parametrize(
    ("ours", "name", "tolerance"),
    [
        (density, "D", 1e-4),
        (heat_capacity, "C", 1e-3),
        (compressibility, "ISOTHERMAL_COMPRESSIBILITY", 1e-3),
    ],
)
def test_the_table_stands_for_the_library_over_its_whole_range(
    ours: Callable[..., np.ndarray], name: str, tolerance: float
) -> None:
    """What is promised, 0.01 % in density and 0.1 % in the others; it keeps a thousandth of that and better."""
    t, p = whole_range()
    error = np.max(np.abs(ours(t, p) / library(name, t, p) - 1.0))
    assert error < tolerance
    assert error < 1e-8


def test_expansion_stands_for_the_library_also_where_it_crosses_zero() -> None:
    """0.1 % wherever it is more than 1e-9 per kelvin, a hundred thousandth of that at 60 degC.

    Closer to its zero near 4 degC (60 microkelvin to either side) no relative error means anything: there
    it is 1e-12 per kelvin, the same 0.1 % of 1e-9.
    """
    t, p = whole_range()
    exact = library("ISOBARIC_EXPANSION_COEFFICIENT", t, p)
    assert np.max(np.abs(expansion_coefficient(t, p) - exact) / np.maximum(np.abs(exact), 1e-9)) < 1e-3
    near = np.abs(exact) < 1e-7
    assert near.sum() > 100  # the crossing was visited
    assert expansion_coefficient(3.4, P_MIN) < 0.0 < expansion_coefficient(4.1, P_MIN)


def test_expansion_is_zero_at_the_greatest_density() -> None:
    """IAPWS R6-95 at 0.1 MPa: greatest at 3.98 degC, as the CRC Handbook prints; higher pressure lowers it."""
    t = np.linspace(3.0, 5.0, 20_001)
    assert t[np.argmax(density(t, P_MIN))] == pytest.approx(3.98, abs=0.005)
    assert t[np.argmin(np.abs(expansion_coefficient(t, P_MIN)))] == pytest.approx(3.98, abs=0.005)
    assert t[np.argmax(density(t, P_MAX))] < 3.7


def test_boiling_water_is_served_as_the_liquid_that_it_still_is() -> None:
    """At 0.1 MPa it boils at 99.61 degC (IAPWS R7-97); the liquid runs on smoothly, and is no steam."""
    rho = density(np.array([99.5, 99.6, 99.7, 99.8, 99.9, 100.0]), P_MIN)
    assert np.all(np.abs(np.diff(rho, 2)) < 1e-4)
    assert rho[-1] == pytest.approx(958.35, abs=0.01)  # 100 degC at 1 atm: CRC Handbook, 958.4


@pytest.mark.parametrize("t", [10, 20, 40, 60, 80])
def test_expansion_per_joule_is_beta_over_rho_cp(t: float) -> None:
    """From the library's own derivatives at the same point: no table in between."""
    state = ("T", t + 273.15, "P", 0.5e6, "HEOS::Water")
    beta, rho, cp = (PropsSI(name, *state) for name in ("ISOBARIC_EXPANSION_COEFFICIENT", "D", "C"))
    assert expansion_per_joule(t) == pytest.approx(beta / (rho * cp), rel=1e-5)


def test_arrays_and_numbers_give_the_same() -> None:
    t = np.array([[5.0, 25.0], [60.0, 100.0]])
    many = density(t, np.array([0.2e6, 1.9e6]))
    assert many.shape == (2, 2)
    assert many[1, 0] == density(60.0, 0.2e6)
    assert many[0, 1] == density(25.0, 1.9e6)


PROPERTIES = [density, expansion_coefficient, heat_capacity, compressibility, expansion_per_joule]


@pytest.mark.parametrize("of", PROPERTIES)
@pytest.mark.parametrize("t", [-0.001, 110.001, -273.15, math.inf, math.nan])
def test_a_temperature_outside_the_table_is_refused_with_its_value(
    of: Callable[..., np.ndarray], t: float
) -> None:
    with pytest.raises(
        OutOfRangeError, match=rf"water temperature {re.escape(f'{t:g}')} °C is outside 0\.\.110"
    ):
        of(np.array([20.0, t, 30.0]))


@pytest.mark.parametrize("of", PROPERTIES)
@pytest.mark.parametrize("p", [0.0, -5e5, P_MIN * 0.99, P_MAX * 1.01, math.nan])
def test_a_pressure_outside_the_table_is_refused_with_its_value(
    of: Callable[..., np.ndarray], p: float
) -> None:
    with pytest.raises(
        OutOfRangeError, match=rf"absolute pressure {re.escape(f'{p:g}')} Pa is outside"
    ) as caught:
        of(20.0, p)
    assert isinstance(caught.value, CushionwatchError)


def test_the_ends_of_the_table_are_inside() -> None:
    assert density(0.0, P_MIN) == pytest.approx(999.84, abs=0.01)  # 0 degC at 1 atm: CRC Handbook, 999.84
    assert density(T_MAX, P_MAX) > density(T_MAX, 0.2e6)
