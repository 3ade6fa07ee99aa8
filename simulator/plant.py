"""A plant: climate, draws, heater and line together, simulated day by day.

Heater and line are solved one after the other, since pressure does not act back on heat. All randomness
comes from one generator, so the same spec and seed give the same days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.climate import Climate, Weather
from simulator.cushion import KELVIN, Cushion
from simulator.draws import DAY, Draws, events_of_day, superpose
from simulator.faults import VISIT, VISITS, AirHistory, Kind
from simulator.heater import Heater, Heating
from simulator.network import Network, Step
from simulator.spec import PlantSpec
from simulator.water import density

FloatArray = NDArray[np.float64]
_AFTER_EDGE = np.array([0.0, 1.0, 2.0, 3.0, 5.0, 8.0, 13.0, 21.0, 34.0])  # steps after a tap moves
_REST = 30.0  # longest step of the line [s]


@dataclass(frozen=True, slots=True)
class Trace:
    """The true course of one day; times in seconds from the start of the run, pressures gauge [Pa].

    ``line`` pressure at the tank, ``inflow`` from the street [m³/s], ``relieving`` where the relief valve
    passes water, ``charge`` the true air charge.
    """

    start: float
    end: float
    time: FloatArray
    line: FloatArray
    inflow: FloatArray
    relieving: NDArray[np.bool_]
    charge: FloatArray
    weather: Weather
    draws: Draws
    heating: Heating


class Plant:
    """One simulated site; call `day` again and again."""

    def __init__(self, spec: PlantSpec, rng: np.random.Generator, epoch: float) -> None:
        climate, self._rng = rng.spawn(2)
        self.spec, self.epoch, self.clock = spec, epoch, 0.0
        self._local = epoch + spec.utc_offset(epoch)
        self._climate = Climate(spec.supply, spec.heater, climate, self._local)
        self.heater = Heater(spec.heater)
        self.air = AirHistory(spec.tank.precharge, spec.atmosphere, spec.tank.seep, spec.faults)
        charge = float(self.air.at(np.zeros(1))[0]) + spec.atmosphere
        cushion = Cushion(spec.tank, charge, spec.heater.room)
        still = (spec.supply.regulator or spec.supply.pressure) + spec.atmosphere
        self.network = Network(spec.supply, spec.line, spec.relief, cushion, spec.atmosphere, still)
        self._late = np.empty((0, 4))  # draws that began the day before and still run

    def day(self) -> Trace:
        """Simulate the next 24 hours."""
        start, end = self.clock, self.clock + DAY
        weather = self._climate.day(start)
        draws = self._draws(start, end)
        heating = self.heater.run(draws, end, weather.cold)
        time, steps, charge = self._steps(start, end, weather, draws, heating)
        rows = self._flow(steps)
        self.clock = end
        line, inflow, relieving = (np.array(column) for column in zip(*rows, strict=True))
        return Trace(
            start, end, time, line - self.spec.atmosphere, inflow, relieving, charge, weather, draws, heating
        )

    def _draws(self, start: float, end: float) -> Draws:
        fresh = events_of_day(self.spec.draws, self._rng, start, (self._local + start) % DAY)
        events = np.concatenate([self._late, fresh])
        self._late = events[events[:, 0] + events[:, 1] > end]
        return superpose(events, start, end, self.visits())

    def visits(self) -> list[tuple[float, float]]:
        """Return the spans in which a visit keeps the water side relieved. [s from the start]."""
        return [(f.day * DAY, f.day * DAY + VISIT) for f in self.spec.faults if f.kind in VISITS]

    def _flow(self, steps: list[Step]) -> list[tuple[float, float, bool]]:
        network = self.network
        rows = [(network.pressure, network.inflow, False)]
        for step in steps:
            passed = network.advance(step)
            rows.append((network.pressure, network.inflow, passed))
        return rows

    def _grid(self, start: float, end: float, draws: Draws, heating: Heating) -> FloatArray:
        """Fine after each move of a tap, as fine as the heater while it heats, coarse at rest."""
        edges = [t for span in self.visits() for t in span]
        parts = [
            (draws.time[:, None] + _AFTER_EDGE).ravel(), heating.time, np.arange(start, end, _REST),
            np.array(edges), [start, end],
        ]  # fmt: skip
        t = np.unique(np.concatenate(parts))
        t = t[(t >= start) & (t <= end)]
        return np.asarray(t[np.append(np.diff(t) > 0.05, True)])

    def _steps(
        self, start: float, end: float, weather: Weather, draws: Draws, heating: Heating
    ) -> tuple[FloatArray, list[Step], FloatArray]:
        spec = self.spec
        t = self._grid(start, end, draws, heating)
        later = t[1:]
        mass = np.interp(t, heating.time, heating.mass)
        growth = -np.diff(mass) / density(weather.cold)
        flow = draws.hot + draws.cold
        taken = np.concatenate([[0.0], np.cumsum(flow[:-1] * np.diff(draws.time))])
        ends = np.append(draws.time, end)
        drawn = np.diff(np.interp(t, ends, np.append(taken, taken[-1] + flow[-1] * (end - draws.time[-1]))))
        dt = np.diff(t)
        draw = np.where(drawn < 1e-12, 0.0, drawn / dt)
        street, source, passing = self._entry(later, weather)
        charge = self.air.at(t)
        amount = (charge[1:] + spec.atmosphere) * spec.tank.volume / (spec.heater.room + KELVIN)
        wall = np.interp(later, weather.time, weather.room) + KELVIN
        columns = [
            dt, growth, draw, source, street, passing,
            self._conductance(later, Kind.CREEP), self._conductance(later, Kind.WATER_LEAK), amount, wall,
        ]  # fmt: skip
        return t, [Step(*row) for row in zip(*(c.tolist() for c in columns), strict=True)], charge

    def _conductance(self, t: FloatArray, kind: Kind) -> FloatArray:
        out = np.zeros_like(t)
        for fault in self.spec.faults:
            if fault.kind is kind:
                out[fault.active(t, lasting=True)] += fault.size
        return out

    def _entry(self, t: FloatArray, weather: Weather) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return street pressure, pressure behind valve and regulator, and backward conductance."""
        supply, atmosphere = self.spec.supply, self.spec.atmosphere
        street = np.interp(t, weather.time, weather.street) + atmosphere
        for fault in self.spec.faults:
            if fault.kind is Kind.SUPPLY_HIGH:
                street[fault.active(t, lasting=True)] += fault.size
        source = street if supply.regulator is None else np.minimum(street, supply.regulator + atmosphere)
        passing = self._conductance(t, Kind.CHECK_PASSING)
        if supply.check == "absent":
            passing = passing + 1.0 / supply.laminar
        else:
            source = source - supply.cracking
            passing = passing + (supply.passing if supply.check == "leaking" else 0.0)
        for first, last in self.visits():
            # The water side stands open to the room: the "street" is the atmosphere for a while.
            relieved = (t > first) & (t <= last)
            source = np.where(relieved, atmosphere, source)
            passing = np.where(relieved, 1.0 / supply.laminar, passing)
        return street, source, passing
