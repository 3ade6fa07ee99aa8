"""Sealed hours: readings of one series and one hour in one compressed row, with their roll-ups.

Readings come in as plain rows. An hour that is over is sealed: its rows are packed into a blob and deleted in
one transaction, so that each reading is in one of both places at any moment, and a process that is killed
leaves it in the old one. A reading that comes late is a plain row again (unless the blob has it) until its
hour is sealed anew. Each function runs in its caller's transaction.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple

import apsw
import numpy as np

from monitor.errors import StoreError
from monitor.store import codec, rollups
from monitor.store.codec import FloatArray, IntArray

HOUR_US: Final = 3_600_000_000
HOURS: Final = 100_000_000
"""Keys for the hours of a series; more than there are until the year 10000."""
SETTLED: Final = 2
"""Hours that stay open behind the one of the newest reading of a series: few devices lag by more."""

SEALED_BEFORE: Final = "sealed_before"
RAW_FROM: Final = "raw_from"


class Due(NamedTuple):
    """A series with open rows of hours that can be sealed: those before ``before`` (hours since 1970)."""

    series: int
    before: int


def key(series: int, hour: int) -> int:
    """Return the key of a sealed hour."""
    return series * HOURS + hour


def mark(db: apsw.Connection, name: str) -> int:
    """Return the hour that a mark stands at, 0 before it was set."""
    row = db.execute("SELECT hour FROM mark WHERE name = ?", (name,)).fetchone()
    return 0 if row is None else int(row[0])


def advance(db: apsw.Connection, name: str, hour: int) -> None:
    """Move a mark forward; never back."""
    db.execute(
        "INSERT INTO mark VALUES (?, ?) ON CONFLICT DO UPDATE SET hour = max(hour, excluded.hour)",
        (name, hour),
    )


def newest(db: apsw.Connection) -> int:
    """Return the time of the newest reading of all that is not sealed [us]; 0 if there is none."""
    # A lookup for each series; max over all would read every row.
    row = db.execute(
        "SELECT max((SELECT max(time_us) FROM reading WHERE series = id)) FROM series"
    ).fetchone()
    return 0 if row is None or row[0] is None else int(row[0])


def due(db: apsw.Connection, cut: int) -> list[Due]:
    """Return what can be sealed.

    Hours are over by the data, not by a clock: `SETTLED` hours before the newest reading of the series, and
    whatever is before ``cut``, from which on readings are kept at all.
    """
    found: list[Due] = []
    rows: Iterable[tuple[int, int | None, int | None]] = db.execute(
        "SELECT id, (SELECT min(time_us) FROM reading WHERE series = id AND time_us >= :from), "
        "(SELECT max(time_us) FROM reading WHERE series = id) FROM series",
        {"from": mark(db, RAW_FROM) * HOUR_US},
    )
    for series, first, last in rows:
        if first is not None and last is not None:
            before = max(last // HOUR_US - SETTLED, cut)
            if first // HOUR_US < before:
                found.append(Due(series, before))
    return found


def seal_next(db: apsw.Connection, todo: Due) -> bool:
    """Seal the oldest open hour of a series; False if none is left."""
    row = db.execute(
        "SELECT min(time_us) FROM reading WHERE series = ? AND time_us >= ? AND time_us < ?",
        (todo.series, mark(db, RAW_FROM) * HOUR_US, todo.before * HOUR_US),
    ).fetchone()
    if row is None or row[0] is None:
        return False
    seal(db, todo.series, row[0] // HOUR_US)
    return True


def seal(db: apsw.Connection, series: int, hour: int) -> None:
    """Pack the open rows of an hour, and what was sealed of it before, into its blob and roll-ups."""
    place, inside = key(series, hour), (series, hour * HOUR_US, (hour + 1) * HOUR_US)
    times, values = open_rows(db, *inside)
    old = db.execute("SELECT count, body FROM sealed WHERE id = ?", (place,)).fetchall()
    if old:
        times, values = merged(_unpacked(old), (times, values))
    body = codec.pack((times, values))
    again = codec.unpack([(len(times), body)])
    if not (again[0] == times).all() or again[1].tobytes() != values.tobytes():
        # Never seen; the rows stay, so nothing is lost.
        raise StoreError(f"hour {hour} of series {series} does not come back as it was packed: it stays open")
    db.execute(
        "INSERT OR REPLACE INTO sealed VALUES (?, ?, ?, ?, ?)",
        (place, len(times), int(times[0]), int(times[-1]), body),
    )
    rollups.put(db, place, times, values)
    db.execute("DELETE FROM reading WHERE series = ? AND time_us >= ? AND time_us < ?", inside)
    advance(db, SEALED_BEFORE, hour + 1)


def unknown(db: apsw.Connection, rows: Sequence[tuple[int, int, float]]) -> list[tuple[int, int, float]]:
    """Return the rows (series, time [us], value) that no sealed hour holds, in the same order."""
    before = mark(db, SEALED_BEFORE) * HOUR_US
    if all(time_us >= before for _, time_us, _ in rows):
        return list(rows)
    known: dict[int, frozenset[int]] = {}
    kept = []
    for row in rows:
        series, time_us, _ = row
        if time_us < before:
            place = key(series, time_us // HOUR_US)
            if place not in known:
                known[place] = _times_in(db, place)
            if time_us in known[place]:
                continue
        kept.append(row)
    return kept


def select_sealed(db: apsw.Connection, series: int, start: int, end: int) -> tuple[IntArray, FloatArray]:
    """Return sealed readings with start <= time < end [us], ascending."""
    rows = db.execute(
        "SELECT count, body FROM sealed WHERE id BETWEEN ? AND ? ORDER BY id",
        (key(series, start // HOUR_US), key(series, max(end - 1, 0) // HOUR_US)),
    ).fetchall()
    times, values = _unpacked(rows)
    first, last = np.searchsorted(times, (start, end)) if len(times) else (0, 0)
    return times[first:last], values[first:last]


def select_both(db: apsw.Connection, series: int, start: int, end: int) -> tuple[IntArray, FloatArray]:
    """Return readings with start <= time < end [us], sealed or not, ascending."""
    return merged(select_sealed(db, series, start, end), open_rows(db, series, start, end))


def open_rows(db: apsw.Connection, series: int, start: int, end: int) -> tuple[IntArray, FloatArray]:
    """Return the readings of a span [us] that are not sealed, ascending."""
    cursor = db.execute(
        "SELECT time_us, value FROM reading WHERE series = ? AND time_us >= ? AND time_us < ? ORDER BY time_us",
        (series, start, end),
    )
    rows = np.fromiter(cursor, dtype=[("time_us", np.int64), ("value", np.float64)])
    return np.ascontiguousarray(rows["time_us"]), np.ascontiguousarray(rows["value"])


def merged(
    one: tuple[IntArray, FloatArray], other: tuple[IntArray, FloatArray]
) -> tuple[IntArray, FloatArray]:
    """Return two series of readings without a common time as one, ascending."""
    if not len(one[0]) or not len(other[0]):
        return one if len(one[0]) else other
    times, values = np.concatenate((one[0], other[0])), np.concatenate((one[1], other[1]))
    if one[0][-1] < other[0][0]:
        return times, values
    order = np.argsort(times, kind="stable")
    return times[order], values[order]


def ends(db: apsw.Connection, series: int) -> tuple[int, int] | None:
    """Return the times of the first and the last sealed reading of a series [us]."""
    inside = (key(series, 0), key(series + 1, 0))
    first = db.execute(
        "SELECT first_us FROM sealed WHERE id >= ? AND id < ? ORDER BY id LIMIT 1", inside
    ).fetchone()
    last = db.execute(
        "SELECT last_us FROM sealed WHERE id >= ? AND id < ? ORDER BY id DESC LIMIT 1", inside
    ).fetchone()
    return None if first is None or last is None else (int(first[0]), int(last[0]))


def damaged(db: apsw.Connection) -> list[str]:
    """Return which sealed hours cannot be read; empty if all can."""
    found = []
    rows: Iterable[tuple[int, int, bytes]] = db.execute("SELECT id, count, body FROM sealed ORDER BY id")
    for place, count, body in rows:
        try:
            codec.unpack([(count, body)])
        except ValueError as error:
            found.append(f"hour {place % HOURS} of series {place // HOURS}: {error}")
    return found


def _times_in(db: apsw.Connection, place: int) -> frozenset[int]:
    rows = db.execute("SELECT count, body FROM sealed WHERE id = ?", (place,)).fetchall()
    return frozenset(_unpacked(rows)[0].tolist())


def _unpacked(rows: Sequence[tuple[Any, ...]]) -> tuple[IntArray, FloatArray]:
    try:
        return codec.unpack([(count, body) for count, body in rows])
    except ValueError as error:
        raise StoreError(
            f"readings cannot be read: {error}; stop the service, keep a copy of the file, and restore the last backup"
        ) from error
