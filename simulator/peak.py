"""The pressure that a full recovery would reach: whole heater from cold to setpoint, no draw, no relief."""

from __future__ import annotations

import numpy as np

from simulator.heater import Heater
from simulator.spec import PlantSpec
from simulator.water import density


def worst_case_peak(spec: PlantSpec, charge: float, cold: float) -> float:
    """Return the peak pressure of a full recovery that starts at the nominal supply pressure. [Pa gauge].

    Isothermal gas, since a full recovery takes much longer than the gas needs to shed its heat.

    Parameters
    ----------
    spec : PlantSpec
    charge : float
        True air charge. [Pa gauge]
    cold : float
        Temperature of the cold water. [°C]
    """
    heater = Heater(spec.heater)
    n = spec.heater.nodes
    cool, hot = heater.mass(np.array([[cold] * n, [spec.heater.setpoint] * n]))
    grown = float(cool - hot) / density(cold)
    supply = spec.supply.pressure if spec.supply.regulator is None else spec.supply.regulator
    start = supply + spec.atmosphere
    air = (charge + spec.atmosphere) * spec.tank.volume

    def stored(p: float) -> float:
        return spec.line.compliance * p - min(spec.tank.volume, air / p) - spec.line.trapped * 101325.0 / p

    low, high = start, 1e9
    for _ in range(100):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if stored(middle) - stored(start) < grown else (low, middle)
    return low - spec.atmosphere
