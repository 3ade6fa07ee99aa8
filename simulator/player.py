"""A scenario as one stream of messages in the order of simulated time, and its pace.

Nothing here knows MQTT or the clock of the machine: messages come out of `stream`, waiting is asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.readings import Point, default_topic, encode_samples
from simulator.draws import DAY
from simulator.recording import Site
from simulator.sensors import Report, Series
from simulator.spec import PlantSpec

LONGEST_BATCH = 3600.0  # s of simulated time in one message; an hour at 10 s is some 20 kB
_UNITS = {Point.PRESSURE: "kPa", Point.HEATER: "", Point.TEMPERATURE: "degC"}


@dataclass(frozen=True, slots=True)
class Batch:
    """Messages (topic, payload) of all sites of one stretch of time that ends at ``end`` [epoch s]."""

    end: float
    messages: tuple[tuple[str, bytes], ...]


def batch_length(speed: float, interval: float) -> float:
    """Return seconds of simulated time per message: a quarter of a second of the audience's time.

    >>> batch_length(72000.0, 10.0), batch_length(1.0, 10.0)
    (3600.0, 10.0)
    """
    return min(LONGEST_BATCH, max(interval, 0.25 * speed)) if speed else LONGEST_BATCH


def stream(
    specs: Sequence[PlantSpec],
    seed: int,
    epoch: float,
    until: float,
    length: float,
    after: float | None = None,
) -> Iterator[Batch]:
    """Yield the batches of all sites together; a day is simulated when its first batch is asked for.

    Batches are ``length`` [s] long up to ``until`` [epoch s]; then ``after`` [s], without end, if given.
    """
    courses = [Site(spec, seed, epoch).days() for spec in specs]
    start = 0.0
    while epoch + start < until or after is not None:
        step = length if epoch + start < until or after is None else after
        reports = [next(course)[1] for course in courses]
        for first in np.arange(start, start + DAY, step).tolist():
            last = min(first + step, start + DAY)
            messages = [
                message
                for spec, report in zip(specs, reports, strict=True)
                for message in _messages(spec.id, report, epoch, first, last)
            ]
            yield Batch(epoch + last, tuple(messages))
        start += DAY


def _messages(
    site: str, report: Report, epoch: float, first: float, last: float
) -> Iterator[tuple[str, bytes]]:
    """Yield a site's messages of one stretch; states first, so that they are known when pressure comes."""
    points = (
        (Point.HEATER, report.heater, 0),
        (Point.TEMPERATURE, report.temperature, 1),
        (Point.PRESSURE, report.pressure, 3),
    )
    for point, series, digits in points:
        part = _between(series, first, last)
        if len(part.time):
            value = part.value / 1e3 if point is Point.PRESSURE else part.value
            samples = zip((epoch + part.time).tolist(), value.round(digits).tolist(), strict=True)
            yield default_topic(site, point), encode_samples(samples, _UNITS[point])


def _between(series: Series, first: float, last: float) -> Series:
    """Return the samples of a stretch by report time; a day's strays by clock error go with its edges."""
    low, high = np.searchsorted(series.time, [first, last])
    if first % DAY == 0.0:
        low = 0
    if last % DAY == 0.0:
        high = len(series.time)
    return Series(series.time[low:high], series.value[low:high])


@dataclass(frozen=True, slots=True)
class Pace:
    """When a batch is due: ``speed`` simulated s per second (0: at once) until ``until``, then real time.

    ``began`` and ``epoch``: monotonic and simulated time of the beginning; ``wall``: what has to be added to
    monotonic time to give epoch seconds.
    """

    began: float
    epoch: float
    speed: float
    until: float
    wall: float

    def due(self, end: float) -> float:
        """Return the monotonic time at which a batch that ends at ``end`` [epoch s] goes out."""
        if end > self.until:
            return end - self.wall
        return self.began + (end - self.epoch) / self.speed if self.speed else self.began
