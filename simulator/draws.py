"""Who draws water and when: days of taps, showers and machines, each from a seeded generator.

Every draw has a hot flow (through the heater) and a cold flow (past it); both relieve the closed line.
The sums come near 45 L of hot and 80 L of cold water per person and day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.spec import DrawSpec

FloatArray = NDArray[np.float64]
DAY = 86400.0
_LPM = 1e-3 / 60.0

# Share of a day's use that begins in each hour: mornings and evenings, little at night.
_HOURS = np.array([1, 0.5, 0.3, 0.3, 0.5, 2, 7, 10, 8, 5, 4, 4, 5, 4, 3, 3, 4, 6, 8, 8, 7, 6, 4, 2], float)
_HOURS /= _HOURS.sum()


@dataclass(frozen=True, slots=True)
class Use:
    """One kind of use: events per person and day, mean duration [s], hot and cold flow [L/min]."""

    per_person: float
    duration: float
    hot: float
    cold: float


_USES = (
    Use(0.75, 360.0, 5.5, 2.5),  # shower
    Use(5.0, 30.0, 2.0, 2.0),  # wash basin
    Use(2.5, 50.0, 3.0, 2.0),  # kitchen sink
    Use(5.0, 60.0, 0.0, 7.0),  # toilet cistern
    Use(0.25, 240.0, 0.0, 8.0),  # washing machine, filling
    Use(0.08, 600.0, 8.0, 3.0),  # bath
)


@dataclass(frozen=True, slots=True)
class Draws:
    """Piecewise constant flow: from ``time[i]`` [s] on, ``hot[i]`` and ``cold[i]`` [m³/s]."""

    time: FloatArray
    hot: FloatArray
    cold: FloatArray


def _draw_events(spec: DrawSpec, rng: np.random.Generator, start: float, clock: float) -> FloatArray:
    """Return rows (start, duration, hot, cold) of the events that begin in the 24 h from ``start``."""
    rows = []
    for use in _USES:
        n = rng.poisson(use.per_person * spec.people * spec.flats)
        of_day = (rng.choice(24, size=n, p=_HOURS) + rng.random(n)) * 3600.0
        begin = start + (of_day - clock) % DAY
        length = use.duration * rng.gamma(4.0, 0.25, n)
        strength = rng.uniform(0.7, 1.3, n) * _LPM
        rows.append(
            np.column_stack([begin, np.clip(length, 3.0, 3600.0), use.hot * strength, use.cold * strength])
        )
    return np.concatenate(rows)


def _away(spec: DrawSpec, events: FloatArray) -> FloatArray:
    keep = np.ones(len(events), bool)
    for first, last in spec.holidays:
        keep &= ~((events[:, 0] >= first * DAY) & (events[:, 0] < last * DAY))
    return events[keep]


def events_of_day(spec: DrawSpec, rng: np.random.Generator, start: float, clock: float) -> FloatArray:
    """Return rows (start, duration, hot, cold) that begin in the 24 h from ``start`` [s].

    ``clock``: local time of day at ``start`` [s].
    """
    if spec.kind == "none":
        return np.empty((0, 4))
    if spec.kind == "list":
        rows = np.array(spec.events, float).reshape(-1, 4)
        return rows[(rows[:, 0] >= start) & (rows[:, 0] < start + DAY)]
    return _away(spec, _draw_events(spec, rng, start, clock))


def superpose(
    events: FloatArray, start: float, end: float, closed: Sequence[tuple[float, float]] = ()
) -> Draws:
    """Return the flows of overlapping ``events`` between ``start`` and ``end``; none in ``closed`` spans."""
    begin = np.clip(events[:, 0], start, end)
    stop = np.clip(events[:, 0] + events[:, 1], start, end)
    marks = [start, *(t for span in closed for t in span if start < t < end)]
    edges = np.concatenate([marks, begin, stop])
    change = np.concatenate([np.zeros((len(marks), 2)), events[:, 2:], -events[:, 2:]])
    order = np.argsort(edges, kind="stable")
    time, flow = edges[order], np.cumsum(change[order], axis=0)
    last = np.append(np.diff(time) > 0, True)  # of edges at one instant the last holds the sum
    time, flow = time[last], flow[last]
    flow[np.abs(flow) < 1e-12] = 0.0  # what is left of the sum's rounding is no flow
    for first, until in closed:
        flow[(time >= first) & (time < until)] = 0.0
    keep = time < end
    return Draws(time[keep], flow[keep, 0], flow[keep, 1])
