"""Clocks of devices that went back, told by their numbers. Each function runs in its caller's transaction.

Within a boot a higher number is a later message. Where its time is not later than that of a lower number of the
same series, the clock was set back in between, and what it tells from there on, until it is past the newest time
again, is an hour that was told already. Such readings are kept in a table of their own: in that of the readings
they would hide behind those that have their times, or mix with them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import apsw

from monitor.readings import Reading
from monitor.service.ports import SetBack
from monitor.store.numbering import Boot
from monitor.store.numbers import Run
from monitor.store.tables import microseconds, seconds

PEAKS_KEPT: Final = 500
"""Earlier peaks kept of a series of a boot: one for each gap."""
SET_BACKS_KEPT: Final = 10_000
RETOLD_KEPT: Final = 1_000_000
"""Retold readings kept; the oldest go first."""


class Sample(NamedTuple):
    """A reading that is stored for the first time, with its number and its time [us]."""

    number: int
    time_us: int
    reading: Reading


@dataclass(slots=True)
class _Told:
    last: int
    last_us: int
    peak: int
    peak_us: int


class _Fall(NamedTuple):
    number: int
    before_us: int
    after_us: int
    heard_before: int
    """The last number of the series before the fall."""


def judge(
    db: apsw.Connection, boot: Boot, opened: Sequence[Run], samples: dict[int, list[Sample]]
) -> tuple[list[Sample], list[SetBack]]:
    """Return which samples (by series) are told of a time that was told before, and steps of the clock."""
    retold: list[Sample] = []
    falls: list[_Fall] = []
    if opened:
        # What every series had told before the gap: by this the numbers are judged that may still fill it.
        _keep_peaks(
            db, boot.id, db.execute("SELECT series, peak, peak_us FROM told WHERE numbering = ?", (boot.id,))
        )
    for series, mine in samples.items():
        found, fell = _judge_series(db, boot.id, series, opened, sorted(mine, key=_number))
        retold += found
        falls += fell
    return retold, _noted(db, boot, sorted(falls))


def _number(sample: Sample) -> int:
    return sample.number


def _judge_series(
    db: apsw.Connection, boot: int, series: int, opened: Sequence[Run], samples: Sequence[Sample]
) -> tuple[list[Sample], list[_Fall]]:
    row = db.execute(
        "SELECT last, last_us, peak, peak_us FROM told WHERE numbering = ? AND series = ?", (boot, series)
    ).fetchone()
    told = _Told(*row) if row is not None else _Told(-1, -1, -1, -1)
    older = _peaks(db, boot, series) if samples[0].number <= told.peak else []
    holes = [hole.first for hole in opened]
    retold: list[Sample] = []
    falls: list[_Fall] = []
    kept: list[tuple[int, int, int]] = []
    for number, group in _by_number(samples):
        if any(told.last < hole <= number for hole in holes) and told.peak >= 0:
            kept.append((series, told.peak, told.peak_us))
        ceiling = told.peak_us if told.peak < number else _highest_before(older, number)
        again = [sample for sample in group if sample.time_us <= ceiling]
        retold += again
        if number > told.last:
            after = min((sample.time_us for sample in again), default=told.last_us)
            if after < told.last_us:
                falls.append(_Fall(number, told.last_us, after, told.last))
            told.last, told.last_us = number, group[-1].time_us
        top = max(sample.time_us for sample in group)
        if top > told.peak_us:
            told.peak, told.peak_us = number, top
    if any(hole > told.last for hole in holes):
        kept.append((series, told.peak, told.peak_us))
    _keep_peaks(db, boot, kept)
    db.execute(
        "INSERT OR REPLACE INTO told VALUES (?, ?, ?, ?, ?, ?)",
        (boot, series, told.last, told.last_us, told.peak, told.peak_us),
    )
    return retold, falls


def _by_number(samples: Sequence[Sample]) -> list[tuple[int, list[Sample]]]:
    groups: dict[int, list[Sample]] = defaultdict(list)
    for sample in samples:
        groups[sample.number].append(sample)
    return list(groups.items())


def _peaks(db: apsw.Connection, boot: int, series: int) -> list[tuple[int, int]]:
    rows: Iterable[Any] = db.execute(
        "SELECT number, time_us FROM peak WHERE numbering = ? AND series = ?", (boot, series)
    )
    return list(rows)


def _highest_before(peaks: Sequence[tuple[int, int]], number: int) -> int:
    return max((time for at, time in peaks if at < number), default=-1)


def _keep_peaks(db: apsw.Connection, boot: int, peaks: Iterable[Any]) -> None:
    for series, number, time_us in list(peaks):
        db.execute("INSERT OR REPLACE INTO peak VALUES (?, ?, ?, ?)", (boot, series, number, time_us))
        db.execute(
            "DELETE FROM peak WHERE numbering = :boot AND series = :series AND number <= (SELECT number FROM peak "
            "WHERE numbering = :boot AND series = :series ORDER BY number DESC LIMIT 1 OFFSET :kept)",
            {"boot": boot, "series": series, "kept": PEAKS_KEPT},
        )


def _noted(db: apsw.Connection, boot: Boot, falls: Sequence[_Fall]) -> list[SetBack]:
    """Note steps of the clock; a step that several series show is one."""
    new: list[SetBack] = []
    for fall in falls:
        row = db.execute(
            "SELECT number, before_us, after_us FROM set_back WHERE numbering = ? ORDER BY id DESC LIMIT 1",
            (boot.id,),
        ).fetchone()
        # The series had not spoken since that step, and is inside what was told again.
        if (
            row is not None
            and fall.heard_before < row[0] <= fall.number
            and row[2] <= fall.after_us <= row[1]
        ):
            continue
        step = SetBack(
            boot.device, boot.boot, fall.number, seconds(fall.before_us), seconds(fall.after_us), boot.heard
        )
        db.execute(
            "INSERT INTO set_back (numbering, device, boot, number, before_us, after_us, noticed) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (boot.id, boot.device, boot.boot, fall.number, fall.before_us, fall.after_us, boot.heard),
        )
        new.append(step)
    if new:
        db.execute("DELETE FROM set_back WHERE id <= (SELECT max(id) FROM set_back) - ?", (SET_BACKS_KEPT,))
    return new


def restarted(
    db: apsw.Connection, boots: Sequence[Boot], repeated: Mapping[tuple[int, int], int]
) -> list[str]:
    """Return the devices whose repeats (by boot and series: newest time [us]) are later than all that they told.

    A message that is handed over again has the time that it had; one with a later time is another message.
    """
    found = set()
    for boot in boots:
        newest: Iterable[Any] = db.execute("SELECT series, peak_us FROM told WHERE numbering = ?", (boot.id,))
        if any(repeated.get((boot.id, series), -1) > peak_us for series, peak_us in newest):
            found.add(boot.device)
    return sorted(found)


def keep_retold(db: apsw.Connection, rows: Sequence[tuple[int, Reading]]) -> None:
    """Store readings (with their series) of a time that was told before."""
    db.executemany(
        "INSERT INTO retold (device, boot, number, series, time_us, value) VALUES (?, ?, ?, ?, ?, ?)",
        [
            (*reading.origin[:3], series, microseconds(reading.time), float(reading.value))
            for series, reading in rows
            if reading.origin is not None
        ],
    )
    if rows:
        db.execute("DELETE FROM retold WHERE id <= (SELECT max(id) FROM retold) - ?", (RETOLD_KEPT,))
