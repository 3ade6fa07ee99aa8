"""From point readings to aligned rows to findings, for one site: pure, time comes with the data.

Devices report pressure, heater and temperature apart, often in different messages and not quite in
order. The analysis wants rows. The rules of the joint are these:

- One row per pressure reading, with the heater and the temperature last known at or before its instant.
- A row is final once the newest reading of the site is ``HOLD_BACK`` seconds younger (data time, so that
  neither the network nor an accelerated clock matters); until then readings out of order are sorted in.
  A device that sends its points in batches one after the other needs longer: the first batch that comes
  too late makes the wait as long as that, up to ``LONGEST_HOLD_BACK``.
- A heater or temperature reading holds until the next one, because many devices report changes only -
  but only while the site is heard: across a silence longer than ``STALE`` a change may have been missed,
  so its state is unknown (NaN) until it is reported again.
- A reading that comes when its row is final is late. It is stored and counted; a late pressure is not
  analysed before a restart replays the store, a late heater or temperature counts for later rows.

Every decision is taken reading by reading, so the cut of the stream into batches never shows.
"""

from __future__ import annotations

import math
from bisect import bisect_left, insort
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.report import Report
from monitor.estimation.samples import FloatArray, Samples
from monitor.readings import Point, Reading
from monitor.service.analyser import Analyser
from monitor.site import Site, Visit

HOLD_BACK: Final = 15.0
"""Seconds of data time that a row waits for companions; a few times the lag between topics of a device."""

LONGEST_HOLD_BACK: Final = 900.0
"""Seconds that a row waits at most, where the devices of a site send in long batches."""

STALE: Final = 900.0
"""Seconds of silence of a whole site after which a held state is no longer trusted."""

_HISTORY: Final = 3600.0
"""Seconds of heater and temperature history kept for pressure that comes in batches behind them."""

_PIECE: Final = 50_000
"""Rows that are analysed between two words of progress."""


class Row(NamedTuple):
    """One aligned row; see `Samples` for units."""

    time: float
    pressure: float
    heater: float
    temperature: float


class _Held:
    """Values of one point around the rows that are being finished; the last at or before a row holds."""

    def __init__(self) -> None:
        self._entries: list[tuple[float, float]] = []

    def put(self, time: float, value: float) -> None:
        """Sort a value in; of two with one stamp the first counts, as in the store."""
        entries = self._entries
        if not entries or time > entries[-1][0]:
            entries.append((time, value))
            return
        place = bisect_left(entries, (time, -math.inf))
        if entries[place][0] != time:
            entries.insert(place, (time, value))

    def at(self, time: float, since: float) -> float:
        """Return the value that holds at ``time``, NaN if there is none from ``since`` on."""
        self.forget(time)
        held, value = self._entries[0] if self._entries else (math.inf, math.nan)
        return value if since <= held <= time else math.nan

    def forget(self, time: float) -> None:
        """Drop what can no longer hold at ``time`` or later."""
        entries = self._entries
        while len(entries) > 1 and entries[1][0] <= time:
            del entries[0]


class Aligner:
    """Joins the readings of one site into rows, strictly increasing in time."""

    def __init__(self, hold_back: float = HOLD_BACK, stale: float = STALE) -> None:
        self.late = 0
        self.newest = -math.inf
        self._hold_back = hold_back
        self._stale = stale
        self.final = -math.inf
        self._waiting: list[tuple[float, float]] = []
        self._held = {Point.HEATER: _Held(), Point.TEMPERATURE: _Held()}
        self._seen: list[float] = []
        self._heard = -math.inf
        self._since = -math.inf

    def add(self, reading: Reading) -> list[Row]:
        """Take a reading; return the rows that it made final."""
        time = reading.time
        if time <= self.final:
            self.late += 1
            wait = min(1.25 * (self.newest - time), LONGEST_HOLD_BACK)
            self._hold_back = max(self._hold_back, wait)
        if reading.point is not Point.PRESSURE:
            self._held[reading.point].put(time, reading.value)
        elif time > self.final:
            place = bisect_left(self._waiting, (time, -math.inf))
            if place == len(self._waiting) or self._waiting[place][0] != time:
                self._waiting.insert(place, (time, reading.value))
        if time > self.final:
            insort(self._seen, time)
        self.newest = max(self.newest, time)
        rows = self._finish(self.newest - self._hold_back)
        self._forget(self.newest - _HISTORY)
        return rows

    def reach(self, now: float) -> list[Row]:
        """Wait no longer for companions of rows up to ``now``; return these rows.

        Readings older than ``now`` may still come: a device that was cut off sends what it kept.
        """
        return self._finish(now)

    def _finish(self, frontier: float) -> list[Row]:
        rows: list[Row] = []
        while self._waiting and self._waiting[0][0] <= frontier:
            time, pressure = self._waiting.pop(0)
            self._listen(time)
            heater = self._held[Point.HEATER].at(time, self._since)
            temperature = self._held[Point.TEMPERATURE].at(time, self._since)
            rows.append(Row(time, pressure, heater, temperature))
            self.final = time
        return rows

    def _listen(self, time: float) -> None:
        """Walk over the instants at which the site was heard, up to ``time``, and note the last silence."""
        count = 0
        for instant in self._seen:
            if instant > time:
                break
            if instant - self._heard > self._stale:
                self._since = instant
            self._heard = max(self._heard, instant)
            count += 1
        del self._seen[:count]

    def _forget(self, time: float) -> None:
        if self._seen and self._seen[0] < time:
            self._listen(time)
            for held in self._held.values():
                held.forget(time)


