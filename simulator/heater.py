"""A storage heater in layers: thermostat with a dead-band, burner with thermal lag, mixing on inversion.

The heater knows nothing of pressure. It tells how much water it has pushed into the cold line, as the loss
of mass of its layers; that includes the growth of its steel shell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulator.draws import Draws
from simulator.spec import STEEL, HeaterSpec
from simulator.water import density, heat_capacity

FloatArray = NDArray[np.float64]
_BUSY, _QUIET = 6.0, 60.0  # longest steps [s] while drawing or heating, and at rest
_TURNOVER = 0.6  # largest share of a layer that one step may replace


@dataclass(frozen=True, slots=True)
class Heating:
    """What the heater did: per step its time [s], mass [kg], burner state and probe temperature [°C]."""

    time: FloatArray
    mass: FloatArray
    on: NDArray[np.bool_]
    probe: FloatArray


def mix(layers: list[float]) -> list[float]:
    """Return layers (bottom first) with every inversion mixed out; heat is conserved.

    >>> mix([50.0, 20.0, 30.0, 60.0])
    [33.333333333333336, 33.333333333333336, 33.333333333333336, 60.0]
    """
    pools: list[tuple[float, int]] = []
    for layer in layers:
        total, count = layer, 1
        while pools and pools[-1][0] * count > total * pools[-1][1]:
            below, n = pools.pop()
            total, count = total + below, count + n
        pools.append((total, count))
    return [total / count for total, count in pools for _ in range(count)]


class Heater:
    """State of one heater; `run` advances it through a stretch of constant flows."""

    def __init__(self, spec: HeaterSpec) -> None:
        n = spec.nodes
        self._spec = spec
        self.layers = [spec.setpoint - 1.0 if spec.start is None else spec.start] * n
        self.on = False
        self.flux = 0.0  # heat that reaches the water now [W]
        self._sensed = self.layers[0]
        self._at = min(n - 1, int(spec.thermostat * n))
        self._probe = min(n - 1, int(spec.probe * n))
        low, high = spec.heated
        share = [max(0.0, min(high, (i + 1) / n) - max(low, i / n)) for i in range(n)]
        total = sum(share)
        self._share = [s / total for s in share]
        self._unheated = [0.0] * n

    def mass(self, layers: FloatArray) -> FloatArray:
        """Return the mass of water in the heater for rows of layer temperatures. [kg]."""
        volume = self._spec.volume / self._spec.nodes * (1.0 + 3.0 * STEEL * (layers - 15.0))
        return np.asarray((volume * density(layers)).sum(axis=1))

    def run(self, draws: Draws, end: float, cold: float) -> Heating:
        """Advance through ``draws`` until ``end`` [s] with cold water at ``cold`` [°C]."""
        times, rows, states = [float(draws.time[0])], [self.layers], [self.on]
        volume = self._spec.volume / self._spec.nodes
        changed = np.flatnonzero(np.append(True, np.diff(draws.hot) != 0.0))
        edges = [*draws.time[changed].tolist(), end]
        for (begin, stop), hot in zip(pairwise(edges), draws.hot[changed].tolist(), strict=True):
            t = begin
            while t < stop - 1e-9:
                step = self._step(hot, volume)
                # No sliver at the end: two halves are cheaper than one long and one tiny step.
                dt = stop - t if stop - t <= step else min(step, 0.5 * (stop - t) + 0.01)
                self._advance(dt, hot * dt / volume, cold, volume)
                t += dt
                times.append(t)
                rows.append(self.layers)
                states.append(self.on)
        table = np.array(rows)
        return Heating(np.array(times), self.mass(table), np.array(states), table[:, self._probe])

    def _step(self, hot: float, volume: float) -> float:
        """Longest step that the present state allows. [s]."""
        if hot > 0.0:
            return min(_BUSY, _TURNOVER * volume / hot)
        return _BUSY if self.on or self.flux > 1.0 else _QUIET

    def _advance(self, dt: float, turnover: float, cold: float, volume: float) -> None:
        """Advance by ``dt`` [s] while ``turnover`` of each layer is replaced by the one below."""
        spec, old = self._spec, self.layers
        capacity = heat_capacity(old[len(old) // 2]) * volume
        leak = spec.standby * dt / (capacity * spec.nodes)
        blur = spec.destratify * dt * spec.nodes
        warming = self._heat(dt) / capacity
        heats = self._unheated if warming == 0.0 else [s * warming for s in self._share]
        below = [cold if turnover else old[0], *old[:-1]]
        above = [*old[1:], old[-1]]
        room, rest = spec.room, 1.0 - turnover - 2.0 * blur - leak
        if turnover:
            blur_below = turnover + blur
            layers = [
                rest * t + blur_below * b + blur * a + leak * room + h
                for t, b, a, h in zip(old, below, above, heats, strict=True)
            ]
            # The inlet brings cold water by flow, not by conduction.
            layers[0] += blur * (old[0] - cold)
        else:
            layers = [
                rest * t + blur * (b + a) + leak * room + h
                for t, b, a, h in zip(old, below, above, heats, strict=True)
            ]
        if any(a > b for a, b in pairwise(layers)):
            layers = mix(layers)
        self.layers = layers
        self._switch(dt)

    def _heat(self, dt: float) -> float:
        """Return the heat that reaches the water in ``dt``, through the lag of the metal. [J]."""
        spec = self._spec
        goal = spec.input * spec.efficiency if self.on else 0.0
        if self.flux == goal:
            return goal * dt
        fade = math.exp(-dt / spec.lag)
        heat = goal * dt + (self.flux - goal) * spec.lag * (1.0 - fade)
        self.flux = goal + (self.flux - goal) * fade
        if abs(self.flux - goal) < 0.2:
            # The last watt over the lag: some joules, so the sum of heat stays right.
            heat, self.flux = heat + (self.flux - goal) * spec.lag, goal
        return heat

    def _switch(self, dt: float) -> None:
        spec = self._spec
        self._sensed += (self.layers[self._at] - self._sensed) * dt / (20.0 + dt)
        if self.on and self._sensed >= spec.setpoint:
            self.on = False
        elif not self.on and self._sensed <= spec.setpoint - spec.differential:
            self.on = True
