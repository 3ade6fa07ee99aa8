"""How much a burn makes the water grow: watts, and the temperature of the water that takes them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray

_T_LOWEST: Final = 8.0
_T_HIGHEST: Final = 95.0
_OPEN_END: Final = (7.0, 7.0)  # K below setpoint and sd, where the end of the burn was not seen
_FOLLOWS: Final = 3.0  # K of rise with which a sensor shows that it sits in the water that is heated
_APART: Final = 8.0  # K between sensor and setpoint that are still believed
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
    time: FloatArray,
    heater: FloatArray,
    temperature: FloatArray,
    plant: Plant,
    *,
    lag: float = 0.0,
    late: float = 0.0,
    ended: bool,
) -> Growth:
    """Return how the water grew over rows of one burn and its tail.

    At burner-off the water at the thermostat is at its setpoint: looking back from there, the energy still
    to come tells how cold the water was. Where the burn has not ``ended`` the uncertainty says so.
    A measured ``temperature`` at the end replaces the setpoint where it is plausible. Heat reaches the
    water through metal with a time constant ``lag`` [s]; its state is reported ``late`` by so many seconds.
    """
    watts = net_watts(heater, plant)
    energy = _received(time, watts, lag, late)
    top = _end_temperature(temperature, plant)
    if ended:
        drop = (energy[-1] - energy) / (plant.heat_capacity * plant.share_heated)
        t = top - drop
        sd_t = _SD_FLOOR + _SD_SHARE * np.minimum(drop, top - _T_LOWEST)
    else:
        below, sd = _OPEN_END
        t = np.full(len(time), top - below)
        sd_t = np.full(len(time), sd)
    t = np.clip(t, _T_LOWEST, _T_HIGHEST)
    per_joule = plant.fluid.expansion_per_joule(t) - plant.shell_per_joule
    steps = np.diff(energy) * 0.5 * (per_joule[1:] + per_joule[:-1])
    slope = (plant.fluid.expansion_per_joule(t + 1.0) - plant.shell_per_joule) / per_joule - 1.0
    return Growth(np.concatenate([[0.0], np.cumsum(steps)]), slope * sd_t)


def _received(time: FloatArray, watts: FloatArray, lag: float, late: float) -> FloatArray:
    """Return the heat that has reached the water since the first row. [J]."""
    if late == 0.0:
        clock, ahead = time, watts
    else:  # the burner did at ``time`` what is reported ``late`` seconds after: its edges move
        clock = np.concatenate([time - late, time])
        order = np.argsort(clock, kind="stable")
        clock = clock[order]
        ahead = np.interp(clock + late, time, watts)
    spent = np.concatenate([[0.0], np.cumsum(np.diff(clock) * 0.5 * (ahead[1:] + ahead[:-1]))])
    if lag > 0.0:
        spent = spent - lag * _in_metal(clock, ahead, lag)
    received = spent if late == 0.0 else np.interp(time, clock, spent)
    return np.asarray(received - received[0])


def _in_metal(time: FloatArray, watts: FloatArray, lag: float) -> FloatArray:
    """Return the heat flow out of the metal [W] at each row: q' = (watts - q) / lag, from rest.

    Between rows the burner is taken at the mean of both; stretches of constant watts are solved at once.
    """
    mean = 0.5 * (watts[1:] + watts[:-1])
    flow = np.zeros(len(time))
    edges = np.flatnonzero(np.diff(mean) != 0.0) + 1
    for first, last in zip(
        np.concatenate([[0], edges]).tolist(), np.concatenate([edges, [len(mean)]]).tolist(), strict=True
    ):
        decay = np.exp(-(time[first + 1 : last + 1] - time[first]) / lag)
        flow[first + 1 : last + 1] = mean[first] + (flow[first] - mean[first]) * decay
    return flow


def _end_temperature(temperature: FloatArray, plant: Plant) -> float:
    """Temperature of the heated water at burner-off [°C]: the setpoint, or what a sensor shows that follows.

    A sensor on a pipe reads too cold without flow, and one at the top may sit in hotter water that takes no
    part in the burn. It is believed as far as it has risen with the burn, and only near the setpoint.
    """
    known = temperature[np.isfinite(temperature)]
    if len(known) < 2:
        return plant.setpoint
    end = float(np.max(known))
    follows = float(np.clip((end - float(known[0])) / _FOLLOWS, 0.0, 1.0))
    return plant.setpoint + follows * float(np.clip(end - plant.setpoint, -_APART, _APART))
