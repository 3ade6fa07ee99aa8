"""Whether a sensor drops out: leaps to one and the same value beyond the line's own, stands there, leaps back.

A draw, a shut valve or a surge takes a line somewhere else each time, and leads back over what lies between; a
loose wire leads to the same end of the scale within one reading, and what lies behind it goes on as before.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.diagnosis.signs.sensor_range import Beyond
from monitor.estimation.plant import Plant
from monitor.estimation.samples import Samples

_NOTHING: Final = 5.0  # kPa gauge: at or below it a line has no pressure
_NO_RELIEF: Final = 1000.0  # kPa, where no relief setting is known
_LEAP: Final = 100.0  # kPa within one reading
_WITHIN: Final = 120.0  # s
_STANDS: Final = 1.0  # kPa
_BACK: Final = 0.25  # of the leap, by which the line may have gone on meanwhile
_TIMES: Final = 6
_SPAN: Final = 2.0 * 3600.0
_WINDOW: Final = 14.0 * 86400.0
_KEPT: Final = 24


@dataclass(slots=True)
class _Run:
    since: float
    before: float  # kPa; NaN where the way there was no leap
    low: float
    high: float


class Drops:
    """Follows leaps to values beyond the line's own and back."""

    def __init__(self, plant: Plant) -> None:
        self._high = _NO_RELIEF if plant.relief is None else plant.relief / 1000.0
        self._tail: tuple[float, float] | None = None
        self._run: _Run | None = None
        self._times: list[tuple[float, float]] = []  # since when, kPa

    def take(self, rows: Samples) -> None:
        """Take the rows of an hour."""
        p = rows.pressure
        if self._run is not None or float(np.min(p)) <= _NOTHING or float(np.max(p)) >= self._high:
            self._follow(rows)
        self._tail = float(rows.time[-1]), float(p[-1])

    def _follow(self, rows: Samples) -> None:
        time, p = rows.time, rows.pressure
        if self._tail is not None:
            time, p = np.append(self._tail[0], time), np.append(self._tail[1], p)
        out = (p <= _NOTHING) | (p >= self._high)
        leaps = (np.abs(np.diff(p)) >= _LEAP) & (np.diff(time) <= _WITHIN)
        edges = np.flatnonzero(out[1:] != out[:-1]) + 1
        first = 0
        for edge in (*edges.tolist(), len(p)):
            if self._run is not None:
                self._run.low = min(self._run.low, float(np.min(p[first:edge])))
                self._run.high = max(self._run.high, float(np.max(p[first:edge])))
            if edge == len(p):
                return
            leapt = bool(leaps[edge - 1])
            if out[edge]:
                before = float(p[edge - 1]) if leapt else np.nan
                self._run = _Run(float(time[edge]), before, np.inf, -np.inf)
            else:
                self._close(float(p[edge]), leapt)
            first = edge

    def _close(self, after: float, leapt: bool) -> None:
        run, self._run = self._run, None
        if run is None or not leapt or run.high - run.low > _STANDS:
            return
        if abs(after - run.before) <= _BACK * abs(
            run.low - run.before
        ):  # never where the way there was no leap
            self._times = [*self._times[1 - _KEPT :], (run.since, run.low)]

    def seen(self, at: float) -> Beyond | None:
        """Return the value that the sensor drops to, None while it has not done so often enough."""
        if len(self._times) < _TIMES:
            return None
        value = self._times[-1][1]
        same = [since for since, low in self._times if abs(low - value) <= _STANDS and at - since <= _WINDOW]
        if len(same) < _TIMES or same[-1] - same[0] < _SPAN:
            return None
        return Beyond("drops", same[0], value, 0.97)

    def clear(self) -> None:
        """Believe the sensor again."""
        self._times = []

    @property
    def last(self) -> float:
        """Return when the sensor last dropped out."""
        return self._times[-1][0] if self._times else 0.0
