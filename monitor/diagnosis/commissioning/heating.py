"""What the heater's signal shows by itself: known or not, on or off, burns and their energy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.heat import net_watts
from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray, Samples

GAP: Final = 300.0
"""Seconds without a row over which nothing is known."""

_ON: Final = 0.5
_MEASURED: Final = 1.5  # above it a value is watts


@dataclass(frozen=True, slots=True, eq=False)
class Heating:
    """The heater's signal. Times [s] without silences; ``burns``: lengths of those whose both ends were seen.

    ``starts``: number of times at which it went on; ``longest``: longest spell of on, ends seen or not;
    ``energy`` into the water [J] by the signal and the plates; ``watts``: highest usual value where it is
    measured in watts, else None; ``idle_watts``: lowest value above the limit of on, None where it reads 0 at times.
    """

    known: float
    total: float
    on: float
    starts: int
    burns: FloatArray
    spans: tuple[tuple[int, int], ...]
    longest: float
    energy: float
    watts: float | None
    idle_watts: float | None

    @property
    def share_known(self) -> float:
        """Share of the time in which the state is known."""
        return self.known / self.total if self.total > 0.0 else 0.0

    @property
    def share_on(self) -> float:
        """Share of the known time in which it is on."""
        return self.on / self.known if self.known > 0.0 else 0.0

    @property
    def days(self) -> float:
        """Days in which the state is known."""
        return self.known / 86400.0


def heating(rows: Samples, plant: Plant) -> Heating:
    """Return what the heater's signal shows in rows."""
    step = np.diff(rows.time, append=rows.time[-1:]) if len(rows) else np.empty(0)
    step = np.where(step > GAP, 0.0, step)
    known = np.isfinite(rows.heater)
    on = rows.heater > _ON
    spans = _spells(on, rows.time)
    whole = [(a, b) for a, b in spans if _ends_seen(a, b, rows)]
    lengths = [float(rows.time[b] - rows.time[a]) for a, b in whole]
    values = rows.heater[known]
    measured = bool(len(values)) and float(np.max(values)) > _MEASURED
    return Heating(
        known=float(step[known].sum()),
        total=float(step.sum()),
        on=float(step[on].sum()),
        starts=sum(1 for a, _ in spans if a > 0 and bool(known[a - 1])),
        burns=np.array(lengths),
        spans=tuple(whole),
        longest=max((float(step[a:b].sum()) for a, b in spans), default=0.0),
        energy=float((net_watts(np.nan_to_num(rows.heater), plant) * step).sum()),
        watts=float(np.quantile(values[values > _ON], 0.9)) if measured else None,
        idle_watts=float(np.min(values)) if measured and float(np.min(values)) > _ON else None,
    )


def _spells(on: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], time: FloatArray) -> list[tuple[int, int]]:
    """Return (first row on, row after the last) of each spell of on; a silence ends one."""
    if not len(on):
        return []
    before = np.concatenate([[False], on[:-1]])
    silent = np.diff(time, prepend=time[0]) > GAP
    starts = np.flatnonzero(on & (~before | silent))
    ends = np.flatnonzero((~on & before) | (on & before & silent))
    if on[-1]:
        ends = np.append(ends, len(on))
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _ends_seen(first: int, end: int, rows: Samples) -> bool:
    if first == 0 or end >= len(rows):
        return False
    near = rows.time[first] - rows.time[first - 1] <= GAP and rows.time[end] - rows.time[end - 1] <= GAP
    return bool(near and np.isfinite(rows.heater[first - 1]) and np.isfinite(rows.heater[end]))
