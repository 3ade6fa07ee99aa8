"""Whether a pressure value is held: the same number row after row where the sensor or the heat must have moved it.

Two ways to know. A sensor whose last digit always moved cannot stop by chance: with a share m of rows that
differ from the one before, n equal rows have the probability (1 - m)^n. A sensor too coarse for that is judged
by burns: of those seen before, how many moved it? A line that never moved since the start is judged by physics.
"""

from __future__ import annotations

import math
from statistics import median
from typing import Final

import numpy as np

from monitor.estimation.burns import Burn
from monitor.estimation.samples import Samples

_HOURS: Final = 24
_LEAST_HOURS: Final = 12
_DITHER: Final = 0.15  # share of rows that differ: less may be a deadband or a rounded quiet line
_BY_CHANCE: Final = math.log(1e-9)
_CLUSTERED: Final = (
    3.0  # rows that are worth one: the steps of a coarse sensor come in clusters, with the draws
)
_LEAST: Final = 1200.0  # s
_BURNS: Final = 20
_LIVE_BURNS: Final = 6
_BY_CHANCE_BURNS: Final = 0.003
_HALF: Final = 0.5  # of the usual burn: a shorter one need not move a coarse sensor
_NEVER: Final = 3.0 * 3600.0  # s from the first row
_NEVER_BURNS: Final = 2
_NEVER_LONG: Final = 12.0 * 3600.0  # for heat-ups each of which may be too weak for a coarse sensor
_NEVER_SUM: Final = 4.0  # of them together, in strong ones
_NEAR_RELIEF: Final = 86400.0  # no valve holds a line still for so long, through draws
_COARSE: Final = 4.0 * 6894.76  # Pa: four steps of the coarsest sensor in use, 1 psi (common practice)
_AGAIN: Final = 6  # changes of value after which the sensor lives again
_ROWS: Final = 10


class Held:
    """Follows the value of one sensor; fed with the rows of marks, each row counted once."""

    def __init__(self) -> None:
        self.value = math.nan  # kPa
        self.since = 0.0
        self.rows = 0
        self.last = -math.inf
        self.heated = 0.0  # s of reported heat in the run
        self._ever = False
        self._burns_held = 0
        self._strong = 0
        self._expected = 0.0  # Pa by which heat should have moved the run, heat-ups added
        self._shares: list[float] = []
        self._burns: list[tuple[float, bool]] = []  # s of heat, whether the value moved
        self._changes = 0

    def take(self, rows: Samples) -> None:
        """Take rows; those seen before are left out."""
        first = int(np.searchsorted(rows.time, self.last, side="right"))
        if first >= len(rows):
            return
        p, time = rows.pressure[first:], rows.time[first:]
        differs = np.flatnonzero(p != np.append(self.value, p[:-1]))
        self._ever = self._ever or (len(differs) > 0 and math.isfinite(self.value)) or len(differs) > 1
        start = 0
        if len(differs):
            start = int(differs[-1])
            self._changes += len(differs)
            self.value, self.since, self.rows = float(p[start]), float(time[start]), 0
            self.heated, self._burns_held, self._strong, self._expected = 0.0, 0, 0, 0.0
        self.rows += len(p) - start
        on = rows.heater[first + start :] > 0.5
        if len(p) - start > 1:
            self.heated += float(np.sum(np.diff(time[start:])[on[1:]]))
        self.last = float(time[-1])

    def hour(self, rows: Samples) -> None:
        """Learn from an hour in which the sensor lived how often its last digit moves."""
        if len(rows) >= _ROWS and self.since > float(rows.time[0]):
            share = float(np.count_nonzero(np.diff(rows.pressure))) / (len(rows) - 1)
            self._shares = [*self._shares[1 - _HOURS :], share]

    def burn(self, burn: Burn, expected: float) -> None:
        """Take a burn that should lift the line by ``expected`` [Pa]."""
        rows = burn.rows
        if len(rows) < 2:
            return
        moved = bool(np.ptp(rows.pressure) > 0.0)
        on = float(np.sum(np.diff(rows.time)[rows.heater[1:] > 0.5]))
        if moved:
            self._burns = [*self._burns[1 - _BURNS :], (on, True)]
            return
        usual = median([seconds for seconds, _ in self._burns]) if self._burns else 0.0
        self._burns_held += on >= _HALF * usual
        self._strong += expected >= _COARSE
        self._expected += expected if expected >= _COARSE / 4.0 else 0.0
        if self._burns_held <= 1:  # more than one in a row is what is looked for, and no habit
            self._burns = [*self._burns[1 - _BURNS :], (on, False)]

    def by_digits(self) -> float | None:
        """Return the share of rows that moved in the calmest hour if the run is beyond chance, else None."""
        if len(self._shares) < _LEAST_HOURS or self.last - self.since < _LEAST:
            return None
        share = min(self._shares)
        if share < _DITHER:
            return None
        return share if self.rows / _CLUSTERED * math.log1p(-min(share, 0.9)) <= _BY_CHANCE else None

    def by_burns(self) -> int | None:
        """Return how many burns did not move the value where such burns always did before, else None."""
        live = [moved for _, moved in self._burns]
        if live.count(True) < _LIVE_BURNS or self._burns_held < 2:
            return None
        dead = (1 + max(live.count(False) - 1, 0)) / (len(live) + 1)
        return self._burns_held if dead**self._burns_held <= _BY_CHANCE_BURNS else None

    def never(self, near_relief: bool) -> int | None:
        """Return how many burns the value has outlasted where it never moved at all, else None."""
        lasted = self.last - self.since
        if self._ever or (near_relief and lasted < _NEAR_RELIEF):
            return None
        strong = lasted >= _NEVER and self._strong >= _NEVER_BURNS
        many = lasted >= _NEVER_LONG and self._expected >= _NEVER_SUM * _COARSE
        return self._burns_held if strong or many else None

    def lives_again(self) -> bool:
        """Whether the value has moved since `watch_again`."""
        return self._changes >= _AGAIN

    def watch_again(self) -> None:
        """Start to count changes of the value."""
        self._changes = 0
