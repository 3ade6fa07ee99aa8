"""How one tank of given volume and charge fares: what it takes, the peaks, how far its charge may fall."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.physics.cushion import pressure_after
from monitor.sizing.result import Floors, Peaks, Tank, Weight

ADIABATIC: Final = 1.4
"""Exponent of air that gives off no heat: the bound of a fast compression."""

NEAR_RELIEF: Final = 0.9
"""Share of the relief setting that a full recovery should not reach (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Duty:
    """What a tank has to do: growth [m³]; cold, highest, relief [gauge Pa]; air outside [Pa]."""

    growth: float
    cold: float
    highest: float
    relief: float | None
    outside: float


def tank(volume: float, charge: float, duty: Duty) -> Tank:
    """Return how a tank of ``volume`` [m³] charged to ``charge`` [gauge Pa] fares in ``duty``.

    Pipes and shell are taken as rigid, which errs to the safe side: they would take some of the growth.
    """
    p0, p1, p2 = (p + duty.outside for p in (charge, duty.cold, duty.highest))
    start = max(p0, p1)
    acceptance = max(volume * (p0 / start - p0 / p2), 0.0)
    peaks = Peaks(_slow(volume, p0, p1, duty), _fast(volume, p0, p1, duty))
    enough = peaks.slow <= duty.highest * (1.0 + 1e-9)
    return Tank(volume, charge, duty.cold, acceptance, peaks, _floors(volume, duty), enough)


def _slow(volume: float, p0: float, p1: float, duty: Duty) -> float:
    return float(pressure_after(p0 * volume, 0.0, p1, duty.growth, p0)) - duty.outside


def _fast(volume: float, p0: float, p1: float, duty: Duty) -> float:
    start = max(p0, p1)
    gas = p0 * volume / start
    if duty.growth >= gas:
        return math.inf
    return float(start * (gas / (gas - duty.growth)) ** ADIABATIC) - duty.outside


def _floors(volume: float, duty: Duty) -> Floors:
    def floor(peak: float) -> float:
        # Boyle: growth = A (1/P1 - 1/P2), and A = (charge + outside) volume.
        if peak <= duty.cold:
            return math.inf
        air = duty.growth / (1.0 / (duty.cold + duty.outside) - 1.0 / (peak + duty.outside))
        return air / volume - duty.outside

    if duty.relief is None:
        return Floors(floor(duty.highest), None, None)
    return Floors(floor(duty.highest), floor(NEAR_RELIEF * duty.relief), floor(duty.relief))


def weight(one: Tank, duty: Duty, density: float, empty: float | None) -> Weight:
    """Return what the bracket of a tank carries; ``density`` [kg/m³] of the cold water."""
    gas = one.volume
    if math.isfinite(one.peaks.slow):
        gas = one.volume * (one.precharge + duty.outside) / (one.peaks.slow + duty.outside)
    filled = one.volume - gas if math.isfinite(one.peaks.slow) else one.volume
    shell = empty or 0.0
    return Weight(filled * density + shell, one.volume * density + shell, empty)
