"""The air in an expansion tank: a gas with a temperature of its own behind a bladder.

Fast changes are nearly adiabatic, slow ones nearly isothermal: which of the two is not put in but follows
from the gas losing heat to the wall within a minute or two.
"""

from __future__ import annotations

import math

from simulator.spec import TankSpec

GAMMA = 1.4  # cp/cv of air
KELVIN = 273.15


class Cushion:
    """Gas of ``amount`` = n·R [J/K] in a tank; `gas_at` tells its volume at a line pressure.

    One step is: `relax` (heat, loss or refill, at the present pressure), then a trial of pressures by
    `gas_at` (adiabatic), then `settle` on the one that the whole line agrees on.
    """

    __slots__ = ("_friction", "_k", "_lag", "amount", "kelvin", "pressure", "tank", "volume")

    def __init__(self, spec: TankSpec, charge: float, room: float) -> None:
        self.tank = spec.volume
        self._lag, self._friction, self._k = spec.gas_lag, spec.friction, 1.0 / GAMMA
        self.kelvin = room + KELVIN
        self.amount = charge * spec.volume / self.kelvin
        self.volume = spec.volume  # bladder on its stop: no water inside
        self.pressure = charge  # of the gas [Pa absolute]

    def relax(self, dt: float, amount: float, wall: float, line: float) -> None:
        """Let the gas come nearer to the ``wall`` [K] and hold ``amount`` [J/K] from now on.

        A bladder that floats keeps the pressure and gives way; one on its stop, or held by friction, keeps
        the volume.
        """
        kelvin = wall + (self.kelvin - wall) * math.exp(-dt / self._lag)
        scale = kelvin * amount / (self.kelvin * self.amount)
        free = self.volume < self.tank and abs(line - self.pressure) >= 0.98 * self._friction
        self.kelvin, self.amount = kelvin, amount
        if free:
            self.volume *= scale
            if self.volume > self.tank:
                self.pressure *= self.volume / self.tank
                self.volume = self.tank
        else:
            self.pressure *= scale

    def gas_at(self, line: float) -> tuple[float, float]:
        """Return the gas volume [m³] at a ``line`` pressure [Pa absolute] and minus its slope [m³/Pa]."""
        low, high = line - self._friction, line + self._friction
        if low >= self.pressure:
            pressure = low
        elif high <= self.pressure:
            pressure = high
        else:
            return self.volume, 0.0
        if pressure < 1.0:
            return self.tank, 0.0
        volume = self.volume * math.pow(self.pressure / pressure, self._k)
        if volume >= self.tank:
            return self.tank, 0.0
        return volume, volume * self._k / pressure

    def settle(self, line: float) -> None:
        """Take the volume that belongs to the ``line`` pressure, with the heat of that compression."""
        volume, _ = self.gas_at(line)
        self.kelvin *= math.pow(self.volume / volume, GAMMA - 1.0)
        self.volume = volume
        self.pressure = self.amount * self.kelvin / volume
