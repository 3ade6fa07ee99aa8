"""Whether pressure answers to heat at all: burns against as many stretches of the same line without heat.

A sensor on the street's side, a state that belongs to another device, a valve that stands open: pressure
moves all the same, and some of it rises while the heater burns. Only where it rises more with heat than
without does a rise tell of a cushion. The two are compared by their ranks (Mann and Whitney 1947), so that
no distribution of what streets and taps do is assumed.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.burns import Burn
from monitor.estimation.pauses import Pauses
from monitor.estimation.samples import FloatArray, Samples

_SECONDS: Final = 240.0  # of a stretch: a burn of a fast heater and its tail
_QUIET: Final = 900.0  # s after burner-off: metal has given its heat, gas has settled
_LEAST: Final = 0.8  # of the stretch that rows must span
_ROWS: Final = 4
_KEPT: Final = 40
_PROVEN_BY: Final = 5  # of each kind
_DENIED_BY: Final = 8
_PROVEN: Final = 2.5  # standard deviations of the rank sum
_DENIED: Final = 1.5
_LASTS: Final = 72 * 3600.0  # s: what has been seen longer ago tells nothing of today
_AN_HOUR: Final = 2  # stretches without heat that an hour may give


@dataclass(frozen=True, slots=True)
class _Seen:
    time: float
    rise: float
    top: float


class Response:
    """Stretches of the last burns, and stretches without heat: time, rise and top of each [s, kPa, kPa]."""

    def __init__(self) -> None:
        self._with: deque[_Seen] = deque(maxlen=_KEPT)
        self._without: deque[_Seen] = deque(maxlen=_KEPT)
        self._pauses = Pauses(_QUIET)
        self._z: tuple[float, float] | None = None

    def burn(self, burn: Burn) -> None:
        """Take a burn with its tail."""
        rows = burn.rows
        on = np.flatnonzero(rows.heater > 0.5)
        if len(on) == 0:
            return
        first, last = float(rows.time[on[0]]), float(rows.time[on[-1]])
        start = max(first, last - _SECONDS)
        seen = _look(rows, start, start + _SECONDS)
        if seen is not None:
            self._with.append(seen)
            self._forget(burn.at)

    def hour(self, rows: Samples) -> None:
        """Take the rows of an hour."""
        if len(rows) == 0:
            return
        found: list[_Seen] = []
        for pause in self._pauses.of(rows):
            # From the middle of the pause: as far from any burn as it goes.
            start = 0.5 * float(pause.time[0] + pause.time[-1]) - _SECONDS
            for part in range(_AN_HOUR):
                begin = start + part * _SECONDS
                seen = _look(pause, begin, begin + _SECONDS)
                found += [] if seen is None else [seen]
        self._without.extend(found[:_AN_HOUR])
        self._forget(float(rows.time[-1]))

    @property
    def proven(self) -> bool:
        """Whether pressure clearly rises more with heat than without."""
        return min(len(self._with), len(self._without)) >= _PROVEN_BY and self._ranked()[0] >= _PROVEN

    @property
    def denied(self) -> bool:
        """Whether many burns have made pressure neither rise more nor stand higher than it does without them.

        A line without a cushion is up within a minute and rises no more: it stands high.
        """
        return min(len(self._with), len(self._without)) >= _DENIED_BY and max(self._ranked()) < _DENIED

    def _forget(self, now: float) -> None:
        for seen in (self._with, self._without):
            while seen and seen[0].time < now - _LASTS:
                seen.popleft()
        self._z = None

    def _ranked(self) -> tuple[float, float]:
        if self._z is None:
            heated, cold = (
                np.array([(s.rise, s.top) for s in seen]).T for seen in (self._with, self._without)
            )
            self._z = rank_sum(heated[0], cold[0]), rank_sum(heated[1], cold[1])
        return self._z


def _look(rows: Samples, start: float, end: float) -> _Seen | None:
    """Return what a stretch shows: last third over first, by medians; None with too few rows."""
    a, b = np.searchsorted(rows.time, (start, end)).tolist()
    time, p = rows.time[a:b], rows.pressure[a:b]
    if len(p) < _ROWS or time[-1] - time[0] < _LEAST * (end - start):
        return None
    third = max(len(p) // 3, 1)
    top = float(np.median(p[-third:]))
    return _Seen(end, top - float(np.median(p[:third])), top)


def rank_sum(one: FloatArray, other: FloatArray) -> float:
    """Return by how many standard deviations ``one`` ranks above ``other``; equal values share their rank."""
    both = np.concatenate([one, other])
    order = np.sort(both)
    below = np.searchsorted(order, one, side="left")
    up_to = np.searchsorted(order, one, side="right")
    ranks = 0.5 * (below + up_to + 1.0)
    n, m = len(one), len(other)
    u = float(np.sum(ranks)) - n * (n + 1) / 2.0
    counts = np.unique(both, return_counts=True)[1].astype(float)
    total = n + m
    ties = float(np.sum(counts**3 - counts)) / (total * (total - 1))
    variance = n * m / 12.0 * (total + 1.0 - ties)
    return (u - n * m / 2.0) / math.sqrt(variance) if variance > 0.0 else 0.0
