"""The heater's energy balance against printed recovery tables, and laws that hold for any heater."""

from __future__ import annotations

import math

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from monitor.errors import OutOfRangeError
from monitor.physics import fluids
from monitor.physics.heater import (
    cooled,
    growth_rate,
    heat_to_warm,
    loss_coefficient,
    recovery_mass_rate,
    recovery_time,
    recovery_volume_rate,
    standby_loss,
)
from monitor.units import parse

GALLON = parse("1 gal", "volume")
BTU_PER_HOUR = parse("1 Btu/h", "power")
COLD = parse("40 degF", "temperature")

# Recovery table of the water heater trade, electric, 100 % efficient, gal/h by watts and rise in degF (seen): five
# rows of it. Two cells of other rows are misprints by its own formula, 8.33 and 3412: 1000 W at 60, 5000 W at 80.
RISES = (60, 70, 80, 90, 100)
ELECTRIC = {
    1500: (10.2, 8.8, 7.7, 6.8, 6.1),
    2000: (13.7, 11.7, 10.2, 9.1, 8.2),
    3000: (20.5, 17.5, 15.4, 13.6, 12.3),
    4500: (30.7, 26.3, 23.0, 20.5, 18.4),
    6000: (41.0, 35.0, 30.7, 27.3, 24.6),
}
CELLS = [(w, rise, v) for w, row in ELECTRIC.items() for rise, v in zip(RISES, row, strict=True)]


@pytest.mark.parametrize(("watts", "rise", "cited"), CELLS)
def test_recovery_of_an_electric_heater_is_that_of_the_table(watts: float, rise: float, cited: float) -> None:
    """Half of the printed digit, and 0.2 % for the trade's rounded 8.33 Btu per gallon and degF."""
    rate = recovery_volume_rate(watts, 1.0, COLD, COLD + rise / 1.8)
    assert rate * 3600.0 / GALLON == pytest.approx(cited, abs=0.05 + 0.002 * cited)


# gal/h = Btu/h x eff / (8.33 x dT), worked examples in the trade's guides (seen): input, efficiency, rise, gal/h.
GAS = [(40_000.0, 0.80, 70.0, 54.88), (40_000.0, 0.80, 80.0, 48.0)]


@pytest.mark.parametrize(("btu", "efficiency", "rise", "cited"), GAS)
def test_recovery_of_a_gas_heater_is_that_of_the_worked_examples(
    btu: float, efficiency: float, rise: float, cited: float
) -> None:
    """0.2 %: as above, from 50 degF."""
    rate = recovery_volume_rate(btu * BTU_PER_HOUR, efficiency, 10.0, 10.0 + rise / 1.8)
    assert rate * 3600.0 / GALLON == pytest.approx(cited, rel=0.002, abs=0.05)


# Computed independently: 40 gal from 50 to 120 degF.
TIMES = [(32_000.0 * BTU_PER_HOUR, 43.7), (4500.0, 91.1)]


@pytest.mark.parametrize(("watts", "by_hand"), TIMES)
def test_recovery_time_of_forty_gallons(watts: float, by_hand: float) -> None:
    """0.1 min and 0.1 %: 583.1 against 583.4 Btu a gallon."""
    time = recovery_time(40.0 * GALLON, watts, 1.0, 10.0, 440.0 / 9.0)
    assert time / 60.0 == pytest.approx(by_hand, abs=0.05 + 0.001 * by_hand)


@pytest.mark.parametrize(("t1", "t2"), [(5.0, 60.0), (10.0, 90.0), (50.0, 60.0), (60.0, 10.0)])
def test_heat_to_warm_is_a_difference_of_enthalpies(t1: float, t2: float) -> None:
    """CoolProp's enthalpy, which no heat capacity was integrated for here. 1e-5: the table's interpolation."""
    h1, h2 = (PropsSI("H", "T", t + 273.15, "P", 0.5e6, "HEOS::Water") for t in (t1, t2))
    assert heat_to_warm(t1, t2) == pytest.approx(h2 - h1, rel=1e-5)


# Computed independently: L/min at 32 000 Btu/h net, by degF of the water that takes the heat.
GROWTH = {60: 0.021, 100: 0.050, 120: 0.061}


@pytest.mark.parametrize(("fahrenheit", "by_hand"), GROWTH.items())
def test_growth_rate_of_a_burner(fahrenheit: float, by_hand: float) -> None:
    rate = growth_rate(40_000.0 * BTU_PER_HOUR, 0.8, (fahrenheit - 32.0) / 1.8)
    assert rate * 60e3 == pytest.approx(by_hand, abs=0.0005)


