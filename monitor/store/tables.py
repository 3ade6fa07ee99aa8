"""Readings in, refused payloads in and out. Each function runs in its caller's transaction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import apsw

from monitor.readings import Reading, Rejected
from monitor.store import sealed

LAST_TIME: Final = 253_402_300_800.0
"""Epoch seconds of the year 10000; a time from there on is a mistake of the device. [s]"""

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
        origin=reading.origin,
    )


def insert_readings(db: apsw.Connection, readings: Sequence[Reading]) -> list[Reading]:
    """Add readings whose (site, point, time) is not known yet; return those, in the order of arrival."""
    series: dict[tuple[str, str], int] = {}
    rows: list[tuple[int, int, float]] = []
    first: dict[tuple[int, int], Reading] = {}
    for reading in readings:
        name = (reading.site, reading.point.value)
        if name not in series:
            series[name] = series_number(db, *name)
        key = (series[name], microseconds(reading.time))
        if key not in first:
            first[key] = reading
            rows.append((*key, float(reading.value)))
    added = db.executemany(
        "INSERT INTO reading VALUES (?, ?, ?) ON CONFLICT DO NOTHING RETURNING series, time_us",
        sealed.unknown(db, rows),
    )
    return [first[number, time_us] for number, time_us in added]


def second_values(db: apsw.Connection, left: Sequence[Reading]) -> list[Rejected]:
    """Return as refused what was not added because its time has another value; the same value is a repeat."""
    series: dict[tuple[str, str], int] = {}
    hours: dict[tuple[int, int], dict[int, float]] = {}
    found: dict[tuple[int, int, float], Rejected] = {}
    for reading in left:
        point, time_us = reading.point.value, microseconds(reading.time)
        if (reading.site, point) not in series:
            series[reading.site, point] = series_number(db, reading.site, point)
        number = series[reading.site, point]
        row = db.execute(
            "SELECT value FROM reading WHERE series = ? AND time_us = ?", (number, time_us)
        ).fetchone()
        if row is not None:
            first = float(row[0])
        else:
            hour = (number, time_us // sealed.HOUR_US)
            if hour not in hours:
                start = hour[1] * sealed.HOUR_US
                times, values = sealed.select_sealed(db, number, start, start + sealed.HOUR_US)
                hours[hour] = dict(zip(times.tolist(), values.tolist(), strict=True))
            first = hours[hour].get(time_us, reading.value)
        if first != reading.value:
            found.setdefault((number, time_us, reading.value), _second_value(reading, first))
    return list(found.values())


def _second_value(reading: Reading, first: float) -> Rejected:
    return Rejected(
        received=reading.origin.heard if reading.origin is not None else reading.time,
        topic=f"{reading.site}/{reading.point}",
        reason=f"a second value for one time stamp; the first, {first!r}, stays",
        payload=repr(reading).encode(errors="backslashreplace"),
        origin=reading.origin,
    )


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


def series_number(db: apsw.Connection, site: str, point: str) -> int:
    """Return the number of a series; made where there is none."""
    known = db.execute("SELECT id FROM series WHERE site = ? AND point = ?", (site, point)).fetchone()
    if known is not None:
        return int(known[0])
    db.execute("INSERT INTO series (site, point) VALUES (?, ?)", (site, point))
    return db.last_insert_rowid()


def _text(text: str) -> str:
    """Return text from the wire in a form that UTF-8 can hold, cut to a bounded length."""
    return text[:TEXT_LENGTH].encode(errors="backslashreplace").decode()
