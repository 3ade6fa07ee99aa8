"""What the plates let expect: how fast heat lifts the line, and how long the heater burns for a reheat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from monitor.estimation.plant import Plant

REHEAT: Final = 5.0
"""K that a thermostat lets the water cool before it heats again (common practice, no source)."""

_COLD: Final = 10.0  # °C
_BELOW: Final = 5.0  # K under the setpoint at which most of the heat goes in


@dataclass(frozen=True, slots=True)
class Expected:
    """What a tank charged as the site file says would show at the line's level.

    ``climb``: rise of the closed line while the heater is on [Pa/s]; ``compliance`` of tank and line [m³/Pa];
    ``reheat``: seconds that a reheat burns; ``recovery``: heat of a full recovery from cold [J].
    """

    climb: float
    compliance: float
    reheat: float
    recovery: float


def expected(plant: Plant, level: float) -> Expected:
    """Return what the plates let expect where the line rests at ``level`` [gauge Pa]."""
    absolute = max(level, 0.0) + plant.atmosphere
    compliance = plant.air_nominal / absolute**2 + plant.elastic
    power = plant.watts * plant.efficiency
    warm = max(plant.setpoint - _BELOW, _COLD)
    per_joule = float(plant.fluid.expansion_per_joule(warm)) - plant.shell_per_joule
    return Expected(
        climb=power * per_joule / compliance,
        compliance=compliance,
        reheat=REHEAT * plant.heat_capacity * plant.share_heated / power,
        recovery=plant.heat_capacity * max(plant.setpoint - _COLD, REHEAT),
    )
