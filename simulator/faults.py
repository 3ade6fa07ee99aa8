"""What goes wrong at a plant, each with the instant at which it truly begins.

Times are in days from the start of the run. The air charge over time is prescribed, so its truth is exact.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
DAY = 86400.0
VISIT = 2400.0  # the water side stands relieved at a visit [s]
_OPENING, _PUMPING = 600.0, 900.0  # then the line is empty of pressure, then the pump runs [s]
_DROWNED = 2.5e3  # absolute pressure of the last trace of gas: a drowned tank is not quite rigid. [Pa]


class Kind(StrEnum):
    """Faults (and visits) that can be put in; ``size`` means what its line says."""

    LOSS = "loss"  # air charge falls exponentially; size: share of the gauge charge per day
    LEAK = "leak"  # air charge falls at a constant rate; size: Pa per day
    SEEP = "seep"  # air goes through the bladder into the water; size: share of the absolute charge per day
    TEAR = "tear"  # diaphragm tears, the air leaves with the draws; size: hours to lose 63 %
    WATERLOGGED = "waterlogged"  # no air, from the start or (within the hour) from this day on; size: unused
    GAUGE = "gauge"  # a visit reads the charge and leaves it; size: unused
    REFILL = "refill"  # a visit pumps the charge up; size: gauge Pa
    REPLACE = "replace"  # a visit fits a new tank, all losses end; size: gauge Pa
    SILENT = "silent"  # all devices of the site send nothing; size: days
    PRESSURE_SILENT = "pressure_silent"  # the pressure sensor sends nothing; size: days
    FROZEN = "frozen"  # the pressure sensor repeats its last value; size: days
    DRIFT = "drift"  # the pressure sensor drifts; size: Pa per day
    HEATER_MISSING = "heater_missing"  # no heater state; size: days
    HEATER_INVERTED = "heater_inverted"  # heater state upside down; size: days
    CHECK_PASSING = "check_passing"  # check valve lets water back; size: m³/(s Pa)
    CREEP = "creep"  # regulator seat passes; size: m³/(s Pa)
    WATER_LEAK = "water_leak"  # water is lost from the closed line; size: m³/(s Pa)
    SUPPLY_HIGH = "supply_high"  # street pressure steps up; size: Pa


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault or visit: ``day`` from the start of the run, ``size`` in the unit of its kind."""

    kind: Kind
    day: float
    size: float = 0.0

    def active(self, t: FloatArray, lasting: bool = False) -> NDArray[np.bool_]:
        """Return where seconds-from-start ``t`` lie in the fault (``lasting``: it has no end)."""
        begun = t >= self.day * DAY
        return begun if lasting else begun & (t < (self.day + self.size) * DAY)


VISITS = (Kind.GAUGE, Kind.REFILL, Kind.REPLACE)
_PUMPED = (Kind.REFILL, Kind.REPLACE)
_AIR = (Kind.LOSS, Kind.LEAK, Kind.SEEP, Kind.TEAR, Kind.WATERLOGGED, *_PUMPED)
_ENDED_BY_NEW_TANK = (Kind.LOSS, Kind.LEAK, Kind.SEEP, Kind.TEAR)


@dataclass(frozen=True, slots=True)
class _Spell:
    """From ``start`` [s] on, the charge [Pa gauge] begins at ``charge`` and follows one law."""

    start: float
    charge: float
    law: Kind
    size: float

    def at(self, t: FloatArray | float, atmosphere: float, seep: float) -> FloatArray:
        """Return the air charge at ``t``; never below the last trace of gas. [Pa gauge]."""
        days = (np.asarray(t, dtype=np.float64) - self.start) / DAY
        if self.law is Kind.GAUGE:  # somebody pumps
            return self.charge - self.size * days
        low = _DROWNED - atmosphere
        if self.law is Kind.TEAR:
            return low + (self.charge - low) * np.exp(-days * 24.0 / max(self.size, 1e-3))
        if self.law is Kind.SEEP:
            # The water takes up air below one atmosphere too: this ends with a drowned tank.
            return np.maximum((self.charge + atmosphere) * np.exp(-self.size * days) - atmosphere, low)
        if self.law is Kind.LOSS:
            return self.charge * np.exp(-self.size * days)
        rate = self.size if self.law is Kind.LEAK else seep
        # Out of a gauge charge of zero no air is driven any more.
        return np.maximum(self.charge - rate * days, min(self.charge, 0.0))


class AirHistory:
    """The air charge that a plant has at any time, from its precharge and its faults."""

    def __init__(self, precharge: float, atmosphere: float, seep: float, faults: Iterable[Fault]) -> None:
        self._atmosphere, self._seep = atmosphere, seep
        self._spells = [_Spell(0.0, precharge, Kind.REFILL, 0.0)]
        standing = self._spells[0]
        for fault in sorted((f for f in faults if f.kind in _AIR), key=lambda f: f.day):
            self._spells += self._next(standing, fault)
            standing = self._spells[-1]

    def _next(self, before: _Spell, fault: Fault) -> list[_Spell]:
        start = fault.day * DAY
        charge = float(before.at(start, self._atmosphere, self._seep))
        if fault.kind in _PUMPED:
            # The hole of an old tank is still there after it was pumped up.
            stays = fault.kind is Kind.REFILL and before.law in _ENDED_BY_NEW_TANK
            law, size = (before.law, before.size) if stays else (Kind.REPLACE, 0.0)
            rate = (charge - fault.size) / _PUMPING * DAY
            pumping = _Spell(start + _OPENING, charge, Kind.GAUGE, rate)
            return [pumping, _Spell(start + _OPENING + _PUMPING, fault.size, law, size)]
        if fault.kind is Kind.WATERLOGGED and start == 0.0:
            return [_Spell(start, _DROWNED - self._atmosphere, fault.kind, 0.0)]
        if fault.kind is Kind.WATERLOGGED:
            return [_Spell(start, charge, Kind.TEAR, 0.1)]  # no tank fills with water in no time
        return [_Spell(start, charge, fault.kind, fault.size)]

    def at(self, t: FloatArray) -> FloatArray:
        """Return the air charge, as a gauge on the relieved tank would read it. [Pa gauge].

        Parameters
        ----------
        t : array
            Time from the start of the run. [s]
        """
        which = np.searchsorted([s.start for s in self._spells], t, side="right") - 1
        out = np.empty_like(t)
        for i, spell in enumerate(self._spells):
            mine = which == i
            if mine.any():
                out[mine] = spell.at(t[mine], self._atmosphere, self._seep)
        return out
