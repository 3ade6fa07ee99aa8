"""Readings out of the store, sealed and open ones as one. Each function runs in its caller's transaction."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import apsw
import numpy as np

from monitor.readings import Point, Reading
from monitor.store import rollups, sealed
from monitor.store.codec import FloatArray, IntArray
from monitor.store.sealed import HOUR_US
from monitor.store.tables import LAST_TIME, microseconds, seconds


def select_readings(
    db: apsw.Connection, site: str, point: Point, start: float, end: float
) -> tuple[FloatArray, FloatArray]:
    """Return times and values with start <= time < end, ascending."""
    series = _number(db, site, point)
    if series is None:
        return np.empty(0), np.empty(0)
    return _in_seconds(sealed.select_both(db, series, *_bounds(start, end)))


def select_decimated(
    db: apsw.Connection, site: str, point: Point, start: float, end: float, limit: int
) -> tuple[FloatArray, FloatArray]:
    """Return at most ``limit`` readings of a span: all, or the least and the greatest of equal parts of it.

    Where a part is longer than an hour the roll-ups of hours are read instead of the readings, and where the
    readings were dropped, the finest roll-ups that are left.
    """
    series = _number(db, site, point)
    if series is None:
        return np.empty(0), np.empty(0)
    lower, upper = _bounds(start, end)
    parts = max(limit // 2, 1)
    if _is_long(db, series, (lower, upper), limit):
        found = _by_hours(db, series, lower, upper)
    else:
        found = _finest(db, series, lower, upper)
    return _in_seconds(thin(*found, parts) if len(found[0]) > limit else found)


def select_span(db: apsw.Connection, site: str) -> tuple[float, float] | None:
    """Return the times of the first and the last reading of a site."""
    known = [ends for series, _ in _series_of(db, site) if (ends := _ends(db, series)) is not None]
    if not known:
        return None
    return seconds(min(first for first, _ in known)), seconds(max(last for _, last in known))


def select_latest(db: apsw.Connection, site: str) -> dict[Point, Reading]:
    """Return the newest reading of each point of a site."""
    latest: dict[Point, Reading] = {}
    for series, name in _series_of(db, site):
        ends = _ends(db, series)
        if ends is not None:
            _, values = sealed.select_both(db, series, ends[1], ends[1] + 1)
            latest[Point(name)] = Reading(site, Point(name), seconds(ends[1]), float(values[-1]))
    return latest


def thin(times: IntArray, values: FloatArray, parts: int) -> tuple[IntArray, FloatArray]:
    """Return the least and the greatest value of each of ``parts`` equal parts of the time from first to last."""
    width = -(-(int(times[-1]) + 1 - int(times[0])) // parts)
    edges = np.searchsorted(times, np.arange(int(times[0]), int(times[-1]) + 1, width))
    kept = []
    for first, last in zip(edges.tolist(), [*edges[1:].tolist(), len(times)], strict=True):
        if first < last:
            part = values[first:last]
            kept += [first + int(part.argmin()), first + int(part.argmax())]
    chosen = np.unique(kept)
    return times[chosen], values[chosen]


def _is_long(db: apsw.Connection, series: int, span: tuple[int, int], limit: int) -> bool:
    """Tell whether half as many parts as ``limit`` are longer than an hour each, with more readings than that."""
    hours = [sealed.key(series, time // HOUR_US) for time in span]
    first, last, count = _row(
        db.execute("SELECT min(id), max(id), sum(count) FROM hourly WHERE id BETWEEN ? AND ?", hours)
    )
    return first is not None and last - first > max(limit // 2, 1) and count > limit


def _by_hours(db: apsw.Connection, series: int, lower: int, upper: int) -> tuple[IntArray, FloatArray]:
    """Return the extremes of the hours that are whole in a span, and all there is at both ends of it."""
    first, last = -(-lower // HOUR_US), upper // HOUR_US
    _, middle = rollups.hours(db, sealed.key(series, first), sealed.key(series, last - 1))
    pieces = [
        _finest(db, series, lower, first * HOUR_US),
        sealed.merged(
            rollups.extremes(middle), sealed.open_rows(db, series, first * HOUR_US, last * HOUR_US)
        ),
        _finest(db, series, last * HOUR_US, upper),
    ]
    return np.concatenate([piece[0] for piece in pieces]), np.concatenate([piece[1] for piece in pieces])


def _finest(db: apsw.Connection, series: int, lower: int, upper: int) -> tuple[IntArray, FloatArray]:
    """Return the readings of a span; before those that were dropped, extremes of their minutes or hours."""
    kept_from = sealed.mark(db, sealed.RAW_FROM) * HOUR_US
    readings = sealed.select_both(db, series, lower, upper)
    if lower >= kept_from or lower >= upper:
        return readings
    first, last = (sealed.key(series, time // HOUR_US) for time in (lower, min(upper, kept_from) - 1))
    keys, hours = rollups.hours(db, first, last)
    known, minutes = rollups.minutes(db, first, last)
    found = rollups.extremes(hours, ~np.isin(keys, known))
    if minutes is not None:
        found = sealed.merged(found, rollups.extremes(minutes))
    inside = (found[0] >= lower) & (found[0] < upper)
    times, values = sealed.merged(readings, (found[0][inside], found[1][inside]))
    # A reading that was dropped may have been sent again.
    times, place = np.unique(times, return_index=True)
    return times, values[place]


def _number(db: apsw.Connection, site: str, point: Point) -> int | None:
    row = db.execute("SELECT id FROM series WHERE site = ? AND point = ?", (site, point.value)).fetchone()
    return None if row is None else int(row[0])


def _series_of(db: apsw.Connection, site: str) -> list[tuple[int, str]]:
    rows: Iterable[tuple[Any, ...]] = db.execute("SELECT id, point FROM series WHERE site = ?", (site,))
    return [(series, point) for series, point in rows]


def _ends(db: apsw.Connection, series: int) -> tuple[int, int] | None:
    """Return the times of the first and the last reading of a series [us]."""
    # Two lookups at the ends of the index; min and max in one statement would read all rows.
    first = _row(db.execute("SELECT min(time_us) FROM reading WHERE series = ?", (series,)))[0]
    last = _row(db.execute("SELECT max(time_us) FROM reading WHERE series = ?", (series,)))[0]
    closed = sealed.ends(db, series)
    if first is None or last is None:
        return closed
    return (first, last) if closed is None else (min(first, closed[0]), max(last, closed[1]))


def _bounds(start: float, end: float) -> tuple[int, int]:
    """Return a span in microseconds; infinite bounds become the least and the greatest time stored."""
    lower, upper = (microseconds(min(max(time, 0.0), LAST_TIME)) for time in (start, end))
    return lower, upper


def _row(cursor: Iterable[tuple[Any, ...]]) -> tuple[Any, ...]:
    """Return the one row of a statement that always has one."""
    return next(iter(cursor))


def _in_seconds(found: tuple[IntArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
    return found[0] / 1e6, found[1]
