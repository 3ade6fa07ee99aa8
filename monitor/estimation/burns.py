"""Cuts the stream of rows at what matters: burns, hours, silences, and pressure near the relief setting.

Decisions hang on rows alone and look at no row after the deciding one, so that the cut of the stream
into batches, or reading a finished log, changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.samples import Samples, empty, join

SILENCE: Final = 300.0  # s without a row that end a burn: five of the slowest samples
HOUR: Final = 3600.0
_LONGEST: Final = 7200.0  # s: a burn that goes on is weighed in pieces, so that it is heard of in time
TAIL: Final = 240.0  # s after burner-off that belong to a burn: metal still gives its heat to the water
_RECHECK: Final = 60.0  # s between looks at a line near the relief setting


@dataclass(frozen=True, slots=True, eq=False)
class Burn:
    """Rows of a burn, with the row before it and ``tail`` rows after it.

    ``off`` is None where the end was not seen (there is no tail then); ``at`` the time of the deciding row.
    """

    at: float
    rows: Samples
    off: float | None
    tail: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class NearRelief:
    """Rows of a burn in progress while the line stands near the relief setting."""

    at: float
    rows: Samples


@dataclass(frozen=True, slots=True, eq=False)
class Hour:
    """An hour has passed: rows since the last such mark."""

    at: float
    rows: Samples


@dataclass(frozen=True, slots=True)
class Gap:
    """No rows between ``start`` and ``at``."""

    at: float
    start: float


Mark = Burn | NearRelief | Hour | Gap


class BurnTracker:
    """Holds the rows of the burn and hour in progress; `feed` yields marks in the order of their rows."""

    def __init__(self, near_relief_kpa: float) -> None:
        self._near = near_relief_kpa
        self._rows = empty()
        self._burn: int | None = None  # row at which the burn in progress began
        self._tail: tuple[int, int, float] | None = None  # first row, row after the last, time of burner-off
        self._hour = 0  # first row of the hour in progress
        self._looked = -np.inf

    def feed(self, samples: Samples) -> Iterator[Mark]:
        """Take rows later than all before and yield what they complete."""
        known = len(self._rows)
        self._rows = join(self._rows, samples)
        time, on = self._rows.time, self._rows.heater > 0.5
        if known == 0 and len(time):
            self._burn = 0 if on[0] else None
            known = 1
        steps = time[known:] - time[known - 1 : -1] if known else time[:0]
        silent = steps > SILENCE
        before, after = on[known - 1 : -1] if known else on[:0], on[known:]
        hours = np.floor(time[known:] / HOUR) > np.floor(time[known - 1 : -1] / HOUR) if known else silent
        seen = known
        for index in (np.flatnonzero((before != after) | silent | hours) + known).tolist():
            yield from self._settling(index)
            yield from self._burning(seen, index)
            yield from self._at(
                index, bool(silent[index - known]), bool(on[index]), bool(hours[index - known])
            )
            seen = index
        yield from self._settling(len(time))
        yield from self._burning(seen, len(time))
        self._forget()

    def _settling(self, last: int) -> Iterator[Mark]:
        """Finish the burn whose tail is complete before row ``last``."""
        if self._tail is None:
            return
        row = int(np.searchsorted(self._rows.time[:last], self._tail[2] + TAIL))
        if row < last:
            yield self._settled(row, float(self._rows.time[row]))

    def _settled(self, row: int, at: float) -> Burn:
        first, end, off = self._tail if self._tail is not None else (row, row, at)
        self._tail = None
        return Burn(at, self._rows.between(first, row), off, row - end)

    def _at(self, index: int, silent: bool, on: bool, hour: bool) -> Iterator[Mark]:
        at = float(self._rows.time[index])
        previous = float(self._rows.time[index - 1])
        if self._tail is not None and (silent or on):
            yield self._settled(index, at)
        if self._burn is not None and (silent or not on):
            if silent or not np.isfinite(self._rows.heater[index]):
                yield self._finish(index, at)
            else:
                self._tail = (self._begun(self._burn), index, 0.5 * (previous + at))
                self._burn, self._looked = None, -np.inf
        if silent:
            yield Gap(at, previous)
        if on and self._burn is None:
            self._burn = index
        if hour:
            first = min(self._hour, index)
            self._hour = index
            yield Hour(at, self._rows.between(first, index))

    def _finish(self, index: int, at: float) -> Burn:
        """End the burn in progress before row ``index`` though its end was not seen."""
        start = self._burn if self._burn is not None else index
        self._burn, self._looked = None, -np.inf
        return Burn(at, self._rows.between(self._begun(start), index), None)

    def _begun(self, start: int) -> int:
        """Row before the burn where there is one: a first steep rise starts there."""
        near = start > 0 and self._rows.time[start] - self._rows.time[start - 1] <= SILENCE
        return start - 1 if near else start

    def _burning(self, first: int, last: int) -> Iterator[Mark]:
        """Within rows [first, last) nothing switches: look at a burn in progress, in pieces if it is long."""
        while self._burn is not None and first < last:
            time = self._rows.time
            split = int(np.searchsorted(time[:last], time[self._burn] + _LONGEST))
            yield from self._near_relief(first, min(split, last))
            if split >= last:
                return
            at = float(time[split])
            yield self._finish(split + 1, at)
            self._burn = split
            first = split

    def _near_relief(self, first: int, last: int) -> Iterator[Mark]:
        near = np.flatnonzero(self._rows.pressure[first:last] >= self._near) + first
        times = self._rows.time[near]
        position = int(np.searchsorted(times, self._looked + _RECHECK))
        while self._burn is not None and position < len(near):
            self._looked = float(times[position])
            yield NearRelief(self._looked, self._rows.between(self._burn, int(near[position]) + 1))
            position = int(np.searchsorted(times, self._looked + _RECHECK))

    def _forget(self) -> None:
        """Keep what the burn and the hour in progress need."""
        count = len(self._rows)
        if count == 0:
            return
        first = min(count - 1, self._hour)
        if self._burn is not None:
            first = min(first, self._burn - 1)
        if self._tail is not None:
            first = min(first, self._tail[0])
        first = max(first, 0)
        self._rows = self._rows.between(first, count)
        self._hour -= first
        if self._burn is not None:
            self._burn -= first
        if self._tail is not None:
            self._tail = (self._tail[0] - first, self._tail[1] - first, self._tail[2])
