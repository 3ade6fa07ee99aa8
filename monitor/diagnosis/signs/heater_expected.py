"""How fast heat should lift a closed line whose tank is as it should be: what the signals are judged by."""

from __future__ import annotations

from typing import Final

from monitor.estimation.plant import Plant
from monitor.site import Site

_COLD: Final = 10.0  # °C
_GUESSED: Final = 0.4  # of the guessed input: a climb that a small heater would make must count too
_MINUTE: Final = 60.0


def compliance(plant: Plant, level: float) -> float:
    """Return how much water the healthy tank and its line take per pressure at ``level`` [gauge Pa]. [m³/Pa]."""
    absolute = max(level + plant.atmosphere, plant.atmosphere)
    return max(plant.air_nominal, plant.air_stated) / absolute**2 + plant.elastic


def climb(site: Site, plant: Plant, level: float) -> float:
    """Return how fast the heater lifts a closed line at ``level`` [gauge Pa]. [Pa/min]."""
    power = plant.watts * plant.efficiency * (1.0 if site.heater.input is not None else _GUESSED)
    growth = plant.full_recovery / (plant.heat_capacity * (plant.setpoint - _COLD))
    return _MINUTE * power * growth / compliance(plant, level)


def recoveries(plant: Plant, seconds: float) -> float:
    """Return how many times the heater's whole water could be heated from cold in ``seconds`` of burning."""
    return seconds * plant.watts * plant.efficiency / (plant.heat_capacity * (plant.setpoint - _COLD))
