"""The boots of devices that number, and the gaps in their numbers. Each function runs in its caller's transaction.

All of it is bounded, whatever ids a stranger invents: a device that is heard keeps its place, and for a new one
there is room as long as one of the old ones has been silent for a week.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import apsw

from monitor.service.ports import Gap
from monitor.store.numbers import Line, Run, begun, between, common, follow

DAY: Final = 86400.0
WAITED: Final = 7 * DAY
"""Seconds that missing numbers are waited for: as long as a broker keeps messages for a session by default."""
FORGET: Final = 30 * DAY
"""Seconds of silence after which a boot is forgotten."""
DEVICES_MOST: Final = 2000
BOOTS_MOST: Final = 64
"""Boots of one device: beyond them the one that was heard the longest time ago is forgotten."""
HOLES_MOST: Final = 1000
"""Open gaps of one boot: beyond them the oldest are joined, with what came between them."""
GAPS_KEPT: Final = 100_000
"""Gaps that stay listed; older ones are no longer waited for either."""


@dataclass(slots=True)
class Boot:
    """A boot as this transaction finds it, with the numbers that come in it."""

    id: int
    device: str
    boot: str
    line: Line
    forgotten: int
    heard: float
    numbers: set[int] = field(default_factory=set)


class Boots:
    """The boots that one transaction hears of; ``now`` is when the newest of its messages arrived [epoch s]."""

    def __init__(self, db: apsw.Connection, now: float) -> None:
        self._db = db
        self._now = now
        self._known: dict[tuple[str, str], Boot | None] = {}
        self._devices: int | None = None
        self._full = False  # found once: a flood of new devices must not look for room again and again
        for number in _ids(db, "SELECT id FROM numbering WHERE heard < ? LIMIT 10", now - FORGET):
            _forget(db, number, now)

    def of(self, device: str, boot: str, sequence: int) -> Boot | None:
        """Return a boot, made with its first number where there is none; None where there is no more room."""
        key = (device, boot)
        if key not in self._known:
            self._known[key] = self._find(*key) or self._begin(*key, sequence)
        return self._known[key]

    def all(self) -> list[Boot]:
        """Return the boots that were asked for."""
        return [boot for boot in self._known.values() if boot is not None]

    def untracked(self) -> list[str]:
        """Return the devices that there was no room for."""
        return sorted({device for (device, _), boot in self._known.items() if boot is None})

    def _find(self, device: str, boot: str) -> Boot | None:
        row = self._db.execute(
            "SELECT id, start, highest, forgotten, heard FROM numbering WHERE device = ? AND boot = ?",
            (device, boot),
        ).fetchone()
        if row is None:
            return None
        number, start, highest, forgotten, heard = row
        return Boot(number, device, boot, Line(start, highest), forgotten, heard)

    def _begin(self, device: str, boot: str, sequence: int) -> Boot | None:
        rows = _ids(self._db, "SELECT id FROM numbering WHERE device = ? ORDER BY heard, id", device)
        if len(rows) >= BOOTS_MOST:
            self._drop(rows[0])
        if not rows and not self._room():
            return None
        line = begun(sequence, first_ever=not rows)
        self._db.execute(
            "INSERT INTO numbering (device, boot, start, highest, heard) VALUES (?, ?, ?, ?, ?)",
            (device, boot, line.start, line.highest, self._now),
        )
        return Boot(self._db.last_insert_rowid(), device, boot, line, -1, self._now)

    def _room(self) -> bool:
        """Make room for one more device if there is none; tell whether there is some."""
        if self._full:
            return False
        if self._devices is None:
            self._devices = int(str(self._db.execute("SELECT count(DISTINCT device) FROM numbering").get))
        if self._devices < DEVICES_MOST:
            self._devices += 1
            return True
        row = self._db.execute(
            "SELECT device, max(heard) AS last FROM numbering GROUP BY device HAVING last < ? "
            "ORDER BY last LIMIT 1",
            (self._now - WAITED,),
        ).fetchone()
        if row is None:
            self._full = True
            return False
        for number in _ids(self._db, "SELECT id FROM numbering WHERE device = ?", row[0]):
            self._drop(number)
        return True

    def _drop(self, number: int) -> None:
        for key, boot in list(self._known.items()):
            if boot is not None and boot.id == number:
                self._known[key] = None  # its readings go by their stamps for the rest of this transaction
        _forget(self._db, number, self._now)


def _ids(db: apsw.Connection, statement: str, *values: Any) -> list[int]:
    rows: list[Any] = db.execute(statement, values).fetchall()
    return [number for (number,) in rows]


def _forget(db: apsw.Connection, number: int, now: float) -> None:
    db.execute(
        "UPDATE gap SET state = 'lost', settled = ? WHERE numbering = ? AND state = 'open'", (now, number)
    )
    for table in ("taken", "told", "peak"):
        db.execute(f"DELETE FROM {table} WHERE numbering = ?", (number,))  # noqa: S608  names of our own
    db.execute("DELETE FROM numbering WHERE id = ?", (number,))


def give_up(db: apsw.Connection, now: float) -> None:
    """Wait no more for what has been missing for `WAITED` seconds."""
    db.execute(
        "UPDATE gap SET state = 'lost', settled = ? WHERE state = 'open' AND noticed < ?", (now, now - WAITED)
    )


def advance(db: apsw.Connection, boot: Boot) -> list[Gap]:
    """Write down that the numbers of a boot have come; return the gaps that they opened."""
    line = boot.line
    rows: list[Any] = []
    if min(boot.numbers) <= line.highest:
        rows = _missing(db, boot.id, Run(min(boot.numbers), max(boot.numbers)))
    holes = sorted(Run(first, last) for _, first, last, _ in rows)
    step = follow(Line(line.start, line.highest, tuple(holes)), boot.numbers)
    boot.line = step.line
    db.execute(
        "UPDATE numbering SET start = ?, highest = ?, heard = max(heard, ?) WHERE id = ?",
        (step.line.start, step.line.highest, boot.heard, boot.id),
    )
    if step.filled:
        _fill(db, boot, rows, step.filled)
    gaps = [Gap(boot.device, boot.boot, *hole, boot.heard) for hole in step.opened]
    if gaps:
        _add(db, boot.id, gaps)
    if gaps or step.filled:  # what fills the middle of a gap makes two of it
        _bound(db, boot)
    return gaps


def _missing(db: apsw.Connection, number: int, span: Run) -> list[Any]:
    found: Iterable[Any] = db.execute(
        "SELECT id, first, last, noticed FROM gap WHERE numbering = ? AND state IN ('open', 'lost') "
        "AND first <= ? AND last >= ?",
        (number, span.last, span.first),
    )
    return list(found)


def _fill(db: apsw.Connection, boot: Boot, rows: Sequence[Any], filled: Sequence[Run]) -> None:
    for row, first, last, noticed in rows:
        hole = Run(first, last)
        come = common(filled, [hole])
        left = between(come, hole)
        if not come:
            continue
        if left:
            db.execute("UPDATE gap SET first = ?, last = ? WHERE id = ?", (*left[0], row))
        else:
            db.execute("DELETE FROM gap WHERE id = ?", (row,))
        db.executemany(
            "INSERT INTO gap (numbering, device, boot, first, last, noticed, state, settled) "
            "SELECT numbering, device, boot, ?, ?, noticed, state, settled FROM gap WHERE id = ?",
            [(*part, row) for part in left[1:]],
        )
        for run in come:
            _strike_off(db, boot, run, noticed)


def _strike_off(db: apsw.Connection, boot: Boot, run: Run, noticed: float) -> None:
    """Add a filled run to the filled ones of the same gap beside it, so that a gap is one line again."""
    filled = "SELECT id, first, last, noticed FROM gap WHERE numbering = ? AND state = 'filled' AND first"
    before = db.execute(f"{filled} < ? ORDER BY first DESC LIMIT 1", (boot.id, run.first)).fetchone()
    after = db.execute(f"{filled} = ?", (boot.id, run.last + 1)).fetchone()
    first, last, rows = *run, []
    if before is not None and (before[2], before[3]) == (run.first - 1, noticed):
        first, rows = before[1], [before[0]]
    if after is not None and after[3] == noticed:
        last, rows = after[2], [*rows, after[0]]
    if not rows:
        db.execute(
            "INSERT INTO gap (numbering, device, boot, first, last, noticed, state, settled) "
            "VALUES (?, ?, ?, ?, ?, ?, 'filled', ?)",
            (boot.id, boot.device, boot.boot, first, last, noticed, boot.heard),
        )
        return
    db.execute(
        "UPDATE gap SET first = ?, last = ?, settled = ? WHERE id = ?", (first, last, boot.heard, rows[0])
    )
    db.execute("DELETE FROM gap WHERE id = ?", (rows[-1] if len(rows) > 1 else None,))


def _add(db: apsw.Connection, number: int, gaps: Sequence[Gap]) -> None:
    db.executemany(
        "INSERT INTO gap (numbering, device, boot, first, last, noticed, state) VALUES (?, ?, ?, ?, ?, ?, 'open')",
        [(number, gap.device, gap.boot, gap.first, gap.last, gap.noticed) for gap in gaps],
    )


def _bound(db: apsw.Connection, boot: Boot) -> None:
    """Join the oldest gaps into one beyond `HOLES_MOST`: nothing that is missing passes for come.

    What came between them is asked for again, and is a repeat then. The joined gap waits as long as its newest.
    """
    rows: list[Any] = db.execute(
        "SELECT id, first, last, noticed FROM gap WHERE numbering = ? AND state = 'open' "
        "ORDER BY first DESC LIMIT -1 OFFSET ?",
        (boot.id, HOLES_MOST - 1),
    ).fetchall()
    if len(rows) > 1:
        first, last = rows[-1][1], rows[0][2]
        keep, noticed = max(row[0] for row in rows), max(row[3] for row in rows)
        # Lines of what came, or was given up, between the joined ones: a number is in one line alone.
        db.execute(
            "DELETE FROM gap WHERE numbering = ? AND state IN ('open', 'filled', 'lost') "
            "AND first >= ? AND last <= ? AND id <> ?",
            (boot.id, first, last, keep),
        )
        db.execute(
            "UPDATE gap SET first = ?, last = ?, noticed = ? WHERE id = ?", (first, last, noticed, keep)
        )
    db.execute("DELETE FROM gap WHERE id <= (SELECT max(id) FROM gap) - ?", (GAPS_KEPT,))