def test_growth_adds_up_to_the_swelling() -> None:
    """Integrated over a recovery from 10 to 60 degC, the growth of a kilogram is what its volumes differ by."""
    t = np.linspace(10.0, 60.0, 2001)
    middle = 0.5 * (t[1:] + t[:-1])
    seconds = heat_to_warm(t[:-1], t[1:]) / 1000.0  # a kilogram, a kilowatt
    grown = float(np.sum(growth_rate(1000.0, 1.0, middle) * seconds))
    rho = fluids.water().density(np.array([10.0, 60.0]))
    assert grown == pytest.approx(1.0 / rho[1] - 1.0 / rho[0], rel=1e-5)


def test_a_standing_loss_gives_its_coefficient() -> None:
    """SANS 151:2013 allows a vessel of 150 L 2.59 kWh in 24 h at 45 K (second-hand): 108 W, 2.4 W/K by hand."""
    ua = loss_coefficient(2590.0 / 24.0, 45.0)
    assert ua == pytest.approx(2.398, abs=0.0005)
    assert standby_loss(ua, 65.0, 20.0) == pytest.approx(107.9, abs=0.05)
    assert standby_loss(ua, 15.0, 20.0) < 0.0


def test_a_vessel_cools_as_newton_says() -> None:
    """By hand: after ln 2 time constants half of the excess is left; and a day takes 11.25 of 40 K from 150 L."""
    capacity, ua = 150.0 * 4186.0, 2.4
    assert cooled(60.0, 20.0, ua, capacity, math.log(2.0) * capacity / ua) == pytest.approx(40.0, rel=1e-12)
    assert cooled(60.0, 20.0, ua, capacity, 86_400.0) == pytest.approx(60.0 - 11.25, abs=0.05)


def test_glycol_takes_less_heat_and_grows_more() -> None:
    """30 % propylene glycol by mass, 10 to 60 degC: cp 3857 at 20 degC and 1.6 times the growth (computed)."""
    mixture = fluids.glycol(fluids.Glycol.PROPYLENE, 0.30)
    assert heat_to_warm(19.5, 20.5, mixture) == pytest.approx(3857.0, abs=1.0)
    assert recovery_mass_rate(1e4, 0.9, 10.0, 60.0, mixture) > recovery_mass_rate(1e4, 0.9, 10.0, 60.0)
    assert growth_rate(1e4, 0.9, 30.0, mixture) > 1.5 * growth_rate(1e4, 0.9, 30.0)


def test_arrays_broadcast() -> None:
    many = recovery_time([0.1, 0.2], 4500.0, 0.98, [[5.0], [10.0], [15.0]], 60.0)
    assert many.shape == (3, 2)
    assert many[2, 1] == pytest.approx(recovery_time(0.2, 4500.0, 0.98, 15.0, 60.0), rel=1e-12)


@pytest.mark.parametrize(
    ("power", "efficiency", "cold", "hot", "said"),
    [
        (0.0, 0.8, 10.0, 60.0, "heater input 0 W must be above 0 W"),
        ([4e3, -1.0], 0.8, 10.0, 60.0, "heater input -1 W"),
        (4e3, 0.0, 10.0, 60.0, "efficiency 0 must be above 0"),
        (4e3, 77.0, 10.0, 60.0, r"efficiency \(0\.77 means 77 %\) 77 is outside 0\.\.6"),
        (4e3, 0.8, 60.0, 60.0, "temperature rise 0 K must be above 0 K"),
        (4e3, 0.8, 60.0, [70.0, 10.0], "temperature rise -50 K"),
        (4e3, 0.8, 10.0, 120.0, r"water temperature 1\d+.* °C is outside 0\.\.110"),
        (math.nan, 0.8, 10.0, 60.0, "heater input nan W"),
    ],
)
def test_what_is_no_heater_is_refused_with_its_value(
    power: object, efficiency: float, cold: float, hot: object, said: str
) -> None:
    with pytest.raises(OutOfRangeError, match=said):
        recovery_volume_rate(power, efficiency, cold, hot)  # type: ignore[arg-type]


def test_what_is_no_loss_is_refused_with_its_value() -> None:
    with pytest.raises(OutOfRangeError, match="temperature excess 0 K"):
        loss_coefficient(100.0, 0.0)
    with pytest.raises(OutOfRangeError, match="loss coefficient -1 W/K"):
        standby_loss(-1.0, 60.0, 20.0)
    with pytest.raises(OutOfRangeError, match=r"water temperature 333\.15 °C"):
        cooled(333.15, 20.0, 2.0, 6e5, 60.0)
    with pytest.raises(OutOfRangeError, match="time -1 s must be at least 0 s"):
        cooled(60.0, 20.0, 2.0, 6e5, [0.0, -1.0])
