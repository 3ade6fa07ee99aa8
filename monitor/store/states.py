"""Saved analysers, and what has come too late for them: rows in and out, each in its caller's transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import apsw

from monitor.readings import Reading
from monitor.service.ports import Overdue, SavedState
from monitor.store.tables import microseconds, seconds

DAY_US: Final = 86_400_000_000
KEPT_DAYS: Final = 9
"""Days of which one state each is kept: a device that was cut off for a week sends what it kept."""


def note_overdue(db: apsw.Connection, new: Sequence[Reading], analysed: Mapping[str, float]) -> None:
    """Note of each site the oldest new reading whose time had been analysed already."""
    oldest: dict[str, float] = {}
    for reading in new:
        if reading.time <= analysed.get(reading.site, -1.0):
            oldest[reading.site] = min(reading.time, oldest.get(reading.site, reading.time))
    db.executemany(
        "INSERT INTO overdue VALUES (?, ?, 1) ON CONFLICT DO UPDATE SET "
        "since_us = min(since_us, excluded.since_us), times = times + 1",
        [(site, microseconds(time)) for site, time in oldest.items()],
    )


def select_overdue(db: apsw.Connection) -> dict[str, Overdue]:
    """Return what is overdue, by site."""
    rows: Iterable[tuple[Any, ...]] = db.execute("SELECT site, since_us, times FROM overdue")
    return {site: Overdue(seconds(since), times) for site, since, times in rows}


def correct(db: apsw.Connection, site: str, done: Overdue) -> None:
    """Drop what was saved without the readings that came late, and the mark unless more came meanwhile."""
    db.execute("DELETE FROM analysis WHERE site = ? AND at_us >= ?", (site, microseconds(done.since)))
    db.execute("DELETE FROM overdue WHERE site = ? AND times = ?", (site, done.times))


def insert_state(db: apsw.Connection, site: str, state: SavedState) -> None:
    """Add a state; of those before it the newest of each of the last days stays, and of the same day none."""
    at = microseconds(state.at)
    db.execute(
        "DELETE FROM analysis WHERE site = :site AND (program <> :program OR at_us >= :at OR at_us < :old OR "
        "id NOT IN (SELECT id FROM (SELECT id, max(at_us) FROM analysis WHERE site = :site AND at_us < :today "
        "GROUP BY at_us / :day)))",
        {
            "site": site,
            "program": state.program,
            "at": at,
            "old": at - KEPT_DAYS * DAY_US,
            "today": at // DAY_US * DAY_US,
            "day": DAY_US,
        },
    )
    db.execute(
        "INSERT INTO analysis (site, at_us, program, body) VALUES (?, ?, ?, ?)",
        (site, at, state.program, state.body),
    )


def select_state(db: apsw.Connection, site: str, program: str, before: float) -> SavedState | None:
    """Return the newest state of rows before ``before`` [epoch s] that ``program`` wrote."""
    row = db.execute(
        "SELECT at_us, program, body FROM analysis WHERE site = ? AND program = ? AND at_us < ? "
        "ORDER BY at_us DESC LIMIT 1",
        (site, program, microseconds(before) if before < 1e12 else 1 << 62),
    ).fetchone()
    return None if row is None else SavedState(seconds(row[0]), row[1], row[2])
