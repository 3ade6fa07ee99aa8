"""The closed line: pressure from what flows in, what grows, what is drawn and what yields.

Every step solves one balance of volume for the pressure at its end (implicit, so stiff lines are stable).
Where water shrinks by more than cushion and street can make good, it does not pull: it boils, and a pocket
of vapour takes the missing volume until water comes back. Pressures absolute [Pa], flows [m³/s] of line water.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from simulator.cushion import Cushion
from simulator.spec import LineSpec, ReliefSpec, SupplySpec

VAPOUR = 2339.0
"""Pressure at which water of 20 °C boils: no line comes lower. [Pa] (IAPWS-IF97, region 4)"""

_EXACT = 1e-13  # a balance of volume that is off by no more has been solved [m³]
FULL_FLOW = 100e3  # taps give their nominal flow above this gauge pressure, less below [Pa]
_RELIEF_FLOW = 3e-4  # a relief valve that is 10 % over its opening pressure passes this [m³/s]


class Step(NamedTuple):
    """What one step brings: duration [s], growth of the heater's water [m³], drawn flow and conditions.

    ``source`` pressure behind the check valve and ``street`` before the regulator [Pa absolute];
    ``passing``, ``creep``, ``leak``: conductances [m³/(s Pa)]; ``amount`` of gas [J/K]; ``wall`` [K].
    """

    dt: float
    growth: float
    draw: float
    source: float
    street: float
    passing: float
    creep: float
    leak: float
    amount: float
    wall: float


@dataclass(slots=True)
class Ledger:
    """Volumes since the start: in from the street, drawn, out by the relief valve, leaked, grown. [m³]."""

    inflow: float = 0.0
    drawn: float = 0.0
    relief: float = 0.0
    leaked: float = 0.0
    growth: float = 0.0


class Network:
    """State of the closed line: its pressure, its cushion, its relief valve and its books."""

    def __init__(
        self,
        supply: SupplySpec,
        line: LineSpec,
        relief: ReliefSpec,
        cushion: Cushion,
        atmosphere: float,
        start: float,
    ) -> None:
        if line.compliance <= 0.0:
            raise ValueError(
                f"compliance={line.compliance:g} m³/Pa: no line is quite rigid; give more than 0"
            )
        self.cushion = cushion
        self.pressure = start
        self.vapour = 0.0  # volume that neither water nor gas fills [m³]
        self.books = Ledger()
        self.inflow = 0.0  # flow during the last step
        self._a, self._b = supply.laminar, supply.turbulent
        self._ce = line.compliance
        self._air = line.trapped * 101325.0  # isothermal pocket: p·V
        self._atm = atmosphere
        setting = relief.setting * (1.0 + relief.tolerance)
        self.opens = setting + atmosphere
        self._reseats = setting * relief.reseat + atmosphere
        self._saw = relief.style == "saw"
        self._lift = _RELIEF_FLOW / (0.1 * setting)
        cushion.settle(start)

    def stored(self) -> float:
        """Return the volume of water in the line above an arbitrary zero. [m³]."""
        p = self.pressure
        return self._ce * p - self.cushion.volume - self._air / p - self.vapour

    def advance(self, step: Step) -> bool:
        """Take one step; return whether the relief valve passed water in it."""
        before = self.stored()
        self.cushion.relax(step.dt, step.amount, step.wall, self.pressure)
        self.pressure, self.vapour = self._solve(step, before)
        self._book(step)
        self.cushion.settle(self.pressure)
        passed = not self._saw and self.pressure > self.opens
        if self._saw and self.pressure > self.opens:
            self._pop()
            passed = True
        return passed

    def _solve(self, step: Step, before: float) -> tuple[float, float]:
        """Return pressure and vapour with which storage and flows agree: Newton, kept inside a bracket."""
        p = self.pressure
        gap, slope = self._gap(step, p, before)
        # All parts give way in the same sense, and the elastic ones alone already close the gap here.
        low, high = sorted((p, p - gap / self._ce))
        if low < VAPOUR:
            low = VAPOUR
            missing, _ = self._gap(step, low, before)
            if missing >= 0.0:
                return low, missing
        count = 0
        while abs(gap) > _EXACT:
            count += 1
            trial = p - gap / slope
            # Where the bladder meets its stop the slope jumps and Newton may hop to and fro: halve then.
            if not low <= trial <= high or count % 6 == 0:
                trial = 0.5 * (low + high)
            if trial == p:
                break  # no number lies between
            p = trial
            gap, slope = self._gap(step, p, before)
            if gap > 0.0:
                high = p
            else:
                low = p
        return p, 0.0

    def _gap(self, step: Step, p: float, before: float) -> tuple[float, float]:
        """Return what more than there is would be stored at ``p`` [m³], and its slope [m³/Pa]."""
        gas, yielding = self.cushion.gas_at(p)
        flow, opening = self._flow(step, p)
        gap = self._ce * p - gas - self._air / p - before - step.growth - step.dt * flow
        return gap, self._ce + yielding + self._air / (p * p) + step.dt * opening

    def _flow(self, step: Step, p: float) -> tuple[float, float]:
        """Return the net flow into the line at pressure ``p`` and minus its slope."""
        flow, slope = self._street(step, p)
        gauge = p - self._atm
        if step.draw:
            share = gauge / FULL_FLOW
            if share >= 1.0:
                flow -= step.draw
            elif share > 0.0:
                flow -= step.draw * share
                slope += step.draw / FULL_FLOW
        if step.leak and gauge > 0.0:
            flow -= step.leak * gauge
            slope += step.leak
        if not self._saw and p > self.opens:
            flow -= self._lift * (p - self.opens)
            slope += self._lift
        return flow, slope

    def _street(self, step: Step, p: float) -> tuple[float, float]:
        drop = step.source - p
        if drop > 0.0:
            root = math.sqrt(self._a * self._a + 4.0 * self._b * drop)
            flow, slope = 2.0 * drop / (self._a + root), 1.0 / root
        else:
            flow, slope = step.passing * drop, step.passing
        if step.creep and step.street > p:
            flow += step.creep * (step.street - p)
            slope += step.creep
        return flow, slope

    def _book(self, step: Step) -> None:
        books, p, dt = self.books, self.pressure, step.dt
        gauge = max(0.0, p - self._atm)
        self.inflow, _ = self._street(step, p)
        books.inflow += dt * self.inflow
        books.drawn += dt * step.draw * min(1.0, gauge / FULL_FLOW)
        books.leaked += dt * step.leak * gauge
        books.growth += step.growth
        if not self._saw and p > self.opens:
            books.relief += dt * self._lift * (p - self.opens)

    def _pop(self) -> None:
        """Let a popping valve blow down to its reseating pressure at once."""
        before = self.stored()
        self.pressure = self._reseats
        self.cushion.settle(self.pressure)
        self.books.relief += before - self.stored()
