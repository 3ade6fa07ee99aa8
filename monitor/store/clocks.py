"""Clocks of devices that went back, told by their numbers. Each function runs in its caller's transaction.

Within a boot a higher number is a later message. Where its time is not later than that of a lower number of the
same series, the clock was set back in between, and what it tells from there on, until it is past the newest time
again, is an hour that was told already. Such readings are kept in a table of their own: in that of the readings
they would hide behind those that have their times, or mix with them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import apsw

from monitor.readings import Reading
from monitor.service.ports import SetBack
from monitor.store import sealed
from monitor.store.numbering import Boot
from monitor.store.peaks import NO_PEAK, Peak, Peaks, highest_missing
from monitor.store.tables import microseconds, seconds

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
    db: apsw.Connection, boot: Boot, samples: dict[int, list[Sample]]
) -> tuple[list[Sample], list[SetBack]]:
    """Return which samples (by series) are told of a time that was told before, and steps of the clock.

    The numbers of the batch are no longer among the gaps.
    """
    retold: list[Sample] = []
    falls: list[_Fall] = []
    missing = highest_missing(db, boot.id) if samples else -1
    for series, mine in samples.items():
        peaks = Peaks(db, boot.id, series, missing)
        found, fell = _judge_series(db, peaks, sorted(mine, key=_number))
        retold += found
        falls += fell
    return retold, _noted(db, boot, sorted(falls))


def _number(sample: Sample) -> int:
    return sample.number


def _judge_series(
    db: apsw.Connection, peaks: Peaks, samples: Sequence[Sample]
) -> tuple[list[Sample], list[_Fall]]:
    row = db.execute(
        "SELECT last, last_us, peak, peak_us FROM told WHERE numbering = ? AND series = ?", peaks.place
    ).fetchone()
    told = _Told(*row) if row is not None else _Told(-1, -1, *NO_PEAK)
    retold: list[Sample] = []
    falls: list[_Fall] = []
    for number, group in _by_number(samples):
        late = number <= told.peak
        before = peaks.before(number) if late else Peak(told.peak, told.peak_us)
        again = [sample for sample in group if sample.time_us <= before.time_us]
        retold += again
        least = min((sample.time_us for sample in again), default=before.time_us)
        if number > told.last:
            if again and least < told.last_us:
                falls.append(_Fall(number, told.last_us, least, told.last))
            told.last, told.last_us = number, group[-1].time_us
        elif least < before.time_us:
            falls.append(_Fall(number, before.time_us, least, before.number))
        top = Peak(number, max(sample.time_us for sample in group))
        if late and top.time_us > before.time_us:
            peaks.fill(top)
        if top.time_us > told.peak_us:
            if not late:
                peaks.pass_on(Peak(told.peak, told.peak_us), number)
            told.peak, told.peak_us = top
    db.execute(
        "INSERT OR REPLACE INTO told VALUES (?, ?, ?, ?, ?, ?)",
        (*peaks.place, told.last, told.last_us, told.peak, told.peak_us),
    )
    return retold, falls


def _by_number(samples: Sequence[Sample]) -> list[tuple[int, list[Sample]]]:
    groups: dict[int, list[Sample]] = defaultdict(list)
    for sample in samples:
        groups[sample.number].append(sample)
    return list(groups.items())


def _noted(db: apsw.Connection, boot: Boot, falls: Sequence[_Fall]) -> list[SetBack]:
    """Note steps of the clock; a step that several series show is one."""
    new: list[SetBack] = []
    for fall in falls:
        # The series had not spoken since that step, and is inside what was told again.
        known = db.execute(
            "SELECT 1 FROM set_back WHERE numbering = ? AND number > ? AND number <= ? "
            "AND after_us <= ? AND before_us >= ?",
            (boot.id, fall.heard_before, fall.number, fall.after_us, fall.after_us),
        ).fetchone()
        if known is not None:
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


class ToldAt(NamedTuple):
    """What a number of a boot said of one instant [us] of a series."""

    numbering: int
    series: int
    number: int
    time_us: int


def untold(db: apsw.Connection, rows: Mapping[int, ToldAt]) -> dict[int, ToldAt]:
    """Return those of which neither the readings nor the retold ones know; what is older than is kept is known."""
    raw_from = sealed.mark(db, sealed.RAW_FROM) * sealed.HOUR_US
    asked = [(told.series, told.time_us, 0.0) for told in rows.values() if told.time_us >= raw_from]
    unsealed = {(series, time_us) for series, time_us, _ in sealed.unknown(db, asked)}
    found = {}
    for place, told in rows.items():
        if (told.series, told.time_us) in unsealed:
            known = db.execute(
                "SELECT 1 FROM reading WHERE series = :series AND time_us = :time UNION ALL "
                "SELECT 1 FROM retold AS r JOIN numbering AS n ON n.device = r.device AND n.boot = r.boot "
                "WHERE r.series = :series AND r.time_us = :time AND r.number = :number AND n.id = :numbering",
                {
                    "series": told.series,
                    "time": told.time_us,
                    "number": told.number,
                    "numbering": told.numbering,
                },
            ).fetchone()
            if known is None:
                found[place] = told
    return found


def restarted(
    db: apsw.Connection,
    boots: Sequence[Boot],
    repeated: Mapping[tuple[int, int], int],
    anew: Collection[int],
) -> list[str]:
    """Return the devices that count anew within a boot: those of the boots ``anew``, and those by their repeats.

    A message that is handed over again has the time that it had; one with a later time is another message. So
    repeats (by boot and series: newest time [us]) that are later than all that was told show it too.
    """
    found = {boot.device for boot in boots if boot.id in anew}
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
