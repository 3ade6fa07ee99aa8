"""What the street gives: where the line stands when a draw has ended and before heat has raised it again.

A line at rest may stand far above that, on what heat has pushed out since. Pressures gauge [Pa].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray, Samples

_KEPT: Final = 160
_NEEDED: Final = 8
_SHARE: Final = 0.1  # of all levels
_CLEAR: Final = 5e3  # Pa
_LEAST: Final = 60.0  # s without a move
_ROWS: Final = 2
_LOOKED: Final = 180.0  # s after the draw: later the line cools, or is heated
_HIGH: Final = 0.9
_SKEW: Final = 2.5


@dataclass(frozen=True, slots=True)
class Street:
    """The pressure that the street gives: its ``usual`` level, and what it seldom exceeds. [Pa]."""

    usual: float
    high: float


class Refilled:
    """Keeps the last levels to which the line was filled after a draw."""

    def __init__(self) -> None:
        self._levels: list[float] = []

    def hour(self, rows: Samples, noise: Noise) -> None:
        """Take the rows of an hour."""
        self._levels = [*self._levels, *levels(rows, noise)][-_KEPT:]

    def clear(self) -> None:
        """Forget all."""
        self._levels = []

    def usual(self, otherwise: float) -> float:
        """Return the median of the levels [Pa], ``otherwise`` where they are too few."""
        return float(np.median(self._levels)) if len(self._levels) >= _NEEDED else otherwise

    def below(self, pressure: float, starts: list[float]) -> Street | None:
        """Return what the street gives, from levels below ``pressure``; None where they are too few.

        A short draw leaves some of the growth in the line. Where a tank opens at ``pressure`` only, a line that is
        not filled by the street stands above that. ``starts``: where stretches began, for want of levels.
        """
        found = self._levels if len(self._levels) >= _NEEDED else [*self._levels, *starts]
        under = [level for level in found if level < pressure - _CLEAR]
        if len(under) < max(_NEEDED, _SHARE * len(found)):
            return None
        low, middle, high = (float(q) for q in np.quantile(under, [1.0 - _HIGH, 0.5, _HIGH]))
        # The street swings up not much farther than it swings down.
        return Street(middle, min(high, middle + _SKEW * (middle - low)))


def levels(rows: Samples, noise: Noise) -> list[float]:
    """Return the levels at which the line stood after the draws of an hour, no heat on."""
    p, time = rows.pressure * 1000.0, rows.time
    cold = ~(rows.heater > 0.5)
    step = np.diff(p)
    moves = np.flatnonzero((np.abs(step) > noise.step) | (cold[1:] != cold[:-1]))
    edges = np.concatenate([moves, [len(p) - 1]])
    found = []
    for move, last in zip(moves.tolist(), edges[1:].tolist(), strict=True):
        first = move + 1
        if last - first + 1 < _ROWS or not cold[first] or time[last] - time[first] < _LEAST:
            continue
        if _ended(step, move, last, cold):
            part = slice(first, min(int(np.searchsorted(time, time[first] + _LOOKED)), last + 1))
            found.append(float(np.median(p[part])))
    return found


def _ended(step: FloatArray, move: int, last: int, cold: NDArray[np.bool_]) -> bool:
    """Whether a quiet spell between two moves is the rest after a draw: filled up, or let down for good."""
    if step[move] > 0.0:
        # Filled; a next leap up would be another tap that was shut.
        return last >= len(step) or step[last] < 0.0 or not cold[last + 1]
    return last < len(step) and step[last] < 0.0 and bool(cold[last + 1])
