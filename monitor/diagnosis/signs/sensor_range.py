"""Whether a pressure is one that this line cannot have: a broken wire, the end of the scale, a short circuit.

NAMUR NE 43 puts the failure of a 4 to 20 mA transmitter at or below 3.6 and at or above 21 mA: with a span of
unknown size that is 2.5 % of it below zero, or 6 % above its end. Water under tension does not stay in a pipe.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.estimation.plant import Plant
from monitor.estimation.samples import Samples

_VACUUM: Final = 0.9  # of the atmosphere, below it
_VACUUM_FOR: Final = 60.0  # s
_BELOW: Final = -5.0  # kPa: more than a sensor at zero is wrong by
_BELOW_EMPTY: Final = -8.0
_BELOW_FOR: Final = 3600.0
_EMPTY_FOR: Final = 12 * 3600.0
_HEATED: Final = 300.0  # s: nobody heats a drained system
_CALM: Final = 2.0  # kPa
_ABOVE: Final = 1.3  # of the relief setting
_BEFORE: Final = 0.9
_ABOVE_FOR: Final = 300.0
_ABOVE_STILL: Final = 3600.0  # s without any move: neither heat nor a draw reaches that reading
_NO_RELIEF: Final = 2000.0  # kPa: above any water service, where no relief setting is known
_LEAP_WITHIN: Final = 120.0  # s
_SPIKES: Final = 10  # a day
_SPIKE_DAYS: Final = 2
_SPIKE_LOW: Final = -0.2  # of the atmosphere
_SPIKE_HIGH: Final = 1.5
_ROWS: Final = 3
_DAY: Final = 86400.0

Flags = NDArray[np.bool_]


@dataclass(slots=True)
class _Run:
    since: float | None = None
    low: float = 0.0
    high: float = 0.0
    rows: int = 0
    heated: float = 0.0
    leapt: bool = False


@dataclass(frozen=True, slots=True)
class Beyond:
    """A pressure that cannot be, since ``since``; ``value`` in kPa."""

    kind: str
    since: float
    value: float
    probability: float


class Range:
    """Follows rows that lie outside what is possible."""

    def __init__(self, plant: Plant) -> None:
        self._vacuum = -_VACUUM * plant.atmosphere / 1000.0
        self._high = _NO_RELIEF if plant.relief is None else _ABOVE * plant.relief / 1000.0
        self._usual = _NO_RELIEF / 2.0 if plant.relief is None else _BEFORE * plant.relief / 1000.0
        self._spiked = (
            _SPIKE_LOW * plant.atmosphere / 1000.0,
            np.inf if plant.relief is None else _SPIKE_HIGH * plant.relief / 1000.0,
        )
        self._runs = {"vacuum": _Run(), "below": _Run(), "above": _Run()}
        self._tail: tuple[float, float] | None = None
        self._days: list[tuple[int, int]] = []
        self.inside = 0.0  # since when all rows have been possible

    def take(self, rows: Samples) -> None:
        """Take the rows of an hour."""
        p = rows.pressure
        if float(np.min(p)) >= _BELOW and float(np.max(p)) <= self._high:
            for run in self._runs.values():
                run.since = None
            self.inside = self.inside or float(rows.time[0])
        else:
            self.inside = 0.0
            self._follow("vacuum", rows, p < self._vacuum)
            self._follow("below", rows, p < _BELOW)
            self._follow("above", rows, p > self._high)
            self._spikes(rows)
        self._tail = float(rows.time[-1]), float(p[-1])

    def _follow(self, kind: str, rows: Samples, bad: Flags) -> None:
        run = self._runs[kind]
        good = np.flatnonzero(~bad)
        first = int(good[-1]) + 1 if len(good) else 0
        if first >= len(rows):
            run.since = None
            return
        p = rows.pressure[first:]
        if len(good) or run.since is None:
            run.since, run.rows, run.heated = float(rows.time[first]), 0, 0.0
            run.low, run.high = float(np.min(p)), float(np.max(p))
            before = (float(rows.time[first - 1]), float(rows.pressure[first - 1])) if first else self._tail
            run.leapt = (
                before is not None and run.since - before[0] <= _LEAP_WITHIN and 0.0 < before[1] < self._usual
            )
        run.low, run.high = min(run.low, float(np.min(p))), max(run.high, float(np.max(p)))
        run.rows += len(p)
        on = rows.heater[first:] > 0.5
        run.heated += float(np.sum(np.diff(rows.time[first:])[on[1:]])) if len(p) > 1 else 0.0

    def _spikes(self, rows: Samples) -> None:
        p = rows.pressure
        out = (p < self._spiked[0]) | (p > self._spiked[1])
        lone = out[1:-1] & ~out[:-2] & ~out[2:]
        count, day = int(np.count_nonzero(lone)), int(rows.time[0] // _DAY)
        if self._days and self._days[-1][0] == day:
            self._days[-1] = day, self._days[-1][1] + count
        else:
            self._days = [*self._days[-2:], (day, count)]

    def beyond(self, at: float) -> Beyond | None:
        """Return the pressure that cannot be, None while all is possible."""
        for kind, probability in (("vacuum", 0.99), ("above", 0.97), ("below", 0.97)):
            run = self._runs[kind]
            if run.since is not None and run.rows >= _ROWS and self._long(kind, run, at - run.since):
                return Beyond(kind, run.since, run.high if kind == "above" else run.low, probability)
        many = [day for day, count in self._days if count >= _SPIKES]
        if len(many) >= _SPIKE_DAYS and many[-1] - many[-2] == 1:
            return Beyond("spikes", many[0] * _DAY, float(self._days[-1][1]), 0.96)
        return None

    @staticmethod
    def _long(kind: str, run: _Run, lasted: float) -> bool:
        if kind == "vacuum":
            return lasted >= _VACUUM_FOR
        if kind == "above":
            still = run.high - run.low <= _CALM and run.heated >= _HEATED and lasted >= _ABOVE_STILL
            return still or (run.leapt and lasted >= _ABOVE_FOR)
        calm = run.high - run.low <= _CALM
        if run.heated >= _HEATED:
            return calm and lasted >= _BELOW_FOR
        return calm and lasted >= _EMPTY_FOR and run.high < _BELOW_EMPTY

    def possible_again(self, at: float) -> bool:
        """Whether all rows of a day were possible."""
        return self.inside > 0.0 and at - self.inside >= _DAY
