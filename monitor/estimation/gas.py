"""Gas that has not settled: how far a cushion in the first minutes differs from one of even temperature."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.estimation.samples import FloatArray

_GAS_SETTLES: Final = 60.0  # s, order of magnitude for litres of air behind rubber (no source)
_REFILL_DOUBT: Final = 2.5
_REFILL_SETTLES: Final = 100.0  # s, the slow end of the same
_WARM_DOUBT: Final = 0.6  # of the correction for warm gas


def unsettled(start: float, end: float, *, after_draw: bool) -> tuple[float, float]:
    """Return the relative sd by gas that has not settled, and the correction for it.

    After a draw the gas also cools from the refilling, and the line takes in more: which way that pulls
    depends on the draw, so nothing is corrected and the doubt is larger.
    """
    if after_draw:
        return _REFILL_DOUBT * _warm_gas(start, end, _REFILL_SETTLES), 0.0
    warm = _warm_gas(start, end, _GAS_SETTLES)
    return _WARM_DOUBT * warm, warm


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
    least, share, most = (60.0, 0.4, 150.0) if after_draw else (30.0, 0.15, 120.0)
    skip = min(max(least, share * span), most, 0.6 * span)
    return int(np.searchsorted(time, time[first] + skip))
