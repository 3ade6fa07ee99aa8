"""Gas that has not settled: how far a cushion in the first minutes differs from one of even temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.samples import FloatArray

_GAS_SETTLES: Final = 60.0  # s, order of magnitude for litres of air behind rubber (no source)
_REFILL_COUNTED: Final = 0.5  # of the cooling after a refill: the gas may have had no time to warm before
_REFILL_DOUBT: Final = 1.2  # of that cooling: how long gas takes to settle is known to a factor of three
_REFILL_SETTLES: Final = 100.0  # s, the slow end of the same
_REFILL_LEAST: Final = 0.01  # of the pressure, as deep as a draw that was seen is in any case
_GAS_SLOW: Final = 150.0  # s, one sd slower: with n = 1.4 throughout, or hardly warmer at all, within two
_HEATS: Final = 0.286  # (n - 1) / n of air that gives off no heat
_WARM_DOUBT: Final = 0.6  # of the correction for warm gas


@dataclass(frozen=True, slots=True)
class Refill:
    """What filled the line before a window: ``depth`` of the draw and ``rise`` in the window, relative."""

    depth: float
    rise: float


def unsettled(start: float, end: float, refill: Refill | None) -> tuple[float, float]:
    """Return the relative sd by gas that has not settled, and the correction for it.

    After a draw the gas also cools from the refilling, and the line takes in more than the pressure shows:
    by how much follows from how deep the draw was, ``refill.depth``, against the rise of the window.
    """
    warm = _warm_gas(start, end, _GAS_SETTLES)
    if refill is None:
        return _WARM_DOUBT * warm, warm
    heated = _HEATS * max(refill.depth, _REFILL_LEAST)
    decay = float(np.exp(-start / _REFILL_SETTLES) - np.exp(-end / _REFILL_SETTLES))
    cooling = heated * decay / refill.rise
    counted = _REFILL_COUNTED * cooling
    return float(np.hypot(_WARM_DOUBT * warm, _REFILL_DOUBT * cooling)), (1.0 + warm) / (1.0 + counted) - 1.0


def slower_gas(start: float, end: float, refill: Refill | None) -> float:
    """Return by how much (ln) the growth of a window is larger where gas settles one sd slower than assumed.

    It is the same gas in every window: what this does to one it does, by its own length, to the others.
    """
    return _settling(start, end, refill, _GAS_SLOW) - _settling(start, end, refill, _GAS_SETTLES)


def _settling(start: float, end: float, refill: Refill | None, settles: float) -> float:
    warm = math.log1p(_warm_gas(start, end, settles))
    if refill is None:
        return warm
    decay = math.exp(-start / settles) - math.exp(-end / settles)
    heated = _HEATS * max(refill.depth, _REFILL_LEAST)
    return warm - math.log1p(_REFILL_COUNTED * heated * decay / refill.rise)


def _warm_gas(start: float, end: float, settles: float) -> float:
    """Return by how much too stiff a cushion looks between ``start`` and ``end`` [s] of a compression.

    Gas that is pressed warms, towards n = 1.4 at first, and gives its heat to the wall within minutes; then
    it follows n = 1. The mean of 0.4 exp(-t/tau) over the window.
    """
    decay = np.exp(-start / settles) - np.exp(-end / settles)
    return float(0.4 * settles * decay / (end - start))


def settled_row(time: FloatArray, first: int, last: int, *, after_draw: bool) -> int:
    """Leave out the start, in which gas and bladder settle."""
    span = float(time[last] - time[first])
    least, share, most = (30.0, 0.25, 120.0) if after_draw else (30.0, 0.15, 120.0)
    skip = min(max(least, share * span), most, 0.6 * span)
    return int(np.searchsorted(time, time[first] + skip))
