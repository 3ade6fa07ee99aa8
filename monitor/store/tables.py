"""Readings, refused payloads and visits: rows in and out. Each function runs in its caller's transaction."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final

import apsw
import numpy as np

from monitor.estimation.samples import FloatArray
from monitor.readings import Point, Reading, Rejected
from monitor.site import Visit, VisitAction

LAST_TIME: Final = 253_402_300_800.0
"""Epoch seconds of the year 10000; a time from there on is a mistake of the device. [s]"""

_INSIDE: Final = (
    " FROM reading WHERE series = (SELECT id FROM series WHERE site = :site AND point = :point)"
    " AND time_us >= :start AND time_us < :end"
)

PAYLOAD_BYTES: Final = 512
TEXT_LENGTH: Final = 1024


def microseconds(time: float) -> int:
    """Return epoch seconds as whole microseconds: the form of a time inside a key."""
    return round(time * 1e6)


def seconds(time_us: int) -> float:
    """Return the epoch seconds of whole microseconds; gives back any time of at most six decimals."""
    return time_us / 1e6


def storable(reading: Reading) -> bool:
    """Tell whether a reading has a finite value and a time from 1970 to 9999."""
    return math.isfinite(reading.value) and 0.0 <= reading.time < LAST_TIME


def as_rejected(reading: Reading) -> Rejected:
    """Return the reading as a refused payload, so that it is listed and does not come again for ever."""
    return Rejected(
        received=reading.time if math.isfinite(reading.time) else 0.0,
        topic=f"{reading.site}/{reading.point}",
        reason=f"time {reading.time!r} or value {reading.value!r} is no number that can be stored",
        payload=repr(reading).encode(errors="backslashreplace"),
    )


def insert_readings(db: apsw.Connection, readings: Sequence[Reading]) -> int:
    """Add readings whose (site, point, time) is not known yet; return how many that were."""
    series: dict[tuple[str, str], int] = {}
    rows: list[tuple[int, int, float]] = []
    for reading in readings:
        name = (reading.site, reading.point.value)
        if name not in series:
            series[name] = _series(db, *name)
        rows.append((series[name], microseconds(reading.time), float(reading.value)))
    before = db.total_changes()
    db.executemany("INSERT INTO reading VALUES (?, ?, ?) ON CONFLICT DO NOTHING", rows)
    return db.total_changes() - before


def insert_rejected(db: apsw.Connection, rejected: Sequence[Rejected], keep: int) -> None:
    """Add refused payloads and drop the oldest beyond ``keep``."""
    db.executemany(
        "INSERT INTO rejected (received, topic, reason, payload) VALUES (?, ?, ?, ?)",
        [
            (row.received, _text(row.topic), _text(row.reason), row.payload[:PAYLOAD_BYTES])
            for row in rejected
        ],
    )
    db.execute("DELETE FROM rejected WHERE id <= (SELECT max(id) FROM rejected) - ?", (keep,))


def select_readings(
    db: apsw.Connection, site: str, point: Point, start: float, end: float
) -> tuple[FloatArray, FloatArray]:
    """Return times and values with start <= time < end, ascending."""
    cursor = db.execute(
        "SELECT time_us, value" + _INSIDE + " ORDER BY time_us", _inside(site, point, start, end)
    )
    return _columns(cursor)


def select_decimated(
    db: apsw.Connection, site: str, point: Point, start: float, end: float, limit: int
) -> tuple[FloatArray, FloatArray]:
    """Return at most ``limit`` readings of a span: all, or the least and the greatest of equal parts of it.

    The grouping runs inside SQLite, which lets other threads go on meanwhile.
    """
    name = _inside(site, point, start, end)
    first = db.execute(
        "SELECT time_us, value" + _INSIDE + " ORDER BY time_us LIMIT :limit", {**name, "limit": limit + 1}
    )
    whole = _columns(first)
    if len(whole[0]) <= limit:
        return whole
    # Only the span that holds readings is divided: an open end would leave few parts for them.
    lower, upper = _row(db.execute("SELECT min(time_us), max(time_us) + 1" + _INSIDE, name))
    width = -(-(upper - lower) // max(limit // 2, 1))
    # SQLite takes the other columns of min() and max() from the row that holds the extreme.
    extremes = db.execute(
        "SELECT time_us, min(value)" + _INSIDE + " GROUP BY (time_us - :origin) / :width UNION "
        "SELECT time_us, max(value)" + _INSIDE + " GROUP BY (time_us - :origin) / :width ORDER BY 1",
        {**name, "origin": lower, "width": width},
    )
    return _columns(extremes)


def select_span(db: apsw.Connection, site: str) -> tuple[float, float] | None:
    """Return the times of the first and the last reading of a site."""
    ends = [_ends(db, series) for series, _ in _series_of(db, site)]
    known = [(first, last) for first, last in ends if first is not None and last is not None]
    if not known:
        return None
    return seconds(min(first for first, _ in known)), seconds(max(last for _, last in known))


def select_latest(db: apsw.Connection, site: str) -> dict[Point, Reading]:
    """Return the newest reading of each point of a site."""
    latest: dict[Point, Reading] = {}
    for series, name in _series_of(db, site):
        newest = "SELECT time_us, value FROM reading WHERE series = ? ORDER BY time_us DESC LIMIT 1"
        for time_us, value in db.execute(newest, (series,)):
            latest[Point(name)] = Reading(site, Point(name), seconds(time_us), value)
    return latest


def select_rejected(db: apsw.Connection, limit: int) -> list[Rejected]:
    """Return the newest refused payloads, newest first."""
    rows = db.execute(
        "SELECT received, topic, reason, payload FROM rejected ORDER BY id DESC LIMIT ?", (max(limit, 0),)
    )
    return [Rejected(*row) for row in rows]


def count_rejected(db: apsw.Connection) -> int:
    """Return how many payloads were refused since the database was made, also those dropped since."""
    row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'rejected'").fetchone()
    return 0 if row is None else int(row[0])


def insert_visit(db: apsw.Connection, site: str, visit: Visit) -> None:
    """Add a visit unless one with the same (site, time, action) is known."""
    water = None if visit.water_at_valve is None else int(visit.water_at_valve)
    db.execute(
        "INSERT INTO visit VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (site, microseconds(visit.time), visit.action.value, visit.precharge, visit.supply, water),
    )


def select_visits(db: apsw.Connection, site: str) -> list[Visit]:
    """Return the visits of a site, oldest first."""
    rows = db.execute(
        "SELECT time_us, action, precharge, supply, water_at_valve FROM visit WHERE site = ? "
        "ORDER BY time_us",
        (site,),
    )
    return [
        Visit(
            seconds(time_us), VisitAction(action), precharge, supply, None if water is None else bool(water)
        )
        for time_us, action, precharge, supply, water in rows
    ]


def _series(db: apsw.Connection, site: str, point: str) -> int:
    """Return the number of a series; made where there is none."""
    db.execute("INSERT INTO series (site, point) VALUES (?, ?) ON CONFLICT DO NOTHING", (site, point))
    return int(_row(db.execute("SELECT id FROM series WHERE site = ? AND point = ?", (site, point)))[0])


def _series_of(db: apsw.Connection, site: str) -> list[tuple[int, str]]:
    rows: Iterable[tuple[Any, ...]] = db.execute("SELECT id, point FROM series WHERE site = ?", (site,))
    return [(series, point) for series, point in rows]


def _ends(db: apsw.Connection, series: int) -> tuple[int | None, int | None]:
    # Two lookups at the ends of the index; min and max in one statement would read all rows.
    first = _row(db.execute("SELECT min(time_us) FROM reading WHERE series = ?", (series,)))
    last = _row(db.execute("SELECT max(time_us) FROM reading WHERE series = ?", (series,)))
    return first[0], last[0]


def _inside(site: str, point: Point, start: float, end: float) -> dict[str, str | int]:
    """Return the values for ``_INSIDE``; infinite bounds become the least and the greatest time stored."""
    lower, upper = (microseconds(min(max(time, 0.0), LAST_TIME)) for time in (start, end))
    return {"site": site, "point": point.value, "start": lower, "end": upper}


def _row(cursor: Iterable[tuple[Any, ...]]) -> tuple[Any, ...]:
    """Return the one row of a statement that always has one."""
    return next(iter(cursor))


def _columns(cursor: apsw.Cursor) -> tuple[FloatArray, FloatArray]:
    rows = np.fromiter(cursor, dtype=[("time_us", np.int64), ("value", np.float64)])
    return rows["time_us"] / 1e6, np.ascontiguousarray(rows["value"])


def _text(text: str) -> str:
    """Return text from the wire in a form that UTF-8 can hold, cut to a bounded length."""
    return text[:TEXT_LENGTH].encode(errors="backslashreplace").decode()
