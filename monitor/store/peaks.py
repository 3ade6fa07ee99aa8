"""Newest times of a series at earlier numbers, by which a number is judged that comes late.

A peak is kept as long as a number is missing before the next one. Runs in its caller's transaction.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from typing import Any, Final, NamedTuple

import apsw

PEAKS_KEPT: Final = 500
"""Peaks kept of a series of a boot, those of the highest numbers."""

LAST: Final = 2**63 - 1


class Peak(NamedTuple):
    """The number whose time was the newest up to there [us]."""

    number: int
    time_us: int


NO_PEAK: Final = Peak(-1, -1)


class Peaks:
    """The peaks of one series of a boot before the newest one; ``missing``: the highest number that is missing."""

    def __init__(self, db: apsw.Connection, boot: int, series: int, missing: int) -> None:
        self._db = db
        self._missing = missing
        self.place = (boot, series)
        self._known: list[Peak] | None = None

    def before(self, number: int) -> Peak:
        """Return the peak with the newest time among those of lower numbers."""
        known = self._all()
        return max(known[: bisect_left(known, (number,))], key=_time, default=NO_PEAK)

    def pass_on(self, peak: Peak, number: int) -> None:
        """Keep what was the newest time up to now, unless nothing is missing before ``number``, which is newer."""
        if peak != NO_PEAK and self._is_missing(peak.number, number):
            self._keep(peak)

    def fill(self, peak: Peak) -> None:
        """Keep the peak of a number that came late, for the higher ones of its gap.

        The one before is of no more use where nothing is missing in between.
        """
        known = self._all()
        place = bisect_left(known, peak)
        if place and not self._is_missing(known[place - 1].number, peak.number):
            old = known.pop(place - 1)
            self._db.execute(
                "DELETE FROM peak WHERE numbering = ? AND series = ? AND number = ?",
                (*self.place, old.number),
            )
        self._keep(peak)

    def _keep(self, peak: Peak) -> None:
        if self._known is not None and peak not in self._known:
            self._known.insert(bisect_left(self._known, peak), peak)
        self._db.execute("INSERT OR REPLACE INTO peak VALUES (?, ?, ?, ?)", (*self.place, *peak))
        low = self._db.execute(
            "SELECT number FROM peak WHERE numbering = ? AND series = ? ORDER BY number DESC LIMIT 1 OFFSET ?",
            (*self.place, PEAKS_KEPT),
        ).fetchone()
        if low is not None:
            self._drop(low[0])

    def _drop(self, number: int) -> None:
        self._db.execute(
            "DELETE FROM peak WHERE numbering = ? AND series = ? AND number <= ?", (*self.place, number)
        )
        if self._known is not None:
            del self._known[: bisect_left(self._known, (number + 1,))]

    def _all(self) -> list[Peak]:
        if self._known is None:
            rows: Iterable[Any] = self._db.execute(
                "SELECT number, time_us FROM peak WHERE numbering = ? AND series = ? ORDER BY number",
                self.place,
            )
            self._known = [Peak(number, time_us) for number, time_us in rows]
        return self._known

    def _is_missing(self, lower: int, upper: int) -> bool:
        """Tell whether a number in between has not come; a look for the last gap before, not at all of them."""
        if upper - lower < 2 or self._missing < lower:
            return False
        return highest_missing(self._db, self.place[0], upper) > lower


def highest_missing(db: apsw.Connection, boot: int, before: int = LAST) -> int:
    """Return the last number of the highest gap that begins before a number; -1 if there is none."""
    found = -1
    for state in ("open", "lost"):
        row = db.execute(
            "SELECT last FROM gap WHERE numbering = ? AND state = ? AND first < ? ORDER BY first DESC LIMIT 1",
            (boot, state, before),
        ).fetchone()
        found = found if row is None else max(found, int(row[0]))
    return found


def _time(peak: Peak) -> int:
    return peak.time_us
