"""From a noise-free heating window back to the air charge that made it."""

from __future__ import annotations

import numpy as np
from CoolProp.CoolProp import PropsSI
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from pytest import approx  # noqa: PT013 - reads as a relation

from monitor.estimation.gas import unsettled
from monitor.estimation.heating import Heating
from monitor.estimation.plant import plant_of
from monitor.estimation.samples import Samples
from monitor.estimation.windows import Kind, find_windows
from monitor.physics.cushion import taken_up
from monitor.site import Heater, HeaterKind, Site

FloatArray = NDArray[np.float64]

EVERY = 10.0  # s
SHARE = 0.5  # of an electric heater that a burn warms: what estimation/plant.py takes for granted


def solved(air: float, elastic: float, p1: float, volume: FloatArray) -> FloatArray:
    """Return the pressures at which cushion and line hold ``volume`` more: bisection, no formula of ours."""
    low, high = np.full(volume.shape, p1), np.full(volume.shape, 1e9)
    for _ in range(80):
        middle = np.sqrt(low * high)
        short = air * (1 / p1 - 1 / middle) + elastic * (middle - p1) < volume
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return high


@given(
    vessel=st.floats(4e-3, 60e-3), charge=st.floats(100e3, 700e3), line=st.floats(200e3, 700e3),
    watts=st.floats(3e3, 20e3), minutes=st.floats(8.0, 20.0), setpoint=st.floats(45.0, 65.0),
)  # fmt: skip
def test_a_noise_free_window_returns_the_charge_that_made_it(
    vessel: float, charge: float, line: float, watts: float, minutes: float, setpoint: float
) -> None:
    """Heat into water by the reference library, pressure by bisection; back through the gauge's own windows."""
    assume(charge <= line)
    water = 0.15
    heater = Heater(HeaterKind.ELECTRIC, water, watts, 1.0, setpoint)
    plant = plant_of(Site("x", heater=heater, tank_volume=vessel, precharge=charge, supply=line))
    outside = plant.atmosphere
    air = (charge + outside) * vessel
    count = int(minutes * 60 / EVERY)
    energy = watts * EVERY * np.arange(count)
    mass = SHARE * water * 992.2  # kg/m³ at 40 °C
    # Enthalpy and volume of the heated mass, back from the setpoint at the end.
    top = PropsSI("H", "T", setpoint + 273.15, "P", 5e5, "Water")
    h = top - (energy[-1] - energy) / mass
    lowest = PropsSI("H", "T", 281.15, "P", 5e5, "Water")
    assume(h[0] > lowest)  # the burn began above 8 degC
    v = 1.0 / PropsSI("D", "H", h, "P", 5e5, "Water")
    t = PropsSI("T", "H", h, "P", 5e5, "Water")
    steel = 3.0 * 11.7e-6 * mass * v[0] * (t - t[0])  # what the shell around it makes room for
    grown = mass * (v - v[0]) - steel
    p1 = line + outside
    p = solved(air, plant.elastic, p1, grown)
    assume(p[-1] < 1.25 * p1)  # of what a recovery does to a tank that is not too small
    rows = Samples(EVERY * np.arange(count), (p - outside) / 1e3, np.ones(count), np.full(count, np.nan))
    windows = find_windows(rows, Heating(0.0, learned=True, ended=True), plant)
    rises = [window for window in windows if window.kind is Kind.RISE]
    assume(rises)
    window = rises[0]
    # The rows are those of gas that keeps its temperature: take back the correction for gas that does not.
    warm = unsettled(window.start, window.end, None)[1]
    gas = window.growth / (1.0 + warm) - plant.elastic * (window.p2 - window.p1)
    found = gas / (1.0 / window.p1 - 1.0 / window.p2)
    assert found == approx(air, rel=1e-3)


@given(st.floats(1.0, 1e5), st.floats(0.0, 3.0), st.floats(1.2e5, 1.6e6), st.floats(0.001, 0.5))
def test_growth_and_two_pressures_return_the_air(air: float, pipe: float, p1: float, share: float) -> None:
    """The inverse that the gauge rests on; ``pipe`` is the compliance of the line over that of the gas."""
    elastic = pipe * air / p1**2
    volume = share * air / p1
    p2 = float(solved(air, elastic, p1, np.array([volume]))[0])
    assert taken_up(air, elastic, p1, p2) == approx(volume, rel=1e-9)
    back = (volume - elastic * (p2 - p1)) / (1.0 / p1 - 1.0 / p2)
    assert back == approx(air, rel=1e-9)
