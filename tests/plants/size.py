"""How large a vessel has to be, from the balance of volumes: for drawing plants that are sound or not."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from tests.plants.cushion import STEEL, Fitting, atmosphere
from tests.plants.library import Known

_GROWTH: Final = {40.0: 0.0075, 50.0: 0.0118, 60.0: 0.0168, 70.0: 0.0225, 80.0: 0.0288}
"""Growth of water from 10 °C (0.9997 kg/L) to these temperatures [°C]; handbook densities."""


def full_recovery(known: Known, shell: float = 0.0) -> float:
    """Return what a heater pushes out from 10 °C to its setpoint [mL]; ``shell`` as in `Fitting`."""
    below = max(warm for warm in _GROWTH if warm <= known.setpoint)
    above = min((warm for warm in _GROWTH if warm > known.setpoint), default=below)
    part = (known.setpoint - below) / (above - below) if above > below else 0.0
    water = _GROWTH[below] + part * (_GROWTH[above] - _GROWTH[below])
    return known.volume * 1000.0 * (water - shell * STEEL * (known.setpoint - 10.0))


def vessel_for(known: Known, supply: float, peak: float, fitting: Fitting, *, shell: float = 0.0) -> float:
    """Return the vessel [L], charged to the supply, with which a full recovery reaches ``peak`` [kPa gauge].

    Without ``shell`` the room that the steel makes is left as a margin.
    """
    outside = atmosphere(fitting.altitude)
    low, high = supply + outside, peak + outside
    taken = full_recovery(known, shell) - fitting.elastic_ml_per_kpa * (high - low)
    return max(taken / (1.0 / low - 1.0 / high) / low / 1000.0, 0.5)


def tellable(
    known: Known, supply: float, vessel: float, limit: float, fitting: Fitting, *, setpoint: bool
) -> bool:
    """Return whether who reads pressure only can be 95 % sure that a full recovery passes ``limit`` [kPa gauge].

    Plates, cold water and what share of the heater is warmed leave 6 % of a recovery open; a setpoint known to
    1.5 K (or to 3.5 K, where nobody states it) 3.6 % a kelvin; what pipes and trapped air take a factor of two.
    """
    outside = atmosphere(fitting.altitude)
    low, high = supply + outside, limit + outside
    line = fitting.elastic_ml_per_kpa * (high - low)
    taken = vessel * 1000.0 * (1.0 - low / high) + line
    doubt = math.hypot(0.06, 0.036 * (1.5 if setpoint else 3.5), 0.6 * line / taken)
    return full_recovery(known, fitting.shell) / taken > 1.0 + 1.645 * doubt


def peak_of(known: Known, supply: float, vessel: float, charge: float, fitting: Fitting) -> float:
    """Return the peak [kPa gauge] of a full recovery from cold; the relief valve left out."""
    outside = atmosphere(fitting.altitude)
    start, air = supply + outside, (charge + outside) * vessel * 1000.0
    gas = min(vessel * 1000.0, air / start)

    def over(peak: float) -> float:
        took = gas - min(vessel * 1000.0, air / peak)
        return took + fitting.elastic_ml_per_kpa * (peak - start) - full_recovery(known)

    top = start + full_recovery(known) / fitting.elastic_ml_per_kpa + 1.0
    return _root(over, start, top) - outside if math.isfinite(top) else top


def _root(of: Callable[[float], float], low: float, high: float) -> float:
    """Return where ``of`` changes its sign between ``low`` and ``high``."""
    rising = of(high) > of(low)
    for _ in range(80):
        middle = 0.5 * (low + high)
        if (of(middle) > 0.0) == rising:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)
