"""Roll-ups: least, mean, most and number of the readings of each hour and each of its minutes.

Least and most are readings and keep their own times, so that a chart drawn from them shows real readings with
every peak in place. Means are rounded to 0.0001 of the unit. Written when an hour is sealed; they may be
kept for longer than the readings. Each function runs in its caller's transaction.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import apsw
import numpy as np
from numpy.typing import NDArray

from monitor.store import codec
from monitor.store.codec import FloatArray, IntArray

BoolArray = NDArray[np.bool_]

MINUTE_US: Final = 60_000_000
MEAN_DECIMALS: Final = 4


class Rollup(NamedTuple):
    """Equal spans of one series, ascending, those without a reading left out. Times in microseconds."""

    start: IntArray
    number: IntArray
    mean: FloatArray
    least: FloatArray
    least_us: IntArray
    most: FloatArray
    most_us: IntArray


def roll(times: IntArray, values: FloatArray, width: int) -> Rollup:
    """Return the roll-up of at least one reading over spans of ``width`` microseconds."""
    span = times // width
    first = np.flatnonzero(np.diff(span, prepend=span[0] - 1))
    count = np.diff(first, append=len(times))
    order = np.lexsort((values, span))
    low, high = order[first], order[first + count - 1]
    with np.errstate(over="ignore"):
        mean = np.round(np.add.reduceat(values, first) / count, MEAN_DECIMALS)
    inside = np.clip(mean, values[low], values[high])
    return Rollup(span[first] * width, count, inside, values[low], times[low], values[high], times[high])


def put(db: apsw.Connection, place: int, times: IntArray, values: FloatArray) -> None:
    """Store the roll-ups of a sealed hour."""
    hour = roll(times, values, 60 * MINUTE_US)
    db.execute(
        "INSERT OR REPLACE INTO hourly VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            place, int(hour.number[0]), float(hour.mean[0]), float(hour.least[0]), int(hour.least_us[0]),
            float(hour.most[0]), int(hour.most_us[0]),
        ),
    )  # fmt: skip
    db.execute(
        "INSERT OR REPLACE INTO minutely VALUES (?, ?)", (place, _pack(roll(times, values, MINUTE_US)))
    )


def hours(db: apsw.Connection, first: int, last: int) -> tuple[IntArray, Rollup]:
    """Return the keys and the roll-ups of hours from one key to another, both included."""
    cursor = db.execute(
        "SELECT id, count, mean, least, least_us, most, most_us FROM hourly WHERE id BETWEEN ? AND ? ORDER BY id",
        (first, last),
    )
    kinds = ("i8", "i8", "f8", "f8", "i8", "f8", "i8")
    rows = np.fromiter(cursor, dtype=[(f"c{n}", kind) for n, kind in enumerate(kinds)])
    keys, *columns = [np.ascontiguousarray(rows[f"c{n}"]) for n in range(len(kinds))]
    width = 60 * MINUTE_US
    return keys, Rollup(columns[-1] // width * width, *columns)


def minutes(db: apsw.Connection, first: int, last: int) -> tuple[IntArray, Rollup | None]:
    """Return the keys of hours that have a roll-up of their minutes, and these minutes."""
    rows: list[Any] = db.execute(
        "SELECT id, body FROM minutely WHERE id BETWEEN ? AND ? ORDER BY id", (first, last)
    ).fetchall()
    pairs: list[tuple[int, bytes]] = [(place, body) for place, body in rows]
    parts = [_unpack(body) for _, body in pairs]
    keys = np.array([place for place, _ in pairs], np.int64)
    return keys, Rollup(*(np.concatenate(column) for column in zip(*parts, strict=True))) if parts else None


def extremes(rollup: Rollup, keep: BoolArray | None = None) -> tuple[IntArray, FloatArray]:
    """Return the least and the most of each span, or of those to ``keep``, as readings, ascending."""
    chosen = slice(None) if keep is None else keep
    times = np.concatenate((rollup.least_us[chosen], rollup.most_us[chosen]))
    times, place = np.unique(times, return_index=True)
    return times, np.concatenate((rollup.least[chosen], rollup.most[chosen]))[place]


def _pack(rollup: Rollup) -> bytes:
    """Return a number of spans, and a blob of four series."""
    body = codec.pack(
        (rollup.start, rollup.number.astype(np.float64)),
        (rollup.start, rollup.mean),
        (rollup.least_us, rollup.least),
        (rollup.most_us, rollup.most),
    )
    return bytes([len(rollup.start)]) + body


def _unpack(body: bytes) -> Rollup:
    (start, number), (_, mean), (least_us, least), (most_us, most) = codec.unpack_series(body[0], body[1:], 4)
    return Rollup(start, number.astype(np.int64), mean, least, least_us, most, most_us)
