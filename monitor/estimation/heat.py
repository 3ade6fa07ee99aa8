"""How much a burn makes the water grow: watts, and the temperature of the water that takes them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray
from monitor.physics.water import expansion_per_joule

_SHARE_HEATED: Final = 0.65
"""Share of the heater's water that a burn warms towards its end: cold water lies below, and the burner
sits under it, so that less than the whole takes the heat until all is mixed (common practice, no source)."""

_T_LOWEST: Final = 8.0
_T_HIGHEST: Final = 95.0
_OPEN_END: Final = (7.0, 7.0)  # K below setpoint and sd, where the end of the burn was not seen
_SD_FLOOR: Final = 0.7  # K, window to window
_SD_SHARE: Final = 0.35  # of the distance to the setpoint


@dataclass(frozen=True, slots=True, eq=False)
class Growth:
    """Cumulative growth at each row [m³], from 0, and its relative sd by the unknown temperature."""

    volume: FloatArray
    relative_sd: FloatArray


def net_watts(heater: FloatArray, plant: Plant) -> FloatArray:
    """Return heat into the water for heater readings of 0/1 or watts of input. [W]."""
    measured = heater > 1.5
    return np.where(measured, heater, np.where(heater > 0.5, plant.watts, 0.0)) * plant.efficiency


def growth(
    time: FloatArray, heater: FloatArray, temperature: FloatArray, off: float | None, plant: Plant
) -> Growth:
    """Return how the water grew over rows of one burn.

    At burner-off the water at the thermostat is at its setpoint: looking back from there, the energy still
    to come tells how cold the water was. ``off`` None: the end is not known, the uncertainty says so.
    A measured ``temperature`` at the end replaces the setpoint where it is plausible.
    """
    watts = net_watts(heater, plant)
    steps = np.diff(time) * 0.5 * (watts[1:] + watts[:-1])
    energy = np.concatenate([[0.0], np.cumsum(steps)])
    top = _end_temperature(temperature, plant)
    if off is None:
        below, sd = _OPEN_END
        t = np.full(len(time), top - below)
        sd_t = np.full(len(time), sd)
    else:
        to_come = energy[-1] - energy + max(off - float(time[-1]), 0.0) * float(watts[-1])
        drop = to_come / (plant.heat_capacity * _SHARE_HEATED)
        t = top - drop
        sd_t = _SD_FLOOR + _SD_SHARE * np.minimum(drop, top - _T_LOWEST)
    t = np.clip(t, _T_LOWEST, _T_HIGHEST)
    per_joule = expansion_per_joule(t)
    volume = np.concatenate([[0.0], np.cumsum(steps * 0.5 * (per_joule[1:] + per_joule[:-1]))])
    slope = expansion_per_joule(t + 1.0) / per_joule - 1.0
    return Growth(volume, slope * sd_t)


def _end_temperature(temperature: FloatArray, plant: Plant) -> float:
    known = temperature[np.isfinite(temperature)]
    if len(known) == 0:
        return plant.setpoint
    # A sensor on a pipe reads too cold without flow, one at the top may read stratified hot water:
    # it is believed only near the setpoint.
    return float(np.clip(np.max(known), plant.setpoint - 8.0, plant.setpoint + 8.0))
