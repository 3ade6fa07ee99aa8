"""What comes from outside: street pressure, cold water and room temperature, wandering by seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.spec import HeaterSpec, SupplySpec

FloatArray = NDArray[np.float64]
DAY = 86400.0
STEP = 60.0  # grid of the weather [s]


@dataclass(frozen=True, slots=True)
class Weather:
    """One day on a grid of ``STEP``: seconds from the run's start, gauge Pa, °C."""

    time: FloatArray
    street: FloatArray
    cold: float
    room: FloatArray


class Climate:
    """Street pressure and temperatures day by day; hourly noise goes on smoothly over midnight.

    ``local``: epoch of the run by the clock on the wall, UTC offset included [s].
    """

    def __init__(
        self, supply: SupplySpec, heater: HeaterSpec, rng: np.random.Generator, local: float
    ) -> None:
        self._supply, self._heater, self._rng, self._local = supply, heater, rng, local
        self._hourly = float(rng.normal()) * supply.noise
        self._warm = 0.0

    def _walk(self, first: float, scale: float, memory: float, n: int) -> FloatArray:
        """Return ``n`` values of a first-order autoregression that starts at ``first``."""
        kicks = self._rng.normal(0.0, scale * np.sqrt(1.0 - memory**2), n - 1)
        out = [first]
        for kick in kicks:
            out.append(memory * out[-1] + float(kick))
        return np.array(out)

    def day(self, start: float) -> Weather:
        """Return the 24 h from ``start`` [s from the run's start] and one grid point more."""
        supply = self._supply
        t = start + np.arange(0.0, DAY + STEP / 2, STEP)
        hour = (self._local + t) % DAY / 3600.0
        noise = self._walk(self._hourly, supply.noise, 0.8, 25)
        self._hourly = float(noise[-1])
        smooth = np.interp((t - start) / 3600.0, np.arange(25.0), noise)
        # The street gives way while the neighbourhood draws: two humps a day, a quiet high night.
        busy = np.exp(-(((hour - 7.5) / 1.5) ** 2)) + 0.8 * np.exp(-(((hour - 19.0) / 2.0) ** 2))
        fine = self._rng.normal(0.0, 0.15 * supply.noise, len(t))
        night = supply.swing * np.cos(2.0 * np.pi * (hour - 3.0) / 24.0)
        street = supply.pressure + night - supply.use * busy + smooth + fine
        return Weather(t, street, self._cold(start), self._room(t, hour, start))

    def _cold(self, start: float) -> float:
        """Cold water: coldest in mid February, warmest in mid August. [°C]."""
        supply = self._supply
        year = ((self._local + start) / DAY / 365.25) % 1.0
        return supply.cold_mean - supply.cold_swing * float(np.cos(2.0 * np.pi * (year - 0.126)))

    def _room(self, t: FloatArray, hour: FloatArray, start: float) -> FloatArray:
        slow = self._walk(self._warm, 0.7, 0.7, 5)
        self._warm = float(slow[-1])
        drift = np.interp((t - start) / DAY, np.linspace(0.0, 1.0, 5), slow)
        return self._heater.room + np.cos(2.0 * np.pi * (hour - 17.0) / 24.0) + drift
