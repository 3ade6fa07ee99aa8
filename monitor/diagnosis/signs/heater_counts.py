"""Counts how climbs of the line go with what the heater is said to do, over half days, at every clock lag.

Only minutes in which the line stands proven above the supply count, so that no draw can have hidden a
climb: there heat always shows. Four counts: climbs and stands, each with the heater reported on and off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.minutes import MARGIN, Minutes
from monitor.estimation.samples import FloatArray

LAGS: Final = tuple(range(-15, 16))
"""Minutes by which the line may follow the report."""

_HALF_DAY: Final = 720  # minutes
_BLOCKS: Final = 8
_OWN: Final = 1  # min: the lag that metal has
_NEAR: Final = 4  # min: a climb this near to reported heat is none that stands alone
_ON: Final = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Count:
    """Counts over some half days; ``table`` of shape (lags, 4): climbs on, climbs off, stands on, stands off.

    ``episodes``: climbs told apart, ``lone``: of them those with no heat reported near their start,
    ``starts``: times that the heater was reported to start, ``slides``: minutes that fell as fast as heat
    climbs.
    """

    begin: float
    minutes: int
    table: FloatArray
    episodes: int
    lone: int
    starts: int
    slides: int

    def at(self, lag: int = _OWN) -> tuple[float, float, float, float]:
        """Return the four counts at a lag [min]."""
        climbs_on, climbs_off, stands_on, stands_off = self.table[LAGS.index(lag)].tolist()
        return climbs_on, climbs_off, stands_on, stands_off

    def answers(self) -> FloatArray:
        """Return for each lag the share of minutes reported on in which the line climbed."""
        return self.table[:, 0] / np.maximum(self.table[:, 0] + self.table[:, 2], 1.0)

    def lone_share(self, lag: int = _OWN) -> float:
        """Return the share of minutes reported off in which the line climbed all the same."""
        _, climbs, _, stands = self.at(lag)
        return climbs / max(climbs + stands, 1.0)

    def explained(self) -> FloatArray:
        """Return for each lag the share of climbs that were reported on."""
        return self.table[:, 0] / np.maximum(self.table[:, 0] + self.table[:, 1], 1.0)

    def fit(self) -> FloatArray:
        """Return for each lag how well report and line go together: 1 always, 0 by chance, -1 upside down."""
        still = self.table[:, 2] / np.maximum(self.table[:, 2] + self.table[:, 3], 1.0)
        return self.explained() - still

    def plus(self, other: Count) -> Count:
        """Return both together; ``other`` is the later one."""
        return Count(
            self.begin,
            self.minutes + other.minutes,
            self.table + other.table,
            self.episodes + other.episodes,
            self.lone + other.lone,
            self.starts + other.starts,
            self.slides + other.slides,
        )


class Counts:
    """Half days of counts, the last four days of them."""

    def __init__(self) -> None:
        self._blocks: list[Count] = []
        self._climbing = False
        self._reported = False

    def clear(self) -> None:
        """Begin anew."""
        self._blocks = []

    def add(self, minutes: Minutes) -> None:
        """Take judged minutes."""
        count = self._count(minutes)
        if self._blocks and self._blocks[-1].minutes < _HALF_DAY:
            self._blocks[-1] = self._blocks[-1].plus(count)
        else:
            self._blocks = [*self._blocks[1 - _BLOCKS :], count]

    def _count(self, minutes: Minutes) -> Count:
        climbs, reported = minutes.climbs, minutes.on_at(_OWN) > _ON
        n = len(climbs)
        starts = np.flatnonzero(climbs & ~np.append(self._climbing, climbs[:-1]))
        begun = int(np.count_nonzero(reported & ~np.append(self._reported, reported[:-1])))
        heated = np.append(0, np.cumsum(minutes.on > _ON))
        near = (
            heated[MARGIN + _NEAR + 1 : MARGIN + _NEAR + 1 + n] - heated[MARGIN - _NEAR : MARGIN - _NEAR + n]
        )
        self._climbing, self._reported = bool(climbs[-1]), bool(reported[-1])
        return Count(
            60.0 * minutes.first,
            n,
            _table(minutes),
            len(starts),
            int(np.count_nonzero(near[starts] == 0)),
            begun,
            int(np.count_nonzero(minutes.slides)),
        )

    def recent(self) -> list[Count]:
        """Return counts of the last half day, day, two days and four days, the shortest first."""
        found: list[Count] = []
        total: Count | None = None
        for index, block in enumerate(reversed(self._blocks)):
            total = block if total is None else block.plus(total)
            if index + 1 in {1, 2, 4, len(self._blocks)}:
                found.append(total)
        return found

    def halves(self) -> tuple[Count, Count] | None:
        """Return all that is held in two halves of time, None before two half days."""
        middle = len(self._blocks) // 2
        if middle == 0:
            return None
        return _sum(self._blocks[:middle]), _sum(self._blocks[middle:])


def _table(minutes: Minutes) -> FloatArray:
    n = len(minutes.climbs)
    if not (minutes.climbs.any() or minutes.stands.any()):
        return np.zeros((len(LAGS), 4))
    windows = np.lib.stride_tricks.sliding_window_view(minutes.on, n)
    lagged = windows[MARGIN - LAGS[-1] : MARGIN - LAGS[0] + 1][::-1]
    on, off = (lagged > _ON).astype(np.float64), (lagged <= _ON).astype(np.float64)
    kinds = np.stack([minutes.climbs, minutes.stands], axis=1).astype(np.float64)
    with_on, with_off = on @ kinds, off @ kinds
    return np.stack([with_on[:, 0], with_off[:, 0], with_on[:, 1], with_off[:, 1]], axis=1)


def _sum(blocks: list[Count]) -> Count:
    total = blocks[0]
    for block in blocks[1:]:
        total = total.plus(block)
    return total
