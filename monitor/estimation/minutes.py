"""The line minute by minute: where it climbs as heat makes it climb, where it stands still, what the heater says.

For judging the heater's signal itself, so nothing here trusts it: level and noise are those of all rows.
Pressures gauge [Pa], times in minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.estimation.noise import Noise, noise_of
from monitor.estimation.samples import FloatArray, Samples

MARGIN: Final = 20
"""Minutes on either side of a judged minute that are known: clocks may be this far apart, less the reach."""

_REACHES: Final = (1, 2, 3, 5, 8)  # minutes to either side over which a climb is measured
_STANDS_OUT: Final = 8.0  # expected climb over its standard deviation
_CLIMBS: Final = 0.35  # of the expected climb: the least that is heat
_STANDS: Final = 0.12  # of the expected climb: the most that is none
_LEAP: Final = 3.5  # times the mean step of a climb: a line that fills again, not one that is heated
_CARRIED: Final = 2 * MARGIN + 2 * _REACHES[-1] + 2
_BRIDGED: Final = 3  # minutes without a row that are bridged
_HOURS: Final = 24
_NEEDED: Final = 3
_ROWS: Final = 10
_KPA: Final = 1000.0
_MINUTE: Final = 60.0
_WANDER: Final = 3e3  # Pa: least wander of a supply from hour to hour

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Minutes:
    """Judged minutes; ``on`` is longer by `MARGIN` at both ends, share of the minute, NaN where not known.

    ``slope`` [Pa/min]; ``climbs`` as heat does, ``stands`` still above the supply (no draw can hide a climb
    there), ``slides`` back as fast as it climbs, which no closed line does. ``quiet``: neither draw nor leap.
    """

    first: int
    on: FloatArray
    slope: FloatArray
    climbs: Flags
    stands: Flags
    slides: Flags
    quiet: Flags
    reach: int

    def on_at(self, lag: int) -> FloatArray:
        """Return what was reported ``lag`` minutes before each judged minute."""
        return self.on[MARGIN - lag : MARGIN - lag + len(self.slope)]


class Level:
    """Level, spread and noise of the line over a day of hours, whatever the heater is said to do."""

    def __init__(self) -> None:
        self._levels: list[float] = []
        self._noises: list[Noise] = []
        self.level = 0.0  # that the supply gives
        self.spread = 0.0  # standard deviation of the level between hours
        self.noise = Noise(0.0, 0.0)  # of the quietest quarter of the hours

    @property
    def known(self) -> bool:
        """Whether a few hours have been seen."""
        return len(self._levels) >= _NEEDED

    def hour(self, p: FloatArray) -> None:
        """Take the pressures [Pa] of an hour."""
        if len(p) < _ROWS:
            return
        low = float(np.partition(p, len(p) // 4)[len(p) // 4])
        self._levels = [*self._levels[1 - _HOURS :], low]
        self._noises = [*self._noises[1 - _HOURS :], noise_of(p)]
        self.level = median(self._levels)
        self.spread = max(1.4826 * median([abs(level - self.level) for level in self._levels]), _WANDER)
        self.noise = sorted(self._noises, key=lambda n: n.sd)[len(self._noises) // 4]


class Grid:
    """Turns the rows of hours into judged minutes; keeps the last hour or so."""

    def __init__(self) -> None:
        self._start = 0
        self._p = np.empty(0)
        self._on = np.empty(0)
        self._fell = np.empty(0, dtype=bool)
        self._next = 0

    def clear(self) -> None:
        """Forget what is kept: there was a silence."""
        self._p, self._on, self._fell = np.empty(0), np.empty(0), np.empty(0, dtype=bool)

    def add(self, rows: Samples, noise: Noise) -> None:
        """Take the rows of an hour."""
        minute = np.floor(rows.time / _MINUTE).astype(np.int64)
        first, last = int(minute[0]), int(minute[-1])
        if len(self._p) == 0 or not 0 <= first - self._start - len(self._p) <= MARGIN:
            self.clear()
            self._start = self._next = first
        width = last + 1 - self._start - len(self._p)
        where = minute - (self._start + len(self._p))
        p = rows.pressure * _KPA
        known = np.isfinite(rows.heater)
        count = np.bincount(where, minlength=width).astype(np.float64)
        told = np.bincount(where[known], minlength=width).astype(np.float64)
        on = np.bincount(where[known], weights=(rows.heater[known] > 0.5).astype(float), minlength=width)
        fell = np.zeros(width, dtype=bool)
        fell[where[1:][np.diff(p) < -noise.step]] = True
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.bincount(where, weights=p, minlength=width) / count
            share = on / told
        self._p = np.concatenate([self._p, mean])
        self._on = np.concatenate([self._on, share])
        self._fell = np.concatenate([self._fell, fell])
        self._bridge()

    def _bridge(self) -> None:
        """Fill minutes without a row between rows that are near."""
        for values in (self._p, self._on):
            finite = np.isfinite(values)
            if finite.all() or not finite.any():
                continue
            known = np.flatnonzero(finite)
            holes = np.flatnonzero(~np.isfinite(values))
            after = np.searchsorted(known, holes)
            inside = (after > 0) & (after < len(known))
            holes, after = holes[inside], after[inside]
            near = known[after] - known[after - 1] <= _BRIDGED + 1
            values[holes[near]] = np.interp(holes[near], known, values[known])

    def judged(
        self, level: Level, expected: float, rows_a_minute: float, ceiling: float = np.inf
    ) -> Minutes | None:
        """Return the minutes that can be judged now, each once; None where there are none or noise hides heat.

        ``expected`` [Pa/min] is the climb that the heater makes at the healthy tank; from ``ceiling`` [Pa] on a
        relief valve may hold the line still.
        """
        noise = level.noise
        sd = np.sqrt(2.0) * np.hypot(noise.sd / np.sqrt(max(rows_a_minute, 1.0)), 0.3 * noise.resolution)
        reach = next((r for r in _REACHES if 2 * r * expected >= _STANDS_OUT * sd), None)
        first = max(self._next - self._start, MARGIN)
        last = len(self._p) - MARGIN
        if last <= first:
            return None
        self._next = self._start + last
        found = (
            None
            if reach is None
            else self._classify((first, last, reach), level, expected, float(sd), ceiling)
        )
        self._forget()
        return found

    def _classify(
        self, where: tuple[int, int, int], level: Level, expected: float, sd: float, ceiling: float
    ) -> Minutes:
        p = self._p
        first, last, reach = where
        rise = p[first + reach : last + reach] - p[first - reach : last - reach]
        steps = np.diff(p)
        # Largest step and any fall within the reach of each judged minute.
        span = np.lib.stride_tricks.sliding_window_view(steps[first - reach : last + reach - 1], 2 * reach)
        falls = np.lib.stride_tricks.sliding_window_view(
            self._fell[first - reach : last + reach], 2 * reach + 1
        )
        most = np.max(np.abs(span), axis=1)
        smooth = most <= _LEAP * np.abs(rise) / (2 * reach) + 3.0 * sd
        lowest = np.minimum(p[first - reach : last - reach], p[first + reach : last + reach])
        closed = (p[first:last] >= level.level + level.spread + 3.0 * sd) & (p[first:last] < ceiling)
        drawn = lowest < level.level - 2.0 * level.spread - 3.0 * sd
        quiet = ~falls.any(axis=1) & ~drawn & np.isfinite(rise) & smooth
        heat = 2 * reach * expected
        with np.errstate(invalid="ignore"):
            climbs = quiet & closed & (rise >= max(_CLIMBS * heat, 4.0 * sd))
            stands = quiet & closed & (np.abs(rise) <= max(_STANDS * heat, 2.0 * sd))
            slides = quiet & closed & (-rise >= max(_CLIMBS * heat, 4.0 * sd))
        return Minutes(
            self._start + first,
            self._on[first - MARGIN : last + MARGIN],
            rise / (2 * reach),
            climbs,
            stands,
            slides,
            quiet & closed,
            reach,
        )

    def _forget(self) -> None:
        drop = len(self._p) - _CARRIED
        if drop > 0:
            self._p, self._on, self._fell = self._p[drop:], self._on[drop:], self._fell[drop:]
            self._start += drop
