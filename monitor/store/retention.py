"""Retention: what is older than its time is dropped, and its room given back to the disk, in small steps.

Each function runs in its caller's transaction.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import apsw

from monitor.store import sealed
from monitor.store.sealed import HOUR_US, HOURS

STEP: Final = 500
"""Hours of a series that one transaction drops."""
PAGES: Final = 200
"""Pages that one transaction gives back."""
SPARE: Final = 256
"""Free pages that stay for what comes next (1 MB)."""


class Keep(NamedTuple):
    """For how long readings and their roll-ups by minute and hour are kept [s]; 0: for ever."""

    readings: float = 0.0
    minutes: float = 0.0
    hours: float = 0.0

    def cuts(self, now: float) -> dict[str, int]:
        """Return from which hour on each table is kept, at a time in epoch seconds; 0 where for ever."""
        spans = {"sealed": self.readings, "minutely": self.minutes, "hourly": self.hours}
        return {
            table: max(round((now - span) * 1e6) // HOUR_US, 0) if span else 0
            for table, span in spans.items()
        }


class Stale(NamedTuple):
    """A series with rows of ``table`` before the hour ``cut``."""

    table: str
    series: int
    cut: int


def stale(db: apsw.Connection, cuts: dict[str, int]) -> list[Stale]:
    """Return what is older than it is kept."""
    found = []
    for table, cut in cuts.items():
        older = (
            f"EXISTS (SELECT 1 FROM {table} AS t WHERE t.id >= s.id * :hours AND t.id < s.id * :hours + :cut)"  # noqa: S608
        )
        if table == "sealed":
            older += " OR EXISTS (SELECT 1 FROM reading WHERE series = s.id AND time_us < :cut * :hour)"
            older += " OR EXISTS (SELECT 1 FROM retold WHERE series = s.id AND time_us < :cut * :hour)"
        if cut:
            rows = db.execute(
                f"SELECT s.id FROM series AS s WHERE {older}",  # noqa: S608  names of our own tables
                {"hours": HOURS, "cut": cut, "hour": HOUR_US},
            )
            found += [Stale(table, int(str(series)), cut) for (series,) in rows]
    return found


def drop(db: apsw.Connection, old: Stale) -> bool:
    """Drop some of the oldest rows; False when that were all."""
    if old.table == "sealed":
        # From here on nothing before the cut is sealed: it would replace the roll-up of a whole hour.
        sealed.advance(db, sealed.RAW_FROM, old.cut)
        db.execute("DELETE FROM reading WHERE series = ? AND time_us < ?", (old.series, old.cut * HOUR_US))
        db.execute("DELETE FROM retold WHERE series = ? AND time_us < ?", (old.series, old.cut * HOUR_US))
    before = db.total_changes()
    db.execute(
        f"DELETE FROM {old.table} WHERE id IN "  # noqa: S608  a name of our own
        f"(SELECT id FROM {old.table} WHERE id >= ? AND id < ? ORDER BY id LIMIT ?)",
        (sealed.key(old.series, 0), sealed.key(old.series, old.cut), STEP),
    )
    return db.total_changes() - before == STEP


def give_back(db: apsw.Connection) -> bool:
    """Give some free pages back to the disk; False if no more than the spare ones are left."""
    free = int(db.pragma("freelist_count"))
    if free > SPARE:
        db.execute(f"PRAGMA incremental_vacuum({min(PAGES, free - SPARE)})").fetchall()
    return free > SPARE