def to_samples(rows: Sequence[Row]) -> Samples:
    """Return rows as arrays."""
    columns = np.array(rows, dtype=np.float64).reshape(-1, 4).T
    return Samples(*(np.ascontiguousarray(column) for column in columns))


def hold(samples: Samples, stale: float = STALE) -> Samples:
    """Fill unknown heater and temperature cells of a log by the same rule that joins live readings."""
    rows = np.arange(len(samples))
    silent = np.diff(samples.time, prepend=-math.inf) > stale
    since = np.maximum.accumulate(np.where(silent, rows, 0))

    def held(values: FloatArray) -> FloatArray:
        known = np.maximum.accumulate(np.where(np.isnan(values), -1, rows))
        return np.where(known >= since, values[known], np.nan)

    return Samples(samples.time, samples.pressure, held(samples.heater), held(samples.temperature))


def examine(
    site: Site, log: Samples, visits: Sequence[Visit], tell: Callable[[int], None], end: float = -math.inf
) -> Report:
    """Return what a live service would know after the last row of a log; ``tell`` hears of rows done.

    ``end``: time of the last row of all, those that were refused included: a sensor whose readings cannot be
    true is silent meanwhile. [epoch s]
    """
    analyser = Analyser(site)
    for visit in visits:
        analyser.visit(visit)
    rows = hold(log)
    for first in range(0, len(rows), _PIECE):
        analyser.feed(rows.between(first, min(first + _PIECE, len(rows))))
        tell(min(first + _PIECE, len(rows)))
    analyser.tick(end)
    return analyser.report()


class SitePipeline:
    """Everything that happens to the readings of one site, as a function of the readings alone."""

    def __init__(self, site: Site) -> None:
        self._analyser = Analyser(site)
        self._aligner = Aligner()
        self._known: set[tuple[float, str]] = set()
        self.late_visit = math.inf
        """Time of the earliest visit that was told when its time had been analysed; infinity if none was."""

    @property
    def given(self) -> Mapping[str, object]:
        """Return what the site file alone decides, by name; see `monitor.service.saved`."""
        return self._analyser.given

    @property
    def late(self) -> int:
        """Return how many readings came too late to be analysed in place."""
        return self._aligner.late

    @property
    def newest(self) -> float:
        """Return the time of the newest reading, minus infinity before the first."""
        return self._aligner.newest

    @property
    def final(self) -> float:
        """Return the time up to which rows have been analysed, minus infinity before the first."""
        return self._aligner.final

    def report(self) -> Report:
        """Return what is known of the site."""
        return self._analyser.report()

    def log_visits(self, visits: Iterable[Visit]) -> list[Finding]:
        """Take service visits into account, each once, from its time on; return the findings that changed."""
        changed: list[Finding] = []
        for visit in visits:
            key = (visit.time, visit.action.value)
            if key not in self._known:
                self._known.add(key)
                if visit.time <= self.final:
                    self.late_visit = min(self.late_visit, visit.time)
                changed += self._analyser.visit(visit)
        return changed

    def take(self, readings: Iterable[Reading]) -> list[Finding]:
        """Take readings of this site in the order of arrival; return the findings that changed."""
        rows = [row for reading in readings for row in self._aligner.add(reading)]
        return self._analyser.feed(to_samples(rows)) if rows else []

    def tick(self, now: float) -> list[Finding]:
        """Tell a silent site that time has reached ``now``; return the findings that changed."""
        rows = self._aligner.reach(now)
        changed = self._analyser.feed(to_samples(rows)) if rows else []
        return changed + self._analyser.tick(now)


def in_order(site: str, series: Mapping[Point, tuple[FloatArray, FloatArray]]) -> Iterator[Reading]:
    """Merge the series of one site into readings in the order of time; how a store is replayed."""
    points = list(series)
    times = np.concatenate([series[point][0] for point in points])
    values = np.concatenate([series[point][1] for point in points])
    which = np.repeat(np.arange(len(points)), [len(series[point][0]) for point in points])
    order = np.argsort(times, kind="stable")
    columns = (times[order].tolist(), which[order].tolist(), values[order].tolist())
    for time, index, value in zip(*columns, strict=True):
        yield Reading(site, points[index], time, value)
