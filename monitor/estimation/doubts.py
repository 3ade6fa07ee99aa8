"""How far a window may be wrong: by itself, and by what it shares with every other window of its site."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.gas import Refill, slower_gas, unsettled
from monitor.estimation.heat import Growth
from monitor.estimation.heating import Heating
from monitor.estimation.plant import Plant
from monitor.estimation.ramp import Ramp
from monitor.estimation.samples import FloatArray, Samples
from monitor.estimation.shared import Shared

BEND: Final = 0.12
"""Relative difference of slope between halves that is no sign of trouble."""

_FLOW_SD: Final = 0.025  # scatter of growth per joule that no model here explains (simulated heaters)
_LAG_LEAST: Final = 5.0  # s by which the lag differs from burn to burn
_CLOCK_LEAST: Final = 3.0  # s
_FILLS: Final = 0.7  # of what a line below its supply may still take in by itself
_GREATEST: Final = 3.0  # of a logarithm: no shared doubt speaks of more than a factor of twenty


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Rows ``first`` to ``last`` of a burn, ``since`` so many seconds [start, end] of undisturbed rise.

    ``filling``: by how much [Pa] the line stood below the supply when the window began.
    """

    rows: Samples
    growth: Growth
    first: int
    last: int
    since: tuple[float, float]
    refill: Refill | None
    filling: float = 0.0

    @property
    def grown(self) -> float:
        """Growth between the ends by the assumed heat. [m³]."""
        return float(self.growth.volume[self.last] - self.growth.volume[self.first])


@dataclass(frozen=True, slots=True)
class Doubts:
    """Relative sd of a window's own, the correction for warm gas, and what it shares with others."""

    relative_sd: float
    warm: float
    shared: Shared


def doubts(stretch: Stretch, ramp: Ramp, heating: Heating, plant: Plant) -> Doubts:
    """Return how far a window that rose by ``ramp`` may be wrong."""
    part = slice(stretch.first, stretch.last + 1)
    known = float(np.mean(stretch.growth.relative_sd[part]))
    bent = 0.6 * max(abs(ramp.bend) - 0.5 * BEND, 0.0)
    settling, warm = unsettled(*stretch.since, stretch.refill)
    shared = _shared(stretch, heating, plant)
    own = (
        ramp.rise_sd / ramp.rise,
        _FLOW_SD,
        known,
        bent,
        settling,
        shared.by_lag * _LAG_LEAST,
        shared.by_late * _CLOCK_LEAST,
        _edge(stretch) / stretch.grown,
        _FILLS * min(max(stretch.filling / ramp.rise, 0.0), 1.0),
    )
    return Doubts(float(np.sqrt(sum(x * x for x in own))), warm, shared)


def _shared(stretch: Stretch, heating: Heating, plant: Plant) -> Shared:
    more = max(heating.lag_sd, _LAG_LEAST)
    other = heating.grown(stretch.rows, plant, lag=heating.lag + more).volume
    grown = stretch.grown
    ratio = float(other[stretch.last] - other[stretch.first]) / grown
    by_lag = math.log(max(ratio, math.exp(-_GREATEST))) / more
    # Clocks apart move growth in at one end and out at the other.
    ends = (_rate(stretch, stretch.last) - _rate(stretch, stretch.first)) / grown
    return Shared(
        heating.lag,
        heating.late,
        by_lag,
        ends,
        slower_gas(*stretch.since, stretch.refill),
        heating.lag_sd,
        heating.late_sd,
    )


def _edge(stretch: Stretch) -> float:
    """Return the sd of the growth by not knowing when between two rows the burner went off. [m³]."""
    rows, volume = stretch.rows, stretch.growth.volume
    on = np.flatnonzero(rows.heater[stretch.first : stretch.last + 1] > 0.5)
    if len(on) == 0 or stretch.first + int(on[-1]) >= stretch.last:
        return 0.0
    row = stretch.first + int(on[-1])
    between = float(rows.time[row + 1] - rows.time[row])
    return between / math.sqrt(12.0) * float(np.max(np.diff(volume) / np.diff(rows.time)))


def _rate(stretch: Stretch, row: int) -> float:
    """Return the growth per second around a row. [m³/s]."""
    time: FloatArray = stretch.rows.time
    volume = stretch.growth.volume
    a, b = max(row - 1, 0), min(row + 1, len(time) - 1)
    return float((volume[b] - volume[a]) / (time[b] - time[a]))
